"""``nightview check``: status, outputs, the changed scene; and faults planted in a demo scene."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
from checked import lamp, wall

from nightview.__main__ import main
from nightview.checks.record import schema
from nightview.scene.read import read

SCENES = Path(__file__).parent.parent / "scenes"


@pytest.fixture
def house(tmp_path):
    def write(extra: str) -> Path:
        path = tmp_path / "house.toml"
        path.write_text(wall(extra), encoding="utf-8")
        return path

    return write


GOOD = lamp("up", 3, 0.6, 78)
BAD = lamp("up", 3, 0.15)


def test_status_0_when_nothing_is_found(house, capsys):
    assert main(["check", str(house(GOOD))]) == 0
    assert "Found 0 strong, 0 warning" in capsys.readouterr().out


def test_status_1_when_something_is(house, capsys):
    assert main(["check", str(house(BAD))]) == 1
    told = capsys.readouterr().out
    assert "hot spot" in told and "house front" in told and "farther out" in told
    assert max(map(len, told.splitlines())) <= 100


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--state", "late"], "no states"),
        (["--no-remedies", "--apply", "x.toml"], "no remedies"),
        (["--out", "house.toml"], "folder"),
    ],
)
def test_status_2_on_bad_input(house, capsys, tmp_path, monkeypatch, arguments, told):
    monkeypatch.chdir(tmp_path)
    assert main(["check", str(house(BAD)), *arguments]) == 2
    assert told in capsys.readouterr().err


def test_a_scene_without_lamps_is_refused(house, capsys):
    assert main(["check", str(house(""))]) == 2
    assert "no lamps" in capsys.readouterr().err


def test_the_schema_needs_no_scene_and_all_else_does(capsys):
    assert main(["check", "--schema"]) == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))
    assert main(["check"]) == 2
    assert "no scene is named" in capsys.readouterr().err


def test_unknown_limit_names_the_file(house, capsys):
    assert main(["check", str(house(GOOD + "[check.limits]\nhot = { warn = 2 }\n"))]) == 2
    assert "house.toml" in capsys.readouterr().err


def test_json_follows_its_schema(house, capsys):
    assert main(["check", str(house(BAD)), "--json"]) == 1
    data = json.loads(capsys.readouterr().out)
    jsonschema.validate(data, schema())
    finding = next(result for result in data["results"] if result["check"] == "hot spot")
    assert finding["cure"]["before"] > finding["limit"]["warn"] > finding["cure"]["after"]
    assert finding["client"] and " lx" not in finding["client"]


def test_the_report_is_written_whole(house, tmp_path, capsys):
    out = tmp_path / "report"
    assert main(["check", str(house(BAD)), "--out", str(out)]) == 1
    names = {path.name for path in out.iterdir()}
    assert {"house-check.html", "house-check.json", "house-facade-house-front.png"} <= names
    assert not any(name.startswith(".") for name in names)
    page = (out / "house-check.html").read_text(encoding="utf-8")
    assert (
        "http://" not in page.replace("http://www.w3.org", "") and "data:image/png;base64," in page
    )
    (out / "house-check.html").write_text("mine", encoding="utf-8")
    assert main(["check", str(house(BAD)), "--out", str(out)]) == 2
    assert (out / "house-check.html").read_text(encoding="utf-8") == "mine"


def test_apply_writes_a_new_file_and_never_the_scene(house, tmp_path, capsys):
    path = house("# why it stands here\n" + BAD)
    before = path.read_text(encoding="utf-8")
    assert main(["check", str(path), "--apply", str(path), "--overwrite"]) == 2
    new = tmp_path / "mended.toml"
    assert main(["check", str(path), "--apply", str(new)]) == 1
    assert path.read_text(encoding="utf-8") == before
    assert "# why it stands here" in new.read_text(encoding="utf-8")
    assert read(new).fixtures[0].out_m > 0.15
    assert main(["check", str(path), "--apply", str(new)]) == 2  # it is there already
    assert main(["check", str(new)]) == 0


def test_apply_says_when_there_is_nothing_to_change(house, tmp_path, capsys):
    new = tmp_path / "mended.toml"
    assert main(["check", str(house(GOOD)), "--apply", str(new)]) == 0
    assert "mended.toml is not written" in capsys.readouterr().err
    assert not new.exists()


def test_numbers_need_no_vtk(house):
    code = (
        "import sys; from nightview.__main__ import main; "
        f"main(['check', {str(house(BAD))!r}, '--json']); "
        "sys.exit(any(name.split('.')[0] in ('vtk', 'vtkmodules') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True).returncode == 0


def test_same_scene_same_bytes(house, capsys):
    said = []
    for _ in range(2):
        main(["check", str(house(BAD)), "--json"])
        said.append(capsys.readouterr().out)
    assert said[0] == said[1]
