"""The hand-over sheets as files: CSV, JSON with its schema, and one HTML page to print."""

from __future__ import annotations

import csv
import html
import io
import json
import re

from nightview.wiring.report import Report, as_json, schema
from nightview.wiring.report_text import (
    Sheet,
    finding_lines,
    lamps_table,
    runs_table,
    sheets_of,
    summary,
    transformers_table,
)

_STYLE = """
@page { margin: 14mm }
body { font: 10pt/1.35 Georgia, serif; color: #111; margin: 2em auto; max-width: 60em }
section { break-after: page; margin-bottom: 3em }
section:last-of-type { break-after: auto }
h1 { font-size: 15pt; margin: 0 0 .2em } h2 { font-size: 12pt; margin: 1.2em 0 .4em }
table { border-collapse: collapse; width: 100%; font-size: 9pt }
thead { display: table-header-group } tr { break-inside: avoid }
th { text-align: left; border-bottom: 1.5px solid #111; padding: .2em .6em .2em 0 }
td { border-bottom: 1px solid #bbb; padding: .25em .6em .25em 0; vertical-align: top }
.n { text-align: right; font-variant-numeric: tabular-nums }
.fault { font-weight: bold }
.cautions { font-size: 7.5pt; line-height: 1.25; color: #333; border-top: 1px solid #111;
  margin-top: 1.4em; padding-top: .5em; break-inside: avoid }
.cautions li { margin: 0 } ul { margin: .3em 0; padding-left: 1.3em }
"""


def files_of(report: Report, stem: str, feet: bool) -> dict[str, str]:
    """The files' texts by name, all beginning with the stem."""
    texts = {f"{stem}-{sheet.name}.csv": csv_of(sheet) for sheet in sheets_of(report, feet)}
    data = {"$schema": f"{stem}-wiring.schema.json", **as_json(report)}
    texts[f"{stem}-wiring.json"] = json.dumps(data, indent=1, ensure_ascii=False) + "\n"
    texts[f"{stem}-wiring.schema.json"] = json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"
    texts[f"{stem}-wiring.html"] = page(report, feet)
    return texts


def csv_of(sheet: Sheet) -> str:
    """A sheet as comma-separated text (RFC 4180)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(sheet.heads)
    writer.writerows(sheet.rows)
    return out.getvalue()


def page(report: Report, feet: bool) -> str:
    """One HTML page with every sheet on a printed page of its own, cautions on each."""
    title = html.escape(report.title)
    findings = "".join(
        f"<li{' class=fault' if one.severe else ''}>{html.escape(line)}</li>"
        for one, line in zip(report.findings, finding_lines(report), strict=True)
    )
    first = (
        "<h2>Findings</h2><ul>" + (findings or "<li>No faults were found.</li>") + "</ul>"
        "<h2>In short</h2>" + _list(summary(report, feet)) + _unwired(report)
        + "<h2>What this goes by</h2>" + _list(report.assumptions)
    )  # fmt: skip
    overview = "".join(
        f"<h2>{html.escape(sheet.title)}</h2>{_table(sheet)}"
        for sheet in (runs_table(report, feet), transformers_table(report), lamps_table(report))
    )
    sections = [("Wiring", first), ("Volts", overview)]
    sections += [(sheet.title, _table(sheet)) for sheet in sheets_of(report, feet)]
    cautions = _list(report.cautions)
    body = "".join(
        f"<section><h1>{title}: {html.escape(name)}</h1>{content}"
        f'<div class="cautions">{cautions}</div></section>\n'
        for name, content in sections
    )
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}: wiring</title>'
        f"<style>{_STYLE}</style></head><body>\n{body}</body></html>\n"
    )


def _unwired(report: Report) -> str:
    if not report.unwired:
        return ""
    return _list([f"On no cable: {', '.join(report.unwired)}."])


def _list(lines: list[str] | tuple[str, ...]) -> str:
    return "<ul>" + "".join(f"<li>{html.escape(line)}</li>" for line in lines) + "</ul>"


def _table(sheet: Sheet) -> str:
    def cells(texts: tuple[str, ...], tag: str) -> str:
        return "".join(
            f"<{tag}{'' if head in sheet.left else ' class=n'}>{_cell(text)}</{tag}>"
            for head, text in zip(sheet.heads, texts, strict=True)
        )

    rows = "".join(f"<tr>{cells(row, 'td')}</tr>" for row in sheet.rows)
    notes = "".join(f"<p>{html.escape(note)}</p>" for note in sheet.notes)
    if not sheet.rows:
        return notes
    return f"<table><thead><tr>{cells(sheet.heads, 'th')}</tr></thead><tbody>{rows}</tbody></table>{notes}"


def _cell(text: str) -> str:
    """A cell's text, a figure and its unit kept on one line."""
    return html.escape(re.sub(r"(?<=[0-9×]) (?=[0-9]|V\b|AWG\b|mm²)", "\u00a0", text))
