"""Make sure that VTK can draw here, before it is asked to: without a graphics library it dies.

VTK looks for OpenGL only when it draws, and ends the whole process where it finds none. So the
libraries are looked for first, then another process draws one small picture (``glprobe``). What
worked is remembered in the user's cache folder until VTK or the library changes.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from itertools import chain
from pathlib import Path

import platformdirs

from nightview.errors import NightviewError
from nightview.picture.files import write_beside

WINDOW_VARIABLE = "VTK_DEFAULT_OPENGL_WINDOW"
"""Environment variable by which VTK 9.4 and later picks its window (VTK, "Runtime settings")."""

REMEDY = "install one: on Debian or Ubuntu, apt install libegl1 libgl1-mesa-dri"

# Neither needs a screen. EGL first: OSMesa is gone from newer systems.
_CANDIDATES = (
    ("vtkEGLRenderWindow", ("libEGL.so.1",)),
    ("vtkOSOpenGLRenderWindow", ("libOSMesa.so.8", "libOSMesa.so.6", "libOSMesa.so")),
)
_TIMEOUT_S = 60.0
_worked: set[str] = set()  # keys of this process's own trials
# Variables that change which driver answers.
_DRIVER_PREFIXES = ("EGL_", "GALLIUM_", "LD_LIBRARY_PATH", "LIBGL_", "MESA_", "__EGL_", "__GLX_")


@dataclass(frozen=True, eq=False)
class _Trial:
    """One way of drawing, and the process that tries it: None where nothing need be tried."""

    window: str
    key: list[object]
    child: subprocess.Popen[bytes] | None


@dataclass(frozen=True, eq=False)
class Probe:
    """A check under way: the trial that runs, and those to come if it fails."""

    first: _Trial
    rest: Iterator[_Trial]


def ensure_gl() -> str:
    """See to it that VTK can draw; the name of the window class it will use ("" for its own).

    Sets ``VTK_DEFAULT_OPENGL_WINDOW`` for this process, so call it before VTK's first window; if
    the user has set it, that one is tried and kept. NightviewError, naming what to install, where
    no library is found or the trial picture fails.
    """
    return finish(start_probe())


def start_probe() -> Probe:
    """Begin the check and return at once; other work goes on while the trial picture is drawn.

    NightviewError where no library is found at all.
    """
    trials = _trials()
    first = next(trials, None)
    if first is None:
        wanted = ", ".join(name for _, names in _ways() for name in names)
        problem = f"no graphics library was found (looked for {wanted})"
        raise NightviewError("drawing", problem, REMEDY)
    return Probe(first, trials)


def finish(probe: Probe) -> str:
    """Wait for the trial, go on to the next way if it failed; result and errors as ``ensure_gl``."""
    failures = []
    for trial in chain([probe.first], probe.rest):
        failure = _outcome(trial.child) if trial.child else ""
        if not failure:
            if trial.window:
                _remember(trial.key)
                os.environ[WINDOW_VARIABLE] = trial.window
            return trial.window
        failures.append(f"{trial.window}: {failure}")
    asked = f"; {WINDOW_VARIABLE} is set" if os.environ.get(WINDOW_VARIABLE) else ""
    raise NightviewError("drawing", f"VTK cannot draw here ({'; '.join(failures)}{asked})", REMEDY)


def _ways() -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Window classes to try in order, each with the libraries of which it needs one."""
    asked = os.environ.get(WINDOW_VARIABLE)
    if asked:
        return ((asked, dict(_CANDIDATES).get(asked, ())),)
    return _CANDIDATES if sys.platform == "linux" else (("", ()),)


def _trials() -> Iterator[_Trial]:
    """Start the trials one by one, as they are asked for."""
    for window, names in _ways():
        library = next((path for path in map(_library, names) if path), None)
        if names and library is None:
            continue
        key = _key(window, library)
        yield _Trial(window, key, _start(window) if window and not _known(key) else None)


def _library(name: str) -> Path | None:
    """Where the loader finds a library, or None if it does not or cannot load it."""
    try:
        ctypes.CDLL(name)
    except OSError:
        return None
    for line in Path("/proc/self/maps").read_text(encoding="utf-8", errors="replace").splitlines():
        path = line.partition("/")[2]
        if Path(path).name.startswith(name):
            return Path("/" + path)
    return Path(name)


def _command() -> list[str]:
    # -P: the script's own folder must not shadow other modules.
    return [sys.executable, "-P", str(Path(__file__).with_name("glprobe.py"))]


def _start(window: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        _command(),
        env={**os.environ, WINDOW_VARIABLE: window},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _outcome(child: subprocess.Popen[bytes]) -> str:
    """Why the trial failed; empty if it did not."""
    try:
        status = child.wait(_TIMEOUT_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
        return f"a trial picture was not done after {_TIMEOUT_S:.0f} s"
    if status < 0:
        with contextlib.suppress(ValueError):
            return f"a trial picture ended in {signal.Signals(-status).name}"
    return f"a trial picture failed with status {status}" if status else ""


def _key(window: str, library: Path | None) -> list[object]:
    """All that the answer hangs on; a change of it asks for a new trial.

    The folder's time counts as well: a driver that comes or goes changes it.
    """
    stamps = []
    for path in (library, library and library.parent):
        with contextlib.suppress(OSError):
            stamps.append(path.stat().st_mtime_ns if path else 0)
    drivers = [f"{k}={v}" for k, v in sorted(os.environ.items()) if k.startswith(_DRIVER_PREFIXES)]
    return [metadata.version("vtk"), sys.prefix, window, str(library), stamps, drivers]


def _memory() -> Path:
    return Path(platformdirs.user_cache_dir("nightview")) / "gl.json"


def _known(key: list[object]) -> bool:
    """Whether a trial of this key has worked, in this process or as the cache tells."""
    text = json.dumps(key)
    with contextlib.suppress(OSError, ValueError):
        return text in _worked or text == _memory().read_text(encoding="utf-8")
    return False


def _remember(key: list[object]) -> None:
    """Keep the answer; that it cannot be kept on disk is no reason to stop."""
    text = json.dumps(key)
    if _known(key):
        return
    _worked.add(text)
    with contextlib.suppress(OSError, NightviewError):
        _memory().parent.mkdir(parents=True, exist_ok=True)
        write_beside(_memory(), lambda path: path.write_bytes(text.encode()))
