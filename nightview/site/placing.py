"""Where each lamp stands and which way it points: rows and paths written out one by one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import shapely

from nightview.errors import NightviewError, within
from nightview.lamps.catalogue import ResolvedLamp, lamp_of
from nightview.scene.model import Fixture, Path, Scene
from nightview.site.blocks import wall_frame
from nightview.site.ground import centre_line, outline_of
from nightview.site.surface import Array, unit

HEIGHT_M = {"spike": 0.15, "hat": 0.5, "flush": 0.01, "sconce": 1.9, "hung": 2.4, "none": 0.15}
"""Height of the lens where none is given, by the lamp's body [common practice, no single source]."""


@dataclass(frozen=True, eq=False)
class Placed:
    """One lamp in its place.

    lamp : as it shines installed that way, with its file's tilt factor.
    position : (3,) float. Lens centre [m]. axis : (3,) unit, the aim.
    reference : (3,) unit, square to the axis: φ = 0 of its distribution. A linear lamp lies along
        the axis × reference, half of it to each side of its position.
    """

    id: str
    lamp: ResolvedLamp
    zone: str
    position: Array
    axis: Array
    reference: Array
    cct_k: float
    dim: float
    on: bool


class _Spot(NamedTuple):
    """A lamp's place (3,), the level way from it towards the wall or path it serves, and the way
    that wall, path or row runs (each (3,) unit, or None)."""

    position: Array
    inward: Array | None
    along: Array | None


def place_fixtures(scene: Scene, targets: dict[str, Array]) -> tuple[Placed, ...]:
    """Every fixture of the scene, rows expanded: ids become "id-1", "id-2" and so on."""
    placed: list[Placed] = []
    for fixture in scene.fixtures:
        with within(f'fixture "{fixture.id}"'):
            lamp = lamp_of(scene, fixture.lamp)
        spots = _spots(fixture, scene, lamp)
        for name, spot in zip(fixture.lamp_ids, spots, strict=True):
            beside = spot.position - spots[0].position
            axis = _axis(fixture, lamp, spot, beside, targets, scene.site.north_deg)
            reference = _reference(axis, fixture.roll_deg, spot, lamp.length_m > 0.0)
            held = lamp.installed(axis, reference)
            if fixture.shield_deg is not None:
                held = held.shielded(fixture.shield_deg)
            placed.append(
                Placed(name, held, fixture.zone, spot.position, axis, reference,
                       fixture.cct_k or lamp.cct_k, fixture.dim, fixture.on)
            )  # fmt: skip
    return tuple(placed)


def _spots(fixture: Fixture, scene: Scene, lamp: ResolvedLamp) -> list[_Spot]:
    height = fixture.height_m if fixture.height_m is not None else HEIGHT_M[lamp.body]
    step = fixture.spacing_m or 0.0
    if fixture.at_m is not None:
        first = np.asarray(fixture.at_m, float)
        if fixture.to_m is None:
            right = np.array([1.0, 0.0, 0.0])
            return [_Spot(first + k * step * right, None, None) for k in range(fixture.count)]
        row = np.asarray(fixture.to_m, float) - first
        shares = np.linspace(0.0, 1.0, fixture.count)
        return [_Spot(first + share * row, None, unit(row)) for share in shares]
    if fixture.block is not None:
        block = next(item for item in scene.blocks if item.name == fixture.block)
        foot, right, normal, _ = wall_frame(block, fixture.side)
        assert fixture.along_m is not None and fixture.out_m is not None
        first = foot + fixture.along_m * right + fixture.out_m * normal
        level = [first + k * step * right for k in range(fixture.count)]
        return [_Spot(_stood(scene, place, height), -normal, right) for place in level]
    path = next(item for item in (*scene.paths, *scene.drives) if item.name == fixture.path)
    return [
        spot._replace(position=_stood(scene, spot.position, height))
        for spot in _along_path(fixture, path)
    ]


def _stood(scene: Scene, place: Array, height_m: float) -> Array:
    """The point so far above what a lamp there would stand on."""
    return np.array([place[0], place[1], floor_at(scene, place[0], place[1]) + height_m])


def floor_at(scene: Scene, x: float, y: float) -> float:
    """The height of the raised terrace or porch floor at a place, or 0, the ground [m].

    Steps are not looked at: a lamp beside them, or in them, is placed by a point.
    """
    place = shapely.Point(x, y)
    floor = 0.0
    for terrace in scene.terraces:
        if terrace.height_m > floor and shapely.dwithin(outline_of(terrace), place, 1e-6):
            floor = terrace.height_m
    blocks = {block.name: block for block in scene.blocks}
    for porch in scene.porches:
        foot, right, normal, _ = wall_frame(blocks[porch.block], porch.side)
        aside = np.array([x, y, 0.0]) - (foot + porch.along_m * right)
        along, out = float(aside @ right), float(aside @ normal)
        width, depth = porch.size_m
        if porch.floor_m > floor and abs(along) <= width / 2 and 0.0 <= out <= depth:
            floor = porch.floor_m
    return floor


