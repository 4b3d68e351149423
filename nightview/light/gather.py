"""Light between surfaces: rays gathered once for the geometry, then every lamp is a product.

Points on a coarse grid (finer at edges) each send cosine-weighted rays; what they hit is counted
per cell, so that a bounce is one sparse product for all lamps and colours at once. Rays that miss
bring the sky, so eaves and porches are dark by themselves.

Rows are gathered quantities: irradiance at a grid point; and in crowns, mean radiance and its
first moment (four rows a place), from which a leaf's light on either side follows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from nightview.light.grids import Grids, nearest_real
from nightview.light.rays import THREADS, Array32, Tracer
from nightview.light.source import R2, moon_of
from nightview.site.build import Site
from nightview.site.sky import AMBIENT_LX, sky_luminance
from nightview.site.surface import Array, Crown, Mesh, Patch, Solid

RAYS = 256
PLAIN_RAYS = 144
"""Of lawns, paving and roofs, where light from other surfaces is the smaller part."""
CROWN_RAYS = 96
STEP_M = 0.4
OPEN_STEP_M = 0.8
CELL_M = 0.15
"""Side of the cells that send light on [m]."""
NEAR_FEET_M = np.array([0.02, 0.08, 0.17, 0.3, 0.5, 0.8])
"""Distances from a standing body at which the ground's light is gathered [m]."""
SETS = 64
"""Turned copies of the ray set; neighbours use different ones, so that no pattern shows."""
CROWN_CELL_M = 0.7
MESH_ROWS_AT_MOST = 4000
FACING_M = 0.3
"""How far apart two places seem for which surfaces face one radian apart."""
BACKS_AT_MOST = 0.25
"""A place that sees more of surfaces' backs than this share of its view lies inside something."""
BOUNCES_AT_MOST = 60
BOUNCE_TOLERANCE = 2e-3
LUMINOUS = np.array([0.2126, 0.7152, 0.0722])
"""Luminance of linear sRGB (IEC 61966-2-1)."""


def graded(length: float, step: float, ends: tuple[bool, bool]) -> Array:
    """Places along a length, closer together at real edges: each 1.6 × its neighbour's gap [m]."""
    if length <= 0.12:
        return np.array([0.0, length])
    if length <= 0.5:
        return np.array([0.0, length / 2, length])
    fine = min(0.08, length / 6)
    gaps = []
    gap = fine
    while gap < step:
        gaps.append(gap)
        gap *= 1.6
    left = np.cumsum(gaps) if ends[0] else np.zeros(0)
    right = length - np.cumsum(gaps) if ends[1] else np.zeros(0)
    middle = length / 2
    left, right = left[left < middle - fine / 3], right[right > middle + fine / 3]
    low, high = (left[-1] if len(left) else 0.0), (right[-1] if len(right) else length)
    count = max(1, round((high - low) / step))
    inner = np.linspace(low, high, count + 1)
    return np.unique(np.round(np.concatenate([[0.0], left, inner, right, [length]]), 6))


def linear_weights(have: Array, want: Array) -> NDArray[np.float32]:
    """(len(want), len(have)) matrix that interpolates values at places have onto places want."""
    if len(have) == 1:
        return np.ones((len(want), 1), np.float32)
    index = np.clip(np.searchsorted(have, want, side="right") - 1, 0, len(have) - 2)
    part = np.clip((want - have[index]) / (have[index + 1] - have[index]), 0.0, 1.0)
    weights = np.zeros((len(want), len(have)), np.float32)
    rows = np.arange(len(want))
    weights[rows, index] = 1 - part
    weights[rows, index + 1] += part
    return weights


@dataclass(frozen=True, eq=False)
class PatchRows:
    """A patch's gather grid. rows : (nv, nu) int32, each the nearest real point's row."""

    u: Array
    v: Array
    rows: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class CloudRows:
    """A crown's or mesh's rows: for each leaf or vertex the row it takes its light from."""

    row: NDArray[np.int32]


