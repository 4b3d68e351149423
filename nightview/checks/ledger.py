"""Each lamp's lumens accounted for: on what it is meant for, on other things, in leaves, in the sky.

Rays that carry equal lumens are drawn from a lamp's intensity table and followed to what they meet
first. That is direct light alone: what a surface throws back is not counted again. A lamp with a
collar has fewer lumens to account for, since what the collar stops is no longer in its table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import blake2b
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray

from nightview.checks.job import Job
from nightview.checks.probe import Probe, digest_of
from nightview.checks.targets import surface_names
from nightview.lamps.intensity import Intensity
from nightview.light import cache
from nightview.scene.model import Fixture
from nightview.site.blocks import SIDES
from nightview.site.build import Geometry, Site
from nightview.site.placing import Placed
from nightview.site.surface import Array, Crown, Patch

if TYPE_CHECKING:
    from nightview.light.rays import Array32

RAYS = 8192
"""A lamp: the shares of a beam on a wall come out within 0.2 %."""
GOLDEN, SILVER = (5**0.5 - 1) / 2, 2**0.5 - 1
"""Steps of the lattice on which rays are drawn: whole turns of them fill a circle most evenly."""
LOW_M = 0.5
"""What stands beside a path no higher than this is lit with it [common practice, no single source]."""
MARGIN_M = 1.0
"""How far about steps and terraces the ground is lit with them; about a path, the path's width
[common practice, no single source]."""
LEAST_CAUGHT = 0.1
"""A thing that catches less of a lamp's light than this is not what it is meant for."""
EVERY_WAY = 0.1
"""A lamp that is so bright square to its axis, of its peak, is no beam: it shines every way."""
UP_Z = 0.7
"""A patch whose normal rises more than this is walked on."""


# --- rays -----------------------------------------------------------------------------------------


def directions(intensity: Intensity, count: int) -> tuple[Array, Array]:
    """Directions of equal lumens: the cosine of the angle from the axis and the angle about it
    [rad], (count,) each.

    The angle from the axis runs through the flux that the table holds out to it, exact for a table
    that is linear between columns; the angle about the axis steps by the golden ratio through the
    flux round that cone, a lattice that no table lines up with.
    """
    k = np.arange(count, dtype=np.float64)
    turn: Array = np.asarray(k * GOLDEN % 1.0)
    table = intensity.table
    s = np.linspace(0.0, 1.0, table.shape[1])
    step, mean = s[1], table.mean(axis=0, dtype=np.float64)
    low, high = mean[:-1], mean[1:]
    # dΩ = 4·s·ds·dφ, as in ``Intensity``; the factor falls out.
    between = step * (s[:-1] * (low + high) / 2 + step * (low / 6 + high / 3))
    within = np.concatenate([[0.0], np.cumsum(between)])
    place: Array = np.interp((k + 0.5) / count * within[-1], within, s)
    cosine = 1.0 - 2.0 * place * place
    if intensity.axial:
        return cosine, 2.0 * np.pi * turn
    used, which = np.unique(np.rint(place / step).astype(int), return_inverse=True)
    cone = table[:, used].astype(np.float64) + 1e-12 * intensity.peak_cd  # a dark one is even
    cone = np.vstack([cone, cone[:1]])
    round_ = np.zeros_like(cone)
    np.cumsum((cone[:-1] + cone[1:]) / 2, axis=0, out=round_[1:])
    # All cones end to end, each one long, so that one look-up serves all.
    run = (round_ / round_[-1] + np.arange(len(used))).T.ravel()
    phi = np.tile(np.linspace(0.0, 2.0 * np.pi, len(cone)), len(used))
    return cosine, np.interp(which.ravel() + turn, run, phi)


def rays_of(lamp: Placed, count: int = RAYS) -> tuple[Array32, Array32]:
    """Rays of equal lumens from a lamp: origins and unit ways, (count, 3) each.

    From the middle of a small lens; from the whole length of a linear lamp.
    """
    cosine, phi = directions(lamp.lamp.intensity, count)
    sine = np.sqrt(np.maximum(1.0 - cosine**2, 0.0))
    second = np.cross(lamp.axis, lamp.reference)
    way = (
        cosine[:, None] * lamp.axis
        + (sine * np.cos(phi))[:, None] * lamp.reference
        + (sine * np.sin(phi))[:, None] * second
    )
    along = lamp.lamp.length_m * ((np.arange(count) * SILVER + 0.5) % 1.0 - 0.5)
    return (lamp.position + along[:, None] * second).astype(np.float32), way.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Landing:
    """Where a lamp's rays of equal lumens ended.

    surface : (n,) its number in the order of ``Geometry.surfaces``, −1 for none. points : (n, 3) [m].
    starts, ways : (n, 3) where each began [m], and its unit way.
    """

    surface: NDArray[np.int32]
    points: Array32
    starts: Array32
    ways: Array32

    @property
    def rises(self) -> NDArray[np.bool_]:
        """(n,): whether the ray went up."""
        return self.ways[:, 2] > 0.0


