"""Where light is gathered and what it comes from: geometry only, no rays yet.

Each patch has a few gather lines each way, closer together at edges and feet. A node where two of
them cross gathers for itself, is one with a neighbour's that lies at the same place, or is
interpolated: on a line drawn for the foot of something far along it, from the four nodes about it;
where a neighbour's lines are farther apart, from its two nodes about it on the edge they share.
Rows come in that order: the nodes that gather (of patches, of meshes), the interpolated ones, and
four a place in crowns.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.spatial import cKDTree

from nightview.light.grids import Bools, Grids, inside
from nightview.light.nodes import Lines, Nodes, between, everywhere
from nightview.light.planes import Plane, ended, lattice, planes_of, touched
from nightview.light.rays import Array32
from nightview.site.build import Geometry
from nightview.site.materials import LUMINOUS
from nightview.site.surface import Array, Crown, Mesh, Patch, Solid, cubes

STEP_M = 0.4
OPEN_STEP_M = 0.8
FAR_STEP_M = 3.2
"""On level ground far from all that stands. There lines lie on multiples of their step, each of
these steps twice the one before: where pieces meet, the one's lines are among the other's."""
CELL_M = 0.15
OPEN_CELL_M = 0.3
"""Side of the cells that send light on [m]; of the larger ones, on ground and roofs where nothing
stands."""
NEAR_FEET_M = np.array([0.02, 0.08, 0.17, 0.3, 0.5, 0.8])
"""Distances from a standing body at which the ground's light is gathered [m]."""
SLOPE_STEP_M, NEAR_SLOPE_M = 0.13, 0.4
"""So close together light is gathered along a gable's slopes, and so far from them."""
BAR_M = 0.2
"""Frames whose bars are slimmer than this are gathered along the middles of their bars."""
TRIM_M = 0.12
"""Boards and bars up to this width are trim."""
CROWN_CELL_M = 0.7
SIDES = 24
"""Of a crown's leaves in one place those sides are one cell that face much the same way: into the same
third of an octant. So its lit side sends more light than its dark side."""
MESH_ROWS_AT_MOST = 4000
FACING_M = 0.3
"""The same for the bodies of lamps, which take the light of what is near and faces alike."""


