"""From a lamp's name to its light: the scene's own lamps first, then the built-in catalogue."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nightview.errors import NightviewError
from nightview.lamps import kinds
from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.intensity import Intensity
from nightview.lamps.lm63 import LM63, Tilt, read_lm63
from nightview.scene.model import Lamp, Scene
from nightview.scene.quantities import FromFile
from nightview.units import shown

CCT_K = 2700.0
LENS_M = 0.035
STRIP_M = 0.012
"""Width of a linear lamp's light where none is given [common practice, no single source]."""
STRIP_BEAM_DEG = 120.0
"""Of a bare strip: matte. Half the peak stands at 60 deg from the axis, since cos 60° = ½."""

_SHAPE_KEYS = {
    "beam": {"beam_deg", "field_deg", "spill"},
    "hat": {"cutoff_deg"},
    "omni": set(),
    "wash": {"beam_deg", "width_deg", "spill"},
    "linear": {"beam_deg", "length_m", "flux_per_metre_lm", "power_per_metre_w"},
    "table": {"intensity"},
    "file": {"file"},
}
# Two ways to say one thing: who says one of them does not take over the other.
_EITHER = (("flux_lm", "flux_per_metre_lm"), ("power_w", "power_per_metre_w"))
# These bring candela that were measured, so they rule over a stated flux.
_MEASURED = ("table", "file")

# What is left of the rated lumens in use; common practice, no single source. Measured candela are
# taken as they are: data serve to be compared with a meter.
_LOSS_FACTOR = {
    **{"beam": 0.85, "hat": 0.75, "omni": 0.85, "wash": 0.85, "linear": 0.85},
    **{"table": 1.0, "file": 1.0},
}
_BODY = {"hat": "hat", "omni": "hung", "linear": "none"}


@dataclass(frozen=True, eq=False)
class ResolvedLamp:
    """A lamp with every choice made.

    intensity : at full power, with the loss factor in it; nothing later applies it again. Of a
        linear lamp it is that of its whole length, to be shared out evenly over it.
    rated_flux_lm : as stated or as the table or file holds [lm]; times loss_factor it is flux_lm.
    cct_k : colour temperature [K]. power_w : input power [W], None if not known.
    lens_m : diameter of the light source [m]; of a linear lamp its width.
    length_m : of a linear lamp, along φ = ±90° [m]; 0 for all others.
    source : "led" or "halogen", for dimming. body : what of it is drawn.
    tilt : what a photometric file says of tilt, or None; in intensity only once installed.
    entry : the lamp's keys with those of ``like`` filled in, for schedules.
    """

    name: str
    kind: str
    intensity: Intensity
    rated_flux_lm: float
    loss_factor: float
    flux_lm: float
    cct_k: float
    power_w: float | None
    lens_m: float
    length_m: float
    source: str
    body: str
    tilt: Tilt | None
    note: str
    entry: Lamp

    def installed(self, axis: NDArray[np.float64], reference: NDArray[np.float64]) -> ResolvedLamp:
        """The lamp as it shines held that way: its file's tilt factor applied, if it has one.

        axis, reference : (3,) unit, z up. Where φ = 0 of the distribution points is reference.
        """
        if self.tilt is None:
            return self
        intensity = self.intensity.scaled(self.tilt.factor(axis, reference))
        return replace(self, intensity=intensity, flux_lm=intensity.flux_lm, tilt=None)

    def shielded(self, cutoff_deg: float) -> ResolvedLamp:
        """The lamp within a collar; ``Intensity.shielded``."""
        intensity = self.intensity.shielded(cutoff_deg)
        return replace(self, intensity=intensity, flux_lm=intensity.flux_lm)

    @property
    def rgb(self) -> NDArray[np.float64]:
        """Linear sRGB (3,) of its light at Y = 1."""
        return rgb_of_cct(self.cct_k)

    @property
    def photometry(self) -> str:
        """Where its distribution comes from: the file's name, "table", or "assumed"."""
        return self.entry.file or ("table" if self.kind == "table" else "assumed")


