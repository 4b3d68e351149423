"""Text to SI numbers: "5 ft 6 in" is 1.6764 m, "36 deg" is 36°, "2700 K" is 2700 K.

Units live at the edge only: behind it all is plain floats in metres, degrees, lumens, candela,
lux, cd/m², kelvin and watts. The words and their sizes are a table made by pint; a number and its
unit are told apart by pattern, so that no text of a user is ever evaluated.
"""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

_LONGEST = 200  # characters; a longer text is no quantity, and is not worth a search


class UnitError(ValueError):
    """A text that is no such quantity: what is wrong with it, and what to write instead."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(f"{problem}; {remedy}")


@dataclass(frozen=True)
class Kind:
    """A kind of quantity: its name with its article, and the unit of the float we make of it."""

    name: str
    unit: str
    example: str
    others: tuple[str, ...] = ()  # further units to offer for a number that has none


LENGTH = Kind("a length", "m", "2.5 m", ("ft", "in"))
ANGLE = Kind("an angle", "deg", "36 deg")
FLUX = Kind("a luminous flux", "lm", "260 lm")
INTENSITY = Kind("a luminous intensity", "cd", "600 cd")
ILLUMINANCE = Kind("an illuminance", "lx", "0.5 lx")
LUMINANCE = Kind("a luminance", "cd/m^2", "5 cd/m^2")
CCT = Kind("a colour temperature", "K", "2700 K")
POWER = Kind("a power", "W", "4.5 W")
VOLTAGE = Kind("a voltage", "V", "12 V")
CURRENT = Kind("a current", "A", "5 A")
RESISTANCE = Kind("a resistance", "ohm", "0.05 ohm")
APPARENT_POWER = Kind("an apparent power", "VA", "5 VA")
TIME = Kind("a time", "h", "5 h")
TEMPERATURE = Kind("a temperature", "degC", "20 degC", ("degF",))
_KINDS = (
    LENGTH,
    ANGLE,
    FLUX,
    INTENSITY,
    ILLUMINANCE,
    LUMINANCE,
    CCT,
    POWER,
    VOLTAGE,
    CURRENT,
    RESISTANCE,
    APPARENT_POWER,
    TIME,
    TEMPERATURE,
)

# Spellings that are no word pint could hold, and the word they stand for.
_SIGNS = {
    **dict.fromkeys(("cd/m^2", "cd/m2", "cd/m²"), "nit"),
    **dict.fromkeys(("''", '"', "″", "”"), "inch"),
    **dict.fromkeys(("'", "′", "’"), "foot"),
    **{"°C": "degC", "°F": "degF", "°": "degree", "Ω": "ohm", "mΩ": "milliohm"},
}
_NUMBER = (
    r"(?:[0-9]+[ -]+[0-9]+/[0-9]+|[0-9]+/[0-9]+"  # 6 1/2 and 6-1/2, 1/2
    r"|(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
)
_UNIT = rf"(?:{'|'.join(map(re.escape, _SIGNS))}|[A-Za-z]+)"
_BETWEEN = r"(?:-|\s*)"  # 5'-6" as on a drawing, but not "5 ft -6 in"
_PART = re.compile(rf"({_NUMBER})\s*({_UNIT})")
_WHOLE = re.compile(rf"([+−-]?)\s*({_NUMBER}\s*{_UNIT}(?:{_BETWEEN}{_NUMBER}\s*{_UNIT})*)")
_BARE = re.compile(rf"[+−-]?\s*{_NUMBER}")
_LAST_BARE = re.compile(rf".*{_UNIT}[\s-]*({_NUMBER})")
_COMMA = re.compile(r"([+−-]?[0-9]+),([0-9]+\s*[^0-9,]*)")


# --- one quantity ---------------------------------------------------------------------------------


def length_m(value: object) -> float:
    """Metres of "0.45 m", "18 in", "5 ft 6 in", "5'-6\\"", "6 1/2 in"; UnitError otherwise."""
    return parse(value, LENGTH)


def angle_deg(value: object) -> float:
    """Degrees of "36 deg", "36°", "0.5 rad"; UnitError otherwise."""
    return parse(value, ANGLE)


def flux_lm(value: object) -> float:
    """Lumens of "260 lm", "1.2 klm"; UnitError otherwise."""
    return parse(value, FLUX)


def intensity_cd(value: object) -> float:
    """Candela of "600 cd", "1.2 kcd"; UnitError otherwise."""
    return parse(value, INTENSITY)


