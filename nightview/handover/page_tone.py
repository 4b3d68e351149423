"""The constants of the tone curve and of the halos, as the client page's shaders take them."""

from __future__ import annotations

import io

import numpy as np
from numpy.typing import ArrayLike
from PIL import Image

from nightview.lamps.colour import Y_WEIGHTS
from nightview.picture import glare, tone

_WIDER_CELLS = 16.0
"""Gaussians wider than this many cells are worked out on cells four times as wide."""


def constants(knee: float) -> dict[str, object]:
    """What is the same for all views. Matrices stand as a shader reads them: v ↦ M·v, column by
    column; light is in units of the exposure's luminance."""
    b, c = tone.curve_constants()
    return {
        "knee": knee,
        "luminous": _list(Y_WEIGHTS),
        "shown": 1.0 / tone.MIDDLE,
        "balance": _list(tone.white_balance()),
        "toCones": _list(tone.TO_CONES.T),
        "fromCones": _list(tone.FROM_CONES.T),
        "lightness": _list(tone.LIGHTNESS),
        "curve": [tone.CONTRAST, tone.SHOULDER, b, c],
        "whitest": tone.WHITEST,
        "asItIs": tone.AS_IT_IS,
    }


def scatter(size: tuple[int, int], fov_deg: float) -> list[list[list[float]]]:
    """Octaves of the glare as (σ, share) on pixels, on cells of 4 × 4 and of 16 × 16 of them."""
    lens = glare.lens_of(size[1], size[0], fov_deg, 0.0)
    wide, widest = [], []
    for sigma, share in lens.smooth:
        if sigma < _WIDER_CELLS:
            wide.append((sigma, share))
        else:
            coarse = np.sqrt((sigma / 4) ** 2 - glare.BLUR_OF_REDUCTION)
            widest.append((float(coarse), share))
    return [[[s, k] for s, k in floor] for floor in (lens.sharp, wide, widest)]


def threshold_tile() -> bytes:
    """The tile against which the stills are rounded, as a picture (WebP, without loss)."""
    codes = np.rint(255.0 * tone.dither_tile()).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(codes).save(file, "WEBP", lossless=True, exact=True)
    return file.getvalue()


def _list(values: ArrayLike) -> list[float]:
    return [float(f"{value:.9g}") for value in np.asarray(values, float).ravel()]
