"""The installer's sheets: what stands where, how it is staked out, aimed, tested and kept."""

from __future__ import annotations

from collections.abc import Iterator

from nightview.handover.aiming import aiming_sheets
from nightview.handover.document import Block, Document, Note, Points, Rows, Sheet
from nightview.handover.drawn import plan_figures
from nightview.handover.facts import BODY_WORDS, Facts
from nightview.handover.lengths import degrees
from nightview.handover.upkeep import care_sheet
from nightview.handover.work import order_of_work, tools
from nightview.plan.schedule import beam_text
from nightview.site.placing import Placed
from nightview.wiring.report_text import Sheet as WireSheet
from nightview.wiring.report_text import finding_lines, lamps_table, sheets_of, summary

UNWIRED = (
    "This scene has no cables: lengths, gauges, taps and volts are still to be worked out. Write "
    "[[transformer]] and [[cable]] tables, or let nightview wire --propose choose them, and make this "
    "folder again before anything is bought."
)
NOT_STATED = "not stated"


def installer(facts: Facts) -> Document:
    """All sheets, in the order in which they are used."""
    count = len(facts.lamps)
    about = (
        f"For the installer. {count} lamp{'s' * (count != 1)}; lengths in "
        f"{'feet and inches' if facts.feet else 'metres'}; bearings are clockwise from north."
    )
    sheets = [schedule_sheet(facts), stake_sheet(facts), *aiming_sheets(facts)[:1]]
    sheets += wiring_sheets(facts)
    sheets += [tools(facts), order_of_work(facts), commissioning_sheet(facts)]
    sheets += [*aiming_sheets(facts)[1:], care_sheet(facts)]
    return Document(f"{facts.title}: installer's sheets", about, tuple(sheets))


# --- lamps ----------------------------------------------------------------------------------------


def schedule_sheet(facts: Facts) -> Sheet:
    """What each lamp is, and where it stands."""
    what = Rows(
        "What each lamp is. Finish and colour rendering are not part of the design: fill them in.",
        ("ID", "lamp", "mount", "W", "VA", "V", "lm", "beam", "peak cd", "CCT", "shield",
         "photometry", "finish", "CRI"),
        tuple(_what(facts, lamp) for lamp in facts.lamps),
        frozenset(("W", "VA", "lm", "peak cd", "CCT")),
    )  # fmt: skip
    letter = "" if facts.feet else " m"
    heads = ("ID", "zone", "where", f"x{letter}", f"y{letter}", f"z{letter}")
    where = Rows(
        "Where each lamp stands: x along the front, y into the lot, z of the lens above the ground, "
        "from the datum on the plan.",
        heads,
        tuple(
            (lamp.id, lamp.zone, facts.place_words(lamp), *(_plain(facts, v) for v in lamp.position))
            for lamp in facts.lamps
        ),
        frozenset(heads[3:]),
    )  # fmt: skip
    lacking = [lamp.id for lamp in facts.lamps if lamp.id not in facts.wired_lamps]
    notes = [
        Note("lm as rated; peak candela with the loss of dirt and age in it. Photometry \"assumed\" is "
             "a typical lamp's: put the data sheet of the one that is bought in its place."),
    ]  # fmt: skip
    if lacking:
        notes.append(Note(f"No power is stated for {', '.join(lacking)}: ask before buying.", True))
    return Sheet("schedule", "Fixture schedule", (*notes, what, where))


def _what(facts: Facts, lamp: Placed) -> tuple[str, ...]:
    wired = facts.wired_lamps.get(lamp.id)
    own = lamp.lamp
    beam = facts.beams[[one.id for one in facts.lamps].index(lamp.id)]
    volts = f"{wired.volts_v:g}, {wired.least_v:g}–{wired.most_v:g}" if wired else NOT_STATED
    length = f", {facts.length(own.length_m)} long" if own.length_m else ""
    shield = facts.fixture_of[lamp.id].shield_deg
    return (
        lamp.id, own.name, BODY_WORDS[own.body] + length,
        f"{wired.power_w:g}" if wired else NOT_STATED,
        f"{wired.power_va:.1f}" if wired else NOT_STATED, volts, f"{own.rated_flux_lm:.0f}",
        beam_text(lamp, beam), f"{own.intensity.peak_cd:.0f}", f"{lamp.cct_k:.0f} K",
        "–" if shield is None else degrees(shield).lstrip("+"), own.photometry, "", "",
    )  # fmt: skip


def _plain(facts: Facts, metres: float) -> str:
    text = facts.length(metres)
    return text if facts.feet else text.removesuffix(" m")


