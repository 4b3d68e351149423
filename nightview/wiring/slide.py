"""Points on the edges of covers slid to where a web's pieces together cost least.

The sum of penalty × length is convex in how far each point is along a straight side, so Newton's
method ends at its least value; at the end of a side a point turns the corner where that leads on
down. A point that would slide behind a corner of something else stays where it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nightview.site.surface import Array

if TYPE_CHECKING:
    from nightview.wiring.route import Web

HAIR_M = 1e-4
MOVED_M = 1e-7


def slid(
    web: Web, pieces: list[tuple[int, int]], judge: Callable[[Array], Array]
) -> tuple[Array, Array]:
    """Node places, (n, 2) and along their edges (n,), at which the pieces (two nodes) cost least.

    judge : what a metre of straight lines (m, 2, 2) counts as.
    """
    points, along = web.points.copy(), web.along.copy()
    moving = sorted({node for piece in pieces for node in piece if web.ring[node] >= 0})
    while moving:
        points, along = web.points.copy(), web.along.copy()
        _descend(web, pieces, moving, points, along)
        touched = [piece for piece in pieces if set(piece) & set(moving)]
        now = judge(np.array([points[list(piece)] for piece in touched]))
        wrong = [piece for piece, penalty in zip(touched, now, strict=True)
                 if not np.isclose(penalty, web.penalty(piece), rtol=1e-6)
                 and np.hypot(*(points[piece[0]] - points[piece[1]])) > 20 * HAIR_M]  # fmt: skip
        if not wrong:
            break
        # Slid behind a corner that the web had kept clear of: those stay where the web has them.
        held = {node for piece in wrong for node in piece}
        moving = [node for node in moving if node not in held]
        points, along = web.points.copy(), web.along.copy()
    return points, along


def _descend(
    web: Web, pieces: list[tuple[int, int]], moving: list[int], points: Array, along: Array
) -> None:
    """Newton's method on the sum of penalty × length, each node kept on a side of its edge."""
    number = {node: k for k, node in enumerate(moving)}
    ends = np.array(pieces)
    weight = np.array([web.penalty(piece) for piece in pieces])
    index = np.array([[number.get(node, -1) for node in piece] for piece in pieces])
    sides = [_side(web, node, along[node]) for node in moving]

    def total(places: Array) -> float:
        return float(weight @ np.hypot(*(places[ends[:, 0]] - places[ends[:, 1]]).T))

    for _ in range(60):
        way = np.array([side.way for side in sides])
        gradient, curve = _derivatives(points, ends, weight, index, way)
        at = along[moving]
        low, high = (np.array([getattr(side, end) for side in sides]) for end in ("low", "high"))
        stuck = ((at <= low + MOVED_M) & (gradient > 0)) | ((at >= high - MOVED_M) & (gradient < 0))
        step = np.zeros(len(moving))
        free = np.flatnonzero(~stuck)
        if len(free):
            block = curve[np.ix_(free, free)] + 1e-9 * np.eye(len(free))
            step[free] = np.linalg.lstsq(block, -gradient[free], rcond=None)[0]
        before = total(points)
        share = 1.0
        for _ in range(12):
            trial = points.copy()
            places = np.clip(at + share * step, low, high)
            for k, node in enumerate(moving):
                trial[node] = sides[k].at(places[k])
            if total(trial) <= before:
                break
            share /= 2
        else:
            places, trial = at, points
        moved = float(np.abs(places - at).max())
        along[moving] = places
        points[moving] = trial[moving]
        turned = False
        if moved < 1e-5:  # at rest on these sides: does another side beyond a corner lead on down?
            for k, node in enumerate(moving):
                if stuck[k] and (side := _next_side(web, node, sides[k], gradient[k])) is not None:
                    there = _derivatives(points, ends, weight, index, _replaced(way, k, side.way))
                    down = -1.0 if gradient[k] > 0 else 1.0  # on in the same sense
                    if down * there[0][k] < -1e-9:
                        along[node] = side.low if down > 0 else side.high
                        sides[k], turned = side, True
        if moved < MOVED_M and not turned:
            break


@dataclass(frozen=True, eq=False)
class _Side:
    """A straight side of an edge. low, high : its ends along the edge [m]. way : (2,) unit."""

    start: Array
    way: Array
    low: float
    high: float

    def at(self, along: float) -> Array:
        return self.start + (along - self.low) * self.way


def _side(web: Web, node: int, along: float) -> _Side:
    ring = web.rings[web.ring[node]]
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    k = int(np.clip(np.searchsorted(at, along, side="right") - 1, 0, len(ring) - 2))
    return _Side(ring[k], (ring[k + 1] - ring[k]) / (at[k + 1] - at[k]), at[k], at[k + 1])


def _next_side(web: Web, node: int, side: _Side, gradient: float) -> _Side | None:
    """The side beyond the end at which a node waits; None where the edge closes on itself."""
    ring = web.rings[web.ring[node]]
    total = float(np.hypot(*np.diff(ring, axis=0).T).sum())
    beyond = side.low - 1e-6 if gradient > 0 else side.high + 1e-6
    return _side(web, node, beyond) if 0.0 < beyond < total else None


def _replaced(way: Array, k: int, new: Array) -> Array:
    changed = way.copy()
    changed[k] = new
    return changed


def _derivatives(
    points: Array, ends: NDArray[np.int64], weight: Array, index: NDArray[np.int64], way: Array
) -> tuple[Array, Array]:
    """Slope (m,) and curvature (m, m) of the sum for moves of the m nodes along their sides."""
    m = len(way)
    gradient, curve = np.zeros(m), np.zeros((m, m))
    apart = points[ends[:, 0]] - points[ends[:, 1]]
    far = np.maximum(np.hypot(*apart.T), 1e-9)
    ahead = apart / far[:, None]
    # A move of the first end along w changes a length by ahead·w, of the second by −ahead·w.
    slopes = []
    for end, sign in ((0, 1.0), (1, -1.0)):
        here = index[:, end] >= 0
        moves = np.zeros_like(apart)
        moves[here] = sign * way[index[here, end]]
        slopes.append((here, index[:, end], moves, np.sum(ahead * moves, axis=1)))
        np.add.at(gradient, index[here, end], weight[here] * slopes[-1][3][here])
    for here, i, moves, slope in slopes:
        for there, j, others, other in slopes:
            both = here & there
            bend = weight * (np.sum(moves * others, axis=1) - slope * other) / far
            np.add.at(curve, (i[both], j[both]), bend[both])
    return gradient, curve
