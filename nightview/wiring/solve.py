"""Volts at every joint, exactly: nodal equations with lamps whose current depends on their volts.

The two conductors of a cable carry the same current there and back, so a pair is folded into one
leg of twice the resistance: one unknown a joint. A lamp draws I = S/V₀ · (V/V₀)^(n−1): n = 0 keeps
its watts (an LED driver), 1 its current, 1.55 is a filament, 2 a resistor. With the taps held,

    G·u + I(u) = b,   G symmetric, no positive entry off its diagonal, positive definite.

Newton's method starts from the volts without any lamp, which are too high. Where n ≤ 1 the current
is convex in u, so each step's tangent lies below it and the volts come down to the upper, stable
solution without passing it; where n > 1 the chord through the origin does the same until the steps
are small. If on the way G + I′ is no longer positive definite there is **no operating point**: the
cable cannot carry the load at any volts. Loops need nothing special.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nightview.scene.wiring_rules import Source
from nightview.wiring.network import Network

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TOLERANCE = 1e-13
"""Of the highest volts: where a step is no longer than this, the volts stand."""
ROUNDING = 1e-10
"""Of the highest volts: steps this short that no longer shrink are rounding."""
NEAR = 1e-3
"""Of the highest volts: below this a filament's tangent takes the place of its chord."""
MOST_STEPS = 200
DENSE = 150
"""Up to so many joints plain matrices are quicker, and spare the import of SciPy."""
HEADROOM = 8.0
"""A load margin is not followed further than this."""
LEAST_FACTOR = 1e-9
"""Nor below this: such a cable carries nothing."""


@dataclass(frozen=True, eq=False)
class Circuit:
    """A network as arrays: n joints, m legs, q lamps.

    start, end : (m,) joint at each end. ohms : (m,) loop resistance [Ω]. held : (n,) volts of taps,
    nan for all other joints. node : (q,) where each lamp hangs. va, rated_v, exponent : (q,)
    volt-amperes at the rated volts, these volts, n of the module's docstring.
    """

    start: Ints
    end: Ints
    ohms: Floats
    held: Floats
    node: Ints
    va: Floats
    rated_v: Floats
    exponent: Floats

    @cached_property
    def free(self) -> NDArray[np.bool_]:
        """(n,) the joints whose volts are asked for."""
        return np.isnan(self.held)

    @cached_property
    def part(self) -> Ints:
        """(n,) a number for each set of free joints joined by legs; −1 at taps."""
        part = np.where(self.free, np.arange(len(self.held)), -1)
        joined = self.free[self.start] & self.free[self.end]
        a, b = self.start[joined], self.end[joined]
        while True:  # each joint takes the least number among its neighbours', and that one's own
            least = part.copy()
            np.minimum.at(least, a, part[b])
            np.minimum.at(least, b, part[a])
            least[self.free] = least[least[self.free]]
            if (least == part).all():
                return part
            part = least

    def current_a(self, volts: Floats) -> Floats:
        """(q,) what each lamp draws at the volts (n,) of the joints [A]; nan where they are."""
        at = volts[self.node]
        return self.va / self.rated_v * (at / self.rated_v) ** (self.exponent - 1.0)

    def scaled(self, factor: float) -> Circuit:
        """The same circuit with lamps so many times as strong."""
        return replace(self, va=self.va * factor)


# --- one circuit ----------------------------------------------------------------------------------


def operating_point(circuit: Circuit) -> Floats:
    """Volts (n,) of all joints; nan in parts that have no operating point.

    Every free joint must hang on a tap by some way.
    """
    volts = circuit.held.copy()
    found = _newton(circuit)
    if found is not None:
        volts[circuit.free] = found
        return volts
    parts = np.unique(circuit.part[circuit.free])
    if len(parts) > 1:
        for number in parts:
            chosen = circuit.part == number
            volts[chosen] = operating_point(_cut(circuit, chosen))[chosen]
    return volts


def _cut(circuit: Circuit, chosen: NDArray[np.bool_]) -> Circuit:
    """The chosen joints alone; all others are held, at the volts of their tap or at none."""
    legs = chosen[circuit.start] | chosen[circuit.end]
    lamps = chosen[circuit.node]
    held = np.where(chosen | ~circuit.free, circuit.held, 0.0)
    return Circuit(
        circuit.start[legs], circuit.end[legs], circuit.ohms[legs], held,
        circuit.node[lamps], circuit.va[lamps], circuit.rated_v[lamps], circuit.exponent[lamps],
    )  # fmt: skip


