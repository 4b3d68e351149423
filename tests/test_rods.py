"""Thin round things and palms: they fill the circle and the height that are stated."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.scene.read import parse
from nightview.site.build import build
from nightview.site.rods import rods


def area(mesh) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


@pytest.mark.parametrize(("radius", "sides"), [(0.004, 6), (0.05, 8), (0.5, 12)])
def test_a_rod_is_a_prism_with_more_sides_the_thicker_it_is(radius: float, sides: int) -> None:
    """The mantle of a regular prism of n sides in a circle: n·2r·sin(π/n)·length."""
    start, end = np.array([1.0, 2.0, 0.5]), np.array([1.5, 2.0, 2.5])
    mesh = rods("r", "r", "bark", [(start, end, radius, radius)])
    length = np.linalg.norm(end - start)
    assert area(mesh) == pytest.approx(sides * 2 * radius * np.sin(np.pi / sides) * length)
    axis = (end - start) / length
    out = mesh.vertices - start
    out -= (out @ axis)[:, None] * axis
    assert np.linalg.norm(out, axis=1) == pytest.approx(np.full(len(out), radius))
    assert mesh.normals == pytest.approx(out / radius, abs=1e-6)  # round, not faceted


@pytest.mark.parametrize("height", [4.0, 9.0])
def test_a_palm_ends_at_its_height_and_keeps_together(height: float) -> None:
    site = build(
        parse(
            f'[[tree]]\nname = "p"\nkind = "palm"\nat = "2 m, 1 m"\nheight = "{height} m"\n'
            'crown = "4 m"\n'
        )
    )
    (crown,) = site.crowns
    corners = crown.corners.reshape(-1, 3)
    assert corners[:, 2].max() == pytest.approx(height, abs=0.03)
    assert np.linalg.norm(corners[:, :2] - [2, 1], axis=1).max() == pytest.approx(2.0, rel=0.06)
    # From the head to the topmost leaflet there is no gap without any leaf.
    trunk = next(patch for patch in site.patches if patch.name == "p trunk")
    head = trunk.triangles[0][:, 2].max()
    assert 0.1 < height - head < 0.8
    heights = np.sort(np.append(crown.centre[crown.centre[:, 2] > head, 2], head))
    assert np.diff(heights).max() < 0.1
