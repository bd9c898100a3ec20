"""Returned tables row by row: which batch a row speaks of, what was read, and what stands around it."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from doe.cells import Entry, Mark, Refusal, Uncalculated, decimal_mark, read_number, read_response, tidy, within_reads
from doe.headings import Headings, nearest_name
from doe.levels import Levels, printed_unit, read_levels
from doe.parts import Response
from doe.planned import Planned
from doe.problems import Level, Problem
from doe.rawtable import RawTable, is_blank

if TYPE_CHECKING:
    from doe.study import Study

STATES = ("made", "remade", "failed", "unmakeable", "set aside")
USABLE = ("made", "remade")
LOW_TORQUE, FULL_TORQUE = 10.0, 100.0  # % of full scale a rotational reading counts within; common practice
_KEPT_WORDS = ("state", "why", "day", "order", "block", "whole_plot", "made_at")


@dataclass(slots=True)
class BatchDraft:
    """A batch while it is put together from the rows that speak of it."""

    trial: str
    batch: str
    where: str
    planned: Planned | None
    source_id: str = ""
    levels: Levels = field(default_factory=dict)
    words: dict[str, object] = field(default_factory=dict)
    lots: dict[str, str] = field(default_factory=dict)
    unit: float = 1.0


@dataclass(slots=True)
class Reading:
    """One reading of one response on one batch."""

    batch: str
    number: int | None
    response: Response
    entry: Entry
    where: str
    words: dict[str, object]
    named: bool


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


def take_table(intake: Intake, table: RawTable, headings: Headings) -> None:
    """Read one table into `intake`: planned rows by trial and batch, historical rows as trials of their own."""
    intake.findings += table.findings
    intake.seen |= {column.name for column in headings.of("response")}
    number_places = [c.place for c in headings.columns if c.kind in ("level", "response") or c.name == "value"]
    mark = decimal_mark(row[place] for row in table.rows for place in number_places)
    historical = _is_historical(intake, table, headings)
    namer = _HistoryNames(intake, table, headings) if historical else None
    drafts: list[BatchDraft] = []
    for row in range(len(table.rows)):
        if _says_nothing(table, row, headings):
            continue
        draft = namer.draft(row) if namer else _planned_draft(intake, table, row, headings)
        if draft is None:
            continue
        _merge_levels(intake, draft, read_levels(intake.study, table, row, headings, mark, intake.problems), table, row)
        _read_words(intake, draft, table, row, headings)
        _read_row(intake, draft, table, row, headings, mark)
        drafts.append(draft)
    unit = printed_unit(intake.study, [draft.levels for draft in drafts])
    for draft in drafts:
        draft.unit = min(draft.unit, unit)


def _is_historical(intake: Intake, table: RawTable, headings: Headings) -> bool:
    """A table carries its own recipes if it has levels and none of its trials was planned."""
    if not headings.of("level"):
        return False
    place = headings.word("trial")
    if place is None:
        return headings.word("batch") is None or not intake.planned
    ids = {text_of(row[place]) for row in table.rows}
    return not ids & set(intake.planned)


def _says_nothing(table: RawTable, row: int, headings: Headings) -> bool:
    """A planned row that was not filled in: identifiers only."""
    quiet = (
        "trial",
        "batch",
        "reading",
        "round",
        "block",
        "whole_plot",
        "order",
        "response",
        "unit",
        "ingredient",
        "day",
    )
    return all(
        is_blank(table.rows[row][c.place]) for c in headings.columns if not (c.kind == "word" and c.name in quiet)
    )


def text_of(raw: object) -> str:
    """A cell as text; whole numbers without a point, moments in ISO form."""
    if raw is None or isinstance(raw, Uncalculated):
        return ""
    if isinstance(raw, datetime.datetime | datetime.date | datetime.time):
        return raw.isoformat()
    if isinstance(raw, float):
        return "" if raw != raw else str(int(raw)) if raw.is_integer() else repr(raw)
    return tidy(str(raw))


def _planned_draft(intake: Intake, table: RawTable, row: int, headings: Headings) -> BatchDraft | None:
    trial_place, batch_place = headings.word("trial"), headings.word("batch")
    place = trial_place if trial_place is not None else batch_place
    if place is None:
        allowed, do = "column trial, or a level of everything", "say which trial each row is"
        intake.stop("no-trial", table.where(row), "neither a trial nor levels", allowed, do)
        return None
    batch_text = text_of(table.rows[row][batch_place]) if batch_place is not None else ""
    trial = (
        text_of(table.rows[row][trial_place])
        if trial_place is not None
        else batch_text.rpartition("-")[0] or batch_text
    )
    where = table.where(row, place)
    if trial not in intake.planned:
        if not trial:
            intake.stop("no-trial", where, "a row without a trial", "the trial of each row", "fill it in")
        elif not intake.planned:
            intake.stop("no-plan", where, f"trial {trial}, and there is no plan", "levels of everything in each row",
                        "plan first, or give the levels as made")  # fmt: skip
        else:
            first, last = next(iter(intake.planned)), next(reversed(list(intake.planned)))
            intake.stop("unknown-trial", where, f"trial {trial} was not planned", f"{first} to {last}",
                        nearest_name(trial, intake.planned) or "is this table from another plan?")  # fmt: skip
        return None
    tail = batch_text.removeprefix(trial).lstrip("-") if batch_text.startswith(trial) else batch_text
    if tail and not re.fullmatch(r"[1-9][0-9]{0,3}", tail):
        intake.stop("bad-batch", table.where(row, batch_place), f"batch {batch_text}", f"{trial}-1, {trial}-2 ...",
                    "number the makings of a trial")  # fmt: skip
        return None
    batch = f"{trial}-{tail or 1}"
    if batch not in intake.batches:
        intake.batches[batch] = BatchDraft(trial, batch, where, intake.planned[trial])
    return intake.batches[batch]


class _HistoryNames:
    """Gives the trials and batches of a historical table their ids; its own stay as `source_id`."""

    def __init__(self, intake: Intake, table: RawTable, headings: Headings) -> None:
        self.intake, self.table = intake, table
        self.trial, self.batch = headings.word("trial"), headings.word("batch")
        self.levels, self.reading = headings.of("level"), headings.word("reading")
        self.known: dict[str, str] = {}
        self.makings: dict[str, list[str]] = {}
        own = [text_of(row[self.trial]) for row in table.rows] if self.trial is not None else []
        self.keep = bool(own) and all(re.fullmatch(r"T[0-9]{2,}", one) for one in own) and intake.first == 1

    def draft(self, row: int) -> BatchDraft:
        """The batch a row speaks of: a new one, or the one it names if that stood in an earlier row."""
        cells = self.table.rows[row]
        own = text_of(cells[self.trial]) if self.trial is not None else ""
        making = text_of(cells[self.batch]) if self.batch is not None else ""
        if self.trial is None and making:
            own = making
        key = own or f"row {row}"
        if key not in self.known:
            self.known[key] = own if self.keep else f"T{self.intake.first:02d}"
            self.intake.first += not self.keep
        trial = self.known[key]
        makings = self.makings.setdefault(trial, [])
        if making not in makings:
            makings.append(making)
        batch = f"{trial}-{makings.index(making) + 1}"
        if batch not in self.intake.batches:
            where = self.table.where(row)
            self.intake.batches[batch] = BatchDraft(
                trial, batch, where, None, source_id=own or str(self.table.numbers[row])
            )
        return self.intake.batches[batch]


def _merge_levels(intake: Intake, draft: BatchDraft, levels: Levels, table: RawTable, row: int) -> None:
    for name, value in levels.items():
        if draft.levels.setdefault(name, value) != value:
            got = f"batch {draft.batch} with {name} {value} and {draft.levels[name]}"
            do = "give each making its own number in column batch"
            intake.stop("two-recipes", table.where(row), got, "one recipe a batch", do)


def _read_words(intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings) -> None:
    """State, reasons, order, blocks and lots of a batch; what contradicts an earlier row is a problem."""
    cells = table.rows[row]
    for column in headings.of("lot"):
        if lot := text_of(cells[column.place]):
            draft.lots[column.name] = lot
    found: dict[str, object] = {}
    for word in _KEPT_WORDS:
        place = headings.word(word)
        if place is not None and (text := text_of(cells[place])):
            found[word] = text
    if "order" in found:
        read = read_number(cells[headings.word("order") or 0])
        if isinstance(read, Refusal) or read.value is None or read.value != int(read.value):
            intake.stop("bad-number", table.where(row, headings.word("order")), str(found["order"]), "a whole number",
                        "give the place in the order of making")  # fmt: skip
        else:
            found["order"] = int(read.value)
    if "state" in found and str(found["state"]).casefold() not in STATES:
        intake.stop("bad-state", table.where(row, headings.word("state")), str(found["state"]), ", ".join(STATES),
                    nearest_name(str(found["state"]), STATES) or "use one of these words")  # fmt: skip
    aside = headings.word("set_aside")
    if aside is not None and (why := text_of(cells[aside])):
        found["state"], found["why"] = found.get("state", "set aside"), why
        if found["state"] in USABLE:
            found["state"] = "set aside"
    for word, value in found.items():
        if draft.words.setdefault(word, value) != value:
            intake.stop("contradiction", table.where(row, headings.word(word)),
                        f"{word} {value}, and {draft.words[word]} in another row of {draft.batch}",
                        "one for a batch", "make them agree")  # fmt: skip


def _read_row(intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, mark: Mark) -> None:
    """The readings of one row, wide or long."""
    cells = table.rows[row]
    words = {
        word: text_of(cells[place])
        for word in ("read_at", "operator", "note", "method", "session", "flag", "speed", "torque_pct", "age_h")
        if (place := headings.word(word)) is not None
    }
    words["named"] = "yes" if headings.word("batch") is not None else ""
    number, place = None, headings.word("reading")
    if place is not None and not is_blank(cells[place]):
        read = read_number(cells[place])
        if isinstance(read, Refusal) or read.value is None or read.value < 1 or read.value != int(read.value):
            intake.stop(
                "bad-number", table.where(row, place), text_of(cells[place]), "1, 2, 3 ...", "number the readings"
            )
        else:
            number = int(read.value)
    if headings.is_long:
        _read_long(intake, draft, table, row, headings, mark, number, words)
        return
    for column in headings.of("response"):
        response = intake.study.response(column.name)
        read_cell = read_response(cells[column.place], response, mark)
        _note(intake, draft, response, read_cell, table.where(row, column.place), number, words)


def _read_long(
    intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, mark: Mark,
    number: int | None, words: dict[str, object] | dict[str, str],
) -> None:  # fmt: skip
    cells = table.rows[row]
    name_place, value_place = headings.word("response") or 0, headings.word("value") or 0
    names = [response.name for response in intake.study.responses]
    name = text_of(cells[name_place])
    response = next((r for r in intake.study.responses if r.name.casefold() == name.casefold()), None)
    if response is None:
        if name or not is_blank(cells[value_place]):
            intake.stop("unknown-response", table.where(row, name_place), f"response {name!r}", ", ".join(names),
                        nearest_name(name, names) or "name the response as in study.toml")  # fmt: skip
        return
    intake.seen.add(response.name)
    unit_place = headings.word("unit")
    raw = cells[value_place]
    if (
        unit_place is not None
        and (unit := text_of(cells[unit_place]))
        and not is_blank(raw)
        and response.kind == "number"
    ):
        # The unit of a long table stands beside the number; read them as if typed together.
        mark = mark if isinstance(raw, str) else "point"
        raw = f"{text_of(raw)} {unit}"
    entry = read_response(raw, response, mark)
    bound_place = headings.word("bound")
    if isinstance(entry, Entry) and bound_place is not None and entry.bound == "none":
        entry = _with_bound(intake, entry, table, row, headings, mark, response)
    _note(intake, draft, response, entry, table.where(row, value_place), number, words)


def _with_bound(
    intake: Intake, entry: Entry, table: RawTable, row: int, headings: Headings, mark: Mark, response: Response
) -> Entry | Refusal:
    bound = text_of(table.rows[row][headings.word("bound") or 0]).casefold()
    if bound in ("", "none"):
        return entry
    if bound in ("below", "above"):
        return replace(entry, bound="below" if bound == "below" else "above")
    upper = headings.word("value_to")
    if bound == "between" and upper is not None:
        read = read_number(table.rows[row][upper], response.unit, mark)
        if isinstance(read, Entry) and read.value is not None and entry.value is not None and read.value > entry.value:
            return replace(entry, bound="between", value_to=read.value)
    return Refusal(f"bound {bound}", "none, below, above, or between with value_to", "mend the bound")


def _note(
    intake: Intake, draft: BatchDraft, response: Response, entry: Entry | Refusal, where: str, number: int | None,
    words: Mapping[str, object],
) -> None:  # fmt: skip
    """Keep a reading, with findings for what was read with help; or its refusal."""
    if isinstance(entry, Refusal):
        intake.stop("bad-reading", where, entry.got, entry.allowed, entry.do)
        return
    if entry.missing == "blank":
        return
    if response.is_exact:
        intake.findings.append(Problem("computed", "inform", where, f"{response.name} is computed from the recipe",
                                       "no reading of it", "what was typed is not used"))  # fmt: skip
        return
    kept = dict(words)
    entry = within_reads(entry, response)
    if entry.missing:
        kept["flag"] = str(kept.get("flag") or entry.missing)
    entry = _torque(intake, entry, kept, where)
    if entry.said:
        level: Level = "warn" if "kept as" in entry.said or "taken as 0" in entry.said else "inform"
        intake.findings.append(Problem("read-with-help", level, where, entry.said, "", ""))
    intake.readings.append(Reading(draft.batch, number, response, entry, where, kept, bool(kept.pop("named"))))


def _torque(intake: Intake, entry: Entry, words: dict[str, object], where: str) -> Entry:
    """A reading under 10 % torque is kept but not used, one over 100 % is a bound."""
    read = read_number(words["torque_pct"], "%") if words.get("torque_pct") else None
    if not isinstance(read, Entry) or read.value is None or entry.value is None:
        return entry
    if read.value < LOW_TORQUE:
        words["flag"] = "torque below 10 %"
        intake.findings.append(Problem("torque", "warn", where, f"read at {read.value:g} % torque", "10 to 100 %",
                                       "kept, not used; read again with a larger spindle or more speed"))  # fmt: skip
    elif read.value > FULL_TORQUE and entry.bound == "none":
        return replace(entry, bound="above", said=f"read at {read.value:g} % torque; kept as >{entry.value:g}")
    return entry
