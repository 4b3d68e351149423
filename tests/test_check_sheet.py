"""The facade sheet: true to scale, lines where the closed form has them, rings where the spots are."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
import shapely
from checked import job_of, lamp, wall
from PIL import Image

from nightview.checks.job import Job
from nightview.checks.limits import BUILT_IN
from nightview.checks.remedies import Cure
from nightview.checks.result import Result
from nightview.checks.run import results_of
from nightview.checks.walls import Wall, walls_of
from nightview.errors import NightviewError
from nightview.plan.drawing import WHITE, Area, Drawing, Line, Text, width_of
from nightview.plan.facade import facade, write_facade
from nightview.plan.facade_wall import _apart
from nightview.plan.isolux import LEVELS_LX, SHADES, Isolux
from nightview.plan.paint import pixels
from nightview.plan.papers import paper_of

# A small lamp that shines all round with 250 cd, 6 m before a wall that gives nothing back.
POINT = """
[materials.black]
rgb = [0, 0, 0]
[lamps.point]
kind = "omni"
flux = "3141.59265 lm"
loss_factor = 1.0
lens = "1 mm"
body = "none"
[[fixture]]
id = "p"
lamp = "point"
at = "10 m, -6 m, 5 m"
lights = "house front"
"""
NEAR = POINT.replace("10 m, -6 m, 5 m", "2.5 m, -0.3 m, 1.2 m").replace("3141.59265", "400")
PAIR = lamp("a", 1.0, 0.3) + lamp("b", 5.0, 0.3, more='lights = "house front"')


def front(job: Job) -> Wall:
    return next(one for one in walls_of(job) if one.area.name == "house front")


@pytest.fixture(scope="module")
def far() -> Wall:
    return front(job_of(wall(POINT, width=20.0, height=10.0, material="black")))


@pytest.fixture(scope="module")
def near() -> Wall:
    return front(job_of(wall(NEAR, width=5.0)))


@pytest.fixture(scope="module")
def pair() -> Job:
    return job_of(wall(PAIR))


def spot(
    wall: Wall, x: float, z: float, lamps: tuple[str, ...] = ("p",), value: float = 6.0
) -> Result:
    return Result(
        "hot spot", f"{wall.area.name}, by {lamps[0]}", value, BUILT_IN["hot_spot_local"], "said",
        "There is a bright patch.", wall.point(x, z), lamps,
    )  # fmt: skip


def marks(sheet: Drawing, name: str) -> list[Area | Line | Text]:
    return [mark for mark in sheet.marks if getattr(mark, "name", "") == name]


def texts(sheet: Drawing) -> list[str]:
    return [mark.text for mark in sheet.marks if isinstance(mark, Text)]


# --- lines and shades -----------------------------------------------------------------------------


@pytest.mark.parametrize("level", [2.0, 5.0])
def test_lines_are_circles_of_the_closed_form(far: Wall, level: float) -> None:
    """E = I·d/(d² + r²)^1.5 (inverse square and cosine law; the lamp of Mehta's example, 250 cd at
    6 m: 6.94 lx below it and 1.5 lx 8 m aside): a line is a circle, in true scale on the sheet."""
    made = facade(far, [], {})
    (line,) = marks(made.sheets[0], f"line {level:g} lx")
    points = shapely.get_coordinates(line.shape)
    radius_m = np.hypot(*(points - made.to_mm((10.0, 5.0))).T) * made.scale / 1000.0
    expected = np.sqrt((250.0 * 6.0 / level) ** (2 / 3) - 36.0)
    inside = shapely.box(*made.to_mm([(0.3, 0.3), (19.7, 9.7)]).ravel())
    clear = shapely.contains_xy(inside, points)
    assert clear.sum() > 20
    assert radius_m[clear] == pytest.approx(expected, abs=0.03)  # a step of this grid is 0.2 m


def test_the_lux_of_the_table_is_the_closed_form(far: Wall) -> None:
    """Mehta: 6.94 lx straight before the lamp; and by the same law at a node of the grid, I·d/r³."""
    elevation = facade(far, [spot(far, 10.0, 5.0)], {}).elevation
    assert elevation.lux_at((10.0, 5.0)) == pytest.approx(250 / 36, rel=3e-3)
    aside = 250.0 * 6.0 / (36.0 + 8.1**2 + 0.1**2) ** 1.5
    assert elevation.lux_at((18.1, 5.1)) == pytest.approx(aside, rel=3e-3)
    (row,) = [t for t in texts(facade(far, [spot(far, 10.0, 5.0)], {}).sheets[0]) if t == "6.94"]
    assert row


def test_bands_fill_the_wall_and_no_more(far: Wall) -> None:
    made = facade(far, [], {})
    area = sum(
        m.shape.area for m in made.sheets[0].marks if getattr(m, "name", "").startswith("band ")
    )
    assert area * (made.scale / 1000.0) ** 2 == pytest.approx(200.0, rel=1e-3)


def test_bands_lie_between_their_lines() -> None:
    """A ramp of light along x: the band between two levels is as wide as the levels are apart."""
    x = (np.arange(100) + 0.5) * 0.1
    field = Isolux.of(np.tile(10.0 ** (x / 4 - 0.5), (20, 1)), 0.1)
    edges = 4 * (np.log10(LEVELS_LX) + 0.5)
    for band, (low, high) in zip(field.bands()[1:-1], itertools.pairwise(edges), strict=True):
        if low > 0.2 and high < 9.8:
            assert band.bounds[::2] == pytest.approx((low, high), abs=1e-3)


def lightness(code: str) -> float:
    """CIE L* of an sRGB code (IEC 61966-2-1 and CIE 15:2018)."""
    rgb = np.array([int(code[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116.0 * (y ** (1 / 3) if y > (6 / 29) ** 3 else y / (3 * (6 / 29) ** 2) + 4 / 29) - 16.0


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, contrast ratio of two sRGB codes."""
    y = []
    for code in (a, b):
        own = (lightness(code) + 16.0) / 116.0
        y.append(own**3 if own > 6 / 29 else 3 * (6 / 29) ** 2 * (own - 4 / 29))
    return (max(y) + 0.05) / (min(y) + 0.05)


