"""Light on windows: own bedrooms and neighbours.

W6: Chakrabarti et al., Power System Engineering, p. 753, in the project's list of published worked
examples: 100 cd at 2 m bring 25 lx square to the light, 17.678 lx at 45 deg. All else is by
E = I·cos/r² in the test itself.
"""

from __future__ import annotations

import numpy as np
import pytest
from checked import job_of
from scipy.integrate import dblquad

from nightview.checks.windows import SLEEPING, bedrooms, neighbours, neighbours_walls

BLACK = """
[ground]
material = "black"
size = "60 m, 60 m"
[materials]
black = { rgb = [0, 0, 0] }
grey = { rgb = [0.5, 0.5, 0.5] }
"""


def found(check, text: str):
    """What one check says of a scene, by its key."""
    results = list(check(job_of(text)))
    assert len({result.key for result in results}) == len(results), "a key is said twice"
    return {result.key: result for result in results}


def omni(candela: float) -> str:
    flux = 4 * np.pi * candela
    return (
        f'[lamps.bulb]\nkind = "omni"\nflux = "{flux:.9f} lm"\nloss_factor = 1.0\nlens = "1 mm"\n'
    )


def fixture(name: str, at, more: str = "") -> str:
    place = ", ".join(f"{x:.9f} m" for x in at)
    return f'[[fixture]]\nid = "{name}"\nlamp = "bulb"\nat = "{place}"\n{more}\n'


def house(name: str = "house", material: str = "black", height: float = 3.0) -> str:
    """A block whose front lies in the plane y = 0, from x = -2 to 2 m."""
    return f"""
[[block]]
name = "{name}"
at = "-2 m, 0 m"
size = "4 m, 3 m"
height = "{height} m"
material = "{material}"
trim = "black"
roof = {{ kind = "flat", overhang = "0 m", thickness = "1 mm", material = "black" }}
"""


def window(behind: str = "", name: str = "upper window", block: str = "house") -> str:
    """One pane 0.6 m square without a reveal, its middle at (0, 0, 1.5) m."""
    return f"""
[[opening]]
name = "{name}"
block = "{block}"
along = "2 m"
sill = "1.2 m"
size = "0.6 m, 0.6 m"
panes = [1, 1]
reveal = "0 m"
behind = "{behind}"
"""


TWO_METRES = (0, -2, 1.5)


def glass_y(text: str) -> float:
    """Where the glass itself lies: a frame sets it back a little."""
    job = job_of(text)
    (pane,) = job.areas("pane")
    return float(pane.points[:, 1].mean())


# --- own bedrooms ---------------------------------------------------------------------------------


def test_bedroom_window_gets_what_the_book_says():
    text = BLACK + omni(100) + house() + window("bedroom")
    y = glass_y(text)
    lamp = fixture("lamp", (0, y - 2, 1.5))
    result = found(bedrooms, text + lamp)["bedroom window", "upper window"]
    assert result.value == pytest.approx(25.0, rel=2e-3)  # W6
    assert result.verdict == "strong" and result.lamps == ("lamp",)
    assert result.at == pytest.approx((0, y, 1.5), abs=0.01)
    assert "lx" not in result.plain


def test_bedroom_window_at_45_degrees():
    # the brightest point is not the middle: the points lie 0.2 m apart
    text = BLACK + omni(100) + house() + window("Main Bedroom")
    side = 2 / np.sqrt(2)
    y = glass_y(text)
    result = found(bedrooms, text + fixture("lamp", (side, y - side, 1.5)))
    nearest = max(
        100 * side / np.linalg.norm([side - x, side, z]) ** 3
        for x in np.linspace(-0.3, 0.3, 200)
        for z in (0.0, 0.2)
    )
    value = result["bedroom window", "upper window"].value
    assert 17.678 < value <= nearest  # W6 at the middle; more towards the lamp


@pytest.mark.parametrize(("share", "verdict"), [(0.99, "good"), (1.01, "warn"), (5.05, "strong")])
def test_bedroom_at_its_edge(share, verdict):
    # 4·share cd at 2 m bring the limit of 1 lx times share
    text = BLACK + omni(4 * share) + house() + window("nursery")
    result = found(bedrooms, text + fixture("lamp", (0, glass_y(text) - 2, 1.5)))
    assert result["bedroom window", "upper window"].verdict == verdict


def test_lamp_behind_the_house_leaves_the_bedroom_dark():
    text = BLACK + omni(100) + house() + window("bed") + fixture("lamp", (0, 5, 1.5))
    result = found(bedrooms, text)["bedroom window", "upper window"]
    assert result.value == 0.0 and result.verdict == "good" and result.lamps == ()


def test_other_rooms_are_not_looked_at():
    lamp = omni(100) + fixture("lamp", TWO_METRES)
    assert found(bedrooms, BLACK + lamp + house() + window("kitchen")) == {}
    assert found(bedrooms, BLACK + lamp + house()) == {}  # no window at all


@pytest.mark.parametrize(
    ("behind", "asleep"),
    [
        ("Bedroom 2", True), ("the children's room", True), ("guest room", True), ("guests", True),
        ("Schlafzimmer", True), ("chambre", True), ("dormitorio", True), ("slaapkamer", True),
        ("guest WC", False), ("bedding shop", False), ("camera store", False), ("hall", False),
    ],
)  # fmt: skip
def test_rooms_that_somebody_sleeps_in(behind, asleep):
    assert (SLEEPING.search(behind) is not None) == asleep


