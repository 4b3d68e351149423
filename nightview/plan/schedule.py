"""The table of lamps beside a plan: what each is, where it stands, which way it is aimed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from nightview.plan.beams import Beams, aim_deg
from nightview.plan.drawing import GREY, PALE, Area, Mark, Text, cut, polyline, width_of
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.units import write_length

SIZE, ROW_MM, GAP_MM = 6.5, 3.5, 1.6
HEADS = ("ID", "lamp", "beam", "lm", "CCT", "bearing", "elev.", "x", "y", "z")
WORD_MM = 48.0
"""Longer names are cut in the table, so that it fits on any paper."""
_LEFT = 2
"""So many columns are words, set to the left; the others are figures, set to the right."""


@dataclass(frozen=True)
class Schedule:
    """The table's cells and how wide its columns run [mm]."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]

    @property
    def width(self) -> float:
        """Of the whole table [mm]."""
        return sum(self.widths) + GAP_MM * (len(self.widths) - 1)

    def height(self, rows: int) -> float:
        """With so many rows under its head [mm]."""
        return (rows + 1) * ROW_MM + 1.0


def schedule(site: Site, beams: Sequence[Beams], feet: bool) -> Schedule:
    """The table of all lamps; lengths in metres, or in feet and inches."""
    north = site.scene.site.north_deg
    rows = tuple(
        _row(lamp, own, north, feet) for lamp, own in zip(site.fixtures, beams, strict=True)
    )
    heads = tuple(head if feet or head not in ("x", "y", "z") else f"{head} m" for head in HEADS)
    widths = tuple(
        max([width_of(head, SIZE, True), *(width_of(row[k], SIZE, k == 0) for row in rows)])
        for k, head in enumerate(heads)
    )
    return Schedule(heads, rows, widths)


def _row(lamp: Placed, beams: Beams, north_deg: float, feet: bool) -> tuple[str, ...]:
    bearing, elevation = aim_deg(lamp, north_deg)
    return (
        cut(lamp.id, SIZE, WORD_MM, True), cut(lamp.lamp.name, SIZE, WORD_MM), beam_text(lamp, beams), f"{lamp.lamp.rated_flux_lm:.0f}",
        f"{lamp.cct_k:.0f} K", "–" if bearing is None else f"{round(bearing) % 360}°",
        f"{elevation:+.0f}°".replace("-", "−"), *(figure(x, feet) for x in lamp.position),
    )  # fmt: skip


def beam_text(lamp: Placed, beams: Beams) -> str:
    """A lamp's spread in a word: its beam angle, both angles, a hat, or all round."""
    if lamp.lamp.kind == "hat":
        return "hat"
    if not beams:
        return "round"
    shape = lamp.lamp.intensity
    widths = [shape.width_deg(0.5, phi) for phi in (0.0, np.pi / 2)]
    if shape.axial:
        return f"{widths[0]:.0f}°"
    return f"{widths[0]:.0f}×{widths[1]:.0f}°"


def figure(metres: float, feet: bool) -> str:
    """A length in metres without their unit, or in feet and inches with their marks."""
    if feet:
        return (
            write_length(metres, feet=True)
            .replace(" ft", "'")
            .replace(" in", '"')
            .replace("-", "−")
        )
    return f"{metres + 0.0:.2f}".replace("-0.00", "0.00").replace("-", "−")


def table(found: Schedule, first: int, last: int, left: float, top: float) -> list[Mark]:
    """Rows first to last (not with it), from a corner [mm]."""
    marks: list[Mark] = []
    edges = np.cumsum([0.0, *(width + GAP_MM for width in found.widths)])

    def put(row: Sequence[str], line: float, head: bool) -> None:
        for k, word in enumerate(row):
            at = left + edges[k] if k < _LEFT else left + edges[k] + found.widths[k]
            marks.append(
                Text((float(at), line), word, SIZE, "left" if k < _LEFT else "right",
                     bold=head or k == 0, name="" if head or k else f"row {word}")
            )  # fmt: skip

    put(found.heads, top - ROW_MM + 1.0, True)
    under = top - ROW_MM
    marks.append(polyline([(left, under), (left + found.width, under)], width=0.3))
    for n, row in enumerate(found.rows[first:last]):
        low = under - (n + 1) * ROW_MM
        if n % 2:
            band = shapely.box(left - 0.5, low, left + found.width + 0.5, low + ROW_MM)
            marks.append(Area(band, PALE, alpha=0.3))
        put(row, low + 1.0, False)
    end = under - (last - first) * ROW_MM
    marks.append(polyline([(left, end), (left + found.width, end)], colour=GREY))
    return marks
