"""The house to turn with a finger: a small model that carries the same light as all pictures.

Its surfaces are the scene's own, unlit: each shows the luminance that the light's maps give it, read
off at fewer places (the nodes of a coarser grid), so that a page can hold it. Places go where they
are missed most. All luminances of a state lie in one picture, the atlas, which the page adds up part
by part as it does the views, and lays over the surfaces. Panes show their room's glow and mirror
nothing, leaves are fewer and larger, and a lens is as dark as its housing.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from nightview.lamps.colour import rgb_of_cct
from nightview.light.field import LUMINOUS32, Light, LightField, mix
from nightview.light.gather import ambient_lx
from nightview.light.layout import linear_weights
from nightview.light.lookup import leaf_luminance
from nightview.light.rays import Array32
from nightview.light.source import moon_of
from nightview.light.state import State
from nightview.picture.mirrors import DARK_ROOM_CD_M2
from nightview.picture.path import Orbit
from nightview.picture.route import orbit_of
from nightview.picture.sky import drawn_sky
from nightview.picture.tone import curve
from nightview.site.build import Site
from nightview.site.surface import Array, Crown, Mesh, Patch

WIDTH = 1024
"""Of the atlas [texels]; every graphics card takes twice that."""
MOST_NODES = 150_000
MOST_LEAVES = 20_000
MOST_CORNERS = 24_000
"""What a page holds of surfaces' nodes, of leaves and of the corners of meshes [our choice: 1 MB]."""
SKY_STEPS, SKY_BEARINGS = 64, 90
FINE_ENOUGH = 1.0 / 255.0
"""A surface is fine enough once its shown values are off by less than about a code, in the mean."""
_FINEST = 65535.0


@dataclass(frozen=True, eq=False)
class Model:
    """Surfaces and where their luminance lies in the atlas.

    size : columns and rows of the atlas. counts : nodes along u and v of each patch; corners : first
    column and row of its grid. leaves : which of each crown's are drawn; meshes : which of the
    site's. points : number of the first texel of leaves (front and back of each) and then of
    meshes' corners. sky_row : the first of two rows that hold the sky by height.
    """

    field: LightField
    orbit: Orbit
    size: tuple[int, int]
    counts: list[tuple[int, int]]
    corners: list[tuple[int, int]]
    leaves: list[NDArray[np.intp]]
    meshes: list[int]
    points: int
    sky_row: int

    @property
    def lit_meshes(self) -> list[Mesh]:
        """The meshes drawn, and all lamps' bodies."""
        site = self.field.site
        return [*(site.meshes[k] for k in self.meshes), *site.bodies]

    def luminance(self, light: Light) -> Array32:
        """The atlas in a state: (rows, columns, 3) [cd/m² RGB]."""
        site = self.field.site
        columns, rows = self.size
        atlas = np.zeros((rows, columns, 3), np.float32)
        for number, ((nu, nv), (x, y)) in enumerate(zip(self.counts, self.corners, strict=True)):
            atlas[y : y + nv, x : x + nu] = _on_patch(light, number, (nu, nv))
        sky = _sky(light)
        atlas[self.sky_row : self.sky_row + 2, :SKY_STEPS] = sky
        along = [np.zeros((0, 3), np.float32)]
        for number, chosen in enumerate(self.leaves):
            sides = leaf_luminance(light, number)
            along.append(sides[chosen].reshape(-1, 3))
        at_corners = [light.meshes[k] for k in self.meshes] + light.bodies
        for mesh, lux in zip(self.lit_meshes, at_corners, strict=True):
            along.append(lux * site.materials[mesh.material].per_lux)
        flat = np.concatenate(along)
        atlas.reshape(-1, 3)[self.points : self.points + len(flat)] = flat
        return atlas

    @cached_property
    def bounds(self) -> tuple[Array, Array]:
        """Lowest corner and extent of the model [m]."""
        site = self.field.site
        parts: list[NDArray[np.floating]] = [patch.triangles[0] for patch in site.patches]
        parts += [crown.centre for crown in site.crowns if len(crown.centre)]
        parts += [mesh.vertices for mesh in self.lit_meshes]
        low = np.min([part.min(axis=0) for part in parts], axis=0)
        high = np.max([part.max(axis=0) for part in parts], axis=0)
        return low.astype(float), np.maximum(high - low, 1e-3).astype(float)

    # --- as the page takes it

    def triangles(self) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
        """Corners of all patches' triangles: places (n, 3) in 65535ths of the bounds, and where in
        the atlas (n, 2), in 64ths of a texel."""
        places, where = [np.zeros((0, 3))], [np.zeros((0, 2))]
        for patch, count, corner in zip(
            self.field.site.patches, self.counts, self.corners, strict=True
        ):
            points, uv, faces = patch.triangles
            own = np.array(corner) + 0.5 + uv / patch.size * (np.array(count) - 1)
            places.append(points[faces].reshape(-1, 3))
            where.append(own[faces].reshape(-1, 2))
        return self._quantised(np.concatenate(places)), np.rint(
            64.0 * np.concatenate(where)
        ).astype(np.uint16)

    def leaf_places(self) -> tuple[NDArray[np.uint16], NDArray[np.int8]]:
        """Middles of the leaves (n, 3), and (n, 8): normal and long axis in 127ths, half length and
        half width in centimetres."""
        places: list[NDArray[np.floating]] = [np.zeros((0, 3))]
        ways = [np.zeros((0, 8), np.int8)]
        for crown, chosen in zip(self.field.site.crowns, self.leaves, strict=True):
            if not len(chosen):
                continue
            grown = np.sqrt(len(crown.centre) / len(chosen))
            half = np.rint(50.0 * grown * np.array([crown.length_m, crown.width_m]))
            axes = np.rint(127.0 * np.hstack([crown.normal[chosen], crown.along[chosen]]))
            own = np.hstack([axes, np.tile(np.clip(half, 1, 127), (len(chosen), 1))])
            places.append(crown.centre[chosen])
            ways.append(own.astype(np.int8))
        return self._quantised(np.concatenate(places)), np.concatenate(ways)

    def mesh_corners(self) -> tuple[NDArray[np.uint16], NDArray[np.uint32]]:
        """Corners of meshes (n, 3) and their faces (m, 3)."""
        places, faces, start = [np.zeros((0, 3))], [np.zeros((0, 3), int)], 0
        for mesh in self.lit_meshes:
            places.append(mesh.vertices)
            faces.append(mesh.faces + start)
            start += len(mesh.vertices)
        return self._quantised(np.concatenate(places)), np.concatenate(faces).astype(np.uint32)

    def _quantised(self, points: NDArray[np.floating]) -> NDArray[np.uint16]:
        low, span = self.bounds
        return np.rint(_FINEST * np.clip((points - low) / span, 0, 1)).astype(np.uint16)


