"""A wall as one sees it from outside, in metres along it and above its base: what is drawn to scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from nightview.checks.result import Result
from nightview.checks.walls import Wall
from nightview.scene.rules import wall_top
from nightview.site.blocks import wall_frame
from nightview.site.placing import Placed

BEFORE_M = 0.25
"""What is found this near to a wall's face belongs on its sheet: panes lie in reveals."""
BESIDE_M = 1.0
"""Lamps are drawn so far beyond the wall's ends."""
LEAST_SHARE = 0.02
"""A lamp that is meant for another thing is drawn where it brings this share of the wall's light."""
EDGE_M = 0.15
"""A zone that ends nearer than this to the wall's own end ends with the wall."""
SPECK_M2 = 0.02
"""Smaller dark spots are counted and not drawn."""

Spot = tuple[float, float]
"""Along the wall from its left end, and above its base [m]."""


@dataclass(frozen=True, eq=False)
class Elevation:
    """One facade with its lamps and what was found on it."""

    wall: Wall
    results: tuple[Result, ...]

    @property
    def base_m(self) -> float:
        """Height of the wall's base above the ground plane [m]."""
        return self.wall.block.base_m

    @cached_property
    def outline(self) -> shapely.Polygon:
        """The wall up to its eaves or gable, openings and all."""
        top = wall_top(self.wall.block, self.wall.side)
        return shapely.Polygon([(0.0, 0.0), (top[-1][0], 0.0), *reversed(top)])

    @cached_property
    def openings(self) -> list[tuple[str, shapely.Polygon]]:
        """Windows and doors by name, each of a row by itself."""
        found = []
        for opening in self.wall.job.scene.openings:
            if (opening.block, opening.side) != (self.wall.block.name, self.wall.side):
                continue
            width, height = opening.size_m
            for k in range(opening.count):
                left = opening.along_m + k * (opening.spacing_m or 0.0) - width / 2
                low = opening.sill_m
                found.append((opening.name, shapely.box(left, low, left + width, low + height)))
        return found

    @cached_property
    def porches(self) -> list[tuple[str, shapely.Polygon]]:
        """What stands before the wall and hides some of it from afar."""
        return [
            (
                porch.name,
                shapely.box(
                    porch.along_m - porch.size_m[0] / 2, porch.floor_m - self.base_m,
                    porch.along_m + porch.size_m[0] / 2, porch.height_m - self.base_m,
                ),
            )
            for porch in self.wall.job.scene.porches
            if (porch.block, porch.side) == (self.wall.block.name, self.wall.side)
        ]  # fmt: skip

    @cached_property
    def _solid(self) -> shapely.Geometry:
        """The wall without its openings."""
        return shapely.difference(
            self.outline, shapely.union_all([box for _, box in self.openings])
        )

    @cached_property
    def hidden(self) -> shapely.Geometry:
        """Where another part of the house stands against the wall."""
        area = self.wall.area
        columns, rows = (grid.ravel() for grid in np.meshgrid(self.wall.u, self.wall.v))
        inside = shapely.contains_xy(self._solid.buffer(-0.05 * area.step_m), columns, rows)
        cells = self.cells(inside.reshape(area.grid.shape) & ~area.mask)
        return shapely.intersection(cells, self._solid)

    @cached_property
    def face(self) -> shapely.Geometry:
        """The bare wall that light is calculated for."""
        return shapely.difference(self._solid, self.hidden)

    @cached_property
    def dark(self) -> shapely.Geometry:
        """Where the check for dark holes finds too little light; empty if that is no finding."""
        if not any(r.is_finding and r.limit.name == "black_hole" for r in self.results):
            return shapely.Polygon()
        shape = shapely.intersection(self.cells(self.wall.dark), self.face)
        parts = [part for part in shapely.get_parts(shape) if part.area >= SPECK_M2]
        return shapely.union_all(parts) if parts else shapely.Polygon()

    @cached_property
    def zone_ends(self) -> list[float]:
        """Where along the wall a part that is meant to be lit begins or ends, but for the wall's own
        ends [m]."""
        columns = np.concatenate([[False], self.wall.zone.any(axis=0), [False]])
        # Columns without any wall, as behind a tall door, end nothing.
        empty = np.concatenate([[False], ~self.wall.area.mask.any(axis=0), [False]])
        edges = np.flatnonzero(columns[1:] != columns[:-1])
        own = [k for k in edges.tolist() if not (empty[k] or empty[k + 1])]
        width = self.outline.bounds[2]
        ends = (k * self.wall.area.step_m for k in own)
        return [x for x in ends if EDGE_M < x < width - EDGE_M]

    def cells(self, which: NDArray[np.bool_]) -> shapely.Geometry:
        """Cells (nv, nu) of the grid as one shape."""
        half = 0.51 * self.wall.area.step_m  # overlaps its neighbours, so that no seam is left
        rows, columns = np.nonzero(which)
        x, z = self.wall.u[columns], self.wall.v[rows]
        return shapely.union_all(shapely.box(x - half, z - half, x + half, z + half))

    def spot(self, result: Result) -> Spot | None:
        """Where on the wall a result lies; None where it has no place there."""
        if result.at is None:
            return None
        foot, right, normal, width = wall_frame(self.wall.block, self.wall.side)
        away = np.asarray(result.at) - foot
        x, z, out = float(away @ right), float(away[2]), float(away @ normal)
        top = self.outline.bounds[3]
        inside = -0.01 <= x <= width + 0.01 and -0.01 <= z <= top + 0.01
        return (x, z) if inside and abs(out) <= BEFORE_M else None

    def mark(self, result: Result) -> Spot | None:
        """Where a result is marked: at its spot, but a dark hole in the midst of its largest part."""
        if result.limit.name == "black_hole" and not self.dark.is_empty:
            part = max(shapely.get_parts(self.dark), key=lambda part: part.area)
            middle = part.centroid if part.contains(part.centroid) else part.point_on_surface()
            return float(middle.x), float(middle.y)
        return self.spot(result)

    def lux_at(self, spot: Spot) -> float | None:
        """The light at the wall's point next to a spot [lx]; None where there is no wall."""
        step = self.wall.area.step_m
        i, j = (int(np.clip(round(s / step - 0.5), 0, n - 1))
                for s, n in zip(spot, self.wall.lux.shape[::-1], strict=True))  # fmt: skip
        value = float(self.wall.lux[j, i])
        return value if np.isfinite(value) else None

    @cached_property
    def lamps(self) -> list[Placed]:
        """The lamps before the wall that are on and meant for it, named in a finding on it, or bring
        it some light."""
        area, readings = self.wall.area, self.wall.job.readings
        brought = readings.by_lamp(area) @ area.weight
        share = dict(zip(readings.names, brought / max(brought.sum(), 1e-12), strict=True))
        wanted = {lamp.id for lamp in self.wall.lamps}
        wanted |= {name for r in self.results if r.is_finding for name in r.lamps}
        wanted |= {name for name, own in share.items() if own >= LEAST_SHARE}
        return [
            lamp
            for lamp in self.wall.job.lit_lamps
            if lamp.id in wanted and self.wall.out(lamp) > 0.0
        ]

    def lamp_spot(self, lamp: Placed) -> Spot:
        """Where a lamp stands as one faces the wall."""
        return self.wall.along(lamp), self.wall.height(lamp)

    def is_near(self, lamp: Placed) -> bool:
        """Whether a lamp stands where the sheet can show it."""
        left, _, right, top = self.outline.bounds
        x, z = self.lamp_spot(lamp)
        return left - BESIDE_M <= x <= right + BESIDE_M and z <= top + BESIDE_M


def elevation_of(wall: Wall, results: tuple[Result, ...]) -> Elevation:
    """A wall with those of a job's results that belong on its sheet: by their place, or by name."""
    every = Elevation(wall, results)
    name = wall.area.name
    own = tuple(
        result
        for result in results
        if every.spot(result) is not None
        or result.place == name
        or result.place.startswith(f"{name}, ")
    )
    return Elevation(wall, own)
