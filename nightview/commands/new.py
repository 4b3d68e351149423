"""nightview new: a first scene file to go on from."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from nightview.errors import NightviewError

QUESTIONS = {
    "title": ("Title of the job", "Our house"),
    "width": ("Width of the house along its front", "11 m"),
    "depth": ("Depth of the house", "8 m"),
    "height": ("Height of the walls up to the eaves", "2.8 m"),
    "roof": ("Roof: gable, hip, shed or flat", "gable"),
}


def new(
    file: Path,
    *,
    title: str | None = None,
    width: str | None = None,
    depth: str | None = None,
    height: str | None = None,
    roof: str | None = None,
    feet: Annotated[bool | None, Parameter(negative="")] = None,
    answers: Path | None = None,
    ask: bool = True,
) -> None:
    """Write a commented first scene file from a few dimensions, asked for or given as options.

    Example: nightview new garden.toml --width "36 ft" --depth "26 ft" --height "9 ft" --roof gable

    Parameters
    ----------
    file
        The scene file to write; it must not be there yet.
    title
        Title of the job.
    width
        Width of the house along its front, with its unit.
    depth
        Depth of the house.
    height
        Height of the walls up to the eaves.
    roof
        gable, hip, shed or flat.
    feet
        Write lengths in feet and inches; by default as the width is given.
    answers
        A file of answers to "nightview intake"; what is given as an option goes before it.
    ask
        Ask for what is not given, where there is a terminal to ask at.
    """
    from nightview.picture.files import write_beside
    from nightview.scene.starter import starter
    from nightview.units import UnitError, length_m

    if os.path.exists(file):  # a name that is too long is none that exists
        raise NightviewError(
            str(file), "is there already", "choose another name; nothing was changed"
        )
    told = None
    if answers is not None:
        from nightview.handover.intake import answers_of

        told = answers_of(answers)
        title, width, depth = title or told.get("title"), width or told.get("width"), depth or told.get("depth")  # fmt: skip
        height, roof = height or told.height(), roof or told.get("roof")
    given = {"title": title, "width": width, "depth": depth, "height": height, "roof": roof}
    interactive = ask and sys.stdin is not None and sys.stdin.isatty()
    for key, (question, usual) in QUESTIONS.items():
        if given[key] is None:
            given[key] = (_answer(f"{question} [{usual}]: ") if interactive else "") or usual
    metres = {}
    for key in ("width", "depth", "height"):
        try:
            metres[key] = length_m(str(given[key]))
        except UnitError as error:
            raise NightviewError(f"--{key}", str(error)) from None
    in_feet = (
        feet
        if feet is not None
        else any(mark in str(given["width"]) for mark in ("ft", "'", "in", '"', "feet", "foot"))
    )
    try:
        text = starter(
            metres["width"],
            metres["depth"],
            metres["height"],
            str(given["roof"]),
            str(given["title"]),
            in_feet,
        )
    except NightviewError as error:  # its place is the argument's name, and so the option's
        raise NightviewError(f"--{error.where}", error.problem, error.remedy) from None
    if told is not None:
        from nightview.handover.intake import answered

        text = answered(text, told, metres["width"], in_feet)
    write_beside(file, lambda beside: beside.write_text(text, encoding="utf-8"))
    print(f"{file}\nNow: nightview still {file}")


def _answer(question: str) -> str:
    """What is typed; the end of input stops the command as control-C does."""
    try:
        return input(question).strip()
    except EOFError:
        raise KeyboardInterrupt from None
