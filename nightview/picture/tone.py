"""From luminance to a picture on a screen: one global tone curve, the same for a whole job.

The curve acts on luminance alone; colour follows by ratio, so that no hue turns as light gets
brighter. What a screen cannot show at that luminance is drawn towards grey, straight along its
hue, which is how a warm lamp goes pale before it goes white.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightview.lamps.colour import RGB_TO_XYZ, XYZ_TO_RGB, Y_WEIGHTS, rgb_of_cct, srgb_encode
from nightview.picture.exposure import luminance_of_ev100

Floats = NDArray[np.float32]

MIDDLE = 0.18
"""Linear screen value of the exposure's luminance: sRGB code 0.461, a photographer's middle."""

WHITE_K = 4000.0
"""Colour temperature [K] that is shown as neutral. Ours: by night the eye adapts in part to warm
lamps, and a photograph balanced to daylight would drown the whole picture in orange."""

# Contrast, shoulder and the luminance shown as white in units of the exposure's. Ours, by eye:
# window panes deep, roofs still legible, hot spots 20 times the wall not yet flat.
_CONTRAST, _SHOULDER, _WHITEST = 1.25, 0.92, 64.0

# Bradford's cone responses from XYZ (in CIECAM97s and the ICC profile specification).
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_TILE = 64


def curve(luminance_cd_m2: ArrayLike, ev100: float) -> Floats:
    """Linear screen value 0 to 1 for a luminance [cd/m²], any shape; float32.

    With x the luminance in units of the exposure's, y = x^a / (b·x^(a·d) + c): T. Lottes,
    "Advanced techniques and optimization of HDR color pipelines", GDC 2016. b and c follow from
    y(1) = ``MIDDLE`` and y(64) = 1. Never falls; 1 above 64 times the exposure's luminance.
    """
    x = np.asarray(luminance_cd_m2, dtype=np.float32) / np.float32(luminance_of_ev100(ev100))
    x = np.clip(x, 0.0, _WHITEST)
    a, b, c = np.float32(_CONTRAST), *(np.float32(k) for k in curve_constants())
    rise = x**a
    return np.minimum(rise / (b * rise ** np.float32(_SHOULDER) + c), np.float32(1.0))


def curve_constants() -> tuple[float, float]:
    """The curve's b and c, solved from its two fixed points (for a shader, too)."""
    rise = _WHITEST**_CONTRAST
    bend = rise**_SHOULDER
    b = (rise * MIDDLE - 1.0) / ((bend - 1.0) * MIDDLE)
    return b, 1.0 / MIDDLE - b


def shown_cd_m2(ev100: float) -> float:
    """The luminance [cd/m²] up to which a screen shows light in proportion, were there no curve.

    A screen with ``MIDDLE`` at the exposure's luminance has its white at 1/``MIDDLE`` times that.
    What is brighter, the viewer's eye cannot scatter by itself: ``glare.bloom`` does it.
    """
    return luminance_of_ev100(ev100) / MIDDLE


def develop(frame: ArrayLike, ev100: float) -> NDArray[np.uint8]:
    """The frame (h, w, 3), linear sRGB with Y in cd/m², as sRGB codes (h, w, 3) uint8.

    Luminance goes through ``curve``; colour is balanced to ``WHITE_K`` (von Kries in Bradford's
    cones, luminance kept). Rounded against a fixed blue-noise tile, so that dark gradients do
    not band and the same frame gives the same bytes. Values below zero are shown as black.
    """
    rgb = np.asarray(frame, dtype=np.float32)
    codes = np.empty(rgb.shape, np.uint8)
    height, width = rgb.shape[:2]
    threshold = np.tile(dither_tile(), (1, -(-width // _TILE), 1))[:, :width]
    for top in range(0, height, _TILE):  # in bands that stay in the processor's cache
        band = _screen(rgb[top : top + _TILE], ev100)
        index = (band * np.float32(65535.0) + np.float32(0.5)).astype(np.uint16)
        codes[top : top + _TILE] = _code_table()[index] + threshold[: len(band)]
    return codes


def _screen(rgb: Floats, ev100: float) -> Floats:
    """Linear screen values 0 to 1 of linear RGB [cd/m²], both (h, w, 3)."""
    y = curve(rgb @ Y_WEIGHTS.astype(np.float32), ev100)[..., None]
    balanced = np.maximum(rgb @ _balance(), 0.0)
    total = (balanced @ Y_WEIGHTS.astype(np.float32))[..., None]
    colour = balanced * (y / np.maximum(total, np.float32(1e-20))) - y
    most = np.maximum(np.maximum(colour[..., 0], colour[..., 1]), colour[..., 2])[..., None]
    room = np.float32(1.0) - y
    # Smooth from 1, well inside the screen's gamut, to room/most, at its edge.
    keep = room / np.sqrt(np.sqrt(np.sqrt(room**8 + most**8 + np.float32(1e-30))))
    return np.clip(y + colour * keep, 0.0, 1.0)


@lru_cache(maxsize=1)
def _balance() -> Floats:
    """(3, 3) by which rows of linear sRGB are multiplied to turn ``WHITE_K`` neutral."""
    cones = _BRADFORD @ RGB_TO_XYZ
    gain = (cones @ np.ones(3)) / (cones @ rgb_of_cct(WHITE_K))
    back = XYZ_TO_RGB @ np.linalg.inv(_BRADFORD)
    return np.ascontiguousarray((back @ (gain[:, None] * cones)).T, dtype=np.float32)


@lru_cache(maxsize=1)
def _code_table() -> Floats:
    """sRGB code times 255 for a linear value in 1/65535; fine enough to a twentieth of a code."""
    return (255.0 * srgb_encode(np.arange(65536) / 65535.0)).astype(np.float32)


@lru_cache(maxsize=1)
def dither_tile() -> Floats:
    """Rounding thresholds (64, 64, 3) in 0 to 1, each value once a channel, spread like blue noise.

    Ranks go one after another to the place that lies farthest from those before it ("void"
    filling, after Ulichney 1993, simplified) on a torus, in whole numbers: the same everywhere.
    """
    lag = np.minimum(np.arange(_TILE), _TILE - np.arange(_TILE))
    near = np.rint(1e6 * np.exp(-(lag[:, None] ** 2 + lag**2) / (2.0 * 1.9**2))).astype(np.int64)
    near[0, 0] = 10**12  # no place twice
    around = np.tile(near, (2, 2))
    crowding = np.random.RandomState(1).randint(0, 1000, (_TILE, _TILE)).astype(np.int64)
    rank = np.empty(_TILE * _TILE)
    for nth in range(_TILE * _TILE):
        place = int(crowding.argmin())
        rank[place] = nth
        y, x = divmod(place, _TILE)
        crowding += around[_TILE - y : 2 * _TILE - y, _TILE - x : 2 * _TILE - x]
    tile = ((rank + 0.5) / (_TILE * _TILE)).reshape(_TILE, _TILE)
    channels = [np.roll(tile, shift, (0, 1)) for shift in ((0, 0), (23, 41), (47, 19))]
    return np.stack(channels, axis=-1).astype(np.float32)
