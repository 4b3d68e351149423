"""Thin round things lit at their vertices: boughs and twigs, and the bodies of the lamps."""

from __future__ import annotations

import numpy as np

from nightview.site.surface import Array, Mesh

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
    start, end = (np.array([part[k] for part in parts], float) for k in (0, 1))
    r0, r1 = (np.array([part[k] for part in parts], float) for k in (2, 3))
    thickest = np.maximum(r0, r1)
    count = np.clip(6 + thickest / 0.02, 6, 12).astype(int)
    if sides:
        count[:] = sides
    way = end - start
    length = np.linalg.norm(way, axis=1)
    axis = way / length[:, None]
    rings = np.maximum(2, (length / 0.5).astype(int) + 1)
    beside = np.where(np.abs(axis[:, 2:]) < 0.8, [0.3, 0.2, 0.93], [1.0, 0.0, 0.0])
    e1 = np.cross(axis, beside)
    e1 /= np.linalg.norm(e1, axis=1)[:, None]
    e2 = np.cross(axis, e1)
    sizes = rings * count
    base = np.concatenate([[0], np.cumsum(sizes)])
    vertices, normal = np.empty((base[-1], 3)), np.empty((base[-1], 3))
    first = np.concatenate([[0], np.cumsum(2 * count * (rings - 1))])
    triangles = np.empty((first[-1], 3), np.int32)
    for n, m in set(zip(count.tolist(), rings.tolist(), strict=True)):  # all alike in one go
        own = np.flatnonzero((count == n) & (rings == m))
        angles = np.linspace(0, 2 * np.pi, n, endpoint=False)
        out = (
            np.cos(angles)[None, :, None] * e1[own, None]
            + np.sin(angles)[None, :, None] * e2[own, None]
        )
        facing = out + axis[own, None] * ((r0 - r1) / length)[own, None, None]
        facing /= np.linalg.norm(facing, axis=2, keepdims=True)
        along = np.linspace(0, 1, m)
        middle = start[own, None] + along[None, :, None] * way[own, None]
        radius = r0[own, None] + along[None, :] * (r1 - r0)[own, None]
        here = (base[own, None] + np.arange(m * n)).ravel()
        vertices[here] = (middle[:, :, None] + radius[:, :, None, None] * out[:, None]).reshape(
            -1, 3
        )
        normal[here] = np.repeat(facing[:, None], m, axis=1).reshape(-1, 3)
        k = np.arange(n)
        low, right = k, (k + 1) % n
        ring = np.concatenate(
            [np.stack([low, right, right + n], 1), np.stack([low, right + n, low + n], 1)]
        )
        band = (np.arange(m - 1)[:, None, None] * n + ring).reshape(-1, 3)
        there = (first[own, None] + np.arange(len(band))).ravel()
        triangles[there] = (base[own, None, None] + band).reshape(-1, 3)
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
