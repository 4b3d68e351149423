"""Points marked by hand: the text that is saved, and the window driven by mouse and keys, on an X server
in memory (Xvfb) where there is one, else on a screen of Qt's own; one test by a real mouse (xdotool)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest
from photographed import HOUSE, SIZE, camera_at, grey, site_of, spread_names, table
from PIL import Image

import nightview as nv
from nightview.errors import NightviewError
from nightview.photo.image import read_photo
from nightview.photo.marking import judged, typed
from nightview.scene.write_marks import marked, unmarked
from nightview.site.landmarks import landmarks_of

HEAD = '\n# the client sent this one\n[[photo]]\nname = "front"   # from the lane\nfile = "front.jpg"\n'
LIST = (
    HOUSE
    + HEAD
    + """marks = [
  # the corners first
  { point = "house front left foot", pixel = [100, 200] },   # clear
  { point = "house front right foot", pixel = [300, 210] },
]

# and how one looks at it
[[view]]
name = "lane"
eye = "1 m, -9 m, 1.6 m"
target = "4 m, 0 m, 2 m"
"""
)
TABLES = (
    HOUSE
    + HEAD
    + """
[[photo.marks]]  # clear
point = "house front left foot"
pixel = [100, 200]
[[photo.marks]]
point = "house front right foot"
pixel = [300, 210]  # so so

