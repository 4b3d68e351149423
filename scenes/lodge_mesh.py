"""Writes the meshes of scenes/lodge.toml: an open timber pavilion, its roof, a group of boulders.

Run in this folder: python lodge_mesh.py. Same bytes every time; numpy and trimesh only.
Units: metres; the pavilion is y-up, as glTF wants it, the boulders z-up. Light is worked out at the
vertices, so long timbers come in pieces of 0.3 m, and no part crosses another in plain view.
"""

from pathlib import Path

import numpy as np
import trimesh

HERE = Path(__file__).parent
SIDES, RADIUS_M, EAVES_M, PEAK_M = 8, 2.4, 2.5, 4.3
PIECE_M = 0.3


def beam(a: np.ndarray, b: np.ndarray, wide: float, high: float) -> trimesh.Trimesh:
    """A squared timber from a to b, its wide sides level."""
    length = np.linalg.norm(b - a)
    way = (b - a) / length
    up = np.array([0.0, 0.0, 1.0]) if abs(way[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    side = np.cross(up, way)
    side *= wide / 2 / np.linalg.norm(side)
    top = np.cross(way, side) * high / wide
    section = np.array([-side - top, side - top, side + top, -side + top])
    count = int(np.ceil(length / PIECE_M))
    points = np.concatenate([a + way * length * k / count + section for k in range(count + 1)])
    faces = [(0, 2, 1), (0, 3, 2)]
    for k in range(count):
        for i in range(4):
            low, j = 4 * k, (i + 1) % 4
            faces += [(low + i, low + j, low + 4 + j), (low + i, low + 4 + j, low + 4 + i)]
    faces += [(4 * count, 4 * count + 1, 4 * count + 2), (4 * count, 4 * count + 2, 4 * count + 3)]
    return trimesh.Trimesh(points, faces, process=False)


def tent(rim: np.ndarray, peak: np.ndarray, thickness: float) -> trimesh.Trimesh:
    """One closed shell over a rim (counter-clockwise from above): a roof, or flat, a floor."""
    n = len(rim)
    top = np.concatenate([rim, [peak]])
    points = np.concatenate([top, top - [0, 0, thickness]])
    faces = []
    for i in range(n):
        j, low = (i + 1) % n, n + 1
        faces += [(i, j, n), (low + j, low + i, low + n), (i, low + i, low + j), (i, low + j, j)]
    return trimesh.Trimesh(points, faces, process=False)


def ring(radius: float, z: float) -> np.ndarray:
    """Eight corners about the middle at a height, (8, 3)."""
    turn = 2 * np.pi * (np.arange(SIDES) + 0.5) / SIDES
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(SIDES, z)])


def pavilion() -> trimesh.Trimesh:
    """Eight posts with braces on a plinth, a ring beam, rafters and rails."""
    parts = []
    foot, head, peak = ring(RADIUS_M, 0.2), ring(RADIUS_M, EAVES_M), np.array([0, 0, PEAK_M])
    eave = eave_ring()
    for i in range(SIDES):
        j = (i + 1) % SIDES
        parts.append(beam(foot[i], head[i], 0.16, 0.16))
        parts.append(beam(head[i] - [0, 0, 0.1], head[j] - [0, 0, 0.1], 0.12, 0.2))
        parts.append(beam(eave[i] - [0, 0, 0.16], peak - [0, 0, 0.16], 0.09, 0.14))
        for end in (i, j):  # curved braces as two short timbers
            other = j if end == i else i
            along = (head[other] - head[end]) / np.linalg.norm(head[other] - head[end])
            knee = head[end] + 0.22 * along - [0, 0, 0.48]
            parts.append(beam(head[end] - [0, 0, 0.85], knee, 0.07, 0.09))
            parts.append(beam(knee, head[end] + 0.6 * along - [0, 0, 0.2], 0.07, 0.09))
        if i != 5:  # a rail between the posts, but for the way in
            for z in (0.55, 1.05):
                parts.append(beam(foot[i] + [0, 0, z - 0.2], foot[j] + [0, 0, z - 0.2], 0.05, 0.08))
    parts.append(tent(ring(RADIUS_M + 0.25, 0.2), np.array([0, 0, 0.2]), 0.2))
    return upright(trimesh.util.concatenate(parts))


def roof() -> trimesh.Trimesh:
    """Eight planes in one shell, and a ball on top."""
    peak = np.array([0, 0, PEAK_M])
    ball = trimesh.creation.icosphere(2, 0.14).apply_translation(peak + [0, 0, 0.12])
    return upright(trimesh.util.concatenate([tent(eave_ring(), peak, 0.06), ball]))


def eave_ring() -> np.ndarray:
    """The roof's lower corners."""
    return ring(RADIUS_M + 0.45, EAVES_M - 0.14)


def upright(mesh: trimesh.Trimesh) -> trimesh.Trimesh:
    """Turned from z-up to y-up."""
    mesh.vertices = mesh.vertices[:, [0, 2, 1]] * [1, 1, -1]
    return mesh


def boulders() -> trimesh.Trimesh:
    """Five boulders: balls cut by random planes, weathered, sunk a little into the ground."""
    rng = np.random.default_rng(60)
    parts = []
    for x, y, size in (
        (0, 0, 1.1),
        (1.7, 0.5, 0.75),
        (-1.5, 0.6, 0.6),
        (0.9, -0.9, 0.45),
        (-0.7, -1.0, 0.35),
    ):
        stone = trimesh.creation.icosphere(4 if size > 1 else 3, 1.0)
        point = stone.vertices.copy()
        for _ in range(26):
            way = rng.normal(size=3)
            way /= np.linalg.norm(way)
            over = point @ way - rng.uniform(0.62, 0.9)
            point -= 0.97 * np.maximum(over, 0)[:, None] * way
        for k in (4, 9, 19, 31):
            wave = rng.normal(size=(3, 3)) * k / 2
            point *= 1 + 0.045 / k**0.7 * np.sin(point @ wave).sum(axis=1, keepdims=True)
        stone.vertices = point * size * [1.15, 0.95, 0.8] + [x, y, 0.42 * size]
        parts.append(stone)
    whole = trimesh.util.concatenate(parts)
    whole.vertices = np.round(whole.vertices, 4)
    return whole


if __name__ == "__main__":
    pavilion().export(HERE / "pavilion.glb")
    roof().export(HERE / "pavilion-roof.glb")
    boulders().export(HERE / "boulders.ply")
    for name in ("pavilion.glb", "pavilion-roof.glb", "boulders.ply"):
        print(name, (HERE / name).stat().st_size // 1024, "KiB")
