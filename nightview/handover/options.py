"""What the client chooses between: states of the scene, each with the lamps that it lights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from nightview.scene.model import Scene
from nightview.scene.states import AS_DESIGNED, label_of, shown_in

STEPS = ("good", "better", "best")


@dataclass(frozen=True)
class Option:
    """A state as an offer. step : "good", "better", "best" of three that grow, else "".

    lamps : ids of those that are on in it.
    """

    state: str
    label: str
    step: str
    lamps: tuple[str, ...]


def options_of(scene: Scene, names: Sequence[str] = ()) -> tuple[Option, ...]:
    """The options, the smallest first; names : the states, by default all that differ in the lamps
    they light, but for the one that is on after curfew.

    Of states that light the same lamps the one written first stands for all; the design as a whole
    counts as one that is written last. NightviewError for an unknown state.
    """
    wanted = list(names) or [
        *(state.name for state in scene.states if state.name != scene.check.curfew), AS_DESIGNED
    ]  # fmt: skip
    found: dict[frozenset[str], tuple[str, tuple[str, ...]]] = {}
    for name in wanted:
        shown = shown_in(scene, name)
        every = (lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids)
        lamps = tuple(lamp for lamp in every if shown[lamp].level > 0.0)
        if lamps:
            found.setdefault(frozenset(lamps), (name, lamps))
    rows = sorted(found.values(), key=lambda row: len(row[1]))
    grow = len(rows) == 3 and set(rows[0][1]) < set(rows[1][1]) < set(rows[2][1])
    return tuple(
        Option(
            name, "the whole design" if name == AS_DESIGNED else label_of(scene, name),
            STEPS[k] if grow else "", lamps,
        )
        for k, (name, lamps) in enumerate(rows)
    )  # fmt: skip
