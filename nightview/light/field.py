"""The light of a site, source by source, and its sum for a state.

Light is linear: each source is traced once at full power and white; a state is a weighted sum.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.lamps.colour import rgb_of_cct
from nightview.light import cache
from nightview.light.direct import (
    Direct,
    light_on_bodies,
    resampled,
    trace_direct,
)
from nightview.light.gather import ambient_lx
from nightview.light.grids import Grids
from nightview.light.layout import Layout, linear_weights
from nightview.light.rays import THREADS, Array32, Tracer
from nightview.light.source import Source, sources_of
from nightview.light.stage import set_up
from nightview.light.state import LUMINOUS, State, state_of
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

LUMINOUS32 = LUMINOUS.astype(np.float32)
_Part = tuple[int, Array32, Source, Array32]
"""One source's light on a patch: level, values, the source and its RGB weight."""
Progress = Callable[[int, int, str], None]
"""Told after each piece of work: done, of how many, what."""


@dataclass(frozen=True, eq=False)
class SourceLight:
    """One source's light at full power and white (RGB only from what surfaces reflect).

    bounced : (rows, 3) float32. Light from other surfaces on the gather rows [lx].
    bodies : (n,) float32 each. Direct light on the lamps' bodies [lx].
    """

    source: Source
    direct: Direct
    bounced: Array32
    bodies: list[Array32]


@dataclass(frozen=True, eq=False)
class LightField:
    """All of a site's light, ready to be mixed."""

    site: Site
    layout: Layout
    grids: Grids
    tracer: Tracer
    sources: tuple[SourceLight, ...]
    sky: Array32
    body_rows: list[NDArray[np.int32]]

    @cached_property
    def rays(self) -> int:
        """Shadow rays sent for direct light."""
        return sum(part.direct.rays for part in self.sources)

    @cached_property
    def levels(self) -> list[int]:
        """Grid level of each patch: the finest that any source needs there."""
        level = [-3 if patch.texel_m < 0.03 else -2 for patch in self.site.patches]
        for part in self.sources:
            for number, (own, _) in part.direct.patches.items():
                level[number] = max(level[number], own)
        return level

    @cached_property
    def designed(self) -> State:
        """The state the scene file states: lamps on or off, dimmed, in their own colour."""
        return state_of(self.site, AS_DESIGNED)

    def state(self, name: str) -> State:
        """A state of the scene file by name, or ``AS_DESIGNED``; NightviewError if unknown."""
        return self.designed if name == AS_DESIGNED else state_of(self.site, name)

    def lamps_off(self, state: State) -> State:
        """A state with all lamps off."""
        off = dict.fromkeys((lamp.id for lamp in self.site.fixtures), 0.0)
        return replace(state, level={**state.level, **off})

    def lamps_at(self, state: State, cct_k: float) -> State:
        """A state with all lamps at one colour temperature [K], and their lumens as they were."""
        same = dict.fromkeys((lamp.id for lamp in self.site.fixtures), rgb_of_cct(cct_k))
        return replace(state, rgb={**state.rgb, **same})


def trace(site: Site, progress: Progress | None = None) -> LightField:
    """Trace every source of a site, or take it from the cache."""
    report = progress or (lambda done, total, what: None)
    sources = sources_of(site)
    steps = len(sources) + 2
    stage = set_up(site.geometry).ready()
    tracer, grids, layout = stage.tracer, stage.grids, stage.layout
    report(1, steps, "surfaces")
    keys = [cache.source_key(stage.key, source) for source in sources]
    sky_key = cache.sky_key(stage.key, site.scene.site, ambient_lx(site), site.scene.moon)
    kept = [cache.load(key, layout.rows) for key in keys]
    kept_sky = cache.load(sky_key, layout.rows)
    missing = [i for i, item in enumerate(kept) if item is None]
    done = 1 + len(sources) - len(missing)

    def lit(i: int) -> tuple[Direct, Array32]:
        direct = trace_direct(site, sources[i], tracer, grids, stage.spheres)
        return direct, cells_of_direct(site, layout, grids, direct)

    if missing or kept_sky is None:
        # Direct light keeps Python busy, the gather embree: side by side they fill the cores.
        with ThreadPoolExecutor(1) as aside, ThreadPoolExecutor(THREADS) as pool:
            gathering = aside.submit(stage.gather, site, sky_key)
            direct = {i: pool.submit(lit, i) for i in missing}
            number = {job: i for i, job in direct.items()}
            for job in as_completed(number):
                done += 1
                report(done, steps, f"light of {sources[number[job]].name}")
            gather = gathering.result()

            def bounced(some: list[int]) -> None:
                found = [direct.pop(i).result() for i in some]
                light = gather.bounced(np.stack([cells for _, cells in found], axis=1))
                for column, (i, (own, _)) in enumerate(zip(some, found, strict=True)):
                    here = np.ascontiguousarray(light[:, column])
                    kept[i] = (own, here)
                    cache.save(keys[i], own, here)

            # A few at a time, so that sixty lamps need no more memory than twelve.
            list(pool.map(bounced, [missing[k : k + 6] for k in range(0, len(missing), 6)]))
        sky = gather.sky_light()
        cache.save(sky_key, Direct(), sky)
        cache.trim()
    else:
        sky = kept_sky[1]
    report(steps, steps, "light between surfaces")
    parts = []
    for source, item in zip(sources, kept, strict=True):
        assert item is not None
        parts.append(SourceLight(source, *item, light_on_bodies(site, source, tracer)))
    return LightField(site, layout, grids, tracer, tuple(parts), sky, stage.rows_for(site.bodies))


