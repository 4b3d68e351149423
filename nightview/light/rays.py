"""Rays against all that stands: one embree scene, and who was hit where."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from nightview.site.build import Geometry

Array32 = NDArray[np.float32]
Ints = NDArray[np.int32]

THREADS = max(1, min(os.cpu_count() or 1, 8))
CHUNK = 1 << 17
"""Rays a call: enough to hide the call itself, few enough to share among threads."""
SHORT = np.float32(1.0 - 1e-4)
"""A ray to a lens stops just short of it."""


@dataclass(frozen=True, eq=False)
class Hits:
    """Where rays ended. triangle : (n,) int, −1 for none; u, v : barycentric; distance : (n,)."""

    triangle: Ints
    u: Array32
    v: Array32
    distance: Array32
    facing: Array32


class Tracer:
    """The site as triangles, in the order patches, crowns, meshes.

    surface : (m,) int32. Number of the surface a triangle belongs to, counted in that order.
    uv : (m, 3, 2) float32. Patch coordinates of a triangle's corners [m]; 0 for the rest.
    local : (m,) int32. A leaf's or a face's number in its own crown or mesh; 0 for patches.
    """

    def __init__(self, site: Geometry) -> None:
        triangles, surface, uv, local = [], [], [], []
        number = 0

        def add(corners: NDArray, coords: NDArray | None, own: NDArray) -> None:
            triangles.append(np.asarray(corners, np.float32))
            surface.append(np.full(len(corners), number, np.int32))
            uv.append(
                np.zeros((len(corners), 3, 2), np.float32)
                if coords is None
                else coords.astype(np.float32)
            )
            local.append(own.astype(np.int32))

        for patch in site.patches:
            points, coords, faces = patch.triangles
            add(points[faces], coords[faces], np.zeros(len(faces)))
            number += 1
        for crown in site.crowns:
            add(crown.triangles, None, np.arange(len(crown.centre)))
            number += 1
        for mesh in site.meshes:
            add(mesh.vertices[mesh.faces], None, np.arange(len(mesh.faces)))
            number += 1
        if triangles:
            self.triangles = np.ascontiguousarray(np.concatenate(triangles))
            self.surface, self.uv = np.concatenate(surface), np.concatenate(uv)
            self.local = np.concatenate(local)
        else:
            self.triangles = np.zeros((0, 3, 3), np.float32)
            self.surface, self.uv = np.zeros(0, np.int32), np.zeros((0, 3, 2), np.float32)
            self.local = np.zeros(0, np.int32)
        self._scene = EmbreeScene()
        if len(self.triangles):
            self._mesh = TriangleMesh(self._scene, self.triangles)
            # The first query builds the tree; later ones may then run side by side.
            self._scene.run(np.zeros((1, 3), np.float32), np.ones((1, 3), np.float32))

    def blocked(
        self, origins: Array32, ends: Array32, *, parallel: bool = True
    ) -> NDArray[np.bool_]:
        """Whether anything stands between origins (n, 3) and ends (n, 3) or (3,)."""
        found = np.zeros(len(origins), bool)
        if not len(self.triangles) or not len(origins):
            return found
        one_end = ends.ndim == 1

        def part(start: int) -> None:
            stop = min(start + CHUNK, len(origins))
            here = origins[start:stop]
            way = (ends if one_end else ends[start:stop]) - here
            reach = np.full(stop - start, SHORT, np.float32)
            found[start:stop] = self._scene.run(here, way, reach, query="OCCLUDED") >= 0

        _each(part, range(0, len(origins), CHUNK), parallel)
        return found

    def first(self, origins: Array32, ways: Array32) -> Hits:
        """What rays from origins (n, 3) along ways (n, 3) meet first."""
        n = len(origins)
        hits = Hits(np.full(n, -1, np.int32), *(np.zeros(n, np.float32) for _ in range(4)))
        if not len(self.triangles) or not n:
            return hits

        def part(start: int) -> None:
            stop = min(start + CHUNK, n)
            found = self._scene.run(origins[start:stop], ways[start:stop], output=1)
            hits.triangle[start:stop] = found["primID"]
            hits.u[start:stop] = found["u"]
            hits.v[start:stop] = found["v"]
            hits.distance[start:stop] = found["tfar"]
            hits.facing[start:stop] = np.einsum("ij,ij->i", found["Ng"], ways[start:stop])

        _each(part, range(0, n, CHUNK), True)
        return hits

    def patch_uv(self, triangle: Ints, u: Array32, v: Array32) -> Array32:
        """Patch coordinates (n, 2) of hits on patches [m]."""
        corner = self.uv[triangle]
        return (
            corner[:, 0]
            + u[:, None] * (corner[:, 1] - corner[:, 0])
            + v[:, None] * (corner[:, 2] - corner[:, 0])
        )


def _each(work, items, parallel: bool) -> None:  # type: ignore[no-untyped-def]
    """Run over items, on all cores where it pays; embree lets go of Python's lock."""
    items = list(items)
    if parallel and len(items) > 1 and THREADS > 1:
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(work, items))
    else:
        for item in items:
            work(item)
