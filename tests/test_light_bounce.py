"""Light from other surfaces and from the sky, against closed forms and quadrature.

Configuration factors are those of Howell's Catalog of Radiation Heat Transfer Configuration Factors
(C-11 parallel, C-14 perpendicular rectangles; B-4, B-5 from a plane element), some of them as
printed worked examples: W17 and W18 of the project's collection of reference values. The moon
serves as the even light on the surface that gives light back: it is parallel, and comes from where
the other surface gets none of it, so that what that surface has is one bounce and nothing else.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.integrate import dblquad

UP = np.array([0.0, 0.0, 1.0])
OUT = np.array([0.0, -1.0, 0.0])  # of a block's front
MATERIALS = """
[materials]
black = { rgb = [0, 0, 0] }
grey = { rgb = [0.5, 0.5, 0.5] }
"""
MOON_LX = 1000.0


def moon(bearing_deg: float, elevation_deg: float) -> str:
    return (
        f'[moon]\nilluminance = "{MOON_LX} lx"\nbearing = "{bearing_deg} deg"\n'
        f'elevation = "{elevation_deg} deg"\n'
    )


def block(name: str, at: str, size: str, height: str, material: str, base: str = "0 m") -> str:
    return f"""
[[block]]
name = "{name}"
at = "{at}"
size = "{size}"
height = "{height}"
base = "{base}"
material = "{material}"
trim = "black"
roof = {{ kind = "flat", overhang = "0 m", thickness = "1 mm", material = "black" }}
"""


def terrace(name: str, at: str, size: str, material: str) -> str:
    return (
        f'\n[[terrace]]\nname = "{name}"\nat = "{at}"\nsize = "{size}"\nmaterial = "{material}"\n'
    )


def gauss(scene, corner, right, up, normal) -> float:
    """Mean indirect illuminance of a rectangle by 6 × 6 Gauss points, each an exact point."""
    x, weight = np.polynomial.legendre.leggauss(6)
    s = (x + 1) / 2
    places = corner + s[:, None, None] * np.asarray(right) + s[:, None] * np.asarray(up)
    direct, total = scene.at(places.reshape(-1, 3), normal, rays=4096)
    return float((total - direct) @ np.outer(weight, weight).ravel() / 4)


def nodes_of(scene, name: str):
    places, lux, _ = scene.nodes(lambda patch: patch.name == name)
    return places, lux


def perpendicular(a, b, c):
    """B-5: plane element to an upright rectangle a wide and b high at c, from its foot's end."""
    first = c / np.hypot(b, c) * np.arctan(a / np.hypot(b, c))
    return (np.arctan(a / c) - first) / (2 * np.pi)


def parallel(a, b, c):
    """B-4: plane element to a parallel rectangle a × b at distance c, below one corner."""
    a, b = a / c, b / c
    first = a / np.sqrt(1 + a * a) * np.arctan(b / np.sqrt(1 + a * a))
    return (first + b / np.sqrt(1 + b * b) * np.arctan(a / np.sqrt(1 + b * b))) / (2 * np.pi)


def test_the_factors_themselves():
    # W19, Howell B-4, B-5: unit square 1 away, from a corner. And, since the forms above are from
    # memory, by quadrature of cos·cos/(π·r²) over a rectangle.
    assert parallel(1, 1, 1) == pytest.approx(0.138532, abs=1e-6)
    assert perpendicular(1, 1, 1) == pytest.approx(0.055734, abs=1e-6)

    def upright(z, x, c=0.4):
        return c * z / (np.pi * (x * x + z * z + c * c) ** 2)

    def level(y, x, c=0.4):
        return c * c / (np.pi * (x * x + y * y + c * c) ** 2)

    by_quadrature = dblquad(upright, 0, 0.8, 0, 0.5)[0], dblquad(level, 0, 0.8, 0, 0.5)[0]
    assert perpendicular(0.8, 0.5, 0.4) == pytest.approx(by_quadrature[0], rel=1e-6)
    assert parallel(0.8, 0.5, 0.4) == pytest.approx(by_quadrature[1], rel=1e-6)


# --- a closed room --------------------------------------------------------------------------------


