"""What is wrong with a network, why, and the smallest cure: found by changing it and solving again.

A cure is tried in the order of what it takes: another tap, a thicker cable, a cable split in two, a
second one beside it, and the pairs of these. The first with which every lamp is inside its
window, hot and cold, is told.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from nightview.scene.faults import label
from nightview.scene.wiring_model import Transformer
from nightview.scene.wiring_rules import Source
from nightview.units import shown
from nightview.wiring.copper import fuse_a, thicker
from nightview.wiring.network import Leg, Network, WiredLamp
from nightview.wiring.solve import Solution, load_margin, solve

MOST_V = {"AC": 30.0, "DC": 60.0}
"""NEC 411: 30 V AC (42.4 V peak), 60 V DC."""
MOST_WET_V = {"AC": 15.0, "DC": 30.0}
"""NEC 411, where contact while wet is likely. That taps above are refused there is our choice."""
LEAST_MARGIN = 1.25
"""Below this the lamps have next to no room before the volts break down [our choice]."""
ROUNDING = 1e-9


@dataclass(frozen=True)
class Finding:
    """What is wrong.

    kind : its name. severe : a fault; otherwise a caution. where : the table it speaks of.
    problem : cause and figures. cure : the smallest change that was found to mend it.
    """

    kind: str
    severe: bool
    where: str
    problem: str
    cure: str


@dataclass(frozen=True, eq=False)
class Run:
    """Cables joined to each other without a transformer between: they are solved by themselves."""

    network: Network

    @property
    def source(self) -> Source:
        """What feeds it."""
        return self.network.legs[0].source

    @property
    def cables(self) -> tuple[str, ...]:
        """Names of its cables, in the order of the scene."""
        return tuple(dict.fromkeys(leg.cable for leg in self.network.legs))

    @cached_property
    def hot(self) -> Solution:
        """Solved with the copper hot: the lowest volts."""
        return solve(self.network, self.network.wiring.hot_c)

    @cached_property
    def cold(self) -> Solution:
        """Solved with the copper cold: the highest volts."""
        return solve(self.network, self.network.wiring.cold_c)

    @cached_property
    def margin(self) -> float:
        """``load_margin`` with the copper hot."""
        return load_margin(self.hot.circuit)

    @property
    def stands(self) -> bool:
        """Whether there is an operating point, hot and cold."""
        return not (np.isnan(self.hot.lamp_v).any() or np.isnan(self.cold.lamp_v).any())

    @property
    def amperes(self) -> float:
        """What it draws at most, nan if there is no operating point [A]."""
        return max(self.hot.source_a[self.source], self.cold.source_a[self.source])

    def shortfall(self) -> np.ndarray:
        """(q,) volts that lamps lack, hot; above 0 is too low."""
        return np.array([lamp.least_v for lamp in self.network.lamps]) - self.hot.lamp_v

    def excess(self) -> np.ndarray:
        """(q,) volts that lamps have too much, cold; above 0 is too high."""
        return self.cold.lamp_v - np.array([lamp.most_v for lamp in self.network.lamps])

    @property
    def fits(self) -> bool:
        """Whether every lamp is inside its window, and no cable above what it may carry."""
        if not self.stands or not self.network.lamps:
            return self.stands
        inside = (self.shortfall() <= ROUNDING).all() and (self.excess() <= ROUNDING).all()
        return bool(inside) and not any(_overloads(self))


@dataclass(frozen=True, eq=False)
class Checked:
    """A network solved hot and cold, its runs, and all that was found."""

    network: Network
    hot: Solution
    cold: Solution
    runs: tuple[Run, ...]
    findings: tuple[Finding, ...]


def check(network: Network) -> Checked:
    """Solve a network and look for faults."""
    runs = runs_of(network)
    findings = [finding for run in runs for finding in _run_findings(run)]
    for transformer in network.transformers:
        own = [run for run in runs if run.source[0] == transformer.name]
        if own:
            findings += _transformer_findings(transformer, own, network.wiring.reserve)
    findings.sort(key=lambda finding: not finding.severe)
    hot, cold = (solve(network, t) for t in (network.wiring.hot_c, network.wiring.cold_c))
    return Checked(network, hot, cold, runs, tuple(findings))


def runs_of(network: Network) -> tuple[Run, ...]:
    """The runs of a network, in the order of their first legs."""
    above: dict[
        str, str
    ] = {}  # a joint that the joint is joined to; itself where it stands for all

    def top(joint: str) -> str:
        while above.setdefault(joint, joint) != joint:
            above[joint] = joint = above[above[joint]]
        return joint

    for leg in network.legs:
        if not leg.from_tap and not leg.to_tap:
            above[top(leg.end)] = top(leg.start)
    legs: dict[str, list[Leg]] = {}
    for leg in network.legs:
        legs.setdefault(top(leg.start if leg.to_tap else leg.end), []).append(leg)
    lamps: dict[str, list[WiredLamp]] = {joint: [] for joint in legs}
    for lamp in network.lamps:
        lamps[top(lamp.id)].append(lamp)
    return tuple(
        Run(replace(network, legs=tuple(own), lamps=tuple(lamps[k]))) for k, own in legs.items()
    )


# --- one run --------------------------------------------------------------------------------------


def _run_findings(run: Run) -> Iterator[Finding]:
    where = _where(run.cables)
    tap = f"the {run.source[1]:g} V tap of {shown(run.source[0])}"
    lamps = run.network.lamps
    if not run.stands:
        yield _no_operating_point(run, where, tap)
    elif lamps:
        yield from _window_findings(run, where, tap)
    for leg, amperes, most in _overloads(run):
        gauge = thicker(leg.gauge)
        while gauge is not None and fuse_a(gauge) * leg.parallel < amperes:
            gauge = thicker(gauge)
        cure = f'write gauge = "{gauge}"' if gauge else f"write parallel = {leg.parallel + 1}"
        problem = (
            f"carries {amperes:.1f} A to {shown(leg.end)}, more than {most:g} A, "
            f"the largest fuse for {_size(leg)}"
        )
        yield Finding("overloaded cable", True, label("cable", leg.cable), problem, cure)
    alone = [lamp for lamp in lamps if lamp.most_v < run.source[1] - ROUNDING]
    if alone and run.stands and (run.excess() <= ROUNDING).all():
        names = _names([lamp.id for lamp in alone])
        problem = (
            f"with all others off {names} would get up to {run.source[1]:g} V from {tap}, "
            f"more than {min(lamp.most_v for lamp in alone):g} V"
        )
        cure = "switch this run as a whole, or put these lamps on a lower tap"
        yield Finding("lamp alone above its window", False, where, problem, cure)
    if lamps and run.fits and run.margin < LEAST_MARGIN:
        problem = f"its lamps could be only {run.margin:.2f} times as strong before the volts fail"
        yield Finding("small load margin", False, where, problem, _cure(run))


def _no_operating_point(run: Run, where: str, tap: str) -> Finding:
    total = sum(lamp.power_va for lamp in run.network.lamps)
    edge = replace(
        run.network,
        lamps=tuple(
            replace(lamp, power_w=lamp.power_w * run.margin * 0.999) for lamp in run.network.lamps
        ),
    )
    volts = solve(edge, run.network.wiring.hot_c).lamp_v
    first = ""
    if not np.isnan(volts).all():
        lowest = run.network.lamps[int(np.nanargmin(volts))]
        first = f"; the volts fail first at {shown(lowest.id)}"
    problem = (
        f"its lamps ask for {total:.4g} VA, and from {tap} the cable "
        f"can carry {run.margin * total:.4g} VA at most (load margin {run.margin:.3f}){first}"
    )
    return Finding("no operating point", True, where, problem, _cure(run))


def _window_findings(run: Run, where: str, tap: str) -> Iterator[Finding]:
    lamps, low, high = run.network.lamps, run.shortfall(), run.excess()
    for kind, off, volts, when, word in (
        ("lamp below its window", low, run.hot.lamp_v, run.network.wiring.hot_c, "needs"),
        ("lamp above its window", high, run.cold.lamp_v, run.network.wiring.cold_c, "takes"),
    ):
        if (off <= ROUNDING).all():
            continue
        worst = int(np.argmax(off))
        lamp, more = lamps[worst], int((off > ROUNDING).sum()) - 1
        limit = f"{lamp.least_v:g} V" if word == "needs" else f"{lamp.most_v:g} V at most"
        also = (
            f"; {more} more of its lamps {'is' if more == 1 else 'are'} outside too" if more else ""
        )
        problem = (
            f"{shown(lamp.id)} gets {volts[worst]:.2f} V from {tap} with the copper at {when:g} °C, "
            f"and {word} {limit}{also}"
        )
        yield Finding(kind, True, where, problem, _cure(run))


def _overloads(run: Run) -> Iterator[tuple[Leg, float, float]]:
    """Of each cable the leg that carries most, if that is too much: amperes, and what it may."""
    if not run.stands:
        return
    amperes = np.maximum(abs(run.hot.leg_a), abs(run.cold.leg_a))
    worst: dict[str, int] = {}
    for k, leg in enumerate(run.network.legs):
        over = amperes[k] > fuse_a(leg.gauge) * leg.parallel + ROUNDING
        if over and (leg.cable not in worst or amperes[k] > amperes[worst[leg.cable]]):
            worst[leg.cable] = k
    for k in worst.values():
        leg = run.network.legs[k]
        yield leg, float(amperes[k]), fuse_a(leg.gauge) * leg.parallel


# --- cures ----------------------------------------------------------------------------------------

Turn = Callable[[Network], Network]
Change = tuple[str, Turn]


def _cure(run: Run) -> str:
    """The smallest change with which the run fits."""
    for words, changed in _changes(run):
        other = Run(changed(run.network))
        if other.fits and other.margin >= LEAST_MARGIN:
            volts = other.hot.lamp_v
            lowest = int(np.argmin(volts))
            name = shown(other.network.lamps[lowest].id)
            return f"{words}: the lowest, {name}, then gets {volts[lowest]:.2f} V"
    return "no one tap, gauge, second cable or split mends it: shorten it, or see --propose"


def _changes(run: Run) -> Iterator[Change]:
    """Single changes first, in the order of what they take, then a tap with each of the others."""
    taps = list(_taps(run))
    cables = [*_gauges(run), *_split(run), *_doubled(run)]
    yield from taps
    yield from cables
    for (tap_words, tap), (words, change) in itertools.product(taps, cables):
        yield f"{tap_words}, and {words}", _both(tap, change)


def _both(first: Turn, then: Turn) -> Turn:
    return lambda network: then(first(network))


def _taps(run: Run) -> Iterator[Change]:
    """The other taps, the nearest first."""
    name, own, _ = run.source
    transformer = run.network.transformer(name)
    for volts in sorted(transformer.taps_v, key=lambda volts: abs(volts - own)):
        if volts != own and volts <= _most_v(transformer):
            yield f'write tap = "{volts:g} V"', partial(_on_tap, volts=volts)


def _gauges(run: Run) -> Iterator[Change]:
    """One cable thicker, that which loses most first; then all of them."""
    losses = dict.fromkeys(run.cables, 0.0)
    for leg in run.network.legs:  # by what a thicker one would save: length times ohms a metre
        losses[leg.cable] += run.network.leg_ohms(leg, run.network.wiring.hot_c)
    if run.stands:
        losses = dict.fromkeys(run.cables, 0.0)
        for leg, watts in zip(run.network.legs, run.hot.leg_w, strict=True):
            losses[leg.cable] += float(watts)
    order = sorted(run.cables, key=lambda cable: -losses[cable])
    sets = [(cable,) for cable in order] + ([tuple(run.cables)] if len(order) > 1 else [])
    for steps in range(1, 6):
        for cables in sets:
            sizes = {
                leg.cable: _up(leg.gauge, steps) for leg in run.network.legs if leg.cable in cables
            }
            if None not in sizes.values():
                words = " and ".join(sorted({str(size) for size in sizes.values()}))
                yield f"lay {_listed(cables)} as {words}", partial(_with_sizes, sizes=sizes)


def _doubled(run: Run) -> Iterator[Change]:
    """A second cable beside each one."""
    for cable in run.cables:
        legs = [leg for leg in run.network.legs if leg.cable == cable]
        times = legs[0].parallel + 1
        change = partial(_changed, cable=cable, parallel=times)
        yield f"write parallel = {times} for {shown(cable)}", change


def _split(run: Run) -> Iterator[Change]:
    """A chain from the tap cut in two, its far part fed by a cable of its own along the same way."""
    for cable in run.cables:
        legs = [leg for leg in run.network.legs if leg.cable == cable]
        chain = all(a.end == b.start for a, b in itertools.pairwise(legs))
        if len(legs) < 2 or not chain or not legs[0].from_tap or legs[-1].to_tap:
            continue
        for cut in sorted(range(1, len(legs)), key=lambda k: abs(2 * k - len(legs))):
            home = replace(
                legs[cut],
                start=legs[0].start,
                from_tap=True,
                length_m=sum(leg.length_m for leg in legs[: cut + 1]),
                laid_m=sum(leg.laid_m for leg in legs[: cut + 1]),
            )

            def fed(network: Network, old: Leg = legs[cut], new: Leg = home) -> Network:
                new = replace(new, source=network.legs[0].source)
                same = (old.cable, old.start, old.end)
                return replace(
                    network,
                    legs=tuple(
                        new if (leg.cable, leg.start, leg.end) == same else leg
                        for leg in network.legs
                    ),
                )

            yield f"split {shown(cable)}: a cable of its own from {shown(legs[cut].end)} on", fed


def _on_tap(network: Network, volts: float) -> Network:
    """All of a run on another tap of its transformer."""
    name, _, common = network.legs[0].source
    source = (name, volts, common)
    return replace(
        network,
        legs=tuple(replace(leg, source=source) for leg in network.legs),
        lamps=tuple(replace(lamp, source=source) for lamp in network.lamps),
    )


def _with_sizes(network: Network, sizes: dict[str, str | None]) -> Network:
    for cable, gauge in sizes.items():
        network = _changed(network, cable, gauge=gauge)
    return network


def _changed(network: Network, cable: str, **keys: object) -> Network:
    """The network with some keys of one cable's legs changed."""
    legs = [
        replace(leg, **keys) if leg.cable == cable else leg  # type: ignore[arg-type]
        for leg in network.legs
    ]
    return replace(network, legs=tuple(legs))


