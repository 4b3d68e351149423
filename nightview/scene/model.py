"""What a scene file holds: frozen values in SI units, checked on construction.

Each class is one table of the TOML file. Keys in the file are the aliases (``beam``); attributes
carry their unit (``beam_deg``). Metres, lumens, candela, kelvin, lux, watts; angles in degrees.
Axes: x along the front, y into the lot, z up; bearings clockwise from north.
"""

from __future__ import annotations

import pathlib
from typing import Annotated, Any, Literal

from pydantic import Field, PrivateAttr

from nightview.scene.check_model import Check, Neighbour
from nightview.scene.photo_model import Photo
from nightview.scene.quantities import (
    AngleDeg,
    CctK,
    FluxLm,
    FromFile,
    IlluminanceLx,
    IntensityCd,
    LengthM,
    LuminanceCdM2,
    Point2,
    Point3,
    PositiveM,
    PowerW,
    Share,
    Size2,
    VoltageV,
)
from nightview.scene.table import Line, Name, Table
from nightview.scene.wiring_model import (
    EXPONENT,
    LEAST,
    POWER_FACTOR,
    Cable,
    Exponent,
    Gauge,
    Hub,
    Load,
    PowerFactor,
    Transformer,
    Wiring,
)

Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Reflectance = Annotated[float, Field(ge=0.0, le=0.95)]
Side = Literal["front", "back", "left", "right"]
Outline = Annotated[
    tuple[Point2, ...], Field(min_length=3, examples=[["0 m, 0 m", "4 m, 0 m", "4 m, 3 m"]])
]


# --- surroundings ---------------------------------------------------------------------------------


class Site(Table):
    """Where the house stands and what light is there without our lamps."""

    surroundings: Literal["none", "dark", "rural", "suburban", "city"] = "none"
    ambient_lx: IlluminanceLx | None = Field(None, alias="ambient")
    north_deg: AngleDeg = Field(0.0, alias="north", description="bearing of the +y axis")
    season: Literal["leaf", "bare"] = "leaf"


class Ground(Table):
    """A flat plane at z = 0 around the house."""

    material: str = "grass"
    size_m: Size2 = Field(alias="size")
    centre_m: Point2 = Field((0.0, 0.0), alias="centre")


class Moon(Table):
    """Parallel light of a moon; full moon 0.05 to 0.1 lx typical, 0.32 lx at most (Kyba 2017)."""

    illuminance_lx: IlluminanceLx = Field(0.1, alias="illuminance", description="facing the moon")
    bearing_deg: AngleDeg = Field(200.0, alias="bearing")
    elevation_deg: AngleDeg = Field(40.0, alias="elevation", gt=0.0, le=90.0)
    cct_k: CctK = Field(4100.0, alias="cct")
    on: bool = True


# --- the built ------------------------------------------------------------------------------------


class Roof(Table):
    """A roof on a block; a flat roof has no pitch."""

    kind: Literal["gable", "hip", "shed", "flat"] = "gable"
    pitch_deg: AngleDeg = Field(40.0, alias="pitch", gt=0.0, lt=80.0)
    ridge: Literal["along", "across"] = "along"
    overhang_m: LengthM = Field(0.4, alias="overhang", ge=0.0, le=5.0)
    thickness_m: PositiveM = Field(0.15, alias="thickness", le=1.0)
    material: str = "charcoal shingle"


class Block(Table):
    """A box with a roof; several may overlap and join as wings."""

    name: Name
    at_m: Point2 = Field(alias="at", description="front left corner, seen from the front")
    size_m: Size2 = Field(alias="size", description="width along the front, depth")
    height_m: PositiveM = Field(alias="height", description="from base to eaves")
    base_m: LengthM = Field(0.0, alias="base", ge=-5.0, le=50.0)
    turn_deg: AngleDeg = Field(
        0.0, alias="turn", description="counter-clockwise from above, about at"
    )
    material: str = "off-white stucco"
    trim: str = "white paint"
    plinth_m: LengthM = Field(0.0, alias="plinth", ge=0.0, description="height of a plinth course")
    plinth_material: str = "fieldstone"
    roof: Roof = Roof()


