"""Houses: walls with openings under gable, hip, shed and flat roofs; porches and chimneys."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from nightview.errors import NightviewError
from nightview.scene.model import Block, Chimney, Opening, Porch, Side
from nightview.scene.rules import wall_top
from nightview.site.shapes import UP, box, flat, pieces, round_solid, solid_of_planes, tube
from nightview.site.surface import Array, Patch, Solid

Built = tuple[list[Patch], list[Solid]]
SIDES: tuple[Side, ...] = ("front", "right", "back", "left")
ROOF_TEXEL_M = 0.05
TUCK_M = 0.0025
"""Walls reach this far into the roof above, so that no crack shows between them; less than the
distance from an edge at which the topmost nodes are lit."""
LEAST_OPENING_M = 0.2
LEAST_PANE_M = 0.01
FRAME_M = 0.055
"""Width of a window's frame; glazing bars are half as wide."""


def frame_of(block: Block) -> tuple[Array, Array, Array]:
    """A block's local frame: front left corner at its base, x along the front, y inwards."""
    turn = np.radians(block.turn_deg)
    ex = np.array([np.cos(turn), np.sin(turn), 0.0])
    return np.array([*block.at_m, block.base_m]), ex, np.array([-ex[1], ex[0], 0.0])


def wall_frame(block: Block, side: Side) -> tuple[Array, Array, Array, float]:
    """A wall's left foot as seen from outside, its direction to the right, its normal, its width."""
    origin, ex, ey = frame_of(block)
    width, depth = block.size_m
    if side == "front":
        return origin, ex, -ey, width
    if side == "right":
        return origin + width * ex, ey, ex, depth
    if side == "back":
        return origin + width * ex + depth * ey, -ex, ey, width
    return origin + depth * ey, -ey, -ex, depth


def roof_rise(block: Block) -> float:
    """Height of the ridge's underside above the eaves [m]."""
    slope = np.tan(np.radians(block.roof.pitch_deg))
    width, depth = block.size_m
    span = depth if block.roof.ridge == "along" else width
    kind = block.roof.kind
    if kind == "flat":
        return 0.0
    return float(
        slope * (span if kind == "shed" else min(width, depth) / 2 if kind == "hip" else span / 2)
    )


def build_block(block: Block, openings: Sequence[tuple[Opening, float]]) -> Built:
    """Walls, openings, roof and body of one block; openings come with the middle's place along."""
    patches: list[Patch] = []
    for side in SIDES:
        here = [(item, along) for item, along in openings if item.side == side]
        patches += _wall(block, side, here)
    roof, faces = _roof(block)
    if block.base_m > 0:
        patches += flat(f"{block.name} underside", block.name, block.material, faces[len(SIDES)])
    return patches + roof, [solid_of_planes(block.name, faces)]


def _wall(block: Block, side: Side, openings: Sequence[tuple[Opening, float]]) -> list[Patch]:
    foot, right, _, width = wall_frame(block, side)
    name = f"{block.name} {side} wall"
    profile_top = [(x, z + TUCK_M) for x, z in reversed(wall_top(block, side))]
    profile = [(0.0, 0.0), (width, 0.0), *profile_top]
    outline = shapely.Polygon(profile)
    holes = []
    patches: list[Patch] = []
    for opening, along in openings:
        left, low = along - opening.size_m[0] / 2, opening.sill_m
        holes.append(shapely.box(left, low, left + opening.size_m[0], low + opening.size_m[1]))
        patches += _opening(block, opening, foot + left * right + low * UP, right)
    if holes:
        outline = outline.difference(shapely.union_all(holes))
    # Courses start at the ground and at the wall's left end.
    pattern_at = (0.0, float(foot[2]))
    whole = Patch(
        name, block.name, block.material, foot, right, UP, outline, (1, 1), pattern_at=pattern_at
    )
    if block.plinth_m > 0:
        band = shapely.box(-1, -1, width + 1, block.plinth_m)
        plinth = Patch(
            f"{name} plinth", block.name, block.plinth_material, foot, right, UP,
            outline.intersection(band), (1, 1), pattern_at=pattern_at,
        )  # fmt: skip
        patches += pieces(plinth)
        whole = Patch(
            name, block.name, block.material, foot, right, UP, outline.difference(band), (1, 1),
            pattern_at=pattern_at,
        )  # fmt: skip
    return patches + pieces(whole)


