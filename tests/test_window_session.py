"""The window's core without its window: pictures, changed light, figures, files, threads."""

import ctypes
import ctypes.util
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import nightview as nv
from nightview.errors import NightviewError
from nightview.light.direct import Direct
from nightview.light.source import source_of
from nightview.picture.camera import Camera
from nightview.picture.draw import locked_exposure
from nightview.picture.still import canvas_of, developed
from nightview.scene.read import parse
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import build, relit
from nightview.window.figures import load_of, under
from nightview.window.relight import Relight, without_direct
from nightview.window.session import Session
from nightview.window.sketch import sight_of
from nightview.window.studio import ALL_OFF, Shot, Studio, quick_halos
from nightview.window.worker import Worker

LUMINOUS = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
SIZE = (320, 180)

TEXT = """title = "Small"

[site]
surroundings = "rural"

[ground]
material = "grass"
size = "14 m, 12 m"

[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "2.6 m"

[[opening]]
name = "door"
block = "house"
kind = "door"
along = "3 m"
sill = "0.1 m"
size = "1 m, 2 m"

[[shrub]]
name = "shrub"
at = "-2.4 m, -1.4 m"
height = "0.8 m"

[[fixture]]
id = "up"          # one of two
lamp = "accent 36"
zone = "facade"
block = "house"
along = "1.6 m"
out = "0.5 m"
elevation = "76 deg"

[[fixture]]
id = "hats"
lamp = "path hat"
zone = "path"
at = "1.5 m, -2 m, 0.5 m"
to = "1.5 m, -4 m, 0.5 m"
count = 2

[[fixture]]
id = "bare"
lamp = "globe"
at = "-1 m, -3 m, 0.6 m"
dim = "50 %"

[lamps.globe]
kind = "omni"
flux = "200 lm"
loss_factor = 1.0

[[state]]
name = "late"
label = "late at night"
only = ["path"]

[[view]]
name = "front"
eye = "1 m, -9 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"

[[view]]
name = "side"
eye = "6 m, -7 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"

[picture]
exposure_ev100 = 2.0
"""


@pytest.fixture(scope="module")
def site():
    return build(parse(TEXT))


@pytest.fixture(scope="module")
def field(site):
    return nv.trace(site)


def changed(text, *swaps):
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    return build(parse(text))


# --- light brought up to date ---------------------------------------------------------------------


def test_only_the_moved_lamp_is_traced_and_all_is_as_if_traced_anew(site):
    relight = Relight()
    first = relight.of(site)
    moved = changed(TEXT, ('out = "0.5 m"', 'out = "0.7 m"'))
    again, anew = relight.of(moved), nv.trace(moved)
    for own, other, before in zip(again.sources, anew.sources, first.sources, strict=True):
        assert np.array_equal(own.bounced, other.bounced)
        for number, (level, values) in other.direct.patches.items():
            assert own.direct.patches[number][0] == level
            assert np.array_equal(own.direct.patches[number][1], values)
        if own.source.name != "up":
            assert own.direct is before.direct  # not traced again
    back = relight.of(build(site.scene))
    assert all(a.direct is b.direct for a, b in zip(back.sources, first.sources, strict=True))


def test_a_changed_sky_or_house_is_traced_anew(site):
    relight = Relight()
    relight.of(site)
    for swap in (('"rural"', '"city"'), ('height = "2.6 m"', 'height = "3 m"')):
        other = changed(TEXT, swap)
        assert np.array_equal(relight.of(other).sky, nv.trace(other).sky)


def test_only_told_is_for_lamps_that_stand_as_they_did():
    relight = Relight()
    relight.of(build(parse(TEXT)))
    dimmed = changed(TEXT, ('dim = "50 %"', 'dim = "20 %"'))
    told = relight.only_told(dimmed)
    assert told is not None and told.designed.level["bare"] == pytest.approx(0.2)
    assert relight.only_told(changed(TEXT, ('out = "0.5 m"', 'out = "0.6 m"'))) is None
    assert relight.only_told(changed(TEXT, ("count = 2", "count = 3"))) is None


