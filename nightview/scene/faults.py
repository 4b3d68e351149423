"""A fault of a scene file in plain words, and the phrases that faults share."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Iterator
from typing import NamedTuple

from nightview.units import shown

SAME_M = 1e-3
"""Points nearer than this are one; openings may touch within it."""

Unread = Collection[str]
"""Names of tables that had faults of their own: no reference to one of them is called unknown."""


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


def unknown(
    place: str, key: str, word: str, known: Iterable[str], what: str, unread: Unread
) -> Iterator[Fault]:
    """The fault of a name that is no such thing, unless it is of a table that was not read."""
    known = list(known)
    if word not in known and word not in unread:
        problem = f"{key} = {shown(word)} is no {what} of this scene"
        yield Fault(place, problem, choice(word, known, "there are"))


def row_faults(place: str, count: int, spacing_m: float | None) -> Iterator[Fault]:
    """A count without a spacing, or the other way round."""
    if count > 1 and spacing_m is None:
        yield Fault(place, f"count = {count} needs a spacing", 'add spacing = "2.5 m"')
    if count == 1 and spacing_m is not None:
        yield Fault(place, "spacing means nothing without a count", "add count = 2, or drop it")


def metres(value: float) -> str:
    """A length to the millimetre, for a message."""
    return f"{round(value, 3) + 0.0:g} m"
