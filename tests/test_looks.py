"""Looks: the eye's models against their papers and other people's programs, levels against closed
forms, and a small picture of each against one kept."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw
from scipy.optimize import brentq

from nightview.errors import NightviewError
from nightview.lamps.colour import RGB_TO_XYZ, Y_WEIGHTS, rgb_of_cct, srgb_decode, srgb_encode
from nightview.picture import tone
from nightview.picture.camera import Camera
from nightview.picture.draw import Frame
from nightview.picture.looks import LOOKS, contours, eye, levels, look_of, ramp, sight
from nightview.picture.tone import WHITE_K, Edges

WARM, NEUTRAL, COOL = (rgb_of_cct(k) for k in (2700.0, WHITE_K, 6500.0))
GOLDEN = Path(__file__).parent / "golden"


def frame_of(luminance: np.ndarray, fov_deg: float = 60.0) -> Frame:
    height, width = luminance.shape[:2]
    camera = Camera(np.zeros(3), np.array([0.0, 1, 0]), fov_deg, width, height)
    none = np.zeros(0, np.intp)
    edges = Edges(none, none, np.zeros((0, 4, 3), np.float32))
    return Frame(np.asarray(luminance, np.float32), camera, edges)


def plain(luminance_cd_m2: float, rgb=NEUTRAL, size: tuple[int, int] = (64, 64)) -> Frame:
    return frame_of(np.full((*size, 3), luminance_cd_m2 * np.asarray(rgb)))


def shown_cd(codes: np.ndarray) -> np.ndarray:
    """Luminance of codes as a share of white (IEC 61966-2-1)."""
    return srgb_decode(np.asarray(codes) / 255.0) @ Y_WEIGHTS


# --- eye: brightness ------------------------------------------------------------------------------


def test_threshold_is_that_of_ward_1994():
    # At L = 0 the power vanishes: 0.0594 · 1.219^2.5; at L = 1: 0.0594 · 2.219^2.5.
    assert eye.threshold_cd_m2([0.0, 1.0]) == pytest.approx([0.097453, 0.435692], rel=1e-4)


def test_factor_is_the_formula_in_wards_form():
    for adapted in (0.01, 0.1, 0.4, 1.0, 40.0):
        wanted = ((1.219 + (80.0 / 2) ** 0.4) / (1.219 + adapted**0.4)) ** 2.5
        assert eye.screen_factor(adapted) == pytest.approx(wanted, rel=1e-9)
    assert eye.screen_factor(40.0) == pytest.approx(1.0)  # adapted as before the screen


def test_the_dimmer_a_garden_the_dimmer_its_picture():
    # What one looks at, for an eye adapted to it: a tenth of the light is shown at under a quarter.
    adapted = np.array([0.01, 0.03, 0.1, 0.3, 1.0])
    shown = np.array([float(eye.shown_share(value, value)) for value in adapted])
    assert (np.diff(shown) > 0).all()
    assert shown[2] < 0.25 * shown[4] and shown[1] < 0.26 * shown[3]
    assert 0.02 < shown[2] < shown[4] < 0.18  # neither black nor day, nor the camera's middle grey


def test_light_is_in_proportion_and_never_cut_off():
    luminance = np.linspace(0, 60, 4001)
    shown = eye.shown_share(luminance, 0.4).astype(float)
    factor = eye.screen_factor(0.4) / eye.SCREEN_WHITE_CD_M2
    below = luminance * factor < eye.KNEE
    assert shown[below] == pytest.approx(luminance[below] * factor, rel=1e-5)
    assert (np.diff(shown[luminance * factor < 4]) > 0).all() and shown.max() <= 1.0
    slope = np.diff(shown) / np.diff(luminance)
    assert np.abs(np.diff(slope)).max() < 0.02 * slope[0]  # no kink at the knee


@pytest.mark.parametrize("luminance", [0.05, 0.4, 2.0, 8.0])
def test_the_screen_shows_that_share(luminance):
    frame = plain(luminance)
    seen = eye.night_colour(frame.luminance[:1, :1]) @ Y_WEIGHTS
    wanted = 255 * srgb_encode(eye.shown_share(seen, 0.4)).item()
    got = 255 * srgb_encode(shown_cd(eye.develop(frame, 0.4)).mean())
    assert got == pytest.approx(wanted, abs=0.5)


def test_one_adaptation_for_a_job():
    a, b = plain(0.4), plain(0.2)
    adapted = eye.adaptation_cd_m2(1.6)
    assert adapted == pytest.approx(0.125 * 2**1.6)  # ISO 2720: K/100 · 2^EV
    shown = [shown_cd(eye.develop(frame, adapted)).mean() for frame in (a, b)]
    seen = [eye.night_colour(frame.luminance[:1, :1]) @ Y_WEIGHTS for frame in (a, b)]
    assert shown[1] / shown[0] == pytest.approx((seen[1] / seen[0]).item(), rel=0.02)


# --- eye: colour ----------------------------------------------------------------------------------


def test_cone_share_is_that_of_cie_191():
    # luxpy 1.12.5, get_cie_mesopic_adaptation(1.0, SP=…): m and L_mes at 1 cd/m².
    for ratio, m, mesopic in (
        (0.65, 0.76121, 0.96081),
        (1.35, 0.77227, 1.0371),
        (2.25, 0.78401, 1.1246),
    ):
        found = eye.cone_share(np.array([1.0]), np.array([ratio]))
        assert found == pytest.approx([m], abs=2e-4)
        assert eye._mesopic(1.0, ratio, found) == pytest.approx([mesopic], abs=2e-4)


@pytest.mark.parametrize("ratio", [0.65, 1.3, 2.25, 4.0])
def test_cone_share_solves_its_equation(ratio):
    v = 683.0 / 1699.0
    for luminance in (0.02, 0.1, 0.7, 3.0):

        def miss(m, luminance=luminance):
            mesopic = luminance * (m + (1 - m) * ratio * v) / (m + (1 - m) * v)
            return m - 0.767 - 0.3334 * np.log10(mesopic)

        found = eye.cone_share(np.array([luminance]), np.array([ratio]))
        assert found == pytest.approx([brentq(miss, 0, 1)], abs=1e-3)


def test_mesopic_range_is_that_of_cie_191():
    low, high = eye.MESOPIC_CD_M2
    one = np.ones(1)
    assert eye.cone_share(np.array([high]), one) == pytest.approx([1.0], abs=1e-4)
    assert eye.cone_share(np.array([low]), one) == pytest.approx([0.0], abs=1e-3)
    assert eye.cone_share(np.array([0.8 * low]), one) == 0.0
    assert eye.cone_share(np.array([1.2 * high]), one) == 1.0


def test_scotopic_ratio_of_black_bodies():
    # colour-science 0.4.7: blackbodies against CIE 1951 V' and CIE 1924 V, with 1700 and 683 lm/W.
    known = {2200: 1.064, 2700: 1.3362, 3000: 1.4794, 4000: 1.8662, 6500: 2.4453}
    rgb = np.array([rgb_of_cct(float(k)) for k in known], np.float32)
    assert eye.scotopic_ratio(rgb) == pytest.approx(list(known.values()), rel=0.11)
    # Equal energy, X = Y = Z: 1.33 · 3 − 1.68.
    white = np.linalg.solve(RGB_TO_XYZ, np.ones(3)).astype(np.float32)
    assert eye.scotopic_ratio(white[None]) == pytest.approx([2.31], rel=1e-3)
    assert eye.scotopic_ratio(np.zeros((1, 3), np.float32)) == 0.0


@pytest.mark.parametrize("rgb", [WARM, COOL, (3.0, 0.3, 0.1), (0.1, 1.2, 0.4)])
def test_by_day_all_colour_stays_and_by_starlight_none(rgb):
    rgb = np.asarray(rgb, np.float32)[None] / np.float32(np.asarray(rgb) @ Y_WEIGHTS)
    assert eye.night_colour(20 * rgb) == pytest.approx(20 * rgb, rel=1e-5)
    dark = np.float32(0.001)
    seen = eye.night_colour(dark * rgb)
    ratio = eye.scotopic_ratio(rgb)
    if ratio[0] < 3:  # beyond that it is bright enough to rods for cones to wake up
        assert seen == pytest.approx(dark * ratio[:, None] * eye._tint(), rel=1e-4)
        assert seen @ Y_WEIGHTS == pytest.approx(dark * ratio, rel=1e-4)


def test_colour_fades_gently_and_towards_blue():
    def saturation(luminance: float) -> float:
        x, y = _xy(eye.night_colour(np.float32(luminance) * WARM[None].astype(np.float32)))
        return float(np.hypot(*(np.array([x, y]) - _xy(eye._tint()[None]))))

    steps = [saturation(value) for value in (0.001, 0.01, 0.1, 0.5, 2.0, 6.0)]
    assert (np.diff(steps) > 0).all()
    # At 0.5 cd/m² most of the colour is still there (trade.md 8: use the shift gently).
    assert steps[3] > 0.6 * steps[5]
    # Rods gain on cool light: of equal luminance, the cooler looks brighter at 0.1 cd/m².
    both = np.array([WARM, COOL], np.float32) * np.float32(0.1)
    warm, cool = eye.night_colour(both) @ Y_WEIGHTS
    assert cool > 1.15 * warm
    # A grey that the camera look shows as neutral turns bluish: least red, most blue.
    codes = eye.develop(plain(0.01), 0.05).mean((0, 1))
    assert codes[2] > codes[0] > 0


def _xy(rgb: np.ndarray) -> np.ndarray:
    xyz = rgb[0] @ RGB_TO_XYZ.T
    return xyz[:2] / xyz.sum()


# --- eye: sharpness -------------------------------------------------------------------------------

# Shlaer's data as Radiance's pcond4.c lists them: log10 cd/m², cycles per degree.
SHLAER = np.array(
    [
        (-3.10503, 2.09), (-2.66403, 3.28), (-2.37703, 3.79), (-2.09303, 4.39), (-1.64403, 6.11),
        (-1.35803, 8.83), (-1.07403, 10.94), (-0.67203, 18.66), (-0.38503, 23.88),
        (-0.10103, 31.05), (0.29397, 37.42), (0.58097, 37.68), (0.86497, 41.60), (1.25697, 43.16),
        (1.54397, 45.30), (1.82797, 47.00), (2.27597, 48.43), (2.56297, 48.32), (2.84697, 51.06),
    ]
)  # fmt: skip


def test_acuity_follows_shlaers_data():
    found = eye.acuity_cpd(10 ** SHLAER[:, 0])
    assert np.abs(found - SHLAER[:, 1]).max() < 3.0
    assert np.abs(found - SHLAER[:, 1]).mean() < 1.2
    assert (np.diff(eye.acuity_cpd(np.geomspace(1e-6, 1e4, 300))) >= 0).all()


def grating(luminance: float, cycles_per_deg: float, pixel_deg: float) -> np.ndarray:
    across = np.arange(256) * pixel_deg
    wave = luminance * (1 + 0.5 * np.cos(2 * np.pi * cycles_per_deg * across))
    return np.broadcast_to(wave[None, :, None] * NEUTRAL, (96, 256, 3)).astype(np.float32)


@pytest.mark.parametrize("luminance", [0.003, 0.01, 0.03])
def test_a_grating_at_the_limit_keeps_a_tenth(luminance):
    limit, pixel = float(eye.acuity_cpd(luminance)), 0.0375  # 60° over 1600 pixels
    # A pixel counts as blurred a little already, so a fine grating keeps up to a quarter more.
    for cycles, least, most in ((limit, 0.08, 0.13), (0.25 * limit, 0.75, 0.95)):
        before = grating(luminance, cycles, pixel)
        after = eye.as_sharp_as_seen(before, pixel)
        inner = np.s_[40:56, 40:-40, 1]
        assert least < np.ptp(after[inner]) / np.ptp(before[inner]) < most


def test_bright_things_stay_sharp_and_no_light_is_lost():
    pixel = 0.0375
    bright = grating(30.0, 5.0, pixel)
    assert eye.as_sharp_as_seen(bright, pixel) is bright
    dim = np.zeros((120, 160, 3), np.float32) + np.float32(1e-4)
    dim[60, 80] = 0.05
    blurred = eye.as_sharp_as_seen(dim, pixel)
    assert blurred.sum() == pytest.approx(dim.sum(), rel=1e-3)
    assert blurred[60, 80, 0] < 0.3 * dim[60, 80, 0]
    assert (blurred > 0).all()


def test_an_edge_in_bright_light_is_developed_sample_by_sample():
    # A pixel half covered by black before 40 cd/m²: half of the pane's screen value.
    frame = plain(20.0)
    rows = np.repeat(np.arange(64), 64)
    columns = np.tile(np.arange(64), 64)
    half = 20.0 * NEUTRAL.astype(np.float32)
    apart = np.broadcast_to(np.stack([half, -half]), (64 * 64, 2, 3))
    got = eye.develop(Frame(frame.luminance, frame.camera, Edges(rows, columns, apart)), 0.4)
    whole = shown_cd(eye.develop(plain(40.0), 0.4)).mean()
    assert shown_cd(got).mean() == pytest.approx(whole / 2, rel=0.02)


# --- levels: colours ------------------------------------------------------------------------------

COUNT = len(levels.LUX.edges) + 1
# G. Machado, M. Oliveira & L. Fernandes 2009, severity 1, as in colour-science 0.4.7.
DICHROMATS = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.01182, 0.04294, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.3039]],
}  # fmt: skip


def test_lightness_is_cies():
    # CIE 15: L* of black, 18.42 % grey and white; sRGB code 119 is 18.45 % linear.
    codes = np.array([[0, 0, 0], [119, 119, 119], [255, 255, 255]])
    assert ramp.lightness(codes) == pytest.approx([0.0, 50.03, 100.0], abs=0.05)


def test_ramp_gets_lighter_by_equal_steps():
    """In grey print: neighbours are 8 L* apart, where about 1 can be told (CIE ΔL*)."""
    steps = np.diff(ramp.lightness(ramp.colours(COUNT)))
    assert steps.min() > 7.5 and steps.max() < 8.5
    grey = np.asarray(Image.fromarray(ramp.colours(COUNT)[None]).convert("L"))[0].astype(int)
    assert np.diff(grey).min() >= 12  # as a printer driver may weigh it (ITU-R BT.601)


@pytest.mark.parametrize("kind", sorted(DICHROMATS))
def test_ramp_gets_lighter_for_the_colour_blind(kind):
    linear = srgb_decode(ramp.colours(COUNT) / 255.0) @ np.array(DICHROMATS[kind]).T
    codes = 255 * srgb_encode(linear)
    assert np.diff(ramp.lightness(codes)).min() > 5


def test_ramp_looks_even():
    lab = _lab(ramp.colours(33))
    steps = np.linalg.norm(np.diff(lab, axis=0), axis=1)
    assert steps.max() < 1.25 * steps.min()


def _lab(codes: np.ndarray) -> np.ndarray:
    white = RGB_TO_XYZ @ np.ones(3)
    ratio = srgb_decode(codes / 255.0) @ RGB_TO_XYZ.T / white
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack(
        [116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1
    )


# --- levels: lines, numbers, legend ---------------------------------------------------------------

SIZE = (240, 1200)


def rising(low: float = 0.06, high: float = 160.0, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Values that rise by one factor from each column to the next."""
    return np.broadcast_to(np.geomspace(low, high, size[1]), size).astype(np.float32)


