"""The cheapest way along the ground: around houses and water, square under paths.

A web of straight pieces joins the places to be wired, the corners of what is forbidden and points
along the edges of what is crossed in sleeves. No piece enters or leaves a cover but at its ends, so
that a piece's cost is its length times one penalty. Dijkstra's algorithm finds the way in the web;
then the points on edges are slid to where the way is cheapest, which is where it bends as light
does (Snell's law with the penalty for the index): the sum is convex in them, and Newton's method
ends at its least value. So bends are exact; which side of a thing to pass is told by the web.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from nightview.errors import NightviewError
from nightview.site.surface import Array
from nightview.wiring.ground import Ground
from nightview.wiring.slide import HAIR_M, slid

Piece = tuple[int, int]
"""Two nodes of a web, the lower number first."""
EDGE_POINTS, CLOSEST_M, WIDEST_M = 100, 0.6, 5.0
"""So many points along the edges of covers, no closer and no wider than this."""
VIA_SHARE = 0.01
"""A piece is left out where the way through a wired place costs so much more at most: a cable that
passes a lamp lies in that lamp's trench."""


@dataclass(frozen=True)
class Sleeve:
    """Where a cable goes under something. under : 'path "front path"'. line : its corners [m]."""

    under: str
    line: tuple[tuple[float, float], ...]

    @property
    def length_m(self) -> float:
        """Along the cable."""
        return length_of(np.array(self.line))

    @property
    def at(self) -> tuple[float, float]:
        """Its middle [m]."""
        middle = shapely.line_interpolate_point(shapely.LineString(self.line), 0.5, normalized=True)
        return middle.x, middle.y


@dataclass(frozen=True, eq=False)
class Way:
    """A way along the ground. points : (n, 2) [m]. sleeves : in order from its start."""

    points: Array
    sleeves: tuple[Sleeve, ...] = ()

    @property
    def length_m(self) -> float:
        """Along its points."""
        return length_of(self.points)


def length_of(points: Array) -> float:
    """The length of a line through points (n, 2)."""
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


@dataclass(frozen=True, eq=False)
class Web:
    """Places and corners with the straight pieces between them.

    points : (n, 2) [m], the places first. places : how many. ring, along : (n,) which edge of a
    cover a node slides on (−1 none), and how far along it it is. cost : (n, n) [m of open trench],
    infinite without a piece. lengths : (n, n) [m].
    """

    ground: Ground
    points: Array
    places: int
    ring: NDArray[np.int64]
    along: Array
    rings: tuple[Array, ...]
    cost: Array
    lengths: Array

    @staticmethod
    def of(ground: Ground, places: ArrayLike, via: int = 0) -> Web:
        """The web between places (n, 2); via : leave out pieces that pass one of the first so many."""
        given = np.asarray(places, float).reshape(-1, 2)
        corners, before, after = _corners(ground.forbidden)
        rings = [ring for _, shape in ground.by_penalty for ring in _rings(shape)]
        total = sum(length_of(ring) for ring in rings)
        step = float(np.clip(total / EDGE_POINTS, CLOSEST_M, WIDEST_M))
        judge = _Judge(ground)
        slid, ring_of, along = [], [], []
        for k, ring in enumerate(rings):
            points, places_along = _spread(ring, step)
            free = ~shapely.intersects_xy(judge.core, *points.T)
            slid.append(points[free])
            ring_of.append(np.full(int(free.sum()), k))
            along.append(places_along[free])
        fixed = len(given) + len(corners)
        points = np.concatenate([given, corners, *slid])
        ring_of_all = np.concatenate([np.full(fixed, -1), *ring_of])
        along_all = np.concatenate([np.zeros(fixed), *along])
        n = len(points)
        useful = np.ones((n, n), bool)
        useful[len(given) : fixed] = _tangent(corners, before, after, points)
        first, second = np.nonzero(np.triu(useful & useful.T, 1))
        penalty = judge(np.stack([points[first], points[second]], axis=1))
        lengths = np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))
        cost = np.full((n, n), np.inf)
        cost[first, second] = penalty * lengths[first, second]
        cost[second, first] = cost[first, second]
        cost = _thinned(cost, via)
        return Web(ground, points, len(given), ring_of_all, along_all, tuple(rings), cost, lengths)

    @cached_property
    def reached(self) -> tuple[Array, NDArray[np.int64]]:
        """Cost of the cheapest way from each place to each node, and the node before it."""
        n, rows = len(self.points), np.arange(self.places)
        cost = np.full((self.places, n), np.inf)
        before = np.full((self.places, n), -1)
        cost[rows, rows] = 0.0
        open_cost = cost.copy()
        done = np.zeros((self.places, n), bool)
        for _ in range(n):  # each place's next nearest node, all places in one step
            node = np.argmin(open_cost, axis=1)
            done[rows, node] = True
            open_cost[rows, node] = np.inf
            further = cost[rows, node][:, None] + self.cost[node]
            row, column = np.nonzero(further < cost)  # what is done cannot come nearer
            if not len(row) and (done[:, : self.places].all() or np.isinf(open_cost).all()):
                break
            cost[row, column] = open_cost[row, column] = further[row, column]
            before[row, column] = node[row]
        return cost, before

    @property
    def between(self) -> Array:
        """The cost of the cheapest way between any two places (places, places) [m of trench]."""
        return self.reached[0][:, : self.places]

    def nodes(self, a: int, b: int) -> list[int]:
        """The nodes of the cheapest way from place a to place b; [] if there is none."""
        before = self.reached[1][a]
        way = [b]
        while way[-1] != a:
            if before[way[-1]] < 0:
                return []
            way.append(int(before[way[-1]]))
        return way[::-1]

    def penalty(self, piece: Piece) -> float:
        """What a metre of a piece counts as."""
        return float(self.cost[piece] / self.lengths[piece]) if self.lengths[piece] > 0 else 1.0

    def slid(self, pieces: Collection[Piece]) -> Web:
        """The web with its edge points where these pieces together cost least."""
        points, along = slid(self, sorted(set(pieces)), _Judge(self.ground))
        return replace(self, points=points, along=along)

    def way(self, nodes: Sequence[int]) -> Way:
        """The way through nodes, with what it goes under."""
        pieces = list(itertools.pairwise(nodes))
        points = self.points[list(nodes)]
        sleeves: list[Sleeve] = []
        for a, b in pieces:
            if self.penalty(piece_of(a, b)) > 1.0:
                sleeves += _sleeves(self.ground, self.points[[a, b]])
        return Way(_straightened(points), tuple(_joined(sleeves)))


