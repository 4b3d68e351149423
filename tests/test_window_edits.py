"""What is done to lamps in the window, as changes of the text: read back, they mean what was meant."""

import numpy as np
import pytest

from nightview.errors import NightviewError
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED, shown_in
from nightview.scene.wiring_rules import stops_of
from nightview.site.build import build
from nightview.window import edits
from nightview.window.cabled import cables_of, uncabled
from nightview.window.moving import Grip
from nightview.window.rows import parted
from nightview.window.steering import orbit, pan, walk, zoom

TEXT = """title = "Garden"

[ground]
size = "40 m, 40 m"

[[block]]
name = "house"
at = "0 m, 0 m"
size = "8 m, 5 m"
height = "3 m"

[[opening]]
name = "door"
block = "house"
kind = "door"
along = "4 m"
sill = "0.1 m"
size = "1 m, 2.1 m"

[[terrace]]
name = "deck"
at = "10 m, -6 m"
size = "4 m, 4 m"
height = "0.5 m"

[[path]]
name = "walk"
line = ["-6 m, -8 m", "6 m, -8 m"]
width = "1 m"

# --- lamps ---

[[fixture]]
id = "wall"          # grazes
lamp = "accent 24"
zone = "facade"
block = "house"
along = "2 m"
out = "0.4 m"

[[fixture]]
id = "tree"
lamp = "accent 36"
at = "3 ft, -10 ft, 6 in"
aim = "0 m, -4 m, 2 m"

[[fixture]]
id = "hats"
lamp = "path hat"
path = "walk"
start = "2 m"
count = 3
spacing = "3 m"

[[fixture]]
id = "lantern"
lamp = "hanging lantern"
at = "3 m, -0.2 m, 2 m"

[[state]]
name = "late"
[state.fixtures.tree]
dim = "50 %"

[[view]]
name = "front"
eye = "2 m, -16 m, 1.6 m"
target = "3 m, 0 m, 1.5 m"
"""


@pytest.fixture
def scene():
    return parse(TEXT)


@pytest.fixture
def lamps(scene):
    return {lamp.id: lamp for lamp in build(scene).fixtures}


def after(change, text=TEXT):
    return parse(change(text))


def fixture(scene, name):
    return next(one for one in scene.fixtures if one.id == name)


def test_dim_on_and_colour_in_the_design_change_the_fixture(scene):
    found = after(edits.shown(scene, "tree", AS_DESIGNED, "dim", 0.35))
    assert fixture(found, "tree").dim == pytest.approx(0.35)
    found = after(edits.shown(scene, "hats-2", AS_DESIGNED, "on", False))
    assert fixture(found, "hats").on is False
    found = after(edits.shown(scene, "wall", AS_DESIGNED, "cct", 3000.0))
    assert fixture(found, "wall").cct_k == 3000.0


def test_in_a_state_they_change_the_state_alone(scene):
    for key, value, read in (("dim", 0.2, "dim"), ("on", False, "on"), ("cct", 2200.0, "cct_k")):
        for lamp in ("tree", "wall"):
            found = after(edits.shown(scene, lamp, "late", key, value))
            assert getattr(shown_in(found, "late")[lamp], read) == pytest.approx(value)
            assert found.fixtures == scene.fixtures


def test_aiming_takes_the_place_of_all_other_ways_to_aim(scene, lamps):
    first = lamps["wall"].position
    change = edits.aimed(scene, "wall", first, first, np.array([2.2, 0.0, 2.4]))
    found = after(change)
    lamp = next(one for one in build(found).fixtures if one.id == "wall")
    way = np.array([2.2, 0.0, 2.4]) - lamp.position
    assert lamp.axis == pytest.approx(way / np.linalg.norm(way), abs=1e-9)


def test_any_lamp_of_a_row_is_aimed_where_it_was_asked(scene, lamps):
    point = np.array([1.0, -7.0, 0.0])
    change = edits.aimed(scene, "hats-3", lamps["hats-1"].position, lamps["hats-3"].position, point)
    lamp = {one.id: one for one in build(after(change)).fixtures}["hats-3"]
    way = point - lamp.position
    assert lamp.axis == pytest.approx(way / np.linalg.norm(way), abs=5e-3)  # written to 1 cm


