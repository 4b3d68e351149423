"""Means around pixels, of values that are known at some pixels alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from nightview.light.rays import Array32

Places = NDArray[np.intp]
"""Pixels by number, row by row."""


def mean_around(
    values: Array32, at: Places, wanted: Places, shape: tuple[int, int], sigma_px: float
) -> tuple[Array32, Array32]:
    """Gaussian mean around pixels ``wanted`` (m,) of values (n, k) at pixels ``at`` (n,): (m, k), and
    its weight (m,), 1 where all around is known.

    Worked out on cells of half the width, which are fine enough for so smooth a mean.
    """
    if not len(at) or not len(wanted):
        return np.zeros((len(wanted), values.shape[1]), np.float32), np.zeros(
            len(wanted), np.float32
        )
    cell = max(1, int(sigma_px / 2))
    rows, columns = (-(-size // cell) + 1 for size in shape)
    y, x = np.divmod(at, shape[1])
    number = (y // cell) * columns + x // cell
    known = [*values.T, np.ones(len(values), np.float32)]
    sums = np.stack([np.bincount(number, column, rows * columns) for column in known])
    grid = sums.reshape(-1, rows, columns).astype(np.float32) / np.float32(cell * cell)
    width = sigma_px / cell
    grid = ndimage.gaussian_filter(grid, (0, width, width), mode="constant")
    y, x = np.divmod(wanted, shape[1])
    places = np.stack([(y + 0.5) / cell - 0.5, (x + 0.5) / cell - 0.5])
    found = [ndimage.map_coordinates(each, places, order=1, mode="nearest") for each in grid]
    weight = np.asarray(found[-1], np.float32)
    mean = np.stack(found[:-1], axis=1) / np.maximum(weight, 1e-9)[:, None]
    return mean.astype(np.float32), weight


def leaf_blur_px(shape: tuple[int, int]) -> float:
    """How widely light on leaves is taken together: 1 % of a picture's width."""
    return max(1.0, 0.01 * shape[1])
