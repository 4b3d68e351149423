"""Patches from simple shapes: polygons in space, boxes, tubes, prisms; and the solids they fill."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from shapely import affinity

from nightview.site.surface import Array, Patch, Solid, Tube, unit

UP = np.array([0.0, 0.0, 1.0])
LARGEST_PIECE_M = 4.0
"""Patches are cut to pieces no larger than this, so that a fine grid stays near its lamp."""

STANDS_IN_M = 0.01


def flat(
    name: str,
    owner: str,
    material: str,
    corners: Sequence[Array],
    *,
    right: Array | None = None,
    texel_m: float = 0.025,
    pattern_origin: Array | None = None,
    kind: str = "matte",
    opening: str = "",
) -> list[Patch]:
    """A flat polygon by its corners, counter-clockwise from outside, cut into pieces.

    right : the direction of u; by default the first edge.
    pattern_origin : (3,) world point where the material's pattern starts; by default the origin
        of the world projected into the plane, so that courses run on round a corner.
    """
    corners3 = np.asarray(corners, float)
    eu = unit(corners3[1] - corners3[0]) if right is None else unit(right)
    normal = _area_normal(corners3)
    ev = np.cross(normal, eu)
    relative = corners3 - corners3[0]
    ring = np.stack([relative @ eu, relative @ ev], axis=1)
    outline = shapely.Polygon(ring)
    start = np.zeros(3) if pattern_origin is None else np.asarray(pattern_origin, float)
    offset = corners3[0] - start
    return pieces(
        Patch(
            name, owner, material, corners3[0], eu, ev, outline, (1.0, 1.0), texel_m, kind,
            (float(offset @ eu), float(offset @ ev)), opening=opening,
        )
    )  # fmt: skip


def pieces(patch: Patch, largest_m: float = LARGEST_PIECE_M) -> list[Patch]:
    """The patch cut along a regular grid, each piece with its own origin and grid.

    ``patch.outline`` may lie anywhere in (u, v); ``patch.size`` is ignored.
    """
    outline = patch.outline
    if outline.is_empty or outline.area < 1e-8:
        return []
    u0, v0, u1, v1 = outline.bounds
    cuts_u = np.linspace(u0, u1, max(1, int(np.ceil((u1 - u0) / largest_m - 1e-6))) + 1)
    cuts_v = np.linspace(v0, v1, max(1, int(np.ceil((v1 - v0) / largest_m - 1e-6))) + 1)
    found = []
    for i, (left, right) in enumerate(itertools.pairwise(cuts_u)):
        for j, (low, high) in enumerate(itertools.pairwise(cuts_v)):
            part = outline
            if len(cuts_u) > 2 or len(cuts_v) > 2:
                part = _areas(shapely.intersection(outline, shapely.box(left, low, right, high)))
            if part.is_empty or part.area < 1e-8:
                continue
            pu, pv, qu, qv = part.bounds
            if min(qu - pu, qv - pv) < 1e-4:
                continue
            real = (i == 0, i == len(cuts_u) - 2, j == 0, j == len(cuts_v) - 2)
            found.append(
                Patch(
                    patch.name, patch.owner, patch.material,
                    patch.origin + pu * patch.eu + pv * patch.ev, patch.eu, patch.ev,
                    affinity.translate(part, -pu, -pv), (qu - pu, qv - pv), patch.texel_m,
                    patch.kind, (patch.pattern_at[0] + pu, patch.pattern_at[1] + pv), real,
                    opening=patch.opening,
                )
            )  # fmt: skip
    return found


def _areas(shape: shapely.Geometry) -> shapely.Geometry:
    """Only the polygons of a shape; cutting may leave lines and points behind."""
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return shapely.union_all(parts) if parts else shapely.Polygon()


def _area_normal(corners: Array) -> Array:
    """Unit normal of a polygon in space (Newell's method: sums over all edges)."""
    following = np.roll(corners, -1, axis=0)
    return unit(np.cross(corners, following).sum(axis=0))


def box(
    name: str,
    owner: str,
    material: str,
    frame: tuple[Array, Array, Array],
    low: Sequence[float],
    high: Sequence[float],
    *,
    skip: Iterable[str] = (),
    texel_m: float = 0.025,
) -> tuple[list[Patch], Solid]:
    """A box in a local frame (origin, ex, ey; z up): its faces and its solid.

    skip : faces left out, of "front" (−y), "back", "left" (−x), "right", "top", "bottom".
    """
    origin, ex, ey = frame
    (x0, y0, z0), (x1, y1, z1) = low, high

    def at(x: float, y: float, z: float) -> Array:
        return origin + x * ex + y * ey + z * UP

    faces = {
        "front": [at(x0, y0, z0), at(x1, y0, z0), at(x1, y0, z1), at(x0, y0, z1)],
        "right": [at(x1, y0, z0), at(x1, y1, z0), at(x1, y1, z1), at(x1, y0, z1)],
        "back": [at(x1, y1, z0), at(x0, y1, z0), at(x0, y1, z1), at(x1, y1, z1)],
        "left": [at(x0, y1, z0), at(x0, y0, z0), at(x0, y0, z1), at(x0, y1, z1)],
        "top": [at(x0, y0, z1), at(x1, y0, z1), at(x1, y1, z1), at(x0, y1, z1)],
        "bottom": [at(x0, y1, z0), at(x1, y1, z0), at(x1, y0, z0), at(x0, y0, z0)],
    }
    left_out = set(skip)
    patches = []
    for side, corners in faces.items():
        if side not in left_out:
            patches += flat(f"{name} {side}", owner, material, corners, texel_m=texel_m)
    return patches, solid_of_planes(owner, list(faces.values()))


def solid_of_planes(owner: str, faces: Sequence[Sequence[Array]]) -> Solid:
    """The convex solid that flat faces, counter-clockwise from outside, enclose."""
    planes = []
    for corners in faces:
        normal = _area_normal(np.asarray(corners, float))
        planes.append([*normal, -float(normal @ corners[0])])
    points = np.concatenate([np.asarray(corners, float) for corners in faces])
    return _sunk(Solid(owner, np.array(planes), points.min(axis=0), points.max(axis=0)))


def _sunk(solid: Solid) -> Solid:
    """The solid let a little into what it stands on, whose surface there is then inside it."""
    planes = solid.planes.copy()
    planes[planes[:, 2] < -0.99, 3] -= STANDS_IN_M
    return Solid(solid.owner, planes, solid.low - [0, 0, STANDS_IN_M], solid.high)


def tube(
    name: str,
    owner: str,
    material: str,
    foot: Array,
    top: Array,
    foot_radius_m: float,
    top_radius_m: float,
    *,
    texel_m: float = 0.025,
) -> Patch:
    """A round column, trunk or bough from foot to top."""
    foot, top = np.asarray(foot, float), np.asarray(top, float)
    axis = unit(top - foot)
    across = np.cross(axis, UP if abs(axis[2]) < 0.9 else np.array([0.0, 1.0, 0.0]))
    size = (2 * np.pi * max(foot_radius_m, top_radius_m), float(np.linalg.norm(top - foot)))
    return Patch(
        name, owner, material, foot, unit(across), axis, shapely.box(0, 0, *size), size, texel_m,
        tube=Tube(foot_radius_m, top_radius_m),
    )  # fmt: skip


def round_solid(owner: str, foot: Array, radius_m: float, height_m: float) -> Solid:
    """An upright round body, as an eight-sided prism.

    It lies within the drawn post even at a tapered one's top, or the post's own surface would count
    as buried in it.
    """
    angles = np.linspace(0, 2 * np.pi, 8, endpoint=False)
    planes = [[np.cos(a), np.sin(a), 0.0] for a in angles]
    normals = np.array([*planes, [0, 0, 1.0], [0, 0, -1.0]])
    reach = np.array([0.84 * radius_m] * 8 + [height_m, 0.0])
    foot = np.asarray(foot, float)
    planes4 = np.column_stack([normals, -(normals @ foot) - reach])
    margin = np.array([radius_m, radius_m, 0.0]) * 1.1
    return _sunk(Solid(owner, planes4, foot - margin, foot + margin + [0, 0, height_m]))
