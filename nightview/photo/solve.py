"""The camera of a photo from its marks: solved, judged, and kept as a derived file."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.light import cache
from nightview.photo import refusals
from nightview.photo.fit import (
    FOCAL_SIGMA,
    UNKNOWNS,
    Cameras,
    Marks,
    covariance,
    joined,
    projected,
    refined,
    surprising,
    weights_of,
)
from nightview.photo.image import FILM_DIAGONAL_M, PhotoImage
from nightview.photo.sight import in_picture, unhidden
from nightview.photo.start import starts
from nightview.photo.worth import usual_camera, worth_marking
from nightview.picture.camera import Camera
from nightview.scene.faults import choice, label
from nightview.scene.model import Scene
from nightview.scene.photo_model import Mark, Photo
from nightview.scene.photo_rules import marked
from nightview.site.build import Site, inside
from nightview.site.landmarks import Landmark, landmarks_of
from nightview.site.surface import Array
from nightview.units import shown

VERSION = "1"
"""Raised whenever a camera would come out differently, so that kept ones are not used."""
KEPT_FILES = 200
SOUND, ODD, WRONG = 1e-3, 3e-3, 1e-4
"""How seldom sound marks fit as badly: all together, one so that it is worth a word, one so that
it is refused."""
EITHER = 6.0
"""Two marks whose absence leaves χ² as near as this are both under suspicion."""
FINALISTS = 6
REVEAL_M = 0.15
"""What hides a point by less is its own reveal or eave, or the model's error."""
UNDER_GROUND_M = -1.5
TILTED_DEG = 20.0


@dataclass(frozen=True, eq=False)
class Solved:
    """The camera of a photo and how far it is to be trusted; pixels are those of the image.

    names : the marks, as messages call them. places : (n, 3) [m]. pixels : (n, 2), as marked.
    residual_px : (n, 2), where the camera shows each point less where it is marked.
    left_out_px : (n,), how far each mark is from where the others alone put it.
    corner_px : expected error (1σ, both ways together) of the house's corners in the picture, root
    mean square. worst_px, worst : the same of the worst corner, and its name.
    position_sigma_m : of the eye. focal_sigma : relative. warnings : in plain words.
    """

    camera: Camera
    names: tuple[str, ...]
    places: Array
    pixels: Array
    residual_px: Array
    left_out_px: Array
    corner_px: float
    worst_px: float
    worst: str
    position_sigma_m: float
    focal_sigma: float
    warnings: tuple[str, ...] = ()

    @property
    def focal_px(self) -> float:
        """Focal length in pixels of the image."""
        return 1.0 / self.camera.pixel_tan

    @property
    def focal_35mm_m(self) -> float:
        """Focal length as on 35 mm film, by the diagonal [m]."""
        diagonal = float(np.hypot(self.camera.width, self.camera.height))
        return self.focal_px / diagonal * FILM_DIAGONAL_M

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the marks from where the camera shows their points [px]."""
        return float(np.sqrt((self.residual_px**2).sum(axis=1).mean()))


def solved_of(site: Site, photo: Photo, image: PhotoImage) -> Solved:
    """The camera of a photo, from the kept file if its marks and the model have not changed.

    Errors: NightviewError for unknown point names and marks off the picture; RefusedError where
    the camera cannot be told.
    """
    where = label("photo", photo.name)
    marks = marks_of(site.scene, photo, image)

    def suggest(camera: Camera | None = None) -> str:
        known = None if camera is None else marks
        told = worth_marking(site, camera or usual_camera(site, image.size), known)
        fresh = [mark for mark in told if mark.name not in marks.names and _adds(mark, marks)]
        return " or ".join(shown(mark.name) for mark in fresh[:2])

    def seen(camera: Camera, places: Array) -> NDArray[np.bool_]:
        found = in_picture(camera, places)
        found[found] = unhidden(site, camera.eye, places[found], short_m=REVEAL_M)
        return found

    refusals.check_marks(where, marks, suggest)
    landmarks = landmarks_of(site.scene)
    key = _key(marks, list(landmarks.values()))
    solved = _kept(key)
    if solved is None:
        corners = [mark for mark in landmarks.values() if mark.kind == "house"]
        ask = Asked(where, corners or list(landmarks.values()), photo.focal_35mm_m is None, suggest, seen,
                    lambda camera: _nowhere(site, camera))  # fmt: skip
        solved = solve(marks, ask)
        _keep(key, solved)
    return replace(solved, warnings=(*solved.warnings, *_warnings(site, solved)))


def marks_of(scene: Scene, photo: Photo, image: PhotoImage) -> Marks:
    """The marks of a photo in the image's pixels. Errors as ``solved_of``."""
    where = label("photo", photo.name)
    known = landmarks_of(scene)
    width, height = (side / image.scale for side in image.size)
    places, names = [], []
    for number, mark in enumerate(photo.marks):
        places.append(place_of(mark, known, f"{where}: marks, entry {number + 1}"))
        names.append(mark.point if mark.point is not None else marked(mark, number))
        if mark.pixel[0] > width or mark.pixel[1] > height:
            at = f"{mark.pixel[0]:g}, {mark.pixel[1]:g}"
            raise NightviewError(
                f"{where}: {marked(mark, number)}", f"pixel {at} is off the picture",
                f"{image.name} is {width:.0f} x {height:.0f} pixels, turned upright",
            )  # fmt: skip
    focal = photo.focal_35mm_m if photo.focal_35mm_m is not None else image.focal_35mm_m
    return Marks.of(
        tuple(names), np.array(places), np.array([m.pixel for m in photo.marks]) * image.scale,
        np.array([m.sigma_px for m in photo.marks]) * image.scale, image.size, focal, photo.model_sigma_m,
    )  # fmt: skip