def illuminance_lx(value: object) -> float:
    """Lux of "10 lx", "1 fc"; UnitError otherwise."""
    return parse(value, ILLUMINANCE)


def luminance_cd_m2(value: object) -> float:
    """Candela per square metre of "5 cd/m^2", "5 nit", "1 fL"; UnitError otherwise."""
    return parse(value, LUMINANCE)


def cct_k(value: object) -> float:
    """Kelvin of "2700 K"; UnitError otherwise."""
    return parse(value, CCT)


def power_w(value: object) -> float:
    """Watts of "4.5 W", "0.3 kW" (not of "5 VA"); UnitError otherwise."""
    return parse(value, POWER)


def temperature_c(value: object) -> float:
    """Degrees Celsius of "75 degC", "20 °C", "167 degF"; UnitError otherwise."""
    degrees = parse(value, TEMPERATURE)  # of its own scale, in steps of 1 °C
    fahrenheit = isinstance(value, str) and value.strip().endswith("F")
    return degrees - 32.0 * 5.0 / 9.0 if fahrenheit else degrees


def parse(value: object, kind: Kind) -> float:
    """The value of a text in the kind's unit.

    Lengths may be compound, each part in a smaller unit than the one before. A leading minus
    holds for the whole: "-3 ft 6 in" is −1.0668 m. Raises UnitError for a number without a unit,
    a unit of another kind or unknown, a number that is not finite, and anything else.
    """
    if isinstance(value, float) and not math.isfinite(value):
        what = "is no number" if math.isnan(value) else "is no finite number"
        raise UnitError(f"{shown(value)} {what}", _example(kind))
    if not isinstance(value, str):
        raise _no_unit(value, kind) if _is_number(value) else _not_a(value, kind)
    text = value.strip() if len(value) <= _LONGEST else ""
    whole = _WHOLE.fullmatch(text)
    if whole is None:
        raise _unreadable(value, text, kind)
    total, smallest = 0.0, math.inf
    for number, unit in _PART.findall(whole[2]):
        factor = _factor(value, number, unit, kind)
        if factor >= smallest or (kind is not LENGTH and smallest < math.inf):
            raise _not_a(value, kind)
        total, smallest = total + _number(value, number, kind) * factor, factor
    if not math.isfinite(total):
        raise UnitError(f"{shown(value)} is too large", _example(kind))
    return -total if whole[1] in ("-", "−") else total


# --- several lengths ------------------------------------------------------------------------------


def point_m(value: object, n: int) -> tuple[float, ...]:
    """Metres of n lengths with commas between, "3 m, 4 ft 6 in"; UnitError otherwise."""
    return _lengths(value, n, ",", POINT_EXAMPLES[n])


def size_m(value: object, n: int) -> tuple[float, ...]:
    """Metres of n lengths with commas or "x" between, "12 m x 8 m"; UnitError otherwise."""
    return _lengths(value, n, ",x×X", SIZE_EXAMPLES[n])


POINT_EXAMPLES = {2: "4 m, 2.5 m", 3: "4 m, 2.5 m, 0.2 m"}
SIZE_EXAMPLES = {2: "12 m x 8 m", 3: "12 m x 8 m x 3 m"}


def _lengths(value: object, n: int, separators: str, example: str) -> tuple[float, ...]:
    write = f'write for example "{example}"'
    if not isinstance(value, str):
        raise UnitError(f"{shown(value)} is not {n} lengths in one text", write)
    if len(value) > n * _LONGEST:
        raise UnitError(f"{shown(value)} is not {n} lengths", write)
    parts = re.split(f"[{separators}]", value)
    if len(parts) != n:
        came = "1 length" if len(parts) == 1 else f"{len(parts)} lengths"
        raise UnitError(f"{shown(value)} has {came}, not {n}", write)
    try:
        return tuple(parse(part.strip(), LENGTH) for part in parts)
    except UnitError as error:
        raise UnitError(f"{shown(value)}: {error.problem}", error.remedy) from None


# --- writing --------------------------------------------------------------------------------------


def write_length(metres: float, feet: bool = False) -> str:
    """A length as one writes it: "0.45 m" to the centimetre, or "5 ft 6 in" to the inch."""
    if not feet:
        return f"{round(metres, 2) + 0.0:g} m"
    inches = round(abs(metres) / 0.0254)
    words = [f"{n} {unit}" for n, unit in zip(divmod(inches, 12), ("ft", "in"), strict=True) if n]
    return ("-" if metres < 0 and words else "") + (" ".join(words) or "0 ft")


