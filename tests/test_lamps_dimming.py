"""Dimmed lamps against published exponents and a black body's own light."""

import numpy as np
import pytest

from nightview.errors import NightviewError
from nightview.lamps.dimming import dimmed


@pytest.mark.parametrize("level", [0.0, 0.01, 0.4, 1.0])
def test_light_emitting_diodes_dim_in_proportion_and_keep_their_colour(level):
    led = dimmed("led", level, 3000.0)
    assert (led.flux, led.power, led.cct_k) == (level, level, 3000.0)


def test_a_halogen_lamp_at_ten_point_eight_volts_of_twelve():
    # The project's notes on sources, section 1, from the published exponents 3.4, 1.6 and .42: light
    # .70, watts .845, colour temperature .957.
    lamp = dimmed("halogen", 10.8 / 12.0, 2800.0)
    assert lamp.flux == pytest.approx(0.70, abs=0.005)
    assert lamp.power == pytest.approx(0.845, abs=0.0005)
    assert lamp.cct_k == pytest.approx(0.957 * 2800.0, rel=5e-4)


@pytest.mark.parametrize("level", [0.99, 0.95, 0.9])
def test_a_filaments_light_follows_its_temperature_near_its_voltage(level):
    # A filament is near enough a black body of fixed size, so its lumens are Planck's law seen
    # through V(λ), here by one lobe, 1.019·exp(−285.4·(λ − 0.559 µm)²) (a published fit, from memory).
    wavelength_m = np.linspace(380e-9, 780e-9, 401)
    seen = 1.019 * np.exp(-285.4 * (wavelength_m * 1e6 - 0.559) ** 2)

    def lumens(kelvin):
        return (seen * wavelength_m**-5 / np.expm1(1.4388e-2 / (wavelength_m * kelvin))).sum()

    lamp = dimmed("halogen", level, 2900.0)
    assert lumens(lamp.cct_k) / lumens(2900.0) == pytest.approx(lamp.flux, rel=0.04)


def test_full_level_is_the_lamp_itself():
    for source in ("led", "halogen"):
        lamp = dimmed(source, 1.0, 2850.0)
        assert (lamp.flux, lamp.power, lamp.cct_k) == (1.0, 1.0, 2850.0)


def test_a_halogen_lamp_reddens_without_end_only_down_to_a_glow():
    levels = np.linspace(0.0, 1.0, 101)
    lamps = [dimmed("halogen", float(level), 2900.0) for level in levels]
    for values in ([lamp.flux for lamp in lamps], [lamp.cct_k for lamp in lamps]):
        assert (np.diff(values) >= 0.0).all()
    assert lamps[0].flux == 0.0
    assert lamps[0].cct_k == 1000.0  # a colour that can be drawn, of no light
    assert lamps[60].flux == pytest.approx(0.6**3.4)


@pytest.mark.parametrize("level", [-0.1, 1.1, float("nan")])
def test_no_level(level):
    with pytest.raises(NightviewError, match="is no level"):
        dimmed("led", level, 2700.0)