def graded(length: float, step: float, ends: tuple[bool, bool]) -> Array:
    """Places along a length, closer together at real edges: each 1.6 × its neighbour's gap [m]."""
    if length <= 0.05:
        return np.array([length / 2])
    if length <= TRIM_M:
        return np.array([0.0, length])
    if length <= 0.25:
        return np.array([0.0, length / 2, length])
    if length <= 0.5:
        return np.array([0.0, 0.3 * length, 0.7 * length, length])
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
    index, part = between(have, want)
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
    """Where light is gathered and what cells it comes from; geometry only, no rays yet.

    points, normals : (flat_rows, 3). Nodes that gather. open : (flat_rows,) bool. On level
        ground, away from the foot of all that stands. derived : (d, flat_rows) csr. The interpolated rows, of those.
    neighbours : along u and along v. crown_points : (c, 3). Places in crowns, four rows each.
    rows, cells : how many there are of each.
    """

    def __init__(self, site: Geometry, grids: Grids) -> None:
        self.site = site
        self.patch_rows: list[PatchRows | None] = []
        self.crown_rows: list[CloudRows] = []
        self.mesh_rows: list[CloudRows] = []
        self.cell_start: list[int] = []
        self.cell_shape: list[tuple[int, int]] = []
        self.crown_cell: list[NDArray[np.int32]] = []
        self.crown_facing: list[Array32] = []
        self.grids = grids
        self._there: dict[int, Array32] = {}
        self.patch_cells = cell = self._patches(site, grids)
        cell = self._meshes(site, cell)
        self.crown_start = row = self.flat_rows + self.derived.shape[0]
        self.crown_cell_start: list[int] = []
        middles_of = [np.zeros((0, 3))]
        for crown in site.crowns:
            voxel, middles = _voxels(crown)
            self.crown_cell_start.append(cell)
            front = facing(crown.normal)
            own = SIDES * voxel[:, None] + np.stack([front, SIDES - 1 - front], axis=1)
            self.crown_cell.append((own + cell).astype(np.int32))
            self.crown_facing.append(_mean_facing(crown, own, SIDES * len(middles)))
            cell += SIDES * len(middles)
            self.crown_rows.append(CloudRows((row + 4 * voxel).astype(np.int32)))
            middles_of.append(middles)
            row += 4 * len(middles)
        self.crown_points = np.concatenate(middles_of)
        self.rows, self.cells = row, cell
        self.reflectance, self.transmittance = self._reflectance(), self._transmittance()

    def _patches(self, site: Geometry, grids: Grids) -> int:
        """Nodes and cells of all patches; the number of cells."""
        bodies = Bodies(site)
        nodes = Nodes()
        planes = planes_of(site)
        found: list[tuple[Array, Array, NDArray[np.int32]] | None] = [None] * len(site.patches)
        waiting: list[tuple[float, int, list[tuple[Array, Array]]]] = []
        cell = 0
        for number, patch in enumerate(site.patches):
            self.cell_start.append(cell)
            feet = [] if patch.kind == "glass" else bodies.feet_on(patch, planes.get(number))
            is_open = _is_open(patch)
            crowded = bool(feet) or (is_open and bodies.something_over(patch))
            side = CELL_M if crowded or not is_open else OPEN_CELL_M
            shape = (max(1, round(patch.size[1] / side)), max(1, round(patch.size[0] / side)))
            self.cell_shape.append(shape)
            cell += shape[0] * shape[1]
            if patch.kind != "glass":
                step = STEP_M if crowded else bodies.open_step_m(patch)
                waiting.append((step if number in planes else 0.0, number, feet))
        # Wide steps first, since narrow ones take from them where they meet.
        for step, number, feet in sorted(waiting, key=lambda item: (-item[0], item[1])):
            patch, plane = site.patches[number], planes.get(number)
            is_open = _is_open(patch)
            if plane is None:
                lines = _gather_lines(patch, feet)
                real = grids.valid(number, lines.u, lines.v)
            else:
                lines, real = _lines_in_plane(plane, patch, number, grids, feet, step)
            is_low = is_open and patch.normal[2] > 0.99
            wide = ~lines.near if feet else np.ones_like(lines.near)
            found[number] = nodes.add(patch, lines, real, is_low & wide, plane, step)
        joined = nodes.joined()
        self.points, self.normals, self.open = joined.points, joined.normals, joined.open
        self.derived, self.neighbours = joined.derived, joined.neighbours
        self.patch_points = len(self.points)
        for item in found:
            self.patch_rows.append(item and PatchRows(item[0], item[1], joined.rows[item[2]]))
        return cell

    def _meshes(self, site: Geometry, cell: int) -> int:
        points, normals, row = [self.points], [self.normals], len(self.points)
        self.mesh_cell_start: list[int] = []
        for mesh in site.meshes:
            self.mesh_cell_start.append(cell)
            chosen, nearest = _mesh_points(mesh)
            points.append(mesh.inset[chosen])
            normals.append(mesh.normals[chosen])
            self.mesh_rows.append(CloudRows((row + nearest).astype(np.int32)))
            row += len(chosen)
            cell += len(mesh.faces)
        shift = row - len(self.points)
        if shift:  # the interpolated rows come after the meshes'
            first = len(self.points)
            for grid in self.patch_rows:
                if grid is not None:
                    grid.rows[grid.rows >= first] += shift
            self.derived.resize(self.derived.shape[0], row)
        self.open = np.concatenate([self.open, np.zeros(shift, bool)])
        self.points, self.normals = np.concatenate(points), np.concatenate(normals)
        self.flat_rows = row
        return cell

    def _reflectance(self) -> Array32:
        """Of each cell, (cells, 3): what it gives back of what falls on it."""
        value = np.zeros((self.cells, 3), np.float32)
        for number, patch in enumerate(self.site.patches):
            rows, columns = self.cell_shape[number]
            start = self.cell_start[number]
            if patch.kind != "glass":
                value[start : start + rows * columns] = self.site.materials[patch.material].rgb
        for mesh, start in zip(self.site.meshes, self.mesh_cell_start, strict=True):
            value[start : start + len(mesh.faces)] = self.site.materials[mesh.material].rgb
        for crown, start, facing in zip(
            self.site.crowns, self.crown_cell_start, self.crown_facing, strict=True
        ):
            value[start : start + len(facing)] = self.site.materials[crown.material].rgb
        return value

    def _transmittance(self) -> Array32:
        """Of each cell of crowns, (n, 3): what it gives of the light on its leaves' other side."""
        first = self.cells - sum(len(facing) for facing in self.crown_facing)
        value = np.zeros((self.cells - first, 3), np.float32)
        for crown, start, facing in zip(
            self.site.crowns, self.crown_cell_start, self.crown_facing, strict=True
        ):
            through = self.site.materials[crown.material].transmits_rgb or (0.0, 0.0, 0.0)
            value[start - first : start - first + len(facing)] = through
        return value

    @cached_property
    def lightness(self) -> Array32:
        """Luminous reflectance of patches' cells, (cells,); 0 of all others."""
        value: Array32 = self.reflectance @ np.array(LUMINOUS, np.float32)
        value[self.patch_cells :] = 0.0
        return value

    @cached_property
    def cell_m2(self) -> Array32:
        """How large patches' cells are, (cells,) [m²]; 0 of all others."""
        value = np.zeros(self.cells, np.float32)
        for patch, (nv, nu), start in zip(
            self.site.patches, self.cell_shape, self.cell_start, strict=True
        ):
            value[start : start + nv * nu] = patch.size[0] * patch.size[1] / (nv * nu)
        return value

    def there(self, number: int) -> Array32:
        """Share of each cell of a patch that is inside its outline and outside solids, (nv, nu)."""
        if number not in self._there:
            (nv, nu), (width, height) = self.cell_shape[number], self.site.patches[number].size
            u, v = ((np.arange(4 * n) + 0.5) / (4 * n) for n in (nu, nv))
            real = self.grids.valid(number, u * width, v * height)
            whole = np.ones((4 * nv, 4 * nu), bool) if real is None else real
            self._there[number] = whole.reshape(nv, 4, nu, 4).mean(axis=(1, 3), dtype=np.float32)
        return self._there[number]

    def placed(self, cells: NDArray[np.intp]) -> NDArray[np.intp]:
        """The patch, row and column of some cells (n,) of patches: (3, n)."""
        number = np.searchsorted(self.cell_start, cells, side="right") - 1
        within = cells - np.array(self.cell_start)[number]
        return np.stack([number, *np.divmod(within, np.array(self.cell_shape)[number, 1])])

    def given(self, light: Array32, colour: int) -> Array32:
        """What cells give back of white light on them, (cells, k) [lm/m²], of one colour."""
        sent = light * self.reflectance[:, colour, None]
        through = self.transmittance[:, colour, None]
        first = self.cells - len(through)
        behind = light[first:].reshape(-1, SIDES, light.shape[1])[:, ::-1]
        sent[first:] += behind.reshape(-1, light.shape[1]) * through
        return sent

    @cached_property
    def leaves(self) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """Each crown's first leaf in the cells of all leaves, and those of its two sides (n, 2)."""
        return np.cumsum([0, *[len(c) for c in self.crown_cell]]), np.concatenate(
            [*self.crown_cell, np.zeros((0, 2), np.int32)]
        )

    def cells_of_rows(self) -> sparse.csr_matrix:
        """Rows → light on cells (cells, rows): interpolated on patches, nearest elsewhere."""
        columns: list[NDArray] = []
        weights: list[NDArray] = []
        counts = np.zeros(self.cells, np.int32)
        for number, grid in enumerate(self.patch_rows):
            if grid is None:
                continue
            patch = self.site.patches[number]
            nv, nu = self.cell_shape[number]
            row, weight = grid_weights(
                grid, (np.arange(nu) + 0.5) * patch.size[0] / nu,
                (np.arange(nv) + 0.5) * patch.size[1] / nv,
            )  # fmt: skip
            columns.append(row.ravel())
            weights.append(weight.ravel())
            start = self.cell_start[number]
            counts[start : start + nv * nu] = row.shape[-1]
        for mesh, start, cloud in zip(
            self.site.meshes, self.mesh_cell_start, self.mesh_rows, strict=True
        ):
            columns.append(cloud.row[mesh.faces.ravel()])
            weights.append(np.full(mesh.faces.size, 1 / 3, np.float32))
            counts[start : start + len(mesh.faces)] = 3
        for start, cloud, facing in zip(
            self.crown_cell_start, self.crown_rows, self.crown_facing, strict=True
        ):
            place = int(cloud.row.min()) + 4 * (np.arange(len(facing)) // SIDES)
            columns.append((place[:, None] + np.arange(4)).ravel().astype(np.int32))
            # π times the mean radiance, and the first moment along the way the sides face.
            even = np.full((len(facing), 1), np.pi, np.float32)
            lean = np.float32(2 * np.pi / 3) * facing
            weights.append(np.concatenate([even, lean], axis=1).ravel())
            counts[start : start + len(facing)] = 4
        starts = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)
        if not columns:
            return sparse.csr_matrix((self.cells, self.rows), dtype=np.float32)
        return sparse.csr_matrix(
            (np.concatenate(weights), np.concatenate(columns), starts),
            shape=(self.cells, self.rows), dtype=np.float32,
        )  # fmt: skip


