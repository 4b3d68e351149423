"""Cables laid out along the ground: in a chain, from the middle, from a hub, in a ring.

``lay`` gives the legs of cables that state no way of their own, in the form ``network.Laid``. All
ways of a job come from one web, so that cables which go the same way lie in the same trench.

- daisy: from joint to joint in the order that costs least.
- tee: the same chain without the way to it; the feed lands on the joint in its electric middle.
- hub: a hub of the cable's own amid its lamps, and a lead to each; from a hub of the scene just the
  leads.
- loop: a ring, back to where it starts.

A cable that goes through hubs of the scene, or ends at a stated joint, keeps its order.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from nightview.scene.faults import label
from nightview.scene.model import Scene
from nightview.scene.wiring_model import Cable
from nightview.scene.wiring_rules import stops_of
from nightview.site.surface import Array
from nightview.wiring.ground import Foot, Ground, foot_of, ground_of
from nightview.wiring.network import Laid, Place
from nightview.wiring.order import chain, free_chain
from nightview.wiring.route import Piece, Sleeve, Web, no_way, piece_of

Pair = tuple[str, str]
ONE_TRENCH_M = 0.1
"""Cables no farther apart than this lie in one trench [judgement: a spade's width is twice that]."""
SIDE_BY_SIDE_M = 0.5
"""They share it where they run so close for at least this far; else they only meet or cross."""


def lay(scene: Scene, cables: Sequence[Cable], places: Mapping[str, Place]) -> dict[str, list[Laid]]:  # fmt: skip
    """Each cable's legs by its name.

    places : (x, y, z) of every joint and start [m]. Errors: NightviewError, naming the cable, where
    no way leads to a joint.
    """
    ground = ground_of(scene)
    stops = {cable.name: stops_of(scene, cable) for cable in cables}
    names = dict.fromkeys(
        joint for cable in cables
        for joint in (cable.start, *stops[cable.name], *([cable.to] if cable.to else []))
    )  # fmt: skip
    feet = {name: foot_of(scene, ground, np.asarray(places[name])) for name in names}
    hubs = {}
    for cable in cables:
        if _layout(scene, cable, stops[cable.name]) == "hub":
            at = median(np.array([feet[joint].at for joint in stops[cable.name]]))
            hubs[cable.name] = f"{cable.name} hub"
            feet[hubs[cable.name]] = Foot(ground.freed(at), 0.0)
    trenches = Trenches(ground, feet)
    pairs = {
        cable.name: pairs_of(
            trenches.cost, [trenches.number[joint] for joint in stops[cable.name]],
            trenches.number[cable.start], _layout(scene, cable, stops[cable.name]),
            trenches.number.get(hubs.get(cable.name, "")),
            None if cable.to is None else trenches.number[cable.to],
        )
        for cable in cables
    }  # fmt: skip
    ways = trenches.dug([(name, pair) for name, own in pairs.items() for pair in own])
    return {name: [ways(label("cable", name), pair) for pair in own] for name, own in pairs.items()}


def _layout(scene: Scene, cable: Cable, stops: Sequence[str]) -> str:
    """How a cable is laid out; "as it stands" keeps its order."""
    hubs = {hub.name for hub in scene.hubs}
    alone = len(stops) == 1 and cable.to is None
    if cable.to not in (None, cable.start) or hubs & set(stops) or alone:
        return "as it stands"
    if cable.to is not None:
        return "loop"
    found = cable.layout or scene.wiring.layout
    return "leads" if found == "hub" and cable.start in hubs else found


def pairs_of(
    cost: Array, stops: Sequence[int], start: int, layout: str, hub: int | None = None,
    to: int | None = None,
) -> list[tuple[int, int]]:  # fmt: skip
    """The legs of a layout as pairs of places, each from the transformer's side.

    cost : (n, n) between places. hub : the place of the cable's own hub.
    """
    if layout == "as it stands":
        return list(itertools.pairwise([start, *stops, *([] if to is None else [to])]))
    if layout == "leads":
        return [(start, stop) for stop in stops]
    if layout == "hub" and hub is not None:
        return [(start, hub), *((hub, stop) for stop in stops)]
    if layout == "loop":
        return list(itertools.pairwise([start, *chain(cost, start, stops, closed=True), start]))
    if layout == "tee":
        return _tee(cost, start, stops)
    return list(itertools.pairwise([start, *chain(cost, start, stops)]))


def _tee(cost: Array, start: int, stops: Sequence[int]) -> list[tuple[int, int]]:
    """A feed to a joint of a chain: where feed and the longer arm together come out least.

    Of the ways that are equal within a hundredth the shortest feed.
    """
    row = free_chain(cost, stops)
    at = [0.0, *itertools.accumulate(float(cost[a, b]) for a, b in itertools.pairwise(row))]

    def reach(k: int) -> tuple[float, float]:
        feed = float(cost[start, row[k]])
        return round(feed + max(at[k], at[-1] - at[k]), 2), feed

    middle = min(range(len(row)), key=reach)
    left, right = row[: middle + 1][::-1], row[middle:]
    return [(start, row[middle]), *itertools.pairwise(right), *itertools.pairwise(left)]


def median(points: Array) -> Array:
    """The point (2,) whose distances to points (n, 2) sum up least, by Weiszfeld's iteration."""
    at = points.mean(axis=0)
    for _ in range(100):
        far = np.maximum(np.hypot(*(points - at).T), 1e-6)
        after = (points / far[:, None]).sum(axis=0) / (1.0 / far).sum()
        if np.hypot(*(after - at)) < 1e-6:
            break
        at = after
    return at


class Trenches:
    """The ways between the joints of a job, and the trenches that some of them take.

    feet : joints by name. spots : the last so many of them are only tried: no way leads past them
    on purpose.
    """

    def __init__(self, ground: Ground, feet: Mapping[str, Foot], spots: int = 0) -> None:
        self.feet = dict(feet)
        self.names = tuple(feet)
        self.number = {name: k for k, name in enumerate(self.names)}
        self.web = Web.of(ground, [foot.at for foot in feet.values()], len(feet) - spots)
        self.cost = self.web.between
        """Between joints, (n, n) [m of open trench]."""

    def pieces(self, a: int, b: int, where: str) -> list[Piece]:
        """The pieces of the way between two joints. Errors: NightviewError if there is none."""
        nodes = self.web.nodes(a, b)
        if a != b and not nodes:
            raise no_way(where, self.web.points[a], self.web.points[b])
        return [piece_of(*pair) for pair in itertools.pairwise(nodes)]

    def dug(
        self, legs: Sequence[tuple[str, tuple[int, int]]]
    ) -> Callable[[str, tuple[int, int]], Laid]:
        """What gives each of these legs (cable, pair of joints), once the trenches are cut short."""
        every = {piece for name, pair in legs for piece in self.pieces(*pair, label("cable", name))}
        web = self.web.slid(every)

        def leg(where: str, pair: tuple[int, int]) -> Laid:
            nodes = self.web.nodes(*pair)
            if not nodes:
                raise no_way(where, self.web.points[pair[0]], self.web.points[pair[1]])
            way = web.way(nodes)
            start, end = (self.names[k] for k in pair)
            climbs = self.feet[start].rise_m + self.feet[end].rise_m
            points = tuple((float(x), float(y)) for x, y in way.points)
            return Laid(start, end, points, way.length_m + climbs, way.sleeves)

        return leg


# --- what is dug ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class SharedSleeve:
    """A sleeve and the cables in it. under : 'path "front path"'. at : its middle [m]."""

    under: str
    length_m: float
    at: tuple[float, float]
    cables: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Digging:
    """What is dug for the cables of a job.

    trench_m : centre lines, each counted once however many cables lie in it; sleeve_m : of that in
    sleeves. lines : the trenches themselves [m].
    """

    trench_m: float
    sleeve_m: float
    sleeves: tuple[SharedSleeve, ...]
    lines: shapely.Geometry


def digging(routes: Sequence[tuple[str, Sequence[tuple[float, float]], Sequence[Sleeve]]]) -> Digging:  # fmt: skip
    """The trenches of legs: (cable, corners [m], sleeves), those without corners left out."""
    dug: list[_Dug] = []
    sleeves: dict[str, list[_Dug]] = {}  # by what they are under
    for cable, corners, own in routes:
        if len(corners) > 1:
            _dig(dug, cable, shapely.LineString(corners))
        for sleeve in own:
            _dig(sleeves.setdefault(sleeve.under, []), cable, shapely.LineString(sleeve.line))
    shared = tuple(one.sleeve(under) for under, found in sleeves.items() for one in found)
    return Digging(
        trench_m=float(sum(one.line.length for one in dug)),
        sleeve_m=float(sum(sleeve.length_m for sleeve in shared)),
        sleeves=shared,
        lines=shapely.union_all([one.line for one in dug]) if dug else shapely.MultiLineString(),
    )


@dataclass(eq=False)
class _Dug:
    """A line dug for one cable, and the others that lie in it or beside it."""

    line: shapely.Geometry
    near: shapely.Geometry
    cables: list[str]

    def sleeve(self, under: str) -> SharedSleeve:
        middle = shapely.point_on_surface(self.line)
        if self.line.geom_type == "LineString":
            middle = shapely.line_interpolate_point(self.line, 0.5, normalized=True)
        return SharedSleeve(under, self.line.length, (middle.x, middle.y), tuple(self.cables))


def _dig(dug: list[_Dug], cable: str, line: shapely.Geometry) -> None:
    """Adds what of a line is not dug already; cables that share what is are put to it."""
    for one in dug:
        if not shapely.intersects(one.near, line):
            continue
        shared = [part for part in shapely.get_parts(shapely.intersection(line, one.near))
                  if part.length > SIDE_BY_SIDE_M or part.length > 0.99 * line.length]  # fmt: skip
        if shared:
            line = shapely.difference(line, shapely.union_all(shared).buffer(1e-6))
            if cable not in one.cables:
                one.cables.append(cable)
    if line.length > 1e-2:
        near = line.buffer(ONE_TRENCH_M, cap_style="flat", quad_segs=2)
        dug.append(_Dug(line, near, [cable]))
