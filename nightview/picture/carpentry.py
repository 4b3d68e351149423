"""Patterns of boards, roofs and finished surfaces: siding, cedar, shingle, slate, metal, paint."""

from __future__ import annotations

import numpy as np

from nightview.picture.fields import (
    Units,
    arris,
    courses,
    generator,
    lengths,
    noise,
    smooth,
    tinted,
    varied,
)
from nightview.picture.tiles import Floats, Grid, Relief

SIDING_EXPOSURE_M = 0.150
"""Height of a siding board that shows."""
SHINGLE_EXPOSURE_M = 0.140
SLATE_EXPOSURE_M = 0.200
BOARD_M = 0.140
"""Width of a board with its gap."""
SEAM_M = 16 * 0.0254
"""Width of a roofing pan between standing seams: 16 in."""


def lap_siding() -> Relief:
    """Boards that lap: each leans out 12 mm to a lip that stands over the board below."""
    rng = generator("lap siding")
    up = 16
    grid = Grid(3.6, up * SIDING_EXPOSURE_M, 512, 1024)
    starts = rng.uniform(0.0, grid.width_m, up).astype(np.float32)
    units = courses(grid, [SIDING_EXPOSURE_M] * up, [[grid.width_m]] * up, starts)
    above_lip = units.dy_m + units.half_y_m
    lean = 1.0 - above_lip / np.float32(SIDING_EXPOSURE_M)
    wave = noise(grid, rng, 0.6, 0.05, fall=1.5, stretch=(4.0, 1.0))
    grain = noise(grid, rng, 0.03, 0.004, fall=0.7, stretch=(25.0, 1.0))
    height = 0.012 * lean + 0.0002 * wave + 0.00004 * grain
    tone = units.each(1.0 + varied(rng, 0.012, up)) * (1.0 + 0.008 * grain)
    # little light reaches the board close under the lip above, or the butt of a board's end
    under = smooth(np.float32(SIDING_EXPOSURE_M) - above_lip, -0.002, 0.010)
    end = smooth(units.half_x_m - np.abs(units.dx_m), 0.0, 0.008)
    return Relief(grid, height, tone * (0.65 + 0.35 * under) * (0.7 + 0.3 * end))


def _grain(grid: Grid, rng: np.random.Generator, ident_shift: Floats) -> tuple[Floats, Floats]:
    """Grain of boards that run up (y): coarse growth rings and fine fibre, (h, w) each."""
    rings = noise(grid, rng, 0.08, 0.008, fall=1.0, stretch=(1.0, 25.0))
    fibre = noise(grid, rng, 0.02, 0.004, fall=0.2, stretch=(1.0, 60.0))
    return np.sin(2.5 * rings + ident_shift).astype(np.float32), fibre


def _boards(
    name: str, grid: Grid, units: Units, gap_m: float, gap_depth_m: float, *, butted: bool
) -> Relief:
    """Boards that run up (y), with eased edges, cupped and stained each a little differently."""
    rng = generator(name)
    rings, fibre = _grain(grid, rng, units.each(rng.uniform(0.0, 6.3, units.count)))
    edge = units.half_x_m - np.abs(units.dx_m)
    if butted:
        # ends meet without a gap: the joint is a line
        edge = np.minimum(edge, units.half_y_m - np.abs(units.dy_m) + np.float32(gap_m / 2 - 0.003))
    inside = edge - np.float32(gap_m / 2)
    face = arris(inside, 0.004)
    cup = units.each(varied(rng, 0.0012, units.count)) * (units.dx_m / units.half_x_m) ** 2
    lean = units.each(varied(rng, 0.004, units.count)) * units.dx_m
    height = face * (np.float32(gap_depth_m) + cup + lean)
    height = height + 0.00008 * rings + 0.00007 * fibre
    tone = units.each(np.exp(varied(rng, 0.13, units.count)))
    tone = tone * np.exp(0.09 * rings + 0.06 * fibre)
    hue = units.each(varied(rng, 0.03, units.count)) - 0.03 * rings
    gap = 1.0 - smooth(inside, -0.001, 0.002)
    return Relief(grid, height, tinted(tone, hue), gap, 1.0, (0.22, 0.22, 0.22))


def cedar_boards() -> Relief:
    """Boards that run up the wall, 140 mm wide, with 6 mm shadow gaps between."""
    across = 16
    grid = Grid(across * BOARD_M, 2.4, 1024, 256)
    units = courses(grid, [grid.height_m], [[BOARD_M] * across], np.zeros(1, np.float32))
    return _boards("cedar boards", grid, units, 0.006, 0.008, butted=False)


def deck_boards() -> Relief:
    """Boards that run across, 140 mm wide, with 6 mm gaps and butted ends here and there."""
    rng = generator("deck joints")
    rows, length = 16, 3.2
    upright = Grid(rows * BOARD_M, length, 1024, 512)
    lying = upright.turned()
    starts = rng.permutation(np.arange(rows, dtype=np.float32)) * np.float32(length / rows)
    units = courses(lying, [BOARD_M] * rows, [[length]] * rows, starts).turned()
    drawn = _boards("deck boards", upright, units, 0.006, 0.012, butted=True)
    return Relief(
        lying,
        np.ascontiguousarray(drawn.height_m.T),
        drawn.tone.transpose(1, 0, 2),
        None if drawn.joint is None else drawn.joint.T,
        drawn.joint_tone,
        drawn.joint_tint,
    )


