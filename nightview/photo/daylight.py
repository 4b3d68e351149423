"""The model's own daylight: how much of sun and sky reaches each pixel's surface.

Sun and sky are kept apart, each as if it brought one lux, since only the photo knows how the two
compare. The sun by rays to its disc, a pixel; the sky and what other surfaces pass on by
cosine-weighted rays from every fourth pixel, smoothed and widened along the surface that they lie on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.light.gather import bases, hemisphere_rays
from nightview.light.rays import Array32, Tracer
from nightview.photo.pixels import Pixels, Seen, picked, seen_along
from nightview.photo.skylight import SUN_RADIUS_DEG, Sky
from nightview.photo.spread import leaf_blur_px, mean_around
from nightview.site.build import Geometry
from nightview.site.surface import Array

Bools = NDArray[np.bool_]

STEP_PX = 4
RAYS = 32
"""Rays from each pixel on the coarse grid, and from those that it does not reach."""
BOUNCES = 2
_LIFT_M = 0.003
_RING = 2
"""Samples on the coarse grid are smoothed over so many neighbours each way."""
_SUN_SPOTS = ((0.5, 0.15), (-0.15, 0.5), (-0.5, -0.15), (0.15, -0.5))
"""Places on the sun's disc, in shares of its radius: four rays that halve its area."""


@dataclass(frozen=True, eq=False)
class Daylight:
    """Daylight on n pixels. clear : (n,) share of the sun's disc that is seen. toward : (n,) cosine to it,
    0 on its far side. sky : (n, 3) lux when the sky brings one lux to open level ground; passed :
    (n, 3) the sun's light by way of other surfaces, when it brings one lux to what faces it."""

    clear: Array32
    toward: Array32
    sky: Array32
    passed: Array32

    def lux(self, sun: Array | float, clear: Array32 | None = None) -> Array32:
        """Light (n, 3) of a sky of one lux with a sun of so many, (3,); clear instead of its own."""
        share = (self.clear if clear is None else clear) * self.toward
        found: Array32 = self.sky + np.asarray(sun, np.float32) * (share[:, None] + self.passed)
        return found


@dataclass(frozen=True, eq=False)
class World:
    """A geometry under a sky, with its rays."""

    geometry: Geometry
    tracer: Tracer
    sky: Sky
    ground_rgb: Array

    def arriving(
        self, points: Array32, normals: Array32, rays: int, bounces: int, first: int = 0
    ) -> tuple[Array32, Array32]:
        """Light of the sky, and of the sun by way of other surfaces, on points (n, 3): (n, 3) each.

        first : the number of the first point; see ``around`` in ``light.lookup``.
        """
        n = len(points)
        numbers = first + np.arange(n)
        ways = hemisphere_rays(normals.astype(float), rays, numbers).reshape(-1, 3)
        starts = np.repeat(points + np.float32(_LIFT_M) * normals, rays, axis=0)
        met = seen_along(self.geometry, self.tracer, starts, ways)
        sky, sun = (np.zeros((n * rays, 3), np.float32) for _ in range(2))
        missed = np.flatnonzero(met.surface < 0)
        sky[missed] = np.pi * self.sky.luminance(ways[missed])[:, None]
        down = missed[ways[missed, 2] < 0]
        sky[down] = self.ground_rgb
        if self.sky.sun is not None:
            sun[down] = self.ground_rgb * self.sky.sun[2]
        hit = np.flatnonzero((met.surface >= 0) & ~_backs(met))
        if bounces and len(hit):
            there = picked(met, hit)
            sky_on, sun_on = self.arriving(there.point, there.normal, 1, bounces - 1, 7 * first)
            sun_on += (self.clear(there, 1) * self.toward(there))[:, None]
            rgb = there.reflectance()
            sky[hit], sun[hit] = sky_on * rgb, sun_on * rgb
        return sky.reshape(n, rays, 3).mean(axis=1), sun.reshape(n, rays, 3).mean(axis=1)

    def toward(self, seen: Seen) -> Array32:
        """Cosine to the sun, (n,); 0 on its far side and under an overcast sky."""
        if self.sky.sun is None:
            return np.zeros(len(seen.surface), np.float32)
        found: Array32 = np.maximum(seen.normal @ self.sky.sun.astype(np.float32), 0.0)
        return found

    def clear(self, seen: Seen, spots: int = len(_SUN_SPOTS)) -> Array32:
        """Share of the sun's disc that what is seen sees itself, (n,)."""
        found = np.zeros(len(seen.surface), np.float32)
        sun = self.sky.sun
        if sun is None:
            return found
        lit = np.flatnonzero((self.toward(seen) > 0) & (seen.surface >= 0))
        start = seen.point[lit] + np.float32(_LIFT_M) * seen.normal[lit]
        one, two = (axis[0] for axis in bases(sun[None]))
        radius = np.tan(np.radians(SUN_RADIUS_DEG)) if spots > 1 else 0.0
        for x, y in _SUN_SPOTS[:spots]:
            way = 1000.0 * (sun + radius * (x * one + y * two))
            ends = start + way.astype(np.float32)
            found[lit] += ~self.tracer.blocked(start, ends)
        return found / np.float32(spots)


