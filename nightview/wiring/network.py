"""A scene's wiring as a network: joints, the legs of cable between them, and what each lamp draws.

``network_of(scene)`` reads the tables; a cable without stated lengths or route is laid out along
the ground by ``nightview.wiring.layout.lay(scene, cables, places)``: each cable's ``Laid`` legs by its
name.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from nightview.errors import NightviewError
from nightview.lamps.catalogue import ResolvedLamp, lamp_of
from nightview.scene.faults import label
from nightview.scene.model import Scene
from nightview.scene.wiring_model import Cable, Load, Transformer, Wiring
from nightview.scene.wiring_rules import Source, source_of, stops_of
from nightview.wiring.copper import loop_ohms

if TYPE_CHECKING:
    from nightview.wiring.route import Sleeve

Point = tuple[float, float]
Place = tuple[float, float, float]

RATED_V = 12.0
WINDOW = {"led": (0.75, 1.25), "halogen": (0.9, 1.0)}
"""Least and most volts, as shares of the rated, where no data sheet says: 9 to 15 V and 10.8 to 12 V
at 12 V [common practice, no single source]."""
EXPONENT = {"led": 0.0, "halogen": 1.55}
"""Watts follow volts to this power: a driver keeps its watts; a filament's current goes as V^0.55 by
the published rerating rules, which round its watts to V^1.6."""


@dataclass(frozen=True)
class Laid:
    """A leg as the layout gives it.

    start, end : joints. A name that no table has is a splice, as where a tee parts.
    route : its corners (x, y) [m], from start to end. length_m : along it, with what it climbs at
    its ends, without slack.
    """

    start: str
    end: str
    route: tuple[Point, ...]
    length_m: float
    sleeves: tuple[Sleeve, ...] = ()


@dataclass(frozen=True)
class Leg:
    """A piece of cable from joint to joint.

    cable : the table's name. start, end : joints; at a tap the transformer's name, with from_tap or
    to_tap. length_m : of cable as installed, slack included; of which laid_m along its way.
    source : what feeds it. route : empty where lengths are stated.
    """

    cable: str
    start: str
    end: str
    length_m: float
    laid_m: float
    gauge: str
    parallel: int
    source: Source
    from_tap: bool = False
    to_tap: bool = False
    route: tuple[Point, ...] = ()
    sleeves: tuple[Sleeve, ...] = ()


@dataclass(frozen=True)
class WiredLamp:
    """A lamp as the wiring sees it: P = power_w · (V / volts_v)^exponent, I = P / (V · power_factor).

    least_v, most_v : its window. assumed : the keys whose value is ours, not the scene's.
    """

    id: str
    kind: str
    power_w: float
    volts_v: float
    least_v: float
    most_v: float
    power_factor: float
    exponent: float
    lead_m: float
    lead_gauge: str
    source: Source | None = None
    assumed: tuple[str, ...] = ()

    @property
    def power_va(self) -> float:
        """Volt-amperes at its rated volts."""
        return self.power_w / self.power_factor


@dataclass(frozen=True, eq=False)
class Network:
    """All wiring of a scene, ready to be solved.

    legs, lamps : those that hang on a transformer; unwired : ids of lamps on no cable.
    places : (x, y, z) of joints and transformers that have one [m].
    """

    wiring: Wiring
    transformers: tuple[Transformer, ...]
    cables: tuple[Cable, ...]
    legs: tuple[Leg, ...]
    lamps: tuple[WiredLamp, ...]
    unwired: tuple[str, ...] = ()
    places: Mapping[str, Place] = field(default_factory=dict)

    @property
    def sources(self) -> tuple[Source, ...]:
        """The taps in use, each with its common, in the order of the transformers."""
        order = {transformer.name: k for k, transformer in enumerate(self.transformers)}
        found = {leg.source for leg in self.legs}
        return tuple(sorted(found, key=lambda source: (order[source[0]], *source[1:])))

    def transformer(self, name: str) -> Transformer:
        """The table of that name."""
        return next(one for one in self.transformers if one.name == name)

    def leg_ohms(self, leg: Leg, temperature_c: float) -> float:
        """Loop resistance of a leg [Ω], with the two connectors at its end."""
        wire = loop_ohms(
            leg.gauge, leg.length_m, leg.parallel, self.wiring.resistance, temperature_c
        )
        return wire + (0.0 if leg.to_tap else 2.0 * self.wiring.splice_ohm)

    def lead_ohms(self, lamp: WiredLamp, temperature_c: float) -> float:
        """Loop resistance of a lamp's own cable [Ω]."""
        return loop_ohms(lamp.lead_gauge, lamp.lead_m, 1, self.wiring.resistance, temperature_c)


