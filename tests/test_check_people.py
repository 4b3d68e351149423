"""Dazzle, lamps that shine into eyes, and lamps seen going down steps.

Veil and threshold increment against figures worked out from CIE 146:2002 and CIE 150:2017 in the
project's list of reference values, section 2; candela against I = E·r² of the lamp's own numbers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checked import job_of

from nightview.checks.people import (
    bright_lamps,
    dazzle,
    dazzle_on_ways,
    going_down,
    threshold_increment,
    veil_cd_m2,
)

BLACK = """
[ground]
material = "black"
size = "60 m, 60 m"
[materials]
black = { rgb = [0, 0, 0] }
"""


def found(check, text: str):
    """What one check says of a scene, by its key."""
    results = list(check(job_of(text)))
    assert len({result.key for result in results}) == len(results), "a key is said twice"
    return {result.key: result for result in results}


def omni(candela: float, lens: str = "1 mm") -> str:
    flux = 4 * np.pi * candela
    return (
        f'[lamps.bulb]\nkind = "omni"\nflux = "{flux:.9f} lm"\nloss_factor = 1.0\nlens = "{lens}"\n'
    )


def fixture(name: str, at, more: str = "", lamp: str = "bulb") -> str:
    place = ", ".join(f"{x:.9f} m" for x in at)
    return f'[[fixture]]\nid = "{name}"\nlamp = "{lamp}"\nat = "{place}"\n{more}\n'


VIEW = """
[[view]]
name = "seat"
eye = "0 m, 0 m, 1.5 m"
target = "0 m, 10 m, 1.5 m"
"""


def off(angle_deg: float, distance_m: float = 10.0):
    """A place so far off the line of sight of VIEW, to the right and level with the eye."""
    theta = np.radians(angle_deg)
    return (distance_m * np.sin(theta), distance_m * np.cos(theta), 1.5)


def wall_before(low: float, high: float) -> str:
    """A black block right across the line of sight, 5 m away."""
    return f"""
