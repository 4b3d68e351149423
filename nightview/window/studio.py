"""Draws what the window shows. All of it runs in one thread, which alone owns the canvas."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from nightview.errors import NightviewError
from nightview.light.field import Light, LightField, State, mix
from nightview.light.rays import THREADS, Array32
from nightview.picture import tone
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.draw import Frame, draw_frame, draw_unscattered
from nightview.picture.glare import bloom
from nightview.picture.glcheck import ensure_gl
from nightview.picture.layers import BAND_ROWS, Layers
from nightview.picture.looks import LOOKS, Look, look_of
from nightview.picture.still import Still, canvas_of, exposure_of
from nightview.scene.model import View
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import Site, build
from nightview.window.daylight import DAY_EV100, daylight, draw_day
from nightview.window.relight import Check, Relight, without_direct
from nightview.window.sketch import Sight, Sketch, even_light, patterned, sight_of

Pixels = NDArray[np.uint8]
ALL_OFF = "all lamps off"
WARM, NEUTRAL = "all lamps at 2700 K", "all lamps at 4000 K"
OTHER_STATES = {WARM: 2700.0, NEUTRAL: 4000.0}
"""Beside the scene's own states, for comparing."""


@dataclass(frozen=True)
class Shot:
    """What is to be seen. size : in pixels; levels show quantity, "lux" or
    "cd". role : pictures of one role are kept apart from those of another."""

    view: View
    state: str = AS_DESIGNED
    look: str = "camera"
    quantity: str = "lux"
    size: tuple[int, int] = (1280, 720)
    day: bool = False
    role: str = ""

    @property
    def camera(self) -> Camera:
        """Its camera."""
        return Camera.of(self.view, self.size)

    @property
    def shown_as(self) -> Look:
        """Its look."""
        return look_of(self.look, self.quantity)


@dataclass(frozen=True, eq=False)
class Picture:
    """A picture as shown. pixels : (h, w, 3) sRGB codes. light, frame : None in daylight, and of
    a sum.

    settled : drawn in full, as ``still`` would; else a sum of layers that is as good as that, but for
    relief.
    """

    shot: Shot
    site: Site
    pixels: Pixels
    ev100: float
    light: Light | None = None
    frame: Frame | None = None
    settled: bool = True

    def still(self, label: str) -> Still:
        """The same for writing to a file; label : of its state. NightviewError for daylight."""
        if self.light is None or self.frame is None:
            raise NightviewError("still", "the working view is no picture", "show the night first")
        title = self.site.scene.title
        return Still(self.frame, self.light, self.ev100, title, self.shot.view.name, label)


class _Watched:
    """A canvas that can be stopped between two bands, and tells which light it shows."""

    def __init__(self, canvas: Canvas, check: Check) -> None:
        self._canvas, self.check = canvas, check
        self.light: Light | None = None

    def show(self, light: Light) -> None:
        self.check()
        self._canvas.show(light)
        self.light = light

    def draw(self, *given: Any, **more: Any) -> Any:
        self.check()
        return self._canvas.draw(*given, **more)


