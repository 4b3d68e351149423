"""JSON Schema of what TOML reads: TOML has dates and times of its own, which in JSON are strings."""

from __future__ import annotations

import datetime
from typing import Any

import jsonschema
from jsonschema.protocols import Validator


def _is_string(_: object, value: object) -> bool:
    return isinstance(value, (str, datetime.datetime))


def validator_of(schema: dict[str, Any]) -> Validator:
    """A validator that takes what ``tomllib`` gives."""
    draft = jsonschema.Draft202012Validator
    types = draft.TYPE_CHECKER.redefine("string", _is_string)
    return jsonschema.validators.extend(draft, type_checker=types)(schema)
