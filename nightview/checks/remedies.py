"""Remedies found by search: the smallest change that clears a finding and raises no other.

Each candidate is tried: the lamp is put there, its direct light evaluated anew at all points, and all
checks asked again. What is kept is traced in full in the end, and told with the figures before and
after.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from nightview.checks.changes import Change, both, changes_for, said_anew
from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.checks.run import CHECKS, SEARCHED, Check, check_of, results_of
from nightview.errors import NightviewError
from nightview.light.field import trace
from nightview.scene.model import Scene
from nightview.site.build import build, relit

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
    made and traced. cleared : whether it is no fault then; it may not yet be good.
    applied : whether its changes are part of the changed scene; what only taste speaks for is not.
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


def put(job: Job, scene: Scene) -> Job:
    """The job of a scene whose fixtures alone differ; NightviewError where a lamp would stand inside
    something."""
    return Job.of(job.meter, relit(job.site, scene), job.limits, job.names[0])


def tried(job: Job, scene: Scene, checks: tuple[Check, ...] = SEARCHED) -> Trial:
    """The checks asked of a scene whose fixtures alone differ; errors as ``put``."""
    return _asked(put(job, scene), checks)


def _asked(job: Job, checks: tuple[Check, ...]) -> Trial:
    return Trial(job, {result.key: result for result in results_of(job, checks)})


@dataclass(frozen=True, eq=False)
class Mended:
    """What the search brought: a cure for each finding, all changes of those that are applied in the
    order they are made in, the scene with them made, and the trial of that scene, traced in full."""

    cures: tuple[Cure, ...]
    changes: tuple[Change, ...]
    scene: Scene
    after: Trial


def mended(job: Job, results: Sequence[Result], report: Progress | None = None) -> Mended:
    """Look for a cure of every finding.

    They are taken one after the other, the gravest first, each on the scene as mended so far; then the
    scene is traced, and what has become amiss is taken up too. What no small change clears is left as
    it is, with the change told that would ease it most.
    """
    start = now = Trial(job, {result.key: result for result in results})
    told: dict[tuple[str, str], Result] = {r.key: r for r in results if r.is_finding}
    made: list[tuple[tuple[str, str], Change]] = []
    eased: dict[tuple[str, str], Change | None] = {}
    for turn in range(ROUNDS):
        open_ = [r for r in now.results.values() if r.counts and r.key not in eased]
        before = now.job.scene
        for number, finding in enumerate(sorted(open_, key=_gravity)):
            if report:
                words = f"remedy for {finding.check}, {finding.place}"
                report(turn * 100 + 90 * number // len(open_), ROUNDS * 100, words)
            told.setdefault(finding.key, finding)
            here = now.results.get(finding.key)
            if here is not None and here.counts:
                change, trial = _best(now, here)
                if change is not None and trial is not None:
                    made.append((finding.key, change))
                    now = trial
                else:
                    eased[finding.key] = change
        if now.job.scene is before:
            break
        if report:
            report(turn * 100 + 90, ROUNDS * 100, "light of the changed scene")
        now = traced_again(job, now.job.scene)
    for finding in [r for r in now.results.values() if r.is_finding and not r.counts]:
        told.setdefault(finding.key, finding)
        change, _ = _best(now, finding)
        if change is not None:
            eased[finding.key] = change
    made = _settled(made, start.job, told)
    chosen = {key: tuple(change for own, change in made if own == key) for key in told}
    cures = tuple(
        _cure(finding, chosen[key], eased.get(key), start, now) for key, finding in told.items()
    )
    if report:
        report(ROUNDS * 100, ROUNDS * 100, "done")
    return Mended(cures, tuple(change for _, change in made), now.job.scene, now)


def _settled(
    made: Sequence[tuple[tuple[str, str], Change]],
    job: Job,
    told: Mapping[tuple[str, str], Result],
) -> list[tuple[tuple[str, str], Change]]:
    """The changes without what later ones take back, so that each lamp is told once what to be.

    job : the scene before any of them. What is left of a change is said anew, as a change of that.
    """
    fixtures = {fixture.id: fixture for fixture in job.scene.fixtures}
    copied = {change.fixture for _, change in made if change.added}  # a copy has what stood then
    settled = []
    for number, (key, change) in enumerate(made):
        fixture = fixtures.get(change.fixture)
        if fixture is None or change.added or change.fixture in copied:
            settled.append((key, change))
            continue
        before, later = (
            {name for _, other in part if other.fixture == change.fixture for name in other.values}
            for part in (made[:number], made[number + 1 :])
        )
        values = {
            name: value
            for name, value in change.values.items()
            if name not in later and value != getattr(fixture, name)
        }
        if values == dict(change.values) and not before & set(values):
            settled.append((key, change))
        elif values:
            settled.append((key, said_anew(job, told[key], replace(change, values=values))))
    return settled


def traced_again(job: Job, scene: Scene) -> Trial:
    """A scene with other lamps traced in full, and all checks asked."""
    job.meter.traced(trace(build(scene)))
    return tried(job, scene, CHECKS)


def _gravity(result: Result) -> tuple[int, float]:
    return -result.rank, -result.limit.excess(result.value or 0.0)


def _best(now: Trial, finding: Result) -> tuple[Change | None, Trial | None]:
    """The least change that clears a finding and raises no other, with its trial; else the one that
    eases it most, without; else nothing."""
    own = check_of(now.job, finding)
    singles = changes_for(now.job, finding)
    good: list[tuple[float, Change]] = []
    before = finding.limit.excess(finding.value or 0.0)
    wanted = 1.0 / MARGIN if finding.counts else _at_rest(finding)

    def look(changes: Sequence[Change]) -> tuple[Change, Trial] | None:
        for change in changes:
            try:
                job = put(now.job, change.on(now.job.scene))
            except NightviewError:
                continue
            # First the one check alone: most candidates do not clear it.
            result = next((r for r in results_of(job, (own,)) if r.key == finding.key), None)
            excess = 0.0
            if result is not None and result.value is not None:
                excess = result.limit.excess(result.value)
            if excess > wanted:
                if excess < EASES * before:
                    good.append((excess, change))
                continue
            trial = _asked(job, SEARCHED)
            if not _raises(now, trial, finding):
                return change, trial
            good.append((excess, change))  # with another it may raise nothing
        return None

    found = look(singles[: SINGLES if finding.counts else TASTE_TRIES])
    if found is None and finding.counts:
        found = look(_pairs(good, singles)[:PAIRS])
    if found is not None:
        return found
    for _, change in sorted(good, key=lambda item: item[0])[:4]:
        if not _raises(now, tried(now.job, change.on(now.job.scene)), finding):
            return change, None
    return None, None


def _at_rest(finding: Result) -> float:
    """The excess below which a finding that is no fault is no finding either."""
    return finding.limit.excess(finding.limit.warn) / MARGIN


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


def _raises(now: Trial, trial: Trial, finding: Result) -> bool:
    """Whether a trial has raised another result that may be a fault."""
    return any(
        _raised(now.results.get(key) or _like(now, result), result)
        for key, result in trial.results.items()
        if key != finding.key and result.limit.kind != "taste"
    )


def _like(now: Trial, result: Result) -> Result | None:
    """What a result that was not there before is held against: the worst of the same check, since a
    lamp that is added is no worse for what its like did already."""
    same = [r for r in now.results.values() if r.check == result.check and r.value is not None]
    return max(same, key=lambda r: r.limit.excess(r.value or 0.0), default=None)


def _raised(old: Result | None, new: Result) -> bool:
    """Whether a result has become a fault, or all but become one, or a worse one."""
    if new.value is None:
        return False
    excess = new.limit.excess(new.value)
    if old is None or old.value is None:
        return excess > 1.0 / MARGIN
    before = old.limit.excess(old.value)
    if old.counts:
        return new.rank > old.rank or excess > WORSE * before
    return excess > 1.0 / MARGIN and excess > before


def _cure(
    finding: Result, changes: tuple[Change, ...], eases: Change | None, start: Trial, after: Trial
) -> Cure:
    assert finding.value is not None
    later = after.results.get(finding.key)
    if not changes and eases is not None and later is not None and later.is_finding:
        trial = tried(after.job, eases.on(after.job.scene), CHECKS)
        there = trial.results.get(finding.key)
        cleared = _is_cleared(finding, there)
        return Cure(
            finding.key, (eases,), finding.value, there.value if there else None, cleared, False,
            eases.said + _how_far(cleared), eases.plain,
            _moved(start, after.job.scene, eases, finding),
        )  # fmt: skip
    value = None if later is None else later.value
    cleared = _is_cleared(finding, later)
    if changes:
        words = "; then ".join(change.said for change in changes) + _how_far(cleared)
        plain = ", and ".join(dict.fromkeys(change.plain for change in changes))
    elif cleared:
        words = plain = "cleared by what is changed for other findings"
    else:
        words = "no small change was found that clears it and raises nothing else"
        plain = "we will look at it on site"
    others: tuple[tuple[str, str, float, float], ...] = ()
    for change in changes[:1]:
        others = _moved(start, start.job.scene, change, finding)
    return Cure(
        finding.key, changes, finding.value, value, cleared, bool(changes), words, plain, others
    )


def _is_cleared(finding: Result, later: Result | None) -> bool:
    """Whether a finding is gone; of a fault, whether it is one no more."""
    return later is None or not (later.counts if finding.counts else later.is_finding)


def _how_far(cleared: bool) -> str:
    """What is to be said of a remedy that leaves its finding one."""
    return "" if cleared else " (this eases it and does not clear it)"


def _moved(
    start: Trial, scene: Scene, change: Change, finding: Result
) -> tuple[tuple[str, str, float, float], ...]:
    """What else a change moves by a tenth or more, against the light as it stands."""
    try:
        alone = tried(start.job, change.on(scene)).results
    except NightviewError:
        return ()
    found = []
    for key, result in alone.items():
        old = start.results.get(key)
        if key == finding.key or old is None or not old.value or result.value is None:
            continue
        if abs(result.value / old.value - 1.0) > MOVED:
            found.append((*key, old.value, result.value))
    return tuple(found)
