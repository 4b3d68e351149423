"""One run of a proposal: some lamps, how their cable is laid, and the cheapest gauges that serve.

A run is a tree of legs from the transformer. Its feed, up to the first joint, has one gauge, all
that follows another that is no thicker: what can be bought and laid as two cables. All pairs of
gauges, taps and both temperatures are solved side by side, by the fixed point

    u = V − (2·ρ_feed·F + 2·ρ_body·B + C)·I(u),

F, B: metres of feed and body that the ways to two lamps have in common; C: connectors and leads.
From u = V on it falls to the upper, stable solution where there is one; volts below half a tap's
serve no lamp and are not followed. Hot, lamps are taken so much stronger that the reserve is used
up: what is added to a run later must not bring its lamps below their window.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from nightview.scene.wiring_model import Wiring
from nightview.site.surface import Array
from nightview.wiring.copper import fuse_a, loop_ohms, ohms_per_metre
from nightview.wiring.layout import Trenches, pairs_of
from nightview.wiring.network import WiredLamp
from nightview.wiring.prices import Prices
from nightview.wiring.route import Piece

Flags = NDArray[np.bool_]
Ints = NDArray[np.int64]

LAYOUTS = ("daisy", "tee", "hub", "branched")
"""daisy, tee and hub as in ``layout``; branched: along the tree of trenches that costs least."""
GUARD_V = 0.01
"""Kept off both ends of a lamp's window, for what rounding of lengths may change."""
SETTLED_V = 1e-5
MOST_STEPS = 60


@dataclass(frozen=True, eq=False)
class Run:
    """A run that serves: lamps by number, legs as pairs of places, what they cost and carry.

    feeds : how many of the legs are feed. price : cable with slack and waste, joints, hub.
    amps, va : at most, over both temperatures. margin_v : nearest any lamp comes to an end of its
    window, hot with the reserve in use. pieces : of the web, that its trenches take.
    """

    lamps: frozenset[int]
    layout: str
    legs: tuple[tuple[int, int], ...]
    feeds: int
    feed: str
    body: str
    tap_v: float
    price: float
    amps: float
    va: float
    margin_v: float
    pieces: frozenset[Piece]

    @property
    def layout_told(self) -> str:
        """Its layout, by its legs: what parts nowhere is a chain."""
        starts = [a for a, _ in self.legs]
        return "daisy" if len(set(starts)) == len(starts) else self.layout


@dataclass(frozen=True, eq=False)
class Shape:
    """The legs of a run before its gauges are chosen, parents first.

    feeds : how many of them are feed. metres : (legs,) of cable, slack included. pieces : of the
    web. joints : price of connectors and hub. least : price at the cheapest gauges.
    """

    legs: tuple[tuple[int, int], ...]
    feeds: int
    metres: Array
    pieces: frozenset[Piece]
    joints: float
    least: float


@dataclass(frozen=True, eq=False)
class Job:
    """What is to be wired. Place 0 is the transformer, then come the lamps, then spots for hubs.

    taps_v, circuit_a : of the transformers to choose from, the most of a circuit that runs may take.
    """

    lamps: tuple[WiredLamp, ...]
    trenches: Trenches
    prices: Prices
    wiring: Wiring
    taps_v: tuple[float, ...]
    circuit_a: float
    spots: int = 0
    _runs: dict[tuple[frozenset[int], str], Run | None] = field(default_factory=dict)
    _shapes: dict[tuple[frozenset[int], str], Shape | None] = field(default_factory=dict)
    _ways: dict[tuple[int, int], tuple[float, frozenset[Piece]]] = field(default_factory=dict)

    @property
    def cost(self) -> Array:
        """Between places [m of open trench]."""
        return self.trenches.cost

    def with_taps(self, taps_v: tuple[float, ...], circuit_a: float) -> Job:
        """The same job on another kind of transformer."""
        return Job(self.lamps, self.trenches, self.prices, self.wiring, taps_v, circuit_a,
                   self.spots, {}, self._shapes, self._ways)  # fmt: skip

    def way(self, a: int, b: int) -> tuple[float, frozenset[Piece]]:
        """Cable between two places [m], slack left out, and the pieces that it takes."""
        if (a, b) not in self._ways:
            pieces = self.trenches.pieces(a, b, self._told(b))
            length = sum(float(self.trenches.web.lengths[piece]) for piece in pieces)
            feet = self.trenches.feet
            length += sum(feet[self.trenches.names[k]].rise_m for k in (a, b))
            self._ways[a, b] = self._ways[b, a] = (length, frozenset(pieces))
        return self._ways[a, b]

    def _told(self, place: int) -> str:
        return f'the cable to "{self.trenches.names[place]}"'

    @cached_property
    def draw(self) -> _Draw:
        """What all its lamps draw."""
        return _Draw.of(self.lamps, self.wiring)

    @cached_property
    def cables(self) -> _Cables:
        """What feeds and bodies can be made of."""
        return _Cables.of(self.prices, self.wiring)

    def dig(self, piece: Piece) -> float:
        """What digging a piece costs."""
        web = self.trenches.web
        prices = self.prices
        sleeve = prices.sleeve_a_metre if web.penalty(piece) > 1.0 else 0.0
        return float(web.lengths[piece]) * (prices.trench_a_metre + sleeve)

    @cached_property
    def digs(self) -> Mapping[Piece, float]:
        """``dig`` of every piece of the web that can be laid."""
        first, second = np.nonzero(np.triu(np.isfinite(self.trenches.web.cost), 1))
        return {
            (a, b): self.dig((a, b)) for a, b in zip(first.tolist(), second.tolist(), strict=True)
        }

    def shape(self, lamps: frozenset[int], layout: str) -> Shape | None:
        """How the lamps (numbers from 0) are joined in this layout; None if it is no single run."""
        key = (lamps, layout)
        if key not in self._shapes:
            self._shapes[key] = _shape(self, lamps, layout)
        return self._shapes[key]

    def run(self, lamps: frozenset[int], layout: str) -> Run | None:
        """The cheapest run of this layout through the lamps (numbers from 0); None if none serves."""
        key = (lamps, layout)
        if key not in self._runs:
            shape = self.shape(lamps, layout)
            self._runs[key] = None if shape is None else _run(self, lamps, layout, shape)
        return self._runs[key]


