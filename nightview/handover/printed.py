"""A document as pages of A4 or Letter, for one PDF: text laid out by measured widths.

The pages are drawings like the plan's, and go through the same painter: the plan is then a page
among them, the typeface is embedded, and the same document gives the same bytes. Each page ends
with the cautions.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import shapely

from nightview.handover.document import Block, Document, Figure, Note, Points, Rows, Sheet
from nightview.plan import paint
from nightview.plan.drawing import (
    GREY,
    INK,
    MM_PER_PT,
    PALE,
    WHITE,
    Area,
    Drawing,
    Mark,
    Text,
    polyline,
    width_of,
)
from nightview.plan.papers import PAPERS
from nightview.scene.cautions import CAUTIONS

MARGIN_MM = 13.0
BODY, HEAD, TITLE, SMALL = 9.0, 10.5, 14.0, 6.0
TABLE_SIZES = (8.0, 7.5, 7.0, 6.5, 6.0)
"""Sizes of type of tables [pt]: the largest that fits is taken."""
LINE = 1.32
"""Lines apart, in sizes of type."""
CELL_MM = 1.1
"""Room on both sides of a cell's text."""
WRITE_MM, CROWDED_WRITE_MM, MOST_WRITE_MM = 20.0, 13.0, 40.0
"""How wide a column is that is left to be filled in; where there are many columns; and how much more
it takes where there is room."""


def pdf(document: Document, paper: str) -> bytes:
    """The document on a paper, "A4" or "Letter", as PDF."""
    return paint.pdf(pages(document, paper))


def pages(document: Document, paper: str) -> list[Drawing]:
    """The document's pages, each a drawing [mm]."""
    found: list[Drawing] = []
    for number, sheet in enumerate(document.sheets):
        setter = _Setter(document, sheet, paper)
        if number == 0 and document.about:
            setter.add(Note(document.about))
        for block in sheet.blocks:
            setter.add(block)
        found += setter.finished()
    total = len(found)
    return [_numbered(page, n, total) for n, page in enumerate(found, 1)]


def _numbered(page: Drawing, number: int, total: int) -> Drawing:
    """The page with its number in the upper right corner, clear of a plan's frame."""
    told = f"{number} / {total}"
    mark = Text((page.width - MARGIN_MM, page.height - 6.5), told, SMALL, "right", colour=GREY)
    return replace(page, marks=(*page.marks, mark))


def lines_of(text: str, size: float, room: float, bold: bool = False) -> list[str]:
    """The text in lines no wider than room [mm]; a longer word is cut into pieces that fit."""
    lines: list[str] = []
    for word in words_of(text):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(joined, size, bold) <= room:
            lines[-1] = joined
            continue
        *full, word = _pieces(word, size, room, bold)
        lines += [*full, word]
    return lines or [""]


def words_of(text: str) -> list[str]:
    """The words between which a line may end: not at a no-break space."""
    return [word for word in re.split(r"[ \t\r\n]+", text) if word]


def _pieces(word: str, size: float, room: float, bold: bool) -> Iterator[str]:
    while len(word) > 1 and width_of(word, size, bold) > room:
        fits = max(1, next(n for n in range(1, len(word) + 1)
                           if width_of(word[:n], size, bold) > room) - 1)  # fmt: skip
        yield word[:fits]
        word = word[fits:]
    yield word


# --- columns --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Columns:
    """Widths of a table's columns [mm] and its size of type [pt]; split : whether words had to be
    cut to make it fit."""

    widths: tuple[float, ...]
    size: float
    split: bool


def _columns(rows: Rows, room: float) -> _Columns:
    for size in TABLE_SIZES:
        least, natural = _needs(rows, size)
        if sum(least) <= room:
            blank = [not any(row[k] for row in rows.rows) for k in range(len(rows.heads))]
            return _Columns(_shared(least, natural, blank, room), size, False)
    size = TABLE_SIZES[-1]
    least, _ = _needs(rows, size)
    # Long words are cut: what is wider than its fair share gives way.
    cap = room
    while sum(min(width, cap) for width in least) > room:
        cap *= 0.95
    return _Columns(tuple(min(width, cap) for width in least), size, True)


