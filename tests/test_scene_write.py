"""Values changed in a scene file: the scene says the new thing, and the text all it said before."""

from __future__ import annotations

import difflib
import itertools
import math
import pathlib
import tomllib
from typing import Any

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from nightview.errors import NightviewError
from nightview.scene.pieces import pieces
from nightview.scene.read import parse
from nightview.scene.starter import starter
from nightview.scene.styled import in_feet, quantity
from nightview.scene.write import edited

SCENES = sorted((pathlib.Path(__file__).parents[1] / "scenes").glob("*.toml"))

GARDEN = """\
# A garden of our own.

title = "Ours"  # for captions

[site]
north = "20 deg"   # of +y
# The house stands at the back.

[[block]]
name = "house"
at = "0 m, 0 m"
size = "36 ft x 24 ft"
height = "9 ft"  # eaves
[block.roof]
kind = "gable"
# ---- the door

[[opening]]
name = "door"
block = "house"
along = "5 ft"
sill = "0 m"
size = "1 m, 2 m"

[lamps."own spot"]
kind = "beam"
flux = '260 lm'
beam = "36 deg"

[[fixture]]
id = "gable"
lamp = "own spot"
block = "house"
along = "2 ft 6 in"  # from the corner
out = "18 in"
dim = "80 %"
count = 2
spacing = "10 ft"

# The second one, by the step.
[[fixture]]
id = "step"
lamp = "own spot"
at = "1 m, -50 cm, 6 in"  # x, y, z
aim = "1 m, 0 m, 1 m"
dim = 0.6

[[state]]
name = "late"
zones = { garden = { dim = "50 %" } }  # in one line

[[state]]
name = "later"
[state.zones.garden]
on = false

# Where one looks from.
[[view]]
name = "street"
eye = "0 m, -12 m, 5 ft"
target = "0 m, 0 m, 1 m"
"""


def lines(text: str) -> list[str]:
    return text.split("\n")


def differs(changes: dict[tuple[str, ...], Any], text: str = GARDEN) -> tuple[list[str], list[str]]:
    """The lines that go and the lines that come; and the new text is read."""
    new = edited(text, changes)
    parse(new)
    told = list(difflib.ndiff(lines(text), lines(new)))
    return [line[2:] for line in told if line[0] == "-"], [
        line[2:] for line in told if line[0] == "+"
    ]


@pytest.mark.parametrize(
    ("where", "what", "old", "new"),
    [
        (("title",), "Yours", 'title = "Ours"  # for captions', 'title = "Yours"  # for captions'),
        (("site", "north"), 35, 'north = "20 deg"   # of +y', 'north = "35 deg"   # of +y'),
        (
            ("block", "house", "height"),
            3.048,
            'height = "9 ft"  # eaves',
            'height = "10 ft"  # eaves',
        ),
        (
            ("block", "house", "size"),
            (9.144, 8.0),
            'size = "36 ft x 24 ft"',
            'size = "30 ft x 26 ft 2.96 in"',
        ),
        (("block", "house", "roof", "kind"), "hip", 'kind = "gable"', 'kind = "hip"'),
        (("lamps", "own spot", "flux"), 400, "flux = '260 lm'", 'flux = "400 lm"'),
        (("fixture", "gable", "dim"), "60 %", 'dim = "80 %"', 'dim = "60 %"'),
        (("fixture", "gable", "dim"), 0.35, 'dim = "80 %"', 'dim = "35 %"'),
        (("fixture", "step", "dim"), 0.35, "dim = 0.6", "dim = 0.35"),
        (("fixture", "gable", "out"), 0.508, 'out = "18 in"', 'out = "20 in"'),
        (("fixture", "gable", "count"), 3, "count = 2", "count = 3"),
        (
            ("fixture", "gable", "along"),
            1.0,
            'along = "2 ft 6 in"  # from the corner',
            'along = "3 ft 3.37 in"  # from the corner',
        ),
        (
            ("fixture", "step", "at"),  # each length in its own unit
            (1.5, -0.75, 0.2),
            'at = "1 m, -50 cm, 6 in"  # x, y, z',
            'at = "1.5 m, -75 cm, 7.87 in"  # x, y, z',
        ),
        (
            ("state", "late", "zones", "garden", "dim"),
            0.25,
            'zones = { garden = { dim = "50 %" } }  # in one line',
            'zones = { garden = { dim = "25 %" } }  # in one line',
        ),
        (("state", "later", "zones", "garden", "on"), True, "on = false", "on = true"),
    ],
)
def test_a_value_changes_where_it_stands(where: Any, what: Any, old: str, new: str) -> None:
    assert differs({where: what}) == ([old], [new])