def _newton(circuit: Circuit) -> Floats | None:
    """Volts of the free joints, or None if there is no operating point."""
    free = circuit.free
    count = int(free.sum())
    if count == 0:
        return np.empty(0)
    number = np.where(free, np.cumsum(free) - 1, -1)
    lamps = free[circuit.node]  # a lamp on a tap itself changes nothing
    node, exponent = number[circuit.node[lamps]], circuit.exponent[lamps]
    rated_v, rated_a = circuit.rated_v[lamps], (circuit.va / circuit.rated_v)[lamps]
    matrix, supply = _conductances(circuit, number, count)
    volts = matrix.solve(np.zeros(count), supply)
    if volts is None:
        return None
    highest = float(np.nanmax(circuit.held))
    near, before = False, np.inf
    for _ in range(MOST_STEPS):
        at = volts[node]
        current = rated_a * (at / rated_v) ** (exponent - 1.0)
        right = matrix.times(volts) + _summed(node, current, count) - supply
        tangent = (exponent - 1.0) * current / at
        chord = np.where(exponent > 1.0, current / at, tangent)
        step = matrix.solve(_summed(node, tangent if near else chord, count), right)
        if near and not _keeps_above(volts, step):  # a filament far below its rating
            step = matrix.solve(_summed(node, chord, count), right)
        if step is None or not _keeps_above(volts, step):
            return None
        volts = volts - step
        longest = float(np.abs(step).max())
        settled = before <= ROUNDING * highest and longest >= before / 2
        if longest <= TOLERANCE * highest or settled:
            return volts
        near, before = longest < NEAR * highest, longest
    return None


def _keeps_above(volts: Floats, step: Floats | None) -> bool:
    """Whether a step down leaves all volts above zero."""
    return step is not None and bool((volts - step > 0.0).all())


@dataclass(frozen=True, eq=False)
class _Matrix:
    """The conductances among the free joints: ``times`` a vector, and ``solve`` with more on the
    diagonal, which gives None unless the sum is positive definite."""

    times: Callable[[Floats], Floats]
    solve: Callable[[Floats, Floats], Floats | None]


def _conductances(circuit: Circuit, number: Ints, count: int) -> tuple[_Matrix, Floats]:
    """The matrix G, and the current b that the taps drive into each free joint."""
    g = 1.0 / circuit.ohms
    a, b = number[circuit.start], number[circuit.end]
    diagonal, supply = np.zeros(count), np.zeros(count)
    for own, other, end in ((a, b, circuit.end), (b, a, circuit.start)):
        inside = own >= 0
        diagonal += _summed(own[inside], g[inside], count)
        taps = inside & (other < 0)
        supply += _summed(own[taps], g[taps] * circuit.held[end[taps]], count)
    inner = (a >= 0) & (b >= 0)
    a, b, g = a[inner], b[inner], g[inner]

    def times(vector: Floats) -> Floats:
        # By differences along legs: the volts of neighbours are nearly equal.
        flow = g * (vector[a] - vector[b])
        total = _summed(a, flow, count) - _summed(b, flow, count)
        return total + to_taps * vector

    to_taps = diagonal - _summed(a, g, count) - _summed(b, g, count)
    to_taps[np.abs(to_taps) < 1e-12 * diagonal] = 0.0
    solve = (_dense if count <= DENSE else _sparse)(a, b, g, diagonal)
    return _Matrix(times, solve), supply


def _summed(joint: Ints, values: Floats, count: int) -> Floats:
    """(count,) the values of each joint together."""
    return np.bincount(joint, values, count).astype(np.float64, copy=False)


def _dense(
    a: Ints, b: Ints, g: Floats, diagonal: Floats
) -> Callable[[Floats, Floats], Floats | None]:
    base = np.diag(diagonal)
    np.add.at(base, (a, b), -g)
    np.add.at(base, (b, a), -g)
    on = np.arange(len(diagonal))

    ones = np.ones(len(diagonal))

    def solve(more: Floats, right: Floats) -> Floats | None:
        matrix = base.copy()
        matrix[on, on] += more
        try:
            found = np.linalg.solve(matrix, np.stack([right, ones], axis=1))
        except np.linalg.LinAlgError:
            return None
        # With no positive entry off its diagonal a symmetric matrix is positive definite if and only
        # if some positive vector is turned into a positive one: here into ones.
        return np.asarray(found[:, 0], np.float64) if (found[:, 1] > 0.0).all() else None

    return solve


