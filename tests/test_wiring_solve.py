"""The solver against closed forms, published worked examples, another root finder and SPICE."""

from __future__ import annotations

import itertools
import math
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, root

from nightview.scene.read import parse
from nightview.wiring import solve as module
from nightview.wiring.copper import FOOT_M, loop_ohms, old_rule_v
from nightview.wiring.network import network_of
from nightview.wiring.solve import Circuit, load_margin, operating_point, solve

NAN = math.nan


def circuit(
    legs: list[tuple[int, int, float]],
    held: dict[int, float],
    lamps: list[tuple[int, float]] | list[tuple[int, float, float, float]],
    joints: int | None = None,
) -> Circuit:
    """legs: (start, end, Ω); held: volts of taps; lamps: (joint, VA, rated V, exponent)."""
    n = joints or 1 + max(max(a, b) for a, b, _ in legs)
    full = [(*lamp, 12.0, 0.0)[:4] if len(lamp) == 2 else lamp for lamp in lamps]
    start, end, ohms = zip(*legs, strict=True)
    volts = np.full(n, NAN)
    for joint, value in held.items():
        volts[joint] = value
    columns = list(zip(*full, strict=True)) or [(), (), (), ()]
    node, va, rated, exponent = columns
    return Circuit(
        np.array(start), np.array(end), np.array(ohms, float), volts, np.array(node, np.int64),
        np.array(va, float), np.array(rated, float), np.array(exponent, float),
    )  # fmt: skip


def one_run(watts: float, ohms: float, exponent: float = 0.0, tap: float = 12.0) -> float:
    made = circuit([(0, 1, ohms)], {0: tap}, [(1, watts, 12.0, exponent)])
    return float(operating_point(made)[1])


# --- closed forms ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gauge", "volts"),
    # u = (V + √(V² − 4RP))/2 with R of NEC chapter 9 table 8, 100 ft, 12 V, 50 W.
    [("14 AWG", 8.14476), ("12 AWG", 10.024922), ("10 AWG", 10.857983), ("8 AWG", 11.312250)],
)
def test_constant_power_at_the_end(gauge: str, volts: float) -> None:
    ohms = loop_ohms(gauge, 100 * FOOT_M)
    exact = (12.0 + math.sqrt(144.0 - 4.0 * ohms * 50.0)) / 2.0
    assert one_run(50.0, ohms) == pytest.approx(exact, abs=1e-9)
    assert exact == pytest.approx(volts, abs=1e-5)


def test_other_loads_at_the_end() -> None:
    # A resistor of V₀²/P divides; a constant current drops I·R; a filament by Brent's method.
    ohms = loop_ohms("12 AWG", 100 * FOOT_M)
    lamp = 144.0 / 50.0
    assert one_run(50.0, ohms, 2.0) == pytest.approx(12.0 * lamp / (lamp + ohms), abs=1e-9)
    assert one_run(50.0, ohms, 2.0) == pytest.approx(10.549451, abs=1e-6)
    assert one_run(50.0, ohms, 1.0) == pytest.approx(12.0 - 50.0 / 12.0 * ohms, abs=1e-9)
    filament = brentq(lambda u: u + ohms * 50 / 12 * (u / 12) ** 0.55 - 12, 5, 12, xtol=1e-13)
    assert one_run(50.0, ohms, 1.55) == pytest.approx(filament, abs=1e-9)
    assert filament == pytest.approx(10.469, abs=5e-4)  # sources.md section 0, row 4


def test_no_operating_point_at_the_limit_of_power() -> None:
    # A source V behind R gives V²/4R at most: 90.909 W here.
    ohms = loop_ohms("12 AWG", 100 * FOOT_M)
    limit = 144.0 / 4.0 / ohms
    assert limit == pytest.approx(90.909, abs=1e-3)
    assert math.isnan(one_run(95.0, ohms))
    assert math.isnan(one_run(limit * (1 + 1e-6), ohms))
    assert one_run(limit * (1 - 1e-9), ohms) == pytest.approx(6.0, abs=1e-3)
    assert math.isnan(one_run(50.0, loop_ohms("16 AWG", 100 * FOOT_M)))
    made = circuit([(0, 1, ohms)], {0: 12.0}, [(1, 50.0)])
    assert load_margin(made) == pytest.approx(limit / 50.0, rel=2e-4)
    over = circuit([(0, 1, ohms)], {0: 12.0}, [(1, 95.0)])
    assert load_margin(over) == pytest.approx(limit / 95.0, rel=2e-4)
    resistor = circuit([(0, 1, ohms)], {0: 12.0}, [(1, 95.0, 12.0, 2.0)])
    assert load_margin(resistor) == module.HEADROOM  # it can never fail


