"""A light meter held at any points: read from a table, or laid out along a path or over a wall.

Nothing is read off the maps; what a point gets is worked out for the point itself. Tables are CSV
by RFC 4180, in metres and lux.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from nightview.checks.areas import facade_name, is_wall, line_of, path_points
from nightview.errors import NightviewError, SceneFaultsError
from nightview.light.field import Light
from nightview.light.lookup import around, direct_at
from nightview.light.source import sources_of
from nightview.light.state import LUMINOUS
from nightview.scene.faults import choice, metres
from nightview.scene.rules import wall_top
from nightview.site.blocks import SIDES, wall_frame
from nightview.site.build import DEEP_M, Site, inside
from nightview.site.ground import strip
from nightview.site.shapes import UP
from nightview.site.surface import EDGE_NUDGE_M, Array
from nightview.units import shown

GIVEN = ("x", "y", "z", "nx", "ny", "nz")
READ = ("direct_lx", "total_lx")
MOST_POINTS = 100_000
"""A grid of more points is a slip of the step."""
AROUND_M = 50.0
"""So far from all that stands, and above it, a point still belongs to the site."""
FAR_M = 1e6
"""Beyond this nothing is near, and no square overflows."""
AHEAD_M = 0.001
"""So far before its point a surface that it lies on is in the open."""
SAME_CUT_M = 1e-6
"""Pieces of a wall that meet within this have no seam."""
AT_LAMP_M = 0.005
TOLD_AT_MOST = 10
RAYS = 8192
"""Rays from a point for the light of other surfaces. Against 65 536, on a wall and a path with three
lamps: within 1 % where a lamp shines, 4 % where none does; with 1024 it was 3 and 19 %."""
LOT = 128
"""So many points are read between two words to whoever waits."""

Progress = Callable[[int, int, str], None]
"""Told after each piece of work: done, of how many, what."""


@dataclass(frozen=True, eq=False)
class Points:
    """Where a meter is held, and which way it faces.

    places : (n, 3) [m]. normals : (n, 3), of unit length. lines : (n,) the line of the file that
    each was read from, or zeros.
    """

    places: Array
    normals: Array
    lines: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.places)


@dataclass(frozen=True, eq=False)
class Readings:
    """What the meter shows [lx].

    lamps : (k, n), what each lamp brings straight, in the order of names; 0 of one that is off.
    direct : (n,), the sum of these and what comes straight from lit windows and the moon.
    total : (n,), direct and what comes from other surfaces and the sky.
    """

    points: Points
    names: tuple[str, ...]
    lamps: Array
    direct: Array
    total: Array


def measure(light: Light, points: Points, report: Progress = lambda *_: None) -> Readings:
    """Read the light of a state at some points."""
    sources, weights = [], []
    for part in light.field.sources:
        sources.append(part.source)
        weights.append(float(light.state.weight(part.source) @ LUMINOUS))
    direct = np.zeros((len(sources), len(points)))
    other = np.zeros(len(points))
    for start in range(0, len(points), LOT):
        some = slice(start, start + LOT)
        places, normals = points.places[some], points.normals[some]
        for own, source, weight in zip(direct, sources, weights, strict=True):
            if weight:
                own[some] = weight * direct_at(light.field, source, places, normals)
        other[some] = around(light, places, normals, RAYS, start) @ LUMINOUS
        report(min(start + LOT, len(points)), len(points), "points")
    lamps = [k for k, source in enumerate(sources) if source.kind == "lamp"]
    names = tuple(sources[k].name for k in lamps)
    straight = direct.sum(axis=0)
    return Readings(points, names, direct[lamps], straight, straight + other)


# --- tables ---------------------------------------------------------------------------------------


def read_points(path: Path) -> Points:
    """The points of a CSV file; NightviewError with the line of what is wrong."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise NightviewError(str(path), "there is no such file", "check its name") from None
    except IsADirectoryError:
        raise NightviewError(str(path), "is a folder", "name the CSV file in it") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        problem = f"is not UTF-8 text: byte 0x{error.object[error.start]:02x}"
        raise NightviewError(f"{path.name}: line {line}", problem, "save it as UTF-8") from None
    except (OSError, ValueError) as error:  # a ValueError for a null character in its name
        raise NightviewError(str(path), f"cannot be read: {error}") from None
    return parse_points(text, path.name)