class Layout:
    """Where light is gathered and what cells it comes from; geometry only, no rays yet."""

    def __init__(self, site: Site, grids: Grids) -> None:
        self.site = site
        self.patch_rows: list[PatchRows | None] = []
        self.crown_rows: list[CloudRows] = []
        self.mesh_rows: list[CloudRows] = []
        self.cell_start: list[int] = []
        self.cell_shape: list[tuple[int, int]] = []
        self.crown_cell: list[NDArray[np.int32]] = []
        points, normals, plain = [], [], []
        open_points: list[Array] = []
        row = cell = 0
        bodies = Bodies(site.solids)
        for number, patch in enumerate(site.patches):
            self.cell_start.append(cell)
            shape = (max(1, round(patch.size[1] / CELL_M)), max(1, round(patch.size[0] / CELL_M)))
            self.cell_shape.append(shape)
            cell += shape[0] * shape[1]
            if patch.kind == "glass":
                self.patch_rows.append(None)
                continue
            u, v = _gather_axes(patch, bodies)
            at_u, at_v = patch.nudged(u, patch.size[0]), patch.nudged(v, patch.size[1])
            if patch.tube:
                at_u, at_v = u, patch.nudged(v, patch.size[1])
            grid_u, grid_v = np.meshgrid(at_u, at_v)
            real = grids.valid(number, u, v)
            if real is not None and not real.any():
                # A sliver between grid lines: its own inside point serves the whole patch.
                inside = patch.outline.representative_point()
                u, v = np.array([inside.x]), np.array([inside.y])
                grid_u, grid_v = np.meshgrid(u, v)
                real = None
            here, facing = patch.place(grid_u, grid_v)
            rows = np.arange(here.shape[0] * here.shape[1], dtype=np.int32).reshape(here.shape[:2])
            if real is not None:
                compact = np.cumsum(real.ravel()) - 1
                rows = compact.reshape(real.shape)[nearest_real(real)].astype(np.int32)
                here, facing = here[real], facing[real]
            points.append(here.reshape(-1, 3))
            normals.append(facing.reshape(-1, 3))
            is_plain = patch.texel_m > 0.03 and not patch.tube and patch.normal[2] > 0.2
            plain.append(np.full(len(points[-1]), is_plain))
            self.patch_rows.append(PatchRows(u, v, rows + row))
            row += len(points[-1])
        mesh_start = row
        for mesh in site.meshes:
            if not mesh.casts:  # a lamp's body, see below
                self.mesh_rows.append(CloudRows(np.zeros(len(mesh.vertices), np.int32)))
                continue
            chosen, nearest = _mesh_points(mesh)
            points.append(mesh.inset[chosen])
            normals.append(mesh.normals[chosen])
            plain.append(np.zeros(len(chosen), bool))
            self.mesh_rows.append(CloudRows((row + nearest).astype(np.int32)))
            row += len(chosen)
        self.flat_rows = row
        self.mesh_start = mesh_start
        self.mesh_cell_start: list[int] = []
        for mesh in site.meshes:
            self.mesh_cell_start.append(cell)
            cell += len(mesh.faces) if mesh.casts else 0
        self.crown_cell_start: list[int] = []
        for crown in site.crowns:
            voxel, middles = _voxels(crown)
            self.crown_cell_start.append(cell)
            self.crown_cell.append((voxel + cell).astype(np.int32))
            cell += len(middles)
            self.crown_rows.append(CloudRows((row + 4 * voxel).astype(np.int32)))
            open_points.append(middles)
            row += 4 * len(middles)
        self.rows, self.cells = row, cell
        empty = np.zeros((0, 3))
        self.points = np.concatenate([*points, empty])
        self.normals = np.concatenate([*normals, empty])
        self.plain = np.concatenate([*plain, np.zeros(0, bool)])
        self.crown_points = np.concatenate([*open_points, empty])
        self.reflectance = self._reflectance()
        self._lend_to_bodies()

    def _lend_to_bodies(self) -> None:
        """Lamps' bodies take the light of the nearest surface that faces alike: they gather none
        themselves, so that a lamp can be moved without any other's light being traced anew."""
        bodies = [k for k, mesh in enumerate(self.site.meshes) if not mesh.casts]
        if not bodies or not len(self.points):
            return
        tree = cKDTree(np.hstack([self.points, FACING_M * self.normals]))
        for k in bodies:
            mesh = self.site.meshes[k]
            row = tree.query(np.hstack([mesh.inset, FACING_M * mesh.normals]))[1]
            self.mesh_rows[k] = CloudRows(row.astype(np.int32))

    def _reflectance(self) -> Array32:
        """Of each cell, (cells, 3): what it gives back of what falls on it."""
        value = np.zeros((self.cells, 3), np.float32)
        for number, patch in enumerate(self.site.patches):
            rows, columns = self.cell_shape[number]
            start = self.cell_start[number]
            if patch.kind != "glass":
                value[start : start + rows * columns] = self.site.materials[patch.material].rgb
        for mesh, start in zip(self.site.meshes, self.mesh_cell_start, strict=True):
            if not mesh.casts:
                continue
            value[start : start + len(mesh.faces)] = self.site.materials[mesh.material].rgb
        for crown, cells, start in zip(
            self.site.crowns, self.crown_cell, self.crown_cell_start, strict=True
        ):
            spec = self.site.materials[crown.material]
            through = spec.transmits_rgb or (0.0, 0.0, 0.0)
            # A leaf lit on one side gives ρ there and τ behind: seen from anywhere, half of both.
            count = int(cells.max()) - start + 1
            value[start : start + count] = 0.5 * (np.asarray(spec.rgb) + np.asarray(through))
        return value

    @cached_property
    def tables(self) -> tuple[Array32, NDArray[np.int32], NDArray[np.int32]]:
        """Sizes (n, 2), cell shapes (n, 2) and first cells (n,) of all patches."""
        size = np.array([patch.size for patch in self.site.patches], np.float32).reshape(-1, 2)
        return (
            size,
            np.array(self.cell_shape, np.int32).reshape(-1, 2),
            np.array(self.cell_start, np.int32),
        )

    @cached_property
    def leaves(self) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """Each crown's first leaf in the cells of all leaves, and those cells."""
        return np.cumsum([0, *[len(c) for c in self.crown_cell]]), np.concatenate(
            [*self.crown_cell, np.zeros(0, np.int32)]
        )

    def cells_of_rows(self) -> sparse.csr_matrix:
        """Rows → light on cells (cells, rows): interpolated on patches, nearest elsewhere."""
        row_ids, column_ids, weights = [], [], []
        for number, grid in enumerate(self.patch_rows):
            if grid is None:
                continue
            patch = self.site.patches[number]
            nv, nu = self.cell_shape[number]
            middle_u = (np.arange(nu) + 0.5) * patch.size[0] / nu
            middle_v = (np.arange(nv) + 0.5) * patch.size[1] / nv
            wu, wv = linear_weights(grid.u, middle_u), linear_weights(grid.v, middle_v)
            whole = np.einsum("ia,jb->ijab", wv, wu).reshape(nv * nu, -1)
            cell, flat = np.nonzero(whole)
            row_ids.append(cell + self.cell_start[number])
            column_ids.append(grid.rows.ravel()[flat])
            weights.append(whole[cell, flat])
        for mesh, start, cloud in zip(
            self.site.meshes, self.mesh_cell_start, self.mesh_rows, strict=True
        ):
            if not mesh.casts:
                continue
            faces = np.repeat(np.arange(len(mesh.faces)), 3) + start
            row_ids.append(faces)
            column_ids.append(cloud.row[mesh.faces.ravel()])
            weights.append(np.full(len(faces), 1 / 3, np.float32))
        for start, middles_row, cells in zip(
            self.crown_cell_start, self.crown_rows, self.crown_cell, strict=True
        ):
            count = int(cells.max()) - start + 1
            first = int(middles_row.row.min())
            row_ids.append(np.arange(count) + start)
            column_ids.append((first + 4 * np.arange(count)).astype(np.int32))
            # Both sides of a leaf together take 2π times the mean radiance.
            weights.append(np.full(count, 2 * np.pi, np.float32))
        if not row_ids:
            return sparse.csr_matrix((self.cells, self.rows), dtype=np.float32)
        return sparse.csr_matrix(
            (np.concatenate(weights), (np.concatenate(row_ids), np.concatenate(column_ids))),
            shape=(self.cells, self.rows), dtype=np.float32,
        )  # fmt: skip


