"""Mirrors: Fresnel's published values, and what panes and ponds show, in closed form."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from nightview.light.field import Light, mix, trace
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.mirrors import DARK_ROOM_CD_M2, fill_mirrors, fresnel, pane
from nightview.scene.read import parse
from nightview.site.build import build


def cosines(*degrees: float) -> np.ndarray:
    return np.cos(np.radians(np.array(degrees))).astype(np.float32)


# --- Fresnel --------------------------------------------------------------------------------------


def test_straight_on() -> None:
    """n = 1.52: 4.26 % a face, 8.17 % a pane; water, n = 1.33: 2.01 %."""
    straight = cosines(0.0)
    assert fresnel(straight, 1.52)[0] == pytest.approx(((1.52 - 1) / (1.52 + 1)) ** 2, rel=1e-5)
    assert fresnel(straight, 1.52)[0] == pytest.approx(0.0426, abs=5e-5)
    assert pane(straight)[0] == pytest.approx(0.0817, abs=5e-5)
    assert fresnel(straight, 1.33)[0] == pytest.approx(0.0201, abs=5e-5)


@pytest.mark.parametrize("index", [1.33, 1.5, 1.52])
def test_at_brewsters_angle(index: float) -> None:
    """tan θ = n: of the light polarised along the plane nothing is mirrored, of the other
    ((n² − 1)/(n² + 1))²; for n = 1.52 that is at 56.7°."""
    angle = np.degrees(np.arctan(index))
    across = ((index**2 - 1) / (index**2 + 1)) ** 2
    assert fresnel(cosines(angle), index)[0] == pytest.approx(across / 2, rel=1e-4)
    if index == 1.52:
        assert angle == pytest.approx(56.7, abs=0.05)


def test_published_rows() -> None:
    """Unpolarised, n = 1.5, by angle: worked from Fresnel's equations in sine and tangent form,
    sin²(a − b)/sin²(a + b) and tan²(a − b)/tan²(a + b), which the code does not use."""
    for degrees in (10.0, 30.0, 45.0, 60.0, 75.0, 85.0):
        a = np.radians(degrees)
        b = np.arcsin(np.sin(a) / 1.5)
        wanted = 0.5 * ((np.sin(a - b) / np.sin(a + b)) ** 2 + (np.tan(a - b) / np.tan(a + b)) ** 2)
        assert fresnel(cosines(degrees), 1.5)[0] == pytest.approx(wanted, rel=1e-4)
    # The figures every optics text gives: 4.0 % straight on, 8.9 % at 60°, all at 90°.
    assert fresnel(cosines(0, 60, 90), 1.5) == pytest.approx([0.04, 0.0892, 1.0], abs=1e-3)


def test_a_pane_is_two_faces() -> None:
    """F + (1 − F)²·F·(1 + F² + F⁴ …), summed here term by term."""
    for degrees in (0.0, 40.0, 70.0):
        f = float(fresnel(cosines(degrees), 1.52)[0])
        total = f + sum((1 - f) ** 2 * f ** (2 * k + 1) for k in range(200))
        assert pane(cosines(degrees))[0] == pytest.approx(total, rel=1e-4)


def test_mirrors_more_the_flatter_the_look() -> None:
    shares = pane(cosines(*range(0, 91)))
    assert (np.diff(shares[60:]) > 0).all() and shares[90] == pytest.approx(1.0, abs=1e-5)
    assert ((shares >= 0.081) & (shares <= 1)).all()


# --- panes ----------------------------------------------------------------------------------------

COURT = """
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
glow = "{glow} cd/m^2"
[[block]]
name = "screen"
at = "-9 m, -7 m"
size = "18 m, 1 m"
height = "12 m"
material = "grey"
roof.kind = "flat"
[materials.grey]
rgb = [0.6, 0.5, 0.4]
"""


pytestmark = pytest.mark.usefixtures("graphics")


def lit_alone(text: str, name: str, lux: float) -> Light:
    """The scene with so much light on the patches of one name and none elsewhere."""
    light = mix(trace(build(parse(text))))
    patches = [
        None if values is None else np.full_like(values, lux * (patch.name == name))
        for patch, values in zip(light.field.site.patches, light.patches, strict=True)
    ]
    return dataclasses.replace(light, patches=patches, rows=np.zeros_like(light.rows))


def shown(light: Light, camera: Camera) -> np.ndarray:
    """The frame with its mirrors filled in, (h, w, 3), and no sky."""
    canvas = Canvas(light.field.site.geometry)
    canvas.show(light)
    frame = canvas.draw(camera, 1)
    canvas.close()
    assert (frame[..., 0] < -0.5).any()
    fill_mirrors(frame, camera, 1, light)
    assert (frame[..., :3] >= 0).all()
    return frame[..., :3]


@pytest.mark.parametrize("aside", [0.0, 2.0, 4.0])
def test_a_pane_shows_the_wall_across_by_its_share(aside: float) -> None:
    light = lit_alone(COURT.format(glow=0), "screen back wall", 1000.0)
    camera = Camera(np.array([aside, -3.0, 2.0]), np.array([0.0, 0, 2]), 20.0, 121, 81)
    frame = shown(light, camera)
    cosine = 3.0 / np.hypot(3.0, aside)
    share = pane(np.array([cosine], np.float32))[0]
    wanted = share * 1000.0 * np.array([0.6, 0.5, 0.4]) / np.pi + (1 - share) * DARK_ROOM_CD_M2
    assert frame[40, 60] == pytest.approx(wanted, rel=3e-3)


def test_a_pane_before_nothing_shows_a_dark_room() -> None:
    light = lit_alone(COURT.format(glow=0), "no such thing", 1.0)
    frame = shown(light, Camera(np.array([0, -3.0, 2.0]), np.array([0.0, 0, 2]), 20.0, 61, 41))
    share = pane(np.array([1], np.float32))[0]
    assert frame[20, 30] == pytest.approx((1 - share) * DARK_ROOM_CD_M2, rel=1e-2)


def test_the_mean_of_a_lit_room_is_the_stated_glow() -> None:
    dark = lit_alone(COURT.format(glow=0), "no such thing", 1.0)
    # The room behind the glass is lit now, without tracing what it lights outside.
    field = dataclasses.replace(dark.field, site=build(parse(COURT.format(glow=40))))
    light = dataclasses.replace(dark, field=field)
    camera = Camera(np.array([0, -3.0, 2.0]), np.array([0.0, 0, 2]), 60.0, 300, 300)
    canvas = Canvas(light.field.site.geometry)
    canvas.show(light)
    frame = canvas.draw(camera, 1)
    canvas.close()
    glass = frame[..., 0] < -0.5
    fill_mirrors(frame, camera, 1, light)
    ways = camera.ways(*np.meshgrid(np.arange(300) + 0.5, np.arange(300) + 0.5))
    luminance = (frame[..., :3] @ [0.2126, 0.7152, 0.0722])[glass] / (1 - pane(ways[..., 1][glass]))
    assert luminance.mean() == pytest.approx(40.0, rel=0.03)
    assert luminance.max() < 2 * 40.0 and luminance.min() > 0.4 * 40.0


# --- ponds ----------------------------------------------------------------------------------------

POND = """
[[pond]]
name = "pond"
outline = ["-6 m, -8 m", "6 m, -8 m", "6 m, 0 m", "-6 m, 0 m"]
ripple = {ripple}
[[block]]
name = "house"
at = "-6 m, 0.5 m"
size = "12 m, 1 m"
height = "8 m"
material = "grey"
roof.kind = "flat"
[materials.grey]
rgb = [0.6, 0.5, 0.4]
"""


def graded(ripple: float) -> Light:
    """Light on the house's front that grows with the height above the water: 100 lx a metre."""
    light = lit_alone(POND.format(ripple=ripple), "house front wall", 1.0)
    for patch, values in zip(light.field.site.patches, light.patches, strict=True):
        if patch.name == "house front wall":
            heights = patch.origin[2] + np.linspace(0, patch.size[1], len(values))
            values[:] = 100.0 * heights[:, None, None]
    return light


