"""Returned tables row by row: which batch a row speaks of, and what stands around it."""

from __future__ import annotations

import re

from doe.bench.drafts import STATES, USABLE, BatchDraft, Intake, text_of
from doe.bench.headings import Headings, bare_id, meant_id, nearest_name
from doe.bench.levels import Levels, printed_unit, read_levels
from doe.bench.moments import read_moment
from doe.bench.readings import read_row
from doe.definition.cells import Mark, Refusal, decimal_mark, read_number
from doe.definition.impossible import impossible_ph
from doe.tables.rawtable import RawTable, calculated, is_blank, is_split

_KEPT_WORDS = ("state", "why", "day", "block", "whole_plot")
_BATCH_TABLE_WORDS = ("operator", "note")  # of the batch only where the table has no readings they could be of
_NUMBER_WORDS_ARE = {"order": ("a whole number", "give the place in the order of making")}
NUMBER_WORDS = ("order", "weighed_g", "after_heat_g", "made_up_to_g", "ph_before", "ph_after")
_SENTENCES = ("note", "why", "set_aside")
_MEASURED_WORDS = ("value", "value_to", "speed", "torque_pct", "age_h", "made_at", "read_at")
# A row in which nothing but these stands was not filled in.
_QUIET_WORDS = (
    "trial", "batch", "reading", "round", "block", "whole_plot", "order", "response", "unit", "method", "ingredient",
    "day",
)  # fmt: skip
_MANY_HELPED = 3


def take_table(intake: Intake, table: RawTable, headings: Headings) -> None:
    """Read one table into `intake`: planned rows by trial and batch, historical rows as trials of their own."""
    intake.findings += [*table.findings, *calculated(table, _read_places(headings))]
    intake.seen |= {column.name for column in headings.of("response")}
    number_places = [c.place for c in headings.columns if c.kind in ("level", "response") or c.name == "value"]
    _stop_split(intake, table, headings, number_places)
    mark = decimal_mark(row[place] for row in table.rows for place in number_places)
    if mark == "unknown" and table.may_have_commas:
        mark = "open"
    historical = _is_historical(intake, table, headings)
    namer = _HistoryNames(intake, table, headings) if historical else None
    drafts: list[BatchDraft] = []
    before = len(intake.findings)
    for row in range(len(table.rows)):
        if _says_nothing(table, row, headings):
            continue
        draft = namer.draft(row) if namer else _planned_draft(intake, table, row, headings)
        if draft is None:
            continue
        levels = read_levels(intake.study, table, row, headings, mark, intake.problems, intake.findings)
        _merge_levels(intake, draft, levels, table, row)
        _read_words(intake, draft, table, row, headings, mark)
        read_row(intake, draft, table, row, headings, mark)
        drafts.append(draft)
    if namer is not None and intake.planned and drafts:
        own = sorted({draft.trial for draft in drafts})
        got = f"{len(own)} trials of their own, outside the plan: {own[0]} to {own[-1]}"
        intake.find("own-trials", "inform", table.where(), got, "", "taken in with the levels they carry")
    _gather_helped(intake, before, table)
    unit = printed_unit(intake.study, [draft.levels for draft in drafts])
    for draft in drafts:
        draft.unit = min(draft.unit, unit)


def _stop_split(intake: Intake, table: RawTable, headings: Headings, places: list[int]) -> None:
    """A number such as 5,3 that commas between the columns parted: 5, and 3 where a text should stand."""
    if table.spots or table.may_have_commas:
        return
    texts = {headings.word(word) for word in _SENTENCES}
    for place in places:
        for row, cells in enumerate(table.rows if place + 1 in texts else ()):
            if is_split(cells[place], cells[place + 1]):
                got = f"{text_of(cells[place])} and {text_of(cells[place + 1])} in the cell after it"
                do = "decimals with a point, in quotes, or ; between the columns; a remark in words"
                intake.stop("split-number", table.where(row, place), got, "a number in one cell, then a text", do)


def _read_places(headings: Headings) -> list[int]:
    """The columns of which a number, a day or a setting is read."""
    return [column.place for column in headings.columns if column.kind in ("level", "response") or
            column.name in (*_MEASURED_WORDS, *NUMBER_WORDS)]  # fmt: skip


def _gather_helped(intake: Intake, before: int, table: RawTable) -> None:
    """Many cells that were read with the same kind of help, such as decimal commas, are said once."""
    new = intake.findings[before:]
    helped = [one for one in new if one.code == "read-with-help" and one.level == "inform"]
    if len(helped) <= _MANY_HELPED:
        return
    shown = ", ".join(f"{one.got} ({one.where.removeprefix(table.where() + ', ')})" for one in helped[:_MANY_HELPED])
    intake.findings[before:] = [one for one in new if one not in helped]
    intake.find("read-with-help", "inform", table.where(), f"{len(helped)} cells read with help: {shown} ...", "", "")


