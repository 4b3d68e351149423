"""The command line: what it writes, and what it says of bad input (status 2, nothing half-written)."""

from __future__ import annotations

import errno
import json
import os
import pty
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image
from schemas import validator_of

from nightview import read
from nightview.__main__ import main
from nightview.lamps.catalogue import builtin_lamps
from nightview.picture.png import read_texts
from nightview.scene.starter import ROOFS
from nightview.site.materials import MATERIALS, PATTERNS

COMMANDS = (
    "new", "still", "compare", "turntable", "plan", "check", "meter", "wire", "pack", "intake", "lamps", "materials",
    "schema",
)  # fmt: skip

GOOD = """
title = "Test house"

[site]
surroundings = "suburban"

[ground]
size = "12 m, 12 m"

[[block]]
name = "house"
at = "-2 m, 0 m"
size = "4 m, 3 m"
height = "2.8 m"
material = "off-white stucco"

[[opening]]
name = "front door"
block = "house"
kind = "door"
along = "2 m"
sill = "0 m"
size = "1 m, 2.1 m"

[[column]]
name = "pier"
at = "3 m, -3 m"
height = "2 m"
width = "0.4 m"

[[fixture]]
id = "up"
lamp = "accent 36"
block = "house"
along = "0.8 m"
out = "0.5 m"
elevation = "80 deg"

[[fixture]]
id = "post"
lamp = "path hat"
at = "1.5 m, -2 m, 0.5 m"

[[view]]
name = "street"
eye = "0 m, -5.5 m, 1.6 m"
target = "0 m, 0 m, 1.4 m"

[[view]]
name = "corner"
eye = "4 m, -4.5 m, 1.6 m"
target = "0 m, 0 m, 1.2 m"
"""

MESH = '[[mesh]]\nname = "urn"\nfile = "urn.stl"\n'
PHOTOMETRY = '[lamps.spot]\nkind = "file"\nfile = "spot.ies"\n[[fixture]]\nid = "s"\nlamp = "spot"\nat = "2 m, -4 m, 0.2 m"\naim = "0 m, 0 m, 2 m"\n'


def listing(folder: Path) -> dict[str, bytes | None]:
    """Every file below a folder with what it holds."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in folder.rglob("*")
    }


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "garden.toml"
    path.write_text(GOOD, encoding="utf-8")
    return path


def still(scene: Path, *more: str) -> int:
    return main(["still", str(scene), "--size", "96x64", *more])


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) >= 1, old
    return GOOD.replace(old, new, 1)


# --- stills ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def stills(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of both pictures of the good scene."""
    folder = tmp_path_factory.mktemp("stills")
    (folder / "garden.toml").write_text(GOOD, encoding="utf-8")
    assert still(folder / "garden.toml", "--out", str(folder / "made")) == 0
    return folder / "made"


def test_a_picture_a_view(stills: Path) -> None:
    assert {path.name for path in stills.iterdir()} == {"garden-street.png", "garden-corner.png"}
    for path in stills.iterdir():
        with Image.open(path) as image:
            assert image.size == (96, 64) and image.mode == "RGB"
            assert np.ptp(np.asarray(image)) > 60  # something lit, something dark


def test_a_state_and_a_look_are_said_and_have_files_of_their_own(scene: Path, stills: Path) -> None:
    late = '\n[[state]]\nname = "late"\nlabel = "all off"\non = false\n'
    scene.write_text(GOOD + late, encoding="utf-8")
    out = ["--view", "street", "--out", str(scene.parent)]
    told = {}
    for words in (["--state", "late"], ["--look", "eye"], ["--look", "levels", "--quantity", "cd"]):
        assert still(scene, *out, *words) == 0
    for name in ("garden-street-late", "garden-street-eye", "garden-street-levels"):
        path = scene.parent / f"{name}.png"
        texts = read_texts(path)
        told[name] = texts["state"], texts["look"], texts["exposure_ev100"]
    usual = read_texts(stills / "garden-street.png")["exposure_ev100"]
    assert list(told.values()) == [
        ("all off", "as a camera sees it", usual),
        ("as designed", "as the eye sees it", usual),
        ("as designed", "levels in cd/m²", usual),
    ]
    dark, lit = (
        np.asarray(Image.open(path)).mean()
        for path in (scene.parent / "garden-street-late.png", stills / "garden-street.png")
    )
    assert dark < lit


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--state", "lat"], "has no states"),
        (["--look", "rosy"], "rosy"),
        (["--quantity", "lm"], "lm"),
    ],
)
def test_unknown_states_and_looks_are_refused(scene: Path, capsys, words, told) -> None:
    before = listing(scene.parent)
    assert still(scene, *words, "--out", str(scene.parent)) == 2
    assert told in capsys.readouterr().err
    assert listing(scene.parent) == before