class Opening(Table):
    """A window or door in a block's wall."""

    name: Name
    block: Name = Field(examples=["house"])
    side: Side = "front"
    kind: Literal["window", "door", "glazed door", "garage door"] = "window"
    along_m: LengthM = Field(
        alias="along",
        description="from the wall's left end, seen from outside, to the opening's middle",
    )
    sill_m: LengthM = Field(0.9, alias="sill", ge=0.0, description="above the block's base")
    size_m: Size2 = Field(alias="size")
    panes: tuple[Annotated[int, Field(ge=1, le=12)], Annotated[int, Field(ge=1, le=12)]] = Field(
        (2, 2), description="panes across and up"
    )
    reveal_m: LengthM = Field(0.1, alias="reveal", ge=0.0, le=0.6)
    material: str = Field("green paint", description="of a door's leaf")
    frame: str = "white paint"
    behind: str = Field("", description="who or what is behind: bedroom, kitchen")
    glow_cd_m2: LuminanceCdM2 = Field(0.0, alias="glow", description="luminance of the lit room")
    glow_cct_k: CctK = Field(2700.0, alias="glow_cct")
    count: Annotated[int, Field(ge=1, le=60)] = 1
    spacing_m: PositiveM | None = Field(None, alias="spacing", description="centre to centre")


class Porch(Table):
    """A roofed stand before a wall: floor slab, posts, beam and a shed or gable roof."""

    name: Name
    block: Name = Field(examples=["house"])
    side: Side = "front"
    along_m: LengthM = Field(alias="along")
    size_m: Size2 = Field(alias="size", description="width along the wall, depth out from it")
    height_m: PositiveM = Field(alias="height", description="ground to the underside of the beam")
    floor_m: LengthM = Field(0.15, alias="floor", ge=0.0, description="floor above the ground")
    posts: Annotated[int, Field(ge=0, le=20)] = 2
    post: Literal["round", "square"] = "square"
    post_width_m: PositiveM = Field(0.18, alias="post_width", le=2.0)
    roof: Literal["shed", "gable", "flat"] = "shed"
    pitch_deg: AngleDeg = Field(20.0, alias="pitch", gt=0.0, lt=70.0)
    material: str = "cedar"
    floor_material: str = "bluestone"
    roof_material: str = "charcoal shingle"


class Column(Table):
    """A free-standing column or pier."""

    name: Name
    at_m: Point2 = Field(alias="at")
    shape: Literal["round", "square"] = "round"
    width_m: PositiveM = Field(0.35, alias="width", le=5.0)
    height_m: PositiveM = Field(alias="height")
    base_m: LengthM = Field(0.0, alias="base")
    material: str = "limestone"


class Steps(Table):
    """A flight of steps that rises along its bearing."""

    name: Name
    at_m: Point2 = Field(alias="at", description="middle of the lowest riser")
    width_m: PositiveM = Field(alias="width")
    count: Annotated[int, Field(ge=1, le=60)]
    riser_m: PositiveM = Field(0.15, alias="riser", le=0.4)
    tread_m: PositiveM = Field(0.35, alias="tread", le=2.0)
    bearing_deg: AngleDeg = Field(0.0, alias="bearing", description="the way up; 0 deg is +y")
    base_m: LengthM = Field(0.0, alias="base")
    material: str = "bluestone"


class Chimney(Table):
    """A stack that rises through a roof."""

    name: Name
    at_m: Point2 = Field(alias="at", description="its middle")
    size_m: Size2 = Field((0.8, 0.6), alias="size")
    base_m: LengthM = Field(0.0, alias="base")
    top_m: PositiveM = Field(alias="top")
    material: str = "red brick"


class GardenWall(Table):
    """A wall or fence along a line."""

    name: Name
    kind: Literal["wall", "fence"] = "wall"
    line_m: Line = Field(alias="line")
    height_m: PositiveM = Field(alias="height")
    thickness_m: PositiveM = Field(0.22, alias="thickness", le=2.0)
    base_m: LengthM = Field(0.0, alias="base")
    material: str = "fieldstone"


class Terrace(Table):
    """A paved platform, level with the ground or raised."""

    name: Name
    at_m: Point2 | None = Field(None, alias="at", description="front left corner, with size")
    size_m: Size2 | None = Field(None, alias="size")
    outline_m: Outline | None = Field(None, alias="outline")
    height_m: LengthM = Field(0.0, alias="height", ge=0.0, le=10.0)
    material: str = "bluestone"
    edge_material: str = "fieldstone"