def _gather_axes(patch: Patch, bodies: Bodies) -> tuple[Array, Array]:
    """Columns u and rows v of a patch's gather grid [m]: closer together at its edges and at the
    foot of whatever stands on it or meets it, since light changes quickly there."""
    left, right, low, high = patch.real_edges
    if patch.tube:
        around = np.linspace(0, patch.size[0], 9)
        return around, graded(patch.size[1], STEP_M, (low, high))
    feet = bodies.feet_on(patch)
    if patch.normal[2] > 0.99:
        step = STEP_M if feet else OPEN_STEP_M
        axes = [np.linspace(0, side, max(2, round(side / step) + 1)) for side in patch.size]
    else:
        step = OPEN_STEP_M if patch.texel_m > 0.03 else STEP_M
        ends = ((left, right), (low, high))
        axes = [graded(side, step, end) for side, end in zip(patch.size, ends, strict=True)]
    for foot in feet:
        for axis in (0, 1):
            lines = np.concatenate([foot[0][axis] - NEAR_FEET_M, foot[1][axis] + NEAR_FEET_M])
            inside = lines[(lines > 0.02) & (lines < patch.size[axis] - 0.02)]
            axes[axis] = np.union1d(axes[axis], inside)
    return _thinned(axes[0]), _thinned(axes[1])


