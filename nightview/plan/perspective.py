"""Beams in space: translucent cones in the lamps' colours over the site as it stands by day.

One ray a sample finds what is seen; plants are drawn half clear, so that beams in them show. The
cones are thin shells, denser where seen edge-on, laid over the day-lit picture from the eye
outwards; what they fall on is tinted. This is a picture to work from, not of light: nothing here
is in cd/m².
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nightview.light.rays import Array32, Tracer
from nightview.picture.camera import Camera
from nightview.plan import symbols
from nightview.plan.beams import TURNS, Beam, Beams, Rays, normals_of, surfaces_of
from nightview.plan.drawing import (
    LABEL,
    Drawing,
    Mark,
    Raster,
    cut,
    width_of,
)
from nightview.plan.features import colour_of
from nightview.plan.labels import Request, place
from nightview.site.surface import Array, Mesh, unit

SAMPLES_PX = ((-0.125, -0.375), (0.375, -0.125), (0.125, 0.375), (-0.375, 0.125))
SUN = unit([-0.45, -0.65, 0.9])
"""Where the day's light comes from: over the left shoulder of one who faces the front."""
BRIGHT = 1.06
"""Ours, by eye: pale paving in the sun comes out just under white."""
PLANT_COVER, PLANT_TONE = 0.5, 0.6
PLANT_TINGE = np.array([0.92, 1.0, 0.88])
"""How much of what is behind them plants hide, and how light and how green they are."""
SHELL, LEAST_FACING = 0.1, 0.12
"""Depth of a cone's wall seen square on; seen edge-on it is deeper, up to 1/0.12 times."""
TINT = 0.45
"""How far what is lit takes on the lamp's colour."""
LAYERS = 24
"""So many cone walls are followed along a sample."""
DPI = 100.0
BAND_PIXELS, SEAM_PX = 1 << 21, 2
"""A picture is made in bands of so many pixels, each drawn this much beyond its edges."""
HIGH_DEG, TURN_DEG, OVERVIEW_FOV_DEG = 33.0, 22.0, 45.0
"""The overview looks down by the one, from so far to the right of the front's middle."""
FILLED, FITTINGS = 0.8, 12
"""Share of the overview that the lamps and their beams take; steps to get there."""


@dataclass(frozen=True, eq=False)
class Seen:
    """What one sample of every pixel meets, n pixels in rows. distance : inf for the sky."""

    start: Array
    ways: Array32
    distance: Array32
    normal: Array
    points: Array


HOUSE_M = 7.0
"""So much of a lit house about its lamps is in sight."""


def overview(rays: Rays, beams: Sequence[Beams], size: tuple[int, int]) -> Camera:
    """A camera from before the house and above that has all lamps and their beams in sight."""
    site = rays.site
    points = [lamp.position for lamp in site.fixtures]
    points += [end for own in beams for beam in own for end in beam.ends]
    lit = {fixture.block for fixture in site.scene.fixtures if fixture.block}
    lamps = np.array([lamp.position for lamp in site.fixtures]).reshape(-1, 3)
    points += [
        corner
        for patch in site.patches
        if patch.owner in lit and patch.tube is None
        for corner in patch.triangles[0]
        if np.linalg.norm(lamps - corner, axis=1).min(initial=np.inf) < HOUSE_M
    ]
    if not points:
        points = list(site.bounds)
    spots = np.array(points)
    target = (spots.min(axis=0) + spots.max(axis=0)) / 2
    turn, high = np.radians(TURN_DEG), np.radians(HIGH_DEG)
    out = np.array([np.sin(turn) * np.cos(high), -np.cos(turn) * np.cos(high), np.sin(high)])
    away = 4.0 * float(np.linalg.norm(spots - target, axis=1).max()) + 4.0
    for _ in range(FITTINGS):  # centred, and as near as leaves a margin
        camera = Camera(target + away * out, target, OVERVIEW_FOV_DEG, *size)
        places, _depth = camera.project(spots)
        low, high_px = places.min(axis=0), places.max(axis=0)
        off = (low + high_px) / 2 - np.array(size) / 2
        right, up, _ahead = camera.axes
        target = target + away * camera.pixel_tan * (off[0] * right - off[1] * up)
        away = max(away * float(((high_px - low) / size).max()) / FILLED, 4.0)
    return Camera(target + away * out, target, OVERVIEW_FOV_DEG, *size)


