"""How our pages look: ink and paper, and the style sheet that all of them begin with."""

from __future__ import annotations

COLOURS: dict[str, tuple[str, str]] = {
    "page": ("#1b1d20", "#ffffff"), "quiet": ("#55595f", "#ffffff"), "head": ("#1b1d20", "#eef0ee"),
    "strong": ("#ffffff", "#7c1f1a"), "warn": ("#3d2b00", "#f2d58a"), "taste": ("#16384f", "#dbe8f1"),
    "good": ("#173d2a", "#d9ebdf"), "link": ("#1d4f73", "#ffffff"),
}  # fmt: skip
"""Ink and paper of each kind of text. Verdicts are words; colour only helps to find them."""


def base(width_rem: int) -> str:
    """The style sheet of a page no wider than so much: type, headings, links, tables, pictures."""
    ink, paper = COLOURS["page"]
    return f"""\
body {{ margin: 0 auto; max-width: {width_rem}rem; padding: 1.5rem; color: {ink}; background: {paper};
  font: 1rem/1.5 system-ui, "DejaVu Sans", sans-serif; }}
h1 {{ font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }}
h2 {{ font-size: 1.25rem; margin: 2.2rem 0 .6rem; border-bottom: 2px solid {ink}; }}
h3 {{ font-size: 1.05rem; margin: 1.4rem 0 .4rem; }}
.note, figcaption, caption, .cautions {{ {inked("quiet")} }}
nav ul {{ padding: 0; display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; list-style: none; }}
a {{ {inked("link")} }}
table {{ border-collapse: collapse; width: 100%; margin: .5rem 0 1rem; font-size: .92rem; }}
caption {{ text-align: left; padding-bottom: .2rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .25rem .6rem .25rem 0;
  border-bottom: 1px solid #c9ccc9; }}
thead th {{ {inked("head")} }}
tbody th {{ font-weight: 600; }}
figure {{ margin: 1rem 0; }}
img {{ display: block; width: 100%; height: auto; border: 1px solid #c9ccc9; }}
"""


def inked(kind: str) -> str:
    """Ink and paper of a kind of text, as style."""
    ink, paper = COLOURS[kind]
    return f"color: {ink}; background: {paper};"
