"""A price list of parts, kits, wiring and labour: the user's own, as TOML or CSV, in exact decimals.

The TOML is ``wiring/prices.toml``'s with more tables: [[part]], [[kit]], [labour], [quote]. What a
list leaves out has no price, and is named where it is asked for. The shipped list is invented.
"""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

from nightview.errors import NightviewError
from nightview.scene.faults import choice
from nightview.scene.wiring_model import Gauge
from nightview.units import APPARENT_POWER, VOLTAGE, UnitError, length_m, shown
from nightview.units import parse as quantity
from nightview.wiring.prices import listed_text

SHIPPED = "the shipped price list"
COLUMNS = ("kind", "name", "price", "currency", "holds")
KINDS = ("part", "kit", "transformer", "cable", "rate", "tax", "exclusion", "valid")
GAUGES: tuple[str, ...] = get_args(Gauge)
RATES = ("splice", "hub", "trench", "sleeve")
LABOUR = ("lamp", "job")
TAXED = ("parts", "labour")
MOST = Decimal(10) ** 7
"""No single price is higher."""
MOST_TAX = Decimal(1)
MOST_HELD = 1000

CURRENCIES = {
    code: digits
    for digits, codes in {
        0: "CLP ISK JPY KRW PYG UGX VND XAF XOF",
        2: "AED ARS AUD BGN BRL CAD CHF CNY COP CRC CZK DKK EGP EUR GBP GEL HKD HUF IDR ILS INR KES "
           "MAD MXN MYR NGN NOK NZD PEN PHP PKR PLN QAR RON RSD SAR SEK SGD THB TRY TWD UAH USD UYU "
           "ZAR",
        3: "BHD JOD KWD OMR TND",
    }.items()
    for code in codes.split()
}  # fmt: skip
"""ISO 4217 codes and the decimals of their smallest unit [from memory of the standard's list]."""


@dataclass(frozen=True)
class Part:
    """A single fixture with its lamp. price : None where it is sold in kits alone, or not known.

    lamps : names of the scene's lamps that it serves. per_m : of a part sold by length, the length
    of one piece [m]; None for all others.
    """

    name: str
    price: Decimal | None
    lamps: tuple[str, ...]
    per_m: float | None = None


@dataclass(frozen=True)
class Kit:
    """A box with parts and perhaps a transformer in it. holds : so many of each, by name."""

    name: str
    price: Decimal
    holds: Mapping[str, int]


@dataclass(frozen=True)
class Supply:
    """A transformer; price : as a part's. taps_v, commons : None and 1 where the list is silent."""

    name: str
    price: Decimal | None
    power_va: float
    taps_v: tuple[float, ...] | None = None
    commons: int = 1


@dataclass(frozen=True)
class Rate:
    """A price for a length, or for a piece where per_m is None."""

    price: Decimal
    per_m: float | None = None
    per: str = ""


@dataclass(frozen=True)
class PriceList:
    """A price list. digits : decimals of the currency. cables : by gauge. rates : "splice", "hub",
    "trench", "sleeve". labour : "lamp" for each lamp placed and aimed, "job" once.

    tax : as a share. taxed : of "parts" and "labour", what it is on.
    """

    source: str
    currency: str
    digits: int
    parts: Mapping[str, Part]
    kits: Mapping[str, Kit] = field(default_factory=dict)
    transformers: Mapping[str, Supply] = field(default_factory=dict)
    cables: Mapping[str, Rate] = field(default_factory=dict)
    rates: Mapping[str, Rate] = field(default_factory=dict)
    labour: Mapping[str, Decimal] = field(default_factory=dict)
    tax: Decimal | None = None
    taxed: tuple[str, ...] = TAXED
    exclusions: tuple[str, ...] = ()
    valid: str = ""

    def part_for(self, lamp: str) -> Part | None:
        """The part that serves a lamp; None if the list has none."""
        return next((part for part in self.parts.values() if lamp in part.lamps), None)


