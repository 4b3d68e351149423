"""The marks of a facade sheet's drawing: the lit wall, its lamps, what was found, its rulers and key."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike

from nightview.checks.result import Result
from nightview.checks.walls import HOLE, KNEE_M, SQUARE_M
from nightview.plan import symbols
from nightview.plan.drawing import (
    GREY,
    INK,
    SMALL,
    THING,
    WHITE,
    Area,
    Line,
    Mark,
    Text,
    cut,
    polyline,
    width_of,
    wrapped,
)
from nightview.plan.elevation import Elevation, Spot
from nightview.plan.isolux import LEVELS_LX, SHADES, Isolux, label_places
from nightview.plan.labels import Box, Place, Request, place
from nightview.plan.papers import Paper
from nightview.plan.schedule import figure
from nightview.site.blocks import wall_frame
from nightview.site.placing import Placed
from nightview.site.surface import Array

FIGURES_MM, HEIGHTS_MM, KEY_MM = 9.0, 17.0, 35.0
"""Room left of the wall for the figures of its ruler, right of it for its heights, and for the key."""
STRIP_MM, LEAD_MM, NAME_MM = 11.0, 0.8, 2.7
"""Below the ground line: room for the names of lamps, how far off they begin, and how tall each is."""
RINGED = ("hot_spot_local", "hot_spot_zone")
"""Limits of what gets a ring, as wide as the square that a hot spot is compared with."""
SAME_M = 0.15
"""Findings nearer to each other than this share a ring."""
LOW_M = 1.0
"""Lamps lower than this are named below the ground line."""
VALUES_APART_MM = 70.0

Numbered = Mapping[int, Result]
"""A wall's findings by the number that they have among all of the job."""


def wall_marks(
    elevation: Elevation, numbered: Numbered, to_mm: Callable[[ArrayLike], Array],
    frame: Box, paper: Paper,
) -> list[Mark]:  # fmt: skip
    """The wall from its shades to the numbers of what was found. frame : all of it lies inside [mm]."""

    def moved(shape: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shape, to_mm)

    wall = elevation.wall
    face = moved(elevation.face)
    marks: list[Mark] = []
    field = Isolux.of(wall.lux, wall.area.step_m)
    for k, (shade, band) in enumerate(zip(SHADES, field.bands(), strict=True)):
        part = shapely.intersection(moved(band), face)
        # An outline of its own shade closes the hair between neighbours.
        marks.append(Area(part, shade, edge=shade, width=0.05, name=f"band {k}"))
    marks += _hatched(moved(elevation.hidden), GREY, 2.4)
    for name, porch in elevation.porches:
        marks.append(
            Area(moved(porch), edge=INK, width=0.25, dash=(1.4, 0.9), name=f"porch {name}")
        )
    for name, opening in elevation.openings:
        box = moved(opening)
        marks.append(Area(box, WHITE, edge=GREY, width=0.2, name=f"opening {name}"))
        left, low, right, top = box.bounds
        words = [
            cut(line, THING, right - left - 0.6)
            for line in wrapped(name, THING, right - left - 0.6)
        ]
        for n, line in enumerate(words if len(words) * 2.6 < top - low else ()):
            y = (low + top) / 2 - 0.8 + 2.6 * ((len(words) - 1) / 2 - n)
            marks.append(Text(((left + right) / 2, y), line, THING, "middle", colour=GREY))
    lines = [shapely.intersection(moved(line), face) for line in field.lines()]
    lines = [shapely.line_merge(line) for line in lines]
    for k, line in enumerate(lines):
        marks.append(Line(line, _ink(k), 0.28, name=f"line {LEVELS_LX[k]:g} lx"))
    dark = moved(elevation.dark)
    marks += _hatched(dark, WHITE, 1.5, "dark hole")
    marks += _zone_ends(elevation, to_mm)
    marks.append(Area(moved(elevation.outline), edge=INK, width=0.5, name=f"wall {wall.area.name}"))
    ground = float(to_mm((0.0, -elevation.base_m))[1])
    ends = [float(x) for x in moved(elevation.outline).bounds[::2]]
    marks.append(
        polyline([(ends[0] - 2.0, ground), (ends[1] + 2.0, ground)], width=0.5, name="ground")
    )
    lamps = [lamp for lamp in elevation.lamps if elevation.is_near(lamp)]
    right = wall_frame(wall.block, wall.side)[1]
    for lamp in lamps:
        axis = (float(lamp.axis @ right), float(lamp.axis[2]), 0.0)
        at = to_mm(elevation.lamp_spot(lamp))
        marks += symbols.lamp(lamp.lamp.body, at, axis, f"lamp {lamp.id}")
    rings, tags = _tags(elevation, numbered, to_mm, dark)
    marks += rings
    inner = (frame[0] + FIGURES_MM, ground, frame[2], frame[3])
    named, boxes = _names(elevation, lamps, to_mm, ground, inner, paper)
    marks += named
    found = place([request for request, _ in tags], inner, boxes)
    for spot, (_, text) in zip(found, tags, strict=True):
        if spot is not None:
            marks += _tag(spot.box, text, spot.leader)
            boxes.append(spot.box)
    texts = [f"{level:g}" for level in LEVELS_LX]
    sizes = [(width_of(text, SMALL) + 0.8, 2.7) for text in texts]
    for k, box in label_places(lines, sizes, face, boxes, VALUES_APART_MM):
        marks.append(Area(shapely.box(*box), WHITE, 0.85))
        marks.append(Text(((box[0] + box[2]) / 2, box[1] + 0.5), texts[k], SMALL, "middle",
                          name=f"value {texts[k]}"))  # fmt: skip
    return marks


