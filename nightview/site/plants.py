"""Trees, shrubs and hedges: trunks and boughs of tubes, crowns of scattered leaves or bare twigs.

The number of leaves follows from the stated gap, the share of sky seen through the middle of a
crown: P = exp(−½·u·s) with u the leaf area in a volume [m²/m³] and s the way through [m], the
mean projection of leaves that face every way being a half (Beer's law for foliage; Nilson 1971,
from memory). A bare crown keeps the same law with its twigs, a convex body's mean projection being
a quarter of its surface (Cauchy).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nightview.scene.model import Hedge, Scene, Shrub, Tree
from nightview.site.rods import Rod, rods
from nightview.site.shapes import tube
from nightview.site.surface import Array, Crown, Mesh, Patch, unit

BARE_GAP = 0.8
"""A bare crown's gap [common practice, no single source: .7 to .9]."""
TWIGS_AT_MOST, TWIG_M, FINEST_TWIG_M = 1500, 0.0028, 0.0015
"""Twigs of a bare crown; their usual and least radius [by eye]. A crown that would need more has
thicker ones."""
TWIG_CLUMPING = 0.67
"""As a habit's: twigs stand closer in the middle of a crown. Fitted to measured gaps."""


@dataclass(frozen=True)
class Habit:
    """How a kind of tree grows: shares of its height, and its leaf.

    clumping : leaves needed over evenly scattered ones for the same gap, since those of a clump
        hide each other and the crown is denser in its middle; fitted to measured gaps.
    """

    crown_share: float
    clear_share: float
    gap: float
    leaf: str
    leaf_m: tuple[float, float]
    trunk_share: float
    clumping: float


HABITS = {
    "broadleaf": Habit(0.75, 0.22, 0.28, "leaf", (0.07, 0.042), 0.035, 1.13),
    "multi-stem": Habit(0.8, 0.12, 0.32, "leaf", (0.065, 0.036), 0.016, 1.11),
    "columnar": Habit(0.22, 0.06, 0.14, "leaf", (0.06, 0.03), 0.02, 0.98),
    "conifer": Habit(0.42, 0.05, 0.14, "conifer leaf", (0.19, 0.0167), 0.028, 0.95),
    "palm": Habit(0.6, 0.8, 0.45, "palm leaf", (0.5, 0.045), 0.03, 1.0),
}
LEAVES_AT_MOST = 60_000
"""A crown that would need more gets larger leaves of the same total area."""


def _random(name: str, seed: int) -> np.random.Generator:
    """The same plant for the same name, on every machine."""
    return np.random.default_rng([zlib.crc32(name.encode()), seed])


def build_tree(tree: Tree, scene: Scene) -> tuple[list[Patch], list[Crown], list[Mesh]]:
    """Trunk, boughs and leaves of one tree."""
    habit = HABITS[tree.kind]
    rng = _random(tree.name, tree.seed)
    height = tree.height_m
    crown = tree.crown_m if tree.crown_m is not None else habit.crown_share * height
    clear = tree.clear_m if tree.clear_m is not None else habit.clear_share * height
    bare = (tree.season or scene.site.season) == "bare" and tree.kind not in ("conifer", "palm")
    gap = tree.gap if tree.gap is not None else (BARE_GAP if bare else habit.gap)
    leaf = tree.leaf or habit.leaf
    foot = np.array([*tree.at_m, 0.0])
    if tree.kind == "palm":
        return _palm(tree, habit, foot, height, crown, leaf, rng)
    middle = foot + [0, 0, (clear + height) / 2]
    radii = np.array([crown / 2, crown / 2, (height - clear) / 2])
    patches, boughs, tips = _wood(tree, habit, foot, clear, middle, radii, bare, rng)
    meshes = [rods(f"{tree.name} boughs", tree.name, tree.bark, boughs)]
    volume = 4 / 3 * np.pi * float(np.prod(radii))
    if bare:
        hidden = -np.log(gap) / (2 * radii[0]) * volume * TWIG_CLUMPING
        twigs = _twigs(boughs, middle, radii, hidden, rng)
        return patches, [], [*meshes, rods(f"{tree.name} twigs", tree.name, tree.bark, twigs, 3)]
    if tree.kind == "conifer":
        spots, ways, branches = _whorls(rng, foot, clear, height, crown / 2)
        meshes.append(rods(f"{tree.name} branches", tree.name, tree.bark, branches, 4))
        amount = _amount(volume / 2, 1.2 * radii[0], gap, *habit.leaf_m, habit.clumping)
        leaves = _needles(tree.name, leaf, spots, ways, volume / 2, amount, rng)
    else:
        spots = _crown_spots(rng, tips, middle, radii)
        amount = _amount(volume, 2 * radii[0], gap, *habit.leaf_m, habit.clumping)
        leaves = _leaves(tree.name, leaf, spots, volume, amount, rng, middle)
    return patches, [leaves], meshes


