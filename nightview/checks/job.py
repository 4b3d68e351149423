"""All that a check may ask for: the site, its light at the points of all areas, and the limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nightview.checks.areas import Area
from nightview.checks.limits import Limit
from nightview.checks.readings import Meter, Readings
from nightview.checks.targets import target_of
from nightview.light.field import State
from nightview.scene.model import Check, Fixture, Scene
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.site.surface import Array


@dataclass(frozen=True, eq=False)
class Job:
    """One state of a scene, ready to be checked.

    late : the light of the state that is on after curfew; the same where none is named.
    names : of the two states.
    """

    site: Site
    meter: Meter
    limits: Mapping[str, Limit]
    readings: Readings
    late: Readings
    names: tuple[str, str] = (AS_DESIGNED, AS_DESIGNED)

    @property
    def scene(self) -> Scene:
        """The scene."""
        return self.site.scene

    @property
    def brief(self) -> Check:
        """What the scene says of its checks."""
        return self.scene.check

    @property
    def state(self) -> State:
        """The state that is checked."""
        return self.readings.state

    def areas(self, *kinds: str) -> list[Area]:
        """The areas of some kinds, in the order of the scene."""
        return [area for area in self.meter.areas if area.kind in kinds]

    def area(self, kind: str, name: str) -> Area | None:
        """One area, or None."""
        return next((a for a in self.meter.areas if (a.kind, a.name) == (kind, name)), None)

    def lamp(self, name: str) -> Placed:
        """A lamp by its id."""
        return next(lamp for lamp in self.site.fixtures if lamp.id == name)

    @cached_property
    def fixture_of(self) -> dict[str, Fixture]:
        """Lamp id → the fixture table that it comes from."""
        return {lamp: fixture for fixture in self.scene.fixtures for lamp in fixture.lamp_ids}

    @cached_property
    def lit_lamps(self) -> list[Placed]:
        """The lamps that are on in the state."""
        return [
            lamp
            for lamp in self.site.fixtures
            if self.state.level.get(lamp.id, 1.0) > 0 and lamp.id not in self.state.absent
        ]

    @cached_property
    def meant(self) -> dict[str, str]:
        """Lamp id → what it is meant to light: "cottage front", "apple", "front path", "ground"; by the
        fixture's own word, else what the lamp's aim meets first; "" if that is nothing."""
        return target_of(self.site, self.meter.light.tracer)

    def meant_for(self, *names: str) -> list[Placed]:
        """The lamps that are on and meant for one of some things."""
        return [lamp for lamp in self.lit_lamps if self.meant[lamp.id] in names]

    def chief_lamps(self, area: Area, share: Array) -> tuple[str, ...]:
        """The lamps that bring most light where share (n,) is not zero, those with a tenth of it or
        more, the chief one first."""
        brought = self.readings.by_lamp(area) @ share
        if not len(brought) or brought.sum() <= 0:
            return ()
        order = np.argsort(-brought)
        return tuple(self.readings.names[k] for k in order if brought[k] > 0.1 * brought.sum())