def _backs(met: Seen) -> Bools:
    return met.behind & (met.surface < len(met.geometry.patches))


def daylight_of(world: World, pixels: Pixels) -> tuple[Daylight, Daylight]:
    """Daylight on what is seen with the leaves gone, and on the leaves (of ``at_leaf``).

    On leaves it is the mean around, since the photo has other leaves than the model.
    """
    sky, passed = _spread(world, pixels)
    solid = Daylight(world.clear(pixels.solid), world.toward(pixels.solid), sky, passed)
    return solid, _on_leaves(world, pixels)


def _spread(world: World, pixels: Pixels) -> tuple[Array32, Array32]:
    """Sky and passed-on light on all pixels' solid surfaces, (n, 3) each."""
    height, width = pixels.shape
    rows, columns = (
        np.append(np.arange(0, size - 1, STEP_PX), size - 1) for size in (height, width)
    )
    coarse = (rows[:, None] * width + columns).ravel()
    met = np.flatnonzero(pixels.solid.surface[coarse] >= 0)
    samples = picked(pixels.solid, coarse)
    light = np.zeros((len(coarse), 6), np.float32)
    light[met] = np.hstack(world.arriving(samples.point[met], samples.normal[met], RAYS, BOUNCES))
    shape = len(rows), len(columns)
    light = _smoothed(light, samples, shape)

    # Every pixel between four samples takes from those that lie in its own plane.
    y, x = (np.minimum(np.arange(size) // STEP_PX, count - 2) for size, count in zip((height, width), shape, strict=True))  # fmt: skip
    down = ((np.arange(height) - rows[y]) / (rows[y + 1] - rows[y])).astype(np.float32)
    right = ((np.arange(width) - columns[x]) / (columns[x + 1] - columns[x])).astype(np.float32)
    found = np.zeros((height * width, 6), np.float32)
    lacking = []
    for top in range(0, height, 64):  # in bands, which need little memory
        band = slice(top, min(top + 64, height))
        own = picked(pixels.solid, np.arange(band.start * width, band.stop * width))
        total, weight = np.zeros((len(own.surface), 6), np.float32), np.zeros(len(own.surface), np.float32)  # fmt: skip
        for dy in (0, 1):
            for dx in (0, 1):
                share = np.outer(1 - down[band] if dy == 0 else down[band], 1 - right if dx == 0 else right).ravel()  # fmt: skip
                near = ((y[band] + dy)[:, None] * shape[1] + x + dx).ravel()
                share = share * _same_plane(own, samples, near) + np.float32(0)
                total += share[:, None] * light[near]
                weight += share
        good = weight > 0.05
        total[good] /= weight[good, None]
        found[band.start * width : band.stop * width] = total
        lacking.append(np.flatnonzero(~good & (own.surface >= 0)) + band.start * width)
    rest = np.concatenate(lacking)
    if len(rest):
        few = picked(pixels.solid, rest)
        found[rest] = np.hstack(world.arriving(few.point, few.normal, RAYS // 2, 1))
    return found[:, :3], found[:, 3:]


def _same_plane(own: Seen, samples: Seen, near: NDArray[np.integer]) -> Bools:
    """Whether samples by number (n,) lie in the same plane as n pixels, facing alike."""
    alike = np.einsum("ij,ij->i", own.normal, samples.normal[near]) > 0.98
    off = np.einsum("ij,ij->i", samples.point[near] - own.point, own.normal)
    return alike & (np.abs(off) < 0.03) & (samples.surface[near] >= 0) & (own.surface >= 0)


def _smoothed(light: Array32, samples: Seen, shape: tuple[int, int]) -> Array32:
    """Light (m, 6) of samples on a grid, each the mean of those around it in its own plane."""
    number = np.arange(len(light)).reshape(shape)
    total, weight = np.zeros_like(light), np.zeros(len(light), np.float32)
    for dy in range(-_RING, _RING + 1):
        for dx in range(-_RING, _RING + 1):
            y = np.clip(np.arange(shape[0]) + dy, 0, shape[0] - 1)
            x = np.clip(np.arange(shape[1]) + dx, 0, shape[1] - 1)
            near = number[y[:, None], x].ravel()
            share = np.float32(np.exp(-(dx * dx + dy * dy) / 4.0)) * _same_plane(samples, samples, near)  # fmt: skip
            total += share[:, None] * light[near]
            weight += share
    return np.asarray(total / np.maximum(weight, 1e-6)[:, None], np.float32)


def _on_leaves(world: World, pixels: Pixels) -> Daylight:
    n = len(pixels.at_leaf)
    none = np.zeros((n, 3), np.float32)
    if not n:
        return Daylight(none[:, 0], none[:, 0], none, none)
    some = np.arange(0, n, 9)
    few = picked(pixels.leaves, some)
    sky, passed = world.arriving(few.point, few.normal, RAYS // 3, 1)
    sun = world.clear(few) * world.toward(few)
    values = np.hstack([sky, passed, sun[:, None]])
    width = leaf_blur_px(pixels.shape)
    spread, _ = mean_around(values, pixels.at_leaf[some], pixels.at_leaf, pixels.shape, width)
    return Daylight(spread[:, 6], np.ones(n, np.float32), spread[:, :3], spread[:, 3:6])