def test_one_exposure_for_all_views_in_the_files(stills: Path) -> None:
    texts = [read_texts(path) for path in sorted(stills.iterdir())]
    exposures = {text["exposure_ev100"] for text in texts}
    assert len(exposures) == 1 and np.isfinite(float(exposures.pop()))
    assert [text["view"] for text in texts] == ["corner", "street"]
    assert all(text["Title"] == "Test house" for text in texts)


def test_the_exposure_does_not_hang_on_which_views_are_drawn(scene: Path, stills: Path) -> None:
    assert still(scene, "--view", "corner", "--out", str(scene.parent)) == 0
    drawn = scene.parent / "garden-corner.png"
    assert drawn.read_bytes() == (stills / "garden-corner.png").read_bytes()


def test_the_stated_exposure_is_used(scene: Path, stills: Path) -> None:
    usual = float(read_texts(stills / "garden-street.png")["exposure_ev100"])
    stated, path = usual + 3.0, scene.parent / "garden-street.png"
    pixels = []
    for picture in ("", f"\n[picture]\nexposure_ev100 = {stated}\n"):
        scene.write_text(GOOD + picture, encoding="utf-8")
        options = ["--view", "street", "--out", str(scene.parent), "--size", "320x180"]
        assert main(["still", str(scene), *options]) == 0
        with Image.open(path) as image:
            pixels.append(np.asarray(image).astype(int)[:100])  # above the caption
    assert float(read_texts(path)["exposure_ev100"]) == pytest.approx(stated, abs=0.005)
    # Three stops fewer: nothing is brighter, and the half-tones sink.
    before, after = pixels
    tones = (before > 60) & (before < 180)
    assert tones.sum() > 1000 and (after <= before + 2).all()
    assert (after[tones] < 0.75 * before[tones]).mean() > 0.95


