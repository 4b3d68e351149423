"""Light that goes astray: into the sky, past what a lamp is meant for, and too much of it on walls."""

from __future__ import annotations

from collections.abc import Iterator

from nightview.checks.job import Job
from nightview.checks.ledger import ALL_ABOUT, Ledger, ledgers_of
from nightview.checks.result import Result
from nightview.lamps.catalogue import lamp_of
from nightview.site.placing import Placed

CHIEF = 0.1
"""A lamp that brings less than this share of a fault is not named for it."""


def lumens(job: Job, lamp: Placed) -> float:
    """What a lamp shines with in the state that is checked [lm]."""
    return lamp.lamp.flux_lm * job.state.level.get(lamp.id, 1.0)


def upward(job: Job) -> Iterator[Result]:
    """The share of all lamps' lumens that leaves into the sky without meeting anything.

    What a wall, a roof or leaves catch on the way up does not count, nor what they throw back up.
    """
    limit = job.limits[f"upward_{job.brief.zone}"]
    ledgers = ledgers_of(job)
    flux = {lamp.id: lumens(job, lamp) for lamp in job.lit_lamps}
    total = sum(flux.values())
    if total <= 0.0:
        yield Result("light into the sky", "all lamps", None, limit, "", reason="no lamp is on")
        return
    lost = {name: ledgers[name].sky * lm for name, lm in flux.items()}
    sky = sum(lost.values())
    chief = sorted((name for name in lost if lost[name] > CHIEF * sky), key=lambda n: -lost[n])
    yield Result(
        "light into the sky", "all lamps", 100.0 * sky / total, limit,
        f"{sky:.0f} of {total:.0f} lm go straight into the sky, zone {job.brief.zone}; what walls, "
        "roofs and leaves catch on the way is not counted",
        f"{about(sky / total)} of all the light goes straight into the sky.", None, tuple(chief),
    )  # fmt: skip


def off_target(job: Job) -> Iterator[Result]:
    """The share of each fixture's lumens that misses what it is meant for, by its worst lamp.

    Of a lamp at a wall, light on the same house's roof and other walls misses; light on the wall's own
    doors and windows, and on the eaves over it, does not; nor what passes between a tree's leaves.
    """
    limit = job.limits["off_target"]
    ledgers = ledgers_of(job)
    rows: dict[str, list[Placed]] = {}
    for lamp in job.lit_lamps:
        if lamp.lamp.flux_lm > 0.0:
            rows.setdefault(job.fixture_of[lamp.id].id, []).append(lamp)
    for name, lamps in rows.items():
        known = [lamp for lamp in lamps if ledgers[lamp.id].meant > 0.0]
        known.sort(key=lambda lamp: -ledgers[lamp.id].off)
        if not known:
            stated = job.fixture_of[lamps[0].id].lights
            yield Result("off target", name, None, limit, "", at=_at(lamps[0]),
                         lamps=tuple(lamp.id for lamp in lamps),
                         reason=f'none of its light meets "{stated}"' if stated else
                         'its aim meets nothing; say what it is meant for with lights = "a name"')  # fmt: skip
            continue
        worst = ledgers[known[0].id]
        yield Result(
            "off target", name, 100.0 * worst.off, limit, _account(job, known[0], worst),
            _missed(worst), _at(known[0]), tuple(lamp.id for lamp in known),
        )  # fmt: skip


def _account(job: Job, lamp: Placed, ledger: Ledger) -> str:
    """ "gable-1, 170 lm: 46 % on wing front, …"."""
    shield = job.fixture_of[lamp.id].shield_deg
    stopped = ""
    if shield is not None:
        bare = lamp_of(job.scene, lamp.lamp.name).installed(lamp.axis, lamp.reference).flux_lm
        stopped = f" after its collar, which stops {bare - ledger.flux_lm:.0f} lm"
    strays = [
        f"{name} {100 * share:.0f} %" for name, share in ledger.strays.items() if share > 0.02
    ]
    most = f"; astray on {', '.join(strays[:3])}" if strays else ""
    return f"{lamp.id}, {ledger.flux_lm:.0f} lm{stopped}: {ledger.said}{most}"


def _missed(ledger: Ledger) -> str:
    share, sky = about(ledger.off), ledger.sky > 0.5 * ledger.off
    where = ", and most of that goes into the sky" if sky else ""
    if ledger.target == ALL_ABOUT:
        return f"{share} of a lantern's light falls on nothing in the garden{where}."
    return f"{share} of the light meant for the {ledger.target} misses it{where}."


def _at(lamp: Placed) -> tuple[float, float, float]:
    x, y, z = lamp.position.tolist()
    return (x, y, z)


def about(share: float) -> str:
    """A share in words, at the start of a sentence: "About a third"."""
    for most, words in (
        (0.03, "Hardly any"), (0.08, "A little"), (0.15, "About a tenth"), (0.29, "About a quarter"),
        (0.4, "About a third"), (0.47, "Nearly half"), (0.55, "About half"),
        (0.72, "About two thirds"), (0.85, "About three quarters"), (0.96, "Most"),
    ):  # fmt: skip
        if share < most:
            return words
    return "Almost all"


def facade_luminance(job: Job) -> Iterator[Result]:
    """The mean luminance that lamps give to the brightest wall of each own house, as a matte surface."""
    limit = job.limits[f"facade_luminance_{job.brief.zone}"]
    for block in job.scene.blocks:
        walls = [area for area in job.areas("facade") if area.owner == block.name and len(area)]
        if not walls or block.name in job.brief.neighbours:
            continue
        shine = [job.readings.from_lamps(area) * area.per_lux for area in walls]
        means = [area.mean(values) for area, values in zip(walls, shine, strict=True)]
        k = max(range(len(means)), key=means.__getitem__)
        wall, spot = walls[k], int(shine[k].argmax())
        x, y, z = wall.points[spot].tolist()
        yield Result(
            "bright wall", block.name, means[k], limit,
            f"mean {means[k]:.2f} cd/m² from lamps on {wall.name}, its brightest wall, and at most "
            f"{shine[k][spot]:.1f} cd/m², zone {job.brief.zone}",
            f"The {wall.name} is brighter than suits so dark a neighbourhood.", (x, y, z),
            job.chief_lamps(wall, wall.weight * wall.per_lux) if means[k] > 0.01 else (),
        )  # fmt: skip


SKY_CHECKS = (upward, off_target, facade_luminance)
