"""Light and a view → the night in cd/m²: surfaces, mirrors, sky, the lamps' own lenses, bloom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightview.light.field import Light
from nightview.light.gather import LUMINOUS, ambient_lx
from nightview.light.rays import Array32
from nightview.light.source import moon_of
from nightview.picture.camera import Camera
from nightview.picture.canvas import Canvas
from nightview.picture.exposure import anchor_ev100
from nightview.picture.glare import bloom, splat
from nightview.picture.mirrors import fill_mirrors
from nightview.picture.sky import drawn_sky, moon_disc, stars
from nightview.picture.tone import shown_cd_m2

SUPERSAMPLING = 2


@dataclass(frozen=True, eq=False)
class Frame:
    """A drawn view. luminance : (h, w, 3) float32, linear RGB whose Y is cd/m², row 0 at the top."""

    luminance: Array32
    camera: Camera


def draw_frame(canvas: Canvas, light: Light, camera: Camera, ev100: float) -> Frame:
    """Draw a light from a camera; the canvas must show that light already.

    ev100 is the job's exposure: it only says how bright a point must be to be worth a halo.
    """
    marked = canvas.draw(camera, SUPERSAMPLING)
    fill_mirrors(marked, camera, SUPERSAMPLING, light)
    s = SUPERSAMPLING
    mean = np.zeros((camera.height, camera.width, 4), np.float32)
    for i in range(s):
        for j in range(s):
            mean += marked[i::s, j::s]
    mean /= np.float32(s * s)
    frame, cover = np.ascontiguousarray(mean[..., :3]), mean[..., 3]
    _add_sky(frame, cover, camera, light)
    _add_lenses(frame, camera, light)
    return Frame(bloom(frame, camera.fov_deg, shown_cd_m2(ev100)), camera)


def _add_sky(frame: Array32, cover: Array32, camera: Camera, light: Light) -> None:
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
    for points in lights:
        places, depth = camera.project(camera.eye + 1000.0 * points.directions)
        ahead = depth > 1.0
        x, y = places[ahead].T
        inside = (x >= 0) & (y >= 0) & (x < camera.width) & (y < camera.height)
        which = np.flatnonzero(ahead)[inside]
        if not len(which):
            continue
        clear = cover[y[inside].astype(int), x[inside].astype(int)] < 0.5
        lux = points.illuminance_lx[which] * clear[:, None] * light.state.sky
        frame[:] = splat(frame, places[which], lux, camera.fov_deg, points.radius_deg)


def _add_lenses(frame: Array32, camera: Camera, light: Light) -> None:
    """Each lens as bright as its beam makes it for this eye, and no brighter."""
    field = light.field
    places, lux, radius = [], [], []
    for part in field.sources:
        source = part.source
        weight = light.state.weight(source)
        if source.kind != "lamp" or not weight.any():
            continue
        position = source.positions[0]
        way = camera.eye - position
        away = float(np.linalg.norm(way))
        cosine = way @ source.axis / away
        phi = np.arctan2(way @ source.second, way @ source.reference)
        candela = float(source.intensity.at(np.array([cosine]), np.array([phi]))[0])
        if candela <= 0:
            continue
        place, depth = camera.project(position[None])
        if depth[0] <= 0.1:
            continue
        if field.tracer.blocked(camera.eye[None].astype(np.float32), position.astype(np.float32))[
            0
        ]:
            continue
        places.append(place[0])
        lux.append(candela / away**2 * weight)
        radius.append(np.degrees(0.5 * source.lens_m * np.sqrt(max(abs(cosine), 0.05)) / away))
    if places:
        frame[:] = splat(frame, np.array(places), np.array(lux), camera.fov_deg, np.array(radius))


def locked_exposure(light: Light) -> float:
    """The one exposure of a job (EV100): the scene's own, or anchored on its lit surfaces."""
    site = light.field.site
    stated = site.scene.picture.exposure_ev100
    if stated is not None:
        return stated
    samples, weights = [np.zeros(0)], [np.zeros(0)]
    for patch, values in zip(site.patches, light.patches, strict=True):
        if values is None or patch.owner == "ground":
            continue
        rho = np.asarray(site.materials[patch.material].rgb) * LUMINOUS / np.pi
        step = max(1, min(values.shape[:2]) // 12)
        found = (values[::step, ::step] @ rho.astype(np.float32)).ravel()
        samples.append(found)
        weights.append(np.full(len(found), patch.outline.area / len(found)))
    for k, mesh in enumerate(site.meshes):
        if mesh.casts:
            rho = np.asarray(site.materials[mesh.material].rgb) * LUMINOUS / np.pi
            samples.append(light.meshes[k] @ rho.astype(np.float32))
            weights.append(np.full(len(mesh.vertices), 1.0 / len(mesh.vertices)))
    return anchor_ev100(np.concatenate(samples), np.concatenate(weights))
