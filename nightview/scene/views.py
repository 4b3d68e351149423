"""Views by name, and plain names for files."""

from __future__ import annotations

import re
from collections.abc import Sequence

from nightview.errors import NightviewError
from nightview.scene.faults import choice
from nightview.scene.model import View
from nightview.scene.photo_model import Photo


def view_of(views: Sequence[View], name: str) -> View:
    """The view of that name. Errors: NightviewError naming those there are."""
    for view in views:
        if view.name == name:
            return view
    known = ", ".join(f'"{view.name}"' for view in views)
    raise NightviewError(
        f'view "{name}"', "the scene has no view of that name",
        f"it has {known}" if known else "add a [[view]] table with name, eye and target",
    )  # fmt: skip


def photo_of(photos: Sequence[Photo], name: str) -> Photo:
    """The photo of that name. Errors: NightviewError naming those there are."""
    for photo in photos:
        if photo.name == name:
            return photo
    known = [photo.name for photo in photos]
    raise NightviewError(
        f'photo "{name}"', "the scene has no photo of that name",
        choice(name, known, "it has") if known
        else "add a [[photo]] table with name, file and marks",
    )  # fmt: skip


def file_names(scene_stem: str, views: Sequence[View]) -> dict[str, str]:
    """A plain file name for each view's still, by the view's name; like ones are numbered."""
    names = numbered([plain(view.name) or "view" for view in views])
    return {view.name: f"{scene_stem}-{name}.png" for view, name in zip(views, names, strict=True)}


def photo_stems(scene_stem: str, photos: Sequence[Photo]) -> dict[str, str]:
    """The same for what is made of each photo, without an ending."""
    names = numbered([plain(photo.name) or "photo" for photo in photos])
    return {photo.name: f"{scene_stem}-{own}" for photo, own in zip(photos, names, strict=True)}


def numbered(names: Sequence[str]) -> list[str]:
    """The names with a number at the end where one was taken before."""
    found: list[str] = []
    for own in names:
        name, number = own, 2
        while name in found:
            name, number = f"{own}-{number}", number + 1
        found.append(name)
    return found


def plain(name: str) -> str:
    """A name in letters that any file system takes."""
    return re.sub(r"\W+", "-", name).strip("-_").lower()
