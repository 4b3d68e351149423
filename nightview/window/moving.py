"""Where a lamp goes that is dragged in the picture: along the ground, its wall or its path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nightview.scene.model import Fixture, Scene
from nightview.site.blocks import SIDES, wall_frame
from nightview.site.ground import centre_line
from nightview.site.placing import Placed, floor_at
from nightview.site.surface import Array

Wall = tuple[Array, Array]
"""A point of a wall and its normal, (3,) each."""

FARTHEST_M = 80.0
BEFORE_M = 0.3
"""A free lamp stands so far before a wall that is pointed at."""
LEAST_OUT_M = 0.05
ON_WALL_M = 0.35
HUNG_M = 0.8
"""A lamp so high above its floor and so near a wall is fixed to that wall."""


@dataclass(frozen=True, eq=False)
class Grip:
    """A lamp taken hold of. place : (3,) where, the lens [m]; ray : through it, from the eye."""

    scene: Scene
    fixture: Fixture
    lamp: Placed

    def dragged(
        self, eye: Array, way: Array, upright: bool = False, wall_at: Wall | None = None
    ) -> dict[str, Any] | None:
        """The fixture's keys with the lamp where a ray from the eye (3,) along a unit way (3,) leads;
        None where it leads nowhere.

        upright : up and down instead. wall_at : the point of a house's wall that the ray meets first,
        and the normal there: a lamp placed by its wall slides along it, its setback kept; any other
        comes to stand before it. A row moves as a whole.
        """
        here, wall = self.lamp.position, self._own_wall()
        if upright:
            level = np.array([way[0], way[1], 0.0])
            point = _meets(eye, way, here, level / max(float(np.linalg.norm(level)), 1e-9))
            if point is not None:
                point = np.array([here[0], here[1], point[2]])
        elif wall is not None:
            point = _meets(eye, way, here, wall)
        else:
            point = _meets(eye, way, here, np.array([0.0, 0.0, 1.0]))
            if wall_at is not None and _nearer(eye, wall_at[0], point):
                point = self._before(*wall_at)
        if point is None or np.linalg.norm(point - eye) > FARTHEST_M:
            return None
        if not upright and wall is None:
            over = here[2] - floor_at(self.scene, here[0], here[1])
            point[2] = floor_at(self.scene, point[0], point[1]) + over
        return keys_at(self.scene, self.fixture, self.lamp, point)

    def _before(self, met: Array, normal: Array) -> Array:
        """Where the lamp goes when a wall is pointed at."""
        here = self.lamp.position
        if self.fixture.block is not None:
            block = next(item for item in self.scene.blocks if item.name == self.fixture.block)
            right = wall_frame(block, self.fixture.side)[1]
            return here + float((met - here) @ right) * right
        return met + BEFORE_M * normal

    def _own_wall(self) -> Array | None:
        """The normal (3,) of the wall that the lamp is fixed to; None if it stands or hangs free."""
        here = self.lamp.position
        if here[2] - floor_at(self.scene, here[0], here[1]) < HUNG_M:
            return None
        for block in self.scene.blocks:
            for side in SIDES:
                foot, right, normal, width = wall_frame(block, side)
                out, along = float((here - foot) @ normal), float((here - foot) @ right)
                near = 0.0 <= out <= ON_WALL_M and -0.1 <= along <= width + 0.1
                if near and self.fixture.block in (None, block.name):
                    return normal
        return None


def _nearer(eye: Array, one: Array, other: Array | None) -> bool:
    return other is None or float(np.linalg.norm(one - eye)) < float(np.linalg.norm(other - eye))


def _meets(eye: Array, way: Array, point: Array, normal: Array) -> Array | None:
    """Where a ray meets the plane through a point, ahead of the eye."""
    toward = float(way @ normal)
    if abs(toward) < 1e-6:
        return None
    far = float((point - eye) @ normal) / toward
    return eye + far * way if far > 0.1 else None


def keys_at(scene: Scene, fixture: Fixture, lamp: Placed, point: Array) -> dict[str, Any]:
    """The keys that bring a lamp to a point (3,), its row with it."""
    move = point - lamp.position
    if fixture.at_m is not None:
        found: dict[str, Any] = {"at_m": _round(np.asarray(fixture.at_m) + move)}
        if fixture.to_m is not None:
            found["to_m"] = _round(np.asarray(fixture.to_m) + move)
        return found
    if fixture.block is not None:
        block = next(item for item in scene.blocks if item.name == fixture.block)
        _, right, normal, _ = wall_frame(block, fixture.side)
        assert fixture.along_m is not None and fixture.out_m is not None
        found = {
            "along_m": round(fixture.along_m + float(move @ right), 2),
            "out_m": round(max(LEAST_OUT_M, fixture.out_m + float(move @ normal)), 2),
        }
        floors = [floor_at(scene, p[0], p[1]) for p in (point, lamp.position)]
        lift = float(move[2]) - (floors[0] - floors[1])
        if abs(lift) > 5e-3:
            found["height_m"] = round(float(lamp.position[2] - floors[1]) + lift, 2)
        return found
    path = next(item for item in (*scene.paths, *scene.drives) if item.name == fixture.path)
    line = centre_line(path)
    along = _along(line, point) - _along(line, lamp.position)
    found = {"start_m": max(0.0, round((fixture.start_m or 0.0) + along, 2))}
    aside = abs(_aside(line, point)) - abs(_aside(line, lamp.position))
    found["verge_m"] = max(0.0, round(fixture.verge_m + aside, 2))
    if abs(move[2]) > 5e-3:
        floor = floor_at(scene, point[0], point[1])
        found["height_m"] = max(0.01, round(float(point[2]) - floor, 2))
    return found


def _nearest(line: Array, point: Array) -> tuple[int, float, float]:
    """The piece of a line nearest to a point, how far along it that is, and how far away [m]."""
    way = np.diff(line, axis=0)
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-9)
    share = np.einsum("ij,ij->i", point[:2] - line[:-1], way) / length**2
    share = np.clip(share, 0.0, 1.0)
    foot = line[:-1] + share[:, None] * way
    away = np.linalg.norm(point[:2] - foot, axis=1)
    i = int(away.argmin())
    return i, float(share[i] * length[i]), float(away[i])


def _along(line: Array, point: Array) -> float:
    i, within, _ = _nearest(line, point)
    return float(np.linalg.norm(np.diff(line[: i + 1], axis=0), axis=1).sum()) + within


def _aside(line: Array, point: Array) -> float:
    return _nearest(line, point)[2]


def _round(point: Array) -> tuple[float, ...]:
    return tuple(round(float(x), 2) for x in point)
