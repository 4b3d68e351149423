"""The working plan: true to scale, beams against closed forms, labels apart, the same bytes again."""

from __future__ import annotations

import itertools
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

import nightview as nv
from nightview.__main__ import main
from nightview.errors import NightviewError
from nightview.picture.camera import Camera
from nightview.plan import symbols
from nightview.plan.beams import Beam, Rays, aim_deg, beams
from nightview.plan.drawing import Area, Drawing, Text, width_of
from nightview.plan.labels import Request, place
from nightview.plan.paint import pixels
from nightview.plan.papers import PAPERS, paper_of, scale_of
from nightview.plan.perspective import overview, perspective
from nightview.plan.sheet import Plan, plan
from nightview.scene.read import parse

SCENES = Path(__file__).parents[1] / "scenes"
SVG = "{http://www.w3.org/2000/svg}"
MM_PER_PT = 25.4 / 72  # CSS and PDF: a point is 1/72 in

GARDEN = """
title = "Test garden"
[site]
north = "30 deg"
[ground]
size = "30 m, 30 m"
[[block]]
name = "house"
at = "-3 m, 2 m"
size = "6 m, 4 m"
height = "3 m"
[[tree]]
name = "birch"
at = "5 m, -3 m"
height = "5 m"
[[fixture]]
id = "front"
lamp = "accent 36"
block = "house"
along = "1 m"
out = "0.6 m"
count = 2
spacing = "4 m"
elevation = "75 deg"
[[fixture]]
id = "post & <hat>"
lamp = "path hat"
at = "0 m, -4 m, 0.5 m"
[[fixture]]
id = "lantern"
lamp = "wall lantern"
at = "0 m, 1.8 m, 2 m"
[[view]]
name = "street"
eye = "0 m, -12 m, 1.6 m"
target = "0 m, 2 m, 1.5 m"
[[view]]
name = "near"
eye = "-2 m, -3 m, 1.6 m"
target = "0 m, 2 m, 1.5 m"
"""

LAWN = '[ground]\nsize = "60 m, 60 m"\n'


def one_beam(fixture: str, more: str = "") -> Beam:
    text = LAWN + more + f'[[fixture]]\nid = "lamp"\nlamp = "accent 36"\n{fixture}\n'
    ((beam,),) = beams(Rays.of(nv.build(parse(text, "test"))))
    return beam


def drawn(text: str = GARDEN, paper: str = "A3", scale: float | None = None) -> Plan:
    site = nv.build(parse(text, "test"))
    return plan(site, beams(Rays.of(site)), paper_of(paper), scale)


# --- beams ----------------------------------------------------------------------------------------

HALF = np.radians(18.0)  # of the lamp "accent 36"


def test_straight_down_on_flat_ground_is_a_circle() -> None:
    ground = one_beam('at = "1 m, 2 m, 3 m"\nbearing = "0 deg"\nelevation = "-90 deg"').ground
    radius = 3.0 * np.tan(HALF)  # h·tan(B/2)
    assert ground.area == pytest.approx(np.pi * radius**2, rel=2e-3)
    rim = np.asarray(ground.exterior.coords) - [1.0, 2.0]
    assert np.hypot(*rim.T) == pytest.approx(radius, rel=2e-3)


def test_tilted_it_is_an_ellipse() -> None:
    """Section of a cone by a plane: a = h/2·(tan(t+α) − tan(t−α)), b = h·sin α/√(cos²t − sin²α)."""
    tilt, height = np.radians(40.0), 4.0
    ground = one_beam('at = "0 m, 0 m, 4 m"\nbearing = "90 deg"\nelevation = "-50 deg"').ground
    left, low, right, top = ground.bounds
    assert left == pytest.approx(height * np.tan(tilt - HALF), rel=5e-3)
    assert right == pytest.approx(height * np.tan(tilt + HALF), rel=5e-3)
    b = height * np.sin(HALF) / np.sqrt(np.cos(tilt) ** 2 - np.sin(HALF) ** 2)
    assert (low, top) == (pytest.approx(-b, rel=5e-3), pytest.approx(b, rel=5e-3))
    assert ground.area == pytest.approx(np.pi * (right - left) / 2 * b, rel=5e-3)


