"""Ways along the ground, against closed forms and against a fine grid searched by SciPy."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from nightview.errors import NightviewError
from nightview.wiring.ground import Body, Cover, Ground
from nightview.wiring.route import Way, Web, piece_of, route, stated


def rock(name: str, *box: float) -> Body:
    """A body with nothing kept clear about it."""
    return Body("rock", name, shapely.box(*box))


def strip(penalty: float, low: float, high: float, name: str = "walk") -> Cover:
    return Cover("path", name, shapely.box(-100, low, 100, high), penalty)


def cost_of(ground: Ground, way: Way) -> float:
    """Metres of open trench that a way counts as, from its own points."""
    line = shapely.LineString(way.points)
    return line.length + sum(  # a millimetre inside, so that edges it goes along are not crossed
        (cover.penalty - 1.0) * shapely.intersection(line, cover.shape.buffer(-1e-3)).length
        for cover in ground.covers
    )


# --- closed forms ---------------------------------------------------------------------------------


def test_the_open_lawn_is_crossed_straight():
    way = route(Ground(), (0, 0), (3, 4), "run 1")
    assert way.length_m == pytest.approx(5.0, abs=1e-12)
    assert len(way.points) == 2 and not way.sleeves


def test_a_house_is_gone_around_by_the_shorter_side():
    ground = Ground((rock("house", 2, -1, 6, 3),))
    way = route(ground, (0, 0), (8, 0), "run 1")
    # Past the corners (2, −1) and (6, −1): 2·√5 + 4, against 2·√13 + 4 by the other side.
    assert way.length_m == pytest.approx(2 * math.sqrt(5) + 4, abs=1e-9)
    assert way.points[1:-1] == pytest.approx(np.array([[2, -1], [6, -1]]))


def test_from_wall_to_wall_around_three_corners():
    ground = Ground((rock("house", 0, 0, 10, 4),))
    way = route(ground, (5, 0), (5, 4), "run 1")
    assert way.length_m == pytest.approx(5 + 4 + 5, abs=1e-9)


@pytest.mark.parametrize("penalty", [1.5, 4.0, 12.0])
def test_a_strip_is_crossed_as_light_is_bent(penalty: float):
    """Snell's law: the sine of the angle to the normal times the penalty stays."""
    ground = Ground((), (strip(penalty, 2, 4),))
    way = route(ground, (0, 0), (10, 7), "run 1")
    steps = np.diff(way.points, axis=0)
    sines = steps[:, 0] / np.hypot(*steps.T)
    assert sines * [1, penalty, 1] == pytest.approx(np.full(3, sines[0]), abs=1e-4)

    def cost(inside: float) -> float:  # outside both pieces are parallel: one of 5 m height
        return math.hypot(10 - inside, 5) + penalty * math.hypot(inside, 2)

    best = minimize_scalar(cost, bounds=(0, 10), method="bounded", options={"xatol": 1e-12}).fun
    assert cost_of(ground, way) == pytest.approx(best, abs=3e-3 * penalty)
    assert [sleeve.under for sleeve in way.sleeves] == ['path "walk"']
    assert way.sleeves[0].length_m == pytest.approx(np.hypot(*steps[1]), abs=1e-3)


def test_the_end_of_a_wide_strip_is_passed_where_that_is_cheaper():
    drive = Cover("drive", "drive", shapely.box(-50, 2, 3, 8), 4.0)
    # Around its corners (3, 2) and (3, 8): 2·√(3² + 2²) + 6, against 6·4 + 4 across.
    way = route(Ground((), (drive,)), (0, 0), (0, 10), "run 1")
    assert way.length_m == pytest.approx(2 * math.hypot(3, 2) + 6, abs=1e-3)
    assert not way.sleeves


def test_from_within_a_cover_a_cable_leaves_it_soon():
    court = Cover("terrace", "court", shapely.box(0, 0, 10, 10), 5.0)
    way = route(Ground((), (court,)), (1, 5), (-9, 5), "run 1")
    assert way.length_m == pytest.approx(10.0)
    assert way.sleeves[0].length_m == pytest.approx(1.0, abs=1e-3)


def test_crossings_of_two_things_are_told_in_order():
    ground = Ground((), (strip(4, 2, 3, "walk"), strip(4, 6, 8, "drive")))
    sleeves = route(ground, (0, 0), (0, 10), "run 1").sleeves
    assert [sleeve.under for sleeve in sleeves] == ['path "walk"', 'path "drive"']
    assert [sleeve.length_m for sleeve in sleeves] == pytest.approx([1, 2], abs=1e-3)
    assert sleeves[1].at == pytest.approx((0, 7), abs=1e-2)


# --- refused --------------------------------------------------------------------------------------


def test_a_stated_route_through_a_house_is_refused():
    ground = Ground((rock("house", 2, -1, 6, 3),))
    with pytest.raises(NightviewError, match=r'cable "run 1": goes through rock "house" between'):
        stated(ground, [(0, 0), (8, 0)], 'cable "run 1"')
    assert stated(ground, [(0, -1), (8, -1)], "run 1").length_m == 8.0  # along its wall


def test_a_stated_route_tells_what_it_goes_under():
    way = stated(Ground((), (strip(4, 2, 4),)), [(0, 0), (0, 3), (5, 3), (5, 9)], "run 1")
    assert way.length_m == 14.0
    assert way.sleeves[0].length_m == pytest.approx(1 + 5 + 1)  # one sleeve, bends and all


def test_an_end_inside_a_house_is_refused():
    with pytest.raises(NightviewError, match='run 1: an end at .* lies inside rock "house"'):
        route(Ground((rock("house", 2, -1, 6, 3),)), (0, 0), (4, 1), "run 1")


