"""Pattern tiles: balanced, seamless, in true size, and the same every time."""

from __future__ import annotations

import os
import subprocess
import sys
from hashlib import sha256

import numpy as np
import pytest
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.picture.patterns import DRAWN, tile, tile_of
from nightview.picture.tiles import Grid, Relief, Tile, finish, normals
from nightview.site.materials import MATERIALS, PATTERNS


def tilt_deg(normal: NDArray[np.floating]) -> float:
    return float(np.degrees(np.arctan2(np.hypot(normal[0], normal[1]), normal[2])))


def steps(field: NDArray[np.floating], axis: int) -> NDArray[np.floating]:
    """Mean difference between neighbouring lines; the last is the step across the seam."""
    others = tuple(k for k in range(field.ndim) if k != axis)
    return np.abs(np.roll(field, -1, axis=axis) - field).mean(axis=others)


def seam(field: NDArray[np.floating], axis: int) -> float:
    """Step across the seam over the greatest step within."""
    every = steps(field, axis)
    return float(every[-1] / max(every[:-1].max(), 1e-12))


def period_m(profile: NDArray[np.floating], length_m: float) -> float:
    """Length of the strongest wave of a profile, or of the mean spectrum of several (n, length)."""
    rows = np.atleast_2d(profile)
    rows = rows - rows.mean(axis=1, keepdims=True)
    power = (np.abs(np.fft.rfft(rows, axis=1)) ** 2).mean(axis=0)
    return length_m / int(np.argmax(power))


def test_every_pattern_of_the_materials_is_drawn() -> None:
    assert set(DRAWN) == set(PATTERNS)
    assert tuple(sorted(PATTERNS)) == PATTERNS


def test_an_unknown_pattern_suggests_the_nearest() -> None:
    with pytest.raises(NightviewError, match=r'"fieldstones" is not known; write fieldstone'):
        tile("fieldstones")


@pytest.mark.parametrize("pattern", PATTERNS)
class TestEveryTile:
    def test_shape_is_a_power_of_two_and_fine_enough(self, pattern: str) -> None:
        drawn = tile(pattern)
        height, width = drawn.albedo.shape[:2]
        for count in (height, width):
            assert count & (count - 1) == 0
            assert count <= 1024
        assert drawn.normal.shape == drawn.albedo.shape == (height, width, 3)
        assert drawn.height_m.shape == (height, width)
        for array in (drawn.albedo, drawn.normal, drawn.height_m):
            assert array.dtype == np.float32
            assert not array.flags.writeable
            assert np.isfinite(array).all()
        if np.ptp(drawn.height_m) > 0.0:
            # boards are fine across the grain, where it matters
            assert min(drawn.size_m[0] / width, drawn.size_m[1] / height) <= 0.008
            assert max(drawn.size_m[0] / width, drawn.size_m[1] / height) <= 0.010

    def test_mean_reflectance_stays_the_materials(self, pattern: str) -> None:
        albedo = tile(pattern).albedo
        assert albedo.mean(axis=(0, 1), dtype=np.float64) == pytest.approx([1.0] * 3, abs=1e-4)
        assert albedo.min() > 0.0

    def test_normals_are_unit_and_upright_on_the_whole(self, pattern: str) -> None:
        normal = tile(pattern).normal
        assert np.abs(np.einsum("ijk,ijk->ij", normal, normal) - 1.0).max() < 1e-5
        assert normal[..., 2].min() > 0.0
        assert tilt_deg(normal.mean(axis=(0, 1), dtype=np.float64)) < 3.5

    def test_it_repeats_without_a_seam(self, pattern: str) -> None:
        drawn = tile(pattern)
        for field in (drawn.albedo[..., 1], drawn.height_m, drawn.normal[..., 1]):
            for axis in (0, 1):
                assert seam(field, axis) < 1.15

    def test_no_blotch_repeats_with_the_tile(self, pattern: str) -> None:
        albedo = tile(pattern).albedo.mean(axis=-1)
        blocks = min(4, albedo.shape[0]), min(4, albedo.shape[1])
        coarse = albedo.reshape(
            blocks[0], albedo.shape[0] // blocks[0], blocks[1], albedo.shape[1] // blocks[1]
        ).mean(axis=(1, 3))
        assert coarse.std() < 0.05