def test_without_a_lamps_direct_light_its_bounced_light_stays(field):
    light = nv.mix(field)
    own = without_direct(light, frozenset(["up", "bare"]))
    parts = tuple(
        replace(part, direct=Direct()) if part.source.name in ("up", "bare") else part
        for part in field.sources
    )
    other = nv.mix(replace(field, sources=parts), light.state)
    for a, b, shape in zip(own.patches, other.patches, light.patches, strict=True):
        if a is not None:
            if a.shape != b.shape:  # a patch that only these lamps light finely
                continue
            assert np.abs(a - b).max() < 1e-3 * max(1.0, float(shape.max()))
    for a, b in zip(own.crowns, other.crowns, strict=True):
        assert np.allclose(a, b, atol=1e-4)


# --- pictures -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def studio():
    studio = Studio()
    yield studio
    studio.close()


@pytest.mark.parametrize("state", [AS_DESIGNED, "late"])
@pytest.mark.parametrize("look", ["camera", "eye", "levels"])
def test_a_settled_picture_is_what_still_draws(studio, site, field, state, look):
    shot = Shot(site.scene.views[0], state, look, size=SIZE)
    own = studio.settled(site, shot)
    still = nv.draw(nv.mix(field, field.state(state)), "front", SIZE, state=state)
    other = developed(still, shot.shown_as)
    # The issue asks for less than 1 code; what differs is a few pixels on bright edges.
    assert np.abs(own.pixels.astype(int) - other).mean() < 0.05
    assert own.ev100 == still.ev100


@pytest.mark.parametrize("dim", ["10 %", "90 %"])
def test_a_quick_picture_is_near_the_settled_one(studio, dim):
    site = build(parse(TEXT))
    shot = Shot(site.scene.views[0], size=SIZE)
    studio.settled(site, shot)
    other = changed(TEXT, ('dim = "50 %"', f'dim = "{dim}"'))
    quick = studio.quick(other, shot)
    before = studio.settled(site, shot).pixels.astype(int)
    after = studio.settled(other, shot).pixels.astype(int)
    assert not quick.settled
    assert np.abs(before - after).mean() > 2  # something has changed
    assert np.abs(quick.pixels.astype(int) - after).mean() < 1


def test_where_the_exposure_follows_the_design_a_quick_picture_follows_it_too():
    studio, free = Studio(), ("exposure_ev100 = 2.0", "")
    site = changed(TEXT, free)
    shot = Shot(site.scene.views[0], size=SIZE)
    first = studio.settled(site, shot)
    brighter = changed(TEXT, free, ('dim = "50 %"', "dim = 1.0"))
    told = relit(site, brighter.scene)  # as the session has it: without the lamps' bodies
    quick = studio.quick(told, shot)
    settled = studio.settled(brighter, shot)
    assert not quick.settled and quick.ev100 == settled.ev100  # no jump when it settles
    assert np.abs(quick.pixels.astype(int) - settled.pixels).mean() < 1
    assert settled.ev100 == nv.draw(nv.mix(nv.trace(brighter)), "front", (64, 64)).ev100
    assert settled.ev100 != first.ev100  # more is lit, and its mean is another
    again = studio.quick(relit(brighter, site.scene), shot)  # and back
    assert again.ev100 == first.ev100
    studio.close()


def test_halos_worked_out_on_half_the_pixels_are_near_those_in_full(studio, site):
    from nightview.picture.draw import scattered
    from nightview.picture.layers import Layers
    from nightview.picture.still import canvas_of

    camera = Camera.of(site.scene.views[0], SIZE)
    field = studio.field(site)
    frame = Layers(field, canvas_of(site.geometry), camera, 2.0).unscattered(field.designed)
    full = scattered(frame, 2.0).luminance @ LUMINOUS.astype(np.float32)
    half = quick_halos(frame.luminance, camera, 2.0) @ LUMINOUS.astype(np.float32)
    assert half.sum() == pytest.approx(full.sum(), rel=2e-3)
    assert np.median(np.abs(half - full) / np.maximum(full, 1e-4)) < 0.01


