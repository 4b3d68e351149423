"""What stands and lies on the site, seen from above: plain shapes in metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from nightview.scene.model import Block, Opening, Shrub, Tree
from nightview.site.blocks import frame_of, wall_frame
from nightview.site.build import Site
from nightview.site.ground import outline_of, strip
from nightview.site.plants import HABITS
from nightview.site.surface import Array, Mesh, Solid, unit

FAR_M = 1e4
UPSTAIRS_M = 2.0
"""An opening whose sill is higher than this above the ground lies above the plan's cut: left out."""


@dataclass(frozen=True, eq=False)
class Shape:
    """One thing from above. kind : how it is drawn. shape : polygons or lines [m].

    name : what it is called; of unnamed parts "".
    """

    kind: str
    shape: shapely.Geometry
    name: str = ""


def outlines(site: Site) -> list[Shape]:
    """Everything to be drawn under the lamps, lowest first."""
    scene = site.scene
    found: list[Shape] = []
    if scene.ground is not None:
        (width, depth), (x, y) = scene.ground.size_m, scene.ground.centre_m
        found.append(
            Shape("ground", shapely.box(x - width / 2, y - depth / 2, x + width / 2, y + depth / 2))
        )
    found += [Shape("path", strip(path), path.name) for path in (*scene.drives, *scene.paths)]
    found += [Shape("bed", outline_of(bed), bed.name) for bed in scene.beds]
    found += [Shape("pond", outline_of(pond), pond.name) for pond in scene.ponds]
    found += [Shape("terrace", outline_of(item), item.name) for item in scene.terraces]
    for steps in scene.steps:
        found += [Shape("step", shape) for shape in _solids(site, steps.name)]
        found.append(
            Shape("up", _way_up(steps.at_m, steps.bearing_deg, steps.count * steps.tread_m))
        )
    for porch in scene.porches:
        found += _porch(site, porch.name)
    for wall in scene.walls:
        whole = shapely.union_all(_solids(site, wall.name))
        found.append(Shape("wall", whole, wall.name))
    found += [_body("column", site, item.name) for item in scene.columns]
    for block in scene.blocks:
        found.append(Shape("block", block_outline(block), block.name))
        found += _roof(site, block.name)
    for chimney in scene.chimneys:
        found += [Shape("chimney", shape) for shape in _solids(site, chimney.name)[:1]]
    blocks = {block.name: block for block in scene.blocks}
    for opening in scene.openings:
        found += _openings(opening, blocks[opening.block])
    found += [Shape("mesh", _footprint(mesh), mesh.name)
              for mesh in site.meshes if mesh.name == mesh.owner]  # fmt: skip
    for hedge in scene.hedges:
        line = shapely.LineString(hedge.line_m)
        body = line.buffer(hedge.width_m / 2, cap_style="flat", join_style="mitre")
        found.append(Shape("hedge", body, hedge.name))
    for shrub in scene.shrubs:
        found += _shrubs(shrub)
    return found


def block_outline(block: Block) -> shapely.Polygon:
    """The ground a block stands on."""
    origin, ex, ey = frame_of(block)
    width, depth = block.size_m
    corners = [origin, origin + width * ex, origin + width * ex + depth * ey, origin + depth * ey]
    return shapely.Polygon([corner[:2] for corner in corners])


def crown_m(tree: Tree) -> float:
    """A crown's diameter [m], stated or by its kind."""
    if tree.crown_m is not None:
        return tree.crown_m
    return HABITS[tree.kind].crown_share * tree.height_m


def from_above(solid: Solid) -> shapely.Geometry:
    """A convex body from above: what its upright planes enclose."""
    reach = shapely.box(*(np.maximum(solid.low[:2], -FAR_M)), *(np.minimum(solid.high[:2], FAR_M)))
    for plane in solid.planes:
        size = float(np.hypot(*plane[:2]))
        if size < 0.5:
            continue
        out, away = plane[:2] / size, -plane[3] / size
        along = np.array([-out[1], out[0]])
        foot = away * out
        half = [foot + FAR_M * along, foot - FAR_M * along,
                foot - FAR_M * along - FAR_M * out, foot + FAR_M * along - FAR_M * out]  # fmt: skip
        reach = reach.intersection(shapely.Polygon(half))
    return reach


def _solids(site: Site, owner: str) -> list[shapely.Geometry]:
    return [from_above(solid) for solid in site.solids if solid.owner == owner]


def _body(kind: str, site: Site, name: str) -> Shape:
    return Shape(kind, shapely.union_all(_solids(site, name)), name)


def _way_up(foot: tuple[float, float], bearing_deg: float, run: float) -> shapely.LineString:
    """An arrow's line up a flight of steps, its head at the end."""
    turn = np.radians(bearing_deg)
    up = np.array([np.sin(turn), np.cos(turn)])
    start = np.asarray(foot)
    return shapely.LineString([start, start + run * up])


def _porch(site: Site, name: str) -> list[Shape]:
    """Slab and posts; beams and roof are dashed, being overhead."""
    found = []
    for solid in site.solids:
        if solid.owner != name:
            continue
        shape = from_above(solid)
        overhead = solid.low[2] > 1.0
        thin = shape.minimum_rotated_rectangle.length < 4 * 0.6
        if not overhead:
            found.append(Shape("post" if thin and solid.high[2] > 1.0 else "slab", shape))
    slabs = [
        patch for patch in site.patches if patch.owner == name and patch.name.endswith(" roof")
    ]
    panels = [_seen(patch.triangles[0][patch.triangles[2]]) for patch in slabs]
    if panels:
        found.append(Shape("roof", _edges(panels)))
    return found


