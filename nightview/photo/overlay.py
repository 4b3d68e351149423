"""The model's edges and the marks on the photo, so that an eye can judge whether the camera is right.

What is hidden is drawn pale. Arrows run from each mark to where the camera shows its point, ten
times as long as they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from nightview.photo.fit import Marks
from nightview.photo.image import PhotoImage
from nightview.photo.sight import plants_of, unhidden
from nightview.photo.solve import Solved
from nightview.picture import files
from nightview.picture.camera import Camera
from nightview.picture.caption import drawable, footer
from nightview.picture.png import has_text, write_png
from nightview.site.build import Site
from nightview.site.surface import Array, Mesh, Patch

KIND_KEY = "overlay"
FINE = 2
"""Lines are drawn so many times larger and reduced, to be smooth."""
STEP_PX, MOST_STEPS = 5.0, 200
"""Edges are cut about so long to tell what of them is hidden."""
STRETCH = 10.0
LINE, HIDDEN, SHADE = (255, 214, 64, 235), (255, 214, 64, 70), (20, 20, 20, 110)
MARK, ARROW = (64, 230, 255, 255), (255, 80, 200, 255)
BEND_DEG = 30.0
"""Faces of an imported mesh that meet at more than this have an edge between them."""
LEFT_OUT = ("panel", "reveal", "glass", "soffit", "ceiling", "inside", "gable inside", "underside")


def overlay(
    site: Site, image: PhotoImage, camera: Camera | None, names: Sequence[str], pixels: Array,
    residual_px: Array | None = None, stretch: float = STRETCH,
) -> NDArray[np.uint8]:  # fmt: skip
    """The photo with wireframe and marks, (h, w, 3) uint8.

    camera : None for marks alone. names, pixels : of the marks, (n, 2). residual_px : (n, 2), drawn
    as arrows so many times as long.
    """
    height, width = image.srgb.shape[:2]
    layer = Image.new("RGBA", (width * FINE, height * FINE))
    draw = ImageDraw.Draw(layer)
    if camera is not None:
        segments, seen = wireframe(site, camera)
        for low, colour, wide in (
            (False, HIDDEN, FINE),
            (True, SHADE, 4 * FINE),
            (True, LINE, 2 * FINE),
        ):
            for start, end in segments[seen == low]:
                draw.line([*(start * FINE), *(end * FINE)], fill=colour, width=wide)
    font = ImageFont.load_default(FINE * max(13, round(width / 100)))
    for number, pixel in enumerate(pixels):
        x, y = pixel * FINE
        if residual_px is not None:
            _arrow(draw, pixel * FINE, (pixel + stretch * residual_px[number]) * FINE)
        r = 7 * FINE
        for way, colour in ((4, SHADE), (2, MARK)):
            draw.line([x - r, y, x + r, y], fill=colour, width=way * FINE)
            draw.line([x, y - r, x, y + r], fill=colour, width=way * FINE)
        draw.text((x + r, y + r // 2), str(number + 1), font=font, fill=MARK, stroke_width=FINE,
                  stroke_fill=(0, 0, 0, 200))  # fmt: skip
    base = Image.fromarray(np.rint(255 * np.clip(image.srgb, 0, 1)).astype(np.uint8)).convert(
        "RGBA"
    )
    small = layer.resize((width, height), Image.Resampling.BOX)
    return np.asarray(Image.alpha_composite(base, small).convert("RGB"))


def sheet(site: Site, image: PhotoImage, photo: str, solved: Solved) -> NDArray[np.uint8]:
    """The overlay with a strip below that names the marks and asks the question."""
    picture = overlay(site, image, solved.camera, solved.names, solved.pixels, solved.residual_px)
    off = np.linalg.norm(solved.residual_px, axis=1)
    lines = [
        f"{photo}: do the lines lie on the house? Expected error of corners {solved.corner_px:.0f} px, of "
        f"the worst {solved.worst_px:.0f} px. Pale lines are hidden; arrows are ten times as long.",
        " · ".join(f"{k + 1} {name} {off[k]:.1f} px" for k, name in enumerate(solved.names)),
    ]
    return _with_strip(picture, lines)


def refused_sheet(
    site: Site, image: PhotoImage, photo: str, marks: Marks, camera: Camera | None, why: str
) -> NDArray[np.uint8]:
    """The marks of a photo that was refused, with the model's edges as the best camera has them, if
    there is one; the strip says why."""
    off = None
    if camera is not None:
        off = camera.project(marks.places)[0] - marks.pixels
    picture = overlay(site, image, camera, marks.names, marks.pixels, off, stretch=1.0)
    guess = "The lines are the best guess. " if camera is not None else ""
    named = (f"{k + 1} {name}" for k, name in enumerate(marks.names))
    return _with_strip(picture, [f"{photo}: refused, {why}. {guess}", " · ".join(named)])


def _with_strip(picture: NDArray[np.uint8], lines: list[str]) -> NDArray[np.uint8]:
    size = max(12, round(picture.shape[1] / 110))
    strip = footer(picture.shape[1], [drawable(line) for line in lines], size)
    return np.concatenate([picture, strip])


def write_sheet(
    picture: NDArray[np.uint8], path: Path, photo: str, overwrite: bool = False
) -> None:
    """Write an overlay as PNG; an earlier one is replaced, any other file only with overwrite."""
    refuse_foreign(path, overwrite)
    texts = {"Title": photo, KIND_KEY: "wireframe", "Software": "nightview"}
    write_png(path, picture, texts)


def refuse_foreign(path: Path, overwrite: bool) -> None:
    """Stop before a file is replaced that is no overlay of ours, unless asked to."""
    files.refuse_foreign(path, overwrite, lambda one: has_text(one, KIND_KEY), "overlay")


def _arrow(draw: ImageDraw.ImageDraw, start: Array, end: Array) -> None:
    length = float(np.linalg.norm(end - start))
    if length < 4 * FINE:
        return
    way = (end - start) / length
    side = np.array([-way[1], way[0]])
    head = min(8.0 * FINE, length / 2)
    draw.line([*start, *end], fill=ARROW, width=2 * FINE)
    corners = [end, end - head * way + head / 2 * side, end - head * way - head / 2 * side]
    draw.polygon([tuple(corner) for corner in corners], fill=ARROW)


# --- edges ----------------------------------------------------------------------------------------


def wireframe(site: Site, camera: Camera) -> tuple[Array, NDArray[np.bool_]]:
    """The model's edges in the picture, cut short: (k, 2, 2) [px], and which are not hidden."""
    starts, ends = edges_of(site)
    starts, ends = _before(camera, starts, ends)
    low, high = camera.project(starts)[0], camera.project(ends)[0]
    size = np.array([camera.width, camera.height])
    out = ((np.maximum(low, high) < 0) | (np.minimum(low, high) > size)).any(axis=1)
    starts, ends, low, high = (array[~out] for array in (starts, ends, low, high))
    count = np.clip(np.linalg.norm(high - low, axis=1) / STEP_PX, 1, MOST_STEPS).astype(int)
    which = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    share = (nth / count[which])[:, None], ((nth + 1) / count[which])[:, None]
    places = [starts[which] + part * (ends - starts)[which] for part in share]
    pixels = [camera.project(place)[0] for place in places]
    # A stretch is seen if its middle is, by rays that stop a little short of the edge itself.
    seen = unhidden(site, camera.eye, (places[0] + places[1]) / 2)
    return np.stack(pixels, axis=1).reshape(-1, 2, 2), seen


