"""Named points of the model that one can find in a photo: corners, eaves, gables, openings, steps.

They follow from the scene's numbers alone, so that a changed dimension moves them. Left and right,
front and back of a block are as one stands before its front; of an opening or a porch, as one
stands before its wall.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from nightview.scene.model import (
    Area,
    Block,
    Chimney,
    Column,
    GardenWall,
    Opening,
    Path,
    Porch,
    Scene,
    Steps,
    Terrace,
)
from nightview.scene.rules import wall_top
from nightview.site.blocks import SIDES, frame_of, wall_frame
from nightview.site.ground import centre_line, outline_of, strip
from nightview.site.shapes import UP
from nightview.site.surface import Array

SAME_M = 1e-3

Kind = Literal["house", "detail", "ground"]


@dataclass(frozen=True, eq=False)
class Landmark:
    """One point of the model: its name, its place (3,) [m], and how to find it in a photo.

    kind : "house" for the corners of a block and its roof, by which the expected error is told;
        "detail" for openings, porches and what stands alone; "ground" for edges of paving, which
        are softer.
    """

    name: str
    place: Array
    owner: str
    what: str
    kind: Kind


def landmarks_of(scene: Scene) -> dict[str, Landmark]:
    """All landmarks of a scene by name, in the order of its tables; a place is named once a thing."""
    found: dict[str, Landmark] = {}
    taken: dict[str, list[Array]] = {}
    for landmark in _all(scene):
        own = taken.setdefault(landmark.owner, [])
        same = len(own) > 0 and bool(
            (np.abs(np.array(own) - landmark.place).max(axis=1) < SAME_M).any()
        )
        if landmark.name not in found and not same:
            found[landmark.name] = landmark
            own.append(landmark.place)
    return found


def places_of(scene: Scene, names: Collection[str]) -> dict[str, Array]:
    """The places of some landmarks (3,) [m], as far as the scene has them; those that fall together
    with others too."""
    found: dict[str, Array] = {}
    for landmark in _all(scene):
        if landmark.name in names:
            found.setdefault(landmark.name, landmark.place)
    return found


def _all(scene: Scene) -> Iterator[Landmark]:
    blocks = {block.name: block for block in scene.blocks}
    for block in scene.blocks:
        yield from _block(block)
    for opening in scene.openings:
        yield from _opening(opening, blocks[opening.block])
    for porch in scene.porches:
        yield from _porch(porch, blocks[porch.block])
    for chimney in scene.chimneys:
        yield from _chimney(chimney)
    for column in scene.columns:
        yield from _column(column)
    for steps in scene.steps:
        yield from _steps(steps)
    for wall in scene.walls:
        yield from _garden_wall(wall)
    for terrace in scene.terraces:
        yield from _terrace(terrace)
    areas: list[Area | Terrace] = [*scene.ponds, *scene.terraces]
    covers = [outline_of(area) for area in areas]
    for path in (*scene.paths, *scene.drives):  # one that runs into another ends under it
        yield from (mark for mark in _path(path) if not _under(covers, mark.place))
        covers.append(strip(path))


# --- houses ---------------------------------------------------------------------------------------


def _block(block: Block) -> Iterator[Landmark]:
    origin, ex, ey = frame_of(block)
    width, depth = block.size_m

    def point(part: str, x: float, y: float, z: float, what: str) -> Landmark:
        words = [block.name, *_words(x - width / 2, y - depth / 2), part]
        name = " ".join(word for word in words if word)
        return Landmark(name, origin + x * ex + y * ey + z * UP, block.name, what, "house")

    corners = [(x, y) for y in (0.0, depth) for x in (0.0, width)]
    for x, y in corners:
        yield point("foot", x, y, 0.0, "wall corner at its base")
    for x, y, z in _wall_tops(block, origin, ex, ey):
        peak = min(abs(x), abs(x - width)) > SAME_M or min(abs(y), abs(y - depth)) > SAME_M
        if peak:
            yield point("gable", x, y, z, "top of the gable wall, under the roof")
        else:
            yield point("wall top", x, y, z, "wall corner under the eaves")
    for part, x, y, z, what in _roof(block):
        yield point(part, x, y, z, what)


def _words(x: float, y: float) -> list[str]:
    """Where a point is about the middle: front or back, left or right."""
    words = []
    if abs(y) > SAME_M:
        words.append("front" if y < 0 else "back")
    if abs(x) > SAME_M:
        words.append("left" if x < 0 else "right")
    return words


def _wall_tops(block: Block, origin: Array, ex: Array, ey: Array) -> Iterator[tuple[float, ...]]:
    """The upper corners of the four walls in the block's frame [m]."""
    for side in SIDES:
        foot, right, _, _ = wall_frame(block, side)
        for along, high in wall_top(block, side):
            way = foot + along * right - origin
            yield float(way @ ex), float(way @ ey), high


