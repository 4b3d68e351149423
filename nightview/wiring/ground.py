"""What a cable may cross on its way along the ground, and at which cost; where it comes up.

Forbidden are houses, ponds, columns and trunks, each with a hand's breadth kept clear. Under paths,
drives, terraces, steps and porch floors a cable goes in a sleeve, under garden walls in a hole dug
beneath their footing: a metre there counts as so many of open trench. Raised terraces and decks
are crossed like paving, over water too (a dock). Lawn, beds, hedges and fences cost nothing extra.
Imported meshes are not looked at.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from nightview.scene.model import Block, Path, Porch, Scene, Steps
from nightview.site.blocks import frame_of, wall_frame
from nightview.site.ground import centre_line, outline_of, strip
from nightview.site.plants import HABITS
from nightview.site.surface import Array

CLEAR_M = {"block": 0.1, "column": 0.1, "pond": 0.3, "tree": 0.3}
"""Kept free about what no cable crosses [judgement]."""
WALL_PENALTY = 3.0
"""Under a wall's footing a metre costs so many of a sleeve [judgement]: wall ends are sought."""
FINE_M, ROUGH_M = 0.03, 0.1
"""Curved outlines are followed to within this: of what is crossed, of what is kept clear of water."""
BESIDE_M = 0.5
"""A raised terrace by the water carries cables so far beside it: outlines do not meet to the inch."""
BESIDE_PENALTY = 3.0
NOTHING = shapely.Polygon()
EDGE_M, ON_M = 3.0, 20.0
"""A path that ends so near the edge of the ground goes on beyond it, at least so far."""
FAR_M = 1e-6
UP_M = 0.45
"""A lamp higher than this above the ground does not stand in it: the cable climbs something."""
REACH_M = 4.0
"""A lamp that hangs is fed from a wall no farther than this, otherwise straight from below."""


@dataclass(frozen=True, eq=False)
class Body:
    """What no cable crosses. kind : its table in the scene. shape : from above [m]."""

    kind: str
    name: str
    shape: shapely.Geometry

    def __str__(self) -> str:
        """As a message calls it: block "house"."""
        return f'{self.kind} "{self.name}"'


@dataclass(frozen=True, eq=False)
class Cover:
    """What a cable crosses in a sleeve. penalty : metres of open trench that one metre counts as."""

    kind: str
    name: str
    shape: shapely.Geometry
    penalty: float

    def __str__(self) -> str:
        """As a message calls it: path "front path"."""
        return f'{self.kind} "{self.name}"'


@dataclass(frozen=True, eq=False)
class Foot:
    """Where the cable of a lamp, hub or transformer leaves the ground.

    at : (2,) [m]. rise_m : from there to it, up and across. how : in plain words; "" if it stands
    in the ground there.
    """

    at: Array
    rise_m: float
    how: str = ""


@dataclass(frozen=True, eq=False)
class Ground:
    """Bodies to go around, and covers to go under; no two covers overlap, nor a cover a body."""

    bodies: tuple[Body, ...] = ()
    covers: tuple[Cover, ...] = ()
    bridges: shapely.Geometry = NOTHING  # covers that carry cables over water

    @cached_property
    def forbidden(self) -> shapely.Geometry:
        """All bodies with what is kept clear about them [m]."""
        clear = [
            (body.kind, shapely.buffer(body.shape, CLEAR_M.get(body.kind, 0.0), join_style="mitre"))
            for body in self.bodies
        ]
        ponds = [shape.simplify(ROUGH_M) for kind, shape in clear if kind == "pond"]
        water = shapely.union_all([NOTHING, *ponds])
        dry = [shape for kind, shape in clear if kind != "pond"]
        return shapely.union_all([shapely.difference(water, self.bridges), *dry]).simplify(1e-3)

    @cached_property
    def by_penalty(self) -> tuple[tuple[float, shapely.Geometry], ...]:
        """The covers outside bodies, those of one penalty as one shape."""
        groups: dict[float, list[shapely.Geometry]] = {}
        for cover in self.covers:
            groups.setdefault(cover.penalty, []).append(cover.shape)
        merged = []
        for penalty, shapes in groups.items():
            # A hair wider, so that neighbours join.
            wider = [_simple(shape).buffer(1e-4, join_style="mitre") for shape in shapes]
            whole = shapely.union_all(wider).simplify(1e-3)
            merged.append((penalty, shapely.difference(whole, self.forbidden)))
        return tuple(merged)

    def crossed(self, line: shapely.Geometry) -> Body | None:
        """The body that a line goes through, if any; touching its edge is allowed."""
        for body in self.bodies:
            if shapely.intersects(shapely.buffer(body.shape, -1e-3), line):
                return body
        return None

    def freed(self, at: Array) -> Array:
        """The nearest point (2,) that is not forbidden [m]."""
        point = shapely.Point(at)
        if not shapely.intersects(self.forbidden, point):
            return np.asarray(at, float)
        edge = shapely.boundary(self.forbidden)
        way = shapely.shortest_line(point, edge)
        return shapely.get_coordinates(way)[1]


