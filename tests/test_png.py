"""Files that are written whole or not at all, and the caption in the picture."""

import errno
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nightview.errors import NightviewError
from nightview.picture import caption as caption_module
from nightview.picture.caption import NOTE, caption, drawable
from nightview.picture.files import write_beside
from nightview.picture.png import read_texts, write_png

PIXELS = np.random.RandomState(0).randint(0, 256, (40, 60, 3)).astype(np.uint8)


def chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """Kind and content of a PNG's chunks, checked by their sums (PNG specification, 5.3)."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    found, at = [], 8
    while at < len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        content = data[at + 8 : at + 8 + length]
        (checksum,) = struct.unpack(">I", data[at + 8 + length : at + 12 + length])
        assert checksum == zlib.crc32(kind + content)
        found.append((kind, content))
        at += 12 + length
    return found


# --- png ------------------------------------------------------------------------------------------


def test_pixels_and_texts_come_back(tmp_path):
    texts = {"exposure_ev100": "2.5", "title": "Zahrada u mlýna 庭", "view": "street"}
    write_png(tmp_path / "a.png", PIXELS, texts)
    with Image.open(tmp_path / "a.png") as image:
        assert np.array_equal(np.asarray(image), PIXELS)
    assert read_texts(tmp_path / "a.png") == texts


def test_same_picture_same_bytes_and_no_time(tmp_path):
    for name in ("a.png", "b.png"):
        write_png(tmp_path / name, PIXELS, {"exposure_ev100": "2.5"})
    data = (tmp_path / "a.png").read_bytes()
    assert data == (tmp_path / "b.png").read_bytes()
    kinds = [kind for kind, _ in chunks(data)]
    assert b"tIME" not in kinds
    assert (b"tEXt", b"exposure_ev100\x002.5") in chunks(data)
    assert kinds.index(b"sRGB") < kinds.index(b"IDAT")


# --- write_beside ---------------------------------------------------------------------------------


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path):
    target = tmp_path / "film.mp4"
    target.write_bytes(b"old")

    def full(path: Path) -> None:
        path.write_bytes(b"half of it")
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with pytest.raises(NightviewError, match="No space left") as caught:
        write_beside(target, full)
    assert caught.value.where == str(target)
    assert "free some room" in caught.value.remedy
    assert target.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["film.mp4"]


def test_an_interrupt_leaves_nothing(tmp_path):
    def interrupted(path: Path) -> None:
        path.write_bytes(b"half of it")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_beside(tmp_path / "a.html", interrupted)
    assert os.listdir(tmp_path) == []


def test_the_writer_gets_the_suffix_and_the_folder(tmp_path):
    seen: list[Path] = []

    def writer(path: Path) -> None:
        seen.append(path)
        path.write_text("x")

    write_beside(tmp_path / "film.mp4", writer)
    assert seen[0].suffix == ".mp4"
    assert seen[0].parent == tmp_path
    assert (tmp_path / "film.mp4").read_text() == "x"


def test_a_link_is_followed(tmp_path):
    (tmp_path / "real.png").write_bytes(b"old")
    (tmp_path / "link.png").symlink_to(tmp_path / "real.png")
    write_png(tmp_path / "link.png", PIXELS)
    assert (tmp_path / "link.png").is_symlink()
    assert (tmp_path / "real.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("missing/a.png", "there is no folder"),
        ("file/a.png", "is not a folder"),
        ("folder", "this is a folder"),
        ("n" * 300 + ".png", "cannot write it"),
    ],
)
def test_places_that_cannot_be_written(tmp_path, place, words):
    (tmp_path / "file").write_text("")
    (tmp_path / "folder").mkdir()
    with pytest.raises(NightviewError, match=words):
        write_png(tmp_path / place, PIXELS)
    assert sorted(os.listdir(tmp_path)) == ["file", "folder"]


def test_a_device_is_refused():
    with pytest.raises(NightviewError, match="not an ordinary file"):
        write_png("/dev/null", PIXELS)


def test_a_folder_that_refuses(tmp_path, monkeypatch):
    def refuse(path: Path, data: bytes) -> int:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(NightviewError, match="a folder you may write to"):
        write_png(tmp_path / "a.png", PIXELS)


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are of POSIX")
def test_a_real_limit_on_room(tmp_path):
    # The system itself stops the write after 1000 bytes, as a full disk does.
    script = (
        "import resource, signal, sys, numpy as np\n"
        "from nightview.errors import NightviewError\n"
        "from nightview.picture.png import write_png\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "noise = np.random.RandomState(0).randint(0, 256, (40, 60, 3)).astype(np.uint8)\n"
        "try:\n"
        "    write_png(sys.argv[1], noise)\n"
        "except NightviewError as error:\n"
        "    print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "a.png")],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert "a.png: cannot write it (File too large)" in done.stdout
    assert os.listdir(tmp_path) == []


# --- caption --------------------------------------------------------------------------------------

FACTS = ("The mill garden", "from the street", "all lamps", 2.5)


@pytest.mark.parametrize(
    "size", [(900, 1600), (720, 1280), (480, 640), (400, 300), (20, 30), (1, 1)]
)
def test_the_picture_keeps_its_size(size):
    picture = np.full((*size, 3), 90, np.uint8)
    captioned = caption(picture, *FACTS)
    assert captioned.shape == picture.shape
    assert captioned.dtype == np.uint8
    assert (picture == 90).all()


def test_the_strip_is_small_dark_and_legible():
    picture = np.full((900, 1600, 3), 255, np.uint8)  # the worst case: all white
    captioned = caption(picture, *FACTS)
    changed = np.flatnonzero((captioned != picture).any((1, 2)))
    assert len(changed) < 0.06 * 900
    assert changed[-1] == 899
    strip = captioned[changed[0] :].astype(np.float64) / 255.0
    linear = np.where(strip <= 0.04045, strip / 12.92, ((strip + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    # WCAG 2.1, 1.4.3: text at least 4.5 : 1 against what is behind it.
    assert (luminance.max() + 0.05) / (np.median(luminance) + 0.05) > 4.5
    assert (luminance > 0.5).sum() > 500


def test_every_word_of_the_note_is_there():
    for width in (1600, 640, 320):
        font = caption_module._font(11)
        rows = caption_module._rows("Title", ["EV 2.0"], NOTE, font, width - 22)
        words = " ".join(text for row in rows for text, colour in row if text != "Title · EV 2.0")
        assert words == NOTE
        assert all(sum(font.getlength(t) for t, _ in row) <= width - 22 for row in rows)


def test_a_long_title_is_cut_and_the_rest_stays():
    font = caption_module._font(11)
    rows = caption_module._rows("Garden " * 40, ["from the street", "EV 2.0"], NOTE, font, 600)
    head = rows[0][0][0]
    assert head.startswith("Garden Garden")
    assert head.endswith("… · from the street · EV 2.0")
    assert font.getlength(head) <= 600


def test_what_is_written_changes_the_strip():
    picture = np.zeros((360, 640, 3), np.uint8)
    a, b = caption(picture, *FACTS), caption(picture, *FACTS[:3], 2.6)
    assert not np.array_equal(a, b)
    assert np.array_equal(a, caption(picture, *FACTS))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Villa Åse, 2½ acres", "Villa Ase, 2"),
        ("Mlýn – zahrada\n(noc)", "Mlyn - zahrada (noc)"),
        ("庭", "?"),
        ("50° · “quoted”…", "50° · “quoted”…"),
        ("a\u200bb\x07c", "abc"),
        ("", ""),
    ],
)
def test_letters_the_typeface_lacks(text, shown):
    assert drawable(text).startswith(shown)
    assert "\n" not in drawable(text)
    picture = caption(np.zeros((200, 300, 3), np.uint8), text, text, text, 2.0)
    assert picture.any()
