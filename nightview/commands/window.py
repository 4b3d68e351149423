"""nightview window: the night scene in a window, to be changed by hand."""

from __future__ import annotations

import os
import sys
from importlib.util import find_spec
from pathlib import Path

from nightview.errors import NightviewError

REMEDY = "use still, compare, check or plan instead: they need no screen"


def window(scene: Path) -> int:
    """Open the night scene in a window: look round, switch, dim, move and aim lamps, save.

    Needs the optional extra: pip install '.[window]'. Press F1 in the window for all keys.

    Example: nightview window scenes/cottage.toml

    Parameters
    ----------
    scene
        The scene file (TOML).
    """
    from nightview.commands.job import lit_of

    lit_of(scene)
    ensure_screen()
    from nightview.picture.glcheck import ensure_gl

    ensure_gl()
    from nightview.window.app import run

    return run(scene)


def ensure_screen() -> None:
    """NightviewError, naming what else there is, where no window can be opened."""
    if find_spec("PySide6") is None:
        problem = "the window needs PySide6, which is not installed"
        raise NightviewError("window", problem, f"pip install 'nightview[window]'; or {REMEDY}")
    wanted = os.environ.get("QT_QPA_PLATFORM", "")
    screen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if sys.platform == "linux" and not screen and wanted in ("", "xcb", "wayland"):
        raise NightviewError("window", "there is no screen here (no DISPLAY)", REMEDY)
