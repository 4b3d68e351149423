"""Glass and water: the mirror image of the lit scene by Fresnel, over a dark or glowing inside."""

from __future__ import annotations

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.light.field import Light
from nightview.light.gather import ambient_lx
from nightview.light.lookup import bilinear, luminance_of_hits
from nightview.light.rays import Array32
from nightview.light.source import moon_of
from nightview.picture.camera import Camera
from nightview.picture.sky import drawn_sky
from nightview.scene.model import Opening, Pond
from nightview.site.build import Site
from nightview.site.surface import Array, Patch

GLASS_INDEX, WATER_INDEX = 1.52, 1.33
PANE_AT_NORMAL = 0.082
"""What a pane mirrors at normal incidence, 2F/(1 + F) with F = 4.26 %."""
_MEAN_SHAPE = 0.943
"""Mean of a glowing pane's shape (erf of its two Gaussians; the folds have mean 0)."""
DARK_ROOM_CD_M2 = 0.002
"""A room with no lamp on, lit by what strays in [our choice]."""
_SLOPE = 0.035
"""Slope of each wave in a breeze [our choice]."""
_WAVES = tuple(
    (0.25 + 0.22 * k, np.array([np.cos(2.4 * k + 0.3), np.sin(2.4 * k + 0.3)]), 1.7 * k)
    for k in range(6)
)
"""Length [m], direction and phase of the waves on water."""


def fresnel(cosine: Array32, index: float) -> Array32:
    """Share of unpolarised light that one clear face mirrors (Fresnel's equations)."""
    inside = np.sqrt(np.maximum(1 - (1 - cosine**2) / index**2, 0.0))
    s = (cosine - index * inside) / (cosine + index * inside)
    p = (index * cosine - inside) / (index * cosine + inside)
    return (0.5 * (s * s + p * p)).astype(np.float32)


def pane(cosine: Array32) -> Array32:
    """Share that a pane of two faces mirrors: 2F/(1 + F), 8.2 % at normal for n = 1.52."""
    face = fresnel(cosine, GLASS_INDEX)
    return 2 * face / (1 + face)


def fill_mirrors(frame: Array32, camera: Camera, scale: int, light: Light) -> None:
    """Replace the marks in a drawn frame (h, w, 4) by what glass and water show, in place."""
    rows, columns = np.nonzero(frame[..., 0] < -0.5)
    if not len(rows):
        return
    marks = frame[rows, columns]
    number = np.rint(-marks[:, 0] - 1).astype(np.int32)
    ways = camera.ways((columns + 0.5) / scale, (rows + 0.5) / scale)
    shown = np.zeros((len(rows), 3), np.float32)
    for patch_number in np.unique(number):
        here = number == patch_number
        shown[here] = _one(int(patch_number), marks[here, 1:3], ways[here], light)
    frame[rows, columns, :3] = shown


def _one(number: int, uv: Array32, ways: Array32, light: Light) -> Array32:
    site = light.field.site
    patch = site.patches[number]
    points, _ = patch.place(uv[:, 0].astype(float), uv[:, 1].astype(float))
    normal = np.broadcast_to(patch.normal.astype(np.float32), ways.shape)
    if patch.kind == "water":
        normal = _ripples(points, pond_of(site, patch))
    facing = -np.einsum("ij,ij->i", ways, normal)
    flip = np.where(facing < 0, -1.0, 1.0).astype(np.float32)
    normal, facing = normal * flip[:, None], np.abs(facing)
    mirrored = ways + 2 * facing[:, None] * normal
    seen = luminance_along(light, (points + 0.002 * patch.normal).astype(np.float32), mirrored)
    if patch.kind == "water":
        share = fresnel(facing, WATER_INDEX)[:, None]
        below = site.materials[patch.material].per_lux
        own = light.patches[number]
        assert own is not None
        return share * seen + (1 - share) * bilinear(own, uv, patch.size) * below
    opening = _opening_of(light, number)
    share = pane(facing)[:, None]
    return share * seen + (1 - share) * _room(opening, uv, patch.size, light)


