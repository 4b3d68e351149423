"""The window itself, driven by mouse and keys: on an X server in memory (Xvfb) where there is one, and
on a screen of Qt's own otherwise. Two tests send the events of a real mouse and keyboard (xdotool)."""

from __future__ import annotations

import atexit
import functools
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

pytest.importorskip("PySide6.QtWidgets", reason="PySide6 is not installed", exc_type=ImportError)
from PySide6.QtCore import QPoint, QPointF, QRect, QSize, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication
from test_window_session import TEXT

import nightview as nv
from nightview.commands.window import ensure_screen
from nightview.errors import NightviewError
from nightview.window.app import Window, closed_by_signals
from nightview.window.keys import DEEDS

XVFB, XDOTOOL = shutil.which("Xvfb"), shutil.which("xdotool")


def x_server() -> tuple[subprocess.Popen[bytes], str]:
    """A new X server without a screen, and its display."""
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1700x900x24"],
        pass_fds=[write], stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(write)
    with os.fdopen(read) as told:
        return server, f":{told.readline().strip()}"


@functools.cache
def own_screen() -> str:
    """The display of this process: Qt keeps to the screen that it began on."""
    server, display = x_server()
    atexit.register(server.terminate)  # Qt ends the process where its screen goes away
    return display


LEFT, NONE = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier


