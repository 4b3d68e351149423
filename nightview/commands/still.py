"""nightview still: the night pictures of a scene, drawn from its model or on a photo of the house."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from nightview.commands.job import job_of, lit_of, out_folder, picture_size, traced
from nightview.errors import within
from nightview.scene.states import AS_DESIGNED

if TYPE_CHECKING:
    from nightview.scene.model import Scene


def still(
    scene: Path,
    *,
    view: Annotated[list[str] | None, Parameter(negative="")] = None,
    photo: Annotated[list[str] | None, Parameter(negative="")] = None,
    state: str = AS_DESIGNED,
    look: str = "camera",
    quantity: str = "lux",
    size: str = "1600x900",
    out: Path = Path("."),
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Write the night pictures of a scene as PNG, one a view, all at the job's one exposure.

    Example: nightview still scenes/cottage.toml --view lane --size 1920x1080 --out pictures

    Parameters
    ----------
    scene
        The scene file (TOML).
    view
        Name of a view; may be given several times. All views by default.
    photo
        Name of a photo of the house by day, instead of views: the night on it, in its own size, with
        a report of what the picture rests on. May be given several times.
    state
        Name of a state of the scene; "as designed" by default.
    look
        camera (as a camera sees it), eye (as the eye sees it) or levels (lines of equal light).
    quantity
        What levels show: lux, or cd for cd/m².
    size
        Width x height in pixels; a photo keeps its own.
    out
        Folder for the pictures; it is made if missing.
    overwrite
        Replace files that are not pictures of nightview's.
    """
    from nightview.commands.progress import shown
    from nightview.picture.glcheck import finish, start_probe

    pixels = picture_size(size)
    job = lit_of(scene) if photo else job_of(scene)
    from nightview.scene.states import label_of

    with within(scene.name):
        label = label_of(job, state)
    if photo:
        _on_photos(job, scene, photo, (state, label), (look, quantity), out, overwrite)
        if not view:
            return
    probe = start_probe()  # another process tries the graphics while the light is traced
    from nightview.light.field import mix
    from nightview.picture.looks import look_of
    from nightview.picture.still import (
        draw,
        refuse_foreign,
        write,
    )
    from nightview.scene.views import file_names, view_of
    from nightview.site.build import build

    look_of(look, quantity)
    with within(scene.name):
        views = (
            [view_of(job.views, name) for name in dict.fromkeys(view)] if view else list(job.views)
        )
        site = build(job)
    # What would stop the writing is better known before the light is traced than after.
    out_folder(out)
    names = file_names(scene.stem, job.views)
    ending = _ending(state, look)
    paths = [out / f"{names[item.name].removesuffix('.png')}{ending}.png" for item in views]
    for path in paths:
        refuse_foreign(path, overwrite)
    field = traced(site, scene.name)
    light = mix(field, field.state(state))
    finish(probe)
    with shown("Pictures") as report:
        for number, (item, path) in enumerate(zip(views, paths, strict=True)):
            drawn = draw(light, item, pixels, state=label)
            write(drawn, path, overwrite, look, quantity)
            report(number + 1, len(views), item.name)
            print(path)


def _ending(state: str, look: str) -> str:
    """What a file's name says of state and look."""
    from nightview.scene.views import plain

    words = ("" if state == AS_DESIGNED else plain(state), "" if look == "camera" else look)
    return "".join(f"-{word}" for word in words if word)


def _on_photos(
    job: Scene,
    file: Path,
    names: list[str],
    state: tuple[str, str],
    look: tuple[str, str],
    out: Path,
    overwrite: bool,
) -> None:
    """Write the night on some photos, and what each picture rests on. state : its name and label."""
    from nightview.commands.progress import shown
    from nightview.photo.night import draw, night_of
    from nightview.photo.recover import opened
    from nightview.photo.report import refuse_foreign as refuse_foreign_report
    from nightview.photo.report import report_of, write_report
    from nightview.picture.looks import look_of
    from nightview.picture.still import refuse_foreign, write
    from nightview.scene.views import photo_of, photo_stems
    from nightview.site.build import build

    look_of(*look)
    with within(file.name):
        photos = [photo_of(job.photos, name) for name in dict.fromkeys(names)]
        site = build(job)
    out_folder(out)
    names_of = photo_stems(file.stem, job.photos)
    stems = [out / names_of[photo.name] for photo in photos]
    paths = [stem.with_name(f"{stem.name}{_ending(state[0], look[0])}.png") for stem in stems]
    reports = [
        [stem.with_name(f"{stem.name}-report{ending}") for ending in (".txt", ".json")]
        for stem in stems
    ]
    for path, both in zip(paths, reports, strict=True):
        refuse_foreign(path, overwrite)
        for report in both:
            refuse_foreign_report(report, overwrite)
    field = traced(site, file.name)
    with shown("Photos") as progress:
        for number, (photo, path) in enumerate(zip(photos, paths, strict=True)):
            with within(file.name):
                recovered, solved = opened(site, photo)
            night = night_of(recovered, field)
            write(draw(night, field.state(state[0]), state[1]), path, overwrite, *look)
            told = report_of(recovered, site, solved)
            for report in reports[number]:
                write_report(told, report, overwrite)
            progress(number + 1, len(photos), photo.name)
            for warning in told.warnings:
                print(f"{photo.name}: {warning}")
            print(path)
