"""Direct light of one source on every surface: E = I(θ)·cos/r², with soft shadows.

On a flat patch r² and the angle from the lamp's axis are sums of a term in u and a term in v, so
whole grids are weighed without a single point in space; only what is lit gets a shadow ray. Where
neighbours differ, sixteen rays between points of the lens and points of the texel decide.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from nightview.light.grids import Grids
from nightview.light.rays import CHUNK, Array32, Tracer
from nightview.light.source import R2, Source
from nightview.site.build import Geometry, Site
from nightview.site.surface import Array, Crown, Patch

SOFT_RAYS = 16
WIDEST_RING = 8
"""A half-shadow's end is looked for at most so many texels at a time."""
NEAR_TENTH = 0.1
"""A texel is never coarser than this share of the distance to the lamp."""
FINEST_LEVEL = 4
DIM_LX = {-1: 0.05, -2: 0.01}
"""A source that brings a patch less than this is kept on a coarser level: a clear night without a
moon has about as much light."""
POINT_FROM = 8.0
"""A pane farther away than so many of its longer side acts as a point: a disc of that width on its
axis does so within 0.4 % (r²/(r² + d²) against r²/d²)."""
WIDE_FROM_M = 1.5
DIM_FROM_M = 1.0
"""Closer to a patch than this a source may change quickly between the nodes of a coarse grid."""
LEAF_LX, LEAF_RAYS = 0.5, 9
"""A leaf that gets more is asked at so many places: by one it is lit as a whole or not at all, and the
dozens of leaves in half a metre of a crown do not even that out."""
FEW_LEAVES = 6
"""In a crown that a source lights so dimly, one leaf in so many is asked for all about it."""
BODY_LIFT_M = 1e-4
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

    def __init__(self, site: Geometry) -> None:
        things = site.surfaces
        bounds = [thing.bounds for thing in things]
        self.centre = np.array([centre for centre, _ in bounds]).reshape(-1, 3)
        self.radius = np.array([radius for _, radius in bounds])
        flat = [p.kind != "glass" for p in site.patches]
        self.lit = np.array(flat + [True] * (len(things) - len(flat)), bool)
        self.normal = np.zeros((len(things), 3))
        self.offset = np.full(len(things), np.inf)
        self.frame = np.zeros((len(site.patches), 3, 4))
        self.size = np.array([patch.size for patch in site.patches]).reshape(-1, 2)
        self.tube = np.array([patch.tube is not None for patch in site.patches], bool)
        for i, patch in enumerate(site.patches):
            axes = np.stack([patch.eu, patch.ev, patch.normal])
            self.frame[i] = np.column_stack([axes, -axes @ patch.origin])
            if not patch.tube:
                self.normal[i], self.offset[i] = self.frame[i, 2, :3], self.frame[i, 2, 3]

    def distances(self, position: Array) -> Array:
        """From a point to the nearest spot of each patch's grid, (patches,) [m]."""
        local = self.frame @ np.append(position, 1.0)
        beyond = local[:, :2] - np.clip(local[:, :2], 0.0, self.size)
        flat = np.sqrt((beyond**2).sum(axis=1) + local[:, 2] ** 2)
        count = len(self.size)
        round_ = np.linalg.norm(position - self.centre[:count], axis=1) - self.radius[:count]
        return np.where(self.tube, np.maximum(round_, 0.05), flat)

    def reached(self, source: Source, position: Array) -> list[tuple[int, float]]:
        """Numbers of the surfaces that may get more than the source's floor, and the most that
        they may get [lx]."""
        if not len(self.centre):
            return []
        way = self.centre - position
        away = np.linalg.norm(way, axis=1)
        nearest = np.maximum(away - self.radius, 0.01)
        before = np.where(np.isinf(self.offset), 1.0, self.normal @ position + self.offset) > 1e-6
        mid = np.arccos(np.clip(way @ source.axis / np.maximum(away, 1e-9), -1, 1))
        wide = np.arcsin(np.clip(self.radius / np.maximum(away, 1e-9), 0, 1))
        wide = np.where(away <= self.radius, np.pi, wide)
        at_most = source.intensity.at_most_beyond(np.cos(np.maximum(mid - wide, 0.0)))
        brightest = at_most / nearest**2
        keep = np.flatnonzero(before & self.lit & (brightest > source.floor_lx))
        return list(zip(keep.tolist(), brightest[keep].tolist(), strict=True))


