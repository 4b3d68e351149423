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


def shown(scene: Scene, lamp: str, state: str, key: str, value: Any, alone: bool = False) -> Change:
    """Switch, dim or colour a lamp in a state: in its own table, or in that state's.

    key : "on", "dim" or "cct". value : in the model's units; None for what stands above it. alone : one
    lamp of a row by itself, which a state can say and the design cannot; else the row as a whole.
    """
    fixture = fixture_of(scene, lamp)
    if state == AS_DESIGNED:
        return lambda text: edited(text, {("fixture", fixture.id, key): value})
    where: Where = ("state", state, "fixtures", lamp if alone else fixture.id, key)
    changes: dict[Where, Any] = {where: value}
    said = next(one for one in scene.states if one.name == state).fixtures
    if not alone:  # what is said of one lamp would hold before what is said of its row
        singles = [one for one in fixture.lamp_ids if one != fixture.id and one in said]
        changes |= {("state", state, "fixtures", one, key): None for one in singles}
    return lambda text: edited(text, changes)


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
        place = ("fixture", number_of(text, fixture.id))
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
    """Take a lamp's fixture out, its whole row, and what states say of it, and of its zone where it was
    the last there; it must be taken off its cables (``cabled.uncabled``) before."""
    fixture = fixture_of(scene, lamp)
    last = not any(one.zone == fixture.zone for one in scene.fixtures if one is not fixture)

    def change(text: str) -> str:
        if last:
            text = _zone_unsaid(scene, fixture.zone, text)
        for number, state in enumerate(scene.states):
            for name in (fixture.id, *fixture.lamp_ids):
                if name in state.fixtures:
                    text = without_table(text, ("state", number, "fixtures", name))
                    text = edited(text, {("state", state.name, "fixtures", name): None})
        return without_table(text, ("fixture", number_of(text, fixture.id)))

    return change


def _zone_unsaid(scene: Scene, zone: str, text: str) -> str:
    """The text with nothing that states say of a zone."""
    for number, state in enumerate(scene.states):
        changes: dict[Where, Any] = {}
        if zone in state.zones:
            text = without_table(text, ("state", number, "zones", zone))
            changes["state", state.name, "zones", zone] = None
        if state.only is not None and zone in state.only:
            kept = [name for name in state.only if name != zone]
            changes["state", state.name, "only"] = kept or None
            if not kept:  # no zone but that one was on, so none is
                changes["state", state.name, "on"] = False
        text = edited(text, changes)
    return text


def without_table(text: str, location: Location) -> str:
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


def number_of(text: str, fixture: str) -> int:
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


def axis_near(
    scene: Scene, position: Array, centre: Array | None = None
) -> tuple[Opening, float] | None:
    """The opening whose middle is nearest to a lamp along its wall, and that middle along the wall
    [m]; None where no wall with one is within 6 m.

    centre : the middle of the lamp's row, (3,); a row is its own image about an axis there.
    """
    centre = position if centre is None else centre
    best: tuple[float, Opening, float] | None = None
    for block in scene.blocks:
        for opening in scene.openings:
            if opening.block != block.name:
                continue
            foot, right, normal, width = wall_frame(block, opening.side)
            aside = position - foot
            out, along = float(aside @ normal), float(aside @ right)
            own = float((centre - foot) @ right)
            if not (-0.5 <= out <= 6.0 and -2.0 <= along <= width + 2.0):
                continue
            for k in range(opening.count):
                middle = opening.along_m + k * (opening.spacing_m or 0.0)
                far = float(np.hypot(along - middle, 0.5 * out))
                if abs(own - middle) > 0.05 and (best is None or far < best[0]):
                    best = far, opening, middle
    return (best[1], best[2]) if best else None


def mirrored(
    scene: Scene, lamp: str, position: Array, aim: Array, centre: Array | None = None
) -> tuple[Change, str, str]:
    """A lamp more on the other side of the nearest door or window: the change, its id, whose axis.

    position, aim : (3,) the lamp and the place that it lights [m]; centre : of its row. NightviewError where there is no
    axis, or where a row along a path has none.
    """
    fixture = fixture_of(scene, lamp)
    where = f'fixture "{fixture.id}"'
    found = axis_near(scene, position, centre)
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