# A chart in a trade hand-book [common practice, no single source]: feet to 10.5 V from 12 V, 20 °C,
# one filament load taken as a resistor at the end; whole feet, cut off, 10 AWG 1 % low.
CHART = {
    "14 AWG": (81, 40, 27, 20, 16, 13),
    "12 AWG": (129, 65, 43, 32, 26, 21),
    "10 AWG": (204, 102, 68, 51, 41, 34),
}


@pytest.mark.parametrize("gauge", CHART)
def test_a_published_chart_to_a_foot(gauge: str) -> None:
    for watts, feet in zip((50, 100, 150, 200, 250, 300), CHART[gauge], strict=True):

        def over(length: float, watts: float = watts) -> float:
            ohms = loop_ohms(gauge, length * FOOT_M, 1, "computed", 20.0)
            return one_run(watts, ohms, 2.0) - 10.5

        length = brentq(over, 1.0, 1000.0)
        assert abs(length - feet) <= max(1.0, 0.015 * feet), (watts, length)


@pytest.mark.parametrize("gauge", ["12 AWG", "10 AWG", "8 AWG"])
def test_the_old_rule_under_its_own_assumptions(gauge: str) -> None:
    """A load spread evenly, copper at 20 °C, and a current that keeps to W / 12."""
    n, watts, length = 4000, 120.0, 30.0  # as good as spread
    ohms = loop_ohms(gauge, length, 1, "computed", 20.0) / n
    legs = [(k, k + 1, ohms) for k in range(n)]
    lamps = [(k + 1, watts / n, 12.0, 1.0) for k in range(n)]
    drop = 12.0 - operating_point(circuit(legs, {0: 12.0}, lamps)).min()
    assert drop == pytest.approx(old_rule_v(watts, length, gauge), rel=0.01)
    # One load at the end drops twice as much: sources.md, (N + 1)/2N against 1.
    assert (12.0 - one_run(watts, n * ohms, 1.0)) / drop == pytest.approx(2.0, rel=0.01)


# --- published worked examples --------------------------------------------------------------------


def test_a_chain_from_a_text_book() -> None:
    # V. K. Mehta, Principles of Power System, example 13.1, p. 313 (sources.md, W12).
    ohms = [2 * 0.01 * km for km in (0.5, 0.5, 0.6, 0.4)]
    legs = [(k, k + 1, r) for k, r in enumerate(ohms)]
    lamps = [(k + 1, 300.0 * a, 300.0, 1.0) for k, a in enumerate((100, 150, 200, 50))]
    volts = operating_point(circuit(legs, {0: 300.0}, lamps))
    assert volts[1:] == pytest.approx([295.0, 291.0, 288.0, 287.6], abs=1e-9)


def test_a_ring_from_a_text_book() -> None:
    # The same chapter: 300 m, 240 V, 0.03 Ω/100 m a wire, 120 A and 80 A (sources.md, W13).
    per_metre = 2 * 0.03 / 100
    legs = [(0, 1, 150 * per_metre), (1, 2, 50 * per_metre), (2, 0, 100 * per_metre)]
    made = circuit(legs, {0: 240.0}, [(1, 240.0 * 120, 240.0, 1.0), (2, 240.0 * 80, 240.0, 1.0)])
    volts = operating_point(made)
    amperes = (volts[made.start] - volts[made.end]) / made.ohms
    assert amperes == pytest.approx([86.67, -33.33, -113.33], abs=0.005)
    assert volts[1:] == pytest.approx([232.2, 233.2], abs=0.005)


