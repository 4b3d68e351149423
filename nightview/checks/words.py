"""How verdicts, values and limits are written, and in which order results are told."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Literal

from nightview.checks.limits import Kind, Limit
from nightview.checks.result import Result

if TYPE_CHECKING:
    from nightview.checks.remedies import Cure

Cures = Mapping[tuple[str, str], "Cure | None"]
"""By ``Result.key``: the remedy, None where none was found, no entry where none was sought."""

Group = Literal["strong", "warn", "taste", "meant", "cannot tell", "good"]
GROUPS: tuple[Group, ...] = ("strong", "warn", "taste", "meant", "cannot tell", "good")
"""Where a result is told: a finding that rests on taste alone is a group of its own."""

VERDICTS: dict[Group, str] = {
    "strong": "strong", "warn": "warning", "taste": "taste", "meant": "as meant",
    "cannot tell": "cannot tell", "good": "good",
}  # fmt: skip
KINDS: dict[Kind, str] = {
    "code": "code", "guidance": "published guidance", "practice": "common practice", "taste": "taste",
}  # fmt: skip
NOTE = (
    "Calculated, not measured. Eyes adapt; phones and screens differ. The final look is set by "
    "aiming on site at night."
)
HALF_CURED = "no fault any more, though not yet good"
DIGITS = 3
"""So many figures of a value are told; light is not known better."""


def group_of(result: Result) -> Group:
    """Where a result is told."""
    if result.is_finding and not result.counts:
        return "taste"
    return next(group for group in GROUPS if group == result.verdict)


def in_order(results: Iterable[Result]) -> list[Result]:
    """Results by group, in each the worst first; what is alike stays in the order of the checks."""

    def rank(result: Result) -> tuple[int, float]:
        excess = 0.0 if result.value is None else result.limit.excess(result.value)
        return GROUPS.index(group_of(result)), -round(excess, 6)

    return sorted(results, key=rank)


def findings(results: Iterable[Result]) -> list[Result]:
    """What there is to mend or at least to tell, the worst first; taste last."""
    return [result for result in in_order(results) if result.is_finding]


def number(value: float) -> str:
    """A value with as many figures as are known: "0.0123", "5.2", "240"."""
    if not math.isfinite(value):
        return "without bound"
    rounded = float(f"{value:.{DIGITS}g}") + 0.0
    return f"{rounded:.10f}".rstrip("0").rstrip(".").replace("-", "−")


def with_unit(value: float, unit: str) -> str:
    """A value and its unit; a ratio has none."""
    return f"{number(value)} {unit}".strip()


def value_told(result: Result) -> str:
    """What was found: "5.2", "12 %", or "cannot tell"."""
    if result.value is None:
        return "cannot tell"
    return with_unit(result.value, result.limit.unit)


def limit_told(limit: Limit) -> str:
    """Where good ends: "≤ 3, strong > 5"; "≤ 35 %, a fault > 60 %" where only strong is one."""
    most, beyond = ("≥", "<") if limit.below else ("≤", ">")
    told = f"{most} {with_unit(limit.warn, limit.unit)}"
    if limit.strong is None:
        return told
    word = "a fault" if limit.fault == "strong" else "strong"
    return f"{told}, {word} {beyond} {with_unit(limit.strong, limit.unit)}"


def place_told(at: tuple[float, float, float]) -> str:
    """A place in the scene's axes: "(2.93, −1.80, 0.93) m"."""
    figures = (f"{value + 0.0:.2f}".replace("-0.00", "0.00").replace("-", "−") for value in at)
    return f"({', '.join(figures)}) m"


def lamps_told(names: Sequence[str]) -> str:
    """Lamps by name, those of one row together: "front-1, -2, -3, door"."""
    told: list[str] = []
    row = ""
    for name in names:
        stem, dash, number_in_row = name.rpartition("-")
        same = bool(dash) and number_in_row.isdigit() and stem == row
        told.append(f"-{number_in_row}" if same else name)
        row = stem if dash and number_in_row.isdigit() else ""
    return ", ".join(told)


def remedy_words(result: Result, cures: Cures) -> str:
    """A finding's remedy for the installer."""
    if result.key not in cures:
        return "not sought"
    cure = cures[result.key]
    return "none was found" if cure is None else cure.words


def after_told(result: Result, cures: Cures) -> str:
    """The value after the remedy, calculated anew; "–" where there is none."""
    cure = cures.get(result.key)
    if cure is None or cure.after is None:
        return "–"
    return with_unit(cure.after, result.limit.unit)


def is_half_cured(result: Result, cure: Cure) -> bool:
    """Whether a remedy ends a fault and yet does not bring its value to where it is good."""
    return cure.cleared and cure.after is not None and result.limit.verdict(cure.after) != "good"


def remedy_told(result: Result, cures: Cures) -> str:
    """A finding's remedy with the value before and after it, where it changes."""
    after = after_told(result, cures)
    before, words = value_told(result), remedy_words(result, cures)
    cure = cures.get(result.key)
    rest = f"; {HALF_CURED}" if cure is not None and is_half_cured(result, cure) else ""
    return words if after in ("–", before) else f"{words}: {before} → {after}{rest}"
