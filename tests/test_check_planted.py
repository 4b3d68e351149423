"""Faults planted in a demo scene: each is found, nothing else is, and the remedy clears it."""

from __future__ import annotations

from pathlib import Path

import pytest

import nightview as nv
from nightview.checks.applied import applied
from nightview.checks.job import Job
from nightview.checks.remedies import mended
from nightview.checks.run import results_of
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED

SCENE = Path(__file__).parent.parent / "scenes" / "cottage.toml"

PARLOUR = '''id = "parlour"          # a pair about the parlour window
lamp = "stone graze"
zone = "facade"
block = "cottage"
along = "0.5 m"
out = "0.45 m"
count = 2
spacing = "2.4 m"
elevation = "80 deg"'''
GABLE = """id = "gable"            # a pair about the kitchen window
lamp = "gable graze"
zone = "facade"
block = "wing"
along = "0.6 m"
out = "0.45 m"
count = 2
spacing = "3.0 m"
elevation = "83 deg"
dim = "97 %"            # a little less than the entrance beside it"""


def one_by_one(row: str, second: str) -> str:
    """A row of two as two tables of their own, the second with some keys of its own."""
    name = row.split('"')[1]
    first = row.replace(f'id = "{name}"', f'id = "{name} left"')
    keys = dict(line.split(" = ", 1) for line in first.splitlines())
    spacing = float(keys.pop("spacing").split('"')[1].split()[0])
    del keys["count"]
    left = "\n".join(f"{key} = {value}" for key, value in keys.items())
    along = float(keys["along"].split('"')[1].split()[0]) + spacing
    keys |= {"id": f'"{name} right"', "along": f'"{along:g} m"'}
    keys |= dict(line.split(" = ", 1) for line in second.splitlines() if line)
    if "aim" in keys:
        del keys["elevation"]
    right = "\n".join(f"{key} = {value}" for key, value in keys.items())
    return f"{left}\n\n[[fixture]]\n{right}"


def planted(row: str, new: str) -> str:
    text = SCENE.read_text(encoding="utf-8")
    assert text.count(row) == 1
    text = text.replace(row, new)
    # Cables name the row, which is no more.
    return text[: text.index("[[transformer]]")] if "[[transformer]]" in text else text


def job_of(text: str) -> Job:
    return Job.at(nv.build(parse(text, SCENE.name, SCENE.parent)), AS_DESIGNED)


FAULTS = {
    "one lamp at 0.15 m from the wall": (
        PARLOUR, 'out = "0.15 m"', "hot spot", "cottage front, by parlour right", "parlour right",
    ),
    "a 15 degree lamp in place of a 24 degree one": (
        GABLE, 'lamp = "accent 15"\nout = "0.3 m"', "hot spot", "wing front, by gable right", "gable right",
    ),
    "one aimed at a bedroom window": (
        GABLE, 'aim = "9.3 m, -1.8 m, 3.4 m"\nlights = "wing front"', "bedroom window", "gable window",
        "gable right",
    ),
}  # fmt: skip


def test_the_scene_itself_has_no_faults():
    assert not [r for r in results_of(job_of(planted(PARLOUR, PARLOUR))) if r.counts]


@pytest.mark.parametrize("name", FAULTS)
def test_a_planted_fault_is_found_and_cured(name):
    row, second, check, place, lamp = FAULTS[name]
    text = planted(row, one_by_one(row, second))
    job = job_of(text)
    results = results_of(job)
    faults = [r for r in results if r.counts]
    assert (check, place) in [r.key for r in faults]
    assert all(lamp in r.lamps for r in faults), [(r.key, r.lamps) for r in faults]
    found = mended(job, results)
    changes = found.changes
    assert changes and all(
        cure.cleared for cure in found.cures if cure.key in [r.key for r in faults]
    )
    assert not [r.key for r in results_of(job_of(applied(text, changes))) if r.counts]


def test_one_of_a_pair_deleted_is_found_and_cured():
    alone = PARLOUR.replace('count = 2\nspacing = "2.4 m"\n', "")
    text = planted(PARLOUR, alone)
    job = job_of(text)
    results = results_of(job)
    faults = [r for r in results if r.counts]
    assert [r.key for r in faults if r.check == "balance"] == [("balance", "parlour window")]
    assert all("parlour" in r.lamps or r.check == "side wall" for r in faults), [
        r.key for r in faults
    ]
    found = mended(job, results)
    changes = found.changes
    mended_text = applied(text, changes)
    assert not [r.key for r in results_of(job_of(mended_text)) if r.counts]
    assert any(f.id == "parlour mirrored" for f in parse(mended_text, "x", SCENE.parent).fixtures)
