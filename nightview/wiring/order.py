"""In which order a cable visits its lamps: short chains and rings through given places.

Up to seven places the best of all orders is found; with more, three beginnings (nearest place next,
nearest and farthest place put in where it costs least) are bettered by turning a stretch around
(2-opt) and by moving up to three in a row elsewhere (or-opt) until neither helps.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from nightview.site.surface import Array

EXACT = 7
_HAIR = 1e-9


def chain(cost: Array, start: int, stops: Sequence[int], closed: bool = False) -> list[int]:
    """The stops in the order that costs least from start on; closed : and back to it.

    cost : (n, n), the same both ways. start, stops : rows of it.
    """
    if len(stops) < 2:
        return list(stops)
    table = cost.tolist()
    back = start if closed else None
    if len(stops) <= EXACT:
        return _of_all(table, start, stops, back)
    return _of_several(table, start, stops, back)


def free_chain(cost: Array, stops: Sequence[int]) -> list[int]:
    """The stops in the order that costs least, wherever it begins."""
    if len(stops) < 3:
        return list(stops)
    table = cost.tolist()
    outside = len(table)  # a place that costs nothing to come from
    table = [[*row, 0.0] for row in table] + [[0.0] * (outside + 1)]
    if len(stops) <= EXACT:
        return _of_all(table, outside, stops, None)
    return _of_several(table, outside, stops, None)


def total(table: Sequence[Sequence[float]], start: int, order: Sequence[int], back: int | None) -> float:  # fmt: skip
    """What an order costs, the way from start and the way back included."""
    way = [start, *order, *([] if back is None else [back])]
    return sum(table[a][b] for a, b in itertools.pairwise(way))


def _of_all(table: list[list[float]], start: int, stops: Sequence[int], back: int | None) -> list[int]:  # fmt: skip
    """The best order by dynamic programming over subsets (Held and Karp 1962)."""
    n = len(stops)
    best: dict[tuple[int, int], tuple[float, int]] = {
        (1 << k, k): (table[start][stop], -1) for k, stop in enumerate(stops)
    }
    for visited in range(1, 1 << n):
        for last in range(n):
            here = best.get((visited, last))
            if here is None:
                continue
            row = table[stops[last]]
            for k in range(n):
                if visited >> k & 1:
                    continue
                key, there = (visited | 1 << k, k), here[0] + row[stops[k]]
                if key not in best or there < best[key][0]:
                    best[key] = (there, last)
    full = (1 << n) - 1
    last = min(
        range(n),
        key=lambda k: best[full, k][0] + (0.0 if back is None else table[stops[k]][back]),
    )
    order, visited = [], full
    while last >= 0:
        order.append(stops[last])
        visited, last = visited & ~(1 << last), best[visited, last][1]
    return order[::-1]


def _of_several(table: list[list[float]], start: int, stops: Sequence[int], back: int | None) -> list[int]:  # fmt: skip
    """The best of what three beginnings lead to."""
    begun = [
        _inserted(table, start, stops, back, min),
        _inserted(table, start, stops, back, max),
        _nearest(table, start, stops),
    ]
    ended = [_bettered(table, start, order, back) for order in begun]
    return min(ended, key=lambda order: total(table, start, order, back))


def _nearest(table: list[list[float]], start: int, stops: Sequence[int]) -> list[int]:
    """Always on to the nearest stop that is left."""
    order, left = [start], list(stops)
    while left:
        row = table[order[-1]]
        order.append(min(left, key=lambda stop: row[stop]))
        left.remove(order[-1])
    return order[1:]


def _inserted(
    table: list[list[float]], start: int, stops: Sequence[int], back: int | None,
    which: Callable[..., int],
) -> list[int]:  # fmt: skip
    """Nearest stops first (min) or farthest (max), each put where it lengthens the way least."""
    left = list(stops)
    order: list[int] = []
    near = {stop: table[start][stop] for stop in left}
    while left:
        stop = which(left, key=lambda one: near[one])
        left.remove(stop)
        ends = [start, *order, *([] if back is None else [back])]
        gains = []
        for k in range(len(order) + 1):
            before = ends[k]
            after = ends[k + 1] if k + 1 < len(ends) else None
            more = table[before][stop]
            if after is not None:
                more += table[stop][after] - table[before][after]
            gains.append((more, k))
        order.insert(min(gains)[1], stop)
        for one in left:
            near[one] = min(near[one], table[stop][one])
    return order


def _bettered(table: list[list[float]], start: int, order: list[int], back: int | None) -> list[int]:  # fmt: skip
    """The order after the best single change, again and again."""
    n, size = len(order), len(table)
    cost = np.zeros((size + 1, size + 1))  # the last place costs nothing: where an open chain ends
    cost[:size, :size] = table
    way = np.array([start, *order, size if back is None else back])
    first, last = np.triu_indices(n, 1)
    first, last = first + 1, last + 1
    while True:
        at = cost[np.ix_(way, way)]
        step = at[np.arange(n + 1), np.arange(n + 1) + 1]  # from each place to the next
        turned = at[first - 1, last] + at[first, last + 1] - step[first - 1] - step[last]
        k = int(np.argmin(turned))
        best, change = float(turned[k]), ("turn", int(first[k]), int(last[k]), False)
        for count in range(1, min(3, n - 1) + 1):
            i = np.arange(1, n - count + 2)
            end = i + count - 1
            saved = step[i - 1] + step[end] - at[i - 1, end + 1]
            gap = np.arange(n + 1)[None]
            straight = at[gap, i[:, None]] + at[end[:, None], gap + 1]
            around = at[gap, end[:, None]] + at[i[:, None], gap + 1]
            more = np.minimum(straight, around) - step[gap] - saved[:, None]
            more[(gap >= i[:, None] - 1) & (gap <= end[:, None])] = np.inf
            r, c = np.unravel_index(int(np.argmin(more)), more.shape)
            if more[r, c] < best:
                best = float(more[r, c])
                change = (f"move {count}", int(i[r]), int(c), bool(around[r, c] < straight[r, c]))
        if best > -_HAIR:
            return [int(place) for place in way[1:-1]]
        way = _changed(way, *change)


def _changed(way: NDArray[np.int64], what: str, i: int, k: int, around: bool) -> NDArray[np.int64]:
    """A stretch from i to k turned around, or some places from i on moved behind place k."""
    if what == "turn":
        return np.concatenate([way[:i], way[i : k + 1][::-1], way[k + 1 :]])
    count = int(what.split()[1])
    taken = way[i : i + count][:: -1 if around else 1]
    if k < i:
        return np.concatenate([way[: k + 1], taken, way[k + 1 : i], way[i + count :]])
    return np.concatenate([way[:i], way[i + count : k + 1], taken, way[k + 1 :]])
