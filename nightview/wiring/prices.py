"""What cable, joints, digging and transformers cost: a price list in TOML.

The one that is shipped, ``prices.toml``, has invented round prices and says so.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, ValidationError

from nightview.errors import NightviewError
from nightview.scene.quantities import ApparentPowerVA, CurrentA, FromFile, PositiveM, VoltageV
from nightview.scene.table import Name, Table
from nightview.scene.wiring_model import Gauge
from nightview.units import UnitError
from nightview.wiring.copper import area_m2

Price = Annotated[float, Field(ge=0.0, le=1e6)]
SHIPPED = "the shipped price list"


class CablePrice(Table):
    """A pair of conductors for burial."""

    gauge: Gauge
    price: Price


class TransformerPrice(Table):
    """A transformer that can be bought."""

    name: Name
    power_va: ApparentPowerVA = Field(alias="power")
    taps_v: tuple[VoltageV, ...] = Field(alias="taps", min_length=1)
    commons: Annotated[int, Field(ge=1, le=12)] = 1
    circuit_limit_a: CurrentA = Field(25.0, alias="circuit_limit", le=25.0)
    price: Price


class Prices(Table):
    """A price list. per_m : the length that prices of cable, trench and sleeve are for."""

    currency: str = ""
    per_m: PositiveM = Field(1.0, alias="per")
    splice: Price
    hub: Price
    trench: Price
    sleeve: Price
    cables: tuple[CablePrice, ...] = Field(alias="cable", min_length=1)
    transformers: tuple[TransformerPrice, ...] = Field(alias="transformer", min_length=1)

    @property
    def gauges(self) -> tuple[str, ...]:
        """Thin to thick."""
        return tuple(sorted((cable.gauge for cable in self.cables), key=area_m2))

    def cable_a_metre(self, gauge: str) -> float:
        """Of a pair."""
        return next(c.price for c in self.cables if c.gauge == gauge) / self.per_m

    @property
    def trench_a_metre(self) -> float:
        """Of open trench."""
        return self.trench / self.per_m

    @property
    def sleeve_a_metre(self) -> float:
        """More than a metre of open trench."""
        return self.sleeve / self.per_m


def prices_of(path: Path | None = None) -> Prices:
    """A price list from a TOML file, or the shipped one.

    Errors: NightviewError where the file cannot be read or is no price list.
    """
    if path is None:
        return _prices((files("nightview.wiring") / "prices.toml").read_text("utf-8"), SHIPPED)
    return _prices(listed_text(path), path.name)


def listed_text(path: Path) -> str:
    """The text of a price list's file; NightviewError where it cannot be read."""
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise NightviewError(str(path), "there is no such file", "check its name") from None
    except UnicodeDecodeError:
        raise NightviewError(path.name, "is not UTF-8 text", "save it as UTF-8") from None
    except IsADirectoryError:
        raise NightviewError(str(path), "is a folder", "name the price list in it") from None
    except OSError as error:
        raise NightviewError(str(path), f"cannot be read: {error.strerror}") from None
    except ValueError:  # a null character
        raise NightviewError("the price list", f"cannot be called {str(path)!r}") from None


OF_THE_QUOTE = ("part", "kit", "labour", "quote")
"""Tables of the same list that only the hand-over's quote reads."""


def _prices(text: str, name: str) -> Prices:
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise NightviewError(name, f"is no TOML: {error}") from None
    data = {key: value for key, value in data.items() if key not in OF_THE_QUOTE}
    try:
        found = Prices.model_validate(
            _tuples(data), strict=True, by_alias=True, by_name=False, context=FromFile(Path())
        )
    except ValidationError as invalid:
        raise _told(invalid, name) from None
    gauges = [cable.gauge for cable in found.cables]
    for gauge in gauges:
        if gauges.count(gauge) > 1:
            raise NightviewError(f"{name}: cable", f'has "{gauge}" twice', "keep one price of it")
    return found


def _told(invalid: ValidationError, name: str) -> NightviewError:
    """The first of pydantic's errors, with the table and key it is about."""
    error = invalid.errors(include_url=False)[0]
    place = name
    for part in error["loc"]:
        place += f" number {part + 1}" if isinstance(part, int) else f": {part}"
    cause: Any = error.get("ctx", {}).get("error")
    if isinstance(cause, UnitError):
        return NightviewError(place, cause.problem, cause.remedy)
    kind = error["type"]
    if kind == "missing":
        return NightviewError(place, "is missing", "copy it from nightview's own prices.toml")
    if kind == "extra_forbidden":
        return NightviewError(place, "is no key of a price list", "drop it, or check its spelling")
    return NightviewError(place, error["msg"], "see nightview's own prices.toml")


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value
