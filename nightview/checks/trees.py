"""Lit trees: how far up the light reaches, what misses them bare, and what they grow over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

import numpy as np

from nightview.checks.job import Job
from nightview.checks.ledger import ledgers_in, ledgers_of
from nightview.checks.probe import Probe
from nightview.checks.result import Result
from nightview.checks.sky import about, lumens
from nightview.scene.model import Tree
from nightview.site.build import Geometry
from nightview.site.placing import Placed
from nightview.site.plants import HABITS, build_tree
from nightview.site.surface import Array

if TYPE_CHECKING:
    from nightview.light.rays import Tracer

BANDS = 10
"""Of the leaves of a crown from its foot to its top, each of as many leaves."""
TENTH = 0.1
EVERGREEN = ("conifer", "palm")
YEARS = (5, 10)
GROWTH_M = {
    "broadleaf": (0.35, 0.30),
    "multi-stem": (0.30, 0.30),
    "columnar": (0.30, 0.05),
    "conifer": (0.30, 0.15),
    "palm": (0.25, 0.0),
}
"""How much higher and wider a tree becomes in a year, unpruned [from memory; common practice, no
single source]: of young and middle-aged trees; old ones grow less."""
NEAR_M = 5.0
"""A lamp farther than this from a crown is not looked at."""


# --- reach ----------------------------------------------------------------------------------------


def crown_reach(job: Job) -> Iterator[Result]:
    """How high in each lit crown direct light falls to a tenth, as a share of the crown's depth."""
    limit = job.limits["crown_reach"]
    for tree, lamps in _lit_trees(job):
        area, names = job.area("crown", tree.name), tuple(lamp.id for lamp in lamps)
        if area is None or len(area) < BANDS:
            yield Result("reach into the crown", tree.name, None, limit, "", lamps=names,
                         reason="it has no leaves")  # fmt: skip
            continue
        z, lux = area.points[:, 2], job.readings.from_lamps(area)
        if not lux.any():
            yield Result("reach into the crown", tree.name, None, limit, "", lamps=names,
                         reason="no light meets its leaves")  # fmt: skip
            continue
        foot, top = float(z.min()), float(z.max())
        height = tenth_height(z, lux)
        where = "nowhere" if height >= top else f"at {height:.1f} m"
        yield Result(
            "reach into the crown", tree.name, (height - foot) / (top - foot), limit,
            f"the light on its leaves falls to a tenth {where}; the crown runs from {foot:.1f} to "
            f"{top:.1f} m",
            f"The light on the {tree.name} does not reach the upper part of its crown.",
            (*tree.at_m, height), names,
        )  # fmt: skip


def tenth_height(z: Array, lux: Array) -> float:
    """The height [m] above which light on leaves at heights z (n,) stays below a tenth of what the
    brightest band of them has; the topmost leaf's where it never does."""
    order = np.argsort(z, kind="stable")
    height = np.array([part.mean() for part in np.array_split(z[order], BANDS)])
    level = np.array([part.mean() for part in np.array_split(lux[order], BANDS)])
    least = TENTH * level.max()
    last = int(np.flatnonzero(level >= least)[-1])
    if last == BANDS - 1:
        return float(z.max())
    # Light dies away as a power of the distance and by leaves in the way: straight in its logarithm.
    above = max(float(level[last + 1]), 1e-6 * least)
    share = np.log(level[last] / least) / np.log(level[last] / above)
    return float(height[last] + share * (height[last + 1] - height[last]))


def _lit_trees(job: Job) -> Iterator[tuple[Tree, list[Placed]]]:
    """The trees that lamps which are on are meant for, with those lamps."""
    ledgers = ledgers_of(job)
    for tree in job.scene.trees:
        lamps = [lamp for lamp in job.lit_lamps if ledgers[lamp.id].target == tree.name]
        if lamps:
            yield tree, lamps


# --- winter ---------------------------------------------------------------------------------------


def bare_winter(job: Job) -> Iterator[Result]:
    """What of the light meant for each deciduous tree misses it when its leaves are down.

    Only lit trees lose their leaves here, and no shrubs or hedges: what another crown catches of the
    light that goes past is small. A tree that stands bare in the scene is not told again.
    """
    limit = job.limits["off_target_bare"]
    lit = [(tree, lamps) for tree, lamps in _lit_trees(job) if in_leaf(job, tree)]
    if not lit:
        return
    probe = _bare(job, [tree for tree, _ in lit])
    site = replace(job.site, geometry=probe.geometry)
    for tree, lamps in lit:
        targets = {lamp.id: tree.name for lamp in lamps}
        ledgers = ledgers_in(site, probe, lamps, targets, job.keeps)
        leafy = ledgers_of(job)
        flux = {lamp.id: lumens(job, lamp) for lamp in lamps}
        total = sum(flux.values())
        if total <= 0.0:
            continue
        bare, now, sky = (
            sum(flux[name] * share for name, share in shares) / total
            for shares in (
                [(name, ledgers[name].off) for name in flux],
                [(name, leafy[name].off) for name in flux],
                [(name, ledgers[name].sky) for name in flux],
            )
        )
        yield Result(
            "off target in winter", tree.name, 100.0 * bare, limit,
            f"without leaves {100 * bare:.0f} % of {total:.0f} lm miss it, in leaf {100 * now:.0f} %; "
            f"{100 * sky:.0f} % go into the sky then",
            f"In winter {about(bare).lower()} of the light meant for the {tree.name} goes past it.",
            (*tree.at_m, 0.0), tuple(sorted(flux, key=lambda name: -flux[name])),
        )  # fmt: skip


