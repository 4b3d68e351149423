"""How light comes to the points of areas: straight from a source, and off the rows of a traced field."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from nightview.checks.areas import Area
from nightview.light.direct import LIFT_M, light_on_points
from nightview.light.field import LightField
from nightview.light.nodes import between
from nightview.light.rays import Tracer
from nightview.light.source import Source
from nightview.light.stage import set_up
from nightview.site.surface import Array

LENS_POINTS = 8
"""Shadow rays from a point to a lamp's lens, spread over it."""
LEAST_LX = 2e-3
"""Less direct light than this is not looked for."""


def direct_on(
    points: Array, normals: Array, two_sided: NDArray[np.bool_], source: Source, tracer: Tracer
) -> Array:
    """A source's direct light at full power on points (n, 3) with normals (n, 3): (n,) [lx].

    two_sided : (n,) where light from behind counts too.
    """
    found = np.zeros(len(points))
    where = points.astype(np.float32)
    for facing, which in (
        (normals, np.arange(len(points))),
        (-normals, np.flatnonzero(two_sided)),
    ):
        for position in source.positions:
            here = where[which]
            normal = facing[which].astype(np.float32)
            light = light_on_points(here, normal, source, position)[0]
            lit = np.flatnonzero(light * len(source.positions) > LEAST_LX)
            if not len(lit):
                continue
            start = (points[which[lit]] + LIFT_M * facing[which[lit]]).astype(np.float32)
            spots = source.lens_points(position, LENS_POINTS).astype(np.float32)
            clear = np.zeros(len(lit))
            for spot in spots:
                clear += ~tracer.blocked(start, spot)
            found[which[lit]] += light[lit] * clear / len(spots)
    return found


def rows_of(light: LightField, areas: Iterable[Area]) -> sparse.csr_matrix:
    """Which gather rows bring bounced light to each point, (points, rows): between the nodes of a
    patch's grid; where there is none, as on glass, from the nearest node that faces alike."""
    at: list[NDArray[Any]] = []
    which: list[NDArray[Any]] = []
    share: list[NDArray[Any]] = []
    start = 0
    layout = light.layout
    for area in areas:
        lost = np.ones(len(area), bool)
        for number in np.unique(area.patch[area.patch >= 0]):
            grid = layout.patch_rows[number]
            if grid is None:
                continue
            own = np.flatnonzero(area.patch == number)
            lost[own] = False
            ends_u, ends_v = (
                _ends(have, area.uv[own, k]) for k, have in enumerate((grid.u, grid.v))
            )
            for j, wv in ends_v:
                for i, wu in ends_u:
                    at.append(start + own)
                    which.append(grid.rows[j, i])
                    share.append(wu * wv)
        if lost.any() and len(layout.points) and area.kind != "crown":
            left = np.flatnonzero(lost)
            at.append(start + left)
            which.append(set_up(light.site.geometry).nearest(area.points[left], area.normals[left]))
            share.append(np.ones(len(left)))
        start += len(area)
    if not at:
        return sparse.csr_matrix((start, len(light.sky)))
    return sparse.csr_matrix(
        (np.concatenate(share), (np.concatenate(at), np.concatenate(which))),
        shape=(start, len(light.sky)),
    )


def _ends(have: Array, want: Array) -> list[tuple[NDArray[Any], NDArray[Any]]]:
    """The one or two of have about each of want, and their shares."""
    if len(have) == 1:
        return [(np.zeros(len(want), np.intp), np.ones(len(want)))]
    index, part = between(have, want)
    return [(index, 1.0 - part), (index + 1, part)]
