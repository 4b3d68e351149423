"""Patterns by name: the tile that a material's surface repeats."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from functools import lru_cache

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


def prepare_patterns(specs: Iterable[MaterialSpec]) -> None:
    """Make the tiles of some materials now, so that a picture need not wait for them."""
    for spec in specs:
        tile_of(spec)
