"""Light on the walls of houses: hot spots, dark holes, reach, evenness, scallops, balance, order."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from nightview.checks.areas import Area
from nightview.checks.job import Job
from nightview.checks.result import Result
from nightview.scene.model import Block, Opening, Side
from nightview.scene.rules import wall_top
from nightview.site.blocks import wall_frame
from nightview.site.placing import Placed
from nightview.site.surface import Array

SQUARE_M = 0.9
"""Side of the square that a hot spot is compared with (3 ft)."""
SEEN_CD_M2 = 0.2
"""A wall dimmer than this at its brightest has no hot spots and no sides to balance; our choice."""
STRAY_CD_M2 = 1.0
"""The same of a wall that no lamp is meant for."""
HOLE = 0.1
"""Share of the zone's mean below which a spot is dark."""
BESIDE_M = 2.5
"""A lamp farther than this from an opening's middle does not flank it."""
EYE_M = 1.5
KNEE_M = 0.4
LEAST_POINTS = 12
ON_IT_M = 0.3
BEHIND = 0.5
"""A wall that faces so far away from a door, by the cosine, is not seen with it."""
MIRRORED_M = 0.35


@dataclass(frozen=True, eq=False)
class Wall:
    """A facade with the light on it and the lamps meant for it.

    lux : (nv, nu) all light [lx], NaN where there is no wall. lamps : those on and meant for it.
    """

    job: Job
    area: Area
    block: Block
    side: Side
    lamps: tuple[Placed, ...]

    @cached_property
    def lux(self) -> Array:
        """All light on the grid, (nv, nu) [lx]."""
        return self.area.on_grid(self.job.readings.total(self.area))

    @cached_property
    def luminance(self) -> Array:
        """Of the wall on the grid, (nv, nu) [cd/m²]."""
        return self.area.on_grid(self.job.readings.luminance(self.area))

    @cached_property
    def _frame(self) -> tuple[Array, Array, Array, float]:
        return wall_frame(self.block, self.side)

    def along(self, lamp: Placed) -> float:
        """How far along the wall a lamp stands [m]."""
        foot, right, _, _ = self._frame
        return float((lamp.position - foot) @ right)

    def out(self, lamp: Placed) -> float:
        """How far out from the wall a lamp stands [m]."""
        foot, _, normal, _ = self._frame
        return float((lamp.position - foot) @ normal)

    def height(self, lamp: Placed) -> float:
        """How high above the wall's base a lamp is [m]."""
        return float(lamp.position[2] - self._frame[0][2])

    def point(self, x: float, z: float) -> tuple[float, float, float]:
        """World place of a spot of the wall [m]."""
        foot, right, _, _ = self._frame
        place = foot + x * right + np.array([0.0, 0.0, z])
        return (float(place[0]), float(place[1]), float(place[2]))

    @cached_property
    def u(self) -> Array:
        """Along the wall, of the grid's columns [m]."""
        u: Array = (np.arange(self.area.grid.shape[1], dtype=float) + 0.5) * self.area.step_m
        return u

    @cached_property
    def v(self) -> Array:
        """Above the base, of the grid's rows [m]."""
        v: Array = (np.arange(self.area.grid.shape[0], dtype=float) + 0.5) * self.area.step_m
        return v

    @cached_property
    def zone(self) -> NDArray[np.bool_]:
        """(nv, nu): the part of the wall that is meant to be lit; all of it if no lamp is meant for it.

        To each side of a lamp it runs on by half its beam's width at the eaves, from 0.5 to 2 m. Three
        lamps and more are a row, whose gaps belong to it; of two, as beside a window, the gap between
        does only where it is no wider than half of what each of them lights.
        """
        mask = self.area.mask
        within = np.zeros(len(self.u), bool)
        for x, half in self._spans:
            within |= np.abs(self.u - x) <= half
        for a, b in self._gaps:
            within |= (self.u >= a) & (self.u <= b)
        return mask & within[None, :] if within.any() else mask

    @cached_property
    def _spans(self) -> list[tuple[float, float]]:
        """Where each lamp meant for it stands along it, and how far to each side it lights [m]."""
        return sorted((self.along(lamp), self._half_width(lamp)) for lamp in self.lamps)

    @cached_property
    def _gaps(self) -> list[tuple[float, float]]:
        """From lamp to lamp, where they are to light the wall together [m]."""
        pairs = itertools.pairwise(self._spans)
        return [
            (a, b)
            for (a, wide_a), (b, wide_b) in pairs
            if len(self._spans) > 2 or b - a <= 1.5 * (wide_a + wide_b)
        ]

    @property
    def is_washed(self) -> bool:
        """Whether lamps are to light it together, and not each a part of it."""
        return bool(self._gaps)

    def _half_width(self, lamp: Placed) -> float:
        beam = np.radians(min(lamp.lamp.intensity.width_deg(0.5), 120.0) / 2)
        rise = max(self.block.height_m - self.height(lamp), 0.0)
        return float(max(0.5, min(rise * np.tan(beam), 2.0)))

    def mean(self, values: Array, where: NDArray[np.bool_] | None = None) -> float:
        """The mean of a grid over part of the wall, by default its zone; 0 where there is none."""
        chosen = values[self.zone if where is None else where & self.area.mask]
        return float(chosen.mean()) if chosen.size else 0.0

    @cached_property
    def band(self) -> NDArray[np.bool_]:
        """(nv, nu): the part of the zone from the knee to the eaves, where holes are looked for."""
        return self.zone & ((self.v > KNEE_M) & (self.v < self.block.height_m))[:, None]

    @cached_property
    def dark(self) -> NDArray[np.bool_]:
        """(nv, nu): where of that there is less than a tenth of the zone's mean."""
        with np.errstate(invalid="ignore"):  # where there is no wall
            return self.band & (self.lux < HOLE * self.mean(self.lux))

    def carries(self, name: str) -> bool:
        """Whether a lamp is fixed to the wall: the bright patch about it is meant then."""
        lamp = self.job.lamp(name)
        return abs(self.out(lamp)) < ON_IT_M and self.height(lamp) > KNEE_M

    def upward(self) -> list[Placed]:
        """The lamps meant for it that light it from below."""
        return [lamp for lamp in self.lamps if lamp.axis[2] > 0.2 and self.out(lamp) > 0.02]


