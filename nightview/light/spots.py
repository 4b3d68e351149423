"""The bright spots of a source's light, sought out by each gather node and not met by chance.

A lamp close to a wall leaves a spot there that lights all that is dark about it, and of a node's few
even rays one or none meets it. The cells that make most of that noise are therefore weighed one by
one: what they would bring the node unhindered, and, by a few rays to places in them chosen by that
weight, how much of it arrives. Squares of cells count as one from afar (as in lightcuts, Walter et
al. 2005, from memory). Cells closer than that are large enough for the even rays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.light.grids import Bools
from nightview.light.layout import Layout
from nightview.light.rays import Array32, Tracer

Ints = NDArray[np.signedinteger]

NOISE_LEFT = 0.002
"""Share of even rays' noise, Σ M²·A, in cells that are left to them."""
CELLS, CELLS_AT_MOST, PAIRS = 160, 800, 1 << 22
"""The brightest 160 of each source; in small scenes more, as long as they and the nodes make no more
pairs than that."""
WORTH_IT = 0.7
"""Of light so wide that these cells make less than this share, even rays find enough."""
SQUARE = 3
"""A square has 2³ cells a side."""
SMALL = 2.5
"""A square, or a cell, is small from so many times its side away."""
RAY_LX, FEW_RAYS, MORE_RAYS = 0.003, 6, 34
"""A node sends a ray for so much light that its spots would bring it unhindered; first a few."""
FLOOR_LX = 1e-4
"""Spots that would bring a node less are left out."""
LIFT_M = 0.001
LOT = 1 << 10
"""Nodes at a time, so that their products with the squares stay near at hand."""
TURN = 0.6180339887498949


@dataclass(frozen=True, eq=False)
class Spots:
    """Bright cells, those of each square together.

    cells : (n,) their numbers. points, normals : (n, 3). side : (n,) [m]. flux : (n,) light on each
    [lm]. first : (s + 1,) where each square's cells begin, and where the last ends. middle, normal :
    (s, 3). wide : (s,) [m]. whole : (s,) light on each [lm].
    """

    cells: Ints
    points: Array32
    normals: Array32
    side: Array32
    flux: Array32
    first: Ints
    middle: Array32
    normal: Array32
    wide: Array32
    whole: Array32

    def near(self, points: Array32, cell: Ints) -> Bools:
        """Whether cells, by their place here, are too close to points (n, 3) to be sought."""
        return _square(self.points[cell] - points) <= (SMALL * self.side[cell]) ** 2