def grid_weights(grid: PatchRows, u: Array, v: Array) -> tuple[NDArray[np.int32], Array32]:
    """The rows that bring light to each crossing of u and v, and their shares by linear
    interpolation: (nv, nu, k) each, k = 1, 2 or 4."""
    (row_v, weight_v), (row_u, weight_u) = _ends(grid.v, v), _ends(grid.u, u)
    rows = grid.rows[row_v[:, None, :, None], row_u[None, :, None, :]]
    weights = weight_v[:, None, :, None] * weight_u[None, :, None, :]
    shape = (len(v), len(u), -1)
    return rows.reshape(shape), np.broadcast_to(weights, rows.shape).reshape(shape)


def _ends(have: Array, want: Array) -> tuple[NDArray[np.intp], Array32]:
    """The one or two of have about each of want, and their shares: (len(want), 1 or 2) each."""
    if len(have) == 1:
        return np.zeros((len(want), 1), np.intp), np.ones((len(want), 1), np.float32)
    index, part = between(have, want)
    return np.stack([index, index + 1], axis=1), np.stack([1 - part, part], axis=1)


# --- lines and nodes of a patch -------------------------------------------------------------------


def _is_open(patch: Patch) -> bool:
    """Whether a patch is ground, paving or a roof."""
    return patch.texel_m > 0.03 and not patch.tube and bool(patch.normal[2] > 0.2)


