"""Several pictures of one view on one sheet, to be compared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from nightview.lamps.colour import srgb_decode, srgb_encode
from nightview.light.rays import Array32
from nightview.picture.caption import footer

Pixels = NDArray[np.uint8]

_GAP_PX = 8
_GROUND = (70, 71, 73)
"""Between the pictures: a rule that parts them on a screen and in print."""


def compose(pictures: Sequence[tuple[str, Pixels]], lines: Sequence[str]) -> Pixels:
    """Labelled pictures (h, w, 3) of one size side by side, and lines of text below, (H, W, 3).

    Up to three stand in a row; four are two by two, more are three in a row.
    """
    columns = {4: 2}.get(len(pictures), min(3, len(pictures)))
    width = pictures[0][1].shape[1]
    strips = label_strips([label for label, _ in pictures], width)
    panels = [np.concatenate([pixels, strips[label]]) for label, pixels in pictures]
    rows = -(-len(panels) // columns)
    height = panels[0].shape[0]
    whole = np.full(
        (rows * (height + _GAP_PX) - _GAP_PX, columns * (width + _GAP_PX) - _GAP_PX, 3),
        np.array(_GROUND, np.uint8),
    )
    for nth, panel in enumerate(panels):
        row, column = divmod(nth, columns)
        y, x = row * (height + _GAP_PX), column * (width + _GAP_PX)
        whole[y : y + height, x : x + width] = panel
    return np.concatenate([whole, footer(whole.shape[1], lines, _type_px(width))])


def fitted(picture: Pixels, size: tuple[int, int]) -> Pixels:
    """A picture (h, w, 3) no larger than a width and height, its light averaged where it shrinks."""
    height, width = picture.shape[:2]
    shrink = min(size[0] / width, size[1] / height)
    if shrink >= 1:
        return picture
    own = max(1, round(shrink * width)), max(1, round(shrink * height))
    linear = srgb_decode(picture / np.float32(255)).astype(np.float32)
    return np.rint(255 * srgb_encode(np.clip(averaged(linear, own), 0, 1))).astype(np.uint8)


def averaged(light: Array32, size: tuple[int, int]) -> Array32:
    """Light (h, w, 3) as means over the pixels of a smaller picture, width and height given."""
    planes = [
        Image.fromarray(np.ascontiguousarray(one)).resize(size, Image.Resampling.BOX)
        for one in np.moveaxis(light, -1, 0)
    ]
    return np.stack([np.asarray(plane, np.float32) for plane in planes], axis=-1)


def label_strips(labels: Sequence[str], width: int) -> dict[str, Pixels]:
    """Labels to stand below pictures of a width, in type that can be read on a telephone: strips of
    one height, an even one, as a video wants it."""
    strips = {label: footer(width, [label], _type_px(width)) for label in labels}
    height = max(len(strip) for strip in strips.values())
    height += height % 2
    return {
        label: np.pad(strip, ((0, height - len(strip)), (0, 0), (0, 0)), mode="edge")
        for label, strip in strips.items()
    }


def _type_px(width: int) -> int:
    return max(11, round(width / 44))
