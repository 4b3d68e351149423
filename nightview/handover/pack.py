"""The parts of a hand-over: which there are, what each is made from, and how it is made."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from nightview.errors import NightviewError
from nightview.handover import quote_sheets, tryout
from nightview.handover.document import Document
from nightview.handover.facts import Facts, Progress
from nightview.handover.folder import Made, sha256
from nightview.handover.installer import installer
from nightview.handover.price_list import PriceList, price_list_of
from nightview.handover.printing import Print, printer
from nightview.handover.quote import Quote, quote_of
from nightview.handover.webpage import html
from nightview.scene.faults import choice
from nightview.scene.read import read
from nightview.scene.states import AS_DESIGNED, label_of
from nightview.scene.styled import in_feet

PARTS = ("client", "installer", "quote", "tryout", "scene")
PAPERS = ("A4", "Letter")
Content = bytes | Callable[[], bytes]
"""A file's content, or what waits for it."""


def parts_of(names: Sequence[str]) -> tuple[str, ...]:
    """The parts that are asked for, in their order; all by default. NightviewError for another."""
    for name in names:
        if name not in PARTS:
            known = choice(name, PARTS, "write one of")
            raise NightviewError("--only", f'"{name}" is no part of a pack', known)
    return tuple(part for part in PARTS if part in names or not names)