def _opening(block: Block, opening: Opening, corner: Array, right: Array) -> list[Patch]:
    """Reveal, frame, glass or leaf of an opening whose lower left outer corner is given."""
    width, height = opening.size_m
    if min(width, height) < LEAST_OPENING_M:
        raise NightviewError(
            f'opening "{opening.name}": size', "has no room for a frame",
            f'write "{LEAST_OPENING_M:g} m" or more each way',
        )  # fmt: skip
    inward = np.cross(UP, right)
    deep = corner + opening.reveal_m * inward
    name, owner = opening.name, block.name
    patches: list[Patch] = []
    if opening.reveal_m > 1e-3:

        def at(x: float, z: float, d: float) -> Array:
            return corner + x * right + z * UP + d * inward

        d = opening.reveal_m
        for corners in (
            [at(0, 0, d), at(width, 0, d), at(width, 0, 0), at(0, 0, 0)][::-1],
            [at(0, height, 0), at(width, height, 0), at(width, height, d), at(0, height, d)][::-1],
            [at(0, 0, 0), at(0, 0, d), at(0, height, d), at(0, height, 0)],
            [at(width, 0, d), at(width, 0, 0), at(width, height, 0), at(width, height, d)],
        ):
            patches += flat(f"{name} reveal", owner, block.trim, corners)

    def panel(part: str, material: str, shape: shapely.Geometry, kind: str = "matte") -> None:
        whole = Patch(
            f"{name} {part}", owner, material, deep, right, UP, shape, (1, 1), kind=kind,
            pattern_at=(0.0, 0.0), opening=opening.name if kind == "glass" else "",
        )  # fmt: skip
        patches.extend(pieces(whole))

    whole = shapely.box(0, 0, width, height)
    if opening.kind == "window":
        panes = _panes(opening, FRAME_M, FRAME_M, width - FRAME_M, height - FRAME_M)
        panel("frame", opening.frame, whole.difference(panes))
        panel("glass", "glass", panes, "glass")
    elif opening.kind == "glazed door":
        low = min(0.8, 0.4 * height)
        panes = _panes(opening, 0.12, low, width - 0.12, height - 0.12)
        panel("leaf", opening.material, whole.difference(panes))
        panel("glass", "glass", panes, "glass")
    else:
        leaf = shapely.box(FRAME_M, 0, width - FRAME_M, height - FRAME_M)
        panel("frame", opening.frame, whole.difference(leaf))
        panel("leaf", opening.material, leaf)
        patches += _door_panels(opening, deep, right, -inward, owner)
    return patches


def _panes(opening: Opening, u0: float, v0: float, u1: float, v1: float) -> shapely.Geometry:
    """The clear panes between glazing bars."""
    across, up = opening.panes
    bar = FRAME_M / 2
    wide = (u1 - u0 - bar * (across - 1)) / across
    tall = (v1 - v0 - bar * (up - 1)) / up
    if min(wide, tall) < LEAST_PANE_M:
        raise NightviewError(
            f'opening "{opening.name}": panes', "there is no room for them between the bars",
            "write fewer panes, or a larger size",
        )  # fmt: skip
    panes = [
        shapely.box(u0 + i * (wide + bar), v0 + j * (tall + bar),
                    u0 + i * (wide + bar) + wide, v0 + j * (tall + bar) + tall)
        for i in range(across) for j in range(up)
    ]  # fmt: skip
    return shapely.MultiPolygon(panes)


def _door_panels(
    opening: Opening, corner: Array, right: Array, out: Array, owner: str
) -> list[Patch]:
    """Raised fields on a door's leaf, so that it reads as a door under any light."""
    width, height = opening.size_m
    columns = 2 if opening.kind == "door" else max(2, round(width / 0.6))
    rows = (
        [(0.12, 0.42), (0.5, 0.92)]
        if opening.kind == "door"
        else [(0.06, 0.3), (0.36, 0.6), (0.66, 0.92)]
    )
    patches: list[Patch] = []
    inner = width - 2 * FRAME_M
    for i in range(columns):
        left = FRAME_M + inner * (i + 0.14) / columns
        wide = inner * 0.72 / columns
        for low, high in rows:
            foot = corner + left * right + low * height * UP
            frame = (foot, right, -out)
            faces, _ = box(
                f"{opening.name} panel", owner, opening.material, frame,
                (0, -0.015, 0), (wide, 0, (high - low) * height), skip=("back",),
            )  # fmt: skip
            patches += faces
    return patches


