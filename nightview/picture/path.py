"""Where the camera of a moving picture stands: an orbit about a place, a walk along views.

Pure functions of numbers. What stands in the way they ask of a function ``clear``.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from nightview.picture.camera import Camera
from nightview.scene.model import View
from nightview.site.surface import Array

Clear = Callable[[Array], NDArray[np.bool_]]
"""Tells of eyes (n, 3) [m] which have room about them, (n,)."""

WIDEST = 1.6
"""An orbit is pushed out to at most so many times the radius asked for; after that it is raised."""
_PUSH, _RAISE_M, _RAISES = 0.04, 1.0, 60
_PER_LEG = 128
_ASIDE_M, _FARTHEST_ASIDE_M = 0.5, 24.0
_BOWS = ((0.5,), (0.15, 0.85))
"""A leg is bowed in its middle, or led round a corner at each end."""


@dataclass(frozen=True, eq=False)
class Path:
    """The frames of a moving picture: (n, 7) eye x, y, z, target x, y, z [m], horizontal fov [deg]."""

    poses: Array

    def __len__(self) -> int:
        return len(self.poses)

    @property
    def eyes(self) -> Array:
        """Where the camera stands, (n, 3) [m]."""
        return self.poses[:, :3]

    def camera(self, number: int, size: tuple[int, int]) -> Camera:
        """The camera of one frame at a picture size."""
        pose = self.poses[number]
        return Camera(pose[:3], pose[3:6], float(pose[6]), *size)


def ease(t: ArrayLike) -> Array:
    """Share of the way at a share t of the time, 0 to 1: starts and ends at rest, without a jerk.

    6t⁵ − 15t⁴ + 10t³: first and second derivative are 0 at both ends (K. Perlin, "Improving
    noise", SIGGRAPH 2002).
    """
    x: Array = np.clip(np.asarray(t, float), 0.0, 1.0)
    return x * x * x * (x * (6.0 * x - 15.0) + 10.0)


# --- orbit ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Orbit:
    """A circle to look inwards from. centre : x, y, z of what is looked at; all in [m].

    start_deg : bearing of the first eye from the centre, 0 along −y (before the house's front),
        counter-clockwise as seen from above.
    sweep_deg : 360 for all the way round; less swings so far altogether, and back, about the start.
    """

    centre: tuple[float, float, float]
    radius_m: float
    height_m: float
    start_deg: float
    fov_deg: float
    sweep_deg: float = 360.0

    def path(self, frames: int) -> Path:
        """A closed path: the frame after the last would be the first again.

        All the way round in equal steps, which has no seam; a swing slows down towards its ends.
        """
        t = np.arange(frames) / frames
        if self.sweep_deg >= 360.0:
            turn = 2 * np.pi * t
        else:
            turn = np.radians(self.sweep_deg / 2) * np.sin(2 * np.pi * t)
        bearing = np.radians(self.start_deg) + turn
        x, y, _ = self.centre
        poses = np.empty((frames, 7))
        poses[:, 0] = x + self.radius_m * np.sin(bearing)
        poses[:, 1] = y - self.radius_m * np.cos(bearing)
        poses[:, 2] = self.height_m
        poses[:, 3:6] = self.centre
        poses[:, 6] = self.fov_deg
        return Path(poses)

    def cleared(self, clear: Clear) -> Orbit:
        """The orbit pushed out until no eye on it stands in or against anything.

        Where even the widest will not do, all eyes are raised by a metre and the search begins
        anew; above everything there is always room. The circle stays a circle.
        """
        for up in range(_RAISES):
            for out in np.arange(1.0, WIDEST + 1e-9, _PUSH):
                tried = Orbit(
                    self.centre, self.radius_m * float(out), self.height_m + up * _RAISE_M,
                    self.start_deg, self.fov_deg, self.sweep_deg,
                )  # fmt: skip
                closely = max(60, int(np.ceil(2 * np.pi * tried.radius_m / 0.2)))
                if clear(tried.path(closely).eyes).all():
                    return tried
        return self


def bearing_deg(centre: ArrayLike, eye: ArrayLike) -> float:
    """Bearing of an eye about a centre as ``Orbit`` counts it; 0 straight above the centre."""
    x, y = np.asarray(eye, float)[:2] - np.asarray(centre, float)[:2]
    return float(np.degrees(np.arctan2(x, -y)))


def fitting_radius(
    half_width_m: float, over_m: float, fov_deg: float, size: tuple[int, int]
) -> float:
    """How far off to stand so that a body about the target is in the picture, with some air [m].

    half_width_m : its radius seen from above; over_m : how far it reaches above or below the target.
    """
    width, height = size
    across = np.tan(np.radians(fov_deg) / 2)
    wide = half_width_m / np.sin(np.arctan(across))
    tall = half_width_m + over_m / (across * height / width)
    return 1.12 * float(max(wide, tall))


# --- walk -----------------------------------------------------------------------------------------


def walk(views: Sequence[View], frames: int, clear: Clear | None = None) -> Path:
    """A smooth way through at least two views, at rest at its first and last frame.

    Between the views the eye, the target and the angle of view follow a monotone cubic (Fritsch
    & Carlson 1980), which passes through every view and never swings beyond two neighbours. The
    speed is that of eye and target together, so that a turn on the spot takes time too.
    clear : where a leg leads through something, it is bowed aside to where it is clear, if one
        or two marks more do it.
    """
    marks = [np.array([*view.eye_m, *view.target_m, view.fov_deg], float) for view in views]
    if clear is not None:
        marks = _bowed(marks, clear)
    dense = _curve(marks)
    far = np.concatenate([[0.0], np.cumsum(_moved(dense))])
    share = ease(np.linspace(0.0, 1.0, frames)) * far[-1]
    poses = np.stack([np.interp(share, far, column) for column in dense.T], axis=1)
    return Path(poses)


def _moved(poses: Array) -> Array:
    """How far eye and target move together from each pose to the next [m]."""
    moved: Array = np.linalg.norm(np.diff(poses[:, :6], axis=0), axis=1)
    return moved


def _curve(marks: Sequence[Array]) -> Array:
    """Close poses on the curve through the marks, ``_PER_LEG`` a leg and the last mark."""
    points = np.array(marks)
    at = np.concatenate([[0.0], np.cumsum(_moved(points))])
    fine = np.interp(
        np.arange(_PER_LEG * (len(points) - 1) + 1) / _PER_LEG, np.arange(len(points)), at
    )
    curve: Array = PchipInterpolator(at, points)(fine)
    return curve


def _bowed(marks: list[Array], clear: Clear) -> list[Array]:
    """The marks, with one or two more in each leg that is not clear and becomes so by them."""
    leg = 0
    while leg < len(marks) - 1:
        if not _leg_is_clear(marks, leg, 1, clear):
            ahead = marks[leg + 1][:2] - marks[leg][:2]
            aside = np.array([-ahead[1], ahead[0]]) / max(np.linalg.norm(ahead), 1e-9)
            steps = np.arange(_ASIDE_M, _FARTHEST_ASIDE_M, _ASIDE_M)
            for step, shares in itertools.product(np.stack([steps, -steps], 1).ravel(), _BOWS):
                bow = [marks[leg] + share * (marks[leg + 1] - marks[leg]) for share in shares]
                for mark in bow:
                    mark[:2] += step * aside
                tried = [*marks[: leg + 1], *bow, *marks[leg + 1 :]]
                if _leg_is_clear(tried, leg, len(bow) + 1, clear):
                    marks, leg = tried, leg + len(bow)
                    break
        leg += 1
    return marks


def _leg_is_clear(marks: list[Array], leg: int, legs: int, clear: Clear) -> bool:
    part = _curve(marks)[leg * _PER_LEG : (leg + legs) * _PER_LEG + 1]
    return bool(clear(part[:, :3]).all())