def test_windows_of_which_nothing_is_said_are_named():
    text = BLACK + omni(100) + house() + window("bedroom") + fixture("lamp", TWO_METRES)
    more = window("", "stair window").replace('along = "2 m"', 'along = "3.4 m"')
    results = found(bedrooms, text + more)
    assert results["bedroom window", "upper window"].verdict == "strong"
    (untold,) = (r for r in results.values() if r.verdict == "cannot tell")
    assert "stair window" in untold.reason and "upper window" not in untold.reason


def test_bedrooms_cannot_be_told_if_nothing_is_said_of_the_rooms():
    (result,) = found(bedrooms, BLACK + omni(100) + house() + window()).values()
    assert result.verdict == "cannot tell" and "behind" in result.reason


def test_a_bedroom_of_the_neighbours_is_not_an_own_one():
    text = BLACK + '[check]\nneighbours = ["house"]\n' + omni(100) + house() + window("bedroom")
    text += fixture("lamp", TWO_METRES)
    assert found(bedrooms, text) == {}
    assert ("neighbour's window", "upper window") in found(neighbours, text)


# --- neighbours -----------------------------------------------------------------------------------


def neighbour(bearing: float = 180) -> str:
    """A window at (0, 0, 1.5) m that faces along -y."""
    return f"""
[[neighbour]]
name = "number 9"
at = "0 m, 0 m, 1.5 m"
bearing = "{bearing} deg"
size = "0.6 m, 0.6 m"
"""


LATE = """
[[state]]
name = "late"
zones = { garden = { on = false } }
"""
EVENING, NIGHT = ("neighbour's window", "number 9"), ("neighbour's window late", "number 9")


def beside(candela: float, check: str, bearing: float = 180) -> dict:
    text = BLACK + f"[check]\n{check}\n" + omni(candela) + neighbour(bearing)
    return found(neighbours, text + LATE + fixture("lamp", TWO_METRES))


@pytest.mark.parametrize(
    ("zone", "before", "after"), [("E1", 2, 0), ("E2", 5, 1), ("E3", 10, 2), ("E4", 25, 5)]
)
def test_neighbours_window_at_the_limits_of_each_zone(zone, before, after):
    # EN 12193:2008 and ILP GN01:2011; I/4 lx at 2 m
    key = f'zone = "{zone}"'
    for lux, where in ((before, EVENING), (after, NIGHT)):
        if lux:
            assert beside(4 * lux * 0.998, key)[where].verdict == "good"
            result = beside(4 * lux * 1.002, key)[where]
            assert result.verdict == "warn" and result.counts
            assert result.value == pytest.approx(lux * 1.002, rel=1e-3)
            assert result.limit.warn == lux


@pytest.mark.parametrize(("lux", "verdict"), [(0.045, "good"), (0.055, "warn")])
def test_none_is_less_than_a_meter_shows(lux, verdict):
    assert beside(4 * lux, 'zone = "E1"')[NIGHT].verdict == verdict


def test_window_that_faces_away_or_aside():
    assert beside(100, "", bearing=0)[EVENING].value == 0.0
    # 17.678 lx at its middle (W6); the brightest of its points is 0.2 m nearer along the pane
    near = 0.2 / np.sqrt(2)
    lux = 100 * np.sqrt(2) / np.hypot(near, 2 - near) ** 3
    assert beside(100, "", bearing=225)[EVENING].value == pytest.approx(lux, rel=1e-3)


def test_bearings_are_from_north():
    text = BLACK + '[site]\nnorth = "90 deg"\n' + omni(100) + neighbour(270)
    result = found(neighbours, text + fixture("lamp", TWO_METRES))[EVENING]
    assert result.value == pytest.approx(25.0, rel=1e-3)  # W6


def test_after_curfew_the_late_state_counts():
    on, off = beside(100, ""), beside(100, 'curfew = "late"')
    assert on[EVENING].value == off[EVENING].value == pytest.approx(25.0, rel=1e-3)  # W6
    assert on[NIGHT].value == on[EVENING].value and "on all night" in on[NIGHT].said
    assert off[NIGHT].value == 0.0 and off[NIGHT].verdict == "good"
    assert "all night" not in off[NIGHT].said


def test_neighbours_are_told_apart_from_none():
    (result,) = found(neighbours, BLACK + omni(10) + fixture("lamp", TWO_METRES)).values()
    assert result.verdict == "cannot tell" and "names no neighbour" in result.reason
    text = BLACK + '[check]\nneighbours = ["house"]\n' + omni(10) + house()
    (result,) = found(neighbours, text + fixture("lamp", TWO_METRES)).values()
    assert (result.place, result.verdict) == ("house", "cannot tell")


def test_wall_of_a_neighbour_has_the_mean_of_the_law():
    # a grey wall 4 x 3 m, 100 cd 2 m before (0, 1.5): L = ρ/π times the mean of I·2/r³
    text = (
        BLACK
        + '[check]\nneighbours = ["house"]\nzone = "E1"\n'
        + omni(100)
        + house("house", "grey")
    )
    result = found(neighbours_walls, text + fixture("lamp", TWO_METRES))[
        "neighbour's wall", "house"
    ]
    total, _ = dblquad(lambda z, x: 200 / (x**2 + z**2 + 4) ** 1.5, -2, 2, -1.5, 1.5)
    assert result.value == pytest.approx(0.5 / np.pi * total / 12, rel=0.01)
    assert "house front" in result.said and result.lamps == ("lamp",)
    assert result.verdict == "warn"  # more than 0.1 cd/m²
    dim = (
        BLACK + '[check]\nneighbours = ["house"]\nzone = "E1"\n' + omni(1) + house("house", "grey")
    )
    result = found(neighbours_walls, dim + fixture("lamp", TWO_METRES))["neighbour's wall", "house"]
    assert result.verdict == "good" and 0 < result.value < 0.1
