"""The site's surfaces against closed forms: areas, heights, ways they face, gaps, and no leaks."""

from __future__ import annotations

import dataclasses
import itertools
import os
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from nightview.errors import NightviewError
from nightview.light.field import trace
from nightview.light.rays import Tracer
from nightview.scene.read import parse
from nightview.site import plants
from nightview.site.blocks import TUCK_M
from nightview.site.build import Site, build
from nightview.site.ground import smooth
from nightview.site.plants import HABITS
from nightview.site.rods import rods
from nightview.site.surface import Mesh, Patch

ROOFS = ("gable", "hip", "shed", "flat")

OPENINGS = """
[[opening]]
name = "door"
block = "house"
kind = "door"
along = "2 m"
sill = "0 m"
size = "1 m, 2.1 m"
[[opening]]
name = "pair"
block = "house"
along = "4.5 m"
size = "1.2 m, 1.3 m"
reveal = "0.2 m"
count = 2
spacing = "2 m"
[[opening]]
name = "garage"
block = "house"
side = "left"
kind = "garage door"
along = "3 m"
sill = "0 m"
size = "2.4 m, 2.1 m"
reveal = "0 m"
[[opening]]
name = "glazed"
block = "house"
side = "back"
kind = "glazed door"
along = "3 m"
sill = "0 m"
size = "1 m, 2.1 m"
"""


def house(roof: str = "gable", *, ridge: str = "along", overhang: float = 0.4, more: str = "",
          openings: str = "", pitch: float = 35) -> str:  # fmt: skip
    """A house of 8 × 6 m, 3 m to the eaves."""
    keys = f'kind = "{roof}"\nridge = "{ridge}"\noverhang = "{overhang} m"\npitch = "{pitch} deg"\n'
    return (
        '[[block]]\nname = "house"\nat = "1 m, 2 m"\nsize = "8 m, 6 m"\nheight = "3 m"\n'
        f"{more}\n[block.roof]\n{keys}{openings}"
    )


def site_of(text: str) -> Site:
    return build(parse(text))


def area(site: Site, *words: str) -> float:
    """Of all patches in whose name all the words are [m²]."""
    found = [
        patch.outline.area for patch in site.patches if all(w in patch.name.split() for w in words)
    ]
    assert found, words
    return sum(found)


def heights(site: Site, name: str) -> tuple[float, float]:
    """Lowest and highest place of the patches of a name [m]."""
    z = [patch.triangles[0][:, 2] for patch in site.patches if patch.name == name]
    return min(map(np.min, z)), max(map(np.max, z))


# --- houses ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("roof", ROOFS)
@pytest.mark.parametrize("ridge", ["along", "across"])
@pytest.mark.parametrize("overhang", [0.0, 0.4])
def test_areas_of_walls_and_roofs(roof: str, ridge: str, overhang: float) -> None:
    site = site_of(house(roof, ridge=ridge, overhang=overhang, openings=OPENINGS))
    slope = np.tan(np.radians(35))
    walls = {"front": 24.0, "back": 24.0, "left": 18.0, "right": 18.0}
    length, span = (8.0, 6.0) if ridge == "along" else (6.0, 8.0)
    ends = ("left", "right") if ridge == "along" else ("front", "back")
    if roof == "gable":
        for end in ends:
            walls[end] += span / 2 * (span / 2 * slope)
    if roof == "shed":
        for end in ends:
            walls[end] += span / 2 * (span * slope)
        walls["back" if ridge == "along" else "right"] += length * span * slope
    openings = {"front": 2.1 + 2 * 1.2 * 1.3, "left": 2.4 * 2.1, "back": 2.1, "right": 0.0}
    for side, whole in walls.items():
        tucked = TUCK_M * (8 if side in ("front", "back") else 6)  # a wall's top lies in the roof
        assert area(site, "house", side, "wall") == pytest.approx(whole - openings[side] + tucked)
    # All slopes of a roof have one pitch: their plan over the cosine. A flat roof is its plan.
    plan = (8 + 2 * overhang) * (6 + 2 * overhang)
    if roof == "flat":
        assert area(site, "roof", "top") == pytest.approx(plan)
    else:
        assert area(site, "roof", "slope") == pytest.approx(plan / np.cos(np.radians(35)))
    if overhang:
        ring = plan - 48.0
        sloped = roof in ("gable", "shed")
        soffit = ring / (np.cos(np.radians(35)) if sloped else 1.0)
        assert area(site, "roof", "soffit") == pytest.approx(soffit)


def test_areas_of_openings() -> None:
    site = site_of(house(openings=OPENINGS))
    assert area(site, "door", "frame") + area(site, "door", "leaf") == pytest.approx(2.1 * 1.0)
    assert area(site, "pair", "frame") + area(site, "pair", "glass") == pytest.approx(2 * 1.2 * 1.3)
    assert area(site, "glazed", "leaf") + area(site, "glazed", "glass") == pytest.approx(2.1 * 1.0)
    assert area(site, "pair", "reveal") == pytest.approx(2 * 2 * (1.2 + 1.3) * 0.2)
    assert not [patch for patch in site.patches if patch.name == "garage reveal"]
    # Two panes across and two up between a frame of 55 mm and bars half as wide.
    wide, tall = (1.2 - 0.11 - 0.0275) / 2, (1.3 - 0.11 - 0.0275) / 2
    assert area(site, "pair", "glass") == pytest.approx(2 * 4 * wide * tall)