[[block]]
name = "screen"
at = "-4 m, 5 m"
size = "8 m, 0.5 m"
base = "{low} m"
height = "{high - low} m"
material = "black"
trim = "black"
roof = {{ kind = "flat", overhang = "0 m", thickness = "1 mm", material = "black" }}
"""


# --- the formulas ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("age", "veil"), [(25, 0.4065), (70, 0.8)])
def test_veil_of_one_lux_five_degrees_off(age, veil):
    # CIE 146:2002, computed in the list of reference values
    assert veil_cd_m2(np.array([1.0]), np.array([5.0]), age)[0] == pytest.approx(veil, abs=5e-5)


def test_veil_at_the_ends_of_its_range():
    veil = veil_cd_m2(np.ones(4), np.array([0.2, 1.0, 30.0, 30.01]), 70)
    assert veil == pytest.approx([20.0, 20.0, 20.0 / 900, 0.0])


def test_threshold_increment_is_the_published_one():
    # CIE 150:2017; the figure is computed in the list of reference values
    assert threshold_increment(0.05, 1.0) == pytest.approx(3.25, rel=1e-12)
    assert threshold_increment(0.05, 5.0) == pytest.approx(3.25 / 5**0.8, rel=1e-12)


# --- dazzle ---------------------------------------------------------------------------------------


def lit_by(candela: float, angle: float, check: str = "", more: str = "", **lamp) -> str:
    return (
        BLACK + f"[check]\n{check}\n" + omni(candela, **lamp) + VIEW
        + fixture("lamp", off(angle), more)
    )  # fmt: skip


@pytest.mark.parametrize(("age", "veil"), [(25, 0.4065), (70, 0.8)])
@pytest.mark.parametrize(("zone", "adapted"), [("E1", 0.1), ("E2", 1), ("E3", 2), ("E4", 5)])
def test_dazzle_of_one_lux_on_the_eye(age, veil, zone, adapted):
    # E = I·cos θ/r² = 1 lx square to the line of sight; L_ad of EN 12193:2008 table 6
    candela = 100 / np.cos(np.radians(5))
    result = found(dazzle, lit_by(candela, 5.0, f'age = {age}\nzone = "{zone}"'))["dazzle", "seat"]
    assert result.value == pytest.approx(65 * veil / adapted**0.8, rel=2e-3)
    assert result.lamps == ("lamp",)
    assert "5.0 deg" in result.said and "10.0 m" in result.said
    assert "lx" not in result.plain and "cd" not in result.plain


@pytest.mark.parametrize(("share", "verdict"), [(0.995, "good"), (1.005, "warn")])
def test_dazzle_at_its_edge(share, verdict):
    # TI = 15 % at 1 cd/m² is L_v = 0.23077; at 10 deg and 70 years E = L_v·100/20
    candela = share * 15 / 65 * 100 / 20 * 100 / np.cos(np.radians(10))
    result = found(dazzle, lit_by(candela, 10.0, "age = 70"))["dazzle", "seat"]
    assert result.value == pytest.approx(15 * share, rel=1e-3)
    assert result.verdict == verdict


def test_dazzle_adds_up_lamp_by_lamp():
    one, two = (
        found(dazzle, lit_by(30, 5.0, more=more))["dazzle", "seat"].value
        for more in ("", fixture("b", off(-5.0)))
    )
    assert two == pytest.approx(2 * one, rel=1e-4)


def test_lamp_far_off_the_line_of_sight_does_not_veil():
    assert found(dazzle, lit_by(1000, 30.5))["dazzle", "seat"].value == 0.0
    assert found(dazzle, lit_by(1000, 29.5))["dazzle", "seat"].value > 0.0


def test_lamp_that_is_off_or_dimmed():
    full = found(dazzle, lit_by(30, 5.0))["dazzle", "seat"].value
    text = lit_by(30, 5.0, more='dim = "50 %"')
    job = job_of(text)
    (result,) = dazzle(job)
    assert result.value == pytest.approx(full * job.state.level["lamp"], rel=1e-5)
    assert job.state.level["lamp"] < 1
    assert found(dazzle, lit_by(30, 5.0, more="on = false"))["dazzle", "seat"].value == 0.0


def test_lamp_behind_a_wall_does_not_dazzle():
    assert found(dazzle, lit_by(1000, 5.0) + wall_before(0, 3))["dazzle", "seat"].value == 0.0


def test_half_a_lens_dazzles_half():
    # a lens 0.6 m wide that looks at the eye, its lower half behind a wall that ends at eye height
    disc = """
