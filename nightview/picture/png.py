"""PNG files that say of themselves how they were made."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from nightview.picture.files import write_beside

_RELATIVE_COLORIMETRIC = b"\x01"


def write_png(
    path: str | os.PathLike[str], pixels: NDArray[np.uint8], texts: Mapping[str, str] | None = None
) -> None:
    """Write sRGB codes (h, w, 3) uint8, row 0 on top, with text entries such as exposure_ev100.

    texts : key to value; keys of 1 to 79 Latin-1 characters (PNG specification, 11.3.3), values
        any text: tEXt where Latin-1 holds it, else iTXt. Written in the order given.
    The same pixels and texts give the same bytes: no time is stored. The file is declared sRGB.
    NightviewError where it cannot be written; then nothing is left behind.
    """
    info = PngInfo()
    info.add(b"sRGB", _RELATIVE_COLORIMETRIC)
    for key, value in (texts or {}).items():
        info.add_text(key, value)
    buffer = io.BytesIO()
    # Level 4: a dithered night picture is a tenth larger than at 9 and written thirty times faster.
    Image.fromarray(np.ascontiguousarray(pixels)).save(
        buffer, "PNG", pnginfo=info, compress_level=4
    )
    write_beside(path, lambda beside: beside.write_bytes(buffer.getvalue()))


def read_texts(path: str | os.PathLike[str]) -> dict[str, str]:
    """The text entries of a PNG file."""
    with Image.open(Path(path)) as image:
        image.load()
        return {str(key): str(value) for key, value in getattr(image, "text", {}).items()}


def has_text(path: str | os.PathLike[str], key: str) -> bool:
    """Whether a file is a PNG with a text entry of that key: so a picture of ours is known."""
    try:
        return key in read_texts(path)
    except (OSError, SyntaxError, ValueError):
        return False