def walls_of(job: Job) -> list[Wall]:
    """Every facade that lamps light."""
    blocks = {block.name: block for block in job.scene.blocks}
    found = []
    for area in job.areas("facade"):
        side: Side = area.name.rpartition(" ")[2]  # type: ignore[assignment]
        lamps = tuple(job.meant_for(area.name))
        if lamps or (job.readings.from_lamps(area) * area.per_lux).max(initial=0.0) > SEEN_CD_M2:
            found.append(Wall(job, area, blocks[area.owner], side, lamps))
    return found


def _spot(x: float, z: float) -> str:
    return f"x {x:.2f} m, z {z:.2f} m"


# --- too bright, too dark -------------------------------------------------------------------------


def hot_spots(job: Job) -> Iterator[Result]:
    """The brightest spot that each lamp makes on a wall: against the 0.9 m square about it, and that
    of the wall against the zone."""
    local, whole = job.limits["hot_spot_local"], job.limits["hot_spot_zone"]
    for wall in walls_of(job):
        lux, mask = wall.lux, wall.area.mask
        mean = wall.mean(lux)
        name = wall.area.name
        if not mask.any() or mean <= 0:
            continue
        filled = np.where(mask, lux, 0.0)
        cells = max(3, 2 * round(SQUARE_M / wall.area.step_m / 2) + 1)
        weight = _in_square(mask.astype(float), cells, np.sum)
        around = _in_square(filled, cells, np.sum) / np.maximum(weight, 1.0)
        ratio = np.where(mask, filled / np.maximum(around, 1e-9), 0.0)
        peaks = mask & (filled == _in_square(filled, cells, np.max))
        least = SEEN_CD_M2 if wall.lamps else STRAY_CD_M2
        peaks &= (wall.luminance > least) & (filled > mean)
        best: dict[tuple[str, ...], tuple[float, int, int]] = {}
        for j, i in np.argwhere(peaks):
            here = np.zeros(len(wall.area))
            here[wall.area.grid[j, i]] = 1.0
            lamps = job.chief_lamps(wall.area, here)
            if lamps and ratio[j, i] > best.get(lamps[:1], (0.0, 0, 0))[0]:
                best[lamps[:1]] = (float(ratio[j, i]), int(j), int(i))
        for (lamp,), (value, j, i) in sorted(best.items()):
            higher, x, z = _peak(wall, filled, j, i)
            value *= higher
            yield Result(
                "hot spot", f"{name}, by {lamp}", value, local,
                f"{higher * filled[j, i]:.0f} lx at {_spot(x, z)}, {value:.1f} times the mean of the "
                f"{SQUARE_M:g} m square about it ({around[j, i]:.0f} lx)",
                f"There is a bright patch on the {name}, close above the lamp.",
                wall.point(x, z), (lamp,), meant=wall.carries(lamp),
            )  # fmt: skip
        j, i = np.unravel_index(np.nanargmax(np.where(wall.zone, lux, -1.0)), lux.shape)
        if wall.lamps and wall.luminance[j, i] > SEEN_CD_M2:
            here = np.zeros(len(wall.area))
            here[wall.area.grid[j, i]] = 1.0
            value = float(lux[j, i] / mean)
            yield Result(
                "brightest spot", name, value, whole,
                f"{lux[j, i]:.0f} lx at {_spot(wall.u[i], wall.v[j])}, {value:.1f} times the zone's "
                f"mean of {mean:.1f} lx",
                f"One spot of the {name} is much brighter than the rest of it.",
                wall.point(float(wall.u[i]), float(wall.v[j])), (lamps := job.chief_lamps(wall.area, here)),
                meant=bool(lamps) and wall.carries(lamps[0]),
            )  # fmt: skip


