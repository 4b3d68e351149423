"""Scene → site: all surfaces, the solids they enclose, and the lamps in their places."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np

from nightview.errors import NightviewError
from nightview.scene.faults import label
from nightview.scene.model import Opening, Scene, Table
from nightview.scene.states import shown_in
from nightview.site import blocks, ground, plants
from nightview.site.materials import MaterialSpec, material
from nightview.site.placing import Placed, place_fixtures
from nightview.site.rods import lamp_body
from nightview.site.surface import Array, Crown, Mesh, Patch, Solid, Surface, Tube


@dataclass(frozen=True, eq=False)
class Geometry:
    """All that stands and that light can meet, without the lamps.

    houses : names of the blocks, whose solids run on behind their recessed doors and windows.
    """

    patches: tuple[Patch, ...]
    crowns: tuple[Crown, ...]
    meshes: tuple[Mesh, ...]
    solids: tuple[Solid, ...]
    materials: dict[str, MaterialSpec]
    houses: frozenset[str]

    @property
    def surfaces(self) -> tuple[Surface, ...]:
        """All surfaces in the one order that numbers them: patches, crowns, meshes."""
        return (*self.patches, *self.crowns, *self.meshes)

    @cached_property
    def targets(self) -> dict[str, Array]:
        """What a lamp can be aimed at by name: the middle of each named thing, (3,) [m]."""
        return _targets(self)


@dataclass(frozen=True, eq=False)
class Site:
    """A scene's geometry with its lamps in their places.

    bodies : the lamps' own bodies, which move with them and neither shade nor light anything.
    """

    scene: Scene
    geometry: Geometry
    fixtures: tuple[Placed, ...]
    bodies: tuple[Mesh, ...]

    @property
    def patches(self) -> tuple[Patch, ...]:
        """The geometry's patches."""
        return self.geometry.patches

    @property
    def crowns(self) -> tuple[Crown, ...]:
        """The geometry's crowns of leaves."""
        return self.geometry.crowns

    @property
    def meshes(self) -> tuple[Mesh, ...]:
        """The geometry's meshes."""
        return self.geometry.meshes

    @property
    def solids(self) -> tuple[Solid, ...]:
        """The bodies of walls and floors, by their planes."""
        return self.geometry.solids

    @cached_property
    def materials(self) -> dict[str, MaterialSpec]:
        """The materials of all that is drawn, by name."""
        names = {body.material for body in self.bodies} - set(self.geometry.materials)
        return self.geometry.materials | _materials(self.scene, names)

    def present(self, state: str) -> Site:
        """The site with the lamps that exist in a state of the scene; errors as ``shown_in``."""
        shown = shown_in(self.scene, state)
        fixtures = tuple(lamp for lamp in self.fixtures if shown[lamp.id].exists)
        bodies = tuple(body for body in self.bodies if shown[body.fixture].exists)
        return replace(self, fixtures=fixtures, bodies=bodies)

    @cached_property
    def bounds(self) -> tuple[Array, Array]:
        """Lowest and highest corner of all that stands, the open ground left out [m]."""
        return _bounds(self.geometry)


def build(scene: Scene) -> Site:
    """Build the site of a scene.

    Errors: NightviewError for unknown materials, unreadable meshes, a lamp inside a solid or
    under ground, a view inside a wall.
    """
    _check_materials(scene)
    geometry = _geometry(scene)
    fixtures = place_fixtures(scene, geometry.targets)
    bodies = [
        body
        for placed in fixtures
        for body in lamp_body(
            placed.lamp.body, placed.id, placed.position, placed.axis,
            _floor_under(placed, scene, geometry.solids),
        )
    ]  # fmt: skip
    site = Site(scene, geometry, fixtures, tuple(bodies))
    _check_places(site)
    return site


def relit(site: Site, scene: Scene) -> Site:
    """The site of a scene that differs in its fixtures alone, quickly: lamps are placed anew only for
    fixtures that are not the very same, and have no bodies. Errors as ``build``."""
    placed = {lamp.id: lamp for lamp in site.fixtures}
    same = {id(fixture) for fixture in site.scene.fixtures}
    changed = tuple(fixture for fixture in scene.fixtures if id(fixture) not in same)
    few = scene.model_copy(update={"fixtures": changed, "views": ()})
    few._folder = scene._folder
    fresh = place_fixtures(few, site.geometry.targets)
    _check_places(Site(few, site.geometry, fresh, ()))
    placed |= {lamp.id: lamp for lamp in fresh}
    fixtures = tuple(placed[name] for fixture in scene.fixtures for name in fixture.lamp_ids)
    return Site(scene, site.geometry, fixtures, ())


