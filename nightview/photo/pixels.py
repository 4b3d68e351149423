"""What each pixel of a photo shows of the model: one ray a pixel through the solved camera.

A crown of leaves stands where the photo has its own, other leaves; so a pixel is asked twice, with
the crowns and without, and the photo's colours decide (``mattes``) which of the two it shows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from nightview.light.field import Light
from nightview.light.lookup import bilinear
from nightview.light.rays import Array32, Hits, Tracer
from nightview.picture.camera import Camera
from nightview.site.build import Geometry
from nightview.site.surface import Ints

Bools = NDArray[np.bool_]
AMID = 0.15
"""Where more of the pixels around show leaves than this, one is amid them."""
_Group = tuple[int, NDArray[np.intp]]


@dataclass(frozen=True, eq=False)
class Seen:
    """What some rays met first, n of them.

    surface : (n,) its number among the geometry's surfaces, −1 for none. part : (n,) leaf or face.
    uv : (n, 2) place on a patch [m]; elsewhere barycentric. point, normal : (n, 3), the normal on
    the side that is seen. behind : (n,) whether that is a patch's back or a leaf's.
    """

    geometry: Geometry
    surface: Ints
    part: Ints
    uv: Array32
    point: Array32
    normal: Array32
    behind: Bools

    @cached_property
    def groups(self) -> list[_Group]:
        """Each surface that is met, and which rays met it."""
        hit = np.flatnonzero(self.surface >= 0)
        if not len(hit):
            return []
        order = hit[np.argsort(self.surface[hit], kind="stable")]
        numbers, starts = np.unique(self.surface[order], return_index=True)
        return list(zip(numbers.tolist(), np.split(order, starts[1:]), strict=True))

    def where(self, kind: str) -> Bools:
        """Which rays met the front of a patch of a kind ("matte", "glass", "water"); a mesh is matte."""
        patches, crowns = len(self.geometry.patches), len(self.geometry.crowns)
        is_kind = [patch.kind == kind for patch in self.geometry.patches]
        is_kind += [False] * crowns + [kind == "matte"] * len(self.geometry.meshes)
        known = np.array([*is_kind, False])
        return known[self.surface] & ~(self.behind & (self.surface < patches))

    def reflectance(self) -> Array32:
        """The model's own reflectance, (n, 3); 0 for none."""
        rgb = [self.geometry.materials[one.material].rgb for one in self.geometry.surfaces]
        return np.array([*rgb, (0.0, 0.0, 0.0)], np.float32)[self.surface]

    def illuminance(self, light: Light) -> Array32:
        """Light that falls on what is seen, (n, 3) [lx RGB]; 0 for none, glass and a patch's back."""
        found = np.zeros((len(self.surface), 3), np.float32)
        patches, crowns = len(self.geometry.patches), len(self.geometry.crowns)
        for number, which in self.groups:
            if number < patches:
                values = light.patches[number]
                if values is not None:
                    lux = bilinear(values, self.uv[which], self.geometry.patches[number].size)
                    lux[self.behind[which]] = 0.0
                    found[which] = lux
            elif number < patches + crowns:
                sides = light.crowns[number - patches]
                found[which] = sides[self.part[which], self.behind[which].astype(int)]
            else:
                k = number - patches - crowns
                corners = self.geometry.meshes[k].faces[self.part[which]]
                u, v = self.uv[which].T[..., None]
                a, b, c = (light.meshes[k][corners[:, i]] for i in range(3))
                found[which] = a * (1 - u - v) + b * u + c * v
        return found


def seen_along(
    geometry: Geometry,
    tracer: Tracer,
    origins: Array32,
    ways: Array32,
    numbers: Ints | None = None,
) -> Seen:
    """What rays from origins (n, 3) along unit ways (n, 3) meet first.

    tracer : of the geometry itself, or of a part of it; numbers : then the number that each of the
    part's surfaces has in the geometry. A part has all patches.
    """
    hits = tracer.first(origins, ways)
    hit = np.flatnonzero(hits.triangle >= 0)
    n, own = len(ways), hits.triangle[hit]
    surface, part = np.full(n, -1, np.int32), np.zeros(n, np.int32)
    surface[hit], part[hit] = tracer.surface[own], tracer.local[own]
    uv = np.stack([hits.u, hits.v], axis=1)
    of_patch = hit[surface[hit] < len(geometry.patches)]
    triangle = hits.triangle[of_patch]
    uv[of_patch] = tracer.patch_uv(triangle, hits.u[of_patch], hits.v[of_patch])
    normal = _facing(tracer, hits, hit, ways)
    if numbers is not None:
        surface[hit] = numbers[surface[hit]]
    point = origins + ways * np.where(hits.triangle >= 0, hits.distance, 0.0)[:, None]
    return Seen(geometry, surface, part, uv, point, normal, hits.facing > 0)


