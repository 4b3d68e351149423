"""The lamps' own lenses and the moon: seen straight, and as their images in glass and water.

A source is far smaller than a pixel's view of a mirror, so rays sent from the eye miss it. Its
images are looked for instead: those points of a mirror where the eye meets the lens. A pane has
one; moving water has one at every spot of the right slope, which strung out towards the eye make
the glittering path.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from nightview.light.field import Light
from nightview.light.rays import Array32
from nightview.light.source import Source
from nightview.picture.camera import Camera
from nightview.picture.glare import SmallLights
from nightview.picture.mirrors import (
    WATER_INDEX,
    fresnel,
    most_bent,
    pane,
    slopes,
    steepest,
)
from nightview.scene.model import Pond
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

Floats = NDArray[np.floating]

CELL_M, STEP_M = 1.0, 0.04
"""Water is searched in cells of this size, and closely at a sixth of its shortest wave."""
STRIP_SPOT_M = 0.1
"""A row of light is seen as lights of this length, end to end."""
_LIFT_M = 0.002
_DELTA_M = 1e-4
_FOCUS = 0.04
"""Curved water gathers light at most 1/0.04 times; exactly at a caustic it would be without end."""


def seen_lenses(light: Light, camera: Camera) -> SmallLights:
    """Each lens as bright as its beam makes it for this eye, and each of its images."""
    eye, site = camera.eye, light.field.site
    found: list[SmallLights] = []
    mirrors = [patch for patch in site.patches if patch.kind == "glass" and _before(patch, eye)]
    waters = [water for water in _waters(site) if eye[2] > water.level + 0.01]
    for part in light.field.sources:
        weight = light.state.weight(part.source)
        if part.source.kind not in ("lamp", "moon") or not weight.any():
            continue
        if part.source.kind == "lamp":
            for spot in _spots(part.source, STRIP_SPOT_M):
                found += _Seen(light, eye, spot, weight).straight()
        for spot in _spots(part.source):
            seen = _Seen(light, eye, spot, weight)
            for patch in mirrors:
                found += seen.in_pane(patch)
            for water in waters:
                found += seen.in_water(water)
    return SmallLights.together(found)


def _spots(source: Source, largest_m: float = np.inf) -> list[Source]:
    """A source as lights at one point each: a row of light in parts no longer than so much."""
    parts = max(1, int(np.ceil(source.pane_m[0] / largest_m)))
    along = source.pane_m[0] * ((np.arange(parts) + 0.5) / parts - 0.5)
    each = source.intensity if parts == 1 else source.intensity.scaled(1.0 / parts)
    return [
        replace(source, positions=(place + step * source.second)[None], intensity=each)
        for place in source.positions
        for step in along
    ]


def _before(patch: Patch, point: Array) -> bool:
    return bool((point - patch.origin) @ patch.normal > 0.01)


@dataclass(frozen=True, eq=False)
class _Water:
    """A pond's surface: its patches, its height and the corners of the rectangle about it."""

    pond: Pond
    patches: list[int]
    level: float
    low: Array
    high: Array

    def at(self, places: Array) -> Array:
        """Points (n, 3) of the surface over places (n, 2)."""
        return np.column_stack([places, np.full(len(places), self.level)])

    def normals(self, places: Array) -> Array:
        """Upright normals (n, 3) of the moving surface, of no particular length."""
        return np.column_stack([-slopes(places, self.pond), np.ones(len(places))])


def _waters(site: Site) -> list[_Water]:
    waters = []
    for pond in site.scene.ponds:
        own = [
            number
            for number, patch in enumerate(site.patches)
            if patch.kind == "water" and patch.owner == pond.name
        ]
        if own:
            corners = np.concatenate([site.patches[number].triangles[0] for number in own])
            low, high = corners.min(axis=0), corners.max(axis=0)
            waters.append(_Water(pond, own, float(high[2]), low[:2], high[:2]))
    return waters


