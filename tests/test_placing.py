"""Where lamps stand and where they point: walls, paths, rows, aims, bearings, roll."""

from __future__ import annotations

import numpy as np
import pytest

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
