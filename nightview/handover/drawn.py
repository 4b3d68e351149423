"""The plan on A4 and Letter, with the two corners of the stake-out on it; and the cables' plan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from nightview.handover.document import Figure
from nightview.handover.facts import Facts
from nightview.plan.cables import Wired
from nightview.plan.drawing import (
    INK,
    MM_PER_PT,
    WHITE,
    Area,
    Drawing,
    Mark,
    Text,
    polyline,
    width_of,
)
from nightview.plan.labels import Box, Place, Request, place
from nightview.plan.papers import PAPERS, Paper
from nightview.plan.sheet import Plan, plan
from nightview.site.surface import Array

SIGN_MM, CROSS_MM = 1.9, 1.6
NAMES = ("A4", "Letter")


def papers(feet: bool) -> dict[str, Paper]:
    """Both papers, in the scene's own units: a job in feet is in feet on A4 too."""
    return {name: replace(PAPERS[name.lower()], inches=feet) for name in NAMES}


def plan_figures(facts: Facts) -> list[Figure]:
    """The plan's sheets, and the cables' where there are any."""
    made = {
        name: _with_corners(plan(facts.site, facts.beams, paper), facts)
        for name, paper in papers(facts.feet).items()
    }
    told = f"Plan with {len(facts.lamps)} lamps, their beams, the views and the corners A and B"
    figures = _figures("Plan", told, made)
    if facts.checked is not None:
        wired = Wired(facts.scene, facts.checked.network)
        cables = {
            name: list(plan(facts.site, facts.beams, paper, wired=wired).sheets)
            for name, paper in papers(facts.feet).items()
        }
        figures += _figures(
            "Plan of the cables", "Plan of cables, sleeves and transformers", cables
        )
    return figures


def _figures(title: str, told: str, made: dict[str, list[Drawing]]) -> list[Figure]:
    """One figure a sheet; a paper that takes fewer has none for the rest."""
    count = max(map(len, made.values()))
    figures = []
    for k in range(count):
        drawings = {name: sheets[k] for name, sheets in made.items() if k < len(sheets)}
        more = f", sheet {k + 1}" if k else ""
        figures.append(Figure(title + more, told + more, drawings))
    return figures


def _with_corners(made: Plan, facts: Facts) -> list[Drawing]:
    """The plan's sheets, the first with A and B on it where they are inside its frame."""
    first, frame = made.sheets[0], made.layout.frame
    inside: list[tuple[str, Array]] = []
    for letter, corner in (("A", facts.stakes.a), ("B", facts.stakes.b)):
        at = np.asarray(made.to_mm(corner.at), float)
        if shapely.contains(shapely.box(*frame), shapely.Point(*at)):
            inside.append((letter, at))
    side = 2 * SIGN_MM
    requests = [Request((float(at[0]), float(at[1])), (side, side), CROSS_MM) for _, at in inside]
    taken = [_box(mark) for mark in first.marks if isinstance(mark, Text)]
    marks: list[Mark] = []
    for (letter, at), found in zip(inside, place(requests, frame, taken), strict=True):
        if found is not None:
            marks += corner_marks(at, letter, found)
    return [replace(first, marks=(*first.marks, *marks)), *made.sheets[1:]]


def _box(text: Text) -> Box:
    """What a text covers on the sheet [mm]."""
    width, height = width_of(text.text, text.size, text.bold), text.size * MM_PER_PT
    left = text.at[0] - {"left": 0.0, "middle": 0.5, "right": 1.0}[text.anchor] * width
    return (left, text.at[1] - 0.2 * height, left + width, text.at[1] + 0.8 * height)


def corner_marks(at: Array, letter: str, found: Place) -> list[Mark]:
    """A cross on the corner and its letter on a disc beside it [mm]."""
    x, y, r = float(at[0]), float(at[1]), CROSS_MM
    left, low, right, top = found.box
    middle = ((left + right) / 2, (low + top) / 2)
    lines = [[(x - r, y), (x + r, y)], [(x, y - r), (x, y + r)]]
    marks: list[Mark] = [polyline(found.leader, width=0.3)] if found.leader else []
    marks += [polyline(line, colour=WHITE, width=1.0) for line in lines]
    marks += [polyline(line, width=0.45) for line in lines]
    disc = shapely.Point(*middle).buffer(SIGN_MM)
    marks.append(Area(disc, INK, edge=WHITE, width=0.3, name=f"corner {letter}"))
    baseline = (middle[0], middle[1] - 0.36 * 8.0 * MM_PER_PT)
    marks.append(Text(baseline, letter, 8.0, "middle", bold=True, colour=WHITE))
    return marks
