"""Collects the gather nodes of all patches: which gather for themselves, are one, are interpolated."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from nightview.light.grids import Bools, drawn_in, nearest_real
from nightview.light.planes import NONE, Plane
from nightview.light.rays import Array32
from nightview.site.surface import Array, Patch

SAME_M = 0.0075
"""Nodes closer than this that face alike are one: where a surface was cut, or two lie flush."""
SAME_WAY_M = 0.1
"""How far apart two places seem for which surfaces face one radian apart, for that."""


def between(have: Array, want: Array) -> tuple[NDArray[np.intp], Array32]:
    """For places want, the place in have (n ≥ 2) before each, and the way to the next: 0 … 1."""
    index = np.clip(np.searchsorted(have, want, side="right") - 1, 0, len(have) - 2)
    part = np.clip((want - have[index]) / (have[index + 1] - have[index]), 0.0, 1.0)
    return index, part.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Lines:
    """A patch's gather lines [m], those that mean something all over it, and where the rest do.

    whole_u, whole_v : bool each. near : (nv, nu) bool. Close to the foot of a body.
    """

    u: Array
    v: Array
    whole_u: Bools
    whole_v: Bools
    near: Bools


def everywhere(u: Array, v: Array) -> Lines:
    """Lines that all mean something all over a patch."""
    every_u, every_v = np.ones(len(u), bool), np.ones(len(v), bool)
    return Lines(u, v, every_u, every_v, np.ones((len(v), len(u)), bool))


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Along one axis, the nodes that have a neighbour on either side in their own plane.

    node : (n,) int32 gathering nodes. before, after : (n,) int32, the same, or −1 − k for the
    k-th interpolated one. gaps : (n, 2) float32 [m].
    """

    node: NDArray[np.int32]
    before: NDArray[np.int32]
    after: NDArray[np.int32]
    gaps: Array32


@dataclass(frozen=True, eq=False)
class _Side:
    """Gathering nodes on one side of a patch: places along it [m], numbers, and how many places
    without a node lie before each."""

    along: Array
    number: NDArray[np.int32]
    gone: NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Joined:
    """Points, normals, open, derived and neighbours as in ``Layout``. rows : of each node number;
    of an interpolated node −1 − k at the array's end, where −1 − k points."""

    points: Array
    normals: Array
    open: Bools
    derived: sparse.csr_matrix
    rows: NDArray[np.int32]
    neighbours: tuple[Neighbours, Neighbours]


