"""Glare: light that the eye, or a lens, scatters around whatever is bright.

The scatter follows the disability glare formula of CIE 146:2002 (after Stiles and Holladay): a
source that brings E [lx] to the eye lays a veil of L = 10·E·[1 + (A/70)⁴]/θ² [cd/m²] over what
lies θ = 1° to 30° away, A being the viewer's age. An inverse square is the integral of e^(−θ²t)
over t, and in octaves of width that integral is a sum of Gaussians, true to 1 % (trapezoid in
ln t). So every octave of width scatters the same share of the light, 1.33 %.

Below 1° the same law is carried on to a core of 0.05°, which is our choice: the steeper 10/θ³
near a source (the f1 of Spencer et al. 1995) is left to the eye that looks at the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from scipy import fft

from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.rays import THREADS

Floats = NDArray[np.float32]

CORE_DEG = 0.05
"""Width (standard deviation) of the narrowest octave [deg]; 0.05° is a pixel and a half of a
1600-pixel picture 50° wide."""

_OCTAVES = 11  # 0.05° to 51.2°
_OCTAVE_SHARE = 10.0 * np.log(4.0) * np.pi * np.radians(1.0) ** 2
# The widest octave stands also for the rest of the integral, 10/(4·51.2²), and for the flat
# picture, in which 1/θ² is 1/tan²θ + 2/3 (within 1 % to 30°): together 2.13 of its own peak.
_WIDEST_SHARE = 2.13
_REDUCTION = 4  # the wide octaves are smooth: worked out on a quarter of the pixels each way
_SMOOTH_PX = 6.0
# Variance that averaging over a cell and interpolating between cells add by themselves [cell²].
BLUR_OF_REDUCTION = 1.0 / 12.0 + 1.0 / 6.0
_SPLAT_PX = 0.7
_Y = Y_WEIGHTS.astype(np.float32)


@dataclass(frozen=True, eq=False)
class SmallLights:
    """Lights smaller than what they are seen among: lenses and their images, stars, the moon.

    directions : (n, 3) unit vectors from the eye, z up; illuminance_lx : (n, 3), facing the eye,
    linear RGB; radius_deg : (n,) angular radius.
    """

    directions: Floats
    illuminance_lx: Floats
    radius_deg: Floats

    @classmethod
    def together(cls, parts: Sequence[SmallLights]) -> SmallLights:
        """All lights of some parts, or none."""
        none = cls(*(np.zeros(shape, np.float32) for shape in ((0, 3), (0, 3), 0)))
        return cls(
            *(
                np.concatenate([getattr(part, field.name) for part in (none, *parts)])
                for field in fields(cls)
            )
        )


def veil_per_lux(theta_deg: NDArray[np.floating] | float, age_years: float = 0.0) -> Floats:
    """Veiling luminance [cd/m²] per lux at the eye, θ [deg] from the source (CIE 146:2002)."""
    return np.asarray(10.0 * _ageing(age_years) / np.square(theta_deg), dtype=np.float32)


def bloom(
    frame: Floats, fov_deg: float, shown_cd_m2: float = 0.0, age_years: float = 0.0
) -> Floats:
    """The frame (h, w, 3) [cd/m²] as seen through scatter: a new float32 array.

    fov_deg : horizontal angle of view.
    shown_cd_m2 : only light above this luminance scatters here. The eye that looks at a picture
        scatters by itself what the screen shows; it lacks what is brighter than the screen's
        white, and that is added (``tone.shown_cd_m2``). With 0 all light scatters, for luminances
        in the eye itself.
    age_years : the viewer's age; 0 is the plain formula of Stiles and Holladay.
    What a pixel scatters to others it loses itself, so the sum over the frame is kept; light that
    would leave the frame stays where it is, as if the unseen surroundings gave as much back.
    ValueError on NaN or infinity, which would spread over the whole picture.
    """
    if not np.isfinite(frame.sum(dtype=np.float64)):
        raise ValueError("bloom: the frame holds NaN or infinity")
    if shown_cd_m2 > 0.0:
        luminance = frame @ _Y
        shown = np.float32(shown_cd_m2) / np.maximum(luminance, np.float32(shown_cd_m2))
        below = frame * shown[..., None]
        return below + bloom(frame - below, fov_deg, age_years=age_years)

    height, width = frame.shape[:2]
    lens = lens_of(height, width, float(fov_deg), float(age_years))
    planes = [np.ascontiguousarray(frame[..., c], dtype=np.float32) for c in range(3)]
    bright = np.abs(planes).max(axis=0)
    rows, columns = (_around(bright.any(axis=axis), lens.reach) for axis in (1, 0))

    def sharp(plane: Floats) -> Floats:
        return _scatter(np.ascontiguousarray(plane[rows, columns]), lens.sharp)

    def smooth(plane: Floats) -> Floats:
        small = np.asarray(Image.fromarray(plane).reduce(_REDUCTION))
        return _enlarge(_scatter(small, lens.smooth), width, height)

    out = np.empty((height, width, 3), np.float32)

    def add(c: int) -> None:
        veil = planes[c] * lens.kept
        veil += wide[c]
        veil[rows, columns] += near[c]
        np.maximum(veil, 0.0, out=out[..., c])

    with ThreadPoolExecutor(THREADS) as pool:
        parts = pool.map(sharp, planes), pool.map(smooth, planes)
        near, wide = (list(part) for part in parts)
        list(pool.map(add, range(3)))
    return out


Octaves = tuple[tuple[float, float], ...]


@dataclass(frozen=True, eq=False)
class Scatter:
    """How a frame of some size and angle of view scatters.

    sharp, smooth : σ [px, of the frame and of its reduced copy] and share of each octave.
    reach : how far the sharp ones go [px]. kept : (h, w), what a pixel does not lose to others.
    """

    sharp: Octaves
    smooth: Octaves
    reach: int
    kept: Floats


@lru_cache(maxsize=4)
def lens_of(height: int, width: int, fov_deg: float, age_years: float) -> Scatter:
    """How an eye of some years scatters light over a picture of that size and angle."""
    sigmas_px = np.radians(CORE_DEG) * 2.0 ** np.arange(_OCTAVES) / _pixel_tan(width, fov_deg)
    shares = np.full(_OCTAVES, _OCTAVE_SHARE * _ageing(age_years))
    shares[-1] *= _WIDEST_SHARE
    octaves = [(float(s), float(k)) for s, k in zip(sigmas_px, shares, strict=True) if s >= 1.0]
    sharp = tuple(octave for octave in octaves if octave[0] < _SMOOTH_PX)
    smooth = tuple(
        (float(np.sqrt((s / _REDUCTION) ** 2 - BLUR_OF_REDUCTION)), share)
        for s, share in octaves
        if s >= _SMOOTH_PX
    )
    ones = np.ones((height, width), np.float32)
    kept = 1.0 - _scatter(ones, sharp)
    reduced = np.asarray(Image.fromarray(ones).reduce(_REDUCTION))
    kept -= _enlarge(_scatter(reduced, smooth), width, height)
    reach = int(4.0 * max([0.0, *(sigma for sigma, _ in sharp)])) + 1
    return Scatter(sharp, smooth, reach, kept)


def _around(used: NDArray[np.bool_], reach: int) -> slice:
    """From the first to the last place in use, with so much on both sides."""
    places = np.flatnonzero(used)
    if not len(places):
        return slice(0, 1)
    return slice(max(0, int(places[0]) - reach), min(len(used), int(places[-1]) + 1 + reach))


def splat(
    frame: Floats,
    xy_px: ArrayLike,
    illuminance_lx: ArrayLike,
    fov_deg: float,
    radius_deg: ArrayLike = 0.0,
) -> Floats:
    """A copy of the frame (h, w, 3) [cd/m²] with small sources of light added: lenses, stars.

    xy_px : (n, 2), x to the right and y down from the frame's top left corner; the middle of the
        first pixel is (0.5, 0.5).
    illuminance_lx : (n, 3), what each brings to the eye [lx], facing it; linear RGB.
    fov_deg : horizontal angle of view.
    radius_deg : (n,) or one; the source's own angular radius [deg], 0 for a point.
    Each adds luminance so that the sum of L × the pixel's solid angle is its illuminance; what
    falls outside the frame is lost. A point becomes a Gaussian of σ = 0.7 px, a disc an even
    spread of such points. Sources are drawn whole: leave out those that something hides.
    """
    out = np.array(frame, dtype=np.float32)
    height, width = out.shape[:2]
    pixel = _pixel_tan(width, fov_deg)
    places = np.asarray(xy_px, dtype=np.float64).reshape(-1, 2)
    lux = np.asarray(illuminance_lx, dtype=np.float64).reshape(-1, 3)
    tangent = (places - (width / 2.0, height / 2.0)) * pixel
    stretch = (1.0 + (tangent**2).sum(axis=1)) ** 0.75  # the flat picture's, away from its middle
    radius_px = np.radians(np.broadcast_to(radius_deg, len(places))) * stretch / pixel

    # A large disc is made of a few hundred wider points, a small one of points a pixel apart.
    sigma = np.maximum(_SPLAT_PX, radius_px / 16.0)
    count = np.maximum(1, np.ceil(1.5 * (radius_px / sigma) ** 2)).astype(np.intp)
    owner = np.repeat(np.arange(len(places)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    r = radius_px[owner] * np.sqrt((nth + 0.5) / count[owner])
    turn = nth * (np.pi * (3.0 - np.sqrt(5.0)))  # a sunflower's: even over the disc
    points = places[owner] + (r * np.stack([np.cos(turn), np.sin(turn)])).T
    energy = lux[owner] / count[owner, None]

    for spread in np.unique(sigma):
        mine = sigma[owner] == spread
        _stamp(out, points[mine], energy[mine], float(spread), pixel)
    return out


def _stamp(
    out: Floats,
    points: NDArray[np.float64],
    energy: NDArray[np.float64],
    sigma: float,
    pixel: float,
) -> None:
    """Add to ``out`` a Gaussian of σ [px] for each point (m, 2), of the illuminance (m, 3)."""
    height, width = out.shape[:2]
    reach = int(np.ceil(4.0 * sigma))
    offsets = np.arange(-reach, reach + 1)
    cell = np.floor(points).astype(np.intp)[:, None, :] + offsets[None, :, None]  # (m, k, 2)
    weight = np.exp(-0.5 * ((cell + 0.5 - points[:, None, :]) / sigma) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    x, y = cell[:, None, :, 0], cell[:, :, None, 1]
    share = weight[:, None, :, 0] * weight[:, :, None, 1]
    inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    u, v = (x + 0.5 - width / 2.0) * pixel, (y + 0.5 - height / 2.0) * pixel
    luminance = share * (1.0 + u * u + v * v) ** 1.5 / pixel**2  # a pixel's angle falls as cos³
    added = (luminance[..., None] * energy[:, None, None, :])[inside]
    np.add.at(out.reshape(-1, 3), (y * width + x)[inside], added.astype(np.float32))


def _enlarge(plane: Floats, width: int, height: int) -> Floats:
    box = (0.0, 0.0, width / _REDUCTION, height / _REDUCTION)
    image = Image.fromarray(plane)
    return np.asarray(image.resize((width, height), Image.Resampling.BILINEAR, box))


def _scatter(plane: Floats, octaves: Octaves) -> Floats:
    """A plane (h, w) under the sum of share × Gaussian of σ [px]; black outside the plane."""
    if not octaves:
        return np.zeros_like(plane)
    height, width = plane.shape
    reach = int(4.0 * max(sigma for sigma, _ in octaves)) + 1
    rows, columns = (fft.next_fast_len(n + min(n, reach), real=True) for n in (height, width))
    spectrum = fft.rfft2(plane, (rows, columns))
    spectrum *= _transfer(rows, columns, octaves)
    found: Floats = fft.irfft2(spectrum, (rows, columns))[:height, :width]
    return found


@lru_cache(maxsize=8)
def _transfer(rows: int, columns: int, octaves: Octaves) -> Floats:
    """The spectrum (rows, columns // 2 + 1) of the sum of Gaussians."""
    total = np.zeros((rows, columns // 2 + 1), np.float32)
    for sigma, share in octaves:
        across = fft.rfft(_gaussian(columns, sigma)).real
        down = fft.fft(_gaussian(rows, sigma)).real
        total += (share * down[:, None] * across[None, :]).astype(np.float32)
    return total


def _gaussian(n: int, sigma: float) -> NDArray[np.float64]:
    """One axis of a Gaussian of σ [px] of unit sum, by lag, wrapped round n."""
    lag = np.minimum(np.arange(n), n - np.arange(n))
    return np.exp(-0.5 * (lag / sigma) ** 2) / (sigma * np.sqrt(2.0 * np.pi))


def _ageing(age_years: float) -> float:
    return 1.0 + (age_years / 70.0) ** 4


def _pixel_tan(width: int, fov_deg: float) -> float:
    """A pixel's side on the picture plane at distance 1: its angle [rad] in the middle."""
    return 2.0 * float(np.tan(np.radians(fov_deg) / 2.0)) / width
