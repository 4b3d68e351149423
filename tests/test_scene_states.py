"""States: what each light is told, from the whole job down to one lamp of a row."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightview.errors import NightviewError, SceneFaultsError
from nightview.scene.model import Fixture, Moon, Opening, Scene, Setting, State
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED, Shown, lineage, shown_in, state_of

GARDEN = """
[moon]
cct = "4100 K"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "10 m, 8 m"
height = "3 m"
[[opening]]
name = "kitchen"
block = "house"
along = "2 m"
size = "1 m, 1 m"
glow = "3 cd/m^2"
[[opening]]
name = "dark room"
block = "house"
along = "5 m"
size = "1 m, 1 m"
[[fixture]]
id = "gable"
lamp = "accent 36"
zone = "facade"
block = "house"
along = "2 m"
out = "0.5 m"
count = 2
spacing = "3 m"
dim = "80 %"
[[fixture]]
id = "door"
lamp = "wash"
zone = "entrance"
at = "5 m, -1 m, 0.1 m"
aim = "5 m, 0 m, 1 m"
cct = "2400 K"
[[fixture]]
id = "spare"
lamp = "wash"
zone = "entrance"
at = "6 m, -1 m, 0.1 m"
aim = "6 m, 0 m, 1 m"
on = false
[[fixture]]
id = "oak up"
lamp = "accent 60"
zone = "trees"
option = "plus trees"
at = "9 m, -4 m, 0.1 m"
aim = "9 m, -3 m, 3 m"
[[state]]
name = "entrance only"
only = ["entrance"]
[[state]]
name = "plus trees"
[[state]]
name = "plus trees, late"
like = "plus trees"
dim = "50 %"
[state.zones]
trees = { dim = "40 %" }
moon = { on = false }
windows = { dim = 0.2, cct = "2200 K" }
sky = { dim = 0.5 }
[[state]]
name = "off"
on = false
"""


def shown(state: str, more: str = "") -> dict[str, Shown]:
    return shown_in(parse(GARDEN + more), state)


def levels(state: str, more: str = "") -> dict[str, float]:
    return {name: round(light.level, 9) for name, light in shown(state, more).items()}


LAMPS = ("gable-1", "gable-2", "door", "spare", "oak up")


def test_as_designed_is_what_the_fixtures_say() -> None:
    lights = shown(AS_DESIGNED)
    assert list(lights) == [*LAMPS, "kitchen", "moon", "sky"]
    assert levels(AS_DESIGNED) == {
        **{"gable-1": 0.8, "gable-2": 0.8, "door": 1.0, "spare": 0.0, "oak up": 0.0},
        **{"kitchen": 1.0, "moon": 1.0, "sky": 1.0},
    }
    assert not lights["oak up"].exists and lights["oak up"].on  # of an option, and so not there
    assert lights["spare"].exists and not lights["spare"].on
    assert (lights["door"].cct_k, lights["gable-1"].cct_k) == (2400.0, None)


def test_only_turns_other_zones_off_and_leaves_windows_moon_and_sky() -> None:
    found = levels("entrance only")
    assert [found[name] for name in LAMPS] == [0.0, 0.0, 1.0, 0.0, 0.0]
    assert [found[name] for name in ("kitchen", "moon", "sky")] == [1.0, 1.0, 1.0]


def test_all_off_is_before() -> None:
    found = levels("off")
    assert not any(found[name] for name in LAMPS)
    assert found["kitchen"] == found["sky"] == 1.0


def test_an_options_fixtures_are_there_in_it_and_in_what_is_like_it() -> None:
    assert levels("plus trees")["oak up"] == 1.0
    assert shown("plus trees, late")["oak up"].exists
    assert not shown("entrance only")["oak up"].exists


def test_dimmers_in_a_row_multiply() -> None:
    found = levels("plus trees, late")
    assert found["gable-1"] == pytest.approx(0.5 * 0.8)  # the state's, before a trimmed lamp
    assert found["oak up"] == pytest.approx(0.5 * 0.4)
    assert found["door"] == pytest.approx(0.5)
    assert [found[name] for name in ("kitchen", "moon", "sky")] == [0.2, 0.0, 0.5]
    assert shown("plus trees, late")["kitchen"].cct_k == 2200.0


NEAREST = """
[[state]]
name = "x"
cct = "3000 K"
dim = 0.5
on = true
only = ["trees"]
[state.zones.facade]
cct = "2700 K"
on = true
dim = 0.5
[state.fixtures.gable]
dim = "90 %"
[state.fixtures."gable-2"]
cct = "4000 K"
on = false
[state.fixtures.kitchen]
on = false
"""


def test_the_nearest_word_holds() -> None:
    lights = shown("x", NEAREST)
    assert lights["gable-1"] == Shown(True, True, 0.9, 2700.0)  # its own level, whatever else
    assert lights["gable-2"] == Shown(True, False, 0.9, 4000.0)
    assert lights["door"] == Shown(True, False, 0.5, 3000.0)  # not in only
    assert lights["spare"] == Shown(True, False, 0.5, 3000.0)  # which is nearer than on = true
    assert lights["kitchen"] == Shown(True, False, 1.0, None)


def test_on_for_all_turns_on_what_the_design_has_off() -> None:
    assert levels("x", '[[state]]\nname = "x"\non = true\n')["spare"] == 1.0


def test_like_takes_over_key_by_key() -> None:
    more = """
