"""Light between surfaces: rays gathered once for the geometry, then every lamp is a product.

The nodes of a layout each send cosine-weighted rays; what they hit is counted per cell, so that a
bounce is one sparse product for all lamps and colours at once. Rays that miss bring the sky, so
eaves and porches are dark by themselves. Where the next nodes see much the same, each takes a share
of its neighbours' light. What few rays would meet by chance, a source's brightest spots, is sought
out for each source by itself (``spots``).

Rows are gathered quantities: irradiance at a grid point; and in crowns, mean radiance and its
first moment (four rows a place), from which a leaf's light on either side follows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from nightview.light.grids import Bools, nearest_real
from nightview.light.layout import Layout
from nightview.light.nodes import Neighbours
from nightview.light.rays import CHUNK, THREADS, Array32, Hits, Tracer
from nightview.light.source import R2, moon_of
from nightview.light.spots import sought, spots_of
from nightview.site.build import Site
from nightview.site.sky import AMBIENT_LX, sky_luminance
from nightview.site.surface import Array

RAYS, RAYS_AT_MOST, RAYS_IN_ALL = 192, 576, 1 << 21
"""A node sends 192 rays; in small scenes more, as long as all nodes together send no more than that."""
CROWN_RAYS = 96
SMOOTH = (0.05, 0.2)
"""Light bends over distances as those to what is seen (Ward, Rubinstein & Clear 1988; by the mean of
1/r² here, for its second derivative). Neighbours nearer than the first share of that count in full,
from the second on not."""
SETS = 64
"""Turned copies of the ray set; neighbours use different ones, so that no pattern shows."""
BACKS_AT_MOST = 0.25
"""A place that sees more of surfaces' backs than this share of its view lies inside something."""
BOUNCES_AT_MOST = 60
BOUNCE_TOLERANCE = 2e-3


# --- rays -----------------------------------------------------------------------------------------


def _to_hemisphere(square: Array) -> Array:
    """Places (..., 2) of the unit square to cosine-weighted unit ways (..., 3) about +z."""
    x, y = 2 * square[..., 0] - 1, 2 * square[..., 1] - 1
    wide = np.abs(x) > np.abs(y)
    radius = np.where(wide, x, y)
    turn = np.where(wide, y, x) / np.where(radius == 0, 1.0, radius)
    angle = np.where(wide, np.pi / 4 * turn, np.pi / 2 - np.pi / 4 * turn)
    return np.stack(
        [radius * np.cos(angle), radius * np.sin(angle), np.sqrt(np.maximum(1 - radius**2, 0))],
        axis=-1,
    )


def bases(normals: Array) -> tuple[Array, Array]:
    """Two unit vectors square to each normal (Duff et al. 2017, JCGT 6:1), (n, 3) each."""
    x, y, z = normals.T
    sign = np.copysign(1.0, z)
    a = -1.0 / (sign + z)
    b = x * y * a
    first = np.stack([1 + sign * x * x * a, sign * b, -sign * x], axis=1)
    second = np.stack([b, sign + y * y * a, -y], axis=1)
    return first, second


@lru_cache(maxsize=8)
def _ray_sets(count: int, even: bool = False) -> Array32:
    """SETS cosine-weighted sets about +z: a golden lattice, shifted from set to set by the R2
    sequence (Roberts 2018), mapped to the disc (Shirley & Chiu 1997) and lifted: (SETS, count, 3).

    Measured on squares near and beside: 3 to 4 % (1 σ) with 256 rays, a plain grid 7 to 9 %.
    even : spread evenly over the hemisphere instead.
    """
    k = np.arange(count)
    lattice = np.stack([(k + 0.5) / count, k * 0.6180339887498949], axis=1)
    shifts = np.arange(SETS)[:, None, None] * R2
    ways = _to_hemisphere((lattice + shifts) % 1.0)
    if even:  # the height is even there (Archimedes), where it is its root for the cosine
        ways[..., :2] *= np.sqrt(1 + ways[..., 2:] ** 2)
        ways[..., 2] **= 2
    return ways.astype(np.float32)


