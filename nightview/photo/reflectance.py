"""How much light each pixel's surface gives back: the photo over the model's own daylight.

Reflectance from a photo and the light under which it was taken: H. G. Barrow & J. M. Tenenbaum,
"Recovering intrinsic scene characteristics from images", 1978, name it; Y. Yu & J. Malik,
"Recovering photometric properties of architectural scenes from photographs", SIGGRAPH 1998, do it
for houses, as here, from a model, the sun's place and the sky [both from memory].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from nightview.errors import NightviewError
from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.rays import Array32
from nightview.photo.daylight import Daylight
from nightview.photo.mattes import Mattes
from nightview.photo.pixels import Bools, Pixels
from nightview.photo.skylight import sun_to_sky
from nightview.photo.spread import leaf_blur_px, mean_around
from nightview.scene.faults import choice
from nightview.site.build import Geometry
from nightview.site.surface import Array

GLASS = (0.02, 0.06)
"""What a pane's glass may give back of a lamp's light, whatever the sky mirrored in it looked like."""
LEAST, MOST = 0.01, 0.92
LEAF_MOST = 0.25
CLIPPED = 0.985
"""sRGB value from which a channel is burnt out."""
SUN_BOUNDS = (0.3, 30.0)
CONTRADICTS = 0.12
"""Sun to sky as the photo shows it must be more than this share of what it is on a clear day."""
LEAST_STEP = 1.15
"""Sun and shade that differ less are not told apart."""
BLUR_PX = 3.0
"""The edge of a shadow is blurred over so many pixels to each side."""
MOST_UNEVEN = 1.6
"""The model's light in the shade is corrected by no more than this factor."""
SHADOW_REACH = 0.02
"""How far shadows may be off, as a share of the width: eaves and gutters are the model's weak side."""
_FEW = 30
_ENOUGH = 1e-4  # of the picture's pixels
_Y = Y_WEIGHTS.astype(np.float32)


@dataclass(frozen=True, eq=False)
class Reflectance:
    """What a photo's surfaces give back. solid : (n, 3) of each pixel's solid surface; leaf : (m, 3) of
    the leaves at ``Mattes.leaf_reach``. sun : (3,) lux of sun for each of sky. scale : of the linear
    photo to luminance per lux. warnings : what speaks against it, each in one sentence."""

    solid: Array32
    leaf: Array32
    sun: Array
    scale: float
    sun_measured: bool
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class Anchor:
    """A pixel of known reflectance. reach_px : how far around it the same surface is looked at."""

    column: int
    row: int
    reflectance: float
    surface: str | None = None
    reach_px: int = 3


def recovered(
    photo: Array32,
    pixels: Pixels,
    days: tuple[Daylight, Daylight],
    mattes: Mattes,
    anchor: Anchor | None,
    sun_way: Array | None,
) -> Reflectance:
    """Divide a linear photo (h, w, 3), 1 being white, by its daylight.

    days : on solid surfaces and on the model's leaves. Errors: NightviewError for an anchor that is
    burnt out, outside the picture, or on no surface.
    """
    day, leafy = days
    planes = _planes(pixels.solid.geometry)[pixels.solid.surface].reshape(pixels.shape)
    plain = _plain(pixels, mattes)
    warnings: list[str] = []
    sun, clear, measured = np.zeros(3), day.clear, False
    if sun_way is not None:
        elevation = float(np.degrees(np.arcsin(sun_way[2])))
        sun, measured, told = _sun_to_sky(photo, day, planes, plain, elevation)
        warnings += told
        clear = _decided(photo, day, sun, planes, plain)
    balance = _balance(sun, sun_way).astype(np.float32)
    light = day.lux(sun, clear)
    if measured:
        _even_out(light, photo, clear, (day, sun), planes, plain)
    light = np.asarray(light / balance, np.float32)[mattes.source]
    unknown = np.flatnonzero(~mattes.known.ravel())
    light[unknown] = _upright(sun, sun_way, pixels.ways[unknown]) / balance
    far = np.flatnonzero(mattes.far.ravel())
    level = 0.0 if sun_way is None else sun_way[2]
    light[far] = (1 + sun * level) / balance
    over = np.asarray(mattes.front.reshape(-1, 3) / np.maximum(light, 1e-3), np.float32)
    scale, told = _scale(photo, over, pixels, plain, anchor)
    warnings += told
    solid: Array32 = np.clip(over * np.float32(scale), LEAST, MOST)
    for bars, _ in mattes.bars:  # of one colour, whatever shadows lie across them by day
        certain = bars[mattes.pane.ravel()[bars] < 0.05]
        if len(certain) >= _FEW:
            solid[bars] = np.median(solid[certain], axis=0)
    glass = np.flatnonzero(mattes.pane.ravel())
    share = mattes.pane.ravel()[glass, None]
    solid[glass] = (1 - share) * solid[glass] + share * np.clip(solid[glass], *GLASS)
    leaf = np.zeros((0, 3), np.float32)
    if len(pixels.at_leaf):
        own = leafy.lux(sun, leafy.clear) / balance
        at = pixels.at_leaf, mattes.leaf_reach
        spread, _ = mean_around(own, *at, pixels.shape, leaf_blur_px(pixels.shape))
        front = mattes.front.reshape(-1, 3)[mattes.leaf_reach]
        over_leaf = front / np.maximum(spread, np.float32(0.05)) * np.float32(scale)
        leaf = np.clip(over_leaf, LEAST / 2, LEAF_MOST).astype(np.float32)
    return Reflectance(solid, leaf, sun, scale, measured, tuple(warnings))


