"""A lamp's light as one table, looked up by direction: candela around the lamp's axis.

Every kind of lamp (beam, hat, wash, photometric file) is compiled to this one form.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Intensity:
    """Luminous intensity over the whole sphere around an axis.

    table : (n_phi, n_s) float32. Candela [cd]; column j stands at s = j / (n_s − 1) with
        s = √((1 − cos θ)/2), so that no arccosine is needed and a narrow peak is well resolved;
        θ is the angle from the axis. Row i stands at φ = 2π·i / n_phi counter-clockwise about
        the axis, seen against it (looking from the tip of the axis back to the lamp);
        n_phi is 1 where the light is the same all round.
    flux_lm : float. The integral of the table over the sphere [lm].
    """

    table: Floats
    flux_lm: float