def landings(
    probe: Probe, lamps: Sequence[Placed], count: int = RAYS, keep: bool = False
) -> list[Landing]:
    """Where the rays of some lamps end, all followed in one go. keep : see ``Probe``."""
    if not lamps:
        return []
    rays = [rays_of(lamp, count) for lamp in lamps]
    origins, ways = (np.concatenate(part) for part in zip(*rays, strict=True))
    surface, distance = probe.first(origins, ways, keep)
    points = origins + distance[:, None] * ways
    parts = [np.split(values, len(lamps)) for values in (surface, points, origins, ways)]
    return [Landing(*found) for found in zip(*parts, strict=True)]


# --- what is meant --------------------------------------------------------------------------------


class Things:
    """The surfaces of a site by the names that a lamp may be meant for."""

    def __init__(self, site: Site) -> None:
        self.surfaces = site.geometry.surfaces
        self.names = np.array([*surface_names(site), ""])  # the last one for what met nothing
        first = len(site.patches)
        self.leaves = np.zeros(len(self.names), bool)
        self.leaves[first : first + len(site.crowns)] = True
        self.openings = {opening.name: max(opening.size_m) for opening in site.scene.openings}
        scene = site.scene
        self._margin = {path.name: path.width_m for path in (*scene.paths, *scene.drives)}
        self._margin |= dict.fromkeys((flight.name for flight in scene.steps), MARGIN_M)
        self._margin |= dict.fromkeys((terrace.name for terrace in scene.terraces), MARGIN_M)
        self._own: dict[str, NDArray[np.bool_]] = {}
        self._plans: dict[str, tuple[shapely.Geometry, float]] = {}
        self._hulls: dict[str, Array | None] = {}
        self._walls = {
            f"{block.name} {side}": f"{block.name} eaves"
            for block in scene.blocks
            for side in SIDES
        }

    def own(self, name: str) -> NDArray[np.bool_]:
        """Which surfaces are part of a thing, (surfaces + 1,): of a wall with the eaves over it, a
        table, an opening."""
        if name not in self._own:
            found = (self.names == name) | (self.names == self._walls.get(name, name))
            for number, surface in enumerate(self.surfaces):
                found[number] |= name in (surface.owner, surface.name)
                if isinstance(surface, Patch) and name in self.openings:
                    found[number] |= surface.opening == name
                    found[number] |= surface.name.startswith(f"{name} ")
            found[-1] = False
            self._own[name] = found
        return self._own[name]

    def meant(self, name: str, landing: Landing) -> NDArray[np.bool_]:
        """Which rays end on a thing, or on what is lit with it, (n,).

        With a path, steps or a terrace it is what lies beside it within a margin and low; with the
        ground, all that is low; with a door or window, the wall about it as far as it is wide or
        high.
        """
        meant = self.own(name)[landing.surface]
        if name == "ground":
            return meant | ((landing.surface >= 0) & (landing.points[:, 2] < LOW_M))
        if name in self._margin:
            plan, top = self._plan(name)
            near = ~meant & (landing.surface >= 0) & (landing.points[:, 2] < top + LOW_M)
            x, y = landing.points[near, :2].astype(float).T
            meant[near] = shapely.dwithin(plan, shapely.points(x, y), self._margin[name])
        elif name in self.openings and self.own(name).any():
            own = [s.bounds for s, part in zip(self.surfaces, self.own(name), strict=False) if part]
            low = np.min([centre - radius for centre, radius in own], axis=0)
            high = np.max([centre + radius for centre, radius in own], axis=0)
            beyond = landing.points - np.clip(landing.points, low, high)
            meant |= (landing.surface >= 0) & (
                np.linalg.norm(beyond, axis=1) < 0.5 * self.openings[name]
            )
        return meant

    def through(self, name: str, landing: Landing) -> NDArray[np.bool_]:
        """Which rays pass between a tree's leaves: through the hull of its crown without meeting them,
        (n,); of what is no crown, none."""
        passed = np.zeros(len(landing.surface), bool)
        hull = self._hull(name)
        if hull is None:
            return passed
        left = np.flatnonzero(~self.own(name)[landing.surface])
        enter, leave = np.zeros(len(left)), np.full(len(left), np.inf)
        starts, ways = landing.starts[left].astype(float), landing.ways[left].astype(float)
        for plane in hull:  # clipped by one face of the hull after the other
            height, speed = starts @ plane[:3] + plane[3], ways @ plane[:3]
            with np.errstate(divide="ignore", invalid="ignore"):
                at = -height / speed
            enter = np.where(speed < 0, np.maximum(enter, at), enter)
            leave = np.where(speed > 0, np.minimum(leave, at), leave)
            leave = np.where((speed == 0) & (height > 0), -np.inf, leave)
        ends = np.where(
            landing.surface[left] >= 0,
            np.linalg.norm(landing.points[left] - starts, axis=1),
            np.inf,
        )
        passed[left] = (enter < leave) & (enter < ends)
        return passed

    def _hull(self, name: str) -> Array | None:
        """The planes of the convex hull about a tree's leaves, (k, 4); None for what has none."""
        if name not in self._hulls:
            leaves = [s.centre for s in self.surfaces if isinstance(s, Crown) and s.owner == name]
            self._hulls[name] = _hull_of(np.concatenate(leaves)) if leaves else None
        return self._hulls[name]

    def _plan(self, name: str) -> tuple[shapely.Geometry, float]:
        """The outline of what is walked on, from above, and its greatest height [m]."""
        if name not in self._plans:
            parts, top = [shapely.Polygon()], 0.0
            for number in np.flatnonzero(self.own(name)):
                patch = self.surfaces[number]
                if isinstance(patch, Patch) and patch.normal[2] > UP_Z:
                    top = max(top, float(patch.bounds[0][2]))
                    across = (*patch.eu[:2], *patch.ev[:2])
                    matrix = (across[0], across[2], across[1], across[3], *patch.origin[:2])
                    parts.append(shapely.affinity.affine_transform(patch.outline, matrix))
            whole = shapely.union_all(parts)
            shapely.prepare(whole)
            self._plans[name] = whole, top
        return self._plans[name]


