"""How a sheet is divided: which way up, where the table goes, and the largest round scale that fits."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from nightview.errors import NightviewError
from nightview.plan.labels import Box
from nightview.plan.papers import PAPERS, Paper
from nightview.plan.schedule import Schedule

MARGIN_MM = 8.0
FIGURES_MM = 4.0
"""Room left of and below the plan's frame for the figures of its grid."""
PAD_MM = 3.0
"""What must be on the plan stays this far inside the frame."""
BETWEEN_MM = 4.0
LEAST_FRAME_MM = 60.0


@dataclass(frozen=True)
class Layout:
    """A sheet divided. width, height : of the sheet [mm]. frame : of the plan [mm].

    table : its upper left corner and the rows in each of its columns; None where the table has
    sheets of its own. foot : upper edge of the strip with title, scale bar and key [mm].
    """

    paper: Paper
    width: float
    height: float
    scale: float
    frame: Box
    table: tuple[float, float, int] | None
    foot: float


def layout(
    paper: Paper, extent_m: tuple[float, float], found: Schedule, foot_mm: Sequence[float],
    scale: float | None = None,
) -> Layout:  # fmt: skip
    """The best division of a sheet for a plan of an extent [m].

    foot_mm : height of the foot strip, upright and lying. scale : as asked for, else the largest
    that fits. At one scale a sheet that also holds the table is preferred, then a larger frame.
    Errors: NightviewError where it does not fit, with what would.
    """
    best: tuple[tuple[float, int, float], Layout] | None = None
    for divided, apart in _divisions(paper, found, foot_mm):
        fits = _fitting(paper, divided, extent_m, scale)
        if fits is None:
            continue
        width, height = _inside(divided)
        rank = (fits, int(apart), -width * height)
        if best is None or rank < best[0]:
            chosen = Layout(paper, *divided[0], fits, divided[1], divided[2], divided[3])
            best = (rank, chosen)
    if best is None:
        raise _does_not_fit(paper, extent_m, found, foot_mm, scale)
    return best[1]


_Division = tuple[tuple[float, float], Box, tuple[float, float, int] | None, float]


def _divisions(
    paper: Paper, found: Schedule, foot_mm: Sequence[float]
) -> list[tuple[_Division, bool]]:
    """Every way to divide the sheet, and whether its table has to go elsewhere."""
    ways: list[tuple[_Division, bool]] = []
    rows = len(found.rows)
    for lying, where in itertools.product((False, True), ("beside", "below", "apart")):
        width, height = paper.short_mm, paper.long_mm
        if lying:
            width, height = height, width
        foot = MARGIN_MM + foot_mm[lying]
        left, low = MARGIN_MM + FIGURES_MM, foot + FIGURES_MM + 1.0
        right, top = width - MARGIN_MM, height - MARGIN_MM
        table: tuple[float, float, int] | None = None
        if where == "beside" and rows:
            right -= found.width + BETWEEN_MM
            table = (right + BETWEEN_MM, top, rows)
            if found.height(rows) > top - foot:
                continue
        elif where == "below" and rows:
            columns = int((width - 2 * MARGIN_MM + BETWEEN_MM) / (found.width + BETWEEN_MM))
            if columns < 1:
                continue
            each = -(-rows // columns)
            table = (MARGIN_MM, foot + found.height(each), each)
            low += found.height(each) + 1.0
        if min(right - left, top - low) >= LEAST_FRAME_MM:
            apart = where == "apart" and rows > 0
            ways.append((((width, height), (left, low, right, top), table, foot), apart))
    return ways


def _inside(divided: _Division) -> tuple[float, float]:
    left, low, right, top = divided[1]
    return right - left - 2 * PAD_MM, top - low - 2 * PAD_MM


def _fitting(
    paper: Paper, divided: _Division, extent_m: tuple[float, float], scale: float | None
) -> float | None:
    width, height = _inside(divided)
    least = 1000.0 * max(extent_m[0] / width, extent_m[1] / height)
    scales = paper.scales if scale is None else (scale,)
    return next((float(s) for s in scales if s >= least), None)


def _does_not_fit(
    paper: Paper, extent_m: tuple[float, float], found: Schedule, foot_mm: Sequence[float],
    scale: float | None,
) -> NightviewError:  # fmt: skip
    wide, deep = extent_m
    if scale is None:
        return NightviewError(
            "--paper", f"{paper.name} is too small for a site of {wide:.0f} x {deep:.0f} m",
            "take a larger sheet",
        )  # fmt: skip

    def fits(other: Paper, at: float | None) -> float | None:
        found_scales = (
            _fitting(other, divided, extent_m, at)
            for divided, _ in _divisions(other, found, foot_mm)
        )
        return min((s for s in found_scales if s is not None), default=None)

    remedies = []
    smaller = fits(paper, None)
    if smaller is not None:
        remedies.append(f'--scale "1:{smaller:g}"')
    larger = [p for p in PAPERS.values() if p.inches == paper.inches and p.long_mm > paper.long_mm]
    sheet = next((p for p in sorted(larger, key=lambda p: p.long_mm) if fits(p, scale)), None)
    if sheet is not None:
        remedies.append(f"--paper {sheet.name}")
    return NightviewError(
        "--scale", f"at 1:{scale:g} the lamps and what they light take {1000 * wide / scale:.0f} x "
        f"{1000 * deep / scale:.0f} mm, more than {paper.name} has",
        f"write {' or '.join(remedies)}" if remedies else "leave it out",
    )  # fmt: skip
