"""What of transformers, hubs, cables and loads one table alone cannot show.

As in ``rules.py``: each rule yields the faults of one subject.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from nightview.scene.faults import Fault, Unread, label, unknown
from nightview.scene.wiring_model import Cable, Transformer
from nightview.units import shown

if TYPE_CHECKING:
    from nightview.scene.model import Scene

Source = tuple[str, float, int]
"""Transformer, tap [V], common: what a joint is fed from."""


def stops_of(scene: Scene, cable: Cable) -> tuple[str, ...]:
    """The joints that a cable goes through in order, rows of lamps written out one by one."""
    rows = {fixture.id: fixture.lamp_ids for fixture in scene.fixtures}
    return tuple(lamp for name in cable.through for lamp in rows.get(name, (name,)))


def source_of(scene: Scene, cable: Cable) -> Source | None:
    """What a cable starts from, if that is a transformer."""
    transformer = _transformers(scene).get(cable.start)
    if transformer is None:
        return None
    tap_v = transformer.taps_v[0] if cable.tap_v is None else cable.tap_v
    return transformer.name, tap_v, cable.common or 1


def _transformers(scene: Scene) -> dict[str, Transformer]:
    return {transformer.name: transformer for transformer in scene.transformers}


def _joints(scene: Scene) -> set[str]:
    """All that cables meet at: lamps, hubs and loads."""
    lamps = {lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids}
    return lamps | {hub.name for hub in scene.hubs} | {load.id for load in scene.loads}


# --- names ----------------------------------------------------------------------------------------


def _joints_are_told_apart(scene: Scene, unread: Unread) -> Iterator[Fault]:
    """One lamp of a row is called "path-1", and so may nothing else be that cables go to."""
    rows = {
        lamp: fixture.id
        for fixture in scene.fixtures
        for lamp in fixture.lamp_ids
        if lamp != fixture.id
    }
    names = [("load", load.id) for load in scene.loads] + [("hub", hub.name) for hub in scene.hubs]
    names += [("transformer", transformer.name) for transformer in scene.transformers]
    for kind, name in names:
        if name in rows:
            problem = f"it is called as one lamp of fixture {shown(rows[name])} is"
            yield Fault(label(kind, name), problem, "give it a name of its own")


def _cables_go_to_known_places(scene: Scene, unread: Unread) -> Iterator[Fault]:
    transformers = _transformers(scene)
    rows = {fixture.id for fixture in scene.fixtures}
    joints = _joints(scene)
    listed = sorted(joints | rows)
    # One lamp of a row that has a fault of its own is as unread as the row.
    off = {*unread, *(f"{name}-{k + 1}" for name in unread for k in range(400))} if unread else ()
    for cable in scene.cables:
        place = label("cable", cable.name)
        starts = [*transformers, *sorted(joints)]
        what = "transformer, hub or lamp"
        yield from unknown(place, "from", cable.start, starts, what, off)
        for name in cable.through:
            if name in transformers:
                problem = f"goes through transformer {shown(name)}"
                yield Fault(place, problem, f"write from = {shown(name)}, and lamps in through")
            else:
                yield from unknown(place, "through", name, listed, "lamp or hub", off)
        if cable.to is not None:
            yield from unknown(place, "to", cable.to, starts, what, off)
            if cable.to in transformers and cable.to != cable.start:
                problem = f"ends at transformer {shown(cable.to)}, but does not start there"
                yield Fault(place, problem, "write it from the transformer, or end it at a lamp")
        if cable.start in transformers:
            yield from _landing_faults(place, cable, transformers[cable.start])
        else:
            for key, value in (("tap", cable.tap_v), ("common", cable.common)):
                if value is not None and cable.start in joints:
                    problem = f"has a {key}, but starts from {shown(cable.start)}"
                    yield Fault(place, problem, "drop it, or start from a transformer")


def _landing_faults(place: str, cable: Cable, transformer: Transformer) -> Iterator[Fault]:
    name = shown(transformer.name)
    taps = ", ".join(f'"{tap:g} V"' for tap in transformer.taps_v)
    if cable.tap_v is None and len(transformer.taps_v) > 1:
        yield Fault(place, f"tap is missing: transformer {name} has several", f"add one of {taps}")
    elif cable.tap_v is not None and cable.tap_v not in transformer.taps_v:
        problem = f'tap = "{cable.tap_v:g} V" is no tap of transformer {name}'
        yield Fault(place, problem, f"there are: {taps}")
    if (cable.common or 1) > transformer.commons:
        has = f"{transformer.commons} common" + ("s" if transformer.commons > 1 else "")
        problem = f"common = {cable.common}, but transformer {name} has {has}"
        yield Fault(place, problem, f"write 1 to {transformer.commons}, or more commons there")


def _windows_are_windows(scene: Scene, unread: Unread) -> Iterator[Fault]:
    tables = [(label("load", load.id), load) for load in scene.loads]
    tables += [(label("lamp", name), lamp) for name, lamp in scene.lamps.items()]  # type: ignore[misc]
    for place, table in tables:
        least, most = table.volts_min_v, table.volts_max_v
        if least is not None and most is not None and least >= most:
            problem = f"volts_min, {least:g} V, is not below volts_max, {most:g} V"
            yield Fault(place, problem, "write the least and the most of its data sheet")
    for transformer in scene.transformers:
        if len(set(transformer.taps_v)) < len(transformer.taps_v):
            yield Fault(label("transformer", transformer.name), "has a tap twice", "drop one")
    if scene.wiring.cold_c > scene.wiring.hot_c:
        problem = f"cold, {scene.wiring.cold_c:g} degC, is above hot, {scene.wiring.hot_c:g} degC"
        yield Fault("wiring", problem, "write the lower one in cold")


# --- ways -----------------------------------------------------------------------------------------


def _cables_have_a_way(scene: Scene, unread: Unread) -> Iterator[Fault]:
    """Lengths stated once and for each leg, or places to lay the cable between."""
    homeless = {one.name for one in scene.transformers if one.at_m is None}
    homeless |= {hub.name for hub in scene.hubs if hub.at_m is None}
    homeless |= {load.id for load in scene.loads if load.at_m is None}
    for cable in scene.cables:
        place = label("cable", cable.name)
        stops = stops_of(scene, cable)
        joints = (cable.start, *stops, *(() if cable.to is None else (cable.to,)))
        for a, b in itertools.pairwise(joints):
            if a == b:
                problem = f"goes from {shown(a)} to itself: a loop of no length"
                yield Fault(place, problem, "name each joint once in a row")
        given = {"length": cable.length_m, "lengths": cable.lengths_m, "route": cable.route_m}
        stated = [key for key, value in given.items() if value is not None]
        if len(stated) > 1:
            yield Fault(place, f"has {' and '.join(stated)}", "keep one of them")
        if stated and cable.layout is not None:
            problem = f"has a layout beside its {stated[0]}"
            yield Fault(place, problem, "drop it: with a stated way the joints come in their order")
        legs = len(joints) - 1
        known = not {cable.start, cable.to, *cable.through} & set(
            unread
        )  # rows may be of any count
        if known and cable.lengths_m is not None and len(cable.lengths_m) != legs:
            problem = f"lengths has {len(cable.lengths_m)} entries, but there are {legs} legs: "
            way = " – ".join(shown(joint) for joint in joints[:6]) + (" …" if legs > 5 else "")
            yield Fault(place, problem + way, f"write {legs} lengths, one a leg")
        if stated in ([], ["route"]):
            lost = [shown(joint) for joint in dict.fromkeys(joints) if joint in homeless]
            if lost:
                has = "has" if len(lost) == 1 else "have"
                problem = f"is laid out between places, and {', '.join(lost)} {has} none"
                yield Fault(place, problem, 'add at = "x, y" there, or lengths here')


def _every_part_is_fed_once(scene: Scene, unread: Unread) -> Iterator[Fault]:
    """No part of the wiring floats, and none is fed from two taps."""
    known = _joints(scene) | set(_transformers(scene))
    named = {end for c in scene.cables for end in (c.start, c.to, *stops_of(scene, c)) if end}
    if unread or not named <= known:
        return  # a cable may be missing, or is told of already
    parts: list[_Part] = []
    for cable in scene.cables:
        ends = [cable.start] if cable.to is None else [cable.start, cable.to]
        joints = {*ends, *stops_of(scene, cable)} - set(_transformers(scene))
        met = [part for part in parts if part.joints & joints]
        feeds = (source_of(scene, cable), *(part.source for part in met))
        sources = {source for source in feeds if source is not None}
        if len(sources) > 1:
            yield _joined(cable, sorted(sources))
        parts = [part for part in parts if part not in met]
        name = min((part.cable for part in met), default=cable.name)
        joints = joints.union(*(part.joints for part in met))
        parts.append(_Part(joints, min(sources, default=None), name))
    for part in parts:
        if part.source is None:
            names = ", ".join(shown(name) for name in sorted(part.joints)[:6])
            names += " …" if len(part.joints) > 6 else ""
            remedy = "start it from a transformer, or from a joint that is fed"
            yield Fault(label("cable", part.cable), f"feeds {names} from no tap", remedy)


class _Part(NamedTuple):
    """Joints that are connected without a transformer between, and what feeds them."""

    joints: set[str]
    source: Source | None
    cable: str


def _joined(cable: Cable, sources: list[Source]) -> Fault:
    def words(source: Source) -> str:
        name, tap_v, common = source
        circuit = f", common {common}" if len({s[:2] for s in sources}) == 1 else ""
        return f"the {tap_v:g} V tap of {shown(name)}{circuit}"

    problem = f"joins {words(sources[0])} with {words(sources[1])}: current would flow between them"
    remedy = f'end it one joint before, or write tap = "{sources[0][1]:g} V" for both'
    if sources[0][0] != sources[1][0]:
        remedy = "end it one joint before: two transformers must not meet"
    elif sources[0][1] == sources[1][1]:
        remedy = "end it one joint before, or land both cables on one common"
    return Fault(label("cable", cable.name), problem, remedy)


WIRING_RULES = (
    _joints_are_told_apart,
    _cables_go_to_known_places,
    _windows_are_windows,
    _cables_have_a_way,
    _every_part_is_fed_once,
)
