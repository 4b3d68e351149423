"""A row of lamps taken apart, so that each can be dimmed, moved and aimed by itself."""

from __future__ import annotations

from typing import Any

import numpy as np
import tomlkit

from nightview.errors import NightviewError
from nightview.scene.model import Fixture, Scene, Setting
from nightview.scene.pieces import pieces
from nightview.scene.write import Where, edited
from nightview.site.placing import Placed
from nightview.window.document import Change
from nightview.window.edits import number_of, without_table


def parted(scene: Scene, fixture: Fixture, lamps: tuple[Placed, ...]) -> Change:
    """Put a fixture for each lamp in the place of a row, called as its lamps were.

    lamps : the row's, as placed. What states say of the row they say of each lamp; cables go through
    each. NightviewError for a lamp that is no row.
    """
    if len(lamps) < 2:
        raise NightviewError(
            f'fixture "{fixture.id}"', "is one lamp, no row", "choose a row's lamp"
        )
    keys = [_own(fixture, number, lamp, lamps[0]) for number, lamp in enumerate(lamps)]

    def change(text: str) -> str:
        place = ("fixture", number_of(text, fixture.id))
        piece = next(one for one in pieces(text) if one.location == place)
        end = "\r\n" if "\r\n" in text else "\n"
        head, body = text[: piece.start], text[piece.start : piece.last]
        tail = text[piece.last :]
        single = tomlkit.parse(body)
        for key in ("count", "spacing"):
            single.pop(key, None)
        singles = []
        for name in fixture.lamp_ids:
            single["id"] = name
            singles.append(tomlkit.dumps(single).rstrip())
        text = head + f"{end}{end}[[fixture]]{end}".join(singles) + end + tail
        changes: dict[Where, Any] = {}
        for name, own in zip(fixture.lamp_ids, keys, strict=True):
            for key, value in own.items():
                changes["fixture", name, key] = value
        for cable in scene.cables:
            if fixture.id in cable.through:
                through = [
                    lamp
                    for name in cable.through
                    for lamp in (fixture.lamp_ids if name == fixture.id else (name,))
                ]
                changes["cable", cable.name, "through"] = through
        text = edited(text, changes)
        for number, state in enumerate(scene.states):
            if fixture.id in state.fixtures:
                text = _state_parted(text, number, fixture, scene)
        return text

    return change


def _own(fixture: Fixture, number: int, lamp: Placed, first: Placed) -> dict[str, Any]:
    """The keys that bring one lamp of a row to its place, by their names in the file."""
    beside = lamp.position - first.position
    step = fixture.spacing_m or 0.0
    found: dict[str, Any] = {}
    if fixture.at_m is not None:
        found["at"] = _point(lamp.position)
        if fixture.to_m is not None:  # it says which way a linear lamp lies
            row = np.asarray(fixture.to_m) - np.asarray(fixture.at_m)
            found["to"] = _point(lamp.position + row) if lamp.lamp.length_m > 0.0 else None
    elif fixture.block is not None:
        assert fixture.along_m is not None
        found["along"] = round(fixture.along_m + number * step, 3)
    else:
        sides = ("left", "right")
        station = number // 2 if fixture.verge == "both" else number
        found["start"] = round((fixture.start_m or 0.0) + station * step, 3)
        if fixture.verge in ("both", "staggered"):
            found["verge"] = sides[number % 2]
    if fixture.aim_m is not None:
        found["aim"] = _point(np.asarray(fixture.aim_m) + beside)
    return found


def _state_parted(text: str, number: int, fixture: Fixture, scene: Scene) -> str:
    """What a state says of a row said of each of its lamps; what it says of one of them goes before."""
    state = scene.states[number]
    row = state.fixtures[fixture.id]
    changes: dict[Where, Any] = {}
    for name in fixture.lamp_ids:
        one = state.fixtures.get(name, Setting())
        for key, field in Setting.model_fields.items():
            value = getattr(row, key) if getattr(one, key) is None else getattr(one, key)
            if value is not None:
                changes["state", state.name, "fixtures", name, field.alias or key] = value
    changes["state", state.name, "fixtures", fixture.id] = None
    return edited(without_table(text, ("state", number, "fixtures", fixture.id)), changes)


def _point(place: np.ndarray) -> tuple[float, ...]:
    return tuple(round(float(x), 3) for x in place)
