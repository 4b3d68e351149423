"""Where the sun stands, from time and place.

The Astronomical Almanac's approximate algorithm as J. J. Michalsky gives it ("The Astronomical
Almanac's algorithm for approximate solar position (1950-2050)", Solar Energy 40(3), 1988), within
0.01 deg of the Almanac's own figures; refraction by his formula from the same paper.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from nightview.errors import NightviewError
from nightview.site.surface import Array

_NOON_2000 = datetime.datetime(2000, 1, 1, 12, tzinfo=datetime.UTC)
YEARS = (1950, 2050)
"""What the algorithm was fitted to."""


@dataclass(frozen=True)
class Sun:
    """bearing_deg : clockwise from north; elevation_deg : above the horizon, as it looks through air."""

    bearing_deg: float
    elevation_deg: float

    def way(self, north_deg: float) -> Array:
        """Unit vector towards it, (3,), where +y has the bearing north_deg."""
        turn, up = np.radians(self.bearing_deg - north_deg), np.radians(self.elevation_deg)
        return np.array([np.sin(turn) * np.cos(up), np.cos(turn) * np.cos(up), np.sin(up)])


def sun_at(time: datetime.datetime, latitude_deg: float, longitude_deg: float) -> Sun:
    """The sun at a time, seen from a place; longitude east of Greenwich.

    Errors: NightviewError for a time without an offset from UTC, or outside ``YEARS``.
    """
    if time.tzinfo is None:
        raise NightviewError(
            "time", f"{time.isoformat()} does not say in which time zone",
            f"write it with its offset from UTC, such as {time.isoformat()}+01:00",
        )  # fmt: skip
    if not YEARS[0] <= time.year <= YEARS[1]:
        raise NightviewError(
            "time", f"the sun's place is known for {YEARS[0]} to {YEARS[1]}, not for {time.year}",
            "mind the camera's clock",
        )  # fmt: skip
    days = (time - _NOON_2000).total_seconds() / 86400.0
    mean_longitude = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))

    utc = time.astimezone(datetime.UTC)
    midnight = utc.replace(hour=0, minute=0, second=0, microsecond=0)
    hours = (utc - midnight).total_seconds() / 3600.0
    # Greenwich mean sidereal time is 6.697375 h at that noon, and gains 3 min 57 s a day.
    sidereal_h = 6.697375 + 0.0657098242 * days + hours
    angle = np.radians(15.0 * sidereal_h + longitude_deg) - ascension
    latitude = np.radians(latitude_deg)
    up = np.sin(declination) * np.sin(latitude)
    up += np.cos(declination) * np.cos(latitude) * np.cos(angle)
    east = -np.cos(declination) * np.sin(angle)
    north = np.sin(declination) * np.cos(latitude)
    north -= np.cos(declination) * np.sin(latitude) * np.cos(angle)
    elevation = float(np.degrees(np.arcsin(up)))
    bearing = float(np.degrees(np.arctan2(east, north)) % 360.0)
    return Sun(bearing, elevation + refraction_deg(elevation))


def refraction_deg(elevation_deg: float) -> float:
    """How much higher the sun looks than it stands [deg] (Michalsky 1988)."""
    h = max(elevation_deg, -0.56)
    return 3.51561 * (0.1594 + 0.0196 * h + 0.00002 * h * h) / (1 + 0.505 * h + 0.0845 * h * h)


def sun_from_shadow(point: Array, tip: Array, north_deg: float) -> Sun:
    """The sun that throws the shadow of a point (3,) to a tip (3,) [m].

    Errors: NightviewError where the tip is not below the point.
    """
    way = np.asarray(point, float) - np.asarray(tip, float)
    level = float(np.hypot(way[0], way[1]))
    if way[2] <= 0.02:
        raise NightviewError(
            "shadow_of", "the shadow's tip lies no lower than the point that throws it",
            "mark the point first (at or point), then the tip of its shadow (pixel)",
        )  # fmt: skip
    bearing = float((np.degrees(np.arctan2(way[0], way[1])) + north_deg) % 360.0)
    return Sun(bearing, float(np.degrees(np.arctan2(way[2], level))))
