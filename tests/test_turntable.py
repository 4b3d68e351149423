"""nightview turntable: what it draws, that nothing flickers, and what an interruption leaves."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

import nightview as nv
from nightview.__main__ import main
from nightview.light.field import LightField
from nightview.picture import frames as module
from nightview.picture.frames import Film, drawn_frames, kept_frames
from nightview.picture.leaves import NEAR_M
from nightview.picture.path import Orbit
from nightview.picture.path import Path as CameraPath
from nightview.picture.route import has_room, orbit_of, passes_through, walk_of
from nightview.scene.read import parse

SCENE = """
title = "Test house"
[ground]
size = "60 m, 60 m"
[[block]]
name = "house"
at = "-2 m, 0 m"
size = "4 m, 3 m"
height = "2.8 m"
material = "off-white stucco"
[[wall]]
name = "garden wall"
line = ["5 m, -6 m", "5 m, 3 m"]
height = "2.2 m"
thickness = "0.3 m"
[[shrub]]
name = "box"
at = "-4 m, -2 m"
height = "1 m"
width = "1 m"
[[fixture]]
id = "up"
lamp = "accent 36"
block = "house"
along = "0.8 m"
out = "0.5 m"
elevation = "80 deg"
[[fixture]]
id = "on the box"
lamp = "accent 36"
at = "-3 m, -3.5 m, 0.2 m"
aim = "-4 m, -2 m, 0.6 m"
[[view]]
name = "street"
eye = "0 m, -8 m, 1.6 m"
target = "0 m, 0 m, 1.4 m"
[[view]]
name = "corner"
eye = "4 m, -5 m, 1.6 m"
target = "0 m, 0 m, 1.2 m"
[[view]]
name = "beyond"
eye = "9 m, -3 m, 1.6 m"
target = "0 m, 0 m, 1.2 m"
[[view]]
name = "down"
eye = "0 m, -4 m, 6 m"
target = "0 m, -4 m, 0 m"
"""
SIZE = (96, 64)
LARGER, PICTURE = (320, 180), slice(0, 100)
"""A size at which a picture is seen above its caption, and its rows that are."""

pytestmark = pytest.mark.usefixtures("graphics")


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "garden.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def field() -> LightField:
    return nv.trace(nv.build(parse(SCENE, "test", ".")))


def turntable(scene: Path, *more: str) -> int:
    """The command with two small frames, drawn by this process, where nothing else is said."""
    usual = {"--size": "96x64", "--frames": "2", "--processes": "1", "--out": str(scene.parent)}
    told = [word for key, value in usual.items() if key not in more for word in (key, value)]
    return main(["turntable", str(scene), *told, *more])


def left_over() -> list[Path]:
    """Frames that are kept in the cache."""
    return sorted(Path(os.environ["NIGHTVIEW_CACHE"]).glob("frames/*/*"))


def listing(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def drawn(field: LightField, path: CameraPath, tmp_path: Path) -> list[np.ndarray]:
    """A film's frames above the caption, before any video is made of them, as whole numbers."""
    film = Film(field.site.scene, path, LARGER, 1.6, "test")
    light = nv.mix(field, field.designed)
    told = drawn_frames(film, light, tmp_path, lambda *_: None, 1)
    return [frame[PICTURE].astype(int) for frame in told]


def changes(frames: list[np.ndarray]) -> np.ndarray:
    """Mean absolute difference of each frame from the one before, in codes."""
    return np.array([np.abs(one - other).mean() for one, other in itertools.pairwise(frames)])


# --- what is drawn --------------------------------------------------------------------------------


def test_an_orbit_begins_at_the_still_of_its_view(scene: Path) -> None:
    options = ["--about", "street", "--sweep", "40 deg", "--gif", "--size", "320x180"]
    assert turntable(scene, "--frames", "8", *options) == 0
    made = ["garden-orbit-street.gif", "garden-orbit-street.mp4", "garden.toml"]
    assert listing(scene.parent) == made
    frames = list(iio.imiter(scene.parent / made[1]))
    assert len(frames) == 8 and frames[0].shape == (180, 320, 3)
    light = nv.mix(nv.trace(nv.build(nv.read(scene))))
    still = nv.develop(nv.draw(light, "street", LARGER)).astype(int)
    assert np.abs(still - frames[0])[PICTURE].mean() < 2
    assert np.abs(still - frames[2])[PICTURE].mean() > 5  # 20° farther on
    # There and back: the middle of a swing is where it began.
    assert np.abs(frames[4].astype(int) - frames[0]).mean() < 2
    assert len(list(iio.imiter(scene.parent / made[0]))) == 4  # half of 15 a second
    assert left_over() == []


def test_a_walk_leads_from_still_to_still(scene: Path) -> None:
    options = ["--walk", "street, corner", "--size", "320x180"]
    assert turntable(scene, "--frames", "6", *options) == 0
    frames = list(iio.imiter(scene.parent / "garden-walk-street-corner.mp4"))
    assert len(frames) == 6
    light = nv.mix(nv.trace(nv.build(nv.read(scene))))
    for name, frame in (("street", frames[0]), ("corner", frames[-1])):
        still = nv.develop(nv.draw(light, name, LARGER)).astype(int)
        assert np.abs(still - frame)[PICTURE].mean() < 2


