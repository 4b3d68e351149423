"""The client page: one HTML file in which the light of each view can be switched, dimmed and tinted.

It asks nothing of any network. Each view is a picture of every part of its light (``page_parts``),
added up in the browser as the stills are (``page_draw.js``). Without scripts or graphics the same
file shows plain pictures, and so does paper.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nightview.checks.words import NOTE
from nightview.errors import NightviewError
from nightview.handover.page_coding import KNEE, coded
from nightview.handover.page_edges import EDGE_FROM, FACTOR_CODES, PEAK_CODES, edge_picture
from nightview.handover.page_frames import Drawn, Progress, draw_parts
from nightview.handover.page_html import (
    PHOTO_QUALITY,
    STEP_K,
    controls,
    plain_photo,
    plain_pictures,
    sections,
)
from nightview.handover.page_model import SKY_STEPS, Model, model_of
from nightview.handover.page_parts import Parts, parts_of
from nightview.handover.page_photo import OnPhoto, day_picture, draw_photos
from nightview.handover.page_tone import constants, scatter, threshold_tile
from nightview.lamps.colour import rgb_of_cct
from nightview.lamps.dimming import dimmed
from nightview.light.field import LightField
from nightview.light.rays import Array32
from nightview.picture.draw import scattered
from nightview.picture.exposure import luminance_of_ev100
from nightview.picture.files import write_beside
from nightview.picture.still import exposure_of
from nightview.scene.cautions import CAUTIONS
from nightview.scene.model import View
from nightview.scene.views import view_of

MAKER = "nightview pack"
MOST_BYTES = 8_000_000
"""A larger file does not pass as an attachment."""
SIZE = (960, 540)
SMALLEST_PX = 480
ROOM_FOR_WORDS = 200_000

ALL_ROUND = "All round: turn the house"
LOWEST_EYE_M = 1.6

WARMEST_K, COOLEST_K = 2700.0, 4000.0
"""What the sliders span, unless a lamp of the scene lies outside."""
LOWEST_K = 1000.0
"""Of the table of colours: a filament dimmed to a tenth."""
LEVELS = 101


@dataclass(frozen=True)
class Written:
    """What a page holds. size : of its pictures [px]. notes : what was left out or made smaller, in
    plain words."""

    size: tuple[int, int]
    notes: tuple[str, ...]


def write_page(
    path: str | os.PathLike[str],
    field: LightField,
    views: Sequence[View | str] | None = None,
    *,
    size: tuple[int, int] = SIZE,
    sentences: Sequence[str] = (),
    prices: Mapping[str, str] | None = None,
    film: str | os.PathLike[str] | None = None,
    report: Progress | None = None,
) -> Written:
    """Write the client page of a scene whose light is traced.

    views : by name or as Views; all of the scene by default. size : of the pictures [px]; smaller
    where the file would not fit into ``MOST_BYTES`` otherwise.
    sentences : the findings in plain words. prices : a price as it is to be read, by the name of a
    state or "as designed". film : an mp4 to go along if it fits.
    report : told done, of how many, what.
    Errors: NightviewError for an unknown view or state, no view at all, a film that cannot be read,
    where nothing can be drawn or written, or where even small pictures do not fit.
    """
    known = field.site.scene.views
    chosen = [
        view_of(known, view) if isinstance(view, str) else view
        for view in (known if views is None else views)
    ]
    if not chosen:
        raise NightviewError("view", "the client page shows at least one", "add a [[view]] table")
    parts, told = parts_of(field), prices or {}
    for name in told:
        if name not in parts.options:
            options = ", ".join(f'"{option}"' for option in parts.options)
            raise NightviewError(
                f'price of "{name}"', "is no state of this scene", f"use {options}"
            )
    moving = None if film is None else film_of(film)
    page = _fitting(path, field, parts, chosen, size, report or (lambda done, of, what: None))
    notes = list(page.notes)
    if page.size != size:
        notes.append(
            f"The pictures are {page.size[0]} × {page.size[1]} pixels, not {size[0]} × {size[1]}: "
            f"so the page stays within {MOST_BYTES // 10**6} MB."
        )
    whole = page.html(sentences, told, moving)
    if moving is not None and len(whole) > MOST_BYTES:
        notes.append(f"The film is left out: with it the page has {len(whole) / 1e6:.1f} MB.")
        whole = page.html(sentences, told, None)
    write_beside(path, lambda beside: beside.write_bytes(whole))
    return Written(page.size, tuple(notes))


def film_of(path: str | os.PathLike[str]) -> bytes:
    """An mp4 file's content. NightviewError for one that cannot be read, or is none."""
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise NightviewError(
            str(path), f"the film cannot be read ({error.strerror})", "give an mp4 file, or none"
        ) from None
    if content[4:8] != b"ftyp":  # the first box of every mp4: ISO/IEC 14496-12
        raise NightviewError(str(path), "is no mp4 film", "make one with nightview turntable")
    return content