def _in_square(values: Array, cells: int, of: Callable[..., Array]) -> Array:
    """The sum or the greatest of a grid's values, none of them negative, in the square of an odd number
    of cells about each; beyond the grid there is nothing."""
    for axis in (0, 1):
        margin = [(cells // 2, cells // 2) if axis == k else (0, 0) for k in (0, 1)]
        values = of(sliding_window_view(np.pad(values, margin), cells, axis), axis=-1)
    return values


def _peak(wall: Wall, lux: Array, j: int, i: int) -> tuple[float, float, float]:
    """How much higher than at its brightest point a spot rises between the points, and where: a
    parabola through the logarithms of three of them each way, as a Gaussian's is."""
    higher, shift = 1.0, [0.0, 0.0]
    for axis, (a, b) in enumerate((((j, i - 1), (j, i + 1)), ((j - 1, i), (j + 1, i)))):
        if min(a) < 0 or b[0] >= lux.shape[0] or b[1] >= lux.shape[1]:
            continue
        before, here, after = (float(lux[place]) for place in (a, (j, i), b))
        if min(before, after) < 0.25 * here:  # an edge, and no peak
            continue
        before, here, after = np.log([before, here, after])
        bend = before - 2 * here + after
        if bend < -1e-9:
            shift[axis] = float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))
            higher *= float(np.exp(-0.25 * (before - after) * shift[axis]))
    step = wall.area.step_m
    return higher, float(wall.u[i]) + shift[0] * step, float(wall.v[j]) + shift[1] * step


def black_holes(job: Job) -> Iterator[Result]:
    """Share of the zone meant to be lit, from the knee to the eaves, below a tenth of its mean.

    It is asked of walls that lamps light together: one cone of light has no holes. A gable above the
    eaves fades as a matter of course; how high its light reaches is told apart.
    """
    for wall in walls_of(job):
        if not wall.is_washed:
            continue
        mean, dark = wall.mean(wall.lux), wall.dark
        value = 100.0 * dark.sum() / max(wall.band.sum(), 1)
        at = None
        if dark.any():
            j, i = np.argwhere(dark).mean(axis=0)
            at = wall.point((i + 0.5) * wall.area.step_m, (j + 0.5) * wall.area.step_m)
        yield Result(
            "dark holes", wall.area.name, float(value), job.limits["black_hole"],
            f"{value:.0f} % of the zone is below a tenth of its mean of {mean:.1f} lx",
            f"Part of the {wall.area.name} stays black between the lamps.",
            at, tuple(lamp.id for lamp in wall.lamps),
        )  # fmt: skip