def _lines_in_plane(
    plane: Plane,
    patch: Patch,
    number: int,
    grids: Grids,
    feet: list[tuple[Array, Array]],
    step: float,
) -> tuple[Lines, Bools]:
    """A patch's lines on its plane's lattice, up to its own edge where the plane ends there; and which
    of their crossings there is light at."""
    u, v = lattice(patch, step)
    around = plane.about(patch, step)
    there = inside(around, u, v)
    u = ended(u, patch.size[0], not there[:, 0].any(), not there[:, -1].any())
    v = ended(v, patch.size[1], not there[0].any(), not there[-1].any())
    lines = _with_all_feet(u, v, patch, feet, 0.01)
    real = grids.real_at(number, lines.u, lines.v, around)
    if not patch.is_rectangle:
        real &= touched(patch.outline, (u, v), lines.u, lines.v)
    return lines, real


def _gather_lines(patch: Patch, feet: list[tuple[Array, Array]]) -> Lines:
    """Closer together at a patch's edges and at the foot of whatever stands on it or meets it,
    since light changes quickly there."""
    left, right, low, high = patch.real_edges
    if patch.tube:
        around = np.linspace(0, patch.size[0], 17)
        return everywhere(around, graded(patch.size[1], STEP_M, (low, high)))
    bars = _bars(patch)
    if bars is not None:
        return everywhere(*bars)
    if patch.normal[2] > 0.99:
        axes = [np.linspace(0, side, max(2, round(side / STEP_M) + 1)) for side in patch.size]
    else:
        step = OPEN_STEP_M if patch.texel_m > 0.03 else STEP_M
        ends = ((left, right), (low, high))
        axes = [graded(side, step, end) for side, end in zip(patch.size, ends, strict=True)]
    return _with_slopes(_with_all_feet(axes[0], axes[1], patch, feet, 0.045), patch)