class Bodies:
    """The solids that are large enough to darken what they meet for more than a hand's breadth."""

    def __init__(self, solids: Sequence[Solid]) -> None:
        # Posts and columns are too slender, kerbs too low.
        self.solids = [
            solid
            for solid in solids
            if np.sort(solid.high - solid.low)[1] > 0.6 and solid.high[2] - solid.low[2] > 0.3
        ]
        self.low = np.array([solid.low for solid in self.solids]).reshape(-1, 3)
        self.high = np.array([solid.high for solid in self.solids]).reshape(-1, 3)

    def feet_on(self, patch: Patch) -> list[tuple[Array, Array]]:
        """Where solids meet a flat patch's plane within a metre of it: lowest and highest (u, v)."""
        if max(patch.size) <= 0.5:
            return []
        around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) + np.array(
            [[0, 0], [patch.size[0], 0], patch.size, [0, patch.size[1]]]
        )
        corners, _ = patch.place(around[:, 0], around[:, 1])
        reach = ((self.low < corners.max(0) + 0.05) & (self.high > corners.min(0) - 0.05)).all(
            axis=1
        )
        found = []
        for i in np.flatnonzero(reach):
            ring = around.astype(float)
            for plane in self.solids[i].planes:
                ring = _clipped(ring, patch, plane)
                if not len(ring):
                    break
            if len(ring):
                foot = ring.min(axis=0), ring.max(axis=0)
                covers = (foot[0] < 0.02).all() and (foot[1] > np.array(patch.size) - 0.02).all()
                if not covers:  # else it is the patch's own body
                    found.append(foot)
        return found