_LIGHTING = frozenset(
    ("title", "notes", "site", "moon", "fixtures", "lamps", "states", "views", "picture", "check",
     "neighbours", "photos", "wiring", "transformers", "hubs", "cables", "loads")
)  # fmt: skip
"""What of a scene its geometry does not hang on."""
_latest: list[tuple[Scene, list[tuple[int, int]], Geometry]] = []


def _geometry(scene: Scene) -> Geometry:
    """What stands in a scene; that of the last one where only its lighting has changed, so that
    all that was worked out for it still serves."""
    files = [_file_state(Path(scene.folder) / mesh.file) for mesh in scene.meshes]
    for other, others_files, geometry in _latest:
        same_files = files == others_files and scene.folder == other.folder
        same_files &= scene.site.season == other.site.season
        if same_files and all(
            getattr(scene, key) == getattr(other, key)
            for key in Scene.model_fields
            if key not in _LIGHTING
        ):
            return geometry
    geometry = _build_geometry(scene)
    _latest[:] = [(scene, files, geometry)]
    return geometry


def _file_state(path: Path) -> tuple[int, int]:
    """When a file was changed [ns], and its size; of one that cannot be had, zeros."""
    try:
        state = path.stat()
    except (OSError, ValueError):
        return 0, 0
    return state.st_mtime_ns, state.st_size


def _build_geometry(scene: Scene) -> Geometry:
    patches: list[Patch] = []
    crowns: list[Crown] = []
    meshes: list[Mesh] = []
    solids: list[Solid] = []
    for block in scene.blocks:
        own = [(o, along) for o in scene.openings if o.block == block.name for along in _row(o)]
        _add(patches, solids, blocks.build_block(block, own))
    by_name = {block.name: block for block in scene.blocks}
    for porch in scene.porches:
        _add(patches, solids, blocks.build_porch(porch, by_name[porch.block]))
    for chimney in scene.chimneys:
        _add(patches, solids, blocks.build_chimney(chimney))
    for column in scene.columns:
        _add(patches, solids, ground.build_column(column))
    for steps in scene.steps:
        _add(patches, solids, ground.build_steps(steps))
    for wall in scene.walls:
        _add(patches, solids, ground.build_garden_wall(wall))
    for terrace in scene.terraces:
        _add(patches, solids, ground.build_terrace(terrace))
    patches += ground.build_ground(scene)
    for tree in scene.trees:
        trunk, leaves, wood = plants.build_tree(tree, scene)
        patches += trunk
        crowns += leaves
        meshes += wood
    for shrub in scene.shrubs:
        crowns += plants.build_shrub(shrub)
    for hedge in scene.hedges:
        crowns += plants.build_hedge(hedge)
    if scene.meshes:
        from nightview.site.meshes import load  # brings trimesh, half a second that few scenes need

        meshes += [load(mesh, Path(scene.folder)) for mesh in scene.meshes]
    surfaces: list[Surface] = [*patches, *crowns, *meshes]
    names = {item.material for item in surfaces}
    return Geometry(
        tuple(patches), tuple(crowns), tuple(meshes), tuple(solids),
        _materials(scene, names), frozenset(by_name),
    )  # fmt: skip


def _materials(scene: Scene, names: set[str]) -> dict[str, MaterialSpec]:
    return {name: material(scene.materials, name) for name in sorted(names)}


_MATERIAL_KEYS = frozenset(
    ("material", "trim", "plinth_material", "frame", "floor_material", "roof_material",
     "edge_material", "leaf", "bark")
)  # fmt: skip


def _check_materials(scene: Scene) -> None:
    """No table names a material that is not there; nor has one of the scene an unknown pattern."""
    for name in scene.materials:
        material(scene.materials, name)
    for place, name in _materials_named(scene):
        try:
            material(scene.materials, name)
        except NightviewError as error:
            raise NightviewError(place, error.problem, error.remedy) from None


def _materials_named(scene: Scene) -> Iterator[tuple[str, str]]:
    """Every material that a table names, with its place in the file."""
    for field, info in Scene.model_fields.items():
        value = getattr(scene, field)
        for table in value if isinstance(value, tuple) else (value,):
            if isinstance(table, Table):
                name = getattr(table, "name", "")
                place = label(info.alias or field, name) if name else field
                yield from _materials_of(place, table)


def _materials_of(place: str, table: Table) -> Iterator[tuple[str, str]]:
    for key in type(table).model_fields:
        value = getattr(table, key)
        if isinstance(value, Table):
            yield from _materials_of(f"{place}: {key}", value)
        elif key in _MATERIAL_KEYS and isinstance(value, str):
            yield f"{place}: {key}", value


def _add(patches: list[Patch], solids: list[Solid], built: blocks.Built) -> None:
    patches.extend(built[0])
    solids.extend(built[1])