def column_of(value: float, low: float = 0.06, high: float = 160.0, width: int = SIZE[1]) -> float:
    return np.log(value / low) / np.log(high / low) * (width - 1)


def test_a_line_runs_where_its_value_is():
    cover, edge = contours.lines(contours.steps_of(rising(), levels.LUX.edges), 2.0)
    across = cover[100]
    found = []
    for k, value in enumerate(levels.LUX.edges):
        near = np.abs(np.arange(SIZE[1]) - column_of(value)) < 20
        weight = across * near
        found.append((weight @ np.arange(SIZE[1])) / weight.sum())
        assert (edge[100][weight > 0] == k).all()
        assert weight.sum() == pytest.approx(2.0, abs=0.25)  # two pixels wide
    assert found == pytest.approx([column_of(v) for v in levels.LUX.edges], abs=0.3)
    assert across.sum() == pytest.approx(2.0 * len(levels.LUX.edges), abs=2)  # and nowhere else


def test_no_line_on_a_level_surface_or_beside_nothing():
    edges = levels.LUX.edges
    for value in (0.7, 1.0, 0.9999999):
        cover, _ = contours.lines(contours.steps_of(np.full((40, 40), value), edges), 2.0)
        assert not cover.any()
    values = np.full((40, 40), np.nan, np.float32)
    values[:, 20:] = 3.0
    cover, _ = contours.lines(contours.steps_of(values, edges), 2.0)
    assert not cover.any()
    assert not contours.lines(contours.steps_of(values * np.nan, edges), 2.0)[0].any()


