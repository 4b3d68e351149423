"""Which share of each pixel is a window's glass: outlines and bars as the photo has them.

A window's outline is moved as a whole to where the photo has it. Bars are straight and run right
across, so what is thin in the photo is counted along whole lines of the window's own plane: a bar
that a curtain or a reflection hides here and there is found by the rest of it. Where the photo shows
no bar, the model's are believed.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.rays import Array32
from nightview.photo.pixels import Bools, Pixels
from nightview.site.surface import Array, Patch

BAR_M, BAR_FACTOR = 0.09, 1.35
"""Bars are thinner than this, and lighter or darker than what is on both sides by this factor."""
ALONG = 0.4
"""A line is a bar where so much of it is thin."""
RING_PX = 2.0
SOFT_PX = 0.6
"""A photo's edges are about so soft."""
_DARK = 1e-3
_Y = Y_WEIGHTS.astype(np.float32)


def panes_of(photo: Array32, pixels: Pixels, reach: float) -> Array32:
    """The share of each pixel (h, w) of a linear photo (h, w, 3) that is a window's glass, or water.

    reach : how far the model's outlines may be off [px].
    """
    shape = photo.shape[:2]
    found = pixels.solid.where("water").reshape(shape).astype(np.float32)
    numbers = pixels.solid.surface.reshape(shape)
    glass = np.where(pixels.solid.where("glass").reshape(shape), numbers, -1)
    patches = pixels.solid.geometry.patches
    for number in np.unique(glass[glass >= 0]):
        rows, columns = box(glass == number, int(4 * reach) + 2)
        here = glass[rows, columns] == number
        # With its bars: a photo has them elsewhere.
        whole = here | ndimage.binary_closing(here, iterations=max(2, int(reach)))
        shift = _shift(whole, photo[rows, columns], reach)
        across_m, up_m, step = _places(patches[number], pixels, rows, columns)
        outline, model = (_moved(mask, shift) for mask in (whole, here))
        if outline.sum() < 9:
            continue
        clear = np.ones(outline.shape, np.float32)
        thin = _thin(photo[rows, columns], BAR_M / step)
        for place, lines in zip((across_m, up_m), thin, strict=True):  # upright bars, level bars
            clear *= 1 - _bars(place / step, lines, outline, BAR_M / step)
        if clear[outline].min() > 0.5:  # no bar is seen
            share = ndimage.gaussian_filter(model.astype(np.float32), SOFT_PX)
        else:
            share = ndimage.gaussian_filter(outline.astype(np.float32), SOFT_PX) * clear
        share[share > 0.99] = 1.0
        found[rows, columns] = np.maximum(found[rows, columns], share)
    return found


def box(mask: Bools, margin: int) -> tuple[slice, slice]:
    """Rows and columns of a mask, with a margin."""
    found = []
    for axis in (1, 0):
        where = np.flatnonzero(mask.any(axis=axis))
        found.append(slice(max(0, int(where[0]) - margin), int(where[-1]) + margin + 1))
    return found[0], found[1]


def _shift(own: Bools, photo: Array32, reach: float) -> tuple[int, int]:
    """How far to move a pane's outline to where the photo's brightness steps most across it.

    Over a window, a camera's error is much the same everywhere, so the outline keeps its shape.
    """
    tone = np.log(np.maximum(photo @ _Y, _DARK))
    inside, outside = (ndimage.distance_transform_edt(mask) for mask in (own, ~own))
    rings = [np.argwhere((depth > 0) & (depth <= RING_PX)) for depth in (inside, outside)]
    far, limit = int(reach), np.array(own.shape) - 1
    best, found = -1.0, (0, 0)
    for move in np.ndindex(2 * far + 1, 2 * far + 1):
        shift = np.array(move) - far
        within, without = (tone[tuple(np.clip(ring + shift, 0, limit).T)].mean() for ring in rings)
        step = abs(within - without) * np.exp(-0.5 * float(shift @ shift) / reach**2)
        if step > best:
            best, found = step, (int(shift[0]), int(shift[1]))
    return found


def _moved(mask: Bools, shift: tuple[int, int]) -> Bools:
    return np.asarray(ndimage.shift(mask, shift, order=0, cval=False), bool)


def _places(pane: Patch, pixels: Pixels, rows: slice, columns: slice) -> tuple[Array, Array, float]:
    """Where the pixels of a box see the plane of a pane: across and up, (h, w) each [m], and how much
    of it one pixel covers."""
    eye = pixels.camera.eye
    ways = pixels.ways.reshape(*pixels.shape, 3)[rows, columns].astype(float)
    facing = ways @ pane.normal
    far = ((pane.origin - eye) @ pane.normal) / np.where(np.abs(facing) < 1e-6, 1e-6, facing)
    from_corner = eye + far[..., None] * ways - pane.origin
    middle = float(np.linalg.norm(pane.bounds[0] - eye))
    return from_corner @ pane.eu, from_corner @ pane.ev, middle * pixels.camera.pixel_tan


def _thin(photo: Array32, size_px: float) -> list[tuple[Bools, Bools]]:
    """What is thin from left to right, and from top to bottom: each lighter, and darker than what is on
    both sides (top-hat transforms: J. Serra, "Image analysis and mathematical morphology", 1982)."""
    tone = np.log(np.maximum(photo @ _Y, _DARK))
    size = max(3, int(np.ceil(size_px)) | 1)
    step = float(np.log(BAR_FACTOR))
    found = []
    for window in ((1, size), (size, 1)):
        # A bar is long: along it the photo's grain is evened out first.
        along = ndimage.median_filter(tone, [2 * size + 1 if side == 1 else 1 for side in window])
        hats = ndimage.white_tophat(along, window), ndimage.black_tophat(along, window)
        found.append((hats[0] > step, hats[1] > step))
    return found


def _bars(place: Array, thin: tuple[Bools, Bools], outline: Bools, most_px: float) -> Array32:
    """The share of each pixel (h, w) that bars cover: lines of the window on which much is thin.

    place : (h, w) across the lines, in pixels at the window's middle. thin : lighter, darker.
    """
    line = np.floor(place[outline]).astype(int)
    first = int(line.min())
    count = np.bincount(line - first).astype(float)
    whole = count > 0.5 * np.median(count)  # else a ragged end of the outline
    lighter, darker, either = (
        np.where(whole, np.bincount(line - first, kind[outline], len(count)) / count.clip(1), 0.0)
        for kind in (*thin, thin[0] | thin[1])
    )
    enough = ALONG + 1.5 * float(np.median(either[whole]))  # the photo's grain looks thin too
    covered = np.zeros(place.shape, np.float32)
    light_bars = bool((lighter > enough).any())
    for start, end in _runs(either > enough):
        parts = [(start, end)]
        if end - start > most_px:  # a light bar beside a dark gap, say
            parts = [
                (start + low, start + high)
                for kind in (lighter, darker)
                for low, high in _runs(kind[start:end] > enough)
                if high - low <= most_px
            ][:1]
        for low, high in parts:
            at_end = low < most_px or high > len(count) - most_px
            if (light_bars or at_end) and lighter[low:high].max() < ALONG / 2:
                continue  # folds of a curtain, the gap between it and the frame
            inside = np.minimum(place - (first + low), first + high - place)
            covered = np.maximum(covered, np.clip(inside + 0.5, 0, 1).astype(np.float32))
    return covered


def _runs(marked: Bools) -> list[tuple[int, int]]:
    """Where runs of what is marked begin and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], marked.astype(int), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