def shown(value: object) -> str:
    """A value as the file has it, shortened, for a message."""
    if isinstance(value, str):
        text = value if len(value) <= 60 else value[:57] + "..."
        return json.dumps(text, ensure_ascii=False)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if abs(value) < 10**16 else "a huge number"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dict):
        return "a table"
    return "a list" if isinstance(value, (list, tuple)) else str(value)


def pattern(kind: Kind) -> str:
    """A regular expression, for editors, of one quantity of this kind (no anchors).

    Wide on purpose: it tells a bare number or a foreign unit, and leaves the rest to parse().
    """
    words = [word for word, (of, _) in _words().items() if of is kind]
    signs = [sign for sign, word in _SIGNS.items() if _words()[word][0] is kind]
    # The longest first, so that no word hides behind its own beginning.
    units = "|".join(re.escape(unit) for unit in sorted(words + signs, key=lambda w: (-len(w), w)))
    part = rf"{_NUMBER}\s*(?:{units})"
    return (
        rf"\s*[+−-]?\s*{part}(?:{_BETWEEN}{part})*\s*"
        if kind is LENGTH
        else rf"\s*[+−-]?\s*{part}\s*"
    )


# --- behind ---------------------------------------------------------------------------------------


@cache
def _words() -> dict[str, tuple[Kind, float]]:
    """Each unit word: its kind, and its size in the kind's unit. The table was made by pint."""
    table = tomllib.loads(Path(__file__).with_name("unit_words.toml").read_text(encoding="utf-8"))
    kinds = {kind.unit: kind for kind in _KINDS}
    return {
        word: (kinds[unit], size) for unit, sizes in table.items() for word, size in sizes.items()
    }


def _factor(value: str, number: str, unit: str, kind: Kind) -> float:
    words = _words()
    found = words.get(_SIGNS.get(unit, unit))
    if found is None:
        ours = [word for word, (of, _) in words.items() if of is kind]
        near = difflib.get_close_matches(unit, ours, n=1) or [
            word for word in ours if word.lower() == unit.lower()
        ]
        write = f'write "{number} {near[0]}"' if near else _write(number, kind)
        raise UnitError(f'{shown(value)}: "{unit}" is no unit of {kind.name}', write)
    if found[0] is not kind:
        raise UnitError(f"{shown(value)} is {found[0].name}, not {kind.name}", _example(kind))
    return found[1]


def _number(value: str, text: str, kind: Kind) -> float:
    whole, _, fraction = (
        text.replace("-", " ").rpartition(" ") if "/" in text else (text, "", "0/1")
    )
    over, under = fraction.split("/")
    if float(under) == 0.0:
        raise _not_a(value, kind)
    return float(whole or 0) + float(over) / float(under)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _write(number: str, kind: Kind) -> str:
    *first, last = [f'"{number} {unit}"' for unit in (kind.unit, *kind.others)]
    return "write " + (", ".join(first) + " or " if first else "") + last


def _example(kind: Kind) -> str:
    return f'write for example "{kind.example}"'


def _not_a(value: object, kind: Kind) -> UnitError:
    return UnitError(f"{shown(value)} is not {kind.name}", _example(kind))


def _no_unit(value: object, kind: Kind) -> UnitError:
    number = value.strip() if isinstance(value, str) else shown(value)
    remedy = _write(number, kind) if len(number) <= 12 else _example(kind)
    return UnitError(f"{shown(value)} has no unit", remedy)


def _unreadable(value: str, text: str, kind: Kind) -> UnitError:
    if _BARE.fullmatch(text):
        return _no_unit(value, kind)
    if comma := _COMMA.fullmatch(text):
        thousands = f', or "{comma[1]}{comma[2]}"' if re.match(r"[0-9]{3}\b", comma[2]) else ""
        remedy = f'write "{comma[1]}.{comma[2]}"' + thousands
        return UnitError(f"{shown(value)} has a comma in its number", remedy)
    if kind is LENGTH and (bare := _LAST_BARE.fullmatch(text)):
        problem = f"{shown(value)}: the last number, {bare[1]}, has no unit"
        return UnitError(problem, f'write for example "{text} in"')
    return _not_a(value, kind)