def network_of(scene: Scene) -> Network:
    """The network of a scene's cables.

    NightviewError where a lamp on a cable has no power, and as ``places_of`` and the layout do.
    """
    places = places_of(scene)
    legs = _legs(scene, places)
    fed = {joint: leg.source for leg in legs for joint in (leg.start, leg.end)}
    supply = {transformer.name: transformer.supply for transformer in scene.transformers}
    lamps = []
    for lamp in wired_lamps(scene, set(fed)):
        source = fed[lamp.id]
        dc = supply[source[0]] == "DC"  # no power factor there
        factor = 1.0 if dc else lamp.power_factor
        lamps.append(replace(lamp, source=source, power_factor=factor))
    every = [lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids]
    every += [load.id for load in scene.loads]
    return Network(
        wiring=scene.wiring,
        transformers=scene.transformers,
        cables=scene.cables,
        legs=legs,
        lamps=tuple(lamps),
        unwired=tuple(name for name in every if name not in fed),
        places=places,
    )


# --- places ---------------------------------------------------------------------------------------


def places_of(scene: Scene) -> dict[str, Place]:
    """Where lamps, loads, hubs and transformers are, (x, y, z) by name [m], those that have a place.

    No geometry is built: where lamps are aimed does not matter here. Errors as of the placing.
    """
    places: dict[str, Place] = {}
    if scene.fixtures:
        import numpy as np

        from nightview.site.placing import place_fixtures

        somewhere = np.array([0.0, 0.0, 1e6])
        aims = {fixture.aim_at: somewhere for fixture in scene.fixtures if fixture.aim_at}
        for placed in place_fixtures(scene, aims):
            x, y, z = placed.position.tolist()
            places[placed.id] = (x, y, z)
    for transformer in scene.transformers:
        if transformer.at_m is not None:
            places[transformer.name] = (*transformer.at_m, transformer.height_m)
    for name, at_m in [(hub.name, hub.at_m) for hub in scene.hubs] + [
        (load.id, load.at_m) for load in scene.loads
    ]:
        if at_m is not None:
            places[name] = (*at_m, 0.0)
    return places


# --- legs -----------------------------------------------------------------------------------------


def _legs(scene: Scene, places: Mapping[str, Place]) -> tuple[Leg, ...]:
    to_lay = [c for c in scene.cables if (c.length_m, c.lengths_m, c.route_m) == (None,) * 3]
    laid: Mapping[str, Sequence[Laid]] = {}
    if to_lay:
        from nightview.wiring.layout import lay

        laid = lay(scene, to_lay, places)
    lamps = {lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids}
    lamps |= {load.id for load in scene.loads}
    transformers = {transformer.name for transformer in scene.transformers}
    sources = _sources(scene)
    legs = []
    for cable in scene.cables:
        stated = cable.length_m is not None or cable.lengths_m is not None
        for way in laid.get(cable.name) or _stated(scene, cable, places):
            slack = scene.wiring.slack_m if way.end in lamps and not stated else 0.0
            legs.append(
                Leg(
                    cable=cable.name,
                    start=way.start,
                    end=way.end,
                    length_m=max(way.length_m + slack, 1e-3),  # two joints may share a place
                    laid_m=way.length_m,
                    gauge=cable.gauge,
                    parallel=cable.parallel,
                    source=sources[cable.name],
                    from_tap=way.start in transformers,
                    to_tap=way.end in transformers,
                    route=way.route,
                    sleeves=way.sleeves,
                )
            )
    return tuple(legs)


def _sources(scene: Scene) -> dict[str, Source]:
    """What feeds each cable; the rules of the scene hold that there is one for each."""
    at: dict[str, set[str]] = {}  # joint → the cables that touch it
    touched: dict[str, set[str]] = {}
    transformers = {transformer.name for transformer in scene.transformers}
    for cable in scene.cables:
        joints = {cable.start, *stops_of(scene, cable)} | ({cable.to} if cable.to else set())
        touched[cable.name] = joints - transformers
        for joint in touched[cable.name]:
            at.setdefault(joint, set()).add(cable.name)
    found: dict[str, Source] = {}
    for cable in scene.cables:
        source = source_of(scene, cable)
        todo = [cable.name] if source is not None and cable.name not in found else []
        while todo:
            name = todo.pop()
            if name not in found and source is not None:
                found[name] = source
                todo += [other for joint in touched[name] for other in at[joint]]
    return found


def _stated(scene: Scene, cable: Cable, places: Mapping[str, Place]) -> list[Laid]:
    joints = [cable.start, *stops_of(scene, cable), *([cable.to] if cable.to else [])]
    if cable.route_m is not None:
        return _along_route(scene, cable, joints, places)
    pairs = list(itertools.pairwise(joints))
    lengths = cable.lengths_m or ((cable.length_m or 0.0) / len(pairs),) * len(pairs)
    return [Laid(a, b, (), length) for (a, b), length in zip(pairs, lengths, strict=True)]