# and how one looks at it
[[view]]
name = "lane"
eye = "1 m, -9 m, 1.6 m"
target = "4 m, 0 m, 2 m"
"""
)


# --- the text -------------------------------------------------------------------------------------


def marks_in(text: str) -> dict[str, list[float]]:
    (photo,) = tomllib.loads(text)["photo"]
    return {mark["point"]: mark["pixel"] for mark in photo.get("marks", [])}


def comments(text: str) -> list[str]:
    return [line[line.index("#") :] for line in text.splitlines() if "#" in line]


@pytest.mark.parametrize(
    "text", [LIST, TABLES, LIST.replace("\n", "\r\n")], ids=["list", "tables", "crlf"]
)
def test_marks_are_set_moved_and_taken_away(text: str) -> None:
    left, right, more = "house front left foot", "house front right foot", "house left ridge"
    moved = marked(text, "front", left, (101.26, 202.0))
    assert marks_in(moved) == {left: [101.3, 202], right: [300, 210]}
    added = marked(moved, "front", more, (5.0, 6.5))
    assert marks_in(added) == {left: [101.3, 202], right: [300, 210], more: [5, 6.5]}
    assert comments(added) == comments(text)
    assert tomllib.loads(added)["view"] == tomllib.loads(text)["view"]
    assert unmarked(added, "front", more).split() == moved.split()  # but for blank lines
    fewer = unmarked(added, "front", right)
    assert marks_in(fewer) == {left: [101.3, 202], more: [5, 6.5]}
    assert unmarked(text, "front", more) == text
    if "\r\n" in text:
        assert added.count("\n") == added.count("\r\n") and "\r" in fewer
    else:
        assert "\r" not in added + fewer


def test_the_first_mark_of_a_photo() -> None:
    for more in (
        "",
        "marks = []\n",
        'light = "overcast"\n\n# later\n[[view]]\nname = "a"\neye = "0 m, -9 m, 2 m"\ntarget = "0 m, 0 m, 2 m"\n',
    ):
        text = marked(HOUSE + HEAD + more, "front", 'a "quoted" point', (3, 4))
        assert marks_in(text) == {'a "quoted" point': [3, 4]}
        assert comments(text) == comments(HOUSE + HEAD + more)
    with pytest.raises(
        NightviewError, match='photo "frnt": is not in this file; did you mean "front"'
    ):
        marked(LIST, "frnt", "a", (1, 2))


# --- without Qt -----------------------------------------------------------------------------------


def written(
    folder: Path, count: int, size: tuple[int, int] = SIZE
) -> tuple[Path, list[str], np.ndarray]:
    """A scene with so many of ten exact marks set; all ten, and their pixels in the file."""
    site, camera = site_of(), camera_at()
    names = spread_names(site, camera, 10)
    known = landmarks_of(site.scene)
    pixels = camera.project(np.array([known[name].place for name in names]))[0] * (
        size[0] / SIZE[0]
    )
    path = folder / "house.toml"
    path.write_text(HOUSE + table(names[:count], pixels[:count]), encoding="utf-8")
    grey(folder / "front.jpg", size)
    return path, names, pixels


def test_what_marks_come_to(tmp_path: Path) -> None:
    path, names, pixels = written(tmp_path, 3)
    scene = nv.read(path)
    site, image = nv.build(scene), read_photo(tmp_path / "front.jpg", "file")
    few = judged(site, scene.photos[0], image)
    assert not few.good and few.told.startswith("Has 3 marks, too few to tell the camera")
    assert few.following and few.row(few.following).pixel is None and not len(few.segments)
    assert few.row(names[0]).pixel == pytest.approx(pixels[0]) and few.row(names[0]).off_px is None
    written(tmp_path, 10)
    full = judged(site, nv.read(path).photos[0], image)
    assert full.good and "Focal length 30 mm" in full.told
    assert full.row(names[0]).off_px == pytest.approx(0.0, abs=1e-4)
    known = landmarks_of(scene)
    other = next(row for row in full.rows if row.pixel is None and row.shown)
    assert other.shown == pytest.approx(
        camera_at().project(known[other.name].place[None])[0][0], abs=1e-3
    )
    assert full.segments.shape[1:] == (2, 2) and len(full.seen) == len(full.segments) > 500


def test_typed_pixels(tmp_path: Path) -> None:
    image = read_photo(grey(tmp_path / "a.jpg", (3200, 2134)), "file")
    assert image.scale == 0.5
    assert typed("3100, 455.5", image) == (3100.0, 455.5) and typed(" 8 9", image) == (8.0, 9.0)
    for wrong, told in (
        ("a, b", "is no pixel"),
        ("12", "is no pixel"),
        ("3300, 4", "off the picture; it is 3200 x 2134"),
    ):
        with pytest.raises(NightviewError, match=told):
            typed(wrong, image)


# --- the window -----------------------------------------------------------------------------------

pytest.importorskip("PySide6.QtWidgets", reason="PySide6 is not installed", exc_type=ImportError)
from PySide6.QtCore import QPoint, Qt, QTimer  # noqa: E402
from PySide6.QtTest import QTest  # noqa: E402
from PySide6.QtWidgets import QApplication, QMessageBox  # noqa: E402
from test_window_driven import LEFT, NONE, XDOTOOL, until  # noqa: E402
from test_window_driven import app as app  # noqa: E402  the same screen

from nightview.window.marking import Marker, PhotoPane  # noqa: E402

CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


@pytest.fixture
def opened(app, tmp_path):
    """Opens the window on a scene with so many marks; closed in the end, whatever is unsaved."""
    windows = []

    def opening(count: int, size=SIZE):
        path, names, pixels = written(tmp_path, count, size)
        window = Marker(path, "front")
        window.resize(1100, 720)
        window.show()
        window.activateWindow()
        until(app, window.isActiveWindow)
        windows.append(window)
        return window, path, names, pixels

    yield opening
    for window in windows:
        window.document._saved = window.document.text
        window.close()


def spot(window: Marker, pixel) -> QPoint:
    return window.pane.from_file(tuple(pixel)).toPoint()


def click(app, window: Marker, pixel) -> None:
    QTest.mouseMove(window.pane, spot(window, pixel))
    QTest.mouseClick(window.pane, LEFT, NONE, spot(window, pixel))
    app.processEvents()


def choose(app, window: Marker, name: str) -> None:
    """Click a point in the list."""
    for number in range(window.list.count()):
        item = window.list.item(number)
        if item.data(Qt.ItemDataRole.UserRole) == name:
            window.list.scrollToItem(item)
            app.processEvents()
            QTest.mouseClick(
                window.list.viewport(), LEFT, NONE, window.list.visualItemRect(item).center()
            )
            app.processEvents()
            return
    raise AssertionError(name)


def test_a_photo_is_marked_and_saved(app, opened) -> None:
    window, path, names, pixels = opened(0)
    assert "has no marks" in window.told.text().lower() and not len(window.found.segments)
    assert window.selected == window.found.following  # what is worth most is in hand
    for name, pixel in zip(names, pixels, strict=True):
        choose(app, window, name)
        assert window.selected == name
        click(app, window, pixel)
        assert window.selected != name  # on to the next
    px = SIZE[0] / window.pane.frame().width()  # of the file, a pixel of the pane
    for name, pixel in zip(names, pixels, strict=True):
        assert window.found.row(name).pixel == pytest.approx(pixel, abs=0.8 * px)
    assert window.found.good and "Focal length" in window.told.text() and len(window.found.segments)
    assert "not saved" in window.windowTitle() and "marks" not in path.read_text().split(
        "[[photo]]"
    )[1].replace("marks = [\n]", "")
    QTest.keyClick(window, Qt.Key.Key_S, CTRL)
    saved = nv.read(path).photos[0]
    assert [mark.point for mark in saved.marks] == names
    assert "not saved" not in window.windowTitle()


def test_moved_nudged_typed_removed_and_undone(app, opened) -> None:
    window, _path, names, _ = opened(
        10, (3200, 2134)
    )  # the file is twice as large as what is shown
    first = window.found.row(names[0]).pixel
    QTest.mouseClick(window.pane, LEFT, NONE, spot(window, first) + QPoint(1, 0))
    assert window.selected == names[0]  # a press on a mark takes it
    base = window.found.row(names[0]).pixel
    window.pane.setFocus()
    for key, modifiers, by in (
        (Qt.Key.Key_Right, NONE, (1, 0)), (Qt.Key.Key_Up, NONE, (0, -1)), (Qt.Key.Key_Left, SHIFT, (-10, 0)),
    ):  # fmt: skip
        QTest.keyClick(window.pane, key, modifiers)
        now = window.found.row(names[0]).pixel
        assert np.subtract(now, base) == pytest.approx(by, abs=0.06)
        base = now
    assert window.found.row(names[0]).off_px > 1
    window.pixel.setFocus()
    window.pixel.selectAll()
    QTest.keyClicks(window.pixel, "1234, 567.5")
    QTest.keyClick(window.pixel, Qt.Key.Key_Return)
    assert window.found.row(names[0]).pixel == (1234, 567.5)
    assert not window.found.good and "does not fit the others" in window.told.text()
    assert len(window.found.segments)  # the best camera is shown all the same
    QTest.keyClicks(window.pixel, " x")
    QTest.keyClick(window.pixel, Qt.Key.Key_Return)
    assert "is no pixel" in window.told.text()
    window.pane.setFocus()
    QTest.keyClick(window.pane, Qt.Key.Key_Delete)
    assert window.found.row(names[0]).pixel is None and window.found.good
    for _ in range(2):
        QTest.keyClick(window.pane, Qt.Key.Key_Z, CTRL)
    assert window.found.row(names[0]).pixel == base
    QTest.keyClick(window.pane, Qt.Key.Key_Y, CTRL)
    assert window.found.row(names[0]).pixel == (1234, 567.5)


def test_two_marks_on_one_pixel_are_refused(app, opened) -> None:
    window, _, names, pixels = opened(8)
    window.select(names[8])
    window.place(*pixels[0])
    assert "are on one pixel" in window.told.text()
    assert window.found.row(names[8]).pixel is None and not window.document.is_changed


def test_the_loupe_shows_what_is_under_the_pointer(app, opened) -> None:
    """A red dot of the photo, six times as large, about the loupe's crosshair."""
    window, _, _, _ = opened(8)
    window.pane._codes[400:412, 700:712] = (255, 0, 0)
    at = spot(window, (706, 406))
    QTest.mouseMove(window.pane, at)
    until(app, lambda: window.pane._over is not None)
    seen = window.pane.grab().toImage()
    from PySide6.QtCore import QPointF

    middle = window.pane.loupe_frame(QPointF(at)).center()
    ratio = seen.devicePixelRatio()

    def colour(dx: float, dy: float):
        return seen.pixelColor(int((middle.x() + dx) * ratio), int((middle.y() + dy) * ratio))

    assert colour(20, 20).red() > 240 and colour(20, 20).green() < 30  # 12 px are 72 here
    assert abs(colour(60, 60).red() - colour(60, 60).green()) < 40  # the grey beside it
    assert (
        window.pane.loupe_frame(QPointF(5, 5)).left()
        > window.pane.loupe_frame(QPointF(at.x() + 900, 5)).left()
    )


