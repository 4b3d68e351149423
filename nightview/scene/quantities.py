"""The quantities of a scene as types: SI floats inside, texts with a unit in the file.

In code a quantity is its float (``Tree(height_m=7.5, ...)``) or its text ("7.5 m"). In a file it
is always the text, so that no number is ever taken for the wrong unit; the reader says that it
reads a file by a validation context. In the JSON Schema it is a string with a pattern and examples.
"""

from __future__ import annotations

import pathlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import Field, GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, core_schema

from nightview import units


@dataclass(frozen=True)
class FromFile:
    """The validation context of values that come from a file in this folder."""

    folder: pathlib.Path


@dataclass(frozen=True)
class Written:
    """How a value is written in a file: marks an ``Annotated`` float or tuple of floats."""

    name: str
    parse: Callable[[object], Any]
    pattern: Callable[[], str]  # a call, so that pint is not loaded before there is need
    example: str
    unit: str

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """The type's own checks, after the text is parsed."""
        return core_schema.with_info_before_validator_function(self._read, handler(source))

    def __get_pydantic_json_schema__(
        self, core: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """A string; ``x-unit`` is the unit of limits and defaults."""
        return {
            "title": self.name,
            "type": "string",
            "pattern": f"^{self.pattern()}$",
            "examples": [self.example],
            "x-unit": self.unit,
        }

    def _read(self, value: object, info: ValidationInfo) -> Any:
        if isinstance(value, str) or isinstance(info.context, FromFile):
            return self.parse(value)
        return value


def _one(kind: units.Kind) -> Written:
    def parse(value: object) -> float:
        return units.parse(value, kind)

    def pattern() -> str:
        return units.pattern(kind)

    return Written(
        kind.name.split(" ", 1)[1].replace(" ", "-"), parse, pattern, kind.example, kind.unit
    )


def _point(n: int) -> Written:
    def parse(value: object) -> tuple[float, ...]:
        return units.point_m(value, n)

    def pattern() -> str:
        return ",".join([units.pattern(units.LENGTH)] * n)

    return Written(f"point-{n}", parse, pattern, units.POINT_EXAMPLES[n], "m")


def _size(n: int) -> Written:
    def parse(value: object) -> tuple[float, ...]:
        return units.size_m(value, n)

    def pattern() -> str:
        return "[,x×X]".join([units.pattern(units.LENGTH)] * n)

    return Written(f"size-{n}", parse, pattern, units.SIZE_EXAMPLES[n], "m")


# Limits far outside any garden: they keep a slip of the unit, and any overflow, out of the sums.
Metres = Annotated[float, Field(ge=-10_000.0, le=10_000.0)]
MetresAboveZero = Annotated[float, Field(ge=0.001, le=10_000.0)]

LengthM = Annotated[Metres, _one(units.LENGTH)]
PositiveM = Annotated[MetresAboveZero, _one(units.LENGTH)]
Point2 = Annotated[tuple[Metres, Metres], _point(2)]
Point3 = Annotated[tuple[Metres, Metres, Metres], _point(3)]
Size2 = Annotated[tuple[MetresAboveZero, MetresAboveZero], _size(2)]
AngleDeg = Annotated[float, Field(ge=-360.0, le=360.0), _one(units.ANGLE)]
CctK = Annotated[float, Field(ge=800.0, le=20_000.0), _one(units.CCT)]
FluxLm = Annotated[float, Field(gt=0.0, le=1e7), _one(units.FLUX)]
IntensityCd = Annotated[float, Field(ge=0.0, le=1e9), _one(units.INTENSITY)]
IlluminanceLx = Annotated[float, Field(ge=0.0, le=1e6), _one(units.ILLUMINANCE)]
LuminanceCdM2 = Annotated[float, Field(ge=0.0, le=1e7), _one(units.LUMINANCE)]
PowerW = Annotated[float, Field(gt=0.0, le=1e5), _one(units.POWER)]
