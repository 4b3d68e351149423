"""The facade sheet: a wall in true scale with the light on it, what was found there, and the remedy."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from nightview.checks.result import Result
from nightview.checks.walls import Wall
from nightview.checks.words import (
    KINDS,
    NOTE,
    Cures,
    after_told,
    findings,
    lamps_told,
    limit_told,
    number,
    remedy_words,
    value_told,
)
from nightview.errors import NightviewError
from nightview.picture.files import write_beside
from nightview.picture.png import write_png
from nightview.plan import paint, symbols
from nightview.plan.drawing import (
    PALE,
    SMALL,
    Drawing,
    Mark,
    Text,
    cut,
    polyline,
    wrapped,
)
from nightview.plan.elevation import Elevation, elevation_of
from nightview.plan.facade_wall import (
    FIGURES_MM,
    HEIGHTS_MM,
    KEY_MM,
    RINGED,
    STRIP_MM,
    Numbered,
    key,
    length,
    rulers,
    wall_marks,
)
from nightview.plan.labels import Box
from nightview.plan.papers import PAPERS, Paper
from nightview.scene.states import label_of
from nightview.scene.views import plain
from nightview.site.surface import Array

MARGIN_MM, GAP_MM, FOOT_MM = 8.0, 2.0, 18.0
RULER_MM, TOP_MM = 6.0, 4.0
"""Room for the figures along the wall, and above it."""
ROW_MM, PAD_MM = 2.8, 1.0
TABLE_SHARE = 0.42
"""Of the sheet, that the table may take; what is left goes on to a further sheet."""
DPI = 150

HEADS = ("no.", "finding", "x", "z", "lx", "found", "after", "limit", "lamps", "remedy")
WIDTHS = (6.0, 27.0, 12.0, 12.0, 11.0, 14.0, 14.0, 33.0, 27.0)
"""Of the table's columns but the last, which has what is left [mm]."""
FIGURES = range(2, 7)
"""Columns set to the right."""


@dataclass(frozen=True, eq=False)
class Facade:
    """A wall laid out on paper. sheets : the wall's own first, then what is left of its table.

    to_mm : along and above the base [m] → on the sheet [mm]. numbered : the wall's findings by the
    number that they have among all of the job.
    """

    elevation: Elevation
    sheets: tuple[Drawing, ...]
    paper: Paper
    scale: float
    numbered: Numbered
    to_mm: Callable[[ArrayLike], Array] = field(repr=False)

    @property
    def name(self) -> str:
        """What the wall is called."""
        return self.elevation.wall.area.name

    @property
    def told(self) -> str:
        """The sheet in words, for those who do not see it."""
        many = len(self.numbered)
        found = "; ".join(f"{n}, {r.check}: {value_told(r)}" for n, r in self.numbered.items())
        return (
            f"Elevation of {self.name} at {self.paper.told(self.scale)} with lines of equal "
            f"illuminance. {many} finding{'s' * (many != 1)}{': ' if many else ''}{found}."
        )


def facade(
    wall: Wall, results: Sequence[Result], cures: Cures, paper: Paper = PAPERS["a4"],
    scale: float | None = None,
) -> Facade:  # fmt: skip
    """The sheet of a wall, of all results of its job, lying; at a scale, or at the largest round one
    that fits.

    Errors: NightviewError where it does not fit.
    """
    elevation = elevation_of(wall, tuple(results))
    own = {result.key for result in elevation.results}
    numbered = {n: r for n, r in enumerate(findings(results), 1) if r.key in own}
    width, height = paper.long_mm, paper.short_mm
    room = width - 2 * MARGIN_MM
    rows = [_row(n, r, elevation, cures, paper, room) for n, r in numbered.items()]
    first = _fitting(rows, TABLE_SHARE * height)
    low = MARGIN_MM + FOOT_MM + _height(rows[:first]) + 3.0
    frame = (MARGIN_MM, low, width - MARGIN_MM - KEY_MM, height - MARGIN_MM)
    extent = _extent(elevation)
    scale = _scale(paper, extent, frame, scale)
    to_mm = _placed(extent, frame, scale)

    title = f"{wall.job.scene.title}: {wall.area.name}"
    marks = wall_marks(elevation, numbered, to_mm, frame, paper)
    marks += rulers(elevation, to_mm, extent, paper, scale)
    marks += key(elevation, numbered, frame[2] + 4.0, frame[3], paper)
    marks += _table(rows[:first], room, MARGIN_MM + FOOT_MM + _height(rows[:first]))
    marks += _foot(elevation, title, paper, scale, room)
    sheets = [Drawing(width, height, f"{title}, facade sheet {paper.told(scale)}", tuple(marks))]
    while first < len(rows):
        top = height - MARGIN_MM - 8.0
        more = max(_fitting(rows[first:], top - MARGIN_MM - 6.0), 1)
        page: list[Mark] = [
            Text(
                (MARGIN_MM, top + 3.0),
                cut(f"{title}, continued", 12.0, room, True),
                12.0,
                bold=True,
            )
        ]
        page += _table(rows[first : first + more], room, top)
        page.append(Text((MARGIN_MM, MARGIN_MM), NOTE, SMALL, bold=True))
        sheets.append(Drawing(width, height, f"{title}, findings", tuple(page)))
        first += more
    return Facade(elevation, tuple(sheets), paper, scale, numbered, to_mm)


