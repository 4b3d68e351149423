"""What the photo itself says: bars of windows, a hazy sky, the blurred edge of a shadow.

Photos here are made by hand from the model's own pixels, so that what is to be found is known.
"""

from __future__ import annotations

import numpy as np
import pytest
from conftest import LUMINOUS
from scipy import ndimage

from nightview.light.rays import Tracer
from nightview.photo.daylight import World, daylight_of
from nightview.photo.mattes import mattes_of
from nightview.photo.panes import panes_of
from nightview.photo.pixels import Pixels, pixels_of
from nightview.photo.reflectance import recovered
from nightview.photo.skylight import Sky
from nightview.photo.sun import Sun
from nightview.picture.camera import Camera
from nightview.scene.read import parse
from nightview.site.build import Site, build

WINDOW = """
[ground]
size = "40 m, 40 m"
[[block]]
name = "house"
at = "-4 m, 0 m"
size = "8 m, 6 m"
height = "3 m"
[[opening]]
name = "window"
block = "house"
along = "4 m"
sill = "0.8 m"
size = "1.6 m, 1.4 m"
panes = [1, 1]
"""
CLOSE = Camera(np.array([0.4, -4.5, 1.6]), np.array([0, 0, 1.5]), 40.0, 320, 240)
GLASS, BAR, CURTAIN = 0.03, 0.6, 0.5
ACROSS, UP, WIDE = (0.33, 0.66), (0.5,), 0.03
"""Where the photo has bars, as shares of the pane, and how wide they are [m]."""


def looked_at(text: str, camera: Camera) -> tuple[Site, Pixels]:
    site = build(parse(text, "test", "."))
    return site, pixels_of(site.geometry, Tracer(site.geometry), camera)


def window_photo(pixels: Pixels, bars: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A photo of a window with a bright curtain over its left part, its pane and its bars."""
    pane = pixels.solid.where("glass")
    number = pixels.solid.surface[pane][0]
    wide, tall = pixels.solid.geometry.patches[number].size
    u, v = pixels.solid.uv.T
    lines = [np.abs(u - share * wide) < WIDE / 2 for share in ACROSS]
    lines += [np.abs(v - share * tall) < WIDE / 2 for share in UP]
    bar = pane & np.any(lines, axis=0) & bars
    tone = np.full(len(pane), 0.3)
    tone[pane] = GLASS
    tone[pane & (u < 0.3 * wide) & (v > 0.15 * tall)] = CURTAIN
    tone[bar] = BAR
    shape = pixels.shape
    photo = ndimage.gaussian_filter(tone.reshape(shape), 0.6)
    photo = photo * np.exp(np.random.default_rng(2).normal(0, 0.05, shape))
    return np.repeat(photo[..., None], 3, 2).astype(np.float32), pane.reshape(shape), bar.reshape(shape)  # fmt: skip


def test_bars_are_whole_though_a_curtain_hides_a_part_of_them():
    # The level bar is as bright as the curtain (a step of 1.2 alone) for a third of its length.
    _, pixels = looked_at(WINDOW, CLOSE)
    photo, pane, bar = window_photo(pixels, True)
    share = panes_of(photo, pixels, 2.0)
    core = ndimage.binary_erosion(bar)
    clear = ndimage.binary_erosion(pane & ~bar, iterations=2)
    assert core.sum() > 300
    assert (share[core] < 0.3).mean() > 0.98
    assert (share[clear] > 0.7).mean() > 0.98


def test_where_the_photo_shows_no_bar_the_models_are_believed():
    _, plain = looked_at(WINDOW, CLOSE)
    photo, pane, _ = window_photo(plain, False)
    assert (panes_of(photo, plain, 2.0)[ndimage.binary_erosion(pane, iterations=2)] > 0.7).all()
    _, barred = looked_at(WINDOW.replace("[1, 1]", "[2, 2]"), CLOSE)
    model = barred.solid.where("glass").reshape(pane.shape)
    share = panes_of(photo, barred, 2.0)
    between = ndimage.binary_erosion(pane & ~model & ndimage.binary_closing(model, iterations=4))
    assert between.sum() > 50 and (share[between] < 0.3).mean() > 0.9


def test_a_hazy_sky_behind_a_white_house_is_sky_down_to_the_horizon():
    _, pixels = looked_at(
        WINDOW, Camera(np.array([0, -14.0, 1.6]), np.array([0, 0, 3.0]), 70.0, 240, 180)
    )
    solid = (pixels.solid.surface >= 0).reshape(pixels.shape)
    rise = np.maximum(pixels.ways[:, 2], 0).reshape(pixels.shape)[..., None]
    blue, haze = np.array([0.12, 0.25, 0.55]), np.array([0.75, 0.8, 0.85])
    photo = blue + (haze - blue) * np.exp(-rise / 0.12)  # as white as the house, near the ground
    photo[solid] = (0.78, 0.76, 0.72)
    photo *= np.exp(np.random.default_rng(1).normal(0, 0.02, photo.shape))
    sky = mattes_of(photo.astype(np.float32), pixels).sky
    above = ndimage.binary_erosion(~solid & (rise[..., 0] > 0.0), iterations=3)
    assert above.sum() > 5000
    assert sky[above].mean() > 0.99
    assert sky[ndimage.binary_erosion(solid, iterations=3)].max() < 0.05


SHADE = """
[ground]
size = "200 m, 200 m"
material = "grey"
[materials.grey]
rgb = [0.3, 0.3, 0.3]
[[wall]]
name = "wall"
line = ["-60 m, 0 m", "60 m, 0 m"]
height = "4 m"
thickness = "0.2 m"
material = "grey"
"""


@pytest.mark.parametrize("uneven", [1.0, 1.4])
def test_the_blurred_edge_of_a_shadow_leaves_no_line(uneven):
    # Level ground of one reflectance half in a wall's shadow; the photo's edge is blurred over some
    # pixels and lies 2 px beside the model's, and its shade is brighter than the model says by a factor.
    site, pixels = looked_at(
        SHADE, Camera(np.array([0, -14.0, 5.0]), np.array([0, -4.0, 0]), 60.0, 480, 320)
    )
    way = Sun(0.0, 45.0).way(0.0)
    days = daylight_of(
        World(site.geometry, Tracer(site.geometry), Sky(way), np.full(3, 0.3)), pixels
    )
    day, shape = days[0], pixels.shape
    sun = 6.0
    clear = ndimage.gaussian_filter(
        ndimage.shift(day.clear.reshape(shape), (2, 0), order=0, mode="nearest"), 1.5
    ).ravel()
    dark, lit = (day.lux(sun, np.full_like(day.clear, share)) for share in (0.0, 1.0))
    light = (uneven * (1 - clear))[:, None] * dark + clear[:, None] * lit
    photo = (0.3 * light / light.max() * 2.5).clip(0, 0.95).reshape(*shape, 3).astype(np.float32)
    found = recovered(photo, pixels, days, mattes_of(photo, pixels), None, way)
    ground = pixels.solid.normal[:, 2] > 0.9
    depth = -pixels.solid.point[:, 1]
    here = ground & (depth > 3.0) & (depth < 5.5) & (np.abs(pixels.solid.point[:, 0]) < 4)
    tone = (found.solid @ LUMINOUS)[here]
    assert found.sun_measured and here.sum() > 2000
    assert np.percentile(tone, 1) > 0.88 * np.median(tone)
    assert np.percentile(tone, 99) < 1.12 * np.median(tone)