@pytest.mark.parametrize(
    ("pattern", "axis"),
    [
        ("brick", 0),
        ("cedar boards", 1),
        ("deck boards", 0),
        ("fieldstone", 0),
        ("fieldstone", 1),
        ("flagstone", 1),
        ("stucco", 0),
        ("bark", 1),
        ("lawn", 0),
    ],
)
def test_the_seam_test_sees_a_seam(pattern: str, axis: int) -> None:
    height = tile(pattern).height_m
    short = height.shape[axis] * 5 // 7
    cut = np.take(height, np.arange(short), axis=axis)
    assert seam(cut, axis) > 1.15


def test_three_brick_courses_are_eight_inches() -> None:
    brick = tile("brick")
    for profile in (brick.height_m.mean(axis=1), brick.albedo[..., 2].mean(axis=1)):
        assert period_m(profile, brick.size_m[1]) == pytest.approx(8 * 0.0254 / 3, rel=0.02)


def test_bricks_are_eight_inches_long_in_running_bond() -> None:
    brick = tile("brick")
    assert period_m(brick.height_m, brick.size_m[0]) == pytest.approx(0.2032, rel=0.02)
    # joints of one course stand over the middles of the next
    course = brick.height_m.shape[0] / 36
    first, second, third = (
        brick.height_m[int((k + 0.3) * course) : int((k + 0.7) * course)].mean(axis=0)
        for k in (10, 11, 12)
    )
    assert np.corrcoef(first, third)[0, 1] > 0.5
    assert np.corrcoef(first, second)[0, 1] < 0.1


def test_mortar_is_a_lighter_joint_set_back_five_millimetres() -> None:
    spec = MATERIALS["red brick"]
    brick = tile_of(spec)
    face = brick.height_m > 0.0
    joint = brick.height_m < np.percentile(brick.height_m, 8)
    depth = np.median(brick.height_m[face]) - np.median(brick.height_m[joint])
    assert depth == pytest.approx(0.005, abs=0.001)
    colour = brick.albedo[joint].mean(axis=0) * np.array(spec.rgb)
    assert colour.mean() > 1.2 * (brick.albedo[face].mean(axis=0) * np.array(spec.rgb)).mean()
    # its colour is the mortar's own, not brighter brick
    assert spec.joint_rgb is not None
    assert colour == pytest.approx(np.array(spec.joint_rgb), rel=0.06)


def test_siding_shows_fifteen_centimetres_and_its_lips_face_down() -> None:
    siding = tile("lap siding")
    profile = siding.height_m.mean(axis=1)
    assert period_m(profile, siding.size_m[1]) == pytest.approx(0.150, rel=0.02)
    assert np.ptp(profile) == pytest.approx(0.012, abs=0.002)
    upward = siding.normal[..., 1]
    assert upward.min() < -0.8
    # each face leans back by 12 mm in 150
    assert np.median(upward) == pytest.approx(0.012 / 0.150, rel=0.1)


@pytest.mark.parametrize(
    ("pattern", "axis", "expected_m"),
    [
        ("cedar boards", 1, 0.140),
        ("deck boards", 0, 0.140),
        ("shingle", 0, 0.140),
        ("lap siding", 0, 0.150),
        ("brick", 0, 8 * 0.0254 / 3),
        ("slate", 0, 0.200),
        ("standing seam", 1, 16 * 0.0254),
        ("limestone", 0, 0.360),
    ],
)
def test_boards_and_courses_are_in_true_size(pattern: str, axis: int, expected_m: float) -> None:
    drawn = tile(pattern)
    profile = drawn.height_m.mean(axis=1 - axis)
    length = drawn.size_m[1 - axis]
    assert period_m(profile, length) == pytest.approx(expected_m, rel=0.02)
    # whole boards only, or the tile would not repeat
    assert length / expected_m == pytest.approx(round(length / expected_m), abs=1e-6)


