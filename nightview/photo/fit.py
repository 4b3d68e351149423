"""Cameras fitted to marks: many starts, and the marks less one each, refined side by side.

A pinhole camera with square pixels and its axis through the picture's middle has seven unknowns:
the eye, the attitude and the focal length. Residuals are weighed by how far the click and the model
may be off; they are least squares in the sense of Hartley & Zisserman (2004), section 7.2, refined by
Levenberg's and Marquardt's damping with the exact derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from nightview.photo.image import focal_px
from nightview.picture.camera import Camera
from nightview.site.surface import Array

UNKNOWNS = 7
FOCAL_SIGMA = 0.03
"""How far a stated focal length may be off, of itself: whole millimetres in the file, and what
stabilisers and lens corrections cut away. Ours."""
NEAR_M = 0.1
"""No mark is nearer before the lens than this; nearer ones count as behind it."""


@dataclass(frozen=True, eq=False)
class Marks:
    """Points of the model and where the picture shows them, all in the picture's pixels.

    places : (n, 3) [m]. pixels : (n, 2). sigma_px : (n,), of each click, each way. size : width,
    height. focal : the stated focal length [px], or None. model_sigma_m : of the places, each way.
    moves : (n, 3, k), how places move with k freed dimensions [m a metre or degree]; k may be 0.
    """

    names: tuple[str, ...]
    places: Array
    pixels: Array
    sigma_px: Array
    size: tuple[int, int]
    focal: float | None
    model_sigma_m: float
    moves: Array

    @classmethod
    def of(
        cls, names: tuple[str, ...], places: Array, pixels: Array, sigma_px: Array | float,
        size: tuple[int, int], focal_35mm_m: float | None = None, model_sigma_m: float = 0.02,
    ) -> Marks:  # fmt: skip
        """Marks without freed dimensions."""
        focal = None if focal_35mm_m is None else focal_px(focal_35mm_m, size)
        return cls(
            names, np.asarray(places, float).reshape(-1, 3), np.asarray(pixels, float).reshape(-1, 2),
            np.zeros(len(names)) + sigma_px, size, focal, model_sigma_m,
            np.zeros((len(names), 3, 0)),
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.names)

    @property
    def freedom(self) -> int:
        """Measured numbers beyond the unknowns."""
        return 2 * len(self) + (self.focal is not None) - UNKNOWNS - self.moves.shape[2]

    def without(self, number: int) -> Marks:
        """All marks but one."""
        kept = [n for n in range(len(self)) if n != number]
        return replace(
            self, names=tuple(self.names[n] for n in kept), places=self.places[kept],
            pixels=self.pixels[kept], sigma_px=self.sigma_px[kept], moves=self.moves[kept],
        )  # fmt: skip

    def mirrored(self) -> Marks:
        """The same points on the picture turned left to right."""
        return replace(
            self, pixels=np.stack([self.size[0] - self.pixels[:, 0], self.pixels[:, 1]], 1)
        )


@dataclass(frozen=True, eq=False)
class Cameras:
    """b cameras. eye : (b, 3) [m]. turn : (b, 3, 3), rows to the right, up and ahead. focal : (b,)
    [px]. freed : (b, k), changes of the freed dimensions."""

    eye: Array
    turn: Array
    focal: Array
    freed: Array

    def __len__(self) -> int:
        return len(self.focal)

    def at(self, which: NDArray[np.integer] | list[int] | slice) -> Cameras:
        """Some of them, in that order."""
        return Cameras(self.eye[which], self.turn[which], self.focal[which], self.freed[which])

    def camera(self, size: tuple[int, int], number: int = 0) -> Camera:
        """One of them as a camera for pictures of a size."""
        width, height = size
        _right, up, ahead = self.turn[number]
        fov = 2.0 * np.degrees(np.arctan(width / 2.0 / self.focal[number]))
        eye = self.eye[number].copy()
        return Camera(eye, eye + ahead, float(fov), width, height, up.copy())


def of_camera(camera: Camera) -> Cameras:
    """One camera as it is fitted."""
    return Cameras(
        np.asarray(camera.eye, float)[None], np.array(camera.axes)[None],
        np.array([1.0 / camera.pixel_tan]), np.zeros((1, 0)),
    )  # fmt: skip


def joined(parts: list[Cameras]) -> Cameras:
    """Several batches as one."""
    return Cameras(
        *(
            np.concatenate([getattr(part, key) for part in parts])
            for key in ("eye", "turn", "focal", "freed")
        )
    )


def projected(cameras: Cameras, places: Array, size: tuple[int, int]) -> tuple[Array, Array, Array]:
    """Pixels (b, n, 2), depths (b, n) [m] and derivatives (b, n, 2, 7) of places (n, 3) or (b, n, 3).

    Derivatives by the eye, by a small turn of the camera about its own axes, and by log focal.
    """
    relative = np.broadcast_to(places, (len(cameras), *places.shape[-2:])) - cameras.eye[:, None]
    own = np.einsum("bij,bnj->bni", cameras.turn, relative)
    depth = own[..., 2]
    z = np.maximum(depth, NEAR_M)
    focal = cameras.focal[:, None]
    x, y = focal * own[..., 0] / z, focal * own[..., 1] / z
    pixels = np.stack([size[0] / 2 + x, size[1] / 2 - y], axis=-1)
    zero = np.zeros_like(z)
    by_own = np.stack(
        [np.stack([focal / z, zero, -x / z], -1), np.stack([zero, -focal / z, y / z], -1)], -2
    )
    by_eye = -np.einsum("bnij,bjk->bnik", by_own, cameras.turn)
    # A turn w moves a point p of the camera's frame by w × p.
    px, py, pz = own[..., 0], own[..., 1], own[..., 2]
    cross = np.stack(
        [
            np.stack([zero, pz, -py], -1),
            np.stack([-pz, zero, px], -1),
            np.stack([py, -px, zero], -1),
        ],
        -2,
    )
    by_turn = by_own @ cross
    by_focal = np.stack([x, -y], -1)[..., None]
    return pixels, depth, np.concatenate([by_eye, by_turn, by_focal], axis=-1)


def _turned(turn: Array, way: Array) -> Array:
    """Attitudes (b, 3, 3) turned by small vectors (b, 3), by Rodrigues' formula."""
    angle = np.linalg.norm(way, axis=1)[:, None, None]
    zero = np.zeros(len(way))
    cross = np.stack(
        [
            np.stack([zero, -way[:, 2], way[:, 1]], -1),
            np.stack([way[:, 2], zero, -way[:, 0]], -1),
            np.stack([-way[:, 1], way[:, 0], zero], -1),
        ],
        -2,
    )
    small = angle < 1e-8
    safe = np.where(small, 1.0, angle)
    sine = np.where(small, 1.0, np.sin(safe) / safe)
    versed = np.where(small, 0.5, (1.0 - np.cos(safe)) / safe**2)
    return (np.eye(3) + sine * cross + versed * (cross @ cross)) @ turn