def test_straight_at_a_wall_it_lights_twice_d_tan_half() -> None:
    block = '[[block]]\nname = "house"\nat = "-5 m, 2 m"\nsize = "10 m, 4 m"\nheight = "6 m"\n'
    beam = one_beam('at = "0.5 m, 0 m, 3 m"\nbearing = "0 deg"\nelevation = "0 deg"', block)
    (light,) = beam.walls
    (line,) = shapely.get_parts(light.lines)
    (x0, y0), (x1, y1) = sorted(line.coords)
    assert (y0, y1) == pytest.approx((2.0, 2.0), abs=1e-3)
    assert (x0, x1) == pytest.approx((0.5 - 2 * np.tan(HALF), 0.5 + 2 * np.tan(HALF)), abs=5e-3)
    assert light.normal == pytest.approx([0, -1], abs=1e-9)
    assert beam.lands_on == "house" and beam.ground.is_empty


def test_an_oblong_wash_lights_an_oblong() -> None:
    """60 deg in its upright plane and 110 deg across; straight down, φ = 0 lies along y."""
    text = LAWN + (
        '[[fixture]]\nid = "lamp"\nlamp = "wash"\nat = "0 m, 0 m, 2 m"\n'
        'bearing = "0 deg"\nelevation = "-90 deg"\n'
    )
    ((beam,),) = beams(Rays.of(nv.build(parse(text, "test"))))
    left, low, right, top = beam.ground.bounds
    sides = sorted([right - left, top - low])
    assert sides == pytest.approx(
        [4 * np.tan(np.radians(30)), 4 * np.tan(np.radians(55))], rel=2e-2
    )


def test_a_wall_cuts_the_light_on_the_ground() -> None:
    """Behind a wall 1 m from under the lamp there is none; before it the circle is whole."""
    wall = '[[wall]]\nname = "w"\nline = ["1 m, -9 m", "1 m, 9 m"]\nheight = "2.9 m"\nthickness = "0.1 m"\n'
    at = 'at = "0 m, 0 m, 3 m"\nbearing = "0 deg"\nelevation = "-90 deg"\n'
    text = (
        LAWN
        + wall
        + '[lamps.wide]\nlike = "accent 60"\n[[fixture]]\nid = "l"\nlamp = "wide"\n'
        + at
    )
    ((beam,),) = beams(Rays.of(nv.build(parse(text, "test"))))
    radius, edge = 3 * np.tan(np.radians(30)), 0.95
    behind = radius**2 * np.arccos(edge / radius) - edge * np.sqrt(radius**2 - edge**2)
    assert beam.ground.area == pytest.approx(np.pi * radius**2 - behind, rel=1e-2)
    assert beam.ground.bounds[2] == pytest.approx(edge, abs=0.06)


def test_leaves_leave_no_holes_but_shorten_the_cone() -> None:
    at = 'at = "0 m, -2 m, 0.2 m"\naim = "0 m, 0 m, 4 m"'
    tree = '[[tree]]\nname = "lime"\nat = "0 m, 0 m"\nheight = "6 m"\n'
    tall = '[[tree]]\nname = "spire"\nkind = "columnar"\nat = "20 m, 20 m"\nheight = "25 m"\n'
    with_tree, without = one_beam(at, tree + tall), one_beam(at, tall)
    assert with_tree.lands_on == "lime" and without.lands_on == ""
    assert with_tree.ends[:, 2].max() < 7.0 < without.ends[:, 2].max()
    down = 'at = "0 m, 0 m, 8 m"\nbearing = "0 deg"\nelevation = "-90 deg"'
    assert one_beam(down, tree).ground.area == pytest.approx(
        np.pi * (8 * np.tan(HALF)) ** 2, rel=2e-3
    )


def test_a_lamp_that_shines_all_round_has_no_beam() -> None:
    site = nv.build(parse(GARDEN, "test"))
    found = dict(zip([lamp.id for lamp in site.fixtures], beams(Rays.of(site)), strict=True))
    assert found["lantern"] == () and len(found["front-1"]) == 1


