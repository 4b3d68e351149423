"""A proposal: runs, layouts, gauges, taps and transformer at least cost, every lamp in its window.

``propose(scene, prices)`` gives a ``Proposal``; ``propose_text`` puts it into words and tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightview.errors import NightviewError
from nightview.scene.model import Scene
from nightview.scene.wiring_model import Cable, Hub, Transformer
from nightview.site.surface import Array
from nightview.wiring.bound import bound
from nightview.wiring.faults import Checked, check
from nightview.wiring.ground import Foot, foot_of, ground_of
from nightview.wiring.layout import Digging, Trenches, digging, median
from nightview.wiring.network import network_of, places_of, wired_lamps
from nightview.wiring.prices import Prices, TransformerPrice
from nightview.wiring.runs import LAYOUTS, Job, Run
from nightview.wiring.search import Design, searched, supply_of

HUB_CLUSTERS = (3, 5, 8)
"""Hubs are tried amid so many near lamps."""
SPOTS_APART_M = 1.0


@dataclass(frozen=True)
class Choice:
    """A row of the comparison. price, metres : None where no such design serves every lamp."""

    layout: str
    price: float | None
    runs: int = 0
    cable_m: float = 0.0
    trench_m: float = 0.0
    joints: int = 0
    margin_v: float = 0.0


@dataclass(frozen=True, eq=False)
class Bill:
    """What a proposal costs, as it would be laid."""

    cable_m: dict[str, float]
    cable: float
    joints: float
    digging: float
    transformer: float

    @property
    def price(self) -> float:
        """All of it."""
        return self.cable + self.joints + self.digging + self.transformer


@dataclass(frozen=True, eq=False)
class Proposal:
    """A design with its check.

    scene : with the proposed tables in place of its own. checked : solved exactly, hot and cold.
    least : a bound that no proposal of this kind can come under, in the measure of design.price;
    None where there are too many lamps for one. compared : a row each for one layout alone.
    """

    scene: Scene
    design: Design
    checked: Checked
    dug: Digging
    bill: Bill
    least: float | None
    compared: tuple[Choice, ...]
    unpowered: tuple[str, ...]

    @property
    def runs(self) -> tuple[Run, ...]:
        """In the order of their names."""
        return _in_order(self.design)

    @property
    def names(self) -> tuple[str, ...]:
        """Of the runs; their cables' names begin so."""
        return tuple(f"run {k + 1}" for k in range(len(self.design.runs)))

    @property
    def gap(self) -> float | None:
        """How far the design is from the bound at most, as a share of the bound."""
        return None if self.least is None else max(0.0, self.design.price / self.least - 1.0)


def propose(scene: Scene, prices: Prices) -> Proposal:
    """A proposal for all lamps of a scene that have a power and a place.

    Its first transformer says where the cables begin; its other wiring is not looked at. Errors:
    NightviewError without a transformer's place or lamps, or where a lamp cannot be served.
    """
    job, unpowered = job_of(scene, prices)
    families: dict[tuple[float, ...], list[TransformerPrice]] = {}
    for kind in prices.transformers:
        families.setdefault(kind.taps_v, []).append(kind)
    best: Design | None = None
    compared: list[Choice] = []
    for taps_v, kinds in families.items():
        own = job.with_taps(taps_v, _circuit_a(kinds, scene.wiring.reserve))
        alone = {layout: searched(own, kinds, [layout]) for layout in LAYOUTS}
        begun = sorted((one for one in alone.values() if one), key=lambda one: one.price)
        design = searched(own, kinds, LAYOUTS, begun[:2]) if begun else None
        if design is not None and (best is None or design.price < best.price):
            best = design
            compared = [_row(layout, alone[layout]) for layout in LAYOUTS]
    if best is None:
        raise _unserved(job, families, scene.wiring.reserve)
    least = None
    bounds = [bound(job.with_taps(taps, _circuit_a(own, scene.wiring.reserve)), own, LAYOUTS)
              for taps, own in families.items()]  # fmt: skip
    if any(bounds):
        lowest = min((found for found in bounds if found), key=lambda found: found.price)
        least = lowest.price
        best = _better(best, lowest.runs, prices.transformers, scene.wiring.reserve)
    compared.append(_row("as proposed", best))
    wired = _wired(scene, best)
    network = network_of(wired)
    checked = check(network)
    dug = digging([(leg.cable, leg.route, leg.sleeves) for leg in network.legs])
    return Proposal(
        wired, best, checked, dug, _bill(best, checked, dug), least, tuple(compared), unpowered
    )