def stake_sheet(facts: Facts) -> Sheet:
    """The plan, and each lamp's distances from two corners."""
    found = facts.stakes
    heads = (
        "ID",
        "from A",
        "from B",
        "along A–B",
        "off the line",
        "side",
        "lens above ground",
        "note",
    )
    rows = []
    for one in found.stakes:
        notes = []
        if one.in_the_way:
            notes.append(f"the house is in the way of tape {' and '.join(one.in_the_way)}")
        if one.shallow:
            notes.append("the tapes meet at a slant")
        told = f"use along and off: {', and '.join(notes)}" if notes else ""
        side = "on it" if abs(one.off) < 0.005 else "left" if one.off > 0 else "right"
        rows.append(
            (one.name, facts.length(one.from_a), facts.length(one.from_b), facts.length(one.along),
             facts.length(abs(one.off)), side, facts.length(one.height_m), told)
        )  # fmt: skip
    table = Rows("Distances on the level, from the corners at the ground", heads, tuple(rows),
                 frozenset(heads[1:5]) | {heads[6]})  # fmt: skip
    text = (
        f"A: {found.a.words}. B: {found.b.words}. Between A and B: {facts.length(found.base_m)}; "
        "measure this first, and stop if it differs by more than a hand's breadth: then the model is "
        "not the house."
    )
    how = Points(
        (
            "Hook one tape at A and one at B. Where the two figures of a lamp meet, on the side that is "
            "told, goes its stake. Left and right: as you stand at A and look to B.",
            "Where a tape cannot run straight, go along the line from A towards B (a negative figure: "
            "away from B), then off it at a right angle.",
            "Hold the tapes level, on slopes with a plumb line. Write the lamp's ID on every stake.",
        ),
        "steps",
    )
    return Sheet(
        "stakes", "Plan and stake-out", (Note(text, True), how, table, *plan_figures(facts))
    )


# --- wiring ---------------------------------------------------------------------------------------


def wiring_sheets(facts: Facts) -> Iterator[Sheet]:
    """The schedules of a wired scene; of one that is not, a sheet that says so."""
    report = facts.wiring
    if report is None:
        yield Sheet("wiring", "Wiring", (Note(UNWIRED, True),))
        return
    first: list[Block] = []
    if report.findings:
        first.append(Points(tuple(finding_lines(report)), "plain", "What is wrong, and its cure"))
    first.append(Points(tuple(summary(report, facts.feet)), "plain", "In short"))
    if report.unwired:
        first.append(Note(f"On no cable: {', '.join(report.unwired)}.", True))
    first.append(Points(report.assumptions, "plain", "What this goes by"))
    first.append(_rows(lamps_table(report)))
    yield Sheet("wiring", "Wiring and volts", tuple(first))
    by_name = {sheet.name: sheet for sheet in sheets_of(report, facts.feet)}
    for key, title, names in (
        ("wires", "Wire and tap schedule", ("wire-schedule", "tap-schedule")),
        ("splices", "Splices and cable to order", ("splice-list", "cable-list", "leg-list")),
        ("trenches", "Trenches and sleeves", ("trench-list",)),
    ):
        blocks = [block for name in names for block in blocks_of(by_name[name])]
        yield Sheet(key, title, tuple(blocks))


def blocks_of(sheet: WireSheet) -> list[Block]:
    """A table of the wiring with its notes."""
    return [*([_rows(sheet)] if sheet.rows else []), *map(Note, sheet.notes)]


def _rows(sheet: WireSheet) -> Rows:
    return Rows(sheet.title, sheet.heads, sheet.rows, frozenset(sheet.heads) - sheet.left)


def commissioning_sheet(facts: Facts) -> Sheet:
    """What is measured once it is built."""
    before = Points(
        (
            "Transformer off: every splice closed and sealed, every lamp on its stake, no bare copper.",
            "All lamps on, cables still open to view: every lamp lights, none flickers.",
            "Let everything run for a quarter of an hour. Then measure, all lamps on.",
            "Under load: volts at each lamp, amperes at each common. Write them beside the calculated.",
            "A figure outside what is calculated: stop, and look for a wrong length, lamp or tap.",
            "Timer or photocell switches on at dusk and off as agreed; the outlet's test button trips it.",
            "Only now is any cable buried.",
        ),
        "ticks",
    )
    if facts.wiring is not None:
        sheet = {one.name: one for one in sheets_of(facts.wiring, facts.feet)}["commissioning"]
        return Sheet("commissioning", "Commissioning", (before, *blocks_of(sheet)))
    rows = tuple(
        (lamp.id, _window(facts, lamp), "", "", "") for lamp in facts.lamps
    )  # fmt: skip
    table = Rows("Volts at each lamp", ("lamp", "may be V", "measured V", "lights", "note"), rows)
    signed = Note("Date, weather, instrument and name: " + "_" * 46)
    return Sheet("commissioning", "Commissioning", (before, Note(UNWIRED), table, signed))


def _window(facts: Facts, lamp: Placed) -> str:
    wired = facts.wired_lamps.get(lamp.id)
    return f"{wired.least_v:g} to {wired.most_v:g}" if wired else NOT_STATED
