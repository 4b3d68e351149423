"""What of lamps, fixtures and states one table alone cannot show.

As in ``rules.py``: each rule yields the faults of one subject.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Any

from nightview.scene.faults import SAME_M, Fault, Unread, label, row_faults, unknown
from nightview.scene.model import Fixture, Lamp, Scene, State, Table
from nightview.scene.states import AS_DESIGNED, LIGHTS, lineage, lit_windows, zones_of
from nightview.units import shown

# --- names by which light is switched -------------------------------------------------------------


def _lights_are_told_apart(scene: Scene, unread: Unread) -> Iterator[Fault]:
    """Lamps, windows and zones share the names by which light is switched."""
    own = "give it a name of its own"
    zones = zones_of(scene)
    windows = {opening.name for opening in scene.openings}
    ids = {fixture.id for fixture in scene.fixtures}
    taken: dict[str, str] = {}  # lamp → the fixture that it belongs to
    for fixture in scene.fixtures:
        place = label("fixture", fixture.id)
        if fixture.zone in LIGHTS:
            problem = f"zone = {shown(fixture.zone)} is no name for a zone of lamps"
            yield Fault(place, problem, "windows, moon and sky have theirs already")
        for lamp in fixture.lamp_ids:
            what = "it" if lamp == fixture.id else f"its lamp {shown(lamp)}"
            if lamp in LIGHTS:
                problem = f"{what} is called as the light of the {lamp} is"
                yield Fault(place, problem, own)
            elif lamp in zones:
                problem = f"{what} is called as a zone is"
                yield Fault(place, problem, "rename one of them: both are switched by name")
            elif lamp != fixture.id and (lamp in windows or lamp in ids):
                other = "an opening" if lamp in windows else "another fixture"
                yield Fault(place, f"{what} is called as {other} is", "give one of them another")
            elif lamp in taken and lamp != fixture.id:
                problem = f"{what} is called as one of fixture {shown(taken[lamp])} is"
                yield Fault(place, problem, "give one of them another id")
            else:
                taken.setdefault(lamp, fixture.id)
                continue
            break  # one fault a fixture is enough
    for opening in scene.openings:
        if opening.name in LIGHTS or opening.name in zones:
            which = "a zone is" if opening.name in zones else f"the light of the {opening.name} is"
            yield Fault(label("opening", opening.name), f"it is called as {which}", own)


# --- lamps ----------------------------------------------------------------------------------------

# What a lamp of each kind must say: one key of each group.
_NEEDED = {
    "beam": (("flux",), ("beam", "field")),
    "wash": (("flux",), ("beam",)),
    "hat": (("flux",),),
    "omni": (("flux",),),
    "linear": (("length",), ("flux", "flux_per_metre")),
    "table": (("intensity",),),
    "file": (("file",),),
}
_LAMP_EXAMPLES = {
    **{"flux": '"260 lm"', "beam": '"36 deg"', "field": '"66 deg"', "file": '"lamp.ies"'},
    "length": '"1.2 m"',
    "intensity": '[["0 deg", "600 cd"], ["90 deg", "0 cd"]]',
}
_LAMP_KEYS = {field: info.alias or field for field, info in Lamp.model_fields.items()}
_LAMP_FIELDS = {key: field for field, key in _LAMP_KEYS.items()}


def _lamps_are_whole(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for name, lamp in scene.lamps.items():
        above = scene.lamps.get(lamp.like or "")
        taken_over = [] if above in (None, lamp) else _lamp_faults(lamp.like or "", scene.lamps)
        for key in ("flux", "power"):
            both = getattr(lamp, _LAMP_FIELDS[key]), getattr(lamp, _LAMP_FIELDS[f"{key}_per_metre"])
            if None not in both:
                problem = f"says both {key} and {key}_per_metre"
                yield Fault(label("lamp", name), problem, "drop one of them")
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
    "at a point": (("at", "to"), ("at",)),
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
        yield from _fixture_row_faults(place, fixture)
        aims = [
            " and ".join(key for key in keys if key in given)
            for keys in (("aim",), ("aim_at",), ("bearing", "elevation"))
            if given & set(keys)
        ]
        if len(aims) > 1:
            problem = f"is aimed {len(aims)} times: by {', by '.join(aims)}"
            yield Fault(place, problem, "write aim, or aim_at, or bearing and elevation")
        if fixture.at_m and fixture.aim_m and math.dist(fixture.at_m, fixture.aim_m) < SAME_M:
            problem = "is aimed at the point where it stands"
            yield Fault(place, problem, "aim at a point of what is to be lit")


def _fixture_row_faults(place: str, fixture: Fixture) -> Iterator[Fault]:
    if fixture.to_m is None:
        yield from row_faults(place, fixture.count, fixture.spacing_m)
        return
    if fixture.count == 1:
        yield Fault(place, "to means nothing without a count", "add count = 2, or drop it")
    if fixture.spacing_m is not None:
        problem = "has a spacing beside to, up to which its lamps stand evenly"
        yield Fault(place, problem, "drop one of them")
    if fixture.at_m is not None and math.dist(fixture.at_m, fixture.to_m) < SAME_M:
        yield Fault(place, "at and to are one point", "move one of them")


def _keys_given(table: Table) -> set[str]:
    """The keys that are set and not None, as the file has them."""
    fields = type(table).model_fields
    return {
        fields[field].alias or field
        for field in table.model_fields_set
        if getattr(table, field) is not None
    }


# --- states ---------------------------------------------------------------------------------------


def _states_make_sense(scene: Scene, unread: Unread) -> Iterator[Fault]:
    names = [state.name for state in scene.states]
    for fixture in scene.fixtures:
        if fixture.option is not None:
            place = label("fixture", fixture.id)
            yield from unknown(place, "option", fixture.option, names, "state", unread)
    for state in scene.states:
        place = label("state", state.name)
        if state.name == AS_DESIGNED:
            problem = "is what the design without a state is called"
            yield Fault(place, problem, "give it a name of its own")
        if state.like is not None:
            yield from unknown(place, "like", state.like, names, "state", unread)
        chain = lineage(scene, state)
        if chain[-1].like in [one.name for one in chain]:
            if state.name == min(one.name for one in chain):  # one tells for the whole circle
                way = " is like ".join(shown(n) for n in (*(one.name for one in chain), state.name))
                yield Fault(place, f"goes in a circle: {way}", "drop one like")
        else:
            yield from _state_faults(scene, state, unread)


def _state_faults(scene: Scene, state: State, unread: Unread) -> Iterator[Fault]:
    place = label("state", state.name)
    zones = [*sorted(zones_of(scene)), *LIGHTS]
    for zone in state.only or ():
        yield from unknown(place, "only", zone, zones, "zone", unread)
    for zone, setting in state.zones.items():
        yield from unknown(place, "zones", zone, zones, "zone", unread)
        if zone == "sky" and setting.cct_k is not None:
            yield Fault(place, "zones.sky has a cct, and the sky keeps its own", "drop it")
        if zone == "moon" and setting.on and not (scene.moon and scene.moon.on):
            # Skylight is traced with the moon's in it, so a moon that is off brings none later.
            problem = "zones.moon turns a moon on that the scene has off, or has not"
            remedy = "write on = true in [moon], and turn it off in the states without it"
            yield Fault(place, problem, remedy)
    rows = {lamp: fixture for fixture in scene.fixtures for lamp in fixture.lamp_ids}
    rows |= {fixture.id: fixture for fixture in scene.fixtures}
    known = [*rows, *lit_windows(scene)]
    options = {one.name for one in lineage(scene, state)}
    for name in state.fixtures:
        if name.rpartition("-")[0] in unread:  # one lamp of a row with a fault of its own
            continue
        what = "fixture or lit window"
        yield from unknown(place, "fixtures", name, known, what, unread)
        option = rows[name].option if name in rows else None
        if option is not None and option not in options:
            problem = f"speaks of fixture {shown(name)}, which is there in {shown(option)} alone"
            yield Fault(place, problem, f"drop it, or write like = {shown(option)}")


LIGHT_RULES = (
    _lights_are_told_apart,
    _lamps_are_whole,
    _fixtures_are_placed,
    _states_make_sense,
)
