"""What a check says, four ways: HTML for the installer, JSON with a schema, sentences, a table."""

from __future__ import annotations

import base64
import dataclasses
import io
import itertools
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import pytest
from checked import job_of, lamp, wall
from rich.console import Console

from nightview.checks import record, report
from nightview.checks.job import Job
from nightview.checks.limits import BUILT_IN, Limit
from nightview.checks.remedies import Cure
from nightview.checks.result import Result
from nightview.checks.run import results_of
from nightview.checks.sentences import sentence, sentences
from nightview.checks.table import WIDTH, table
from nightview.checks.words import (
    KINDS,
    NOTE,
    findings,
    lamps_told,
    limit_told,
    number,
    remedy_told,
)
from nightview.errors import NightviewError
from nightview.plan.report import is_ours, write_report

CODE = Limit("ordinance", "lx", 1.0, 2.0, "code", "town ordinance <7> & annex")
NAME = "<b>\"gate\" & 'lamp'</b>"
"""A name as a scene may have it; nothing of it may become markup."""

STRONG = Result("hot spot", f"house front, by {NAME}", 6.54321, BUILT_IN["hot_spot_local"],
                "812 lx at x 1.00 m, z 1.20 m", "There is a bright patch on the house front.",
                (1.00049, -0.00001, 1.2), (NAME, "b"))  # fmt: skip
WARN = Result("window", "bedroom", 4.5, BUILT_IN["window_before_E1"], "4.5 lx at the pane",
              "Light falls into the bedroom.", (0.0, 1.0, 4.0), ("b",))  # fmt: skip
LAW = Result("sign", "gate", 1.5, CODE, "1.5 lx", "The gate is too bright.", None, ("b",))
TASTE = Result("evenness", "house front", math.inf, BUILT_IN["evenness"], "least 0 lx",
               "The light comes in patches.")  # fmt: skip
MEANT = Result(
    "scallops", "house front", 1.6, BUILT_IN["scallop"], "3 lamps 1.2 m apart", meant=True
)
GOOD = Result("reach", "house front, b", 0.95, BUILT_IN["reach"], "a tenth at 2.70 m")
UNTOLD = Result("path light", "front path", None, BUILT_IN["path_mean"], "",
                reason="no lamp is meant for it")  # fmt: skip
ALL = (GOOD, TASTE, UNTOLD, WARN, MEANT, LAW, STRONG)

CURE = Cure(STRONG.key, (), 6.54321, 2.9, True, True, f"set {NAME} 0.15 m farther out",
            "the change above mends it", ((*GOOD.key, 0.95, 0.82),))  # fmt: skip
NONE = Cure(WARN.key, (), 4.5, None, False, False, "none was found among small changes",
            "we will look at it on site")  # fmt: skip
CURES = {STRONG.key: CURE, WARN.key: NONE}


@pytest.fixture(scope="module")
def job() -> Job:
    text = wall(lamp("a", 1.0, 0.15) + lamp("b", 5.0, 0.3)).replace(
        'title = "a wall"', "title = 'Wall <&\"> garden'"
    )
    return job_of(text)


@pytest.fixture(scope="module")
def made(job: Job) -> record.Record:
    return record.record_of(job, ALL, CURES, "a<b.toml")


# --- order and words ------------------------------------------------------------------------------


def test_findings_come_by_gravity_and_taste_last() -> None:
    assert findings(ALL) == [STRONG, WARN, LAW, TASTE]


@pytest.mark.parametrize(
    ("value", "told"),
    [(6.54321, "6.54"), (0.012345, "0.0123"), (240.4, "240"), (1234.6, "1230"), (0.0, "0"),
     (-0.5, "−0.5"), (2.0, "2"), (-0.0, "0"), (math.inf, "without bound")],
)  # fmt: skip
def test_numbers_are_told_with_three_figures(value: float, told: str) -> None:
    assert number(value) == told


def test_limits_are_told_in_their_own_direction() -> None:
    assert limit_told(BUILT_IN["hot_spot_local"]) == "≤ 3, strong > 5"
    assert limit_told(BUILT_IN["tread"]) == "≥ 5 lx, strong < 1 lx"
    assert limit_told(BUILT_IN["evenness"]) == "≤ 10"
    told = dataclasses.replace(BUILT_IN["hot_spot_local"], fault="strong")
    assert limit_told(told) == "≤ 3, a fault > 5"


def test_lamps_of_a_row_are_told_together() -> None:
    assert lamps_told(("front-1", "front-3", "door", "front-2")) == "front-1, -3, door, front-2"
    assert lamps_told(("a-x", "a-y")) == "a-x, a-y"
    assert lamps_told(()) == ""


