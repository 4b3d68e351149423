"""What the checks found, as a table for the terminal: findings first, in words and not by colour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from nightview.checks.result import Result
from nightview.checks.words import (
    KINDS,
    NOTE,
    VERDICTS,
    Cures,
    findings,
    group_of,
    lamps_told,
    limit_told,
    place_told,
    remedy_told,
    value_told,
)

WIDTH = 100
"""Columns of a terminal that the table needs at most."""
_COLUMNS = (
    ("no.", 3), ("how", 7), ("what and where", 24), ("found", 9), ("limit", 15), ("lamps", 10),
    ("remedy", 24),
)  # fmt: skip
"""Their heads and widths; a blank stands between two, and at either end."""
_STYLE = {"strong": "bold red", "warn": "yellow", "taste": "cyan"}
"""Beside the words, never in their place."""


def table(results: Sequence[Result], cures: Cures) -> RenderableType:
    """All that is to be printed of a check; findings first, then what cannot be told, then a count."""
    found = findings(results)
    parts: list[RenderableType] = []
    parts.append(_findings(found, cures) if found else Text("No findings."))
    untold = [result for result in results if group_of(result) == "cannot tell"]
    if untold:
        parts += [Text("\nCannot tell", style="bold"), _untold(untold)]
    meant = [result for result in results if group_of(result) == "meant"]
    if meant:
        named = "; ".join(f"{result.check}, {result.place}" for result in meant)
        parts.append(Text(f"\nAs meant by the scene: {named}."))
    good = Counter(result.check for result in results if group_of(result) == "good")
    if good:
        named = ", ".join(f"{check} {count}" for check, count in good.items())
        parts.append(Text(f"\nGood: {named}."))
    parts.append(Text(f"\n{summary(results, cures)}"))
    parts.append(Text(NOTE))
    return Group(*parts)


def summary(results: Sequence[Result], cures: Cures) -> str:
    """One line: how many findings of each kind, and how many a remedy clears."""
    count = Counter(group_of(result) for result in results)
    told = [f"{count[group]} {VERDICTS[group]}" for group in ("strong", "warn", "taste")]
    cleared = 0
    sought = False
    for result in results:
        if result.counts and result.key in cures:
            sought = True
            cure = cures[result.key]
            cleared += cure is not None and cure.cleared
    after = f"; remedies clear {cleared} of {count['strong'] + count['warn']}" if sought else ""
    return f"Found {', '.join(told)}{after}."


def _findings(found: Sequence[Result], cures: Cures) -> Table:
    shown = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold", padding=0)
    for head, width in _COLUMNS:
        shown.add_column(head, width=width, overflow="fold")
    for number, result in enumerate(found, 1):
        group = group_of(result)
        where = Text(f"{result.check}\n", style="bold").append(Text(result.place, style="not bold"))
        if result.at is not None:
            where.append(Text(f"\n{place_told(result.at)}", style="not bold"))
        shown.add_row(
            Text(str(number)), Text(VERDICTS[group], style=_STYLE[group]), where, Text(value_told(result)),
            Text(f"{limit_told(result.limit)}; {KINDS[result.limit.kind]}"),
            Text(lamps_told(result.lamps)), Text(remedy_told(result, cures)),
        )  # fmt: skip
    return shown


def _untold(untold: Sequence[Result]) -> Table:
    shown = Table(box=None, width=WIDTH, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    shown.add_column(ratio=2, overflow="fold")
    shown.add_column(ratio=3, overflow="fold")
    for result in untold:
        shown.add_row(Text(f"{result.check}, {result.place}"), Text(result.reason))
    return shown
