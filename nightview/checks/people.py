"""Light in people's eyes: dazzle from each view, bright lamps beside the way, lamps on steps.

The veil over what one looks at is that of CIE 146:2002, L_v = 10·E/θ²·[1 + (age/70)⁴] for each lamp
between 1 and 30 deg off the line of sight, E on the eye square to that line; the threshold increment
is 65·L_v/L_ad^0.8 per cent (CIE 150:2017, EN 12193:2008). Lamps alone dazzle here, not lit walls nor
windows. A lamp counts by the share of its lens that the eye sees.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.checks.ways import ways_of
from nightview.light.direct import light_on_points
from nightview.light.gather import LUMINOUS
from nightview.light.source import Source, sources_of
from nightview.scene.model import Steps
from nightview.site.build import Site
from nightview.site.ground import centre_line
from nightview.site.placing import floor_at
from nightview.site.surface import Array

EYE_M = 1.5
"""Of someone who walks, above the ground [common practice, no single source]."""
PACE_M = 1.5
"""Between the places on a path from which one looks."""
NEAR_M = 6.0
"""A lamp farther from the eye than this is not looked into."""
VEIL_FROM_DEG, VEIL_TO_DEG = 1.0, 30.0
"""What the veil's formula holds for; a lamp nearer to the line of sight is taken at 1 deg."""
ADAPTED_CD_M2 = {"E1": 0.1, "E2": 1.0, "E3": 2.0, "E4": 5.0}
"""What the eye is adapted to, by zone (EN 12193:2008, table 6)."""
ABOVE, BELOW = np.sin(np.radians([50.0, -75.0]))
"""Sines of the heights between which an eye that looks level sees a lamp: the brow is in the way above
[from memory]."""
LENS_POINTS = 8


def veil_cd_m2(illuminance_lx: Array, angle_deg: Array, age: float) -> Array:
    """Veiling luminance of lights on an eye, each [cd/m²]; 0 for those beyond 30 deg.

    illuminance_lx : on the eye, square to the line of sight. angle_deg : from that line.
    """
    theta = np.maximum(angle_deg, VEIL_FROM_DEG)
    veil = 10.0 * illuminance_lx / theta**2 * (1.0 + (age / 70.0) ** 4)
    return np.where(theta <= VEIL_TO_DEG, veil, 0.0)


def threshold_increment(veil: float, adapted_cd_m2: float) -> float:
    """How much more contrast it takes to see under a veil, %; for 0.05 to 5 cd/m²."""
    return float(65.0 * veil / adapted_cd_m2**0.8)


# --- eyes and lamps -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Eyes:
    """Eyes (n, 3) [m], where each is in words, and which way it looks, (n, 3) unit; zeros where it
    may look any way."""

    where: tuple[str, ...]
    places: Array
    gaze: Array


@dataclass(frozen=True, eq=False)
class Spots:
    """The places that light comes from, of all lamps that are on: a lens, or the parts of a row of
    light.

    lamp : (k,) the number of its lamp among names. places : (k, 3) [m].
    """

    names: tuple[str, ...]
    lamp: NDArray[np.intp]
    places: Array
    sources: tuple[Source, ...]


def spots_of(job: Job) -> Spots:
    """The spots of all lamps that are on."""
    lit = {lamp.id for lamp in job.lit_lamps}
    sources = [source for source in _lamps(job.site) if source.name in lit]
    counts = [len(source.positions) for source in sources]
    return Spots(
        tuple(source.name for source in sources),
        np.repeat(np.arange(len(sources)), counts),
        np.concatenate([source.positions for source in sources] or [np.zeros((0, 3))]),
        tuple(source for source, n in zip(sources, counts, strict=True) for _ in range(n)),
    )


@lru_cache(maxsize=2)
def _lamps(site: Site) -> tuple[Source, ...]:
    return tuple(source for source in sources_of(site) if source.kind == "lamp")


