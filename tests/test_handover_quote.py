"""Price lists and quotes: bad lists are told, TOML and CSV say the same, sums are right to the cent."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path

import pytest

from nightview.errors import NightviewError
from nightview.handover.facts import Facts
from nightview.handover.options import options_of
from nightview.handover.price_list import PriceList, price_list_of
from nightview.handover.quote import legs_to, quote_of
from nightview.handover.quote_sheets import csv_text
from nightview.scene.read import parse
from nightview.wiring.network import network_of

GARDEN = """
title = "quoted"
[ground]
size = "40 m, 40 m"
[lamps.warm]
like = "path hat"
cct = "2400 K"
[lamps.odd]
kind = "omni"
flux = "100 lm"
cct = "2700 K"
power = "2 W"
lens = "40 mm"
[[fixture]]
id = "hats"
lamp = "path hat"
zone = "path"
at = "2 m, -2 m, 0.5 m"
count = 3
spacing = "2 m"
[[fixture]]
id = "ups"
lamp = "accent 36"
zone = "trees"
at = "2 m, 4 m, 0.15 m"
aim = "2 m, 6 m, 3 m"
count = 2
spacing = "3 m"
[[fixture]]
id = "tape"
lamp = "strip"
zone = "steps"
at = "-3 m, 1 m, 0.2 m"
[[state]]
name = "small"
only = ["path"]
[[state]]
name = "medium"
only = ["path", "trees"]
[[state]]
name = "late"
only = ["path"]
dim = "50 %"
[check]
curfew = "late"
"""
WIRED = (
    GARDEN
    + """
