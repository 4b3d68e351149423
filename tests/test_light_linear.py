"""Light is linear, and the same every time.

What these hold is algebra (a sum is the sum of its parts, Y of an equal-Y colour is that Y), so the
outside reference is arithmetic and IEC 61966-2-1's luminance weights, not another program.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

import nightview as nv
from nightview.light import cache, direct, field, gather, rays
from nightview.scene.read import parse

LUMINOUS = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
SCENE = """
[site]
surroundings = "suburban"

[ground]
material = "gravel"
size = "12 m, 10 m"

[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "2.6 m"
material = "red brick"

[[opening]]
name = "window"
block = "house"
along = "4.5 m"
size = "1 m, 1 m"
glow = "5 cd/m^2"

[[porch]]
name = "porch"
block = "house"
along = "2 m"
size = "2 m, 1.5 m"
height = "2.1 m"

[[column]]
name = "column"
at = "1.6 m, -1.2 m"
height = "2 m"

[[shrub]]
name = "shrub"
at = "-2.4 m, -1.2 m"
height = "0.8 m"

[moon]
illuminance = "0.2 lx"

[[fixture]]
id = "up"
lamp = "accent 36"
zone = "facade"
block = "house"
along = "5 m"
out = "0.5 m"
elevation = "76 deg"

[[fixture]]
id = "beside"
lamp = "path hat"
zone = "garden"
at = "-1.5 m, -3 m, 0.5 m"

[[fixture]]
id = "lantern"
lamp = "hanging lantern"
zone = "entrance"
at = "-1 m, -0.7 m, 1.9 m"
"""


@pytest.fixture(scope="module")
def light_field():
    return nv.trace(nv.build(parse(SCENE, "linear", ".")))


def names(light_field) -> list[str]:
    return [part.source.name for part in light_field.sources]


def only(light_field, name: str, level: float = 1.0, rgb=None, sky: float = 0.0):
    others = dict.fromkeys(names(light_field), 0.0)
    colour = {} if rgb is None else {name: np.asarray(rgb)}
    return nv.mix(light_field, nv.State({**others, name: level}, colour, sky))


def arrays(light) -> list[np.ndarray]:
    return [a for a in (*light.patches, *light.crowns, *light.meshes) if a is not None]


def assert_equal_light(found, expected, rel: float) -> None:
    for a, b in zip(found, expected, strict=True):
        scale = max(float(np.abs(b).max(initial=0.0)), 1e-6)
        np.testing.assert_allclose(a, b, rtol=rel, atol=rel * scale)


def test_the_sum_of_single_lamps_is_all_lamps(light_field):
    state = nv.State({}, {}, sky=1.0)
    whole = arrays(nv.mix(light_field, state))
    parts = [arrays(only(light_field, name)) for name in names(light_field)]
    parts.append(
        arrays(nv.mix(light_field, nv.State(dict.fromkeys(names(light_field), 0.0), {}, 1.0)))
    )
    assert len(parts) == 6  # three lamps, the moon, the window, the sky
    for part in parts:
        assert max(float(a.max(initial=0.0)) for a in part) > 0.0
    assert_equal_light([np.sum(a, axis=0) for a in zip(*parts, strict=True)], whole, 1e-5)


def test_the_same_at_exact_points(light_field):
    places = np.array([[0.5, -1.0, 0.0], [-1.0, -0.4, 0.15], [-2.0, -2.0, 0.0]])
    up = np.tile([0.0, 0.0, 1.0], (3, 1))
    total = nv.at_points(nv.mix(light_field, nv.State({}, {}, 0.0)), places, up)
    parts = [nv.at_points(only(light_field, name), places, up) for name in names(light_field)]
    for k in (0, 1):
        np.testing.assert_allclose(sum(part[k] for part in parts), total[k], rtol=2e-5)


@pytest.mark.parametrize("level", [0.37, 0.5])
def test_dimming_is_a_factor(light_field, level):
    full, dimmed = (arrays(only(light_field, "up", share)) for share in (1.0, level))
    assert_equal_light(dimmed, [level * a for a in full], 2e-6)


def test_colour_is_a_factor_and_never_changes_luminance(light_field):
    # Direct light: RGB is Y times a colour of Y = 1, so Y is untouched. (What coloured surfaces
    # give back does take on the lamp's colour, and its Y with it.)
    warm, cool = (rgb_of(cct_k) for cct_k in (2200.0, 4000.0))
    assert warm @ LUMINOUS == pytest.approx(1.0, abs=1e-6)
    assert cool @ LUMINOUS == pytest.approx(1.0, abs=1e-6)
    one, other = only(light_field, "up", rgb=warm), only(light_field, "up", rgb=cool)
    factor = (cool / warm).astype(np.float32)
    assert_equal_light(arrays(other), [a * factor for a in arrays(one)], 1e-5)
    places = np.array([[2.0, 0.0, 1.0], [2.0, 0.0, 2.0]])
    out = np.tile([0.0, -1.0, 0.0], (2, 1))
    direct_lx = [nv.at_points(light, places, out)[0] @ LUMINOUS for light in (one, other)]
    assert direct_lx[0].min() > 1.0
    np.testing.assert_allclose(direct_lx[0], direct_lx[1], rtol=1e-6)


def rgb_of(cct_k: float) -> np.ndarray:
    from nightview.lamps.colour import rgb_of_cct

    return rgb_of_cct(cct_k)


def test_a_fixtures_own_dim_and_colour_are_in_the_design(light_field):
    # dim and cct in the file are the same factors as in a State, and trace nothing anew.
    text = SCENE.replace('id = "up"\n', 'id = "up"\ndim = 0.4\ncct = "4000 K"\n')
    changed = nv.mix(nv.trace(nv.build(parse(text, "linear", "."))))
    state = light_field.designed
    expected = nv.mix(
        light_field,
        nv.State({**state.level, "up": 0.4}, {**state.rgb, "up": rgb_of(4000.0)}, state.sky),
    )
    assert_equal_light(arrays(changed), arrays(expected), 1e-6)


@pytest.fixture
def no_cache(monkeypatch):
    monkeypatch.setenv("NIGHTVIEW_CACHE", "")
    assert not cache.enabled()


def everything(light_field) -> list[np.ndarray]:
    found = [light_field.sky]
    for part in light_field.sources:
        found.append(part.bounced)
        for kept in (part.direct.patches, part.direct.crowns, part.direct.meshes):
            for number in sorted(kept):
                value = kept[number]
                found.append(value[1] if isinstance(value, tuple) else value)
    return found


def test_twice_the_same_to_the_last_bit(no_cache):
    one, two = (nv.trace(nv.build(parse(SCENE, "linear", "."))) for _ in range(2))
    pairs = list(zip(everything(one), everything(two), strict=True))
    assert len(pairs) > 100
    assert all(np.array_equal(a, b) for a, b in pairs)
    mixed = zip(arrays(nv.mix(one)), arrays(nv.mix(two)), strict=True)
    assert all(np.array_equal(a, b) for a, b in mixed)


def test_the_same_on_one_thread_as_on_many(no_cache, monkeypatch):
    found = []
    for threads in (1, 2, 3):
        for module in (rays, field, gather, direct):
            if hasattr(module, "THREADS"):
                monkeypatch.setattr(module, "THREADS", threads)
        found.append(everything(nv.trace(nv.build(parse(SCENE, "linear", ".")))))
    for other in found[1:]:
        assert all(np.array_equal(a, b) for a, b in zip(found[0], other, strict=True))


def test_a_state_is_a_value(light_field):
    # Frozen: a mix cannot change what an earlier one was made of.
    state = light_field.designed
    with pytest.raises(dataclasses.FrozenInstanceError):
        state.sky = 0.0
    before = [a.copy() for a in everything(light_field)]
    nv.mix(light_field, nv.State({"up": 0.2}, {}, 0.5))
    assert all(np.array_equal(a, b) for a, b in zip(before, everything(light_field), strict=True))
