"""Where each lamp's lumens go.

Shares are held against solid angles, configuration factors and quadrature of the lamp's own table; on
the demo scenes against the traced maps, which were found the other way about: from the surfaces.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from checked import job_of, lamp, wall
from conftest import faces_of

import nightview as nv
from nightview.checks.ledger import (
    ALL_ABOUT,
    RAYS,
    directions,
    landings,
    ledgers_of,
    rays_of,
    things_of,
)
from nightview.checks.probe import Probe
from nightview.lamps import kinds
from nightview.light.direct import LIFT_M, Direct, light_on_points, trace_direct
from nightview.light.source import Source, source_of
from nightview.light.stage import Stage, set_up
from nightview.site.build import Site

SCENES = Path(__file__).parents[1] / "scenes"

GARDEN = """
[ground]
material = "grass"
size = "{size} m, {size} m"
[lamps.bulb]
kind = "omni"
flux = "100 lm"
loss_factor = 1.0
[lamps.matte]
kind = "linear"
length = "{length} m"
flux = "100 lm"
loss_factor = 1.0
[lamps.narrow]
kind = "beam"
beam = "10 deg"
flux = "100 lm"
spill = 0.0
loss_factor = 1.0
"""


def garden(extra: str, size: float = 40.0, length: float = 0.02) -> str:
    return GARDEN.format(size=size, length=length) + extra


def at(name: str, kind: str, place: str, more: str = "") -> str:
    return f'[[fixture]]\nid = "{name}"\nlamp = "{kind}"\nat = "{place}"\n{more}\n'


def ledger(text: str, name: str = "a"):
    return ledgers_of(job_of(text))[name]


def whole(found) -> float:
    return found.meant + found.other + found.leaves + found.sky + found.beyond


# --- closed forms ---------------------------------------------------------------------------------


def test_a_bulb_over_a_wide_ground_sends_half_up_and_all_but_a_rim_down():
    height, side = 1.0, 20.0
    found = ledger(garden(at("a", "bulb", f"0 m, 0 m, {height} m"), 2 * side))
    # Solid angle of a rectangle 2a by 2b at distance d on its axis: 4·atan(ab/(d·√(a² + b² + d²))).
    seen = 4 * np.arctan(side * side / (height * np.sqrt(2 * side**2 + height**2))) / (4 * np.pi)
    assert found.target == ALL_ABOUT
    assert found.sky == pytest.approx(0.5, abs=0.001)
    assert found.meant == pytest.approx(seen, abs=0.001)
    assert found.beyond == pytest.approx(0.5 - seen, abs=0.001)
    assert whole(found) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("radius", "distance"), [(0.5, 1.0), (1.0, 1.0), (2.0, 1.0), (1.0, 3.0)])
def test_a_matte_source_over_a_disc(radius, distance):
    bed = f'[[bed]]\nname = "disc"\ncentre = "0 m, 0 m"\nsize = "{2 * radius} m, {2 * radius} m"\n'
    text = garden(bed + at("a", "matte", f"0 m, 0 m, {distance} m", 'lights = "disc"'))
    job = job_of(text)
    found = ledgers_of(job)["a"]
    # Element to coaxial disc, F = R²/(R² + d²) (Howell B-12), for the disc of the polygon's area.
    area = sum(p.outline.area for p in job.site.patches if p.owner == "disc")
    assert area == pytest.approx(np.pi * radius**2, rel=0.01)
    square = area / np.pi
    assert found.meant == pytest.approx(square / (square + distance**2), abs=0.002)
    assert found.sky == 0.0
    assert found.off == pytest.approx(found.other + found.beyond, abs=1e-12)


def corner(a: float, b: float, d: float) -> float:
    """Element to a parallel rectangle a by b over its corner (Howell B-4)."""
    x, y = a / d, b / d
    p, q = np.hypot(1, x), np.hypot(1, y)
    return float((x / p * np.arctan(y / p) + y / q * np.arctan(x / q)) / (2 * np.pi))


def test_the_factor_of_a_rectangle_is_the_published_one():
    assert corner(1, 1, 1) == pytest.approx(0.138532, abs=5e-7)  # sources.md, W19


def test_a_linear_lamp_shines_from_its_whole_length():
    length, height = 3.0, 0.8
    bed = '[[bed]]\nname = "square"\noutline = ["0 m, 0 m", "1 m, 0 m", "1 m, 1 m", "0 m, 1 m"]\n'
    row = at("a", "matte", f"0 m, 0 m, {height} m", 'lights = "square"')
    found = ledger(garden(bed + row, length=length))
    job = job_of(garden(bed + row, length=length))
    way = np.cross(job.site.fixtures[0].axis, job.site.fixtures[0].reference)
    # Howell B-4 from each place of the row, the square's sides seen from there being signed.
    places = length * ((np.arange(4000) + 0.5) / 4000 - 0.5)
    each = []
    for along in places:
        x, y = along * way[:2]
        each.append(
            sum(
                sx * sy * np.sign(a) * np.sign(b) * corner(abs(a), abs(b), height)
                for a, sx in ((1 - x, 1), (-x, -1))
                for b, sy in ((1 - y, 1), (-y, -1))
            )
        )
    assert found.meant == pytest.approx(np.mean(each), abs=0.002)
    # Were it a point in the middle, it would be another figure.
    assert abs(corner(1, 1, height) - np.mean(each)) > 0.02


def test_a_beam_wholly_on_a_wall_is_wholly_meant():
    text = wall(lamp("a", 3.0, 0.6, 0.0, "narrow", 'height = "1.5 m"'))
    found = ledger(text)
    assert (found.target, found.meant, found.off) == ("house front", 1.0, 0.0)
    assert found.said == "100 % on house front"


@pytest.mark.parametrize(
    "light",
    [
        kinds.beam(100.0, 24.0),
        kinds.hat(100.0, 80.0),
        kinds.wash(100.0, 30.0, 90.0),
        kinds.linear(100.0, 60.0),
    ],
    ids=["beam", "hat", "wash", "linear"],
)
def test_directions_carry_the_lumens_of_the_table(light):
    cosine, phi = directions(light, RAYS)
    # The table asked direction by direction over the sphere: lumens in rings and sectors.
    c = (np.arange(1600) + 0.5) / 800 - 1
    p = 2 * np.pi * (np.arange(720) + 0.5) / 720
    candela = light.at(np.repeat(c, 720), np.tile(p, 1600)).astype(float).reshape(1600, 720)
    share = candela / candela.sum()
    rings, sectors = [-1.0, 0.0, 0.5, 0.8, 0.95, 1.0], np.linspace(0, 2 * np.pi, 9)
    lumens, *_ = np.histogram2d(
        np.repeat(c, 720), np.tile(p, 1600), [rings, sectors], weights=share.ravel()
    )
    rays, *_ = np.histogram2d(cosine, phi % (2 * np.pi), [rings, sectors])
    assert np.abs(rays / RAYS - lumens).max() < 0.002


def test_rays_turn_about_the_axis_as_the_table_does():
    text = garden(
        '[lamps.wide]\nkind = "wash"\nbeam = "20 deg"\nwidth = "100 deg"\nflux = "100 lm"\nspill = 0.0\n'
        + at("a", "wide", "0 m, 0 m, 2 m", 'bearing = "0 deg"\nroll = "0 deg"')
    )
    (placed,) = job_of(text).site.fixtures
    _, ways = rays_of(placed)
    # Aimed level along +y without roll, its narrow side is upright: light spreads along x.
    assert np.abs(ways[:, 0]).mean() > 3 * np.abs(ways[:, 2]).mean()
    assert ways[:, 1].min() > 0.0


# --- what is meant --------------------------------------------------------------------------------

PATH = """
[[path]]
name = "walk"
line = ["-15 m, 0 m", "15 m, 0 m"]
width = "1 m"
"""


def test_the_ground_beside_a_path_is_meant_as_far_as_the_path_is_wide():
    found = ledger(garden(PATH + at("a", "matte", "0 m, 0 m, 1 m", 'lights = "walk"')))
    # Matte over a strip without end: the share within ±w is sin(atan(w/h)) (2 D, Howell C-1).
    # The strip is 1 m wide and counts with 1 m to each side; 30 m long, it loses 1/15² at its ends.
    assert found.meant == pytest.approx(np.sin(np.arctan(1.5)), abs=0.006)
    assert found.by_name["walk"] == pytest.approx(np.sin(np.arctan(0.5)), abs=0.006)
    assert found.other == pytest.approx(1 - found.meant, abs=0.01)


def test_what_stands_high_beside_a_path_is_not_meant():
    fence = '[[wall]]\nname = "fence"\nline = ["-15 m, 1 m", "15 m, 1 m"]\nheight = "2 m"\n'
    stray = ledger(garden(PATH + fence + at("a", "bulb", "0 m, 0 m, 1 m", 'lights = "walk"')))
    job = job_of(garden(PATH + fence + at("a", "bulb", "0 m, 0 m, 1 m", 'lights = "walk"')))
    (landing,) = landings(job.meter.probe, job.site.fixtures)
    on_fence = things_of(job.site).own("fence")[landing.surface]
    low = on_fence & (landing.points[:, 2] < 0.5)
    assert 0.0 < low.mean() < on_fence.mean()
    assert stray.strays["fence"] == pytest.approx(on_fence.mean() - low.mean(), abs=1e-9)


def test_a_door_is_meant_with_the_wall_about_it():
    door = '[[opening]]\nname = "door"\nblock = "house"\nkind = "door"\nalong = "3 m"\nsize = "1 m, 2 m"\n'
    flat = wall(door + lamp("a", 3.0, 3.0, 0.0, "wide", 'height = "1 m"\nlights = "door"'))
    found = ledger(flat)
    leaf = things_of(job_of(flat).site).own("door")
    assert leaf.any()
    assert 0.2 < found.meant < 1.0
    assert ledger(flat.replace('lights = "door"', 'lights = "house front"')).meant > found.meant
    assert ledger(flat.replace('lights = "door"', 'lights = "house"')).meant >= found.meant


def test_a_lantern_lights_all_about_it_unless_it_is_told_what():
    bulb = at("a", "bulb", "0 m, 0 m, 1 m")
    assert ledger(garden(bulb)).target == ALL_ABOUT
    assert ledger(garden(bulb + 'lights = "ground"\n')).target == "ground"
    spot = at("a", "narrow", "0 m, 0 m, 1 m", 'elevation = "-90 deg"')
    assert ledger(garden(spot)).target == "ground"


def test_an_aim_through_a_gap_is_meant_for_what_catches_most():
    # The axis passes a hand's breadth beside the post, the beam does not.
    post = '[[column]]\nname = "post"\nat = "0 m, 3 m"\nshape = "square"\nwidth = "0.3 m"\nheight = "3 m"\n'
    spot = at("a", "narrow", "0.2 m, 0 m, 1.2 m", 'bearing = "0 deg"\nelevation = "0 deg"')
    job = job_of(garden(post + spot, size=5.0))
    assert job.meant["a"] == ""
    found = ledgers_of(job)["a"]
    assert (found.target, found.meant) == ("post", found.by_name["post"])
    # Nothing is made up for light that meets next to nothing.
    up = ledger(garden(at("a", "narrow", "0 m, 0 m, 1 m", 'elevation = "80 deg"')))
    assert (up.target, up.meant, up.sky) == ("", 0.0, 1.0)


def test_a_collar_takes_lumens_away_and_those_left_are_accounted_for():
    text = wall(lamp("a", 3.0, 0.6, 75.0, "wide"))
    bare, shielded = ledger(text), ledger(text + 'shield = "25 deg"\n')
    assert shielded.flux_lm < 0.8 * bare.flux_lm
    assert whole(shielded) == pytest.approx(1.0, abs=1e-12)
    assert shielded.off < bare.off


def test_only_a_changed_lamp_is_followed_anew(monkeypatch):
    text = wall(lamp("a", 2.0, 0.6) + lamp("b", 4.0, 0.6))
    first = ledgers_of(job_of(text))
    sent = []
    monkeypatch.setattr(
        "nightview.checks.ledger.landings",
        lambda probe, lamps, **way: (
            sent.append([one.id for one in lamps]) or landings(probe, lamps, **way)
        ),
    )
    second = ledgers_of(job_of(wall(lamp("a", 2.0, 0.6) + lamp("b", 4.2, 0.6))))
    assert sent == [["b"]]
    assert second["a"] is first["a"]


def test_the_same_lamp_has_the_same_account_in_every_run():
    text = wall(lamp("a", 2.0, 0.6))
    job = job_of(text)
    one, two = (landings(job.meter.probe, job.site.fixtures)[0] for _ in range(2))
    assert (one.points == two.points).all()


# --- the demo scenes: the account closes ----------------------------------------------------------

MORE_RAYS = 1 << 15


def node_weights(count: int, length: float) -> np.ndarray:
    weight = np.full(count, length / (count - 1))
    weight[[0, -1]] /= 2
    return weight


def on_patch(stage: Stage, site: Site, number: int, level: int, values: np.ndarray) -> float:
    """Lumens of a patch's map, linear between its nodes, cut where its outline cuts [lm]."""
    patch = site.patches[number]
    width, height = patch.size
    if stage.grids.mask(number, level) is None:
        nv_, nu_ = values.shape
        return float(node_weights(nv_, height) @ values @ node_weights(nu_, width))
    values = stage.grids.filled(number, level, values[..., None])[..., 0].astype(float)
    parts = 4  # a node on an edge stands for half its cell: the cells are cut in 16
    for axis in (0, 1):
        n = values.shape[axis]
        place = (np.arange((n - 1) * parts) + 0.5) / parts
        low = place.astype(int)
        share = (place - low).reshape((-1, 1) if axis == 0 else (1, -1))
        values = np.take(values, low, axis) * (1 - share) + np.take(values, low + 1, axis) * share
    real = real_pieces(stage, number, *values.shape)
    return float((values if real is None else values * real).mean()) * width * height


