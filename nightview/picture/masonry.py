"""Patterns of walls and paving: brick, stone, render, concrete."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from nightview.picture.fields import (
    Units,
    arris,
    courses,
    generator,
    lengths,
    noise,
    smooth,
    stones,
    tinted,
    varied,
    wrapped,
)
from nightview.picture.tiles import Grid, Relief

BRICK_COURSE_M = 8 * 0.0254 / 3
"""Three brick courses with their joints make 8 in (common practice)."""
BRICK_MODULE_M = 8 * 0.0254
"""Length of a stretcher with its joint: 8 in."""
JOINT_M = 0.010


def brick() -> Relief:
    """Running bond of 8 in stretchers in 2⅔ in courses; mortar tooled back about 5 mm."""
    rng = generator("brick")
    up, across = 36, 12
    grid = Grid(across * BRICK_MODULE_M, up * BRICK_COURSE_M, 1024, 1024)
    starts = np.float32(BRICK_MODULE_M / 2) * (np.arange(up, dtype=np.float32) % 2)
    starts = starts + varied(rng, 0.002, up)
    units = courses(grid, [BRICK_COURSE_M] * up, [[BRICK_MODULE_M] * across] * up, starts)
    rough = noise(grid, rng, 0.05, 0.003, fall=1.3)
    edge = units.edge_m(0.006) + 0.0003 * rough
    face = arris(edge - JOINT_M / 2, 0.005)
    proud = units.each(varied(rng, 0.0005, units.count)) + units.tilt(rng, 0.006)
    height = face * (0.005 + proud + 0.0003 * rough) + (1.0 - face) * 0.0003 * rough
    # a kiln's spread, and one brick in ten burnt dark
    tone = np.exp(varied(rng, 0.14, units.count))
    tone *= np.where(rng.random(units.count) < 0.10, 0.72, 1.0)
    hue = units.each(varied(rng, 0.06, units.count))
    blotch = np.exp(0.07 * rough + units.each(np.log(tone)))
    joint = 1.0 - smooth(edge, JOINT_M / 2 - 0.0008, JOINT_M / 2 + 0.0012)
    return Relief(grid, height, tinted(blotch, hue), joint, 1.0 + 0.05 * rough, (1.5, 1.5, 1.5))


def fieldstone() -> Relief:
    """Rounded field stones, 15 to 45 cm, bedded in mortar set back about 25 mm."""
    rng = generator("fieldstone")
    grid = Grid(3.6, 3.0, 1024, 1024)
    cells = stones(grid, rng, 12, 14, jitter=0.36, spread=0.22, corner_m=0.018, wander_m=0.02)
    rough = noise(grid, rng, 0.16, 0.012, fall=1.4)
    edge = cells.edge_m - 0.012 + 0.0018 * rough
    face = arris(edge, 0.055)
    tilted = varied(rng, 0.07, cells.count)[cells.ident] * cells.dx_m
    tilted += varied(rng, 0.07, cells.count)[cells.ident] * cells.dy_m
    proud = varied(rng, 0.004, cells.count)[cells.ident]
    height = face * (0.022 + proud + tilted + 0.0011 * rough) + (1.0 - face) * 0.0006 * rough
    kinds = np.array([[1.0, 1.0, 1.0], [1.1, 1.0, 0.85], [1.14, 0.97, 0.8], [0.94, 1.0, 1.08]])
    colour = kinds[rng.choice(4, cells.count, p=[0.45, 0.28, 0.12, 0.15])]
    colour *= np.exp(varied(rng, 0.17, cells.count))[:, None]
    tone = colour.astype(np.float32)[cells.ident] * np.exp(0.10 * rough)[..., None]
    joint = 1.0 - smooth(edge, -0.002, 0.006)
    shade = 0.6 + 0.4 * smooth(edge, -0.010, 0.020)
    return Relief(grid, height, tone * shade[..., None], joint, shade, (1.15, 1.15, 1.15))


def ashlar() -> Relief:
    """Coursed squared stone with quarried faces: courses 20 to 30 cm, joints 8 mm."""
    rng = generator("ashlar")
    heights = [0.2, 0.3, 0.25, 0.2, 0.25, 0.3, 0.2, 0.3]
    grid = Grid(2.4, sum(heights))
    units = _random_courses(grid, rng, heights, 0.28, 0.62)
    rough = noise(grid, rng, 0.16, 0.018, fall=1.8)
    edge = units.edge_m(0.008) + 0.0008 * rough
    # the rock face swells from a drafted margin
    swell = smooth(edge, 0.02, 0.07)
    face = arris(edge - 0.004, 0.006)
    height = face * (0.006 + swell * (0.005 + 0.0016 * rough) + 0.0002 * rough)
    height = height + units.tilt(rng, 0.004) * face
    tone = units.each(np.exp(varied(rng, 0.09, units.count))) * np.exp(0.05 * rough)
    hue = units.each(varied(rng, 0.03, units.count))
    joint = 1.0 - smooth(edge, 0.0025, 0.0055)
    return Relief(grid, height, tinted(tone, hue), joint, 1.0, (0.8, 0.78, 0.75), slow_waves=1)


def limestone() -> Relief:
    """Large sawn blocks, 36 cm courses, with 5 mm joints."""
    rng = generator("limestone")
    heights = [0.36] * 6
    grid = Grid(2.88, sum(heights))
    units = _random_courses(grid, rng, heights, 0.52, 0.92)
    grain = noise(grid, rng, 0.08, 0.005, fall=1.0)
    bed = noise(grid, rng, 0.30, 0.012, fall=1.2, stretch=(3.0, 1.0))
    edge = units.edge_m()
    height = 0.004 * arris(edge - 0.0025, 0.005) + 0.00012 * grain + units.tilt(rng, 0.0015)
    tone = units.each(np.exp(varied(rng, 0.05, units.count))) * (1.0 + 0.025 * bed)
    hue = units.each(varied(rng, 0.015, units.count)) + 0.008 * bed
    joint = 1.0 - smooth(edge, 0.0015, 0.0045)
    return Relief(
        grid, height, tinted(tone * (1.0 + 0.015 * grain), hue), joint, 0.72, slow_waves=1
    )


def _random_courses(
    grid: Grid, rng: np.random.Generator, heights: list[float], least: float, most: float
) -> Units:
    """Courses of stones of random length, their joints nowhere above one another."""
    widths = [list(lengths(rng, grid.width_m, least, most)) for _ in heights]
    starts = [0.0]
    for below, above in pairwise(widths):
        start = starts[-1]
        ends = (start + np.cumsum(below)) % grid.width_m
        tries = np.linspace(0.0, grid.width_m, 61)[:-1]
        cuts = (tries[:, None] + np.cumsum(above)) % grid.width_m
        gaps = np.abs(cuts[:, :, None] - ends)
        nearest = np.minimum(gaps, grid.width_m - gaps).min(axis=(1, 2))
        starts.append(float(tries[np.argmax(nearest)]))
    return courses(grid, heights, widths, np.array(starts, np.float32))


def stucco() -> Relief:
    """Sand-floated coat: trowel sweeps about 1 mm deep, sand grain, faintly uneven tone."""
    rng = generator("stucco")
    grid = Grid(2.4, 2.4)
    sweep = noise(grid, rng, 0.22, 0.035, fall=1.4)
    grain = noise(grid, rng, 0.03, 0.004, fall=0.6)
    height = 0.0006 * sweep + 0.00010 * grain
    tone = 1.0 + 0.012 * noise(grid, rng, 0.6, 0.15) + 0.012 * grain + 0.008 * sweep
    return Relief(grid, height, tone)


def render() -> Relief:
    """Smooth painted render: barely more than the float's unevenness."""
    rng = generator("render")
    grid = Grid(2.4, 2.4)
    sweep = noise(grid, rng, 0.35, 0.07, fall=1.5)
    grain = noise(grid, rng, 0.03, 0.004, fall=0.6)
    tone = 1.0 + 0.008 * noise(grid, rng, 0.6, 0.15) + 0.006 * grain
    return Relief(grid, 0.0003 * sweep + 0.00005 * grain, tone)


