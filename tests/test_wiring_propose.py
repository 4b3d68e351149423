"""Proposals: against brute force, against the exact solver, and as tables of a scene."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from nightview.errors import NightviewError
from nightview.scene.model import Scene
from nightview.scene.read import parse
from nightview.wiring.bound import bound
from nightview.wiring.copper import area_m2, fuse_a
from nightview.wiring.faults import check
from nightview.wiring.network import network_of
from nightview.wiring.prices import Prices, prices_of
from nightview.wiring.propose import job_of, propose
from nightview.wiring.propose_text import as_toml, told
from nightview.wiring.runs import GUARD_V, LAYOUTS, Job
from nightview.wiring.search import MOST_UNITS, searched, supply_of
from nightview.wiring.solve import solve

TRANSFORMER = """
[[transformer]]
name = "T1"
at = "0 m, 0 m"
height = "0 m"
power = "300 VA"
taps = ["12 V"]
"""


def load(name: str, x: float, y: float, watts: float = 5.0, more: str = "") -> str:
    return (f'[[load]]\nid = "{name}"\nat = "{x:.2f} m, {y:.2f} m"\npower = "{watts:g} W"\n'
            f'volts = "12 V"\n{more}\n')  # fmt: skip


def scattered(seed: int, n: int, reach: float = 30.0, watts: float = 8.0, more: str = "") -> Scene:
    rng = np.random.default_rng(seed)
    at = rng.uniform([-reach, 2.0], [reach, reach], (n, 2))
    own = rng.choice([watts / 2, watts, 2 * watts], n)
    loads = "".join(load(f"L{k}", *at[k], own[k]) for k in range(n))
    return parse("[wiring]\nsplice = '2 mohm'\n" + TRANSFORMER + loads + more)


def jobs(scene: Scene, prices: Prices) -> list[tuple[Job, list]]:
    """The job on each kind of transformer of the list."""
    job, _ = job_of(scene, prices)
    families: dict = {}
    for kind in prices.transformers:
        families.setdefault(kind.taps_v, []).append(kind)
    kept = 1.0 - scene.wiring.reserve
    return [
        (job.with_taps(taps, kept * max(kind.circuit_limit_a for kind in kinds)), kinds)
        for taps, kinds in families.items()
    ]


def partitions(items: list[int]):
    if not items:
        yield []
        return
    first, *rest = items
    for parts in partitions(rest):
        yield [[first], *parts]
        for k, part in enumerate(parts):
            yield [*parts[:k], [first, *part], *parts[k + 1 :]]


def brute_force(job: Job, kinds: list) -> float:
    """The cheapest of all groupings and layouts, each tried."""
    best = math.inf
    for parts in partitions(list(range(len(job.lamps)))):
        choices = [
            [run for layout in LAYOUTS if (run := job.run(frozenset(part), layout)) is not None]
            for part in parts
        ]
        for runs in itertools.product(*choices):
            supply = supply_of(runs, kinds, job.wiring.reserve)
            if supply is not None:
                pieces = frozenset().union(*(run.pieces for run in runs))
                price = sum(run.price for run in runs) + sum(job.dig(piece) for piece in pieces)
                best = min(best, price + supply.price)
    return best


PATH = '[[path]]\nname = "walk"\nline = ["-40 m, 12 m", "40 m, 14 m"]\nwidth = "1.5 m"\n'


@pytest.mark.parametrize(
    ("seed", "n", "reach", "watts", "more"),
    [
        (1, 4, 15.0, 5.0, ""),
        (2, 5, 30.0, 8.0, ""),
        (3, 5, 60.0, 14.0, ""),
        (4, 5, 40.0, 20.0, PATH),
        (5, 6, 50.0, 10.0, ""),
    ],
)
def test_search_and_bound_meet_brute_force(seed, n, reach, watts, more):
    scene = scattered(seed, n, reach, watts, more)
    for job, kinds in jobs(scene, prices_of()):
        least = brute_force(job, kinds)
        found = searched(job, kinds, LAYOUTS)
        bounded = bound(job, kinds, LAYOUTS)
        if math.isinf(least):
            assert found is None
            continue
        assert found is not None and bounded is not None
        assert found.price >= least - 1e-6  # nothing is cheaper than the cheapest
        assert found.price <= 1.03 * least
        assert bounded.price <= least + 1e-6 * least
        assert bounded.price >= 0.97 * least


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_eight_lamps_come_within_three_per_cent_of_the_bound(seed: int):
    proposal = propose(scattered(seed, 8, 35.0, 10.0), prices_of())
    assert proposal.least is not None and proposal.gap is not None
    assert proposal.gap <= 0.03
    assert proposal.design.price >= proposal.least * (1 - 1e-6)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_gauges_are_the_cheapest_that_the_exact_solver_passes(layout: str):
    """All pairs of gauges and taps, solved by ``solve`` on a network built from the run's legs."""
    scene = scattered(7, 5, 45.0, 16.0)
    job, _kinds = jobs(scene, prices_of())[-1]
    lamps = frozenset(range(5))
    run = job.run(lamps, layout)
    shape = job.shape(lamps, layout)
    if shape is None:
        pytest.skip("these lamps are no single run in this layout")
    names = job.trenches.names
    reserve = 1.0 - scene.wiring.reserve

    def serves(feed: str, body: str, tap: float, later: float) -> tuple[bool, float]:
        hubs = "".join(
            f'[[hub]]\nname = "{names[b]}"\n' for _, b in shape.legs if b > len(job.lamps)
        )
        cables = ""
        for k, ((a, b), metres) in enumerate(zip(shape.legs, shape.metres, strict=True)):
            start = "T1" if a == 0 else names[a]
            gauge = feed if k < shape.feeds else body
            cables += (
                f'[[cable]]\nname = "{k}"\nfrom = "{start}"\nthrough = ["{names[b]}"]\n'
                f'gauge = "{gauge}"\nlength = "{metres:.9f} m"\n'
                + (f'tap = "{tap:g} V"\n' if a == 0 else "")
            )
        loads = "".join(load(lamp.id, 0, 0, lamp.power_w * later) for lamp in job.lamps)
        supply = TRANSFORMER.replace('["12 V"]', '["12 V", "13 V", "14 V", "15 V"]')
        text = "[wiring]\nsplice = '2 mohm'\n" + supply + hubs + loads + cables
        solution = solve(network_of(parse(text)), 75.0 if later > 1 else 0.0)
        carried = all(
            abs(amps) * (reserve if later > 1 else 1.0) <= fuse_a(leg.gauge)
            for amps, leg in zip(solution.leg_a, solution.network.legs, strict=True)
        )
        volts = solution.lamp_v
        margin = min((volts - 9.0).min(), (15.0 - volts).min()) if not np.isnan(volts).any() else -9
        return carried and margin >= GUARD_V, margin

    whole = np.array([shape.metres[: shape.feeds].sum(), shape.metres[shape.feeds :].sum()])
    found = []
    for feed, body in itertools.product(job.prices.gauges, repeat=2):
        if area_m2(feed) >= area_m2(body):
            price = whole @ [job.prices.cable_a_metre(feed), job.prices.cable_a_metre(body)]
            taps = [
                tap for tap in job.taps_v
                if all(serves(feed, body, tap, later)[0] for later in (1 / reserve, 1.0))
            ]  # fmt: skip
            if taps:
                found.append((price, feed, body, taps))
    assert (run is None) == (not found)
    if run is not None:
        price, feed, body, taps = min(found)
        own = whole @ [job.prices.cable_a_metre(run.feed), job.prices.cable_a_metre(run.body)]
        assert own == pytest.approx(price)
        assert run.tap_v in taps
        margins = [serves(run.feed, run.body, run.tap_v, later)[1] for later in (1 / reserve, 1.0)]
        assert run.margin_v == pytest.approx(min(margins), abs=1e-3)


