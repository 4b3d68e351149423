"""Lamps and transformers that stand near open water, where a code has rules of its own."""

from __future__ import annotations

from collections.abc import Iterator

import shapely

from nightview.scene.faults import label
from nightview.scene.model import Scene
from nightview.site.ground import outline_of
from nightview.units import shown
from nightview.wiring.faults import Finding
from nightview.wiring.network import Network

NEAR_M = 3.05
"""10 ft: NEC 680.22 for pools and fountains; natural waters are article 682's [from memory]."""
NAMED = 6


def near_water(scene: Scene, network: Network) -> Iterator[Finding]:
    """A note for each pond that something wired stands near, seen from above."""
    wired = [*(lamp.id for lamp in network.lamps), *(one.name for one in network.transformers)]
    for pond in scene.ponds:
        water = outline_of(pond)
        near = [
            name for name in wired
            if name in network.places
            and shapely.distance(water, shapely.Point(network.places[name][:2])) < NEAR_M
        ]  # fmt: skip
        if near:
            more = f" and {len(near) - NAMED} more" if len(near) > NAMED else ""
            yield Finding(
                "near water", False, label("pond", pond.name),
                f"{', '.join(map(shown, near[:NAMED]))}{more} "
                f"{'stand' if len(near) > 1 else 'stands'} within 10 ft (3.05 m) of its edge",
                "move it away, or let a licensed electrician say what the code's articles on pools, "
                "fountains and natural waters (NEC 680, 682) allow there",
            )  # fmt: skip
