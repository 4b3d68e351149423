"""nightview still: the night pictures of a scene."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.errors import NightviewError, within
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
    from nightview.scene.read import read

    pixels = picture_size(size)
    job = read(scene)
    if not job.fixtures:
        raise NightviewError(scene.name, "has no lamps to show", "add a [[fixture]] table")
    if not job.views:
        raise NightviewError(
            scene.name, "has no views", "add a [[view]] table with name, eye and target"
        )
    from nightview.scene.states import label_of

    label = label_of(job, state)
    probe = start_probe()  # another process tries the graphics while the light is traced
    from nightview.light.field import mix, trace
    from nightview.picture.looks import LOOKS, look_of
    from nightview.picture.patterns import prepare_patterns
    from nightview.picture.still import (
        draw,
        file_names,
        plain,
        refuse_foreign,
        view_of,
        write,
    )
    from nightview.site.build import build

    shown_as = look_of(look, quantity)
    with within(scene.name):
        views = [view_of(job.views, name) for name in view] if view else list(job.views)
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
    with ThreadPoolExecutor(1) as pool, shown(f"Light of {scene.name}") as report:
        patterns = pool.submit(prepare_patterns, site.geometry.materials.values())
        field = trace(site, report)
        light = mix(field, field.state(state))
        patterns.result()
    finish(probe)
    with shown("Pictures") as report:
        for number, (item, path) in enumerate(zip(views, paths, strict=True)):
            drawn = draw(light, item, pixels, state=label)
            write(drawn, path, overwrite, look, quantity)
            report(number + 1, len(views), item.name)
            print(path)


def picture_size(text: str) -> tuple[int, int]:
    """Pixels from "1600x900"."""
    found = re.fullmatch(r"\s*(\d{1,5})\s*[xX×]\s*(\d{1,5})\s*", text)
    if not found:
        raise NightviewError(
            "--size", f'"{text}" is no size in pixels', 'write for example "1600x900"'
        )
    width, height = int(found[1]), int(found[2])
    if not (64 <= width <= 8192 and 64 <= height <= 8192):
        raise NightviewError(
            "--size", f"{width}x{height} is out of range", "each from 64 to 8192 pixels"
        )
    return width, height


def out_folder(path: Path) -> None:
    """Make the folder for output, or say why not."""
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise NightviewError(
            str(path), f"cannot be made a folder ({error.strerror})", "choose another with --out"
        ) from None
