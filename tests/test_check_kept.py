"""What checks ask is kept on disk: the same check again traces nothing and says the same to the last
digit, and what is only tried is not kept."""

from __future__ import annotations

from dataclasses import replace

import pytest
from checked import lamp, wall

import nightview as nv
from nightview.checks.job import Job
from nightview.checks.remedies import put
from nightview.checks.run import results_of
from nightview.light import field, rays
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED

SCENE = (
    wall(lamp("up", 2.0, 0.5) + lamp("side", 4.2, 0.6, kind="wide")).replace(
        'surroundings = "none"', 'surroundings = "rural"'
    )
    + """
[ground]
material = "grass"
size = "16 m, 12 m"
[[opening]]
name = "bed window"
block = "house"
kind = "window"
along = "3 m"
sill = "1 m"
size = "1 m, 1 m"
behind = "bedroom"
glow = "20 cd/m2"
[[path]]
name = "walk"
line = ["0 m, -4 m", "6 m, -4 m"]
width = "1 m"
[[steps]]
name = "flight"
at = "-3 m, 0 m"
bearing = "0 deg"
width = "1 m"
count = 2
[[tree]]
name = "apple"
at = "3 m, -2.5 m"
height = "3 m"
crown = "1.6 m"
[[fixture]]
id = "tree"
lamp = "narrow"
at = "3 m, -3.4 m, 0.1 m"
aim_at = "apple"
[[view]]
name = "gate"
eye = "-3 m, -5 m, 1.6 m"
target = "1 m, 0 m, 1.5 m"
[[state]]
name = "late"
fixtures = { up = { on = false } }
[check]
curfew = "late"
"""
)


def job_of(text: str, traced: bool = False) -> Job:
    site = nv.build(parse(text))
    return Job.at(nv.trace(site) if traced else site, AS_DESIGNED)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("NIGHTVIEW_CACHE", str(tmp_path))
    return tmp_path / "light"


@pytest.fixture
def nothing_traced(monkeypatch):
    """No ray may be sent and no map read, from when it is called."""

    def never(*_args, **_kwargs):
        raise AssertionError("this was to be kept")

    def shut() -> None:
        monkeypatch.setattr(rays.Tracer, "__init__", never)
        monkeypatch.setattr(field, "trace", never)

    return shut


def test_again_it_says_the_same_and_traces_nothing(folder, nothing_traced):
    traced = results_of(job_of(SCENE, traced=True))
    first = results_of(job_of(SCENE))
    nothing_traced()
    again = results_of(job_of(SCENE))
    assert len(again) > 15 and {"off target in winter", "dazzle"} <= {r.check for r in again}
    assert first == again == traced


def test_dimmed_or_renamed_limits_need_no_tracing_either(folder, nothing_traced):
    results_of(job_of(SCENE))
    nothing_traced()
    dimmed = SCENE.replace('id = "up"\n', 'id = "up"\ndim = 0.5\n')
    half = {
        r.key: r for r in results_of(job_of(dimmed + "[check.limits]\nreach = { warn = 0.9 }\n"))
    }
    assert half["reach", "house front, up"].limit.warn == 0.9
    assert half["hot spot", "house front, by up"].value > 0.0


def test_a_moved_lamp_is_not_taken_for_the_one_that_is_kept(folder):
    moved = SCENE.replace('out = "0.5 m"', 'out = "0.3 m"')
    before = results_of(job_of(SCENE))
    assert results_of(job_of(moved)) == results_of(job_of(moved, traced=True)) != before


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('name = "apple"\nat = "3 m, -2.5 m"', 'name = "apple"\nat = "3 m, -2.2 m"'),
        ('eye = "-3 m, -5 m, 1.6 m"', 'eye = "3 m, -3 m, 1.6 m"'),
        ('surroundings = "rural"', 'surroundings = "city"'),
        ('along = "3 m"', 'along = "3.3 m"'),
    ],
    ids=["a tree", "an eye", "the sky", "a window"],
)
def test_what_answers_hang_on_is_asked_anew(folder, old, new):
    assert SCENE.count(old) == 1
    changed = SCENE.replace(old, new)
    before = results_of(job_of(SCENE))
    assert results_of(job_of(changed)) == results_of(job_of(changed, traced=True)) != before


def test_what_is_only_tried_is_not_kept(folder):
    job = job_of(SCENE)
    results_of(job)
    files = {path.name for path in folder.iterdir()}
    fixtures = tuple(
        one.model_copy(update={"out_m": 0.9}) if one.id == "up" else one
        for one in job.scene.fixtures
    )
    results_of(put(job, job.scene.model_copy(update={"fixtures": fixtures})))
    assert {path.name for path in folder.iterdir()} == files


def test_a_torn_answer_is_asked_anew(folder):
    first = results_of(job_of(SCENE))
    for path in folder.iterdir():
        path.write_bytes(path.read_bytes()[:-40])
    assert results_of(job_of(SCENE)) == first


def test_nothing_is_kept_where_keeping_is_off(tmp_path, monkeypatch):
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")
    monkeypatch.chdir(tmp_path)
    job = job_of(SCENE)
    assert results_of(job) and replace(job).keeps
    assert not list(tmp_path.iterdir())