def concrete() -> Relief:
    """Broomed slab: fine strokes across, cloudy tone, a few pits."""
    rng = generator("concrete")
    grid = Grid(2.0, 2.0)
    broom = noise(grid, rng, 0.03, 0.004, fall=0.3, stretch=(1.0, 30.0))
    cloud = noise(grid, rng, 0.35, 0.03, fall=1.0)
    grain = noise(grid, rng, 0.02, 0.004, fall=0.5)
    tone = 1.0 + 0.05 * cloud + 0.03 * grain + 0.02 * broom
    return Relief(grid, 0.00020 * broom + 0.00004 * grain + 0.0004 * cloud, tone)


def pavers() -> Relief:
    """Concrete pavers, 100 by 200 mm, in a herringbone with sanded joints."""
    rng = generator("pavers")
    module, across = 0.1, 16
    grid = Grid(module * across, module * across)
    units = _herringbone(grid, module, across)
    rough = noise(grid, rng, 0.05, 0.004, fall=0.8)
    edge = units.edge_m(0.004) + 0.0003 * rough
    face = arris(edge - 0.0015, 0.007)
    height = face * (0.005 + units.each(varied(rng, 0.0005, units.count)))
    height = height + face * units.tilt(rng, 0.007) + 0.00022 * rough
    tone = units.each(np.exp(varied(rng, 0.10, units.count))) * (1.0 + 0.05 * rough)
    joint = 1.0 - smooth(edge, 0.001, 0.005)
    hue = units.each(varied(rng, 0.03, units.count))
    return Relief(grid, height, tinted(tone, hue), joint, 1.0 + 0.08 * rough, (0.6, 0.58, 0.52))