def ground_of(scene: Scene) -> Ground:
    """The ground of a scene; covers in the order in which ``site.ground`` lays them."""
    penalty = scene.wiring.sleeve_penalty
    wet = shapely.union_all([NOTHING, *(outline_of(pond) for pond in scene.ponds)])
    decks = [
        (item.name, outline_of(item).buffer(BESIDE_M, join_style="mitre"))
        for item in scene.terraces
        if item.height_m > 0.0 and shapely.intersects(wet, outline_of(item))
    ]
    bridges = shapely.union_all([NOTHING, *(shape for _, shape in decks)])
    bodies = [
        Body("block", block.name, footprint(block))
        for block in scene.blocks
        if block.base_m <= 0.001
    ]
    for pond in scene.ponds:
        water = shapely.difference(outline_of(pond), bridges)
        bodies.append(Body("pond", pond.name, water.simplify(FINE_M)))
    for column in scene.columns:
        if column.base_m <= 0.001:
            (x, y), half = column.at_m, 0.6 * column.width_m
            bodies.append(
                Body("column", column.name, shapely.box(x - half, y - half, x + half, y + half))
            )
    for tree in scene.trees:
        radius = max(0.1, HABITS[tree.kind].trunk_share * tree.height_m / 2)
        trunk = shapely.Point(tree.at_m).buffer(radius * math.sqrt(2.0), quad_segs=1)
        bodies.append(Body("tree", tree.name, trunk))
    covers: list[Cover] = []
    taken: shapely.Geometry = NOTHING
    beside = [("terrace", name, shape, BESIDE_PENALTY) for name, shape in decks]
    for kind, name, shape, times in itertools.chain(_covers(scene), beside):
        left = shapely.difference(shape, taken)
        taken = shapely.union(taken, shape)
        if left.area > 1e-4:
            covers.append(Cover(kind, name, left, times * penalty))
    return Ground(tuple(bodies), tuple(covers), bridges)


def _covers(scene: Scene) -> Iterator[tuple[str, str, shapely.Geometry, float]]:
    """Kind, name, shape and the share of the sleeve's penalty, what lies on top first."""
    blocks = {block.name: block for block in scene.blocks}
    for wall in scene.walls:
        if wall.kind == "wall" and wall.base_m <= 0.001:
            line = shapely.LineString(wall.line_m)
            body = line.buffer(wall.thickness_m / 2, cap_style="square", join_style="mitre")
            yield "wall", wall.name, body, WALL_PENALTY
    for steps in scene.steps:
        yield "steps", steps.name, _flight(steps), 1.0
    for porch in scene.porches:
        yield "porch", porch.name, _floor(porch, blocks[porch.block]), 1.0
    for terrace in scene.terraces:
        yield "terrace", terrace.name, outline_of(terrace), 1.0
    for path in scene.paths:
        yield "path", path.name, _on_and_on(path, scene), 1.0
    for drive in scene.drives:
        yield "drive", drive.name, _on_and_on(drive, scene), 1.0


def _simple(shape: shapely.Geometry) -> shapely.Geometry:
    """A shape of few corners; where it had more, just large enough to cover them."""
    simple = shape.simplify(FINE_M)
    same = shapely.get_num_coordinates(simple) == shapely.get_num_coordinates(shape)
    return shape if same else simple.buffer(FINE_M, join_style="mitre")