def _along_route(
    scene: Scene, cable: Cable, joints: list[str], places: Mapping[str, Place]
) -> list[Laid]:
    """Legs along a stated route: each joint is reached from its nearest point, and left again."""
    import numpy as np

    from nightview.wiring.ground import foot_of, ground_of
    from nightview.wiring.route import stated

    assert cable.route_m is not None
    ground = ground_of(scene)
    corners = cable.route_m
    feet = [foot_of(scene, ground, np.asarray(places[joint])) for joint in joints]
    at = [0.0]
    for foot in feet[1:-1]:
        at.append(_nearest(corners, _point(foot.at), at[-1]))
    at.append(sum(math.dist(a, b) for a, b in itertools.pairwise(corners)))
    legs = []
    for k, (a, b) in enumerate(itertools.pairwise(joints)):
        ends = _point(feet[k].at), _point(feet[k + 1].at)
        points = _without_repeats((ends[0], *_between(corners, at[k], at[k + 1]), ends[1]))
        length = 0.0
        sleeves: tuple[Sleeve, ...] = ()
        if len(points) > 1:
            way = stated(ground, points, label("cable", cable.name))
            length, sleeves = way.length_m, way.sleeves
        climbs = feet[k].rise_m + feet[k + 1].rise_m
        legs.append(Laid(a, b, points, length + climbs, sleeves))
    return legs


def _point(at: Any) -> Point:
    return float(at[0]), float(at[1])


def _nearest(corners: Sequence[Point], point: Point, least: float) -> float:
    """How far along the corners the nearest point is, of those not before least [m]."""
    best, run, found = math.inf, 0.0, least
    for (ax, ay), (bx, by) in itertools.pairwise(corners):
        length = math.dist((ax, ay), (bx, by))
        if length > 0.0 and run + length >= least:
            ux, uy = (bx - ax) / length, (by - ay) / length
            s = (point[0] - ax) * ux + (point[1] - ay) * uy
            s = min(max(s, least - run, 0.0), length)
            off = math.dist(point, (ax + s * ux, ay + s * uy))
            if off < best - 1e-12:
                best, found = off, run + s
        run += length
    return found


def _between(corners: Sequence[Point], begin: float, end: float) -> list[Point]:
    """The part of a line from one length along it to another, with the corners between."""
    points, run = [], 0.0
    for (ax, ay), (bx, by) in itertools.pairwise(corners):
        length = math.dist((ax, ay), (bx, by))
        for s in (begin, end):
            if run <= s <= run + length and length > 0.0:
                t = (s - run) / length
                points.append((s, (ax + t * (bx - ax), ay + t * (by - ay))))
        if begin < run + length < end:
            points.append((run + length, (bx, by)))
        run += length
    return [point for _, point in sorted(points)]


def _without_repeats(points: Sequence[Point]) -> tuple[Point, ...]:
    kept = [points[0]]
    kept += [b for a, b in itertools.pairwise(points) if math.dist(a, b) > 1e-9]
    return tuple(kept)


# --- lamps ----------------------------------------------------------------------------------------


def wired_lamps(scene: Scene, joints: set[str] | None = None) -> list[WiredLamp]:
    """What each lamp draws, of the joints named or of all that state a power.

    NightviewError for one of the joints whose lamp has no power.
    """
    found = []
    kinds: dict[str, ResolvedLamp] = {}
    for fixture in scene.fixtures:
        ids = [one for one in fixture.lamp_ids if joints is None or one in joints]
        if not ids:
            continue
        if fixture.lamp not in kinds:
            kinds[fixture.lamp] = lamp_of(scene, fixture.lamp)
        lamp = kinds[fixture.lamp]
        if lamp.power_w is None:
            if joints is None:
                continue
            raise NightviewError(
                label("fixture", fixture.id),
                f"is on a cable, and its lamp {fixture.lamp!r} has no power".replace("'", '"'),
                'add power = "4.5 W" to the lamp, as its data sheet has it',
            )
        wired = _wired(ids[0], fixture.lamp, lamp.power_w, lamp.source, lamp.entry)
        found += [replace(wired, id=one) for one in ids]
    for load in scene.loads:
        if joints is None or load.id in joints:
            found.append(_wired(load.id, "load", load.power_w, load.source, load))
    return found


def _wired(name: str, kind: str, power_w: float, source: str, table: Load | object) -> WiredLamp:
    def said(key: str, ours: float) -> float:
        value = getattr(table, key)
        if value is None:
            assumed.append(key)
        return ours if value is None else float(value)

    assumed: list[str] = []
    volts_v = said("volts_v", RATED_V)
    least, most = WINDOW[source]
    return WiredLamp(
        id=name,
        kind=kind,
        power_w=power_w,
        volts_v=volts_v,
        least_v=said("volts_min_v", least * volts_v),
        most_v=said("volts_max_v", most * volts_v),
        power_factor=said("power_factor", 1.0),
        exponent=said("power_exponent", EXPONENT[source]),
        lead_m=said("lead_m", 0.0),
        lead_gauge=getattr(table, "lead_gauge", None) or "18 AWG",
        assumed=tuple(assumed),
    )
