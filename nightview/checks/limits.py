"""The one table of limits: what is warned of, what is strong, and what each rests on.

Three kinds stay apart, and what the trade merely does is a fourth: ``code``, law where it is adopted;
``guidance``, published by a standards body; ``practice``, common practice without a single source;
``taste``, which is told and never a fault. A scene puts its own in place of one by its name under
``[check.limits]``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from nightview.errors import NightviewError
from nightview.scene.faults import choice
from nightview.scene.model import Scene

Kind = Literal["code", "guidance", "practice", "taste"]
RANK = {"good": 0, "cannot tell": 0, "warn": 1, "strong": 2}
CP = "common practice, no single source"


@dataclass(frozen=True)
class Limit:
    """Where a value becomes a warning and where a strong one.

    strong : None where there is but one step. below : whether small values are the bad ones.
    fault : from which verdict on a finding is more than taste.
    """

    name: str
    unit: str
    warn: float
    strong: float | None
    kind: Kind
    source: str
    below: bool = False
    fault: Literal["warn", "strong"] = "warn"

    def verdict(self, value: float) -> str:
        """ "good", "warn" or "strong"; a value at the limit itself is still good."""
        beyond = (lambda limit: value < limit) if self.below else (lambda limit: value > limit)
        if self.strong is not None and beyond(self.strong):
            return "strong"
        return "warn" if beyond(self.warn) else "good"

    def excess(self, value: float) -> float:
        """How far a value is beyond where it becomes a fault, as a ratio above one; at most one where
        it does not."""
        least = self.strong if self.fault == "strong" and self.strong is not None else self.warn
        if self.below:
            return least / max(value, 1e-9)
        return value / least if least else (1.0 if value <= 0 else 1e9)


_EN = "EN 12193:2008 and ILP GN01:2011, by zone E1 to E4"
_ROWS = (
    # walls
    Limit("hot_spot_local", "", 3.0, 5.0, "practice", f"calculated, {CP}"),
    Limit("hot_spot_zone", "", 5.0, 10.0, "practice", f"calculated, {CP}"),
    Limit("black_hole", "%", 10.0, 30.0, "practice", CP),
    Limit("reach", "", 0.5, 0.35, "practice", CP, below=True),
    Limit("evenness", "", 10.0, None, "taste", CP),
    Limit("scallop", "", 1.0, None, "taste", f"calculated, {CP}"),
    Limit("balance", "", 2.0, 3.0, "practice", f"2:1 is barely seen, 3:1 perceptible; {CP}"),
    Limit("side_wall", "", 1.0, 2.0, "practice", CP),
    Limit("hierarchy_least", "", 3.0, None, "taste", CP, below=True),
    Limit("hierarchy_most", "", 20.0, 40.0, "taste", CP),
    # ways
    Limit("path_mean", "lx", 1.0, None, "taste", f"3 to 10 lx is usual; {CP}", below=True),
    Limit("path_evenness", "", 5.0, 10.0, "guidance",
          "average to minimum 5:1 for walkways, a US village's lighting code; 10 from memory"),
    Limit("drive_evenness", "", 5.0, 10.0, "taste", f"the walkways' 5:1, which is not written for drives; {CP}"),
    Limit("tread", "lx", 5.0, 1.0, "practice", f"calculated, {CP}", below=True),
    Limit("runway", "%", 10.0, None, "taste", CP, below=True),
    # people
    Limit("threshold_increment", "%", 15.0, None, "guidance", "EN 12193:2008, CIE 150:2017"),
    Limit("candela_near", "cd", 25.0, 100.0, "practice", "calculated: a source within 6 m of an eye"),
    Limit("stairs_down", "cd", 25.0, 100.0, "practice", f"source unseen going down; {CP}"),
    # windows, by zone
    *(Limit(f"window_before_{zone}", "lx", lux, None, "guidance", _EN)
      for zone, lux in zip(("E1", "E2", "E3", "E4"), (2.0, 5.0, 10.0, 25.0), strict=True)),
    *(Limit(f"window_after_{zone}", "lx", lux, None, "guidance", _EN)
      for zone, lux in zip(("E1", "E2", "E3", "E4"), (0.0, 1.0, 2.0, 5.0), strict=True)),
    Limit("own_bedroom", "lx", 1.0, 5.0, "practice", CP),
    # sky
    *(Limit(f"facade_luminance_{zone}", "cd/m²", most, None, "guidance",
            "from memory of CIE 150; not seen in a text")
      for zone, most in zip(("E1", "E2", "E3", "E4"), (0.1, 5.0, 10.0, 25.0), strict=True)),
    *(Limit(f"upward_{zone}", "%", most, None, "taste",
            "EN 12193:2008, written for sports grounds; told of a garden, and no fault")
      for zone, most in zip(("E1", "E2", "E3", "E4"), (0.0, 5.0, 15.0, 25.0), strict=True)),
    Limit("off_target", "%", 35.0, 60.0, "practice", "calculated; below 20 % is good", fault="strong"),
    Limit("off_target_bare", "%", 60.0, None, "taste", "calculated, trees without their leaves"),
    # the five principles; the figures are ours
    Limit("useful", "%", 0.0, None, "taste", "DarkSky and IES, five principles (2020): useful"),
    Limit("targeted", "%", 35.0, None, "taste", "DarkSky and IES, five principles (2020): targeted"),
    Limit("low_level", "", 1.0, None, "taste",
          "DarkSky and IES, five principles (2020): low level; as a share of what is usual"),
    Limit("controlled", "%", 70.0, None, "taste",
          "DarkSky and IES, five principles (2020): controlled; at least 30 % less late at night, "
          "IDA/IES model lighting ordinance (2011), from memory"),
    Limit("warm", "K", 3000.0, None, "taste", "DarkSky and IES, five principles (2020): warm colour"),
    # trees
    Limit("crown_reach", "", 0.6, None, "taste", CP, below=True),
    Limit("crown_growth", "m", 0.0, None, "taste", f"growth a year assumed; {CP}", below=True),
)  # fmt: skip
BUILT_IN = {row.name: row for row in _ROWS}


def limits_of(scene: Scene) -> dict[str, Limit]:
    """The built-in limits with those of the scene in their place. NightviewError for unknown names."""
    found = dict(BUILT_IN)
    for name, own in scene.check.limits.items():
        if name not in found:
            raise NightviewError(
                f"check: limits: {name}", "is no limit", choice(name, BUILT_IN, "there are")
            )
        found[name] = replace(found[name], warn=own.warn, strong=own.strong, source=own.source)
    return found