def _plain(pixels: Pixels, mattes: Mattes) -> Bools:
    """Pixels (h, w) that certainly show a matte surface of the model."""
    shape = pixels.shape
    plain = pixels.solid.where("matte").reshape(shape) & (mattes.pane < 0.05)
    found: Bools = plain & (mattes.leaf < 0.05) & (mattes.sky < 0.02)
    return found


def _planes(geometry: Geometry) -> NDArray[np.intp]:
    """A number for each surface and −1 for none at the end; what lies in one plane and is of one
    material has the same."""
    numbers: dict[tuple[object, ...], int] = {}
    keys: list[tuple[object, ...]] = []
    for number, patch in enumerate(geometry.patches):
        flat = (*patch.normal.round(2), float((patch.origin @ patch.normal).round(2)))
        keys.append((number,) if patch.tube else (patch.material, *flat))
    keys += [(number,) for number in range(len(geometry.patches), len(geometry.surfaces))]
    return np.array([*(numbers.setdefault(key, len(numbers)) for key in keys), -1], np.intp)


def _balance(sun: Array, sun_way: Array | None) -> Array:
    """The colour, Y = 1, of all daylight on level ground, which the camera has shown as white."""
    if sun_way is None:
        return np.ones(3)
    both = 1 + sun * sun_way[2]
    return np.asarray(both / (Y_WEIGHTS @ both))


def _upright(sun: Array, sun_way: Array | None, ways: Array32) -> Array32:
    """Daylight on what the model lacks: as on an upright wall that faces the viewer, in the open."""
    facing = -ways[:, :2] / np.maximum(np.linalg.norm(ways[:, :2], axis=1, keepdims=True), 1e-6)
    found = np.full((len(ways), 3), 0.45, np.float32)
    if sun_way is not None:
        cosine = np.maximum(facing @ sun_way[:2].astype(np.float32), 0.0)
        found += cosine[:, None] * sun.astype(np.float32)
    return found


# --- sun and sky ----------------------------------------------------------------------------------


def _sun_to_sky(
    photo: Array32, day: Daylight, planes: NDArray[np.intp], plain: Bools, elevation_deg: float
) -> tuple[Array, bool, list[str]]:
    """Sun to sky (3,) from surfaces that are seen both lit and shaded: (I_lit/I_shaded) tells it.

    Also whether it was measured, and warnings.
    """
    shape = plain.shape
    clear = day.clear.reshape(shape)
    edge = _from_edge(clear, planes)
    sure = (plain & (edge > _reach(shape)) & (photo.max(axis=2) < CLIPPED)).ravel()
    toward = day.toward > 0.1
    enough = max(30, int(_ENOUGH * photo.shape[0] * photo.shape[1]))
    parts = [np.flatnonzero(sure & toward & kind) for kind in (day.clear > 0.99, day.clear < 0.01)]
    where = [dict(_by_plane(planes.ravel(), part)) for part in parts]
    colours, found, weights = photo.reshape(-1, 3), [], []
    for plane in where[0].keys() & where[1].keys():
        lit, dark = where[0][plane], where[1][plane]
        if min(len(lit), len(dark)) < enough:
            continue
        bright, sky, passed = _medians(lit, colours, day.sky, day.passed)
        dim, sky_dark, passed_dark = _medians(dark, colours, day.sky, day.passed)
        direct = np.median(day.toward[lit]) + passed
        rest = dim * direct - bright * passed_dark
        value = (bright * sky_dark - dim * sky) / np.where(rest > 1e-9, rest, np.inf)
        found.append(value)
        weights.append(min(len(lit), len(dark)))
    guess = sun_to_sky(elevation_deg)
    if not found:
        told = (
            "no surface shows both sun and shade, so sun to sky is taken from a table"
            f" ({guess:.1f} to 1)"
        )
        return np.full(3, guess), False, [told]
    order = np.array(weights, float)
    warnings = []
    values = np.array(found)
    if _median(values @ Y_WEIGHTS, order) < CONTRADICTS * guess:
        warnings.append(
            "predicted shadows contradict the photo: what the model has in the sun is no brighter "
            "there than what it has in the shade; check the time, the place and north, or write "
            'light = "overcast"'
        )
        return np.full(3, guess), False, warnings
    sun = np.array([_median(values[:, channel], order) for channel in range(3)])
    return np.clip(sun, *SUN_BOUNDS), True, warnings