def _lapped(
    name: str,
    exposure_m: float,
    width_m: tuple[float, float],
    thickness_m: float,
    gap_m: float,
    ragged_m: float,
) -> tuple[Grid, Units, Floats, Floats, np.random.Generator]:
    """Roof tabs in courses: grid, units, wedge height [m], distance from a tab's free edge [m].

    ``ragged_m`` is how far the tabs' lower ends may differ.
    """
    rng = generator(name)
    up = 16
    grid = Grid(2.4, up * exposure_m)
    widths = [list(lengths(rng, grid.width_m, *width_m)) for _ in range(up)]
    starts = rng.uniform(0.0, grid.width_m, up).astype(np.float32)
    units = courses(grid, [exposure_m] * up, widths, starts)
    # tabs end a little unevenly, so the lip of the course wavers
    ragged = units.each(rng.uniform(0.0, ragged_m, units.count))
    above_lip = units.dy_m + units.half_y_m - ragged
    wedge = np.float32(thickness_m) * (1.0 - above_lip / np.float32(exposure_m))
    wedge = np.where(above_lip < 0.0, 0.0, wedge)
    side = units.half_x_m - np.abs(units.dx_m) - np.float32(gap_m / 2)
    return grid, units, wedge, np.minimum(side, above_lip), rng


def shingle() -> Relief:
    """Laminated shingles: 140 mm courses, tabs of varied width and tone, mineral granules."""
    grid, units, wedge, edge, rng = _lapped(
        "shingle", SHINGLE_EXPOSURE_M, (0.10, 0.28), 0.006, 0.006, 0.012
    )
    granule = noise(grid, rng, 0.015, 0.002, fall=0.0)
    # every other tab or so has a second layer laminated under it
    laminated = rng.random(units.count) < 0.55
    face = smooth(edge, -0.002, 0.002)
    height = wedge * (1.0 + 0.6 * units.each(laminated * 1.0) * face) + 0.00012 * granule
    tone = units.each(np.exp(varied(rng, 0.13, units.count)) * np.where(laminated, 1.1, 0.85))
    tone = tone * np.exp(0.14 * granule) * (0.65 + 0.35 * face)
    hue = units.each(varied(rng, 0.02, units.count))
    return Relief(grid, height, tinted(tone, hue), slow_waves=2)


def slate() -> Relief:
    """Slates in 200 mm courses with 10 mm lips, cleft faces, each a slightly different grey."""
    grid, units, wedge, edge, rng = _lapped(
        "slate", SLATE_EXPOSURE_M, (0.2, 0.32), 0.010, 0.004, 0.006
    )
    cleft = noise(grid, rng, 0.2, 0.008, fall=1.3, stretch=(1.0, 1.6))
    face = smooth(edge, -0.0015, 0.003)
    height = wedge + units.tilt(rng, 0.006) * face + 0.0004 * cleft
    tone = units.each(np.exp(varied(rng, 0.10, units.count))) * np.exp(0.05 * cleft)
    hue = units.each(varied(rng, 0.025, units.count))
    return Relief(grid, height, tinted(tone * (0.5 + 0.5 * face), hue), slow_waves=2)


def standing_seam() -> Relief:
    """Sheet metal pans, 16 in wide, between folded seams 38 mm high."""
    rng = generator("standing seam")
    across = 4
    grid = Grid(across * SEAM_M, 2.4, 1024, 256)
    units = courses(grid, [grid.height_m], [[SEAM_M] * across], np.zeros(1, np.float32))
    edge = units.half_x_m - np.abs(units.dx_m)
    seam = 1.0 - smooth(edge, 0.004, 0.013)
    # thin sheet is never quite flat
    canning = noise(grid, rng, 0.5, 0.15, fall=1.5, stretch=(1.0, 2.0))
    flat = smooth(edge, 0.015, 0.08)
    tone = 1.0 + 0.015 * noise(grid, rng, 0.5, 0.05)
    return Relief(grid, 0.038 * seam + 0.0005 * canning * flat, tone)


def metal() -> Relief:
    """Powder-coated metal: all but smooth."""
    rng = generator("metal")
    grid = Grid(0.256, 0.256, 128, 128)
    peel = noise(grid, rng, 0.02, 0.004, fall=0.5)
    return Relief(grid, 0.00003 * peel, 1.0 + 0.02 * peel)


def paint() -> Relief:
    """Brushed paint: faint strokes up and down."""
    rng = generator("paint")
    grid = Grid(0.512, 0.512, 128, 128)
    strokes = noise(grid, rng, 0.03, 0.006, fall=0.5, stretch=(1.0, 12.0))
    return Relief(grid, 0.00006 * strokes, 1.0 + 0.006 * strokes)


def plain() -> Relief:
    """Nothing at all: flat and even."""
    grid = Grid(1.0, 1.0, 4, 4)
    return Relief(grid, np.zeros(grid.shape, np.float32), np.ones(grid.shape, np.float32))
