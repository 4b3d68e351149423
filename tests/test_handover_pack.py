"""The hand-over folder: what is in it, that nothing is lost, and that a second run changes nothing."""

from __future__ import annotations

import errno
import hashlib
import html as entities
import json
import os
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from nightview.__main__ import main
from nightview.errors import NightviewError
from nightview.handover import turning
from nightview.handover.aiming import aiming_sheet, bright_from, night_sheet
from nightview.handover.document import Document, Figure, Note, Points, Rows, Sheet
from nightview.handover.facts import Facts
from nightview.handover.folder import (
    BEGUN,
    COMPLETE,
    MANIFEST,
    Made,
    check_free,
    read_manifest,
    write_pack,
)
from nightview.handover.installer import installer
from nightview.handover.printed import lines_of, pages, pdf
from nightview.handover.upkeep import spares, tree_rows
from nightview.handover.webpage import html
from nightview.plan.drawing import MM_PER_PT, Text, width_of
from nightview.plan.papers import PAPERS
from nightview.scene.cautions import CAUTIONS
from nightview.scene.read import parse

EVIL = "<script>alert(1)</script>"
SCENE = """
title = "<b>Test</b> & house"
[site]
surroundings = "none"
north = "30 deg"
[ground]
size = "30 m, 30 m"
[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 4 m"
height = "3 m"
material = "off-white stucco"
[block.roof]
kind = "flat"
overhang = "0 m"
[[opening]]
name = "front door"
block = "house"
kind = "door"
along = "3 m"
sill = "0 m"
size = "1 m, 2.1 m"
[[opening]]
name = "upper window"
block = "house"
along = "5 m"
size = "0.8 m, 1 m"
behind = "bedroom"
[[tree]]
name = "elm"
at = "6 m, -4 m"
height = "6 m"
crown = "4 m"
[[fixture]]
id = "<script>alert(1)</script>"
lamp = "accent 36"
block = "house"
along = "1 m"
out = "0.5 m"
elevation = "80 deg"
[[fixture]]
id = "elm up"
lamp = "accent 60"
zone = "trees"
at = "5 m, -5 m, 0.15 m"
aim_at = "elm"
[[fixture]]
id = "spot"
lamp = "accent 15"
zone = "path"
at = "0 m, -3 m, 1.5 m"
aim = "0 m, -8 m, 1.6 m"
[[state]]
name = "small"
only = ["path"]
[[view]]
name = "street"
eye = "0 m, -8 m, 1.6 m"
target = "0 m, 0 m, 1.4 m"
[[transformer]]
name = "T1"
at = "-3.3 m, 2 m"
power = "60 VA"
taps = ["12 V", "13 V"]
[[cable]]
name = "run"
from = "T1"
tap = "12 V"
through = ["<script>alert(1)</script>", "spot", "elm up"]
gauge = "12 AWG"
"""
PARTS = ("installer", "quote", "tryout", "scene")


@pytest.fixture(scope="module")
def facts() -> Facts:
    return Facts(parse(SCENE, "test"))


@pytest.fixture(scope="module")
def sheets(facts: Facts) -> Document:
    return installer(facts)


@pytest.fixture
def scene(tmp_path: Path) -> Path:
    path = tmp_path / "garden.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("packed")
    (folder / "garden.toml").write_text(SCENE, encoding="utf-8")
    assert (
        main(["pack", str(folder / "garden.toml"), "--out", str(folder / "out"), "--only", *PARTS])
        == 0
    )
    return folder / "out"


def pack(scene: Path, out: Path, *more: str) -> int:
    return main(["pack", str(scene), "--out", str(out), *more])


def copied(packed: Path, tmp_path: Path) -> Path:
    import shutil

    return Path(shutil.copytree(packed, tmp_path / "out"))


def hashes(folder: Path) -> dict[str, str]:
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in folder.rglob("*") if p.is_file()
    }  # fmt: skip


def texts_of(sheet: Sheet) -> str:
    found = []
    for block in sheet.blocks:
        if isinstance(block, Note):
            found.append(block.text)
        elif isinstance(block, Points):
            found += block.texts
        elif isinstance(block, Rows):
            found += [cell for row in block.rows for cell in row]
    return "\n".join(found)


