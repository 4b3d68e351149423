"""A site's twin for Mitsuba 3, a general-purpose path tracer: the same triangles, colours, lamps.

Illuminance is had from the radiance of the surface itself: E = π·L/ρ at each point, by a sensor that
looks at it from close by; a picture is its luminance as a camera sees it. Only what both programs
can state alike goes over: matte surfaces, lamps that are points with a round distribution, matte
panes, an even sky. Leaves that let light through have no counterpart there.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from nightview.light.gather import ambient_lx
from nightview.light.source import Source, sources_of
from nightview.picture.camera import Camera
from nightview.site.build import Site
from nightview.site.sky import sky_luminance
from nightview.site.surface import Patch

LUMINOUS = np.array([0.2126, 0.7152, 0.0722])
NEAR_M = 0.003
"""A sensor looks at its point from this far off."""
BEDROCK_M = -0.05
"""Where the far ground lies, out to the horizon: right under the site's own."""
SEEDS = 4
AROUND = 128
"""Facets round a column or trunk that is to look round."""


@dataclass(frozen=True, eq=False)
class Reference:
    """What the path tracer says of some points [lx]: (n,) each. noise : its standard error, relative."""

    direct: np.ndarray
    total: np.ndarray
    noise: np.ndarray


def reference(site: Site, places, normals, folder: Path, samples: int = 1 << 18) -> Reference:
    """Direct and total illuminance at places (n, 3) on the site's surfaces, of all sources at full."""
    import mitsuba

    mitsuba.set_variant("scalar_rgb")
    places, normals = (np.asarray(a, float) for a in np.broadcast_arrays(places, normals))
    site_twin = twin(site, folder)
    rgb = np.array([_reflectance(site, p, n) for p, n in zip(places, normals, strict=True)])
    assert rgb.min() > 0.01, "a black surface shows no light"

    def render(depth: int, seed: int, count: int) -> np.ndarray:
        scene = mitsuba.load_dict(
            {**site_twin, "sensor": sensors(places, normals),
             "integrator": {"type": "path", "max_depth": depth, "rr_depth": 12, "block_size": 1}}
        )  # fmt: skip
        radiance = np.array(mitsuba.render(scene, spp=count, seed=seed))[0]
        return (np.pi * radiance / rgb) @ LUMINOUS

    # Paths of two edges: from a source, over the surface, to the eye.
    direct = render(2, 1, samples // SEEDS)
    totals = np.array([render(-1, 2 + k, samples // SEEDS) for k in range(SEEDS)])
    total = totals.mean(axis=0)
    return Reference(direct, total, totals.std(axis=0, ddof=1) / np.sqrt(SEEDS) / total)


def picture(
    site: Site, camera: Camera, folder: Path, samples: int, depth: int = -1, seeds: int = 2
) -> np.ndarray:
    """Luminance as a camera sees the site, rendered so many times over: (seeds, h, w, 3) [cd/m² RGB].

    samples : a pixel, each time; a power of four. depth : edges of the longest paths; 2 for direct light alone.
    The lamps themselves, being points, are not seen.
    """
    import mitsuba

    mitsuba.set_variant("scalar_rgb")
    look = mitsuba.ScalarTransform4f().look_at(
        origin=camera.eye.tolist(), target=camera.target.tolist(), up=[0, 0, 1]
    )
    sensor = {"type": "perspective", "fov": camera.fov_deg, "fov_axis": "x", "to_world": look,
              "film": _film(camera.width, camera.height), "sampler": {"type": "stratified"}}  # fmt: skip
    scene = mitsuba.load_dict(
        {**twin(site, folder, drawn=True), "sensor": sensor,
         "integrator": {"type": "path", "max_depth": depth, "rr_depth": 12}}
    )  # fmt: skip
    return np.array(
        [np.array(mitsuba.render(scene, spp=samples, seed=seed + 1)) for seed in range(seeds)]
    )


def twin(site: Site, folder: Path, drawn: bool = False) -> dict[str, Any]:
    """The site with all its sources at full power, as a dictionary that Mitsuba loads.

    drawn : as a picture shows it and not as light is traced: what is round is round, a leaf is a
    rhomb and has its own lightness.
    """
    found: dict[str, Any] = {"type": "scene"}
    for number, surface in enumerate(_surfaces(site, drawn)):
        found[f"surface{number}"] = _loaded(surface, folder / f"surface {number}.ply")
    for number, source in enumerate(sources_of(site)):
        if source.kind != "pane":  # those shine as surfaces
            found[f"lamp{number}"] = _lamp(site, source)
    if ambient_lx(site) > 0:
        assert site.scene.site.surroundings == "none", "only an even sky has a counterpart"
        up = sky_luminance(np.array([[0.0, 0.0, 1.0]]), "none", ambient_lx(site), None)[0]
        found["sky"] = {"type": "constant", "radiance": _rgb(up)}
        import mitsuba

        lie = mitsuba.ScalarTransform4f().translate([0, 0, BEDROCK_M]).scale([3000.0, 3000.0, 1])
        found["far ground"] = {"type": "disk", "to_world": lie, "bsdf": _matte((0.05, 0.08, 0.02))}
    return found


def sensors(places, normals) -> dict[str, Any]:
    """One film, a pixel a point."""
    found: dict[str, Any] = {
        "type": "batch",
        "film": _film(len(places), 1),
        "sampler": {"type": "independent"},
    }
    for k, (place, normal) in enumerate(zip(places, normals, strict=True)):
        found[f"point{k:03d}"] = {"type": "radiancemeter", "film": _film(1, 1), "direction": (-normal).tolist(),
                                  "origin": (place + NEAR_M * normal).tolist()}  # fmt: skip
    return found


def _film(width: int, height: int) -> dict[str, Any]:
    return {"type": "hdrfilm", "width": width, "height": height, "rfilter": {"type": "box"},
            "pixel_format": "rgb", "component_format": "float32"}  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Surface:
    """Triangles (m, 3, 3) of one kind. rgb : their reflection, (3,) or each its own (m, 3)."""

    triangles: np.ndarray
    rgb: np.ndarray
    two_sided: bool = False
    glow: np.ndarray | None = None


def _surfaces(site: Site, drawn: bool):
    """All surfaces, of one kind at a time."""
    kinds: dict[tuple[str, str], list[np.ndarray]] = {}
    for patch in site.patches:
        glass = patch.opening if patch.kind == "glass" else ""
        kinds.setdefault((patch.material, glass), []).append(_triangles(patch, drawn))
    for mesh in site.meshes:
        kinds.setdefault((mesh.material, ""), []).append(mesh.vertices[mesh.faces])
    glow = {opening.name: opening for opening in site.scene.openings if opening.glow_cd_m2 > 0}
    panes = {source.name: source for source in sources_of(site) if source.kind == "pane"}
    for (material, glass), triangles in kinds.items():
        rgb = np.zeros(3) if glass else np.array(site.materials[material].rgb)
        lit = glow[glass].glow_cd_m2 * panes[glass].rgb if glass in glow else None
        yield _Surface(np.concatenate(triangles), rgb, glow=lit)
    for crown in site.crowns:
        spec = site.materials[crown.material]
        assert spec.transmits_rgb is None, "no counterpart to leaves that let light through"
        rgb = np.array(spec.rgb)
        if drawn:
            halves = np.concatenate([crown.corners[:, [0, 1, 2]], crown.corners[:, [0, 2, 3]]])
            yield _Surface(halves, np.tile(crown.tone, 2)[:, None] * rgb, two_sided=True)
        else:
            yield _Surface(crown.triangles, rgb, two_sided=True)


def _triangles(patch: Patch, drawn: bool) -> np.ndarray:
    if patch.tube is None or not drawn:
        points, _, faces = patch.triangles
        return points[faces]
    rim = np.linspace(0.0, patch.size[0], AROUND + 1)
    low, high = (patch.place(rim, np.full_like(rim, v))[0] for v in (0.0, patch.size[1]))
    one = np.stack([low[:-1], low[1:], high[1:]], axis=1)
    other = np.stack([low[:-1], high[1:], high[:-1]], axis=1)
    return np.concatenate([one, other])


def _loaded(surface: _Surface, path: Path):
    """The surface as Mitsuba's own mesh, by way of a file."""
    import mitsuba

    corners = np.asarray(surface.triangles, float).reshape(-1, 3)
    faces = np.arange(len(corners)).reshape(-1, 3)
    trimesh.Trimesh(corners, faces, process=False).export(path)
    each = surface.rgb.ndim == 2
    colour = {"type": "mesh_attribute", "name": "face_color"} if each else _rgb(surface.rgb)
    bsdf: dict[str, Any] = {"type": "diffuse", "reflectance": colour}
    if surface.two_sided:
        bsdf = {"type": "twosided", "bsdf": bsdf}
    shape: dict[str, Any] = {
        "type": "ply", "filename": str(path), "face_normals": True, "bsdf": bsdf
    }  # fmt: skip
    if surface.glow is not None:
        shape["emitter"] = {"type": "area", "radiance": _rgb(surface.glow)}
    mesh = mitsuba.load_dict(shape)
    if each:
        mesh.add_attribute("face_color", 3, surface.rgb.astype(np.float32).ravel())
    return mesh


def _lamp(site: Site, source: Source) -> dict[str, Any]:
    position = source.positions[0]
    if source.kind == "moon":
        return {"type": "directional", "direction": source.axis.tolist(),
                "irradiance": _rgb(site.scene.moon.illuminance_lx * source.rgb)}  # fmt: skip
    entry = next(placed.lamp.entry for placed in site.fixtures if placed.id == source.name)
    if entry.kind == "omni":
        candela = source.intensity.flux_lm / (4 * np.pi)
        return {
            "type": "point",
            "position": position.tolist(),
            "intensity": _rgb(candela * source.rgb),
        }
    # Mitsuba's spot: even within a first angle, then a straight line down to nothing at a second.
    assert entry.kind == "table" and len(entry.intensity) == 3, f"no counterpart to {entry.kind}"
    (start, peak), (inner, same), (outer, none) = entry.intensity
    assert start == none == 0.0 and peak == same, "a spot is even within, and ends at nothing"
    import mitsuba

    aim = mitsuba.ScalarTransform4f().look_at(
        origin=position.tolist(),
        target=(position + source.axis).tolist(),
        up=source.reference.tolist(),
    )
    return {"type": "spot", "to_world": aim, "intensity": _rgb(peak * source.rgb),
            "beam_width": inner, "cutoff_angle": outer}  # fmt: skip


def _matte(rgb) -> dict[str, Any]:
    return {"type": "diffuse", "reflectance": _rgb(rgb)}


def _rgb(values) -> dict[str, Any]:
    return {"type": "rgb", "value": [float(v) for v in values]}


def _reflectance(site: Site, place, normal) -> np.ndarray:
    """What the surface at a place, seen from its front, gives back (3,)."""
    from nightview.light.rays import Tracer

    tracer = Tracer(site.geometry)
    start = (place + NEAR_M * normal).astype(np.float32)[None]
    hit = tracer.first(start, (-normal).astype(np.float32)[None])
    assert hit.triangle[0] >= 0 and hit.distance[0] < 2 * NEAR_M, f"there is no surface at {place}"
    surface = tracer.surface[hit.triangle[0]]
    thing = (*site.patches, *site.crowns, *site.meshes)[surface]
    return np.asarray(site.materials[thing.material].rgb)
