"""What a camera sees of the model: which points are in the picture and not hidden."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.light.rays import Tracer
from nightview.picture.camera import Camera
from nightview.scene.model import Hedge, Shrub, Tree
from nightview.site.build import Geometry, Site
from nightview.site.surface import Array

SHORT_M = 0.03
"""A ray to a point stops this far before it, so that the point's own edge does not hide it."""


def built(site: Site) -> Tracer:
    """All that is built, for rays; plants are left out."""
    return _tracer(site.geometry, plants_of(site))


def plants_of(site: Site) -> frozenset[str]:
    """The names of all plants, whose gaps and edges nobody can state."""
    named: list[Tree | Shrub | Hedge] = [*site.scene.trees, *site.scene.shrubs, *site.scene.hedges]
    return frozenset(plant.name for plant in named)


@lru_cache(maxsize=2)
def _tracer(geometry: Geometry, plants: frozenset[str]) -> Tracer:
    return Tracer(
        replace(
            geometry, crowns=(),
            patches=tuple(patch for patch in geometry.patches if patch.owner not in plants),
            meshes=tuple(mesh for mesh in geometry.meshes if mesh.owner not in plants),
        )
    )  # fmt: skip


def unhidden(site: Site, eye: Array, points: Array, short_m: float = SHORT_M) -> NDArray[np.bool_]:
    """Which of points (n, 3) nothing built hides from an eye (3,)."""
    points = np.asarray(points, float).reshape(-1, 3)
    way = points - eye
    length = np.linalg.norm(way, axis=1, keepdims=True)
    ends = points - way / np.maximum(length, 1e-9) * np.minimum(short_m, 0.5 * length)
    start = np.broadcast_to(np.asarray(eye, np.float32), points.shape)
    return ~built(site).blocked(np.ascontiguousarray(start), ends.astype(np.float32))


def in_picture(camera: Camera, points: Array, margin: float = 0.0) -> NDArray[np.bool_]:
    """Which of points (n, 3) lie before the camera and in the picture, a margin (share) inside it."""
    pixels, depth = camera.project(np.asarray(points, float).reshape(-1, 3))
    size = np.array([camera.width, camera.height])
    inside = ((pixels >= margin * size) & (pixels <= (1.0 - margin) * size)).all(axis=1)
    return (depth > 0.1) & inside
