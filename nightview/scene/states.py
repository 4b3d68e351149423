"""What a state shows: each lamp, window and other light on or off, how far dimmed, how warm.

The file says it of all lamps, of a zone, of a fixture; here that becomes one setting a light. What
that means for its lumens and colour hangs on the lamp (``lamps/dimming.py``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from nightview.errors import NightviewError
from nightview.scene.faults import choice, label
from nightview.scene.model import Fixture, Scene, Setting, State

LIGHTS = ("windows", "moon", "sky")
"""Light that is there without our lamps; each is a zone of its own."""

AS_DESIGNED = "as designed"
"""What it is called when no state is named."""


@dataclass(frozen=True)
class Shown:
    """How one light shows in a state.

    exists : whether it is there at all; a lamp of another option is not, nor is its body.
    on : switched on. dim : 0…1 of the control, not of the lumens.
    cct_k : colour temperature asked for [K], before any dimming; None for the light's own.
    """

    exists: bool
    on: bool
    dim: float
    cct_k: float | None

    @property
    def level(self) -> float:
        """0…1 of the control that is at work: 0 where it is off or not there."""
        return self.dim if self.exists and self.on else 0.0


def shown_in(scene: Scene, name: str = AS_DESIGNED) -> dict[str, Shown]:
    """Every light of a scene by name, in a state of it or as the file designs it.

    The names are those of lamps (of a row "id-1", "id-2", …), of lit openings, and "moon" and
    "sky". NightviewError for an unknown state.

    The nearest word holds: of the one lamp, else of its fixture, else of its zone, else of the
    state, else of the fixture's own table. Only dim works as dimmers in a row do: what a state says
    of all lamps and of a zone is multiplied with the fixture's own, as for a dimmer before a lamp
    that is trimmed; what it says of a fixture is that fixture's level, whatever else is said.
    ``only`` turns the lamps of all other zones off. None of it touches windows, moon and sky,
    which are spoken to by their zone's name, or a window by its own.
    """
    state = _merged(scene, name)
    above = () if name == AS_DESIGNED else lineage(scene, state_of(scene, name))
    options = {one.name for one in above}
    found: dict[str, Shown] = {}
    for fixture in scene.fixtures:
        exists = fixture.option is None or fixture.option in options
        for lamp in fixture.lamp_ids:
            found[lamp] = _lamp(state, fixture, lamp, exists)
    for window in lit_windows(scene):
        found[window] = _other(state, "windows", window)
    moon_on = scene.moon is not None and scene.moon.on
    found["moon"] = _other(state, "moon", "", exists=scene.moon is not None, on=moon_on)
    found["sky"] = _other(state, "sky", "")
    return found


def label_of(scene: Scene, name: str) -> str:
    """What a state is called in plain words; NightviewError if there is none of that name."""
    if name == AS_DESIGNED:
        return name
    return state_of(scene, name).label or name


def state_of(scene: Scene, name: str) -> State:
    """The state of that name in the file; NightviewError if there is none."""
    for state in scene.states:
        if state.name == name:
            return state
    place, known = label("state", name), [state.name for state in scene.states]
    if not known:
        raise NightviewError(place, "the scene has no states", "add a [[state]], or name none")
    known.append(AS_DESIGNED)
    raise NightviewError(place, "is no state of this scene", choice(name, known, "there are"))


def lineage(scene: Scene, state: State) -> tuple[State, ...]:
    """The state and those it is like, itself first; in a circle, each once."""
    by_name = {one.name: one for one in scene.states}
    chain = [state]
    while (above := by_name.get(chain[-1].like or "")) is not None and above not in chain:
        chain.append(above)
    return tuple(chain)


def zones_of(scene: Scene) -> set[str]:
    """The names of all zones of lamps."""
    return {fixture.zone for fixture in scene.fixtures}


def lit_windows(scene: Scene) -> list[str]:
    """The names of the openings with a light behind them."""
    return [opening.name for opening in scene.openings if opening.glow_cd_m2 > 0.0]


def _merged(scene: Scene, name: str) -> State:
    """The state with all that it takes over from those it is like."""
    if name == AS_DESIGNED:
        return State(name=AS_DESIGNED)
    chain = lineage(scene, state_of(scene, name))
    merged = chain[-1]
    for state in chain[-2::-1]:
        merged = state.model_copy(
            update={
                **_over(merged, state),
                "only": merged.only if state.only is None else state.only,
                "zones": _each_over(merged.zones, state.zones),
                "fixtures": _each_over(merged.fixtures, state.fixtures),
            }
        )
    return merged


def _each_over(base: Mapping[str, Setting], later: Mapping[str, Setting]) -> dict[str, Setting]:
    return dict(base) | {
        name: setting.model_copy(update=_over(base.get(name, Setting()), setting))
        for name, setting in later.items()
    }


def _over(base: Setting, later: Setting) -> dict[str, float | bool | None]:
    """What later says, and where it is silent what base says."""
    return {
        key: getattr(base if getattr(later, key) is None else later, key)
        for key in Setting.model_fields
    }


def _lamp(state: State, fixture: Fixture, lamp: str, exists: bool) -> Shown:
    silent = Setting()
    zone = state.zones.get(fixture.zone, silent)
    row = state.fixtures.get(fixture.id, silent)
    one = state.fixtures.get(lamp, silent) if lamp != fixture.id else silent
    in_zone = None if state.only is None else fixture.zone in state.only
    on = _first(one.on, row.on, zone.on, False if in_zone is False else None, state.on, fixture.on)
    shared = (1.0 if state.dim is None else state.dim) * (1.0 if zone.dim is None else zone.dim)
    dim = _first(one.dim, row.dim, fixture.dim * shared)
    nearest = (one.cct_k, row.cct_k, zone.cct_k, state.cct_k, fixture.cct_k)
    cct_k = next((cct_k for cct_k in nearest if cct_k is not None), None)
    return Shown(exists, bool(on), float(dim), cct_k)


def _other(state: State, zone: str, name: str, *, exists: bool = True, on: bool = True) -> Shown:
    """A window, the moon or the sky."""
    silent = Setting()
    own, all_of_them = state.fixtures.get(name, silent), state.zones.get(zone, silent)
    cct_k = all_of_them.cct_k if own.cct_k is None else own.cct_k
    return Shown(
        exists,
        bool(_first(own.on, all_of_them.on, on)),
        float(_first(own.dim, all_of_them.dim, 1.0)),
        cct_k,
    )


def _first(*said: float | bool | None) -> float | bool:
    """The first that is said; the last always is."""
    return next(one for one in said if one is not None)
