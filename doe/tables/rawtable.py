"""A table as it came: a header, rows of raw cells, and where each of them stood."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from zipfile import ZipInfo

import numpy as np
import pandas as pd

from doe.definition.cells import Uncalculated
from doe.definition.celltext import tidy
from doe.problems import Problem, ResultsError, listed

MAX_ROWS = 20_000
MAX_COLUMNS = 500
MAX_UNPACKED = 200_000_000
MAX_RATIO = 200
_MOST_DECIMALS = 3


@dataclass(frozen=True, slots=True)
class RawTable:
    """A header and the rows under it, as they came.

    `source` is the file's name, `sheet` the sheet of a workbook ("" otherwise). `numbers` are the row numbers
    as a person counts them; `spots` are column letters in a workbook. `rows` hold None, text, numbers, dates
    or `Uncalculated`. `findings` are what was noticed while reading. `may_have_commas` says that decimals in it may be
    written with a comma: not where commas stand between the columns. `formulas` are those of a workbook whose stored
    results stand in `rows`, by cell (C5).
    """

    source: str
    sheet: str
    header: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]
    numbers: tuple[int | str, ...]
    spots: tuple[str, ...]
    findings: tuple[Problem, ...] = ()
    may_have_commas: bool = False
    formulas: Mapping[str, str] = field(default_factory=dict)

    def where(self, row: int | None = None, column: int | None = None) -> str:
        """The place in words: file, sheet, row, column or cell. `row` and `column` count from 0."""
        parts = [self.source] if self.source else []
        if self.sheet:
            parts.append(f"sheet {self.sheet}")
        name = f"column {self.header[column]}" if column is not None and self.header[column] else ""
        if self.spots and row is not None and column is not None:
            parts.append(f"cell {self.spots[column]}{self.numbers[row]}")
            name = name.replace("column ", "")
        elif row is not None:
            parts.append(f"row {self.numbers[row]}")
        elif self.spots and column is not None:
            parts.append(f"column {self.spots[column]}")
            name = name.replace("column ", "")
        if name:
            parts.append(name)
        return ", ".join(parts) or "table"


@dataclass(frozen=True, slots=True)
class Grid:
    """The filled part of a sheet or file before anything is taken for a header.

    `rows` and `numbers` leave out empty rows, `spots` are column letters in a workbook. `merged` are the merged areas
    there; a value merged over several rows stands in each of them.
    """

    source: str
    sheet: str
    rows: tuple[tuple[object, ...], ...]
    numbers: tuple[int, ...]
    spots: tuple[str, ...]
    findings: tuple[Problem, ...] = ()
    may_have_commas: bool = False
    merged: tuple[str, ...] = ()
    formulas: Mapping[str, str] = field(default_factory=dict)

    def where(self, row: int | None = None, column: int | None = None) -> str:
        """The place in words. `row` and `column` count from 0."""
        bare = RawTable(self.source, self.sheet, ("",) * len(self.rows[0]), (), self.numbers, self.spots)
        if row is not None and column is not None and not self.spots:
            return f"{bare.where(row)}, cell {column + 1}"
        return bare.where(row, column)

    def under(self, header: int) -> RawTable:
        """The rows under a header row as a table; not checked."""
        names = tuple("" if cell is None or not isinstance(cell, str) else tidy(cell) for cell in self.rows[header])
        return RawTable(self.source, self.sheet, names, self.rows[header + 1 :], self.numbers[header + 1 :], self.spots,
                        self.findings, self.may_have_commas, self.formulas)  # fmt: skip


def seen_sheets(shown: Sequence[Grid], hidden: Sequence[str], name: str) -> tuple[Grid, ...]:
    """The sheets of a workbook that can be seen; the first says which were hidden and not read.

    Raises `ResultsError` if none has anything on it.
    """
    if not shown:
        raise refuse(name, "a workbook with nothing on it", "a table with a header row", "send the right file")
    if not hidden:
        return tuple(shown)
    left = Problem("hidden-sheets", "warn", name, f"hidden sheets {listed(hidden)}, which were not read",
                   "sheets that can be seen", "show them if they belong")  # fmt: skip
    return replace(shown[0], findings=(left, *shown[0].findings)), *shown[1:]


_SHOW = "show them and check that they belong"
_BY_EYE = (
    ("hidden-rows", "hidden rows {}, which were read like the others", "rows that can be seen", _SHOW),
    ("hidden-columns", "hidden columns {}, which were read like the others", "columns that can be seen", _SHOW),
    ("struck-out", "struck out: {}, read like the others", "values that count",
     "clear them, or flag them 'do not use' with a note"),
    ("comments", "comments that were not read: {}", "what is to be kept, in a cell", "move them into a column note"),
)  # fmt: skip


def seen_only_by_eye(where: str, found: Mapping[str, Sequence[str]]) -> tuple[Problem, ...]:
    """What a reader of values alone would pass over, as findings: `found` by code, each with the places it stands."""
    return tuple(
        Problem(code, "warn", where, got.format(listed(found[code])), allowed, do)
        for code, got, allowed, do in _BY_EYE
        if found.get(code)
    )


def rows_too_wide(grid: Grid, header: int) -> list[Problem]:
    """Rows of a file of text that have more cells than the header (a row, from 0), such as 1,5 between commas.

    A workbook may have remarks beside its columns: nothing is wrong there.
    """
    width = filled(grid.rows[header])
    wide = [] if grid.spots else [n for n in range(header + 1, len(grid.rows)) if filled(grid.rows[n]) > width]
    return [
        Problem("table", "stop", grid.where(row), f"{filled(grid.rows[row])} cells", f"{width}, as in the header",
                "decimal commas need ; between the columns, text with such a sign quotes, each column a name")
        for row in wide
    ]  # fmt: skip


def is_split(whole: object, tail: object) -> bool:
    """Whether two cells beside each other may be one number with a decimal comma, such as 1 and 5 for 1,5."""
    one, other = tidy(str(whole)), tidy(str(tail))
    return one.isdecimal() and other.isdecimal() and len(other) <= _MOST_DECIMALS


def filled(cells: Sequence[object]) -> int:
    """How many cells a row has up to the last that is filled."""
    return max((place for place, cell in enumerate(cells, start=1) if not is_blank(cell)), default=0)


def refuse(where: str, got: str, allowed: str, do: str, code: str = "table") -> ResultsError:
    """A `ResultsError` with this one problem."""
    return ResultsError([Problem(code, "stop", where, got, allowed, do)])


def table_from_frame(frame: pd.DataFrame) -> RawTable:
    """A DataFrame as a raw table. Its index becomes column `trial` if it is named so or holds names.

    The frame is not changed. Raises `ResultsError` for one without rows, and as `checked` does.
    """
    header = [str(column).strip() for column in frame.columns]
    columns = [frame.iloc[:, place].tolist() for place in range(frame.shape[1])]
    index_name = str(frame.index.name or "")
    named = not isinstance(frame.index, pd.RangeIndex) and frame.index.dtype.kind in "OTU"
    if "trial" not in header and (index_name == "trial" or (named and index_name in ("", "batch"))):
        header.insert(0, "batch" if index_name == "batch" and "batch" not in header else "trial")
        columns.insert(0, frame.index.tolist())
    if not columns or not len(frame):
        raise refuse("table", "a table without rows", "one row a trial", "give the trials")
    rows = tuple(tuple(_plain(cell) for cell in row) for row in zip(*columns, strict=True))
    numbers = tuple(range(1, len(rows) + 1))
    return checked(RawTable("", "", tuple(header), rows, numbers, ()))


def _plain(cell: object) -> object:
    if cell is None or cell is pd.NA or cell is pd.NaT:
        return None
    return cell.item() if isinstance(cell, np.generic) else cell


def checked(table: RawTable) -> RawTable:
    """The table, with its header checked: no name twice, no data under a nameless column. Empty columns go.

    Raises `ResultsError` with every fault of the header.
    """
    problems: list[Problem] = []
    seen: dict[str, int] = {}
    keep: list[int] = []
    for place, column in enumerate(table.header):
        filled = next((row for row, cells in enumerate(table.rows) if not is_blank(cells[place])), None)
        if not column:
            if filled is None:
                continue
            where = table.where(filled, place)
            problems.append(Problem("table", "stop", where, f"{table.rows[filled][place]!r} in a column without a name",
                                    "a name over every column", "name the column, or clear it"))  # fmt: skip
        elif column in seen:
            problems.append(Problem("table", "stop", table.where(None, place), f"column {column} stands twice",
                                    "each name once", "remove or rename one of them"))  # fmt: skip
        seen.setdefault(column, place)
        keep.append(place)
    if problems:
        raise ResultsError(problems)
    return with_columns(table, [(table.header[place], place) for place in keep])


def with_columns(table: RawTable, columns: Sequence[tuple[str, int]]) -> RawTable:
    """The table with some of its columns, each under a heading of its own choosing: (heading, place)."""
    return replace(
        table,
        header=tuple(heading for heading, _ in columns),
        rows=tuple(tuple(row[place] for _, place in columns) for row in table.rows),
        spots=tuple(table.spots[place] for _, place in columns) if table.spots else (),
    )


def calculated(table: RawTable, places: Sequence[int]) -> list[Problem]:
    """What is said of cells in these columns that hold a formula: which, the formula, and the stored result taken."""
    if not table.formulas or not table.spots:
        return []
    told = []
    for cells, number in zip(table.rows, table.numbers, strict=True):
        for place in places:
            formula = table.formulas.get(f"{table.spots[place]}{number}")
            if formula is not None and not is_blank(cells[place]) and not isinstance(cells[place], Uncalculated):
                value = f"{cells[place]:.10g}" if isinstance(cells[place], float) else tidy(str(cells[place]))
                told.append(f"{table.spots[place]}{number} {tidy(formula)[:60]} taken as {value}")
    if not told:
        return []
    do = "nothing is worked out here: make sure that the file was saved after its last change"
    got = f"{len(told)} result{'s' if len(told) != 1 else ''} of formulas, as last stored in the file: {listed(told)}"
    return [Problem("calculated", "warn", table.where(), got, "numbers as they were read", do)]


def is_blank(cell: object) -> bool:
    """Whether nothing stands in a cell."""
    return cell is None or (isinstance(cell, str) and not tidy(cell)) or (isinstance(cell, float) and np.isnan(cell))


def too_big(name: str) -> ResultsError:
    """The refusal of a table beyond the limits."""
    return refuse(name, "more rows or columns than a series of trials has",
                  f"at most {MAX_ROWS} rows and {MAX_COLUMNS} columns", "send the trials alone")  # fmt: skip


def check_parts(parts: Sequence[ZipInfo], packed: int, name: str) -> None:
    """Refuse an archive of `packed` bytes that comes to more than a table can need, or that can be read in two ways.

    Of two parts of one name one program reads the first and another the last: what was looked at need not be what
    is taken in.
    """
    size = sum(part.file_size for part in parts)
    if size > MAX_UNPACKED or size > MAX_RATIO * max(packed, 50_000):
        raise too_big(name)
    if len({part.filename.casefold() for part in parts}) < len(parts):
        raise refuse(name, "an archive with two parts of one name", "each part once", "open it and save it again")


def column_letters(number: int) -> str:
    """The letters of a column counted from 1: A ... Z, AA ..."""
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
