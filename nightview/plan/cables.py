"""The wiring of a scene on its plan: cables along their trenches, sleeves, hubs, transformers.

A cable is a plain line from joint to joint, named with its gauge where it lies alone longest. A
sleeve is a narrow box about it, a hub a six-sided box, a transformer a square with its lower half
dark.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from nightview.plan.drawing import (
    INK,
    LABEL,
    WHITE,
    Area,
    Line,
    Mark,
    cut,
    polyline,
    width_of,
)
from nightview.plan.labels import Request
from nightview.plan.schedule import SIZE, WORD_MM, Schedule
from nightview.scene.model import Scene
from nightview.site.surface import Array
from nightview.units import write_length
from nightview.wiring.ground import ground_of
from nightview.wiring.layout import ONE_TRENCH_M, Digging, digging
from nightview.wiring.network import Leg, Network, network_of

CABLE_MM, SLEEVE_MM, SIGN_MM = 0.35, 0.9, 1.7
"""Width of a cable's line, of a sleeve's box, half the size of a transformer's sign."""
HEADS = ("cable", "from", "gauge", "length", "tap", "lamps")
Moved = Callable[[shapely.Geometry], shapely.Geometry]


@dataclass(frozen=True, eq=False)
class Wired:
    """A scene's network with what is dug for it."""

    scene: Scene
    network: Network

    @staticmethod
    def of(scene: Scene) -> Wired:
        """Errors as ``network_of``."""
        return Wired(scene, network_of(scene))

    @cached_property
    def dug(self) -> Digging:
        """Its trenches and sleeves."""
        return digging([(leg.cable, leg.route, leg.sleeves) for leg in self.network.legs])

    @cached_property
    def runs(self) -> dict[str, shapely.Geometry]:
        """Each cable's line on the ground [m], those with stated lengths left out."""
        lines: dict[str, list[shapely.Geometry]] = {}
        for leg in self.network.legs:
            if len(leg.route) > 1:
                lines.setdefault(leg.cable, []).append(shapely.LineString(leg.route))
        return {name: shapely.union_all(own) for name, own in lines.items()}

    @cached_property
    def sleeves(self) -> shapely.Geometry:
        """Where the trenches lie under something [m]."""
        covers = shapely.union_all([cover.shape for cover in ground_of(self.scene).covers])
        return shapely.intersection(covers, self.dug.lines)

    @cached_property
    def hubs(self) -> dict[str, tuple[float, float]]:
        """Hubs of the scene, and those that a cable has made for itself [m]."""
        joints = {lamp.id for lamp in self.network.lamps} | {
            transformer.name for transformer in self.network.transformers
        }
        found: dict[str, tuple[float, float]] = {}
        for leg in self.network.legs:
            if leg.end not in joints and leg.route:
                found.setdefault(leg.end, leg.route[-1])
        return found

    @property
    def shapes(self) -> list[shapely.Geometry]:
        """All that has to be on the plan [m]."""
        at = [one.at_m for one in self.network.transformers if one.at_m is not None]
        return [*self.runs.values(), *(shapely.Point(place) for place in at)]


def cable_marks(
    wired: Wired, moved: Moved, to_mm: Callable[..., Array]
) -> tuple[list[Mark], list[Request], list[str]]:
    """The signs, and the names that they ask for."""
    marks: list[Mark] = []
    requests: list[Request] = []
    texts: list[str] = []

    def named(at: Array, text: str, clear: float) -> None:
        size = (width_of(text, LABEL) + 1.0, 3.0)
        requests.append(Request((float(at[0]), float(at[1])), size, clear))
        texts.append(text)

    for part in shapely.get_parts(shapely.line_merge(wired.sleeves)):
        if part.geom_type == "LineString" and not (line := moved(part)).is_empty:
            box = line.buffer(SLEEVE_MM / 2, cap_style="flat", join_style="mitre")
            marks.append(Area(box, WHITE, edge=INK, width=0.15, name="sleeve"))
    cables = {cable.name: cable for cable in wired.network.cables}
    for name, run in wired.runs.items():
        if (line := moved(run)).is_empty:
            continue
        marks.append(Line(line, width=CABLE_MM, name=f"cable {name}"))
        own = _alone(name, wired.runs)
        spot = moved(shapely.line_interpolate_point(own, 0.5, normalized=True))
        if not spot.is_empty:
            gauge = cables[name].gauge.replace("mm^2", "mm²")
            times = cables[name].parallel
            text = f"{name}, {f'{times} × ' if times > 1 else ''}{gauge}"
            named(np.array([spot.x, spot.y]), cut(text, LABEL, WORD_MM), 0.6)
    for name, place in wired.hubs.items():
        if not moved(shapely.Point(place)).is_empty:
            x, y = to_mm(place)
            marks += hub(float(x), float(y), f"hub {name}")
            named(to_mm(place), cut(name, LABEL, WORD_MM), 1.2)
    for unit in wired.network.transformers:
        if unit.at_m is not None and not moved(shapely.Point(unit.at_m)).is_empty:
            x, y = to_mm(unit.at_m)
            marks += transformer(float(x), float(y), f"transformer {unit.name}")
            text = f"{unit.name}, {unit.power_va:g} VA"
            named(to_mm(unit.at_m), cut(text, LABEL, WORD_MM), SIGN_MM)
    return marks, requests, texts


