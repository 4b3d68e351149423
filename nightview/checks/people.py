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
from numpy.typing import NDArray

from nightview.checks.areas import line_of, walked
from nightview.checks.job import Job
from nightview.checks.probe import Parts
from nightview.checks.result import Result
from nightview.checks.ways import ways_of
from nightview.light.cache import source_key
from nightview.light.source import Source, source_of
from nightview.light.state import LUMINOUS
from nightview.scene.model import Path, Steps
from nightview.site.build import Site
from nightview.site.placing import floor_at
from nightview.site.surface import Array

EYE_M = 1.5
"""Of someone who walks, above the ground [common practice, no single source]."""
PACE_M = 1.5
"""Between the places on a path from which one looks."""
DOWN_DEG = 1.0
"""How far below the level someone who walks looks (EN 13201-3, from memory)."""
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
    return tuple(map(source_of, site.fixtures))


def candela_toward(job: Job, spots: Spots, eyes: Array, wanted: NDArray[np.bool_]) -> Array:
    """What spots (k) send toward eyes (n, 3), by the share of each that is seen, (k, n) [cd].

    wanted : (k, n); all others are 0.
    """
    keys = [source_key("", source) for source in spots.sources]
    full, *_ = job.meter.probe.answer(
        ("candela", *keys, spots.places, eyes, wanted),
        lambda: _full_candela(job, spots, eyes, wanted),
        job.keeps,
    )
    shown = [float(job.state.weight(source) @ LUMINOUS) for source in spots.sources]
    return full * np.array(shown)[:, None]


def _full_candela(job: Job, spots: Spots, eyes: Array, wanted: NDArray[np.bool_]) -> Parts:
    """The same of lamps at full power."""
    from nightview.light.direct import light_on_points  # slow to load, and often not needed

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
        found[k, which] = lux * away**2
        which = which[found[k, which] > 0]
        starts.append(np.repeat(eyes[which], LENS_POINTS, axis=0))
        ends.append(np.tile(source.lens_points(spots.places[k], LENS_POINTS), (len(which), 1)))
    if starts:
        clear = ~job.meter.probe.tracer.blocked(
            np.concatenate(starts).astype(np.float32), np.concatenate(ends).astype(np.float32)
        )
        found[found > 0] *= clear.reshape(-1, LENS_POINTS).mean(axis=1)  # row after row, as sent
    return (found,)


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
    walking = [eyes_along(job, path) for path in ways_of(job)]
    free = [
        Eyes(eyes.where[::2], eyes.places[::2], np.zeros_like(eyes.gaze[::2])) for eyes in walking
    ]
    return _all([*free, *(eyes_on_steps(steps, up=True) for steps in job.scene.steps)])


def eyes_along(job: Job, path: Path) -> Eyes:
    """The eyes of those who walk a path and look along it, at each place first one way, then the
    other."""
    length = line_of(path).length
    middle, way = walked(path, np.arange(min(PACE_M, length) / 2, length, PACE_M))
    height = [floor_at(job.scene, x, y) + EYE_M for x, y in middle.tolist()]
    level, down = np.cos(np.radians(DOWN_DEG)), np.sin(np.radians(DOWN_DEG))
    there, back = (
        np.column_stack([sign * level * way, np.full(len(way), -down)]) for sign in (1.0, -1.0)
    )
    places = np.repeat(np.column_stack([middle, height]), 2, axis=0)
    gaze = np.stack([there, back], axis=1).reshape(-1, 3)
    return Eyes((f"walking on {path.name}",) * len(places), places, gaze)


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
        np.concatenate([group.places for group in eyes] or [np.zeros((0, 3))]),
        np.concatenate([group.gaze for group in eyes] or [np.zeros((0, 3))]),
    )


# --- what is found --------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Veils:
    """What each spot does to each eye, (k, n) each: how far away it is [m], how far off the line of
    sight [deg], and the veil that it lays over what is looked at [cd/m²]."""

    eyes: Eyes
    spots: Spots
    away: Array
    angle: Array
    veil: Array


def _veils(job: Job, eyes: Eyes) -> _Veils:
    spots = spots_of(job)
    away, _, cosine = _offsets(spots, eyes)
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    candela = candela_toward(job, spots, eyes.places, angle <= VEIL_TO_DEG)
    veil = veil_cd_m2(candela * cosine / away**2, angle, job.brief.age)
    return _Veils(eyes, spots, away, angle, veil)


def dazzle(job: Job) -> Iterator[Result]:
    """Veil and threshold increment of each view."""
    veils = _veils(job, eyes_of_views(job))
    if not job.scene.views:
        yield Result("dazzle", "views", None, job.limits["threshold_increment"], "",
                     reason="the scene has no view to look from")  # fmt: skip
    for n, view in enumerate(job.scene.views):
        plain = f'A lamp dazzles those who look from "{view.name}".'
        yield _dazzled(job, view.name, plain, veils, slice(n, n + 1))


def dazzle_on_ways(job: Job) -> Iterator[Result]:
    """The same of those who walk each path or drive, either way, where it is worst: they look along it
    and a degree down, the line of sight of road lighting (EN 13201-3, from memory)."""
    ways = [(path, eyes_along(job, path)) for path in ways_of(job)]
    veils, start = _veils(job, _all([eyes for _, eyes in ways])), 0
    for path, eyes in ways:
        which = slice(start, start + len(eyes.where))
        start = which.stop
        plain = f"A lamp dazzles those who walk on the {path.name}."
        yield _dazzled(job, f"walking on {path.name}", plain, veils, which)


def _dazzled(job: Job, place: str, plain: str, veils: _Veils, which: slice) -> Result:
    """What is told of some of the eyes: of the one that is dazzled most."""
    limit, brief, spots = job.limits["threshold_increment"], job.brief, veils.spots
    adapted = ADAPTED_CD_M2[brief.zone]
    n = which.start + int(veils.veil[:, which].sum(axis=0).argmax())
    each = veils.veil[:, n]
    total = float(each.sum())
    value = threshold_increment(total, adapted)
    said = (
        f"veil {total:.2g} cd/m² for eyes of {brief.age} years, {value:.2g} % at {adapted:g} cd/m²"
    )
    if total <= 0:
        return Result("dazzle", place, value, limit, said, plain)
    by_lamp = np.bincount(spots.lamp, each, len(spots.names))
    lamps = tuple(spots.names[k] for k in np.argsort(-by_lamp) if by_lamp[k] > 0.1 * total)
    k = int(each.argmax())
    said += (
        f"; most by {spots.names[spots.lamp[k]]}, {veils.angle[k, n]:.1f} deg off the line of sight, "
        f"{veils.away[k, n]:.1f} m away"
    )
    if which.stop - which.start > 1:
        x, y, _ = veils.eyes.places[n]
        said += f", from ({x:.1f}, {y:.1f}) m"
    return Result("dazzle", place, value, limit, said, plain, _place(spots.places[k]), lamps)


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


PEOPLE_CHECKS = (dazzle, dazzle_on_ways, bright_lamps, going_down)