def _before(camera: Camera, starts: Array, ends: Array) -> tuple[Array, Array]:
    """The edges cut off where they would run behind the camera."""
    ahead, near = camera.axes[2], 0.2
    a, b = (starts - camera.eye) @ ahead, (ends - camera.eye) @ ahead
    kept = (a > near) | (b > near)
    starts, ends, a, b = starts[kept].copy(), ends[kept].copy(), a[kept], b[kept]
    for own, other, depth, depth2 in ((starts, ends, a, b), (ends, starts, b, a)):
        cut = depth < near
        share = ((near - depth2[cut]) / (depth[cut] - depth2[cut]))[:, None]
        own[cut] = other[cut] + share * (own[cut] - other[cut])
    return starts, ends


def edges_of(site: Site) -> tuple[Array, Array]:
    """Starts and ends (k, 3) of the edges of all that is built [m]; plants have none."""
    plants = plants_of(site)
    found: list[tuple[Array, Array]] = []
    for patch in site.patches:
        if (
            patch.owner not in plants
            and patch.owner != "ground"
            and not patch.name.endswith(LEFT_OUT)
        ):
            found += _tube_edges(patch) if patch.tube else list(_patch_edges(patch))
    for mesh in site.meshes:
        if mesh.owner not in plants:
            found.append(_mesh_edges(mesh))
    if not found:
        return np.zeros((0, 3)), np.zeros((0, 3))
    starts, ends = (np.concatenate([pair[k] for pair in found]) for k in (0, 1))
    return starts, ends


def _patch_edges(patch: Patch) -> Iterator[tuple[Array, Array]]:
    """The outer edges of a flat patch, but for those where it was merely cut in pieces; and of a
    wall the edges of its openings."""
    left, right, bottom, top = patch.real_edges
    width, height = patch.size
    holes = not patch.name.endswith(("frame", "leaf"))
    for part in shapely.get_parts(patch.outline):
        for ring in (part.exterior, *(part.interiors if holes else ())):
            uv = np.asarray(ring.coords)
            a, b = uv[:-1], uv[1:]
            cut = np.zeros(len(a), bool)
            for real, axis, at in (
                (left, 0, 0.0),
                (right, 0, width),
                (bottom, 1, 0.0),
                (top, 1, height),
            ):
                if not real:
                    cut |= (np.abs(a[:, axis] - at) < 1e-6) & (np.abs(b[:, axis] - at) < 1e-6)
            ends = [patch.place(end[~cut, 0], end[~cut, 1])[0] for end in (a, b)]
            yield ends[0], ends[1]


def _tube_edges(patch: Patch) -> list[tuple[Array, Array]]:
    """The two rims of a tube and four lines along it."""
    width, height = patch.size
    u = np.linspace(0, width, 17)
    rims = [patch.place(u, np.full_like(u, v))[0] for v in (0.0, height)]
    return [*((rim[:-1], rim[1:]) for rim in rims), (rims[0][:-1:4], rims[1][:-1:4])]


def _mesh_edges(mesh: Mesh) -> tuple[Array, Array]:
    """The edges of a mesh that are bent or open; vertices at one place count as one."""
    _, first, same = np.unique(
        np.round(mesh.vertices, 4), axis=0, return_index=True, return_inverse=True
    )
    faces = same.ravel()[mesh.faces]
    corner = mesh.vertices[first][faces]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-30
    pairs = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edge, which, count = np.unique(pairs, axis=0, return_inverse=True, return_counts=True)
    which = which.ravel()
    # Two faces an edge: their normals' sum is as long as twice the cosine of half the bend.
    total = np.zeros((len(edge), 3))
    np.add.at(total, which, np.repeat(normal, 3, axis=0))
    bent = np.linalg.norm(total, axis=1) < 2.0 * np.cos(np.radians(BEND_DEG / 2))
    kept = edge[(count != 2) | bent]
    return mesh.vertices[first][kept[:, 0]], mesh.vertices[first][kept[:, 1]]
