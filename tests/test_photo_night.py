"""The night on a photo: by closed forms, and against a path-traced night of a more detailed house.

The house, its photos and its night come from ``scenes/photo_demo.py``: Mitsuba 3, a general-purpose
path tracer (test extra), of a house that has bricks, bars, gutters, a bench and a shrub that the model
lacks, other colours than the model, and measures that are centimetres off. "Flat" is the model drawn in
its own colours through the same camera.
"""

from __future__ import annotations

import io
import json
import re
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from conftest import LUMINOUS, Lit
from PIL import Image

import nightview as nv
from nightview.__main__ import main
from nightview.errors import NightviewError
from nightview.lamps.colour import srgb_encode
from nightview.light.field import State, mix, trace
from nightview.light.stage import set_up
from nightview.photo import night as nights
from nightview.photo.image import PhotoImage
from nightview.photo.night import PhotoNight, night_of
from nightview.photo.recover import Recovered, recovered_of
from nightview.photo.reflectance import GLASS
from nightview.photo.report import report_of, write_report
from nightview.photo.solve import solved_of
from nightview.picture.camera import Camera
from nightview.picture.looks import LOOKS
from nightview.picture.png import read_texts
from nightview.picture.still import develop, exposure_of
from nightview.scene.photo_model import Photo
from nightview.scene.read import parse
from nightview.scene.views import photo_of, photo_stems
from nightview.site.build import build
from nightview.site.landmarks import landmarks_of

SCENES = Path(__file__).parents[1] / "scenes"
DEMO = SCENES / "photo-demo.toml"

# --- closed forms ---------------------------------------------------------------------------------

LAWN = """
title = "Lawn"
[site]
surroundings = "none"
[ground]
size = "80 m, 80 m"
material = "grey"
[materials.grey]
rgb = [0.2, 0.2, 0.2]
[lamps.bulb]
kind = "omni"
flux = "800 lm"
lens = "20 mm"
loss_factor = 1.0
body = "none"
[[fixture]]
id = "bulb"
lamp = "bulb"
at = "0 m, 0 m, 2.5 m"
[[fixture]]
id = "other"
lamp = "bulb"
zone = "far"
at = "3 m, 4 m, 1.5 m"
"""
LOOKING = Camera(np.array([0, -9.0, 3.0]), np.array([0, 0, 0.0]), 50.0, 240, 160)
MIDDLE = (120, 90)


def image_of(linear: np.ndarray) -> PhotoImage:
    return PhotoImage(srgb_encode(linear).astype(np.float32), None, 1.0, "made here")


def photo(**keys: object) -> Photo:
    given = {
        "name": "front",
        "file": "front.jpg",
        "reference": {"pixel": MIDDLE, "reflectance": 0.3},
    }
    return Photo.model_validate(given | keys)


def lawn_photo(camera: Camera = LOOKING) -> np.ndarray:
    return np.full((camera.height, camera.width, 3), [0.2, 0.25, 0.1])


@pytest.fixture(scope="module")
def lawn(lit) -> Lit:
    return lit(LAWN)


@pytest.fixture(scope="module")
def lawn_night(lawn) -> PhotoNight:
    own = recovered_of(lawn.site, photo(), image_of(lawn_photo()), LOOKING)
    return night_of(own, lawn.field, 2.0)


def test_luminance_is_reflectance_times_light_over_pi(lawn, lawn_night):
    # An even photo of open ground under an overcast sky: its reflectance is the reference's all over,
    # in the photo's own colours; the night is ρ·E/π of the point lamps, E = I·cos θ/r².
    frame = lawn_night.unscattered(lawn.field.designed).luminance
    own = lawn_night.recovered
    rgb = 0.3 * np.array([0.2, 0.25, 0.1]) / (LUMINOUS @ [0.2, 0.25, 0.1])
    for column, row in ((120, 90), (40, 120), (200, 70)):
        point = own.pixels.solid.point.reshape(160, 240, 3)[row, column].astype(float)
        lux = 0.0
        for place in ((0, 0, 2.5), (3, 4, 1.5)):
            way = np.array(place) - point
            lux += 800 / (4 * np.pi) * way[2] / np.linalg.norm(way) ** 3
        colour = lawn.field.sources[0].source.rgb
        assert frame[row, column] == pytest.approx(rgb * lux * colour / np.pi, rel=0.03)


