"""Beams as bodies: the cone inside half the peak, and where it falls on the ground and on walls.

The half-peak cone is sent out as a bundle of rays, rings about the axis. What stands in the way
stops them; plants let some pass, so a tree shortens the cone that is drawn but leaves no hole in
the light on the ground behind it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from nightview.light.rays import Tracer
from nightview.site.blocks import SIDES
from nightview.site.build import Geometry, Site
from nightview.site.placing import Placed
from nightview.site.surface import Array, Patch, unit

Ints = NDArray[np.intp]

TURNS, RINGS = 144, 33
"""Rays round the axis, and from it to the edge: a circle by 144 corners has 0.03 % too little area."""
COLUMN_DEG = 0.2
"""More than an intensity table's columns are apart within a right angle of the axis."""
WIDEST_DEG = 88.0
"""A lamp whose half peak reaches farther round than this from its axis has no beam to draw."""
LEAST_LX = 1.0
"""Light is followed as far as it gives this much, faced square on: ten times a bright moon."""
FLOOR_COS = 0.9
"""What one could stand on faces up by more than this; roofs are steeper."""
APART_M, MOST_POINTS = 0.3, 17
"""Points along a linear lamp that stand for all of it."""
LEAST_LANDED = 0.05
"""A beam of which less than this share meets anything is drawn up into the sky."""
HALVINGS = 7
"""Of the angle between two rings, to find where light on the ground is cut off."""
CLOSED_M = 0.02
"""Gaps in lit ground narrower than twice this are closed."""
LEAST_WALL_M, LEAST_M2 = 0.1, 0.05
"""Shorter stretches of lit wall, and smaller spots on the ground, are left out."""


@dataclass(frozen=True, eq=False)
class WallLight:
    """Lit stretches of one wall, seen from above. lines : on its face [m]; normal : (2,), out."""

    lines: shapely.Geometry
    normal: Array


@dataclass(frozen=True, eq=False)
class Beam:
    """A lamp's light inside half its peak, from one point of it.

    start : (3,) that point [m]. half_rad : (TURNS,) angle from the axis to the rim.
    edge : (TURNS, 3) unit directions of the rim. ends : (TURNS, 3) where it meets ground or wall,
    or is no longer drawn [m].
    reach_m : as far as it gives ``LEAST_LX``.
    ground : polygons [m], what it lights of anything one could stand on. walls : what of walls.
    lands_on : the owner of the surface, leaves too, that its axis meets; "" for none.
    """

    lamp: Placed
    start: Array
    half_rad: Array
    edge: Array
    ends: Array
    reach_m: float
    ground: shapely.Geometry
    walls: tuple[WallLight, ...]
    lands_on: str

    @cached_property
    def outline(self) -> shapely.Geometry:
        """The cone from above [m]."""
        corners = np.vstack([self.start[:2], self.ends[:, :2]])
        return shapely.MultiPoint(corners).convex_hull


@dataclass(frozen=True, eq=False)
class Rays:
    """The site for rays: all of it, and what is built alone, without plants."""

    site: Site
    every: Tracer
    solid: Tracer
    bare: Geometry

    @classmethod
    def of(cls, site: Site) -> Rays:
        """Make ready for rays."""
        trees, built = _trees(site), site.geometry
        bare = replace(
            built, crowns=(), patches=tuple(p for p in built.patches if p.owner not in trees),
            meshes=tuple(m for m in built.meshes if m.owner not in trees),
        )  # fmt: skip
        solid = Tracer(bare)
        return cls(site, Tracer(built) if trees or site.crowns else solid, solid, bare)

    @cached_property
    def plants(self) -> Tracer:
        """The plants alone: leaves, trunks and boughs."""
        trees, built = _trees(self.site), self.site.geometry
        return Tracer(
            replace(
                built, patches=tuple(p for p in built.patches if p.owner in trees),
                meshes=tuple(m for m in built.meshes if m.owner in trees),
            )
        )  # fmt: skip

    @cached_property
    def _walls(self) -> frozenset[str]:
        names = [f"{block.name} {side} wall" for block in self.site.scene.blocks for side in SIDES]
        plinths = [f"{name} plinth" for name in names]
        return frozenset([*names, *plinths, *(wall.name for wall in self.site.scene.walls)])

    def is_wall(self, patch: Patch) -> bool:
        """Whether a patch is the face of a house or garden wall, not a frame, riser or coping."""
        return patch.name in self._walls and abs(patch.normal[2]) < 0.1

    @cached_property
    def top_m(self) -> float:
        """The highest point of the site [m]."""
        corners = self.every.triangles
        return float(corners[..., 2].max()) if len(corners) else 0.0