def test_aim_is_told_as_bearing_and_elevation() -> None:
    text = LAWN.replace("[ground]", '[site]\nnorth = "30 deg"\n[ground]')
    for bearing, elevation in ((0, 10), (123, -20), (359, 80)):
        fixture = f'[[fixture]]\nid = "l"\nlamp = "accent 36"\nat = "0 m, 0 m, 1 m"\nbearing = "{bearing} deg"\nelevation = "{elevation} deg"\n'
        (lamp,) = nv.build(parse(text + fixture, "test")).fixtures
        assert aim_deg(lamp, 30.0) == pytest.approx((bearing, elevation), abs=1e-6)


# --- scale, north, marks --------------------------------------------------------------------------


def points_of(element: ET.Element) -> np.ndarray:
    """The corners of an SVG path of straight lines, (n, 2) [pt]."""
    (path,) = element.iter(f"{SVG}path")
    numbers = re.findall(r"[ML]\s*(\S+)\s+(\S+)", path.attrib["d"].replace("\n", " "))
    return np.array(numbers, float)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of all files of the garden's plan."""
    folder = tmp_path_factory.mktemp("plan")
    (folder / "garden.toml").write_text(GARDEN, encoding="utf-8")
    arguments = ["plan", str(folder / "garden.toml"), "--scale", "1:75", "--size", "320x200"]
    assert main([*arguments, "--out", str(folder / "made")]) == 0
    return folder / "made"


def test_all_files_are_there(made: Path) -> None:
    assert {path.name for path in made.iterdir()} == {
        "garden-plan.pdf", "garden-plan.svg", "garden-plan.png", "garden-beams.png",
    }  # fmt: skip


def test_the_svg_is_true_to_scale(made: Path) -> None:
    root = ET.parse(made / "garden-plan.svg").getroot()
    sides = sorted(
        float(root.attrib[key].removesuffix("pt")) * MM_PER_PT for key in ("width", "height")
    )
    assert sides == pytest.approx([297, 420], abs=0.01)  # ISO 216
    (block,) = (g for g in root.iter(f"{SVG}g") if g.attrib.get("id", "").startswith("block-house"))
    width, depth = np.ptp(points_of(block), axis=0) * MM_PER_PT / 1000 * 75
    assert (width, depth) == pytest.approx((6.0, 4.0), abs=1e-3)
    (footprint,) = (
        g for g in root.iter(f"{SVG}g") if g.attrib.get("id", "").startswith("footprint-post")
    )
    site = nv.build(parse(GARDEN, "test"))
    hat = next(lamp for lamp in site.fixtures if lamp.lamp.kind == "hat")
    radius = 0.5 * np.tan(np.radians(hat.lamp.intensity.width_deg(0.5) / 2))
    extent = np.ptp(points_of(footprint), axis=0) * MM_PER_PT / 1000 * 75
    assert extent == pytest.approx([2 * radius] * 2, rel=5e-3)


def test_the_scale_bar_is_true(made: Path) -> None:
    root = ET.parse(made / "garden-plan.svg").getroot()
    (bar,) = (g for g in root.iter(f"{SVG}g") if g.attrib.get("id", "").startswith("scale-bar"))
    fifth = np.ptp(points_of(bar)[:, 0]) * MM_PER_PT / 1000 * 75
    texts = ["".join(t.itertext()).strip() for t in root.iter(f"{SVG}text")]
    (last,) = (t for t in texts if re.fullmatch(r"[\d.]+ m", t))
    assert fifth * 5 == pytest.approx(float(last.removesuffix(" m")), abs=2e-3)


def test_pdf_and_png_have_the_paper_s_size(made: Path) -> None:
    content = (made / "garden-plan.pdf").read_bytes()
    (box,) = re.findall(rb"/MediaBox \[ ?([\d. ]+)\]", content)
    assert sorted(map(float, box.split()))[2:] == pytest.approx([841.89, 1190.55], abs=0.01)
    with Image.open(made / "garden-plan.png") as image:
        dpi = float(image.text["dpi"])
        assert sorted(image.size) == pytest.approx([297 / 25.4 * dpi, 420 / 25.4 * dpi], abs=1)
        assert "1:75" in image.text["scale"]