def model_of(field: LightField, state: State, ev100: float, size: tuple[int, int]) -> Model:
    """The model of a site. state : lit in which the grids must look right; size : of its picture [px]."""
    site = field.site
    light = mix(field, state)
    counts = _counts(light, ev100)
    leaves = _leaves(site.crowns)
    meshes = _meshes(site)
    shapes = [*counts, (SKY_STEPS, 2)]
    corners, row = _shelves(shapes)
    points = row * WIDTH
    texels = 2 * sum(map(len, leaves))
    texels += sum(len(site.meshes[k].vertices) for k in meshes)
    texels += sum(len(body.vertices) for body in site.bodies)
    rows = row + -(-texels // WIDTH)
    return Model(
        field, orbit_of(field, size), (WIDTH, rows), counts, corners[:-1], leaves, meshes, points,
        corners[-1][1],
    )  # fmt: skip


def _shelves(shapes: Sequence[tuple[int, int]]) -> tuple[list[tuple[int, int]], int]:
    """Lay grids of (columns, rows) into shelves, tallest first: the first column and row of each,
    and the first row below all. The last begins a shelf of its own."""
    places = [(0, 0)] * len(shapes)
    x = y = shelf = 0
    for k in sorted(range(len(shapes) - 1), key=lambda k: (-shapes[k][1], -shapes[k][0], k)):
        nu, nv = shapes[k]
        if x + nu > WIDTH:
            x, y, shelf = 0, y + shelf, 0
        places[k] = (x, y)
        x, shelf = x + nu, max(shelf, nv)
    places[-1] = (0, y + shelf)
    return places, y + shelf + shapes[-1][1]


def _leaves(crowns: Sequence[Crown]) -> list[NDArray[np.intp]]:
    """Which leaves of each crown stand for all, evenly chosen."""
    total = sum(len(crown.centre) for crown in crowns)
    share = min(1.0, MOST_LEAVES / max(total, 1))
    found = []
    for crown in crowns:
        many = len(crown.centre)
        few = min(many, int(np.ceil(share * many)))
        found.append((np.arange(few) * many) // max(few, 1))
    return found


def _meshes(site: Site) -> list[int]:
    """The meshes with the largest faces, as many as a page holds; twigs go first."""
    room = MOST_CORNERS
    chosen = []

    def mean_face(mesh: Mesh) -> float:
        a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).mean())

    for number in sorted(range(len(site.meshes)), key=lambda k: -mean_face(site.meshes[k])):
        many = len(site.meshes[number].vertices)
        if many <= room:
            chosen.append(number)
            room -= many
    return sorted(chosen)


# --- luminance ------------------------------------------------------------------------------------


