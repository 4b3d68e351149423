"""What is drawn of the sky: its glow behind the house, far trees, stars, and the moon's disc.

``site.sky`` says how much light the sky brings; this module says how it looks. Stars and moon are
given as ``SmallLights``, to be drawn where the sky is seen.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.lamps.colour import rgb_of_cct
from nightview.picture.glare import SmallLights
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

TREES_DEG = 2.1
"""Mean height of the far trees [deg]. Ours: trees of 10 m about 270 m away."""

_LEAFY, _AIR = 0.5, 0.15
"""Luminance of the far trees: a share of the far ground's, and the share of the sky's glow that
the air lays over it. Ours, by eye."""

# How the tree line rises and falls: waves round the horizon, their height [deg] and phase. The
# slow ones are woods and gaps; the bowed ones, |sine|, the round tops of crowns.
_WOODS = ((3, 0.45, 0.7), (7, 0.40, 2.1), (17, 0.30, 4.0), (41, 0.25, 1.3))
_CROWNS = ((83, 0.40, 0.2), (149, 0.32, 1.9), (331, 0.20, 0.9), (701, 0.10, 2.6))
_SOFT_DEG = 0.06

# Stars brighter than magnitude −1, 0 … 5 over the whole sphere (Hipparcos counts, OEIS A053406).
_STAR_MAGNITUDES = np.arange(-1.0, 6.0)
_STAR_COUNTS = np.array([1.0, 4.0, 15.0, 49.0, 172.0, 511.0, 1600.0])
_FAINTEST = {"none": None, "dark": 4.5, "rural": 4.0, "suburban": 2.0, "city": None}


def drawn_sky(
    directions: NDArray[np.floating],
    surroundings: str,
    ambient_lx: float,
    moon: Moon | None = None,
) -> Floats:
    """The sky's glow behind the scene: ``sky_luminance`` of the share of the light that is its own.

    Arguments and result as there: (n, 3) unit vectors to (n, 3) float32 [cd/m²]. Far trees stand
    before it all round the horizon, and before them lies the far ground; both have all the light.
    """
    share = DRAWN_SHARE[surroundings]
    sky = sky_luminance(directions, surroundings, ambient_lx * share, moon)
    low = np.flatnonzero(directions[:, 2] < np.sin(np.radians(3.0 * TREES_DEG)))
    if len(low):
        down = np.array([[1.0, 0.0, -0.1]])
        ground = sky_luminance(down, surroundings, ambient_lx, moon)
        glow = sky[low] - sky_luminance(down, surroundings, ambient_lx * share, moon)
        above = np.clip(0.5 + directions[low, 2] / (2.0 * np.radians(_SOFT_DEG)), 0.0, 1.0)
        far = ground + above[:, None] * ((_LEAFY - 1.0) * ground + _AIR * glow)
        sky[low] += behind_trees(directions[low])[:, None] * (far - sky[low])
    return sky


def behind_trees(directions: NDArray[np.floating]) -> Floats:
    """How far the sky along unit vectors (n, 3) is hidden by the far trees: (n,), 0 to 1."""
    bearing = np.arctan2(directions[:, 0], directions[:, 1])
    top = np.full(len(directions), TREES_DEG - sum(h for _, h, _ in _CROWNS) * 2.0 / np.pi)
    for waves, height, phase in _WOODS:
        top += height * np.sin(waves * bearing + phase)
    for waves, height, phase in _CROWNS:
        top += height * np.abs(np.sin(0.5 * (waves * bearing + phase)))
    over = np.degrees(np.arcsin(np.clip(directions[:, 2], -1.0, 1.0))) - top
    return np.clip(0.5 - over / (2.0 * _SOFT_DEG), 0.0, 1.0).astype(np.float32)


@lru_cache(maxsize=8)
def stars(surroundings: str) -> SmallLights:
    """The stars above the horizon: always the same ones, fewer the brighter the surroundings.

    Those behind the far trees give nothing.

    Places are random, numbers and magnitudes those of the real sky, dimmed towards the horizon.
    Air mass: Kasten & Young 1989.
    """
    faintest = _FAINTEST[surroundings]
    if faintest is None:
        return SmallLights.together([])
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
    lux *= 1.0 - behind_trees(directions)
    return SmallLights(
        directions.astype(np.float32),
        (lux[:, None] * colour).astype(np.float32),
        np.zeros(count, np.float32),
    )


def moon_disc(moon: Moon) -> SmallLights:
    """The moon itself, as one light of its own size; none below the horizon or behind trees."""
    direction, illuminance_lx, rgb = moon
    places = np.asarray(direction, np.float32).reshape(1, 3)
    lux = np.asarray(rgb, np.float32).reshape(1, 3) * np.float32(illuminance_lx)
    seen = (places[:, 2] > 0.0) & (behind_trees(places) < 0.5)
    return SmallLights(places[seen], lux[seen], np.full(seen.sum(), MOON_RADIUS_DEG, np.float32))