def _with_all_feet(
    u: Array, v: Array, patch: Patch, feet: list[tuple[Array, Array]], apart_m: float
) -> Lines:
    axes = (u, v)
    if not feet or min(len(axis) for axis in axes) == 1:
        return everywhere(*axes)
    (u, whole_u), (v, whole_v) = (
        _with_feet(axes[k], [(foot[0][k], foot[1][k]) for foot in feet], apart_m) for k in (0, 1)
    )
    near = np.zeros((len(v), len(u)), bool)
    for first, last in feet:
        du = np.maximum(np.maximum(first[0] - u, u - last[0]), 0.0)
        dv = np.maximum(np.maximum(first[1] - v, v - last[1]), 0.0)
        near |= np.hypot(du[None, :], dv[:, None]) < NEAR_FEET_M[-1] + 0.05
    return Lines(u, v, whole_u, whole_v, near)


def _with_feet(axis: Array, feet: list[tuple[float, float]], apart_m: float) -> tuple[Array, Bools]:
    """An axis with the lines at feet let in, none closer than 45 mm to the one before or some way to
    one of the axis; and which are there for the whole axis."""
    lines = np.sort([place for a, b in feet for place in (*(a - NEAR_FEET_M), *(b + NEAR_FEET_M))])
    kept: list[float] = []
    before = -np.inf
    for place in lines.tolist():
        if place - before > 0.045:
            before = place
            kept.append(place)
    inner = np.array(kept)
    inner = inner[(inner > axis[0] + 0.02) & (inner < axis[-1] - 0.02)]
    apart = np.abs(inner[:, None] - axis).min(axis=1) > apart_m
    both = np.concatenate([axis, inner[apart]])
    order = np.argsort(both, kind="stable")
    return both[order], order < len(axis)


def _with_slopes(lines: Lines, patch: Patch) -> Lines:
    """Lines, and closer ones along the slanting edges of a gable: under its eaves light changes within
    a hand's breadth."""
    if patch.is_rectangle or abs(patch.normal[2]) > 0.1:
        return lines
    ring = shapely.get_coordinates(patch.outline.exterior)
    ways = np.abs(np.diff(ring, axis=0)).min(axis=1) > SLOPE_STEP_M
    if not ways.any():
        return lines
    slopes = shapely.linestrings(np.stack([ring[:-1], ring[1:]], axis=1)[ways])
    low, high = (
        extreme(np.concatenate([ring[:-1][ways], ring[1:][ways]]), axis=0)
        for extreme in (np.min, np.max)
    )
    places, old = [], []
    for axis, start, end in zip((lines.u, lines.v), low, high, strict=True):
        more = np.arange(start + SLOPE_STEP_M / 2, end, SLOPE_STEP_M)
        more = more[np.abs(more[:, None] - axis).min(axis=1) > SLOPE_STEP_M / 3]
        places.append(np.sort(np.concatenate([axis, more])))
        old.append(np.isin(places[-1], axis))
    (u, v), (old_u, old_v) = places, old
    near = shapely.dwithin(
        shapely.multilinestrings(slopes), shapely.points(*np.meshgrid(u, v)), NEAR_SLOPE_M
    )
    near[np.ix_(old_v, old_u)] |= lines.near
    whole_u, whole_v = np.zeros(len(u), bool), np.zeros(len(v), bool)
    whole_u[old_u], whole_v[old_v] = lines.whole_u, lines.whole_v
    return Lines(u, v, whole_u, whole_v, near)


