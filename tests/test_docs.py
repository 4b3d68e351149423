"""The README keeps its word: its commands, its Python, its scene and its links all work."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

import nightview
from nightview.__main__ import main
from nightview.commands import app
from nightview.scene.read import parse

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"

pytestmark = pytest.mark.skipif(not README.is_file(), reason="README.md is not there yet")


@pytest.fixture(scope="module")
def text() -> str:
    return README.read_text(encoding="utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.S | re.M)


def commands(text: str) -> list[list[str]]:
    """Every ``nightview …`` line of the README's shell blocks, as arguments."""
    found = []
    for block in blocks(text, "sh"):
        for line in block.replace("&&", "\n").splitlines():
            words = shlex.split(line, comments=True)
            if words and Path(words[0]).name == "nightview":
                found.append(words[1:])
    return found


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder like the repository's top, in which examples may write."""
    (tmp_path / "scenes").symlink_to(ROOT / "scenes")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def names_of_commands() -> list[str]:
    return [name for name in app if not name.startswith("-")]


def test_every_command_is_named(text: str) -> None:
    assert set(names_of_commands()) >= {"new", "still", "lamps", "materials", "schema"}
    for name in names_of_commands():
        assert f"nightview {name}" in text, name


def test_the_two_one_line_commands_are_there(text: str) -> None:
    """For a fresh machine: one shows the pictures, one passes the tests (``.ci/run`` runs it)."""
    for mark, words in (("show", "nightview still"), ("tests", "pytest")):
        (block,) = re.findall(rf"<!-- {mark} -->\s*```sh\n(.*?)```", text, re.S)
        assert len(block.strip().splitlines()) == 1
        assert "venv" in block and "pip install" in block and words in block


def test_the_commands_of_the_readme_work(
    text: str, checkout: Path, graphics: None, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = commands(text)
    assert {words[0] for words in lines} >= {"new", "still"}
    for words in lines:
        assert words[0] in names_of_commands()
        if words[:2] == ["still", "scenes/cottage.toml"]:
            assert (checkout / words[1]).is_file()  # drawn below, by the Python of the README
            continue
        if words[0] == "still":  # as written, but for the size
            assert re.fullmatch(r"\d+x\d+", words[words.index("--size") + 1])
            words[words.index("--size") + 1] = "160x90"
        assert main(words) == 0, (words, capsys.readouterr().err)
    assert list((checkout / "pictures").glob("garden-*.png"))


def test_the_python_of_the_readme_works(
    text: str, checkout: Path, graphics: None, capsys: pytest.CaptureFixture[str]
) -> None:
    (code,) = (block for block in blocks(text, "python") if "nightview" in block)
    steps = [step for step in code.splitlines() if step.strip() and not step.startswith("import")]
    assert len(steps) <= 10
    names: dict[str, object] = {}
    exec(compile(code, "README.md", "exec"), names)
    assert "EV" in capsys.readouterr().out
    assert list(checkout.glob("*.png"))
    direct, total = names["direct"], names["total"]
    assert direct.shape == total.shape == (1, 3) and (total >= direct).all()


def test_the_scene_of_the_readme_is_one(text: str) -> None:
    (scene,) = blocks(text, "toml")
    job = parse(scene, "README.md")
    assert job.blocks and job.fixtures
    nightview.build(job)


def test_links_lead_somewhere(text: str) -> None:
    targets = [link for link in re.findall(r"\]\(([^)#\s]+)\)", text) if "://" not in link]
    assert targets
    for target in targets:
        assert (ROOT / target).exists(), target


def test_public_names_are_there() -> None:
    assert set(nightview.__all__) == {
        "NightviewError", "Scene", "State", "at_points", "build", "develop", "draw", "mix", "read", "trace", "write",
    }  # fmt: skip
    for name in nightview.__all__:
        thing = getattr(nightview, name)
        assert thing.__doc__ and thing.__name__ == name
        assert name in dir(nightview)
    with pytest.raises(AttributeError, match="it has .*build"):
        nightview.biuld  # noqa: B018


def test_public_calls_are_in_the_readme(text: str) -> None:
    for name in ("read", "build", "trace", "mix", "draw", "develop", "write", "at_points"):
        assert f"nv.{name}(" in text, name
    assert "State" in text
