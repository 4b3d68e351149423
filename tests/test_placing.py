"""Where lamps stand and where they point: walls, paths, rows, aims, bearings, roll."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from nightview.errors import NightviewError
from nightview.scene.read import parse
from nightview.site.build import build
from nightview.site.placing import Placed

HOUSE = """
[[block]]
name = "house"
at = "1 m, 2 m"
size = "8 m, 6 m"
height = "3 m"
turn = "{turn} deg"
"""
WALK = """
[[path]]
name = "walk"
line = ["0 m, -2 m", "0 m, -12 m"]
width = "1.2 m"
"""


def placed(scene: str) -> tuple[Placed, ...]:
    return build(parse(scene)).fixtures


def fixture(*lines: str, name: str = "f", lamp: str = "accent 36") -> str:
    return "\n".join(("", "[[fixture]]", f'id = "{name}"', f'lamp = "{lamp}"', *lines, ""))


def spots(lamps: tuple[Placed, ...]) -> np.ndarray:
    return np.array([lamp.position for lamp in lamps])


# --- at a wall ------------------------------------------------------------------------------------

# Corners of the block from the front left, and by hand: each wall's left foot as seen from
# outside, the way to the right along it, and the way out from it.
WALLS = {
    "front": ((1, 2), (1, 0), (0, -1)),
    "right": ((9, 2), (0, 1), (1, 0)),
    "back": ((9, 8), (-1, 0), (0, 1)),
    "left": ((1, 8), (0, -1), (-1, 0)),
}


@pytest.mark.parametrize("side", WALLS)
@pytest.mark.parametrize("turn", [0, 90, 30])
def test_at_a_wall(side: str, turn: int) -> None:
    text = HOUSE.format(turn=turn) + fixture(
        'block = "house"', f'side = "{side}"', 'along = "1.5 m"', 'out = "0.4 m"', 'height = "0.3 m"',
        "count = 3", 'spacing = "1.25 m"', 'elevation = "60 deg"',
    )  # fmt: skip
    lamps = placed(text)
    foot, right, out = (np.array(way, float) for way in WALLS[side])
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    spin = np.array([[c, -s], [s, c]])  # counter-clockwise about the front left corner
    for k, lamp in enumerate(lamps):
        level = np.array([1, 2]) + spin @ (foot - [1, 2] + (1.5 + 1.25 * k) * right + 0.4 * out)
        assert lamp.position == pytest.approx([*level, 0.3], abs=1e-9)
        assert lamp.axis == pytest.approx([*(-0.5 * spin @ out), np.sin(np.radians(60))], abs=1e-9)
    assert [lamp.id for lamp in lamps] == ["f-1", "f-2", "f-3"]


def test_a_wall_light_that_says_nothing_points_up_and_at_the_wall() -> None:
    (lamp,) = placed(
        HOUSE.format(turn=0) + fixture('block = "house"', 'along = "4 m"', 'out = "0.5 m"')
    )
    assert lamp.axis[0] == 0 and lamp.axis[1] > 0
    assert 70 < np.degrees(np.arcsin(lamp.axis[2])) < 80
    assert lamp.position[2] == pytest.approx(0.15)  # the usual height of a spike


def test_a_row_at_a_wall_is_aimed_side_by_side() -> None:
    """As a row at a point is: the aim is the first lamp's, and moves along with the others."""
    lamps = placed(
        HOUSE.format(turn=0)
        + fixture('block = "house"', 'along = "1 m"', 'out = "0.5 m"', "count = 3", 'spacing = "2 m"',
                  'aim = "2 m, 2 m, 2.15 m"')
    )  # fmt: skip
    for lamp in lamps:
        assert lamp.axis == pytest.approx(np.array([0, 0.5, 2.0]) / np.hypot(0.5, 2.0))


# --- at a point -----------------------------------------------------------------------------------


def test_a_row_at_a_point() -> None:
    lamps = placed(
        fixture(
            'at = "1 m, -2 m, 0.2 m"', "count = 3", 'spacing = "0.5 m"', 'aim = "1 m, 0 m, 2.2 m"'
        )
    )
    assert spots(lamps) == pytest.approx(np.array([[1, -2, 0.2], [1.5, -2, 0.2], [2, -2, 0.2]]))
    for lamp in lamps:
        assert lamp.axis == pytest.approx(np.array([0, 1, 1]) / np.sqrt(2))


