"""Lamps staked out with two tapes from two fixed corners of the house.

Where each lamp stands follows from its distances to both corners and the side of the line between
them. With A at 0 and B at c along that line (closed form of two circles):
along = (a² − b² + c²) / 2c, off = √(a² − along²).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from nightview.plan.beams import points_of
from nightview.plan.outlines import block_outline
from nightview.scene.model import Scene
from nightview.site.blocks import SIDES, wall_frame
from nightview.site.placing import Placed
from nightview.site.surface import Array

LEAST_BASE_M = 1.0
"""Corners nearer to each other than this serve badly."""
SHALLOW_DEG = 20.0
"""Tapes that meet at less than this, or at 180 less it, leave the place loose [judgement]."""
PEG_M = 5.0
"""Without a house: how far from the datum the second peg stands along the front."""
SAME_M = 0.02


@dataclass(frozen=True)
class Corner:
    """A fixed point to hold a tape at. words : where it is. at : (x, y) [m]."""

    words: str
    at: tuple[float, float]


@dataclass(frozen=True)
class Stake:
    """A lamp, or an end of a long one, on the ground.

    from_a, from_b : level distances [m]. along : from A towards B, off : at right angles to that
    line, left of it above 0 [m]. meet_deg : the angle in which the tapes meet.
    in_the_way : corners, "A" or "B", whose tape a house is in the way of.
    """

    name: str
    at: tuple[float, float]
    height_m: float
    from_a: float
    from_b: float
    along: float
    off: float
    meet_deg: float
    in_the_way: tuple[str, ...]

    @property
    def shallow(self) -> bool:
        """Whether the two tapes fix the place badly."""
        return not SHALLOW_DEG <= self.meet_deg <= 180.0 - SHALLOW_DEG


@dataclass(frozen=True)
class StakeOut:
    """Two corners, and all lamps from them. base_m : between the corners, to check the tape by."""

    a: Corner
    b: Corner
    base_m: float
    stakes: tuple[Stake, ...]


def stake_out(scene: Scene, lamps: tuple[Placed, ...]) -> StakeOut:
    """Every lamp from the two corners that serve best.

    Of all pairs that with the fewest lamps whose tapes run through a house or meet at a slant, then
    that which fixes the places best. Without a house: from pegs at the datum and 5 m along x from it.
    """
    houses = shapely.union_all([block_outline(block) for block in scene.blocks])
    spots = [(name, place) for lamp in lamps for name, place in _spots(lamp)]
    corners = corners_of(scene, houses)
    pairs = [
        pair for pair in itertools.combinations(corners, 2)
        if _between(pair[0].at, pair[1].at) >= LEAST_BASE_M
    ]  # fmt: skip
    if not pairs:
        pegs = Corner("a peg at the datum", (0.0, 0.0)), Corner("a peg along x", (PEG_M, 0.0))
        pairs = [pegs]
    inner = houses.buffer(-SAME_M)
    ways = {corner: _blocked(corner, spots, inner) for pair in pairs for corner in pair}

    def cost(pair: tuple[Corner, Corner]) -> tuple[int, float]:
        a, b = pair
        base = _between(a.at, b.at)
        met = np.array(
            [_meet_deg(_between(at[:2], a.at), _between(at[:2], b.at), base) for _, at in spots]
        )
        poor = (met < SHALLOW_DEG) | (met > 180.0 - SHALLOW_DEG) | ways[a] | ways[b]
        # The line that along and off are measured from counts for all.
        across = shapely.intersects(shapely.LineString([a.at, b.at]), inner)
        slack = 1.0 / np.maximum(np.sin(np.radians(met)), 1e-3)  # of the place for one of a tape
        return int(poor.sum()) + across * len(spots), round(float(slack.sum()), 3)

    a, b = min(pairs, key=cost)
    base = _between(a.at, b.at)
    stakes = tuple(
        _stake(name, place, a, b, base, bool(ways[a][k]), bool(ways[b][k]))
        for k, (name, place) in enumerate(spots)
    )
    return StakeOut(a, b, base, stakes)


def corners_of(scene: Scene, houses: shapely.Geometry) -> list[Corner]:
    """The corners of our own blocks that are corners of the whole house too, each once."""
    outline = shapely.boundary(houses)
    found: list[Corner] = []
    for block in scene.blocks:
        if block.name in scene.check.neighbours:
            continue
        for side in SIDES:
            foot, _, _, _ = wall_frame(block, side)
            at = (float(foot[0]), float(foot[1]))
            if shapely.distance(outline, shapely.Point(at)) > SAME_M:
                continue  # inside another block
            if any(_between(at, other.at) < SAME_M for other in found):
                continue
            found.append(Corner(f"left corner of {block.name} {side}, seen from outside", at))
    return found


def _spots(lamp: Placed) -> list[tuple[str, Array]]:
    """The lamp's place, or both ends of a long one."""
    if lamp.lamp.length_m <= 0.0:
        return [(lamp.id, lamp.position)]
    ends = points_of(lamp)[[0, -1]]
    return [(f"{lamp.id}, one end", ends[0]), (f"{lamp.id}, other end", ends[1])]


def _between(a: ArrayLike, b: ArrayLike) -> float:
    """Level distance of two places (2,) [m]."""
    return float(np.hypot(*np.subtract(a, b)))


def _blocked(
    corner: Corner, spots: list[tuple[str, Array]], houses: shapely.Geometry
) -> NDArray[np.bool_]:
    lines = [shapely.LineString([corner.at, tuple(place[:2])]) for _, place in spots]
    return np.asarray(shapely.intersects(np.array(lines, object), houses), bool)


def _meet_deg(a: float, b: float, base: float) -> float:
    """The angle at the lamp between its tapes, by the law of cosines [deg]."""
    if min(a, b) < 1e-9:
        return 0.0
    cosine = (a * a + b * b - base * base) / (2 * a * b)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def _stake(
    name: str, place: Array, a: Corner, b: Corner, base: float, a_blocked: bool, b_blocked: bool
) -> Stake:
    at = np.asarray(place[:2], float)
    way = np.subtract(b.at, a.at) / base
    aside = at - a.at
    from_a, from_b = _between(at, a.at), _between(at, b.at)
    return Stake(
        name, (float(at[0]), float(at[1])), float(place[2]), from_a, from_b, float(aside @ way),
        float(way[0] * aside[1] - way[1] * aside[0]), _meet_deg(from_a, from_b, base),
        ("A",) * a_blocked + ("B",) * b_blocked,
    )  # fmt: skip
