"""Imported meshes: every format gives the same geometry, and a damaged file our own error."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from nightview.errors import NightviewError
from nightview.scene.model import Mesh
from nightview.site import surface
from nightview.site.meshes import load
from nightview.units import shown

FORMATS = ("glb", "gltf", "obj", "ply", "stl")
Y_UP = ("glb", "gltf")


def write(folder: Path, shape: trimesh.Trimesh, suffix: str) -> str:
    """The shape, z-up, in a file of that format as its kind is used: glTF is y-up."""
    out = shape.copy()
    if suffix in Y_UP:
        out.vertices = out.vertices[:, [0, 2, 1]] * [1, 1, -1]
    name = f"shape.{suffix}"
    out.export(folder / name)
    return name


def read(folder: Path, name: str, **keys: object) -> surface.Mesh:
    return load(Mesh.model_validate({"name": "shape", "file": name, **keys}), folder)


def bounds(mesh: surface.Mesh) -> list[float]:
    return [*mesh.vertices.min(axis=0), *mesh.vertices.max(axis=0)]


def area(mesh: surface.Mesh) -> float:
    """Of all faces together [m²]."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def volume(mesh: surface.Mesh) -> float:
    """Signed: positive where faces are counter-clockwise from outside [m³]."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def a_house() -> trimesh.Trimesh:
    """A box of 1 × 2 × 3 m with a smaller one on a corner: no axis or sign may be exchanged."""
    low = trimesh.creation.box((1, 2, 3))
    high = trimesh.creation.box(
        (0.2, 0.3, 0.4), trimesh.transformations.translation_matrix((0.3, 0.7, 1.7))
    )
    return trimesh.util.concatenate([low, high])


# --- the same in all formats ----------------------------------------------------------------------


@pytest.mark.parametrize("suffix", FORMATS)
def test_all_formats_give_the_same_geometry(suffix: str, tmp_path: Path) -> None:
    mesh = read(tmp_path, write(tmp_path, a_house(), suffix))
    assert bounds(mesh) == pytest.approx([-0.5, -1, -1.5, 0.5, 1, 1.9], abs=1e-6)
    assert volume(mesh) == pytest.approx(6 + 0.2 * 0.3 * 0.4, rel=1e-5)
    assert area(mesh) == pytest.approx(22 + 2 * (0.06 + 0.08 + 0.12), rel=1e-5)
    top = mesh.vertices[mesh.vertices[:, 2] > 1.89].mean(axis=0)
    assert top == pytest.approx([0.3, 0.7, 1.9], abs=0.02)
    reference = read(tmp_path, write(tmp_path, a_house(), "stl"))
    assert len(mesh.vertices) == len(reference.vertices) and len(mesh.faces) == len(reference.faces)


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize(
    ("unit", "metres"), [("mm", 0.001), ("cm", 0.01), ("in", 0.0254), ("ft", 0.3048)]
)
def test_units(unit: str, metres: float, suffix: str, tmp_path: Path) -> None:
    drawn = a_house()
    drawn.apply_scale(1 / metres)
    mesh = read(tmp_path, write(tmp_path, drawn, suffix), unit=unit)
    assert bounds(mesh) == pytest.approx([-0.5, -1, -1.5, 0.5, 1, 1.9], abs=1e-5)


def test_the_up_axis_may_be_stated(tmp_path: Path) -> None:
    drawn = a_house()
    drawn.vertices = drawn.vertices[:, [0, 2, 1]] * [1, 1, -1]  # y-up, in a format that is z-up
    drawn.export(tmp_path / "a.obj")
    assert bounds(read(tmp_path, "a.obj", up="y")) == pytest.approx(
        [-0.5, -1, -1.5, 0.5, 1, 1.9], abs=1e-6
    )
    a_house().export(tmp_path / "b.glb")
    assert bounds(read(tmp_path, "b.glb", up="z")) == pytest.approx(
        [-0.5, -1, -1.5, 0.5, 1, 1.9], abs=1e-6
    )


def test_turned_counter_clockwise_then_placed(tmp_path: Path) -> None:
    name = write(tmp_path, a_house(), "glb")
    mesh = read(tmp_path, name, turn="90 deg", at="10 m, 20 m, 1.5 m")
    # (x, y) becomes (−y, x): the corner piece at (0.3, 0.7) comes to (−0.7, 0.3).
    assert bounds(mesh) == pytest.approx([9, 19.5, 0, 11, 20.5, 3.4], abs=1e-6)
    top = mesh.vertices[mesh.vertices[:, 2] > 3.39].mean(axis=0)
    assert top[:2] == pytest.approx([9.3, 20.3], abs=0.02)


def test_parts_of_a_gltf_stand_where_its_scene_puts_them(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    for x, scale in ((0.0, 1.0), (5.0, -1.0)):  # the second is a mirror image
        place = trimesh.transformations.translation_matrix((x, 0, 0))
        place[0, 0] = scale
        scene.add_geometry(a_house(), transform=place)
    scene.export(tmp_path / "two.glb")
    mesh = read(tmp_path, "two.glb", up="z")
    assert bounds(mesh) == pytest.approx([-0.5, -1, -1.5, 5.5, 1, 1.9], abs=1e-6)
    assert volume(mesh) == pytest.approx(2 * 6.024, rel=1e-5)  # and neither is inside out


# --- edges and normals ----------------------------------------------------------------------------


def test_hard_edges_are_split(tmp_path: Path) -> None:
    mesh = read(tmp_path, write(tmp_path, trimesh.creation.box((1, 1, 1)), "glb"))
    assert (np.sort(np.abs(mesh.normals), axis=1) == [0, 0, 1]).all()
    corner = np.isclose(np.abs(mesh.vertices), 0.5).all(axis=1)
    assert corner.sum() == 24  # three directions at each of eight corners
    # What lights a vertex lies inside its own face, not on the edge.
    inward = (mesh.inset - mesh.vertices)[corner]
    assert np.einsum("ij,ij->i", inward, mesh.normals[corner]) == pytest.approx(0, abs=1e-9)
    assert (np.abs(mesh.inset).max(axis=1) < 0.5 + 1e-9).all()


@pytest.mark.parametrize("suffix", FORMATS)
def test_a_sphere_is_smooth(suffix: str, tmp_path: Path) -> None:
    mesh = read(tmp_path, write(tmp_path, trimesh.creation.icosphere(4, 0.5), suffix))
    assert len(mesh.vertices) == 2562  # one each: nothing split
    outward = mesh.vertices / np.linalg.norm(mesh.vertices, axis=1, keepdims=True)
    assert np.degrees(np.arccos(np.clip((outward * mesh.normals).sum(axis=1), -1, 1))).max() < 0.5


def test_large_faces_are_divided_small_ones_are_not(tmp_path: Path) -> None:
    mesh = read(tmp_path, write(tmp_path, trimesh.creation.box((4, 4, 4)), "stl"))
    edges = np.linalg.norm(np.diff(mesh.vertices[mesh.faces[:, [0, 1, 2, 0]]], axis=1), axis=2)
    assert edges.max() <= 0.35 + 1e-9
    assert volume(mesh) == pytest.approx(64)
    small = read(tmp_path, write(tmp_path, trimesh.creation.box((0.1, 0.1, 0.1)), "stl"))
    assert len(small.faces) == 12


# --- damaged --------------------------------------------------------------------------------------


def refused(folder: Path, name: str, *words: str, **keys: object) -> None:
    with pytest.raises(NightviewError) as caught:
        read(folder, name, **keys)
    assert caught.value.where.startswith('mesh "shape": file') and shown(name) in caught.value.where
    assert caught.value.remedy
    for word in words:
        assert word in str(caught.value)


@pytest.mark.parametrize("suffix", FORMATS)
def test_empty_files(suffix: str, tmp_path: Path) -> None:
    (tmp_path / f"a.{suffix}").touch()
    refused(tmp_path, f"a.{suffix}")


@pytest.mark.parametrize("suffix", FORMATS)
def test_files_of_noise(suffix: str, tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    for content in (bytes(300), rng.bytes(3000), b"f 1 2 3\n" * 9, b"\xff\xfe" + rng.bytes(99)):
        (tmp_path / f"a.{suffix}").write_bytes(content)
        refused(tmp_path, f"a.{suffix}")


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.99])
@pytest.mark.parametrize("kind", ["glb", "ply", "stl", "ascii stl", "ascii ply"])
def test_truncated_files(kind: str, share: float, tmp_path: Path) -> None:
    """Formats that say how long they are or where they end; OBJ does neither."""
    shape, suffix = trimesh.creation.icosphere(2, 1.0), kind.split()[-1]
    if kind == "ascii stl":
        shape.export(tmp_path / "a.stl", file_type="stl_ascii")
    else:
        shape.export(
            tmp_path / f"a.{suffix}", **({"encoding": "ascii"} if kind == "ascii ply" else {})
        )
    path = tmp_path / f"a.{suffix}"
    read(tmp_path, path.name)  # whole, it is read
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    refused(tmp_path, path.name)


@pytest.mark.parametrize("end", ["f 1 3", "f 1", "f", "f 1/1 2/2 3/", "f 1 \\\n 3"])
def test_an_obj_cut_within_its_last_face(end: str, tmp_path: Path) -> None:
    text = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\n"
    (tmp_path / "a.obj").write_text(text + "f 1 2 \\\n 4", encoding="utf-8")
    assert len(read(tmp_path, "a.obj").faces) > 1  # whole, it is read, in two lines too
    (tmp_path / "a.obj").write_text(text + end, encoding="utf-8")
    refused(tmp_path, "a.obj", "ends before its last face")


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_an_stl_without_its_last_bytes(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "a.stl"
    a_house().export(path, file_type=kind)
    content = path.read_bytes()
    if kind == "stl":  # its own heading's count, by the format: 84 + 50 n
        assert len(content) == 84 + 50 * 24
    read(tmp_path, "a.stl")
    for lost in (20, 50, len(content) - 70, len(content) - 90):
        path.write_bytes(content[:-lost])
        refused(tmp_path, "a.stl", "ends before its last face")


def test_a_name_too_long_for_any_disk(tmp_path: Path) -> None:
    with pytest.raises(NightviewError, match="there is no such file") as caught:
        read(tmp_path, "a" * 5000 + ".stl")
    assert len(str(caught.value)) < 400


# --- inside and outside ---------------------------------------------------------------------------


def test_what_a_closed_mesh_encloses(tmp_path: Path) -> None:
    """By the ball's equation; large faces are divided on loading, small ones are not."""
    ball = read(tmp_path, write(tmp_path, trimesh.creation.icosphere(4, radius=1.0), "stl"))
    box = read(tmp_path, write(tmp_path, a_house(), "obj"))
    points = np.random.default_rng(1).uniform(-1.1, 1.1, (300, 3))
    far = np.linalg.norm(points, axis=1)
    for point in points[np.abs(far - 1.0) > 0.01]:  # its facets lie 0.2 % within the ball
        assert ball.encloses(point) == (np.linalg.norm(point) < 1.0)
        a, b, c = np.abs(point)
        if c < 1.5:  # below the smaller box
            assert box.encloses(point) == (a < 0.5 and b < 1.0)
    assert not box.encloses(np.array([0.5, 0.0, 0.0]))  # on its side
    assert box.encloses(np.array([0.499, 0.0, 0.0]))


