"""What is done to lamps, as changes of the scene file's text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import tomlkit

from nightview.errors import NightviewError
from nightview.lamps.catalogue import builtin_lamps, lamp_of
from nightview.scene.model import Fixture, Opening, Scene
from nightview.scene.pieces import Location, pieces
from nightview.scene.states import AS_DESIGNED
from nightview.scene.write import Where, edited
from nightview.site.blocks import wall_frame
from nightview.site.surface import Array
from nightview.window.document import Change

USUAL_LAMP = "accent 36"


def fixture_of(scene: Scene, lamp: str) -> Fixture:
    """The fixture that a lamp belongs to. NightviewError if there is no such lamp."""
    for fixture in scene.fixtures:
        if lamp in fixture.lamp_ids:
            return fixture
    raise NightviewError(f'lamp "{lamp}"', "is not in this scene", "choose one from the list")


def shown(scene: Scene, lamp: str, state: str, key: str, value: Any) -> Change:
    """Switch, dim or colour a lamp in a state: in its own table, or in that state's.

    key : "on", "dim" or "cct". value : in the model's units; None for what stands above it.
    """
    fixture = fixture_of(scene, lamp)
    where: Where = ("fixture", fixture.id, key)
    if state != AS_DESIGNED:
        where = ("state", state, "fixtures", fixture.id, key)
    return lambda text: edited(text, {where: value})


def put(scene: Scene, lamp: str, values: Mapping[str, Any]) -> Change:
    """Give keys of a lamp's fixture, as attributes of ``Fixture``, other values; None takes one out."""
    fixture = fixture_of(scene, lamp)
    changes: dict[Where, Any] = {}
    for key, value in values.items():
        alias = Fixture.model_fields[key].alias or key
        if value is not None or getattr(fixture, key) is not None:
            changes["fixture", fixture.id, alias] = value
    return lambda text: edited(text, changes)


def aimed(scene: Scene, lamp: str, first: Array, position: Array, point: Array) -> Change:
    """Aim a lamp at a point. first, position : of its row's first lamp and its own, (3,) [m]."""
    aim = tuple(round(float(x), 2) for x in point - (position - first))
    return put(
        scene,
        lamp,
        {"aim_m": aim, "aim_at": None, "bearing_deg": None, "elevation_deg": None},
    )


def other_beam(scene: Scene, lamp: str, wider: bool) -> str | None:
    """The lamp of the same kind with the next wider or narrower beam, and nearest in lumens; None if
    there is none."""
    own = lamp_of(scene, fixture_of(scene, lamp).lamp)
    now = own.intensity.width_deg(0.5)
    found: list[tuple[float, float, str]] = []
    for name in dict.fromkeys((*scene.lamps, *builtin_lamps())):
        other = lamp_of(scene, name)
        if other.kind != own.kind or other.body != own.body:
            continue
        more = other.intensity.width_deg(0.5) - now
        if (more > 1.0) if wider else (more < -1.0):
            ratio = abs(float(np.log(other.rated_flux_lm / own.rated_flux_lm)))
            found.append((round(ratio, 1), abs(more), name))
    return min(found)[2] if found else None


# --- tables added and taken out -------------------------------------------------------------------


def new_id(scene: Scene, stem: str) -> str:
    """A name that nothing of the scene has: the stem with a number."""
    names = {lamp for fixture in scene.fixtures for lamp in (fixture.id, *fixture.lamp_ids)}
    names |= {one.id for one in scene.loads}
    for field in Scene.model_fields:
        value = getattr(scene, field)
        if isinstance(value, tuple):
            names |= {getattr(item, "name", "") for item in value}
    number = 2
    while f"{stem} {number}" in names:
        number += 1
    return f"{stem} {number}"


def added(name: str, lamp: str, zone: str, at: Array, aim: Array) -> Change:
    """Add a lamp at a point (3,), aimed at another [m]."""

    def change(text: str) -> str:
        end = "\r\n" if "\r\n" in text else "\n"
        head = "" if text.endswith("\n") else end
        lines = ["", "[[fixture]]", f"id = {_quoted(name)}", f"lamp = {_quoted(lamp)}",
                 f"zone = {_quoted(zone)}", ""]  # fmt: skip
        text = text + head + end.join(lines)
        places = {"at": at, "aim": aim}
        return edited(
            text,
            {
                ("fixture", name, key): tuple(round(float(x), 2) for x in place)
                for key, place in places.items()
            },
        )

    return change


def copied(scene: Scene, lamp: str, name: str, values: Mapping[str, Any]) -> Change:
    """Add a fixture like a lamp's, right below it in the file, with some keys as in ``put``."""
    fixture = fixture_of(scene, lamp)
    fresh = fixture.model_copy(update={"id": name})

    def change(text: str) -> str:
        place = ("fixture", _number_of(text, fixture.id))
        piece = next(one for one in pieces(text) if one.location == place)
        table = tomlkit.parse(text[piece.start : piece.last])
        table["id"] = name
        end = "\r\n" if "\r\n" in text else "\n"
        body = tomlkit.dumps(table).strip()
        before = text[: piece.last]
        gap = "" if before.endswith("\n") else end
        text = f"{before}{gap}{end}[[fixture]]{end}{body}{end}{text[piece.last :]}"
        shown = scene.model_copy(update={"fixtures": (*scene.fixtures, fresh)})
        return put(shown, fresh.lamp_ids[0], values)(text)

    return change