def test_other_beams_are_of_the_same_kind_and_the_next_width(scene):
    # The catalogue has accents of 10, 15, 24, 36 and 60 degrees with the same lumens.
    assert edits.other_beam(scene, "tree", True) == "accent 60"
    assert edits.other_beam(scene, "tree", False) == "accent 24"
    assert edits.other_beam(scene, "lantern", True) is None


def test_a_lamp_is_added_at_the_end_and_can_be_read(scene):
    name = edits.new_id(scene, "lamp")
    text = edits.added(
        name, "accent 36", "garden", np.array([1.0, -5, 0.15]), np.array([1, -4.5, 2])
    )(TEXT)
    assert text.startswith(TEXT.rstrip("\n"))
    new = fixture(parse(text), name)
    assert new.at_m == pytest.approx((1, -5, 0.15)) and new.aim_m == pytest.approx((1, -4.5, 2))


def test_a_copy_stands_below_its_first_with_its_comments_and_its_own_name(scene):
    name = edits.new_id(scene, "wall")
    text = edits.copied(scene, "wall", name, {"along_m": 6.0})(TEXT)
    found = parse(text)
    new, old = fixture(found, name), fixture(found, "wall")
    assert new.along_m == pytest.approx(6.0) and old.along_m == pytest.approx(2.0)
    assert new.model_copy(update={"id": "wall", "along_m": old.along_m}) == old
    ids = [one.id for one in found.fixtures]
    assert ids.index(name) == ids.index("wall") + 1
    assert text.count("# grazes") == 2 and text.count("# --- lamps ---") == 1


def test_a_deleted_fixture_takes_only_itself_and_its_states_word_along(scene):
    text = edits.removed(scene, "tree")(TEXT)
    found = parse(text)
    assert [one.id for one in found.fixtures] == ["wall", "hats", "lantern"]
    assert "tree" not in found.states[0].fixtures
    gone = set(TEXT.splitlines()) - set(text.splitlines())
    assert all("ft" in line or "tree" in line or "aim" in line or "36" in line or "50 %" in line
               for line in gone), gone  # fmt: skip
    assert "# --- lamps ---" in text


def test_with_the_last_lamp_of_a_zone_states_no_longer_speak_of_it(scene):
    text = TEXT + (
        '[[state]]\nname = "front only"\nonly = ["facade"]\n'
        '[[state]]\nname = "two"\nonly = ["facade", "garden"]\nzones.facade = { dim = "50 %" }\n'
    )
    found = parse(edits.removed(parse(text), "wall")(text))
    late, front, two = found.states
    assert late == scene.states[0]
    assert front.only is None and front.on is False
    assert not any(shown_in(found, "front only")[lamp.id].on for lamp in build(found).fixtures)
    assert two.only == ("garden",) and not two.zones


def test_the_last_table_of_the_file_can_be_deleted():
    text = TEXT[: TEXT.index('[[fixture]]\nid = "tree"')].rstrip("\n")
    found = edits.removed(parse(text), "wall")(text)
    assert parse(found).fixtures == ()


# --- on a cable -----------------------------------------------------------------------------------

WIRED = (
    TEXT
    + """
[[transformer]]
name = "T"
power = "150 VA"
taps = ["12 V", "15 V"]
commons = 2

[[cable]]
name = "run"                # along the front
from = "T"
tap = "15 V"
common = 2
through = ["wall", "hats", "lantern"]
lengths = ["10 ft", "20 ft", "4 m", "5 m", "6 m"]

[[cable]]
name = "branch"
from = "hats-2"
through = ["tree"]
length = "7 m"
"""
)


def without(name):
    scene = parse(WIRED)
    own = fixture(scene, name)
    text = edits.removed(scene, own.lamp_ids[0])(uncabled(scene, own)(WIRED))
    found = parse(text)
    assert name not in {one.id for one in found.fixtures}
    assert "# along the front" in text
    return {cable.name: cable for cable in found.cables}


