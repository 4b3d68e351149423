"""Exposure and the tone curve: ISO 2720, IEC 61966-2-1, and what a picture promises."""

import numpy as np
import pytest

from nightview.lamps.colour import (
    RGB_TO_XYZ,
    XYZ_TO_RGB,
    Y_WEIGHTS,
    rgb_of_cct,
    srgb_decode,
    srgb_encode,
)
from nightview.picture import tone
from nightview.picture.exposure import (
    anchor_ev100,
    ev100_of_luminance,
    luminance_of_ev100,
)
from nightview.picture.tone import (
    MIDDLE,
    WHITE_K,
    Edges,
    curve,
    curve_constants,
    develop,
    dither_tile,
    shown_cd_m2,
)

NEUTRAL = rgb_of_cct(WHITE_K)


def patch(luminance_cd_m2: float, rgb=NEUTRAL, side: int = 64) -> np.ndarray:
    return np.full((side, side, 3), luminance_cd_m2 * np.asarray(rgb), np.float32)


# --- exposure -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("luminance", "ev100"), [(1.0, 3.0), (0.125, 0.0), (0.5, 2.0), (4096.0, 15.0)]
)
def test_ev100_is_that_of_iso_2720(luminance, ev100):
    # ISO 2720 with K = 12.5: L = 2^(EV − 3); 4 096 cd/m² is the "sunny" EV 15.
    assert ev100_of_luminance(luminance) == pytest.approx(ev100)
    assert luminance_of_ev100(ev100) == pytest.approx(luminance)


def test_anchor_is_the_log_mean_of_what_is_lit():
    dark_garden = np.full(10_000, 0.002)
    assert anchor_ev100(np.concatenate([[0.25, 1.0], dark_garden])) == 2.0  # √(.25 × 1) = .5


def test_anchor_counts_each_sample_by_its_weight():
    # Three parts of .25 and one of 1 cd/m²: log-mean 2^(−1.5), EV 1.5.
    assert anchor_ev100([0.25, 1.0], [3.0, 1.0]) == 1.5


@pytest.mark.parametrize(
    ("samples", "ev100"), [([20.0, 30.0], 3.0), ([0.06, 0.1], 1.3), ([0.001], 1.3), ([], 1.3)]
)
def test_anchor_stays_between_its_bounds(samples, ev100):
    # 1 cd/m² is EV 3.0; .3 cd/m² is EV 1.263, to a tenth 1.3.
    assert anchor_ev100(samples) == ev100


@pytest.mark.parametrize(
    ("samples", "weights"), [([np.nan], None), ([np.inf, 1.0], None), ([1.0], [-1.0])]
)
def test_anchor_refuses_what_is_no_light(samples, weights):
    with pytest.raises(ValueError, match="finite"):
        anchor_ev100(samples, weights)


# --- curve ----------------------------------------------------------------------------------------


def test_curve_constants_solve_its_two_conditions():
    a, d, white = tone.CONTRAST, tone.SHOULDER, tone.WHITEST
    # x^a = y·(b·x^(a·d) + c) at (1, MIDDLE) and (white, 1), as a linear system.
    expected = np.linalg.solve([[MIDDLE, MIDDLE], [white ** (a * d), 1.0]], [1.0, white**a])
    assert curve_constants() == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("ev100", [1.3, 2.0, 3.0])
def test_curve_runs_from_black_through_the_middle_to_white(ev100):
    exposed = luminance_of_ev100(ev100)
    ends = curve(np.array([0.0, exposed, 64.0 * exposed, 1e6 * exposed]), ev100)
    assert ends == pytest.approx([0.0, MIDDLE, 1.0, 1.0], abs=1e-5)


def test_curve_rises_all_the_way():
    shown = curve(np.geomspace(1e-4, 60.0, 4000), 3.0).astype(np.float64)
    assert (np.diff(shown) > 0.0).all()


def test_one_stop_more_exposure_is_twice_the_light():
    luminance = np.geomspace(1e-3, 50.0, 50)
    assert curve(luminance, 2.0) == pytest.approx(curve(2.0 * luminance, 3.0), rel=1e-5)


def test_screen_white_is_in_proportion():
    # 18 % at the exposure's luminance: white of a plain screen is 1/.18 times as bright.
    assert shown_cd_m2(2.0) == pytest.approx(0.5 / 0.18)


# --- develop --------------------------------------------------------------------------------------


@pytest.mark.parametrize("ev100", [1.3, 2.0, 3.0])
def test_the_exposed_luminance_lands_in_the_middle(ev100):
    # IEC 61966-2-1: 18 % linear is code .4614 (117.65 of 255).
    code = develop(patch(luminance_of_ev100(ev100)), ev100).mean((0, 1))
    assert code == pytest.approx(np.full(3, 255.0 * 0.46135), abs=0.3)
    assert 0.45 < code[0] / 255.0 < 0.5


