"""Light and a view → the night in cd/m²: surfaces, mirrors, sky, the lamps' own lenses, bloom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.light.field import Light
from nightview.light.gather import ambient_lx
from nightview.light.rays import Array32
from nightview.light.source import moon_of
from nightview.light.state import LUMINOUS
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.exposure import anchor_ev100, luminance_of_ev100
from nightview.picture.glare import SmallLights, bloom, splat
from nightview.picture.lenses import seen_lenses
from nightview.picture.mirrors import fill_mirrors
from nightview.picture.sky import drawn_sky, moon_disc, stars
from nightview.picture.tone import Edges, shown_cd_m2
from nightview.site.surface import Array

SAMPLES_PX = ((-0.125, -0.375), (0.375, -0.125), (0.125, 0.375), (-0.375, 0.125))
"""Where a pixel is looked at, from its middle: a rotated grid, so that an edge that is almost
upright or level meets the samples one after another, in four steps and not in two."""

STEEP = 1.5
"""A pixel whose samples differ by this factor is an edge; see ``tone.Edges``."""


@dataclass(frozen=True, eq=False)
class Frame:
    """A drawn view. luminance : (h, w, 3) float32, linear RGB whose Y is cd/m², row 0 at the top.

    edges : what was seen within the pixels on bright edges, for ``tone.develop``.
    """

    luminance: Array32
    camera: Camera
    edges: Edges


def draw_frame(
    canvas: Canvas, light: Light, camera: Camera, ev100: float, quick: bool = False
) -> Frame:
    """Draw a light from a camera; the canvas must show that light already.

    ev100 is the job's exposure: it only says how bright a point must be to be worth a halo, and an
    edge to be kept apart. quick : the samples of a pixel lie two by two, and all leaves are gone
    through once, not four times: half the time, for moving pictures.
    """
    return scattered(draw_unscattered(canvas, light, camera, ev100, quick), ev100)


def scattered(frame: Frame, ev100: float) -> Frame:
    """The frame with the halos that the eye adds to what is brighter than a screen shows."""
    luminance = bloom(frame.luminance, frame.camera.fov_deg, shown_cd_m2(ev100))
    return Frame(luminance, frame.camera, frame.edges)


def draw_unscattered(
    canvas: Canvas, light: Light, camera: Camera, ev100: float, quick: bool = False
) -> Frame:
    """The same without halos: linear in the light."""
    samples = (_two_by_two if quick else _rotated)(canvas, light, camera)
    mean = samples.mean(axis=0)
    frame, cover = np.ascontiguousarray(mean[..., :3]), mean[..., 3]
    edges = _edges(samples, frame, ev100)
    add_sky(frame, cover, camera, light)
    add_lights(frame, camera, seen_lenses(light, camera))
    return Frame(frame, camera, edges)


def _rotated(canvas: Canvas, light: Light, camera: Camera) -> Array32:
    """A marked frame with its mirrors for each of ``SAMPLES_PX``: (4, h, w, 4)."""
    samples = np.empty((len(SAMPLES_PX), camera.height, camera.width, 4), np.float32)
    for marked, (x, y) in zip(samples, SAMPLES_PX, strict=True):
        turned = camera.turned(x, y)
        canvas.draw(turned, 1, marked)
        fill_mirrors(marked, turned, 1, light)
    return samples


def _two_by_two(canvas: Canvas, light: Light, camera: Camera) -> Array32:
    """The same on a plain grid, drawn in one go."""
    marked = canvas.draw(camera, 2, band_pixels=4 * camera.width * camera.height)
    fill_mirrors(marked, camera, 2, light)
    return np.stack([marked[y::2, x::2] for y in (0, 1) for x in (0, 1)])


def _edges(samples: Array32, mean: Array32, ev100: float) -> Edges:
    """Pixels within which bright and dark meet, and how each sample differs from their mean."""
    # Green stands for luminance: it has most of it, and the choice may be rough.
    rows, columns = np.nonzero(is_edge(np.moveaxis(samples[..., 1], 0, -1), ev100))
    apart = samples[:, rows, columns, :3] - mean[rows, columns]
    return Edges(rows, columns, np.moveaxis(apart, 0, 1))


def is_edge(samples: Array32, ev100: float) -> NDArray[np.bool_]:
    """Whether pixels with samples (…, k) of luminance are bright and steep enough to be kept apart."""
    most, least = samples.max(axis=-1), samples.min(axis=-1)
    return (most > 0.5 * luminance_of_ev100(ev100)) & (most > STEEP * least)


def add_sky(frame: Array32, cover: Array32, camera: Camera, light: Light) -> None:
    """Add sky, stars and moon to the frame (h, w, 3) where cover (h, w) leaves room."""
    rows, columns = np.nonzero(cover < 0.999)
    if not len(rows):
        return
    site = light.field.site
    surroundings, ambient = site.scene.site.surroundings, ambient_lx(site)
    moon = moon_of(site)
    ways = camera.ways(columns + 0.5, rows + 0.5)
    share = (1 - cover[rows, columns])[:, None] * np.float32(light.state.sky)
    frame[rows, columns] += share * drawn_sky(ways, surroundings, ambient, moon)
    lights = [stars(surroundings)] if ambient > 0 else []
    if moon is not None:
        lights.append(moon_disc(moon))
    add_lights(frame, camera, SmallLights.together(lights), (cover < 0.5) * light.state.sky)


def add_lights(
    frame: Array32, camera: Camera, lights: SmallLights, share: NDArray[np.floating] | None = None
) -> None:
    """Add small lights to the frame, where share (h, w) is given only so much of each."""
    places, depth = camera.project(camera.eye + 1000.0 * lights.directions.astype(float))
    x, y = places.T
    ahead = (
        (depth > 1.0) & (np.abs(x / camera.width - 0.5) < 1) & (np.abs(y / camera.height - 0.5) < 1)
    )
    if share is not None:
        ahead &= (x >= 0) & (y >= 0) & (x < camera.width) & (y < camera.height)
    if not ahead.any():
        return
    lux = lights.illuminance_lx[ahead]
    if share is not None:
        lux = lux * share[y[ahead].astype(int), x[ahead].astype(int)][:, None]
    frame[:] = splat(frame, places[ahead], lux, camera.fov_deg, lights.radius_deg[ahead])


def locked_exposure(light: Light) -> float:
    """The one exposure of a job (EV100): the scene's own, or anchored on its lit surfaces."""
    stated = light.field.site.scene.picture.exposure_ev100
    if stated is not None:
        return stated
    luminance, weights = surface_samples(light)
    return anchor_ev100(luminance.sum(axis=1), weights)


def surface_samples(light: Light) -> tuple[Array32, Array]:
    """Samples of what stands on the ground: each channel's share of its luminance, (n, 3) [cd/m²],
    linear in the light; and the area that each stands for, (n,) [m²]."""
    site = light.field.site
    samples, weights = [np.zeros((0, 3), np.float32)], [np.zeros(0)]
    for patch, values in zip(site.patches, light.patches, strict=True):
        if values is None or patch.owner == "ground":
            continue
        rho = np.asarray(site.materials[patch.material].rgb) * LUMINOUS / np.pi
        step = max(1, min(values.shape[:2]) // 12)
        found = (values[::step, ::step] * rho.astype(np.float32)).reshape(-1, 3)
        samples.append(found)
        weights.append(np.full(len(found), patch.outline.area / len(found)))
    for k, mesh in enumerate(site.meshes):
        rho = np.asarray(site.materials[mesh.material].rgb) * LUMINOUS / np.pi
        samples.append(light.meshes[k] * rho.astype(np.float32))
        weights.append(np.full(len(mesh.vertices), 1.0 / len(mesh.vertices)))
    return np.concatenate(samples), np.concatenate(weights)
