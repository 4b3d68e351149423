"""Which materials a light falls on most."""

from __future__ import annotations

import numpy as np

from nightview.light.field import Light, LightField, State, mix
from nightview.light.state import LUMINOUS


def only_lamps(field: LightField, state: State) -> State:
    """A state without windows, moon and sky."""
    level = {
        part.source.name: float(state.weight(part.source) @ LUMINOUS)
        if part.source.kind == "lamp"
        else 0.0
        for part in field.sources
    }
    return State(level, {name: np.ones(3) for name in level}, sky=0.0)


def lit_materials(field: LightField, state: State) -> list[tuple[str, float]]:
    """Materials by the lamps' light that comes back from them, most first, each with its share."""
    light = mix(field, only_lamps(field, state))
    found: dict[str, float] = {}
    for material, lumens in _returned(light):
        found[material] = found.get(material, 0.0) + lumens
    total = sum(found.values())
    ranked = sorted(found.items(), key=lambda item: (-item[1], item[0]))
    return [(name, lumens / total) for name, lumens in ranked if lumens > 0]


def _returned(light: Light) -> list[tuple[str, float]]:
    """Lumens that come back from each surface, by its material."""
    site, found = light.field.site, []
    for patch, values in zip(site.patches, light.patches, strict=True):
        if values is not None:
            lux = float(values.mean(axis=(0, 1)) @ LUMINOUS)
            found.append((patch.material, lux * patch.outline.area))
    for crown, sides in zip(site.crowns, light.crowns, strict=True):
        leaf_m2 = 0.5 * crown.length_m * crown.width_m
        found.append((crown.material, float((sides.sum(axis=(0, 1)) @ LUMINOUS) * leaf_m2)))
    for mesh, at_vertices in zip(site.meshes, light.meshes, strict=True):
        a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
        area = 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)
        on_faces = (at_vertices @ LUMINOUS)[mesh.faces].mean(axis=1)
        found.append((mesh.material, float(on_faces @ area)))
    return [(name, flux * site.materials[name].reflectance) for name, flux in found]