def parse_points(text: str, name: str = "points") -> Points:
    """The points of a CSV text, in the order of its lines.

    The first line names the columns x, y, z, nx, ny and nz, in any order; each line below is a
    point in metres and the way it faces, of any length but zero. Blank lines are passed over.
    Raises SceneFaultsError, one NightviewError a line with its number, or NightviewError if the
    table as a whole is wrong.
    """
    rows = _rows(text, name)
    line, head = next(rows, (0, []))
    if not line:
        raise NightviewError(name, "is empty", f"begin with a line {','.join(GIVEN)}")
    columns = _columns(head, f"{name}: line {line}")
    values, lines, faults = [], [], []
    for line, cells in rows:
        try:
            values.append(_point(cells, columns, f"{name}: line {line}"))
            lines.append(line)
        except NightviewError as fault:
            faults.append(fault)
    _tell(faults, name)
    if not values:
        raise NightviewError(name, "holds no points", "write one a line, as 1.5,-2,0,0,0,1")
    both = np.array(values)
    return Points(both[:, :3], _units(both[:, 3:]), np.array(lines))


def _rows(text: str, name: str) -> Iterator[tuple[int, list[str]]]:
    """Each row that is not blank, and the line it begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, skipinitialspace=True)
    line = 1
    try:
        for cells in reader:
            cells = [cell.strip() for cell in cells]
            if any(cells):
                yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        remedy = "check its quotes; numbers need none"
        raise NightviewError(f"{name}: line {line}", f"is no CSV: {error}", remedy) from None


def _columns(head: Sequence[str], place: str) -> list[int]:
    """Where each of the given columns stands in a header."""
    write = f"write the header {','.join(GIVEN)}"
    names = [cell.lower() for cell in head]
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        raise NightviewError(place, "its columns are not separated by commas", write)
    if all(_number(cell) is not None for cell in names):
        raise NightviewError(place, "numbers came, the names of the columns were expected", write)
    for number, cell in enumerate(names):
        if cell not in GIVEN:
            remedy = choice(cell, GIVEN, "there are")
            raise NightviewError(place, f"{shown(head[number])} is no column of points", remedy)
        if cell in names[:number]:
            raise NightviewError(place, f"column {shown(cell)} comes twice", write)
    missing = [column for column in GIVEN if column not in names]
    if missing:
        raise NightviewError(place, f"there is no column {', '.join(map(shown, missing))}", write)
    return [names.index(column) for column in GIVEN]


def _point(cells: Sequence[str], columns: Sequence[int], place: str) -> list[float]:
    """A row's six numbers in the order of GIVEN."""
    if len(cells) != len(GIVEN):
        problem = f"has {len(cells)} value{'s' * (len(cells) != 1)}, not {len(GIVEN)}"
        raise NightviewError(place, problem, f"write {','.join(GIVEN)}, with decimal points")
    found = []
    for name, column in zip(GIVEN, columns, strict=True):
        value, cell = _number(cells[column]), cells[column]
        if value is None:
            came = f"{shown(cell)} is no number" if cell else "is missing"
            unit = "metres, without the unit" if name in "xyz" else "a plain number"
            raise NightviewError(f"{place}: {name}", came, f"write {unit}, as 1.25")
        found.append(value)
    if not any(found[3:]):
        remedy = "say which way the meter faces: up is 0,0,1"
        raise NightviewError(f"{place}: nx, ny, nz", "the normal is zero", remedy)
    return found


def _number(text: str) -> float | None:
    """A finite number as a spreadsheet writes it, else None."""
    try:
        value = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _units(ways: Array) -> Array:
    """Vectors (n, 3), none of them zero, at unit length, be they ever so long or short."""
    ways = ways / np.abs(ways).max(axis=1, keepdims=True)
    return ways / np.linalg.norm(ways, axis=1, keepdims=True)


def _tell(faults: Sequence[NightviewError], name: str) -> None:
    """Raise what is wrong, if anything is: the first faults, and how many more there are."""
    if not faults:
        return
    told, more = list(faults[:TOLD_AT_MOST]), len(faults) - TOLD_AT_MOST
    if more > 0:
        told.append(NightviewError(name, f"{more} more line{'s' * (more > 1)} at fault"))
    raise SceneFaultsError(told)


def header(names: Sequence[str]) -> list[str]:
    """The columns of the table of readings; a lamp called as one of ours has "lamp" after it."""
    columns = [*GIVEN, *READ]
    for name in names:
        while name in columns:
            name += " lamp"
        columns.append(name)
    return columns