def evenness(job: Job) -> Iterator[Result]:
    """Mean over minimum along the zone at the height of an eye."""
    for wall in walls_of(job):
        if not wall.is_washed:
            continue
        row = int(np.argmin(np.abs(wall.v - EYE_M)))
        band = wall.lux[max(row - 2, 0) : row + 3]
        here = wall.zone[max(row - 2, 0) : row + 3]
        if here.sum() < LEAST_POINTS:
            continue
        least, mean = float(band[here].min()), float(band[here].mean())
        yield Result(
            "evenness", wall.area.name, mean / max(least, 1e-6), job.limits["evenness"],
            f"at {EYE_M:g} m height mean {mean:.1f} lx, least {least:.2f} lx",
            f"The light along the {wall.area.name} comes in separate patches.",
            None, tuple(lamp.id for lamp in wall.lamps), meant=_scallops_meant(job, wall.lamps),
        )  # fmt: skip


# --- how high -------------------------------------------------------------------------------------


def reach(job: Job) -> Iterator[Result]:
    """At which height above each lamp its light falls to a half and a tenth, against the wall's top."""
    for wall in walls_of(job):
        for lamp in wall.upward():
            grid = wall.area.on_grid(job.readings.lamp(lamp.id, wall.area))
            near = np.abs(wall.u - wall.along(lamp)) < 0.76 * wall.area.step_m
            place = f"{wall.area.name}, {lamp.id}"
            if not (near.any() and wall.area.mask[:, near].any()):
                yield Result("reach", place, None, job.limits["reach"], "", lamps=(lamp.id,),
                             reason="there is no wall above the lamp")  # fmt: skip
                continue
            rows = wall.area.mask[:, near].any(axis=1)
            z = wall.v[rows]
            profile = np.nanmean(np.where(wall.area.mask, grid, np.nan)[rows][:, near], axis=1)
            peak = int(np.argmax(profile))
            if profile[peak] <= 0:
                continue
            half, tenth = (_falls_to(z, profile, peak, share) for share in (0.5, 0.1))
            top = _top_at(wall.block, wall.side, wall.along(lamp))
            value = 1.0 if tenth is None else tenth / top
            yield Result(
                "reach", place, value, job.limits["reach"],
                f"half at {_height(half)}, a tenth at {_height(tenth)}; the wall is {top:.2f} m high "
                "there",
                f"The light fades out before it reaches the top of the {wall.area.name}.",
                wall.point(wall.along(lamp), min(tenth or top, top)), (lamp.id,),
            )  # fmt: skip


def _height(z: float | None) -> str:
    return "the top, not yet" if z is None else f"{z:.2f} m"


def _falls_to(z: Array, profile: Array, peak: int, share: float) -> float | None:
    """The height above the peak at which a profile falls below a share of it; None if it never does."""
    below = np.flatnonzero(profile[peak:] < share * profile[peak])
    if not len(below):
        return None
    k = peak + int(below[0])
    high, low = profile[k - 1], profile[k]
    part = (high - share * profile[peak]) / max(high - low, 1e-12)
    return float(z[k - 1] + part * (z[k] - z[k - 1]))


def _top_at(block: Block, side: Side, along: float) -> float:
    """The height of a wall's upper edge [m]."""
    corners = np.array(wall_top(block, side))
    return float(np.interp(along, corners[:, 0], corners[:, 1]))


# --- rows and pairs -------------------------------------------------------------------------------


