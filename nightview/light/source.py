"""Everything that gives light, in one form: lamps, the moon, lit windows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.intensity import Intensity
from nightview.site.build import Site
from nightview.site.sky import Moon
from nightview.site.surface import Array, unit

MOON_AWAY_M = 20_000.0
"""The moon is an even light this far off: parallel within the site to a tenth of a degree."""
MOON_RADIUS_DEG = 0.26
LAMP_FLOOR_LX = 2e-4
PANE_FLOOR_LX = 4e-3
"""Less light than this from one source is left out."""


@dataclass(frozen=True, eq=False)
class Source:
    """A light at one or several equal points.

    positions : (k, 3) float [m]. axis, reference : (3,) unit. intensity : of each point.
    lens_m : diameter of the luminous disc about each point. rgb : (3,) linear sRGB, Y = 1.
    own : the fixture whose own body it does not light.
    """

    name: str
    kind: str
    zone: str
    positions: Array
    axis: Array
    reference: Array
    intensity: Intensity
    lens_m: float
    rgb: Array
    own: str
    floor_lx: float


def sources_of(site: Site) -> tuple[Source, ...]:
    """All sources of a site, each at full power: its lamps, its moon, its lit windows."""
    found = [
        Source(
            lamp.id, "lamp", lamp.zone, lamp.position[None], lamp.axis, lamp.reference,
            lamp.lamp.intensity, lamp.lamp.lens_m, rgb_of_cct(lamp.cct_k), lamp.id, LAMP_FLOOR_LX,
        )
        for lamp in site.fixtures
    ]  # fmt: skip
    moon = moon_of(site)
    if moon is not None:
        way, rgb = np.asarray(moon[0], np.float64), np.asarray(moon[2], np.float64)
        even = Intensity.from_axial(lambda theta: np.ones_like(theta)).scaled(
            moon[1] * MOON_AWAY_M**2
        )
        lens = 2 * MOON_AWAY_M * np.tan(np.radians(MOON_RADIUS_DEG))
        found.append(
            Source("moon", "moon", "moon", (MOON_AWAY_M * way)[None], -way, _square_to(-way), even,
                   float(lens), rgb, "", LAMP_FLOOR_LX)
        )  # fmt: skip
    return (*found, *_panes(site))


def moon_of(site: Site) -> Moon | None:
    """The way to the moon (3,), its light facing it [lx] and its colour; None if there is none."""
    moon = site.scene.moon
    if moon is None or not moon.on or moon.illuminance_lx <= 0:
        return None
    turn = np.radians(moon.bearing_deg - site.scene.site.north_deg)
    up = np.radians(moon.elevation_deg)
    way = np.array([np.sin(turn) * np.cos(up), np.cos(turn) * np.cos(up), np.sin(up)])
    return way, moon.illuminance_lx, rgb_of_cct(moon.cct_k)


def _panes(site: Site) -> list[Source]:
    """Lit windows: matte panes, I = L·A·cos θ from a few points of each."""
    glow = {o.name: o for o in site.scene.openings if o.glow_cd_m2 > 0}
    found = []
    for number, patch in enumerate(site.patches):
        if patch.kind != "glass" or patch.opening not in glow:
            continue
        opening = glow[patch.opening]
        width, height = patch.size
        across, up = max(1, round(width / 1.0)), max(1, round(height / 1.0))
        u = width * (np.arange(across) + 0.5) / across
        v = height * (np.arange(up) + 0.5) / up
        points, _normals = patch.place(*np.meshgrid(u, v))
        each = opening.glow_cd_m2 * patch.outline.area / (across * up)
        matte = Intensity.from_axial(lambda theta: np.maximum(np.cos(theta), 0.0)).scaled(each)
        found.append(
            Source(f"window {opening.name} {number}", "pane", "windows",
                   points.reshape(-1, 3) + 0.004 * patch.normal, patch.normal,
                   _square_to(patch.normal), matte, 0.5, rgb_of_cct(opening.glow_cct_k), "", PANE_FLOOR_LX)
        )  # fmt: skip
    return found


def _square_to(axis: Array) -> Array:
    """Any unit vector square to the axis."""
    return unit(np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [0.0, 1.0, 0.0]))
