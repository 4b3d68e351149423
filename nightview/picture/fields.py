"""Periodic fields that patterns are drawn from: noise, units in courses, stones, particles.

All wrap at the tile's edges and are reproducible from the generator they are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from nightview.picture.tiles import Floats, Grid

Ints = NDArray[np.intp]


def generator(name: str) -> np.random.Generator:
    """The random numbers of one pattern: always the same for the same name."""
    return np.random.Generator(np.random.PCG64(crc32(name.encode())))


def varied(rng: np.random.Generator, deviation: float, count: int) -> Floats:
    """Normal values (count,) about 0, none beyond two deviations: odd ones show when they repeat."""
    return (deviation * rng.standard_normal(count).clip(-2.0, 2.0)).astype(np.float32)


def noise(
    grid: Grid,
    rng: np.random.Generator,
    longest_m: float,
    shortest_m: float,
    fall: float = 1.0,
    stretch: tuple[float, float] = (1.0, 1.0),
) -> Floats:
    """Gaussian noise (h, w) of mean 0 and deviation 1, about halved at two wavelengths [m].

    Amplitude falls as frequency to the power of −``fall``: 1 has as much in every octave, 2 is
    soft. ``stretch`` lengthens the features along x and y.
    """
    dx, dy = grid.step_m
    fx = fft.rfftfreq(grid.columns, dx).astype(np.float32)[None, :] * np.float32(stretch[0])
    fy = fft.fftfreq(grid.rows, dy).astype(np.float32)[:, None] * np.float32(stretch[1])
    square = fx * fx + fy * fy
    square[0, 0] = 1.0
    gain = square ** np.float32(-fall / 2.0)
    gain *= np.exp((square * np.float32(shortest_m**2)) ** 2 * np.float32(-0.7))
    gain *= -np.expm1(square * np.float32(-(longest_m**2)))
    gain[0, 0] = 0.0
    spectrum = fft.rfft2(rng.standard_normal(grid.shape, dtype=np.float32))
    field = fft.irfft2(spectrum * gain, s=grid.shape)
    return (field / np.std(field, dtype=np.float64)).astype(np.float32)


def blurred(field: Floats, grid: Grid, radius_m: float) -> Floats:
    """The field averaged over a Gaussian of that standard deviation [m]."""
    dx, dy = grid.step_m
    return np.asarray(
        ndimage.gaussian_filter(field, (radius_m / dy, radius_m / dx), mode="wrap", truncate=3.0)
    )


def cavity(height_m: Floats, grid: Grid, radius_m: float, depth_m: float, least: float) -> Floats:
    """How much light reaches into hollows, (h, w): 1 on the crests, ``least`` a depth below.

    Stands in for the shadows that small relief casts on itself whatever the light's direction.
    """
    below = (blurred(height_m, grid, radius_m) - height_m) * np.float32(1.0 / depth_m)
    return 1.0 - np.float32(1.0 - least) * np.clip(below, 0.0, 1.0)


def smooth(field: Floats, low: float, high: float) -> Floats:
    """0 below ``low``, 1 above ``high``, smooth between."""
    t = np.clip((field - np.float32(low)) * np.float32(1.0 / (high - low)), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def tinted(tone: Floats, hue: Floats) -> Floats:
    """Tone (h, w) spread over three channels, (h, w, 3); positive ``hue`` is warmer."""
    return np.stack([tone * (1.0 + hue), tone, tone * (1.0 - hue)], axis=-1)


def arris(edge_m: Floats, radius_m: float) -> Floats:
    """Profile of a rounded edge, 0 at the edge to 1 at ``radius_m`` within it."""
    t = 1.0 - np.clip(edge_m * np.float32(1.0 / radius_m), 0.0, 1.0)
    return np.sqrt(1.0 - t * t)


@dataclass(frozen=True, eq=False)
class Units:
    """Bricks, boards, tabs, flags: which one a texel lies in, and where in it.

    ident : (h, w) number of the unit, 0 to count − 1.
    dx_m, dy_m : (h, w) from the unit's middle [m].
    half_x_m, half_y_m : (h, w) half the unit's width and height, half of each joint included [m].
    """

    ident: Ints
    count: int
    dx_m: Floats
    dy_m: Floats
    half_x_m: Floats
    half_y_m: Floats

    def edge_m(self, corner_m: float = 0.0) -> Floats:
        """Distance inward from the unit's edge [m], with corners of that radius."""
        x = np.abs(self.dx_m) - (self.half_x_m - np.float32(corner_m))
        y = np.abs(self.dy_m) - (self.half_y_m - np.float32(corner_m))
        if corner_m == 0.0:
            return -np.maximum(x, y)
        outside = np.sqrt(np.maximum(x, 0.0) ** 2 + np.maximum(y, 0.0) ** 2)
        return np.float32(corner_m) - outside - np.minimum(np.maximum(x, y), 0.0)

    def each(self, values: NDArray[np.floating]) -> Floats:
        """One value a unit, (count,) or (count, 3), spread over the texels."""
        return values.astype(np.float32)[self.ident]

    def tilt(self, rng: np.random.Generator, slope: float) -> Floats:
        """Height [m] of units each set a little askew, by ``slope`` (standard deviation)."""
        along, up = varied(rng, slope, self.count), varied(rng, slope, self.count)
        return self.each(along) * self.dx_m + self.each(up) * self.dy_m

    def turned(self) -> Units:
        """The same units with x and y exchanged."""
        return Units(
            *(self.ident.T, self.count, self.dy_m.T, self.dx_m.T),
            *(self.half_y_m.T, self.half_x_m.T),
        )


