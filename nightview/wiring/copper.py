"""Conductors: their size, their resistance and what they may carry.

Two tables of resistance and one computation; sources beside each. All resistances are of one
conductor; a cable's loop is twice that.
"""

from __future__ import annotations

import math

from nightview.errors import NightviewError
from nightview.scene.faults import choice
from nightview.units import shown

FOOT_M = 0.3048
INCH_M = 0.0254

RHO_20 = 1.7241e-8
"""Resistivity of annealed copper at 20 °C [Ω·m], 100 % IACS: IEC 60028."""
ALPHA_20 = 0.00393
"""Its temperature coefficient at 20 °C [1/K], constant mass: IEC 60028."""
ALPHA_75 = 0.00323
"""The same from 75 °C: NEC chapter 9 table 8, note 2."""

_NEC_75 = {18: 7.95, 16: 4.99, 14: 3.14, 12: 1.98, 10: 1.24, 8: 0.778}
"""Ω per 1000 ft at 75 °C, stranded, uncoated: NFPA 70 chapter 9 table 8."""
_IEC_CLASS_2 = {1.5: 12.1, 2.5: 7.41, 4.0: 4.61, 6.0: 3.08, 10.0: 1.83}
"""Ω/km at 20 °C at most, stranded plain copper: IEC 60228 table 2."""
_IEC_CLASS_5 = {1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91}
"""Ω/km at 20 °C at most, flexible plain copper: IEC 60228 table 3."""
_FUSE_A = {18: 7.0, 16: 10.0, 14: 15.0, 12: 20.0, 10: 30.0, 8: 40.0}
"""Largest fuse [A]: NEC 240.4(D); 8 AWG from table 310.16, 60 °C, from memory."""
_OLD_RULE = {18: 1380.0, 16: 2200.0, 14: 3500.0, 12: 7500.0, 10: 11920.0, 8: 18960.0}
"""Watt-feet a volt [common practice]: 12, 10 and 8 AWG mean a load spread evenly along cold cable
and I = W/12; 18, 16 and 14 AWG are of another origin that fits no single assumption."""

AWG = ("18 AWG", "16 AWG", "14 AWG", "12 AWG", "10 AWG", "8 AWG")
"""Thin to thick."""
METRIC = ("1.5 mm^2", "2.5 mm^2", "4 mm^2", "6 mm^2", "10 mm^2")
"""Thin to thick."""


def awg_diameter_m(number: int) -> float:
    """Diameter of a solid wire of that gauge [m]: ASTM B258, 0.005 in · 92^((36 − n)/39)."""
    return float(0.005 * INCH_M * 92.0 ** ((36 - number) / 39))


def area_m2(gauge: str) -> float:
    """Copper cross section [m²] of "12 AWG" or, as its name says, of "2.5 mm^2"."""
    number, unit = _split(gauge)
    if unit == "AWG":
        return math.pi / 4 * awg_diameter_m(round(number)) ** 2
    return number * 1e-6


def ohms_per_metre(gauge: str, table: str = "stranded", temperature_c: float = 75.0) -> float:
    """Resistance of one conductor [Ω/m] at a temperature of the copper [°C].

    table : "stranded" (NEC chapter 9 table 8; IEC 60228 class 2 for mm²), "flexible" (the same;
        class 5 for mm²) or "computed" (cross section and resistivity). NightviewError for another
        table or gauge.
    """
    number, unit = _split(gauge)
    if table == "computed":
        return RHO_20 * (1.0 + ALPHA_20 * (temperature_c - 20.0)) / area_m2(gauge)
    if table not in ("stranded", "flexible"):
        known = ("stranded", "flexible", "computed")
        raise NightviewError(
            "resistance", f"{shown(table)} is unknown", choice(table, known, "one of")
        )
    if unit == "AWG":
        at_75 = _NEC_75[round(number)] / (1000.0 * FOOT_M)
        return at_75 * (1.0 + ALPHA_75 * (temperature_c - 75.0))
    at_20 = (_IEC_CLASS_2 if table == "stranded" else _IEC_CLASS_5)[number] / 1000.0
    return at_20 * (1.0 + ALPHA_20 * (temperature_c - 20.0))


def loop_ohms(
    gauge: str, length_m: float, parallel: int = 1, table: str = "stranded",
    temperature_c: float = 75.0,
) -> float:  # fmt: skip
    """Resistance there and back [Ω] of so many equal cables side by side."""
    return 2.0 * length_m * ohms_per_metre(gauge, table, temperature_c) / parallel


def fuse_a(gauge: str) -> float:
    """The largest fuse before a cable [A], a conservative limit of what it may carry.

    A metric size takes that of the next thinner American one (our choice).
    """
    if _split(gauge)[1] == "AWG":
        return _FUSE_A[round(_split(gauge)[0])]
    return max((_FUSE_A[n] for n in _FUSE_A if area_m2(f"{n} AWG") <= area_m2(gauge)), default=7.0)


def thicker(gauge: str) -> str | None:
    """The next size up of the same series; None after the last."""
    series = AWG if _split(gauge)[1] == "AWG" else METRIC
    after = series.index(gauge) + 1
    return series[after] if after < len(series) else None


def old_rule_v(watts: float, length_m: float, gauge: str) -> float | None:
    """The drop [V] by the old rule of thumb, watts × feet / constant; None for metric sizes.

    Only to be shown beside the exact answer: ``_OLD_RULE`` says what it takes for granted.
    """
    number, unit = _split(gauge)
    if unit != "AWG":
        return None
    return watts * length_m / FOOT_M / _OLD_RULE[round(number)]


def _split(gauge: str) -> tuple[float, str]:
    if gauge not in AWG and gauge not in METRIC:
        raise NightviewError(
            "gauge", f"{shown(gauge)} is unknown", choice(gauge, (*AWG, *METRIC), "one of")
        )
    number, unit = gauge.split(" ")
    return float(number), unit