def test_a_line_fed_from_both_ends() -> None:
    # The same chapter: 220 V at both ends, 600 m, 1 cm², 1.7e-6 Ω·cm (sources.md, W14).
    per_metre = 2 * 1.7e-8 / 1e-4
    at = [0, 100, 250, 400, 500, 600]
    legs = [(k, k + 1, (b - a) * per_metre) for k, (a, b) in enumerate(itertools.pairwise(at))]
    lamps = [(k + 1, 220.0 * a, 220.0, 1.0) for k, a in enumerate((20, 40, 50, 30))]
    made = circuit(legs, {0: 220.0, 5: 220.0}, lamps)
    volts = operating_point(made)
    assert volts.min() == pytest.approx(215.69, abs=0.006)
    assert at[int(np.argmin(volts))] == 400
    assert (volts[0] - volts[1]) / made.ohms[0] == pytest.approx(61.67, abs=0.005)


def test_two_loads_and_five_sources() -> None:
    # An examination: 500 V, 0.02 Ω/km a wire, 100 A at 2 km, 200 A at 4 km (sources.md, W15).
    legs = [(0, 1, 0.08), (1, 2, 0.08)]
    made = circuit(legs, {0: 500.0}, [(1, 5e4, 500.0, 1.0), (2, 1e5, 500.0, 1.0)])
    assert operating_point(made)[1:] == pytest.approx([476.0, 460.0], abs=1e-9)
    # Chakrabarti, Power System Engineering, example 18.1, p. 437 (sources.md, W16).
    volts, ohms = (225.0, 210.0, 230.0, 230.0, 240.0), (5.0, 1.0, 1.0, 2.0, 2.0)
    made = circuit([(k, 5, r) for k, r in enumerate(ohms)], dict(enumerate(volts)), [])
    found = operating_point(made)
    assert found[5] == pytest.approx(225.0, abs=1e-9)
    assert (found[:5] - found[5]) / made.ohms == pytest.approx([0, -15, 5, 2.5, 7.5], abs=1e-9)


# --- other programs -------------------------------------------------------------------------------

Law = Callable[[np.ndarray], np.ndarray]
AMPLE = 0.4
"""Ω: with a few watts a lamp, far from the limit."""


def networks() -> dict[str, Circuit]:
    """Trees, tees, hubs, rings, doubled cables, several taps; LEDs, filaments, resistors."""
    chain = [(k, k + 1, 0.1 + 0.02 * k) for k in range(8)]
    tee = [
        (0, 1, 0.2),
        *((1 if k == 2 else k - 1, k, 0.1) for k in range(2, 5)),
        (1, 5, 0.1),
        (5, 6, 0.1),
    ]
    hub = [(0, 1, 0.15), *((1, k, 0.05 * k) for k in range(2, 9))]
    ring = [(0, 1, 0.1), *((k, k + 1, 0.08) for k in range(1, 7)), (7, 0, 0.2)]
    mesh = [(0, 1, 0.1), (1, 2, 0.2), (2, 3, 0.1), (3, 1, 0.15), (3, 4, 0.1), (4, 0, 0.3)]
    doubled = [(0, 1, 0.2), (0, 1, 0.2), (1, 2, 0.3), (1, 2, 0.15)]
    two_taps = [(0, 2, 0.3), (2, 3, 0.3), (1, 4, 0.4), (4, 5, 0.4)]

    def leds(n: int, first: int, va: float) -> list[tuple[int, float, float, float]]:
        return [(k, va, 12.0, 0.0) for k in range(first, first + n)]

    mixed = [(k, 6.0, 12.0, (0.0, 1.55, 2.0, 1.0)[k % 4]) for k in range(1, 9)]
    return {
        "chain": circuit(chain, {0: 12.0}, leds(8, 1, 4.5)),
        "chain of all kinds": circuit(chain, {0: 13.0}, mixed),
        "tee": circuit(tee, {0: 12.0}, leds(6, 1, 6.0)),
        "hub": circuit(hub, {0: 14.0}, leds(7, 2, 9.0)),
        "ring": circuit(ring, {0: 12.0}, leds(7, 1, 5.0)),
        "ring of filaments": circuit(ring, {0: 12.0}, [(k, 20.0, 12.0, 1.55) for k in range(1, 8)]),
        "mesh": circuit(mesh, {0: 15.0}, leds(4, 1, 15.0)),
        "doubled": circuit(doubled, {0: 12.0}, leds(2, 1, 20.0)),
        "two taps": circuit(two_taps, {0: 12.0, 1: 15.0}, leds(4, 2, 8.0)),
        "both ends": circuit(chain, {0: 12.0, 8: 12.0}, leds(7, 1, 12.0)),
        "near the limit": circuit(chain, {0: 12.0}, leds(8, 1, 8.0)),
        "24 V": circuit(chain, {0: 24.0}, [(k, 20.0, 24.0, 0.0) for k in range(1, 9)]),
    }


