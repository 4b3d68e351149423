"""nightview wire: the table, the sheets, JSON with its schema, and what it does not load."""

from __future__ import annotations

import csv
import html
import json
import math
import os
import random
import re
import subprocess
import sys
import warnings
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightview.__main__ import main
from nightview.scene.cautions import CAUTIONS
from nightview.scene.read import parse
from nightview.wiring.faults import check
from nightview.wiring.network import network_of
from nightview.wiring.report import Report, as_json, report_of, schema
from nightview.wiring.report_text import columns, lamps_table, sheets_of, terminal

JOB = """
title = "House <& garden>"
[wiring]
energy_price = 0.3
currency = "USD"
waste = "10 %"
[[transformer]]
name = "T1"
power = "300 VA"
taps = ["12 V", "13 V"]
efficiency = 0.8
[[hub]]
name = "hub A"
[[load]]
id = "=front"
power = "20 W"
volts = "12 V"
[[load]]
id = "oak"
power = "30 W"
volts = "12 V"
power_factor = 0.9
lead = "10 ft"
[[load]]
id = "spare"
power = "5 W"
volts = "12 V"
[[cable]]
name = "run 1"
from = "T1"
tap = "12 V"
through = ["=front", "hub A"]
lengths = ["50 ft", "20 ft"]
[[cable]]
name = "run 2"
from = "hub A"
through = ["oak"]
gauge = "14 AWG"
length = "30 ft"
parallel = 2
"""


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "garden.toml"
    path.write_text(JOB, encoding="utf-8")
    return path


def report(text: str = JOB) -> Report:
    job = parse(text)
    return report_of(job, check(network_of(job)))


# --- figures --------------------------------------------------------------------------------------


def test_figures_of_a_report() -> None:
    found = report()
    (run,) = found.runs
    assert run.cables == ("run 1", "run 2")
    assert (run.rated_w, run.rated_va) == pytest.approx((50.0, 20.0 + 30.0 / 0.9))
    assert run.farthest_m == pytest.approx(100 * 0.3048)
    assert run.old_rule_v is None  # two gauges
    front, oak = found.lamps
    assert run.lowest_lamp == "oak" and run.lowest_v == oak.hot_v
    assert oak.hot_v is not None and oak.cold_v is not None and front.hot_v is not None
    assert front.hot_v > oak.hot_v and oak.cold_v > oak.hot_v
    # By hand, from the lamp back: 12 AWG 1.98, 14 AWG 3.14, 18 AWG 7.95 Ω per 1000 ft a conductor.
    amperes = 30.0 / 0.9 / oak.hot_v
    joint = oak.hot_v + amperes * 2 * (10 * 7.95) / 1000
    hub = joint + amperes * 2 * (30 * 3.14 / 2) / 1000
    at_front = hub + amperes * 2 * (20 * 1.98) / 1000
    assert front.hot_v == pytest.approx(at_front, abs=1e-9)
    total = amperes + 20.0 / front.hot_v
    assert front.hot_v + total * 2 * (50 * 1.98) / 1000 == pytest.approx(12.0, abs=1e-9)
    (tap,) = found.taps
    assert tap.hot_a == pytest.approx(total)
    assert found.transformers[0].given_va == pytest.approx(12.0 * max(total, tap.cold_a or 0))
    assert found.unwired == ("spare",)
    # Cable by size: parallel ones twice, and a tenth for waste.
    order = {row.gauge: (row.length_m / 0.3048, row.order_m / 0.3048) for row in found.order}
    assert order == {"12 AWG": pytest.approx((70, 77)), "14 AWG": pytest.approx((60, 66))}
    # Two connectors a joint; wires in each: at the hub one cable in, two side by side out.
    wires = {row.joint: (row.connectors, row.wires) for row in found.splices}
    assert wires == {"=front": (2, 3), "hub A": (2, 3), "oak": (2, 3)}


def test_energy_of_a_year() -> None:
    found = report().energy
    # 5 h a night are 1825 h a year [common practice]; mains watts by the transformer's efficiency.
    assert found.lamps_w == pytest.approx(50.0)
    assert found.mains_w == pytest.approx((50.0 + found.cables_w) / 0.8)
    assert found.year_kwh == pytest.approx(found.mains_w * 1825 / 1000)
    assert found.year_cost == pytest.approx(found.year_kwh * 0.3)


