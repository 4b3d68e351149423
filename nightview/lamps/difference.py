"""How different two colours look: CIELAB and the CIEDE2000 colour difference."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from nightview.lamps.colour import RGB_TO_XYZ, Floats


def lab_of(rgb: ArrayLike, white_rgb: ArrayLike = (1.0, 1.0, 1.0)) -> Floats:
    """CIELAB (…, 3) of linear sRGB (…, 3) beside a white of that linear sRGB (ISO/CIE 11664-4)."""
    xyz = np.asarray(rgb, float) @ RGB_TO_XYZ.T
    ratio = xyz / (RGB_TO_XYZ @ np.asarray(white_rgb, float))
    small = (6 / 29) ** 3
    f = np.where(ratio > small, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def ciede2000(lab1: ArrayLike, lab2: ArrayLike) -> Floats:
    """Colour difference ΔE00 of CIELAB colours (…, 3), weights 1 (ISO/CIE 11664-6).

    Steps as in Sharma, Wu & Dalal, "The CIEDE2000 color-difference formula", 2005. About 1 is just
    seen side by side; it is meant for small differences and only ranks large ones.
    """
    (l1, a1, b1), (l2, a2, b2) = (
        np.moveaxis(np.asarray(lab, float), -1, 0) for lab in (lab1, lab2)
    )
    mean_c = (np.hypot(a1, b1) + np.hypot(a2, b2)) / 2
    stretch = 1 + 0.5 * (1 - np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)))
    c1, c2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, stretch * a)) % 360 for a, b in ((a1, b1), (a2, b2)))
    coloured = c1 * c2 > 0
    dh = np.where(coloured, (h2 - h1 + 180) % 360 - 180, 0.0)
    # Exactly opposite hues turn the way the standard says.
    dh = np.where(coloured & (h2 - h1 == 180), 180.0, dh)
    mean_l, mean_c = (l1 + l2) / 2, (c1 + c2) / 2
    far = np.abs(h1 - h2) > 180
    mean_h = np.where(far, (h1 + h2 + np.where(h1 + h2 < 360, 360, -360)) / 2, (h1 + h2) / 2)
    mean_h = np.where(coloured, mean_h, h1 + h2)
    t = (
        1
        - 0.17 * np.cos(np.radians(mean_h - 30))
        + 0.24 * np.cos(np.radians(2 * mean_h))
        + 0.32 * np.cos(np.radians(3 * mean_h + 6))
        - 0.20 * np.cos(np.radians(4 * mean_h - 63))
    )
    turn = 30 * np.exp(-(((mean_h - 275) / 25) ** 2))
    rotation = -2 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7)) * np.sin(np.radians(2 * turn))
    light = (l2 - l1) / (1 + 0.015 * (mean_l - 50) ** 2 / np.sqrt(20 + (mean_l - 50) ** 2))
    chroma = (c2 - c1) / (1 + 0.045 * mean_c)
    hue = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(dh / 2)) / (1 + 0.015 * mean_c * t)
    return np.asarray(np.sqrt(light**2 + chroma**2 + hue**2 + rotation * chroma * hue))