# --- JSON -----------------------------------------------------------------------------------------


def test_the_schema_is_one_and_the_record_keeps_it(made: record.Record) -> None:
    jsonschema.Draft202012Validator.check_schema(record.schema())
    data = json.loads(record.text(made))
    jsonschema.validate(data, record.schema(), cls=jsonschema.Draft202012Validator)
    for spoilt in (
        {**data, "zone": 2}, {**data, "more": 1}, {k: v for k, v in data.items() if k != "results"},
        {**data, "results": [{**data["results"][0], "verdict": "bad"}]},
    ):  # fmt: skip
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(spoilt, record.schema(), cls=jsonschema.Draft202012Validator)


def test_the_record_of_a_real_check_keeps_the_schema(job: Job) -> None:
    results = results_of(job)
    data = json.loads(record.text(record.record_of(job, results, {}, "wall.toml")))
    jsonschema.validate(data, record.schema(), cls=jsonschema.Draft202012Validator)
    assert len(data["results"]) == len(results)
    assert data["summary"]["findings"] == sum(r.counts for r in results) > 0


def test_what_the_record_says(made: record.Record) -> None:
    data = json.loads(record.text(made))
    assert data["summary"] == {"strong": 1, "warn": 2, "taste": 1, "meant": 1, "cannot_tell": 1,
                               "good": 1, "cured": 1, "findings": 3}  # fmt: skip
    first = data["results"][0]
    assert (first["check"], first["verdict"], first["value"]) == ("hot spot", "strong", 6.543)
    assert first["at"] == {"x_m": 1.0, "y_m": 0.0, "z_m": 1.2}
    assert "-0.0" not in record.text(made)
    assert first["cure"]["after"] == 2.9 and first["cure"]["others"][0]["after"] == 0.82
    by_check = {row["check"]: row for row in data["results"]}
    assert by_check["evenness"]["value"] is None and by_check["evenness"]["unbounded"]
    assert by_check["path light"]["value"] is None and not by_check["path light"]["unbounded"]
    assert by_check["path light"]["reason"] == "no lamp is meant for it"
    assert by_check["window"]["remedy_sought"] and not by_check["sign"]["remedy_sought"]
    assert {row["limit"]["kind"] for row in data["results"]} == set(KINDS)


def test_the_same_check_gives_the_same_bytes(job: Job, made: record.Record) -> None:
    again = record.record_of(job, ALL, dict(reversed(CURES.items())), "a<b.toml")
    assert record.text(again) == record.text(made)
    assert report.html(again, ALL, CURES) == report.html(made, ALL, CURES)
    assert not re.search(r"20\d\d-\d\d-\d\d", record.text(made))


# --- the client -----------------------------------------------------------------------------------

FIGURES = re.compile(r"\b(lx|lux|lumens?|lm|cd|candelas?|luminance|illuminance)\b", re.IGNORECASE)


def test_the_client_hears_one_sentence_a_finding_with_its_remedy() -> None:
    told = sentences(ALL, CURES)
    assert len(told) == 4
    assert told[0] == "There is a bright patch on the house front; the change above mends it."
    assert told[1] == "Light falls into the bedroom; we will look at it on site."
    assert "still to be worked out" in told[2]
    assert "if you would rather not have it so" in told[3]
    for text in told:
        assert text.endswith(".") and text.count(".") == 1 and ";" in text
        assert not FIGURES.search(text)


def test_a_change_is_told_as_the_remedy(job: Job) -> None:
    from nightview.checks.changes import Change

    change = Change("a", {"dim": 0.5}, 1.0, "dim a to 50 %", "dim the lamp")
    cure = dataclasses.replace(CURE, changes=(change,), plain=change.plain)
    assert sentence(STRONG, {STRONG.key: cure}).endswith("; the remedy: dim the lamp.")
    eased = dataclasses.replace(cure, cleared=False)
    assert "eases it, though not wholly: dim the lamp." in sentence(STRONG, {STRONG.key: eased})


def test_of_what_is_good_the_client_hears_nothing() -> None:
    assert sentence(GOOD, {}) == "" and sentences([GOOD, MEANT, UNTOLD], {}) == []


def test_no_check_of_a_wall_gives_the_client_figures(job: Job) -> None:
    told = sentences(results_of(job), {})
    assert told and not [text for text in told if FIGURES.search(text)]


# --- the terminal ---------------------------------------------------------------------------------


def printed(results: tuple[Result, ...], cures: dict, colour: bool = False) -> str:
    file = io.StringIO()
    console = Console(
        file=file, width=WIDTH, force_terminal=colour, color_system="truecolor" if colour else None
    )
    console.print(table(results, cures))
    return file.getvalue()


