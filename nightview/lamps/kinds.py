"""The shapes of light a lamp can be stated by, each compiled to an ``Intensity``.

θ = 0 is the lamp's axis, the way it is aimed; a hat or a hanging lamp has its axis straight down.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.lamps.intensity import Intensity

Angles = NDArray[np.float64]

SPILL = 0.012
"""Light beside the beam, as a share of the peak; common practice, no single source (1 to 2 %)."""

HAT_CUTOFF_DEG = 80.0
"""Where a path light's hat hides its source; common practice, no single source (75 to 80 deg)."""

# Below this share of the peak a beam is dark: light that no one can see would keep whole fields of
# surface from being culled. It holds less than 1e-7 of the flux.
_DARK = 1e-7

# A lens shines forward, and is seen ever more edge-on: whole to the first angle, not at all from the
# second. A step about 80 deg; a sudden end there would draw a black band along a lit wall's foot.
_EDGE_DEG = (70.0, 90.0)

# A Gaussian's full width at a tenth of its peak over that at half: √(log2 10).
_FIELD_OF_BEAM = np.sqrt(np.log2(10.0))

# A path light under its hat, measured straight down against its peak, and the angle at which the
# whole source is in sight, as a share of the cut-off. Our choice: with these, 100 lm hats 24 in
# high and 8 ft apart give the 9 lx mean and 3.3 to 3.8 mean to least that the trade reckons with.
_HAT_DOWN = 0.35
_HAT_FULL = 0.65


@lru_cache(maxsize=256)
def beam(
    flux_lm: float,
    beam_deg: float | None = None,
    field_deg: float | None = None,
    spill: float = SPILL,
) -> Intensity:
    """A round beam of flux_lm [lm] with spill beside it.

    beam_deg : full width at half the peak; field_deg : full width at a tenth. With one of them the
        beam is a Gaussian, exp(−4 ln 2·(θ/B)²); with both, exp(−ln 2·(2θ/B)^p), p chosen so that
        both hold.
    spill : share of the peak that the lens scatters, as a matte disc does: by the cosine of the
        angle off the axis. What the beam has beyond 70 deg fades, smoothly, to nothing at 90 deg.
        The beam is drawn in by a hair so that half and tenth of the peak of the *sum* stand at the
        stated angles. It adds up: a spill of 1.2 % of the peak takes a twelfth of the lumens of a
        36 deg lamp, and most of a 10 deg lamp's. With 0 the bare
        formula holds, tail and all; but a beam wider than 90 deg, an open lens, still fades.
    """
    width = beam_deg if beam_deg is not None else (field_deg or 0.0) / _FIELD_OF_BEAM
    bare = spill == 0.0 and width <= 90.0
    scale, power = _falloff(beam_deg, field_deg, spill, bare)

    def shape(theta: Angles) -> Angles:
        light = (1.0 - spill) * np.exp(-((theta / scale) ** power))
        return _with_spill(light * (1.0 if bare else _edge(theta)), theta, spill)

    return Intensity.from_axial(shape, flux_lm=flux_lm)


def _falloff(
    beam_deg: float | None, field_deg: float | None, spill: float, bare: bool = False
) -> tuple[float, float]:
    """Scale [rad] and power p of exp(−(θ/scale)^p), that with spill and fade meets the angles."""
    stated = ((beam_deg, 0.5, "beam"), (field_deg, 0.1, "field"))
    marks = [
        (np.radians(full_deg / 2.0), _depth(full_deg, share, spill, key, bare))
        for full_deg, share, key in stated
        if full_deg is not None
    ]
    if not marks:
        raise NightviewError("beam", "a beam needs its width", 'write beam = "36 deg"')
    (angle, depth), power = marks[0], 2.0
    if len(marks) == 2:
        wider, deeper = marks[1]
        power = np.log(deeper / depth) / np.log(wider / angle) if wider > angle else np.inf
        if not 1.0 <= power <= 40.0:
            raise NightviewError(
                "field",
                f"a field of {field_deg:g} deg does not go with a beam of {beam_deg:g} deg",
                "the field (to a tenth of the peak) is 1.1 to 3 times the beam (to half of it); "
                'for other shapes write kind = "table" or "file"',
            )
    return float(angle / depth ** (1.0 / power)), float(power)


