"""A report as words and tables: rows of text for the terminal, the sheets and CSV alike."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from nightview.wiring.copper import FOOT_M
from nightview.wiring.report import Report, RunRow

WHY_OLD_RULE = (
    "The old rule (watts × feet / a constant of the gauge) takes the load as spread evenly along the "
    "cable, the copper as cold, 12 V and a current of W / 12. The exact figure has each lamp in its "
    "place, hot copper, the tap's volts, volt-amperes instead of watts, and lamps that draw more as "
    "their volts fall. For one load at the end the rule tells half the drop or less; its constants "
    "for 18, 16 and 14 AWG are of another origin than those for 12, 10 and 8. Do not buy cable by it."
)
NONE = "–"


@dataclass(frozen=True)
class Sheet:
    """A table of texts. name : for the file. notes : lines below it. left : columns of words."""

    name: str
    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()


def unit(feet: bool) -> str:
    """The unit that lengths are told in."""
    return "ft" if feet else "m"


def length(metres: float, feet: bool) -> str:
    """A length of cable in metres or feet, without its unit: for columns."""
    return f"{metres / FOOT_M if feet else metres:.1f}"


def measured(metres: float, feet: bool) -> str:
    """A length of cable in a sentence: "12.3 m" or "40.4 ft"."""
    return f"{length(metres, feet)} {unit(feet)}"


def number(value: float | None, digits: int, unit: str = "") -> str:
    """A figure with its unit; a dash for none."""
    return NONE if value is None else f"{value:.{digits}f} {unit}".rstrip()


def size(gauge: str, parallel: int) -> str:
    """A gauge, with "2 × " before it for cables side by side."""
    gauge = gauge.replace("mm^2", "mm²")
    return f"{parallel} × {gauge}" if parallel > 1 else gauge


def tap(row_tap_v: float, common: int, several: bool) -> str:
    """A tap, with its common where there are several."""
    return f"{row_tap_v:g} V" + (f", common {common}" if several else "")


# --- tables ---------------------------------------------------------------------------------------


def runs_table(report: Report, feet: bool) -> Sheet:
    """Each run with its extremes."""
    several = any(row.common > 1 for row in report.taps)
    rows = tuple(
        (
            ", ".join(run.cables), run.transformer, tap(run.tap_v, run.common, several),
            str(run.lamps), number(run.rated_w, 1), number(run.rated_va, 1), number(run.most_a, 2),
            length(run.farthest_m, feet), number(run.lowest_v, 2), run.lowest_lamp or NONE,
            number(run.highest_v, 2), number(run.lost_w, 1), _margin(run.margin),
            number(run.drop_v, 2), number(run.old_rule_v, 2),
        )
        for run in report.runs
    )  # fmt: skip
    heads = ("cables", "from", "tap", "lamps", "W", "VA", "A", f"farthest {unit(feet)}", "lowest V", "at",
             "highest V", "lost W", "load margin", "drop V", "old rule V")  # fmt: skip
    notes = (
        f"Lowest volts with the copper at {report.hot_c:g} °C, highest at {report.cold_c:g} °C. "
        "Load margin: so many times as strong the lamps could be before the volts fail.",
        *(_why(report.runs)),
    )
    return Sheet("runs", "Runs", heads, rows, frozenset(("cables", "from", "tap", "at")), notes)


def _why(runs: tuple[RunRow, ...]) -> Iterator[str]:
    if any(run.old_rule_v is not None for run in runs):
        yield WHY_OLD_RULE


def _margin(margin: float) -> str:
    return "over 8" if margin >= 8.0 else f"{margin:.2f}"


def lamps_table(report: Report) -> Sheet:
    """Each lamp with its window and its volts."""
    rows = tuple(
        (
            lamp.id, lamp.lamp, lamp.cable, f"{lamp.tap_v:g} V", number(lamp.rated_w, 1),
            number(lamp.rated_va, 1), f"{lamp.least_v:g}–{lamp.most_v:g}", number(lamp.hot_v, 2),
            number(lamp.cold_v, 2), number(lamp.hot_a, 3), "yes" if lamp.inside else "NO",
        )
        for lamp in report.lamps
    )  # fmt: skip
    heads = (
        "lamp",
        "kind",
        "cable",
        "tap",
        "W",
        "VA",
        "window V",
        "hot V",
        "cold V",
        "A",
        "inside",
    )
    return Sheet("lamps", "Lamps", heads, rows, frozenset(heads[:4]))


def transformers_table(report: Report) -> Sheet:
    """What each transformer gives."""
    rows = tuple(
        (
            row.name, row.supply, number(row.made_for_va, 0), number(row.given_va, 0),
            number(row.with_reserve_va, 0),
            NONE if row.given_va is None else f"{row.given_va / row.made_for_va:.0%}",
        )
        for row in report.transformers
    )  # fmt: skip
    heads = ("transformer", "supply", "made for VA", "gives VA", "with the reserve VA", "load")
    notes = ("What it gives includes the losses of the cables. The reserve is practice, not code.",)
    return Sheet("transformers", "Transformers", heads, rows, frozenset(heads[:2]), notes)


def wire_schedule(report: Report, feet: bool) -> Sheet:
    """Each cable, with room for what is measured."""
    rows = tuple(
        (
            row.name, row.start, row.end, size(row.gauge, row.parallel), length(row.length_m, feet),
            f"{row.tap_v:g} V", str(row.common), str(row.lamps), number(row.rated_w, 1),
            number(row.rated_va, 1), number(row.most_a, 2),
            NONE if row.most_a is None else f"{row.most_a / row.fuse_a:.0%}",
            number(row.first_v, 2), number(row.lowest_v, 2), "", "",
        )
        for row in report.cables
    )  # fmt: skip
    heads = ("cable", "from", "to", "size", f"length {unit(feet)}", "tap", "common", "lamps", "W", "VA", "A",
             "of its fuse", "first V", "lowest V", "measured V", "measured A")  # fmt: skip
    notes = (
        "Volts with hot copper; W and VA of the lamps on the cable itself, A in its fullest leg.",
    )
    return Sheet("wire-schedule", "Wire schedule", heads, rows, frozenset(heads[:4]), notes)


def leg_list(report: Report, feet: bool) -> Sheet:
    """Each piece of each cable, from joint to joint."""
    rows = tuple(
        (
            leg.cable, leg.start, leg.end, size(leg.gauge, leg.parallel), length(leg.length_m, feet),
            number(1000 * leg.hot_ohm, 1), number(leg.hot_a, 2), number(leg.lost_w, 2),
        )
        for leg in report.legs
    )  # fmt: skip
    heads = ("cable", "from", "to", "size", f"length {unit(feet)}", "loop mΩ hot", "A", "lost W")
    return Sheet("leg-list", "Legs from joint to joint", heads, rows, frozenset(heads[:4]))


def tap_schedule(report: Report) -> Sheet:
    """What lands on each tap."""
    rows = tuple(
        (
            row.transformer, f"{row.tap_v:g} V", str(row.common), ", ".join(row.cables),
            str(row.lamps), number(row.rated_va, 1), number(row.hot_a, 2), number(row.cold_a, 2),
            number(row.given_va, 1), f"{row.circuit_limit_a:g}",
        )
        for row in report.taps
    )  # fmt: skip
    heads = ("transformer", "tap", "common", "cables", "lamps", "lamps VA", "A hot", "A cold",
             "gives VA", "limit A of the common")  # fmt: skip
    return Sheet(
        "tap-schedule", "Tap schedule", heads, rows, frozenset(("transformer", "tap", "cables"))
    )


def cable_list(report: Report, feet: bool) -> Sheet:
    """What to order: cable by size with its waste."""
    rows = tuple(
        (size(row.gauge, 1), length(row.length_m, feet), length(row.order_m, feet))
        for row in report.order
    )
    heads = ("cable", f"laid {unit(feet)}", f"to order, with waste {unit(feet)}")
    return Sheet("cable-list", "Cable to order", heads, rows, frozenset(heads[:1]))


def splice_list(report: Report) -> Sheet:
    """The joints in the ground and their connectors."""
    rows = tuple((row.joint, str(row.connectors), str(row.wires)) for row in report.splices)
    total = sum(row.connectors for row in report.splices)
    notes = (
        f"{total} connectors in all, sealed and listed for direct burial: one a pole at each joint.",
    )
    heads = ("joint", "connectors", "wires in each")
    return Sheet("splice-list", "Splices", heads, rows, frozenset(heads[:1]), notes)


def trench_list(report: Report, feet: bool) -> Sheet:
    """What is dug, and the sleeves under paving."""
    rows = tuple(
        (row.under, length(row.length_m, feet), ", ".join(row.cables))
        for row in report.trench.sleeves
    )
    dug = report.trench
    if dug.trench_m is None or dug.sleeve_m is None:
        notes = (
            "All lengths are stated: the ways of the cables, and what they cross, are not known.",
        )
    else:
        notes = (
            f"{measured(dug.trench_m, feet)} of trench, of which {measured(dug.sleeve_m, feet)} in "
            "sleeves; "
            "cables in one trench are counted once.",
        )
    heads = ("sleeve under", f"length {unit(feet)}", "cables in it")
    return Sheet(
        "trench-list", "Trench and sleeves", heads, rows, frozenset((heads[0], heads[2])), notes
    )


def commissioning(report: Report) -> Sheet:
    """What to measure once it is built: calculated between cold and hot, and room to write."""
    rows: list[tuple[str, ...]] = []
    for row in report.taps:
        place = f"{row.transformer}, {row.tap_v:g} V" + (
            f", common {row.common}" if row.common > 1 else ""
        )
        rows.append(
            (
                place,
                "A",
                _span(row.hot_a, row.cold_a, 2),
                f"at most {row.circuit_limit_a:g}",
                "",
                "",
            )
        )
        rows.append((place, "V", number(row.tap_v, 2), "", "", ""))
    for lamp in report.lamps:
        window = f"{lamp.least_v:g} to {lamp.most_v:g}"
        rows.append((lamp.id, "V", _span(lamp.hot_v, lamp.cold_v, 2), window, "", ""))
    heads = ("at", "unit", "calculated", "may be", "measured", "note")
    notes = (
        "Measure with all lamps on, after a quarter of an hour. Calculated: from hot to cold copper; "
        "a reading outside it means another length, lamp or joint than was entered.",
        "Date, weather, instrument and name: ______________________________________________",
    )
    return Sheet(
        "commissioning", "Commissioning", heads, tuple(rows), frozenset(("at", "note")), notes
    )


def _span(a: float | None, b: float | None, digits: int) -> str:
    if a is None or b is None:
        return NONE
    low, high = (f"{value:.{digits}f}" for value in sorted((a, b)))
    return low if low == high else f"{low} to {high}"


def sheets_of(report: Report, feet: bool) -> tuple[Sheet, ...]:
    """All tables of a hand-over, in order."""
    return (
        wire_schedule(report, feet),
        leg_list(report, feet),
        tap_schedule(report),
        cable_list(report, feet),
        splice_list(report),
        trench_list(report, feet),
        commissioning(report),
    )


# --- lines ----------------------------------------------------------------------------------------


def summary(report: Report, feet: bool) -> list[str]:
    """Cable, digging and energy, a line each."""
    cable = ", ".join(
        f"{measured(row.order_m, feet)} of {size(row.gauge, 1)}" for row in report.order
    )
    lines = [f"Cable to order, waste included: {cable}." if cable else "No cables."]
    lines += trench_list(report, feet).notes if report.trench.trench_m is not None else ()
    energy = report.energy
    dead = any(lamp.hot_v is None for lamp in report.lamps)
    cost = (
        "" if energy.year_cost is None else f", {energy.year_cost:.2f} {energy.currency}".rstrip()
    )
    lines.append(
        f"{energy.lamps_w:.1f} W in lamps, {energy.cables_w:.1f} W lost in cables; at "
        f"{energy.hours_h:g} h a night {energy.year_kwh:.0f} kWh a year{cost}"
        + (", without the runs that cannot work." if dead else ".")
    )
    return lines


def finding_lines(report: Report) -> list[str]:
    """Each finding in one line, faults first."""
    return [
        f"{'FAULT' if one.severe else 'note'}: {one.kind}: {one.where}: {one.problem}; {one.cure}"
        for one in report.findings
    ]


def terminal(report: Report, feet: bool) -> str:
    """Runs, lamps and transformers as aligned columns, then all else that is to be said."""
    blocks = [
        "\n".join((columns(sheet), *sheet.notes))
        for sheet in (runs_table(report, feet), lamps_table(report), transformers_table(report))
    ]
    lines = summary(report, feet)
    if report.unwired:
        lines.append(f"On no cable: {', '.join(report.unwired)}.")
    lines.append("Goes by: " + "; ".join(report.assumptions) + ".")
    lines += finding_lines(report) or ["No faults were found."]
    lines.append(report.cautions[0])
    return "\n\n".join([*blocks, "\n".join(lines)])


def columns(sheet: Sheet) -> str:
    """A sheet's rows as text, words to the left and figures to the right."""
    table = (sheet.heads, *sheet.rows)
    widths = [max(len(row[k]) for row in table) for k in range(len(sheet.heads))]
    return "\n".join(
        "  ".join(
            text.ljust(width) if head in sheet.left else text.rjust(width)
            for text, width, head in zip(row, widths, sheet.heads, strict=True)
        ).rstrip()
        for row in table
    )
