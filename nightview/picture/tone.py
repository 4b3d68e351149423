"""From luminance to a picture on a screen: one global tone curve, the same for a whole job.

The curve acts on luminance alone; colour follows by ratio, so that no hue turns as light gets
brighter. What a screen cannot show at that luminance goes pale, along the line on which the eye
sees one hue: bright timber turns to pale amber and then to white. In linear light that line is
bent; straight towards grey, warm colours would turn to pink.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightview.lamps.colour import RGB_TO_XYZ, XYZ_TO_RGB, Y_WEIGHTS, rgb_of_cct, srgb_encode
from nightview.light.rays import THREADS
from nightview.picture.exposure import luminance_of_ev100

Floats = NDArray[np.float32]

MIDDLE = 0.18
"""Linear screen value of the exposure's luminance: sRGB code 0.461, a photographer's middle."""

WHITE_K = 4000.0
"""Colour temperature [K] that is shown as neutral. Ours: by night the eye adapts in part to warm
lamps, and a photograph balanced to daylight would drown the whole picture in orange."""

# Contrast, shoulder and the luminance shown as white in units of the exposure's. Ours, by eye:
# window panes deep, roofs still legible, hot spots 20 times the wall not yet flat.
CONTRAST, SHOULDER, WHITEST = 1.25, 0.92, 64.0

# Bradford's cone responses from XYZ (in CIECAM97s and the ICC profile specification).
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
# Oklab: linear sRGB to its cones, and the weights of their cube roots in its lightness L.
TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ],
    np.float32,
)
FROM_CONES = np.linalg.inv(TO_CONES.astype(np.float64)).astype(np.float32)
LIGHTNESS = np.array([0.2104542553, 0.7936177850, -0.0040720468], np.float32)

AS_IT_IS = 0.9995
"""Colours that keep more than this of their strength are left alone: far less than a code."""
_STEPS = 4
_Y = Y_WEIGHTS.astype(np.float32)
_TILE = 64


@dataclass(frozen=True, eq=False)
class Edges:
    """Pixels in which bright and dark meet, so that they can be developed sample by sample.

    A pixel half covered by a bar before a bright pane has half the pane's luminance, which the
    curve shows almost as bright as the pane: dark bars look thin and stepped. The mean of what
    the curve makes of each half is a clean half tone (the order of Karis, "High quality temporal
    supersampling", SIGGRAPH 2014). The frame itself keeps the mean luminance.

    rows, columns : (n,). apart : (n, k, 3), each sample less the pixel's mean [cd/m²].
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    apart: Floats


def curve(luminance_cd_m2: ArrayLike, ev100: float) -> Floats:
    """Linear screen value 0 to 1 for a luminance [cd/m²], any shape; float32.

    With x the luminance in units of the exposure's, y = x^a / (b·x^(a·d) + c): T. Lottes,
    "Advanced techniques and optimization of HDR color pipelines", GDC 2016. b and c follow from
    y(1) = ``MIDDLE`` and y(64) = 1. Never falls; 1 above 64 times the exposure's luminance.
    """
    x = np.asarray(luminance_cd_m2, dtype=np.float32) / np.float32(luminance_of_ev100(ev100))
    x = np.clip(x, 0.0, WHITEST)
    a, b, c = np.float32(CONTRAST), *(np.float32(k) for k in curve_constants())
    rise = x**a
    return np.minimum(rise / (b * rise ** np.float32(SHOULDER) + c), np.float32(1.0))


def curve_constants() -> tuple[float, float]:
    """The curve's b and c, solved from its two fixed points (for a shader, too)."""
    rise = WHITEST**CONTRAST
    bend = rise**SHOULDER
    b = (rise * MIDDLE - 1.0) / ((bend - 1.0) * MIDDLE)
    return b, 1.0 / MIDDLE - b


def shown_cd_m2(ev100: float) -> float:
    """The luminance [cd/m²] up to which a screen shows light in proportion, were there no curve.

    A screen with ``MIDDLE`` at the exposure's luminance has its white at 1/``MIDDLE`` times that.
    What is brighter, the viewer's eye cannot scatter by itself: ``glare.bloom`` does it.
    """
    return luminance_of_ev100(ev100) / MIDDLE


def develop(frame: ArrayLike, ev100: float, edges: Edges | None = None) -> NDArray[np.uint8]:
    """The frame (h, w, 3), linear sRGB with Y in cd/m², as sRGB codes (h, w, 3) uint8.

    Luminance goes through ``curve``; colour is balanced to ``WHITE_K`` (von Kries in Bradford's
    cones, luminance kept). Rounded against a fixed blue-noise tile, so that dark gradients do
    not band and the same frame gives the same bytes. Values below zero are shown as black.

    edges : pixels to be shown as the mean of their developed samples.
    """
    rgb = np.asarray(frame, dtype=np.float32)
    codes = np.empty(rgb.shape, np.uint8)
    height, width = rgb.shape[:2]
    threshold = np.tile(dither_tile(), (1, -(-width // _TILE), 1))[:, :width]

    def show(top: int) -> None:
        band = _screen(rgb[top : top + _TILE], ev100)
        codes[top : top + _TILE] = _rounded(band, threshold[: len(band)])

    def at_edges(edges: Edges) -> NDArray[np.uint8]:
        seen = rgb[edges.rows, edges.columns, None] + edges.apart
        shown = np.moveaxis(_screen(np.maximum(seen, 0.0, out=seen), ev100), 1, 0)
        mean = sum(shown[1:], start=shown[0]) / np.float32(len(shown))  # ``mean`` is far slower
        return _rounded(mean, threshold[edges.rows % _TILE, edges.columns])

    with ThreadPoolExecutor(THREADS) as pool:
        found = pool.submit(at_edges, edges) if edges is not None and len(edges.rows) else None
        list(pool.map(show, range(0, height, _TILE)))  # in bands that stay in the processor's cache
        if edges is not None and found is not None:
            codes[edges.rows, edges.columns] = found.result()
    return codes


def _rounded(shown: Floats, threshold: Floats) -> NDArray[np.uint8]:
    """sRGB codes of linear screen values 0 to 1, rounded up above the threshold."""
    index = shown * np.float32(65535.0)
    index += np.float32(0.5)
    codes = np.take(_code_table(), index.astype(np.int32), mode="clip")
    codes += threshold
    return codes.astype(np.uint8)


def _screen(rgb: Floats, ev100: float) -> Floats:
    """Linear screen values 0 to 1 of linear RGB [cd/m²], both (…, 3)."""
    y = curve(rgb @ _Y, ev100)
    colour = rgb @ white_balance()
    np.maximum(colour, 0.0, out=colour)
    colour /= np.maximum(colour @ _Y, np.float32(1e-20))[..., None]
    over = _largest(colour) - np.float32(1.0)
    most, room = y * over, np.float32(1.0) - y
    # Smooth from 1, well inside the screen's gamut, to room/most, at its edge.
    keep: Floats = room / np.sqrt(np.sqrt(np.sqrt(room**8 + most**8 + np.float32(1e-30))))
    pale = keep < AS_IT_IS
    colour[pale] = _paled(colour[pale], 1 + keep[pale] * over[pale])
    colour *= y[..., None]
    return np.clip(colour, 0.0, 1.0, out=colour)


def _largest(colour: Floats) -> Floats:
    """The largest channel, (…, 3) to (…); ``max`` is far slower over so few."""
    found: Floats = np.maximum(np.maximum(colour[..., 0], colour[..., 1]), colour[..., 2])
    return found


def _paled(colour: Floats, peak: Floats) -> Floats:
    """Colours (n, 3) of Y = 1, each brought along its hue until its largest channel is ``peak``.

    In Oklab a line from grey at constant L is one hue: B. Ottosson, "A perceptual color space for
    image processing", 2020. All of Oklab's cone responses are cubes, so on that line they are
    (1 + t·p)³, t = 1 being the colour as it was; t is found by false position.
    """
    cones = np.cbrt(colour @ TO_CONES.T)
    p = cones / (cones @ LIGHTNESS)[:, None] - 1

    def at(t: Floats) -> tuple[Floats, Floats]:
        there = (1 + t[:, None] * p) ** 3 @ FROM_CONES.T
        there /= (there @ _Y)[:, None]
        return there, np.subtract(_largest(there), peak)

    low, high = np.zeros_like(peak), np.ones_like(peak)
    below, above = np.subtract(1, peak), np.subtract(_largest(colour), peak)
    for _ in range(_STEPS):
        t = low + (high - low) * below / np.minimum(below - above, np.float32(-1e-9))
        there, miss = at(t)
        under = miss < 0
        low, below = np.where(under, t, low), np.where(under, miss, below)
        high, above = np.where(under, high, t), np.where(under, above, miss)
    return there


@lru_cache(maxsize=1)
def white_balance() -> Floats:
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
