"""The form as it came back: its answers as the tables of study.toml, every problem at its sheet and cell."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from doe.definition.cells import Mark, Refusal, Uncalculated, decimal_mark, read_number
from doe.definition.celltext import tidy
from doe.form.form import ANSWER, ANSWERS, FORM_MARK, NO, SHEETS, WHAT, YES, Cell, Sheet, answers
from doe.problems import Problem, StudyError
from doe.study import Study
from doe.tables.rawtable import RawTable, is_blank

_YES, _NO = {YES, "y", "true", "x", "1", "ja", "oui", "si", "sí"}, {NO, "n", "false", "0", "-", "nein", "non"}
_PERCENT = re.compile(r"[+-]?[0-9.,]+\s*%")
_ONLY_NUMBER = re.compile(r"[+-]?[0-9.,]+\s*%?")
# One of several between commas; those between the places of a chemical name (1,2-Hexanediol) belong to it.
_PIECE = re.compile(r"(?:(?<!\w)(?:\d+|[NO])(?:,(?:\d+|[NO]))+(?=-)|[^,])+")
_PLACE = re.compile(
    r"\[{0,2}(?P<section>[a-z]+)\]{0,2}"
    r"(?: number (?P<number>\d+)| (?P<step>\d+)| (?P<label>['\"].*?['\"]))?(?:, (?P<key>\w+).*)?"
)


@dataclass(slots=True)
class _Places:
    """Where each answer stood: by section, row and key."""

    cells: dict[tuple[str, int, str], str] = field(default_factory=dict)
    rows: dict[tuple[str, int], str] = field(default_factory=dict)
    labels: dict[str, list[tuple[str, int]]] = field(default_factory=dict)

    def found(self, problem: Problem, sheets: Mapping[str, str]) -> str:
        """The sheet and cell a problem of the definition is about; its own words where it is about none."""
        if problem.where == "study.toml" and "ingredient" in sheets:
            return sheets["ingredient"]
        match = _PLACE.fullmatch(problem.where)
        if match is None or match["section"] not in sheets:
            return problem.where
        section, key = match["section"], match["key"] or ""
        if problem.code == "missing-key":
            key = problem.got.rpartition(" ")[2]  # "has no name"
        row = self._row(section, match, problem.code)
        if (section, row, key) in self.cells:
            return self.cells[section, row, key]
        place = self.rows.get((section, row), sheets[section])
        return f"{place}, {key}" if key else place

    def _row(self, section: str, match: re.Match[str], code: str) -> int:
        if match["number"] or match["step"]:
            return int(match["number"] or match["step"]) - 1
        if not match["label"]:
            return 0
        label = match["label"][1:-1]
        rows = [row for known, row in self.labels.get(section, []) if known == label or label in known]
        return (rows[-1] if code == "duplicate-name" else rows[0]) if rows else -1


def study_from_form(tables: Sequence[RawTable], default_name: str) -> tuple[dict[str, Any], tuple[Problem, ...]]:
    """The tables of study.toml that a filled form says, and what was noticed, each at its sheet and cell.

    Raises StudyError with everything that is wrong, in the same way.
    """
    reader = _FormReader()
    for table in tables:
        reader.take(table)
    source = reader.source
    source.setdefault("study", {}).setdefault("name", default_name)
    try:
        study = Study.from_dict(source)
    except StudyError as error:
        found = [replace(problem, where=reader.places.found(problem, reader.sheets)) for problem in error.problems]
        raise StudyError([*reader.problems, *_not_twice(reader.problems, found)]) from None
    if reader.problems:
        raise StudyError(reader.problems)
    notes = tuple(replace(problem, where=reader.places.found(problem, reader.sheets)) for problem in study.problems)
    return source, notes


def _not_twice(first: Sequence[Problem], second: Sequence[Problem]) -> list[Problem]:
    """Problems of the definition at cells that could be read: one that could not is told once."""
    told = {problem.where for problem in first}
    return [problem for problem in second if not (problem.level == "stop" and any(w in problem.where for w in told))]


class _FormReader:
    """Takes the sheets of a form into the tables of study.toml."""

    def __init__(self) -> None:
        self.source: dict[str, Any] = {}
        self.problems: list[Problem] = []
        self.places = _Places()
        self.sheets: dict[str, str] = {}

    def take(self, table: RawTable) -> None:
        """Read one sheet; it is known by its headings. One that is not of the form is a problem if it is filled."""
        if table.header[:1] == (FORM_MARK,):
            return
        mark = decimal_mark(piece for row in table.rows for cell in row for piece in _numbers_in(cell))
        if mark == "unknown":
            mark = "open"
        if {WHAT, ANSWER} <= set(table.header):
            self._answers(table, mark)
            return
        sheet = next((one for one in SHEETS if _fits(one, table)), None)
        if sheet is None:
            self._stop(table.where(), "headings of no sheet of the form", "the headings as they were",
                       "put the headings back, or remove the sheet")  # fmt: skip
            return
        self.sheets[sheet.section] = table.where()
        self._rows(sheet, table, mark)

    def _stop(self, where: str, got: str, allowed: str, do: str) -> None:
        self.problems.append(Problem("form", "stop", where, got, allowed, do))

    def _answers(self, table: RawTable, mark: Mark) -> None:
        known = {cell.heading: cell for cell in answers()}
        what, answer = table.header.index(WHAT), table.header.index(ANSWER)
        for section in ("study", "make", "plan", "done"):
            self.sheets.setdefault(section, table.where())
        for row, cells in enumerate(table.rows):
            label = tidy(str(cells[what] or ""))
            cell = known.get(label)
            if cell is None:
                if label not in ANSWERS and not is_blank(cells[answer]):
                    self._stop(table.where(row, answer), f"an answer beside {label!r}", "the questions as they were",
                               "put the question back")  # fmt: skip
                continue
            where = f"{table.where(row, answer).removesuffix(f', {ANSWER}')}, {cell.heading}"
            self.places.cells[cell.section, 0, cell.key] = where
            value = self._value(cell, cells[answer], where, mark)
            if value is not None:
                self.source.setdefault(cell.section, {})[cell.key] = value

    def _rows(self, sheet: Sheet, table: RawTable, mark: Mark) -> None:
        """Take the parts of a repeated section from a sheet, a row each; rows left as their hints stand are none."""
        places = {
            cell.heading: table.header.index(cell.heading) for cell in sheet.cells if cell.heading in table.header
        }
        unknown = [head for head in table.header if head and head not in places]
        for head in unknown:
            self._stop(table.where(None, table.header.index(head)), f"a column {head!r} of its own",
                       "the columns as they were", "take it out; remarks go beside the form")  # fmt: skip
        rows = self.source.setdefault(sheet.section, [])
        for row, cells in enumerate(table.rows):
            filled = [c for c in sheet.cells if c.heading in places and not is_blank(cells[places[c.heading]])]
            if not filled or all(tidy(str(cells[places[c.heading]])) == tidy(c.hint) for c in filled):
                continue
            number = len(rows)
            part: dict[str, Any] = {}
            for cell in filled:
                where = table.where(row, places[cell.heading])
                self.places.cells[sheet.section, number, cell.key] = where
                value = self._value(cell, cells[places[cell.heading]], where, mark)
                if value is not None:
                    _put(part, cell, value)
            for cell in sheet.cells:
                if cell.heading in places:
                    self.places.cells.setdefault(
                        (sheet.section, number, cell.key), table.where(row, places[cell.heading])
                    )
            self.places.rows[sheet.section, number] = table.where(row)
            label = next((part[key] for key in ("name", "rule", "does") if isinstance(part.get(key), str)), "")
            self.places.labels.setdefault(sheet.section, []).append((label, number))
            rows.append(_closed(part))
        if not rows:
            del self.source[sheet.section]

    def _value(self, cell: Cell, raw: object, where: str, mark: Mark) -> Any:
        """What stands in a cell, of the type its key wants; None where nothing stands or it cannot be read."""
        if is_blank(raw):
            return None
        if isinstance(raw, Uncalculated):
            self._stop(where, "a formula without a stored result", "what it comes to", "save the file once more")
            return None
        types = cell.spec.types
        text = tidy(f"{raw:g}" if isinstance(raw, float) and raw.is_integer() else str(raw))
        if "flag" in types:
            word = text.casefold()
            if word not in _YES | _NO:
                self._stop(where, repr(text), f"{YES} or {NO}", "choose from the list")
                return None
            return word in _YES
        if "percent" in types and _PERCENT.fullmatch(text):
            return text.replace(",", ".")
        if "numbers" in types and ";" in text:
            found = [self._number(cell, piece, where, mark) for piece in text.split(";") if piece.strip()]
            return None if None in found else found
        numeric = {"number", "whole", "pair", "open pair"} & set(types)
        if numeric and not ("text" in types and not re.match(r"[+-]?[0-9.,]", text)):
            return self._number(cell, raw, where, mark)
        if "texts" in types and types[0] == "texts":
            pieces = text.split(";") if ";" in text else _PIECE.findall(text)
            return [piece.strip() for piece in pieces if piece.strip()]
        return text

    def _number(self, cell: Cell, raw: object, where: str, mark: Mark) -> float | int | str | None:
        read = read_number(raw, "", mark)
        if isinstance(read, Refusal) or read.bound != "none" or read.value is None:
            got = read.got if isinstance(read, Refusal) else repr(tidy(str(raw)))
            do = read.do if isinstance(read, Refusal) else "write the number alone"
            allowed = "a number" + (' or a percentage such as "10 %"' if "percent" in cell.spec.types else "")
            self._stop(where, got, allowed, do)
            return None
        whole = read.value.is_integer() and ("whole" in cell.spec.types or isinstance(raw, int))
        return int(read.value) if whole else read.value


def _numbers_in(cell: object) -> list[object]:
    """The numbers of a cell that holds nothing else, as typed: of a method or remark with numbers in it, none."""
    pieces = [piece.strip() for piece in cell.split(";")] if isinstance(cell, str) else [cell]
    return [piece for piece in pieces if not isinstance(piece, str) or _ONLY_NUMBER.fullmatch(piece)]


def _fits(sheet: Sheet, table: RawTable) -> bool:
    """Whether a table has most of a sheet's headings."""
    headings = {cell.heading for cell in sheet.cells}
    return len(headings & set(table.header)) > 0.6 * len(headings)


def _put(part: dict[str, Any], cell: Cell, value: Any) -> None:
    if cell.end is None:
        part[cell.key] = value
    else:
        part.setdefault(cell.key, [None, None])[cell.end] = value


def _closed(part: dict[str, Any]) -> dict[str, Any]:
    """Pairs with an open end: infinite where the method has none, one number where both are meant to be it."""
    for key, value in part.items():
        if isinstance(value, list) and len(value) == 2 and None in value:
            given = value[0] if value[0] is not None else value[1]
            part[key] = given if key == "temp_c" else [-math.inf if value[0] is None else value[0],
                                                       math.inf if value[1] is None else value[1]]  # fmt: skip
    return part