def test_a_plinth_is_the_lowest_course_of_the_wall() -> None:
    site = site_of(house(more='plinth = "0.5 m"'))
    plain = site_of(house())
    for side in ("front", "left"):
        plinth, wall = (f"house {side} wall plinth", f"house {side} wall")
        assert heights(site, plinth) == pytest.approx((0, 0.5))
        assert heights(site, wall)[0] == pytest.approx(0.5)
        assert area(site, side, "wall") == pytest.approx(area(plain, side, "wall"))
    assert {p.material for p in site.patches if p.name.endswith("plinth")} == {"fieldstone"}


@pytest.mark.parametrize("roof", ROOFS)
def test_heights_of_roofs(roof: str) -> None:
    site = site_of(house(roof, overhang=0.0, more='base = "0.3 m"', pitch=45))
    rise = {"gable": 3.0, "hip": 3.0, "shed": 6.0, "flat": 0.0}[roof]
    name = "house roof " + ("top" if roof == "flat" else "slope")
    low, high = heights(site, name)
    # The roof lies on the walls' tops; its thickness, 0.15 m, is measured square to it.
    lift = 0.15 * (np.sqrt(2) if roof in ("gable", "shed") else 1)
    assert (low, high) == pytest.approx((3.3 + lift, 3.3 + rise + lift))


def test_a_house_on_posts_has_an_underside() -> None:
    """Seen from below, and closed against a lamp that shines up from under it."""
    site = site_of('[ground]\nsize = "20 m, 20 m"\n' + house(more='base = "2.4 m"'))
    tracer = Tracer(site.geometry)
    rng = np.random.default_rng(1)
    feet = np.column_stack(
        [rng.uniform(1.1, 8.9, 500), rng.uniform(2.1, 7.9, 500), np.full(500, 0.1)]
    )
    hits = tracer.first(feet.astype(np.float32), np.tile(np.float32([0, 0, 1]), (500, 1)))
    assert (hits.triangle >= 0).all()
    assert hits.distance == pytest.approx(2.3, abs=1e-4) and (hits.facing < 0).all()


# --- the ground -----------------------------------------------------------------------------------

GARDEN = """
[ground]
size = "40 m, 30 m"
centre = "2 m, 1 m"
[[path]]
name = "walk"
line = ["5 m, 2 m", "5 m, -4 m", "9 m, -9 m"]
width = "1.2 m"
curved = true
[[drive]]
name = "drive"
line = ["-8 m, 3 m", "-8 m, -12 m"]
width = "3 m"
[[bed]]
name = "bed"
outline = ["1 m, 2 m", "1 m, 0 m", "6 m, -1 m", "6 m, 2 m"]
[[bed]]
name = "ring"
centre = "-4 m, -6 m"
size = "3 m, 2 m"
[[pond]]
name = "pond"
outline = ["9 m, -3 m", "12 m, -4 m", "12 m, -8 m", "8 m, -7 m"]
curved = true
[[terrace]]
name = "level"
at = "9.5 m, 2 m"
size = "4 m, 3 m"
[[terrace]]
name = "raised"
outline = ["-4 m, 3 m", "0.5 m, 3 m", "0.5 m, 7 m", "-2 m, 7 m", "-4 m, 5 m"]
height = "0.45 m"
"""


@pytest.mark.parametrize("turn", [0, 25])
def test_each_spot_of_the_ground_is_covered_once(turn: int) -> None:
    site = site_of(GARDEN + house(more=f'turn = "{turn} deg"'))
    level = [
        p for p in site.patches if abs(p.origin[2]) < 1e-9 and not p.tube and p.normal[2] > 0.999
    ]
    assert {p.owner for p in level} == {"ground", "walk", "drive", "bed", "ring", "pond", "level"}
    spots = [shapely.Polygon() for _ in level]
    for k, patch in enumerate(level):
        assert (patch.eu, patch.ev) == (pytest.approx([1, 0, 0]), pytest.approx([0, 1, 0]))
        spots[k] = shapely.affinity.translate(patch.outline, *patch.origin[:2])
    whole = shapely.union_all(spots)
    assert sum(spot.area for spot in spots) == pytest.approx(whole.area, abs=1e-6)  # no overlap
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    corners = np.array([[0, 0], [8, 0], [8, 6], [0, 6]]) @ np.array([[c, s], [-s, c]]) + [1, 2]
    raised = shapely.Polygon([(-4, 3), (0.5, 3), (0.5, 7), (-2, 7), (-4, 5)])
    holes = shapely.union(shapely.Polygon(corners), raised)
    plot = shapely.box(-18, -14, 22, 16)
    assert whole.area == pytest.approx(plot.area - holes.area, abs=1e-6)
    assert shapely.symmetric_difference(whole, shapely.difference(plot, holes)).area < 1e-6


def test_areas_on_the_ground() -> None:
    site = site_of(GARDEN)
    assert area(site, "drive") == pytest.approx(3 * 15)
    # An ellipse, drawn with forty corners.
    assert area(site, "ring") == pytest.approx(np.pi * 1.5 * 1.0 * np.sinc(2 / 40), rel=1e-6)
    assert area(site, "level") == pytest.approx(12)
    pond = [patch for patch in site.patches if patch.owner == "pond"]
    assert {(patch.kind, patch.material) for patch in pond} == {("water", "water")}


