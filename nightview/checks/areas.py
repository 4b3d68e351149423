"""Where light is looked at: walls, paths, steps, panes, columns and crowns as points with normals.

A site becomes a few named areas; a check asks one of them how much light falls on its points. The
points lie on the site's own surfaces, a hair before them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from nightview.scene.model import Block, Opening, Path, Side
from nightview.scene.rules import wall_top
from nightview.site.blocks import SIDES, wall_frame
from nightview.site.build import Site
from nightview.site.ground import centre_line
from nightview.site.surface import Array, Patch

WALL_STEP_M = 0.05
"""Between the points of a wall: a lamp 0.15 m off one lights a spot of twice as much."""
PLAIN_STEP_M = 0.2
"""The same where no lamp stands near."""
NEAR_M = 4.0
PATH_STEP_M = 0.25
ACROSS = 5
"""Points across a path and along the edge of a tread."""
TURN_M = 0.1
PANE_POINTS = 3
CROWN_LEAVES = 400
AHEAD_M = 0.002
"""How far before its surface a point lies."""

DOOR_AHEAD_M = 0.03
"""The same before a door, clear of its raised panels."""


@dataclass(frozen=True, eq=False)
class Area:
    """Points that belong together.

    kind : "facade", "door", "pane", "path", "tread", "column", "crown", "neighbour".
    points, normals : (n, 3) float [m]. weight : (n,) what each stands for [m²].
    per_lux : (n,) luminance of a matte surface under one lux, ρ/π [cd/m²/lx].
    place : (n, 2) own coordinates: of a facade along the wall and above its base, of a path along and
        to the left of its middle line; else zeros [m].
    patch : (n,) the number of the patch that a point lies on, −1 for none. uv : (n, 2) on it [m].
    owner : the table of the scene that it is part of. two_sided : light counts from both sides.
    """

    kind: str
    name: str
    owner: str
    points: Array
    normals: Array
    weight: Array
    per_lux: Array
    place: Array
    patch: NDArray[np.int32]
    uv: Array
    two_sided: bool = False
    grid: NDArray[np.int32] = field(default_factory=lambda: np.zeros((0, 0), np.int32))
    step_m: float = 0.0

    def __len__(self) -> int:
        return len(self.points)

    def mean(self, values: Array) -> float:
        """The mean of a value over the area, each point by its share of it."""
        return float(values @ self.weight / self.weight.sum()) if len(self) else 0.0

    @cached_property
    def mask(self) -> NDArray[np.bool_]:
        """(nv, nu): where the grid of a facade has a point."""
        return self.grid >= 0

    def on_grid(self, values: Array, empty: float = np.nan) -> Array:
        """A facade's values on its grid, (nv, nu), row 0 at its foot; empty where there is no wall."""
        found = np.full(self.grid.shape, empty)
        found[self.mask] = values[self.grid[self.mask]]
        return found


def facade_name(block: str, side: Side) -> str:
    """What one wall of a block is called, "cottage front"."""
    return f"{block} {side}"


def areas_of(site: Site) -> tuple[Area, ...]:
    """All areas of a site that may be asked for; those of its lamps alone change with the lamps."""
    scene = site.scene
    by_owner: dict[str, list[int]] = {}
    for number, patch in enumerate(site.patches):
        by_owner.setdefault(patch.owner, []).append(number)
    found: list[Area] = []
    for block in scene.blocks:
        found += _facades(site, block, by_owner.get(block.name, []))
    for opening in scene.openings:
        found += _opening(site, opening)
    for path in (*scene.paths, *scene.drives):
        found += _path(site, path, by_owner.get(path.name, []))
    for steps in scene.steps:
        found += _treads(site, steps.name, by_owner.get(steps.name, []))
    found += _columns(site, by_owner)
    found += _crowns(site)
    for neighbour in scene.neighbours:
        turn = np.radians(neighbour.bearing_deg - scene.site.north_deg)
        normal = np.array([np.sin(turn), np.cos(turn), 0.0])
        right = np.cross([0.0, 0.0, 1.0], normal)
        shares = (np.arange(PANE_POINTS) + 0.5) / PANE_POINTS - 0.5
        across, up = (grid.ravel() for grid in np.meshgrid(shares, shares))
        points = (
            np.asarray(neighbour.at_m)
            + (across * neighbour.size_m[0])[:, None] * right
            + (up * neighbour.size_m[1])[:, None] * np.array([0.0, 0.0, 1.0])
        )
        found.append(_free("neighbour", neighbour.name, neighbour.name, points, normal))
    return tuple(found)