def legs_of(job: Job, lamps: Sequence[int], layout: str) -> tuple[list[tuple[int, int]], int]:
    """The legs of a layout as pairs of places, parents first, and how many of them are feed."""
    stops = [lamp + 1 for lamp in lamps]
    if layout == "branched":
        legs = _tree(job.cost, stops)
        return legs, _trunk(legs)
    if layout == "hub":
        choice = [*stops, *range(len(job.lamps) + 1, len(job.lamps) + 1 + job.spots)]
        reach = job.cost[np.ix_(choice, stops)].sum(axis=1) + job.cost[0, choice]
        return pairs_of(job.cost, stops, 0, "hub", choice[int(np.argmin(reach))]), 1
    near = [0, *stops]  # a table of these alone is quicker to search
    legs = pairs_of(job.cost[np.ix_(near, near)], range(1, len(near)), 0, layout)
    return [(near[a], near[b]) for a, b in legs], 1


def _tree(cost: Array, stops: Sequence[int]) -> list[tuple[int, int]]:
    """The tree that costs least (Prim 1957), from place 0."""
    legs: list[tuple[int, int]] = []
    near = {stop: (float(cost[0, stop]), 0) for stop in stops}
    while near:
        stop = min(near, key=lambda one: near[one])
        legs.append((near.pop(stop)[1], stop))
        for one in near:
            near[one] = min(near[one], (float(cost[stop, one]), stop))
    return legs


def _trunk(legs: Sequence[tuple[int, int]]) -> int:
    """How many legs of a tree are feed: the first, where it alone leaves the transformer."""
    return sum(a == 0 for a, _ in legs)


def _shape(job: Job, lamps: frozenset[int], layout: str) -> Shape | None:
    chosen = sorted(lamps)
    legs, feeds = legs_of(job, chosen, layout)
    if layout == "branched" and feeds > 1:
        return None  # several cables leave the transformer: those are several runs
    ways = [job.way(*leg) for leg in legs]
    slack = np.array([job.wiring.slack_m if end - 1 in lamps else 0.0 for _, end in legs])
    metres = np.maximum(np.array([length for length, _ in ways]) + slack, 1e-3)
    pieces = frozenset().union(*(own for _, own in ways))
    joints = len(chosen) * job.prices.splice + (job.prices.hub if layout == "hub" else 0.0)
    cheapest = float(job.cables.price.min()) * (1.0 + job.wiring.waste)
    return Shape(tuple(legs), feeds, metres, pieces, joints, joints + cheapest * metres.sum())