def test_same_scene_same_bytes(scene: Path, stills: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Traced anew in another process, and from light that this one has kept."""
    folder = scene.parent
    env = {**os.environ, "NIGHTVIEW_CACHE": str(folder / "other cache")}
    command = [sys.executable, "-m", "nightview", "still", str(scene), "--size", "96x64"]
    done = subprocess.run([*command, "--out", str(folder / "first")], env=env, capture_output=True)
    assert done.returncode == 0, done.stderr
    monkeypatch.setenv("NIGHTVIEW_CACHE", env["NIGHTVIEW_CACHE"])  # what that process has kept
    assert still(scene, "--out", str(folder / "second")) == 0
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")  # nothing kept, nothing read
    assert still(scene, "--out", str(folder / "third")) == 0
    wanted = listing(stills)
    assert len(wanted) == 2
    for out in ("first", "second", "third"):
        assert listing(folder / out) == wanted, out


def test_several_views_by_name(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = scene.parent / "deep" / "er"
    assert still(scene, "--view", "corner", "--view", "street", "--out", str(out)) == 0
    names = ["garden-corner.png", "garden-street.png"]
    assert [Path(line).name for line in capsys.readouterr().out.split()] == names
    assert sorted(listing(out)) == names


def test_views_with_like_names_keep_a_picture_each(scene: Path) -> None:
    """Names that differ in signs alone, or in letters beyond ASCII, must not share a file."""
    text = GOOD.replace('"street"', '"The street"').replace('"corner"', '"the-street"')
    more = "".join(
        f'[[view]]\nname = "{name}"\neye = "0 m, -5 m, 1 m"\ntarget = "0 m, 0 m, 1 m"\n'
        for name in ("庭", "道")
    )
    scene.write_text(text + more, encoding="utf-8")
    out = scene.parent / "out"
    status = still(scene, "--out", str(out))
    if status == 0:  # else it is refused, which is as good
        assert len(listing(out)) == 4
    else:
        assert status == 2 and not out.exists()


def test_a_cache_that_cannot_be_used_stops_nothing(
    scene: Path, stills: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = scene.parent / "taken"
    taken.write_text("a file in the cache folder's place", encoding="utf-8")
    monkeypatch.setenv("NIGHTVIEW_CACHE", str(taken))
    assert still(scene, "--view", "street", "--out", str(scene.parent)) == 0
    drawn = scene.parent / "garden-street.png"
    assert drawn.read_bytes() == (stills / "garden-street.png").read_bytes()


# --- bad input ------------------------------------------------------------------------------------

BAD = {
    "missing unit": (changed('along = "0.8 m"', 'along = "0.8"'), ('fixture "up"', "along", "0.8 m")),
    "bare number": (changed('height = "2.8 m"', "height = 2.8"), ('block "house"', "height", "2.8 m")),
    "other unit": (changed('out = "0.5 m"', 'out = "0.5 kg"'), ('fixture "up"', "out", "kg")),
    "unknown key": (changed("elevation", "elevaton"), ('fixture "up"', "elevaton", "elevation")),
    "unknown table": (changed("[[column]]", "[[colum]]"), ("colum", "column")),
    "unknown kind": (changed('kind = "door"', 'kind = "gate"'), ('opening "front door"', "kind", "gate")),
    "unknown block": (changed('block = "house"\nalong', 'block = "hose"\nalong'),
                      ('fixture "up"', "block", "hose", "house")),
    "NaN": (changed('height = "2 m"', 'height = "nan m"'), ('column "pier"', "height")),
    "TOML nan": (changed('title = "Test house"', "picture.exposure_ev100 = nan"),
                 ("picture", "exposure_ev100")),
    "infinite": (changed('height = "2 m"', 'height = "1e999 m"'), ('column "pier"', "height")),
    "zero size": (changed('size = "4 m, 3 m"', 'size = "0 m, 3 m"'), ('block "house"', "size")),
    "negative size": (changed('width = "0.4 m"', 'width = "-0.4 m"'), ('column "pier"', "width")),
    "lamp in a block": (changed('at = "1.5 m, -2 m, 0.5 m"', 'at = "1 m, 1 m, 0.5 m"'),
                        ('fixture "post"', "house")),
    "lamp in a column": (changed('at = "1.5 m, -2 m, 0.5 m"', 'at = "3 m, -3 m, 1 m"'),
                         ('fixture "post"', "pier")),
    "lamp under ground": (changed('at = "1.5 m, -2 m, 0.5 m"', 'at = "1.5 m, -2 m, -0.5 m"'),
                          ('fixture "post"', "0.5", "under")),
    "aim is position": (changed('-2 m, 0.5 m"', '-2 m, 0.5 m"\naim = "1.5 m, -2 m, 0.5 m"'),
                        ('fixture "post"', "aim")),
    "view in a wall": (changed('eye = "0 m, -5.5 m, 1.6 m"', 'eye = "-1.5 m, 0.02 m, 1.6 m"'),
                       ('view "street"', "eye", "house")),
    "view under ground": (changed('eye = "0 m, -5.5 m, 1.6 m"', 'eye = "0 m, -5.5 m, -1 m"'),
                          ('view "street"', "eye", "ground")),
    "view at its target": (changed('target = "0 m, 0 m, 1.4 m"', 'target = "0 m, -5.5 m, 1.6 m"'),
                           ('view "street"', "target")),
    "no lamps": (GOOD.split("[[fixture]]")[0] + "[[view]]" + GOOD.split("[[view]]")[1], ("lamps", "fixture")),
    "no views": (GOOD.split("[[view]]")[0], ("views", "[[view]]")),
    "unknown lamp": (changed('"accent 36"', '"acent 36"'), ('fixture "up"', "lamp", "acent 36", "accent 36")),
    "unknown wall material": (changed("off-white stucco", "of-white stuco"),
                              ('block "house"', "material", "of-white stuco", "off-white stucco")),
    "unknown ground material": (changed('size = "12 m, 12 m"', 'size = "12 m, 12 m"\nmaterial = "gras"'),
                                ("ground", "material", "gras", "grass")),
    "unknown roof material": (changed('height = "2.8 m"', 'height = "2.8 m"\nroof.material = "slat"'),
                              ('block "house"', "roof", "material", "slat", "slate")),
    "unknown leaf": (GOOD + '[[hedge]]\nname = "h"\nline = ["-4 m, -4 m", "-3 m, -4 m"]\nheight = "1 m"\nleaf = "lef"\n',
                     ('hedge "h"', "leaf", "lef")),
    "unknown pattern": (GOOD + '[materials.odd]\nrgb = [0.1, 0.1, 0.1]\npattern = "brik"\n[[column]]\nname = "c"\nat = "4 m, 4 m"\nheight = "1 m"\nmaterial = "odd"\n',
                        ("odd", "pattern", "brik", "brick")),
    "reflectance over 1": (GOOD + "[materials.odd]\nrgb = [0.1, 1.1, 0.1]\n", ("odd", "rgb")),
    "unknown aim": (changed('-2 m, 0.5 m"', '-2 m, 0.5 m"\naim_at = "per"'), ('fixture "post"', "aim_at", "per", "pier")),
    "no aim": (changed('"path hat"', '"accent 36"'), ('fixture "post"', "aim")),
    "row off its path": (GOOD + '[[path]]\nname = "walk"\nline = ["0 m, -1 m", "0 m, -4 m"]\nwidth = "1 m"\n[[fixture]]\nid = "row"\nlamp = "path hat"\npath = "walk"\nstart = "1 m"\ncount = 5\nspacing = "2 m"\n',
                         ('fixture "row"', "walk", "count")),
    "two of one name": (GOOD + '[[column]]\nname = "pier"\nat = "4 m, 4 m"\nheight = "1 m"\n', ('column "pier"', "name")),
    "missing mesh": (GOOD + MESH, ('mesh "urn"', "file", "urn.stl")),
    "missing photometry": (GOOD + PHOTOMETRY, ('lamp "spot"', "file", "spot.ies")),
    "no TOML": (changed('title = "Test house"', "title = Test house"), ("line 2", "title")),
    "empty": ("", ("empty",)),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_scene(case: str, scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text, words = BAD[case]
    scene.write_text(text, encoding="utf-8")
    refused(scene, capsys, "garden.toml", *words)


def refused(
    scene: Path, capsys: pytest.CaptureFixture[str], *words: str, more: tuple[str, ...] = ()
) -> None:
    """A still is refused with these words, and the folder is left as it was."""
    before = listing(scene.parent)
    out = () if "--out" in more else ("--out", str(scene.parent / "out"))
    status = still(scene, *out, *more)
    told = capsys.readouterr()
    assert status == 2, told
    assert told.out == ""
    assert told.err.startswith("nightview: ") and "Traceback" not in told.err
    for word in words:
        assert word in told.err, f"{word!r} is not in {told.err!r}"
    assert listing(scene.parent) == before


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", ("urn.stl", "no faces")),
        (b"\x00" * 200, ("urn.stl",)),
        (b"solid urn\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 2 0 0\n"
         b"endloop\nendfacet\nendsolid\n", ("urn.stl",)),  # one face without an area
        (b"solid urn\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1500 0 0\nvertex 0 9 9\n"
         b"endloop\nendfacet\nendsolid\n", ("1500 m", "unit", '"mm"')),
    ],
)  # fmt: skip
def test_bad_mesh(
    content: bytes, words: tuple[str, ...], scene: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (scene.parent / "urn.stl").write_bytes(content)
    scene.write_text(GOOD + MESH, encoding="utf-8")
    refused(scene, capsys, "garden.toml", 'mesh "urn"', *words)


LM63 = """IESNA:LM-63-2002
[TEST] ours
[MANUFAC] none
TILT=NONE
1 -1 1 3 1 1 2 0.1 0.1 0
1 1 10
0 45 90
0
100 50 0
"""


@pytest.mark.parametrize(
    "content", [LM63[: LM63.index("100 50")], LM63[:80], "", "\x00\x01\x02" * 50, LM63.replace("50", "nan")]
)  # fmt: skip
def test_bad_photometry(content: str, scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (scene.parent / "spot.ies").write_text(content, encoding="utf-8")
    scene.write_text(GOOD + PHOTOMETRY, encoding="utf-8")
    refused(scene, capsys, "garden.toml", 'lamp "spot"', "spot.ies")


def test_the_photometry_of_these_tests_is_good_when_whole(scene: Path) -> None:
    (scene.parent / "spot.ies").write_text(LM63, encoding="utf-8")
    scene.write_text(GOOD + PHOTOMETRY, encoding="utf-8")
    assert main(["lamps", str(scene)]) == 0


def test_binary_scene(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene.write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    refused(scene, capsys, "garden.toml", "UTF-8")


def test_scene_that_is_a_folder(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene.unlink()
    scene.mkdir()
    refused(scene, capsys, str(scene), "folder")


def test_scene_that_is_not_there(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene.unlink()
    refused(scene, capsys, str(scene), "no such file")


@pytest.mark.parametrize("place", ["out", "out/deeper"])
def test_out_that_is_a_file(place: str, scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (scene.parent / "out").write_text("mine", encoding="utf-8")
    refused(
        scene, capsys, str(scene.parent / place), "--out", more=("--out", str(scene.parent / place))
    )


def test_unknown_view(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    refused(
        scene, capsys, "garden.toml", 'view "lane"', '"street"', '"corner"', more=("--view", "lane")
    )


@pytest.mark.parametrize(
    "size", ["", "x", "100", "0x0", "-96x64", "1e3x64", "96x63", "96x8193", "96 64", "x64"]
)
def test_bad_size(size: str, scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    refused(scene, capsys, "--size", more=(f"--size={size}",))


@pytest.mark.parametrize(
    "arguments",
    [["stil"], ["still"], ["still", "a.toml", "b.toml"], ["still", "a.toml", "--nope"], ["new"],
     ["materials", "surplus"], ["still", "a.toml", "--size"]],
)  # fmt: skip
def test_bad_arguments(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert told.startswith("nightview: ") and "Traceback" not in told
    assert listing(tmp_path) == {}


def test_a_foreign_file_in_the_pictures_place(
    scene: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = scene.parent / "out"
    out.mkdir()
    foreign = (
        out / "garden-corner.png"
    )  # the second picture's: the first must not be written either
    foreign.write_bytes(b"a holiday")
    refused(scene, capsys, str(foreign), "--overwrite")
    Image.new("RGB", (8, 8)).save(foreign)  # a real picture, and not ours
    refused(scene, capsys, str(foreign), "--overwrite")
    assert still(scene, "--out", str(out), "--overwrite") == 0
    assert "exposure_ev100" in read_texts(foreign)
    assert still(scene, "--out", str(out)) == 0  # ours is replaced without asking


def test_a_folder_in_the_pictures_place(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (scene.parent / "out" / "garden-street.png").mkdir(parents=True)
    refused(scene, capsys, "garden-street.png")


def test_disk_full(
    scene: Path, stills: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The disk fills up in the middle of the second picture: what was there before stays."""
    out = scene.parent / "out"
    out.mkdir()
    older = (stills / "garden-corner.png").read_bytes()
    (out / "garden-corner.png").write_bytes(older)
    scene.write_text(GOOD.replace("Test house", "Another title"), encoding="utf-8")
    write = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.parent == out and (out / "garden-street.png").exists():
            write(self, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    assert still(scene, "--out", str(out)) == 2
    told = capsys.readouterr().err
    assert "garden-corner.png" in told and "disk" in told and "Traceback" not in told
    assert sorted(listing(out)) == ["garden-corner.png", "garden-street.png"]
    assert (out / "garden-corner.png").read_bytes() == older


def test_disk_full_for_real(scene: Path) -> None:
    """The system itself refuses to write more than a kilobyte a file."""
    limited = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000));"
        "from nightview.__main__ import main; sys.exit(main(sys.argv[1:]))"
    )
    before = listing(scene.parent)
    env = {**os.environ, "NIGHTVIEW_CACHE": str(scene.parent / "cache")}
    command = [sys.executable, "-c", limited, "still", str(scene), "--size", "96x64"]
    done = subprocess.run(
        [*command, "--out", str(scene.parent)], env=env, capture_output=True, text=True
    )
    assert done.returncode == 2, done
    assert "garden-street.png" in done.stderr and "cannot write" in done.stderr
    assert "Traceback" not in done.stderr
    after = listing(scene.parent)
    assert {name: data for name, data in after.items() if not name.startswith("cache")} == before
    assert all(data is None for name, data in after.items() if name.startswith("cache"))


