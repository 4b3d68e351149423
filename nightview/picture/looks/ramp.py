"""The colours of levels: from dark violet over blue and green to pale yellow, ever lighter.

Lightness rises evenly, so the order is kept in a grey print and for every kind of colour-blind
eye; hue moves at an even pace besides, so that every step looks equally large.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightview.lamps.colour import RGB_TO_XYZ, XYZ_TO_RGB, srgb_decode, srgb_encode

Floats = NDArray[np.float64]

LIGHTNESS = (12.0, 92.0)
"""CIE L* of the darkest and the lightest colour."""

# CIELAB a*, b* at even steps of lightness. Ours: hue from 305° to 103° as colourful as sRGB holds,
# spaced so that neighbours lie equally far apart (ΔE*ab 17.6 to 18.0 an eighth).
_PLANE = np.array(
    [
        [31.2, -44.5], [12.4, -39.0], [-4.3, -27.8], [-19.7, -14.8], [-33.8, -0.6],
        [-46.5, 15.1], [-45.4, 34.5], [-31.5, 48.7], [-13.0, 56.5],
    ]
)  # fmt: skip
_WHITE = RGB_TO_XYZ @ np.ones(3)
_BEND = 6.0 / 29.0


def colours(count: int) -> NDArray[np.uint8]:
    """That many colours at even steps, darkest first: sRGB codes (count, 3)."""
    share = np.linspace(0.0, 1.0, count)
    at = np.linspace(0.0, 1.0, len(_PLANE))
    lightness = LIGHTNESS[0] + share * (LIGHTNESS[1] - LIGHTNESS[0])
    lab = np.column_stack([lightness, *(np.interp(share, at, axis) for axis in _PLANE.T)])
    return np.rint(255 * srgb_encode(_rgb_of_lab(lab))).astype(np.uint8)


def lightness(codes: ArrayLike) -> Floats:
    """CIE L* of sRGB codes (..., 3): how light they print in grey (CIE 15)."""
    y = srgb_decode(np.asarray(codes) / 255.0) @ RGB_TO_XYZ[1]
    cube = np.where(y > _BEND**3, np.cbrt(y), y / (3 * _BEND**2) + 4.0 / 29.0)
    return np.asarray(116.0 * cube - 16.0)


def _rgb_of_lab(lab: Floats) -> Floats:
    """CIELAB (n, 3) under sRGB's white to linear sRGB (CIE 15)."""
    fy = (lab[:, 0] + 16.0) / 116.0
    f = np.column_stack([fy + lab[:, 1] / 500.0, fy, fy - lab[:, 2] / 200.0])
    xyz = np.where(f > _BEND, f**3, 3 * _BEND**2 * (f - 4.0 / 29.0)) * _WHITE
    return np.asarray(xyz @ XYZ_TO_RGB.T)