@dataclass(eq=False)
class Pack:
    """What a pack is made from. scene : the file. prices : the price list's file, or None for the
    shipped one. options : states to quote; by default those that differ in their lamps. film : an mp4
    for the client's page, as ``nightview turntable`` makes it, or None for a small turntable. notes : what is to be told in the end.
    """

    scene: Path
    prices: Path | None = None
    state: str = AS_DESIGNED
    options: Sequence[str] = ()
    version: str = ""
    progress: Progress = lambda *_: None
    film: Path | None = None
    notes: list[str] = field(default_factory=list)

    @cached_property
    def facts(self) -> Facts:
        """Of the scene; NightviewError as ``read``, and for an unknown state or no lamps."""
        job = read(self.scene)
        if not job.fixtures:
            raise NightviewError(
                self.scene.name, "has no lamps to hand over", "add a [[fixture]] table"
            )
        label_of(job, self.state)
        feet = in_feet(self.scene.read_text(encoding="utf-8-sig"))
        return Facts(job, self.state, feet, self.progress)

    @cached_property
    def listed(self) -> PriceList:
        """The price list."""
        return price_list_of(self.prices)

    @cached_property
    def quote(self) -> Quote:
        """Of all options."""
        return quote_of(self.facts, self.listed, self.options)

    def made(self, parts: Iterable[str]) -> dict[str, Made]:
        """The parts by name, each with what it was made from."""
        makers: dict[str, Callable[[Print], dict[str, Content]]] = {
            "client": self._client, "installer": self._installer, "quote": self._quote,
            "tryout": self._tryout, "scene": self._scene,
        }  # fmt: skip
        # The client's page comes last: meanwhile another process prints the sheets.
        wanted = sorted(parts, key=lambda part: part == "client")
        found = {}
        with printer(aside="client" in wanted and len(wanted) > 1) as printing:
            for k, part in enumerate(wanted):
                self.progress(k, len(wanted), part)
                found[part] = makers[part](printing)
            return {
                part: Made(
                    {
                        name: data if isinstance(data, bytes) else data()
                        for name, data in files.items()
                    },
                    self._source(part),
                )
                for part, files in found.items()
            }

    def _source(self, part: str) -> dict[str, str]:
        found = {"version": self.version, "scene": self.source_hash}
        found |= {name: code for name, code in self._hashes.items() if name != self.scene.name}
        if part == "client" and self.film is not None:
            found["film"] = sha256(self.film.read_bytes())
        if part in ("installer", "tryout", "client"):
            found["state"] = self.state
        if part in ("quote", "client"):
            found["prices"] = self._prices_hash
            found["options"] = ", ".join(one.option.state for one in self.quote.options)
        return found

    @cached_property
    def _hashes(self) -> dict[str, str]:
        """Of the scene file and of all that it names beside it."""
        scene = self.facts.scene
        beside = [mesh.file for mesh in scene.meshes]
        beside += [lamp.file for lamp in scene.lamps.values() if lamp.file]
        beside += [photo.file for photo in scene.photos]
        found = {self.scene.name: sha256(self.scene.read_bytes())}
        for name in dict.fromkeys(beside):
            try:
                found[name] = sha256((scene.folder / name).read_bytes())
            except OSError as error:
                problem = f"cannot be read: {error.strerror}"
                raise NightviewError(name, problem, "put it beside the scene file") from None
        return found

    @property
    def source_hash(self) -> str:
        """Of the scene file."""
        return self._hashes[self.scene.name]

    @property
    def _prices_hash(self) -> str:
        return self.listed.source if self.prices is None else sha256(self.prices.read_bytes())

    # --- parts

    def _pages(self, stem: str, document: Document, printing: Print) -> dict[str, Content]:
        """A document as HTML and as PDF on both papers."""
        first = "Letter" if self.facts.feet else "A4"
        found: dict[str, Content] = {}
        for paper in PAPERS:
            found[f"{stem}-{paper.lower()}.pdf"] = printing(document, paper)
        found[f"{stem}.html"] = html(document, first).encode("utf-8")
        return found

    def _installer(self, printing: Print) -> dict[str, Content]:
        return self._pages("installer", installer(self.facts), printing)

    def _quote(self, printing: Print) -> dict[str, Content]:
        found = self._pages("quote", quote_sheets.document(self.facts, self.quote), printing)
        found["quote.csv"] = quote_sheets.csv_text(self.quote).encode("utf-8")
        return found

    def _tryout(self, printing: Print) -> dict[str, Content]:
        return self._pages("tryout", tryout.document(self.facts), printing)

    def _scene(self, printing: Print) -> dict[str, Content]:
        """Copies of what the pack was made from; a file the scene reaches for outside its own folder
        is hashed and not copied."""
        folder = self.facts.scene.folder
        found: dict[str, Content] = {}
        for name in self._hashes:
            if not Path(name).is_absolute() and ".." not in Path(name).parts:
                found[f"scene/{Path(name).as_posix()}"] = (folder / name).read_bytes()
        if self.prices is not None:
            name = f"prices{self.prices.suffix.lower()}"
            if f"scene/{name}" in found:
                name = f"list of {name}"
            found[f"scene/{name}"] = self.prices.read_bytes()
        return found

    def _client(self, printing: Print) -> dict[str, Content]:
        from nightview.handover.page import write_page

        told = {
            one.option.state: quote_sheets.total_words(self.quote, one)
            for one in self.quote.options
        }
        with tempfile.TemporaryDirectory(prefix="nightview-") as folder:
            path = Path(folder) / "client.html"
            film = self.film or self._turntable(Path(folder) / "turntable.mp4")
            written = write_page(
                path,
                self.facts.light,
                sentences=self._sentences(),
                prices=told,
                film=film,
                report=self.progress,
            )
            self.notes += written.notes
            return {"client.html": path.read_bytes()}

    def _turntable(self, path: Path) -> Path | None:
        """A film once round the house; None where there is no ffmpeg, which is told."""
        from nightview.handover.turning import write_turntable
        from nightview.picture.video import find_ffmpeg

        try:
            find_ffmpeg()
        except NightviewError as error:
            self.notes.append(f"The client's page has no turntable: {error}")
            return None
        write_turntable(path, self.facts.light, self.progress)
        return path

    def _sentences(self) -> list[str]:
        """The findings in plain words, with their remedies."""
        from nightview.checks.remedies import mended
        from nightview.checks.run import results_of
        from nightview.checks.sentences import sentences

        job = self.facts.job
        results = results_of(job)
        if not any(result.is_finding for result in results):
            return []
        cures = {cure.key: cure for cure in mended(job, results, self.progress).cures}
        return sentences(results, cures)
