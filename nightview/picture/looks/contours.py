"""Lines where a value crosses a step, and where along them its number can be written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Bands = NDArray[np.int16]

UNKNOWN = -1
"""The band of a pixel that has no value."""

_BREADTH = 0.3
"""Numbers on one line stand at least this share of the picture's width apart."""
_TRIED = 40
"""Stretches of one line on which a number is tried, the longest first."""


@dataclass(frozen=True)
class Box:
    """A rectangle of pixels: rows top to bottom, columns left to right, ends not included."""

    top: int
    left: int
    bottom: int
    right: int

    def meets(self, other: Box) -> bool:
        """Whether the two have a pixel in common."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom

    def grown(self, by: int) -> Box:
        """With so many pixels more on every side."""
        return Box(self.top - by, self.left - by, self.bottom + by, self.right + by)

    @classmethod
    def around(cls, row: int, column: int, height: int, width: int) -> Box:
        """A box of that size about a pixel."""
        top, left = row - height // 2, column - width // 2
        return cls(top, left, top + height, left + width)


def steps_of(values: Floats, edges: Sequence[float]) -> Floats:
    """Values (h, w) on a scale that is k at the k-th edge and runs with the logarithm between.

    NaN stays; half a step beyond the outer edges the scale ends, and zero is there.
    """
    log = np.log(np.asarray(edges, float))
    first, last = log[1] - log[0], log[-1] - log[-2]
    at = np.concatenate([[log[0] - first / 2], log, [log[-1] + last / 2]])
    scale = np.concatenate([[-0.5], np.arange(len(edges)), [len(edges) - 0.5]])
    with np.errstate(divide="ignore", invalid="ignore"):
        found = np.interp(np.log(np.maximum(values, 0)), at, scale)
    return found.astype(np.float32)


def bands_of(steps: Floats) -> Bands:
    """The band of each pixel: 0 below the first edge, k from the k-th on, ``UNKNOWN`` for NaN."""
    known = np.isfinite(steps)
    return np.where(known, np.floor(np.where(known, steps, 0)) + 1, UNKNOWN).astype(np.int16)


def lines(steps: Floats, width_px: float) -> tuple[Floats, Bands]:
    """How much of each pixel the nearest line covers (h, w), 0 to 1, and that line's edge number.

    A line runs where neighbouring pixels lie on two sides of an edge, and nowhere else: a level
    surface near an edge has none.
    """
    bands = bands_of(steps)
    crossing = np.zeros(bands.shape, bool)
    for axis in (0, 1):
        a, b = _pairs(bands, axis)
        apart = (a != b) & (a != UNKNOWN) & (b != UNKNOWN)
        _pairs(crossing, axis)[0][apart] = True
        _pairs(crossing, axis)[1][apart] = True
    reach = int(np.ceil(width_px / 2))
    near = ndimage.binary_dilation(crossing, iterations=reach) & (bands != UNKNOWN)
    known = np.where(np.isfinite(steps), steps, 0)
    slope = np.hypot(*(_slope(known, axis) for axis in (0, 1)))
    top = int(bands.max(initial=0)) - 1
    nearest = np.clip(np.rint(known), max(0, int(known.min(initial=0))), max(top, 0))
    distance = np.abs(known - nearest) / np.maximum(slope, np.float32(1e-6))
    cover = np.clip(width_px / 2 + 0.5 - distance, 0, 1) * near
    return cover.astype(np.float32), nearest.astype(np.int16)


def places(
    bands: Bands, sizes: Sequence[tuple[int, int]], taken: Sequence[Box]
) -> list[tuple[int, Box]]:
    """Where numbers may stand: pairs of an edge's number and a box on its line.

    sizes : height and width of each edge's number in pixels. A box holds two bands only, those on
    the two sides of its line, so that nothing else is hidden and no number is ambiguous; it lies
    within the picture and keeps off all others and those taken. Long lines come first.
    """
    apart = _BREADTH * bands.shape[1]
    found: list[tuple[int, Box]] = []
    for edge, (tall, wide) in enumerate(sizes):
        parts, count = ndimage.label(_room_on_line(bands, edge, tall, wide), np.ones((3, 3)))
        lengths = np.bincount(parts.ravel(), minlength=count + 1)[1:]
        where = ndimage.find_objects(parts)
        for part in np.argsort(-lengths, kind="stable")[:_TRIED]:
            rows, columns = np.nonzero(parts[where[part]] == part + 1)
            off = np.hypot(rows - rows.mean(), columns - columns.mean())
            top, left = (side.start for side in where[part])
            for k in np.argsort(off, kind="stable")[:: max(1, len(rows) // 16)]:
                box = Box.around(top + int(rows[k]), left + int(columns[k]), tall, wide)
                clear = box.grown(tall // 3)
                if any(clear.meets(other) for other in taken):
                    continue
                if all(
                    not clear.meets(other) and (e != edge or _between(box, other) >= apart)
                    for e, other in found
                ):
                    found.append((edge, box))
                    break
    return found


def _room_on_line(bands: Bands, edge: int, tall: int, wide: int) -> NDArray[np.bool_]:
    """Pixels on the upper side of an edge's line about which a box holds just its two bands."""
    line = (bands == edge + 1) & ndimage.binary_dilation(bands == edge)
    room: NDArray[np.bool_] = np.zeros_like(line)
    inner = slice(tall // 2 + 1, -tall // 2 - 1), slice(wide // 2 + 1, -wide // 2 - 1)
    if line[inner].any():
        lowest = ndimage.minimum_filter(bands, (tall, wide), mode="nearest")[inner]
        highest = ndimage.maximum_filter(bands, (tall, wide), mode="nearest")[inner]
        room[inner] = line[inner] & (lowest == edge) & (highest == edge + 1)
    return room


def _between(a: Box, b: Box) -> float:
    return float(np.hypot(a.top - b.top, a.left - b.left))


def _pairs(values: NDArray, axis: int) -> tuple[NDArray, NDArray]:
    """Views of all pixels and their next ones along an axis."""
    if axis == 0:
        return values[:-1], values[1:]
    return values[:, :-1], values[:, 1:]


def _slope(values: Floats, axis: int) -> Floats:
    """Change a pixel, the larger of that to the one before and that to the next."""
    step = np.abs(np.diff(values, axis=axis))
    before = np.insert(step, 0, 0, axis=axis)
    after = np.insert(step, step.shape[axis], 0, axis=axis)
    return np.maximum(before, after)