def _clipped(ring: Array, patch: Patch, plane: Array) -> Array:
    """The part of a ring (n, 2) of a patch's plane inside a half-space, a finger's breadth more."""
    points, _ = patch.place(ring[:, 0], ring[:, 1])
    out = points @ plane[:3] + plane[3] - 0.02
    kept = []
    for k in range(len(ring)):
        j = (k + 1) % len(ring)
        if out[k] <= 0:
            kept.append(ring[k])
        if (out[k] <= 0) != (out[j] <= 0):
            t = out[k] / (out[k] - out[j])
            kept.append(ring[k] + t * (ring[j] - ring[k]))
    return np.array(kept).reshape(-1, 2)


def _thinned(axis: Array) -> Array:
    """The same places without those closer than 45 mm to the one before."""
    kept = [axis[0]]
    for place in axis[1:-1]:
        if place - kept[-1] > 0.045 and axis[-1] - place > 0.045:
            kept.append(place)
    return np.array([*kept, axis[-1]])


def _voxels(crown: Crown) -> tuple[NDArray, Array]:
    """Each leaf's voxel number, and the middles of the voxels that hold leaves."""
    step = CROWN_CELL_M if crown.bounds[1] > 1.5 else CROWN_CELL_M / 2
    key = np.floor(crown.centre / step).astype(np.int64)
    low = key.min(axis=0)
    span = key.max(axis=0) - low + 1
    packed = np.ravel_multi_index(tuple((key - low).T), tuple(span))
    used, number = np.unique(packed, return_inverse=True)
    unique = np.stack(np.unravel_index(used, tuple(span)), axis=1) + low
    return number.ravel(), (unique + 0.5) * step


def _mesh_points(mesh: Mesh) -> tuple[NDArray, NDArray]:
    """Vertices that gather, and for every vertex the nearest of them (place and direction)."""
    count = len(mesh.vertices)
    # Thin wood needs few points; imported shapes are worth more.
    most = min(count, MESH_ROWS_AT_MOST if mesh.owner == mesh.name else 300)
    if count <= most:
        return np.arange(count), np.arange(count)
    chosen = np.unique(np.linspace(0, count - 1, most).astype(int))
    size = mesh.bounds[1] * 0.3
    features = np.hstack([mesh.vertices, size * mesh.normals])
    return chosen, cKDTree(features[chosen]).query(features)[1]


def _to_hemisphere(square: Array) -> Array:
    """Places (..., 2) of the unit square to cosine-weighted unit ways (..., 3) about +z."""
    x, y = 2 * square[..., 0] - 1, 2 * square[..., 1] - 1
    wide = np.abs(x) > np.abs(y)
    radius = np.where(wide, x, y)
    turn = np.where(wide, y, x) / np.where(radius == 0, 1.0, radius)
    angle = np.where(wide, np.pi / 4 * turn, np.pi / 2 - np.pi / 4 * turn)
    return np.stack(
        [radius * np.cos(angle), radius * np.sin(angle), np.sqrt(np.maximum(1 - radius**2, 0))],
        axis=-1,
    )


def bases(normals: Array) -> tuple[Array, Array]:
    """Two unit vectors square to each normal (Duff et al. 2017, JCGT 6:1), (n, 3) each."""
    x, y, z = normals.T
    sign = np.copysign(1.0, z)
    a = -1.0 / (sign + z)
    b = x * y * a
    first = np.stack([1 + sign * x * x * a, sign * b, -sign * x], axis=1)
    second = np.stack([b, sign + y * y * a, -y], axis=1)
    return first, second


@lru_cache(maxsize=4)
def _ray_sets(count: int) -> Array32:
    """SETS cosine-weighted sets about +z: a golden lattice, shifted from set to set by the R2
    sequence (Roberts 2018), mapped to the disc (Shirley & Chiu 1997) and lifted: (SETS, count, 3).

    Measured on squares near and beside: 3 to 4 % (1 σ) with 256 rays, a plain grid 7 to 9 %.
    """
    k = np.arange(count)
    lattice = np.stack([(k + 0.5) / count, k * 0.6180339887498949], axis=1)
    shifts = np.arange(SETS)[:, None, None] * R2
    return _to_hemisphere((lattice + shifts) % 1.0).astype(np.float32)