def _row(opening: Opening) -> list[float]:
    """The middles of a row of equal openings, along the wall [m]."""
    return [opening.along_m + k * (opening.spacing_m or 0.0) for k in range(opening.count)]


def _targets(geometry: Geometry) -> dict[str, Array]:
    points: dict[str, list[Array]] = {}
    for patch in geometry.patches:
        if patch.kind == "glass":
            points.setdefault(patch.opening, []).append(patch.bounds[0])
        points.setdefault(patch.owner, []).append(patch.bounds[0])
        if patch.name.endswith(("wall", "leaf")):
            points.setdefault(patch.name.removesuffix(" leaf"), []).append(patch.bounds[0])
    leafy: dict[str, list[Array]] = {}  # of a tree its crown, not its trunk
    for crown in geometry.crowns:
        leafy.setdefault(crown.owner, []).append(np.asarray(crown.bounds[0]))
    points |= leafy
    for mesh in geometry.meshes:
        if mesh.owner not in points:
            points[mesh.owner] = [mesh.bounds[0]]
    return {name: np.mean(found, axis=0) for name, found in points.items()}


def _floor_under(placed: Placed, scene: Scene, solids: tuple[Solid, ...]) -> float:
    """The height of what a lamp stands on: the ground, or a terrace or step below it [m]."""
    x, y, z = placed.position
    floor = 0.0 if scene.ground is not None or scene.blocks else z
    for solid in solids:
        probe = np.array([[x, y, solid.high[2] - 0.01]])
        if solid.high[2] <= z + 1e-6 and solid.high[2] > floor and solid.holds(probe)[0]:
            floor = float(solid.high[2])
    return float(floor)


DEEP_M = 1e-4
"""What is less far inside a body lies on its surface."""


def _check_places(site: Site) -> None:
    """No lamp inside a body or under ground, no eye inside a wall."""
    grounded = site.scene.ground is not None
    for placed in site.fixtures:
        where = f'fixture "{placed.id}"'
        if grounded and placed.position[2] < 0:
            raise NightviewError(
                where, f"is {-placed.position[2]:.2g} m under the ground", "raise it"
            )
        owner = inside(site, placed.position)
        if owner:
            raise NightviewError(
                where, f'is inside "{owner}"', "move it out, or correct its distance"
            )
    for view in site.scene.views:
        owner = inside(site, np.asarray(view.eye_m))
        if owner:
            raise NightviewError(
                f'view "{view.name}"', f'its eye is inside "{owner}"', "move the eye out"
            )
        if grounded and view.eye_m[2] < 0:
            raise NightviewError(
                f'view "{view.name}"', "its eye is under the ground", "raise the eye"
            )


def inside(site: Site, point: Array) -> str:
    """Whose solid, trunk or closed mesh holds a point, or ""."""
    for solid in site.solids:
        if solid.holds(point[None], depth_m=DEEP_M)[0] and not _in_opening(
            site.scene, solid, point
        ):
            return solid.owner
    for patch in site.patches:
        if patch.tube is not None and _in_tube(patch, patch.tube, point):
            return patch.owner
    return next((mesh.owner for mesh in site.meshes if mesh.encloses(point)), "")


def _in_tube(patch: Patch, tube: Tube, point: Array) -> bool:
    """Whether a point is within a trunk or round post."""
    up = (point - patch.origin) @ patch.ev
    aside = float(np.linalg.norm(point - patch.origin - up * patch.ev))
    share = up / patch.size[1]
    radius = tube.foot_m + share * (tube.top_m - tube.foot_m)
    return bool(0.0 < share < 1.0 and aside < radius - DEEP_M)


def _in_opening(scene: Scene, solid: Solid, point: Array) -> bool:
    """Whether a point within a house's wall is in the open air before a recessed door or window."""
    for block in scene.blocks:
        for opening in scene.openings if block.name == solid.owner else ():
            if opening.block == block.name:
                foot, right, normal, _ = blocks.wall_frame(block, opening.side)
                along, up, deep = (point - foot) @ np.array([right, [0.0, 0.0, 1.0], -normal]).T
                width, height = opening.size_m
                level = 0.0 <= deep < opening.reveal_m and 0.0 < up - opening.sill_m < height
                if level and any(abs(along - middle) < width / 2 for middle in _row(opening)):
                    return True
    return False


def _bounds(geometry: Geometry) -> tuple[Array, Array]:
    things = [item for item in geometry.surfaces if item.owner != "ground"]
    things = things or list(geometry.surfaces)
    if not things:
        return np.zeros(3), np.ones(3)
    lows, highs = [], []
    for thing in things:
        centre, radius = thing.bounds
        lows.append(centre - radius)
        highs.append(centre + radius)
    return np.min(lows, axis=0), np.max(highs, axis=0)
