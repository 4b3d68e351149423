"""Values of a scene file changed where they stand, with every comment, blank line and order kept.

Text in, text out. Nothing is checked beyond what it takes to find the place, since reading the new
text tells all that is wrong with it.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit

from nightview.errors import NightviewError
from nightview.scene.faults import choice, label
from nightview.scene.pieces import Location, pieces
from nightview.scene.schema import node_at, schema
from nightview.scene.styled import in_feet, quantity
from nightview.units import shown

Where = tuple[str, ...]


def edited(text: str, changes: Mapping[Where, Any]) -> str:
    """The text of a scene file with some values changed.

    changes : where → what. Where is the table, its name or id if it is one of many, and the key or
        keys: ("fixture", "gable", "dim"), ("block", "house", "roof", "pitch"), ("site", "north"),
        ("state", "late", "zones", "facade", "cct"), ("title",). What is a text as the file has it,
        "60 %" or "18 in"; or a number in SI units, written in the unit of what stood there, or of
        the file's other lengths; or true, false, a list or a tuple of these; or None, which takes
        the key out.

    A key that was not there comes after the last one of its table. Raises NightviewError for text
    that is no TOML, and for a table, name or key that is unknown.
    """
    feet = in_feet(text)
    for where, value in changes.items():
        text = _changed(text, _location(_data(text), where), value, feet)
    return text


def _data(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        raise NightviewError("scene", f"is no TOML: {error}") from None


# --- where ----------------------------------------------------------------------------------------


def _location(data: Mapping[str, Any], where: Where) -> Location:
    """The place in the data, a list's table by its number; its keys are known to the schema."""
    table, *rest = where
    node = schema()["properties"].get(table)
    if node is None:
        remedy = choice(table, schema()["properties"], "tables and keys")
        raise NightviewError("scene", f"there is no table or key {shown(table)}", remedy)
    by_name = "patternProperties" in node
    if "$ref" in node:
        place, start = table, 1
        location: Location = where
    elif by_name or node_at((table, 0)).get("type") == "object":
        name = rest[0] if rest else ""
        place, start = label(table, name), 2
        location = (table, _which(data.get(table, {}), table, name), *rest[1:])
    else:
        return where  # a key of the file itself
    if len(location) == start:
        raise NightviewError(place, "no key of it is named", 'say for example (…, "dim")')
    for n in range(start, len(location)):
        node = node_at(location[:n])
        if "patternProperties" not in node and location[n] not in node.get("properties", {}):
            remedy = choice(str(location[n]), node.get("properties", {}), "keys")
            raise NightviewError(place, f"there is no key {shown(location[n])}", remedy)
    return location


def _which(tables: Any, table: str, name: str) -> int | str:
    """The key or number of the table of that name."""
    keys = (
        {key: key for key in tables}
        if isinstance(tables, Mapping)
        else {one.get("name", one.get("id")): number for number, one in enumerate(tables)}
    )
    if name in keys:
        return keys[name]
    row = name.rpartition("-")[0]
    if table == "fixture" and row in keys:
        problem = f"is one lamp of the row {shown(row)}, of which the file speaks as a whole"
        raise NightviewError(label(table, name), problem, f"change {shown(row)}")
    known = choice(name, map(str, keys), "there are")
    raise NightviewError(label(table, name), "is not in this file", known)


# --- what -----------------------------------------------------------------------------------------


def _changed(text: str, location: Location, value: Any, feet: bool) -> str:
    parts = pieces(text)
    # The piece that the key stands in, or would: that of the deepest table above it.
    above = [part for part in parts if part.location == location[: len(part.location)]]
    piece = max(above, key=lambda part: len(part.location))
    keys = location[len(piece.location) :]
    body = tomlkit.parse(text[piece.start : piece.end])
    holder: Any = body
    while len(keys) > 1 and _has(holder, keys[0]):
        holder, keys = holder[keys[0]], keys[1:]
    there = len(keys) == 1 and _has(holder, keys[0])
    if value is None and there:
        del holder[keys[0]]
    elif value is None:
        return text
    else:
        new = _written(value, location, holder[keys[0]] if there else None, feet)
        for inner in reversed(keys[1:]):
            new = {inner: new}
        if holder is body and not there:
            return _with_line(text, location, keys, new)
        holder[keys[0]] = new
    return text[: piece.start] + tomlkit.dumps(body) + text[piece.end :]


def _has(holder: Any, key: int | str) -> bool:
    return key < len(holder) if isinstance(key, int) else key in holder


def _with_line(text: str, location: Location, keys: Location, value: Any) -> str:
    """The text with a new key after the last one of its table, before what belongs to the next."""
    parts = pieces(text)
    own = location[: len(location) - len(keys)]
    end = "\r\n" if "\r\n" in text else "\n"
    # Where a table's tables have headers of their own, as [state.zones.garden], so has a new one.
    beside = [part for part in parts if part.location[: len(own) + 1] == (*own, keys[0])]
    heads = [part for part in parts if part.location == own]
    if beside and len(keys) > 1:
        at = beside[-1].last
        head = ".".join(_key(key) for key in (*beside[-1].head[:-1], str(keys[1])))
        lines = ["", f"[{head}]", *(f"{_key(k)} = {_inline(v)}" for k, v in value[keys[1]].items())]
    elif not own and len(keys) > 1:  # a single table that is not there yet
        at = len(text)
        lines = [
            "",
            f"[{_key(str(keys[0]))}]",
            *(f"{_key(k)} = {_inline(v)}" for k, v in value.items()),
        ]
    else:
        at = heads[0].last
        lines = [f"{_key(str(keys[0]))} = {_inline(value)}"]
    before = text[:at]
    if before and not before.endswith("\n"):
        before += end
    return before + "".join(line + end for line in lines) + text[at:]


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else tomlkit.item(key).as_string()


def _inline(value: Any) -> str:
    """A value as it stands after "=", tables within the line."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {_inline(one)}" for key, one in value.items())
        return f"{{ {inner} }}"
    return tomlkit.item(value).as_string()


def _written(value: Any, location: Location, old: Any, feet: bool) -> Any:
    """The value as the file is to have it, in the way of the old one."""
    if isinstance(value, (str, bool)):
        return value
    node = node_at(location)
    before = old if isinstance(old, str) else ""
    if "x-unit" in node:
        numbers = value if isinstance(value, Sequence) else [value]
        parts = re.split("[,x×X]", before)
        if len(parts) != len(numbers):
            parts = [""] * len(numbers)
        between = ", " if "," in before or not re.search("[x×X]", before) else " x "
        return between.join(
            quantity(float(number), node["x-unit"], part, feet)
            for number, part in zip(numbers, parts, strict=True)
        )
    if not isinstance(value, Sequence):
        return f"{100.0 * value:.6g} %" if "%" in before else value
    olds = list(old) if isinstance(old, list) else []
    olds += [None] * (len(value) - len(olds))
    return [_written(one, (*location, k), olds[k], feet) for k, one in enumerate(value)]