def checked_marks(scene: Scene, photo: Photo, image: PhotoImage) -> Marks:
    """The marks of a photo, if they are enough and spread. Errors as ``solved_of``."""
    marks = marks_of(scene, photo, image)
    refusals.check_marks(label("photo", photo.name), marks, lambda: "")
    return marks


def place_of(mark: Mark, known: dict[str, Landmark], where: str) -> Array:
    """The place of a mark's point (3,) [m]. Errors: NightviewError for an unknown name."""
    if mark.point is None:
        return np.asarray(mark.at_m, float)
    if mark.point not in known:
        near = choice(mark.point, known, "").partition("? ")
        meant = f"{near[0]}? " if near[1] else ""
        raise NightviewError(
            where, f"point = {shown(mark.point)} is no named point of the model",
            f"{meant}nightview match SCENE --points lists them",
        )  # fmt: skip
    return known[mark.point].place


def _adds(mark: Landmark, marks: Marks) -> bool:
    """Whether a point lies off the plane of the marks, where they lie in one."""
    if len(marks) < 3:
        return True
    middle = marks.places.mean(axis=0)
    _, value, way = np.linalg.svd(marks.places - middle, full_matrices=True)
    if value[-1] / np.sqrt(len(marks)) > refusals.THIN_M and len(value) == 3:
        return True
    return bool(abs((mark.place - middle) @ way[2]) > 5.0 * refusals.THIN_M)


# --- the fit --------------------------------------------------------------------------------------


def best_fits(marks: Marks, begin: Cameras | None = None) -> tuple[Cameras, Array]:
    """The best few cameras for marks and their χ², the best first; χ² is inf if none sees them all.

    begin : where to start from; by default everywhere about.
    """
    begin = starts(marks) if begin is None else begin
    rough, cost = refined(marks, _copy(begin), _even(marks, len(begin)))
    order = np.argsort(cost)[:FINALISTS]
    return _settled(marks, rough.at(order), np.ones((len(order), len(marks))))


def _even(marks: Marks, count: int) -> Array:
    """Weights for the first steps, in which depths are not known: alike but for the clicks' own."""
    spread = np.sqrt(marks.places.var(axis=0).sum())
    spread_px = np.sqrt(marks.pixels.var(axis=0).sum())
    model_px = marks.model_sigma_m * spread_px / max(float(spread), 1e-3)
    return np.repeat((1.0 / (marks.sigma_px**2 + model_px**2))[None], count, axis=0)


def _settled(marks: Marks, cameras: Cameras, used: Array) -> tuple[Cameras, Array]:
    """Cameras refined with weights by their own depths, sorted by χ². used : (b, n), 0 or 1."""
    cost = np.full(len(cameras), np.inf)
    for _ in range(3):
        cameras, cost = refined(marks, cameras, weights_of(marks, cameras) * used, steps=30)
    if (used == 1).all():
        order = np.argsort(cost)
        return cameras.at(order), cost[order]
    return cameras, cost


def _copy(cameras: Cameras) -> Cameras:
    return Cameras(
        cameras.eye.copy(), cameras.turn.copy(), cameras.focal.copy(), cameras.freed.copy()
    )


