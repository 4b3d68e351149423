"""What is read on the client page: controls, plain pictures, findings. Every name is escaped."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from nightview.handover.page_frames import Drawn
from nightview.handover.page_parts import Parts
from nightview.handover.page_photo import OnPhoto, day_picture
from nightview.picture.draw import Frame, scattered
from nightview.picture.tone import develop

STEP_K = 50.0
"""Of the sliders of colour temperature."""
PHOTO_QUALITY = 88


def controls(
    parts: Parts, views: Sequence[str], prices: Mapping[str, str], span_k: tuple[float, float],
    photos: bool,
) -> str:  # fmt: skip
    """All that can be set; span_k : colour temperatures of the sliders [K]; photos : whether there
    are any, whose day can be compared."""
    lowest, highest = span_k

    def warmth(extra: str) -> str:
        return (
            f'<label class="row">Colour temperature <span class="value" aria-hidden="true"></span><input type="range" {extra} '
            f'min="{lowest:.0f}" max="{highest:.0f}" step="{STEP_K:.0f}"></label>'
        )

    def choice(legend: str, name: str, texts: Sequence[str]) -> str:
        rows = "".join(
            f'<label class="choice"><input type="radio" name="{name}" value="{n}"{" checked" * (n == 0)}>{text}</label>'
            for n, text in enumerate(texts)
        )
        return f"<fieldset><legend>{legend}</legend>{rows}</fieldset>"

    options = [
        escape(label)
        + (f' <span class="price">{escape(prices[name])}</span>' if name in prices else "")
        for name, label in zip(parts.options, parts.labels, strict=True)
    ]
    by_day = '<option value="day">the photo by day</option>' if photos else ""
    against = "".join(
        f'<option value="{n}">{escape(label)}</option>' for n, label in enumerate(parts.labels)
    )
    zones = "".join(
        f'<fieldset data-zone="{n}"><legend>{escape(name)}</legend>'
        '<label><input type="checkbox" name="on">Switched on</label>'
        '<label class="row">Brightness <span class="value" aria-hidden="true"></span>'
        '<input type="range" name="dim" min="0" max="100" step="1"></label>'
        f"{warmth('name=cct')}</fieldset>\n"
        for n, name in enumerate(parts.zones)
    )
    every = (
        f"<fieldset><legend>All lamps</legend>{warmth('id=all')}"
        '<button type="button" id="again">Back to what the option sets</button></fieldset>'
    )
    return "\n".join(
        (
            choice("View", "view", [escape(name) for name in views]),
            choice("Option", "option", options),
            '<fieldset><legend>Compare</legend><label>Left of a line show <select id="against">'
            '<option value="none">nothing else</option><option value="off">lamps off</option>'
            f"{by_day}"
            f"{against}</select></label></fieldset>",
            zones + every,
        )
    )


def plain_pictures(drawn: Drawn, ev100: float) -> str:
    """The design, and the same without its lamps, as plain pictures."""
    return "\n".join(
        _figure(drawn.name, _shown(frame, ev100), told, "calculated picture")
        for frame, told in ((drawn.designed, "as designed"), (drawn.before, "lamps off"))
    )


def plain_photo(on: OnPhoto, ev100: float) -> str:
    """A photo by day, and the design on it, as plain pictures."""
    name = on.drawn.name
    night = _figure(name, _shown(on.drawn.designed, ev100), "as designed", on.note)
    return f"{_figure(name, on.day, 'by day', 'photo')}\n{night}"


def _figure(name: str, pixels: NDArray[np.uint8], told: str, kind: str) -> str:
    words, kind = f"{escape(name)}, {told}", escape(kind)
    data = _base64(day_picture(pixels, PHOTO_QUALITY))
    caption = f"{words}. {kind}" if kind.endswith(".") else words
    return (
        f'<figure><img src="data:image/jpeg;base64,{data}" alt="{words}: {kind}">'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def _shown(frame: Frame, ev100: float) -> NDArray[np.uint8]:
    return develop(scattered(frame, ev100).luminance, ev100, frame.edges)


def sections(
    parts: Parts, sentences: Sequence[str], prices: Mapping[str, str], film: bytes | None
) -> str:
    """Options with their prices, findings and film, those that are given."""
    found = []
    if prices:
        rows = "".join(
            f'<tr><th scope="row">{escape(label)}</th><td>{escape(prices[name])}</td></tr>'
            for name, label in zip(parts.options, parts.labels, strict=True)
            if name in prices
        )
        table = f"<table><caption>Each option and its price</caption><tbody>{rows}</tbody></table>"
        found.append(_section("options", "Options", table))
    if sentences:
        told = "".join(f"<li>{escape(text)}</li>" for text in sentences)
        found.append(_section("findings", "What was found", f"<ol>{told}</ol>"))
    if film is not None:
        video = (
            '<video controls loop playsinline preload="metadata" aria-label="Once round the house, without sound" '
            f'src="data:video/mp4;base64,{_base64(film)}"></video>'
        )
        found.append(_section("film", "Round the house", video))
    return "\n".join(found)


def _section(key: str, head: str, body: str) -> str:
    return (
        f'<section class="{key}" aria-labelledby="{key}-head"><h2 id="{key}-head">{head}</h2>{body}'
        "</section>"
    )


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")
