"""The quiet strip along a picture's lower edge: what it shows, and that it is a calculation."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

NOTE = (
    "Calculated picture. Eyes adapt; phones and screens differ. "
    "The final look is set by aiming on site at night."
)

_SEPARATOR = " · "
_OPACITY = 72  # per cent
_BAND, _TEXT, _QUIET = (10, 11, 13), (236, 235, 230), (198, 197, 193)
_LARGEST_SHARE = 0.4  # of the picture's height
_LONGEST_TITLE = 80  # letters, where it wraps
_SIZES_PX = range(26, 8, -1)
_PLAIN = str.maketrans({"–": "-", "—": "-", "‑": "-", "’": "'", "‘": "'", "ß": "ss", "×": "x"})

Lines = list[tuple[str, tuple[int, int, int]]]


def caption(
    pixels: NDArray[np.uint8],
    title: str,
    view: str = "",
    state: str = "",
    ev100: float | None = None,
    note: str = NOTE,
) -> NDArray[np.uint8]:
    """A copy of the picture (h, w, 3) with the strip drawn inside it; the size stays.

    The first line says title · view · state · exposure (empty ones are left out), then the note,
    beside it where there is room, else below, in as many lines as it takes. The type is 1/100 of
    the width, smaller where the strip would cover more than 0.4 of the height; a title too long
    for one line is cut with "…". Letters that the built-in typeface lacks are drawn as their
    plain relatives (é as e) or "?".
    """
    height, width = pixels.shape[:2]
    facts = [view, state, "" if ev100 is None else f"EV {ev100:.1f}"]
    facts = [drawable(fact) for fact in facts if fact.strip()]
    wanted = min(max(round(width / 100), 11), _SIZES_PX[0])
    for size in (s for s in _SIZES_PX if s <= wanted):
        font = _font(size)
        margin = size
        rows = _rows(drawable(title), facts, drawable(note), font, width - 2 * margin)
        line = round(size * 1.35)
        strip = len(rows) * line + 2 * (size // 2)
        if strip <= _LARGEST_SHARE * height:
            break
    strip = min(strip, height)

    out = np.array(pixels)
    lowest = out[height - strip :].astype(np.uint16)
    shade = lowest * (100 - _OPACITY) + np.array(_BAND, np.uint16) * _OPACITY
    image = Image.fromarray((shade // 100).astype(np.uint8))
    draw = ImageDraw.Draw(image)
    for nth, row in enumerate(rows):
        for text, colour in row:
            right = len(row) > 1 and text is row[-1][0]
            left = width - margin - round(font.getlength(text)) if right else margin
            draw.text((left, size // 2 + nth * line), text, font=font, fill=colour)
    out[height - strip :] = np.asarray(image)
    return out


def footer(width: int, lines: Sequence[str], size: int) -> NDArray[np.uint8]:
    """A strip (h, width, 3) to stand below a picture, with lines of text that wrap; the first is
    bright, the others quiet. size : of the type [px]."""
    font, line = _font(size), round(size * 1.35)
    rows = [
        (row, _TEXT if nth == 0 else _QUIET)
        for nth, text in enumerate(lines)
        for row in _wrapped(drawable(text), font, width - 2 * size)
    ]
    image = Image.new("RGB", (width, len(rows) * line + 2 * (size // 2)), _BAND)
    draw = ImageDraw.Draw(image)
    for nth, (row, colour) in enumerate(rows):
        draw.text((size, size // 2 + nth * line), row, font=font, fill=colour)
    return np.asarray(image)


def drawable(text: str) -> str:
    """The text on one line in letters that the built-in typeface has."""
    out = []
    for letter in " ".join(text.split()):
        relatives = unicodedata.normalize("NFKD", letter.translate(_PLAIN))
        plain = "".join(c for c in relatives if not unicodedata.combining(c)).translate(_PLAIN)
        if _has(letter):
            out.append(letter)
        elif plain and all(_has(c) for c in plain):
            out.append(plain)
        elif unicodedata.category(letter)[0] not in "CM":
            out.append("?")
    return "".join(out)


def _rows(
    title: str, facts: list[str], note: str, font: ImageFont.FreeTypeFont, room: float
) -> list[Lines]:
    """The strip's lines; two texts in a line stand at its two ends."""
    told = _elided(title, facts, font, room)
    heads = [told] if font.getlength(told) <= room else _wrapped(told, font, room)
    if not note:
        return [[(head, _TEXT)] for head in heads]
    if len(heads) == 1 and font.getlength(told + "    " + note) <= room:
        return [[(told, _TEXT), (note, _QUIET)]]
    return [[(head, _TEXT)] for head in heads] + [
        [(line, _QUIET)] for line in _wrapped(note, font, room)
    ]


def _elided(title: str, facts: list[str], font: ImageFont.FreeTypeFont, room: float) -> str:
    """Title and facts, with the title cut if one of at least a dozen letters makes it one line."""
    for kept in range(len(title), 11, -1):
        name = title if kept == len(title) else title[:kept].rstrip() + "…"
        told = _SEPARATOR.join([name, *facts])
        if font.getlength(told) <= room:
            return told
    name = title if len(title) <= _LONGEST_TITLE else title[:_LONGEST_TITLE].rstrip() + "…"
    return _SEPARATOR.join([name, *facts])


def _wrapped(text: str, font: ImageFont.FreeTypeFont, room: float) -> list[str]:
    """Words in lines no longer than ``room``; a longer word stands alone and is cut."""
    lines: list[str] = []
    for word in text.split():
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and font.getlength(joined) <= room:
            lines[-1] = joined
            continue
        fits = word
        while len(fits) > 1 and font.getlength(fits) > room:
            fits = fits.removesuffix("…")[:-1] + "…"
        lines.append(fits)
    return lines


@lru_cache(maxsize=32)
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow was built without FreeType")  # every wheel has it
    return font


@lru_cache(maxsize=1024)
def _has(letter: str) -> bool:
    """Whether the typeface has the letter: it does not draw it as the sign for a missing one."""
    font = _font(16)
    missing, drawn = font.getmask("\U0010ffff"), font.getmask(letter)
    return letter.isprintable() and (drawn.size, bytes(drawn)) != (missing.size, bytes(missing))
