"""How much of each source shows, and in which colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.dimming import dimmed
from nightview.light.source import Source
from nightview.scene.states import shown_in
from nightview.site import materials
from nightview.site.build import Site
from nightview.site.surface import Array

LUMINOUS: Array = np.array(materials.LUMINOUS)
"""Y of linear sRGB, as an array."""


@dataclass(frozen=True, eq=False)
class State:
    """How much of each source shows, and in what colour.

    level : name → 0…1 of full power. rgb : name → (3,) linear sRGB, Y = 1. A name is a source's
    (a lamp's id, an opening's name for all its panes, "moon"), or else its zone's ("windows" for
    all openings). Sources not named are at full power in their own colour. sky : 0…1.
    absent : lamps that are not even there, such as another option's.
    """

    level: Mapping[str, float]
    rgb: Mapping[str, Array]
    sky: float = 1.0
    absent: frozenset[str] = frozenset()

    def weight(self, source: Source) -> Array:
        """RGB factor of a source's white light, (3,)."""
        return self.weight_of(source.name, source.zone, source.rgb)

    def weight_of(self, name: str, zone: str, rgb: Array) -> Array:
        """The same for a light by name and zone, whose own colour is rgb (3,)."""
        shown = self.rgb.get(name, self.rgb.get(zone, rgb))
        return np.asarray(shown, float) * self.level.get(name, self.level.get(zone, 1.0))


def state_of(site: Site, name: str) -> State:
    """A state of a site's scene by name, or ``AS_DESIGNED``; NightviewError if unknown."""
    shown = shown_in(site.scene, name)
    level = {light: told.level for light, told in shown.items()}
    rgb = {light: rgb_of_cct(told.cct_k) for light, told in shown.items() if told.cct_k is not None}
    for lamp in site.fixtures:
        told = shown[lamp.id]
        given = dimmed(lamp.lamp.source, told.level, told.cct_k or lamp.cct_k)
        level[lamp.id], rgb[lamp.id] = given.flux, rgb_of_cct(given.cct_k)
    absent = frozenset(lamp.id for lamp in site.fixtures if not shown[lamp.id].exists)
    return State(level, rgb, level.pop("sky"), absent)