def price_list_of(path: Path | None = None) -> PriceList:
    """A price list from a TOML or CSV file, or the shipped one.

    Errors: NightviewError where the file cannot be read or is no price list.
    """
    if path is None:
        wiring = (files("nightview.wiring") / "prices.toml").read_text("utf-8")
        own = (files("nightview.handover") / "prices.toml").read_text("utf-8")
        return _from_toml(f"{wiring}\n{own}", SHIPPED)
    read = _from_csv if path.suffix.lower() == ".csv" else _from_toml
    return read(listed_text(path), path.name)


# --- TOML -----------------------------------------------------------------------------------------

_KEYS = ("currency", "per", *RATES, "cable", "transformer", "part", "kit", "labour", "quote")


def _from_toml(text: str, name: str) -> PriceList:
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise NightviewError(name, f"is no TOML: {error}") from None
    _known(data, _KEYS, name)
    return _list(data, name)


def _known(table: Mapping[str, Any], keys: Sequence[str], place: str) -> None:
    for key in table:
        if key not in keys:
            remedy = choice(key, keys, "drop it, or write one of")
            raise NightviewError(f"{place}: {key}", "is no key of a price list", remedy)


def _tables(data: Mapping[str, Any], key: str, keys: Sequence[str], name: str) -> Iterator[tuple[str, dict[str, Any]]]:  # fmt: skip
    """Each table of an array, with its place in words."""
    found = data.get(key, [])
    if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
        raise NightviewError(f"{name}: {key}", "is no list of tables", f"write [[{key}]] tables")
    for number, table in enumerate(found, 1):
        title = table.get("name", table.get("gauge", ""))
        place = f"{name}: {key} {shown(title) if title else f'number {number}'}"
        _known(table, keys, place)
        yield place, table


# --- CSV ------------------------------------------------------------------------------------------