@pytest.mark.parametrize(
    ("pattern", "least_mm", "most_mm"),
    [
        ("fieldstone", 15.0, 40.0),
        ("brick", 4.0, 7.0),
        ("stucco", 1.0, 4.0),
        ("render", 0.3, 2.0),
        ("bark", 5.0, 12.0),
        ("gravel", 3.0, 12.0),
        ("lawn", 5.0, 25.0),
        ("paint", 0.0, 0.5),
    ],
)
def test_relief_is_as_deep_as_the_real_thing(pattern: str, least_mm: float, most_mm: float) -> None:
    low, high = np.percentile(tile(pattern).height_m, [2.0, 98.0])
    assert least_mm < 1000.0 * (high - low) < most_mm


def test_a_lawn_is_no_flat_green_sheet() -> None:
    lawn = tile("lawn")
    assert min(lawn.size_m) >= 4.0
    albedo = lawn.albedo
    assert albedo.mean(axis=-1).std() > 0.2
    yellowness = albedo[..., 0] / albedo[..., 1]
    assert np.ptp(np.percentile(yellowness, [5.0, 95.0])) > 0.3
    # texture in light that grazes at 12 degrees, at blades' and at tufts' scale
    lit = np.maximum(0.0, lawn.normal @ np.array([0.0, -np.cos(0.21), np.sin(0.21)], np.float32))
    tufts = lit.reshape(64, 16, 64, 16).mean(axis=(1, 3))
    assert lit.std() / lit.mean() > 0.4
    assert tufts.std() / tufts.mean() > 0.05


@pytest.mark.parametrize("name", MATERIALS)
def test_no_texel_reflects_more_than_it_receives(name: str) -> None:
    spec = MATERIALS[name]
    assert (tile_of(spec).albedo.max(axis=(0, 1)) * np.array(spec.rgb)).max() <= 1.0


def test_normals_are_those_of_the_slope() -> None:
    grid = Grid(2.0, 1.0, 256, 128)
    wave = 2.0 * np.pi / grid.width_m
    height = (0.01 * np.sin(wave * grid.x) + 0.0 * grid.y).astype(np.float32)
    normal = normals(height, grid)
    slope = 0.01 * wave * np.cos(wave * grid.x[0])
    assert -normal[5, :, 0] / normal[5, :, 2] == pytest.approx(slope, abs=1e-4)
    assert np.abs(normal[..., 1]).max() < 1e-6
    # a surface that rises upward (with the row) faces down
    up = normals((0.01 * np.sin(2.0 * np.pi * grid.y) + 0.0 * grid.x).astype(np.float32), grid)
    assert up[0, 0, 1] < 0.0 < up[64, 0, 1]


def test_balancing_takes_out_slow_waves_and_keeps_the_rest() -> None:
    grid = Grid(1.0, 1.0, 64, 64)
    slow, quick = np.cos(2.0 * np.pi * grid.x), np.cos(2.0 * np.pi * 12.0 * grid.x)
    tone = (2.0 + 0.4 * slow + 0.2 * quick + 0.0 * grid.y).astype(np.float32)
    relief = Relief(grid, np.zeros(grid.shape, np.float32), tone)
    spectrum = np.abs(np.fft.rfft(finish(relief).albedo[0, :, 0])) / 32.0
    assert spectrum[1] < 0.01
    assert spectrum[12] == pytest.approx(0.1, rel=0.05)


def digest(drawn: Tile) -> str:
    return sha256(
        drawn.albedo.tobytes() + drawn.normal.tobytes() + drawn.height_m.tobytes()
    ).hexdigest()


@pytest.mark.parametrize("pattern", ["brick", "fieldstone", "flagstone", "lawn", "shingle", "bark"])
def test_the_same_bytes_twice(pattern: str) -> None:
    once = tile(pattern)
    again = finish(DRAWN[pattern]())
    assert once is not again
    assert digest(once) == digest(again)


def test_the_same_bytes_in_another_process() -> None:
    script = (
        "import sys; sys.path.insert(0, 'tests')\n"
        "from test_patterns import digest\n"
        "from nightview.picture.patterns import tile\n"
        "print(digest(tile('slate')))"
    )
    told = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "12345"},
    )
    assert told.stdout.strip() == digest(tile("slate"))
