"""A house of our own for the tests of photos, cameras before it, and marks with honest errors."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from PIL import Image

import nightview as nv
from nightview.photo.fit import Marks
from nightview.photo.solve import Asked
from nightview.photo.worth import worth_marking
from nightview.picture.camera import Camera
from nightview.scene.read import parse
from nightview.site.build import Site
from nightview.site.landmarks import landmarks_of

HOUSE = """
title = "a photographed house"
[ground]
size = "50 m, 40 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "9 m, 6 m"
height = "3.2 m"
[block.roof]
kind = "gable"
pitch = "40 deg"
overhang = "0.4 m"
[[block]]
name = "wing"
at = "9 m, 1.5 m"
size = "3.5 m, 4 m"
height = "2.6 m"
[block.roof]
kind = "hip"
pitch = "30 deg"
overhang = "0.3 m"
[[opening]]
name = "front door"
block = "house"
kind = "door"
along = "4.5 m"
sill = "0.15 m"
size = "1 m, 2.1 m"
[[opening]]
name = "parlour"
block = "house"
along = "1.8 m"
sill = "0.9 m"
size = "1.4 m, 1.3 m"
[[opening]]
name = "study"
block = "house"
along = "7.2 m"
sill = "0.9 m"
size = "1.4 m, 1.3 m"
[[porch]]
name = "porch"
block = "house"
along = "4.5 m"
size = "2.6 m, 1.7 m"
height = "2.4 m"
roof = "gable"
[[chimney]]
name = "chimney"
at = "1.5 m, 3 m"
top = "7 m"
[[wall]]
name = "low wall"
line = ["-3 m, -6 m", "2 m, -6 m"]
height = "0.8 m"
"""
SIZE = (1600, 1067)


def site_of(text: str = HOUSE) -> Site:
    """The site of a scene's text."""
    return nv.build(parse(text))


def camera_at(
    turn_deg: float = 12.0, away_m: float = 14.0, fov_deg: float = 62.0, roll_deg: float = 0.8
) -> Camera:
    """One who stands so far from the house's middle, so far to its right, holding a camera."""
    turn = np.radians(turn_deg)
    eye = np.array([5.5 + away_m * np.sin(turn), 1.0 - away_m * np.cos(turn), 1.62])
    level = Camera(eye, np.array([5.3, 1.0, 2.3]), fov_deg, *SIZE)
    right, up, _ = level.axes
    return Camera(eye, level.target, fov_deg, *SIZE, up + np.tan(np.radians(roll_deg)) * right)


def marks_at(
    site: Site, camera: Camera, names: Sequence[str], rng: np.random.Generator | None = None,
    click_px: float = 3.0, model_m: float = 0.02, focal_35mm_m: float | None = None,
) -> Marks:  # fmt: skip
    """Marks of named points: exact, or with the model and the clicks off by so much each way."""
    known = landmarks_of(site.scene)
    true = np.array([known[name].place for name in names]).reshape(-1, 3)
    places, pixels = true.copy(), camera.project(true)[0]
    if rng is not None:
        places = true + rng.normal(0.0, model_m, true.shape)
        pixels = pixels + rng.normal(0.0, click_px, pixels.shape)
    return Marks.of(tuple(names), places, pixels, 3.0, SIZE, focal_35mm_m)


def spread_names(site: Site, camera: Camera, count: int = 8) -> list[str]:
    """The points that the program itself says are worth marking."""
    return [mark.name for mark in worth_marking(site, camera, most=count)]


def asked(site: Site) -> Asked:
    """A plain question: all corners of houses in the picture count."""
    from nightview.photo.sight import in_picture, unhidden

    def seen(camera, places):  # type: ignore[no-untyped-def]
        found = in_picture(camera, places)
        found[found] = unhidden(site, camera.eye, places[found], 0.15)
        return found

    corners = [mark for mark in landmarks_of(site.scene).values() if mark.kind == "house"]
    return Asked('photo "front"', corners, True, lambda camera: "", seen, lambda camera: "")


def grey(path: Path, size: tuple[int, int] = SIZE) -> Path:
    """A plain picture file."""
    Image.new("RGB", size, (128, 140, 150)).save(path, quality=60)
    return path


def table(names: Sequence[str], pixels, more: str = "") -> str:  # type: ignore[no-untyped-def]
    """A photo's table for a scene file."""
    marks = "".join(
        f'  {{ point = "{name}", pixel = [{x:.9f}, {y:.9f}] }},\n'
        for name, (x, y) in zip(names, pixels, strict=True)
    )
    return f'\n[[photo]]\nname = "front"\nfile = "front.jpg"\nmarks = [\n{marks}]\n{more}'
