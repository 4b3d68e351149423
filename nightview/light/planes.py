"""Level planes that several patches share: one lattice of gather places, whatever lies where.

Grass, paving and beds meet along straight cuts and along curves, and light knows neither. So all
patches of a plane gather on multiples of one step in the world, beyond their own edges too: what two
of them have in common is then the same on both. Where nothing stands near, the step is doubled once
or more; a fine place in a cell that a coarser patch uses is interpolated from that cell's corners.
"""

from __future__ import annotations

import itertools

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from nightview.light.grids import Bools
from nightview.light.rays import Array32
from nightview.site.build import Geometry
from nightview.site.surface import EDGE_NUDGE_M, Array, Patch

SAME_PLACE = 1e-6
"""Share of a step by which places on the lattice may be off."""
NONE = np.iinfo(np.int32).min


class Plane:
    """All that lies level and flush at one height.

    outline : in (eu, ev) of its patches, from the world's origin [m].
    """

    def __init__(self, patches: list[Patch]) -> None:
        moved = [affinity.translate(p.outline, *_start(p)) for p in patches]
        self.outline = shapely.union_all(moved, grid_size=1e-4)  # which closes hairline cracks
        self.low = np.array(self.outline.bounds[:2])
        self.high = np.array(self.outline.bounds[2:])
        self._corners: dict[float, NDArray[np.int32]] = {}

    def about(self, patch: Patch, reach_m: float) -> shapely.Geometry:
        """What there is of the plane in a patch's box and so far around it, in its own (u, v)."""
        (u, v), (width, height) = _start(patch), patch.size
        box = (u - reach_m, v - reach_m, u + width + reach_m, v + height + reach_m)
        return affinity.translate(shapely.clip_by_rect(self.outline, *box), -u, -v)

    def claim(self, step: float, patch: Patch, u: Array, v: Array, number: NDArray) -> None:
        """Keep the cells of a patch whose four corners have a number (nv, nu); NONE is none."""
        whole_u, at_u = self._index(step, _start(patch)[0] + u, 0)
        whole_v, at_v = self._index(step, _start(patch)[1] + v, 1)
        number, at_u, at_v = number[np.ix_(whole_v, whole_u)], at_u[whole_u], at_v[whole_v]
        corners = np.stack(
            [number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:]], axis=-1
        )
        if step not in self._corners:
            counts = np.ceil((self.high - self.low) / step).astype(int) + 4
            self._corners[step] = np.full((counts[1], counts[0], 4), NONE, np.int32)
        row, column = np.nonzero((corners > NONE).all(axis=-1))
        self._corners[step][at_v[row], at_u[column]] = corners[row, column]

    def held(
        self, step: float, patch: Patch, u: Array, v: Array
    ) -> tuple[Bools, NDArray[np.int32], Array32]:
        """Which crossings of u and v lie in a cell of a wider step, and not on its corners, (nv, nu);
        their cells' corners and their shares of those, (nv, nu, 4) each."""
        shape = (len(v), len(u))
        found = np.zeros(shape, bool)
        corners = np.full((*shape, 4), NONE, np.int32)
        shares = np.zeros((*shape, 4), np.float32)
        places = (_start(patch)[0] + u, _start(patch)[1] + v)
        for wider in sorted((s for s in self._corners if s > step), reverse=True):
            # What lies on an edge lies in the cells on either side.
            (at_u, x), (at_v, y) = (
                [self._cell(wider, places[axis], axis, side) for side in (-1, 1)] for axis in (0, 1)
            )
            box = np.s_[at_v[0][0] : y[0][-1] + 1, at_u[0][0] : x[0][-1] + 1, 0]
            if not (self._corners[wider][box] > NONE).any():
                continue
            for (column, a), (row, b) in itertools.product((at_u, x), (at_v, y)):
                cell = self._corners[wider][np.ix_(row, column)]
                new = ~found & (cell[..., 0] > NONE)
                if new.any():
                    part = [(1 - b)[:, None] * (1 - a), (1 - b)[:, None] * a,
                            b[:, None] * (1 - a), b[:, None] * a]  # fmt: skip
                    corners[new], shares[new] = cell[new], np.stack(part, axis=-1)[new]
                    found |= new
        found &= shares.max(axis=-1) < 1 - 4 * SAME_PLACE
        return found, corners, shares

    def _cell(
        self, step: float, at: Array, axis: int, side: int
    ) -> tuple[NDArray[np.intp], Array32]:
        """The cell of each place, of two that it lies between that to one side; and how far in."""
        number = np.floor(at / step + side * SAME_PLACE)
        index = self._index(step, number * step, axis)[1]
        return index, np.clip(at / step - number, 0.0, 1.0).astype(np.float32)

    def _index(self, step: float, at: Array, axis: int) -> tuple[Bools, NDArray[np.intp]]:
        """Which places are on multiples of a step, and the number of each one's cell."""
        multiple = np.round(at / step)
        index = (multiple - np.floor(self.low[axis] / step)).astype(np.intp) + 1
        last = int(np.ceil((self.high[axis] - self.low[axis]) / step)) + 3
        return np.abs(at / step - multiple) < SAME_PLACE, np.clip(index, 0, last)


