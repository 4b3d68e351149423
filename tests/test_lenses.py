"""Lenses seen straight and mirrored, against closed forms: the mirror image and its brightness."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.field import Light, mix, trace
from nightview.picture.camera import Camera
from nightview.picture.glare import SmallLights
from nightview.picture.lenses import seen_lenses
from nightview.picture.mirrors import fresnel, pane, slopes
from nightview.scene.read import parse
from nightview.site.build import build

LANTERN = """
[lamps."globe"]
kind = "omni"
flux = "500 lm"
cct = "2700 K"
lens = "80 mm"
loss_factor = 1.0
body = "none"
[[fixture]]
id = "lantern"
lamp = "globe"
at = "{x} m, {y} m, {z} m"
"""
POND = """
[[pond]]
name = "pond"
outline = ["-8 m, -14 m", "8 m, -14 m", "8 m, 0 m", "-8 m, 0 m"]
ripple = {ripple}
"""
WINDOW = """
[[block]]
name = "house"
at = "-4 m, 0 m"
size = "8 m, 1 m"
height = "4 m"
roof.kind = "flat"
[[opening]]
name = "window"
block = "house"
along = "4 m"
sill = "0.5 m"
size = "3 m, 3 m"
panes = [1, 1]
reveal = "0 m"
"""
CANDELA = 500.0 / (4.0 * np.pi)


def lit(text: str) -> Light:
    return mix(trace(build(parse(text))))


def lights_of(light: Light, *eye: float) -> SmallLights:
    return seen_lenses(light, Camera(np.array(eye), np.zeros(3), 60.0, 160, 90))


def lux(lights: SmallLights) -> np.ndarray:
    return lights.illuminance_lx @ Y_WEIGHTS


def test_a_lens_in_a_pane_stands_behind_it() -> None:
    """Image at −y, light I·R/(d₁ + d₂)², as large as a lens that far away."""
    light = lit(WINDOW + LANTERN.format(x=-1, y=-3, z=2))
    eye = np.array([1.0, -2.0, 1.8])
    straight, mirrored = sorted(range(2), key=lambda k: -lux(lights_of(light, *eye))[k])
    lights = lights_of(light, *eye)
    lens, image = np.array([-1.0, -3.0, 2.0]), np.array([-1.0, 3.0, 2.0])
    for k, place in ((straight, lens), (mirrored, image)):
        away = np.linalg.norm(place - eye)
        assert lights.directions[k] == pytest.approx((place - eye) / away, abs=0.005)
        share = 1.0
        if k == mirrored:
            share = float(pane(np.array([(place - eye)[1] / away], np.float32))[0])
        assert lux(lights)[k] == pytest.approx(CANDELA * share / away**2, rel=0.02)
    # E = L·Ω: the image's light over its share and its solid angle is the lens's own luminance,
    # that of a disc of 80 mm, but for how edge-on the disc of the model is seen.
    size = np.radians(lights.radius_deg) * [np.linalg.norm(p - eye) for p in (lens, image)]
    assert (size <= 0.0401).all() and (size >= 0.0399 * np.sqrt(0.05)).all()


def test_no_image_beside_the_pane_or_behind_something() -> None:
    beside = lit(WINDOW + LANTERN.format(x=-3.5, y=-1, z=2))
    assert len(lights_of(beside, -3.5, -3.0, 1.8).directions) == 1  # the wall there has no glass
    screen = """
[[block]]
name = "screen"
at = "0.2 m, -1.6 m"
size = "0.6 m, 0.2 m"
height = "3.5 m"
roof.kind = "flat"
"""
    hidden = lit(WINDOW + screen + LANTERN.format(x=-1, y=-3, z=2))
    assert len(lights_of(hidden, 1.0, -3.0, 2.0).directions) == 1  # its image is behind the screen


@pytest.mark.parametrize("ripple", [0.0, 1e-4])
def test_a_lens_in_still_water(ripple: float) -> None:
    """Image at −z. With the faintest ripple it is found by search, and has the same light."""
    light = lit(POND.format(ripple=ripple) + LANTERN.format(x=1, y=1, z=2.5))
    eye = np.array([0.5, -15.0, 1.6])
    lights = lights_of(light, *eye)
    assert len(lights.directions) == 2
    k = int(np.argmin(lights.directions[:, 2]))
    level = min(patch.origin[2] for patch in light.field.site.patches if patch.kind == "water")
    image = np.array([1.0, 1.0, 2 * level - 2.5])
    away = np.linalg.norm(image - eye)
    assert lights.directions[k] == pytest.approx((image - eye) / away, abs=1e-3)
    share = float(fresnel(np.array([-(image - eye)[2] / away], np.float32), 1.33)[0])
    assert lux(lights)[k] == pytest.approx(CANDELA * share / away**2, rel=0.02)


def test_moving_water_strings_the_image_out_and_keeps_its_light() -> None:
    """Waves turn light aside but take none: over many eyes the mean is that of still water."""
    sums, stretch = {}, {}
    for ripple in (0.0, 1.0):
        light = lit(POND.format(ripple=ripple) + LANTERN.format(x=0, y=1.5, z=2.5))
        sums[ripple], stretch[ripple] = [], []
        for x in np.linspace(-3.0, 3.0, 121):
            lights = lights_of(light, float(x), -15.0, 1.6)
            down = lights.directions[:, 2] < 0
            sums[ripple].append(lux(lights)[down].sum())
            stretch[ripple].append(np.ptp(np.arcsin(lights.directions[down][:, 2])))
    assert np.degrees(np.median(stretch[1.0])) > 3.0
    assert max(stretch[0.0]) == 0.0
    assert np.mean(sums[1.0]) == pytest.approx(np.mean(sums[0.0]), rel=0.2)


def test_glints_lie_where_a_mirrored_ray_meets_the_lens() -> None:
    """The law of reflection, checked by following the ray back from the eye."""
    light = lit(POND.format(ripple=1.0) + LANTERN.format(x=0, y=1.5, z=2.5))
    eye, lens = np.array([0.0, -15.0, 1.6]), np.array([0.0, 1.5, 2.5])
    ways = lights_of(light, *eye).directions.astype(float)
    ways = ways[ways[:, 2] < 0]
    assert len(ways) > 5
    level = min(patch.origin[2] for patch in light.field.site.patches if patch.kind == "water")
    points = eye + ways * ((level - eye[2]) / ways[:, 2])[:, None]
    pond = light.field.site.scene.ponds[0]
    normal = np.column_stack([-slopes(points, pond), np.ones(len(points))])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    on = ways - 2 * np.einsum("ij,ij->i", ways, normal)[:, None] * normal
    miss = np.linalg.norm(np.cross(lens - points, on), axis=1)
    assert miss.max() < 0.02


def test_the_moon_lies_in_the_water() -> None:
    """At its own height below the horizon, E·R for still water, half a degree across."""
    moon = '\n[moon]\nilluminance = "0.2 lx"\nbearing = "0 deg"\nelevation = "12 deg"\n'
    light = lit(moon + POND.format(ripple=0.0))
    lights = lights_of(light, 0.0, -15.0, 1.6)
    assert len(lights.directions) == 1
    assert np.degrees(np.arcsin(lights.directions[0, 2])) == pytest.approx(-12.0, abs=0.01)
    share = float(fresnel(np.array([np.sin(np.radians(12.0))], np.float32), 1.33)[0])
    assert lux(lights)[0] == pytest.approx(0.2 * share, rel=0.01)
    assert lights.radius_deg[0] == pytest.approx(0.26, rel=0.01)
