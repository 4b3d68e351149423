"""The cheapest mix of kits and singles, against every mix there is."""

from __future__ import annotations

import itertools
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightview.handover.kits import cheapest, singles_only
from nightview.handover.price_list import Kit, Part, PriceList, Supply

PARTS = ("a", "b", "c")
UNITS = {"small": 60.0, "large": 300.0}


def price_list(singles, kits=(), units=()) -> PriceList:
    parts = {n: Part(n, None if p is None else Decimal(p) / 100, (n,)) for n, p in singles.items()}
    boxes = {
        f"kit {k}": Kit(f"kit {k}", Decimal(p) / 100, holds) for k, (p, holds) in enumerate(kits)
    }
    supplies = {n: Supply(n, None if p is None else Decimal(p) / 100, UNITS[n]) for n, p in units}
    return PriceList("test", "USD", 2, parts, boxes, supplies)


def brute(listed: PriceList, needs: dict[str, int], supplies) -> Decimal | None:
    """The least price of all mixes with up to as many of each kit as could be of use."""
    kits = list(listed.kits.values())
    most = sum(needs.values()) + len(supplies)
    best = None
    for counts in itertools.product(range(most + 1), repeat=len(kits)):
        price = sum((k.price * n for k, n in zip(kits, counts, strict=True)), Decimal(0))
        if best is not None and price >= best:
            continue
        held = {}
        for kit, n in zip(kits, counts, strict=True):
            for name, m in kit.holds.items():
                held[name] = held.get(name, 0) + n * m
        for name, n in needs.items():
            lacking = max(0, n - held.get(name, 0))
            if lacking:
                single = listed.parts[name].price
                price = None if single is None or price is None else price + single * lacking
        # Transformers: try every way to buy the lacking ones singly.
        buys = [n for n, one in listed.transformers.items() if one.price is not None]
        options = []
        for extra in itertools.product(range(len(supplies) + 1), repeat=len(buys)):
            stock = [n for n in listed.transformers for _ in range(held.get(n, 0))]
            stock += [n for n, m in zip(buys, extra, strict=True) for _ in range(m)]
            if any(
                all(name in fit for name, fit in zip(chosen, supplies, strict=True))
                for chosen in itertools.permutations(stock, len(supplies))
            ):
                options.append(
                    sum(
                        (
                            listed.transformers[n].price * m
                            for n, m in zip(buys, extra, strict=True)
                        ),
                        Decimal(0),
                    )
                )
        if price is None or not options:
            continue
        price += min(options)
        best = price if best is None else min(best, price)
    return best


@given(
    singles=st.fixed_dictionaries({n: st.integers(1, 9000) for n in PARTS}),
    kits=st.lists(
        st.tuples(st.integers(1, 20000), st.dictionaries(st.sampled_from((*PARTS, *UNITS)), st.integers(1, 3), min_size=1)),
        max_size=3,
    ),
    needs=st.fixed_dictionaries({n: st.integers(0, 3) for n in PARTS}),
    supplies=st.lists(st.sampled_from([frozenset(UNITS), frozenset(("large",))]), max_size=2),
    units=st.tuples(st.integers(1, 9000), st.integers(1, 9000)),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_no_mix_is_cheaper(singles, kits, needs, supplies, units) -> None:
    listed = price_list(singles, kits, tuple(zip(UNITS, units, strict=True)))
    mix = cheapest(listed, needs, supplies)
    assert mix.price == brute(listed, needs, supplies)
    paid = sum((listed.kits[n].price * m for n, m in mix.kits.items()), Decimal(0))
    every = {**listed.parts, **listed.transformers}
    paid += sum((every[n].price * m for n, m in mix.singles.items()), Decimal(0))
    assert paid == mix.price
    # What is bought is what is needed and what is told to be spare, piece by piece.
    bought: dict[str, int] = dict(mix.singles)
    for name, n in mix.kits.items():
        for part, m in listed.kits[name].holds.items():
            bought[part] = bought.get(part, 0) + n * m
    for name in PARTS:
        assert bought.get(name, 0) == needs[name] + mix.spare.get(name, 0)
    units_bought = sum(bought.get(n, 0) for n in UNITS)
    assert units_bought == len(supplies) + sum(mix.spare.get(n, 0) for n in UNITS)


def test_a_kit_that_saves_is_taken_and_its_spare_is_named() -> None:
    listed = price_list({"a": 1000, "b": 2000}, [(3500, {"a": 4})])
    mix = cheapest(listed, {"a": 4, "b": 1})
    assert (mix.kits, mix.singles, mix.price) == ({"kit 0": 1}, {"b": 1}, Decimal("55.00"))
    assert singles_only(listed, {"a": 4, "b": 1}) == Decimal("60.00")
    # A kit cheaper than the three it replaces leaves one over.
    assert cheapest(price_list({"a": 1000}, [(2500, {"a": 4})]), {"a": 3}).spare == {"a": 1}


def test_of_equal_prices_the_mix_that_leaves_least() -> None:
    mix = cheapest(price_list({"a": 1000}, [(3000, {"a": 4})]), {"a": 3})
    assert mix.price == Decimal("30.00") and mix.spare == {}


def test_what_has_no_price_is_named_and_not_counted() -> None:
    listed = price_list({"a": 1000, "b": None})
    mix = cheapest(listed, {"a": 1, "b": 2})
    assert mix.price == Decimal("10.00") and mix.unpriced == {"b": 2}
    assert singles_only(listed, {"a": 1, "b": 2}) is None
    # A kit may hold what has no single price.
    boxed = price_list({"a": 1000, "b": None}, [(700, {"b": 2})])
    assert cheapest(boxed, {"b": 1}).price == Decimal("7.00")


def test_a_transformer_that_is_too_weak_does_not_serve() -> None:
    listed = price_list(
        {"a": 1000}, [(900, {"a": 1, "small": 1})], (("small", None), ("large", 20000))
    )
    mix = cheapest(listed, {"a": 1}, (frozenset(("large",)),))
    assert mix.price == Decimal("209.00") and mix.spare == {"small": 1}
    nothing = cheapest(listed, {"a": 1}, (frozenset(),))
    assert nothing.unsupplied == 1 and nothing.price == Decimal("9.00")


def test_many_lamps_are_solved_exactly() -> None:
    listed = price_list({"a": 6200}, [(21900, {"a": 4}), (31000, {"a": 6})])
    for need in range(0, 61, 7):
        least = min(
            21900 * x + 31000 * y + 6200 * max(0, need - 4 * x - 6 * y)
            for x in range(17) for y in range(12)
        )  # fmt: skip
        assert cheapest(listed, {"a": need}).price == Decimal(least) / 100


@pytest.mark.parametrize("digits", [0, 3])
def test_other_currencies_have_other_decimals(digits: int) -> None:
    price = Decimal(1250).scaleb(-digits)
    listed = PriceList("test", "JPY", digits, {"a": Part("a", price, ("a",))})
    assert cheapest(listed, {"a": 3}).price == 3 * price