def test_bands_have_the_colours_of_the_legend():
    values = rising()
    picture = levels.develop(values, levels.LUX)
    colours = ramp.colours(COUNT)
    bounds = [0.06, *levels.LUX.edges, 160.0]
    middles = [round(column_of(np.sqrt(a * b))) for a, b in itertools.pairwise(bounds)]
    row = SIZE[0] - 3  # below the legend and the numbers
    for nth, column in enumerate(middles):
        assert (picture[row, column] == colours[nth]).all()
    bands = contours.bands_of(contours.steps_of(values, levels.LUX.edges))
    assert (
        bands == np.searchsorted(levels.LUX.edges, values.astype(float), "right")
    ).mean() > 0.9999


class Written(list):
    """All texts that are drawn, each with its place."""

    def texts(self) -> list[str]:
        return [text for text, _ in self]


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> Written:
    found = Written()
    drawn = ImageDraw.ImageDraw.text

    def text(self, xy, text, *args, **kw):
        found.append((text, xy))
        return drawn(self, xy, text, *args, **kw)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", text)
    return found


@pytest.mark.parametrize("size", [(900, 1600), (450, 800)])
def test_legend_and_numbers_say_the_values(size, written):
    height, width = size
    picture = levels.develop(rising(size=size), levels.LUX)
    numbers = [f"{edge:g}" for edge in levels.LUX.edges]
    # The legend: unit, then a number at every boundary of the bar, largest on top.
    legend = written[: 2 + len(numbers)]
    assert [text for text, _ in legend] == ["light on surfaces", "lx", *numbers[::-1]]
    colours = ramp.colours(COUNT).astype(int)
    left = round(min(x for _, (x, _) in legend)) + 3
    for nth, (_, (_, y)) in enumerate(legend[2:]):
        assert (picture[round(y) - 4, left] == colours[-1 - nth]).all()
        assert (picture[round(y) + 4, left] == colours[-2 - nth]).all()
    # The lines: each value at least once, on its own line.
    on_lines = written[2 + len(numbers) :]
    behind = round(left - 8)
    visible = [edge for edge in levels.LUX.edges if column_of(edge, width=width) < behind - 30]
    assert {text for text, _ in on_lines} >= {f"{edge:g}" for edge in visible}
    for text, (x, y) in on_lines:
        assert x == pytest.approx(column_of(float(text), width=width), abs=1.5)
        assert 0 < y < height - 30


