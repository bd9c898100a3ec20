"""XLSX workbooks read into raw tables, safely: checked as an archive first, then read without evaluating anything."""

from __future__ import annotations

import io
import warnings
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from doe.definition.cells import Uncalculated
from doe.definition.celltext import tidy
from doe.problems import Problem, ResultsError
from doe.tables.markup import TooBigError, check_markup
from doe.tables.rawtable import (
    MAX_COLUMNS,
    MAX_ROWS,
    Grid,
    RawTable,
    check_parts,
    checked,
    column_letters,
    is_blank,
    refuse,
    seen_only_by_eye,
    seen_sheets,
    too_big,
)


def tables_of_grids(grids: Sequence[Grid]) -> tuple[RawTable, ...]:
    """Grids as tables under their first row, the header. Raises `ResultsError` with what is wrong on each sheet."""
    problems: list[Problem] = []
    tables: list[RawTable] = []
    for grid in grids:
        try:
            tables.append(_table(grid))
        except ResultsError as error:
            problems += error.problems
    if problems:
        raise ResultsError(problems)
    return tuple(tables)


def grids_of_workbook(content: bytes, name: str) -> tuple[Grid, ...]:
    """The sheets of a workbook given as bytes that have anything on them, hidden ones left out.

    Raises `ResultsError` for what is no workbook or not safe to open.
    """
    _check_archive(content, name)
    values, formulas = _opened(content, name)
    grids: list[Grid] = []
    hidden: list[str] = []
    for sheet in values.worksheets:
        grid = _grid(sheet, formulas[sheet.title], name)
        if grid is not None and sheet.sheet_state == "visible":
            grids.append(grid)
        elif grid is not None:
            hidden.append(sheet.title)
    return seen_sheets(grids, hidden, name)


def _check_archive(content: bytes, name: str) -> None:
    no_workbook = refuse(name, "a zip archive that is not a workbook", "CSV or XLSX", "save it again as XLSX")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            check_parts(archive.infolist(), len(content), name)
            parts = archive.namelist()
            if "mimetype" in parts and "content.xml" in parts:
                raise refuse(name, "an OpenDocument file that is no spreadsheet", "ODS, XLSX or CSV", "save it as ODS")
            if "[Content_Types].xml" not in parts or "xl/workbook.xml" not in parts:
                raise no_workbook
            kinds = archive.read("[Content_Types].xml")
            if b"macroEnabled" in kinds or any("vbaproject" in part.lower() for part in parts):
                raise refuse(name, "a workbook with macros", "CSV or XLSX without macros", "save it as XLSX")
            for part in parts:
                if part.endswith((".xml", ".rels")):
                    check_markup(archive, part)
    except ResultsError:
        raise
    except TooBigError:
        raise too_big(name) from None
    except Exception:
        raise no_workbook from None


def _opened(content: bytes, name: str) -> tuple[Any, Mapping[str, Mapping[tuple[int, int], str]]]:
    """The workbook with stored values, and where formulas stand, by sheet. Sizes are checked on the way."""
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            streamed = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=False, keep_links=False)
            for sheet in streamed.worksheets:
                sheet.reset_dimensions()  # what a file says of its size need not be true
            formulas = {sheet.title: _formulas(sheet, name) for sheet in streamed.worksheets}
            streamed.close()
            values = openpyxl.load_workbook(io.BytesIO(content), data_only=True, keep_links=False)
    except ResultsError:
        raise
    except Exception as error:  # whatever a broken part makes the reader trip over, it is the file that is wrong
        kind = type(error).__name__
        raise refuse(name, f"a workbook that cannot be read ({kind})", "XLSX", "open it and save it again") from None
    return values, formulas


def _formulas(sheet: Any, name: str) -> Mapping[tuple[int, int], str]:
    """Where formulas stand on a streamed sheet; refuses one that is too big before it is held in memory."""
    found: dict[tuple[int, int], str] = {}
    rows = 0
    for cells in sheet.iter_rows():
        filled = False
        for cell in cells:
            if cell.value is None:
                continue
            filled = True
            if cell.column > MAX_COLUMNS:
                raise too_big(f"{name}, sheet {sheet.title}")
            if cell.data_type == "f":
                text = getattr(cell.value, "text", cell.value)
                found[cell.row, cell.column] = text if isinstance(text, str) else "a formula"
        rows += filled
        if rows > MAX_ROWS + 1:
            raise too_big(f"{name}, sheet {sheet.title}")
    return found


