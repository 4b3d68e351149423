"""The files of a check: the report, its facade sheets and its data, each written whole."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from nightview.checks import report
from nightview.checks.job import Job
from nightview.checks.record import FORMAT, Record, text
from nightview.checks.result import Result
from nightview.checks.walls import walls_of
from nightview.checks.words import Cures
from nightview.picture.files import refuse_foreign, write_beside
from nightview.plan import paint
from nightview.plan.facade import Facade, facade, sheet_names, write_facade
from nightview.plan.papers import PAPERS, Paper


def facades(
    job: Job, results: Sequence[Result], cures: Cures, paper: Paper = PAPERS["a4"]
) -> list[Facade]:
    """The sheets of all walls that lamps are meant for, or that something was found on."""
    made = []
    for wall in walls_of(job):
        sheet = facade(wall, results, cures, paper)
        if wall.lamps or sheet.numbered:
            made.append(sheet)
    return made


def write_report(
    job: Job, results: Sequence[Result], cures: Cures, record: Record, folder: Path, stem: str,
    overwrite: bool = False, paper: Paper = PAPERS["a4"],
) -> list[Path]:  # fmt: skip
    """Write the report as HTML, its data as JSON and each facade as PNG; the paths written.

    Errors: NightviewError where a file is there already that was not made here, unless overwrite.
    """
    made = facades(job, results, cures, paper)
    page, data = folder / f"{stem}-check.html", folder / f"{stem}-check.json"
    pictures = [folder / name for one in made for name in sheet_names(stem, one)]
    for path in (page, data, *pictures):
        refuse_foreign(path, overwrite, is_ours, "report")
    sheets = []
    for one in made:
        paths = write_facade(one, folder, stem)
        for n, (sheet, path) in enumerate(zip(one.sheets, paths, strict=True)):
            told = f"{sheet.title}, continued." if n else one.told
            sheets.append(report.Picture(_name(one, n), path.read_bytes(), told))
    content = report.html(record, results, cures, sheets)
    write_beside(page, lambda beside: beside.write_bytes(content.encode("utf-8")))
    write_beside(data, lambda beside: beside.write_bytes(f"{text(record)}\n".encode()))
    return [page, data, *pictures]


def is_ours(path: str | os.PathLike[str]) -> bool:
    """Whether a file was written here: a sheet, a report or its data."""
    if paint.is_ours(path):
        return True
    try:
        start = Path(path).read_bytes()[:2000]
    except OSError:
        return False
    marks = (f'name="generator" content="{report.MAKER}"', f'"format": "{FORMAT}"')
    return any(mark.encode() in start for mark in marks)


def _name(one: Facade, number: int) -> str:
    told = f"{one.name}, {one.paper.told(one.scale)}"
    return told if number == 0 else f"{told}, continued"
