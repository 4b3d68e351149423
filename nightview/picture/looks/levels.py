"""Levels: false colour of lux or cd/m² in steps, with a legend and lines that carry their values.

The steps are the same for every picture, so that two of them can be laid side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from nightview.picture.caption import drawable
from nightview.picture.looks.contours import UNKNOWN, Box, bands_of, lines, places, steps_of
from nightview.picture.looks.ramp import colours, lightness

Floats = NDArray[np.float32]
Codes = NDArray[np.uint8]


@dataclass(frozen=True)
class Quantity:
    """What is measured. edges : the steps' values, rising; none : what has no value, in words."""

    name: str
    unit: str
    edges: tuple[float, ...]
    none: str = ""


LUX = Quantity(
    "light on surfaces", "lx", (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100), "sky, glass, water"
)
"""From a clear night's full moon (0.1 to 0.2 lx) to the hot spot of a close spotlight."""

LUMINANCE = Quantity("luminance", "cd/m²", (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10))
"""From a rural sky to a lit window; all within mesopic sight but the last."""

_PANEL, _TEXT = (16, 17, 19), (236, 235, 230)
_HATCH = ((54, 54, 56), (88, 88, 90))
_INK, _FAINT = 0.8, 0.3
"""How strongly a line, and an outline, covers the colour below it."""
_CAPTION_LINES = 4
_RESTLESS, _LEADS = 0.06, 0.3
"""From so many steps a pixel on, values are restless where they lead less than this share of it."""


