"""Scatter and small sources against CIE 146:2002 and closed forms of energy."""

import numpy as np
import pytest

from nightview.lamps.colour import Y_WEIGHTS
from nightview.picture.glare import bloom, splat, veil_per_lux

WIDTH, HEIGHT = 640, 360


def pixel_tan(fov_deg: float, width: int = WIDTH) -> float:
    return 2.0 * np.tan(np.radians(fov_deg) / 2.0) / width


def solid_angles(fov_deg: float, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """Solid angle of each pixel [sr]: area on the picture plane × cos³."""
    side = pixel_tan(fov_deg, width)
    x = (np.arange(width) + 0.5 - width / 2) * side
    y = (np.arange(height) + 0.5 - height / 2) * side
    return side**2 / (1.0 + x[None, :] ** 2 + y[:, None] ** 2) ** 1.5


def black() -> np.ndarray:
    return np.zeros((HEIGHT, WIDTH, 3), np.float32)


# --- the formula ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("age", "theta_deg", "expected"),
    [(0, 1.0, 10.0), (0, 10.0, 0.1), (25, 5.0, 0.4065), (70, 5.0, 0.8)],
)
def test_veil_formula(age, theta_deg, expected):
    # CIE 146:2002, age-adjusted Stiles–Holladay: 10·[1 + (A/70)⁴]/θ².
    assert float(veil_per_lux(theta_deg, age)) == pytest.approx(expected, rel=2e-4)


