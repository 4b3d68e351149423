"""The quote as sheets for the client, and as CSV."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

from nightview.handover.document import Block, Document, Note, Points, Rows, Sheet
from nightview.handover.facts import Facts
from nightview.handover.price_list import SHIPPED
from nightview.handover.quote import NO_WIRING, OptionQuote, Quote, held_words, plain_money

INVENTED = (
    "The prices are the invented ones that nightview ships, to show how a quote looks: give your own "
    "with --prices FILE."
)
HEADS = (
    "option",
    "step",
    "group",
    "item",
    "quantity",
    "unit",
    "unit price",
    "amount",
    "currency",
    "note",
)


def document(facts: Facts, quote: Quote) -> Document:
    """A sheet that compares the options, one for each, and one for the kits."""
    sheets = [
        _compared(facts, quote),
        *(_option(quote, one, k) for k, one in enumerate(quote.options, 1)),
    ]
    if quote.kits:
        sheets.append(_kits(quote))
    about = f"Prices in {quote.listed.currency}, from {quote.listed.source}."
    if quote.listed.valid:
        about += f" Valid for {quote.listed.valid} from the day it is handed over."
    else:
        about += " The price list does not say how long they are valid."
    return Document(f"{facts.scene.title}: quote", about, tuple(sheets))


def name_of(one: OptionQuote) -> str:
    """An option's name with its step."""
    return f"{one.option.step}: {one.option.label}" if one.option.step else one.option.label


def total_words(quote: Quote, one: OptionQuote) -> str:
    """The total, or that there is none yet."""
    if one.total is not None:
        return quote.money(one.total)
    return f"{quote.money(one.sum_known)} so far, without {', '.join(one.missing)}"


def _compared(facts: Facts, quote: Quote) -> Sheet:
    blocks: list[Block] = []
    if quote.listed.source == SHIPPED:
        blocks.append(Note(INVENTED, True))
    blocks.append(
        Rows(
            "The options",
            ("option", "lamps", "saved by kits", "left over", "total"),
            tuple(
                (name_of(one), str(len(one.option.lamps)), _saving(quote, one),
                 held_words(one.spare) or "nothing", total_words(quote, one))
                for one in quote.options
            ),
            frozenset(("lamps", "saved by kits")),
        )
    )  # fmt: skip
    if quote.supply_va is not None:
        losses = (
            "the losses of the cables"
            if quote.losses
            else "no losses of cables, which are not known"
        )
        reserve = facts.scene.wiring.reserve
        blocks.append(
            Note(
                f"What feeds the lamps is the same in every option, so that a smaller one can grow: "
                f"{quote.supply_va:.0f} VA or more, for the largest option's lamps, with {losses}, and "
                f"{reserve:.0%} kept free."
            )
        )
    if quote.notes:
        blocks.append(Points(quote.notes, "plain", "To note"))
    excluded = list(quote.listed.exclusions)
    if not quote.losses:
        excluded.append(NO_WIRING)
    if quote.listed.tax is None:
        excluded.append("tax: the price list states no rate")
    if excluded:
        blocks.append(Points(tuple(excluded), "plain", "Not in these prices"))
    return Sheet("options", "Options and totals", tuple(blocks))


def _saving(quote: Quote, one: OptionQuote) -> str:
    if one.saving is None:
        return "cannot be told: a single price is missing"
    return quote.money(one.saving) if one.saving else "nothing"


