"""nightview wire: what the installer needs before buying cable."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from nightview.errors import NightviewError, within

if TYPE_CHECKING:
    from nightview.scene.model import Scene
    from nightview.wiring.report import Report


def wire(
    scene: Path,
    *,
    json: Annotated[bool, Parameter(negative="")] = False,
    propose: Annotated[bool, Parameter(negative="")] = False,
    prices: Path | None = None,
    out: Path | None = None,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Calculate the volts at every lamp, hot and cold, and what is wrong with the wiring.

    The exit status is 0 if nothing is wrong, 1 if something is, 2 for bad input.

    Example: nightview wire scenes/cottage.toml --out handover

    Parameters
    ----------
    scene
        The scene file (TOML), with [[transformer]] and [[cable]] tables.
    json
        Print all figures as JSON instead of tables.
    propose
        Choose cables, gauges, taps and a transformer for the scene's lamps at least cost instead.
    prices
        With --propose: a price list (TOML) in place of the built-in one.
    out
        Folder for the sheets as CSV, JSON and a page to print; it is made if missing.
    overwrite
        Replace files that are there already.
    """
    from nightview.scene.read import read
    from nightview.scene.styled import in_feet

    job = read(scene)
    feet = in_feet(scene.read_text(encoding="utf-8-sig"))
    if prices is not None and not propose:
        raise NightviewError("--prices", "means nothing without --propose", "add --propose")
    if propose:
        _propose(job, scene, prices, json, feet, out, overwrite)
        return 0
    if not job.cables:
        raise NightviewError(
            scene.name,
            "has no cables to calculate",
            "add a [[transformer]] and a [[cable]] from it through lamps, or use --propose",
        )

    from nightview.wiring.faults import check
    from nightview.wiring.network import network_of
    from nightview.wiring.report import as_json, report_of

    with within(scene.name):
        report = report_of(job, check(network_of(job)))
    if out is not None:
        _write(report, out, scene.stem, feet, overwrite, quiet=json)
    if json:
        import json as text

        print(text.dumps(as_json(report), indent=1, ensure_ascii=False))
    elif out is None:
        _print(report, feet)
    return int(any(finding.severe for finding in report.findings))


def _propose(
    job: Scene, scene: Path, prices: Path | None, json: bool, feet: bool, out: Path | None,
    overwrite: bool,
) -> None:  # fmt: skip
    from nightview.wiring.prices import prices_of
    from nightview.wiring.propose import propose
    from nightview.wiring.propose_text import as_json as proposal_as_json
    from nightview.wiring.propose_text import told
    from nightview.wiring.report import as_json, report_of

    listed = prices_of(prices)
    with within(scene.name):
        proposal = propose(job, listed)
        report = report_of(proposal.scene, proposal.checked)
    if out is not None:
        _write(report, out, scene.stem, feet, overwrite, quiet=json)
    if json:
        import json as text

        whole = {"proposal": proposal_as_json(proposal), "wiring": as_json(report)}
        print(text.dumps(whole, indent=1, ensure_ascii=False))
        return
    print(told(proposal, feet))
    if out is None:
        _print(report, feet)


def _write(report: Report, out: Path, stem: str, feet: bool, overwrite: bool, quiet: bool) -> None:
    from nightview.commands.job import out_folder
    from nightview.picture.files import write_beside
    from nightview.wiring.report_text import finding_lines
    from nightview.wiring.sheets import files_of

    texts = files_of(report, stem, feet)
    out_folder(out)
    for name in texts:
        if (out / name).exists() and not overwrite:
            raise NightviewError(
                str(out / name), "is there already", "choose another folder, or add --overwrite"
            )
    for name, text in texts.items():
        data = text.encode()
        write_beside(out / name, lambda path, data=data: path.write_bytes(data))  # type: ignore[misc]
        if not quiet:
            print(out / name)
    if not quiet:
        for line in finding_lines(report):
            print(line)


def _print(report: Report, feet: bool) -> None:
    from nightview.wiring.report_text import terminal

    print(terminal(report, feet))
