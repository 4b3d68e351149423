"""All that the sheets of a hand-over draw on: the scene, its lamps, their light and the wiring.

Each is worked out when it is first asked for, since a single part needs little of it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from nightview.checks.areas import Area, areas_of
from nightview.checks.job import Job
from nightview.checks.limits import limits_of
from nightview.checks.readings import Meter
from nightview.checks.targets import names_of_hits
from nightview.handover.lengths import told
from nightview.handover.stakes import StakeOut, stake_out
from nightview.light.field import LightField, trace
from nightview.plan.beams import Beams, Rays, beams
from nightview.scene.model import Fixture, Scene
from nightview.scene.states import AS_DESIGNED, label_of
from nightview.site.blocks import wall_frame
from nightview.site.build import Site, build
from nightview.site.placing import Placed
from nightview.wiring.faults import Checked, check
from nightview.wiring.network import WiredLamp, network_of, wired_lamps
from nightview.wiring.report import Report, report_of

Progress = Callable[[int, int, str], None]
TENTH = 0.1
SEEN_KINDS = ("facade", "door", "path", "tread", "column", "crown")
"""Areas that a lamp may be meant for."""
BESIDE_M = 4.0
"""A lamp that stands by itself is told by what it stands beside, if that is so near."""
BODY_WORDS = {
    "spike": "on a stake", "hat": "on a stem, under a hat", "flush": "flush in the ground or paving",
    "sconce": "on a wall", "hung": "hung from above", "none": "hidden strip or bracket",
}  # fmt: skip


@dataclass(frozen=True)
class Aim:
    """Where a lamp points.

    target : what it is meant for, or where that is no wall, path or plant, what it lights most; "" for
    nothing. met : what its axis meets first. at : (x, y, z) where its axis meets it [m], or
    None where the axis runs past everything. distance_m : to there. peak : where on the target its
    light is brightest, (x, y, z) [m]; peak_lx its light there. fades_m : on a wall or in a crown,
    the height above the ground where its light has fallen to a tenth. judge : the view from which
    the target is seen best, "" for none.
    """

    target: str
    met: str
    at: tuple[float, float, float] | None
    distance_m: float | None
    peak: tuple[float, float, float] | None
    peak_lx: float
    kind: str
    fades_m: float | None
    judge: str


@dataclass(frozen=True, eq=False)
class Facts:
    """A scene in one of its states. feet : lengths in feet and inches."""

    scene: Scene
    state: str = AS_DESIGNED
    feet: bool = False
    progress: Progress = field(default=lambda *_: None, repr=False)

    @property
    def title(self) -> str:
        """Of the job, with the state's label where one is named."""
        if self.state == AS_DESIGNED:
            return self.scene.title
        return f"{self.scene.title} · {label_of(self.scene, self.state)}"

    @cached_property
    def built(self) -> Site:
        """The site with the lamps of all options."""
        return build(self.scene)

    @cached_property
    def site(self) -> Site:
        """The site with the lamps that exist in the state."""
        return self.built.present(self.state)

    @property
    def lamps(self) -> tuple[Placed, ...]:
        """Those that exist in the state."""
        return self.site.fixtures

    @cached_property
    def fixture_of(self) -> dict[str, Fixture]:
        """Lamp id → its table."""
        return {lamp: fixture for fixture in self.scene.fixtures for lamp in fixture.lamp_ids}

    @cached_property
    def stakes(self) -> StakeOut:
        """All lamps from two corners of the house."""
        return stake_out(self.scene, self.lamps)

    @cached_property
    def rays(self) -> Rays:
        """For the plan."""
        return Rays.of(self.site)

    @cached_property
    def beams(self) -> list[Beams]:
        """Of the lamps, in their order."""
        return list(beams(self.rays))

    @cached_property
    def light(self) -> LightField:
        """The traced light of all lamps."""
        return trace(self.built, self.progress)

    @cached_property
    def job(self) -> Job:
        """For the light at the points of walls, paths and crowns."""
        meter = Meter(self.light, areas_of(self.built))
        late = self.scene.check.curfew or self.state
        readings = meter.read(self.built, self.light.state(self.state))
        after = readings
        if late != self.state:
            after = meter.read(self.built, self.light.state(late))
        names = (self.state, late)
        return Job(self.built, meter, limits_of(self.scene), readings, after, names)

    @cached_property
    def wired_lamps(self) -> dict[str, WiredLamp]:
        """Those that state a power, by id."""
        return {lamp.id: lamp for lamp in wired_lamps(self.scene)}

    @cached_property
    def checked(self) -> Checked | None:
        """The wiring, solved; None for a scene without cables."""
        return check(network_of(self.scene)) if self.scene.cables else None

    @cached_property
    def wiring(self) -> Report | None:
        """The wiring's figures; None for a scene without cables."""
        return None if self.checked is None else report_of(self.scene, self.checked)

    def length(self, metres: float) -> str:
        """A length with its unit."""
        return told(metres, self.feet)

    # --- lamps

    def place_words(self, lamp: Placed) -> str:
        """Where a lamp stands, in words."""
        fixture = self.fixture_of[lamp.id]
        if fixture.block is not None:
            block = next(one for one in self.scene.blocks if one.name == fixture.block)
            foot, right, normal, _ = wall_frame(block, fixture.side)
            aside = lamp.position - foot
            return (
                f"before {block.name} {fixture.side}, {self.length(float(aside @ right))} from its "
                f"left end, {self.length(float(aside @ normal))} out"
            )
        if fixture.path is not None:
            verge = self.length(fixture.verge_m)
            return f"beside {fixture.path}, {verge} from its edge"
        scene = self.scene
        named = (
            scene.trees,
            scene.shrubs,
            scene.columns,
            scene.steps,
            scene.openings,
            scene.meshes,
        )
        targets = self.built.geometry.targets
        near = [
            (float(np.hypot(*(targets[one.name][:2] - lamp.position[:2]))), one.name)
            for tables in named for one in tables if one.name in targets
        ]  # fmt: skip
        away, name = min(near, default=(np.inf, ""))
        if away > BESIDE_M:
            return "free-standing: see the plan"
        return f"{self.length(away)} from the middle of {name}"

    @cached_property
    def aims(self) -> dict[str, Aim]:
        """Where each lamp points, by id; what it meets, and what its light does there."""
        if not self.lamps:
            return {}
        tracer = self.light.tracer
        starts = np.array([lamp.position + 0.01 * lamp.axis for lamp in self.lamps], np.float32)
        ways = np.array([lamp.axis for lamp in self.lamps], np.float32)
        hits = tracer.first(starts, ways)
        met = names_of_hits(self.built, tracer, hits)
        return {
            lamp.id: self._aim(lamp, met[k], float(hits.distance[k]) if met[k] else None)
            for k, lamp in enumerate(self.lamps)
        }

    def _aim(self, lamp: Placed, met: str, away: float | None) -> Aim:
        target = self.job.meant[lamp.id]
        if not self.areas_of(target):
            target = self._chiefly(lamp) or target
        at = None if away is None else _triple(lamp.position + (0.01 + away) * lamp.axis)
        peak, peak_lx, kind, fades, judge = None, 0.0, "", None, ""
        best: Area | None = None
        for area in self.areas_of(target):
            lux = self.job.readings.lamp(lamp.id, area)
            if len(lux) and float(lux.max()) > peak_lx:
                peak_lx, best = float(lux.max()), area
                peak = _triple(area.points[int(lux.argmax())])
        if best is not None and peak is not None:
            lux = self.job.readings.lamp(lamp.id, best)
            kind = best.kind
            if kind in ("facade", "crown"):
                fades = float(best.points[lux >= TENTH * peak_lx, 2].max())
            judge = self._judge(best, lux)
        return Aim(target, met, at, away, peak, peak_lx, kind, fades, judge)

    def _chiefly(self, lamp: Placed) -> str:
        """What most of a lamp's light falls on of all that may be lit on purpose; "" for nothing."""
        best, name = 0.0, ""
        for area in self.job.meter.areas:
            if area.kind in SEEN_KINDS and len(area):
                lumens = float(self.job.readings.lamp(lamp.id, area) @ area.weight)
                if lumens > best:
                    best, name = lumens, area.owner if area.kind != "facade" else area.name
        return name

    def areas_of(self, name: str) -> list[Area]:
        """The areas of a thing that may be lit on purpose."""
        return [
            area for area in self.job.meter.areas
            if area.kind in SEEN_KINDS and name and name in (area.name, area.owner)
        ]  # fmt: skip

    def _judge(self, area: Area, lux: np.ndarray) -> str:
        """The view that sees most of a lamp's light on an area; "" if none sees any."""
        bright = np.flatnonzero(lux >= 0.5 * lux.max())
        bright = bright[:: max(1, len(bright) // 64)]
        best, name = 0, ""
        for view in self.scene.views:
            seen = self.seen_from(
                view.eye_m, area.points[bright], area.normals[bright], area.two_sided
            )
            if int(seen.sum()) > best:
                best, name = int(seen.sum()), view.name
        return name

    def seen_from(
        self, eye: tuple[float, float, float], points: np.ndarray, normals: np.ndarray,
        two_sided: bool = False,
    ) -> np.ndarray:  # fmt: skip
        """Which of some points (n, 3) of surfaces are seen from an eye, (n,) bool."""
        way = np.asarray(eye) - points
        facing = np.einsum("ij,ij->i", way, normals)
        side = np.sign(facing)[:, None] if two_sided else 1.0
        starts = (points + 0.01 * side * normals).astype(np.float32)
        clear = ~self.light.tracer.blocked(
            starts, np.tile(np.asarray(eye, np.float32), (len(points), 1))
        )
        return np.asarray(clear & ((facing > 0) | two_sided), bool)


def _triple(place: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in place)
    return (x, y, z)