def _facing(tracer: Tracer, hits: Hits, hit: NDArray[np.intp], ways: Array32) -> Array32:
    """Unit normals towards where the rays come from, (n, 3)."""
    normal = -ways
    own = _normals(tracer)[hits.triangle[hit]]
    own *= np.where(np.einsum("ij,ij->i", own, ways[hit]) > 0, -1, 1).astype(np.float32)[:, None]
    normal[hit] = own
    return normal


@lru_cache(maxsize=2)
def _normals(tracer: Tracer) -> Array32:
    """The unit normal of each triangle, (m, 3)."""
    a, b, c = np.moveaxis(tracer.triangles, 1, 0)
    found: Array32 = np.cross(b - a, c - a)
    found /= np.maximum(np.linalg.norm(found, axis=1, keepdims=True), 1e-12)
    return found


def _without_plants(geometry: Geometry) -> tuple[Tracer, Ints]:
    """Rays that go through crowns and their branches, and the numbers of what they meet."""
    plants = {crown.owner for crown in geometry.crowns}
    first = len(geometry.patches) + len(geometry.crowns)
    kept = [k for k, mesh in enumerate(geometry.meshes) if mesh.owner not in plants]
    rest = replace(geometry, crowns=(), meshes=tuple(geometry.meshes[k] for k in kept))
    numbers = [*range(len(geometry.patches)), *(first + k for k in kept)]
    return Tracer(rest), np.array(numbers, np.int32)


@dataclass(frozen=True, eq=False)
class Pixels:
    """All pixels of a picture, row by row. ways : (n, 3) unit directions.

    solid : what is seen with leaves and the branches amid them gone. leaves : what is seen at ``at_leaf`` (m,), the pixels
    in whose middle the model has a leaf.
    """

    camera: Camera
    ways: Array32
    solid: Seen
    leaves: Seen
    at_leaf: NDArray[np.intp]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.camera.height, self.camera.width


def pixels_of(geometry: Geometry, tracer: Tracer, camera: Camera) -> Pixels:
    """Look at a geometry through every pixel of a camera."""
    y, x = np.mgrid[: camera.height, : camera.width] + 0.5
    ways = camera.ways(x.ravel(), y.ravel())
    eyes = np.ascontiguousarray(np.broadcast_to(camera.eye.astype(np.float32), ways.shape))
    seen = seen_along(geometry, tracer, eyes, ways)
    first, last = len(geometry.patches), len(geometry.patches) + len(geometry.crowns)
    at_leaf = np.flatnonzero((seen.surface >= first) & (seen.surface < last))
    leaves = picked(seen, at_leaf)
    if len(at_leaf):
        again = np.union1d(at_leaf, _branches(seen, at_leaf, (camera.height, camera.width)))
        tracer, numbers = _without_plants(geometry)
        through = seen_along(geometry, tracer, eyes[again], ways[again], numbers)
        for name in ("surface", "part", "uv", "point", "normal", "behind"):
            getattr(seen, name)[again] = getattr(through, name)
    return Pixels(camera, ways, seen, leaves, at_leaf)


def _branches(seen: Seen, at_leaf: NDArray[np.intp], shape: tuple[int, int]) -> NDArray[np.intp]:
    """Pixels amid leaves that show a branch: the photo has others, so they count as leaves."""
    plants = {crown.owner for crown in seen.geometry.crowns}
    wood = [mesh.owner in plants for mesh in seen.geometry.meshes]
    rest = [False] * (len(seen.geometry.patches) + len(seen.geometry.crowns))
    leaf = np.zeros(shape, np.float32)
    leaf.ravel()[at_leaf] = 1.0
    amid = ndimage.gaussian_filter(leaf, max(2.0, 0.006 * shape[1])) > AMID
    return np.flatnonzero(np.array([*rest, *wood, False])[seen.surface] & amid.ravel())


def picked(seen: Seen, which: NDArray[np.intp] | Bools) -> Seen:
    """Some of the rays."""
    return Seen(
        seen.geometry, seen.surface[which], seen.part[which], seen.uv[which], seen.point[which],
        seen.normal[which], seen.behind[which],
    )  # fmt: skip
