"""Light kept on disk: a second command traces nothing, and no damage to the folder does harm."""

from __future__ import annotations

import os
import stat

import numpy as np
import pytest

import nightview as nv
from nightview.light import cache, field, stage
from nightview.scene.read import parse

SCENE = """
[site]
ambient = "0.5 lx"

[ground]
material = "gravel"
size = "8 m, 6 m"

[[block]]
name = "house"
at = "-2 m, 0 m"
size = "4 m, 2 m"
height = "2.4 m"

[[fixture]]
id = "one"
lamp = "accent 36"
block = "house"
along = "1 m"
out = "0.5 m"
elevation = "76 deg"

[[fixture]]
id = "two"
lamp = "path hat"
at = "1.5 m, -2 m, 0.5 m"
"""
MOVED = SCENE.replace("1.5 m, -2 m, 0.5 m", "1.2 m, -2.1 m, 0.5 m")


def lit(text: str = SCENE):
    return nv.trace(nv.build(parse(text, "cache", ".")))


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("NIGHTVIEW_CACHE", str(tmp_path / "kept"))
    return tmp_path / "kept" / "light"


@pytest.fixture
def traced(monkeypatch):
    """Names of the sources traced, as they are."""
    names: list[str] = []
    real = field.trace_direct

    def watched(site, source, *rest):
        names.append(source.name)
        return real(site, source, *rest)

    monkeypatch.setattr(field, "trace_direct", watched)
    return names


def assert_same(one, other) -> None:
    a, b = nv.mix(one), nv.mix(other)
    for mine, theirs in zip((*a.patches, *a.meshes), (*b.patches, *b.meshes), strict=True):
        assert (mine is None) == (theirs is None)
        if mine is not None:
            assert np.array_equal(mine, theirs)


def test_a_second_trace_traces_nothing(folder, monkeypatch):
    first = lit()
    assert len(list(folder.glob("*.npz"))) == 3  # two lamps and the sky

    def never(*args):
        raise AssertionError("traced again")

    monkeypatch.setattr(field, "trace_direct", never)
    monkeypatch.setattr(stage, "trace_gather", never)
    assert_same(lit(), first)


def test_moving_a_lamp_traces_that_lamp_alone(folder, traced, monkeypatch):
    first = lit()
    assert sorted(traced) == ["one", "two"]
    traced.clear()
    moved = lit(MOVED)
    assert traced == ["two"]
    number = [part.source.name for part in first.sources].index("one")
    for kept, fresh in zip(
        first.sources[number].direct.patches.items(),
        moved.sources[number].direct.patches.items(),
        strict=True,
    ):
        assert kept[0] == fresh[0]
        assert np.array_equal(kept[1][1], fresh[1][1])
    # And what comes out is what a trace without any cache gives.
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")
    assert_same(moved, lit(MOVED))


def test_switching_dimming_and_colour_trace_nothing(folder, traced):
    lit()
    traced.clear()
    lit(SCENE.replace('id = "one"', 'id = "one"\ndim = 0.3\ncct = "4000 K"'))
    lit(SCENE.replace('id = "one"', 'id = "one"\non = false'))
    assert traced == []


@pytest.mark.parametrize(
    "change",
    [
        ('size = "4 m, 2 m"', 'size = "4 m, 2.2 m"'),
        ('height = "2.4 m"', 'height = "2.5 m"'),
        ('material = "gravel"', 'material = "asphalt"'),
    ],
)
def test_another_geometry_or_reflectance_is_traced_anew(folder, traced, change):
    lit()
    traced.clear()
    assert change[0] in SCENE
    lit(SCENE.replace(*change))
    assert sorted(traced) == ["one", "two"]


@pytest.mark.parametrize(
    "change", [('lamp = "accent 36"', 'lamp = "accent 24"'), ("76 deg", "75 deg")]
)
def test_another_lamp_or_aim_is_traced_anew(folder, traced, change):
    lit()
    traced.clear()
    lit(SCENE.replace(*change))
    assert traced == ["one"]


