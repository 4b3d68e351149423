"""What a pattern's tile is: colour and relief in true size, repeating without a seam."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]
Float32s = NDArray[np.float32]
RGB = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Tile:
    """A patch of surface that repeats to the right and upward.

    Row 0 is v = 0, the bottom; column 0 is u = 0, the left.

    albedo : (h, w, 3) float32. Multiplier of the material's reflectance; its mean is 1 in each
        channel, so that the mean reflectance stays the material's.
    normal : (h, w, 3) float32. Unit normals: x right along u, y up along v, z out of the surface.
    height_m : (h, w) float32. Relief above the surface [m], mean 0.
    size_m : width and height of the tile [m].
    """

    albedo: Float32s
    normal: Float32s
    height_m: Float32s
    size_m: tuple[float, float]


@dataclass(frozen=True)
class Grid:
    """The texels of a tile: how many, and where their middles lie [m]."""

    width_m: float
    height_m: float
    columns: int = 512
    rows: int = 512

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.rows, self.columns

    @property
    def step_m(self) -> tuple[float, float]:
        """Width and height of a texel [m]."""
        return self.width_m / self.columns, self.height_m / self.rows

    @cached_property
    def x(self) -> Floats:
        """(1, w): middles from the left edge [m]."""
        return ((np.arange(self.columns, dtype=np.float32) + 0.5) * self.step_m[0])[None, :]

    @cached_property
    def y(self) -> Floats:
        """(h, 1): middles from the bottom edge [m]."""
        return ((np.arange(self.rows, dtype=np.float32) + 0.5) * self.step_m[1])[:, None]

    def turned(self) -> Grid:
        """The grid with its axes exchanged."""
        return Grid(self.height_m, self.width_m, self.rows, self.columns)


@dataclass(frozen=True, eq=False)
class Relief:
    """What a pattern draws, before it is balanced into a tile.

    height_m : (h, w). Height field [m].
    tone : (h, w) or (h, w, 3). Relative reflectance of the units.
    joint : (h, w) or None. Share of a texel, 0 to 1, that is joint (mortar, gap, sand).
    joint_tone : relative reflectance within the joint, (h, w) or a figure, mean about 1.
    joint_tint : the joint's reflectance as a multiple of the tile's mean, where none is given.
    slow_waves : waves a tile, up to which unevenness of tone is taken out: it would show as
        repetition. Fewer where single units are large.
    """

    grid: Grid
    height_m: Floats
    tone: Floats
    joint: Floats | None = None
    joint_tone: Floats | float = 1.0
    joint_tint: RGB = (1.0, 1.0, 1.0)
    slow_waves: int = 3


def finish(relief: Relief, joint_tint: RGB | None = None) -> Tile:
    """Balance the colours to mean 1 and derive the normals.

    ``joint_tint`` is the joint's reflectance as a multiple of the tile's mean, by channel; None
    takes the pattern's own.
    """
    tone = relief.tone if relief.tone.ndim == 3 else relief.tone[..., None]
    albedo = np.empty((*relief.grid.shape, 3), np.float32)
    for channel, tint in enumerate(joint_tint or relief.joint_tint):
        plane = tone[..., min(channel, tone.shape[-1] - 1)]
        if relief.joint is not None:
            # the joint keeps its own colour; the units make up the mean
            joint = relief.joint * (np.float32(tint) * relief.joint_tone)
            units = (1.0 - relief.joint) * plane
            rest = max(0.2, 1.0 - float(np.mean(joint, dtype=np.float64)))
            plane = joint + units * (rest / float(np.mean(units, dtype=np.float64)))
        plane = _evened(np.maximum(plane, np.float32(0.02)), relief.slow_waves)
        albedo[..., channel] = plane / np.mean(plane, dtype=np.float64)
    height = (relief.height_m - np.mean(relief.height_m, dtype=np.float64)).astype(np.float32)
    tile = Tile(
        albedo, normals(height, relief.grid), height, (relief.grid.width_m, relief.grid.height_m)
    )
    for array in (tile.albedo, tile.normal, tile.height_m):
        array.setflags(write=False)
    return tile


def _evened(plane: Floats, slowest: int) -> Floats:
    """The plane (h, w) without its waves of up to so many periods a tile."""
    column, row = _waves(plane.shape[1], slowest), _waves(plane.shape[0], slowest)
    slow = row @ (row.T @ plane @ column) @ column.T
    return plane * (np.mean(plane, dtype=np.float64) / slow).astype(np.float32)


def _waves(count: int, slowest: int) -> Floats:
    """Orthonormal (count, 1 + 2 slowest): the mean, and cosine and sine of 1, 2 … periods."""
    turn = np.arange(1, slowest + 1) * (np.arange(count)[:, None] * (2.0 * np.pi / count))
    waves = np.concatenate([np.cos(turn), np.sin(turn)], axis=1) * np.sqrt(2.0 / count)
    return np.hstack([np.full((count, 1), np.sqrt(1.0 / count)), waves]).astype(np.float32)


def normals(height_m: Floats, grid: Grid) -> Float32s:
    """Unit normals (h, w, 3) of a periodic height field, by central differences in true size."""
    dx, dy = grid.step_m
    normal = np.empty((*grid.shape, 3), np.float32)
    for axis, component, step in ((1, 0, dx), (0, 1, dy)):
        ahead, behind = np.roll(height_m, -1, axis), np.roll(height_m, 1, axis)
        normal[..., component] = (behind - ahead) * np.float32(0.5 / step)
    slope_x, slope_y = normal[..., 0], normal[..., 1]
    out = 1.0 / np.sqrt(1.0 + slope_x * slope_x + slope_y * slope_y)
    normal[..., 0] *= out
    normal[..., 1] *= out
    normal[..., 2] = out
    return normal
