"""A view drawn light by light, so that another state of the lamps is a sum and no new drawing.

Light is linear, and so is its picture but for one thing: how far relief darkens and brightens is
held within bounds that hang on all light together. So a sum of layers is a quick likeness, for
sliders and dragging; a sheet or a still is drawn whole. What one colour of change does to a view is drawn once; dimming a lamp or a zone, or
changing its colour, then costs a multiplication, and the halos, which are added last.
"""

from __future__ import annotations

from collections.abc import Collection
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.light.field import LightField, State, mix
from nightview.light.rays import THREADS, Array32
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.draw import (
    Frame,
    draw_unscattered,
    is_edge,
    scattered,
    surface_samples,
)
from nightview.picture.exposure import anchor_ev100
from nightview.picture.tone import Edges
from nightview.site.surface import Array

BAND_ROWS = 64
MOST_NEW = 2
"""A change that needs more new layers than this is drawn as a whole instead."""
EDGES_BELOW_EV = 6.0
MOST_BYTES = 400 << 20
"""Layers longest unused are dropped beyond this much."""

Mix = tuple[tuple[int, float], ...]
"""Sources by number, each with its share of the strongest: what one layer shows; −1 is the sky."""


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A view in some light. lit, area_m2 : samples of that light, as ``draw.surface_samples``."""

    frame: Frame
    lit: Array32
    area_m2: Array


@dataclass(eq=False)
class Layers:
    """One camera's view of a site, in any state.

    ev100 : as for ``draw_frame``. It may be set anew: what is drawn serves for any exposure less
    than ``EDGES_BELOW_EV`` below that which it was drawn for.
    """

    field: LightField
    canvas: Canvas
    camera: Camera
    ev100: float

    def __post_init__(self) -> None:
        self._base: tuple[State, Array, _Drawn] | None = None
        self._together: tuple[tuple[Mix, ...], _Together] | None = None
        self._layers: dict[tuple[frozenset[str], Mix], _Drawn] = {}

    def frame(self, state: State) -> Frame:
        """The view in a state."""
        return scattered(self.unscattered(state), self.ev100)

    def unscattered(self, state: State) -> Frame:
        """The same without halos."""
        wanted = self._weights(state)
        changes = self._changes_to(state, wanted)
        return self._whole(state, wanted) if changes is None else self._sum(changes)

    def exposure(self, state: State) -> float:
        """What ``draw.locked_exposure`` would be if the state were the design and the file stated
        none; as it was where the state has to be drawn whole."""
        changes = self._changes_to(state, self._weights(state))
        if self._base is None or changes is None:
            return self.ev100
        base = self._base[2]
        lit = base.lit.copy()
        for part, factor in changes:
            lit += self._layer(part, state.absent).lit * factor
        return anchor_ev100(np.maximum(lit.sum(axis=1), 0.0), base.area_m2)

    @property
    def begun(self) -> bool:
        """Whether the view is drawn in some state, so that others are changes of it."""
        return self._base is not None

    def redrawn(self, state: State) -> Frame:
        """The view in a state, drawn whole; later states are changes of it."""
        return scattered(self._whole(state, self._weights(state)), self.ev100)

    def _changes_to(self, state: State, wanted: Array) -> list[tuple[Mix, Array32]] | None:
        """What has to be added to the view as last drawn whole; None where that is too much."""
        if self._base is None or self._base[0].absent != state.absent:
            return None
        changes = _changes(wanted - self._base[1])
        new = [part for part, _ in changes if (state.absent, part) not in self._layers]
        return changes if len(new) <= MOST_NEW else None

    def prepare(self, names: Collection[str]) -> None:
        """Draw ahead what some sources bring, so that their first change together is a sum as well."""
        if self._base is not None:
            sources = enumerate(self.field.sources)
            part = tuple((number, 1.0) for number, one in sources if one.source.name in names)
            self._layer(part, self._base[0].absent)

    def _weights(self, state: State) -> Array:
        """RGB factor of the sky and of each source, (1 + n, 3)."""
        sources = [state.weight(part.source) for part in self.field.sources]
        return np.array([np.full(3, state.sky), *sources])

    def _whole(self, state: State, weights: Array) -> Frame:
        self._base, self._together = (state, weights, self._draw(state)), None
        return self._sum([])

    def _sum(self, changes: list[tuple[Mix, Array32]]) -> Frame:
        """The view as last drawn whole with some layers added, each times its RGB factor.

        Of the edges only those are kept that are bright and steep in the sum.
        """
        assert self._base is not None
        state, _, drawn = self._base
        base, parts = drawn.frame, tuple(part for part, _ in changes)
        layers = [self._layer(part, state.absent).frame for part in parts]
        if self._together is None or self._together[0] != parts:
            self._together = parts, _together([frame.edges for frame in (base, *layers)])
        edges, factors = self._together[1], [factor for _, factor in changes]
        total = np.empty_like(base.luminance)

        def band(top: int) -> Edges:
            rows = slice(top, top + BAND_ROWS)
            here = total[rows]
            here[:] = base.luminance[rows]
            for layer, factor in zip(layers, factors, strict=True):
                here += layer.luminance[rows] * factor
            np.maximum(here, 0.0, out=here)
            return edges.sum(factors, total, rows, self.ev100)

        with ThreadPoolExecutor(THREADS) as pool:  # in bands that stay in the processor's cache
            found = list(pool.map(band, range(0, len(total), BAND_ROWS)))
        columns = zip(*((one.rows, one.columns, one.apart) for one in found), strict=True)
        return Frame(total, self.camera, Edges(*(np.concatenate(part) for part in columns)))

    def _layer(self, part: Mix, absent: frozenset[str]) -> _Drawn:
        """What some sources in fixed proportion bring, white, with some lamps not there."""
        key = absent, part
        if key not in self._layers:
            share = dict(part)
            level = {
                item.source.name: share.get(number, 0.0)
                for number, item in enumerate(self.field.sources)
            }
            white = dict.fromkeys(level, np.ones(3))
            self._layers[key] = self._draw(State(level, white, share.get(-1, 0.0), absent))
            each = self._layers[key].frame.luminance.nbytes
            while len(self._layers) * each > max(MOST_BYTES, MOST_NEW * each):
                del self._layers[next(iter(self._layers))]
        self._layers[key] = self._layers.pop(key)  # the last one used goes last
        return self._layers[key]

    def _draw(self, state: State) -> _Drawn:
        light = mix(self.field, state)
        self.canvas.show(light)
        # A pixel that is an edge in one layer must be known in all that it is added to.
        frame = draw_unscattered(self.canvas, light, self.camera, self.ev100 - EDGES_BELOW_EV)
        return _Drawn(frame, *surface_samples(light))


def _changes(difference: Array) -> list[tuple[Mix, Array32]]:
    """A change of weights (1 + n, 3), the sky's first, as few mixes of sources, each with the RGB
    factor by which it changes."""
    found: dict[tuple[float, ...], list[tuple[int, float]]] = {}
    for row, change in enumerate(difference):
        most = change[np.abs(change).argmax()]
        if abs(most) > 1e-9:
            colour = tuple(np.round(change / most, 6).tolist())
            found.setdefault(colour, []).append((row - 1, float(most)))
    parts = []
    for colour, rows in found.items():
        largest = max((amount for _, amount in rows), key=abs)
        part = tuple((row, round(amount / largest, 6)) for row, amount in rows)
        parts.append((part, np.array(colour, np.float32) * np.float32(largest)))
    return parts


@dataclass(frozen=True, eq=False)
class _Together:
    """The edges of some frames on the pixels of any of them, so that they can be added as arrays.

    rows, columns : (n,), row by row. apart : (n, k, 3) of each frame, 0 where it has no edge.
    green : the second channel of the same, (k, n), by which edges are chosen.
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    apart: list[Array32]
    green: list[Array32]

    def sum(self, factors: list[Array32], luminance: Array32, band: slice, ev100: float) -> Edges:
        """The first frame's edges and those of the others, each times its factor, in a band of rows:
        those that are edges in the summed luminance (h, w, 3)."""
        first, last = np.searchsorted(self.rows, (band.start, band.stop))
        rows, columns = self.rows[first:last], self.columns[first:last]
        seen = self.green[0][:, first:last].copy()
        for green, factor in zip(self.green[1:], factors, strict=True):
            seen += green[:, first:last] * factor[1]
        seen += luminance[rows, columns, 1]
        kept = np.flatnonzero(is_edge(np.maximum(seen, 0.0).T, ev100))
        apart = self.apart[0][first + kept]
        for more, factor in zip(self.apart[1:], factors, strict=True):
            apart += more[first + kept] * factor
        return Edges(rows[kept], columns[kept], apart)


def _together(frames: list[Edges]) -> _Together:
    """Edges of frames of one size, the first frame's and what is to be added to them."""
    wide = 1 << 20
    places = [edges.rows * wide + edges.columns for edges in frames]
    union = np.unique(np.concatenate(places))
    apart = []
    for edges, place in zip(frames, places, strict=True):
        apart.append(np.zeros((len(union), *edges.apart.shape[1:]), np.float32))
        apart[-1][np.searchsorted(union, place)] = edges.apart
    rows, columns = (part.astype(np.intp) for part in np.divmod(union, wide))
    return _Together(rows, columns, apart, [np.ascontiguousarray(a[..., 1].T) for a in apart])
