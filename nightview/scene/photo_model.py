"""What a scene says of a photo by day: its light, where known points are in it, one known colour."""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import Field

from nightview.scene.quantities import AngleDeg, LengthM, Point3
from nightview.scene.table import Name, Table

Pixel = Annotated[
    tuple[float, float],
    Field(
        description="right and down from the upper left corner of the upright picture, in the file's pixels",
        examples=[[812, 455]],
    ),
]


class Mark(Table):
    """A point of the model and where the photo shows it."""

    point: Name | None = Field(
        None, description='a named point of the model, as "nightview match --points" lists them'
    )
    at_m: Point3 | None = Field(None, alias="at", description="instead of a named point")
    pixel: Pixel
    sigma_px: float = Field(
        3.0, alias="off_by", gt=0.0, le=100.0, description="how far the click may be off, pixels"
    )


class Reference(Table):
    """A matte surface of known reflectance in the photo, not burnt out."""

    pixel: Pixel
    reflectance: Annotated[float, Field(ge=0.02, le=0.95)]
    surface: Name | None = Field(None, description="the block or wall it belongs to")


class Photo(Table):
    """A photo by day, to show the night on."""

    name: Name
    file: Annotated[str, Field(min_length=1, description="beside the scene file")]
    light: Literal["overcast", "sun"] = "overcast"
    time: datetime.datetime | None = Field(
        None,
        description="with its offset from UTC, not in quotes: 2026-06-21T15:30:00+02:00; with light = sun",
    )
    latitude_deg: AngleDeg | None = Field(None, alias="latitude", ge=-90.0, le=90.0)
    longitude_deg: AngleDeg | None = Field(
        None, alias="longitude", ge=-180.0, le=180.0, description="east of Greenwich"
    )
    shadow_of: Mark | None = Field(
        None, description="instead of time and place: a point, and the pixel of its shadow's tip"
    )
    focal_35mm_m: LengthM | None = Field(
        None,
        alias="focal_35mm",
        gt=0.005,
        le=2.0,
        examples=["26 mm"],
        description="focal length as on 35 mm film, by the diagonal; by default the photo's own (EXIF)",
    )
    model_sigma_m: LengthM = Field(
        0.02, alias="model_off_by", ge=0.0, le=1.0, description="how far model points may be off"
    )
    marks: tuple[Mark, ...] = ()
    reference: Reference | None = None
