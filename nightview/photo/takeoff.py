"""Dimensions of the model told by a photo: freed, and fitted along with the camera.

The rest of the model sets the scale. Points move with a dimension as ``landmarks`` says, so that
freeing the height of a house lifts its eaves, its ridge and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nightview.errors import NightviewError
from nightview.photo.fit import UNKNOWNS, Cameras, Marks, covariance, surprising
from nightview.photo.solve import SOUND, best_fits
from nightview.scene.faults import choice
from nightview.scene.model import Scene
from nightview.scene.table import Table
from nightview.site.landmarks import places_of
from nightview.site.surface import Array
from nightview.units import shown

STEP = 1e-3
"""Points are moved by this much of a dimension either way to see where they go [m or degrees]."""
ROUNDS = 4
TELLS = 2.5
"""A dimension is spoken of when it comes out so many σ from the scene's; ours."""
BETTER = 13.8
"""And when χ² falls by this: 1 in 5000 by chance (χ² of one), since a hundred are asked."""
UNLIKELY = 9.2
"""Of two explanations whose χ² differ by this, one is a hundred times likelier."""
FAR = 3.0
"""No dimension is so many times off."""
USELESS = 0.15
"""A σ of more than this share of the dimension tells nothing."""


@dataclass(frozen=True, eq=False)
class Dimension:
    """One number of the model. name : "house height". value : the scene's, in unit. at : gives the
    scene with another value. A place may be anywhere, a size is more than nothing."""

    name: str
    value: float
    unit: str
    at: Callable[[float], Scene]

    @property
    def least(self) -> float:
        """What no value lies below."""
        return -np.inf if self.name.endswith(PLACES) else 0.0


@dataclass(frozen=True, eq=False)
class TakenOff:
    """A dimension as the photo has it. sigma : 1σ, of the clicks and the model together. gain : how
    much χ² falls. sound : whether the marks then fit together."""

    name: str
    value: float
    sigma: float
    unit: str
    stated: float
    gain: float
    sound: bool

    @property
    def differs(self) -> bool:
        """Whether the photo contradicts the scene's value."""
        return abs(self.value - self.stated) > TELLS * self.sigma and self.gain > BETTER

    def told(self) -> str:
        """The value with its uncertainty, and the scene's: "house height 2.95 m ± 0.04 (3.20 m in the
        scene)"."""
        digits = 1 if self.unit == "deg" else 2
        unit = "°" if self.unit == "deg" else " m"
        return (
            f"{self.name} {self.value:.{digits}f}{unit} ± {self.sigma:.{digits}f} "
            f"({self.stated:.{digits}f}{unit} in the scene)"
        )


PLACES = (" x", " y", " base", " along")
_PARTS: dict[str, Sequence[tuple[str, str, int | None]]] = {
    "blocks": (("width", "size_m", 0), ("depth", "size_m", 1), ("height", "height_m", None),
               ("base", "base_m", None), ("x", "at_m", 0), ("y", "at_m", 1)),
    "openings": (("width", "size_m", 0), ("height", "size_m", 1), ("along", "along_m", None),
                 ("sill", "sill_m", None), ("spacing", "spacing_m", None)),
    "porches": (("width", "size_m", 0), ("depth", "size_m", 1), ("height", "height_m", None),
                ("floor", "floor_m", None), ("along", "along_m", None), ("pitch", "pitch_deg", None)),
    "chimneys": (("width", "size_m", 0), ("depth", "size_m", 1), ("top", "top_m", None),
                 ("x", "at_m", 0), ("y", "at_m", 1)),
    "columns": (("height", "height_m", None), ("width", "width_m", None)),
    "steps": (("width", "width_m", None), ("riser", "riser_m", None), ("tread", "tread_m", None)),
    "walls": (("height", "height_m", None),),
    "terraces": (("height", "height_m", None), ("width", "size_m", 0), ("depth", "size_m", 1)),
    "paths": (("width", "width_m", None),),
    "drives": (("width", "width_m", None),),
}  # fmt: skip
_ROOF = (
    ("roof pitch", "pitch_deg"),
    ("roof overhang", "overhang_m"),
    ("roof thickness", "thickness_m"),
)


def dimensions_of(scene: Scene) -> dict[str, Dimension]:
    """Every number of the model that moves named points, by name."""
    return {one.name: one for one in _dimensions(scene)}


def _dimensions(scene: Scene) -> Iterator[Dimension]:
    for field, parts in _PARTS.items():
        for number, table in enumerate(getattr(scene, field)):
            for word, key, entry in parts:
                stated = getattr(table, key)
                if stated is None:
                    continue
                value = stated if entry is None else stated[entry]
                unit = "deg" if key.endswith("_deg") else "m"
                change = _changer(scene, field, number, key, entry)
                yield Dimension(f"{table.name} {word}", float(value), unit, change)
    for number, block in enumerate(scene.blocks):
        for word, key in _ROOF if block.roof.kind != "flat" else _ROOF[1:]:
            unit = "deg" if key.endswith("_deg") else "m"

            def change(value: float, number: int = number, key: str = key) -> Scene:
                roof = scene.blocks[number].roof.model_copy(update={key: value})
                return _with(scene, "blocks", number, {"roof": roof})

            yield Dimension(f"{block.name} {word}", float(getattr(block.roof, key)), unit, change)