def _from_csv(text: str, name: str) -> PriceList:
    """The rows as the tables that the same list has as TOML."""
    try:
        rows = list(csv.reader(io.StringIO(text)))
    except csv.Error as error:
        raise NightviewError(name, f"is no CSV: {error}", "save it as plain CSV") from None
    heads = tuple(cell.strip().lower() for cell in rows[0]) if rows else ()
    if heads != COLUMNS:
        came = ", ".join(rows[0]) if rows else "nothing"
        raise NightviewError(
            f"{name}: line 1", f"the columns {', '.join(COLUMNS)} were expected, {came} came",
            f"write the first line {','.join(COLUMNS)}",
        )  # fmt: skip
    data: dict[str, Any] = {key: [] for key in ("part", "kit", "transformer", "cable")}
    quote: dict[str, Any] = {"exclusions": []}
    currencies: set[str] = set()
    for line, cells in enumerate(rows[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        place = f"{name}: line {line}"
        if len(cells) != len(COLUMNS):
            raise NightviewError(place, f"{len(COLUMNS)} cells were expected, {len(cells)} came",
                                 "put a text with a comma in it between quotes")  # fmt: skip
        kind, title, price, currency, holds = (cell.strip() for cell in cells)
        if kind not in KINDS:
            raise NightviewError(f"{place}: kind", f"{shown(kind)} is unknown",
                                 choice(kind, KINDS, "write one of"))  # fmt: skip
        if currency:
            currencies.add(currency)
        if kind == "exclusion":
            quote["exclusions"].append(title)
        elif kind == "valid":
            quote["valid"] = title
        elif kind == "tax":
            quote |= {
                "tax": price,
                "taxed": [one.strip() for one in title.split(";") if one.strip()],
            }
        else:
            given = (
                None if not price and kind in ("part", "transformer") else _csv_price(price, place)
            )
            _row_into(data, kind, title, given, holds, place)
    if len(currencies) > 1:
        told = ", ".join(sorted(currencies))
        raise NightviewError(f"{name}: currency", f"has {told}", "keep to one currency in a list")
    data["currency"] = next(iter(currencies), "")
    data["quote"] = {key: value for key, value in quote.items() if value}
    return _list(data, name)


def _row_into(
    data: dict[str, Any], kind: str, title: str, price: Decimal | None, holds: str, place: str
) -> None:
    if kind == "rate":
        target = data.setdefault("labour", {}) if title in ("lamp", "job") else data
        if title not in (*RATES, *LABOUR):
            raise NightviewError(f"{place}: name", f"{shown(title)} is no rate",
                                 choice(title, (*RATES, *LABOUR), "write one of"))  # fmt: skip
        if title in target:
            raise NightviewError(place, f"{shown(title)} is there twice", "keep one price of it")
        target[title] = price
        if holds:
            data.setdefault("per_of", {})[title] = holds
        return
    row: dict[str, Any] = {"name": title, **({} if price is None else {"price": price})}
    if kind == "kit":
        row["holds"] = _held(holds, place)
    elif kind == "part" and holds:
        row["lamps"] = [one.strip() for one in holds.split(";") if one.strip()]
    elif kind == "transformer":
        row["power"], *taps = [one.strip() for one in holds.split(";")]
        if taps:
            row["taps"] = taps
    elif kind == "cable":
        row = {"gauge": title, "price": price, **({"per": holds} if holds else {})}
    data[kind].append(row)


def _csv_price(text: str, place: str) -> Decimal:
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or "_" in text or not text.isascii():
        came = "is missing" if not text else f"{shown(text)} is no price"
        raise NightviewError(f"{place}: price", came, "write a plain number, as 42.50")
    return value


def _held(text: str, place: str) -> dict[str, int]:
    """ "4 accent 36; 2 path hat" as counts by name."""
    found: dict[str, int] = {}
    for piece in filter(None, (one.strip() for one in text.split(";"))):
        count, _, title = piece.partition(" ")
        if not (count.isascii() and count.isdigit() and title.strip()):
            raise NightviewError(f"{place}: holds", f"{shown(piece)} is no number and name",
                                 'write for example "4 accent 36; 2 path hat"')  # fmt: skip
        if title.strip() in found:
            raise NightviewError(f"{place}: holds", f"{shown(title.strip())} is there twice",
                                 "write it once, with the number of both")  # fmt: skip
        found[title.strip()] = int(count)
    return found


# --- what both hold -------------------------------------------------------------------------------


def _list(data: Mapping[str, Any], name: str) -> PriceList:
    currency = data.get("currency", "")
    if currency not in CURRENCIES:
        came = f"{shown(currency)} is no currency known here" if currency else "is missing"
        write = choice(
            str(currency), CURRENCIES, "write the ISO 4217 code of one, as USD; there are"
        )
        raise NightviewError(f"{name}: currency", came, write)
    digits = CURRENCIES[currency]
    per = str(data.get("per", "1 m"))
    _metres(per, f"{name}: per")
    per_of = data.get("per_of", {})
    cables = {
        gauge: Rate(price, _metres(own, place), own)
        for gauge, price, own, place in _cables(data, name, per, digits)
    }
    rates: dict[str, Rate] = {}
    for key in RATES:
        if key in data:
            price = _price(data[key], f"{name}: {key}", digits + 2)
            own = str(per_of.get(key, per))
            long = key in ("trench", "sleeve")
            rates[key] = Rate(price, _metres(own, f"{name}: {key}"), own) if long else Rate(price)
    supplies = dict(_supplies(data, name, digits))
    parts = dict(_parts(data, name, digits))
    kits = dict(_kits(data, name, digits, [*parts, *supplies]))
    for title in set(parts) & set(supplies):
        raise NightviewError(
            f"{name}: part {shown(title)}", "is a transformer's name too", "rename one"
        )
    labour = data.get("labour", {})
    _table(labour, f"{name}: labour")
    _known(labour, LABOUR, f"{name}: labour")
    quote = data.get("quote", {})
    _table(quote, f"{name}: quote")
    _known(quote, ("tax", "taxed", "exclusions", "valid"), f"{name}: quote")
    return PriceList(
        name, currency, digits, parts, kits, supplies, cables, rates,
        {key: _price(value, f"{name}: labour: {key}", digits) for key, value in labour.items()},
        _tax(quote.get("tax"), f"{name}: quote: tax"),
        _texts(quote.get("taxed", TAXED), f"{name}: quote: taxed", TAXED),
        _texts(quote.get("exclusions", ()), f"{name}: quote: exclusions"),
        _text(quote.get("valid", ""), f"{name}: quote: valid"),
    )  # fmt: skip


def _cables(data: Mapping[str, Any], name: str, per: str, digits: int) -> Iterator[tuple[str, Decimal, str, str]]:  # fmt: skip
    seen: set[str] = set()
    for place, table in _tables(data, "cable", ("gauge", "price", "per"), name):
        gauge = table.get("gauge", "")
        if gauge not in GAUGES:
            raise NightviewError(f"{place}: gauge", f"{shown(gauge)} is no gauge known here",
                                 choice(str(gauge), GAUGES, "write one of"))  # fmt: skip
        if gauge in seen:
            raise NightviewError(place, "is there twice", "keep one price of it")
        seen.add(gauge)
        yield gauge, _price(table.get("price"), f"{place}: price", digits + 2), str(table.get("per", per)), place  # fmt: skip


def _supplies(data: Mapping[str, Any], name: str, digits: int) -> Iterator[tuple[str, Supply]]:
    keys = ("name", "price", "power", "taps", "commons", "circuit_limit")
    for title, place, table in _named(data, "transformer", keys, name):
        try:
            power = quantity(table.get("power", ""), APPARENT_POWER)
        except UnitError as error:
            raise NightviewError(f"{place}: power", error.problem, error.remedy) from None
        if not 0.0 < power <= 1e5:
            raise NightviewError(f"{place}: power", f"{power:g} VA is out of range", "write its VA")
        commons = table.get("commons", 1)
        if type(commons) is not int or not 1 <= commons <= 12:
            raise NightviewError(f"{place}: commons", f"{shown(commons)} is no number of circuits",
                                 "write a whole number from 1 to 12")  # fmt: skip
        taps = _volts(table["taps"], f"{place}: taps") if "taps" in table else None
        yield title, Supply(title, _maybe(table, place, digits), power, taps, commons)


def _volts(value: Any, place: str) -> tuple[float, ...]:
    try:
        return tuple(quantity(one, VOLTAGE) for one in _texts(value, place))
    except UnitError as error:
        raise NightviewError(place, error.problem, error.remedy) from None


def _parts(data: Mapping[str, Any], name: str, digits: int) -> Iterator[tuple[str, Part]]:
    served: dict[str, str] = {}
    for title, place, table in _named(data, "part", ("name", "price", "lamps", "per"), name):
        lamps = _texts(table.get("lamps", (title,)), f"{place}: lamps")
        for lamp in lamps:
            if lamp in served:
                raise NightviewError(f"{place}: lamps",
                                     f"{shown(lamp)} is served by {shown(served[lamp])} already",
                                     "name it under one part alone")  # fmt: skip
            served[lamp] = title
        per = table.get("per")
        per_m = None if per is None else _metres(str(per), f"{place}: per")
        yield title, Part(title, _maybe(table, place, digits), lamps, per_m)


def _kits(data: Mapping[str, Any], name: str, digits: int, known: Sequence[str]) -> Iterator[tuple[str, Kit]]:  # fmt: skip
    for title, place, table in _named(data, "kit", ("name", "price", "holds"), name):
        holds = table.get("holds")
        if not isinstance(holds, dict) or not holds:
            raise NightviewError(f"{place}: holds", "does not say what is in the kit",
                                 'write for example holds = { "accent 36" = 4 }')  # fmt: skip
        for part, count in holds.items():
            if type(count) is not int or not 1 <= count <= MOST_HELD:
                raise NightviewError(f"{place}: holds: {part}", f"{shown(count)} is no number of pieces",
                                     f"write a whole number from 1 to {MOST_HELD}")  # fmt: skip
            if part not in known:
                raise NightviewError(f"{place}: holds", f"{shown(part)} is no part or transformer here",
                                     choice(part, known, "add it, with a price or without; there are"))  # fmt: skip
        yield title, Kit(title, _price(table.get("price"), f"{place}: price", digits), dict(holds))


def _named(data: Mapping[str, Any], key: str, keys: Sequence[str], name: str) -> Iterator[tuple[str, str, dict[str, Any]]]:  # fmt: skip
    """Tables that have a name, each name once."""
    seen: set[str] = set()
    for place, table in _tables(data, key, keys, name):
        title = _text(table.get("name", ""), f"{place}: name").strip()
        if not title:
            raise NightviewError(f"{place}: name", "is missing", "give it a name of its own")
        if title in seen:
            raise NightviewError(place, f"there is a second {key} of that name", "keep one of them")
        seen.add(title)
        yield title, place, table


def _price(value: Any, place: str, digits: int) -> Decimal:
    """A price that is not negative, with so many decimals at most."""
    if type(value) is int:
        value = Decimal(value)
    if not isinstance(value, Decimal) or not value.is_finite():
        came = "is missing" if value is None else f"{shown(value)} is no price"
        raise NightviewError(place, came, "write a plain number, as 42.50")
    if value < 0:
        raise NightviewError(place, f"{value} is negative", "write what it costs, 0 or more")
    if value > MOST:
        raise NightviewError(place, f"{value} is higher than {MOST}", "check the number")
    if -int(value.normalize().as_tuple().exponent) > digits:
        raise NightviewError(place, f"{value} has more than {digits} decimals", "round it")
    return value


def _maybe(table: Mapping[str, Any], place: str, digits: int) -> Decimal | None:
    return _price(table["price"], f"{place}: price", digits) if "price" in table else None


def _tax(value: Any, place: str) -> Decimal | None:
    if value is None:
        return None
    text = str(value).strip()
    try:
        rate = Decimal(text.removesuffix("%").strip())
    except InvalidOperation:
        rate = Decimal("NaN")
    if text.endswith("%"):
        rate = rate / 100
    if not rate.is_finite() or not 0 <= rate <= MOST_TAX:
        raise NightviewError(place, f"{shown(value)} is no tax rate", 'write for example "8.25 %"')
    return rate


def _metres(text: str, place: str) -> float:
    try:
        metres = length_m(text)
    except UnitError as error:
        raise NightviewError(place, error.problem, error.remedy) from None
    if not 1e-3 <= metres <= 1e4:
        raise NightviewError(
            place, f"{shown(text)} is out of range", 'write "1 m", "1 ft" or "100 ft"'
        )
    return metres


def _table(value: Any, place: str) -> None:
    if not isinstance(value, dict):
        raise NightviewError(
            place, f"{shown(value)} is no table", "write it in [brackets], keys below"
        )


def _text(value: Any, place: str) -> str:
    if not isinstance(value, str) or len(value) > 300 or any(ord(letter) < 32 for letter in value):
        raise NightviewError(place, f"{shown(value)} is no line of text", "write a text in quotes")
    return value


def _texts(value: Any, place: str, known: Sequence[str] | None = None) -> tuple[str, ...]:
    if not isinstance(value, (list, tuple)):
        raise NightviewError(
            place, f"{shown(value)} is no list", 'write for example ["one", "two"]'
        )
    found = tuple(_text(one, place) for one in value)
    for one in found:
        if known is not None and one not in known:
            raise NightviewError(place, f"{shown(one)} is unknown", choice(one, known, "write of"))
    return found