def test_stopped_by_hand(
    scene: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("nightview.light.field.mix", stop)
    out = scene.parent / "out"
    out.mkdir()
    assert still(scene, "--out", str(out)) == 130
    assert "Traceback" not in capsys.readouterr().err
    assert listing(out) == {}


def test_output_that_nobody_reads_to_its_end() -> None:
    command = f"{sys.executable} -m nightview schema | head -c 10"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True)
    assert done.stderr == "" and done.stdout == '{\n  "$schem'[:10]


# --- new ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("roof", ROOFS)
def test_new_then_read(roof: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "garden.toml"
    sizes = ["--width", "9 m", "--depth", "7 m", "--height", "3 m"]
    assert main(["new", str(path), "--roof", roof, "--title", "Ours", *sizes]) == 0
    assert str(path) in capsys.readouterr().out
    job = read(path)
    assert job.title == "Ours"
    assert (job.blocks[0].size_m, job.blocks[0].height_m) == ((9.0, 7.0), 3.0)
    assert job.blocks[0].roof.kind == roof
    assert list(listing(tmp_path)) == ["garden.toml"]


def test_new_in_feet_then_still(tmp_path: Path) -> None:
    path = tmp_path / "garden.toml"
    sizes = ["--width", "36 ft", "--depth", "26 ft", "--height", "9 ft"]
    assert main(["new", str(path), *sizes]) == 0
    text = path.read_text(encoding="utf-8")
    assert '"36 ft, 26 ft"' in text and '"9 ft"' in text
    block = read(path).blocks[0]
    assert (*block.size_m, block.height_m) == pytest.approx((10.9728, 7.9248, 2.7432))
    assert still(path, "--out", str(tmp_path / "out")) == 0
    assert sorted(listing(tmp_path / "out")) == ["garden-front-door.png", "garden-street.png"]


def test_new_feet_of_a_metric_house(tmp_path: Path) -> None:
    assert main(["new", str(tmp_path / "a.toml"), "--width", "9 m", "--feet"]) == 0
    text = (tmp_path / "a.toml").read_text(encoding="utf-8")
    assert " ft" in text and ' m"' not in text.split("# --- what stands there")[1]
    assert read(tmp_path / "a.toml").blocks[0].size_m[0] == pytest.approx(
        9.0, abs=0.0127
    )  # to the inch


def test_new_replaces_nothing(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = listing(scene.parent)
    assert main(["new", str(scene)]) == 2
    assert str(scene) in capsys.readouterr().err
    assert listing(scene.parent) == before


@pytest.mark.parametrize(
    ("option", "value"),
    [("--width", "9"), ("--width", "9 kg"), ("--depth", "nan m"), ("--height", "-3 m"), ("--width", "0 m"),
     ("--depth", "900 m"), ("--roof", "dome"), ("--height", "")],
)  # fmt: skip
def test_new_with_a_bad_answer(
    option: str, value: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "a.toml"), f"{option}={value}"]) == 2
    told = capsys.readouterr().err
    assert option.removeprefix("--") in told and "Traceback" not in told
    assert listing(tmp_path) == {}


