"""A site on paper: its plan with lamps, beams and views, the table of lamps, title and key."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import ArrayLike

from nightview.plan import symbols
from nightview.plan.beams import Beams, points_of
from nightview.plan.cables import Wired, cable_marks, cable_schedule
from nightview.plan.drawing import (
    GREY,
    INK,
    PALE,
    THING,
    WHITE,
    Area,
    Drawing,
    Line,
    Mark,
    Text,
    cut,
    polyline,
    wrapped,
)
from nightview.plan.features import beam_marks, thing_marks, tree_marks
from nightview.plan.foot import (
    CAUTION_MM,
    CAUTION_SIZE,
    CAUTIONS,
    Entry,
    caution_marks,
    foot_marks,
    foot_mm,
    key_of,
)
from nightview.plan.labels import Box
from nightview.plan.layout import BETWEEN_MM, MARGIN_MM, Layout, layout
from nightview.plan.names import label_marks, view_marks
from nightview.plan.outlines import block_outline, outlines, tree_outline
from nightview.plan.papers import Paper
from nightview.plan.schedule import Schedule, schedule, table
from nightview.site.build import Site
from nightview.site.surface import Array

AROUND_M = 1.0
"""Shown about the lamps and what they light."""


@dataclass(frozen=True, eq=False)
class Plan:
    """A site laid out on paper, before any file is written. sheets : the plan's own first."""

    sheets: tuple[Drawing, ...]
    layout: Layout
    to_mm: Callable[[ArrayLike], Array] = field(repr=False)


def plan(
    site: Site,
    beams: Sequence[Beams],
    paper: Paper,
    scale: float | None = None,
    wired: Wired | None = None,
) -> Plan:
    """The plan of a site at a scale, or at the largest round one that fits.

    wired : shows the cables, with a table of them, instead of beams and views. Errors:
    NightviewError where it does not fit on the paper.
    """
    if wired is not None:
        beams = [() for _ in site.fixtures]
    extent = extent_of(site, beams, wired.shapes if wired is not None else ())
    key = key_of(site, beams, wired, paper.inches)
    found = (
        schedule(site, beams, paper.inches)
        if wired is None
        else cable_schedule(wired, paper.inches)
    )
    feet = [foot_mm(key, side - 2 * MARGIN_MM) for side in (paper.short_mm, paper.long_mm)]
    size = (float(np.ptp(extent[::2])), float(np.ptp(extent[1::2])))
    laid = layout(paper, size, found, feet, scale)
    return _drawn(site, beams, extent, found, key, laid, wired)


def extent_of(site: Site, beams: Sequence[Beams], others: Sequence[shapely.Geometry] = ()) -> Box:
    """What must be on the plan [m]: the lamps, their light, and the houses and trees they aim at.

    others : to be on it too.
    """
    shapes: list[shapely.Geometry] = [shapely.Point(lamp.position[:2]) for lamp in site.fixtures]
    every = [beam for own in beams for beam in own]
    aimed = {beam.lands_on for beam in every}
    aimed |= {fixture.block for fixture in site.scene.fixtures if fixture.block}
    shapes += [shape for beam in every for shape in (beam.ground, beam.outline)]
    shapes += [block_outline(block) for block in site.scene.blocks if block.name in aimed]
    shapes += [tree_outline(tree) for tree in site.scene.trees if tree.name in aimed]
    shapes += others
    if not site.fixtures:
        shapes = [item.shape for item in outlines(site) if item.kind != "ground"]
        shapes += [tree_outline(tree) for tree in site.scene.trees]
    bounds = np.array([shape.bounds for shape in shapes if not shape.is_empty])
    if not len(bounds):
        bounds = np.array([(-5.0, -5.0, 5.0, 5.0)])
    (left, low), (right, top) = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    around = (left - AROUND_M, low - AROUND_M, right + AROUND_M, top + AROUND_M)
    return tuple(map(float, around))  # type: ignore[return-value]