def test_the_pixels_are_true_to_scale() -> None:
    """A square of 20 mm drawn at 254 dpi covers 200 x 200 pixels."""
    square = Area(shapely.box(10, 5, 30, 25), "#000000")
    found = pixels(Drawing(50, 40, "", (square,)), 254)
    assert found.shape == (400, 500, 3)
    dark = found[..., 0] < 128
    rows, columns = np.flatnonzero(dark.any(1)), np.flatnonzero(dark.any(0))
    assert (rows[0], rows[-1], columns[0], columns[-1]) == (150, 349, 100, 299)


@pytest.mark.parametrize(
    ("bearing_of_y", "way"),
    [(0, (0, 1)), (90, (-1, 0)), (180, (0, -1)), (30, (-0.5, np.sqrt(0.75)))],
)
def test_the_arrow_points_north(bearing_of_y: float, way: tuple[float, float]) -> None:
    """Where +y bears east, north is at its left: −x."""
    half = symbols.north((0.0, 0.0), bearing_of_y, 10.0)[0]
    assert isinstance(half, Area)
    tip = np.asarray(half.shape.exterior.coords)[0]
    assert tip / np.linalg.norm(tip) == pytest.approx(way, abs=1e-9)


def test_every_lamp_and_view_is_named_once(made: Path) -> None:
    root = ET.parse(made / "garden-plan.svg").getroot()
    texts = ["".join(t.itertext()).strip() for t in root.iter(f"{SVG}text")]
    for name in ("front-1", "front-2", "post & <hat>", "lantern"):
        assert texts.count(name) == 2, name  # on the plan and in the table
        labels = [t for t in drawn().sheets[0].marks if isinstance(t, Text) and t.text == name]
        assert sorted(t.name.split()[0] for t in labels) == ["label", "row"]
    assert sum(t.startswith("view street") for t in texts) == 1
    assert texts.count("view near") == 1
    assert "Test garden" in texts and "Calculated plan; check on site." in texts


def test_an_eye_off_the_sheet_stands_on_the_frame_with_its_distance() -> None:
    made = drawn(scale=50)
    (text,) = (
        t.text
        for t in made.sheets[0].marks
        if isinstance(t, Text) and t.text.startswith("view street")
    )
    beyond = float(re.search(r"([\d.]+) m beyond", text)[1])  # type: ignore[index]
    low = made.layout.frame[1] + 3.0
    assert beyond == pytest.approx((low - made.to_mm((0.0, -12.0))[1]) * 50 / 1000, abs=0.06)


def test_no_text_is_too_small_or_coloured() -> None:
    """Legible in grey print, and an A3 sheet printed on A4 still has 4.2 pt."""
    for mark in drawn().sheets[0].marks:
        if isinstance(mark, Text):
            assert mark.size >= 6.0
            r, g, b = (int(mark.colour[k : k + 2], 16) for k in (1, 3, 5))
            assert max(r, g, b) - min(r, g, b) < 16 and max(r, g, b) < 0x70


def test_texts_stay_on_the_sheet() -> None:
    for scene, paper in itertools.product(("cottage", "terrace-house", "lodge"), ("A4", "Letter")):
        site = nv.build(nv.read(SCENES / f"{scene}.toml"))
        for sheet in plan(site, beams(Rays.of(site)), paper_of(paper)).sheets:
            for mark in sheet.marks:
                if isinstance(mark, Text):
                    wide = width_of(mark.text, mark.size, mark.bold)
                    shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[mark.anchor]
                    left = mark.at[0] - shift * wide
                    assert left > 3 and left + wide < sheet.width - 3, mark.text


# --- labels ---------------------------------------------------------------------------------------