def test_shades_keep_their_order_in_grey_and_for_every_eye() -> None:
    steps = np.diff([lightness(shade) for shade in SHADES])
    assert len(SHADES) == len(LEVELS_LX) + 1
    assert steps.min() > 4.5 and steps.max() < 1.25 * steps.min()
    # An eye that lacks one kind of cone weighs red and green otherwise, never below nothing: where
    # both rise at each step, so does lightness for it.
    codes = np.array([[int(s[k : k + 2], 16) for k in (1, 3, 5)] for s in SHADES])
    assert (np.diff(codes[:, :2], axis=0) >= 9).all()


def test_lines_stand_out_from_both_their_shades(near: Wall) -> None:
    """WCAG 2.2, 1.4.11: graphics 3:1."""
    sheet = facade(near, [], {}).sheets[0]
    for k, level in enumerate(LEVELS_LX):
        (line,) = marks(sheet, f"line {level:g} lx")
        assert isinstance(line, Line)
        for shade in SHADES[k : k + 2]:
            assert contrast(line.colour, shade) >= 3.0, level


def test_long_lines_carry_their_value_on_themselves(near: Wall) -> None:
    sheet = facade(near, [], {}).sheets[0]
    told = 0
    for level in LEVELS_LX:
        (line,) = marks(sheet, f"line {level:g} lx")
        values = marks(sheet, f"value {level:g}")
        told += len(values)
        longest = max((part.length for part in shapely.get_parts(line.shape)), default=0.0)
        if longest > 40.0:
            assert values, level
        for value in values:
            assert line.shape.distance(shapely.Point(value.at).buffer(2.0)) == 0.0
    assert told >= 4


# --- scale, rings, holes --------------------------------------------------------------------------


