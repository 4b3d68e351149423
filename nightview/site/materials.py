"""What surfaces are made of: how much light they reflect, in which colours, and their pattern.

Reflectances are visible and diffuse. Tables of solar albedo are of no use here: they include the
infrared, in which a lawn is four times as bright. The reflectance is the figure of record; the
three colours say only how it is split, and are scaled to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError

if TYPE_CHECKING:
    from nightview.scene.model import Material

RGB = tuple[float, float, float]

LUMINOUS: RGB = (0.2126, 0.7152, 0.0722)
"""Shares of the linear sRGB primaries in luminance (IEC 61966-2-1, ITU-R BT.709)."""

PATTERNS = (
    "ashlar",
    "asphalt",
    "bark",
    "birch bark",
    "brick",
    "cedar boards",
    "concrete",
    "deck boards",
    "fieldstone",
    "flagstone",
    "gravel",
    "lap siding",
    "lawn",
    "limestone",
    "metal",
    "mulch",
    "paint",
    "pavers",
    "plain",
    "render",
    "setts",
    "shingle",
    "slate",
    "soil",
    "standing seam",
    "stucco",
    "water",
)
"""Names of the patterns that ``nightview.picture.patterns`` can draw."""


def luminous(rgb: RGB) -> float:
    """Luminous reflectance, 0 to 1, of a linear sRGB reflectance under white light."""
    return sum(share * value for share, value in zip(LUMINOUS, rgb, strict=True))


@dataclass(frozen=True)
class MaterialSpec:
    """One material.

    rgb : diffuse reflectance in linear sRGB, each 0 to 1, averaged over units and joints alike.
    stated_reflectance : the luminous reflectance its source states; ``rgb`` is scaled to it.
    pattern : one of ``PATTERNS``.
    joint_rgb : reflectance of the mortar or joint between units, where its colour is another
        than the units'; None leaves it to the pattern.
    transmits_rgb : diffuse transmittance of a leaf in linear sRGB, None where light cannot pass.
    source : where the reflectance comes from; "ours" is a choice within common practice.
    """

    name: str
    rgb: RGB
    stated_reflectance: float
    pattern: str = "plain"
    joint_rgb: RGB | None = None
    transmits_rgb: RGB | None = None
    source: str = "ours"

    @property
    def reflectance(self) -> float:
        """Luminous reflectance, 0 to 1."""
        return luminous(self.rgb)

    @property
    def per_lux(self) -> NDArray[np.float32]:
        """Luminance that each lux brings out of the matte surface, ρ/π: (3,) [cd/m² RGB]."""
        return np.asarray(self.rgb, np.float32) / np.float32(np.pi)

    @property
    def joint_tint(self) -> RGB | None:
        """The joint's reflectance as a multiple of ``rgb``, channel by channel."""
        if self.joint_rgb is None:
            return None
        red, green, blue = (
            joint / max(unit, 1e-4) for joint, unit in zip(self.joint_rgb, self.rgb, strict=True)
        )
        return red, green, blue


def material(own: Mapping[str, Material], name: str) -> MaterialSpec:
    """The material of that name: one of the scene's own, else one of the table.

    Raises NightviewError on an unknown name or pattern, with the nearest known ones.
    """
    if name in own:
        mine = own[name]
        pattern = mine.pattern or "plain"
        if pattern not in PATTERNS:
            raise _unknown(f"materials: {name}: pattern", pattern, PATTERNS)
        return MaterialSpec(name, mine.rgb, luminous(mine.rgb), pattern, source="the scene file")
    if name not in MATERIALS:
        raise _unknown("material", name, (*own, *MATERIALS))
    return MATERIALS[name]


def _unknown(where: str, name: str, known: tuple[str, ...]) -> NightviewError:
    near = get_close_matches(name.lower(), known, n=3, cutoff=0.5)
    remedy = "did you mean " + " or ".join(f'"{one}"' for one in near) + "?" if near else ""
    return NightviewError(
        where, f'"{name}" is not known', remedy or "known are " + ", ".join(sorted(known))
    )


def _scaled(rgb: RGB, luminous_value: float) -> RGB:
    """The same hue with the luminous value wanted."""
    factor = luminous_value / luminous(rgb)
    return rgb[0] * factor, rgb[1] * factor, rgb[2] * factor


def _spec(
    name: str,
    reflectance: float,
    hue: RGB,
    pattern: str = "plain",
    *,
    joint: RGB | None = None,
    transmits: tuple[float, RGB] | None = None,
    source: str = "ours",
) -> MaterialSpec:
    through = None if transmits is None else _scaled(transmits[1], transmits[0])
    rgb = _scaled(hue, reflectance)
    return MaterialSpec(name, rgb, reflectance, pattern, joint, through, source)


_MORTAR: RGB = (0.28, 0.235, 0.185)
_BRICK = "ours, weathered or light red; published lists give new red brick .10 to .15"
_WOOD = "ours; published lists give light wood .30 to .60, dark wood .10 to .15"
_ASPHALT = "published, measured by calibrated camera: .12 to .15 (Hollan 2004)"
_CONCRETE = "ours; published lists give untreated concrete .20 to .30"
_DIFFUSE = "ours; the diffuse part only, the mirror image is drawn apart"

