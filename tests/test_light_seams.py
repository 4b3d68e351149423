"""Where two pieces of one plane meet, light is the same on either side, and what an exact point has.

Pieces have gather lines of their own: closer together at the foot of what stands, wider on open
lawn. Exact points (``at_points``) neither know the lines nor the pieces.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import shapely
from shapely import affinity

STEP_M = 0.17

GARDEN = """
[site]
ambient = "0.05 lx"

[moon]
illuminance = "0.2 lx"
bearing = "165 deg"
elevation = "25 deg"

[ground]
material = "grass"
size = "26 m, 22 m"

[[block]]
name = "house"
at = "-4 m, 2 m"
size = "9 m, 5 m"
height = "3 m"
roof = { kind = "gable", pitch = "35 deg", overhang = "0.3 m" }

[[wall]]
name = "garden wall"
line = ["5 m, -6 m", "9 m, -4 m"]
height = "0.9 m"

[[path]]
name = "path"
line = ["-1 m, 2 m", "-2 m, -4 m", "3 m, -10 m"]
width = "1.2 m"

[[bed]]
name = "bed"
centre = "-7 m, -1 m"
size = "3 m, 2 m"

[lamps.up]
kind = "beam"
beam = "50 deg"
flux = "600 lm"
loss_factor = 1.0
body = "none"

[[fixture]]
id = "first"
lamp = "up"
at = "-2.5 m, 1.2 m, 0.1 m"
bearing = "0 deg"
elevation = "70 deg"

[[fixture]]
id = "second"
lamp = "up"
at = "3 m, 1.3 m, 0.1 m"
bearing = "0 deg"
elevation = "70 deg"
"""


def in_plane(site, patch, first):
    """A patch's outline in the (u, v) of another in its plane."""
    turn = [patch.eu @ first.eu, patch.ev @ first.eu, patch.eu @ first.ev, patch.ev @ first.ev]
    shift = patch.origin - first.origin
    return affinity.affine_transform(patch.outline, [*turn, shift @ first.eu, shift @ first.ev])


def shared_edges(site):
    """Pairs of patch numbers, and places (n, 3) along the edge that they share and nothing covers."""
    planes: dict[tuple, list[int]] = {}
    for number, patch in enumerate(site.patches):
        if patch.kind != "glass" and not patch.tube:
            plane = np.append(patch.normal, patch.normal @ patch.origin)
            planes.setdefault((*(np.round(plane, 3) + 0.0),), []).append(number)
    for numbers in planes.values():
        first = site.patches[numbers[0]]
        outlines = [in_plane(site, site.patches[number], first) for number in numbers]
        for (a, one), (b, other) in itertools.combinations(zip(numbers, outlines, strict=True), 2):
            if not one.dwithin(other, 1e-4):
                continue
            common = one.boundary.intersection(other.boundary.buffer(1e-4))
            if common.length < 2 * STEP_M:
                continue
            along = [
                part.interpolate(at).coords[0]
                for part in shapely.get_parts(common)
                for at in np.arange(STEP_M / 2, part.length, STEP_M)
            ]
            if not along:
                continue
            places = first.origin + np.array(along) @ np.stack([first.eu, first.ev])
            near = [
                places + 0.004 * first.normal + 0.03 * (x * first.eu + y * first.ev)
                for x, y in itertools.product((-1, 0, 1), repeat=2)
            ]
            free = ~np.any([s.holds(p, -0.004) for s in site.solids for p in near], axis=0)
            if free.any():
                yield a, b, places[free]


def on_side(scene, number: int, places):
    """Light between surfaces on one patch's own grid, at places (n, 3) on its edge [lx]."""
    from conftest import LUMINOUS

    from nightview.light.layout import linear_weights

    patch, grid = scene.site.patches[number], scene.field.layout.patch_rows[number]
    at_u, at_v = ((places - patch.origin) @ way for way in (patch.eu, patch.ev))
    values = (scene.light.rows @ LUMINOUS)[grid.rows]
    weight_u, weight_v = linear_weights(grid.u, at_u), linear_weights(grid.v, at_v)
    return np.einsum("nv,vu,nu->n", weight_v, values, weight_u)


@pytest.fixture(scope="module")
def garden(lit):
    """The scene and, of all shared edges, the pairs of patches with their places."""
    scene = lit(GARDEN)
    return scene, list(shared_edges(scene.site))


def test_both_sides_of_an_edge_have_the_same_light(garden):
    scene, edges = garden
    cut, across = [], []
    for a, b, along in edges:
        one, other = on_side(scene, a, along), on_side(scene, b, along)
        lux = np.maximum((one + other) / 2, 0.03)  # below that no eye sees a step
        patch, beside = scene.site.patches[a], scene.site.patches[b]
        if patch.material == beside.material:
            cut.append(np.abs(one - other) / lux)
        elif patch.normal[2] > 0.99:
            across.append(np.abs(one - other) / lux)
    for what, parts in (("cut in two", cut), ("of grass, path and bed", across)):
        step = np.concatenate(parts)
        print(what, len(step), np.quantile(step, [0.5, 0.9, 0.95, 0.99, 1.0]).round(4))
        assert len(step) > 200
        # The eye sees steps of 1 to 2 % (Weber's fraction); a few are at the site's very end and
        # where a garden wall's foot lies just beyond a piece's last line.
        assert np.quantile(step, 0.95) < 0.01
        assert np.quantile(step, 0.99) < 0.05
        assert step.max() < 0.25


def test_light_on_an_edge_is_that_of_an_exact_point(garden):
    # By the moon, which lights whole walls: from all other lights' small bright spots the ground gets
    # a few of 96 rays.
    scene, edges = garden
    scene = scene.only("moon")
    level = [edge for edge in edges if scene.site.patches[edge[0]].normal[2] > 0.99]
    places = np.concatenate([along for *_, along in level])
    sides = np.concatenate(
        [np.stack([on_side(scene, k, along) for k in (a, b)], axis=1) for a, b, along in level]
    )
    chosen = np.random.default_rng(1).choice(len(places), 200, replace=False)
    direct, total = scene.at(places[chosen], [0.0, 0.0, 1.0], rays=2048)
    exact = total - direct
    off = np.abs(sides[chosen] - exact[:, None]) / np.maximum(exact, 0.1 * exact.max())[:, None]
    print("edges against points", np.quantile(off, [0.5, 0.9, 1.0]).round(3))
    assert sides[chosen].mean() == pytest.approx(exact.mean(), rel=0.02)
    assert np.quantile(off, 0.5) < 0.03
    assert np.quantile(off, 0.9) < 0.12
