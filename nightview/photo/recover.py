"""A photo by day → what its surfaces are: all that is worked out once a photo, whatever lamps there are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightview.errors import NightviewError, within
from nightview.light.rays import Array32
from nightview.light.stage import set_up
from nightview.photo.daylight import World, daylight_of
from nightview.photo.image import PhotoImage, linear, read_photo
from nightview.photo.mattes import REACH, Mattes, mattes_of
from nightview.photo.pixels import Pixels, pixels_of
from nightview.photo.reflectance import Anchor, Reflectance, recovered
from nightview.photo.skylight import Sky
from nightview.photo.solve import Solved, place_of, solved_of
from nightview.photo.sun import Sun, sun_at, sun_from_shadow
from nightview.picture.camera import Camera
from nightview.scene.faults import label
from nightview.scene.photo_model import Mark, Photo
from nightview.site.build import Site
from nightview.site.landmarks import landmarks_of
from nightview.site.surface import Array

LOWEST_SUN_DEG = 2.0
FAR_GROUND = np.full(3, 0.1)
"""Reflectance of the ground where the scene states none [our choice]."""


@dataclass(frozen=True, eq=False)
class Recovered:
    """A photo that light can be put on. linear : (h, w, 3), 1 being white. sun : None if overcast."""

    photo: Photo
    linear: Array32
    camera: Camera
    pixels: Pixels
    mattes: Mattes
    reflectance: Reflectance
    sun: Sun | None


def opened(site: Site, photo: Photo) -> tuple[Recovered, Solved]:
    """A scene's photo, read from its file, its camera solved, its surfaces recovered.

    Errors: NightviewError for a bad file, marks that tell no camera, and as ``recovered_of``.
    """
    image = read_photo(site.scene.folder / photo.file, f"{label('photo', photo.name)}: file")
    solved = solved_of(site, photo, image)
    reach = max(REACH * image.size[0], 2.0 * solved.corner_px)
    return recovered_of(site, photo, image, solved.camera, reach), solved


def recovered_of(
    site: Site, photo: Photo, image: PhotoImage, camera: Camera, reach_px: float | None = None
) -> Recovered:
    """Read a photo through its solved camera, of the photo's own size.

    reach_px : how far the model's outlines may be off in the picture; see ``mattes_of``.
    Errors: NightviewError for a sun below the horizon or a reference that says nothing.
    """
    with within(f'photo "{photo.name}"'):
        sun = sun_of(site, photo, image, camera)
        way = None if sun is None else sun.way(site.scene.site.north_deg)
        stage = set_up(site.geometry)
        pixels = pixels_of(site.geometry, stage.tracer, camera)
        ground = site.scene.ground
        around = np.asarray(site.materials[ground.material].rgb) if ground else FAR_GROUND
        days = daylight_of(World(site.geometry, stage.tracer, Sky(way), around), pixels)
        colours = linear(image.srgb)
        mattes = mattes_of(colours, pixels, reach_px)
        found = recovered(colours, pixels, days, mattes, _anchor(photo, image), way)
    return Recovered(photo, colours, camera, pixels, mattes, found, sun)


def sun_of(site: Site, photo: Photo, image: PhotoImage, camera: Camera) -> Sun | None:
    """The sun that a photo states, by time and place or by a shadow; None under an overcast sky.

    Errors: NightviewError where it is not above the horizon, or its shadow falls on nothing.
    """
    if photo.light == "overcast":
        return None
    if photo.shadow_of is not None:
        point, tip = _shadow(photo.shadow_of, site, image, camera)
        sun = sun_from_shadow(point, tip, site.scene.site.north_deg)
    else:
        assert photo.time is not None and photo.latitude_deg is not None
        assert photo.longitude_deg is not None  # the scene's rules ask for all three
        sun = sun_at(photo.time, photo.latitude_deg, photo.longitude_deg)
    if sun.elevation_deg < LOWEST_SUN_DEG:
        raise NightviewError(
            "time", f"the sun stands at {sun.elevation_deg:.0f} deg then: no daylight to go by",
            "check time, offset from UTC, latitude and longitude (east of Greenwich is positive)",
        )  # fmt: skip
    return sun


def _shadow(mark: Mark, site: Site, image: PhotoImage, camera: Camera) -> tuple[Array, Array]:
    """A point and where its shadow's tip lies, (3,) each: what the pixel's ray meets."""
    point = place_of(mark, landmarks_of(site.scene), "shadow_of")
    x, y = (np.array([value * image.scale]) for value in mark.pixel)
    way = camera.ways(x, y)
    hits = set_up(site.geometry).tracer.first(camera.eye.astype(np.float32)[None], way)
    if hits.triangle[0] < 0:
        raise NightviewError(
            "shadow_of: pixel", "the model has no surface there for a shadow to fall on",
            "mark the tip of a shadow on the ground or on a wall",
        )  # fmt: skip
    return point, camera.eye + float(hits.distance[0]) * way[0].astype(float)


def _anchor(photo: Photo, image: PhotoImage) -> Anchor | None:
    mark = photo.reference
    if mark is None:
        return None
    column, row = (int(value * image.scale) for value in mark.pixel)
    reach = max(2, round(0.004 * image.size[0]))
    return Anchor(column, row, mark.reflectance, mark.surface, reach)