def hemisphere_rays(
    normals: Array, count: int, numbers: NDArray[np.integer], even: bool = False
) -> Array32:
    """count ways from each normal (n, 3) of a numbered point, cosine-weighted or even over the
    hemisphere: (n, count, 3) float32."""
    local = _ray_sets(count, even)[(numbers * 29) % SETS]
    t1, t2 = bases(normals)
    frame = np.stack([t1, t2, normals], axis=1).astype(np.float32)
    return np.matmul(local, frame)


def sphere_set(count: int) -> Array32:
    """Even directions over the sphere (a spherical Fibonacci lattice), (count, 3)."""
    k = np.arange(count) + 0.5
    z = 1 - 2 * k / count
    angle = k * np.pi * (3 - np.sqrt(5))
    level = np.sqrt(1 - z * z)
    return np.stack([level * np.cos(angle), level * np.sin(angle), z], axis=1).astype(np.float32)


def sky_along(site: Site, ways: Array32) -> Array32:
    """Radiance of the site's sky along unit ways (n, 3): (n, 3) [cd/m² RGB]."""
    return sky_luminance(ways, site.scene.site.surroundings, ambient_lx(site), moon_of(site))


def ambient_lx(site: Site) -> float:
    """Light of the sky on open level ground [lx]."""
    stated = site.scene.site.ambient_lx
    return AMBIENT_LX[site.scene.site.surroundings] if stated is None else stated


class _Targets:
    """Which cell a hit lies in, from its triangle and barycentric place alone.

    A patch's cells make a grid: row and column are linear in the barycentric u and v. A leaf's side
    and a mesh's face are of one cell each.
    """

    def __init__(self, layout: Layout, tracer: Tracer) -> None:
        site, surface = layout.site, tracer.surface
        count, patches, crowns = len(surface), len(site.patches), len(site.crowns)
        self.first = np.zeros(count, np.int32)
        self.last = np.zeros((count, 2), np.int32)  # row and column
        self.linear = np.zeros((count, 3, 2), np.float32)
        self.behind = np.zeros(count, np.int32)  # from a leaf's front to its back
        self.two_sided = (surface >= patches) & (surface < patches + crowns)
        of_patch = np.flatnonzero(surface < patches)
        if len(of_patch):
            number = surface[of_patch]
            size = np.array([patch.size for patch in site.patches])[number]
            shape = np.array(layout.cell_shape, np.int32)[number]
            self.first[of_patch] = np.array(layout.cell_start)[number]
            self.last[of_patch] = shape - 1
            corner = tracer.uv[of_patch][:, :, ::-1] * (shape / size[:, ::-1])[:, None]
            self.linear[of_patch, 0] = corner[:, 0]
            self.linear[of_patch, 1:] = corner[:, 1:] - corner[:, :1]
        leaves = np.flatnonzero(self.two_sided)
        if len(leaves):
            begin, cells = layout.leaves
            sides = cells[begin[surface[leaves] - patches] + tracer.local[leaves]]
            self.first[leaves] = sides[:, 0]
            self.behind[leaves] = sides[:, 1] - sides[:, 0]
        faces = np.flatnonzero(surface >= patches + crowns)
        if len(faces):
            start = np.array(layout.mesh_cell_start)[surface[faces] - patches - crowns]
            self.first[faces] = start + tracer.local[faces]

    def cells(self, hits: Hits) -> NDArray[np.int32]:
        """Cell numbers; −1 where a ray missed or met the back of a patch or mesh."""
        triangle = hits.triangle
        # embree's Ng points against the ray on a front face.
        front = (triangle >= 0) & ((hits.facing < 0) | self.two_sided[triangle])
        where = np.flatnonzero(front)
        triangle = triangle[where]
        linear, last = self.linear[triangle], self.last[triangle]
        at = linear[:, 0] + hits.u[where, None] * linear[:, 1]
        at += hits.v[where, None] * linear[:, 2]
        place = np.clip(at.astype(np.int32), 0, last)
        found = np.full(len(front), -1, np.int32)
        found[where] = self.first[triangle] + place[:, 0] * (last[:, 1] + 1) + place[:, 1]
        found[where] += self.behind[triangle] * (hits.facing[where] > 0)
        return found


