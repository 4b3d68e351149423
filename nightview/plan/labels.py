"""Labels that do not collide: each takes the nearest free place about its point, with a leader line
where it had to move. The same requests give the same places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""left, bottom, right, top"""

_TURNS = np.radians([0, 180, 30, 150, -30, -150, 60, 120, -60, -120, 90, -90, 15, 165, -15, -165])
"""Directions to try, in order: beside the point first, since text is wide and low."""


@dataclass(frozen=True)
class Request:
    """A text of a size (width, height) that belongs to a point; clear : its symbol's radius.

    farthest : how far it may move; beyond, it is left out unless it must be there.
    """

    point: tuple[float, float]
    size: tuple[float, float]
    clear: float
    farthest: float = np.inf
    must: bool = True


@dataclass(frozen=True)
class Place:
    """Where a label went; leader : the line from its point, None where it stands beside it."""

    box: Box
    leader: tuple[tuple[float, float], tuple[float, float]] | None


def place(
    requests: Sequence[Request], frame: Box, taken: Sequence[Box] = (), gap: float = 0.6
) -> list[Place | None]:
    """A place for every request, in its order; None for one that is left out for want of room.

    frame : all labels lie inside it. taken : boxes to keep clear of. gap : between labels. All in
    one unit. Those that must be there go first, the crowded ones of them before the free.
    """
    points = np.array([request.point for request in requests], float).reshape(-1, 2)
    symbols = np.array([[*(p - r.clear), *(p + r.clear)]
                        for p, r in zip(points, requests, strict=True) if r.must])  # fmt: skip
    owners = np.array([i for i, r in enumerate(requests) if r.must], int)
    widest = max((request.size[0] for request in requests), default=0.0)
    away = np.linalg.norm(points[:, None] - points[None], axis=2)
    crowd = (away < 1.5 * widest).sum(axis=1)
    order = sorted(range(len(requests)), key=lambda i: (not requests[i].must, -crowd[i], i))
    boxes = [tuple(map(float, box)) for box in taken]
    leaders: list[tuple[Array, Array]] = []
    places: list[Place | None] = [None] * len(requests)
    for i in order:
        fixed = np.array(boxes, float).reshape(-1, 4)
        others = symbols[owners != i].reshape(-1, 4)
        found = _search(requests[i], points[i], frame, fixed, others, leaders, gap)
        if found is None:
            continue
        box, led = found
        end = np.clip(points[i], box[:2], box[2:])
        leader = ((float(points[i][0]), float(points[i][1])), (float(end[0]), float(end[1])))
        places[i] = Place(box, leader if led else None)
        boxes.append(box)
        if led:
            leaders.append((points[i], end))
    return places


def _search(
    request: Request, point: Array, frame: Box, fixed: Array, symbols: Array,
    leaders: list[tuple[Array, Array]], gap: float,
) -> tuple[Box, bool] | None:  # fmt: skip
    """The first free place; failing that, for one that must be there, the one that hides least."""
    size = np.array(request.size)
    step = max(0.5 * size[1], 1e-6)
    reach = min(request.farthest, max(frame[2] - frame[0], frame[3] - frame[1]))
    away = request.clear + gap + step * np.arange(max(1, int((reach - request.clear) / step) + 1))
    ways = np.stack([np.cos(_TURNS), np.sin(_TURNS)], axis=1)
    middles = point + (away[:, None, None] + size / 2) * ways
    boxes = np.concatenate([middles - size / 2, middles + size / 2], axis=2).reshape(-1, 4)
    far = np.repeat(np.arange(len(away)) > 1, len(ways))
    inside = (boxes[:, :2] >= frame[:2]).all(axis=1) & (boxes[:, 2:] <= frame[2:]).all(axis=1)
    boxes, far = boxes[inside], far[inside]
    hidden = _overlap(boxes, fixed, gap) + _overlap(boxes, symbols, 0.3 * gap)
    for a, b in leaders:
        hidden += _meets(a, b, boxes)

    def crossed(k: int) -> float:
        """What the leader to a place runs through."""
        if not far[k]:
            return 0.0
        end = np.clip(point, boxes[k, :2], boxes[k, 2:])
        through = _meets(point, end, fixed).sum() + _meets(point, end, symbols).sum()
        return float(through + sum(_cross(point, end, a, b) for a, b in leaders))

    def result(k: int) -> tuple[Box, bool]:
        left, low, right, top = map(float, boxes[k])
        return (left, low, right, top), bool(far[k])

    for k in np.flatnonzero(hidden == 0).tolist():
        if crossed(k) == 0:
            return result(k)
    if not request.must or not len(boxes):
        return None
    near = np.argsort(hidden, kind="stable")[:64].tolist()
    return result(min(near, key=lambda k: float(hidden[k]) + crossed(k)))


def _overlap(boxes: Array, others: Array, gap: float) -> Array:
    """The area [unit²] of each of boxes (n, 4) that others (m, 4) hide, (n,)."""
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    return np.maximum(high - low + gap, 0).prod(axis=2).sum(axis=1)


def _meets(a: Array, b: Array, boxes: Array) -> NDArray[np.bool_]:
    """Which boxes (n, 4) the line from a to b runs through (slab test)."""
    way = np.where(np.abs(b - a) < 1e-12, 1e-12, b - a)
    first, last = (boxes[:, :2] - a) / way, (boxes[:, 2:] - a) / way
    enter = np.minimum(first, last).max(axis=1)
    leave = np.maximum(first, last).min(axis=1)
    return (enter < leave) & (leave > 0) & (enter < 1)


def _cross(a: Array, b: Array, c: Array, d: Array) -> bool:
    """Whether two lines cross."""

    def side(p: Array, q: Array, r: Array) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0