def _hull_of(points: Array) -> Array:
    """The planes of the convex hull about points (n, 3): (k, 4); kept, since scipy is slow to load."""

    def made() -> tuple[Array]:
        from scipy.spatial import ConvexHull

        return (ConvexHull(points).equations,)

    (planes,) = cache.kept(digest_of(["hull", points]), made)
    return planes


_THINGS: WeakKeyDictionary[Geometry, Things] = WeakKeyDictionary()


def things_of(site: Site) -> Things:
    """The things of a site; worked out once for its geometry."""
    if site.geometry not in _THINGS:
        _THINGS[site.geometry] = Things(site)
    return _THINGS[site.geometry]


# --- the ledger -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ledger:
    """Where one lamp's direct light goes, in shares of its lumens at full power that sum to one.

    target : what it is meant for, "" if that cannot be told; then nothing is meant.
    meant : on that. through : of all the rest, what passes between the leaves of the tree that is
    meant. other : on other things. leaves : in crowns that are not meant. sky : past all
    things and upward. beyond : past the edge of the site and downward.
    by_name : the share of each thing that is met, the greatest first. strays : the same of what is
    met and not meant.
    """

    lamp: str
    target: str
    flux_lm: float
    meant: float
    other: float
    leaves: float
    sky: float
    beyond: float
    by_name: Mapping[str, float]
    strays: Mapping[str, float]
    through: float = 0.0

    @property
    def off(self) -> float:
        """The share that misses what the lamp is meant for; light between the leaves of a tree that is
        meant was aimed at it, and is told by itself."""
        return 1.0 - self.meant - self.through

    @cached_property
    def said(self) -> str:
        """ "61 % on cottage front, 8 % on other things, …", parts below half a percent left out."""
        parts = (
            (self.meant, f"on {self.target}"),
            (self.other, "on other things"),
            (self.leaves, "in other leaves" if self.meant else "in leaves"),
            (self.sky, "into the sky"),
            (self.beyond, "beyond the site"),
        )
        told = [f"{100 * share:.0f} % {where}" for share, where in parts if share >= 0.005]
        if self.through >= 0.005:
            told.append(f"of which {100 * self.through:.0f} % between its leaves")
        return ", ".join(told)


