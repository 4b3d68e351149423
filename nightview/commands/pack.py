"""nightview pack: everything that the client and the installer need, in one folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.errors import within
from nightview.scene.states import AS_DESIGNED


def pack(
    scene: Path,
    *,
    out: Path,
    only: Annotated[list[str] | None, Parameter(negative="", consume_multiple=True)] = None,
    prices: Path | None = None,
    film: Path | None = None,
    state: str = AS_DESIGNED,
    option: Annotated[list[str] | None, Parameter(negative="", consume_multiple=True)] = None,
    overwrite: Annotated[bool, Parameter(negative="")] = False,
) -> None:
    """Write a hand-over folder: the client's page, installer's sheets, quote, try-out night.

    A second run changes no byte; manifest.json holds the hash of every file and of what it was made
    from. A folder that holds other files is left alone.

    Example: nightview pack scenes/cottage.toml --out handover --only installer quote

    Parameters
    ----------
    scene
        The scene file (TOML).
    out
        Folder for the pack; it is made if missing.
    only
        Make these parts alone: client, installer, quote, tryout, scene. Others that are in the folder
        already stay as they are.
    prices
        Your price list, TOML or CSV, in place of the invented one that is shipped.
    film
        An mp4 for the client's page, as nightview turntable makes it, in place of the small turntable
        that is made otherwise; left out if it does not fit.
    state
        Name of a state of the scene for the installer and the try-out night; "as designed" by default.
    option
        States to quote; by default all that differ in their lamps, the design as a whole as the last.
    overwrite
        Replace files of the pack that were changed since; never any other.
    """
    from importlib.metadata import version

    from nightview.commands.progress import shown
    from nightview.handover.folder import check_free, write_pack
    from nightview.handover.pack import Pack, parts_of

    parts = parts_of(only or ())
    before = check_free(out, overwrite)
    with shown(f"Pack of {scene.name}") as report:
        job = Pack(
            scene, prices, state, tuple(option or ()), version("nightview"), report, film
        )  # fmt: skip
        if "quote" in parts or "client" in parts:
            job.listed  # noqa: B018  a fault in the price list is told before anything is calculated
        if "client" in parts and film is not None:
            from nightview.handover.page import film_of

            film_of(film)  # so is one in the film
        with within(scene.name):
            job.facts  # noqa: B018
        with within(scene.name):
            made = job.made(parts)
    about = {"version": version("nightview"), "scene": scene.name}
    for path in write_pack(out, before, about, made):
        print(path)
    for note in job.notes:
        print(note)
    stale = [
        name for name, part in before.get("parts", {}).items()
        if name not in made and part.get("made from", {}).get("scene") != job.source_hash
    ]  # fmt: skip
    if stale:
        print(f"Made from an earlier scene, and not made anew: {', '.join(sorted(stale))}.")
