"""Which lights of a site the client page draws as one: those that always change together.

The client sets a zone: on or off, how far dimmed, which colour temperature. The options set each
light in their own way. Lights that no option and no zone tells apart are one part, drawn once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from nightview.light.field import LightField, State
from nightview.scene.states import AS_DESIGNED, Shown, label_of, shown_in
from nightview.site.placing import Placed

_ALIKE = 9
"""Digits to which two lights must agree to be one part."""


@dataclass(frozen=True)
class Setting:
    """How an option sets a zone. exists : whether any of its lamps are there. dim : 0…1, the level of
    the brightest. cct_k : that of its lamps [K] before dimming, None where they differ."""

    exists: bool
    on: bool
    dim: float
    cct_k: float | None


@dataclass(frozen=True, eq=False)
class LampPart:
    """Lamps of one zone that change together.

    drawn : them alone, white, at the level that is 1 here. source : "led" or "halogen".
    share : of the zone's level, and cct_k : colour temperature before dimming [K], an option each.
    """

    drawn: State
    zone: str
    source: str
    share: tuple[float, ...]
    cct_k: tuple[float, ...]


@dataclass(frozen=True, eq=False)
class ScenePart:
    """Windows, moon and sky that change together.

    drawn : them alone, as bright as any option has them. factor : (options, 3), what of it shows.
    """

    drawn: State
    factor: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, eq=False)
class Parts:
    """A site's light as parts, and what its options do with them.

    options : names of states, the design first; labels : in plain words. zones : by name, the
    setting in each option. designed : the design, with the lamps of all options standing there, as
    in all that is drawn here. before : the same with all lamps off.
    """

    options: tuple[str, ...]
    labels: tuple[str, ...]
    zones: Mapping[str, tuple[Setting, ...]]
    lamps: tuple[LampPart, ...]
    scene: tuple[ScenePart, ...]
    designed: State
    before: State


def parts_of(field: LightField) -> Parts:
    """The parts of a site's light for all states of its scene."""
    scene = field.site.scene
    options = (AS_DESIGNED, *(state.name for state in scene.states))
    shown = [shown_in(scene, name) for name in options]
    lamps = field.site.fixtures
    # A lamp that stands in any option stands in all that is drawn, since the parts are added up.
    absent = frozenset(lamp.id for lamp in lamps if not any(s[lamp.id].exists for s in shown))
    designed = State(field.designed.level, field.designed.rgb, field.designed.sky, absent)
    zones: dict[str, tuple[Setting, ...]] = {}
    found: list[LampPart] = []
    for zone in dict.fromkeys(lamp.zone for lamp in lamps if lamp.id not in absent):
        own = [lamp for lamp in lamps if lamp.zone == zone and lamp.id not in absent]
        zones[zone] = tuple(_setting(own, told) for told in shown)
        found += _lamp_parts(field, own, shown, zones[zone], absent)
    return Parts(
        options,
        tuple(label_of(scene, name) for name in options),
        zones,
        tuple(found),
        _scene_parts(field, [field.state(name) for name in options], absent),
        designed,
        field.lamps_off(designed),
    )


def _setting(lamps: Sequence[Placed], shown: Mapping[str, Shown]) -> Setting:
    there = [lamp for lamp in lamps if shown[lamp.id].exists]
    lit = [lamp for lamp in there if shown[lamp.id].level > 0]
    ccts = {shown[lamp.id].cct_k or lamp.cct_k for lamp in lit or there or lamps}
    dim = max((shown[lamp.id].dim for lamp in lit or there), default=1.0)
    return Setting(bool(there), bool(lit), dim, ccts.pop() if len(ccts) == 1 else None)


def _share(lamp: Placed, shown: Mapping[str, Shown], setting: Setting) -> float:
    """Of the zone's level, what a lamp has once the zone is switched on."""
    told = shown[lamp.id]
    if not told.exists or (setting.on and not told.on):
        return 0.0
    return told.dim / setting.dim if setting.dim > 0 else 1.0


def _lamp_parts(
    field: LightField,
    lamps: Sequence[Placed],
    shown: Sequence[Mapping[str, Shown]],
    settings: Sequence[Setting],
    absent: frozenset[str],
) -> list[LampPart]:
    alike: dict[tuple[object, ...], dict[str, float]] = {}
    for lamp in lamps:
        shares = [_share(lamp, told, own) for told, own in zip(shown, settings, strict=True)]
        most = max(shares)
        if most == 0:
            continue
        # Light in proportion to the level lets differently trimmed lamps be one part. A filament's
        # colour hangs on the level itself.
        level = most if lamp.lamp.source == "led" else 1.0
        share = tuple(round(one / level, _ALIKE) for one in shares)
        ccts = tuple(told[lamp.id].cct_k or lamp.cct_k for told in shown)
        alike.setdefault((lamp.zone, lamp.lamp.source, share, ccts), {})[lamp.id] = level
    return [
        LampPart(_alone(field, levels, 0.0, absent), *key)  # type: ignore[arg-type]
        for key, levels in alike.items()
    ]


def _scene_parts(
    field: LightField, states: Sequence[State], absent: frozenset[str]
) -> tuple[ScenePart, ...]:
    lamps = {lamp.id for lamp in field.site.fixtures}
    others = {one.source.name: one.source for one in field.sources if one.source.name not in lamps}
    weights = {
        name: np.array([state.weight(source) for state in states])
        for name, source in others.items()
    }
    sky = np.array([np.full(3, state.sky) for state in states])
    alike: dict[tuple[tuple[float, ...], ...], list[str | None]] = {}
    for name, weight in [(None, sky), *weights.items()]:
        most = weight.max(axis=0)
        if most.any():
            factor = np.divide(weight, most, out=np.zeros_like(weight), where=most > 0)
            key = tuple(map(tuple, np.round(factor, _ALIKE).tolist()))
            alike.setdefault(key, []).append(name)
    found = []
    for factor_, names in alike.items():
        rgb = {name: weights[name].max(axis=0) for name in names if name is not None}
        shares = dict.fromkeys(rgb, 1.0)
        drawn = _alone(field, shares, sky.max() if None in names else 0.0, absent)
        found.append(ScenePart(State(drawn.level, rgb, drawn.sky, absent), factor_))
    return tuple(found)


def _alone(
    field: LightField, levels: Mapping[str, float], sky: float, absent: frozenset[str]
) -> State:
    """Some sources alone, white."""
    names = [one.source.name for one in field.sources]
    white = {name: np.ones(3) for name in names}
    return State({name: levels.get(name, 0.0) for name in names}, white, float(sky), absent)
