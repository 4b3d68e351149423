"""What commands that draw have in common: a scene that can be shown, and where files go."""

from __future__ import annotations

import os
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from nightview.commands.progress import shown
from nightview.errors import NightviewError
from nightview.scene.model import Scene
from nightview.scene.read import read

if TYPE_CHECKING:
    from nightview.light.field import LightField
    from nightview.site.build import Site


def lit_of(path: Path) -> Scene:
    """The scene of a file, if there are lamps in it."""
    job = read(path)
    if not job.fixtures:
        raise NightviewError(path.name, "has no lamps to show", "add a [[fixture]] table")
    return job


def job_of(path: Path) -> Scene:
    """The scene of a file, if there is something to show in it: lamps, and views of them."""
    job = lit_of(path)
    if not job.views:
        raise NightviewError(
            path.name, "has no views", "add a [[view]] table with name, eye and target"
        )
    return job


def traced(site: Site, file: str) -> LightField:
    """The light of a site, with a progress bar; meanwhile the patterns for drawing are made."""
    from nightview.light.field import trace
    from nightview.picture.patterns import prepare_patterns

    with ThreadPoolExecutor(1) as pool, shown(f"Light of {file}") as report:
        patterns = pool.submit(prepare_patterns, site.geometry.materials.values())
        field = trace(site, report)
        patterns.result()
    return field


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
    if not os.access(path, os.W_OK):
        raise NightviewError(
            str(path), "nothing may be written in this folder", "choose another with --out"
        )


def even(size: tuple[int, int]) -> tuple[int, int]:
    """The size, if both numbers are even: the colours of a video are kept two by two pixels."""
    if size[0] % 2 or size[1] % 2:
        width, height = (n + n % 2 for n in size)
        raise NightviewError(
            "--size", f"{size[0]}x{size[1]}: a video needs an even width and height",
            f'write for example "{width}x{height}"',
        )  # fmt: skip
    return size
