"""Direct light of one source on every surface: E = I(θ)·cos/r², with soft shadows.

On a flat patch r² and the angle from the lamp's axis are sums of a term in u and a term in v, so
whole grids are weighed without a single point in space; only what is lit gets a shadow ray. Where
neighbours differ, sixteen rays between points of the lens and points of the texel decide.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from nightview.light.grids import Grids
from nightview.light.rays import Array32, Tracer
from nightview.light.source import Source
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

SOFT_RAYS = 16
NEAR_TENTH = 0.1
"""A texel is never coarser than this share of the distance to the lamp."""
FINEST_LEVEL = 4
LIFT_M = 0.001
"""Rays start this far off their surface."""


@dataclass(frozen=True, eq=False)
class Direct:
    """One source's direct light at full power [lx].

    patches : number → (level, (nv, nu) float32). crowns : number → (n,) float32, positive on a
    leaf's front, negative on its back. meshes : number → (n,) float32 at the vertices.
    rays : how many shadow rays it took.
    """

    patches: dict[int, tuple[int, Array32]] = field(default_factory=dict)
    crowns: dict[int, Array32] = field(default_factory=dict)
    meshes: dict[int, Array32] = field(default_factory=dict)
    rays: int = 0


class Spheres:
    """Bounding spheres and planes of all surfaces, to leave out at once what a source misses."""

    def __init__(self, site: Site) -> None:
        things = site.surfaces
        bounds = [thing.bounds for thing in things]
        self.centre = np.array([centre for centre, _ in bounds]).reshape(-1, 3)
        self.radius = np.array([radius for _, radius in bounds])
        flat = [p.kind != "glass" for p in site.patches]
        self.lit = np.array(flat + [True] * (len(things) - len(flat)), bool)
        self.normal = np.zeros((len(things), 3))
        self.offset = np.full(len(things), np.inf)
        for i, patch in enumerate(site.patches):
            if not patch.tube:
                self.normal[i] = patch.normal
                self.offset[i] = -float(patch.normal @ patch.origin)

    def reached(self, source: Source, position: Array) -> NDArray[np.intp]:
        """Numbers of the surfaces that may get more than the source's floor."""
        if not len(self.centre):
            return np.zeros(0, np.intp)
        way = self.centre - position
        away = np.linalg.norm(way, axis=1)
        nearest = np.maximum(away - self.radius, 0.01)
        before = np.where(np.isinf(self.offset), 1.0, self.normal @ position + self.offset) > 1e-6
        mid = np.arccos(np.clip(way @ source.axis / np.maximum(away, 1e-9), -1, 1))
        wide = np.arcsin(np.clip(self.radius / np.maximum(away, 1e-9), 0, 1))
        wide = np.where(away <= self.radius, np.pi, wide)
        at_most = source.intensity.at_most_beyond(np.cos(np.maximum(mid - wide, 0.0)))
        keep = before & self.lit & (at_most / nearest**2 > source.floor_lx)
        return np.flatnonzero(keep)


def level_for(patch: Patch, position: Array) -> int:
    """Grid level on which a source at a position is kept: fine nearby, coarser far away."""
    if patch.tube:
        near = float(np.linalg.norm(position - patch.bounds[0])) - patch.bounds[1]
        near = max(near, 0.05)
    else:
        relative = position - patch.origin
        u, v, h = relative @ patch.eu, relative @ patch.ev, relative @ patch.normal
        du = u - np.clip(u, 0.0, patch.size[0])
        dv = v - np.clip(v, 0.0, patch.size[1])
        near = float(np.sqrt(du * du + dv * dv + h * h))
    far_m = 12.0 if patch.texel_m <= 0.03 else 6.0
    if near > far_m:
        return -2 if near > 2.5 * far_m else -1
    need = np.log2(patch.texel_m / max(NEAR_TENTH * near, 1e-4))
    return int(np.clip(np.ceil(need), 0, FINEST_LEVEL))


@dataclass(eq=False)
class _Batch:
    """Lit nodes waiting for their shadow ray: origins, and where the answers go."""

    origins: list[Array32] = field(default_factory=list)
    count: int = 0

    def add(self, points: Array32) -> slice:
        self.origins.append(points)
        place = slice(self.count, self.count + len(points))
        self.count += len(points)
        return place