def _up(gauge: str, steps: int) -> str | None:
    size: str | None = gauge
    for _ in range(steps):
        size = thicker(size) if size is not None else None
    return size


# --- transformers ---------------------------------------------------------------------------------


def _transformer_findings(
    transformer: Transformer, runs: list[Run], reserve: float
) -> Iterator[Finding]:
    where = label("transformer", transformer.name)
    yield from _volts_findings(transformer, runs, where)
    amperes = {id(run): run.amperes for run in runs if run.stands}
    for key, limit, kind in (
        (2, transformer.circuit_limit_a, "overloaded circuit"),
        (1, transformer.tap_limit_a, "overloaded tap"),
    ):
        for which in sorted({run.source[key] for run in runs}) if limit else ():
            own = [run for run in runs if run.source[key] == which and run.stands]
            total = sum(amperes[id(run)] for run in own)
            what = f"common {which}" if key == 2 else f"its {which:g} V tap"
            if limit is not None and total > limit + ROUNDING:
                problem = f"{what} gives {total:.1f} A, more than {limit:g} A"
                yield Finding(
                    kind, True, where, problem, _relief(transformer, runs, own, limit, key)
                )
            elif key == 2 and limit is not None and total > (1 - reserve) * limit + ROUNDING:
                problem = f"{what} gives {total:.1f} A of {limit:g} A: less than {reserve:.0%} is kept free"
                cure = "keep later lamps off it, or lower reserve in [wiring]"
                yield Finding("little reserve", False, where, problem, cure)
    yield from _power_findings(transformer, runs, where, reserve)


