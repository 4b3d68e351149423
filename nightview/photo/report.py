"""What a picture on a photo rests on: what is in the model, what is not, and what to trust."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy import ndimage

from nightview.lamps.colour import Y_WEIGHTS
from nightview.photo.night import KIND
from nightview.photo.recover import Recovered
from nightview.photo.solve import Solved
from nightview.picture import files
from nightview.scene.model import Scene
from nightview.site.build import Site
from nightview.site.placing import Placed

HEADING = "Night on a photo"
NEAR_M = 1.0
"""What stands nearer to a lamp than this must be in the model: it is lit, and throws shadows."""
IN_PLANT_M = 0.25
ODD_FACTOR, ODD_SHARE, FEW_PIXELS = 1.8, 0.3, 60
"""A lamp's surroundings are odd where so large a share of them is lighter or darker than the surface
they should be by that factor."""
STRANGE, STRANGE_SHARE, MOST_STRANGE = 0.6, 0.0015, 3
"""What differs so much from its surface's usual colour (in natural logarithms), over so large a share
of the picture, is another thing; so many are named, the largest first."""
NEAR_RULE = (
    "Anything within about a metre of a lamp must be in the model: it is lit and throws shadows."
)
TRUST = (
    "Lux and cd/m² come from the model; this picture is no source of them.",
    "Walls and paving: on rendered photos of a more detailed house, whose true night was path-traced, "
    "squares of lit walls came out within a factor of 1.5 for nine in ten, with no bias. On real "
    "photos (phones change tones from place to place, and crop) this is not tried yet.",
    "Trees and shrubs are indicative: the photo has other leaves than the model.",
    "Behind the glass of a lit window is the model's even glow, not the room itself.",
    "Shadows and edges of what the model lacks can be left over from the day as faint marks.",
)
_KINDS = (
    ("blocks", "block"), ("openings", "opening"), ("porches", "porch"), ("chimneys", "chimney"),
    ("columns", "column"), ("steps", "flight of steps"), ("walls", "wall or fence"),
    ("terraces", "terrace"), ("paths", "path"), ("drives", "drive"), ("beds", "bed"), ("ponds", "pond"),
    ("trees", "tree"), ("shrubs", "shrub"), ("hedges", "hedge"), ("meshes", "mesh"),
)  # fmt: skip


@dataclass(frozen=True)
class PhotoReport:
    """A picture on a photo, in words and numbers.

    shares : of the picture, 0 to 1: "model", "leaves", "sky", "far ground", "not in the model".
    """

    scene: str
    photo: str
    file: str
    light: str
    camera: str
    brightness: str
    in_model: tuple[str, ...]
    not_in_model: tuple[str, ...]
    trust: tuple[str, ...]
    warnings: tuple[str, ...]
    shares: dict[str, float]

    def text(self) -> str:
        """As a page of plain text."""
        lines = [f"{HEADING}: {self.scene}, {self.photo}", KIND, ""]
        lines += [f"Photo       {self.file}", f"Light       {self.light}", f"Camera      {self.camera}",
                  f"Brightness  {self.brightness}"]  # fmt: skip
        for title, told in (
            ("Look at this first", self.warnings),
            ("In the model", self.in_model),
            ("Not in the model", self.not_in_model),
            ("What to trust", self.trust),
        ):
            if told:
                lines += ["", title, *(f"- {line}" for line in told)]
        return "\n".join(lines) + "\n"

    def record(self) -> str:
        """As JSON."""
        return json.dumps({"kind": HEADING, **asdict(self)}, indent=2, ensure_ascii=False) + "\n"


def report_of(own: Recovered, site: Site, solved: Solved | None = None) -> PhotoReport:
    """Say what a photo's pictures rest on. solved : the camera's own figures, where it was solved."""
    shares = _shares(own)
    camera = f"{own.camera.fov_deg:.0f} deg across, eye at {_place(own.camera.eye)}"
    warnings = list(own.reflectance.warnings)
    if solved is not None:
        camera += (
            f"; marks fit to {solved.rms_px:.1f} px, corners of the house are good to about "
            f"{solved.corner_px:.0f} px ({solved.worst_px:.0f} px at {solved.worst})"
        )
        warnings += solved.warnings
    warnings += _at_lamps(own, site)
    warnings += _standing_before(own)
    missing = [
        f"{shares['not in the model']:.0%} of the picture shows what the model lacks; it is lit by the "
        "night sky alone. What stands before a wall of the model takes the wall's light, and a shadow that the "
        "model lacks stays as a stain."
    ]
    if site.scene.ground is not None and shares["far ground"] > 0.005:
        missing.append(f"{shares['far ground']:.0%} is ground beyond the model's own: unlit.")
    missing.append(NEAR_RULE)
    return PhotoReport(
        site.scene.title or "scene", own.photo.name, own.photo.file, _light(own), camera, _brightness(own),
        tuple(_in_model(site.scene)), tuple(missing), TRUST, tuple(warnings), shares,
    )  # fmt: skip


def write_report(report: PhotoReport, path: Path, overwrite: bool = False) -> None:
    """Write text or, by the path's ending, JSON. A file that is no report of ours is left alone.

    Errors: NightviewError for such a file without overwrite.
    """
    refuse_foreign(path, overwrite)
    told = report.record() if path.suffix == ".json" else report.text()
    files.write_beside(path, lambda beside: beside.write_bytes(told.encode("utf-8")))


def refuse_foreign(path: Path, overwrite: bool) -> None:
    """Stop before a file is replaced that is no report of ours, unless asked to."""
    files.refuse_foreign(path, overwrite, _is_ours, "report")


def _is_ours(path: str | os.PathLike[str]) -> bool:
    try:
        return HEADING in Path(path).read_text("utf-8", "replace")[:200]
    except OSError:
        return False


def _shares(own: Recovered) -> dict[str, float]:
    mattes = own.mattes
    rest = np.clip(1 - mattes.sky - mattes.leaf, 0, 1)
    lacking = ~mattes.known & ~mattes.far
    parts = {
        "model": rest[mattes.known].sum(),
        "leaves": mattes.leaf.sum(),
        "sky": np.minimum(mattes.sky, 1 - mattes.leaf).sum(),
        "far ground": rest[mattes.far].sum(),
        "not in the model": rest[lacking].sum(),
    }
    return {name: round(float(value) / rest.size, 4) for name, value in parts.items()}


def _light(own: Recovered) -> str:
    if own.sun is None:
        return "overcast sky (CIE), as stated"
    sun = own.reflectance.sun @ Y_WEIGHTS
    how = (
        "measured on surfaces seen both lit and shaded"
        if own.reflectance.sun_measured
        else "from a table"
    )
    return (
        f"sun at bearing {own.sun.bearing_deg:.0f} deg, {own.sun.elevation_deg:.0f} deg high; sun to sky "
        f"{sun:.1f} to 1, {how}"
    )


def _brightness(own: Recovered) -> str:
    mark = own.photo.reference
    if mark is None:
        return "from the model's own materials, since no reference is marked"
    on = f" on {mark.surface}" if mark.surface else ""
    return f"from the reference{on} at {mark.pixel[0]:.0f}, {mark.pixel[1]:.0f}: reflectance {mark.reflectance:.2f}"


def _in_model(scene: Scene) -> Iterator[str]:
    for key, one in _KINDS:
        things = getattr(scene, key, ())
        if things:
            yield f"{one}: {', '.join(thing.name for thing in things)}"
    yield f"{sum(len(fixture.lamp_ids) for fixture in scene.fixtures)} lamps"


def _at_lamps(own: Recovered, site: Site) -> Iterator[str]:
    """Lamps that stand in a plant, and such near which the photo shows something else than the model."""
    for lamp in site.fixtures:
        plant = _plant_at(lamp, site)
        if plant:
            yield f"lamp {lamp.id} stands in {plant}: what it lights hangs on leaves that no model knows"
        elif _odd_near(lamp, own):
            yield (
                f"lamp {lamp.id}: the photo shows something within about {NEAR_M:.0f} m that the model "
                "has not, or another colour; put it into the model if it is a thing"
            )


def _standing_before(own: Recovered) -> Iterator[str]:
    """Large patches of another colour than the surface that the model has there."""
    seen, shape = own.pixels.solid, own.pixels.shape
    plain = seen.where("matte").reshape(shape) & (own.mattes.pane < 0.05) & (own.mattes.leaf < 0.2)
    surfaces = seen.geometry.surfaces
    kinds: dict[tuple[str, str], int] = {}
    of_kind = [kinds.setdefault((one.owner, one.material), len(kinds)) for one in surfaces]
    kind = np.where(plain.ravel(), np.array([*of_kind, -1])[seen.surface], -1)
    tone = np.log(own.reflectance.solid)
    strange = np.zeros(len(kind), bool)
    for number in range(len(kinds)):
        mine = np.flatnonzero(kind == number)
        if len(mine) >= FEW_PIXELS:
            off = np.abs(tone[mine] - np.median(tone[mine], axis=0)).max(axis=1)
            strange[mine] = off > STRANGE
    whole = ndimage.binary_opening(strange.reshape(shape), iterations=max(1, shape[1] // 200))
    parts, count = ndimage.label(whole)
    sizes = np.bincount(parts.ravel(), minlength=count + 1)
    sizes[0] = 0
    names = [owner for owner, _ in kinds]
    for part in np.argsort(-sizes)[:MOST_STRANGE]:
        share = sizes[part] / plain.size
        if share < STRANGE_SHARE:
            break
        here = np.flatnonzero(parts.ravel() == part)
        owner = names[np.bincount(kind[here]).argmax()]
        row, column = np.median(np.divmod(here, shape[1]), axis=1)
        yield (
            f'something else than "{owner}" shows at {column:.0f}, {row:.0f} of the picture, on {share:.1%} of it: '
            "put it into the model if it is a thing"
        )


def _plant_at(lamp: Placed, site: Site) -> str:
    for crown in site.crowns:
        centre, radius = crown.bounds
        if np.linalg.norm(lamp.position - centre) < radius + IN_PLANT_M:
            away = np.linalg.norm(crown.centre - lamp.position.astype(np.float32), axis=1)
            if away.min() < IN_PLANT_M:
                return crown.owner
    return ""


def _odd_near(lamp: Placed, own: Recovered) -> bool:
    """Whether much of what is seen near a lamp is lighter or darker than the surface it should be."""
    seen = own.pixels.solid
    near = np.linalg.norm(seen.point - lamp.position.astype(np.float32), axis=1) < 2 * NEAR_M
    plain = (seen.where("matte") & (own.mattes.pane.ravel() < 0.05)) & (
        own.mattes.leaf.ravel() < 0.2
    )
    which = np.flatnonzero(near & plain)
    if len(which) < FEW_PIXELS:
        return False
    tone = np.log(own.reflectance.solid[which] @ Y_WEIGHTS)
    close = np.linalg.norm(seen.point[which] - lamp.position, axis=1) < NEAR_M
    odd = np.zeros(len(which), bool)
    materials = np.array([one.material for one in seen.geometry.surfaces])[seen.surface[which]]
    for name in np.unique(materials):
        own_kind = materials == name
        odd[own_kind] = np.abs(tone[own_kind] - np.median(tone[own_kind])) > np.log(ODD_FACTOR)
    return bool(close.sum() >= FEW_PIXELS and odd[close].mean() > ODD_SHARE)


def _place(point: np.ndarray) -> str:
    return ", ".join(f"{value:.1f} m" for value in point)
