"""The scene file at work, without a window: changes, undo, saving, the disk, unsaved work."""

import tomllib

import pytest

from nightview.errors import NightviewError
from nightview.scene.write import edited
from nightview.window.document import Document

TEXT = """# a garden
title = "Garden"

[ground]
size = "20 m, 20 m"

[[block]]
name = "house"   # of stone
at = "0 m, 0 m"
size = "8 m, 5 m"
height = "3 m"

[[fixture]]
id = "up"
lamp = "accent 36"
at = "2 m, -1 m, 0.15 m"   # by the door
elevation = "80 deg"
bearing = "0 deg"
"""


def dim(value):
    return lambda text: edited(text, {("fixture", "up", "dim"): value})


@pytest.fixture
def document(tmp_path):
    path = tmp_path / "garden.toml"
    path.write_text(TEXT, encoding="utf-8")
    return Document(path)


def test_changes_are_undone_and_redone_to_the_letter(document):
    texts = [document.text]
    for step in range(1, 21):
        assert document.change(dim(step / 40), f"dim {step}")
        texts.append(document.text)
    assert document.scene.fixtures[0].dim == pytest.approx(0.5)
    for step in range(20, 0, -1):
        assert document.undo() == f"dim {step}"
        assert document.text == texts[step - 1]
    assert document.undo() == ""
    assert document.text == TEXT and not document.is_changed
    for step in range(1, 21):
        assert document.redo() == f"dim {step}"
        assert document.text == texts[step]
    assert document.redo() == ""


def test_a_drag_is_one_step_and_the_next_is_another(document):
    for share in (0.9, 0.8, 0.7):
        document.change(dim(share), "dim", merge="dim up")
    document.rest()
    document.change(dim(0.6), "dim", merge="dim up")
    document.undo()
    assert document.scene.fixtures[0].dim == pytest.approx(0.7)
    document.undo()
    assert document.text == TEXT


def test_a_change_after_undo_forgets_what_was_undone(document):
    document.change(dim(0.5), "first")
    document.undo()
    document.change(dim(0.4), "second")
    assert document.redo() == "" and document.undoes == "second"


def test_an_unsound_change_leaves_all_as_it_was(document):
    before = document.version
    with pytest.raises(NightviewError, match="dim"):
        document.change(dim("140 %"), "too much")
    assert document.version is before and not document.undoes


def test_what_is_not_accepted_is_not_taken(tmp_path):
    path = tmp_path / "garden.toml"
    path.write_text(TEXT, encoding="utf-8")

    def accept(scene):
        if scene.fixtures[0].dim < 0.5:
            raise NightviewError("fixture", "is too dim")

    document = Document(path, accept)
    with pytest.raises(NightviewError, match="garden.toml"):
        document.change(dim(0.2), "dim")
    assert document.text == TEXT


def test_saving_keeps_every_comment_and_writes_nothing_else(document):
    document.change(dim(0.5), "dim")
    document.save()
    saved = document.path.read_text(encoding="utf-8")
    kept = [line for line in saved.splitlines() if line != "dim = 0.5"]
    assert kept == TEXT.splitlines()
    assert tomllib.loads(saved)["fixture"][0]["dim"] == 0.5
    assert not document.is_changed and not document.poll()


def test_saved_elsewhere_it_goes_on_there(document, tmp_path):
    document.change(dim(0.5), "dim")
    other = tmp_path / "other.toml"
    document.save(other)
    assert document.path == other and "dim = 0.5" in other.read_text(encoding="utf-8")
    assert (tmp_path / "garden.toml").read_text(encoding="utf-8") == TEXT


def test_a_file_changed_on_disk_is_taken_up_and_can_be_undone(document):
    document.path.write_text(TEXT.replace('"Garden"', '"Yard"'), encoding="utf-8")
    assert document.poll() and document.reload()
    assert document.scene.title == "Yard" and not document.is_changed
    document.undo()
    assert document.scene.title == "Garden" and document.is_changed


@pytest.mark.parametrize("broken", ["title = ", TEXT.replace("3 m", "3 parrots"), "\xff\xfe"])
def test_a_broken_file_leaves_the_last_good_scene(document, broken):
    document.path.write_bytes(broken.encode("latin-1"))
    assert document.poll() and not document.reload()
    assert document.fault is not None and document.text == TEXT
    assert not document.poll()  # the same broken file is not tried again
    document.path.write_text(TEXT + "\n# mended\n", encoding="utf-8")
    assert document.poll() and document.reload() and document.fault is None


def test_a_file_that_is_gone_is_a_fault_and_can_be_saved_again(document):
    document.path.unlink()
    assert document.poll() and not document.reload()
    assert "no such file" in str(document.fault)
    document.save()
    assert document.path.read_text(encoding="utf-8") == TEXT


def test_unsaved_work_is_kept_offered_and_taken_up(document):
    document.keep()
    assert not document.kept_path.exists()
    document.change(dim(0.3), "dim")
    document.keep()
    later = Document(document.path)  # the window was closed without saving
    assert later.text == TEXT and later.kept() == document.text
    later.take_kept()
    assert later.scene.fixtures[0].dim == pytest.approx(0.3) and later.is_changed
    later.save()
    assert not later.kept_path.exists() and later.kept() is None


def test_unsaved_work_can_be_thrown_away(document):
    document.change(dim(0.3), "dim")
    document.keep()
    later = Document(document.path)
    later.discard_kept()
    assert later.kept() is None and not later.kept_path.exists()


def test_nothing_is_kept_once_all_is_undone(document):
    document.change(dim(0.3), "dim")
    document.keep()
    assert document.kept_path.exists()
    document.undo()
    document.keep()
    assert not document.kept_path.exists()


def test_fixtures_that_are_as_they_were_are_the_very_same(document):
    first = document.scene.fixtures[0]
    document.change(lambda text: text.replace('"Garden"', '"Yard"'), "title")
    assert document.scene.fixtures[0] is first
    document.change(dim(0.3), "dim")
    assert document.scene.fixtures[0] is not first
