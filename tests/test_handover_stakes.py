"""Stake-out from two corners: two circles meet where the lamp stands; tapes through the house are told."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import nightview as nv
from nightview.handover.lengths import bearing, degrees, told
from nightview.handover.stakes import PEG_M, corners_of, stake_out
from nightview.plan.outlines import block_outline
from nightview.scene.read import parse

HOUSE = """
title = "corners"
[[block]]
name = "house"
at = "{x} m, {y} m"
size = "8 m, 6 m"
height = "3 m"
turn = "{turn} deg"
"""


def lamp(name: str, x: float, y: float) -> str:
    return f'[[fixture]]\nid = "{name}"\nlamp = "path hat"\nat = "{x} m, {y} m, 0.5 m"\n'


def staked(text: str):
    scene = parse(text)
    return stake_out(scene, nv.build(scene).fixtures)


def meeting(found, stake) -> tuple[float, float]:
    """Where two circles meet, on the told side: along = (a² − b² + c²) / 2c, off = √(a² − along²)
    (the textbook intersection of two circles)."""
    a, b, c = stake.from_a, stake.from_b, found.base_m
    along = (a * a - b * b + c * c) / (2 * c)
    off = math.copysign(math.sqrt(max(0.0, a * a - along * along)), stake.off)
    way = np.subtract(found.b.at, found.a.at) / c
    left = np.array([-way[1], way[0]])
    return tuple(np.asarray(found.a.at) + along * way + off * left)


@given(
    st.floats(-20, 20), st.floats(-20, 20), st.floats(-90, 90),
    st.lists(st.tuples(st.floats(1, 25), st.floats(0, 2 * math.pi)), min_size=1, max_size=4),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_the_tapes_meet_where_the_lamp_stands(x, y, turn, around):
    # Lamps on circles about the house's middle, outside its half diagonal of 5 m.
    angle = math.radians(turn)
    middle = (
        x + 4 * math.cos(angle) - 3 * math.sin(angle),
        y + 4 * math.sin(angle) + 3 * math.cos(angle),
    )
    spots = [
        (
            round(middle[0] + (5.2 + r) * math.cos(t), 3),
            round(middle[1] + (5.2 + r) * math.sin(t), 3),
        )
        for r, t in around
    ]
    text = HOUSE.format(x=x, y=y, turn=turn)
    text += "".join(lamp(f"l{k}", *spot) for k, spot in enumerate(spots))
    found = staked(text)
    for stake, spot in zip(found.stakes, spots, strict=True):
        assert meeting(found, stake) == pytest.approx(spot, abs=2e-3)
        # Along and off by themselves lead to the same place.
        way = np.subtract(found.b.at, found.a.at) / found.base_m
        place = found.a.at + stake.along * way + stake.off * np.array([-way[1], way[0]])
        assert place == pytest.approx(spot, abs=1e-6)


def test_a_lamp_in_front_is_measured_from_the_two_front_corners() -> None:
    found = staked(HOUSE.format(x=0, y=0, turn=0) + lamp("a", 4.0, -3.0))
    assert {found.a.at, found.b.at} == {(0.0, 0.0), (8.0, 0.0)}
    (stake,) = found.stakes
    assert (stake.from_a, stake.from_b) == pytest.approx((5.0, 5.0))  # 3-4-5 triangles
    assert stake.in_the_way == () and not stake.shallow


def test_a_tape_through_the_house_is_told() -> None:
    # Lamps before and behind: whichever wall is taken, the other side's tapes run through the house.
    text = HOUSE.format(x=0, y=0, turn=0) + "".join(
        lamp(f"f{k}", 1.0 + 2 * k, -3.0) for k in range(3)
    )
    found = staked(text + lamp("back", 4.0, 9.0))
    told_of = {stake.name: stake.in_the_way for stake in found.stakes}
    assert told_of["f0"] == told_of["f1"] == told_of["f2"] == ()
    assert told_of["back"] == ("A", "B")


def test_a_corner_inside_another_block_is_none() -> None:
    wing = '[[block]]\nname = "wing"\nat = "6 m, -2 m"\nsize = "4 m, 5 m"\nheight = "3 m"\n'
    scene = parse(HOUSE.format(x=0, y=0, turn=0) + wing)
    houses = shapely.union_all([block_outline(block) for block in scene.blocks])
    found = {corner.at for corner in corners_of(scene, houses)}
    # (8, 0) lies inside the wing and (6, 3) inside the house.
    assert found == {(0.0, 0.0), (8.0, 6.0), (0.0, 6.0), (6.0, -2.0), (10.0, -2.0), (10.0, 3.0)}


def test_without_a_house_there_are_pegs() -> None:
    found = staked(lamp("a", 3.0, 4.0))
    assert found.base_m == PEG_M and found.stakes[0].from_a == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("metres", "feet", "text"),
    [
        (3.4215, False, "3.42 m"), (-0.5, False, "−0.50 m"), (0.0, False, "0.00 m"),
        (0.3048, True, "1 ft"), (0.3048 * 11 + 0.0254 * 2.75, True, "11 ft 2¾ in"),
        (0.0254 * 0.5, True, "½ in"), (0.0254 * 11.99, True, "1 ft"), (-0.0254 * 6, True, "−6 in"),
        (0.0, True, "0 in"), (0.3048 + 0.0254 * 0.25, True, "1 ft ¼ in"),
    ],
)  # fmt: skip
def test_lengths_as_on_a_tape(metres: float, feet: bool, text: str) -> None:
    assert told(metres, feet) == text


def test_angles() -> None:
    assert [degrees(v) for v in (80.2, -45.0, 0.2)] == ["+80°", "−45°", "0°"]
    assert [bearing(v) for v in (None, 359.7, 20.0)] == ["–", "000°", "020°"]