def apart(boxes: list[tuple[float, ...]]) -> bool:
    return not any(
        min(a[2], b[2]) - max(a[0], b[0]) > 1e-9 and min(a[3], b[3]) - max(a[1], b[1]) > 1e-9
        for a, b in itertools.combinations(boxes, 2)
    )


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(20, 180), st.floats(20, 180), st.floats(4, 30)), min_size=1, max_size=30
    )
)
def test_labels_never_overlap(spots: list[tuple[float, float, float]]) -> None:
    requests = [Request((x, y), (wide, 3.0), 1.2) for x, y, wide in spots]
    found = place(requests, (0, 0, 200, 200))
    assert apart([item.box for item in found if item])
    assert all(item is not None for item in found)
    assert found == place(requests, (0, 0, 200, 200))
    for item in found:
        assert item and min(item.box) >= 0 and max(item.box) <= 200


@pytest.mark.parametrize("scene", ["cottage", "terrace-house", "lodge"])
@pytest.mark.parametrize("paper", ["A3", "A4", "Letter"])
def test_labels_of_the_demo_scenes_are_apart(scene: str, paper: str) -> None:
    site = nv.build(nv.read(SCENES / f"{scene}.toml"))
    made = plan(site, beams(Rays.of(site)), paper_of(paper))
    boxes, names = [], []
    for mark in made.sheets[0].marks:
        if isinstance(mark, Text) and mark.name.split()[:1] in (["label"], ["view"], ["thing"]):
            half = width_of(mark.text, mark.size, mark.bold) / 2
            x, y = mark.at
            boxes.append((x - half, y - 0.4, x + half, y + 1.8))
            names.append(mark.text)
    assert apart(boxes)
    assert {lamp.id for lamp in site.fixtures} <= set(names)
    left, low, right, top = made.layout.frame
    for item in site.fixtures:  # every lamp is on the plan
        x, y = made.to_mm(item.position[:2])
        assert left < x < right and low < y < top


# --- paper and scale ------------------------------------------------------------------------------


def test_the_largest_round_scale_that_fits() -> None:
    for name in PAPERS:
        paper = paper_of(name)
        laid = drawn(paper=name).layout
        assert laid.scale in paper.scales
        next_larger = max((s for s in paper.scales if s < laid.scale), default=None)
        if next_larger is not None:
            with pytest.raises(NightviewError, match="--scale"):
                drawn(paper=name, scale=next_larger)


def test_scales_are_read_and_told() -> None:
    assert scale_of("1:50") == scale_of(" 1 / 50") == 50
    assert paper_of("letter").told(96) == "1:96 (1/8 in = 1 ft)"
    assert paper_of("A4").told(96) == "1:96"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--paper", "B9"], ["--paper", "B9", "A4", "Letter"]),
        (["--scale", "50"], ["--scale", "1:50"]),
        (["--scale", "1:0"], ["--scale"]),
        (["--scale", "1:5"], ["--scale", "1:5", "A3", "1:50"]),
        (["--view", "attic"], ["attic", "street", "near"]),
        (["--size", "big"], ["--size"]),
    ],
)
def test_bad_input_is_told(
    options: list[str], said: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "garden.toml").write_text(GARDEN, encoding="utf-8")
    out = tmp_path / "made"
    assert main(["plan", str(tmp_path / "garden.toml"), "--out", str(out), *options]) == 2
    error = capsys.readouterr().err
    assert all(word in error for word in said), error
    assert not out.exists()


def test_no_folder_can_be_made_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "garden.toml").write_text(GARDEN, encoding="utf-8")
    (tmp_path / "file").write_text("here")
    out = str(tmp_path / "file" / "deeper")
    assert main(["plan", str(tmp_path / "garden.toml"), "--out", out]) == 2
    assert "--out" in capsys.readouterr().err
    assert {path.name for path in tmp_path.iterdir()} == {"garden.toml", "file"}


@pytest.mark.parametrize("name", ["garden-plan.svg", "garden-plan.pdf", "garden-plan.png"])
def test_a_foreign_file_is_left_alone(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "garden.toml").write_text(GARDEN, encoding="utf-8")
    (tmp_path / name).write_bytes(b"mine")
    arguments = ["plan", str(tmp_path / "garden.toml"), "--out", str(tmp_path), "--no-perspective"]
    assert main(arguments) == 2
    error = capsys.readouterr().err
    assert name in error and "--overwrite" in error
    assert {path.name for path in tmp_path.iterdir()} == {"garden.toml", name}
    assert (tmp_path / name).read_bytes() == b"mine"
    assert main([*arguments, "--overwrite"]) == 0
    assert main(arguments) == 0  # our own is replaced
    assert (tmp_path / name).read_bytes() != b"mine"