def candela_toward(job: Job, spots: Spots, eyes: Array, wanted: NDArray[np.bool_]) -> Array:
    """What spots (k) send toward eyes (n, 3), by the share of each that is seen, (k, n) [cd].

    wanted : (k, n); all others are 0.
    """
    found = np.zeros(wanted.shape)
    starts, ends = [], []
    for k, source in enumerate(spots.sources):
        which = np.flatnonzero(wanted[k])
        if not len(which):
            continue
        way = spots.places[k] - eyes[which]
        away = np.maximum(np.linalg.norm(way, axis=1), 1e-6)
        facing = (way / away[:, None]).astype(np.float32)
        lux, _ = light_on_points(eyes[which].astype(np.float32), facing, source, spots.places[k])
        found[k, which] = float(job.state.weight(source) @ LUMINOUS) * lux * away**2
        which = which[found[k, which] > 0]
        starts.append(np.repeat(eyes[which], LENS_POINTS, axis=0))
        ends.append(np.tile(source.lens_points(spots.places[k], LENS_POINTS), (len(which), 1)))
    if starts:
        clear = ~job.meter.light.tracer.blocked(
            np.concatenate(starts).astype(np.float32), np.concatenate(ends).astype(np.float32)
        )
        found[found > 0] *= clear.reshape(-1, LENS_POINTS).mean(axis=1)  # row after row, as sent
    return found


def _offsets(spots: Spots, eyes: Eyes) -> tuple[Array, Array, Array]:
    """From each eye to each spot: the distance (k, n) [m], the sine of its height above the level,
    and the cosine to the gaze; 1 where the eye may look any way."""
    way = spots.places[:, None, :] - eyes.places[None, :, :]
    away = np.maximum(np.linalg.norm(way, axis=2), 1e-6)
    cosine = np.einsum("kni,ni->kn", way, eyes.gaze) / away
    free = ~eyes.gaze.any(axis=1)
    return away, way[:, :, 2] / away, np.where(free, 1.0, cosine)


def brightest_near(job: Job, spots: Spots, eyes: Eyes) -> Array:
    """What each lamp sends toward each eye within 6 m that has it in view, (lamps, n) [cd]."""
    away, height, cosine = _offsets(spots, eyes)
    wanted = (away < NEAR_M) & (height < ABOVE) & (height > BELOW) & (cosine > 0)
    found = np.zeros((len(spots.names), len(eyes.places)))
    np.add.at(found, spots.lamp, candela_toward(job, spots, eyes.places, wanted))
    return found


def eyes_of_views(job: Job) -> Eyes:
    """The eyes of all views, along their lines of sight."""
    views = job.scene.views
    places = np.array([view.eye_m for view in views], float).reshape(-1, 3)
    targets = np.array([view.target_m for view in views], float).reshape(-1, 3)
    gaze = targets - places
    gaze /= np.maximum(np.linalg.norm(gaze, axis=1), 1e-9)[:, None]
    return Eyes(tuple(f"at view {view.name}" for view in views), places, gaze)


def eyes_of_walkers(job: Job) -> Eyes:
    """The eyes of those who walk the paths and drives, either way, and who come up the steps."""
    where: list[str] = []
    places: list[tuple[float, float, float]] = []
    for path in ways_of(job):
        line = shapely.LineString(centre_line(path))
        for along in np.arange(min(PACE_M, line.length) / 2, line.length, PACE_M):
            x, y = line.interpolate(along).coords[0]
            where.append(f"walking on {path.name}")
            places.append((x, y, floor_at(job.scene, x, y) + EYE_M))
    free = Eyes(tuple(where), np.array(places).reshape(-1, 3), np.zeros((len(places), 3)))
    return _all([free, *(eyes_on_steps(steps, up=True) for steps in job.scene.steps)])


def eyes_on_steps(steps: Steps, up: bool) -> Eyes:
    """The eyes of one who goes up or down a flight: on each tread, and before the lowest."""
    turn = np.radians(steps.bearing_deg)
    rise = np.array([np.sin(turn), np.cos(turn), 0.0])
    treads = np.arange(-1 if up else 0, steps.count - (1 if up else 0))
    foot = np.array([*steps.at_m, steps.base_m + EYE_M])
    places = foot + ((treads + 0.5) * steps.tread_m)[:, None] * rise
    places[:, 2] += (treads + 1) * steps.riser_m
    where = f"coming {'up' if up else 'down'} {steps.name}"
    return Eyes((where,) * len(treads), places, np.tile(rise if up else -rise, (len(treads), 1)))


def _all(eyes: list[Eyes]) -> Eyes:
    return Eyes(
        tuple(where for group in eyes for where in group.where),
        np.concatenate([group.places for group in eyes]),
        np.concatenate([group.gaze for group in eyes]),
    )


# --- what is found --------------------------------------------------------------------------------


