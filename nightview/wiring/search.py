"""Which lamps share a run: a search for the grouping that costs least.

A chain through all lamps is cut into runs as dynamic programming finds cheapest (route first,
cluster second: Beasley 1983). Then lamps change runs, runs are joined and cut, as long as that
saves money. A trench is paid once however many runs lie in it, so a change is judged by what the
job costs as a whole. Nothing is drawn by lot: the same scene gives the same proposal.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from nightview.wiring.order import chain
from nightview.wiring.prices import TransformerPrice
from nightview.wiring.route import Piece
from nightview.wiring.runs import Job, Run

MOST_UNITS = 4
"""Transformers side by side."""
NEAR_LAMPS = 5
"""A lamp changes to a run of one of its nearest lamps only."""
LONGEST = 24
"""Lamps of a run, at most."""
ROUNDS = 30
_HAIR = 1e-6


@dataclass(frozen=True, eq=False)
class Supply:
    """Transformers of one kind that carry the runs. circuits : the runs by number on each common."""

    kind: TransformerPrice
    units: int
    circuits: tuple[tuple[int, ...], ...]

    @property
    def price(self) -> float:
        """Of all units."""
        return self.units * self.kind.price


@dataclass(frozen=True, eq=False)
class Design:
    """Runs and their supply. digging : price of all trenches, each once."""

    job: Job
    runs: tuple[Run, ...]
    supply: Supply
    digging: float

    @cached_property
    def price(self) -> float:
        """Of cable, joints, digging and transformers."""
        return sum(run.price for run in self.runs) + self.digging + self.supply.price


def supply_of(
    runs: Sequence[Run], kinds: Sequence[TransformerPrice], reserve: float
) -> Supply | None:
    """The cheapest transformers of one kind that carry runs with the reserve; None if none do."""
    best: Supply | None = None
    for kind in kinds:
        for units in range(1, MOST_UNITS + 1):
            if best is not None and units * kind.price >= best.price:
                break
            circuits = _packed(runs, kind, units, reserve)
            if circuits is not None:
                best = Supply(kind, units, circuits)
                break
    return best


def _packed(
    runs: Sequence[Run], kind: TransformerPrice, units: int, reserve: float
) -> tuple[tuple[int, ...], ...] | None:
    """Runs on the commons of so many units, the largest first where there is most room."""
    if any(run.tap_v not in kind.taps_v for run in runs):
        return None
    va = [(1.0 - reserve) * kind.power_va] * units
    amps = [[(1.0 - reserve) * kind.circuit_limit_a] * kind.commons for _ in range(units)]
    found: list[list[int]] = [[] for _ in range(units * kind.commons)]
    for k in sorted(range(len(runs)), key=lambda k: -runs[k].va):
        run = runs[k]
        fits = [
            (room, u, c)
            for u in range(units) if va[u] >= run.va - _HAIR
            for c, room in enumerate(amps[u]) if room >= run.amps - _HAIR
        ]  # fmt: skip
        if not fits:
            return None
        _, u, c = max(fits, key=lambda fit: (fit[0], -fit[1], -fit[2]))
        va[u] -= run.va
        amps[u][c] -= run.amps
        found[u * kind.commons + c].append(k)
    return tuple(map(tuple, found))


def searched(
    job: Job,
    kinds: Sequence[TransformerPrice],
    layouts: Sequence[str],
    begun: Sequence[Design] = (),
) -> Design | None:
    """The cheapest design that was found with these layouts; None if some lamp cannot be served.

    begun : designs to go on from, instead of a chain that is cut.
    """
    draw = sum(lamp.power_va for lamp in job.lamps if lamp.exponent == 0.0)
    if draw > (1.0 - job.wiring.reserve) * MOST_UNITS * max(kind.power_va for kind in kinds):
        return None
    search = _Search(job, tuple(kinds), tuple(layouts))
    best: Design | None = None
    # Of a run's own trench all or nothing is counted when the chain is cut.
    beginnings: list[list[Run] | None] = [list(one.runs) for one in begun]
    for runs in beginnings or [search.cut(1.0), search.cut(0.0)]:
        design = search.bettered(runs) if runs is not None else None
        if design is not None and (best is None or design.price < best.price - _HAIR):
            best = design
    return best


class _Search:
    def __init__(self, job: Job, kinds: tuple[TransformerPrice, ...], layouts: tuple[str, ...]) -> None:  # fmt: skip
        self.job, self.kinds, self.layouts = job, kinds, layouts
        near = job.cost[1 : len(job.lamps) + 1, 1 : len(job.lamps) + 1]
        self.near = [
            [int(j) for j in row.argsort(kind="stable") if j != i][:NEAR_LAMPS]
            for i, row in enumerate(near)
        ]
        # A run's share of its transformer, by what it draws: what splits the choice of a larger one.
        self.a_va = min(kind.price / kind.power_va for kind in kinds) / (1.0 - job.wiring.reserve)

    # --- the beginning ---

    def cut(self, share: float) -> list[Run] | None:
        """A chain through all lamps, cut where that is cheapest."""
        n = len(self.job.lamps)
        order = [place - 1 for place in chain(self.job.cost, 0, range(1, n + 1))]
        best: list[tuple[float, int, Run | None]] = [(0.0, -1, None)]
        best += [(math.inf, -1, None)] * n
        for begin in range(n):
            if math.isinf(best[begin][0]):
                continue
            for end in range(begin + 1, min(n, begin + LONGEST) + 1):
                found = self.cheapest(frozenset(order[begin:end]), (), share)
                if found is None:
                    break  # with more lamps none will serve either
                price, run = found
                there = best[begin][0] + price
                if there < best[end][0]:
                    best[end] = (there, begin, run)
        runs: list[Run] = []
        end = n
        while end > 0:
            _, begin, last = best[end]
            if last is None:
                return None
            runs.append(last)
            end = begin
        return runs[::-1]

    def cheapest(
        self, lamps: frozenset[int], dug: Collection[Piece], share: float = 1.0
    ) -> tuple[float, Run] | None:
        """The run through these lamps that costs least beside trenches that are dug already."""
        digs = self.job.digs
        tries = []
        for k, layout in enumerate(self.layouts):
            shape = self.job.shape(lamps, layout)
            if shape is not None:
                digging = share * sum(digs[piece] for piece in shape.pieces if piece not in dug)
                tries.append((shape.least + digging, k, digging))
        best: tuple[float, Run] | None = None
        for least, k, digging in sorted(tries):
            if best is not None and least >= best[0]:
                break
            run = self.job.run(lamps, self.layouts[k])
            if run is not None:
                price = run.price + digging + self.a_va * run.va
                if best is None or price < best[0] - _HAIR:
                    best = (price, run)
        return best

    # --- bettering ---

    def design(self, runs: Sequence[Run]) -> Design | None:
        supply = supply_of(runs, self.kinds, self.job.wiring.reserve)
        if supply is None:
            return None
        pieces = frozenset().union(*(run.pieces for run in runs))
        digging = sum(self.job.digs[piece] for piece in sorted(pieces))
        return Design(self.job, tuple(runs), supply, digging)

    def bettered(self, runs: list[Run]) -> Design | None:
        """The design after changes, until none of them saves money."""
        best = self.design(runs)
        for _ in range(ROUNDS):
            before = best.price if best is not None else math.inf
            for change in (self.moves, self.unions, self.cuts, self.again):
                best = self.accepted(best, runs, change)
                runs = list(best.runs) if best is not None else runs
            if best is None or best.price > before - _HAIR:
                break
        return best

    def accepted(self, best: Design | None, runs: list[Run], change: object) -> Design | None:
        """The design with every change taken that saves money."""
        assert callable(change)
        again = True
        while again:
            again = False
            for taken, groups in change(runs):
                if any(len(group) > LONGEST for group in groups):
                    continue
                kept = [run for run in runs if run not in taken]
                dug = set().union(*(run.pieces for run in kept))
                new: list[Run] = []
                for group in groups:
                    found = self.cheapest(group, dug)
                    if found is None:
                        break
                    new.append(found[1])
                    dug |= found[1].pieces
                else:
                    trial = self.design([*kept, *new])
                    if trial is not None and (best is None or trial.price < best.price - _HAIR):
                        best, runs, again = trial, [*kept, *new], True
                        break
        return best

    def moves(self, runs: list[Run]) -> Iterator[tuple[list[Run], list[frozenset[int]]]]:
        """One lamp to the run of a near one, and two lamps of two runs exchanged."""
        home = {lamp: run for run in runs for lamp in run.lamps}
        for lamp, run in home.items():
            for other in _unlike((home[near] for near in self.near[lamp]), run):
                left, joined = run.lamps - {lamp}, other.lamps | {lamp}
                yield [run, other], [group for group in (joined, left) if group]
        for lamp, run in home.items():
            for near in self.near[lamp]:
                other = home[near]
                if other is not run:
                    one = run.lamps - {lamp} | {near}
                    yield [run, other], [one, other.lamps - {near} | {lamp}]

    def unions(self, runs: list[Run]) -> Iterator[tuple[list[Run], list[frozenset[int]]]]:
        """Two runs as one, where they come near each other."""
        home = {lamp: k for k, run in enumerate(runs) for lamp in run.lamps}
        pairs = {
            tuple(sorted((home[lamp], home[near]))) for lamp in home for near in self.near[lamp]
        }
        pairs |= set(itertools.combinations(range(len(runs)), 2)) if len(runs) <= 6 else set()
        for a, b in sorted(pairs):
            if a != b:
                yield [runs[a], runs[b]], [runs[a].lamps | runs[b].lamps]

    def cuts(self, runs: list[Run]) -> Iterator[tuple[list[Run], list[frozenset[int]]]]:
        """A run as two: cut at one of its legs."""
        for run in runs:
            for leg in run.legs[1:]:
                part = _hanging(run, leg)
                if part and part != run.lamps:
                    yield [run], [run.lamps - part, part]

    def again(self, runs: list[Run]) -> Iterator[tuple[list[Run], list[frozenset[int]]]]:
        """A run laid anew, since trenches of others may have come near."""
        for run in runs:
            yield [run], [run.lamps]


def _unlike(runs: Iterable[Run], run: Run) -> list[Run]:
    """The others, each once, in order."""
    found: list[Run] = []
    for other in runs:
        if other is not run and other not in found:
            found.append(other)
    return found


def _hanging(run: Run, leg: tuple[int, int]) -> frozenset[int]:
    """The lamps of a run beyond one of its legs."""
    below = {leg[1]}
    for a, b in run.legs:  # parents come first
        if a in below and (a, b) != leg:
            below.add(b)
    return frozenset(place - 1 for place in below if place - 1 in run.lamps)
