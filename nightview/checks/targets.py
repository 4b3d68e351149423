"""What each lamp is meant to light, and what a ray meets, in the words of the scene."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from nightview.checks.probe import Probe
from nightview.scene.model import Fixture
from nightview.site.blocks import SIDES, wall_frame
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

if TYPE_CHECKING:
    from nightview.light.rays import Hits, Tracer

STEEP_DEG = 12.0
"""A lamp that grazes its wall points a little past it: its beam is looked at this far to the wall."""


def target_of(site: Site, probe: Probe, keep: bool) -> dict[str, str]:
    """Lamp id → the thing it is meant for: a wall "cottage front", a tree, a path, "ground"; "" where
    its aim meets nothing.

    The fixture's own ``lights`` says it; else a lamp placed by a wall is meant for that wall and one
    placed by a path for the path, a lamp aimed at a named thing for that; of all others it is what
    their axis meets first. keep : see ``Probe``.
    """
    named = {lamp: fixture for fixture in site.scene.fixtures for lamp in fixture.lamp_ids}
    origins = np.array([lamp.position + 0.01 * lamp.axis for lamp in site.fixtures], np.float32)
    ways = np.array([lamp.axis for lamp in site.fixtures], np.float32)
    surface, _ = probe.first(origins.reshape(-1, 3), ways.reshape(-1, 3), keep)
    names = [*surface_names(site), ""]
    return {
        lamp.id: _said(named[lamp.id]) or names[met]
        for lamp, met in zip(site.fixtures, surface, strict=True)
    }


def _said(fixture: Fixture) -> str:
    if fixture.lights is not None:
        return fixture.lights
    if fixture.block is not None and fixture.aim_m is None and fixture.aim_at is None:
        return f"{fixture.block} {fixture.side}"
    if fixture.path is not None:
        return fixture.path
    return fixture.aim_at or ""


def names_of_hits(site: Site, tracer: Tracer, hits: Hits) -> list[str]:
    """What each ray met: a wall of a house by its side, or the table that owns the surface; ""."""
    names = surface_names(site)
    return ["" if t < 0 else names[tracer.surface[t]] for t in hits.triangle]


def surface_names(site: Site) -> list[str]:
    """The name by which each surface of the site is spoken of, in their order."""
    walls = {
        block.name: [(f"{block.name} {side}", wall_frame(block, side)[2]) for side in SIDES]
        for block in site.scene.blocks
    }
    found = []
    for surface in site.geometry.surfaces:
        if isinstance(surface, Patch) and surface.owner in walls and not surface.tube:
            found.append(_side(surface, walls[surface.owner]))
        else:
            found.append(surface.owner)
    return found


def _side(patch: Patch, walls: list[tuple[str, Array]]) -> str:
    """A house's upright patch is part of the wall that faces as it does; all others are its roof."""
    if abs(patch.normal[2]) > 0.2:
        return f"{patch.owner} roof" if patch.normal[2] > 0.2 else f"{patch.owner} eaves"
    return max(walls, key=lambda wall: float(patch.normal @ wall[1]))[0]
