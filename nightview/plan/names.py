"""Names on a plan: its lamps and views always, other things where there is room."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import shapely

from nightview.plan import symbols
from nightview.plan.drawing import (
    GREY,
    INK,
    LABEL,
    SMALL,
    THING,
    Mark,
    cut,
    width_of,
)
from nightview.plan.labels import Request, place
from nightview.plan.layout import Layout
from nightview.plan.outlines import Shape, tree_outline
from nightview.plan.papers import Paper
from nightview.scene.model import Tree, View
from nightview.site.build import Site
from nightview.site.surface import Array

NAME_MM = 48.0
"""Longer names are cut on the plan, so that every one finds room."""
_NAMED = ("block", "path", "bed", "pond", "terrace", "mesh", "hedge", "wall")


def view_marks(
    views: Sequence[View], laid: Layout, to_mm: Callable[..., Array]
) -> tuple[list[Mark], list[Request], list[str]]:
    """Eyes with their names; one that lies off the sheet stands on the frame, on its line of sight."""
    left, low, right, top = laid.frame
    inner = shapely.box(left + 3.0, low + 3.0, right - 3.0, top - 3.0)
    marks: list[Mark] = []
    requests: list[Request] = []
    texts: list[str] = []
    for view in views:
        eye, target = to_mm(view.eye_m[:2]), to_mm(view.target_m[:2])
        way = target - eye
        if np.linalg.norm(way) < 1e-9:
            way = np.array([0.0, 1.0])
        spot, text = eye, cut(f"view {view.name}", LABEL, NAME_MM)
        if not shapely.contains(inner, shapely.Point(*eye)):
            sight = shapely.intersection(shapely.LineString([eye, eye + way]), inner)
            on = np.asarray(sight.coords)[0] if sight.geom_type == "LineString" and not sight.is_empty \
                else np.clip(eye, [left + 3, low + 3], [right - 3, top - 3])  # fmt: skip
            spot = on
            away = float(np.linalg.norm(eye - on)) * laid.scale / 1000.0
            told = f"{away / 0.3048:.0f} ft" if laid.paper.inches else f"{away:.1f} m"
            text += f" (eye {told} beyond)"
        marks += symbols.eye(spot, way, view.fov_deg, f"view {view.name}")
        size = (width_of(text, LABEL) + 1.0, 3.0)
        requests.append(Request((float(spot[0]), float(spot[1])), size, 1.4))
        texts.append(text)
    return marks, requests, texts


def label_marks(
    site: Site, things: Sequence[Shape], laid: Layout, to_mm: Callable[..., Array],
    moved: Callable[[shapely.Geometry], shapely.Geometry], requests: list[Request],
    texts: list[str],
) -> list[Mark]:  # fmt: skip
    """All names on the plan: lamps and views always, things where there is room."""
    left, low, right, top = laid.frame
    requests, texts = list(requests), list(texts)
    styles: list[tuple[float, bool, str]] = [(LABEL, False, "view")] * len(texts)
    for lamp in site.fixtures:
        x, y = to_mm(lamp.position[:2])
        text = cut(lamp.id, LABEL, NAME_MM, True)
        size = (width_of(text, LABEL, True) + 0.6, 2.8)
        requests.append(Request((float(x), float(y)), size, symbols.LAMP_MM + 0.2))
        texts.append(text)
        styles.append((LABEL, True, "label"))
    zero = to_mm((0.0, 0.0))
    if left < zero[0] < right and low < zero[1] < top:
        requests.append(
            Request(
                (float(zero[0]), float(zero[1])), (width_of("datum 0, 0", SMALL) + 0.6, 2.6), 1.5
            )
        )
        texts.append("datum 0, 0")
        styles.append((SMALL, False, ""))
    named = [(item.name, moved(item.shape)) for item in things if item.kind in _NAMED]
    named += [(f"{tree.name} {_height(tree, laid.paper)}", moved(tree_outline(tree)))
              for tree in site.scene.trees]  # fmt: skip
    for name, shape in named:
        if shape.is_empty:
            continue
        name = cut(name, THING, NAME_MM)
        spot = shapely.point_on_surface(shape)
        size = (width_of(name, THING) + 0.6, 2.4)
        requests.append(Request((spot.x, spot.y), size, 0.8, 10.0, must=False))
        texts.append(name)
        styles.append((THING, False, "thing"))
    inset = (left + 0.8, low + 0.8, right - 0.8, top - 0.8)
    marks: list[Mark] = []
    for text, found, (size_pt, bold, kind) in zip(
        texts, place(requests, inset), styles, strict=True
    ):
        if found is None:
            continue
        marks += symbols.label(
            found, text, size_pt, 0.15, bold=bold, italic=kind in ("view", "thing"),
            colour=GREY if kind == "thing" else INK, name=f"{kind} {text}" if kind else "",
        )  # fmt: skip
    return marks


def _height(tree: Tree, paper: Paper) -> str:
    return f"{tree.height_m / 0.3048:.0f} ft" if paper.inches else f"{tree.height_m:g} m"
