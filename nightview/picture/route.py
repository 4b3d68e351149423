"""A site → the way of a camera: round the house or along views, clear of walls and leaves."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.light.field import LightField
from nightview.picture.path import Clear, Orbit, Path, bearing_deg, fitting_radius, walk
from nightview.scene.model import View
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

ROOM_M = 0.7
"""How far from leaves and walls an eye is kept, where it can be [our choice]: leaves any nearer
fill the picture."""
BRUSH_M = 0.3
"""The same on a walk, whose ways are narrow."""
_CLOSELY = 64
_FEELERS = 96
_FLOOR_M = 0.1
"""No room is asked for below this height: an eye may be low over the ground."""


def orbit_of(
    field: LightField, size: tuple[int, int], about: View | None = None, sweep_deg: float = 360.0
) -> Orbit:
    """An orbit on which no eye stands in or against anything.

    about : begin at this view and turn about its target. By default about the middle of the house
        that the scene's first view looks at, beginning at that view's eye, or farther off where
        the house is not all in the picture (``size`` is the picture's, in pixels).
    It is pushed out, and raised where that does not help, until it is clear; see ``Orbit.cleared``.
    NightviewError for a view that looks straight up or down.
    """
    view = about or field.site.scene.views[0]
    target, wanted = np.array(view.target_m), 0.0
    if about is None:
        low, high = house_bounds(field.site, target)
        target[:2] = ((low + high) / 2)[:2]
        half_width = float(np.linalg.norm((high - low)[:2])) / 2
        over = float(max(high[2] - target[2], target[2] - low[2]))
        wanted = fitting_radius(half_width, over, view.fov_deg, size)
    radius = max(float(np.linalg.norm(np.subtract(view.eye_m, target)[:2])), wanted)
    if radius < ROOM_M:
        raise NightviewError(
            f'view "{view.name}"', "it looks straight up or down: there is nothing to turn about",
            "name another view with --about",
        )  # fmt: skip
    x, y, z = (float(c) for c in target)
    start = bearing_deg(target, view.eye_m)
    orbit = Orbit((x, y, z), radius, view.eye_m[2], start, view.fov_deg, sweep_deg)
    return orbit.cleared(lambda eyes: has_room(field, eyes))


def walk_of(field: LightField, views: Sequence[View], frames: int) -> Path:
    """A walk along views that leads through nothing, bowed aside where it would.

    NightviewError as ``refuse_standing``, and where the way leads through a wall all the same.
    """
    refuse_standing(views)

    def clear(eyes: Array) -> NDArray[np.bool_]:
        return has_room(field, eyes, BRUSH_M)

    closely = walk(views, _CLOSELY * len(views), clear)
    met = passes_through(field, closely.eyes)
    if met:
        raise NightviewError(
            "--walk", f'the way {_between(field, views, clear)}leads through "{met}"',
            "add a view between that leads round it",
        )  # fmt: skip
    return walk(views, frames, clear)


def _between(field: LightField, views: Sequence[View], clear: Clear) -> str:
    """Which leg of a blocked walk it is, in words, if it is blocked taken by itself as well."""
    for one, other in itertools.pairwise(views):
        if passes_through(field, walk([one, other], _CLOSELY, clear).eyes):
            return f'from "{one.name}" to "{other.name}" '
    return ""


def refuse_standing(views: Sequence[View]) -> None:
    """NightviewError for a walk of fewer than two views, or with two alike one after the other."""
    if len(views) < 2:
        raise NightviewError(
            "--walk", f"a walk needs at least two views, {len(views)} came",
            'write for example "--walk lane,door"',
        )  # fmt: skip
    for one, other in itertools.pairwise(views):
        if (one.eye_m, one.target_m) == (other.eye_m, other.target_m):
            raise NightviewError(
                "--walk", f'"{one.name}" and "{other.name}" are the same place',
                "name views one after another that differ",
            )  # fmt: skip


def house_bounds(site: Site, near: Array) -> tuple[Array, Array]:
    """Lowest and highest corner [m] of the block nearest to a point; without blocks of all there is."""
    boxes = []
    for house in sorted(site.geometry.houses):
        corners = [patch.triangles[0] for patch in site.patches if patch.owner == house]
        points = np.concatenate(corners)
        boxes.append((points.min(axis=0), points.max(axis=0)))
    if not boxes:
        return site.bounds
    return min(boxes, key=lambda box: float(np.linalg.norm(near - np.clip(near, *box))))


def has_room(field: LightField, eyes: Array, room_m: float = ROOM_M) -> NDArray[np.bool_]:
    """Which of eyes (n, 3) are outside all solids, with nothing within some distance [m]."""
    feelers = (eyes[:, None] + room_m * _sphere(_FEELERS)).astype(np.float32)
    feelers[..., 2] = np.maximum(feelers[..., 2], min(_FLOOR_M, float(eyes[:, 2].min())))
    starts = np.repeat(eyes.astype(np.float32), _FEELERS, axis=0)
    touched = field.tracer.blocked(starts, feelers.reshape(-1, 3)).reshape(len(eyes), _FEELERS)
    inside = [solid.holds(eyes) for solid in field.site.solids]
    free: NDArray[np.bool_] = ~np.any([touched.any(axis=1), *inside], axis=0)
    return free


def passes_through(field: LightField, eyes: Array) -> str:
    """What a way along eyes (n, 3) leads through, by name; leaves and twigs let one pass. Or ""."""
    site = field.site
    for solid in site.solids:
        if solid.holds(eyes, depth_m=1e-4).any():
            return solid.owner
    starts, steps = eyes[:-1].astype(np.float32), np.diff(eyes, axis=0).astype(np.float32)
    moving = np.linalg.norm(steps, axis=1) > 1e-6
    hits = field.tracer.first(starts[moving], steps[moving])
    met = hits.triangle[(hits.triangle >= 0) & (hits.distance < 1.0)]
    plants = {crown.owner for crown in site.crowns}
    for surface in (site.geometry.surfaces[k] for k in np.unique(field.tracer.surface[met])):
        if isinstance(surface, Patch) or surface.owner not in plants:
            return surface.owner
    return ""


def _sphere(count: int) -> Array:
    """Directions spread evenly over the sphere, (count, 3): a sunflower's."""
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = np.arange(count) * (np.pi * (3.0 - np.sqrt(5.0)))
    flat = np.sqrt(1.0 - z * z)
    return np.column_stack([flat * np.cos(turn), flat * np.sin(turn), z])