def _alone(name: str, runs: dict[str, shapely.Geometry]) -> shapely.Geometry:
    """The longest straight piece of a run that no other lies beside; of all if there is none."""
    others = [run for other, run in runs.items() if other != name]
    near = shapely.union_all(others).buffer(2 * ONE_TRENCH_M) if others else shapely.Polygon()
    left = shapely.difference(runs[name], near)
    straight = [
        shapely.LineString(pair)
        for part in shapely.get_parts(left if not left.is_empty else runs[name])
        for pair in itertools.pairwise(shapely.get_coordinates(part))
    ]
    return max(straight, key=lambda line: line.length)


def transformer(x: float, y: float, name: str = "") -> list[Mark]:
    """A square with its lower half dark [mm]."""
    r = SIGN_MM
    return [
        Area(shapely.box(x - r, y - r, x + r, y + r), WHITE, edge=INK, width=0.35, name=name),
        Area(shapely.box(x - r, y - r, x + r, y), INK),
    ]


def hub(x: float, y: float, name: str = "") -> list[Mark]:
    """A six-sided box [mm]."""
    corners = [
        (x + 1.2 * math.cos(k * math.pi / 3), y + 1.2 * math.sin(k * math.pi / 3)) for k in range(6)
    ]
    return [Area(shapely.Polygon(corners), WHITE, edge=INK, width=0.35, name=name)]


def key_entries(
    wired: Wired, feet: bool
) -> list[tuple[Callable[[float, float], list[Mark]], float, str]]:
    """What the key says of cables; the trench with its metres."""
    dug = wired.dug
    entries: list[tuple[Callable[[float, float], list[Mark]], float, str]] = [
        (transformer, 3.6, "transformer")
    ]
    if wired.hubs:
        entries.append((hub, 3.0, "hub: a joint without a lamp"))
    words = f"cable: {_told(dug.trench_m, feet)} of trench, cables in one counted once"
    entries.append(
        (lambda x, y: [polyline([(x - 2.4, y), (x + 2.4, y)], width=CABLE_MM)], 5.0, words)
    )
    if not wired.sleeves.is_empty:
        words = f"in a sleeve: {_told(dug.sleeve_m, feet)} of it"
        entries.append((_sleeve, 5.0, words))
    return entries


def _sleeve(x: float, y: float) -> list[Mark]:
    half = SLEEVE_MM / 2
    return [
        Area(shapely.box(x - 2.4, y - half, x + 2.4, y + half), WHITE, edge=INK, width=0.15),
        polyline([(x - 2.4, y), (x + 2.4, y)], width=CABLE_MM),
    ]


def cable_schedule(wired: Wired, feet: bool) -> Schedule:
    """The table of all cables."""
    legs: dict[str, list[Leg]] = {}
    for leg in wired.network.legs:
        legs.setdefault(leg.cable, []).append(leg)
    lamps = {lamp.id for lamp in wired.network.lamps}
    rows = tuple(
        (
            cut(cable.name, SIZE, WORD_MM, True), cut(cable.start, SIZE, WORD_MM),
            cable.gauge.replace("mm^2", "mm²"),
            _told(sum(leg.length_m for leg in legs[cable.name]) * cable.parallel, feet),
            f"{legs[cable.name][0].source[1]:g} V",
            str(len({leg.end for leg in legs[cable.name]} & lamps)),
        )
        for cable in wired.network.cables if cable.name in legs
    )  # fmt: skip
    widths = tuple(
        max([width_of(head, SIZE, True), *(width_of(row[k], SIZE, k == 0) for row in rows)])
        for k, head in enumerate(HEADS)
    )
    return Schedule(HEADS, rows, widths)


def _told(metres: float, feet: bool) -> str:
    return write_length(metres, feet=True) if feet else f"{metres:.1f} m"