MATERIALS: Mapping[str, MaterialSpec] = {
    spec.name: spec
    for spec in (
        # walls
        _spec("red brick", 0.18, (0.32, 0.15, 0.10), "brick", joint=_MORTAR, source=_BRICK),
        _spec("dark brick", 0.10, (0.17, 0.08, 0.06), "brick", joint=(0.17, 0.145, 0.115)),
        _spec("buff brick", 0.40, (0.48, 0.39, 0.28), "brick", joint=(0.47, 0.415, 0.33)),
        _spec("limestone", 0.50, (0.54, 0.50, 0.41), "limestone"),
        _spec("ashlar", 0.42, (0.46, 0.42, 0.34), "ashlar"),
        _spec("fieldstone", 0.22, (0.23, 0.22, 0.19), "fieldstone", joint=(0.27, 0.25, 0.21)),
        _spec("white siding", 0.75, (0.76, 0.75, 0.72), "lap siding"),
        _spec("beige siding", 0.50, (0.53, 0.50, 0.44), "lap siding"),
        _spec("off-white stucco", 0.60, (0.64, 0.60, 0.52), "stucco"),
        _spec("tan stucco", 0.38, (0.46, 0.37, 0.27), "stucco"),
        _spec("white render", 0.70, (0.71, 0.70, 0.67), "render"),
        # wood
        _spec("cedar", 0.25, (0.38, 0.23, 0.12), "cedar boards", source=_WOOD),
        _spec("weathered wood", 0.22, (0.23, 0.22, 0.19), "cedar boards", source=_WOOD),
        _spec("dark stain", 0.08, (0.12, 0.07, 0.05), "cedar boards"),
        _spec("timber deck", 0.22, (0.28, 0.21, 0.14), "deck boards", source=_WOOD),
        # roofs
        _spec("charcoal shingle", 0.07, (0.07, 0.07, 0.07), "shingle"),
        _spec("brown shingle", 0.12, (0.14, 0.12, 0.10), "shingle"),
        _spec("slate", 0.10, (0.098, 0.10, 0.108), "slate"),
        _spec("standing seam metal", 0.25, (0.24, 0.25, 0.26), "standing seam"),
        # ground
        _spec("grass", 0.07, (0.05, 0.08, 0.02), "lawn", source="ours; visible, not solar"),
        _spec("brown mulch", 0.06, (0.08, 0.06, 0.04), "mulch"),
        _spec("black mulch", 0.03, (0.03, 0.03, 0.03), "mulch"),
        _spec("soil", 0.08, (0.105, 0.078, 0.05), "soil"),
        _spec("gravel", 0.35, (0.41, 0.345, 0.26), "gravel"),
        _spec("asphalt", 0.12, (0.12, 0.12, 0.12), "asphalt", source=_ASPHALT),
        _spec("concrete", 0.30, (0.31, 0.30, 0.27), "concrete", source=_CONCRETE),
        _spec("concrete pavers", 0.25, (0.27, 0.25, 0.22), "pavers", source=_CONCRETE),
        _spec("granite setts", 0.22, (0.225, 0.22, 0.21), "setts", joint=(0.13, 0.12, 0.10)),
        _spec("bluestone", 0.15, (0.14, 0.15, 0.16), "flagstone", joint=(0.17, 0.16, 0.14)),
        _spec("water", 0.02, (0.015, 0.021, 0.018), "water", source=_DIFFUSE),
        # plants
        _spec("grey-brown bark", 0.15, (0.17, 0.15, 0.12), "bark"),
        _spec("pale bark", 0.45, (0.47, 0.45, 0.41), "birch bark"),
        _spec("leaf", 0.09, (0.05, 0.11, 0.03), transmits=(0.06, (0.03, 0.07, 0.01))),
        _spec("conifer leaf", 0.06, (0.04, 0.07, 0.03), transmits=(0.02, (0.01, 0.025, 0.005))),
        _spec("red leaf", 0.06, (0.11, 0.05, 0.04), transmits=(0.04, (0.09, 0.03, 0.02))),
        _spec("palm leaf", 0.08, (0.06, 0.095, 0.03), transmits=(0.04, (0.03, 0.05, 0.01))),
        # paint, metal, glass
        _spec("white paint", 0.80, (0.81, 0.80, 0.77), "paint"),
        _spec("grey paint", 0.30, (0.30, 0.30, 0.30), "paint"),
        _spec("black paint", 0.04, (0.04, 0.04, 0.04), "paint"),
        _spec("green paint", 0.08, (0.04, 0.10, 0.05), "paint"),
        _spec("blue paint", 0.08, (0.04, 0.08, 0.18), "paint"),
        _spec("red paint", 0.09, (0.28, 0.04, 0.03), "paint"),
        _spec("bronze", 0.05, (0.062, 0.048, 0.034), "metal"),
        _spec("glass", 0.01, (0.01, 0.01, 0.01), source=_DIFFUSE),
    )
}
"""Every material a scene may name without defining it."""