def _on_and_on(path: Path, scene: Scene) -> shapely.Geometry:
    """The ground a path covers, with what follows where it leaves the ground that is drawn."""
    covered = strip(path)
    if scene.ground is None:
        return covered
    (width, depth), (x, y) = scene.ground.size_m, scene.ground.centre_m
    inner = shapely.box(x - width / 2, y - depth / 2, x + width / 2, y + depth / 2).buffer(-EDGE_M)
    line = centre_line(path)
    parts = [covered]
    for end, before in ((line[0], line[1]), (line[-1], line[-2])):
        if not shapely.intersects(inner, shapely.Point(end)):
            way = (end - before) / float(np.hypot(*(end - before)))
            on = shapely.LineString([end - 0.05 * way, end + ON_M * way])
            parts.append(on.buffer(path.width_m / 2, cap_style="flat"))
    return shapely.union_all(parts)


def footprint(block: Block) -> shapely.Geometry:
    """The ground a block stands on [m]."""
    origin, ex, ey = frame_of(block)
    width, depth = block.size_m
    corners = [origin, origin + width * ex, origin + width * ex + depth * ey, origin + depth * ey]
    return shapely.Polygon([corner[:2] for corner in corners])


def _flight(steps: Steps) -> shapely.Geometry:
    turn = math.radians(steps.bearing_deg)
    up = np.array([math.sin(turn), math.cos(turn)])
    right = np.array([up[1], -up[0]]) * steps.width_m / 2
    foot, head = np.asarray(steps.at_m), np.asarray(steps.at_m) + steps.count * steps.tread_m * up
    return shapely.Polygon([foot - right, foot + right, head + right, head - right])


def _floor(porch: Porch, block: Block) -> shapely.Geometry:
    foot, right, normal, _ = wall_frame(block, porch.side)
    middle, (width, depth) = foot + porch.along_m * right, porch.size_m
    corners = [(-width / 2, 0.0), (width / 2, 0.0), (width / 2, depth), (-width / 2, depth)]
    return shapely.Polygon([(middle + x * right + y * normal)[:2] for x, y in corners])


# --- where a cable comes up -----------------------------------------------------------------------


def foot_of(scene: Scene, ground: Ground, place: Array) -> Foot:
    """Where the cable of a lamp at a place (3,) leaves the ground.

    A lamp in a crown is fed up the trunk, one that hangs up the nearest wall of a house; any other
    stands over its foot. A lamp inside a body or on its edge is fed from the nearest free ground.
    """
    at, height = np.asarray(place[:2], float), max(0.0, float(place[2]))
    if height > UP_M:
        trees = [(float(np.hypot(*(at - tree.at_m))), tree) for tree in scene.trees]
        for far, tree in sorted(trees, key=lambda pair: pair[0]):
            habit = HABITS[tree.kind]
            crown = tree.crown_m or habit.crown_share * tree.height_m
            clear = tree.clear_m if tree.clear_m is not None else habit.clear_share * tree.height_m
            if far <= crown / 2 and 0.7 * clear <= height <= tree.height_m and height > 1.5:
                foot = ground.freed(np.asarray(tree.at_m, float) + _towards(at, tree.at_m))
                return Foot(foot, height + far, f'up tree "{tree.name}"')
    walls = [body for body in ground.bodies if body.kind == "block"]
    if height > UP_M and walls:
        point = shapely.Point(at)
        far, house = min(
            ((shapely.distance(body.shape, point), body) for body in walls),
            key=lambda pair: pair[0],
        )
        if 0.0 < far <= (REACH_M if height > 1.5 else 0.3):
            on_wall = shapely.get_coordinates(shapely.shortest_line(house.shape, point))[0]
            foot = ground.freed(on_wall)
            return Foot(foot, height + far, f"up {house}")
    foot = ground.freed(at)
    aside = float(np.hypot(*(at - foot)))
    if aside <= max(CLEAR_M.values()) + FAR_M:
        return Foot(foot, height + aside)
    inside = ground.crossed(shapely.Point(at))
    return Foot(foot, height + aside, f"across {inside}" if inside else "")


def _towards(at: Array, tree: tuple[float, float]) -> Array:
    """A hair from a trunk's middle towards the lamp, so that its nearest free ground is there."""
    way = at - np.asarray(tree)
    far = float(np.hypot(*way))
    return 0.01 * way / far if far > FAR_M else np.array([0.0, -0.01])