HOPELESS = {
    "chain too weak": ([(k, k + 1, 0.5) for k in range(6)], {0: 12.0}, 9.0),
    "ring too weak": ([(0, 1, 0.8), (1, 2, 0.8), (2, 3, 0.8), (3, 0, 0.8)], {0: 12.0}, 45.0),
}


def hopeless(name: str) -> Circuit:
    legs, held, va = HOPELESS[name]
    joints = sorted({b for _, b, _ in legs} - set(held))
    return circuit(legs, held, [(k, va) for k in joints])


def residual(made: Circuit) -> Law:
    """Kirchhoff's current law written out joint by joint, for another root finder."""
    free = [k for k, volts in enumerate(made.held) if math.isnan(volts)]

    def law(unknown: np.ndarray) -> np.ndarray:
        volts = dict(enumerate(made.held)) | dict(zip(free, unknown, strict=True))
        out = dict.fromkeys(free, 0.0)
        for a, b, ohms in zip(made.start, made.end, made.ohms, strict=True):
            for own, other in ((a, b), (b, a)):
                if own in out:
                    out[own] += (volts[own] - volts[other]) / ohms
        for joint, va, rated, n in zip(
            made.node, made.va, made.rated_v, made.exponent, strict=True
        ):
            if joint in out:  # P(V)/V
                out[joint] += va * (volts[joint] / rated) ** n / volts[joint]
        return np.array(list(out.values()))

    return law


@pytest.mark.parametrize("name", networks())
def test_another_root_finder_agrees(name: str) -> None:
    """SciPy's hybrid Powell method (MINPACK) on the raw equations."""
    made = networks()[name]
    start = np.full(int(np.isnan(made.held).sum()), np.nanmax(made.held))
    found = root(residual(made), start, method="hybr", options={"xtol": 1e-13})
    assert np.abs(found.fun).max() < 1e-9
    ours = operating_point(made)
    assert ours[np.isnan(made.held)] == pytest.approx(found.x, abs=1e-8)
    assert np.abs(residual(made)(ours[np.isnan(made.held)])).max() < 1e-9  # Kirchhoff [A]


@pytest.mark.parametrize("name", HOPELESS)
def test_another_root_finder_finds_none_either(name: str) -> None:
    made = hopeless(name)
    assert np.isnan(operating_point(made)[np.isnan(made.held)]).all()
    for begin in (12.0, 9.0, 6.0, 3.0):
        found = root(residual(made), np.full(int(np.isnan(made.held).sum()), begin))
        assert not (found.success and (found.x > 0).all() and np.abs(found.fun).max() < 1e-6)
    # Just inside the margin that is told there is one, and just outside there is none.
    margin = load_margin(made)
    assert margin < 1.0
    inside = made.scaled(margin * 0.999)
    volts = operating_point(inside)[np.isnan(made.held)]
    assert np.abs(residual(inside)(volts)).max() < 1e-9
    assert np.isnan(operating_point(made.scaled(margin * 1.001))).any()


SPICE = shutil.which("ngspice")


