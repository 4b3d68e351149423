"""Tools, and the work step by step, with the quantities of this job in it."""

from __future__ import annotations

import math

from nightview.handover.document import Block, Note, Points, Rows, Sheet
from nightview.handover.facts import Facts
from nightview.wiring.report_text import measured, size

STAPLE_M = 0.75
"""Cable in a bed is pinned down about so often [common practice, no single source]."""
COVER_M, DRIVE_M = 0.15, 0.45
"""Least cover of low-voltage cable, and under a home's drive (NEC table 300.5)."""


def tools(facts: Facts) -> Sheet:
    """What has to be there before work begins."""
    own: list[Block] = [
        Points(
            (
                "Two tapes that reach across the site, a string line, a plumb bob, a level",
                "Stakes or flags, one a lamp, and a marker for their IDs",
                "Compass and angle gauge; a telephone's will do if both are checked against the plan",
                "Flat spade or trenching spade, hand trowel, tarpaulin for the turf",
                "Rubber mallet and a block of wood to drive stakes; never a steel hammer",
                "Wire strippers and cutters for the gauges in the list, screwdrivers for the terminals",
                "Sealed connectors listed for direct burial, staples, sleeves, labels that last outdoors",
                "Multimeter that reads volts AC and DC; clamp meter for amperes",
                "Torch with a red filter, ladder for hung lamps, gloves, eye and knee protection",
                "Louvres and shields to try at night, spare lamps, soft cloth",
            ),
            "ticks",
            "Tools",
        )
    ]
    materials = material_rows(facts)
    if materials:
        own.append(
            Rows(
                "Materials, waste of the cable included",
                ("item", "quantity", "unit", "there"),
                tuple((*row, "") for row in materials),
                frozenset(("quantity",)),
            )
        )
    else:
        own.append(
            Note("The scene has no cables: cable, connectors and sleeves cannot be counted.")
        )
    return Sheet("tools", "Tools and materials", tuple(own))


def material_rows(facts: Facts) -> list[tuple[str, str, str]]:
    """Item, quantity and unit of what the wiring takes; empty for a scene without cables."""
    report = facts.wiring
    if report is None:
        return []
    rows = []
    for order in report.order:
        amount, unit = measured(order.order_m, facts.feet).split(" ")
        rows.append((f"cable, {size(order.gauge, 1)}, two conductors, for burial", amount, unit))
    connectors = sum(one.connectors for one in report.splices)
    rows.append(("sealed connectors for burial", str(connectors), "pieces"))
    laid = sum(one.length_m for one in report.order)
    rows.append(
        ("cable staples, where cable lies in mulch", str(math.ceil(laid / STAPLE_M)), "at most")
    )
    if report.trench.sleeve_m:
        amount, unit = measured(report.trench.sleeve_m, facts.feet).split(" ")
        rows.append(("sleeve, wide enough for its cables", amount, unit))
    for one in report.transformers:
        rows.append((f"transformer {one.name}, {one.made_for_va:g} VA, {one.supply}", "1", "piece"))
    return rows


def order_of_work(facts: Facts) -> Sheet:
    """From the first stake to the last look."""
    count, report = len(facts.lamps), facts.wiring
    sleeves = ""
    if report is not None and report.trench.sleeves:
        under = ", ".join(dict.fromkeys(one.under for one in report.trench.sleeves))
        sleeves = f" Sleeves go under {under}."
    volts = (
        "Compare with the calculated volts on the commissioning sheet."
        if report is not None
        else "Every lamp is to be inside its window: see the commissioning sheet."
    )
    steps = (
        "Have public utilities marked, and find private lines: irrigation, gas, drains, pet fences. "
        "Wait until all are marked before a spade goes in.",
        "Measure from corner A to corner B and compare with the stake-out sheet.",
        f"Stake out all {count} lamp{'s' * (count != 1)} from A and B, each stake with its ID. Walk "
        "round once with the client.",
        "Place the lamps on the ground beside their stakes, and aim them roughly by the aiming sheet.",
        f"Mount the transformer near its outlet, upright and clear of the ground.{sleeves}",
        "Roll out the cables on the ground by the wire schedule, with slack at each lamp. Mark both "
        "ends with the cable's name.",
        "Power off. Join each lamp with sealed connectors, one a pole; land each cable on its tap.",
        f"Power on: test all lamps before anything is buried. Measure volts and amperes under load. {volts}",
        f"Power off. Cut the turf and open the trench: {facts.length(COVER_M)} of cover at least, "
        f"{facts.length(DRIVE_M)} under a drive; deeper where spade or aerator will reach.",
        "Lay sleeves first, then the cables, flat and without strain; take pictures with a tape in them.",
        "In beds lay the cable on the soil and staple it down in the mulch; keep the staples off its "
        "insulation.",
        "Drive each stake with the mallet on a block of wood, never on the lamp; if it meets stone, "
        "move it a hand's breadth and note where to.",
        "Fill and tread the trench, put the turf back, water it. Test all lamps again.",
        "After full dark: aim by the night list, fit shields, tighten everything.",
        "Write down what differs from the plan. Hand over these sheets, the meter readings and the pictures.",
    )  # fmt: skip
    digging = Note(
        "Nothing is buried before every lamp has been lit and measured with all the others on.",
        True,
    )
    return Sheet("work", "Order of work", (digging, Points(steps, "steps")))