def test_still_water_mirrors_what_stands_beyond_it() -> None:
    camera = Camera(np.array([0.5, -7.0, 1.6]), np.array([0.0, 0, 0.0]), 40.0, 121, 81)
    frame = shown(graded(0.0), camera)
    for row, column in ((45, 60), (55, 20), (70, 100), (60, 60)):
        way = camera.ways(np.array([column + 0.5]), np.array([row + 0.5]))[0].astype(float)
        water = camera.eye + way * (camera.eye[2] / -way[2])
        assert -8 < water[1] < 0
        up = way * [1, 1, -1]
        reached = water + up * ((0.5 - water[1]) / up[1])  # on the house's front, at y = 0.5
        assert 0 < reached[2] < 8 and abs(reached[0]) < 6
        share = fresnel(np.array([-way[2]], np.float32), 1.33)[0]
        wanted = share * 100.0 * reached[2] * np.array([0.6, 0.5, 0.4]) / np.pi
        assert frame[row, column] == pytest.approx(wanted, rel=0.01)


def test_ripples_move_the_image_but_keep_its_brightness() -> None:
    """The lit upper half of the house: its edge in the water wavers, its brightness stays."""

    def half_lit(ripple: float) -> np.ndarray:
        light = graded(ripple)
        for values in light.patches:
            if values is not None:
                values[:] = 400.0 * (values > 200)
        camera = Camera(np.array([0.5, -7.0, 1.6]), np.array([0.0, -2, 0.0]), 60.0, 121, 81)
        frame = shown(light, camera)[50:, :, 0]  # water alone
        return frame

    still, moved = half_lit(0.0), half_lit(0.5)
    ends = [np.argmax(frame > 0.5, axis=0) for frame in (still, moved)]
    line = np.polyval(np.polyfit(np.arange(121), ends[0], 1), np.arange(121))
    assert np.abs(ends[0] - line).max() < 1.5  # a straight edge
    assert np.abs(ends[1] - line).max() > 3
    assert moved.mean() == pytest.approx(still.mean(), rel=0.1)
