"""What was traced, kept on disk: keyed by the geometry and the lamp, bounded, safe against tears."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import platformdirs

if TYPE_CHECKING:  # what is kept may be read without what it is traced with
    from nightview.light.direct import Direct
    from nightview.light.rays import Array32
    from nightview.light.source import Source
    from nightview.site.build import Geometry

_Kept = TypeVar("_Kept")

VERSION = "21"
"""Raised whenever the light would come out differently, so that old maps are not used."""
LIMIT_BYTES = 2 << 30


def folder() -> Path:
    """Where maps are kept; NIGHTVIEW_CACHE moves it, an empty one turns keeping off."""
    stated = os.environ.get("NIGHTVIEW_CACHE")
    return Path(stated) if stated else Path(platformdirs.user_cache_dir("nightview"))


def enabled() -> bool:
    """Whether anything is kept at all."""
    return os.environ.get("NIGHTVIEW_CACHE") != ""


def geometry_key(site: Geometry) -> str:
    """A hash of every surface, its material's reflectance, and the surroundings."""
    digest = hashlib.sha256(VERSION.encode())

    def take(*values: object) -> None:
        for value in values:
            digest.update(
                value.tobytes() if isinstance(value, np.ndarray) else repr(value).encode()
            )

    for patch in site.patches:
        points, uv, faces = patch.triangles
        take(points, uv, faces, patch.size, patch.texel_m, patch.kind, patch.tube, patch.real_edges)
        take(site.materials[patch.material].rgb)
    for crown in site.crowns:
        spec = site.materials[crown.material]
        take(
            crown.centre,
            crown.normal,
            crown.along,
            crown.length_m,
            crown.width_m,
            spec.rgb,
            spec.transmits_rgb,
        )
    for mesh in site.meshes:
        take(mesh.vertices, mesh.faces, site.materials[mesh.material].rgb)
    return digest.hexdigest()


def source_key(geometry: str, source: Source) -> str:
    """The key of one source's maps on a geometry."""
    digest = hashlib.sha256(geometry.encode())
    for value in (source.positions, source.axis, source.reference, source.intensity.table):
        digest.update(np.ascontiguousarray(value).tobytes())
    facts = (source.lens_m, source.own, source.floor_lx, source.pane_m, source.matte)
    digest.update(repr(facts).encode())
    return digest.hexdigest()


def sky_key(geometry: str, *facts: object) -> str:
    """The key of the sky's light on a geometry, from all that the sky hangs on."""
    return hashlib.sha256((geometry + repr(facts)).encode()).hexdigest()


def load(key: str, rows: int) -> tuple[Direct, Array32] | None:
    """A kept Direct and its bounced light on so many rows, or None; a torn file is thrown away."""
    from nightview.light.direct import Direct

    def told(kept: np.lib.npyio.NpzFile) -> tuple[Direct, Array32]:
        direct = Direct(rays=int(kept["rays"]))
        for name in kept.files:
            kind, _, number = name.partition("_")
            if kind == "patch":
                direct.patches[int(number)] = (int(kept[f"level_{number}"]), kept[name])
            elif kind == "crown":
                direct.crowns[int(number)] = kept[name]
            elif kind == "mesh":
                direct.meshes[int(number)] = kept[name]
        bounced = kept["bounced"]
        if bounced.shape != (rows, 3):
            raise ValueError("light on other rows")
        return direct, bounced

    return _read(key, told)


def save(key: str, direct: Direct, bounced: Array32) -> None:
    """Keep a source's maps; quietly does nothing where the disk is full or closed to us."""
    arrays: dict[str, Any] = {"rays": np.array(direct.rays), "bounced": bounced}
    for number, (level, values) in direct.patches.items():
        arrays[f"patch_{number}"], arrays[f"level_{number}"] = values, np.array(level)
    arrays |= {f"crown_{number}": values for number, values in direct.crowns.items()}
    arrays |= {f"mesh_{number}": values for number, values in direct.meshes.items()}
    _write(key, arrays)


def kept(key: str, make: Callable[[], tuple[np.ndarray, ...]]) -> tuple[np.ndarray, ...]:
    """Some arrays by the key of all that they hang on: as they were kept, or made now and kept."""

    def told(file: np.lib.npyio.NpzFile) -> tuple[np.ndarray, ...]:
        return tuple(file[f"part_{k}"] for k in range(len(file.files) - 1))

    found = _read(key, told)
    if found is None:
        found = make()
        _write(key, {f"part_{k}": part for k, part in enumerate(found)})
    return found


def _read(key: str, told: Callable[[np.lib.npyio.NpzFile], _Kept]) -> _Kept | None:
    """What a kept file tells, or None where there is none; a torn one is thrown away."""
    if not enabled():
        return None
    path = folder() / "light" / f"{key}.npz"
    try:
        with np.load(path, allow_pickle=False) as file:
            if str(file["key"]) != key:
                raise ValueError("another key")
            found = told(file)
        os.utime(path)
        return found
    except FileNotFoundError:
        return None
    except Exception:  # a damaged zip fails in many ways; none of them may stop the work
        with suppress(OSError):  # nor may a folder that is none, or closed to us
            path.unlink(missing_ok=True)
        return None


def _write(key: str, arrays: dict[str, Any]) -> None:
    """Keep some arrays under a key, whole or not at all."""
    if not enabled():
        return
    place = folder() / "light"
    temporary = None
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=place, suffix=".part", delete=False) as out:
            temporary = Path(out.name)
            np.savez(out, key=np.array(key), **arrays)
        temporary.replace(place / f"{key}.npz")
    except OSError:
        if temporary is not None:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)


def trim() -> None:
    """Throw away what is longest unused until the folder is within its bound."""
    place = folder() / "light"
    try:
        files = sorted((f.stat().st_mtime, f.stat().st_size, f) for f in place.glob("*.npz"))
    except OSError:
        return
    total = sum(size for _, size, _ in files)
    for _, size, path in files:
        if total <= LIMIT_BYTES:
            break
        with suppress(OSError):
            path.unlink(missing_ok=True)
            total -= size