def test_a_brighter_photo_gives_the_same_night(lawn, lawn_night):
    own = recovered_of(lawn.site, photo(), image_of(0.4 * lawn_photo()), LOOKING)
    state = lawn.field.designed
    other = night_of(own, lawn.field, 2.0).unscattered(state).luminance
    ours = lawn_night.unscattered(state).luminance
    assert other[60:] == pytest.approx(ours[60:], rel=0.02, abs=1e-4)


def test_any_state_is_a_sum_of_layers(lawn, lawn_night):
    night = PhotoNight(lawn_night.recovered, lawn.field, 2.0)
    dim = State({"bulb": 0.3, "far": 0.0}, {"bulb": np.array([1.1, 0.98, 0.9])})
    whole = night.unscattered(dim).luminance
    night.prepare()
    summed = night.unscattered(dim).luminance
    assert np.abs(summed - whole).max() <= 1e-5 * whole.max()
    full = night.unscattered(State({"far": 0.0}, {"bulb": np.array([1.1, 0.98, 0.9])})).luminance
    assert summed == pytest.approx(0.3 * full, rel=1e-4, abs=1e-6)
    assert not np.allclose(summed, night.unscattered(lawn.field.designed).luminance)
    assert night.unscattered(State({"bulb": 0.0, "far": 0.0}, {}, sky=0.0)).luminance.max() == 0.0


def test_a_moved_lamp_lights_elsewhere_on_the_same_photo(lawn, lawn_night):
    moved = build(parse(LAWN.replace("3 m, 4 m, 1.5 m", "-4 m, 2 m, 1.5 m"), "test", "."))
    frame = lawn_night.relit(trace(moved)).unscattered(lawn.field.designed).luminance[..., 1]
    before = lawn_night.unscattered(lawn.field.designed).luminance[..., 1]
    right, left = np.s_[60:, 130:], np.s_[60:, :110]
    assert frame[right].mean() < before[right].mean()
    assert frame[left].mean() > before[left].mean()


def test_without_a_reference_the_models_own_materials_say_how_bright(lawn):
    own = recovered_of(lawn.site, photo(reference=None), image_of(lawn_photo()), LOOKING)
    ground = own.pixels.solid.surface >= 0
    assert np.median(own.reflectance.solid[ground] @ LUMINOUS) == pytest.approx(0.2, rel=0.03)
    assert any("no reference" in warning for warning in own.reflectance.warnings)


@pytest.mark.parametrize(
    ("pixel", "change", "told"),
    [
        (MIDDLE, "burnt", "burnt out"),
        ((120, 2), "", "no matte surface"),
        ((500, 90), "", "outside the picture"),
    ],
)
def test_a_reference_that_says_nothing_is_refused(lawn, pixel, change, told):
    linear = lawn_photo()
    if change:
        linear[80:100, 110:130] = 1.0
    asked = photo(reference={"pixel": pixel, "reflectance": 0.3})
    with pytest.raises(NightviewError, match=told) as caught:
        recovered_of(lawn.site, asked, image_of(linear), LOOKING)
    assert 'photo "front"' in str(caught.value)


def test_a_reference_on_another_surface_is_told():
    wall = '[[wall]]\nname = "fence"\nline = ["-9 m, 9 m", "9 m, 9 m"]\nheight = "1 m"\nmaterial = "grey"\n'
    site = build(parse(LAWN + wall, "test", "."))
    asked = photo(reference={"pixel": MIDDLE, "reflectance": 0.3, "surface": "fence"})
    own = recovered_of(site, asked, image_of(lawn_photo()), LOOKING)
    assert any(
        '"fence"' in warning and '"ground"' in warning for warning in own.reflectance.warnings
    )


def test_the_sun_below_the_horizon_is_refused(lawn):
    asked = photo(
        light="sun", time="2026-06-21T23:30:00+00:00", latitude="50 deg", longitude="0 deg"
    )
    with pytest.raises(NightviewError, match="no daylight"):
        recovered_of(lawn.site, asked, image_of(lawn_photo()), LOOKING)


