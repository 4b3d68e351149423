"""Daylight on a photo: the sun's place, the two skies, what reaches a surface, colours told apart."""

from __future__ import annotations

import datetime
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from nightview.errors import NightviewError
from nightview.light.gather import sphere_set
from nightview.light.rays import Tracer
from nightview.photo.daylight import World, daylight_of
from nightview.photo.mattes import told_apart
from nightview.photo.pixels import pixels_of
from nightview.photo.skylight import Sky, sun_to_sky
from nightview.photo.spread import mean_around
from nightview.photo.sun import Sun, refraction_deg, sun_at, sun_from_shadow
from nightview.picture.camera import Camera
from nightview.scene.read import parse
from nightview.site.build import build

SCENES = Path(__file__).parents[1] / "scenes"


def hours(offset: float) -> datetime.timezone:
    return datetime.timezone(datetime.timedelta(hours=offset))


# --- the sun --------------------------------------------------------------------------------------


def test_sun_against_the_published_example():
    # I. Reda & A. Andreas, "Solar position algorithm for solar radiation applications", NREL
    # TP-560-34302 (2008), appendix A.5: zenith 50.11162 deg, azimuth 194.34024 deg.
    when = datetime.datetime(2003, 10, 17, 12, 30, 30, tzinfo=hours(-7))
    sun = sun_at(when, 39.742476, -105.1786)
    assert sun.elevation_deg == pytest.approx(90 - 50.11162, abs=0.02)
    assert sun.bearing_deg == pytest.approx(194.34024, abs=0.02)


@pytest.mark.parametrize(
    ("day", "latitude", "height"),
    [
        # At noon the sun stands 90° − |latitude − declination| high; its declination is 23.44° at the
        # June solstice, −23.44° at the December one, 0 at the equinoxes.
        ((2026, 6, 21), 50.0, 90 - 50 + 23.44),
        ((2026, 12, 21), 50.0, 90 - 50 - 23.44),
        ((2026, 3, 20), 0.0, 90.0),
        ((2026, 6, 21), -33.0, 90 - 33 - 23.44),
    ],
)
def test_sun_at_its_highest(day, latitude, height):
    start = datetime.datetime(*day, 10, tzinfo=datetime.UTC)
    suns = [sun_at(start + datetime.timedelta(minutes=m), latitude, 0.0) for m in range(0, 240, 1)]
    highest = max(suns, key=lambda sun: sun.elevation_deg)
    true = highest.elevation_deg - refraction_deg(height)
    assert true == pytest.approx(height, abs=0.2)
    if height < 85:
        assert highest.bearing_deg % 180 == pytest.approx(0, abs=1) or highest.bearing_deg > 179


def test_sun_is_one_in_all_time_zones_and_rises_in_the_east():
    here = datetime.datetime(2026, 9, 12, 12, 40, tzinfo=hours(2))
    there = here.astimezone(hours(-8))
    one, other = (sun_at(when, 48.7, 8.0) for when in (here, there))
    assert one.bearing_deg == pytest.approx(other.bearing_deg)
    morning = sun_at(here.replace(hour=8), 48.7, 8.0)
    assert 70 < morning.bearing_deg < 110


def test_refraction_at_the_horizon():
    # About half a degree there and a minute of arc at 45° [handbooks, e.g. Meeus, from memory].
    assert refraction_deg(0.0) == pytest.approx(0.5, abs=0.1)
    assert refraction_deg(45.0) == pytest.approx(1 / 60, abs=0.004)


def test_a_time_without_zone_and_a_year_far_off_are_refused():
    with pytest.raises(NightviewError, match="time zone"):
        sun_at(datetime.datetime(2026, 6, 1, 12), 50, 8)
    with pytest.raises(NightviewError, match="1950 to 2050"):
        sun_at(datetime.datetime(1907, 6, 1, 12, tzinfo=datetime.UTC), 50, 8)


def test_the_sun_from_a_shadow_is_the_sun_that_throws_it():
    sun = Sun(205.0, 38.0)
    way = sun.way(30.0)
    point = np.array([1.0, 2.0, 3.0])
    tip = point - way * (point[2] / way[2])
    found = sun_from_shadow(point, tip, 30.0)
    assert found.bearing_deg == pytest.approx(205.0)
    assert found.elevation_deg == pytest.approx(38.0)
    with pytest.raises(NightviewError, match="no lower"):
        sun_from_shadow(tip, point, 30.0)