def _is_historical(intake: Intake, table: RawTable, headings: Headings) -> bool:
    """A table carries its own recipes if it has levels and none of its trials was planned, however spelt."""
    if not headings.of("level"):
        return False
    place = headings.word("trial")
    if place is None:
        return headings.word("batch") is None or not intake.planned
    ids = {bare_id(text_of(row[place])) for row in table.rows}
    return not ids & {bare_id(trial) for trial in intake.planned}


def _says_nothing(table: RawTable, row: int, headings: Headings) -> bool:
    """A planned row that was not filled in: identifiers only."""
    return all(
        is_blank(table.rows[row][c.place])
        for c in headings.columns
        if not (c.kind == "word" and c.name in _QUIET_WORDS)
    )


def _planned_draft(intake: Intake, table: RawTable, row: int, headings: Headings) -> BatchDraft | None:
    """The batch that a row of a planned trial speaks of; None, with a problem in `intake`, where it names none."""
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
                        meant_id(trial, intake.planned) or "is this table from another plan?")  # fmt: skip
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


def _read_words(intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, mark: Mark) -> None:
    """State, reasons, times, order, weights and lots of a batch; what contradicts an earlier row is a problem."""
    cells = table.rows[row]
    for column in headings.of("lot"):
        if lot := text_of(cells[column.place]):
            _agree(intake, draft, f"lot of {column.name}", draft.lots.setdefault(column.name, lot), lot, table, row,
                   column.place)  # fmt: skip
    batch_table = not headings.is_long and not headings.of("response")
    found: dict[str, object] = {}
    for word in _KEPT_WORDS + (_BATCH_TABLE_WORDS if batch_table else ()):
        place = headings.word(word)
        if place is not None and (text := text_of(cells[place])):
            found[word] = text
    _read_numbers(intake, table, row, headings, mark, found)
    _read_made_at(intake, draft, table, row, headings, found)
    if "state" in found and str(found["state"]).casefold() not in STATES:
        intake.stop("bad-state", table.where(row, headings.word("state")), str(found["state"]), ", ".join(STATES),
                    nearest_name(str(found["state"]), STATES) or "use one of these words")  # fmt: skip
    aside = headings.word("set_aside")
    if "state" in found:
        draft.state_at = table.where(row, headings.word("state"))
        draft.reasons = "why" if headings.word("why") is not None or aside is None else table.header[aside]
    if aside is not None and (why := text_of(cells[aside])):
        found["state"], found["why"] = found.get("state", "set aside"), why
        if str(found["state"]).casefold() in USABLE:
            found["state"] = "set aside"
    for word, value in found.items():
        _agree(intake, draft, word, draft.words.setdefault(word, value), value, table, row, headings.word(word))


def _agree(
    intake: Intake, draft: BatchDraft, what: str, before: object, now: object, table: RawTable, row: int,
    place: int | None,
) -> None:  # fmt: skip
    if before != now:
        intake.stop("contradiction", table.where(row, place), f"{what} {now}, and {before} in another row of "
                    f"{draft.batch}", "one for a batch", "make them agree")  # fmt: skip


def _read_numbers(
    intake: Intake, table: RawTable, row: int, headings: Headings, mark: Mark, found: dict[str, object]
) -> None:
    """Order, weights and pH of a batch, as numbers."""
    for word in NUMBER_WORDS:
        place = headings.word(word)
        if place is None or is_blank(table.rows[row][place]):
            continue
        raw = table.rows[row][place]
        read = read_number(raw, "g" if word.endswith("_g") else "", mark)
        if not isinstance(read, Refusal) and read.missing:
            continue
        allowed, do = _NUMBER_WORDS_ARE.get(word, ("a number", "write the number alone"))
        if isinstance(read, Refusal) or read.value is None or read.bound != "none":
            got = read.got if isinstance(read, Refusal) else text_of(raw)
            intake.stop("bad-number", table.where(row, place), got, allowed, do)
        elif word == "order" and read.value != int(read.value):
            intake.stop("bad-number", table.where(row, place), text_of(raw), allowed, do)
        elif word.startswith("ph_") and (wrong := impossible_ph([read.value])):
            intake.stop("impossible", table.where(row, place), *wrong)
        else:
            found[word] = int(read.value) if word == "order" else read.value
            if read.said:
                intake.find("read-with-help", "inform", table.where(row, place), read.said, "", "")


def _read_made_at(
    intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, found: dict[str, object]
) -> None:
    place = headings.word("made_at")
    moment = read_moment(table.rows[row][place]) if place is not None else None
    if isinstance(moment, Refusal):
        intake.stop("bad-moment", table.where(row, place), moment.got, moment.allowed, moment.do)
    elif moment is not None:
        if moment.said:
            intake.find("read-with-help", "inform", table.where(row, place), moment.said, "", "")
        found["made_at"] = str(moment)
        draft.made_at = moment