class Studio:
    """The light of the scene at work, and pictures of it."""

    def __init__(self) -> None:
        self.relight = Relight()
        self._layers: list[tuple[object, Layers, _Watched]] = []
        self._sight: tuple[object, Sight] | None = None
        self._lights: dict[str, Light] = {}
        self._day: tuple[LightField, Light] | None = None

    def field(self, site: Site, check: Check = lambda: None) -> LightField:
        """The light of a site, every lamp by itself."""
        return self.relight.of(site, check)

    def settled(self, site: Site, shot: Shot, check: Check = lambda: None) -> Picture:
        """The picture as ``still`` would draw it."""
        field = self.field(site, check)
        if shot.day:
            return self._in_daylight(field, shot)
        layers, canvas = self._layers_of(field, shot, check)
        state = state_of(field, shot.state)
        frame = layers.redrawn(state)
        light = canvas.light
        assert light is not None
        self._lights[shot.role] = light
        pixels = shot.shown_as.develop(frame, layers.ev100, light)
        return Picture(shot, site, pixels, layers.ev100, light, frame)

    def quick(self, site: Site, shot: Shot, check: Check = lambda: None) -> Picture:
        """The picture as a sum of what is drawn already, where lamps are but switched, dimmed or
        coloured; else as ``settled``."""
        told = None if shot.day or shot.look == "levels" else self.relight.only_told(site)
        last = self.relight.field
        if told is None or last is None or shot.role not in self._lights:
            return self.settled(build(site.scene), shot, check)  # the site may lack lamps' bodies
        layers, _ = self._layers_of(last, shot, check)  # with the field as it was last
        if not layers.begun:
            return self.settled(build(site.scene), shot, check)
        state, stated = state_of(told, shot.state), site.scene.picture.exposure_ev100
        if stated is not None:
            layers.ev100 = stated
        elif shot.state == AS_DESIGNED:  # the exposure follows the design, and so does the picture
            layers.ev100 = layers.exposure(state)
        frame = layers.unscattered(state)
        frame = replace(frame, luminance=quick_halos(frame.luminance, shot.camera, layers.ev100))
        look = shot.shown_as
        pixels = look.develop(frame, layers.ev100, self._lights[shot.role])
        return Picture(shot, site, pixels, layers.ev100, settled=False)

    def moving(self, site: Site, shot: Shot, check: Check = lambda: None) -> Picture:
        """The picture at half the size and with fewer samples, while the camera is led."""
        field = self.field(site, check)
        small = replace(shot, size=(shot.size[0] // 2, shot.size[1] // 2))
        if shot.day:
            return replace(self._in_daylight(field, small), shot=shot, settled=False)
        light = self._light_of(field, state_of(field, shot.state), check)
        ensure_gl()
        canvas = _Watched(canvas_of(site.geometry), check)
        canvas.show(light)
        ev100 = exposure_of(field)
        frame = draw_frame(canvas, light, small.camera, ev100, quick=True)  # type: ignore[arg-type]
        look = small.shown_as if shot.look == "eye" else LOOKS["camera"]
        pixels = look.develop(frame, ev100, light)
        return Picture(shot, site, pixels, ev100, light, frame, settled=False)

    def prepare(
        self, site: Site, shot: Shot, lamps: frozenset[str], check: Check = lambda: None
    ) -> None:
        """Draw ahead what some lamps bring, so that their first change is quick."""
        if shot.day:
            return
        layers, _ = self._layers_of(self.field(site, check), shot, check)
        layers.prepare(lamps)

    def sketch(
        self, site: Site, shot: Shot, lamps: frozenset[str], check: Check = lambda: None
    ) -> Sketch:
        """Make a view ready for some lamps to be dragged in it."""
        field = self.field(site, check)
        ev100 = exposure_of(field)
        share = 2 if len(lamps) <= 2 else 3 if len(lamps) <= 5 else 4
        camera = replace(shot.camera, width=shot.size[0] // share, height=shot.size[1] // share)
        ensure_gl()
        sight = self._sight_of(field, camera, check)
        check()
        state = state_of(field, shot.state)
        light = self._light_of(field, state, check)
        sources = tuple(
            replace(part, source=replace(part.source, kind="light of other surfaces"))
            if part.source.name in lamps
            else part
            for part in field.sources
        )  # so that their own lenses are not drawn
        base = without_direct(light, lamps)
        base = replace(base, field=replace(field, sources=sources))
        canvas = _Watched(canvas_of(site.geometry), check)
        canvas.show(base)
        frame = draw_unscattered(canvas, base, camera, ev100, quick=True)  # type: ignore[arg-type]
        return Sketch(field, sight, frame.luminance, lamps, ev100)

    def close(self) -> None:
        """Let go of the canvas, in the thread that made it: graphics belong to one thread."""
        if self.relight.field is not None and canvas_of.cache_info().currsize:
            canvas_of(self.relight.field.site.geometry).close()
        canvas_of.cache_clear()
        self._layers.clear()
        self._lights.clear()

    # --- parts ------------------------------------------------------------------------------------

    def _layers_of(self, field: LightField, shot: Shot, check: Check) -> tuple[Layers, _Watched]:
        """The layers of a view, kept as long as its lamps stand where they are."""
        ensure_gl()
        ev100 = exposure_of(field)
        view = shot.view
        key = (
            field.site.geometry, tuple((id(part.bounced), *part.source.rgb) for part in field.sources),
            view.eye_m, view.target_m, view.fov_deg, shot.size, shot.role,
            field.site.scene.picture.exposure_ev100,
        )  # fmt: skip
        for kept, layers, canvas in self._layers:
            if kept == key:
                canvas.check, layers.ev100 = check, ev100
                return layers, canvas
        canvas = _Watched(canvas_of(field.site.geometry), check)
        layers = Layers(field, canvas, shot.camera, ev100)  # type: ignore[arg-type]
        self._layers[:] = [*self._layers[-1:], (key, layers, canvas)]
        return layers, canvas

    def _light_of(self, field: LightField, state: State, check: Check) -> Light:
        """The light of a state: that of the last picture where it is the same."""
        for light in self._lights.values():
            ours, theirs = field.sources, light.field.sources
            same = len(ours) == len(theirs) and all(
                one.bounced is other.bounced for one, other in zip(ours, theirs, strict=True)
            )
            if same and _alike(light.state, state, field):
                return light
        check()
        return mix(field, state)

    def _sight_of(self, field: LightField, camera: Camera, check: Check) -> Sight:
        key = (field.site.geometry, *camera.eye, *camera.target, camera.fov_deg, camera.width)
        if self._sight is None or self._sight[0] != key:
            sight = sight_of(field, camera)
            canvas = _Watched(canvas_of(field.site.geometry), check)
            canvas.show(even_light(field))
            drawn = canvas.draw(camera, 2, band_pixels=4 * camera.width * camera.height)
            height, width = camera.height, camera.width
            mean = drawn.reshape(height, 2, width, 2, 4).mean(axis=(1, 3), dtype=np.float32)
            self._sight = key, patterned(sight, mean)
        return self._sight[1]

    def _in_daylight(self, field: LightField, shot: Shot) -> Picture:
        ensure_gl()
        if self._day is None or self._day[0] is not field:
            self._day = field, daylight(field)
        canvas = canvas_of(field.site.geometry)
        frame = draw_day(canvas, self._day[1], shot.camera)
        pixels = tone.develop(frame, DAY_EV100)
        return Picture(shot, field.site, pixels, exposure_of(field))


def quick_halos(luminance: Array32, camera: Camera, ev100: float) -> Array32:
    """``draw.scattered`` worked out on half the pixels each way."""
    height, width = (n // 2 * 2 for n in luminance.shape[:2])
    small = np.empty((height // 2, width // 2, 3), np.float32)
    size = luminance.shape[1::-1]
    out = np.empty_like(luminance)

    def reduce(top: int) -> None:
        rows = luminance[2 * top : min(2 * (top + BAND_ROWS), height), :width]
        here = small[top : top + BAND_ROWS]
        np.add(rows[0::2, 0::2], rows[1::2, 0::2], out=here)
        here += rows[0::2, 1::2]
        here += rows[1::2, 1::2]
        here *= np.float32(0.25)

    def enlarged(plane: Array32) -> Array32:
        image = Image.fromarray(np.ascontiguousarray(plane))
        return np.asarray(image.resize(size, Image.Resampling.BILINEAR))

    def add(top: int) -> None:
        rows = slice(top, top + BAND_ROWS)
        for channel, plane in enumerate(planes):
            np.add(luminance[rows, :, channel], plane[rows], out=out[rows, :, channel])
        np.maximum(out[rows], 0.0, out=out[rows])

    with ThreadPoolExecutor(THREADS) as pool:
        list(pool.map(reduce, range(0, len(small), BAND_ROWS)))
        halo = bloom(small, camera.fov_deg, tone.shown_cd_m2(ev100)) - small
        planes = list(pool.map(enlarged, np.moveaxis(halo, -1, 0)))
        list(pool.map(add, range(0, len(out), BAND_ROWS)))
    return out


def state_of(field: LightField, name: str) -> State:
    """A state of the scene, or one of those that every scene has for comparing."""
    if name == ALL_OFF:
        return field.lamps_off(field.designed)
    if name in OTHER_STATES:
        return field.lamps_at(field.designed, OTHER_STATES[name])
    return field.state(name)


def _alike(one: State, other: State, field: LightField) -> bool:
    return (
        one.absent == other.absent
        and one.sky == other.sky
        and all(
            np.array_equal(one.weight(part.source), other.weight(part.source))
            for part in field.sources
        )
    )
