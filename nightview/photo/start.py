"""Where the fitting of a camera begins: a linear solution, and photographers standing about."""

from __future__ import annotations

import numpy as np

from nightview.photo.fit import Cameras, Marks, joined
from nightview.site.surface import Array

LINEAR_MARKS = 6
"""So many points and more give the eleven numbers of a projection."""
EYE_M, ROUND = 1.6, 16
"""Photographers stand upright, in so many places all about."""
FOCALS = (0.6, 1.0, 1.7)
"""Focal lengths tried where none is stated, in widths of the picture: 22 to 61 mm as on film."""


def starts(marks: Marks) -> Cameras:
    """Cameras to refine from: all of them see the marks about where they are."""
    parts = [_standing(marks)]
    if len(marks) >= LINEAR_MARKS:
        parts.append(linear(marks))
    return joined(parts)


def linear(marks: Marks) -> Cameras:
    """One camera by the direct linear transform, forced to square pixels about the middle.

    Hartley & Zisserman (2004), algorithm 7.1 with the scaling of section 4.4.4, from memory: each
    point gives two rows of A·p = 0 and p is the least singular vector. Needs six points or more.
    """
    centre, spread = marks.places.mean(axis=0), marks.places.std() * np.sqrt(3.0)
    points = np.column_stack([(marks.places - centre) / spread, np.ones(len(marks))])
    # To the right and up about the picture's middle, in half widths.
    half = np.array(marks.size) / 2.0
    x, y = ((marks.pixels - half) / half[0] * [1.0, -1.0]).T
    zero = np.zeros_like(points)
    rows = np.concatenate(
        [
            np.hstack([points, zero, -x[:, None] * points]),
            np.hstack([zero, points, -y[:, None] * points]),
        ]
    )
    projection = np.linalg.svd(rows)[2][-1].reshape(3, 4)
    body = projection[:, :3]
    ahead = body[2] / (np.linalg.norm(body[2]) + 1e-30)
    if points[:, :3].mean(axis=0) @ projection[2, :3] + projection[2, 3] < 0:
        projection, body, ahead = -projection, -body, -ahead
    norm = np.linalg.norm(body[2]) + 1e-30
    body, last = body / norm, projection[:, 3] / norm
    # Rows are f·right + x0·ahead and f·up + y0·ahead; the middle is known to be at 0, 0.
    side = body[:2] - (body[:2] @ ahead)[:, None] * ahead
    focal = float(np.sqrt(np.linalg.norm(side[0]) * np.linalg.norm(side[1])))
    eye = centre - spread * np.linalg.lstsq(body, last, rcond=None)[0]
    wanted = np.stack([side[0] / (focal + 1e-30), side[1] / (focal + 1e-30), ahead])
    turn = _nearest_turn(wanted[None])[0]
    focal_px = np.clip(focal * half[0], 0.2 * marks.size[0], 20.0 * marks.size[0])
    return Cameras(
        np.nan_to_num(eye)[None],
        turn[None],
        np.array([focal_px]),
        np.zeros((1, marks.moves.shape[2])),
    )


def _standing(marks: Marks) -> Cameras:
    """Photographers all round the marks, at the distance from which they fill so much of the picture,
    each turned so that the marks come as near their pixels as may be."""
    focals = [marks.focal] if marks.focal is not None else [f * marks.size[0] for f in FOCALS]
    centre = marks.places.mean(axis=0)
    reach = np.sqrt(((marks.places - centre) ** 2).sum(axis=1).mean())
    pixels = marks.pixels - marks.pixels.mean(axis=0)
    reach_px = max(float(np.sqrt((pixels**2).sum(axis=1).mean())), 1.0)
    eyes, focal_of = [], []
    for each in focals:
        away = max(each * reach / reach_px, 0.5)
        for turn in np.arange(ROUND) * 2 * np.pi / ROUND:
            out = away * np.array([np.cos(turn), np.sin(turn)])
            eyes.append([*(centre[:2] + out), EYE_M])
            focal_of.append(each)
    eye, focal = np.array(eyes), np.array(focal_of)
    return Cameras(
        eye, turned_to(marks, eye, focal), focal, np.zeros((len(eye), marks.moves.shape[2]))
    )


def turned_to(marks: Marks, eye: Array, focal: Array) -> Array:
    """The attitudes (b, 3, 3) in which cameras at eyes (b, 3) see the marks nearest their pixels.

    Wahba's problem between the ways to the points and the ways of the pixels, by Kabsch's singular
    vectors (1976).
    """
    ways = marks.places - eye[:, None]
    ways /= np.linalg.norm(ways, axis=2, keepdims=True) + 1e-30
    half = np.array(marks.size) / 2.0
    side = np.broadcast_to((marks.pixels - half) * [1.0, -1.0], (len(eye), len(marks), 2))
    rays = np.concatenate(
        [side, np.broadcast_to(focal[:, None, None], (*side.shape[:2], 1))], axis=2
    )
    rays = rays / np.linalg.norm(rays, axis=2, keepdims=True)
    return _nearest_turn(np.einsum("bni,bnj->bij", rays, ways))


def _nearest_turn(wanted: Array) -> Array:
    """The frames of right, up and ahead nearest to matrices (b, 3, 3).

    Right, up, ahead is left-handed (right × up points back), so the determinant is −1.
    """
    left, _, right = np.linalg.svd(wanted)
    sign = -np.sign(np.linalg.det(left @ right))
    left[:, :, 2] *= np.where(sign == 0, 1.0, sign)[:, None]
    return left @ right