def table(readings: Readings) -> str:
    """The readings as CSV, a line a point: where and which way, direct, total, and each lamp."""
    points = readings.points
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header(readings.names))
    where = np.hstack([points.places, points.normals])
    lux = np.vstack([readings.direct, readings.total, readings.lamps]).T
    for given, read in zip(where.tolist(), lux.tolist(), strict=True):
        writer.writerow([*map(_micrometres, given), *(f"{value:.6g}" for value in read)])
    return text.getvalue()


def _micrometres(value: float) -> str:
    return f"{round(value, 6) + 0.0:.6f}".rstrip("0").rstrip(".")


def is_table(path: str | os.PathLike[str]) -> bool:
    """Whether a file is a table of readings."""
    begin = ",".join([*GIVEN, *READ]).encode()
    try:
        with open(path, "rb") as file:
            return file.read(len(begin)) == begin
    except OSError:
        return False


# --- places ---------------------------------------------------------------------------------------


def check_places(site: Site, points: Points, name: str = "points") -> None:
    """Raise SceneFaultsError, with the lines, for points at which nobody can hold a meter: off the
    site, under the ground, inside something or facing into it, or at a lamp itself."""
    found = _off(site, points)
    at_hand = replace(points, places=np.clip(points.places, -FAR_M, FAR_M))
    found |= _buried(site, at_hand) | _at_lamps(site, at_hand)
    _tell([
        NightviewError(f"{name}: line {points.lines[k]}", *found[k]) for k in sorted(found)
    ], name)  # fmt: skip


_Found = dict[int, tuple[str, str]]
"""A point's number → what is wrong with it, and what to do."""


def _off(site: Site, points: Points) -> _Found:
    """Points off the ground and away from all that stands, or under the ground."""
    scene = site.scene
    low, high = site.bounds
    others = [lamp.position for lamp in site.fixtures]
    others += [np.asarray(one.at_m) for one in scene.neighbours]
    low, high = np.min([low, *others], axis=0), np.max([high, *others], axis=0)
    margin = np.full(3, AROUND_M)
    if scene.ground is not None:
        centre, half = np.array(scene.ground.centre_m), np.array(scene.ground.size_m) / 2
        low[:2], high[:2] = np.minimum(low[:2], centre - half), np.maximum(high[:2], centre + half)
        margin[:2] = DEEP_M
    low, high = low - margin, high + margin
    found: _Found = {}
    for k, axis in np.argwhere((points.places < low) | (points.places > high))[::-1].tolist():
        value = float(points.places[k, axis])
        span = f"from {metres(float(low[axis]))} to {metres(float(high[axis]))}"
        problem = f"is off the site: {'xyz'[axis]} = {metres(value)}, and the site reaches {span}"
        found[k] = problem, "write metres, measured as in the scene"
    if scene.ground is not None:
        for k in np.flatnonzero(points.places[:, 2] < -DEEP_M).tolist():
            found[k] = f"is {metres(-float(points.places[k, 2]))} under the ground", "raise it"
        down = (points.places + AHEAD_M * points.normals)[:, 2] < -DEEP_M
        for k in np.flatnonzero(down).tolist():
            found.setdefault(k, ("faces into the ground", "turn its normal round: up is 0,0,1"))
    return found


def _buried(site: Site, points: Points) -> _Found:
    """Points inside a body, or on one and facing into it."""
    within = _bodies_at(site, points.places)
    into = _bodies_at(site, points.places + AHEAD_M * points.normals)
    found = {k: (f"faces into {shown(body)}", "turn its normal round") for k, body in into.items()}
    found |= {k: (f"is inside {shown(body)}", "move it out") for k, body in within.items()}
    return found


def _bodies_at(site: Site, places: Array) -> dict[int, str]:
    """The points inside a body by number, and whose it is; first all that may be, then for sure."""
    maybe = np.zeros(len(places), bool)
    for solid in site.solids:
        maybe |= solid.holds(places, DEEP_M)
    for patch in site.patches:
        if patch.tube is not None:
            from_foot = places - patch.origin
            up = from_foot @ patch.ev
            aside = np.linalg.norm(from_foot - up[:, None] * patch.ev, axis=1)
            radius = max(patch.tube.foot_m, patch.tube.top_m)
            maybe |= (up > 0.0) & (up < patch.size[1]) & (aside < radius)
    for mesh in site.meshes:
        if mesh.closed:
            low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
            maybe |= ((places > low) & (places < high)).all(axis=1)
    owners = {k: inside(site, places[k]) for k in np.flatnonzero(maybe).tolist()}
    return {k: owner for k, owner in owners.items() if owner}