def trace_direct(
    site: Site, source: Source, tracer: Tracer, grids: Grids, spheres: Spheres
) -> Direct:
    """Direct light of one source, summed over its points."""
    total = Direct()
    for position in source.positions:
        part = _from_point(site, source, position, tracer, grids, spheres)
        total = part if len(source.positions) == 1 else _sum(total, part)
    return total


def _sum(a: Direct, b: Direct) -> Direct:
    """Add two points of one source; both keep a patch on levels of their own."""
    patches = dict(a.patches)
    for number, (level, values) in b.patches.items():
        if number in patches:
            other_level, other = patches[number]
            if other_level < level:
                other, other_level, values, level = values, level, other, other_level
            patches[number] = (other_level, other + resampled(values, other.shape))
        else:
            patches[number] = (level, values)
    crowns, meshes = dict(a.crowns), dict(a.meshes)
    for target, added in ((crowns, b.crowns), (meshes, b.meshes)):
        for number, values in added.items():
            target[number] = target[number] + values if number in target else values
    return Direct(patches, crowns, meshes, a.rays + b.rays)


def resampled(values: Array32, shape: tuple[int, ...]) -> Array32:
    """A node grid (nv, nu, …) on another number of nodes over the same patch, linearly."""
    for axis in (0, 1):
        have, want = values.shape[axis], shape[axis]
        if have == want:
            continue
        place = np.linspace(0, have - 1, want)
        low = np.minimum(place.astype(int), have - 2)
        part = (
            (place - low)
            .astype(np.float32)
            .reshape([-1 if a == axis else 1 for a in range(values.ndim)])
        )
        values = np.take(values, low, axis) * (1 - part) + np.take(values, low + 1, axis) * part
    return values


def _from_point(
    site: Site, source: Source, position: Array, tracer: Tracer, grids: Grids, spheres: Spheres
) -> Direct:
    found = Direct()
    batch = _Batch()
    grid_waiting: list[tuple[int, int, Array32, NDArray[np.intp], slice]] = []
    cloud_waiting: list[tuple[dict[int, Array32], int, Array32, NDArray, slice]] = []
    n_patches, n_crowns = len(site.patches), len(site.crowns)
    for number in spheres.reached(source, position):
        if number < n_patches:
            patch = site.patches[number]
            level = level_for(patch, position)
            axes = grids.axes(int(number), level)
            light = (_on_tube if patch.tube else _on_flat)(patch, axes, source, position)
            real = grids.mask(int(number), level)
            if real is not None:
                light *= real
            lit = np.flatnonzero(light.ravel() > source.floor_lx)
            if len(lit):
                place = batch.add(_node_points(patch, axes, lit))
                grid_waiting.append((int(number), level, light, lit, place))
        elif number < n_patches + n_crowns:
            crown = site.crowns[number - n_patches]
            light, toward = light_on_points(
                crown.centre, crown.normal, source, position, two_sided=True
            )
            lit = np.flatnonzero(np.abs(light) > source.floor_lx)
            if len(lit):
                side = np.sign(light[lit])[:, None] * crown.normal[lit]
                place = batch.add(crown.centre[lit] + LIFT_M * side + 0.002 * toward[lit])
                cloud_waiting.append((found.crowns, int(number - n_patches), light, lit, place))
        else:
            mesh = site.meshes[number - n_patches - n_crowns]
            if mesh.fixture and mesh.fixture == source.own:
                continue
            points = mesh.inset.astype(np.float32)
            light, _ = light_on_points(points, mesh.normals.astype(np.float32), source, position)
            lit = np.flatnonzero(light > source.floor_lx)
            if len(lit):
                lift = min(LIFT_M, 1e-3 * mesh.bounds[1])
                place = batch.add(
                    points[lit] + np.float32(lift) * mesh.normals[lit].astype(np.float32)
                )
                cloud_waiting.append(
                    (found.meshes, int(number - n_patches - n_crowns), light, lit, place)
                )
    if not batch.count:
        return found
    end = position.astype(np.float32)
    blocked = tracer.blocked(np.concatenate(batch.origins), end, parallel=False)
    rays = batch.count
    for target, number, light, lit, place in cloud_waiting:
        kept = np.zeros_like(light)
        clear = lit[~blocked[place]]
        kept[clear] = light[clear]
        if len(clear):
            target[number] = kept
    soft: list[tuple[int, int, Array32, Array32, NDArray[np.intp]]] = []
    for number, level, light, lit, place in grid_waiting:
        seen = np.zeros(light.size, np.float32)
        seen[lit] = ~blocked[place]
        edge = _edges(light.shape, lit, seen[lit])
        if len(edge):
            soft.append((number, level, light, seen, edge))
        elif seen[lit].any():
            found.patches[number] = (level, light * seen.reshape(light.shape))
    if soft:
        bases, sides = [], []
        for number, level, _, _, edge in soft:
            patch, axes = site.patches[number], grids.axes(number, level)
            bases.append(_node_points(patch, axes, edge))
            sides.append(_node_steps(patch, axes, edge))
        base = np.concatenate(bases)
        share = _soft_share(
            source, position, tracer, base,
            (np.concatenate([u for u, _ in sides]), np.concatenate([v for _, v in sides])),
        )  # fmt: skip
        rays += len(base) * soft_rays(source)
        start = 0
        for number, level, light, seen, edge in soft:
            seen[edge] = share[start : start + len(edge)]
            start += len(edge)
            found.patches[number] = (level, light * seen.reshape(light.shape))
    return Direct(found.patches, found.crowns, found.meshes, rays)


