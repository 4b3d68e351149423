"""Which nodes of a patch's grid are real: inside its outline and outside every solid."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from nightview.site.build import Geometry
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
            u = u if patch.tube else patch.nudged(u, patch.size[0])
            self._axes[key] = u, patch.nudged(v, patch.size[1])
        return self._axes[key]

    def valid(self, number: int, u: Array, v: Array) -> Bools | None:
        """The same for any rows v and columns u [m]."""
        patch = self.site.patches[number]
        solids = self._near[number]
        if patch.is_rectangle and not solids:
            return None
        u, v = patch.nudged(u, patch.size[0]), patch.nudged(v, patch.size[1])
        real = np.ones((len(v), len(u)), bool)
        if not patch.is_rectangle:
            # The nodes just outside are kept out, a hair's breadth inside is in.
            grid_u, grid_v = np.meshgrid(u, v)
            shapely.prepare(patch.outline)
            real = shapely.contains_xy(patch.outline, grid_u.ravel(), grid_v.ravel()).reshape(
                real.shape
            )
        if solids and real.any():
            points = patch.place(*np.meshgrid(u, v))[0][real]
            buried = np.zeros(len(points), bool)
            for solid in solids:
                buried |= solid.holds(points, SOLID_DEPTH_M)
            real[real] = ~buried
        return None if real.all() else real

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
    """Whether some of the patch's plane lies in the solid: false for the solid's own faces."""
    corners, _ = patch.place(
        *np.meshgrid(np.linspace(0, patch.size[0], 3), np.linspace(0, patch.size[1], 3))
    )
    distance = corners.reshape(-1, 3) @ solid.planes[:, :3].T + solid.planes[:, 3]
    return bool((distance.min(axis=0) < -SOLID_DEPTH_M).all())