def test_a_scene_without_lamps_has_a_plan_too(tmp_path: Path) -> None:
    bare = GARDEN[: GARDEN.index("[[fixture]]")]
    (tmp_path / "bare.toml").write_text(bare, encoding="utf-8")
    assert (
        main(["plan", str(tmp_path / "bare.toml"), "--out", str(tmp_path), "--size", "160x100"])
        == 0
    )
    ET.parse(tmp_path / "bare-plan.svg")


# --- the same bytes, and quickly ------------------------------------------------------------------

_RUN = """
import sys, matplotlib
from nightview.__main__ import main
matplotlib.rcParams.update({"font.size": 31, "axes.facecolor": "red", "lines.linewidth": 9})
assert main(sys.argv[1:]) == 0
assert not [name for name in sys.modules if name.startswith("vtk")]
"""


def test_the_same_scene_gives_the_same_bytes_and_no_vtk(made: Path, tmp_path: Path) -> None:
    """In another process, with another hash seed and a user's own settings for matplotlib."""
    scene = made.parent / "garden.toml"
    arguments = ["plan", str(scene), "--scale", "1:75", "--size", "320x200", "--out", str(tmp_path)]
    environment = os.environ | {"PYTHONHASHSEED": "7", "TZ": "Pacific/Auckland"}
    environment.pop("SOURCE_DATE_EPOCH", None)
    subprocess.run([sys.executable, "-c", _RUN, *arguments], check=True, env=environment)
    for path in made.iterdir():
        assert path.read_bytes() == (tmp_path / path.name).read_bytes(), path.name
        assert not re.search(rb"20\d\d-\d\d-\d\dT|D:20\d\d", path.read_bytes())


# --- perspective ----------------------------------------------------------------------------------


def test_the_tint_from_above_is_the_circle() -> None:
    """Seen from straight above, a lamp below the eye lights pixels of h·tan(B/2) about its foot."""
    text = LAWN + (
        '[[fixture]]\nid = "l"\nlamp = "accent 36"\nat = "0 m, 0 m, 3 m"\n'
        'bearing = "0 deg"\nelevation = "-90 deg"\n'
    )
    rays = Rays.of(nv.build(parse(text, "test")))
    camera = Camera(np.array([0.0, 0.0, 20.0]), np.zeros(3), 20.0, 240, 240)
    colours = perspective(rays, beams(rays), camera).astype(int)
    warmth = colours[..., 0] - colours[..., 2]
    warm = warmth > warmth[120, 120] / 2  # a pixel on the edge counts where half of it is in
    side = 20.0 * camera.pixel_tan
    assert warm.sum() * side**2 == pytest.approx(np.pi * (3 * np.tan(HALF)) ** 2, rel=0.02)
    plain = colours[~warm]
    assert (np.ptp(plain, axis=1) == 0).mean() > 0.98  # neutral by day


def test_bands_leave_no_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    site = nv.build(parse(GARDEN, "test"))
    rays = Rays.of(site)
    camera = Camera.of(site.scene.views[0], (120, 90))
    whole = perspective(rays, beams(rays), camera)
    monkeypatch.setattr("nightview.plan.perspective.BAND_PIXELS", 120 * 17)
    assert (perspective(rays, beams(rays), camera) == whole).all()


def test_long_and_odd_names_still_make_a_sheet(tmp_path: Path) -> None:
    """80 letters are the most a name may have; a title may hold anything."""
    long = "very long name of a lamp " * 3 + "end"
    text = GARDEN.replace('id = "lantern"', f'id = "{long}"')
    text = text.replace('"Test garden"', r'"Test \u0001 <garden> $x^2$ \uFFFE & 庭"')
    (tmp_path / "odd.toml").write_text(text, encoding="utf-8")
    arguments = ["plan", str(tmp_path / "odd.toml"), "--paper", "A4", "--no-perspective"]
    assert main([*arguments, "--out", str(tmp_path)]) == 0
    root = ET.parse(tmp_path / "odd-plan.svg").getroot()
    texts = ["".join(t.itertext()) for t in root.iter(f"{SVG}text")]
    assert any("<garden> $x^2$" in t for t in texts)
    assert sum(t.startswith("very long name") for t in texts) == 2