def _needs(rows: Rows, size: float) -> tuple[list[float], list[float]]:
    """What each column needs at least, so that no word is cut, and what it would take [mm]."""
    least, natural = [], []
    blank = WRITE_MM if len(rows.heads) <= 9 else CROWDED_WRITE_MM
    for k, head in enumerate(rows.heads):
        cells = [row[k] for row in rows.rows]
        texts = [(head, True), *((cell, k == 0) for cell in cells)]
        words = [(word, bold) for text, bold in texts for word in words_of(text)]
        if head in rows.figures:
            words += [(cell, k == 0) for cell in cells]
        longest = max((width_of(word, size, bold) for word, bold in words), default=0.0)
        whole = max(width_of(text, size, bold) for text, bold in texts)
        if rows.rows and not any(cells):
            longest = whole = max(longest, whole, blank)
        least.append(longest + 2 * CELL_MM)
        natural.append(max(longest, whole) + 2 * CELL_MM)
    return least, natural


def _shared(
    least: Sequence[float], natural: Sequence[float], blank: Sequence[bool], room: float
) -> tuple[float, ...]:
    """Widths that fill the room at most, the columns that want more getting it in proportion."""
    spare = room - sum(natural)
    if spare >= 0:  # what is left over goes to the columns that are written in
        more = spare / sum(blank) if any(blank) else 0.0
        return tuple(n + min(more, MOST_WRITE_MM) * b for n, b in zip(natural, blank, strict=True))
    wish = [b - a for a, b in zip(least, natural, strict=True)]
    share = (room - sum(least)) / sum(wish)
    return tuple(a + share * more for a, more in zip(least, wish, strict=True))


def _wants_width(rows: Rows, width: float) -> bool:
    """Whether a table is better off on a sheet that lies: it has many columns, and is crowded."""
    room = width - 2 * MARGIN_MM
    if _columns(rows, room).size < TABLE_SIZES[2]:
        return True
    return len(rows.heads) > 9 and sum(_needs(rows, TABLE_SIZES[1])[1]) > room


# --- pages ----------------------------------------------------------------------------------------


