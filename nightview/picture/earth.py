"""Patterns of what lies on the ground and grows: lawn, mulch, soil, gravel, asphalt, bark."""

from __future__ import annotations

import numpy as np

from nightview.picture.fields import (
    arris,
    cavity,
    generator,
    heap,
    noise,
    smooth,
    stones,
    tinted,
    varied,
)
from nightview.picture.tiles import Floats, Grid, Relief


def _sizes(rng: np.random.Generator, least: float, most: float, count: int) -> Floats:
    return rng.uniform(least, most, count).astype(np.float32)


def lawn() -> Relief:
    """Mown grass: blades that lie in tufts, each its own green, over a mottled, uneven sward."""
    rng = generator("lawn")
    grid = Grid(4.096, 4.096, 1024, 1024)
    count = 100_000
    tuft = noise(grid, rng, 0.5, 0.03, fall=1.0)
    blades = heap(
        grid,
        rng,
        _sizes(rng, 0.02, 0.055, count),
        np.full(count, 0.002, np.float32),
        np.full(count, 0.001, np.float32),
        depth_m=0.008,
        tilt=0.08,
        square=True,
    )
    straw = rng.random(count) < 0.03
    lit = np.exp(varied(rng, 0.26, count))
    yellow = varied(rng, 0.12, count)
    colour = np.stack([lit * np.exp(1.4 * yellow), lit, lit * np.exp(-0.6 * yellow)], axis=-1)
    colour[straw] = np.array([2.2, 1.3, 1.8]) * lit[straw, None]
    tone = colour.astype(np.float32)[blades.ident]
    height = 0.5 * blades.height_m + 0.003 * tuft
    depth = blades.height_m * np.float32(1.0 / 0.008)
    # light fades between the blades; clumps differ in vigour
    shade = (0.45 + 0.55 * smooth(depth, 0.3, 1.0)) * np.exp(0.13 * tuft)
    return Relief(grid, height, tone * shade[..., None])


def mulch() -> Relief:
    """Shredded bark: chips 2 to 7 cm long lying across one another, fines between."""
    rng = generator("mulch")
    grid = Grid(1.6, 1.6)
    count = 9_000
    length = (0.018 * np.exp(rng.normal(0.55, 0.4, count))).clip(0.015, 0.075).astype(np.float32)
    chips = heap(
        grid,
        rng,
        length,
        _sizes(rng, 0.005, 0.017, count),
        _sizes(rng, 0.002, 0.004, count),
        depth_m=0.014,
        tilt=0.12,
        square=True,
    )
    lit = np.exp(varied(rng, 0.25, count))[chips.ident]
    hue = varied(rng, 0.08, count)[chips.ident]
    fibre = noise(grid, rng, 0.03, 0.004, fall=0.3)
    height = chips.height_m + 0.0004 * fibre
    shade = cavity(height, grid, 0.012, 0.012, 0.3)
    return Relief(grid, height, tinted(lit * shade * np.exp(0.10 * fibre), hue))


def soil() -> Relief:
    """Raked soil: crumbs and small clods."""
    rng = generator("soil")
    grid = Grid(1.6, 1.6)
    count = 16_000
    size = (0.012 * np.exp(varied(rng, 0.4, count))).clip(0.005, 0.035).astype(np.float32)
    clods = heap(grid, rng, size, size * np.float32(0.8), size * np.float32(0.45), depth_m=0.007)
    crumb = noise(grid, rng, 0.05, 0.004, fall=0.6)
    height = clods.height_m + 0.0008 * crumb
    lit = np.exp(varied(rng, 0.16, count))[clods.ident]
    shade = cavity(height, grid, 0.012, 0.010, 0.45)
    return Relief(grid, height, lit * shade * np.exp(0.10 * crumb))