def test_an_open_mesh_and_a_room_enclose_nothing(tmp_path: Path) -> None:
    whole = trimesh.creation.box((2, 2, 2))
    lidless = trimesh.Trimesh(whole.vertices, whole.faces[:-1])
    assert not read(tmp_path, write(tmp_path, lidless, "ply")).encloses(np.zeros(3))
    whole.invert()
    room = read(tmp_path, write(tmp_path, whole, "ply"))
    assert room.closed and not room.encloses(np.zeros(3))


def test_a_gltf_without_its_bin(tmp_path: Path) -> None:
    name = write(tmp_path, a_house(), "gltf")
    gone = list(tmp_path.glob("*.bin"))
    assert gone
    for path in gone:
        path.unlink()
    refused(tmp_path, name, ".bin")


def test_a_cloud_of_points(tmp_path: Path) -> None:
    trimesh.PointCloud(np.random.default_rng(0).random((20, 3))).export(tmp_path / "a.ply")
    refused(tmp_path, "a.ply", "no faces")


@pytest.mark.parametrize(
    "text",
    ["v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "v 0 0 inf\nv 1 0 0\nv 0 1 0\nf 1 2 3\n",
     "v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "v 0 0 0\nv 1 0 0\nv 0 1 0\n",
     "v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", "v 1 1 1\nv 1 1 1\nv 1 1 1\nf 1 2 3\n",
     "v 0 0 0\nv 1e300 0 0\nv 0 1e300 0\nf 1 2 3\n", "v 0 0 0\nv 1e-9 0 0\nv 0 1e-9 0\nf 1 2 3\n"],
    ids=["NaN", "infinity", "no such vertex", "no faces", "all in a line", "all one point", "huge", "tiny"],
)  # fmt: skip
def test_faces_that_are_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "a.obj").write_text(text, encoding="utf-8")
    refused(tmp_path, "a.obj")