def test_a_row_up_to_a_point_is_even_and_holds_both_ends() -> None:
    lamps = placed(
        fixture('at = "1 m, -2 m, 0.2 m"', 'to = "4 m, 2 m, 0.8 m"', "count = 4", 'aim = "1 m, 0 m, 2.2 m"')
    )  # fmt: skip
    even = [[1 + k, -2 + 4 * k / 3, 0.2 + 0.2 * k] for k in range(4)]
    assert spots(lamps) == pytest.approx(np.array(even))
    assert [lamp.id for lamp in lamps] == ["f-1", "f-2", "f-3", "f-4"]
    for lamp in lamps:  # aimed side by side
        assert lamp.axis == pytest.approx(np.array([0, 1, 1]) / np.sqrt(2))


def test_one_alone_keeps_its_id() -> None:
    (lamp,) = placed(
        fixture(
            'at = "1 m, -2 m, 0.2 m"',
            'aim = "1 m, 0 m, 2 m"',
            "dim = 0.4",
            "on = false",
            'zone = "z"',
            'cct = "3000 K"',
        )
    )
    assert (lamp.id, lamp.zone, lamp.dim, lamp.on, lamp.cct_k) == ("f", "z", 0.4, False, 3000.0)


def test_the_ids_of_rows_stay_unlike_others() -> None:
    """A row's lamps are numbered; a fixture that has such an id already must not share it."""
    row = fixture('at = "0 m, 0 m, 1 m"', "count = 2", 'spacing = "1 m"', lamp="path hat")
    other = fixture('at = "0 m, 5 m, 1 m"', name="f-1", lamp="path hat")
    try:
        lamps = placed(row + other)
    except NightviewError as error:  # as good: it says so
        assert "f-1" in str(error)
    else:
        assert len({lamp.id for lamp in lamps}) == 3