def _trees(site: Site) -> frozenset[str]:
    return frozenset(tree.name for tree in site.scene.trees)


Beams = tuple[Beam, ...]
"""Of one fixture: none where it shines all round, one, or several along a linear lamp."""


def beams(rays: Rays) -> list[Beams]:
    """The beams of every fixture, in their order."""
    return [beams_of(lamp, rays) for lamp in rays.site.fixtures]


def beams_of(lamp: Placed, rays: Rays) -> Beams:
    """One fixture's beams."""
    half = half_angles(lamp)
    if half.max() > np.radians(WIDEST_DEG):
        return ()
    return tuple(_beam(lamp, start, half, rays) for start in points_of(lamp))


def points_of(lamp: Placed) -> Array:
    """The points (n, 3) a lamp's light is taken to come from [m]: its middle, or along its length."""
    length = lamp.lamp.length_m
    if length <= 0.0:
        return lamp.position[None]
    count = int(np.clip(np.ceil(length / APART_M) + 1, 2, MOST_POINTS))
    along = np.cross(lamp.axis, lamp.reference)
    return lamp.position + np.linspace(-length / 2, length / 2, count)[:, None] * along


def _beam(lamp: Placed, start: Array, half: Array, rays: Rays) -> Beam:
    turns = 2 * np.pi * np.arange(TURNS) / TURNS
    theta = np.linspace(0, 1, RINGS)[:, None] * half
    second = np.cross(lamp.axis, lamp.reference)
    side = np.cos(turns)[:, None] * lamp.reference + np.sin(turns)[:, None] * second

    def way(theta: Array, side: Array) -> Array:
        return np.cos(theta)[..., None] * lamp.axis + np.sin(theta)[..., None] * side

    ways = way(theta, side)
    reach = float(np.sqrt(lamp.lamp.intensity.peak_cd / LEAST_LX))
    solid = _first(rays.solid, start, ways)
    every = solid if rays.every is rays.solid else _first(rays.every, start, ways)
    met = solid.distance < 3 * reach  # beyond reach, so that its edge is not one of the bundle
    points = start + np.where(met, solid.distance, 3 * reach)[..., None] * ways
    floor = met & (solid.normal[..., 2] > FLOOR_COS)

    def edge(turn: Ints, lit: Ints, dark: Ints) -> Array:
        inside, outside = theta[lit, turn], theta[dark, turn]
        for _ in range(HALVINGS):
            middle = (inside + outside) / 2
            tried = _first(rays.solid, start, way(middle, side[turn])[None])
            on = (tried.distance[0] < 3 * reach) & (tried.normal[0, :, 2] > FLOOR_COS)
            inside, outside = np.where(on, middle, inside), np.where(on, outside, middle)
        ways = way(inside, side[turn])
        distance = _first(rays.solid, start, ways[None]).distance[0]
        return start + np.minimum(distance, 3 * reach)[:, None] * ways

    # What meets nothing is drawn as far as most of what does, or else up to the top of the site.
    landed = every.distance[1:] < reach
    if landed.mean() > LEAST_LANDED:
        most = float(np.median(every.distance[1:][landed]))
    else:
        climb = max(rays.top_m - float(start[2]), 0.5)
        most = min(reach, climb / max(float(lamp.axis[2]), 1e-9))
    far = solid.distance[-1]
    length = np.where(floor[-1], np.minimum(far, reach), np.minimum(far, most))
    axis_hit = every.surface[0, 0]
    owner = rays.site.geometry.surfaces[axis_hit].owner if axis_hit >= 0 else ""
    return Beam(
        lamp, start, half, ways[-1], start + length[:, None] * ways[-1], reach,
        _on_floors(start, reach, _spans(points, floor, edge)),
        _on_walls(points, solid.distance < reach, solid, rays),
        owner if every.distance[0, 0] < reach else "",
    )  # fmt: skip