def _free(kind: str, name: str, owner: str, points: Array, normal: Array) -> Area:
    n = len(points)
    return Area(
        kind, name, owner, points, np.broadcast_to(normal, (n, 3)).copy(), np.full(n, 1.0 / n),
        np.zeros(n), np.zeros((n, 2)), np.full(n, -1, np.int32), np.zeros((n, 2)),
    )  # fmt: skip


def _on_patches(
    kind: str, name: str, owner: str, site: Site, number: int, uv: Array, each_m2: float
) -> Area:
    """An area of points (n, 2) of one patch."""
    patch = site.patches[number]
    points, normals = patch.place(uv[:, 0], uv[:, 1])
    n = len(uv)
    spec = site.materials[patch.material]
    return Area(
        kind, name, owner, points + AHEAD_M * normals, np.array(normals), np.full(n, each_m2),
        np.full(n, spec.reflectance / np.pi), np.zeros((n, 2)), np.full(n, number, np.int32), uv,
    )  # fmt: skip


_PER_POINT = ("points", "normals", "weight", "per_lux", "place", "patch", "uv")


def joined(areas: list[Area], name: str | None = None) -> Area:
    """Areas of one kind as one."""
    columns: dict[str, Any] = {
        key: np.concatenate([getattr(area, key) for area in areas]) for key in _PER_POINT
    }
    return replace(areas[0], **columns, name=name or areas[0].name)


def _chosen(area: Area, which: NDArray[np.bool_]) -> Area:
    return replace(area, **{key: getattr(area, key)[which] for key in _PER_POINT})


# --- walls ----------------------------------------------------------------------------------------


def _facades(site: Site, block: Block, numbers: list[int]) -> Iterator[Area]:
    for side in SIDES:
        foot, right, normal, width = wall_frame(block, side)
        own = [n for n in numbers if is_wall(site.patches[n], block, side)]
        if not own:
            continue
        near = any(
            abs((lamp.position - foot) @ normal) < NEAR_M and (lamp.position - foot) @ normal > 0
            for lamp in site.fixtures
        )
        step = WALL_STEP_M if near else PLAIN_STEP_M
        top = max(z for _, z in wall_top(block, side))
        u = np.arange(step / 2, width, step)
        v = np.arange(step / 2, top, step)
        grid = np.full((len(v), len(u)), -1, np.int32)
        parts: list[Area] = []
        count = 0
        for number in own:
            patch = site.patches[number]
            corner = np.array([(patch.origin - foot) @ right, (patch.origin - foot)[2]])
            i, j, uv = _cut(patch, corner, u, v)
            if not len(uv):
                continue
            part = _on_patches("facade", "", block.name, site, number, uv, step * step)
            clear = ~_buried(site, block.name, part.points)
            i, j = i[clear], j[clear]
            if not clear.any():
                continue
            part = _chosen(part, clear)
            part.place[:] = np.stack([u[i], v[j]], axis=1)
            grid[j, i] = count + np.arange(len(i))
            count += len(i)
            parts.append(part)
        if parts:
            whole = joined(parts, facade_name(block.name, side))
            yield replace(whole, grid=grid, step_m=step)


def is_wall(patch: Patch, block: Block, side: Side) -> bool:
    """Whether a patch of a block is part of its wall, its plinth with it."""
    whole = f"{facade_name(block.name, side)} wall"
    return patch.name in (whole, f"{whole} plinth")


def _cut(
    patch: Patch, corner: Array, u: Array, v: Array
) -> tuple[NDArray[np.intp], NDArray[np.intp], Array]:
    """Which columns and rows of a grid lie on a patch whose own (0, 0) is at corner, and where."""
    i = np.flatnonzero((u >= corner[0]) & (u < corner[0] + patch.size[0]))
    j = np.flatnonzero((v >= corner[1]) & (v < corner[1] + patch.size[1]))
    ii, jj = (both.ravel() for both in np.meshgrid(i, j))
    uv = np.stack([u[ii] - corner[0], v[jj] - corner[1]], axis=1)
    if not patch.is_rectangle and len(uv):
        inside = shapely.contains_xy(patch.outline, uv[:, 0], uv[:, 1])
        ii, jj, uv = ii[inside], jj[inside], uv[inside]
    return ii, jj, uv


