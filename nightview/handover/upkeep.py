"""What is done every year, how trees outgrow their lamps, and which spare lamps lie ready."""

from __future__ import annotations

import math
from collections import Counter

from nightview.checks.trees import GROWTH_M, YEARS
from nightview.handover.document import Note, Points, Rows, Sheet
from nightview.handover.facts import Facts
from nightview.plan.outlines import crown_m

SPARE_SHARE = 0.1
"""Of each kind of lamp, one at least [common practice, no single source]."""
RATED_KH = (25, 50)
"""Hours that LED lamps are rated for, in thousands [common practice, no single source]."""
NIGHTS = 365


def care_sheet(facts: Facts) -> Sheet:
    """Yearly work by season, growing trees, spare lamps, and how long lamps last."""
    ids = [lamp.id for lamp in facts.lamps]
    aimed = [lamp.id for lamp in facts.lamps if lamp.lamp.body not in ("hat", "hung", "none")]
    trees = tree_rows(facts)
    crowns = sorted(
        {lamp for row in trees for lamp in row[-1].split(", ")} & set(ids), key=ids.index
    )
    rows = [
        ("spring", "Wipe lenses with soft cloth and water; pull mulch and soil back from them", _all(ids, ids)),
        ("spring", "Straighten stakes that frost has lifted; push back cable that shows", _all(ids, ids)),
        ("spring", "Press the outlet's test button; tighten terminals with the power off", "transformer"),
        ("summer", "Cut back what grows before a lens", _all(ids, ids)),
        ("autumn", "Clear leaves; set the timer to the season", _all(ids, ids)),
        ("autumn", "Go round after dark with the aiming sheet, and set right what has moved", _all(aimed, ids)),
        ("winter", "Measure volts and amperes under load, and compare with the commissioning sheet", _all(ids, ids)),
    ]  # fmt: skip
    if crowns:
        rows.insert(
            4, ("summer", "Prune, or move and re-aim, where a crown has grown", ", ".join(crowns))
        )
    yearly = Rows(
        "Every year. Power off before a lamp is opened; let it cool first",
        ("season", "task", "lamps", "done"),
        tuple((*row, "") for row in rows),
    )
    blocks = [yearly]
    if trees:
        blocks.append(
            Rows(
                "Trees that are lit, now and unpruned in five and ten years: growth a year is common "
                "practice, no single source",
                ("tree", "now", f"in {YEARS[0]} years", f"in {YEARS[1]} years", "lamps"),
                tuple(trees),
            )
        )
    blocks.append(
        Rows(
            "Spare lamps to keep dry and labelled: a tenth of each kind, one at least",
            ("lamp", "in use", "spare"),
            tuple((name, str(n), str(m)) for name, n, m in spares(facts)),
            frozenset(("in use", "spare")),
        )
    )
    hours = facts.scene.wiring.hours_h * NIGHTS
    notes = []
    if hours:
        years = [1000 * kh / hours for kh in RATED_KH]
        notes.append(
            Note(
                f"{facts.scene.wiring.hours_h:g} h a night are {hours:.0f} h a year: LED lamps rated "
                f"{RATED_KH[0]} 000 to {RATED_KH[1]} 000 h would last {years[0]:.0f} to {years[1]:.0f} "
                "years; drivers and seals often give out before them."
            )
        )
    ask = Points(
        (
            "A lamp that has failed is replaced by one of the same lumens, beam, colour and volts: see "
            "the fixture schedule. A brighter one undoes the balance.",
            "Write each change on these sheets, so that the next one finds what is really there.",
        )
    )
    return Sheet("care", "Every year, and spare lamps", (*blocks, *notes, ask))


def _all(names: list[str], every: list[str]) -> str:
    if not names:
        return "none"
    return "all" if names == every else ", ".join(names)


def spares(facts: Facts) -> list[tuple[str, int, int]]:
    """Each kind of lamp: its name, how many are in use, how many to keep."""
    counted = Counter(lamp.lamp.name for lamp in facts.lamps)
    return [(name, n, max(1, math.ceil(SPARE_SHARE * n - 1e-9))) for name, n in counted.items()]


def tree_rows(facts: Facts) -> list[tuple[str, str, str, str, str]]:
    """Each tree that lamps are meant for: its height and crown now and later, and its lamps."""
    found = []
    for tree in facts.scene.trees:
        lamps = [lamp.id for lamp in facts.lamps if facts.job.meant[lamp.id] == tree.name]
        if not lamps:
            continue
        higher, wider = GROWTH_M[tree.kind]
        sizes = [
            f"{facts.length(tree.height_m + years * higher)} high, "
            f"{facts.length(crown_m(tree) + years * wider)} wide"
            for years in (0, *YEARS)
        ]
        found.append((tree.name, *sizes, ", ".join(lamps)))
    return found  # type: ignore[return-value]
