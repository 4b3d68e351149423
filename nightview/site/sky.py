"""The night sky as a source of light: its radiance by direction, in closed form.

A sky is a zenith luminance plus a brighter, warmer band that grows towards the horizon. The
band's share of the light on level ground is a beta function, so that a stated illuminance is met
exactly. Below the horizon lies the far ground, lit by that same sky.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Moon = tuple[NDArray[np.floating], float, NDArray[np.floating]]
"""Unit vector towards the moon (3,), illuminance facing it [lx], linear RGB of Y = 1 (3,)."""

AMBIENT_LX: dict[str, float] = {
    "none": 0.0,
    "dark": 0.02,
    "rural": 0.08,
    "suburban": 0.7,
    "city": 3.0,
}
"""Light on open level ground without our lamps [lx]. Ours, inside the usual ambient floors
(0.05 to 0.1 rural, 0.5 to 1 suburban, 2 to 5 city); "dark" lies between starlight and rural."""

MOONLIT_SKY = 0.12
"""Skylight of the moon on level ground, as a share of its illuminance. Ours [mem]: by day a clear
sky brings a tenth to a sixth of what the sun brings, and moonlight scatters alike."""

_HORIZON_POWER = 4
_DUSK_SIN = float(np.sin(np.radians(1.5)))
_Y = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True)
class _Shape:
    """How many times the zenith's luminance the horizon has, and linear RGB of both (any Y)."""

    horizon: float
    zenith_rgb: tuple[float, float, float]
    horizon_rgb: tuple[float, float, float]


# Judgement, not measurement: brighter towns make a steeper and warmer sky.
_SHAPES = {
    "none": _Shape(1.0, (1.00, 1.00, 1.00), (1.00, 1.00, 1.00)),
    "dark": _Shape(1.6, (0.78, 0.98, 1.75), (0.95, 1.00, 1.15)),
    "rural": _Shape(2.5, (0.80, 0.98, 1.65), (1.10, 1.00, 0.90)),
    "suburban": _Shape(4.0, (0.95, 0.98, 1.30), (1.40, 0.95, 0.55)),
    "city": _Shape(6.0, (1.20, 0.97, 0.75), (1.65, 0.88, 0.35)),
}
_MOONLIT_RGB = (0.70, 1.00, 1.90)
_FAR_GROUND_RGB = (0.05, 0.08, 0.02)  # grass, so that the drawn ground runs on without a seam


def _of_unit_y(rgb: tuple[float, float, float] | NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(rgb, dtype=np.float64) / (_Y @ np.asarray(rgb, dtype=np.float64))


def sky_luminance(
    directions: NDArray[np.floating],
    surroundings: str,
    ambient_lx: float,
    moon: Moon | None = None,
) -> Floats:
    """Luminance of the sky and, below the horizon, of the far ground, seen along ``directions``.

    directions : (n, 3) unit vectors in the world, z up.
    surroundings : a key of ``AMBIENT_LX``; it shapes and tints the sky. KeyError otherwise.
    ambient_lx : the sky's illuminance on level ground without the moon [lx], met exactly.
    moon : adds the light that the air scatters, ``MOONLIT_SKY`` × its illuminance on level ground,
        in Rayleigh's 1 + cos²γ about the moon; not its disc, nor its direct light on the scene
        (but the far ground is lit by it). A moon below the horizon adds nothing.
    Returns (n, 3) float32, linear RGB scaled so that Y is luminance [cd/m²]. The parts add up:
    (ambient, moon) = (ambient, None) + (0, moon).

    With μ = cos(zenith angle), L = L_z·[1 + (k − 1)(1 − μ)^p] and 2π∫Lμ dμ = ambient give
    L_z = ambient / (2π·[½ + (k − 1)/((p + 1)(p + 2))]). The form is ours; p = 4.
    """
    d = np.asarray(directions, dtype=np.float64)
    shape = _SHAPES[surroundings]
    zenith, horizon = _of_unit_y(shape.zenith_rgb), _of_unit_y(shape.horizon_rgb)
    p = _HORIZON_POWER
    band_share = (shape.horizon - 1.0) / ((p + 1) * (p + 2))
    zenith_cd_m2 = ambient_lx / (2.0 * np.pi * (0.5 + band_share))

    up = np.clip(d[:, 2], 0.0, 1.0)[:, None]
    band = (shape.horizon - 1.0) * (1.0 - up) ** p
    sky = zenith_cd_m2 * (zenith + band * horizon)
    ground_lx = 2.0 * np.pi * zenith_cd_m2 * (0.5 * zenith + band_share * horizon)

    if moon is not None and moon[0][2] > 0.0:
        towards, moon_lx, moon_rgb = np.asarray(moon[0], np.float64), moon[1], np.asarray(moon[2])
        tint = _of_unit_y(np.asarray(_MOONLIT_RGB) * moon_rgb)
        # ∫(1 + cos²γ)·μ dω over the hemisphere is π(5/4 + z²/4), z the moon's height as a sine.
        scale = MOONLIT_SKY * moon_lx / (np.pi * (1.25 + 0.25 * towards[2] ** 2))
        cos_gamma = (np.column_stack([d[:, :2], up]) @ towards)[:, None]
        sky = sky + scale * (1.0 + cos_gamma**2) * tint
        ground_lx = ground_lx + MOONLIT_SKY * moon_lx * tint + moon_lx * towards[2] * moon_rgb

    t = np.clip(-d[:, 2:3] / _DUSK_SIN, 0.0, 1.0)
    dusk = t * t * (3.0 - 2.0 * t)
    ground = np.asarray(_FAR_GROUND_RGB) * ground_lx / np.pi
    return (sky + dusk * (ground - sky)).astype(np.float32)
