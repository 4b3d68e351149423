"""Surfaces that receive, cast and return light: patches with a grid, crowns of leaves, meshes.

A patch is flat, or a tube (column, trunk) that unrolls flat. Its own coordinates (u, v) are in
metres, u to the right and v up as one faces it; light is kept on a regular grid of nodes whose
outermost lie on the patch's own edges, so that neighbours meet without a seam.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Ints = NDArray[np.int32]
Ints64 = NDArray[np.int64]

TUBE_SIDES = 20
"""Facets drawn and traced around a tube; the grid keeps the true radius."""

CLUMP_M = 0.7
"""Side of the cubes by which leaves are taken together."""

EDGE_NUDGE_M = 0.003
"""Nodes on an edge are lit from this far inside it, clear of the neighbour's own plane."""


@dataclass(frozen=True, eq=False)
class Tube:
    """How a patch bends: a frustum about its v axis, u running round it at the foot."""

    foot_m: float
    top_m: float


@dataclass(frozen=True, eq=False)
class Patch:
    """One surface with its own grid.

    origin : (3,) float. World place of (u, v) = (0, 0) [m]; of a tube, the foot of its axis.
    eu, ev : (3,) float. Unit axes; the outward normal is eu × ev (tube: eu points from the axis
        to u = 0, ev runs up the axis).
    outline : shapely polygon(s) in (u, v) [m], inside 0 ≤ u ≤ size[0], 0 ≤ v ≤ size[1].
    size : (width, height) of the grid [m].
    texel_m : float. Coarsest grid step near a lamp [m].
    pattern_at : (2,) float. Added to (u, v) for the material's pattern, so that it runs on
        across neighbours.
    real_edges : left, right, bottom, top: False where the patch was merely cut in two.
    """

    name: str
    owner: str
    material: str
    origin: Array
    eu: Array
    ev: Array
    outline: shapely.Geometry
    size: tuple[float, float]
    texel_m: float = 0.025
    kind: str = "matte"
    pattern_at: tuple[float, float] = (0.0, 0.0)
    real_edges: tuple[bool, bool, bool, bool] = (True, True, True, True)
    tube: Tube | None = None
    opening: str = ""

    @cached_property
    def normal(self) -> Array:
        """The outward unit normal, (3,); of a tube, the axis."""
        return self.ev if self.tube else np.cross(self.eu, self.ev)

    @cached_property
    def is_rectangle(self) -> bool:
        """Whether the outline fills the whole grid."""
        return bool(abs(self.outline.area - self.size[0] * self.size[1]) < 1e-9)

    @cached_property
    def bounds(self) -> tuple[Array, float]:
        """Centre (3,) and radius of a sphere about the patch [m]."""
        points, _ = self.place(*np.meshgrid([0, self.size[0] / 2, self.size[0]], [0, self.size[1]]))
        points = points.reshape(-1, 3)
        if self.tube:
            centre = self.origin + self.ev * self.size[1] / 2
            reach = np.hypot(self.size[1] / 2, max(self.tube.foot_m, self.tube.top_m))
            return centre, float(reach)
        centre = points.mean(axis=0)
        return centre, float(np.linalg.norm(points - centre, axis=1).max())

    def place(self, u: Array, v: Array) -> tuple[Array, Array]:
        """World points and unit normals of (u, v) arrays of one shape: two (..., 3) arrays."""
        u, v = np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float))
        if self.tube is None:
            point = self.origin + u[..., None] * self.eu + v[..., None] * self.ev
            return point, np.broadcast_to(self.normal, point.shape)
        slope = (self.tube.top_m - self.tube.foot_m) / self.size[1]
        angle = u * (2 * np.pi / self.size[0])
        side = np.cross(self.ev, self.eu)
        out = np.cos(angle)[..., None] * self.eu + np.sin(angle)[..., None] * side
        point = (
            self.origin + v[..., None] * self.ev + (self.tube.foot_m + slope * v)[..., None] * out
        )
        normal = (out - slope * self.ev) / np.hypot(1.0, slope)
        return point, normal

    def counts(self, level: int) -> tuple[int, int]:
        """Nodes along u and v at a level; each level halves the step of the one before."""
        step = self.texel_m * 2.0**-level
        return tuple(max(2, int(np.ceil(length / step - 1e-6)) + 1) for length in self.size)  # type: ignore[return-value]

    def axes(self, level: int) -> tuple[Array, Array]:
        """The u and the v of the grid's columns and rows [m], at a level."""
        nu, nv = self.counts(level)
        return np.linspace(0, self.size[0], nu), np.linspace(0, self.size[1], nv)

    def nudged(self, axis: Array, length: float) -> Array:
        """Node positions drawn in from the two ends, from where they are lit [m]."""
        nudge = min(EDGE_NUDGE_M, 0.3 * (axis[1] - axis[0]))
        return np.clip(axis, nudge, length - nudge)

    @cached_property
    def triangles(self) -> tuple[Array, Array, Ints]:
        """What is drawn and traced: points (n, 3), their (u, v) (n, 2), faces (m, 3)."""
        if self.tube:
            uu = np.linspace(0, self.size[0], TUBE_SIDES + 1)
            grid_u, grid_v = np.meshgrid(uu, [0.0, self.size[1]])
            uv = np.stack([grid_u.ravel(), grid_v.ravel()], axis=1)
            low = np.arange(TUBE_SIDES)
            high = low + TUBE_SIDES + 1
            faces = np.concatenate(
                [np.stack([low, low + 1, high + 1], 1), np.stack([low, high + 1, high], 1)]
            )
        elif self.is_rectangle:
            width, height = self.size
            uv = np.array([[0, 0], [width, 0], [width, height], [0, height]], float)
            faces = np.array([[0, 1, 2], [0, 2, 3]])
        else:
            uv, faces = triangulate(self.outline)
        points, _ = self.place(uv[:, 0], uv[:, 1])
        return points, uv, faces.astype(np.int32)


