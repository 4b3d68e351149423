"""What all tables of the scene file share: how they behave, and how a name or a line is written."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from nightview.scene.quantities import Point2

# No control characters, and no blank at either end: names go into captions, tables and file names.
Name = Annotated[
    str,
    Field(
        max_length=80,
        pattern=r"^[^\x00-\x20\x7f]([^\x00-\x1f\x7f]*[^\x00-\x20\x7f])?$",
        examples=["a name of its own"],
    ),
]
Line = Annotated[
    tuple[Point2, ...], Field(min_length=2, examples=[["0 m, 0 m", "0 m, -4 m", "2 m, -9 m"]])
]


class Table(BaseModel):
    """A TOML table: unknown keys are errors, values never change."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", populate_by_name=True, allow_inf_nan=False
    )
