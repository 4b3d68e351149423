"""nightview compare, as a user runs it: sheets at one exposure, and clear words where it cannot."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nightview.__main__ import main
from nightview.commands.compare import cct_words, colour_temperatures, cross_fade
from nightview.errors import NightviewError
from nightview.lamps.colour import Y_WEIGHTS, srgb_decode
from nightview.picture.png import read_texts
from nightview.picture.sheet import fitted

SCENE = """
title = "Two lamps"
[site]
surroundings = "rural"
[ground]
material = "grass"
size = "14 m, 12 m"
[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "2.6 m"
material = "white render"
[[fixture]]
id = "left"
lamp = "accent 36"
zone = "facade"
block = "house"
along = "1 m"
out = "0.5 m"
elevation = "76 deg"
[[fixture]]
id = "right"
lamp = "accent 36"
zone = "entrance"
block = "house"
along = "5 m"
out = "0.5 m"
elevation = "76 deg"
[[state]]
name = "late"
label = "late evening: entrance only"
only = ["entrance"]
[[view]]
name = "front"
eye = "0 m, -9 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"
"""
SIZE = (160, 90)


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "two.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


def run(scene: Path, *words: str) -> int:
    size = [] if "--size" in words else ["--size", "160x90"]
    return main(["compare", str(scene), *size, "--out", str(scene.parent), *words])


def panels(path: Path, count: int) -> list[np.ndarray]:
    """The pictures in a sheet of one row, as luminance of the screen."""
    pixels = np.asarray(Image.open(path))
    assert pixels.shape[1] == count * SIZE[0] + (count - 1) * 8
    linear = srgb_decode(pixels[: SIZE[1]] / 255.0) @ Y_WEIGHTS
    return [linear[:, k * 168 : k * 168 + 160] for k in range(count)]


@pytest.mark.usefixtures("graphics")
class TestSheets:
    def test_states_of_the_scene_beside_the_design(self, scene, capsys) -> None:
        assert run(scene) == 0
        sheet = scene.parent / "two-front-states.png"
        assert capsys.readouterr().out.splitlines() == [str(sheet)]
        designed, late = panels(sheet, 2)
        half = SIZE[0] // 2
        # One exposure: where the lamp stays on the wall looks the same, where it goes out it is dark.
        assert late[:, half + 20 :].max() == pytest.approx(designed[:, half + 20 :].max(), rel=0.05)
        assert late[:, : half - 20].max() < 0.2 * designed[:, : half - 20].max()
        texts = read_texts(sheet)
        assert texts["state"] == "as designed, late evening: entrance only"
        assert texts["look"] == "as a camera sees it"
        assert float(texts["exposure_ev100"])

    def test_colours_have_the_same_luminance(self, scene, capsys) -> None:
        assert run(scene, "--cct", "2700K,4000K") == 0
        warm, cool = panels(scene.parent / "two-front-colours.png", 2)
        lit = warm > 0.05
        # CCT never changes lux; what the walls' own colour and bounces do to it is small.
        assert np.median(cool[lit] / warm[lit]) == pytest.approx(1.0, abs=0.03)
        # Of the two 2700 K looks nearer to 3000 K, which suits white walls.
        assert "White render: 2700 K flatters it most" in capsys.readouterr().out

    def test_before_and_after(self, scene) -> None:
        assert run(scene, "--before-after") == 0
        before, after = panels(scene.parent / "two-front-before-after.png", 2)
        assert before.max() < 0.1 * after.max()

    def test_three_looks(self, scene) -> None:
        assert run(scene, "--looks") == 0
        sheet = scene.parent / "two-front-looks.png"
        assert read_texts(sheet)["state"] == (
            "as the eye sees it, as a camera sees it, levels in lux"
        )
        for one, other in itertools.combinations(panels(sheet, 3), 2):
            assert np.abs(one - other).mean() > 0.01

    def test_files_of_their_own_and_a_fade(self, scene) -> None:
        import imageio.v3 as iio

        assert run(scene, "--separate", "--fade") == 0
        for name in ("as-designed", "late-evening-entrance-only"):
            with Image.open(scene.parent / f"two-front-{name}.png") as picture:
                assert picture.size == SIZE
        frames = iio.imread(scene.parent / "two-front-states.mp4")
        assert len(frames) == 2 * (38 + 50)
        assert frames.shape[2:] == (160, 3) and frames.shape[1] > 90  # the label stands below

    def test_twice_the_same_bytes(self, scene) -> None:
        sheet = scene.parent / "two-front-colours.png"
        assert run(scene, "--cct", "2700K,3000K,4000K") == 0
        first = sheet.read_bytes()
        assert run(scene, "--cct", "2700K,3000K,4000K") == 0
        assert sheet.read_bytes() == first


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--state", "lat"], "late"),
        (["--state", "late"], "one state alone"),
        (["--cct", "500K"], "500 K is out of range"),
        (["--cct", "25000K"], "1000 K to 20000 K"),
        (["--cct", "warm"], "2700K,3000K,4000K"),
        (["--cct", "2700K,2700K"], "one colour alone"),
        (["--size", "161x90", "--fade"], "even"),
        (["--cct", "2700K", "--before-after"], "cannot be joined"),
        (["--cct", "2700K", "--state", "late", "--state", "as designed"], "name one"),
        (["--view", "back"], "front"),
        (["--look", "rosy"], "rosy"),
    ],
)
def test_bad_input_ends_with_status_2(scene, capsys, words, told) -> None:
    assert run(scene, *words) == 2
    error = capsys.readouterr().err
    assert told in error and "Traceback" not in error
    assert sorted(p.name for p in scene.parent.iterdir()) == ["two.toml"]


def test_a_foreign_file_is_left_alone(scene, capsys) -> None:
    for name, words in (("states", []), ("late-evening-entrance-only", ["--separate"])):
        sheet = scene.parent / f"two-front-{name}.png"
        sheet.write_bytes(b"somebody else's")
        assert run(scene, *words) == 2
        assert sheet.read_bytes() == b"somebody else's"
        assert len(list(scene.parent.iterdir())) == 2  # and nothing else written
        sheet.unlink()


def test_colour_temperatures_are_read() -> None:
    assert colour_temperatures("2700K, 3000 k,4000,2700") == [2700.0, 3000.0, 4000.0]
    assert [cct_words(cct) for cct in (2200.0, 2700.0, 4000.0, 6500.0)] == [
        "2200 K, candle-warm",
        "2700 K, warm",
        "4000 K, neutral",
        "6500 K, cool",
    ]
    with pytest.raises(NightviewError, match="write for example"):
        colour_temperatures("2700K,,3000K")


def test_a_fade_holds_and_has_no_jumps() -> None:
    black, white = np.zeros((2, 2, 3), np.uint8), np.full((2, 2, 3), 255, np.uint8)
    strips = {"off": np.zeros((2, 2, 3), np.uint8), "on": np.ones((2, 2, 3), np.uint8)}
    frames = list(cross_fade([("off", black), ("on", white)], strips))
    levels = [int(frame[0, 0, 0]) for frame in frames]
    labels = [int(frame[-1, 0, 0]) for frame in frames]
    changes = [
        pair for k, pair in enumerate(itertools.pairwise(levels)) if labels[k] != labels[k + 1]
    ]
    assert len(changes) == 2 and all(min(pair) < 128 <= max(pair) for pair in changes)
    assert levels[:38] == [0] * 38 and max(levels) == 255
    assert max(abs(b - a) for a, b in itertools.pairwise([*levels, levels[0]])) <= 10


def test_a_picture_that_is_made_smaller_keeps_its_light() -> None:
    """Means of linear light by IEC 61966-2-1: a board of black and white is 188, not 128."""
    board = np.zeros((4, 8, 3), np.uint8)
    board[::2, ::2] = board[1::2, 1::2] = 255
    small = fitted(board, (4, 9))
    assert small.shape == (2, 4, 3) and (small == 188).all()
    assert fitted(board, (8, 4)) is board