def test_numbers_keep_apart_and_hide_no_second_line():
    bands = contours.bands_of(contours.steps_of(rising(), levels.LUX.edges))
    taken = [contours.Box(0, 1000, 240, 1200)]
    found = contours.places(bands, [(16, 30)] * 10, taken)
    assert len(found) >= 8
    for nth, (edge, box) in enumerate(found):
        inside = bands[box.top : box.bottom, box.left : box.right]
        assert inside.shape == (16, 30) and set(np.unique(inside)) == {edge, edge + 1}
        assert not any(box.meets(other) for _, other in found[nth + 1 :] + [(0, taken[0])])


def test_what_has_no_value_is_hatched(written):
    values = np.full((200, 400), 3.0, np.float32)
    values[:, :200] = np.nan
    picture = levels.develop(values, levels.LUX)
    left = {tuple(code) for code in picture[100:, :195].reshape(-1, 3)}
    assert left == set(levels._HATCH)
    assert all(code[0] == code[1] or abs(code[0] - code[2]) <= 2 for code in left)  # grey
    assert written.texts()[-4:] == ["no value:", "sky", "glass", "water"]
    assert "no value:" not in _texts_of(np.full((200, 400), 3.0), written)


def _texts_of(values: np.ndarray, written: Written) -> list[str]:
    written.clear()
    levels.develop(values, levels.LUX)
    return written.texts()


