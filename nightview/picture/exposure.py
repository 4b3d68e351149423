"""Exposure as a number: EV100, and the one value that is locked for all pictures of a job."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

METER_K = 12.5
"""Calibration constant of reflected-light meters [cd/m²·s at ISO 100] (ISO 2720)."""

LIT_CD_M2 = 0.15
"""What counts as lit [cd/m²]. Ours: fieldstone in 2 lx; moonlight and stray light stay below."""

ANCHOR_CD_M2 = (0.3, 1.0)
"""Bounds of the anchor [cd/m²], ours: a dim scheme looks dim and a bright one bright."""


def ev100_of_luminance(luminance_cd_m2: float) -> float:
    """EV100 at which a meter is content with this luminance: log2(L·100/K), ISO 2720."""
    return float(np.log2(luminance_cd_m2 * 100.0 / METER_K))


def luminance_of_ev100(ev100: float) -> float:
    """The luminance [cd/m²] that the exposure renders as middle grey: K/100·2^EV, ISO 2720."""
    return METER_K / 100.0 * 2.0**ev100


def anchor_ev100(luminance_cd_m2: ArrayLike, weights: ArrayLike | None = None) -> float:
    """The exposure to lock for a job, from samples of its lit surfaces.

    luminance_cd_m2 : any shape, samples [cd/m²] over the scene with all lamps on; what is not lit
        (below ``LIT_CD_M2``) is left out, so that a wide dark garden does not brighten the house.
    weights : same shape, the area [m²] or solid angle each sample stands for; equal if None.
    Returns EV100 of the weighted log-mean, held inside ``ANCHOR_CD_M2``, to 0.1 EV; the lower
    bound where nothing is lit. ValueError on NaN, infinite samples or negative weights.
    """
    samples = np.asarray(luminance_cd_m2, dtype=np.float64).ravel()
    share = np.ones_like(samples) if weights is None else np.asarray(weights, np.float64).ravel()
    if not (np.isfinite(samples).all() and np.isfinite(share).all() and (share >= 0.0).all()):
        raise ValueError("anchor_ev100: finite luminances and non-negative weights expected")
    lit = samples >= LIT_CD_M2
    total = share[lit].sum()
    low, high = ANCHOR_CD_M2
    mean = float(np.exp(share[lit] @ np.log(samples[lit]) / total)) if total > 0.0 else low
    return round(ev100_of_luminance(min(max(mean, low), high)), 1)
