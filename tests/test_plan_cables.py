"""The cables of a scene on its plan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

import nightview as nv
from nightview.__main__ import main
from nightview.plan.cables import Wired, cable_schedule
from nightview.plan.drawing import Area, Line, Text, width_of
from nightview.plan.papers import paper_of
from nightview.plan.sheet import Plan, plan
from nightview.scene.read import parse, read

SCENES = Path(__file__).parent.parent / "scenes"
GARDEN = """
title = "Garden"
[ground]
size = "40 m, 40 m"
[wiring]
slack = "0 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "8 m, 6 m"
height = "3 m"
[[path]]
name = "walk"
line = ["-15 m, -6 m", "15 m, -6 m"]
width = "2 m"
[[transformer]]
name = "T1"
at = "9 m, 0 m"
height = "0 m"
power = "150 VA"
taps = ["12 V", "14 V"]
[[cable]]
name = "lawn"
from = "T1"
tap = "14 V"
through = ["near", "far"]
gauge = "2.5 mm^2"
[[cable]]
name = "spare"
from = "T1"
tap = "12 V"
through = ["side"]
length = "7 m"
[[fixture]]
id = "near"
lamp = "accent 36"
at = "9 m, -3 m, 0 m"
aim = "4 m, 0 m, 2 m"
[[fixture]]
id = "far"
lamp = "accent 36"
at = "9 m, -9 m, 0 m"
aim = "4 m, 0 m, 2 m"
[[fixture]]
id = "side"
lamp = "accent 36"
at = "12 m, 0 m, 0 m"
aim = "8 m, 0 m, 2 m"
"""


def drawn(text: str = GARDEN, paper: str = "A3") -> tuple[Plan, Wired]:
    scene = parse(text, "test")
    site, wired = nv.build(scene), Wired.of(scene)
    return plan(site, [() for _ in site.fixtures], paper_of(paper), None, wired), wired


def named(made: Plan, name: str) -> list:
    return [mark for sheet in made.sheets for mark in sheet.marks if getattr(mark, "name", "") == name]  # fmt: skip


def test_a_cable_is_drawn_from_joint_to_joint_in_scale() -> None:
    made, _ = drawn()
    (line,) = named(made, "cable lawn")
    assert isinstance(line, Line)
    expected = made.to_mm([(9, 0), (9, -3), (9, -9)])
    assert shapely.hausdorff_distance(line.shape, shapely.LineString(expected)) < 1e-3
    assert line.shape.length == pytest.approx(9.0 * 1000 / made.layout.scale, rel=1e-4)
    assert not named(made, "cable spare")  # its way is not known


def test_what_lies_in_a_sleeve_is_marked_and_measured() -> None:
    made, wired = drawn()
    (box,) = named(made, "sleeve")
    assert isinstance(box, Area)
    left, low, right, top = box.shape.bounds
    assert top - low == pytest.approx(2.0 * 1000 / made.layout.scale, rel=1e-3)  # the path's width
    assert wired.dug.sleeve_m == pytest.approx(2.0, abs=1e-3)
    words = [mark.text for mark in made.sheets[0].marks if isinstance(mark, Text)]
    assert "cable: 9.0 m of trench, cables in one counted once" in words
    assert "in a sleeve: 2.0 m of it" in words
    assert right > left


def test_cables_and_transformer_are_named_with_size() -> None:
    made, _ = drawn()
    words = [mark.text for mark in made.sheets[0].marks if isinstance(mark, Text)]
    assert words.count("lawn, 2.5 mm²") == 1
    assert words.count("T1, 150 VA") == 1
    assert any(word.startswith("Cable plan 1:") for word in words)
    assert named(made, "transformer T1")


def test_the_table_has_every_cable() -> None:
    _, wired = drawn()
    table = cable_schedule(wired, feet=False)
    assert table.rows == (
        ("lawn", "T1", "2.5 mm²", "9.0 m", "14 V", "2"),
        ("spare", "T1", "12 AWG", "7.0 m", "12 V", "1"),
    )
    assert cable_schedule(wired, feet=True).rows[1][3] == "23 ft"


def test_hubs_have_their_sign() -> None:
    made, wired = drawn(GARDEN.replace('gauge = "2.5 mm^2"', 'layout = "hub"'))
    assert list(wired.hubs) == ["lawn hub"]
    assert named(made, "hub lawn hub")


@pytest.mark.parametrize("scene", ["cottage", "terrace-house", "lodge"])
@pytest.mark.parametrize("paper", ["A3", "Letter"])
def test_the_demo_scenes_have_all_cables_on_the_sheet(scene: str, paper: str) -> None:
    job = read(SCENES / f"{scene}.toml")
    site, wired = nv.build(job), Wired.of(job)
    made = plan(site, [() for _ in site.fixtures], paper_of(paper), None, wired)
    frame = shapely.box(*made.layout.frame)
    boxes = []
    for mark in made.sheets[0].marks:
        if isinstance(mark, Text) and mark.name.split()[:1] in (["label"], ["view"]):
            half = width_of(mark.text, mark.size, mark.bold) / 2
            (x, y) = mark.at
            boxes.append(shapely.box(x - half, y - 0.4, x + half, y + 1.8))
    assert not any(a.intersects(b) for k, a in enumerate(boxes) for b in boxes[:k])
    for cable in job.cables:
        (line,) = named(made, f"cable {cable.name}")
        assert shapely.covers(frame, line.shape)
        metres = shapely.union_all([
            shapely.LineString(leg.route) for leg in wired.network.legs
            if leg.cable == cable.name and len(leg.route) > 1
        ]).length  # fmt: skip
        assert line.shape.length == pytest.approx(metres * 1000 / made.layout.scale, rel=1e-6)


def test_the_command_writes_a_cable_plan_and_no_vtk_is_needed(tmp_path: Path) -> None:
    (tmp_path / "garden.toml").write_text(GARDEN)
    assert main(["plan", str(tmp_path / "garden.toml"), "--cables", "--out", str(tmp_path)]) == 0
    assert {path.name for path in tmp_path.glob("*plan*")} == {
        f"garden-cables-plan.{kind}" for kind in ("pdf", "svg", "png")
    }
    assert np.frombuffer((tmp_path / "garden-cables-plan.png").read_bytes()[1:4], "S3") == b"PNG"


def test_a_scene_without_cables_is_told_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:  # fmt: skip
    (tmp_path / "bare.toml").write_text('[ground]\nsize = "9 m, 9 m"\n')
    assert main(["plan", str(tmp_path / "bare.toml"), "--cables", "--out", str(tmp_path)]) == 2
    assert "has no cables to draw" in capsys.readouterr().err
