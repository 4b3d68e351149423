"""A document as one HTML file that asks nothing of any network and prints on A4 or Letter.

Which paper is chosen on the page itself, by CSS alone. Every text is escaped.
"""

from __future__ import annotations

import base64
import io
import re
from html import escape

from PIL import Image

from nightview.checks.style import COLOURS, base, inked
from nightview.checks.words import NOTE
from nightview.handover.document import Block, Document, Figure, Note, Points, Rows, Sheet
from nightview.plan import paint
from nightview.scene.cautions import CAUTIONS

MAKER = "nightview pack"
PAPERS = ("A4", "Letter")
FIGURE_DPI = 160
_LONG = re.compile(r"\S{20}(?=\S)")


def html(document: Document, paper: str = "A4") -> str:
    """The page; paper : the one that is chosen at first. The same document gives the same text."""
    title = escape(document.title)
    links = "".join(f'<li><a href="#{s.key}">{escape(s.title)}</a></li>' for s in document.sheets)
    choice = "".join(
        f'<label><input type="radio" name="paper" id="{name}"{" checked" * (name == paper)}> '
        f"{name}</label> "
        for name in PAPERS
    )
    body = "".join(_sheet(sheet, paper, title) for sheet in document.sheets)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="{MAKER}">\n<title>{title}</title>\n'
        f"<style>\n{_css()}</style>\n</head>\n<body>\n<header><h1>{title}</h1>\n"
        f'<p>{escape(document.about)}</p>\n<p class="note">{escape(NOTE)}</p></header>\n'
        f'<fieldset class="paper"><legend>Paper to print on</legend>{choice}</fieldset>\n'
        f'<nav aria-label="Sheets"><ul>{links}</ul></nav>\n<main>\n{body}</main>\n</body>\n</html>\n'
    )


def _sheet(sheet: Sheet, paper: str, title: str) -> str:
    """title : of the document, escaped: it stands on every printed sheet."""
    wide = any(isinstance(block, Rows) and len(block.heads) > 9 for block in sheet.blocks)
    # Drawings come last: they have pages, and cautions, of their own.
    blocks = sorted(sheet.blocks, key=lambda block: isinstance(block, Figure))
    parts = [_block(block, paper) for block in blocks]
    drawn = sum(isinstance(block, Figure) for block in blocks)
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    parts.insert(
        len(parts) - drawn, f'<div class="cautions"><h3>Cautions</h3><ul>{cautions}</ul></div>'
    )
    return (
        f'<section id="{sheet.key}"{" class=wide" * wide} aria-labelledby="{sheet.key}-head">'
        f'<p class="of" aria-hidden="true">{title}</p>'
        f'<h2 id="{sheet.key}-head">{escape(sheet.title)}</h2>{"".join(parts)}</section>\n'
    )


def _cell(text: str) -> str:
    """A text in a table, with places in its longest words where a line may end."""
    return "<wbr>".join(map(escape, _LONG.sub("\\g<0>\0", text).split("\0")))


def _block(block: Block, paper: str) -> str:
    if isinstance(block, Note):
        text = escape(block.text)
        return f"<p><strong>{text}</strong></p>" if block.strong else f"<p>{text}</p>"
    if isinstance(block, Points):
        head = f"<h3>{escape(block.title)}</h3>" if block.title else ""
        tag = "ol" if block.kind == "steps" else "ul"
        box = (
            '<span class="box" role="img" aria-label="to tick"></span>'
            if block.kind == "ticks" else ""
        )  # fmt: skip
        items = "".join(f"<li>{box}{escape(text)}</li>" for text in block.texts)
        return f'{head}<{tag} class="{block.kind}">{items}</{tag}>'
    if isinstance(block, Rows):
        return _table(block)
    return _figure(block, paper)


