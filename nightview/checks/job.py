"""All that a check may ask for: the site, its light at the points of all areas, and the limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from nightview.checks.areas import Area, areas_of
from nightview.checks.limits import Limit, limits_of
from nightview.checks.readings import Meter, Progress, Readings
from nightview.checks.targets import target_of
from nightview.light.state import State, state_of
from nightview.scene.model import Check, Fixture, Scene
from nightview.scene.states import AS_DESIGNED
from nightview.site.build import Site
from nightview.site.placing import Placed
from nightview.site.surface import Array

if TYPE_CHECKING:
    from nightview.light.field import LightField


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

    @classmethod
    def at(cls, light: LightField | Site, state: str, report: Progress | None = None) -> Job:
        """The job of a state by name of a traced field, or of a site as in ``Meter``. NightviewError
        for an unknown state or limit."""
        site = light if isinstance(light, Site) else light.site
        limits = limits_of(site.scene)
        return cls.of(Meter(light, areas_of(site), report), site, limits, state)

    @classmethod
    def of(cls, meter: Meter, site: Site, limits: Mapping[str, Limit], state: str) -> Job:
        """The same of a meter that has read other lamps before; late is the scene's own state."""
        late = site.scene.check.curfew or state
        readings = meter.read(site, state_of(site, state))
        after = readings if late == state else meter.read(site, state_of(site, late))
        return cls(site, meter, limits, readings, after, (state, late))

    @property
    def keeps(self) -> bool:
        """Whether what is worked out for it is kept on disk: not for a scene that is only tried."""
        return self.meter.keeps and self.site is self.meter.site

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
        return target_of(self.site, self.meter.probe, self.keeps)

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
