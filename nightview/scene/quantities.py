"""The quantities of a scene as types: SI floats inside, texts with a unit in the file.

In code a quantity is its float (``Tree(height_m=7.5, ...)``) or its text ("7.5 m"). In a file it
is always the text, so that no number is ever taken for the wrong unit; the reader says that it
reads a file by a validation context. In the JSON Schema it is a string with a pattern and examples.
"""

from __future__ import annotations

import pathlib
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationInfo
from pydantic_core import CoreSchema, core_schema

from nightview import units


@dataclass(frozen=True)
class FromFile:
    """The validation context of values that come from a file in this folder."""

    folder: pathlib.Path


@dataclass(frozen=True, eq=False)
class Written:
    """How a value is written in a file: marks an ``Annotated`` float or tuple of floats."""

    name: str
    parse: Callable[[object], Any]
    pattern: Callable[[], str]  # a call, so that no table is read before there is need
    example: str
    unit: str
    limits: CoreSchema  # of every such value; a model's field may have narrower ones

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """The text is parsed, then come the limits of every such value, then the field's own."""
        # A schema of their own, since pydantic has room for one lower and one upper limit a float:
        # a second Field(le=...) would take the place of the field's.
        checks = core_schema.chain_schema([self.limits, handler(source)])
        return core_schema.with_info_before_validator_function(self._read, checks)

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


@dataclass(frozen=True, eq=False)
class WrittenShare:
    """A share of full: 0.6 or "60 %", in code and in a file; marks an ``Annotated`` float."""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """The text is parsed, then come the limits."""
        return core_schema.no_info_before_validator_function(_share, _float(ge=0.0, le=1.0))

    def __get_pydantic_json_schema__(
        self, core: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """A number or a string; each keyword speaks of one of them alone."""
        return {
            "type": ["number", "string"],
            "minimum": 0,
            "maximum": 1,
            "pattern": _PER_CENT.pattern,
            "examples": ["60 %"],
        }


_PER_CENT = re.compile(r"^\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*%\s*$")


def _share(value: object) -> object:
    if not isinstance(value, str):
        return value
    found = _PER_CENT.match(value) if len(value) <= 40 else None
    if found is None:
        raise units.UnitError(f"{units.shown(value)} is no share of full", 'write "60 %" or 0.6')
    return float(found[1]) / 100.0


def _one(kind: units.Kind, **limits: float) -> Written:
    def parse(value: object) -> float:
        return units.parse(value, kind)

    def pattern() -> str:
        return units.pattern(kind)

    name = kind.name.split(" ", 1)[1].replace(" ", "-")
    return Written(name, parse, pattern, kind.example, kind.unit, _float(**limits))


def _temperature() -> Written:
    """As ``_one``, but for the two scales, which do not begin at the same zero."""
    one = _one(units.TEMPERATURE, ge=-273.15, le=1000.0)
    return replace(one, parse=units.temperature_c)


def _point(n: int) -> Written:
    def parse(value: object) -> tuple[float, ...]:
        return units.point_m(value, n)

    def pattern() -> str:
        return ",".join([units.pattern(units.LENGTH)] * n)

    limits = core_schema.tuple_schema([_float(ge=-_FAR_M, le=_FAR_M)] * n)
    return Written(f"point-{n}", parse, pattern, units.POINT_EXAMPLES[n], "m", limits)


def _size(n: int) -> Written:
    def parse(value: object) -> tuple[float, ...]:
        return units.size_m(value, n)

    def pattern() -> str:
        return "[,x×X]".join([units.pattern(units.LENGTH)] * n)

    limits = core_schema.tuple_schema([_float(ge=_SMALL_M, le=_FAR_M)] * n)
    return Written(f"size-{n}", parse, pattern, units.SIZE_EXAMPLES[n], "m", limits)


def _float(**limits: Any) -> CoreSchema:
    return core_schema.float_schema(allow_inf_nan=False, **limits)


# Far outside any garden: these limits keep a slip of the unit, and any overflow, out of the sums.
_FAR_M, _SMALL_M = 10_000.0, 0.001

LengthM = Annotated[float, _one(units.LENGTH, ge=-_FAR_M, le=_FAR_M)]
PositiveM = Annotated[float, _one(units.LENGTH, ge=_SMALL_M, le=_FAR_M)]
Point2 = Annotated[tuple[float, float], _point(2)]
Point3 = Annotated[tuple[float, float, float], _point(3)]
Size2 = Annotated[tuple[float, float], _size(2)]
AngleDeg = Annotated[float, _one(units.ANGLE, ge=-360.0, le=360.0)]
CctK = Annotated[float, _one(units.CCT, ge=1000.0, le=20_000.0)]
FluxLm = Annotated[float, _one(units.FLUX, gt=0.0, le=1e7)]
IntensityCd = Annotated[float, _one(units.INTENSITY, ge=0.0, le=1e9)]
IlluminanceLx = Annotated[float, _one(units.ILLUMINANCE, ge=0.0, le=1e6)]
LuminanceCdM2 = Annotated[float, _one(units.LUMINANCE, ge=0.0, le=1e7)]
Share = Annotated[float, WrittenShare()]
PowerW = Annotated[float, _one(units.POWER, gt=0.0, le=1e5)]
VoltageV = Annotated[float, _one(units.VOLTAGE, gt=0.0, le=1000.0)]
CurrentA = Annotated[float, _one(units.CURRENT, gt=0.0, le=1000.0)]
ResistanceOhm = Annotated[float, _one(units.RESISTANCE, ge=0.0, le=1e6)]
ApparentPowerVA = Annotated[float, _one(units.APPARENT_POWER, gt=0.0, le=1e5)]
TimeH = Annotated[float, _one(units.TIME, ge=0.0, le=1e5)]
TemperatureC = Annotated[float, _temperature()]
