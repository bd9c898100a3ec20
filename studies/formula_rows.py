"""The rows of a formula under its headings, each read to a line, a sum, a phase heading or a remark."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from doe.definition.cells import Entry, Mark, Refusal, decimal_mark, read_number
from doe.definition.celltext import tidy
from doe.problems import Level, Problem, listed
from doe.tables.rawtable import Grid, filled, is_blank, is_split, rows_too_wide
from studies.formula_sheet import row_text
from studies.formula_toml import Line
from studies.formula_words import KG_PER, PHASE_ROW, REST, TOTAL, is_adjuster, is_kilograms, price_unit

_AMOUNTS = ("share", "ppm", "grams", "low", "high", "range")
_WHOLE, _PPM = 100.0, 1e-4  # [%] all there is, and one part in a million
_TEXTS = ("inci", "supplier", "function", "note")  # columns in which no bare number stands
_NUMBERED = ("lot", "charge", "batch no", "cas", "cas no")  # beside remarks, in which one may
_OFF = 0.05  # [%] what rounded levels may add up beside 100; our choice
_PAIR = 2
_NAME_WORDS = 5  # a longer text without an amount is a remark
_REST_STARTS = ("q.s", "qs", "q. s", "q.b", "q. b")


@dataclass(slots=True)
class FormulaRows:
    """Reads a formula's rows. `notes` are what was understood and what was not, `problems` the cells at fault."""

    grid: Grid
    header: int
    columns: Mapping[str, int]
    notes: list[Problem] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    totals: dict[str, float] = field(default_factory=dict)
    mark: Mark = "unknown"

    def lines(self) -> list[Line]:
        """The lines of the formula, as they came."""
        numbers = [self.columns[kind] for kind in (*_AMOUNTS, "price") if kind in self.columns]
        rows = range(self.header + 1, len(self.grid.rows))
        self.mark = decimal_mark(self.grid.rows[row][place] for row in rows for place in numbers)
        if self.mark == "unknown" and self.grid.may_have_commas:
            self.mark = "open"
        self.problems += rows_too_wide(self.grid, self.header)
        self._stop_split(rows)
        self._say_beside(rows)
        lines: list[Line] = []
        phase = ""
        for row in rows:
            if heading := self._phase_heading(row):
                phase = heading
                self.say(row, f"phase {phase}")
            elif (line := self._line(row, phase)) is not None:
                phase = line.phase or phase
                lines.append(line)
        return lines

    def _stop_split(self, rows: range) -> None:
        """A level such as 1,5 that commas between the columns parted: 1, and 5 in the cell after it.

        Under a heading for texts no bare number stands. Under any other it may: there the levels tell, where they come
        to 100 % with those numbers as their decimals, and do not without.
        """
        if self.grid.spots or self.grid.may_have_commas:
            return
        texts = {self.columns[kind] for kind in _TEXTS if kind in self.columns}
        texts -= {place for place in texts if tidy(str(self.grid.rows[self.header][place])).casefold() in _NUMBERED}
        for kind in ("share", "grams"):
            if (place := self.columns.get(kind)) is None:
                continue
            pairs = {row: [str(cell).strip() for cell in self.grid.rows[row][place : place + 2]] for row in rows}
            split = {row: pair for row, pair in pairs.items() if len(pair) == _PAIR and is_split(*pair)}
            if place + 1 not in texts and not (kind == "share" and self._adds_up_split(pairs, split)):
                continue
            for row, (whole, tail) in split.items():
                do = "decimals with a point, in quotes, or ; between the columns"
                self.stop(row, kind, f"{whole} and {tail} in the cell after it", f"{whole}.{tail} in one cell", do)

    def _adds_up_split(self, pairs: Mapping[int, list[str]], split: Mapping[int, list[str]]) -> bool:
        """Whether the levels of a column come to 100 % only with the numbers beside them as decimals."""
        lines = {row: pair for row, pair in pairs.items() if pair[0] and not self._is_sum(row)}
        if not split or not all(pair[0].isdecimal() for pair in lines.values()):
            return False
        bare = math.fsum(float(pair[0]) for pair in lines.values())
        joined = math.fsum(float(".".join(split[row]) if row in split else pair[0]) for row, pair in lines.items())
        return abs(joined - _WHOLE) <= _OFF < abs(bare - _WHOLE)

    def _is_sum(self, row: int) -> bool:
        """Whether a row sums others up: its first or second text says so."""
        labels = [tidy(cell) for cell in self.grid.rows[row] if isinstance(cell, str) and not is_blank(cell)]
        return any(TOTAL.fullmatch(label) for label in labels[:2])

    def _say_beside(self, rows: range) -> None:
        """Cells of a workbook that stand beyond the headings: not read, and said."""
        width = filled(self.grid.rows[self.header])
        beside = [row for row in rows if self.grid.spots and filled(self.grid.rows[row]) > width]
        if beside:
            places = listed([f"{self.grid.spots[width]}{self.grid.numbers[row]}" for row in beside])
            self.say(self.header, f"cells beside the columns, under no heading: {places}", "warn", "not read")

    def heading(self, kind: str) -> str:
        """The heading over a column."""
        return tidy(str(self.grid.rows[self.header][self.columns[kind]]))

    def stop(self, row: int, kind: str | None, got: str, allowed: str, do: str) -> None:
        """Note a cell that cannot be read."""
        where = self.grid.where(row)
        if kind is not None:
            where = self.grid.where(row, self.columns[kind]) if self.grid.spots else where
            where = f"{where}, column {self.heading(kind)}"
        self.problems.append(Problem("cell", "stop", where, got, allowed, do))

    def say(self, row: int | None, text: str, level: Level = "inform", do: str = "") -> None:
        """Note what was understood, or (warn) what was not or only perhaps."""
        code = "understood" if level == "inform" else "unsure"
        self.notes.append(Problem(code, level, self.grid.where(row), text, "", do))

    def _cell(self, row: int, kind: str) -> object:
        return self.grid.rows[row][self.columns[kind]] if kind in self.columns else None

    def _text(self, row: int, kind: str) -> str:
        cell = self._cell(row, kind)
        return "" if is_blank(cell) else tidy(f"{cell:g}" if isinstance(cell, float) else str(cell))

    def _phase_heading(self, row: int) -> str:
        """The phase that a row with nothing but its name begins; a merged row says it several times."""
        filled = {tidy(str(cell)) for cell in self.grid.rows[row] if not is_blank(cell)}
        match = PHASE_ROW.fullmatch(next(iter(filled))) if len(filled) == 1 else None
        return match[1].upper() if match else ""

    def _line(self, row: int, phase: str) -> Line | None:
        name, inci = self._text(row, "name"), self._text(row, "inci")
        has_amount = any(not is_blank(self._cell(row, kind)) for kind in _AMOUNTS)
        labels = [tidy(cell) for cell in self.grid.rows[row] if isinstance(cell, str) and not is_blank(cell)]
        if self._is_sum(row) or (has_amount and not name and not inci):
            self._total(row, labels[0] if labels else "")
            return None
        if not has_amount and not self._is_gap(row, name, inci):
            do = "taken for a remark and not used; give it a level if it is an ingredient"
            self.say(row, f"{row_text(self.grid, row)!r} has no amount", "warn", do)
            return None
        line = Line(
            row=row, name=name or inci, inci=inci, phase=self._text(row, "phase") or phase,
            supplier=self._text(row, "supplier"), function=self._text(row, "function"), note=self._text(row, "note"),
            price=self._price(row),
        )  # fmt: skip
        return self._with_amounts(row, line)

    def _is_gap(self, row: int, name: str, inci: str) -> bool:
        """Whether a row without an amount is an ingredient all the same: a short name above the sum, or with facts."""
        if not name and not inci:
            return False
        if any(self._text(row, kind) for kind in ("price", "supplier")) or (inci and inci != name):
            return True
        said = name.endswith((".", ":", "!")) or ":" in name or len(name.split()) > _NAME_WORDS
        return not said and not self.totals

    def _with_amounts(self, row: int, line: Line) -> Line:
        share, ppm, grams, spread = (self._amount(row, kind) for kind in ("share", "ppm", "grams", "range"))
        low, high = self._number(row, "low"), self._number(row, "high")
        for found in (share, spread):
            if isinstance(found, tuple):
                low, high = found
        if low is not None and high is not None and low > high:
            self.stop(row, "low" if "low" in self.columns else None, f"{low:g} to {high:g}", "low before high", "swap")
        level = share if isinstance(share, float) else ppm * _PPM if isinstance(ppm, float) else None
        for kind, value in (("share", level), ("low", low), ("high", high)):
            if isinstance(value, float) and value > _WHOLE:
                do = "mend the level; is it a weight, or was a decimal mark lost?"
                place = kind if kind in self.columns else None
                self.stop(row, place, f"{value:g} % of {line.name}", f"0 to {_WHOLE:g} %", do)
        weight = grams if isinstance(grams, float) else None
        rest = "rest" in (share, ppm, grams)
        words = self._text(row, "share") or self._text(row, "grams")
        open_line = level is None and weight is None and low is None and high is None
        adjusts = open_line and is_adjuster(line.name, line.inci, words)
        return replace(line, level=level, grams=weight, low=low, high=high, adjusts=adjusts, rest=rest and not adjusts)

    def _amount(self, row: int, kind: str) -> float | tuple[float, float] | str | None:
        """A level or weight: a number, (low, high), "rest" for q.s., or None where nothing stands."""
        cell = self._cell(row, kind)
        if is_blank(cell):
            return None
        words = tidy(cell).casefold() if isinstance(cell, str) else ""
        if words and (REST.fullmatch(words) or words.startswith(_REST_STARTS)):
            return "rest"
        heavy = kind == "grams" and is_kilograms(self.heading(kind))
        unit = "ppm" if kind == "ppm" else "%" if kind != "grams" else "kg" if heavy else "g"
        read = self._read(row, cell, unit)
        if isinstance(read, Entry) and read.bound == "between" and read.value is not None and read.value_to is not None:
            return read.value, read.value_to
        if isinstance(read, Refusal) or read.bound != "none":
            got = read.got if isinstance(read, Refusal) else repr(tidy(str(cell)))
            do = read.do if isinstance(read, Refusal) else "mend the cell"
            self.stop(row, kind, got, "a number, low to high, or q.s.", do)
            return math.nan
        if read.value is not None and read.value < 0:
            self.stop(row, kind, f"{read.value:g}", "0 or more", "check the sign")
        return None if read.value is None else read.value * (1000.0 if heavy else 1.0)

    def _read(self, row: int, cell: object, unit: str) -> Entry | Refusal:
        """A cell as a number in `unit`; a word for nothing measured is none here."""
        read = read_number(cell, unit, self.mark)
        if isinstance(read, Entry) and read.missing and read.missing != "blank":
            return Refusal(repr(tidy(str(cell))), "a number", "write the number, or leave the cell empty")
        if isinstance(read, Entry) and read.unsure:
            self.say(row, read.said, "warn", "take the comma out if it stands between thousands")
        return read

    def _number(self, row: int, kind: str) -> float | None:
        cell = self._cell(row, kind)
        if is_blank(cell):
            return None
        read = self._read(row, cell, "%")
        if isinstance(read, Refusal) or read.bound != "none":
            got = read.got if isinstance(read, Refusal) else repr(str(cell))
            self.stop(row, kind, got, "a number", read.do if isinstance(read, Refusal) else "mend the cell")
            return None
        return read.value

    def _price(self, row: int) -> float | None:
        cell = self._cell(row, "price")
        if is_blank(cell):
            return None
        bare = tidy(cell).strip("€£$ ").removesuffix("/kg").strip("€£$ ") if isinstance(cell, str) else cell
        read = read_number(bare, "", self.mark)
        if isinstance(read, Refusal) or read.bound != "none" or read.value is None:
            self.say(row, f"price {str(cell)!r} is no number", "warn", "left out; write it into study.toml")
            return None
        return round(read.value / KG_PER.get(price_unit(self.heading("price"))[1], 1.0), 9)

    def _total(self, row: int, label: str) -> None:
        """A row that sums up. The last one counts: those before are sums of phases."""
        shown = []
        for kind in ("share", "grams"):
            cell = self._cell(row, kind)
            read = None if is_blank(cell) else read_number(cell, "%" if kind == "share" else "g", self.mark)
            if isinstance(read, Entry) and read.value is not None:
                heavy = kind == "grams" and is_kilograms(self.heading(kind))
                self.totals[kind] = read.value * (1000.0 if heavy else 1.0)
                shown.append(self._text(row, kind))
        self.say(row, f"{label or 'a row without a name'}: {', '.join(shown) or 'no number'}, taken for a sum")
