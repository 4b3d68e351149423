"""Colour temperature by material: the trade's table, and colour shifts that behave as they must."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.difference import ciede2000, lab_of
from nightview.site.materials import MATERIALS, MaterialSpec
from nightview.site.warmth import advice, nearest_cct, shift, suited_cct

GREY = MaterialSpec("grey", (0.3, 0.3, 0.3), 0.3)


@pytest.mark.parametrize(
    "name", ["red brick", "dark brick", "cedar", "tan stucco", "buff brick", "timber deck"]
)
def test_warm_materials_want_warm_light(name) -> None:
    assert suited_cct(MATERIALS[name]) == 2700  # common practice, no single source


@pytest.mark.parametrize(
    "name",
    [
        "limestone",
        "fieldstone",
        "granite setts",
        "white siding",
        "white render",
        "leaf",
        "grass",
        "water",
    ],
)
def test_grey_white_and_green_want_neutral_light(name) -> None:
    assert suited_cct(MATERIALS[name]) == 3000  # common practice, no single source


def test_the_shift_of_a_grey_is_that_of_the_light_itself() -> None:
    middle = rgb_of_cct(1e6 / ((1e6 / 2700 + 1e6 / 4000) / 2))
    lights = [lab_of(0.3 * rgb_of_cct(cct), middle) for cct in (2700, 4000)]
    assert shift(GREY, 2700, 4000) == pytest.approx(float(ciede2000(*lights)))
    assert lights[0][0] == pytest.approx(lights[1][0], abs=0.05)  # the same lux, the same lightness
    assert lights[0][2] > 0 > lights[1][2]  # one too yellow, the other too blue


def test_shifts_grow_with_the_step_and_vanish_with_it() -> None:
    for spec in MATERIALS.values():
        assert shift(spec, 2700, 2700) == pytest.approx(0.0, abs=1e-9)
        steps = [shift(spec, 2700, cct) for cct in (3000, 3500, 4000, 5000)]
        assert np.all(np.diff(steps) > 0)


def test_nearest_is_in_mired_not_in_kelvin() -> None:
    # From 3000 K it is 64 mired to 2520 K and 65 to 3727 K, though 3727 K is farther in kelvin.
    assert nearest_cct([2500, 3700], 3000) == 3700
    assert nearest_cct([2700, 4000], 3000) == 2700


def test_advice_names_surface_choice_and_amount() -> None:
    text = advice(MATERIALS["red brick"], [2700, 3000, 4000])
    assert text.startswith("Red brick: 2700 K flatters it most")
    amount = shift(MATERIALS["red brick"], 2700, 4000)
    assert f"against 4000 K its colour shifts by {amount:.0f} (CIEDE2000)" in text
    assert "3000 K flatters" in advice(MATERIALS["limestone"], [2700, 3000, 4000])
    assert advice(MATERIALS["limestone"], [3000]) == "Limestone: 3000 K."