def route(ground: Ground, start: ArrayLike, end: ArrayLike, where: str) -> Way:
    """The cheapest way between two points (2,) [m].

    where : what the cable is called in messages. Errors: NightviewError if an end lies in something
    that no cable crosses, or if there is no way.
    """
    ends = np.asarray([start, end], float)
    for at in ends:
        if body := ground.crossed(shapely.Point(at)):
            raise NightviewError(
                where, f"an end at {_told(at)} lies inside {body}", "move it outside"
            )
    ends = np.array([ground.freed(at) for at in ends])
    web = Web.of(ground, ends)
    nodes = web.nodes(0, 1)
    if not nodes:
        raise no_way(where, *ends)
    return web.slid([piece_of(*pair) for pair in itertools.pairwise(nodes)]).way(nodes)


def stated(ground: Ground, points: ArrayLike, where: str) -> Way:
    """A way given by its corners (n, 2) [m].

    where : what the cable is called in messages. Errors: NightviewError if it goes through
    something that no cable crosses.
    """
    line = np.asarray(points, float)
    for a, b in itertools.pairwise(line):
        if body := ground.crossed(shapely.LineString([a, b])):
            raise NightviewError(
                where, f"goes through {body} between {_told(a)} and {_told(b)}",
                "add corners to route that lead around it, or drop route to have it laid out",
            )  # fmt: skip
    sleeves = [sleeve for pair in itertools.pairwise(line)
               for sleeve in _sleeves(ground, np.array(pair))]  # fmt: skip
    return Way(line, tuple(_joined(sleeves)))


def no_way(where: str, start: Array, end: Array) -> NightviewError:
    """The error of two places between which no cable can be laid."""
    return NightviewError(
        where, f"there is no way along the ground from {_told(start)} to {_told(end)}",
        "houses or water shut it off: move one of them, or state length instead",
    )  # fmt: skip


def piece_of(a: int, b: int) -> Piece:
    """The piece between two nodes, whichever comes first."""
    return (a, b) if a < b else (b, a)


def _told(at: Array) -> str:
    return f"({at[0]:.2f} m, {at[1]:.2f} m)"


# --- building the web -----------------------------------------------------------------------------


class _Judge:
    """What a metre of a straight piece counts as; infinite where it may not be laid as one."""

    def __init__(self, ground: Ground) -> None:
        self.core = shapely.buffer(ground.forbidden, -HAIR_M, join_style="mitre")
        self.covers = [
            (penalty, shapely.buffer(shape, -10 * HAIR_M, join_style="mitre"),
             shapely.buffer(shape, 10 * HAIR_M, join_style="mitre"))
            for penalty, shape in ground.by_penalty
        ]  # fmt: skip
        whole = shapely.union_all([ground.forbidden, *(shape for _, shape in ground.by_penalty)])
        self.taken = shapely.buffer(whole.buffer(HAIR_M), -10 * HAIR_M, join_style="mitre")
        for shape in (self.core, self.taken, *(s for _, *pair in self.covers for s in pair)):
            shapely.prepare(shape)

    def __call__(self, ends: Array) -> Array:
        """ends : (n, 2, 2) [m]. Returns (n,)."""
        penalty = np.ones(len(ends))
        lines = shapely.linestrings(ends)
        penalty[shapely.intersects(self.core, lines)] = np.inf
        for times, inner, outer in self.covers:
            open_ = np.flatnonzero(np.isfinite(penalty))
            under = open_[shapely.intersects(inner, lines[open_])]
            whole = shapely.covers(outer, lines[under])
            penalty[under] = np.where(whole, np.maximum(penalty[under], times), np.inf)
        # Along the line where two of them touch there is no free ground either.
        free = np.flatnonzero(penalty == 1.0)
        between = free[shapely.intersects(self.taken, lines[free])]
        penalty[between] = np.inf
        for times, _, outer in self.covers:
            beside = between[shapely.covers(outer, lines[between])]
            penalty[beside] = np.minimum(penalty[beside], times)
        return penalty