# --- sheets ---------------------------------------------------------------------------------------


def test_all_sheets_are_there(sheets: Document) -> None:
    keys = [sheet.key for sheet in sheets.sheets]
    assert keys == ["schedule", "stakes", "aiming", "wiring", "wires", "splices", "trenches", "tools",
                    "work", "commissioning", "night", "care"]  # fmt: skip


def test_bearing_and_distance_of_an_aim(facts: Facts) -> None:
    # "spot" looks along −y and 0.1 m up in 5 m: bearing 180° + 30° of the site's north, elevation
    # atan(0.1 / 5) = 1.1°. The wall lamp stands 0.5 m out and aims 80° up.
    row = {r[0]: r for r in next(b for b in aiming_sheet(facts).blocks if isinstance(b, Rows)).rows}
    assert row["spot"][3:5] == ("210°", "+1°")
    wall = row[EVIL]
    assert wall[1] == "before house front, 1.00 m from its left end, 0.50 m out"
    assert wall[3:5] == ("030°", "+80°")
    # The beam's middle meets the wall 0.5 / cos 80° = 2.88 m on, 0.15 + 0.5 tan 80° = 2.99 m up.
    assert float(wall[5].split()[0]) == pytest.approx(0.5 / np.cos(np.radians(80)), abs=0.02)
    assert "2.99 m up" in wall[2] or "2.98 m up" in wall[2]


def test_the_peak_on_a_wall_is_where_the_light_says(facts: Facts) -> None:
    aim = facts.aims[EVIL]
    assert aim.target == "house front" and aim.kind == "facade" and aim.judge == "street"
    lamp = next(one for one in facts.lamps if one.id == EVIL)
    # E(z) = I(θ)·cos³α / d² on the wall above the lamp (trade table, "Reach"), the loss factor in I.
    z = np.linspace(0.2, 2.95, 400)
    alpha = np.arctan2(z - 0.15, 0.5)
    theta = np.abs(np.radians(80) - alpha)
    lux = lamp.lamp.intensity.at(np.cos(theta)) * np.cos(alpha) ** 3 / 0.25
    assert aim.peak is not None
    assert aim.peak[2] == pytest.approx(z[lux.argmax()], abs=0.08)
    assert aim.peak_lx == pytest.approx(lux.max(), rel=0.05)


def test_a_lens_that_shows_is_on_the_night_list(facts: Facts) -> None:
    # The 15° spot looks straight at the eye of the view: its peak, some thousand candela.
    (name, candela), *_ = bright_from(facts, facts.scene.views[0].eye_m)
    assert name == "spot"
    lamp = next(one for one in facts.lamps if one.id == "spot")
    assert candela == pytest.approx(lamp.lamp.intensity.peak_cd, rel=0.1)
    told = texts_of(night_sheet(facts))
    assert "The lens of spot shows from here" in told
    assert "upper window (bedroom)" in told and "goes first to front door" in told


def test_trees_and_spares(facts: Facts) -> None:
    # Broadleaf: 0.35 m higher and 0.30 m wider a year (the table of checks/trees.py).
    assert tree_rows(facts) == [
        (
            "elm",
            "6.00 m high, 4.00 m wide",
            "7.75 m high, 5.50 m wide",
            "9.50 m high, 7.00 m wide",
            "elm up",
        )
    ]
    assert spares(facts) == [("accent 36", 1, 1), ("accent 60", 1, 1), ("accent 15", 1, 1)]


def test_a_scene_without_cables_says_so() -> None:
    bare = SCENE[: SCENE.index("[[transformer]]")]
    found = installer(Facts(parse(bare)))
    told = {sheet.key: texts_of(sheet) for sheet in found.sheets}
    assert "no cables" in told["wiring"] and "no cables" in told["commissioning"]
    assert "wires" not in told


# --- as a web page --------------------------------------------------------------------------------


