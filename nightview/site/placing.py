"""Where each lamp stands and which way it points: rows and paths written out one by one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightview.errors import NightviewError, within
from nightview.lamps.catalogue import ResolvedLamp, lamp_of
from nightview.scene.model import Fixture, Path, Scene
from nightview.site.blocks import wall_frame
from nightview.site.ground import centre_line
from nightview.site.surface import Array, unit

HEIGHT_M = {"spike": 0.15, "hat": 0.5, "flush": 0.01, "sconce": 1.9, "hung": 2.4, "none": 0.15}
"""Height of the lens where none is given, by the lamp's body [common practice, no single source]."""


@dataclass(frozen=True, eq=False)
class Placed:
    """One lamp in its place.

    position : (3,) float. Lens centre [m]. axis : (3,) unit, the aim.
    reference : (3,) unit, square to the axis: φ = 0 of its distribution.
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


def place_fixtures(scene: Scene, targets: dict[str, Array]) -> tuple[Placed, ...]:
    """Every fixture of the scene, rows expanded: ids become "id-1", "id-2" and so on."""
    placed: list[Placed] = []
    taken: dict[str, str] = {}  # lamp → the fixture that it belongs to
    for fixture in scene.fixtures:
        with within(f'fixture "{fixture.id}"'):
            lamp = lamp_of(scene, fixture.lamp)
        spots = _spots(fixture, scene, lamp)
        for k, (position, inward) in enumerate(spots):
            name = fixture.id if len(spots) == 1 else f"{fixture.id}-{k + 1}"
            if name in taken:
                raise NightviewError(
                    f'fixture "{fixture.id}"', f'a lamp of fixture "{taken[name]}" is called "{name}" too',
                    "give one of them another id",
                )  # fmt: skip
            taken[name] = fixture.id
            beside = position - spots[0][0]
            axis = _axis(fixture, lamp, position, beside, inward, targets, scene.site.north_deg)
            placed.append(
                Placed(name, lamp, fixture.zone, position, axis, _reference(axis, fixture.roll_deg),
                       fixture.cct_k or lamp.cct_k, fixture.dim, fixture.on)
            )  # fmt: skip
    return tuple(placed)


def _spots(fixture: Fixture, scene: Scene, lamp: ResolvedLamp) -> list[tuple[Array, Array | None]]:
    """Places, each with the direction towards the wall or path it serves (or None)."""
    height = fixture.height_m if fixture.height_m is not None else HEIGHT_M[lamp.body]
    step = fixture.spacing_m or 0.0
    if fixture.at_m is not None:
        first = np.asarray(fixture.at_m, float)
        right = np.array([1.0, 0.0, 0.0])
        return [(first + k * step * right, None) for k in range(fixture.count)]
    if fixture.block is not None:
        block = next(item for item in scene.blocks if item.name == fixture.block)
        foot, right, normal, _ = wall_frame(block, fixture.side)
        assert fixture.along_m is not None and fixture.out_m is not None
        first = foot + fixture.along_m * right + fixture.out_m * normal
        first = np.array([first[0], first[1], height])
        return [(first + k * step * right, -normal) for k in range(fixture.count)]
    path = next(item for item in (*scene.paths, *scene.drives) if item.name == fixture.path)
    return _along_path(fixture, path, height)


def _along_path(fixture: Fixture, path: Path, height: float) -> list[tuple[Array, Array | None]]:
    line = centre_line(path)
    lengths = np.linalg.norm(np.diff(line, axis=0), axis=1)
    run = np.concatenate([[0.0], np.cumsum(lengths)])
    spots: list[tuple[Array, Array | None]] = []
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
            spots.append((np.array([*spot, height]), np.array([*(-side * left), 0.0])))
    return spots


def _axis(
    fixture: Fixture, lamp: ResolvedLamp, position: Array, beside: Array, inward: Array | None,
    targets: dict[str, Array], north_deg: float,
) -> Array:  # fmt: skip
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
    if lamp.kind in ("hat", "omni") or lamp.body in ("hat", "hung"):
        return np.array([0.0, 0.0, -1.0])
    if inward is not None:  # as the trade aims a wall light: steeply up, a little towards the wall
        return unit(np.array([*inward[:2] * 0.27, 1.0]))
    raise NightviewError(where, "does not say which way the lamp points",
                         'write aim = "x, y, z", aim_at = "a name", or bearing and elevation')  # fmt: skip


def _reference(axis: Array, roll_deg: float) -> Array:
    """φ = 0: square to the aim and as upright as can be, turned by the roll."""
    up = np.array([0, 0, 1.0]) if abs(axis[2]) < 0.9999 else np.array([0, 1.0, 0])
    upright = unit(up - (up @ axis) * axis)
    roll = np.radians(roll_deg)
    return np.cos(roll) * upright + np.sin(roll) * np.cross(axis, upright)
