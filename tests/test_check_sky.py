"""Light into the sky, past its target, and on walls: each check tripped, not tripped and at its edge.

Figures follow from solid angles, and from lumens over area, in the tests themselves.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checked import job_of, lamp, wall

from nightview.checks.ledger import ledgers_of
from nightview.checks.result import Result
from nightview.checks.sky import about, facade_luminance, off_target, upward

GARDEN = """
[ground]
material = "black"
size = "60 m, 60 m"
[materials.black]
rgb = [0, 0, 0]
[lamps.bulb]
kind = "omni"
flux = "100 lm"
loss_factor = 1.0
[lamps.matte]
kind = "linear"
length = "0.02 m"
flux = "100 lm"
loss_factor = 1.0
[lamps.narrow]
kind = "beam"
beam = "10 deg"
flux = "100 lm"
spill = 0.0
loss_factor = 1.0
"""


def at(name: str, kind: str, place: str, more: str = "") -> str:
    return f'[[fixture]]\nid = "{name}"\nlamp = "{kind}"\nat = "{place}"\n{more}\n'


def found(check, text: str) -> dict[str, Result]:
    results = list(check(job_of(text)))
    assert len({result.key for result in results}) == len(results), "a key is said twice"
    return {result.place: result for result in results}


def at_limit(result: Result, warn: float) -> str:
    """The verdict were the limit another."""
    return replace(result, limit=replace(result.limit, warn=warn, strong=None)).verdict


# --- into the sky ---------------------------------------------------------------------------------


def test_half_a_bulbs_light_goes_into_the_sky():
    (result,) = found(upward, GARDEN + at("a", "bulb", "0 m, 0 m, 1 m")).values()
    assert result.value == pytest.approx(50.0, abs=0.1)  # a half of the sphere is above
    assert result.verdict == "warn"
    assert result.lamps == ("a",)
    assert "50 of 100 lm" in result.said
    assert result.plain == "About half of all the light goes straight into the sky."


def test_a_lamp_that_shines_down_sends_none_up():
    (result,) = found(upward, GARDEN + at("a", "matte", "0 m, 0 m, 1 m")).values()
    assert (result.value, result.verdict) == (0.0, "good")


def test_lamps_count_by_the_lumens_they_shine_with():
    text = GARDEN + at("a", "matte", "0 m, 0 m, 1 m") + at("b", "narrow", "5 m, 0 m, 1 m",
                                                          'elevation = "90 deg"\ndim = 0.25')  # fmt: skip
    job = job_of(text)
    (result,) = list(upward(job))
    level = job.state.level["b"]  # an LED's flux goes as its control
    assert result.value == pytest.approx(100 * level / (1 + level), abs=1e-9)
    assert level == pytest.approx(0.25, abs=0.05)
    assert result.lamps == ("b",)


def test_light_into_the_sky_at_its_edge():
    (result,) = found(upward, GARDEN + at("a", "bulb", "0 m, 0 m, 1 m")).values()
    assert result.value is not None
    assert at_limit(result, result.value) == "good"
    assert at_limit(result, result.value - 0.01) == "warn"


@pytest.mark.parametrize(("zone", "most"), [("E1", 0.0), ("E2", 5.0), ("E3", 15.0), ("E4", 25.0)])
def test_the_zone_sets_the_limit(zone, most):
    text = GARDEN + f'[check]\nzone = "{zone}"\n' + at("a", "bulb", "0 m, 0 m, 1 m")
    (result,) = found(upward, text).values()
    assert result.limit.warn == most  # EN 12193:2008, as the limits' table says


def test_with_no_lamp_on_the_sky_cannot_be_told():
    (result,) = found(upward, GARDEN + at("a", "bulb", "0 m, 0 m, 1 m", "on = false")).values()
    assert (result.value, result.verdict) == (None, "cannot tell")
    assert result.reason == "no lamp is on"


# --- past its target ------------------------------------------------------------------------------


def test_a_lamp_that_half_misses_is_told():
    bulb = at("a", "bulb", "0 m, 0 m, 1 m", 'lights = "ground"')
    result = found(off_target, GARDEN + bulb)["a"]
    assert result.value == pytest.approx(50.0, abs=1.6)  # and the rim of the ground
    assert result.verdict == "warn"
    assert result.at == (0.0, 0.0, 1.0)
    assert result.plain == (
        "About half of the light meant for the ground misses it, and most of that goes into the sky."
    )


def test_a_beam_on_its_wall_is_good_and_one_past_its_edge_is_strong():
    inside = lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "1.5 m"')
    good = found(off_target, wall(inside))["a"]
    assert good.value == pytest.approx(0.0, abs=0.05)
    assert good.verdict == "good"
    past = lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "4.5 m"\nlights = "house front"')
    over = found(off_target, wall(past))["a"]
    # Level and 1.5 m above the wall's top, 0.6 m off it: hardly any light bends down 68 degrees.
    assert over.value is None
    assert "none of its light meets" in over.reason
    # Level with the top of the roof's edge, 0.15 m above the wall's, one half goes over it.
    half = found(off_target, wall(_level(3.15)))["a"]
    assert half.value == pytest.approx(50.0, abs=0.4)
    assert half.verdict == "warn"
    assert at_limit(half, half.value) == "good"
    assert at_limit(half, half.value - 0.01) == "warn"
    most = found(off_target, wall(_level(3.3)))["a"]
    # A Gaussian of 24 deg, 0.15 m below its axis at 0.6 m: within 14 deg of 0, 0.13 of the light and
    # less is below, by the normal law with σ = 24°/2.355.
    assert most.value is not None
    assert most.value > 85.0
    assert most.verdict == "strong"


def _level(height: float) -> str:
    """A lamp that shines level at the wall from a height."""
    return lamp("a", 3.0, 0.6, 0.0, "narrow", f'height = "{height} m"')


def test_a_row_is_told_once_by_its_worst_lamp():
    row = lamp("a", 1.0, 0.6, 0.0, "narrow", 'height = "1.5 m"\ncount = 2\nspacing = "5 m"')
    results = found(off_target, wall(row))
    assert list(results) == ["a"]
    # The second stands at the wall's very end: one half goes past it.
    assert results["a"].lamps[0] == "a-2"
    assert results["a"].value == pytest.approx(50.0, abs=0.4)


def test_a_lamp_whose_aim_meets_nothing_cannot_be_told():
    up = at("a", "narrow", "0 m, 0 m, 1 m", 'elevation = "80 deg"')
    result = found(off_target, GARDEN + up)["a"]
    assert (result.value, result.verdict) == (None, "cannot tell")
    assert 'lights = "a name"' in result.reason


def test_what_a_collar_stops_is_told():
    text = wall(lamp("a", 3.0, 0.6, 75.0, "wide", 'shield = "25 deg"'))
    job = job_of(text)
    (result,) = list(off_target(job))
    left = ledgers_of(job)["a"].flux_lm
    assert f"after its collar, which stops {100 - left:.0f} lm" in result.said


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.0, "Hardly any"), (0.1, "About a tenth"), (0.25, "About a quarter"), (1 / 3, "About a third"),
     (0.5, "About half"), (2 / 3, "About two thirds"), (0.75, "About three quarters"),
     (1.0, "Almost all")],
)  # fmt: skip
def test_a_share_in_words(share, words):
    assert about(share) == words


# --- walls ----------------------------------------------------------------------------------------


def test_the_mean_luminance_of_a_wall_is_lumens_over_area():
    lit = lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "1.5 m"')
    job = job_of(wall(lit))
    (result,) = list(facade_luminance(job))
    # L = ρ/π · Φ/A for the whole of a matte wall, 6 m by 3 m, ρ = 0.5, 100 lm, nothing thrown back.
    assert result.value == pytest.approx(0.5 / np.pi * 100 / 18, rel=0.02)
    assert result.verdict == "good"
    assert "house front" in result.said
    assert result.lamps == ("a",)
    assert result.at == pytest.approx((3.0, 0.0, 1.5), abs=0.06)


def test_a_wall_too_bright_for_its_zone_and_one_at_the_edge():
    lit = lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "1.5 m"')
    dark = found(facade_luminance, wall('[check]\nzone = "E1"\n' + lit))["house"]
    assert dark.limit.warn == 0.1
    assert dark.verdict == "warn"
    assert dark.value is not None
    assert at_limit(dark, dark.value) == "good"
    assert at_limit(dark, 0.99 * dark.value) == "warn"


def test_a_neighbours_wall_is_not_told_here():
    lit = lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "1.5 m"')
    assert found(facade_luminance, wall('[check]\nneighbours = ["house"]\n' + lit)) == {}
