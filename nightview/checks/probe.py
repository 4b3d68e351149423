"""What a check asks a geometry by rays; answers are kept on disk with the light, so that the same
check asked again sends no ray and needs no ray tracer. Where answers would come out differently
``cache.VERSION`` is raised, as for the light itself."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from nightview.light import cache
from nightview.site.build import Geometry

if TYPE_CHECKING:
    from nightview.light.rays import Array32, Ints, Tracer

Parts = tuple[NDArray, ...]


def digest_of(parts: Iterable[str | NDArray]) -> str:
    """Some texts and arrays in short, by which they are known again."""
    digest = hashlib.blake2b(digest_size=32)
    for part in parts:
        text = part.encode() if isinstance(part, str) else np.ascontiguousarray(part).tobytes()
        digest.update(f"{len(text)} ".encode())
        digest.update(text)
    return digest.hexdigest()


class Probe:
    """Rays against a geometry.

    make_tracer : asked once, for the first answer that is not kept.
    """

    def __init__(self, geometry: Geometry, make_tracer: Callable[[], Tracer]) -> None:
        self.geometry = geometry
        self._make_tracer = make_tracer

    @cached_property
    def tracer(self) -> Tracer:
        """Rays against the geometry."""
        return self._make_tracer()

    @cached_property
    def _key(self) -> str:
        return cache.geometry_key(self.geometry)

    def answer(
        self, question: Iterable[str | NDArray], make: Callable[[], Parts], keep: bool
    ) -> Parts:
        """The arrays that make gives. question : all that they hang on besides the geometry.

        keep : whether they are looked for and kept on disk; not for what is only tried.
        """
        if not keep:
            return make()
        return cache.kept(digest_of([self._key, *question]), make)

    def first(self, origins: Array32, ways: Array32, keep: bool) -> tuple[Ints, Array32]:
        """The surface that rays from origins (n, 3) along ways (n, 3) meet first, −1 for none, in the
        order of ``Geometry.surfaces``, and how far off: (n,) each."""

        def made() -> Parts:
            hits = self.tracer.first(origins, ways)
            met = hits.triangle >= 0
            surface = np.full(len(met), -1, np.int32)
            surface[met] = self.tracer.surface[hits.triangle[met]]
            return surface, np.where(met, hits.distance, 0.0).astype(np.float32)

        surface, distance = self.answer(("first", origins, ways), made, keep)
        return surface, distance
