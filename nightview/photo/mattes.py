"""What the photo itself says where the model is not exact: sky or house, leaf or wall, pane or bar.

A solved camera is some pixels off and a tree has other leaves, so along every outline of the model
the photo's colours decide. Two kinds of pixels that are certain teach a straight division of colours
(R. A. Fisher, "The use of multiple measurements in taxonomic problems", 1936), by which the pixels
between them are told apart; where the two do not differ enough, the model is believed. Windows are
read in ``panes``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.rays import Array32
from nightview.photo.panes import box, panes_of
from nightview.photo.pixels import Bools, Pixels
from nightview.photo.spread import mean_around
from nightview.site.surface import Array, Patch

REACH = 0.006
"""How far outlines may be off, as a share of the picture's width."""
CROWN_REACH = 0.02
"""And outlines of crowns."""
APART = 1.2
"""Two kinds of colours whose means lie fewer standard deviations apart are not told apart."""
CLEAR = 0.95
"""Where more than this is glass, nothing stands before it that counts."""
BESIDE_PX = 8
_FEW = 40
_DARK = 1e-3
_SHARP = 2.0
_SUBSET = 20000
_Y = Y_WEIGHTS.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Mattes:
    """What the pixels of a photo show.

    sky, leaf : (h, w) share of sky, and of a crown's leaves before what else is there. far : (h, w)
    whether it is ground beyond the model's own. pane : (h, w) share of a window's glass or of water.
    source : (n,) the pixel whose solid surface stands for this one's. bars : of each window, the
    pixels of bars and those of its frames, whose light the bars take: (k,) and (l,).
    known : (h, w) whether the model has a surface there at all. front : (h, w, 3) the linear photo
    without the sky and the glass in it. leaf_reach : (m,) pixels that may show leaves.
    """

    sky: Array32
    leaf: Array32
    far: Bools
    pane: Array32
    source: NDArray[np.intp]
    bars: tuple[tuple[NDArray[np.intp], NDArray[np.intp]], ...]
    known: Bools
    front: Array32
    leaf_reach: NDArray[np.intp]