@pytest.mark.parametrize(
    ("where", "what", "after", "new"),
    [
        (("notes",), "to do", 'title = "Ours"  # for captions', 'notes = "to do"'),
        (("site", "season"), "bare", 'north = "20 deg"   # of +y', 'season = "bare"'),
        (("block", "house", "base"), 0.3, 'height = "9 ft"  # eaves', 'base = "0.3 m"'),
        (("block", "house", "roof", "pitch"), 35, 'kind = "gable"', 'pitch = "35 deg"'),
        (("fixture", "gable", "zone"), "facade", 'spacing = "10 ft"', 'zone = "facade"'),
        (("fixture", "step", "on"), False, "dim = 0.6", "on = false"),
        (("state", "later", "zones", "garden", "cct"), 2400, "on = false", 'cct = "2400 K"'),
        (
            ("state", "late", "fixtures", "gable-1", "dim"),
            0.5,
            'zones = { garden = { dim = "50 %" } }  # in one line',
            "fixtures = { gable-1 = { dim = 0.5 } }",
        ),
    ],
)
def test_a_new_key_comes_last_in_its_table(where: Any, what: Any, after: str, new: str) -> None:
    """And so above the blank lines and comments that belong to the next one."""
    assert differs({where: what}) == ([], [new])
    text = lines(edited(GARDEN, {where: what}))
    assert (after, new) in itertools.pairwise(text)


def test_a_key_taken_out_goes_with_its_line() -> None:
    assert differs({("fixture", "step", "dim"): None}) == (["dim = 0.6"], [])
    assert edited(GARDEN, {("fixture", "step", "zone"): None}) == GARDEN


def test_several_at_once_and_over_again() -> None:
    changes = {
        ("fixture", "step", "zone"): "steps",
        ("fixture", "step", "on"): False,
        ("state", "late", "fixtures", "step", "dim"): 0.5,
        ("state", "late", "fixtures", "step", "cct"): 2400,
        ("state", "late", "zones", "steps", "on"): False,
        ("moon", "illuminance"): 0.05,
        ("moon", "on"): False,
        ("state", "later", "zones", "steps", "dim"): 0.1,
    }
    text = edited(GARDEN, changes)
    scene = parse(text)
    assert scene.fixtures[1].zone == "steps" and not scene.fixtures[1].on
    assert scene.states[0].fixtures["step"].dim == 0.5
    assert scene.states[0].fixtures["step"].cct_k == 2400.0
    assert scene.states[0].zones["steps"].on is False
    assert scene.states[0].zones["garden"].dim == 0.5
    assert scene.states[1].zones["steps"].dim == 0.1
    assert scene.moon is not None and scene.moon.illuminance_lx == 0.05 and not scene.moon.on
    assert edited(text, changes) == text
    assert edited(GARDEN, {}) == GARDEN


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_line_ends_stay_as_they_are(ending: str) -> None:
    text = GARDEN.replace("\n", ending)
    new = edited(text, {("fixture", "step", "dim"): 0.5, ("fixture", "step", "on"): False})
    assert new.count("\n") == new.count(ending) == GARDEN.count("\n") + 1


def test_a_file_without_a_last_line_end() -> None:
    text = '[ground]\nsize = "12 m x 8 m"'
    new = edited(text, {("ground", "centre"): (0, 1), ("title",): "x"})
    assert new == 'title = "x"\n[ground]\nsize = "12 m x 8 m"\ncentre = "0 m, 1 m"\n'


