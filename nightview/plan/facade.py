"""The facade sheet: a wall in true scale with the light on it, what was found there, and the remedy."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import ArrayLike

from nightview.checks.result import Result
from nightview.checks.walls import HOLE, SQUARE_M, Wall
from nightview.checks.words import (
    KINDS,
    NOTE,
    Cures,
    after_told,
    findings,
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
    GREY,
    INK,
    PALE,
    SMALL,
    THING,
    WHITE,
    Area,
    Drawing,
    Line,
    Mark,
    Text,
    cut,
    polyline,
    width_of,
    wrapped,
)
from nightview.plan.elevation import Elevation, Spot, elevation_of
from nightview.plan.isolux import LEVELS_LX, SHADES, Isolux, label_places
from nightview.plan.labels import Request, place
from nightview.plan.papers import PAPERS, Paper
from nightview.scene.states import label_of
from nightview.scene.views import plain
from nightview.site.blocks import wall_frame
from nightview.site.placing import Placed
from nightview.site.surface import Array
from nightview.units import write_length

MARGIN_MM, GAP_MM = 8.0, 2.0
FIGURES_MM, HEIGHTS_MM = 9.0, 17.0
"""Room left of the wall for the figures of its ruler, and right of it for its heights."""
KEY_MM, FOOT_MM = 35.0, 18.0
STRIP_MM = 10.0
"""Below the ground line, for the names of lamps."""
ROW_MM, PAD_MM = 2.8, 1.0
TABLE_SHARE = 0.42
"""Of the sheet, that the table may take; what is left goes on to a further sheet."""
LEAST_MM = 25.0
"""A wall drawn smaller than this both ways shows nothing."""
RINGED = ("hot_spot_local", "hot_spot_zone")
"""Limits of what gets a ring, as wide as the square that a hot spot is compared with."""
SAME_M = 0.15
"""Findings nearer to each other than this share a ring."""
EDGE_M = 0.15
"""A zone that ends nearer than this to the wall's own end has no mark there."""
LOW_M = 0.7
"""Lamps lower than this are named below the ground line."""
DPI = 150

HEADS = ("no.", "finding", "x", "z", "lx", "found", "after", "limit", "lamps", "remedy")
WIDTHS = (6.0, 27.0, 12.0, 12.0, 11.0, 14.0, 14.0, 33.0, 27.0)
"""Of the table's columns but the last, which has what is left [mm]."""
FIGURES = range(2, 7)
"""Columns set to the right."""

Numbered = Mapping[int, Result]


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
    marks = _wall_marks(elevation, numbered, to_mm, frame, paper)
    marks += _rulers(elevation, to_mm, extent, paper, scale)
    marks += _key(elevation, numbered, width - MARGIN_MM - KEY_MM + 4.0, height - MARGIN_MM)
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


def _extent(elevation: Elevation) -> tuple[float, float, float, float]:
    """What must be on the sheet [m]: the wall, the ground before it, and its lamps."""
    left, low, right, top = elevation.outline.bounds
    spots = [_lamp_spot(elevation, lamp) for lamp in elevation.lamps if elevation.is_near(lamp)]
    x, z = [left, right, *(s[0] for s in spots)], [low, top, *(s[1] for s in spots)]
    ground = -elevation.base_m
    return min(x), min(*z, ground) if ground > low - 3.0 else min(z), max(x), max(z)


def _lamp_spot(elevation: Elevation, lamp: Placed) -> Spot:
    return elevation.wall.along(lamp), elevation.wall.height(lamp)


def _room(frame: tuple[float, float, float, float]) -> tuple[float, float]:
    left, low, right, top = frame
    return right - left - FIGURES_MM - HEIGHTS_MM, top - low - STRIP_MM - 6.0 - 4.0


def _scale(
    paper: Paper, extent: tuple[float, float, float, float],
    frame: tuple[float, float, float, float], asked: float | None,
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
    extent: tuple[float, float, float, float],
    frame: tuple[float, float, float, float],
    scale: float,
) -> Callable[[ArrayLike], Array]:
    """Metres of the wall to millimetres of the sheet: in the middle of the room."""
    room = _room(frame)
    factor = 1000.0 / scale
    spare = np.array(room) - np.subtract(extent[2:], extent[:2]) * factor
    corner = np.array([frame[0] + FIGURES_MM, frame[1] + STRIP_MM + 6.0])
    origin = corner + spare / 2 - np.array(extent[:2]) * factor
    return lambda points: np.asarray(points, float) * factor + origin


# --- the wall -------------------------------------------------------------------------------------


def _wall_marks(
    elevation: Elevation, numbered: Numbered, to_mm: Callable[[ArrayLike], Array],
    frame: tuple[float, float, float, float], paper: Paper,
) -> list[Mark]:  # fmt: skip
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
        at = to_mm(_lamp_spot(elevation, lamp))
        marks += symbols.lamp(lamp.lamp.body, at, axis, f"lamp {lamp.id}")
    rings, tags = _tags(elevation, numbered, to_mm, dark)
    marks += rings
    inner = (frame[0] + FIGURES_MM, ground, frame[2], frame[3])
    names = _names(elevation, lamps, to_mm, ground, inner, paper)
    marks += names.marks
    found = place([request for request, _ in tags], inner, names.boxes)
    boxes = [*names.boxes]
    for spot, (_, text) in zip(found, tags, strict=True):
        if spot is not None:
            marks += _tag(spot.box, text, spot.leader)
            boxes.append(spot.box)
    texts = [f"{level:g}" for level in LEVELS_LX]
    sizes = [(width_of(text, SMALL) + 0.8, 2.7) for text in texts]
    for k, box in label_places(lines, sizes, face, boxes, 70.0):
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
    """Where the part that is meant to be lit ends, if it is not all of the wall."""
    ends = zone_ends(elevation)
    if ends is None:
        return []
    _, _, width, top = elevation.outline.bounds
    lines = [shapely.LineString([(x, 0.0), (x, top)]) for x in ends if EDGE_M < x < width - EDGE_M]
    return [Line(shapely.transform(shapely.intersection(line, elevation.outline), to_mm), INK, 0.2,
                 (2.4, 0.8, 0.5, 0.8), name="zone end") for line in lines]  # fmt: skip