def courses(
    grid: Grid, heights_m: Sequence[float], widths_m: Sequence[Sequence[float]], starts_m: Floats
) -> Units:
    """Units laid in courses from the bottom up.

    heights_m : of each course, together the grid's height; widths_m : of the units in each
    course, together the grid's width; starts_m : (courses,) left end of each one's first unit.
    """
    tops = np.cumsum(heights_m)
    course = np.minimum(np.searchsorted(tops, grid.y[:, 0], side="right"), len(tops) - 1)
    shape = len(tops), grid.columns
    ident, dx, half_x = np.empty(shape, np.intp), np.empty(shape), np.empty(shape)
    first = 0
    for row, widths in enumerate(widths_m):
        ends = np.cumsum(widths)
        along = np.mod(grid.x[0] - starts_m[row], grid.width_m)
        unit = np.minimum(np.searchsorted(ends, along, side="right"), len(widths) - 1)
        ident[row] = first + unit
        half_x[row] = 0.5 * np.asarray(widths)[unit]
        dx[row] = along - ends[unit] + half_x[row]
        first += len(widths)
    half_y = (0.5 * np.asarray(heights_m))[course][:, None]
    dy = grid.y - tops[course][:, None] + half_y
    return Units(
        ident[course],
        first,
        dx.astype(np.float32)[course],
        np.broadcast_to(dy, grid.shape).astype(np.float32),
        half_x.astype(np.float32)[course],
        np.broadcast_to(half_y, grid.shape).astype(np.float32),
    )


def lengths(
    rng: np.random.Generator, total_m: float, shortest_m: float, longest_m: float
) -> NDArray[np.float64]:
    """Random lengths between about two limits that together make the total [m]."""
    count = max(1, round(2.0 * total_m / (shortest_m + longest_m)))
    drawn = rng.uniform(shortest_m, longest_m, count)
    return drawn * (total_m / drawn.sum())


@dataclass(frozen=True, eq=False)
class Stones:
    """Irregular stones: which one a texel lies in, and how far within it.

    ident : (h, w); edge_m : (h, w) distance inward from the middle of the joint [m], rounded at
    corners; dx_m, dy_m : (h, w) from the stone's seed [m].
    """

    ident: Ints
    count: int
    edge_m: Floats
    dx_m: Floats
    dy_m: Floats