def scallops(job: Job) -> Iterator[Result]:
    """Spacing against setback of rows of three lamps and more, as a share of what keeps a row even:
    2 setbacks at 36 deg, 3 at 60 deg, in proportion between and beyond."""
    for wall in walls_of(job):
        lamps = sorted(wall.upward(), key=wall.along)
        if len(lamps) < 3:
            continue
        gaps = [wall.along(b) - wall.along(a) for a, b in itertools.pairwise(lamps)]
        setback = float(np.median([wall.out(lamp) for lamp in lamps]))
        beam = float(np.median([lamp.lamp.intensity.width_deg(0.5) for lamp in lamps]))
        allowed = max(2.0 + (beam - 36.0) / 24.0, 0.5) * setback
        spacing = float(np.median(gaps))
        meant = _scallops_meant(job, lamps)
        yield Result(
            "scallops", wall.area.name, spacing / allowed, job.limits["scallop"],
            f"{len(lamps)} lamps {spacing:.2f} m apart and {setback:.2f} m out; up to {allowed:.2f} m "
            f"apart a row of {beam:.0f} deg is even",
            f"The lamps draw scallops on the {wall.area.name}; say if that is wanted.",
            None, tuple(lamp.id for lamp in lamps), meant=meant,
        )  # fmt: skip


def _scallops_meant(job: Job, lamps: Sequence[Placed]) -> bool:
    """Whether the scene says that one of some lamps is to draw scallops."""
    fixtures = {job.fixture_of[lamp.id] for lamp in lamps}
    return any({fixture.id, fixture.zone} & set(job.brief.scallops) for fixture in fixtures)


def balance(job: Job) -> Iterator[Result]:
    """The two halves of the wall beside each door or window that lamps flank, and pairs of columns."""
    for wall in walls_of(job):
        yield from _sides(job, wall)
    yield from _columns(job)


@dataclass(frozen=True)
class _Axis:
    """What lamps may flank: an opening, or a row of equal ones together.

    middle : along the wall [m]. half : from there to the outermost edge [m].
    """

    name: str
    middle: float
    half: float
    row: bool


def _axes(job: Job, wall: Wall) -> list[_Axis]:
    """The openings of a wall by their middles, of several over each other the lowest alone; and the
    middle of the wall itself, which has no width."""
    found: list[_Axis] = []
    own = [o for o in job.scene.openings if o.block == wall.block.name and o.side == wall.side]
    for opening in sorted(own, key=lambda o: o.sill_m):
        length = (opening.count - 1) * (opening.spacing_m or 0.0)
        middle = opening.along_m + length / 2
        if all(abs(middle - other.middle) > 0.3 for other in found):
            half = (length + opening.size_m[0]) / 2
            found.append(_Axis(opening.name, middle, half, opening.count > 1))
    centre = float(wall.u[-1] + wall.u[0]) / 2
    if all(abs(centre - other.middle) > 0.3 for other in found):
        found.append(_Axis(wall.area.name, centre, 0.0, True))
    return found


def _flanks(wall: Wall, axes: list[_Axis]) -> dict[int, list[Placed]]:
    """Which lamps flank which axis, by its number: two that mirror each other about one flank the
    nearest such; a lamp without its like flanks the nearest opening, if that is near."""
    found: dict[int, list[Placed]] = {}
    lamps = wall.upward()
    for lamp in lamps:
        x, out = wall.along(lamp), wall.out(lamp)
        away = [max(abs(x - axis.middle) - axis.half, 0.0) for axis in axes]
        paired = [
            k
            for k, axis in enumerate(axes)
            if any(
                other is not lamp
                and abs(wall.along(other) - (2 * axis.middle - x)) < MIRRORED_M
                and abs(wall.out(other) - out) < MIRRORED_M
                for other in lamps
            )
        ]
        near = [k for k, axis in enumerate(axes) if axis.half > 0 and away[k] <= BESIDE_M]
        choice = paired or near
        if choice:
            found.setdefault(min(choice, key=lambda k: away[k]), []).append(lamp)
    return found


