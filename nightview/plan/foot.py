"""The foot of a sheet: key, title, scale bar, north arrow and cautions."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import shapely

from nightview.plan import symbols
from nightview.plan.beams import Beams
from nightview.plan.cables import Wired, key_entries
from nightview.plan.drawing import (
    GREY,
    INK,
    PALE,
    SMALL,
    Area,
    Mark,
    Text,
    cut,
    polyline,
    width_of,
    wrapped,
)
from nightview.plan.features import colour_of
from nightview.plan.layout import MARGIN_MM, Layout
from nightview.site.build import Site

NOTE = "Calculated plan; check on site."
CAUTIONS = (
    "Planning aid only. Before anyone digs, have the public utilities mark their lines and find the "
    "private ones: irrigation, gas, drains, pet fences. The local code, the inspector and the papers "
    "that come with each product go first; mains work, and lights by pools or docks, belong to a "
    "licensed electrician. Set out from the datum; aim every lamp on site, at night."
)
CAUTION_SIZE, CAUTION_MM, HEAD_MM, KEY_MM = 6.0, 2.7, 15.0, 4.6

Entry = tuple[Callable[[float, float], list[Mark]], float, str]
"""A sign drawn about a point, its width [mm], and what it stands for."""


def key_of(
    site: Site, beams: Sequence[Beams], wired: Wired | None = None, feet: bool = False
) -> list[Entry]:
    """What the key has to explain: only what is on this plan; wired : its cables are."""
    entries: list[Entry] = []
    bodies = {lamp.lamp.body for lamp in site.fixtures}
    for body, words in symbols.WORDS.items():
        if body in bodies:
            entries.append((_sign(body), 3.0, words))
    colour = colour_of(site.fixtures[0].cct_k) if site.fixtures else PALE
    if any(not beam.ground.is_empty for own in beams for beam in own):
        entries.append((_swatch(colour, 0.4, ()), 5.0, "lit ground, inside half the peak"))
    if any(beam.walls for own in beams for beam in own):
        entries.append((_bar(colour), 5.0, "lit wall"))
    if any(beams):
        entries.append((_swatch(colour, 0.25, (1.0, 0.6)), 5.0, "cone from above"))
    if wired is not None:
        entries += key_entries(wired, feet)
    elif site.scene.views:
        entries.append((lambda x, y: symbols.eye((x - 3.5, y), (1, 0), 30.0), 9.0, "view"))
    entries.append((lambda x, y: symbols.datum((x, y)), 3.0, "datum of x and y; z above ground"))
    entries.append((_swatch(None, 1.0, (1.6, 0.8)), 5.0, "roof, overhead"))
    return entries


def _sign(body: str) -> Callable[[float, float], list[Mark]]:
    return lambda x, y: symbols.lamp(body, (x, y))


def _swatch(colour: str | None, alpha: float, dash: tuple[float, ...]) -> Callable[..., list[Mark]]:
    def drawn(x: float, y: float) -> list[Mark]:
        return [
            Area(shapely.box(x - 2.4, y - 1.2, x + 2.4, y + 1.2), colour, alpha, GREY, 0.2, dash)
        ]

    return drawn


def _bar(colour: str) -> Callable[..., list[Mark]]:
    def drawn(x: float, y: float) -> list[Mark]:
        return [Area(shapely.box(x - 2.4, y - 0.5, x + 2.4, y + 0.5), colour, 1.0, INK, 0.15)]

    return drawn


def _key_lines(key: Sequence[Entry], room: float) -> list[list[tuple[float, Entry]]]:
    """The key's entries in lines no wider than room, each with its left edge [mm]."""
    lines: list[list[tuple[float, Entry]]] = [[]]
    x = 0.0
    for entry in key:
        width = entry[1] + 1.5 + width_of(entry[2], SMALL) + 5.0
        if lines[-1] and x + width > room:
            lines.append([])
            x = 0.0
        lines[-1].append((x, entry))
        x += width
    return lines


def foot_mm(key: Sequence[Entry], room: float) -> float:
    """How high the foot is on a sheet with so much room across [mm]."""
    cautions = len(wrapped(CAUTIONS, CAUTION_SIZE, room))
    return HEAD_MM + KEY_MM * len(_key_lines(key, room)) + CAUTION_MM * cautions + 1.5


def foot_marks(
    site: Site, laid: Layout, key: Sequence[Entry], top: float, what: str = "lighting plan"
) -> list[Mark]:
    """From the top: key, title with scale bar and north arrow, cautions. what : the sheet is."""
    room = laid.width - 2 * MARGIN_MM
    left, right = MARGIN_MM, laid.width - MARGIN_MM
    marks: list[Mark] = []
    y = top
    for line in _key_lines(key, room):
        y -= KEY_MM
        for x, (sign, width, words) in line:
            marks += sign(left + x + width / 2, y + 1.8)
            marks.append(Text((left + x + width + 1.5, y + 1.0), words, SMALL))
    marks.append(polyline([(left, y - 0.5), (right, y - 0.5)], width=0.3))
    y -= HEAD_MM
    marks += symbols.north((right - 5.0, y + 6.6), site.scene.site.north_deg)
    bar = min(70.0, 0.33 * room)
    marks += symbols.scale_bar(right - 14.0 - bar, y + 4.0, laid.scale, laid.paper, bar - 5.0)
    beside = room - bar - 18.0
    marks.append(
        Text(
            (left, y + 8.0),
            cut(site.scene.title, 12.0, beside, True),
            12.0,
            bold=True,
            name="title",
        )
    )
    count = len(site.fixtures)
    told = f"{what.capitalize()} {laid.paper.told(laid.scale)} on {laid.paper.name}, {count} lamp{'s' * (count != 1)}"
    marks.append(Text((left, y + 3.6), cut(told, 7.5, beside), 7.5, name="scale"))
    marks.append(Text((left, y + 0.2), NOTE, 7.5, bold=True))
    return marks + caution_marks(left, y, room)


def caution_marks(left: float, top: float, room: float) -> list[Mark]:
    """The cautions, downwards from a corner [mm]."""
    lines = wrapped(CAUTIONS, CAUTION_SIZE, room)
    return [Text((left, top - (n + 1) * CAUTION_MM - 0.4), line, CAUTION_SIZE, colour=GREY)
            for n, line in enumerate(lines)]  # fmt: skip
