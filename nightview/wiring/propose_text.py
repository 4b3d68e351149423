"""A proposal in words: the comparison, what it costs, why each choice, and its tables as TOML."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from nightview.scene.wiring_model import Cable, Hub, Transformer
from nightview.units import shown
from nightview.wiring.propose import Choice, Proposal
from nightview.wiring.report_text import NONE, Sheet, columns, length, measured, number, size, unit
from nightview.wiring.runs import LAYOUTS, Run, next_cheaper


def told(proposal: Proposal, feet: bool) -> str:
    """The whole proposal for a terminal."""
    blocks = [
        _block(comparison(proposal, feet)),
        _block(bill(proposal, feet)),
        "\n".join(("Why", *reasons(proposal, feet))),
        "\n".join(("Put into the scene in place of its own wiring:", "", as_toml(proposal))),
    ]
    if proposal.unpowered:
        blocks.insert(2, f"Left out, since no power is stated: {', '.join(proposal.unpowered)}.")
    return "\n\n".join(blocks)


def _block(sheet: Sheet) -> str:
    return "\n".join((sheet.title, columns(sheet), *sheet.notes))


def comparison(proposal: Proposal, feet: bool) -> Sheet:
    """Daisy chain, tee, hub and branches, each alone for the whole job, and what is proposed."""
    currency = proposal.design.job.prices.currency
    rows = tuple(_row(choice, feet) for choice in proposal.compared)
    heads = ("layout", f"price {currency}".strip(), "runs", f"cable {unit(feet)}",
             f"trench {unit(feet)}", "joints", "margin V")  # fmt: skip
    notes = [
        "Each the cheapest found with that layout alone. Margin: the nearest that any lamp comes to "
        "an end of its window, with the reserve in use.",
    ]
    if proposal.least is not None and proposal.gap is not None:
        notes.append(
            f"No proposal of this kind costs less than {proposal.least:.2f}: this one is within "
            f"{100 * proposal.gap:.1f} %."
        )
    else:
        notes.append(
            "There are too many lamps to bound how much cheaper the best proposal could be."
        )
    return Sheet("comparison", "Layouts compared", heads, rows, frozenset(heads[:1]), tuple(notes))


def _row(choice: Choice, feet: bool) -> tuple[str, ...]:
    if choice.price is None:
        return (choice.layout, "serves not all", *[NONE] * 5)
    return (
        choice.layout, number(choice.price, 2), str(choice.runs), length(choice.cable_m, feet),
        length(choice.trench_m, feet), str(choice.joints), number(choice.margin_v, 2),
    )  # fmt: skip


def bill(proposal: Proposal, feet: bool) -> Sheet:
    """What it costs, lengths as they would be laid."""
    prices, owed, dug = proposal.design.job.prices, proposal.bill, proposal.dug
    rows = [
        (f"cable {size(gauge, 1)}, waste included", measured(metres, feet),
         number(metres * prices.cable_a_metre(gauge), 2))
        for gauge, metres in owed.cable_m.items()
    ]  # fmt: skip
    supply = proposal.design.supply
    rows += [
        ("joints", str(len(proposal.design.job.lamps)), number(owed.joints, 2)),
        (
            "trench",
            f"{measured(dug.trench_m, feet)}, {measured(dug.sleeve_m, feet)} in sleeves",
            number(owed.digging, 2),
        ),
        (f"transformer {supply.kind.name}", str(supply.units), number(owed.transformer, 2)),
        ("together", "", number(owed.price, 2)),
    ]
    heads = ("item", "quantity", f"price {prices.currency}".strip())
    notes = (
        "Lengths as laid, bends cut short; the comparison counts them a little longer, from corner "
        "to corner of the ways it tries. Lamps and labour beyond the trench are not in it.",
    )
    return Sheet("bill", "What it costs", heads, tuple(rows), frozenset(heads[:2]), notes)


# --- why ------------------------------------------------------------------------------------------


def reasons(proposal: Proposal, feet: bool) -> Iterator[str]:
    """A line for each choice."""
    design = proposal.design
    job, supply = design.job, design.supply
    for run, name in zip(proposal.runs, proposal.names, strict=True):
        lamps = [job.lamps[k].id for k in sorted(run.lamps)]
        yield f"- {name}: {_listed(lamps)}, {run.layout_told}, {_gauges(run)}, {run.tap_v:g} V"
        yield f"  layout: {_layout_why(proposal, run)}"
        yield f"  gauge: {_gauge_why(proposal, run)}"
        yield (
            f"  tap: of those that serve it keeps its lamps farthest inside their windows, by "
            f"{run.margin_v:.2f} V"
        )
    if len(proposal.runs) > 1:
        yield "- grouping: no lamp moved to a near run, no two runs joined and none cut costs less"
    given = sum(run.va for run in design.runs)
    reserve = job.wiring.reserve
    yield (
        f"- transformer: {supply.units} × {supply.kind.name}: the runs take {given:.0f} VA, cable "
        f"losses included, and with a reserve of {reserve:.0%} {given / (1 - reserve):.0f} VA; it is "
        "the cheapest of the list with the taps and circuits for it"
    )


def _listed(names: list[str]) -> str:
    return ", ".join(names[:5]) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _gauges(run: Run) -> str:
    if run.feed == run.body or len(run.legs) == run.feeds:
        return size(run.feed, 1)
    return f"{size(run.feed, 1)} to its first joint, then {size(run.body, 1)}"


def _layout_why(proposal: Proposal, run: Run) -> str:
    """What the other layouts would cost for these lamps, beside the trenches of the other runs."""
    job = proposal.design.job
    others = [other for other in proposal.runs if other is not run]
    dug = frozenset().union(*(other.pieces for other in others))

    def price(one: Run) -> float:
        return one.price + sum(job.digs[piece] for piece in sorted(one.pieces - dug))

    own = price(run)
    more = []
    for layout in LAYOUTS:
        other = job.run(run.lamps, layout)
        if layout == run.layout or (layout == "daisy" and run.layout_told == "daisy"):
            continue
        if other is None:
            more.append(f"as {layout} it is no single run that serves")
        elif other.legs != run.legs:
            more.append(f"as {layout} {price(other) - own:+.2f}")
    return ", ".join(more) if more else "there is but one way to its lamps"


def _gauge_why(proposal: Proposal, run: Run) -> str:
    cheaper = next_cheaper(proposal.design.job, run)
    if cheaper is None:
        return "the cheapest of the list serves"
    (feed, body), margin = cheaper
    words = size(feed, 1) if feed == body else f"{size(feed, 1)}, then {size(body, 1)}"
    if margin < -1.0:
        return f"one step cheaper, {words}, a lamp would be more than a volt outside its window"
    if margin < 0:
        return f"one step cheaper, {words}, a lamp would be {-margin:.2f} V outside its window"
    return f"one step cheaper, {words}, would carry more amperes than it may"


# --- as a scene file has them ---------------------------------------------------------------------


def as_toml(proposal: Proposal) -> str:
    """The tables of the proposal as a scene file has them."""
    scene = proposal.scene
    tables: list[tuple[str, Transformer | Hub | Cable]] = [
        *(("transformer", one) for one in scene.transformers),
        *(("hub", one) for one in scene.hubs),
        *(("cable", one) for one in scene.cables),
    ]
    return "\n".join(_table(kind, one) for kind, one in tables)


_UNITS = {"power_va": "VA", "circuit_limit_a": "A", "height_m": "m", "taps_v": "V", "tap_v": "V", "at_m": "m"}  # fmt: skip


def _table(kind: str, table: Transformer | Hub | Cable) -> str:
    lines = [f"[[{kind}]]"]
    for key, field in type(table).model_fields.items():
        value = getattr(table, key)
        if value is None or value == field.default:
            continue
        lines.append(f"{field.alias or key} = {_value(value, _UNITS.get(key, ''))}")
    return "\n".join(lines) + "\n"


def _value(value: Any, of: str) -> str:
    if isinstance(value, tuple) and of == "m":  # a point is one text
        return shown(", ".join(f"{round(x, 3) + 0.0:g} m" for x in value))
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(one, of) for one in value) + "]"
    if isinstance(value, float):
        return shown(f"{round(value, 4):g} {of}") if of else f"{value:g}"
    if isinstance(value, str):
        import json

        return json.dumps(value, ensure_ascii=False)
    return str(value)


def as_json(proposal: Proposal) -> dict[str, Any]:
    """The proposal's own figures: comparison, bill, bound, runs."""
    job = proposal.design.job
    return {
        "currency": job.prices.currency,
        "price": _plain(proposal.bill.price),
        "bill": {
            "cable_m": {gauge: _plain(m) for gauge, m in proposal.bill.cable_m.items()},
            "cable": _plain(proposal.bill.cable), "joints": _plain(proposal.bill.joints),
            "digging": _plain(proposal.bill.digging),
            "transformer": _plain(proposal.bill.transformer),
        },
        "bound": {"price": _plain(proposal.design.price), "least": _plain(proposal.least),
                  "gap": _plain(proposal.gap)},
        "compared": [
            {key: _plain(value) for key, value in vars(choice).items()}
            for choice in proposal.compared
        ],
        "runs": [
            {"name": name, "lamps": [job.lamps[k].id for k in sorted(run.lamps)],
             "layout": run.layout_told, "feed": run.feed, "body": run.body, "tap_v": run.tap_v,
             "price": _plain(run.price), "amps": _plain(run.amps),
             "margin_v": _plain(run.margin_v)}
            for run, name in zip(proposal.runs, proposal.names, strict=True)
        ],
        "toml": as_toml(proposal),
    }  # fmt: skip


def _plain(value: Any) -> Any:
    if isinstance(value, (float, np.floating)):
        return round(float(value), 6)
    return value