def in_leaf(job: Job, tree: Tree) -> bool:
    """Whether a tree has leaves in the scene that it loses in winter."""
    season = tree.season or job.scene.site.season
    return season == "leaf" and tree.kind not in EVERGREEN


_BARE: WeakKeyDictionary[Geometry, dict[frozenset[str], Probe]] = WeakKeyDictionary()


def _bare(job: Job, trees: Sequence[Tree]) -> Probe:
    """Rays against the site's geometry with some trees bare; worked out once.

    Only these are built anew: ``build`` keeps the last geometry alone, and is to keep that of the
    scene.
    """
    geometry, gone = job.site.geometry, frozenset(tree.name for tree in trees)
    kept = _BARE.setdefault(geometry, {})
    if gone not in kept:
        patches = [patch for patch in geometry.patches if patch.owner not in gone]
        crowns = [crown for crown in geometry.crowns if crown.owner not in gone]
        meshes = [mesh for mesh in geometry.meshes if mesh.owner not in gone]
        for tree in trees:
            # A stated gap is that of the leaves.
            bare = tree.model_copy(update={"season": "bare", "gap": None})
            trunk, leaves, wood = build_tree(bare, job.scene)
            patches, crowns, meshes = patches + trunk, crowns + leaves, meshes + wood
        winter = replace(
            geometry, patches=tuple(patches), crowns=tuple(crowns), meshes=tuple(meshes)
        )
        kept[gone] = Probe(winter, partial(_tracer, winter))
    return kept[gone]


def _tracer(geometry: Geometry) -> Tracer:
    from nightview.light.rays import Tracer

    return Tracer(geometry)


# --- growth ---------------------------------------------------------------------------------------


def crown_growth(job: Job) -> Iterator[Result]:
    """How far each tree's crown will keep clear of the lamps beside it in ten years, by the growth that
    is usual for its kind; less than nothing where it will stand over or around one.

    Lamps that stand under or in the crown already are left out: they were set there.
    """
    limit = job.limits["crown_growth"]
    there = [lamp for lamp in job.site.fixtures if lamp.id not in job.state.absent]
    for tree in job.scene.trees:
        beside = [lamp for lamp in there if 0.0 <= clearance_m(tree, lamp, 0) < NEAR_M]
        if not beside:
            continue
        after = {lamp.id: clearance_m(tree, lamp, YEARS[-1]) for lamp in beside}
        beside.sort(key=lambda lamp: after[lamp.id])
        first, covered = beside[0], [lamp.id for lamp in beside if after[lamp.id] < 0.0]
        sizes = ", ".join(
            f"{crown:.1f} m wide and {height:.1f} m high {when}"
            for when, (height, crown) in (
                ("now", grown(tree, 0)), *((f"after {n} years", grown(tree, n)) for n in YEARS)
            )
        )  # fmt: skip
        if covered:
            when = next(n for n in range(1, YEARS[-1] + 1) if clearance_m(tree, first, n) < 0.0)
            told = f"it stands over {first.id} after about {when} years"
            plain = f"In about {when} years the {tree.name} will have grown over a lamp beside it."
        else:
            told, plain = f"it stays clear of {first.id}, the nearest lamp", ""
        x, y, z = first.position.tolist()
        yield Result(
            "crown in ten years", tree.name, after[first.id], limit,
            f"crown {sizes}, growth assumed; {told}", plain, (x, y, z), tuple(covered),
        )  # fmt: skip


def grown(tree: Tree, years: float) -> tuple[float, float]:
    """Height and crown diameter of a tree after some years [m]."""
    higher, wider = GROWTH_M[tree.kind]
    crown = tree.crown_m
    if crown is None:
        crown = HABITS[tree.kind].crown_share * tree.height_m
    return tree.height_m + years * higher, crown + years * wider


def clearance_m(tree: Tree, lamp: Placed, years: float) -> float:
    """How far a lamp is outside a tree's crown after some years, less than nothing inside [m].

    The crown is the ellipsoid that it is built in, and its foot stays where it is. A lamp that shines
    up from below the crown's middle is to stand clear of the crown as seen from above; any other of
    the crown itself, measured towards its middle.
    """
    height, crown = grown(tree, years)
    clear = tree.clear_m
    if clear is None:
        clear = HABITS[tree.kind].clear_share * tree.height_m
    radii = np.array([crown / 2, crown / 2, (height - clear) / 2])
    way = lamp.position - np.array([*tree.at_m, (clear + height) / 2])
    if lamp.axis[2] > 0.0 and way[2] < 0.0:
        return float(np.hypot(way[0], way[1]) - crown / 2)
    share = float(np.linalg.norm(way / radii))
    return float(np.linalg.norm(way)) * (1.0 - 1.0 / share) if share > 0.0 else -float(radii.min())


TREE_CHECKS = (crown_reach, crown_growth)
"""Those that are quick."""
WINTER_CHECKS = (bare_winter,)
"""This one builds the trees anew and is left out where a remedy is sought."""
