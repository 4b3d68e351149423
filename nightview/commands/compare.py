"""nightview compare: one view in several states, at one exposure, on one sheet."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

from cyclopts import Parameter

from nightview.commands.job import even, job_of, lit_of, out_folder, picture_size, traced
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED, label_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from nightview.light.field import Light, LightField, State
    from nightview.picture.looks import Look
    from nightview.picture.sheet import Pixels
    from nightview.picture.still import Still
    from nightview.scene.model import Scene, View
    from nightview.scene.photo_model import Photo

CCT_WORDS = ((2400, "candle-warm"), (3300, "warm"), (5300, "neutral"))
"""Plain words for a colour temperature up to so many kelvin, beyond "cool": the bounds 3300 K and
5300 K are those of EN 12464-1 (from memory)."""
USUAL_CCTS_K = (2700.0, 3000.0, 4000.0)
MAIN_SURFACES, LEAST_SHARE = 4, 0.04
"""So many materials are spoken of, if they return at least this share of the lamps' light."""
FADE_S, HOLD_S, FADE_FPS = 2.0, 1.5, 25
BY_DAY = "the photo by day"
SAME = "All pictures at one exposure: what differs between them is real."
SAME_BY_NIGHT = "Both pictures by night at one exposure: what differs between them is real."
SAME_LUMENS = "All pictures at one exposure and with the same lumens: only the colour differs."


class Panel(NamedTuple):
    """One of the pictures that are compared. day : shown instead of the still, a photo by day."""

    label: str
    still: Still
    look: Look
    day: Pixels | None = None