@pytest.fixture(scope="module")
def app():
    """Qt on an X server of our own, if it can; else on its screen in memory."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("QT_QPA_PLATFORM", "offscreen")
        if XVFB:
            patch.setenv("DISPLAY", own_screen())
            patch.setenv("QT_QPA_PLATFORM", "xcb")
            try:
                ensure_screen()
            except NightviewError:  # libraries of X are missing
                patch.setenv("QT_QPA_PLATFORM", "offscreen")
        yield QApplication.instance() or QApplication([])


def until(app, what, seconds=90.0):
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come"
        app.processEvents()
        time.sleep(0.005)
    app.processEvents()


def settled(app, window):
    until(app, lambda: window.session.picture is not None and not window.session.busy)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "small.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


@pytest.fixture
def window(app, path):
    window = Window(path)
    window.resize(820, 520)
    window.show()
    window.activateWindow()
    until(app, window.isActiveWindow)
    settled(app, window)
    yield window
    window.close()


def place(window, lamp):
    marker = next(one for one in window.session.markers() if one.lamp == lamp)
    return window.pane.from_picture(*marker.at).toPoint()


def press(app, window, key, modifiers=NONE):
    QTest.keyClick(window.pane, key, modifiers)
    app.processEvents()


def drag(app, window, start, step, steps=8, modifiers=NONE):
    QTest.mousePress(window.pane, LEFT, modifiers, start)
    for k in range(1, steps + 1):
        QTest.mouseMove(window.pane, start + QPoint(step.x() * k // steps, step.y() * k // steps))
        app.processEvents()
        time.sleep(0.02)
    QTest.mouseRelease(window.pane, LEFT, modifiers, start + step)
    settled(app, window)


def test_pick_drag_undo_save(app, window, path):
    start = place(window, "bare")
    QTest.mouseClick(window.pane, LEFT, NONE, start)
    assert window.session.selected == "bare"
    assert window.panel.box.title() == "bare"
    assert window.panel.list.currentItem().text().startswith("bare")
    settled(app, window)
    drag(app, window, start, QPoint(60, 6))
    end = place(window, "bare")
    assert abs(end.x() - start.x() - 60) <= 2 and abs(end.y() - start.y() - 6) <= 2
    assert "not saved" in window.windowTitle()
    press(app, window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert window.session.document.text == TEXT and place(window, "bare") == start
    press(app, window, Qt.Key.Key_Y, Qt.KeyboardModifier.ControlModifier)
    press(app, window, Qt.Key.Key_S, Qt.KeyboardModifier.ControlModifier)
    saved = path.read_text(encoding="utf-8")
    assert saved == window.session.document.text and saved != TEXT
    assert [one for one in saved.splitlines() if "#" in one] == [
        one for one in TEXT.splitlines() if "#" in one
    ]
    assert "not saved" not in window.windowTitle()


def test_the_spot_is_dragged(app, window):
    QTest.mouseClick(window.pane, LEFT, NONE, place(window, "up"))
    settled(app, window)
    start = window.pane.from_picture(*window.session.spot_px()).toPoint()
    drag(app, window, start, QPoint(40, 24))
    end = window.pane.from_picture(*window.session.spot_px()).toPoint()
    assert abs(end.x() - start.x() - 40) <= 2 and abs(end.y() - start.y() - 24) <= 2


def test_dim_switch_colour_and_beam_by_keys(app, window):
    press(app, window, Qt.Key.Key_PageDown)
    assert window.session.selected == "up"
    press(app, window, Qt.Key.Key_Minus)
    press(app, window, Qt.Key.Key_Minus)
    assert window.session.now()["up"][1] == pytest.approx(0.9)
    press(app, window, Qt.Key.Key_H)
    assert window.session.now()["up"][2] == pytest.approx(2600)
    press(app, window, Qt.Key.Key_X)
    assert window.session.now()["up"][0] is False
    press(app, window, Qt.Key.Key_BracketRight)
    assert window.session.scene.fixtures[0].lamp == "accent 60"
    assert window.panel.lamp.currentText() == "accent 60"
    for _ in range(4):
        press(app, window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert window.session.document.text == TEXT


def test_the_sliders_and_lists_of_the_panel(app, window):
    panel = window.panel
    panel.list.setCurrentRow(3)
    assert window.session.selected == "bare"
    panel.dim.setValue(20)
    assert window.session.now()["bare"][1] == pytest.approx(0.2)
    panel.cct.setValue(3000)
    assert window.session.now()["bare"][2] == pytest.approx(3000)
    panel.on.click()
    assert window.session.now()["bare"][0] is False
    assert "3 of 4 lamps on" in panel.load.text()
    index = panel.lamp.findText("hanging lantern")
    panel.lamp.setCurrentIndex(index)
    panel.lamp.activated.emit(index)
    assert window.session.scene.fixtures[2].lamp == "hanging lantern"
    settled(app, window)


def test_views_states_looks_and_day(app, window):
    press(app, window, Qt.Key.Key_2)
    assert window.session.shot.view.name == "side"
    press(app, window, Qt.Key.Key_T)
    assert window.session.shot.state == "late"
    settled(app, window)
    night = window.pane.image.copy()
    press(app, window, Qt.Key.Key_N)
    settled(app, window)
    assert window.pane.image != night and "daylight" in window.seen.text()
    press(app, window, Qt.Key.Key_N)
    press(app, window, Qt.Key.Key_L)
    assert "as the eye sees it" in window.seen.text()
    press(app, window, Qt.Key.Key_L)
    assert "levels in lux" in window.seen.text()
    press(app, window, Qt.Key.Key_Q)
    assert "levels in cd/m²" in window.seen.text()
    settled(app, window)


def test_leading_the_camera_and_back_home(app, window):
    home = window.session.shot.view
    middle = window.pane.rect().center() - QPoint(0, 120)  # sky
    drag(app, window, middle, QPoint(60, 0))
    assert window.session.shot.view.eye_m != home.eye_m
    at = QPointF(middle)
    wheel = QWheelEvent(at, window.pane.mapToGlobal(at), QPoint(), QPoint(0, 120),
                        Qt.MouseButton.NoButton, NONE, Qt.ScrollPhase.NoScrollPhase, False)  # fmt: skip
    QApplication.sendEvent(window.pane, wheel)
    press(app, window, Qt.Key.Key_Up)
    assert window.session.shot.view.eye_m[2] == pytest.approx(1.6)
    press(app, window, Qt.Key.Key_0)
    assert window.session.shot.view == home
    settled(app, window)


def test_figures_under_the_pointer(app, window):
    QTest.mouseMove(window.pane, window.pane.from_picture(*window.session.shot.size).toPoint() / 2)
    QTest.mouseMove(window.pane, window.pane.rect().center())
    app.processEvents()
    until(app, lambda: "cd/m²" in window.under.text())
    assert " lx" in window.under.text()


def test_two_states_as_a_wipe_and_side_by_side(app, window):
    press(app, window, Qt.Key.Key_C)
    settled(app, window)
    assert window.session.other == "late" and window.pane.beside is not None
    frame = window.pane.frame()
    edge = QPoint(round(frame.center().x()), round(frame.center().y()))
    drag(app, window, edge, QPoint(100, 0))
    assert window.pane.split == pytest.approx(0.5 + 100 / frame.width(), abs=0.01)
    press(app, window, Qt.Key.Key_W)
    one, two = window.pane.frame(), window.pane.frame(True)
    assert not one.intersects(two) and window.pane.to_picture(two.center()) == pytest.approx(
        window.pane.to_picture(one.center())
    )
    press(app, window, Qt.Key.Key_C, Qt.KeyboardModifier.ShiftModifier)
    assert window.session.other is None and window.pane.beside is None


def test_the_file_changes_and_breaks_under_the_window(app, window, path):
    path.write_text(TEXT.replace('"Small"', '"Other"'), encoding="utf-8")
    until(app, lambda: window.session.scene.title == "Other")
    assert "Other" in window.windowTitle()
    path.write_text(TEXT.replace("2.6 m", "2.6"), encoding="utf-8")
    until(app, window.bar.isVisible)
    assert "small.toml" in window.bar.words.text() and "height" in window.bar.words.text()
    assert window.session.scene.title == "Other"
    path.write_text(TEXT, encoding="utf-8")
    until(app, lambda: not window.bar.isVisible())
    assert window.session.scene.title == "Small"
    press(app, window, Qt.Key.Key_PageDown)
    press(app, window, Qt.Key.Key_X)
    path.write_text(TEXT + "# more\n", encoding="utf-8")
    until(app, window.bar.isVisible)
    assert len(window.bar.buttons) == 2
    QTest.mouseClick(window.bar.buttons[0], LEFT)
    assert window.session.document.text.endswith("# more\n")
    settled(app, window)


def test_closing_asks_nothing_and_loses_nothing(app, window, path):
    press(app, window, Qt.Key.Key_PageDown)
    press(app, window, Qt.Key.Key_X)
    press(app, window, Qt.Key.Key_Q, Qt.KeyboardModifier.ControlModifier)
    assert not window.isVisible() and path.read_text(encoding="utf-8") == TEXT
    again = Window(path)
    again.show()
    until(app, again.bar.isVisible)
    QTest.mouseClick(again.bar.buttons[0], LEFT)
    assert again.session.now()["up"][0] is False
    again.close()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_closes_the_window_and_keeps_what_is_unsaved(app, window, path, number):
    before = signal.getsignal(number)
    press(app, window, Qt.Key.Key_PageDown)
    press(app, window, Qt.Key.Key_X)
    with closed_by_signals(window):
        os.kill(os.getpid(), number)
        until(app, lambda: not window.isVisible(), 20)
    assert signal.getsignal(number) is before
    assert path.with_name(".small.unsaved.toml").read_text(encoding="utf-8") != TEXT


def test_the_help_lists_every_key(app, window):
    press(app, window, Qt.Key.Key_F1)
    assert window.keys.isVisible()
    text = window.keys_text.text()
    for deed in DEEDS:
        shown = deed.words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        assert shown in text
        assert callable(getattr(window, f"do_{deed.name}"))
    press(app, window, Qt.Key.Key_Escape)
    assert not window.keys.isVisible()


def test_with_no_lamp_chosen_the_fields_are_empty(app, window):
    panel = window.panel

    def fields():
        return panel.lamp.currentText(), panel.on.isChecked(), panel.dim.value(), panel.cct.text()

    assert fields() == ("", False, 0, " ") and not panel.box.isEnabled()
    press(app, window, Qt.Key.Key_PageDown)
    assert fields() == ("accent 36", True, 100, "2700 K") and panel.box.isEnabled()
    press(app, window, Qt.Key.Key_Escape)
    assert fields() == ("", False, 0, " ")
    assert window.session.document.text == TEXT  # to show a value is not to set it


@pytest.mark.parametrize("room", [QSize(640, 400), QSize(1280, 800), QSize(2560, 1440)])
def test_the_window_fits_the_screen_with_the_panel_in_it(app, window, room):
    """1280 x 800 at 200 % is 640 x 400 of Qt's own pixels."""
    window.fit_into(QRect(QPoint(0, 0), room))
    app.processEvents()
    assert window.width() < room.width() and window.height() < room.height()
    right = window.panel.mapTo(window, window.panel.rect().topRight())
    assert right.x() <= window.width()
    assert window.pane.width() >= 320
    for field in (window.panel.lamp, window.panel.dim, window.panel.cct):
        assert field.mapTo(window, field.rect().topRight()).x() <= window.width()


