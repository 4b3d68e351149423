"""A picture in less detail while a lamp is dragged: its direct light by one ray a pixel.

All else is drawn once before: the view without what the dragged lamps bring straight. What they
bring where they are now is worked out for each pixel, shadows of the lens's middle included. Their
light from other surfaces stays as it was until the picture settles.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nightview.light.direct import LIFT_M, Direct, light_on_points
from nightview.light.field import Light, LightField, SourceLight, State
from nightview.light.rays import THREADS, Array32, Tracer
from nightview.light.source import Source
from nightview.picture.camera import Camera
from nightview.picture.draw import Frame, add_lights, scattered
from nightview.picture.lenses import seen_lenses
from nightview.picture.looks import Look
from nightview.picture.looks.sight import look as look_out
from nightview.picture.tone import Edges
from nightview.site.build import Geometry

LEAST_LX = 0.02
LEAF_LIFT_M = 0.004
MOST_PATTERN = 4.0
"""A pattern is at most so many times as bright or dark as its material's mean."""


@dataclass(frozen=True, eq=False)
class Sight:
    """What each pixel of a view shows that lamps can light, (n, …) float32 in the pixels' order.

    pixel : flat index. points [m], normals towards the eye. near, through : luminance for a lux on
    the side one sees, and on the other side of a leaf, (n, 3) [cd/m²/lx].
    """

    camera: Camera
    pixel: NDArray[np.intp]
    points: Array32
    normals: Array32
    near: Array32
    through: Array32
    lift: Array32


def sight_of(field: LightField, camera: Camera) -> Sight:
    """Look out once along the middle of every pixel."""
    site, tracer = field.site, field.tracer
    hits = look_out(field, camera)
    hit = np.flatnonzero(hits.triangle >= 0)
    triangle = hits.triangle[hit]
    surface = tracer.surface[triangle]
    facing = hits.facing[hit] < 0
    near, through, two_sided = _per_lux(site.geometry)
    lit = (near[surface] > 0).any(axis=1) & (facing | two_sided[surface])
    hit, surface, triangle = hit[lit], surface[lit], triangle[lit]
    y, x = np.divmod(hit, camera.width)
    ways = camera.ways(x + 0.5, y + 0.5)
    points = (camera.eye + ways * hits.distance[hit, None]).astype(np.float32)
    a, b, c = (tracer.triangles[triangle, k] for k in range(3))
    normals = np.cross(b - a, c - a)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    normals *= -np.sign(np.einsum("ij,ij->i", normals, ways))[:, None]
    tone = np.ones((len(hit), 1), np.float32)
    n_patches = len(site.patches)
    for number, crown in enumerate(site.crowns):
        own = np.flatnonzero(surface == n_patches + number)
        tone[own, 0] = crown.tone[tracer.local[triangle[own]]]
    lift = np.where(two_sided[surface], LEAF_LIFT_M, LIFT_M).astype(np.float32)[:, None]
    return Sight(
        camera, hit, points, normals.astype(np.float32), near[surface] * tone,
        through[surface] * tone, lift,
    )  # fmt: skip


def _per_lux(geometry: Geometry) -> tuple[Array32, Array32, NDArray[np.bool_]]:
    """Of each surface the luminance for a lux on the seen and on the other side, and whether it is of
    leaves; glass and water have none."""
    count = len(geometry.surfaces)
    near, through = np.zeros((count, 3), np.float32), np.zeros((count, 3), np.float32)
    two_sided = np.zeros(count, bool)
    first, last = len(geometry.patches), len(geometry.patches) + len(geometry.crowns)
    for number, item in enumerate(geometry.surfaces):
        spec = geometry.materials[item.material]
        if getattr(item, "kind", "matte") in ("glass", "water"):
            continue
        near[number] = np.asarray(spec.rgb) / np.pi
        if first <= number < last:
            through[number] = np.asarray(spec.transmits_rgb or (0, 0, 0)) / np.pi
            two_sided[number] = True
    return near, through, two_sided


