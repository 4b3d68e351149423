"""Colour of light against published chromaticities and the sRGB standard."""

import numpy as np
import pytest

from nightview.errors import NightviewError
from nightview.lamps import colour

# CIE 1931 2 deg, 1 nm steps, c2 = 1.4388e-2 m·K: colour-science 0.4.7, another party's integral.
PLANCKIAN_XY = [
    (1900, 0.53778, 0.41120),
    (2000, 0.52668, 0.41330),
    (2200, 0.50563, 0.41521),
    (2400, 0.48614, 0.41467),
    (2700, 0.45986, 0.41060),
    (2856, 0.44754, 0.40743),
    (3000, 0.43693, 0.40408),
    (3500, 0.40531, 0.39072),
    (4000, 0.38044, 0.37675),
    (5000, 0.34510, 0.35161),
    (6500, 0.31353, 0.32363),
]


@pytest.mark.parametrize(("cct_k", "x", "y"), PLANCKIAN_XY)
def test_planckian_locus(cct_k, x, y):
    assert colour.xy_of_cct(cct_k) == pytest.approx((x, y), abs=2e-5)


@pytest.mark.parametrize(("cct_k", "error_k"), [(2000, -19.0), (3000, 5.0)])
def test_mccamy_finds_the_temperature_again(cct_k, error_k):
    # McCamy 1992, Color Res. Appl. 17:142, with its known error on the locus.
    x, y = colour.xy_of_cct(cct_k)
    n = (x - 0.3320) / (y - 0.1858)
    found_k = -449.0 * n**3 + 3525.0 * n**2 - 6823.3 * n + 5520.33
    assert found_k - cct_k == pytest.approx(error_k, abs=1.5)


@pytest.mark.parametrize(
    ("cct_k", "rgb"),
    # IEC 61966-2-1 matrix on the locus, Y = 1, computed by a second party.
    [
        (2700, (1.935, 0.804, 0.192)),
        (3000, (1.771, 0.844, 0.272)),
        (4000, (1.414, 0.924, 0.534)),
    ],
)
def test_linear_srgb_of_lamps(cct_k, rgb):
    assert colour.rgb_of_cct(cct_k) == pytest.approx(rgb, abs=1e-3)


@pytest.mark.parametrize("cct_k", [800, 1500, 1900, 2200, 2700, 4000, 6500, 20000])
def test_colour_never_changes_lux(cct_k):
    rgb = colour.rgb_of_cct(cct_k)
    assert (rgb >= 0.0).all()
    assert rgb @ [0.2126, 0.7152, 0.0722] == pytest.approx(1.0, abs=1e-12)  # IEC 61966-2-1


def test_d65_is_the_screens_white():
    # IEC 61966-2-1: D65 at x .3127 y .3290 is R = G = B = 1.
    x, y = 0.3127, 0.3290
    assert colour.XYZ_TO_RGB @ [x / y, 1.0, (1 - x - y) / y] == pytest.approx([1, 1, 1], abs=2e-3)


def test_matrices_are_each_others_inverse():
    product = colour.XYZ_TO_RGB @ colour.RGB_TO_XYZ
    assert product == pytest.approx(np.eye(3), abs=2e-4)


@pytest.mark.parametrize(
    ("code", "linear"),
    # IEC 61966-2-1: the straight part to .04045 with slope 12.92, then ((c + .055)/1.055)^2.4.
    [(0.0, 0.0), (0.04045, 0.0031308), (0.5, 0.2140411), (0.7353570, 0.5), (1.0, 1.0)],
)
def test_srgb_curve(code, linear):
    assert colour.srgb_decode(code) == pytest.approx(linear, abs=1e-6)
    assert colour.srgb_encode(linear) == pytest.approx(code, abs=1e-5)


def test_srgb_there_and_back_for_every_code():
    codes = np.arange(256) / 255.0
    assert colour.srgb_encode(colour.srgb_decode(codes)) == pytest.approx(codes, abs=1e-6)
    assert colour.srgb_encode([-1.0, 2.0, np.inf]) == pytest.approx([0.0, 1.0, 1.0])


def test_luminance_weights():
    image = np.zeros((2, 3, 3))
    image[..., 1] = 2.0
    assert colour.luminance_of(image) == pytest.approx(np.full((2, 3), 1.4304))


@pytest.mark.parametrize("cct_k", [100.0, 1e9, float("nan")])
def test_no_colour_temperature(cct_k):
    with pytest.raises(NightviewError, match="2700 K"):
        colour.rgb_of_cct(cct_k)
