"""What each pixel shows, by a ray through its middle: the light on it, and where surfaces end.

A drawn frame holds light times material; the light alone is already in the maps, so nothing has to
be drawn again. One ray a pixel keeps edges hard: no value is the mean of two surfaces.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nightview.lamps.colour import Y_WEIGHTS
from nightview.light.field import Light, LightField
from nightview.light.lookup import bilinear
from nightview.light.rays import Hits
from nightview.picture.camera import Camera
from nightview.site.build import Site

Floats = NDArray[np.float32]
_Y = Y_WEIGHTS.astype(np.float32)


def look(field: LightField, camera: Camera) -> Hits:
    """What rays through the middles of all pixels meet first, row by row from the top."""
    y, x = np.mgrid[: camera.height, : camera.width] + 0.5
    ways = camera.ways(x.ravel(), y.ravel())
    eyes = np.broadcast_to(camera.eye.astype(np.float32), ways.shape)
    return field.tracer.first(np.ascontiguousarray(eyes), ways)


def outlines(field: LightField, hits: Hits, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Pixels (h, w) beside which another face begins, but for leaves: a drawing of the scene."""
    site, tracer = field.site, field.tracer
    hit = hits.triangle >= 0
    surface = tracer.surface[hits.triangle[hit]]
    face, leaf = np.full(hit.shape, -1), np.zeros(hit.shape, bool)
    face[hit] = _faces(site)[surface]
    leaf[hit] = (surface >= len(site.patches)) & (surface < len(site.patches) + len(site.crowns))
    face, leaf = face.reshape(shape), leaf.reshape(shape)
    found = np.zeros(shape, bool)
    for here, beside in ((np.s_[:-1], np.s_[1:]), (np.s_[:, :-1], np.s_[:, 1:])):
        found[here] |= (face[here] != face[beside]) & ~leaf[here] & ~leaf[beside]
    return found


def _faces(site: Site) -> NDArray[np.int64]:
    """A number for each surface; patches of one material in one plane have the same."""
    numbers: dict[tuple[object, ...], int] = {}

    def number(key: tuple[object, ...]) -> int:
        return numbers.setdefault(key, len(numbers))

    flat = [
        number((i,))
        if patch.tube
        else number(
            (patch.material, *patch.normal.round(2), float((patch.origin @ patch.normal).round(2)))
        )
        for i, patch in enumerate(site.patches)
    ]
    rest = range(len(site.patches), len(site.patches) + len(site.crowns) + len(site.meshes))
    return np.array([*flat, *(number((i,)) for i in rest)], np.int64)


def illuminance_of_hits(light: Light, hits: Hits) -> Floats:
    """Illuminance where rays ended, (n,) [lx]; on a leaf that of the side one sees.

    NaN where there is no surface to lay a meter on: sky, glass, water, and the back of a patch.
    """
    site, tracer = light.field.site, light.field.tracer
    found = np.full(len(hits.triangle), np.nan, np.float32)
    hit = np.flatnonzero(hits.triangle >= 0)
    triangle = hits.triangle[hit]
    surface = tracer.surface[triangle]
    n_patches, n_crowns = len(site.patches), len(site.crowns)
    order = np.argsort(surface, kind="stable")
    numbers, starts = np.unique(surface[order], return_index=True)
    for number, members in zip(numbers, np.split(order, starts[1:]), strict=True):
        which, own = hit[members], triangle[members]
        if number < n_patches:
            patch, values = site.patches[number], light.patches[number]
            if values is None or patch.kind == "water":
                continue
            uv = tracer.patch_uv(own, hits.u[which], hits.v[which])
            lux = bilinear(values, uv, patch.size) @ _Y
            found[which] = np.where(hits.facing[which] < 0, lux, np.nan)
        elif number < n_patches + n_crowns:
            side = (hits.facing[which] > 0).astype(int)
            found[which] = light.crowns[number - n_patches][tracer.local[own], side] @ _Y
        else:
            k = number - n_patches - n_crowns
            corners = site.meshes[k].faces[tracer.local[own]]
            at_corners = light.meshes[k] @ _Y
            a, b, c = (at_corners[corners[:, i]] for i in range(3))
            u, v = hits.u[which], hits.v[which]
            found[which] = a * (1 - u - v) + b * u + c * v
    return found