def test_the_old_rule_stands_beside_the_exact_drop() -> None:
    text = JOB.replace('gauge = "14 AWG"', 'gauge = "12 AWG"').replace("parallel = 2\n", "")
    (run,) = report(text).runs
    assert run.old_rule_v == pytest.approx(50.0 * 100 / 7500)  # W·ft / C
    assert run.drop_v is not None and run.drop_v > run.old_rule_v


def test_a_dead_run_is_told_without_figures() -> None:
    found = report(JOB.replace('"50 ft", "20 ft"', '"500 ft", "200 ft"'))
    assert found.findings[0].kind == "no operating point"
    assert found.lamps[0].hot_v is None and found.taps[0].hot_a is None
    assert found.transformers[0].given_va is None
    assert not found.lamps[0].inside
    json.dumps(as_json(found), allow_nan=False)
    for sheet in sheets_of(found, feet=True):
        assert "nan" not in columns(sheet)


# --- files ----------------------------------------------------------------------------------------


def test_json_fits_its_schema(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wire", str(scene), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(data, schema())
    assert data["runs"][0]["lowest_lamp"] == "oak"
    assert set(data) == set(as_json(report()))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**data, "runs": 3}, schema())


def test_all_sheets_are_written(
    scene: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "handover"
    assert main(["wire", str(scene), "--out", str(out)]) == 0
    names = {path.name for path in out.iterdir()}
    assert names == {
        "garden-wire-schedule.csv", "garden-leg-list.csv", "garden-tap-schedule.csv", "garden-cable-list.csv",
        "garden-splice-list.csv", "garden-trench-list.csv", "garden-commissioning.csv",
        "garden-wiring.json", "garden-wiring.schema.json", "garden-wiring.html",
    }  # fmt: skip
    assert {Path(line).name for line in capsys.readouterr().out.splitlines()} == names
    data = json.loads((out / "garden-wiring.json").read_text())
    own = json.loads((out / data["$schema"]).read_text())
    jsonschema.validate(data, own)
    with (out / "garden-commissioning.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["at"] for row in rows} >= {"T1, 12 V", "oak"}
    assert all(row["measured"] == "" for row in rows)
    oak = next(row for row in rows if row["at"] == "oak")
    low, high = map(float, oak["calculated"].split(" to "))
    lamp = report().lamps[1]
    assert (low, high) == pytest.approx((lamp.hot_v, lamp.cold_v), abs=0.005)
    with (out / "garden-wire-schedule.csv").open(newline="") as file:
        cables = list(csv.DictReader(file))
    assert [row["size"] for row in cables] == ["12 AWG", "2 × 14 AWG"]
    assert [row["length ft"] for row in cables] == ["70.0", "60.0"]  # in the file's unit
    assert all(row["measured V"] == "" for row in cables)
    with (out / "garden-leg-list.csv").open(newline="") as file:
        legs = list(csv.DictReader(file))
    assert [leg["length ft"] for leg in legs] == ["50.0", "20.0", "30.0"]
    before = {path: path.read_bytes() for path in out.iterdir()}
    assert main(["wire", str(scene), "--out", str(out)]) == 2
    assert "is there already; choose another folder, or add --overwrite" in capsys.readouterr().err
    assert main(["wire", str(scene), "--out", str(out), "--overwrite"]) == 0
    assert {path: path.read_bytes() for path in out.iterdir()} == before


class _Sections(HTMLParser):
    """The text of each section, and whether every tag is closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag != "meta":
            self.open.append(tag)
        if tag == "section":
            self.texts.append("")

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "section" in self.open:
            self.texts[-1] += data


def test_the_page_prints_the_cautions_on_every_sheet(scene: Path, tmp_path: Path) -> None:
    assert main(["wire", str(scene), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "garden-wiring.html").read_text(encoding="utf-8")
    found = _Sections()
    found.feed(page)
    assert found.open == []
    assert len(found.texts) == 2 + len(sheets_of(report(), feet=True))
    for text in found.texts:
        assert text.startswith("House <& garden>: ")  # escaped in the file
        for caution in CAUTIONS:
            assert caution in text
    assert html.escape("House <& garden>") in page
    assert "http" not in page and "<script" not in page  # it stands alone


def test_cautions_speak_of_all_that_is_asked() -> None:
    # The list of trade.md section 11: each point by a word of it.
    said = " ".join(CAUTIONS)
    for word in (
        "planning aid", "local code", "inspector", "licensed", "mains", "docks", "pools", "listed", "30 V AC",
        "60 V DC", "25 A", "10 ft", "3.05 m", "6 in", "drive", "utilities", "private lines", "ground-fault",
        "cover", "trees", "climber", "slack", "power lines", "Hot lenses", "mulch", "feet", "safety lighting",
        "ordinances", "owners' rules", "curfews", "wildlife", "before a cable is buried", "measure",
    ):  # fmt: skip
        assert word.lower() in said.lower(), word


# --- the command ----------------------------------------------------------------------------------


def test_the_table_in_the_terminal(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wire", str(scene)]) == 0
    out = capsys.readouterr().out
    assert columns(lamps_table(report())) in out
    assert "No faults were found." in out
    assert "On no cable: spare." in out
    assert "Cable to order, waste included: 77.0 ft of 12 AWG, 66.0 ft of 14 AWG." in out
    scene.write_text(
        JOB.replace('"50 ft", "20 ft"', '"150 m", "60 m"')
        .replace('"30 ft"', '"9 m"')
        .replace("10 ft", "3 m")
    )
    assert main(["wire", str(scene)]) == 1
    out = capsys.readouterr().out
    assert "FAULT: no operating point: cable" in out
    assert re.search(r"\d m of 12 AWG", out)


def test_help_shows_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wire", "--help"]) == 0
    told = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert "Example: nightview wire scenes/cottage.toml" in told


def test_scenes_that_cannot_be_wired(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def message(text: str, *more: str) -> str:
        scene.write_text(text)
        assert main(["wire", str(scene), *more]) == 2
        return capsys.readouterr().err

    assert "garden.toml: has no cables to calculate; add a [[transformer]]" in message(
        'title = "x"'
    )
    bad = JOB.replace('length = "30 ft"', 'length = "-30 ft"')
    assert 'nightview: garden.toml: cable "run 2": length = "-30 ft" is out of range' in message(
        bad
    )
    assert "Traceback" not in message("title =")
    (scene.parent / "file").write_text("")
    assert "cannot be made a folder" in message(JOB, "--out", str(scene.parent / "file"))


GARDEN = """
title = "Garden"
[ground]
size = "60 m, 60 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "10 m, 6 m"
height = "3 m"
[[path]]
name = "walk"
line = ["5 m, 0 m", "5 m, -12 m"]
width = "0.4 m"
[[fixture]]
id = "front"
lamp = "accent 36"
at = "-9 m, -2 m, 0.15 m"
to = "19 m, -2 m, 0.15 m"
count = 60
aim_at = "house"
[[transformer]]
name = "T"
at = "-0.4 m, 0.5 m"
power = "600 VA"
taps = ["12 V", "15 V"]
[[cable]]
name = "west"
from = "T"
tap = "15 V"
gauge = "10 AWG"
through = ["front"]
"""


def test_sixty_lamps_laid_out_without_vtk_or_the_house_being_built(scene: Path) -> None:
    """The command as a user starts it: neither VTK nor the light is loaded, nor sparse matrices."""
    scene.write_text(GARDEN, encoding="utf-8")
    code = (
        "import sys\nfrom nightview.__main__ import main\n"
        f"assert main(['wire', {str(scene)!r}]) in (0, 1)\n"
        f"assert main(['wire', {str(scene)!r}, '--out', {str(scene.parent / 'out')!r}]) in (0, 1)\n"
        "heavy = ('vtk', 'vtkmodules', 'scipy.sparse', 'embreex', 'trimesh', 'matplotlib',\n"
        "         'nightview.light', 'nightview.site.build')\n"
        "assert not [name for name in sys.modules if name.startswith(heavy)], sys.modules.keys()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env={**os.environ}
    )
    assert done.returncode == 0, done.stderr
    assert "front-60" in done.stdout


def test_a_laid_out_job_has_trench_and_sleeves() -> None:
    found = report(GARDEN)
    assert found.trench.trench_m is not None and found.trench.sleeve_m is not None
    (sleeve,) = found.trench.sleeves
    assert sleeve.under == 'path "walk"' and sleeve.cables == ("west",)
    assert sleeve.length_m == pytest.approx(0.4, abs=0.02)
    laid = sum(leg.laid_m for leg in found.legs)
    slack = sum(leg.length_m for leg in found.legs) - laid
    assert slack == pytest.approx(60 * 0.6096)
    assert found.trench.trench_m <= laid
    assert not math.isnan(found.runs[0].margin)


@settings(max_examples=40, deadline=None)
@given(st.randoms(use_true_random=False))
def test_any_sound_wiring_gives_a_report(chance: random.Random) -> None:
    """However odd its figures: no warning of NumPy's, and JSON without NaN."""
    pick = chance.choice
    taps = chance.sample(["0.01 V", "12 V", "15 V", "24 V", "1000 V"], chance.randint(1, 4))
    text = f'''
[wiring]
resistance = "{pick(["stranded", "flexible", "computed"])}"
splice = "{pick(["0 ohm", "1 mohm", "1 ohm"])}"
[[transformer]]
name = "T"
power = "{pick([1, 300, 90000])} VA"
taps = {json.dumps(taps)}
supply = "{pick(["AC", "DC"])}"
where = "{pick(["wet", "dry"])}"
commons = 2
[[hub]]
name = "hub"
'''
    joints = ["hub", *(f"l{k}" for k in range(chance.randint(1, 7)))]
    for name in joints[1:]:
        text += f'''
[[load]]
id = "{name}"
power = "{pick(["0.001 W", "5 W", "50 W", "5 kW"])}"
volts = "{pick(["0.1 V", "12 V", "24 V", "900 V"])}"
source = "{pick(["led", "led", "halogen"])}"
lead = "{pick(["0 m", "1 mm", "90 m"])}"
power_exponent = {pick([0, 0, 0.3, 1, 1.2, 1.55, 2])}
'''
    chance.shuffle(joints)
    fed: list[str] = []
    while len(fed) < len(joints):
        through = joints[len(fed) : len(fed) + chance.randint(1, 4)]
        start = "T" if not fed or chance.random() < 0.6 else pick(fed)
        text += f'''
[[cable]]
name = "c{len(fed)}"
from = "{start}"
through = {json.dumps(through)}
gauge = "{pick(["18 AWG", "12 AWG", "8 AWG", "1.5 mm^2", "10 mm^2"])}"
parallel = {chance.randint(1, 4)}
length = "{pick(["1 mm", "0.5 m", "30 m", "9 km"])}"
'''
        if start == "T":
            text += f'tap = "{pick(taps)}"\ncommon = {chance.randint(1, 2)}\n'
            text += 'to = "T"\n' if chance.random() < 0.2 else ""
        fed += through
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = report(text)
        json.dumps(as_json(found), allow_nan=False)
        assert len(found.lamps) == len(joints) - 1
        assert terminal(found, feet=True)


POND = """
title = "Pond"
[[pond]]
name = "pond"
outline = ["-2 m, 0 m", "2 m, 0 m", "2 m, 4 m", "-2 m, 4 m"]
[[transformer]]
name = "T"
power = "100 VA"
at = "9 m, -9 m"
taps = ["12 V"]
[[fixture]]
id = "nearer"
lamp = "accent 36"
at = "{near} m, 2 m, 0.1 m"
aim = "0 m, 9 m, 1 m"
[[fixture]]
id = "farther"
lamp = "accent 36"
at = "-5.1 m, 2 m, 0.1 m"
aim = "0 m, 9 m, 1 m"
[[cable]]
name = "run"
from = "T"
through = ["nearer", "farther"]
"""


def test_lamps_within_ten_feet_of_water_are_told_and_are_no_fault() -> None:
    """NEC 680.22: 10 ft are 3.048 m, so 5.05 m from the middle of a pond 4 m wide."""
    inside, outside = (report(POND.format(near=at)).findings for at in (5.04, 5.06))
    (told,) = [one for one in inside if one.kind == "near water"]
    assert not told.severe and told.where == 'pond "pond"'
    assert '"nearer" stands within 10 ft' in told.problem and '"farther"' not in told.problem
    assert not [one for one in outside if one.kind == "near water"]