def _on_flat(patch: Patch, axes: tuple[Array, Array], source: Source, position: Array) -> Array32:
    """Unshadowed light on a flat patch's nodes, (nv, nu) [lx]."""
    relative = position - patch.origin
    h = float(relative @ patch.normal)
    du = (axes[0] - relative @ patch.eu).astype(np.float32)[None, :]
    dv = (axes[1] - relative @ patch.ev).astype(np.float32)[:, None]
    inverse = du * du + (dv * dv + np.float32(h * h))
    np.sqrt(inverse, out=inverse)
    np.reciprocal(inverse, out=inverse)
    a_u, a_v, a_n = (np.float32(source.axis @ e) for e in (patch.eu, patch.ev, patch.normal))
    cosine = a_u * du + (a_v * dv - a_n * np.float32(h))
    cosine *= inverse
    phi = None
    if not source.intensity.axial:
        phi = _phi(source, patch.eu, patch.ev, patch.normal * -h, du, dv)
    light = source.intensity.at(cosine, phi)
    inverse *= inverse * inverse
    inverse *= np.float32(h)
    light *= inverse
    return light


def _phi(source: Source, eu: Array, ev: Array, start: Array, du: Array32, dv: Array32) -> Array32:
    """Angle about the axis of the directions start + du·eu + dv·ev [rad]."""
    second = np.cross(source.axis, source.reference)
    parts = [
        np.float32(start @ e) + np.float32(eu @ e) * du + np.float32(ev @ e) * dv
        for e in (second, source.reference)
    ]
    return np.arctan2(parts[0], parts[1])


def light_on_points(
    points: Array32, normals: Array32, source: Source, position: Array, *, two_sided: bool = False
) -> tuple[Array32, Array32]:
    """Unshadowed light on points (n, 3) [lx], signed if two-sided; and the unit way to the lamp."""
    way = position.astype(np.float32) - points
    inverse = 1.0 / np.sqrt(np.einsum("ij,ij->i", way, way))
    way *= inverse[:, None]
    cosine = -(way @ source.axis.astype(np.float32))
    phi = None
    if not source.intensity.axial:
        second = np.cross(source.axis, source.reference).astype(np.float32)
        phi = np.arctan2(-(way @ second), -(way @ source.reference.astype(np.float32)))
    light = (
        source.intensity.at(cosine, phi) * inverse * inverse * np.einsum("ij,ij->i", way, normals)
    )
    return (light if two_sided else np.maximum(light, 0.0)), way


def _on_tube(patch: Patch, axes: tuple[Array, Array], source: Source, position: Array) -> Array32:
    points, normals = patch.place(*np.meshgrid(*axes))
    light, _ = light_on_points(
        points.reshape(-1, 3).astype(np.float32),
        normals.reshape(-1, 3).astype(np.float32),
        source,
        position,
    )
    return light.reshape(points.shape[:2])


