"""A pinhole camera: pixels to directions and points to pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nightview.scene.model import View
from nightview.site.surface import Array, unit


@dataclass(frozen=True, eq=False)
class Camera:
    """Where a picture is taken from. eye, target : (3,) [m]; fov_deg : horizontal; size in pixels.

    up : (3,), what is upright in the picture; the zenith where None.
    """

    eye: Array
    target: Array
    fov_deg: float
    width: int
    height: int
    up: Array | None = None

    @classmethod
    def of(cls, view: View, size: tuple[int, int]) -> Camera:
        """The camera of a view at a picture size."""
        return cls(np.asarray(view.eye_m), np.asarray(view.target_m), view.fov_deg, *size)

    @cached_property
    def axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors to the right, up and ahead."""
        ahead = unit(self.target - self.eye)
        up = self.up
        if up is None:
            up = np.array([0, 0, 1.0]) if abs(ahead[2]) < 0.9999 else np.array([0, 1.0, 0])
        right = unit(np.cross(ahead, up))
        return right, np.cross(right, ahead), ahead

    @property
    def pixel_tan(self) -> float:
        """Side of a pixel at unit distance ahead."""
        return 2.0 * np.tan(np.radians(self.fov_deg) / 2) / self.width

    @property
    def vertical_fov_deg(self) -> float:
        """Vertical angle of view [deg]."""
        return float(np.degrees(2 * np.arctan(self.pixel_tan * self.height / 2)))

    def turned(self, x: float, y: float) -> Camera:
        """Turned so that the picture place x, y pixels off the middle comes to the middle.

        For less than a pixel that moves the whole picture by -x, -y, and more in the corners of
        a wide view only as all is stretched there.
        """
        right, up, ahead = self.axes
        aim = ahead + self.pixel_tan * (x * right - y * up)
        return replace(self, target=self.eye + aim, up=up)

    def ways(self, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.float32]:
        """Unit directions through picture places (pixels, y down, 0 at the upper left corner)."""
        right, up, ahead = self.axes
        side = (np.asarray(x) - self.width / 2) * self.pixel_tan
        rise = (self.height / 2 - np.asarray(y)) * self.pixel_tan
        way = ahead + side[..., None] * right + rise[..., None] * up
        return (way / np.linalg.norm(way, axis=-1, keepdims=True)).astype(np.float32)

    def project(self, points: Array) -> tuple[Array, Array]:
        """Picture places (n, 2) and depths ahead (n,) [m] of points (n, 3)."""
        right, up, ahead = self.axes
        relative = np.asarray(points, float) - self.eye
        depth = relative @ ahead
        safe = np.where(np.abs(depth) < 1e-9, 1e-9, depth)
        x = self.width / 2 + relative @ right / safe / self.pixel_tan
        y = self.height / 2 - relative @ up / safe / self.pixel_tan
        return np.stack([x, y], axis=1), depth
