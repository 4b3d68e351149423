"""All checks of a job, in the order in which they are told."""

from __future__ import annotations

from collections.abc import Callable, Iterator

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


def results_of(job: Job, checks: tuple[Check, ...] = CHECKS) -> tuple[Result, ...]:
    """What the checks say, in their order; each (check, place) once."""
    found: dict[tuple[str, str], Result] = {}
    for check in checks:
        for result in check(job):
            found.setdefault(result.key, result)
    return tuple(found.values())


def check_of(job: Job, finding: Result) -> Check:
    """The check that a result comes from."""
    return next(check for check in CHECKS if any(r.key == finding.key for r in check(job)))
