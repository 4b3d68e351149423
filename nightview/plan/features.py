"""What stands, lies and shines on a site, as marks on its plan."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely

from nightview.lamps.colour import rgb_of_cct, srgb_encode
from nightview.plan.beams import Beams
from nightview.plan.drawing import (
    GREY,
    INK,
    PALE,
    WHITE,
    Area,
    Line,
    Mark,
)
from nightview.plan.outlines import Shape, stems, tree_outline
from nightview.scene.model import Tree
from nightview.site.surface import Array

Moved = Callable[[shapely.Geometry], shapely.Geometry]
"""From the site [m] to the sheet [mm], cut at the plan's frame."""

# fill, its opacity, edge, width [mm], dash [mm]
_STYLES: dict[str, tuple[str | None, float, str, float, tuple[float, ...]]] = {
    "ground": (None, 1.0, PALE, 0.18, (3.0, 1.0, 0.5, 1.0)),
    "path": ("#f1efe9", 1.0, GREY, 0.18, ()),
    "bed": ("#e9eee2", 1.0, GREY, 0.18, (0.6, 0.6)),
    "pond": ("#dfeaf0", 1.0, INK, 0.18, ()),
    "terrace": ("#eceded", 1.0, INK, 0.25, ()),
    "step": ("#f4f4f4", 1.0, INK, 0.18, ()),
    "slab": ("#eceded", 1.0, INK, 0.25, ()),
    "wall": ("#9a9da1", 1.0, INK, 0.18, ()),
    "column": ("#9a9da1", 1.0, INK, 0.25, ()),
    "post": (INK, 1.0, INK, 0.1, ()),
    "block": ("#d5d7da", 1.0, INK, 0.5, ()),
    "chimney": (WHITE, 1.0, INK, 0.25, ()),
    "window": (WHITE, 1.0, INK, 0.2, ()),
    "door": (WHITE, 1.0, INK, 0.2, ()),
    "mesh": ("#e2e3e5", 0.8, INK, 0.2, ()),
    "hedge": ("#dbe3d3", 0.8, GREY, 0.2, ()),
    "shrub": ("#dbe3d3", 0.8, GREY, 0.2, ()),
}
_LINES: dict[str, tuple[str, float, tuple[float, ...]]] = {
    "up": (INK, 0.25, ()), "swing": (GREY, 0.18, ()), "roof": (GREY, 0.2, (1.6, 0.8)),
}  # fmt: skip


def colour_of(cct_k: float) -> str:
    """A lamp's colour as a screen shows it at its brightest, "#rrggbb"."""
    rgb = rgb_of_cct(cct_k)
    codes = np.rint(255 * srgb_encode(rgb / rgb.max())).astype(int)
    return "#" + "".join(f"{code:02x}" for code in codes)


def thing_marks(thing: Shape, shape: shapely.Geometry) -> list[Mark]:
    """A thing as it is drawn; shape : its own on the sheet [mm]."""
    if shape.is_empty:
        return []
    name = f"{thing.kind} {thing.name}" if thing.name else ""
    if thing.kind in _LINES:
        colour, width, dash = _LINES[thing.kind]
        marks: list[Mark] = [Line(shape, colour, width, dash)]
        if thing.kind == "up" and shape.geom_type == "LineString":
            marks.append(_head(np.asarray(shape.coords)))
        return marks
    fill, alpha, edge, width, dash = _STYLES[thing.kind]
    marks = [Area(shape, fill, alpha, edge, width, dash, name)]
    if thing.kind == "window" and shape.geom_type == "Polygon":  # the glass
        marks.append(Line(_midline(shape), INK, 0.15))
    elif thing.kind == "pond":
        marks.append(Line(_waves(shape), GREY, 0.1))
    return marks


def _head(line: Array) -> Area:
    way = (line[-1] - line[-2]) / (np.linalg.norm(line[-1] - line[-2]) + 1e-9)
    across = np.array([-way[1], way[0]])
    tip = line[-1]
    return Area(
        shapely.Polygon([tip, tip - 1.6 * way + 0.6 * across, tip - 1.6 * way - 0.6 * across]), INK
    )


def _midline(box: shapely.Geometry) -> shapely.Geometry:
    """Along the middle of a window's box, the long way."""
    corners = np.asarray(box.minimum_rotated_rectangle.exterior.coords)[:4]
    if np.linalg.norm(corners[1] - corners[0]) < np.linalg.norm(corners[2] - corners[1]):
        corners = np.roll(corners, 1, axis=0)
    return shapely.LineString([(corners[0] + corners[3]) / 2, (corners[1] + corners[2]) / 2])


def _waves(pond: shapely.Geometry) -> shapely.Geometry:
    """Short level strokes, so that water is told from paving in grey."""
    left, low, right, top = pond.bounds
    strokes = [
        shapely.LineString([(x, y), (x + 3.0, y)])
        for n, y in enumerate(np.arange(low + 2.0, top, 4.0))
        for x in np.arange(left + (3.5 if n % 2 else 0.5), right, 7.0)
    ]
    return shapely.intersection(shapely.MultiLineString(strokes), pond.buffer(-0.5))


def beam_marks(beams: Beams, moved: Moved) -> list[Mark]:
    """A lamp's cone from above, dashed; what it lights on the ground; bars along lit walls."""
    if not beams:
        return []
    lamp = beams[0].lamp
    colour = colour_of(lamp.cct_k)
    outline = shapely.union_all([beam.outline for beam in beams])
    ground = shapely.union_all([beam.ground for beam in beams])
    marks: list[Mark] = []
    # A lamp that shines down lights just what its cone covers: one line is enough.
    if shapely.area(shapely.difference(outline, ground)) > 0.05 * outline.area:
        marks.append(Area(moved(outline), colour, 0.25, GREY, 0.2, (1.0, 0.6), f"cone {lamp.id}"))
    marks.append(Area(moved(ground), colour, 0.4, GREY, 0.2, (), f"footprint {lamp.id}"))
    for light in (light for beam in beams for light in beam.walls):
        flat = moved(light.lines)
        for line in shapely.get_parts(flat):
            if line.geom_type != "LineString":
                continue
            ends = np.asarray(line.coords)[[0, -1]]
            corners = [*(ends + 0.25 * light.normal), *(ends + 1.25 * light.normal)[::-1]]
            marks.append(Area(shapely.Polygon(corners), colour, 1.0, INK, 0.15))
    return marks


def tree_marks(tree: Tree, moved: Moved, to_mm: Callable[..., Array]) -> list[Mark]:
    """A crown, clear enough to see the lamps under it, and its stems."""
    crown = moved(tree_outline(tree))
    if crown.is_empty:
        return []
    marks: list[Mark] = [Area(crown, "#cfdac6", 0.35, INK, 0.25, (), f"tree {tree.name}")]
    for stem in stems(tree):
        dot = shapely.Point(*to_mm(stem)).buffer(0.7)
        if shapely.intersects(crown, dot):
            marks.append(Area(dot, GREY, edge=WHITE, width=0.1))
    return marks
