"""What lies on the ground: lawn, paving, beds, ponds, terraces, steps, garden walls and fences."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import shapely

from nightview.errors import NightviewError
from nightview.scene.faults import label
from nightview.scene.model import Area, Column, GardenWall, Path, Scene, Steps, Terrace
from nightview.site.blocks import Built, frame_of
from nightview.site.shapes import (
    UP,
    box,
    flat,
    pieces,
    round_solid,
    solid_of_planes,
    tube,
)
from nightview.site.surface import Array, Patch, Solid

EX, EY = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
LAWN_TEXEL_M = 0.05
CURVE_STEP_M = 0.25
SEAM_M = 0.001


def smooth(points: Sequence[tuple[float, float]], closed: bool = False) -> Array:
    """A smooth curve through points (Catmull-Rom, even parameter): (n, 2) [m]."""
    given = np.asarray(points, float)
    if len(given) < 3:
        return given
    if closed:
        padded = np.concatenate([given[-1:], given, given[:2]])
    else:
        padded = np.concatenate([[2 * given[0] - given[1]], given, [2 * given[-1] - given[-2]]])
    curve = []
    for a, b, c, d in zip(padded[:-3], padded[1:-2], padded[2:-1], padded[3:], strict=True):
        count = max(2, int(np.linalg.norm(c - b) / CURVE_STEP_M))
        t = np.linspace(0, 1, count, endpoint=False)[:, None]
        curve.append(
            0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2
                   + (3 * b - a - 3 * c + d) * t**3)
        )  # fmt: skip
    if not closed:
        curve.append(given[-1:])
    return np.concatenate(curve)


def centre_line(path: Path) -> Array:
    """The points of a path's middle, (n, 2) [m]."""
    return smooth(path.line_m) if path.curved else np.asarray(path.line_m, float)


def strip(path: Path) -> shapely.Geometry:
    """The ground a path covers."""
    line = shapely.LineString(centre_line(path))
    return line.buffer(path.width_m / 2, cap_style="flat", join_style="round", quad_segs=4)


def outline_of(area: Area | Terrace) -> shapely.Geometry:
    """The ground an area covers. Errors: NightviewError for an outline that crosses itself."""
    if area.outline_m is not None:
        curved = isinstance(area, Area) and area.curved
        ring = smooth(area.outline_m, closed=True) if curved else np.asarray(area.outline_m)
        outline = shapely.Polygon(ring)
        if curved and not outline.is_valid:  # the rules have seen its corners, not its curves
            raise NightviewError(
                f"{label(type(area).__name__.lower(), area.name)}: outline",
                "crosses itself once it is curved", "move its corners apart, or drop curved",
            )  # fmt: skip
        return outline
    assert area.size_m is not None
    if isinstance(area, Terrace):
        assert area.at_m is not None
        (x, y), (width, depth) = area.at_m, area.size_m
        return shapely.box(x, y, x + width, y + depth)
    assert area.centre_m is not None
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=1) * np.asarray(area.size_m) / 2
    return shapely.Polygon(ring + np.asarray(area.centre_m))


def build_ground(scene: Scene) -> list[Patch]:
    """The plane z = 0, each spot belonging to one material, with holes where bodies stand."""
    taken = shapely.union_all([_footprint(scene), shapely.Polygon()])
    patches: list[Patch] = []
    covers: list[tuple[str, str, str, shapely.Geometry, float, str]] = []
    for pond in scene.ponds:
        covers.append((pond.name, pond.name, "water", outline_of(pond), 0.05, "water"))
    for terrace in scene.terraces:
        if terrace.height_m <= 0:
            covers.append(
                (terrace.name, terrace.name, terrace.material, outline_of(terrace), 0.04, "matte")
            )
    for path in (*scene.paths, *scene.drives):
        covers.append((path.name, path.name, path.material, strip(path), 0.04, "matte"))
    for bed in scene.beds:
        covers.append((bed.name, bed.name, bed.material, outline_of(bed), 0.04, "matte"))
    if scene.ground is not None:
        (width, depth), (cx, cy) = scene.ground.size_m, scene.ground.centre_m
        lawn = shapely.box(cx - width / 2, cy - depth / 2, cx + width / 2, cy + depth / 2)
        covers.append(("ground", "ground", scene.ground.material, lawn, LAWN_TEXEL_M, "matte"))
    for name, owner, material, shape, texel_m, kind in covers:
        left = shapely.difference(shape, taken)
        taken = shapely.union(taken, shape)
        whole = Patch(name, owner, material, np.zeros(3), EX, EY, left, (1, 1), texel_m, kind)
        if left.area > 1e-6:
            patches += pieces(whole)
    return patches