@dataclass(frozen=True, eq=False)
class LeftOut:
    """What the marks say of each other: cameras and chi2 (n,) without each; off_px (n,), how far each mark is from
    where the others put it; off_m (n,), the same in the model at that depth; surprise (n,), the
    square of that in units of what is expected, χ² of two."""

    cameras: Cameras
    chi2: Array
    off_px: Array
    off_m: Array
    surprise: Array


def leave_one_out(marks: Marks, begin: Cameras) -> LeftOut:
    """Each mark judged by a camera from all others, refined from the best of some cameras."""
    n, b = len(marks), len(begin)
    tried = joined([begin] * n)
    used = np.repeat(1.0 - np.eye(n), b, axis=0)
    if b > 1:
        tried, cost = refined(marks, tried, _even(marks, n * b) * used)
        best = np.arange(n) * b + np.argmin(cost.reshape(n, b), axis=1)
        tried, used = tried.at(best), used[best]
    found, chi2 = _settled(marks, _copy(tried), used)
    off_px, off_m, surprise = (np.zeros(n) for _ in range(3))
    weights = weights_of(marks, found)
    for k in range(n):
        one = found.at([k])
        pixels, depth, slopes = projected(one, marks.places[k : k + 1], marks.size)
        off = pixels[0, 0] - marks.pixels[k]
        own = slopes[0, 0]
        expected = (
            np.eye(2) / weights[k, k]
            + own @ covariance(marks.without(k), one)[:UNKNOWNS, :UNKNOWNS] @ own.T
        )
        off_px[k] = np.linalg.norm(off)
        off_m[k] = off_px[k] * max(depth[0, 0], 0.0) / one.focal[0]
        surprise[k] = off @ np.linalg.solve(expected, off)
    return LeftOut(found, chi2, off_px, off_m, surprise)


def _check_exchanged(where: str, marks: Marks) -> None:
    """No two marks that make all fit if each has the other's pixel.

    A camera from all others finds them: it need not know where the two belong.
    """
    begin = starts(marks)
    order = np.argsort(refined(marks, _copy(begin), _even(marks, len(begin)))[1])[: 4 * FINALISTS]
    begin = begin.at(order)
    pairs = list(itertools.combinations(range(len(marks)), 2))
    without = np.ones((len(pairs), len(marks)))
    for number, pair in enumerate(pairs):
        without[number, list(pair)] = 0.0
    used = np.repeat(without, len(begin), axis=0)
    tried, cost = refined(marks, joined([begin] * len(pairs)), _even(marks, len(used)) * used)
    cost = cost.reshape(len(pairs), -1)
    for number in np.argsort(cost.min(axis=1))[: 2 * FINALISTS]:
        i, j = pairs[number]
        which = number * len(begin) + np.argmin(cost[number])
        order = np.arange(len(marks))
        order[[i, j]] = j, i
        turned = replace(marks, pixels=marks.pixels[order])
        best, chi2 = _settled(turned, _copy(tried.at([which])), np.ones((1, len(marks))))
        if chi2[0] <= surprising(SOUND, marks.freedom):
            told = refusals.exchanged(where, [marks.names[i], marks.names[j]])
            raise told.with_guess(best.camera(marks.size))


@dataclass(frozen=True, eq=False)
class Asked:
    """What a solution is asked for, beside its marks.

    corners : the points by which its error is told. own : whether the focal length is the file's.
    suggest : names points worth marking from a camera. seen : which of places (n, 3) a camera has
    in sight. nowhere : why nobody can have stood at a camera's place, or "".
    """

    where: str
    corners: Sequence[Landmark]
    own: bool
    suggest: Callable[[Camera | None], str]
    seen: Callable[[Camera, Array], NDArray[np.bool_]]
    nowhere: Callable[[Camera], str]


def solve(marks: Marks, ask: Asked) -> Solved:
    """The camera of marks that are enough and spread. Errors: RefusedError."""
    where = ask.where
    cameras, chi2 = best_fits(marks)
    fits = bool(chi2[0] <= surprising(SOUND, marks.freedom))
    if not fits:
        turned = best_fits(marks.mirrored())[1][0]
        if turned <= surprising(SOUND, marks.freedom):
            raise refusals.mirrored(where)
        if not np.isfinite(chi2[0]):
            _check_exchanged(where, marks)
            raise refusals.no_camera(where)
    if marks.focal is not None and len(marks) >= refusals.LEAST_MARKS:
        _check_crop(where, marks, cameras.at([0]), ask.own)
    best = cameras.at([0])
    out = leave_one_out(marks, best if fits else starts(marks))
    _check_each(where, marks, best, out, fits)
    if why := ask.nowhere(best.camera(marks.size)):
        raise refusals.no_camera(where, f": {why}")
    solved = _with_errors(marks, best, float(chi2[0]), ask, out)
    limit_px = refusals.CORNER_SHARE * marks.size[0]
    off_px, corner = 2.0 * solved.worst_px, solved.worst
    for other in range(1, len(cameras)):  # another place to stand that fits about as well
        if chi2[other] < chi2[0] + EITHER:
            apart, name = _apart(solved.camera, cameras.camera(marks.size, other), ask)
            if apart > max(off_px, limit_px):
                off_px, corner = apart, name
    if off_px > limit_px:
        raise refusals.uncertain(
            where, off_px, corner, limit_px, lambda: ask.suggest(solved.camera)
        ).with_guess(solved.camera)
    return solved