def _on_patch(light: Light, number: int, count: tuple[int, int]) -> Array32:
    """Luminance on a patch's coarse nodes, (nv, nu, 3) [cd/m² RGB]."""
    site = light.field.site
    patch, values = site.patches[number], light.patches[number]
    if values is None:
        return np.broadcast_to(_room(light, patch), (count[1], count[0], 3))
    return _resampled(values, count) * site.materials[patch.material].per_lux


def _resampled(values: Array32, count: tuple[int, int]) -> Array32:
    """A grid's values (nv, nu, …) at other numbers of nodes, linear between its own."""
    nv, nu = values.shape[:2]
    rows = linear_weights(np.linspace(0, 1, nv), np.linspace(0, 1, count[1]))
    columns = linear_weights(np.linspace(0, 1, nu), np.linspace(0, 1, count[0]))
    found: Array32 = np.tensordot(columns, np.tensordot(rows, values, (1, 0)), (1, 1)).swapaxes(
        0, 1
    )
    return found


def _room(light: Light, patch: Patch) -> Array32:
    """What shows through a pane, in the mean, (3,) [cd/m² RGB]; as ``mirrors`` has it."""
    opening = next(one for one in light.field.site.scene.openings if one.name == patch.opening)
    if opening.glow_cd_m2 <= 0:
        return np.full(3, DARK_ROOM_CD_M2 * light.state.sky, np.float32)
    own = rgb_of_cct(opening.glow_cct_k)
    glow = opening.glow_cd_m2 * light.state.weight_of(opening.name, "windows", own)
    return np.asarray(glow, np.float32)


def _sky(light: Light) -> Array32:
    """The sky's luminance by height, the mean of all bearings, (SKY_STEPS, 3): from straight down to
    straight up, evenly in the signed root of the height's sine, so that the horizon has most."""
    site = light.field.site
    t = np.linspace(-1.0, 1.0, SKY_STEPS)
    z = np.sign(t) * t * t
    turn = np.radians(np.arange(SKY_BEARINGS) * 360.0 / SKY_BEARINGS)
    flat = np.sqrt(1.0 - z * z)[:, None]
    ways = np.stack(
        [flat * np.sin(turn), flat * np.cos(turn), np.tile(z[:, None], (1, SKY_BEARINGS))], axis=-1
    )
    sky = drawn_sky(
        ways.reshape(-1, 3), site.scene.site.surroundings, ambient_lx(site), moon_of(site)
    )
    mean: Array32 = sky.reshape(SKY_STEPS, SKY_BEARINGS, 3).mean(axis=1)
    return mean * np.float32(light.state.sky)


# --- how fine each surface must be ----------------------------------------------------------------


def _counts(light: Light, ev100: float) -> list[tuple[int, int]]:
    """Nodes along u and v of each patch: where a finer grid helps what is seen most, there it is
    made finer, until the page is full."""
    site = light.field.site
    shown: list[Array32 | None] = []
    for patch, values in zip(site.patches, light.patches, strict=True):
        if values is None:
            shown.append(None)
            continue
        per_lux = site.materials[patch.material].per_lux
        shown.append(np.sqrt(curve((values * per_lux) @ LUMINOUS32, ev100)))
    counts = [(2, 2)] * len(site.patches)
    waiting: list[tuple[float, int, float]] = []

    def consider(number: int, step: float, error: float) -> None:
        """Put a patch's next finer grid on the list of what might be done."""
        values = shown[number]
        if values is None or error < FINE_ENOUGH:
            return
        patch = site.patches[number]
        finer = _nodes(patch, step / 2, values.shape)
        more = finer[0] * finer[1] - counts[number][0] * counts[number][1]
        if more > 0:
            heapq.heappush(waiting, (-error * patch.outline.area / more, number, step / 2))

    def error_of(number: int, count: tuple[int, int]) -> float:
        values = shown[number]
        assert values is not None
        back = _resampled(_resampled(values, count), values.shape[::-1])
        return float(np.sqrt(np.square(back - values).mean()))

    for number, values in enumerate(shown):
        if values is not None:
            consider(number, max(site.patches[number].size), error_of(number, (2, 2)))
    room = MOST_NODES - 4 * len(counts)
    while waiting:
        _, number, step = heapq.heappop(waiting)
        values = shown[number]
        assert values is not None
        finer = _nodes(site.patches[number], step, values.shape)
        more = finer[0] * finer[1] - counts[number][0] * counts[number][1]
        if more > room:
            continue
        room -= more
        counts[number] = finer
        if finer != values.shape[::-1]:
            consider(number, step, error_of(number, finer))
    return counts


def _nodes(patch: Patch, step: float, most: tuple[int, ...]) -> tuple[int, int]:
    """Nodes along u and v at a step [m], no more than the light's own grid has or a shelf holds."""
    nu, nv = (max(2, int(np.ceil(length / step - 1e-6)) + 1) for length in patch.size)
    return min(nu, most[1], WIDTH), min(nv, most[0])
