"""Try-out night: the few lamps that tell the client most about the scheme.

Criterion (facility location): every lamp j has a worth w_j, its share of the light of the scheme by
rank, and a lamp i tells about j as far as their effects look alike, s_ij in 0…1. A choice S tells
Σ_j w_j · max_{i in S} s_ij of the scheme. The best S of each size is found exactly, by an integer
programme that gives every lamp one teller.

Worth: what is focal, secondary and fill counts 3 : 2 : 1 [judgement]; within a rank, by the light that
each lamp brings to it. Alike: for surfaces of one kind and brightness, the areas that a lamp lights to
so many lux or more, on steps of lux that grow by a fifth, wherever they are; the overlap of two such
profiles over their union. So one of a pair tells of the other, and a path light of its row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from nightview.checks.areas import Area
from nightview.errors import NightviewError
from nightview.handover.aiming import aiming_sheet, focal_names
from nightview.handover.document import Document, Note, Points, Rows, Sheet
from nightview.handover.facts import SEEN_KINDS, Facts
from nightview.site.surface import Array

MOST_LAMPS = 4
"""As many demonstration lamps as are carried along."""
ENOUGH = 0.75
"""A choice that tells so much of the scheme is enough [judgement]."""
RANKS = {"focal": 3.0, "secondary": 2.0, "fill": 1.0}
LEVELS_LX = 1.2 ** np.arange(37)
"""1 lx, less than which is no effect to show, to 700 lx."""


@dataclass(frozen=True)
class Choice:
    """So many lamps, the best of that number. told : share of the scheme that they tell.

    tells : lamp that is tried out → the lamps that it stands for, itself first.
    """

    lamps: tuple[str, ...]
    told: float
    tells: Mapping[str, tuple[str, ...]]


def choices(facts: Facts) -> list[Choice]:
    """The best choice of one lamp, of two and so on, up to four."""
    names = [lamp.id for lamp in facts.job.lit_lamps]
    if not names:
        return []
    worth, alike = worth_of(facts, names), alike_of(facts, names)
    found = []
    for size in range(1, min(MOST_LAMPS, len(names)) + 1):
        chosen = best(worth, alike, size)
        teller = np.asarray(chosen)[alike[chosen].argmax(axis=0)]
        tells = {
            names[i]: (names[i], *(n for k, n in enumerate(names) if teller[k] == i and k != i and alike[i, k] >= 0.5))
            for i in chosen
        }  # fmt: skip
        told = float(worth @ alike[chosen].max(axis=0))
        found.append(Choice(tuple(names[i] for i in chosen), told, tells))
    return found


def chosen_of(found: list[Choice]) -> Choice:
    """The smallest choice that tells enough; the largest if none does."""
    return next((one for one in found if one.told >= ENOUGH), found[-1])


def best(worth: Array, alike: Array, size: int) -> list[int]:
    """The so many lamps whose Σ_j worth_j · max_i alike_ij is greatest, in their order.

    worth : (n,); alike : (n, n), of i about j. Solved exactly by HiGHS. Errors: NightviewError where
    it gives no answer.
    """
    n = len(worth)
    # Variables: y_i, lamp i is tried out; x_ij, it tells of lamp j. x may be fractional: at the best
    # each lamp has one teller all the same.
    gain = -(alike * worth).ravel()
    cost = np.concatenate([np.zeros(n), gain])
    one = sparse.hstack([sparse.csr_matrix((n, n)), sparse.kron(np.ones((1, n)), sparse.eye(n))])
    tied = sparse.hstack([-sparse.kron(sparse.eye(n), np.ones((n, 1))), sparse.eye(n * n)])
    count = sparse.hstack([sparse.csr_matrix(np.ones((1, n))), sparse.csr_matrix((1, n * n))])
    found = milp(
        cost, integrality=np.concatenate([np.ones(n), np.zeros(n * n)]), bounds=Bounds(0, 1),
        constraints=[
            LinearConstraint(sparse.csr_matrix(one), 1, 1),
            LinearConstraint(sparse.csr_matrix(tied), -np.inf, 0),
            LinearConstraint(sparse.csr_matrix(count), size, size),
        ],
        options={"mip_rel_gap": 0.0},
    )  # fmt: skip
    if found.x is None:
        raise NightviewError("try-out night", f"no choice of lamps was found: {found.message}")
    return [int(k) for k in np.flatnonzero(found.x[:n] > 0.5)]


# --- from the light -------------------------------------------------------------------------------


def ranks_of(facts: Facts) -> dict[str, list[Area]]:
    """The areas of each rank: as the scene says, else the doors and the walls about them, what else
    lamps are meant for, and the trees."""
    brief = facts.scene.check
    trees = [tree.name for tree in facts.scene.trees]
    meant = dict.fromkeys(aim.target for aim in facts.aims.values() if aim.target)
    focal = focal_names(facts)
    fill = list(brief.fill) or [name for name in meant if name in trees]
    second = list(brief.secondary) or [n for n in meant if n not in trees and n not in focal]
    # What lamps are meant for and no rank names, as paths and steps are, comes second.
    second += [n for n in meant if n not in (*focal, *second, *fill)]
    named = {"focal": focal, "secondary": second, "fill": fill}
    return {
        rank: [area for name in names for area in facts.areas_of(name)]
        for rank, names in named.items()
    }


def worth_of(facts: Facts, names: list[str]) -> Array:
    """Each lamp's share of the scheme, (n,), their sum 1; equal where no light is looked at."""
    order = [facts.job.readings.names.index(name) for name in names]
    worth = np.zeros(len(names))
    for rank, areas in ranks_of(facts).items():
        brought = np.zeros(len(names))
        for area in areas:  # each by its mean: a door counts as much as a wall
            brought += (
                facts.job.readings.by_lamp(area)[order]
                @ (area.weight * area.per_lux)
                / area.weight.sum()
            )
        if brought.sum() > 0.0:
            worth += RANKS[rank] * brought / brought.sum()
    total = worth.sum()
    return worth / total if total > 0.0 else np.full(len(names), 1.0 / len(names))


