"""nightview compare: one view in several states, at one exposure, on one sheet."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from nightview.commands.job import even, job_of, out_folder, picture_size, traced
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED, label_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from nightview.light.field import LightField, State
    from nightview.picture.looks import Look
    from nightview.picture.sheet import Pixels
    from nightview.scene.model import Scene

CCT_WORDS = ((2400, "candle-warm"), (3300, "warm"), (5300, "neutral"))
"""Plain words for a colour temperature up to so many kelvin, beyond "cool": the bounds 3300 K and
5300 K are those of EN 12464-1 (from memory)."""
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
    if fade:
        even(pixels)
    ways = [option for option, asked in (("--cct", kelvins), ("--before-after", before_after),
                                         ("--looks", looks)) if asked]  # fmt: skip
    with within(scene.name):
        chosen = _state_names(job, state or [], ways)
    if len(kelvins) == 1:
        raise NightviewError(
            "--cct", "one colour alone cannot be compared", 'write for example "2700K,3000K"'
        )
    if len(chosen) == 1 and not ways:
        kelvins, ways = list(USUAL_CCTS_K), ["--cct"]
    probe = start_probe()
    from nightview.light.field import mix
    from nightview.light.lit import lit_materials
    from nightview.picture.caption import NOTE
    from nightview.picture.looks import LOOKS, look_of
    from nightview.picture.png import write_png
    from nightview.picture.sheet import compose, label_strips
    from nightview.picture.still import (
        Still,
        captioned,
        developed,
        draw,
        exposure_of,
        layers_of,
        refuse_foreign,
    )
    from nightview.picture.video import find_ffmpeg, refuse_foreign_video, write_video
    from nightview.scene.views import file_names, numbered, plain, view_of
    from nightview.site.build import build
    from nightview.site.warmth import advice

    shown_as = look_of(look)
    with within(scene.name):
        asked = dict.fromkeys(view or [job.views[0].name])
        views = [view_of(job.views, name) for name in asked]
        site = build(job)
    mode = {"--cct": "colours", "--before-after": "before-after", "--looks": "looks"}
    kind = mode[ways[0]] if ways else "states"
    ending = "-".join(filter(None, (kind, "" if look == "camera" else look)))
    names = file_names(scene.stem, job.views)
    stems = {item.name: out / names[item.name].removesuffix(".png") for item in views}
    wanted = [(label, how, shown_as) for label, how in _wanted(job, chosen, kelvins, before_after)]
    if looks:
        wanted = [(each.label, (chosen[0], None), each) for each in LOOKS.values()]
    own_names = numbered([plain(label) for label, *_ in wanted])
    # What would stop the writing is better known before the light is traced than after.
    out_folder(out)
    if fade:
        find_ffmpeg()
    for stem in stems.values():
        for name in (ending, *(own_names if separate else ())):
            refuse_foreign(Path(f"{stem}-{name}.png"), overwrite)
        if fade:
            refuse_foreign_video(Path(f"{stem}-{ending}.mp4"), overwrite)
    field = traced(site, scene.name)
    finish(probe)
    ev100 = exposure_of(field)
    told = []
    if kelvins:
        ranked = lit_materials(field, field.state(chosen[0]))
        main = [name for name, share in ranked[:MAIN_SURFACES] if share >= LEAST_SHARE]
        told = [advice(site.materials[name], kelvins) for name in main]
    drawings = {item.name: layers_of(field, item, pixels, ev100) for item in views}
    stills: dict[str, list[tuple[str, Still, Look]]] = {item.name: [] for item in views}
    with shown("Pictures") as report:
        for number, (label, how, way) in enumerate(wanted):
            state_shown = _state(field, how)
            if number == 0 or not kelvins:
                light = mix(field, state_shown)
            for item in views:
                if kelvins:
                    # Where only colour changes a sum of layers is the picture, and lux stay.
                    frame = drawings[item.name].frame(state_shown)
                    drawn = Still(frame, light, ev100, job.title, item.name, label)
                else:
                    drawn = draw(light, item, pixels, ev100, state=label)
                stills[item.name].append((label, drawn, way))
            report(number + 1, len(wanted), label)
    for item in views:
        stem, drawn_here = stems[item.name], stills[item.name]
        pictures = [(label, developed(one, way)) for label, one, way in drawn_here]
        what = label_of(job, chosen[0]) if ways else ""
        how_shown = "" if looks else shown_as.label
        exposure = f"EV {ev100:.1f}" if looks or look == "camera" else ""
        facts = " · ".join(filter(None, (job.title, item.name, what, how_shown, exposure)))
        texts = {**drawn_here[0][1].texts(shown_as), "state": ", ".join(x for x, _ in pictures)}
        lines = [facts, *told, f"{SAME_LUMENS if kelvins else SAME} {NOTE}"]
        path = Path(f"{stem}-{ending}.png")
        write_png(path, compose(pictures, lines), texts)
        print(path)
        if separate:
            for name, (_, one, way), (_, picture) in zip(
                own_names, drawn_here, pictures, strict=True
            ):
                path = Path(f"{stem}-{name}.png")
                write_png(path, captioned(one, way, picture), one.texts(way))
                print(path)
        if fade:
            path = Path(f"{stem}-{ending}.mp4")
            strips = label_strips([label for label, _ in pictures], pixels[0])
            write_video(path, cross_fade(pictures, strips), FADE_FPS, texts)
            print(path)
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
    word = next((word for limit, word in CCT_WORDS if kelvin <= limit), "cool")
    return f"{kelvin:.0f} K, {word}"


def cross_fade(pictures: list[tuple[str, Pixels]], strips: dict[str, Pixels]) -> Iterator[Pixels]:
    """Frames that hold each picture (h, w, 3) and fade slowly to the next, and back to the first;
    the strip below, which says what is seen, changes half-way."""
    import numpy as np

    steps, hold = round(FADE_S * FADE_FPS), round(HOLD_S * FADE_FPS)
    for (label, here), (following, there) in zip(
        pictures, [*pictures[1:], pictures[0]], strict=True
    ):
        yield from [np.concatenate([here, strips[label]])] * hold
        for step in range(1, steps + 1):
            share = 0.5 - 0.5 * np.cos(np.pi * step / (steps + 1))
            mixed = here + (there.astype(np.float32) - here) * np.float32(share)
            strip = strips[label if share < 0.5 else following]
            yield np.concatenate([np.rint(mixed).astype(np.uint8), strip])


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


How = tuple[str, str | float | None]
"""A state by name, and how it is changed: all lamps at a colour temperature, or "off"."""


def _wanted(
    job: Scene, names: list[str], kelvins: list[float], before_after: bool
) -> list[tuple[str, How]]:
    """What is compared: a plain label each, and how it is lit."""
    if before_after:
        label = label_of(job, names[0])
        return [
            ("before: garden lights off", (names[0], "off")),
            (f"after: {label}", (names[0], None)),
        ]
    if kelvins:
        return [(cct_words(kelvin), (names[0], kelvin)) for kelvin in kelvins]
    return [(label_of(job, name), (name, None)) for name in names]


def _state(field: LightField, how: How) -> State:
    name, change = how
    state = field.state(name)
    if change == "off":
        return field.lamps_off(state)
    return state if change is None else field.lamps_at(state, float(change))