@lru_cache(maxsize=1)
def builtin_lamps() -> Mapping[str, Lamp]:
    """The built-in lamps by name, as their file states them, ``like`` not yet followed."""
    text = files("nightview.lamps").joinpath("catalogue.toml").read_text(encoding="utf-8")
    return MappingProxyType(
        {
            name: Lamp.model_validate(entry, context=FromFile(Path()))
            for name, entry in tomllib.loads(text)["lamps"].items()
        }
    )


def lamp_of(scene: Scene, name: str) -> ResolvedLamp:
    """The lamp a fixture names, ready to shine.

    A lamp of the scene hides the built-in of the same name and may be ``like`` it.
    """
    try:
        entry = _entry_of(scene.lamps, name)
        return _resolve(scene.folder, name, entry)
    except NightviewError as fault:
        where = f'lamp "{name}"' + (f": {fault.where}" if fault.where else "")
        raise NightviewError(where, fault.problem, fault.remedy) from None


# --- like ----------------------------------------------------------------------------------------


def _entry_of(own: Mapping[str, Lamp], name: str, trail: tuple[str, ...] = ()) -> Lamp:
    """The lamp with the keys of its ``like`` filled in, all the way up."""
    builtin = builtin_lamps()
    # A second visit means the built-in that a scene's lamp hides: "path hat" like "path hat".
    found = builtin.get(name) if name in trail else own.get(name, builtin.get(name))
    if (found is None and name in trail) or trail.count(name) > 1:
        raise NightviewError(
            "like", f"goes round in a circle: {' like '.join((*trail, name))}", "break the circle"
        )
    if found is None:
        raise _unknown(name, [*own, *(other for other in builtin if other not in own)], trail)
    if found.like is None:
        return found
    return _filled(found, _entry_of(own, found.like, (*trail, name)))


def _filled(lamp: Lamp, base: Lamp) -> Lamp:
    """Missing keys from base; but the shape of another kind of lamp is not taken over."""
    kind = lamp.kind or base.kind
    dropped = {"like", "kind"}
    if kind != base.kind:
        dropped |= set().union(*_SHAPE_KEYS.values())
    if kind in _MEASURED:
        dropped |= {"flux_lm"} if kind == base.kind else {"flux_lm", "loss_factor"}
    own = _stated(lamp)
    for pair in _EITHER:
        dropped |= set(pair) if own.keys() & set(pair) else set()
    taken = {key: value for key, value in _stated(base).items() if key not in dropped}
    return lamp.model_copy(update={**taken, **own, "kind": kind, "like": None})


def _stated(lamp: Lamp) -> dict[str, Any]:
    return {key: value for key, value in lamp if value not in (None, "")}


def _unknown(name: str, names: list[str], trail: tuple[str, ...]) -> NightviewError:
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return NightviewError(
        "like" if trail else "",
        f'there is no lamp "{name}"',
        f'did you mean "{near[0]}"?' if near else f"there are: {', '.join(names)}",
    )


# --- light ---------------------------------------------------------------------------------------


def _resolve(folder: Path, name: str, entry: Lamp) -> ResolvedLamp:
    kind = entry.kind
    if kind is None:
        raise NightviewError("kind", "is missing", f'write kind = "beam", or {_or(_SHAPE_KEYS)}')
    for key in _stated(entry):
        if key not in _SHAPE_KEYS[kind] and any(key in keys for keys in _SHAPE_KEYS.values()):
            fits = [f'"{other}"' for other, keys in _SHAPE_KEYS.items() if key in keys]
            raise NightviewError(
                _alias(key),
                f'says nothing of a lamp of kind "{kind}"',
                f"leave it out, or write kind = {' or '.join(fits)}",
            )
    loss_factor = entry.loss_factor or _LOSS_FACTOR[kind]
    photometry = None
    if kind in _MEASURED:
        if kind == "file":
            photometry, measured = _file_of(folder, entry)
        else:
            measured = kinds.table(_required(entry, "intensity", '[["0 deg", "900 cd"], …]'))
        _check_flux(entry, measured)
        rated_flux_lm = measured.flux_lm
        intensity = measured if loss_factor == 1.0 else measured.scaled(loss_factor)
    else:
        rated_flux_lm = _flux_of(entry)
        intensity = _shaped(entry, rated_flux_lm * loss_factor)
    return ResolvedLamp(
        name=name,
        kind=kind,
        intensity=intensity,
        rated_flux_lm=rated_flux_lm,
        loss_factor=loss_factor,
        flux_lm=intensity.flux_lm,
        cct_k=entry.cct_k or CCT_K,
        power_w=entry.power_w or _other_power(entry, photometry),
        lens_m=entry.lens_m or _usual_lens_m(kind, photometry),
        length_m=entry.length_m or 0.0,
        source=entry.source or "led",
        body=entry.body or _BODY.get(kind, "spike"),
        tilt=photometry.tilt if photometry else None,
        note=entry.note,
        entry=entry,
    )


