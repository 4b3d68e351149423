"""Which way each lamp points, and what is to be seen when it does: by day from figures, by night."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightview.checks.people import Eyes, candela_toward, spots_of
from nightview.checks.windows import SLEEPING
from nightview.handover.document import Block, Note, Points, Rows, Sheet
from nightview.handover.facts import Aim, Facts
from nightview.handover.lengths import bearing, degrees
from nightview.plan.beams import aim_deg
from nightview.plan.schedule import beam_text
from nightview.site.placing import Placed

LEVEL = ("hat", "hung")
"""Bodies that are set upright and not aimed."""


def aiming_sheets(facts: Facts) -> list[Sheet]:
    """The aiming sheet, then the tick list for the night."""
    return [aiming_sheet(facts), night_sheet(facts)]


def aiming_sheet(facts: Facts, lamps: Sequence[Placed] | None = None) -> Sheet:
    """Aim by figures; lamps : by default all."""
    chosen = facts.lamps if lamps is None else lamps
    heads = ("ID", "lamp stands", "target", "bearing", "elevation", "distance", "beam", "shield",
             "judge from", "set on")  # fmt: skip
    table = Rows(
        "Aim by day, by compass and angle gauge; the last word is had at night",
        heads,
        tuple(_row(facts, lamp) for lamp in chosen),
        frozenset(("bearing", "elevation", "distance")),
    )
    look = Rows(
        "What to look for by night, after full dark",
        ("ID", "look for", "seen"),
        tuple((lamp.id, look_for(facts, lamp), "") for lamp in chosen),
    )
    notes = (
        Note(
            "Bearing: clockwise from north, with the compass set to true north. Elevation: above the "
            "level, − below it. Distance: from the lens to where the middle of its beam lands."
        ),
        Note("Stand behind the lamp and sight along it to the target; then walk to where it is judged "
             "from, and look at the target, not at the lamp."),
    )  # fmt: skip
    return Sheet("aiming", "Aiming", (*notes, table, look))


def _row(facts: Facts, lamp: Placed) -> tuple[str, ...]:
    aim = facts.aims[lamp.id]
    turn, up = aim_deg(lamp, facts.scene.site.north_deg)
    shield = facts.fixture_of[lamp.id].shield_deg
    beam = facts.beams[[one.id for one in facts.lamps].index(lamp.id)]
    upright = lamp.lamp.body in LEVEL and turn is None
    return (
        lamp.id, facts.place_words(lamp), target_words(facts, aim), bearing(turn),
        "upright" if upright else degrees(up),
        "–" if aim.distance_m is None or upright else facts.length(aim.distance_m),
        beam_text(lamp, beam), "–" if shield is None else degrees(shield).lstrip("+"),
        f"view {aim.judge}" if aim.judge else "close by", "",
    )  # fmt: skip


def target_words(facts: Facts, aim: Aim) -> str:
    """What the lamp is for, and where the middle of its beam lands."""
    if not aim.target and aim.at is None:
        return "open air"
    target = aim.target or aim.met
    if aim.at is None:
        return f"{target}; the beam's middle runs past it"
    height = f"{facts.length(max(aim.at[2], 0.0))} up"
    if aim.met and aim.met != target:
        return f"{target}; the beam's middle lands on {aim.met}, {height}"
    return f"{target}, {height}" if aim.at[2] > 0.05 else target


def look_for(facts: Facts, lamp: Placed) -> str:
    """What is to be seen by night when the lamp is right."""
    aim = facts.aims[lamp.id]
    if aim.peak is None:
        return "Its light meets nothing that is looked at here: see that it dazzles nobody."
    lux = f"about {_lux(aim.peak_lx)} lx from this lamp alone"
    up = facts.length(max(aim.peak[2], 0.0))
    if aim.kind == "facade":
        return (
            f"On {aim.target}: brightest {up} up ({lux}), faded to a tenth about "
            f"{facts.length(aim.fades_m or 0.0)} up. No hard disc at the foot, no stripe beside it."
        )
    if aim.kind == "crown":
        return (
            f"In {aim.target}: leaves and boughs lit from below, brightest {up} up ({lux}), fading "
            f"out about {facts.length(aim.fades_m or 0.0)} up. The lamp itself is not seen."
        )
    if aim.kind in ("path", "tread"):
        return (
            f"On {aim.target}: a soft pool that meets the next one ({lux} in its middle); every edge "
            "of a step shows. No glare as you walk towards it."
        )
    if aim.kind == "door":
        return f"On {aim.target}: handle, lock and whoever waits there are easily made out ({lux})."
    return f"On {aim.target}: brightest {up} up ({lux}), even from both sides."


def _lux(value: float) -> str:
    return f"{value:.2g}" if value < 10 else f"{value:.0f}"


# --- by night -------------------------------------------------------------------------------------


def night_sheet(facts: Facts) -> Sheet:
    """What to tick off at each viewpoint, after full dark."""
    blocks: list[Block] = [
        Note("After full dark, at least an hour past sunset, with all lamps on and the rooms as they "
             "are lit of an evening. Wait ten minutes for your eyes. One stands at the view, one at "
             "the lamp.")
    ]  # fmt: skip
    if not facts.scene.views:
        blocks.append(Note("The scene names no views: walk to the gate, the door and the seats."))
    for view in facts.scene.views:
        blocks.append(_at_view(facts, view.name, view.eye_m))
    inside = _inside(facts)
    if inside:
        blocks.append(Points(tuple(inside), "ticks", "From inside, and from next door"))
    blocks.append(Points(
        (
            "Each stake is firm, each knuckle tight, each lens clean; mulch and leaves are clear of it.",
            "The dimmed scene and the switch-off time are tried out once.",
            "A picture is taken from each view and kept with these sheets.",
        ),
        "ticks", "Before leaving",
    ))  # fmt: skip
    blocks.append(Note("Date, moon, weather and name: " + "_" * 46))
    return Sheet("night", "Night aiming", tuple(blocks))


def _at_view(facts: Facts, name: str, eye: tuple[float, float, float]) -> Points:
    where = ", ".join(facts.length(value) for value in eye[:2])
    ticks = [f"Stand at x, y = {where}; eyes {facts.length(eye[2])} above the ground."]
    focal = focal_names(facts)
    seen = lit_from(facts, eye)
    first = [target for target in focal if target in seen]
    if first:
        ticks.append(f"The eye goes first to {_listed(first)}.")
    for target, lamps in seen.items():
        ticks.append(f"{target}: lit as its lamps' lines say ({', '.join(lamps)}).")
    if not seen:
        ticks.append("Nothing that is lit on purpose is seen from here: it stays dark and calm.")
    for lamp, candela in bright_from(facts, eye):
        ticks.append(
            f"The lens of {lamp} shows from here (about {candela:.0f} cd): turn it, or fit a louvre or "
            "shield, until it is dark."
        )
    return Points(tuple(ticks), "ticks", f"View {name}")


def focal_names(facts: Facts) -> list[str]:
    """What the eye is to find first: as the scene says, else the doors."""
    doors = [
        one.name for one in facts.scene.openings
        if "door" in one.kind and one.kind != "garage door"
        and one.block not in facts.scene.check.neighbours
    ]  # fmt: skip
    return list(facts.scene.check.focal or doors)


def lit_from(facts: Facts, eye: tuple[float, float, float]) -> dict[str, list[str]]:
    """The targets whose brightest place is seen from an eye, with the lamps they are lit by; and
    what is focal, if lamps light it, with its chief lamps."""
    found: dict[str, list[str]] = {}
    for name in focal_names(facts):
        for area in facts.areas_of(name):
            lux = facts.job.readings.from_lamps(area)
            if len(lux) and lux.max() > 0.0 and _sees(facts, eye, area, lux):
                found[name] = list(facts.job.chief_lamps(area, area.weight * np.ones(len(area))))
    for lamp in facts.job.lit_lamps:
        target = facts.aims[lamp.id].target
        for area in facts.areas_of(target):
            lux = facts.job.readings.lamp(lamp.id, area)
            if len(lux) and lux.max() > 0.0 and _sees(facts, eye, area, lux):
                if lamp.id not in found.setdefault(target, []):
                    found[target].append(lamp.id)
                break
    return found


def _sees(facts: Facts, eye, area, lux) -> bool:  # type: ignore[no-untyped-def]
    bright = np.flatnonzero(lux >= 0.5 * lux.max())
    bright = bright[:: max(1, len(bright) // 32)]
    return bool(
        facts.seen_from(eye, area.points[bright], area.normals[bright], area.two_sided).mean()
        > 0.25
    )


def bright_from(facts: Facts, eye: tuple[float, float, float]) -> list[tuple[str, float]]:
    """The lamps that send more toward an eye than is good within 6 m, at whatever distance, the
    brightest first [cd]."""
    spots = spots_of(facts.job)
    eyes = Eyes(("",), np.array([eye], float), np.zeros((1, 3)))
    found = np.zeros((len(spots.names), 1))
    wanted = np.ones((len(spots.places), 1), bool)
    np.add.at(found, spots.lamp, candela_toward(facts.job, spots, eyes.places, wanted))
    most = facts.job.limits["candela_near"].warn
    rows = [(spots.names[k], float(found[k, 0])) for k in np.flatnonzero(found[:, 0] > most)]
    return sorted(rows, key=lambda row: -row[1])


def _inside(facts: Facts) -> list[str]:
    scene = facts.scene
    own = [one for one in scene.openings if one.block not in scene.check.neighbours]
    ticks = [
        f"{one.name} ({one.behind}), seen from the bed: no lens shows, no light crosses the ceiling."
        for one in own
        if SLEEPING.search(one.behind)
    ]
    if not any(one.behind for one in own):
        ticks.append("The scene does not say where bedrooms are: ask, and look out from each.")
    ticks += [
        f"{one.name}, the neighbour's window: no lens shows there." for one in scene.neighbours
    ]
    ticks += [f"{name}, the neighbour's house: no lens shows from its windows."
              for name in scene.check.neighbours]  # fmt: skip
    return ticks


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
