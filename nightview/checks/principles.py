"""The five principles of responsible outdoor lighting, one figure each from what the checks know.

Useful, targeted, low level, controlled, warm: DarkSky and IES, Five Principles for Responsible Outdoor
Lighting (2020). The principles are published; the figures at which we speak up are ours, so all five
are told as taste and none is a fault by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from nightview.checks.job import Job
from nightview.checks.ledger import LEAST_CAUGHT, ledgers_of
from nightview.checks.result import Result
from nightview.checks.sky import about, lumens
from nightview.lamps.colour import rgb_of_cct
from nightview.site.surface import Array

USUAL_LX = {"facade": 30.0, "path": 10.0}
"""The upper end of what is usual at a home as a mean [calculated; common practice, no single
source]."""
CCT_STEP_K = 10.0


def useful(job: Job) -> Iterator[Result]:
    """The share of the lumens from lamps that light nothing they could be meant for."""
    limit, flux = job.limits["useful"], _lumens(job)
    if flux is None:
        yield _dark("useful light", job, "useful")
        return
    ledgers = ledgers_of(job)
    idle = [name for name in flux if ledgers[name].meant < LEAST_CAUGHT]
    share = sum(flux[name] for name in idle) / sum(flux.values())
    told = (
        f"{', '.join(idle)} light nothing they are meant for"
        if idle
        else "every lamp has a purpose"
    )
    yield Result(
        "useful light", "all lamps", 100.0 * share, limit, told,
        "Not every lamp lights something that is meant to be seen.", None, tuple(idle),
    )  # fmt: skip


def targeted(job: Job) -> Iterator[Result]:
    """The share of all lumens that misses what the lamps are meant for."""
    limit, flux = job.limits["targeted"], _lumens(job)
    if flux is None:
        yield _dark("targeted light", job, "targeted")
        return
    ledgers = ledgers_of(job)
    lost = {name: ledgers[name].off * lm for name, lm in flux.items()}
    total, off = sum(flux.values()), sum(lost.values())
    chief = [name for name in sorted(lost, key=lambda n: -lost[n]) if lost[name] > 0.1 * off]
    yield Result(
        "targeted light", "all lamps", 100.0 * off / total, limit,
        f"{off:.0f} of {total:.0f} lm miss what they are meant for",
        f"{about(off / total)} of all the light misses what it is meant for.", None, tuple(chief),
    )  # fmt: skip


def low_level(job: Job) -> Iterator[Result]:
    """The brightest wall or path by its mean, against the upper end of what is usual."""
    limit = job.limits["low_level"]
    levels = [
        (area.mean(job.readings.from_lamps(area)) / USUAL_LX[area.kind], area)
        for area in job.areas(*USUAL_LX)
        if area.owner not in job.brief.neighbours
    ]
    if not levels or max(levels, key=lambda item: item[0])[0] < 0.01:
        yield Result("low level", "all lamps", None, limit, "",
                     reason="no wall and no path is lit")  # fmt: skip
        return
    value, area = max(levels, key=lambda item: item[0])
    usual = USUAL_LX[area.kind]
    yield Result(
        "low level", "all lamps", value, limit,
        f"{area.name} is the brightest by this measure, mean {value * usual:.1f} lx from lamps; up to "
        f"{usual:g} lx is usual",
        f"The {area.name} has more light than it needs.", None, job.chief_lamps(area, area.weight),
    )  # fmt: skip


def controlled(job: Job) -> Iterator[Result]:
    """The share of the lumens that is still on late at night."""
    limit, flux = job.limits["controlled"], _lumens(job)
    if flux is None:
        yield _dark("controlled light", job, "controlled")
        return
    if job.brief.curfew is None:
        yield Result("controlled light", "all lamps", None, limit, "",
                     reason="no state for late at night is named; write curfew = \"a state\" under [check]")  # fmt: skip
        return
    state = job.late.state
    late = sum(
        lamp.lamp.flux_lm * state.level.get(lamp.id, 1.0)
        for lamp in job.site.fixtures
        if lamp.id not in state.absent
    )
    total = sum(flux.values())
    yield Result(
        "controlled light", "all lamps", 100.0 * late / total, limit,
        f"{late:.0f} of {total:.0f} lm are still on in the state {job.brief.curfew}",
        f"Late at night {about(late / total).lower()} of the light is still on.", None, tuple(flux),
    )  # fmt: skip


def warm(job: Job) -> Iterator[Result]:
    """The coolest light that is on."""
    limit = job.limits["warm"]
    colours = {
        lamp.id: cct_of(job.state.rgb[lamp.id]) if lamp.id in job.state.rgb else lamp.cct_k
        for lamp in job.lit_lamps
    }
    if not colours:
        yield _dark("warm light", job, "warm")
        return
    coolest = max(colours.values())
    cool = [
        name for name in sorted(colours, key=lambda n: -colours[n]) if colours[name] > limit.warn
    ]
    told = f"; above {limit.warn:g} K are {', '.join(cool)}" if cool else ""
    yield Result(
        "warm light", "all lamps", coolest, limit, f"{coolest:.0f} K at most{told}",
        "Some of the light is cooler than it should be at night.", None, tuple(cool),
    )  # fmt: skip


def cct_of(rgb: Array) -> float:
    """The colour temperature [K], to ten, whose light has the colour of linear RGB (3,); the inverse of
    ``rgb_of_cct`` from 1900 K, where blue begins, to 10 000 K."""
    kelvin, ratio = _locus()
    return float(np.interp(rgb[2] / rgb[0], ratio, kelvin).round(-1))


@lru_cache(maxsize=1)
def _locus() -> tuple[Array, Array]:
    kelvin = np.arange(1900.0, 10000.0 + CCT_STEP_K, CCT_STEP_K)
    colours = np.array([rgb_of_cct(k) for k in kelvin])
    return kelvin, colours[:, 2] / colours[:, 0]


def _lumens(job: Job) -> dict[str, float] | None:
    """Lamp id → what it shines with [lm], of those that are on; None if there is no light."""
    flux = {lamp.id: lumens(job, lamp) for lamp in job.lit_lamps}
    return flux if sum(flux.values()) > 0.0 else None


def _dark(check: str, job: Job, limit: str) -> Result:
    return Result(check, "all lamps", None, job.limits[limit], "", reason="no lamp is on")


PRINCIPLE_CHECKS = (useful, targeted, low_level, controlled, warm)