@pytest.mark.parametrize(
    ("where", "told"),
    [
        (
            ("fixtur", "step", "dim"),
            'scene: there is no table or key "fixtur"; did you mean "fixtu',
        ),
        (("fixture", "stepp", "dim"), 'fixture "stepp": is not in this file; did you mean "step"?'),
        (("fixture", "gable-2", "dim"), 'fixture "gable-2": is one lamp of the row "gable", of'),
        (("fixture", "step", "dimm"), 'fixture "step": there is no key "dimm"; did you mean "dim"'),
        (("block", "house", "roof", "x"), 'block "house": there is no key "x"; keys: "kind",'),
        (("lamps", "x", "flux"), 'lamps "x": is not in this file; there are: "own spot"'),
        (("state", "late", "zones", "a", "dimm"), 'state "late": there is no key "dimm"'),
        (("fixture", "step"), 'fixture "step": no key of it is named'),
        (("site",), "site: no key of it is named"),
        (("moon", "colour"), 'moon: there is no key "colour"'),
    ],
)
def test_what_is_not_there_is_told(where: Any, told: str) -> None:
    with pytest.raises(NightviewError) as caught:
        edited(GARDEN, {where: 1.0})
    assert str(caught.value).startswith(told)


def test_no_toml() -> None:
    with pytest.raises(NightviewError, match="is no TOML"):
        edited("a = [", {("title",): "x"})


# --- pieces ---------------------------------------------------------------------------------------

TRAPS = '''
title = "[no header] # no comment"  # [nor here]
notes = """
[[tree]]
quotes "" and \\""" within
"""
view = [
  # [[view]]
  { name = "a", eye = "0 m, 0 m, 1 m", target = "1 m, 0 m, 1 m" },
]
[materials]
oak = { rgb = [
  0.1, 0.1,
  0.1] }
[[terrace]]
name = "a"
  [[steps]]
  name = "b"
[[ terrace ]]  # spaced
name = 'c]['
[lamps . "a.b"]
kind = "omni"
[[block]]
name = "d"
[block.roof]
kind = "flat"
[[block]]
name = "e"
[block.roof]
kind = "hip"
[site]'''


@pytest.mark.parametrize("text", [TRAPS, GARDEN, *(path.read_text("utf-8") for path in SCENES)])
def test_pieces_are_the_tables_where_they_stand(text: str) -> None:
    data = tomllib.loads(text)
    found = pieces(text)
    assert [piece.start for piece in found] == sorted(piece.start for piece in found)
    total = 0
    for piece in found:
        table: Any = data
        for part in piece.location:
            table = table[part]
        own = tomllib.loads(text[piece.start : piece.end])
        assert own.items() <= table.items()
        assert tomllib.loads(text[piece.start : piece.last]) == own
        total += len(own)

    def keys(node: Any) -> int:
        """Keys with a value; of tables with headers of their own, theirs."""
        if isinstance(node, dict):
            return sum(keys(value) if headed(value) else 1 for value in node.values())
        return sum(keys(table) for table in node)

    def headed(value: Any) -> bool:
        return any(_at(data, piece.location, value) for piece in found)

    assert total == keys(data)


def _at(data: Any, location: Any, wanted: Any) -> bool:
    """Whether that very object is on the way to the location."""
    for part in location:
        data = data[part]
        if data is wanted:
            return True
    return False


def test_traps() -> None:
    changes = {
        ("view", "a", "fov"): 40.0,
        ("terrace", "c][", "height"): 0.5,
        ("steps", "b", "count"): 3,
        ("materials", "oak", "rgb"): (0.2, 0.1, 0.1),
        ("lamps", "a.b", "flux"): 100,
        ("block", "e", "roof", "kind"): "shed",
        ("site", "north"): 5,
        ("notes",): "none",
    }
    data = tomllib.loads(edited(TRAPS, changes))
    assert data["view"][0]["fov"] == "40 deg"
    assert data["terrace"] == [{"name": "a"}, {"name": "c][", "height": "0.5 m"}]
    assert data["steps"] == [{"name": "b", "count": 3}]
    assert data["materials"] == {"oak": {"rgb": [0.2, 0.1, 0.1]}}
    assert data["lamps"] == {"a.b": {"kind": "omni", "flux": "100 lm"}}
    assert [block["roof"]["kind"] for block in data["block"]] == ["flat", "shed"]
    assert data["site"] == {"north": "5 deg"}
    assert data["notes"] == "none"