def _depth(full_deg: float, share: float, spill: float, key: str, bare: bool) -> float:
    """−ln of what the beam itself must come down to, so that with spill it is share of peak."""
    angle = np.radians(full_deg / 2.0)
    spill_here = spill * max(float(np.cos(angle)), 0.0)
    edge = 1.0 if bare else max(float(_edge(angle)), 1e-9)
    if share >= edge + spill_here:
        raise NightviewError(
            key,
            f"{full_deg:g} deg is wider than a lens shines: its light is gone at 180 deg",
            'write a smaller angle; for other shapes write kind = "table" or "file"',
        )
    if spill_here >= share:
        raise NightviewError(
            "spill",
            f"a spill of {spill:g} of the peak is brighter than the edge of the {key}, {share:.3g}",
            "write a spill of 0.05 or less",
        )
    return float(-np.log((share - spill_here) / (edge * (1.0 - spill))))


def _with_spill(light: Angles, theta: Angles, spill: float) -> Angles:
    """Light with the lens's scatter, and none where it is too weak to be worth culling for."""
    light = light + spill * np.maximum(np.cos(theta), 0.0)
    return np.where(light < _DARK, 0.0, light)


def _edge(theta: Angles | float) -> Angles:
    """What of the lens is seen: 1 to 70 deg, 0 from 90 deg on, a smooth step between."""
    start, end = np.radians(_EDGE_DEG)
    left = np.clip((end - np.asarray(theta)) / (end - start), 0.0, 1.0)
    edge: Angles = left * left * (3.0 - 2.0 * left)
    return edge


@lru_cache(maxsize=64)
def hat(flux_lm: float, cutoff_deg: float = HAT_CUTOFF_DEG) -> Intensity:
    """A diffuse source under an opaque hat, axis straight down, as in a path light.

    An upright diffuse source shines as sin θ and the lit underside of the hat as cos θ. The rim
    hides it from the top down: a source point at depth d under a rim of radius r is seen within
    cot θ > d/r, so the share in sight grows with cot θ from the cut-off inwards, here for a
    source that tapers to the top. The maximum is broad and lies near 53 deg for the default; at
    the cut-off the intensity is exactly 0 and falls to it in a straight line.

    cutoff_deg : angle from straight down beyond which nothing of the source is seen, to 90 deg.
    """
    hidden = 1.0 / np.tan(np.radians(cutoff_deg))
    whole = 1.0 / np.tan(np.radians(_HAT_FULL * cutoff_deg))

    def shape(theta: Angles) -> Angles:
        below = np.clip(theta, 1e-9, np.pi / 2.0)
        seen = np.clip((1.0 / np.tan(below) - hidden) / (whole - hidden), 0.0, 1.0)
        shine = np.sin(below) + _HAT_DOWN * np.cos(below)
        return np.where(theta < np.radians(cutoff_deg), shine * (1.0 - (1.0 - seen) ** 2), 0.0)

    return Intensity.from_axial(shape, flux_lm=flux_lm)


@lru_cache(maxsize=64)
def omni(flux_lm: float) -> Intensity:
    """The same in every direction: I = Φ / 4π, as a frosted globe or lantern."""
    return Intensity.from_axial(np.ones_like, flux_lm=flux_lm)


