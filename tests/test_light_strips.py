"""Rows of light against the line source's closed form, and states against the scene file."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import LIGHTLESS

import nightview as nv

UP = np.array([0.0, 0.0, 1.0])


def strip(beam_deg: float, length_m: float, height_m: float) -> str:
    return (
        LIGHTLESS
        + f"""
[ground]
material = "black"
size = "8 m, 8 m"
[lamps.s]
kind = "linear"
length = "{length_m} m"
flux = "200 lm"
loss_factor = 1.0
beam = "{beam_deg} deg"
[[fixture]]
id = "s"
lamp = "s"
at = "0.137 m, 0.213 m, {height_m} m"
"""
    )


@pytest.mark.parametrize("beam_deg", [120, 60])
@pytest.mark.parametrize(("length_m", "height_m"), [(1.0, 0.1), (1.0, 0.4), (2.4, 1.2)])
def test_a_row_of_light_over_the_ground(lit, beam_deg, length_m, height_m) -> None:
    """E = I/(L·d)·(β + sin β cos β), tan β = L/2d, below its middle, and half of that of a row twice as
    long below its end: the matte line's parallel-plane aspect factor (derived in test_lamps_kinds)."""
    scene = lit(strip(beam_deg, length_m, height_m))
    peak_cd = scene.site.fixtures[0].lamp.intensity.peak_cd
    middle, end = (np.arctan(share * length_m / height_m) for share in (0.5, 1.0))
    lux = peak_cd / (length_m * height_m) * np.array(
        [middle + np.sin(middle) * np.cos(middle), (end + np.sin(end) * np.cos(end)) / 2]
    )  # fmt: skip
    points = [[0.137, 0.213, 0.0], [0.137 + length_m / 2, 0.213, 0.0]]
    assert scene.direct_at(points, UP) == pytest.approx(lux, rel=0.01)
    assert scene.on_map(points, UP) == pytest.approx(lux, rel=0.01)


STATES = """
[ground]
size = "10 m, 10 m"
[[block]]
name = "house"
at = "-2 m, 1 m"
size = "4 m, 3 m"
height = "2.6 m"
[[opening]]
name = "pane"
block = "house"
along = "1 m"
size = "1 m, 1 m"
glow = "5 cd/m^2"
[lamps.old]
like = "accent 60"
source = "halogen"
cct = "2900 K"
[[fixture]]
id = "old one"
lamp = "old"
zone = "trees"
at = "1 m, -1 m, 0.2 m"
aim = "1 m, 1 m, 1 m"
dim = 0.8
[[fixture]]
id = "extra"
lamp = "accent 60"
zone = "trees"
option = "more"
at = "-1 m, -1 m, 0.2 m"
aim = "-1 m, 1 m, 1 m"
[[state]]
name = "more"
zones = { trees = { dim = "50 %" }, windows = { dim = 0.25, cct = "2200 K" }, sky = { on = false } }
"""


def test_a_state_of_the_file(lit) -> None:
    field = lit(STATES).field
    designed, more = field.designed, field.state("more")
    assert designed.level["extra"] == 0.0 and more.level["extra"] == 0.5
    assert designed.level["old one"] == pytest.approx(0.8**3.4)  # the published exponent
    assert more.level["old one"] == pytest.approx(0.4**3.4)
    assert more.rgb["old one"][0] > designed.rgb["old one"][0]  # redder
    assert (designed.sky, more.sky) == (1.0, 0.0)
    (pane,) = {part.source.name for part in field.sources} - {"old one", "extra"}
    assert pane == "pane"
    windows = [part.source for part in field.sources if part.source.zone == "windows"]
    weights = {tuple(more.weight(source)) for source in windows}
    assert len(windows) >= 1 and len(weights) == 1  # all panes of an opening together
    assert np.array(weights.pop()) @ [0.2126, 0.7152, 0.0722] == pytest.approx(0.25)


def test_a_zone_is_a_name_too(lit) -> None:
    field = lit(STATES).field
    zone = nv.State({"trees": 0.5, "extra": 0.0, "windows": 0.0, "moon": 0.0}, {}, sky=0.0)
    ids = nv.State({"old one": 0.5, "extra": 0.0, "pane": 0.0}, {}, sky=0.0)
    np.testing.assert_array_equal(nv.mix(field, zone).rows, nv.mix(field, ids).rows)