def test_a_linear_lamp_lights_its_length() -> None:
    """From h above flat ground, 60 deg across: 2·h·tan 30° wide, and longer than the strip."""
    text = LAWN + (
        '[lamps.strip]\nkind = "linear"\nbeam = "60 deg"\nlength = "2 m"\nflux = "600 lm"\n'
        '[[fixture]]\nid = "s"\nlamp = "strip"\nat = "0 m, 0 m, 1 m"\n'
    )
    (own,) = beams(Rays.of(nv.build(parse(text, "test"))))
    assert len(own) > 2
    ground = shapely.union_all([beam.ground for beam in own])
    left, low, right, top = ground.bounds
    across, along = sorted([right - left, top - low])
    assert across == pytest.approx(2 * np.tan(np.radians(30)), rel=1e-2)
    ends = 2 * np.tan(np.radians(own[0].lamp.lamp.intensity.width_deg(0.5, np.pi / 2) / 2))
    assert along == pytest.approx(2.0 + ends, rel=1e-2)
    assert ground.geom_type == "Polygon"  # no gaps between the points that stand for it


@pytest.mark.parametrize("scene", ["cottage", "terrace-house", "lodge"])
def test_the_overview_has_every_lamp_in_sight(scene: str) -> None:
    rays = Rays.of(nv.build(nv.read(SCENES / f"{scene}.toml")))
    camera = overview(rays, beams(rays), (1600, 900))
    places, depth = camera.project(np.array([lamp.position for lamp in rays.site.fixtures]))
    assert depth.min() > 1.0
    assert (places > 0.02 * np.array([1600, 900])).all()
    assert (places < 0.98 * np.array([1600, 900])).all()
    assert np.ptp(places, axis=0).max() > 300  # and does not stand too far off


def test_a_lamp_in_empty_space_is_drawn(tmp_path: Path) -> None:
    text = (
        '[[fixture]]\nid = "l"\nlamp = "accent 36"\nat = "0 m, 0 m, 1 m"\naim = "0 m, 1 m, 1 m"\n'
    )
    (tmp_path / "void.toml").write_text(text, encoding="utf-8")
    assert (
        main(["plan", str(tmp_path / "void.toml"), "--out", str(tmp_path), "--size", "96x64"]) == 0
    )
    assert {"void-plan.svg", "void-beams.png"} <= {path.name for path in tmp_path.iterdir()}


def test_lamps_of_an_option_are_on_the_plan_of_that_option_alone(tmp_path, capsys) -> None:
    scene = tmp_path / "garden.toml"
    scene.write_text(
        """
title = "Garden"
[ground]
size = "12 m, 12 m"
[[fixture]]
id = "always"
lamp = "path hat"
at = "1 m, 1 m, 0.5 m"
[[fixture]]
id = "perhaps"
lamp = "path hat"
at = "-2 m, 1 m, 0.5 m"
option = "more"
[[state]]
name = "more"
label = "with more"
""",
        encoding="utf-8",
    )
    told = {}
    for words in ([], ["--state", "more"]):
        assert main(["plan", str(scene), "--no-perspective", "--out", str(tmp_path), *words]) == 0
        svg = next(p for p in map(Path, capsys.readouterr().out.split()) if p.suffix == ".svg")
        told[svg.name] = svg.read_text(encoding="utf-8")
    designed, more = told["garden-plan.svg"], told["garden-more-plan.svg"]
    assert "perhaps" not in designed and "1 lamp" in designed and "2 lamps" not in designed
    assert "perhaps" in more and "2 lamps" in more and "with more" in more
    assert main(["plan", str(scene), "--state", "less", "--out", str(tmp_path)]) == 2
    assert "less" in capsys.readouterr().err