def perspective(
    rays: Rays, beams: Sequence[Beams], camera: Camera,
    report: Callable[[int, int, str], None] = lambda *_: None,
) -> NDArray[np.uint8]:  # fmt: skip
    """The day-lit site with its beams: (h, w, 3) uint8 sRGB."""
    found = [beam for own in beams for beam in own]
    shells = _shells(rays, found)
    codes = np.empty((camera.height, camera.width, 3), np.uint8)
    step = max(1, BAND_PIXELS // camera.width)
    tops = range(0, camera.height, step)
    for done, top in enumerate(tops):
        low, high = max(top - SEAM_PX, 0), min(top + step + SEAM_PX, camera.height)
        total = np.zeros((high - low, camera.width, 3))
        for number, (x, y) in enumerate(SAMPLES_PX):
            total += _sample(rays, found, shells, camera, (low, high), x, y)
            report(done * len(SAMPLES_PX) + number + 1, len(tops) * len(SAMPLES_PX), "")
        mean = total[top - low : top - low + step] / len(SAMPLES_PX)
        codes[top : top + step] = np.rint(255 * np.clip(mean, 0, 1))
    return codes


def _sample(
    rays: Rays, beams: list[Beam], shells: Tracer, camera: Camera, rows: tuple[int, int],
    x: float, y: float,
) -> Array:  # fmt: skip
    """One sample of every pixel of some rows, (h, w, 3) in the screen's code: overlays mix as on
    paper."""
    across, down = np.meshgrid(np.arange(camera.width) + 0.5, np.arange(*rows) + 0.5)
    shape = across.shape
    ways = camera.ways(across + x, down + y).reshape(-1, 3)
    start = np.broadcast_to(camera.eye.astype(np.float32), ways.shape).copy()
    hits = rays.solid.first(start, ways)
    met = hits.triangle >= 0
    distance = np.where(met, hits.distance, np.inf).astype(np.float32)
    normal = normals_of(rays.solid, hits.triangle)
    normal *= -np.sign((normal * ways).sum(axis=1, keepdims=True))
    points = camera.eye + np.where(met, hits.distance, 0.0)[:, None] * ways
    seen = Seen(camera.eye, ways, distance, normal, points)
    colour = _day(rays, seen, surfaces_of(rays.solid, hits.triangle), met)
    colour = _lined(colour, seen, shape)
    for beam in beams:
        window = _window(beam, camera, rows, shape)
        colour[window] *= 1 - TINT * (1 - _codes(beam)) * _lit(beam, rays, seen, window)[:, None]
    plant = rays.plants.first(start, ways)
    before = (plant.triangle >= 0) & (plant.distance < distance)
    if before.any():
        facing = normals_of(rays.plants, plant.triangle[before])
        tone = PLANT_TONE + 0.16 * np.abs(facing @ SUN)
        colour[before] += PLANT_COVER * (tone[:, None] * PLANT_TINGE - colour[before])
    return _veiled(colour, shells, beams, seen).reshape(*shape, 3)


# --- the site by day ------------------------------------------------------------------------------


def _day(rays: Rays, seen: Seen, surface: NDArray[np.int32], met: NDArray[np.bool_]) -> Array:
    """Matte grey by how bright each material is, from the sky above and a sun with its shadows."""
    site = rays.site
    kinds = [site.materials[item.material].rgb for item in rays.bare.surfaces]
    greys = np.array([0.74 + 0.28 * np.sqrt(np.mean(rgb)) for rgb in kinds] or [0.8])
    base = greys[surface]
    sun = np.maximum(seen.normal @ SUN, 0.0)
    lit = np.zeros(len(base), bool)
    turned = np.flatnonzero(met & (sun > 0))
    from_m = (seen.points[turned] + 2e-3 * seen.normal[turned]).astype(np.float32)
    lit[turned] = ~rays.every.blocked(from_m, (from_m + 300.0 * SUN).astype(np.float32))
    shade = 0.66 + 0.1 * seen.normal[:, 2] + np.where(lit, 0.3 * sun, 0.0)
    grey = np.clip(base * shade * BRIGHT, 0, 1)
    sky = 0.93 + 0.06 * np.clip(1 - 3 * seen.ways[:, 2], 0, 1)
    return np.where(met, grey, sky)[:, None] * np.ones(3)


def _lined(colour: Array, seen: Seen, shape: tuple[int, ...]) -> Array:
    """Edges of things as thin dark lines: where depth or facing steps from pixel to pixel."""
    near = (1.0 / seen.distance).reshape(shape)  # level across a plane, 0 in the sky
    facing = seen.normal.reshape(*shape, 3)
    edge = np.zeros(shape, bool)
    for axis in (0, 1):
        bend = np.abs(np.diff(near, 2, axis=axis))
        middle = near[1:-1] if axis == 0 else near[:, 1:-1]
        stepped = bend > 0.03 * np.maximum(middle, 2e-3)
        turned = (facing[1:] * facing[:-1]).sum(-1) if axis == 0 else \
            (facing[:, 1:] * facing[:, :-1]).sum(-1)  # fmt: skip
        if axis == 0:
            edge[1:-1] |= stepped
            edge[1:] |= (turned < 0.8) & (near[1:] > 0) & (near[:-1] > 0)
        else:
            edge[:, 1:-1] |= stepped
            edge[:, 1:] |= (turned < 0.8) & (near[:, 1:] > 0) & (near[:, :-1] > 0)
    return np.where(edge.reshape(-1, 1), 0.55 * colour, colour)


# --- beams ----------------------------------------------------------------------------------------


def _codes(beam: Beam) -> Array:
    """A lamp's colour in the screen's code, (3,); a little stronger than it is, to tell on grey."""
    text = colour_of(beam.lamp.cct_k)
    code = np.array([int(text[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return code**1.5


def _shells(rays: Rays, beams: Sequence[Beam]) -> Tracer:
    """The walls of all cones, for rays: one mesh a beam."""
    k = np.arange(TURNS)
    faces = np.stack([np.zeros(TURNS, int), 1 + k, 1 + (k + 1) % TURNS], axis=1).astype(np.int32)
    meshes = []
    for beam in beams:
        points = np.vstack([beam.start, beam.ends])
        meshes.append(Mesh(beam.lamp.id, "", "", points, points, faces, points))
    return Tracer(replace(rays.site.geometry, patches=(), crowns=(), meshes=tuple(meshes)))


def _veiled(colour: Array, shells: Tracer, beams: Sequence[Beam], seen: Seen) -> Array:
    """The cones' walls laid over what lies behind, from the eye outwards."""
    left = np.ones(len(colour))
    over = np.zeros_like(colour)
    active = np.arange(len(colour))
    gone = np.zeros(len(colour), np.float32)
    codes = np.array([_codes(beam) for beam in beams]).reshape(-1, 3)
    for _ in range(LAYERS):
        ways = seen.ways[active]
        hits = shells.first((seen.start + gone[active, None] * ways).astype(np.float32), ways)
        gone[active] += hits.distance + 1e-3
        kept = (hits.triangle >= 0) & (gone[active] < seen.distance[active])
        active, triangle = active[kept], hits.triangle[kept]
        if not len(active):
            break
        facing = np.abs((normals_of(shells, triangle) * seen.ways[active]).sum(axis=1))
        hides = 1 - np.exp(-SHELL / np.maximum(facing, LEAST_FACING))
        over[active] += (left[active] * hides)[:, None] * codes[shells.surface[triangle]]
        left[active] *= 1 - hides
    return over + left[:, None] * colour


def _lit(beam: Beam, rays: Rays, seen: Seen, window: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which of the pixels in a window see a beam's half peak on what they show."""
    toward = seen.points[window] - beam.start
    away = np.linalg.norm(toward, axis=1)
    along = toward @ beam.lamp.axis
    lit = np.isfinite(seen.distance[window]) & (away < beam.reach_m)
    lit &= along > np.cos(beam.half_rad.max()) * away
    lit &= (seen.normal[window] * toward).sum(axis=1) < 0
    left = np.flatnonzero(lit)
    second = np.cross(beam.lamp.axis, beam.lamp.reference)
    turn = np.arctan2(toward[left] @ second, toward[left] @ beam.lamp.reference) % (2 * np.pi)
    round_once = np.linspace(0, 2 * np.pi, TURNS + 1)
    half = np.interp(turn, round_once, [*beam.half_rad, beam.half_rad[0]])
    lit[left] = along[left] > np.cos(half) * away[left]
    left = np.flatnonzero(lit)
    if len(left):
        off = seen.points[window[left]] + 2e-3 * seen.normal[window[left]]
        lit[left] = ~rays.every.blocked(off.astype(np.float32), beam.start.astype(np.float32))
    return lit


def _window(
    beam: Beam, camera: Camera, rows: tuple[int, int], shape: tuple[int, ...]
) -> NDArray[np.intp]:
    """The pixels of some rows that a beam's light can fall in; all where that is not plain."""
    everything = np.arange(shape[0] * shape[1])
    if beam.half_rad.max() > np.radians(80.0):
        return everything
    # A cone cut off square at its reach holds the light, which ends at that distance all round.
    far = beam.start + beam.reach_m / np.cos(beam.half_rad)[:, None] * beam.edge
    places, depth = camera.project(np.vstack([beam.start, far]))
    if depth.min() < 0.5:
        return everything
    low = np.maximum(np.floor(places.min(axis=0)) - 2 - [0, rows[0]], 0).astype(int)
    high = np.maximum(np.ceil(places.max(axis=0)) + 2 - [0, rows[0]], 0).astype(int)
    return everything.reshape(shape[:2])[low[1] : high[1], low[0] : high[0]].ravel()


# --- the finished picture -------------------------------------------------------------------------


def labelled(rays: Rays, pixels: NDArray[np.uint8], camera: Camera, low_px: int) -> Drawing:
    """The picture with every lamp in it named; a lamp that something hides has a hollow dot.

    low_px : height of a strip at the lower edge that names keep clear of.
    """
    mm = 25.4 / DPI
    width, height = camera.width * mm, camera.height * mm
    marks: list[Mark] = [Raster(pixels, (0, 0, width, height))]
    requests, names, dots = [], [], []
    for lamp in rays.site.fixtures:
        (place_px,), (depth,) = camera.project(lamp.position[None])
        x, y = place_px[0] * mm, height - place_px[1] * mm
        if depth < 0.1 or not (1 < x < width - 1 and low_px * mm + 1 < y < height - 1):
            continue
        eye = camera.eye.astype(np.float32)[None]
        near = lamp.position + 0.05 * unit(camera.eye - lamp.position)
        hidden = bool(rays.solid.blocked(eye, near.astype(np.float32)[None])[0])
        name = cut(lamp.id, LABEL, 0.3 * width, True)
        size = (width_of(name, LABEL, True) + 0.6, 2.9)
        requests.append(Request((float(x), float(y)), size, 1.0))
        names.append(name)
        dots.append((float(x), float(y), hidden))
    frame = (0.5, low_px * mm + 0.5, width - 0.5, height - 0.5)
    for name, found in zip(names, place(requests, frame), strict=True):
        if found is None:
            continue
        marks += symbols.label(found, name, LABEL, 0.2, bold=True, name=f"label {name}")
    for x, y, hidden in dots:
        marks.append(symbols.dot(x, y, hidden))
    return Drawing(width, height, "beams", tuple(marks))
