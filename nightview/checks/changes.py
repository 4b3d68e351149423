"""Small changes to a lamp that an installer could make: farther out, aimed otherwise, another beam,
dimmed, shielded, one more; each with what it costs in trouble."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.lamps.catalogue import builtin_lamps, lamp_of
from nightview.scene.model import Fixture, Scene
from nightview.site.blocks import wall_frame
from nightview.site.placing import Placed

INCH_M = 0.0254
OUT_STEPS_M = (0.15, 0.3, 0.45, 0.6, 0.9, 1.2, -0.15)
TILT_STEPS_DEG = (3.0, 6.0, 10.0, 15.0, 25.0, 40.0)
AIM_STEPS_M = (0.3, 0.6, 1.0, 1.5, 2.2, 3.0)
DIMS = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3, 0.2)
SHIELDS_DEG = (60.0, 45.0, 30.0)
LEAST_OUT_M = 0.1


@dataclass(frozen=True)
class Change:
    """Keys of one fixture's table given other values, or a fixture added like it.

    fixture : its id. values : key of ``Fixture`` → value in SI units. added : the id of a new fixture,
    which has all else from the first. trouble : what it costs, in steps of an installer's ten minutes.
    said, plain : in words for the installer and for the client.
    """

    fixture: str
    values: Mapping[str, Any]
    trouble: float
    said: str
    plain: str
    added: str = ""

    def on(self, scene: Scene) -> Scene:
        """The scene with the change made."""
        fixtures = []
        for fixture in scene.fixtures:
            if fixture.id != self.fixture:
                fixtures.append(fixture)
            elif self.added:
                fixtures += [
                    fixture, fixture.model_copy(update={**self.values, "id": self.added})
                ]  # fmt: skip
            else:
                fixtures.append(fixture.model_copy(update=dict(self.values)))
        changed = scene.model_copy(update={"fixtures": tuple(fixtures)})
        changed._folder = scene._folder
        return changed

    def edits(self) -> list[tuple[tuple[str, str, str], Any]]:
        """The same as changes of the file's keys, for ``scene.write.edited``: where and what."""
        return [
            (("fixture", self.fixture, Fixture.model_fields[key].alias or key), value)
            for key, value in self.values.items()
        ]


def length(metres: float) -> str:
    """A length for an installer, in metres and inches."""
    feet, inches = divmod(round(metres / INCH_M), 12)
    customary = f"{feet} ft {inches} in" if feet > 2 else f"{12 * feet + inches} in"
    return f"{metres:.2f} m ({customary})"


_KINDS: dict[str, tuple[str, ...]] = {
    "hot spot": ("out", "beam", "tilt", "dim"),
    "brightest spot": ("out", "beam", "tilt", "dim", "more"),
    "dark holes": ("out", "beam", "tilt", "more"),
    "evenness": ("out", "beam", "more"),
    "scallops": ("out", "beam"),
    "reach": ("beam", "tilt", "out"),
    "balance": ("dim", "mirror", "out"),
    "side wall": ("dim", "beam", "shield"),
    "order": ("dim",),
    "path": ("more", "stronger", "raise"),
    "step": ("stronger", "raise", "nearer", "more"),
    "glare": ("tilt", "aim", "shield", "dim", "off"),
    "window": ("tilt", "aim", "shield", "beam", "dim", "off"),
    "sky": ("tilt", "aim", "beam", "shield", "dim"),
    "colour": ("cct",),
}


def changes_for(job: Job, result: Result, most_fixtures: int = 2) -> list[Change]:
    """What might cure a finding, the least trouble first."""
    kinds = _KINDS.get(result.check) or _KINDS.get(group_of(result)) or ()
    fixtures: dict[str, str] = {}
    for lamp in result.lamps:
        fixture = job.fixture_of.get(lamp)
        if fixture is not None:
            fixtures.setdefault(fixture.id, lamp)
    found: list[Change] = []
    for lamp in list(fixtures.values())[:most_fixtures]:
        fixture = job.fixture_of[lamp]
        for kind in kinds:
            found += _MAKERS[kind](job, fixture, job.lamp(lamp), result)
    return sorted(found, key=lambda change: change.trouble)


def group_of(result: Result) -> str:
    """Which kind of fault a finding is, by its limit: what may cure it hangs on that."""
    name = result.limit.name
    if name.startswith(("path", "drive")):
        return "path"
    if name == "tread":
        return "step"
    if name in ("threshold_increment", "candela_near", "stairs_down"):
        return "glare"
    if name.startswith("window") or name == "own_bedroom":
        return "window"
    if name.startswith(("upward", "off_target", "facade_luminance")):
        return "sky"
    if name == "warm":
        return "colour"
    return ""


