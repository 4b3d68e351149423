"""Materials: the table against its sources, and how names are resolved."""

from __future__ import annotations

import pydantic
import pytest

from nightview.errors import NightviewError
from nightview.scene import model
from nightview.site.materials import MATERIALS, PATTERNS, luminous, material

# reflectance and linear sRGB as the trade's table states them; asphalt by Hollan 2004
STATED = {
    "red brick": (0.18, (0.32, 0.15, 0.10)),
    "dark brick": (0.10, (0.17, 0.08, 0.06)),
    "buff brick": (0.40, (0.48, 0.39, 0.28)),
    "limestone": (0.50, (0.54, 0.50, 0.41)),
    "fieldstone": (0.22, (0.23, 0.22, 0.19)),
    "bluestone": (0.15, (0.14, 0.15, 0.16)),
    "white siding": (0.75, (0.76, 0.75, 0.72)),
    "beige siding": (0.50, (0.53, 0.50, 0.44)),
    "off-white stucco": (0.60, (0.64, 0.60, 0.52)),
    "tan stucco": (0.38, (0.46, 0.37, 0.27)),
    "cedar": (0.25, (0.38, 0.23, 0.12)),
    "weathered wood": (0.22, (0.23, 0.22, 0.19)),
    "dark stain": (0.08, (0.12, 0.07, 0.05)),
    "charcoal shingle": (0.07, (0.07, 0.07, 0.07)),
    "brown shingle": (0.12, (0.14, 0.12, 0.10)),
    "grass": (0.07, (0.05, 0.08, 0.02)),
    "brown mulch": (0.06, (0.08, 0.06, 0.04)),
    "black mulch": (0.03, (0.03, 0.03, 0.03)),
    "asphalt": (0.12, (0.12, 0.12, 0.12)),
    "concrete": (0.30, (0.31, 0.30, 0.27)),
    "grey-brown bark": (0.15, (0.17, 0.15, 0.12)),
    "pale bark": (0.45, (0.47, 0.45, 0.41)),
    "leaf": (0.09, (0.05, 0.11, 0.03)),
    "conifer leaf": (0.06, (0.04, 0.07, 0.03)),
    "red leaf": (0.06, (0.11, 0.05, 0.04)),
}


@pytest.mark.parametrize("name", STATED)
def test_table_agrees_with_its_source(name: str) -> None:
    reflectance, rgb = STATED[name]
    spec = MATERIALS[name]
    assert spec.stated_reflectance == reflectance
    assert spec.reflectance == pytest.approx(reflectance, rel=1e-9)
    # the hue is the source's, the level follows the stated reflectance
    for mine, theirs in zip(spec.rgb, rgb, strict=True):
        assert mine / spec.reflectance == pytest.approx(theirs / luminous(rgb), rel=1e-9)
        assert mine == pytest.approx(theirs, abs=0.012)


def test_leaf_transmits_six_percent_and_walls_do_not() -> None:
    leaf = MATERIALS["leaf"]
    assert leaf.transmits_rgb is not None
    assert luminous(leaf.transmits_rgb) == pytest.approx(0.06, rel=1e-9)
    # what a leaf lets through is yellower than what it reflects
    assert leaf.transmits_rgb[2] / leaf.transmits_rgb[1] < leaf.rgb[2] / leaf.rgb[1]
    assert MATERIALS["red brick"].transmits_rgb is None


@pytest.mark.parametrize("name", MATERIALS)
def test_every_material_is_physical_and_says_its_source(name: str) -> None:
    spec = MATERIALS[name]
    assert spec.name == name
    assert spec.source
    assert spec.pattern in PATTERNS
    through = spec.transmits_rgb or (0.0, 0.0, 0.0)
    for reflected, transmitted in zip(spec.rgb, through, strict=True):
        assert 0.0 < reflected < 0.9
        assert reflected + transmitted < 1.0


def test_every_default_of_the_scene_model_is_known() -> None:
    keys = {"trim", "frame", "leaf", "bark", "post_material"}
    defaults = {
        (table.__name__, key): field.default
        for table in vars(model).values()
        if isinstance(table, type) and issubclass(table, pydantic.BaseModel)
        for key, field in table.model_fields.items()
        if (key in keys or key.endswith("material")) and isinstance(field.default, str)
    }
    assert len(defaults) > 15
    assert {name for name in defaults.values() if name not in MATERIALS} == set()


def test_the_scenes_own_material_comes_first() -> None:
    own = {"red brick": model.Material(rgb=(0.5, 0.4, 0.3), pattern="ashlar")}
    spec = material(own, "red brick")
    assert spec.rgb == (0.5, 0.4, 0.3)
    assert spec.pattern == "ashlar"
    assert spec.reflectance == pytest.approx(0.2126 * 0.5 + 0.7152 * 0.4 + 0.0722 * 0.3)
    assert material({}, "red brick") is MATERIALS["red brick"]


def test_an_own_material_without_a_pattern_is_plain() -> None:
    assert material({"mine": model.Material(rgb=(0.1, 0.1, 0.1))}, "mine").pattern == "plain"


def test_an_unknown_name_suggests_the_nearest() -> None:
    with pytest.raises(NightviewError, match=r'"feildstone" is not known.*"fieldstone"'):
        material({}, "feildstone")


def test_an_unknown_name_may_mean_one_of_the_scenes_own() -> None:
    own = {"aunts wall": model.Material(rgb=(0.1, 0.1, 0.1))}
    with pytest.raises(NightviewError, match='did you mean "aunts wall"'):
        material(own, "aunt wall")


def test_a_name_like_no_other_lists_what_is_known() -> None:
    with pytest.raises(NightviewError, match="known are asphalt, ashlar|known are ashlar, asphalt"):
        material({}, "zzzz")


def test_an_unknown_pattern_is_found_before_anything_is_drawn() -> None:
    own = {"mine": model.Material(rgb=(0.1, 0.1, 0.1), pattern="briks")}
    with pytest.raises(NightviewError, match=r'mine: pattern: "briks" is not known.*"brick"'):
        material(own, "mine")


def test_the_joint_tint_brings_back_the_joints_own_colour() -> None:
    spec = MATERIALS["red brick"]
    assert spec.joint_tint is not None
    assert spec.joint_rgb is not None
    for tint, unit, joint in zip(spec.joint_tint, spec.rgb, spec.joint_rgb, strict=True):
        assert tint * unit == pytest.approx(joint)
    assert MATERIALS["white siding"].joint_tint is None
