"""The starter: whatever the house's size, its text is a sound scene."""

from __future__ import annotations

import itertools
import math
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightview.__main__ import main
from nightview.errors import NightviewError
from nightview.scene.read import parse
from nightview.scene.schema import schema
from nightview.scene.starter import ROOFS, starter


@pytest.mark.parametrize("feet", [False, True])
@pytest.mark.parametrize("roof", ROOFS)
def test_all_roofs_and_extreme_sizes(roof: str, feet: bool) -> None:
    validator = jsonschema.Draft202012Validator(schema())
    for width, depth, height in itertools.product((3.0, 11.3, 40.0), (3.0, 40.0), (2.4, 5.0, 40.0)):
        text = starter(width, depth, height, roof, "Our house", feet)
        scene = parse(text)
        validator.validate(tomllib.loads(text))
        (house,) = scene.blocks
        assert house.size_m == pytest.approx((width, depth), abs=0.0128)
        assert house.height_m == pytest.approx(height, abs=0.0128)
        assert house.roof.kind == roof
        assert ((' ft"' in text), (' m"' in text.split("[site]")[1])) == (feet, not feet)


@settings(max_examples=40, deadline=None)
@given(
    st.floats(3.0, 40.0),
    st.floats(3.0, 40.0),
    st.floats(2.4, 40.0),
    st.sampled_from(ROOFS),
    st.text(),
    st.booleans(),
)
def test_any_size_and_title(
    width: float, depth: float, height: float, roof: str, title: str, feet: bool
) -> None:
    scene = parse(starter(width, depth, height, roof, title, feet))
    assert scene.title == title.encode("utf-8", "replace").decode()
    assert sum(fixture.count for fixture in scene.fixtures) == 6
    assert {view.name for view in scene.views} == {"street", "front door"}
    assert [opening.kind for opening in scene.openings[:3]] == ["door", "window", "window"]


def test_the_street_view_holds_house_and_tree() -> None:
    for width in (3.0, 12.0, 40.0):
        scene = parse(starter(width, 8.0, 2.7))
        view, tree, house = scene.views[0], scene.trees[0], scene.blocks[0]
        half = view.fov_deg / 2
        ahead = math.atan2(view.target_m[0] - view.eye_m[0], view.target_m[1] - view.eye_m[1])
        for x, y in ((tree.at_m[0], tree.at_m[1]), (house.at_m[0] + width, 0.0), house.at_m):
            aside = math.atan2(x - view.eye_m[0], y - view.eye_m[1]) - ahead
            assert abs(math.degrees(aside)) < half


def test_uplights_reach_the_eaves_by_the_stated_rule() -> None:
    """Setback times the beam's reach is at least the height (a tenth of the peak is left there)."""
    reach = {"accent 36": 5.6, "accent 24": 7.1}
    for height in (2.4, 3.0, 6.9, 7.1, 20.0):
        facade = parse(starter(12.0, 8.0, height)).fixtures[0]
        assert facade.out_m is not None
        assert facade.out_m * reach[facade.lamp] > height - 0.05


def test_what_it_refuses() -> None:
    for size, told in (
        ((2.9, 8, 3), "width: 2.9 m is out of range; from 3 m to 40 m will do"),
        ((12, 41, 3), "depth: 41 m is out of range; from 3 m to 40 m"),
        ((12, 8, 2.0), "height: 2 m is out of range; from 2.4 m to 40 m"),
        ((float("nan"), 8, 3), "width: nan m is out of range"),
        ((12, 8, 1e9), "height: 1e.09 m is out of range"),
    ):
        with pytest.raises(NightviewError, match=f"^{told}"):
            starter(*size)
    with pytest.raises(NightviewError, match='^roof: "gabel" is unknown; did you mean "gable"'):
        starter(12, 8, 3, "gabel")


def test_a_file_name_too_long_for_any_disk(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / ("a" * 300 + ".toml")), "--no-ask"]) == 2
    told = capsys.readouterr().err
    assert "choose a shorter name" in told and "Traceback" not in told
    assert not list(tmp_path.iterdir())
