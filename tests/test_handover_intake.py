"""The intake sheet: one page, and a first scene from its answers."""

from __future__ import annotations

from pathlib import Path

import pytest

import nightview as nv
from nightview.__main__ import main
from nightview.handover.intake import QUESTIONS, as_answers, as_text, document
from nightview.handover.printed import pages


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_is_one_page(paper: str) -> None:
    assert len(pages(document(), paper)) == 1


def test_it_prints_every_key(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["intake"]) == 0
    told = capsys.readouterr().out
    assert told == as_text() and all(f"\n{one.key} " in told for one in QUESTIONS)


@pytest.mark.parametrize("kind", ["pdf", "html", "txt", "toml"])
def test_it_is_written_and_replaces_nothing(tmp_path: Path, kind: str) -> None:
    out = tmp_path / f"sheet.{kind}"
    assert main(["intake", "--out", str(out)]) == 0
    data = out.read_bytes()
    assert main(["intake", "--out", str(out)]) == 2 and out.read_bytes() == data
    assert main(["intake", "--out", str(tmp_path / "sheet.doc")]) == 2
    assert main(["intake", "--out", str(tmp_path / "x.pdf"), "--paper", "A7"]) == 2


def new(tmp_path: Path, text: str, *more: str) -> int:
    (tmp_path / "answers.toml").write_text(text, encoding="utf-8")
    return main(
        [
            "new",
            str(tmp_path / "g.toml"),
            "--answers",
            str(tmp_path / "answers.toml"),
            "--no-ask",
            *more,
        ]
    )


def test_all_examples_make_a_scene(tmp_path: Path) -> None:
    filled = "\n".join(
        line.removeprefix("# ") if " = " in line else line for line in as_answers().splitlines()
    )
    assert new(tmp_path, filled) == 0
    scene = nv.read(tmp_path / "g.toml")
    house = scene.blocks[0]
    assert house.size_m == pytest.approx((36 * 0.3048, 26 * 0.3048))
    assert house.height_m == pytest.approx(9 * 0.3048)
    assert scene.site.north_deg == 20.0 and scene.site.surroundings == "suburban"
    # 30 ft from the front's left end, the scene's origin below the middle of a front of 36 ft.
    assert scene.transformers[0].at_m == pytest.approx((12 * 0.3048, -6 * 0.0254))
    assert "soil: clay" in scene.notes and scene.title == "Our house"
    assert "# x runs along the front" in (tmp_path / "g.toml").read_text(encoding="utf-8")


def test_the_blank_file_makes_the_usual_scene(tmp_path: Path) -> None:
    assert new(tmp_path, as_answers()) == 0
    assert main(["new", str(tmp_path / "usual.toml"), "--no-ask"]) == 0
    assert (tmp_path / "g.toml").read_bytes() == (tmp_path / "usual.toml").read_bytes()


def test_courses_of_brick_give_the_height_and_options_go_first(tmp_path: Path) -> None:
    assert (
        new(
            tmp_path,
            'courses = 42\nwidth = "10 m"\ntitle = "a \\"quoted\\" title"\n',
            "--width",
            "12 m",
        )
        == 0
    )
    scene = nv.read(tmp_path / "g.toml")
    assert scene.blocks[0].height_m == pytest.approx(
        42 * 8 * 0.0254 / 3, abs=0.006
    )  # 3 courses: 8 in
    assert scene.blocks[0].size_m[0] == 12.0 and scene.title == 'a "quoted" title'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('widht = "10 m"', "did you mean"), ('width = "10"', "no unit"), ("width = 10", "no text"),
        ('roof = "dome"', "unknown"), ('surroundings = "moon"', "unknown"), ('north = "east"', "angle"),
        ("courses = 4", "10 to 400"), ('outlet_along = "30 m"', "beyond the front"),
        ('soil = "a\\u0007b"', "no text"), ("width", "cannot be read"), ('width = "90 m"', "out of range"),
    ],
)  # fmt: skip
def test_a_bad_answer_is_told_and_nothing_written(
    tmp_path: Path, capsys, text: str, said: str
) -> None:
    assert new(tmp_path, text) == 2
    told = capsys.readouterr().err
    assert said in told and "Traceback" not in told
    assert not (tmp_path / "g.toml").exists()