def test_a_place_that_is_shut_off_is_named():
    moat = Body("pond", "moat", shapely.box(-9, -9, 9, 9) - shapely.box(-5, -5, 5, 5))
    with pytest.raises(NightviewError, match="run 7: there is no way along the ground from"):
        route(Ground((moat,)), (0, 0), (20, 0), "run 7")


# --- against a grid -------------------------------------------------------------------------------

STEP = 0.25
MOVES = [(1, 0), (0, 1), (1, 1), (1, -1), (2, 1), (1, 2), (2, -1), (1, -2),
         (3, 1), (1, 3), (3, -1), (1, -3), (3, 2), (2, 3), (3, -2), (2, -3)]  # fmt: skip
"""Thirty-two ways: a grid's path is at most 1.4 % longer than a straight line."""


def grid_cost(ground: Ground, start: tuple[float, float], end: tuple[float, float]) -> float:
    """The cheapest way over a grid of 20 m, each step weighed by what it crosses."""
    n = round(20 / STEP) + 1
    x, y = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    rows, columns, costs = [], [], []
    for dx, dy in MOVES:
        tx, ty = x + dx, y + dy
        inside = (tx >= 0) & (tx < n) & (ty >= 0) & (ty < n)
        a, b = (x * n + y)[inside], (tx * n + ty)[inside]
        ends = np.stack([np.stack([x, y], -1)[inside], np.stack([tx, ty], -1)[inside]], 1) * STEP
        lines = shapely.linestrings(ends.astype(float))
        cost = shapely.length(lines)
        for cover in ground.covers:
            cost = cost + (cover.penalty - 1) * shapely.length(
                shapely.intersection(lines, cover.shape)
            )
        shapely.prepare(core := shapely.buffer(ground.forbidden, -1e-6))
        free = ~shapely.intersects(core, lines)
        rows.append(a[free])
        columns.append(b[free])
        costs.append(cost[free])
    graph = coo_array((np.concatenate(costs), (np.concatenate(rows), np.concatenate(columns))),
                      (n * n, n * n))  # fmt: skip

    def number(at: tuple[float, float]) -> int:
        return round(at[0] / STEP) * n + round(at[1] / STEP)

    return float(dijkstra(graph.tocsr(), directed=False, indices=number(start))[number(end)])


@settings(max_examples=12, deadline=None, derandomize=True)
@given(st.integers(0, 10_000))
def test_no_way_over_a_fine_grid_is_cheaper(seed: int):
    rng = np.random.default_rng(seed)

    def boxes(count: int, least: float, most: float) -> list[tuple[float, ...]]:
        corner = rng.integers(4, 60, (count, 2)) * STEP
        size = rng.uniform(least, most, (count, 2)).round() + STEP
        return [(*low, *high) for low, high in zip(corner, corner + size, strict=True)]

    bodies = tuple(rock(f"rock {k}", *box) for k, box in enumerate(boxes(4, 1, 4)))
    taken = shapely.union_all([body.shape for body in bodies])
    covers = []
    for k, box in enumerate(boxes(2, 1, 9)):
        shape = shapely.box(*box) - taken
        covers.append(Cover("path", f"path {k}", shape, float(rng.integers(2, 6))))
        taken = taken | shape
    ground = Ground(bodies, tuple(covers))
    start, end = (0.0, float(rng.integers(0, 21))), (20.0, float(rng.integers(0, 21)))
    way = route(ground, start, end, "run 1")
    line = shapely.LineString(way.points)
    assert ground.crossed(line) is None
    grid = grid_cost(ground, start, end)
    ours = cost_of(ground, way)
    assert ours <= grid * 1.002 + 0.01
    assert ours >= grid / 1.014 - 4 * STEP  # a grid meets edges up to a step beside the best place


# --- the web --------------------------------------------------------------------------------------


def test_ways_from_all_places_agree_with_scipy():
    rng = np.random.default_rng(4)
    bodies = tuple(rock(f"{k}", x, y, x + 3, y + 2) for k, (x, y) in enumerate(rng.uniform(2, 30, (6, 2))))  # fmt: skip
    ground = Ground(bodies, (strip(3, 33, 34),))
    places = np.array([ground.freed(at) for at in rng.uniform(0, 40, (12, 2))])
    web = Web.of(ground, places)
    graph = np.where(np.isfinite(web.cost), web.cost, 0.0)
    assert web.between == pytest.approx(dijkstra(graph, indices=range(12))[:, :12])


def test_a_cable_that_passes_a_lamp_lies_in_its_trench():
    places = [(0, 0), (5, 0.1), (10, 0)]
    assert Web.of(Ground(), places).nodes(0, 2) == [0, 2]
    assert Web.of(Ground(), places, via=3).nodes(0, 2) == [0, 1, 2]


def test_lamps_at_one_place_stay_connected():
    places = [(0, 0), (5, 0), (5, 0), (5, 0.001), (20, 3)]
    assert np.isfinite(Web.of(Ground(), places, via=5).between).all()


def test_sliding_never_costs_more():
    ground = Ground((rock("house", 2, 5, 6, 9),), (strip(4, 2, 4), strip(3, 11, 12)))
    rng = np.random.default_rng(1)
    places = np.concatenate([rng.uniform([0, -3], [9, 1], (4, 2)), rng.uniform([0, 13], [9, 16], (4, 2))])  # fmt: skip
    web = Web.of(ground, places)
    for a in range(4):
        for b in range(4, 8):
            nodes = web.nodes(a, b)
            pieces = [piece_of(i, j) for i, j in itertools.pairwise(nodes)]
            slid = web.slid(pieces).way(nodes)
            assert cost_of(ground, slid) <= web.between[a, b] + 1e-3
