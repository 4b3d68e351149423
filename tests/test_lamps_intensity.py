"""The intensity table: what goes in comes out, in every direction, and the lumens are all there."""

import numpy as np
import pytest

from nightview.lamps.intensity import Intensity


def gaussian(beam_deg):
    a = 4.0 * np.log(2.0) / np.radians(beam_deg) ** 2
    return lambda theta: np.exp(-a * theta**2)


@pytest.mark.parametrize("beam_deg", [1.0, 5.0, 10.0, 24.0, 60.0])
def test_lookup_follows_the_formula_down_to_a_hundredth_of_the_peak(beam_deg):
    formula = gaussian(beam_deg)
    lamp = Intensity.from_axial(formula)
    # A Gaussian is a hundredth at θ = B·√(ln 100 / 4 ln 2).
    theta = np.linspace(0.0, np.radians(beam_deg) * np.sqrt(np.log(100.0) / np.log(16.0)), 5001)
    assert lamp.at(np.cos(theta)) == pytest.approx(formula(theta), rel=1e-3)


def test_float32_directions_are_good_enough_for_a_narrow_beam():
    formula = gaussian(10.0)
    theta = np.radians(np.linspace(0.0, 12.0, 1001))
    got = Intensity.from_axial(formula).at(np.cos(theta).astype(np.float32))
    assert got == pytest.approx(formula(theta), rel=1e-3)


@pytest.mark.parametrize(
    ("function", "flux_lm"),
    [  # closed forms of 2π∫I(θ) sin θ dθ
        (np.ones_like, 4.0 * np.pi),
        (lambda theta: np.maximum(np.cos(theta), 0.0), np.pi),  # Lambert: Φ = π·I0
        (np.sin, np.pi**2),  # a thin upright line
        (lambda theta: 1.0 - theta / np.pi, 2.0 * np.pi),
        (lambda theta: np.cos(theta / 2.0) ** 2, 2.0 * np.pi),  # (1 + cos θ)/2
    ],
)
def test_flux_is_the_closed_form(function, flux_lm):
    assert Intensity.from_axial(function).flux_lm == pytest.approx(flux_lm, rel=1e-6)


def test_flux_of_the_table_is_exact_for_its_own_lookup():
    # Few columns: the lookup is a polygon in s, and its integral must be that of the polygon.
    rng = np.random.default_rng(1)
    lamp = Intensity.from_table(rng.uniform(0.0, 5.0, (3, 6)))
    s = (np.arange(200_000) + 0.5) / 200_000
    phi = 2.0 * np.pi * (np.arange(60) + 0.5) / 60
    # dΩ = 4 s ds dφ, by the midpoint rule
    rows = [lamp.at(1.0 - 2.0 * s**2, one).astype(float) @ (4.0 * s) / len(s) for one in phi]
    assert lamp.flux_lm == pytest.approx(2.0 * np.pi * np.mean(rows), rel=1e-5)


def test_normalised_to_lumens():
    lamp = Intensity.from_axial(gaussian(24.0), flux_lm=260.0)
    assert lamp.flux_lm == 260.0
    assert Intensity.from_table(lamp.table).flux_lm == pytest.approx(260.0, rel=1e-6)


def test_cosines_past_one_by_rounding_are_the_axis():
    lamp = Intensity.from_axial(lambda theta: 2.0 - theta / np.pi)
    got = lamp.at(np.array([1.0 + 1e-6, -1.0 - 1e-6]))
    assert got == pytest.approx([2.0, 1.0], abs=1e-6)


def test_shape_and_type_are_kept():
    lamp = Intensity.from_axial(np.ones_like)
    for shape in ((), (0,), (7,), (2, 3)):
        got = lamp.at(np.zeros(shape))
        assert got.shape == shape
        assert got.dtype == np.float32


def test_phi_turns_round_and_round():
    def lobes(theta, phi):
        return np.sin(theta) * (1.0 + 0.5 * np.cos(phi))

    lamp = Intensity.from_polar(lobes, n_phi=360)
    assert not lamp.axial
    phi = np.linspace(-7.0, 14.0, 211)
    got = lamp.at(np.zeros_like(phi), phi)
    assert got == pytest.approx(lobes(np.pi / 2.0, phi), rel=1e-4)
    # ∫ sin θ·(1 + cos φ/2) dΩ = π²: the cosine averages out
    assert lamp.flux_lm == pytest.approx(np.pi**2, rel=1e-4)


def test_phi_is_asked_for_only_where_it_matters():
    assert Intensity.from_axial(np.ones_like).at(0.5) == pytest.approx(1.0)
    uneven = Intensity.from_table([[1.0, 1.0], [2.0, 2.0]])
    with pytest.raises(ValueError, match="phi is needed"):
        uneven.at(0.5)
    assert uneven.at(np.zeros((4, 1)), np.zeros(3)).shape == (4, 3)


@pytest.mark.parametrize("cutoff_deg", [30.0, 60.0, 78.0, 90.0])
def test_a_cutoff_stays_sharp_within_a_tenth_of_a_degree(cutoff_deg):
    lamp = Intensity.from_axial(lambda theta: np.where(theta <= np.radians(cutoff_deg), 1.0, 0.0))
    just_inside, just_outside = np.cos(np.radians([cutoff_deg - 0.1, cutoff_deg + 0.1]))
    assert lamp.at(just_inside) == pytest.approx(1.0)
    assert lamp.at(just_outside) == 0.0
    assert np.degrees(np.arccos(lamp.cutoff_cos)) == pytest.approx(cutoff_deg, abs=0.1)
    beyond = np.linspace(-1.0, lamp.cutoff_cos, 5001)
    assert not lamp.at(beyond).any()


def test_no_cutoff():
    assert Intensity.from_axial(np.ones_like).cutoff_cos == -1.0


def test_scaled_and_peak():
    lamp = Intensity.from_axial(gaussian(36.0), flux_lm=260.0)
    dimmed = lamp.scaled(0.3)
    assert dimmed.flux_lm == pytest.approx(78.0)
    assert dimmed.peak_cd == pytest.approx(0.3 * lamp.peak_cd, rel=1e-6)


def test_width_of_a_gaussian():
    lamp = Intensity.from_axial(gaussian(36.0))
    assert lamp.width_deg(0.5) == pytest.approx(36.0, abs=0.1)
    # a tenth at B·√(log2 10)
    assert lamp.width_deg(0.1) == pytest.approx(36.0 * np.sqrt(np.log2(10.0)), abs=0.1)


@pytest.mark.parametrize("table", [[1.0, 2.0], [[1.0]], [[1.0, -1.0]], [[1.0, np.nan]]])
def test_no_table_of_light(table):
    with pytest.raises(ValueError):
        Intensity.from_table(table)


def test_a_table_that_holds_other_lumens_is_refused():
    with pytest.raises(ValueError, match="holds"):
        Intensity(np.ones((1, 9), dtype=np.float32), 100.0)


def test_frozen():
    lamp = Intensity.from_axial(np.ones_like)
    with pytest.raises(ValueError):
        lamp.table[0, 0] = 2.0