def _medians(which: NDArray[np.intp], *values: Array32) -> list[Array]:
    """The median of each of some values (n, 3) over some pixels."""
    return [np.asarray(np.median(each[which], axis=0), float) for each in values]


def _by_plane(
    planes: NDArray[np.intp], which: NDArray[np.intp]
) -> list[tuple[int, NDArray[np.intp]]]:
    """Some pixels by the plane that they lie in."""
    if not len(which):
        return []
    order = which[np.argsort(planes[which], kind="stable")]
    numbers, starts = np.unique(planes[order], return_index=True)
    return list(zip(numbers.tolist(), np.split(order, starts[1:]), strict=True))


def _median(values: Array, weights: Array) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _reach(shape: tuple[int, int]) -> float:
    return max(2.0, SHADOW_REACH * shape[1])


def _from_edge(clear: Array32, planes: NDArray[np.intp]) -> Array32:
    """How far each pixel is from the edge of a shadow on its own surface [px]."""
    edge = np.zeros(clear.shape, bool)
    for here, beside in ((np.s_[:-1], np.s_[1:]), (np.s_[:, :-1], np.s_[:, 1:])):
        step = (np.abs(clear[here] - clear[beside]) > 0.1) & (planes[here] == planes[beside])
        edge[here] |= step
        edge[beside] |= step
    if not edge.any():
        return np.full(clear.shape, np.inf, np.float32)
    return np.asarray(ndimage.distance_transform_edt(~edge), np.float32)


def _decided(
    photo: Array32, day: Daylight, sun: Array, planes: NDArray[np.intp], plain: Bools
) -> Array32:
    """The share of the sun that is seen, (n,), where near a shadow's edge the photo decides.

    Each surface's own reflectance there is the mean of what its certain pixels around say; what a
    pixel shows is then nearer to that in the sun or to that in the shade. On the line between the two,
    which the sun's disc and the camera blur, it is a mixture of both.
    """
    shape = plain.shape
    clear = day.clear.reshape(shape).copy()
    reach = _reach(shape)
    edge = _from_edge(clear, planes)
    band = plain & (edge <= reach)
    if not band.any():
        return day.clear
    tone = photo @ _Y
    shown, fine = (ndimage.gaussian_filter(tone, width) for width in (1.0, 0.6))
    both = [
        (day.lux(sun, np.full_like(day.clear, share)) @ _Y).reshape(shape) for share in (0.0, 1.0)
    ]
    mixed = np.full(shape, np.nan, np.float32)
    own = tone / np.maximum((day.lux(sun) @ _Y).reshape(shape), 1e-4)
    for plane in np.unique(planes[band]):
        mine = plain & (planes == plane)
        # On a small surface, such as a door's panel, nothing lies far from the edge.
        near = next(
            (r for r in (reach, reach / 2, reach / 4) if (mine & (edge > r)).sum() >= _FEW), 0.0
        )
        if not near:
            continue
        known, asked = (np.flatnonzero(mine & part) for part in (edge > near, edge <= near))
        shaded = day.clear[known] < 0.5
        uneven = _uneven(own.ravel()[known], shaded)
        even = own.ravel()[known] / np.where(shaded, uneven, 1.0).astype(np.float32)
        base, weight = mean_around(even[:, None], known, asked, shape, near)
        dark, lit = (part.ravel()[asked] * base[:, 0] for part in both)
        dark *= uneven
        usable = (weight > 1e-4) & (dark > 0) & (lit > LEAST_STEP * dark)
        asked, dark, lit = asked[usable], dark[usable], lit[usable]
        value = np.maximum(shown.ravel()[asked], 1e-6)
        clear.ravel()[asked] = value * value > lit * dark
        value = np.maximum(fine.ravel()[asked], 1e-6)
        mixed.ravel()[asked] = np.clip((value - dark) / (lit - dark), 0.0, 1.0)
    told = band & ~np.isnan(mixed)
    sunny = (ndimage.uniform_filter(clear, 9) > 0.5).astype(np.float32)  # without specks
    blurred = _from_edge(np.where(told, sunny, clear), planes) <= BLUR_PX
    clear[told] = np.where(blurred, mixed, sunny)[told]
    return clear.astype(np.float32).ravel()