def _filled(sheet: Any, formulas: Mapping[tuple[int, int], str]) -> dict[tuple[int, int], object]:
    filled: dict[tuple[int, int], object] = {}
    for (row, column), cell in sorted(sheet._cells.items()):
        value = cell.value
        if value is None and (row, column) in formulas:
            value = Uncalculated(formulas[row, column])
        elif isinstance(value, int | float) and not isinstance(value, bool) and "%" in str(cell.number_format):
            value = f"{round(100.0 * value, 10)!r} %"  # what is seen as 0.5 % is stored as 0.005
        if not is_blank(value):
            filled[row, column] = value
    return filled


def _grid(sheet: Any, formulas: Mapping[tuple[int, int], str], name: str) -> Grid | None:
    filled = _filled(sheet, formulas)
    if not filled:
        return None
    where = f"{name}, sheet {sheet.title}"
    top = min(row for row, _ in filled)
    merged = sorted((area for area in sheet.merged_cells.ranges if area.max_row >= top), key=str)
    for area in merged:
        for row in range(area.min_row + 1, min(area.max_row, area.min_row + MAX_ROWS) + 1):
            if (area.min_row, area.min_col) in filled:
                filled.setdefault((row, area.min_col), filled[area.min_row, area.min_col])
    rows = sorted({row for row, _ in filled})
    width = max(column for _, column in filled)
    spots = tuple(column_letters(column) for column in range(1, width + 1))
    body = tuple(tuple(filled.get((row, column)) for column in range(1, width + 1)) for row in rows)
    findings = _seen_only_by_eye(sheet, filled, rows, where)
    held = {f"{column_letters(column)}{row}": formula for (row, column), formula in formulas.items()}
    return Grid(name, sheet.title, body, tuple(rows), spots, findings, True, tuple(map(str, merged)), held)


def _seen_only_by_eye(
    sheet: Any, filled: Mapping[tuple[int, int], object], rows: Sequence[int], where: str
) -> tuple[Problem, ...]:
    """What a reader of values alone would pass over: hidden rows and columns, struck-out cells, comments."""
    hidden = [str(row) for row in rows if sheet.row_dimensions[row].hidden] if sheet.row_dimensions else []
    cells = [sheet._cells[place] for place in filled if place in sheet._cells]
    struck = [cell.coordinate for cell in cells if cell.font is not None and cell.font.strike]
    said = [f"{cell.coordinate} {tidy(str(cell.comment.text))[:60]!r}" for cell in cells if cell.comment is not None]
    columns = _hidden_columns(sheet, {column for _, column in filled})
    found = {"hidden-rows": hidden, "hidden-columns": columns, "struck-out": struck, "comments": said}
    return seen_only_by_eye(where, found)


def _hidden_columns(sheet: Any, filled: set[int]) -> list[str]:
    out = []
    for dimension in sheet.column_dimensions.values():
        if dimension.hidden:
            last = min(dimension.max or 0, MAX_COLUMNS)
            out += [column_letters(c) for c in range(dimension.min or 1, last + 1) if c in filled]
    return sorted(out, key=lambda letters: (len(letters), letters))


def _table(grid: Grid) -> RawTable:
    where = grid.where()
    if grid.merged:
        raise refuse(where, "merged cells at " + ", ".join(grid.merged[:5]), "one cell a value",
                     "unmerge them and fill each cell")  # fmt: skip
    if len(grid.rows) == 1:
        raise refuse(where, "a header without rows", "one row a trial", "fill it in, or remove the sheet")
    header = tuple(map(_heading, grid.rows[0]))
    return checked(replace(grid.under(0), header=header))


def _heading(value: object) -> str:
    return "" if value is None or isinstance(value, Uncalculated) else tidy(str(value))