def test_something_near_a_lamp_that_the_model_lacks_is_told(lawn):
    low = LAWN.replace("0 m, 0 m, 2.5 m", "0 m, 0 m, 0.2 m")
    site = build(parse(low, "test", "."))
    seen = recovered_of(site, photo(), image_of(lawn_photo()), LOOKING)
    assert not any("bulb" in warning for warning in report_of(seen, site).warnings)
    linear = lawn_photo()
    near = np.linalg.norm(seen.pixels.solid.point - [0, 0, 0.2], axis=1).reshape(160, 240) < 0.8
    linear[near] *= 0.2
    off = photo(reference={"pixel": (30, 140), "reflectance": 0.3})
    own = recovered_of(site, off, image_of(linear), LOOKING)
    assert any("lamp bulb" in warning for warning in report_of(own, site).warnings)


def test_a_thing_before_a_surface_is_told(lawn):
    linear = lawn_photo()
    own = recovered_of(lawn.site, photo(), image_of(linear), LOOKING)
    assert not any("something else" in warning for warning in report_of(own, lawn.site).warnings)
    linear[110:140, 160:200] = (0.4, 0.05, 0.05)
    own = recovered_of(lawn.site, photo(), image_of(linear), LOOKING)
    (told,) = (w for w in report_of(own, lawn.site).warnings if "something else" in w)
    assert '"ground"' in told
    column, row = (int(n) for n in re.search(r"at (\d+), (\d+)", told).groups())
    assert abs(column - 180) < 3 and abs(row - 125) < 3


def test_a_reference_on_a_thing_that_is_not_there_is_refused(lawn):
    asked = photo(reference={"pixel": MIDDLE, "reflectance": 0.3, "surface": "grond"})
    with pytest.raises(NightviewError, match='did you mean "ground"'):
        recovered_of(lawn.site, asked, image_of(lawn_photo()), LOOKING)


def test_a_lamp_in_a_plant_is_told():
    text = LAWN + '[[shrub]]\nname = "box"\nat = "3 m, 4 m"\nheight = "3 m"\nwidth = "2 m"\n'
    site = build(parse(text, "test", "."))
    own = recovered_of(site, photo(), image_of(lawn_photo()), LOOKING)
    warnings = report_of(own, site).warnings
    assert any("other stands in box" in warning for warning in warnings)


# --- against the path tracer ----------------------------------------------------------------------

WIDTH, BLOCK_PX = 400, 8
PHOTO_SAMPLES, NIGHT_SAMPLES = 16, 20
SUN = {
    "light": "sun",
    "time": "2026-09-12T12:40:30+02:00",
    "latitude": "48.7 deg",
    "longitude": "8 deg",
}
LIT_SHARE = 0.05


@pytest.fixture(scope="module")
def demo():
    pytest.importorskip("mitsuba", reason="the path tracer comes with the test extra")
    sys.path.insert(0, str(SCENES))
    try:
        import photo_demo
    finally:
        sys.path.pop(0)
    return photo_demo


@pytest.fixture(scope="module")
def house(demo, tmp_path_factory):
    """The model under an even sky, as the path tracer can have it, and how the true house looks."""
    import mitsuba

    mitsuba.set_variant("scalar_rgb")
    sky = 'surroundings = "none"\nambient = "0.3 lx"'
    site = build(parse(DEMO.read_text().replace('surroundings = "rural"', sky), "model", SCENES))
    world = demo.World(demo.truth(), tmp_path_factory.mktemp("world"))
    camera = demo.camera(WIDTH)

    def by_day(light: str) -> PhotoImage:
        frame = demo.render(world.by_day(light), camera, PHOTO_SAMPLES)
        packed = io.BytesIO()  # a photo is a JPEG
        Image.fromarray(demo.developed(frame)).save(packed, "JPEG", quality=90)
        return PhotoImage(np.asarray(Image.open(packed), np.float32) / 255, None, 1.0, light)

    true = {name: mark.place for name, mark in landmarks_of(world.site.scene).items()}
    return SimpleNamespace(
        true=true,
        site=site,
        field=trace(site),
        camera=camera,
        night=demo.render(world.by_night(), camera, NIGHT_SAMPLES) @ LUMINOUS,
        photos={light: by_day(light) for light in ("overcast", "sun")},
    )


def as_solved(camera: Camera) -> Camera:
    """A camera as marks of 3 px and 2 cm leave it: see ``photo.md``, 0.6 m along the view and some px."""
    turned = camera.turned(0.7, -0.5)
    ahead = camera.axes[2]
    back = -0.3 * ahead
    fov = np.degrees(2 * np.arctan(np.tan(np.radians(camera.fov_deg / 2)) * 13.4 / 13.7))
    return replace(turned, eye=camera.eye + back, target=turned.target + back, fov_deg=float(fov))