def _herringbone(grid: Grid, module_m: float, across: int) -> Units:
    """Two-by-one units in a 90° herringbone; ``across`` modules a side, a multiple of four."""
    i = np.floor(grid.x / module_m).astype(np.intp) % across
    j = np.floor(grid.y / module_m).astype(np.intp) % across
    kind = np.mod(i - j, 4)
    # 0 and 1: left and right half of a lying unit; 3 and 2: lower and upper half of a standing one
    own_i = np.where(kind == 1, i - 1, i) % across
    own_j = np.where(kind == 2, j - 1, j) % across
    lying = kind < 2
    step = np.float32(module_m)
    dx = grid.x - (i + 0.5) * step + np.where(kind == 1, 0.5, np.where(kind == 0, -0.5, 0.0)) * step
    dy = grid.y - (j + 0.5) * step + np.where(kind == 2, 0.5, np.where(kind == 3, -0.5, 0.0)) * step
    return Units(
        own_j * across + own_i,
        across * across,
        dx.astype(np.float32),
        dy.astype(np.float32),
        np.where(lying, step, step / 2),
        np.where(lying, step / 2, step),
    )


def setts() -> Relief:
    """Granite setts about 10 cm wide in rows, cushioned tops, deep earthy joints."""
    rng = generator("setts")
    heights = list(lengths(rng, 1.76, 0.10, 0.12))
    grid = Grid(1.8, 1.76, 1024, 1024)
    units = _random_courses(grid, rng, heights, 0.10, 0.17)
    rough = noise(grid, rng, 0.05, 0.005, fall=1.0)
    edge = units.edge_m(0.02) + 0.0012 * rough
    face = arris(edge - 0.005, 0.022)
    proud = units.each(varied(rng, 0.0015, units.count)) + units.tilt(rng, 0.03)
    height = face * (0.008 + proud) + 0.0005 * rough
    speck = noise(grid, rng, 0.012, 0.003, fall=0.0)
    tone = units.each(np.exp(varied(rng, 0.16, units.count)))
    tone = tone * (1.0 + 0.06 * rough + 0.10 * speck)
    joint = 1.0 - smooth(edge, 0.002, 0.007)
    hue = units.each(varied(rng, 0.04, units.count))
    shade = 0.6 + 0.4 * smooth(edge, 0.0, 0.012)
    tone3 = tinted(tone * shade, hue)
    return Relief(grid, height, tone3, joint, shade * (1.0 + 0.1 * rough), (0.55, 0.52, 0.46))