[lamps.disc]
kind = "table"
intensity = [["0 deg", "50 cd"], ["180 deg", "50 cd"]]
lens = "0.6 m"
"""
    lamp = fixture("lamp", off(5.0), 'aim = "0 m, 0 m, 1.5 m"', "disc")
    text = BLACK + disc + VIEW + lamp
    whole = found(dazzle, text)["dazzle", "seat"].value
    half = found(dazzle, text + wall_before(0, 1.499))["dazzle", "seat"].value
    assert half / whole == pytest.approx(0.5, abs=0.13)  # by eighths


def test_who_walks_a_path_looks_along_it_and_a_degree_down():
    """Veil of CIE 146:2002 at every pace of a straight path, either way, by the law of distance; the
    line of sight is that of EN 13201-3 [from memory]."""
    candela, height, beside = 60.0, 2.1, 0.8
    walk = '[[path]]\nname = "walk"\nline = ["0 m, 0 m", "0 m, 12 m"]\nwidth = "1 m"\n'
    text = BLACK + "[check]\nage = 70\n" + omni(candela) + walk
    result = found(dazzle_on_ways, text + fixture("lamp", (beside, 9, height)))
    (result,) = result.values()
    assert result.key == ("dazzle", "walking on walk")
    most = 0.0
    for pace in range(8):
        eye = np.array([0, 0.75 + 1.5 * pace, 1.5])
        for ahead in (1, -1):
            gaze = np.array([0, ahead * np.cos(np.radians(1)), -np.sin(np.radians(1))])
            way = np.array([beside, 9, height]) - eye
            r = np.linalg.norm(way)
            theta = np.degrees(np.arccos(way @ gaze / r))
            if theta <= 30:
                lux = candela / r**2 * np.cos(np.radians(theta))
                most = max(most, 65 * 10 * lux / max(theta, 1.0) ** 2 * 2)
    assert most > 3.0
    assert result.value == pytest.approx(most, rel=2e-3)
    assert result.lamps == ("lamp",) and "lx" not in result.plain


def test_dazzle_cannot_be_told_without_views():
    (result,) = dazzle(job_of(BLACK + omni(10) + fixture("lamp", (0, 0, 1))))
    assert result.verdict == "cannot tell" and "view" in result.reason


# --- lamps near an eye ----------------------------------------------------------------------------

PATH = """
[[path]]
name = "walk"
line = ["0 m, 0 m", "12 m, 0 m"]
width = "1 m"
material = "black"
"""
# 400 cd within 10 deg of its aim, none beyond 15 deg
SPOT = """
[lamps.spot]
kind = "table"
intensity = [["0 deg", "400 cd"], ["10 deg", "400 cd"], ["15 deg", "0 cd"], ["180 deg", "0 cd"]]
"""


@pytest.mark.parametrize(("candela", "verdict"), [(24.9, "good"), (25.1, "warn"), (101, "strong")])
def test_bright_lamp_at_its_edge(candela, verdict):
    result = found(bright_lamps, BLACK + omni(candela) + VIEW + fixture("lamp", off(5, 3)))
    result = result["bright lamp", "lamp"]
    assert result.value == pytest.approx(candela, rel=1e-3)
    assert result.verdict == verdict
    assert "at view seat" in result.said and "3.0 m away" in result.said


@pytest.mark.parametrize(("distance", "seen"), [(5.95, True), (6.05, False)])
def test_lamps_beyond_six_metres_are_not_looked_into(distance, seen):
    result = found(bright_lamps, BLACK + omni(200) + VIEW + fixture("lamp", off(5, distance)))
    assert (result["bright lamp", "lamp"].value > 0) == seen


@pytest.mark.parametrize(
    ("height_deg", "seen"), [(49, True), (51, False), (-74, True), (-76, False)]
)
def test_lamps_overhead_and_at_the_feet_are_out_of_view(height_deg, seen):
    theta = np.radians(height_deg)
    lamp = (0.0, 1.4 * np.cos(theta), 1.5 + 1.4 * np.sin(theta))
    result = found(bright_lamps, BLACK + omni(200) + VIEW + fixture("lamp", lamp))
    assert (result["bright lamp", "lamp"].value > 0) == seen


def test_lamp_behind_ones_back_is_not_seen_from_a_view():
    result = found(bright_lamps, BLACK + omni(200) + VIEW + fixture("lamp", off(100, 3)))
    assert result["bright lamp", "lamp"].value == 0.0


def test_spot_aimed_at_a_walker_is_found_and_one_at_the_ground_is_not():
    text = BLACK + SPOT + PATH
    lamp = fixture("spike", (6, -4, 0.2), 'aim = "6.75 m, 0 m, 1.5 m"', "spot")
    result = found(bright_lamps, text + lamp)["bright lamp", "spike"]
    assert result.value == pytest.approx(400, rel=1e-3) and result.verdict == "strong"
    assert result.lamps == ("spike",) and "walking on walk" in result.said
    lamp = fixture("spike", (6, -4, 0.2), 'aim = "6.75 m, 0 m, -1.5 m"', "spot")
    assert found(bright_lamps, text + lamp)["bright lamp", "spike"].value == 0.0


def test_hats_shine_into_no_eye():
    hats = '[[fixture]]\nid = "row"\nlamp = "path hat"\npath = "walk"\nstart = "1 m"\nspacing = "2 m"\ncount = 5\n'
    assert found(bright_lamps, BLACK + PATH + hats)["bright lamp", "row"].value == 0.0


def test_of_a_row_the_lamps_that_are_too_bright_are_named():
    text = BLACK + SPOT + PATH
    row = fixture("row", (-30, -4, 0.2), 'count = 2\nto = "6 m, -4 m, 0.2 m"\naim = "-29.25 m, 0 m, 1.5 m"', "spot")  # fmt: skip
    result = found(bright_lamps, text + row)["bright lamp", "row"]
    assert result.lamps == ("row-2",)


def test_row_of_light_shines_with_all_its_length():
    # a matte strip of 300 lm: Φ/π on its axis; 5 m away its ends are 5.7 deg off
    strip = """
