"""Views drawn part by part, for the client page: layers whose sum is the picture of the design."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from nightview.handover.page_model import Model
from nightview.handover.page_parts import Parts
from nightview.light.field import LUMINOUS32, LightField, mix
from nightview.light.rays import Array32
from nightview.picture.camera import Camera
from nightview.picture.draw import Frame, draw_unscattered
from nightview.picture.glcheck import ensure_gl
from nightview.picture.still import canvas_of
from nightview.scene.model import View

Progress = Callable[[int, int, str], None]

_RELIEF = (0.5, 2.0)
"""Bounds of what relief can make of a lamp's light beside others, and alone."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A view without halos. name : the view's. layers : luminance (h, w, 3) of each part, lamps first, then the scene.
    designed, before : the whole picture of the design, and of the same without its lamps."""

    name: str
    layers: list[Array32]
    designed: Frame
    before: Frame


def draw_parts(
    field: LightField,
    parts: Parts,
    views: Sequence[View],
    size: tuple[int, int],
    ev100: float,
    model: Model,
    progress: Progress,
) -> tuple[list[Drawn], list[Array32]]:
    """Draw all views in every part, and read off the model's atlas in each. ev100 : as for
    ``draw_frame``. NightviewError without graphics."""
    ensure_gl()
    canvas = canvas_of(field.site.geometry)
    cameras = [Camera.of(view, size) for view in views]
    states = [part.drawn for part in parts.lamps] + [part.drawn for part in parts.scene]
    # With one part for all that is not lamps, that part is the picture without lamps.
    single = len(parts.scene) == 1 and parts.scene[0].factor[0] == (1.0, 1.0, 1.0)
    states += [parts.designed] if single else [parts.designed, parts.before]
    count, lamps = len(parts.lamps) + len(parts.scene), len(parts.lamps)
    drawn: list[list[Frame]] = [[] for _ in views]
    atlases: list[Array32] = []
    for number, state in enumerate(states):
        light = mix(field, state)
        canvas.show(light)
        if number < count:
            atlases.append(model.luminance(light))
        for found, camera in zip(drawn, cameras, strict=True):
            found.append(draw_unscattered(canvas, light, camera, ev100))
        progress(number + 1, len(states), "layers of light")
    weights = designed_weights(field, parts)
    views_drawn = []
    for view, frames in zip(views, drawn, strict=True):
        designed, before = frames[count], frames[count - 1 if single else count + 1]
        layers = [frame.luminance for frame in frames[:count]]
        layers[:lamps] = _relieved(layers[:lamps], weights, designed, before)
        views_drawn.append(Drawn(view.name, layers, designed, before))
    return views_drawn, atlases


def designed_weights(field: LightField, parts: Parts) -> Array32:
    """RGB factor (n, 3) of each lamps' part in the design."""
    by_name = {one.source.name: one.source for one in field.sources}
    found = np.zeros((len(parts.lamps), 3), np.float32)
    for row, part in zip(found, parts.lamps, strict=True):
        name = next(name for name, level in part.drawn.level.items() if level > 0)
        row[:] = parts.designed.weight(by_name[name]) / part.drawn.level[name]
    return found


def _relieved(
    layers: list[Array32], weights: Array32, designed: Frame, before: Frame
) -> list[Array32]:
    """The lamps' layers scaled pixel by pixel until the design comes out as it was drawn.

    How far relief darkens and brightens is held within bounds that hang on all light together, so
    lamps drawn one by one do not quite add up.
    """
    if not layers:
        return layers
    total = sum(layer * weight for layer, weight in zip(layers, weights, strict=True)) @ LUMINOUS32
    wanted = (designed.luminance - before.luminance) @ LUMINOUS32
    seen = total > 1e-4 * (before.luminance @ LUMINOUS32) + 1e-9
    scale = np.divide(wanted, total, out=np.ones_like(total), where=seen)
    scale = np.clip(scale, *_RELIEF)[..., None]
    return [layer * scale for layer in layers]