def _run(job: Job, lamps: frozenset[int], layout: str, shape: Shape) -> Run | None:
    chosen = sorted(lamps)
    row = {lamp + 1: k for k, lamp in enumerate(chosen)}
    is_feed = np.arange(len(shape.legs)) < shape.feeds
    found = _cheapest(
        job, shape.metres, _below(shape.legs, row), is_feed, job.draw.of_lamps(chosen)
    )
    if found is None:
        return None
    chosen_pair, price = found
    feed, body = job.cables.pairs[chosen_pair.pair]
    return Run(
        lamps, layout, shape.legs, shape.feeds, feed, body, chosen_pair.tap_v,
        price + shape.joints, chosen_pair.amps, chosen_pair.amps * chosen_pair.tap_v,
        chosen_pair.margin_v, shape.pieces,
    )  # fmt: skip


def _below(legs: Sequence[tuple[int, int]], row: Mapping[int, int]) -> Array:
    """(legs, lamps) 1 where a lamp hangs on a leg."""
    below = np.zeros((len(legs), len(row)))
    number: dict[int, int] = {}
    for k, (_, end) in enumerate(legs):
        number.setdefault(end, k)  # a hub may stand where one of its lamps does
        if end in row:
            below[k, row[end]] = 1.0
    for k in range(len(legs) - 1, -1, -1):
        above = number.get(legs[k][0])
        if above is not None and above != k:
            below[above] = np.maximum(below[above], below[k])
    return below


@dataclass(frozen=True, eq=False)
class _Draw:
    """What lamps draw, as columns (n, 1)."""

    va: Array
    rated_v: Array
    exponent: Array
    least_v: Array
    most_v: Array
    lead_ohms: Array  # (n, 2) hot and cold

    @staticmethod
    def of(lamps: Sequence[WiredLamp], wiring: Wiring) -> _Draw:
        def column(key: str) -> Array:
            return np.array([[getattr(lamp, key)] for lamp in lamps], float)

        leads = [
            [
                loop_ohms(lamp.lead_gauge, lamp.lead_m, 1, wiring.resistance, c)
                for c in (wiring.hot_c, wiring.cold_c)
            ]
            for lamp in lamps
        ]
        return _Draw(
            column("power_va"), column("volts_v"), column("exponent"), column("least_v"),
            column("most_v"), np.array(leads),
        )  # fmt: skip

    def of_lamps(self, lamps: Sequence[int]) -> _Draw:
        """Of some of them, by number."""
        return _Draw(*(getattr(self, one.name)[list(lamps)] for one in fields(self)))

    def amps(self, volts: Array) -> Array:
        """At volts (n, cases)."""
        if not self.exponent.any():
            return np.asarray(self.va / volts)
        return np.asarray(self.va / self.rated_v * (volts / self.rated_v) ** (self.exponent - 1.0))


@dataclass(frozen=True, eq=False)
class _Cables:
    """The pairs of gauges to choose from, feed no thinner than body.

    price : (pairs, 2) of a metre of feed and of body. ohms : (pairs, 2, 2) loop resistance of a
    metre of feed and of body, hot and cold. most_a : (pairs, 2) what they may carry.
    """

    pairs: tuple[tuple[str, str], ...]
    price: Array
    ohms: Array
    most_a: Array

    @staticmethod
    def of(prices: Prices, wiring: Wiring) -> _Cables:
        gauges = prices.gauges
        pairs = tuple((feed, body) for k, feed in enumerate(gauges) for body in gauges[: k + 1])
        ohms = {
            gauge: [2.0 * ohms_per_metre(gauge, wiring.resistance, c)
                    for c in (wiring.hot_c, wiring.cold_c)]
            for gauge in gauges
        }  # fmt: skip
        return _Cables(
            pairs,
            np.array([[prices.cable_a_metre(gauge) for gauge in pair] for pair in pairs]),
            np.array([[ohms[gauge] for gauge in pair] for pair in pairs]),
            np.array([[fuse_a(gauge) for gauge in pair] for pair in pairs]),
        )


class _Chosen(NamedTuple):
    """A pair of gauges (by number) that serves, on its best tap, and what flows at most."""

    pair: int
    tap_v: float
    margin_v: float
    amps: float


def _cheapest(
    job: Job, metres: Array, below: Array, is_feed: Flags, draw: _Draw
) -> tuple[_Chosen, float] | None:
    """The cheapest pair that serves, and its price."""
    whole = np.array([metres[is_feed].sum(), metres[~is_feed].sum()])
    price = (1.0 + job.wiring.waste) * (job.cables.price @ whole)
    order = np.argsort(price, kind="stable").astype(np.int64)
    # Most runs are served by the cheapest pair: the others are solved only where it does not.
    for tried in (order[:1], order[1:]):
        found = _serving(job, metres, below, is_feed, draw, tried) if len(tried) else None
        if found is not None:
            return found, float(price[found.pair])
    return None