def _at_lamps(site: Site, points: Points) -> _Found:
    """Points so near to a lamp that the light there is without bounds."""
    found: _Found = {}
    for source in sources_of(site):
        if source.kind == "lamp":
            spots = [source.near_points(position, 0.0) for position in source.positions]
            for spot in np.concatenate(spots):
                near = np.linalg.norm(points.places - spot, axis=1) < AT_LAMP_M
                for k in np.flatnonzero(near).tolist():
                    found[k] = f"is at the lamp {shown(source.name)} itself", "move it away"
    return found


# --- grids ----------------------------------------------------------------------------------------


def path_grid(site: Site, name: str, step_m: float, across: int) -> Points:
    """A grid along the middle line of a path or drive, on the ground and facing up.

    The path is cut into equal pieces no longer than a step and so many across; a point lies in
    the middle of each, so that a plain mean is the path's but for its bends. Where something
    stands on the path there is none. NightviewError for an unknown path, or more than 100 000 points.
    """
    paths = {path.name: path for path in (*site.scene.paths, *site.scene.drives)}
    if name not in paths:
        known = choice(name, paths, "there are")
        raise NightviewError("--path", f"{shown(name)} is no path or drive of this scene", known)
    path = paths[name]
    flat, _ = path_points(path, _middles(line_of(path).length, step_m, across), across)
    flat = flat[shapely.intersects_xy(strip(path), flat[:, 0], flat[:, 1])]
    places = np.column_stack([flat, np.zeros(len(flat))])
    return _open(site, places, UP, f"the path {shown(name)}")


def wall_grid(site: Site, wall: str, step_m: float) -> Points:
    """A grid on a house's wall, named "house front", facing out.

    The wall is cut into equal pieces no longer than a step each way; a point lies in the middle
    of each, where there is wall: not in an opening, nor where another body stands against it.
    NightviewError for an unknown wall, one of which nothing is open, or more than 100 000 points.
    """
    walls = {
        facade_name(block.name, side): (block, side)
        for block in site.scene.blocks
        for side in SIDES
    }
    if wall not in walls:
        known = choice(wall, walls, "there are")
        raise NightviewError("--wall", f"{shown(wall)} is no wall of this scene", known)
    block, side = walls[wall]
    foot, right, normal, width = wall_frame(block, side)
    height = max(top for _, top in wall_top(block, side))
    columns = _middles(width, step_m)
    rows = _middles(height, step_m, len(columns))
    along, up = (axis.ravel() for axis in np.meshgrid(columns, rows))
    places = foot + along[:, None] * right + up[:, None] * UP
    outlines = [
        affinity.translate(patch.outline, (patch.origin - foot) @ right, (patch.origin - foot) @ UP)
        for patch in site.patches
        if patch.owner == block.name and is_wall(patch, block, side)
    ]
    whole = shapely.union_all(outlines, grid_size=SAME_CUT_M).buffer(-EDGE_NUDGE_M)
    on_wall = shapely.intersects_xy(whole, along, up)
    return _open(site, places[on_wall], normal, f"the wall {shown(wall)}")


def _middles(length_m: float, step_m: float, times: int = 1) -> Array:
    """The middles of a length's equal pieces, none longer than a step (n,) [m]; so many times n
    points are not to be too many."""
    count = max(1.0, np.ceil(length_m / step_m - 1e-9))
    if count * times > MOST_POINTS:
        problem = f"gives {count * times:.0f} points or more, at most {MOST_POINTS} were expected"
        raise NightviewError("--step", problem, "write a longer step")
    return length_m * (np.arange(int(count)) + 0.5) / int(count)


def _open(site: Site, places: Array, normal: Array, what: str) -> Points:
    """The points of a surface (n, 3), all facing one way (3,), before which there is air."""
    normals = np.broadcast_to(normal, places.shape)
    ahead = places + AHEAD_M * normals
    free = np.ones(len(places), bool)
    free[list(_bodies_at(site, ahead))] = False
    if site.scene.ground is not None:
        free &= ahead[:, 2] > 0.0
    if not free.any():
        raise NightviewError(
            what, "nothing of it is in the open", "choose another, or a smaller step"
        )
    return Points(places[free], normals[free], np.zeros(int(free.sum()), np.intp))
