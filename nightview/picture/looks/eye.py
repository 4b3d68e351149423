"""As the eye sees it: a drawn frame as someone who stands there would see it, shown on a screen.

Three published steps. Where it is dim, the eye resolves less (Ward Larson, Rushmeier & Piatko,
"A visibility matching tone reproduction operator for high dynamic range scenes", IEEE TVCG 3(4),
1997). Rods take over from cones: colour fades towards a bluish grey and bluish light gains on
warm (CIE 191:2010). Then one factor, so that what the eye can just tell apart in the garden is
just told apart on the screen (G. Ward, "A contrast-based scalefactor for luminance display",
Graphics Gems IV, 1994): a dim garden gives a dim picture.

We do not take the 1997 paper's histogram, which would stretch each picture to the whole screen,
nor its threshold of the rods, ΔL ~ L: by it, gardens of any dimness would look equally bright.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from nightview.lamps.colour import RGB_TO_XYZ, Y_WEIGHTS, rgb_of_cct
from nightview.picture.draw import Frame
from nightview.picture.exposure import luminance_of_ev100
from nightview.picture.tone import WHITE_K, Edges, curve
from nightview.picture.tone import develop as develop_tone

Floats = NDArray[np.float32]

SCREEN_WHITE_CD_M2 = 80.0
"""White of the screen the picture is made for (IEC 61966-2-1: sRGB's reference display)."""

MESOPIC_CD_M2 = (0.005, 5.0)
"""Below the first rods see alone, above the second cones do (CIE 191:2010)."""

ROD_WEIGHT = 683.0 / 1699.0
"""V'(λ₀) of CIE 191:2010: what 1 cd/m² of scotopic luminance weighs where cones meet rods."""

NIGHT_TINT = (1.05, 0.97, 1.27)
"""The grey of rods on a screen, linear RGB: F. Durand & J. Dorsey, "Interactive tone mapping",
2000, as Thompson, Shirley & Ferwerda, "A spatial post-processing algorithm for images of night
scenes", 2002, take it [checked in a public program that follows the latter]."""

KNEE = 0.5
"""Share of the screen's white up to which light is shown in proportion; brighter light nears white
without reaching it. Ours: the published factor would cut windows and lenses off flat."""

# CIE 191:2010: m = a + b·log10(L_mes), so that m is 0 and 1 at the ends of MESOPIC_CD_M2.
_M_A, _M_B = 0.767, 0.3334
_ROUNDS = 4  # each brings m some ten times nearer; see the test
_FINEST = 0.1
"""Share of contrast left at the limit of acuity; there, one speaks of limiting resolution."""
_SHARP_PX = 0.35  # a pixel is itself about as blurred as by a Gaussian of this width
_Y = Y_WEIGHTS.astype(np.float32)


def develop(frame: Frame, adapted_cd_m2: float) -> NDArray[np.uint8]:
    """The frame as sRGB codes (h, w, 3) uint8, for an eye adapted to ``adapted_cd_m2``.

    Lock that luminance for a job: then A and B differ by their light alone.
    """
    seen = as_sharp_as_seen(frame.luminance, float(np.degrees(frame.camera.pixel_tan)))
    shown = _for_the_curve(seen, adapted_cd_m2)
    return develop_tone(shown, 0.0, _edges(frame, seen, shown, adapted_cd_m2))


def adaptation_cd_m2(ev100: float) -> float:
    """What the eye is adapted to [cd/m²], from the job's locked exposure.

    That exposure is anchored on the log-mean of what is lit, which is what one looks at, and is
    the same for all pictures of a job.
    """
    return luminance_of_ev100(ev100)


# --- brightness -----------------------------------------------------------------------------------


def threshold_cd_m2(adapted_cd_m2: ArrayLike) -> NDArray[np.float64]:
    """The least step in luminance that an adapted eye tells apart [cd/m²], any shape.

    0.0594·(1.219 + L^0.4)^2.5: Ward 1994, from Blackwell's measurements (CIE 19/2.1) [1.219 and
    the powers checked in public programs that follow the paper, 0.0594 from memory; it cancels in
    ``screen_factor``].
    """
    adapted = np.asarray(adapted_cd_m2, np.float64)
    return np.asarray(0.0594 * (1.219 + adapted**0.4) ** 2.5)


def screen_factor(adapted_cd_m2: float) -> float:
    """Luminance on the screen for one in the garden: the ratio of the eye's two thresholds.

    Before the screen, the eye is adapted to half its white (Ward 1994).
    """
    return float(threshold_cd_m2(SCREEN_WHITE_CD_M2 / 2) / threshold_cd_m2(adapted_cd_m2))


def shown_share(luminance_cd_m2: ArrayLike, adapted_cd_m2: float) -> Floats:
    """Linear screen value 0 to 1 for a luminance [cd/m²], any shape: in proportion up to KNEE."""
    x = np.asarray(luminance_cd_m2, np.float32)
    x = np.maximum(x, 0.0) * np.float32(screen_factor(adapted_cd_m2) / SCREEN_WHITE_CD_M2)
    room = np.float32(1.0 - KNEE)
    bent = 1 - room * np.exp(-np.maximum(x - np.float32(KNEE), 0.0) / room)
    return np.where(x <= KNEE, x, bent).astype(np.float32)


# --- colour ---------------------------------------------------------------------------------------


def scotopic_ratio(rgb: Floats) -> Floats:
    """Scotopic over photopic luminance (S/P) of linear RGB, (..., 3) to (...); 0 for black.

    1.33·(1 + (Y + Z)/X) − 1.68: Ward Larson et al. 1997, a fit over many spectra [checked in
    Radiance's pcond, by the paper's first author].
    """
    x, y, z = np.moveaxis(rgb @ RGB_TO_XYZ.T.astype(np.float32), -1, 0)
    lit = x > 1e-12
    ratio = 1.33 * (1 + (y + z) / np.where(lit, x, 1)) - 1.68
    return np.where(lit, np.maximum(ratio, 0), 0).astype(np.float32)


def cone_share(luminance_cd_m2: Floats, ratio: Floats) -> Floats:
    """The adaptation coefficient m of CIE 191:2010: 0 where rods see alone, 1 where cones do.

    Solved with the mesopic luminance, as the report says, by repeated insertion. Each pixel is
    its own surround: local luminance rules mesopic adaptation (T. Uchida, Toyohashi 2017).
    """
    photopic = np.maximum(luminance_cd_m2, np.float32(1e-6))
    m: Floats = np.full(photopic.shape, 0.5, np.float32)
    for _ in range(_ROUNDS):
        found = _M_A + _M_B * np.log10(_mesopic(photopic, ratio, m))
        m = np.clip(found, 0.0, 1.0).astype(np.float32)
    return m


def _mesopic(photopic: Floats, ratio: Floats, m: Floats) -> Floats:
    """Mesopic luminance of CIE 191:2010 [cd/m²]."""
    rods = (1 - m) * np.float32(ROD_WEIGHT)
    mixed: Floats = np.maximum(photopic * (m + rods * ratio) / (m + rods), np.float32(1e-9))
    return mixed


def night_colour(rgb: Floats) -> Floats:
    """Linear RGB [cd/m²] (..., 3) as cones and rods see it together; its Y is mesopic luminance.

    The cones' part keeps its colour, the rods' part is ``NIGHT_TINT``; both weigh as in CIE 191.
    """
    photopic, ratio = np.maximum(rgb @ _Y, 0), scotopic_ratio(rgb)
    m = cone_share(photopic, ratio)
    rods = (1 - m) * np.float32(ROD_WEIGHT)
    grey = (rods * ratio * photopic)[..., None] * _tint()
    seen: Floats = (m[..., None] * rgb + grey) / (m + rods)[..., None]
    return seen


@lru_cache(maxsize=1)
def _tint() -> Floats:
    """The grey of rods in the frame's own RGB, Y = 1: the tone curve balances ``WHITE_K`` away."""
    tint = rgb_of_cct(WHITE_K) * NIGHT_TINT
    return (tint / (Y_WEIGHTS @ tint)).astype(np.float32)


# --- sharpness ------------------------------------------------------------------------------------


def acuity_cpd(luminance_cd_m2: ArrayLike) -> NDArray[np.float64]:
    """The finest grating an eye resolves [cycles per degree], any shape; at least 1.

    17.25·arctan(1.4·log10 L + 0.35) + 25.72: Ward Larson et al. 1997, fitted to Shlaer's data
    [from memory; the test holds it against the data].
    """
    log = np.log10(np.maximum(np.asarray(luminance_cd_m2, np.float64), 1e-6))
    return np.maximum(17.25 * np.arctan(1.4 * log + 0.35) + 25.72, 1.0)


def as_sharp_as_seen(rgb: Floats, pixel_deg: float) -> Floats:
    """A frame (h, w, 3) in which no detail is finer than the eye resolves at its luminance.

    What counts is the mean over one degree, which the fovea sees at once. Blur is mixed from
    layers whose widths double, so that ``_FINEST`` of contrast is left at the limit; a frame that
    needs none comes back as it is.
    """
    window = max(1, round(1.0 / pixel_deg))
    around = ndimage.uniform_filter(np.maximum(rgb @ _Y, 0), window, mode="nearest")
    # A Gaussian leaves exp(−2π²σ²f²) of a grating of f cycles a degree.
    width_deg = np.sqrt(-np.log(_FINEST) / 2) / (np.pi * acuity_cpd(around))
    width = (width_deg / pixel_deg).astype(np.float32)
    if width.max() <= _SHARP_PX:
        return rgb
    out, layer, had, goal = rgb.copy(), rgb, _SHARP_PX, 2 * _SHARP_PX
    while True:
        more = float(np.sqrt(goal**2 - had**2))
        finer, layer = layer, ndimage.gaussian_filter(layer, (more, more, 0), mode="nearest")
        left = [_FINEST ** ((layer_px / width) ** 2) for layer_px in (had, goal)]
        between = np.maximum(left[0] - left[1], np.float32(1e-12))
        share = np.clip((left[0] - _FINEST) / between, 0.0, 1.0)
        out += share[..., None] * (layer - finer)
        if goal >= width.max():
            return out
        had, goal = goal, 2 * goal


# --- to the screen --------------------------------------------------------------------------------


def _for_the_curve(rgb: Floats, adapted_cd_m2: float) -> Floats:
    """Linear RGB that the tone curve at EV 0 shows as bright as ``shown_share`` says."""
    seen = night_colour(rgb)
    luminance = np.maximum(seen @ _Y, np.float32(1e-9))
    wanted = shown_share(luminance, adapted_cd_m2)
    shown: Floats = seen * (_before_the_curve(wanted) / luminance)[..., None]
    return shown


def _before_the_curve(share: Floats) -> Floats:
    log_share, log_luminance = _inverse()
    return np.exp(np.interp(np.log(np.maximum(share, 1e-9)), log_share, log_luminance)).astype(
        np.float32
    )


@lru_cache(maxsize=1)
def _inverse() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The tone curve at EV 0 as a table of logarithms: of what it shows, and of the luminance."""
    luminance = np.geomspace(1e-7, 64.0 * luminance_of_ev100(0.0), 2000)
    return np.log(curve(luminance, 0.0).astype(np.float64)), np.log(luminance)


def _edges(frame: Frame, seen: Floats, shown: Floats, adapted_cd_m2: float) -> Edges:
    """The frame's edges after the same steps; where blur has softened the pixel, none are left."""
    at = frame.edges.rows, frame.edges.columns
    sharp = np.abs(seen[at] - frame.luminance[at]).max(axis=-1) <= 1e-3 * frame.luminance[at].max(
        axis=-1
    )
    rows, columns = at[0][sharp], at[1][sharp]
    samples = seen[rows, columns, None] + frame.edges.apart[sharp]
    apart = _for_the_curve(np.maximum(samples, 0), adapted_cd_m2) - shown[rows, columns, None]
    return Edges(rows, columns, apart)