def zone_ends(elevation: Elevation) -> tuple[float, float] | None:
    """The part of a wall that is meant to be lit, along it [m]; None where it is all of it."""
    wall = elevation.wall
    columns = np.flatnonzero(wall.zone.any(axis=0))
    if not len(columns) or len(columns) == wall.area.mask.any(axis=0).sum():
        return None
    half = wall.area.step_m / 2
    ends = float(wall.u[columns[0]] - half), float(wall.u[columns[-1]] + half)
    width = elevation.outline.bounds[2]
    return ends if ends[0] > EDGE_M or ends[1] < width - EDGE_M else None


# --- what was found -------------------------------------------------------------------------------


def _spot_of(elevation: Elevation, result: Result) -> Spot | None:
    """Where a finding is marked: a dark hole in the midst of its largest part."""
    if result.limit.name == "black_hole" and not elevation.dark.is_empty:
        part = max(shapely.get_parts(elevation.dark), key=lambda part: part.area)
        inside = part.centroid if part.contains(part.centroid) else part.point_on_surface()
        return float(inside.x), float(inside.y)
    return elevation.spot(result)


def _tags(
    elevation: Elevation, numbered: Numbered, to_mm: Callable[[ArrayLike], Array],
    dark: shapely.Geometry,
) -> tuple[list[Mark], list[tuple[Request, str]]]:  # fmt: skip
    """A ring about each hot spot, a cross at each other place, and the numbers to stand by them."""
    groups: list[tuple[Spot, list[int], bool]] = []
    for n, result in numbered.items():
        spot = _spot_of(elevation, result)
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
    box: tuple[float, float, float, float], text: str,
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


@dataclass(frozen=True, eq=False)
class _Names:
    marks: list[Mark]
    boxes: list[tuple[float, float, float, float]]


def _names(
    elevation: Elevation, lamps: Sequence[Placed], to_mm: Callable[[ArrayLike], Array], ground: float,
    above: tuple[float, float, float, float], paper: Paper,
) -> _Names:  # fmt: skip
    """Each lamp's name and setback: of low lamps below the ground line, of others where there is room."""
    strip = (above[0] - FIGURES_MM + 1.0, ground - STRIP_MM, above[2], ground - 0.4)
    marks: list[Mark] = []
    boxes: list[tuple[float, float, float, float]] = []
    for is_low, where in ((True, strip), (False, above)):
        requests, texts = [], []
        for lamp in lamps:
            spot = _lamp_spot(elevation, lamp)
            if (spot[1] + elevation.base_m < LOW_M) is not is_low:
                continue
            out = length(elevation.wall.out(lamp), paper.inches)
            text = f"{cut(lamp.id, SMALL, 40.0, True)}, {out} out"
            x, y = map(float, to_mm(spot))
            size = (width_of(text, SMALL, True) + 0.6, 2.7)
            requests.append(Request((x, ground if is_low else y), size, 0.2 if is_low else 1.4))
            texts.append(text)
        for spot_found, text in zip(place(requests, where, boxes), texts, strict=True):
            if spot_found is not None:
                marks += symbols.label(
                    spot_found, text, SMALL, 0.15, bold=True, name=f"label {text}"
                )
                boxes.append(spot_found.box)
    return _Names(marks, boxes)


# --- rulers, key, table, foot ---------------------------------------------------------------------


def length(metres: float, feet: bool) -> str:
    """A length in metres, or in feet and inches."""
    if feet:
        return (
            write_length(metres, feet=True)
            .replace(" ft", "'")
            .replace(" in", '"')
            .replace("-", "−")
        )
    return f"{metres + 0.0:.2f} m".replace("-0.00", "0.00").replace("-", "−")


def _rulers(
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


def _key(elevation: Elevation, numbered: Numbered, left: float, top: float) -> list[Mark]:
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

    if any(r.limit.name in RINGED and _spot_of(elevation, r) for r in numbered.values()):
        ring = Area(shapely.Point(x, y).buffer(1.5), edge=INK, width=0.5)
        entry([ring], f"hot spot; the ring is {SQUARE_M:g} m wide")
    if any(r.limit.name not in RINGED and _spot_of(elevation, r) for r in numbered.values()):
        cross = [[(x - 1.2, y), (x + 1.2, y)], [(x, y - 1.2), (x, y + 1.2)]]
        entry([Line(shapely.MultiLineString(cross), INK, 0.45)], "place of another finding")
    if not elevation.dark.is_empty:
        box = shapely.box(x - 2.2, y - 1.4, x + 2.2, y + 1.4)
        entry([Area(box, SHADES[0]), *_hatched(box, WHITE, 1.2)],
              f"dark: less than {100 * HOLE:.0f} % of the mean")  # fmt: skip
    if zone_ends(elevation) is not None:
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


_Row = list[list[str]]
"""The lines of each cell."""


def _row(
    n: int, result: Result, elevation: Elevation, cures: Cures, paper: Paper, room: float
) -> _Row:
    spot = _spot_of(elevation, result)
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
        after_told(result, cures), f"{limit_told(result.limit)}; {KINDS[result.limit.kind]}", ", ".join(result.lamps) or "–",
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