def test_another_sky_is_not_taken_for_the_old_one(folder, traced):
    dim = nv.mix(lit()).rows
    traced.clear()
    bright = nv.mix(lit(SCENE.replace("0.5 lx", "5 lx"))).rows
    assert traced == []  # the lamps know nothing of the sky
    open_places = dim.max(axis=1) > 0
    assert bright[open_places].sum() > 2 * dim[open_places].sum()


@pytest.mark.parametrize("damage", ["cut", "garbage", "empty", "another's"])
def test_a_damaged_file_is_thrown_away(folder, traced, damage):
    first = lit()
    traced.clear()
    files = sorted(folder.glob("*.npz"), key=lambda path: path.stat().st_size)
    before = {path: path.read_bytes() for path in files}
    for path in files:
        data = before[path]
        if damage == "cut":
            path.write_bytes(data[: len(data) // 2])
        elif damage == "garbage":
            path.write_bytes(os.urandom(4000))
        elif damage == "empty":
            path.write_bytes(b"")
        else:
            path.write_bytes(before[files[0] if path != files[0] else files[1]])
    assert_same(lit(), first)
    assert sorted(traced) == ["one", "two"]
    traced.clear()
    assert_same(lit(), first)  # and it was written well this time
    assert traced == []


def test_a_flipped_bit_is_noticed(folder, traced):
    # A zip holds a CRC-32 of each member, so that no map is read with a wrong byte in it.
    first = lit()
    traced.clear()
    path = max(folder.glob("*.npz"), key=lambda path: path.stat().st_size)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    assert_same(lit(), first)


def test_a_folder_that_cannot_be_written_is_survived(tmp_path, monkeypatch, traced):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv("NIGHTVIEW_CACHE", str(tmp_path / "file"))
    one = lit()
    two = lit()
    assert_same(one, two)
    assert len(traced) == 4
    assert (tmp_path / "file").read_text() == "in the way"


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only to root")
def test_a_read_only_folder_is_survived(tmp_path, monkeypatch, traced):
    monkeypatch.setenv("NIGHTVIEW_CACHE", str(tmp_path))
    tmp_path.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert_same(lit(), lit())
    finally:
        tmp_path.chmod(stat.S_IRWXU)


def test_a_full_disk_leaves_no_half_file(folder, monkeypatch, traced):
    def full(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(cache.np, "savez", full)
    first = lit()
    assert list(folder.iterdir()) == []
    assert_same(lit(), first)


def test_an_empty_name_turns_it_off(tmp_path, monkeypatch, traced):
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")
    monkeypatch.chdir(tmp_path)
    lit()
    lit()
    assert len(traced) == 4
    assert list(tmp_path.iterdir()) == []


def test_the_longest_unused_go_first(folder, monkeypatch):
    folder.mkdir(parents=True)
    for age in range(6):
        path = folder / f"{age}.npz"
        path.write_bytes(b"x" * 1000)
        os.utime(path, (1e9 - 1000 * age,) * 2)
    monkeypatch.setattr(cache, "LIMIT_BYTES", 3500)
    cache.trim()
    assert sorted(path.name for path in folder.iterdir()) == ["0.npz", "1.npz", "2.npz"]


def test_use_keeps_a_file_young(folder, monkeypatch):
    lit()
    keys = sorted(folder.glob("*.npz"))
    for path in keys:
        os.utime(path, (1e9, 1e9))
    lit()
    assert all(path.stat().st_mtime > 1e9 + 1 for path in keys)


def test_the_folder_stays_within_its_bound(folder, monkeypatch):
    lit()
    size = sum(path.stat().st_size for path in folder.iterdir())
    monkeypatch.setattr(cache, "LIMIT_BYTES", int(1.5 * size))
    for x in ("1.1 m", "1.2 m", "1.3 m", "1.4 m"):
        lit(SCENE.replace('along = "1 m"', f'along = "{x}"'))
    assert sum(path.stat().st_size for path in folder.iterdir()) <= 1.5 * size