def _node_points(patch: Patch, axes: tuple[Array, Array], which: NDArray[np.intp]) -> Array32:
    """Ray origins of some nodes by flat index, (n, 3) [m]."""
    rows, columns = np.divmod(which, len(axes[0]))
    if patch.tube:
        points, normals = patch.place(axes[0][columns], axes[1][rows])
        return (points + LIFT_M * normals).astype(np.float32)
    along_u = (axes[0][:, None] * patch.eu + (patch.origin + LIFT_M * patch.normal)).astype(
        np.float32
    )
    along_v = (axes[1][:, None] * patch.ev).astype(np.float32)
    return along_u[columns] + along_v[rows]


def _node_steps(
    patch: Patch, axes: tuple[Array, Array], which: NDArray[np.intp]
) -> tuple[Array32, Array32]:
    """A texel's sides along u and v at some nodes, (n, 3) each [m]; 0 across the patch's edges."""
    if patch.tube:
        none = np.zeros((len(which), 3), np.float32)
        return none, none
    sides = []
    for axis, direction, place in zip(
        axes, (patch.eu, patch.ev), np.divmod(which, len(axes[0]))[::-1], strict=True
    ):
        inner = (place > 0) & (place < len(axis) - 1)
        step = (axis[-1] - axis[0]) / (len(axis) - 1)
        sides.append((inner[:, None] * (step * direction)).astype(np.float32))
    return sides[0], sides[1]


def _edges(shape: tuple[int, ...], lit: NDArray[np.intp], inside: Array32) -> NDArray[np.intp]:
    """Flat indices of lit nodes beside which visibility changes, and their lit neighbours."""
    if inside.all() or not inside.any():
        return np.zeros(0, np.intp)
    state = np.zeros(shape, np.int8)
    state.ravel()[lit] = np.where(inside > 0, 2, 1)
    low = np.minimum
    change = np.zeros(shape, bool)
    for axis in (0, 1):
        a = state[:-1] if axis == 0 else state[:, :-1]
        b = state[1:] if axis == 0 else state[:, 1:]
        differ = (a != b) & (low(a, b) > 0)
        if axis == 0:
            change[:-1] |= differ
            change[1:] |= differ
        else:
            change[:, :-1] |= differ
            change[:, 1:] |= differ
    return np.flatnonzero(change.ravel() & (state.ravel() > 0))


def lens_points(source: Source, position: Array, count: int) -> Array:
    """Points spread evenly over the lens (a sunflower spiral), (count, 3) [m]."""
    k = np.arange(count)
    radius = 0.5 * source.lens_m * np.sqrt((k + 0.5) / count)
    angle = k * np.pi * (3.0 - np.sqrt(5.0))
    second = np.cross(source.axis, source.reference)
    return (
        position
        + (radius * np.cos(angle))[:, None] * source.reference
        + (radius * np.sin(angle))[:, None] * second
    )


def _texel_points(count: int) -> Array32:
    """Places within a texel, −½…½ (the R2 sequence of Roberts 2018), (count, 2)."""
    k = np.arange(1, count + 1)[:, None]
    golden = 1.32471795724474602596
    return ((0.5 + k * np.array([1 / golden, 1 / golden**2])) % 1.0 - 0.5).astype(np.float32)


def soft_rays(source: Source) -> int:
    """Shadow rays an edge texel sends to each point of a source."""
    return max(4, SOFT_RAYS // len(source.positions))


def _soft_share(
    source: Source, position: Array, tracer: Tracer, base: Array32, sides: tuple[Array32, Array32]
) -> Array32:
    """Share of the lens that each edge texel sees, over the texel's own area too, (n,)."""
    count = soft_rays(source)
    lens, texel = lens_points(source, position, count).astype(np.float32), _texel_points(count)
    clear = np.zeros(len(base), np.float32)
    for k in range(count):
        origins = sides[0] * texel[k, 0]
        origins += sides[1] * texel[k, 1]
        origins += base
        clear += ~tracer.blocked(origins, lens[k], parallel=False)
    return clear / np.float32(count)