def sheet_names(stem: str, made: Facade, kinds: Sequence[str] = ("png",)) -> list[str]:
    """The files of a facade: of each sheet a PNG or an SVG, one PDF of all."""
    base = f"{stem}-facade-{plain(made.name) or 'wall'}"
    parts = ["", *(f"-{n}" for n in range(2, len(made.sheets) + 1))]
    return [
        f"{base}{part}.{kind}" for kind in kinds for part in (parts[:1] if kind == "pdf" else parts)
    ]


def write_facade(
    made: Facade, folder: Path, stem: str, kinds: Sequence[str] = ("png",)
) -> list[Path]:
    """Write a facade's sheets as "png", "svg" or "pdf"; the paths written."""
    paths = [folder / name for name in sheet_names(stem, made, kinds)]
    told = f"{made.paper.told(made.scale)} on {made.paper.name}"
    for path, which in zip(paths, _numbers(made, kinds), strict=True):
        sheet = made.sheets[which]
        if path.suffix == ".png":
            texts = {"Title": sheet.title, "Software": paint.MAKER, "scale": told, "dpi": str(DPI)}
            write_png(path, paint.pixels(sheet, DPI), texts)
        else:
            _write(path, paint.pdf(made.sheets) if path.suffix == ".pdf" else paint.svg(sheet))
    return paths


def _write(path: Path, content: bytes) -> None:
    write_beside(path, lambda beside: beside.write_bytes(content))


def _numbers(made: Facade, kinds: Sequence[str]) -> list[int]:
    return [n for kind in kinds for n in range(1 if kind == "pdf" else len(made.sheets))]


# --- how it is divided ----------------------------------------------------------------------------


def _extent(elevation: Elevation) -> Box:
    """What must be on the sheet [m]: the wall, the ground before it, and its lamps."""
    left, low, right, top = elevation.outline.bounds
    spots = [elevation.lamp_spot(lamp) for lamp in elevation.lamps if elevation.is_near(lamp)]
    x, z = [left, right, *(s[0] for s in spots)], [low, top, *(s[1] for s in spots)]
    ground = -elevation.base_m
    return min(x), min(*z, ground) if ground > low - 3.0 else min(z), max(x), max(z)


def _room(frame: Box) -> tuple[float, float]:
    left, low, right, top = frame
    return right - left - FIGURES_MM - HEIGHTS_MM, top - low - STRIP_MM - RULER_MM - TOP_MM


def _scale(
    paper: Paper, extent: Box,
    frame: Box, asked: float | None,
) -> float:  # fmt: skip
    room = _room(frame)
    size = (extent[2] - extent[0], extent[3] - extent[1])
    least = 1000.0 * max(size[0] / room[0], size[1] / room[1])
    if asked is not None and asked >= least:
        return asked
    fits = next((float(s) for s in paper.scales if s >= least), None)
    if asked is None and fits is not None:
        return fits
    larger = [
        p.name for p in PAPERS.values() if p.inches == paper.inches and p.long_mm > paper.long_mm
    ]
    remedies = [f'--scale "1:{fits:g}"'] if fits is not None else []
    remedies += [f"--paper {larger[-1]}"] if larger else []
    told = f"1:{asked:g}" if asked is not None else "every round scale"
    raise NightviewError(
        "--scale", f"at {told} a wall of {size[0]:.1f} x {size[1]:.1f} m needs more than the "
        f"{room[0]:.0f} x {room[1]:.0f} mm that its sheet on {paper.name} has",
        f"write {' or '.join(remedies)}" if remedies else "leave it out",
    )  # fmt: skip


def _placed(
    extent: Box,
    frame: Box,
    scale: float,
) -> Callable[[ArrayLike], Array]:
    """Metres of the wall to millimetres of the sheet: in the middle of the room."""
    room = _room(frame)
    factor = 1000.0 / scale
    spare = np.array(room) - np.subtract(extent[2:], extent[:2]) * factor
    corner = np.array([frame[0] + FIGURES_MM, frame[1] + STRIP_MM + RULER_MM])
    origin = corner + spare / 2 - np.array(extent[:2]) * factor
    return lambda points: np.asarray(points, float) * factor + origin


_Row = list[list[str]]
"""The lines of each cell."""