def _sparse(
    a: Ints, b: Ints, g: Floats, diagonal: Floats
) -> Callable[[Floats, Floats], Floats | None]:
    from scipy.sparse import csc_array
    from scipy.sparse.linalg import splu

    n = len(diagonal)
    on = np.arange(n)
    rows, columns = np.concatenate([a, b, on]), np.concatenate([b, a, on])
    base = csc_array((np.concatenate([-g, -g, diagonal]), (rows, columns)), (n, n))
    place = np.flatnonzero(base.indices == np.repeat(on, np.diff(base.indptr)))

    def solve(more: Floats, right: Floats) -> Floats | None:
        matrix = base.copy()
        matrix.data[place] += more
        try:
            factors = splu(
                matrix, "MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
        except RuntimeError:  # exactly singular
            return None
        return factors.solve(right) if (factors.U.diagonal() > 0.0).all() else None

    return solve


def load_margin(circuit: Circuit) -> float:
    """How many times as strong all lamps could be before there is no operating point.

    Below 1 there is none as it is. Not followed beyond ``HEADROOM``; to four digits.
    """

    def holds(factor: float) -> bool:
        return not np.isnan(operating_point(circuit.scaled(factor))).any()

    if not (circuit.exponent <= 1.0).any() or holds(HEADROOM):
        return HEADROOM
    low, high = 0.0, HEADROOM
    while high - low > 1e-4 * high and high > LEAST_FACTOR:
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


# --- a scene's network ----------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Solution:
    """What flows at one temperature of the copper, all lamps on.

    temperature_c : [°C]. volts : by joint, nan where there is no operating point. lamp_v : (q,) at
    each lamp's own terminals, behind its lead. lamp_a, lamp_w, lamp_va : (q,). leg_a : (m,) from
    start to end. leg_w : (m,) lost in the cable, of all legs; lead_w : (q,) in the lamps' leads.
    source_a : what each tap gives [A].
    """

    network: Network
    circuit: Circuit
    temperature_c: float
    volts: dict[str, float]
    lamp_v: Floats
    lamp_a: Floats
    lamp_w: Floats
    leg_a: Floats
    leg_w: Floats
    lead_w: Floats
    source_a: dict[Source, float]

    @property
    def dead(self) -> tuple[Source, ...]:
        """The taps that feed something without an operating point."""
        return tuple(s for s, amperes in self.source_a.items() if np.isnan(amperes))

    def source_w(self, source: Source) -> float:
        """Watts of the lamps and cables that a tap feeds [W]."""
        legs = [k for k, leg in enumerate(self.network.legs) if leg.source == source]
        lamps = [k for k, lamp in enumerate(self.network.lamps) if lamp.source == source]
        lost = self.leg_w[legs].sum() + self.lead_w[lamps].sum()
        return float(self.lamp_w[lamps].sum() + lost)


def solve(network: Network, temperature_c: float) -> Solution:
    """All volts and currents of a network with its copper at a temperature [°C]."""
    circuit, joints = circuit_of(network, temperature_c)
    volts = operating_point(circuit)
    legs, lamps = network.legs, network.lamps
    current = (volts[circuit.start] - volts[circuit.end]) / circuit.ohms
    leg_a = current[: len(legs)]
    lamp_a = circuit.current_a(volts)
    lamp_v = volts[circuit.node]
    rated_w = np.array([lamp.power_w for lamp in lamps])
    lamp_w = rated_w * (lamp_v / circuit.rated_v) ** circuit.exponent
    has_lead = np.array([lamp.lead_m > 0.0 for lamp in lamps], bool)
    lead_w = np.zeros(len(lamps))
    lead_w[has_lead] = current[len(legs) :] ** 2 * circuit.ohms[len(legs) :]
    source_a: dict[Source, float] = dict.fromkeys(network.sources, 0.0)
    for leg, amperes in zip(legs, leg_a, strict=True):
        source_a[leg.source] += amperes * (leg.from_tap - leg.to_tap)
    for lamp, volt in zip(lamps, lamp_v, strict=True):
        if np.isnan(volt) and lamp.source is not None:
            source_a[lamp.source] = float("nan")
    return Solution(
        network=network,
        circuit=circuit,
        temperature_c=temperature_c,
        volts={name: float(volts[k]) for name, k in joints.items() if isinstance(name, str)},
        lamp_v=lamp_v,
        lamp_a=lamp_a,
        lamp_w=lamp_w,
        leg_a=leg_a,
        leg_w=leg_a**2 * circuit.ohms[: len(legs)],
        lead_w=lead_w,
        source_a={source: float(amperes) for source, amperes in source_a.items()},
    )


def circuit_of(network: Network, temperature_c: float) -> tuple[Circuit, dict[str | Source, int]]:
    """The network as arrays, and the number of each joint and tap; leads come after all legs."""
    number: dict[str | Source, int] = {}
    start, end, ohms = [], [], []
    for leg in network.legs:
        start.append(number.setdefault(leg.source if leg.from_tap else leg.start, len(number)))
        end.append(number.setdefault(leg.source if leg.to_tap else leg.end, len(number)))
        ohms.append(network.leg_ohms(leg, temperature_c))
    terminals = len(number)
    node = []
    for lamp in network.lamps:
        node.append(number[lamp.id])
        if lamp.lead_m > 0.0:
            start.append(node[-1])
            end.append(terminals)
            ohms.append(network.lead_ohms(lamp, temperature_c))
            node[-1] = terminals
            terminals += 1
    held = np.full(terminals, np.nan)
    for name, k in number.items():
        if not isinstance(name, str):
            held[k] = name[1]
    lamps = network.lamps
    circuit = Circuit(
        np.array(start, np.int64),
        np.array(end, np.int64),
        np.array(ohms, float),
        held,
        np.array(node, np.int64),
        np.array([lamp.power_va for lamp in lamps]),
        np.array([lamp.volts_v for lamp in lamps]),
        np.array([lamp.exponent for lamp in lamps]),
    )
    return circuit, number
