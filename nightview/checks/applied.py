"""A scene file's text with remedies made in it, every comment kept."""

from __future__ import annotations

from collections.abc import Iterable

import tomlkit

from nightview.checks.changes import Change
from nightview.scene.pieces import pieces
from nightview.scene.write import edited


def applied(text: str, changes: Iterable[Change]) -> str:
    """The text of a scene file with some changes made, in their order."""
    for change in changes:
        if change.added:
            text = _with_copy(text, change.fixture, change.added)
        text = edited(
            text,
            {
                (kind, change.added or name, key): value
                for (kind, name, key), value in change.edits()
            },
        )
    return text


def _with_copy(text: str, fixture: str, name: str) -> str:
    """The text with a fixture's table once more at its end, under another id."""
    for piece in pieces(text):
        if piece.location[:1] != ("fixture",) or len(piece.location) != 2:
            continue
        table = tomlkit.parse(text[piece.start : piece.last])
        if table.get("id") == fixture:
            table["id"] = name
            gap = "" if text.endswith("\n") else "\n"
            return f"{text}{gap}\n[[fixture]]\n{tomlkit.dumps(table).strip()}\n"
    return text