ALL_ABOUT = "all about it"
"""What a lantern is meant for that shines every way, where its fixture names nothing."""


def target_in(lamp: Placed, fixture: Fixture, aimed: str) -> str:
    """What a lamp is meant for: a lantern, which shines every way, for all about it unless its
    fixture names something; any other for what it is aimed at."""
    table = lamp.lamp.intensity.table
    aside = float(table[:, round(0.5**0.5 * (table.shape[1] - 1))].min())  # 90° off the axis
    lantern = aside >= EVERY_WAY * lamp.lamp.intensity.peak_cd
    named = fixture.lights or fixture.aim_at or fixture.path
    return ALL_ABOUT if lantern and named is None else aimed


def ledger_of(things: Things, lamp: Placed, target: str, landing: Landing) -> Ledger:
    """The account of one lamp. A target of "" is taken to be what catches most of the light, if
    that is a tenth or more of it: an aim may pass through a gap between leaves."""
    n = len(landing.surface)
    by_name = _shares(things.names[landing.surface], n)
    if not target and by_name:
        best = next(iter(by_name))
        target = best if by_name[best] >= LEAST_CAUGHT else ""
    met = landing.surface >= 0
    if target == ALL_ABOUT:
        meant = met
    else:
        meant = things.meant(target, landing) if target else np.zeros(n, bool)
    stray = met & ~meant
    leaves = things.leaves[landing.surface] & stray
    return Ledger(
        lamp=lamp.id,
        target=target,
        flux_lm=lamp.lamp.flux_lm,
        meant=float(meant.mean()),
        other=float((stray & ~leaves).mean()),
        leaves=float(leaves.mean()),
        sky=float((~met & landing.rises).mean()),
        beyond=float((~met & ~landing.rises).mean()),
        by_name=by_name,
        strays=_shares(things.names[landing.surface[stray]], n),
        through=float(things.through(target, landing).mean()),
    )


def _shares(names: NDArray[np.str_], total: int) -> dict[str, float]:
    """How often each name comes, of a total, the most frequent first; "" left out."""
    found, count = np.unique(names, return_counts=True)
    order = np.argsort(-count, kind="stable")
    return {str(found[k]): float(count[k]) / total for k in order if found[k]}


_KEPT: WeakKeyDictionary[Geometry, dict[bytes, Ledger]] = WeakKeyDictionary()
_OF_JOB: WeakKeyDictionary[Job, dict[str, Ledger]] = WeakKeyDictionary()
_DIGESTS: WeakKeyDictionary[Intensity, bytes] = WeakKeyDictionary()


def ledgers_of(job: Job) -> dict[str, Ledger]:
    """Lamp id → the account of its lumens, of all lamps that are on; kept for a lamp that stays as
    it is while others are changed."""
    if job not in _OF_JOB:
        lamps = job.lit_lamps
        targets = {
            lamp.id: target_in(lamp, job.fixture_of[lamp.id], job.meant[lamp.id]) for lamp in lamps
        }
        _OF_JOB[job] = ledgers_in(job.site, job.meter.probe, lamps, targets, job.keeps)
    return _OF_JOB[job]


def ledgers_in(
    site: Site, probe: Probe, lamps: Sequence[Placed], targets: Mapping[str, str], keep: bool
) -> dict[str, Ledger]:
    """The same of some lamps in a site whose geometry the probe holds, by what each is meant for.
    keep : see ``Probe``."""
    kept = _KEPT.setdefault(site.geometry, {})
    keys = {lamp.id: _key(lamp, targets[lamp.id]) for lamp in lamps}
    new = [lamp for lamp in lamps if keys[lamp.id] not in kept]
    for lamp, landing in zip(new, landings(probe, new, keep=keep), strict=True):
        kept[keys[lamp.id]] = ledger_of(things_of(site), lamp, targets[lamp.id], landing)
    return {lamp.id: kept[keys[lamp.id]] for lamp in lamps}


def _key(lamp: Placed, target: str) -> bytes:
    """What a lamp's account hangs on, in short."""
    light = lamp.lamp.intensity
    if light not in _DIGESTS:
        _DIGESTS[light] = blake2b(light.table.tobytes(), digest_size=16).digest()
    place = np.concatenate([lamp.position, lamp.axis, lamp.reference, [lamp.lamp.length_m]])
    return _DIGESTS[light] + place.tobytes() + f"{lamp.id}\0{target}".encode()
