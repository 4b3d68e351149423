"""Which nodes of a patch's grid are real: inside its outline and outside every solid."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from nightview.site.build import Geometry
from nightview.site.shapes import STANDS_IN_M
from nightview.site.surface import Array, Patch, Solid

Bools = NDArray[np.bool_]
SOLID_DEPTH_M = 0.002


class Grids:
    """Masks and fills of patch grids, made on first use and kept."""

    def __init__(self, site: Geometry) -> None:
        self.site = site
        self._near = _solids_near(site)
        self._masks: dict[tuple[int, int], Bools | None] = {}
        self._axes: dict[tuple[int, int], tuple[Array, Array]] = {}
        self._fills: dict[tuple[int, int], tuple[NDArray, ...] | None] = {}

    def mask(self, number: int, level: int) -> Bools | None:
        """(nv, nu) bool of real nodes, or None where all are."""
        key = (number, level)
        if key not in self._masks:
            patch = self.site.patches[number]
            self._masks[key] = self.valid(number, *patch.axes(level))
        return self._masks[key]

    def axes(self, number: int, level: int) -> tuple[Array, Array]:
        """Where a patch's columns and rows are lit: its axes, drawn in from the edges [m]."""
        key = (number, level)
        if key not in self._axes:
            patch = self.site.patches[number]
            u, v = patch.axes(level)
            # Round a tube the first column is the last one: there is no edge to draw in from.
            u = u if patch.tube else drawn_in(patch, u, 0)
            self._axes[key] = u, drawn_in(patch, v, 1)
        return self._axes[key]

    def valid(self, number: int, u: Array, v: Array) -> Bools | None:
        """The same for any rows v and columns u [m]."""
        patch = self.site.patches[number]
        if patch.is_rectangle and not self._near[number]:
            return None
        u, v = drawn_in(patch, u, 0), drawn_in(patch, v, 1)
        real = self.real_at(number, u, v, None if patch.is_rectangle else patch.outline)
        return None if real.all() else real

    def real_at(self, number: int, u: Array, v: Array, outline: shapely.Geometry | None) -> Bools:
        """Which crossings of u and v [m] in a patch's plane lie in an outline there, None being all,
        and outside the solids about the patch: (nv, nu)."""
        real = np.ones((len(v), len(u)), bool) if outline is None else inside(outline, u, v)
        solids = self._near[number]
        if solids and real.any():
            points = self.site.patches[number].place(*np.meshgrid(u, v))[0][real]
            buried = np.zeros(len(points), bool)
            for solid in solids:
                buried |= solid.holds(points, SOLID_DEPTH_M)
            real[real] = ~buried
        return real

    def filled(self, number: int, level: int, values: NDArray) -> NDArray:
        """Values (nv, nu, …) with unreal nodes taken from the nearest real one."""
        real = self.mask(number, level)
        if real is None:
            return values
        key = (number, level)
        if key not in self._fills:
            self._fills[key] = nearest_real(real)
        fill = self._fills[key]
        return values if fill is None else values[fill]


def inside(outline: shapely.Geometry, u: Array, v: Array) -> Bools:
    """Which crossings of ascending u and v lie inside a polygon and not on its edge, (nv, nu).

    As ``shapely.contains_xy``, by counting edges along whole rows: even is outside. A place on an
    edge is a hair's breadth outside to one side or another, so all four sides are asked.
    """
    starts, ends = [], []
    for part in shapely.get_parts(outline):
        for ring in (part.exterior, *part.interiors):
            places = shapely.get_coordinates(ring)
            starts.append(places[:-1])
            ends.append(places[1:])
    (x0, y0), (x1, y1) = np.concatenate(starts).T, np.concatenate(ends).T
    within = np.ones((len(v), len(u)), bool)
    for row_side in ("left", "right"):
        first, last = np.searchsorted(v, y0, row_side), np.searchsorted(v, y1, row_side)
        low, count = np.minimum(first, last), np.abs(last - first)
        edge = np.repeat(np.arange(len(count)), count)
        row = low[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
        along = (v[row] - y0[edge]) / (y1 - y0)[edge]
        x = x0[edge] + along * (x1 - x0)[edge]
        for column_side in ("left", "right"):
            column = np.searchsorted(u, x, column_side)
            crossed = np.bincount(row * (len(u) + 1) + column, minlength=len(v) * (len(u) + 1))
            odd = (crossed & 1).astype(bool).reshape(len(v), -1)[:, :-1]
            within &= np.logical_xor.accumulate(odd, axis=1)
    return within


def drawn_in(patch: Patch, axis: Array, which: int) -> Array:
    """Places along a patch's u (0) or v (1), those on its edges drawn in from them [m]."""
    return axis if len(axis) < 2 else patch.nudged(axis, patch.size[which])


def nearest_real(real: Bools) -> tuple[NDArray, ...] | None:
    """For each node the row and column of the nearest real node; None where there is none."""
    if not real.any():
        return None
    return tuple(ndimage.distance_transform_edt(~real, return_distances=False, return_indices=True))


def _solids_near(site: Geometry) -> list[list[Solid]]:
    """For each patch the solids that may bury part of it: not its own, and within reach."""
    if not site.solids:
        return [[] for _ in site.patches]
    low = np.array([solid.low for solid in site.solids])
    high = np.array([solid.high for solid in site.solids])
    # A house's body runs on behind its recessed doors and windows, and buries none of them.
    found = []
    for patch in site.patches:
        patch_low, patch_high = _box(patch)
        near = ((low < patch_high + 1e-6) & (high > patch_low - 1e-6)).all(axis=1)
        found.append(
            [
                site.solids[i]
                for i in np.flatnonzero(near)
                if not (site.solids[i].owner == patch.owner and patch.owner in site.houses)
                and _may_bury(site.solids[i], patch)
            ]
        )
    return found


def _box(patch: Patch) -> tuple[Array, Array]:
    if patch.tube:
        centre, radius = patch.bounds
        return centre - radius, centre + radius
    corners, _ = patch.place(*np.meshgrid([0.0, patch.size[0]], [0.0, patch.size[1]]))
    return corners.reshape(-1, 3).min(axis=0), corners.reshape(-1, 3).max(axis=0)


def _may_bury(solid: Solid, patch: Patch) -> bool:
    """Whether some of the patch's plane lies in the solid: false for the solid's own faces, also
    for the underside of what stands clear of the ground, below which its solid reaches a little."""
    corners, _ = patch.place(
        *np.meshgrid(np.linspace(0, patch.size[0], 3), np.linspace(0, patch.size[1], 3))
    )
    distance = corners.reshape(-1, 3) @ solid.planes[:, :3].T + solid.planes[:, 3]
    if patch.normal[2] < -0.99 and corners[..., 2].min() > STANDS_IN_M:
        alike = solid.planes[:, :3] @ patch.normal > 0.999
        if (alike & (np.abs(distance).max(axis=0) < STANDS_IN_M + 1e-4)).any():
            return False
    return bool((distance.min(axis=0) < -SOLID_DEPTH_M).all())