def test_the_wall_is_true_to_scale(near: Wall) -> None:
    made = facade(near, [], {}, scale=40.0)
    (outline,) = marks(made.sheets[0], "wall house front")
    left, low, right, top = outline.shape.bounds
    assert (right - left, top - low) == pytest.approx((125.0, 75.0), abs=1e-6)  # 5 x 3 m at 1:40
    (bar,) = marks(made.sheets[0], "scale bar")
    fifth = (bar.shape.bounds[2] - bar.shape.bounds[0]) * 40.0 / 1000.0
    (whole,) = [float(t.split()[0]) for t in texts(made.sheets[0]) if t.endswith(" m") and t[0].isdigit() and " " in t and "eaves" not in t]  # fmt: skip
    assert 5 * fifth == pytest.approx(whole, abs=1e-6)


def test_a_ring_lies_about_its_spot(near: Wall) -> None:
    made = facade(near, [spot(near, 2.5, 1.2)], {})
    (ring,) = marks(made.sheets[0], "ring 1")
    left, low, right, top = ring.shape.bounds
    assert ((left + right) / 2, (low + top) / 2) == pytest.approx(
        tuple(made.to_mm((2.5, 1.2))), abs=1e-6
    )
    assert (right - left) * made.scale / 1000.0 == pytest.approx(0.9, rel=2e-3)
    # And so it does in the picture: a dark pixel at each end of the ring's two diameters.
    dpi = 127  # 5 pixels a millimetre
    picture = pixels(made.sheets[0], dpi)
    for x, y in ((left, (low + top) / 2), (right, (low + top) / 2), ((left + right) / 2, top)):
        column, row = int(x * 5), picture.shape[0] - 1 - int(y * 5)
        patch = picture[row - 1 : row + 2, column - 1 : column + 2].max(axis=2)
        assert patch.min() < 70, (x, y)


def test_the_brightest_spot_that_the_check_finds_is_ringed_where_the_lamp_is(near: Wall) -> None:
    """A lamp that shines all round is brightest straight before itself: at x 2.5 m, z 1.2 m."""
    found = [r for r in results_of(near.job) if r.check == "hot spot" and r.is_finding]
    made = facade(near, results_of(near.job), {})
    assert found and made.numbered
    rings = [m for m in made.sheets[0].marks if getattr(m, "name", "").startswith("ring ")]
    middles = [np.mean([m.shape.bounds[:2], m.shape.bounds[2:]], axis=0) for m in rings]
    away = [np.linalg.norm(m - made.to_mm((2.5, 1.2))) * made.scale / 1000.0 for m in middles]
    assert min(away) < 0.05


def test_findings_at_one_place_share_a_ring_and_others_have_their_own(near: Wall) -> None:
    again = Result("brightest spot", "house front", 12.0, BUILT_IN["hot_spot_zone"], "said",
                   at=near.point(2.55, 1.2), lamps=("p",))  # fmt: skip
    apart = spot(near, 0.6, 2.4, ("q",), 3.5)
    made = facade(near, [spot(near, 2.5, 1.2), again, apart], {})
    rings = sorted(
        m.name for m in made.sheets[0].marks if getattr(m, "name", "").startswith("ring ")
    )
    assert rings == ["ring 1, 2", "ring 3"]
    numbers = [m.text for m in made.sheets[0].marks if getattr(m, "name", "").startswith("number ")]
    assert sorted(numbers) == ["1, 2", "3"]


def test_good_results_and_those_of_other_walls_are_not_on_the_sheet(near: Wall) -> None:
    good = spot(near, 1.0, 1.0, ("q",), 2.0)
    behind = Result("hot spot", "house back, by r", 9.0, BUILT_IN["hot_spot_local"], "said",
                    at=(2.5, 4.0, 1.2), lamps=("r",))  # fmt: skip
    made = facade(near, [good, behind], {})
    assert not made.numbered
    assert not [m for m in made.sheets[0].marks if getattr(m, "name", "").startswith("ring ")]
    assert "Nothing was found on this wall." in texts(made.sheets[0])


