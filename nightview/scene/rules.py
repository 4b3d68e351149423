"""What one table alone cannot show: names that must be known, things that must fit together.

Each rule yields the faults of one subject. ``unread`` holds the names of tables that had faults
of their own, so that a reference to one of them is not called unknown.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Collection, Iterable, Iterator
from typing import Any

from nightview.scene.faults import Fault, choice, label
from nightview.scene.model import (
    Area,
    Block,
    Fixture,
    GardenWall,
    Hedge,
    Lamp,
    Opening,
    Path,
    Scene,
    Side,
    Table,
    Terrace,
)
from nightview.units import shown

_SAME_M = 1e-3  # points nearer than this are one; openings may touch within it

Unread = Collection[str]
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
    return table.id if isinstance(table, Fixture) else table.name


def _names_are_unique(scene: Scene, unread: Unread) -> Iterator[Fault]:
    # Things and fixtures share one set of names, since findings and aims speak of both. Views have
    # their own: a view of the front door may well be called "front door".
    for views in (False, True):
        taken: dict[str, str] = {}
        for kind, table in _tables(scene):
            if (kind == "view") is views:
                name = _name(table)
                if name in taken:
                    problem = f"its name is taken already, by a {taken[name]}"
                    yield Fault(label(kind, name), problem, "give it a name of its own")
                taken.setdefault(name, kind)


def _unknown(
    place: str, key: str, word: str, known: Iterable[str], what: str, unread: Unread
) -> Iterator[Fault]:
    known = list(known)
    if word not in known and word not in unread:
        problem = f"{key} = {shown(word)} is no {what} of this scene"
        yield Fault(place, problem, choice(word, known, "there are"))


def _references_are_known(scene: Scene, unread: Unread) -> Iterator[Fault]:
    blocks = [block.name for block in scene.blocks]
    for kind, table in (("opening", scene.openings), ("porch", scene.porches)):
        for item in table:
            place = label(kind, item.name)
            yield from _unknown(place, "block", item.block, blocks, "block", unread)
    paths = [path.name for path in (*scene.paths, *scene.drives)]
    things = [_name(table) for kind, table in _tables(scene) if kind not in ("fixture", "view")]
    for fixture in scene.fixtures:
        place = label("fixture", fixture.id)
        if fixture.block is not None:
            yield from _unknown(place, "block", fixture.block, blocks, "block", unread)
        if fixture.path is not None:
            yield from _unknown(place, "path", fixture.path, paths, "path or drive", unread)
        if fixture.aim_at is not None:
            yield from _unknown(place, "aim_at", fixture.aim_at, things, "thing", unread)


# --- openings in walls ----------------------------------------------------------------------------


def _openings_fit(scene: Scene, unread: Unread) -> Iterator[Fault]:
    blocks = {block.name: block for block in scene.blocks}
    walls: dict[tuple[str, Side], list[Opening]] = {}
    for opening in scene.openings:
        place = label("opening", opening.name)
        row = list(_row_faults(place, opening.count, opening.spacing_m))
        width = opening.size_m[0]
        if not row and opening.count > 1 and (opening.spacing_m or 0.0) < width - _SAME_M:
            problem = f"spacing is {_m(opening.spacing_m or 0.0)}, less than its width, {_m(width)}"
            row = [Fault(place, problem, f'write spacing = "{_m(width)}" or more')]
        yield from row
        if not row and opening.block in blocks:
            misfits = list(_fits(opening, blocks[opening.block]))
            yield from misfits
            if not misfits:
                walls.setdefault((opening.block, opening.side), []).append(opening)
    for openings in walls.values():
        yield from _overlaps(openings)


def _row_faults(place: str, count: int, spacing_m: float | None) -> Iterator[Fault]:
    if count > 1 and spacing_m is None:
        yield Fault(place, f"count = {count} needs a spacing", 'add spacing = "2.5 m"')
    if count == 1 and spacing_m is not None:
        yield Fault(place, "spacing means nothing without a count", "add count = 2, or drop it")


def _fits(opening: Opening, block: Block) -> Iterator[Fault]:
    place = label("opening", opening.name)
    width, height = opening.size_m
    wall = _wall_width(block, opening.side)
    more = (opening.count - 1) * (opening.spacing_m or 0.0)
    left, right = opening.along_m - width / 2, opening.along_m + more + width / 2
    if left < -_SAME_M or right > wall + _SAME_M:
        where = f"the {opening.side} wall of {shown(block.name)}, {_m(wall)} wide"
        first, last = width / 2, wall - more - width / 2
        if first <= last:
            remedy = f'write along, to its middle, from "{_m(first)}" to "{_m(last)}"'
        else:
            remedy = "write a smaller " + ("count or spacing" if opening.count > 1 else "size")
        yield Fault(place, f"reaches from {_m(left)} to {_m(right)} on {where}", remedy)
        return
    top = wall_top(block, opening.side)
    lowest = min(
        _height_at(top, opening.along_m + k * (opening.spacing_m or 0.0) + half)
        for k in range(opening.count)
        for half in (-width / 2, width / 2)
    )
    if opening.sill_m + height > lowest + _SAME_M:
        yield Fault(
            place,
            f"its top is {_m(opening.sill_m + height)} above the block's base, "
            f"where the wall is {_m(lowest)} high",
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
            if left >= right - _SAME_M:
                break
            low = max(openings[i].sill_m, openings[j].sill_m)
            high = min(openings[k].sill_m + openings[k].size_m[1] for k in (i, j))
            if i != j and high > low + _SAME_M:
                pairs.add((min(i, j), max(i, j)))
    for i, j in sorted(pairs):
        yield Fault(
            label("opening", openings[j].name),
            f"overlaps opening {shown(openings[i].name)} on the same wall",
            "move one along; along is to the opening's middle",
        )


# --- shapes ---------------------------------------------------------------------------------------


def _shapes_are_sound(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for kind, table in _tables(scene):
        place = label(kind, _name(table))
        if isinstance(table, (GardenWall, Path, Hedge)):
            yield from _line_faults(place, table.line_m)
        if isinstance(table, (Area, Terrace)):
            yield from _area_faults(place, table)


def _line_faults(place: str, line_m: tuple[Place, ...]) -> Iterator[Fault]:
    for i, (a, b) in enumerate(itertools.pairwise(line_m)):
        if math.dist(a, b) < _SAME_M:
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
        at = f" at {_m(float(spot[1]))}, {_m(float(spot[2]))}" if spot else ""
        problem = f"its outline crosses or touches itself{at}"
        yield Fault(place, problem, "list the corners in order, once round")


# --- plants, chimneys, views ----------------------------------------------------------------------


def _sizes_agree(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for tree in scene.trees:
        if tree.clear_m is not None and tree.clear_m >= tree.height_m:
            problem = f"its clear trunk, {_m(tree.clear_m)}, is as tall as the tree"
            remedy = f'write a clear below "{_m(tree.height_m)}"'
            yield Fault(label("tree", tree.name), problem, remedy)
    for shrub in scene.shrubs:
        place = label("shrub", shrub.name)
        if shrub.count > 1 and shrub.to_m is None:
            yield Fault(
                place, f"count = {shrub.count} needs the last one's place", 'add to = "x, y"'
            )
        elif shrub.to_m is not None and shrub.count == 1:
            yield Fault(place, "to means nothing without a count", "add count = 2, or drop it")
        elif shrub.to_m is not None and math.dist(shrub.at_m, shrub.to_m) < _SAME_M:
            yield Fault(place, "at and to are one point", "move one of them")
    for chimney in scene.chimneys:
        if chimney.top_m <= chimney.base_m:
            problem = f"its top, {_m(chimney.top_m)}, is not above its base, {_m(chimney.base_m)}"
            yield Fault(label("chimney", chimney.name), problem, "write a higher top")
    for view in scene.views:
        if math.dist(view.eye_m, view.target_m) < _SAME_M:
            yield Fault(label("view", view.name), "eye and target are one point", "move the target")


# --- lamps ----------------------------------------------------------------------------------------

# What a lamp of each kind must say: one key of each group.
_NEEDED = {
    "beam": (("flux",), ("beam", "field")),
    "wash": (("flux",), ("beam",)),
    "hat": (("flux",),),
    "omni": (("flux",),),
    "table": (("intensity",),),
    "file": (("file",),),
}
_LAMP_EXAMPLES = {
    **{"flux": '"260 lm"', "beam": '"36 deg"', "field": '"66 deg"', "file": '"lamp.ies"'},
    "intensity": '[["0 deg", "600 cd"], ["90 deg", "0 cd"]]',
}
_LAMP_KEYS = {field: info.alias or field for field, info in Lamp.model_fields.items()}


def _lamps_are_whole(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for name, lamp in scene.lamps.items():
        above = scene.lamps.get(lamp.like or "")
        taken_over = [] if above in (None, lamp) else _lamp_faults(lamp.like or "", scene.lamps)
        for problem, remedy in _lamp_faults(name, scene.lamps):
            if (problem, remedy) not in taken_over:  # told once, where it is
                yield Fault(label("lamp", name), problem, remedy)


def _lamp_faults(name: str, lamps: dict[str, Lamp]) -> list[tuple[str, str]]:
    keys, chain = _with_likes(name, lamps)
    if chain[-1] in chain[:-1]:
        if name != min(chain):  # the first by name tells for the whole circle
            return []
        way = " is like ".join(shown(link) for link in chain)
        return [(f"goes in a circle: {way}", "give one of them its own keys")]
    faults = list(_lamp_numbers(keys))
    if chain[-1] != "":  # else a lamp of the catalogue is wanted, which lamps/ knows
        faults += _lamp_needs(keys)
    return faults


def _with_likes(name: str, lamps: dict[str, Lamp]) -> tuple[dict[str, Any], list[str]]:
    """A lamp's keys with those of the lamps it is like, and the chain of their names.

    The chain ends at a lamp that is like no other; with "", where it leaves the scene for the
    catalogue; or, in a circle, at a name that it already holds.
    """
    keys: dict[str, Any] = {}
    chain = [name]
    while True:
        lamp = lamps[chain[-1]]
        for field, key in _LAMP_KEYS.items():
            if getattr(lamp, field) is not None:
                keys.setdefault(key, getattr(lamp, field))
        if lamp.like is None:
            return keys, chain
        # Like its own name: like the lamp of the catalogue that it hides.
        outside = lamp.like == chain[-1] or lamp.like not in lamps
        chain.append("" if outside else lamp.like)
        if outside or lamp.like in chain[:-1]:
            return keys, chain


def _lamp_needs(keys: dict[str, Any]) -> Iterator[tuple[str, str]]:
    kind = keys.get("kind")
    if kind is None:
        listed = ", ".join(f'"{one}"' for one in _NEEDED)
        yield ("kind is missing", f"add kind, one of {listed}; or like, another lamp")
        return
    for group in _NEEDED[kind]:
        if not any(key in keys for key in group):
            wanted = " or ".join(group)
            remedy = f"add {group[0]} = {_LAMP_EXAMPLES[group[0]]}"
            yield (f'a lamp of kind "{kind}" needs {wanted}', remedy)


def _lamp_numbers(keys: dict[str, Any]) -> Iterator[tuple[str, str]]:
    beam, field = keys.get("beam"), keys.get("field")
    if beam is not None and field is not None and field <= beam:
        problem = f"its field, {field:g} deg, is not wider than its beam, {beam:g} deg"
        yield (problem, "the field is the full width at a tenth of the peak")
    intensity = keys.get("intensity")
    if intensity is not None:
        angles = [angle for angle, _ in intensity]
        if angles[0] != 0.0 or angles[-1] > 180.0:
            problem = f"intensity goes from {angles[0]:g} deg to {angles[-1]:g} deg"
            yield (problem, "begin at 0 deg, the axis, and end at 180 deg or before")
        if any(b <= a for a, b in itertools.pairwise(angles)):
            yield ("the angles of intensity do not increase", "sort the pairs by angle")
        if not any(candela for _, candela in intensity):
            yield ("its intensity is 0 cd all round", "write candela above 0")


# --- fixtures -------------------------------------------------------------------------------------

# The keys of each way to place a fixture, and those of them that the way cannot do without.
_WAYS = {
    "at a point": (("at",), ("at",)),
    "at a wall": (("block", "side", "along", "out"), ("block", "along", "out")),
    "along a path": (("path", "start", "verge", "verge_distance"), ("path", "start")),
}
_WAYS_REMEDY = "write at; or block, along and out; or path and start"


def _fixtures_are_placed(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for fixture in scene.fixtures:
        place = label("fixture", fixture.id)
        given = _keys_given(fixture)
        ways = [way for way, (keys, _) in _WAYS.items() if given & set(keys)]
        if len(ways) != 1:
            has = " and ".join(ways)
            yield Fault(place, f"is placed {has}" if has else "has no place", _WAYS_REMEDY)
        else:
            for key in _WAYS[ways[0]][1]:
                if key not in given:
                    yield Fault(place, f"is placed {ways[0]}: {key} is missing", f"add {key}")
            if ways == ["at a point"] and "height" in given:
                yield Fault(place, "has a height beside at", "write the height in at, and drop it")
        yield from _row_faults(place, fixture.count, fixture.spacing_m)
        aims = [
            " and ".join(key for key in keys if key in given)
            for keys in (("aim",), ("aim_at",), ("bearing", "elevation"))
            if given & set(keys)
        ]
        if len(aims) > 1:
            problem = f"is aimed {len(aims)} times: by {', by '.join(aims)}"
            yield Fault(place, problem, "write aim, or aim_at, or bearing and elevation")
        if fixture.at_m and fixture.aim_m and math.dist(fixture.at_m, fixture.aim_m) < _SAME_M:
            problem = "is aimed at the point where it stands"
            yield Fault(place, problem, "aim at a point of what is to be lit")


def _keys_given(table: Table) -> set[str]:
    """The keys that are set and not None, as the file has them."""
    fields = type(table).model_fields
    return {
        fields[field].alias or field
        for field in table.model_fields_set
        if getattr(table, field) is not None
    }


def _m(metres: float) -> str:
    return f"{round(metres, 3) + 0.0:g} m"


_RULES = (
    _names_are_unique,
    _references_are_known,
    _openings_fit,
    _shapes_are_sound,
    _sizes_agree,
    _lamps_are_whole,
    _fixtures_are_placed,
)
