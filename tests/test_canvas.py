"""The float frame holds absolute luminance: E·ρ/π where the light E and the reflectance ρ are known."""

from __future__ import annotations

import dataclasses
import gc
import weakref
from collections.abc import Callable

import numpy as np
import pytest

from nightview.light.field import Light, State, mix, trace
from nightview.light.state import LUMINOUS
from nightview.picture import canvas as canvas_module
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.draw import draw_unscattered
from nightview.picture.still import develop, draw
from nightview.scene.model import View
from nightview.scene.read import parse
from nightview.site.build import Site, build
from nightview.site.materials import MATERIALS
from nightview.site.surface import Crown, Mesh

RHO = (0.5, 0.4, 0.3)
WALL = """
[[block]]
name = "wall"
at = "-3 m, 0 m"
size = "6 m, 1 m"
height = "4 m"
material = "{material}"
roof.kind = "flat"
[materials.even]
rgb = [0.5, 0.4, 0.3]
[materials.bricks]
rgb = [0.5, 0.4, 0.3]
pattern = "brick"
"""
FRONT = Camera(np.array([0, -6.0, 1.6]), np.array([0, 0, 1.6]), 40.0, 160, 90)


pytestmark = pytest.mark.usefixtures("graphics")


def unlit(scene: str | Site) -> Light:
    site = build(parse(scene)) if isinstance(scene, str) else scene
    return mix(trace(site))


def lit(light: Light, lux: Callable[[str], float | np.ndarray]) -> Light:
    """The same with so much white light, spread evenly, on patches by name, and no relief."""
    patches = [
        None if values is None else np.full_like(values, lux(patch.name))
        for patch, values in zip(light.field.site.patches, light.patches, strict=True)
    ]
    toward = [None if way is None else np.zeros_like(way) for way in light.toward]
    return dataclasses.replace(light, patches=patches, toward=toward)


def frame_of(light: Light, camera: Camera = FRONT, scale: int = 1) -> np.ndarray:
    canvas = canvas_module.Canvas(light.field.site.geometry)
    try:
        canvas.show(light)
        return canvas.draw(camera, scale)
    finally:
        canvas.close()


@pytest.fixture(scope="module")
def wall() -> Light:
    return unlit(WALL.format(material="even"))


# --- luminance ------------------------------------------------------------------------------------


@pytest.mark.parametrize("luminance", [1e-4, 0.0123, 1.0, 1234.5, 3e4])
def test_a_matte_wall_has_its_luminance(wall: Light, luminance: float) -> None:
    lux = np.pi * luminance / RHO[0]
    frame = frame_of(lit(wall, lambda name: lux))
    expected = lux * np.array(RHO) / np.pi
    middle = frame[30:60, 60:100]
    assert middle[..., :3] == pytest.approx(
        np.broadcast_to(expected, middle[..., :3].shape), rel=5e-3
    )
    assert (middle[..., 3] == 1).all()


def test_a_lamp_s_light_is_drawn_as_a_meter_reads_it() -> None:
    """The whole way: a lamp, its map, the atlas, the frame; against I·cos/r² in closed form."""
    light = unlit(
        WALL.format(material="even")
        + '[lamps.even]\nkind = "table"\nintensity = [["0 deg", "400 cd"], ["90 deg", "400 cd"]]\nbody = "none"\ncct = "6500 K"\n'
        '[[fixture]]\nid = "f"\nlamp = "even"\nat = "0 m, -2 m, 1.6 m"\nbearing = "0 deg"\n'
    )  # fmt: skip
    frame = frame_of(light)  # with the light's way too: a plain wall has no relief to show it
    y = frame[..., :3] @ LUMINOUS
    ways = FRONT.ways(np.arange(160) + 0.5, np.full(160, 45.0))
    place = FRONT.eye + ways * (6.0 / ways[:, 1:2])  # on the wall, along the middle row
    off = place - [0, -2, 1.6]
    r2 = (off**2).sum(axis=1)
    lux = 400 * 2.0 / r2**1.5
    (source,) = light.field.sources
    rgb = source.source.rgb * RHO / np.pi  # no bounce: nothing stands before the wall
    seen = (np.abs(place[:, 0]) < 2.9) & (lux > 1)
    assert seen.sum() > 100
    mean = (y[44] + y[45]) / 2
    assert mean[seen] == pytest.approx((lux * (rgb @ LUMINOUS))[seen], rel=0.01)