def _stepped(cameras: Cameras, step: Array) -> Cameras:
    log_focal = np.clip(step[:, 6], -0.7, 0.7)
    return Cameras(
        cameras.eye + step[:, :3], _turned(cameras.turn, step[:, 3:6]),
        np.clip(cameras.focal * np.exp(log_focal), 1.0, 1e7), cameras.freed + step[:, UNKNOWNS:],
    )  # fmt: skip


def _linearised(marks: Marks, cameras: Cameras) -> tuple[Array, Array, Array]:
    """Residuals (b, n, 2) [px], their derivatives (b, n, 2, 7 + k), depths (b, n)."""
    places = marks.places + np.einsum("nik,bk->bni", marks.moves, cameras.freed)
    pixels, depth, slopes = projected(cameras, places, marks.size)
    if marks.moves.shape[2]:  # a point moves in the picture against the eye
        by_freed = -slopes[..., :3] @ marks.moves
        slopes = np.concatenate([slopes, by_freed], axis=-1)
    return pixels - marks.pixels, slopes, depth


def weights_of(marks: Marks, cameras: Cameras) -> Array:
    """1/σ² of each mark (b, n): of the click, and of the model seen at its depth."""
    places = marks.places + np.einsum("nik,bk->bni", marks.moves, cameras.freed)
    own = np.einsum("bj,bnj->bn", cameras.turn[:, 2], places - cameras.eye[:, None])
    model_px = marks.model_sigma_m * cameras.focal[:, None] / np.maximum(own, NEAR_M)
    return 1.0 / (marks.sigma_px**2 + model_px**2)


