"""A TOML file to a ``Scene``; every fault in it is found in one reading."""

from __future__ import annotations

import os
import pathlib
import re
import tomllib
from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from nightview.errors import NightviewError, SceneFaultsError
from nightview.scene.explain import explain
from nightview.scene.faults import Fault
from nightview.scene.model import Scene
from nightview.scene.quantities import FromFile
from nightview.scene.rules import faults_of


def read(path: str | os.PathLike[str]) -> Scene:
    """The scene of a TOML file, in SI floats, checked.

    Raises NightviewError if the file cannot be read or is no TOML, and SceneFaultsError, one
    NightviewError a fault, if its content is wrong.
    """
    path = pathlib.Path(path)
    return parse(_text(path), path.name, path.parent)


def parse(text: str, name: str = "scene", folder: str | os.PathLike[str] = ".") -> Scene:
    """The scene of a TOML text: ``name`` is for messages, ``folder`` where its files are.

    Raises as ``read`` does.
    """
    try:
        data = _toml(text, name)
        return _scene(data, name, pathlib.Path(folder))
    except RecursionError:
        raise NightviewError(name, "tables or lists are nested too deeply") from None


def _text(path: pathlib.Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise NightviewError(str(path), "there is no such file", "check its name") from None
    except IsADirectoryError:
        raise NightviewError(str(path), "is a folder", "name the scene file in it") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        problem = f"is not UTF-8 text: byte 0x{error.object[error.start]:02x} in line {line}"
        raise NightviewError(path.name, problem, "save it as UTF-8") from None
    except OSError as error:
        raise NightviewError(str(path), f"cannot be read: {error.strerror}") from None
    except ValueError:  # a null character
        raise NightviewError("the scene file", f"cannot be called {str(path)!r}") from None


# --- TOML -----------------------------------------------------------------------------------------


def _toml(text: str, name: str) -> dict[str, Any]:
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(text, name, str(error)) from None
    except ValueError as error:  # a number with thousands of digits
        raise NightviewError(name, f"is no TOML: {error}") from None
    if not data:
        raise NightviewError(name, "is empty", 'begin with title = "..." and a [[block]]')
    return data


def _syntax_error(text: str, name: str, message: str) -> NightviewError:
    """The parser's message, with the place in front and, for a forgotten quote, the remedy."""
    at = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.S)
    lines = text.replace("\r\n", "\n").split("\n")
    what = at[1] if at else message
    row = int(at[2]) if at and at[2] else len(lines)
    column = int(at[3]) if at and at[3] else len(lines[-1]) + 1
    line = lines[row - 1] if row <= len(lines) else ""
    unquoted = re.fullmatch(r"\s*([\w.-]+)\s*=\s*([^\s\"'\[{][^\"'#]*?)\s*(#.*)?", line)
    if unquoted:
        remedy = f'put text and quantities in quotes: {unquoted[1]} = "{unquoted[2].strip("“”")}"'
    else:
        remedy = f"the line is: {line.strip()[:80]}" if line.strip() else ""
    return NightviewError(f"{name}: line {row}, column {column}", f"is no TOML: {what}", remedy)


# --- the scene ------------------------------------------------------------------------------------


def _scene(data: dict[str, Any], name: str, folder: pathlib.Path) -> Scene:
    found: list[Fault] = []
    unread: frozenset[str] = frozenset()
    try:
        scene = _validated(data, folder)
    except ValidationError as invalid:
        errors = invalid.errors(include_url=False)
        found += [explain(error, data) for error in errors]
        # Check the rest all the same: a user mends a file in one go.
        rest, unread = _without(data, errors)
        scene = _validated(rest, folder)
    found += faults_of(scene, unread)
    if found:
        raise SceneFaultsError(
            [
                NightviewError(f"{name}: {place}" if place else name, problem, remedy)
                for place, problem, remedy in found
            ]
        )
    return scene


def _validated(data: dict[str, Any], folder: pathlib.Path) -> Scene:
    # Strict: no "yes" for true and no "3" for 3. By alias only: a file has one name for a key.
    return Scene.model_validate(
        _tuples(data), strict=True, by_alias=True, by_name=False, context=FromFile(folder)
    )


def _tuples(value: Any) -> Any:
    """Lists as tuples, as the strict models want them."""
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def _without(
    data: dict[str, Any], errors: Iterable[ErrorDetails]
) -> tuple[dict[str, Any], frozenset[str]]:
    """The data without the tables that have errors, and the names that go with them."""
    wrong = {error["loc"][:2] for error in errors}
    kept: dict[str, Any] = {}
    unread: set[str] = set()
    for key, value in data.items():
        bad = {place[1:] for place in wrong if place[0] == key}
        tables: dict[Any, Any] = dict(enumerate(value)) if isinstance(value, list) else {}
        if key in ("lamps", "materials") and isinstance(value, dict):
            tables = value
        good = {k: v for k, v in tables.items() if (k,) not in bad and () not in bad}
        if not bad:
            kept[key] = value
        elif good:
            kept[key] = good if isinstance(value, dict) else list(good.values())
        unread |= {
            _name(k, v) for k, v in (tables or {key: value}).items() if bad and k not in good
        }
    return kept, frozenset(unread)


def _name(key: Any, table: Any) -> str:
    name = table.get("name", table.get("id", key)) if isinstance(table, dict) else key
    return name if isinstance(name, str) else ""