def _fitting(
    path: str | os.PathLike[str],
    field: LightField,
    parts: Parts,
    views: Sequence[View],
    size: tuple[int, int],
    progress: Progress,
) -> _Page:
    """The page in that size, or in the largest that fits."""
    ev100, most = exposure_of(field), MOST_BYTES - ROOM_FOR_WORDS
    model = model_of(field, parts.designed, ev100, size)
    while True:
        drawn, atlases = draw_parts(field, parts, views, size, ev100, model, progress)
        photos, notes = draw_photos(field, parts, size, ev100, progress)
        told = _data(parts, drawn, ev100)
        told["views"] += [_on_photo(one, ev100) for one in photos]
        turned = _model(model, atlases, size, ev100)
        told["views"] += [turned]
        plain = [plain_pictures(one, ev100) for one in drawn]
        plain += [plain_photo(one, ev100) for one in photos]
        names = [view["name"] for view in told["views"]]
        page = _Page(
            field, parts, size, names, _json(told), "\n".join(plain), bool(photos), tuple(notes)
        )
        if page.pictures_bytes <= most:
            return page
        same = len(_json(turned))  # the model is no smaller in a smaller picture
        room = max(most - same, 1) / max(page.pictures_bytes - same, 1)
        shrink = min(0.9, 0.97 * room**0.5)
        size = (2 * int(shrink * size[0] / 2), 2 * int(shrink * size[1] / 2))
        if size[0] < SMALLEST_PX:
            raise NightviewError(
                str(path), f"{len(views)} views do not fit into {MOST_BYTES // 10**6} MB",
                "name fewer views",
            )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Page:
    """All that takes long to make: pictures and their data; words come last."""

    field: LightField
    parts: Parts
    size: tuple[int, int]
    views: Sequence[str]
    data: str
    plain: str
    photos: bool
    notes: tuple[str, ...]

    @property
    def pictures_bytes(self) -> int:
        return len(self.data) + len(self.plain)

    def html(
        self, sentences: Sequence[str], prices: Mapping[str, str], film: bytes | None
    ) -> bytes:
        """The whole file."""
        style = _file("page.css")
        script = f"{_file('page_draw.js')}\n{_file('page.js')}"
        exposure = f"Exposure EV {exposure_of(self.field):.1f} in all pictures."
        text = Template(_file("page.html")).substitute(
            style=style,
            style_hash=_hash(style),
            script=script,
            script_hash=_hash(script),
            maker=MAKER,
            title=escape(self.field.site.scene.title),
            note=escape(NOTE),
            controls=controls(self.parts, self.views, prices, span(self.parts), self.photos),
            pictures=self.plain,
            sections=sections(self.parts, sentences, prices, film),
            cautions="".join(f"<li>{escape(text)}</li>" for text in CAUTIONS),
            facts=escape(f"{exposure} Calculated from a model in absolute units."),
            data=self.data,
        )
        return text.encode("utf-8")


def _file(name: str) -> str:
    return files("nightview.handover").joinpath(name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """As a content security policy names the one text that may stand there."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode()


def _json(value: object) -> str:
    """JSON that no name can break out of."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")


# --- what the script is given ---------------------------------------------------------------------


def _data(parts: Parts, drawn: Sequence[Drawn], ev100: float) -> dict[str, Any]:
    zones = list(parts.zones)
    layers: list[dict[str, object]] = [
        {"zone": zones.index(p.zone), "source": p.source, "share": p.share, "cct": p.cct_k}
        for p in parts.lamps
    ]
    layers += [{"factor": part.factor} for part in parts.scene]
    return {
        "options": parts.labels,
        "zones": [
            {
                "name": name,
                "settings": [
                    {"exists": s.exists, "on": s.on, "dim": s.dim, "cct": s.cct_k} for s in settings
                ],
            }
            for name, settings in parts.zones.items()
        ],
        "layers": layers,
        "views": [_view(one, ev100) for one in drawn],
        "colours": _colours(span(parts)[1]),
        "sources": {name: _source(name) for name in ("led", "halogen")},
        "tone": {**constants(KNEE), "edge": [FACTOR_CODES, PEAK_CODES, EDGE_FROM]},
        "tile": _base64(threshold_tile()),
    }


