"""Which nodes lie inside an outline, against shapely, a general-purpose geometry library."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity

from nightview.light.grids import inside


def by_shapely(outline, u, v):
    grid_u, grid_v = np.meshgrid(u, v)
    return shapely.contains_xy(outline, grid_u, grid_v)


@pytest.mark.parametrize("seed", range(30))
def test_random_polygons(seed):
    rng = np.random.default_rng(seed)
    ring = rng.random((int(rng.integers(3, 25)), 2)) * [4, 3]
    outline = shapely.make_valid(shapely.Polygon(ring))  # with holes, in several parts
    hole = affinity.translate(shapely.Point(0, 0).buffer(0.4), *(rng.random(2) * [4, 3]))
    outline = shapely.difference(outline, hole)
    parts = [part for part in shapely.get_parts(outline) if part.geom_type == "Polygon"]
    outline = shapely.union_all(parts)
    u, v = np.sort(rng.random(70)) * 4, np.linspace(0, 3, 50)
    expected = by_shapely(outline, u, v)
    assert expected.any()
    assert not expected.all()
    assert (inside(outline, u, v) == expected).all()


def test_nodes_on_edges_and_corners_are_outside():
    # All corners and edges of a wall with two openings lie on nodes, as a wall's often do.
    wall = shapely.box(0, 0, 4, 3)
    holes = shapely.union(shapely.box(1, 1, 2, 2), shapely.box(2.5, 0, 3.5, 2.25))
    outline = shapely.difference(wall, holes)
    u, v = np.linspace(-0.25, 4.25, 19), np.linspace(-0.25, 3.25, 15)
    found = inside(outline, u, v)
    assert (found == by_shapely(outline, u, v)).all()
    assert not found[np.isclose(v, 1.0)][0, np.isclose(u, 1.0)][0]
    assert found[np.isclose(v, 0.5)][0, np.isclose(u, 0.5)][0]
