"""All checks of a job, in the order in which they are told."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from nightview.checks import people, sky, trees, walls, ways, windows
from nightview.checks.job import Job
from nightview.checks.people import PEOPLE_CHECKS
from nightview.checks.principles import PRINCIPLE_CHECKS
from nightview.checks.result import Result
from nightview.checks.sky import SKY_CHECKS
from nightview.checks.trees import TREE_CHECKS, WINTER_CHECKS
from nightview.checks.walls import WALL_CHECKS
from nightview.checks.ways import WAY_CHECKS
from nightview.checks.windows import WINDOW_CHECKS

Check = Callable[[Job], Iterator[Result]]
SEARCHED: tuple[Check, ...] = (
    *WALL_CHECKS, *WAY_CHECKS, *PEOPLE_CHECKS, *WINDOW_CHECKS, *SKY_CHECKS, *TREE_CHECKS,
)  # fmt: skip
"""Those asked again for every candidate of a remedy."""
CHECKS: tuple[Check, ...] = (*SEARCHED, *WINTER_CHECKS, *PRINCIPLE_CHECKS)
"""All of them; the last draw on the others, and raise no fault of their own."""


_FROM_BELOW = "no lamp that is on lights a wall from below"
_TOGETHER = "no wall has lamps that are on and light it together"
NOTHING: dict[Check, tuple[str, str, str, str]] = {
    walls.hot_spots: ("hot spot", "walls", "hot_spot_local", "no wall is lit enough to have one"),
    walls.black_holes: ("dark holes", "walls", "black_hole", _TOGETHER),
    walls.reach: ("reach", "walls", "reach", _FROM_BELOW),
    walls.evenness: ("evenness", "walls", "evenness", _TOGETHER),
    walls.scallops: ("scallops", "walls", "scallop", "no wall has a row of three lamps below it"),
    walls.balance: ("balance", "pairs", "balance",
                    "no lamps stand about a door, a window or a pair of columns"),
    ways.paths: ("path light", "paths", "path_mean", "the scene has no path"),
    ways.treads: ("tread light", "steps", "tread", "the scene has no steps"),
    ways.runway: ("runway", "paths", "runway", "no path has four lamps to each side"),
    people.dazzle_on_ways: ("dazzle", "paths", "threshold_increment", "the scene has no path"),
    people.bright_lamps: ("bright lamp", "lamps", "candela_near", "no lamp is on"),
    people.going_down: ("going down", "steps", "stairs_down", "the scene has no steps"),
    windows.bedrooms: ("bedroom window", "own windows", "own_bedroom",
                       "nobody sleeps behind a window, as far as the scene says"),
    windows.neighbours_walls: ("neighbour's wall", "neighbours", "facade_luminance_{zone}",
                               "no block of the scene is a neighbour's"),
    sky.off_target: ("off target", "lamps", "off_target", "no lamp is on"),
    sky.facade_luminance: ("bright wall", "walls", "facade_luminance_{zone}", "the scene has no house"),
    trees.crown_reach: ("reach into the crown", "trees", "crown_reach",
                        "no lamp that is on is meant for a tree"),
    trees.crown_growth: ("crown in ten years", "trees", "crown_growth", "no lamp stands beside a tree"),
    trees.bare_winter: ("off target in winter", "trees", "off_target_bare",
                        "no lamp that is on is meant for a tree that loses its leaves"),
}  # fmt: skip
"""What is told of a check that has found nothing to look at: check, place, limit, and why. Those that
are not here always say something."""


def results_of(job: Job, checks: tuple[Check, ...] = CHECKS) -> tuple[Result, ...]:
    """What the checks say, in their order; each (check, place) once, and each check something."""
    found: dict[tuple[str, str], Result] = {}
    for check in checks:
        told = list(check(job)) or [_untold(job, check)]
        for result in told:
            found.setdefault(result.key, result)
    return tuple(found.values())


def _untold(job: Job, check: Check) -> Result:
    says, place, name, reason = NOTHING[check]
    limit = job.limits[name.format(zone=job.brief.zone)]
    return Result(says, place, None, limit, "", reason=reason)


def check_of(job: Job, finding: Result) -> Check:
    """The check that a result comes from."""
    return next(check for check in CHECKS if any(r.key == finding.key for r in check(job)))