@pytest.mark.parametrize(("rho", "lux"), [(0.1, 11.57), (0.5, 104.17), (0.8, 416.67)])
def test_closed_diffuse_box(lit, room, rho, lux):
    # W20, CIE 171:2006 case 5.8: a 4 m cube, 10 000 lm; indirect = Φ·ρ/(A·(1 − ρ)), an integrating
    # sphere's law. The geometry is published; flux and formula from memory, the lux computed.
    from conftest import LUMINOUS, faces_of

    scene = lit(
        f"""
[materials]
wall = {{ rgb = [{rho}, {rho}, {rho}] }}
[[mesh]]
name = "room"
file = "room.stl"
material = "wall"
[lamps.bulb]
kind = "omni"
flux = "10000 lm"
loss_factor = 1.0
body = "none"
[[fixture]]
id = "bulb"
lamp = "bulb"
at = "0 m, 0 m, 0 m"
""",
        room(4.0),
    )
    mesh, area = scene.site.meshes[0], faces_of(scene.site.meshes[0])
    total = scene.light.meshes[0] @ LUMINOUS
    direct = scene.field.sources[0].direct.meshes[0]
    indirect = float(area @ (total - direct)[mesh.faces].mean(axis=1) / area.sum())
    assert area.sum() == pytest.approx(96.0)
    assert indirect == pytest.approx(lux, rel=0.03)
    # The exact points see the same: a grid of the floor's, weighed to its mean by symmetry.
    x = (np.arange(6) + 0.5) * 4 / 6 - 2
    places = np.array([(a, b, -2.0) for a in x for b in x])
    direct, total = scene.at(places, UP)
    assert (total - direct).mean() == pytest.approx(lux, rel=0.03)


# --- form factors ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width_m", "gap_m", "factor"),
    [
        # W17, Siegel & Howell, 4th ed., p. 843: 1 × 1.5, gap 0.5: 0.4756 published.
        (1.5, 0.5, 0.4756),
        # W19: unit squares one side apart, Howell C-11: 0.199825 (computed from its form).
        (1.0, 1.0, 0.199825),
    ],
)
def test_parallel_rectangles(lit, width_m, gap_m, factor):
    # A grey and a black wall face each other; the moon shines flatly in between them, only onto the
    # grey one, and so steeply past the black one that this one's shadow falls beside it.
    scene = lit(
        MATERIALS + moon(100.0, 5.0)
        + block("grey", "0 m, 0 m", f"{width_m} m, 0.2 m", "1 m", "grey")
        + block("black", f"0 m, -{gap_m + 0.2} m", f"{width_m} m, 0.2 m", "1 m", "black")
    ).only("moon")  # fmt: skip
    facing_moon = MOON_LX * np.cos(np.radians(5.0)) * np.sin(np.radians(10.0))
    _, lux = nodes_of(scene, "grey front wall")
    assert lux == pytest.approx(np.full(len(lux), facing_moon), rel=2e-3)
    mean = gauss(scene, [0, -gap_m, 0], [width_m, 0, 0], [0, 0, 1], -OUT)
    assert mean / (0.5 * facing_moon) == pytest.approx(factor, rel=0.01)
    places, lux = nodes_of(scene, "black back wall")
    x, z = places[:, 0], places[:, 2]
    expected = sum(parallel(a, b, gap_m) for a in (x, width_m - x) for b in (z, 1 - z))
    ratio = lux / (0.5 * facing_moon * expected)
    assert ratio.mean() == pytest.approx(1.0, abs=0.015)
    assert ratio == pytest.approx(np.ones(len(ratio)), abs=0.08)