def _wood(
    tree: Tree, habit: Habit, foot: Array, clear: float, middle: Array, radii: Array, bare: bool,
    rng: np.random.Generator,
) -> tuple[list[Patch], list[Rod], Array]:  # fmt: skip
    """Trunk patches, boughs, and the places of the twigs that carry leaves."""
    radius = max(0.02, habit.trunk_share * tree.height_m / 2)
    patches: list[Patch] = []
    boughs: list[Rod] = []
    tips: list[Array] = []
    stems = 4 if tree.kind == "multi-stem" else 1
    straight = tree.kind in ("conifer", "columnar")
    for s in range(stems):
        spread = 0.35 * radii[0] if stems > 1 else 0.0
        angle = 2 * np.pi * (s + rng.uniform(0, 0.6)) / stems
        lean = spread * np.array([np.cos(angle), np.sin(angle), 0])
        reach = 0.96 if straight else (0.62 if stems == 1 else 0.5)
        top = foot + lean + [0, 0, clear + reach * (tree.height_m - clear)]
        fork = foot + 0.5 * lean + [0, 0, max(clear, 0.15 * tree.height_m)]
        thin = radius * (0.62 if not straight else 0.8)
        patches.append(
            tube(f"{tree.name} trunk", tree.name, tree.bark, foot + 0.15 * lean, fork, radius, thin)
        )
        boughs.append((fork, top, thin, 0.25 * thin))
        count = int(11 / stems) + 3
        if straight:  # leaves hide the boughs of a column
            count = 12 if bare else 0
        for k in range(count):
            t = 0.02 + 0.9 * k / count
            start = fork + t * (top - fork)
            turn = 2.4 * k + rng.uniform(-0.4, 0.4) + angle
            rise = (1.5 if straight else 0.25) + 0.75 * t + rng.uniform(-0.1, 0.15)
            way = unit([np.cos(turn), np.sin(turn), rise])
            # As far as the crown's hull, a little short of it.
            scaled, origin = way / radii, (start - middle) / radii
            a, b, c = scaled @ scaled, 2 * scaled @ origin, origin @ origin - 0.72
            root = b * b - 4 * a * c
            length = (-b + np.sqrt(max(root, 0.0))) / (2 * a)
            if length < 0.25:
                continue
            end = start + length * way + [0, 0, 0.06 * length]
            size = thin * (0.5 - 0.25 * t)
            knee = start + 0.5 * (end - start) - [0, 0, 0.05 * length]
            boughs += [(start, knee, size, 0.6 * size), (knee, end, 0.6 * size, 0.2 * size)]
            for u in (0.45, 0.7, 0.95):
                twig = start + u * (end - start)
                tips.append(twig)
                for _ in range(2):
                    side = unit(rng.normal(size=3) + [0, 0, 0.3])
                    tip = twig + side * 0.28 * length
                    tips.append(tip)
                    if np.linalg.norm((tip - middle) / radii) < 1.0:  # else a bare stick
                        boughs.append((twig, tip, 0.3 * size, 0.1 * size))
    if straight:
        tips.append(middle)
    return patches, boughs, np.reshape(tips, (-1, 3))