def _ink(k: int) -> str:
    """A line between two bands: white between dark ones, black between light ones."""
    return WHITE if k < 2 else INK


def _hatched(shape: shapely.Geometry, colour: str, apart: float, name: str = "") -> list[Mark]:
    """Slanting lines over a shape [mm]."""
    if shape.is_empty:
        return []
    left, low, right, top = shape.bounds
    tall = top - low
    starts = np.arange(left - tall, right, apart * np.sqrt(2.0))
    lines = shapely.MultiLineString([[(x, low), (x + tall, top)] for x in starts])
    return [Line(shapely.intersection(lines, shape), colour, 0.3, name=name)]


def _zone_ends(elevation: Elevation, to_mm: Callable[[ArrayLike], Array]) -> list[Mark]:
    """Where the parts that are meant to be lit end, if they are not all of the wall."""
    top = elevation.outline.bounds[3]
    lines = [shapely.LineString([(x, 0.0), (x, top)]) for x in elevation.zone_ends]
    return [Line(shapely.transform(shapely.intersection(line, elevation.face), to_mm), INK, 0.2,
                 (2.4, 0.8, 0.5, 0.8), name="zone end") for line in lines]  # fmt: skip


# --- what was found -------------------------------------------------------------------------------


def _tags(
    elevation: Elevation, numbered: Numbered, to_mm: Callable[[ArrayLike], Array],
    dark: shapely.Geometry,
) -> tuple[list[Mark], list[tuple[Request, str]]]:  # fmt: skip
    """A ring about each hot spot, a cross at each other place, and the numbers to stand by them."""
    groups: list[tuple[Spot, list[int], bool]] = []
    for n, result in numbered.items():
        spot = elevation.mark(result)
        if spot is None:
            continue
        ringed = result.limit.name in RINGED
        for k, (at, numbers, other) in enumerate(groups):
            if np.hypot(at[0] - spot[0], at[1] - spot[1]) < SAME_M:
                numbers.append(n)
                groups[k] = (at, numbers, other or ringed)
                break
        else:
            groups.append((spot, [n], ringed))
    marks: list[Mark] = []
    tags: list[tuple[Request, str]] = []
    radius = float(to_mm((SQUARE_M / 2, 0.0))[0] - to_mm((0.0, 0.0))[0])
    for spot, numbers, ringed in groups:
        x, y = map(float, to_mm(spot))
        text = ", ".join(map(str, numbers))
        if ringed:
            ring = shapely.Point(x, y).buffer(radius, quad_segs=32)
            marks += [Area(ring, edge=WHITE, width=1.1), Area(ring, edge=INK, width=0.5, name=f"ring {text}"),
                      Area(shapely.Point(x, y).buffer(0.5), INK, edge=WHITE, width=0.2)]  # fmt: skip
        else:
            cross = [[(x - 1.2, y), (x + 1.2, y)], [(x, y - 1.2), (x, y + 1.2)]]
            shape = shapely.MultiLineString(cross)
            marks += [Line(shape, WHITE, 1.1), Line(shape, INK, 0.45, name=f"cross {text}")]
        size = (width_of(text, 8.0, True) + 1.8, 4.0)
        tags.append((Request((x, y), size, radius if ringed else 1.3), text))
    return marks, tags


def _tag(
    box: Box, text: str,
    leader: tuple[tuple[float, float], tuple[float, float]] | None,
) -> list[Mark]:  # fmt: skip
    """A number in a frame, which no value of a line has."""
    marks: list[Mark] = []
    if leader:
        marks.append(polyline(leader, width=0.2))
    middle = (box[0] + box[2]) / 2
    marks.append(Area(shapely.box(*box), WHITE, edge=INK, width=0.35))
    marks.append(
        Text((middle, box[1] + 1.0), text, 8.0, "middle", bold=True, name=f"number {text}")
    )
    return marks