class Path(Table):
    """A strip of paving on the ground along a centre line; a drive is a wide one."""

    name: Name
    line_m: Line = Field(alias="line")
    width_m: PositiveM = Field(alias="width")
    curved: bool = Field(False, description="a smooth curve through the points")
    material: str = "gravel"


class Area(Table):
    """A bed or a pond on the ground: an outline, or an ellipse by centre and size."""

    name: Name
    outline_m: Outline | None = Field(None, alias="outline")
    centre_m: Point2 | None = Field(None, alias="centre")
    size_m: Size2 | None = Field(None, alias="size")
    curved: bool = False


class Bed(Area):
    """A planting bed."""

    material: str = "brown mulch"


class Pond(Area):
    """Still water, level with the ground."""

    ripple: Fraction = Field(0.15, description="0 a mirror, 1 a breeze")


# --- plants ---------------------------------------------------------------------------------------


class Tree(Table):
    """A tree by its height and crown."""

    name: Name
    kind: Literal["broadleaf", "conifer", "palm", "columnar", "multi-stem"] = "broadleaf"
    at_m: Point2 = Field(alias="at")
    height_m: PositiveM = Field(alias="height", ge=0.3, le=80.0)
    crown_m: PositiveM | None = Field(None, alias="crown", ge=0.1, description="crown diameter")
    clear_m: LengthM | None = Field(
        None, alias="clear", ge=0.0, description="trunk below the crown"
    )
    gap: Annotated[float, Field(gt=0.02, lt=0.98)] | None = Field(
        None, description="share of sky seen through the middle of the crown"
    )
    season: Literal["leaf", "bare"] | None = None
    leaf: str | None = Field(None, description="leaf material; by kind if not given")
    bark: str = "grey-brown bark"
    seed: Annotated[int, Field(ge=0)] = 0


class Shrub(Table):
    """A round shrub, or a row of them."""

    name: Name
    at_m: Point2 = Field(alias="at")
    height_m: PositiveM = Field(alias="height", ge=0.1, le=10.0)
    width_m: PositiveM | None = Field(None, alias="width", ge=0.1)
    gap: Annotated[float, Field(gt=0.02, lt=0.98)] = 0.12
    leaf: str = "leaf"
    count: Annotated[int, Field(ge=1, le=100)] = 1
    to_m: Point2 | None = Field(None, alias="to", description="with count: the last one's place")


class Hedge(Table):
    """A clipped hedge along a line."""

    name: Name
    line_m: Line = Field(alias="line")
    height_m: PositiveM = Field(alias="height", ge=0.1, le=15.0)
    width_m: PositiveM = Field(0.6, alias="width", ge=0.1, le=6.0)
    gap: Annotated[float, Field(gt=0.02, lt=0.98)] = 0.05
    leaf: str = "leaf"


class Mesh(Table):
    """An imported mesh: glTF, OBJ, PLY or STL."""

    name: Name
    file: str = Field(description="beside the scene file", examples=["statue.glb"])
    unit: Literal["m", "cm", "mm", "ft", "in"] = "m"
    up: Literal["y", "z"] | None = Field(None, description="glTF is y-up, the others z-up")
    at_m: Point3 = Field((0.0, 0.0, 0.0), alias="at")
    turn_deg: AngleDeg = Field(0.0, alias="turn")
    material: str = "off-white stucco"


class Material(Table):
    """A material of the scene's own: reflectance as linear RGB, and a pattern's name."""

    rgb: tuple[Reflectance, Reflectance, Reflectance]
    pattern: str | None = None


# --- lamps ----------------------------------------------------------------------------------------