def test_dark_holes_are_hatched_as_the_check_counts_them() -> None:
    """The share of the zone that is hatched is the check's value, itself tested against counting."""
    job = job_of(wall("".join(lamp(f"l{k}", 0.8 + 2.2 * k, 0.25) for k in range(3))))
    results = results_of(job)
    (hole,) = [r for r in results if r.check == "dark holes"]
    assert hole.is_finding and hole.value is not None
    one = front(job)
    elevation = facade(one, results, {}).elevation
    columns = one.zone.any(axis=0).sum() * one.area.step_m
    rows = ((one.v > 0.4) & (one.v < 3.0)).sum() * one.area.step_m
    assert elevation.dark.area / (columns * rows) * 100 == pytest.approx(hole.value, abs=1.0)
    sheet = facade(one, results, {}).sheets[0]
    (hatch,) = marks(sheet, "dark hole")
    assert isinstance(hatch, Line) and hatch.colour == WHITE
    assert not marks(facade(one, [r for r in results if r is not hole], {}).sheets[0], "dark hole")


# --- the table ------------------------------------------------------------------------------------


def test_the_table_has_place_light_ratio_lamp_and_remedy(near: Wall) -> None:
    found = spot(near, 2.5, 1.2, value=6.02)
    cure = Cure(found.key, (), 6.02, 2.31, True, True, "move it <out> & dim it", "dim the lamp")
    sheet = facade(near, [found], {found.key: cure}).sheets[0]
    for told in ("1", "hot spot", "2.50", "1.20", "6.02", "2.31", "p", "move it <out> & dim it"):
        assert told in texts(sheet), told
    # 400 lm all round at 0.3 m: Φ/4π/d².
    (lux,) = (float(t) for t in texts(sheet) if t.isdigit() and 300 < int(t) < 500)
    assert lux == pytest.approx(400 / (4 * np.pi) / 0.09, rel=2e-2)


def test_setbacks_and_names_stand_by_the_lamps(pair: Job) -> None:
    sheet = facade(front(pair), [], {}).sheets[0]
    for name in ("a", "b"):
        assert f"{name}, 0.30 m out" in texts(sheet)
    made = facade(front(pair), [], {})
    (sign,) = marks(made.sheets[0], "lamp a")
    left, low, right, top = sign.shape.bounds
    height = pair.lamp("a").position[2]
    assert ((left + right) / 2, (low + top) / 2) == pytest.approx(
        tuple(made.to_mm((1.0, height))), abs=1e-6
    )


def test_feet_on_sheets_measured_in_feet(pair: Job) -> None:
    sheet = facade(front(pair), [], {}, paper_of("Letter")).sheets[0]
    assert (sheet.width, sheet.height) == (279.4, 215.9)
    assert any("eaves 9' 10" in t for t in texts(sheet))  # 3 m
    assert "x ft" in texts(sheet)


def test_what_has_no_room_goes_on_to_further_sheets(near: Wall) -> None:
    many = [
        Result(f"check {k}", "house front", 9.0, BUILT_IN["hot_spot_zone"], "said", lamps=("a very long name of a lamp " * 3,))
        for k in range(60)
    ]  # fmt: skip
    made = facade(near, many, {})
    assert len(made.sheets) > 1 and len(made.numbered) == 60
    rows = [m.text for sheet in made.sheets for m in sheet.marks if getattr(m, "name", "").startswith("row ")]  # fmt: skip
    assert rows == [str(n) for n in range(1, 61)]


LONG = "a name that is long enough to be of use to nobody " + "x" * 30


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3"])
def test_texts_stay_on_the_sheet_and_apart(paper: str) -> None:
    rows = "".join(lamp(f"front garden {k}", 0.4 + 0.7 * k, 0.3) for k in range(8))
    job = job_of(wall(rows + lamp(LONG, 5.9, 0.2)))
    made = facade(front(job), results_of(job), {}, paper_of(paper))
    boxes = []
    for sheet in made.sheets:
        for mark in sheet.marks:
            if isinstance(mark, Text):
                wide = width_of(mark.text, mark.size, mark.bold)
                left = mark.at[0] - {"left": 0.0, "middle": 0.5, "right": 1.0}[mark.anchor] * wide
                assert left > 3 and left + wide < sheet.width - 3, mark.text
                assert 3 < mark.at[1] < sheet.height - 3, mark.text
                assert mark.size >= 6.0
                if mark.name.startswith(("label ", "number ")) and sheet is made.sheets[0]:
                    boxes.append(
                        (mark.name, shapely.box(left, mark.at[1], left + wide, mark.at[1] + 1.8))
                    )
    labels = [box for name, box in boxes if name.startswith("label ")]
    assert len(labels) == 9
    assert not any(a.intersects(b) for a, b in itertools.combinations(labels, 2))