def _names(
    elevation: Elevation, lamps: Sequence[Placed], to_mm: Callable[[ArrayLike], Array], ground: float,
    inner: Box, paper: Paper,
) -> tuple[list[Mark], list[Box]]:  # fmt: skip
    """Each lamp's name and setback, and the boxes they take: of low lamps in rows below the ground
    line, of others where there is room."""
    marks: list[Mark] = []
    low: list[tuple[float, str]] = []
    requests: list[Request] = []
    texts: list[str] = []
    for lamp in lamps:
        out = length(elevation.wall.out(lamp), paper.inches)
        text = f"{cut(lamp.id, SMALL, 40.0, True)}, {out} out"
        spot = elevation.lamp_spot(lamp)
        x, y = map(float, to_mm(spot))
        if spot[1] + elevation.base_m < LOW_M:
            low.append((x, text))
        else:
            requests.append(Request((x, y), (_wide(text), NAME_MM), 1.4))
            texts.append(text)
    boxes: list[Box] = []
    rows = _rows(sorted(low), inner[2] - inner[0])
    for k, row in enumerate(rows):
        top = ground - LEAD_MM - k * (NAME_MM + 0.4)
        lefts = _apart([x for x, _ in row], [_wide(text) for _, text in row], inner[0], inner[2])
        for (x, text), left in zip(row, lefts, strict=True):
            box = (left, top - NAME_MM, left + _wide(text), top)
            end = (float(np.clip(x, box[0], box[2])), top)
            marks += symbols.label(
                Place(box, ((x, ground), end)), text, SMALL, 0.15, bold=True, name=f"label {text}"
            )
            boxes.append(box)
    for found, text in zip(place(requests, inner, boxes), texts, strict=True):
        if found is not None:
            marks += symbols.label(found, text, SMALL, 0.15, bold=True, name=f"label {text}")
            boxes.append(found.box)
    return marks, boxes


def _wide(text: str) -> float:
    return width_of(text, SMALL, True) + 0.6


def _rows(low: list[tuple[float, str]], room: float) -> list[list[tuple[float, str]]]:
    """Names, from left to right, in as many rows as they need, in turn; three at most."""
    whole = sum(_wide(text) + 1.0 for _, text in low)
    count = min(max(1, math.ceil(whole / room)), 3)
    return [low[k::count] for k in range(count)] if low else []


def _apart(
    middles: Sequence[float], widths: Sequence[float], left: float, right: float
) -> list[float]:
    """Left ends of names in a row, each as near under its lamp as its neighbours let it."""
    wide = np.asarray(widths) + 1.0
    want = np.asarray(middles) - np.asarray(widths) / 2
    # Pushed to the right where they meet, and to the left: half-way between, they are apart too.
    starts = np.concatenate([[0.0], np.cumsum(wide)[:-1]])
    pushed = np.maximum.accumulate(want - starts) + starts
    drawn = np.minimum.accumulate((want - starts)[::-1])[::-1] + starts
    last = right - (starts[-1] + widths[-1]) + starts
    found = np.maximum(np.minimum((pushed + drawn) / 2, last), left + starts)
    return [float(x) for x in found]


# --- rulers and key ---------------------------------------------------------------------


def length(metres: float, feet: bool) -> str:
    """A length in metres, or in feet and inches."""
    return figure(metres, feet) if feet else f"{figure(metres, feet)} m"