def _power_findings(
    transformer: Transformer, runs: list[Run], where: str, reserve: float
) -> Iterator[Finding]:
    total = sum(run.source[1] * run.amperes for run in runs if run.stands)
    has = transformer.power_va
    rest = "" if all(run.stands for run in runs) else ", without the runs that cannot work"
    if total > has * (1 + ROUNDING):
        problem = f"gives {total:.0f} VA, cable losses included{rest}, and is made for {has:g} VA"
        cure = f"one of {total:.0f} VA or more; with a reserve of {reserve:.0%} {total / (1 - reserve):.0f} VA"
        yield Finding("overloaded transformer", True, where, problem, cure)
    elif total > (1 - reserve) * has * (1 + ROUNDING):
        problem = f"gives {total:.0f} VA of {has:g} VA: less than {reserve:.0%} is kept free"
        cure = (
            f"one of {total / (1 - reserve):.0f} VA keeps that much, or lower reserve in [wiring]"
        )
        yield Finding("little reserve", False, where, problem, cure)


def _volts_findings(transformer: Transformer, runs: list[Run], where: str) -> Iterator[Finding]:
    wet = transformer.where == "wet"
    most = _most_v(transformer)
    supply = f"{transformer.supply} where wet" if wet else transformer.supply
    for volts in sorted({run.source[1] for run in runs}):
        if volts <= most:
            continue
        own = [run for run in runs if run.source[1] == volts]
        lower = [tap for tap in transformer.taps_v if tap <= most]
        fitting = [tap for tap in lower if all(Run(_on_tap(run.network, tap)).fits for run in own)]
        cables = _listed([cable for run in own for cable in run.cables])
        if fitting:
            cure = f'write tap = "{max(fitting):g} V" for {cables}'
        elif lower:
            cure = f'write tap = "{max(lower):g} V" for {cables}, and a thicker cable: see the run'
        else:
            cure = f"a transformer with taps up to {most:g} V" + (
                ', or where = "dry" if nobody touches it wet' if wet else ""
            )
        problem = f"its {volts:g} V tap is above {most:g} V, the most for {supply}"
        yield Finding("too many volts", True, where, problem, cure)


