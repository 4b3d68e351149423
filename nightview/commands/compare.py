"""nightview compare: one view in several states, at one exposure, on one sheet."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from nightview.commands.job import job_of, out_folder, picture_size
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED, label_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

    from nightview.light.field import LightField, State
    from nightview.scene.model import Scene

CCT_WORDS = (
    (2400, "candle-warm"),
    (2850, "warm"),
    (3250, "warm to neutral"),
    (3750, "neutral"),
    (4500, "cool"),
)
"""Plain words for a colour temperature up to so many kelvin; beyond, "cold"."""
USUAL_CCTS_K = (2700.0, 3000.0, 4000.0)
MAIN_SURFACES, LEAST_SHARE = 4, 0.04
"""So many materials are spoken of, if they return at least this share of the lamps' light."""
FADE_S, HOLD_S, FADE_FPS = 2.0, 1.5, 25
SAME = "All pictures at one exposure: what differs between them is real."
SAME_LUMENS = "All pictures at one exposure and with the same lumens: only the colour differs."


def compare(
    scene: Path,
    *,
    state: Annotated[list[str] | None, Parameter(negative="")] = None,
    cct: str | None = None,
    before_after: Annotated[bool, Parameter(negative="")] = False,
    looks: Annotated[bool, Parameter(negative="")] = False,
    view: Annotated[list[str] | None, Parameter(negative="")] = None,
    look: str = "camera",
    size: str = "960x540",
    out: Path = Path("."),
    separate: Annotated[bool, Parameter(negative="")] = False,
    fade: Annotated[bool, Parameter(negative="")] = False,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Put one view in several states on one sheet: same exposure, same lux, each labelled.

    With none of --state, --cct, --before-after and --looks, all states of the scene are compared with the
    design; if it has none, the design at 2700 K, 3000 K and 4000 K.

    Example: nightview compare scenes/cottage.toml --cct 2700K,3000K,4000K --view lane

    Parameters
    ----------
    scene
        The scene file (TOML).
    state
        Name of a state of the scene, or "as designed"; may be given several times. With --cct,
        --before-after or --looks, the one state that is shown so.
    cct
        Colour temperatures that all lamps take in turn, for example 2700K,3000K,4000K.
    before_after
        All lamps off against on.
    looks
        One state as a camera sees it, as the eye sees it, and in levels of lux.
    view
        Name of a view; may be given several times, each has its sheet. The first view by default.
    look
        How pictures are shown: camera, eye or levels.
    size
        Width x height of each picture in pixels.
    out
        Folder for the files; it is made if missing.
    separate
        Write each picture as a file of its own, too.
    fade
        Write a slow cross-fade of the pictures as a video (MP4), too.
    overwrite
        Replace files that are not nightview's.
    """
    from nightview.commands.progress import shown
    from nightview.picture.glcheck import finish, start_probe

    pixels = picture_size(size)
    job = job_of(scene)
    kelvins = colour_temperatures(cct) if cct is not None else []
    ways = [option for option, asked in (("--cct", kelvins), ("--before-after", before_after),
                                         ("--looks", looks)) if asked]  # fmt: skip
    chosen = _state_names(job, state or [], ways)
    if len(chosen) == 1 and not ways:
        kelvins = list(USUAL_CCTS_K)
    probe = start_probe()
    from nightview.light.field import trace
    from nightview.light.lit import lit_materials
    from nightview.picture.caption import NOTE, caption
    from nightview.picture.looks import LOOKS, look_of
    from nightview.picture.png import write_png
    from nightview.picture.sheet import compose
    from nightview.picture.still import (
        EXPOSURE_KEY,
        file_names,
        layers_of,
        plain,
        refuse_foreign,
    )
    from nightview.picture.video import find_ffmpeg, refuse_foreign_video, write_video
    from nightview.scene.views import view_of
    from nightview.site.build import build
    from nightview.site.warmth import advice

    shown_as = look_of(look)
    with within(scene.name):
        views = [view_of(job.views, name) for name in view] if view else [job.views[0]]
        site = build(job)
    out_folder(out)
    names = file_names(scene.stem, job.views)
    stems = [out / names[item.name].removesuffix(".png") for item in views]
    for stem in stems:
        refuse_foreign(Path(f"{stem}-compare.png"), overwrite)
        if fade:
            find_ffmpeg()
            refuse_foreign_video(Path(f"{stem}-fade.mp4"), overwrite)
    with shown(f"Light of {scene.name}") as report:
        field = trace(site, report)
    wanted = [
        (label, lit, shown_as) for label, lit in _wanted(field, chosen, kelvins, before_after)
    ]
    if looks:
        wanted = [(each.label, field.state(chosen[0]), each) for each in LOOKS.values()]
    finish(probe)
    told = []
    if kelvins:
        ranked = lit_materials(field, field.state(chosen[0]))
        main = [name for name, share in ranked[:MAIN_SURFACES] if share >= LEAST_SHARE]
        told = [advice(site.materials[name], kelvins) for name in main]
    with shown("Pictures") as report:
        for number, (item, stem) in enumerate(zip(views, stems, strict=True)):
            drawing = layers_of(field, item, pixels)
            pictures = []
            for label, lit, way in wanted:
                frame = drawing.frame(lit)
                pictures.append((label, way.develop(frame, drawing.ev100, drawing.light(lit))))
                report(number * len(wanted) + len(pictures), len(views) * len(wanted), label)
            how = label_of(job, chosen[0]) if looks else shown_as.label
            facts = (job.title, item.name, how, f"EV {drawing.ev100:.1f}")
            texts = {"Title": job.title, "view": item.name, "Software": "nightview",
                     EXPOSURE_KEY: f"{drawing.ev100:.2f}"}  # fmt: skip
            labels = ", ".join(label for label, *_ in wanted)
            lines = [" · ".join(facts), *told, f"{SAME_LUMENS if kelvins else SAME} {NOTE}"]
            files = {f"{stem}-compare.png": (compose(pictures, lines), labels)}
            captioned = [
                (label, caption(picture, job.title, item.name, label, drawing.ev100))
                for label, picture in pictures
            ]
            if separate:
                files |= {f"{stem}-{plain(label)}.png": (own, label) for label, own in captioned}
            for path, (picture, label) in files.items():
                refuse_foreign(path, overwrite)
                write_png(path, picture, {**texts, "state": label})
                print(path)
            if fade:
                film = cross_fade([picture for _, picture in captioned])
                write_video(f"{stem}-fade.mp4", film, FADE_FPS, {**texts, "state": labels})
                print(f"{stem}-fade.mp4")
    for line in told:
        print(line)


def colour_temperatures(text: str) -> list[float]:
    """Kelvins from "2700K,3000K,4000K"."""
    found = []
    for part in text.split(","):
        number = re.fullmatch(r"\s*(\d{3,5})\s*[kK]?\s*", part)
        if not number:
            raise NightviewError(
                "--cct", f'"{part.strip()}" is no colour temperature',
                'write for example "2700K,3000K,4000K"',
            )  # fmt: skip
        kelvin = float(number[1])
        if not 1000 <= kelvin <= 20000:
            raise NightviewError(
                "--cct", f"{kelvin:.0f} K is out of range", "each from 1000 K to 20000 K"
            )
        if kelvin not in found:
            found.append(kelvin)
    return found


def cct_words(kelvin: float) -> str:
    """A label for a colour temperature in plain words."""
    word = next((word for limit, word in CCT_WORDS if kelvin <= limit), "cold")
    return f"{kelvin:.0f} K, {word}"


def cross_fade(pictures: list[NDArray[np.uint8]]) -> Iterator[NDArray[np.uint8]]:
    """Frames that hold each picture (h, w, 3) and fade slowly to the next, and back to the first."""
    import numpy as np

    steps, hold = round(FADE_S * FADE_FPS), round(HOLD_S * FADE_FPS)
    for here, following in zip(pictures, [*pictures[1:], pictures[0]], strict=True):
        yield from [here] * hold
        for step in range(1, steps + 1):
            share = 0.5 - 0.5 * np.cos(np.pi * step / (steps + 1))
            mixed = here + (following.astype(np.float32) - here) * np.float32(share)
            yield np.rint(mixed).astype(np.uint8)


def _state_names(job: Scene, asked: list[str], ways: list[str]) -> list[str]:
    """The states to compare, or the one state to be shown in several ways."""
    for name in asked:
        label_of(job, name)  # says what is wrong with it
    if len(ways) > 1:
        raise NightviewError(ways[1], f"cannot be joined with {ways[0]}", "leave one of them out")
    if ways:
        if len(asked) > 1:
            raise NightviewError(
                "--state", f"{len(asked)} states with {ways[0]}", "name one of them"
            )
        return asked or [AS_DESIGNED]
    if asked and len(set(asked)) < 2:
        raise NightviewError(
            "--state",
            "one state alone cannot be compared",
            f'name two, for example "{AS_DESIGNED}"',
        )
    return asked or [AS_DESIGNED, *(one.name for one in job.states)]


def _wanted(
    field: LightField, names: list[str], kelvins: list[float], before_after: bool
) -> list[tuple[str, State]]:
    """What is compared: a plain label and a state each."""
    job = field.site.scene
    if before_after:
        on, label = field.state(names[0]), label_of(job, names[0])
        return [("before: garden lights off", field.lamps_off(on)), (f"after: {label}", on)]
    if kelvins:
        base = field.state(names[0])
        return [(cct_words(kelvin), field.lamps_at(base, kelvin)) for kelvin in kelvins]
    return [(label_of(job, name), field.state(name)) for name in names]
