"""Sheets of paper and the round scales that go with them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from nightview.errors import NightviewError

_METRIC = (10, 20, 25, 50, 75, 100, 125, 200, 250, 300, 400, 500, 750, 1000, 1250, 2000, 2500, 5000)
"""ISO 5455:1979 has 1, 2 and 5 with tens; 25, 75, 125, 250, 300 and 400 stand on common scale rulers [common
practice, no single source]."""
_INCH = (12, 16, 24, 32, 48, 64, 96, 120, 192, 240, 360, 480, 600, 720, 1200, 2400, 4800)
"""Architect's rulers from 1 in to 1/16 in = 1 ft, engineer's from 1 in = 10 ft on [common practice,
no single source]."""
_INCH_NAMES = {
    12: "1 in = 1 ft", 16: "3/4 in = 1 ft", 24: "1/2 in = 1 ft", 32: "3/8 in = 1 ft",
    48: "1/4 in = 1 ft", 64: "3/16 in = 1 ft", 96: "1/8 in = 1 ft", 192: "1/16 in = 1 ft",
} | {n: f"1 in = {n // 12} ft" for n in (120, 240, 360, 480, 600, 720, 1200, 2400, 4800)}  # fmt: skip
_LARGEST = 10_000


@dataclass(frozen=True)
class Paper:
    """A sheet: its sides [mm], and whether its users measure in feet and inches."""

    name: str
    short_mm: float
    long_mm: float
    inches: bool = False

    @property
    def scales(self) -> tuple[int, ...]:
        """Round scales, 1 to so many, largest drawing first."""
        return _INCH if self.inches else _METRIC

    def told(self, scale: float) -> str:
        """A scale as this paper's users write it."""
        ratio = f"1:{scale:g}"
        name = _INCH_NAMES.get(int(scale)) if self.inches and scale == int(scale) else None
        return f"{ratio} ({name})" if name else ratio


# ISO 216 and ANSI/ASME Y14.1; Letter, Legal and Tabloid as sold.
PAPERS = {
    paper.name.lower(): paper
    for paper in (
        Paper("A4", 210, 297), Paper("A3", 297, 420), Paper("A2", 420, 594), Paper("A1", 594, 841),
        Paper("A0", 841, 1189), Paper("Letter", 215.9, 279.4, True),
        Paper("Legal", 215.9, 355.6, True), Paper("Tabloid", 279.4, 431.8, True),
    )
}  # fmt: skip


def paper_of(text: str) -> Paper:
    """The paper of that name. Errors: NightviewError naming those there are."""
    found = PAPERS.get(text.strip().lower())
    if found is None:
        names = ", ".join(paper.name for paper in PAPERS.values())
        raise NightviewError("--paper", f'"{text}" is no paper known here', f"write one of {names}")
    return found


def scale_of(text: str) -> float:
    """The 50 of "1:50". Errors: NightviewError for anything else."""
    found = re.fullmatch(r"\s*1\s*[:/]\s*(\d+(?:\.\d+)?)\s*", text)
    scale = float(found[1]) if found else 0.0
    if not 1.0 <= scale <= _LARGEST:
        raise NightviewError(
            "--scale", f'"{text}" is no scale from 1:1 to 1:{_LARGEST}', 'write for example "1:50"'
        )
    return scale
