"""The five principles: each tripped, not tripped and at its edge; none of them is a fault by itself.

DarkSky and IES, Five Principles for Responsible Outdoor Lighting (2020); the figures are ours.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checked import job_of, lamp, wall

from nightview.checks.principles import (
    PRINCIPLE_CHECKS,
    cct_of,
    controlled,
    low_level,
    targeted,
    useful,
    warm,
)
from nightview.checks.result import Result
from nightview.lamps.colour import rgb_of_cct

ON = 'height = "1.5 m"'


def one(check, text: str) -> Result:
    (result,) = list(check(job_of(text)))
    return result


def at_limit(result: Result, warn: float) -> str:
    """The verdict were the limit another."""
    return replace(result, limit=replace(result.limit, warn=warn, strong=None)).verdict


def lit(more: str = "", kind: str = "narrow", name: str = "a", along: float = 3.0) -> str:
    """A level lamp all of whose light falls on the wall."""
    return lamp(name, along, 0.6, 0.0, kind, f"{ON}\n{more}")


UP = '[[fixture]]\nid = "up"\nlamp = "narrow"\nat = "3 m, -5 m, 1 m"\nelevation = "90 deg"\n'


def test_there_is_one_figure_for_each_of_five():
    results = [result for check in PRINCIPLE_CHECKS for result in check(job_of(wall(lit())))]
    assert len({result.check for result in results}) == len(results) == 5
    assert all(not result.counts for result in results)
    assert all("five principles" in result.limit.source for result in results)


@pytest.mark.parametrize("check", [useful, targeted, controlled, warm])
def test_with_no_lamp_on_nothing_can_be_told(check):
    result = one(check, wall(lit("on = false")))
    assert (result.value, result.reason) == (None, "no lamp is on")


def test_useful():
    assert one(useful, wall(lit())).verdict == "good"
    idle = one(useful, wall(lit() + UP))
    assert idle.value == pytest.approx(50.0)  # one of two equal lamps
    assert (idle.verdict, idle.lamps) == ("warn", ("up",))
    assert at_limit(idle, 50.0) == "good"


def test_targeted():
    assert one(targeted, wall(lit())).verdict == "good"
    half = one(targeted, wall(lit() + UP))
    assert half.value == pytest.approx(50.0, abs=0.1)
    assert (half.verdict, half.lamps) == ("warn", ("up",))
    assert half.value is not None
    assert at_limit(half, half.value) == "good"
    assert at_limit(half, half.value - 0.01) == "warn"
    # Dimmed lamps count by what they shine with.
    dim = one(targeted, wall(lit() + UP + "dim = 0.5\n"))
    assert dim.value == pytest.approx(100 / 3, abs=1.5)


def test_low_level():
    once = one(low_level, wall(lit()))
    # 100 lm on 18 m²; up to 30 lx is usual.
    assert once.value == pytest.approx(100 / 18 / 30, rel=0.02)
    assert once.verdict == "good"
    many = one(low_level, wall("".join(lit(name=f"a{k}") for k in range(6))))
    assert many.value == pytest.approx(6 * 100 / 18 / 30, rel=0.02)
    assert many.verdict == "warn"
    assert "house front" in many.said
    assert many.value is not None
    assert at_limit(many, many.value) == "good"
    dark = one(low_level, wall(UP))
    assert (dark.value, dark.reason) == (None, "no wall and no path is lit")


LATE = '[check]\ncurfew = "late"\n[[state]]\nname = "late"\ndim = {dim}\n'


def test_controlled():
    unsaid = one(controlled, wall(lit()))
    assert unsaid.value is None
    assert "curfew" in unsaid.reason
    dark = one(controlled, wall(lit() + LATE.format(dim=0.0)))
    assert (dark.value, dark.verdict) == (0.0, "good")
    job = job_of(wall(lit() + LATE.format(dim=0.9)))
    (bright,) = list(controlled(job))
    assert bright.value == pytest.approx(100 * job.late.state.level["a"])
    assert bright.verdict == "warn"
    assert bright.value is not None
    assert at_limit(bright, bright.value) == "good"
    assert at_limit(bright, bright.value - 0.01) == "warn"


def test_warm():
    assert one(warm, wall(lit('cct = "2700 K"'))).value == 2700.0
    edge = one(warm, wall(lit('cct = "3000 K"')))
    assert (edge.value, edge.verdict) == (3000.0, "good")
    cool = one(warm, wall(lit('cct = "4000 K"', name="c") + lit('cct = "2700 K"', along=2.0)))
    assert (cool.value, cool.verdict, cool.lamps) == (4000.0, "warn", ("c",))


def test_the_colour_a_state_asks_for_is_the_one_told():
    text = wall(lit('cct = "2700 K"') + '[[state]]\nname = "cold"\ncct = "5000 K"\n')
    (result,) = list(warm(job_of(text, "cold")))
    assert result.value == 5000.0


@pytest.mark.parametrize("kelvin", [1900.0, 2200.0, 2700.0, 3000.0, 3500.0, 4000.0, 5000.0, 6500.0])
def test_a_colour_gives_its_temperature_back(kelvin):
    assert cct_of(np.asarray(rgb_of_cct(kelvin))) == kelvin
    # The same colour at another level.
    assert cct_of(0.3 * np.asarray(rgb_of_cct(kelvin))) == kelvin