def test_black_white_and_nonsense():
    frame = np.array([[[0.0, 0.0, 0.0], [-1.0, -2.0, -3.0], [1e6, 1e6, 1e6]]], np.float32)
    developed = develop(np.repeat(frame, 64, axis=0), 3.0)
    assert not developed[:, :2].any()
    assert (developed[:, 2] == 255).all()


def test_brighter_is_never_darker():
    luminance = np.geomspace(1e-3, 100.0, 400)
    for rgb in (NEUTRAL, rgb_of_cct(2700.0), rgb_of_cct(6500.0)):
        frame = np.repeat((luminance[:, None] * rgb)[None].astype(np.float32), 64, axis=0)
        shown = srgb_decode(develop(frame, 2.0) / 255.0).mean(0) @ Y_WEIGHTS
        assert (np.diff(shown) > -2e-3).all()
        assert shown[0] < 1e-3
        assert shown[-1] > 0.98


def test_colour_does_not_change_how_bright_it_looks():
    for luminance in (0.05, 0.3, 1.0, 4.0):
        expected = float(curve(luminance, 2.0))
        for cct_k in (2200.0, 2700.0, 3000.0, 5000.0):
            shown = develop(patch(luminance, rgb_of_cct(cct_k)), 2.0) / 255.0
            got = srgb_decode(shown).mean((0, 1)) @ Y_WEIGHTS
            assert got == pytest.approx(expected, rel=0.02, abs=1e-3)


def hue_deg(rgb: np.ndarray) -> float:
    """Angle in the plane across grey (Preucil's hexagon as a circle), in linear light."""
    r, g, b = rgb
    return float(np.degrees(np.arctan2(np.sqrt(3.0) * (g - b), 2.0 * r - g - b)))


def test_hue_does_not_turn_while_the_screen_can_show_it():
    hues = []
    for luminance in (0.05, 0.2, 0.5, 1.0):
        shown = srgb_decode(develop(patch(luminance, rgb_of_cct(2700.0)), 2.0) / 255.0)
        hues.append(hue_deg(shown.mean((0, 1))))
    assert max(hues) - min(hues) < 0.3
    assert 20.0 < hues[0] < 50.0  # orange to gold


# Munsell renotation (Newhall, Nickerson & Judd 1943; the tables as distributed by RIT and by the
# package colour-science): what people judged to be one hue, from strong to pale. Value, chroma,
# CIE x, y and luminance in per cent of magnesium oxide, under illuminant C.
MUNSELL = {
    "10R": [(6, 12, 0.5150, 0.3667, 30.03), (6, 8, 0.4449, 0.3550, 30.03),
            (8, 6, 0.3910, 0.3442, 59.10), (9, 4, 0.3600, 0.3348, 78.66),
            (9, 2, 0.3284, 0.3233, 78.66)],
    "5YR": [(6, 12, 0.5199, 0.4119, 30.03), (6, 8, 0.4592, 0.3900, 30.03),
            (8, 6, 0.3988, 0.3663, 59.10), (9, 4, 0.3668, 0.3509, 78.66),
            (9, 2, 0.3353, 0.3325, 78.66)],
    "10YR": [(6, 8, 0.4570, 0.4249, 30.03), (7, 8, 0.4399, 0.4164, 43.06),
             (8, 6, 0.3994, 0.3896, 59.10), (9, 4, 0.3677, 0.3668, 78.66),
             (9, 2, 0.3392, 0.3430, 78.66)],
}  # fmt: skip


def chip_rgb(x: float, y: float, percent: float) -> np.ndarray:
    """Linear sRGB of a chip: from illuminant C to D65 by Bradford's cones (ICC)."""
    xyz = percent / 100.0 * np.array([x / y, 1.0, (1.0 - x - y) / y])
    white_c = np.array([0.31006 / 0.31616, 1.0, (1.0 - 0.31006 - 0.31616) / 0.31616])
    cones = tone._BRADFORD
    gain = (cones @ RGB_TO_XYZ @ np.ones(3)) / (cones @ white_c)
    return XYZ_TO_RGB @ np.linalg.inv(cones) @ (gain * (cones @ xyz))


def strength(rgb: np.ndarray) -> float:
    return float(1.0 - rgb.min() / rgb.max())


