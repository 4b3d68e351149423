"""The installer's report: one HTML file that asks nothing of any network and prints on paper.

What is found comes first, each thing with its place, its value, its limit and what that rests on,
its cause, its remedy and the value after it; then the facade sheets, what is good, what cannot be
told, sentences for the client, the limits by kind, and the cautions.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape

from nightview.checks.limits import Kind, Limit
from nightview.checks.record import Record
from nightview.checks.result import Result
from nightview.checks.sentences import sentences
from nightview.checks.style import COLOURS, base
from nightview.checks.words import (
    HALF_CURED,
    KINDS,
    NOTE,
    VERDICTS,
    Cures,
    Group,
    after_told,
    findings,
    group_of,
    is_half_cured,
    lamps_told,
    limit_told,
    place_told,
    remedy_words,
    value_told,
    with_unit,
)
from nightview.scene.cautions import CAUTIONS

MAKER = "nightview check"
"""Stands in every report as its maker, so that we know our own again."""

HEADS: dict[Group, str] = {
    "strong": "Strong", "warn": "Warnings", "taste": "Matters of taste, which are no faults",
    "meant": "As the scene means it", "cannot tell": "What cannot be told", "good": "Good",
}  # fmt: skip
KIND_NOTES: dict[Kind, str] = {
    "code": "Law where it is adopted.",
    "guidance": "Published by a standards body, an authority or a society; no law by itself.",
    "practice": "What the trade does; no single source stands behind it.",
    "taste": "Told so that it can be talked about; never a fault.",
}
NOT_TOLD = (
    "How bright it will seem to one pair of eyes, and the exact colour: both shift with the hour, with "
    "age and with what the eye has just seen.",
    "Single leaves, this year's growth, and what dirt or a bent stake does to a lamp.",
    "Whether anyone is safer for it, and whether an authority will approve it.",
    "The glow of the sky beyond this site.",
)


@dataclass(frozen=True, eq=False)
class Picture:
    """A sheet to be shown: its name, the content of its PNG file, and what is to be seen in words."""

    name: str
    png: bytes
    told: str


def html(
    record: Record, results: Sequence[Result], cures: Cures, sheets: Sequence[Picture] = ()
) -> str:
    """The report as one HTML file; the same check gives the same text."""
    found = findings(results)
    parts = [
        ("summary", "Summary", _summary(record, results, cures)),
        ("findings", "Findings", _findings(found, cures, {r.key: r.limit.unit for r in results})),
        ("sheets", "Facade sheets", "".join(map(_sheet, sheets)) if sheets else
         "<p>No wall of this scene is lit by its lamps.</p>"),
        ("good", "Looked at and good", _good(results)),
        ("untold", "What cannot be told, and why", _untold(results)),
        ("client", "For the client", _client(results, cures)),
        ("limits", "The limits, by what they rest on", _limits(results)),
        ("cautions", "Cautions", _list(CAUTIONS)),
    ]  # fmt: skip
    links = "".join(f'<li><a href="#{key}">{head}</a></li>' for key, head, _ in parts)
    sections = "".join(
        f'<section id="{key}" aria-labelledby="{key}-head"><h2 id="{key}-head">{head}</h2>{body}'
        "</section>\n"
        for key, head, body in parts
    )
    late = f" · late in the evening: {escape(record.late)}" if record.late else ""
    facts = f"{escape(record.scene)} · {escape(record.state)}{late} · zone {escape(record.zone)}"
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="{MAKER}">\n'
        f"<title>{escape(record.title)}: lighting check</title>\n<style>\n{_css()}</style>\n"
        f"</head>\n<body>\n<header><h1>{escape(record.title)}: lighting check</h1>\n"
        f'<p>{facts}</p>\n<p class="note">{escape(NOTE)}</p></header>\n'
        f'<nav aria-label="Parts of this report"><ul>{links}</ul></nav>\n'
        f"<main>\n{sections}</main>\n</body>\n</html>\n"
    )


def _summary(record: Record, results: Sequence[Result], cures: Cures) -> str:
    counts = record.summary
    if counts.findings:
        sought = any(r.counts and r.key in cures for r in results)
        told = f"{_many(counts.findings, 'finding')} to mend"
        told += f"; the remedies below clear {counts.cured} of them." if sought else "."
    else:
        told = "Nothing to mend was found."
    rows = zip(
        ("strong", "warn", "taste", "meant", "good", "cannot tell"),
        (counts.strong, counts.warn, counts.taste, counts.meant, counts.good, counts.cannot_tell),
        strict=True,
    )
    body = "".join(f'<tr><th scope="row">{HEADS[g]}</th><td>{n}</td></tr>' for g, n in rows)  # type: ignore[index]
    return (
        f"<p><strong>{told}</strong></p>"
        '<table class="counts"><caption>Everything that was looked at</caption>'
        f'<thead><tr><th scope="col">Verdict</th><th scope="col">Number</th></tr></thead>'
        f"<tbody>{body}</tbody></table>"
    )


def _findings(found: Sequence[Result], cures: Cures, units: Mapping[tuple[str, str], str]) -> str:
    if not found:
        return "<p>There are none.</p>"
    parts = []
    last: Group | None = None
    for number, result in enumerate(found, 1):
        group = group_of(result)
        if group != last:
            parts.append(f"<h3>{HEADS[group]}</h3>")
            last = group
        parts.append(_finding(number, result, cures, units))
    return "".join(parts)


def _finding(
    number: int, result: Result, cures: Cures, units: Mapping[tuple[str, str], str]
) -> str:
    group = group_of(result)
    limit = result.limit
    rows = [
        ("Place", escape(_where(result))),
        ("Measured", f"<strong>{escape(value_told(result))}</strong>: {escape(result.said)}"),
        ("Limit", escape(f"{limit_told(limit)} ({_source(limit)})")),
        ("Cause", escape(lamps_told(result.lamps)) or "no single lamp"),
        ("Remedy", escape(remedy_words(result, cures))),
        ("After the remedy", _after(result, cures)),
    ]
    cure = cures.get(result.key)
    if cure is not None and cure.others:
        told = "; ".join(
            f"{check}, {place}: {with_unit(before, units.get((check, place), ''))} → {with_unit(after, units.get((check, place), ''))}"
            for check, place, before, after in cure.others
        )
        rows.append(("What else it moves", escape(told)))
    pairs = "".join(f"<div><dt>{name}</dt><dd>{text}</dd></div>" for name, text in rows)
    return (
        f'<article class="finding {group}"><h4><span class="badge {group}">{VERDICTS[group]}</span> '
        f"{number}. {escape(result.check)}</h4><dl>{pairs}</dl></article>\n"
    )


def _where(result: Result) -> str:
    return f"{result.place}, at {place_told(result.at)}" if result.at else result.place


def _source(limit: Limit) -> str:
    """The kind of a limit and its source, each said once."""
    kind = KINDS[limit.kind]
    return limit.source if kind in limit.source else f"{kind}: {limit.source}"


def _after(result: Result, cures: Cures) -> str:
    cure = cures.get(result.key)
    if cure is None or cure.after is None:
        return "not calculated: there is no remedy to try"
    if result.limit.verdict(cure.after) == "good":
        rest = "within the limit"
    else:
        rest = HALF_CURED if is_half_cured(result, cure) else "still beyond the limit"
    made = (
        "" if cure.applied else "; not made, since only taste speaks for it" if cure.changes else ""
    )
    return f"<strong>{escape(after_told(result, cures))}</strong>, calculated anew: {rest}{made}"


def _sheet(sheet: Picture) -> str:
    data = base64.b64encode(sheet.png).decode("ascii")
    return (
        f'<figure><img src="data:image/png;base64,{data}" alt="{escape(sheet.told)}">'
        f"<figcaption>{escape(sheet.name)}</figcaption></figure>\n"
    )


def _good(results: Iterable[Result]) -> str:
    rows = [r for r in results if group_of(r) in ("good", "meant")]
    if not rows:
        return "<p>Nothing was.</p>"
    return _table(
        "Each with its value and its limit",
        ("Check", "Place", "Value", "Limit", "Rests on", "In words"),
        [
            (
                result.check, result.place, value_told(result), limit_told(result.limit),
                KINDS[result.limit.kind],
                f"as the scene means it: {result.said}" if group_of(result) == "meant" else result.said,
            )
            for result in rows
        ],
    )  # fmt: skip


def _untold(results: Iterable[Result]) -> str:
    rows = [(r.check, r.place, r.reason) for r in results if group_of(r) == "cannot tell"]
    table = (
        _table("What was asked and has no answer here", ("Check", "Place", "Why"), rows)
        if rows
        else "<p>Every check that was asked gave an answer.</p>"
    )
    return f"{table}<p>No calculation tells:</p>{_list(NOT_TOLD)}"


def _client(results: Iterable[Result], cures: Cures) -> str:
    told = sentences(results, cures)
    if not told:
        return "<p>There is nothing to tell: the light is as it should be.</p>"
    return f"<ol>{''.join(f'<li>{escape(text)}</li>' for text in told)}</ol>"


def _limits(results: Iterable[Result]) -> str:
    used: dict[str, Limit] = {}
    for result in results:
        used.setdefault(result.limit.name, result.limit)
    parts = []
    for kind, word in KINDS.items():
        own = [limit for limit in used.values() if limit.kind == kind]
        parts.append(f"<h3>{word.capitalize()}</h3><p>{KIND_NOTES[kind]}</p>")
        if own:
            rows = [(limit.name, limit_told(limit), limit.source) for limit in own]
            parts.append(_table(f"Limits by {word}", ("Name", "Limit", "Source"), rows))
        else:
            parts.append("<p>No limit used here rests on it.</p>")
    parts.append(
        "<p>Ordinances differ from place to place. A scene states its own limits under "
        "<code>[check.limits]</code>, by these names.</p>"
    )
    return "".join(parts)


def _table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{escape(text)}</th>' for text in heads)
    body = "".join(
        "<tr>"
        + f'<th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td>{escape(text)}</td>" for text in row[1:])
        + "</tr>"
        for row in rows
    )
    return (
        f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def _list(texts: Sequence[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>"


def _many(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _css() -> str:
    badges = "".join(
        f".badge.{group} {{ color: {COLOURS[group][0]}; background: {COLOURS[group][1]}; }}\n"
        for group in ("strong", "warn", "taste")
    )
    return f"""\
{base(60)}h4 {{ font-size: 1rem; margin: 0 0 .4rem; }}
table.counts {{ width: auto; }}
.finding {{ border: 1px solid #8b8f94; border-left-width: .4rem; padding: .6rem .8rem; margin: .6rem 0;
  break-inside: avoid; }}
.finding.strong {{ border-left-color: {COLOURS["strong"][1]}; }}
.finding.warn {{ border-left-style: double; }}
.finding.taste {{ border-left-style: dotted; }}
.badge {{ padding: .05rem .45rem; border-radius: .2rem; font-size: .85rem; }}
{badges}dl {{ margin: 0; }}
dl div {{ display: grid; grid-template-columns: 9rem 1fr; gap: .6rem; }}
dt {{ color: {COLOURS["quiet"][0]}; background: {COLOURS["quiet"][1]}; }}
dd {{ margin: 0; overflow-wrap: anywhere; }}
@page {{ size: A4; margin: 14mm; }}
@page sheet {{ size: A4 landscape; margin: 0; }}
@media print {{
  body {{ max-width: none; padding: 0; font-size: 10pt; }}
  nav, #sheets h2 {{ display: none; }}
  h2, h3, h4 {{ break-after: avoid; }}
  tr {{ break-inside: avoid; }}
  .badge, thead th {{ print-color-adjust: exact; -webkit-print-color-adjust: exact; }}
  figure {{ page: sheet; break-before: page; break-after: page; margin: 0; }}
  figure img {{ border: 0; }}
  figcaption {{ display: none; }}
}}
"""