class _Page(HTMLParser):
    """Tags and what they ask of a network."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.asked: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.asked += [
            v for k, v in attrs if k in ("src", "href") and not v.startswith(("data:", "#"))
        ]

    def handle_data(self, data):
        self.text.append(data)


def test_names_are_text_and_nothing_is_asked_of_a_network(packed: Path) -> None:
    for path in sorted(packed.glob("*.html")):
        content = path.read_text(encoding="utf-8")
        page = _Page()
        page.feed(content)
        assert "script" not in page.tags and "b" not in page.tags and page.asked == []
        assert "url(" not in content and "@import" not in content
        assert "<b>Test</b> & house" in "".join(page.text)
    installer_page = (packed / "installer.html").read_text(encoding="utf-8")
    assert entities.escape(EVIL) in installer_page and EVIL not in installer_page


def test_every_sheet_has_every_caution(sheets: Document) -> None:
    content = html(sheets)
    for sheet in re.split(r"(?=<section )", content)[1:]:
        for caution in CAUTIONS:
            assert entities.escape(caution) in sheet


# --- on paper -------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_nothing_is_cut_off_on_paper(sheets: Document, paper: str) -> None:
    short, long = PAPERS[paper.lower()].short_mm, PAPERS[paper.lower()].long_mm
    drawn = [f.drawings[paper] for s in sheets.sheets for f in s.blocks if isinstance(f, Figure)]
    found = pages(sheets, paper)
    assert len(found) > len(sheets.sheets)
    for page in found:
        assert {page.width, page.height} == {short, long}
        if any(page.title == one.title for one in drawn):
            continue  # the plan's own sheet
        boxes = []
        for mark in page.marks:
            if not isinstance(mark, Text):
                left, low, right, top = mark.shape.bounds
                assert left > 5 and right < page.width - 5 and low > 3 and top < page.height - 3
                continue
            wide = width_of(mark.text, mark.size, mark.bold)
            left = mark.at[0] - {"left": 0.0, "middle": 0.5, "right": 1.0}[mark.anchor] * wide
            assert left > 5 and left + wide < page.width - 5, mark.text
            assert 3 < mark.at[1] < page.height - 3
            boxes.append(
                (left, mark.at[1], left + wide, mark.at[1] + 0.7 * mark.size * MM_PER_PT, mark.text)
            )
        for k, (l1, b1, r1, t1, text) in enumerate(boxes):  # no text lies on another
            for l2, b2, r2, t2, other in boxes[:k]:
                assert r1 <= l2 or r2 <= l1 or t1 <= b2 or t2 <= b1, (text, other)
        whole = " ".join(mark.text for mark in page.marks if isinstance(mark, Text))
        assert all(" ".join(caution.split()) in whole for caution in CAUTIONS)


def test_a_table_of_long_names_still_fits() -> None:
    long = "W" * 80
    rows = Rows("t", tuple("abcdefghijkl"), ((long,) * 12, ("x",) * 12))
    (page, *_) = pages(Document(long, long, (Sheet("k", long, (rows, Note(long * 4))),)), "A4")
    for mark in page.marks:
        if isinstance(mark, Text):
            assert (
                mark.at[0] + width_of(mark.text, mark.size, mark.bold) < page.width - 5
                or mark.anchor == "right"
            )
    written = "".join(mark.text for mark in page.marks if isinstance(mark, Text))
    assert written.count("W") >= 80 * 12


def test_lines_lose_no_letter() -> None:
    text = "a few words and averyveryverylongonewithoutanyblank at 12\u00a0345.00 EUR"
    lines = lines_of(text, 8.0, 20.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(width_of(line, 8.0) <= 20.0 for line in lines) and any(
        "12\u00a0345.00" in one for one in lines
    )


def test_the_same_document_gives_the_same_pdf(sheets: Document) -> None:
    small = Document(sheets.title, sheets.about, sheets.sheets[-2:])
    data = pdf(small, "A4")
    assert data == pdf(small, "A4") and data.startswith(b"%PDF")
    assert b"CreationDate" not in data


# --- the folder -----------------------------------------------------------------------------------


def test_the_manifest_tells_every_file(packed: Path) -> None:
    manifest = json.loads((packed / MANIFEST).read_text(encoding="utf-8"))
    told = {n: code for part in manifest["parts"].values() for n, code in part["files"].items()}
    there = hashes(packed)
    there.pop(MANIFEST)
    assert told == there and set(manifest["parts"]) == set(PARTS)
    assert (packed / "scene" / "garden.toml").read_text(encoding="utf-8") == SCENE
    code = hashlib.sha256(SCENE.encode()).hexdigest()
    assert all(part["made from"]["scene"] == code for part in manifest["parts"].values())


def test_a_second_run_changes_no_byte(packed: Path, scene: Path, tmp_path: Path) -> None:
    out = copied(packed, tmp_path)
    before = hashes(out)
    assert pack(scene, out, "--only", *PARTS) == 0
    assert hashes(out) == before


def test_one_part_alone_leaves_the_others(
    packed: Path, scene: Path, tmp_path: Path, capsys
) -> None:
    out = copied(packed, tmp_path)
    before = hashes(out)
    scene.write_text(SCENE + "\n# changed\n", encoding="utf-8")
    assert pack(scene, out, "--only", "quote") == 0
    after = hashes(out)
    assert set(after) == set(before)
    assert {n for n in before if after[n] != before[n]} == {MANIFEST}  # a comment changes no quote
    manifest = read_manifest(out)
    assert (
        manifest["parts"]["quote"]["made from"]["scene"]
        != manifest["parts"]["tryout"]["made from"]["scene"]
    )
    assert "earlier scene" in capsys.readouterr().out


def test_a_folder_with_other_files_is_left_alone(scene: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "mine.txt").write_text("mine")
    assert pack(scene, out, "--only", "scene") == 2
    assert "mine.txt" in capsys.readouterr().err and list(hashes(out)) == ["mine.txt"]
    assert pack(scene, out, "--only", "scene", "--overwrite") == 2  # never another's file
    (out / "mine.txt").unlink()
    (out / MANIFEST).write_text('{"format": "another"}')
    assert pack(scene, out, "--only", "scene") == 2


def test_a_file_that_was_changed_is_kept_unless_asked(
    packed: Path, scene: Path, tmp_path: Path, capsys
) -> None:
    out = copied(packed, tmp_path)
    (out / "quote.csv").write_text("my own notes")
    assert pack(scene, out, "--only", "quote") == 2
    assert "quote.csv" in capsys.readouterr().err
    assert (out / "quote.csv").read_text() == "my own notes"
    assert pack(scene, out, "--only", "quote", "--overwrite") == 0
    assert (out / "quote.csv").read_bytes() == (packed / "quote.csv").read_bytes()


def test_a_manifest_that_points_elsewhere_is_not_ours(scene: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    victim = tmp_path / "victim.txt"
    victim.write_text("keep")
    bad = {"format": "nightview pack 1", "parts": {"quote": {"files": {"../victim.txt": "0"}}}}
    (out / MANIFEST).write_text(json.dumps(bad))
    assert pack(scene, out, "--only", "scene") == 2
    assert victim.read_text() == "keep"


def test_a_full_disk_leaves_what_was_there(
    packed: Path, scene: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    out = copied(packed, tmp_path)
    before = hashes(out)
    write, count = Path.write_bytes, []

    def full(self: Path, data: bytes) -> int:
        if tmp_path in self.parents:
            count.append(self)
            if len(count) == 2:
                write(self, data[: len(data) // 2])
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    scene.write_text(SCENE.replace('title = "', 'title = "new '), encoding="utf-8")
    assert pack(scene, out, "--only", "quote") == 2
    told = capsys.readouterr().err
    assert "disk" in told and "Traceback" not in told
    assert hashes(out) == before
    fresh = tmp_path / "fresh"
    count.clear()
    assert pack(scene, fresh, "--only", "quote") == 2
    assert not fresh.exists()


@pytest.mark.parametrize("after", [0, 1, 2, 3, 4, 5])
def test_a_run_cut_short_is_forgotten_or_finished(
    packed: Path, tmp_path: Path, monkeypatch, after: int
) -> None:
    """As by a power cut after so many renames into place: nothing of ours runs after it."""
    out = copied(packed, tmp_path)
    old, before = hashes(out), read_manifest(out)
    new = Made({"quote.csv": b"new", "quote.html": b"<p>new", "more.txt": b"more"}, {"scene": "x"})
    replace, done = os.replace, []

    class PowerCut(BaseException):
        pass

    def cut(source, target) -> None:
        if str(source).startswith(str(out / COMPLETE)) or Path(target) == out / COMPLETE:
            if len(done) == after:
                raise PowerCut
            done.append(target)
        replace(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", cut)
        patch.setattr("shutil.rmtree", lambda *_, **__: None)
        if after < 5:
            with pytest.raises(PowerCut):
                write_pack(out, before, {"version": "x"}, {"quote": new})
        else:
            write_pack(out, before, {"version": "x"}, {"quote": new})
    found = check_free(out)
    there = hashes(out)
    assert not (out / COMPLETE).exists() and not (out / BEGUN).exists()
    if after == 0:
        assert there == old and found == before
    else:
        assert (out / "quote.csv").read_bytes() == b"new"
        assert not (out / "quote-a4.pdf").exists() and "quote-a4.pdf" in old
        assert set(found["parts"]["quote"]["files"]) == set(new.files)
        assert {
            n: c for n, c in there.items() if n in old and not n.startswith(("quote", "man"))
        } == {n: c for n, c in old.items() if not n.startswith(("quote", "man"))}


def test_what_was_changed_after_a_cut_is_not_overwritten(packed: Path, tmp_path: Path) -> None:
    out = copied(packed, tmp_path)
    complete = out / COMPLETE
    complete.mkdir()
    (complete / "quote.csv").write_bytes(b"new")
    told = read_manifest(out)
    told["parts"]["quote"]["files"]["quote.csv"] = hashlib.sha256(b"new").hexdigest()
    (complete / MANIFEST).write_text(json.dumps(told))
    (out / "quote.csv").write_text("my own notes")
    with pytest.raises(NightviewError, match=r"quote\.csv"):
        check_free(out)
    assert (out / "quote.csv").read_text() == "my own notes"


def test_a_file_that_the_scene_names_and_lacks_is_told(scene: Path, tmp_path: Path, capsys) -> None:
    mesh = '[[mesh]]\nname = "urn"\nfile = "urn.stl"\n'
    scene.write_text(SCENE + mesh, encoding="utf-8")
    assert pack(scene, tmp_path / "out", "--only", "scene") == 2
    told = capsys.readouterr().err
    assert "urn.stl" in told and "fault of its own" not in told


def test_bad_words_are_told(scene: Path, tmp_path: Path, capsys) -> None:
    def said(*more: str) -> str:
        assert pack(scene, tmp_path / "out", *more) == 2
        told = capsys.readouterr().err
        assert "Traceback" not in told and not (tmp_path / "out").exists()
        return told

    assert "no part of a pack" in said("--only", "qoute")
    assert "no state" in said("--only", "installer", "--state", "none")
    assert "no state" in said("--only", "quote", "--option", "none")
    assert "no such file" in said("--only", "quote", "--prices", str(tmp_path / "none.toml"))
    (tmp_path / "bad.csv").write_text("a,b\n")
    assert "columns" in said("--only", "quote", "--prices", str(tmp_path / "bad.csv"))
    scene.write_text('title = "empty"\n')
    assert "no lamps" in said("--only", "quote")


def test_the_users_own_prices_go_along(scene: Path, tmp_path: Path) -> None:
    prices = tmp_path / "mine.csv"
    prices.write_text("kind,name,price,currency,holds\npart,accent 15,10.00,CHF,\n")
    assert pack(scene, tmp_path / "out", "--only", "quote", "scene", "--prices", str(prices)) == 0
    assert (tmp_path / "out" / "scene" / "prices.csv").read_bytes() == prices.read_bytes()
    lines = (tmp_path / "out" / "quote.csv").read_text(encoding="utf-8")
    assert "CHF" in lines and "sum so far" in lines and "no price" in lines


def test_the_clients_page_is_a_part(
    graphics: None, scene: Path, tmp_path: Path, monkeypatch
) -> None:
    monkeypatch.setattr(turning, "FRAMES", 4)
    monkeypatch.setattr(turning, "SIZE", (160, 90))
    assert pack(scene, tmp_path / "out", "--only", "client") == 0
    page = (tmp_path / "out" / "client.html").read_text(encoding="utf-8")
    assert page.count('src="data:video/mp4;base64,') == 1
    assert EVIL not in page and "http://" not in page.replace("http://www.w3.org", "")