def _corners(shape: shapely.Geometry) -> tuple[Array, Array, Array]:
    """Corners that a way around a shape may turn at, those that stick out of it: (n, 2) each, with
    their neighbours before and after."""
    found = [np.empty((3, 0, 2))]
    for ring in _rings(shape):
        at = ring[:-1]
        before, after = np.roll(at, 1, axis=0), np.roll(at, -1, axis=0)
        out = _cross(at - before, after - at) > 1e-9
        found.append(np.stack([at, before, after])[:, out])
    at, before, after = np.concatenate(found, axis=1)
    return at, before, after


def _tangent(at: Array, before: Array, after: Array, points: Array) -> NDArray[np.bool_]:
    """Whether a way from a corner to a point goes past the corner, not into it: (corners, points).

    A shortest way turns only at corners that it is tangent to.
    """
    way = points[None] - at[:, None]
    one, other = (_cross(way, (end - at)[:, None]) for end in (before, after))
    return np.asarray(one * other >= -1e-9)


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _rings(shape: shapely.Geometry) -> list[Array]:
    """The closed edges of polygons, the body on their left: (n, 2) each, first point repeated."""
    rings = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon" and not part.is_empty:
            part = shapely.orient_polygons(part)
            rings += [shapely.get_coordinates(ring) for ring in (part.exterior, *part.interiors)]
    return rings


def _spread(ring: Array, step: float) -> tuple[Array, Array]:
    """Points along an edge (n, 2) at its corners and between, and how far along each is (n,)."""
    sides = np.hypot(*np.diff(ring, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(sides)])
    along = np.concatenate([
        np.linspace(a, b, max(1, round(side / step)), endpoint=False)
        for a, b, side in zip(at[:-1], at[1:], sides, strict=True) if side > 1e-9
    ])  # fmt: skip
    return np.stack([np.interp(along, at, ring[:, k]) for k in (0, 1)], axis=1), along


def _thinned(cost: Array, places: int) -> Array:
    """The pieces without those that a way through a place could replace."""
    kept = cost.copy()
    for w in range(places):  # one after the other, so that a way on always stays
        through = kept[w][:, None] + kept[w][None]
        through[w] = through[:, w] = np.inf
        kept[through <= (1.0 + VIA_SHARE) * cost] = np.inf
    return kept


# --- what a way goes under ------------------------------------------------------------------------


def _sleeves(ground: Ground, ends: Array) -> list[Sleeve]:
    """What a straight line between two points (2, 2) goes under, in order."""
    line = shapely.LineString(ends)
    found = []
    for cover in ground.covers:
        for part in shapely.get_parts(shapely.intersection(cover.shape, line)):
            if part.length > 0.02:
                own = tuple((float(x), float(y)) for x, y in shapely.get_coordinates(part))
                far = [float(np.hypot(*(np.array(at) - ends[0]))) for at in (own[0], own[-1])]
                own = own if far[0] <= far[1] else own[::-1]
                found.append((min(far), Sleeve(str(cover), own)))
    return [sleeve for _, sleeve in sorted(found, key=lambda pair: pair[0])]


def _joined(sleeves: list[Sleeve]) -> list[Sleeve]:
    """Sleeves under one thing that go on from each other, as one."""
    joined: list[Sleeve] = []
    for sleeve in sleeves:
        last = joined[-1] if joined else None
        if last and last.under == sleeve.under and math.dist(last.line[-1], sleeve.line[0]) < 0.05:
            joined[-1] = Sleeve(sleeve.under, last.line + sleeve.line)
        else:
            joined.append(sleeve)
    return joined


def _straightened(points: Array) -> Array:
    """The line without points that it does not turn at."""
    kept = [points[0]]
    for here, after in itertools.pairwise(points[1:]):
        into, out = here - kept[-1], after - here
        sine = abs(float(_cross(into, out)))
        if sine > 1e-9 * (1.0 + float(np.hypot(*into)) * float(np.hypot(*out))):
            kept.append(here)
    return np.array([*kept, points[-1]])
