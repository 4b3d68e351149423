"""Light on ways: paths, the treads of steps, and rows of lamps that look like a runway.

A path is judged where it is meant to be lit: from the first of its lamps to the last, as road lighting
is measured between lamps of a row, since the paving may run on into the dark; how much does is told.
All light counts, the sky's too, as on a meter laid on the ground. Treads are judged whether a lamp
is meant for them or not: a step that is not seen is a fall.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from nightview.checks.areas import line_of, walked
from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.scene.model import Path
from nightview.site.placing import Placed
from nightview.site.surface import Array

BESIDE_M = 1.0
"""A hat this near to a path's edge, on the ground or in a bed, lights the path [our choice]."""
ALONE_M = 1.22
"""How far each way a single lamp is meant to light its path: half of 8 ft between path lights
[common practice, no single source]."""
PAIR_M = 0.5
"""Lamps closer together along the path than this stand at one place of it."""
DARK_LX = 0.01
"""The last digit of a light meter; the least light that a ratio is taken to."""
LEAST_PAIRS = 4


@dataclass(frozen=True, eq=False)
class Station:
    """Where a lamp serves its path: so far along the middle line and to the left of it [m]."""

    lamp: Placed
    along: float
    aside: float


def ways_of(job: Job) -> tuple[Path, ...]:
    """The paths and drives."""
    return (*job.scene.paths, *job.scene.drives)


def stations_of(job: Job, path: Path) -> list[Station]:
    """The lamps that are on and meant for a path, by their place along it."""
    line = line_of(path)
    soil = {"ground", *(bed.name for bed in job.scene.beds)}
    found = []
    for lamp in job.lit_lamps:
        meant = job.meant[lamp.id]
        if meant == path.name:
            found.append(_station(lamp, path, _ground_point(lamp)))
            continue
        stands_by = meant in soil and lamp.lamp.kind == "hat"
        if not stands_by or job.fixture_of[lamp.id].lights is not None:
            continue
        if line.distance(shapely.Point(lamp.position[:2])) < path.width_m / 2 + BESIDE_M:
            found.append(_station(lamp, path, lamp.position[:2]))
    return sorted(found, key=lambda station: station.along)


def _ground_point(lamp: Placed) -> Array:
    """Where a lamp that looks down meets the ground; of any other the place below it, (2,) [m]."""
    down = float(-lamp.axis[2])
    reach = float(lamp.position[2]) / down if down > 0.2 else 0.0
    return lamp.position[:2] + max(reach, 0.0) * lamp.axis[:2]


def _station(lamp: Placed, path: Path, point: Array) -> Station:
    along = float(line_of(path).project(shapely.Point(point)))
    (middle,), (way,) = walked(path, np.array([along]))
    off = lamp.position[:2] - middle
    return Station(lamp, along, float(way[0] * off[1] - way[1] * off[0]))


def stretch_of(alongs: Sequence[float], length: float) -> tuple[float, float]:
    """From where to where a path is meant to be lit, by its lamps' places along it [m]: between the
    outermost; about lamps that all stand at one place as far as one is meant to reach."""
    low, high = min(alongs), max(alongs)
    reach = ALONE_M if high - low < PAIR_M else 0.0
    return max(low - reach, 0.0), min(high + reach, length)


# --- paths ----------------------------------------------------------------------------------------