def job_of(scene: Scene, prices: Prices) -> tuple[Job, tuple[str, ...]]:
    """What is to be wired, and the ids of lamps left out because they state no power."""
    placed = [one for one in scene.transformers if one.at_m is not None]
    if not placed:
        raise NightviewError(
            "transformer", "a proposal needs the place where cables begin",
            'add [[transformer]] with name, at = "x, y", power and taps',
        )  # fmt: skip
    places = places_of(scene)
    every = [lamp for fixture in scene.fixtures for lamp in fixture.lamp_ids]
    lamps = tuple(lamp for lamp in wired_lamps(scene) if lamp.id in places)
    known = {lamp.id for lamp in lamps}
    if not lamps:
        raise NightviewError(
            "fixture",
            "there is no lamp to wire",
            'add fixtures, and power = "4.5 W" to their lamps',
        )
    ground = ground_of(scene)
    feet = {placed[0].name: foot_of(scene, ground, np.asarray(places[placed[0].name]))}
    feet |= {lamp.id: foot_of(scene, ground, np.asarray(places[lamp.id])) for lamp in lamps}
    spots = _spots(np.array([foot.at for foot in feet.values()][1:]))
    feet |= {f"spot {k}": Foot(ground.freed(at), 0.0) for k, at in enumerate(spots)}
    trenches = Trenches(ground, feet, len(spots))
    for k, lamp in enumerate(lamps):
        if not np.isfinite(trenches.cost[0, k + 1]):
            trenches.pieces(0, k + 1, f'the cable to "{lamp.id}"')  # raises
    job = Job(lamps, trenches, prices, scene.wiring, (), 0.0, len(spots))
    return job, tuple(lamp for lamp in every if lamp not in known)


def _spots(feet: Array) -> list[Array]:
    """Where hubs are tried beside the lamps themselves: amid near lamps."""
    found: list[Array] = []
    for at in feet:
        order = np.argsort(np.hypot(*(feet - at).T), kind="stable")
        for size in HUB_CLUSTERS:
            if size <= len(feet):
                spot = median(feet[order[:size]])
                near = np.array([*feet, *found])
                if np.hypot(*(near - spot).T).min() > SPOTS_APART_M:
                    found.append(spot)
    return found


def _circuit_a(kinds: Sequence[TransformerPrice], reserve: float) -> float:
    return (1.0 - reserve) * max(kind.circuit_limit_a for kind in kinds)


def _better(
    best: Design, runs: tuple[Run, ...], kinds: Sequence[TransformerPrice], reserve: float
) -> Design:
    """The design of the bound's own runs, if its transformers can be had and it costs less."""
    supply = supply_of(runs, kinds, reserve)
    if supply is None:
        return best
    pieces = frozenset().union(*(run.pieces for run in runs))
    design = Design(best.job, runs, supply, sum(best.job.digs[piece] for piece in sorted(pieces)))
    return design if design.price < best.price else best


def _unserved(
    job: Job, families: dict[tuple[float, ...], list[TransformerPrice]], reserve: float
) -> NightviewError:
    """The error of a job that no design serves: the lamp that alone is out of reach, if there is."""
    for k, lamp in enumerate(job.lamps):
        alone = [
            run
            for taps, kinds in families.items()
            if (run := job.with_taps(taps, _circuit_a(kinds, reserve)).run(frozenset([k]), "daisy"))
        ]
        if not alone:
            metres, _ = job.way(0, k + 1)
            return NightviewError(
                f'lamp "{lamp.id}"',
                f"no cable and tap of the price list keeps it within {lamp.least_v:g} to "
                f"{lamp.most_v:g} V over {metres:.1f} m",
                "add thicker cable or other taps to the price list, or a transformer nearer to it",
            )
    return NightviewError(
        "transformer", "no transformer of the price list carries all lamps with the reserve",
        "add a larger one to the price list, or lower reserve in [wiring]",
    )  # fmt: skip


def _row(layout: str, design: Design | None) -> Choice:
    if design is None:
        return Choice(layout, None)
    job = design.job
    slack = job.wiring.slack_m
    cable = sum(job.way(*leg)[0] for run in design.runs for leg in run.legs)
    pieces = frozenset().union(*(run.pieces for run in design.runs))
    return Choice(
        layout, design.price, len(design.runs), cable + slack * len(job.lamps),
        sum(float(job.trenches.web.lengths[piece]) for piece in sorted(pieces)),
        len(job.lamps) + sum(run.layout == "hub" for run in design.runs),
        min(run.margin_v for run in design.runs),
    )  # fmt: skip


