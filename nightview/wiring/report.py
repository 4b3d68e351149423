"""All figures of a checked network as plain tables: what the terminal, the sheets and JSON show.

SI units throughout; "hot" and "cold" are the two temperatures of the copper. A figure is None where
there is no operating point.
"""

from __future__ import annotations

import heapq
from collections import Counter
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from nightview.scene.cautions import CAUTIONS
from nightview.scene.model import Scene
from nightview.scene.wiring_rules import Source
from nightview.wiring.copper import fuse_a, old_rule_v
from nightview.wiring.faults import Checked, Finding, Run
from nightview.wiring.network import Leg, Network, WiredLamp
from nightview.wiring.water import near_water

NIGHTS = 365


@dataclass(frozen=True)
class LampRow:
    """A lamp: what it is rated at, its window, and what it gets."""

    id: str
    lamp: str
    cable: str
    transformer: str
    tap_v: float
    rated_w: float
    rated_va: float
    rated_v: float
    least_v: float
    most_v: float
    hot_v: float | None
    cold_v: float | None
    hot_a: float | None
    hot_w: float | None
    lead_m: float
    inside: bool
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class LegRow:
    """A piece of cable from joint to joint."""

    cable: str
    start: str
    end: str
    gauge: str
    parallel: int
    length_m: float
    laid_m: float
    hot_ohm: float
    hot_a: float | None
    lost_w: float | None


@dataclass(frozen=True)
class CableRow:
    """A cable: what is laid, what to order, and what flows in it.

    end : its last joint. lamps, rated_w, rated_va : of the lamps on it. most_a : in its most loaded
    leg. fuse_a : the largest for it. first_v, lowest_v : of its lamps, hot.
    """

    name: str
    start: str
    end: str
    tap_v: float
    common: int
    gauge: str
    parallel: int
    lamps: int
    rated_w: float
    rated_va: float
    length_m: float
    order_m: float
    most_a: float | None
    fuse_a: float
    lost_w: float | None
    first_v: float | None
    lowest_v: float | None


@dataclass(frozen=True)
class RunRow:
    """Cables joined together: a run from one tap.

    drop_v : from the tap to its lowest lamp, hot. margin : so many times as strong its lamps could
    be. old_rule_v : the drop by the old rule of thumb, of plain runs of one American gauge.
    farthest_m : of cable to the farthest lamp.
    """

    cables: tuple[str, ...]
    transformer: str
    tap_v: float
    common: int
    lamps: int
    rated_w: float
    rated_va: float
    most_a: float | None
    lowest_lamp: str
    lowest_v: float | None
    highest_lamp: str
    highest_v: float | None
    drop_v: float | None
    lost_w: float | None
    margin: float
    farthest_m: float
    old_rule_v: float | None


@dataclass(frozen=True)
class TapRow:
    """A tap with its common. given_va : at the tap, cable losses included, the larger of hot and cold."""

    transformer: str
    tap_v: float
    common: int
    cables: tuple[str, ...]
    lamps: int
    rated_va: float
    hot_a: float | None
    cold_a: float | None
    given_va: float | None
    circuit_limit_a: float


@dataclass(frozen=True)
class TransformerRow:
    """A transformer: what it is made for, what it gives, and what would leave the reserve free."""

    name: str
    made_for_va: float
    supply: str
    given_va: float | None
    with_reserve_va: float | None


@dataclass(frozen=True)
class SpliceRow:
    """A joint in the ground: two connectors, one a pole, each with so many wires in it."""

    joint: str
    connectors: int
    wires: int


@dataclass(frozen=True)
class OrderRow:
    """Cable of one gauge: what is laid, and what to order with the waste."""

    gauge: str
    length_m: float
    order_m: float


@dataclass(frozen=True)
class SleeveRow:
    """A sleeve: under what it lies, how long it is, and the cables in it."""

    under: str
    length_m: float
    cables: tuple[str, ...]


@dataclass(frozen=True)
class Trench:
    """What is dug; None for a job that only states lengths. trench_m : sleeves included."""

    trench_m: float | None
    sleeve_m: float | None
    sleeves: tuple[SleeveRow, ...]


@dataclass(frozen=True)
class Energy:
    """Of a year, all lamps on for so many hours a night. mains_w : with the transformers' losses,
    where their efficiency is stated."""

    lamps_w: float
    cables_w: float
    mains_w: float
    hours_h: float
    year_kwh: float
    year_cost: float | None
    currency: str