def _check_crop(where: str, marks: Marks, camera: Cameras, own: bool) -> None:
    """The marks' own focal length against the stated one."""
    free = replace(marks, focal=None)
    found, chi2 = best_fits(free, camera)
    if chi2[0] > surprising(SOUND, free.freedom) or marks.focal is None:
        return
    sigma = float(np.sqrt(covariance(free, found.at([0]))[6, 6]))
    apart = float(np.log(found.focal[0] / marks.focal))
    if abs(apart) > max(refusals.CROPPED, 3.0 * float(np.hypot(sigma, FOCAL_SIGMA))):
        mm = 1e3 * FILM_DIAGONAL_M / float(np.hypot(*marks.size))
        fits_mm = float(found.focal[0]) * mm
        told = refusals.cropped(where, fits_mm, fits_mm * sigma, marks.focal * mm, own)
        raise told.with_guess(found.camera(marks.size))


def _check_each(where: str, marks: Marks, best: Cameras, out: LeftOut, fits: bool) -> None:
    """No mark contradicts the others."""
    worst = int(np.argmax(out.surprise))
    if fits and out.surprise[worst] <= surprising(WRONG, 2):
        return
    without = marks.freedom - 2
    if without >= 1 and out.chi2.min() <= surprising(SOUND, without):
        first = int(np.argmin(out.chi2))
        others = [
            k for k in np.argsort(out.chi2) if k != first and out.chi2[k] < out.chi2[first] + EITHER
        ]
        names = [marks.names[k] for k in [first, *others[:2]]]
        told = refusals.wrong_mark(where, names, float(out.off_px[first]), float(out.off_m[first]))
        raise told.with_guess(out.cameras.camera(marks.size, first))
    if not fits:
        _check_exchanged(where, marks)
        off = np.linalg.norm(projected(best, marks.places, marks.size)[0][0] - marks.pixels, axis=1)
        order = np.argsort(-off)[:2]
        rms = float(np.sqrt((off**2).mean()))
        told = refusals.misfit(where, rms, [(marks.names[k], float(off[k])) for k in order])
        raise told.with_guess(best.camera(marks.size))


def _with_errors(marks: Marks, best: Cameras, chi2: float, ask: Asked, out: LeftOut) -> Solved:
    """The solution with what is to be expected of it."""
    camera = best.camera(marks.size)
    spread = covariance(marks, best)[:UNKNOWNS, :UNKNOWNS] * max(1.0, chi2 / max(marks.freedom, 1))
    seen = _in_sight(camera, ask)
    names = [mark.name for mark in seen] or list(marks.names)
    places = np.array([mark.place for mark in seen]) if seen else marks.places
    error = corner_errors(best, spread, places, marks.size)
    worst = int(np.argmax(error))
    pixels = projected(best, marks.places, marks.size)[0][0]
    odd = [
        f"mark {shown(marks.names[k])} may be off: the others put it {out.off_px[k]:.0f} px away"
        for k in np.flatnonzero(out.surprise > surprising(ODD, 2))
    ]
    return Solved(
        camera, marks.names, marks.places, marks.pixels, pixels - marks.pixels, out.off_px,
        float(np.sqrt((error**2).mean())), float(error[worst]), names[worst],
        float(np.sqrt(np.trace(spread[:3, :3]))), float(np.sqrt(spread[6, 6])), tuple(odd),
    )  # fmt: skip


def _in_sight(camera: Camera, ask: Asked) -> list[Landmark]:
    """The corners that the camera sees."""
    places = np.array([mark.place for mark in ask.corners]).reshape(-1, 3)
    return [mark for mark, seen in zip(ask.corners, ask.seen(camera, places), strict=True) if seen]