def removed(scene: Scene, lamp: str) -> Change:
    """Take a lamp's fixture out, its whole row, and what states say of it; cables keep theirs."""
    fixture = fixture_of(scene, lamp)

    def change(text: str) -> str:
        for number, state in enumerate(scene.states):
            for name in (fixture.id, *fixture.lamp_ids):
                if name in state.fixtures:
                    text = _without(text, ("state", number, "fixtures", name))
                    text = edited(text, {("state", state.name, "fixtures", name): None})
        return _without(text, ("fixture", _number_of(text, fixture.id)))

    return change


def _without(text: str, location: Location) -> str:
    """The text without the table of that place, its header and the blank line below it; the same
    where no header is of it."""
    start = 0
    for piece in pieces(text):
        if piece.location == location:
            stop = piece.last
            if text[stop : stop + 1] in ("\n", "\r"):
                stop += 2 if text[stop : stop + 2] == "\r\n" else 1
            return text[:start] + text[stop:]
        start = piece.end
    return text


def _number_of(text: str, fixture: str) -> int:
    """Which of the file's [[fixture]] tables is that of an id."""
    for piece in pieces(text):
        if piece.location[:1] == ("fixture",) and len(piece.location) == 2:
            table = tomlkit.parse(text[piece.start : piece.last])
            if table.get("id") == fixture:
                return int(piece.location[1])
    raise NightviewError(
        f'fixture "{fixture}"', "has no [[fixture]] table of its own", "change it in the file"
    )


def _quoted(text: str) -> str:
    return tomlkit.item(text).as_string()


# --- mirrored -------------------------------------------------------------------------------------


def axis_near(scene: Scene, position: Array) -> tuple[Opening, float] | None:
    """The opening whose middle is nearest to a lamp along its wall, and that middle along the wall
    [m]; None where no wall with one is within 6 m."""
    best: tuple[float, Opening, float] | None = None
    for block in scene.blocks:
        for opening in scene.openings:
            if opening.block != block.name:
                continue
            foot, right, normal, width = wall_frame(block, opening.side)
            aside = position - foot
            out, along = float(aside @ normal), float(aside @ right)
            if not (-0.5 <= out <= 6.0 and -2.0 <= along <= width + 2.0):
                continue
            for k in range(opening.count):
                middle = opening.along_m + k * (opening.spacing_m or 0.0)
                far = float(np.hypot(along - middle, 0.5 * out))
                if abs(along - middle) > 0.05 and (best is None or far < best[0]):
                    best = far, opening, middle
    return (best[1], best[2]) if best else None


def mirrored(scene: Scene, lamp: str, position: Array, aim: Array) -> tuple[Change, str, str]:
    """A lamp more on the other side of the nearest door or window: the change, its id, whose axis.

    position, aim : (3,) the lamp and the place that it lights [m]. NightviewError where there is no
    axis, or where a row along a path has none.
    """
    fixture = fixture_of(scene, lamp)
    where = f'fixture "{fixture.id}"'
    found = axis_near(scene, position)
    if found is None:
        problem = "stands near no door or window to be mirrored about"
        raise NightviewError(where, problem, "move it before a wall with one, or duplicate it")
    if fixture.path is not None:
        raise NightviewError(
            where, "is a row along a path", "its verge says on which sides it stands"
        )
    opening, middle = found
    block = next(item for item in scene.blocks if item.name == opening.block)
    foot, right, _, _ = wall_frame(block, opening.side)

    def across(point: Array) -> tuple[float, ...]:
        along = float((point - foot) @ right)
        return tuple(round(float(x), 3) for x in point + 2 * (middle - along) * right)

    values: dict[str, Any] = {}
    if fixture.block is not None and (fixture.block, fixture.side) == (block.name, opening.side):
        assert fixture.along_m is not None
        last = fixture.along_m + (fixture.count - 1) * (fixture.spacing_m or 0.0)
        values["along_m"] = round(2 * middle - last, 3)
    elif fixture.block is not None:
        problem = f'stands before another wall than the axis of "{opening.name}"'
        raise NightviewError(where, problem, "duplicate it instead")
    else:
        for key in ("at_m", "to_m"):
            if getattr(fixture, key) is not None:
                values[key] = across(np.asarray(getattr(fixture, key)))
    if fixture.aim_m is not None:
        values["aim_m"] = across(np.asarray(fixture.aim_m))
    elif fixture.aim_at is not None or fixture.bearing_deg is not None:
        values |= {"aim_m": across(aim), "aim_at": None, "bearing_deg": None, "elevation_deg": None}
    name = new_id(scene, fixture.id)
    return copied(scene, lamp, name, values), name, opening.name
