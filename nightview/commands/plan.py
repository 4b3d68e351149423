"""nightview plan: the working view, to stake lamps out from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED, label_of


def plan(
    scene: Path,
    *,
    paper: str = "A3",
    scale: str | None = None,
    state: str = AS_DESIGNED,
    view: Annotated[list[str] | None, Parameter(negative="")] = None,
    size: str = "1600x900",
    perspective: bool = True,
    cables: Annotated[bool, Parameter(negative="")] = False,
    out: Path = Path("."),
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Write a scaled plan with lamps and beams as PDF, SVG and PNG, and a perspective of the beams.

    Example: nightview plan scenes/cottage.toml --paper A3 --scale 1:100 --out plans

    Parameters
    ----------
    scene
        The scene file (TOML).
    paper
        A4, A3, A2, A1, A0 in metres; Letter, Legal, Tabloid in feet and inches.
    scale
        For example 1:50; by default the largest round scale that fits.
    state
        Name of a state of the scene, whose lamps are shown; "as designed" by default, without the
        lamps of options.
    view
        Draw the perspective from a view of this name; may be given several times. From above
        and in front of the house by default.
    size
        Width x height of the perspective in pixels.
    perspective
        Draw the perspective too; --no-perspective leaves it out.
    cables
        Draw the cables of the scene instead of beams and views, with their table; no perspective.
    out
        Folder for the files; it is made if missing.
    overwrite
        Replace files that are not plans of nightview's.
    """
    from nightview.commands.job import out_folder, picture_size
    from nightview.commands.progress import shown
    from nightview.plan.papers import paper_of, scale_of
    from nightview.scene.read import read
    from nightview.scene.views import plain, view_of

    sheet, pixels = paper_of(paper), picture_size(size)
    ratio = None if scale is None else scale_of(scale)
    job = read(scene)
    with within(scene.name):
        views = [view_of(job.views, name) for name in view or ()]

    from nightview.picture.camera import Camera
    from nightview.plan.beams import Rays, beams
    from nightview.plan.output import (
        beam_name,
        refuse_foreign,
        sheet_names,
        write_beams,
        write_sheets,
    )
    from nightview.plan.perspective import overview
    from nightview.plan.sheet import plan as drawn
    from nightview.site.build import build

    wired = None
    if cables:
        from nightview.plan.cables import Wired

        if not job.cables:
            raise NightviewError(
                scene.name, "has no cables to draw", "add a [[cable]], or leave --cables out"
            )
        with within(scene.name):
            wired = Wired.of(job)
    with within(scene.name):
        label = label_of(job, state)
        if state != AS_DESIGNED:
            job = job.model_copy(update={"title": f"{job.title} · {label}"})
        site = build(job).present(state)
    stem = scene.stem if state == AS_DESIGNED else f"{scene.stem}-{plain(state)}"
    stem += "-cables" if wired is not None else ""
    rays = Rays.of(site)
    found = beams(rays)
    made = drawn(site, found, sheet, ratio, wired)
    pictures = (
        [(item.name, beam_name(stem, item.name), Camera.of(item, pixels)) for item in views]
        if views
        else [("overview", beam_name(stem, None), overview(rays, found, pixels))]
    )
    if not perspective or wired is not None:
        pictures = []
    out_folder(out)
    names = [*sheet_names(stem, len(made.sheets)), *(name for _, name, _ in pictures)]
    for name in names:
        refuse_foreign(out / name, overwrite)
    for path in write_sheets(made, out, stem):
        print(path)
    for title, name, camera in pictures:
        with shown(f"Beams, {title}") as report:
            write_beams(rays, found, camera, title, out / name, report)
        print(out / name)