def test_daylight_shows_everything_and_no_light_of_lamps(studio, site):
    day = studio.settled(site, Shot(site.scene.views[0], size=SIZE, day=True))
    dimmed = changed(TEXT, ('dim = "50 %"', 'dim = "0 %"'))
    other = studio.settled(dimmed, Shot(site.scene.views[0], size=SIZE, day=True))
    assert np.array_equal(day.pixels, other.pixels)
    assert day.pixels.mean(axis=2).min() > 20  # nothing is lost in black
    with pytest.raises(NightviewError, match="no picture"):
        day.still("as designed")


def test_all_lamps_off_leaves_the_sky(studio, site):
    shot = Shot(site.scene.views[0], size=SIZE, role="other")
    lit = studio.settled(site, shot).pixels
    off = studio.settled(site, replace(shot, state=ALL_OFF)).pixels
    assert off.mean() < 0.5 * lit.mean() and off.max() > 0


# --- the sketch -----------------------------------------------------------------------------------


def test_a_sketched_lamp_brings_what_the_formula_says(field):
    sight = sight_of(field, Camera.of(field.site.scene.views[0], (160, 90)))
    sketch_like = _brought(field, sight, "bare")
    ground = (sight.normals[:, 2] > 0.99) & (sight.points[:, 2] < 0.01)
    ground &= np.linalg.norm(sight.points[:, :2] - [-1, -3], axis=1) < 1.2  # nothing in between
    lens = np.array([-1.0, -3.0, 0.6])
    way = lens - sight.points[ground]
    r = np.linalg.norm(way, axis=1)
    # E = I·cos θ/r² with I = Φ/4π; L = E·ρ/π of a matte surface.
    lux = 200 / (4 * np.pi) * (way[:, 2] / r) / r**2
    rho = np.asarray(field.site.materials["grass"].rgb) @ LUMINOUS
    assert ground.sum() > 50
    assert sketch_like[ground] @ LUMINOUS == pytest.approx(lux * rho / np.pi, rel=0.01)


def _brought(field, sight, lamp):
    from nightview.window.sketch import Sketch

    placed = next(one for one in field.site.fixtures if one.id == lamp)
    width, height = sight.camera.width, sight.camera.height
    base = np.zeros((height, width, 3), np.float32)
    sketch = Sketch(field, sight, base, frozenset([lamp]), 2.0)
    return sketch.brought(source_of(placed))


def test_a_sketch_casts_shadows(field):
    sight = sight_of(field, Camera.of(field.site.scene.views[0], (160, 90)))
    brought = _brought(field, sight, "up") @ LUMINOUS
    # The lamp before the wall sends nothing onto the ground behind the house, nor onto its roof's top.
    behind = sight.points[:, 1] > 0.3
    behind &= sight.normals[:, 2] > 0.5
    assert brought[behind].max(initial=0.0) == 0.0 and brought.max() > 0


@pytest.mark.parametrize("lamp", ["up", "bare"])
def test_a_sketch_of_nothing_moved_is_near_the_settled_picture(studio, site, lamp):
    shot = Shot(site.scene.views[0], size=SIZE)
    full = studio.settled(site, shot).pixels
    sketch = studio.sketch(site, shot, frozenset([lamp]))
    placed = next(one for one in site.fixtures if one.id == lamp)
    state = sketch.field.state(AS_DESIGNED)
    small = sketch.shown([source_of(placed)], state, shot.shown_as)
    size = small.shape[1::-1]
    reduced = np.asarray(Image.fromarray(full).resize(size, Image.Resampling.BOX)).astype(int)
    assert np.abs(small.astype(int) - reduced).mean() < 3  # relief is left out
    none = sketch.shown([], state, shot.shown_as)
    assert np.abs(none.astype(int) - reduced).mean() > np.abs(small.astype(int) - reduced).mean()


