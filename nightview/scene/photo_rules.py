"""What a photo's own table alone cannot show; rules as in ``rules.py``.

Whether a named point is one of the model is told later, where the model's points are known.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from nightview.scene.faults import Fault, Unread, label
from nightview.scene.model import Scene
from nightview.scene.photo_model import Mark, Photo
from nightview.units import shown

APART_PX = 1.0
"""Two marks nearer than this are on one pixel."""


def marked(mark: Mark, number: int) -> str:
    """How a mark is called in a message: by its point, or by its number in the list, from 0."""
    return shown(mark.point) if mark.point is not None else f"marks, entry {number + 1}"


def _photos_are_sound(scene: Scene, unread: Unread) -> Iterator[Fault]:
    for photo in scene.photos:
        place = label("photo", photo.name)
        for number, mark in enumerate(photo.marks):
            yield from _one_point(place, f"marks, entry {number + 1}", mark)
        if photo.shadow_of is not None:
            yield from _one_point(place, "shadow_of", photo.shadow_of)
        if photo.reference is not None:
            yield from _on_picture(place, "reference", photo.reference.pixel)
        yield from _marks_differ(place, photo)
        yield from _light_is_known(place, photo)


def _one_point(place: str, key: str, mark: Mark) -> Iterator[Fault]:
    if (mark.point is None) == (mark.at_m is None):
        problem = "has a point and an at" if mark.point is not None else "says of no point"
        remedy = 'write one of point = "a named point" and at = "x, y, z"'
        yield Fault(place, f"{key}: {problem}", remedy)
    yield from _on_picture(place, key, mark.pixel)


def _on_picture(place: str, key: str, pixel: tuple[float, float]) -> Iterator[Fault]:
    if min(pixel) < 0.0:
        where = f"{pixel[0]:g}, {pixel[1]:g}"
        remedy = "pixels count right and down from the picture's upper left corner"
        yield Fault(place, f"{key}: pixel {where} is off the picture", remedy)


def _marks_differ(place: str, photo: Photo) -> Iterator[Fault]:
    for (i, a), (j, b) in itertools.combinations(enumerate(photo.marks), 2):
        names = f"{marked(a, i)} and {marked(b, j)}"
        if a.point is not None and a.point == b.point:
            yield Fault(place, f"marks {shown(a.point)} twice", "drop one")
        elif a.at_m is not None and a.at_m == b.at_m:
            yield Fault(place, f"{names} are one point", "drop one")
        elif math.dist(a.pixel, b.pixel) < APART_PX:
            where = f"{b.pixel[0]:g}, {b.pixel[1]:g}"
            remedy = "two points that hide one another tell nothing: move or drop one"
            yield Fault(place, f"{names} are on one pixel, {where}", remedy)


def _light_is_known(place: str, photo: Photo) -> Iterator[Fault]:
    position = {"latitude": photo.latitude_deg, "longitude": photo.longitude_deg}
    when = {"time": photo.time, **position}
    given = [key for key, value in when.items() if value is not None]
    missing = [key for key, value in when.items() if value is None]
    if photo.time is not None and photo.time.utcoffset() is None:
        yield Fault(
            place, f"time = {photo.time.isoformat()} has no offset from UTC",
            f"write for example time = {photo.time.isoformat()}+02:00",
        )  # fmt: skip
    if photo.light == "overcast":
        told = [*given, *(["shadow_of"] if photo.shadow_of is not None else [])]
        if told:
            means = "means" if len(told) == 1 else "mean"
            remedy = f'write light = "sun", or drop {"it" if len(told) == 1 else "them"}'
            yield Fault(place, f"{_and(told)} {means} nothing under an overcast sky", remedy)
    elif photo.shadow_of is not None:
        if given:
            yield Fault(
                place, f"has shadow_of and {_and(given)}", "drop one: each tells where the sun is"
            )
    elif missing:
        problem = 'light = "sun" needs where the sun is' + (
            f": {_and(missing)} missing" if given else ""
        )
        yield Fault(
            place, problem, "add time, latitude and longitude, or shadow_of with point and pixel"
        )


def _and(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


PHOTO_RULES = (_photos_are_sound,)