def test_in_the_panel_arrows_and_the_wheel_do_what_they_do_there(app, window):
    view = window.session.shot.view
    window.panel.list.setFocus()
    window.session.select("up")
    window.panel.refresh()
    QTest.keyClick(window.panel.list, Qt.Key.Key_Down)
    assert window.session.selected == "hats-1" and window.session.shot.view == view
    for field in (window.panel.dim, window.panel.cct, window.panel.lamp):
        at = QPointF(field.rect().center())
        wheel = QWheelEvent(at, field.mapToGlobal(at), QPoint(), QPoint(0, -120),
                            Qt.MouseButton.NoButton, NONE, Qt.ScrollPhase.NoScrollPhase, False)  # fmt: skip
        QApplication.sendEvent(field, wheel)
    assert window.session.document.text == TEXT
    settled(app, window)


def test_after_a_figure_is_entered_letters_are_keys_again(app, window):
    press(app, window, Qt.Key.Key_PageDown)
    window.panel.cct.setFocus()
    window.panel.cct.selectAll()
    QTest.keyClicks(window.panel.cct, "3000")
    QTest.keyClick(window.panel.cct, Qt.Key.Key_Return)
    assert window.session.now()["up"][2] == pytest.approx(3000)
    assert window.focusWidget() is window.pane
    settled(app, window)