def _room(opening: Opening, uv: Array32, size: tuple[float, float], light: Light) -> Array32:
    """What shows through the glass: a curtained glow, brighter in the middle, or a dark room."""
    u, v = uv[:, 0] / size[0], uv[:, 1] / size[1]
    if opening.glow_cd_m2 <= 0:
        # What little there is comes in from outside.
        return np.full((len(uv), 3), DARK_ROOM_CD_M2 * light.state.sky, np.float32)
    own = rgb_of_cct(opening.glow_cct_k)
    weight = light.state.weight_of(opening.name, "windows", own)
    # Curtains at both sides and a lamp low in the room; the mean over the pane stays the glow.
    fold = 1 + 0.10 * np.sin(u * size[0] * 42.0) * np.exp(-((np.minimum(u, 1 - u) / 0.18) ** 2))
    shape = (0.75 + 0.5 * np.exp(-(((u - 0.5) / 0.35) ** 2) - ((v - 0.55) / 0.4) ** 2)) * fold
    return (opening.glow_cd_m2 / _MEAN_SHAPE * shape[:, None] * weight).astype(np.float32)


def pond_of(site: Site, patch: Patch) -> Pond:
    """The pond that a patch of water belongs to."""
    return next(pond for pond in site.scene.ponds if pond.name == patch.owner)


def slopes(points: Array, pond: Pond) -> Array:
    """Slope (n, 2) of a pond's slightly moved surface at points (n, 2 or 3): crossing waves."""
    slope = np.zeros((len(points), 2))
    for length, way, phase in _WAVES:
        turn = 2 * np.pi * (points[:, :2] @ way) / length + phase
        slope += (_SLOPE * pond.ripple * np.cos(turn))[:, None] * way
    return slope


def steepest(pond: Pond) -> float:
    """The steepest slope that a pond's surface may have anywhere."""
    return _SLOPE * pond.ripple * len(_WAVES)


def most_bent(pond: Pond) -> float:
    """How fast the slope of a pond's surface may change at most [1/m]."""
    return _SLOPE * pond.ripple * float(sum(2 * np.pi / length for length, _, _ in _WAVES))


def _ripples(points: np.ndarray, pond: Pond) -> Array32:
    """Normals of a slightly moved surface, (n, 3)."""
    normal = np.column_stack([-slopes(points, pond), np.ones(len(points))])
    return (normal / np.linalg.norm(normal, axis=1, keepdims=True)).astype(np.float32)


def luminance_along(light: Light, origins: Array32, ways: Array32) -> Array32:
    """What is seen from origins (n, 3) along unit ways (n, 3): luminance (n, 3) [cd/m² RGB]."""
    field = light.field
    site = field.site
    hits = field.tracer.first(origins, ways)
    shown = luminance_of_hits(light, hits)
    missed = hits.triangle < 0
    if missed.any():
        sky = drawn_sky(ways[missed], site.scene.site.surroundings, ambient_lx(site), moon_of(site))
        shown[missed] = sky * np.float32(light.state.sky)
    hit = np.flatnonzero(~missed)
    surface = field.tracer.surface[hits.triangle[hit]]
    for number in np.unique(surface):
        if number < len(site.patches) and site.patches[number].kind == "glass":
            # A pane in a mirror shows its room; what it mirrors in turn is left out.
            which = hit[surface == number]
            uv = field.tracer.patch_uv(hits.triangle[which], hits.u[which], hits.v[which])
            opening = _opening_of(light, int(number))
            room = _room(opening, uv, site.patches[number].size, light)
            shown[which] = (1 - PANE_AT_NORMAL) * room
    return shown


def _opening_of(light: Light, number: int) -> Opening:
    scene = light.field.site.scene
    name = light.field.site.patches[number].opening
    return next(item for item in scene.openings if item.name == name)