def level_for(
    patch: Patch, near_m: float, brightest_lx: float = math.inf, *, wide: bool = False
) -> int:
    """Grid level on which a source is kept that comes within a distance of a patch.

    Fine nearby, coarser far away; coarser, too, where the source is too dim on the patch for its
    shadows to be seen beside other light, or so wide that its light and shadows change slowly.
    """
    far_m = 12.0 if patch.texel_m <= 0.03 else 6.0
    need = math.ceil(math.log2(patch.texel_m / max(NEAR_TENTH * near_m, 1e-4)))
    enough = 0
    if near_m > far_m:
        enough = -2 if near_m > 2.5 * far_m else -1
    elif wide and near_m > WIDE_FROM_M:
        enough = -1
    if near_m > DIM_FROM_M:
        enough = min(enough, *(level for level, lx in DIM_LX.items() if brightest_lx < lx), 0)
    return min(max(need, enough), FINEST_LEVEL)


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
    distances = spheres.distances(position).tolist()
    for number, brightest in spheres.reached(source, position):
        if number < n_patches:
            patch = site.patches[number]
            near = distances[number]
            level = level_for(patch, near, brightest, wide=source.pane_m[0] > 0)
            if near > DIM_FROM_M and level > -2:
                few = _on_patch(patch, grids.axes(number, -2), source, position, math.inf)
                level = level_for(patch, near, float(few.max()), wide=source.pane_m[0] > 0)
            axes = grids.axes(number, level)
            light = _on_patch(patch, axes, source, position, near)
            real = grids.mask(number, level)
            if real is not None:
                light *= real
            lit = np.flatnonzero(light.ravel() > source.floor_lx)
            if len(lit):
                place = batch.add(_node_points(patch, axes, lit))
                grid_waiting.append((number, level, light, lit, place))
        elif number < n_patches + n_crowns:
            crown = site.crowns[number - n_patches]
            light, toward = light_on_points(
                crown.centre, crown.normal, source, position, two_sided=True
            )
            lit = np.flatnonzero(np.abs(light) > source.floor_lx)
            if len(lit) and np.abs(light).max() < DIM_LX[-1]:
                lit = lit[::FEW_LEAVES]
            if len(lit):
                side = np.sign(light[lit])[:, None] * crown.normal[lit]
                place = batch.add(crown.centre[lit] + LIFT_M * side + 0.002 * toward[lit])
                cloud_waiting.append((found.crowns, number - n_patches, light, lit, place))
        else:
            mesh = site.meshes[number - n_patches - n_crowns]
            points = mesh.inset.astype(np.float32)
            light, _ = light_on_points(points, mesh.normals.astype(np.float32), source, position)
            lit = np.flatnonzero(light > source.floor_lx)
            if len(lit):
                lift = min(LIFT_M, 1e-3 * mesh.bounds[1])
                place = batch.add(
                    points[lit] + np.float32(lift) * mesh.normals[lit].astype(np.float32)
                )
                cloud_waiting.append(
                    (found.meshes, number - n_patches - n_crowns, light, lit, place)
                )
    if not batch.count:
        return found
    end = position.astype(np.float32)
    blocked = tracer.blocked(np.concatenate(batch.origins), end, parallel=False)
    rays = batch.count
    for target, number, light, lit, place in cloud_waiting:
        clear = ~blocked[place]
        if not clear.any():
            continue
        if target is found.crowns and np.abs(light).max() < DIM_LX[-1]:
            light *= np.abs(light) > source.floor_lx
            light *= _shares(site.crowns[number].clumps, lit, clear)
            target[number] = light
        else:
            kept = np.zeros_like(light)
            kept[lit[clear]] = light[lit[clear]]
            if target is found.crowns:
                bright = np.flatnonzero(np.abs(light) > LEAF_LX)
                seen = _seen_by_leaves(site.crowns[number], bright, light, source, position, tracer)
                kept[bright] = light[bright] * seen
                rays += LEAF_RAYS * len(bright)
            target[number] = kept
    waiting = []
    for number, level, light, lit, place in grid_waiting:
        seen = np.zeros(light.size, np.float32)
        seen[lit] = ~blocked[place]
        is_lit = np.zeros(light.size, bool)
        is_lit[lit] = True
        edge = _edges(light.shape, is_lit, seen)
        waiting.append(_Shaded(number, level, light, seen, is_lit, edge))
    rays += _soften(site, source, position, tracer, grids, waiting)
    for shaded in waiting:
        if shaded.seen.any():
            values = shaded.light * shaded.seen.reshape(shaded.light.shape)
            found.patches[shaded.number] = (shaded.level, values)
    return Direct(found.patches, found.crowns, found.meshes, rays)