def test_row_0_is_at_the_top_and_places_are_where_the_camera_says(wall: Light) -> None:
    """One patch alone is bright, off the middle: the frame shows it where ``project`` puts it."""
    site = wall.field.site
    camera = Camera(np.array([2.0, -7, 3.0]), np.array([0.5, 0, 1.2]), 55.0, 320, 200)
    for number, patch in enumerate(site.patches):
        if patch.normal[1] > -0.9:
            continue  # of the front's pieces and the roof's edge
        light = lit(wall, lambda name: 0.0)
        light.patches[number][:] = 1000.0
        bright = frame_of(light, camera)[..., 0] > 50
        rows, columns = np.nonzero(bright)
        corners, _ = camera.project(patch.triangles[0])
        inside = (corners > 0).all() and (corners < [320, 200]).all()
        if inside:
            low, high = corners.min(axis=0), corners.max(axis=0)
            assert (columns.min(), rows.min()) == pytest.approx(low, abs=1.5)
            assert (columns.max() + 1, rows.max() + 1) == pytest.approx(high, abs=1.5)


def test_where_nothing_is_the_coverage_is_0(wall: Light) -> None:
    up = Camera(FRONT.eye, np.array([0, -6.0, 9]), 40.0, 160, 90)
    assert not frame_of(lit(wall, lambda name: 100.0), up).any()


def test_a_map_that_holds_no_number_is_refused(wall: Light) -> None:
    for bad in (np.nan, np.inf):
        light = lit(wall, lambda name: 10.0)
        light.patches[0][0, 0, 1] = bad
        with pytest.raises(ValueError, match="no number"):
            frame_of(light)


def test_light_that_changes_is_shown_anew(wall: Light) -> None:
    canvas = canvas_module.Canvas(wall.field.site.geometry)
    for lux in (10.0, 1000.0, 0.1):
        canvas.show(lit(wall, lambda name, lux=lux: lux))
        assert canvas.draw(FRONT, 1)[45, 80, 0] == pytest.approx(lux * RHO[0] / np.pi, rel=5e-3)
    canvas.close()


# --- patterns -------------------------------------------------------------------------------------


@pytest.mark.parametrize("away", [4.0, 14.0])
def test_a_pattern_keeps_the_mean(wall: Light, away: float) -> None:
    """Bricks near and far are in the mean as bright as the plain wall of their reflectance."""
    camera = Camera(
        np.array([0, -away, 2.0]),
        np.array([0, 0, 2.0]),
        2 * np.degrees(np.arctan(2.7 / away)),
        300,
        190,
    )
    bricks = unlit(WALL.format(material="bricks"))
    plain, drawn = (
        frame_of(lit(light, lambda name: 100.0), camera, 2)[..., :3] for light in (wall, bricks)
    )
    assert plain[..., 0].std() < 1e-3 * plain[..., 0].mean()
    assert drawn.mean(axis=(0, 1)) == pytest.approx(plain.mean(axis=(0, 1)), rel=0.02)
    if away < 5:
        assert drawn[..., 0].std() > 0.05 * drawn[..., 0].mean()  # and they are seen to be bricks


def test_bricks_far_away_do_not_flicker() -> None:
    """Courses finer than a pixel: what is left of them is faint, at any distance (no moiré)."""
    light = lit(unlit(WALL.format(material="bricks")), lambda name: 100.0)
    for away in (60.0, 75.0, 90.0):
        camera = Camera(
            np.array([0, -away, 2.0]),
            np.array([0, 0, 2.0]),
            2 * np.degrees(np.arctan(2.7 / away)),
            60,
            38,
        )
        canvas = Canvas(light.field.site.geometry)
        canvas.show(light)
        pixels = draw_unscattered(canvas, light, camera, 4.0).luminance[..., 0]
        rows, columns = pixels.mean(axis=1), pixels.mean(axis=0)
        assert rows.std() < 0.03 * pixels.mean() and columns.std() < 0.03 * pixels.mean()


# --- leaves and meshes ----------------------------------------------------------------------------


def with_leaf(site, leaf):
    """The site with that one crown."""
    geometry = dataclasses.replace(
        site.geometry, crowns=(leaf,), materials={"leaf": MATERIALS["leaf"]}
    )
    return dataclasses.replace(site, geometry=geometry)


