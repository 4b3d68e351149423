"""pydantic's errors in our words: the table by its name, the key, what came, what to write.

What is allowed, the examples and the units of limits come from the JSON Schema, so that the
messages and an editor's help say the same.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from pydantic_core import ErrorDetails

from nightview.scene.faults import Fault, choice, label
from nightview.scene.schema import Node, node_at, resolve, schema
from nightview.units import UnitError, shown

Location = tuple[int | str, ...]

_LIMITS = {
    "greater_than": ("gt", "more than {}"),
    "greater_than_equal": ("ge", "{} or more"),
    "less_than": ("lt", "less than {}"),
    "less_than_equal": ("le", "{} or less"),
}
_TYPES = {
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "int_type": "a whole number",
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_parsing_size": "a smaller number",
}

_TIME = "2026-06-21T15:30:00+02:00"


def explain(error: ErrorDetails, data: Mapping[str, Any]) -> Fault:
    """The fault that one of pydantic's errors about a file's data stands for."""
    location = error["loc"]
    if location[-1] == "[key]":  # the name of a table, not its content
        location = location[:-1]
    place, within = _place(location, data)
    key = _key(within, location, data)
    return Fault(place, *_words(error, location, key, data))


# --- where ----------------------------------------------------------------------------------------


def _place(location: Location, data: Mapping[str, Any]) -> tuple[str, Location]:
    """The table's name for a message, and the rest of the location within that table."""
    head, rest = str(location[0]), location[1:]
    node = schema()["properties"].get(head, {})
    if node.get("type") == "array" and rest:
        table = data[head][rest[0]]
        name = table.get("name", table.get("id")) if isinstance(table, dict) else None
        if isinstance(name, str) and name:
            return label(head, name), rest[1:]
        return f"{head} number {int(rest[0]) + 1}", rest[1:]
    if "patternProperties" in node and rest:
        return label(head.removesuffix("s"), str(rest[0])), rest[1:]
    if "$ref" in node and rest:
        return head, rest
    return "", location


def _key(within: Location, location: Location, data: Mapping[str, Any]) -> str:
    """The key as a message has it: "size", "roof.pitch", "line, entry 2"."""
    above = len(location) - len(within)
    key = ""
    for i, part in enumerate(within):
        if isinstance(part, str):
            key += f".{part}" if key else part
        elif isinstance(_value(location[: above + i], data), list):  # not one number of a text
            key += f", entry {part + 1}"
    return key


def _value(location: Location, data: Any) -> Any:
    """What the file has there; None where it has nothing."""
    for part in location:
        if isinstance(data, str):  # one number of a text: show the text
            break
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


# --- what -----------------------------------------------------------------------------------------


def _words(
    error: ErrorDetails, location: Location, key: str, data: Mapping[str, Any]
) -> tuple[str, str]:
    """The problem and the remedy."""
    kind, context = error["type"], error.get("ctx", {})
    node, value = node_at(location), _value(location, data)
    has = f"{key} = {shown(value)}" if key else shown(value)
    whole = key and "," not in key  # not an entry of a list
    if node.get("format") == "date-time":  # TOML has dates of its own, without quotes
        return f"{has} is no date and time", f"write {key} = {_TIME}, without quotes"
    write = f"write {key} = {_example(node)}" if whole else f"write for example {_example(node)}"
    if kind == "missing" and isinstance(location[-1], str):
        return f"{key} is missing", f"add {key} = {_example(node)}"
    if kind in ("missing", "too_short", "too_long"):
        entries = location[:-1] if kind == "missing" else location
        own = re.sub(r", entry \d+$", "", key)
        return _entries(len(_value(entries, data)), node_at(entries), own)
    if kind == "extra_forbidden":
        return _unknown_key(location, value)
    if kind == "literal_error":
        return f"{has} is unknown", choice(str(value), map(str, node["enum"]), "one of")
    if kind == "value_error" and isinstance(fault := context["error"], UnitError):
        problem = fault.problem
        return (f"{key} = {problem}" if key else problem), fault.remedy
    if kind in _LIMITS:
        name, phrase = _LIMITS[kind]
        limit = f"{context[name]:g} {node.get('x-unit', '')}".strip()
        remedy = "write " + phrase.format(limit)
        if name == "le" and isinstance(node.get("type"), list):  # a share of full
            per_cent = value if not isinstance(value, str) and 1 < value <= 100 else 100
            remedy += f', or "{per_cent:g} %"'
        return f"{has} is out of range", remedy
    if kind in _TYPES:
        return f"{has} must be {_TYPES[kind]}", write
    if kind in ("model_type", "dict_type", "tuple_type"):
        return _wrong_shape(kind, location, key, has, write)
    if kind == "string_too_long":
        return f"{has} is too long", f"write 1 to {context['max_length']} characters"
    if kind.startswith("string_"):
        return (
            f"{has} is no name" if key else "this is no name",
            "write 1 to 80 characters, with no blank at either end and no control characters",
        )
    return f"{has}: {error['msg'][0].lower()}{error['msg'][1:]}", write


def _entries(n: int, node: Node, key: str) -> tuple[str, str]:
    least, most = node.get("minItems", 0), node.get("maxItems")
    wanted = f"{least}" if least == most else f"{least} or more"
    own = key.rpartition(".")[2] if ", entry" in key else key
    return f"{key} has {n} {'entry' if n == 1 else 'entries'}, not {wanted}", (
        f"write {own} = {_example(node)}"
    )


def _unknown_key(location: Location, value: Any) -> tuple[str, str]:
    word, known = str(location[-1]), list(node_at(location[:-1]).get("properties", {}))
    if len(location) == 1 and isinstance(value, (dict, list)):
        brackets = f"[[{word}]]" if isinstance(value, list) else f"[{word}]"
        return f"unknown table {brackets}", choice(word, known, "tables and keys")
    return f'unknown key "{word}"', choice(word, known, "keys")


def _wrong_shape(kind: str, location: Location, key: str, has: str, write: str) -> tuple[str, str]:
    top, head = len(location) == 1, location[0]
    if kind == "tuple_type":
        if top:
            return f"[{head}] is one of a list of tables", f"write [[{head}]]"
        return f"{has} must be a list", write
    if kind == "dict_type":
        return f"{has} must be tables by name", f'write [{head}."a name"]'
    if top:
        return f"{has} must be one table", f"write [{head}]"
    return f"{has} must be a table", f"write [{head}.{key}]" if key else f"write [[{head}]]"


def _example(node: Node) -> str:
    """A value as it may stand in the file."""
    return _toml(_sample(node))


def _sample(node: Node) -> Any:
    node = resolve(node)
    if "examples" in node:
        return node["examples"][0]
    if "default" in node:
        return node["default"]
    if "enum" in node:
        return node["enum"][0]
    if "prefixItems" in node:
        return [_sample(entry) for entry in node["prefixItems"]]
    if "items" in node:
        return [_sample(node["items"])] * max(node.get("minItems", 1), 1)
    if node.get("type") == "integer":
        return max(1, node.get("minimum", 1))
    if node.get("type") == "number":
        return min(0.5, node.get("maximum", 0.5))
    return {"boolean": True, "object": {}}.get(node.get("type", ""), "...")


def _toml(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)  # of texts, numbers and lists the same as TOML