def test_leaves_are_calmed_and_edges_kept():
    rng = np.random.RandomState(3)
    leaves = np.exp(rng.normal(0, 1.2, (300, 800))).astype(np.float32)
    calm = levels._calmed(contours.steps_of(leaves, levels.LUX.edges), 2)
    mean = contours.steps_of(np.ones((1, 1), np.float32), levels.LUX.edges).item()
    assert np.abs(calm - mean).mean() < 0.2
    edge = np.where(np.arange(800) < 400, 0.3, 30.0) * np.ones((300, 1))
    steps = contours.steps_of(edge, levels.LUX.edges)
    assert (levels._calmed(steps, 2) == steps).all()


@pytest.mark.parametrize("fill", [np.nan, 0.0, 1e9])
def test_any_picture_can_be_shown(fill):
    for size in ((64, 64), (90, 160)):
        picture = levels.develop(np.full(size, fill), levels.LUX)
        assert picture.shape == (*size, 3) and picture.dtype == np.uint8


# --- levels: lux ----------------------------------------------------------------------------------

YARD = """
[site]
surroundings = "rural"
[[block]]
name = "wall"
at = "-4 m, 0 m"
size = "8 m, 1 m"
height = "4 m"
material = "even"
roof.kind = "flat"
[materials.even]
rgb = [0.5, 0.4, 0.3]
[[opening]]
name = "window"
block = "wall"
along = "5 m"
sill = "1 m"
size = "1.5 m, 1.5 m"
[[fixture]]
id = "W1"
lamp = "accent 60"
at = "-1 m, -3 m, 0.2 m"
aim = "-1 m, 0 m, 1.5 m"
"""


