"""What a cable may cross, and where it comes up."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from nightview.scene.read import parse
from nightview.wiring.ground import CLEAR_M, WALL_PENALTY, foot_of, ground_of

HOUSE = """
[ground]
size = "60 m, 60 m"

[[block]]
name = "house"
at = "0 m, 0 m"
size = "10 m, 6 m"
height = "3 m"
"""


def ground(more: str = "", house: str = HOUSE):
    scene = parse(house + more)
    return scene, ground_of(scene)


def test_bodies_are_what_stands_or_is_water():
    _, found = ground("""
        [[block]]
        name = "upper"
        at = "20 m, 0 m"
        size = "4 m, 4 m"
        height = "3 m"
        base = "3 m"
        [[pond]]
        name = "pool"
        outline = ["-8 m, 0 m", "-4 m, 0 m", "-4 m, 3 m", "-8 m, 3 m"]
        [[tree]]
        name = "oak"
        at = "5 m, -8 m"
        height = "9 m"
        [[column]]
        name = "pier"
        at = "2 m, -3 m"
        height = "1 m"
        [[wall]]
        name = "fence"
        kind = "fence"
        line = ["0 m, -20 m", "10 m, -20 m"]
        height = "1 m"
    """)
    # A block on stilts leaves its ground free, and a cable goes under a fence.
    assert [str(body) for body in found.bodies] == [
        'block "house"', 'pond "pool"', 'column "pier"', 'tree "oak"'
    ]  # fmt: skip
    assert not found.covers


def test_covers_come_in_the_order_they_lie():
    scene, found = ground("""
        [[terrace]]
        name = "court"
        outline = ["0 m, -10 m", "10 m, -10 m", "10 m, 0 m", "0 m, 0 m"]
        [[path]]
        name = "walk"
        line = ["5 m, -20 m", "5 m, 0 m"]
        width = "2 m"
        [[wall]]
        name = "front wall"
        line = ["-5 m, -15 m", "15 m, -15 m"]
        height = "1 m"
        thickness = "0.5 m"
    """)
    by_name = {cover.name: cover for cover in found.covers}
    # The court covers the path's last 10 m, the wall half a metre of it: 2 × (20 − 10 − 0.5).
    assert by_name["walk"].shape.area == pytest.approx(19.0)
    assert by_name["court"].shape.area == pytest.approx(100.0)
    assert by_name["walk"].penalty == scene.wiring.sleeve_penalty
    assert by_name["front wall"].penalty == WALL_PENALTY * scene.wiring.sleeve_penalty
    shapes = [cover.shape for cover in found.covers]
    assert shapely.union_all(shapes).area == pytest.approx(sum(shape.area for shape in shapes))


def test_a_raised_terrace_carries_cables_over_water():
    _, found = ground("""
        [[pond]]
        name = "lake"
        outline = ["-20 m, -30 m", "20 m, -30 m", "20 m, -10 m", "-20 m, -10 m"]
        [[terrace]]
        name = "dock"
        at = "-1 m, -20 m"
        size = "2 m, 10 m"
        height = "0.4 m"
    """)
    assert not shapely.intersects(found.forbidden, shapely.Point(0, -15))
    assert shapely.intersects(found.forbidden, shapely.Point(5, -15))


FEET = """
[[tree]]
name = "oak"
at = "20 m, 0 m"
height = "10 m"
crown = "8 m"
clear = "3 m"
"""


def test_a_lamp_in_the_lawn_stands_over_its_foot():
    scene, found = ground(FEET)
    foot = foot_of(scene, found, np.array([3.0, -5.0, 0.15]))
    assert foot.at == pytest.approx([3.0, -5.0])
    assert (foot.rise_m, foot.how) == (pytest.approx(0.15), "")


def test_a_lamp_on_a_wall_or_under_eaves_is_fed_up_the_wall():
    scene, found = ground(FEET)
    foot = foot_of(scene, found, np.array([4.0, -0.6, 2.8]))
    # Up 2.8 m and out 0.6 m; the trench ends a hand's breadth before the wall.
    assert foot.at == pytest.approx([4.0, -CLEAR_M["block"]])
    assert (foot.rise_m, foot.how) == (pytest.approx(3.4), 'up block "house"')


def test_a_lamp_in_a_crown_is_fed_up_the_trunk():
    scene, found = ground(FEET)
    foot = foot_of(scene, found, np.array([20.0, -2.0, 6.0]))
    assert foot.rise_m == pytest.approx(6.0 + 2.0)
    assert foot.how == 'up tree "oak"'
    # Beside the trunk, on the lamp's side, and out of what is kept clear of it.
    assert foot.at[0] == pytest.approx(20.0, abs=0.6) and -1.0 < foot.at[1] < 0.0
    assert not shapely.intersects(found.forbidden.buffer(-1e-6), shapely.Point(foot.at))


def test_a_lamp_far_from_any_wall_is_fed_from_below():
    scene, found = ground(FEET)
    foot = foot_of(scene, found, np.array([-20.0, -20.0, 3.0]))
    assert foot.at == pytest.approx([-20.0, -20.0])
    assert (foot.rise_m, foot.how) == (pytest.approx(3.0), "")


def test_a_lamp_in_the_water_is_fed_from_the_edge():
    scene, found = ground("""
        [[pond]]
        name = "pool"
        outline = ["-10 m, -10 m", "-4 m, -10 m", "-4 m, -4 m", "-10 m, -4 m"]
    """)
    foot = foot_of(scene, found, np.array([-4.8, -7.0, 0.0]))
    assert foot.at == pytest.approx([-4.0 + CLEAR_M["pond"], -7.0])
    assert foot.rise_m == pytest.approx(0.8 + CLEAR_M["pond"])
    assert foot.how == 'across pond "pool"'


def test_freed_is_the_nearest_free_point():
    _, found = ground()
    at = found.freed(np.array([1.0, 3.0]))
    assert math.dist(at, (1.0, 3.0)) == pytest.approx(1.0 + CLEAR_M["block"])
    outside = np.array([-3.0, 2.0])
    assert found.freed(outside) == pytest.approx(outside)


def test_the_body_that_a_line_crosses_is_named():
    _, found = ground()
    assert str(found.crossed(shapely.LineString([(-1, 3), (11, 3)]))) == 'block "house"'
    assert found.crossed(shapely.LineString([(-1, 0), (11, 0)])) is None  # along its wall


def test_a_drive_that_leaves_the_ground_is_not_gone_around_beyond_it():
    drive = '[[drive]]\nname = "drive"\nline = ["20 m, 0 m", "20 m, {} m"]\nwidth = "4 m"\n'
    _, on = ground(drive.format(28))  # 2 m before the edge of the ground, at y = 30
    assert on.covers[0].shape.bounds == pytest.approx((18, 0, 22, 48))
    _, ends = ground(drive.format(20))
    assert ends.covers[0].shape.bounds == pytest.approx((18, 0, 22, 20))


def test_a_curved_path_is_followed_outside_its_edge():
    _, found = ground("""
        [[path]]
        name = "walk"
        line = ["-20 m, -20 m", "-10 m, -12 m", "0 m, -18 m", "12 m, -12 m"]
        width = "1.2 m"
        curved = true
    """)
    ((_, simple),) = found.by_penalty
    assert shapely.covers(simple, found.covers[0].shape)
    assert simple.area < 1.15 * found.covers[0].shape.area
    assert shapely.get_num_coordinates(simple) < shapely.get_num_coordinates(found.covers[0].shape)
