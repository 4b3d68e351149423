"""Light that lamps throw on windows: own bedrooms, and neighbours before and after curfew.

The upright illuminance from lamps alone, direct and from surfaces, at the brightest of a pane's
points, just before the glass.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from nightview.checks.areas import Area
from nightview.checks.job import Job
from nightview.checks.limits import Limit
from nightview.checks.readings import Readings
from nightview.checks.result import Result
from nightview.scene.model import Opening

NONE_LX = 0.05
"""Less than this counts as none where the limit is none: the least that a full moon brings [Kyba 2017],
and half the last digit of a meter with tenths."""
SLEEPING = re.compile(
    r"\b(bed(?!ding)|sleep|nursery|dorm|bunk|child|kids?\b"
    r"|guest(?!\W*(wc|toilet|bath|shower|cloak|lavatory))"
    r"|schlaf|kinderzimmer|gäste ?zimmer|chambre|dormitorio|alcoba|rec[aá]mara|habitaci[oó]n"
    r"|camera da letto|cameretta|slaapkamer|quarto|sovrum|soverom|sovev|sypialni)",
    re.IGNORECASE,
)
"""How a room is called that somebody sleeps in: in English, German, French, Spanish, Italian, Dutch,
Portuguese, the Scandinavian languages and Polish [from memory]."""


def bedrooms(job: Job) -> Iterator[Result]:
    """Light at each pane of the own bedrooms."""
    limit = job.limits["own_bedroom"]
    theirs = set(job.brief.neighbours)
    own = {o.name: o for o in job.scene.openings if o.block not in theirs}
    panes = [area for area in job.areas("pane") if area.owner in own and len(area)]
    untold = dict.fromkeys(
        area.owner for area in panes
        if own[area.owner].kind == "window" and not own[area.owner].behind.strip()
    )  # fmt: skip
    if untold:
        yield Result("bedroom window", "own windows", None, limit, "",
                     reason=f"the scene does not say what is behind {', '.join(untold)}; "
                            'write behind = "bedroom", or another room')  # fmt: skip
    for area in panes:
        if SLEEPING.search(own[area.owner].behind):
            late = f", {_most(job.late, area):.2f} lx after curfew" if job.brief.curfew else ""
            yield _at_pane("bedroom window", area, job.readings, limit, late,
                           f"Light from the garden falls into the bedroom, on the {area.name}.")  # fmt: skip


def neighbours(job: Job) -> Iterator[Result]:
    """Light at each pane of the neighbours, before and after curfew, by the zone."""
    zone, curfew = job.brief.zone, job.brief.curfew
    before, after = job.limits[f"window_before_{zone}"], job.limits[f"window_after_{zone}"]
    theirs = set(job.brief.neighbours)
    openings: dict[str, Opening] = {o.name: o for o in job.scene.openings if o.block in theirs}
    panes = [area for area in job.areas("pane") if area.owner in openings and len(area)]
    panes += job.areas("neighbour")
    if not theirs and not panes:
        yield Result("neighbour's window", "neighbours", None, before, "",
                     reason="the scene names no neighbour; add [[neighbour]], or [check] neighbours")  # fmt: skip
    for block in sorted(theirs - {opening.block for opening in openings.values()}):
        yield Result("neighbour's window", block, None, before, "",
                     reason="it has no window in the scene")  # fmt: skip
    night = "" if curfew else "; no state after curfew is named, so the light is on all night"
    for area in panes:
        yield _at_pane("neighbour's window", area, job.readings, before, f", zone {zone}",
                       f"Light from the garden falls on a neighbour's window, {area.name}.")  # fmt: skip
        yield _at_pane("neighbour's window late", area, job.late, after,
                       f" after curfew, zone {zone}{night}",
                       f"Late at night light still falls on a neighbour's window, {area.name}.")  # fmt: skip


def neighbours_walls(job: Job) -> Iterator[Result]:
    """Mean luminance that lamps give to the brightest wall of each neighbour's block."""
    limit = job.limits[f"facade_luminance_{job.brief.zone}"]
    for block in dict.fromkeys(job.brief.neighbours):
        walls = [area for area in job.areas("facade") if area.owner == block]
        shines = [area.mean(job.readings.from_lamps(area) * area.per_lux) for area in walls]
        if not shines:
            yield Result("neighbour's wall", block, None, limit, "", reason="it has no wall")
            continue
        value = max(shines)
        wall = walls[shines.index(value)]
        yield Result(
            "neighbour's wall", block, value, limit,
            f"mean {value:.2f} cd/m² from lamps on {wall.name}, its brightest wall",
            f"The lamps light up the neighbour's house, {block}.", None,
            job.chief_lamps(wall, wall.weight),
        )  # fmt: skip


def _most(readings: Readings, area: Area) -> float:
    """The most that lamps bring to a point of an area [lx]."""
    return float(readings.from_lamps(area).max(initial=0.0))


def _at_pane(
    check: str, area: Area, readings: Readings, limit: Limit, more: str, plain: str
) -> Result:
    lux = readings.from_lamps(area)
    found = _most(readings, area)
    each = readings.by_lamp(area)[:, int(lux.argmax())]
    order = sorted(range(len(each)), key=lambda k: -each[k])
    x, y, z = area.points.mean(axis=0).tolist()
    return Result(
        check, area.name, 0.0 if limit.warn == 0 and found < NONE_LX else found, limit,
        f"{found:.2f} lx from lamps{more}", plain, (x, y, z),
        tuple(readings.names[k] for k in order if each[k] > 0.1 * found > 0),
    )  # fmt: skip


WINDOW_CHECKS = (bedrooms, neighbours, neighbours_walls)
