"""A fault of a scene file in plain words, and the phrases that faults share."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import NamedTuple

from nightview.units import shown


class Fault(NamedTuple):
    """What is wrong in which table, and what to write instead; the reader adds the file's name."""

    place: str
    problem: str
    remedy: str


def label(table: str, name: str) -> str:
    """How a table is called in a message: fixture "path-3"."""
    return f"{table} {shown(name)}"


def choice(word: str, known: Iterable[str], among: str) -> str:
    """A remedy for an unknown word: the nearest known one, and all that may be written."""
    known = list(known)
    near = difflib.get_close_matches(word, known, n=1)
    meant = f'did you mean "{near[0]}"? ' if near else ""
    listed = ", ".join(f'"{one}"' for one in known) or "none"
    return f"{meant}{among}: {listed}"