# --- gathering ------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Gather:
    """The rays' result.

    seen : (n,) the cells that any ray met.
    matrix : (places, n) csr, from their exitance [lm/m²] to what nodes and crowns see.
    spread : (rows, places) csr. Of that, each row's share of its own and of its neighbours'.
    sky : (rows, 3) float32. What the sky itself brings [lx RGB].
    """

    tracer: Tracer
    layout: Layout
    seen: NDArray[np.intp]
    matrix: sparse.csr_matrix
    spread: sparse.csr_matrix
    sky: Array32

    def bounced(self, direct_cells: Array32) -> Array32:
        """Light on rows after one, two, … bounces of white light on cells (cells, k).

        Returns (rows, k, 3): all bounces until the next adds less than 0.2 % of the sum.
        """
        total = np.zeros((3, self.layout.rows, direct_cells.shape[1]), np.float32)
        sent = partial(self.layout.given, direct_cells)
        spots = np.stack([self._of_spots(light) for light in direct_cells.T], axis=2)
        return self._all_bounces(
            lambda colour: self.matrix @ sent(colour)[self.seen] + spots[colour], total
        )

    def _of_spots(self, light: Array32) -> Array32:
        """What a source's spots bring to nodes, of white light on cells (cells,), beyond what the even
        rays find of them: (3, places)."""
        layout, places = self.layout, self.matrix.shape[0]
        spots = spots_of(layout, light)
        if spots is None:
            return np.zeros((3, places), np.float32)
        points, normals = (a.astype(np.float32) for a in (layout.points, layout.normals))
        node, cell, lux = sought(spots, points, normals, self.tracer)
        met = np.flatnonzero(np.isin(spots.cells, self.seen))
        even = self._by_cell[:, np.searchsorted(self.seen, spots.cells[met])]
        even_cell = np.repeat(met, np.diff(even.indptr))
        far = ~spots.near(points[even.indices], even_cell)
        even_node, even_cell = even.indices[far], even_cell[far]
        even_lux = even.data[far] * light[spots.cells[even_cell]]
        node = np.concatenate([node, even_node])
        lux = np.concatenate([lux, -even_lux])
        given = layout.reflectance[spots.cells[np.concatenate([cell, even_cell])]]
        found = [np.bincount(node, lux * given[:, colour], places) for colour in range(3)]
        return np.array(found, np.float32)

    @cached_property
    def _by_cell(self) -> sparse.csc_matrix:
        """The nodes' part of the matrix, a cell at a time."""
        return self.matrix[: self.layout.flat_rows].tocsc()

    def sky_light(self) -> Array32:
        """The sky's light with its own bounces, on rows (rows, 3)."""
        if not self.sky.any():
            return self.sky
        total = np.ascontiguousarray(self.sky.T)[:, :, None]
        first = total.copy()
        found = self._all_bounces(
            lambda colour: self.matrix @ (self._returned[colour] @ first[colour]), total
        )
        return np.ascontiguousarray(found[:, 0])

    @cached_property
    def _returned(self) -> list[sparse.csr_matrix]:
        """From light on rows to what cells give back of it, of each colour: (cells, rows) csr."""
        whole, layout = self.layout.cells_of_rows(), self.layout
        leaves = len(whole.data) - 4 * len(layout.transmittance)
        behind = whole.data[leaves:].reshape(-1, 4) * np.array([1, -1, -1, -1], np.float32)
        found = []
        for colour in range(3):
            matrix = _scaled(whole, layout.reflectance[:, colour])
            matrix.data[leaves:] += (behind * layout.transmittance[:, colour, None]).ravel()
            found.append(matrix[self.seen])
        return found

    def _all_bounces(self, brought: Callable[[int], Array32], total: Array32) -> Array32:
        """Adds to total (3, rows, k) all bounces, the first of which brings (places, k) of a colour.

        One colour after the other, since a third of the memory is nearer at hand.
        """
        # Each lamp by itself: what it gets must not hang on which others are traced with it.
        going = np.arange(total.shape[2])
        amount = self._amount(total)
        for _ in range(BOUNCES_AT_MOST):
            steps = [self.spread @ brought(colour) for colour in range(3)]
            for colour, step in enumerate(steps):
                if len(going) == total.shape[2]:
                    total[colour] += step
                else:
                    total[colour][:, going] += step
            gain = self._amount(steps)
            amount = amount + gain
            stays = gain > BOUNCE_TOLERANCE * amount
            if not stays.any():
                break
            if not stays.all():
                steps = [np.ascontiguousarray(step[:, stays]) for step in steps]
                going, amount = going[stays], amount[stays]
            brought = partial(self._brought, steps)
        found = total.transpose(1, 2, 0)
        # Smoothing by straight lines undershoots beside a bright edge.
        flat = self.layout.flat_rows
        own = np.maximum(found[:flat], 0.0, out=found[:flat]).reshape(flat, -1)
        derived = found[flat : self.layout.crown_start]
        derived[:] = (self.layout.derived @ own).reshape(derived.shape)
        self._bound_lean(found)
        return found

    def _brought(self, light: list[Array32], colour: int) -> Array32:
        """What nodes and crowns see of light on rows, by colour (rows, k): (places, k)."""
        return self.matrix @ (self._returned[colour] @ light[colour])

    def _amount(self, light: Iterable[Array32]) -> Array:
        """The sum over rows and colours of light (3 of (rows, k)), of each lamp (k,); crowns'
        moments left out."""
        start = self.layout.crown_start
        parts = [part for one in light for part in (one[:start], one[start::4])]
        return np.sum([part.sum(axis=0, dtype=float) for part in parts], axis=0)

    def _bound_lean(self, total: Array32) -> None:
        """Shorten crowns' moments, in place, until no side of any leaf gets less than nothing; lamp
        by lamp, so that sums of lamps stay sums."""
        mean, *moments = (total[self.layout.crown_start + k :: 4] for k in range(4))
        length = np.sqrt(sum(moment * moment for moment in moments))
        shorter = np.minimum(1.0, 1.5 * np.maximum(mean, 0.0) / np.maximum(length, 1e-30))
        for moment in moments:
            moment *= shorter


