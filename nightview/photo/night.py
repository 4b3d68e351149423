"""The night on a photo: what each surface gives back, times the light that the model's lamps bring it.

Luminance is reflectance · E/π, with E from the core at the pixel's own surface. Light is linear, so a
state, dimming and colour are sums here too: each source is one layer, drawn once. Window glow, mirrors,
lenses, bodies, sky and halos are the pieces that the model's own pictures are made of.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from nightview.light.field import Light, LightField, State, mix
from nightview.light.gather import ambient_lx
from nightview.light.rays import THREADS, Array32, Tracer
from nightview.photo.pixels import seen_along
from nightview.photo.recover import Recovered
from nightview.photo.spread import leaf_blur_px, mean_around
from nightview.picture.draw import (
    SAMPLES_PX,
    Frame,
    add_lights,
    add_sky,
    locked_exposure,
    scattered,
)
from nightview.picture.lenses import seen_lenses
from nightview.picture.looks import LEVELS, Look
from nightview.picture.mirrors import fill_mirrors
from nightview.picture.still import Still
from nightview.picture.tone import Edges
from nightview.site.build import Geometry
from nightview.site.surface import Mesh

KIND = "Picture on a photo, lux from the model."
NOTE = f"{KIND} What the model lacks stays unlit. The final look is set by aiming on site at night."
ON_MODEL = "Calculated: lux on the model's surfaces, as the photo's camera sees them."
SKY = "sky"
"""The name of the layer that is the sky's."""
UNKNOWN_SEES = 0.45
"""Share of the sky's light on level ground that falls on upright things the model lacks."""
BAR_BLUR = 0.02
"""Bars take the mean light of the frames so far around, as a share of the picture's width."""
BAND_ROWS = 64
MOST_BYTES = 1 << 30
"""Layers are made where all of them need no more: some fifty of a photo 1600 pixels wide."""


