"""Figures beside the picture: lamps and watts, the hottest spot of the walls in view, findings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from nightview.checks.areas import Area, areas_of
from nightview.checks.job import Job
from nightview.checks.limits import limits_of
from nightview.checks.readings import Meter, Readings
from nightview.checks.result import Result
from nightview.checks.run import SEARCHED
from nightview.checks.walls import SEEN_CD_M2
from nightview.errors import NightviewError
from nightview.light.field import Light, LightField
from nightview.light.rays import Array32, Hits
from nightview.picture.camera import Camera
from nightview.picture.looks.sight import illuminance_of_hits
from nightview.scene.model import Scene
from nightview.scene.states import AS_DESIGNED, shown_in
from nightview.site.build import Site
from nightview.site.surface import Array
from nightview.wiring.network import wired_lamps


@dataclass(frozen=True)
class Load:
    """What a state's lamps ask of the supply.

    lamps : how many there are, on : how many of them shine. watts, va : as rated, of those that shine.
    unknown : how many of them state no power. supply_va : of all transformers, None without one.
    """

    lamps: int
    on: int
    watts: float
    va: float
    unknown: int
    supply_va: float | None


def load_of(scene: Scene, state: str) -> Load:
    """The lamps of a state and what they draw. Dimming is left out: supplies are sized at full power."""
    name = state if state in {one.name for one in scene.states} else AS_DESIGNED
    told = shown_in(scene, name)
    ids = [lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids if told[lamp].exists]
    on = {lamp for lamp in ids if told[lamp].level > 0}
    drawn = {lamp.id: lamp for lamp in wired_lamps(scene) if lamp.id in on}
    supply = [one.power_va for one in scene.transformers]
    return Load(
        len(ids), len(on), sum(lamp.power_w for lamp in drawn.values()),
        sum(lamp.power_va for lamp in drawn.values()), len(on - set(drawn)),
        sum(supply) if supply else None,
    )  # fmt: skip


@dataclass(frozen=True)
class Under:
    """What lies under a place of the picture.

    lux : None where no meter could lie: on glass, water, sky. cd_m2 : luminance as drawn, with halos.
    point : (x, y, z) [m], None for sky. name : of the thing.
    """

    lux: float | None
    cd_m2: float
    point: tuple[float, float, float] | None
    name: str


def under(light: Light, luminance: Array32, camera: Camera, x: float, y: float) -> Under:
    """The light at a place of a picture. luminance : (h, w, 3) of its frame [cd/m² RGB]."""
    tracer, site = light.field.tracer, light.field.site
    way = camera.ways(np.array([x]), np.array([y]))
    hits = tracer.first(camera.eye.astype(np.float32)[None], way)
    height, width = luminance.shape[:2]
    row, column = (min(max(int(v), 0), n - 1) for v, n in ((y, height), (x, width)))
    cd_m2 = float(luminance[row, column] @ np.array([0.2126, 0.7152, 0.0722]))
    if hits.triangle[0] < 0:
        return Under(None, cd_m2, None, "sky")
    lux = float(illuminance_of_hits(light, hits)[0])
    point = camera.eye + way[0].astype(float) * float(hits.distance[0])
    name = site.geometry.surfaces[int(tracer.surface[hits.triangle[0]])].owner
    return Under(lux if np.isfinite(lux) else None, cd_m2, _tuple(point), name)


def one_ray(field: LightField, eye: Array, way: Array) -> tuple[Hits, Array]:
    """What one ray meets first, and where, (3,) [m]."""
    ways = np.asarray(way, np.float32)[None]
    hits = field.tracer.first(np.asarray(eye, np.float32)[None], ways)
    return hits, np.asarray(eye) + float(hits.distance[0]) * np.asarray(way, float)


@dataclass(frozen=True)
class HotSpot:
    """The brightest spot of the walls in view. ratio : over the mean of the lit part of its wall."""

    wall: str
    lux: float
    ratio: float
    at: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Findings:
    """What the checks say of a state. results : those with something to tell, the gravest first."""

    results: tuple[Result, ...]
    hot_spot: HotSpot | None


LIT = 0.1
"""A wall's part with less than this share of its brightest light does not count as lit."""