def _sides(job: Job, wall: Wall) -> Iterator[Result]:
    axes = _axes(job, wall)
    for k, lamps in sorted(_flanks(wall, axes).items()):
        axis = axes[k]
        middle, half = axis.middle, axis.half
        offsets = [wall.along(lamp) - middle for lamp in lamps]
        if any(abs(offset) < 0.2 for offset in offsets):
            continue  # a lamp in the middle
        room = min(middle, wall.u[-1] - middle) - half
        band = min(max(1.0, max(map(abs, offsets)) - half + 0.5), room)
        inner = 0.0 if axis.row else half
        low = wall.v < wall.block.height_m
        masks = []
        for sign in (-1.0, 1.0):
            off = sign * (wall.u - middle)
            side = (off >= inner) & (off <= half + band)
            masks.append(wall.area.mask & low[:, None] & side[None, :])
        if min(mask.sum() for mask in masks) < LEAST_POINTS:
            yield Result("balance", axis.name, None, job.limits["balance"], "",
                         reason="one side of it has no wall to compare")  # fmt: skip
            continue
        means = [float(wall.luminance[mask].mean()) for mask in masks]
        if max(wall.luminance[mask].max() for mask in masks) < SEEN_CD_M2:
            continue
        value = max(means) / max(min(means), 1e-6)
        brighter = "left" if means[0] > means[1] else "right"
        yield Result(
            "balance", axis.name, value, job.limits["balance"],
            f"{half + band - inner:.1f} m of wall to the left {means[0]:.2f} cd/m², to the right "
            f"{means[1]:.2f} cd/m²",
            f"The {brighter} side of the {axis.name} is much brighter than the other.",
            wall.point(middle, 1.0), tuple(lamp.id for lamp in lamps),
        )  # fmt: skip