def _bars(patch: Patch) -> tuple[Array, Array] | None:
    """Lines along the middles of a frame's bars and between them; None for other shapes."""
    if patch.is_rectangle or patch.outline.area > 0.6 * patch.size[0] * patch.size[1]:
        return None
    axes = []
    for k in (0, 1):
        places = np.unique(np.round(shapely.get_coordinates(patch.outline)[:, k], 4))
        if len(places) > 24:
            return None
        parts = [
            low + (high - low) * (np.arange(count) + 0.5) / count
            for low, high in itertools.pairwise(places)
            for count in (max(1, int(np.ceil((high - low) / (1.25 * STEP_M)))),)
        ]
        axes.append(np.concatenate(parts))
    return None if not patch.outline.buffer(-BAR_M / 2).is_empty else (axes[0], axes[1])


class Bodies:
    """What is large enough to darken what it meets for more than a hand's breadth."""

    def __init__(self, site: Geometry) -> None:
        # Posts and columns are too slender, kerbs too low.
        self.solids: list[Solid] = [
            solid
            for solid in site.solids
            if np.sort(solid.high - solid.low)[1] > 0.3 and solid.high[2] - solid.low[2] > 0.1
        ]
        self.low = np.array([solid.low for solid in self.solids]).reshape(-1, 3)
        self.high = np.array([solid.high for solid in self.solids]).reshape(-1, 3)
        imported = [
            mesh for mesh in site.meshes
            if mesh.owner == mesh.name and mesh.bounds[1] > 0.3
        ]  # fmt: skip
        self.mesh_low = np.array([mesh.vertices.min(axis=0) for mesh in imported]).reshape(-1, 3)
        self.mesh_high = np.array([mesh.vertices.max(axis=0) for mesh in imported]).reshape(-1, 3)
        lows = [crown.centre.min(axis=0) for crown in site.crowns]
        highs = [crown.centre.max(axis=0) for crown in site.crowns]
        self.all_low = np.concatenate([self.low, self.mesh_low, np.reshape(lows, (-1, 3))])
        self.all_high = np.concatenate([self.high, self.mesh_high, np.reshape(highs, (-1, 3))])

    def open_step_m(self, patch: Patch) -> float:
        """How far apart level ground's light is gathered where nothing stands on it: about a third of
        the way to the nearest thing, whose light falls off no faster than that."""
        low, high = _box(patch)
        beyond = np.maximum(np.maximum(self.all_low - high, low - self.all_high), 0.0)
        nearest = np.sqrt((beyond**2).sum(axis=1)).min(initial=np.inf)
        doublings = np.floor(np.log2(np.clip(nearest / 3, OPEN_STEP_M, FAR_STEP_M) / OPEN_STEP_M))
        return float(OPEN_STEP_M * 2**doublings)

    def something_over(self, patch: Patch) -> bool:
        """Whether an imported shape stands or hangs over a patch, or a metre beside it."""
        low, high = _box(patch)
        near = (self.mesh_low[:, :2] < high[:2] + 1.0) & (self.mesh_high[:, :2] > low[:2] - 1.0)
        over = (self.mesh_high[:, 2] > low[2]) & (self.mesh_low[:, 2] < high[2] + 3.0)
        return bool((near.all(axis=1) & over).any())

    def feet_on(self, patch: Patch, plane: Plane | None) -> list[tuple[Array, Array]]:
        """Where solids meet a flat patch's plane within a metre of it: lowest and highest (u, v); of
        a plane that goes on beyond the patch, all of a foot."""
        if max(patch.size) <= 0.5 or patch.tube:
            return []
        box = np.array([[0, 0], [patch.size[0], 0], patch.size, [0, patch.size[1]]])
        outward = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        corners = _placed(patch, box + outward)
        reach = ((self.low < corners.max(0) + 0.05) & (self.high > corners.min(0) - 0.05)).all(
            axis=1
        )
        whole = box + outward * (1.0 if plane is None else 1e3)
        found = []
        for i in np.flatnonzero(reach):
            ring = _clipped(whole, patch, self.solids[i])
            if not len(ring):
                continue
            foot = ring.min(axis=0), ring.max(axis=0)
            if (foot[0] > np.array(patch.size) + 1.0).any() or (foot[1] < -1.0).any():
                continue
            covers = (foot[0] < 0.02).all() and (foot[1] > np.array(patch.size) - 0.02).all()
            if covers:  # the patch's own body, unless it only passes by askew
                inside = shapely.Polygon(_clipped(box, patch, self.solids[i])).area
                covers = inside > 0.98 * patch.size[0] * patch.size[1]
            if not covers:
                found.append(foot)
        return found