def test_a_leaf_shows_the_side_that_is_seen() -> None:
    """Light on the front alone: ρ·E/π from before it, τ·E/π from behind."""
    empty = build(parse('title = "one leaf"\n'))
    as32 = [np.array(a, np.float32) for a in ([[0, 0, 1.5]], [[0, -1, 0]], [[0, 0, 1]])]
    leaf = Crown("leaf", "leaf", "leaf", *as32, 1.0, 1.0, np.ones(1, np.float32))
    spec = MATERIALS["leaf"]
    site = with_leaf(empty, leaf)
    light = unlit(site)
    sides = np.array([[[314.0] * 3, [0.0] * 3]], np.float32)
    light = dataclasses.replace(light, crowns=[sides])
    for away in (3.0, 40.0):  # near it is an oval, far off a rhomb
        for y, share in ((-1, spec.rgb), (1, spec.transmits_rgb)):
            fov = 2 * np.degrees(np.arctan(0.4 / away))
            camera = Camera(np.array([0, y * away, 1.5]), np.array([0, 0, 1.5]), fov, 64, 64)
            frame = frame_of(light, camera)
            assert frame[32, 32, :3] == pytest.approx(314.0 * np.array(share) / np.pi, rel=5e-3)


def test_leaves_near_and_far_cover_as_much() -> None:
    empty = build(parse('title = "one leaf"\n'))
    as32 = [np.array(a, np.float32) for a in ([[0, 0, 1.5]], [[0, -1, 0]], [[0, 0, 1]])]
    leaf = Crown("leaf", "leaf", "leaf", *as32, 1.0, 0.6, np.ones(1, np.float32))
    light = unlit(with_leaf(empty, leaf))
    for away in (4.0, 40.0):
        fov = 2 * np.degrees(np.arctan(0.6 / away))
        camera = Camera(np.array([0, -away, 1.5]), np.array([0, 0, 1.5]), fov, 200, 200)
        covered = frame_of(light, camera)[..., 3].mean() * 1.2**2
        assert covered == pytest.approx(0.5 * 1.0 * 0.6, rel=0.03)


def test_slivers_of_a_mesh_are_no_mirrors() -> None:
    """On a triangle thinner than a pixel the value at a pixel's middle is carried on from the corners,
    to below 0 beside one that is dark; a value below 0 is a mirror's mark."""
    random, n = np.random.default_rng(0), 400
    first = random.uniform([-3, 0, 0], [3, 6, 3], (n, 3))
    way = random.normal(size=(n, 3))
    aside = 1e-3 * np.cross(way, random.normal(size=(n, 3)))
    corners = np.stack([first, first + way, first + way / 2 + aside], axis=1).reshape(-1, 3)
    normals = np.repeat(np.cross(way, aside), 3, axis=0)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    faces = np.arange(3 * n).reshape(-1, 3)
    slivers = Mesh("slivers", "slivers", "leaf", corners, normals, faces, corners)
    empty = build(parse('title = "slivers"\n'))
    geometry = dataclasses.replace(
        empty.geometry, meshes=(slivers,), materials={"leaf": MATERIALS["leaf"]}
    )
    light = unlit(dataclasses.replace(empty, geometry=geometry))
    lux = np.zeros((3 * n, 3), np.float32)
    lux[::3] = 1000.0  # one bright corner of three
    camera = Camera(np.array([0, -8.0, 1.5]), np.array([0, 0, 1.5]), 50.0, 640, 360)
    frame = frame_of(dataclasses.replace(light, meshes=[lux]), camera)
    assert (frame[..., 3] > 0).sum() > 300 and frame[..., 0].max() > 10
    assert frame[..., :3].min() >= 0


# --- the drawing itself ---------------------------------------------------------------------------

GARDEN = (
    WALL.format(material="bricks")
    + """
[ground]
size = "20 m, 20 m"
[[opening]]
name = "window"
block = "wall"
along = "1.5 m"
size = "1.2 m, 1.4 m"
[[shrub]]
name = "box"
at = "2 m, -2 m"
height = "1 m"
[[fixture]]
id = "up"
lamp = "accent 36"
block = "wall"
along = "3 m"
out = "0.5 m"
"""
)


@pytest.fixture(scope="module")
def garden() -> Light:
    return unlit(GARDEN)


