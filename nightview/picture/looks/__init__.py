"""Looks: three ways to show a drawn frame, each named in plain words in its picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.lamps.colour import luminance_of
from nightview.light.field import Light
from nightview.picture import tone
from nightview.picture.draw import Frame
from nightview.picture.looks import eye, levels, sight

Develop = Callable[[Frame, float, Light], NDArray[np.uint8]]
"""A frame, the job's locked EV100 and the light it shows → sRGB codes (h, w, 3)."""


@dataclass(frozen=True)
class Look:
    """A way to show a frame. label : what its picture says of itself."""

    label: str
    develop: Develop


def _eye(frame: Frame, ev100: float, light: Light) -> NDArray[np.uint8]:
    return eye.develop(frame, eye.adaptation_cd_m2(ev100))


def _camera(frame: Frame, ev100: float, light: Light) -> NDArray[np.uint8]:
    return tone.develop(frame.luminance, ev100, frame.edges)


def _lux(frame: Frame, ev100: float, light: Light) -> NDArray[np.uint8]:
    hits, shape = sight.look(light.field, frame.camera), frame.luminance.shape[:2]
    values = sight.illuminance_of_hits(light, hits).reshape(shape)
    return levels.develop(values, levels.LUX, sight.outlines(light.field, hits, shape))


def _cd(frame: Frame, ev100: float, light: Light) -> NDArray[np.uint8]:
    hits, shape = sight.look(light.field, frame.camera), frame.luminance.shape[:2]
    values = luminance_of(frame.luminance)
    return levels.develop(values, levels.LUMINANCE, sight.outlines(light.field, hits, shape))


LOOKS = {
    "eye": Look("as the eye sees it", _eye),
    "camera": Look("as a camera sees it", _camera),
    "levels": Look("levels in lux", _lux),
}
LEVELS = {"lux": LOOKS["levels"], "cd": Look("levels in cd/m²", _cd)}


def look_of(name: str, quantity: str = "lux") -> Look:
    """The look of that name; quantity says what levels show.

    Errors: NightviewError naming those there are.
    """
    if name not in LOOKS:
        raise NightviewError("--look", f'"{name}" is no look', _one_of(LOOKS))
    if quantity not in LEVELS:
        raise NightviewError("--quantity", f'"{quantity}" cannot be shown', _one_of(LEVELS))
    return LEVELS[quantity] if name == "levels" else LOOKS[name]


def _one_of(names: dict[str, Look]) -> str:
    return "write one of " + ", ".join(f'"{name}" ({look.label})' for name, look in names.items())