@dataclass(frozen=True, eq=False)
class _Seen:
    """What some nodes saw: matrix (n, cells) csr; sky (n, 3) [lx]; 1/distance, as root of the
    mean square, and share of backs among the rays (n,)."""

    matrix: sparse.csr_matrix
    sky: Array32
    nearness: Array32
    backs: Array32


def trace_gather(site: Site, layout: Layout, tracer: Tracer) -> Gather:
    """Send all gather rays once, a batch of nodes to a thread."""
    with ThreadPoolExecutor(THREADS) as pool:
        rays = _Rays(site, layout, tracer, pool)
        seen, crowns = rays.from_nodes(), rays.from_crowns()
    inside = seen.backs > BACKS_AT_MOST
    smooth = _smoothing(layout, seen.nearness, inside)
    matrix = sparse.vstack([seen.matrix, crowns.matrix], format="csr", dtype=np.float32)
    spread = _spread(layout, smooth, inside)
    sky = spread @ np.concatenate([seen.sky, crowns.sky])
    met = np.bincount(matrix.indices, minlength=layout.cells) > 0
    matrix = sparse.csr_matrix(
        (matrix.data, (np.cumsum(met, dtype=np.int32) - 1)[matrix.indices], matrix.indptr),
        shape=(matrix.shape[0], int(met.sum())),
    )
    return Gather(tracer, layout, np.flatnonzero(met), matrix, spread, sky)


def _smoothing(layout: Layout, nearness: Array32, inside: Bools) -> sparse.csr_matrix:
    """Each node's share of its neighbours' light, (flat_rows, flat_rows) csr: more, the closer they
    are as against what they see.

    The shares leave what is linear over the plane as it is, and nothing passes edges or corners.
    """
    whole = sparse.identity(layout.flat_rows, np.float32, "csr")
    # A neighbour may be an interpolated one.
    every = sparse.vstack([whole, layout.derived], format="csr")
    nearness, inside = every @ nearness, every @ inside.astype(np.float32) > 0
    for beside in layout.neighbours:
        once = _along(layout.flat_rows, beside, nearness, inside) @ every
        # Twice less what twice over gives (Tukey's twicing): a bend is then left as it is, too.
        whole = (2 * once - once @ once) @ whole
    return whole


