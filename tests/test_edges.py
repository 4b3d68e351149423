"""Edges as drawn: samples within a pixel."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.picture.camera import Camera
from nightview.picture.draw import SAMPLES_PX


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