def _option(quote: Quote, one: OptionQuote, number: int) -> Sheet:
    def told(value: Decimal | None) -> str:
        return "no price" if value is None else plain_money(quote.listed, value)

    rows = [
        (
            line.item,
            str(line.quantity),
            line.unit,
            unit_price(quote, line.price),
            told(line.amount),
            line.note,
        )
        for line in one.lines
    ]
    if one.tax is not None and quote.listed.tax is not None:
        rate = f"{(quote.listed.tax * 100).normalize():f} %"
        rows.append(
            (
                "tax",
                "",
                "",
                rate,
                told(one.tax),
                f"on {' and '.join(quote.listed.taxed) or 'nothing'}",
            )
        )
    rows.append(
        ("total" if one.total is not None else "sum so far", "", "", "", told(one.sum_known), "")
    )
    heads = ("item", "quantity", "unit", "unit price", "amount", "note")
    table = Rows(
        f"In {quote.listed.currency}",
        heads,
        tuple(rows),
        frozenset(("quantity", "unit price", "amount")),
    )
    blocks: list[Block] = [table]
    if one.missing:
        blocks.insert(
            0, Note(f"This is no total yet: there is no price for {', '.join(one.missing)}.", True)
        )
    if one.spare:
        blocks.append(
            Note(f"Left over, since kits hold more than is needed: {held_words(one.spare)}.")
        )
    blocks.append(Note(f"Kits against single parts: {_saved(quote, one)}"))
    blocks.append(Note(f"Lamps: {', '.join(one.option.lamps)}."))
    return Sheet(f"option-{number}", name_of(one).capitalize(), tuple(blocks))


def _saved(quote: Quote, one: OptionQuote) -> str:
    if one.saving is None:
        return "what they save cannot be told, since a single price is missing."
    return f"they save {quote.money(one.saving)}." if one.saving else "no kit is cheaper here."


def unit_price(quote: Quote, price: Decimal | None) -> str:
    """A unit price with all its decimals."""
    if price is None:
        return "no price"
    digits = max(quote.listed.digits, -int(price.normalize().as_tuple().exponent))
    return f"{price:,.{digits}f}".replace(",", "\u00a0")


def _kits(quote: Quote) -> Sheet:
    rows = []
    for kit in quote.kits:
        worth = (
            "cannot be told" if kit.singles is None else quote.money(abs(kit.singles - kit.price))
        )
        said = (
            "" if kit.singles is None else "saves " if kit.singles >= kit.price else "costs more: "
        )
        rows.append(
            (kit.name, kit.holds, quote.money(kit.price), quote.money(kit.singles), said + worth)
        )
    heads = ("kit", "what is in it", "price", "its parts singly", "difference")
    note = Note(
        "A kit is worth its price only where its parts are needed: each option's mix is the cheapest there "
        "is, found by an integer programme."
    )
    return Sheet("kits", "Kits and single parts", (note, Rows("Every kit of the price list", heads, tuple(rows), frozenset(("price", "its parts singly")))))  # fmt: skip


def csv_text(quote: Quote) -> str:
    """All lines of all options as CSV, with plain decimal numbers; what has no price is left empty
    and said so in the note."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(HEADS)
    currency = quote.listed.currency

    def number(value: Decimal | None) -> str:
        return "" if value is None else f"{value:f}"

    for one in quote.options:
        head = (one.option.state, one.option.step)
        for line in one.lines:
            note = "; ".join(filter(None, ("no price" if line.amount is None else "", line.note)))
            writer.writerow((*head, line.group, safe(line.item), line.quantity, line.unit,
                             number(line.price), number(line.amount), currency, safe(note)))  # fmt: skip
        if one.tax is not None:
            writer.writerow(
                (
                    *head,
                    "tax",
                    "tax",
                    "",
                    "",
                    number(quote.listed.tax),
                    number(one.tax),
                    currency,
                    "",
                )
            )
        note = f"without {', '.join(one.missing)}" if one.missing else ""
        kind = "total" if one.total is not None else "sum so far"
        writer.writerow(
            (*head, kind, kind, "", "", "", number(one.sum_known), currency, safe(note))
        )
        for name, n in one.spare.items():
            writer.writerow((*head, "left over", safe(name), n, "piece", "", "", "", ""))
    return out.getvalue()


def safe(text: str) -> str:
    """A text that no spreadsheet takes for a formula: names come from the scene and the price list."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t") else text