def _roof(block: Block) -> Iterator[tuple[str, float, float, float, str]]:
    """The corners of the roof in the block's frame: part, x, y, z [m] and what it is.

    The same roof as ``blocks`` builds: its eaves hang down by the overhang, its covering lies
    above by its thickness; hip and flat roofs have level eaves.
    """
    roof, high = block.roof, block.height_m
    over, thick = roof.overhang_m, roof.thickness_m
    across = roof.ridge == "across" and roof.kind in ("gable", "shed")
    width, depth = block.size_m
    length, span = (depth, width) if across else (width, depth)
    slope = np.tan(np.radians(roof.pitch_deg)) if roof.kind != "flat" else 0.0
    ends = (-over, length + over)
    corner = "lower corner of the roof's edge"
    upper = "upper corner of the roof's edge"
    found: list[tuple[str, float, float, float, str]] = []
    if roof.kind in ("gable", "shed"):
        lift = thick * np.hypot(1.0, slope)
        eave, far = high - slope * over, (span + over)
        top = high + slope * (span / 2 if roof.kind == "gable" else far)
        for end in ends:
            if roof.kind == "gable":
                found += [("eaves", end, y, eave, corner) for y in (-over, far)]
                found += [("roof edge", end, y, eave + lift, upper) for y in (-over, far)]
                found.append(("ridge", end, span / 2, top + lift, "end of the ridge"))
            else:
                found += [("eaves", end, -over, eave, corner), ("roof edge", end, -over, eave + lift, upper),
                          ("high eaves", end, far, top, corner), ("high roof edge", end, far, top + lift, upper)]  # fmt: skip
    else:
        rims = [(x, y) for y in (-over, span + over) for x in ends]
        found += [("eaves", x, y, high, corner) for x, y in rims]
        found += [("roof edge", x, y, high + thick, upper) for x, y in rims]
        if roof.kind == "hip":
            wide, deep = length + 2 * over, span + 2 * over
            half = min(wide, deep) / 2
            peak = high + thick + slope * half
            tops = (
                [(ends[0] + half, span / 2), (ends[1] - half, span / 2)]
                if wide >= deep
                else [(length / 2, -over + half), (length / 2, span + over - half)]
            )
            found += [("ridge", x, y, peak, "end of the ridge") for x, y in tops]
    for part, x, y, z, what in found:
        if across:  # the ridge runs from front to back; a shed roof rises to the right
            x, y = (y, length - x) if roof.kind == "shed" else (width - y, x)
        yield part, x, y, float(z), what


def _opening(opening: Opening, block: Block) -> Iterator[Landmark]:
    foot, right, _, _ = wall_frame(block, opening.side)
    width, height = opening.size_m
    for k in range(opening.count):
        name = opening.name if opening.count == 1 else f"{opening.name} {k + 1}"
        middle = opening.along_m + k * (opening.spacing_m or 0.0)
        for low, z in (("lower", opening.sill_m), ("upper", opening.sill_m + height)):
            for side, x in (("left", middle - width / 2), ("right", middle + width / 2)):
                yield Landmark(
                    f"{name} {low} {side}", foot + x * right + z * UP, block.name,
                    "corner of the opening in the face of the wall", "detail",
                )  # fmt: skip


def _porch(porch: Porch, block: Block) -> Iterator[Landmark]:
    foot, right, normal, _ = wall_frame(block, porch.side)
    middle = foot - foot[2] * UP + porch.along_m * right
    width, depth = porch.size_m
    half, over, w = width / 2, 0.25, porch.post_width_m

    def point(part: str, x: float, out: float, z: float, what: str) -> Landmark:
        place = middle + x * right + out * normal + z * UP
        return Landmark(f"{porch.name} {part}", place, porch.name, what, "detail")

    sides = (("left", -half), ("right", half))
    if porch.floor_m > 0:
        for side, x in sides:
            yield point(
                f"floor {side}", x, depth, porch.floor_m, "outer corner of the floor, top edge"
            )
            yield point(
                f"floor {side} foot", x, depth, 0.0, "outer corner of the floor, at the ground"
            )
    posts = (
        np.linspace(-half + w, half - w, porch.posts) if porch.posts > 1 else np.zeros(porch.posts)
    )
    for number, x in enumerate(posts):
        for side, off in (("left", -w / 2), ("right", w / 2)) if porch.post == "square" else ():
            name = f"post {number + 1} {side}" if porch.posts > 1 else f"post {side}"
            yield point(
                f"{name} foot", x + off, depth - w / 2, porch.floor_m, "outer corner of the post"
            )
    if porch.posts:
        for side, x in sides:
            yield point(
                f"beam {side}", x, depth - w / 2, porch.height_m, "outer lower end of the beam"
            )
    low = porch.height_m + 0.22
    slope = np.tan(np.radians(porch.pitch_deg)) if porch.roof != "flat" else 0.0
    eave = low if porch.roof == "gable" else low - slope * (over + w / 2)
    for side, x in (("left", -half - 0.25), ("right", half + 0.25)):
        yield point(
            f"roof {side}", x, depth + over, eave, "outer corner of the porch roof, lower edge"
        )
    if porch.roof == "gable":
        peak = low + slope * (half + 0.25) + 0.1
        yield point("roof peak", 0.0, depth + over, peak, "top of the porch roof")