def _along_path(fixture: Fixture, path: Path) -> list[_Spot]:
    """Places beside a path, at no height yet."""
    line = centre_line(path)
    lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(lengths)])
    spots: list[_Spot] = []
    for k in range(fixture.count):
        s = (fixture.start_m or 0.0) + k * (fixture.spacing_m or 0.0)
        if s > run[-1] + 1e-6:
            raise NightviewError(
                f'fixture "{fixture.id}"', f"lamp {k + 1} would stand {s:.2f} m along path "
                f'"{path.name}", which is {run[-1]:.2f} m long', "lower count, spacing or start",
            )  # fmt: skip
        i = min(int(np.searchsorted(run, s, side="right")) - 1, len(lengths) - 1)
        way = (line[i + 1] - line[i]) / lengths[i]
        middle = line[i] + (s - run[i]) * way
        left = np.array([-way[1], way[0]])
        sides = {
            "left": [1],
            "right": [-1],
            "both": [1, -1],
            "staggered": [1 if k % 2 == 0 else -1],
        }
        for side in sides[fixture.verge]:
            spot = middle + side * (path.width_m / 2 + fixture.verge_m) * left
            spots.append(
                _Spot(
                    np.array([*spot, 0.0]), np.array([*(-side * left), 0.0]), np.array([*way, 0.0])
                )
            )
    return spots


def _axis(
    fixture: Fixture, lamp: ResolvedLamp, spot: _Spot, beside: Array,
    targets: dict[str, Array], north_deg: float,
) -> Array:  # fmt: skip
    position, inward, _ = spot
    where = f'fixture "{fixture.id}"'
    if fixture.aim_m is not None or fixture.aim_at is not None:
        if fixture.aim_m is not None:
            # A row is aimed as its first lamp is, side by side.
            target = np.asarray(fixture.aim_m, float) + beside
        else:
            if fixture.aim_at not in targets:
                raise NightviewError(f"{where}: aim_at", f'nothing is called "{fixture.aim_at}"',
                                     f"write one of: {', '.join(sorted(targets)) or 'a point in aim'}")  # fmt: skip
            target = targets[fixture.aim_at]
        way = target - position
        if np.linalg.norm(way) < 1e-6:
            raise NightviewError(f"{where}: aim", "the aim is where the lamp itself is",
                                 "aim at a point of the surface to be lit")  # fmt: skip
        return unit(way)
    if fixture.elevation_deg is not None or fixture.bearing_deg is not None:
        up = np.radians(fixture.elevation_deg if fixture.elevation_deg is not None else 0.0)
        if fixture.bearing_deg is not None:
            turn = np.radians(fixture.bearing_deg - north_deg)
            level = np.array([np.sin(turn), np.cos(turn), 0.0])
        else:
            level = inward if inward is not None else np.array([0.0, 1.0, 0.0])
        return unit(np.cos(up) * level + np.sin(up) * np.array([0, 0, 1.0]))
    if lamp.kind in ("hat", "omni", "linear") or lamp.body in ("hat", "hung"):
        return np.array([0.0, 0.0, -1.0])
    if inward is not None:  # as the trade aims a wall light: steeply up, a little towards the wall
        return unit(np.array([*inward[:2] * 0.27, 1.0]))
    raise NightviewError(where, "does not say which way the lamp points",
                         'write aim = "x, y, z", aim_at = "a name", or bearing and elevation')  # fmt: skip


def _reference(axis: Array, roll_deg: float, spot: _Spot, linear: bool) -> Array:
    """φ = 0: square to the aim and as upright as can be, turned by the roll.

    Aimed straight up or down no way is more upright than another: φ = 0 is then towards the wall or
    path below, and away from it above, as it comes to be for a lamp that is turned on and on. A
    linear lamp lies along its wall, path or row, and φ = 0 is square to that.
    """
    if linear and spot.along is not None and abs(spot.along @ axis) < 0.9999:
        square = unit(np.cross(spot.along, axis))
    else:
        up = np.array([0, 0, 1.0])
        if abs(axis[2]) >= 0.9999:
            up = np.array([0, 1.0, 0]) if spot.inward is None else -axis[2] * spot.inward
        square = unit(up - (up @ axis) * axis)
    roll = np.radians(roll_deg)
    return np.cos(roll) * square + np.sin(roll) * np.cross(axis, square)