@dataclass(eq=False)
class _Setter:
    """Sets one sheet, page after page, from the top down."""

    document: Document
    sheet: Sheet
    paper: str
    done: list[Drawing] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    y: float = 0.0

    def __post_init__(self) -> None:
        paper = PAPERS[self.paper.lower()]
        self.width, self.height = paper.short_mm, paper.long_mm
        if any(_wants_width(b, paper.short_mm) for b in self.sheet.blocks if isinstance(b, Rows)):
            self.width, self.height = self.height, self.width
        self.room = self.width - 2 * MARGIN_MM
        self.cautions = lines_of("Cautions. " + " ".join(CAUTIONS), SMALL, self.room)
        self.low = MARGIN_MM - 4.0 + len(self.cautions) * _step(SMALL) + 3.0
        self._begin()

    def finished(self) -> list[Drawing]:
        """All pages of the sheet."""
        if self.marks and self.y < self.top:
            self._end()
        return self.done

    def add(self, block: Block) -> None:
        """Set a block, on as many pages as it takes."""
        if isinstance(block, Note):
            self._text(block.text, BODY, bold=block.strong)
            self.y -= 1.2
        elif isinstance(block, Points):
            self._points(block)
        elif isinstance(block, Rows):
            self._rows(block)
        else:
            self._figure(block)

    # --- page ends

    def _begin(self) -> None:
        self.marks = []
        self.y = self.height - MARGIN_MM
        left, right = MARGIN_MM, self.width - MARGIN_MM
        more = ", continued" if self.done else ""
        for line in lines_of(self.document.title, SMALL + 1, self.room - 15.0):
            self.marks.append(Text((left, self.y + 2.0), line, SMALL + 1, colour=GREY))
            self.y -= _step(SMALL + 1)
        for line in lines_of(self.sheet.title + more, TITLE, self.room, True):
            self.y -= TITLE * MM_PER_PT
            self.marks.append(Text((left, self.y + 1.5), line, TITLE, bold=True))
        self.marks.append(polyline([(left, self.y - 0.8), (right, self.y - 0.8)], width=0.5))
        self.y -= 4.0
        self.top = self.y

    def _end(self) -> None:
        left, right = MARGIN_MM, self.width - MARGIN_MM
        self.marks.append(polyline([(left, self.low - 1.0), (right, self.low - 1.0)], colour=GREY))
        y = self.low - 1.5
        for line in self.cautions:
            y -= _step(SMALL)
            self.marks.append(Text((left, y + 0.6), line, SMALL, colour=INK))
        title = f"{self.document.title}: {self.sheet.title}"
        self.done.append(Drawing(self.width, self.height, title, tuple(self.marks)))

    def _need(self, height: float) -> None:
        """A new page where so much is not left, if that helps."""
        if self.y - height < self.low and self.y < self.top:
            self._end()
            self._begin()

    # --- blocks

    def _text(self, text: str, size: float, bold: bool = False, left: float = 0.0) -> None:
        for line in lines_of(text, size, self.room - left, bold):
            self._need(_step(size))
            self.y -= _step(size)
            self.marks.append(Text((MARGIN_MM + left, self.y + 1.0), line, size, bold=bold))

    def _points(self, points: Points) -> None:
        indent = 6.5
        if points.title:
            self._need(3 * _step(HEAD))
            self.y -= 1.5
            self._text(points.title, HEAD, bold=True)
        for n, text in enumerate(points.texts, 1):
            rows = len(lines_of(text, BODY, self.room - indent))
            self._need(min(rows * _step(BODY), self.top - self.low))
            x, y = MARGIN_MM + 1.0, self.y - _step(BODY) + 1.0
            if points.kind == "steps":
                self.marks.append(Text((x + 3.5, y), f"{n}", BODY, "right", bold=True))
            elif points.kind == "ticks":
                box = shapely.box(x, y - 0.5, x + 3.0, y + 2.5)
                self.marks.append(Area(box, WHITE, edge=INK, width=0.3))
            else:
                dot = shapely.Point(x + 1.5, y + 1.0).buffer(0.45)
                self.marks.append(Area(dot, INK))
            self._text(text, BODY, left=indent)
            self.y -= 0.9
        self.y -= 1.5

    def _rows(self, rows: Rows) -> None:
        columns = _columns(rows, self.room)
        step = _step(columns.size)
        edges = [MARGIN_MM]
        for width in columns.widths:
            edges.append(edges[-1] + width)

        def wrapped(texts: Sequence[str], head: bool) -> list[list[str]]:
            return [
                lines_of(text, columns.size, columns.widths[k] - 2 * CELL_MM, head or k == 0)
                for k, text in enumerate(texts)
            ]

        def put(cells: list[list[str]], head: bool) -> None:
            height = max(map(len, cells)) * step + 1.2
            if head:
                band = shapely.box(edges[0], self.y - height, edges[-1], self.y)
                self.marks.append(Area(band, PALE, alpha=0.45))
            for k, lines in enumerate(cells):
                right = rows.heads[k] in rows.figures
                x = edges[k + 1] - CELL_MM if right else edges[k] + CELL_MM
                for n, line in enumerate(lines):
                    if line:
                        at = (x, self.y - 0.5 - (n + 1) * step + 0.9)
                        self.marks.append(
                            Text(at, line, columns.size, "right" if right else "left",
                                 bold=head or k == 0)
                        )  # fmt: skip
            self.y -= height
            ends = [(edges[0], self.y), (edges[-1], self.y)]
            self.marks.append(
                polyline(ends, colour=INK if head else GREY, width=0.3 if head else 0.15)
            )

        heads = wrapped(rows.heads, True)
        cells = [wrapped(row, False) for row in rows.rows]
        head_mm = max(map(len, heads)) * step + 1.2
        first = max(map(len, cells[0])) * step + 1.2 if cells else 0.0
        self._need(_step(BODY) + 2.5 + head_mm + first)
        self.y -= 1.5
        self._text(rows.title, BODY, bold=True)
        self.y -= 0.8
        put(heads, True)
        for row in cells:
            if self.y - max(map(len, row)) * step - 1.2 < self.low and self.y < self.top:
                self._end()
                self._begin()
                put(heads, True)
            put(row, False)
        self.y -= 3.0

    def _figure(self, figure: Figure) -> None:
        if self.paper not in figure.drawings:
            return
        if self.y < self.top:
            self._end()
        self.done.append(figure.drawings[self.paper])
        self._begin()


def _step(size: float) -> float:
    return size * MM_PER_PT * LINE