def _changer(
    scene: Scene, field: str, number: int, key: str, entry: int | None
) -> Callable[[float], Scene]:
    def change(value: float) -> Scene:
        new: Any = value
        if entry is not None:
            numbers = list(getattr(getattr(scene, field)[number], key))
            numbers[entry] = value
            new = tuple(numbers)
        return _with(scene, field, number, {key: new})

    return change


def _with(scene: Scene, field: str, number: int, update: dict[str, Any]) -> Scene:
    """The scene with some values of one table changed; unchecked, for points alone."""
    tables: list[Table] = list(getattr(scene, field))
    tables[number] = tables[number].model_copy(update=update)
    return scene.model_copy(update={field: tuple(tables)})


def chosen(scene: Scene, name: str) -> Dimension:
    """The dimension of that name. Errors: NightviewError naming like ones."""
    known = dimensions_of(scene)
    plain = re.sub(r"\s+", " ", name.strip())
    if plain not in known:
        near = choice(plain, known, "").partition("? ")
        listed = ", ".join(f'"{one}"' for one in list(known)[:6])
        meant = f"{near[0]}? " if near[1] else ""
        raise NightviewError(
            "--free",
            f"{shown(name)} is no dimension of the model",
            f"{meant}there are {listed} and so on",
        )
    return known[plain]


def take_off(scene: Scene, marks: Marks, dimensions: Sequence[Dimension]) -> list[TakenOff] | str:
    """Dimensions fitted together along with the camera; or the name of one that the marks leave open.

    marks : as ``solve.marks_of`` gives them. Gain and soundness are those of all together.
    """
    fits, chi2 = best_fits(marks)
    return _fitted(scene, marks, dimensions, fits, float(chi2[0]))


def contradicted(scene: Scene, marks: Marks) -> list[TakenOff]:
    """The dimensions that the marks contradict, the likeliest first.

    Any one of them would mend the marks: where some make them fit together, those alone, and of
    those none that is far less likely than the first.
    """
    fits, chi2 = best_fits(marks)
    told = [
        _fitted(scene, marks, [one], fits, float(chi2[0])) for one in dimensions_of(scene).values()
    ]
    found = [one[0] for one in told if not isinstance(one, str) and one[0].differs]
    found = sorted([one for one in found if one.sound] or found, key=lambda one: -one.gain)
    return [one for one in found if one.gain > found[0].gain - UNLIKELY]


def _fitted(
    scene: Scene, marks: Marks, dimensions: Sequence[Dimension], fits: Cameras, chi2: float
) -> list[TakenOff] | str:
    names = [one.name for one in dimensions]
    stated = np.array([one.value for one in dimensions])
    least = np.array([one.least for one in dimensions])
    values, found = stated.copy(), fits
    for _ in range(ROUNDS):  # points need not move evenly: look again from where it came out
        freed = _freed(scene, marks, names, values)
        still = ~freed.moves.any(axis=(0, 1))
        if still.any():
            return names[int(np.argmax(still))]
        if freed.freedom < 1:
            return names[-1]
        begin = replace(found, freed=np.zeros((len(found), len(names))))
        found, cost = best_fits(freed, begin)
        change = found.freed[0]
        values = values + change
        astray = (values <= least) | (np.abs(values - stated) > FAR * (1.0 + np.abs(stated)))
        if astray.any() or not np.isfinite(cost[0]):
            return names[int(np.argmax(astray))]  # it runs away
        if np.abs(change).max() < 1e-9:
            break
    sigma = np.sqrt(np.diag(covariance(freed, found.at([0])))[UNKNOWNS:])
    floor = np.array([1.0 if one.unit == "m" else 10.0 for one in dimensions])
    if (sigma > USELESS * np.maximum(np.abs(stated), floor)).any():
        return names[int(np.argmax(sigma / np.maximum(np.abs(stated), floor)))]
    gain, sound = chi2 - float(cost[0]), bool(cost[0] <= surprising(SOUND, freed.freedom))
    return [
        TakenOff(one.name, float(value), float(off), one.unit, one.value, gain, sound)
        for one, value, off in zip(dimensions, values, sigma, strict=True)
    ]


def _freed(scene: Scene, marks: Marks, names: Sequence[str], values: Array) -> Marks:
    """The marks with the places they have at some values, and how these move with each of them."""
    here = _places(scene, marks, names, values)
    places = np.array(
        [here.get(k, place) for k, place in zip(marks.names, marks.places, strict=True)]
    )
    moves = np.zeros((len(marks), 3, len(names)))
    for which in range(len(names)):
        step = STEP * (np.arange(len(names)) == which)
        less, more = (_places(scene, marks, names, values + off) for off in (-step, step))
        for k, name in enumerate(marks.names):
            if name in less and name in more:  # not one that is given by its place
                moves[k, :, which] = (more[name] - less[name]) / (2.0 * STEP)
    moves[np.abs(moves) < 1e-9] = 0.0
    return replace(marks, places=places, moves=moves)


def _places(scene: Scene, marks: Marks, names: Sequence[str], values: Array) -> dict[str, Array]:
    """The places of the marked points where the dimensions have other values."""
    for name, value in zip(names, values, strict=True):
        scene = dimensions_of(scene)[name].at(float(value))
    return places_of(scene, marks.names)
