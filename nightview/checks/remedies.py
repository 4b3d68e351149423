"""Remedies found by search: the smallest change that clears a finding and raises no other.

Each candidate is tried: the lamp is put there, its direct light evaluated anew at all points, and all
checks asked again. What is kept is traced in full in the end, and told with the figures before and
after.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from nightview.checks.changes import Change, both, changes_for
from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.checks.run import CHECKS, SEARCHED, Check, results_of
from nightview.errors import NightviewError
from nightview.light.field import LightField, trace
from nightview.scene.model import Scene
from nightview.site.build import build

MARGIN = 1.02
"""A candidate is to clear its limit by so much, since its bounced light is assumed until traced."""
WORSE = 1.05
"""Another finding may not become worse by more than this."""
SINGLES, PAIRS = 36, 24
"""Candidates tried for one finding: single changes, and two together where none is enough."""
TASTE_TRIES = 10
EASES = 0.97
"""A change that does not clear a finding is worth telling if it takes it down to this share."""
MOVED = 0.1
ROUNDS = 3
"""Times that the changed scene is traced and looked at again."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Cure:
    """What is changed for a finding, and what that does to it.

    changes : what is changed for it; empty where nothing was found, or where what is changed for
    another finding clears it too. before, after : its value as the light stands, and with all changes
    made and traced. cleared : whether that is within the limit. applied : whether its changes are part
    of the changed scene; what only taste speaks for is not.
    others : results that its changes alone move by a tenth or more, (check, place, before, after).
    """

    key: tuple[str, str]
    changes: tuple[Change, ...]
    before: float
    after: float | None
    cleared: bool
    applied: bool
    words: str
    plain: str
    others: tuple[tuple[str, str, float, float], ...] = ()


@dataclass(frozen=True, eq=False)
class Trial:
    """A scene tried: its job and what the checks say of it."""

    job: Job
    results: dict[tuple[str, str], Result]


def tried(job: Job, scene: Scene, checks: tuple[Check, ...] = SEARCHED) -> Trial:
    """The checks asked of a scene whose lighting alone differs from the job's.

    NightviewError where a lamp would stand inside something.
    """
    site = build(scene)
    field = replace(job.meter.light, site=site)
    state, late = (field.state(name) for name in job.names)
    readings = job.meter.read(site, state)
    made = Job(
        site, job.meter, job.limits, readings,
        readings if job.names[0] == job.names[1] else job.meter.read(site, late), job.names,
    )  # fmt: skip
    return Trial(made, {result.key: result for result in results_of(made, checks)})


@dataclass(frozen=True, eq=False)
class Mended:
    """What the search brought: a cure for each finding, the scene with all that count made, and the
    trial of that scene, traced in full."""

    cures: tuple[Cure, ...]
    scene: Scene
    after: Trial


