"""nightview meter: what a light meter would show, at any points."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.commands.job import out_folder
from nightview.errors import NightviewError, within
from nightview.scene.states import AS_DESIGNED


def meter(
    scene: Path,
    *,
    points: Path | None = None,
    path: str | None = None,
    wall: str | None = None,
    step: str | None = None,
    across: int | None = None,
    state: str = AS_DESIGNED,
    out: Path | None = None,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Read a light meter at points of a file, along a path or on a wall, and write CSV.

    Columns in, named by the first line: x, y, z (the point, in metres) and nx, ny, nz (the way it
    faces; up is 0, 0, 1).

    Columns out: the same six, the normal at unit length; direct_lx, the light that comes straight
    from lamps, lit windows and the moon; total_lx, that and the light from other surfaces and from
    the sky; then one column a lamp, named by it, with what it brings straight, as the state dims
    it, and 0 if it is off. What direct_lx has beyond the lamps' columns comes from windows and the
    moon.

    A lamp shines from one point: nearer than about five times its lens its light is overstated.

    Example: nightview meter scenes/cottage.toml --path "garden path" --step "0.5 m" --out path.csv

    Parameters
    ----------
    scene
        The scene file (TOML).
    points
        A CSV file of points, with the columns x, y, z, nx, ny, nz.
    path
        Instead of points: a path or drive by name, on the ground, facing up.
    wall
        Instead of points: a house's wall by block and side, as "house front", facing out, where
        there is wall.
    step
        Of a grid: points no farther apart than this, along a path or each way on a wall; 0.5 m if
        not given.
    across
        Of a path's grid: how many points across; 3 if not given.
    state
        Name of a state of the scene; "as designed" by default.
    out
        The CSV file to write; by default it is printed.
    overwrite
        Replace a file that is no table of readings.
    """
    from nightview.checks.meter import (
        check_places,
        is_table,
        measure,
        path_grid,
        read_points,
        table,
        wall_grid,
    )
    from nightview.commands.progress import shown
    from nightview.light.field import mix, trace
    from nightview.picture.files import write_beside
    from nightview.scene.read import read
    from nightview.scene.states import label_of
    from nightview.site.build import build

    ways = [option for option, given in (("--points", points), ("--path", path), ("--wall", wall))
            if given is not None]  # fmt: skip
    if len(ways) != 1:
        problem = f"cannot be joined with {ways[1]}" if ways else "nothing says where to measure"
        raise NightviewError(
            ways[0] if ways else "meter", problem, "write one of --points, --path and --wall"
        )
    for option, given, only in (("--step", step, ways[0] != "--points"),
                                ("--across", across, ways[0] == "--path")):  # fmt: skip
        if given is not None and not only:
            raise NightviewError(option, f"means nothing with {ways[0]}", "leave it out")
    step_m, count = _step(step), _across(across)
    job = read(scene)
    with within(scene.name):
        label_of(job, state)
    given_points = None if points is None else read_points(points)
    with within(scene.name):
        site = build(job)
    if points is not None and given_points is not None:
        held = given_points
        check_places(site, held, points.name)
    elif path is not None:
        held = path_grid(site, path, step_m, count)
    else:
        held = wall_grid(site, wall or "", step_m)
    if out is not None:
        if out.exists() and not out.is_dir() and not overwrite and not is_table(out):
            raise NightviewError(
                str(out), "this file is there already and is no table of readings",
                "choose another name with --out, or add --overwrite",
            )  # fmt: skip
        out_folder(out.parent)
    with shown(f"Light of {scene.name}") as report:
        field = trace(site, report)
    light = mix(field, field.state(state))
    with shown("Readings") as report:
        text = table(measure(light, held, report))
    if out is None:
        sys.stdout.write(text)
    else:
        write_beside(out, lambda beside: beside.write_text(text, encoding="utf-8", newline=""))
        print(out)


def _step(text: str | None) -> float:
    """The step of a grid [m]."""
    from nightview.units import UnitError, length_m

    try:
        step_m = length_m(text) if text is not None else 0.5
    except UnitError as error:
        raise NightviewError("--step", error.problem, error.remedy) from None
    if step_m <= 0.0:
        raise NightviewError("--step", f"{text} is no step", 'write for example "0.5 m"')
    return step_m


def _across(count: int | None) -> int:
    """How many points there are across a path."""
    if count is not None and not 1 <= count <= 100:
        raise NightviewError("--across", f"{count} is out of range", "write from 1 to 100")
    return 3 if count is None else count
