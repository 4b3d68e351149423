"""Whole scenes against Mitsuba 3, a general-purpose path tracer (test extra only).

The twin of each scene holds the same triangles, colours and lamps; its illuminance has a standard
error of less than 0.7 %. Points are exact ones; the maps from which pictures are drawn are read at
the same places. Lamps have lenses of 1 mm, since the twin's are points.
"""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("mitsuba", reason="the path tracer comes with the test extra")

from twin import reference

UP, FRONT, LEFT = [0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [-1.0, 0.0, 0.0]
LAMPS = """
[lamps.spot]
kind = "table"
intensity = [["0 deg", "500 cd"], ["15 deg", "500 cd"], ["35 deg", "0 cd"]]
lens = "1 mm"
body = "none"

[lamps.bulb]
kind = "omni"
flux = "400 lm"
lens = "1 mm"
loss_factor = 1.0
body = "none"
"""
GRAVEL = """
[ground]
material = "gravel"
size = "14 m, 14 m"
"""

COLUMN = """
[[column]]
name = "column"
at = "0 m, -1.5 m"
shape = "SHAPE"
width = "0.4 m"
height = "2.4 m"

[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "3 m"
roof = { kind = "flat", overhang = "0.3 m" }

[[fixture]]
id = "bulb"
lamp = "bulb"
at = "0.1 m, -3.2 m, 0.6 m"
"""
# In the shadow, on the wall and on the ground; and beside it.
COLUMN_PLACES = [
    *[((0.0, 0.0, 0.4), FRONT), ((0.0, 0.0, 1.2), FRONT), ((-0.1, 0.0, 0.8), FRONT)],
    *[((0.0, -0.6, 0.0), UP), ((-0.1, -0.3, 0.0), UP)],
    *[((1.2, 0.0, 1.0), FRONT), ((-2.0, 0.0, 1.5), FRONT)],
    *[((1.0, -1.0, 0.0), UP), ((-0.8, -2.2, 0.0), UP), ((0.3, -5.0, 0.0), UP)],
]

PORCH = """
[[block]]
name = "house"
at = "-4 m, 0 m"
size = "8 m, 4 m"
height = "3 m"

[[porch]]
name = "porch"
block = "house"
along = "4 m"
size = "3 m, 2 m"
height = "2.3 m"
floor = "0.15 m"
"""
LANTERN = """
[[fixture]]
id = "lantern"
lamp = "bulb"
at = "0.2 m, -0.8 m, 2 m"
"""
PORCH_PLACES = [
    *[((0.0, 0.0, 1.0), FRONT), ((1.0, 0.0, 0.5), FRONT), ((-1.2, 0.0, 2.0), FRONT)],
    *[((2.2, 0.0, 1.5), FRONT), ((0.0, 0.0, 2.1), FRONT)],
    *[((0.0, -0.3, 0.15), UP), ((1.0, -1.5, 0.15), UP)],
    *[((0.2, -3.0, 0.0), UP), ((2.5, -1.0, 0.0), UP), ((-3.0, -0.3, 0.0), UP)],
]

CORNER = """
[[block]]
name = "long house"
at = "0 m, 0 m"
size = "8 m, 5 m"
height = "3 m"
material = "white render"
roof = { kind = "gable", pitch = "40 deg", overhang = "0.4 m" }

[[block]]
name = "wing"
at = "4 m, -3 m"
size = "4 m, 6 m"
height = "3 m"
material = "red brick"
roof = { kind = "gable", pitch = "40 deg", ridge = "across", overhang = "0.3 m" }

[[fixture]]
id = "near the corner"
lamp = "spot"
at = "3.2 m, -0.7 m, 0.15 m"
bearing = "10 deg"
elevation = "72 deg"

[[fixture]]
id = "beside it"
lamp = "spot"
at = "1.2 m, -0.8 m, 0.15 m"
bearing = "-5 deg"
elevation = "76 deg"
"""
CORNER_PLACES = [
    *[((3.2, 0.0, 1.5), FRONT), ((1.2, 0.0, 2.0), FRONT), ((3.9, 0.0, 0.5), FRONT)],
    *[((4.0, -0.5, 1.0), LEFT), ((4.0, -1.5, 1.5), LEFT), ((4.0, -2.5, 0.5), LEFT)],
    *[
        ((3.8, -0.2, 0.0), UP),
        ((2.2, -0.3, 0.0), UP),
        ((3.0, -2.5, 0.0), UP),
        ((1.0, -1.5, 0.0), UP),
    ],
]

TREE = """
[materials.dull]
rgb = [0.1, 0.2, 0.06]

[[tree]]
name = "tree"
at = "0 m, -2.5 m"
height = "4 m"
crown = "2.6 m"
clear = "1.2 m"
leaf = "dull"

[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "4 m"

[[fixture]]
id = "bulb"
lamp = "bulb"
at = "0.3 m, -4.4 m, 0.6 m"
"""
TREE_PLACES = [
    *[((0.0, 0.0, 0.4), FRONT), ((-2.0, 0.0, 1.5), FRONT)],
    *[((0.0, -0.6, 0.0), UP), ((-0.1, -1.5, 0.0), UP), ((1.0, -1.0, 0.0), UP)],
    *[((-0.8, -2.2, 0.0), UP), ((0.3, -5.0, 0.0), UP), ((0.3, -3.1, 0.0), UP)],
]

NIGHT = """
[site]
ambient = "1 lx"

[[opening]]
name = "window"
block = "house"
along = "6.5 m"
size = "1.2 m, 1.3 m"
panes = [1, 1]
glow = "8 cd/m^2"
"""
NIGHT_PLACES = [
    *PORCH_PLACES[:3],
    *[((1.7, 0.0, 1.5), FRONT), ((-3.0, 0.0, 1.5), FRONT)],
    *PORCH_PLACES[5:9],
    *[((2.5, -0.3, 0.0), UP), ((3.2, -0.8, 0.0), UP), ((-3.0, -0.3, 0.0), UP)],
]

SCENES = {
    "round column": (LAMPS + GRAVEL + COLUMN.replace("SHAPE", "round"), COLUMN_PLACES, 1 << 18),
    "square column": (LAMPS + GRAVEL + COLUMN.replace("SHAPE", "square"), COLUMN_PLACES, 1 << 18),
    "porch": (LAMPS + GRAVEL + PORCH + LANTERN, PORCH_PLACES, 1 << 17),
    "corner": (LAMPS + GRAVEL + CORNER, CORNER_PLACES, 3 << 18),
    "tree": (LAMPS + GRAVEL + TREE, TREE_PLACES, 1 << 18),
    "porch by night": (NIGHT + GRAVEL + PORCH, NIGHT_PLACES, 1 << 17),
}


def worst(found, expected) -> float:
    return float(np.abs(found / expected - 1).max())


@pytest.mark.parametrize("name", SCENES)
def test_scene_against_the_path_tracer(lit, tmp_path, name):
    text, where, samples = SCENES[name]
    scene = lit(text)
    places, normals = (np.array(column, float) for column in zip(*where, strict=True))
    direct, total = scene.at(places, normals)
    on_map = scene.on_map(places, normals)
    truth = reference(scene.site, places, normals, tmp_path, samples)
    for what, values in (("points", total), ("maps", on_map)):  # seen with pytest -rP
        off = 100 * np.abs(values / truth.total - 1)
        print(f"{name}, {what}: median {np.median(off):.2f} %, worst {off.max():.2f} %")
    assert truth.noise.max() < 0.007

    # An even sky, and what is seen of a pane through the twin's depth of two, is no lamp's light.
    if name != "porch by night":
        assert ((direct > 0) == (truth.direct > 0)).all()
        lit_places = direct > 0
        assert lit_places.any()
        assert worst(direct[lit_places], truth.direct[lit_places]) < 0.01
    assert worst(total, truth.total) < 0.05
    assert np.median(np.abs(total / truth.total - 1)) < 0.02
    # The maps: the same, but in the shadow of a column, where the light of other surfaces has the
    # column's shadow, too, and that lies between their nodes.
    off = np.abs(on_map / truth.total - 1)
    # Before a window all is half-shadow, found by 16 spots of the pane.
    assert off[direct > 0.5 * total].max(initial=0.0) < (0.1 if "night" in name else 0.05)
    assert np.median(off) < 0.03
    assert off.max() < (0.1 if "column" in name else 0.05)


def test_mesh_alone_against_the_path_tracer(lit, tmp_path):
    # An open box with a pillar in it: no ground, no house, no sky; light at vertices and points.
    import trimesh
    from conftest import LUMINOUS

    box = trimesh.creation.box((2, 2, 2))
    box.invert()
    box.update_faces(box.triangles_center[:, 2] < 0.9)
    pillar = trimesh.creation.box((0.5, 0.4, 1.1))
    pillar.apply_translation((0.3, 0.1, -0.45))
    trimesh.util.concatenate([box, pillar]).export(tmp_path / "tray.ply")
    scene = lit(
        LAMPS + '[[mesh]]\nname = "tray"\nfile = "tray.ply"\nmaterial = "white render"\n'
        '[[fixture]]\nid = "bulb"\nlamp = "bulb"\nat = "-0.45 m, -0.35 m, 0.5 m"\n',
        tmp_path,
    )
    mesh = scene.site.meshes[0]
    chosen = np.random.default_rng(3).choice(len(mesh.faces), 24, replace=False)
    corners = mesh.vertices[mesh.faces[chosen]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    places = corners.mean(axis=1)
    direct, total = scene.at(places, normals)
    truth = reference(scene.site, places, normals, tmp_path, 1 << 16)
    assert truth.noise.max() < 0.007
    assert ((direct > 0) == (truth.direct > 0)).all()
    lit_places = direct > 0
    assert worst(direct[lit_places], truth.direct[lit_places]) < 0.01
    assert worst(total, truth.total) < 0.05
    at_vertices = (scene.light.meshes[0] @ LUMINOUS)[mesh.faces[chosen]].mean(axis=1)
    assert worst(at_vertices, truth.total) < 0.05