@pytest.mark.parametrize(
    ("floor_m", "base_m", "height_m", "width_m", "factor"),
    [
        # W19: unit squares that share an edge, Howell C-14: 0.200044 (computed from its form).
        (1.0, 0.0, 1.0, 1.0, 0.200044),
        # W18, Chapman 1987, p. 734: 0.5 wide, a floor 0.5 deep, a wall strip from 0.2 to 0.5 high:
        # 0.07235 from the floor to the strip (published; the reading of its sketch is ours).
        (0.5, 0.2, 0.3, 0.5, 0.07235),
    ],
)
def test_perpendicular_rectangles(lit, floor_m, base_m, height_m, width_m, factor):
    # The moon shines all but along the wall: from 0.6° before its plane, or the wall would hide half
    # of the moon's disc from the floor beside it. What little of it falls on the wall is left out.
    scene = lit(
        MATERIALS + moon(90.6, 60.0)
        + terrace("floor", f"0 m, -{floor_m} m", f"{width_m} m, {floor_m} m", "grey")
        + block("wall", "0 m, 0 m", f"{width_m} m, 0.2 m", f"{height_m} m", "black", f"{base_m} m")
    ).only("moon")  # fmt: skip
    exitance = 0.5 * MOON_LX * np.sin(np.radians(60.0))
    _, lux = nodes_of(scene, "floor")
    assert lux == pytest.approx(np.full(len(lux), 2 * exitance), rel=2e-3)
    # Reciprocity: the wall has A_floor·F(floor→wall)/A_wall of the floor's exitance.
    mean = gauss(scene, [0, 0, base_m], [width_m, 0, 0], [0, 0, height_m], OUT)
    assert mean / exitance * height_m / floor_m == pytest.approx(factor, rel=0.015)
    places, lux = nodes_of(scene, "wall front wall")
    lux = lux - MOON_LX * np.cos(np.radians(60.0)) * np.sin(np.radians(0.6))
    x, z = places[:, 0], places[:, 2]
    ratio = lux / (exitance * sum(perpendicular(a, floor_m, z) for a in (x, width_m - x)))
    # A side of 0.3 m has four places to gather at, and straight lines between them.
    assert ratio.mean() == pytest.approx(1.0, abs=0.02 if height_m > 0.5 else 0.03)
    # 3 mm from the edge, a few of its 256 rays more or less meet the floor.
    assert np.quantile(np.abs(ratio - 1.0), 0.95) < 0.1
    assert ratio == pytest.approx(np.ones(len(ratio)), abs=0.2)


# --- the foot of a wall ---------------------------------------------------------------------------


def test_evenly_lit_wall_lights_its_foot(lit):
    # A grey wall 6 m wide and 3 m high, the moon on it; E on black ground = M·F right up to it.
    scene = lit(
        MATERIALS + moon(180.0, 30.0) + '[ground]\nmaterial = "black"\nsize = "10 m, 10 m"\n'
        + block("wall", "-3 m, 0 m", "6 m, 0.3 m", "3 m", "grey")
    ).only("moon")  # fmt: skip
    exitance = 0.5 * MOON_LX * np.cos(np.radians(30.0))
    on_ground = MOON_LX * np.sin(np.radians(30.0))
    away = np.array([0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 2.0])
    x = 0.4
    expected = exitance * (perpendicular(3 - x, 3, away) + perpendicular(3 + x, 3, away))
    places = np.column_stack([np.full(len(away), x), -away, np.zeros(len(away))])
    direct, total = scene.at(places, UP)
    assert direct == pytest.approx(np.full(len(away), on_ground), rel=2e-3)
    assert total - direct == pytest.approx(expected, rel=0.02)
    # Without a lamp near, the map's nodes are 0.2 m apart, and its last step cannot bend.
    on_map = scene.on_map(places, UP) - on_ground
    assert on_map[1:] == pytest.approx(expected[1:], rel=0.05)


