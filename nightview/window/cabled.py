"""A lamp taken off the cables that name it, so that it can be deleted and the wiring stays whole."""

from __future__ import annotations

import itertools
from typing import Any

from nightview.errors import NightviewError
from nightview.scene.model import Cable, Fixture, Scene
from nightview.scene.wiring_rules import stops_of
from nightview.scene.write import Where, edited
from nightview.window.document import Change
from nightview.window.edits import without_table


def cables_of(scene: Scene, fixture: Fixture) -> tuple[str, ...]:
    """The cables that name a fixture, or a lamp of its row."""
    names = {fixture.id, *fixture.lamp_ids}
    return tuple(
        cable.name
        for cable in scene.cables
        if names & {cable.start, cable.to or "", *cable.through}
    )


def uncabled(scene: Scene, fixture: Fixture) -> Change:
    """Take a fixture off all cables: each goes on to its next lamp, and lengths of two legs that become
    one are added. One that starts at it starts at the joint before; one that feeds nothing else goes.

    The change raises NightviewError where a cable starts at it and nothing leads to it.
    """
    off = {fixture.id, *fixture.lamp_ids}
    changes: dict[Where, Any] = {}
    gone: list[int] = []
    for number, cable in enumerate(scene.cables):
        kept = [name for name in cable.through if name not in off]
        if not kept:
            gone.append(number)
            continue
        where = ("cable", cable.name)
        if len(kept) < len(cable.through):
            changes[*where, "through"] = kept
        if cable.to in off:
            changes[*where, "to"] = None
        if cable.start in off:
            start, feeder = _before(scene, cable.start, off)
            changes[*where, "from"] = start
            if start in {one.name for one in scene.transformers}:
                changes[*where, "tap"] = feeder.tap_v
                changes[*where, "common"] = feeder.common
        if cable.lengths_m is not None:
            legs = _legs_left(scene, cable, off)
            if len(legs) < len(cable.lengths_m):
                changes[*where, "lengths"] = legs

    def change(text: str) -> str:
        text = edited(text, changes)
        for number in reversed(gone):
            text = without_table(text, ("cable", number))
        return text

    return change


def _before(scene: Scene, joint: str, off: set[str]) -> tuple[str, Cable]:
    """The joint that stays and stands before one that goes, and the cable between them."""
    for cable in scene.cables:
        stops = stops_of(scene, cable)
        if joint in stops:
            way = (cable.start, *stops)
            for name in reversed(way[: way.index(joint)]):
                if name not in off:
                    return name, cable
            return _before(scene, cable.start, off)
    raise NightviewError(f'cable from "{joint}"', "is fed by no cable", "change it in the file")


def _legs_left(scene: Scene, cable: Cable, off: set[str]) -> list[float]:
    """The lengths [m] of a cable's legs between the joints that stay; a length that led to a joint that
    went counts to the next one, and past the last one is no longer laid."""
    assert cable.lengths_m is not None
    joints = [*stops_of(scene, cable), *([cable.to] if cable.to else [])]
    legs, open_m = [], 0.0
    for joint, length_m in itertools.zip_longest(joints, cable.lengths_m, fillvalue=0.0):
        open_m += float(length_m)
        if joint not in off:
            legs.append(round(open_m, 3))
            open_m = 0.0
    return legs
