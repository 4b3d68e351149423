"""A view as a sum of layers: by linearity the same as drawing the state, and without drawing it."""

from __future__ import annotations

import numpy as np
import pytest

from nightview.lamps.colour import rgb_of_cct
from nightview.light.field import LightField, State, mix, trace
from nightview.picture import layers as layers_module
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.draw import draw_frame, locked_exposure
from nightview.picture.layers import Layers, _changes
from nightview.picture.tone import develop
from nightview.scene.read import parse
from nightview.site.build import build

SCENE = """
[site]
surroundings = "rural"
[ground]
material = "grass"
size = "14 m, 12 m"
[[block]]
name = "house"
at = "-3 m, 0 m"
size = "6 m, 3 m"
height = "2.6 m"
material = "red brick"
[[opening]]
name = "window"
block = "house"
along = "3 m"
sill = "0.9 m"
size = "1.2 m, 1.2 m"
[[shrub]]
name = "shrub"
at = "-2.4 m, -1.2 m"
height = "0.8 m"
[[fixture]]
id = "up"
lamp = "accent 36"
block = "house"
along = "1 m"
out = "0.5 m"
count = 2
spacing = "4 m"
elevation = "76 deg"
[[fixture]]
id = "hat"
lamp = "path hat"
at = "1.5 m, -2 m, 0.5 m"
"""
CAMERA = Camera(np.array([1, -8.0, 1.6]), np.array([0, 0, 1.3]), 45.0, 320, 180)
EV100 = 2.0

pytestmark = pytest.mark.usefixtures("graphics")


@pytest.fixture(scope="module")
def field() -> LightField:
    return trace(build(parse(SCENE)))


@pytest.fixture
def layers(field: LightField) -> Layers:
    return Layers(field, Canvas(field.site.geometry), CAMERA, EV100)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[State]:
    """The states that were really drawn."""
    states: list[State] = []
    plain = Layers._draw

    def watched(self: Layers, state: State):
        states.append(state)
        return plain(self, state)

    monkeypatch.setattr(Layers, "_draw", watched)
    return states


def names(field: LightField) -> list[str]:
    return [part.source.name for part in field.sources]


def colour(field: LightField, cct_k: float) -> State:
    return State({}, dict.fromkeys(names(field), rgb_of_cct(cct_k)))


def dimmed(level: float, name: str = "up-1") -> State:
    return State({name: level}, {})


@pytest.mark.parametrize("after", ["dim", "off", "cct", "zone", "sky"])
def test_a_changed_state_looks_as_if_drawn(field, layers, drawn, after) -> None:
    wanted = {
        "dim": dimmed(0.35),
        "off": dimmed(0.0),
        "cct": colour(field, 4000.0),
        "zone": State({"up-1": 0.5, "up-2": 0.5}, {}),
        "sky": State({}, {}, sky=0.3),
    }[after]
    layers.frame(field.designed)
    summed = layers.frame(wanted)
    assert len(drawn) == 2  # the first state, and one layer: not the state itself
    canvas = Canvas(field.site.geometry)
    canvas.show(mix(field, wanted))
    whole = draw_frame(canvas, mix(field, wanted), CAMERA, EV100)
    lit = whole.luminance.mean()
    assert np.abs(summed.luminance - whole.luminance).mean() < 0.01 * lit
    codes = [develop(frame.luminance, EV100, frame.edges).astype(int) for frame in (summed, whole)]
    apart = np.abs(codes[0] - codes[1]).max(axis=-1)
    assert apart.mean() < 1.0
    # No specks of a lamp that has gone out: edges that the sum keeps are edges of the sum.
    assert (apart > 30).mean() < 1e-3
    assert 0.8 < (1 + len(summed.edges.rows)) / (1 + len(whole.edges.rows)) < 1.25


def test_a_second_change_of_the_kind_draws_nothing(field, drawn) -> None:
    layers = Layers(
        field, Canvas(field.site.geometry), CAMERA, 12.0
    )  # nothing is bright enough there for a halo
    layers.frame(field.designed)
    layers.frame(dimmed(0.5))
    before = len(drawn)
    half, low = layers.frame(dimmed(0.5)), layers.frame(dimmed(0.25))
    full = layers.frame(field.designed)
    assert len(drawn) == before
    # Linear in the level, whatever the lamp lights: full − half is twice half − quarter.
    step = (full.luminance - half.luminance, half.luminance - low.luminance)
    assert step[0] == pytest.approx(2 * step[1], abs=1e-4 * float(full.luminance.max()))


def test_many_changes_at_once_are_drawn_as_a_whole(field, layers, drawn) -> None:
    layers.frame(field.designed)
    many = State({"up-1": 0.5}, {"up-2": rgb_of_cct(2000.0), "hat": rgb_of_cct(5000.0)})
    frame = layers.frame(many)
    assert drawn[1:] == [many]
    assert layers.frame(many).luminance == pytest.approx(frame.luminance)


@pytest.mark.parametrize(
    "after", [dimmed(0.2), State({"up-1": 0.0, "up-2": 0.5}, {}), State({}, {})]
)
def test_the_exposure_of_a_sum_is_that_of_the_light_itself(field, layers, after) -> None:
    assert field.site.scene.picture.exposure_ev100 is None
    layers.frame(field.designed)
    assert layers.exposure(after) == pytest.approx(locked_exposure(mix(field, after)), abs=0.051)
    low = State(dict.fromkeys(names(field), 0.1), {})
    assert layers.exposure(low) < layers.exposure(field.designed) - 0.2


def test_layers_are_bounded(field, layers, monkeypatch) -> None:
    monkeypatch.setattr(layers_module, "MOST_BYTES", 0)
    layers.frame(field.designed)
    for name in ("up-1", "up-2", "hat"):
        layers.frame(dimmed(0.5, name))
    assert len(layers._layers) == layers_module.MOST_NEW


def test_changes_of_one_colour_are_one_layer() -> None:
    warm = np.array([1.5, 0.9, 0.4])
    difference = np.zeros((5, 3))
    difference[1], difference[3], difference[4] = 0.5 * warm, -0.25 * warm, [0, 0, 0.1]
    changes = _changes(difference)
    assert [part for part, _ in changes] == [((0, 1.0), (2, -0.5)), ((3, 1.0),)]
    rebuilt = np.zeros_like(difference)
    for part, factor in changes:
        for row, share in part:
            rebuilt[row + 1] += share * factor
    assert rebuilt == pytest.approx(difference, abs=1e-6)
    assert _changes(np.zeros((5, 3))) == []