@pytest.mark.parametrize("setback_m", [0.3, 0.8])
def test_uplit_wall_lights_its_foot(lit, setback_m):
    # The same with the uneven light of a beam: quadrature of M·cos·cos/(π·r²) over the wall.
    flux, beam_deg, up_deg, height = 400.0, 60.0, 70.0, 0.2
    scene = lit(
        MATERIALS + '[ground]\nmaterial = "black"\nsize = "10 m, 10 m"\n'
        + block("wall", "-3 m, 0 m", "6 m, 0.3 m", "3 m", "grey")
        + f'\n[lamps.up]\nkind = "beam"\nbeam = "{beam_deg} deg"\nflux = "{flux} lm"\nspill = 0.0\n'
        + 'loss_factor = 1.0\nbody = "none"\n[[fixture]]\nid = "up"\nlamp = "up"\n'
        + f'at = "0 m, {-setback_m} m, {height} m"\nbearing = "0 deg"\nelevation = "{up_deg} deg"\n'
    )  # fmt: skip
    a = 4 * np.log(2) / np.radians(beam_deg) ** 2
    theta, step = np.linspace(0, np.pi, 20001, retstep=True)
    peak = flux / (2 * np.pi * (np.exp(-a * theta**2) * np.sin(theta)).sum() * step)
    axis = np.array([0.0, np.cos(np.radians(up_deg)), np.sin(np.radians(up_deg))])

    nodes, weights = np.polynomial.legendre.leggauss(200)
    wall_x, weight_x = 3 * nodes, 3 * weights
    wall_z, weight_z = 1.5 * (nodes + 1), 1.5 * weights
    weight = (weight_x[:, None] * weight_z).ravel()
    wall = np.array([(p, 0.0, q) for p in wall_x for q in wall_z])
    way = wall - [0.0, -setback_m, height]
    distance = np.linalg.norm(way, axis=1)
    off = np.arccos(np.clip(way @ axis / distance, -1, 1))
    exitance = 0.5 * peak * np.exp(-a * off**2) * setback_m / distance**3

    away = np.array([0.1, 0.25, 0.5, 1.0, 2.0])
    places = np.array([(x, -y, 0.0) for y in away for x in (0.0, 0.7)])
    expected = []
    for x, y, _ in places:
        r2 = (wall[:, 0] - x) ** 2 + y * y + wall[:, 2] ** 2
        expected.append((exitance * -y * wall[:, 2] / (np.pi * r2**2)) @ weight)
    direct, total = scene.at(places, UP, rays=4096)
    assert total - direct == pytest.approx(expected, rel=0.02)
    # The map gathers from means over 0.25 m, at steps of 0.4 m along the wall: right where there is
    # light, coarser beside it.
    ground = scene.on_map(places, UP) - direct
    assert ground == pytest.approx(expected, rel=0.08, abs=0.07 * max(expected))


# --- the sky --------------------------------------------------------------------------------------


def sky(surroundings: str, lux: float) -> str:
    return f'[site]\nsurroundings = "{surroundings}"\nambient = "{lux} lx"\n'


@pytest.mark.parametrize("surroundings", ["none", "rural", "city"])
def test_open_ground_has_the_ambient_light(lit, surroundings):
    scene = lit(
        MATERIALS + sky(surroundings, 2.0) + '[ground]\nmaterial = "black"\nsize = "10 m, 10 m"\n'
    )
    places = [[0.0, 0.0, 0.0], [3.3, -4.1, 0.0]]
    _, total = scene.at(places, UP)
    assert total == pytest.approx([2.0, 2.0], rel=0.01)
    _, lux, _ = scene.nodes(lambda patch: patch.owner == "ground")
    assert lux.mean() == pytest.approx(2.0, rel=0.005)
    assert lux == pytest.approx(np.full(len(lux), 2.0), rel=0.02)


@pytest.mark.parametrize("height_m", [0.5, 1.0, 2.5])
def test_under_a_wide_slab(lit, tmp_path_factory, height_m):
    # Of an even sky a slab takes away its configuration factor (Howell B-4, four corners).
    import trimesh

    folder = tmp_path_factory.mktemp("slab")
    slab = trimesh.creation.box((4, 3, 0.01))
    slab.apply_translation((0, 0, height_m + 0.005))
    slab.export(folder / "slab.stl")
    scene = lit(
        MATERIALS + sky("none", 2.0) + '[ground]\nmaterial = "black"\nsize = "10 m, 10 m"\n'
        + '[[mesh]]\nname = "slab"\nfile = "slab.stl"\nmaterial = "black"\n',
        folder,
    )  # fmt: skip
    places = np.array([[0.0, 0.0, 0.0], [1.0, 0.7, 0.0], [2.5, 0.0, 0.0]])

    def taken(x, y):
        def signed(a, b):
            return np.sign(a) * np.sign(b) * parallel(abs(a), abs(b), height_m)

        return sum(signed(a, b) for a in (2 - x, 2 + x) for b in (1.5 - y, 1.5 + y))

    seen = np.array([1 - taken(x, y) for x, y, _ in places])
    _, total = scene.at(places, UP, rays=4096)
    assert total == pytest.approx(2.0 * seen, rel=0.03, abs=0.004)
    # The ground near it is gathered at steps of 0.4 m: right to 2.5 % of the open sky's light.
    assert scene.on_map(places, UP) == pytest.approx(2.0 * seen, abs=0.05)