def triangulate(outline: shapely.Geometry) -> tuple[Array, Ints]:
    """Counter-clockwise triangles of a polygon with holes: points (n, 2), faces (m, 3)."""
    parts = shapely.get_parts(shapely.constrained_delaunay_triangles(outline))
    rings = np.array([np.asarray(part.exterior.coords)[:3] for part in parts])
    edge1, edge2 = rings[:, 1] - rings[:, 0], rings[:, 2] - rings[:, 0]
    doubled = edge1[:, 0] * edge2[:, 1] - edge1[:, 1] * edge2[:, 0]
    rings[doubled < 0] = rings[doubled < 0][:, ::-1]
    rings = rings[np.abs(doubled) > 1e-12]
    return rings.reshape(-1, 2), np.arange(3 * len(rings), dtype=np.int32).reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class Crown:
    """Leaves: small two-sided rhombs that reflect and transmit.

    centre, normal, along : (n, 3) float32. Middle [m], front unit normal, unit long axis.
    length_m, width_m : float. Diagonals of a leaf [m].
    tone : (n,) float32. Each leaf's own lightness, mean 1.
    """

    name: str
    owner: str
    material: str
    centre: Array32
    normal: Array32
    along: Array32
    length_m: float
    width_m: float
    tone: Array32

    @cached_property
    def corners(self) -> Array32:
        """(n, 4, 3): tip, right, stem, left of each rhomb, counter-clockwise from the front."""
        across = np.cross(self.normal, self.along)
        half_l, half_w = 0.5 * self.length_m, 0.5 * self.width_m
        return np.stack(
            [
                self.centre + half_l * self.along,
                self.centre - half_w * across,
                self.centre - half_l * self.along,
                self.centre + half_w * across,
            ],
            axis=1,
        )[:, ::-1].astype(np.float32)

    @property
    def triangles(self) -> Array32:
        """(n, 3, 3): for rays a leaf is one triangle of the same area, plane and middle."""
        across = np.cross(self.normal, self.along)
        tip, side = self.length_m / 3, 0.5 * self.width_m
        stem = self.centre - tip * self.along
        return np.stack(
            [self.centre + 2 * tip * self.along, stem + side * across, stem - side * across], axis=1
        ).astype(np.float32)

    @cached_property
    def clumps(self) -> NDArray[np.intp]:
        """The number of each leaf's clump, (n,): the leaves of one cube of space."""
        return cubes(self.centre, CLUMP_M)[0]

    @cached_property
    def bounds(self) -> tuple[Array, float]:
        """Centre (3,) and radius of a sphere about all leaves [m]."""
        low, high = self.centre.min(axis=0), self.centre.max(axis=0)
        centre = (low + high).astype(float) / 2
        return centre, float(np.linalg.norm(self.centre - centre, axis=1).max() + self.length_m)


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles lit at their vertices: an imported mesh, a branch, a lamp's body.

    vertices, normals : (n, 3) float. Places [m] and unit normals, hard edges already split.
    faces : (m, 3) int. Counter-clockwise from outside.
    inset : (n, 3) float. Where each vertex is lit from: a little towards its faces' middle.
    fixture : the lamp whose body this is, and whose light therefore does not fall on it.
    closed : whether its faces leave no gap, so that it has an inside.
    """

    name: str
    owner: str
    material: str
    vertices: Array
    normals: Array
    faces: Ints
    inset: Array
    fixture: str = ""
    closed: bool = False

    def encloses(self, point: Array) -> bool:
        """Whether a point (3,) is in the matter of a closed mesh; in a room turned inside out none is.

        The faces' solid angles, by Van Oosterom and Strackee's formula (1983), add up to 4π inside
        and to nothing outside; to −4π in a room whose faces look inwards.
        """
        if not self.closed:
            return False
        low, high = self.vertices.min(axis=0), self.vertices.max(axis=0)
        if (point <= low).any() or (point >= high).any():
            return False
        a, b, c = (self.vertices[self.faces[:, k]] - point for k in range(3))
        la, lb, lc = (np.linalg.norm(way, axis=1) for way in (a, b, c))
        triple = np.einsum("ij,ij->i", a, np.cross(b, c))
        ab, bc, ca = (np.einsum("ij,ij->i", p, q) for p, q in ((a, b), (b, c), (c, a)))
        angle = 2.0 * np.arctan2(triple, la * lb * lc + ab * lc + bc * la + ca * lb).sum()
        return bool(angle > 0.9 * 4.0 * np.pi)  # on a face it is half of that, in a corner more

    @cached_property
    def bounds(self) -> tuple[Array, float]:
        """Centre (3,) and radius of a sphere about it [m]."""
        centre = (self.vertices.min(axis=0) + self.vertices.max(axis=0)) / 2
        return centre, float(np.linalg.norm(self.vertices - centre, axis=1).max())


@dataclass(frozen=True, eq=False)
class Solid:
    """A convex body by its planes: inside where planes · (x, y, z, 1) < 0 for all of them.

    planes : (k, 4) float. Outward unit normal and minus its distance [m].
    """

    owner: str
    planes: Array
    low: Array = field(default_factory=lambda: np.full(3, -np.inf))
    high: Array = field(default_factory=lambda: np.full(3, np.inf))

    def holds(self, points: Array, depth_m: float = 0.0) -> NDArray[np.bool_]:
        """Which of points (n, 3) lie more than a depth inside."""
        inside = np.ones(len(points), bool)
        for plane in self.planes:
            inside &= points @ plane[:3] + plane[3] < -depth_m
        return inside


Surface = Patch | Crown | Mesh


def cubes(points: Array32, side_m: float) -> tuple[NDArray[np.intp], Ints64]:
    """Points (n, 3) taken together by cubes of space: each one's cube, numbered from 0, (n,), and
    the cubes' lowest corners in sides, (k, 3)."""
    key = np.floor(points / side_m).astype(np.int64)
    low = key.min(axis=0)
    span = tuple(key.max(axis=0) - low + 1)
    used, number = np.unique(np.ravel_multi_index(tuple((key - low).T), span), return_inverse=True)
    return number.ravel(), np.stack(np.unravel_index(used, span), axis=1) + low


def unit(vector: ArrayLike) -> Array:
    """The vector at length one."""
    given = np.asarray(vector, np.float64)
    return given / np.linalg.norm(given)
