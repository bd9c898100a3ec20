"""The readings that stand in one row of a returned table, wide or long, and what is said of each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from doe.bench.bench import DO_NOT_USE, NOT_MEASURED
from doe.bench.drafts import BatchDraft, Intake, Reading, text_of
from doe.bench.headings import Headings, nearest_name
from doe.bench.moments import Moment, read_moment
from doe.definition.cells import Entry, Mark, Refusal, read_number
from doe.definition.celltext import tidy
from doe.definition.parts import Response
from doe.definition.readingcells import read_reading, within_reads
from doe.definition.units import same_unit
from doe.problems import Level
from doe.tables.rawtable import RawTable, is_blank
from doe.trade.settling import speed_of

LOW_TORQUE, FULL_TORQUE = 10.0, 100.0  # % of full scale a rotational reading counts within; common practice
TORQUE_FLAG = "torque below 10 %"
_TEXT_WORDS = ("operator", "note", "method", "session", "flag")


@dataclass(frozen=True, slots=True)
class _Row:
    """What goes with every reading of a row: its number, the words beside it, when it was read."""

    number: int | None
    words: Mapping[str, object]
    read_at: Moment | None
    named: bool


def read_row(intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, mark: Mark) -> None:
    """Take the readings of one row into `intake`; what cannot be read is a problem, what took help a finding."""
    about = _about(intake, table, row, headings, mark)
    if headings.is_long:
        _read_long(intake, draft, table, row, headings, mark, about)
        return
    filled = [c for c in headings.of("response") if not is_blank(table.rows[row][c.place])]
    if about.words.get("method") and len(filled) > 1:
        do = "use a table with columns response and value, one reading a row"
        intake.stop("unclear-method", table.where(row, headings.word("method")), str(about.words["method"]),
                    "the method of one response", do)  # fmt: skip
    for column in filled:
        response = intake.study.response(column.name)
        entry = read_reading(table.rows[row][column.place], response, mark)
        _note(intake, draft, response, entry, table.where(row, column.place), about)


def _about(intake: Intake, table: RawTable, row: int, headings: Headings, mark: Mark) -> _Row:
    """What stands in a row beside its readings: words, the number of the reading, when it was read."""
    cells = table.rows[row]
    words: dict[str, object] = {
        word: text_of(cells[place]) for word in _TEXT_WORDS if (place := headings.word(word)) is not None
    }
    words["flag"] = str(words.get("flag", "")).casefold()
    for word, unit in (("torque_pct", "%"), ("age_h", "h")):
        if (place := headings.word(word)) is not None and not is_blank(cells[place]):
            read = read_number(cells[place], unit, mark)
            if isinstance(read, Refusal) or read.bound != "none":
                got = read.got if isinstance(read, Refusal) else text_of(cells[place])
                intake.stop("bad-number", table.where(row, place), got, f"a number in {unit}", "write the number alone")
            elif read.value is not None:
                words[word] = read.value
    if (place := headings.word("speed")) is not None and not is_blank(cells[place]):
        read = read_number(cells[place], "", mark)
        plain = isinstance(read, Entry) and read.value is not None and read.bound == "none"
        words["speed"] = text_of(read.value) if plain and isinstance(read, Entry) else text_of(cells[place])
    number, place = None, headings.word("reading")
    if place is not None and not is_blank(cells[place]):
        read = read_number(cells[place])
        if isinstance(read, Refusal) or read.value is None or read.value < 1 or read.value != int(read.value):
            intake.stop("bad-number", table.where(row, place), text_of(cells[place]), "1, 2, 3 ...",
                        "number the readings")  # fmt: skip
        else:
            number = int(read.value)
    return _Row(number, words, _read_at(intake, table, row, headings), headings.word("batch") is not None)


def _read_at(intake: Intake, table: RawTable, row: int, headings: Headings) -> Moment | None:
    place = headings.word("read_at")
    moment = read_moment(table.rows[row][place]) if place is not None else None
    if isinstance(moment, Refusal):
        intake.stop("bad-moment", table.where(row, place), moment.got, moment.allowed, moment.do)
        return None
    if moment is not None and moment.said:
        intake.find("read-with-help", "inform", table.where(row, place), moment.said, "", "")
    return moment


def _read_long(
    intake: Intake, draft: BatchDraft, table: RawTable, row: int, headings: Headings, mark: Mark, about: _Row
) -> None:
    cells = table.rows[row]
    name_place, value_place = headings.word("response") or 0, headings.word("value") or 0
    names = [response.name for response in intake.study.responses]
    name = text_of(cells[name_place])
    response = next((r for r in intake.study.responses if r.name.casefold() == name.casefold()), None)
    if response is None:
        if name or not is_blank(cells[value_place]):
            intake.stop("unknown-response", table.where(row, name_place), repr(name), ", ".join(names),
                        nearest_name(name, names) or "name the response as in study.toml")  # fmt: skip
        return
    intake.seen.add(response.name)
    entry = read_reading(*_with_unit(table, row, headings, value_place, response, mark))
    bound_place = headings.word("bound")
    if isinstance(entry, Entry) and bound_place is not None and entry.bound == "none":
        entry = _with_bound(entry, table, row, headings, mark, response)
    if isinstance(entry, Entry) and entry.missing == "blank" and (about.words.get("flag") or about.words.get("note")):
        # A row that says something of a reading and has none: kept, so that nothing typed is lost.
        entry = Entry(missing=str(about.words.get("flag") or "no value"))
    _note(intake, draft, response, entry, table.where(row, value_place), about)


def _with_unit(
    table: RawTable, row: int, headings: Headings, value_place: int, response: Response, mark: Mark
) -> tuple[object, Response, Mark]:
    """The value as if typed with the unit that stands beside it, where that is another than the study's."""
    raw, unit_place = table.rows[row][value_place], headings.word("unit")
    unit = text_of(table.rows[row][unit_place]) if unit_place is not None else ""
    if response.kind != "number" or not unit or is_blank(raw) or same_unit(unit, response.unit):
        return raw, response, mark
    if isinstance(raw, str) and tidy(raw)[-1:].isalpha():
        return raw, response, mark  # the cell has a unit, or a word, of its own
    return f"{text_of(raw)} {unit}", response, mark if isinstance(raw, str) else "point"


