"""What a scene says of its wiring: transformers, hubs, cables, and what each lamp draws.

Volts, amperes, watts and volt-amperes; lengths of cable in metres, of both conductors together
(a 10 m cable has 10 m out and 10 m back). Temperatures of the copper in °C.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from nightview.scene.quantities import (
    ApparentPowerVA,
    CurrentA,
    LengthM,
    Point2,
    PositiveM,
    PowerW,
    ResistanceOhm,
    Share,
    TemperatureC,
    TimeH,
    VoltageV,
)
from nightview.scene.table import Line, Name, Table

Gauge = Literal[
    "18 AWG", "16 AWG", "14 AWG", "12 AWG", "10 AWG", "8 AWG",
    "1.5 mm^2", "2.5 mm^2", "4 mm^2", "6 mm^2", "10 mm^2",
]  # fmt: skip
Layout = Literal["daisy", "tee", "hub", "loop"]
Resistance = Literal["stranded", "flexible", "computed"]
Exponent = Annotated[float, Field(ge=0.0, le=2.0)]
PowerFactor = Annotated[float, Field(gt=0.0, le=1.0)]
POWER_FACTOR = 'of the lamp with its driver; on "AC" its volt-amperes drive the current'
EXPONENT = "its watts follow its volts to this power: LED driver 0, filament 1.55, resistor 2"
LEAST = "the volts that it needs; by its data sheet"


class Wiring(Table):
    """What all cables of the job go by."""

    resistance: Resistance = Field(
        "stranded",
        description="of copper: NEC chapter 9 table 8 or IEC 60228 class 2; class 5 for flexible "
        "cable in mm^2; or computed from diameter and resistivity",
    )
    hot_c: TemperatureC = Field(
        75.0, alias="hot", ge=-40.0, le=105.0, description="of the copper, for the lowest volts"
    )
    cold_c: TemperatureC = Field(
        0.0, alias="cold", ge=-40.0, le=105.0, description="of the copper, for the highest volts"
    )
    splice_ohm: ResistanceOhm = Field(
        0.0, alias="splice", le=1.0, description="of one connector, of which each joint has two"
    )
    slack_m: LengthM = Field(
        0.6096, alias="slack", ge=0.0, le=10.0,
        description="of cable left at each lamp, where lengths are not stated",
    )  # fmt: skip
    waste: Share = Field(0.1, description="more cable to order than is laid")
    layout: Layout = Field("daisy", description="of cables that are laid out automatically")
    sleeve_penalty: Annotated[float, Field(ge=1.0, le=100.0)] = Field(
        4.0, description="a metre under a path or drive counts as so many of open trench"
    )
    hours_h: TimeH = Field(5.0, alias="hours", le=24.0, description="a night, all lamps on")
    energy_price: Annotated[float, Field(ge=0.0)] | None = Field(
        None, description="of a kilowatt-hour, in the currency"
    )
    currency: Annotated[str, Field(max_length=8)] = Field("", examples=["USD"])
    reserve: Share = Field(
        0.2, le=0.9, description="of transformers and circuits, to keep free for later"
    )


class Transformer(Table):
    """What feeds the cables: an isolating supply with one or more voltage taps."""

    name: Name = Field(examples=["T1"])
    at_m: Point2 | None = Field(
        None, alias="at", description="needed unless all lengths are stated"
    )
    height_m: LengthM = Field(0.4572, alias="height", ge=0.0, le=10.0, description="above ground")
    power_va: ApparentPowerVA = Field(alias="power")
    taps_v: tuple[VoltageV, ...] = Field(
        alias="taps", min_length=1, examples=[["12 V", "13 V", "14 V", "15 V"]]
    )
    supply: Literal["AC", "DC"] = "AC"
    where: Literal["dry", "wet"] = Field(
        "dry", description="wet: people may touch its lamps or cables while wet, as at a pool"
    )
    commons: Annotated[int, Field(ge=1, le=12)] = Field(
        1, description="secondary circuits, each with a limit of its own"
    )
    circuit_limit_a: CurrentA = Field(
        25.0, alias="circuit_limit", le=25.0, description="of one common"
    )
    tap_limit_a: CurrentA | None = Field(None, alias="tap_limit", description="of one tap")
    efficiency: Annotated[float, Field(gt=0.3, le=1.0)] | None = Field(
        None, description="watts out for watts in, for the energy; not counted if not given"
    )


class Hub(Table):
    """A joint without a lamp, where cables meet."""

    name: Name = Field(examples=["hub A"])
    at_m: Point2 | None = Field(
        None, alias="at", description="needed unless all lengths are stated"
    )


class Cable(Table):
    """A cable from a tap, a hub or a lamp through lamps or hubs.

    Its way is stated by ``length``, ``lengths`` or ``route``; otherwise it is laid out along the
    ground. Stated lengths are of cable as installed: no slack is added to them.
    """

    name: Name = Field(examples=["run 1"])
    start: Name = Field(alias="from", examples=["T1"])
    tap_v: VoltageV | None = Field(
        None, alias="tap", description="of the transformer, where it has several"
    )
    common: Annotated[int, Field(ge=1, le=12)] | None = Field(
        None, description="the circuit that it is landed on; the first if not given"
    )
    through: tuple[Name, ...] = Field(
        min_length=1, description="lamps, rows of them or hubs, in order", examples=[["path"]]
    )
    to: Name | None = Field(
        None, description="what its end is joined to as well: its own start makes a ring"
    )
    gauge: Gauge = "12 AWG"
    parallel: Annotated[int, Field(ge=1, le=4)] = Field(
        1, description="so many cables side by side"
    )
    route_m: Line | None = Field(
        None, alias="route", description="its corners, from where it starts to its last lamp"
    )
    length_m: PositiveM | None = Field(None, alias="length", description="of the whole cable")
    lengths_m: Annotated[tuple[PositiveM, ...], Field(min_length=1)] | None = Field(
        None, alias="lengths", description="of each leg from joint to joint"
    )
    layout: Layout | None = Field(None, description="where it is laid out automatically")


class Load(Table):
    """A lamp that only the wiring knows, for jobs without a model of the garden."""

    id: Name
    at_m: Point2 | None = Field(None, alias="at", description="needed unless lengths are stated")
    power_w: PowerW = Field(alias="power")
    volts_v: VoltageV = Field(alias="volts", description="that its power is rated at")
    volts_min_v: VoltageV | None = Field(None, alias="volts_min", description=LEAST)
    volts_max_v: VoltageV | None = Field(None, alias="volts_max", description="at most")
    source: Literal["led", "halogen"] = "led"
    power_factor: PowerFactor | None = Field(None, description=POWER_FACTOR)
    power_exponent: Exponent | None = Field(None, description=EXPONENT)
    lead_m: LengthM | None = Field(
        None, alias="lead", ge=0.0, le=100.0, description="its own cable"
    )
    lead_gauge: Gauge | None = None
