"""The check that VTK can draw: with it, without libraries, and with a child that dies."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nightview.errors import NightviewError
from nightview.picture import glcheck
from nightview.picture.glcheck import WINDOW_VARIABLE, ensure_gl, finish, start_probe

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="other systems bring OpenGL along")


@pytest.fixture(autouse=True)
def _clean(monkeypatch, tmp_path):
    """No window asked for, an empty cache, nothing remembered."""
    monkeypatch.setenv(WINDOW_VARIABLE, "to be restored")
    monkeypatch.delenv(WINDOW_VARIABLE)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setattr(glcheck, "_worked", set())


@pytest.fixture
def library(monkeypatch, tmp_path) -> Path:
    """A stand-in for every graphics library."""
    path = tmp_path / "lib" / "libEGL.so.1"
    path.parent.mkdir()
    path.write_bytes(b"1")
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(glcheck, "_library", lambda name: path)
    return path


@pytest.fixture
def child(monkeypatch):
    """Let the trial be a shell command; returns the list of window classes tried."""
    tried: list[str] = []
    start = glcheck._start

    def use(command: str) -> list[str]:
        monkeypatch.setattr(glcheck, "_command", lambda: ["/bin/sh", "-c", command])
        monkeypatch.setattr(glcheck, "_start", lambda w: (tried.append(w), start(w))[1])
        return tried

    return use


@LINUX
def test_this_machine():
    if glcheck._library("libEGL.so.1") is None and glcheck._library("libOSMesa.so.8") is None:
        with pytest.raises(NightviewError, match="libegl1 libgl1-mesa-dri"):
            ensure_gl()
        return
    window = ensure_gl()
    assert window in {name for name, _ in glcheck._CANDIDATES}
    assert os.environ[WINDOW_VARIABLE] == window
    # And VTK does take it: a window of that class draws in a further process.
    assert subprocess.run(glcheck._command(), check=False).returncode == 0


@LINUX
def test_broken_libraries_do_not_reach_vtk(tmp_path):
    # A real loader that finds only empty files: the process must live to say what to install.
    for _, names in glcheck._CANDIDATES:
        for name in names:
            (tmp_path / name).write_bytes(b"")
    script = (
        "from nightview.errors import NightviewError\n"
        "from nightview.picture.glcheck import ensure_gl\n"
        "try:\n"
        "    ensure_gl()\n"
        "except NightviewError as error:\n"
        "    print(error)\n"
    )
    env = {
        **os.environ,
        "LD_LIBRARY_PATH": str(tmp_path),
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, env=env
    )
    assert done.returncode == 0
    assert "no graphics library was found (looked for libEGL.so.1" in done.stdout
    assert "apt install libegl1 libgl1-mesa-dri" in done.stdout


def test_no_library_at_all(monkeypatch, child):
    tried = child("exit 0")
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(glcheck, "_library", lambda name: None)
    with pytest.raises(NightviewError, match="no graphics library") as caught:
        start_probe()
    assert "libegl1 libgl1-mesa-dri" in caught.value.remedy
    assert tried == []


def test_a_trial_that_crashes(library, child):
    tried = child("kill -SEGV $$")
    with pytest.raises(NightviewError, match="vtkEGLRenderWindow: .* SIGSEGV") as caught:
        ensure_gl()
    assert tried == ["vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow"]
    assert "libegl1 libgl1-mesa-dri" in caught.value.remedy
    assert WINDOW_VARIABLE not in os.environ
    with pytest.raises(NightviewError):  # a failure is never remembered
        ensure_gl()


def test_a_trial_that_draws_wrong(library, child):
    child("exit 1")
    with pytest.raises(NightviewError, match="status 1"):
        ensure_gl()


def test_a_trial_that_hangs(library, child, monkeypatch):
    child("exec sleep 30")
    monkeypatch.setattr(glcheck, "_TIMEOUT_S", 0.1)
    began = time.monotonic()
    with pytest.raises(NightviewError, match="not done after"):
        ensure_gl()
    assert time.monotonic() - began < 10.0


def test_the_second_way_is_tried(library, child):
    tried = child(f'test "${WINDOW_VARIABLE}" = vtkOSOpenGLRenderWindow')
    assert ensure_gl() == "vtkOSOpenGLRenderWindow"
    assert tried == ["vtkEGLRenderWindow", "vtkOSOpenGLRenderWindow"]
    assert os.environ[WINDOW_VARIABLE] == "vtkOSOpenGLRenderWindow"


def test_the_trial_runs_while_other_work_goes_on(library, child):
    child("sleep 0.3")
    began = time.monotonic()
    probe = start_probe()
    assert time.monotonic() - began < 0.25
    assert finish(probe) == "vtkEGLRenderWindow"


def forget(monkeypatch) -> None:
    """As a later process would start: the cache file stays, the rest is gone."""
    monkeypatch.setattr(glcheck, "_worked", set())
    os.environ.pop(WINDOW_VARIABLE, None)


def test_what_worked_is_remembered(library, child, monkeypatch):
    tried = child("exit 0")
    ensure_gl()
    forget(monkeypatch)
    assert ensure_gl() == "vtkEGLRenderWindow"
    assert os.environ[WINDOW_VARIABLE] == "vtkEGLRenderWindow"
    assert len(tried) == 1


@pytest.mark.parametrize("change", ["library", "neighbour", "driver", "torn"])
def test_a_change_asks_for_a_new_trial(library, child, monkeypatch, change):
    tried = child("exit 0")
    ensure_gl()
    forget(monkeypatch)
    if change == "library":
        os.utime(library, ns=(1, 1))
    elif change == "neighbour":
        os.utime(library.parent, ns=(1, 1))
    elif change == "driver":
        monkeypatch.setenv("LIBGL_ALWAYS_SOFTWARE", "other")
    else:
        glcheck._memory().write_text('["torn')
    ensure_gl()
    assert len(tried) == 2


def test_a_cache_that_cannot_be_written(library, child, monkeypatch, tmp_path):
    (tmp_path / "cache").write_text("a file where the folder should be")
    tried = child("exit 0")
    assert ensure_gl() == ensure_gl() == "vtkEGLRenderWindow"
    assert len(tried) == 1  # remembered in this process all the same


def test_the_users_own_choice_is_kept(library, child, monkeypatch):
    monkeypatch.setenv(WINDOW_VARIABLE, "vtkXOpenGLRenderWindow")
    tried = child("exit 0")
    assert ensure_gl() == "vtkXOpenGLRenderWindow"
    assert tried == ["vtkXOpenGLRenderWindow"]
    child("exit 1")
    monkeypatch.setenv(WINDOW_VARIABLE, "vtkEGLRenderWindow")
    with pytest.raises(NightviewError, match=f"{WINDOW_VARIABLE} is set"):
        ensure_gl()


def test_other_systems_are_left_alone(child, monkeypatch):
    tried = child("exit 1")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert ensure_gl() == ""
    assert WINDOW_VARIABLE not in os.environ
    assert tried == []
