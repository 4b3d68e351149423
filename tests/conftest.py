"""Shared by the tests of light: a cache of the session's own, and scenes lit from short texts."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy import ndimage

LUMINOUS = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1: Y of linear sRGB

LIGHTLESS = """
[materials]
black = { rgb = [0, 0, 0] }
"""
"""A material that gives nothing back: light on it, and from it, is direct light alone."""


@pytest.fixture(scope="session", autouse=True)
def _cache_of_this_session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test reads light that an earlier run, or an earlier version, has kept."""
    before = os.environ.get("NIGHTVIEW_CACHE")
    os.environ["NIGHTVIEW_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["NIGHTVIEW_CACHE"]
    else:
        os.environ["NIGHTVIEW_CACHE"] = before


class Lit:
    """A scene text through the whole pipeline, and its light by place.

    Places and normals are (n, 3); every answer is a luminous quantity (the Y of linear RGB).
    """

    def __init__(self, text: str, folder: str | os.PathLike[str] = ".") -> None:
        import nightview as nv
        from nightview.scene.read import parse

        self.site = nv.build(parse(text, "test", folder))
        self.field = nv.trace(self.site)
        self.light = nv.mix(self.field)

    def only(self, *names: str) -> Lit:
        """The same scene with these sources alone at full power, and no sky."""
        import nightview as nv

        part = object.__new__(Lit)
        part.site, part.field = self.site, self.field
        known = {p.source.name for p in self.field.sources}
        assert known >= set(names), f"{names} not among {known}"
        level = {name: float(name in names) for name in known}
        part.light = nv.mix(self.field, nv.State(level, {}, sky=0.0))
        return part

    def at(self, points, normals, rays: int = 1024):
        """Direct and total illuminance at exact points [lx]: two (n,) arrays."""
        import nightview as nv

        points, normals = np.broadcast_arrays(np.atleast_2d(points).astype(float), normals)
        direct, total = nv.at_points(self.light, points, normals, rays)
        return direct @ LUMINOUS, total @ LUMINOUS

    def direct_at(self, points, normals):
        """Direct illuminance at exact points without the gathering that ``at`` does [lx]: (n,)."""
        from nightview.light.lookup import direct_at

        points, normals = np.broadcast_arrays(np.atleast_2d(points).astype(float), normals)
        total = np.zeros(len(points))
        for part in self.field.sources:
            weight = self.light.state.weight(part.source) @ LUMINOUS
            if weight:
                total += weight * direct_at(self.field, part.source, points, normals)
        return total

    def on_map(self, points, normals):
        """Total illuminance read off the maps, linear between nodes [lx]: (n,)."""
        points, normals = np.broadcast_arrays(np.atleast_2d(points).astype(float), normals)
        return np.array([self._map_value(p, n) for p, n in zip(points, normals, strict=True)])

    def _map_value(self, point, normal) -> float:
        for number, patch in enumerate(self.site.patches):
            values = self.light.patches[number]
            if values is None or patch.tube or patch.normal @ normal < 0.999:
                continue
            u, v, h = (point - patch.origin) @ np.array([patch.eu, patch.ev, patch.normal]).T
            inside = shapely.dwithin(patch.outline, shapely.Point(u, v), 1e-5)
            if abs(h) < 1e-4 and inside:
                nv_, nu_ = values.shape[:2]
                place = [[v / patch.size[1] * (nv_ - 1)], [u / patch.size[0] * (nu_ - 1)]]
                luminous = values.astype(float) @ LUMINOUS
                return float(ndimage.map_coordinates(luminous, place, order=1, mode="nearest")[0])
        raise LookupError(f"no patch at {point} facing {normal}")

    def nodes(self, chosen: Callable[[object], bool]):
        """All nodes of some flat patches, drawn in from the edges to where they are lit.

        Returns their places (n, 3), their light (n,) [lx], and the area each stands for (n,) [m²]
        by the trapezium rule; of rectangles only.
        """
        places, values, areas = [], [], []
        for number, patch in enumerate(self.site.patches):
            light = self.light.patches[number]
            if light is None or patch.tube or not chosen(patch):
                continue
            assert patch.is_rectangle
            nv_, nu_ = light.shape[:2]
            u, v = np.linspace(0, patch.size[0], nu_), np.linspace(0, patch.size[1], nv_)
            at_u, at_v = patch.nudged(u, patch.size[0]), patch.nudged(v, patch.size[1])
            points, _ = patch.place(*np.meshgrid(at_u, at_v))
            weight_u, weight_v = (
                np.full(n, s / (n - 1)) for n, s in zip((nu_, nv_), patch.size, strict=True)
            )
            weight_u[[0, -1]] /= 2
            weight_v[[0, -1]] /= 2
            places.append(points.reshape(-1, 3))
            values.append((light.astype(float) @ LUMINOUS).ravel())
            areas.append((weight_v[:, None] * weight_u).ravel())
        return np.concatenate(places), np.concatenate(values), np.concatenate(areas)


@pytest.fixture(scope="session")
def lit() -> Callable[..., Lit]:
    """Light a scene text: ``lit(text, folder)``; the same text is lit once a session."""
    kept: dict[tuple[str, str], Lit] = {}

    def light(text: str, folder: str | os.PathLike[str] = ".") -> Lit:
        key = (text, os.fspath(folder))
        if key not in kept:
            kept[key] = Lit(*key)
        return kept[key]

    return light


@pytest.fixture(scope="session")
def room(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Path]:
    """Write a closed cube whose faces look inwards: ``room(side_m)`` is the folder of room.stl."""
    import trimesh

    def write(side_m: float) -> Path:
        folder = tmp_path_factory.mktemp("room")
        box = trimesh.creation.box((side_m,) * 3)
        box.invert()
        box.export(folder / "room.stl")
        return folder

    return write


def faces_of(mesh):
    """Areas [m²] of a mesh's faces (m,)."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


@pytest.fixture(scope="session")
def graphics() -> None:
    """Skips the test, with the reason, where VTK cannot draw."""
    from nightview.errors import NightviewError
    from nightview.picture.glcheck import ensure_gl

    try:
        ensure_gl()
    except NightviewError as error:
        pytest.skip(f"no graphics here: {error}")