def spice(made: Circuit, folder: Path) -> np.ndarray | None:
    """Volts (n,) by ngspice, both conductors drawn; None if it finds no operating point."""
    lines = ["* nightview"]
    for k, volts in enumerate(made.held):
        if not math.isnan(volts):
            lines.append(f"V{k} o{k} r{k} {volts:.17g}")
            lines.append(f"Vg{k} r{k} 0 0")  # each secondary's return is the zero of its volts
    for k, (a, b, ohms) in enumerate(zip(made.start, made.end, made.ohms, strict=True)):
        lines += [f"Ro{k} o{a} o{b} {ohms / 2:.17g}", f"Rr{k} r{a} r{b} {ohms / 2:.17g}"]
    for k, (joint, va, rated, n) in enumerate(
        zip(made.node, made.va, made.rated_v, made.exponent, strict=True)
    ):
        drop = f"V(o{joint},r{joint})"
        law = f"{va / rated:.17g}*pow({drop}/{rated:.17g},{n - 1:.17g})"
        lines.append(f"B{k} o{joint} r{joint} I={law}")
    guess = float(np.nanmax(made.held))
    lines += [f".nodeset v(o{k})={guess} v(r{k})=0" for k in range(len(made.held))]
    lines += [".options reltol=1e-9 abstol=1e-12 vntol=1e-10 itl1=1000 gmin=1e-15", ".control",
              "set numdgt=15", "op"]  # fmt: skip
    lines += [f"print v(o{k})-v(r{k})" for k in range(len(made.held))]
    lines += ["quit", ".endc", ".end"]
    file = folder / "net.cir"
    file.write_text("\n".join(lines) + "\n")
    assert SPICE is not None
    done = subprocess.run([SPICE, "-b", str(file)], capture_output=True, text=True, timeout=60)
    found = dict(re.findall(r"v\(o(\d+)\)-v\(r\d+\) = ([-+.\deE]+)", done.stdout))
    if len(found) < len(made.held):
        return None
    return np.array([float(found[str(k)]) for k in range(len(made.held))])


@pytest.mark.skipif(SPICE is None, reason="ngspice is not installed (apt install ngspice)")
@pytest.mark.parametrize("name", networks())
def test_a_circuit_simulator_agrees(name: str, tmp_path: Path) -> None:
    """ngspice, with the outward and the return conductor as separate resistors."""
    made = networks()[name]
    theirs = spice(made, tmp_path)
    assert theirs is not None
    assert operating_point(made) == pytest.approx(theirs, abs=1e-6)


@pytest.mark.skipif(SPICE is None, reason="ngspice is not installed (apt install ngspice)")
@pytest.mark.parametrize("name", HOPELESS)
def test_a_circuit_simulator_finds_none_either(name: str, tmp_path: Path) -> None:
    made = hopeless(name)
    theirs = spice(made, tmp_path)
    if theirs is not None:  # it may stop at volts that no lamp runs on: they must break the law
        free = theirs[np.isnan(made.held)]
        assert not ((free > 0).all() and np.abs(residual(made)(free)).max() < 1e-3)


# --- properties -----------------------------------------------------------------------------------


@st.composite
def random_circuits(draw: st.DrawFn) -> Circuit:
    """Trees of up to twelve joints with a few loops, light enough to have an operating point."""
    n = draw(st.integers(2, 12))
    ohms = st.floats(0.002, 0.3)
    legs = [(draw(st.integers(0, k - 1)), k, draw(ohms)) for k in range(1, n)]
    for _ in range(draw(st.integers(0, 3))):
        a, b = draw(st.integers(0, n - 1)), draw(st.integers(0, n - 1))
        if a != b:
            legs.append((a, b, draw(ohms)))
    exponents = st.sampled_from([0.0, 0.0, 1.0, 1.55, 2.0])
    lamps = [
        (k, draw(st.floats(0.5, 12.0)), 12.0, draw(exponents))
        for k in range(1, n)
        if draw(st.booleans())
    ]
    return circuit(
        legs, {0: draw(st.sampled_from([11.0, 12.0, 15.0]))}, lamps or [(1, 5.0, 12.0, 0.0)]
    )


