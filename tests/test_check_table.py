"""Every check, in one table: a scene that trips it, one that does not, and where it turns.

``CASES`` names them all; a check or a limit that is not in it fails here. That a value is right is
shown beside each family's own tests; here it is that each check speaks up, keeps quiet, and turns at
its limit and nowhere else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache

import checked
import pytest
from checked import lamp, wall

from nightview.checks.job import Job
from nightview.checks.limits import BUILT_IN, RANK
from nightview.checks.result import Result
from nightview.checks.run import CHECKS, results_of

OPEN = """
[site]
surroundings = "none"
[ground]
material = "black"
size = "40 m, 40 m"
[materials]
black = { rgb = [0, 0, 0] }
[lamps.bulb]
kind = "omni"
flux = "{flux} lm"
loss_factor = 1.0
lens = "1 mm"
[lamps.narrow]
kind = "beam"
beam = "20 deg"
flux = "200 lm"
spill = 0.0
loss_factor = 1.0
"""


def open_ground(extra: str, flux: float = 200.0) -> str:
    """Black ground under a dark sky, a bulb and a narrow beam to use on it."""
    return OPEN.replace("{flux}", str(flux)) + extra


def at(place: str, kind: str = "bulb", more: str = "", name: str = "a") -> str:
    return f'[[fixture]]\nid = "{name}"\nlamp = "{kind}"\nat = "{place}"\n{more}\n'


def way(table: str = "path") -> str:
    return f'[[{table}]]\nname = "walk"\nline = ["0 m, 0 m", "8 m, 0 m"]\nwidth = "1 m"\nmaterial = "black"\n'


def over_path(*alongs: float, height: float = 3.0) -> str:
    return "".join(
        at(f"{x} m, 0 m, {height} m", more='lights = "walk"', name=f"l{k}") for k, x in enumerate(alongs)
    )  # fmt: skip


def hats(*places: tuple[float, float]) -> str:
    return "".join(
        f'[[fixture]]\nid = "h{k}"\nlamp = "path hat"\nat = "{x} m, {y} m, 0.5 m"\n'
        for k, (x, y) in enumerate(places)
    )


def row(count: int, spacing: float, out: float, kind: str, first: float = 1.0) -> str:
    return "".join(lamp(f"l{k}", first + k * spacing, out, 72.0, kind) for k in range(count))


PANE = """
[[opening]]
name = "upper"
block = "house"
along = "3 m"
sill = "1.2 m"
size = "0.6 m, 0.6 m"
behind = "bedroom"
"""
DOOR = """
[[opening]]
name = "door"
block = "house"
kind = "door"
along = "3 m"
size = "1 m, 2 m"
"""
SIDE = """
[[fixture]]
id = "side"
lamp = "wide"
block = "house"
side = "right"
along = "2 m"
out = "0.8 m"
elevation = "65 deg"
"""
FLIGHT = """
[[steps]]
name = "flight"
at = "0 m, 0 m"
width = "1 m"
count = 2
riser = "0.15 m"
tread = "0.4 m"
material = "black"
"""
VIEW = """
[[view]]
name = "seat"
eye = "0 m, 0 m, 1.5 m"
target = "0 m, 10 m, 1.5 m"
"""
NEXT_DOOR = """
[[neighbour]]
name = "number 9"
at = "0 m, 0 m, 1.5 m"
bearing = "180 deg"
"""
TREE = """
[[tree]]
name = "plum"
at = "0 m, 0 m"
height = "4 m"
crown = "2 m"
clear = "1.6 m"
"""
ROLES = '[check]\nfocal = ["house front"]\nfill = ["house right"]\n'
UP = 'elevation = "90 deg"'


@dataclass(frozen=True)
class Case:
    """check : the function's name; says : its result's; limit : by name, less the zone."""

    check: str
    says: str
    limit: str
    trips: str
    clears: str


NEAR, FAR = lamp("up", 3, 0.15), lamp("up", 3, 0.8, 70, "wide")
APART, CLOSE = row(3, 4.0, 0.3, "narrow"), row(9, 1.0, 1.0, "wide")
LONG = 10.0
UPLIT = at("0.9 m, 0 m, 0.1 m", "narrow", 'aim = "0 m, 0 m, 3 m"\nlights = "plum"')
TRUNK = at("0.9 m, 0 m, 0.1 m", "pencil", 'aim = "0 m, 0 m, 0.4 m"\nlights = "plum"')
TRUNK += '[lamps.pencil]\nlike = "narrow"\nbeam = "4 deg"\n'
ON_WALL = lamp("up", 3, 0.6, 0.0, more='height = "1.5 m"')
TO_SKY = (
    '[[fixture]]\nid = "astray"\nlamp = "narrow"\nat = "3 m, -5 m, 1 m"\nelevation = "90 deg"\n'
)
LATE = '[check]\ncurfew = "late"\n[[state]]\nname = "late"\n'

CASES = (
    Case("hot_spots", "hot spot", "hot_spot_local", wall(NEAR), wall(FAR)),
    Case("hot_spots", "brightest spot", "hot_spot_zone", wall(NEAR), wall(lamp("up", 3, 1.5, 60, "wide"))),
    Case("black_holes", "dark holes", "black_hole", wall(APART, width=LONG), wall(CLOSE, width=LONG)),
    Case("reach", "reach", "reach", wall(lamp("up", 3, 0.2, 60)), wall(lamp("up", 3, 0.6))),
    Case("evenness", "evenness", "evenness", wall(APART, width=LONG), wall(CLOSE, width=LONG)),
    Case("scallops", "scallops", "scallop", wall(APART, width=LONG), wall(CLOSE, width=LONG)),
    Case("balance", "balance", "balance", wall(PANE + lamp("l", 1.8, 0.4)),
         wall(PANE + lamp("l", 1.8, 0.4) + lamp("r", 4.2, 0.4))),
    Case("hierarchy", "order", "hierarchy_least", wall(lamp("up", 3, 0.6, more="dim = 0.2") + SIDE + ROLES),
         wall(lamp("up", 3, 0.6, 78) + SIDE + "dim = 0.2\n" + ROLES)),
    Case("hierarchy", "order", "hierarchy_most", wall(lamp("up", 3, 0.6) + SIDE + "dim = 0.01\n" + ROLES),
         wall(lamp("up", 3, 0.6, 78) + SIDE + "dim = 0.2\n" + ROLES)),
    Case("hierarchy", "side wall", "side_wall", wall(DOOR + SIDE), wall(DOOR + FAR + SIDE + "dim = 0.1\n")),
    Case("paths", "path light", "path_mean", open_ground(way() + over_path(1, 4, 7), 20),
         open_ground(way() + over_path(1, 4, 7), 900)),
    Case("paths", "path evenness", "path_evenness", open_ground(way() + over_path(1, 7, height=0.5)),
         open_ground(way() + over_path(1, 4, 7))),
    Case("paths", "path evenness", "drive_evenness",
         open_ground(way("drive") + over_path(1, 7, height=0.5)), open_ground(way("drive") + over_path(1, 4, 7))),
    Case("treads", "tread light", "tread", open_ground(FLIGHT + at("0 m, 0.4 m, 3 m"), 20),
         open_ground(FLIGHT + at("0 m, 0.4 m, 3 m"), 2000)),
    Case("runway", "runway", "runway", open_ground(way() + hats(*((x, y) for x in (1, 3, 5, 7) for y in (-.8, .8)))),
         open_ground(way() + hats(*((x + y, y) for x in (1, 3, 5, 7) for y in (-.8, .8))))),
    Case("dazzle", "dazzle", "threshold_increment", open_ground(VIEW + at("0.5 m, 5 m, 1.5 m"), 1500),
         open_ground(VIEW + at("5 m, 5 m, 1.5 m"), 1500)),
    Case("dazzle_on_ways", "dazzle", "threshold_increment", open_ground(way() + at("9 m, 0.3 m, 1.5 m"), 1500),
         open_ground(way() + at("9 m, 9 m, 1.5 m"), 1500)),
    Case("bright_lamps", "bright lamp", "candela_near", open_ground(VIEW + at("0 m, 3 m, 1.5 m"), 1500),
         open_ground(VIEW + at("0 m, 3 m, 1.5 m"), 100)),
    Case("going_down", "going down", "stairs_down", open_ground(FLIGHT + at("0 m, -2 m, 0.5 m"), 1500),
         open_ground(FLIGHT + at("0 m, 3 m, 1 m"), 1500)),
    Case("bedrooms", "bedroom window", "own_bedroom", wall(PANE + lamp("up", 3, 0.3)),
         wall(PANE + SIDE)),
    Case("neighbours", "neighbour's window", "window_before", open_ground(NEXT_DOOR + at("0 m, -2 m, 1.5 m"), 2000),
         open_ground(NEXT_DOOR + at("0 m, 2 m, 1.5 m"), 2000)),
    Case("neighbours", "neighbour's window late", "window_after", open_ground(NEXT_DOOR + at("0 m, -2 m, 1.5 m"), 2000),
         open_ground(NEXT_DOOR + at("0 m, 2 m, 1.5 m"), 2000)),
    Case("neighbours_walls", "neighbour's wall", "facade_luminance",
         wall(FAR + '[check]\nzone = "E1"\nneighbours = ["house"]\n'),
         wall(FAR + '[check]\nzone = "E4"\nneighbours = ["house"]\n')),
    Case("facade_luminance", "bright wall", "facade_luminance", wall(FAR + '[check]\nzone = "E1"\n'),
         wall(FAR + '[check]\nzone = "E4"\n')),
    Case("upward", "light into the sky", "upward", open_ground(at("0 m, 0 m, 1 m")), wall(ON_WALL)),
    Case("off_target", "off target", "off_target", open_ground(at("0 m, 0 m, 1 m", more='lights = "ground"')),
         wall(ON_WALL)),
    Case("crown_reach", "reach into the crown", "crown_reach",
         open_ground(TREE + at("0.9 m, 0 m, 0.9 m", "narrow", 'aim = "0 m, 0 m, 1.7 m"\nlights = "plum"')),
         open_ground(TREE + at("4 m, 0 m, 0.1 m", "narrow", 'aim = "0 m, 0 m, 3 m"\nlights = "plum"'))),
    Case("crown_growth", "crown in ten years", "crown_growth", open_ground(TREE + at("1.2 m, 0 m, 0.1 m", "narrow", UP)),
         open_ground(TREE + at("4 m, 0 m, 0.1 m", "narrow", UP))),
    Case("bare_winter", "off target in winter", "off_target_bare", open_ground(TREE + UPLIT),
         open_ground(TREE + TRUNK)),
    Case("useful", "useful light", "useful", wall(ON_WALL + TO_SKY), wall(ON_WALL)),
    Case("targeted", "targeted light", "targeted", wall(ON_WALL + TO_SKY), wall(ON_WALL)),
    Case("low_level", "low level", "low_level", wall(NEAR.replace("narrow", "strong")
         + '[lamps.strong]\nlike = "narrow"\nflux = "2000 lm"\n'), wall(ON_WALL)),
    Case("controlled", "controlled light", "controlled", wall(ON_WALL + LATE), wall(ON_WALL + LATE + 'dim = "50 %"\n')),
    Case("warm", "warm light", "warm", wall(ON_WALL + 'cct = "4000 K"\n'), wall(ON_WALL + 'cct = "2700 K"\n')),
)  # fmt: skip
BY_NAME = {check.__name__: check for check in CHECKS}


def zoneless(name: str) -> str:
    return re.sub("_E[1-4]$", "", name)


@lru_cache(maxsize=64)
def job_of(text: str) -> Job:
    return checked.job_of(text)


def said(case: Case, text: str) -> list[Result]:
    results = [r for r in BY_NAME[case.check](job_of(text)) if r.check == case.says]
    return [r for r in results if r.value is not None]


def test_every_check_and_every_limit_is_in_the_table():
    assert {case.check for case in CASES} == set(BY_NAME)
    assert {case.limit for case in CASES} == {zoneless(name) for name in BUILT_IN}


IDS = [f"{case.check}-{case.limit}" for case in CASES]


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_it_trips(case):
    tripped = [r for r in said(case, case.trips) if r.is_finding]
    assert case.limit in [zoneless(r.limit.name) for r in tripped], said(case, case.trips)
    assert all(r.plain and not re.search(r"\d ?(lx|cd)", r.plain) for r in tripped)


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_it_keeps_quiet(case):
    results = said(case, case.clears)
    assert results and all(r.verdict == "good" for r in results), results


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_it_turns_at_its_limit(case):
    """With the scene's limit put at what was found it is good; a thousandth beyond, it is told."""
    job = job_of(case.trips)
    worst = max(
        (r for r in said(case, case.trips) if zoneless(r.limit.name) == case.limit),
        key=lambda r: r.limit.excess(r.value or 0.0),
    )

    def verdict(warn: float) -> str:
        limit = replace(worst.limit, warn=warn, strong=None)
        told = replace(job, limits={**job.limits, limit.name: limit})
        return next(r for r in BY_NAME[case.check](told) if r.key == worst.key).verdict

    value = worst.value
    assert value is not None
    beyond = 1e-3 * max(abs(value), 1e-3) * (1 if worst.limit.below else -1)
    assert RANK[verdict(value)] == 0
    assert RANK[verdict(value + beyond)] == 1


@pytest.mark.parametrize("check", CHECKS, ids=[check.__name__ for check in CHECKS])
def test_where_there_is_nothing_to_look_at_it_says_why(check):
    """A bare lawn with its one lamp off: every check answers, and none with a figure."""
    results = results_of(job_of(open_ground(at("0 m, 0 m, 1 m", more="on = false"))), (check,))
    assert results and all(r.verdict == "cannot tell" and r.reason for r in results)