def _uneven(over: Array32, shaded: Bools) -> np.float32:
    """How much more a surface seems to give back in the shade than in the sun; see ``_even_out``."""
    if min(shaded.sum(), (~shaded).sum()) < _FEW:
        return np.float32(1.0)
    ratio = np.median(over[shaded]) / max(float(np.median(over[~shaded])), 1e-6)
    return np.float32(np.clip(ratio, 1 / MOST_UNEVEN, MOST_UNEVEN))


def _even_out(
    light: Array32,
    photo: Array32,
    clear: Array32,
    sky: tuple[Daylight, Array],
    planes: NDArray[np.intp],
    plain: Bools,
) -> None:
    """Correct the light in the shade, in place, so that a surface gives back as much there as in the sun.

    The sky has clouds and the garden trees that no model holds; the sun is the surer of the two.
    """
    day, sun = sky
    over = photo.reshape(-1, 3) / np.maximum(light, np.float32(1e-3))
    usual = plain.ravel() & (day.toward > 0.1) & (photo.max(axis=2).ravel() < CLIPPED)
    enough = max(_FEW, int(_ENOUGH * len(clear)))
    parts = [np.flatnonzero(usual & kind) for kind in (clear > 0.95, clear < 0.05)]
    lit, dark = (dict(_by_plane(planes.ravel(), part)) for part in parts)
    for plane in lit.keys() & dark.keys():
        if min(len(lit[plane]), len(dark[plane])) >= enough:
            bright, dim = (np.median(over[part[plane]], axis=0) for part in (lit, dark))
            factor = np.clip(dim / np.maximum(bright, 1e-6), 1 / MOST_UNEVEN, MOST_UNEVEN)
            here = np.flatnonzero(planes.ravel() == plane)
            shade = np.where(day.toward[here] > 0, 1 - clear[here], 0)[:, None]
            unlit = day.sky[here] + sun.astype(np.float32) * day.passed[here]
            light[here] += (shade * unlit * (factor - 1)).astype(np.float32)


# --- the reference --------------------------------------------------------------------------------


def _scale(
    photo: Array32, over: Array32, pixels: Pixels, plain: Bools, anchor: Anchor | None
) -> tuple[float, list[str]]:
    """Reflectance over what the photo over its daylight says, and warnings."""
    height, width = plain.shape
    if anchor is None:
        own = pixels.solid.reflectance() @ _Y
        which = np.flatnonzero(plain.ravel() & (photo.max(axis=2).ravel() < CLIPPED))
        if not len(which):
            raise NightviewError(
                "photo", "no pixel shows a surface of the model", "check the marks"
            )
        ratio = np.log(own[which]) - np.log(np.maximum(over[which] @ _Y, 1e-6))
        return float(np.exp(np.median(ratio))), [
            "no reference surface is marked: brightness is scaled by the model's own materials"
        ]
    if not (0 <= anchor.column < width and 0 <= anchor.row < height):
        raise NightviewError(
            "reference: pixel", f"{anchor.column}, {anchor.row} lies outside the picture",
            f"it has {width} x {height} pixels",
        )  # fmt: skip
    rows = slice(max(0, anchor.row - anchor.reach_px), anchor.row + anchor.reach_px + 1)
    columns = slice(max(0, anchor.column - anchor.reach_px), anchor.column + anchor.reach_px + 1)
    here = photo[rows, columns]
    if np.mean(here.max(axis=2) >= CLIPPED) > 0.1:
        raise NightviewError(
            "reference: pixel", "this place is burnt out in the photo, so it says nothing",
            "mark a matte surface that is not white in the photo",
        )  # fmt: skip
    number = pixels.solid.surface.reshape(plain.shape)[anchor.row, anchor.column]
    if number < 0 or not plain[anchor.row, anchor.column]:
        raise NightviewError(
            "reference: pixel", "the model has no matte surface at this place",
            "mark a wall, a path or a door that the model has",
        )  # fmt: skip
    owner = pixels.solid.geometry.surfaces[number].owner
    owners = {one.owner for one in pixels.solid.geometry.surfaces}
    if anchor.surface is not None and anchor.surface not in owners:
        raise NightviewError(
            "reference: surface", f'"{anchor.surface}" is nothing that the model has',
            choice(anchor.surface, sorted(owners), "there are"),
        )  # fmt: skip
    warnings = []
    if anchor.surface is not None and anchor.surface != owner:
        warnings.append(
            f'the reference is marked on "{anchor.surface}", but the model has "{owner}" there'
        )
    values = (over @ _Y).reshape(plain.shape)[rows, columns][plain[rows, columns]]
    return float(anchor.reflectance / max(np.mean(values), 1e-6)), warnings