@dataclass(eq=False)
class PhotoNight:
    """A photo as one more view of a site, in any state. ev100 : the job's locked exposure.

    Frames are luminance, (h, w, 3) float32, linear RGB whose Y is cd/m², as ``layers.Layers`` gives
    them: ``frame`` with halos, ``unscattered`` without; ``layer`` what one source brings.
    """

    recovered: Recovered
    field: LightField
    ev100: float

    def __post_init__(self) -> None:
        self._layers: dict[tuple[frozenset[str], str], Array32] = {}
        self._light: Light | None = None

    def frame(self, state: State) -> Frame:
        """The view in a state."""
        return scattered(self.unscattered(state), self.ev100)

    def unscattered(self, state: State) -> Frame:
        """The same without halos: a sum where its sources have their layers, else drawn whole."""
        parts = {name: weight for name, weight in self._weights(state).items() if weight.any()}
        if all((state.absent, name) in self._layers for name in parts):
            return self._frame(self._sum(state.absent, parts))
        return self._frame(self._drawn(self.light(state)))

    def light(self, state: State) -> Light:
        """The model's light in a state; the last one is kept, since mixing a large site takes long."""
        if self._light is None or self._light.state is not state:
            self._light = mix(self.field, state)
        return self._light

    @property
    def names(self) -> list[str]:
        """The names of all layers: sources (an opening's panes are one), and the sky."""
        return list(dict.fromkeys([part.source.name for part in self.field.sources] + [SKY]))

    def prepare(self, absent: frozenset[str] = frozenset()) -> None:
        """Make all layers, so that any state with these lamps absent is a sum.

        Of more lamps than ``MOST_BYTES`` hold none are made, and states are drawn whole.
        """
        each = 12 * self.recovered.camera.width * self.recovered.camera.height
        if len(self.names) * each <= MOST_BYTES:
            self._layers.clear()
            with ThreadPoolExecutor(THREADS) as pool:
                list(pool.map(lambda name: self.layer(name, absent), self.names))

    def layer(self, name: str, absent: frozenset[str] = frozenset()) -> Array32:
        """What a source brings at full power and white, (h, w, 3), without halos."""
        key = absent, name
        if key not in self._layers:
            level = {other: float(other == name) for other in self.names}
            white = dict.fromkeys(level, np.ones(3))
            alone = State(level, white, float(name == SKY), absent)
            self._layers[key] = self._drawn(mix(self.field, alone))
        return self._layers[key]

    def relit(self, field: LightField) -> PhotoNight:
        """The same photo under another light of the same geometry, for a lamp that was moved."""
        return PhotoNight(self.recovered, field, self.ev100)

    # --- sums -------------------------------------------------------------------------------------

    def _weights(self, state: State) -> dict[str, NDArray[np.floating]]:
        found = {part.source.name: state.weight(part.source) for part in self.field.sources}
        return {SKY: np.full(3, state.sky), **found}

    def _sum(self, absent: frozenset[str], parts: dict[str, NDArray[np.floating]]) -> Array32:
        layers = [(self._layers[absent, name], w.astype(np.float32)) for name, w in parts.items()]
        total = np.zeros((*self.recovered.pixels.shape, 3), np.float32)

        def add(top: int) -> None:
            rows = slice(top, top + BAND_ROWS)
            for layer, weight in layers:
                total[rows] += layer[rows] * weight

        with ThreadPoolExecutor(THREADS) as pool:  # in bands that stay in the processor's cache
            list(pool.map(add, range(0, len(total), BAND_ROWS)))
        return total

    def _frame(self, luminance: Array32) -> Frame:
        # The photo's own pixels are soft at edges, so no samples are kept apart.
        none = np.zeros(0, np.intp)
        return Frame(
            luminance, self.recovered.camera, Edges(none, none, np.zeros((0, 1, 3), np.float32))
        )

    # --- one light --------------------------------------------------------------------------------

    def _drawn(self, light: Light) -> Array32:
        """The photo under a light, (h, w, 3)."""
        pixels, mattes = self.recovered.pixels, self.recovered.mattes
        direct = pixels.solid.illuminance(light)
        lux = direct[mattes.source]
        for bars, frames in mattes.bars:
            around, weight = mean_around(
                direct[frames], frames, bars, pixels.shape, BAR_BLUR * pixels.shape[1]
            )
            lux[bars[weight > 1e-3]] = around[weight > 1e-3]
        ambient = ambient_lx(light.field.site) * light.state.sky
        lux[self._unknown] = UNKNOWN_SEES * ambient
        lux[mattes.far.ravel()] = ambient
        found = lux * self._solid_per_lux
        if len(pixels.at_leaf):
            leaves = pixels.leaves.illuminance(light)
            at = pixels.at_leaf, mattes.leaf_reach
            spread, _ = mean_around(leaves, *at, pixels.shape, leaf_blur_px(pixels.shape) / 2)
            found[mattes.leaf_reach] += spread * self._leaf_per_lux
        frame = found.reshape(*pixels.shape, 3)
        self._add_panes(frame, light)
        self._add_bodies(frame, light)
        if light.state.sky:
            add_sky(frame, self._cover, pixels.camera, light)
        add_lights(frame, pixels.camera, seen_lenses(light, pixels.camera))
        return np.maximum(frame, 0.0)

    @cached_property
    def _share(self) -> Array32:
        """Share of each pixel that is neither sky nor leaf, (h, w)."""
        mattes = self.recovered.mattes
        return np.clip(1 - mattes.sky - mattes.leaf, 0.0, 1.0)

    @cached_property
    def _cover(self) -> Array32:
        """Share of each pixel that is not sky, (h, w)."""
        mattes = self.recovered.mattes
        return 1 - np.minimum(mattes.sky, 1 - mattes.leaf)

    @cached_property
    def _solid_per_lux(self) -> Array32:
        return self.recovered.reflectance.solid * (self._share.reshape(-1, 1) / np.float32(np.pi))

    @cached_property
    def _leaf_per_lux(self) -> Array32:
        mattes = self.recovered.mattes
        share = mattes.leaf.reshape(-1, 1)[mattes.leaf_reach] / np.float32(np.pi)
        return self.recovered.reflectance.leaf * share

    @cached_property
    def _unknown(self) -> NDArray[np.intp]:
        return np.flatnonzero(~self.recovered.mattes.known.ravel())

    @cached_property
    def _marks(self) -> tuple[NDArray[np.intp], NDArray[np.intp], Array32]:
        """Rows and columns of glass and water, and what a canvas would mark there."""
        seen, shape = self.recovered.pixels.solid, self.recovered.pixels.shape
        panes = (seen.where("glass") | seen.where("water")).reshape(shape)
        rows, columns = np.nonzero((self.recovered.mattes.pane > 0.01) & panes.any())
        where = ndimage.distance_transform_edt(~panes, return_distances=False, return_indices=True)
        at = where[0][rows, columns] * shape[1] + where[1][rows, columns]
        marks = np.column_stack([-1.0 - seen.surface[at], seen.uv[at]])
        return rows, columns, marks.astype(np.float32)

    def _add_panes(self, frame: Array32, light: Light) -> None:
        """What glass and water mirror, and the rooms that glow behind glass."""
        rows, columns, marks = self._marks
        if len(rows):
            marked = np.zeros((*frame.shape[:2], 4), np.float32)
            marked[rows, columns, :3] = marks
            fill_mirrors(marked, self.recovered.camera, 1, light)
            share = self._share[rows, columns] * self.recovered.mattes.pane[rows, columns]
            frame[rows, columns] += share[:, None] * marked[rows, columns, :3]

    @cached_property
    def _bodies(self) -> list[_Body]:
        return [_body(mesh, self.recovered) for mesh in self.field.site.bodies]

    def _add_bodies(self, frame: Array32, light: Light) -> None:
        """The lamps' own bodies, which stand in no photo by day."""
        flat, materials = frame.reshape(-1, 3), light.field.site.materials
        for number, (mesh, body) in enumerate(
            zip(light.field.site.bodies, self._bodies, strict=True)
        ):
            if mesh.fixture in light.state.absent or not len(body.pixel):
                continue
            lux = np.einsum("nk,nkc->nc", body.shares, light.bodies[number][body.corners])
            flat[body.pixel] *= (1 - body.cover)[:, None]
            part = lux * materials[mesh.material].per_lux / np.float32(len(SAMPLES_PX))
            np.add.at(flat, body.at, part)