def test_the_same_scene_gives_the_same_bytes_whoever_draws(scene: Path) -> None:
    made = []
    for processes in ("1", "2"):
        assert turntable(scene, "--frames", "8", "--processes", processes) == 0
        made.append((scene.parent / "garden-orbit.mp4").read_bytes())
    assert made[0] == made[1]
    assert left_over() == []


def test_without_a_cache_it_draws_all_the_same(
    scene: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")
    assert turntable(scene, "--processes", "2") == 0
    assert len(list(iio.imiter(scene.parent / "garden-orbit.mp4"))) == 2


# --- no flicker -----------------------------------------------------------------------------------


def test_a_camera_that_stands_still_sees_nothing_move(field: LightField, tmp_path: Path) -> None:
    pose = Orbit((0.0, 0.0, 1.2), 8.0, 1.6, 10.0, 50.0).path(1).poses
    near = np.repeat(pose, 3, axis=0) + np.array([[0.0], [2e-9], [4e-9]])  # distinct, as drawn
    frames = drawn(field, CameraPath(near), tmp_path)
    assert len(list(tmp_path.iterdir())) == 3
    assert (changes(frames) == 0).all()


def test_a_slow_orbit_changes_little_and_evenly(field: LightField, tmp_path: Path) -> None:
    path = Orbit((0.0, 0.0, 1.2), 9.0, 1.6, 0.0, 50.0).path(720)  # half a degree a frame
    frames = drawn(field, CameraPath(path.poses[:16]), tmp_path)
    steps = changes(frames)
    assert 0 < steps.max() < 1 and steps.max() < 1.6 * np.median(steps)


def test_leaves_keep_their_shape_while_one_comes_nearer(field: LightField, tmp_path: Path) -> None:
    """Where ``Canvas`` would change the shape of leaves, a centimetre on, nothing jumps."""
    centre, radius = field.site.crowns[0].bounds
    away = np.arange(-6, 6) * 0.01 + NEAR_M + radius
    eyes = centre + away[:, None] * np.array([0.0, -1.0, 0.0])
    poses = np.column_stack([eyes, np.repeat(centre[None], 12, axis=0), np.full(12, 4.0)])
    steps = changes(drawn(field, CameraPath(poses), tmp_path))
    assert steps.max() < 2 * np.median(steps)


# --- the way --------------------------------------------------------------------------------------


def test_an_orbit_keeps_out_of_the_wall(field: LightField) -> None:
    orbit = orbit_of(field, SIZE, field.site.scene.views[1])
    eyes = orbit.path(360).eyes
    assert has_room(field, eyes, 0.4).all()
    wanted = np.hypot(4, 5)  # would cross the garden wall at x = 5 m
    assert orbit.radius_m > wanted or orbit.height_m > 2.2
    assert orbit.start_deg == pytest.approx(np.degrees(np.arctan2(4, 5)))


def test_an_orbit_about_the_house_holds_it_in_the_picture(field: LightField) -> None:
    orbit = orbit_of(field, (1280, 720))
    assert orbit.centre[:2] == pytest.approx((0, 1.5), abs=0.5)
    camera = orbit.path(8).camera(3, (1280, 720))
    corners = np.array([[x, y, z] for x in (-2, 2) for y in (0, 3) for z in (0.0, 2.8)])
    places, depth = camera.project(corners)
    assert (depth > 0).all() and (places > 0).all() and (places < (1280, 720)).all()


def test_a_walk_goes_round_the_wall(field: LightField) -> None:
    street, corner, beyond, _ = field.site.scene.views
    straight = np.linspace(corner.eye_m, beyond.eye_m, 50)
    assert passes_through(field, straight) == "garden wall"
    path = walk_of(field, [street, corner, beyond], 60)
    assert passes_through(field, path.eyes) == ""


def test_a_way_through_a_wall_is_named(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    around = '[[wall]]\nname = "ring"\nline = ["2 m, -8 m", "7 m, -8 m", "7 m, -2 m", "2 m, -2 m", "2 m, -8 m"]\nheight = "2.5 m"\n'
    text = SCENE.replace("5 m, -6 m", "12 m, -6 m").replace("5 m, 3 m", "12 m, 3 m")
    scene.write_text(text + around, encoding="utf-8")
    assert turntable(scene, "--frames", "4", "--walk", "street,corner") == 2
    told = capsys.readouterr().err
    assert 'from "street" to "corner"' in told and '"ring"' in told
    assert listing(scene.parent) == ["garden.toml"]


# --- interruptions --------------------------------------------------------------------------------


def test_after_an_interruption_only_the_rest_is_drawn(
    scene: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert turntable(scene, "--frames", "6") == 0
    whole = (scene.parent / "garden-orbit.mp4").read_bytes()
    (scene.parent / "garden-orbit.mp4").unlink()
    draw, numbers = module._Artist.draw, []

    def three(artist, number: int, folder: Path) -> None:
        if len(numbers) == 3:
            raise KeyboardInterrupt
        numbers.append(number)
        draw(artist, number, folder)

    monkeypatch.setattr(module._Artist, "draw", three)
    assert turntable(scene, "--frames", "6") == 130
    assert "Traceback" not in capsys.readouterr().err
    assert listing(scene.parent) == ["garden.toml"]
    kept = left_over()
    assert len(kept) == 3
    kept[0].write_bytes(kept[0].read_bytes()[:-20])  # torn
    kept[1].write_bytes(b"")

    again = []
    monkeypatch.setattr(
        module._Artist, "draw", lambda *given: (again.append(given[1]), draw(*given))
    )
    assert turntable(scene, "--frames", "6") == 0
    assert len(again) == 5 and set(numbers) - set(again) == {int(kept[2].stem)}
    assert (scene.parent / "garden-orbit.mp4").read_bytes() == whole
    assert left_over() == []


@pytest.mark.parametrize("change", ["fov", "dim", "size"])
def test_frames_of_another_scene_are_not_taken(
    scene: Path, change: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def film(text: str, size=SIZE) -> Film:
        job = parse(text, "test", ".")
        return Film(
            job, Orbit((0, 0, 1), 8.0, 1.6, 0.0, job.views[0].fov_deg).path(3), size, 1.6, "orbit"
        )

    other = {
        "fov": film(SCENE.replace('target = "0 m, 0 m, 1.4 m"', 'target = "0 m, 0 m, 1.4 m"\nfov = "51 deg"')),
        "dim": film(SCENE.replace('lamp = "accent 36"', 'lamp = "accent 36"\ndim = 0.5', 1)),
        "size": film(SCENE, (96, 66)),
    }  # fmt: skip
    assert film(SCENE).key() == film(SCENE).key() != other[change].key()


def test_ended_from_outside(scene: Path) -> None:
    """SIGTERM while two processes draw: nothing is left in the folder, and none of them lives on."""
    command = [sys.executable, "-m", "nightview", "turntable", str(scene), "--size", "640x360",
               "--frames", "400", "--processes", "2", "--out", str(scene.parent)]  # fmt: skip
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    try:
        end = time.monotonic() + 120
        while not left_over() and time.monotonic() < end and child.poll() is None:
            time.sleep(0.1)
        assert left_over(), child.communicate()[1]
        child.send_signal(signal.SIGTERM)
        assert child.wait(60) == 130
    finally:
        child.kill()
        child.wait()
    assert listing(scene.parent) == ["garden.toml"]
    for path in left_over():
        path.unlink()


def test_frames_long_forgotten_are_removed(scene: Path) -> None:
    old = Path(os.environ["NIGHTVIEW_CACHE"]) / "frames" / "old"
    old.mkdir(parents=True)
    os.utime(old, (0, 0))
    film = Film(nv.read(scene), Orbit((0, 0, 1), 8.0, 1.6, 0.0, 50.0).path(3), SIZE, 1.6, "orbit")
    with kept_frames(film) as folder:
        assert folder.is_dir() and not old.exists()
    assert not folder.exists()


# --- bad input ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--walk", "street"], "at least two views"),
        (["--walk", ""], "at least two views"),
        (["--walk", "street,strete"], 'it has "street"'),
        (["--walk", "street,street"], "the same place"),
        (["--walk", "street,corner", "--about", "street"], "--walk"),
        (["--walk", "street,corner", "--sweep", "90 deg"], "--walk"),
        (["--about", "nowhere"], 'it has "street"'),
        (["--about", "down"], "straight up or down"),
        (["--state", "party"], "party"),
        (["--look", "oil"], "--look"),
        (["--look", "levels"], "stills"),
        (["--size", "97x64"], 'write for example "98x64"'),
        (["--size", "huge"], "--size"),
        (["--frames", "1"], "--frames"),
        (["--frames", "100000"], "--frames"),
        (["--fps", "0"], "--fps"),
        (["--fps", "nan"], "--fps"),
        (["--sweep", "90"], "--sweep"),
        (["--sweep", "400 deg"], "--sweep"),
        (["--processes", "0"], "--processes"),
    ],
)
def test_bad_options(
    options: list[str], told: str, scene: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert turntable(scene, *options) == 2
    said = capsys.readouterr().err
    assert told in said and "Traceback" not in said and "fault of its own" not in said
    assert listing(scene.parent) == ["garden.toml"]


def test_no_ffmpeg(
    scene: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(scene.parent / "none"))
    assert turntable(scene) == 2
    assert "imageio-ffmpeg" in capsys.readouterr().err
    assert listing(scene.parent) == ["garden.toml"]


def test_a_folder_that_cannot_be_written(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert turntable(scene, "--out", str(scene / "below")) == 2
    assert "cannot be made a folder" in capsys.readouterr().err


def test_a_foreign_file_is_kept(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = scene.parent / "garden-orbit.mp4"
    path.write_bytes(b"holiday")
    assert turntable(scene) == 2
    assert "no video of nightview's" in capsys.readouterr().err
    assert path.read_bytes() == b"holiday"
    assert turntable(scene, "--overwrite") == 0
    assert turntable(scene, "--frames", "3") == 0  # now it is ours