# --- roofs ----------------------------------------------------------------------------------------


def _roof(block: Block) -> tuple[list[Patch], list[list[Array]]]:
    """Roof patches, and the faces of the block's convex body up to the roof's underside."""
    origin, ex, ey = frame_of(block)
    width, depth = block.size_m
    roof = block.roof
    across = roof.ridge == "across" and roof.kind in ("gable", "shed")
    # Work with the ridge along the local x axis: turn the frame a quarter if it runs across.
    if across:
        start, along, inward = origin + width * ex, ey, -ex
        length, span = depth, width
        if roof.kind == "shed":
            start, along, inward = origin + depth * ey, -ey, ex
    else:
        start, along, inward, length, span = origin, ex, ey, width, depth
    high, over, thick = block.height_m, roof.overhang_m, roof.thickness_m
    slope = np.tan(np.radians(roof.pitch_deg)) if roof.kind != "flat" else 0.0
    rise = roof_rise(block)

    def at(x: float, y: float, z: float) -> Array:
        return start + x * along + y * inward + z * UP

    patches: list[Patch] = []
    slopes: list[list[Array]] = []  # of a hip roof, whose attic they close

    def face(part: str, material: str, corners: list[Array], right: Array | None = None) -> None:
        patches.extend(
            flat(f"{block.name} roof {part}", block.name, material, corners, right=right,
                 texel_m=ROOF_TEXEL_M, pattern_origin=corners[0])
        )  # fmt: skip

    x0, x1 = -over, length + over
    if roof.kind in ("gable", "shed"):
        lift = thick * np.hypot(1.0, slope)
        y_end = span / 2 if roof.kind == "gable" else span + over

        def under(y: float) -> float:
            return high + slope * y

        sides = [(at, along)]
        if roof.kind == "gable":
            mirrored = lambda x, y, z: at(length - x, span - y, z)  # noqa: E731
            sides.append((mirrored, -along))
        for place, right in sides:
            eave, top = under(-over), under(y_end)
            face("slope", roof.material, [place(x0, -over, eave + lift), place(x1, -over, eave + lift),
                 place(x1, y_end, top + lift), place(x0, y_end, top + lift)], right)  # fmt: skip
            face("fascia", block.trim, [place(x0, -over, eave), place(x1, -over, eave),
                 place(x1, -over, eave + lift), place(x0, -over, eave + lift)])  # fmt: skip
            face("verge", block.trim, [place(x1, -over, eave), place(x1, y_end, top),
                 place(x1, y_end, top + lift), place(x1, -over, eave + lift)])  # fmt: skip
            face("verge", block.trim, [place(x0, y_end, top), place(x0, -over, eave),
                 place(x0, -over, eave + lift), place(x0, y_end, top + lift)])  # fmt: skip
            # The underside is seen only outside the walls.
            ring = [(x0, -over, x1, 0.0), (x0, 0.0, 0.0, y_end), (length, 0.0, x1, y_end)]
            if roof.kind == "shed":
                ring[1:] = [(x0, 0.0, 0.0, span), (length, 0.0, x1, span), (x0, span, x1, y_end)]
            for a, b, c, d in ring:
                if c - a > 1e-3 and d - b > 1e-3:
                    face("soffit", block.trim, [place(a, d, under(d)), place(c, d, under(d)),
                         place(c, b, under(b)), place(a, b, under(b))])  # fmt: skip
            if roof.kind == "shed":
                face("fascia", block.trim, [place(x1, y_end, top), place(x0, y_end, top),
                     place(x0, y_end, top + lift), place(x1, y_end, top + lift)])  # fmt: skip
    else:
        y0, y1 = -over, span + over
        fascia = high + thick
        rim = [at(x0, y0, high), at(x1, y0, high), at(x1, y1, high), at(x0, y1, high)]
        lid = [corner + thick * UP for corner in rim]
        for i in range(4):
            j = (i + 1) % 4
            face("fascia", block.trim, [rim[i], rim[j], lid[j], lid[i]])
        for a, b, c, d in [(x0, y0, x1, 0.0), (x0, span, x1, y1), (x0, 0.0, 0.0, span),
                           (length, 0.0, x1, span)]:  # fmt: skip
            if c - a > 1e-3 and d - b > 1e-3:
                face("soffit", block.trim,
                     [at(a, d, high), at(c, d, high), at(c, b, high), at(a, b, high)])  # fmt: skip
        if roof.kind == "flat":
            face("top", roof.material, lid)
        else:
            half = min(x1 - x0, y1 - y0) / 2
            peak = fascia + slope * half
            if x1 - x0 >= y1 - y0:
                ridge = [at(x0 + half, y0 + half, peak), at(x1 - half, y0 + half, peak)]
                planes = [[lid[0], lid[1], ridge[1], ridge[0]], [lid[1], lid[2], ridge[1]],
                          [lid[2], lid[3], ridge[0], ridge[1]], [lid[3], lid[0], ridge[0]]]  # fmt: skip
            else:
                ridge = [at(x0 + half, y0 + half, peak), at(x0 + half, y1 - half, peak)]
                planes = [[lid[0], lid[1], ridge[0]], [lid[1], lid[2], ridge[1], ridge[0]],
                          [lid[2], lid[3], ridge[1]], [lid[3], lid[0], ridge[0], ridge[1]]]  # fmt: skip
            for corners in planes:
                distinct = [c for i, c in enumerate(corners)
                            if np.linalg.norm(c - corners[i - 1]) > 1e-6]  # fmt: skip
                face("slope", roof.material, distinct)
                slopes.append(distinct)

    faces: list[list[Array]] = []
    for side in SIDES:
        foot, right, _, wall_width = wall_frame(block, side)
        faces.append([foot, foot + wall_width * right, foot + wall_width * right + UP, foot + UP])
    floor = [at(0, 0, 0), at(0, span, 0), at(length, span, 0), at(length, 0, 0)]
    faces.append(floor)
    if roof.kind in ("gable", "shed"):
        far = span / 2 if roof.kind == "gable" else span
        faces.append([at(0, 0, high), at(length, 0, high), at(length, far, high + rise),
                      at(0, far, high + rise)])  # fmt: skip
        if roof.kind == "gable":
            faces.append([at(length, span, high), at(0, span, high), at(0, far, high + rise),
                          at(length, far, high + rise)])  # fmt: skip
    elif roof.kind == "hip":
        faces += slopes
    else:
        faces.append(
            [at(0, 0, high), at(length, 0, high), at(length, span, high), at(0, span, high)]
        )
    return patches, faces