# --- figures --------------------------------------------------------------------------------------


def test_lux_and_luminance_under_the_pointer(studio, site, field):
    shot = Shot(site.scene.views[0], size=SIZE)
    picture = studio.settled(site, shot)
    point = np.array([2.0, 0.0, 1.4])
    (x, y), _ = (a[0] for a in shot.camera.project(point[None]))
    found = under(picture.light, picture.frame.luminance, shot.camera, x, y)
    assert found.name == "house" and found.point == pytest.approx(point, abs=0.02)
    _, total = nv.at_points(picture.light, [found.point], [[0, -1, 0]])
    assert found.lux == pytest.approx(float(total[0] @ LUMINOUS), rel=0.05)
    rho = np.asarray(site.materials["off-white stucco"].rgb) @ LUMINOUS
    # The drawn luminance has the grain of the stucco in it; a patch of pixels has its mean.
    near = picture.frame.luminance[int(y) - 3 : int(y) + 4, int(x) - 3 : int(x) + 4] @ LUMINOUS
    assert near.mean() == pytest.approx(found.lux * rho / np.pi, rel=0.15)
    sky = under(picture.light, picture.frame.luminance, shot.camera, 5.0, 3.0)
    assert sky.name == "sky" and sky.lux is None


def test_the_load_counts_what_shines(site):
    load = load_of(site.scene, AS_DESIGNED)
    # accent 36 has 4.5 W and path hat 2.5 W or so in the catalogue; the globe states none.
    hat = next(one for one in site.fixtures if one.id == "hats-1").lamp.power_w
    assert (load.lamps, load.on, load.unknown) == (4, 4, 1)
    assert load.watts == pytest.approx(4.5 + 2 * hat) and load.supply_va is None
    late = load_of(site.scene, "late")
    assert (late.lamps, late.on) == (4, 2) and late.watts == pytest.approx(2 * hat)


# --- the worker -----------------------------------------------------------------------------------


def _until(what, seconds=60.0):
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.005)


def test_of_each_kind_only_the_latest_is_done_and_the_urgent_first():
    done, go = [], threading.Event()
    worker = Worker(("urgent", "slow"), lambda kind, error: done.append(error))
    worker.post("slow", lambda check: go.wait(5))
    _until(lambda: worker._running == "slow")
    for number in range(5):
        worker.post("slow", lambda check, number=number: done.append(f"slow {number}"))
        worker.post("urgent", lambda check, number=number: done.append(f"urgent {number}"))
    go.set()
    _until(lambda: not worker.busy)
    assert done == ["urgent 4", "slow 4"]
    worker.end()


def test_slow_work_makes_way_and_is_begun_again():
    done, begun = [], threading.Event()

    def slow(check):
        done.append("begun")
        begun.set()
        for _ in range(200):
            check()
            time.sleep(0.005)
            if len(done) > 2:
                break
        done.append("slow done")

    worker = Worker(("urgent", "slow"), lambda kind, error: done.append(error))
    worker.post("slow", slow)
    begun.wait(5)
    worker.post("urgent", lambda check: done.append("urgent"))
    _until(lambda: not worker.busy)
    assert done[:3] == ["begun", "urgent", "begun"] and done[-1] == "slow done"
    worker.end()


def test_a_job_may_wait_and_one_that_fails_is_told_of():
    told = []
    worker = Worker(("only",), lambda kind, error: told.append((kind, str(error))))
    start = time.monotonic()
    worker.post("only", lambda check: told.append(time.monotonic() - start), delay_s=0.15)
    _until(lambda: not worker.busy)
    assert told[0] >= 0.15

    def fails(check):
        raise NightviewError("here", "this went wrong")

    worker.post("only", fails)
    _until(lambda: not worker.busy)
    assert told[1] == ("only", "here: this went wrong")
    worker.end()


