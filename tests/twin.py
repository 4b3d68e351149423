"""A site's twin for Mitsuba 3, a general-purpose path tracer: the same triangles, colours, lamps.

Illuminance is had from the radiance of the surface itself: E = π·L/ρ at each point, by a sensor that
looks at it from close by. Only what both programs can state alike goes over: matte surfaces, lamps
that are points with a round distribution, matte panes, an even sky. Leaves that let light through
have no counterpart there.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from nightview.light.gather import ambient_lx
from nightview.light.source import Source, sources_of
from nightview.site.build import Site
from nightview.site.sky import sky_luminance

LUMINOUS = np.array([0.2126, 0.7152, 0.0722])
NEAR_M = 0.003
"""A sensor looks at its point from this far off."""
BEDROCK_M = -0.05
"""Where the far ground lies, out to the horizon: right under the site's own."""
SEEDS = 4


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


def twin(site: Site, folder: Path) -> dict[str, Any]:
    """The site with all its sources at full power, as a dictionary that Mitsuba loads."""
    found: dict[str, Any] = {"type": "scene"}
    for number, (triangles, bsdf, emitter) in enumerate(_surfaces(site)):
        path = folder / f"surface {number}.ply"
        corners = np.asarray(triangles, float).reshape(-1, 3)
        faces = np.arange(len(corners)).reshape(-1, 3)
        trimesh.Trimesh(corners, faces, process=False).export(path)
        found[f"surface{number}"] = {
            "type": "ply", "filename": str(path), "face_normals": True, "bsdf": bsdf, **emitter
        }  # fmt: skip
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

    def film(width: int) -> dict[str, Any]:
        return {"type": "hdrfilm", "width": width, "height": 1, "rfilter": {"type": "box"},
                "pixel_format": "rgb", "component_format": "float32"}  # fmt: skip

    found: dict[str, Any] = {
        "type": "batch",
        "film": film(len(places)),
        "sampler": {"type": "independent"},
    }
    for k, (place, normal) in enumerate(zip(places, normals, strict=True)):
        found[f"point{k:03d}"] = {"type": "radiancemeter", "film": film(1), "direction": (-normal).tolist(),
                                  "origin": (place + NEAR_M * normal).tolist()}  # fmt: skip
    return found


def _surfaces(site: Site):
    """Triangles (m, 3, 3), their reflection and their own light, of one kind at a time."""
    kinds: dict[tuple[str, str], list[np.ndarray]] = {}
    for patch in site.patches:
        points, _, faces = patch.triangles
        glass = patch.opening if patch.kind == "glass" else ""
        kinds.setdefault((patch.material, glass), []).append(points[faces])
    for mesh in site.meshes:
        kinds.setdefault((mesh.material, ""), []).append(mesh.vertices[mesh.faces])
    glow = {opening.name: opening for opening in site.scene.openings if opening.glow_cd_m2 > 0}
    panes = {source.name: source for source in sources_of(site) if source.kind == "pane"}
    for (material, glass), triangles in kinds.items():
        emitter = {}
        if glass in glow:
            radiance = glow[glass].glow_cd_m2 * panes[glass].rgb
            emitter = {"emitter": {"type": "area", "radiance": _rgb(radiance)}}
        bsdf = _matte((0, 0, 0) if glass else site.materials[material].rgb)
        yield np.concatenate(triangles), bsdf, emitter
    for crown in site.crowns:
        spec = site.materials[crown.material]
        assert spec.transmits_rgb is None, "no counterpart to leaves that let light through"
        yield crown.triangles, {"type": "twosided", "bsdf": _matte(spec.rgb)}, {}


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