class Nodes:
    """Collects the nodes of all patches, and joins those at the same place."""

    def __init__(self) -> None:
        self.points: list[Array] = [np.zeros((0, 3))]
        self.normals: list[Array] = [np.zeros((0, 3))]
        self.open: list[Bools] = [np.zeros(0, bool)]
        self.frame: list[NDArray] = [np.zeros(0, np.int32)]
        self.frames: dict[tuple[float, ...], int] = {}
        self.corners: list[NDArray] = [np.zeros((0, 4), np.int32)]
        self.shares: list[NDArray] = [np.zeros((0, 4), np.float32)]
        self.pairs: tuple[list[NDArray], list[NDArray]] = ([], [])
        self.sides: dict[tuple[float, ...], list[_Side]] = {}
        self.count = self.derived = 0

    def add(
        self, patch: Patch, lines: Lines, real: Bools | None, is_open: Bools,
        plane: Plane | None, step: float,
    ) -> tuple[Array, Array, NDArray[np.int32]]:  # fmt: skip
        """A patch's lines and the number of each crossing's node (nv, nu): those that gather from 0
        up, those interpolated from −1 down."""
        if real is not None and not real.any():
            # A sliver between grid lines: its own inside point serves the whole patch.
            inside = patch.outline.representative_point()
            lines, real = everywhere(np.array([inside.x]), np.array([inside.y])), None
            is_open, plane = is_open[:1, :1], None
        u, v = lines.u, lines.v
        at_u = u if patch.tube or plane else drawn_in(patch, u, 0)
        here, facing = patch.place(*np.meshgrid(at_u, v if plane else drawn_in(patch, v, 1)))
        exists = np.ones((len(v), len(u)), bool) if real is None else real
        whole = lines.whole_v[:, None] & lines.whole_u
        own = exists & (whole | lines.near)
        between_them = exists & ~own
        number = np.full(exists.shape, NONE, np.int32)
        hangs = np.zeros_like(exists)
        if plane:
            hangs, corners, shares = plane.held(step, patch, u, v)
            hangs &= own & (is_open | whole)
            own &= ~hangs
            number[hangs] = self._interpolated(corners[hangs], shares[hangs])
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
            shares = weight_v[:, None] * weight_u[None]
            number[between_them] = self._interpolated(
                corners.reshape(4, -1).T, shares.reshape(4, -1).T
            )
        if plane:
            number_of = np.where(whole, number, NONE)
            plane.claim(step, patch, u, v, number_of)
        self.points.append(here[own])
        self.normals.append(facing[own])
        count = len(self.points[-1])
        self.open.append(is_open[own])
        key = tuple(np.round(np.concatenate([patch.eu, patch.ev]), 6) + 0.0)
        frame = self.frames.setdefault(key, len(self.frames))
        self.frame.append(np.full(count, frame, np.int32))
        self.count += count
        stands = own | hangs
        if not patch.tube:
            self._pair(0, number, stands, exists, u, frame)
            if not plane:
                self._keep_sides(patch, number, own, exists, u, v, frame)
        self._pair(1, number.T, stands.T, exists.T, v, frame)
        return u, v, number if real is None else number[nearest_real(exists)]

    def _interpolated(self, corners: NDArray[np.int32], shares: Array32) -> NDArray[np.int32]:
        """Numbers of new nodes that have shares (n, 4) of what the nodes corners (n, 4) have."""
        self.corners.append(corners)
        self.shares.append(shares)
        self.derived += len(corners)
        return np.arange(-1 - self.derived + len(corners), -1 - self.derived, -1, dtype=np.int32)

    def _pair(
        self, axis: int, number: NDArray, stands: Bools, exists: Bools, at: Array, frame: int
    ) -> None:
        """Neighbours along the second index, unless something stands between them."""
        row, column = np.nonzero(stands)
        gone = np.cumsum(~exists, axis=1)
        together = (row[1:] == row[:-1]) & (
            gone[row[1:], column[1:]] == gone[row[:-1], column[:-1]]
        )
        first = np.flatnonzero(together)
        a, b = number[row[first], column[first]], number[row[first], column[first + 1]]
        gap = at[column[first + 1]] - at[column[first]]
        self.pairs[axis].append(np.stack([a, b, gap, np.full(len(a), frame)]))

    def _keep_sides(
        self,
        patch: Patch,
        number: NDArray,
        own: Bools,
        exists: Bools,
        u: Array,
        v: Array,
        frame: int,
    ) -> None:
        """The nodes on each side where a patch was cut, by the line in the world that it lies on."""
        at_u, at_v, height = patch.origin @ np.stack([patch.eu, patch.ev, patch.normal], axis=1)
        for side, real in enumerate(patch.real_edges):
            if real:
                continue
            across, end = divmod(side, 2)
            line = np.s_[:, -end] if across == 0 else np.s_[-end, :]
            place = (at_u, at_v)[across] + end * patch.size[across]
            along = at_v + v if across == 0 else at_u + u
            key = (frame, round(float(height), 3), across, round(float(place), 3))
            here = np.flatnonzero(own[line])
            gone = np.cumsum(~exists[line], dtype=np.intp)[here]
            self.sides.setdefault(key, []).append(_Side(along[here], number[line][here], gone))

    def joined(self) -> Joined:
        """All patches' nodes, those at the same place as one."""
        points, normals = np.concatenate(self.points), np.concatenate(self.normals)
        count = len(points)
        tree = cKDTree(np.hstack([points, SAME_WAY_M * normals]))
        same = tree.query_pairs(SAME_M, output_type="ndarray")
        graph = sparse.coo_matrix(
            (np.ones(len(same), bool), (same[:, 0], same[:, 1])), shape=(count, count)
        )
        label = connected_components(graph, directed=False)[1] if count else np.zeros(0, np.int32)
        _, first, joint = np.unique(label, return_index=True, return_inverse=True)
        order = np.argsort(first)  # joints in the order of their first node
        joint, first = np.argsort(order)[joint], first[order]
        hanging, ends, shares = self._hanging(joint)
        gathers = np.ones(len(first), bool)
        gathers[hanging] = False
        # A joint's row, or −1 − k where it is interpolated.
        row = np.cumsum(gathers) - 1
        row[hanging] = -1 - self.derived - np.arange(len(hanging))
        row, first = row[joint].astype(np.int32), first[gathers]
        # The same for all nodes: an interpolated one stands at the end, where −1 − k points.
        row = np.concatenate([row, np.arange(-self.derived, 0, dtype=np.int32)])
        corners = np.concatenate([*self.corners, np.repeat(ends, 2, axis=1)])
        parts = np.concatenate([*self.shares, np.repeat(shares, 2, axis=1) / 2])
        derived = _resolved(row[corners], parts, len(first))
        frame = np.concatenate(self.frame)[first]
        return Joined(
            points[first], normals[first],
            np.concatenate(self.open)[first], derived,
            np.where(row < 0, len(first) - 1 - row, row).astype(np.int32),
            (_neighbours(self.pairs[0], row, frame), _neighbours(self.pairs[1], row, frame)),
        )  # fmt: skip

    def _hanging(self, joint: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
        """Joints (n,) on an edge that a neighbour's wider step spans, a node at each of the two (n, 2)
        that it is interpolated from, and their shares (n, 2)."""
        found = [np.zeros((5, 0))]
        for sides in self.sides.values():
            if len(sides) < 2:
                continue
            at = np.concatenate([side.along for side in sides])
            node = np.concatenate([joint[side.number] for side in sides])
            for side in sides:
                if len(side.along) < 2:
                    continue
                before, _ = between(side.along, at)
                low, high = side.along[before], side.along[before + 1]
                spanned = (low + SAME_M < at) & (at < high - SAME_M)
                spanned &= side.gone[before] == side.gone[before + 1]
                k = before[spanned]
                ends = side.number[k], side.number[k + 1]
                part = ((at - low) / (high - low))[spanned]
                found.append(np.stack([node[spanned], *ends, part, (high - low)[spanned]]))
        every = np.concatenate(found, axis=1)
        every = every[:, np.argsort(-every[4], kind="stable")]  # the widest step first
        hanging: dict[int, int] = {}
        holding: set[int] = set()
        spans = joint[every[1:3].astype(int)].tolist()
        for which, (joint_there, *about) in enumerate(
            zip(every[0].astype(int).tolist(), *spans, strict=True)
        ):
            held = joint_there in hanging or joint_there in holding
            if not held and not hanging.keys() & about:
                hanging[joint_there] = which
                holding.update(about)
        chosen = every[:, list(hanging.values())]
        shares = np.stack([1 - chosen[3], chosen[3]], axis=1)
        return chosen[0].astype(np.intp), chosen[1:3].T.astype(np.intp), shares


def _resolved(rows: NDArray[np.int32], shares: Array, gathering: int) -> sparse.csr_matrix:
    """Interpolated rows by gathering ones alone, (n, gathering) csr, from what each has shares
    (n, k) of: rows (n, k), of which −1 − j is the j-th interpolated one."""
    count, each = rows.shape
    shape = (count, gathering + count)
    columns = np.where(rows < 0, gathering - 1 - rows, rows)
    first = sparse.csr_matrix(
        (shares.ravel(), columns.ravel(), each * np.arange(count + 1)), shape, dtype=np.float32
    )
    found, left = first[:, :gathering], first[:, gathering:]
    onward = left
    while onward.count_nonzero():
        found, onward = found + onward @ first[:, :gathering], onward @ left
    return found


def _neighbours(pairs: list[NDArray], row: NDArray[np.int32], frame: NDArray) -> Neighbours:
    """Of pairs (a, b, gap, frame) of nodes, those rows that are a b here and an a there."""
    a, b, gap, axes = np.concatenate([*pairs, np.zeros((4, 0))], axis=1)
    a, b = row[a.astype(np.intp)], row[b.astype(np.intp)]
    other = a != b
    none = np.iinfo(np.int32).min
    before, after = np.full((2, len(frame)), none, np.int32)
    gaps = np.zeros((len(frame), 2), np.float32)
    for node, beside, to, side in ((b, a, before, 0), (a, b, after, 1)):
        usable = np.flatnonzero(other & (node >= 0))
        usable = usable[frame[node[usable]] == axes[usable]]
        at, chosen = np.unique(node[usable], return_index=True)
        to[at], gaps[at, side] = beside[usable[chosen]], gap[usable[chosen]]
    both = np.flatnonzero((before > none) & (after > none))
    return Neighbours(both.astype(np.int32), before[both], after[both], gaps[both])
