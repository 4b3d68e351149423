"""Imported meshes: glTF, OBJ, PLY, STL."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.scene import model
from nightview.site.surface import Array, Mesh
from nightview.units import shown

NDArrayInt = NDArray[np.int64]

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
LARGEST_M = 1000.0
"""A mesh wider than this was surely drawn in another unit."""
HARD_EDGE_DEG = 30.0
FACES_AT_MOST = 2_000_000
NO_AREA_M2 = 1e-12
"""A parallelogram smaller than this is a line or a point, and its face is left out."""
LONGEST_EDGE_M = 0.35
"""Faces are divided until no edge is longer, so that light between vertices is followed."""


def load(mesh: model.Mesh, folder: Path) -> Mesh:
    """Read, scale, turn and place a mesh file.

    Errors: NightviewError for a missing, unreadable, empty or oversized mesh.
    """
    where = f'mesh "{mesh.name}": file = {shown(mesh.file)}'
    path = folder / mesh.file
    if not os.path.isfile(path):  # False, too, for a name that is too long or holds a NUL
        there = f'there is no such file in "{folder}"'
        raise NightviewError(where, there, "give its path from the scene file")
    if path.suffix.lower() not in (".glb", ".gltf", ".obj", ".ply", ".stl"):
        raise NightviewError(where, f"cannot read {path.suffix or 'a file without a suffix'}",
                             "export it as .glb, .gltf, .obj, .ply or .stl")  # fmt: skip
    if _cut_short(path):
        raise NightviewError(where, "ends before its last face", "export or copy it again")
    try:
        loaded: Any = trimesh.load(path, force="mesh", process=False)
        vertices = np.asarray(loaded.vertices, np.float64)
        faces = np.asarray(loaded.faces, np.int64)
    except Exception as error:  # readers of many formats fail in many ways on a damaged file
        raise NightviewError(
            where, f"cannot be read ({_short(error)})", "export it again"
        ) from None
    if len(faces) == 0 or vertices.ndim != 2:
        raise NightviewError(where, "holds no faces", "export it again, as a mesh of triangles")
    if path.suffix.lower() == ".ply" and len(faces) < _faces_stated(path):
        raise NightviewError(where, "ends before its last face", "export or copy it again")
    if len(faces) > FACES_AT_MOST:
        raise NightviewError(
            where, f"has {len(faces)} faces, more than {FACES_AT_MOST}", "simplify it"
        )
    if faces.min() < 0 or faces.max() >= len(vertices) or not np.isfinite(vertices).all():
        raise NightviewError(
            where, "is damaged: a face without its vertex, or no number", "export it again"
        )
    vertices = vertices * METRES[mesh.unit]
    up = mesh.up or ("y" if path.suffix.lower() in (".glb", ".gltf") else "z")
    if up == "y":
        vertices = vertices[:, [0, 2, 1]] * [1, -1, 1]
    size = float(np.ptp(vertices, axis=0).max())
    if size > LARGEST_M:
        raise NightviewError(
            where, f"is {size:.5g} m across, over {LARGEST_M:.0f} m",
            f'it was drawn in another unit than unit = "{mesh.unit}"; write "mm", "cm", "in" or "ft"',
        )  # fmt: skip
    if size < 1e-4:
        raise NightviewError(where, f"is only {size * 1000:.3g} mm across", "choose a larger unit")
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    if not (np.linalg.norm(np.cross(b - a, c - a), axis=1) > NO_AREA_M2).any():
        raise NightviewError(where, "holds no face that has an area", "export it again")
    turn = np.radians(mesh.turn_deg)
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    vertices = vertices @ spin.T + np.asarray(mesh.at_m)
    closed = _is_closed(vertices, faces)
    # A mesh of a few large faces is divided; one of many small ones stays as it is.
    vertices, faces = _divided(vertices, faces)
    lit = lit_mesh(mesh.name, mesh.name, mesh.material, vertices, faces)
    return replace(lit, closed=closed)


def _is_closed(vertices: Array, faces: NDArrayInt) -> bool:
    """Whether each edge belongs to two faces that go round it in opposite ways."""
    whole = trimesh.Trimesh(vertices, faces, process=True)  # makes vertices in one place one
    return bool(whole.is_watertight and whole.is_winding_consistent)


def _cut_short(path: Path) -> bool:
    """Whether an OBJ or STL file shows by its end, or its length, that its last faces are missing.

    STL: 80 bytes of heading, a count, 50 bytes a face; as text, "endsolid" after the last one.
    """
    kind = path.suffix.lower()
    if kind not in (".obj", ".stl"):
        return False
    try:
        size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(1024)
            file.seek(max(0, size - 4096))
            tail = file.read()
    except OSError:
        return False  # the reader tells why
    if kind == ".obj":
        last = (tail.replace(b"\\\n", b" ").rstrip().splitlines() or [b""])[-1].split()
        return last[:1] == [b"f"] and (len(last) < 4 or last[-1].endswith(b"/"))
    if head.lstrip()[:5].lower() == b"solid" and b"\0" not in head:
        return b"endsolid" not in tail.lower()
    return 0 < size < 84 or (size > 0 and size < 84 + 50 * int.from_bytes(head[80:84], "little"))


def _faces_stated(path: Path) -> int:
    """How many faces a PLY file's heading tells of."""
    with path.open("rb") as file:
        found = re.search(rb"element face (\d+)", file.read(1 << 14))
    return int(found[1]) if found else 0