class Checker:
    """Asks all checks of one state after another; what it has measured of a lamp it keeps."""

    def __init__(self) -> None:
        self._meter: Meter | None = None

    def findings(
        self, field: LightField, state: str, camera: Camera, check: Callable[[], None]
    ) -> Findings:
        """The findings of a state of a field, and the hottest spot of the walls that a camera sees."""
        site = field.site
        meter = self._meter
        if meter is None or meter.light.site.geometry is not site.geometry:
            meter = self._meter = Meter(field, areas_of(site))
        else:
            meter.traced(field)
        if len(meter.columns) > 400:
            meter.columns.clear()
        check()
        name = state if state in {one.name for one in site.scene.states} else AS_DESIGNED
        readings = meter.read(site, field.state(name))
        late = site.scene.check.curfew or name
        after = readings if late == name else meter.read(site, field.state(late))
        job = Job(site, meter, limits_of(site.scene), readings, after, (name, late))
        found: dict[tuple[str, str], Result] = {}
        for ask in SEARCHED:
            check()
            for result in ask(job):
                found.setdefault(result.key, result)
        told = sorted(
            (r for r in found.values() if r.is_finding), key=lambda r: (not r.counts, -r.rank)
        )
        return Findings(tuple(told), _hottest(field, meter, readings, camera))


def _hottest(field: LightField, meter: Meter, readings: Readings, camera: Camera) -> HotSpot | None:
    best: HotSpot | None = None
    for area in meter.areas:
        if area.kind != "facade" or not len(area):
            continue
        lux = readings.total(area)
        seen = _seen(field, camera, area, lux)
        if not len(seen):
            continue
        k = int(seen[lux[seen].argmax()])
        bright = lux[k] * area.per_lux[k] >= SEEN_CD_M2
        if bright and (best is None or lux[k] > best.lux):
            lit = lux > LIT * lux[k]
            mean = float(np.average(lux[lit], weights=area.weight[lit]))
            best = HotSpot(area.name, float(lux[k]), float(lux[k]) / mean, _tuple(area.points[k]))
    return best


def _seen(field: LightField, camera: Camera, area: Area, lux: Array) -> Array:
    """Which of the brightest twentieth of an area's points the camera sees, by number."""
    some = np.flatnonzero(lux >= np.quantile(lux, 0.95))[:400]
    points = area.points[some]
    facing = ((camera.eye - points) * area.normals[some]).sum(axis=1) > 0
    places, depth = camera.project(points)
    within = (depth > 0.1) & (places >= 0).all(axis=1)
    within &= (places[:, 0] < camera.width) & (places[:, 1] < camera.height)
    some = some[facing & within]
    eye = camera.eye.astype(np.float32)
    found: Array = some[~field.tracer.blocked(area.points[some].astype(np.float32), eye)]
    return found


def _tuple(point: Array) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))


def lamp_facts(site: Site, lamp: str) -> list[tuple[str, str]]:
    """A lamp in words: what it is, how bright, where it stands."""
    from nightview.window.edits import fixture_of

    placed = next((one for one in site.fixtures if one.id == lamp), None)
    if placed is None:
        raise NightviewError(f'lamp "{lamp}"', "is not in this scene")
    fixture, own = fixture_of(site.scene, lamp), placed.lamp
    facts = [("lamp", f"{own.name} ({own.kind})"), ("zone", fixture.zone)]
    beam = own.intensity.width_deg(0.5)
    if own.kind in ("beam", "wash", "file", "table") and np.isfinite(beam):
        facts.append(("beam", f"{beam:.0f}° at half peak"))
    facts.append(("lumens", f"{own.rated_flux_lm:.0f} lm rated, {own.flux_lm:.0f} lm in use"))
    watts = "not stated" if own.power_w is None else f"{own.power_w:g} W"
    facts.append(("power", watts))
    if fixture.out_m is not None:
        inches = fixture.out_m / 0.0254
        facts.append(("setback", f"{fixture.out_m:.2f} m ({inches:.0f} in)"))
    x, y, z = placed.position
    facts.append(("stands at", f"{x:.2f}, {y:.2f}, {z:.2f} m"))
    rise = float(np.degrees(np.arcsin(np.clip(placed.axis[2], -1, 1))))
    facts.append(
        ("aimed", f"{rise:.0f}° above level" if rise >= 0 else f"{-rise:.0f}° below level")
    )
    if len(fixture.lamp_ids) > 1:
        facts.append(("row", f"one of {len(fixture.lamp_ids)}; U takes it apart"))
    return facts