def _view(drawn: Drawn, ev100: float) -> dict[str, object]:
    unit = np.float32(luminance_of_ev100(ev100))
    height, width = drawn.designed.luminance.shape[:2]
    layers = [coded(layer / unit) for layer in drawn.layers]
    return {
        "name": drawn.name,
        "size": [width, height],
        "scatter": scatter((width, height), drawn.designed.camera.fov_deg),
        "layers": [layer and layer.told() for layer in layers],
        "edges": _base64(edge_picture(scattered(drawn.designed, ev100), ev100)),
    }


def _on_photo(on: OnPhoto, ev100: float) -> dict[str, object]:
    """A photo: a view like the others, with its day."""
    day = _base64(day_picture(on.day, PHOTO_QUALITY))
    return {**_view(on.drawn, ev100), "day": day, "note": on.note}


def _model(
    model: Model, atlases: Sequence[Array32], size: tuple[int, int], ev100: float
) -> dict[str, object]:
    """The house to turn: a view whose layers are of its surfaces and not of its picture."""
    unit = np.float32(luminance_of_ev100(ev100))
    layers = [coded(atlas / unit) for atlas in atlases]
    corners, where = model.triangles()
    leaves, ways = model.leaf_places()
    points, faces = model.mesh_corners()
    low, span = model.bounds
    orbit = model.orbit
    return {
        "name": ALL_ROUND,
        "size": list(size),
        "scatter": scatter(size, orbit.fov_deg),
        "layers": [layer and layer.told() for layer in layers],
        "model": {
            "size": list(model.size),
            "low": _rounded(low),
            "span": _rounded(span),
            "points": model.points,
            "sky": [model.sky_row, SKY_STEPS],
            "centre": _rounded(orbit.centre),
            "radius": round(orbit.radius_m, 3),
            "least": round(min(orbit.height_m, LOWEST_EYE_M), 3),
            "bearing": round(orbit.start_deg, 2),
            "fov": orbit.fov_deg,
            "corners": _binary(corners),
            "where": _binary(where),
            "leaves": _binary(leaves),
            "ways": _binary(ways),
            "mesh": _binary(points),
            "faces": _binary(faces),
        },
    }


def _rounded(values: ArrayLike) -> list[float]:
    return [round(float(value), 4) for value in np.asarray(values, float)]


def _binary(values: NDArray[Any]) -> str:
    """Numbers as they lie in a browser's memory, little end first."""
    return _base64(np.ascontiguousarray(values, values.dtype.newbyteorder("<")).tobytes())


def span(parts: Parts) -> tuple[float, float]:
    """Colour temperatures of the sliders [K]: the usual ones and those of the scene."""
    own = [cct for part in parts.lamps for cct in part.cct_k]
    low = STEP_K * np.floor(min([WARMEST_K, *own]) / STEP_K)
    return float(low), float(STEP_K * np.ceil(max([COOLEST_K, *own]) / STEP_K))


def _colours(highest_k: float) -> dict[str, object]:
    """Linear sRGB of a black body in even steps; between two, a straight line errs less than 1e-3."""
    ccts = np.arange(LOWEST_K, highest_k + STEP_K + 1, STEP_K)
    table = [[round(float(c), 6) for c in rgb_of_cct(float(cct))] for cct in ccts]
    return {"from": LOWEST_K, "step": STEP_K, "rgb": table}


def _source(name: str) -> dict[str, list[float]]:
    """Lumens and colour temperature by level, 0 to 1 in even steps, as shares of those at 1."""
    nominal_k = 3000.0
    at = [dimmed(name, level, nominal_k) for level in np.linspace(0.0, 1.0, LEVELS).tolist()]
    return {
        "flux": [float(f"{one.flux:.7g}") for one in at],
        "redder": [round(one.cct_k / nominal_k, 6) for one in at],
    }