def alike_of(facts: Facts, names: list[str]) -> Array:
    """How far lamp i tells of lamp j by their profiles, (n, n) in 0…1; of itself all."""
    groups: dict[tuple[str, float], Array] = {}
    order = [facts.job.readings.names.index(name) for name in names]
    for area in facts.job.meter.areas:
        if area.kind not in SEEN_KINDS or not len(area):
            continue
        key = (area.kind, round(float(np.median(area.per_lux)), 2))
        lux = facts.job.readings.by_lamp(area)[order]
        lit = lux[:, None, :] >= LEVELS_LX[None, :, None]
        groups[key] = groups.get(key, 0.0) + lit @ area.weight
    if not groups:
        return np.eye(len(names))
    return overlap(np.concatenate(list(groups.values()), axis=1))


def overlap(profiles: Array) -> Array:
    """Σ min / Σ max of each two rows of (n, m), 1 on the diagonal."""
    n = len(profiles)
    found = np.eye(n)
    for i in range(n):
        least = np.minimum(profiles[i], profiles).sum(axis=1)
        most = np.maximum(profiles[i], profiles).sum(axis=1)
        found[i] = np.where(most > 0.0, least / np.maximum(most, 1e-12), 0.0)
        found[i, i] = 1.0
    return found


# --- sheets ---------------------------------------------------------------------------------------


def document(facts: Facts) -> Document:
    """The choice with its reasons, the aiming sheet, and what to look for."""
    found = choices(facts)
    title = f"{facts.title}: try-out night"
    if not found:
        nothing = Note("No lamp is on in this state: there is nothing to try out.", True)
        return Document(title, "", (Sheet("choice", "What to try out", (nothing,)),))
    chosen = chosen_of(found)
    why = Rows(
        "The best choice of each size, and how much of the scheme it tells",
        ("lamps", "which", "tells of the scheme"),
        tuple(
            (str(len(one.lamps)), ", ".join(one.lamps), f"{one.told:.0%}") for one in found
        ),
        frozenset(("lamps", "tells of the scheme")),
    )  # fmt: skip
    stands = Rows(
        "What each lamp stands for",
        ("try out", "it shows what these will do", "where it stands"),
        tuple(
            (name, ", ".join(chosen.tells[name][1:]) or "itself alone",
             facts.place_words(next(lamp for lamp in facts.lamps if lamp.id == name)))
            for name in chosen.lamps
        ),
    )  # fmt: skip
    reason = Note(
        "Chosen from the calculated light: by how much of what is looked at each lamp lights, what "
        "is focal counting three, what comes second two, the rest one; and by how alike the lamps "
        f"light the same kind of surface. The smallest choice that tells {ENOUGH:.0%} is taken, four "
        "lamps at most; the weights are a judgement."
    )
    lamps = [lamp for lamp in facts.lamps if lamp.id in chosen.lamps]
    sheets = (
        Sheet("choice", "What to try out", (reason, why, stands, _evening())),
        aiming_sheet(facts, lamps),
    )
    about = f"{len(chosen.lamps)} of {len(facts.job.lit_lamps)} lamps, which tell {chosen.told:.0%} of the scheme."
    return Document(title, about, sheets)


def _evening() -> Points:
    return Points(
        (
            "Begin after full dark, at least an hour past sunset, not in the dusk: the sky then still "
            "outshines every lamp. A bright moon weakens it too.",
            "Lay cables on the ground where nobody walks, from a listed transformer in an outlet with "
            "ground-fault protection; nothing is left out overnight.",
            "Street lights, porch and rooms as they are on an ordinary evening. Wait ten minutes.",
            "Set one lamp first, by its aiming line; let the client look from the views before the next.",
            "Switch all off once, and on again: the difference is what is bought.",
            "Try each lamp a hand's breadth nearer and farther, and one beam wider; write down what was "
            "liked better.",
            "Look from inside too, and from the road: does any lens show?",
        ),
        "ticks",
        "The evening",
    )
