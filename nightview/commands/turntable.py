"""nightview turntable: a film of the scene, round the house or along its views."""

from __future__ import annotations

from contextlib import closing
from itertools import islice
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.commands.job import even, job_of, out_folder, picture_size, traced
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED

MOST_FRAMES = 7200
GIF_FPS = 8.0
"""About so many frames a second are enough for a GIF."""


def turntable(
    scene: Path,
    *,
    frames: int = 120,
    size: str = "1280x720",
    out: Path = Path("."),
    walk: str | None = None,
    about: str | None = None,
    state: str = AS_DESIGNED,
    look: str = "camera",
    sweep: str = "360 deg",
    fps: float = 15.0,
    gif: Annotated[bool, Parameter(negative="")] = False,
    processes: int | None = None,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Write a video of a scene: an orbit about the house, or a walk along its views.

    Example: nightview turntable scenes/cottage.toml --walk lane,door,terrace --out videos

    One exposure for all frames, the job's. Interrupted, the same command goes on where it stopped.

    Parameters
    ----------
    scene
        The scene file (TOML).
    frames
        How many frames.
    size
        Width x height in pixels, both even.
    out
        Folder for the video; it is made if missing.
    walk
        Names of views with commas between them: walk from one to the next instead of the orbit.
    about
        Name of a view: start there and turn about its target. By default from the first view about
        the house it looks at.
    state
        Name of a state of the scene; "as designed" by default.
    look
        camera (as a camera sees it) or eye (as the eye sees it).
    sweep
        How far the orbit goes round; less than 360 deg swings to and fro before the start.
    fps
        Frames a second; "--frames 240 --fps 30" is as long as usual and smoother.
    gif
        Write a GIF as well, 400 pixels wide at most, about 8 frames a second.
    processes
        How many processes draw; by default one a core, 4 at most.
    overwrite
        Replace files that are not videos of nightview's.
    """
    from nightview.commands.progress import shown
    from nightview.picture.glcheck import finish, start_probe
    from nightview.picture.video import find_ffmpeg, refuse_foreign_video

    pixels = even(picture_size(size))
    _in_range("--frames", frames, 2, MOST_FRAMES)
    _in_range("--fps", fps, 1, 60)
    if processes is not None:
        _in_range("--processes", processes, 1, 64)
    turn = _sweep_deg(sweep)
    if walk is not None and (about is not None or turn < 360):
        raise NightviewError("--walk", "goes from view to view and turns about nothing",
                             "leave out --about and --sweep, or --walk")  # fmt: skip
    if look == "levels":
        raise NightviewError("--look", "levels are for stills: their figures would dance",
                             'write "camera" or "eye"')  # fmt: skip
    job = job_of(scene)
    from nightview.scene.states import label_of

    with within(scene.name):
        label = label_of(job, state)
    find_ffmpeg()
    probe = start_probe()  # another process tries the graphics while the light is traced
    from nightview.light.field import mix
    from nightview.picture.frames import PROCESSES, Film, drawn_frames, kept_frames
    from nightview.picture.looks import look_of
    from nightview.picture.route import orbit_of, refuse_standing, walk_of
    from nightview.picture.still import exposure_of
    from nightview.picture.video import write_gif, write_video
    from nightview.scene.views import plain, view_of
    from nightview.site.build import build

    look_of(look)
    with within(scene.name):
        way = [view_of(job.views, name.strip()) for name in walk.split(",")] if walk else []
        centre = view_of(job.views, about) if about is not None else None
        site = build(job)
    if walk is not None:
        refuse_standing(way)
    # What would stop the writing is better known before the light is traced than after.
    out_folder(out)
    told = ["walk", *(view.name for view in way)] if way else ["orbit", about or ""]
    told += ["" if state == AS_DESIGNED else state, "" if look == "camera" else look]
    stem = f"{scene.stem}-{plain(' '.join(told))}"
    videos = [out / f"{stem}{suffix}" for suffix in (".mp4", *[".gif"] * gif)]
    for target in videos:
        refuse_foreign_video(target, overwrite)
    field = traced(site, scene.name)
    light = mix(field, field.state(state))
    finish(probe)
    path = (
        walk_of(field, way, frames) if way else orbit_of(field, pixels, centre, turn).path(frames)
    )
    name = "walk" if way else "orbit"
    film = Film(job, path, pixels, exposure_of(field), name, state, label, look)
    with kept_frames(film) as folder, shown("Frames") as report:
        for target in videos:
            # Drawn for the first file, only read again for the second.
            frames_of = drawn_frames(film, light, folder, report, processes or PROCESSES)
            with closing(frames_of) as pictures:
                refuse_foreign_video(target, overwrite)  # one may have come meanwhile
                if target.suffix == ".gif":
                    step = max(1, round(fps / GIF_FPS))
                    write_gif(target, islice(pictures, None, None, step), fps / step, film.texts)
                else:
                    write_video(target, pictures, fps, film.texts)
            print(target)


def _in_range(option: str, value: float, low: int, high: int) -> None:
    if not low <= value <= high:
        raise NightviewError(
            option, f"{value:g} is out of range", f"write a number from {low} to {high}"
        )


def _sweep_deg(text: str) -> float:
    from nightview.units import UnitError, angle_deg

    try:
        turn = angle_deg(text)
    except UnitError as error:
        raise NightviewError("--sweep", str(error)) from None
    if not 1.0 <= turn <= 360.0:
        raise NightviewError("--sweep", f"{text} is out of range", 'write "1 deg" to "360 deg"')
    return turn
