"""Light on a wall as shaded bands and lines of equal illuminance, in the wall's own metres."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from contourpy import FillType, LineType, contour_generator
from scipy import ndimage

from nightview.site.surface import Array

LEVELS_LX = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
"""The same on every sheet, so that two can be laid side by side."""

SHADES = (
    "#4e638e", "#5e7196", "#6d7f9f", "#7c8da7", "#8e9cab", "#a2aaaa", "#b8b8a8", "#cac6b0",
    "#ddd5b7", "#efe4be", "#fff3c5",
)  # fmt: skip
"""Of the bands between the levels, the darkest first. CIE L* rises from 42 to 96 in even steps and
hue runs from blue to yellow: the order holds in a grey print and for every kind of colour blindness."""

LEAST_LX = 0.02
"""Less is drawn like this: the lines run with the logarithm."""
SMOOTH_STEPS = 0.6
"""Lines are smoothed over so many steps of the grid; values in tables are not."""


@dataclass(frozen=True, eq=False)
class Isolux:
    """A field of log10 lx on nodes. x : (n,) along the wall; z : (m,) above its base [m]."""

    x: Array
    z: Array
    log: Array

    @classmethod
    def of(cls, lux: Array, step_m: float) -> Isolux:
        """Of a facade's grid (nv, nu) [lx], NaN where there is no wall: there, and by a step around,
        the nearest value goes on, so that lines run up to every edge."""
        known = np.isfinite(lux)
        where = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
        log = np.log10(np.maximum(lux[tuple(where)], LEAST_LX))
        log = ndimage.gaussian_filter(np.pad(log, 1, mode="edge"), SMOOTH_STEPS, mode="nearest")
        rows, columns = log.shape
        return cls(
            (np.arange(columns) - 0.5) * step_m, (np.arange(rows) - 0.5) * step_m, log
        )  # fmt: skip

    def bands(self) -> list[shapely.Geometry]:
        """The parts of the wall between the levels, as many as there are shades."""
        edges = [-9.0, *np.log10(LEVELS_LX), 9.0]
        generator = contour_generator(self.x, self.z, self.log, fill_type=FillType.OuterOffset)
        found = []
        for low, high in itertools.pairwise(edges):
            parts = []
            for points, offsets in zip(*generator.filled(low, high), strict=True):
                rings = [points[a:b] for a, b in itertools.pairwise(offsets)]
                parts.append(shapely.Polygon(rings[0], rings[1:]).buffer(0))
            found.append(shapely.union_all(parts) if parts else shapely.Polygon())
        return found

    def lines(self) -> list[shapely.Geometry]:
        """Where the light is just a level, one geometry a level."""
        generator = contour_generator(self.x, self.z, self.log, line_type=LineType.Separate)
        return [
            shapely.MultiLineString([line for line in generator.lines(level) if len(line) > 1])
            for level in np.log10(LEVELS_LX)
        ]


Box = tuple[float, float, float, float]
"""left, bottom, right, top"""
_TRIED = 24
"""Places tried along each stretch of line that is to carry a number."""


def label_places(
    lines: Sequence[shapely.Geometry], sizes: Sequence[tuple[float, float]],
    within: shapely.Geometry, taken: Sequence[Box], apart: float,
) -> list[tuple[int, Box]]:  # fmt: skip
    """Where numbers stand on lines: pairs of a line's place in the list and a box about it.

    sizes : width and height of each line's number. within : boxes lie inside it, off those taken and
    off each other. A number keeps off all other lines too, so that it is plain whose it is; where
    that leaves a line without any, once more without that. apart : between numbers on one line. All
    in one unit. Short lines choose first, as they have least room.
    """
    found: list[tuple[int, Box]] = []
    room = within.buffer(0)
    shapely.prepare(room)
    boxes = [shapely.box(*box) for box in taken]
    for k in sorted(range(len(lines)), key=lambda k: float(lines[k].length)):
        others = shapely.union_all([line for n, line in enumerate(lines) if n != k])
        for strict in (True, False):
            put = False
            for x, y in _candidates(lines[k], sizes[k][0], apart):
                width, height = sizes[k]
                box = shapely.box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
                if not room.contains(box) or (strict and others.intersects(box)):
                    continue
                if any(box.distance(other) < height / 4 for other in boxes):
                    continue
                if any(n == k and _between(box.bounds, other) < apart for n, other in found):
                    continue
                found.append((k, box.bounds))
                boxes.append(box)
                put = True
            if put:
                break
    return found


def _candidates(
    lines: shapely.Geometry, width: float, apart: float
) -> Iterator[tuple[float, float]]:
    """Points on lines, the longest first, of each from the middle out."""
    parts = sorted(shapely.get_parts(lines), key=lambda part: -part.length)
    for part in parts:
        if part.length < 2.0 * width:
            return
        count = _TRIED * max(1, int(part.length / apart))
        order = np.argsort(np.abs(np.arange(count) - count / 2), kind="stable")
        for n in order:
            point = part.interpolate((float(n) + 0.5) / count, normalized=True)
            yield float(point.x), float(point.y)


def _between(a: Box, b: Box) -> float:
    return float(np.hypot((a[0] + a[2] - b[0] - b[2]) / 2, (a[1] + a[3] - b[1] - b[3]) / 2))
