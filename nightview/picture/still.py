"""Stills: the last three steps of the pipeline as single calls."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from nightview.light.field import Light, LightField, mix
from nightview.picture import files
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.caption import NOTE, caption
from nightview.picture.draw import Frame, draw_frame, locked_exposure
from nightview.picture.glcheck import ensure_gl
from nightview.picture.layers import Layers
from nightview.picture.looks import LOOKS, Look, look_of
from nightview.picture.png import has_text, write_png
from nightview.scene.model import View
from nightview.scene.views import view_of
from nightview.site.build import Geometry

EXPOSURE_KEY = "exposure_ev100"


@dataclass(frozen=True, eq=False)
class Still:
    """A drawn view with all that its picture states.

    frame.luminance : (h, w, 3) float32, linear RGB whose Y is cd/m², row 0 at the top.
    ev100 : the job's locked exposure.
    """

    frame: Frame
    light: Light
    ev100: float
    title: str
    view: str
    state: str

    def note(self, look: Look) -> str:
        """What its caption says of it in that look."""
        return NOTE

    def texts(self, look: Look) -> dict[str, str]:
        """The text entries of its picture's file, in that look."""
        return {
            "Title": self.title,
            "view": self.view,
            "state": self.state,
            "look": look.label,
            EXPOSURE_KEY: f"{self.ev100:.2f}",
            "Software": "nightview",
            "Comment": "Calculated picture, drawn from a model in absolute units.",
        }


def draw(
    light: Light,
    view: View | str,
    size: tuple[int, int] = (1600, 900),
    ev100: float | None = None,
    state: str = "as designed",
) -> Still:
    """Draw a light from a view, by name or as a View.

    ev100 : exposure; by default the job's locked one (the scene's own, or anchored on the design).
    Errors: NightviewError for an unknown view or where nothing can be drawn.
    """
    scene = light.field.site.scene
    named = view_of(scene.views, view) if isinstance(view, str) else view
    ensure_gl()
    canvas = canvas_of(light.field.site.geometry)
    canvas.show(light)
    exposure = _exposure(light) if ev100 is None else ev100
    frame = draw_frame(canvas, light, Camera.of(named, size), exposure)
    return Still(frame, light, exposure, scene.title, named.name, state)


def layers_of(
    field: LightField, view: View | str, size: tuple[int, int], ev100: float | None = None
) -> Layers:
    """A view in any state of the site's light, for many states; arguments and errors as ``draw``."""
    named = view_of(field.site.scene.views, view) if isinstance(view, str) else view
    ensure_gl()
    exposure = exposure_of(field) if ev100 is None else ev100
    return Layers(field, canvas_of(field.site.geometry), Camera.of(named, size), exposure)


@lru_cache(maxsize=1)
def canvas_of(geometry: Geometry) -> Canvas:
    """The canvas of the geometry drawn last; another's takes its place and its memory."""
    return Canvas(geometry)


def _exposure(light: Light) -> float:
    # The design itself need not be mixed once more.
    designed = light.state is light.field.designed
    return locked_exposure(light) if designed else exposure_of(light.field)


@lru_cache(maxsize=1)
def exposure_of(field: LightField) -> float:
    """The job's exposure, whatever is switched on: that of the design."""
    stated = field.site.scene.picture.exposure_ev100
    return locked_exposure(mix(field)) if stated is None else stated


def develop(still: Still, look: str = "camera", quantity: str = "lux") -> NDArray[np.uint8]:
    """The picture in a look, with its caption: (h, w, 3) uint8 sRGB.

    look : "camera", "eye" or "levels", of which quantity, "lux" or "cd". Errors: NightviewError
    for an unknown one.
    """
    shown = look_of(look, quantity)
    return captioned(still, shown, developed(still, shown))


def developed(still: Still, look: Look) -> NDArray[np.uint8]:
    """The picture in a look, without words."""
    return look.develop(still.frame, still.ev100, still.light)


def captioned(still: Still, look: Look, pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The developed picture in a look with its caption."""
    state = " · ".join(filter(None, (still.state, look.label)))
    exposure = still.ev100 if look is LOOKS["camera"] else None
    return caption(pixels, still.title, still.view, state, exposure, still.note(look))


def write(
    still: Still,
    path: str | os.PathLike[str],
    overwrite: bool = False,
    look: str = "camera",
    quantity: str = "lux",
) -> None:
    """Write a still as PNG in a look, its exposure and state in the file's text entries.

    An earlier picture of ours is replaced; any other file only with overwrite.
    """
    refuse_foreign(path, overwrite)
    shown = look_of(look, quantity)
    write_png(path, captioned(still, shown, developed(still, shown)), still.texts(shown))


def refuse_foreign(path: str | os.PathLike[str], overwrite: bool) -> None:
    """Stop before a file is replaced that is no picture of ours, unless asked to."""
    files.refuse_foreign(path, overwrite, lambda one: has_text(one, EXPOSURE_KEY), "picture")