def develop(
    values: ArrayLike, quantity: Quantity, outlines: NDArray[np.bool_] | None = None
) -> Codes:
    """Values (h, w) in the quantity's unit as a picture (h, w, 3) of sRGB codes; NaN is hatched.

    Leaves, grains and specks too small for a line are calmed first. Legend at the right; the lowest lines
    hold no number, as a caption goes there.

    outlines : pixels (h, w) to be marked faintly, so that a scene in even light can be made out.
    """
    values = np.asarray(values, np.float32)
    height, width = values.shape
    size = min(max(round(width / 95), 10), 22)
    font = _font(size)
    steps = _calmed(steps_of(values, quantity.edges), max(1, round(width / 400)))
    bands = bands_of(steps)
    ramp = colours(len(quantity.edges) + 1)
    pixels = np.where((bands == UNKNOWN)[..., None], _hatched(bands.shape), ramp[bands])
    cover, nearest = lines(steps, max(1.0, width / 900))
    ink = _inks(ramp)[nearest]
    share = _INK * cover
    if outlines is not None:
        share = np.maximum(share, _FAINT * outlines)
    share = share[..., None]
    codes = np.rint(pixels + share * (ink - pixels.astype(np.float32))).astype(np.uint8)

    image = Image.fromarray(codes)
    draw = ImageDraw.Draw(image)
    unknown = bool((bands == UNKNOWN).any())
    legend = _legend(draw, quantity, ramp, font, (height, width), unknown)
    foot = Box(height - round(_CAPTION_LINES * 1.35 * size), 0, height, width)
    texts = [_number(edge) for edge in quantity.edges]
    sizes = [(size + 4, round(font.getlength(text)) + size // 2 + 2) for text in texts]
    for edge, box in places(bands, sizes, [legend, foot]):
        draw.rectangle((box.left, box.top, box.right - 1, box.bottom - 1), fill=_PANEL)
        middle = (box.left + box.right) / 2, (box.top + box.bottom) / 2
        draw.text(middle, texts[edge], font=font, fill=_TEXT, anchor="mm")
    return np.asarray(image)


def _calmed(steps: Floats, reach: int) -> Floats:
    """Steps without what is too small to draw a line around; NaN where most pixels near have none.

    First a median along rows and columns over 2·reach + 1 pixels: it keeps edges where they are.
    Where values still go up and down within a few pixels and lead nowhere, as on leaves, the mean
    around takes their place.
    """
    known = np.isfinite(steps)
    if not known.any():
        return steps
    window = 2 * reach + 1
    if not known.all():  # a pixel without a value takes the nearest: it takes no side below
        where = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
        steps = steps[tuple(where)]
        known = ndimage.uniform_filter(known.astype(np.float32), window, mode="nearest") > 0.5
    for size in ((1, window), (window, 1)):
        steps = ndimage.median_filter(steps, size, mode="nearest")

    wide = 4 * window
    up, across = np.gradient(steps)
    change = _mean(np.hypot(up, across), wide)
    leads = np.hypot(_mean(up, wide), _mean(across, wide)) / np.maximum(change, 1e-6)
    restless = (change > _RESTLESS) & (leads < _LEADS) & known
    share = ndimage.gaussian_filter(restless.astype(np.float32), window)
    weight = ndimage.gaussian_filter(known.astype(np.float32), window)
    around = ndimage.gaussian_filter(steps * known, window) / np.maximum(weight, 1e-3)
    calm = steps + share * (around - steps)
    return _without_specks(np.where(known, calm, np.nan).astype(np.float32), window**2)


def _without_specks(steps: Floats, area: int) -> Floats:
    """Steps in which no patch of one band is smaller than so many pixels: what is beside it goes
    on across it."""
    bands = bands_of(steps)
    speck = np.zeros(bands.shape, bool)
    for band in range(UNKNOWN, int(bands.max()) + 1):
        parts, _ = ndimage.label(bands == band)
        small = np.bincount(parts.ravel()) < area
        small[0] = False
        speck |= small[parts]
    if not speck.any() or speck.all():
        return steps
    where = ndimage.distance_transform_edt(speck, return_distances=False, return_indices=True)
    found: Floats = steps[tuple(where)]
    return found


def _mean(values: ArrayLike, window: int) -> Floats:
    found: Floats = ndimage.uniform_filter(values, window, mode="nearest")
    return found


def _inks(ramp: Codes) -> Floats:
    """Each edge's line: black between light bands, white between dark ones."""
    light = lightness(ramp)
    middle = (light[1:] + light[:-1]) / 2
    return np.where(middle[:, None] > 50, 0.0, 255.0).astype(np.float32) * np.ones(3, np.float32)


def _hatched(shape: tuple[int, ...]) -> Codes:
    """Slanting stripes of two greys, (h, w, 3): no colour of the ramp, and none in grey print."""
    rows, columns = np.indices(shape)
    period = max(6, shape[1] // 130)
    return np.array(_HATCH, np.uint8)[((rows + columns) // (period // 2)) % 2]


def _legend(
    draw: ImageDraw.ImageDraw,
    quantity: Quantity,
    ramp: Codes,
    font: ImageFont.FreeTypeFont,
    shape: tuple[int, int],
    unknown: bool,
) -> Box:
    """Draw the bar of colours with the value at each boundary, and say where it stands."""
    size = round(font.size)
    cell = min(round(1.7 * size), (shape[0] * 7 // 10) // (len(ramp) + 3))
    wide, pad = 2 * size, size // 2
    numbers = [_number(edge) for edge in quantity.edges]
    heads = [quantity.name, drawable(quantity.unit)]
    rest = ["no value:", *quantity.none.split(", ")] if unknown and quantity.none else []
    across = max(
        wide + pad + max(font.getlength(text) for text in numbers),
        *(font.getlength(text) for text in (*heads, *rest)),
    )
    line = round(1.3 * size)
    tall = len(heads) * line + pad + cell * len(ramp) + (pad + line * len(rest) if rest else 0)
    box = Box(pad, shape[1] - round(across) - 3 * pad, pad + tall + 2 * pad, shape[1] - pad)
    draw.rectangle((box.left, box.top, box.right - 1, box.bottom - 1), fill=_PANEL)
    x, y = box.left + pad, box.top + pad
    for text in heads:
        draw.text((x, y), text, font=font, fill=_TEXT)
        y += line
    y += pad
    every = -(-size // cell)  # in a small picture not all numbers find room
    for nth, colour in enumerate(ramp[::-1]):
        draw.rectangle((x, y, x + wide - 1, y + cell - 1), fill=tuple(int(c) for c in colour))
        y += cell
        if nth < len(numbers) and nth % every == 0:
            draw.line((x, y, x + wide + pad // 2, y), fill=_TEXT)
            draw.text((x + wide + pad, y), numbers[-1 - nth], font=font, fill=_TEXT, anchor="lm")
    for nth, text in enumerate(rest):
        y += pad if nth == 0 else 0
        draw.text((x, y), text, font=font, fill=_TEXT)
        y += line
    return box


def _number(value: float) -> str:
    return f"{value:g}"


def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow was built without FreeType")  # every wheel has it
    return font