def rulers(
    elevation: Elevation, to_mm: Callable[[ArrayLike], Array],
    extent: tuple[float, float, float, float], paper: Paper, scale: float,
) -> list[Mark]:  # fmt: skip
    """Figures along the wall from its left end, and of heights above the ground; its top in words."""
    unit_m, letter = (0.3048, "ft") if paper.inches else (1.0, "m")
    step = next(s for s in (0.5, 1, 2, 5, 10, 20) if s * unit_m * 1000.0 / scale >= 9.0) * unit_m
    _, _, right, top = elevation.outline.bounds
    base = elevation.base_m
    at_y = float(to_mm((0.0, extent[1]))[1]) - STRIP_MM - 0.5
    at_x = float(to_mm((extent[0], 0.0))[0]) - 2.5
    marks: list[Mark] = []
    for x in np.arange(0.0, right + 1e-6, step):
        place_x = float(to_mm((x, 0.0))[0])
        marks.append(polyline([(place_x, at_y), (place_x, at_y - 1.0)]))
        marks.append(Text((place_x, at_y - 3.4), f"{x / unit_m:g}", THING, "middle", colour=GREY))
    ends = to_mm([(0.0, 0.0), (right, 0.0)])[:, 0]
    marks.append(polyline([(ends[0], at_y), (ends[1], at_y)]))
    marks.append(
        Text(
            (float(ends[0]) - 2.0, at_y - 3.4),
            f"x {letter}",
            THING,
            "right",
            italic=True,
            colour=GREY,
        )
    )
    for z in np.arange(np.ceil(min(0.0, base) / step - 1e-9) * step, base + top + 1e-6, step):
        place_y = float(to_mm((0.0, z - base))[1])
        marks.append(polyline([(at_x, place_y), (at_x - 1.0, place_y)]))
        marks.append(
            Text(
                (at_x - 1.5, place_y - 0.75),
                f"{z / unit_m + 0.0:g}".replace("-", "−"),
                THING,
                "right",
                colour=GREY,
            )
        )
    low, high = (float(to_mm((0.0, z))[1]) for z in (min(0.0, -base), top))
    marks.append(polyline([(at_x, low), (at_x, high)]))
    marks.append(
        Text((at_x - 1.5, high + 1.2), f"z {letter}", THING, "right", italic=True, colour=GREY)
    )
    beside = float(to_mm((right, 0.0))[0])
    corners = np.asarray(elevation.outline.exterior.coords)[:, 1]
    heights = sorted({round(float(z), 3) for z in corners if z > 0.01})
    for z in heights:
        y = float(to_mm((0.0, z))[1])
        word = "eaves" if z == heights[0] else "top"
        marks.append(polyline([(beside + 1.0, y), (beside + 3.0, y)], width=0.25))
        marks.append(
            Text(
                (beside + 3.5, y - 0.75),
                f"{word} {length(z + base, paper.inches)}",
                THING,
                colour=GREY,
            )
        )
    return marks


def key(
    elevation: Elevation, numbered: Numbered, left: float, top: float, paper: Paper
) -> list[Mark]:
    """The shades with their values, then what else is on this sheet."""
    marks: list[Mark] = [Text((left, top - 3.0), "lx on the wall", SMALL, bold=True)]
    cell, wide = 4.2, 7.0
    y = top - 5.0
    for k in range(len(SHADES) - 1, -1, -1):
        y -= cell
        marks.append(
            Area(shapely.box(left, y, left + wide, y + cell), SHADES[k], name=f"shade {k}")
        )
        if k:
            marks.append(polyline([(left, y), (left + wide + 1.0, y)], width=0.2))
            marks.append(Text((left + wide + 1.6, y - 0.8), f"{LEVELS_LX[k - 1]:g}", SMALL))
    marks.append(
        Area(shapely.box(left, y, left + wide, y + cell * len(SHADES)), edge=INK, width=0.2)
    )
    x = left + 2.5
    y -= 6.0

    def entry(sign: list[Mark], words: str) -> None:
        nonlocal y, marks
        marks += sign
        for n, line in enumerate(wrapped(words, THING, KEY_MM - 11.0)):
            marks.append(Text((left + 6.5, y - 0.75 - 2.5 * n), line, THING))
        y -= 2.5 * len(wrapped(words, THING, KEY_MM - 11.0)) + 1.9

    if any(r.limit.name in RINGED and elevation.mark(r) for r in numbered.values()):
        ring = Area(shapely.Point(x, y).buffer(1.5), edge=INK, width=0.5)
        entry([ring], f"hot spot; the ring is {length(SQUARE_M, paper.inches)} wide")
    if any(r.limit.name not in RINGED and elevation.mark(r) for r in numbered.values()):
        cross = [[(x - 1.2, y), (x + 1.2, y)], [(x, y - 1.2), (x, y + 1.2)]]
        entry([Line(shapely.MultiLineString(cross), INK, 0.45)], "place of another finding")
    if not elevation.dark.is_empty:
        box = shapely.box(x - 2.2, y - 1.4, x + 2.2, y + 1.4)
        entry([Area(box, SHADES[0]), *_hatched(box, WHITE, 1.2)],
              f"dark: under {100 * HOLE:.0f} % of the mean, from {length(KNEE_M, paper.inches)} up to the eaves")  # fmt: skip
    if elevation.zone_ends:
        entry([polyline([(x - 2.2, y), (x + 2.2, y)], width=0.2, dash=(2.4, 0.8, 0.5, 0.8))],
              "end of the part meant to be lit")  # fmt: skip
    if not elevation.hidden.is_empty:
        box = shapely.box(x - 2.2, y - 1.4, x + 2.2, y + 1.4)
        entry(_hatched(box, GREY, 1.4), "behind another part of the house")
    if elevation.porches:
        box = shapely.box(x - 2.2, y - 1.4, x + 2.2, y + 1.4)
        entry([Area(box, edge=INK, width=0.25, dash=(1.4, 0.9))], "porch before the wall")
    bodies = dict.fromkeys(lamp.lamp.body for lamp in elevation.lamps if elevation.is_near(lamp))
    for body in bodies:
        entry(symbols.lamp(body, (x, y)), symbols.WORDS[body])
    return marks