def test_names_in_a_row_keep_apart_and_near() -> None:
    widths = [20.0, 20.0, 20.0]
    assert _apart([20.0, 60.0, 100.0], widths, 0.0, 120.0) == pytest.approx([10.0, 50.0, 90.0])
    crowded = _apart([50.0, 50.0, 50.0], widths, 0.0, 120.0)
    assert crowded == pytest.approx([19.0, 40.0, 61.0])  # 1 mm between, and even about the middle
    assert _apart([118.0], [20.0], 0.0, 120.0) == pytest.approx([100.0])


# --- files ----------------------------------------------------------------------------------------


def test_a_scale_that_does_not_fit_says_what_would(near: Wall) -> None:
    with pytest.raises(NightviewError) as failed:
        facade(near, [], {}, scale=5.0)
    assert '--scale "1:' in failed.value.remedy and "--paper A" in failed.value.remedy


def test_the_files_are_written_and_the_same_again(near: Wall, tmp_path: Path) -> None:
    made = facade(near, [spot(near, 2.5, 1.2)], {})
    kinds = ("png", "svg", "pdf")
    paths = write_facade(made, tmp_path, "garden", kinds)
    assert [path.name for path in paths] == [f"garden-facade-house-front.{kind}" for kind in kinds]
    again = tmp_path / "again"
    again.mkdir()
    for path, other in zip(
        paths,
        write_facade(facade(near, [spot(near, 2.5, 1.2)], {}), again, "garden", kinds),
        strict=True,
    ):
        assert path.read_bytes() == other.read_bytes()
    with Image.open(paths[0]) as image:
        dpi = float(image.text["dpi"])
        assert image.size == pytest.approx((297 / 25.4 * dpi, 210 / 25.4 * dpi), abs=1)
        assert f"1:{made.scale:g}" in image.text["scale"]


def test_walls_with_gable_window_porch_and_wing(tmp_path: Path) -> None:
    """A gable end, what stands before it and what is hidden behind a wing: each has its own mark."""
    text = wall(width=6.0).replace('kind = "flat"\noverhang = "0 m"', 'kind = "gable"\nridge = "across"\npitch = "45 deg"')  # fmt: skip
    text += """
[[block]]
name = "wing"
at = "4 m, -2 m"
size = "2 m, 3 m"
height = "2 m"
material = "grey"
[block.roof]
kind = "flat"
overhang = "0 m"
[[opening]]
name = "door"
block = "house"
kind = "door"
along = "1.5 m"
sill = "0 m"
size = "1 m, 2 m"
[[porch]]
name = "porch"
block = "house"
along = "1.5 m"
size = "2 m, 1 m"
height = "2.4 m"
""" + lamp("a", 3.0, 0.5)
    made = facade(front(job_of(text)), [], {})
    metres = (made.scale / 1000.0) ** 2
    elevation = made.elevation
    assert elevation.outline.area == pytest.approx(6 * 3 + 3 * 3)  # 45 deg over 6 m: 3 m more
    assert elevation.outline.bounds[3] == pytest.approx(6.0)
    inside = [g for g in shapely.get_parts(elevation.hidden) if g.area > 1.0]
    assert sum(g.area for g in inside) == pytest.approx(2 * 2, rel=0.08)  # the wing, 2 x 2 m
    (door,) = marks(made.sheets[0], "opening door")
    assert door.shape.area * metres == pytest.approx(2.0, rel=1e-6)
    (porch,) = marks(made.sheets[0], "porch porch")
    assert porch.shape.bounds[2] - porch.shape.bounds[0] == pytest.approx(2000 / made.scale)
    assert any(t == "eaves 3.00 m" for t in texts(made.sheets[0]))
    assert any(t == "top 6.00 m" for t in texts(made.sheets[0]))
    assert not elevation.face.intersects(shapely.box(1.01, 0.01, 1.99, 1.99))
