"""Remedies: found by trying, the smallest first, raising nothing else, and proved by a fresh trace."""

from __future__ import annotations

from dataclasses import replace

import pytest
from checked import job_of, lamp, wall

import nightview as nv
from nightview.checks.applied import applied
from nightview.checks.changes import Change, both, changes_for
from nightview.checks.remedies import Mended, _settled, mended
from nightview.checks.run import results_of
from nightview.checks.words import remedy_told
from nightview.scene.read import parse

WINDOW = """
[[opening]]
name = "window"
block = "house"
along = "3 m"
sill = "1 m"
size = "1 m, 1 m"
"""


def mend(text: str) -> tuple[Mended, dict, str]:
    """What the search brings, the results before, and the scene's text with the remedies made."""
    job = job_of(text)
    results = results_of(job)
    found = mended(job, results)
    changes = found.changes
    return found, {result.key: result for result in results}, applied(text, changes)


def anew(text: str) -> dict:
    """What the checks say of a text read, built and traced from nothing."""
    return {result.key: result for result in results_of(job_of(text))}


def test_a_hot_spot_is_cleared_and_the_cure_is_true():
    text = wall(lamp("up", 3, 0.15))
    found, before, after_text = mend(text)
    cure = next(cure for cure in found.cures if cure.key[0] == "hot spot")
    assert before[cure.key].verdict == "strong"
    assert cure.cleared and cure.after < before[cure.key].limit.warn < cure.before
    fresh = anew(after_text)
    assert fresh[cure.key].value == pytest.approx(cure.after, rel=1e-6)
    for result in fresh.values():
        assert not result.counts or result.rank <= before[result.key].rank


def test_a_remedy_raises_no_other_finding():
    text = wall(WINDOW + lamp("l", 1.8, 0.15) + lamp("r", 4.2, 0.4))
    found, before, after_text = mend(text)
    for key, result in anew(after_text).items():
        old = before.get(key)
        assert result.rank <= (old.rank if old else 0) or not result.counts, key
    assert any(cure.applied for cure in found.cures)


def test_the_least_trouble_comes_first():
    job = job_of(wall(lamp("up", 3, 0.15)))
    found = results_of(job)
    cure = next(c for c in mended(job, found).cures if c.applied)
    finding = next(r for r in found if r.key == cure.key)
    tries = changes_for(job, finding)
    assert [change.trouble for change in tries] == sorted(change.trouble for change in tries)
    for change in tries:  # none of those before it would have done
        if change.trouble < cure.changes[0].trouble:
            value = next(r.value for r in results_of(_with(job, change)) if r.key == finding.key)
            assert value > finding.limit.warn / 1.02 or _raises(job, change, finding)


def _with(job, change):
    from nightview.checks.remedies import tried

    return tried(job, change.on(job.scene)).job


def _raises(job, change, finding):
    old = {r.key: r for r in results_of(job)}
    new = {r.key: r for r in results_of(_with(job, change))}
    return any(
        r.limit.kind != "taste" and r.key != finding.key
        and r.value is not None and r.limit.excess(r.value) > 1 / 1.02
        and (old.get(r.key) is None or old[r.key].value is None or r.limit.excess(r.value) > old[r.key].limit.excess(old[r.key].value))
        for r in new.values()
    )  # fmt: skip


def test_a_missing_lamp_of_a_pair_is_added_or_the_other_dimmed():
    text = wall(WINDOW + lamp("l", 1.8, 0.5, more="# left of the window"))
    found, before, after_text = mend(text)
    cure = next(cure for cure in found.cures if cure.key == ("balance", "window"))
    assert before[cure.key].verdict == "strong" and cure.cleared
    assert "# left of the window" in after_text
    assert any(fixture.id.startswith("l mirrored") for fixture in parse(after_text).fixtures)
    assert anew(after_text)[cure.key].verdict == "good"


def test_what_cannot_be_cured_is_said():
    """No light reaches higher than a wall's top."""
    text = wall(lamp("up", 3, 0.5)) + "[check.limits]\nreach = { warn = 3.0 }\n"
    found, _, _ = mend(text)
    cure = next(cure for cure in found.cures if cure.key[0] == "reach")
    assert not cure.cleared
    assert "no small change" in cure.words or "does not clear" in cure.words


