"""What a ray sees on the surfaces, and light at any point, evaluated and not read off a grid."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from nightview.light.direct import LIFT_M, light_on_points
from nightview.light.field import Light, LightField
from nightview.light.gather import hemisphere_rays, sky_along
from nightview.light.rays import Array32, Hits
from nightview.light.source import Source
from nightview.site.surface import Array, Ints

POINT_RAYS = 32
"""Shadow rays an exact point sends to each point of a source."""
RAYS_AT_ONCE = 1 << 18
"""So many rays of points together: enough to keep all cores busy, few enough for any memory."""


def luminance_of_hits(light: Light, hits: Hits) -> Array32:
    """Luminance where rays ended, (n, 3) [cd/m² RGB]; 0 for none, a patch's back, and glass."""
    site, tracer = light.field.site, light.field.tracer
    shown = np.zeros((len(hits.triangle), 3), np.float32)
    hit = np.flatnonzero(hits.triangle >= 0)
    n_patches, n_crowns = len(site.patches), len(site.crowns)
    for number, which in _by_surface(tracer.surface[hits.triangle[hit]], hit):
        own = hits.triangle[which]
        if number < n_patches:
            patch, values = site.patches[number], light.patches[number]
            if values is None:
                continue
            per_lux = site.materials[patch.material].per_lux
            uv = tracer.patch_uv(own, hits.u[which], hits.v[which])
            front = (hits.facing[which] < 0)[:, None]
            shown[which] = bilinear(values, uv, patch.size) * per_lux * front
        elif number < n_patches + n_crowns:
            leaves, met = np.unique(tracer.local[own], return_inverse=True)
            sides = leaf_luminance(light, number - n_patches, leaves)
            side = (hits.facing[which] > 0).astype(int)
            shown[which] = sides[met, side]
        else:
            k = number - n_patches - n_crowns
            mesh = site.meshes[k]
            per_lux = site.materials[mesh.material].per_lux
            corners = mesh.faces[tracer.local[own]]
            u, v = hits.u[which][:, None], hits.v[which][:, None]
            a, b, c = (light.meshes[k][corners[:, i]] for i in range(3))
            shown[which] = (a * (1 - u - v) + b * u + c * v) * per_lux
    return shown


def _by_surface(surface: Ints, hit: NDArray[np.intp]) -> Iterator[tuple[int, NDArray[np.intp]]]:
    """Each surface that is met, and which of the rays hit (n,) met it."""
    if not len(hit):
        return
    order = np.argsort(surface, kind="stable")
    numbers, starts = np.unique(surface[order], return_index=True)
    yield from zip(numbers.tolist(), np.split(hit[order], starts[1:]), strict=True)


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


def leaf_luminance(light: Light, number: int, which: Ints | slice = slice(None)) -> Array32:
    """Luminance of the front and back of leaves of a crown, (n, 2, 3) [cd/m² RGB].

    which : the leaves by number; by default all.
    """
    site = light.field.site
    crown = site.crowns[number]
    spec = site.materials[crown.material]
    reflects = np.asarray(spec.rgb, np.float32)
    transmits = np.asarray(spec.transmits_rgb or (0, 0, 0), np.float32)
    here = light.crowns[number][which]
    tone = crown.tone[which, None, None] / np.float32(np.pi)
    return (here * reflects + here[:, ::-1] * transmits) * tone


# --- light at points ------------------------------------------------------------------------------


def at_points(light: Light, points: Array, normals: Array, rays: int = 1024) -> tuple[Array, Array]:
    """Light at any points, not read off the maps.

    points, normals : (n, 3) [m]; normals of unit length. Returns direct and total illuminance,
    each (n, 3) as linear RGB whose Y is lux.
    """
    points, normals = np.asarray(points, float), np.asarray(normals, float)
    direct = np.zeros((len(points), 3))
    for part in light.field.sources:
        weight = light.state.weight(part.source)
        if weight.any():
            direct += direct_at(light.field, part.source, points, normals)[:, None] * weight
    return direct, direct + around(light, points, normals, rays)


def around(light: Light, points: Array, normals: Array, rays: int = 1024, first: int = 0) -> Array:
    """Light that comes to points (n, 3) from other surfaces and from the sky, (n, 3) [lx RGB].

    rays : a point, cosine-weighted. first : the number of the first point; numbers near each other
    have sets of rays that are turned against each other.
    """
    total = np.zeros((len(points), 3))
    lot = max(1, RAYS_AT_ONCE // rays)
    for start in range(0, len(points), lot):
        which = np.arange(start, min(start + lot, len(points)))
        place, facing = points[which], normals[which]
        ways = hemisphere_rays(facing, rays, first + which).reshape(-1, 3)
        origins = np.repeat((place + LIFT_M * facing).astype(np.float32), rays, axis=0)
        hits = light.field.tracer.first(origins, ways)
        radiance = luminance_of_hits(light, hits)
        missed = hits.triangle < 0
        if missed.any():
            radiance[missed] = light.state.sky * sky_along(light.field.site, ways[missed])
        total[which] = np.pi * radiance.reshape(-1, rays, 3).mean(axis=1)
    return total


def direct_at(field: LightField, source: Source, points: Array, normals: Array) -> Array:
    """Direct light of a source at full power on points (n, 3), soft shadows included: (n,) [lx]."""
    total = np.zeros(len(points))
    for position in source.positions:
        # Near a pane its spots differ much, so each is weighed by itself; those of a lens do not.
        if source.pane_m[0] > 0:
            lights = spots = source.near_points(position, 0.0)
        else:
            lights, spots = position[None], source.lens_points(position, POINT_RAYS)
        lot = max(1, RAYS_AT_ONCE // len(spots))
        for start in range(0, len(points), lot):
            some = slice(start, start + lot)
            total[some] += _from_spots(field, source, lights, spots, points[some], normals[some])
    return total


def _from_spots(
    field: LightField, source: Source, lights: Array, spots: Array, points: Array, normals: Array
) -> Array:
    """Light on points (n, 3) from lights (k or 1, 3) that share the power, each seen or not from
    its spot or, if there is one alone, by the share of spots (k, 3) that are seen; (n,) [lx]."""
    n, k = len(points), len(lights)
    where, facing = (np.repeat(a.astype(np.float32), k, axis=0) for a in (points, normals))
    light, _ = light_on_points(where, facing, source, np.tile(lights, (n, 1)))
    light = light.reshape(n, k)
    lit = np.broadcast_to(light > 0, (n, len(spots)))
    point, spot = np.nonzero(lit)
    starts, ends = (points + LIFT_M * normals).astype(np.float32), spots.astype(np.float32)
    clear = np.zeros(lit.shape)
    clear[point, spot] = ~field.tracer.blocked(starts[point], ends[spot])
    return (light * clear).mean(axis=1)
