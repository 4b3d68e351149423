"""What is drawn of the sky: its glow behind the house, stars, and the moon's disc.

``site.sky`` says how much light the sky brings; this module says how it looks. Stars and moon are
given as illuminance at the eye, to be drawn with ``glare.splat`` where the sky is seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.lamps.colour import rgb_of_cct
from nightview.site.sky import Moon, sky_luminance

Floats = NDArray[np.float32]

DRAWN_SHARE: dict[str, float] = {
    "none": 1.0,
    "dark": 1.0,
    "rural": 0.5,
    "suburban": 0.1,
    "city": 0.05,
}
"""Share of the ambient light that is the sky's own and is seen as its glow. Ours: the rest comes
from street lamps and windows round about, which are not drawn; a sky that brought all of it
would look like dusk. Leaves a zenith of .006 (dark), .01, .02, .03 cd/m² (city)."""

ZERO_MAGNITUDE_LX = 2.54e-6
"""Illuminance of a star of magnitude 0 outside the atmosphere [lx]: the photometric zero point."""

EXTINCTION_MAG = 0.25
"""Loss in clear air [magnitudes] a thickness of the atmosphere, straight up being 1 [mem]."""

MOON_RADIUS_DEG = 0.26
"""Angular radius of the moon [deg] [mem: 29 to 34 minutes of arc across]."""

# Stars brighter than magnitude −1, 0 … 5 over the whole sphere (Hipparcos counts, OEIS A053406).
_STAR_MAGNITUDES = np.arange(-1.0, 6.0)
_STAR_COUNTS = np.array([1.0, 4.0, 15.0, 49.0, 172.0, 511.0, 1600.0])
_FAINTEST = {"none": None, "dark": 4.5, "rural": 4.0, "suburban": 2.0, "city": None}


@dataclass(frozen=True, eq=False)
class SkyLights:
    """Lights in the sky, as ``glare.splat`` takes them once they are projected.

    directions : (n, 3) unit vectors, z up; illuminance_lx : (n, 3), facing the eye, linear RGB;
    radius_deg : angular radius of each.
    """

    directions: Floats
    illuminance_lx: Floats
    radius_deg: float


def drawn_sky(
    directions: NDArray[np.floating],
    surroundings: str,
    ambient_lx: float,
    moon: Moon | None = None,
) -> Floats:
    """The sky's glow behind the scene: ``sky_luminance`` of the share of the light that is its own.

    Arguments and result as there: (n, 3) unit vectors to (n, 3) float32 [cd/m²].
    """
    share = DRAWN_SHARE[surroundings]
    return sky_luminance(directions, surroundings, ambient_lx * share, moon)


@lru_cache(maxsize=8)
def stars(surroundings: str) -> SkyLights:
    """The stars above the horizon: always the same ones, fewer the brighter the surroundings.

    Places are random, numbers and magnitudes those of the real sky, dimmed towards the horizon.
    Air mass: Kasten & Young 1989.
    """
    faintest = _FAINTEST[surroundings]
    if faintest is None:
        nothing = np.zeros((0, 3), np.float32)
        return SkyLights(nothing, nothing, 0.0)
    log_counts = np.log10(_STAR_COUNTS / 2.0)  # half of the sphere is above the horizon
    count = int(10.0 ** np.interp(faintest, _STAR_MAGNITUDES, log_counts))
    magnitude = np.interp(np.log10(np.arange(count) + 0.5), log_counts, _STAR_MAGNITUDES)

    # The generator whose stream numpy promises never to change (NEP 19).
    up, bearing, warmth = np.random.RandomState(7).random_sample((count, 3)).T
    flat = np.sqrt(1.0 - up**2)
    turn = 2.0 * np.pi * bearing
    directions = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), up])

    height_deg = np.degrees(np.arcsin(up))
    air_mass = 1.0 / (up + 0.50572 * (height_deg + 6.07995) ** -1.6364)
    lux = ZERO_MAGNITUDE_LX * 10.0 ** (-0.4 * (magnitude + EXTINCTION_MAG * air_mass))
    colour = np.array([rgb_of_cct(float(np.rint(3500.0 + 7000.0 * w))) for w in warmth])
    return SkyLights(directions.astype(np.float32), (lux[:, None] * colour).astype(np.float32), 0.0)


def moon_disc(moon: Moon) -> SkyLights:
    """The moon itself, as one light of its own size; none below the horizon."""
    direction, illuminance_lx, rgb = moon
    seen = 1 if direction[2] > 0.0 else 0
    return SkyLights(
        np.asarray(direction, np.float32).reshape(1, 3)[:seen],
        (np.asarray(rgb, np.float32) * np.float32(illuminance_lx)).reshape(1, 3)[:seen],
        MOON_RADIUS_DEG,
    )