def dazzle(job: Job) -> Iterator[Result]:
    """Veil and threshold increment of each view."""
    limit, brief = job.limits["threshold_increment"], job.brief
    adapted = ADAPTED_CD_M2[brief.zone]
    spots, eyes = spots_of(job), eyes_of_views(job)
    if not eyes.where:
        yield Result(
            "dazzle", "views", None, limit, "", reason="the scene has no view to look from"
        )
        return
    away, _, cosine = _offsets(spots, eyes)
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    candela = candela_toward(job, spots, eyes.places, angle <= VEIL_TO_DEG)
    each = veil_cd_m2(candela * cosine / away**2, angle, brief.age)
    for n, view in enumerate(job.scene.views):
        total = float(each[:, n].sum())
        value = threshold_increment(total, adapted)
        said = f"veil {total:.2g} cd/m² for eyes of {brief.age} years, {value:.2g} % at {adapted:g} cd/m²"
        chief, at = "", None
        lamps: tuple[str, ...] = ()
        if total > 0:
            by_lamp = np.bincount(spots.lamp, each[:, n], len(spots.names))
            order = np.argsort(-by_lamp)
            lamps = tuple(spots.names[k] for k in order if by_lamp[k] > 0.1 * total)
            k = int(np.argmax(each[:, n]))
            chief, at = spots.names[spots.lamp[k]], _place(spots.places[k])
            said += f"; most by {chief}, {angle[k, n]:.1f} deg off the line of sight, {away[k, n]:.1f} m away"
        yield Result(
            "dazzle", view.name, value, limit, said,
            f'A lamp dazzles those who look from "{view.name}".', at, lamps,
        )  # fmt: skip


def bright_lamps(job: Job) -> Iterator[Result]:
    """The most that the lamps of each fixture send toward an eye within 6 m: of a view, of someone
    on a path or drive, of someone who comes up steps."""
    limit = job.limits["candela_near"]
    spots, eyes = spots_of(job), _all([eyes_of_views(job), eyes_of_walkers(job)])
    lit = set(spots.names)
    if not eyes.where:
        yield Result("bright lamp", "all", None, limit, "",
                     reason="the scene has no view, path or steps to look from")  # fmt: skip
        return
    candela = brightest_near(job, spots, eyes)
    for fixture in job.scene.fixtures:
        rows = [spots.names.index(lamp) for lamp in fixture.lamp_ids if lamp in lit]
        if not rows:
            continue
        own = candela[rows]
        most = own.max(axis=1)
        row, n = np.unravel_index(int(own.argmax()), own.shape)
        lamp = job.lamp(spots.names[rows[row]])
        value = float(own[row, n])
        away = float(np.linalg.norm(lamp.position - eyes.places[n]))
        yield Result(
            "bright lamp", fixture.id, value, limit,
            f"{lamp.id} {value:.0f} cd toward an eye {away:.1f} m away, {eyes.where[n]}" if value > 0
            else f"nothing toward an eye within {NEAR_M:g} m",
            f"One looks straight into a lamp, {eyes.where[n]}.", _place(lamp.position),
            tuple(spots.names[rows[k]] for k in np.argsort(-most) if most[k] > limit.warn) or (lamp.id,),
        )  # fmt: skip


def going_down(job: Job) -> Iterator[Result]:
    """The most that a lamp sends toward the eye of one who goes down a flight of steps."""
    limit = job.limits["stairs_down"]
    spots = spots_of(job)
    for steps in job.scene.steps:
        if not spots.names:
            yield Result("going down", steps.name, None, limit, "", reason="no lamp is on")
            continue
        eyes = eyes_on_steps(steps, up=False)
        candela = brightest_near(job, spots, eyes)
        most = candela.max(axis=1)
        k, n = np.unravel_index(int(candela.argmax()), candela.shape)
        lamp, value = job.lamp(spots.names[k]), float(candela[k, n])
        yield Result(
            "going down", steps.name, value, limit,
            f"{lamp.id} {value:.0f} cd toward the eye on tread {n + 1}" if value > 0
            else f"no lamp is seen within {NEAR_M:g} m",
            f"Going down the {steps.name} one looks into a lamp and not at the treads.",
            _place(lamp.position if value > 0 else eyes.places[-1]),
            tuple(spots.names[i] for i in np.argsort(-most) if most[i] > limit.warn)
            or ((lamp.id,) if value > 0 else ()),
        )  # fmt: skip


def _place(point: Array) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))


PEOPLE_CHECKS = (dazzle, bright_lamps, going_down)