def solved_camera(house) -> Camera:
    """The camera as the demo's points tell it, clicked to 3 px of 1600 on the true house; the model's
    own points are centimetres off."""
    rng, names = np.random.default_rng(8), [m.point for m in nv.read(DEMO).photos[0].marks]
    pixels = house.camera.project(np.array([house.true[name] for name in names]))[0]
    pixels += rng.normal(0.0, 3.0 * WIDTH / 1600, pixels.shape)
    marks = [
        {"point": name, "pixel": tuple(pixel), "off_by": 3.0 * WIDTH / 1600}
        for name, pixel in zip(names, pixels, strict=True)
    ]
    asked = photo(marks=marks, focal_35mm="34 mm")  # as the demo's file says
    return solved_of(house.site, asked, house.photos["sun"]).camera


def seen_on(house, light: str, camera: Camera, **more: object) -> Recovered:
    size = house.photos[light].size
    mark = {"pixel": (0.672 * size[0], 0.84 * size[1]), "reflectance": 0.31, "surface": "path"}
    asked = photo(reference=mark, **(SUN if light == "sun" else {}), **more)
    return recovered_of(house.site, asked, house.photos[light], camera)


@pytest.fixture(scope="module")
def seen(house):
    kept = {}

    def get(light: str, how: str = "exact") -> Recovered:
        if (light, how) not in kept:
            cameras = {"exact": lambda: house.camera, "off": lambda: as_solved(house.camera),
                       "solved": lambda: solved_camera(house)}  # fmt: skip
            kept[light, how] = seen_on(house, light, cameras[how]())
        return kept[light, how]

    return get