def _serving(
    job: Job, metres: Array, below: Array, is_feed: Flags, draw: _Draw, tried: Ints
) -> _Chosen | None:
    """The first of these pairs that serves."""
    margin, flow = _tried(job, metres, below, is_feed, draw, tried)
    serves = (margin >= GUARD_V) & (flow[0] <= job.circuit_a)  # the first leg carries all
    for part, most in zip((is_feed, ~is_feed), job.cables.most_a[tried].T, strict=True):
        if part.any():
            serves &= flow[part].max(axis=0) <= most[:, None]
    for i in np.flatnonzero(serves.any(axis=1)):
        t = int(np.argmax(np.where(serves[i], margin[i], -np.inf)))
        return _Chosen(int(tried[i]), job.taps_v[t], float(margin[i, t]), float(flow[0, i, t]))
    return None


def _tried(
    job: Job, metres: Array, below: Array, is_feed: Flags, draw: _Draw, tried: Ints
) -> tuple[Array, Array]:
    """Margin (pairs, taps) [V] and the most that each leg carries (legs, pairs, taps) [A]."""
    cables, taps, shape = job.cables, len(job.taps_v), (len(tried), len(job.taps_v), 2)
    ohms = np.broadcast_to(cables.ohms[tried][:, None], (len(tried), taps, 2, 2))
    tap = np.broadcast_to(np.array(job.taps_v)[None, :, None], shape)
    volts, amps = _solved(job, metres, below, is_feed, draw, ohms, tap)
    # Hot they were solved with lamps that take up the reserve: what they carry today is less.
    amps = amps * np.tile([1.0 - job.wiring.reserve, 1.0], len(tried) * taps)
    margin = np.minimum((volts - draw.least_v).min(axis=0), (draw.most_v - volts).min(axis=0))
    flow = (below @ amps).reshape(len(below), *shape).max(axis=3)
    return margin.reshape(shape).min(axis=2), flow


def next_cheaper(job: Job, run: Run) -> tuple[tuple[str, str], float] | None:
    """The dearest pair of gauges that is cheaper than a run's, and its margin on its best tap [V].

    None where the run has the cheapest pair of all.
    """
    shape = job.shape(run.lamps, run.layout)
    assert shape is not None
    is_feed = np.arange(len(shape.legs)) < run.feeds
    chosen = sorted(run.lamps)
    below = _below(shape.legs, {lamp + 1: k for k, lamp in enumerate(chosen)})
    whole = np.array([shape.metres[is_feed].sum(), shape.metres[~is_feed].sum()])
    price = job.cables.price @ whole
    own = price[job.cables.pairs.index((run.feed, run.body))]
    less = np.flatnonzero(price < own - 1e-9)
    if not len(less):
        return None
    k = less[np.argmax(price[less])]
    draw = job.draw.of_lamps(chosen)
    margin, _ = _tried(job, shape.metres, below, is_feed, draw, np.array([k]))
    return job.cables.pairs[k], float(margin.max())


def _solved(
    job: Job, metres: Array, below: Array, is_feed: Flags, draw: _Draw, ohms: Array, tap: Array
) -> tuple[Array, Array]:
    """Volts at the lamps' terminals and amperes, (lamps, cases).

    ohms : (..., feed or body, hot or cold) of a metre. tap : (..., hot or cold) [V].
    """
    feed = (below.T * (metres * is_feed)) @ below
    body = (below.T * (metres * ~is_feed)) @ below
    feed_ohms, body_ohms = ohms[..., 0, :].ravel(), ohms[..., 1, :].ravel()
    supply = tap.ravel()
    own = np.tile(draw.lead_ohms, len(supply) // 2)
    joints = 2.0 * job.wiring.splice_ohm * (below.T @ below)
    later = np.tile([1.0 / (1.0 - job.wiring.reserve), 1.0], len(supply) // 2)
    falling = not draw.exponent.any()  # from step to step: what is too low stays so
    volts = np.broadcast_to(supply, (below.shape[1], len(supply)))
    amps = later * draw.amps(volts)
    for _ in range(MOST_STEPS):
        drop = feed_ohms * (feed @ amps) + body_ohms * (body @ amps) + own * amps
        if job.wiring.splice_ohm:
            drop = drop + joints @ amps
        after = np.maximum(supply - drop, 0.5 * supply)
        moved = np.abs(after - volts).max(axis=0)
        volts, amps = after, later * draw.amps(after)
        if falling:
            moved = moved[(after >= draw.least_v).all(axis=0)]
        if not moved.size or moved.max() < SETTLED_V:
            break
    return volts, amps