def test_halogen_and_leads_are_counted_as_the_exact_solver_does():
    more = 'source = "halogen"\nlead = "2 m"\nlead_gauge = "16 AWG"'
    scene = parse(TRANSFORMER + load("a", 9, 0, 20, more) + load("b", 18, 2, 35, more))
    proposal = propose(scene, prices_of())
    volts = proposal.checked.cold.lamp_v
    assert (volts <= 12.0).all() and (proposal.checked.hot.lamp_v >= 10.8).all()
    (run,) = proposal.design.runs if len(proposal.design.runs) == 1 else (None,)
    if run is not None:
        assert min(12.0 - volts.max(), proposal.checked.hot.lamp_v.min() - 10.8) >= run.margin_v - 0.02  # fmt: skip


# --- the whole ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def proposed():
    return propose(scattered(21, 12, 40.0, 8.0, PATH), prices_of())


def test_every_lamp_is_inside_its_window_hot_and_cold(proposed):
    assert not proposed.checked.findings
    lamps = proposed.checked.network.lamps
    assert {lamp.id for lamp in lamps} == {f"L{k}" for k in range(12)}
    for solution in (proposed.checked.hot, proposed.checked.cold):
        for lamp, volts in zip(lamps, solution.lamp_v, strict=True):
            assert lamp.least_v <= volts <= lamp.most_v