def _columns(job: Job) -> Iterator[Result]:
    """Columns that look alike, the outermost two, then the next, from both ends."""
    alike: dict[tuple[object, ...], list[Area]] = {}
    tables = {column.name: column for column in job.scene.columns}
    for area in job.areas("column"):
        column = tables.get(area.owner)
        kind = (
            (area.owner,) if column is None
            else (column.shape, round(column.width_m, 2), round(column.height_m, 2))
        )  # fmt: skip
        alike.setdefault(kind, []).append(area)
    for group in alike.values():
        lamps = job.meant_for(*{area.owner for area in group})
        if len(group) < 2 or not lamps:
            continue
        middles = np.array([area.points[:, :2].mean(axis=0) for area in group])
        main = int(np.ptp(middles, axis=0).argmax())
        ordered = [group[k] for k in np.argsort(middles[:, main])]
        for a, b in zip(ordered[: len(ordered) // 2], ordered[::-1], strict=False):
            means = [area.mean(job.readings.luminance(area)) for area in (a, b)]
            if max(means) < SEEN_CD_M2 / 4:
                continue
            value = max(means) / max(min(means), 1e-6)
            yield Result(
                "balance", f"{a.name} and {b.name}", value, job.limits["balance"],
                f"{a.name} {means[0]:.2f} cd/m², {b.name} {means[1]:.2f} cd/m²",
                "One of two columns that belong together is much brighter than the other.",
                tuple(map(float, a.points.mean(axis=0))), tuple(lamp.id for lamp in lamps),  # type: ignore[arg-type]
            )  # fmt: skip


# --- what comes first -----------------------------------------------------------------------------


def hierarchy(job: Job) -> Iterator[Result]:
    """The luminances of what is focal, secondary and fill; and walls that outshine the entrance."""
    brief = job.brief
    known = {area.name for area in job.meter.areas} | {area.owner for area in job.meter.areas}
    for key, names in (
        ("focal", brief.focal),
        ("secondary", brief.secondary),
        ("fill", brief.fill),
    ):
        for name in names:
            if name not in known:
                yield Result("order", f"{key} {name}", None, job.limits["hierarchy_least"], "",
                             reason=f'[check] {key} names "{name}", of which no light is known')  # fmt: skip
    neighbours = set(brief.neighbours)
    doors = _entrances(job, neighbours)
    focal = [n for n in brief.focal if n in known] or [a.name for a in doors]
    walls = [wall for wall in walls_of(job) if wall.lamps and wall.block.name not in neighbours]
    second = [n for n in brief.secondary if n in known] or [wall.area.name for wall in walls]
    crowns = [a.name for a in job.areas("crown") if job.meant_for(a.owner)]
    fill = [n for n in brief.fill if n in known] or crowns
    by_wall = {wall.area.name: wall for wall in walls}
    first = max((_shine(job, name, by_wall) for name in focal), default=0.0)
    second_l = [_shine(job, name, by_wall) for name in second]
    fill_l = [_shine(job, name, by_wall) for name in fill]
    least, most = job.limits["hierarchy_least"], job.limits["hierarchy_most"]
    if not focal:
        yield Result("order", "focal to fill", None, least, "",
                     reason="the scene has no door; name what is focal under [check]")  # fmt: skip
    elif not fill_l or max(fill_l) <= 0:
        yield Result("order", "focal to fill", None, least, "",
                     reason="nothing is lit as fill; name it under [check]")  # fmt: skip
    else:
        value = first / (sum(fill_l) / len(fill_l))
        between = f", secondary {sum(second_l) / len(second_l):.2f}" if second_l else ""
        said = f"focal {first:.2f}{between}, fill {sum(fill_l) / len(fill_l):.2f} cd/m²: {value:.1f} to 1"
        chief = tuple(lamp.id for name in fill for lamp in job.meant_for(name))
        yield Result("order", "focal to fill", value, most if value > least.warn else least, said,
                     "The eye does not find the entrance first." if value < least.warn
                     else "The garden disappears beside so bright an entrance.", None, chief)  # fmt: skip
    if not doors:
        return
    entrance = max(_entrance(job, door) for door in doors)
    entrance_walls = {f"{_block_of(job, door)} {_side_of(job, door)}" for door in doors}
    facing = [_facing(job, door) for door in doors]
    for wall in walls:
        if wall.area.name in entrance_walls:
            continue
        _, _, normal, _ = wall_frame(wall.block, wall.side)
        if all(float(normal @ way) < -BEHIND for way in facing):
            continue  # no eye sees it with the door
        mean = wall.mean(wall.luminance)
        yield Result(
            "side wall", wall.area.name, mean / max(entrance, 1e-6), job.limits["side_wall"],
            f"mean {mean:.2f} cd/m², the entrance {entrance:.2f} cd/m²",
            f"The {wall.area.name} is brighter than the front door.",
            None, tuple(lamp.id for lamp in wall.lamps),
        )  # fmt: skip


def _entrances(job: Job, neighbours: set[str]) -> list[Area]:
    """The doors that people come in by; garage doors where there are no others."""
    own = [a for a in job.areas("door") if _block_of(job, a) not in neighbours]
    return [a for a in own if _opening_of(job, a).kind != "garage door"] or own


def _facing(job: Job, door: Area) -> Array:
    """The way a door's wall faces, (3,)."""
    block = next(b for b in job.scene.blocks if b.name == _block_of(job, door))
    return wall_frame(block, _opening_of(job, door).side)[2]


def _shine(job: Job, name: str, walls: dict[str, Wall]) -> float:
    """Mean luminance of a thing by its name [cd/m²]: of a wall that of its zone."""
    if name in walls:
        return walls[name].mean(walls[name].luminance)
    own = [
        area for area in job.meter.areas if name in (area.name, area.owner) and area.kind != "pane"
    ]
    door = [area for area in own if area.kind == "door"]
    if door:
        return max(_entrance(job, area) for area in door)
    values = [area.mean(job.readings.luminance(area)) for area in own]
    return max(values, default=0.0)


def _opening_of(job: Job, door: Area) -> Opening:
    return next(o for o in job.scene.openings if o.name == door.owner)


def _block_of(job: Job, door: Area) -> str:
    return _opening_of(job, door).block


def _side_of(job: Job, door: Area) -> str:
    return _opening_of(job, door).side


def _entrance(job: Job, door: Area) -> float:
    """Mean luminance of a door and of the wall within a metre of it [cd/m²]."""
    opening = _opening_of(job, door)
    wall = job.area("facade", f"{opening.block} {opening.side}")
    values, weights = [job.readings.luminance(door)], [door.weight]
    if wall is not None:
        near = np.abs(wall.place[:, 0] - opening.along_m) < opening.size_m[0] / 2 + 1.0
        near &= np.abs(wall.place[:, 1] - opening.sill_m - opening.size_m[1] / 2) < (
            opening.size_m[1] / 2 + 0.3
        )
        values.append(job.readings.luminance(wall)[near])
        weights.append(wall.weight[near])
    weight = np.concatenate(weights)
    return float(np.concatenate(values) @ weight / max(weight.sum(), 1e-9))


WALL_CHECKS: Sequence = (hot_spots, black_holes, reach, evenness, scallops, balance, hierarchy)