def test_the_demo_photo_was_taken_at_its_stated_time():
    pytest.importorskip("mitsuba")
    sys.path.insert(0, str(SCENES))
    try:
        import photo_demo
    finally:
        sys.path.pop(0)
    photo = tomllib.loads((SCENES / "photo-demo.toml").read_text())["photo"][0]
    place = (float(photo[key].split()[0]) for key in ("latitude", "longitude"))
    sun = sun_at(photo["time"], *place)
    assert sun.bearing_deg == pytest.approx(photo_demo.SUN_BEARING_DEG, abs=0.3)
    assert sun.elevation_deg == pytest.approx(photo_demo.SUN_ELEVATION_DEG, abs=0.3)


# --- the skies ------------------------------------------------------------------------------------


def rays(count: int = 1 << 16) -> np.ndarray:
    return sphere_set(count).astype(float)


def on(normal, sky: Sky) -> float:
    ways = rays()
    return float(4 * np.pi * (sky.luminance(ways) * np.maximum(ways @ normal, 0)).mean())


@pytest.mark.parametrize("sun", [None, Sun(180, 20).way(0), Sun(120, 60).way(0)])
def test_a_sky_brings_one_lux_to_level_ground(sun):
    assert on(np.array([0, 0, 1.0]), Sky(sun)) == pytest.approx(1.0, rel=3e-3)


def test_overcast_sky():
    # Moon & Spencer 1942, CIE: the zenith three times as bright as the horizon. So a wall in the
    # open gets (π/6 + 4/9)/(7π/9) = 0.396 of what the ground gets.
    sky = Sky()
    low, high = sky.luminance(np.array([[1.0, 0, 0.0101], [0, 0, 1.0]]))
    assert high / low == pytest.approx(3.0, rel=0.03)
    assert on(np.array([0, -1.0, 0]), sky) == pytest.approx(
        (np.pi / 6 + 4 / 9) / (7 * np.pi / 9), rel=5e-3
    )


def test_clear_sky_is_the_general_sky_of_the_standard():
    # CIE S 011 / ISO 15469, type 12 ("clear, low illuminance turbidity"), as the standard states it:
    # La/Lz = f(χ)·φ(Z) / (f(Zs)·φ(0)), φ(Z) = 1 + a·exp(b/cos Z), f(χ) = 1 + c·(exp(dχ) − exp(dπ/2)) + e·cos²χ.
    a, b, c, d, e = -1.0, -0.32, 10.0, -3.0, 0.45
    sun = Sun(180, 45).way(0)
    ways = np.array([[0, 0, 1.0], [0.6, 0, 0.8], [0, -0.6, 0.8], [0, 0.8, 0.6]])

    def f(angle):
        return 1 + c * (np.exp(d * angle) - np.exp(d * np.pi / 2)) + e * np.cos(angle) ** 2

    def phi(cosine):
        return 1 + a * np.exp(b / cosine)

    wanted = f(np.arccos(ways @ sun)) * phi(ways[:, 2]) / (f(np.pi / 4) * phi(1.0))
    found = Sky(sun).luminance(ways)
    assert found / found[0] == pytest.approx(wanted, rel=1e-5)
    assert found[2] > found[3]  # brighter near the sun


def test_a_low_sun_is_weaker_beside_its_sky():
    assert sun_to_sky(5) < sun_to_sky(15) < sun_to_sky(30)
    assert 4 < sun_to_sky(45) < 9  # direct 80 to 100 klx, sky 10 to 20 klx: handbooks, from memory


# --- on surfaces ----------------------------------------------------------------------------------

WALL = """
[ground]
size = "200 m, 200 m"
material = "grey"
[materials.grey]
rgb = [0.3, 0.3, 0.3]
[materials.black]
rgb = [0, 0, 0]
[[wall]]
name = "wall"
line = ["-60 m, 0 m", "60 m, 0 m"]
height = "4 m"
thickness = "0.2 m"
material = "black"
"""


def day_on(text: str, sky: Sky, camera: Camera):
    site = build(parse(text, "test", "."))
    tracer = Tracer(site.geometry)
    pixels = pixels_of(site.geometry, tracer, camera)
    return pixels, daylight_of(World(site.geometry, tracer, sky, np.full(3, 0.3)), pixels)[0]