def test_the_reserve_is_kept(proposed):
    for unit in proposed.scene.transformers:
        given = sum(
            source[1] * amps
            for source, amps in proposed.checked.cold.source_a.items()
            if source[0] == unit.name
        )
        assert given <= (1 - proposed.scene.wiring.reserve) * unit.power_va


def test_the_tables_read_back_as_what_was_checked(proposed):
    text = "[wiring]\nsplice = '2 mohm'\n" + as_toml(proposed) + "".join(
        load(one.id, *one.at_m, one.power_w) for one in proposed.scene.loads
    ) + PATH  # fmt: skip
    again = check(network_of(parse(text)))
    assert not again.findings
    ours = dict(zip((lamp.id for lamp in proposed.checked.network.lamps), proposed.checked.hot.lamp_v, strict=True))  # fmt: skip
    theirs = dict(zip((lamp.id for lamp in again.network.lamps), again.hot.lamp_v, strict=True))
    assert theirs == pytest.approx(ours, abs=1e-6)


def test_the_bill_adds_up(proposed):
    prices, legs = prices_of(), proposed.checked.network.legs
    waste = 1 + proposed.scene.wiring.waste
    cable = sum(leg.length_m * waste * prices.cable_a_metre(leg.gauge) for leg in legs)
    assert proposed.bill.cable == pytest.approx(cable)
    assert proposed.bill.joints == 12 * prices.splice + prices.hub * len(proposed.scene.hubs)
    digging = 12.0 * proposed.dug.trench_m + 28.0 * proposed.dug.sleeve_m
    assert proposed.bill.digging == pytest.approx(digging)
    assert proposed.bill.price == pytest.approx(proposed.design.price, rel=0.02)


def test_daisy_tee_and_hub_are_compared(proposed):
    rows = {choice.layout: choice.price for choice in proposed.compared}
    assert set(rows) == {*LAYOUTS, "as proposed"}
    assert rows["as proposed"] <= min(price for price in rows.values() if price is not None)
    text = told(proposed, feet=False)
    assert "Layouts compared" in text and "Why" in text and "[[cable]]" in text


def test_the_same_scene_gives_the_same_proposal(proposed):
    again = propose(scattered(21, 12, 40.0, 8.0, PATH), prices_of())
    assert as_toml(again) == as_toml(proposed)


def test_hubs_are_written_as_feed_and_leads():
    scene = scattered(31, 5, 12.0, 5.0)
    job, kinds = jobs(scene, prices_of())[-1]
    from nightview.wiring.propose import _wired

    design = searched(job, kinds, ["hub"])
    assert design is not None
    wired = _wired(scene, design)
    assert len(wired.hubs) == len(design.runs)
    assert not check(network_of(wired)).findings


# --- what it says when it cannot ------------------------------------------------------------------


def test_a_scene_without_a_transformer_is_told_what_to_add():
    with pytest.raises(NightviewError, match=r"transformer: .* add \[\[transformer\]\] with name"):
        propose(parse(load("a", 1, 1)), prices_of())


def test_a_scene_without_lamps_is_told_so():
    with pytest.raises(NightviewError, match="fixture: there is no lamp to wire"):
        propose(parse(TRANSFORMER), prices_of())


def test_a_lamp_out_of_reach_is_named():
    scene = parse(TRANSFORMER + load("near", 3, 0) + load("far", 900, 0, 60))
    with pytest.raises(NightviewError, match=r'lamp "far": no cable and tap of the price list'):
        propose(scene, prices_of())