[[state]]
name = "a"
dim = 0.5
cct = "3000 K"
only = ["facade"]
zones = { facade = { dim = 0.5, cct = "2200 K" }, entrance = { on = true } }
fixtures = { door = { dim = 0.1 } }
[[state]]
name = "b"
like = "a"
dim = 1
zones = { facade = { dim = 0.25 } }
[[state]]
name = "c"
like = "b"
only = ["entrance", "facade"]
fixtures = { door = { on = false } }
"""
    b, c = shown("b", more), shown("c", more)
    assert b["gable-1"] == Shown(True, True, 0.8 * 0.25, 2200.0)
    assert b["door"] == Shown(True, True, 0.1, 3000.0)
    assert c["gable-1"] == b["gable-1"]
    assert c["door"] == Shown(True, False, 0.1, 3000.0)
    assert [
        one.name for one in lineage(parse(GARDEN + more), state_of(parse(GARDEN + more), "c"))
    ] == [*"cba"]


def test_a_new_moon_and_a_moon_switched_off() -> None:
    assert not shown_in(Scene())["moon"].exists
    dark = shown_in(Scene(moon=Moon(on=False)))["moon"]
    assert dark.exists and not dark.on and dark.level == 0.0


def test_an_unknown_state_is_told_with_all_there_are() -> None:
    with pytest.raises(NightviewError) as caught:
        shown("plus treees")
    assert str(caught.value) == (
        'state "plus treees": is no state of this scene; did you mean "plus trees"? there are: '
        '"entrance only", "plus trees", "plus trees, late", "off", "as designed"'
    )
    with pytest.raises(NightviewError, match="the scene has no states"):
        shown_in(Scene(), "x")


def test_a_fault_in_a_fixture_does_not_make_its_row_unknown() -> None:
    text = GARDEN + '[[state]]\nname = "x"\nfixtures = { "gable-1" = { on = false } }\n'
    with pytest.raises(NightviewError) as caught:
        parse(text.replace('out = "0.5 m"', 'out = "0.5"'))
    assert len(str(caught.value).splitlines()) == 1


_settings = st.builds(
    Setting,
    on=st.none() | st.booleans(),
    dim=st.none() | st.floats(0.0, 1.0),
    cct_k=st.none() | st.floats(1000.0, 20_000.0),
)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(_settings, min_size=6, max_size=6),
    st.none() | st.lists(st.sampled_from("ab"), min_size=1, max_size=2),
    st.floats(0.0, 1.0),
    st.booleans(),
)
def test_any_state_gives_each_light_a_level_and_never_more_than_its_dimmers(
    said: list[Setting], only: list[str] | None, dim: float, on: bool
) -> None:
    whole, zone, row, one, windows, window = said
    scene = Scene(
        fixtures=(
            Fixture(id="r", lamp="l", zone="a", at_m=(0, 0, 0), count=2, spacing_m=1.0, dim=dim, on=on),
            Fixture(id="s", lamp="l", zone="b", at_m=(0, 5, 0)),
        ),
        openings=(Opening(name="w", block="x", along_m=1.0, size_m=(1, 1), glow_cd_m2=2.0),),
        states=(
            State(
                name="x", on=whole.on, dim=whole.dim, cct_k=whole.cct_k, only=only and tuple(only),
                zones={"a": zone, "windows": windows}, fixtures={"r": row, "r-2": one, "w": window},
            ),
            State(name="y", like="x"),
        ),
    )  # fmt: skip
    found = shown_in(scene, "x")
    assert found == shown_in(scene, "y")  # like, and nothing else, changes nothing
    assert list(found) == ["r-1", "r-2", "s", "w", "moon", "sky"]
    for light in found.values():
        assert 0.0 <= light.level <= 1.0
        assert light.level in (0.0, light.dim)
    if row.dim is None and None not in (whole.dim, zone.dim):
        assert found["r-1"].dim == pytest.approx(dim * whole.dim * zone.dim)
        assert found["r-1"].dim <= min(dim, whole.dim, zone.dim) + 1e-12
    if one.dim is not None:
        assert found["r-2"].dim == one.dim
    if only == ["b"] and zone.on is None and row.on is None:
        assert not found["r-1"].on


def test_a_moon_that_is_off_is_no_states_to_turn_on() -> None:
    text = '[moon]\non = false\n[[state]]\nname = "moonlit"\nzones = { moon = { on = true } }\n'
    with pytest.raises(SceneFaultsError, match=r'state "moonlit": zones.moon turns a moon on'):
        parse(text)
    parse(text.replace("on = false\n[[", "on = true\n[["))
