"""How cheap a proposal could be at best: a lower bound by integer programming (HiGHS).

Few lamps: every subset of them may be a run, laid in any of the layouts, at the cheapest gauges
that serve. Which subsets to take, so that each lamp has its run, each trench is paid once and the
transformers carry it, is an integer program whose bound holds for all proposals of this kind:

    least  Σ price·x + Σ dig·y + Σ price·z
    Σ x over runs with lamp i = 1            for each lamp
    Σ x over runs with lamp i in piece p ≤ y for each lamp and piece
    Σ VA·x ≤ (1 − reserve) Σ VA·z,  Σ A·x ≤ (1 − reserve) Σ A·z
    Σ f(VA)·x ≤ Σ z,                Σ f(A)·x ≤ Σ commons·z

with f a dual feasible function: packing runs into units and circuits takes at least so many.

Orders within a run are those of ``order.chain``, hubs stand on the spots tried: the bound is of
that choice, not of every line that could be drawn.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightview.wiring.prices import TransformerPrice
from nightview.wiring.runs import Job, Run
from nightview.wiring.search import MOST_UNITS, supply_of

MOST_LAMPS = 9
"""Of more than these the subsets are too many: 511, each in every layout."""
SECONDS = 20.0


@dataclass(frozen=True, eq=False)
class Bound:
    """No proposal of this kind costs less than price. runs : of the best choice found, if proven
    or not."""

    price: float
    runs: tuple[Run, ...]


def bound(job: Job, kinds: Sequence[TransformerPrice], layouts: Sequence[str]) -> Bound | None:
    """The bound for a job of at most MOST_LAMPS lamps; None for more, or where no choice serves."""
    n = len(job.lamps)
    if not 0 < n <= MOST_LAMPS:
        return None
    runs = [
        run
        for size in range(1, n + 1)
        for chosen in itertools.combinations(range(n), size)
        for layout in layouts
        if (run := job.run(frozenset(chosen), layout)) is not None
        and supply_of([run], kinds, job.wiring.reserve) is not None
    ]
    if not runs:
        return None
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    runs = _undominated(runs)
    pieces = sorted(frozenset().union(*(run.pieces for run in runs)))
    column = {piece: len(runs) + k for k, piece in enumerate(pieces)}
    first_kind = len(runs) + len(pieces)
    count = first_kind + len(kinds)
    price = np.concatenate([
        [run.price for run in runs], [job.digs[piece] for piece in pieces],
        [kind.price for kind in kinds],
    ])  # fmt: skip
    rows: list[dict[int, float]] = []
    low: list[float] = []
    high: list[float] = []

    def add(row: dict[int, float], least: float, most: float) -> None:
        rows.append(row)
        low.append(least)
        high.append(most)

    for lamp in range(n):
        add({k: 1.0 for k, run in enumerate(runs) if lamp in run.lamps}, 1.0, 1.0)
    for piece in pieces:
        for lamp in range(n):
            row = {k: 1.0 for k, run in enumerate(runs)
                   if lamp in run.lamps and piece in run.pieces}  # fmt: skip
            if row:
                add({**row, column[piece]: -1.0}, -np.inf, 0.0)
    kept = 1.0 - job.wiring.reserve
    for of_run, of_one, bins in (
        ([run.va for run in runs], [kind.power_va for kind in kinds], [1] * len(kinds)),
        ([run.amps for run in runs], [kind.circuit_limit_a for kind in kinds],
         [kind.commons for kind in kinds]),
    ):  # fmt: skip
        row = dict(enumerate(of_run))
        room = {first_kind + k: -kept * one * own for k, (one, own) in enumerate(zip(of_one, bins, strict=True))}  # fmt: skip
        add({**row, **room}, -np.inf, 0.0)
        # No run is shared out between two units: what does not fit twice takes one each.
        largest = kept * max(of_one)
        for parts in (1, 2, 3):
            shares = {k: share for k, has in enumerate(of_run)
                      if (share := _share(has / largest, parts)) > 0.0}  # fmt: skip
            add({**shares, **{first_kind + k: -float(own) for k, own in enumerate(bins)}}, -np.inf, 0.0)  # fmt: skip
    entries = [(i, k, value) for i, row in enumerate(rows) for k, value in row.items()]
    i, k, value = (np.array(part) for part in zip(*entries, strict=True))
    matrix = coo_array((value, (i, k)), (len(rows), count)).tocsr()
    integral = np.ones(count)
    integral[len(runs) : first_kind] = 0
    most = np.ones(count)
    most[first_kind:] = MOST_UNITS
    found = milp(
        price, integrality=integral, bounds=Bounds(0.0, most),
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": SECONDS, "mip_rel_gap": 1e-6},
    )  # fmt: skip
    if found.x is None:
        return None
    taken = tuple(run for run, x in zip(runs, found.x, strict=False) if x > 0.5)
    return Bound(float(found.mip_dual_bound), taken)


def _share(size: float, parts: int) -> float:
    """A dual feasible function of a size in bins of 1 (Fekete and Schepers 2001): Σ ≤ 1 in a bin."""
    whole = (parts + 1) * size
    nearest = round(whole)
    if abs(whole - nearest) < 1e-9:
        return nearest / (parts + 1)
    return math.floor(whole) / parts


def _undominated(runs: list[Run]) -> list[Run]:
    """The runs without those that another through the same lamps is better than in all respects."""
    by_lamps: dict[frozenset[int], list[Run]] = {}
    for run in runs:
        kept = by_lamps.setdefault(run.lamps, [])
        if any(_better(other, run) for other in kept):
            continue
        kept[:] = [other for other in kept if not _better(run, other)] + [run]
    return [run for kept in by_lamps.values() for run in kept]


def _better(one: Run, other: Run) -> bool:
    return (
        one.price <= other.price and one.va <= other.va and one.amps <= other.amps
        and one.pieces <= other.pieces
    )  # fmt: skip