def test_too_much_for_any_transformer_is_told():
    scene = parse(TRANSFORMER + "".join(load(f"L{k}", k + 1, 0, 100) for k in range(40)))
    with pytest.raises(NightviewError, match="no transformer of the price list carries"):
        propose(scene, prices_of())
    most = max(kind.power_va for kind in prices_of().transformers)
    assert 0.8 * MOST_UNITS * most < 40 * 100


# --- price lists ----------------------------------------------------------------------------------


def shipped() -> str:
    from importlib.resources import files

    return (files("nightview.wiring") / "prices.toml").read_text("utf-8")


def test_prices_a_foot_are_the_same_as_a_metre(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(shipped().replace('per = "1 m"', 'per = "1 ft"'))
    assert prices_of(path).cable_a_metre("12 AWG") == pytest.approx(2.3 / 0.3048)
    assert prices_of(path).trench_a_metre == pytest.approx(12.0 / 0.3048)
    assert prices_of().gauges == ("16 AWG", "14 AWG", "12 AWG", "10 AWG", "8 AWG")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("splice = 4.0", "", "mine.toml: splice: is missing"),
        ("splice = 4.0", "splices = 4.0", "mine.toml: splice"),
        ("hub = 32.0", "hub = -1.0", "mine.toml: hub: "),
        ('"60 VA"\ntaps', '"60"\ntaps', 'mine.toml: transformer number 1: power: "60" has no unit'),
        ('gauge = "14 AWG"', 'gauge = "16 AWG"', 'cable: has "16 AWG" twice'),
        ("[[cable]]", "[[cable", "mine.toml: is no TOML"),
    ],
)
def test_a_wrong_price_list_says_where(tmp_path, old, new, message):
    path = tmp_path / "mine.toml"
    assert old in shipped()
    path.write_text(shipped().replace(old, new, 1))
    with pytest.raises(NightviewError) as error:
        prices_of(path)
    assert message in str(error.value)


def test_a_price_list_that_is_not_there_is_named(tmp_path):
    with pytest.raises(NightviewError, match="there is no such file"):
        prices_of(tmp_path / "none.toml")


def test_dear_digging_makes_runs_share_trenches(tmp_path):
    """Two rows of lamps: with free trenches each takes the shortest cable, with dear ones they join."""
    path = tmp_path / "mine.toml"
    metres = []
    for trench in (0.0, 200.0):
        path.write_text(shipped().replace("trench = 12.0", f"trench = {trench}"))
        proposal = propose(scattered(41, 7, 30.0, 8.0), prices_of(path))
        metres.append(proposal.dug.trench_m)
    assert metres[1] <= metres[0] + 1e-6


# --- the command ----------------------------------------------------------------------------------


def write(folder, name: str = "job.toml"):
    path = folder / name
    path.write_text(TRANSFORMER + load("a", 3, 5) + load("b", 9, 5) + load("c", 14, -5))
    return path


def test_the_command_proposes(tmp_path, capsys):
    from nightview.__main__ import main

    path = write(tmp_path)
    assert main(["wire", str(path), "--propose"]) == 0
    text = capsys.readouterr().out
    for words in ("Layouts compared", "What it costs", "Why", "[[cable]]", "No faults were found."):
        assert words in text


def test_the_command_proposes_as_json_with_sheets(tmp_path, capsys):
    import json

    from nightview.__main__ import main

    path, out = write(tmp_path), tmp_path / "sheets"
    assert main(["wire", str(path), "--propose", "--json", "--out", str(out)]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert {row["layout"] for row in whole["proposal"]["compared"]} == {*LAYOUTS, "as proposed"}
    assert whole["proposal"]["bound"]["gap"] <= 0.03
    assert list(out.glob("*.csv"))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--prices", "none.toml"], "--prices: means nothing without --propose"),
        (["--propose", "--prices", "none.toml"], "none.toml: there is no such file"),
    ],
)
def test_the_command_says_what_is_wrong(tmp_path, capsys, arguments, message):
    from nightview.__main__ import main

    assert main(["wire", str(write(tmp_path)), *arguments]) == 2
    assert message in capsys.readouterr().err