def half_angles(lamp: Placed) -> Array:
    """Angle from the axis to half the peak, (TURNS,) [rad], from the lamp's φ = 0 on."""
    shape = lamp.lamp.intensity
    turns = 2 * np.pi * np.arange(TURNS) / TURNS
    asked = turns[:1] if shape.axial else turns
    low = np.radians([shape.width_deg(0.5, float(turn)) / 2 for turn in asked])
    # The width is that of the last column of the table above half; the edge lies before the next.
    high = low + np.radians(COLUMN_DEG)
    for _ in range(16):
        middle = (low + high) / 2
        above = shape.at(np.cos(middle), asked) >= 0.5 * shape.peak_cd
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.broadcast_to(low, turns.shape).copy()


@dataclass(frozen=True, eq=False)
class _Bundle:
    """Where rays ended, shaped (RINGS, TURNS). normal : towards the lamp. surface : −1 for none."""

    distance: Array
    normal: Array
    surface: NDArray[np.int32]


def _first(tracer: Tracer, start: Array, ways: Array) -> _Bundle:
    flat = np.ascontiguousarray(ways.reshape(-1, 3), np.float32)
    origins = np.broadcast_to(start.astype(np.float32), flat.shape)
    hits = tracer.first(np.ascontiguousarray(origins), flat)
    none = hits.triangle < 0
    shape = ways.shape[:2]
    distance = np.where(none, np.inf, hits.distance.astype(float)).reshape(shape)
    normal = normals_of(tracer, hits.triangle)
    normal *= -np.sign((normal * flat).sum(axis=1, keepdims=True))
    surface = surfaces_of(tracer, hits.triangle)
    return _Bundle(distance, normal.reshape(ways.shape), surface.reshape(shape))


def surfaces_of(tracer: Tracer, triangle: NDArray[np.int32]) -> NDArray[np.int32]:
    """The surfaces (n,) that triangles belong to; −1 for none."""
    if not len(tracer.triangles):
        return np.full(len(triangle), -1, np.int32)
    return np.where(triangle < 0, -1, tracer.surface[triangle]).astype(np.int32)


def normals_of(tracer: Tracer, triangle: NDArray[np.int32]) -> Array:
    """Unit normals (n, 3) of triangles by number; of −1 any."""
    if not len(tracer.triangles):
        return np.zeros((len(triangle), 3))
    corner = tracer.triangles[triangle].astype(float)
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return normal / (np.linalg.norm(normal, axis=1, keepdims=True) + 1e-30)


