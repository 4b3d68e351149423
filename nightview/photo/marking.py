"""Marking a photo by hand, without the hand: what to show for the marks as they are."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.photo.fit import Marks
from nightview.photo.image import PhotoImage
from nightview.photo.overlay import wireframe
from nightview.photo.refusals import RefusedError
from nightview.photo.solve import Solved, marks_of, solved_of
from nightview.photo.worth import usual_camera, worth_marking
from nightview.picture.camera import Camera
from nightview.scene.photo_model import Photo
from nightview.site.build import Site
from nightview.site.landmarks import landmarks_of
from nightview.site.surface import Array

Pixel = tuple[float, float]


@dataclass(frozen=True)
class Row:
    """A point of the list. Pixels are the file's.

    pixel : where it is marked, or None. off_px : how far from where the camera shows it. shown :
    where the camera shows it, or None. order : of those worth marking next, from 1.
    """

    name: str
    what: str
    pixel: Pixel | None
    off_px: float | None
    shown: Pixel | None
    order: int | None


@dataclass(frozen=True, eq=False)
class Judged:
    """What the marks say.

    told : how the camera comes out, or why it does not. good : whether it does. segments : the
    wireframe in the image's pixels (k, 2, 2), and seen (k,), which of it is not hidden.
    """

    rows: tuple[Row, ...]
    told: str
    good: bool
    segments: Array
    seen: NDArray[np.bool_]

    def row(self, name: str) -> Row | None:
        """The row of a point."""
        return next((row for row in self.rows if row.name == name), None)

    @property
    def following(self) -> str:
        """The point worth marking next, or ""."""
        first = min(
            (row for row in self.rows if row.order), key=lambda row: row.order or 0, default=None
        )
        return "" if first is None else first.name


def judged(site: Site, photo: Photo, image: PhotoImage) -> Judged:
    """All points, and the camera as far as it is told.

    site : of the scene, whose photos may be older: only what stands counts.
    """
    camera: Camera | None = None
    marks: Marks | None = None
    try:
        marks = marks_of(site.scene, photo, image)
        solved = solved_of(site, photo, image)
        camera, told, good = solved.camera, _told(solved, image), True
    except RefusedError as error:
        told, good = _sentence(error), False
        camera = error.guess
    except NightviewError as error:
        told, good = f"{error.where}: {_sentence(error)}", False
    segments, seen = np.zeros((0, 2, 2)), np.zeros(0, bool)
    if camera is not None:
        segments, seen = wireframe(site, camera)
    return Judged(_rows(site, photo, image, camera, marks), told, good, segments, seen)


def _told(solved: Solved, image: PhotoImage) -> str:
    told = (
        f"Focal length {1e3 * solved.focal_35mm_m:.0f} mm as on 35 mm film; marks are off by "
        f"{solved.rms_px / image.scale:.1f} px; expected error of corners {solved.corner_px / image.scale:.0f} px."
    )
    return " ".join(
        [
            told,
            *(
                f"Mind: {warning.rstrip('.')}{'' if warning.endswith('?') else '.'}"
                for warning in solved.warnings
            ),
        ]
    )


def _sentence(error: NightviewError) -> str:
    problem = error.problem[:1].upper() + error.problem[1:]
    return f"{problem}; {error.remedy}." if error.remedy else f"{problem}."


def _rows(
    site: Site, photo: Photo, image: PhotoImage, camera: Camera | None, marks: Marks | None
) -> tuple[Row, ...]:
    """Those worth marking next first, then the marked ones, then all others."""
    known = landmarks_of(site.scene)
    pixels = {mark.point: mark.pixel for mark in photo.marks if mark.point is not None}
    worth = worth_marking(site, camera or usual_camera(site, image.size), marks if camera else None)
    first = [mark.name for mark in worth if mark.name not in pixels]
    shown: dict[str, Pixel] = {}
    if camera is not None and known:
        places, depth = camera.project(np.array([mark.place for mark in known.values()]))
        for name, place, far in zip(known, places / image.scale, depth, strict=True):
            if far > 0:
                shown[name] = (float(place[0]), float(place[1]))
    rows = []
    for name in dict.fromkeys([*first, *pixels, *known]):
        at, there = pixels.get(name), shown.get(name)
        off = (
            None
            if at is None or there is None
            else float(np.hypot(at[0] - there[0], at[1] - there[1]))
        )
        what = known[name].what if name in known else "no point of the model"
        rows.append(
            Row(name, what, at, off, there, first.index(name) + 1 if name in first else None)
        )
    return tuple(rows)


def typed(text: str, image: PhotoImage) -> Pixel:
    """A pixel of the file from "812, 455". Errors: NightviewError for what is none."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*[,; ]\s*(\d+(?:\.\d+)?)\s*", text)
    if not found:
        raise NightviewError("pixel", f'"{text}" is no pixel', 'write for example "812, 455"')
    x, y = float(found[1]), float(found[2])
    width, height = (side / image.scale for side in image.size)
    if x > width or y > height:
        raise NightviewError(
            "pixel", f"{x:g}, {y:g} is off the picture", f"it is {width:.0f} x {height:.0f} pixels"
        )
    return x, y
