"""Where light is gathered and what it comes from: geometry only, no rays yet.

Each patch has a few gather lines each way, closer together at edges and feet. A node where two of
them cross gathers for itself, is one with a neighbour's that lies at the same place, or, on a line
drawn for the foot of something far along it, is interpolated from the four nodes about it.
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
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from nightview.light.grids import Bools, Grids, drawn_in, nearest_real
from nightview.light.rays import Array32
from nightview.site.build import Geometry
from nightview.site.surface import Array, Crown, Mesh, Patch, Solid, cubes

STEP_M = 0.4
OPEN_STEP_M = 0.8
FAR_STEP_M = 2.0
"""On level ground far from all that stands."""
CELL_M = 0.15
OPEN_CELL_M = 0.3
"""Side of the cells that send light on [m]; of the larger ones, on ground and roofs where nothing
stands."""
NEAR_FEET_M = np.array([0.02, 0.08, 0.17, 0.3, 0.5, 0.8])
"""Distances from a standing body at which the ground's light is gathered [m]."""
BAR_M = 0.2
"""Frames whose bars are slimmer than this are gathered along the middles of their bars."""
TRIM_M = 0.12
"""Boards and bars up to this width are trim."""
SAME_M = 0.0075
"""Nodes closer than this that face alike are one: where a surface was cut, or two lie flush."""
SAME_WAY_M = 0.1
"""How far apart two places seem for which surfaces face one radian apart, for that."""
CROWN_CELL_M = 0.7
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


