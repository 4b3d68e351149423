"""Which points are worth marking: those that tell most of the camera beyond what is known.

Each in turn is the one that shrinks the camera's uncertainty most (the volume of its ellipsoid, as
in D-optimal experiments: Atkinson & Donev 1992, from memory). So points at the picture's edges and,
above all, at other depths come first by themselves. The first few are then exchanged for others as
long as that lessens the expected error of the house's corners in sight (Fedorov's exchange, 1972).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightview.photo.fit import Cameras, Marks, information, of_camera, projected
from nightview.photo.sight import in_picture, unhidden
from nightview.picture.camera import Camera
from nightview.site.build import Site
from nightview.site.landmarks import Landmark, landmarks_of
from nightview.site.surface import Array

FIRST, SET, EXCHANGES = 12, 8, 6
"""So many are put forward, and so many chosen as a set: past eight the model's own errors rule."""
HARSH = 3.0
CLICK_PX, MODEL_M, SOFT_M = 3.0, 0.02, 0.08
"""How far a click and the model may be off; of edges of paving, which are softer. Ours."""
PRIOR = (10.0, 10.0, 10.0, 1.0, 1.0, 1.0, 0.5)
"""How little is known of eye [m], attitude [rad] and log focal length before any mark."""
CLEAR_PX = 0.012
"""No point is put forward so near to a marked one, in widths of the picture."""
MARGIN = 0.01
EYE_M = 1.6


def usual_camera(site: Site, size: tuple[int, int] = (1600, 1067)) -> Camera:
    """A camera to judge by while none is solved: the scene's first view, or before the middle."""
    if site.scene.views:
        return Camera.of(site.scene.views[0], size)
    low, high = site.bounds
    target = (low + high) / 2
    away = 1.3 * max(float(high[0] - low[0]), 1.6 * float(high[2] - low[2]), 3.0)
    eye = np.array([target[0] + 0.35 * away, low[1] - away, EYE_M])
    return Camera(eye, target, 60.0, *size)


def worth_marking(
    site: Site, camera: Camera, marks: Marks | None = None, most: int = FIRST
) -> list[Landmark]:
    """The landmarks in sight that are not marked yet, the most telling first."""
    known = landmarks_of(site.scene).values()
    marked = () if marks is None else marks.names
    found = [mark for mark in known if mark.name not in marked]
    if not found:
        return []
    places = np.array([mark.place for mark in found])
    seen = in_picture(camera, places, MARGIN)
    seen[seen] = unhidden(site, camera.eye, places[seen])
    found, places = [m for m, s in zip(found, seen, strict=True) if s], places[seen]
    if not found:
        return []
    fitted = of_camera(camera)
    normal = np.diag(np.array(PRIOR) ** -2.0)
    taken = np.zeros((0, 2))
    if marks is not None:
        normal = normal + information(marks, _bare(fitted, marks))[:7, :7]
        taken = marks.pixels
    pixels, depth, slopes = projected(fitted, places, (camera.width, camera.height))
    model_m = np.array([SOFT_M if mark.kind == "ground" else MODEL_M for mark in found])
    variance = CLICK_PX**2 + (model_m * fitted.focal[0] / depth[0]) ** 2
    house = np.array([mark.kind == "house" for mark in found])
    asked = slopes[0][house] if house.any() else slopes[0]
    told = np.einsum("nij,nik->njk", slopes[0], slopes[0]) / variance[:, None, None]
    far = _far(pixels[0], taken, CLEAR_PX * camera.width)
    chosen = _greedy(normal, told, far, most)
    few = chosen[: max(SET - len(taken), 0)]
    few = _exchanged(normal, told, asked, far, few)
    order = [few[n] for n in _greedy(normal, told[few], far[few][:, few], len(few))]
    return [found[n] for n in _greedy(normal, told, far, most, order)]


def _bare(camera: Cameras, marks: Marks) -> Cameras:
    return Cameras(camera.eye, camera.turn, camera.focal, np.zeros((1, marks.moves.shape[2])))


def _far(pixels: Array, taken: Array, apart_px: float) -> NDArray[np.bool_]:
    """Which points may be marked beside which, (n, n); on the diagonal, which may be at all."""
    far = np.linalg.norm(pixels[:, None] - pixels, axis=2) > apart_px
    free = (np.linalg.norm(pixels[:, None] - taken, axis=2) > apart_px).all(axis=1)
    return np.where(np.eye(len(pixels), dtype=bool), free[:, None], far)


def _greedy(
    normal: Array, told: Array, far: NDArray[np.bool_], most: int, first: Sequence[int] = ()
) -> list[int]:
    """Numbers of points, each the one that gains most after those before it.

    told : (n, 7, 7), what each adds to the normal matrix. first : those that are chosen already.
    """
    chosen = list(first)
    normal = normal + told[chosen].sum(axis=0)
    while len(chosen) < most:
        open_ = np.diag(far) & far[:, chosen].all(axis=1)
        open_[chosen] = False
        if not open_.any():
            break
        gain = np.linalg.slogdet(normal + told)[1]
        best = int(np.argmax(np.where(open_, gain, -np.inf)))
        chosen.append(best)
        normal = normal + told[best]
    return chosen


def _exchanged(
    normal: Array, told: Array, asked: Array, far: NDArray[np.bool_], chosen: list[int]
) -> list[int]:
    """The chosen points, each exchanged for the one that serves the asked best, until none is better.

    asked : (m, 2, 7), the slopes of what is to come out well; a large error weighs more than two
    half as large, since one crooked corner spoils the picture.
    """
    chosen = list(chosen)

    def error(total: Array) -> Array:
        spread = np.linalg.inv(total)
        variance = np.einsum("mij,njk,mik->nm", asked, spread, asked, optimize=True)
        return (variance**HARSH).sum(axis=1)

    for _ in range(EXCHANGES):
        before = list(chosen)
        for k in range(len(chosen)):
            rest = chosen[:k] + chosen[k + 1 :]
            open_ = np.diag(far) & far[:, rest].all(axis=1)
            open_[rest] = False
            left = error(normal + told[rest].sum(axis=0) + told)
            chosen[k] = int(np.argmin(np.where(open_, left, np.inf)))
        if chosen == before:
            break
    return chosen
