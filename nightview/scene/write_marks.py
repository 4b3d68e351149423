"""Marks of a photo set and taken away in a scene's text, all else kept as ``write.edited`` keeps it.

Marks stand in a list of the photo's table, or in tables of their own, [[photo.marks]]; both are kept
as they are. Text in, text out.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

import tomlkit

from nightview.errors import NightviewError
from nightview.scene.faults import choice, label
from nightview.scene.pieces import Piece, pieces

Pixel = tuple[float, float]


def marked(text: str, photo: str, point: str, pixel: Pixel) -> str:
    """The text with a named point marked at a pixel: its mark moved, or a new one after the others.

    Raises NightviewError for a photo that is not in the file.
    """
    number, marks = _marks(text, photo)
    which = _which(marks, point)
    at = [_number(value) for value in pixel]
    parts = pieces(text)
    own = [part for part in parts if part.location[:3] == ("photo", number, "marks")]
    if which is not None and own:
        return _within(text, own[which], lambda table: table.__setitem__("pixel", at))
    if own:
        end, last = _end(text), own[-1].last
        lines = ["", "[[photo.marks]]", f"point = {_quoted(point)}", f"pixel = {_list(at)}"]
        before = text[:last] if text[:last].endswith("\n") else text[:last] + end
        return before + "".join(line + end for line in lines) + text[last:]
    (head,) = (part for part in parts if part.location == ("photo", number))
    if which is not None:
        return _within(text, head, lambda table: table["marks"][which].__setitem__("pixel", at))
    entry = f"{{ point = {_quoted(point)}, pixel = {_list(at)} }}"
    if "marks" in tomllib.loads(text[head.start : head.end]):
        return _within(text, head, lambda table: _add(table["marks"], entry))
    end = _end(text)
    before = text[: head.last] if text[: head.last].endswith("\n") else text[: head.last] + end
    return before + end.join(["marks = [", f"  {entry},", "]", ""]) + text[head.last :]


def unmarked(text: str, photo: str, point: str) -> str:
    """The text without the mark of a named point; the text itself where it is not marked."""
    number, marks = _marks(text, photo)
    which = _which(marks, point)
    if which is None:
        return text
    parts = pieces(text)
    own = [part for part in parts if part.location == ("photo", number, "marks", which)]
    if own:
        start = text.rfind("\n", 0, own[0].start - 1) + 1
        return text[:start] + text[own[0].last :].lstrip("\r\n")
    (head,) = (part for part in parts if part.location == ("photo", number))
    return _within(text, head, lambda table: table["marks"].__delitem__(which))


def _marks(text: str, photo: str) -> tuple[int, list[dict[str, Any]]]:
    """The number of the photo in the file, and its marks."""
    try:
        photos = tomllib.loads(text).get("photo", [])
    except ValueError as error:
        raise NightviewError("scene", f"is no TOML: {error}") from None
    names = [one.get("name") for one in photos]
    if photo not in names:
        known = choice(photo, map(str, names), "there are")
        raise NightviewError(label("photo", photo), "is not in this file", known)
    number = names.index(photo)
    return number, photos[number].get("marks", [])


def _which(marks: list[dict[str, Any]], point: str) -> int | None:
    return next((n for n, mark in enumerate(marks) if mark.get("point") == point), None)


def _within(text: str, piece: Piece, change: Any) -> str:
    body = tomlkit.parse(text[piece.start : piece.end])
    change(body)
    new = re.sub("\r?\n", _end(text), tomlkit.dumps(body))  # tomlkit's own lines end with \n
    return text[: piece.start] + new + text[piece.end :]


def _add(array: Any, entry: str) -> None:
    """An entry at the end of a list, on a line of its own where the others have theirs."""
    table = tomlkit.parse(f"entry = {entry}")["entry"]
    lines = array.as_string().splitlines()
    if len(lines) > 1:
        first = lines[1] if lines[1].strip(" \t]") else "  "
        array.add_line(table, indent=first[: len(first) - len(first.lstrip())])
    else:
        array.append(table)


def _number(value: float) -> float | int:
    """A pixel to a tenth, whole ones without a point."""
    tenth = round(float(value), 1)
    return int(tenth) if tenth == int(tenth) else tenth


def _list(at: list[float | int]) -> str:
    return f"[{', '.join(str(value) for value in at)}]"


def _quoted(point: str) -> str:
    return tomlkit.item(point).as_string()


def _end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"