# --- porches and chimneys -------------------------------------------------------------------------


def build_porch(porch: Porch, block: Block) -> Built:
    """Floor slab, posts, beams and roof before a wall."""
    foot, right, normal, _ = wall_frame(block, porch.side)
    width, depth = porch.size_m
    ground = foot - foot[2] * UP
    frame = (ground + porch.along_m * right, right, -normal)  # y runs back to the wall
    name = porch.name
    patches: list[Patch] = []
    solids: list[Solid] = []
    half = width / 2

    def add(part: str, material: str, low: Sequence[float], high: Sequence[float],
            skip: tuple[str, ...] = (), texel_m: float = 0.025) -> None:  # fmt: skip
        faces, solid = box(
            f"{name} {part}", name, material, frame, low, high, skip=skip, texel_m=texel_m
        )
        patches.extend(faces)
        solids.append(solid)

    if porch.floor_m > 0:
        add("floor", porch.floor_material, (-half, -depth, 0), (half, 0, porch.floor_m),
            ("bottom", "back"))  # fmt: skip
    beam_low = porch.height_m
    beam_high = beam_low + 0.22
    w = porch.post_width_m
    if porch.posts:
        for x in np.linspace(-half + w, half - w, porch.posts) if porch.posts > 1 else [0.0]:
            low, high = (
                (x - w / 2, -depth + w / 2, porch.floor_m),
                (x + w / 2, -depth + 1.5 * w, beam_low),
            )
            if porch.post == "square":
                add("post", porch.material, low, high, ("bottom", "top"))
            else:
                base = frame[0] + x * right + (depth - w) * normal
                patches.append(tube(f"{name} post", name, porch.material,
                                    base + porch.floor_m * UP, base + beam_low * UP, w / 2, 0.46 * w))  # fmt: skip
                solids.append(
                    round_solid(name, base + porch.floor_m * UP, w / 2, beam_low - porch.floor_m)
                )
        add(
            "beam",
            porch.material,
            (-half, -depth + w / 2, beam_low),
            (half, -depth + 1.5 * w, beam_high),
        )
        for x in (-half, half - 0.12):
            add("beam", porch.material, (x, -depth + 1.5 * w, beam_low + 0.04), (x + 0.12, 0, beam_high),
                ("front", "back"))  # fmt: skip
    cover = _porch_roof(porch, block, frame, beam_high)
    patches += cover
    return patches, solids


