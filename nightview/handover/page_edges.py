"""Bright edges on the client page: pixels whose samples the stills develop one by one (``tone.Edges``).

The page knows only a pixel's sum. What the samples of the design come to is kept as one factor on
its light, since where the curve is a power of light the factor is the same however bright the pixel
is; and as how far its brightest sample lies above its mean, since dark pixels are no edges.
"""

from __future__ import annotations

import io

import numpy as np
from PIL import Image

from nightview.light.field import LUMINOUS32
from nightview.light.rays import Array32
from nightview.picture.draw import Frame
from nightview.picture.exposure import luminance_of_ev100
from nightview.picture.tone import curve

EDGE_FROM = 0.5
"""Brightest sample of an edge, in units of the exposure's luminance, as ``draw.is_edge`` has it."""
FACTOR_CODES, PEAK_CODES = 128.0, 63.0
"""Codes of a factor of 1, and of a brightest sample that is the mean."""


def edge_picture(frame: Frame, ev100: float) -> bytes:
    """Red: the factor; green: the brightest sample over the mean, 0 where there is no edge.

    frame : with its halos. As WebP without loss.
    """
    codes = np.zeros((*frame.luminance.shape[:2], 3), np.uint8)
    edges = frame.edges
    if len(edges.rows):
        mean = frame.luminance[edges.rows, edges.columns]
        samples = np.maximum(mean[:, None] + edges.apart, 0.0) @ LUMINOUS32
        level = np.maximum(mean @ LUMINOUS32, np.float32(1e-9))
        factor = _light(curve(samples, ev100).mean(axis=1), ev100) / level
        peak = samples.max(axis=1) / level
        rounded = np.rint(np.column_stack([factor * FACTOR_CODES, peak * PEAK_CODES]))
        codes[edges.rows, edges.columns, :2] = np.clip(rounded, 0, 255)
    file = io.BytesIO()
    Image.fromarray(codes).save(file, "WEBP", lossless=True, exact=True, method=4)
    return file.getvalue()


def _light(shown: Array32, ev100: float) -> Array32:
    """The luminance [cd/m²] that the curve shows so, (n,)."""
    table = luminance_of_ev100(ev100) * np.geomspace(1e-4, 64.0, 4096)
    return np.interp(shown, curve(table, ev100), table).astype(np.float32)
