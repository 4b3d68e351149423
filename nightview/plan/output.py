"""The files of a plan: sheets as SVG, PDF and PNG, perspectives as PNG, each written whole."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nightview.picture import files
from nightview.picture.camera import Camera
from nightview.picture.caption import caption
from nightview.picture.png import write_png
from nightview.plan import paint
from nightview.plan.beams import Beams, Rays
from nightview.plan.foot import NOTE
from nightview.plan.perspective import DPI, labelled, perspective
from nightview.plan.sheet import Plan
from nightview.scene.views import plain

SHEET_DPI, LONGEST_PX = 200, 8000
"""Resolution of a sheet's PNG, less where its long side would be longer than this."""
STATE = "beams to half their peak"


def sheet_names(stem: str, sheets: int) -> list[str]:
    """The files of a plan: one PDF of all sheets, an SVG and a PNG of each."""
    parts = ["", *(f"-{n}" for n in range(2, sheets + 1))]
    return [
        f"{stem}-plan.pdf",
        *(f"{stem}-plan{part}.{kind}" for part in parts for kind in ("svg", "png")),
    ]


def beam_name(stem: str, view: str | None) -> str:
    """The file of a perspective from a view, or of the overview."""
    if view is None:
        return f"{stem}-beams.png"
    return f"{stem}-beams-{plain(view) or 'view'}.png"


def refuse_foreign(path: Path, overwrite: bool) -> None:
    """Stop before a file is replaced that was not made here, unless asked to."""
    files.refuse_foreign(path, overwrite, paint.is_ours, "plan")


def write_sheets(made: Plan, folder: Path, stem: str) -> list[Path]:
    """Write a plan's sheets in all three formats; the paths written."""
    paths = [folder / name for name in sheet_names(stem, len(made.sheets))]
    _write(paths[0], paint.pdf(made.sheets))
    told = f"{made.layout.paper.told(made.layout.scale)} on {made.layout.paper.name}"
    for number, sheet in enumerate(made.sheets):
        _write(paths[1 + 2 * number], paint.svg(sheet))
        dpi = min(SHEET_DPI, int(LONGEST_PX / max(sheet.width, sheet.height) * 25.4))
        texts = {"Title": sheet.title, "Software": paint.MAKER, "scale": told, "dpi": str(dpi)}
        write_png(paths[2 + 2 * number], paint.pixels(sheet, dpi), texts)
    return paths


def _write(path: Path, content: bytes) -> None:
    files.write_beside(path, lambda beside: beside.write_bytes(content))


def write_beams(
    rays: Rays, beams: Sequence[Beams], camera: Camera, view: str, path: Path,
    report: Callable[[int, int, str], None] = lambda *_: None,
) -> None:  # fmt: skip
    """Write a perspective with its lamps named and its caption."""
    title = rays.site.scene.title
    blank = np.full((camera.height, camera.width, 3), 255, np.uint8)
    strip = int((_captioned(blank, title, view) != 255).any(axis=(1, 2)).sum())
    drawn = perspective(rays, beams, camera, report)
    named = paint.pixels(labelled(rays, drawn, camera, strip), DPI)
    texts = {"Title": title, "view": view, "state": STATE, "Software": paint.MAKER}
    write_png(path, _captioned(named, title, view), texts)


def _captioned(pixels: NDArray[np.uint8], title: str, view: str) -> NDArray[np.uint8]:
    return caption(pixels, title, view, STATE, None, NOTE)