def _buried(site: Site, owner: str, points: Array) -> NDArray[np.bool_]:
    """Which points lie inside another body, as where two wings meet."""
    hidden = np.zeros(len(points), bool)
    low, high = points.min(axis=0), points.max(axis=0)
    for solid in site.solids:
        if solid.owner != owner and (solid.low < high).all() and (solid.high > low).all():
            hidden |= solid.holds(points)
    return hidden


def _opening(site: Site, opening: Opening) -> Iterator[Area]:
    """The panes of a window, each place of a row by itself; the leaf of a door."""
    glass = [n for n, patch in enumerate(site.patches) if patch.opening == opening.name]
    blocks = {block.name: block for block in site.scene.blocks}
    foot, right, _, _ = wall_frame(blocks[opening.block], opening.side)
    for k in range(opening.count):
        middle = opening.along_m + k * (opening.spacing_m or 0.0)
        name = opening.name if opening.count == 1 else f"{opening.name} {k + 1}"
        here = [
            number
            for number in glass
            if abs((site.patches[number].bounds[0] - foot) @ right - middle) < opening.size_m[0] / 2
        ]
        if here:
            yield _spread("pane", name, opening.name, site, here, PANE_POINTS)
    if opening.kind != "window":
        leaf = [
            number
            for number, patch in enumerate(site.patches)
            if patch.owner == opening.block and patch.name == f"{opening.name} leaf"
        ]
        if leaf:
            door = _spread("door", opening.name, opening.name, site, leaf, 6)
            door.points[:] += DOOR_AHEAD_M * door.normals
            yield door


def _spread(kind: str, name: str, owner: str, site: Site, numbers: list[int], count: int) -> Area:
    """count × count points over each of some patches."""
    parts = []
    shares = (np.arange(count) + 0.5) / count
    for number in numbers:
        patch = site.patches[number]
        uu, vv = (
            both.ravel() for both in np.meshgrid(shares * patch.size[0], shares * patch.size[1])
        )
        uv = np.stack([uu, vv], axis=1)
        if not patch.is_rectangle and not patch.tube:
            inside = shapely.contains_xy(patch.outline, uu, vv)
            if not inside.any():
                continue
            uv = uv[inside]
        parts.append(_on_patches(kind, name, owner, site, number, uv, patch.outline.area / len(uv)))
    return joined(parts, name) if parts else _free(kind, name, owner, np.zeros((0, 3)), np.zeros(3))


# --- ground ---------------------------------------------------------------------------------------


def _path(site: Site, path: Path, numbers: list[int]) -> Iterator[Area]:
    """A grid along a path, on its own paving."""
    along = np.arange(PATH_STEP_M / 2, line_of(path).length, PATH_STEP_M)
    flat, place = path_points(path, along, ACROSS)
    each = PATH_STEP_M * path.width_m / ACROSS
    parts = []
    for number in numbers:
        patch = site.patches[number]
        uv = flat - patch.origin[:2]
        inside = ((uv >= 0) & (uv <= np.asarray(patch.size))).all(axis=1)
        inside &= shapely.contains_xy(patch.outline, uv[:, 0], uv[:, 1])
        if inside.any():
            part = _on_patches("path", path.name, path.name, site, number, uv[inside], each)
            part.place[:] = place[inside]
            parts.append(part)
    if parts:
        yield joined(parts)


def line_of(path: Path) -> shapely.LineString:
    """The middle line of a path."""
    return shapely.LineString(centre_line(path))


def walked(path: Path, along: Array) -> tuple[Array, Array]:
    """Where one is so far along a path (n,) [m], and which way one goes there: (n, 2) each. The way is
    the mean over a hand's breadth, so that it turns gently at a bend."""
    line = line_of(path)
    middle, behind, ahead = (
        shapely.get_coordinates(
            shapely.line_interpolate_point(line, np.clip(along + step, 0.0, line.length))
        )
        for step in (0.0, -TURN_M / 2, TURN_M / 2)
    )
    way = ahead - behind
    return middle, way / np.linalg.norm(way, axis=1)[:, None]