@lru_cache(maxsize=8192)
def real_pieces(stage: Stage, number: int, rows: int, columns: int) -> np.ndarray | None:
    """Which pieces of a patch lie inside its outline and outside every solid; None for all."""
    width, height = stage.geometry.patches[number].size
    u, v = ((np.arange(n) + 0.5) / n * side for n, side in ((columns, width), (rows, height)))
    return stage.grids.valid(number, u, v)


def on_triangles(
    stage: Stage, source: Source, corners: np.ndarray, parts: int, two_sided: bool
) -> float:
    """Lumens on triangles (n, 3, 3), evaluated at the middles of parts² pieces of each [lm].

    The maps keep one value a leaf and one a vertex, which is right in the mean of many leaves alone.
    """
    steps = [
        ((i + 1 / 3) / parts, (j + 1 / 3) / parts) for i in range(parts) for j in range(parts - i)
    ]
    steps += [
        ((i + 2 / 3) / parts, (j + 2 / 3) / parts)
        for i in range(parts)
        for j in range(parts - i - 1)
    ]
    edge1, edge2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    normal = np.cross(edge1, edge2)
    doubled = np.linalg.norm(normal, axis=1)
    normal /= np.maximum(doubled, 1e-30)[:, None]
    total = 0.0
    for a, b in steps:
        points = corners[:, 0] + a * edge1 + b * edge2
        for position in source.positions:
            light, _ = light_on_points(
                points.astype(np.float32),
                normal.astype(np.float32),
                source,
                position,
                two_sided=True,
            )
            lit = np.flatnonzero(np.abs(light) > 1e-5 if two_sided else light > 1e-5)
            starts = points[lit] + 0.2 * LIFT_M * np.sign(light[lit])[:, None] * normal[lit]
            clear = ~stage.tracer.blocked(starts.astype(np.float32), position.astype(np.float32))
            total += float(np.abs(light[lit]) @ (doubled[lit] / 2 * clear)) / len(steps)
    return total