def refined(
    marks: Marks, cameras: Cameras, weights: Array, steps: int = 40, tolerance: float = 1e-12
) -> tuple[Cameras, Array]:
    """The cameras refined, and each one's χ² (b,); inf where a weighed mark is behind it.

    weights : (b, n), 1/σ², 0 for a mark left out.
    """
    count = len(cameras)
    damping = np.full(count, 1e-3)
    residual, slopes, depth = _linearised(marks, cameras)
    cost = _cost(marks, cameras, residual, weights)
    live = np.arange(count)
    for _ in range(steps):
        now, w = cameras.at(live), weights[live]
        normal, gradient = _normal_equations(marks, now, residual[live], slopes[live], w)
        diagonal = np.einsum("bii->bi", normal)
        damped = normal.copy()
        np.einsum("bii->bi", damped)[:] += damping[live, None] * diagonal + 1e-12
        step = -np.linalg.solve(damped, gradient[..., None])[..., 0]
        trial = _stepped(now, np.clip(np.nan_to_num(step), -50.0, 50.0))
        new_residual, new_slopes, new_depth = _linearised(marks, trial)
        new_cost = _cost(marks, trial, new_residual, w)
        better = new_cost <= cost[live]
        gain = cost[live] - new_cost
        won = live[better]
        for old, new in zip(
            (
                cameras.eye,
                cameras.turn,
                cameras.focal,
                cameras.freed,
                residual,
                slopes,
                depth,
                cost,
            ),
            (
                trial.eye,
                trial.turn,
                trial.focal,
                trial.freed,
                new_residual,
                new_slopes,
                new_depth,
                new_cost,
            ),
            strict=True,
        ):
            old[won] = new[better]
        damping[live] = np.where(better, damping[live] / 6.0, damping[live] * 4.0)
        size = np.abs(step).max(axis=1)
        done = better & (gain <= tolerance * (1.0 + new_cost)) & (size < 1e-4)
        live = live[~done & (damping[live] < 1e10)]
        if not len(live):
            break
    behind = ((depth <= NEAR_M) & (weights > 0)).any(axis=1)
    return cameras, np.where(behind, np.inf, cost)


def _cost(marks: Marks, cameras: Cameras, residual: Array, weights: Array) -> Array:
    total = ((residual**2).sum(axis=-1) * weights).sum(axis=-1)
    if marks.focal is not None:
        total = total + (np.log(cameras.focal / marks.focal) / FOCAL_SIGMA) ** 2
    return total


def _normal_equations(
    marks: Marks, cameras: Cameras, residual: Array, slopes: Array, weights: Array
) -> tuple[Array, Array]:
    root = np.sqrt(weights)[..., None]
    many = len(cameras), -1
    flat = (slopes * root[..., None]).reshape(*many, slopes.shape[-1])
    left = (residual * root).reshape(many)
    normal = np.einsum("bmi,bmj->bij", flat, flat, optimize=True)
    gradient = np.einsum("bmi,bm->bi", flat, left)
    if marks.focal is not None:
        normal[:, 6, 6] += FOCAL_SIGMA**-2
        gradient[:, 6] += np.log(cameras.focal / marks.focal) / FOCAL_SIGMA**2
    return normal, gradient


def information(marks: Marks, camera: Cameras) -> Array:
    """The normal matrix (7 + k, 7 + k) of one camera and its marks; its inverse is the covariance of
    eye, attitude, log focal and freed dimensions."""
    residual, slopes, _ = _linearised(marks, camera)
    return _normal_equations(marks, camera, residual, slopes, weights_of(marks, camera))[0][0]


def covariance(marks: Marks, camera: Cameras) -> Array:
    """The covariance (7 + k, 7 + k); infinite on the diagonal where the marks leave it open."""
    normal = information(marks, camera)
    scale = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-30))
    value, vector = np.linalg.eigh(normal * scale * scale[:, None])
    inverse = vector / np.maximum(value, 1e-14) @ vector.T
    return inverse * scale * scale[:, None]


def surprising(chance: float, freedom: int) -> float:
    """The χ² that sound marks exceed with that chance."""
    return float(chdtri(max(freedom, 1), chance))