def test_a_fault_that_is_none_any_more_though_not_yet_good_is_told_so():
    """A lamp straight up before a low wall: the least tilt that ends the fault leaves a warning."""
    found, before, after_text = mend(wall(lamp("up", 3, 1.0, 88, "wide"), height=2.5))
    cure = next(cure for cure in found.cures if cure.key == ("off target", "up"))
    limit = before[cure.key].limit
    assert before[cure.key].counts and cure.before > limit.strong > cure.after > limit.warn
    assert cure.cleared and cure.applied
    assert remedy_told(before[cure.key], {cure.key: cure}).endswith("though not yet good")
    after = anew(after_text)[cure.key]
    assert after.is_finding and not after.counts


def test_a_row_is_changed_as_one_and_the_words_say_so():
    row = lamp("up", 2, 1.0, 88, "wide", more='count = 2\nspacing = "2 m"')
    found, _, _ = mend(wall(row, height=2.5))
    cure = next(cure for cure in found.cures if cure.key == ("off target", "up"))
    assert cure.applied and cure.words.startswith("aim each lamp of up ")


def test_taste_is_told_and_not_applied():
    row = "".join(lamp(f"l{k}", 1 + k * 1.2, 0.35, 80, "wide") for k in range(4))
    found, before, after_text = mend(wall(row))
    taste = [cure for cure in found.cures if before[cure.key].limit.kind == "taste"]
    assert taste and not any(cure.applied for cure in taste)
    changed = [cure for cure in found.cures if cure.applied]
    assert (after_text == wall(row)) == (not changed)


def test_changes_of_one_fixture_go_together():
    a = Change("x", {"out_m": 0.5}, 1.0, "a", "a")
    b = Change("x", {"dim": 0.5}, 1.0, "b", "b")
    joined = both(a, b)
    assert joined.values == {"out_m": 0.5, "dim": 0.5} and joined.trouble == 2.0
    assert both(a, Change("y", {"dim": 0.5}, 1.0, "b", "b")) is None
    assert both(a, a) is None


def test_a_change_is_written_with_its_comments_kept():
    text = wall("# before\n" + lamp("up", 3, 0.15, more="# its own") + "# after\n")
    new = applied(text, [Change("up", {"out_m": 0.45, "shield_deg": 45.0}, 1.0, "", "")])
    assert parse(new).fixtures[0].out_m == 0.45 and parse(new).fixtures[0].shield_deg == 45.0
    assert all(comment in new for comment in ("# before", "# its own", "# after"))


def test_a_shield_stops_light_and_loses_its_lumens():
    open_, closed = (
        nv.build(parse(wall(lamp("up", 3, 0.5, more=more)))).fixtures[0].lamp.intensity
        for more in ("", 'shield = "30 deg"')
    )
    import numpy as np

    assert closed.at(np.cos(np.radians(36))) == 0.0
    assert closed.at(np.cos(np.radians(20))) == open_.at(np.cos(np.radians(20)))
    assert closed.at(np.cos(np.radians(30))) == pytest.approx(
        0.5 * open_.at(np.cos(np.radians(30))), rel=0.02
    )
    assert closed.flux_lm < open_.flux_lm


def test_what_a_later_change_takes_back_is_not_told():
    """A lamp aimed higher for one finding, then set out and aimed as it was for another: it is set out."""
    job = job_of(wall(lamp("up", 3, 0.15)))
    told = {result.key: result for result in results_of(job) if result.is_finding}
    one, other = ("brightest spot", "house front"), ("hot spot", "house front, by up")
    told = {one: told[other], other: told[other]}
    higher = Change("up", {"elevation_deg": 86.0}, 1.1, "6 deg higher", "")
    out = Change("up", {"out_m": 0.45, "elevation_deg": 80.0}, 3.0, "out, and 6 deg lower", "")
    ((key, change),) = _settled([(one, higher), (other, out)], job, told)
    assert key == other and dict(change.values) == {"out_m": 0.45}
    assert change.said == "set up 0.30 m (12 in) farther out from the wall, 0.45 m (18 in) in all"
    odd = replace(out, values={"out_m": 0.47, "dim": 0.55})  # as no maker has it
    ((_, change), (_, last)) = _settled([(one, higher), (other, odd)], job, told)
    assert (change, last) == (higher, odd)
    ((_, change),) = _settled(
        [(one, replace(higher, values={"dim": 0.9})), (other, odd)], job, told
    )
    assert change.said == "set up to out 0.47 m (19 in), dim 55 %"
