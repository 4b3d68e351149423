"""The turntable of the client page: once round the house in a film small enough to go along."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from nightview.handover.facts import Progress
from nightview.light.field import LightField, mix
from nightview.picture.frames import PROCESSES, Film, drawn_frames, kept_frames
from nightview.picture.glcheck import ensure_gl
from nightview.picture.route import orbit_of
from nightview.picture.still import exposure_of
from nightview.picture.video import write_video

FRAMES, FPS = 48, 8.0
SIZE = (640, 360)
QUALITY = 23
"""As ``write_video`` takes it: half as large as what can hardly be told from the frames."""


def write_turntable(path: Path, field: LightField, progress: Progress) -> None:
    """Write an mp4 once round the house in the design, at the job's exposure.

    NightviewError where nothing can be drawn, without ffmpeg, or where it cannot be written.
    """
    ensure_gl()
    scene = field.site.scene
    way = orbit_of(field, SIZE).path(FRAMES)
    film = Film(scene, way, SIZE, exposure_of(field), "orbit")
    with kept_frames(film) as folder:
        # In other processes only where the light is in the cache, which ``trace`` has seen to.
        frames = drawn_frames(film, mix(field), folder, progress, PROCESSES)
        with closing(frames) as pictures:
            write_video(path, pictures, FPS, film.texts, QUALITY)
