"""Everything that gives light, in one form: lamps, the moon, lit windows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.intensity import Intensity
from nightview.light.rays import Array32
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.site.sky import Moon
from nightview.site.surface import Array, unit

MOON_AWAY_M = 20_000.0
"""The moon is an even light this far off: parallel within the site to a tenth of a degree."""
MOON_RADIUS_DEG = 0.26
LAMP_FLOOR_LX = 2e-4
PANE_FLOOR_LX = 4e-3
"""Less light than this from one source is left out."""
STRIP_PART_M = 0.5
PANE_PART_M = 1.0
PANE_POINTS = 24
"""A pane is cut into parts of about this size, each seen from close by as up to 24 × 24 points."""
R2 = np.array([0.7548776662466927, 0.5698402909980532])


@dataclass(frozen=True, eq=False)
class Source:
    """A light at one or several equal points.

    positions : (k, 3) float [m]. axis, reference : (3,) unit. intensity : of each point.
    lens_m : diameter of the luminous disc about each point; or pane_m : width (across reference)
    and height (along it) of the luminous rectangle. rgb : (3,) linear sRGB, Y = 1.
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
    pane_m: tuple[float, float] = (0.0, 0.0)
    matte: bool = False

    @cached_property
    def second(self) -> Array:
        """Unit vector square to axis and reference: φ = 90°."""
        return np.cross(self.axis, self.reference)

    def lens_points(self, position: Array, count: int, *, rim: bool = False) -> Array:
        """Points spread evenly over the lens or pane about a position, (count, 3) [m].

        rim : on its edge or corners instead, for four points.
        """
        k = np.arange(count)
        if self.pane_m[0] > 0:
            if rim:
                along, across = np.array([[-1, -1], [-1, 1], [1, -1], [1, 1]]).T / 2.02
            else:  # the R2 sequence (Roberts 2018)
                along, across = ((k[:, None] + 0.5) * R2 % 1.0 - 0.5).T
            along, across = along * self.pane_m[1], across * self.pane_m[0]
        else:  # a sunflower spiral
            share = np.ones(count) if rim else (k + 0.5) / count
            radius = 0.5 * self.lens_m * np.sqrt(share)
            angle = k * (np.pi / 2 if rim else np.pi * (3.0 - np.sqrt(5.0)))
            along, across = radius * np.cos(angle), radius * np.sin(angle)
        return position + along[:, None] * self.reference + across[:, None] * self.second

    def pane_corners(self, position: Array) -> Array:
        """The corners of the pane about a position, in turn, (4, 3) [m]."""
        across, along = np.array([[-1, 1, 1, -1], [-1, -1, 1, 1]]) / 2
        return (
            position
            + across[:, None] * self.pane_m[0] * self.second
            + along[:, None] * self.pane_m[1] * self.reference
        )

    def weight_of(self, places: Array32, origins: Array32, facing: Array32) -> Array32:
        """How much spots (k, 3) of the lens or pane count at points (n, k, 3) with normals (n, 3):
        all spots of a small lens alike, those of a matte pane by cos·cos/r²; (n, k)."""
        if self.pane_m[0] == 0:
            return np.ones(origins.shape[:2], np.float32)
        way = places - origins
        square = np.einsum("nki,nki->nk", way, way)
        cosines = np.maximum(-(way @ self.axis.astype(np.float32)), 0.0)
        cosines *= np.maximum(np.einsum("nki,ni->nk", way, facing), 0.0)
        return cosines / (square * square)

    def near_points(self, position: Array, distance_m: float) -> Array:
        """The points that stand for one position as seen from a distance: itself, or as many of
        its pane that they lie closer together than half the distance, (n, 3)."""
        counts = [
            int(np.clip(np.ceil(2 * side / max(distance_m, 1e-3)), 1, PANE_POINTS))
            for side in self.pane_m
        ]
        if counts == [1, 1]:
            return position[None]
        across, along = ((np.arange(n) + 0.5) / n - 0.5 for n in counts)
        grid_x, grid_y = np.meshgrid(across * self.pane_m[0], along * self.pane_m[1])
        return (
            position + grid_x.reshape(-1, 1) * self.second + grid_y.reshape(-1, 1) * self.reference
        )


def sources_of(site: Site) -> tuple[Source, ...]:
    """All sources of a site, each at full power: its lamps, its moon, its lit windows."""
    return (*(source_of(lamp) for lamp in site.fixtures), *other_sources(site))


def other_sources(site: Site) -> tuple[Source, ...]:
    """The sources of a site that are not its lamps: moon and lit windows."""
    found: list[Source] = []
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


def source_of(lamp: Placed) -> Source:
    """A lamp as one point; a row of light as panes end to end, along axis × reference."""
    light, length = lamp.lamp.intensity, lamp.lamp.length_m
    parts = max(1, int(np.ceil(length / STRIP_PART_M)))
    along = length * ((np.arange(parts) + 0.5) / parts - 0.5)
    positions = lamp.position + along[:, None] * np.cross(lamp.axis, lamp.reference)
    pane_m = (length / parts, lamp.lamp.lens_m) if length else (0.0, 0.0)
    return Source(
        lamp.id, "lamp", lamp.zone, positions, lamp.axis, lamp.reference,
        light if parts == 1 else light.scaled(1.0 / parts), lamp.lamp.lens_m,
        rgb_of_cct(lamp.cct_k), lamp.id, LAMP_FLOOR_LX, pane_m, bool(length) and light.axial,
    )  # fmt: skip


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
    for patch in site.patches:
        if patch.kind != "glass" or patch.opening not in glow:
            continue
        opening = glow[patch.opening]
        width, height = patch.size
        across, up = (max(1, round(side / PANE_PART_M)) for side in (width, height))
        u = width * (np.arange(across) + 0.5) / across
        v = height * (np.arange(up) + 0.5) / up
        points, _normals = patch.place(*np.meshgrid(u, v))
        each = opening.glow_cd_m2 * patch.outline.area / (across * up)
        matte = Intensity.from_axial(lambda theta: np.maximum(np.cos(theta), 0.0)).scaled(each)
        found.append(
            Source(
                opening.name, "pane", "windows",
                points.reshape(-1, 3) + 0.0005 * patch.normal, patch.normal, patch.ev, matte, 0.0,
                rgb_of_cct(opening.glow_cct_k), "", PANE_FLOOR_LX, (width / across, height / up), True,
            )
        )  # fmt: skip
    return found


def _square_to(axis: Array) -> Array:
    """Any unit vector square to the axis."""
    return unit(np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [0.0, 1.0, 0.0]))