@dataclass(frozen=True, eq=False)
class _Seen:
    """One source as an eye sees it."""

    light: Light
    eye: Array
    source: Source
    weight: Array

    @property
    def lens(self) -> Array:
        """Where the source, of one point, is, (3,)."""
        return self.source.positions[0]

    def straight(self) -> list[SmallLights]:
        """The lens itself."""
        if self.light.field.tracer.blocked(_32(self.eye[None]), _32(self.lens))[0]:
            return []
        away = np.linalg.norm(self.eye - self.lens)
        return self._lights(self.lens[None], self.eye[None], np.array([1.0 / away**2]))

    def in_pane(self, patch: Patch) -> list[SmallLights]:
        """Its image in a flat pane."""
        here, there = ((end - patch.origin) @ patch.normal for end in (self.eye, self.lens))
        if there < 0.01:
            return []
        image = self.lens - 2 * there * patch.normal
        point = self.eye + (image - self.eye) * (here / (here + there))
        u, v = ((point - patch.origin) @ axis for axis in (patch.eu, patch.ev))
        if not shapely.contains_xy(patch.outline, u, v):
            return []
        if not self._clear(point[None] + _LIFT_M * patch.normal)[0]:
            return []
        way = image - self.eye
        away = float(np.linalg.norm(way))
        share = pane(_32([abs(way @ patch.normal) / away]))
        return self._lights(point[None], point[None], share / away**2, share)

    def in_water(self, water: _Water) -> list[SmallLights]:
        """Its images in still or moving water."""
        if self.lens[2] < water.level + 0.01:
            return []
        if water.pond.ripple > 0:
            points = self._glints(water)
        else:
            here, there = self.eye[2] - water.level, self.lens[2] - water.level
            points = water.at(
                (self.eye + (self.lens - self.eye) * (here / (here + there)))[None, :2]
            )
        points = points[self._on_water(water, points)]
        if not len(points):
            return []
        way = _unit(points - self.lens)
        share = fresnel(_32(-way[:, 2]), WATER_INDEX)
        return self._lights(points, points, share * self._steradian(water, points), share)

    def _lights(
        self, points: Array, beyond: Array, steradian: Floats, share: Floats | float = 1.0
    ) -> list[SmallLights]:
        """Lights at points (n, 3), from what the lens sends towards beyond (n, 3).

        steradian : what share of its light fills, (n,) for a square metre at the eye [1/m²].
        A mirror keeps luminance but for its share, so the image is as large as what it brings.
        """
        way = _unit(beyond - self.lens)
        candela = self._candela(way)
        lit = candela > 0
        lux = (candela * steradian)[:, None] * self.weight
        facing = np.maximum(np.abs(way @ self.source.axis), 0.05)
        disc = 0.25 * self.source.lens_m**2 * facing
        radius = np.degrees(np.sqrt(disc * steradian / share))
        towards = _unit(points - self.eye)
        return [SmallLights(*(_32(values[lit]) for values in (towards, lux, radius)))]

    def _candela(self, way: Array) -> Array:
        """Its intensity along unit ways (n, 3) away from it, at full power (n,) [cd]."""
        phi = np.arctan2(way @ self.source.second, way @ self.source.reference)
        return np.asarray(self.source.intensity.at(way @ self.source.axis, phi), float)

    def _clear(self, points: Array) -> NDArray[np.bool_]:
        """Whether the lens shines on points (n, 3) and they are free towards it and the eye."""
        blocked = self.light.field.tracer.blocked
        clear = self._candela(_unit(points - self.lens)) > 0
        clear[clear] = ~blocked(_32(points[clear]), _32(self.eye))
        clear[clear] = ~blocked(_32(points[clear]), _32(self.lens))
        return clear

    def _on_water(self, water: _Water, points: Array) -> NDArray[np.bool_]:
        """Whether the eye sees water at points (n, 3) and the lens does, too."""
        on = self._clear(points + [0, 0, _LIFT_M])
        start = _32(points[on] + [0, 0, _LIFT_M])
        down = np.broadcast_to(_32([0, 0, -1]), start.shape)
        hits = self.light.field.tracer.first(start, down)
        reached = np.isin(self.light.field.tracer.surface[hits.triangle], water.patches)
        on[on] = (hits.triangle >= 0) & (hits.distance < 2 * _LIFT_M) & reached
        return on

    def _wanted(self, water: _Water, places: Array) -> Array:
        """Slope (n, 2) that the water needs at places (n, 2) to show the lens."""
        points = water.at(places)
        half = _unit(self.eye - points) + _unit(self.lens - points)
        return -half[:, :2] / half[:, 2:]

    def _glints(self, water: _Water) -> Array:
        """Where moving water has the slope that shows the lens, (n, 3): Newton from a fine grid."""

        def miss(places: Array) -> Array:
            return slopes(places, water.pond) - self._wanted(water, places)

        cells, turn = self._cells(water)
        if not len(cells):
            return np.zeros((0, 3))
        fine = (np.arange(STEP_M / 2, CELL_M, STEP_M),) * 2
        within = np.stack(np.meshgrid(*fine), axis=-1).reshape(-1, 2)
        seeds = (cells[:, None] + within).reshape(-1, 2)
        reach = STEP_M * (most_bent(water.pond) + np.repeat(turn, len(within)))
        seeds = seeds[np.linalg.norm(miss(seeds), axis=1) < reach]
        places = seeds
        for _ in range(6):
            here = miss(places)
            (ax, ay), (bx, by) = (
                ((miss(places + step) - here) / _DELTA_M).T for step in _DELTA_M * np.eye(2)
            )
            det = ax * by - bx * ay
            det = np.where(np.abs(det) < 1e-9, 1e-9, det)
            x, y = here.T
            move = np.column_stack([bx * y - by * x, ay * x - ax * y]) / det[:, None]
            places = places + np.clip(move, -STEP_M, STEP_M)
        places = places[np.linalg.norm(miss(places), axis=1) < 1e-6]
        _, first = np.unique(np.rint(places / 0.005), axis=0, return_index=True)
        return water.at(places[first])

    def _cells(self, water: _Water) -> tuple[Array, Array]:
        """Lower corners (n, 2) of cells in which some slope of the water may show the lens, and
        how fast the slope that would changes there (n,) [1/m]."""
        x, y = (
            np.arange(a, b + CELL_M, CELL_M) for a, b in zip(water.low, water.high, strict=True)
        )
        nodes = np.stack(np.meshgrid(x, y), axis=-1)
        wanted = self._wanted(water, nodes.reshape(-1, 2)).reshape(nodes.shape)
        corners = np.stack([wanted[:-1, :-1], wanted[1:, :-1], wanted[:-1, 1:], wanted[1:, 1:]])
        low, high, most = corners.min(axis=0), corners.max(axis=0), steepest(water.pond)
        near = ((low < most) & (high > -most)).all(axis=-1)
        cells, turn = nodes[:-1, :-1][near], np.linalg.norm(high - low, axis=-1)[near] / CELL_M
        offsets = CELL_M * np.array([[0, 0], [0, 1], [1, 0], [1, 1], [0.5, 0.5]])
        spots = water.at((cells[:, None] + offsets).reshape(-1, 2)) + [0, 0, 10 * _LIFT_M]
        clear = self._clear(spots).reshape(-1, 5).any(axis=1)
        return cells[clear], turn[clear]

    def _steradian(self, water: _Water, points: Array) -> Array:
        """Solid angle [sr] of the lens's light that reaches a square metre at the eye, (n,) [1/m²].

        1/(d₁ + d₂)² by flat water. By moving water, how large a small square of it looks from the
        lens over the area on which it spreads that light at the eye, by differences.
        """
        away = np.linalg.norm(points - self.lens, axis=1)
        flat = 1.0 / (away + np.linalg.norm(points - self.eye, axis=1)) ** 2

        def reflected(places: Array) -> Array:
            normal, way = _unit(water.normals(places)), _unit(places - self.lens)
            return way - 2 * np.einsum("ij,ij->i", way, normal)[:, None] * normal

        ahead = reflected(points)

        def arrival(places: Array) -> Array:
            """Where the light of these places crosses the plane across the line to the eye."""
            way = reflected(places)
            far = np.einsum("ij,ij->i", self.eye - places, ahead)
            return places + (far / np.einsum("ij,ij->i", way, ahead))[:, None] * way

        middle = arrival(points)
        one, two = (
            (arrival(points + step) - middle) / _DELTA_M for step in _DELTA_M * np.eye(3)[:2]
        )
        spread = np.linalg.norm(np.cross(one, two), axis=1)
        looks = np.abs((points - self.lens)[:, 2]) / away**3
        return looks / np.maximum(spread, _FOCUS * looks / flat)


def _unit(ways: Array) -> Array:
    return ways / np.linalg.norm(ways, axis=1, keepdims=True)


def _32(values: ArrayLike) -> Array32:
    return np.asarray(values, np.float32)
