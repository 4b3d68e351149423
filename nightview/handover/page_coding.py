"""A layer of light as a small picture that a browser reads, and back.

Each channel is the logarithm of 1 + x/``KNEE``, x being light in units of the exposure's luminance:
steps of equal sight in what is lit, and of equal light in what is dark. Every layer has its own
top, so that its 255 steps are its own. The picture is compressed without loss: what is lost to
rounding is half a step, and the sum of the layers errs no more than one of them. The few pixels
brighter than the top, lenses that one looks into, go along as numbers.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from nightview.light.rays import Array32

KNEE = 0.1
"""Where equal steps of light turn to equal ratios, in units of the exposure's luminance. Ours: a
tenth of it is shown as code 35 or so of 255, and there a step is less than one code."""

WHITEST = 64.0
"""A layer's top is this at most: the tone curve shows no difference above."""
MOST_PEAKS = 2000
"""Unless more pixels than so many would lie above it."""
DARKEST = 2e-4
"""Layers nowhere brighter than this, a third of one code, are left out."""


@dataclass(frozen=True, eq=False)
class Coded:
    """webp : its picture. top : light of code 255. peaks : (n, 5), x, y and RGB that the picture
    lacks, all in units of the exposure's luminance."""

    webp: bytes
    top: float
    peaks: NDArray[np.float64]

    def told(self) -> dict[str, object]:
        """As JSON takes it."""
        return {
            "picture": base64.b64encode(self.webp).decode("ascii"),
            "top": self.top,
            "peaks": [float(f"{value:.5g}") for value in self.peaks.ravel()],
        }


def coded(light: Array32) -> Coded | None:
    """Code a layer (h, w, 3), light in units of the exposure's luminance; None if it is dark."""
    x = np.maximum(light, 0.0).astype(np.float64)
    if x.max() < DARKEST:
        return None
    brightest = x.max(axis=-1)
    nth = min(MOST_PEAKS, brightest.size) - 1
    above = float(np.partition(brightest.ravel(), -nth - 1)[-nth - 1])
    top = float(f"{min(float(brightest.max()), max(WHITEST, above)):.6g}")
    codes = np.rint(255.0 * np.minimum(np.log1p(x / KNEE) / np.log1p(top / KNEE), 1.0))
    picture = codes.astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "WEBP", lossless=True, quality=80, method=4)
    rows, columns = np.nonzero(brightest > top * (1.0 + 1e-5))
    missing = x[rows, columns] - decoded(picture[rows, columns], top)
    return Coded(file.getvalue(), top, np.column_stack([columns, rows, missing]))


def decoded(codes: NDArray[np.uint8], top: float) -> NDArray[np.float64]:
    """Light of codes, any shape, in units of the exposure's luminance."""
    return KNEE * np.expm1(codes / 255.0 * np.log1p(top / KNEE))