def test_deleting_a_wired_lamp_asks_and_enter_is_an_answer(app, window, path):
    path.write_text(
        TEXT + '\n[[transformer]]\nname = "T"\nat = "4 m, -1 m"\npower = "60 VA"\ntaps = ["12 V"]\n'
        '[[cable]]\nname = "run"\nfrom = "T"\nthrough = ["up", "hats"]\n', encoding="utf-8")  # fmt: skip
    until(app, lambda: window.session.scene.cables)
    press(app, window, Qt.Key.Key_PageDown)
    press(app, window, Qt.Key.Key_Delete)
    assert window.bar.isVisible() and '"run"' in window.bar.words.text()
    assert len(window.session.lamps) == 4
    QTest.mouseClick(window.bar.buttons[1], LEFT)
    assert not window.bar.isVisible() and len(window.session.lamps) == 4
    press(app, window, Qt.Key.Key_Delete)
    QTest.keyClick(window.bar.buttons[0], Qt.Key.Key_Return)
    assert [lamp.id for lamp in window.session.lamps] == ["hats-1", "hats-2", "bare"]
    assert window.session.scene.cables[0].through == ("hats",)
    press(app, window, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert len(window.session.lamps) == 4 and window.session.scene.cables[0].through[0] == "up"
    settled(app, window)


def test_no_key_does_two_things():
    keys = [key.lower() for deed in DEEDS for key in deed.keys]
    assert len(keys) == len(set(keys))
    # Two of one deed are one press where a keyboard writes the first with Shift and the second: then
    # Qt finds the press ambiguous and does neither. (US and ISO layouts of the keys used here.)
    shifted = {"<": ",", ">": ".", "?": "/", "+": "="}
    assert not {f"shift+{shifted[key]}" for key in keys if key in shifted} & set(keys)


def test_a_still_of_the_screen(app, window, path):
    press(app, window, Qt.Key.Key_P)
    picture = path.with_name("small-front.png")
    assert picture.exists() and "wrote" in window.statusBar().currentMessage()


# --- a real screen --------------------------------------------------------------------------------


@pytest.mark.skipif(not XDOTOOL, reason="xdotool is missing")
def test_keys_that_are_written_with_shift(app, window):
    """What a real keyboard sends for them, one press, means one thing."""
    if app.platformName() != "xcb":
        pytest.skip("no X server")
    press(app, window, Qt.Key.Key_PageDown)
    press(app, window, Qt.Key.Key_Minus)
    press(app, window, Qt.Key.Key_C)
    for key, done in (
        ("greater", lambda: window.pane.split == pytest.approx(0.55)),
        ("less", lambda: window.pane.split == pytest.approx(0.5)),
        ("plus", lambda: window.session.now()["up"][1] == 1.0),
        ("question", window.keys.isVisible),
        ("question", lambda: not window.keys.isVisible()),
    ):
        subprocess.run([XDOTOOL, "key", key], check=True)
        until(app, done, 20)
    settled(app, window)


@pytest.mark.skipif(not XDOTOOL, reason="xdotool is missing")
def test_a_real_mouse_picks_and_drags(app, window):
    if app.platformName() != "xcb":
        pytest.skip("no X server")

    def xdo(*words):
        done = subprocess.run([XDOTOOL, *map(str, words)], check=True)
        for _ in range(5):
            app.processEvents()
            time.sleep(0.01)
        return done

    start = place(window, "bare")
    at = window.pane.mapToGlobal(start) * window.devicePixelRatio()
    xdo("mousemove", at.x(), at.y())
    xdo("mousedown", 1)
    until(app, lambda: window.session.selected == "bare")
    settled(app, window)
    sketches = []
    window._post.told.connect(lambda what, _: sketches.append(what) if what == "sketch" else None)
    for step in range(1, 16):
        xdo("mousemove", at.x() + 4 * step, at.y())
    until(app, lambda: sketches)
    xdo("mouseup", 1)
    settled(app, window)
    end = place(window, "bare")
    assert abs(end.x() - start.x() - 60) <= 2 and abs(end.y() - start.y()) <= 2
    assert window.session.document.undoes == "move bare"


@pytest.mark.skipif(not (XVFB and XDOTOOL), reason="Xvfb or xdotool is missing")
def test_the_command_under_x_with_real_keys(path):
    """As a user starts it: a lamp chosen, dimmed, saved, and the window closed."""
    server, display = x_server()
    child = None
    try:
        env = {**os.environ, "DISPLAY": display, "QT_QPA_PLATFORM": "xcb"}
        env.pop("WAYLAND_DISPLAY", None)
        child = subprocess.Popen(
            [sys.executable, "-m", "nightview", "window", str(path)],
            env=env, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

        def xdo(*words):
            return subprocess.run(
                ["xdotool", *words], env=env, capture_output=True, text=True
            ).stdout

        found = ""
        end = time.monotonic() + 60
        while not found and time.monotonic() < end and child.poll() is None:
            found = xdo("search", "--onlyvisible", "--name", "Small").split("\n")[0]
            time.sleep(0.2)
        if child.poll() is not None and "xcb" in (said := child.stderr.read()):
            pytest.skip(f"Qt cannot use this X server: {said[-200:]}")
        assert found
        xdo("windowfocus", found)
        time.sleep(3.0)
        xdo("key", "--clearmodifiers", "Next")  # Page Down: the first lamp
        for _ in range(4):
            xdo("key", "--clearmodifiers", "minus")
            time.sleep(0.2)
        xdo("key", "--clearmodifiers", "ctrl+s")
        end = time.monotonic() + 30
        while path.read_text(encoding="utf-8") == TEXT and time.monotonic() < end:
            time.sleep(0.2)
        assert nv.read(path).fixtures[0].dim == pytest.approx(0.8)
        xdo("key", "--clearmodifiers", "ctrl+q")
        assert child.wait(60) == 0
    finally:
        for process in (child, server):
            if process is not None and process.poll() is None:
                process.terminate()
                process.wait(20)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="screens of X and Wayland")
@pytest.mark.parametrize("display", [None, ":4242"])
def test_without_a_screen_it_names_the_other_commands(path, display):
    env = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    env.pop("QT_QPA_PLATFORM", None)
    if display:
        env["DISPLAY"] = display  # where nothing answers
    done = subprocess.run(
        [sys.executable, "-m", "nightview", "window", str(path)],
        env=env, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert "window: " in done.stderr and "still" in done.stderr and "check" in done.stderr