@settings(max_examples=80, deadline=None)
@given(random_circuits(), st.data())
def test_another_lamp_raises_no_volts(made: Circuit, data: st.DataObject) -> None:
    before = operating_point(made)
    assume(not np.isnan(before).any())
    joint = data.draw(st.integers(1, len(made.held) - 1))
    exponent = data.draw(st.sampled_from([0.0, 1.0, 1.55, 2.0]))
    more = Circuit(
        made.start, made.end, made.ohms, made.held, np.append(made.node, joint),
        np.append(made.va, 4.0), np.append(made.rated_v, 12.0), np.append(made.exponent, exponent),
    )  # fmt: skip
    after = operating_point(more)
    if not np.isnan(after).any():
        assert (after <= before + 1e-10).all()
        assert after[joint] < before[joint]


@settings(max_examples=80, deadline=None)
@given(random_circuits())
def test_kirchhoffs_laws_hold(made: Circuit) -> None:
    volts = operating_point(made)
    assume(not np.isnan(volts).any())
    amperes = (volts[made.start] - volts[made.end]) / made.ohms
    out = np.zeros(len(volts))
    np.add.at(out, made.start, amperes)
    np.add.at(out, made.end, -amperes)
    np.add.at(out, made.node, made.current_a(volts))
    assert np.abs(out[1:]).max() < 1e-9  # what comes goes, at every joint
    # What the tap gives is what lamps and cables take: Tellegen's theorem.
    given_w = volts[0] * out[0]
    taken_w = (volts[made.node] * made.current_a(volts)).sum() + (amperes**2 * made.ohms).sum()
    assert given_w == pytest.approx(taken_w, rel=1e-9)
    assert (volts <= made.held[0] + 1e-12).all()


@settings(max_examples=60, deadline=None)
@given(random_circuits(), st.floats(0.25, 4.0))
def test_volts_scale(made: Circuit, factor: float) -> None:
    """Ohms times f and loads over f: the same volts."""
    volts = operating_point(made)
    other = operating_point(
        Circuit(
            made.start,
            made.end,
            made.ohms * factor,
            made.held,
            made.node,
            made.va / factor,
            made.rated_v,
            made.exponent,
        )
    )
    assert np.isnan(volts).any() == np.isnan(other).any()
    if not np.isnan(volts).any():
        assert other == pytest.approx(volts, abs=1e-9)


@settings(max_examples=40, deadline=None)
@given(random_circuits())
def test_plain_and_sparse_matrices_agree(made: Circuit) -> None:
    plain = operating_point(made)
    before, module.DENSE = module.DENSE, 0
    try:
        sparse = operating_point(made)
    finally:
        module.DENSE = before
    assert sparse == pytest.approx(plain, abs=1e-9, nan_ok=True)


def test_one_dead_part_leaves_the_others_alone() -> None:
    legs = [(0, 1, 0.4), (0, 2, 0.4), (2, 3, 0.1)]
    volts = operating_point(circuit(legs, {0: 12.0}, [(1, 95.0), (3, 20.0)]))
    assert math.isnan(volts[1])
    alone = circuit([(0, 1, 0.4), (1, 2, 0.1)], {0: 12.0}, [(2, 20.0)])
    assert volts[2:] == pytest.approx(operating_point(alone)[1:], abs=1e-11)


# --- a scene's network ----------------------------------------------------------------------------


def scene(
    length: str = "100 ft", load: str = "", cable: str = "", wiring: str = ""
) -> str:  # fmt: skip
    return f"""
[wiring]
{wiring}
[[transformer]]
name = "T"
power = "300 VA"
taps = ["12 V"]
[[load]]
id = "a"
power = "50 W"
volts = "12 V"
{load}
[[cable]]
name = "run"
from = "T"
through = ["a"]
length = "{length}"
{cable}
"""


def lamp_v(text: str, temperature_c: float = 75.0) -> float:
    return float(solve(network_of(parse(text)), temperature_c).lamp_v[0])