# --- as tables of a scene -------------------------------------------------------------------------


def _wired(scene: Scene, design: Design) -> Scene:
    """The scene with the design's tables in place of its own."""
    job, kind, supply = design.job, design.supply.kind, design.supply
    first = next(one for one in scene.transformers if one.at_m is not None)
    units = tuple(
        Transformer(
            name=first.name if u == 0 else f"{first.name}.{u + 1}", at_m=first.at_m,
            height_m=first.height_m, power_va=kind.power_va, taps_v=kind.taps_v,
            supply=first.supply, where=first.where, commons=kind.commons,
            circuit_limit_a=kind.circuit_limit_a, efficiency=first.efficiency,
        )
        for u in range(supply.units)
    )  # fmt: skip
    hubs: list[Hub] = []
    cables: list[Cable] = []
    landed = {k: circuit for circuit, own in enumerate(supply.circuits) for k in own}
    for number, run in enumerate(_in_order(design), 1):
        unit, common = divmod(landed[design.runs.index(run)], kind.commons)
        own_hubs, own = _tables(job, run, f"run {number}", units[unit].name, common + 1)
        hubs += own_hubs
        cables += own
    return scene.model_copy(
        update={"transformers": units, "hubs": tuple(hubs), "cables": tuple(cables)}
    )


def _in_order(design: Design) -> tuple[Run, ...]:
    return tuple(sorted(design.runs, key=lambda run: min(run.lamps)))


def _tables(
    job: Job, run: Run, name: str, start: str, common: int
) -> tuple[list[Hub], list[Cable]]:
    """One run as cables: a chain where nothing parts, and one more for each branch or gauge."""
    names, web = job.trenches.names, job.trenches.web
    landing = {"tap_v": run.tap_v, "common": common}
    if run.layout == "hub":
        x, y = web.points[run.legs[0][1]].tolist()
        hub = Hub(name=f"{name} hub", at_m=(round(x, 2), round(y, 2)))
        feed = Cable(
            name=f"{name} feed", start=start, through=(hub.name,), gauge=run.feed, **landing
        )
        ends = tuple(names[end] for _, end in run.legs[1:])
        leads = Cable(
            name=f"{name} leads", start=hub.name, through=ends, gauge=run.body, layout="hub"
        )
        return [hub], [feed, leads]
    chains: list[list[int]] = []
    parts = run.feed != run.body
    for k, (a, b) in enumerate(run.legs):
        is_feed = k < run.feeds
        ahead = next((c for c in chains if c[-1] == a and not (parts and c[0] == 0)), None)
        if ahead is None or is_feed:
            chains.append([a, b])
        else:
            ahead.append(b)
    cables = []
    for k, way in enumerate(chains):
        from_tap = way[0] == 0
        cables.append(
            Cable(
                name=name if k == 0 else f"{name} {_letter(k - 1)}",
                start=start if from_tap else names[way[0]],
                through=tuple(names[place] for place in way[1:]),
                gauge=run.feed if from_tap else run.body, layout="daisy",
                **(landing if from_tap else {}),
            )
        )  # fmt: skip
    return [], cables


def _letter(k: int) -> str:
    return "abcdefghijklmnopqrstuvwxyz"[k] if k < 26 else str(k + 1)


def _bill(design: Design, checked: Checked, dug: Digging) -> Bill:
    """The price of what is in the network, lengths as laid."""
    prices, wiring = design.job.prices, design.job.wiring
    metres: dict[str, float] = {}
    for leg in checked.network.legs:
        metres[leg.gauge] = metres.get(leg.gauge, 0.0) + leg.length_m * leg.parallel
    ordered = {gauge: metres[gauge] * (1.0 + wiring.waste) for gauge in prices.gauges if gauge in metres}  # fmt: skip
    hubs = sum(run.layout == "hub" for run in design.runs)
    return Bill(
        cable_m=ordered,
        cable=sum(prices.cable_a_metre(gauge) * length for gauge, length in ordered.items()),
        joints=prices.splice * len(design.job.lamps) + prices.hub * hubs,
        digging=prices.trench_a_metre * dug.trench_m + prices.sleeve_a_metre * dug.sleeve_m,
        transformer=design.supply.price,
    )