def test_half_the_sky_at_a_wall(lit):
    # A black wall takes the half of the sky that it hides (Howell B-5, two corners); its own face
    # sees black ground below and half the sky above (an even sky: the same luminance all over).
    scene = lit(
        MATERIALS + sky("none", 2.0) + '[ground]\nmaterial = "black"\nsize = "30 m, 30 m"\n'
        + block("wall", "-15 m, 0 m", "30 m, 0.3 m", "10 m", "black")
    )  # fmt: skip
    for away in (0.02, 0.1, 0.5, 2.0):
        hidden = 2 * perpendicular(15.0, 10.0, away)
        place = [[0.0, -away, 0.0]]
        assert scene.at(place, UP, rays=4096)[1] == pytest.approx([2 * (1 - hidden)], rel=0.02)
        assert scene.on_map(place, UP) == pytest.approx([2 * (1 - hidden)], rel=0.05)
    _, face = scene.at([[0.0, 0.0, 0.1]], OUT, rays=4096)
    assert face == pytest.approx([1.0], rel=0.02)


def test_no_seam_where_a_wall_was_cut(lit):
    # A long wall is kept in pieces; on either side of a cut it is one wall and has one light.
    scene = lit(
        MATERIALS + sky("city", 2.0) + '[ground]\nmaterial = "grey"\nsize = "30 m, 30 m"\n'
        + block("wall", "-5 m, 0 m", "10 m, 0.3 m", "3 m", "grey")
        + block("wing", "1 m, -3 m", "2 m, 2 m", "2 m", "grey")
    )  # fmt: skip
    pieces = [
        (patch.origin[0], light)
        for patch, light in zip(scene.site.patches, scene.light.patches, strict=True)
        if patch.name == "wall front wall" and abs(patch.origin[2]) < 1e-6
    ]
    pieces.sort(key=lambda piece: piece[0])
    assert len(pieces) > 2
    for (_, left), (_, right) in itertools.pairwise(pieces):
        assert left[:, -1].max() > 0.1
        assert right[:, 0] == pytest.approx(left[:, -1], rel=1e-5)


def test_underside_of_a_coping_has_the_light_of_the_ground(lit):
    # Its own solid reaches a little below it, and the wall's stands under its middle.
    scene = lit(
        MATERIALS + sky("none", 2.0) + '[ground]\nmaterial = "grey"\nsize = "12 m, 12 m"\n'
        + '[[wall]]\nname = "wall"\nline = ["-3 m, 0 m", "3 m, 0 m"]\n'
        + 'height = "0.85 m"\nthickness = "0.4 m"\n'
    )  # fmt: skip
    underside = next(p for p in scene.site.patches if p.name == "wall coping bottom")
    z, depth = underside.origin[2], underside.size[1]
    places = np.array([[x, (depth / 2 - 0.01) * side, z] for x in (-1.5, 0.7) for side in (-1, 1)])
    _, total = scene.at(places, -UP, rays=4096)
    assert total.min() > 0.1
    assert scene.on_map(places, -UP) == pytest.approx(total, rel=0.12)


def test_gathering_is_the_same_each_time(lit):
    import nightview as nv
    from nightview.light.gather import trace_gather
    from nightview.light.stage import set_up

    scene = lit(
        MATERIALS + sky("city", 2.0) + '[ground]\nmaterial = "grey"\nsize = "9 m, 9 m"\n'
        + block("wall", "-2 m, 0 m", "4 m, 0.3 m", "3 m", "grey")
    )  # fmt: skip
    found = []
    for _ in range(2):
        stage = set_up(nv.build(scene.site.scene).geometry)  # a new geometry: nothing is kept
        gather = trace_gather(scene.site, stage.layout, stage.tracer)
        found.append((gather.matrix.data, gather.matrix.indices, gather.sky_light()))
    for one, other in zip(*found, strict=True):
        assert one.tobytes() == other.tobytes()


def test_eaves_and_porch_are_dark(lit):
    # Ambient light is sky seen: deep in a room open to one side it is a small part of that outside.
    scene = lit(
        MATERIALS + sky("none", 2.0) + '[ground]\nmaterial = "black"\nsize = "16 m, 16 m"\n'
        + block("house", "-4 m, 0 m", "8 m, 4 m", "4 m", "black") + """
[[porch]]
name = "porch"
block = "house"
along = "4 m"
size = "6 m, 3 m"
height = "2.2 m"
floor = "0 m"
posts = 2
roof = "flat"
material = "black"
floor_material = "black"
roof_material = "black"
"""
    )  # fmt: skip
    inside, outside = scene.on_map([[0.0, -0.3, 0.0], [0.0, -7.5, 0.0]], UP)
    assert outside > 1.7
    assert inside < 0.25 * outside