def _drawn(
    site: Site, beams: Sequence[Beams], extent: Box, found: Schedule, key: list[Entry],
    laid: Layout, wired: Wired | None,
) -> Plan:  # fmt: skip
    left, low, right, top = laid.frame
    middle_m = np.array([extent[0] + extent[2], extent[1] + extent[3]]) / 2
    middle_mm = np.array([left + right, low + top]) / 2
    factor = 1000.0 / laid.scale

    def to_mm(points: ArrayLike) -> Array:
        return (np.asarray(points, float) - middle_m) * factor + middle_mm

    frame = shapely.box(left, low, right, top)

    def moved(shape: shapely.Geometry) -> shapely.Geometry:
        there = shapely.transform(shape, to_mm)
        if not shapely.intersects(there, frame):
            return shapely.Point()
        return there if shapely.contains(frame, there) else shapely.intersection(there, frame)

    things = outlines(site)
    marks: list[Mark] = []
    for thing in things:
        marks += thing_marks(thing, moved(thing.shape))
    for own in beams:
        marks += beam_marks(own, moved)
    for tree in site.scene.trees:
        marks += tree_marks(tree, moved, to_mm)
    marks += _grid(laid, to_mm)
    if wired is not None:
        drawn, requests, texts = cable_marks(wired, moved, to_mm)
        marks += drawn
    for lamp in site.fixtures:
        if lamp.lamp.length_m > 0.0:  # in its true length
            ends = to_mm(points_of(lamp)[[0, -1], :2])
            marks += [polyline(ends, colour=WHITE, width=1.3), polyline(ends, width=0.8)]
        marks += symbols.lamp(
            lamp.lamp.body, to_mm(lamp.position[:2]), lamp.axis, f"lamp {lamp.id}"
        )
    if wired is None:
        drawn, requests, texts = view_marks(site.scene.views, laid, to_mm)
        marks += drawn
    marks += label_marks(site, things, laid, to_mm, moved, requests, texts)
    marks.append(Area(frame, edge=INK, width=0.35, name="frame"))

    sheets = []
    rows = len(found.rows)
    if laid.table is not None:
        at_x, at_y, each = laid.table
        for k, first in enumerate(range(0, rows, each)):
            x = at_x + k * (found.width + BETWEEN_MM)
            marks += table(found, first, min(first + each, rows), x, at_y)
    what = "lighting plan" if wired is None else "cable plan"
    marks += foot_marks(site, laid, key, laid.foot, what)
    title = f"{site.scene.title}: {what} {laid.paper.told(laid.scale)}"
    sheets.append(Drawing(laid.width, laid.height, title, tuple(marks)))
    if laid.table is None and rows:
        sheets += _table_sheets(site, found, laid, "lamps" if wired is None else "cables")
    return Plan(tuple(sheets), laid, to_mm)


def _grid(laid: Layout, to_mm: Callable[..., Array]) -> list[Mark]:
    """Crosses at round coordinates, their figures along the frame, and the datum they count from."""
    left, low, right, top = laid.frame
    unit_m, steps = (
        (0.3048, (5, 10, 20, 50, 100)) if laid.paper.inches else (1.0, (1, 2, 5, 10, 20))
    )
    mm = 1000.0 * unit_m / laid.scale
    step = next((s for s in steps if s * mm >= 14.0), steps[-1] * 5)
    zero = to_mm((0.0, 0.0))
    xs, ys = (
        np.arange(np.ceil((a - z) / (step * mm)), np.floor((b - z) / (step * mm)) + 1)
        for a, b, z in ((left, right, zero[0]), (low, top, zero[1]))
    )
    marks: list[Mark] = []
    crosses = []
    for i in xs:
        x = float(zero[0] + i * step * mm)
        marks.append(polyline([(x, low), (x, low - 0.8)]))
        marks.append(
            Text(
                (x, low - 3.4),
                f"{i * step + 0.0:g}".replace("-", "−"),
                THING,
                "middle",
                colour=GREY,
            )
        )
        for j in ys:
            y = float(zero[1] + j * step * mm)
            crosses += [((x - 0.7, y), (x + 0.7, y)), ((x, y - 0.7), (x, y + 0.7))]
    for j in ys:
        y = float(zero[1] + j * step * mm)
        marks.append(polyline([(left, y), (left - 0.8, y)]))
        marks.append(
            Text(
                (left - 1.2, y - 0.75),
                f"{j * step + 0.0:g}".replace("-", "−"),
                THING,
                "right",
                colour=GREY,
            )
        )
    letter = "ft" if laid.paper.inches else "m"
    marks.append(Text((left - 1.2, low - 3.4), letter, THING, "right", italic=True, colour=GREY))
    if crosses:
        marks.append(Line(shapely.MultiLineString(crosses), PALE, 0.15))
    if left < zero[0] < right and low < zero[1] < top:
        marks += symbols.datum(zero)
    return marks


def _table_sheets(site: Site, found: Schedule, laid: Layout, what: str) -> list[Drawing]:
    """The table on sheets of its own, in as many columns as fit."""
    room, rows = laid.width - 2 * MARGIN_MM, len(found.rows)
    foot = MARGIN_MM + CAUTION_MM * len(wrapped(CAUTIONS, CAUTION_SIZE, room)) + 1.5
    top = laid.height - MARGIN_MM - 9.0
    each = max(1, int((top - foot - found.height(0)) / (found.height(1) - found.height(0))))
    columns = max(1, int((room + BETWEEN_MM) / (found.width + BETWEEN_MM)))
    sheets = []
    for start in range(0, rows, each * columns):
        title = f"{site.scene.title}: {what}"
        marks: list[Mark] = [
            Text(
                (MARGIN_MM, laid.height - MARGIN_MM - 4.0),
                cut(title, 12.0, room, True),
                12.0,
                bold=True,
            )
        ]
        for k, first in enumerate(range(start, min(rows, start + each * columns), each)):
            x = MARGIN_MM + k * (found.width + BETWEEN_MM)
            marks += table(found, first, min(first + each, rows), x, top)
        marks += caution_marks(MARGIN_MM, foot, room)
        sheets.append(Drawing(laid.width, laid.height, title, tuple(marks)))
    return sheets
