"""nightview window: the night scene in a window, to be changed by hand."""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

from nightview.errors import NightviewError

REMEDY = "use still, compare, check or plan instead: they need no screen"
PATIENCE_S = 30.0


def window(scene: Path) -> int:
    """Open the night scene in a window: look round, switch, dim, move and aim lamps, save.

    Needs the optional extra: pip install '.[window]'. Press F1 in the window for all keys.

    Example: nightview window scenes/cottage.toml

    Parameters
    ----------
    scene
        The scene file (TOML).
    """
    from nightview.scene.read import read

    read(scene)  # what is wrong with the file is said before anything else
    ensure_screen()
    from nightview.picture.glcheck import ensure_gl

    ensure_gl()
    from nightview.window.app import run

    return run(scene)


def ensure_screen() -> None:
    """NightviewError, naming what else there is, where no window can be opened.

    Qt ends the whole process where it finds no screen, so another one tries first.
    """
    if find_spec("PySide6") is None:
        problem = "the window needs PySide6, which is not installed"
        raise NightviewError("window", problem, f"pip install 'nightview[window]'; or {REMEDY}")
    wanted = os.environ.get("QT_QPA_PLATFORM", "")
    screen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if sys.platform == "linux" and not screen and wanted in ("", "xcb", "wayland"):
        raise NightviewError("window", "there is no screen here (no DISPLAY)", REMEDY)
    command = [sys.executable, "-P", "-c", "from PySide6.QtWidgets import *; QApplication([])"]
    try:
        tried = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S)
        failed, said = tried.returncode != 0, tried.stderr
    except subprocess.TimeoutExpired:
        failed, said = True, f"no answer within {PATIENCE_S:.0f} s"
    if failed:
        lines = [line.strip() for line in said.splitlines() if line.strip()]
        problem = f"no window can be opened here ({(lines or ['no reason given'])[0][:200]})"
        raise NightviewError("window", problem, REMEDY)
