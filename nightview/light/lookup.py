"""What a ray sees on the surfaces, and light at any point, evaluated and not read off a grid."""

from __future__ import annotations

import numpy as np

from nightview.light.direct import LIFT_M, light_on_points
from nightview.light.field import Light, LightField
from nightview.light.gather import hemisphere_rays, sky_along
from nightview.light.rays import Array32, Hits
from nightview.light.source import Source
from nightview.site.surface import Array

POINT_RAYS = 32
"""Shadow rays an exact point sends to each point of a source."""


def luminance_of_hits(light: Light, hits: Hits) -> Array32:
    """Luminance where rays ended, (n, 3) [cd/m² RGB]; 0 for none, a patch's back, and glass."""
    site, tracer = light.field.site, light.field.tracer
    shown = np.zeros((len(hits.triangle), 3), np.float32)
    hit = np.flatnonzero(hits.triangle >= 0)
    triangle = hits.triangle[hit]
    surface = tracer.surface[triangle]
    n_patches, n_crowns = len(site.patches), len(site.crowns)
    for number in np.unique(surface):
        here = surface == number
        which, own = hit[here], triangle[here]
        if number < n_patches:
            patch, values = site.patches[number], light.patches[number]
            if values is None:
                continue
            per_lux = site.materials[patch.material].per_lux
            uv = tracer.patch_uv(own, hits.u[which], hits.v[which])
            front = (hits.facing[which] < 0)[:, None]
            shown[which] = bilinear(values, uv, patch.size) * per_lux * front
        elif number < n_patches + n_crowns:
            sides = leaf_luminance(light, number - n_patches)
            side = (hits.facing[which] > 0).astype(int)
            shown[which] = sides[tracer.local[own], side]
        else:
            k = number - n_patches - n_crowns
            mesh = site.meshes[k]
            per_lux = site.materials[mesh.material].per_lux
            corners = mesh.faces[tracer.local[own]]
            u, v = hits.u[which][:, None], hits.v[which][:, None]
            a, b, c = (light.meshes[k][corners[:, i]] for i in range(3))
            shown[which] = (a * (1 - u - v) + b * u + c * v) * per_lux
    return shown


def bilinear(values: Array32, uv: Array32, size: tuple[float, float]) -> Array32:
    """A node grid's values (nv, nu, 3) at places (n, 2) of the patch."""
    nv, nu = values.shape[:2]
    x = np.clip(uv[:, 0] / size[0] * (nu - 1), 0, nu - 1)
    y = np.clip(uv[:, 1] / size[1] * (nv - 1), 0, nv - 1)
    i, j = np.minimum(x.astype(int), nu - 2), np.minimum(y.astype(int), nv - 2)
    a, b = (x - i)[:, None].astype(np.float32), (y - j)[:, None].astype(np.float32)
    return (values[j, i] * (1 - a) + values[j, i + 1] * a) * (1 - b) + (
        values[j + 1, i] * (1 - a) + values[j + 1, i + 1] * a
    ) * b


def leaf_luminance(light: Light, number: int) -> Array32:
    """Luminance of the front and back of each leaf of a crown, (n, 2, 3) [cd/m² RGB]."""
    site = light.field.site
    crown = site.crowns[number]
    spec = site.materials[crown.material]
    reflects = np.asarray(spec.rgb, np.float32)
    transmits = np.asarray(spec.transmits_rgb or (0, 0, 0), np.float32)
    here, there = light.crowns[number], light.crowns[number][:, ::-1]
    return (here * reflects + there * transmits) * (crown.tone[:, None, None] / np.float32(np.pi))


def at_points(light: Light, points: Array, normals: Array, rays: int = 1024) -> tuple[Array, Array]:
    """Light at any points, not read off the maps.

    points, normals : (n, 3) [m]; normals of unit length. Returns direct and total illuminance,
    each (n, 3) as linear RGB whose Y is lux.
    """
    field = light.field
    points, normals = np.asarray(points, float), np.asarray(normals, float)
    direct = np.zeros((len(points), 3))
    for part in field.sources:
        weight = light.state.weight(part.source)
        if weight.any():
            direct += direct_at(field, part.source, points, normals)[:, None] * weight
    total = direct.copy()
    for i, (point, normal) in enumerate(zip(points, normals, strict=True)):
        ways = hemisphere_rays(normal[None], rays, np.array([i]))[0]
        count = len(ways)
        origins = np.repeat((point + 0.001 * normal).astype(np.float32)[None], count, axis=0)
        hits = field.tracer.first(origins, ways)
        radiance = luminance_of_hits(light, hits)
        missed = hits.triangle < 0
        if missed.any():
            radiance[missed] = light.state.sky * sky_along(field.site, ways[missed])
        total[i] += np.pi * radiance.mean(axis=0)
    return direct, total


def direct_at(field: LightField, source: Source, points: Array, normals: Array) -> Array:
    """Direct light of a source at full power on points (n, 3), soft shadows included: (n,) [lx]."""
    total = np.zeros(len(points))
    where, facing = points.astype(np.float32), normals.astype(np.float32)
    start = (points + LIFT_M * normals).astype(np.float32)
    for position in source.positions:
        if source.pane_m[0] > 0:  # every spot of it by itself: near a pane they differ much
            spots = source.near_points(position, 0.0)
            for spot in spots:
                light = light_on_points(where, facing, source, spot)[0]
                blocked = field.tracer.blocked(start, spot.astype(np.float32))
                total += light * ~blocked / len(spots)
        else:
            lens = source.lens_points(position, POINT_RAYS).astype(np.float32)
            clear = np.zeros(len(points))
            for spot in lens:
                clear += ~field.tracer.blocked(start, spot)
            total += light_on_points(where, facing, source, position)[0] * clear / len(lens)
    return total
