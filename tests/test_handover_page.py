"""The client page: what it mixes is the still of the same state, in a real browser, offline.

The reference is our own ``still`` at the same size and state; the browser is Chromium (apt:
chromium-headless-shell), without which those tests are skipped.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nightview.errors import NightviewError
from nightview.handover import page as page_module
from nightview.handover import page_model, page_photo
from nightview.handover.page import ALL_ROUND, MOST_BYTES, write_page
from nightview.handover.page_coding import KNEE, Coded, coded, decoded
from nightview.handover.page_frames import designed_weights
from nightview.handover.page_model import model_of
from nightview.handover.page_parts import Parts, parts_of
from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.dimming import dimmed
from nightview.light.field import LUMINOUS32, LightField, mix, trace
from nightview.light.lookup import bilinear
from nightview.light.state import State
from nightview.photo.night import PhotoNight, night_of
from nightview.photo.recover import opened as opened_photo
from nightview.picture.camera import Camera
from nightview.picture.glare import bloom
from nightview.picture.looks import LOOKS
from nightview.picture.mirrors import luminance_along
from nightview.picture.still import developed, draw
from nightview.picture.tone import curve, develop, shown_cd_m2
from nightview.scene.read import parse, read
from nightview.site.build import build
from tests import browser as browser_module
from tests.browser import Page, browser

HOSTILE = '<script>alert(1)</script> & "it\'s"'
SIZE = (480, 270)

SCENE = """
title = "A house </title> at night"
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
material = "fieldstone"
[[opening]]
name = "window"
block = "house"
along = "3 m"
sill = "0.9 m"
size = "1.2 m, 1.2 m"
panes = [2, 2]
behind = "room"
glow = "2 cd/m^2"
[lamps."old halogen"]
like = "accent 36"
source = "halogen"
cct = "2900 K"
[picture]
exposure_ev100 = 1.6
[[fixture]]
id = "up"
lamp = "accent 36"
zone = "wall"
block = "house"
along = "1 m"
out = "0.5 m"
count = 2
spacing = "4 m"
elevation = "76 deg"
[[fixture]]
id = "trimmed"
lamp = "accent 36"
zone = "wall"
dim = "50 %"
block = "house"
along = "2 m"
out = "0.6 m"
elevation = "80 deg"
[[fixture]]
id = "hat"
lamp = "path hat"
zone = HOSTILE
at = "1.5 m, -2 m, 0.5 m"
[[fixture]]
id = "lantern"
lamp = "hanging lantern"
zone = HOSTILE
at = "-1 m, -0.6 m, 2.2 m"
[[fixture]]
id = "arch"
lamp = "old halogen"
zone = "gold"
block = "house"
along = "3.4 m"
out = "0.8 m"
elevation = "60 deg"
[[fixture]]
id = "extra"
lamp = "path hat"
zone = "more"
option = "plus"
at = "-2.5 m, -2.5 m, 0.5 m"
[[view]]
name = "front"
eye = "1 m, -8 m, 1.6 m"
target = "0 m, 0 m, 1.3 m"
fov = "45 deg"
[[view]]
name = "side <i>left</i>"
eye = "-6 m, -5 m, 1.6 m"
target = "0 m, 0 m, 1.2 m"
fov = "50 deg"
[[state]]
name = "plus"
label = "with one more <b>lamp</b>"
[[state]]
name = "late"
label = "late: dimmed, windows dark"
dim = "40 %"
zones = { windows = { on = false }, gold = { on = false } }
""".replace("HOSTILE", json.dumps(HOSTILE))

TOUCHED = f"""
[[state]]
name = "wall off"
zones = {{ wall = {{ on = false }} }}
[[state]]
name = "wall dimmed"
zones = {{ wall = {{ dim = "35 %" }}, {json.dumps(HOSTILE)} = {{ dim = "60 %" }} }}
[[state]]
name = "gold dimmed"
zones = {{ wall = {{ on = false }}, gold = {{ dim = "50 %" }} }}
[[state]]
name = "all 3000"
cct = "3000 K"
[[state]]
name = "wall 4000"
zones = {{ wall = {{ cct = "4000 K" }} }}
"""
"""What the client does with the controls, as the scene would state it."""

WITHIN, SHARE = 2, 0.95
needs_browser = pytest.mark.skipif(
    browser_module.found() is None,
    reason="no Chromium here: apt-get install chromium-headless-shell",
)
READY = "document.getElementById('picture')?.getAttribute('aria-busy') === 'false'"
PAINTED = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))"


@pytest.fixture(scope="module")
def field() -> LightField:
    return trace(build(parse(SCENE)))


@pytest.fixture(scope="module")
def bare() -> LightField:
    """One wall and one lamp, where it is not the light that is looked at."""
    head = SCENE[: SCENE.index("[[opening]]")].replace('"14 m, 12 m"', '"8 m, 6 m"')
    lamp = SCENE[
        SCENE.index('[[fixture]]\nid = "hat"') : SCENE.index('[[fixture]]\nid = "lantern"')
    ]
    view = SCENE[SCENE.index("[[view]]") : SCENE.index('[[view]]\nname = "side')]
    return trace(build(parse(head + lamp + view)))


@pytest.fixture(scope="module")
def parts(field: LightField) -> Parts:
    return parts_of(field)


@pytest.fixture(scope="module")
def written(field: LightField, graphics: None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "client.html"
    told = ["Glare at the door <img src=x>; the remedy: a shield."]
    write_page(path, field, size=SIZE, sentences=told, prices={"plus": "1,250.00 <b>$</b>"})
    return path


@pytest.fixture(scope="module")
def reference(graphics: None) -> dict[tuple[str, str], np.ndarray]:
    """Stills by view and state."""
    full = trace(build(parse(SCENE + TOUCHED)))
    found = {}
    for state in ["as designed", *(one.name for one in full.site.scene.states)]:
        light = mix(full, full.state(state))
        for view in ("front", "side <i>left</i>"):
            found[view, state] = developed(draw(light, view, SIZE), LOOKS["camera"]).astype(int)
    dark = mix(full, full.lamps_off(full.designed))
    found["front", "off"] = developed(draw(dark, "front", SIZE), LOOKS["camera"]).astype(int)
    return found


@pytest.fixture(scope="module")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    with browser(tmp_path_factory.mktemp("profile")) as page:
        yield page


@pytest.fixture(params=["desktop", "telephone"])
def opened(request, chromium: Page, written: Path) -> Iterator[Page]:
    """The page, on a desktop and on a telephone; afterwards nothing was asked or complained of."""
    telephone = request.param == "telephone"
    yield from _opened(chromium, written, telephone)


@pytest.fixture
def desktop(chromium: Page, written: Path) -> Iterator[Page]:
    yield from _opened(chromium, written, False)


def _opened(page: Page, path: Path, telephone: bool) -> Iterator[Page]:
    page.requests.clear()
    page.errors.clear()
    page.window(*((390, 844) if telephone else (1280, 900)), telephone=telephone)
    page.open(path)
    page.wait(READY)
    yield page
    assert page.requests == []
    assert page.errors == []


@pytest.fixture
def small_model(monkeypatch: pytest.MonkeyPatch) -> None:
    """For pages whose model is not looked at."""
    monkeypatch.setattr(page_model, "MOST_NODES", 4000)
    monkeypatch.setattr(page_model, "MOST_LEAVES", 100)


def set_of(zone: str) -> str:
    """A zone's controls, as a script finds them by the zone's name."""
    return (
        "[...document.querySelectorAll('[data-zone]')].find(one => "
        f"one.querySelector('legend').textContent === {json.dumps(zone)})"
    )


def focus(page: Page, element: str) -> None:
    assert page.value(f"({element}.focus(), document.activeElement === {element})")


def control(zone: str, name: str) -> str:
    return f"{set_of(zone)}.querySelector('[name={name}]')"


def by_keys(page: Page, element: str, key: str, times: int = 1) -> None:
    focus(page, element)
    page.press(key, times)


def canvas(page: Page) -> np.ndarray:
    page.value(PAINTED)
    return page.pixels("#picture").astype(int)


def agreement(ours: np.ndarray, theirs: np.ndarray) -> float:
    assert ours.shape == theirs.shape
    return float((np.abs(ours - theirs).max(axis=-1) <= WITHIN).mean())


# --- the light ------------------------------------------------------------------------------------


@needs_browser
def test_a_view_as_designed_is_the_still(opened: Page, reference) -> None:
    assert agreement(canvas(opened), reference["front", "as designed"]) >= SHARE
    by_keys(opened, "document.querySelector('[name=view]:checked')", "ArrowDown")
    opened.wait("document.getElementById('said').textContent.startsWith('side <i>left</i>')")
    opened.wait(READY)
    assert agreement(canvas(opened), reference["side <i>left</i>", "as designed"]) >= SHARE


@needs_browser
def test_options_are_their_stills(opened: Page, reference) -> None:
    pictures = [canvas(opened)]
    for name in ("plus", "late"):
        by_keys(opened, "document.querySelector('[name=option]:checked')", "ArrowDown")
        pictures.append(canvas(opened))
        assert agreement(pictures[-1], reference["front", name]) >= SHARE
    # Another option is another picture, so that agreement means something.
    assert agreement(pictures[1], reference["front", "as designed"]) < SHARE
    assert agreement(pictures[2], reference["front", "plus"]) < SHARE
    assert opened.value(f"{set_of('more')}.disabled") is True


@needs_browser
@pytest.mark.parametrize(
    "state", ["wall off", "wall dimmed", "gold dimmed", "all 3000", "wall 4000"]
)
def test_zones_set_by_keyboard_are_the_still(opened: Page, reference, state: str) -> None:
    if state in ("wall off", "gold dimmed"):
        by_keys(opened, control("wall", "on"), " ")
    if state == "gold dimmed":
        by_keys(opened, control("gold", "dim"), "PageDown", 5)
    if state == "wall dimmed":
        by_keys(opened, control("wall", "dim"), "PageDown", 6)
        by_keys(opened, control("wall", "dim"), "ArrowLeft", 5)
        by_keys(opened, control(HOSTILE, "dim"), "PageDown", 4)
    if state == "all 3000":
        by_keys(opened, "document.getElementById('all')", "Home")
        by_keys(opened, "document.getElementById('all')", "ArrowRight", 6)
    if state == "wall 4000":
        by_keys(opened, control("wall", "cct"), "End")
    picture = canvas(opened)
    assert agreement(picture, reference["front", state]) >= SHARE
    assert agreement(picture, reference["front", "as designed"]) < SHARE
    if state == "gold dimmed":  # a filament at half its voltage, not half as much light
        unreddened = reference["front", "wall off"]
        assert agreement(picture, unreddened) < SHARE


@needs_browser
def test_back_to_what_the_option_sets(desktop: Page, reference) -> None:
    by_keys(desktop, control("wall", "on"), " ")
    assert agreement(canvas(desktop), reference["front", "as designed"]) < SHARE
    by_keys(desktop, "document.getElementById('again')", "Enter")
    assert agreement(canvas(desktop), reference["front", "as designed"]) >= SHARE


@needs_browser
def test_before_and_after_by_dragging(opened: Page, reference) -> None:
    by_keys(opened, "document.getElementById('against')", "ArrowDown")  # "lamps off"
    assert opened.value("document.getElementById('against').value") == "off"
    left, top, width, height = opened.value(
        "(box => [box.left, box.top, box.width, box.height])"
        "((document.getElementById('stage').scrollIntoView(),"
        " document.getElementById('stage').getBoundingClientRect()))"
    )
    y = top + height / 2
    for kind, x in (("mousePressed", 0.5), ("mouseMoved", 0.6), ("mouseReleased", 0.6)):
        opened.call("Input.dispatchMouseEvent", type=kind, x=left + x * width, y=y, button="left",
                    buttons=1, clickCount=1)  # fmt: skip
    place = opened.value("Number(document.getElementById('split').value) / 100")
    assert place == pytest.approx(0.6, abs=0.011)
    for key in (None, "PageDown"):
        if key:
            by_keys(opened, "document.getElementById('split')", key, 3)
            place = opened.value("Number(document.getElementById('split').value) / 100")
            assert place == pytest.approx(0.3, abs=0.011)
        picture, edge = canvas(opened), round(place * SIZE[0])
        before, after = reference["front", "off"], reference["front", "as designed"]
        assert agreement(picture[:, : edge - 6], before[:, : edge - 6]) >= SHARE
        assert agreement(picture[:, edge + 6 :], after[:, edge + 6 :]) >= SHARE
        assert agreement(before, after) < SHARE


# --- the house to turn ----------------------------------------------------------------------------


@needs_browser
def test_the_model_shows_the_light_of_the_maps(opened: Page) -> None:
    """Against rays from the same eye that read the full maps, by keyboard in another state."""
    full = trace(build(parse(SCENE + TOUCHED)))
    by_keys(opened, "document.querySelector('[name=view]:checked')", "ArrowUp")
    opened.wait(f"document.getElementById('said').textContent.startsWith({json.dumps(ALL_ROUND)})")
    opened.wait(READY)
    by_keys(opened, "document.getElementById('turn')", "ArrowRight", 8)
    by_keys(opened, "document.getElementById('far')", "ArrowLeft", 4)
    shown = {}
    for state in ("as designed", "wall off"):
        if state == "wall off":
            by_keys(opened, control("wall", "on"), " ")
        expected, sure = _by_rays(opened, full, state)
        shown[state] = canvas(opened)
        off = np.abs(shown[state] - expected).max(axis=-1)[sure]
        assert sure.mean() > 0.5
        assert (off <= 6).mean() >= SHARE, (off <= 6).mean()
    assert agreement(shown["as designed"], shown["wall off"]) < SHARE


def _by_rays(page: Page, field: LightField, state: str) -> tuple[np.ndarray, np.ndarray]:
    """What is seen from where the page's visitor stands, and which pixels lie well inside a matte
    surface: (h, w, 3), (h, w)."""
    model = "data.views[at.view].model"
    eye = page.value(f"standing({model}, data.views[at.view].size, stand).eye")
    centre, fov = page.value(f"{model}.centre"), page.value(f"{model}.fov")
    camera = Camera(np.array(eye), np.array(centre), fov, *SIZE)
    x, y = np.meshgrid(np.arange(SIZE[0]) + 0.5, np.arange(SIZE[1]) + 0.5)
    ways = camera.ways(x.ravel(), y.ravel())
    starts = np.tile(np.float32(eye), (len(ways), 1))
    light = mix(field, field.state(state))
    hits = field.tracer.first(starts, ways)
    met = np.where(hits.triangle >= 0, field.tracer.surface[hits.triangle], -1)
    glass = [k for k, patch in enumerate(field.site.patches) if patch.kind != "matte"]
    matte = ((met >= 0) & ~np.isin(met, glass)).reshape(SIZE[::-1])
    frame = luminance_along(light, starts, ways).reshape(*SIZE[::-1], 3)
    ev100 = 1.6
    seen = bloom(frame, fov, shown_cd_m2(ev100))
    same = met.reshape(SIZE[::-1])
    inside = matte.copy()
    for axis in (0, 1):
        for step in (-1, 1):
            inside &= same == np.roll(same, step, axis)
    return develop(seen, ev100).astype(int), inside


@needs_browser
def test_the_model_is_turned_with_a_finger(chromium: Page, written: Path) -> None:
    for page in _opened(chromium, written, True):
        by_keys(page, "document.querySelector('[name=view]:checked')", "ArrowUp")
        page.wait(READY)
        assert page.value("document.getElementById('standing').hidden") is False
        before = canvas(page)
        box = "document.getElementById('stage').getBoundingClientRect()"
        left, top, width, height = page.value(
            f"(scrollTo(0, 0), (box => [box.left, box.top, box.width, box.height])({box}))"
        )
        touch = [{"x": left + width / 2, "y": top + height / 2}]
        page.call("Input.dispatchTouchEvent", type="touchStart", touchPoints=touch)
        for step in range(1, 5):
            moved = [{"x": left + width / 2 - step * width / 16, "y": top + height / 2}]
            page.call("Input.dispatchTouchEvent", type="touchMove", touchPoints=moved)
        page.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        assert page.value("stand.turn") == pytest.approx(45, abs=6)
        assert agreement(canvas(page), before) < SHARE


def test_the_models_atlas_is_the_mixed_light(field: LightField, parts: Parts) -> None:
    model = model_of(field, parts.designed, 1.6, SIZE)
    weights = [*designed_weights(field, parts), *(np.array(p.factor[0]) for p in parts.scene)]
    light = mix(field)
    total = sum(
        model.luminance(mix(field, part.drawn)) * np.float32(weight)
        for part, weight in zip((*parts.lamps, *parts.scene), weights, strict=True)
    )
    assert total == pytest.approx(model.luminance(light), rel=2e-4, abs=1e-6)
    places = np.random.RandomState(3).random_sample((400, 2)).astype(np.float32)
    for number, patch in enumerate(field.site.patches):
        values = light.patches[number]
        if values is None or patch.owner != "house":
            continue
        (nu, nv), (x, y) = model.counts[number], model.corners[number]
        per_lux = field.site.materials[patch.material].per_lux
        uv = places * np.float32(patch.size)
        true = bilinear(values, uv, patch.size) * per_lux
        ours = bilinear(total[y : y + nv, x : x + nu], uv, patch.size)
        off = np.abs(
            np.sqrt(curve(true @ LUMINOUS32, 1.6)) - np.sqrt(curve(ours @ LUMINOUS32, 1.6))
        )
        assert np.sqrt(np.square(off).mean()) < 2 / 255, patch.name


# --- the page -------------------------------------------------------------------------------------


@needs_browser
def test_every_control_is_reached_by_the_tabulator(desktop: Page) -> None:
    desktop.value("document.getElementById('against').parentElement.scrollIntoView()")
    reached = set()
    for _ in range(40):
        desktop.press("Tab")
        reached.add(
            desktop.value(
                "(one => [one.closest('fieldset')?.querySelector('legend').textContent, "
                "one.name || one.id].join(': '))(document.activeElement)"
            )
        )
    zones = ("wall", HOSTILE, "gold")
    wanted = {f"{zone}: {name}" for zone in zones for name in ("on", "dim", "cct")}
    wanted |= {"View: view", "Option: option", "Compare: against", "All lamps: all"}
    assert wanted | {"All lamps: again"} <= reached


@needs_browser
def test_what_is_seen_is_said(desktop: Page) -> None:
    by_keys(desktop, control("wall", "on"), " ")
    desktop.wait("document.getElementById('said').textContent.includes('wall: off')")
    said = desktop.value("document.getElementById('said').textContent")
    assert f"{HOSTILE}: 100 %, 2700 K" in said
    tree = desktop.call("Accessibility.getFullAXTree")["nodes"]
    named = {
        (node["role"]["value"], node["name"]["value"])
        for node in tree
        if "name" in node and not node.get("ignored")
    }
    assert ("image", said) in named or ("img", said) in named
    for role in ("checkbox", "slider", "radio", "combobox", "button"):
        assert all(name.strip() for kind, name in named if kind == role), role
    assert ("slider", "Brightness") in named
    spoken = "document.querySelector('[name=dim]').getAttribute('aria-valuetext')"
    assert desktop.value(spoken) == "100 %"


@needs_browser
def test_names_are_text(desktop: Page) -> None:
    assert desktop.value("document.title") == "A house </title> at night: light at night"
    assert desktop.value("document.querySelectorAll('script').length") == 2
    assert (
        desktop.value("document.querySelectorAll('legend b, label b, label i, li img').length") == 0
    )
    body = desktop.value("document.body.textContent")
    for text in (HOSTILE, "with one more <b>lamp</b>", "side <i>left</i>", "1,250.00 <b>$</b>",
                 "Glare at the door <img src=x>"):  # fmt: skip
        assert text in body


@needs_browser
def test_it_fits_a_telephone(chromium: Page, written: Path) -> None:
    for page in _opened(chromium, written, True):
        for width, height in ((390, 844), (844, 390), (320, 640)):
            page.window(width, height, telephone=True)
            assert page.value("document.documentElement.scrollWidth <= innerWidth"), width
        page.window(390, 844, telephone=True)
        assert page.value(
            "[...document.querySelectorAll('form label, form button, form select')]"
            ".every(one => one.getBoundingClientRect().height >= 24)"
        )
        # The picture stays in sight while the last slider is moved.
        page.value("document.getElementById('all').scrollIntoView({block: 'end'})")
        assert page.value("document.getElementById('picture').getBoundingClientRect().top >= 0")


@needs_browser
def test_paper_shows_pictures_and_no_controls(desktop: Page) -> None:
    desktop.call("Emulation.setEmulatedMedia", media="print")
    shown = "one => getComputedStyle(one).display !== 'none' && one.getClientRects().length > 0"
    assert not desktop.value(f"[document.getElementById('controls')].some({shown})")
    assert desktop.value(f"[...document.querySelectorAll('figure, canvas')].every({shown})")
    assert desktop.printed().startswith(b"%PDF")
    desktop.call("Emulation.setEmulatedMedia", media="")


@needs_browser
def test_without_scripts_the_plain_pictures_stand(chromium: Page, written: Path) -> None:
    chromium.scripts(False)
    chromium.window(390, 844, telephone=True)
    chromium.open(written)
    chromium.wait("document.readyState === 'complete'")
    try:
        _plain_pictures(chromium)
    finally:
        chromium.scripts(True)


@needs_browser
def test_without_webgl_the_plain_pictures_stand(tmp_path: Path, written: Path) -> None:
    with browser(tmp_path, "--disable-3d-apis") as page:
        page.open(written)
        page.wait("document.getElementById('unable')?.hidden === false")
        _plain_pictures(page)
        assert page.requests == []


@needs_browser
def test_lost_graphics_come_back(desktop: Page, reference) -> None:
    desktop.value(
        "(window.held = drawer.gl.getExtension('WEBGL_lose_context'), held.loseContext())"
    )
    desktop.wait("document.getElementById('unable').hidden === false")
    _plain_pictures(desktop)
    desktop.value("document.getElementById('picture').setAttribute('aria-busy', 'true')")
    desktop.value("held.restoreContext()")
    desktop.wait(READY)
    assert agreement(canvas(desktop), reference["front", "as designed"]) >= SHARE


def _plain_pictures(page: Page) -> None:
    sizes = (
        "one => one.complete && one.naturalWidth === 480 && one.getBoundingClientRect().width > 200"
    )
    assert page.value("document.querySelectorAll('figure img').length") == 4
    assert page.value(f"[...document.querySelectorAll('figure img')].every({sizes})")
    assert page.value("getComputedStyle(document.getElementById('mixer')).display") == "none"


@needs_browser
def test_the_watch_sees_requests_and_errors(chromium: Page, tmp_path: Path) -> None:
    """So that their absence means something."""
    path = tmp_path / "noisy.html"
    path.write_text('<img src="http://nightview.invalid/x.png"><script>console.error("x")</script>')
    chromium.requests.clear()
    chromium.errors.clear()
    chromium.open(path)
    chromium.wait("document.readyState === 'complete'")
    assert chromium.requests == ["http://nightview.invalid/x.png"]
    assert any('"x"' in error for error in chromium.errors)


# --- the file -------------------------------------------------------------------------------------


def test_the_file_is_small_whole_and_the_same_again(written: Path, field, tmp_path: Path) -> None:
    text = written.read_text(encoding="utf-8")
    assert written.stat().st_size < MOST_BYTES
    assert not re.findall(r"""(?:src|href|url\()\s*=?\s*["']?(?:https?:)?//""", text)
    told = ["Glare at the door <img src=x>; the remedy: a shield."]
    again = tmp_path / "again.html"
    write_page(again, field, size=SIZE, sentences=told, prices={"plus": "1,250.00 <b>$</b>"})
    assert again.read_bytes() == written.read_bytes()


def test_a_film_goes_along_if_it_fits(
    bare, graphics, small_model, tmp_path: Path, monkeypatch
) -> None:
    film, path = tmp_path / "walk.mp4", tmp_path / "page.html"
    film.write_bytes(b"\0\0\0\x18ftyp" + bytes(60_000))
    one = {"size": (160, 90), "views": ["front"], "film": film}
    assert write_page(path, bare, **one).notes == ()
    assert 'src="data:video/mp4;base64,' in path.read_text(encoding="utf-8")
    monkeypatch.setattr(page_module, "MOST_BYTES", path.stat().st_size - 1)
    monkeypatch.setattr(page_module, "ROOM_FOR_WORDS", 0)
    (note,) = write_page(path, bare, **one).notes
    assert "film" in note
    assert "data:video" not in path.read_text(encoding="utf-8")
    with pytest.raises(NightviewError, match="mp4"):
        write_page(path, bare, size=(160, 90), views=["front"], film=tmp_path / "none.mp4")
    film.write_bytes(b"no film at all")
    with pytest.raises(NightviewError, match="no mp4"):
        write_page(path, bare, size=(160, 90), views=["front"], film=film)


def test_pictures_shrink_until_they_fit(
    bare, graphics, small_model, tmp_path: Path, monkeypatch
) -> None:
    path = tmp_path / "page.html"
    write_page(path, bare, ["front"], size=(320, 180))
    monkeypatch.setattr(page_module, "SMALLEST_PX", 100)
    monkeypatch.setattr(page_module, "MOST_BYTES", int(0.8 * path.stat().st_size))
    monkeypatch.setattr(page_module, "ROOM_FOR_WORDS", 60_000)
    made = write_page(path, bare, ["front"], size=(320, 180))
    assert 100 <= made.size[0] < 320
    assert made.size[0] / made.size[1] == pytest.approx(16 / 9, rel=0.05)
    assert str(made.size[0]) in made.notes[0]
    assert path.stat().st_size <= page_module.MOST_BYTES
    monkeypatch.setattr(page_module, "SMALLEST_PX", 320)
    with pytest.raises(NightviewError, match="fewer views"):
        write_page(path, bare, ["front"], size=(320, 180))


def test_what_cannot_be_shown_is_named(field, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    with pytest.raises(NightviewError, match='"attic".*"front"'):
        write_page(path, field, ["attic"])
    with pytest.raises(NightviewError, match="at least one"):
        write_page(path, field, [])
    with pytest.raises(NightviewError, match='"best".*"plus"'):
        write_page(path, field, prices={"best": "1"})
    assert not path.exists()


# --- parts and coding -----------------------------------------------------------------------------


def test_parts_add_up_to_every_option(field: LightField, parts: Parts) -> None:
    """Weights of all sources by ``LightField.state``, which the stills go by."""
    for k, name in enumerate(parts.options):
        state = field.state(name)
        found = {one.source.name: np.zeros(3) for one in field.sources}
        for part in parts.lamps:
            own = parts.zones[part.zone][k]
            level = part.share[k] * own.dim if own.on else 0.0
            given = dimmed(part.source, level, part.cct_k[k])
            for lamp, share in part.drawn.level.items():
                found[lamp] += share * given.flux * rgb_of_cct(given.cct_k)
        sky = 0.0
        for part in parts.scene:
            sky += part.drawn.sky * part.factor[k][1]
            for one in field.sources:
                found[one.source.name] += part.drawn.weight(one.source) * part.factor[k]
        for one in field.sources:
            assert found[one.source.name] == pytest.approx(state.weight(one.source), abs=1e-7), name
        assert sky == state.sky


def test_lights_that_change_together_are_one_part(parts: Parts) -> None:
    lit = [
        {name for name, level in part.drawn.level.items() if level > 0}
        for part in (*parts.lamps, *parts.scene)
    ]
    # Two lamps and one trimmed to half are one; so are path hat and lantern; sky and window part,
    # since one option darkens the window.
    assert lit == [
        {"up-1", "up-2", "trimmed"},
        {"hat", "lantern"},
        {"arch"},
        {"extra"},
        set(),
        {"window"},
    ]
    assert parts.lamps[0].drawn.level["trimmed"] == 0.5
    assert [one.exists for one in parts.zones["more"]] == [False, True, False]


def test_a_trimmed_filament_is_a_part_of_its_own() -> None:
    text = SCENE.replace('id = "arch"', 'id = "arch"\ncount = 2\nspacing = "1 m"')
    text += '[[state]]\nname = "one"\nfixtures = { "arch-2" = { dim = "50 %" } }\n'
    scene = parse(text)
    field = trace(build(scene))
    gold = [part for part in parts_of(field).lamps if part.zone == "gold"]
    assert [part.share[-1] for part in gold] == [1.0, 0.5]


def test_coding_errs_half_a_step() -> None:
    rng = np.random.RandomState(5)
    light = (10.0 ** rng.uniform(-4, 1.5, (40, 60, 3))).astype(np.float32)
    light[7, 9] = [900.0, 500.0, 200.0]  # a lens one looks into
    made = coded(light)
    assert made is not None and made.top == 64.0
    back = _back(made)
    step = (light + KNEE) * np.log1p(made.top / KNEE) / 255.0
    rows = np.ones(light.shape[:2], bool)
    rows[7, 9] = False
    assert (np.abs(back - light) <= 0.51 * step)[rows].all()
    assert back[7, 9] == pytest.approx(light[7, 9], rel=1e-4)
    assert coded(np.full((4, 4, 3), 1e-5, np.float32)) is None


def _back(made: Coded) -> np.ndarray:
    picture = np.asarray(Image.open(io.BytesIO(made.webp)).convert("RGB"))
    light = decoded(picture, made.top)
    for x, y, *rgb in made.peaks:
        light[int(y), int(x)] += rgb
    return light


def test_many_bright_pixels_raise_the_top() -> None:
    light = np.full((60, 80, 3), 200.0, np.float32)
    made = coded(light)
    assert made is not None and made.top == 200.0 and len(made.peaks) == 0


# --- on the client's photo ------------------------------------------------------------------------


@needs_browser
def test_a_photo_is_one_more_view(
    chromium: Page, tmp_path: Path, graphics: None, small_model: None, monkeypatch
) -> None:
    """The photo's own night (``photo.night``) at the same state, and its day left of the line."""
    photo = _small_photo_scene(tmp_path)
    site = build(read(tmp_path / "small.toml"))
    field = trace(site)
    path = tmp_path / "photo.html"
    own, solved = opened_photo(site, site.scene.photos[0])
    monkeypatch.setattr(page_photo, "opened", lambda *_: (own, solved))  # once is long enough
    assert write_page(path, field, size=SIZE).notes == ()
    night = night_of(own, field)
    for page in _opened(chromium, path, True):
        by_keys(page, "document.querySelector('[name=view]:checked')", "ArrowDown")
        page.wait(READY)
        page.wait("document.getElementById('said').textContent.includes('lux from the model')")
        width, height = page.value("data.views[at.view].size")
        assert width * height == pytest.approx(SIZE[0] * SIZE[1], rel=0.01)
        for zone, state in (("", field.designed), ("facade", _without(field, "facade"))):
            if zone:
                by_keys(page, control(zone, "on"), " ")
            expected = _photo_still(night, state, (width, height))
            edge = width // 2
            picture = canvas(page)
            assert agreement(picture[:, edge + 3 :], expected[:, edge + 3 :]) >= SHARE
        assert page.value("document.getElementById('left').textContent") == "the photo by day"
        with Image.open(photo) as day:
            small = np.asarray(day.convert("RGB").resize((width, height), Image.Resampling.BOX))
        off = np.abs(picture[:, : edge - 3] - small[:, : edge - 3].astype(int))
        assert off.mean() < 6  # averaged in light there, in codes here
        text = page.value("document.querySelector('.plain').textContent")
        assert "Picture on a photo, lux from the model." in text and "by day" in text


def _small_photo_scene(folder: Path) -> Path:
    """The demo's scene with its photo at 0.4 of its size, for speed: the photo's file."""
    text = Path("scenes/photo-demo.toml").read_text(encoding="utf-8")
    text = re.sub(
        r"pixel = \[(\d+), (\d+)\]",
        lambda found: f"pixel = [{0.4 * int(found[1]):.1f}, {0.4 * int(found[2]):.1f}]",
        text,
    )
    assert "off_by" not in text
    text = re.sub(r"(point = .*\]) \}", r"\1, off_by = 1.2 }", text)  # 3 px of the whole photo
    (folder / "small.toml").write_text(text, encoding="utf-8")
    path = folder / "photo-demo.jpg"
    with Image.open("scenes/photo-demo.jpg") as whole:
        whole.resize((640, 427), Image.Resampling.BOX).save(path, quality=95, exif=whole.getexif())
    return path


def _without(field: LightField, zone: str) -> State:
    off = {lamp.id: 0.0 for lamp in field.site.fixtures if lamp.zone == zone}
    assert off
    return replace(field.designed, level={**field.designed.level, **off})


def _photo_still(night: PhotoNight, state: State, size: tuple[int, int]) -> np.ndarray:
    frame = night.unscattered(state)
    planes = [
        Image.fromarray(np.ascontiguousarray(frame.luminance[..., c])).resize(
            size, Image.Resampling.BOX
        )
        for c in range(3)
    ]
    small = np.stack([np.asarray(plane) for plane in planes], axis=-1)
    seen = bloom(small, frame.camera.fov_deg, shown_cd_m2(night.ev100))
    return develop(seen, night.ev100).astype(int)


def test_a_photo_that_tells_no_camera_is_left_out_and_told(
    tmp_path: Path, graphics: None, small_model: None
) -> None:
    Image.new("RGB", (320, 200), (120, 130, 140)).save(tmp_path / "yard.jpg")
    (tmp_path / "house.toml").write_text(
        SCENE + '[[photo]]\nname = "yard"\nfile = "yard.jpg"\n', encoding="utf-8"
    )
    made = write_page(
        tmp_path / "page.html",
        trace(build(read(tmp_path / "house.toml"))),
        ["front"],
        size=(160, 90),
    )
    (note,) = made.notes
    assert '"yard"' in note and "mark" in note
    assert 'value="day"' not in (tmp_path / "page.html").read_text(encoding="utf-8")
