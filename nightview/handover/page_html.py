"""What is read on the client page: controls, plain pictures, findings. Every name is escaped."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping, Sequence
from html import escape

from PIL import Image

from nightview.handover.page_frames import Drawn
from nightview.handover.page_parts import Parts
from nightview.picture.draw import Frame, scattered
from nightview.picture.tone import develop

STEP_K = 50.0
"""Of the sliders of colour temperature."""
PHOTO_QUALITY = 88


def controls(
    parts: Parts, views: Sequence[str], prices: Mapping[str, str], span_k: tuple[float, float]
) -> str:
    """All that can be set; span_k : colour temperatures of the sliders [K]."""
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
            f"{against}</select></label></fieldset>",
            zones + every,
        )
    )


def plain_pictures(drawn: Drawn, ev100: float) -> str:
    """The design, and the same without its lamps, as plain pictures."""
    name = escape(drawn.view.name)
    return "\n".join(
        f'<figure><img src="data:image/jpeg;base64,{_base64(_photo(frame, ev100))}" '
        f'alt="{name}, {told}: calculated picture"><figcaption>{name}, {told}</figcaption></figure>'
        for frame, told in ((drawn.designed, "as designed"), (drawn.before, "lamps off"))
    )


def _photo(frame: Frame, ev100: float) -> bytes:
    pixels = develop(scattered(frame, ev100).luminance, ev100, frame.edges)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=PHOTO_QUALITY, optimize=True)
    return file.getvalue()


def sections(
    parts: Parts, sentences: Sequence[str], prices: Mapping[str, str], film: bytes | None
) -> str:
    """Options with their prices, findings and film, those that are given."""
    found = []
    if prices:
        rows = "".join(
            f'<tr><th scope="row">{escape(label)}</th><td>{escape(prices.get(name, "no price given"))}</td></tr>'
            for name, label in zip(parts.options, parts.labels, strict=True)
        )
        table = f"<table><caption>Each option and its price</caption><tbody>{rows}</tbody></table>"
        found.append(_section("options", "Options", table))
    if sentences:
        told = "".join(f"<li>{escape(text)}</li>" for text in sentences)
        found.append(_section("findings", "What was found", f"<ol>{told}</ol>"))
    if film is not None:
        video = (
            '<video controls playsinline preload="metadata" aria-label="A walk round the house" '
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