# --- bloom ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("fov_deg", [40.0, 55.0, 70.0, 90.0])
@pytest.mark.parametrize("theta_deg", [1.0, 2.0, 5.0, 10.0, 15.0])
def test_veil_of_an_isolated_source(fov_deg, theta_deg):
    # CIE 146:2002: L = 10·E/θ², 1° to 30°.
    source = splat(black(), [[WIDTH / 2, HEIGHT / 2]], [[0.5, 0.5, 0.5]], fov_deg)
    veiled = bloom(source, fov_deg)
    column = WIDTH // 2 + round(np.tan(np.radians(theta_deg)) / pixel_tan(fov_deg))
    away = np.array([column + 0.5 - WIDTH / 2, 0.5]) * pixel_tan(fov_deg)
    theta = np.degrees(np.arctan(np.hypot(*away)))

    assert veiled[HEIGHT // 2, column, 1] == pytest.approx(10 * 0.5 / theta**2, rel=0.04)


def test_veil_of_a_source_away_from_the_middle():
    fov_deg, side = 60.0, pixel_tan(60.0)
    place = np.array([480.0, 180.0])
    veiled = bloom(splat(black(), [place], [[1.0, 1.0, 1.0]], fov_deg), fov_deg)

    def ray(x: float, y: float) -> np.ndarray:
        d = np.array([(x - WIDTH / 2) * side, (y - HEIGHT / 2) * side, 1.0])
        return d / np.linalg.norm(d)

    for x, y in ((400, 180), (480, 260), (480, 100), (560, 180)):
        theta = np.degrees(np.arccos(ray(*place) @ ray(x + 0.5, y + 0.5)))
        # The scatter is worked out on the flat picture: off its middle it is true to a fifth.
        assert veiled[y, x, 1] == pytest.approx(10.0 / theta**2, rel=0.2)


def test_an_older_eye_sees_more_veil():
    source = splat(black(), [[WIDTH / 2, HEIGHT / 2]], [[1.0, 1.0, 1.0]], 60.0)
    young, old = bloom(source, 60.0), bloom(source, 60.0, age_years=70.0)
    assert old[180, 420] == pytest.approx(2.0 * young[180, 420], rel=1e-3)
    assert old[180, 320, 1] < young[180, 320, 1]  # and the source itself a little less


def test_a_constant_frame_stays_constant():
    frame = np.full((HEIGHT, WIDTH, 3), (0.4, 0.5, 0.6), np.float32)
    np.testing.assert_allclose(bloom(frame, 50.0), frame, rtol=1e-4)


@pytest.mark.parametrize("size", [(360, 640), (361, 643), (37, 50), (3, 5), (1, 1)])
def test_light_is_kept(size):
    frame = np.random.RandomState(3).exponential(1.0, (*size, 3)).astype(np.float32) ** 3
    assert bloom(frame, 50.0).sum((0, 1)) == pytest.approx(frame.sum((0, 1)), rel=5e-3)


def test_light_of_a_lamp_at_the_border_is_kept():
    frame = splat(black(), [[2.0, 3.0]], [[1.0, 2.0, 3.0]], 50.0)
    assert bloom(frame, 50.0).sum((0, 1)) == pytest.approx(frame.sum((0, 1)), rel=5e-3)


def test_bloom_is_linear_and_never_negative():
    a = splat(black(), [[100.3, 99.2]], [[1.0, 0.5, 0.2]], 50.0)
    b = splat(black(), [[500.1, 250.7]], [[0.1, 0.5, 0.9]], 50.0)
    together = bloom(a + 2.0 * b, 50.0)
    apart = bloom(a, 50.0) + 2.0 * bloom(b, 50.0)
    np.testing.assert_allclose(together, apart, rtol=1e-3, atol=1e-4)
    assert together.min() >= 0.0


def test_bloom_is_no_larger_for_a_finer_picture():
    # Angles count, not pixels: the veil 5° away is the same in a picture of twice the size.
    veils = []
    for scale in (1, 2):
        w, h = WIDTH * scale, HEIGHT * scale
        frame = np.zeros((h, w, 3), np.float32)
        veiled = bloom(splat(frame, [[w / 2, h / 2]], [[1.0, 1.0, 1.0]], 50.0), 50.0)
        at = round(np.tan(np.radians(5.0)) / pixel_tan(50.0) * scale)
        veils.append(veiled[h // 2, w // 2 + at, 1])
    assert veils[0] == pytest.approx(veils[1], rel=0.03)


def test_what_the_screen_shows_is_left_to_the_viewers_eye():
    frame = np.random.RandomState(5).random_sample((90, 160, 3)).astype(np.float32)
    assert np.array_equal(bloom(frame, 50.0, shown_cd_m2=2.0), frame)
    lamp = splat(frame, [[80.0, 45.0]], [[1.0, 1.0, 1.0]], 50.0)
    veiled = bloom(lamp, 50.0, shown_cd_m2=2.0)
    assert (veiled[:, :40] > lamp[:, :40]).all()  # the lamp's own light is scattered
    assert veiled.sum() == pytest.approx(lamp.sum(), rel=5e-3)


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
def test_nonsense_does_not_spread(wrong):
    frame = black()
    frame[3, 4, 1] = wrong
    with pytest.raises(ValueError, match="NaN"):
        bloom(frame, 50.0)


def test_bloom_repeats_to_the_byte():
    frame = np.random.RandomState(6).random_sample((90, 160, 3)).astype(np.float32)
    assert bloom(frame, 50.0).tobytes() == bloom(frame, 50.0).tobytes()


# --- small sources --------------------------------------------------------------------------------


@pytest.mark.parametrize("radius_deg", [0.0, 0.05, 0.26, 2.0])
@pytest.mark.parametrize("place", [(320.0, 180.0), (101.3, 77.9)])
def test_a_source_brings_its_illuminance(radius_deg, place):
    drawn = splat(black(), [place], [[1e-3, 2e-3, 3e-3]], 70.0, radius_deg)
    brought = (drawn * solid_angles(70.0)[..., None]).sum((0, 1))
    assert brought == pytest.approx([1e-3, 2e-3, 3e-3], rel=1e-4)


@pytest.mark.parametrize("place", [(320.0, 180.0), (120.0, 80.0)])
def test_a_disc_has_its_luminance(place):
    # L = E/(π·a²) for a small disc of angular radius a.
    radius_deg = 1.0
    drawn = splat(black(), [place], [[0.01, 0.01, 0.01]], 60.0, radius_deg)
    luminance = 0.01 / (np.pi * np.radians(radius_deg) ** 2)
    x, y = int(place[0]), int(place[1])
    middle = drawn[y - 3 : y + 3, x - 3 : x + 3, 1]
    assert middle.mean() == pytest.approx(luminance, rel=0.03)
    assert middle.std() < 0.03 * luminance
    radius_px = np.radians(radius_deg) / pixel_tan(60.0)
    assert drawn[y, round(x + 1.6 * radius_px), 1] < 0.01 * luminance


def test_a_point_lies_where_it_is():
    place = np.array([200.3, 100.8])
    drawn = splat(black(), [place], [[1.0, 1.0, 1.0]], 50.0) @ Y_WEIGHTS
    y, x = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    centre = [(drawn * x).sum() / drawn.sum(), (drawn * y).sum() / drawn.sum()]
    assert centre == pytest.approx(place, abs=0.02)


def test_sources_add_to_the_frame_and_leave_it_untouched():
    frame = np.full((HEIGHT, WIDTH, 3), 0.2, np.float32)
    places = [[50.0, 50.0], [50.0, 50.0], [639.9, 359.9], [-400.0, 20.0]]
    drawn = splat(frame, places, np.ones((4, 3)), 50.0, [0.0, 0.3, 0.0, 0.1])
    assert (frame == np.float32(0.2)).all()
    brought = ((drawn - frame) * solid_angles(50.0)[..., None]).sum((0, 1))
    # Two whole ones, about a quarter of the one in the corner, nothing of the one outside.
    assert (brought > 2.15).all()
    assert (brought < 2.5).all()


def test_no_sources():
    frame = np.full((4, 6, 3), 0.2, np.float32)
    assert np.array_equal(splat(frame, np.zeros((0, 2)), np.zeros((0, 3)), 50.0), frame)