def _row(
    n: int, result: Result, elevation: Elevation, cures: Cures, paper: Paper, room: float
) -> _Row:
    spot = elevation.mark(result)
    feet = paper.inches
    x, z = ("–", "–") if spot is None else (
        length(spot[0], feet).removesuffix(" m"), length(spot[1] + elevation.base_m, feet).removesuffix(" m")
    )  # fmt: skip
    lux = None if spot is None or result.limit.name not in RINGED else elevation.lux_at(spot)
    where = result.check
    if result.place != elevation.wall.area.name and not result.place.startswith(
        f"{elevation.wall.area.name}, "
    ):
        where += f", {result.place}"
    cells = (
        str(n), where, x, z, "–" if lux is None else number(lux), value_told(result),
        after_told(result, cures), f"{limit_told(result.limit)}; {KINDS[result.limit.kind]}", lamps_told(result.lamps) or "–",
        remedy_words(result, cures),
    )  # fmt: skip
    return [wrapped(cell, SMALL, width) for cell, width in zip(cells, _widths(room), strict=True)]


def _widths(room: float) -> tuple[float, ...]:
    return (*WIDTHS, room - sum(WIDTHS) - GAP_MM * len(WIDTHS))


def _row_mm(row: _Row) -> float:
    return ROW_MM * max(len(cell) for cell in row) + PAD_MM


def _height(rows: Sequence[_Row]) -> float:
    """Of a table of rows with its head [mm]."""
    return ROW_MM + 2 * PAD_MM + (sum(map(_row_mm, rows)) if rows else ROW_MM + PAD_MM)


def _fitting(rows: Sequence[_Row], room: float) -> int:
    """How many rows fit into so much height [mm]."""
    count = len(rows)
    while count and _height(rows[:count]) > room:
        count -= 1
    return count


def _table(rows: Sequence[_Row], room: float, top: float) -> list[Mark]:
    """The table downwards from its upper edge [mm]."""
    marks: list[Mark] = []
    widths = _widths(room)
    lefts = MARGIN_MM + np.cumsum([0.0, *(width + GAP_MM for width in widths[:-1])])
    y = top - ROW_MM
    for k, head in enumerate(HEADS):
        right = k in FIGURES
        at = float(lefts[k]) + (widths[k] if right else 0.0)
        marks.append(Text((at, y), head, SMALL, "right" if right else "left", bold=True))
    y -= PAD_MM
    marks.append(polyline([(MARGIN_MM, y), (MARGIN_MM + room, y)], width=0.3))
    if not rows:
        marks.append(Text((MARGIN_MM, y - ROW_MM), "Nothing was found on this wall.", SMALL))
    for row in rows:
        tall = _row_mm(row)
        for k, cell in enumerate(row):
            right = k in FIGURES
            at = float(lefts[k]) + (widths[k] if right else 0.0)
            for n, line in enumerate(cell):
                marks.append(Text((at, y - ROW_MM * (n + 1)), line, SMALL, "right" if right else "left",
                                  bold=k == 0, name=f"row {row[0][0]}" if k == 0 else ""))  # fmt: skip
        y -= tall
        marks.append(polyline([(MARGIN_MM, y), (MARGIN_MM + room, y)], colour=PALE))
    return marks


def _foot(elevation: Elevation, title: str, paper: Paper, scale: float, room: float) -> list[Mark]:
    """Title, scale, state and the figures of the wall; the scale bar; that it is a calculation."""
    wall = elevation.wall
    job = wall.job
    left, low = MARGIN_MM, MARGIN_MM
    bar = min(70.0, 0.3 * room)
    beside = room - bar - 6.0
    marks: list[Mark] = [polyline([(left, low + 15.5), (left + room, low + 15.5)], width=0.3)]
    marks.append(
        Text((left, low + 10.0), cut(title, 12.0, beside, True), 12.0, bold=True, name="title")
    )
    told = (
        f"Facade sheet, seen from outside, {paper.told(scale)} on {paper.name} · "
        f"{label_of(job.scene, job.names[0])} · x from the wall's left end, z above the ground"
    )
    marks.append(Text((left, low + 6.2), cut(told, 7.0, beside), 7.0, name="scale"))
    lux = np.where(wall.zone, wall.lux, np.nan)
    figures = (
        f"Part meant to be lit: mean {number(wall.mean(wall.lux))} lx, "
        f"brightest {number(float(np.nanmax(lux)))} lx, least {number(float(np.nanmin(lux)))} lx."
    )
    far = [lamp.id for lamp in elevation.lamps if not elevation.is_near(lamp)]
    if far:
        figures += f" Light also from {', '.join(far)}, beyond the sheet."
    marks.append(Text((left, low + 3.0), cut(figures, 7.0, room), 7.0, name="figures"))
    marks.append(Text((left, low - 0.4), cut(NOTE, 7.0, room, True), 7.0, bold=True, name="note"))
    marks += symbols.scale_bar(left + room - bar, low + 8.5, scale, paper, bar - 5.0)
    return marks