class Lamp(Table):
    """A lamp as bought: how much light, which way, what colour."""

    kind: Literal["beam", "hat", "omni", "wash", "linear", "table", "file"] | None = None
    like: str | None = Field(None, description="take all missing keys from this lamp")
    source: Literal["led", "halogen"] | None = Field(
        None, description="halogen light reddens as it is dimmed"
    )
    flux_lm: FluxLm | None = Field(None, alias="flux")
    flux_per_metre_lm: FluxLm | None = Field(
        None, alias="flux_per_metre", description="of a linear lamp, instead of flux"
    )
    length_m: PositiveM | None = Field(
        None, alias="length", ge=0.02, le=50.0, description="of a linear lamp"
    )
    beam_deg: AngleDeg | None = Field(
        None,
        alias="beam",
        gt=0.5,
        le=150.0,
        description="full width at half peak; of a linear lamp, across its length",
    )
    field_deg: AngleDeg | None = Field(
        None, alias="field", gt=1.0, le=178.0, description="full width at a tenth of the peak"
    )
    width_deg: AngleDeg | None = Field(
        None, alias="width", gt=1.0, le=150.0, description="of a wash lamp: across, at half peak"
    )
    spill: Annotated[float, Field(ge=0.0, le=0.2)] | None = Field(
        None,
        description="of the peak, that the lens scatters by the cosine of the angle off the axis",
    )
    cutoff_deg: AngleDeg | None = Field(None, alias="cutoff", gt=5.0, le=90.0)
    intensity: tuple[tuple[AngleDeg, IntensityCd], ...] | None = Field(
        None, min_length=2, description="pairs of angle from the axis and candela"
    )
    file: str | None = Field(None, description="LM-63 photometric file beside the scene file")
    cct_k: CctK | None = Field(None, alias="cct")
    power_w: PowerW | None = Field(None, alias="power")
    power_per_metre_w: PowerW | None = Field(
        None, alias="power_per_metre", description="of a linear lamp, instead of power"
    )
    volts_v: VoltageV | None = Field(
        None, alias="volts", description="that its power is rated at; 12 V if not given"
    )
    volts_min_v: VoltageV | None = Field(None, alias="volts_min", description=LEAST)
    volts_max_v: VoltageV | None = Field(None, alias="volts_max", description="at most")
    power_factor: PowerFactor | None = Field(None, description=POWER_FACTOR)
    power_exponent: Exponent | None = Field(None, description=EXPONENT)
    lead_m: LengthM | None = Field(
        None, alias="lead", ge=0.0, le=100.0, description="its own cable"
    )
    lead_gauge: Gauge | None = None
    lens_m: PositiveM | None = Field(
        None, alias="lens", le=1.0, description="lens diameter; of a linear lamp its width"
    )
    loss_factor: Annotated[float, Field(gt=0.0, le=1.0)] | None = None
    body: Literal["spike", "hat", "flush", "sconce", "hung", "none"] | None = None
    note: str = ""


class Fixture(Table):
    """A lamp in its place, or a row of them.

    Placed by ``at``, a row up to ``to``; or by ``block``, ``side``, ``along``, ``out``; or by
    ``path``, ``start``.
    """

    id: Name
    lamp: Name = Field(examples=["accent 36"])
    zone: Name = Field("garden", description="lamps that are switched and dimmed together")
    option: Name | None = Field(
        None, description="a state: the lamp is there in it, and in states like it, alone"
    )
    at_m: Point3 | None = Field(None, alias="at")
    to_m: Point3 | None = Field(
        None, alias="to", description="with at and count: the last one's place, the others between"
    )
    block: Name | None = None
    side: Side = "front"
    along_m: LengthM | None = Field(None, alias="along")
    out_m: PositiveM | None = Field(None, alias="out")
    path: Name | None = None
    start_m: LengthM | None = Field(None, alias="start", ge=0.0)
    verge: Literal["left", "right", "both", "staggered"] = "staggered"
    verge_m: LengthM = Field(0.2, alias="verge_distance", description="from the path's edge")
    height_m: LengthM | None = Field(
        None, alias="height", description="of the lens above the ground, terrace or porch floor"
    )
    count: Annotated[int, Field(ge=1, le=200)] = 1
    spacing_m: PositiveM | None = Field(None, alias="spacing")
    aim_m: Point3 | None = Field(None, alias="aim")
    aim_at: Name | None = None
    bearing_deg: AngleDeg | None = Field(None, alias="bearing")
    elevation_deg: AngleDeg | None = Field(None, alias="elevation", ge=-90.0, le=90.0)
    roll_deg: AngleDeg = Field(0.0, alias="roll")
    cct_k: CctK | None = Field(None, alias="cct")
    dim: Share = Field(1.0, description="of the control: 1 or 100 % is full")
    on: bool = True
    shield_deg: AngleDeg | None = Field(
        None,
        alias="shield",
        ge=5.0,
        le=90.0,
        description="a collar about the lens: no light farther than this from the aim",
    )
    lights: Name | None = Field(
        None, description="what it is meant to light; by default what its aim meets first"
    )

    @property
    def lamp_ids(self) -> tuple[str, ...]:
        """What each of its lamps is called: the id, or in a row "id-1", "id-2" and so on."""
        n = self.count * (2 if self.path is not None and self.verge == "both" else 1)
        return (self.id,) if n == 1 else tuple(f"{self.id}-{k + 1}" for k in range(n))