def _roof(site: Site, block: str) -> list[Shape]:
    """The planes of a roof, each once: their common edges are ridges, hips and valleys."""
    planes: dict[tuple[float, ...], list[shapely.Geometry]] = {}
    for patch in site.patches:
        if patch.owner == block and patch.name in (f"{block} roof slope", f"{block} roof top"):
            key = (
                *np.round(patch.normal, 3).tolist(),
                round(float(patch.origin @ patch.normal), 2),
            )
            planes.setdefault(key, []).append(_seen(patch.triangles[0][patch.triangles[2]]))
    faces = [shapely.union_all(parts, grid_size=1e-4) for parts in planes.values()]
    return [Shape("roof", _edges(faces))] if faces else []


def _edges(faces: list[shapely.Geometry]) -> shapely.Geometry:
    """The edges of faces, those in common once, so that dashes do not run into each other."""
    lines = shapely.union_all([shapely.boundary(face) for face in faces], grid_size=1e-3)
    return shapely.line_merge(lines)


def _seen(triangles: Array) -> shapely.Geometry:
    """Triangles (n, 3, 3) from above, as one shape."""
    flat = shapely.polygons(triangles[..., :2])
    return shapely.union_all(flat[shapely.area(flat) > 1e-9].tolist(), grid_size=1e-4)


def _openings(opening: Opening, block: Block) -> list[Shape]:
    """A row of windows or doors, each as a box across the wall's line; a door with its leaf."""
    foot, right, normal, _ = wall_frame(block, opening.side)
    found = []
    for k in range(opening.count):
        along = opening.along_m + k * (opening.spacing_m or 0.0)
        half = opening.size_m[0] / 2
        inward = max(opening.reveal_m, 0.12)
        corners = [foot + (along + x) * right - y * normal
                   for x, y in ((-half, 0), (half, 0), (half, inward), (-half, inward))]  # fmt: skip
        flat = [corner[:2] for corner in corners]
        if block.base_m + opening.sill_m > UPSTAIRS_M:
            continue
        kind = "window" if opening.kind == "window" else "door"
        found.append(Shape(kind, shapely.Polygon(flat), opening.name))
        if opening.kind in ("door", "glazed door"):
            angles = np.radians(np.linspace(0, 80, 12))[:, None]
            swing = flat[3] + 2 * half * (np.cos(angles) * right[:2] - np.sin(angles) * normal[:2])
            found.append(Shape("swing", shapely.LineString([*swing, flat[3]])))
    return found


def _shrubs(shrub: Shrub) -> list[Shape]:
    width = shrub.width_m if shrub.width_m is not None else shrub.height_m
    first = np.asarray(shrub.at_m, float)
    last = first if shrub.to_m is None else np.asarray(shrub.to_m, float)
    shares = [k / max(1, shrub.count - 1) for k in range(shrub.count)]
    rounds = [shapely.Point(first + share * (last - first)).buffer(width / 2) for share in shares]
    return [Shape("shrub", shapely.union_all(rounds), shrub.name)]


def _footprint(mesh: Mesh) -> shapely.Geometry:
    """An imported mesh from above: the hull of each of its loose parts.

    Parts hang together where faces share a place; corners of one place may be several vertices.
    """
    place = np.round(mesh.vertices / 1e-4).astype(np.int64)
    _, spot = np.unique(place, axis=0, return_inverse=True)
    spots = spot.ravel()[mesh.faces]
    joins = np.concatenate([spots[:, :2], spots[:, 1:]])
    count = int(spots.max()) + 1
    graph = coo_matrix((np.ones(len(joins)), joins.T), shape=(count, count))
    part = connected_components(graph, directed=False)[1]
    where = np.zeros((count, 2))
    where[spot.ravel()] = mesh.vertices[:, :2]
    used = np.unique(spots)
    order = used[np.argsort(part[used], kind="stable")]
    cuts = np.flatnonzero(np.diff(part[order])) + 1
    hulls = [shapely.MultiPoint(where[group]).convex_hull for group in np.split(order, cuts)]
    return shapely.union_all([hull for hull in hulls if hull.area > 0])


def tree_outline(tree: Tree) -> shapely.Geometry:
    """A crown from above, its rim in a shape by kind [m].

    Scallops for broad leaves, points for a conifer, a star for a palm, a plain ring for a columnar
    tree: told apart without colour.
    """
    radius = crown_m(tree) / 2
    turn = np.linspace(0, 2 * np.pi, 361)[:-1]
    if tree.kind == "conifer":
        saw = np.abs((turn * 14 / np.pi) % 2 - 1)
        rim = radius * (0.86 + 0.14 * saw)
    elif tree.kind == "palm":
        rim = radius * (0.35 + 0.65 * np.abs(np.cos(4 * turn)) ** 1.5)
    elif tree.kind == "columnar":
        rim = np.full_like(turn, radius)
    else:
        bumps = 7 if tree.kind == "multi-stem" else 10
        rim = radius * (0.9 + 0.1 * np.abs(np.sin(bumps * turn / 2)))
    at = np.asarray(tree.at_m)
    return shapely.Polygon(at + rim[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1))


def stems(tree: Tree) -> list[Array]:
    """Where a tree's stems stand, (2,) each [m]."""
    at = np.asarray(tree.at_m, float)
    if tree.kind != "multi-stem":
        return [at]
    ways = [unit([np.cos(a), np.sin(a)]) for a in np.radians([30, 150, 270])]
    return [at + 0.12 * crown_m(tree) * way for way in ways]
