"""A field of light brought up to date: only lamps that have changed are traced again."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from threading import Lock

import numpy as np

from nightview.light import cache
from nightview.light.direct import Direct, light_on_bodies, resampled, trace_direct
from nightview.light.field import Light, LightField, SourceLight, cells_of_direct, trace
from nightview.light.gather import ambient_lx
from nightview.light.rays import Array32
from nightview.light.source import source_of, sources_of
from nightview.light.stage import set_up
from nightview.site.build import Site
from nightview.site.placing import Placed

KEPT = 40
"""So many lamps as they were before are kept, for undoing and redoing."""

Check = Callable[[], None]
"""Called between steps; raises where the work is no longer wanted."""


class Relight:
    """The light of one site after another. field : the last one, or None."""

    def __init__(self) -> None:
        self.field: LightField | None = None
        self._before: OrderedDict[str, tuple[Direct, Array32]] = OrderedDict()
        self._sky = ""
        self._gathering = Lock()

    def of(self, site: Site, check: Check = lambda: None) -> LightField:
        """The light of a site; quick where only lamps differ from the one before."""
        stage = set_up(site.geometry)
        sky = cache.sky_key(stage.key, site.scene.site, ambient_lx(site), site.scene.moon)
        last = self.field
        if last is not None and last.site is site:
            return last
        if last is None or last.site.geometry is not site.geometry or sky != self._sky:
            self._before.clear()
            self.field, self._sky = trace(site), sky
            return self.field
        sources = sources_of(site)
        keys = [cache.source_key(stage.key, source) for source in sources]
        known = {cache.source_key(stage.key, part.source): part for part in last.sources}
        maps = {key: (part.direct, part.bounced) for key, part in known.items()}
        maps |= self._before
        for key, source in zip(keys, sources, strict=True):
            if key not in maps:
                check()
                direct = trace_direct(site, source, stage.tracer, stage.grids, stage.spheres)
                cells = cells_of_direct(site, stage.layout, stage.grids, direct)
                check()
                with self._gathering:
                    gather = stage.gather(site, sky)
                bounced = gather.bounced(cells[:, None])
                maps[key] = direct, np.ascontiguousarray(bounced[:, 0])
                cache.save(key, *maps[key])
        for key in set(known) - set(keys):
            self._before[key] = maps[key]
        for key in set(keys) & set(self._before):
            del self._before[key]
        while len(self._before) > KEPT:
            self._before.popitem(last=False)
        parts = tuple(
            SourceLight(source, *maps[key], light_on_bodies(site, source, stage.tracer))
            for key, source in zip(keys, sources, strict=True)
        )
        rows = stage.rows_for(site.bodies)
        self.field = replace(last, site=site, sources=parts, body_rows=rows)
        return self.field

    def only_told(self, site: Site) -> LightField | None:
        """The last field under a site in which all lamps stand as they did, switched, dimmed and
        coloured anew; None where one does not."""
        last = self.field
        if last is None or last.site.geometry is not site.geometry:
            return None
        before = {lamp.id: lamp for lamp in last.site.fixtures}
        if list(before) != [lamp.id for lamp in site.fixtures]:
            return None
        for lamp in site.fixtures:
            was = before[lamp.id]
            if was is not lamp and _key(was) != _key(lamp):
                return None
        return replace(last, site=site)

    def warm(self) -> None:
        """Gather the rays between surfaces ahead of the first lamp that is moved; from any thread."""
        field, sky = self.field, self._sky
        if field is not None:
            with self._gathering:
                set_up(field.site.geometry).gather(field.site, sky)


def _key(lamp: Placed) -> str:
    return cache.source_key("", source_of(lamp))


def without_direct(light: Light, lamps: frozenset[str]) -> Light:
    """A light less what some lamps bring straight; what their light brings from other surfaces stays.

    Relief keeps the way it had, which serves while a lamp is dragged.
    """
    field = light.field
    patches, crowns, meshes = list(light.patches), list(light.crowns), list(light.meshes)
    for part in field.sources:
        weight = light.state.weight(part.source).astype(np.float32)
        if part.source.name not in lamps or not weight.any():
            continue
        for number, (_, values) in part.direct.patches.items():
            have = patches[number]
            if have is not None:
                own = resampled(values, have.shape[:2])[:, :, None] * weight
                own = field.grids.filled(number, field.levels[number], own)
                patches[number] = np.maximum(have - own, 0.0)
        for number, signed in part.direct.crowns.items():
            sides = np.stack([np.maximum(signed, 0), np.maximum(-signed, 0)], axis=1)
            crowns[number] = np.maximum(crowns[number] - sides[..., None] * weight, 0.0)
        for number, values in part.direct.meshes.items():
            meshes[number] = np.maximum(meshes[number] - values[:, None] * weight, 0.0)
    return replace(light, patches=patches, crowns=crowns, meshes=meshes)