def _table(rows: Rows) -> str:
    def cells(texts: tuple[str, ...], head: bool) -> str:
        found = []
        for k, (name, text) in enumerate(zip(rows.heads, texts, strict=True)):
            side = " class=n" if name in rows.figures else ""
            if head:
                found.append(f'<th scope="col"{side}>{escape(text)}</th>')
            elif k == 0:
                found.append(f'<th scope="row"{side}>{_cell(text)}</th>')
            else:
                found.append(f"<td{side}>{_cell(text)}</td>")
        return "".join(found)

    body = "".join(f"<tr>{cells(row, False)}</tr>" for row in rows.rows)
    return (
        f'<div class="scroll"><table><caption>{escape(rows.title)}</caption><thead><tr>'
        f"{cells(rows.heads, True)}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _figure(figure: Figure, paper: str) -> str:
    drawing = figure.drawings.get(paper)
    if drawing is None:
        return ""
    file = io.BytesIO()
    Image.fromarray(paint.pixels(drawing, FIGURE_DPI)).quantize(128).save(
        file, "png", optimize=True
    )
    data = base64.b64encode(file.getvalue()).decode("ascii")
    lying = " class=lying" if drawing.width > drawing.height else ""
    return (
        f'<figure{lying}><img src="data:image/png;base64,{data}" alt="{escape(figure.told)}">'
        f"<figcaption>{escape(figure.title)}</figcaption></figure>"
    )


def _css() -> str:
    ink, quiet = COLOURS["page"][0], inked("quiet")
    sizes = {"A4": ("A4", "A4 landscape"), "Letter": ("letter", "letter landscape")}
    pages = "".join(
        f"@page {name} {{ size: {size[0]}; margin: 12mm; }}\n"
        f"@page {name}-wide {{ size: {size[1]}; margin: 12mm; }}\n"
        f"@page {name}-figure {{ size: {size[0]}; margin: 0; }}\n"
        f"@page {name}-lying {{ size: {size[1]}; margin: 0; }}\n"
        f"body:has(#{name}:checked) main {{ page: {name}; }}\n"
        f"body:has(#{name}:checked) .wide {{ page: {name}-wide; }}\n"
        f"body:has(#{name}:checked) figure {{ page: {name}-figure; }}\n"
        f"body:has(#{name}:checked) figure.lying {{ page: {name}-lying; }}\n"
        for name, size in sizes.items()
    )
    return f"""\
{base(68)}th, td {{ min-width: 2.2rem; }}
fieldset {{ border: 1px solid #8b8f94; margin: 1rem 0; padding: .3rem .8rem; width: fit-content; }}
label {{ margin-right: 1rem; }}
.scroll {{ overflow-x: auto; }}
.n {{ text-align: right; font-variant-numeric: tabular-nums; }}
td.n {{ white-space: nowrap; }}
.of {{ display: none; }}
li {{ margin: .15rem 0; overflow-wrap: anywhere; }}
ul.ticks {{ list-style: none; padding-left: .2rem; }}
.box {{ display: inline-block; width: .8rem; height: .8rem; border: 1.5px solid {ink};
  margin-right: .6rem; vertical-align: -.1rem; }}
.cautions {{ font-size: .8rem; line-height: 1.35; }}
.cautions h3 {{ font-size: .9rem; }}
{pages}@media print {{
  body {{ max-width: none; padding: 0; font-size: 9.5pt; }}
  body > header, nav, .paper {{ display: none; }}
  .of {{ display: block; margin: 0; font-size: 7pt; {quiet} }}
  section {{ break-after: page; }}
  section:last-of-type {{ break-after: auto; }}
  h2, h3, caption {{ break-after: avoid; }}
  h2 {{ margin-top: 0; }}
  tr, li, .cautions {{ break-inside: avoid; }}
  thead {{ display: table-header-group; }}
  thead th {{ print-color-adjust: exact; -webkit-print-color-adjust: exact; }}
  .scroll {{ overflow: visible; }}
  table {{ font-size: 8pt; margin: .3rem 0 .6rem; }}
  th, td {{ padding: .12rem .4rem .12rem 0; }}
  .cautions {{ font-size: 6.5pt; }}
  .cautions h3 {{ margin: .3rem 0 0; font-size: 7pt; }}
  .cautions ul {{ columns: 2; margin: .1rem 0 0; padding-left: 1rem; }}
  figure {{ break-before: page; break-after: page; margin: 0; }}
  figure img {{ border: 0; max-height: 99vh; object-fit: contain; }}
  figcaption {{ display: none; }}
}}
"""