@pytest.mark.parametrize("hue", MUNSELL)
def test_colours_pale_along_the_hues_that_people_see(hue):
    """A warm surface under ever more light turns pale as Munsell's chips of its hue do.

    Straight towards grey in linear light the 5YR chip would end 8 degrees off, as pink as 2.5YR
    is 5 degrees away.
    """
    chips = [chip_rgb(*chip[2:]) for chip in MUNSELL[hue]]
    locus = sorted((strength(rgb), hue_deg(rgb)) for rgb in chips)
    before_balance = chips[0] @ np.linalg.inv(tone.white_balance().astype(np.float64))
    before_balance /= before_balance @ Y_WEIGHTS
    strengths = []
    for luminance in np.geomspace(0.1, 12.0, 12):
        codes = develop(patch(luminance, before_balance), 2.0)
        shown = srgb_decode(codes / 255.0).mean((0, 1))
        strengths.append(strength(shown))
        if strengths[-1] > 0.15:
            expected = np.interp(strengths[-1], *np.transpose(locus))
            assert hue_deg(shown) == pytest.approx(expected, abs=1.6)
    assert strengths[0] > 0.9 and strengths[-1] < 0.35
    assert (np.diff(strengths) < 0.01).all()


def test_warm_light_is_warm_and_pales_only_when_bright():
    def saturation(luminance: float) -> float:
        shown = srgb_decode(develop(patch(luminance, rgb_of_cct(2700.0)), 2.0) / 255.0)
        return strength(shown.mean((0, 1)))

    assert saturation(0.2) == pytest.approx(saturation(0.6), abs=0.03)
    assert saturation(0.5) > 0.6
    assert saturation(0.5) > saturation(5.0) > saturation(20.0)


def test_the_chosen_white_is_neutral():
    codes = develop(patch(0.4), 2.0).astype(np.float64).mean((0, 1))
    assert np.ptp(codes) < 0.2
    red, _, blue = develop(patch(0.4, rgb_of_cct(6500.0)), 2.0)[0, 0].astype(int)
    assert blue > red + 20


def test_a_dark_gradient_does_not_band():
    # A dusk sky over 600 columns spans 9 codes: plain rounding would make steps 70 px wide. Here
    # the mean of each column follows the exact value.
    luminance = np.linspace(0.010, 0.030, 600)
    frame = np.repeat((luminance[:, None] * NEUTRAL)[None].astype(np.float32), 64, axis=0)
    codes = develop(frame, 2.0).astype(np.float64)
    exact = 255.0 * srgb_encode(curve(luminance, 2.0))
    assert 4.0 < np.ptp(exact) < 20.0
    column_error = codes.mean(0) - exact[:, None]
    assert np.abs(column_error).max() < 0.25
    assert np.abs(column_error.mean(0)).max() < 0.02
    assert np.abs(codes - exact[:, None]).max() < 1.01  # never more than one code from the truth


def test_a_bright_edge_is_the_mean_of_its_developed_halves():
    """Half a pixel of bright pane, half of dark bar: on the screen half way between the two."""
    pane, bar = 8.0, 0.3
    frame = patch((pane + bar) / 2.0)
    apart = np.array([[1.0], [-1.0]]) * (pane - bar) / 2.0 * NEUTRAL
    rows, columns = np.nonzero(np.ones((64, 64), bool))
    edges = Edges(rows, columns, np.broadcast_to(apart.astype(np.float32), (4096, 2, 3)))
    half = srgb_decode(develop(frame, 2.0, edges) / 255.0).mean()
    assert half == pytest.approx((curve(pane, 2.0) + curve(bar, 2.0)) / 2.0, rel=5e-3)
    plain = srgb_decode(develop(frame, 2.0) / 255.0).mean()
    assert plain > 1.3 * half  # what made bars thin


def test_the_dither_tile_is_even_and_blue():
    tile = dither_tile()
    assert tile.shape == (64, 64, 3)
    for channel in np.moveaxis(tile, -1, 0):
        # Each of 4096 thresholds once: the mean of any flat area is exact.
        assert np.sort(channel.ravel()) == pytest.approx((np.arange(4096) + 0.5) / 4096, abs=1e-6)
        power = np.abs(np.fft.fft2(channel - channel.mean())) ** 2
        f = np.hypot(np.fft.fftfreq(64)[:, None], np.fft.fftfreq(64)[None, :])
        # White noise would have the same power everywhere.
        assert power[(f > 0) & (f < 0.12)].mean() < 0.15 * power[f > 0.3].mean()


def test_same_frame_same_bytes_at_any_size():
    frame = np.random.RandomState(2).exponential(0.5, (130, 70, 3)).astype(np.float32)
    whole = develop(frame, 2.0)
    assert whole.dtype == np.uint8
    assert whole.tobytes() == develop(frame, 2.0).tobytes()
    assert np.array_equal(develop(frame[:100, :33], 2.0), whole[:100, :33])
