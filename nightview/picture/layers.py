"""A view drawn light by light, so that another state of the lamps is a sum and no new drawing.

Light is linear, and so is its picture but for one thing: how far relief darkens and brightens is
held within bounds that hang on all light together. So a sum of layers is a quick likeness, for
sliders and dragging; a sheet or a still is drawn whole. What one colour of change does to a view is drawn once; dimming a lamp or a zone, or
changing its colour, then costs a multiplication, and the halos, which are added last.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.light.field import LightField, State, mix
from nightview.light.rays import Array32
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.draw import Frame, draw_unscattered, is_edge, scattered
from nightview.picture.tone import Edges
from nightview.site.surface import Array

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
        wanted = self._weights(state)
        if self._base is None or self._base[0].absent != state.absent:
            return self._finished(self._whole(state, wanted))
        _, before, base = self._base
        changes = _changes(wanted - before)
        new = [part for part, _ in changes if (state.absent, part) not in self._layers]
        if len(new) > MOST_NEW:
            return self._finished(self._whole(state, wanted))
        total, edges = base.luminance.copy(), base.edges
        for part, factor in changes:
            layer = self._layer(part, state.absent)
            total += layer.luminance * factor
            edges = _added(edges, layer.edges, factor)
        np.maximum(total, 0.0, out=total)
        return self._finished(Frame(total, self.camera, edges))

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

    def _finished(self, frame: Frame) -> Frame:
        """With halos, and of the edges those that are bright and steep in the sum."""
        seen = frame.luminance[frame.edges.rows, frame.edges.columns, None] + frame.edges.apart
        kept = is_edge(np.maximum(seen[..., 1], 0.0), self.ev100)
        own = frame.edges
        edges = Edges(own.rows[kept], own.columns[kept], own.apart[kept])
        return scattered(Frame(frame.luminance, self.camera, edges), self.ev100)


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
    wide = 1 << 20
    own, other = edges.rows * wide + edges.columns, more.rows * wide + more.columns
    both, places = np.unique(np.concatenate([own, other]), return_inverse=True)
    apart = np.zeros((len(both), *edges.apart.shape[1:]), np.float32)
    apart[places[: len(own)]] = edges.apart
    apart[places[len(own) :]] += more.apart * factor
    rows, columns = np.divmod(both, wide)
    return Edges(_indices(rows), _indices(columns), apart)


def _indices(values: NDArray[np.integer]) -> NDArray[np.intp]:
    return values.astype(np.intp)