def _box(patch: Patch) -> tuple[Array, Array]:
    width, height = patch.size
    corners = _placed(patch, np.array([[0, 0], [width, 0], [width, height], [0, height]]))
    return corners.min(axis=0), corners.max(axis=0)


def _placed(patch: Patch, uv: Array) -> Array:
    """World points of places (n, 2) of a flat patch, (n, 3)."""
    return patch.origin + uv @ np.stack([patch.eu, patch.ev])


def _clipped(ring: Array, patch: Patch, solid: Solid) -> Array:
    """The part of a convex ring (n, 2) of a patch's plane inside a solid, a finger's breadth more."""
    axes = np.stack([patch.eu, patch.ev, patch.origin], axis=1)
    # Each plane's distance is linear in (u, v) too.
    across, up, off = (solid.planes[:, :3] @ axes).T
    kept = ring.tolist()
    for a, b, c in zip(
        across.tolist(), up.tolist(), (off + solid.planes[:, 3] - 0.02).tolist(), strict=True
    ):
        ring_now, kept = kept, []
        out = [a * u + b * v + c for u, v in ring_now]
        for k, (u, v) in enumerate(ring_now):
            before = out[k - 1]
            if (out[k] <= 0) != (before <= 0):
                t = before / (before - out[k])
                u0, v0 = ring_now[k - 1]
                kept.append([u0 + t * (u - u0), v0 + t * (v - v0)])
            if out[k] <= 0:
                kept.append([u, v])
    return np.array(kept, float).reshape(-1, 2)


# --- crowns and meshes ----------------------------------------------------------------------------


def _voxels(crown: Crown) -> tuple[NDArray, NDArray]:
    """Each leaf's voxel number, and the middles of the voxels that hold leaves."""
    step = CROWN_CELL_M if crown.bounds[1] > 1.5 else CROWN_CELL_M / 2
    number, corners = cubes(crown.centre, step)
    return number, (corners + 0.5) * step


def facing(normals: Array32) -> NDArray[np.intp]:
    """The group, 0 … 23, that ways (n, 3) are of by octant and steepest axis; the opposite way's is 23
    less that."""
    octant = (normals > 0) @ np.array([1, 2, 4])
    axis = np.abs(normals).argmax(axis=1)
    return 3 * octant + np.where(octant < 4, axis, 2 - axis)


def _mean_facing(crown: Crown, cell: NDArray, count: int) -> Array32:
    """Of cells of leaves' sides, numbered from 0, the mean of the sides' normals, (count, 3)."""
    front, back = cell.T
    sides = np.maximum(np.bincount(cell.ravel(), minlength=count), 1)
    sums = [
        np.bincount(front, along, count) - np.bincount(back, along, count)
        for along in crown.normal.T
    ]
    return (np.stack(sums, axis=1) / sides[:, None]).astype(np.float32)


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