def test_a_curve_goes_through_its_points() -> None:
    points = np.array([[0, 0], [4, -1], [7, 2], [4, 6], [-1, 4]], float)
    for closed in (False, True):
        curve = smooth([tuple(p) for p in points], closed=closed)
        for point in points:
            assert np.linalg.norm(curve - point, axis=1).min() < 1e-9
        turns = np.diff(np.unwrap(np.arctan2(*np.diff(curve, axis=0).T)))
        assert np.abs(turns).max() < np.radians(25)  # a quarter of a metre on; no corner is left


# --- bodies ---------------------------------------------------------------------------------------


def test_steps() -> None:
    text = '[[steps]]\nname = "s"\nat = "1 m, 2 m"\nwidth = "2 m"\ncount = 3\nriser = "0.16 m"\ntread = "0.3 m"\nbearing = "90 deg"\n'
    site = site_of(text)
    for k in range(3):
        low, high = heights(site, f"s tread {k + 1} top")
        assert (low, high) == pytest.approx((0.16 * (k + 1),) * 2)
        (tread,) = (p for p in site.patches if p.name == f"s tread {k + 1} top")
        corners = tread.triangles[0]
        assert tread.outline.area == pytest.approx(2 * 0.3)
        # The way up is east: each tread begins where the one below it ends.
        assert (corners[:, 0].min(), corners[:, 0].max()) == pytest.approx(
            (1 + 0.3 * k, 1.3 + 0.3 * k)
        )
        assert (corners[:, 1].min(), corners[:, 1].max()) == pytest.approx((1, 3))
    risers = [p for p in site.patches if p.name.endswith("front")]
    assert len(risers) == 3 and all(p.normal == pytest.approx([-1, 0, 0]) for p in risers)


def test_a_raised_terrace() -> None:
    site = site_of(GARDEN)
    outline = shapely.Polygon([(-4, 3), (0.5, 3), (0.5, 7), (-2, 7), (-4, 5)])
    assert heights(site, "raised top") == pytest.approx((0.45, 0.45))
    assert heights(site, "raised edge") == pytest.approx((0, 0.45))
    assert area(site, "raised", "top") == pytest.approx(outline.area)
    assert area(site, "raised", "edge") == pytest.approx(outline.length * 0.45)


@pytest.mark.parametrize("roof", ["shed", "gable", "flat"])
def test_a_porch(roof: str) -> None:
    text = (
        house()
        + f'[[porch]]\nname = "p"\nblock = "house"\nalong = "3 m"\nsize = "3 m, 1.8 m"\nheight = "2.3 m"\nfloor = "0.2 m"\nroof = "{roof}"\npost = "round"\n'
    )
    site = site_of(text)
    assert heights(site, "p floor top") == pytest.approx((0.2, 0.2))
    assert heights(site, "p post") == pytest.approx((0.2, 2.3))
    assert heights(site, "p beam bottom")[0] == pytest.approx(2.3)
    assert area(site, "p", "floor", "top") == pytest.approx(3 * 1.8)
    floor = np.concatenate([p.triangles[0] for p in site.patches if p.name == "p floor top"])
    # Its middle is 3 m along the front wall, which begins at (1, 2); it reaches out from there.
    assert (floor[:, :2].min(axis=0), floor[:, :2].max(axis=0)) == (
        pytest.approx([2.5, 0.2]), pytest.approx([5.5, 2.0]),
    )  # fmt: skip
    ceiling = [p for p in site.patches if p.name == "p ceiling"]
    assert ceiling and all(p.normal[2] < 0 for p in ceiling)


@pytest.mark.parametrize("shape", ["round", "square"])
def test_a_column(shape: str) -> None:
    site = site_of(
        f'[[column]]\nname = "c"\nat = "1 m, 2 m"\nheight = "3 m"\nwidth = "0.4 m"\nbase = "0.5 m"\nshape = "{shape}"\n'
    )
    low = min(p.triangles[0][:, 2].min() for p in site.patches)
    high = max(p.triangles[0][:, 2].max() for p in site.patches)
    assert (low, high) == pytest.approx((0.5, 3.5))
    shaft = [
        p
        for p in site.patches
        if p.name.split()[-1] in ("c", "front", "back", "left", "right")
        and p.name.split()[1:2] not in (["base"], ["cap"])
    ]
    assert shaft
    for patch in shaft:
        across = np.abs(patch.triangles[0][:, :2] - [1, 2])
        assert (np.hypot(*across.T) if shape == "round" else across.max(axis=1)) == pytest.approx(
            0.2
        )


def test_garden_walls_follow_their_line() -> None:
    site = site_of(
        '[[wall]]\nname = "w"\nline = ["0 m, 0 m", "6 m, 0 m", "6 m, 4 m"]\nheight = "1.2 m"\nthickness = "0.3 m"\n'
    )
    assert max(p.triangles[0][:, 2].max() for p in site.patches) == pytest.approx(1.2)
    for point, inside in (
        ((3, 0), True),
        ((6, 2), True),
        ((6, 0), True),
        ((3, 0.2), False),
        ((6.2, 2), False),
    ):
        spot = np.array([[*point, 0.5]])
        assert any(solid.holds(spot)[0] for solid in site.solids) == inside, point