def _seen_by_leaves(
    crown: Crown,
    which: NDArray[np.intp],
    light: Array32,
    source: Source,
    position: Array,
    tracer: Tracer,
) -> Array32:
    """Share of a source that some leaves see, each from places all over it, (n,); on the side that
    the sign of light (all leaves,) tells."""
    ends = np.tile(position, (LEAF_RAYS, 1))
    if source.pane_m[0] == 0:
        ends = source.lens_points(position, LEAF_RAYS)
    a, b = _texel_points(LEAF_RAYS).T + np.float32(0.5)
    over = a + b > 1  # the half of the square that is no triangle, turned over
    a, b = np.where(over, 1 - a, a)[:, None], np.where(over, 1 - b, b)[:, None]
    side = np.sign(light[which])[:, None] * crown.normal[which]
    way = (position - crown.centre[which]).astype(np.float32)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    across = np.cross(crown.normal[which], crown.along[which])
    starts = (crown.centre[which] + LIFT_M * side + 0.002 * way)[:, None]
    # From the tip of the triangle that a leaf is for rays.
    starts = starts + crown.length_m * (2 / 3 - a - b) * crown.along[which][:, None]
    starts += 0.5 * crown.width_m * (a - b) * across[:, None]
    seen = _seen_from(tracer, starts.astype(np.float32), ends.astype(np.float32))
    return seen.mean(axis=1, dtype=np.float32)


def _shares(clumps: NDArray[np.intp], asked: NDArray[np.intp], clear: NDArray[np.bool_]) -> Array32:
    """Share of a source that each leaf sees, from the few asked in its clump, (n,)."""
    count = int(clumps.max()) + 1
    all_asked = np.bincount(clumps[asked], minlength=count)
    seen = np.bincount(clumps[asked], clear, count)
    share = np.where(all_asked > 0, seen / np.maximum(all_asked, 1), clear.mean())
    return share.astype(np.float32)[clumps]


def light_on_bodies(site: Site, source: Source, tracer: Tracer) -> list[Array32]:
    """A source's light on each lamp's body at full power, (n,) [lx]; none on its own.

    Apart from all else and never kept, since bodies move with their lamps.
    """
    if not site.bodies:
        return []
    points = np.concatenate([body.inset for body in site.bodies]).astype(np.float32)
    normals = np.concatenate([body.normals for body in site.bodies]).astype(np.float32)
    counts = [len(body.vertices) for body in site.bodies]
    others = np.repeat([body.fixture != source.own for body in site.bodies], counts)
    total = np.zeros(len(points), np.float32)
    for position in source.positions:
        light, _ = light_on_points(points, normals, source, position)
        lit = np.flatnonzero((light > source.floor_lx) & others)
        starts = points[lit] + np.float32(BODY_LIFT_M) * normals[lit]
        clear = lit[~tracer.blocked(starts, position.astype(np.float32), parallel=False)]
        total[clear] += light[clear]
    return np.split(total, np.cumsum(counts)[:-1])


@dataclass(eq=False)
class _Shaded:
    """A patch's grid while its shadows are found. seen : share of the source each node sees.

    lit : what would be lit without shadows. edge : nodes still to be looked at more closely.
    """

    number: int
    level: int
    light: Array32
    seen: Array32
    lit: NDArray[np.bool_]
    edge: NDArray[np.intp]


def _soften(
    site: Site,
    source: Source,
    position: Array,
    tracer: Tracer,
    grids: Grids,
    waiting: list[_Shaded],
) -> int:
    """Find the shadows' soft edges, in place; returns the rays it took.

    Where neighbours differ both are seen through many points of the lens and of the texel. Where
    that shows a half-shadow, nodes about it are tried at four points of the lens and, if these
    differ, in full; and so on, in ever wider rings, to the half-shadow's end.
    """
    rays = 0
    done = [np.zeros(w.light.size, bool) for w in waiting]
    for step in itertools.count():
        active = [k for k, w in enumerate(waiting) if len(w.edge)]
        if step and not active:
            break
        items = [
            (site.patches[w.number], grids.axes(w.number, w.level), w.edge)
            for w in (waiting[k] for k in active)
        ]
        shares, sent = _shares_seen(source, position, tracer, items, sure=step == 0)
        rays += sent
        for k, share in zip(active, shares, strict=True):
            shaded = waiting[k]
            edge = shaded.edge
            done[k][edge] = True
            shaded.seen[edge[share >= 0]] = share[share >= 0]
            near = np.zeros(shaded.light.shape, bool)
            near.ravel()[edge[(share > 1e-6) & (share < 1 - 1e-6)]] = True
            if near.any():
                for _ in range(min(1 << step, WIDEST_RING)):
                    near |= _beside(near)
            shaded.edge = np.flatnonzero(near.ravel() & shaded.lit & ~done[k])
        if step == 0:
            # A half-shadow may come in from the piece next door.
            for k, shaded in enumerate(waiting):
                border = _cut_border(site.patches[shaded.number], shaded.light.shape)
                more = np.flatnonzero(border & shaded.lit & ~done[k])
                shaded.edge = np.union1d(shaded.edge, more)
    return rays