def _footprint(scene: Scene) -> shapely.Geometry:
    """The ground that solid bodies cover."""
    shapes: list[shapely.Geometry] = []
    for block in scene.blocks:
        if block.base_m <= 0.001:
            origin, ex, ey = frame_of(block)
            width, depth = block.size_m
            corners = [
                origin,
                origin + width * ex,
                origin + width * ex + depth * ey,
                origin + depth * ey,
            ]
            shapes.append(shapely.Polygon([corner[:2] for corner in corners]))
    shapes += [outline_of(terrace) for terrace in scene.terraces if terrace.height_m > 0]
    return shapely.union_all(shapes) if shapes else shapely.Polygon()


def build_terrace(terrace: Terrace) -> Built:
    """A raised platform: its top and its edges; level ones belong to the ground."""
    if terrace.height_m <= 0:
        return [], []
    outline = outline_of(terrace)
    if not outline.exterior.is_ccw:
        outline = shapely.Polygon(list(outline.exterior.coords)[::-1])
    top = terrace.height_m
    name = terrace.name
    patches = pieces(
        Patch(f"{name} top", name, terrace.material, top * UP, EX, EY, outline, (1, 1), 0.04)
    )
    ring = [np.array([x, y, 0.0]) for x, y in list(outline.exterior.coords)[:-1]]
    for a, b in zip(ring, [*ring[1:], ring[0]], strict=True):
        edge = [a, b, b + top * UP, a + top * UP]
        patches += flat(f"{name} edge", name, terrace.edge_material, edge)
    return patches, [_upright(name, part, top, outline) for part in _convex_parts(outline)]


def _convex_parts(outline: shapely.Polygon) -> list[shapely.Polygon]:
    """The outline itself, or where it is not convex its triangles."""
    if outline.convex_hull.area <= outline.area * 1.001:
        return [outline]
    return list(shapely.get_parts(shapely.constrained_delaunay_triangles(outline)))


def _upright(owner: str, part: shapely.Polygon, top: float, whole: shapely.Polygon) -> Solid:
    """The body over one part of an outline, from the ground up to top.

    Where it was merely cut from its neighbour it reaches a hair into it, so that no point on the cut
    is in neither of them.
    """
    ring = np.array(shapely.orient_polygons(part).exterior.coords)[:-1]
    faces = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        cut = shapely.distance(whole.exterior, shapely.Point((a + b) / 2)) > 1e-6
        out = np.array([b[1] - a[1], a[0] - b[0]]) / np.linalg.norm(b - a)
        low = [np.array([*(end + cut * SEAM_M * out), 0.0]) for end in (a, b)]
        faces.append([low[0], low[1], low[1] + top * UP, low[0] + top * UP])
    lid = [np.array([x, y, top]) for x, y in ring]
    floor = [np.array([x, y, 0.0]) for x, y in ring[::-1]]
    return solid_of_planes(owner, [*faces, lid, floor])