def compare(
    scene: Path,
    *,
    state: Annotated[list[str] | None, Parameter(negative="")] = None,
    cct: str | None = None,
    before_after: Annotated[bool, Parameter(negative="")] = False,
    looks: Annotated[bool, Parameter(negative="")] = False,
    view: Annotated[list[str] | None, Parameter(negative="")] = None,
    photo: Annotated[list[str] | None, Parameter(negative="")] = None,
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
    photo
        Name of a photo of the house by day, to compare on; may be given several times. Before and
        after begin with the photo itself.
    look
        How pictures are shown: camera, eye or levels.
    size
        Width x height of each picture in pixels; on a sheet a photo is fitted into it, and keeps its
        own size in a file of its own.
    out
        Folder for the files; it is made if missing.
    separate
        Write each picture as a file of its own, too.
    fade
        Write a slow cross-fade of the pictures as a video (MP4), too.
    overwrite
        Replace files that are not nightview's.
    """
    from nightview.picture.glcheck import finish, start_probe

    pixels = picture_size(size)
    job = lit_of(scene) if photo else job_of(scene)
    kelvins = colour_temperatures(cct) if cct is not None else []
    ways = [way for way, asked in (("colours", kelvins), ("before-after", before_after),
                                   ("looks", looks)) if asked]  # fmt: skip
    with within(scene.name):
        chosen = _state_names(job, state or [], ways)
    if len(kelvins) == 1:
        raise NightviewError(
            "--cct", "one colour alone cannot be compared", 'write for example "2700K,3000K"'
        )
    if len(chosen) == 1 and not ways:
        kelvins, ways = list(USUAL_CCTS_K), ["colours"]
    kind = ways[0] if ways else "states"
    probe = start_probe()
    from nightview.picture.looks import LOOKS, look_of
    from nightview.picture.still import exposure_of, refuse_foreign
    from nightview.picture.video import find_ffmpeg, refuse_foreign_video
    from nightview.scene.views import file_names, numbered, photo_of, photo_stems, plain, view_of
    from nightview.site.build import build

    shown_as = look_of(look)
    with within(scene.name):
        first = [] if view or photo else [job.views[0].name]
        views = [view_of(job.views, name) for name in dict.fromkeys(view or first)]
        photos = [photo_of(job.photos, name) for name in dict.fromkeys(photo or ())]
        site = build(job)
    wanted = [(label, how, shown_as) for label, how in _wanted(job, chosen, kelvins, before_after)]
    if looks:
        wanted = [(each.label, (chosen[0], None), each) for each in LOOKS.values()]
    ending = "-".join(filter(None, (kind, "" if look == "camera" else look)))
    names = file_names(scene.stem, job.views)
    stems = [str(out / names[item.name].removesuffix(".png")) for item in views]
    own_stems = photo_stems(scene.stem, job.photos)
    stems += [str(out / own_stems[item.name]) for item in photos]
    own_names = numbered([plain(label) for label, *_ in wanted]) if separate else []
    # What would stop the writing is better known before the light is traced than after.
    out_folder(out)
    if fade:
        find_ffmpeg()
        if views:
            even(pixels)
    for stem in stems:
        for name in (ending, *own_names):
            refuse_foreign(f"{stem}-{name}.png", overwrite)
        if fade:
            refuse_foreign_video(f"{stem}-{ending}.mp4", overwrite)
    field = traced(site, scene.name)
    finish(probe)
    told = _advice(field, chosen[0], kelvins) if kelvins else []
    ev100 = exposure_of(field)
    facts = [label_of(job, chosen[0]) if ways else "", "" if looks else shown_as.label,
             f"EV {ev100:.1f}" if looks or look == "camera" else ""]  # fmt: skip
    shots = [_of_view(field, item, pixels, ev100, bool(kelvins)) for item in views]
    with within(scene.name):
        shots += [_of_photo(field, item, ev100, before_after) for item in photos]
    drawn = _drawn(field, shots, wanted)
    for stem, panels in zip(stems, drawn, strict=True):
        head = " · ".join(filter(None, (job.title, panels[0].still.view, *facts)))
        same = SAME_BY_NIGHT if panels[0].day is not None else SAME
        lines = [head, *told, SAME_LUMENS if kelvins else same]
        for path in _write(panels, lines, stem, ending, shown_as, own_names, fade, pixels):
            print(path)
    for line in told:
        print(line)


def _advice(field: LightField, state: str, kelvins: list[float]) -> list[str]:
    """A sentence for the client on each main surface, and which colour flatters it."""
    from nightview.light.lit import lit_materials
    from nightview.site.warmth import advice

    ranked = lit_materials(field, field.state(state))
    main = [name for name, share in ranked[:MAIN_SURFACES] if share >= LEAST_SHARE]
    return [advice(field.site.materials[name], kelvins) for name in main]


@dataclass(frozen=True)
class Shot:
    """How one view, or one photo, is drawn. day : the photo itself, to begin with."""

    draw: Callable[[State, Callable[[], Light], str], Still]
    day: Pixels | None = None


def _of_view(
    field: LightField, view: View, pixels: tuple[int, int], ev100: float, sums: bool
) -> Shot:
    """A view of the model. sums : only colours will differ, so that a sum of layers is the picture."""
    from nightview.picture.still import Still, draw, layers_of

    if not sums:
        return Shot(lambda state, light, label: draw(light(), view, pixels, ev100, state=label))
    layers, title = layers_of(field, view, pixels, ev100), field.site.scene.title
    return Shot(
        lambda state, light, label: Still(
            layers.frame(state), light(), ev100, title, view.name, label
        )
    )


def _of_photo(field: LightField, photo: Photo, ev100: float, by_day: bool) -> Shot:
    """The night on a photo; by_day : and the photo itself."""
    import numpy as np

    from nightview.lamps.colour import srgb_encode
    from nightview.photo.night import draw, night_of
    from nightview.photo.recover import opened

    recovered, _ = opened(field.site, photo)
    night = night_of(recovered, field, ev100)
    day = None
    if by_day:
        day = np.rint(255 * srgb_encode(np.clip(recovered.linear, 0, 1))).astype(np.uint8)
    return Shot(lambda state, light, label: draw(night, state, label), day)


def _drawn(
    field: LightField, shots: list[Shot], wanted: list[tuple[str, How, Look]]
) -> list[list[Panel]]:
    """The pictures to compare, a list for each shot."""
    from nightview.commands.progress import shown
    from nightview.light.field import mix

    panels: list[list[Panel]] = [[] for _ in shots]
    with shown("Pictures") as report:
        for number, (label, how, look) in enumerate(wanted):
            state = _state(field, how)
            if number == 0 or not isinstance(how[1], float):  # where only colour changes lux stay
                light = lru_cache(partial(mix, field, state))
            for own, shot in zip(panels, shots, strict=True):
                own.append(Panel(label, shot.draw(state, light, label), look))
            report(number + 1, len(wanted), label)
    for own, shot in zip(panels, shots, strict=True):
        if shot.day is not None:
            own.insert(0, own[0]._replace(label=BY_DAY, day=shot.day))
    return panels


def _write(
    panels: list[Panel], lines: list[str], stem: str, ending: str, look: Look,
    own_names: list[str], fade: bool, size: tuple[int, int],
) -> Iterator[str]:  # fmt: skip
    """Write one view's sheet, the pictures by their own names where given, and a cross-fade where
    asked for; the paths as they are written. size : what a picture on the sheet fits into."""
    from nightview.picture.png import write_png
    from nightview.picture.sheet import compose, fitted, label_strips
    from nightview.picture.still import captioned, developed
    from nightview.picture.video import write_video

    pictures = [
        (panel.label, developed(panel.still, panel.look) if panel.day is None else panel.day)
        for panel in panels
    ]
    small = [(label, fitted(picture, size)) for label, picture in pictures]
    labels = [panel.label for panel in panels]
    texts = {**panels[0].still.texts(look), "state": ", ".join(labels)}
    path = f"{stem}-{ending}.png"
    told = [*lines[:-1], f"{lines[-1]} {panels[0].still.note(look)}"]
    write_png(path, compose(small, told), texts)
    yield path
    at_night = [item for item in zip(panels, pictures, strict=True) if item[0].day is None]
    for name, (panel, (_, picture)) in zip(own_names, at_night, strict=False):  # none, or all
        path = f"{stem}-{name}.png"
        own = captioned(panel.still, panel.look, picture)
        write_png(path, own, panel.still.texts(panel.look))
        yield path
    if fade:
        path = f"{stem}-{ending}.mp4"
        height, width = (2 * (side // 2) for side in small[0][1].shape[:2])  # a photo's may be odd
        cut = [(label, picture[:height, :width]) for label, picture in small]
        write_video(path, cross_fade(cut, label_strips(labels, width)), FADE_FPS, texts)
        yield path


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
        other, first = _OPTIONS[ways[1]], _OPTIONS[ways[0]]
        raise NightviewError(other, f"cannot be joined with {first}", "leave one of them out")
    if ways:
        if len(asked) > 1:
            raise NightviewError(
                "--state", f"{len(asked)} states with {_OPTIONS[ways[0]]}", "name one of them"
            )
        return asked or [AS_DESIGNED]
    if asked and len(set(asked)) < 2:
        raise NightviewError(
            "--state",
            "one state alone cannot be compared",
            f'name two, for example "{AS_DESIGNED}"',
        )
    return asked or [AS_DESIGNED, *(one.name for one in job.states)]


_OPTIONS = {"colours": "--cct", "before-after": "--before-after", "looks": "--looks"}
"""What is compared, by the ending of its files, and the option that asks for it."""

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
