"""The client's own photos on the page: each one more view, drawn part by part, with its day beside it."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from nightview.errors import NightviewError
from nightview.handover.page_frames import Drawn, Progress
from nightview.handover.page_parts import Parts
from nightview.lamps.colour import srgb_encode
from nightview.light.field import LightField
from nightview.photo.night import KIND, night_of
from nightview.photo.recover import opened
from nightview.picture.draw import Frame
from nightview.picture.sheet import averaged


@dataclass(frozen=True, eq=False)
class OnPhoto:
    """A photo as a view. drawn : as of a model's view; day : the photo itself, (h, w, 3) sRGB codes of
    the same size. note : what it is, in plain words."""

    drawn: Drawn
    day: NDArray[np.uint8]
    note: str = KIND


def draw_photos(
    field: LightField, parts: Parts, size: tuple[int, int], ev100: float, progress: Progress
) -> tuple[list[OnPhoto], list[str]]:
    """Draw all photos of a scene in every part, and what is to be told of those that cannot be.

    size : of the page's pictures [px]; a photo gets as many pixels in its own shape. ev100 : the job's.
    """
    found: list[OnPhoto] = []
    notes: list[str] = []
    photos = field.site.scene.photos
    for number, photo in enumerate(photos):
        progress(number, len(photos), f"photo {photo.name}")
        try:
            own, _ = opened(field.site, photo)
        except NightviewError as error:
            notes.append(f'The client\'s page lacks the photo "{photo.name}": {error}')
            continue
        night = night_of(own, field, ev100)
        states = [parts.designed, parts.before]
        states += [part.drawn for part in parts.lamps] + [part.drawn for part in parts.scene]
        designed, before, *layers = (_smaller(night.unscattered(one), size) for one in states)
        drawn = Drawn(photo.name, [layer.luminance for layer in layers], designed, before)
        day = srgb_encode(averaged(own.linear, designed.luminance.shape[1::-1]))
        codes = np.rint(255.0 * np.clip(day, 0.0, 1.0)).astype(np.uint8)
        found.append(OnPhoto(drawn, codes))
    return found, notes


def day_picture(codes: NDArray[np.uint8], quality: int) -> bytes:
    """The photo by day as JPEG."""
    file = io.BytesIO()
    Image.fromarray(codes).save(file, "JPEG", quality=quality, optimize=True)
    return file.getvalue()


def _smaller(frame: Frame, size: tuple[int, int]) -> Frame:
    """A frame without edges in as many pixels as ``size`` has, if it has more."""
    height, width = frame.luminance.shape[:2]
    share = min(1.0, float(np.sqrt(size[0] * size[1] / (width * height))))
    shape = (2 * round(share * height / 2), 2 * round(share * width / 2))
    camera = replace(frame.camera, width=shape[1], height=shape[0])
    return Frame(averaged(frame.luminance, (shape[1], shape[0])), camera, frame.edges)