def _on_floors(start: Array, reach: float, spans: Spans) -> shapely.Geometry:
    """The ground under a bundle, within reach.

    Between neighbouring turns two spans that have a ring in common bound one piece of lit ground:
    along a turn the light on level ground runs straight.
    """
    pieces = []
    for turn, own in enumerate(spans):
        following = (turn + 1) % TURNS
        for first, last, a, b in own:
            for other_first, other_last, c, d in spans[following]:
                if max(first, other_first) <= min(last, other_last):
                    pieces.append([a, b, d, c])
    if not pieces:
        return shapely.Polygon()
    # A piece that spans two levels may cross itself from above; its hull does not.
    corners = np.array(pieces)
    whole = shapely.union_all(shapely.convex_hull(shapely.polygons(corners[..., :2])))
    # Closes the hair between pieces that steps in the floor leave.
    closed = whole.buffer(CLOSED_M).buffer(-CLOSED_M)
    height = float(np.median(start[2] - corners[..., 2]))
    radius = np.sqrt(max(reach**2 - height**2, 0.0))
    disc = shapely.Point(start[:2]).buffer(radius, quad_segs=TURNS // 4)
    return _without_specks(shapely.intersection(closed, disc))


Spans = list[list[tuple[int, int, Array, Array]]]
"""Of each turn the stretches of its rays that meet a floor: first and last ring, both ends (3,)."""


def _spans(
    points: Array, floor: NDArray[np.bool_], edge: Callable[[Ints, Ints, Ints], Array]
) -> Spans:
    """Lit stretches of a bundle, drawn out to where the light is really cut off.

    edge : of turns (n,) and of the lit and the dark ring (n,) beside a cut, the place of it (n, 3).
    """
    padded = np.zeros((RINGS + 2, TURNS), np.int8)
    padded[1:-1] = floor
    steps = np.diff(padded, axis=0)
    starts, ends = np.argwhere(steps.T == 1), np.argwhere(steps.T == -1)
    turn, first, last = starts[:, 0], starts[:, 1], ends[:, 1] - 1
    low, high = points[first, turn], points[last, turn]
    cut = first > 0
    low[cut] = edge(turn[cut], first[cut], first[cut] - 1)
    cut = last < RINGS - 1
    high[cut] = edge(turn[cut], last[cut], last[cut] + 1)
    found: Spans = [[] for _ in range(TURNS)]
    for t, a, b, near, far in zip(
        turn.tolist(), first.tolist(), last.tolist(), low, high, strict=True
    ):
        found[t].append((a, b, near, far))
    return found


def _without_specks(shape: shapely.Geometry) -> shapely.Geometry:
    """Without islands and holes smaller than ``LEAST_M2``: sills, thresholds, a post's shadow."""
    kept = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon" and part.area >= LEAST_M2:
            holes = [ring for ring in part.interiors if shapely.Polygon(ring).area >= LEAST_M2]
            kept.append(shapely.Polygon(part.exterior, holes))
    return shapely.union_all(kept) if kept else shapely.Polygon()


def _cells(values: NDArray) -> NDArray:
    """The four corners of each cell of a (RINGS, TURNS, ...) bundle: (4, RINGS − 1, TURNS, ...)."""
    following = np.roll(values, -1, axis=1)
    return np.stack([values[:-1], values[1:], following[1:], following[:-1]])


def _on_walls(
    points: Array, met: NDArray[np.bool_], hits: _Bundle, rays: Rays
) -> tuple[WallLight, ...]:
    """Lit stretches of house and garden walls: the bundle's cells on one plane, from above."""
    patches = rays.bare.patches
    seen = [number for number in np.unique(hits.surface[met]) if 0 <= number < len(patches)]
    upright = {number: patches[number] for number in seen if rays.is_wall(patches[number])}
    planes: dict[tuple[float, ...], list[int]] = {}
    for number, patch in upright.items():
        out = unit(patch.normal[:2])
        key = (*np.round(out, 3).tolist(), round(float(patch.origin[:2] @ out), 2))
        planes.setdefault(key, []).append(int(number))
    lit = []
    for numbers in planes.values():
        normal = unit(patches[numbers[0]].normal[:2])
        along = np.array([-normal[1], normal[0]])
        whole = _cells(met & np.isin(hits.surface, numbers)).all(axis=0)
        if not whole.any():
            continue
        where = _cells(points[..., :2] @ along)[:, whole]
        face = float(patches[numbers[0]].origin[:2] @ normal)
        lines = [
            shapely.LineString([face * normal + a * along, face * normal + b * along])
            for a, b in _joined(where.min(axis=0), where.max(axis=0))
            if b - a > LEAST_WALL_M
        ]
        if lines:
            lit.append(WallLight(shapely.MultiLineString(lines), normal))
    return tuple(lit)


def _joined(low: Array, high: Array) -> list[tuple[float, float]]:
    """Stretches that overlap or all but touch, as one."""
    found: list[tuple[float, float]] = []
    for a, b in sorted(zip(low.tolist(), high.tolist(), strict=True)):
        if found and a <= found[-1][1] + 0.02:
            found[-1] = (found[-1][0], max(found[-1][1], b))
        else:
            found.append((a, b))
    return found


def aim_deg(lamp: Placed, north_deg: float) -> tuple[float | None, float]:
    """Bearing of the aim, clockwise from north, and its elevation [deg]; no bearing where upright."""
    x, y, z = lamp.axis
    elevation = float(np.degrees(np.arcsin(np.clip(z, -1, 1))))
    if np.hypot(x, y) < 1e-3:
        return None, elevation
    return float((np.degrees(np.arctan2(x, y)) + north_deg) % 360.0), elevation
