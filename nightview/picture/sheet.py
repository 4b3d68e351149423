"""Several pictures of one view on one sheet, to be compared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightview.picture.caption import footer

Pixels = NDArray[np.uint8]

_GAP_PX = 8
_GROUND = (10, 11, 13)


def compose(pictures: Sequence[tuple[str, Pixels]], lines: Sequence[str]) -> Pixels:
    """Labelled pictures (h, w, 3) of one size side by side, and lines of text below, (H, W, 3).

    Up to three stand in a row; four are two by two, more are three in a row.
    """
    columns = {4: 2}.get(len(pictures), min(3, len(pictures)))
    width = pictures[0][1].shape[1]
    size = max(11, round(width / 44))
    panels = [np.concatenate([pixels, footer(width, [label], size)]) for label, pixels in pictures]
    rows = -(-len(panels) // columns)
    height = max(panel.shape[0] for panel in panels)
    whole = np.full(
        (rows * (height + _GAP_PX) - _GAP_PX, columns * (width + _GAP_PX) - _GAP_PX, 3),
        np.array(_GROUND, np.uint8),
    )
    for nth, panel in enumerate(panels):
        row, column = divmod(nth, columns)
        y, x = row * (height + _GAP_PX), column * (width + _GAP_PX)
        whole[y : y + len(panel), x : x + width] = panel
    return np.concatenate([whole, footer(whole.shape[1], lines, size)])