def both(a: Change, b: Change) -> Change | None:
    """Two changes as one; None if they do not go together."""
    if a.fixture != b.fixture or a.added or b.added or set(a.values) & set(b.values):
        return None
    return replace(
        a, values={**a.values, **b.values}, trouble=a.trouble + b.trouble,
        said=f"{a.said}, and {b.said}", plain=f"{a.plain}, and {b.plain}",
    )  # fmt: skip


def said_anew(job: Job, result: Result, change: Change) -> Change:
    """A change in the words that it has as one of a job's fixture as that stands."""
    singles = [
        c for c in changes_for(job, result, len(result.lamps)) if c.fixture == change.fixture
    ]
    pairs = (both(a, b) for a, b in itertools.combinations(singles, 2))
    for same in (*singles, *pairs):
        if same is not None and dict(same.values) == dict(change.values):
            return same
    told = ", ".join(
        f"{Fixture.model_fields[key].alias or key} {_told(key, value)}"
        for key, value in change.values.items()
        if value is not None
    )
    return replace(change, said=f"set {change.fixture} to {told}")


def _told(key: str, value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(f"{part:g}" for part in value) + " m"
    if key.endswith("_m"):
        return length(value)
    unit = {"_deg": " deg", "_k": " K"}
    ending = next((text for tail, text in unit.items() if key.endswith(tail)), "")
    if key == "dim":
        return f"{100 * value:.0f} %"
    return f"{value:g}{ending}" if isinstance(value, float) else str(value)


def _lamps(fixture: Fixture) -> str:
    """Its lamps for an installer: a row is changed as one."""
    return fixture.id if fixture.count == 1 else f"each lamp of {fixture.id}"


# --- one kind of change each ----------------------------------------------------------------------


def _out(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """Farther out from the wall."""
    for step in OUT_STEPS_M:
        more = "farther out from" if step > 0 else "closer to"
        trouble = 1.0 + abs(step) / 0.3
        if fixture.block is not None and fixture.out_m is not None:
            out = round(fixture.out_m + step, 3)
            if out >= LEAST_OUT_M:
                yield Change(
                    fixture.id, {"out_m": out}, trouble,
                    f"set {fixture.id} {length(abs(step))} {more} the wall, {length(out)} in all",
                    f"set the lamp a little {more} the wall",
                )  # fmt: skip
            continue
        wall = _wall_of(job, lamp)
        if wall is not None and fixture.at_m is not None:
            foot, normal = wall
            out = float((lamp.position - foot) @ normal) + step
            if out >= LEAST_OUT_M:
                at = tuple(
                    round(float(a + step * n), 3) for a, n in zip(fixture.at_m, normal, strict=True)
                )
                values: dict[str, Any] = {"at_m": at}
                if fixture.to_m is not None:
                    values["to_m"] = tuple(
                        round(float(a + step * n), 3)
                        for a, n in zip(fixture.to_m, normal, strict=True)
                    )
                yield Change(
                    fixture.id, values, trouble,
                    f"set {fixture.id} {length(abs(step))} {more} the wall, {length(out)} in all",
                    f"set the lamp a little {more} the wall",
                )  # fmt: skip


def _wall_of(job: Job, lamp: Placed) -> tuple[np.ndarray, np.ndarray] | None:
    block_name, _, side = job.meant.get(lamp.id, "").rpartition(" ")
    for block in job.scene.blocks:
        if block.name == block_name and side in ("front", "back", "left", "right"):
            foot, _, normal, _ = wall_frame(block, side)  # type: ignore[arg-type]
            return foot, normal
    return None


def _tilt(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """Aimed higher or lower, where the file says an elevation."""
    if fixture.aim_m is not None or fixture.aim_at is not None:
        return
    now = math.degrees(math.asin(float(np.clip(lamp.axis[2], -1.0, 1.0))))
    for step in TILT_STEPS_DEG:
        for sign in (1.0, -1.0):
            elevation = round(now + sign * step, 1)
            if -90.0 <= elevation <= 90.0:
                way = "higher" if sign > 0 else "lower"
                yield Change(
                    fixture.id, {"elevation_deg": elevation}, 0.5 + step / 10.0,
                    f"aim {_lamps(fixture)} {step:g} deg {way}, at {elevation:g} deg",
                    f"aim the lamp a little {way}",
                )  # fmt: skip


def _aim(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """Aimed at a lower or higher point, or one to the side."""
    if fixture.aim_m is None and fixture.aim_at is None:
        return
    aim = np.asarray(
        fixture.aim_m
        if fixture.aim_m is not None
        else job.site.geometry.targets[fixture.aim_at or ""]
    )
    name = job.meant.get(lamp.id, "")
    if fixture.aim_at is None and job.area("crown", name) is not None:
        yield Change(
            fixture.id, {"aim_m": None, "aim_at": name}, 0.6,
            f"aim {_lamps(fixture)} at the middle of the {name}",
            f"aim the lamp at the middle of the {name}",
        )  # fmt: skip
    if fixture.block is not None:
        for elevation in (80.0, 84.0, 75.0):
            yield Change(
                fixture.id, {"aim_m": None, "aim_at": None, "elevation_deg": elevation}, 1.2,
                f"aim {_lamps(fixture)} straight up its wall, at {elevation:g} deg",
                "aim the lamp straight up the wall",
            )  # fmt: skip
    level = lamp.axis[:2] / max(float(np.linalg.norm(lamp.axis[:2])), 1e-6)
    aside = np.array([-level[1], level[0], 0.0])
    up = np.array([0.0, 0.0, 1.0])
    for step in AIM_STEPS_M:
        for words, way in (
            ("lower", -up),
            ("higher", up),
            ("to the left", aside),
            ("to the right", -aside),
        ):
            place = tuple(round(float(x), 2) + 0.0 for x in aim + step * way)
            if place[2] < 0.0:
                continue
            yield Change(
                fixture.id, {"aim_m": place, "aim_at": None}, 0.5 + step / 1.0,
                f"aim {_lamps(fixture)} {length(step)} {words}, at {place[0]:g}, {place[1]:g}, {place[2]:g} m",
                f"aim the lamp a little {words}",
            )  # fmt: skip


def _beam(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """Another lamp of the catalogue or the scene of much the same lumens, with another beam; dimmed to
    the same lumens where it has more."""
    if lamp.lamp.kind != "beam":
        return
    now = lamp.lamp.intensity.width_deg(0.5)
    seen: set[float] = set()
    choices = []
    for name in (*job.scene.lamps, *builtin_lamps()):
        other = lamp_of(job.scene, name)
        ratio = other.rated_flux_lm / lamp.lamp.rated_flux_lm
        if other.kind == "beam" and name != fixture.lamp and 0.6 <= ratio <= 2.0:
            choices.append((abs(math.log(ratio)), name, other))
    for _, name, other in sorted(choices, key=lambda item: item[:2]):
        beam = round(other.intensity.width_deg(0.5))
        if beam in seen or abs(beam - now) < 3:
            continue
        seen.add(beam)
        dim = min(1.0, fixture.dim * lamp.lamp.rated_flux_lm / other.rated_flux_lm)
        values: dict[str, Any] = {"lamp": name}
        words = ""
        if dim < 0.97:
            values["dim"] = round(dim, 2)
            words = f", dimmed to {100 * dim:.0f} %"
        wider = "wider" if beam > now else "narrower"
        yield Change(
            fixture.id, values, 2.0 + abs(math.log(beam / now)),
            f'put lamp "{name}" ({beam:.0f} deg instead of {now:.0f}) into {fixture.id}{words}',
            f"use a lamp with a {wider} beam",
        )  # fmt: skip


def _dim(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    for share in DIMS:
        dim = round(fixture.dim * share, 3)
        yield Change(
            fixture.id, {"dim": dim}, 0.5 + 4.0 * (1.0 - share),
            f"dim {fixture.id} to {100 * dim:.0f} %", "dim the lamp",
        )  # fmt: skip


def _shield(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    for angle in SHIELDS_DEG:
        if fixture.shield_deg is None or angle < fixture.shield_deg:
            yield Change(
                fixture.id, {"shield_deg": angle}, 1.5 + (60.0 - angle) / 30.0,
                f"put a collar on {_lamps(fixture)} that stops light beyond {angle:g} deg of its aim",
                "put a shield on the lamp",
            )  # fmt: skip


def _off(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    yield Change(fixture.id, {"on": False}, 8.0, f"leave {fixture.id} off", "leave the lamp off")


def _more(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """One lamp more in the same row; the row's ends stay, or it goes on."""
    if fixture.count < 2 or fixture.spacing_m is None:
        return
    for extra in (1, 2):
        count = fixture.count + extra
        spacing = round(fixture.spacing_m * (fixture.count - 1) / (count - 1), 3)
        yield Change(
            fixture.id, {"count": count, "spacing_m": spacing}, 4.0 + 2.0 * extra,
            f"give the row {fixture.id} {count} lamps, {length(spacing)} apart",
            "add a lamp to the row",
        )  # fmt: skip
        if fixture.path is not None:
            start = max(0.3, (fixture.start_m or 0.0) - fixture.spacing_m * (extra - 1))
            yield Change(
                fixture.id, {"count": count, "start_m": round(start, 3)}, 4.1 + 2.0 * extra,
                f"let the row {fixture.id} go on by {extra} to {count} lamps, from {length(start)}",
                "let the row of lamps go on",
            )  # fmt: skip


def _stronger(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """A lamp of the same kind with more lumens, or the same one dimmed less."""
    if fixture.dim < 1.0:
        yield Change(fixture.id, {"dim": 1.0}, 0.6, f"let {fixture.id} shine at full power",
                     "let the lamp shine at full power")  # fmt: skip
    for name in (*job.scene.lamps, *builtin_lamps()):
        other = lamp_of(job.scene, name)
        ratio = other.rated_flux_lm / lamp.lamp.rated_flux_lm
        if other.kind == lamp.lamp.kind and 1.15 < ratio <= 4.0:
            yield Change(
                fixture.id, {"lamp": name}, 2.0 + ratio,
                f'put lamp "{name}" ({other.rated_flux_lm:.0f} lm) into {fixture.id}',
                "use a brighter lamp",
            )  # fmt: skip


def _raise(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    for step in (0.15, 0.3):
        if fixture.at_m is not None:
            at = (*fixture.at_m[:2], round(fixture.at_m[2] + step, 3))
            values: dict[str, Any] = {"at_m": at}
        else:
            values = {"height_m": round((fixture.height_m or 0.5) + step, 3)}
        yield Change(
            fixture.id, values, 1.5 + step * 4.0, f"raise {fixture.id} by {length(step)}",
            "raise the lamp",
        )  # fmt: skip


def _nearer(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """Closer to the place that is too dark."""
    if fixture.at_m is None or result.at is None or fixture.to_m is not None:
        return
    way = np.asarray(result.at)[:2] - np.asarray(fixture.at_m)[:2]
    far = float(np.linalg.norm(way))
    for step in (0.3, 0.6, 1.0):
        if step < far - 0.2:
            x, y = np.asarray(fixture.at_m)[:2] + way / far * step
            at = (round(float(x), 2), round(float(y), 2), fixture.at_m[2])
            yield Change(
                fixture.id, {"at_m": at}, 1.5 + step,
                f"set {fixture.id} {length(step)} closer, at {at[0]:g}, {at[1]:g} m",
                "set the lamp a little closer",
            )  # fmt: skip


def _mirror(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    """One more lamp, mirrored about the door or window that it flanks."""
    if fixture.block is None or fixture.along_m is None or fixture.count > 1:
        return
    opening = next((o for o in job.scene.openings if result.place.startswith(o.name)), None)
    if opening is None or opening.block != fixture.block:
        return
    ids = {one.id for one in job.scene.fixtures}
    name = next(f"{fixture.id} mirrored{tail}" for tail in ("", " 2", " 3") if f"{fixture.id} mirrored{tail}" not in ids)  # fmt: skip
    along = round(2 * opening.along_m - fixture.along_m, 3)
    yield Change(
        fixture.id, {"along_m": along}, 4.0,
        f"add a lamp like {fixture.id} on the other side of the {opening.name}, {length(along)} along",
        f"add a lamp on the other side of the {opening.name}", name,
    )  # fmt: skip


def _cct(job: Job, fixture: Fixture, lamp: Placed, result: Result) -> Iterator[Change]:
    for cct_k in (3000.0, 2700.0):
        if lamp.cct_k > cct_k:
            yield Change(fixture.id, {"cct_k": cct_k}, 2.0, f"use {cct_k:g} K in {fixture.id}",
                         "use a warmer lamp")  # fmt: skip


_MAKERS = {
    "out": _out, "tilt": _tilt, "aim": _aim, "beam": _beam, "dim": _dim, "shield": _shield,
    "off": _off, "more": _more, "stronger": _stronger, "raise": _raise, "nearer": _nearer,
    "mirror": _mirror, "cct": _cct,
}  # fmt: skip