def _short(error: Exception) -> str:
    text = str(error).strip().splitlines()
    return f"{type(error).__name__}: {text[0][:80]}" if text else type(error).__name__


def _divided(vertices: Array, faces: NDArrayInt) -> tuple[Array, NDArrayInt]:
    longest = max(LONGEST_EDGE_M, float(np.ptp(vertices, axis=0).max()) / 60)
    for _ in range(8):
        corners = vertices[faces]
        edges = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        if edges.max() <= longest or len(faces) > 200_000:
            break
        vertices, faces = trimesh.remesh.subdivide(vertices, faces, np.nonzero(edges > longest)[0])
    return vertices, faces


def lit_mesh(name: str, owner: str, material: str, vertices: Array, faces: NDArrayInt) -> Mesh:
    """A mesh with hard edges split, vertex normals, and the points its vertices are lit from."""
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(cross, axis=1)
    keep = area > NO_AREA_M2
    corners, cross, area, faces = corners[keep], cross[keep], area[keep], faces[keep]
    face_normal = cross / area[:, None]
    # Corners of faces that share a place and nearly a direction become one vertex.
    place = np.round(corners.reshape(-1, 3) / 1e-5).astype(np.int64)
    _, place_id = np.unique(place, axis=0, return_inverse=True)
    normal3 = np.repeat(face_normal, 3, axis=0)
    group = _smooth_groups(place_id.ravel(), normal3)
    count = group.max() + 1
    vertex = np.zeros((count, 3))
    vertex[group] = corners.reshape(-1, 3)
    normals = np.zeros((count, 3))
    np.add.at(normals, group, normal3 * np.repeat(area, 3)[:, None])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True) + 1e-30
    middle = np.zeros((count, 3))
    np.add.at(middle, group, np.repeat(corners.mean(axis=1), 3, axis=0))
    middle /= np.bincount(group, minlength=count)[:, None]
    towards = middle - vertex
    # On a ridge the faces' middles lie below the surface: go along it, never into it.
    towards -= np.minimum((towards * normals).sum(axis=1, keepdims=True), 0.0) * normals
    away = np.linalg.norm(towards, axis=1, keepdims=True)
    inset = vertex + towards * np.minimum(0.3, 0.004 / np.maximum(away, 1e-9))
    return Mesh(
        name,
        owner,
        material,
        vertex,
        normals,
        group.reshape(-1, 3).astype(np.int32),
        inset,
    )


def _smooth_groups(place_id: NDArrayInt, normal: Array) -> NDArrayInt:
    """Number the corners so that those at one place within the hard-edge angle share a number."""
    limit = np.cos(np.radians(HARD_EDGE_DEG))
    order = np.argsort(place_id, kind="stable")
    group = np.empty(len(place_id), np.int64)
    following = 0
    for start, end in _runs(place_id[order]):
        here = order[start:end]
        leaders: list[int] = []
        numbers: list[int] = []
        for corner in here:
            for leader, number in zip(leaders, numbers, strict=True):
                if normal[leader] @ normal[corner] >= limit:
                    group[corner] = number
                    break
            else:
                leaders.append(corner)
                numbers.append(following)
                group[corner] = following
                following += 1
    return group


def _runs(values: NDArrayInt) -> list[tuple[int, int]]:
    """Start and end of each run of equal values."""
    cuts = np.flatnonzero(np.diff(values)) + 1
    return list(zip([0, *cuts.tolist()], [*cuts.tolist(), len(values)], strict=True))