def test_the_loupe_shows_the_file_itself(app, tmp_path: Path) -> None:
    """A photo twice as wide as it is worked with: a fine pattern is still there to look at."""
    codes = np.zeros((400, 3200, 3), np.uint8)
    codes[:, ::2] = 255  # one pixel black, one white
    path = tmp_path / "wide.png"
    Image.fromarray(codes).save(path)
    image = read_photo(path, "file", fine=True)
    assert image.scale == 0.5 and np.ptp(image.srgb[100, 100:1500]) < 0.1
    pane = PhotoPane(image)
    assert (pane.fine.width(), pane.fine.height()) == (3200, 400)
    seen = [pane.fine.pixelColor(x, 200).red() for x in range(1000, 1004)]
    assert seen == [255, 0, 255, 0]
    assert read_photo(path, "file").fine is None


def test_find_and_hide_lines(app, opened) -> None:
    window, _, _, _ = opened(10)
    QTest.keyClicks(window.filter, "porch left")
    shown = [window.list.item(n).data(Qt.ItemDataRole.UserRole) for n in range(window.list.count())]
    assert shown and all("porch" in name and "left" in name for name in shown)

    def yellow() -> int:
        image = window.pane.grab().toImage().convertToFormat(window.pane.image.format())
        held = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)[
            :, : 3 * image.width()
        ]
        rgb = held.reshape(image.height(), image.width(), 3).astype(int)
        return int(((rgb[..., 0] - rgb[..., 2]) > 60).sum())

    assert yellow() > 500
    QTest.keyClick(window.pane, Qt.Key.Key_W)
    assert yellow() < 50