def even_light(field: LightField) -> Light:
    """One lux everywhere but on leaves: drawn, it shows each pixel's material with its pattern."""
    site, one = field.site, np.float32(1.0)
    patches: list[Array32 | None] = []
    toward: list[Array32 | None] = []
    for number, patch in enumerate(site.patches):
        nu, nv = patch.counts(field.levels[number])
        lit = field.layout.patch_rows[number] is not None
        patches.append(np.broadcast_to(one, (nv, nu, 3)) if lit else None)
        toward.append(np.broadcast_to(0 * one, (nv, nu, 3)) if lit else None)
    crowns = [np.zeros((len(crown.centre), 2, 3), np.float32) for crown in site.crowns]
    meshes, bodies = (
        [np.ones((len(mesh.vertices), 3), np.float32) for mesh in group]
        for group in (site.meshes, site.bodies)
    )
    return Light(field, field.designed, patches, toward, crowns, meshes, bodies, field.sky[:0])


def patterned(sight: Sight, drawn: Array32) -> Sight:
    """The sight with each pixel's pattern, from the view (h, w, 3) drawn in ``even_light``.

    Where two things meet in a pixel, and on leaves, it keeps the plain material.
    """
    seen = drawn.reshape(-1, drawn.shape[-1])[sight.pixel, :3]
    share = seen.sum(axis=1) / np.maximum(sight.near.sum(axis=1), 1e-9)
    same = (share > 1 / MOST_PATTERN) & (share < MOST_PATTERN) & (sight.through.sum(axis=1) == 0)
    return replace(sight, near=np.where(same[:, None], seen, sight.near))


@dataclass(frozen=True, eq=False)
class Sketch:
    """A view made ready for some lamps to be dragged in it.

    base : (h, w, 3) the view without their direct light, unscattered [cd/m²]. lamps : their ids.
    """

    field: LightField
    sight: Sight
    base: Array32
    lamps: frozenset[str]
    ev100: float

    def shown(self, sources: Sequence[Source], state: State, look: Look) -> NDArray[np.uint8]:
        """The view with the lamps as they are now: sRGB codes (h, w, 3)."""
        camera = self.sight.camera
        luminance = self.base.copy()
        flat = luminance.reshape(-1, 3)
        for source in sources:
            weight = state.weight(source).astype(np.float32)
            if weight.any() and source.name not in state.absent:
                flat[self.sight.pixel] += self.brought(source) * weight
        parts = tuple(SourceLight(s, Direct(), np.zeros((0, 3), np.float32), []) for s in sources)
        field = replace(self.field, sources=parts)
        light = Light(field, state, [], [], [], [], [], self.field.sky[:0])
        add_lights(luminance, camera, seen_lenses(light, camera))
        none = np.zeros(0, np.intp)
        edges = Edges(none, none, np.zeros((0, 4, 3), np.float32))
        frame = scattered(Frame(luminance, camera, edges), self.ev100)
        return look.develop(frame, self.ev100, light)

    def brought(self, source: Source) -> Array32:
        """What a source at full power and white adds to each pixel of the sight, (n, 3) [cd/m²]."""
        sight, tracer = self.sight, self.field.tracer
        total = np.zeros((len(sight.points), 3), np.float32)

        def light(some: slice) -> None:
            for position in source.positions:
                total[some] += _from_point(sight, some, tracer, source, position)

        ends = np.linspace(0, len(total), THREADS + 1).astype(int)
        with ThreadPoolExecutor(THREADS) as pool:
            list(pool.map(light, map(slice, ends[:-1], ends[1:])))
        return total


def _from_point(
    sight: Sight, some: slice, tracer: Tracer, source: Source, position: NDArray[np.float64]
) -> Array32:
    """What one point of a source brings to some pixels."""
    points, normals, lift = sight.points[some], sight.normals[some], sight.lift[some]
    lux, _ = light_on_points(points, normals, source, position, two_sided=True)
    leaf = lift[:, 0] == np.float32(LEAF_LIFT_M)
    lit = np.flatnonzero((lux > LEAST_LX) | ((lux < -LEAST_LX) & leaf))
    starts = points[lit] + np.sign(lux[lit])[:, None] * lift[lit] * normals[lit]
    lit = lit[~tracer.blocked(starts, position.astype(np.float32), parallel=False)]
    found = np.zeros((len(points), 3), np.float32)
    facing = lux[lit, None] > 0
    per_lux = np.where(facing, sight.near[some][lit], sight.through[some][lit])
    found[lit] = np.abs(lux[lit, None]) * per_lux
    return found