# --- along a path ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("verge", "sides"),
    # The path runs towards −y: its left is +x.
    [
        ("left", [1, 1, 1]),
        ("right", [-1, -1, -1]),
        ("staggered", [1, -1, 1]),
        ("both", [1, -1] * 3),
    ],
)
def test_along_a_path(verge: str, sides: list[int]) -> None:
    lamps = placed(
        WALK
        + fixture('path = "walk"', 'start = "1 m"', "count = 3", 'spacing = "2.5 m"', f'verge = "{verge}"',
                  'verge_distance = "0.3 m"', lamp="path hat")
    )  # fmt: skip
    each = 2 if verge == "both" else 1
    wanted = [[side * (0.6 + 0.3), -3 - 2.5 * (k // each), 0.5] for k, side in enumerate(sides)]
    assert spots(lamps) == pytest.approx(np.array(wanted))
    assert [lamp.id for lamp in lamps] == [f"f-{k + 1}" for k in range(len(sides))]
    assert all(lamp.axis == pytest.approx([0, 0, -1]) for lamp in lamps)  # a hat shines down


def test_along_a_bent_path() -> None:
    text = '[[path]]\nname = "walk"\nline = ["0 m, 0 m", "4 m, 0 m", "4 m, 4 m"]\nwidth = "1 m"\n'
    lamps = placed(
        text
        + fixture(
            'path = "walk"',
            'start = "3 m"',
            "count = 3",
            'spacing = "2 m"',
            'verge = "left"',
            lamp="path hat",
        )
    )
    assert spots(lamps)[:, :2] == pytest.approx(np.array([[3, 0.7], [3.3, 1], [3.3, 3]]))


def test_along_a_curved_path_keeps_spacing_and_distance() -> None:
    text = '[[path]]\nname = "walk"\nline = ["0 m, 0 m", "5 m, -2 m", "9 m, -7 m", "9 m, -14 m"]\nwidth = "1 m"\ncurved = true\n'
    more = ('path = "walk"', 'start = "0 m"', "count = 9", 'spacing = "1.5 m"')
    left, right = (
        spots(
            placed(
                text
                + fixture(*more, f'verge = "{verge}"', 'verge_distance = "0 m"', lamp="path hat")
            )
        )
        for verge in ("left", "right")
    )
    middles = (left + right)[:, :2] / 2
    assert np.linalg.norm((left - right)[:, :2], axis=1) == pytest.approx(1.0)  # the path's width
    steps = np.linalg.norm(np.diff(middles, axis=0), axis=1)
    assert (steps <= 1.5 + 1e-9).all() and (steps > 1.45).all()  # a chord is a little shorter
    assert middles[0] == pytest.approx([0, 0])


def test_the_end_of_a_path_may_be_reached_but_not_passed() -> None:
    row = ('path = "walk"', "count = 3", 'spacing = "4 m"')
    assert len(placed(WALK + fixture(*row, 'start = "2 m"', lamp="path hat"))) == 3
    with pytest.raises(NightviewError, match=r'fixture "f".*10\.10 m.*"walk".*10\.00 m'):
        placed(WALK + fixture(*row, 'start = "2.1 m"', lamp="path hat"))


def test_a_lamp_at_a_path_that_has_an_elevation_alone_faces_the_path() -> None:
    lamps = placed(
        WALK
        + fixture(
            'path = "walk"',
            'start = "1 m"',
            'verge = "both"',
            'elevation = "-45 deg"',
            'height = "0.8 m"',
        )
    )
    for lamp in lamps:
        assert lamp.axis == pytest.approx(
            [-np.sign(lamp.position[0]) * np.sqrt(0.5), 0, -np.sqrt(0.5)]
        )
        assert lamp.position[2] == pytest.approx(0.8)


# --- aims -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("north", [0, 40, -90])
@pytest.mark.parametrize(("bearing", "elevation"), [(0, 0), (90, 30), (215, -20), (-45, 85)])
def test_bearings_are_clockwise_from_north(north: int, bearing: int, elevation: int) -> None:
    """north is the bearing of +y: a lamp that looks along +y has that bearing."""
    (lamp,) = placed(
        f'[site]\nnorth = "{north} deg"\n'
        + fixture(
            'at = "0 m, 0 m, 1 m"', f'bearing = "{bearing} deg"', f'elevation = "{elevation} deg"'
        )
    )
    x, y, z = lamp.axis
    assert np.degrees(np.arcsin(z)) == pytest.approx(elevation)
    seen = np.degrees(np.arctan2(x, y)) + north
    assert (seen - bearing + 180) % 360 - 180 == pytest.approx(0, abs=1e-9)


def test_a_bearing_alone_is_level() -> None:
    (lamp,) = placed(fixture('at = "0 m, 0 m, 1 m"', 'bearing = "90 deg"'))
    assert lamp.axis == pytest.approx([1, 0, 0])


AIMS = {
    "pier": ('[[column]]\nname = "pier"\nat = "3 m, 4 m"\nheight = "2 m"\n', (3, 4, 1.0)),
    "door": (
        '[[opening]]\nname = "door"\nblock = "house"\nkind = "door"\nalong = "4 m"\nsill = "0 m"\nsize = "1 m, 2 m"\n',
        (5, 2.1, 1.0),
    ),
    "pane": (
        '[[opening]]\nname = "pane"\nblock = "house"\nside = "left"\nalong = "3 m"\nsill = "1 m"\nsize = "1 m, 1 m"\n',
        (1.1, 5, 1.5),
    ),
    "oak": (
        '[[tree]]\nname = "oak"\nat = "-6 m, -6 m"\nheight = "6 m"\nclear = "2 m"\n',
        (-6, -6, 4.0),
    ),
    "walk": (WALK, (0, -7, 0)),
}


@pytest.mark.parametrize("name", AIMS)
def test_aim_at_a_thing(name: str) -> None:
    text, middle = AIMS[name]
    (lamp,) = placed(
        HOUSE.format(turn=0) + text + fixture('at = "-9 m, -2 m, 0.2 m"', f'aim_at = "{name}"')
    )
    target = np.array(middle) - [-9, -2, 0.2]
    off = np.degrees(np.arccos(min(1.0, lamp.axis @ target / np.linalg.norm(target))))
    assert off < (4.0 if name == "oak" else 1.0)  # a crown is grown, not drawn


def test_aim_at_a_row_of_shrubs_is_at_its_middle() -> None:
    row = '[[shrub]]\nname = "box"\nat = "-2 m, 0 m"\nto = "2 m, 0 m"\ncount = 3\nheight = "1 m"\n'
    (lamp,) = placed(row + fixture('at = "0 m, -4 m, 0.5 m"', 'aim_at = "box"'))
    assert lamp.axis == pytest.approx([0, 1, 0], abs=0.05)


def test_a_named_thing_that_has_no_surface_is_told() -> None:
    text = (
        '[[bed]]\nname = "b"\noutline = ["2 m, 3 m", "3 m, 3 m", "3 m, 4 m"]\n'  # within the house
    )
    with pytest.raises(NightviewError, match='fixture "f": aim_at: .*"b"'):
        placed(HOUSE.format(turn=0) + text + fixture('at = "-9 m, -2 m, 0.2 m"', 'aim_at = "b"'))


def test_aim_where_the_named_thing_is() -> None:
    pier = '[[column]]\nname = "pier"\nat = "3 m, 4 m"\nheight = "2 m"\n'
    with pytest.raises(NightviewError, match='fixture "f".*(aim|inside)'):
        placed(pier + fixture('at = "3 m, 4 m, 1 m"', 'aim_at = "pier"'))


def test_no_aim_is_told() -> None:
    with pytest.raises(NightviewError, match='fixture "f".*points.*aim'):
        placed(fixture('at = "0 m, 0 m, 1 m"'))


# --- what it stands on ----------------------------------------------------------------------------

# An angled terrace, half a metre up, with the block's front on its long side; and a porch on it.
RAISED = """
[[terrace]]
name = "platform"
outline = ["1 m, 2 m", "1 m, -1 m", "4 m, -1 m", "4 m, 0.5 m", "9 m, 0.5 m", "9 m, 2 m"]
height = "0.5 m"
[[porch]]
name = "stoop"
block = "house"
along = "7 m"
size = "1 m, 1 m"
height = "2.4 m"
floor = "0.7 m"
"""


@pytest.mark.parametrize(
    ("along", "out", "floor"),
    [(2.0, 2.5, 0.5), (2.0, 3.4, 0.0), (5.0, 2.0, 0.0), (5.0, 1.0, 0.5), (7.0, 0.5, 0.7), (7.0, 1.2, 0.5)],
)  # fmt: skip
def test_height_counts_from_the_floor_below(along: float, out: float, floor: float) -> None:
    (lamp,) = placed(
        HOUSE.format(turn=0) + RAISED
        + fixture('block = "house"', f'along = "{along} m"', f'out = "{out} m"', 'height = "0.3 m"')
    )  # fmt: skip
    assert lamp.position == pytest.approx([1 + along, 2 - out, floor + 0.3])


@pytest.mark.parametrize(
    ("x", "y", "z", "owner"),
    # Within the platform's three arms, in the notch, over it and beside it; and on the cuts between
    # the triangles that it is made of, whichever they are: along a fan of lines through its body.
    [(2, 0, 0.2, True), (3, -0.9, 0.4, True), (8, 1.2, 0.2, True), (2, 1.9, 0.49, True),
     (6, 0.2, 0.2, False), (4.1, 0.4, 0.2, False), (2, 0, 0.55, False), (0.9, 0, 0.2, False)],
)  # fmt: skip
def test_a_lamp_in_an_angled_terrace_is_refused(x: float, y: float, z: float, owner: bool) -> None:
    terrace = RAISED[: RAISED.index("[[porch]]")]
    text = terrace + fixture(f'at = "{x} m, {y} m, {z} m"', 'bearing = "0 deg"')
    if not owner:
        assert len(placed(text)) == 1
        return
    with pytest.raises(NightviewError, match='fixture "f": is inside "platform"'):
        placed(text)


def test_an_angled_terrace_has_no_gaps_inside() -> None:
    site = build(parse(RAISED[: RAISED.index("[[porch]]")]))
    whole = shapely.Polygon([(1, 2), (1, -1), (4, -1), (4, 0.5), (9, 0.5), (9, 2)])
    corners = np.array(whole.exterior.coords)[:-1]
    rng = np.random.default_rng(1)
    shares = np.linspace(0.02, 0.98, 49)
    pairs = [a + shares[:, None] * (b - a) for a in corners for b in corners if a is not b]
    flat = np.concatenate([*pairs, rng.uniform([0, -2], [10, 3], (2000, 2))])
    inside = np.zeros(len(flat), bool)
    for solid in site.solids:
        inside |= solid.holds(np.column_stack([flat, np.full(len(flat), 0.25)]), 1e-4)
    edge = shapely.distance(whole.exterior, shapely.points(flat)) < 0.0015
    assert (inside == shapely.contains_xy(whole, flat[:, 0], flat[:, 1]))[~edge].all()
    assert inside.sum() > 300


def test_a_hat_beside_a_path_over_a_terrace_stands_on_it() -> None:
    text = (
        WALK + '[[terrace]]\nname = "t"\nat = "-2 m, -5 m"\nsize = "4 m, 2 m"\nheight = "0.4 m"\n'
    )
    lamps = placed(
        text
        + fixture('path = "walk"', 'start = "2 m"', "count = 2", 'spacing = "4 m"', lamp="path hat")
    )
    assert spots(lamps)[:, 2] == pytest.approx([0.9, 0.5])  # 0.5 m, a hat's usual height


# --- inside and outside ---------------------------------------------------------------------------

HIP = """
[ground]
size = "30 m, 30 m"
[[block]]
name = "house"
at = "0 m, 0 m"
size = "8 m, 6 m"
height = "3 m"
[block.roof]
kind = "hip"
pitch = "40 deg"
[[opening]]
name = "pane"
block = "house"
along = "2 m"
sill = "1 m"
size = "1 m, 1 m"
reveal = "20 cm"
count = 2
spacing = "3 m"
"""


@pytest.mark.parametrize(
    ("at", "told"),
    [
        ("4 m, 3 m, 4 m", 'is inside "house"'),  # in the attic
        ("1 m, 1 m, 3.4 m", 'is inside "house"'),
        ("4 m, 3 m, 6.4 m", ""),  # over the ridge: 3.15 m and 3.4 m of rise at 40 deg, 6.0 m high
        ("0.2 m, 0.2 m, 4.3 m", ""),  # over the slope near a corner
        ("2 m, 0.1 m, 1.5 m", ""),  # before the first pane, and the second
        ("5.4 m, 0.19 m, 1.1 m", ""),
        ("2 m, 0.21 m, 1.5 m", 'is inside "house"'),  # behind it
        ("2.6 m, 0.1 m, 1.5 m", 'is inside "house"'),  # in the wall between
        ("2 m, 0.1 m, 0.9 m", 'is inside "house"'),  # below the sill
        ("2 m, -3 m, -0.004 m", "is 0.004 m under the ground"),
        ("2 m, -3 m, -1.234 m", "is 1.2 m under the ground"),
    ],
)
def test_where_a_lamp_may_be(at: str, told: str) -> None:
    text = HIP + fixture(f'at = "{at}"', 'bearing = "180 deg"')
    if not told:
        assert len(placed(text)) == 1
        return
    with pytest.raises(NightviewError, match=f'fixture "f": {told}'):
        placed(text)


# --- rows of light --------------------------------------------------------------------------------


def lies(lamp: Placed) -> np.ndarray:
    """The way a linear lamp's length runs, (3,)."""
    return np.cross(lamp.axis, lamp.reference)


@pytest.mark.parametrize("side", WALLS)
@pytest.mark.parametrize(
    "aim", ['elevation = "-90 deg"', 'elevation = "0 deg"', 'elevation = "-40 deg"', ""]
)
def test_a_linear_lamp_lies_along_its_wall(side: str, aim: str) -> None:
    (lamp,) = placed(
        HOUSE.format(turn=30)
        + fixture('block = "house"', f'side = "{side}"', 'along = "2 m"', 'out = "0.1 m"', 'height = "1 m"', aim,
                  lamp="strip")
    )  # fmt: skip
    way = np.array([*WALLS[side][1], 0.0])
    c, s = np.cos(np.radians(30)), np.sin(np.radians(30))
    way = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ way
    assert abs(lies(lamp) @ way) == pytest.approx(1.0)
    assert lamp.reference @ lamp.axis == pytest.approx(0, abs=1e-12)
    if not aim:  # straight down
        assert lamp.axis == pytest.approx([0, 0, -1])


def test_a_linear_lamp_lies_along_its_row_and_its_path() -> None:
    lamps = placed(
        fixture(
            'at = "0 m, 0 m, 1 m"', 'to = "3 m, 4 m, 1 m"', "count = 2", lamp="strip", name="row"
        )
        + WALK
        + fixture('path = "walk"', 'start = "1 m"', lamp="strip", name="walk-side")
        + fixture('at = "0 m, 9 m, 1 m"', 'aim = "5 m, 9 m, 1 m"', lamp="strip", name="level")
        + fixture('at = "0 m, 9 m, 2 m"', 'roll = "90 deg"', lamp="strip", name="turned")
    )
    for lamp, way in zip(
        lamps, [(0.6, 0.8, 0)] * 2 + [(0, 1, 0), (0, 1, 0), (0, 1, 0)], strict=True
    ):
        assert abs(lies(lamp) @ way) == pytest.approx(1.0), lamp.id
    assert lamps[3].reference == pytest.approx([0, 0, 1], abs=1e-12)  # across it, upright


# --- tilt -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("elevation", "factor"), [(-90, 1.0), (-60, 0.95), (0, 0.85), (80, 0.85)])
def test_a_files_tilt_factor_is_applied_as_installed(elevation, factor, tmp_path) -> None:
    """By hand: an upright lamp at 30 deg from straight down, halfway from 1.0 to 0.9 at 60 deg; level,
    and aimed up, past the table's last angle of 90 deg."""
    (tmp_path / "lamp.ies").write_text(
        "IESNA:LM-63-2002\nTILT=INCLUDE\n1\n3\n0 60 90\n1.0 0.9 0.85\n"
        "1 -1 1 2 1 1 2 0 0 0\n1 1 20\n0 90\n0\n100 100\n"
    )
    text = '[lamps.l]\nkind = "file"\nfile = "lamp.ies"\n' + fixture(
        'at = "0 m, 0 m, 2 m"', 'bearing = "70 deg"', f'elevation = "{elevation} deg"', lamp="l"
    )
    (lamp,) = build(parse(text, folder=tmp_path)).fixtures
    assert lamp.lamp.intensity.peak_cd == pytest.approx(100.0 * factor, rel=1e-5)
    assert lamp.lamp.flux_lm == pytest.approx(200.0 * np.pi * factor, rel=1e-4)


# --- roll -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("aim", [(1, 0, 0), (0.3, -0.5, 0.9), (0, 0, 1), (0, 0, -1), (0, 1e-5, 1)])
def test_reference_is_square_to_the_aim_and_upright(aim: tuple[float, ...]) -> None:
    x, y, z = aim
    (lamp,) = placed(
        fixture('at = "0 m, 0 m, 5 m"', f'aim = "{x:.9f} m, {y:.9f} m, {5 + z:.9f} m"')
    )
    assert lamp.reference @ lamp.axis == pytest.approx(0, abs=1e-12)
    assert np.linalg.norm(lamp.reference) == pytest.approx(1)
    if abs(z) < 0.99 * np.linalg.norm(aim):
        # Upright: in the plane of the aim and the vertical, and pointing up.
        assert np.cross(lamp.axis, lamp.reference)[2] == pytest.approx(0, abs=1e-12)
        assert lamp.reference[2] > 0


@pytest.mark.parametrize("side", WALLS)
def test_aimed_straight_down_the_reference_is_towards_the_wall(side: str) -> None:
    """As for one aimed nearly so, which is upright: nothing jumps as a lamp is turned."""
    steep, nearly = placed(
        HOUSE.format(turn=30)
        + "".join(
            fixture('block = "house"', f'side = "{side}"', f'along = "{k} m"', 'out = "0.3 m"',
                    f'elevation = "{elevation} deg"', name=f"f{k}", lamp="downlight 36")
            for k, elevation in ((2, -90), (3, -89))
        )
    )  # fmt: skip
    assert steep.axis == pytest.approx([0, 0, -1])
    assert steep.reference == pytest.approx(nearly.reference, abs=0.02)


def test_roll_turns_the_reference_about_the_aim() -> None:
    def reference(roll: int) -> np.ndarray:
        (lamp,) = placed(
            fixture('at = "0 m, 0 m, 1 m"', 'bearing = "0 deg"', f'roll = "{roll} deg"')
        )
        return lamp.reference

    assert reference(0) == pytest.approx([0, 0, 1], abs=1e-12)
    # The aim is +y; from up, by a quarter turn right-handed about it: y × z = x.
    assert reference(90) == pytest.approx([1, 0, 0], abs=1e-12)
    assert reference(180) == pytest.approx([0, 0, -1], abs=1e-12)
    assert reference(-90) == pytest.approx([-1, 0, 0], abs=1e-12)