@dataclass(frozen=True)
class Report:
    """Everything that ``nightview wire`` says of a scene."""

    title: str
    hot_c: float
    cold_c: float
    findings: tuple[Finding, ...]
    runs: tuple[RunRow, ...]
    lamps: tuple[LampRow, ...]
    cables: tuple[CableRow, ...]
    legs: tuple[LegRow, ...]
    taps: tuple[TapRow, ...]
    transformers: tuple[TransformerRow, ...]
    splices: tuple[SpliceRow, ...]
    order: tuple[OrderRow, ...]
    trench: Trench
    energy: Energy
    unwired: tuple[str, ...]
    assumptions: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def as_json(report: Report) -> dict[str, Any]:
    """The report as JSON takes it."""
    return asdict(report)


def schema() -> dict[str, Any]:
    """The JSON Schema of ``as_json``, draft 2020-12."""
    from pydantic import TypeAdapter

    made = TypeAdapter(Report).json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **made}


def report_of(scene: Scene, checked: Checked) -> Report:
    """The report of a scene's checked network."""
    network = checked.network
    return Report(
        title=scene.title,
        hot_c=network.wiring.hot_c,
        cold_c=network.wiring.cold_c,
        findings=(*checked.findings, *near_water(scene, network)),
        runs=tuple(_run(run) for run in checked.runs),
        lamps=_lamps(checked),
        cables=_cables(checked),
        legs=_legs(checked),
        taps=_taps(checked),
        transformers=_transformers(checked),
        splices=_splices(network),
        order=_order(network),
        trench=_trench(network),
        energy=_energy(checked),
        unwired=network.unwired,
        assumptions=tuple(_assumptions(scene, network)),
    )


