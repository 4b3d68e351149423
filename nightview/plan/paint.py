"""A drawing as SVG, PDF and PNG, all three by matplotlib from the same marks.

The same drawing gives the same bytes: no time, no random numbers, no user's own settings, and a
typeface that comes with the library.
"""

from __future__ import annotations

import io
import logging
import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline
from numpy.typing import NDArray

from nightview.plan.drawing import MM_PER_PT, Area, Drawing, Line, Mark, Raster, Text

MAKER = "nightview plan"
"""Stands in every file as its maker, so that we know our own again."""

_SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "svg.fonttype": "none",  # text stays text: it can be searched and copied
    "svg.hashsalt": MAKER,
    "pdf.fonttype": 42,
    "path.simplify": False,
    "text.hinting": "none",  # letters run as wide as they were measured, at any resolution
}


def svg(drawing: Drawing) -> bytes:
    """One sheet as SVG in its true size."""
    with _figure(drawing) as figure:
        FigureCanvasSVG(figure)
        file = io.BytesIO()
        figure.savefig(
            file, format="svg",
            metadata={"Date": None, "Creator": MAKER, "Title": _printable(drawing.title)},
        )  # fmt: skip
    return file.getvalue()


def pdf(drawings: Sequence[Drawing]) -> bytes:
    """Sheets as the pages of one PDF in true size."""
    file = io.BytesIO()
    title = _printable(drawings[0].title)
    about = {"Creator": MAKER, "Producer": None, "CreationDate": None, "Title": title}
    with _ours(), PdfPages(file, metadata=about) as pages:
        for drawing in drawings:
            with _figure(drawing) as figure:
                FigureCanvasPdf(figure)
                pages.savefig(figure)
    return file.getvalue()


def pixels(drawing: Drawing, dpi: float) -> NDArray[np.uint8]:
    """One sheet as sRGB codes (h, w, 3)."""
    with _figure(drawing, dpi) as figure:
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].copy()


@contextmanager
def _ours() -> Iterator[None]:
    """Our settings and none of the user's; quiet about letters the typeface lacks."""
    logger = logging.getLogger("matplotlib")
    level = logger.level
    logger.setLevel(logging.ERROR)
    try:
        with warnings.catch_warnings(), mpl.rc_context():
            warnings.simplefilter("ignore")
            mpl.rcdefaults()
            mpl.rcParams.update(_SETTINGS)
            yield
    finally:
        logger.setLevel(level)


@contextmanager
def _figure(drawing: Drawing, dpi: float = 72.0) -> Iterator[Figure]:
    with _ours():
        figure = Figure(figsize=(drawing.width / 25.4, drawing.height / 25.4), dpi=dpi)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(0.0, drawing.width)
        axes.set_ylim(0.0, drawing.height)
        for order, mark in enumerate(drawing.marks):
            _draw(axes, mark, order)
        yield figure


def _draw(axes: Any, mark: Mark, order: int) -> None:
    if isinstance(mark, Raster):
        left, low, right, high = mark.box
        axes.imshow(
            mark.pixels, extent=(left, right, low, high), aspect="auto", zorder=order,
            interpolation="none",
        )  # fmt: skip
        return
    name = f"{_word(mark.name)}-{order}" if mark.name else None
    if isinstance(mark, Text):
        axes.text(
            *mark.at, _printable(mark.text), fontsize=mark.size, color=mark.colour, zorder=order, gid=name,
            ha={"middle": "center"}.get(mark.anchor, mark.anchor), va="baseline",
            weight="bold" if mark.bold else "normal", style="italic" if mark.italic else "normal",
            parse_math=False,
        )  # fmt: skip
        return
    if mark.shape.is_empty:
        return
    style: dict[str, Any] = {
        "zorder": order, "gid": name, "linewidth": mark.width / MM_PER_PT, "joinstyle": "round",
        "capstyle": "butt", "clip_on": False,
    }  # fmt: skip
    if mark.dash:
        style["linestyle"] = (0.0, [length / mark.width for length in mark.dash])
    if isinstance(mark, Line):
        style |= {"facecolor": "none", "edgecolor": mark.colour}
    else:
        style |= {"facecolor": mark.fill or "none", "edgecolor": mark.edge or "none"}
        if mark.alpha < 1.0:  # of the fill alone: an outline must stay legible
            style["facecolor"] = (mark.fill, mark.alpha) if mark.fill else "none"
    axes.add_artist(PathPatch(_path(mark), **style))  # add_patch would look for limits, at length


def _path(mark: Area | Line) -> Outline:
    parts: list[Outline] = []
    for part in shapely.get_parts(mark.shape):
        if part.geom_type == "Polygon":
            rings = [part.exterior, *part.interiors]
            parts += [Outline(np.asarray(ring.coords), closed=True) for ring in rings]
        elif part.geom_type == "LineString" and isinstance(mark, Line):
            parts.append(Outline(np.asarray(part.coords)))
    return Outline.make_compound_path(*parts)


def _printable(text: str) -> str:
    """The text without what XML may not hold: control letters and the like, as blanks."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _word(name: str) -> str:
    """A name that may stand as an id in XML."""
    return "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name)


def is_ours(path: str | os.PathLike[str]) -> bool:
    """Whether a file was written here."""
    try:
        found = Path(path).read_bytes()
    except OSError:
        return False
    mark = MAKER.encode()
    return any(start + mark in found for start in (b"(", b">", b"Software\0"))