@lru_cache(maxsize=64)
def wash(
    flux_lm: float, beam_deg: float, width_deg: float | None = None, spill: float = SPILL
) -> Intensity:
    """A wide lens: an elliptical Gaussian with spill, all of it before the lens.

    beam_deg : full width at half the peak in the plane φ = 0, π, which a fixture without roll
        holds upright; width_deg : the same across it, in φ = ±π/2; as beam_deg if not given.
    spill : share of the peak that the lens scatters, by the cosine of the angle off the axis; the
        beam itself fades from 70 to 90 deg, and half the peak stands at the stated angles.
    """
    width_deg = beam_deg if width_deg is None else width_deg
    along, _ = _falloff(beam_deg, None, spill)
    across, _ = _falloff(width_deg, None, spill)

    def shape(theta: Angles, phi: Angles | float) -> Angles:
        spread = (np.cos(phi) / along) ** 2 + (np.sin(phi) / across) ** 2
        light = (1.0 - spill) * np.exp(-(theta**2) * spread)
        return _with_spill(light * _edge(theta), theta, spill)

    if beam_deg == width_deg:
        return Intensity.from_axial(lambda theta: shape(theta, 0.0), flux_lm=flux_lm)
    # Along the arc at the longer half width the exponent swings by ln 2·(ratio² − 1); enough rows
    # that linear steps between them miss it by a thousandth.
    swing = np.log(2.0) * ((max(along, across) / min(along, across)) ** 2 - 1.0)
    rows = int(np.clip(np.ceil(2.0 * np.pi * np.sqrt(swing / 0.004) / 4.0) * 4.0, 72, 720))
    return Intensity.from_polar(shape, n_phi=rows, flux_lm=flux_lm)


@lru_cache(maxsize=64)
def linear(flux_lm: float, beam_deg: float = 120.0) -> Intensity:
    """A row of light, all of it together: to be shared out evenly over the lamp's length.

    The length lies along φ = ±π/2. Along it the row is matte: I falls as the cosine of the angle
    out of the plane square to it. In that plane, φ = 0, π, I falls as cosᵐ of the angle from the
    axis, with m so that half the peak stands at beam_deg. 120 deg, a bare strip, is matte both
    ways, I = Φ/π·cos θ; a narrower one has a lens. Nothing shines behind.

    Φ = I0·(π/2)·∫cosᵐα dα, since dΩ = cos β dβ dα for an angle α in the plane and β out of it.
    """
    power = float(np.log(0.5) / np.log(np.cos(np.radians(beam_deg / 2.0))))
    if abs(power - 1.0) < 1e-6:
        return Intensity.from_axial(lambda theta: np.maximum(np.cos(theta), 0.0), flux_lm=flux_lm)

    def shape(theta: Angles, phi: Angles) -> Angles:
        ahead = np.maximum(np.cos(theta), 0.0)
        level = np.hypot(ahead, np.sin(theta) * np.cos(phi))  # the cosine out of the plane, β
        light = level * (ahead / np.maximum(level, 1e-12)) ** power
        return np.where((ahead > 0.0) & (light >= _DARK), light, 0.0)

    # At 80 deg, across the length's own direction, I bends by |m − 1|·tan²θ; enough rows that
    # linear steps between them miss it by a hundredth of what is left there.
    bend = max(abs(power - 1.0), 0.1) * np.tan(np.radians(80.0)) ** 2
    rows = int(np.clip(np.ceil(2.0 * np.pi / np.sqrt(8.0 * 0.01 / bend) / 4.0) * 4.0, 72, 720))
    return Intensity.from_polar(shape, n_phi=rows, flux_lm=flux_lm)


@lru_cache(maxsize=64)
def table(pairs: tuple[tuple[float, float], ...]) -> Intensity:
    """Candela read off a data sheet: pairs of angle from the axis [deg] and intensity [cd].

    Linear in the angle between the pairs, the same all round, nothing beyond the last angle.
    """
    angle, candela = np.array(pairs, dtype=np.float64).T
    if angle[0] != 0.0 or angle[-1] > 180.0 or (np.diff(angle) <= 0.0).any():
        raise NightviewError(
            "intensity",
            "the angles must rise from 0 deg, on the axis, to at most 180 deg",
            'write intensity = [["0 deg", "900 cd"], ["18 deg", "450 cd"], ["40 deg", "0 cd"]]',
        )
    if (candela < 0.0).any() or not candela.any():
        raise NightviewError("intensity", "the candela must not be negative, nor all 0")
    return Intensity.from_axial(
        lambda theta: np.interp(np.degrees(theta), angle, candela, right=0.0)
    )
