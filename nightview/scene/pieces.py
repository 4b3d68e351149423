"""A TOML text cut at its table headers, each piece with its place in the whole.

tomlkit keeps comments and blanks, but sorts tables of one kind together where a file has them among
others; so a text is cut here, and only one piece of it goes through tomlkit.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

Location = tuple[int | str, ...]

# What a bracket or a line's end may hide in, and those themselves.
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'|#[^\n]*|[\[\]{}\n]",
    re.DOTALL,
)


@dataclass
class Piece:
    """A header's table: location as in the data, ("block", 0, "roof"), and () before any header.

    head : the header's keys. start, end : of what stands below the header, offsets in the text.
    last : where its last key's line ends, comments and blank lines after it left out.
    """

    location: Location
    head: tuple[str, ...]
    start: int
    end: int
    last: int


def pieces(text: str) -> list[Piece]:
    """The pieces of a TOML text, in their order; it must be sound TOML."""
    found = [Piece((), (), 0, len(text), 0)]
    counts: dict[Location, int] = {}
    for start, end in _statements(text):
        line = text[start:end]
        if not line.startswith("["):
            found[-1].last = end
            continue
        head = _head(line)
        found[-1].end = start
        location = _location(head, line.startswith("[["), counts)
        found.append(Piece(location, head, end, len(text), end))
    return found


def _statements(text: str) -> list[tuple[int, int]]:
    """Where each header, and each key with its value, begins and where its last line ends."""
    found = []
    depth, start = 0, 0
    ends = [token for token in _TOKEN.finditer(text) if token[0] in "[]{}\n"]
    for token in ends:
        depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(token[0], 0)
        if token[0] == "\n" and depth == 0:
            found.append((start, token.end()))
            start = token.end()
    found.append((start, len(text)))
    trimmed = []
    for start, end in found:
        first = start + len(text[start:end]) - len(text[start:end].lstrip())
        if first < end and text[first] != "#":
            trimmed.append((first, end))
    return trimmed


def _head(line: str) -> tuple[str, ...]:
    """The keys of a header's line."""
    node: Any = tomllib.loads(line)
    keys = []
    while node:
        ((key, node),) = node.items()
        node = node[0] if isinstance(node, list) else node
        keys.append(key)
    return tuple(keys)


def _location(head: tuple[str, ...], many: bool, counts: dict[Location, int]) -> Location:
    """Where a header's table is, given how many of each list came before; counted on here."""
    place: Location = ()
    for n, key in enumerate(head):
        place = (*place, key)
        if many and n == len(head) - 1:
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place = (*place, counts[place])
    return place