def _shaped(entry: Lamp, flux_lm: float) -> Intensity:
    spill = kinds.SPILL if entry.spill is None else entry.spill
    if entry.kind == "hat":
        return kinds.hat(flux_lm, entry.cutoff_deg or kinds.HAT_CUTOFF_DEG)
    if entry.kind == "wash":
        beam_deg = _required(entry, "beam_deg", '"60 deg"')
        return kinds.wash(flux_lm, beam_deg, entry.width_deg, spill)
    if entry.kind == "omni":
        return kinds.omni(flux_lm)
    if entry.kind == "linear":
        return kinds.linear(flux_lm, entry.beam_deg or STRIP_BEAM_DEG)
    return kinds.beam(flux_lm, entry.beam_deg, entry.field_deg, spill)


def _flux_of(entry: Lamp) -> float:
    """Rated lumens, of a linear lamp as stated or as its length has."""
    if entry.kind == "linear":
        length_m = _required(entry, "length_m", '"1.2 m"')
        if entry.flux_lm is None:
            each = _required(entry, "flux_per_metre_lm", '"200 lm", or flux')
            return float(each * length_m)
    return float(_required(entry, "flux_lm", '"260 lm"'))


def _other_power(entry: Lamp, photometry: LM63 | None) -> float | None:
    """Watts where they are not stated as such: by the length, or as the file has them."""
    if entry.power_per_metre_w is not None and entry.length_m is not None:
        return entry.power_per_metre_w * entry.length_m
    return photometry.watts or None if photometry else None


def _check_flux(entry: Lamp, measured: Intensity) -> None:
    if entry.flux_lm and abs(measured.flux_lm / entry.flux_lm - 1.0) > 0.02:
        raise NightviewError(
            "flux",
            f"{entry.flux_lm:g} lm are stated, but the {entry.kind} holds {measured.flux_lm:.1f} lm",
            "leave flux out (candela rule, and lumens follow), or mend the candela",
        )


def _file_of(folder: Path, entry: Lamp) -> tuple[LM63, Intensity]:
    name = _required(entry, "file", '"lamp.ies"')
    path = folder / name
    try:
        try:
            state = path.stat()
        except (OSError, ValueError):
            read_lm63(path)  # it tells what is wrong
            raise
        return _compiled(path, state.st_mtime_ns, state.st_size)
    except NightviewError as fault:
        where = fault.where.replace(str(path), shown(name))
        raise NightviewError(where, fault.problem, fault.remedy) from None


@lru_cache(maxsize=32)
def _compiled(path: Path, _mtime_ns: int, _size: int) -> tuple[LM63, Intensity]:
    """A file read once for as long as it does not change."""
    photometry = read_lm63(path)
    return photometry, photometry.to_intensity()


def _usual_lens_m(kind: str, photometry: LM63 | None) -> float:
    """Diameter of the luminous opening [m]; a point in the file stands for a common lens."""
    if photometry is None:
        return STRIP_M if kind == "linear" else LENS_M
    widest = max(photometry.width_m, photometry.length_m)
    return min(widest, 1.0) if widest > 0.0 else LENS_M


def _required(entry: Lamp, key: str, example: str) -> Any:
    value = getattr(entry, key)
    if value is None:
        name = _alias(key)
        raise NightviewError(
            name, f'a lamp of kind "{entry.kind}" needs it', f"write {name} = {example}"
        )
    return value


def _alias(key: str) -> str:
    return Lamp.model_fields[key].alias or key


def _or(names: Mapping[str, object]) -> str:
    return ", ".join(f'"{name}"' for name in names if name != "beam")
