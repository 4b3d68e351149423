"""Views by name."""

from __future__ import annotations

from collections.abc import Sequence

from nightview.errors import NightviewError
from nightview.scene.model import View


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