def _along(count: int, beside: Neighbours, nearness: Array32, inside: Bools) -> sparse.csr_matrix:
    """Shares along one axis of what nodes and interpolated ones (n,) have: (flat_rows, n) csr."""
    node, before, after = (
        np.where(n < 0, count - 1 - n, n) for n in (beside.node, beside.before, beside.after)
    )
    wide = np.sqrt(beside.gaps.prod(axis=1))
    near = wide * np.maximum(nearness[node], np.maximum(nearness[before], nearness[after]))
    part = 2 / 3 * np.clip((SMOOTH[1] - near) / (SMOOTH[1] - SMOOTH[0]), 0.0, 1.0)
    part[inside[node] | inside[before] | inside[after]] = 0.0
    kept = part > 0
    node, before, after, part = node[kept], before[kept], after[kept], part[kept]
    gaps = beside.gaps[kept]
    own = np.ones(count, np.float32)
    own[node] -= part
    shares = part[:, None] * gaps[:, ::-1] / gaps.sum(axis=1, keepdims=True)
    every = np.arange(count)
    return sparse.csr_matrix(
        (
            np.concatenate([own, shares[:, 0], shares[:, 1]]),
            (np.concatenate([every, node, node]), np.concatenate([every, before, after])),
        ),
        shape=(count, len(nearness)), dtype=np.float32,
    )  # fmt: skip


def _spread(layout: Layout, smooth: sparse.csr_matrix, inside: Bools) -> sparse.csr_matrix:
    """From what nodes and crowns see to all rows.

    Nodes inside something take the light of the nearest of their patch that is not: where a wing's
    roof meets a wall, places between the two are dark; light must not fade towards them over half a
    metre of what is seen.
    """
    dark = np.concatenate([inside, layout.derived @ inside.astype(np.float32) > 0])
    chosen = np.arange(len(dark))
    for grid in layout.patch_rows:
        if grid is not None:
            here = dark[grid.rows]
            if here.any() and not here.all():
                chosen[grid.rows[here]] = grid.rows[nearest_real(~here)][here]
    own = sparse.vstack([smooth, layout.derived @ smooth], format="csr")[chosen[: len(inside)]]
    surfaces = sparse.vstack([own, layout.derived @ own], format="csr")
    crowns = sparse.identity(4 * len(layout.crown_points), np.float32, "csr")
    return sparse.block_diag([surfaces, crowns], format="csr", dtype=np.float32)


