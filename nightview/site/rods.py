"""Thin round things lit at their vertices: boughs and twigs, and the bodies of the lamps."""

from __future__ import annotations

import numpy as np

from nightview.site.surface import Array, Mesh, unit

Rod = tuple[Array, Array, float, float]
"""Start and end (3,), radius at the start and at the end [m]."""


def rods(
    name: str,
    owner: str,
    material: str,
    parts: list[Rod],
    sides: int | None = None,
    *,
    fixture: str = "",
) -> Mesh:
    """Tapered prisms in one mesh; one that belongs to a fixture is its body.

    sides : of each prism; by default the more the thicker it is, so that no corner shows.
    """
    points, normals, faces = [], [], []
    base = 0
    for start, end, r0, r1 in parts:
        count = sides or int(np.clip(6 + max(r0, r1) / 0.02, 6, 12))
        angles = np.linspace(0, 2 * np.pi, count, endpoint=False)
        length = np.linalg.norm(end - start)
        axis = (end - start) / length
        e1 = unit(np.cross(axis, [0.3, 0.2, 0.93] if abs(axis[2]) < 0.8 else [1.0, 0, 0]))
        out = np.cos(angles)[:, None] * e1 + np.sin(angles)[:, None] * np.cross(axis, e1)
        facing = out + axis * (r0 - r1) / length
        facing /= np.linalg.norm(facing, axis=1, keepdims=True)
        rings = max(2, int(length / 0.5) + 1)
        for t in np.linspace(0, 1, rings):
            points.append(start + t * (end - start) + (r0 + t * (r1 - r0)) * out)
            normals.append(facing)
        for k in range(rings - 1):
            low = base + k * count + np.arange(count)
            right = base + k * count + (np.arange(count) + 1) % count
            faces += [
                np.stack([low, right, right + count], 1),
                np.stack([low, right + count, low + count], 1),
            ]
        base += rings * count
    vertices, normal = np.concatenate(points), np.concatenate(normals)
    triangles = np.concatenate(faces).astype(np.int32)
    # The facets cut inside their own ring; the vertices themselves are outermost.
    return Mesh(name, owner, material, vertices, normal, triangles, vertices, fixture)


def lamp_body(kind: str, name: str, position: Array, axis: Array, ground_m: float) -> list[Mesh]:
    """The lamp itself, small and dark: a stake and hood, a stem and hat, a can, a lantern."""
    up = np.array([0.0, 0.0, 1.0])
    foot = np.array([position[0], position[1], ground_m])
    height = float(position[2] - ground_m)
    parts: list[Rod] = []
    if kind == "hat":
        brim = position + 0.018 * up
        parts = [
            (brim, brim + 0.055 * up, 0.095, 0.012),
            (brim + 0.055 * up, brim + 0.07 * up, 0.012, 0.006),
        ]
        if height > 0.02:
            parts.append((foot, brim + 0.05 * up, 0.009, 0.009))
    elif kind == "spike":
        back = position - 0.085 * axis
        parts = [
            (back, position + 0.022 * axis, 0.028, 0.028),
            (back, back - 0.001 * axis, 0.028, 0.001),
        ]
        if 0.02 < height < 1.5 and back[2] > ground_m + 0.01:
            parts.append((np.array([back[0], back[1], ground_m]), back, 0.009, 0.009))
    elif kind == "flush":
        parts = [(position - 0.02 * axis, position - 0.002 * axis, 0.055, 0.055)]
    elif kind in ("sconce", "hung"):
        lid = position + (0.07 if axis[2] < 0 else -0.07) * up
        parts = [(lid, lid + 0.03 * up, 0.05, 0.02)]
        if kind == "hung":
            parts.append((lid + 0.03 * up, lid + 0.22 * up, 0.004, 0.004))
    if not parts:
        return []
    return [rods(f"{name} body", name, "bronze", parts, 12, fixture=name)]