def test_cables_that_name_a_lamp_or_one_of_its_row_are_found():
    scene = parse(WIRED)
    found = {one.id: cables_of(scene, one) for one in scene.fixtures}
    assert found == {
        "wall": ("run",), "tree": ("branch",), "hats": ("run", "branch"), "lantern": ("run",)
    }  # fmt: skip
    with pytest.raises(NightviewError, match="through"):
        parse(edits.removed(scene, "wall")(WIRED))  # why it has to come off its cable first


def test_a_lamp_in_the_middle_comes_off_and_its_two_legs_are_one():
    cables = without("hats")
    assert cables["run"].through == ("wall", "lantern")
    # 10 ft to the wall light; 20 ft, 4 m, 5 m and 6 m led by the hats to the lantern.
    assert cables["run"].lengths_m == pytest.approx((3.048, 6.096 + 4 + 5 + 6), abs=2e-3)
    assert cables["branch"].start == "wall" and cables["branch"].tap_v is None


def test_the_last_lamp_of_a_cable_takes_its_leg_along_and_the_only_one_its_cable():
    assert without("lantern")["run"].lengths_m == pytest.approx((3.048, 6.096, 4, 5), abs=2e-3)
    cables = without("tree")
    assert list(cables) == ["run"] and len(cables["run"].through) == 3


def test_a_branch_of_the_first_lamp_is_landed_as_the_cable_before_it():
    text = WIRED.replace('from = "hats-2"', 'from = "wall"')
    scene = parse(text)
    found = parse(edits.removed(scene, "wall")(uncabled(scene, fixture(scene, "wall"))(text)))
    branch = found.cables[1]
    assert (branch.start, branch.tap_v, branch.common) == ("T", 15.0, 2)


# --- rows -----------------------------------------------------------------------------------------

ROWS = (
    WIRED.replace('out = "0.4 m"', 'out = "0.4 m"\ncount = 3\nspacing = "1.5 m"')
    .replace('aim = "0 m, -4 m, 2 m"', 'aim = "0 m, -4 m, 2 m"\nto = "3 m, -5 m, 0.3 m"\ncount = 2')
    .replace('"4 m", "5 m", "6 m"]', '"4 m", "5 m", "6 m", "1 m", "1 m"]')
    .replace('length = "7 m"', 'layout = "daisy"')
    .replace('power = "150 VA"', 'power = "150 VA"\nat = "9 m, -1 m"')
    + """
[[state]]
name = "dim"
[state.fixtures.hats]
dim = "40 %"
cct = "2400 K"
[state.fixtures.hats-2]
dim = "10 %"
"""
)


@pytest.mark.parametrize("verge", ["staggered", "left", "both"])
@pytest.mark.parametrize("name", ["wall", "tree", "hats"])
def test_a_row_taken_apart_stands_and_shines_as_before(name, verge):
    text = ROWS.replace('path = "walk"', f'path = "walk"\nverge = "{verge}"')
    if verge == "both":  # six hats, five legs more in all
        text = text.replace('"1 m", "1 m"]', '"1 m", "1 m", "1 m", "1 m", "1 m"]')
    scene = parse(text)
    before = {lamp.id: lamp for lamp in build(scene).fixtures}
    own = fixture(scene, name)
    found = parse(parted(scene, own, tuple(before[one] for one in own.lamp_ids))(text))
    after = {lamp.id: lamp for lamp in build(found).fixtures}
    assert list(after) == list(before)
    assert {one.id for one in found.fixtures} >= set(own.lamp_ids)
    for one in own.lamp_ids:
        assert after[one].position == pytest.approx(before[one].position, abs=1e-3)
        assert after[one].axis == pytest.approx(before[one].axis, abs=2e-3)
    for state in (AS_DESIGNED, "late", "dim"):
        assert shown_in(found, state) == shown_in(scene, state)
    assert [stops_of(found, one) for one in found.cables] == [
        stops_of(scene, one) for one in scene.cables
    ]
    change = edits.shown(found, own.lamp_ids[0], AS_DESIGNED, "dim", 0.3)
    alone = shown_in(
        parse(change(parted(scene, own, tuple(before[one] for one in own.lamp_ids))(text)))
    )
    assert [alone[one].dim for one in own.lamp_ids] == [0.3] + [1.0] * (len(own.lamp_ids) - 1)