def test_the_table_fits_and_says_all_in_words() -> None:
    long = dataclasses.replace(
        WARN, place="bedroom " + "w" * 60, lamps=tuple(f"lamp {'x' * 40} {k}" for k in range(4))
    )
    told = printed((*ALL, long), CURES)
    assert max(map(len, told.splitlines())) <= WIDTH == 100
    for words in ("strong", "warning", "taste", "published", "guidance", "common", "not sought",
                  "Cannot tell", "no lamp is meant for it", "As meant by the scene", "reach 1"):  # fmt: skip
        assert words in told, words
    assert told.index("hot spot") < told.index("window") < told.index("evenness")
    flat = " ".join(told.split())
    assert "Found 1 strong, 3 warning, 1 taste; remedies clear 1 of 4." in flat
    assert NOTE in flat and "6.54" in told and "2.9" in told


def test_colour_is_added_and_means_nothing_alone() -> None:
    coloured = printed(ALL, CURES, colour=True)
    assert "\x1b[" in coloured
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured) == printed(ALL, CURES)


def test_names_are_not_read_as_styles() -> None:
    odd = dataclasses.replace(STRONG, place="[red]door[/red]", lamps=("[bold]a",))
    told = printed((odd,), {})
    assert "[red]door[/red]" in told and "[bold]a" in told


def test_nothing_found_is_said() -> None:
    assert "No findings." in printed((GOOD,), {})


# --- HTML -----------------------------------------------------------------------------------------

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags with their texts; every tag that opens must close in its order."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.stack: list[tuple[str, dict[str, str]]] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[tuple[str, str]] = []
        self.feed(text)
        self.close()
        assert not self.stack

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = {key: value or "" for key, value in attrs}
        self.tags.append((tag, own))
        if tag not in VOID:
            self.stack.append((tag, own))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        if self.stack:
            self.words.append((self.stack[-1][0], data))

    def all(self, tag: str) -> list[dict[str, str]]:
        return [own for name, own in self.tags if name == tag]

    def text(self, *tags: str) -> str:
        return "".join(data for tag, data in self.words if not tags or tag in tags)


PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAQAAAC1HAwCAAAAC0lEQVR42mNkYAAAAAYAAjCB0C8AAAAASUVORK5CYII="
)


@pytest.fixture(scope="module")
def page(made: record.Record) -> Page:
    sheet = report.Picture("house <front>, 1:50", PNG, 'Elevation of "house" & more')
    return Page(report.html(made, ALL, CURES, [sheet]))


def test_the_report_asks_nothing_of_any_network(page: Page) -> None:
    for tag, own in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "base", "form"), tag
        for key in ("src", "href", "srcset", "data", "action", "poster"):
            assert own.get(key, "#").startswith(("#", "data:image/png;base64,")), own[key]
    (style,) = [data for tag, data in page.words if tag == "style"]
    assert "url(" not in style and "@import" not in style and "@media print" in style
    ids = {own["id"] for _, own in page.tags if "id" in own}
    assert {own["href"][1:] for own in page.all("a")} <= ids


def test_names_stay_text(page: Page) -> None:
    assert not page.all("b")
    assert NAME in page.text() and "<front>" in page.text()
    assert "town ordinance <7> & annex" in page.text()
    assert 'Wall <&"> garden: lighting check' in page.text("h1") == page.text("title")