def spots_of(layout: Layout, light: Array32) -> Spots | None:
    """The spots of a source's direct light on cells (cells,) [lx]; None where there are none."""
    bright = light * layout.lightness
    noise = bright * bright * layout.cell_m2
    every = noise.sum(dtype=float)
    lit = np.flatnonzero(noise)
    most = int(np.clip(PAIRS // max(layout.flat_rows, 1), CELLS, CELLS_AT_MOST))
    brightest = lit[np.argsort(-bright[lit], kind="stable")[:most]]
    sums = np.cumsum(noise[brightest], dtype=float)
    if not len(lit) or sums[-1] < WORTH_IT * every:
        return None
    cells = brightest[: int(np.searchsorted(sums, (1 - NOISE_LEFT) * every)) + 1]
    place = layout.placed(cells)
    order = np.lexsort((*(place[1:] >> SQUARE), place[0]))
    cells, (patch, row, column) = cells[order], place[:, order]
    points, normals = np.empty((2, len(cells), 3), np.float32)
    side, flux = np.empty((2, len(cells)), np.float32)
    for number in np.unique(patch):
        own = np.flatnonzero(patch == number)
        (nv, nu), size = layout.cell_shape[number], layout.site.patches[number].size
        points[own], normals[own] = layout.site.patches[number].place(
            (column[own] + 0.5) * (size[0] / nu), (row[own] + 0.5) * (size[1] / nv)
        )
        side[own] = max(size[0] / nu, size[1] / nv)
        flux[own] = layout.there(number)[row[own], column[own]]
    flux *= light[cells] * layout.cell_m2[cells]
    kept = flux > 0
    if not kept.any():
        return None
    cells, points, normals = cells[kept], points[kept], normals[kept]
    side, flux = side[kept], flux[kept]
    square = np.stack([patch, row >> SQUARE, column >> SQUARE])[:, kept]
    first = np.flatnonzero((np.diff(square, prepend=-1) != 0).any(axis=0))
    whole = np.add.reduceat(flux, first)
    middle = np.add.reduceat(points * flux[:, None], first) / whole[:, None]
    return Spots(
        cells, points, normals, side, flux, np.append(first, len(cells)).astype(np.int32),
        middle.astype(np.float32), normals[first], side[first] * np.float32(2**SQUARE), whole,
    )  # fmt: skip


def sought(
    spots: Spots, points: Array32, normals: Array32, tracer: Tracer
) -> tuple[Ints, Ints, Array32]:
    """What spots bring to points (n, 3) with normals: the point, the cell by its place in spots, and
    the light [lx] if the cell were white, of each ray that arrives: (m,) each."""
    view = _View(spots, points, normals)
    every = np.arange(len(view.node))
    wanted = np.ceil(view.whole / RAY_LX)
    count = np.clip(wanted, 1, FEW_RAYS).astype(np.int32)
    count[view.whole < FLOOR_LX] = 0
    which, cell, clear = _rays(view, every, count, tracer)
    # What is seen in part is asked more closely.
    seen = np.bincount(which[clear], minlength=len(every))
    partly = np.flatnonzero((seen > 0) & (seen < count))
    more = np.clip(wanted[partly] - FEW_RAYS, 0, MORE_RAYS).astype(np.int32)
    count[partly] += more
    rest, rest_cell, rest_clear = _rays(view, partly, more, tracer)
    which = np.concatenate([which[clear], partly[rest[rest_clear]]])
    each = (view.whole / np.maximum(count, 1)).astype(np.float32)
    return view.node[which], np.concatenate([cell[clear], rest_cell[rest_clear]]), each[which]


class _View:
    """What points see of spots if nothing hinders it: by point, then square or cell.

    node : (n,) the points that see any. whole : (n,) [lx] what they would get. begin : (n + 1,) where
    each one's runs of cells begin: first, last (after the last), sums of light [lx], (m,) each.
    """

    def __init__(self, spots: Spots, points: Array32, normals: Array32) -> None:
        self.spots, self.points, self.normals = spots, points, normals
        lots = range(0, len(points), LOT)
        found = [_in_view(spots, points[k : k + LOT], normals[k : k + LOT]) for k in lots]
        node, self.first, self.last, self.light = (
            np.concatenate(a) for a in zip(*found, strict=True)
        )
        node += np.repeat(np.array(lots, np.int32), [len(lot[0]) for lot in found])
        begin = np.flatnonzero(np.diff(node, prepend=-1))
        self.node, self.begin = node[begin], np.append(begin, len(node))
        self.sums = np.concatenate([[0.0], np.cumsum(self.light, dtype=float)])
        self.whole = np.diff(self.sums[self.begin])


def _rays(
    view: _View, nodes: Ints, count: Ints, tracer: Tracer
) -> tuple[Ints, Ints, NDArray[np.intp]]:
    """Send rays, so many from each of some nodes of a view: of each ray which of them sent it, and
    the cell it went to, (m,); and which rays arrive.

    They are spread evenly over a node's runs by their light, then over a run's cells by theirs.
    """
    spots = view.spots
    which = np.repeat(np.arange(len(nodes)), count)
    node = nodes[which]
    jitter = (view.node[node] + count[which]) * TURN % 1.0
    at = view.sums[view.begin[node]]
    at += view.whole[node] * (_turns(count) + jitter) / count[which]
    run = np.searchsorted(view.sums, at, side="right") - 1
    run = np.clip(run, view.begin[node], view.begin[node + 1] - 1)
    within = np.clip((at - view.sums[run]) / view.light[run], 0.0, 1.0)
    by_cell = np.concatenate([[0.0], np.cumsum(spots.flux, dtype=float)])
    low, high = by_cell[view.first[run]], by_cell[view.last[run]]
    cell = np.searchsorted(by_cell, low + within * (high - low), side="right") - 1
    cell = np.clip(cell, view.first[run], view.last[run] - 1)
    here = view.node[node]
    starts = view.points[here] + np.float32(LIFT_M) * view.normals[here]
    ends = spots.points[cell] + np.float32(LIFT_M) * spots.normals[cell]
    return which, cell, np.flatnonzero(~tracer.blocked(starts, ends, parallel=False))


def _in_view(spots: Spots, points: Array32, normals: Array32) -> tuple[Ints, Ints, Ints, Array32]:
    """Points (n,), in turn, the runs of cells (first, after last) that are small from there, and the
    light [lx] of each run if nothing hindered it and it were white."""
    fall = points @ spots.normal.T - np.einsum("ij,ij->i", spots.middle, spots.normal)
    rise = normals @ spots.middle.T - np.einsum("ij,ij->i", points, normals)[:, None]
    seen = np.flatnonzero(((fall > 0) & (rise > -spots.wide)).any(axis=0))
    middle, wide, first = spots.middle[seen], spots.wide[seen], spots.first
    fall, rise = np.maximum(fall[:, seen], 0), rise[:, seen]
    away = points @ (-2 * middle.T) + _square(middle) + _square(points)[:, None]
    near = (fall > 0) & (rise > -wide) & (away < (SMALL * wide) ** 2)
    np.maximum(rise, 0, out=rise)
    np.maximum(away, 1e-6, out=away)
    light = fall * rise
    light *= spots.whole[seen] / np.float32(np.pi)
    light /= away * away
    light[near] = 0.0
    node, square = np.nonzero(light > FLOOR_LX / 16)
    far = node, first[seen[square]], first[seen[square] + 1], light[node, square]
    node, square = np.nonzero(near)
    count = first[seen[square] + 1] - first[seen[square]]
    cell = np.repeat(first[seen[square]], count) + _turns(count)
    node = np.repeat(node, count)
    way = spots.points[cell] - points[node]
    away = _square(way)
    rise = np.einsum("ij,ij->i", way, normals[node])
    fall = -np.einsum("ij,ij->i", way, spots.normals[cell])
    kept = np.flatnonzero((rise > 0) & (fall > 0) & (away > (SMALL * spots.side[cell]) ** 2))
    node, cell, away = node[kept], cell[kept], away[kept]
    light = spots.flux[cell] * rise[kept] * fall[kept] / (np.float32(np.pi) * away * away)
    close = node, cell, cell + 1, light
    node, begin, end, light = (np.concatenate(a) for a in zip(far, close, strict=True))
    order = np.argsort(node, kind="stable")
    return node[order].astype(np.int32), begin[order], end[order], light[order]


def _turns(count: Ints) -> NDArray[np.int32]:
    """0, 1, … below each count, one after the other."""
    starts = np.cumsum(count) - count
    return np.arange(count.sum(), dtype=np.int32) - np.repeat(starts, count).astype(np.int32)


def _square(way: Array32) -> Array32:
    return np.einsum("ij,ij->i", way, way)
