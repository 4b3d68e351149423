"""What one table alone cannot show: names that must be known, things that must fit together.

Each rule yields the faults of one subject. ``unread`` holds the names of tables that had faults
of their own, so that a reference to one of them is not called unknown.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator
from typing import Any

from nightview.scene.check_rules import CHECK_RULES
from nightview.scene.faults import SAME_M, Fault, Unread, label, metres, row_faults, unknown
from nightview.scene.light_rules import LIGHT_RULES
from nightview.scene.model import (
    Area,
    Block,
    Fixture,
    GardenWall,
    Hedge,
    Load,
    Opening,
    Path,
    Scene,
    Side,
    Terrace,
)
from nightview.scene.photo_rules import PHOTO_RULES
from nightview.scene.wiring_rules import WIRING_RULES
from nightview.units import shown

Place = tuple[float, ...]


def faults_of(scene: Scene, unread: Unread = frozenset()) -> list[Fault]:
    """All faults of a scene, in the order of the rules; none for a sound one."""
    return [fault for rule in _RULES for fault in rule(scene, unread)]


def wall_top(block: Block, side: Side) -> list[tuple[float, float]]:
    """The upper edge of a wall, left to right from outside: (along, height above base) [m]."""
    width, roof = _wall_width(block, side), block.roof
    low, slope = block.height_m, math.tan(math.radians(roof.pitch_deg))
    at_the_end = (side in ("left", "right")) == (roof.ridge == "along")
    if roof.kind == "gable" and at_the_end:
        return [(0.0, low), (width / 2, low + slope * width / 2), (width, low)]
    if roof.kind == "shed" and at_the_end:  # rises to the back or, across, to the right
        high = low + slope * width
        rises = side in ("right", "front")
        return [(0.0, low if rises else high), (width, high if rises else low)]
    if roof.kind == "shed" and side in ("back", "right"):
        span = block.size_m[1] if roof.ridge == "along" else block.size_m[0]
        low += slope * span
    return [(0.0, low), (width, low)]


def _wall_width(block: Block, side: Side) -> float:
    return block.size_m[0] if side in ("front", "back") else block.size_m[1]


def _height_at(top: list[tuple[float, float]], along: float) -> float:
    """The wall's height there; the end's height beyond an end."""
    for (a, low), (b, high) in itertools.pairwise(top):
        if along <= b:
            return low + (high - low) * max(along - a, 0.0) / (b - a)
    return top[-1][1]


# --- names ----------------------------------------------------------------------------------------


def _tables(scene: Scene) -> Iterator[tuple[str, Any]]:
    """Every table that has a name, with the key of its kind."""
    for field, info in type(scene).model_fields.items():
        value = getattr(scene, field)
        if isinstance(value, tuple):
            for table in value:
                yield info.alias or field, table


def _name(table: Any) -> str:
    return table.id if isinstance(table, (Fixture, Load)) else table.name


def _a(kind: str) -> str:
    """The kind with its article; steps are many."""
    return kind if kind.endswith("s") else f"{'an' if kind[0] in 'aeiou' else 'a'} {kind}"


# Things and fixtures share one set of names, since findings and aims speak of both. Views, photos,
# states and cables have their own: a view of the front door may well be called "front door".
_OWN_NAMES = ("view", "photo", "state", "cable")


def _names_are_unique(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for own in ("", *_OWN_NAMES):
        taken: dict[str, str] = {}
        for kind, table in _tables(scene):
            if (kind if kind in _OWN_NAMES else "") == own:
                name = _name(table)
                if name in taken:
                    problem = f"its name is taken already, by {_a(taken[name])}"
                    yield Fault(label(kind, name), problem, "give it a name of its own")
                taken.setdefault(name, kind)


def _references_are_known(scene: Scene, unread: Unread) -> Iterator[Fault]:
    blocks = [block.name for block in scene.blocks]
    for kind, table in (("opening", scene.openings), ("porch", scene.porches)):
        for item in table:
            place = label(kind, item.name)
            yield from unknown(place, "block", item.block, blocks, "block", unread)
    paths = [path.name for path in (*scene.paths, *scene.drives)]
    no_thing = ("fixture", "transformer", "hub", "load", *_OWN_NAMES)
    things = [_name(table) for kind, table in _tables(scene) if kind not in no_thing]
    for fixture in scene.fixtures:
        place = label("fixture", fixture.id)
        if fixture.block is not None:
            yield from unknown(place, "block", fixture.block, blocks, "block", unread)
        if fixture.path is not None:
            yield from unknown(place, "path", fixture.path, paths, "path or drive", unread)
        if fixture.aim_at is not None:
            yield from unknown(place, "aim_at", fixture.aim_at, things, "thing", unread)


# --- openings in walls ----------------------------------------------------------------------------


def _openings_fit(scene: Scene, unread: Unread) -> Iterator[Fault]:
    blocks = {block.name: block for block in scene.blocks}
    walls: dict[tuple[str, Side], list[Opening]] = {}
    for opening in scene.openings:
        place = label("opening", opening.name)
        row = list(row_faults(place, opening.count, opening.spacing_m))
        width = opening.size_m[0]
        if not row and opening.count > 1 and (opening.spacing_m or 0.0) < width - SAME_M:
            problem = f"spacing is {metres(opening.spacing_m or 0.0)}, less than its width, {metres(width)}"
            row = [Fault(place, problem, f'write spacing = "{metres(width)}" or more')]
        yield from row
        if not row and opening.block in blocks:
            misfits = list(_fits(opening, blocks[opening.block]))
            yield from misfits
            if not misfits:
                walls.setdefault((opening.block, opening.side), []).append(opening)
    for openings in walls.values():
        yield from _overlaps(openings)


def _fits(opening: Opening, block: Block) -> Iterator[Fault]:
    place = label("opening", opening.name)
    width, height = opening.size_m
    wall = _wall_width(block, opening.side)
    more = (opening.count - 1) * (opening.spacing_m or 0.0)
    left, right = opening.along_m - width / 2, opening.along_m + more + width / 2
    if left < -SAME_M or right > wall + SAME_M:
        where = f"the {opening.side} wall of {shown(block.name)}, {metres(wall)} wide"
        first, last = width / 2, wall - more - width / 2
        if first <= last:
            remedy = f'write along, to its middle, from "{metres(first)}" to "{metres(last)}"'
        else:
            remedy = "write a smaller " + ("count or spacing" if opening.count > 1 else "size")
        yield Fault(place, f"reaches from {metres(left)} to {metres(right)} on {where}", remedy)
        return
    top = wall_top(block, opening.side)
    lowest = min(
        _height_at(top, opening.along_m + k * (opening.spacing_m or 0.0) + half)
        for k in range(opening.count)
        for half in (-width / 2, width / 2)
    )
    if opening.sill_m + height > lowest + SAME_M:
        yield Fault(
            place,
            f"its top is {metres(opening.sill_m + height)} above the block's base, "
            f"where the wall is {metres(lowest)} high",
            "lower its sill or its height"
            if opening.kind == "window"
            else 'a door stands on the floor: write sill = "0 m"',
        )


def _overlaps(openings: list[Opening]) -> Iterator[Fault]:
    """Each pair of openings that share a part of one wall, once."""
    boxes = sorted(
        (along - item.size_m[0] / 2, along + item.size_m[0] / 2, i)
        for i, item in enumerate(openings)
        for k in range(item.count)
        for along in [item.along_m + k * (item.spacing_m or 0.0)]
    )
    pairs: set[tuple[int, int]] = set()
    for n, (_, right, i) in enumerate(boxes):
        for left, _, j in boxes[n + 1 :]:
            if left >= right - SAME_M:
                break
            low = max(openings[i].sill_m, openings[j].sill_m)
            high = min(openings[k].sill_m + openings[k].size_m[1] for k in (i, j))
            if i != j and high > low + SAME_M:
                pairs.add((min(i, j), max(i, j)))
    for i, j in sorted(pairs):
        yield Fault(
            label("opening", openings[j].name),
            f"overlaps opening {shown(openings[i].name)} on the same wall",
            "move one along; along is to the opening's middle",
        )


# --- shapes ---------------------------------------------------------------------------------------

# A lot, and more than a lot. All that stands is cut into pieces of a few metres that are lit one by
# one: what is wider would never be done, and is a slip of the unit.
WIDEST_M, LONGEST_M = 400.0, 1000.0
_EXTENTS = {
    **{"size_m": "size", "width_m": "width", "crown_m": "crown"},
    **{"height_m": "height", "top_m": "top"},
}


def _extents_are_a_gardens(scene: Scene, unread: Unread) -> Iterator[Fault]:
    if scene.ground is not None:
        wide = max(scene.ground.size_m)
        if wide > WIDEST_M:
            remedy = "the picture goes on to the horizon by itself"
            yield Fault("ground", *_too_wide("", wide, f": {remedy}"))
    for kind, table in _tables(scene):
        place = label(kind, _name(table))
        for field, key in _EXTENTS.items():
            value = getattr(table, field, None) or 0.0
            if (most := max(value) if isinstance(value, tuple) else value) > WIDEST_M:
                yield Fault(place, *_too_wide(f"{key}: ", most))
        if isinstance(table, (Area, Terrace)) and table.outline_m is not None:
            spans = (max(at) - min(at) for at in zip(*table.outline_m, strict=True))
            if (most := max(spans)) > WIDEST_M:
                yield Fault(place, *_too_wide("outline: ", most))
        if isinstance(table, (GardenWall, Path, Hedge)):
            length = sum(math.dist(a, b) for a, b in itertools.pairwise(table.line_m))
            if length > LONGEST_M:
                problem = f"line: is {metres(length)} long"
                yield Fault(place, problem, f"write {metres(LONGEST_M)} or less")


def _too_wide(key: str, most: float, why: str = "") -> tuple[str, str]:
    across = "high" if key in ("height: ", "top: ") else "wide"
    return f"{key}is {metres(most)} {across}", f"write {metres(WIDEST_M)} or less{why}"


def _shapes_are_sound(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for kind, table in _tables(scene):
        place = label(kind, _name(table))
        if isinstance(table, (GardenWall, Path, Hedge)):
            yield from _line_faults(place, table.line_m)
        if isinstance(table, (Area, Terrace)):
            yield from _area_faults(place, table)


def _line_faults(place: str, line_m: tuple[Place, ...]) -> Iterator[Fault]:
    for i, (a, b) in enumerate(itertools.pairwise(line_m)):
        if math.dist(a, b) < SAME_M:
            yield Fault(place, f"points {i + 1} and {i + 2} of its line are one", "drop one")


def _area_faults(place: str, area: Area | Terrace) -> Iterator[Fault]:
    key = "at" if isinstance(area, Terrace) else "centre"
    corner = area.at_m if isinstance(area, Terrace) else area.centre_m
    given = [name for name, value in ((key, corner), ("size", area.size_m)) if value is not None]
    ways = f"write outline, or {key} and size"
    if area.outline_m is not None:
        if given:
            yield Fault(place, f"has an outline and {' and '.join(given)}", ways)
        yield from _outline_faults(place, area.outline_m)
    elif len(given) < 2:
        has = f"has {given[0]} alone" if given else "has no shape"
        yield Fault(place, has, ways)


def _outline_faults(place: str, outline_m: tuple[Place, ...]) -> Iterator[Fault]:
    import shapely  # only scenes with outlines pay for it

    reason = shapely.is_valid_reason(shapely.Polygon(outline_m))
    if reason != "Valid Geometry":
        spot = re.search(r"\[([-+.\de]+) ([-+.\de]+)\]", reason)
        at = f" at {metres(float(spot[1]))}, {metres(float(spot[2]))}" if spot else ""
        problem = f"its outline crosses or touches itself{at}"
        yield Fault(place, problem, "list the corners in order, once round")


# --- plants, chimneys, views ----------------------------------------------------------------------


def _sizes_agree(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for tree in scene.trees:
        if tree.clear_m is not None and tree.clear_m >= tree.height_m:
            problem = f"its clear trunk, {metres(tree.clear_m)}, is as tall as the tree"
            remedy = f'write a clear below "{metres(tree.height_m)}"'
            yield Fault(label("tree", tree.name), problem, remedy)
    for shrub in scene.shrubs:
        place = label("shrub", shrub.name)
        if shrub.count > 1 and shrub.to_m is None:
            yield Fault(
                place, f"count = {shrub.count} needs the last one's place", 'add to = "x, y"'
            )
        elif shrub.to_m is not None and shrub.count == 1:
            yield Fault(place, "to means nothing without a count", "add count = 2, or drop it")
        elif shrub.to_m is not None and math.dist(shrub.at_m, shrub.to_m) < SAME_M:
            yield Fault(place, "at and to are one point", "move one of them")
    for chimney in scene.chimneys:
        if chimney.top_m <= chimney.base_m:
            problem = (
                f"its top, {metres(chimney.top_m)}, is not above its base, {metres(chimney.base_m)}"
            )
            yield Fault(label("chimney", chimney.name), problem, "write a higher top")
    for view in scene.views:
        if math.dist(view.eye_m, view.target_m) < SAME_M:
            yield Fault(label("view", view.name), "eye and target are one point", "move the target")


_RULES = (
    _names_are_unique,
    _references_are_known,
    _openings_fit,
    _extents_are_a_gardens,
    _shapes_are_sound,
    _sizes_agree,
    *LIGHT_RULES,
    *WIRING_RULES,
    *CHECK_RULES,
    *PHOTO_RULES,
)