def test_a_scene_gives_the_closed_forms() -> None:
    def exact(ohms: float, va: float = 50.0) -> float:
        return (12.0 + math.sqrt(144.0 - 4.0 * ohms * va)) / 2.0

    assert lamp_v(scene()) == pytest.approx(10.024922, abs=1e-6)
    assert lamp_v(scene(load="power_exponent = 2")) == pytest.approx(10.549451, abs=1e-6)
    assert lamp_v(scene(load='source = "halogen"')) == pytest.approx(10.469, abs=5e-4)
    # Volt-amperes drive the current: 0.8 of power factor is as 62.5 W of lamp.
    assert lamp_v(scene("50 ft", load="power_factor = 0.8")) == pytest.approx(
        exact(0.198, 62.5), abs=1e-9
    )
    # Half the length, and two cables side by side, are the same.
    twice = lamp_v(scene(cable="parallel = 2"))
    assert twice == pytest.approx(exact(0.198), abs=1e-9)
    assert twice == pytest.approx(lamp_v(scene("50 ft")), abs=1e-9)
    # Two connectors at the joint, and a lead of 18 AWG, in series.
    assert lamp_v(scene(wiring='splice = "5 mohm"')) == pytest.approx(exact(0.396 + 0.01), abs=1e-9)
    lead = 2 * 10 * 7.95 / 1000
    assert lamp_v(scene(load='lead = "10 ft"')) == pytest.approx(exact(0.396 + lead), abs=1e-9)
    # Cold copper has less resistance: NEC chapter 9 table 8, note 2.
    cold = exact(0.396 * (1 + 0.00323 * (0 - 75)))
    assert lamp_v(scene(), 0.0) == pytest.approx(cold, abs=1e-9)


def test_direct_current_knows_no_power_factor() -> None:
    text = scene(load="power_factor = 0.5").replace("taps =", 'supply = "DC"\ntaps =')
    assert lamp_v(text) == pytest.approx(10.024922, abs=1e-6)


def test_currents_and_losses_of_a_scene() -> None:
    text = scene(load='lead = "10 ft"', wiring='splice = "1 mohm"')
    found = solve(network_of(parse(text)), 75.0)
    amperes = 50.0 / found.lamp_v[0]
    assert found.leg_a == pytest.approx([amperes])
    assert found.source_a == {("T", 12.0, 1): pytest.approx(amperes)}
    lost = amperes**2 * (0.396 + 0.002) + found.lead_w[0]
    assert found.lead_w[0] == pytest.approx(amperes**2 * 2 * 10 * 7.95 / 1000)
    assert found.source_w(("T", 12.0, 1)) == pytest.approx(50.0 + lost) == 12.0 * amperes
    assert found.dead == ()
    dead = solve(network_of(parse(scene("300 ft"))), 75.0)
    assert dead.dead == (("T", 12.0, 1),)
    assert np.isnan(dead.lamp_v).all()


def test_a_ring_of_a_scene_is_as_two_cables_side_by_side() -> None:
    """A ring with one lamp in its middle is two equal ways to it: half the resistance."""
    text = scene().replace('through = ["a"]\nlength = "100 ft"',
                           'through = ["a"]\nto = "T"\nlength = "200 ft"')  # fmt: skip
    assert lamp_v(text) == pytest.approx(lamp_v(scene("50 ft")), abs=1e-9)


# --- speed ----------------------------------------------------------------------------------------


def test_two_thousand_lamps_are_solved_fast() -> None:
    n = 2000
    legs = [(0 if k % 50 == 0 else k, k + 1, 0.004) for k in range(n)]
    made = circuit(legs, {0: 15.0}, [(k + 1, 4.5) for k in range(n)])
    operating_point(made)  # SciPy is loaded once a process
    times = []
    for _ in range(3):
        begin = time.process_time()
        volts = operating_point(made)
        times.append(time.process_time() - begin)
    assert not np.isnan(volts).any()
    assert min(times) < 0.03  # seconds; 0.006 on the machine this was written on


def test_a_small_network_needs_no_sparse_matrices() -> None:
    """Its import takes longer than the whole of the sums."""
    code = (
        "import sys\nfrom nightview.scene.read import parse\nfrom nightview.wiring.network import "
        "network_of\nfrom nightview.wiring.faults import check\n"
        f"check(network_of(parse({scene()!r})))\n"
        "assert not [m for m in sys.modules if m.startswith(('scipy.sparse', 'vtk', 'vtkmodules'))]"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