def paths(job: Job) -> Iterator[Result]:
    """Mean light and mean to minimum of each path, where it is meant to be lit; a drive's mean to
    minimum is a matter of taste, since what is published is for those who walk."""
    level = job.limits["path_mean"]
    for path in ways_of(job):
        even = job.limits["drive_evenness" if path in job.scene.drives else "path_evenness"]
        area = job.area("path", path.name)
        stations = stations_of(job, path)
        inside = np.zeros(0, bool)
        low = high = length = 0.0
        if area is not None and stations:
            length = float(line_of(path).length)
            low, high = stretch_of([station.along for station in stations], length)
            inside = (area.place[:, 0] >= low) & (area.place[:, 0] <= high)
        if area is None or not inside.any():
            reason = _why_not(job, path, stations)
            for name, limit in (("path light", level), ("path evenness", even)):
                yield Result(name, path.name, None, limit, "", reason=reason)
            continue
        lux = job.readings.total(area)[inside]
        points, along = area.points[inside], area.place[inside, 0]
        mean, least = float(lux.mean()), int(np.argmin(lux))
        said = f"mean {mean:.1f} lx, least {lux[least]:.2f} lx, from {low:.1f} to {high:.1f} m of {length:.1f} m"
        yield Result(
            "path light", path.name, mean, level, said,
            f"The {path.name} is too dim to walk with ease.",
            _place(points[np.argmin(np.abs(along - (low + high) / 2))]),
            tuple(station.lamp.id for station in stations),
        )  # fmt: skip
        near = sorted(stations, key=lambda station: abs(station.along - along[least]))
        value = mean / max(float(lux[least]), DARK_LX)
        yield Result(
            "path evenness", path.name, value, even,
            f"{said}; mean to least {value:.1f} to 1, least at {along[least]:.1f} m",
            f"The light on the {path.name} comes in pools, with dark between them.",
            _place(points[least]), tuple(station.lamp.id for station in near),
        )  # fmt: skip


def _why_not(job: Job, path: Path, stations: list[Station]) -> str:
    """Why the light on a path cannot be told."""
    if stations:
        return "other things cover it where its lamps stand"
    if path.name in job.meant.values():
        return "all lamps meant for it are off"
    return "no lamp is meant for it"


def runway(job: Job) -> Iterator[Result]:
    """How far the lamps along a path are from facing pairs at equal distances, % of the distance.

    Four pairs and more alone are looked at. The larger of two things counts: how unequal the
    distances are, and how far a lamp stands from facing its partner.
    """
    limit = job.limits["runway"]
    for path in ways_of(job):
        stations = stations_of(job, path)
        sides = (
            [s.along for s in stations if s.aside > 0],
            [s.along for s in stations if s.aside < 0],
        )
        few, many = (np.array(side) for side in sorted(sides, key=len))
        if len(few) < LEAST_PAIRS:
            continue
        partner = many[np.abs(many[None, :] - few[:, None]).argmin(axis=1)]
        gaps = np.diff(few)
        if gaps.mean() <= 0:
            continue
        apart = float(np.abs(few - partner).max() / gaps.mean())
        uneven = float(np.ptp(gaps) / gaps.mean())
        yield Result(
            "runway", path.name, 100.0 * max(apart, uneven), limit,
            f"{len(few)} lamps and more a side, pairs {gaps.mean():.2f} m apart; the distances differ "
            f"by {100 * uneven:.0f} %, partners are {100 * apart:.0f} % of it off each other",
            f"The lamps along the {path.name} stand like those of a runway.",
            None, tuple(station.lamp.id for station in stations),
        )  # fmt: skip


# --- steps ----------------------------------------------------------------------------------------


def treads(job: Job) -> Iterator[Result]:
    """The mean light along the front edge of each tread."""
    limit = job.limits["tread"]
    for area in job.areas("tread"):
        name = area.name
        if not job.lit_lamps:
            yield Result("tread light", name, None, limit, "", reason="no lamp is on")
            continue
        value = area.mean(job.readings.total(area))
        lamps = job.chief_lamps(area, area.weight) or tuple(
            lamp.id for lamp in job.meant_for(area.owner)
        )
        yield Result(
            "tread light", name, value, limit, f"mean {value:.1f} lx along its front edge",
            f"A tread of the {area.owner} is hard to see.", _place(area.points.mean(axis=0)), lamps,
        )  # fmt: skip


def _place(point: Array) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))


WAY_CHECKS = (paths, treads, runway)