def test_new_in_a_folder_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "no" / "a.toml")]) == 2
    assert "no folder" in capsys.readouterr().err
    assert listing(tmp_path) == {}


def asked(answers: bytes, path: Path) -> tuple[int, str]:
    """Status and errors of ``nightview new`` at a terminal where someone types these answers."""
    ours, theirs = pty.openpty()
    try:
        os.write(ours, answers)  # the terminal keeps what is typed ahead
        done = subprocess.run(
            [sys.executable, "-m", "nightview", "new", str(path)],
            stdin=theirs, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
    finally:
        os.close(ours)
        os.close(theirs)
    return done.returncode, done.stderr


def test_new_asks(tmp_path: Path) -> None:
    path = tmp_path / "garden.toml"
    status, told = asked(b"The old mill\n30 ft\n\n10 ft\nhip\n", path)
    assert (status, told) == (0, "")
    job = read(path)
    assert job.title == "The old mill" and job.blocks[0].roof.kind == "hip"
    # What is not answered is as usual.
    assert (*job.blocks[0].size_m, job.blocks[0].height_m) == pytest.approx(
        (9.144, 8.0, 3.048), abs=0.004
    )
    assert "30 ft" in path.read_text(encoding="utf-8")


def test_new_whose_questions_are_left(tmp_path: Path) -> None:
    status, told = asked(b"The old mill\n\x04", tmp_path / "garden.toml")  # control-D
    assert status in (2, 130), told
    assert "fault of its own" not in told and "Traceback" not in told
    assert listing(tmp_path) == {}


# --- lists and help -------------------------------------------------------------------------------


def test_schema_is_one_and_takes_our_scenes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(schema)
    check = validator_of(schema)
    check.validate(tomllib.loads(GOOD))
    for path in sorted((Path(__file__).parents[1] / "scenes").glob("*.toml")):
        check.validate(tomllib.loads(path.read_text(encoding="utf-8")))
    assert not check.is_valid(tomllib.loads(GOOD.replace('"2.8 m"', "2.8")))
    assert not check.is_valid(tomllib.loads(GOOD.replace("elevation", "elevaton")))


def test_lamps_lists_the_catalogue_and_the_scenes_own(
    scene: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["lamps"]) == 0
    plain = capsys.readouterr().out
    assert all(f"\n{name} " in plain for name in builtin_lamps())
    scene.write_text(
        GOOD + '[lamps."my spot"]\nlike = "accent 36"\nflux = "123 lm"\n', encoding="utf-8"
    )
    assert main(["lamps", str(scene)]) == 0
    line = next(
        line for line in capsys.readouterr().out.splitlines() if line.startswith("my spot ")
    )
    assert " 123 " in line and "36°" in line


def test_lamps_of_a_bad_scene(scene: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene.write_text(GOOD + '[lamps.mine]\nlike = "acent 36"\n', encoding="utf-8")
    assert main(["lamps", str(scene)]) == 2
    told = capsys.readouterr().err
    assert (
        "garden.toml" in told and 'lamp "mine"' in told and "like" in told and "accent 36" in told
    )


def test_materials_lists_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["materials"]) == 0
    told = capsys.readouterr().out
    assert all(f"\n{name} " in told for name in MATERIALS)
    assert all(pattern in told for pattern in PATTERNS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--help"]) == 0
    told = " ".join(capsys.readouterr().out.replace("│", " ").split())
    assert f"Example: nightview {command}" in told


def test_help_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (["--help"], []):
        assert main(arguments) == 0
        told = capsys.readouterr().out
        assert all(f" {command} " in told for command in COMMANDS)


def test_reading_and_listing_load_no_graphics(scene: Path) -> None:
    code = (
        "import sys; from nightview.__main__ import main;"
        f"main(['lamps', {str(scene)!r}]); main(['materials']); main(['schema']);"
        "sys.exit('vtkmodules' in sys.modules or 'trimesh' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="a full device is Linux's")
@pytest.mark.parametrize("command", ["schema", "lamps", "materials"])
def test_a_full_disk_behind_the_output_is_told(command: str) -> None:
    with open("/dev/full", "w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "nightview", command], stdout=full, stderr=subprocess.PIPE
        )
    assert done.returncode == 2
    assert b"cannot be written" in done.stderr and b"Traceback" not in done.stderr
