"""What a sheet holds, before it is a web page (``webpage``) or printed pages (``printed``)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from nightview.plan.drawing import Drawing


@dataclass(frozen=True)
class Note:
    """A paragraph; strong : what must not be overlooked."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Points:
    """A list. kind : "plain", "steps" with numbers, or "ticks" with a box to tick each."""

    texts: tuple[str, ...]
    kind: Literal["plain", "steps", "ticks"] = "plain"
    title: str = ""


@dataclass(frozen=True)
class Rows:
    """A table of texts. figures : heads of columns set to the right. A column without any text is
    left wide enough to write in."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    figures: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class Figure:
    """A drawing for a page of its own, and what is to be seen in words.

    drawings : the same by the name of the paper it is drawn for, "A4" and "Letter"; none for a
    paper that it needs no page on.
    """

    title: str
    told: str
    drawings: dict[str, Drawing]


Block = Note | Points | Rows | Figure


@dataclass(frozen=True, eq=False)
class Sheet:
    """A sheet with one purpose. key : for links, plain letters."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, eq=False)
class Document:
    """Sheets that belong together. about : what stands under the title."""

    title: str
    about: str
    sheets: tuple[Sheet, ...]
