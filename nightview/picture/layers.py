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
from nightview.picture.draw import Frame, draw_unscattered, is_edge, scattered
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


@dataclass(eq=False)
class Layers:
    """One camera's view of a site, in any state. ev100 : as for ``draw_frame``."""

    field: LightField
    canvas: Canvas
    camera: Camera
    ev100: float

    def __post_init__(self) -> None:
        self._base: tuple[State, Array, Frame] | None = None
        self._layers: dict[tuple[frozenset[str], Mix], Frame] = {}

    def frame(self, state: State) -> Frame:
        """The view in a state."""
        return scattered(self.unscattered(state), self.ev100)

    def unscattered(self, state: State) -> Frame:
        """The same without halos."""
        wanted = self._weights(state)
        if self._base is None or self._base[0].absent != state.absent:
            return self._with_edges(self._whole(state, wanted))
        _, before, base = self._base
        changes = _changes(wanted - before)
        new = [part for part, _ in changes if (state.absent, part) not in self._layers]
        if len(new) > MOST_NEW:
            return self._with_edges(self._whole(state, wanted))
        layers = [(self._layer(part, state.absent), factor) for part, factor in changes]
        total = np.empty_like(base.luminance)

        def edges_added() -> Edges:
            edges = base.edges
            for layer, factor in layers:
                edges = _added(edges, layer.edges, factor)
            return edges

        def add(top: int) -> None:
            rows = slice(top, top + BAND_ROWS)
            here = total[rows]
            here[:] = base.luminance[rows]
            for layer, factor in layers:
                here += layer.luminance[rows] * factor
            np.maximum(here, 0.0, out=here)

        with ThreadPoolExecutor(THREADS) as pool:  # in bands that stay in the processor's cache
            edges = pool.submit(edges_added)
            list(pool.map(add, range(0, len(total), BAND_ROWS)))
        return self._with_edges(Frame(total, self.camera, edges.result()))

    @property
    def begun(self) -> bool:
        """Whether the view is drawn in some state, so that others are changes of it."""
        return self._base is not None

    def redrawn(self, state: State) -> Frame:
        """The view in a state, drawn whole; later states are changes of it."""
        frame = self._with_edges(self._whole(state, self._weights(state)))
        return scattered(frame, self.ev100)

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
        self._base = state, weights, self._draw(state)
        return self._base[2]

    def _layer(self, part: Mix, absent: frozenset[str]) -> Frame:
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
            each = self._layers[key].luminance.nbytes
            while len(self._layers) * each > max(MOST_BYTES, MOST_NEW * each):
                del self._layers[next(iter(self._layers))]
        self._layers[key] = self._layers.pop(key)  # the last one used goes last
        return self._layers[key]

    def _draw(self, state: State) -> Frame:
        light = mix(self.field, state)
        self.canvas.show(light)
        # A pixel that is an edge in one layer must be known in all that it is added to.
        return draw_unscattered(self.canvas, light, self.camera, self.ev100 - EDGES_BELOW_EV)

    def _with_edges(self, frame: Frame) -> Frame:
        """Of the edges only those that are bright and steep in the sum."""
        own = frame.edges
        seen = frame.luminance[own.rows, own.columns, 1, None] + own.apart[..., 1]
        kept = is_edge(np.maximum(seen, 0.0), self.ev100)
        edges = Edges(own.rows[kept], own.columns[kept], own.apart[kept])
        return Frame(frame.luminance, self.camera, edges)


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


def _added(edges: Edges, more: Edges, factor: Array32) -> Edges:
    """Edges of one frame and of a layer times a factor."""
    if not len(more.rows):
        return edges
    if not len(edges.rows):
        return Edges(more.rows, more.columns, more.apart * factor)
    wide = 1 << 20  # both come row by row, and so does their union
    own, other = edges.rows * wide + edges.columns, more.rows * wide + more.columns
    place = np.searchsorted(own, other)
    new = own[np.minimum(place, len(own) - 1)] != other
    both = np.insert(own, place[new], other[new])
    apart = np.insert(edges.apart, place[new], np.float32(0), axis=0)
    apart[np.searchsorted(both, other)] += more.apart * factor
    rows, columns = np.divmod(both, wide)
    return Edges(_indices(rows), _indices(columns), apart)


def _indices(values: NDArray[np.integer]) -> NDArray[np.intp]:
    return values.astype(np.intp)