def _with_bound(
    entry: Entry, table: RawTable, row: int, headings: Headings, mark: Mark, response: Response
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
    intake: Intake, draft: BatchDraft, response: Response, entry: Entry | Refusal, where: str, about: _Row
) -> None:
    """Keep a reading, with findings for what was read with help; or its refusal."""
    if isinstance(entry, Refusal):
        intake.stop("bad-reading", where, entry.got, entry.allowed, entry.do)
        return
    if entry.missing == "blank":
        return
    if response.is_exact or response.is_derived:
        how = f"taken from {response.of}" if response.is_derived else "computed from the recipe"
        intake.find("computed", "inform", where, f"{response.name} is {how}", "no reading of it",
                    "what was typed is not used")  # fmt: skip
        return
    words = dict(about.words)
    _check_method(intake, response, words, where)
    entry = within_reads(entry, response)
    if entry.missing:
        words["flag"] = str(words.get("flag") or entry.missing)
    else:
        _check_flag(intake, entry, words, where)
    entry = _torque(intake, entry, words, where)
    if entry.said:
        level: Level = "warn" if "kept as" in entry.said or "taken as 0" in entry.said else "inform"
        intake.find("read-with-help", level, where, entry.said, "", "")
    intake.readings.append(
        Reading(draft.batch, about.number, response, entry, where, words, about.named, about.read_at)
    )


def _check_method(intake: Intake, response: Response, words: dict[str, object], where: str) -> None:
    """A reading by another method, or at another speed than it names, is another response.

    It is refused, unless it is not to be used anyway: what thins by stirring reads otherwise at each speed.
    """
    typed = str(words.get("method") or "")
    if not typed or tidy(typed).casefold() == tidy(response.method).casefold():
        words["method"] = response.method
    elif words.get("flag") != DO_NOT_USE:
        wanted = f"the study's method, {response.method!r}" if response.method else "the study names no method for it"
        do = f"make it a response of its own, or flag it {DO_NOT_USE!r} and note why"
        intake.stop("other-method", where, f"{response.name} read by {typed!r}", wanted, do)
    named, speed = speed_of(response.method), read_number(words.get("speed") or "", "rpm")
    if response.kind != "number" or named is None or words.get("flag") == DO_NOT_USE:
        return
    if isinstance(speed, Entry) and speed.value is not None and not math.isclose(speed.value, named, rel_tol=1e-6):
        do = f"make each speed a response of its own, or read a curve; or flag it {DO_NOT_USE!r} and note why"
        intake.stop("other-method", where, f"{response.name} read at {speed.value:g} rpm",
                    f"the study's method, {response.method!r}", do)  # fmt: skip


def _check_flag(intake: Intake, entry: Entry, words: Mapping[str, object], where: str) -> None:
    flag = words.get("flag")
    if flag == NOT_MEASURED:
        intake.stop("contradiction", where, f"{entry.value:g}, flagged {NOT_MEASURED!r}", "a value or the flag",
                    "clear one of them")  # fmt: skip
    elif flag == DO_NOT_USE and not words.get("note"):
        intake.stop(
            "no-reason", where, f"flagged {DO_NOT_USE!r} without a reason", "a reason in column note", "say why"
        )
    elif flag and flag != DO_NOT_USE:
        intake.find("flagged", "warn", where, f"flagged {flag!r}", "", "kept and used; look at it in the fit")


def _torque(intake: Intake, entry: Entry, words: dict[str, object], where: str) -> Entry:
    """A reading under 10 % torque is kept but not used, one over 100 % is a bound."""
    torque = words.get("torque_pct")
    if not isinstance(torque, float) or entry.value is None:
        return entry
    if torque < LOW_TORQUE:
        words["flag"] = TORQUE_FLAG
        intake.find("torque", "warn", where, f"read at {torque:g} % torque", "10 to 100 %",
                    "kept, not used; read again with a larger spindle or more speed")  # fmt: skip
    elif torque > FULL_TORQUE and entry.bound == "none":
        return replace(entry, bound="above", said=f"read at {torque:g} % torque; kept as >{entry.value:g}")
    return entry