# --- the session ----------------------------------------------------------------------------------


class Told:
    """What a session has told."""

    def __init__(self):
        self.all = []

    def __call__(self, what, content):
        self.all.append((what, content))

    def count(self, what):
        return sum(one == what for one, _ in self.all)

    def last(self, what):
        return [content for one, content in self.all if one == what][-1]


@pytest.fixture
def opened(tmp_path: Path):
    path = tmp_path / "small.toml"
    path.write_text(TEXT, encoding="utf-8")
    told = Told()
    session = Session(path, told, SIZE)
    _until(lambda: not session.busy)
    yield session, told
    session.end()


def test_it_opens_with_a_picture_figures_and_findings(opened):
    session, told = opened
    assert session.picture is not None and session.picture.settled
    assert told.count("trouble") == 0
    found = told.last("findings")
    assert found.hot_spot is not None and found.hot_spot.wall == "house front"
    assert found.hot_spot.ratio > 1
    assert {marker.lamp for marker in session.markers()} == {"up", "hats-1", "hats-2", "bare"}


def test_pick_drag_undo_save(opened):
    session, told = opened
    at = {marker.lamp: marker.at for marker in session.markers()}
    assert session.pick(*at["bare"]) == "bare" and session.pick(2.0, 2.0) is None
    session.take("bare")
    _until(lambda: not session.busy)
    before = session.picture
    x, y = at["bare"]
    for step in range(1, 9):
        session.drag(x + 6 * step, y + step)
        time.sleep(0.02)
    _until(lambda: not session._sketching.busy)
    assert told.count("sketch") >= 1
    session.let_go()
    _until(lambda: not session.busy)
    (px, py), _ = (a[0] for a in session.shot.camera.project(session.lamp("bare").position[None]))
    assert (px, py) == pytest.approx((x + 48, y + 8), abs=1.5)
    assert session.picture is not before and session.picture.settled
    assert session.document.undoes == "move bare"
    assert session.undo() == "move bare"
    assert session.document.text == TEXT
    session.redo()
    session.document.save()
    assert nv.read(session.document.path).fixtures == session.scene.fixtures


def test_the_spot_is_dragged_to_where_one_points(opened):
    session, _ = opened
    session.select("up")
    x, y = session.spot_px()
    assert session.on_spot(x, y)
    session.take_spot()
    session.drag(x + 30, y + 20)
    session.let_go()
    assert session.spot_px() == pytest.approx((x + 30, y + 20), abs=1.5)
    assert session.document.undoes == "aim up"


def test_dim_switch_and_colour_in_two_states(opened):
    session, told = opened
    session.select("hats-1")
    _until(lambda: not session.busy)
    session.set_shown("dim", 0.4, "dim")
    session.set_shown("dim", 0.3, "dim")
    session.see(state="late")
    session.set_shown("on", False)
    assert session.now()["hats-1"][0] is False
    session.see(state=AS_DESIGNED)
    on, dim, _ = session.now()["hats-1"]
    assert on and dim == pytest.approx(0.3)
    _until(lambda: not session.busy)
    assert any(not picture.settled for what, picture in told.all if what == "picture")
    session.undo(), session.undo()
    assert session.document.text == TEXT


def test_a_dim_before_a_move_has_settled_loses_no_lamps_body(opened):
    session, told = opened
    session.select("bare")
    session.nudge(0.1, 0.0)
    session.set_shown("dim", 0.4)  # asks for a quick picture while the move is not traced yet
    _until(lambda: not session.busy)
    assert told.count("trouble") == 0
    assert len(session.picture.site.bodies) == len(build(session.scene).bodies)
    session.nudge(0.1, 0.0)
    session.select("up")
    _until(lambda: not session.busy)
    assert told.count("trouble") == 0