def cells_of_direct(site: Site, layout: Layout, grids: Grids, direct: Direct) -> Array32:
    """Mean direct light on each cell, (cells,) [lx]."""
    cells = np.zeros(layout.cells, np.float32)
    for number, (level, values) in direct.patches.items():
        nv, nu = layout.cell_shape[number]
        own_v, own_u = values.shape
        wu, wv = _cell_means(own_u, nu), _cell_means(own_v, nv)
        real = grids.mask(number, level)
        mean = wv @ values @ wu.T
        if real is not None:
            mean /= np.maximum(wv @ real.astype(np.float32) @ wu.T, 1e-6)
        start = layout.cell_start[number]
        cells[start : start + nv * nu] = mean.ravel()
    for number, values in direct.meshes.items():
        start, mesh = layout.mesh_cell_start[number], site.meshes[number]
        cells[start : start + len(mesh.faces)] = values[mesh.faces].mean(axis=1)
    for number, values in direct.crowns.items():
        front, back = (layout.crown_cell[number] - layout.crown_cell_start[number]).T
        count = len(layout.crown_facing[number])
        sides = np.bincount(front, minlength=count) + np.bincount(back, minlength=count)
        light = np.bincount(front, np.maximum(values, 0), count)
        light += np.bincount(back, np.maximum(-values, 0), count)
        start = layout.crown_cell_start[number]
        cells[start : start + count] = light / np.maximum(sides, 1)
    return cells


@lru_cache(maxsize=512)
def _cell_means(nodes: int, cells: int) -> Array32:
    """(cells, nodes): exact means over equal cells of the line through node values."""
    # Each node's hat function, integrated up to the cells' edges; the first has only its right half.
    past = np.clip(np.linspace(0, nodes - 1, cells + 1)[:, None] - np.arange(nodes), -1.0, 1.0)
    whole = np.where(past < 0, (1 + past) ** 2 / 2, 0.5 + past - past * past / 2)
    return (np.diff(whole, axis=0) * cells / (nodes - 1)).astype(np.float32)


# --- mixing ---------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Light:
    """The light of one state on all surfaces, before their material.

    patches : (nv, nu, 3) float32 each, None for glass. Illuminance as linear RGB whose Y is lux.
    toward : (nv, nu, 3) float32 each. Mean way of the direct light along (u, v, normal), weighted
        by its share of all light: what relief needs.
    crowns : (n, 2, 3) float32 each. Light on a leaf's front and back.
    meshes, bodies : (n, 3) float32 each. Light at the vertices.
    """

    field: LightField
    state: State
    patches: list[Array32 | None]
    toward: list[Array32 | None]
    crowns: list[Array32]
    meshes: list[Array32]
    bodies: list[Array32]
    rows: Array32