def _told(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


# --- rows -----------------------------------------------------------------------------------------


def _lamps(checked: Checked) -> tuple[LampRow, ...]:
    hot, cold, network = checked.hot, checked.cold, checked.network
    reached: dict[str, str] = {}
    for leg in network.legs:
        reached.setdefault(leg.end, leg.cable)
        if not leg.from_tap:
            reached.setdefault(leg.start, leg.cable)
    rows = []
    for k, lamp in enumerate(network.lamps):
        assert lamp.source is not None
        inside = hot.lamp_v[k] >= lamp.least_v - 1e-9 and cold.lamp_v[k] <= lamp.most_v + 1e-9
        rows.append(
            LampRow(
                lamp.id, lamp.kind, reached[lamp.id], lamp.source[0], lamp.source[1],
                lamp.power_w, lamp.power_va, lamp.volts_v, lamp.least_v, lamp.most_v,
                _told(hot.lamp_v[k]), _told(cold.lamp_v[k]), _told(hot.lamp_a[k]),
                _told(hot.lamp_w[k]), lamp.lead_m, bool(inside), lamp.assumed,
            )
        )  # fmt: skip
    return tuple(rows)


def _legs(checked: Checked) -> tuple[LegRow, ...]:
    hot, network = checked.hot, checked.network
    return tuple(
        LegRow(
            leg.cable, leg.start, leg.end, leg.gauge, leg.parallel, leg.length_m, leg.laid_m,
            network.leg_ohms(leg, hot.temperature_c), _told(hot.leg_a[k]), _told(hot.leg_w[k]),
        )
        for k, leg in enumerate(network.legs)
    )  # fmt: skip


def _cables(checked: Checked) -> tuple[CableRow, ...]:
    network = checked.network
    amperes = np.maximum(abs(checked.hot.leg_a), abs(checked.cold.leg_a))
    number = {lamp.id: k for k, lamp in enumerate(network.lamps)}
    rows = []
    for cable in network.cables:
        own = [k for k, leg in enumerate(network.legs) if leg.cable == cable.name]
        legs = [network.legs[k] for k in own]
        lamps = [number[leg.end] for leg in legs if leg.end in number]
        volts = checked.hot.lamp_v[lamps]
        length = sum(leg.length_m for leg in legs) * cable.parallel
        rows.append(
            CableRow(
                name=cable.name,
                start=cable.start,
                end=legs[-1].end,
                tap_v=legs[0].source[1],
                common=legs[0].source[2],
                gauge=cable.gauge,
                parallel=cable.parallel,
                lamps=len(lamps),
                rated_w=sum(network.lamps[k].power_w for k in lamps),
                rated_va=sum(network.lamps[k].power_va for k in lamps),
                length_m=length,
                order_m=length * (1.0 + network.wiring.waste),
                most_a=_told(amperes[own].max()),
                fuse_a=fuse_a(cable.gauge) * cable.parallel,
                lost_w=_told(checked.hot.leg_w[own].sum()),
                first_v=_told(volts[0]) if lamps else None,
                lowest_v=_told(volts.min()) if lamps else None,
            )
        )
    return tuple(rows)


def _run(run: Run) -> RunRow:
    lamps = run.network.lamps
    name, tap_v, common = run.source
    low = high = -1
    if run.stands and lamps:
        low, high = int(np.argmin(run.hot.lamp_v)), int(np.argmax(run.cold.lamp_v))
    farthest = farthest_m(run.network.legs)
    return RunRow(
        cables=run.cables,
        transformer=name,
        tap_v=tap_v,
        common=common,
        lamps=len(lamps),
        rated_w=sum(lamp.power_w for lamp in lamps),
        rated_va=sum(lamp.power_va for lamp in lamps),
        most_a=_told(run.amperes),
        lowest_lamp=lamps[low].id if low >= 0 else "",
        lowest_v=float(run.hot.lamp_v[low]) if low >= 0 else None,
        highest_lamp=lamps[high].id if high >= 0 else "",
        highest_v=float(run.cold.lamp_v[high]) if high >= 0 else None,
        drop_v=tap_v - float(run.hot.lamp_v[low]) if low >= 0 else None,
        lost_w=_told(run.hot.leg_w.sum() + run.hot.lead_w.sum()) if low >= 0 else None,
        margin=run.margin,
        farthest_m=farthest,
        old_rule_v=_by_old_rule(run.network.legs, lamps, farthest),
    )


def farthest_m(legs: tuple[Leg, ...]) -> float:
    """The length of cable to the joint that is farthest from the tap, by the shortest way [m]."""
    beside: dict[str, list[tuple[str, float]]] = {}
    for leg in legs:
        beside.setdefault(leg.start, []).append((leg.end, leg.length_m))
        beside.setdefault(leg.end, []).append((leg.start, leg.length_m))
    todo = [(0.0, joint) for joint in dict.fromkeys(leg.start for leg in legs if leg.from_tap)]
    reach: dict[str, float] = {}
    while todo:  # Dijkstra's algorithm
        far, joint = heapq.heappop(todo)
        if joint not in reach:
            reach[joint] = far
            for other, length in beside[joint]:
                heapq.heappush(todo, (far + length, other))
    return max(reach.values(), default=0.0)


def _by_old_rule(
    legs: tuple[Leg, ...], lamps: tuple[WiredLamp, ...], farthest: float
) -> float | None:
    sizes = {(leg.gauge, leg.parallel) for leg in legs}
    if len(sizes) != 1 or not lamps:
        return None
    gauge, parallel = next(iter(sizes))
    drop = old_rule_v(sum(lamp.power_w for lamp in lamps), farthest, gauge)
    return None if drop is None else drop / parallel


def _taps(checked: Checked) -> tuple[TapRow, ...]:
    network, rows = checked.network, []
    for source in network.sources:
        name, tap_v, common = source
        lamps = [lamp for lamp in network.lamps if lamp.source == source]
        hot, cold = checked.hot.source_a[source], checked.cold.source_a[source]
        cables = [leg.cable for leg in network.legs if leg.source == source and leg.from_tap]
        rows.append(
            TapRow(
                name, tap_v, common, tuple(dict.fromkeys(cables)), len(lamps),
                sum(lamp.power_va for lamp in lamps), _told(hot), _told(cold),
                _told(tap_v * max(hot, cold)), network.transformer(name).circuit_limit_a,
            )
        )  # fmt: skip
    return tuple(rows)


def _given_va(checked: Checked, name: str) -> float:
    """Volt-amperes that a transformer gives, the larger of hot and cold; nan if not known."""
    sources: list[Source] = [source for source in checked.network.sources if source[0] == name]
    both = (checked.hot.source_a, checked.cold.source_a)
    return max(sum(source[1] * amperes[source] for source in sources) for amperes in both)


def _transformers(checked: Checked) -> tuple[TransformerRow, ...]:
    reserve = checked.network.wiring.reserve
    rows = []
    for transformer in checked.network.transformers:
        given = _given_va(checked, transformer.name)
        rows.append(
            TransformerRow(
                transformer.name, transformer.power_va, transformer.supply, _told(given),
                _told(given / (1.0 - reserve)),
            )
        )  # fmt: skip
    return tuple(rows)


def _splices(network: Network) -> tuple[SpliceRow, ...]:
    wires: Counter[str] = Counter()
    for leg in network.legs:
        if not leg.from_tap:
            wires[leg.start] += leg.parallel
        if not leg.to_tap:
            wires[leg.end] += leg.parallel
    lamps = {lamp.id for lamp in network.lamps}
    return tuple(SpliceRow(joint, 2, n + (joint in lamps)) for joint, n in wires.items())


def _order(network: Network) -> tuple[OrderRow, ...]:
    laid: dict[str, float] = {}
    for leg in network.legs:
        laid[leg.gauge] = laid.get(leg.gauge, 0.0) + leg.length_m * leg.parallel
    waste = 1.0 + network.wiring.waste
    return tuple(OrderRow(gauge, length, length * waste) for gauge, length in laid.items())


def _trench(network: Network) -> Trench:
    if not any(leg.route for leg in network.legs):
        return Trench(None, None, ())
    from nightview.wiring.layout import digging

    dug = digging([(leg.cable, leg.route, leg.sleeves) for leg in network.legs])
    sleeves = (SleeveRow(one.under, one.length_m, one.cables) for one in dug.sleeves)
    return Trench(dug.trench_m, dug.sleeve_m, tuple(sleeves))


def _energy(checked: Checked) -> Energy:
    """Of the parts that have an operating point, hot."""
    network, hot = checked.network, checked.hot
    lamps_w = float(np.nansum(hot.lamp_w))
    cables_w = float(np.nansum(hot.leg_w) + np.nansum(hot.lead_w))
    mains_w = 0.0
    for source in network.sources:
        watts = hot.source_w(source)
        mains_w += (
            0.0 if np.isnan(watts) else watts / (network.transformer(source[0]).efficiency or 1)
        )
    wiring = network.wiring
    kwh = mains_w / 1000.0 * wiring.hours_h * NIGHTS
    cost = None if wiring.energy_price is None else kwh * wiring.energy_price
    return Energy(lamps_w, cables_w, mains_w, wiring.hours_h, kwh, cost, wiring.currency)


# --- assumptions ----------------------------------------------------------------------------------

_TABLES = {
    "stranded": "stranded copper, NEC chapter 9 table 8 (mm²: IEC 60228 class 2)",
    "flexible": "stranded copper, NEC chapter 9 table 8 (mm²: IEC 60228 class 5)",
    "computed": "copper of 1.7241e-8 Ω·m at 20 °C, diameters of ASTM B258",
}


def _assumptions(scene: Scene, network: Network) -> list[str]:
    wiring = network.wiring
    options = ", those of every option too" if any(one.option for one in scene.fixtures) else ""
    lines = [
        f"{_TABLES[wiring.resistance]}; lowest volts at {wiring.hot_c:g} °C, highest at "
        f"{wiring.cold_c:g} °C",
        f"all lamps on at full power at once{options}; taps at their stated volts under load",
        "volt-amperes, not watts, drive the current; currents of all lamps are added as if in step",
    ]
    if wiring.splice_ohm == 0.0:
        lines.append("connectors without resistance of their own")
    else:
        lines.append(f"{1000 * wiring.splice_ohm:g} mΩ a connector, two a joint")
    if any(leg.route for leg in network.legs):
        lines.append(
            f"routed cables have {wiring.slack_m:.2f} m of slack a lamp in them; stated lengths are "
            "taken as installed"
        )
    said = {
        "power_factor": "power factor 1 (a real LED driver's is lower, and its VA higher)",
        "volts_min_v": "a window of 9 to 15 V for LED and 10.8 to 12 V for filaments, at 12 V rated",
        "volts_v": "rated at 12 V",
        "power_exponent": "LED drivers keep their watts; a filament's current goes as V^0.55",
    }
    on_ac = {one.name for one in network.transformers if one.supply == "AC"}
    for key, words in said.items():
        lacking = [lamp for lamp in network.lamps if key in lamp.assumed]
        if key == "power_factor":  # direct current has none
            lacking = [lamp for lamp in lacking if lamp.source and lamp.source[0] in on_ac]
        if lacking:
            lines.append(
                f"{words}: where none is stated, {len(lacking)} of {len(network.lamps)} lamps"
            )
    if any(transformer.efficiency is None for transformer in network.transformers):
        lines.append("energy without the losses of transformers that state no efficiency")
    return lines