def _twigs(
    boughs: list[Rod], middle: Array, radii: Array, hidden: float, rng: np.random.Generator
) -> list[Rod]:
    """Two further orders of twigs on the boughs of a bare crown, every one on its parent.

    hidden : the mean projection the twigs are to have [m²]; a rod of three sides has
        ¼·3√3·r·length. As with leaves, trunk and boughs hide some more.
    """
    ends = np.array([(start, end) for start, end, *_ in boughs])
    spans = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    long = 0.3 * float(radii[0])
    each = 0.75 * long * (1 + 2 * 0.5)  # a twig and its two of half the length, on average
    count = int(np.clip(hidden / (0.75 * 3**0.5 * TWIG_M * each), 4, TWIGS_AT_MOST // 3))
    # Longer boughs carry more.
    parent = np.searchsorted(np.cumsum(spans) / spans.sum(), (np.arange(count) + 0.5) / count)
    first = _shoots(ends[np.minimum(parent, len(ends) - 1)], long, middle, radii, rng)
    second = _shoots(np.repeat(first, 2, axis=0), 0.5 * long, middle, radii, rng)
    both = np.concatenate([first, second])
    length = float(np.linalg.norm(both[:, 1] - both[:, 0], axis=1).sum())
    radius = max(FINEST_TWIG_M, hidden / (0.75 * 3**0.5 * length))
    size = np.repeat([1.25, 0.8], [len(first), len(second)]) * radius
    return [(a, b, 1.25 * r, 0.75 * r) for (a, b), r in zip(both, size, strict=True)]


def _shoots(
    parents: Array, long: float, middle: Array, radii: Array, rng: np.random.Generator
) -> Array:
    """One shoot on each parent (n, 2, 3), 20° to 50° off its way, and shorter where it would leave
    the crown: start and end, (n, 2, 3)."""
    count = len(parents)
    along = parents[:, 1] - parents[:, 0]
    start = parents[:, 0] + rng.uniform(0.35, 1.0, (count, 1)) * along
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    aside = np.cross(along, rng.normal(size=(count, 3)))
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    angle = rng.uniform(0.35, 0.87, (count, 1))
    way = np.cos(angle) * along + np.sin(angle) * aside + [0, 0, 0.2]
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    reach = long * rng.uniform(0.5, 1.0, (count, 1))
    outside = (((start + reach * way - middle) / radii) ** 2).sum(axis=1) > 1.0
    return np.stack([start, start + np.where(outside[:, None], 0.4, 1.0) * reach * way], axis=1)


def _crown_spots(rng: np.random.Generator, tips: Array, middle: Array, radii: Array) -> Array:
    """Centres of leafy clumps: the twigs, and some more through the crown so that none is bald."""
    extra = max(60, 2 * len(tips))
    way = rng.normal(size=(extra, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    depth = rng.uniform(0.25, 1.0, extra) ** (1 / 2.2)
    filling = middle + way * depth[:, None] * radii * 0.88
    spots = np.concatenate([tips, filling])
    inside = (((spots - middle) / radii) ** 2).sum(axis=1) < 1.02
    return spots[inside] if inside.sum() > 12 else filling


def _whorls(
    rng: np.random.Generator, foot: Array, clear: float, height: float, radius: float
) -> tuple[Array, Array, list[Rod]]:
    """Whorls of drooping branches that shorten towards the top.

    Returns the places of sprays along them, (n, 3), the way of the branch there, and the branches.
    """
    spots: list[Array] = []
    ways: list[Array] = []
    branches: list[Rod] = []
    z = clear
    while z < height * 0.985 or not spots:
        share = (height - z) / (height - clear)
        reach = radius * share**0.9
        count = max(3, int(9 * share + 3))
        start = rng.uniform(0, 2 * np.pi)
        for k in range(count):
            turn = start + 2 * np.pi * k / count + rng.uniform(-0.15, 0.15)
            level = np.array([np.cos(turn), np.sin(turn), 0.0])
            length = reach * rng.uniform(0.8, 1.05)
            root = z + rng.uniform(-0.08, 0.08) * share  # a whorl is no ring
            place = [
                foot + u * length * level + [0, 0, root - 0.18 * length * u**1.5]
                for u in (0.0, 0.4, 0.75)  # its needles hide the rest
            ]
            thick = max(0.003, 0.008 * length)
            branches += [
                (place[0], place[1], thick, 0.6 * thick),
                (place[1], place[2], 0.6 * thick, 0.2 * thick),
            ]
            for u in np.arange(0.25, 1.01, max(0.12, 0.35 / max(length, 0.3))):
                droop = -0.18 * length * u**1.5
                spots.append(foot + u * length * level + [0, 0, root + droop])
                ways.append(unit(level - [0, 0, 0.27 * u**0.5]))
        z += max(0.16, 0.035 * height) * (0.6 + 0.5 * share)
    return np.array(spots), np.array(ways), branches


def _amount(
    volume: float, way: float, gap: float, length: float, width: float, clumping: float = 1.0
) -> tuple[int, float, float]:
    """How many leaves the gap asks for, and their length and width [m]."""
    count = -2.0 * np.log(gap) / way * volume / (0.5 * length * width) * clumping
    grow = max(1.0, np.sqrt(count / LEAVES_AT_MOST))
    return max(200, min(int(count), LEAVES_AT_MOST)), length * grow, width * grow


def _needles(
    name: str, material: str, spots: Array, ways: Array, volume: float,
    amount: tuple[int, float, float], rng: np.random.Generator,
) -> Crown:  # fmt: skip
    """Sprays of needles: slender, within some 25° of their branch's way, drooping outwards."""
    count, length, width = amount
    which = np.arange(count) % len(spots)
    centre = spots[which] + _ball(rng, count, 0.95 * (volume / len(spots)) ** (1 / 3))
    along = ways[which] + 0.33 * rng.normal(size=(count, 3)) - [0, 0, 0.2]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    # Needles stand round their twig, a few more on its upper side.
    normal = rng.normal(size=(count, 3)) + [0, 0, 0.3]
    normal -= (normal * along).sum(axis=1, keepdims=True) * along
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return _crown(name, material, centre, normal, along, length, width, which, rng)


def _leaves(
    name: str, material: str, spots: Array, volume: float, amount: tuple[int, float, float],
    rng: np.random.Generator, middle: Array,
) -> Crown:  # fmt: skip
    """Leaves scattered in clumps about spots."""
    count, length, width = amount
    which = np.arange(count) % len(spots)
    centre = spots[which] + _ball(rng, count, 0.95 * (volume / len(spots)) ** (1 / 3))
    # Leaves face outwards and up, loosely.
    outward = centre - middle
    outward /= np.linalg.norm(outward, axis=1, keepdims=True) + 1e-9
    normal = rng.normal(size=(count, 3)) * 0.8 + 0.5 * outward + [0, 0, 0.45]
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    along = np.cross(normal, rng.normal(size=(count, 3)))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    return _crown(name, material, centre, normal, along, length, width, which, rng)


def _ball(rng: np.random.Generator, count: int, radius: float) -> Array:
    """Places in a clump about its middle, (count, 3): a flattened ball, not a cloud without an
    edge, since loose leaves far outside look like dust."""
    out = rng.normal(size=(count, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    depth: Array = radius * rng.uniform(0, 1, (count, 1)) ** (1 / 2.5)
    return out * depth * [1, 1, 0.75]


def _crown(
    name: str, material: str, centre: Array, normal: Array, along: Array, length: float,
    width: float, clump: NDArray[np.intp], rng: np.random.Generator,
) -> Crown:  # fmt: skip
    """The leaves that are above the ground, some clumps and some leaves lighter than others."""
    above = centre[:, 2] > 0.03
    count, clumps = len(centre), int(clump.max()) + 1
    tone = np.clip(
        rng.normal(1.0, 0.18, count) * (1 + 0.1 * rng.normal(size=clumps)[clump]), 0.5, 1.6
    )
    as32 = [a[above].astype(np.float32) for a in (centre, normal, along, tone)]
    return Crown(f"{name} crown", name, material, as32[0], as32[1], as32[2], length, width, as32[3])


def _palm(
    tree: Tree, habit: Habit, foot: Array, height: float, crown: float, leaf: str,
    rng: np.random.Generator,
) -> tuple[list[Patch], list[Crown], list[Mesh]]:  # fmt: skip
    """A bare trunk under arching fronds, each a rib with two rows of leaflets."""
    radius = max(0.06, habit.trunk_share * height / 2)
    reach = 0.96 * crown / 2  # the last leaflets stand out beyond their rib
    ribs, centre, normal, along = [], [], [], []
    fronds = 26
    for k in range(fronds):  # about the head as origin
        turn, lift = 2.4 * k, 0.95 - 1.55 * k / fronds + rng.uniform(-0.1, 0.1)
        level = np.array([np.cos(turn), np.sin(turn), 0.0])
        t = np.linspace(0, 1, 22)
        rib = reach * (t[:, None] * level * np.cos(lift * 0.6)
                       + (np.sin(lift) * t - 0.75 * t**2.2)[:, None] * [0, 0, 1])  # fmt: skip
        thick = 0.012 * (1.0 + 2.0 * np.exp(-8.0 * t))  # it clasps the trunk with a broad foot
        ribs += [(rib[i], rib[i + 3], thick[i], thick[i + 3]) for i in range(0, 18, 3)]
        tangent = np.gradient(rib, axis=0)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        across = np.cross(tangent, [0, 0, 1.0])
        across /= np.linalg.norm(across, axis=1, keepdims=True) + 1e-9
        for side in (-1.0, 1.0):
            for i in range(2, 22):
                blade = unit(
                    side * across[i] + 0.7 * tangent[i] - [0, 0, 0.35] + 0.1 * rng.normal(size=3)
                )
                long = habit.leaf_m[0] * np.sin(np.pi * (0.15 + 0.8 * t[i])) * reach / 1.6
                for share in (0.3, 0.75):  # two pieces a leaflet, so that it may bend under light
                    centre.append(rib[i] + blade * long * share)
                    along.append(blade)
                    normal.append(unit(np.cross(blade, np.cross([0.1, 0.05, 1.0], blade))))
    length, width = habit.leaf_m[0] * 0.55 * reach / 1.6, habit.leaf_m[1]
    # The stated height is that of the topmost leaflet.
    top = (np.array(centre) + 0.5 * length * np.abs(along))[:, 2].max()
    head = foot + [0, 0, height - top]
    trunk = tube(f"{tree.name} trunk", tree.name, tree.bark, foot, head, radius, 0.75 * radius)
    ribs = [(start + head, end + head, *radii) for start, end, *radii in ribs]
    arrays = [np.array(a, np.float32) for a in (np.array(centre) + head, normal, along)]
    tone = np.clip(rng.normal(1, 0.12, len(arrays[0])), 0.6, 1.4).astype(np.float32)
    fan = Crown(
        f"{tree.name} crown", tree.name, leaf, arrays[0], arrays[1], arrays[2], length, width, tone
    )
    return [trunk], [fan], [rods(f"{tree.name} ribs", tree.name, leaf, ribs, sides=3)]


def build_shrub(shrub: Shrub) -> list[Crown]:
    """One crown a shrub, down to the ground."""
    width = shrub.width_m if shrub.width_m is not None else shrub.height_m
    first = np.asarray(shrub.at_m, float)
    last = first if shrub.to_m is None else np.asarray(shrub.to_m, float)
    crowns = []
    for k in range(shrub.count):
        place = first + (last - first) * (k / max(1, shrub.count - 1))
        name = shrub.name if shrub.count == 1 else f"{shrub.name} {k + 1}"
        rng = _random(name, k)
        radii = np.array([width / 2, width / 2, shrub.height_m / 2]) * rng.uniform(0.92, 1.05)
        middle = np.array([*place, shrub.height_m / 2])
        way = rng.normal(size=(90, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        spots = middle + way * rng.uniform(0.3, 0.95, (90, 1)) ** 0.5 * radii * 0.92
        volume = 4 / 3 * np.pi * float(np.prod(radii))
        amount = _amount(volume, width, shrub.gap, 0.05, 0.03)
        crowns.append(_leaves(name, shrub.leaf, spots, volume, amount, rng, middle))
    return [Crown(c.name, shrub.name, c.material, c.centre, c.normal, c.along, c.length_m, c.width_m, c.tone)
            for c in crowns]  # fmt: skip


def build_hedge(hedge: Hedge) -> list[Crown]:
    """A clipped box of leaves along each straight run."""
    crowns = []
    for k, (a, b) in enumerate(zip(hedge.line_m[:-1], hedge.line_m[1:], strict=True)):
        rng = _random(hedge.name, k)
        start, end = np.asarray(a, float), np.asarray(b, float)
        length = float(np.linalg.norm(end - start))
        way = (end - start) / length
        across = np.array([-way[1], way[0]])
        volume = length * hedge.width_m * hedge.height_m
        count = max(40, int(volume / 0.012))
        s = rng.uniform(0, length, count)
        # Clipping makes a hedge dense at its faces: push the clumps outwards.
        t = np.sign(rng.uniform(-1, 1, count)) * rng.uniform(0, 1, count) ** 0.5
        z = rng.uniform(0.04, 1, count) ** 0.8
        spots = np.column_stack([
            start + s[:, None] * way + (0.46 * hedge.width_m * t)[:, None] * across,
            0.97 * hedge.height_m * z,
        ])  # fmt: skip
        middle = np.array([*((start + end) / 2), hedge.height_m / 2])
        amount = _amount(volume, hedge.width_m, hedge.gap, 0.05, 0.03)
        crown = _leaves(f"{hedge.name} {k + 1}", hedge.leaf, spots, volume, amount, rng, middle)
        crowns.append(Crown(crown.name, hedge.name, crown.material, crown.centre, crown.normal,
                            crown.along, crown.length_m, crown.width_m, crown.tone))  # fmt: skip
    return crowns
