"""The two skies a photo is taken under: how bright each part of them is, and the sun's share.

Luminance distributions of CIE S 011/E:2003 (ISO 15469:2004): the traditional overcast sky and the
clear one of low turbidity. Only ratios matter to a photo; absolute figures serve as a first guess
of sun to sky where the photo shows no surface both lit and shaded.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nightview.light.gather import sphere_set
from nightview.site.surface import Array

Floats = NDArray[np.float32]

# CIE standard clear sky, type 12: gradation a, b and scattering indicatrix c, d, e.
_A, _B, _C, _D, _E = -1.0, -0.32, 10.0, -3.0, 0.45
_DIRECTIONS = 1 << 14

SUN_RADIUS_DEG = 0.266
"""Mean angular radius of the sun [mem: 31.6 to 32.7 minutes of arc across]."""


@dataclass(frozen=True, eq=False)
class Sky:
    """A sky that brings one lux to open level ground. sun : unit vector towards it, or None for an
    overcast sky."""

    sun: Array | None = None

    def luminance(self, ways: NDArray[np.floating]) -> Floats:
        """Its luminance along unit ways (n, 3) [cd/m² for each lux on the ground]; 0 below."""
        return (self._relative(ways) * np.float32(self._scale)).astype(np.float32)

    def _relative(self, ways: NDArray[np.floating]) -> Array:
        rise = np.asarray(ways, float)[:, 2]
        up = np.maximum(rise, 0.01)  # the horizon's luminance is finite, its gradation's slope not
        if self.sun is None:
            found = (1.0 + 2.0 * up) / 3.0
        else:
            apart = np.arccos(np.clip(ways @ self.sun, -1.0, 1.0))
            scattered = 1.0 + _C * (np.exp(_D * apart) - np.exp(_D * np.pi / 2))
            scattered += _E * np.cos(apart) ** 2
            found = scattered * (1.0 + _A * np.exp(_B / up))
        return np.where(rise > 0, found, 0.0)

    @cached_property
    def _scale(self) -> float:
        if self.sun is None:
            return 9.0 / (7.0 * np.pi)  # E = 7π/9 of the zenith's luminance
        ways = sphere_set(2 * _DIRECTIONS)
        up = np.maximum(ways[:, 2], 0.0)
        return float(1.0 / (4 * np.pi * (self._relative(ways) * up).mean()))


def sun_to_sky(elevation_deg: float) -> float:
    """Light of the sun on a surface that faces it, over light of a clear sky on level ground.

    IES RP-21: 127.5 klx · exp(−0.21/sin h) over 0.8 + 15.5·√(sin h) klx [from memory].
    """
    rise = max(float(np.sin(np.radians(elevation_deg))), 0.02)
    return float(127.5 * np.exp(-0.21 / rise) / (0.8 + 15.5 * np.sqrt(rise)))