def mix(field: LightField, state: State | None = None) -> Light:
    """Sum the sources for a state; by default as the scene file states."""
    state = state or field.designed
    site, layout = field.site, field.layout
    rows = field.sky * np.float32(state.sky)
    weights = [state.weight(part.source).astype(np.float32) for part in field.sources]
    for part, weight in zip(field.sources, weights, strict=True):
        if weight.any():
            rows = rows + part.bounced * weight
    by_patch: dict[int, list[_Part]] = {}
    for part, weight in zip(field.sources, weights, strict=True):
        if weight.any():
            for number, (level, values) in part.direct.patches.items():
                by_patch.setdefault(number, []).append((level, values, part.source, weight))
    lit = [_on_patch(field, k, rows, by_patch.get(k)) for k in range(len(site.patches))]
    patches, toward = [light for light, _ in lit], [way for _, way in lit]
    crowns = []
    for number, (crown, cloud) in enumerate(zip(site.crowns, layout.crown_rows, strict=True)):
        first = cloud.row
        even = np.pi * rows[first]
        lean = (2 * np.pi / 3) * sum(
            rows[first + 1 + axis] * crown.normal[:, axis : axis + 1] for axis in range(3)
        )
        sides = np.stack([even + lean, even - lean], axis=1)
        np.maximum(sides, 0, out=sides)
        for part, weight in zip(field.sources, weights, strict=True):
            if number in part.direct.crowns and weight.any():
                signed = part.direct.crowns[number]
                sides[:, 0] += np.maximum(signed, 0)[:, None] * weight
                sides[:, 1] += np.maximum(-signed, 0)[:, None] * weight
        crowns.append(sides.astype(np.float32))
    meshes = []
    for number, cloud in enumerate(layout.mesh_rows):
        light = rows[cloud.row].copy()
        for part, weight in zip(field.sources, weights, strict=True):
            if number in part.direct.meshes and weight.any():
                light += part.direct.meshes[number][:, None] * weight
        meshes.append(light)
    bodies = []
    for number, own in enumerate(field.body_rows):
        light = rows[own] if len(rows) else np.zeros((len(own), 3), np.float32)
        for part, weight in zip(field.sources, weights, strict=True):
            light += part.bodies[number][:, None] * weight
        bodies.append(light)
    return Light(field, state, patches, toward, crowns, meshes, bodies, rows)


def _on_patch(
    field: LightField, number: int, rows: Array32, parts: list[_Part] | None
) -> tuple[Array32, Array32] | tuple[None, None]:
    """Light on a patch's nodes and where it comes from, as in ``Light``; None for glass."""
    grid, level = field.layout.patch_rows[number], field.levels[number]
    if grid is None:
        return None, None
    patch = field.site.patches[number]
    u, v = patch.axes(level)
    wu, wv = linear_weights(grid.u, u), linear_weights(grid.v, v)
    bounced = np.tensordot(wv, rows[grid.rows], (1, 0))
    light = np.tensordot(wu, bounced, (1, 1)).transpose(1, 0, 2)
    if parts is None:
        return light, np.zeros_like(light)
    direct, way = _direct_and_way(patch, u, v, parts)
    both = field.grids.filled(number, level, np.concatenate([direct, way], axis=2))
    light += both[..., :3]
    return light, both[..., 3:] / np.maximum(light @ LUMINOUS32, np.float32(1e-9))[:, :, None]


def _direct_and_way(
    patch: Patch, u: Array, v: Array, parts: list[_Part]
) -> tuple[Array32, Array32]:
    """Sum of some sources' direct light on a patch's nodes, (nv, nu, 3) [lx RGB], and of their
    unit ways along (u, v, normal), weighted by luminous light, (nv, nu, 3)."""
    shape = (len(v), len(u))
    light = np.empty((len(parts), *shape), np.float32)
    over_r = np.empty_like(light)  # luminous light over distance
    weights = np.array([weight for *_, weight in parts], np.float32)
    places = np.array([source.positions.mean(axis=0) for _, _, source, _ in parts])
    # The way is (place − node)/r: a sum over places, less the node times the sum of what is left.
    local = np.ones((len(parts), 4), np.float32)
    if patch.tube:
        nodes, normals = patch.place(*np.meshgrid(u, v))
        local[:, :3] = places
    else:
        relative = places - patch.origin
        local[:, :3] = relative @ np.stack([patch.eu, patch.ev, patch.normal], axis=1)
    for k, (_, values, _, weight) in enumerate(parts):
        light[k] = resampled(values, shape)
        if patch.tube:
            distance = np.linalg.norm(places[k] - nodes, axis=-1)
        else:
            du, dv = (local[k, 0] - u).astype(np.float32), (local[k, 1] - v).astype(np.float32)
            distance = np.sqrt((du * du)[None, :] + (dv * dv + local[k, 2] ** 2)[:, None])
        over_r[k] = light[k] * (np.float32(weight @ LUMINOUS) / distance)
    direct = np.tensordot(light, weights, (0, 0))
    sums = np.tensordot(over_r, local, (0, 0))
    way = sums[..., :3]
    if patch.tube:
        world = way - nodes * sums[..., 3:]
        across = np.cross(patch.ev, normals)
        along = [(world * across).sum(-1), world @ patch.ev, (world * normals).sum(-1)]
        return direct, np.stack(along, axis=-1).astype(np.float32)
    way[..., 0] -= u.astype(np.float32)[None, :] * sums[..., 3]
    way[..., 1] -= v.astype(np.float32)[:, None] * sums[..., 3]
    return direct, way