def test_over_a_kilometre(tmp_path: Path) -> None:
    drawn = a_house()
    drawn.apply_scale(1000)
    name = write(tmp_path, drawn, "stl")
    refused(tmp_path, name, "3400 m", "unit", '"mm"')
    assert bounds(read(tmp_path, name, unit="mm"))[5] == pytest.approx(1.9, abs=1e-5)


@pytest.mark.parametrize("name", ["none.stl", "folder.stl", "a.txt", "a", "nul\0.stl"])
def test_what_is_no_mesh_file(name: str, tmp_path: Path) -> None:
    (tmp_path / "folder.stl").mkdir()
    (tmp_path / "a.txt").write_text("v 0 0 0", encoding="utf-8")
    (tmp_path / "a").write_text("v 0 0 0", encoding="utf-8")
    refused(tmp_path, name)


def test_a_degenerate_face_among_good_ones_is_left_out(tmp_path: Path) -> None:
    text = "v 0 0 0\nv 0.1 0 0\nv 0.2 0 0\nv 0 0.1 0\nf 1 2 3\nf 1 2 4\n"
    (tmp_path / "a.obj").write_text(text, encoding="utf-8")
    mesh = read(tmp_path, "a.obj")
    assert len(mesh.faces) == 1 and np.isfinite(mesh.normals).all()
    assert mesh.normals == pytest.approx(np.tile([0, 0, 1], (3, 1)))
