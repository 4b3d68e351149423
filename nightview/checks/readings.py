"""How much light each source brings to the points of all areas, and what a changed lamp would bring.

Direct light is evaluated at the points themselves, shadows and all, and not read off the maps; light
from other surfaces is that of the traced field. A lamp that is changed in thought alone, while a
remedy is sought, keeps the share of bounced light that it had, by its lumens; what is found in the
end is traced.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from nightview.checks.areas import Area
from nightview.light.cache import source_key
from nightview.light.direct import LIFT_M, light_on_points
from nightview.light.field import LightField, State
from nightview.light.gather import LUMINOUS
from nightview.light.nodes import between
from nightview.light.source import Source, other_sources, source_of
from nightview.light.stage import set_up
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.site.surface import Array

LENS_POINTS = 8
"""Shadow rays from a point to a lamp's lens, spread over it."""
LEAST_LX = 2e-3
"""Less direct light than this is not looked for."""


@dataclass(frozen=True, eq=False)
class Column:
    """One source at full power and white on all points: direct (n,) [lx] and bounced (n, 3) [lx RGB]."""

    direct: Array
    bounced: Array


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


@dataclass(eq=False)
class Meter:
    """Reads the light of a field at the points of some areas; what it has read it keeps.

    The site of a reading may have other lamps than the field's, in the same geometry.
    """

    light: LightField
    areas: tuple[Area, ...]
    columns: dict[str, Column] = field(default_factory=dict)
    brought: dict[tuple[Any, ...], Array] = field(default_factory=dict)
    sources: dict[Placed, Source] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ends = np.cumsum([0, *(len(area) for area in self.areas)])
        self.spans = {
            (area.kind, area.name): slice(int(a), int(b))
            for area, a, b in zip(self.areas, ends[:-1], ends[1:], strict=True)
        }
        self.points = np.concatenate([area.points for area in self.areas] or [np.zeros((0, 3))])
        self.normals = np.concatenate([area.normals for area in self.areas] or [np.zeros((0, 3))])
        sided = [np.full(len(area), area.two_sided) for area in self.areas]
        self.two_sided = np.concatenate(sided or [np.zeros(0, bool)])
        self.nothing = np.zeros(len(self.points))
        self.others = other_sources(self.light.site)
        self.rows = _rows(self.light, self.areas)
        self.traced(self.light)

    def traced(self, light: LightField) -> None:
        """Take the bounced light of a field, in place of what was assumed for its lamps."""
        self.light = light
        self.own = {part.source.name: part for part in light.sources}
        self.known = {source_key("", part.source): part for part in light.sources}
        self.brought.clear()
        self.sky = np.asarray(self.rows @ light.sky) @ LUMINOUS
        for key in self.known:
            if key in self.columns:
                self.columns[key] = Column(self.columns[key].direct, self._bounced(key))

    def read(self, site: Site, state: State) -> Readings:
        """The light of a state of a site; a lamp not met before is traced to all points."""
        names = tuple(lamp.id for lamp in site.fixtures)
        lamps = [self._brought(self._source(lamp), state) for lamp in site.fixtures]
        rest = self.sky * state.sky
        for source in self.others:
            rest = rest + self._brought(source, state)
        stacked = np.stack(lamps) if lamps else np.zeros((0, len(self.points)))
        return Readings(site, state, names, stacked, rest, self.spans)

    def _source(self, lamp: Placed) -> Source:
        """A lamp as a source, made once for as long as the lamp is known."""
        if lamp not in self.sources:
            self.sources[lamp] = source_of(lamp)
        return self.sources[lamp]

    def _brought(self, source: Source, state: State) -> Array:
        """What a source brings in a state, (n,) [lx]."""
        weight = state.weight(source)
        if not weight.any() or source.name in state.absent:
            return self.nothing
        key = (source_key("", source), *weight)
        if key not in self.brought:
            column = self.column(source)
            self.brought[key] = column.direct * float(weight @ LUMINOUS) + column.bounced @ (
                weight * LUMINOUS
            )
        return self.brought[key]

    def column(self, source: Source) -> Column:
        """A source's light on all points."""
        key = source_key("", source)
        if key not in self.columns:
            self.columns[key] = Column(self._direct(source), self._bounced(key, source))
        return self.columns[key]

    def _bounced(self, key: str, source: Source | None = None) -> Array:
        part, share = self.known.get(key), 1.0
        if part is None and source is not None and source.name in self.own:
            part = self.own[source.name]
            share = source.intensity.flux_lm / max(part.source.intensity.flux_lm, 1e-9)
        if part is None:
            return np.zeros((len(self.points), 3))
        return np.asarray(self.rows @ part.bounced, float) * share

    def _direct(self, source: Source) -> Array:
        found = np.zeros(len(self.points))
        where = self.points.astype(np.float32)
        for facing, which in (
            (self.normals, np.arange(len(self.points))),
            (-self.normals, np.flatnonzero(self.two_sided)),
        ):
            for position in source.positions:
                here = where[which]
                normal = facing[which].astype(np.float32)
                light = light_on_points(here, normal, source, position)[0]
                lit = np.flatnonzero(light * len(source.positions) > LEAST_LX)
                if not len(lit):
                    continue
                start = (self.points[which[lit]] + LIFT_M * facing[which[lit]]).astype(np.float32)
                spots = source.lens_points(position, LENS_POINTS).astype(np.float32)
                clear = np.zeros(len(lit))
                for spot in spots:
                    clear += ~self.light.tracer.blocked(start, spot)
                found[which[lit]] += light[lit] * clear / len(spots)
        return found


def _rows(light: LightField, areas: Iterable[Area]) -> sparse.csr_matrix:
    """Which gather rows bring bounced light to each point, (points, rows): between the nodes of a
    patch's grid; where there is none, as on glass, from the nearest node that faces alike."""
    at: list[NDArray[Any]] = []
    which: list[NDArray[Any]] = []
    share: list[NDArray[Any]] = []
    start = 0
    layout = light.layout
    for area in areas:
        lost = np.ones(len(area), bool)
        for number in np.unique(area.patch[area.patch >= 0]):
            grid = layout.patch_rows[number]
            if grid is None:
                continue
            own = np.flatnonzero(area.patch == number)
            lost[own] = False
            ends_u, ends_v = (
                _ends(have, area.uv[own, k]) for k, have in enumerate((grid.u, grid.v))
            )
            for j, wv in ends_v:
                for i, wu in ends_u:
                    at.append(start + own)
                    which.append(grid.rows[j, i])
                    share.append(wu * wv)
        if lost.any() and len(layout.points) and area.kind != "crown":
            left = np.flatnonzero(lost)
            at.append(start + left)
            which.append(set_up(light.site.geometry).nearest(area.points[left], area.normals[left]))
            share.append(np.ones(len(left)))
        start += len(area)
    if not at:
        return sparse.csr_matrix((start, len(light.sky)))
    return sparse.csr_matrix(
        (np.concatenate(share), (np.concatenate(at), np.concatenate(which))),
        shape=(start, len(light.sky)),
    )


def _ends(have: Array, want: Array) -> list[tuple[NDArray[Any], NDArray[Any]]]:
    """The one or two of have about each of want, and their shares."""
    if len(have) == 1:
        return [(np.zeros(len(want), np.intp), np.ones(len(want)))]
    index, part = between(have, want)
    return [(index, 1.0 - part), (index + 1, part)]