class Setting(Table):
    """What a state says of all lamps, of a zone, of a fixture or of a window."""

    on: bool | None = None
    dim: Share | None = None
    cct_k: CctK | None = Field(None, alias="cct")


class State(Setting):
    """A way to show the job: what is on, how far dimmed, in which colour.

    What it says of all lamps comes first, then of a zone, then of a fixture or one lamp of it.
    """

    name: Name
    label: Annotated[str, Field(max_length=120)] = Field(
        "", description="in plain words, for captions and sheets; the name if not given"
    )
    like: Name | None = Field(
        None, description="a state to go on from, with its fixtures and all it says"
    )
    only: Annotated[tuple[Name, ...], Field(min_length=1, examples=[["facade", "path"]])] | None = (
        Field(None, description="zones: the lamps of all others are off")
    )
    zones: dict[Name, Setting] = Field(
        {}, description='by name; also "windows", "moon" and "sky", which only/on/dim leave alone'
    )
    fixtures: dict[Name, Setting] = Field(
        {}, description="by id; also one lamp of a row, or a lit window by its name"
    )


class View(Table):
    """A place to look from."""

    name: Name
    eye_m: Point3 = Field(alias="eye")
    target_m: Point3 = Field(alias="target")
    fov_deg: AngleDeg = Field(
        50.0, alias="fov", gt=1.0, le=140.0, description="horizontal angle of view"
    )


class Picture(Table):
    """How pictures of this job are made; one exposure for all of them."""

    exposure_ev100: Annotated[float, Field(ge=-10.0, le=20.0)] | None = None


class Scene(Table):
    """One job: everything there is to see, the lamps, and where one looks from."""

    title: str = "Untitled"
    notes: str = ""
    site: Site = Site()
    ground: Ground | None = None
    moon: Moon | None = None
    blocks: tuple[Block, ...] = Field((), alias="block")
    openings: tuple[Opening, ...] = Field((), alias="opening")
    porches: tuple[Porch, ...] = Field((), alias="porch")
    columns: tuple[Column, ...] = Field((), alias="column")
    steps: tuple[Steps, ...] = ()
    chimneys: tuple[Chimney, ...] = Field((), alias="chimney")
    walls: tuple[GardenWall, ...] = Field((), alias="wall")
    terraces: tuple[Terrace, ...] = Field((), alias="terrace")
    paths: tuple[Path, ...] = Field((), alias="path")
    drives: tuple[Path, ...] = Field((), alias="drive")
    beds: tuple[Bed, ...] = Field((), alias="bed")
    ponds: tuple[Pond, ...] = Field((), alias="pond")
    trees: tuple[Tree, ...] = Field((), alias="tree")
    shrubs: tuple[Shrub, ...] = Field((), alias="shrub")
    hedges: tuple[Hedge, ...] = Field((), alias="hedge")
    meshes: tuple[Mesh, ...] = Field((), alias="mesh")
    materials: dict[Name, Material] = Field({})
    lamps: dict[Name, Lamp] = Field({})
    fixtures: tuple[Fixture, ...] = Field((), alias="fixture")
    states: tuple[State, ...] = Field((), alias="state")
    views: tuple[View, ...] = Field((), alias="view")
    wiring: Wiring = Wiring()
    transformers: tuple[Transformer, ...] = Field((), alias="transformer")
    hubs: tuple[Hub, ...] = Field((), alias="hub")
    cables: tuple[Cable, ...] = Field((), alias="cable")
    loads: tuple[Load, ...] = Field((), alias="load")
    neighbours: tuple[Neighbour, ...] = Field((), alias="neighbour")
    check: Check = Check()
    picture: Picture = Picture()
    photos: tuple[Photo, ...] = Field((), alias="photo")
    _folder: pathlib.Path = PrivateAttr(pathlib.Path())

    @property
    def folder(self) -> pathlib.Path:
        """Where the scene's files (meshes, photometry) are looked for: the scene file's folder."""
        return self._folder

    def model_post_init(self, context: Any, /) -> None:
        """Keep the folder of the file that is read."""
        if isinstance(context, FromFile):
            self._folder = context.folder