def test_it_can_be_heard_and_walked_through(page: Page) -> None:
    """WCAG 2.2: language 3.1.1, title 2.4.2, headings 1.3.1, names of pictures 1.1.1, table heads."""
    assert page.all("html")[0]["lang"] == "en"
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert all(own.get("scope") in ("col", "row") for own in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table")) > 3
    (image,) = page.all("img")
    assert image["alt"] == 'Elevation of "house" & more'
    assert base64.b64decode(image["src"].partition(",")[2]) == PNG
    for own in page.all("section"):
        assert {"id": own["aria-labelledby"]}.items() <= next(h for h in page.all("h2") if h["id"] == own["aria-labelledby"]).items()  # fmt: skip


def test_the_parts_stand_in_their_order(page: Page) -> None:
    heads = [own["id"] for own in page.all("section")]
    assert heads == [
        "summary",
        "findings",
        "sheets",
        "good",
        "untold",
        "client",
        "limits",
        "cautions",
    ]
    assert NOTE in page.text("p")


def test_a_finding_tells_all_of_itself(page: Page) -> None:
    articles = [own["class"] for own in page.all("article")]
    assert articles == ["finding strong", "finding warn", "finding warn", "finding taste"]
    told = page.text()
    for words in (
        f"house front, by {NAME}, at (1.00, 0.00, 1.20) m", "6.54", "812 lx at x 1.00 m",
        "≤ 3, strong > 5", f"{NAME}, b", f"set {NAME} 0.15 m farther out",
        "2.9", "calculated anew: within the limit", "reach, house front, b: 0.95 → 0.82",
        "code: town ordinance", "published guidance: EN 12193:2008", "not sought", "without bound",
        "no lamp is meant for it", "as the scene means it: 3 lamps 1.2 m apart",
    ):  # fmt: skip
        assert words in told, words
    assert "common practice: calculated, common practice" not in told  # the kind is said once


@pytest.mark.parametrize(
    ("after", "cleared", "told"),
    [(2.9, True, "within the limit"), (4.0, True, "no fault any more, though not yet good"),
     (5.5, False, "still beyond the limit")],
)  # fmt: skip
def test_what_a_remedy_does_is_said_as_it_is(
    job: Job, after: float, cleared: bool, told: str
) -> None:
    """A finding may cease to be a fault and still be beyond what is good."""
    cures = {STRONG.key: dataclasses.replace(CURE, after=after, cleared=cleared)}
    found = Page(report.html(record.record_of(job, [STRONG], cures, "x"), [STRONG], cures)).text()
    assert f"{after:g}, calculated anew: {told}" in found


def test_a_value_that_a_remedy_leaves_alone_is_not_told_twice() -> None:
    same = dataclasses.replace(CURE, after=6.54321, cleared=False)
    assert "→" not in remedy_told(STRONG, {STRONG.key: same})
    assert remedy_told(STRONG, CURES).endswith(": 6.54 → 2.9")
    assert (
        remedy_told(STRONG, {}) == "not sought"
        and remedy_told(STRONG, {STRONG.key: None}) == "none was found"
    )


def test_the_kinds_of_limit_stay_apart(page: Page) -> None:
    heads = [data for tag, data in page.words if tag == "h3"]
    assert heads[-4:] == ["Code", "Published guidance", "Common practice", "Taste"]


def test_cautions_and_sentences_are_all_there(page: Page) -> None:
    listed = [data for tag, data in page.words if tag == "li"]
    assert set(report.CAUTIONS) <= set(listed) and set(sentences(ALL, CURES)) <= set(listed)
    told = " ".join(report.CAUTIONS)
    for fact in ("30 V AC or 60 V DC", "25 A", "10 ft (3.05 m)", "6 in (150 mm)", "NEC 411",
                 "NEC 680.22", "licensed electrician", "ground-fault", "trained climber", "under load"):  # fmt: skip
        assert fact in told, fact


def test_ink_stands_out_from_its_paper() -> None:
    """WCAG 2.2, 1.4.3: 4.5:1 for text."""

    def shine(code: str) -> float:
        rgb = [int(code[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for name, (ink, paper) in report.COLOURS.items():
        a, b = sorted([shine(ink), shine(paper)])
        assert (b + 0.05) / (a + 0.05) >= 4.5, name


def test_a_report_without_findings_says_so(job: Job) -> None:
    quiet = Page(report.html(record.record_of(job, [GOOD], {}, "x.toml"), [GOOD], {}))
    told = quiet.text()
    assert "Nothing to mend was found." in told and "There is nothing to tell" in told
    assert not quiet.all("article") and not quiet.all("img")


# --- files ----------------------------------------------------------------------------------------


def test_the_files_of_a_real_check(job: Job, tmp_path: Path) -> None:
    results = results_of(job)
    data = record.record_of(job, results, {}, "wall.toml")
    paths = write_report(job, results, {}, data, tmp_path, "wall")
    assert [path.name for path in paths] == [
        "wall-check.html", "wall-check.json", "wall-facade-house-front.png",
    ]  # fmt: skip
    assert all(is_ours(path) for path in paths)
    found = Page(paths[0].read_text(encoding="utf-8"))
    (image,) = found.all("img")
    assert base64.b64decode(image["src"].partition(",")[2]) == paths[2].read_bytes()
    assert image["alt"].startswith("Elevation of house front at 1:")
    before = [path.read_bytes() for path in paths]
    write_report(job, results, {}, data, tmp_path, "wall")
    assert [path.read_bytes() for path in paths] == before


@pytest.mark.parametrize(
    "name", ["wall-check.html", "wall-check.json", "wall-facade-house-front.png"]
)
def test_a_file_of_another_s_is_not_replaced(job: Job, tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    data = record.record_of(job, ALL, CURES, "wall.toml")
    with pytest.raises(NightviewError, match="no report of nightview's"):
        write_report(job, ALL, CURES, data, tmp_path, "wall")
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"
    write_report(job, ALL, CURES, data, tmp_path, "wall", overwrite=True)
    assert is_ours(tmp_path / name)