def mended(job: Job, results: Sequence[Result], report: Progress | None = None) -> Mended:
    """Look for a cure of every finding.

    They are taken one after the other, the gravest first, each on the scene as mended so far; then the
    scene is traced, and what is still amiss, or has become so, is taken up again.
    """
    start = now = Trial(job, {result.key: result for result in results})
    told: dict[tuple[str, str], Result] = {r.key: r for r in results if r.is_finding}
    chosen: dict[tuple[str, str], list[Change]] = {}
    for turn in range(ROUNDS):
        findings = sorted((r for r in now.results.values() if r.counts), key=_gravity)
        before = now.job.scene
        for number, finding in enumerate(findings):
            if report:
                words = f"remedy for {finding.check}, {finding.place}"
                report(turn * 100 + 90 * number // len(findings), ROUNDS * 100, words)
            told.setdefault(finding.key, finding)
            here = now.results.get(finding.key)
            if here is not None and here.counts:
                change, trial = _best(now, here)
                if change is not None and trial is not None:
                    chosen.setdefault(finding.key, []).append(change)
                    now = trial
        if now.job.scene is before:
            break
        if report:
            report(turn * 100 + 90, ROUNDS * 100, "light of the changed scene")
        now = traced_again(job, now.job.scene)
    for finding in [r for r in now.results.values() if r.is_finding and not r.counts]:
        told.setdefault(finding.key, finding)
        change, _ = _best(now, finding)
        if change is not None:
            chosen[finding.key] = [change]
    cures = tuple(
        _cure(finding, tuple(chosen.get(finding.key, ())), start, now) for finding in told.values()
    )
    if report:
        report(ROUNDS * 100, ROUNDS * 100, "done")
    return Mended(cures, now.job.scene, now)


def traced_again(job: Job, scene: Scene) -> Trial:
    """A scene with other lamps traced in full, and all checks asked."""
    field: LightField = trace(build(scene))
    job.meter.traced(field)
    return tried(job, scene, CHECKS)


def _gravity(result: Result) -> tuple[int, float]:
    return -result.rank, -result.limit.excess(result.value or 0.0)


def _best(now: Trial, finding: Result) -> tuple[Change | None, Trial | None]:
    """The least change that clears a finding and raises no other; else the one that eases it most."""
    singles = changes_for(now.job, finding)
    best: tuple[float, Change, Trial] | None = None
    good: list[tuple[float, Change]] = []
    before = finding.limit.excess(finding.value or 0.0)
    for change in singles[: SINGLES if finding.counts else TASTE_TRIES]:
        trial, excess = _tried(now, change, finding)
        if trial is not None and excess <= 1.0 / MARGIN:
            return change, trial
        if trial is not None and excess < EASES * before:
            good.append((excess, change))
            if best is None or excess < best[0]:
                best = (excess, change, trial)
    for change in _pairs(good, singles)[:PAIRS] if finding.counts else ():
        trial, excess = _tried(now, change, finding)
        if trial is not None and excess <= 1.0 / MARGIN:
            return change, trial
        if trial is not None and best is not None and excess < best[0]:
            best = (excess, change, trial)
    return (best[1], best[2]) if best else (None, None)


def _pairs(good: list[tuple[float, Change]], singles: list[Change]) -> list[Change]:
    """The changes that help most, each with another, the least trouble first."""
    helpful = [change for _, change in sorted(good, key=lambda item: item[0])[:6]]
    found: dict[tuple[object, ...], Change] = {}
    for a in helpful:
        for b in singles:
            joined = both(a, b)
            if joined is not None:
                found.setdefault((joined.fixture, *sorted(map(str, joined.values.items()))), joined)
    return sorted(found.values(), key=lambda change: change.trouble)


def _tried(now: Trial, change: Change, finding: Result) -> tuple[Trial | None, float]:
    """The change tried, and how far the finding then is beyond its limit; None if it cannot be made or
    raises another."""
    try:
        trial = tried(now.job, change.on(now.job.scene))
    except NightviewError:
        return None, float("inf")
    after = trial.results.get(finding.key)
    excess = 0.0 if after is None or after.value is None else after.limit.excess(after.value)
    for key, result in trial.results.items():
        old = now.results.get(key) or _like(now, result)
        if key != finding.key and result.limit.kind != "taste" and _raised(old, result):
            return None, excess
    return trial, excess


def _like(now: Trial, result: Result) -> Result | None:
    """What a result that was not there before is held against: the worst of the same check, since a
    lamp that is added is no worse for what its like did already."""
    same = [r for r in now.results.values() if r.check == result.check and r.value is not None]
    return max(same, key=lambda r: r.limit.excess(r.value or 0.0), default=None)


def _raised(old: Result | None, new: Result) -> bool:
    """Whether a result has come, or all but come, to a worse verdict, or become worse within it."""
    if new.value is None:
        return False
    excess = new.limit.excess(new.value)
    if old is None or old.value is None:
        return excess > 1.0 / MARGIN
    before = old.limit.excess(old.value)
    if new.rank > old.rank or (old.rank and excess > WORSE * before):
        return True
    return not old.rank and excess > 1.0 / MARGIN and excess > before


def _cure(finding: Result, changes: tuple[Change, ...], start: Trial, after: Trial) -> Cure:
    assert finding.value is not None
    applied = finding.counts and bool(changes)
    if changes and not finding.counts:
        later = tried(after.job, changes[0].on(after.job.scene), CHECKS).results.get(finding.key)
    else:
        later = after.results.get(finding.key)
    cleared = later is None or not later.is_finding
    value = None if later is None else later.value
    if changes:
        words = "; then ".join(change.said for change in changes)
        plain = ", and ".join(dict.fromkeys(change.plain for change in changes))
        if not cleared:
            words += " (this eases it and does not clear it)"
    elif cleared:
        words = plain = "cleared by what is changed for other findings"
    else:
        words = "no small change was found that clears it and raises nothing else"
        plain = "we will look at it on site"
    others: list[tuple[str, str, float, float]] = []
    if applied:
        scene = start.job.scene
        for change in changes:
            scene = change.on(scene)
        try:
            alone = tried(start.job, scene).results
        except NightviewError:
            alone = {}
        for key, result in alone.items():
            old = start.results.get(key)
            if key == finding.key or old is None or not old.value or result.value is None:
                continue
            if abs(result.value / old.value - 1.0) > MOVED:
                others.append((*key, old.value, result.value))
    return Cure(
        finding.key, changes, finding.value, value, cleared, applied, words, plain, tuple(others)
    )
