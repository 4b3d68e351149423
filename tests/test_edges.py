"""Edges and leaves as drawn: samples within a pixel, and what softening may not change."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.picture.camera import Camera
from nightview.picture.draw import SAMPLES_PX
from nightview.picture.leaves import AROUND_M, BENT_SHARE, softened
from nightview.scene.read import parse
from nightview.site.build import build


@pytest.mark.parametrize("pitch_deg", [0.0, -30.0, -85.0, 60.0])
def test_a_turned_camera_moves_the_picture_and_does_not_tilt_it(pitch_deg: float) -> None:
    """Every place moves by the shift, times the stretch of a flat picture there, 1 to 1 + tan²."""
    pitch = np.radians(pitch_deg)
    target = np.array([3.0, 2.0, 1.6]) + [0.0, np.cos(pitch), np.sin(pitch)]
    camera = Camera(np.array([3.0, 2.0, 1.6]), target, 60.0, 1600, 900)
    x, y = np.meshgrid(np.linspace(1, 1599, 9), np.linspace(1, 899, 7))
    places = np.column_stack([x.ravel(), y.ravel()])
    points = camera.eye + 10.0 * camera.ways(places[:, 0], places[:, 1]).astype(float)
    for shift in SAMPLES_PX:
        moved = camera.turned(*shift).project(points)[0] - places
        across = (places - [800, 450]) * camera.pixel_tan
        most = 1.0 + (across**2).sum(axis=1, keepdims=True) * 2.0
        assert (np.abs(moved) <= np.abs(shift).max() * most + 0.002).all()
        middle = np.abs(across).max(axis=1) < 0.01
        assert moved[middle] == pytest.approx(
            np.tile(-np.array(shift), (middle.sum(), 1)), abs=5e-3
        )


def test_an_upright_edge_covers_pixels_in_even_steps() -> None:
    """A half plane that ends at x covers x of a pixel: within an eighth, in five steps; a two by
    two grid has three steps and is a quarter off. The same for a level edge."""
    for axis in (0, 1):
        ends = np.linspace(0.0, 1.0, 401)
        at = 0.5 + np.array(SAMPLES_PX)[:, axis]
        covered = (at[None] < ends[:, None]).mean(axis=1)
        assert len(np.unique(covered)) == 5
        assert np.abs(covered - ends).max() <= 0.125 + 1e-9


def test_softened_leaves_send_the_same_light() -> None:
    site = build(parse('[[tree]]\nname = "t"\nat = "0 m, 0 m"\nheight = "6 m"\n'))
    (crown,) = site.crowns
    rng = np.random.default_rng(3)
    sides = rng.exponential(1.0, (len(crown.centre), 2, 3)).astype(np.float32)
    soft = softened(crown, sides)
    assert soft.mean(axis=(0, 1)) == pytest.approx(sides.mean(axis=(0, 1)), rel=1e-4)
    # Independent leaves: a variance of (1 − s)² and somewhat more, from the groups' own means.
    spread = soft.std() / sides.std()
    assert 1 - BENT_SHARE <= spread < 1 - BENT_SHARE + 0.2
    # Light on what faces the lamp does not come through to what faces away.
    to_lamp = np.stack([crown.normal[:, 0] > 0, crown.normal[:, 0] <= 0], axis=1)
    one_sided = np.repeat(to_lamp[..., None], 3, axis=2).astype(np.float32)
    assert not softened(crown, one_sided)[~to_lamp].any()
    # A crown evenly lit stays as it is, and light does not wander further than a cube.
    even = np.full_like(sides, 2.0)
    assert softened(crown, even) == pytest.approx(even, rel=1e-6)
    lit = np.zeros_like(sides)
    lit[crown.centre[:, 0] > 0] = 1.0
    far = crown.centre[:, 0] < -AROUND_M
    assert not softened(crown, lit)[far].any()
