"""Orders, layouts and what is dug for them."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely

from nightview.errors import NightviewError
from nightview.scene.read import parse
from nightview.wiring.layout import digging, lay, median, pairs_of
from nightview.wiring.network import network_of, places_of
from nightview.wiring.order import EXACT, chain, free_chain, total


def distances(points: np.ndarray) -> np.ndarray:
    return np.hypot(*(points[:, None] - points[None]).transpose(2, 0, 1))


# --- orders ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("n", [1, 2, 4, 6])
def test_short_chains_are_the_best_of_all_orders(n: int, closed: bool):
    rng = np.random.default_rng(n)
    back = 0 if closed else None
    for _ in range(10):
        cost = distances(rng.uniform(0, 20, (n + 1, 2)))
        stops = range(1, n + 1)
        best = min(total(cost, 0, order, back) for order in itertools.permutations(stops))
        assert total(cost, 0, chain(cost, 0, stops, closed), back) == pytest.approx(best)
        free = min(
            sum(cost[a, b] for a, b in itertools.pairwise(order))
            for order in itertools.permutations(stops)
        )
        row = free_chain(cost, stops)
        assert sum(cost[a, b] for a, b in itertools.pairwise(row)) == pytest.approx(free)


def test_longer_chains_come_near_the_best():
    """Against dynamic programming over subsets, written out here once more."""

    def held_karp(cost: np.ndarray) -> float:
        n = len(cost) - 1
        best = {(1 << k, k): cost[0, k + 1] for k in range(n)}
        for mask in range(1, 1 << n):
            for last in range(n):
                if (mask, last) in best:
                    for k in range(n):
                        if not mask >> k & 1:
                            key = (mask | 1 << k, k)
                            there = best[mask, last] + cost[last + 1, k + 1]
                            best[key] = min(best.get(key, math.inf), there)
        return min(best[(1 << n) - 1, k] for k in range(n))

    rng = np.random.default_rng(3)
    ratios = []
    for _ in range(8):
        cost = distances(rng.uniform(0, 30, (EXACT + 4, 2)))
        found = chain(cost, 0, range(1, len(cost)))
        assert sorted(found) == list(range(1, len(cost)))
        ratios.append(total(cost, 0, found, None) / held_karp(cost))
    assert max(ratios) < 1.05 and np.mean(ratios) < 1.01


def test_sixty_in_a_grid_are_gone_through_row_by_row():
    # 6 × 10 places a metre apart: no chain is shorter than 59 steps, from the corner's neighbour on.
    grid = np.array([(x, y) for x in range(10) for y in range(6)], float)
    cost = distances(np.concatenate([[(-1.0, 0.0)], grid]))
    assert total(cost, 0, chain(cost, 0, range(1, 61)), None) < 60 * 1.05


# --- layouts --------------------------------------------------------------------------------------

ROW = distances(np.array([(0, 0), (10, 2), (10, -2), (10, 0), (10, 6), (10, -6)], float))


def test_a_daisy_chain_goes_from_joint_to_joint():
    cost = distances(np.array([(0, 0), (6, 0), (2, 0), (4, 0)], float))
    assert pairs_of(cost, [1, 2, 3], 0, "daisy") == [(0, 2), (2, 3), (3, 1)]


def test_a_tee_lands_in_the_middle():
    pairs = pairs_of(ROW, [1, 2, 3, 4, 5], 0, "tee")
    assert pairs[0] == (0, 3)
    assert set(map(frozenset, pairs[1:])) == {
        frozenset(pair) for pair in ((3, 1), (1, 4), (3, 2), (2, 5))
    }
    assert all(any(b == a for _, b in pairs[:k]) for k, (a, _) in enumerate(pairs) if k)


def test_a_loop_comes_back():
    cost = distances(np.array([(0, 0), (4, 4), (0, 4), (4, 0)], float))
    pairs = pairs_of(cost, [1, 2, 3], 0, "loop")
    assert len(pairs) == 4 and pairs[0][0] == 0 and pairs[-1][1] == 0
    assert sum(cost[a, b] for a, b in pairs) == pytest.approx(16.0)  # the square's sides


def test_a_hub_has_a_lead_to_each():
    assert pairs_of(ROW, [1, 2], 0, "hub", hub=3) == [(0, 3), (3, 1), (3, 2)]
    assert pairs_of(ROW, [1, 2], 3, "leads") == [(3, 1), (3, 2)]


def test_the_median_of_an_equilateral_triangle_is_its_centre():
    corners = np.array([(0, 0), (2, 0), (1, math.sqrt(3))])
    assert median(corners) == pytest.approx([1, 1 / math.sqrt(3)], abs=1e-5)


# --- along the ground -----------------------------------------------------------------------------

JOB = """
[ground]
size = "60 m, 60 m"
[wiring]
slack = "0.5 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "10 m, 6 m"
height = "3 m"
[[transformer]]
name = "T1"
at = "12 m, 3 m"
height = "0 m"
power = "300 VA"
taps = ["12 V"]
[[path]]
name = "walk"
line = ["-30 m, -6 m", "40 m, -6 m"]
width = "2 m"
"""
LAMPS = """
[[load]]
id = "a"
at = "2 m, -3 m"
power = "5 W"
volts = "12 V"
[[load]]
id = "b"
at = "6 m, -3 m"
power = "5 W"
volts = "12 V"
[[load]]
id = "c"
at = "4 m, -9 m"
power = "5 W"
volts = "12 V"
"""


def job(cable: str, more: str = ""):
    return parse(JOB + LAMPS + more + cable)


def cable(layout: str, through: str = '["a", "b", "c"]') -> str:
    return f'[[cable]]\nname = "run 1"\nfrom = "T1"\nlayout = "{layout}"\nthrough = {through}\n'


def test_legs_go_around_the_house_and_under_the_path():
    scene = job(cable("daisy"))
    legs = lay(scene, scene.cables, places_of(scene))["run 1"]
    assert [(leg.start, leg.end) for leg in legs] == [("T1", "b"), ("b", "a"), ("a", "c")]
    # From (12, 3) past the corner (10.1, −0.1) to (6, −3).
    around = math.hypot(1.9, 3.1) + math.hypot(4.1, 2.9)
    assert legs[0].length_m == pytest.approx(around, abs=1e-6)
    assert legs[1].length_m == pytest.approx(4.0)
    assert [sleeve.under for sleeve in legs[2].sleeves] == ['path "walk"']
    house = shapely.box(0, 0, 10, 6)
    assert not any(shapely.crosses(house, shapely.LineString(leg.route)) for leg in legs)


def test_legs_have_the_slack_of_the_scene():
    scene = job(cable("daisy"))
    for leg in network_of(scene).legs:
        assert leg.length_m == pytest.approx(leg.laid_m + 0.5)


@pytest.mark.parametrize("layout", ["daisy", "tee", "hub", "loop"])
def test_every_layout_makes_a_network_that_feeds_all(layout: str):
    network = network_of(job(cable(layout)))
    assert {lamp.id for lamp in network.lamps} == {"a", "b", "c"}
    legs = {"daisy": 3, "tee": 3, "hub": 4, "loop": 4}[layout]
    assert len(network.legs) == legs
    assert sum(leg.to_tap for leg in network.legs) == (layout == "loop")
    from nightview.wiring.solve import solve

    assert all(11.0 < volts < 12.0 for volts in solve(network, 75.0).lamp_v)


def test_leads_start_from_a_hub_of_the_scene():
    hub = '[[hub]]\nname = "hub A"\nat = "4 m, -4 m"\n'
    cables = (
        '[[cable]]\nname = "feed"\nfrom = "T1"\nthrough = ["hub A"]\n'
        '[[cable]]\nname = "leads"\nfrom = "hub A"\nthrough = ["a", "b"]\nlayout = "hub"\n'
    )
    legs = network_of(job(cables, hub)).legs
    assert [(leg.start, leg.end) for leg in legs] == [
        ("T1", "hub A"), ("hub A", "a"), ("hub A", "b")
    ]  # fmt: skip


def test_a_cable_through_a_hub_of_the_scene_keeps_its_order():
    hub = '[[hub]]\nname = "hub A"\nat = "4 m, -4 m"\n'
    legs = network_of(job(cable("daisy", '["a", "hub A", "b"]'), hub)).legs
    assert [leg.end for leg in legs] == ["a", "hub A", "b"]


def test_a_lamp_that_is_shut_off_names_its_cable():
    moat = "".join(
        f'[[pond]]\nname = "moat {k}"\noutline = {ring}\n'
        for k, ring in enumerate((
            '["-20 m, -20 m", "-10 m, -20 m", "-10 m, -19 m", "-20 m, -19 m"]',
            '["-20 m, -11 m", "-10 m, -11 m", "-10 m, -10 m", "-20 m, -10 m"]',
            '["-20 m, -20 m", "-19 m, -20 m", "-19 m, -10 m", "-20 m, -10 m"]',
            '["-11 m, -20 m", "-10 m, -20 m", "-10 m, -10 m", "-11 m, -10 m"]',
        ))
    )  # fmt: skip
    far = '[[load]]\nid = "d"\nat = "-15 m, -15 m"\npower = "5 W"\nvolts = "12 V"\n'
    with pytest.raises(NightviewError, match=r'cable "run 1": there is no way along the ground'):
        network_of(job(cable("daisy", '["a", "d"]'), far + moat))


# --- what is dug ----------------------------------------------------------------------------------


def test_cables_in_one_trench_are_dug_for_once():
    routes = [
        ("run 1", [(0, 0), (10, 0), (10, 5)], ()),
        ("run 2", [(0, 0.05), (10, 0.05), (20, 0.05)], ()),  # a hand beside it for 10 m
        ("run 3", [(5, -5), (5, 5)], ()),  # crosses it
        ("run 4", (), ()),  # stated by its length
    ]
    assert digging(routes).trench_m == pytest.approx(15 + 10 + 10, abs=0.11)


def test_two_runs_along_one_way_share_its_sleeve():
    cables = (
        '[[cable]]\nname = "run 1"\nfrom = "T1"\nthrough = ["b", "c"]\n'
        '[[cable]]\nname = "run 2"\nfrom = "T1"\nthrough = ["b", "c"]\n'
    )
    scene = job(cables)
    laid = lay(scene, scene.cables, places_of(scene))
    every = [(name, leg.route, leg.sleeves) for name, legs in laid.items() for leg in legs]
    alone = [one for one in every if one[0] == "run 1"]
    assert digging(every).trench_m == pytest.approx(digging(alone).trench_m)
    assert [sleeve.cables for sleeve in digging(every).sleeves] == [("run 1", "run 2")]
    assert digging(every).sleeve_m == pytest.approx(digging(alone).sleeve_m)


def test_a_path_crossed_twice_has_two_sleeves():
    scene = job(
        '[[cable]]\nname = "run 1"\nfrom = "T1"\nthrough = ["a"]\n'
        'route = ["12 m, -1 m", "12 m, -10 m", "2 m, -10 m", "2 m, -3 m"]\n'
    )
    (leg,) = network_of(scene).legs
    assert [sleeve.length_m for sleeve in leg.sleeves] == pytest.approx([2, 2])
    assert digging([("run 1", leg.route, leg.sleeves)]).sleeve_m == pytest.approx(4)


def test_a_sleeve_that_two_cables_share_in_part_is_counted_once():
    from nightview.wiring.route import Sleeve

    routes = [
        ("run 1", [(0, 0), (10, 0)], (Sleeve("terrace", ((2, 0), (8, 0))),)),
        ("run 2", [(5, 0), (12, 0)], (Sleeve("terrace", ((5, 0), (9, 0))),)),
    ]
    dug = digging(routes)
    assert dug.trench_m == pytest.approx(12, abs=0.01)
    assert dug.sleeve_m == pytest.approx(7, abs=0.01)
    assert [sleeve.cables for sleeve in dug.sleeves] == [("run 1", "run 2"), ("run 2",)]


@pytest.mark.parametrize("name", ["cottage", "terrace-house", "lodge"])
def test_the_demo_scenes_are_wired_without_faults(name: str):
    from pathlib import Path

    from nightview.scene.read import read
    from nightview.wiring.faults import check

    scene = read(Path(__file__).parent.parent / "scenes" / f"{name}.toml")
    network = network_of(scene)
    assert not network.unwired
    assert not check(network).findings
    ground = shapely.union_all([
        shapely.box(*block.at_m, block.at_m[0] + block.size_m[0], block.at_m[1] + block.size_m[1])
        for block in scene.blocks if block.turn_deg == 0.0
    ])  # fmt: skip
    for leg in network.legs:
        if len(leg.route) > 1:
            inside = shapely.intersection(ground.buffer(-0.05), shapely.LineString(leg.route))
            assert inside.is_empty