CAMERA = Camera(np.array([0, -12.0, 1.6]), np.array([0, 0, 1.0]), 60.0, 96, 64)


def test_daylight_on_a_wall_under_an_overcast_sky():
    # Half way up a long wall: 0.396 of the sky, and from ground of reflectance 0.3 half of its light,
    # less what the wall takes from the ground before it: 0.3 × 0.5 × (0.5 to 1).
    pixels, day = day_on(WALL, Sky(), CAMERA)
    met = pixels.solid.surface >= 0
    on_wall = (
        met & (pixels.solid.normal[:, 1] < -0.9) & (np.abs(pixels.solid.point[:, 2] - 2) < 0.5)
    )
    wall = float(np.median(day.sky[on_wall]))
    assert 0.396 + 0.075 < wall < 0.396 + 0.15
    far = met & (pixels.solid.normal[:, 2] > 0.9) & (pixels.solid.point[:, 1] < -7)
    # A long wall hides ½·(1 − cos θ) of an even sky from level ground that sees it θ high; of this one,
    # which is dimmer near the horizon, less.
    high = np.arctan(4 / (-0.1 - pixels.solid.point[far, 1]))
    hidden = 1 - day.sky[far].mean(axis=1)
    assert np.median(hidden / (0.5 * (1 - np.cos(high)))) == pytest.approx(0.7, abs=0.3)


def test_the_shadow_of_a_wall_is_as_long_as_the_sun_says():
    sun = Sun(0.0, 45.0)  # behind the wall, as north is +y: its shadow is as deep as it is high
    pixels, day = day_on(WALL, Sky(sun.way(0.0)), CAMERA)
    met = pixels.solid.surface >= 0
    ground = met & (pixels.solid.normal[:, 2] > 0.9)
    depth = -0.0 - pixels.solid.point[:, 1]
    assert day.clear[ground & (depth > 0.3) & (depth < 3.7)].max() == 0
    assert day.clear[ground & (depth > 4.3) & (depth < 9)].min() == 1
    assert day.toward[ground & (depth > 5)] == pytest.approx(np.sin(np.pi / 4), abs=1e-5)
    assert day.toward[met & (pixels.solid.normal[:, 1] < -0.9)].max() == 0


# --- colours --------------------------------------------------------------------------------------


def test_two_kinds_of_colours_are_told_apart_and_like_ones_are_not():
    rng = np.random.default_rng(4)
    leaf = np.exp(rng.normal(np.log([0.05, 0.1, 0.03]), 0.3, (900, 3)))
    brick = np.exp(rng.normal(np.log([0.3, 0.15, 0.1]), 0.3, (900, 3)))
    colours = np.concatenate([leaf, brick]).astype(np.float32)
    first = np.arange(1800) < 900
    score, apart = told_apart(
        colours, first & (np.arange(1800) % 3 == 0), ~first & (np.arange(1800) % 3 == 0)
    )
    assert apart > 3
    assert ((score > 0) == first).mean() > 0.97
    alike = np.exp(rng.normal(np.log(0.2), 0.3, (1800, 3))).astype(np.float32)
    assert told_apart(alike, first, ~first)[1] < 0.5
    assert told_apart(colours, first & (np.arange(1800) < 10), ~first)[1] == 0


def test_a_mean_around_of_what_is_alike_is_itself_and_weighs_by_nearness():
    shape = (60, 80)
    at = np.arange(0, 60 * 80, 7)
    wanted = np.array([20 * 80 + 30, 45 * 80 + 60])
    mean, weight = mean_around(np.full((len(at), 2), 3.0, np.float32), at, wanted, shape, 6.0)
    assert mean == pytest.approx(3.0, rel=1e-5)
    assert weight == pytest.approx(1 / 7, rel=0.1)
    left = (at % 80 < 40).astype(np.float32)[:, None]
    mean, _ = mean_around(left, at, wanted, shape, 6.0)
    # A Gaussian's share beyond an edge x away is Φ(x/σ): 10 px and 20 px here.
    assert mean[0, 0] == pytest.approx(0.952, abs=0.03)
    assert mean[1, 0] == pytest.approx(0.0, abs=0.01)
