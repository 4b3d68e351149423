"""Lit trees: reach into the crown, light past a bare one, and what they grow over.

The reach is held against an exponential, growth against sums; the growth a year itself is assumed
[from memory; common practice, no single source].
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from checked import job_of

from nightview.checks import trees
from nightview.checks.ledger import ledgers_of
from nightview.checks.result import Result
from nightview.checks.trees import GROWTH_M, bare_winter, crown_growth, crown_reach, tenth_height

GROUND = """
[ground]
material = "black"
size = "30 m, 30 m"
[materials.black]
rgb = [0, 0, 0]
[lamps.narrow]
kind = "beam"
beam = "20 deg"
flux = "100 lm"
spill = 0.0
loss_factor = 1.0
[lamps.pencil]
like = "narrow"
beam = "8 deg"
[lamps.down]
kind = "linear"
length = "0.02 m"
flux = "100 lm"
loss_factor = 1.0
"""


def tree(more: str = "", kind: str = "broadleaf") -> str:
    return (
        f'[[tree]]\nname = "plum"\nkind = "{kind}"\nat = "0 m, 0 m"\nheight = "3 m"\n'
        f'crown = "2 m"\nclear = "1 m"\n{more}\n'
    )


def up(x: float, aim: str = "0 m, 0 m, 2 m", more: str = "") -> str:
    return (
        f'[[fixture]]\nid = "a"\nlamp = "narrow"\nat = "{x} m, 0 m, 0.1 m"\naim = "{aim}"\n{more}\n'
    )


def found(check, text: str) -> dict[str, Result]:
    results = list(check(job_of(text)))
    assert len({result.key for result in results}) == len(results), "a key is said twice"
    return {result.place: result for result in results}


def at_limit(result: Result, warn: float) -> str:
    """The verdict were the limit another."""
    return replace(result, limit=replace(result.limit, warn=warn, strong=None)).verdict


# --- reach ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("per_metre", [1.0, 2.0, 4.0])
def test_the_tenth_of_an_exponential(per_metre):
    rng = np.random.default_rng(1)
    z = np.sort(rng.uniform(1.0, 5.0, 4000))
    # E = e^(−k·z) is a tenth of that of the lowest band, about 1.2 m high, at ln 10/k above it; each
    # band's mean is that of an exponential over 0.4 m, sinh(0.2·k)/(0.2·k) at its middle, for all alike.
    assert tenth_height(z, np.exp(-per_metre * z)) == pytest.approx(
        min(1.2 + np.log(10) / per_metre, z.max()), abs=0.03
    )


def test_light_that_never_falls_to_a_tenth_reaches_the_top():
    z = np.linspace(1.0, 4.0, 500)
    assert tenth_height(z, np.ones(500)) == 4.0
    # Nor does the dark foot of a crown lit from above count.
    assert tenth_height(z, np.where(z > 3.0, 1.0, 0.0)) == 4.0


def test_light_that_ends_in_the_middle_ends_there():
    z = np.linspace(0.0, 1.0, 1000)
    # The band from 0.4 to 0.5 is the last that is lit: the end lies between its middle and the next's.
    assert 0.45 <= tenth_height(z, np.where(z < 0.5, 1.0, 0.0)) <= 0.55


def test_a_beam_on_the_foot_of_a_crown_does_not_reach_its_top():
    low = found(
        crown_reach,
        GROUND + tree()
        + up(4.0, "0 m, 0 m, 1.2 m", 'lights = "plum"').replace("narrow", "pencil"),
    )["plum"]  # fmt: skip
    # Of a Gaussian a tenth is left at 1.82 half widths: 4.15 m·tan(7.3°) = 0.53 m above 1.2 m; on the
    # near side of the crown a little less. The crown runs from 1 to 3 m.
    assert low.value == pytest.approx((1.2 + 0.5 - 1.0) / 2.0, abs=0.12)
    assert low.verdict == "warn"
    assert low.lamps == ("a",)
    assert low.plain == "The light on the plum does not reach the upper part of its crown."
    whole = found(crown_reach, GROUND + tree() + up(5.0))["plum"]
    assert whole.verdict == "good"
    assert whole.value is not None and low.value is not None
    assert whole.value > low.value
    assert at_limit(low, low.value) == "good"
    assert at_limit(low, low.value + 0.01) == "warn"


def test_a_bare_tree_has_no_crown_to_reach_into():
    result = found(crown_reach, GROUND + tree('season = "bare"') + up(3.0, more='lights = "plum"'))[
        "plum"
    ]
    assert (result.value, result.reason) == (None, "it has no leaves")


def test_an_unlit_tree_is_not_told():
    assert found(crown_reach, GROUND + tree()) == {}
    assert found(bare_winter, GROUND + tree()) == {}


# --- winter ---------------------------------------------------------------------------------------


def test_more_light_goes_past_a_bare_tree():
    job = job_of(GROUND + tree("gap = 0.1") + up(5.0))
    (result,) = list(bare_winter(job))
    leafy = 100 * ledgers_of(job)["a"].off
    assert result.value is not None
    assert result.value > leafy + 20.0
    assert f"in leaf {leafy:.0f} %" in result.said
    # A stated gap of leaves is not that of twigs: bare, some .7 to .9 is seen through [common
    # practice, no single source]; of the beam, which is as wide as the crown, some misses besides.
    assert 65.0 < result.value < 97.0


def test_the_winter_is_that_of_the_scene_built_bare():
    lamp = up(5.0, more='lights = "plum"')
    (winter,) = list(bare_winter(job_of(GROUND + tree() + lamp)))
    built = ledgers_of(job_of(GROUND + tree('season = "bare"') + lamp))
    assert winter.value == pytest.approx(100 * built["a"].off, abs=1e-9)


def test_evergreens_and_trees_that_are_bare_already_have_no_winter():
    conifer = tree(kind="conifer")
    assert found(bare_winter, GROUND + conifer + up(4.0)) == {}
    assert (
        found(bare_winter, GROUND + tree('season = "bare"') + up(4.0, more='lights = "plum"')) == {}
    )


def test_the_winters_edge():
    result = found(bare_winter, GROUND + tree() + up(5.0))["plum"]
    assert result.value is not None
    assert at_limit(result, result.value) == "good"
    assert at_limit(result, result.value - 0.01) == "warn"


def test_a_winter_is_built_once(monkeypatch):
    job = job_of(GROUND + tree("seed = 7") + up(5.0))
    first = list(bare_winter(job))
    monkeypatch.setattr(trees, "build_tree", lambda *_: pytest.fail("built again"))
    assert list(bare_winter(job)) == first


# --- growth ---------------------------------------------------------------------------------------


def test_a_crown_grows_over_a_lamp():
    wider = GROWTH_M["broadleaf"][1]
    result = found(crown_growth, GROUND + tree() + up(1.6))["plum"]
    # Crown radius 1 m now, half of what it grows in ten years more then; the lamp is 1.6 m off.
    assert result.value == pytest.approx(1.6 - 1.0 - 10 * wider / 2)
    year = int(np.ceil((1.6 - 1.0) / (wider / 2) + 1e-9))
    assert f"after about {year} years" in result.said
    assert f"In about {year} years" in result.plain
    assert (
        f"{2 + 5 * wider:.1f} m wide and {3 + 5 * GROWTH_M['broadleaf'][0]:.1f} m high after 5"
        in result.said
    )
    assert (result.verdict, result.lamps) == ("warn", ("a",))


def test_a_crown_that_stays_clear_and_one_that_just_does():
    far = found(crown_growth, GROUND + tree() + up(3.5))["plum"]
    assert (far.verdict, far.lamps, far.plain) == ("good", (), "")
    edge = found(crown_growth, GROUND + tree() + up(2.5))["plum"]
    assert edge.value == pytest.approx(0.0, abs=1e-9)
    assert at_limit(edge, edge.value or 0.0) == "good"


def test_a_lamp_that_stands_under_the_crown_was_set_there():
    assert found(crown_growth, GROUND + tree() + up(0.5)) == {}


def test_a_lamp_that_shines_down_may_stand_under_a_crown_but_not_in_it():
    def hung(z: float) -> str:
        return f'[[fixture]]\nid = "a"\nlamp = "down"\nat = "1.6 m, 0 m, {z} m"\n'

    under = found(crown_growth, GROUND + tree() + hung(0.4))["plum"]
    assert under.verdict == "good"
    within = found(crown_growth, GROUND + tree() + hung(2.5))["plum"]
    # After ten years the crown is an ellipsoid about z = (1 + 3 + 3.5)/2 with radii 2.5 and 2.75 m.
    higher, wider = GROWTH_M["broadleaf"]
    middle, radius, half = (4 + 10 * higher) / 2, 1 + 5 * wider, (2 + 10 * higher) / 2
    share = np.hypot(1.6 / radius, (2.5 - middle) / half)
    assert within.value == pytest.approx(np.hypot(1.6, 2.5 - middle) * (1 - 1 / share))
    assert within.verdict == "warn"


def test_a_palm_grows_no_wider():
    palm = (
        '[[tree]]\nname = "plum"\nkind = "palm"\nat = "0 m, 0 m"\nheight = "4 m"\ncrown = "2 m"\n'
    )
    assert found(crown_growth, GROUND + palm + up(1.6))["plum"].value == pytest.approx(0.6)
