"""The cheapest mix of kits and single parts that covers what an option needs, by integer programming.

minimise Σ price·n, every part covered, and a transformer that serves for each that is needed; of mixes that cost the
same the one with the fewest spare pieces. Solved by HiGHS through scipy on whole cents; what it gives
back is checked in whole numbers.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from nightview.errors import NightviewError
from nightview.handover.price_list import PriceList
from nightview.site.surface import Array


@dataclass(frozen=True)
class Mix:
    """What to buy. kits, singles : so many by name, transformers among the singles.

    price : of all of it. spare : pieces beyond what is needed. unpriced : parts needed that neither
    a single price nor a kit covers, and how many; they are not in the price. unsupplied : so many
    transformers are needed that the list has none for.
    """

    kits: Mapping[str, int]
    singles: Mapping[str, int]
    price: Decimal
    spare: Mapping[str, int]
    unpriced: Mapping[str, int]
    unsupplied: int = 0


Supplies = Sequence[frozenset[str]]
"""For each transformer that is needed, the names of those that would do."""


def cheapest(listed: PriceList, needs: Mapping[str, int], supplies: Supplies = ()) -> Mix:
    """The cheapest mix. needs : pieces by the part's name.

    Errors: NightviewError where the programme has no answer, which cannot be.
    """
    wanted = {name: n for name, n in needs.items() if n > 0}
    items = _items(listed, wanted, supplies)
    covered = {name for _, holds, _ in items for name in holds}
    served = [fit for fit in supplies if fit & covered]
    unpriced = {name: n for name, n in wanted.items() if name not in covered}
    wanted = {name: n for name, n in wanted.items() if name in covered}
    counts = _solved(items, wanted, served, listed.digits) if wanted or served else []
    kits = {key[1]: n for (key, _, _), n in zip(items, counts, strict=False) if n and key[0]}
    singles = {key[1]: n for (key, _, _), n in zip(items, counts, strict=False) if n and not key[0]}
    price = sum((price * n for (_, _, price), n in zip(items, counts, strict=False)), Decimal(0))
    spare = _spare(listed, kits, singles, wanted, served)
    return Mix(kits, singles, price, spare, unpriced, len(supplies) - len(served))


def singles_only(
    listed: PriceList, needs: Mapping[str, int], supplies: Supplies = ()
) -> Decimal | None:
    """What the same costs without kits; None where a single price is missing."""
    mix = cheapest(replace(listed, kits={}), needs, supplies)
    return None if mix.unpriced or mix.unsupplied else mix.price


_Item = tuple[tuple[bool, str], Mapping[str, int], Decimal]
"""Whether it is a kit, and its name; what is in it that is needed; its price."""


def _items(listed: PriceList, wanted: Mapping[str, int], supplies: Supplies) -> list[_Item]:
    fit: frozenset[str] = frozenset().union(*supplies)

    def useful(holds: Mapping[str, int]) -> dict[str, int]:
        return {name: n for name, n in holds.items() if name in wanted or name in fit}

    singles = [(one.name, one.price) for one in listed.parts.values()]
    singles += [(one.name, one.price) for one in listed.transformers.values()]
    items: list[_Item] = [
        ((False, name), {name: 1}, price)
        for name, price in singles
        if price is not None and useful({name: 1})
    ]
    items += [
        ((True, kit.name), useful(kit.holds), kit.price) for kit in listed.kits.values()
        if useful(kit.holds)
    ]  # fmt: skip
    return items


def _solved(
    items: Sequence[_Item], wanted: Mapping[str, int], supplies: Supplies, digits: int
) -> list[int]:
    """How many of each item."""
    cents = np.array([int(price.scaleb(digits)) for _, _, price in items], float)
    covers = [(frozenset((name,)), n) for name, n in wanted.items()]
    # By Hall's theorem every transformer that is needed finds its own if for any few of them as many
    # are bought that serve one of these.
    groups = Counter(supplies)
    for size in range(1, len(groups) + 1):
        for chosen in itertools.combinations(groups, size):
            covers.append((frozenset().union(*chosen), sum(groups[one] for one in chosen)))
    holds = np.array(
        [[sum(held.get(name, 0) for name in names) for _, held, _ in items] for names, _ in covers],
        float,
    )
    least = np.array([n for _, n in covers], float)
    most = np.full(len(items), least.sum())
    cover = LinearConstraint(holds, least, np.inf)

    def best(aim: Array, *more: LinearConstraint) -> Array:
        found = milp(
            aim, integrality=np.ones(len(items)), bounds=Bounds(0, most), constraints=[cover, *more],
            options={"mip_rel_gap": 0.0},
        )  # fmt: skip
        counts = None if found.x is None else np.rint(found.x)
        if counts is None or (holds @ counts < least).any():
            raise NightviewError("the price list", f"no mix of parts was found: {found.message}")
        return counts

    counts = best(cents)
    price = float(cents @ counts)
    # Of those that cost no more the one that leaves least over.
    pieces = holds[: len(wanted) + len(groups)].sum(axis=0)
    spared = best(pieces, LinearConstraint(cents[None], -np.inf, price + 0.25))
    return [int(n) for n in (spared if cents @ spared <= price else counts)]


def _spare(
    listed: PriceList, kits: Mapping[str, int], singles: Mapping[str, int],
    wanted: Mapping[str, int], supplies: Supplies,
) -> dict[str, int]:  # fmt: skip
    left = Counter(singles)
    for name, n in kits.items():
        for part, count in listed.kits[name].holds.items():
            left[part] += n * count
    left.subtract(wanted)
    for fit in sorted(supplies, key=len):  # the smallest that serves is the one that is put up
        serving = [name for name in fit if left[name] > 0]
        left[min(serving, key=lambda name: (listed.transformers[name].power_va, name))] -= 1
    return {name: n for name, n in left.items() if n > 0}
