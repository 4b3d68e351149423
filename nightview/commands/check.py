"""nightview check: what is wrong with the light, where, and the remedy proved."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from nightview.commands.job import lit_of, out_folder
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED

if TYPE_CHECKING:
    from nightview.checks.changes import Change
    from nightview.checks.remedies import Cure


def check(
    scene: Path | None = None,
    *,
    state: str = AS_DESIGNED,
    remedies: bool = True,
    json: Annotated[bool, Parameter(negative="")] = False,
    schema: Annotated[bool, Parameter(negative="")] = False,
    paper: str = "A4",
    out: Path | None = None,
    apply: Path | None = None,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Find hot spots, dark holes, glare, light in bedrooms and more; say the remedy and prove it.

    Every finding has a place, a value, a limit with its source, and the smallest change found that
    clears it, with the value calculated anew. Matters of taste are told and are no faults.

    The exit status is 0 if nothing above taste is found, 1 if something is, 2 for bad input.

    Example: nightview check scenes/cottage.toml --out report --apply mended.toml

    Parameters
    ----------
    scene
        The scene file (TOML); not needed with --schema.
    state
        Name of a state of the scene; "as designed" by default.
    remedies
        Look for remedies; --no-remedies leaves that out and is quicker.
    json
        Print the results as JSON instead of a table.
    schema
        Print the JSON Schema of those results, and do no more.
    paper
        Of the facade sheets: A4 or A3 in metres, Letter or Tabloid in feet, as for a plan.
    out
        Folder for the report: HTML with a page for each facade, PNG, JSON.
    apply
        Write the scene with the remedies made to this new file; comments are kept. Where there is
        nothing to change no file is written.
    overwrite
        Replace files that are not reports of nightview's, and the file of --apply.
    """
    if schema:
        from json import dumps

        from nightview.checks.record import schema as described

        print(dumps(described(), indent=2, ensure_ascii=False))
        return 0
    if scene is None:
        raise NightviewError("check", "no scene is named", "write nightview check SCENE.toml")
    job = lit_of(scene)
    from nightview.scene.states import label_of

    with within(scene.name):
        label_of(job, state)
        if apply is not None and not remedies:
            raise NightviewError("--apply", "there are no remedies to make", "drop --no-remedies")
    if apply is not None:
        _free(apply, scene, overwrite)
    if out is not None:
        from nightview.plan.papers import paper_of

        sheet = paper_of(paper)
        out_folder(out)

    from nightview.checks.job import Job
    from nightview.checks.record import record_of, text
    from nightview.checks.run import results_of
    from nightview.commands.progress import shown
    from nightview.light import cache
    from nightview.site.build import build

    with within(scene.name):
        with shown(f"Light of {scene.name}") as report:
            looked = Job.at(build(job), state, report)
            results = results_of(looked)
        cures: dict[tuple[str, str], Cure] = {}
        changes: tuple[Change, ...] = ()
        if remedies and any(result.is_finding for result in results):
            from nightview.checks.remedies import mended

            with shown(f"Remedies for {scene.name}") as report:
                found = mended(looked, results, report)
            cures, changes = {cure.key: cure for cure in found.cures}, found.changes
        cache.trim()
    record = record_of(looked, results, cures, scene.name)
    if json:
        print(text(record))
    else:
        from rich.console import Console

        from nightview.checks.table import WIDTH, table

        console = Console(highlight=False)
        if not console.is_terminal:
            console = Console(highlight=False, width=WIDTH)
        console.print(table(results, cures))
    if out is not None:
        from nightview.plan.report import write_report

        for path in write_report(looked, results, cures, record, out, scene.stem, overwrite, sheet):
            if not json:
                print(path)
    if apply is not None:
        if changes:
            _write_mended(apply, scene, changes)
        if not changes:
            print(f"nightview: {apply} is not written: nothing is to be changed", file=sys.stderr)
        elif not json:
            print(apply)
    return int(any(result.counts for result in results))


def _free(apply: Path, scene: Path, overwrite: bool) -> None:
    if apply.exists() and (apply.resolve() == scene.resolve() or not overwrite):
        raise NightviewError(
            str(apply), "this file is there already",
            "name a new file; the scene itself is never changed"
            if apply.resolve() == scene.resolve() else "name a new file, or add --overwrite",
        )  # fmt: skip


def _write_mended(apply: Path, scene: Path, changes: tuple[Change, ...]) -> None:
    from nightview.checks.applied import applied
    from nightview.picture.files import write_beside
    from nightview.scene.read import parse

    text = applied(scene.read_text(encoding="utf-8"), changes)
    parse(text, apply.name, scene.parent)  # what is written can be read again
    write_beside(apply, lambda beside: beside.write_bytes(text.encode("utf-8")))
