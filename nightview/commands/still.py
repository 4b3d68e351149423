"""nightview still: the night pictures of a scene."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.commands.job import job_of, out_folder, picture_size, traced
from nightview.errors import within
from nightview.scene.states import AS_DESIGNED


def still(
    scene: Path,
    *,
    view: Annotated[list[str] | None, Parameter(negative="")] = None,
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
    state
        Name of a state of the scene; "as designed" by default.
    look
        camera (as a camera sees it), eye (as the eye sees it) or levels (lines of equal light).
    quantity
        What levels show: lux, or cd for cd/m².
    size
        Width x height in pixels.
    out
        Folder for the pictures; it is made if missing.
    overwrite
        Replace files that are not pictures of nightview's.
    """
    from nightview.commands.progress import shown
    from nightview.picture.glcheck import finish, start_probe

    pixels = picture_size(size)
    job = job_of(scene)
    from nightview.scene.states import label_of

    with within(scene.name):
        label = label_of(job, state)
    probe = start_probe()  # another process tries the graphics while the light is traced
    from nightview.light.field import mix
    from nightview.picture.looks import LOOKS, look_of
    from nightview.picture.still import (
        draw,
        refuse_foreign,
        write,
    )
    from nightview.scene.views import file_names, plain, view_of
    from nightview.site.build import build

    shown_as = look_of(look, quantity)
    with within(scene.name):
        views = (
            [view_of(job.views, name) for name in dict.fromkeys(view)] if view else list(job.views)
        )
        site = build(job)
    # What would stop the writing is better known before the light is traced than after.
    out_folder(out)
    names = file_names(scene.stem, job.views)
    ending = "".join(
        f"-{word}"
        for word in (
            "" if state == AS_DESIGNED else plain(state),
            "" if shown_as is LOOKS["camera"] else look,
        )
        if word
    )
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
