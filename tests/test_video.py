"""Frames → MP4 and GIF, read back with imageio, Pillow and ffmpeg itself."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest
from PIL import Image, ImageSequence

from nightview.errors import NightviewError
from nightview.picture.video import find_ffmpeg, refuse_foreign_video, write_gif, write_video

TEXTS = {"Title": "Test house", "view": "orbit", "exposure_ev100": "1.60"}


def moving(count: int = 12, width: int = 96, height: int = 64):
    """A bright square that walks over a dark gradient."""
    for k in range(count):
        frame = np.zeros((height, width, 3), np.uint8)
        frame[..., 2] = np.linspace(0, 40, width).astype(np.uint8)
        frame[20:36, 4 * k : 4 * k + 16] = (250, 180, 90)
        yield frame


def boxes(path: Path) -> list[str]:
    """The top-level boxes of an MP4 in order (ISO 14496-12)."""
    data, found, at = path.read_bytes(), [], 0
    while at < len(data):
        found.append(data[at + 4 : at + 8].decode())
        at += int.from_bytes(data[at : at + 4], "big")
    return found


def described(path: Path) -> str:
    return subprocess.run([find_ffmpeg(), "-i", str(path)], capture_output=True, text=True).stderr


def listing(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


# --- MP4 ------------------------------------------------------------------------------------------


def test_mp4_as_browsers_and_phones_want_it(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    write_video(path, moving(), 15, TEXTS)
    told = described(path)
    assert re.search(r"Video: h264 \(High\).*yuv420p\(tv, bt709/bt709/iec61966-2-1", told), told
    assert "96x64" in told and " 15 fps" in told and "Test house" in told
    assert "exposure_ev100: 1.60" in told and "creation_time" not in told
    order = boxes(path)
    assert order.index("moov") < order.index("mdat")  # it plays while it loads
    frames = list(iio.imiter(path))
    assert len(frames) == 12 and all(frame.shape == (64, 96, 3) for frame in frames)
    assert iio.immeta(path)["fps"] == 15
    for drawn, read in zip(moving(), frames, strict=True):
        assert np.abs(drawn.astype(int) - read).mean() < 3


def test_colours_come_back(tmp_path: Path) -> None:
    """Flat colours survive BT.709 in 8 bits to 3 codes, one of them the encoder's."""
    for colour in ((128, 128, 128), (12, 14, 22), (230, 160, 90), (40, 90, 30)):
        frame = np.full((64, 96, 3), colour, np.uint8)
        write_video(tmp_path / "a.mp4", [frame] * 3, 15)
        for read in iio.imiter(tmp_path / "a.mp4"):
            assert np.abs(read.astype(int) - colour).max() <= 3


def test_the_same_frames_give_the_same_bytes(tmp_path: Path) -> None:
    for write, name in ((write_video, "a.mp4"), (write_gif, "a.gif")):
        made = []
        for _ in range(2):
            write(tmp_path / name, moving(), 15, TEXTS)
            made.append((tmp_path / name).read_bytes())
        assert made[0] == made[1]


@pytest.mark.parametrize("write", [write_video, write_gif])
def test_stopped_on_the_way_nothing_is_left_and_the_old_file_stays(write, tmp_path: Path) -> None:
    def stopping():
        yield from moving(5)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "new.mp4", stopping(), 15)
    assert listing(tmp_path) == []
    write(tmp_path / "old.mp4", moving(), 15)
    before = (tmp_path / "old.mp4").read_bytes()
    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "old.mp4", stopping(), 15)
    assert listing(tmp_path) == ["old.mp4"] and (tmp_path / "old.mp4").read_bytes() == before


@pytest.mark.parametrize(
    ("frames", "told"),
    [(list(moving(2, 95, 64)), "96x64"), (list(moving(2, 96, 63)), "96x64"), ([], "no frames")],
)
def test_frames_that_make_no_video(frames, told: str, tmp_path: Path) -> None:
    with pytest.raises(NightviewError, match=told):
        write_video(tmp_path / "a.mp4", frames, 15)
    assert listing(tmp_path) == []


def test_no_ffmpeg(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(tmp_path / "none"))
    with pytest.raises(NightviewError, match="no ffmpeg.*imageio-ffmpeg"):
        write_video(tmp_path / "a.mp4", moving(), 15)
    assert listing(tmp_path) == []