def test_bands_make_the_same_frame(garden: Light, monkeypatch: pytest.MonkeyPatch) -> None:
    camera = Camera(np.array([1.0, -6.5, 1.7]), np.array([0.3, 0, 1.0]), 60.0, 160, 91)
    whole = frame_of(garden, camera, 2)
    monkeypatch.setattr(canvas_module, "BAND_PIXELS", 9000)
    banded = frame_of(garden, camera, 2)
    assert whole.shape == banded.shape == (182, 320, 4)
    # Along edges a pixel may fall to the other side; elsewhere only the last digits differ.
    scale = np.abs(whole[..., :3]).max(axis=-1, keepdims=True) + 1e-6
    differ = (np.abs(banded - whole)[..., :3] > 1e-3 * scale).any(axis=-1)
    assert differ.mean() < 0.005
    surface = whole[..., 0] >= 0
    assert banded[..., :3][surface].sum() == pytest.approx(whole[..., :3][surface].sum(), rel=2e-3)


def test_the_same_frame_twice(garden: Light) -> None:
    assert (frame_of(garden) == frame_of(garden)).all()


def test_a_wide_picture_is_the_narrow_one_at_a_larger_scale(wall: Light) -> None:
    """Twice the scale, averaged two by two, is the same picture but for its edges."""
    light = lit(wall, lambda name: 100.0)
    one, two = frame_of(light), frame_of(light, scale=2)
    mean = two.reshape(90, 2, 160, 2, 4).mean(axis=(1, 3))
    assert (np.abs(mean - one) < 1e-3 * np.abs(one).max()).all(axis=-1).mean() > 0.97


def resident_mb() -> float:
    with open("/proc/self/statm", encoding="ascii") as statm:
        return int(statm.read().split()[1]) * 4096 / 1e6


def test_twenty_frames_take_no_more_memory_than_two(garden: Light) -> None:
    canvas = canvas_module.Canvas(garden.field.site.geometry)
    canvas.show(garden)
    camera = Camera(FRONT.eye, FRONT.target, 50.0, 960, 540)  # 8.3 MB a frame
    for _ in range(2):
        canvas.draw(camera, 1)
    before = resident_mb()
    for _ in range(20):
        canvas.show(garden)
        canvas.draw(camera, 1)
    assert resident_mb() - before < 25  # one frame kept each time would be 166
    canvas.close()


@pytest.mark.parametrize(
    ("eye", "target"),
    [((0, 0.5, 1.5), (0, 5, 1.5)), ((0, 0.5, 1.5), (0, -5, 1.5)), ((0, 6, 1.5), (0, 0, 1.5)),
     ((0, -3, -2), (0, 0, 2)), ((0, -0.01, 1), (0, 5, 1)), ((0, -5, 30), (0, -5, 0)), ((0, 0, 1900), (0, 0.1, 0))],
    ids=["inside", "inside out", "behind", "under ground", "at the wall", "straight down", "far up"],
)  # fmt: skip
def test_odd_places_show_nothing_absurd(garden: Light, eye: tuple, target: tuple) -> None:
    frame = frame_of(garden, Camera(np.array(eye, float), np.array(target, float), 70.0, 96, 64))
    surface = frame[frame[..., 0] > -0.5]
    assert np.isfinite(frame).all()
    most = max(float(v.max()) for v in garden.patches if v is not None) / np.pi
    assert (surface[..., :3] >= 0).all() and surface[..., :3].max(initial=0) <= 1.6 * most
    assert set(np.unique(frame[..., 3])) <= {0.0, 1.0}


# --- a job's stills -------------------------------------------------------------------------------

STREET = View(name="street", eye_m=(0, -6, 1.6), target_m=(0, 0, 1.6))


def test_the_exposure_is_the_jobs_whatever_is_switched_on(garden: Light) -> None:
    """A and B are compared at one exposure: that of the design, whichever is drawn first."""
    dimmed = mix(garden.field, State({"up": 0.05}, {}))
    first = draw(dimmed, STREET, (96, 64))
    designed = draw(garden, STREET, (96, 64))
    again = draw(dimmed, STREET, (96, 64))
    assert first.ev100 == designed.ev100 == again.ev100
    assert develop(again)[:20].mean() < develop(designed)[:20].mean()


def test_sites_that_are_drawn_no_more_are_let_go(wall: Light) -> None:
    """A long session over many scenes holds the maps of one or two, not of all."""
    fields = []
    for k in range(4):
        light = unlit(GARDEN.replace('along = "3 m"', f'along = "{2 + k / 2} m"'))
        draw(light, STREET, (64, 64))
        fields.append(weakref.ref(light.field))
        del light
    gc.collect()
    assert sum(field() is not None for field in fields) <= 1