def gravel() -> Relief:
    """Loose pebbles, 8 to 20 mm, of mixed pale stone."""
    rng = generator("gravel")
    grid = Grid(1.5, 1.5)
    count = 28_000
    length = _sizes(rng, 0.009, 0.021, count)
    pebbles = heap(
        grid,
        rng,
        length,
        length * _sizes(rng, 0.6, 0.95, count),
        length * np.float32(0.42),
        depth_m=0.005,
        tilt=0.08,
    )
    rough = noise(grid, rng, 0.02, 0.004, fall=0.3)
    height = pebbles.height_m + 0.00015 * rough
    lit = np.exp(varied(rng, 0.22, count))[pebbles.ident]
    hue = varied(rng, 0.07, count).astype(np.float32)[pebbles.ident]
    shade = cavity(height, grid, 0.008, 0.007, 0.35)
    return Relief(grid, height, tinted(lit * shade * np.exp(0.05 * rough), hue))


def asphalt() -> Relief:
    """Worn asphalt: stones up to 10 mm showing flush in the binder, a little cloudy."""
    rng = generator("asphalt")
    grid = Grid(2.0, 2.0)
    count = 32_000
    size = _sizes(rng, 0.005, 0.013, count)
    chips = heap(grid, rng, size, size * np.float32(0.8), size * np.float32(0.22), depth_m=0.0015)
    cloud = noise(grid, rng, 0.35, 0.05, fall=1.0)
    lit = np.exp(varied(rng, 0.22, count))[chips.ident]
    height = chips.height_m + 0.0006 * cloud
    shade = cavity(height, grid, 0.008, 0.002, 0.6)
    return Relief(grid, height, lit * shade * np.exp(0.05 * cloud))


def bark() -> Relief:
    """Furrowed bark: long plates that taper to their ends, with deep furrows between them."""
    rng = generator("bark")
    grid = Grid(1.0, 1.2)
    # plates are stones stretched along the trunk
    squat = Grid(grid.width_m, grid.height_m / 6.0)
    plates = stones(squat, rng, 24, 6, jitter=0.4, spread=0.3, corner_m=0.0015, wander_m=0.005)
    rough = noise(grid, rng, 0.05, 0.006, fall=1.2, stretch=(1.0, 3.0))
    inside = plates.edge_m - 0.001 + 0.0004 * rough
    plate = arris(inside, 0.012)
    proud = varied(rng, 0.0012, plates.count)[plates.ident]
    height = plate * (0.007 + proud) + 0.00035 * rough
    tone = np.exp(varied(rng, 0.10, plates.count)[plates.ident] + 0.12 * rough)
    furrow = 1.0 - smooth(inside, -0.002, 0.003)
    return Relief(grid, height, tinted(tone, 0.03 * rough), furrow, 1.0, (0.42, 0.40, 0.38))


def birch_bark() -> Relief:
    """Pale smooth bark with dark dashes across and a few rough dark scars."""
    rng = generator("birch bark")
    grid = Grid(1.0, 1.0)
    count = 700
    dashes = heap(
        grid,
        rng,
        (0.012 * np.exp(rng.normal(0.3, 0.5, count))).clip(0.008, 0.06).astype(np.float32),
        _sizes(rng, 0.002, 0.004, count),
        np.full(count, 0.002, np.float32),
        depth_m=0.0,
        angle=varied(rng, 0.04, count),
    )
    scar = smooth(noise(grid, rng, 0.10, 0.03, fall=1.0, stretch=(2.5, 1.0)), 2.2, 2.8)
    peel = noise(grid, rng, 0.2, 0.01, fall=1.2, stretch=(5.0, 1.0))
    dash = smooth(dashes.height_m, 0.0, 0.0006)
    height = 0.00015 * peel + 0.5 * dashes.height_m - 0.0015 * scar
    tone = (1.0 + 0.05 * peel) * (1.0 - 0.6 * dash) * (1.0 - 0.75 * scar)
    return Relief(grid, height, tinted(tone, 0.02 * peel))