# --- leaves ---------------------------------------------------------------------------------------

UPLIT_TREE = (
    MATERIALS
    + """
leafy = { rgb = [0.2, 0.3, 0.1] }
[site]
ambient = "0 lx"
[ground]
material = "black"
size = "16 m, 16 m"
[[tree]]
name = "tree"
at = "0 m, 0 m"
height = "5 m"
crown = "3 m"
clear = "1.2 m"
leaf = "LEAF"
bark = "black"
[lamps.spot]
kind = "table"
intensity = [["0 deg", "500 cd"], ["15 deg", "500 cd"], ["35 deg", "0 cd"]]
lens = "1 mm"
body = "none"
[[fixture]]
id = "up"
lamp = "spot"
at = "0.2 m, -2.4 m, 0.1 m"
bearing = "0 deg"
elevation = "50 deg"
"""
    + block("before", "-6 m, -5.3 m", "12 m, 0.3 m", "4 m", "black")
    + block("behind", "-6 m, 5 m", "12 m, 0.3 m", "4 m", "black")
)


def light_of_leaves(scene, places, normal):
    """What all leaves of the one crown bring to places (n, 3): the sum of L·A·cos·cos/r² over each
    side of each leaf that nothing hides, (n,) [lx]."""
    from conftest import LUMINOUS

    from nightview.light.lookup import leaf_luminance

    crown = scene.site.crowns[0]
    shown = leaf_luminance(scene.light, 0) @ LUMINOUS
    area = 0.5 * crown.length_m * crown.width_m
    found = []
    for place in places:
        way = place - crown.centre
        r2 = (way**2).sum(axis=1)
        leaf = (way * crown.normal).sum(axis=1)
        cosines = np.abs(leaf) * np.maximum(-way @ normal, 0) / r2**2
        side = np.where(leaf[:, None] > 0, [[1.0, 0.0]], [[0.0, 1.0]])
        starts = crown.centre + 0.002 * np.sign(leaf)[:, None] * crown.normal
        ends = np.broadcast_to(place + 0.002 * normal, starts.shape)
        clear = ~scene.field.tracer.blocked(starts.astype(np.float32), ends.astype(np.float32))
        found.append((shown * side).sum(axis=1) @ (area * cosines * clear))
    return np.array(found)


@pytest.mark.parametrize("leaf", ["leafy", "leaf"])  # the second lets light through, too
def test_uplit_crown_lights_what_is_before_it(lit, leaf):
    from dataclasses import replace

    from conftest import Lit

    import nightview as nv
    from nightview.light.direct import Direct

    scene = lit(UPLIT_TREE.replace("LEAF", leaf))
    dark = object.__new__(Lit)
    parts = [replace(part, direct=Direct()) for part in scene.field.sources]
    dark.site, dark.field = scene.site, replace(scene.field, sources=tuple(parts))
    dark.light = nv.mix(dark.field)
    x = np.linspace(-2, 2, 9)
    walls = [(a, z) for a in x for z in (1.0, 2.0, 3.0)]
    ratio = {}
    for name, places, normal in (
        ("ground before it", [(a, y, 0.0) for a in x for y in (-2.5, -4.0)], UP),
        ("wall before it", [(a, -5.0, z) for a, z in walls], -OUT),
        ("ground aside", [(a, y, 0.0) for a in (-3.5, -2.5, 2.5, 3.5) for y in (-1, 0, 1)], UP),
        ("ground behind it", [(a, 3.0, 0.0) for a in x], UP),
        ("wall behind it", [(a, 5.0, z) for a, z in walls], OUT),
    ):
        expected = light_of_leaves(scene, np.array(places), normal)
        ratio[name] = float(dark.on_map(places, normal).mean() / expected.mean())
    print(leaf, {name: round(value, 3) for name, value in ratio.items()})
    # A cell of leaves shines as they do on average, those that its own leaves hide among them. All
    # round alike, it had 0.4 of the light before an opaque crown, and 2.7 times that behind it.
    assert min(ratio.values()) > 0.75
    assert max(ratio.values()) < 1.3