def test_one_lamp_is_no_row(scene, lamps):
    with pytest.raises(NightviewError, match="no row"):
        parted(scene, fixture(scene, "tree"), (lamps["tree"],))


def test_in_a_state_one_lamp_of_a_row_or_the_whole_row(scene):
    text = edits.shown(scene, "hats-2", "late", "dim", 0.3, alone=True)(TEXT)
    dims = [shown_in(parse(text), "late")[f"hats-{k}"].dim for k in (1, 2, 3)]
    assert dims == pytest.approx([1.0, 0.3, 1.0])
    text = edits.shown(parse(text), "hats-1", "late", "dim", 0.6)(text)
    dims = [shown_in(parse(text), "late")[f"hats-{k}"].dim for k in (1, 2, 3)]
    assert dims == pytest.approx([0.6] * 3)


def test_mirrored_about_the_door_twice_comes_back(scene, lamps):
    change, name, axis = edits.mirrored(scene, "wall", lamps["wall"].position, np.zeros(3))
    assert axis == "door"
    assert fixture(after(change), name).along_m == pytest.approx(6.0)  # 2·4 − 2
    change, name, _ = edits.mirrored(
        scene, "tree", lamps["tree"].position, np.array([0, -4.0, 2.0])
    )
    new = fixture(after(change), name)
    # The front wall runs along x from 0, so its door's axis is x = 4.
    assert new.at_m == pytest.approx((8 - 0.9144, -3.048, 0.1524), abs=1e-3)
    assert new.aim_m == pytest.approx((8.0, -4.0, 2.0))


def test_a_row_about_an_axis_is_not_mirrored_onto_itself():
    text = TEXT.replace('out = "0.4 m"', 'out = "0.4 m"\ncount = 2\nspacing = "4 m"')  # 2 and 6 m
    text = text.replace(
        "[[terrace]]",
        '[[opening]]\nname = "pane"\nblock = "house"\nalong = "7 m"\nsill = "1 m"\nsize = "1 m, 1 m"\n\n[[terrace]]',
    )
    scene = parse(text)
    row = [lamp.position for lamp in build(scene).fixtures if lamp.id.startswith("wall")]
    change, name, axis = edits.mirrored(scene, "wall-1", row[0], np.zeros(3), np.mean(row, axis=0))
    assert axis == "pane"
    assert fixture(parse(change(text)), name).along_m == pytest.approx(14 - 6)


def test_what_cannot_be_mirrored_says_why(scene, lamps):
    with pytest.raises(NightviewError, match="along a path"):
        edits.mirrored(scene, "hats-1", np.array([3.0, -5.0, 0.5]), np.zeros(3))
    with pytest.raises(NightviewError, match="no door or window"):
        edits.mirrored(scene, "tree", np.array([3.0, -15.0, 0.15]), np.zeros(3))


# --- dragging -------------------------------------------------------------------------------------

EYE = np.array([2.0, -16.0, 6.0])


def drag(scene, lamps, name, point, **more):
    way = np.asarray(point, float) - EYE
    grip = Grip(scene, edits.fixture_of(scene, name), lamps[name])
    values = grip.dragged(EYE, way / np.linalg.norm(way), **more)
    found = after(edits.put(scene, name, values))
    return {one.id: one for one in build(found).fixtures}[name].position


def test_a_lamp_on_the_ground_goes_where_it_is_pointed(scene, lamps):
    point = [-2.5, -6.0, 0.1524]
    assert drag(scene, lamps, "tree", point) == pytest.approx(point, abs=6e-3)