def hemisphere_rays(normals: Array, count: int, numbers: NDArray[np.intp]) -> Array32:
    """count cosine-weighted ways from each normal (n, 3) of a numbered point:
    (n, count, 3) float32."""
    local = _ray_sets(count)[(numbers * 29) % SETS]
    t1, t2 = bases(normals)
    frame = np.stack([t1, t2, normals], axis=1).astype(np.float32)
    return np.matmul(local, frame)


def sphere_set(count: int) -> Array32:
    """Even directions over the sphere (a spherical Fibonacci lattice), (count, 3)."""
    k = np.arange(count) + 0.5
    z = 1 - 2 * k / count
    angle = k * np.pi * (3 - np.sqrt(5))
    level = np.sqrt(1 - z * z)
    return np.stack([level * np.cos(angle), level * np.sin(angle), z], axis=1).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Gather:
    """The rays' result. matrix : (rows, cells) csr, from exitance [lm/m²] to gathered rows.

    sky : (rows, 3) float32. What the sky itself brings [lx RGB].
    """

    layout: Layout
    matrix: sparse.csr_matrix
    cells_of_rows: sparse.csr_matrix
    sky: Array32

    def bounced(self, direct_cells: Array32) -> Array32:
        """Light on rows after one, two, … bounces of white light on cells (cells, k).

        Returns (rows, k, 3): all bounces until the next adds less than 0.2 % of the sum.
        """
        count = direct_cells.shape[1]
        exitance = direct_cells[:, :, None] * self.layout.reflectance[:, None, :]
        return self._all_bounces(exitance, np.zeros((self.layout.rows, count, 3), np.float32))

    def sky_light(self) -> Array32:
        """The sky's light with its own bounces, on rows (rows, 3)."""
        if not self.sky.any():
            return self.sky
        cells = self.cells_of_rows @ self.sky
        exitance = (cells * self.layout.reflectance)[:, None, :]
        return self._all_bounces(exitance, self.sky[:, None, :].copy())[:, 0]

    def _all_bounces(self, exitance: Array32, total: Array32) -> Array32:
        count = exitance.shape[1]
        # Each lamp by itself: what it gets must not hang on which others are traced with it.
        going = np.ones(count, bool)
        for _ in range(BOUNCES_AT_MOST):
            step = (self.matrix @ exitance.reshape(len(exitance), -1)).reshape(-1, count, 3)
            total += step
            gain, sum_ = np.abs(step).sum(axis=(0, 2)), np.abs(total).sum(axis=(0, 2))
            going &= gain > BOUNCE_TOLERANCE * sum_
            if not going.any():
                break
            cells = (self.cells_of_rows @ step.reshape(len(step), -1)).reshape(-1, count, 3)
            exitance = cells * self.layout.reflectance[:, None, :] * going[:, None]
        self._bound_lean(total)
        return total

    def _bound_lean(self, total: Array32) -> None:
        """Shorten crowns' moments, in place, until no side of any leaf gets less than nothing; lamp
        by lamp, so that sums of lamps stay sums."""
        crowns = total[self.layout.flat_rows :].reshape(-1, 4, *total.shape[1:])
        length = np.linalg.norm(crowns[:, 1:], axis=1, keepdims=True)
        longest = 1.5 * np.maximum(crowns[:, :1], 0.0)
        crowns[:, 1:] *= np.minimum(1.0, longest / np.maximum(length, 1e-30))


