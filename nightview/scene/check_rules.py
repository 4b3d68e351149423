"""What the checks' table and what a lamp is meant for name must be there; rules as in ``rules.py``."""

from __future__ import annotations

import math
from collections.abc import Iterator

from nightview.scene.faults import Fault, Unread, label, unknown
from nightview.scene.model import Scene
from nightview.scene.states import zones_of

SIDES = ("front", "right", "back", "left")


def lit_things(scene: Scene) -> list[str]:
    """What a lamp can be meant to light: every named thing, each wall of a block, the ground."""
    things = [
        table.name
        for tables in (
            scene.blocks, scene.openings, scene.porches, scene.columns, scene.steps, scene.chimneys,
            scene.walls, scene.terraces, scene.paths, scene.drives, scene.beds, scene.ponds,
            scene.trees, scene.shrubs, scene.hedges, scene.meshes,
        )
        for table in tables
    ]  # fmt: skip
    walls = [f"{block.name} {side}" for block in scene.blocks for side in SIDES]
    return [*things, *walls, "ground"]


def _lights_are_known(scene: Scene, unread: Unread) -> Iterator[Fault]:
    things = lit_things(scene)
    for fixture in scene.fixtures:
        if fixture.lights is not None and not _of_unread(fixture.lights, unread):
            place = label("fixture", fixture.id)
            yield from unknown(place, "lights", fixture.lights, things, "thing or wall", unread)


def _of_unread(name: str, unread: Unread) -> bool:
    """Whether it is a wall of a block that had faults of its own."""
    block, _, side = name.rpartition(" ")
    return side in SIDES and block in unread


def _check_names_are_known(scene: Scene, unread: Unread) -> Iterator[Fault]:
    check = scene.check
    things = lit_things(scene)
    for key, names in (
        ("focal", check.focal),
        ("secondary", check.secondary),
        ("fill", check.fill),
    ):
        for name in names:
            if _of_unread(name, unread):
                continue
            yield from unknown("check", key, name, things, "thing or wall", unread)
    rows = [*(fixture.id for fixture in scene.fixtures), *sorted(zones_of(scene))]
    for name in check.scallops:
        yield from unknown("check", "scallops", name, rows, "fixture or zone", unread)
    blocks = [block.name for block in scene.blocks]
    for name in check.neighbours:
        yield from unknown("check", "neighbours", name, blocks, "block", unread)
    if check.curfew is not None:
        states = [state.name for state in scene.states]
        yield from unknown("check", "curfew", check.curfew, states, "state", unread)
    for name, limit in check.limits.items():
        if not math.isfinite(limit.warn) or limit.warn < 0:
            yield Fault(f"check: limits: {name}", "warn is negative", "write 0 or more")


CHECK_RULES = (_lights_are_known, _check_names_are_known)
