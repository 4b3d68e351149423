"""The working view: the scene in plain even daylight, to see what stands where. It measures nothing."""

from __future__ import annotations

import numpy as np

from nightview.lamps.colour import rgb_of_cct
from nightview.light.field import Light, LightField
from nightview.light.rays import Array32
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.exposure import luminance_of_ev100
from nightview.picture.tone import WHITE_K
from nightview.site.surface import Array, Patch, unit

DAY_EV100 = 8.0
SUN = unit([-0.45, -0.75, 0.85])
"""The way to where most light comes from: over the left shoulder of who stands before the front."""
EVEN = 0.45
"""Share of the light that comes from all sides, more from above."""
SKY_SHARE = 1.6
GLASS = 0.12


def daylight(field: LightField) -> Light:
    """Even light from over the viewer's shoulder on all surfaces, without shadows."""
    site = field.site
    lux = float(np.pi * luminance_of_ev100(DAY_EV100) / 0.18) * rgb_of_cct(WHITE_K)
    patches: list[Array32 | None] = []
    toward: list[Array32 | None] = []
    for number, patch in enumerate(site.patches):
        nu, nv = patch.counts(field.levels[number])
        if field.layout.patch_rows[number] is None:
            patches.append(None)
            toward.append(None)
            continue
        normal, way = _facing(patch, nu, nv)
        light = _shade(normal)[..., None] * lux
        patches.append(np.broadcast_to(light, (nv, nu, 3)).astype(np.float32))
        toward.append(np.broadcast_to(way, (nv, nu, 3)).astype(np.float32))
    crowns = [
        np.stack([_shade(c.normal), _shade(-c.normal)], axis=1)[..., None].astype(np.float32)
        * lux.astype(np.float32)
        for c in site.crowns
    ]
    meshes, bodies = (
        [(_shade(mesh.normals)[:, None] * lux).astype(np.float32) for mesh in group]
        for group in (site.meshes, site.bodies)
    )
    rows = np.zeros_like(field.sky)
    return Light(field, field.designed, patches, toward, crowns, meshes, bodies, rows)


def draw_day(canvas: Canvas, light: Light, camera: Camera) -> Array32:
    """The day-lit scene, (h, w, 3) [cd/m²]; the canvas is given that light."""
    canvas.show(light)
    samples = canvas.draw(camera, 2, band_pixels=4 * camera.width * camera.height)
    grey = luminance_of_ev100(DAY_EV100) / 0.18 * rgb_of_cct(WHITE_K)
    cover = samples[..., 3:]
    shown = np.where(samples[..., :1] < 0, (GLASS * grey).astype(np.float32), samples[..., :3])
    shown = shown * cover + (1 - cover) * (SKY_SHARE * grey).astype(np.float32)
    height, width = camera.height, camera.width
    mean: Array32 = shown.reshape(height, 2, width, 2, 3).mean(axis=(1, 3), dtype=np.float32)
    return mean


def _shade(normal: Array | Array32) -> Array:
    """Share of the daylight on surfaces with normals (…, 3)."""
    sun = np.maximum(normal @ SUN, 0.0)
    found: Array = EVEN * (0.7 + 0.3 * normal[..., 2]) + (1 - EVEN) * sun
    return found


def _facing(patch: Patch, nu: int, nv: int) -> tuple[Array, Array]:
    """A patch's normals and the way to the light along (u, v, normal), as far as relief shows it."""
    if patch.tube:
        u, v = np.linspace(0, patch.size[0], nu), np.linspace(0, patch.size[1], nv)
        _, normal = patch.place(*np.meshgrid(u, v))
        return normal, np.zeros(3)
    local = np.array([SUN @ patch.eu, SUN @ patch.ev, max(float(SUN @ patch.normal), 0.0)])
    share = (1 - EVEN) * (local[2] > 0)
    return patch.normal, share * local