def on_surfaces(stage: Stage, site: Site, source: Source, direct: Direct) -> float:
    """All lumens of a source found on surfaces, glass apart [lm].

    Leaves and boughs that have less than a 500th of the light are read off the map.
    """
    few = 0.002 * source.intensity.flux_lm * len(source.positions)
    total = 0.0
    for number, (level, values) in direct.patches.items():
        total += on_patch(stage, site, number, level, values)
    for number, values in direct.crowns.items():
        crown = site.crowns[number]
        found = float(np.abs(values).sum()) * 0.5 * crown.length_m * crown.width_m
        corners = crown.triangles.astype(float)
        total += found if found < few else on_triangles(stage, source, corners, 2, True)
    for number, values in direct.meshes.items():
        mesh = site.meshes[number]
        found = float(values[mesh.faces].mean(axis=1) @ faces_of(mesh))
        corners = mesh.vertices[mesh.faces]
        total += found if found < few else on_triangles(stage, source, corners, 4, False)
    return total


def among_leaves(site: Site, source: Source) -> bool:
    """Whether a lamp hangs in a crown: what comes through is dapples finer than the map's grid."""
    return any(
        np.linalg.norm(crown.centre - source.positions[0], axis=1).min() < 0.5
        for crown in site.crowns
    )


def closures(name: str) -> list[tuple[str, float, float, bool]]:
    """Of a lamp of each fixture of a demo scene, the middle one of a row: flux [lm], what is found of
    it, as a share, and whether it hangs among leaves."""
    scene = nv.read(SCENES / f"{name}.toml")
    site = nv.build(scene)
    stage = set_up(site.geometry)
    chosen = {fixture.lamp_ids[len(fixture.lamp_ids) // 2] for fixture in scene.fixtures}
    lamps = [lamp for lamp in site.fixtures if lamp.id in chosen]
    found = []
    landed = landings(Probe(site.geometry, lambda: stage.tracer), lamps, MORE_RAYS)
    for placed, landing in zip(lamps, landed, strict=True):
        source = source_of(placed)
        direct = trace_direct(site, source, stage.tracer, stage.grids, stage.spheres)
        glass = np.array([*(p.kind == "glass" for p in site.patches), False])
        number = np.where(landing.surface < len(site.patches), landing.surface, -1)
        past = float((landing.surface < 0).mean() + glass[number].mean())
        flux = placed.lamp.flux_lm
        share = on_surfaces(stage, site, source, direct) / flux + past
        found.append((placed.id, flux, share, among_leaves(site, source)))
    return found


@pytest.mark.parametrize("scene", ["cottage", "terrace-house", "lodge"])
def test_what_the_maps_hold_and_what_leaves_is_all_there_is(scene):
    """To 1 %, of a lamp of each fixture, and to 0.5 % of all these together.

    A lamp among leaves is held to 1.5 %, since the map of the ground keeps one ray a node of what comes
    through.
    """
    found = closures(scene)
    assert len(found) > 5
    for name, _, share, leafy in found:
        assert share == pytest.approx(1.0, abs=0.015 if leafy else 0.01), name
    flux, shares = (np.array([row[k] for row in found]) for k in (1, 2))
    assert flux @ shares / flux.sum() == pytest.approx(1.0, abs=0.005)


def test_light_between_the_leaves_of_the_tree_that_is_meant_is_told_by_itself():
    """A narrow beam up into a crown: all of it is in the crown or between its leaves, by Lambert and
    Beer's law of the crown's own gap (exp(−τ) of a ray through its middle)."""
    text = """
    [ground]
    size = "20 m, 20 m"
    [[tree]]
    name = "tree"
    at = "0 m, 0 m"
    height = "7 m"
    crown = "5 m"
    clear = "1.5 m"
    gap = 0.3
    [lamps.thin]
    kind = "beam"
    beam = "8 deg"
    flux = "100 lm"
    spill = 0.0
    [[fixture]]
    id = "up"
    lamp = "thin"
    at = "0.8 m, 0 m, 0.2 m"
    aim = "0.8 m, 0 m, 5 m"
    """
    from checked import job_of

    job = job_of(text)
    ledger = ledgers_of(job)["up"]
    assert ledger.meant + ledger.through == pytest.approx(1.0, abs=0.02)
    assert 0.1 < ledger.through < 0.5
    assert ledger.off < 0.02
