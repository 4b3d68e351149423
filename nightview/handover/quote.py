"""A quote for each option: parts and kits, wiring, labour, tax, each amount rounded to the cent.

All money is ``decimal.Decimal``; a line is quantity × unit price, rounded half up, and totals are
sums of lines as they are shown. What has no price is named and never counted as nothing. The
transformer, and what the wiring takes, are sized for the largest option.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import cached_property

from nightview.handover.facts import Facts
from nightview.handover.kits import Mix, cheapest, singles_only
from nightview.handover.options import Option, options_of
from nightview.handover.price_list import Part, PriceList, Rate
from nightview.wiring.layout import digging
from nightview.wiring.network import Leg

NO_WIRING = "cable, joints and digging: the scene has no cables"


@dataclass(frozen=True)
class Line:
    """A line of a quote. group : "parts" or "labour", for the tax. price, amount : None where the
    list has no price; it is named then."""

    group: str
    item: str
    quantity: int
    unit: str
    price: Decimal | None
    amount: Decimal | None
    note: str = ""


@dataclass(frozen=True)
class OptionQuote:
    """What an option costs. spare : pieces left over. saving : against single parts alone, None where
    those have no price; negative where the mix costs more, which cannot be.

    tax : on the taxed lines, None without a tax rate. total : None while anything has no price.
    sum_known : of the lines that have one, tax included.
    """

    option: Option
    lines: tuple[Line, ...]
    spare: Mapping[str, int]
    saving: Decimal | None
    tax: Decimal | None
    sum_known: Decimal
    missing: tuple[str, ...]

    @property
    def total(self) -> Decimal | None:
        """What the client pays; None while anything that is needed has no price."""
        return None if self.missing else self.sum_known


@dataclass(frozen=True)
class KitWorth:
    """A kit against its parts bought singly. singles : None where one has no price."""

    name: str
    holds: str
    price: Decimal
    singles: Decimal | None


@dataclass(frozen=True, eq=False)
class Quote:
    """The quotes of all options, and what they share.

    supply_va : what the transformer has to be made for, reserve included; None where no lamp states
    its power. losses : whether the cables' losses are in it.
    """

    listed: PriceList
    options: tuple[OptionQuote, ...]
    kits: tuple[KitWorth, ...]
    supply_va: float | None
    losses: bool
    notes: tuple[str, ...]

    def money(self, value: Decimal | None) -> str:
        """ "1 234.50 USD"; "no price" for none."""
        return (
            "no price"
            if value is None
            else f"{plain_money(self.listed, value)} {self.listed.currency}"
        )


def plain_money(listed: PriceList, value: Decimal) -> str:
    """An amount with its decimals, thousands apart."""
    return f"{value:,.{listed.digits}f}".replace(",", "\u00a0").replace("-", "−")


def rounded(listed: PriceList, value: Decimal) -> Decimal:
    """To the currency's smallest unit, halves up."""
    return value.quantize(Decimal(1).scaleb(-listed.digits), rounding=ROUND_HALF_UP)


def quote_of(facts: Facts, listed: PriceList, states: Sequence[str] = ()) -> Quote:
    """The quote of a scene's options. NightviewError for an unknown state."""
    maker = _Maker(facts, listed, options_of(facts.scene, states))
    return Quote(
        listed, tuple(maker.quote(option) for option in maker.options), maker.kits_worth(),
        maker.supply_va, facts.checked is not None, tuple(maker.notes),
    )  # fmt: skip


