"""nightview match: the camera of a client's photo, from points marked in it."""

from __future__ import annotations

import json as js
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from nightview.errors import NightviewError, SceneFaultsError, within

if TYPE_CHECKING:
    from nightview.photo.image import PhotoImage
    from nightview.photo.solve import Solved
    from nightview.photo.takeoff import TakenOff
    from nightview.scene.model import Scene
    from nightview.scene.photo_model import Photo
    from nightview.site.build import Site


def match(
    scene: Path,
    *,
    photo: Annotated[list[str] | None, Parameter(negative="")] = None,
    points: Annotated[bool, Parameter(negative="")] = False,
    mark: Annotated[bool, Parameter(negative="")] = False,
    free: Annotated[list[str] | None, Parameter(negative="")] = None,
    json: Annotated[bool, Parameter(negative="")] = False,
    out: Path = Path("."),
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Find where a photo was taken from, by points of the model marked in it, and draw the model on it.

    Prints the focal length, the place, how far each mark is off and how far the house's corners may
    be, and writes the photo with the model's edges: look whether they lie on the house. Dimensions
    of the model that the marks contradict are named with the value that fits.

    Example: nightview match house.toml --photo front --out pictures

    Parameters
    ----------
    scene
        The scene file (TOML) with a [[photo]] table.
    photo
        Name of a photo; may be given several times. All photos by default.
    points
        List the points of the model that can be marked, those worth most first, and write nothing.
    mark
        Open a window to mark the points by hand; needs the extra: pip install '.[window]'.
    free
        A dimension to take from the photo, as "house height"; may be given several times. All are
        fitted together along with the camera, and nothing is written.
    json
        Print all figures as JSON.
    out
        Folder for the pictures; it is made if missing.
    overwrite
        Replace files that are not overlays of nightview's.
    """
    from nightview.scene.read import read
    from nightview.site.build import build

    job = read(scene)
    with within(scene.name):
        site = build(job)
        if points and not photo:
            _print_points(site, None, json)
            return
        chosen = _photos(job, photo)
    if mark:
        _mark(scene, chosen)
        return
    told: list[dict[str, Any]] = []
    faults: list[NightviewError] = []
    for one in chosen:
        try:
            with within(scene.name):
                if points:
                    _print_points(site, one, json)
                elif free:
                    told.append(_taken(job, one, free, json))
                else:
                    told.append(_matched(site, one, scene.stem, out, overwrite, json))
        except NightviewError as error:
            faults.append(error)
    if json and told:
        print(js.dumps(told, indent=2, ensure_ascii=False))
    if faults:
        raise SceneFaultsError(faults) if len(faults) > 1 else faults[0]


def _photos(job: Scene, names: list[str] | None) -> list[Photo]:
    """The photos asked for, by name."""
    from nightview.scene.views import photo_of

    if not job.photos:
        remedy = "add a [[photo]] table with name, file and marks"
        raise NightviewError("photo", "the scene has no photos", remedy)
    return [photo_of(job.photos, name) for name in dict.fromkeys(names or ())] or list(job.photos)


def _mark(scene: Path, chosen: list[Photo]) -> None:
    """Open the window for one photo, where there is a screen."""
    from nightview.commands.window import ensure_screen

    if len(chosen) > 1:
        names = ", ".join(f'"{one.name}"' for one in chosen)
        raise NightviewError(
            "--mark", f"the scene has several photos: {names}", "name one with --photo"
        )
    try:
        ensure_screen()
    except NightviewError as error:
        remedy = (
            "write the marks into the scene file: nightview match SCENE --points lists the points"
        )
        raise NightviewError("--mark", error.problem, remedy) from None
    from nightview.window.marking import run

    with within(scene.name):
        run(scene, chosen[0].name)


def _image(job: Scene, photo: Photo) -> PhotoImage:
    from nightview.photo.image import read_photo
    from nightview.scene.faults import label

    return read_photo(job.folder / photo.file, f"{label('photo', photo.name)}: file")


def _matched(
    site: Site, photo: Photo, stem: str, out: Path, overwrite: bool, json: bool
) -> dict[str, Any]:
    """Solve one photo, print or return the figures, write the overlay."""
    from nightview.commands.job import out_folder
    from nightview.photo.overlay import refuse_foreign, refused_sheet, sheet, write_sheet
    from nightview.photo.refusals import RefusedError
    from nightview.photo.solve import marks_of, solved_of
    from nightview.photo.takeoff import contradicted
    from nightview.scene.views import photo_stems

    job = site.scene
    image = _image(job, photo)
    out_folder(out)
    path = out / f"{photo_stems(stem, job.photos)[photo.name]}-match.png"
    refuse_foreign(path, overwrite)
    try:
        solved = solved_of(site, photo, image)
    except RefusedError as error:
        marks = marks_of(job, photo, image)
        if len(marks):
            # The best guess replaces an earlier overlay, which would tell of other marks.
            drawn = refused_sheet(site, image, photo.name, marks, error.guess, error.problem)
            write_sheet(drawn, path, photo.name, overwrite)
            if not json:
                print(path)
        mended = contradicted(job, marks) if error.kind in ("misfit", "wrong mark") else []
        if not mended:
            raise
        values = " or ".join(one.told() for one in mended[:2])
        fit = "fit" if mended[0].sound else "fit better, but not well,"
        problem = f"{error.problem}; or the model is not the house: they would {fit} with {values}"
        raise RefusedError(error.kind, error.where, problem, error.remedy) from None
    dimensions = contradicted(job, marks_of(job, photo, image))
    write_sheet(sheet(site, image, photo.name, solved), path, photo.name, overwrite)
    figures = _figures(photo, image, solved, dimensions)
    if not json:
        _print_figures(figures)
        print(path)
    return figures | {"overlay": str(path)}


def _figures(
    photo: Photo, image: PhotoImage, solved: Solved, dimensions: list[TakenOff]
) -> dict[str, Any]:
    import numpy as np

    stated = photo.focal_35mm_m if photo.focal_35mm_m is not None else image.focal_35mm_m
    ahead = solved.camera.axes[2]
    return {
        "photo": photo.name,
        "file": photo.file,
        "size_px": list(image.size),
        "scale": image.scale,
        "focal_35mm_mm": 1e3 * solved.focal_35mm_m,
        "focal_sigma_mm": 1e3 * solved.focal_35mm_m * solved.focal_sigma,
        "focal_stated_mm": None if stated is None else 1e3 * stated,
        "field_of_view_deg": solved.camera.fov_deg,
        "position_m": solved.camera.eye.tolist(),
        "position_sigma_m": solved.position_sigma_m,
        "looks_up_deg": float(np.degrees(np.arcsin(ahead[2]))),
        "marks": [
            {
                "point": name,
                "pixel": (pixel / image.scale).tolist(),
                "residual_px": (residual / image.scale).tolist(),
                "off_px": float(np.hypot(*residual)) / image.scale,
                "from_the_others_px": float(left_out) / image.scale,
            }
            for name, pixel, residual, left_out in zip(
                solved.names, solved.pixels, solved.residual_px, solved.left_out_px, strict=True
            )
        ],
        "corners_px": solved.corner_px / image.scale,
        "worst_corner_px": solved.worst_px / image.scale,
        "worst_corner": solved.worst,
        "dimensions": [_dimension(one) for one in dimensions],
        "warnings": list(solved.warnings),
    }


def _dimension(one: TakenOff) -> dict[str, Any]:
    return {
        "name": one.name, "value": one.value, "sigma": one.sigma, "unit": one.unit,
        "in_the_scene": one.stated, "marks_fit": one.sound, "told": one.told(),
    }  # fmt: skip


def _print_figures(figures: dict[str, Any]) -> None:
    from rich.table import Table

    stated = figures["focal_stated_mm"]
    known = "" if stated is None else f", stated {stated:.0f} mm"
    x, y, z = figures["position_m"]
    print(f'photo "{figures["photo"]}": {figures["file"]}')
    print(
        f"focal length {figures['focal_35mm_mm']:.1f} mm ± {figures['focal_sigma_mm']:.1f} as on 35 mm film"
        f"{known}; {figures['field_of_view_deg']:.1f}° wide"
    )
    print(
        f"taken from {x:.2f} m, {y:.2f} m, {z:.2f} m (± {figures['position_sigma_m']:.2f} m), "
        f"looking {figures['looks_up_deg']:+.1f}° up"
    )
    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in ("", "mark", "off", "from the others"):
        table.add_column(head, justify="left" if head == "mark" else "right")
    for number, mark in enumerate(figures["marks"]):
        off, others = mark["off_px"], mark["from_the_others_px"]
        table.add_row(str(number + 1), mark["point"], f"{off:.1f} px", f"{others:.1f} px")
    _printed(table)
    print(
        f"expected error of corners {figures['corners_px']:.1f} px (1σ), of the worst "
        f"{figures['worst_corner_px']:.1f} px: {figures['worst_corner']}"
    )
    for one in figures["dimensions"]:
        print(f"the marks would fit better with {one['told']}")
    for warning in figures["warnings"]:
        print(f"mind: {warning}")
    print("Look at the overlay: do the lines lie on the house?")


def _taken(job: Scene, photo: Photo, names: list[str], json: bool) -> dict[str, Any]:
    """Dimensions freed together, and what the photo says of them."""
    from nightview.photo.solve import checked_marks
    from nightview.photo.takeoff import chosen, take_off

    dimensions = [chosen(job, name) for name in dict.fromkeys(names)]
    marks = checked_marks(job, photo, _image(job, photo))
    found = take_off(job, marks, dimensions)
    if isinstance(found, str):
        raise NightviewError(
            f'photo "{photo.name}": --free', f"its marks leave {found} open",
            "mark points that move with it, and enough others that do not",
        )  # fmt: skip
    if not json:
        print(f'photo "{photo.name}": ' + ", ".join(one.told() for one in found))
        if not found[0].sound:
            print("mind: the marks do not fit together even so")
    return {"photo": photo.name, "dimensions": [_dimension(one) for one in found]}


def _print_points(site: Site, photo: Photo | None, json: bool) -> None:
    """All landmarks, those worth marking first on top."""
    from rich.table import Table

    from nightview.photo.solve import marks_of, solved_of
    from nightview.photo.worth import usual_camera, worth_marking
    from nightview.site.landmarks import landmarks_of

    camera, marks = usual_camera(site), None
    if photo is not None:
        image = _image(site.scene, photo)
        try:
            camera = solved_of(site, photo, image).camera
            marks = marks_of(site.scene, photo, image)
        except NightviewError:
            camera = usual_camera(site, image.size)  # there are too few marks yet
    first = [mark.name for mark in worth_marking(site, camera, marks)]
    known = landmarks_of(site.scene)
    if not known:
        remedy = 'write at = "x, y, z" with each mark instead'
        raise NightviewError("--points", "the model has no named points", remedy)
    order = [*first, *(name for name in known if name not in first)]
    rows = [
        {"point": name, "at_m": known[name].place.tolist(), "what": known[name].what,
         "order": first.index(name) + 1 if name in first else None}
        for name in order
    ]  # fmt: skip
    if json:
        print(js.dumps(rows, indent=2, ensure_ascii=False))
        return
    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in ("mark", "point", "x m", "y m", "z m", "what"):
        table.add_column(head, justify="left" if head in ("point", "what") else "right")
    for row in rows:
        x, y, z = (f"{value + 0.0:.2f}" for value in row["at_m"])
        table.add_row(str(row["order"] or ""), row["point"], x, y, z, row["what"])
    _printed(table)
    told = "the first view" if site.scene.views else "a place before the front"
    seen = "the photo" if marks is not None else told
    print(
        f"Numbered: those that tell most of the camera, as seen from {seen}; mark 8 of them or more."
    )


def _printed(table: Any) -> None:
    from rich.console import Console

    console = Console()
    console.width = max(console.width, 100) if console.is_terminal else 160
    console.print(table)
