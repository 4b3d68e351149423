"""What the home owner is asked for first, on one page; and a first scene from the answers.

Each question has a key; the answers are a small TOML file of these keys and texts.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import get_args

import tomlkit

from nightview.errors import NightviewError
from nightview.handover.document import Document, Note, Points, Rows, Sheet
from nightview.scene.faults import choice
from nightview.scene.model import Site
from nightview.scene.starter import ROOFS
from nightview.units import UnitError, angle_deg, length_m, shown, write_length

COURSE_M = 8 * 0.0254 / 3
"""Three courses of brick are 8 in [common practice, no single source]."""
LONGEST = 400
SURROUNDINGS: tuple[str, ...] = get_args(Site.model_fields["surroundings"].annotation)
SUPPLY = {"power": "150 VA", "taps": ["12 V", "13 V", "14 V", "15 V"]}
"""Written for an outlet, to be settled when the wiring is."""
BEFORE_M = 0.15
"""How far before its wall a transformer is taken to stand."""


@dataclass(frozen=True)
class Question:
    """What is asked; key : in the file of answers; example : as one writes it."""

    key: str
    asked: str
    example: str


QUESTIONS = (
    Question("title", "What to call the job", "Our house"),
    Question("width", "Width of the house along its front", "36 ft"),
    Question("depth", "Depth of the house", "26 ft"),
    Question("height", "Height of the front wall to the eaves, if you can measure it", "9 ft"),
    Question("courses", "If not, and it is brick: courses of brick up to the eaves (3 are 8 in)", "40"),
    Question("roof", f"Roof: {', '.join(ROOFS)}", "gable"),
    Question("door", "Height of the front door's leaf, to check the photos by", "6 ft 8 in"),
    Question("north", "Compass bearing as you look from the street at the house", "20 deg"),
    Question("surroundings", f"How dark it is outside at night: {', '.join(SURROUNDINGS)}", "suburban"),
    Question("outlet", "Outdoor outlets, in words; ground-fault protected, with a cover?", "right of the garage"),
    Question("outlet_along", "An outlet on the front: how far from the front's left end", "30 ft"),
    Question("soil", "Soil, rock, roots; sprinklers, gas, septic, pet fence", "clay; sprinklers in the lawn"),
    Question("trees", "Trees to keep in mind: kind, height, crown, place", "oak, 30 ft, left of the drive"),
    Question("paths", "Paths, steps and drives: width, what they are made of", "gravel, 4 ft; 3 stone steps"),
    Question("views", "Where you look from: street, door, kitchen, seat", "kitchen window, terrace"),
    Question("bedrooms", "Bedroom windows, yours and the neighbours'", "upper right; house to the left"),
    Question("matters", "What matters most: the door, steps, a tree, the stone", "safe steps, the old oak"),
    Question("dark", "What shall stay dark", "the back hedge"),
    Question("hours", "When it shall be on, and when dimmed", "dusk to 23:00, dimmed from 22:00"),
    Question("budget", "What it may cost", "about 4000"),
)  # fmt: skip
PHOTOS = (
    "By day, standing straight before it: front, each side that is seen, the back",
    "The front door with its whole height; three courses of brick with a ruler held to them",
    "Each tree from its foot to its top, with somebody standing beside it",
    "The ways you walk at night, steps from below and from above; each place you look from",
    "The outlets; the meter; whatever lies open of irrigation or cables",
    "One picture at night as it is now, from the street",
)
_LENGTHS = ("width", "depth", "height", "door", "outlet_along")


@dataclass(frozen=True)
class Answers:
    """The answers, each a text; only those that were given. file : for messages."""

    file: str
    texts: Mapping[str, str]

    def get(self, key: str) -> str | None:
        """One answer, or None."""
        return self.texts.get(key)

    def height(self) -> str | None:
        """The height of the walls: measured, or from courses of brick."""
        if self.get("height") is not None or self.get("courses") is None:
            return self.get("height")
        return f"{int(self.texts['courses']) * COURSE_M:.3f} m"


# --- the sheet ------------------------------------------------------------------------------------


def document() -> Document:
    """The sheet: photographs to take, and the questions with room for answers."""
    table = Rows(
        "Measure, and write down. What you cannot tell, leave open: we ask again.",
        ("key", "question", "for example", "answer"),
        tuple((one.key, one.asked, one.example, "") for one in QUESTIONS),
    )
    sheet = Sheet(
        "intake", "Before we design: photographs and measurements",
        (Points(PHOTOS, "ticks", "Photographs"), table,
         Note("Send the answers as a text file, one a line: width = \"36 ft\". nightview intake --out "
              "answers.toml writes it ready to fill in.")),
    )  # fmt: skip
    return Document("Garden lighting: what we need to know", "For the home owner.", (sheet,))


def as_text() -> str:
    """The sheet as plain text."""
    lines = ["Before we design: photographs and measurements", "", "Photographs"]
    lines += [f"[ ] {photo}" for photo in PHOTOS]
    lines += ["", "Measure, and write down; what you cannot tell, leave open"]
    wide = max(len(one.key) for one in QUESTIONS)
    lines += [f"{one.key:<{wide}}  {one.asked} (for example: {one.example})" for one in QUESTIONS]
    lines += ["", "A file to fill in: nightview intake --out answers.toml",
              "A first scene from it: nightview new garden.toml --answers answers.toml"]  # fmt: skip
    return "\n".join(lines) + "\n"


def as_answers() -> str:
    """The file of answers, every key written out and none answered yet."""
    lines = [
        "# Answers for nightview new FILE --answers. Take away the # before a line to answer it; what",
        "# stays a comment is not known yet. Lengths with their unit: \"36 ft\", \"11 m\".",
    ]  # fmt: skip
    for one in QUESTIONS:
        lines += ["", f"# {one.asked}", f'# {one.key} = "{one.example}"']
    return "\n".join(lines) + "\n"


# --- answers --------------------------------------------------------------------------------------


def answers_of(path: Path) -> Answers:
    """The answers in a file. Errors: NightviewError for one that cannot be read, an unknown key, or
    an answer that is none."""
    try:
        data = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise NightviewError(str(path), "there is no such file", "check its name") from None
    except UnicodeDecodeError:
        raise NightviewError(path.name, "is not UTF-8 text", "save it as UTF-8") from None
    except (OSError, ValueError, RecursionError) as error:  # TOML's own error is a ValueError
        remedy = 'write each answer as key = "text"'
        raise NightviewError(path.name, f"cannot be read: {error}", remedy) from None
    keys = [one.key for one in QUESTIONS]
    texts: dict[str, str] = {}
    for key, value in data.items():
        place = f"{path.name}: {key}"
        if key not in keys:
            raise NightviewError(
                place, "is no question of the sheet", choice(key, keys, "there are")
            )
        if type(value) is int and key == "courses":
            value = str(value)
        if (
            not isinstance(value, str)
            or len(value) > LONGEST
            or not value.replace("\n", " ").isprintable()
        ):
            raise NightviewError(
                place, f"{shown(value)} is no text", f'write for example "{_example(key)}"'
            )
        if value.strip():
            texts[key] = value.strip()
            _check(key, texts[key], place)
    return Answers(path.name, texts)


def _example(key: str) -> str:
    return next(one.example for one in QUESTIONS if one.key == key)


def _check(key: str, text: str, place: str) -> None:
    try:
        if key in _LENGTHS:
            length_m(text)
        elif key == "north":
            angle_deg(text)
    except UnitError as error:
        raise NightviewError(place, error.problem, error.remedy) from None
    if key == "courses" and not (text.isascii() and text.isdigit() and 10 <= int(text[:6]) <= 400):
        raise NightviewError(
            place, f"{shown(text)} is no number of courses", "write one from 10 to 400"
        )
    for name, known in (("roof", ROOFS), ("surroundings", SURROUNDINGS)):
        if key == name and text not in known:
            raise NightviewError(
                place, f"{shown(text)} is unknown", choice(text, known, "write one of")
            )


def answered(starter: str, answers: Answers, width_m: float, feet: bool) -> str:
    """A first scene's text with the answers in it: what the scene has a key for under that key, all
    else as notes.

    Errors: NightviewError for an outlet beyond the front.
    """
    scene = tomlkit.parse(starter)
    site = scene["site"]
    if (north := answers.get("north")) is not None:
        site["north"] = north
    if (dark := answers.get("surroundings")) is not None:
        site["surroundings"] = dark
    if (along := answers.get("outlet_along")) is not None:
        metres = length_m(along)
        if not 0.0 <= metres <= width_m:
            raise NightviewError(
                f"{answers.file}: outlet_along", f"{along} is beyond the front of {width_m:g} m",
                "measure from the front's left end, as seen from the street",
            )  # fmt: skip
        unit = tomlkit.table()
        unit["name"] = "T1"
        x, y = write_length(metres - width_m / 2, feet), write_length(-BEFORE_M, feet)
        unit["at"] = f"{x}, {y}"
        unit["at"].comment("at the outlet; power and taps are settled with the wiring")
        for key, value in SUPPLY.items():
            unit[key] = value
        tables = tomlkit.aot()
        tables.append(unit)
        scene["transformer"] = tables
    used = {"title", "width", "depth", "height", "roof", "north", "surroundings", "outlet_along"}
    words = [f"{key}: {text}" for key, text in answers.texts.items() if key not in used]
    text = tomlkit.dumps(scene)
    if not words:
        return text
    told = tomlkit.item("From the intake sheet. " + " / ".join(" ".join(w.split()) for w in words))
    lines = text.splitlines(keepends=True)
    after = next(k for k, line in enumerate(lines) if line.startswith("title = ")) + 1
    return "".join([*lines[:after], f"notes = {told.as_string()}\n", *lines[after:]])