def test_lux_is_that_of_exact_points(lit):
    scene = lit(YARD)
    camera = Camera(np.array([0.0, -9, 1.6]), np.array([0.0, 0, 1.6]), 60.0, 96, 64)
    hits = sight.look(scene.field, camera)
    lux = sight.illuminance_of_hits(scene.light, hits)
    y, x = np.mgrid[:64, :96] + 0.5
    ways = camera.ways(x.ravel(), y.ravel())
    points = camera.eye + hits.distance[:, None] * ways
    on_wall = np.flatnonzero(
        (hits.triangle >= 0)
        & (np.abs(points[:, 1]) < 1e-3)
        & (lux > 5)
        & (np.abs(points[:, 0]) < 2.5)
    )[::60]
    assert len(on_wall) > 10
    _, exact = scene.at(points[on_wall] - [0, 1e-4, 0], [0.0, -1, 0])
    assert lux[on_wall] == pytest.approx(exact, rel=0.08)
    assert np.median(lux[on_wall] / exact) == pytest.approx(1.0, abs=0.02)


def test_lux_is_not_given_for_sky_and_glass(lit):
    scene = lit(YARD)
    camera = Camera(np.array([0.0, -9, 1.6]), np.array([0.0, 0, 2.5]), 60.0, 96, 64)
    hits = sight.look(scene.field, camera)
    lux = sight.illuminance_of_hits(scene.light, hits).reshape(64, 96)
    assert np.isnan(lux[0]).all()
    (pane,) = (i for i, patch in enumerate(scene.site.patches) if patch.kind == "glass")
    ((x, y),) = camera.project(scene.site.patches[pane].bounds[0][None])[0].astype(int)[:1]
    assert np.isnan(lux[y, x]) or np.isnan(lux[y - 3 : y + 4, x - 3 : x + 4]).mean() > 0.5
    assert np.isfinite(lux).mean() > 0.4
    drawn = sight.outlines(scene.field, hits, (64, 96))
    assert 0.005 < drawn.mean() < 0.2


# --- registry -------------------------------------------------------------------------------------


def test_every_look_has_its_label():
    assert {name: look.label for name, look in LOOKS.items()} == {
        "eye": "as the eye sees it",
        "camera": "as a camera sees it",
        "levels": "levels in lux",
    }
    assert look_of("levels", "cd").label == "levels in cd/m²"
    assert look_of("eye", "cd") is LOOKS["eye"]


