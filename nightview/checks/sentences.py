"""What the client is told: one sentence a finding, in plain words, and always with the remedy."""

from __future__ import annotations

from collections.abc import Iterable

from nightview.checks.result import Result
from nightview.checks.words import Cures, findings, group_of


def sentences(results: Iterable[Result], cures: Cures) -> list[str]:
    """One sentence for each finding, the gravest first; each once."""
    told = (sentence(result, cures) for result in findings(results))
    return list(dict.fromkeys(text for text in told if text))


def sentence(result: Result, cures: Cures) -> str:
    """What a client is told of a finding; "" where there is nothing to tell."""
    seen = result.plain.strip().rstrip(".")
    if not (seen and result.is_finding):
        return ""
    joint = "; if you would rather not have it so, " if group_of(result) == "taste" else "; "
    return f"{seen}{joint}{_remedy(result, cures)}."


def _remedy(result: Result, cures: Cures) -> str:
    if result.key not in cures:
        return "the remedy is still to be worked out"
    cure = cures[result.key]
    if cure is None:
        return "it is settled on site, when the lamps are aimed"
    plain = cure.plain.strip().rstrip(".")
    if not cure.changes:
        return plain
    return f"the remedy: {plain}" if cure.cleared else f"this eases it, though not wholly: {plain}"
