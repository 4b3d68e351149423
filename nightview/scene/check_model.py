"""What a scene says of its checks: what matters most, who lives beside it, limits of its own."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightview.scene.quantities import AngleDeg, Point3, Size2
from nightview.scene.table import Name, Table

Names = Annotated[tuple[Name, ...], Field(examples=[["front door"]])]


class OwnLimit(Table):
    """A limit of this job's own, in the unit of the check."""

    warn: float
    strong: float | None = None
    source: Annotated[str, Field(max_length=200)] = "stated in the scene file"


class Neighbour(Table):
    """A neighbour's window, where their house itself is not in the scene."""

    name: Name
    at_m: Point3 = Field(alias="at", description="the window's middle")
    bearing_deg: AngleDeg = Field(alias="bearing", description="the way the window faces")
    size_m: Size2 = Field((1.2, 1.2), alias="size")


class Check(Table):
    """What the checks go by."""

    zone: Literal["E1", "E2", "E3", "E4"] = Field(
        "E2",
        description="how bright the district is by night: E1 dark, E2 rural, E3 suburban, E4 city",
    )
    curfew: Name | None = Field(None, description="the state that is on late at night")
    age: Annotated[int, Field(ge=5, le=110)] = Field(
        60, description="years; eyes are dazzled more with age"
    )
    focal: Names = Field((), description="what the eye is to find first; the doors by default")
    secondary: Names = Field((), description="what comes second; the lit walls by default")
    fill: Names = Field((), description="what only rounds the scene off; the lit trees by default")
    scallops: Names = Field((), description="fixtures or zones whose scallops are meant")
    neighbours: Names = Field((), description="blocks that are a neighbour's")
    limits: dict[Name, OwnLimit] = Field({}, description="in place of the built-in ones, by name")