@dataclass(eq=False)
class _Maker:
    facts: Facts
    listed: PriceList
    options: tuple[Option, ...]

    def __post_init__(self) -> None:
        self.notes: list[str] = []
        lacking = [lamp for lamp in self._every if lamp not in self.facts.wired_lamps]
        if lacking:
            self.notes.append(
                "No power is stated for these lamps, and the transformer is sized without them: "
                f"{', '.join(lacking)}."
            )
        checked = self.facts.checked
        if checked is not None:
            self.notes.append(
                "Cables lie as in the whole design: in a smaller option they lead past the places of "
                "lamps that can be added later."
            )
            stated = sum(unit.power_va for unit in checked.network.transformers)
            if self.supply_va is not None and stated < self.supply_va:
                self.notes.append(
                    f"The scene's transformers are made for {stated:g} VA, and {self.supply_va:.0f} VA "
                    "would leave the reserve free."
                )
        for lamp, part in self.parts.items():
            if part is not None and lamp not in part.lamps:
                self.notes.append(
                    f'The lamp "{lamp}" is priced as "{part.name}", whose lamp it is like.'
                )

    @cached_property
    def _every(self) -> tuple[str, ...]:
        """The lamps of all options, in the order of the scene."""
        wanted = {lamp for option in self.options for lamp in option.lamps}
        return tuple(lamp for lamp in self.facts.fixture_of if lamp in wanted)

    @cached_property
    def parts(self) -> dict[str, Part | None]:
        """Lamp names of the scene → the part that serves them; None where the list has none."""
        names = dict.fromkeys(self.facts.fixture_of[lamp].lamp for lamp in self._every)
        return {name: self._part(name) for name in names}

    def _part(self, name: str) -> Part | None:
        """The part for a lamp, or for the lamp that the scene says it is like."""
        seen: set[str] = set()
        while name not in seen:
            found = self.listed.part_for(name)
            if found is not None:
                return found
            seen.add(name)
            own = self.facts.scene.lamps.get(name)
            if own is None or own.like is None:
                return None
            name = own.like
        return None

    @cached_property
    def supply_va(self) -> float | None:
        """What the transformers have to be made for together: the largest option's lamps, the
        cables' losses where they are known, and the reserve on top."""
        known = self.facts.wired_lamps
        options = [
            sum(known[lamp].power_va for lamp in one.lamps if lamp in known) for one in self.options
        ]
        most = max(options, default=0.0)
        if most <= 0.0:
            return None
        report = self.facts.wiring
        if report is not None:
            rated = sum(lamp.rated_va for lamp in report.lamps)
            given = [one.given_va for one in report.transformers]
            if rated > 0.0 and all(value is not None for value in given):
                most *= max(1.0, sum(value or 0.0 for value in given) / rated)
        return most / (1.0 - self.facts.scene.wiring.reserve)

    @cached_property
    def supplies(self) -> tuple[frozenset[str], ...]:
        """For each transformer that is needed, those of the list that would do.

        A wired scene states its transformers: as strong, with the taps and commons that are in use.
        One that is not wired needs one that is strong enough.
        """
        every = self.listed.transformers.values()
        checked = self.facts.checked
        if checked is None:
            if self.supply_va is None:
                return ()
            return (
                frozenset(one.name for one in every if one.power_va >= (self.supply_va or 0.0)),
            )
        found = []
        for unit in checked.network.transformers:
            used = [source for source in checked.network.sources if source[0] == unit.name]
            if not used:
                continue
            taps = {source[1] for source in used}
            commons = max(source[2] for source in used)
            found.append(frozenset(
                one.name for one in every
                if one.power_va >= unit.power_va and one.commons >= commons
                and (one.taps_v is None or taps <= set(one.taps_v))
            ))  # fmt: skip
        return tuple(found)

    # --- one option

    def quote(self, option: Option) -> OptionQuote:
        needs, unserved = self._needs(option)
        mix = cheapest(self.listed, needs, self.supplies)
        lines = [*self._bought(mix), *self._lacking(mix, unserved), *self._wiring(option)]
        lines += self._labour(option)
        taxed = sum((one.amount for one in lines if one.amount is not None and one.group in self.listed.taxed), Decimal(0))  # fmt: skip
        tax = None if self.listed.tax is None else rounded(self.listed, taxed * self.listed.tax)
        known = sum((one.amount for one in lines if one.amount is not None), tax or Decimal(0))
        missing = tuple(one.item for one in lines if one.amount is None)
        single = singles_only(self.listed, needs, self.supplies)
        saving = None if single is None or mix.unpriced or mix.unsupplied else single - mix.price
        return OptionQuote(
            option, tuple(lines), mix.spare, saving, tax, rounded(self.listed, known), missing
        )

    def _needs(self, option: Option) -> tuple[dict[str, int], dict[str, int]]:
        """Pieces by part, and the lamps that no part serves."""
        needs: Counter[str] = Counter()
        unserved: Counter[str] = Counter()
        metres: dict[str, float] = {}
        lengths = {lamp.id: lamp.lamp.length_m for lamp in self.facts.built.fixtures}
        for lamp in option.lamps:
            name = self.facts.fixture_of[lamp].lamp
            part = self.parts[name]
            if part is None:
                unserved[name] += 1
            elif part.per_m is None:
                needs[part.name] += 1
            else:
                metres[part.name] = metres.get(part.name, 0.0) + lengths[lamp]
        for name, length in metres.items():
            needs[name] = math.ceil(length / (self.listed.parts[name].per_m or 1.0) - 1e-9)
        return dict(needs), dict(unserved)

    def _line(self, group: str, item: str, quantity: int, unit: str, price: Decimal | None, note: str = "") -> Line:  # fmt: skip
        amount = None if price is None else rounded(self.listed, price * quantity)
        return Line(group, item, quantity, unit, price, amount, note)

    def _bought(self, mix: Mix) -> list[Line]:
        lines = []
        for name, n in mix.kits.items():
            kit = self.listed.kits[name]
            lines.append(self._line("parts", name, n, "kit", kit.price, held_words(kit.holds)))
        for name, n in mix.singles.items():
            part = self.listed.parts.get(name)
            price = part.price if part else self.listed.transformers[name].price
            unit = "piece" if part is None or part.per_m is None else "length"
            lines.append(self._line("parts", name, n, unit, price, self._serves(part)))
        return lines

    def _serves(self, part: Part | None) -> str:
        if part is None:
            return "transformer, for the largest option"
        own = [name for name, found in self.parts.items() if found is part]
        return "" if own == [part.name] else "for " + ", ".join(own)

    def _lacking(self, mix: Mix, unserved: Mapping[str, int]) -> list[Line]:
        lines = [
            self._line(
                "parts", f'lamp "{name}"', n, "piece", None, "no part of the price list serves it"
            )
            for name, n in unserved.items()
        ]
        lines += [
            self._line("parts", name, n, "piece", None, "no single price, and in no kit")
            for name, n in mix.unpriced.items()
        ]
        if mix.unsupplied:
            told = self._supply_told()
            lines.append(
                self._line("parts", told, mix.unsupplied, "piece", None, "none in the price list")
            )
        return lines

    def _supply_told(self) -> str:
        checked = self.facts.checked
        if checked is None:
            return f"transformer of {self.supply_va:.0f} VA or more"
        lacking = [
            f"{unit.name} of {unit.power_va:g} VA"
            for unit, fit in zip(checked.network.transformers, self.supplies, strict=False)
            if not any(name in self.listed.transformers for name in fit)
        ]
        return "transformer " + (", ".join(lacking) or "as in the scene")

    def _wiring(self, option: Option) -> list[Line]:
        checked = self.facts.checked
        if checked is None:
            return []
        legs = legs_to(checked.network.legs, set(option.lamps))
        waste = 1.0 + checked.network.wiring.waste
        metres: dict[str, float] = {}
        for leg in legs:
            metres[leg.gauge] = metres.get(leg.gauge, 0.0) + waste * leg.length_m * leg.parallel
        lines = [
            self._long(
                f"cable {gauge.replace('mm^2', 'mm²')}", length, self.listed.cables.get(gauge)
            )
            for gauge, length in metres.items()
        ]
        lamps = {lamp.id for lamp in checked.network.lamps}
        joints = {leg.end for leg in legs if not leg.to_tap}
        own = len(lamps & set(option.lamps))
        lines += (
            [self._each("joint at a lamp, two sealed connectors", own, "splice")] if own else []
        )
        hubs = len(joints - lamps)
        lines += [self._each("junction box", hubs, "hub")] if hubs else []
        dug = digging([(leg.cable, leg.route, leg.sleeves) for leg in legs])
        if dug.trench_m:
            lines.append(
                self._long("trench, dug and filled", dug.trench_m, self.listed.rates.get("trench"))
            )
        elif legs:
            lines.append(
                Line("parts", "trench: the ways of the cables are not known", 1, "job", None, None)
            )
        if dug.sleeve_m:
            lines.append(
                self._long(
                    "sleeve, on top of the trench", dug.sleeve_m, self.listed.rates.get("sleeve")
                )
            )
        off = [lamp for lamp in option.lamps if lamp not in lamps]
        if off:
            lines.append(
                Line("parts", f"cable to {', '.join(off)}, on no cable yet", 1, "job", None, None)
            )
        return lines

    def _each(self, item: str, n: int, key: str) -> Line:
        rate = self.listed.rates.get(key)
        return self._line("parts", item, n, "piece", rate.price if rate else None)

    def _long(self, item: str, metres: float, rate: Rate | None) -> Line:
        if rate is None or rate.per_m is None:
            return Line("parts", item, math.ceil(metres - 1e-9), "1 m", None, None)
        return self._line(
            "parts", item, math.ceil(metres / rate.per_m - 1e-9), rate.per, rate.price
        )

    def _labour(self, option: Option) -> list[Line]:
        words = {
            "lamp": "placing, joining and aiming a lamp",
            "job": "setting up and commissioning",
        }
        lines = []
        for key, item in words.items():
            count = len(option.lamps) if key == "lamp" else 1
            unit = "lamp" if key == "lamp" else "job"
            lines.append(self._line("labour", item, count, unit, self.listed.labour.get(key)))
        return lines

    # --- kits

    def kits_worth(self) -> tuple[KitWorth, ...]:
        """Every kit of the list against its parts."""
        found = []
        for kit in self.listed.kits.values():
            prices = []
            for name, n in kit.holds.items():
                one = self.listed.parts.get(name) or self.listed.transformers[name]
                prices.append(None if one.price is None else one.price * n)
            singles = (
                None if None in prices else sum((p for p in prices if p is not None), Decimal(0))
            )
            found.append(KitWorth(kit.name, held_words(kit.holds), kit.price, singles))
        return tuple(found)


def held_words(holds: Mapping[str, int]) -> str:
    """ "4 × path light, 3 × accent light"."""
    return ", ".join(f"{n} × {name}" for name, n in holds.items())


def legs_to(legs: Sequence[Leg], lamps: set[str]) -> tuple[Leg, ...]:
    """The legs that current for some lamps flows through: of a ring all of it, else those on the way
    from the tap."""
    ends = Counter(leg.end for leg in legs if not leg.to_tap)
    rings = {leg.cable for leg in legs if leg.to_tap or ends[leg.end] > 1}
    needed = set(lamps)
    kept: set[int] = set()
    grown = True
    while grown:  # from the lamps back to the tap
        grown = False
        for k, leg in enumerate(legs):
            whole = leg.cable in rings and any(o.end in needed or o.start in needed for o in legs if o.cable == leg.cable)  # fmt: skip
            if k not in kept and (whole or leg.end in needed):
                kept.add(k)
                grown = True
                if not leg.from_tap:
                    needed.add(leg.start)
    return tuple(leg for k, leg in enumerate(legs) if k in kept)
