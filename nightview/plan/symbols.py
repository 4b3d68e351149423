"""Signs on the sheet: a plain shape of our own for each way a lamp is built, north, scale, eye."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike

from nightview.plan.drawing import INK, WHITE, Area, Line, Mark, Text, polyline, width_of
from nightview.plan.labels import Place
from nightview.plan.papers import Paper
from nightview.site.surface import Array, unit

LAMP_MM = 1.15
"""Half the size of a lamp's sign."""

WORDS = {
    "spike": "lamp on a stake",
    "hat": "hat on a stem",
    "flush": "flush in ground or riser",
    "sconce": "on a wall",
    "hung": "hung overhead",
    "none": "strip or hidden lamp",
}
"""What each sign stands for, by the lamp's body."""


def lamp(body: str, at: ArrayLike, axis: ArrayLike | None = None, name: str = "") -> list[Mark]:
    """A lamp's sign at a place [mm]; axis (3,) adds a pointer the way it is aimed, if not upright.

    A disc on a stake, a ring about a dot for a hat, a square where flush, a half disc on a wall, a
    lozenge overhead, a bar for what has no body.
    """
    x, y = np.asarray(at, float)
    r = LAMP_MM
    marks: list[Mark] = []
    if axis is not None:
        level = np.asarray(axis, float)[:2]
        if body not in ("hat", "hung") and np.hypot(*level) > 0.02:
            marks.append(_pointer(np.array([x, y]), unit(level)))
    dark: dict[str, shapely.Geometry] = {
        "spike": shapely.Point(x, y).buffer(r * 0.85),
        "flush": shapely.box(x - 0.8 * r, y - 0.8 * r, x + 0.8 * r, y + 0.8 * r),
        "none": shapely.box(x - r, y - 0.4 * r, x + r, y + 0.4 * r),
    }
    if body in dark:
        marks.append(Area(dark[body], INK, edge=WHITE, width=0.15, name=name))
    elif body == "hat":
        marks.append(Area(shapely.Point(x, y).buffer(r), WHITE, edge=INK, width=0.3, name=name))
        marks.append(Area(shapely.Point(x, y).buffer(0.35 * r), INK))
    elif body == "sconce":
        half = shapely.Point(x, y).buffer(r).intersection(shapely.box(x - r, y - r, x + r, y))
        marks.append(Area(half, INK, edge=WHITE, width=0.15, name=name))
        marks.append(polyline([(x - 1.2 * r, y), (x + 1.2 * r, y)], width=0.35))
    else:
        lozenge = shapely.Polygon(
            [(x - 1.1 * r, y), (x, y - 1.1 * r), (x + 1.1 * r, y), (x, y + 1.1 * r)]
        )
        marks.append(Area(lozenge, WHITE, edge=INK, width=0.3, name=name))
        marks.append(Area(shapely.Point(x, y).buffer(0.3 * r), INK))
    return marks


def dot(x: float, y: float, hidden: bool) -> Area:
    """A lamp in a picture [mm]: a dot, hollow where something stands before it."""
    disc = shapely.Point(x, y).buffer(0.75)
    return Area(disc, WHITE if hidden else INK, edge=INK if hidden else WHITE, width=0.25)


def _pointer(at: Array, way: Array) -> Area:
    """A slim wedge that leaves the sign the way the lamp is aimed."""
    across = np.array([-way[1], way[0]]) * 0.45
    return Area(
        shapely.Polygon([at + across, at + way * 2.9 * LAMP_MM, at - across]),
        INK, edge=WHITE, width=0.1,
    )  # fmt: skip


def north(at: ArrayLike, north_deg: float, size: float = 11.5) -> list[Mark]:
    """An arrow to the north about a place [mm], the bearing of the sheet's upward axis given."""
    middle = np.asarray(at, float)
    turn = np.radians(-north_deg)
    way = np.array([np.sin(turn), np.cos(turn)])
    across = np.array([way[1], -way[0]])
    tip, tail = middle + 0.36 * size * way, middle - 0.36 * size * way
    left = shapely.Polygon([tip, tail + 0.14 * size * way, tail - 0.2 * size * across])
    right = shapely.Polygon([tip, tail + 0.14 * size * way, tail + 0.2 * size * across])
    spot = middle + 0.5 * size * way
    letter = (float(spot[0]), float(spot[1]) - 1.1)
    return [
        Area(left, INK, edge=INK, width=0.2, name="north"),
        Area(right, WHITE, edge=INK, width=0.2),
        Text(letter, "N", 8.0, "middle", bold=True),
    ]