def told_apart(colours: Array32, one: Bools, other: Bools) -> tuple[Array32, float]:
    """How much more like one kind than like the other colours (n, 3) are, above or below 0, (n,), and
    how many standard deviations the two kinds lie apart; 0 where one has too few pixels."""
    a, b = (np.flatnonzero(kind) for kind in (one, other))
    if min(len(a), len(b)) < _FEW:
        return np.zeros(len(colours), np.float32), 0.0
    a, b = (kind[:: max(1, len(kind) // _SUBSET)] for kind in (a, b))
    values = np.log(np.maximum(colours, _DARK))
    means = [values[kind].mean(axis=0) for kind in (a, b)]
    spread = sum(np.cov(values[kind].T) for kind in (a, b)) / 2 + 1e-3 * np.eye(3)
    axis = np.linalg.solve(spread, means[0] - means[1])
    apart = float(np.sqrt((means[0] - means[1]) @ axis))
    score = (values - (means[0] + means[1]) / 2) @ axis / max(apart, 1e-6)
    return score.astype(np.float32), apart


def mattes_of(photo: Array32, pixels: Pixels, reach_px: float | None = None) -> Mattes:
    """Read a linear photo (h, w, 3) with what the model has at its pixels.

    reach_px : how far the model's outlines may be off; ``REACH`` of the width if not given.
    """
    shape, width = pixels.shape, pixels.shape[1]
    reach = max(2.0, REACH * width if reach_px is None else reach_px)
    solid = (pixels.solid.surface >= 0).reshape(shape)
    has_leaf = np.zeros(shape, bool)
    has_leaf.ravel()[pixels.at_leaf] = True
    rise = pixels.ways[:, 2].reshape(shape) / pixels.camera.pixel_tan
    far = ~solid & (rise < 0)
    is_sky = _sky(photo, solid | far, has_leaf, reach)
    sky, front = _share_of_sky(photo, is_sky)
    far = ~solid & (rise < reach) & ~is_sky  # about the horizon the photo's colours decide
    near = ndimage.distance_transform_edt(~solid, return_indices=True)
    away, (rows, columns) = near
    source = (rows * width + columns).ravel() if solid.any() else np.arange(solid.size)
    known = solid | ((away <= reach) & ~far)
    pane = panes_of(photo, pixels, reach)
    leaf, region = _leaves(photo, pixels, has_leaf, sky, known, far)
    _without_sky_colour(front, leaf, has_leaf & (sky < 0.05), ~known & ~far)
    _without_glass(front, photo, pane)
    source, bars = _matte_source(pixels, pane, source)
    return Mattes(sky, leaf, far, pane, source, bars, known, front, region)


# --- sky ------------------------------------------------------------------------------------------


def _sky(photo: Array32, solid: Bools, has_leaf: Bools, reach: float) -> Bools:
    """Which pixels are sky: by the model where that is certain, else by colour."""
    open_sky = ~solid & ~has_leaf
    if not open_sky.any():
        return ~solid
    inside = ndimage.distance_transform_edt(solid | has_leaf)  # from the open sky
    outside = ndimage.distance_transform_edt(open_sky)
    sure, not_sky = (outside > reach).ravel(), (solid & (inside > reach)).ravel()
    for _ in range(3):  # far trees and houses that the model lacks are thrown out of the sky
        colours = _even_sky(photo, sure.reshape(solid.shape)).reshape(-1, 3)
        score, apart = told_apart(colours, sure, not_sky)
        if apart < APART:
            return open_sky
        sure = sure & (score > 0)
    may = (~solid | (inside <= reach)).ravel()
    found: Bools = (may & (score > 0)).reshape(photo.shape[:2])
    return found


def _even_sky(photo: Array32, sky: Bools) -> Array32:
    """The photo over what the sky would be at each pixel: blue above, hazy and bright below, brighter
    towards the sun; a surface of second order, fitted to the logarithms of what is sky, (h, w, 3)."""
    which = np.flatnonzero(sky)
    if len(which) < _FEW:
        return photo
    some = which[:: max(1, len(which) // _SUBSET)]
    height, width = sky.shape
    lowest = np.flatnonzero(sky.any(axis=1))[-1] / height  # nothing is told of what lies below
    y, x = np.divmod(some, width)
    terms = _second_order(y / height, x / width)
    values = np.log(np.maximum(photo.reshape(-1, 3)[some], _DARK))
    fit = np.linalg.lstsq(terms, values, rcond=None)[0]
    rows, columns = np.minimum(np.arange(height) / height, lowest), np.arange(width) / width
    found = np.empty_like(photo)
    for row in range(height):
        usual = _second_order(np.full(width, rows[row]), columns) @ fit
        found[row] = photo[row] / np.exp(usual)
    return found


def _second_order(y: Array, x: Array) -> Array:
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _share_of_sky(photo: Array32, is_sky: Bools) -> tuple[Array32, Array32]:
    """The share of sky in each pixel (h, w), and the photo without it (h, w, 3).

    On the rim a pixel is a mixture of the sky near it and of what stands before it.
    """
    share = is_sky.astype(np.float32)
    if not is_sky.any() or is_sky.all():
        return share, photo
    to_sky, to_front = (ndimage.distance_transform_edt(mask) for mask in (~is_sky, is_sky))
    rim = np.flatnonzero((to_sky <= _SHARP) & (to_front <= _SHARP + 1))
    behind = _around(photo, is_sky, to_front > _SHARP, rim, 12.0)
    before = _around(photo, ~is_sky, to_sky > _SHARP, rim, 4.0)
    here, way = photo.reshape(-1, 3)[rim], behind - before
    part = np.einsum("ij,ij->i", here - before, way)
    part = np.clip(part / np.maximum(np.einsum("ij,ij->i", way, way), 1e-6), 0.0, 1.0)[:, None]
    own = np.clip((here - part * behind) / np.maximum(1 - part, 0.1), 0.5 * before, 1.5 * before)
    front = photo.copy()
    front.reshape(-1, 3)[rim] = np.where(part > 0.9, before, own)
    share.ravel()[rim] = part[:, 0]
    return share, front


def _around(
    photo: Array32, kind: Bools, pure: Bools, wanted: NDArray[np.intp], sigma_px: float
) -> Array32:
    """The mean colour around pixels of the pure ones of a kind; of all of them where none is near."""
    shape, colours = kind.shape, photo.reshape(-1, 3)
    best, usual = (np.flatnonzero(mask) for mask in (kind & pure, kind))
    found, weight = mean_around(colours[best], best, wanted, shape, sigma_px)
    lacking = weight < 1e-3
    found[lacking] = mean_around(colours[usual], usual, wanted[lacking], shape, sigma_px)[0]
    return found


# --- leaves ---------------------------------------------------------------------------------------


def _leaves(
    photo: Array32, pixels: Pixels, has_leaf: Bools, sky: Array32, known: Bools, far: Bools
) -> tuple[Array32, NDArray[np.intp]]:
    """The share of leaves in each pixel (h, w), and which pixels may have any."""
    leaf = np.zeros(has_leaf.shape, np.float32)
    if not has_leaf.any():
        return leaf, np.zeros(0, np.intp)
    reach = max(2.0, CROWN_REACH * has_leaf.shape[1])
    away = ndimage.distance_transform_edt(~has_leaf)
    may = away <= reach
    dense = ndimage.gaussian_filter(has_leaf.astype(np.float32), reach / 6)
    # Before the sky a leaf is what is no sky; before a wall, what has the colour of leaves.
    open_sky = may & ~known & ~far
    leaf[open_sky] = 1 - sky[open_sky]
    names = [one.material for one in pixels.solid.geometry.surfaces]
    kinds = np.unique(names, return_inverse=True)[1] if names else np.zeros(0, int)
    behind = np.append(kinds, -1)[pixels.solid.surface].reshape(has_leaf.shape)
    behind[far] = -2
    colours = photo.reshape(-1, 3)
    certain = has_leaf & (dense > 0.6) & (sky < 0.05)
    for kind in np.unique(behind[may & ~open_sky]):
        here = may & ~open_sky & (behind == kind)
        rows, columns = box(here, int(4 * reach))
        own = behind[rows, columns] == kind
        plain = own & ~may[rows, columns] & (sky[rows, columns] < 0.05)
        local = photo[rows, columns].reshape(-1, 3)
        if certain[rows, columns].sum() >= _FEW:
            score, apart = told_apart(local, certain[rows, columns].ravel(), plain.ravel())
        else:
            score, apart = told_apart(
                colours, certain.ravel(), (behind == kind).ravel() & ~may.ravel()
            )
            score = score.reshape(has_leaf.shape)[rows, columns].ravel()
        if apart >= APART:
            found = np.clip(0.5 + score / 0.8, 0.0, 1.0).reshape(own.shape)
        else:
            found = np.clip(4 * (dense[rows, columns] - 0.5), 0.0, 1.0)
        chosen = here[rows, columns]
        leaf[rows, columns][chosen] = found[chosen]
    leaf[~open_sky] *= np.clip(2 * (1 - away[~open_sky] / reach), 0.0, 1.0)
    return leaf, np.flatnonzero(may)


def _without_sky_colour(front: Array32, leaf: Array32, certain: Bools, open_sky: Bools) -> None:
    """Give leaves before the sky, each of which is a mixture with it, the colour of the others."""
    if certain.sum() < _FEW:
        return
    usual = np.median(front[certain], axis=0)
    mixed = open_sky & (leaf > 0)
    bright = front[mixed] @ _Y / max(float(usual @ _Y), _DARK)
    front[mixed] = usual * np.clip(bright, 0.5, 1.6)[:, None]


# --- windows --------------------------------------------------------------------------------------


def _without_glass(front: Array32, photo: Array32, pane: Array32) -> None:
    """Give pixels that are part bar, part glass the colour of the bar, in place."""
    rim = np.flatnonzero((pane > 1 - CLEAR) & (pane <= CLEAR))
    if len(rim):
        bar = (pane <= 1 - CLEAR) & (ndimage.maximum_filter(pane, BESIDE_PX) > 0)
        front.reshape(-1, 3)[rim] = _around(photo, bar, bar, rim, _SHARP)


def _matte_source(
    pixels: Pixels, share: Array32, source: NDArray[np.intp]
) -> tuple[NDArray[np.intp], tuple[tuple[NDArray[np.intp], NDArray[np.intp]], ...]]:
    """Sources that are matte surfaces for bars and panes too: the frame in the pane's own plane; and
    ``Mattes.bars``.

    A bar has the nearest such pixel, a pane's glass that nearest to its middle.
    """
    shape, seen, glass = share.shape, pixels.solid, share > CLEAR
    patches, number = seen.geometry.patches, seen.surface.reshape(shape)
    pane = seen.where("glass").reshape(shape)
    found = source.copy()
    bars = []
    for opening in sorted({patch.opening for patch in patches if patch.opening}):
        own = {_plane(patch) for patch in patches if patch.opening == opening}
        frame = [patch.kind == "matte" and _plane(patch) in own for patch in patches]
        is_frame = np.array([*frame, *[False] * (len(seen.geometry.surfaces) - len(patches) + 1)])
        is_pane = np.array([patch.opening == opening for patch in patches] + [False])
        here = pane & is_pane[np.where(pane, number, -1)]
        if not here.any():
            continue
        rows, columns = box(here, BESIDE_PX)
        near = is_frame[number[rows, columns]] & ~glass[rows, columns]
        if not near.any():
            continue
        at = ndimage.distance_transform_edt(~near, return_distances=False, return_indices=True)
        nearest = (at[0] + rows.start) * shape[1] + at[1] + columns.start
        clear = glass[rows, columns] & (here | ~pane)[rows, columns]
        middle = tuple(np.argwhere(clear).mean(axis=0).astype(int)) if clear.any() else (0, 0)
        flat = np.where(clear, nearest[middle], nearest)
        wanted = clear | here[rows, columns]
        found.reshape(shape)[rows, columns][wanted] = flat[wanted]
        number_of = np.arange(glass.size).reshape(shape)[rows, columns]
        rim = near & (
            share[rows, columns] > 1 - CLEAR
        )  # beside a bar that stands on the model's own
        bars.append((number_of[here[rows, columns] & ~clear | rim], number_of[near]))
    return found, tuple(bars)


def _plane(patch: Patch) -> tuple[float, ...]:
    return (*patch.normal.round(3).tolist(), round(float(patch.origin @ patch.normal), 3))
