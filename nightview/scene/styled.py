"""A number written in the unit of the text that it takes the place of."""

from __future__ import annotations

import math
import re

from nightview import units

_KINDS = {kind.unit: kind for kind in units._KINDS}
_UNIT_WORD = re.compile(r"[0-9.]\s*(''|[A-Za-z°'\"′″’”](?:[A-Za-z0-9/^²]*))")
_FEET = ("ft", "feet", "foot", "'", "′", "’")
_INCHES = ("in", "inch", "inches", '"', "''", "″", "”")
_FINE_M = 3e-4
"""Lengths are written to about this."""
_FEET_TEXT = re.compile(r"[0-9]\s*(?:ft|feet|foot|in|inches|inch|'|′|″)(?![A-Za-z])")
_METRE_TEXT = re.compile(r"[0-9]\s*(?:m|cm|mm|metres?|meters?)(?![A-Za-z0-9^²/])")


def in_feet(text: str) -> bool:
    """Whether more of a file's lengths are in feet and inches than in metres."""
    return len(_FEET_TEXT.findall(text)) > len(_METRE_TEXT.findall(text))


def quantity(value: float, unit: str, before: str, feet: bool) -> str:
    """A quantity as the file has it: in the unit of the text before, where it is one of that kind.

    value : in ``unit``, one of those of ``units.Kind``. before : the text to be replaced, or "".
    feet : for a length without a text before, feet and inches instead of metres.
    Lengths keep .3 mm, all else six figures.
    """
    kind = _KINDS[unit]
    words = _UNIT_WORD.findall(before)
    if kind is units.LENGTH:
        first = words[0] if words else ("ft" if feet else "m")
        if first in _FEET:
            return _feet_and_inches(value)
        if first in _INCHES:
            return f"{round(value / 0.0254, 2) + 0.0:.10g} in"
        word, size = _known(first, kind)
        digits = max(0, math.ceil(math.log10(size / _FINE_M)))
        return f"{round(value / size, digits) + 0.0:.10g} {word}"
    if kind is units.TEMPERATURE:  # the scales do not begin at the same zero
        in_f = before.strip().endswith("F")
        return f"{value * 1.8 + 32:.6g} degF" if in_f else f"{value:.6g} degC"
    word, size = _known(words[0] if words else unit, kind)
    return f"{value / size:.6g} {word}"


def _known(word: str, kind: units.Kind) -> tuple[str, float]:
    """The unit and its size; the kind's own where the word is none of its units."""
    try:
        return word, units.parse(f"1 {word}", kind)
    except units.UnitError:
        return kind.unit, 1.0


def _feet_and_inches(metres: float) -> str:
    whole, inches = divmod(round(abs(metres) / 0.0254, 2), 12)
    words = [f"{n:.10g} {unit}" for n, unit in ((whole, "ft"), (round(inches, 2), "in")) if n]
    return ("-" if metres < 0 and words else "") + (" ".join(words) or "0 ft")
