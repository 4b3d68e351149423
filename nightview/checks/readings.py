"""How much light each source brings to the points of all areas, and what a changed lamp would bring.

Direct light is evaluated at the points themselves, shadows and all, and not read off the maps; light
from other surfaces is that of the traced field. A lamp that is changed in thought alone, while a
remedy is sought, keeps the share of bounced light that it had, by its lumens; what is found in the
end is traced.

What a check needs of the light is far less than its maps: the columns of a site's own sources are kept
on disk beside them, and where all are found there the maps are not even read.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from nightview.checks.areas import Area
from nightview.checks.probe import Parts, Probe, digest_of
from nightview.light.cache import source_key
from nightview.light.source import Source, source_of, sources_of
from nightview.light.state import LUMINOUS, State
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.site.surface import Array

if TYPE_CHECKING:
    from scipy import sparse

    from nightview.light.field import LightField
    from nightview.light.rays import Array32, Tracer

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, eq=False)
class Readings:
    """The light of one state at the points of all areas.

    lamps : (k, n) illuminance that each lamp brings, in the order of names [lx].
    rest : (n,) what sky, moon and windows bring [lx].
    """

    site: Site
    state: State
    names: tuple[str, ...]
    lamps: Array
    rest: Array
    spans: dict[tuple[str, str], slice]

    def by_lamp(self, area: Area) -> Array:
        """What each lamp brings to the points of an area, (k, n) [lx]."""
        return self.lamps[:, self.spans[area.kind, area.name]]

    def from_lamps(self, area: Area) -> Array:
        """What all lamps together bring, (n,) [lx]."""
        return self.by_lamp(area).sum(axis=0)

    def total(self, area: Area) -> Array:
        """All light on the points of an area, (n,) [lx]."""
        return self.from_lamps(area) + self.rest[self.spans[area.kind, area.name]]

    def luminance(self, area: Area) -> Array:
        """Of the surface at the points of an area, taken as matte, (n,) [cd/m²]."""
        return self.total(area) * area.per_lux

    def lamp(self, name: str, area: Area) -> Array:
        """What one lamp brings to the points of an area, (n,) [lx]."""
        return self.by_lamp(area)[self.names.index(name)]


class Meter:
    """Reads the light of a site at the points of some areas; what it has read it keeps.

    light : a traced field; or a site, which is traced when its light must be known: then what is read
    of its own sources is kept on disk. The site of a reading may have other lamps, in the same geometry.
    columns : (n, 4) float32 by a source's key. The source at full power and white on all points: direct
    [lx], and bounced [lx RGB].
    """

    def __init__(
        self, light: LightField | Site, areas: tuple[Area, ...], progress: Progress | None = None
    ) -> None:
        self.areas = areas
        self.keeps = isinstance(light, Site)
        self.columns: dict[str, Array32] = {}
        self.brought: dict[tuple[Any, ...], Array] = {}
        self._sources: dict[Placed, Source] = {}
        self._progress = progress
        ends = np.cumsum([0, *(len(area) for area in areas)])
        self.spans = {
            (area.kind, area.name): slice(int(a), int(b))
            for area, a, b in zip(areas, ends[:-1], ends[1:], strict=True)
        }
        self.points = np.concatenate([area.points for area in areas] or [np.zeros((0, 3))])
        self.normals = np.concatenate([area.normals for area in areas] or [np.zeros((0, 3))])
        sided = [np.full(len(area), area.two_sided) for area in areas]
        self.two_sided = np.concatenate(sided or [np.zeros(0, bool)])
        self.nothing = np.zeros(len(self.points))
        self.traced(light)

    def traced(self, light: LightField | Site) -> None:
        """Take the bounced light of a field, in place of what was assumed for its lamps."""
        if isinstance(light, Site):
            self.site, self._light, sources = light, None, sources_of(light)
        else:
            self.site, self._light = light.site, light
            sources = tuple(part.source for part in light.sources)
        self.own = {source.name: source for source in sources}
        self.others = [source for source in sources if source.kind != "lamp"]
        self.known = {source_key("", source): k for k, source in enumerate(sources)}
        self.brought.clear()
        self._sky: Array | None = None
        for key in self.known.keys() & self.columns.keys():
            self.columns[key] = _column(self.columns[key][:, 0], self._traced_bounce(key))

    @property
    def light(self) -> LightField:
        """The site's light; traced, or read from the cache, when first asked for."""
        if self._light is None:
            from nightview.light.field import trace

            self._light = trace(self.site, self._progress)
        return self._light

    @cached_property
    def probe(self) -> Probe:
        """Rays against the geometry."""

        def tracer() -> Tracer:
            from nightview.light.stage import set_up

            return set_up(self.site.geometry).tracer

        return Probe(self.site.geometry, tracer)

    def read(self, site: Site, state: State) -> Readings:
        """The light of a state of a site; a lamp not met before is traced to all points."""
        names = tuple(lamp.id for lamp in site.fixtures)
        lamps = [self._brought(self._source(lamp), state) for lamp in site.fixtures]
        rest = self.sky * state.sky
        for source in self.others:
            rest = rest + self._brought(source, state)
        stacked = np.stack(lamps) if lamps else np.zeros((0, len(self.points)))
        return Readings(site, state, names, stacked, rest, self.spans)

    @property
    def sky(self) -> Array:
        """What the whole sky brings to the points, (n,) [lx]."""
        if self._sky is None:
            scene = self.site.scene
            question = ("sky", repr(scene.site), repr(scene.moon), self._where)
            (self._sky,) = self.probe.answer(
                question, lambda: (np.asarray(self._rows @ self.light.sky) @ LUMINOUS,), self.keeps
            )
        return self._sky

    def _source(self, lamp: Placed) -> Source:
        """A lamp as a source, made once for as long as the lamp is known."""
        if lamp not in self._sources:
            self._sources[lamp] = source_of(lamp)
        return self._sources[lamp]

    def _brought(self, source: Source, state: State) -> Array:
        """What a source brings in a state, (n,) [lx]."""
        weight = state.weight(source)
        if not weight.any() or source.name in state.absent:
            return self.nothing
        key = (source_key("", source), *weight)
        if key not in self.brought:
            luminous = weight * LUMINOUS
            self.brought[key] = self.column(source) @ np.array([luminous.sum(), *luminous])
        return self.brought[key]

    def column(self, source: Source) -> Array32:
        """A source's light on all points, (n, 4) as in ``columns``."""
        key = source_key("", source)
        if key not in self.columns:
            own = key in self.known

            def made() -> Parts:
                bounced = self._traced_bounce(key) if own else self._assumed_bounce(source)
                return (_column(self._direct(source), bounced),)

            (self.columns[key],) = self.probe.answer(
                ("column", key, self._where), made, own and self.keeps
            )
        return self.columns[key]

    @cached_property
    def _where(self) -> str:
        """Of all that the light at the points hangs on besides the geometry, in short."""
        kinds = "".join(f"{area.kind} {len(area)} " for area in self.areas)
        places = [part for area in self.areas for part in (area.patch, area.uv)]
        return digest_of([kinds, self.points, self.normals, self.two_sided, *places])

    @cached_property
    def _rows(self) -> sparse.csr_matrix:
        from nightview.checks.columns import rows_of

        return rows_of(self.light, self.areas)

    def _direct(self, source: Source) -> Array:
        from nightview.checks.columns import direct_on

        return direct_on(self.points, self.normals, self.two_sided, source, self.probe.tracer)

    def _traced_bounce(self, key: str) -> Array:
        """What the traced light of a source of the site's own throws on from surfaces, (n, 3)."""
        return np.asarray(self._rows @ self.light.sources[self.known[key]].bounced)

    def _assumed_bounce(self, source: Source) -> Array | Array32:
        """The same of a lamp that is tried: that of the lamp in whose place it stands, by its lumens."""
        before = self.own.get(source.name)
        if before is None:
            return np.zeros((len(self.points), 3))
        share = source.intensity.flux_lm / max(before.intensity.flux_lm, 1e-9)
        return self.column(before)[:, 1:] * share


def _column(direct: Array | Array32, bounced: Array | Array32) -> Array32:
    return np.column_stack([direct, bounced]).astype(np.float32)