def test_an_ffmpeg_that_fails_is_quoted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One that reads nothing, leaves half a file behind and ends with an error, as on a full disk."""
    fake = tmp_path / "ffmpeg"
    fake.write_text(
        '#!/bin/sh\n[ "$1" = "-version" ] && exit 0\nfor last; do :; done\n'
        'echo half > "$last"\necho "No space left on device" >&2\nexit 1\n'
    )
    fake.chmod(0o755)
    monkeypatch.setenv("IMAGEIO_FFMPEG_EXE", str(fake))
    with pytest.raises(NightviewError, match="No space left on device"):
        write_video(tmp_path / "a.mp4", moving(400), 15)
    assert listing(tmp_path) == ["ffmpeg"]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NightviewError, match="no folder"):
        write_video(tmp_path / "no" / "a.mp4", moving(), 15)
    assert listing(tmp_path) == []


# --- GIF ------------------------------------------------------------------------------------------


def test_gif_has_one_palette_loops_and_keeps_still(tmp_path: Path) -> None:
    path = tmp_path / "a.gif"
    write_gif(path, moving(), 10, TEXTS, width=48)
    with Image.open(path) as image:
        assert image.size == (48, 32) and image.info["loop"] == 0 and image.n_frames == 12
        palettes, frames = set(), []
        for frame in ImageSequence.Iterator(image):
            # A frame without a table of its own uses the file's (GIF89a, section 20).
            palettes.add(bytes(frame.palette.palette) if frame.mode == "P" else b"global")
            frames.append(np.asarray(frame.convert("RGB")).astype(int))
    assert len(palettes - {b"global"}) <= 1
    # Where nothing moves nothing changes: no dither that crawls.
    assert all((frame[20:] == frames[0][20:]).all() for frame in frames)
    assert any((frame != frames[0]).any() for frame in frames)
    small = [np.asarray(Image.fromarray(f).reduce(2)).astype(int) for f in moving()]
    assert max(np.abs(a - b).mean() for a, b in zip(small, frames, strict=True)) < 4


def test_gif_of_a_picture_that_stands_still(tmp_path: Path) -> None:
    frame = next(moving())
    write_gif(tmp_path / "a.gif", [frame] * 5, 10)
    shown = [np.asarray(f) for f in iio.imiter(tmp_path / "a.gif")]
    assert all((f == shown[0]).all() for f in shown)


# --- what is ours ---------------------------------------------------------------------------------


def test_only_our_own_files_are_replaced(tmp_path: Path) -> None:
    mine, film = tmp_path / "a.mp4", tmp_path / "a.gif"
    write_video(mine, moving(), 15, TEXTS)
    write_gif(film, moving(), 15, TEXTS)
    for path in (mine, film, tmp_path / "not-there.mp4"):
        refuse_foreign_video(path, overwrite=False)
    foreign = [tmp_path / name for name in ("notes.mp4", "empty.mp4", "other.mp4", "other.gif")]
    foreign[0].write_text("nightview; my own notes")
    foreign[1].write_bytes(b"")
    subprocess.run(
        [find_ffmpeg(), "-loglevel", "error", "-i", str(mine), "-map_metadata", "-1", str(foreign[2])],
        check=True,
    )  # fmt: skip
    iio.imwrite(foreign[3], np.stack(list(moving(3))))
    for path in foreign:
        before = path.read_bytes()
        with pytest.raises(NightviewError, match="no video of nightview's"):
            refuse_foreign_video(path, overwrite=False)
        refuse_foreign_video(path, overwrite=True)
        assert path.read_bytes() == before


def test_ffmpeg_does_not_outlive_us(tmp_path: Path) -> None:
    started = []

    def watching():
        yield from moving(3)
        children = Path(f"/proc/{os.getpid()}/task/{os.getpid()}/children")
        if not children.exists():
            pytest.skip("no list of child processes here")
        started.extend(children.read_text().split())
        raise RuntimeError

    with pytest.raises(RuntimeError):
        write_video(tmp_path / "a.mp4", watching(), 15)
    assert started and not any(
        "ffmpeg" in Path(f"/proc/{pid}/cmdline").read_text()
        for pid in started
        if Path(f"/proc/{pid}").exists()
    )