def _porch_roof(
    porch: Porch, block: Block, frame: tuple[Array, Array, Array], low: float
) -> list[Patch]:
    """The porch's roof: a slab that is seen from below too."""
    origin, right, back = frame
    width, depth = porch.size_m
    half, over = width / 2 + 0.25, 0.25
    slope = np.tan(np.radians(porch.pitch_deg)) if porch.roof != "flat" else 0.0
    thick = 0.1
    patches: list[Patch] = []

    def at(x: float, y: float, z: float) -> Array:
        return origin + x * right + y * back + z * UP

    def face(part: str, material: str, corners: list[Array], along: Array | None = None) -> None:
        patches.extend(flat(f"{porch.name} {part}", porch.name, material, corners, right=along,
                            pattern_origin=corners[0]))  # fmt: skip

    front = -depth - over
    if porch.roof in ("shed", "flat"):
        # Its underside lies on the beam's outer edge.
        a = low - slope * (over + porch.post_width_m / 2)
        b = a + slope * (depth + over)
        under = [at(-half, front, a), at(half, front, a), at(half, 0, b), at(-half, 0, b)]
        panels = [under]
    else:
        peak = low + slope * half
        end = _reach_back(porch, block, peak + thick)
        left = [at(-half, 0, low), at(-half, front, low), at(0, front, peak), at(0, end, peak)]
        rest = [at(half, front, low), at(half, 0, low), at(0, end, peak), at(0, front, peak)]
        panels = [left, rest]
        inset, tuck, foot = -depth, peak + TUCK_M, low - 0.03  # behind the beam's upper edge
        span = half - 0.25
        eave = low + slope * (half - span)
        face(
            "gable",
            porch.material,
            [at(-span, inset, foot), at(span, inset, foot), at(span, inset, eave), at(0, inset, tuck),
             at(-span, inset, eave)],
        )  # fmt: skip
        face(
            "gable inside",
            porch.material,
            [at(span, inset + 0.05, low), at(-span, inset + 0.05, low), at(-span, inset + 0.05, eave),
             at(0, inset + 0.05, tuck), at(span, inset + 0.05, eave)],
        )  # fmt: skip
    for under in panels:
        over_corners = [corner + thick * UP for corner in under]
        face("roof", porch.roof_material, over_corners)
        face("ceiling", porch.material, under[::-1], right if porch.roof != "gable" else None)
        for i in range(4):
            j = (i + 1) % 4
            edge_on_wall = porch.roof != "gable" and i == 2
            if not edge_on_wall:
                face(
                    "roof edge", block.trim, [under[i], under[j], over_corners[j], over_corners[i]]
                )
    return patches


def _reach_back(porch: Porch, block: Block, top_m: float) -> float:
    """How far behind the wall a gable porch's ridge meets the house's roof that slopes to it [m]."""
    roof = block.roof
    eaves_side = ("front", "back") if roof.ridge == "along" else ("left", "right")
    falls = roof.kind == "hip" or (roof.kind == "gable" and porch.side in eaves_side)
    above = top_m - (block.base_m + block.height_m)
    if not falls or above <= 0:
        return 0.0
    depth = block.size_m[1] if porch.side in ("front", "back") else block.size_m[0]
    return float(min(above / np.tan(np.radians(roof.pitch_deg)), depth / 2))


def build_chimney(chimney: Chimney) -> Built:
    """A stack with a projecting cap."""
    width, depth = chimney.size_m
    frame = (np.array([*chimney.at_m, 0.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]))
    w, d = width / 2, depth / 2
    name = chimney.name
    stack, solid = box(f"{name} stack", name, chimney.material, frame, (-w, -d, chimney.base_m),
                       (w, d, chimney.top_m - 0.12), skip=("bottom", "top"))  # fmt: skip
    cap, lid = box(f"{name} cap", name, "concrete", frame, (-w - 0.06, -d - 0.06, chimney.top_m - 0.12),
                   (w + 0.06, d + 0.06, chimney.top_m))  # fmt: skip
    return stack + cap, [solid, lid]
