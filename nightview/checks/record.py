"""A check as data: what was looked at, what was found and what mends it, as JSON with a schema.

The report and anything outside are made from this, so that they all say the same.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from nightview.checks.job import Job
from nightview.checks.limits import Kind, Limit
from nightview.checks.result import Result
from nightview.checks.sentences import sentence
from nightview.checks.words import NOTE, Cures, Group, group_of, in_order
from nightview.scene.states import label_of

if TYPE_CHECKING:
    from nightview.checks.remedies import Cure

FORMAT: Literal["nightview check 1"] = "nightview check 1"
_DIALECT = "https://json-schema.org/draft/2020-12/schema"
DIGITS, PLACES = 4, 3
"""Figures kept of a value; decimals of a place in metres."""


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class LimitRecord(_Table):
    """A limit and what it rests on."""

    name: str = Field(description="by which a scene may state its own, under [check.limits]")
    unit: str = Field(description='"" for a ratio')
    warn: float
    strong: float | None = Field(description="null where there is but one step")
    fault: Literal["warn", "strong"] = Field(
        description="from which verdict on a result is more than taste"
    )
    below: bool = Field(description="whether small values are the bad ones")
    kind: Kind
    source: str


class PlaceRecord(_Table):
    """A place in the scene's axes [m]."""

    x_m: float
    y_m: float
    z_m: float


class MovedRecord(_Table):
    """Another result that a remedy moves by a tenth or more, in the unit of its own limit."""

    check: str
    place: str
    before: float | None
    after: float | None


class CureRecord(_Table):
    """A remedy and the finding's value before and after, both calculated; in the unit of the limit."""

    words: str
    plain: str = Field(description="for the client")
    fixtures: tuple[str, ...] = Field(
        description="whose keys change; empty where nothing is changed for it"
    )
    before: float | None = Field(description="null where it has no bound")
    after: float | None = Field(description="null where none was found, or it has no bound")
    cleared: bool = Field(
        description="whether it is no fault then; of a matter of taste, whether it is good"
    )
    applied: bool = Field(description="whether it is part of the changed scene")
    others: tuple[MovedRecord, ...]


class ResultRecord(_Table):
    """One thing that was looked at."""

    check: str
    place: str
    verdict: Group = Field(description='"taste" is told and never a fault')
    value: float | None = Field(description="in the unit of the limit; null if it cannot be told")
    unbounded: bool = Field(description="whether the value has no bound; it is null then")
    limit: LimitRecord
    at: PlaceRecord | None
    lamps: tuple[str, ...] = Field(description="those that cause it, the chief one first")
    said: str
    reason: str = Field(description="why it cannot be told")
    remedy_sought: bool
    cure: CureRecord | None
    client: str = Field(description="one sentence without figures of light; empty for no finding")


class Summary(_Table):
    """How many results there are of each kind."""

    strong: int
    warn: int
    taste: int
    meant: int
    cannot_tell: int
    good: int
    cured: int = Field(description="of strong and warn, those that a remedy clears")
    findings: int = Field(description="strong and warn: the command's status is 1 if there are any")


class Record(_Table):
    """A check of one state of a scene."""

    format: Literal["nightview check 1"] = FORMAT
    scene: str = Field(description="the file's name")
    title: str
    state: str
    late: str | None = Field(
        description="the state that is on after curfew, if the scene names one"
    )
    zone: str = Field(description="how bright the district is by night, E1 to E4")
    note: str = NOTE
    summary: Summary
    results: tuple[ResultRecord, ...] = Field(description="findings first, the worst at the top")


def record_of(job: Job, results: Iterable[Result], cures: Cures, file: str) -> Record:
    """A check as data. file : the scene's, as it is to be called. cures : see ``words.Cures``."""
    rows = tuple(_result(result, cures) for result in in_order(results))
    count = Counter(row.verdict for row in rows)
    graver = [row for row in rows if row.verdict in ("strong", "warn")]
    summary = Summary(
        strong=count["strong"], warn=count["warn"], taste=count["taste"], meant=count["meant"],
        cannot_tell=count["cannot tell"], good=count["good"],
        cured=sum(row.cure is not None and row.cure.cleared for row in graver),
        findings=len(graver),
    )  # fmt: skip
    shown, late = (label_of(job.scene, name) for name in job.names)
    return Record(
        scene=file, title=job.scene.title, state=shown, late=None if late == shown else late,
        zone=job.brief.zone, summary=summary, results=rows,
    )  # fmt: skip


def schema() -> dict[str, Any]:
    """The JSON Schema of a record, draft 2020-12."""
    return {
        "$schema": _DIALECT,
        **Record.model_json_schema(mode="serialization"),
        "title": "nightview check",
    }


def text(record: Record) -> str:
    """A record as JSON; the same record gives the same bytes."""
    return json.dumps(record.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False)


def _result(result: Result, cures: Cures) -> ResultRecord:
    cure = cures.get(result.key)
    value = result.value
    return ResultRecord(
        check=result.check, place=result.place, verdict=group_of(result),
        value=_rounded(value), unbounded=value is not None and not math.isfinite(value),
        limit=_limit(result.limit), at=_place(result.at), lamps=result.lamps, said=result.said,
        reason=result.reason, remedy_sought=result.key in cures,
        cure=_cure(cure) if cure else None, client=sentence(result, cures),
    )  # fmt: skip


def _limit(limit: Limit) -> LimitRecord:
    return LimitRecord(
        name=limit.name, unit=limit.unit, warn=limit.warn, strong=limit.strong, fault=limit.fault,
        below=limit.below, kind=limit.kind, source=limit.source,
    )  # fmt: skip


def _cure(cure: Cure) -> CureRecord:
    return CureRecord(
        words=cure.words, plain=cure.plain,
        fixtures=tuple(dict.fromkeys(change.fixture for change in cure.changes)),
        before=_rounded(cure.before), after=_rounded(cure.after), cleared=cure.cleared,
        applied=cure.applied,
        others=tuple(
            MovedRecord(check=check, place=place, before=_rounded(before), after=_rounded(after))
            for check, place, before, after in cure.others
        ),
    )  # fmt: skip


def _place(at: tuple[float, float, float] | None) -> PlaceRecord | None:
    if at is None:
        return None
    x, y, z = (round(float(value), PLACES) + 0.0 for value in at)
    return PlaceRecord(x_m=x, y_m=y, z_m=z)


def _rounded(value: float | None) -> float | None:
    """As many figures as mean something; None for none, and for what has no bound."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.{DIGITS}g}") + 0.0
