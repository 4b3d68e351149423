"""Patterns by name: the tile that a material's surface repeats."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.picture import carpentry, earth, masonry
from nightview.picture.tiles import RGB, Relief, Tile, finish
from nightview.site.materials import MaterialSpec

DRAWN: Mapping[str, Callable[[], Relief]] = {
    "ashlar": masonry.ashlar,
    "asphalt": earth.asphalt,
    "bark": earth.bark,
    "birch bark": earth.birch_bark,
    "brick": masonry.brick,
    "cedar boards": carpentry.cedar_boards,
    "concrete": masonry.concrete,
    "deck boards": carpentry.deck_boards,
    "fieldstone": masonry.fieldstone,
    "flagstone": masonry.flagstone,
    "gravel": earth.gravel,
    "lap siding": carpentry.lap_siding,
    "lawn": earth.lawn,
    "limestone": masonry.limestone,
    "metal": carpentry.metal,
    "mulch": earth.mulch,
    "paint": carpentry.paint,
    "pavers": masonry.pavers,
    "plain": carpentry.plain,
    "render": masonry.render,
    "setts": masonry.setts,
    "shingle": carpentry.shingle,
    "slate": carpentry.slate,
    "soil": earth.soil,
    "standing seam": carpentry.standing_seam,
    "stucco": masonry.stucco,
    "water": carpentry.plain,
}


def tile(pattern: str, joint_tint: RGB | None = None) -> Tile:
    """The tile of a pattern, its arrays read-only.

    ``joint_tint`` is the reflectance of mortar or gap as a multiple of the material's, by channel;
    None takes the pattern's own.
    """
    if pattern not in DRAWN:
        near = get_close_matches(pattern.lower(), DRAWN, n=1) or sorted(DRAWN)
        raise NightviewError("pattern", f'"{pattern}" is not known', f"write {' or '.join(near)}")
    return _tile(pattern, joint_tint)


@lru_cache(maxsize=64)
def _tile(pattern: str, joint_tint: RGB | None) -> Tile:
    return finish(DRAWN[pattern](), joint_tint)


def tile_of(spec: MaterialSpec) -> Tile:
    """The tile of a material's surface, with its own colour of mortar where it has one."""
    return tile(spec.pattern, spec.joint_tint)


@dataclass(frozen=True, eq=False)
class Dressing:
    """A tile in bytes, as it is drawn: enough for a pattern, and four times quicker than floats.

    albedo : (h, w, 3) uint8, of which 255 is ``brightest`` times the material's reflectance.
    relief : (h, w, 3) uint8. Slopes along u and v, 128 ± 127 for ± ``steepest``; 0.
    slope_rms : of the relief, along one axis. size_m : width and height of the tile [m].
    """

    albedo: NDArray[np.uint8]
    relief: NDArray[np.uint8]
    brightest: float
    steepest: float
    slope_rms: float
    size_m: tuple[float, float]


def dressing_of(spec: MaterialSpec) -> Dressing:
    """The dressing of a material's surface."""
    if spec.pattern not in DRAWN:
        tile_of(spec)  # says what is wrong
    return _dressing(spec.pattern, spec.joint_tint)


@lru_cache(maxsize=64)
def _dressing(pattern: str, joint_tint: RGB | None) -> Dressing:
    # The floats are not kept: a dozen tiles of them are hundreds of megabytes.
    tile = finish(DRAWN[pattern](), joint_tint)
    slopes = tile.normal[..., :2] / np.maximum(tile.normal[..., 2:], 0.2)
    brightest, steepest = float(tile.albedo.max()), float(np.abs(slopes).max()) + 1e-6
    relief = np.zeros(tile.albedo.shape, np.uint8)
    relief[..., :2] = np.rint(slopes * np.float32(127 / steepest) + 128)
    albedo = np.rint(tile.albedo * np.float32(255 / brightest)).astype(np.uint8)
    rms = float(np.sqrt(np.square(slopes).sum(-1).mean() / 2))
    return Dressing(albedo, relief, brightest, steepest, rms, tile.size_m)


def prepare_patterns(specs: Iterable[MaterialSpec]) -> None:
    """Make the dressings of some materials now, so that a picture need not wait for them."""
    for spec in specs:
        dressing_of(spec)
