"""The frames of a moving picture, drawn on all cores and kept until the video is done.

A frame that was finished before an interruption is not drawn again. Frames lie in the cache under
a hash of all that they hang on, and are removed with their folder once the video is written.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import multiprocessing as mp
import os
import shutil
import signal
import tempfile
import threading
import time
import zlib
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path as FilePath

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.light import cache
from nightview.light.field import Light, mix, trace
from nightview.picture.canvas import Canvas
from nightview.picture.draw import Frame, draw_frame
from nightview.picture.files import write_beside
from nightview.picture.looks import look_of
from nightview.picture.path import Path
from nightview.picture.still import EXPOSURE_KEY, Still, develop
from nightview.scene.model import Scene
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import build
from nightview.site.surface import Array

Pixels = NDArray[np.uint8]
Report = Callable[[int, int, str], None]
"""Told after each frame: done, of how many, what."""

PROCESSES = max(1, min(os.cpu_count() or 1, 4))
"""Each process holds the whole light: more of them would need too much memory."""
_FEW = 6
"""For no more frames than this a second process would not have started before all is done."""
_KEPT_DAYS = 7


@dataclass(frozen=True, eq=False)
class Film:
    """A moving picture as it is to be drawn: all that its frames hang on.

    state : name of a state of the scene; ``told`` is what the caption says of it.
    ev100 : the job's one exposure. name : what the caption says in a view's stead.
    look : "camera" or "eye"; levels would set their figures in other places on every frame.
    """

    scene: Scene
    path: Path
    size: tuple[int, int]
    ev100: float
    name: str
    state: str = AS_DESIGNED
    told: str = AS_DESIGNED
    look: str = "camera"

    @cached_property
    def distinct(self) -> tuple[Array, NDArray[np.intp]]:
        """The poses without repetition, and which of them each frame shows."""
        rounded = np.round(self.path.poses, 9) + 0.0
        poses, which = np.unique(rounded, axis=0, return_inverse=True)
        return poses, which.ravel()

    def still(self, frame: Frame, light: Light) -> Still:
        """One of its frames with all that its picture states."""
        return Still(frame, light, self.ev100, self.scene.title, self.name, self.told)

    @property
    def texts(self) -> dict[str, str]:
        """What the file says of itself."""
        return {
            "Title": self.scene.title,
            "view": self.name,
            "state": self.told,
            "look": look_of(self.look).label,
            EXPOSURE_KEY: f"{self.ev100:.2f}",
        }

    def key(self) -> str:
        """A hash of all that the frames hang on, this program included."""
        digest = hashlib.sha256(self.scene.model_dump_json().encode())
        files = [mesh.file for mesh in self.scene.meshes]
        files += [lamp.file for lamp in self.scene.lamps.values() if lamp.file]
        sources = [FilePath(self.scene.folder) / name for name in files]
        program = FilePath(__file__).parents[1]
        sources += [*sorted(program.rglob("*.py")), *sorted(program.rglob("*.toml"))]
        for source in sources:
            digest.update(source.read_bytes())
        facts = (self.state, self.size, self.ev100, self.name, self.told, self.look)
        digest.update(repr(facts).encode())
        digest.update(np.ascontiguousarray(self.path.poses).tobytes())
        return digest.hexdigest()


@contextlib.contextmanager
def kept_frames(film: Film) -> Iterator[FilePath]:
    """A folder for a film's frames: with those of an interrupted run; gone after a good end.

    With the cache turned off or closed to us it is a passing one.
    """
    place = cache.folder() / "frames"
    if cache.enabled():
        folder = place / film.key()[:32]
        with contextlib.suppress(OSError):
            _forget_old(place)
            folder.mkdir(parents=True, exist_ok=True)
            os.utime(folder)
    if cache.enabled() and os.access(folder, os.W_OK | os.X_OK):
        yield folder
        shutil.rmtree(folder, ignore_errors=True)
    else:
        with tempfile.TemporaryDirectory(prefix="nightview-") as passing:
            yield FilePath(passing)


def _forget_old(place: FilePath) -> None:
    """Remove frames of films that nobody has gone on with for a week."""
    if place.is_dir():
        for folder in place.iterdir():
            if folder.stat().st_mtime < time.time() - _KEPT_DAYS * 86400:
                shutil.rmtree(folder, ignore_errors=True)


def drawn_frames(
    film: Film, light: Light, folder: FilePath, report: Report, processes: int = PROCESSES
) -> Generator[Pixels, None, None]:
    """All frames of a film in order, (h, w, 3) uint8 each; those that the folder lacks are drawn.

    light : the film's state, for this process. Other processes take it from the cache; with
    the cache turned off there are none.
    """
    poses, which = film.distinct
    order = dict.fromkeys(which.tolist())  # as they are first shown
    missing = [number for number in order if _read(_file(folder, number), film.size) is None]
    waiting = set(missing)
    report(len(poses) - len(waiting), len(poses), "frames")
    with _drawing(film, light, folder, missing, processes) as finish:
        for number in which.tolist():
            if number in waiting:
                finish(number)
                waiting.discard(number)
                report(len(poses) - len(waiting), len(poses), "frames")
            pixels = _read(_file(folder, number), film.size)
            if pixels is None:
                raise NightviewError(
                    str(folder),
                    "a frame has gone while the video was made",
                    "run the command again",
                )
            yield pixels


@contextlib.contextmanager
def _drawing(
    film: Film, light: Light, folder: FilePath, numbers: list[int], processes: int
) -> Iterator[Callable[[int], object]]:
    """Begin to draw some frames in this order; yields a function that waits for one of them."""
    if processes == 1 or len(numbers) <= _FEW or not cache.enabled():
        artist = _Artist(film, light) if numbers else None

        def draw(number: int) -> None:
            assert artist is not None
            artist.draw(number, folder)

        yield draw
        return
    context = mp.get_context("spawn")
    pool = ProcessPoolExecutor(min(processes, len(numbers)), context, _begin, (film, str(folder)))
    try:
        jobs = {number: pool.submit(_draw_here, number) for number in numbers}
        yield lambda number: jobs[number].result()
    except BrokenProcessPool:
        raise NightviewError(
            "drawing", "a process that draws frames has ended by itself (is memory short?)",
            "run the command again: it goes on where it stopped; or add --processes 1",
        ) from None  # fmt: skip
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _file(folder: FilePath, number: int) -> FilePath:
    return folder / f"{number:05d}.z"


def _write(path: FilePath, pixels: Pixels) -> None:
    # Quicker than PNG by far, and zlib's checksum tells a torn file.
    write_beside(path, lambda beside: beside.write_bytes(zlib.compress(pixels.tobytes(), 1)))


def _read(path: FilePath, size: tuple[int, int]) -> Pixels | None:
    """A kept frame, or None where it is not there, torn, or of another size."""
    try:
        flat = np.frombuffer(zlib.decompress(path.read_bytes()), np.uint8)
        return flat.reshape(size[1], size[0], 3)
    except (OSError, ValueError, zlib.error):
        return None


# --- drawing --------------------------------------------------------------------------------------


class _Artist:
    """Draws frames of a film in this process."""

    def __init__(self, film: Film, light: Light) -> None:
        self.film, self.light = film, light
        self._canvas = Canvas(light.field.site.geometry)
        self._canvas.eyes = film.path.eyes  # leaves keep their shape on the whole way
        self._canvas.show(light)

    def draw(self, number: int, folder: FilePath) -> None:
        """Draw one of the distinct poses and keep it."""
        film = self.film
        camera = Path(film.distinct[0]).camera(number, film.size)
        frame = draw_frame(self._canvas, self.light, camera, film.ev100, quick=True)
        pixels = develop(film.still(frame, self.light), film.look)
        _write(_file(folder, number), pixels)


_here: list[tuple[_Artist, FilePath]] = []
"""The artist of a drawing process."""


def _begin(film: Film, folder: str) -> None:
    """Set up a drawing process: its own light, out of the cache, and its own canvas."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process tells us when to stop
    threading.Thread(target=_end_with_parent, daemon=True).start()
    os.environ["LP_NUM_THREADS"] = "1"  # software GL: the processes fill the cores, not its threads
    field = trace(build(film.scene))
    light = mix(field, field.state(film.state))
    _here.append((_Artist(film, light), FilePath(folder)))
    _hold_memory()


def _hold_memory() -> None:
    """Have the C library keep the memory of arrays that come and go with every frame.

    glibc would give it back each time and fetch pages of zeros anew: a fourteenth of the work.
    """
    trim_threshold, most_mapped = -1, -4  # M_TRIM_THRESHOLD, M_MMAP_MAX in malloc.h
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another C library
        library = ctypes.CDLL(None)
        library.mallopt(most_mapped, 0)
        library.mallopt(trim_threshold, 1 << 30)


def _end_with_parent() -> None:
    """Do not outlive the first process, however it ends."""
    parent = mp.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _draw_here(number: int) -> None:
    artist, folder = _here[0]
    artist.draw(number, folder)
