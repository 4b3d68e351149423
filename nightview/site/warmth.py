"""Which colour temperature suits a surface, and how far its look shifts between two of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.difference import ciede2000, lab_of
from nightview.site.materials import MaterialSpec

WARM_K, NEUTRAL_K = 2700.0, 3000.0
"""Common practice, no single source: red and brown brick, cedar and tan stone look best at 2700 K;
grey stone, limestone, white siding, foliage and water at 3000 K."""

ALIKE_MIRED = 10.0
"""Colour temperatures this close look alike (a step of about 5 mired is just seen side by side;
the bound is ours)."""

# A surface is warm-coloured where CIELAB, in daylight, has it between red and yellow with some
# chroma for its lightness. The limits are ours: the materials named above fall where they should.
_WARM_HUES_DEG = (15.0, 85.0)
_LEAST_CHROMA = 0.16
_WORDS = ((1.0, "not to be seen"), (3.0, "hardly to be seen"), (6.0, "visible"))
"""How a difference ΔE00 below so much shows side by side; beyond, plainly. About 1 is the least
that is seen (of the order of the tolerances in ISO 12646 and in trade use; the words are ours)."""


def suited_cct(spec: MaterialSpec) -> float:
    """The colour temperature that flatters a material [K]."""
    lightness, a, b = lab_of(spec.rgb)
    hue = np.degrees(np.arctan2(b, a)) % 360
    low, high = _WARM_HUES_DEG
    warm = low <= hue <= high and np.hypot(a, b) > _LEAST_CHROMA * lightness
    return WARM_K if warm else NEUTRAL_K


def shift(spec: MaterialSpec, from_k: float, to_k: float) -> float:
    """ΔE00 between a material under two colour temperatures at the same lux, side by side before
    one eye, which is adapted half-way between them (mean mired)."""
    middle = rgb_of_cct(2e6 / (1e6 / from_k + 1e6 / to_k))
    seen = [lab_of(np.asarray(spec.rgb) * rgb_of_cct(cct), middle) for cct in (from_k, to_k)]
    return float(ciede2000(*seen))


def nearest_cct(offered_k: Sequence[float], wanted_k: float) -> float:
    """Of some colour temperatures the one that looks nearest to another (in mired)."""
    return min(offered_k, key=lambda cct: abs(1e6 / cct - 1e6 / wanted_k))


def advice(spec: MaterialSpec, offered_k: Sequence[float]) -> str:
    """One sentence for the client on a surface under the colour temperatures compared."""
    suited = suited_cct(spec)
    best = nearest_cct(offered_k, suited)
    others = [cct for cct in sorted(set(offered_k)) if cct != best]
    name = spec.name[:1].upper() + spec.name[1:]
    if not others:
        return f"{name}: {best:.0f} K."
    why = "its own warm colour stays rich" if suited == WARM_K else "it stays clean"
    if abs(1e6 / best - 1e6 / suited) > ALIKE_MIRED:
        why = f"the nearest of these to {suited:.0f} K, which suits it"
    farthest = max(others, key=lambda cct: shift(spec, best, cct))
    amount = shift(spec, best, farthest)
    word = next((word for limit, word in _WORDS if amount < limit), "plain to see")
    return (
        f"{name}: {best:.0f} K flatters it most, {why}; against {farthest:.0f} K its colour shifts "
        f"by {amount:.0f} (CIEDE2000), {word} side by side."
    )