@dataclass(frozen=True, eq=False)
class _Body:
    """A lamp's body as the photo's camera sees it.

    pixel, cover : pixels that show it, and how much. at, corners, shares : (n,), (n, 3), (n, 3), of
    each sample that met it: its pixel, the vertices of the face and their shares.
    """

    pixel: NDArray[np.intp]
    cover: Array32
    at: NDArray[np.intp]
    corners: NDArray[np.integer]
    shares: Array32


def _body(mesh: Mesh, own: Recovered) -> _Body:
    camera, shape = own.camera, own.pixels.shape
    places, depth = camera.project(mesh.vertices)
    none = np.zeros(0, np.intp)
    empty = _Body(
        none, np.zeros(0, np.float32), none, np.zeros((0, 3), int), np.zeros((0, 3), np.float32)
    )
    if (depth < 0.1).any():
        return empty
    low = np.maximum(np.floor(places.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(places.max(axis=0)).astype(int) + 2, [shape[1], shape[0]])
    if (high <= low).any():
        return empty
    y, x = (side.ravel() for side in np.mgrid[low[1] : high[1], low[0] : high[0]])
    alone = Geometry((), (), (mesh,), (), {}, frozenset())
    tracer = Tracer(alone)
    eye = camera.eye.astype(np.float32)
    found = []
    for dx, dy in SAMPLES_PX:
        ways = camera.ways(x + 0.5 + dx, y + 0.5 + dy)
        seen = seen_along(
            alone, tracer, np.ascontiguousarray(np.broadcast_to(eye, ways.shape)), ways
        )
        pixel = y * shape[1] + x
        away = np.linalg.norm(seen.point - eye, axis=1)
        solid = own.pixels.solid
        behind = np.where(
            solid.surface[pixel] >= 0, np.linalg.norm(solid.point[pixel] - eye, axis=1), np.inf
        )
        hit = (seen.surface >= 0) & (away < behind + 0.05)
        u, v = seen.uv[hit].T
        found.append((pixel[hit], mesh.faces[seen.part[hit]], np.stack([1 - u - v, u, v], axis=1)))
    at, corners, shares = (np.concatenate(parts) for parts in zip(*found, strict=True))
    pixel, count = np.unique(at, return_counts=True)
    cover = (count / len(SAMPLES_PX)).astype(np.float32)
    return _Body(pixel, cover, at, corners, shares.astype(np.float32))


# --- pictures -------------------------------------------------------------------------------------


def night_of(own: Recovered, field: LightField, ev100: float | None = None) -> PhotoNight:
    """A photo as a view of a site's light. ev100 : the job's locked exposure if not given."""
    night = PhotoNight(own, field, 0.0)
    stated = field.site.scene.picture.exposure_ev100 if ev100 is None else ev100
    night.ev100 = locked_exposure(night.light(field.designed)) if stated is None else stated
    return night


def draw(night: PhotoNight, state: State, label: str = "as designed") -> Still:
    """The photo in a state, as a still whose view is the photo's name."""
    title, name = night.field.site.scene.title, night.recovered.photo.name
    return PhotoStill(night.frame(state), night.light(state), night.ev100, title, name, label)


class PhotoStill(Still):
    """A still on a photo; it says so."""

    def note(self, look: Look) -> str:
        """What its caption says of it in that look."""
        return ON_MODEL if look is LEVELS["lux"] else NOTE

    def texts(self, look: Look) -> dict[str, str]:
        """The text entries of its picture's file."""
        return super().texts(look) | {"Comment": NOTE}
