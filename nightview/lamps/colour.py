"""Colour of light: from a colour temperature to linear sRGB, and sRGB to and from a screen's code.

A lamp's colour is scaled to Y = 1, so that a change of colour temperature never changes lux.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightview.errors import NightviewError

Floats = NDArray[np.float64]

# Second radiation constant [m·K]: CODATA 2018 has 1.438776877e-2; CIE 015:2018 keeps 1.4388e-2.
C2_M_K = 1.4388e-2

# IEC 61966-2-1:1999, D65: XYZ to linear RGB, as printed there (four places).
XYZ_TO_RGB: Floats = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
# IEC 61966-2-1:1999: linear RGB to XYZ; its middle row weighs R, G, B into luminance.
RGB_TO_XYZ: Floats = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
Y_WEIGHTS: Floats = RGB_TO_XYZ[1]
for _constant in (XYZ_TO_RGB, RGB_TO_XYZ):
    _constant.setflags(write=False)

_CCT_RANGE_K = (800.0, 25000.0)


@lru_cache(maxsize=1)
def _observer() -> tuple[Floats, Floats]:
    """Wavelengths (95,) [m] and the CIE 1931 colour-matching functions (95, 3)."""
    text = files("nightview.lamps").joinpath("cie1931.txt").read_text(encoding="ascii")
    table = np.array(
        [line.split() for line in text.splitlines() if not line.startswith("#")], dtype=np.float64
    )
    return table[:, 0] * 1e-9, table[:, 1:]


def xy_of_cct(cct_k: float) -> tuple[float, float]:
    """CIE 1931 chromaticity of a black body at cct_k [K].

    Planck's law summed against the colour-matching functions at 5 nm, which agrees with the 1 nm
    sum to 1e-5. The published fits to the locus are .0006 off and show below 3000 K.
    """
    low, high = _CCT_RANGE_K
    if not low <= cct_k <= high:
        raise NightviewError(
            "cct",
            f"{cct_k:g} K is no colour temperature of a lamp",
            f"write {low:g} K to {high:g} K; warm light is 2700 K",
        )
    wavelength_m, matching = _observer()
    radiance = wavelength_m**-5 / np.expm1(C2_M_K / (wavelength_m * cct_k))
    big_x, big_y, big_z = radiance @ matching
    total = big_x + big_y + big_z
    return float(big_x / total), float(big_y / total)


@lru_cache(maxsize=256)
def rgb_of_cct(cct_k: float) -> Floats:
    """Linear sRGB (3,) of a black body at cct_k [K], scaled to Y = 1; read-only.

    Below about 1900 K the colour lies outside the sRGB triangle and blue comes out negative; it
    is set to zero and the rest scaled back to Y = 1, which keeps lux and loses a little
    saturation.
    """
    x, y = xy_of_cct(cct_k)
    rgb = np.maximum(XYZ_TO_RGB @ np.array([x / y, 1.0, (1.0 - x - y) / y]), 0.0)
    rgb /= Y_WEIGHTS @ rgb
    rgb.setflags(write=False)
    return rgb


def luminance_of(rgb: ArrayLike) -> Floats:
    """Y of linear RGB: (..., 3) to (...), in the unit of the input; weights of IEC 61966-2-1."""
    return np.asarray(rgb, dtype=np.float64) @ Y_WEIGHTS


def srgb_encode(linear: ArrayLike) -> Floats:
    """Linear 0 to 1 to the screen's code 0 to 1, any shape; clipped (IEC 61966-2-1:1999)."""
    value = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)


def srgb_decode(code: ArrayLike) -> Floats:
    """The screen's code 0 to 1 to linear 0 to 1, any shape; clipped (IEC 61966-2-1:1999)."""
    value = np.clip(np.asarray(code, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