FAR = np.array([[c * np.cos(t), c * np.sin(t), z] for z, c in ((0.05, 1), (0.5, 0.87), (0.95, 0.3))
                for t in np.linspace(0, 2 * np.pi, 16, endpoint=False)], np.float32)  # fmt: skip
"""Ways to the sky all round."""


def sees_the_sky(tracer: Tracer, points: np.ndarray) -> np.ndarray:
    """Which of some points (n, 3) are outside: a straight way leads from them to the sky."""
    start = points.astype(np.float32)
    free = [tracer.first(start, np.tile(way, (len(start), 1))).triangle < 0 for way in FAR]
    return np.any(free, axis=0)


# --- every patch ----------------------------------------------------------------------------------

ALL = (
    GARDEN
    + house("hip", openings=OPENINGS)
    + """
[[block]]
name = "shed"
at = "11 m, 9 m"
size = "4 m, 3 m"
height = "2.3 m"
turn = "10 deg"
roof.kind = "shed"
[[porch]]
name = "porch"
block = "house"
along = "2 m"
size = "2.6 m, 1.6 m"
height = "1.9 m"
pitch = "15 deg"
roof = "gable"
[[chimney]]
name = "stack"
at = "-12 m, 10 m"
top = "7 m"
[[steps]]
name = "steps"
at = "-1 m, 2.3 m"
width = "1.5 m"
count = 2
[[column]]
name = "column"
at = "12 m, -1 m"
height = "2.5 m"
[[wall]]
name = "wall"
line = ["-12 m, -10 m", "10 m, -12 m"]
height = "1 m"
[[wall]]
name = "fence"
kind = "fence"
line = ["12 m, -10 m", "14 m, 8 m"]
height = "1.4 m"
thickness = "0.05 m"
[[tree]]
name = "tree"
at = "-7 m, 9 m"
height = "5 m"
"""
)


@pytest.fixture(scope="module")
def everything() -> Site:
    return site_of(ALL)