def flagstone() -> Relief:
    """Rectangular flags on a 6 in module, 12 to 36 in long, with cleft faces and 10 mm joints."""
    rng = generator("flagstone")
    module, across = 6 * 0.0254, 20
    grid = Grid(module * across, module * across, 1024, 1024)
    units = _flags(grid, rng, module, across)
    cleft = noise(grid, rng, 0.35, 0.02, fall=1.5)
    grain = noise(grid, rng, 0.04, 0.006, fall=0.8)
    edge = units.edge_m(0.004) + 0.0008 * grain
    face = arris(edge - 0.005, 0.006)
    # cleft stone breaks in shallow terraces
    terrace = smooth(np.abs(cleft), 0.25, 0.4) * np.sign(cleft)
    proud = units.each(varied(rng, 0.0008, units.count)) + units.tilt(rng, 0.003)
    height = face * (0.006 + proud + 0.0005 * terrace + 0.0005 * cleft) + 0.00012 * grain
    tone = units.each(np.exp(varied(rng, 0.11, units.count)))
    tone = tone * (1.0 + 0.05 * cleft + 0.03 * grain)
    hue = units.each(varied(rng, 0.05, units.count)) + 0.015 * cleft
    joint = 1.0 - smooth(edge, 0.003, 0.007)
    sand = 1.0 + 0.06 * grain
    return Relief(grid, height, tinted(tone, hue), joint, sand, (0.85, 0.8, 0.7), slow_waves=1)


_FLAG_SIZES = ((2, 2), (3, 2), (2, 3), (4, 2), (2, 4), (3, 3), (4, 3), (3, 4), (4, 4), (6, 4))


def _flags(grid: Grid, rng: np.random.Generator, module_m: float, across: int) -> Units:
    """Fill a periodic board of modules with rectangles, each as large as chance and room allow."""
    owner = np.full((across, across), -1, np.intp)
    middle_x: list[float] = []
    middle_y: list[float] = []
    half_x: list[float] = []
    half_y: list[float] = []
    # flags that straddle the tile's edges come first, lest a straight joint run along them
    straddling = [(at, across - 1) for at in range(0, across, 5)]
    straddling += [(across - 1, at + 2) for at in range(0, across, 5)]
    for j, i in (*straddling, *np.ndindex(across, across)):
        if owner[j, i] >= 0:
            continue
        sizes = [_FLAG_SIZES[k] for k in rng.permutation(len(_FLAG_SIZES))]
        for wide, high in (*sizes, (2, 1), (1, 2), (1, 1)):
            place = np.ix_((j + np.arange(high)) % across, (i + np.arange(wide)) % across)
            if np.all(owner[place] < 0):
                owner[place] = len(half_x)
                middle_x.append((i + wide / 2) * module_m)
                middle_y.append((j + high / 2) * module_m)
                half_x.append(wide * module_m / 2)
                half_y.append(high * module_m / 2)
                break
    i = (grid.x[0] / module_m).astype(np.intp) % across
    j = (grid.y[:, 0] / module_m).astype(np.intp) % across
    ident = owner[np.ix_(j, i)]

    return Units(
        ident,
        len(half_x),
        wrapped(grid.x - np.array(middle_x, np.float32)[ident], grid.width_m),
        wrapped(grid.y - np.array(middle_y, np.float32)[ident], grid.height_m),
        np.array(half_x, np.float32)[ident],
        np.array(half_y, np.float32)[ident],
    )