def trace_gather(site: Site, layout: Layout, tracer: Tracer) -> Gather:
    """Send all gather rays once, a batch of points to a thread."""
    jobs: list[Callable[[], tuple[sparse.csr_matrix, Array32, NDArray[np.bool_]]]] = []
    order = []
    for rows, rays in (
        (np.flatnonzero(~layout.plain), RAYS),
        (np.flatnonzero(layout.plain), PLAIN_RAYS),
    ):
        step = max(1, (1 << 17) // rays)
        for start in range(0, len(rows), step):
            some = rows[start : start + step]
            order.append(some)
            jobs.append(partial(_from_surfaces, site, layout, tracer, some, rays))
    step = max(1, (1 << 17) // CROWN_RAYS)
    for start in range(0, len(layout.crown_points), step):
        jobs.append(partial(_in_crowns, site, layout, tracer, start, start + step))
    with ThreadPoolExecutor(THREADS) as pool:
        found = list(pool.map(lambda job: job(), jobs))
    if not found:
        nothing = sparse.csr_matrix((0, layout.cells), dtype=np.float32)
        return Gather(layout, nothing, layout.cells_of_rows(), np.zeros((0, 3), np.float32))
    place = np.arange(layout.rows)
    if order:
        place[: layout.flat_rows] = np.argsort(np.concatenate(order))
    inside = np.concatenate([part for _, _, part in found])[place]
    place = place[_outside(layout, inside)]
    matrix = sparse.vstack([part for part, _, _ in found], format="csr", dtype=np.float32)[place]
    sky = np.concatenate([part for _, part, _ in found]).astype(np.float32)[place]
    return Gather(layout, matrix, layout.cells_of_rows(), sky)


def _outside(layout: Layout, inside: NDArray[np.bool_]) -> NDArray[np.intp]:
    """For each row itself, or the nearest of its patch where it lies inside something.

    Where a wing's roof meets a wall, places between the two are dark; light must not fade towards
    them over half a metre of what is seen.
    """
    chosen = np.arange(layout.rows)
    for grid in layout.patch_rows:
        if grid is not None:
            dark = inside[grid.rows]
            if dark.any() and not dark.all():
                chosen[grid.rows[dark]] = grid.rows[nearest_real(~dark)][dark]
    return chosen


def _from_surfaces(
    site: Site, layout: Layout, tracer: Tracer, rows: NDArray[np.intp], rays: int
) -> tuple[sparse.csr_matrix, Array32, NDArray[np.bool_]]:
    """Irradiance rows: each hit cell's exitance counts for its share of the rays."""
    normals = layout.normals[rows]
    ways = hemisphere_rays(normals, rays, rows)
    origins = (layout.points[rows] + 0.001 * normals).astype(np.float32)
    cells, missed = _hit_cells(layout, tracer, origins, ways)
    n = len(rows)
    which = np.repeat(np.arange(n, dtype=np.int32), rays)
    part = _counted(which, cells, np.full(n * rays, 1.0 / rays, np.float32), (n, layout.cells))
    radiance = _sky(site, ways.reshape(-1, 3), missed)
    backs = ((cells < 0) & ~missed).reshape(n, rays).mean(axis=1)
    sky = (np.pi / rays) * radiance.reshape(n, rays, 3).sum(axis=1)
    return part, sky, backs > BACKS_AT_MOST


def _in_crowns(
    site: Site, layout: Layout, tracer: Tracer, start: int, stop: int
) -> tuple[sparse.csr_matrix, Array32, NDArray[np.bool_]]:
    """Four rows a place: mean radiance, and three times its mean along x, y and z."""
    middles = layout.crown_points[start:stop].astype(np.float32)
    n, around = len(middles), sphere_set(CROWN_RAYS)
    ways = np.ascontiguousarray(np.broadcast_to(around, (n, CROWN_RAYS, 3)))
    cells, missed = _hit_cells(layout, tracer, middles, ways)
    radiance = _sky(site, ways.reshape(-1, 3), missed).reshape(n, CROWN_RAYS, 3)
    which = 4 * np.repeat(np.arange(n, dtype=np.int32), CROWN_RAYS)
    moments = (
        np.concatenate([np.ones((CROWN_RAYS, 1), np.float32), 3 * around], axis=1) / CROWN_RAYS
    )
    rows = np.concatenate([which + k for k in range(4)])
    weights = np.concatenate([np.tile(moments[:, k] / np.pi, n) for k in range(4)]).astype(
        np.float32
    )
    part = _counted(rows, np.tile(cells, 4), weights, (4 * n, layout.cells))
    sky = np.einsum("rk,nrc->nkc", moments, radiance).reshape(-1, 3)
    return part, sky, np.zeros(4 * n, bool)


def _counted(
    rows: NDArray, cells: NDArray, weights: Array32, shape: tuple[int, int]
) -> sparse.csr_matrix:
    hit = cells >= 0
    return sparse.csr_matrix((weights[hit], (rows[hit], cells[hit])), shape=shape, dtype=np.float32)


def _sky(site: Site, ways: Array32, missed: NDArray[np.bool_]) -> Array32:
    """Sky radiance of the rays that met nothing, 0 for the rest, (n, 3)."""
    found = np.zeros((len(ways), 3), np.float32)
    if missed.any():
        found[missed] = sky_along(site, ways[missed])
    return found


def sky_along(site: Site, ways: Array32) -> Array32:
    """Radiance of the site's sky along unit ways (n, 3): (n, 3) [cd/m² RGB]."""
    return sky_luminance(ways, site.scene.site.surroundings, ambient_lx(site), moon_of(site))


def ambient_lx(site: Site) -> float:
    """Light of the sky on open level ground [lx]."""
    stated = site.scene.site.ambient_lx
    return AMBIENT_LX[site.scene.site.surroundings] if stated is None else stated


def _hit_cells(
    layout: Layout, tracer: Tracer, origins: Array32, ways: Array32
) -> tuple[NDArray[np.int32], NDArray[np.bool_]]:
    """The cell each ray of (n, r, 3) ways meets, −1 for none or a surface's back: (n·r,)."""
    per = ways.shape[1]
    hits = tracer.first(np.repeat(origins, per, axis=0), np.ascontiguousarray(ways).reshape(-1, 3))
    missed = hits.triangle < 0
    return cells_hit(layout, tracer, hits.triangle, hits.u, hits.v, hits.facing), missed


def cells_hit(
    layout: Layout, tracer: Tracer, triangle: NDArray, u: Array32, v: Array32, facing: Array32
) -> NDArray[np.int32]:
    """Cell numbers of hits; −1 where a ray missed or met the back of a patch or mesh."""
    cells = np.full(len(triangle), -1, np.int32)
    hit = np.flatnonzero(triangle >= 0)
    surface = tracer.surface[triangle[hit]]
    n_patches, n_crowns = len(layout.site.patches), len(layout.site.crowns)
    # embree's Ng points against the ray on a front face.
    on_patch = surface < n_patches
    front = hit[on_patch & (facing[hit] < 0)]
    if len(front):
        number = tracer.surface[triangle[front]]
        place = tracer.patch_uv(triangle[front], u[front], v[front])
        size, shape, start = layout.tables
        rows = np.clip(
            (place[:, 1] / size[number, 1] * shape[number, 0]).astype(np.int32),
            0,
            shape[number, 0] - 1,
        )
        columns = np.clip(
            (place[:, 0] / size[number, 0] * shape[number, 1]).astype(np.int32),
            0,
            shape[number, 1] - 1,
        )
        cells[front] = start[number] + rows * shape[number, 1] + columns
    crown = hit[(surface >= n_patches) & (surface < n_patches + n_crowns)]
    if len(crown):
        number = tracer.surface[triangle[crown]] - n_patches
        leaf = tracer.local[triangle[crown]]
        begin, leaf_cells = layout.leaves
        cells[crown] = leaf_cells[begin[number] + leaf]
    mesh = hit[surface >= n_patches + n_crowns]
    if len(mesh):
        mesh = mesh[facing[mesh] < 0]
        number = tracer.surface[triangle[mesh]] - n_patches - n_crowns
        cells[mesh] = (
            np.asarray(layout.mesh_cell_start, np.int32)[number] + tracer.local[triangle[mesh]]
        )
    return cells