# --- units ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "before", "text"),
    [
        (0.5, "m", "18 in", "19.69 in"),
        (-1.0668, "m", "5 ft", "-3 ft 6 in"),
        (0.0, "m", "5 ft", "0 ft"),
        (3.6576, "m", "5' 6\"", "12 ft"),
        (3.65759, "m", "5'-6\"", "12 ft"),  # not 11 ft 12 in
        (0.5, "m", "45 cm", "50 cm"),
        (0.5, "m", "450 mm", "500 mm"),
        (-0.0, "m", "3 m", "0 m"),
        (1234.5678, "m", "", "1234.5678 m"),
        (36.5, "deg", "36°", "36.5 °"),
        (math.degrees(0.5), "deg", "0.1 rad", "0.5 rad"),
        (1200.0, "lm", "1 klm", "1.2 klm"),
        (10.7639104, "lx", "2 fc", "1 fc"),
        (5.0, "cd/m^2", "3 cd/m²", "5 cd/m²"),
        (2700.0, "K", "", "2700 K"),
        (4.5, "W", "3 what", "4.5 W"),
    ],
)
def test_a_number_in_the_unit_before(value: float, unit: str, before: str, text: str) -> None:
    assert quantity(value, unit, before, False) == text


def test_a_new_length_is_as_most_of_the_file() -> None:
    assert in_feet('a = "3 ft"\nb = "18 in"\nc = "2 m"\nd = "5 cd/m^2, 3 lm"')
    assert not in_feet('a = "3 ft"\nc = "2 m"\nd = "45 cm"\ne = "24 lm in a path"')
    assert quantity(0.762, "m", "", True) == "2 ft 6 in"


# --- any change -----------------------------------------------------------------------------------

# A value of each kind: the key of every fixture, and a number it may be.
_NUMBERS = {
    "dim": st.floats(0.0, 1.0),
    "cct": st.floats(1000.0, 20_000.0),
    "roll": st.floats(-360.0, 360.0),
    "count": st.integers(1, 3),
    "at": st.tuples(*[st.floats(-500.0, 500.0)] * 3),
    "on": st.booleans(),
    "zone": st.from_regex(r"[a-z][a-z \"'#=]{0,20}[a-z]", fullmatch=True),
}


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(data=st.data())
def test_any_change_is_read_back_and_changes_nothing_else(path: pathlib.Path, data: Any) -> None:
    text = path.read_text(encoding="utf-8")
    before = tomllib.loads(text)
    changes = {}
    for _ in range(data.draw(st.integers(1, 4))):
        fixture = data.draw(st.sampled_from(before["fixture"]))
        key = data.draw(st.sampled_from(sorted(_NUMBERS)))
        changes["fixture", fixture["id"], key] = data.draw(_NUMBERS[key])
    new = edited(text, changes)
    after = tomllib.loads(new)
    for (_, name, key), value in changes.items():
        (old,) = (one for one in before["fixture"] if one["id"] == name)
        (now,) = (one for one in after["fixture"] if one["id"] == name)
        got = now.pop(key)
        old.pop(key, None)
        if isinstance(value, tuple):
            metres = (
                parse(f'[[view]]\nname = "v"\neye = "{got}"\ntarget = "999 m, 0 m, 0 m"')
                .views[0]
                .eye_m
            )
            assert metres == pytest.approx(value, abs=3e-4)
        elif key in ("cct", "roll"):
            assert float(got.split()[0]) == pytest.approx(value, rel=1e-5, abs=1e-5)
        elif isinstance(got, str) and "%" in got:
            assert float(got.split()[0]) == pytest.approx(100.0 * value, rel=1e-5)
        else:
            assert got == value
    assert before == after  # all but the keys that were to change
    same = difflib.SequenceMatcher(
        None, lines(text), lines(new), autojunk=False
    ).get_matching_blocks()
    kept = sum(block.size for block in same)
    assert kept >= len(lines(text)) - len(changes)  # every other line, in its order
    assert len(lines(new)) - kept <= len(changes)


@pytest.mark.parametrize("feet", [False, True])
def test_a_starter_in_either_units_keeps_them(feet: bool) -> None:
    text = starter(11.0, 8.0, 3.0, feet=feet)
    new = edited(text, {("fixture", "tree", "height"): None, ("block", "house", "base"): 0.5})
    assert parse(new).blocks[0].base_m == pytest.approx(0.5, abs=1.5e-4)
    assert ('base = "1 ft 7.69 in"' in new, 'base = "0.5 m"' in new) == (feet, not feet)
