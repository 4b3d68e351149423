"""The JSON Schema of the scene file, so that an editor completes keys and checks values.

pydantic derives it from the models; here it is turned from what Python takes to what a file
holds: quantities are texts (each kind defined once), defaults are written with their unit, and
there is no null in TOML.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from nightview.scene.model import Scene

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_QUANTITY = ("type", "pattern", "examples", "x-unit")
_LIMITS = ("gt", "ge", "lt", "le")  # of the float: no keyword for a text

Node = dict[str, Any]


@cache
def schema() -> Node:
    """The file format as a JSON Schema, draft 2020-12. It is made once: do not change it."""
    quantities: Node = {}
    raw = Scene.model_json_schema(by_alias=True)
    tables = {name: _table(node, quantities) for name, node in raw.pop("$defs").items()}
    return {
        "$schema": _DIALECT,
        **_table(raw, quantities),
        "title": "nightview scene",
        "$defs": {**tables, **quantities},
    }


def resolve(node: Node) -> Node:
    """The node itself, or what it refers to, with the keywords beside the reference."""
    if "$ref" not in node:
        return node
    found = schema()["$defs"][node["$ref"].removeprefix("#/$defs/")]
    return {**found, **{key: value for key, value in node.items() if key != "$ref"}}


def node_at(location: tuple[int | str, ...]) -> Node:
    """The schema of a place, keys and numbers of entries; {} where it has none."""
    node: Node = schema()
    for part in location:
        node = resolve(node)
        if isinstance(part, str):
            named: Node = next(iter(node.get("patternProperties", {}).values()), {})
            node = node.get("properties", {}).get(part, named)
        elif "prefixItems" in node:
            node = node["prefixItems"][min(part, len(node["prefixItems"]) - 1)]
        else:
            node = node.get("items", node)
    return resolve(node)


def _table(node: Node, quantities: Node) -> Node:
    keys = {key: _value(value, quantities) for key, value in node.get("properties", {}).items()}
    return {**node, "properties": keys}


def _value(node: Node, quantities: Node) -> Node:
    """One key's values, or one entry of a list."""
    if "anyOf" in node:  # only ever "this or nothing", and nothing is a key left out
        (something,) = [branch for branch in node["anyOf"] if branch != {"type": "null"}]
        node = {**something, **{key: node[key] for key in node if key not in ("anyOf", "title")}}
    default = node.get("default")
    node = {key: node[key] for key in node if key not in ("default", *_LIMITS)}
    if "x-unit" in node:
        name = node["title"]
        quantities[name] = {key: node.pop(key) for key in (*_QUANTITY, "title")}
        node["$ref"] = f"#/$defs/{name}"
        default = None if default is None else _written(default, quantities[name]["x-unit"])
    node.pop("title", None)
    if "items" in node:
        node["items"] = _value(node["items"], quantities)
    if "prefixItems" in node:
        node["prefixItems"] = [_value(entry, quantities) for entry in node["prefixItems"]]
    if "patternProperties" in node:  # tables by name: no name escapes the pattern
        node["additionalProperties"] = False
    if default or isinstance(default, (bool, int, float, str)):
        node |= {} if isinstance(default, dict) else {"default": default}
    return node


def _written(default: float | list[float], unit: str) -> str:
    numbers = default if isinstance(default, list) else [default]
    return ", ".join(f"{number:g} {unit}" for number in numbers)
