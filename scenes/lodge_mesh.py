"""Writes the two meshes of scenes/lodge.toml: an open timber pavilion and a group of boulders.

Run in this folder: python lodge_mesh.py. Same bytes every time; numpy and trimesh only.
Units: metres; the pavilion is y-up, as glTF wants it, the boulders z-up.
"""

from pathlib import Path

import numpy as np
import trimesh

HERE = Path(__file__).parent
SIDES, RADIUS_M, EAVES_M, PEAK_M = 8, 2.4, 2.5, 4.3


def beam(a: np.ndarray, b: np.ndarray, wide: float, high: float) -> trimesh.Trimesh:
    """A squared timber from a to b, its wide sides level."""
    way = (b - a) / np.linalg.norm(b - a)
    up = np.array([0.0, 0.0, 1.0]) if abs(way[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    side = np.cross(up, way)
    side /= np.linalg.norm(side)
    top = np.cross(way, side)
    frame = np.eye(4)
    frame[:3, :3] = np.column_stack([way, side, top])
    frame[:3, 3] = (a + b) / 2
    return trimesh.creation.box((np.linalg.norm(b - a), wide, high), frame)


def slab(corners: np.ndarray, thickness: float) -> trimesh.Trimesh:
    """A flat board of equal thickness under its upper corners (counter-clockwise from above)."""
    n = len(corners)
    points = np.concatenate([corners, corners - [0, 0, thickness]])
    fan = [(0, i, i + 1) for i in range(1, n - 1)]
    faces = fan + [(n, n + j, n + i) for _, i, j in fan]
    for i in range(n):
        j = (i + 1) % n
        faces += [(i, n + i, n + j), (i, n + j, j)]
    return trimesh.Trimesh(points, faces, process=False)


def ring(radius: float, z: float) -> np.ndarray:
    turn = 2 * np.pi * (np.arange(SIDES) + 0.5) / SIDES
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), np.full(SIDES, z)])


def pavilion() -> trimesh.Trimesh:
    """Eight posts with braces on a plinth, ring beam, rafters, a boarded roof in eight planes."""
    parts = []
    foot, head, peak = ring(RADIUS_M, 0.2), ring(RADIUS_M, EAVES_M), np.array([0, 0, PEAK_M])
    eave = ring(RADIUS_M + 0.45, EAVES_M - 0.14)
    low, high = ring(RADIUS_M + 0.25, 0.0), ring(RADIUS_M + 0.25, 0.2)
    for i in range(SIDES):
        j = (i + 1) % SIDES
        parts.append(beam(foot[i], head[i], 0.16, 0.16))
        parts.append(beam(head[i] - [0, 0, 0.1], head[j] - [0, 0, 0.1], 0.12, 0.2))
        parts.append(beam(eave[i] - [0, 0, 0.13], peak - [0, 0, 0.13], 0.09, 0.14))
        for end in (i, j):  # curved braces as two short timbers
            other = j if end == i else i
            along = (head[other] - head[end]) / np.linalg.norm(head[other] - head[end])
            knee = head[end] + 0.22 * along - [0, 0, 0.48]
            parts.append(beam(head[end] - [0, 0, 0.85], knee, 0.07, 0.09))
            parts.append(beam(knee, head[end] + 0.6 * along - [0, 0, 0.2], 0.07, 0.09))
        parts.append(slab(np.array([eave[i], eave[j], peak]), 0.05))
        parts.append(slab(np.array([high[i], high[j], [0, 0, 0.2]]), 0.2))
        if i != 5:  # a rail between the posts, but for the way in
            for z in (0.55, 1.05):
                parts.append(beam(foot[i] + [0, 0, z - 0.2], foot[j] + [0, 0, z - 0.2], 0.05, 0.08))
    parts.append(trimesh.creation.icosphere(2, 0.14).apply_translation(peak + [0, 0, 0.1]))
    whole = trimesh.util.concatenate(parts)
    whole.vertices = whole.vertices[:, [0, 2, 1]] * [1, 1, -1]  # z-up to y-up
    return whole


def boulders() -> trimesh.Trimesh:
    """Five boulders: balls pressed flat along random planes, sunk a little into the ground."""
    rng = np.random.default_rng(60)
    parts = []
    for x, y, size in ((0, 0, 1.1), (1.7, 0.5, 0.75), (-1.5, 0.6, 0.6), (0.9, -0.9, 0.45), (-0.7, -1.0, 0.35)):
        stone = trimesh.creation.icosphere(4 if size > 1 else 3, 1.0)
        point = stone.vertices.copy()
        for _ in range(11):
            way = rng.normal(size=3)
            way /= np.linalg.norm(way)
            over = point @ way - rng.uniform(0.72, 0.95)
            point -= 0.9 * np.maximum(over, 0)[:, None] * way
        for k in (3, 7, 13):
            wave = rng.normal(size=(3, 3)) * k / 2
            point *= 1 + 0.05 / k * np.sin(point @ wave).sum(axis=1, keepdims=True)
        stone.vertices = point * size * [1.15, 0.95, 0.8] + [x, y, 0.42 * size]
        parts.append(stone)
    whole = trimesh.util.concatenate(parts)
    whole.vertices = np.round(whole.vertices, 4)
    return whole


if __name__ == "__main__":
    pavilion().export(HERE / "pavilion.glb")
    boulders().export(HERE / "boulders.ply")
    for name in ("pavilion.glb", "boulders.ply"):
        print(name, (HERE / name).stat().st_size // 1024, "KiB")