def test_onto_a_raised_deck_it_keeps_its_height_above_the_floor(scene, lamps):
    place = drag(scene, lamps, "tree", [12.0, -4.0, 0.1524])
    assert place == pytest.approx([12.0, -4.0, 0.5 + 0.1524], abs=6e-3)


def test_before_a_wall_it_moves_along_and_out(scene, lamps):
    place = drag(scene, lamps, "wall", [5.0, -0.9, lamps["wall"].position[2]])
    assert place == pytest.approx([5.0, -0.9, lamps["wall"].position[2]], abs=6e-3)


def test_pointed_at_its_wall_it_slides_along_and_keeps_its_setback(scene, lamps):
    met = np.array([6.0, 0.0, 1.8])
    place = drag(scene, lamps, "wall", met, wall_at=(met, np.array([0, -1.0, 0])))
    assert place == pytest.approx([6.0, -0.4, lamps["wall"].position[2]], abs=6e-3)


def test_a_lantern_on_a_wall_moves_in_the_plane_of_the_wall(scene, lamps):
    place = drag(scene, lamps, "lantern", [5.0, -0.2, 2.4])
    assert place == pytest.approx([5.0, -0.2, 2.4], abs=6e-3)


def test_a_row_along_a_path_moves_along_it_and_aside(scene, lamps):
    before = lamps["hats-1"].position
    place = drag(scene, lamps, "hats-1", before + [1.0, 0.3 * np.sign(before[1] + 8), 0.0])
    assert place == pytest.approx(before + [1.0, 0.3 * np.sign(before[1] + 8), 0.0], abs=6e-3)


def test_upright_it_changes_its_height_alone(scene, lamps):
    place = drag(scene, lamps, "tree", [0.9144, -3.048, 1.2], upright=True)
    assert place == pytest.approx([0.9144, -3.048, 1.2], abs=6e-3)


def test_towards_the_sky_it_goes_nowhere(scene, lamps):
    grip = Grip(scene, edits.fixture_of(scene, "tree"), lamps["tree"])
    assert grip.dragged(EYE, np.array([0, 0.8, 0.6])) is None


# --- looking --------------------------------------------------------------------------------------


def test_going_round_keeps_the_distance_and_comes_round(scene):
    view = scene.views[0]
    far = np.linalg.norm(np.subtract(view.eye_m, view.target_m))
    turned = view
    for _ in range(36):
        turned = orbit(turned, 10.0, 0.0)
        assert np.linalg.norm(np.subtract(turned.eye_m, turned.target_m)) == pytest.approx(far)
    assert turned.eye_m == pytest.approx(view.eye_m)
    assert orbit(view, 0.0, -80.0).eye_m[2] >= 0.3 - 1e-9  # never under the ground


def test_walking_ahead_is_level_at_eye_height_and_back_again(scene):
    view = walk(scene.views[0], 0.0, 0.0)
    there = walk(walk(view, 2.0, 0.5, 30.0), 0.0, 0.0, -30.0)
    assert there.eye_m[2] == pytest.approx(1.6)
    assert np.linalg.norm(np.subtract(there.eye_m, view.eye_m)) == pytest.approx(np.hypot(2, 0.5))
    way = [np.subtract(v.target_m, v.eye_m) for v in (view, there)]
    assert way[1] == pytest.approx(way[0])


def test_panning_by_a_width_moves_the_target_by_what_was_seen(scene):
    view = scene.views[0]
    far = np.linalg.norm(np.subtract(view.eye_m, view.target_m))
    moved = pan(view, 1.0, 0.0)
    step = np.linalg.norm(np.subtract(moved.target_m, view.target_m))
    assert step == pytest.approx(2 * far * np.tan(np.radians(view.fov_deg / 2)))
    assert np.subtract(moved.eye_m, view.eye_m) == pytest.approx(
        np.subtract(moved.target_m, view.target_m)
    )


def test_zooming_in_and_out_comes_back(scene):
    view = scene.views[0]
    assert zoom(zoom(view, 3.0), -3.0).eye_m == pytest.approx(view.eye_m)