def stones(
    grid: Grid,
    rng: np.random.Generator,
    across: int,
    up: int,
    *,
    jitter: float,
    spread: float,
    corner_m: float,
    wander_m: float,
) -> Stones:
    """Cells of a weighted Voronoi diagram around jittered seeds, ``across`` by an even ``up``.

    jitter : of the seeds, in seed spacings; spread : of the sizes, 0 for all alike; corner_m :
    radius to which corners are rounded; wander_m : how far joints bend from straight lines.
    """
    cell = np.array([grid.width_m / across, grid.height_m / up])
    column, row = (each.ravel() for each in np.meshgrid(np.arange(across), np.arange(up)))
    seed = np.stack([column + 0.25 + 0.5 * (row % 2), row + 0.5])
    seed = ((seed + rng.uniform(-jitter, jitter, seed.shape)) * cell[:, None]).astype(np.float32)
    # a heavier stone pushes its joints outward: the weight is an area (power diagram)
    weight = (rng.uniform(-1.0, 1.0, len(row)) * spread * cell.prod()).astype(np.float32)

    # outlines are smooth, so a coarser grid finds them
    finer = max(1, grid.columns // 256)
    coarse = Grid(grid.width_m, grid.height_m, grid.columns // finer, grid.rows // finer)
    longest, shortest = 2.0 * float(cell.max()), 0.27 * float(cell.max())
    x = coarse.x + wander_m * noise(coarse, rng, longest, shortest, fall=1.5)
    y = coarse.y + wander_m * noise(coarse, rng, longest, shortest, fall=1.5)
    ring = np.mgrid[-2:3, -2:3].reshape(2, 25, 1, 1)
    j = np.floor(y / np.float32(cell[1])).astype(np.intp) + ring[0]
    i = np.floor(x / np.float32(cell[0])).astype(np.intp) + ring[1]
    number = np.mod(j, up) * across + np.mod(i, across)
    # seeds beyond the tile's edge stand a whole tile away
    dx = x - seed[0][number] - (i // across).astype(np.float32) * np.float32(grid.width_m)
    dy = y - seed[1][number] - (j // up).astype(np.float32) * np.float32(grid.height_m)
    power = dx * dx + dy * dy - weight[number]
    nearest = np.argmin(power, axis=0)[None]
    own, own_x, own_y, ident = (
        np.take_along_axis(each, nearest, 0) for each in (power, dx, dy, number)
    )
    # distance to the joint with each neighbour; a soft minimum over them rounds the corners
    other = number != ident
    apart = np.sqrt((dx - own_x) ** 2 + (dy - own_y) ** 2) + np.float32(1e-6)
    inward = (power - own) / (2.0 * apart)
    total = np.sum(np.exp(inward * np.float32(-1.0 / corner_m)) * other, axis=0)
    edge = -np.float32(corner_m) * np.log(np.maximum(total, 1e-12))

    fine = np.repeat(np.repeat(ident[0], finer, axis=0), finer, axis=1)
    return Stones(
        fine,
        across * up,
        ndimage.zoom(edge, finer, order=1, mode="grid-wrap", grid_mode=True),
        wrapped(grid.x - seed[0][fine], grid.width_m),
        wrapped(grid.y - seed[1][fine], grid.height_m),
    )


def wrapped(offset: Floats, period: float) -> Floats:
    """The offset to the nearest repetition."""
    return offset - np.float32(period) * np.round(offset * np.float32(1.0 / period))


@dataclass(frozen=True, eq=False)
class Heap:
    """Particles heaped on one another, as seen from above.

    ident : (h, w) of the topmost particle; height_m : (h, w) its surface [m].
    """

    ident: Ints
    height_m: Floats


def heap(
    grid: Grid,
    rng: np.random.Generator,
    length_m: Floats,
    width_m: Floats,
    thickness_m: Floats,
    *,
    depth_m: float,
    angle: Floats | None = None,
    tilt: float = 0.0,
    square: bool = False,
) -> Heap:
    """Throw particles on a plane, the lowest first; sizes are (n,), in metres.

    The grid's rows and columns must be powers of two.

    depth_m : how far the highest lies above the lowest; angle : (n,) of their long axes [rad],
    random where None; tilt : rise over run at which they lie (standard deviation); square :
    chips with corners, not round pebbles.
    """
    count = len(length_m)
    # points fine enough on each particle to leave no texel out
    spacing = 0.8 * min(grid.step_m)
    along = _spread(float(length_m.max()), spacing)
    across = _spread(float(width_m.max()), spacing)
    s, t = (each.ravel() for each in np.meshgrid(along, across))
    if not square:
        inside = s * s + t * t <= 1.0
        s, t = s[inside], t[inside]
    reach = np.maximum(np.abs(s), np.abs(t)) if square else np.sqrt(s * s + t * t)
    dome = np.sqrt(1.0 - 0.98 * reach ** (8 if square else 2)).astype(np.float32)

    if angle is None:
        angle = rng.uniform(0.0, np.pi, count).astype(np.float32)
    centre = rng.uniform(0.0, 1.0, (2, count, 1)).astype(np.float32)
    lean = rng.normal(0.0, tilt, (2, count, 1)).astype(np.float32)
    cosine, sine = np.cos(angle)[:, None], np.sin(angle)[:, None]
    p, q = 0.5 * length_m[:, None] * s, 0.5 * width_m[:, None] * t
    x, y = p * cosine - q * sine, p * sine + q * cosine
    # a whole tile is added, so that cutting off the fraction rounds down everywhere
    x = (x * np.float32(1.0 / grid.width_m) + (centre[0] + 1.0)) * np.float32(grid.columns)
    y = (y * np.float32(1.0 / grid.height_m) + (centre[1] + 1.0)) * np.float32(grid.rows)
    column = x.astype(np.int32) & (grid.columns - 1)
    row = y.astype(np.int32) & (grid.rows - 1)
    base = np.linspace(0.0, depth_m, count, dtype=np.float32)[:, None]
    z = base + lean[0] * p + lean[1] * q + 0.5 * thickness_m[:, None] * dome

    # numpy lets the last of repeated indices win: the later particle covers the earlier
    texel = (row * grid.columns + column).ravel()
    ident = np.zeros(grid.rows * grid.columns, np.intp)
    height = np.zeros(grid.rows * grid.columns, np.float32)
    ident[texel] = np.repeat(np.arange(count), len(s))
    height[texel] = z.ravel()
    return Heap(ident.reshape(grid.shape), height.reshape(grid.shape))


def _spread(length: float, spacing: float) -> Floats:
    """Places from −1 to 1, no further apart than the spacing on that length."""
    count = int(np.ceil(length / spacing)) + 1
    return np.linspace(-1.0, 1.0, count, dtype=np.float32) if count > 2 else np.zeros(1, np.float32)