class _Rays:
    """Sends rays from nodes and from places in crowns, in batches."""

    def __init__(
        self, site: Site, layout: Layout, tracer: Tracer, pool: ThreadPoolExecutor
    ) -> None:
        self.site, self.layout, self.tracer, self.pool = site, layout, tracer, pool
        self.targets = _Targets(layout, tracer)
        self.count = int(np.clip(RAYS_IN_ALL // max(layout.flat_rows, 1), RAYS, RAYS_AT_MOST))
        self.has_sky = ambient_lx(site) > 0 or moon_of(site) is not None
        # From open ground what stands is seen low: its rays are spread evenly, so that twice as many
        # go lower than 30°, and count by their cosine.
        kinds = np.column_stack([np.round(layout.normals, 6) + 0.0, layout.open])
        # Nodes that face alike and are of the same set of rays send the very same ones.
        self.way = np.unique(kinds, axis=0, return_inverse=True)[1].ravel() * SETS
        self.way += np.arange(layout.flat_rows) % SETS

    def from_nodes(self) -> _Seen:
        """What the nodes see."""
        order = np.argsort(self.way // SETS, kind="stable")
        step = max(1, CHUNK // self.count)
        jobs = [
            partial(self._of_nodes, order[start : start + step])
            for start in range(0, len(order), step)
        ]
        return self._joined(jobs, np.argsort(order), len(order))

    def from_crowns(self) -> _Seen:
        """Four rows a place: mean radiance, and three times its mean along x, y and z."""
        step = max(1, CHUNK // CROWN_RAYS)
        count = len(self.layout.crown_points)
        jobs = [partial(self._in_crowns, start, start + step) for start in range(0, count, step)]
        return self._joined(jobs, np.arange(4 * count), 4 * count)

    def _joined(
        self, jobs: Sequence[Callable[[], _Seen]], place: NDArray[np.intp], rows: int
    ) -> _Seen:
        if not jobs:
            none = sparse.csr_matrix((rows, self.layout.cells), dtype=np.float32)
            return _Seen(none, *(np.zeros(shape, np.float32) for shape in ((rows, 3), rows, rows)))
        found = list(self.pool.map(lambda job: job(), jobs))
        return _Seen(
            sparse.vstack([part.matrix for part in found], format="csr", dtype=np.float32)[place],
            *(
                np.concatenate([getattr(part, name) for part in found])[place]
                for name in ("sky", "nearness", "backs")
            ),
        )

    def _of_nodes(self, nodes: NDArray[np.intp]) -> _Seen:
        layout, count, rays = self.layout, len(nodes), self.count
        alike, first, which = np.unique(self.way[nodes], return_index=True, return_inverse=True)
        facing, even = layout.normals[nodes[first]], layout.open[nodes[first]]
        each = np.empty((len(alike), rays, 3), np.float32)
        weight = np.ones((len(alike), rays), np.float32)
        for kind, some in ((False, ~even), (True, even)):
            sets = alike[some] % SETS
            each[some] = hemisphere_rays(facing[some], rays, sets, kind)
        cosine = np.einsum("nri,ni->nr", each[even], facing[even])
        weight[even] = cosine / cosine.mean(axis=1, keepdims=True)
        origins = (layout.points[nodes] + 0.001 * layout.normals[nodes]).astype(np.float32)
        hits = self.tracer.first(np.repeat(origins, rays, axis=0), each[which].reshape(-1, 3))
        cells = self.targets.cells(hits).reshape(count, rays)
        missed = (hits.triangle < 0).reshape(count, rays)
        sky = np.zeros((count, 3), np.float32)
        if self.has_sky and missed.any():
            radiance = sky_along(self.site, each.reshape(-1, 3)).reshape(*each.shape[:2], 3)
            sky = np.matmul((missed * weight[which])[:, None], radiance[which])[:, 0]
            sky *= np.float32(np.pi / rays)
        near = np.maximum(hits.distance.reshape(count, rays), np.float32(0.01))
        near[missed] = np.inf
        near *= near
        np.reciprocal(near, out=near)
        backs = ((cells < 0) & ~missed).mean(axis=1, dtype=np.float32)
        nearness = np.sqrt((near * weight[which]).mean(axis=1))
        return _Seen(_counted(cells, weight[which], layout.cells), sky, nearness, backs)

    def _in_crowns(self, start: int, stop: int) -> _Seen:
        layout = self.layout
        middles = layout.crown_points[start:stop].astype(np.float32)
        count, around = len(middles), sphere_set(CROWN_RAYS)
        hits = self.tracer.first(
            np.repeat(middles, CROWN_RAYS, axis=0), np.tile(around, (count, 1))
        )
        cells = self.targets.cells(hits)
        moments = np.concatenate([np.ones((CROWN_RAYS, 1), np.float32), 3 * around], axis=1)
        moments /= CROWN_RAYS
        hit = np.flatnonzero(cells >= 0)
        node, ray = np.divmod(hit.astype(np.int32), CROWN_RAYS)
        rows = 4 * node[:, None] + np.arange(4, dtype=np.int32)
        weights = moments[ray] / np.float32(np.pi)
        matrix = sparse.csr_matrix(
            (weights.ravel(), (rows.ravel(), np.repeat(cells[hit], 4))),
            shape=(4 * count, layout.cells), dtype=np.float32,
        )  # fmt: skip
        missed = (hits.triangle < 0).reshape(count, CROWN_RAYS).astype(np.float32)
        bright = sky_along(self.site, around) if self.has_sky else np.zeros_like(around)
        brought = (moments[:, :, None] * bright[:, None, :]).reshape(CROWN_RAYS, -1)
        none = np.zeros(4 * count, np.float32)
        return _Seen(matrix, (missed @ brought).reshape(-1, 3), none, none)


def _counted(cells: NDArray[np.int32], weight: Array32, columns: int) -> sparse.csr_matrix:
    """Each cell's share of a node's rays (n, rays), which count by their weight of mean 1; −1 is no
    cell: (n, columns) csr."""
    count, rays = cells.shape
    met = cells >= 0
    pointer = np.concatenate([[0], np.cumsum(met.sum(axis=1))]).astype(np.int32)
    found = sparse.csr_matrix(
        (weight[met] / np.float32(rays), cells[met], pointer), shape=(count, columns)
    )
    found.sum_duplicates()
    return found


def _scaled(matrix: sparse.csr_matrix, by: Array32) -> sparse.csr_matrix:
    """The same with each row times a number."""
    data = matrix.data * np.repeat(by, np.diff(matrix.indptr))
    return sparse.csr_matrix((data, matrix.indices, matrix.indptr), shape=matrix.shape)