@pytest.mark.parametrize("answer", ["Cancel", "Discard", "Save"])
def test_unsaved_marks_are_asked_for(app, opened, answer: str) -> None:
    window, path, names, pixels = opened(8)
    before = path.read_text()
    window.select(names[8])
    window.place(*pixels[8])
    asked = []

    def reply() -> None:
        box = QApplication.activeModalWidget()
        assert isinstance(box, QMessageBox)
        asked.append(box.text())
        QTest.mouseClick(box.button(getattr(QMessageBox.StandardButton, answer)), LEFT)

    QTimer.singleShot(300, reply)
    window.close()
    assert asked == ["The marks are not saved."]
    assert window.isVisible() == (answer == "Cancel")
    assert (path.read_text() == before) == (answer != "Save")
    if answer == "Save":
        assert names[8] in {mark.point for mark in nv.read(path).photos[0].marks}


@pytest.mark.skipif(not XDOTOOL, reason="xdotool is missing")
def test_a_real_mouse_marks_under_the_loupe(app, opened) -> None:
    if app.platformName() != "xcb":
        pytest.skip("no X server")
    window, _, names, pixels = opened(8)

    def xdo(*words: object) -> None:
        subprocess.run([shutil.which("xdotool") or "", *map(str, words)], check=True)
        for _ in range(5):
            app.processEvents()
            time.sleep(0.01)

    window.select(names[8])
    at = window.pane.mapToGlobal(spot(window, pixels[8])) * window.devicePixelRatio()
    middle = window.pane.mapToGlobal(window.pane.rect().center())
    aside = [30 if middle.x() > at.x() else -30, 20 if middle.y() > at.y() else -20]
    xdo("mousemove", at.x() + aside[0], at.y() + aside[1])
    xdo("mousedown", 1)
    until(app, lambda: window.pane._held is not None)
    xdo("mousemove", at.x(), at.y())
    until(
        app,
        lambda: (
            window.pane._over is not None
            and abs(window.pane._over.x() - spot(window, pixels[8]).x()) <= 1
        ),
    )
    assert window.found.row(names[8]).pixel is None  # nothing is placed before the button is let go
    xdo("mouseup", 1)
    until(app, lambda: window.found.row(names[8]).pixel is not None)
    px = SIZE[0] / window.pane.frame().width()
    assert window.found.row(names[8]).pixel == pytest.approx(pixels[8], abs=1.5 * px)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="screens of X and Wayland")
def test_without_a_screen_it_says_what_to_do(tmp_path: Path) -> None:
    path, _, _ = written(tmp_path, 8)
    env = {
        k: v
        for k, v in os.environ.items()
        if k not in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    }
    done = subprocess.run(
        [sys.executable, "-m", "nightview", "match", str(path), "--mark"],
        env=env,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2
    assert (
        "--mark: there is no screen here" in done.stderr
        and "--points lists the points" in done.stderr
    )
