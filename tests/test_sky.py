"""The night sky: closed forms against quadrature, stars against published counts."""

import numpy as np
import pytest

from nightview.lamps.colour import Y_WEIGHTS, rgb_of_cct
from nightview.picture.sky import (
    DRAWN_SHARE,
    EXTINCTION_MAG,
    MOON_RADIUS_DEG,
    TREES_DEG,
    behind_trees,
    drawn_sky,
    moon_disc,
    stars,
)
from nightview.site.sky import AMBIENT_LX, MOONLIT_SKY, sky_luminance

PLACES = [name for name, lux in AMBIENT_LX.items() if lux > 0.0]
UP = np.array([[0.0, 0.0, 1.0]], np.float32)


def towards(bearing_deg: float, height_deg: np.ndarray) -> np.ndarray:
    height, bearing = np.radians(np.atleast_1d(height_deg)), np.radians(bearing_deg)
    flat = np.cos(height)
    return np.column_stack([flat * np.sin(bearing), flat * np.cos(bearing), np.sin(height)])


def horizontal_lx(radiance) -> float:
    """∫ L·μ dω by Gauss–Legendre in μ and the trapezium in φ, on the luminance."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    mu, d_mu = (nodes + 1.0) / 2.0, weights / 2.0
    phi = np.arange(24) * (2.0 * np.pi / 24)
    m, f = (a.ravel() for a in np.meshgrid(mu, phi, indexing="ij"))
    flat = np.sqrt(1.0 - m**2)
    directions = np.column_stack([flat * np.cos(f), flat * np.sin(f), m]).astype(np.float32)
    luminance = radiance(directions).astype(np.float64) @ Y_WEIGHTS
    return float((luminance * m) @ np.repeat(d_mu, 24) * (2.0 * np.pi / 24))


@pytest.mark.parametrize("place", PLACES)
def test_sky_brings_the_stated_light_to_level_ground(place):
    lux = horizontal_lx(lambda d: sky_luminance(d, place, AMBIENT_LX[place]))
    assert lux == pytest.approx(AMBIENT_LX[place], rel=5e-4)


def test_sky_without_a_shape_is_even():
    # A uniform sky of luminance L brings π·L.
    sky = sky_luminance(towards(30.0, np.array([5.0, 40.0, 90.0])), "none", 1.0)
    assert sky @ Y_WEIGHTS == pytest.approx(np.full(3, 1.0 / np.pi), rel=1e-5)


def test_no_light_no_sky():
    directions = np.concatenate([UP, -UP, towards(10.0, np.array([0.0]))])
    assert not sky_luminance(directions, "none", 0.0).any()


@pytest.mark.parametrize("moon_height_deg", [3.0, 45.0, 90.0])
def test_moon_scatters_its_stated_share(moon_height_deg):
    moon = (towards(200.0, np.array([moon_height_deg]))[0], 0.1, rgb_of_cct(4100.0))
    lux = horizontal_lx(lambda d: sky_luminance(d, "none", 0.0, moon))
    assert lux == pytest.approx(MOONLIT_SKY * 0.1, rel=5e-4)


def test_moon_and_ambient_add_up():
    moon = (towards(200.0, np.array([40.0]))[0], 0.2, rgb_of_cct(4100.0))
    directions = towards(170.0, np.linspace(-90.0, 90.0, 61))
    both = sky_luminance(directions, "rural", 0.08, moon)
    parts = sky_luminance(directions, "rural", 0.08) + sky_luminance(directions, "none", 0.0, moon)
    assert both == pytest.approx(parts, rel=1e-5, abs=1e-9)


def test_moon_below_the_horizon_adds_nothing():
    moon = (towards(0.0, np.array([-5.0]))[0], 0.2, rgb_of_cct(4100.0))
    assert not sky_luminance(UP, "none", 0.0, moon).any()
    assert len(moon_disc(moon).directions) == 0


@pytest.mark.parametrize("place", PLACES)
def test_sky_brightens_towards_the_horizon(place):
    luminance = sky_luminance(towards(0.0, np.linspace(0.0, 90.0, 91)), place, 1.0) @ Y_WEIGHTS
    assert (np.diff(luminance) <= 1e-7).all()
    assert luminance[0] > 1.5 * luminance[-1]


def test_brighter_places_are_warmer():
    def red_over_blue(place: str) -> float:
        red, _, blue = sky_luminance(towards(0.0, np.array([10.0])), place, 1.0)[0]
        return red / blue

    order = [red_over_blue(place) for place in ("rural", "suburban", "city")]
    assert order == sorted(order)
    assert order[0] < 1.0 < order[-1]


@pytest.mark.parametrize("place", PLACES)
def test_horizon_joins_smoothly_to_dark_ground(place):
    height_deg = np.linspace(-3.0, 1.0, 401)
    luminance = sky_luminance(towards(0.0, height_deg), place, 1.0) @ Y_WEIGHTS
    horizon = luminance[height_deg >= 0.0][0]
    assert np.abs(np.diff(luminance)).max() < 0.02 * horizon
    far = luminance[height_deg < -2.0]
    # Lambert: grass of 7 % under the same sky, so that the drawn lawn runs on without a seam.
    assert far == pytest.approx(np.full(len(far), 0.07 / np.pi), rel=0.1)
    assert far.max() < 0.12 * horizon


def test_drawn_sky_is_the_share_of_the_light_sky():
    directions = towards(0.0, np.linspace(6.0, 90.0, 21))  # above the far trees
    for place in PLACES:
        whole = sky_luminance(directions, place, AMBIENT_LX[place])
        drawn = drawn_sky(directions, place, AMBIENT_LX[place])
        assert drawn == pytest.approx(DRAWN_SHARE[place] * whole, rel=1e-5)


# --- far trees ------------------------------------------------------------------------------------


def tree_tops_deg(bearings_deg: np.ndarray) -> np.ndarray:
    """Where the sky is half hidden, by bisection."""
    low, high = np.zeros(len(bearings_deg)), np.full(len(bearings_deg), 8.0)
    for _ in range(20):
        middle = (low + high) / 2.0
        flat, bearing = np.cos(np.radians(middle)), np.radians(bearings_deg)
        ways = np.column_stack(
            [flat * np.sin(bearing), flat * np.cos(bearing), np.sin(np.radians(middle))]
        )
        hidden = behind_trees(ways) > 0.5
        low, high = np.where(hidden, middle, low), np.where(hidden, high, middle)
    return low


def test_far_trees_stand_low_all_round_and_join_up():
    bearings = np.arange(-180.0, 180.0, 0.05)
    tops = tree_tops_deg(bearings)
    assert tops.mean() == pytest.approx(TREES_DEG, abs=0.05)
    assert tops.min() > 0.3 and tops.max() < 3.0 * TREES_DEG - 0.1
    assert tops.std() > 0.2  # no straight line
    joint = tree_tops_deg(np.array([-180.0, 180.0, 179.99]))
    assert joint[0] == pytest.approx(joint[1], abs=1e-3)
    assert joint[1] == pytest.approx(joint[2], abs=0.05)


@pytest.mark.parametrize("place", PLACES)
def test_far_trees_are_darker_than_the_sky_above_them(place):
    heights = np.array([0.3, 0.5, 1.0, 6.0])
    drawn = drawn_sky(towards(0.0, heights), place, AMBIENT_LX[place]) @ Y_WEIGHTS
    assert (drawn[:3] < 0.5 * drawn[3]).all() and (drawn > 0).all()


@pytest.mark.parametrize("place", PLACES)
def test_the_drawn_lawn_runs_on_to_the_far_trees(place):
    # Lambert: grass of 7 % in all of the light, not only in the share that the drawn sky brings.
    ways = towards(30.0, np.array([-20.0, -5.0, -2.0]))
    far = drawn_sky(ways, place, AMBIENT_LX[place]) @ Y_WEIGHTS
    assert far == pytest.approx(np.full(3, 0.07 * AMBIENT_LX[place] / np.pi), rel=0.1)


def test_the_light_on_the_site_knows_no_far_trees():
    # The sky that lights is the bare one: even down to the horizon where it has no shape.
    low = sky_luminance(towards(77.0, np.array([0.5])), "none", 1.0) @ Y_WEIGHTS
    assert low == pytest.approx(1.0 / np.pi, rel=1e-5)


def test_moon_and_stars_set_behind_the_far_trees():
    low = (towards(0.0, np.array([0.3]))[0], 0.2, rgb_of_cct(4100.0))
    high = (towards(0.0, np.array([8.0]))[0], 0.2, rgb_of_cct(4100.0))
    assert len(moon_disc(low).directions) == 0
    assert len(moon_disc(high).directions) == 1
    sky = stars("dark")
    lux = sky.illuminance_lx @ Y_WEIGHTS
    assert not lux[sky.directions[:, 2] < np.sin(np.radians(0.3))].any()
    assert (lux[sky.directions[:, 2] > np.sin(np.radians(7.0))] > 0).all()


def test_drawn_zenith_lies_in_the_measured_range():
    # Sky brightness in magnitudes per square second of arc, L = 10.8e4·10^(−0.4·m) cd/m²:
    # 21.8 for a natural sky, 14.5 for the brightest city; brighter places must be in order.
    darkest, brightest = 10.8e4 * 10 ** (-0.4 * 21.8), 10.8e4 * 10 ** (-0.4 * 14.5)
    zenith = [float(drawn_sky(UP, p, AMBIENT_LX[p])[0] @ Y_WEIGHTS) for p in PLACES]
    assert zenith == sorted(zenith)
    assert darkest < zenith[0]
    assert zenith[-1] < brightest


# --- stars and moon -------------------------------------------------------------------------------


def test_star_numbers_are_the_real_ones():
    # Hipparcos (OEIS A053406): 511 stars brighter than magnitude 4 on the whole sphere.
    assert len(stars("rural").directions) == 511 // 2
    assert len(stars("dark").directions) > len(stars("rural").directions)
    assert 10 < len(stars("suburban").directions) < 49 // 2 + 1
    assert len(stars("city").directions) == len(stars("none").directions) == 0


def test_stars_have_the_magnitudes_of_their_rank():
    # Published zero point 2.54e-6 lx; well above the horizon the air mass is 1/sin(height).
    sky = stars("dark")
    height_sin = sky.directions[:, 2]
    lux = sky.illuminance_lx @ Y_WEIGHTS
    high = np.flatnonzero(height_sin > 0.5)
    magnitude = -2.5 * np.log10(np.maximum(lux, 1e-12) / 2.54e-6) - EXTINCTION_MAG / height_sin
    for count, limit in ((15, 1.0), (49, 2.0), (172, 3.0), (511, 4.0)):
        # Half of those counted over the sphere stand above the horizon, in order of brightness.
        assert (magnitude[high[high < count / 2 - 1]] < limit + 0.01).all()
        assert (magnitude[high[high > count / 2]] > limit - 0.01).all()


def test_stars_are_fixed_and_above_the_horizon():
    sky = stars("dark")
    stars.cache_clear()
    again = stars("dark")
    assert np.array_equal(sky.directions, again.directions)
    assert np.array_equal(sky.illuminance_lx, again.illuminance_lx)
    assert (sky.directions[:, 2] >= 0.0).all()
    assert np.linalg.norm(sky.directions, axis=1) == pytest.approx(1.0, abs=1e-5)
    # Evenly spread over the half sphere: the mean height's sine is ½, the mean of x and y is 0.
    assert sky.directions.mean(axis=0) == pytest.approx([0.0, 0.0, 0.5], abs=0.06)


def test_moon_disc_brings_the_moon_light():
    moon = (towards(200.0, np.array([40.0]))[0], 0.1, rgb_of_cct(4100.0))
    disc = moon_disc(moon)
    assert disc.illuminance_lx @ Y_WEIGHTS == pytest.approx([0.1], rel=1e-5)
    # Luminance of the disc, E/(π·a²): the real full moon shows 2 000 to 5 000 cd/m² for .2–.3 lx.
    luminance = 0.25 / (np.pi * np.radians(MOON_RADIUS_DEG) ** 2)
    assert 2000.0 < luminance < 5000.0