def path_points(path: Path, along: Array, across: int) -> tuple[Array, Array]:
    """A grid on a path, at so many places along it (n,) [m] and evenly across: the points, and how far
    along and to the left of the middle line each is; (n·across, 2) each [m]."""
    middle, way = walked(path, along)
    left = np.stack([-way[:, 1], way[:, 0]], axis=1)
    aside = path.width_m * ((np.arange(across) + 0.5) / across - 0.5)
    flat = (middle[:, None, :] + aside[None, :, None] * left[:, None, :]).reshape(-1, 2)
    place = np.stack(np.broadcast_arrays(along[:, None], aside[None, :]), axis=-1)
    return flat, place.reshape(-1, 2)


def _treads(site: Site, name: str, numbers: list[int]) -> Iterator[Area]:
    """The front edge of each tread, where the foot is set; of a wide one on all its pieces."""
    steps = next(item for item in site.scene.steps if item.name == name)
    turn = np.radians(steps.bearing_deg)
    up = np.array([np.sin(turn), np.cos(turn), 0.0])
    across = np.array([up[1], -up[0], 0.0])
    shares = (np.arange(ACROSS) + 0.5) / ACROSS - 0.5
    each = steps.width_m * steps.tread_m / ACROSS
    for k in range(steps.count):
        edge = np.array([*steps.at_m, 0.0]) + (k * steps.tread_m + 0.05) * up
        points = edge + (shares * steps.width_m)[:, None] * across
        tread, parts = f"{name} tread {k + 1}", []
        for number in numbers:
            patch = site.patches[number]
            if patch.name != f"{tread} top":
                continue
            relative = points - patch.origin
            uv = np.stack([relative @ patch.eu, relative @ patch.ev], axis=1)
            inside = shapely.dwithin(patch.outline, shapely.points(uv), 1e-6)
            if inside.any():
                parts.append(_on_patches("tread", tread, name, site, number, uv[inside], each))
        if parts:
            yield joined(parts)


# --- columns, crowns ------------------------------------------------------------------------------


def _columns(site: Site, by_owner: dict[str, list[int]]) -> Iterator[Area]:
    """The shafts of columns and of a porch's posts."""

    def shafts(owner: str, name: str) -> list[int]:
        faces = {name, *(f"{name} {side}" for side in SIDES)}
        return [n for n in by_owner.get(owner, []) if site.patches[n].name in faces]

    for column in site.scene.columns:
        own = shafts(column.name, column.name)
        if own:
            yield _spread("column", column.name, column.name, site, own, 12)
    for porch in site.scene.porches:
        for k, group in enumerate(_by_place(site, shafts(porch.name, f"{porch.name} post"))):
            yield _spread("column", f"{porch.name} post {k + 1}", porch.name, site, group, 12)


def _by_place(site: Site, numbers: list[int]) -> list[list[int]]:
    """Patches of posts, those of one post together, from left to right."""
    groups: list[tuple[Array, list[int]]] = []
    for number in numbers:
        middle = site.patches[number].bounds[0][:2]
        for centre, group in groups:
            if np.linalg.norm(centre - middle) < 0.4:
                group.append(number)
                break
        else:
            groups.append((middle, [number]))
    return [group for _, group in sorted(groups, key=lambda item: tuple(item[0]))]


def _crowns(site: Site) -> Iterator[Area]:
    """Some leaves of each crown, evenly chosen; light counts on both their sides."""
    for name in dict.fromkeys(crown.owner for crown in site.crowns):
        own = [crown for crown in site.crowns if crown.owner == name]
        centre = np.concatenate([crown.centre for crown in own]).astype(float)
        normal = np.concatenate([crown.normal for crown in own]).astype(float)
        every = max(1, len(centre) // CROWN_LEAVES)
        centre, normal = centre[::every], normal[::every]
        n = len(centre)
        spec = site.materials[own[0].material]
        through = spec.transmits_rgb or (0.0, 0.0, 0.0)
        gives = (spec.reflectance + float(np.dot(through, (0.2126, 0.7152, 0.0722)))) / (2 * np.pi)
        yield Area(
            "crown", name, name, centre, normal, np.full(n, 1.0), np.full(n, gives),
            np.zeros((n, 2)), np.full(n, -1, np.int32), np.zeros((n, 2)), True,
        )  # fmt: skip