def blocks(frame: np.ndarray) -> np.ndarray:
    """Means over squares of pixels."""
    rows, columns = (side // BLOCK_PX for side in frame.shape[:2])
    cut = frame[: rows * BLOCK_PX, : columns * BLOCK_PX].astype(float)
    return cut.reshape(rows, BLOCK_PX, columns, BLOCK_PX).mean(axis=(1, 3))


def walls(own: Recovered) -> np.ndarray:
    """Pixels (h, w) on the walls of the two blocks, as the model has them."""
    solid = own.pixels.solid
    names = np.array([*(surface.owner for surface in solid.geometry.surfaces), ""])
    upright = np.abs(solid.normal[:, 2]) < 0.1
    found = np.isin(names[solid.surface], ["house", "wing"]) & upright & solid.where("matte")
    return found.reshape(own.pixels.shape) & (own.mattes.pane < 0.05) & (own.mattes.leaf < 0.1)


@pytest.mark.parametrize(
    ("light", "how"),
    [
        ("overcast", "exact"),
        ("overcast", "off"),
        ("sun", "exact"),
        ("sun", "off"),
        ("sun", "solved"),
    ],
)
def test_walls_by_night_against_the_path_tracer(house, seen, light, how):
    # Issue 8: walls median ratio within 0.8 to 1.25, 70 % of lit wall blocks within × 1.5, better
    # than flat model colours on every case.
    own = seen(light, how)
    night = night_of(own, house.field)
    mine = night.unscattered(house.field.designed).luminance @ LUMINOUS
    lux = own.pixels.solid.illuminance(mix(house.field))
    flat = (lux * own.pixels.solid.reflectance() / np.pi @ LUMINOUS).reshape(mine.shape)
    truth, whole = blocks(house.night), blocks(walls(own)) > 0.95
    chosen = whole & (truth > LIT_SHARE * np.percentile(truth[whole], 99))
    ratio, plain = (blocks(frame)[chosen] / truth[chosen] for frame in (mine, flat))
    off, flat_off = (np.abs(np.log2(np.maximum(each, 1e-3))) for each in (ratio, plain))
    within, flat_within = (float((each < np.log2(1.5)).mean()) for each in (off, flat_off))
    close, flat_close = (float((each < np.log2(1.25)).mean()) for each in (off, flat_off))
    print(
        f"{light}, camera {how}: {len(ratio)} blocks, median {np.median(ratio):.3f} (flat {np.median(plain):.3f}), "
        f"within 1.5: {within:.1%} (flat {flat_within:.1%}), 1.25: {close:.1%} (flat {flat_close:.1%}), "
        f"median error {2 ** np.median(off):.3f} (flat {2 ** np.median(flat_off):.3f})"
    )
    assert len(ratio) > 150
    assert 0.8 <= np.median(ratio) <= 1.25
    assert within >= 0.70
    assert np.median(off) < np.median(flat_off)
    assert close > flat_close


def test_reflectance_of_walls_and_paving_is_the_true_one(demo, house, seen):
    for light in ("overcast", "sun"):
        own = seen(light)
        true = np.array(demo.OWN["true brick"][0])
        found = np.median(own.reflectance.solid[walls(own).ravel()], axis=0)
        assert found == pytest.approx(true, rel=0.2), light


def test_sun_to_sky_is_measured_and_wrong_shadows_are_told(house, seen):
    own = seen("sun")
    assert own.reflectance.sun_measured
    # The sun is warmer than the sky: the more so, the longer the wave.
    assert own.reflectance.sun[0] > own.reflectance.sun[1] > own.reflectance.sun[2]
    assert not any("contradict" in warning for warning in own.reflectance.warnings)
    # An overcast photo said to be taken in the sun: where the model has sun, the photo has none.
    size = house.photos["overcast"].size
    mark = {"pixel": (0.672 * size[0], 0.84 * size[1]), "reflectance": 0.31}
    wrong = recovered_of(
        house.site, photo(reference=mark, **SUN), house.photos["overcast"], house.camera
    )
    assert any("contradict the photo" in warning for warning in wrong.reflectance.warnings)


def test_mattes_find_the_photos_own_sky_and_panes(house, seen):
    own = seen("overcast")
    rows, columns = own.pixels.shape
    assert own.mattes.sky[: rows // 12].mean() > 0.95  # above the chimney there is nothing else
    assert own.mattes.sky[rows // 2 :, columns // 4 : 3 * columns // 4].max() == 0
    solid = own.reflectance.solid[(own.mattes.pane > 0.99).ravel()]
    assert solid.min() >= GLASS[0] - 1e-6
    assert solid.max() <= GLASS[1] + 1e-6
    # Of the model's panes some is the photo's bars, which the model has not.
    panes = own.pixels.solid.where("glass").reshape(rows, columns)
    assert 0.5 < own.mattes.pane[panes].sum() / panes.sum() < 0.98


def test_windows_glow_and_go_dark(house, seen):
    own = seen("overcast")
    night = night_of(own, house.field)
    alone = house.field.lamps_off(house.field.designed)  # glass also gives back what lamps bring
    lit_frame = night.unscattered(alone).luminance @ LUMINOUS
    dark = State(
        {**alone.level, "windows": 0.0, "wing window": 0.0, "parlour window": 0.0}, alone.rgb
    )
    dark_frame = night.unscattered(dark).luminance @ LUMINOUS
    opening = np.array([*(patch.opening for patch in house.site.patches)])
    number = own.pixels.solid.surface.reshape(own.pixels.shape)
    pane = own.pixels.solid.where("glass").reshape(own.pixels.shape) & (own.mattes.pane > 0.99)
    wing = pane & (opening[np.where(pane, number, 0)] == "wing window")
    # 2.5 cd/m² behind a pane that lets through 92 % at right angles.
    assert lit_frame[wing].mean() == pytest.approx(0.92 * 2.5, rel=0.15)
    assert dark_frame[wing].mean() < 0.1 * lit_frame[wing].mean()


def test_report_says_what_is_and_is_not_in_the_model(house, seen, tmp_path):
    told = report_of(seen("sun"), house.site)
    assert sum(told.shares.values()) == pytest.approx(1.0, abs=0.02)
    text = told.text()
    for words in ("lux from the model", "In the model", "Not in the model", "What to trust", "wing window",
                  "metre of a lamp", "reflectance 0.31", "is not tried yet"):  # fmt: skip
        assert words in text, words
    write_report(told, tmp_path / "a.json")
    assert json.loads((tmp_path / "a.json").read_text())["shares"]["sky"] > 0.1
    (tmp_path / "a.txt").write_text("mine")
    with pytest.raises(NightviewError, match="no report"):
        write_report(told, tmp_path / "a.txt")


# --- the demo and the command ---------------------------------------------------------------------


def test_the_demo_photo_is_small_enough_to_ship():
    assert (SCENES / "photo-demo.jpg").stat().st_size <= 600_000


@pytest.fixture(scope="module")
def small_demo(tmp_path_factory) -> Path:
    """The demo with its photo at a quarter of the size."""
    folder = tmp_path_factory.mktemp("small")
    with Image.open(SCENES / "photo-demo.jpg") as photo:
        photo.resize((400, 267)).save(folder / "photo-demo.jpg", exif=photo.getexif())
    text = DEMO.read_text(encoding="utf-8")
    text = re.sub(
        r"pixel = \[([\d.]+), ([\d.]+)\]",
        lambda found: f"pixel = [{float(found[1]) / 4}, {float(found[2]) / 4}], off_by = 0.75",
        text,
    )
    text = re.sub(r"(?m)^(reference = .*), off_by = 0.75", r"\1", text)
    (folder / "small.toml").write_text(text, encoding="utf-8")
    return folder / "small.toml"


def test_still_on_the_demo_photo(small_demo, tmp_path, capsys):
    out = tmp_path / "out"
    asked = [
        "still",
        str(small_demo),
        "--photo",
        "street photo",
        "--state",
        "late",
        "--out",
        str(out),
    ]
    assert main(asked) == 0
    picture = out / "small-street-photo-late.png"
    assert str(picture) in capsys.readouterr().out
    with Image.open(picture) as shown:
        assert shown.size == (400, 267)
    texts = read_texts(picture)
    assert texts["view"] == "street photo"
    assert "lux from the model" in texts["Comment"]
    job = nv.read(small_demo)
    assert float(texts["exposure_ev100"]) == pytest.approx(exposure_of(trace(build(job))), abs=0.01)
    assert "Night on a photo" in (out / "small-street-photo-report.txt").read_text()
    (out / "small-street-photo-late.png").write_bytes(b"mine")
    assert main(asked) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_a_foreign_report_is_told_before_anything_is_written(small_demo, tmp_path, capsys):
    (tmp_path / "small-street-photo-report.txt").write_text("mine", encoding="utf-8")
    asked = ["still", str(small_demo), "--photo", "street photo", "--out", str(tmp_path)]
    assert main(asked) == 2
    assert "is no report of nightview's" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["small-street-photo-report.txt"]


@pytest.mark.usefixtures("graphics")
def test_compare_on_a_photo_begins_with_the_photo(small_demo, tmp_path):
    asked = ["compare", str(small_demo), "--photo", "street photo", "--before-after", "--fade"]
    assert main([*asked, "--separate", "--out", str(tmp_path)]) == 0
    made = sorted(path.name for path in tmp_path.iterdir())
    stem = "small-street-photo-"
    assert made == [f"{stem}{end}" for end in ("after-as-designed.png", "before-after.mp4",
                                              "before-after.png",
                                              "before-garden-lights-off.png")]  # fmt: skip
    with Image.open(tmp_path / f"{stem}before-after.png") as sheet:
        shown = np.asarray(sheet)[:267].astype(int)
    day, off, on = (shown[:, k * 408 : k * 408 + 400] for k in range(3))
    with Image.open(small_demo.parent / "photo-demo.jpg") as photo:
        assert np.abs(day - np.asarray(photo.convert("RGB"))).max() <= 1
    assert on.mean() > off.mean() + 10


def test_an_unknown_photo_is_told(tmp_path, capsys):
    assert main(["still", str(DEMO), "--photo", "garden", "--out", str(tmp_path)]) == 2
    assert '"street photo"' in capsys.readouterr().err
    with pytest.raises(NightviewError, match=r"\[\[photo\]\]"):
        photo_of((), "any")


@pytest.mark.parametrize("look", ["camera", "eye", "levels"])
def test_every_look_carries_the_caption(lawn, lawn_night, look):
    still = nights.draw(lawn_night, lawn.field.designed)
    shown = develop(still, look)
    assert shown.shape == (160, 240, 3)
    assert still.texts(LOOKS[look])["look"] == LOOKS[look].label
    assert set_up(lawn.site.geometry)  # the frame is of this geometry, not of another canvas


def test_photos_with_like_names_have_files_of_their_own():
    photos = [Photo(name=name, file="a.jpg") for name in ("the front", "the-front", "?")]
    assert list(photo_stems("house", photos).values()) == [
        "house-the-front", "house-the-front-2", "house-photo",
    ]  # fmt: skip
