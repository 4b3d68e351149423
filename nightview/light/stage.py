"""What is worked out once for a geometry, whatever lamps stand in it."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from nightview.light import cache
from nightview.light.direct import Spheres
from nightview.light.gather import Gather, trace_gather
from nightview.light.grids import Grids
from nightview.light.layout import FACING_M, Layout
from nightview.light.rays import Tracer
from nightview.site.build import Geometry, Site
from nightview.site.surface import Array, Mesh


@dataclass(frozen=True, eq=False)
class Stage:
    """A geometry ready for lamps: its rays, grids and gather places, each made when first asked for.

    gathers : the last gather, by the key of the sky that it was made under.
    """

    geometry: Geometry
    gathers: dict[str, Gather] = field(default_factory=dict)

    @cached_property
    def key(self) -> str:
        """Of the geometry's kept light."""
        return cache.geometry_key(self.geometry)

    @cached_property
    def tracer(self) -> Tracer:
        """Rays against the geometry."""
        return Tracer(self.geometry)

    @cached_property
    def grids(self) -> Grids:
        """The nodes of its patches."""
        return Grids(self.geometry)

    @cached_property
    def layout(self) -> Layout:
        """Where light is gathered, and where it comes from."""
        return Layout(self.geometry, self.grids)

    @cached_property
    def spheres(self) -> Spheres:
        """A sphere about each of its surfaces."""
        return Spheres(self.geometry)

    def ready(self) -> Stage:
        """The stage with all that tracing needs made, side by side."""
        with ThreadPoolExecutor(1) as pool:
            building = pool.submit(lambda: self.tracer)  # embree builds without Python's lock
            _ = self.layout, self.spheres
            building.result()
        return self

    def gather(self, site: Site, sky_key: str) -> Gather:
        """The rays between surfaces under a site's sky; traced once."""
        if sky_key not in self.gathers:
            self.gathers.clear()
            self.gathers[sky_key] = trace_gather(site, self.layout, self.tracer)
        return self.gathers[sky_key]

    @cached_property
    def _tree(self) -> cKDTree:
        return cKDTree(np.hstack([self.layout.points, FACING_M * self.layout.normals]))

    def rows_for(self, bodies: Sequence[Mesh]) -> list[NDArray[np.int32]]:
        """For each vertex of some lamps' bodies the gather row that it takes its light from: that
        of the nearest surface that faces alike, so that a moved lamp needs no gathering anew."""
        if not len(self.layout.points):
            return [np.zeros(len(body.vertices), np.int32) for body in bodies]
        return [self.nearest(body.inset, body.normals) for body in bodies]

    def nearest(self, points: Array, normals: Array) -> NDArray[np.int32]:
        """The gather row nearest to each of points (n, 3) with normals (n, 3), facing alike: (n,)."""
        found: NDArray[np.int32] = self._tree.query(np.hstack([points, FACING_M * normals]))[1]
        return found.astype(np.int32)


@lru_cache(maxsize=1)
def set_up(geometry: Geometry) -> Stage:
    """The stage of a geometry; the last one is kept."""
    return Stage(geometry)