[[transformer]]
name = "T1"
at = "0 m, 0 m"
power = "60 VA"
taps = ["12 V"]
[[cable]]
name = "run"
from = "T1"
through = ["hats", "ups", "tape"]
gauge = "12 AWG"
lengths = ["3 m", "2 m", "2 m", "6 m", "3 m", "5 m"]
"""
)

LIST = """
currency = "EUR"
per = "1 m"
splice = 3.05
hub = 20
trench = 9.5
sleeve = 20
cable = [{ gauge = "12 AWG", price = 2.335 }]
[[transformer]]
name = "small unit"
power = "60 VA"
taps = ["12 V"]
price = 80
[[part]]
name = "hat"
lamps = ["path hat"]
price = 41.15
[[part]]
name = "spot"
lamps = ["accent 36"]
price = 49.99
[[part]]
name = "strip"
per = "1 ft"
price = 7.77
[[kit]]
name = "pair"
price = 90
holds = { spot = 2 }
[labour]
lamp = 12.34
job = 100
[quote]
tax = "19 %"
valid = "2 weeks"
exclusions = ["permits"]
"""
AS_CSV = """kind,name,price,currency,holds
rate,splice,3.05,EUR,
rate,hub,20,EUR,
rate,trench,9.5,EUR,1 m
rate,sleeve,20,EUR,1 m
cable,12 AWG,2.335,EUR,1 m
transformer,small unit,80,EUR,60 VA; 12 V
part,hat,41.15,EUR,path hat
part,spot,49.99,EUR,accent 36
kit,pair,90,EUR,2 spot
rate,lamp,12.34,EUR,
rate,job,100,EUR,
tax,,19 %,,
valid,2 weeks,,,
exclusion,permits,,,
"""


def listed(tmp_path: Path, text: str, name: str = "list.toml") -> PriceList:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return price_list_of(path)


def quoted(tmp_path: Path, scene: str = WIRED, prices: str = LIST):
    return quote_of(Facts(parse(scene)), listed(tmp_path, prices))


# --- lists ----------------------------------------------------------------------------------------


def test_toml_and_csv_say_the_same(tmp_path: Path) -> None:
    toml = listed(tmp_path, LIST)
    table = listed(tmp_path, AS_CSV, "list.csv")
    for key in ("currency", "digits", "kits", "transformers", "cables", "rates", "labour", "tax",
                "taxed", "exclusions", "valid"):  # fmt: skip
        assert getattr(table, key) == getattr(toml, key), key
    assert table.parts == {name: part for name, part in toml.parts.items() if name != "strip"}


def test_the_shipped_list_prices_every_lamp_of_the_catalogue() -> None:
    from nightview.lamps.catalogue import builtin_lamps

    shipped = price_list_of()
    lacking = [name for name in builtin_lamps() if shipped.part_for(name) is None]
    assert lacking == ["street lamp"]  # stands there already
    assert set(shipped.cables) and shipped.transformers and shipped.kits


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('currency = "EUR"', 'currency = "EURO"', "no currency known"),
        ('currency = "EUR"', "", "currency: is missing"),
        ("price = 41.15", "price = -1", "negative"),
        ("price = 41.15", 'price = "41"', "is no price"),
        ("price = 41.15", "price = 41.155", "more than 2 decimals"),
        ("price = 41.15", "price = nan", "is no price"),
        ("price = 41.15", "price = 1e9", "higher"),
        ('name = "spot"', 'name = "hat"', "second part"),
        ('lamps = ["accent 36"]', 'lamps = ["path hat"]', "served by"),
        ("holds = { spot = 2 }", "holds = { spots = 2 }", "spots"),
        ("holds = { spot = 2 }", "holds = { spot = 0 }", "no number of pieces"),
        ("holds = { spot = 2 }", "holds = {}", "what is in the kit"),
        ('tax = "19 %"', 'tax = "nineteen"', "no tax rate"),
        ('tax = "19 %"', "tax = 19", "no tax rate"),
        ('power = "60 VA"', 'power = "60"', "no unit"),
        ("splice = 3.05", "splices = 3.05", "no key"),
        ('per = "1 m"', 'per = "1"', "no unit"),
        ('gauge = "12 AWG"', 'gauge = "13 AWG"', "no gauge"),
        ("[labour]", "[labour", "no TOML"),
        ('exclusions = ["permits"]', 'exclusions = "permits"', "no list"),
    ],
)
def test_a_bad_list_is_told(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert LIST.count(old) == 1
    with pytest.raises(NightviewError, match=said) as told:
        listed(tmp_path, LIST.replace(old, new))
    assert told.value.where.startswith("list.toml") and told.value.problem


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("kind,name,price,currency,holds", "name,price", "columns kind, name, price"),
        ("part,hat,41.15,EUR,path hat", "part,hat,41.15,EUR", "5 cells were expected, 4 came"),
        ("part,hat,41.15", "part,hat,-41.15", "negative"),
        ("part,hat,41.15", "part,hat,1_0", "is no price"),
        ("kit,pair,90", "kit,pair,", "price: is missing"),
        ("part,hat,41.15,EUR", "part,hat,41.15,USD", "keep to one currency"),
        ("part,spot", "part,hat", "second part"),
        ("rate,hub,20", "rate,splice,20", "there twice"),
        ("rate,hub", "rate,hubb", "no rate"),
        ("part,hat", "prt,hat", "unknown"),
        ("2 spot", "two spots", "number and name"),
    ],
)
def test_a_bad_table_is_told_with_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert AS_CSV.count(old) == 1
    with pytest.raises(NightviewError, match=said) as told:
        listed(tmp_path, AS_CSV.replace(old, new), "list.csv")
    assert told.value.where.startswith("list.csv")


@pytest.mark.parametrize("data", [b"", b"\xff\xfe", b"a\x00b,c\n", b"\x00"])
@pytest.mark.parametrize("name", ["l.csv", "l.toml"])
def test_no_list_at_all(tmp_path: Path, data: bytes, name: str) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(NightviewError):
        price_list_of(tmp_path / name)
    with pytest.raises(NightviewError, match="no such file"):
        price_list_of(tmp_path / "none.toml")


# --- options --------------------------------------------------------------------------------------


def test_options_grow_and_the_late_state_is_none() -> None:
    found = options_of(parse(GARDEN))
    assert [(one.state, one.step, len(one.lamps)) for one in found] == [
        ("small", "good", 3), ("medium", "better", 5), ("as designed", "best", 6),
    ]  # fmt: skip
    assert [one.state for one in options_of(parse(GARDEN), ["late"])] == ["late"]
    with pytest.raises(NightviewError, match="no state"):
        options_of(parse(GARDEN), ["none"])


# --- quotes ---------------------------------------------------------------------------------------


def test_every_sum_is_right_to_the_cent(tmp_path: Path) -> None:
    quote = quoted(tmp_path)
    cent = Decimal("0.01")
    totals: dict[str, Decimal] = defaultdict(Decimal)
    taxed: dict[str, Decimal] = defaultdict(Decimal)
    found, tax = {}, {}
    for row in csv.DictReader(io.StringIO(csv_text(quote))):
        option = row["option"]
        if row["group"] in ("parts", "labour"):
            if row["unit price"]:
                amount = (int(row["quantity"]) * Decimal(row["unit price"])).quantize(
                    cent, ROUND_HALF_UP
                )
                assert Decimal(row["amount"]) == amount
                totals[option] += amount
                taxed[option] += amount
        elif row["group"] == "tax":
            tax[option] = Decimal(row["amount"])
            assert tax[option] == (taxed[option] * Decimal("0.19")).quantize(cent, ROUND_HALF_UP)
        elif row["group"] in ("total", "sum so far"):
            found[option] = Decimal(row["amount"])
    assert set(found) == {"small", "medium", "as designed"}
    for option, total in found.items():
        assert total == totals[option] + tax[option]


def test_a_small_quote_by_hand(tmp_path: Path) -> None:
    # medium: 3 hats 123.45, one kit of 2 spots 90.00 (singly 99.98), the unit 80.00; cable 3 + 2 + 2 +
    # 6 + 3 m and a tenth of waste = 17.6 → 18 m at 2.335 = 42.03; 5 joints 15.25; 5 lamps 61.70; 100.
    # Lengths are stated, so that no trench is known: the total is open, and says so.
    quote = quoted(tmp_path)
    one = quote.options[1]
    assert one.option.state == "medium"
    amounts = {line.item: line.amount for line in one.lines}
    assert amounts["hat"] == Decimal("123.45") and amounts["pair"] == Decimal("90.00")
    assert amounts["cable 12 AWG"] == Decimal("42.03")
    assert amounts["joint at a lamp, two sealed connectors"] == Decimal("15.25")
    assert amounts["placing, joining and aiming a lamp"] == Decimal("61.70")
    assert one.saving == Decimal("9.98")
    known = (
        Decimal("123.45") + 90 + 80 + Decimal("42.03") + Decimal("15.25") + Decimal("61.70") + 100
    )
    assert one.tax == (known * Decimal("0.19")).quantize(Decimal("0.01"), ROUND_HALF_UP)
    assert one.sum_known == known + one.tax
    assert one.total is None and "trench" in one.missing[0]


def test_a_part_by_length(tmp_path: Path) -> None:
    length = next(
        lamp.lamp.length_m for lamp in Facts(parse(GARDEN)).built.fixtures if lamp.id == "tape"
    )
    quote = quoted(tmp_path)
    line = next(line for line in quote.options[2].lines if line.item == "strip")
    assert line.quantity == -(-length // 0.3048)  # whole feet, rounded up


def test_a_missing_price_is_named_and_never_nothing(tmp_path: Path) -> None:
    scene = GARDEN.replace('lamp = "accent 36"', 'lamp = "odd"')
    quote = quoted(tmp_path, scene)
    best = quote.options[-1]
    assert best.total is None and 'lamp "odd"' in best.missing
    line = next(line for line in best.lines if line.item == 'lamp "odd"')
    assert (line.quantity, line.price, line.amount) == (2, None, None)
    row = next(r for r in csv.DictReader(io.StringIO(csv_text(quote))) if r["item"] == 'lamp "odd"')
    assert row["amount"] == "" and row["note"].startswith("no price")
    assert quote.options[0].total is not None  # the small one does not need it


def test_a_lamp_like_another_is_priced_as_that_and_it_is_said(tmp_path: Path) -> None:
    quote = quoted(tmp_path, GARDEN.replace('lamp = "path hat"', 'lamp = "warm"'))
    assert any('"warm" is priced as "hat"' in note for note in quote.notes)
    assert next(line for line in quote.options[0].lines if line.item == "hat").quantity == 3


def test_one_transformer_for_the_largest_option(tmp_path: Path) -> None:
    quote = quoted(tmp_path, GARDEN)
    facts = Facts(parse(GARDEN))
    rated = sum(lamp.power_va for lamp in facts.wired_lamps.values())
    assert quote.supply_va == pytest.approx(rated / (1 - facts.scene.wiring.reserve))
    for one in quote.options:
        assert [line.item for line in one.lines if "unit" in line.item] == ["small unit"]
    weak = LIST.replace('power = "60 VA"', 'power = "10 VA"')
    told = quoted(tmp_path, GARDEN, weak).options[0]
    assert told.total is None and "VA or more" in told.missing[0]


def test_a_wired_scene_wants_a_transformer_with_its_taps(tmp_path: Path) -> None:
    other = LIST.replace('taps = ["12 V"]', 'taps = ["15 V"]')
    missing = quoted(tmp_path, WIRED, other).options[0].missing
    assert any("T1 of 60 VA" in one for one in missing)


def test_a_smaller_option_takes_the_cable_that_leads_to_it() -> None:
    legs = network_of(parse(WIRED)).legs
    assert [leg.end for leg in legs_to(legs, {"hats-2"})] == ["hats-1", "hats-2"]
    assert len(legs_to(legs, {"tape"})) == len(legs) and legs_to(legs, set()) == ()
