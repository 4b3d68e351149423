"""How a leaf is drawn: a pointed, slightly folded oval nearby, a rhomb of the same area far off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nightview.light.rays import Array32
from nightview.site.surface import Crown

NEAR_M = 16.0
"""Crowns nearer to the eye than this show the shape of their leaves."""

# Along and across the leaf, in its length and width: tip, four shoulders, stem; its area is that of
# the rhomb, half of length times width.
_OUTLINE = np.array(
    [[0.5, 0.0], [0.16, 0.364], [-0.2, 0.364], [-0.5, 0.0], [-0.2, -0.364], [0.16, -0.364]],
    np.float32,
)
_FOLD = 0.10
"""How far the sides rise from the midrib, in widths."""
OVAL_FACES = np.array([[0, 1, 3], [1, 2, 3], [0, 3, 5], [3, 4, 5]])
RHOMB_FACES = np.array([[0, 1, 2], [0, 2, 3]])


def oval(crown: Crown) -> Array32:
    """Corners of every leaf as an oval, counter-clockwise from its front: (n, 6, 3) [m]."""
    across = np.cross(crown.normal, crown.along)
    along = crown.length_m * _OUTLINE[:, 0]
    aside = crown.width_m * _OUTLINE[:, 1]
    lift = _FOLD * crown.width_m * (_OUTLINE[:, 1] != 0)
    corners: Array32 = (
        crown.centre[:, None]
        + along[None, :, None] * crown.along[:, None]
        + aside[None, :, None] * across[:, None]
        + lift[None, :, None] * crown.normal[:, None]
    ).astype(np.float32)
    return corners


def faces_of(count: int, corners: int, one: NDArray[np.int64]) -> NDArray[np.int64]:
    """The triangles of many leaves from those of one: (count · k, 3)."""
    start = np.arange(count, dtype=np.int64)[:, None, None] * corners
    return (start + one[None]).reshape(-1, 3)