def facets(patch: Patch) -> tuple[np.ndarray, np.ndarray]:
    """Area [m²] and unit normal of each of a patch's triangles."""
    points, _, faces = patch.triangles
    a, b, c = (points[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    doubled = np.linalg.norm(cross, axis=1)
    return doubled / 2, cross / doubled[:, None]


def test_triangles_fill_the_outline_and_face_its_way(everything: Site) -> None:
    assert len(everything.patches) > 200
    for patch in everything.patches:
        areas, normals = facets(patch)
        if patch.tube:
            # Twenty flat sides within a frustum: their width is the chord's, their way outward.
            slant = np.hypot(patch.size[1], patch.tube.foot_m - patch.tube.top_m)
            round_area = np.pi * (patch.tube.foot_m + patch.tube.top_m) * slant
            assert areas.sum() == pytest.approx(round_area * np.sinc(1 / 20), rel=5e-3)
            middles = patch.triangles[0][patch.triangles[2]].mean(axis=1) - patch.origin
            radial = middles - (middles @ patch.ev)[:, None] * patch.ev
            assert ((radial * normals).sum(axis=1) > 0).all()
        else:
            assert areas.sum() == pytest.approx(patch.outline.area, rel=1e-6, abs=1e-8), patch.name
            assert normals == pytest.approx(np.tile(patch.normal, (len(normals), 1)), abs=1e-6)


def test_outlines_lie_within_their_grid(everything: Site) -> None:
    for patch in everything.patches:
        low_u, low_v, high_u, high_v = patch.outline.bounds
        assert (low_u, low_v) == pytest.approx((0, 0), abs=1e-9), patch.name
        assert (high_u, high_v) == pytest.approx(patch.size, abs=1e-9), patch.name
        assert (patch.outline.is_valid and max(patch.size) < 4.001) or patch.tube, patch.name


def test_what_a_surface_faces_is_never_the_back_of_another(everything: Site) -> None:
    """From points spread over every patch, outward: sky, or the front of something."""
    tracer = Tracer(everything.geometry)
    rng = np.random.default_rng(2)
    origins, ways, names = [], [], []
    for patch in everything.patches:
        points, _, faces = patch.triangles
        areas, normals = facets(patch)
        which = rng.choice(len(faces), 6, p=areas / areas.sum())
        share = np.sort(rng.random((6, 2)), axis=1)
        weights = np.column_stack([share[:, 0], share[:, 1] - share[:, 0], 1 - share[:, 1]])
        place = (weights[:, :, None] * points[faces[which]]).sum(axis=1) + 0.001 * normals[which]
        outside = ~np.any([solid.holds(place) for solid in everything.solids], axis=0)
        slant = rng.normal(size=(6, 3))
        slant /= np.linalg.norm(slant, axis=1, keepdims=True)
        origins.append(place[outside])
        ways.append((normals[which] + 0.7 * slant)[outside])
        names += [patch.name] * int(outside.sum())
    start, way = np.concatenate(origins).astype(np.float32), np.concatenate(ways).astype(np.float32)
    outside = sees_the_sky(tracer, start)
    assert outside.mean() > 0.5
    start, way, names = start[outside], way[outside], list(np.array(names)[outside])
    hits = tracer.first(start, way)
    leafless = np.where(hits.triangle >= 0, tracer.surface[hits.triangle], 0) < len(
        everything.patches
    )
    back = (hits.triangle >= 0) & leafless & (hits.facing > 0)
    met = {
        (names[k], everything.patches[tracer.surface[hits.triangle[k]]].name)
        for k in np.flatnonzero(back)
    }
    assert not met


# --- leaks ----------------------------------------------------------------------------------------

WING = '[[block]]\nname = "wing"\nat = "7 m, 4 m"\nsize = "5 m, 7 m"\nheight = "2.6 m"\nturn = "{turn} deg"\nroof.kind = "{roof}"\n'


def shells() -> dict[str, str]:
    found = {}
    for roof, ridge, overhang in itertools.product(ROOFS, ("along", "across"), (0.0, 0.4)):
        if ridge == "along" or roof in ("gable", "shed"):
            found[f"{roof} {ridge} {overhang}"] = house(
                roof, ridge=ridge, overhang=overhang, openings=OPENINGS
            )
    for roof in ROOFS:
        found[f"{roof} turned with plinth"] = house(
            roof, more='turn = "33 deg"\nplinth = "0.5 m"', openings=OPENINGS
        )
        found[f"{roof} with a wing"] = house("gable", openings=OPENINGS) + WING.format(
            roof=roof, turn=0
        )
        found[f"{roof} with a slanting wing"] = house("hip") + WING.format(roof=roof, turn=15)
    return found


SHELLS = shells()


def within(site: Site, name: str, count: int, rng: np.random.Generator) -> np.ndarray:
    """Random points inside a block, farther from its walls than its windows are set back."""
    (solid,) = (solid for solid in site.solids if solid.owner == name)
    points = rng.uniform(np.maximum(solid.low, [-50, -50, 0.02]), solid.high, (count, 3))
    return points[solid.holds(points, 0.22)]


@pytest.mark.parametrize("name", SHELLS)
def test_no_way_leads_from_inside_a_house_to_the_outside(name: str) -> None:
    site = site_of(SHELLS[name])
    tracer = Tracer(site.geometry)
    rng = np.random.default_rng(4)
    low, high = site.bounds
    outer = rng.uniform(low - 3, high + 3, (60_000, 3))
    outer[:, 2] = np.abs(outer[:, 2])  # the earth closes the house from below
    roofed = np.any([solid.holds(outer, -0.6) for solid in site.solids], axis=0)
    outer = outer[~roofed]  # and nothing within the roof's own slab or the attic
    attic = (outer[:, 2] > 2.5) & (outer[:, 2] < 6.5)
    outer = outer[~attic | (np.abs(outer[:, 0] - 5) > 9) | (np.abs(outer[:, 1] - 5) > 9)]
    for block in site.scene.blocks:
        inner = within(site, block.name, 40_000, rng)
        count = min(len(inner), len(outer))
        assert count > 5_000
        a, b = inner[:count].astype(np.float32), outer[:count].astype(np.float32)
        free = ~tracer.blocked(a, b)
        assert not free.any(), (block.name, a[free][:3], b[free][:3])


def lamps_in_place(site: Site, points: np.ndarray) -> Site:
    """The site with strong lamps that shine all round at points where a scene could not put them."""
    text = '[lamps.bulb]\nkind = "omni"\nflux = "100000 lm"\nbody = "none"\n[[fixture]]\nid = "bulb"\nlamp = "bulb"\nat = "0 m, 0 m, 0 m"\n'
    (bulb,) = site_of(text).fixtures
    lamps = [
        dataclasses.replace(bulb, id=f"bulb {k}", position=point) for k, point in enumerate(points)
    ]
    return dataclasses.replace(site, fixtures=tuple(lamps))


@pytest.mark.parametrize("roof", ROOFS)
def test_a_strong_lamp_inside_lights_nothing(roof: str) -> None:
    """Every surface faces outward: no texel that the outside sees may get light, edges included."""
    ground = '[ground]\nsize = "24 m, 24 m"\ncentre = "5 m, 5 m"\n'
    site = site_of(ground + house(roof, openings=OPENINGS) + WING.format(roof=roof, turn=0))
    corners = np.array([[1.3, 2.3, 2.8], [8.7, 7.7, 0.2], [5, 5, 1.5], [11.5, 10.5, 2.4]])
    field = trace(lamps_in_place(site, corners))
    for part in field.sources:
        for number, (level, values) in part.direct.patches.items():
            patch = site.patches[number]
            u, v = np.meshgrid(*patch.axes(level))
            lit = values > 0
            # A texel's light is the mean over itself: its neighbours, too, must be outside.
            step = patch.texel_m * 2.0**-level
            outside = np.ones(lit.sum(), bool)
            for du, dv in ((0, 0), (step, 0), (-step, 0), (0, step), (0, -step)):
                at_u, at_v = (
                    np.clip(w, 0.003, n - 0.003)
                    for w, n in zip((u[lit] + du, v[lit] + dv), patch.size, strict=True)
                )
                points, normals = patch.place(at_u, at_v)
                outside &= sees_the_sky(field.tracer, points + 0.003 * normals)
            assert not outside.any(), (part.source.name, patch.name, points[outside][:3])


@pytest.mark.parametrize("roof", ROOFS)
def test_lamps_outside_light_nothing_inside(roof: str) -> None:
    site = site_of(house(roof, openings=OPENINGS) + WING.format(roof=roof, turn=0))
    # Close at the walls' feet, at corners, under the eaves, by the joint of the two, above the roof.
    spots = [
        [0.8, 1.8, 0.05],
        [9.1, 3.9, 0.05],
        [5, 1.7, 2.6],
        [9.1, 3.8, 2.4],
        [12.2, 11.2, 2.3],
        [4, 5, 9],
    ]
    field = trace(lamps_in_place(site, np.array(spots)))
    rng = np.random.default_rng(5)
    points = np.concatenate([within(site, name, 3000, rng) for name in ("house", "wing")])
    for part in field.sources:
        end = part.source.positions[0].astype(np.float32)
        assert field.tracer.blocked(points.astype(np.float32), end).all(), part.source.name


# --- crowns ---------------------------------------------------------------------------------------


def seen_through(site: Site, middle: np.ndarray, half: np.ndarray) -> float:
    """Share of level rays through the middle quarter of a crown that meet no leaf, or no twig."""
    if site.crowns:
        (crown,) = site.crowns
        corners = crown.corners[:, [[0, 1, 2], [0, 2, 3]]].reshape(-1, 3, 3)
    else:
        (twigs,) = (mesh for mesh in site.meshes if mesh.name.endswith(" twigs"))
        corners = twigs.vertices[twigs.faces]
    scene = EmbreeScene()
    TriangleMesh(scene, np.ascontiguousarray(corners, np.float32))
    rng = np.random.default_rng(6)
    turn = rng.uniform(0, 2 * np.pi, 20_000)
    ways = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    aside = np.stack([-np.sin(turn), np.cos(turn), 0 * turn], axis=1)
    off = rng.uniform(-0.25, 0.25, (2, 20_000)) * half[[0, 2], None]
    starts = middle - 60 * ways + off[0][:, None] * aside + off[1][:, None] * [0, 0, 1]
    return float((scene.run(starts.astype(np.float32), ways.astype(np.float32)) < 0).mean())


@pytest.mark.parametrize("kind", ["broadleaf", "conifer", "columnar", "multi-stem"])
@pytest.mark.parametrize("gap", [0.15, 0.3, 0.5])
@pytest.mark.parametrize("height", [4.0, 9.0])
def test_the_gap_of_a_crown_is_as_stated(kind: str, gap: float, height: float) -> None:
    site = site_of(
        f'[[tree]]\nname = "t"\nkind = "{kind}"\nat = "2 m, 1 m"\nheight = "{height} m"\ngap = {gap}\n'
    )
    habit = HABITS[kind]
    clear, radius = habit.clear_share * height, habit.crown_share * height / 2
    # The middle of a cone is where half of it is above: nearer its foot.
    level = clear + (0.4 if kind == "conifer" else 0.5) * (height - clear)
    half = np.array([radius, radius, (height - clear) / 2 * (0.5 if kind == "conifer" else 1)])
    assert seen_through(site, np.array([2, 1, level]), half) == pytest.approx(gap, abs=0.05)


@pytest.mark.parametrize("kind", ["broadleaf", "conifer", "palm", "columnar", "multi-stem"])
def test_a_tree_has_its_height_and_width_and_place(kind: str) -> None:
    site = site_of(
        f'[[tree]]\nname = "t"\nkind = "{kind}"\nat = "2 m, 1 m"\nheight = "8 m"\ncrown = "4 m"\nclear = "2.5 m"\n'
    )
    (crown,) = site.crowns
    low, high = np.percentile(crown.centre, [0.5, 99.5], axis=0)
    assert high[2] == pytest.approx(8, abs=0.7)
    assert low[2] > (1.8 if kind != "palm" else 4.0)  # a palm has all its fronds at its head
    assert (high - low)[:2] == pytest.approx([4, 4], abs=0.9)
    assert ((high + low) / 2)[:2] == pytest.approx([2, 1], abs=0.4)
    trunk = [p for p in site.patches if p.name == "t trunk"]
    assert trunk and all(p.triangles[0][:, 2].min() == pytest.approx(0, abs=0.05) for p in trunk)


def test_a_plant_grows_alike_each_time_and_another_seed_otherwise() -> None:
    def leaves(seed: int) -> np.ndarray:
        return (
            site_of(f'[[tree]]\nname = "t"\nat = "0 m, 0 m"\nheight = "4 m"\nseed = {seed}\n')
            .crowns[0]
            .centre
        )

    assert (leaves(1) == leaves(1)).all()
    assert leaves(1).shape != leaves(2).shape or (leaves(1) != leaves(2)).any()


def test_a_bare_tree_is_clearer() -> None:
    text = '[[tree]]\nname = "t"\nat = "0 m, 0 m"\nheight = "6 m"\n'
    middle, half = np.array([0, 0, 3.66]), np.array([2.25, 2.25, 2.34])
    leafy, bare = (
        seen_through(site_of(text + f'season = "{s}"\n'), middle, half) for s in ("leaf", "bare")
    )
    assert leafy < 0.4 and bare > 0.65


# --- odd sizes ------------------------------------------------------------------------------------

ODD = {
    "block": 'roof.kind = "{roof}"\nat = "0 m, 0 m"\nsize = "{a}, {b}"\nheight = "{c}"\nroof.overhang = "{d}"',
    "porch": 'block = "house"\nalong = "{a}"\nsize = "{b}, {c}"\nheight = "{d}"\nposts = {n}\npost = "{post}"\nroof = "{porch}"',
    "opening": 'block = "house"\nalong = "4 m"\nsill = "0 m"\nsize = "{a}, {b}"\nkind = "{kind}"\npanes = [{n}, {m}]\nreveal = "{thin}"',
    "column": 'at = "20 m, 0 m"\nheight = "{a}"\nwidth = "{thin}"\nshape = "{post}"',
    "steps": 'at = "20 m, 0 m"\nwidth = "{a}"\ncount = {n}\nriser = "{thin}"\ntread = "{thin}"',
    "chimney": 'at = "20 m, 0 m"\nsize = "{a}, {b}"\ntop = "{c}"',
    "wall": 'line = ["20 m, 0 m", "20 m, {a}", "{b}, {b}"]\nheight = "{c}"\nthickness = "{thin}"\nkind = "{wall}"',
    "terrace": 'at = "20 m, 0 m"\nsize = "{a}, {b}"\nheight = "{thin}"',
    "path": 'line = ["20 m, 0 m", "20 m, {a}", "{b}, -9 m"]\nwidth = "{c}"\ncurved = {yes}',
    "bed": 'outline = ["20 m, 0 m", "20 m, {a}", "30 m, {b}"]\ncurved = {yes}',
    "pond": 'centre = "20 m, 0 m"\nsize = "{a}, {b}"',
    "tree": 'at = "20 m, 0 m"\nkind = "{tree}"\nheight = "{a}"\ncrown = "{b}"\nclear = "{c}"\ngap = {gap}\nseason = "{season}"',
    "shrub": 'at = "20 m, 0 m"\nheight = "{a}"\nwidth = "{b}"\ngap = {gap}',
    "hedge": 'line = ["20 m, 0 m", "20 m, {d}"]\nheight = "{a}"\nwidth = "{b}"\ngap = {gap}',
}  # fmt: skip

# --- places where none can be ---------------------------------------------------------------------

LAMP = '[[fixture]]\nid = "up"\nlamp = "accent 36"\nat = "{}"\nelevation = "90 deg"\n'
EYE = '[[view]]\nname = "in"\neye = "{}"\ntarget = "9 m, 9 m, 1 m"\n'


@pytest.mark.parametrize("table", [LAMP, EYE])
def test_no_lamp_or_eye_is_inside_a_mesh(table: str, tmp_path: Path) -> None:
    box = trimesh.creation.box((2, 2, 2))
    box.export(tmp_path / "box.stl")
    mesh = '[[mesh]]\nname = "statue"\nfile = "box.stl"\nat = "3 m, 0 m, 1 m"\n'
    build(parse(mesh + table.format("1.9 m, 0 m, 1 m"), "test", tmp_path))
    inside = mesh + table.format("2.1 m, 0 m, 1 m")
    with pytest.raises(NightviewError, match='inside "statue"'):
        build(parse(inside, "test", tmp_path))
    box.invert()  # a room about everything, its faces looking in
    box.export(tmp_path / "box.stl")
    build(parse(inside, "test", tmp_path))


@pytest.mark.parametrize("kind", ["broadleaf", "palm"])
def test_no_lamp_is_inside_a_trunk(kind: str) -> None:
    tree = f'[[tree]]\nname = "oak"\nkind = "{kind}"\nheight = "10 m"\nat = "1 m, 1 m"\n'
    trunk = next(patch for patch in site_of(tree).patches if patch.tube)
    assert trunk.tube is not None
    for beyond, free in ((-0.01, False), (0.01, True)):
        aside = 1.0 + trunk.tube.foot_m + beyond
        text = tree + LAMP.format(f"{aside:.6f} m, 1 m, 0.05 m")
        if free:
            site_of(text)
        else:
            with pytest.raises(NightviewError, match='inside "oak"'):
                site_of(text)


def test_the_same_scene_in_another_folder_or_of_a_new_mesh_is_built_anew(tmp_path: Path) -> None:
    text = '[[mesh]]\nname = "statue"\nfile = "box.stl"\n'
    heights = []
    for folder, height in (("a", 1.0), ("b", 2.0), ("b", 3.0), ("b", 3.0)):
        (tmp_path / folder).mkdir(exist_ok=True)
        path = tmp_path / folder / "box.stl"
        trimesh.creation.box((1, 1, height)).export(path)
        os.utime(path, ns=(10**18, 10**18 + int(height)))  # all within one second
        site = build(parse(text, "test", path.parent))
        heights.append(float(np.ptp(site.meshes[0].vertices[:, 2])))
    assert heights == pytest.approx([1.0, 2.0, 3.0, 3.0])
    assert build(parse(text, "test", path.parent)).geometry is site.geometry


def test_an_outline_that_crosses_itself_once_curved() -> None:
    corners = '["0 m, -2 m", "0.2 m, -6 m", "0.1 m, -2 m", "5 m, -1.9 m"]'
    bed = f'[ground]\nsize = "20 m, 20 m"\n[[bed]]\nname = "p"\noutline = {corners}\n'
    site_of(bed)
    with pytest.raises(NightviewError, match='bed "p": outline: crosses itself once it is curved'):
        site_of(bed + "curved = true\n")


def test_a_lamp_that_is_not_there_is_told_in_a_few_words() -> None:
    for keys, told in (
        ('like = "acent 36"', 'there is no lamp "acent 36"; did you mean "accent 36"[?]$'),
        ('like = "zzz"', "there are: .*accent 36"),
        (f'kind = "file"\nfile = "{"a" * 5000}.ies"', '^fixture "up": lamp "own": "a{57}...": '),
    ):
        text = f"[lamps.own]\n{keys}\n" + LAMP.format("0 m, 0 m, 1 m").replace("accent 36", "own")
        with pytest.raises(NightviewError, match=told):
            site_of(text)


lengths = st.one_of(
    st.sampled_from([0.001, 0.01, 0.03, 0.1, 0.11, 0.3, 1.0]),
    st.floats(-3, 1.5).map(lambda power: round(10.0**power, 4)),
).map(lambda metres: f"{metres} m")
thin = st.floats(-3, -0.4).map(lambda power: f"{round(10.0**power, 4)} m")
choices = st.fixed_dictionaries(
    {
        **dict.fromkeys("abcd", lengths),
        **dict.fromkeys("nm", st.integers(1, 12)),
        "thin": thin,
        "gap": st.sampled_from([0.03, 0.3, 0.97]),
        "yes": st.sampled_from(["true", "false"]),
        "roof": st.sampled_from(ROOFS),
        "porch": st.sampled_from(["shed", "gable", "flat"]),
        "post": st.sampled_from(["round", "square"]),
        "wall": st.sampled_from(["wall", "fence"]),
        "kind": st.sampled_from(["window", "door", "glazed door", "garage door"]),
        "tree": st.sampled_from(sorted(HABITS)),
        "season": st.sampled_from(["leaf", "bare"]),
    }
)


@pytest.mark.parametrize("table", ODD)
@settings(max_examples=10, deadline=None, derandomize=True, phases=[Phase.generate],
          suppress_health_check=list(HealthCheck))  # fmt: skip
@given(values=choices)
def test_any_size_is_built_or_refused(table: str, values: dict[str, object]) -> None:
    """Slivers and giants: a site whose every number is one, or our own error; never another."""
    text = house() + f'[[{table}]]\nname = "odd"\n{ODD[table].format(**values)}\n'
    try:
        site = site_of(text)
    except NightviewError:
        return
    for surface in site.geometry.surfaces:
        centre, radius = surface.bounds
        assert np.isfinite(centre).all() and np.isfinite(radius), surface.name
    for patch in site.patches:
        assert np.isfinite(patch.triangles[0]).all() and patch.outline.area > 0, patch.name


# --- twigs and needles ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["broadleaf", "columnar", "multi-stem"])
@pytest.mark.parametrize("gap", [0.6, 0.8, 0.9])
@pytest.mark.parametrize("height", [4.0, 9.0])
def test_the_gap_of_a_bare_crown_is_as_stated(kind: str, gap: float, height: float) -> None:
    site = site_of(
        f'[[tree]]\nname = "t"\nkind = "{kind}"\nat = "2 m, 1 m"\nheight = "{height} m"\ngap = {gap}\n'
        'season = "bare"\n'
    )
    habit = HABITS[kind]
    clear, radius = habit.clear_share * height, habit.crown_share * height / 2
    middle = np.array([2, 1, (clear + height) / 2])
    half = np.array([radius, radius, (height - clear) / 2])
    assert seen_through(site, middle, half) == pytest.approx(gap, abs=0.05)


@pytest.mark.parametrize("kind", ["broadleaf", "columnar", "multi-stem"])
@pytest.mark.parametrize("height", [0.5, 5.0, 25.0])
def test_a_bare_tree_is_all_of_one_piece(
    kind: str, height: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: dict[str, list[plants.Rod]] = {}

    def kept(name: str, owner: str, material: str, parts: list[plants.Rod], *more: int) -> Mesh:
        drawn[name] = parts
        return rods(name, owner, material, parts, *more)

    monkeypatch.setattr(plants, "rods", kept)
    site = site_of(
        f'[[tree]]\nname = "t"\nkind = "{kind}"\nat = "2 m, 1 m"\nheight = "{height} m"\n'
        'season = "bare"\n'
    )
    assert not site.crowns
    twigs = drawn["t twigs"]
    assert 10 <= len(twigs) <= 1500
    ends = np.array([rod[:2] for rod in [*drawn["t boughs"], *twigs]])
    start, way = ends[:, 0], ends[:, 1] - ends[:, 0]
    for number, foot in enumerate(ends[-len(twigs) :, 0], len(ends) - len(twigs)):
        share = np.clip(((foot - start) * way).sum(axis=1) / (way**2).sum(axis=1), 0, 1)
        off = np.linalg.norm(start + share[:, None] * way - foot, axis=1)
        off[number] = np.inf  # no twig stands on itself
        assert off.min() < 1e-6 * height


def test_needles_point_along_their_branches() -> None:
    (crown,) = site_of(
        '[[tree]]\nname = "t"\nkind = "conifer"\nat = "2 m, 1 m"\nheight = "7 m"\n'
    ).crowns
    out = crown.centre[:, :2] - [2, 1]
    far = np.linalg.norm(out, axis=1) > 0.7  # there a clump is small against the way to the trunk
    out = out[far] / np.linalg.norm(out[far], axis=1, keepdims=True)
    level = crown.along[far, :2] / np.linalg.norm(crown.along[far, :2], axis=1, keepdims=True)
    turn = np.degrees(np.arccos(np.clip((out * level).sum(axis=1), -1, 1)))
    assert np.median(turn) < 25 and np.percentile(turn, 95) < 60
    assert -0.6 < crown.along[far, 2].mean() < -0.15  # they droop
    assert np.abs((crown.along * crown.normal).sum(axis=1)).max() < 1e-5