[lamps.strip]
kind = "linear"
flux = "300 lm"
length = "1 m"
loss_factor = 1.0
"""
    lamp = fixture("strip", (0, 5, 1.5), 'aim = "0 m, 0 m, 1.5 m"', "strip")
    result = found(bright_lamps, BLACK + strip + VIEW + lamp)["bright lamp", "strip"]
    assert result.value == pytest.approx(300 / np.pi, rel=0.01)


def test_bright_lamps_cannot_be_told_where_nobody_looks():
    (result,) = bright_lamps(job_of(BLACK + omni(10) + fixture("lamp", (0, 0, 1))))
    assert result.verdict == "cannot tell"


# --- steps ----------------------------------------------------------------------------------------

FLIGHT = """
[[steps]]
name = "flight"
at = "0 m, 0 m"
width = "1.5 m"
count = 4
riser = "0.15 m"
tread = "0.35 m"
material = "black"
"""


@pytest.mark.parametrize(("candela", "verdict"), [(24.9, "good"), (25.1, "warn"), (101, "strong")])
def test_source_at_the_foot_is_seen_going_down(candela, verdict):
    result = found(going_down, BLACK + omni(candela) + FLIGHT + fixture("lamp", (0, -2, 0.5)))
    result = result["going down", "flight"]
    assert result.value == pytest.approx(candela, rel=1e-3)
    assert result.verdict == verdict
    assert result.lamps == ("lamp",)


def test_lamp_in_a_riser_is_unseen_going_down_and_seen_coming_up():
    text = BLACK + omni(60) + FLIGHT + fixture("lamp", (0, 0.34, 0.22))  # 1 cm before a riser
    down = found(going_down, text)["going down", "flight"]
    up = found(bright_lamps, text)["bright lamp", "lamp"]
    # one on the tread just above would see it straight below, but that is not where one looks
    assert down.value == 0.0 and down.verdict == "good"
    assert up.value == pytest.approx(60, rel=1e-3) and "coming up flight" in up.said


def test_lamp_behind_the_top_is_seen_coming_up_alone():
    text = BLACK + omni(60) + FLIGHT + fixture("lamp", (0, 3, 1.6))
    assert found(going_down, text)["going down", "flight"].value == 0.0
    assert found(bright_lamps, text)["bright lamp", "lamp"].value == pytest.approx(60, rel=1e-3)


def test_steps_that_turn_are_looked_down_their_own_way():
    turned = FLIGHT + 'bearing = "90 deg"\n'  # up along +x
    result = found(going_down, BLACK + omni(60) + turned + fixture("lamp", (-2, 0, 0.5)))
    assert result["going down", "flight"].value == pytest.approx(60, rel=1e-3)
    result = found(going_down, BLACK + omni(60) + turned + fixture("lamp", (4, 0, 2.0)))
    assert result["going down", "flight"].value == 0.0


def test_going_down_cannot_be_told_with_all_lamps_off():
    text = BLACK + omni(60) + FLIGHT + fixture("lamp", (0, -2, 0.5), "on = false")
    assert found(going_down, text)["going down", "flight"].verdict == "cannot tell"


def test_result_keys_stay_when_a_lamp_moves():
    first, second = (
        set(found(bright_lamps, BLACK + omni(60) + PATH + VIEW + fixture("lamp", (x, 2, 1.5))))
        for x in (1.0, 9.0)
    )
    assert first == second == {("bright lamp", "lamp")}


def test_limit_of_the_scene_rules():
    text = BLACK + omni(60) + VIEW + fixture("lamp", off(5, 3))
    own = text + "[check.limits.candela_near]\nwarn = 70\n"
    assert found(bright_lamps, text)["bright lamp", "lamp"].verdict == "warn"
    result = found(bright_lamps, own)["bright lamp", "lamp"]
    assert result.verdict == "good" and replace(result, value=71.0).verdict == "warn"