def between(have: Array, want: Array) -> tuple[NDArray[np.intp], Array32]:
    """For places want, the place in have (n ≥ 2) before each, and the way to the next: 0 … 1."""
    index = np.clip(np.searchsorted(have, want, side="right") - 1, 0, len(have) - 2)
    part = np.clip((want - have[index]) / (have[index + 1] - have[index]), 0.0, 1.0)
    return index, part.astype(np.float32)


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


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Along one axis, the nodes that have a neighbour on either side in their own plane.

    node, before, after : (n,) int32 gathering nodes. gaps : (n, 2) float32 [m].
    """

    node: NDArray[np.int32]
    before: NDArray[np.int32]
    after: NDArray[np.int32]
    gaps: Array32


class Layout:
    """Where light is gathered and what cells it comes from; geometry only, no rays yet.

    points, normals : (flat_rows, 3). Nodes that gather. minor : (flat_rows,) bool. On lawns,
        paving and roofs, where other surfaces bring the smaller part of the light; on trim and
        branches. derived : (d, flat_rows) csr. The interpolated rows, of those.
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
        cell = self._patches(site, grids)
        cell = self._meshes(site, cell)
        self.crown_start = row = self.flat_rows + self.derived.shape[0]
        self.crown_cell_start: list[int] = []
        middles_of = [np.zeros((0, 3))]
        for crown in site.crowns:
            voxel, middles = _voxels(crown)
            self.crown_cell_start.append(cell)
            self.crown_cell.append((voxel + cell).astype(np.int32))
            cell += len(middles)
            self.crown_rows.append(CloudRows((row + 4 * voxel).astype(np.int32)))
            middles_of.append(middles)
            row += 4 * len(middles)
        self.crown_points = np.concatenate(middles_of)
        self.rows, self.cells = row, cell
        self.reflectance = self._reflectance()

    def _patches(self, site: Geometry, grids: Grids) -> int:
        """Nodes and cells of all patches; the number of cells."""
        bodies = Bodies(site)
        nodes = _Nodes()
        found: list[tuple[Array, Array, NDArray[np.int32]] | None] = []
        cell = 0
        for number, patch in enumerate(site.patches):
            self.cell_start.append(cell)
            feet = [] if patch.kind == "glass" else bodies.feet_on(patch)
            is_open = patch.texel_m > 0.03 and not patch.tube and patch.normal[2] > 0.2
            crowded = bool(feet) or (is_open and bodies.something_over(patch))
            side = CELL_M if crowded or not is_open else OPEN_CELL_M
            shape = (max(1, round(patch.size[1] / side)), max(1, round(patch.size[0] / side)))
            self.cell_shape.append(shape)
            cell += shape[0] * shape[1]
            if patch.kind == "glass":
                found.append(None)
                continue
            step = STEP_M if crowded else bodies.open_step_m(patch)
            lines = _gather_lines(patch, feet, step)
            minor = is_open or min(patch.size) <= TRIM_M
            found.append(nodes.add(patch, lines, grids.valid(number, lines.u, lines.v), minor))
        self.points, self.normals, self.minor, self.derived, final, self.neighbours = nodes.joined()
        self.patch_points = len(self.points)
        for item in found:
            self.patch_rows.append(item and PatchRows(item[0], item[1], final[item[2]]))
        return cell

    def _meshes(self, site: Geometry, cell: int) -> int:
        points, normals, row = [self.points], [self.normals], len(self.points)
        minor = []
        self.mesh_cell_start: list[int] = []
        for mesh in site.meshes:
            self.mesh_cell_start.append(cell)
            chosen, nearest = _mesh_points(mesh)
            points.append(mesh.inset[chosen])
            normals.append(mesh.normals[chosen])
            minor.append(np.full(len(chosen), mesh.owner != mesh.name))
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
        self.minor = np.concatenate([self.minor, *minor])
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
    def leaves(self) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """Each crown's first leaf in the cells of all leaves, and those cells."""
        return np.cumsum([0, *[len(c) for c in self.crown_cell]]), np.concatenate(
            [*self.crown_cell, np.zeros(0, np.int32)]
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
        for start, middles_row, cells in zip(
            self.crown_cell_start, self.crown_rows, self.crown_cell, strict=True
        ):
            count = int(cells.max()) - start + 1
            first = int(middles_row.row.min())
            columns.append((first + 4 * np.arange(count)).astype(np.int32))
            # Both sides of a leaf together take 2π times the mean radiance.
            weights.append(np.full(count, 2 * np.pi, np.float32))
            counts[start : start + count] = 1
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


@dataclass(frozen=True, eq=False)
class _Lines:
    """A patch's gather lines [m], those that mean something all over it, and where the rest do.

    whole_u, whole_v : bool each. near : (nv, nu) bool. Close to the foot of a body.
    """

    u: Array
    v: Array
    whole_u: Bools
    whole_v: Bools
    near: Bools


def _gather_lines(patch: Patch, feet: list[tuple[Array, Array]], level_step: float) -> _Lines:
    """Closer together at a patch's edges and at the foot of whatever stands on it or meets it,
    since light changes quickly there."""
    left, right, low, high = patch.real_edges
    if patch.tube:
        around = np.linspace(0, patch.size[0], 17)
        return _everywhere(around, graded(patch.size[1], STEP_M, (low, high)))
    bars = _bars(patch)
    if bars is not None:
        return _everywhere(*bars)
    if patch.normal[2] > 0.99:
        axes = [np.linspace(0, side, max(2, round(side / level_step) + 1)) for side in patch.size]
    else:
        step = OPEN_STEP_M if patch.texel_m > 0.03 else STEP_M
        ends = ((left, right), (low, high))
        axes = [graded(side, step, end) for side, end in zip(patch.size, ends, strict=True)]
    if not feet or min(len(axis) for axis in axes) == 1:
        return _everywhere(*axes)
    (u, whole_u), (v, whole_v) = (
        _with_feet(axes[k], patch.size[k], [(foot[0][k], foot[1][k]) for foot in feet])
        for k in (0, 1)
    )
    near = np.zeros((len(v), len(u)), bool)
    for first, last in feet:
        du = np.maximum(np.maximum(first[0] - u, u - last[0]), 0.0)
        dv = np.maximum(np.maximum(first[1] - v, v - last[1]), 0.0)
        near |= np.hypot(du[None, :], dv[:, None]) < NEAR_FEET_M[-1] + 0.05
    return _Lines(u, v, whole_u, whole_v, near)


def _everywhere(u: Array, v: Array) -> _Lines:
    every_u, every_v = np.ones(len(u), bool), np.ones(len(v), bool)
    return _Lines(u, v, every_u, every_v, np.ones((len(v), len(u)), bool))


def _with_feet(axis: Array, length: float, feet: list[tuple[float, float]]) -> tuple[Array, Bools]:
    """An axis with the lines at feet let in, none closer than 45 mm to the one before; and which
    are there for the whole axis."""
    lines = [place for a, b in feet for place in (*(a - NEAR_FEET_M), *(b + NEAR_FEET_M))]
    added = [(place, False) for place in lines if 0.02 < place < length - 0.02]
    both = sorted([*added, *((float(place), True) for place in axis)])
    kept = [both[0][0]]
    whole = [True]
    for place, own in both[1:-1]:
        if place - kept[-1] > 0.045 and axis[-1] - place > 0.045:
            kept.append(place)
            whole.append(own)
        elif place - kept[-1] <= 0.045:
            whole[-1] |= own
    return np.array([*kept, axis[-1]]), np.array([*whole, True])


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


class _Nodes:
    """Collects the nodes of all patches, and joins those at the same place."""

    def __init__(self) -> None:
        self.points: list[Array] = [np.zeros((0, 3))]
        self.normals: list[Array] = [np.zeros((0, 3))]
        self.minor: list[Bools] = [np.zeros(0, bool)]
        self.frame: list[NDArray] = [np.zeros(0, np.int32)]
        self.frames: dict[tuple[float, ...], int] = {}
        self.corners: list[NDArray] = [np.zeros((0, 4), np.int32)]
        self.shares: list[NDArray] = [np.zeros((0, 4), np.float32)]
        self.pairs: tuple[list[NDArray], list[NDArray]] = ([], [])
        self.count = self.derived = 0

    def add(
        self, patch: Patch, lines: _Lines, real: Bools | None, minor: bool
    ) -> tuple[Array, Array, NDArray[np.int32]]:
        """A patch's lines and the number of each crossing's node (nv, nu): those that gather from 0
        up, those interpolated from −1 down."""
        if real is not None and not real.any():
            # A sliver between grid lines: its own inside point serves the whole patch.
            inside = patch.outline.representative_point()
            lines, real = _everywhere(np.array([inside.x]), np.array([inside.y])), None
        u, v = lines.u, lines.v
        at_u = u if patch.tube else drawn_in(patch, u, 0)
        here, facing = patch.place(*np.meshgrid(at_u, drawn_in(patch, v, 1)))
        exists = np.ones((len(v), len(u)), bool) if real is None else real
        whole = lines.whole_v[:, None] & lines.whole_u
        own = exists & (whole | lines.near)
        between_them = exists & ~own
        number = np.full(exists.shape, np.iinfo(np.int32).min, np.int32)
        if between_them.any():
            before_v, part_v = between(v[lines.whole_v], v)
            before_u, part_u = between(u[lines.whole_u], u)
            line_v, line_u = np.flatnonzero(lines.whole_v), np.flatnonzero(lines.whole_u)
            box_v = line_v[np.stack([before_v, before_v + 1])]
            box_u = line_u[np.stack([before_u, before_u + 1])]
            surrounded = np.ones_like(exists)
            for i in (0, 1):
                for j in (0, 1):
                    surrounded &= exists[box_v[i][:, None], box_u[j]]
            own |= between_them & ~surrounded
            between_them &= surrounded
        number[own] = self.count + np.arange(own.sum())
        if between_them.any():
            rows, columns = np.nonzero(between_them)
            weight_v = np.stack([1 - part_v, part_v])[:, rows]
            weight_u = np.stack([1 - part_u, part_u])[:, columns]
            corners = number[box_v[:, None, rows], box_u[None, :, columns]]
            self.corners.append(corners.reshape(4, -1).T)
            self.shares.append((weight_v[:, None] * weight_u[None]).reshape(4, -1).T)
            number[between_them] = -1 - self.derived - np.arange(len(rows))
            self.derived += len(rows)
        self.points.append(here[own])
        self.normals.append(facing[own])
        count = len(self.points[-1])
        self.minor.append(np.full(count, minor))
        key = tuple(np.round(np.concatenate([patch.eu, patch.ev]), 6) + 0.0)
        frame = self.frames.setdefault(key, len(self.frames))
        self.frame.append(np.full(count, frame, np.int32))
        self.count += count
        if not patch.tube:
            self._pair(0, number, own, exists, u, frame)
        self._pair(1, number.T, own.T, exists.T, v, frame)
        return u, v, number if real is None else number[nearest_real(exists)]

    def _pair(
        self, axis: int, number: NDArray, own: Bools, exists: Bools, at: Array, frame: int
    ) -> None:
        """Neighbours along the second index, unless something stands between them."""
        row, column = np.nonzero(own)
        gone = np.cumsum(~exists, axis=1)
        together = (row[1:] == row[:-1]) & (
            gone[row[1:], column[1:]] == gone[row[:-1], column[:-1]]
        )
        first = np.flatnonzero(together)
        a, b = number[row[first], column[first]], number[row[first], column[first + 1]]
        gap = at[column[first + 1]] - at[column[first]]
        self.pairs[axis].append(np.stack([a, b, gap, np.full(len(a), frame)]))

    def joined(
        self,
    ) -> tuple[
        Array, Array, Bools, sparse.csr_matrix, NDArray[np.int32], tuple[Neighbours, Neighbours]
    ]:
        """points, normals, minor, derived, the row of each node number, and neighbours.

        The row of an interpolated node −1 − k stands at the array's end, where −1 − k points.
        """
        points, normals = np.concatenate(self.points), np.concatenate(self.normals)
        count = len(points)
        tree = cKDTree(np.hstack([points, SAME_WAY_M * normals]))
        same = tree.query_pairs(SAME_M, output_type="ndarray")
        graph = sparse.coo_matrix(
            (np.ones(len(same), bool), (same[:, 0], same[:, 1])), shape=(count, count)
        )
        label = connected_components(graph, directed=False)[1] if count else np.zeros(0, np.int32)
        _, first, row = np.unique(label, return_index=True, return_inverse=True)
        order = np.argsort(first)  # rows in the order of their first node
        place = np.empty(len(order), np.int32)
        place[order] = np.arange(len(order), dtype=np.int32)
        first, row_of = first[order], place[row]
        final = np.concatenate([row_of, len(first) + np.arange(self.derived)[::-1]]).astype(
            np.int32
        )
        corners, shares = np.concatenate(self.corners), np.concatenate(self.shares)
        derived = sparse.csr_matrix(
            (shares.ravel(), row_of[corners].ravel(), 4 * np.arange(len(corners) + 1)),
            shape=(len(corners), len(first)), dtype=np.float32,
        )  # fmt: skip
        frame = np.concatenate(self.frame)[first]
        neighbours = tuple(_neighbours(pairs, row_of, frame) for pairs in self.pairs)
        minor = np.concatenate(self.minor)[first]
        return points[first], normals[first], minor, derived, final, neighbours  # type: ignore[return-value]


def _neighbours(pairs: list[NDArray], row: NDArray[np.int32], frame: NDArray) -> Neighbours:
    """Of pairs (a, b, gap, frame) of nodes, those rows that are a b here and an a there."""
    a, b, gap, axes = np.concatenate([*pairs, np.zeros((4, 0))], axis=1)
    a, b = row[a.astype(np.intp)], row[b.astype(np.intp)]
    other = a != b
    before, after = np.full((2, len(frame)), -1, np.int32)
    gaps = np.zeros((len(frame), 2), np.float32)
    for node, beside, to, side in ((b, a, before, 0), (a, b, after, 1)):
        usable = np.flatnonzero(other & (frame[node] == axes))
        at, chosen = np.unique(node[usable], return_index=True)
        to[at], gaps[at, side] = beside[usable[chosen]], gap[usable[chosen]]
    both = np.flatnonzero((before >= 0) & (after >= 0))
    return Neighbours(both.astype(np.int32), before[both], after[both], gaps[both])


class Bodies:
    """What is large enough to darken what it meets for more than a hand's breadth."""

    def __init__(self, site: Geometry) -> None:
        # Posts and columns are too slender, kerbs too low.
        self.solids: list[Solid] = [
            solid
            for solid in site.solids
            if np.sort(solid.high - solid.low)[1] > 0.6 and solid.high[2] - solid.low[2] > 0.1
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
        """How far apart level ground's light is gathered where nothing stands on it: a third of the
        way to the nearest thing, whose light falls off no faster than that."""
        low, high = _box(patch)
        beyond = np.maximum(np.maximum(self.all_low - high, low - self.all_high), 0.0)
        nearest = np.sqrt((beyond**2).sum(axis=1)).min(initial=np.inf)
        return float(np.clip(nearest / 3, OPEN_STEP_M, FAR_STEP_M))

    def something_over(self, patch: Patch) -> bool:
        """Whether an imported shape stands or hangs over a patch, or a metre beside it."""
        low, high = _box(patch)
        near = (self.mesh_low[:, :2] < high[:2] + 1.0) & (self.mesh_high[:, :2] > low[:2] - 1.0)
        over = (self.mesh_high[:, 2] > low[2]) & (self.mesh_low[:, 2] < high[2] + 3.0)
        return bool((near.all(axis=1) & over).any())

    def feet_on(self, patch: Patch) -> list[tuple[Array, Array]]:
        """Where solids meet a flat patch's plane within a metre of it: lowest and highest (u, v)."""
        if max(patch.size) <= 0.5 or patch.tube:
            return []
        around = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) + np.array(
            [[0, 0], [patch.size[0], 0], patch.size, [0, patch.size[1]]]
        )
        corners = _placed(patch, around)
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


def _box(patch: Patch) -> tuple[Array, Array]:
    width, height = patch.size
    corners = _placed(patch, np.array([[0, 0], [width, 0], [width, height], [0, height]]))
    return corners.min(axis=0), corners.max(axis=0)


def _placed(patch: Patch, uv: Array) -> Array:
    """World points of places (n, 2) of a flat patch, (n, 3)."""
    return patch.origin + uv @ np.stack([patch.eu, patch.ev])


def _clipped(ring: Array, patch: Patch, plane: Array) -> Array:
    """The part of a ring (n, 2) of a patch's plane inside a half-space, a finger's breadth more."""
    out = _placed(patch, ring) @ plane[:3] + plane[3] - 0.02
    kept = []
    for k in range(len(ring)):
        j = (k + 1) % len(ring)
        if out[k] <= 0:
            kept.append(ring[k])
        if (out[k] <= 0) != (out[j] <= 0):
            t = out[k] / (out[k] - out[j])
            kept.append(ring[k] + t * (ring[j] - ring[k]))
    return np.array(kept).reshape(-1, 2)


# --- crowns and meshes ----------------------------------------------------------------------------


def _voxels(crown: Crown) -> tuple[NDArray, NDArray]:
    """Each leaf's voxel number, and the middles of the voxels that hold leaves."""
    step = CROWN_CELL_M if crown.bounds[1] > 1.5 else CROWN_CELL_M / 2
    number, corners = cubes(crown.centre, step)
    return number, (corners + 0.5) * step


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