def _chimney(chimney: Chimney) -> Iterator[Landmark]:
    x, y = chimney.at_m
    w, d = (side / 2 + 0.06 for side in chimney.size_m)
    yield from _square(chimney.name, "top", x, y, w, d, chimney.top_m, "upper corner of the cap")


# --- what stands alone ----------------------------------------------------------------------------


def _square(
    name: str, part: str, x: float, y: float, w: float, d: float, z: float, what: str,
    kind: Kind = "detail",
) -> Iterator[Landmark]:  # fmt: skip
    """The four corners of a level rectangle about a middle."""
    for v, u in itertools.product((-d, d), (-w, w)):
        words = " ".join([name, *_words(u, v), part]).strip()
        yield Landmark(words, np.array([x + u, y + v, z]), name, what, kind)


def _column(column: Column) -> Iterator[Landmark]:
    half, foot = 0.6 * column.width_m, column.base_m
    for part, z in (("foot", foot), ("top", foot + column.height_m)):
        what = f"corner of the {'base' if part == 'foot' else 'cap'}"
        yield from _square(column.name, part, *column.at_m, half, half, z, what)


def _steps(steps: Steps) -> Iterator[Landmark]:
    turn = np.radians(steps.bearing_deg)
    up = np.array([np.sin(turn), np.cos(turn), 0.0])
    right = np.array([up[1], -up[0], 0.0])
    start = np.array([*steps.at_m, steps.base_m])
    last = steps.count - 1
    for side, x in (("left", -steps.width_m / 2), ("right", steps.width_m / 2)):
        for part, out, z, what in (
            ("foot", 0.0, 0.0, "end of the lowest riser, at its foot"),
            ("first edge", 0.0, steps.riser_m, "end of the lowest step's edge"),
            ("top edge", last * steps.tread_m, steps.count * steps.riser_m, "end of the top step's edge"),
        ):  # fmt: skip
            place = start + x * right + out * up + z * UP
            yield Landmark(f"{steps.name} {part} {side}", place, steps.name, what, "detail")


def _garden_wall(wall: GardenWall) -> Iterator[Landmark]:
    """The ends of a wall's line: the upper and lower corners of its outermost faces."""
    line = np.asarray(wall.line_m, float)
    half, lip = wall.thickness_m / 2, 0.03 if wall.kind == "wall" else 0.02
    for number, (end, inner) in enumerate(((line[0], line[1]), (line[-1], line[-2]))):
        out = (end - inner) / np.linalg.norm(end - inner)
        beside = np.array([-out[1], out[0]]) if number else np.array([out[1], -out[0]])
        for side, way in (("left", beside), ("right", -beside)):
            for part, reach, z in (("foot", half, 0.0), ("top", half + lip, wall.height_m)):
                place = np.array([*(end + reach * (out + way)), wall.base_m + z])
                name = f"{wall.name} {'end' if number else 'start'} {side} {part}"
                yield Landmark(
                    name, place, wall.name, f"{part} corner at the end of the wall", "detail"
                )


def _terrace(terrace: Terrace) -> Iterator[Landmark]:
    kind: Kind = "ground" if terrace.height_m <= 0 else "detail"
    ring = np.asarray(outline_of(terrace).exterior.coords)[:-1]
    low, high = ring.min(axis=0), ring.max(axis=0)
    square = terrace.outline_m is None
    heights = [("", terrace.height_m)] + ([("foot", 0.0)] if terrace.height_m > 0 else [])
    for number, (x, y) in enumerate(ring):
        about = (x, y) - (low + high) / 2
        words = _words(*about) if square else ["corner", str(number + 1)]
        for part, z in heights:
            name = " ".join([terrace.name, *words, part]).strip()
            yield Landmark(name, np.array([x, y, z]), terrace.name, "corner of the paving", kind)


def _path(path: Path) -> Iterator[Landmark]:
    """The four corners at a path's two ends, on the ground; left as one walks along its line."""
    line = centre_line(path)
    for part, end, way in (
        ("start", line[0], line[1] - line[0]),
        ("end", line[-1], line[-1] - line[-2]),
    ):
        left = np.array([-way[1], way[0]]) / np.linalg.norm(way) * path.width_m / 2
        for side, off in (("left", left), ("right", -left)):
            place = np.array([*(end + off), 0.0])
            yield Landmark(
                f"{path.name} {part} {side}", place, path.name, "corner of the paving", "ground"
            )


def _under(covers: Sequence[shapely.Geometry], place: Array) -> bool:
    """Whether a point of the ground is well within other paving."""
    spot = shapely.Point(place[:2])
    return any(shapely.contains(cover.buffer(-SAME_M), spot) for cover in covers)
