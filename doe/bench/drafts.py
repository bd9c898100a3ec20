"""What is known of batches and readings while returned tables are read; `doe.results` makes the record of it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from doe.bench.levels import Levels
from doe.bench.moments import Moment
from doe.bench.planned import Planned
from doe.definition.cells import Entry, Uncalculated
from doe.definition.celltext import tidy
from doe.definition.parts import Response
from doe.problems import Level, Problem

if TYPE_CHECKING:
    from doe.study import Study

SET_ASIDE = "set aside"
STATES = ("made", "remade", "failed", "unmakeable", SET_ASIDE)
USABLE = ("made", "remade")


@dataclass(slots=True)
class BatchDraft:
    """A batch while it is put together from the rows that speak of it.

    `state_at` is where its state stands, `reasons` the heading under which that table has room for the reason.
    """

    trial: str
    batch: str
    where: str
    planned: Planned | None
    source_id: str = ""
    levels: Levels = field(default_factory=dict)
    words: dict[str, object] = field(default_factory=dict)
    lots: dict[str, str] = field(default_factory=dict)
    unit: float = 1.0
    made_at: Moment | None = None
    state_at: str = ""
    reasons: str = "why"


@dataclass(slots=True)
class Reading:
    """One reading of one response on one batch. `named` says whether its row named the batch."""

    batch: str
    number: int | None
    response: Response
    entry: Entry
    where: str
    words: dict[str, object]
    named: bool
    read_at: Moment | None = None


@dataclass(slots=True)
class Intake:
    """What was taken from all tables so far. `first` is the number of the next historical trial."""

    study: Study
    planned: Mapping[str, Planned]
    first: int
    batches: dict[str, BatchDraft] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    findings: list[Problem] = field(default_factory=list)
    seen: set[str] = field(default_factory=set)

    def stop(self, code: str, where: str, got: str, allowed: str, do: str) -> None:
        """Note a problem that refuses the whole table."""
        self.problems.append(Problem(code, "stop", where, got, allowed, do))

    def find(self, code: str, level: Level, where: str, got: str, allowed: str, do: str) -> None:
        """Note something to look at, which travels with the results."""
        self.findings.append(Problem(code, level, where, got, allowed, do))


def text_of(raw: object) -> str:
    """A cell as text; whole numbers without a point, moments in ISO form."""
    if raw is None or isinstance(raw, Uncalculated):
        return ""
    if isinstance(raw, datetime.datetime | datetime.date | datetime.time):
        return raw.isoformat()
    if isinstance(raw, float):
        return "" if raw != raw else str(int(raw)) if raw.is_integer() else repr(raw)
    return tidy(str(raw))