def test_unknown_names_are_told():
    with pytest.raises(NightviewError, match='"film" is no look.*eye.*camera.*levels'):
        look_of("film")
    with pytest.raises(NightviewError, match="lux.*cd"):
        look_of("levels", "footcandles")


# --- golden pictures ------------------------------------------------------------------------------


def small_scene() -> Frame:
    """A wall lit from below, a window, a lens, a lawn and a night sky, by formula."""
    y, x = np.mgrid[:180, :320].astype(np.float64)
    frame = np.full((180, 320, 3), 0.004) * COOL
    wall = (y > 50) & (y < 140) & (x > 30) & (x < 220)
    glow = 3 * np.exp(-((x - 90) ** 2) / 800 - (140 - y) / 30) + 0.05
    frame[wall] = (glow[..., None] * WARM * [0.9, 1.0, 1.2])[wall]
    frame[(y > 80) & (y < 116) & (x > 160) & (x < 194)] = 6 * WARM
    lawn = y >= 140
    green = 0.3 * np.exp(-(((x - 110) / 60) ** 2) - ((y - 154) / 9) ** 2) + 0.002
    frame[lawn] = (green[..., None] * WARM * [0.6, 1.2, 0.5])[lawn]
    frame[60, 140] = 400 * WARM
    return frame_of(frame)


def pictures() -> dict[str, np.ndarray]:
    frame, ev100 = small_scene(), 1.6
    return {
        "eye": eye.develop(frame, eye.adaptation_cd_m2(ev100)),
        "camera": tone.develop(frame.luminance, ev100, frame.edges),
        "levels": levels.develop(frame.luminance @ Y_WEIGHTS, levels.LUMINANCE),
    }


@pytest.mark.parametrize("name", ["eye", "camera", "levels"])
def test_small_picture_looks_as_it_did(name):
    """Pictures kept in tests/golden; NIGHTVIEW_GOLDEN=write writes them anew. Look at them then."""
    picture = pictures()[name]
    path = GOLDEN / f"look-{name}.png"
    if os.environ.get("NIGHTVIEW_GOLDEN") == "write":
        Image.fromarray(picture).save(path)
    with Image.open(path) as image:
        kept = np.asarray(image).astype(int)
    off = np.abs(picture.astype(int) - kept)
    # A code for rounding; letters may differ with the version of the typeface.
    assert off.mean() < 0.5 and (off.max(axis=2) > 2).mean() < 0.01


def test_numbers_of_the_small_pictures():
    """The same pictures by number: brightness and colour of what is in them."""
    shown = pictures()
    wall, window = np.s_[130:134, 88:92], np.s_[90:106, 170:184]
    lawn, sky = np.s_[153:155, 108:112], np.s_[5:25, 5:40]
    frame = small_scene().luminance
    adapted = eye.adaptation_cd_m2(1.6)
    for place in (wall, window, lawn):
        seen = eye.night_colour(frame[place]) @ Y_WEIGHTS
        wanted = eye.shown_share(seen, adapted).mean()
        assert shown_cd(shown["eye"][place]).mean() == pytest.approx(wanted, rel=0.05)
    # The eye look is the darker of the two where it is lit, and shows the unlit no blacker.
    assert shown_cd(shown["eye"][lawn]).mean() < 0.8 * shown_cd(shown["camera"][lawn]).mean()
    assert shown_cd(shown["eye"][sky]).mean() > shown_cd(shown["camera"][sky]).mean()
    edges = levels.LUMINANCE.edges
    colours = ramp.colours(len(edges) + 1)
    for place in (wall, window, lawn, sky):
        band = np.searchsorted(edges, np.median(frame[place] @ Y_WEIGHTS), "right")
        assert (np.median(shown["levels"][place], axis=(0, 1)) == colours[band]).all()


def test_same_frame_same_bytes():
    once, again = pictures(), pictures()
    for name, picture in once.items():
        assert picture.tobytes() == again[name].tobytes()
        assert picture.dtype == np.uint8 and picture.shape == (180, 320, 3)


def test_a_frame_is_left_as_it_was():
    frame = small_scene()
    before = frame.luminance.copy()
    eye.develop(frame, 0.4)
    levels.develop(frame.luminance @ Y_WEIGHTS, levels.LUMINANCE)
    assert (frame.luminance == before).all()
