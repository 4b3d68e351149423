"""A lamp's light as one table, looked up by direction: candela around the lamp's axis.

Every kind of lamp (beam, hat, wash, photometric file) is compiled to this one form.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float32]
Angles = NDArray[np.float64]

_LEAST_COLUMNS = 4097
_MOST_COLUMNS = 32769
_FLUX_TOLERANCE = 1e-6
SHIELD_SOFT_DEG = 10.0
"""Width of a collar's soft edge, since a rim covers a lens little by little; our choice: it hangs on
the collar's length, which nobody states."""


@dataclass(frozen=True, eq=False)
class Intensity:
    """Luminous intensity over the whole sphere around an axis.

    table : (n_phi, n_s) float32. Candela [cd]; column j stands at s = j / (n_s − 1) with
        s = √((1 − cos θ)/2), so that no arccosine is needed and a narrow peak is well resolved;
        θ is the angle from the axis. Row i stands at φ = 2π·i / n_phi counter-clockwise about
        the axis, seen against it (looking from the tip of the axis back to the lamp);
        n_phi is 1 where the light is the same all round. Between, linear in s and in φ. With
        4097 columns they are .03° apart on the axis, .04° at its side, 2.5° straight behind.
    flux_lm : float. The integral of the table over the sphere [lm].
    """

    table: Floats
    flux_lm: float

    def __post_init__(self) -> None:
        table: Floats = np.array(self.table, dtype=np.float32, order="C")
        if not (np.isfinite(table).all() and (table >= 0.0).all()):
            raise ValueError("an intensity is finite and never negative")
        if abs(_flux(table) - self.flux_lm) > 1e-3 * max(self.flux_lm, 1e-30):
            raise ValueError(f"the table holds {_flux(table):g} lm, not {self.flux_lm:g} lm")
        table.setflags(write=False)
        object.__setattr__(self, "table", table)

    # --- making one -------------------------------------------------------------------------------

    @classmethod
    def from_table(cls, table: ArrayLike) -> Intensity:
        """From candela (n_phi, n_s) as laid out above; the flux follows."""
        candela: Floats = np.asarray(table, dtype=np.float32)
        return cls(candela, _flux(candela))

    @classmethod
    def from_axial(
        cls,
        function: Callable[[Angles], Angles],
        *,
        n: int = _LEAST_COLUMNS,
        flux_lm: float | None = None,
    ) -> Intensity:
        """From candela as a function of θ [rad], (n,) to (n,), the same all round.

        n : least number of columns. It is doubled until the flux is settled to 1e-6, or to
            32769 columns, where a step in the function is .006° wide.
        flux_lm : total to scale to [lm]; the function then needs no unit.
        """
        while True:
            table = function(_theta(n))[np.newaxis, :]
            change = abs(_flux(table) - _flux(table[:, ::2]))
            if change <= _FLUX_TOLERANCE * _flux(table) or n >= _MOST_COLUMNS:
                return cls._normalised(table, flux_lm)
            n = 2 * n - 1

    @classmethod
    def from_polar(
        cls,
        function: Callable[[Angles, Angles], Angles],
        *,
        n_phi: int,
        n: int = 2049,
        flux_lm: float | None = None,
    ) -> Intensity:
        """From candela as a function of θ (1, n) and φ (n_phi, 1) [rad], to (n_phi, n).

        flux_lm : total to scale to [lm]; the function then needs no unit.
        """
        phi = 2.0 * np.pi * np.arange(n_phi) / n_phi
        return cls._normalised(function(_theta(n)[np.newaxis, :], phi[:, np.newaxis]), flux_lm)

    @classmethod
    def _normalised(cls, table: Angles, flux_lm: float | None) -> Intensity:
        if flux_lm is None:
            return cls.from_table(table)
        return cls((table * (flux_lm / _flux(table))).astype(np.float32), float(flux_lm))

    def scaled(self, factor: float) -> Intensity:
        """The same shape with candela and lumens times factor."""
        return Intensity(self.table * np.float32(factor), self.flux_lm * factor)

    def shielded(self, cutoff_deg: float) -> Intensity:
        """The same lamp within a collar that stops light farther than so far off the axis [deg].

        The edge is as soft as a lens before a collar makes it, SHIELD_SOFT_DEG wide; what the collar
        stops is lost, so the lumens are fewer.
        """
        off = np.degrees(_theta(self.table.shape[1])) - cutoff_deg
        passed = np.clip(0.5 - off / SHIELD_SOFT_DEG, 0.0, 1.0)
        return Intensity.from_table(self.table * passed.astype(np.float32))

    # --- asking it --------------------------------------------------------------------------------

    def at(self, cos_theta: ArrayLike, phi: ArrayLike | None = None) -> Floats:
        """Intensity [cd] float32 in the directions given.

        cos_theta : cosine of the angle from the axis; past ±1 by rounding is taken as ±1.
        phi : angle about the axis [rad], any turn. Not looked at when ``axial``: the result then
            has the shape of cos_theta, else that of both together.
        """
        cosine = np.asarray(cos_theta)
        last = self.table.shape[1] - 1
        # In place from here on: with millions of points the temporaries are the cost.
        # 1 − cos is taken in the caller's precision, since it cancels near the axis.
        place: Floats = np.atleast_1d((1.0 - cosine).astype(np.float32, copy=False))
        place *= np.float32(0.5 * last**2)
        np.clip(place, 0.0, np.float32(last**2), out=place)
        np.sqrt(place, out=place)
        column = place.astype(np.int32)
        np.minimum(column, last - 1, out=column)
        place -= column
        if self.axial:
            return self._between(column, place).reshape(cosine.shape)
        if phi is None:
            raise ValueError("this lamp's light is not the same all round: phi is needed")
        n_phi = self.table.shape[0]
        turn: Floats = np.atleast_1d(
            np.asarray(phi, dtype=np.float32) * np.float32(n_phi / (2.0 * np.pi))
        )
        whole = np.floor(turn)
        turn -= whole
        row = whole.astype(np.int32)
        row %= n_phi
        shape = np.broadcast_shapes(cosine.shape, np.shape(phi))
        row, column, place, turn = np.broadcast_arrays(row * (last + 1), column, place, turn)
        here = self._between(row + column, place)
        there = self._between(row + column + (last + 1), place)
        there -= here
        there *= turn
        there += here
        return there.reshape(shape)

    def _between(self, index: NDArray[Any], fraction: Floats) -> Floats:
        values, slopes = self._flat
        result: Floats = slopes.take(index, mode="clip")
        result *= fraction
        result += values.take(index, mode="clip")
        return result

    @cached_property
    def _flat(self) -> tuple[Floats, Floats]:
        """Values and steps to the next column, row after row, the first row again at the end."""
        table = self.table if self.axial else np.vstack([self.table, self.table[:1]])
        return table.ravel(), np.diff(table, axis=1, append=table[:, -1:]).ravel()

    @property
    def axial(self) -> bool:
        """Whether the light is the same all round the axis."""
        return self.table.shape[0] == 1

    @cached_property
    def peak_cd(self) -> float:
        """The greatest intensity in any direction [cd]."""
        return float(self.table.max())

    @cached_property
    def cutoff_cos(self) -> float:
        """Cosine of the angle from the axis beyond which there is exactly no light; −1 if none."""
        lit = np.flatnonzero(self.table.any(axis=0))
        last = self.table.shape[1] - 1
        # The table is linear between columns: light ends at the first dark column.
        edge = min(int(lit[-1]) + 1, last) if lit.size else 0
        return 1.0 - 2.0 * (edge / last) ** 2

    def at_most_beyond(self, cos_theta: NDArray[np.float64]) -> Floats:
        """The greatest intensity at this angle from the axis or any wider one [cd]."""
        last = self.table.shape[1] - 1
        place = last * np.sqrt(np.clip((1.0 - cos_theta) / 2, 0.0, 1.0))
        return self._wider[place.astype(np.intp)]

    @cached_property
    def _wider(self) -> Floats:
        envelope: Floats = self.table.max(axis=0)
        return np.maximum.accumulate(envelope[::-1])[::-1]

    def width_deg(self, share: float, phi: float = 0.0) -> float:
        """Full angle [deg] at which the intensity last falls below share of the peak.

        share : 0.5 gives the beam angle, 0.1 the field angle. phi : half-plane to look in [rad].
        """
        theta = _theta(self.table.shape[1])
        above = np.flatnonzero(self.at(np.cos(theta), phi) >= share * self.peak_cd)
        return float(np.degrees(2.0 * theta[above[-1]])) if above.size else 0.0


def _theta(n: int) -> Angles:
    """Angle from the axis (n,) [rad] of each column."""
    theta: Angles = 2.0 * np.arcsin(np.linspace(0.0, 1.0, n))
    return theta


def _flux(table: NDArray[Any]) -> float:
    """Integral of a table over the sphere [lm], exact for the way it is looked up.

    With s = √((1 − cos θ)/2) the solid angle is dΩ = 4·s·ds·dφ; I is linear in s between columns,
    so each hat function of column j integrates to s·h, and at the two ends to h²/6 and h/2 − h²/6.
    Round the axis, equal steps and linear between: the mean row.
    """
    if table.ndim != 2 or table.shape[0] < 1 or table.shape[1] < 2:
        raise ValueError(f"an intensity table is (n_phi, n_s), not {table.shape}")
    n = table.shape[1]
    step = 1.0 / (n - 1)
    weight = np.linspace(0.0, 1.0, n) * step
    weight[0] = step**2 / 6.0
    weight[-1] = step / 2.0 - step**2 / 6.0
    return float(8.0 * np.pi * weight @ table.mean(axis=0, dtype=np.float64))