def build_steps(steps: Steps) -> Built:
    """Treads and risers as stacked slabs."""
    turn = np.radians(steps.bearing_deg)
    up = np.array([np.sin(turn), np.cos(turn), 0.0])
    right = np.array([up[1], -up[0], 0.0])
    frame = (np.array([*steps.at_m, steps.base_m]), right, up)
    half, run = steps.width_m / 2, steps.count * steps.tread_m
    patches: list[Patch] = []
    solids: list[Solid] = []
    for i in range(steps.count):
        low = (-half, i * steps.tread_m, i * steps.riser_m)
        high = (half, run, (i + 1) * steps.riser_m)
        faces, solid = box(f"{steps.name} step {i + 1}", steps.name, steps.material, frame, low, high,
                           skip=("bottom", "top"))  # fmt: skip
        tread_end = (i + 1) * steps.tread_m
        tread, _ = box(f"{steps.name} tread {i + 1}", steps.name, steps.material, frame,
                       (-half, low[1], high[2] - 0.01), (half, tread_end, high[2]),
                       skip=("front", "back", "left", "right", "bottom"))  # fmt: skip
        patches += faces + tread
        solids.append(solid)
    return patches, solids


def build_column(column: Column) -> Built:
    """A column with a small base and cap."""
    foot = np.array([*column.at_m, column.base_m])
    half, height, name, stuff = column.width_m / 2, column.height_m, column.name, column.material
    frame = (foot, EX, EY)
    course = min(0.12, height / 8)
    patches: list[Patch] = []
    solids: list[Solid] = []
    for part, low, high in (("base", 0.0, course), ("cap", height - course, height)):
        faces, solid = box(f"{name} {part}", name, stuff, frame, (-half * 1.2, -half * 1.2, low),
                           (half * 1.2, half * 1.2, high), skip=("bottom",) if low == 0 else ())  # fmt: skip
        patches += faces
        solids.append(solid)
    low_z, high_z = foot + course * UP, foot + (height - course) * UP
    if column.shape == "round":
        patches.append(tube(name, name, stuff, low_z, high_z, half, half))
        solids.append(round_solid(name, low_z, half, height - 2 * course))
    else:
        faces, solid = box(name, name, stuff, frame, (-half, -half, course), (half, half, height - course),
                           skip=("bottom", "top"))  # fmt: skip
        patches += faces
        solids.append(solid)
    return patches, solids


def build_garden_wall(wall: GardenWall) -> Built:
    """Straight runs, each a box, with a coping on walls and posts on fences."""
    patches: list[Patch] = []
    solids: list[Solid] = []
    line = [np.array([x, y, wall.base_m]) for x, y in wall.line_m]
    half = wall.thickness_m / 2
    for a, b in itertools.pairwise(line):
        length = float(np.linalg.norm(b - a))
        if length < 1e-3:
            raise NightviewError(f'wall "{wall.name}"', "line has two equal points", "remove one")
        ex = (b - a) / length
        frame = (a, ex, np.array([-ex[1], ex[0], 0.0]))
        if wall.kind == "wall":
            body, coping, lip = wall.height_m - 0.06, wall.height_m, 0.03
        else:
            body, coping, lip = wall.height_m - 0.04, wall.height_m, 0.02
        faces, solid = box(wall.name, wall.name, wall.material, frame, (-half, -half, 0),
                           (length + half, half, body), skip=("bottom", "top"))  # fmt: skip
        cap, lid = box(f"{wall.name} coping", wall.name, wall.material, frame,
                       (-half - lip, -half - lip, body), (length + half + lip, half + lip, coping))  # fmt: skip
        patches += faces + cap
        solids += [solid, lid]
        if wall.kind == "fence":
            count = max(2, round(length / 2.0) + 1)
            for x in np.linspace(0, length, count):
                post, body_solid = box(f"{wall.name} post", wall.name, wall.material, frame,
                                       (x - 0.05, -half - 0.04, 0), (x + 0.05, half + 0.04, coping + 0.05),
                                       skip=("bottom",))  # fmt: skip
                patches += post
                solids.append(body_solid)
    return patches, solids