def planes_of(site: Geometry) -> dict[int, Plane]:
    """The plane of each level patch that shares one, by the patch's number."""
    alike: dict[tuple[float, ...], list[int]] = {}
    for number, patch in enumerate(site.patches):
        if patch.normal[2] > 0.99 and not patch.tube:
            frame = np.round(np.concatenate([patch.eu, patch.ev, patch.origin[2:]]), 4) + 0.0
            alike.setdefault(tuple(frame), []).append(number)
    found = {}
    for numbers in alike.values():
        if len(numbers) > 1:
            found.update(dict.fromkeys(numbers, Plane([site.patches[n] for n in numbers])))
    return found


def lattice(patch: Patch, step: float) -> tuple[Array, Array]:
    """The u and the v of a plane's lattice in a patch's box and once beyond each end [m]."""
    found = []
    for start, length in zip(_start(patch), patch.size, strict=True):
        first = np.floor(start / step + SAME_PLACE)
        last = np.ceil((start + length) / step - SAME_PLACE)
        found.append(np.arange(first, last + 1) * step - start)
    return found[0], found[1]


def ended(axis: Array, length: float, before: bool, beyond: bool) -> Array:
    """A lattice's places, with an end of the length where there is nothing before or beyond it."""
    inner = axis[1:-1]
    low = EDGE_NUDGE_M if before else axis[0]
    high = length - EDGE_NUDGE_M if beyond else axis[-1]
    inner = inner[(inner > low + 0.045) & (inner < high - 0.045)]
    return np.array([low, *inner, high])


def touched(outline: shapely.Geometry, grid: tuple[Array, Array], u: Array, v: Array) -> Bools:
    """Which crossings of u and v, (nv, nu), lie in or on a cell of a grid (its u, its v) that some of
    an outline lies in."""
    (left, low), (right, high) = (
        np.meshgrid(*(a[:-1] for a in grid)),
        np.meshgrid(*(a[1:] for a in grid)),
    )
    shapely.prepare(outline)
    cells = np.pad(shapely.intersects(outline, shapely.box(left, low, right, high)), 1)
    before_u, before_v = np.searchsorted(grid[0], u), np.searchsorted(grid[1], v)
    after_u, after_v = np.searchsorted(grid[0], u, "right"), np.searchsorted(grid[1], v, "right")
    found = np.zeros((len(v), len(u)), bool)
    for row in (before_v, after_v):
        for column in (before_u, after_u):
            found |= cells[np.ix_(row, column)]
    return found


def _start(patch: Patch) -> tuple[float, float]:
    """Where a patch's (0, 0) lies along its own axes, from the world's origin [m]."""
    return float(patch.origin @ patch.eu), float(patch.origin @ patch.ev)