def _most_v(transformer: Transformer) -> float:
    limits = MOST_WET_V if transformer.where == "wet" else MOST_V
    return limits[transformer.supply]


def _relief(
    transformer: Transformer, runs: list[Run], own: list[Run], limit: float, key: int
) -> str:
    """The cable to move, and where to, so that both circuits or taps are within their limit."""
    places = list(range(1, transformer.commons + 1)) if key == 2 else list(transformer.taps_v)
    total = sum(run.amperes for run in own)
    for run in sorted(own, key=lambda run: run.amperes):
        if total - run.amperes > limit:
            continue
        for place in places:
            there = [other for other in runs if other.source[key] == place and other.stands]
            moved = run if key == 2 else Run(_on_tap(run.network, float(place)))
            load = sum(other.amperes for other in there)
            if place != run.source[key] and moved.fits and load + moved.amperes <= limit:
                word = f"common = {place}" if key == 2 else f'tap = "{place:g} V"'
                return f"write {word} for {_listed(run.cables)}"
    if key == 2 and len(own) > 1:
        most = max(run.amperes for run in own)
        if most <= limit:
            return f"a transformer with more commons than {transformer.commons}, or a second one"
    if key == 1:
        return "split its cables over more taps, or take a transformer whose taps give more"
    return "split its cables over more circuits: each gives 25 A at most"


# --- words ----------------------------------------------------------------------------------------


def _where(cables: tuple[str, ...]) -> str:
    return label("cable", cables[0]) + (f" and {len(cables) - 1} more" if len(cables) > 1 else "")


def _listed(cables: tuple[str, ...] | list[str]) -> str:
    return ", ".join(shown(cable) for cable in cables)


def _names(names: list[str]) -> str:
    return ", ".join(shown(name) for name in names[:4]) + (" …" if len(names) > 4 else "")


def _size(leg: Leg) -> str:
    return f"{leg.parallel} × {leg.gauge}" if leg.parallel > 1 else leg.gauge
