"""A drawing: marks on a sheet in millimetres from its lower left corner, drawn in their order.

It knows nothing of any file format; ``paint`` turns one drawing into SVG, PDF and PNG.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from PIL import ImageFont

INK, GREY, PALE, WHITE = "#16181b", "#63676c", "#b4b8bd", "#ffffff"
MM_PER_PT = 25.4 / 72
LABEL, THING, SMALL = 7.0, 6.0, 6.5
"""Sizes of type [pt]: lamps and views, names of things, key and figures."""
_MEASURED_AT = 200  # pixels an em: fine enough that rounding is lost


@dataclass(frozen=True, eq=False)
class Area:
    """Filled and outlined polygons. shape : shapely polygons [mm]. width : of the outline [mm].

    dash : lengths of stroke and gap in turn [mm]. name : what it stands for, for the file.
    """

    shape: shapely.Geometry
    fill: str | None = None
    alpha: float = 1.0
    edge: str | None = None
    width: float = 0.18
    dash: tuple[float, ...] = ()
    name: str = ""


@dataclass(frozen=True, eq=False)
class Line:
    """A line through points. shape : shapely lines [mm]."""

    shape: shapely.Geometry
    colour: str = INK
    width: float = 0.18
    dash: tuple[float, ...] = ()
    name: str = ""


@dataclass(frozen=True, eq=False)
class Text:
    """One line of text. at : its baseline's left end, middle or right end [mm]. size : [pt]."""

    at: tuple[float, float]
    text: str
    size: float = 7.0
    anchor: str = "left"
    bold: bool = False
    italic: bool = False
    colour: str = INK
    name: str = ""


@dataclass(frozen=True, eq=False)
class Raster:
    """A picture in a box (left, bottom, right, top) [mm]. pixels : (h, w, 3) uint8."""

    pixels: NDArray[np.uint8]
    box: tuple[float, float, float, float]


Mark = Area | Line | Text | Raster


@dataclass(frozen=True, eq=False)
class Drawing:
    """A sheet with its marks. width, height : [mm]."""

    width: float
    height: float
    title: str
    marks: tuple[Mark, ...] = field(default=())


def polyline(points: ArrayLike, **style: object) -> Line:
    """A line through points (n, 2) [mm]."""
    return Line(shapely.LineString(np.asarray(points, float)), **style)  # type: ignore[arg-type]


def width_of(text: str, size: float, bold: bool = False) -> float:
    """How wide a text runs in our typeface [mm]; size : [pt]."""
    return float(_font(bold).getlength(text)) / _MEASURED_AT * size * MM_PER_PT


@lru_cache(maxsize=2)
def _font(bold: bool) -> ImageFont.FreeTypeFont:
    """DejaVu Sans as it comes with matplotlib: the same letters on every machine."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return ImageFont.truetype(
        folder / ("DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"), _MEASURED_AT
    )


def wrapped(text: str, size: float, room: float) -> list[str]:
    """The words in lines no wider than room [mm]; a longer word has a line of its own."""
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(joined, size) <= room:
            lines[-1] = joined
        else:
            lines.append(word)
    return lines


def cut(text: str, size: float, room: float, bold: bool = False) -> str:
    """The text, shortened with "…" where it is wider than room [mm]."""
    if width_of(text, size, bold) <= room:
        return text
    kept = text
    while kept and width_of(kept + "…", size, bold) > room:
        kept = kept[:-1].rstrip()
    return kept + "…"