def test_add_duplicate_mirror_delete(opened):
    session, told = opened
    wide, tall = SIZE
    session.add(wide * 0.7, tall * 0.8)
    name = session.selected
    assert name == "lamp 2" and session.lamp(name).position[2] == pytest.approx(0.15, abs=0.02)
    session.duplicate()
    assert session.selected == "lamp 2 2"
    session.delete()
    session.select("up")
    assert session.mirror() == "door"
    twin = session.lamp(session.selected)
    up = session.lamp("up")
    assert twin.position == pytest.approx(
        up.position * [-1, 1, 1], abs=2e-3
    )  # the door is at x = 0
    assert told.count("trouble") == 0
    while session.undo():
        pass
    assert session.document.text == TEXT


def test_a_wired_lamp_comes_off_its_cable_and_both_come_back(tmp_path):
    path = tmp_path / "wired.toml"
    wired = TEXT + (
        '\n[[transformer]]\nname = "T"\nat = "4 m, -1 m"\npower = "60 VA"\ntaps = ["12 V"]\n'
        '[[cable]]\nname = "run"\nfrom = "T"\nthrough = ["up", "hats"]\n'
    )
    path.write_text(wired, encoding="utf-8")
    told = Told()
    session = Session(path, told, SIZE)
    session.select("hats-2")
    assert session.cables == ("run",)
    session.delete()
    assert session.scene.cables[0].through == ("up",) and session.selected is None
    session.see(state="late")  # it showed the zone of those hats alone
    assert not any(on for on, _, _ in session.now().values())
    session.see(state=AS_DESIGNED)
    assert session.undo() == "delete hats" and session.document.text == wired
    session.select("hats-2")
    assert session.part()
    session.set_shown("dim", 0.3)
    assert [session.now()[name][1] for name in ("hats-1", "hats-2")] == pytest.approx([1.0, 0.3])
    assert session.scene.cables[0].through == ("up", "hats-1", "hats-2")
    assert not session.part() and "no row" in str(told.last("trouble"))
    _until(lambda: not session.busy)
    session.end()


def test_a_scene_without_lamps_views_or_exposure_opens_and_takes_a_lamp(tmp_path):
    path = tmp_path / "bare.toml"
    bare = TEXT[: TEXT.index("[[fixture]]")]
    path.write_text(bare, encoding="utf-8")
    told = Told()
    session = Session(path, told, SIZE)
    _until(lambda: not session.busy)
    assert session.picture is not None and session.shot.view.name == "front"
    assert told.last("findings").hot_spot is None
    session.add(SIZE[0] / 2, SIZE[1] * 0.8)
    _until(lambda: not session.busy)
    assert [lamp.id for lamp in session.lamps] == ["lamp 2"] and told.count("trouble") == 0
    session.undo()
    assert session.document.text == bare and session.selected is None
    session.end()


def test_what_would_stand_in_a_wall_is_refused_and_said(opened):
    session, told = opened
    session.select("bare")
    change = session.document.version
    session._replaced({"at_m": (0.0, 1.0, 1.0)}, "move")
    assert session.document.version is change
    assert "inside" in str(told.last("trouble"))


def test_the_file_changes_breaks_and_is_mended(opened):
    session, _ = opened
    path = session.document.path
    path.write_text(TEXT.replace('height = "2.6 m"', 'height = "3.1 m"'), encoding="utf-8")
    assert session.poll() == "reloaded" and session.site.scene.blocks[0].height_m == 3.1
    good = session.scene
    path.write_text("title = broken", encoding="utf-8")
    assert session.poll() == "wrong" and session.scene is good and session.poll() == ""
    assert "no TOML" in str(session.document.fault)
    path.write_text(TEXT, encoding="utf-8")
    assert session.poll() == "reloaded" and session.document.fault is None