def corner_errors(camera: Cameras, spread: Array, places: Array, size: tuple[int, int]) -> Array:
    """How far points (n, 3) may be off in the picture, 1σ of both ways together [px]: (n,)."""
    slopes = projected(camera, places, size)[2][0]
    each = np.einsum("nij,jk,nik->n", slopes, spread, slopes)
    return np.sqrt(np.maximum(each, 0.0))


def _apart(one: Camera, other: Camera, ask: Asked) -> tuple[float, str]:
    """How far the corners in sight lie apart for two cameras [px], and which is the worst."""
    seen = _in_sight(one, ask)
    if not seen:
        return 0.0, ""
    places = np.array([mark.place for mark in seen])
    far = np.linalg.norm(one.project(places)[0] - other.project(places)[0], axis=1)
    worst = int(np.argmax(far))
    return float(far[worst]), seen[worst].name


def _nowhere(site: Site, camera: Camera) -> str:
    """Why nobody can have stood there, or ""."""
    owner = inside(site, camera.eye)
    if owner:
        return f"the best one is inside {shown(owner)}"
    under = camera.eye[2] < UNDER_GROUND_M
    return f"the best one is {-camera.eye[2]:.1f} m under the ground" if under else ""


def _warnings(site: Site, solved: Solved) -> tuple[str, ...]:
    """What the solution makes odd in the model as it stands."""
    camera = solved.camera
    hidden = ~unhidden(site, camera.eye, solved.places, short_m=REVEAL_M)
    told = [
        f"mark {shown(solved.names[k])} would be hidden from there: is it the right point?"
        for k in np.flatnonzero(hidden)
    ]
    right, up, _ = camera.axes
    if up[2] < 0 or abs(right[2]) > np.sin(np.radians(TILTED_DEG)):
        told.append("the picture does not stand upright: turn the photo before marking it")
    return tuple(told)


# --- kept -----------------------------------------------------------------------------------------


def _key(marks: Marks, landmarks: Sequence[Landmark]) -> str:
    """By the marks, and by the model as far as its named points tell of it."""
    digest = hashlib.sha256(VERSION.encode())
    for array in (marks.places, marks.pixels, marks.sigma_px, *(mark.place for mark in landmarks)):
        digest.update(np.ascontiguousarray(array, float).tobytes())
    names = (*marks.names, *(mark.name for mark in landmarks))
    digest.update(repr((names, marks.size, marks.focal, marks.model_sigma_m)).encode())
    return digest.hexdigest()


def _folder() -> Path:
    return cache.folder() / "photo"


def _kept(key: str) -> Solved | None:
    """A kept solution, or None; a torn file is thrown away."""
    if not cache.enabled():
        return None
    path = _folder() / f"{key}.json"
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        found = _of_text(held, held.pop("camera"))
        os.utime(path)
        return found
    except FileNotFoundError:
        return None
    except Exception:  # a damaged file fails in many ways; none of them may stop the work
        with suppress(OSError):
            path.unlink(missing_ok=True)
        return None


def _of_text(held: dict[str, Any], camera: dict[str, Any]) -> Solved:
    for name in ("places", "pixels", "residual_px", "left_out_px"):
        held[name] = np.array(held[name])
    for name in ("names", "warnings"):
        held[name] = tuple(held[name])
    for name in ("eye", "target", "up"):
        camera[name] = np.array(camera[name])
    return Solved(Camera(**camera), **held)


def _keep(key: str, solved: Solved) -> None:
    """Keep a solution; quietly does nothing where the disk is full or closed to us."""
    if not cache.enabled():
        return
    held = {
        k: v.tolist() if isinstance(v, np.ndarray) else v
        for k, v in vars(solved).items()
        if k != "camera"
    }
    camera = solved.camera
    up = camera.axes[1] if camera.up is None else camera.up
    held["camera"] = {
        "eye": camera.eye.tolist(), "target": camera.target.tolist(), "fov_deg": camera.fov_deg,
        "width": camera.width, "height": camera.height, "up": up.tolist(),
    }  # fmt: skip
    temporary = None
    try:
        _folder().mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(
            "w", dir=_folder(), suffix=".part", delete=False, encoding="utf-8"
        ) as out:
            temporary = Path(out.name)
            json.dump(held, out)
        temporary.replace(_folder() / f"{key}.json")
        old = sorted(_folder().glob("*.json"), key=lambda f: f.stat().st_mtime)[:-KEPT_FILES]
        for path in old:
            path.unlink(missing_ok=True)
    except OSError:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