def scale_bar(left: float, low: float, scale: float, paper: Paper, room: float) -> list[Mark]:
    """A bar in five equal parts within room [mm], in metres or feet."""
    unit_m, letter = (0.3048, "ft") if paper.inches else (1.0, "m")
    mm = 1000.0 * unit_m / scale
    step = max((s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if 5 * s * mm <= room),
               default=0.1)  # fmt: skip
    marks: list[Mark] = []
    for k in range(5):
        box = shapely.box(left + k * step * mm, low, left + (k + 1) * step * mm, low + 1.4)
        marks.append(Area(box, INK if k % 2 == 0 else WHITE, edge=INK, width=0.18,
                          name="scale bar" if k == 0 else ""))  # fmt: skip
    for k in range(6):
        told = f"{k * step:g}" + (f" {letter}" if k == 5 else "")
        # The last figure stands over its mark, its unit after it.
        shift = width_of(f" {letter}", 6.5) / 2 if k == 5 else 0.0
        marks.append(Text((left + k * step * mm + shift, low + 2.2), told, 6.5, "middle"))
    return marks


def eye(at: ArrayLike, way: ArrayLike, fov_deg: float, name: str = "") -> list[Mark]:
    """Where a view is taken from [mm]: a ring, an arrow ahead and the two sides of the view."""
    spot, ahead = np.asarray(at, float), unit(way)
    marks: list[Mark] = []
    for sign in (-1, 1):
        turn = sign * np.radians(min(fov_deg, 120.0) / 2)
        side = np.array([ahead[0] * np.cos(turn) - ahead[1] * np.sin(turn),
                         ahead[0] * np.sin(turn) + ahead[1] * np.cos(turn)])  # fmt: skip
        marks.append(polyline([spot, spot + 6.0 * side], width=0.18, dash=(0.8, 0.5)))
    across = np.array([-ahead[1], ahead[0]])
    tip = spot + 7.5 * ahead
    marks.append(Line(shapely.LineString([spot, spot + 5.6 * ahead]), width=0.4))
    head = shapely.Polygon(
        [tip, tip - 2.2 * ahead + 0.9 * across, tip - 2.2 * ahead - 0.9 * across]
    )
    marks.append(Area(head, INK))
    marks.append(Area(shapely.Point(*spot).buffer(1.2), WHITE, edge=INK, width=0.35, name=name))
    return marks


def datum(at: ArrayLike) -> list[Mark]:
    """A quartered disc, as on a surveyor's target."""
    x, y = np.asarray(at, float)
    disc = shapely.Point(x, y).buffer(1.3)
    dark = shapely.union(shapely.box(x, y, x + 2, y + 2), shapely.box(x - 2, y - 2, x, y))
    return [
        Area(disc, WHITE, edge=INK, width=0.25, name="datum"),
        Area(shapely.intersection(disc, dark), INK),
    ]


def label(
    place: Place, text: str, size_pt: float, leader_mm: float, *,
    bold: bool = False, italic: bool = False, colour: str = INK, name: str = "",
) -> list[Mark]:  # fmt: skip
    """A placed label on a pale ground, with a leader line of that width where it had to move."""
    marks: list[Mark] = []
    if place.leader:
        marks.append(polyline(place.leader, colour=INK, width=leader_mm))
    x0, y0, x1, y1 = place.box
    marks.append(Area(shapely.box(*place.box), WHITE, 0.75))
    at = (x0 + x1) / 2, y0 + 0.22 * (y1 - y0)
    marks.append(
        Text(at, text, size_pt, "middle", bold=bold, italic=italic, colour=colour, name=name)
    )
    return marks