_Nodes = tuple[Patch, tuple[Array, Array], NDArray[np.intp]]


def _shares_seen(
    source: Source, position: Array, tracer: Tracer, items: list[_Nodes], *, sure: bool
) -> tuple[list[Array32], int]:
    """Share of the lens that some nodes see, one array (n,) an item, and the rays it took.

    sure : all are in a half-shadow; else four points of the rim say first which are, and the
    others are −1.
    """
    if not items:
        return [], 0
    count = soft_rays(source)
    lens = source.lens_points(position, count).astype(np.float32)
    texel = _texel_points(count)
    base = np.concatenate([_node_points(*item) for item in items])
    full, rays = np.arange(len(base)), 0
    if not sure:
        rim = source.lens_points(position, 4, rim=True).astype(np.float32)
        seen = _seen_from(tracer, base[:, None], rim).sum(axis=1)
        full, rays = np.flatnonzero((seen > 0) & (seen < 4)), 4 * len(base)
    sides = [_node_steps(*item) for item in items]
    side_u, side_v = (np.concatenate([pair[i] for pair in sides]) for i in (0, 1))
    facing = np.concatenate([_facing(*item) for item in items])
    share = np.full(len(base), -1.0, np.float32)
    for start in range(0, len(full), CHUNK // count):
        some = full[start : start + CHUNK // count, None]
        origins: Array32 = side_u[some] * texel[:, :1]
        origins += side_v[some] * texel[:, 1:]
        origins += base[some]
        clear = _seen_from(tracer, origins, lens)
        weight = source.weight_of(lens, origins, facing[some[:, 0]])
        share[some[:, 0]] = (clear * weight).sum(1) / np.maximum(weight.sum(1), 1e-30)
    rays += count * len(full)
    return np.split(share, np.cumsum([len(which) for *_, which in items])[:-1]), rays


def _seen_from(tracer: Tracer, origins: Array32, ends: Array32) -> NDArray[np.bool_]:
    """Whether nothing stands between origins (n, k or 1, 3) and ends (k, 3): (n, k)."""
    shape = (len(origins), len(ends), 3)
    starts = np.ascontiguousarray(np.broadcast_to(origins, shape)).reshape(-1, 3)
    stops = np.ascontiguousarray(np.broadcast_to(ends, shape)).reshape(-1, 3)
    return ~tracer.blocked(starts, stops, parallel=False).reshape(shape[:2])


def _facing(patch: Patch, axes: tuple[Array, Array], which: NDArray[np.intp]) -> Array32:
    """Unit normals of some nodes by flat index, (n, 3)."""
    rows, columns = np.divmod(which, len(axes[0]))
    return patch.place(axes[0][columns], axes[1][rows])[1].astype(np.float32)


def _cut_border(patch: Patch, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Flat mask of the nodes on edges where the patch was merely cut in two."""
    border = np.zeros(shape, bool)
    left, right, low, high = patch.real_edges
    border[:, 0], border[:, -1] = not left, not right
    border[0] |= not low
    border[-1] |= not high
    return border.ravel()


def _beside(chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The four neighbours of chosen nodes."""
    found = np.zeros_like(chosen)
    found[1:] |= chosen[:-1]
    found[:-1] |= chosen[1:]
    found[:, 1:] |= chosen[:, :-1]
    found[:, :-1] |= chosen[:, 1:]
    return found


def _on_patch(
    patch: Patch, axes: tuple[Array, Array], source: Source, position: Array, near_m: float
) -> Array32:
    """Unshadowed light on a patch's nodes, (nv, nu) [lx]; the nearest of them is so far away."""
    if patch.tube:
        points = source.near_points(position, near_m)
        each = [_on_tube(patch, axes, source, point) for point in points]
        return np.mean(each, axis=0, dtype=np.float32)
    if near_m >= POINT_FROM * max(source.pane_m):
        return _on_flat(patch, axes, source, position)
    if source.matte:
        return _pane_on_flat(patch, axes, source, position)
    points = source.near_points(position, near_m)
    return np.mean([_on_flat(patch, axes, source, point) for point in points], axis=0)


def _pane_on_flat(
    patch: Patch, axes: tuple[Array, Array], source: Source, position: Array
) -> Array32:
    """Unshadowed light of a matte pane, exact: Lambert's formula for polygons, E = L/2·Σ γ·n.

    What the nodes can see of the pane is what lies before the patch's own plane, so the pane is
    cut there once for all of them (Lambert 1760; as in Baum, Rushmeier & Winget 1989, from memory).
    """
    corners = source.pane_corners(position) - patch.origin
    local = corners @ np.stack([patch.eu, patch.ev, patch.normal], axis=1)
    ring = []
    for here, following in zip(local, np.roll(local, -1, axis=0), strict=True):
        if here[2] > 0:
            ring.append(here)
        if (here[2] > 0) != (following[2] > 0):
            t = here[2] / (here[2] - following[2])
            ring.append(here + t * (following - here))
    shape = (len(axes[1]), len(axes[0]))
    if len(ring) < 3:
        return np.zeros(shape, np.float32)
    u, v = axes[0].astype(np.float32)[None, :], axes[1].astype(np.float32)[:, None]
    # A corner seen from the nodes: its way is (x along u, y along v, z), its length depends on both.
    ways = [(np.float32(a) - u, np.float32(b) - v, np.float32(max(c, 0.0))) for a, b, c in ring]
    total = np.zeros(shape, np.float32)
    for (x0, y0, z0), (x1, y1, z1) in zip(ways, [*ways[1:], ways[0]], strict=True):
        up = x0 * y1 - y0 * x1
        side = (y0 * z1 - z0 * y1) ** 2 + (z0 * x1 - x0 * z1) ** 2 + up * up
        np.sqrt(side, out=side)
        angle = np.arctan2(side, x0 * x1 + (y0 * y1 + z0 * z1))
        angle *= up
        angle /= np.maximum(side, np.float32(1e-12))
        total += angle
    before = patch.origin - position
    ahead = (before @ source.axis + v * np.float32(patch.ev @ source.axis)) + u * np.float32(
        patch.eu @ source.axis
    )
    luminance = source.intensity.peak_cd / (source.pane_m[0] * source.pane_m[1])
    np.abs(total, out=total)
    total *= np.float32(0.5 * luminance)
    total *= ahead > 0
    return total


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
    return light if h > 0 else np.zeros_like(light)


def _phi(source: Source, eu: Array, ev: Array, start: Array, du: Array32, dv: Array32) -> Array32:
    """Angle about the axis of the directions start + du·eu + dv·ev [rad]."""
    parts = [
        np.float32(start @ e) + np.float32(eu @ e) * du + np.float32(ev @ e) * dv
        for e in (source.second, source.reference)
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
        second = source.second.astype(np.float32)
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
        rows, columns = np.divmod(which, len(axes[0]))
        _, out = patch.place(axes[0][columns], axes[1][rows])
        # No farther round than the ray's start clears the bend.
        radius = min(patch.tube.foot_m, patch.tube.top_m)
        du = min(axes[0][1] - axes[0][0], np.sqrt(8 * radius * 0.8 * LIFT_M))
        dv = axes[1][1] - axes[1][0]
        inner = (rows > 0) & (rows < len(axes[1]) - 1)
        return (
            (du * np.cross(patch.ev, out)).astype(np.float32),
            (inner[:, None] * (dv * patch.ev)).astype(np.float32),
        )
    sides = []
    for axis, direction, place in zip(
        axes, (patch.eu, patch.ev), np.divmod(which, len(axes[0]))[::-1], strict=True
    ):
        inner = (place > 0) & (place < len(axis) - 1)
        step = (axis[-1] - axis[0]) / (len(axis) - 1)
        sides.append((inner[:, None] * (step * direction)).astype(np.float32))
    return sides[0], sides[1]


def _edges(shape: tuple[int, ...], lit: NDArray[np.bool_], seen: Array32) -> NDArray[np.intp]:
    """Flat indices of lit nodes beside which visibility changes, on either side."""
    clear = (seen > 0).reshape(shape)
    dark = (lit.reshape(shape)) & ~clear
    if not dark.any() or not clear.any():
        return np.zeros(0, np.intp)
    return np.flatnonzero((clear & _beside(dark)) | (dark & _beside(clear)))


def _texel_points(count: int) -> Array32:
    """Places within a texel, −½…½ (the R2 sequence of Roberts 2018), (count, 2)."""
    k = np.arange(1, count + 1)[:, None]
    return ((0.5 + k * R2) % 1.0 - 0.5).astype(np.float32)


def soft_rays(source: Source) -> int:
    """Shadow rays an edge texel sends to each point of a source."""
    return max(4, SOFT_RAYS // len(source.positions))