def test_changed_here_and_on_disk_asks(opened):
    session, _ = opened
    session.select("bare")
    session.set_shown("dim", 0.2)
    session.document.path.write_text(TEXT + "# more\n", encoding="utf-8")
    assert session.poll() == "both changed"
    session.document.keep_mine()
    assert session.poll() == "" and session.document.is_changed


def test_closing_keeps_what_is_unsaved_and_offers_it(opened):
    session, told = opened
    session.select("bare")
    session.set_shown("dim", 0.15)
    session.end()
    later = Session(session.document.path, told, SIZE)  # in a thread of its own
    assert later.offered and later.now()["bare"][1] == pytest.approx(0.5)
    later.keep()  # must not write over what is offered
    later.answer_offer(True)
    assert later.now()["bare"][1] == pytest.approx(0.15) and later.document.is_changed
    later.end()


def test_the_exposure_is_locked_and_unlocked_in_the_file(opened):
    session, _ = opened
    assert session.exposure == (2.0, True)
    session.lock_exposure(False)
    assert session.scene.picture.exposure_ev100 is None
    _until(lambda: not session.busy)
    ev100, locked = session.exposure
    assert not locked and ev100 == locked_exposure(nv.mix(session._field))
    session.lock_exposure(True)
    assert session.exposure == (round(ev100, 2), True)


def test_the_still_of_the_screen_is_the_commands(opened, tmp_path):
    session, _ = opened
    session.write_still(session.still_path())
    own = np.asarray(Image.open(tmp_path / "small-front.png")).astype(int)
    assert session.still_path().name == "small-front-2.png"
    session.end()  # graphics belong to one thread
    light = nv.mix(nv.trace(build(session.scene)))
    nv.write(nv.draw(light, "front", SIZE), tmp_path / "command.png")
    other = np.asarray(Image.open(tmp_path / "command.png")).astype(int)
    assert np.abs(own - other).mean() < 0.05


def gl_objects(session):
    """How many textures, buffers, frame buffers, vertex arrays, programs and shaders the canvas's
    context holds, asked of OpenGL itself in the thread that draws; None where no library answers."""
    library = next(filter(None, map(ctypes.util.find_library, ("OpenGL", "GL"))), None)
    if library is None:
        return None
    kinds = ("Texture", "Buffer", "Framebuffer", "VertexArray", "Program", "Shader")
    found, done = {}, threading.Event()

    def count(check):
        gl = ctypes.CDLL(library)
        window = canvas_of(session.studio.relight.field.site.geometry)._window
        window.MakeCurrent()
        for kind in kinds:
            known = getattr(gl, f"glIs{kind}")
            known.restype = ctypes.c_ubyte
            found[kind] = sum(known(name) for name in range(1, 5000))
        done.set()

    session._drawing.post("findings", count)
    assert done.wait(60)
    return found if any(found.values()) else None


def test_many_edits_leave_nothing_behind(opened, monkeypatch):
    """500 edits were measured by hand; see the closing note of issue 6."""
    status = Path("/proc/self/status")
    if not status.exists():
        pytest.skip("only Linux says how much memory a process holds")
    monkeypatch.setattr("nightview.window.relight.KEPT", 4)
    session, told = opened
    session.select("bare")

    def held_mb(edits):
        for step in range(edits):
            session.set_shown("dim", 0.2 + 0.01 * (step % 50))
            session.nudge(0.02 if step % 2 else -0.02, 0.0)
            if step % 5 == 0:
                _until(lambda: not session.busy)
            told.all.clear()
        _until(lambda: not session.busy)
        told.all.clear()
        line = next(one for one in status.read_text().splitlines() if one.startswith("VmRSS"))
        return int(line.split()[1]) / 1024

    first, objects = held_mb(25), gl_objects(session)
    # A canvas that kept its buffers would hold 3 MB more for each of the frames in between.
    assert held_mb(40) - first < 30
    assert len(session.studio.relight._before) <= 4
    assert objects is None or gl_objects(session) == objects
