"""Tables as they come from the bench: CSV, XLSX and ODS files read into raw tables.

Nothing in a file is evaluated or run. Limits on size come before reading, so that a hostile or broken file
costs little. What the cells mean is decided elsewhere (`doe.definition.cells`, `doe.bench.intake`).
"""

from __future__ import annotations

import csv
import io
import re
import stat
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from doe.definition.celltext import tidy
from doe.problems import Problem, ResultsError
from doe.tables.opendocument import grids_of_open_document, is_open_document
from doe.tables.rawtable import MAX_COLUMNS, MAX_ROWS, Grid, RawTable, checked, is_blank, refuse, rows_too_wide, too_big
from doe.tables.workbooks import grids_of_workbook, tables_of_grids

__all__ = [
    "Grid",
    "RawTable",
    "csv_text",
    "file_bytes",
    "grids_from_bytes",
    "guarded",
    "is_blank",
    "read_tables",
    "tables_from_bytes",
    "unguarded",
]

MAX_BYTES = 20_000_000
_LONGEST_TEXT = 50_000  # of a cell that is written: far more than a remark, and far less than a reader of CSV takes
_DELIMITERS = (",", ";", "\t", "|")
# Files that are often sent under the name of a table, by how they begin.
_NO_TABLES = {
    b"%pdf": "a PDF",
    b"<": "a web page or XML",
    b"{\\rtf": "a text document",
    b"{": "JSON",
    b"[{": "JSON",
}
# Where a spreadsheet begins a cell - also one that takes ; or a tab for what parts them - and what it would work out
# there, in narrow and wide signs; a ' counts too, so that what was put in can be told from what stood there.
_BEGINS = r"(?:\A|(?<=[;\t\r\n|]))"
_WORKED_OUT = r"[=+\-@\t\r\n'＝＋－＠]"
_TO_GUARD = re.compile(rf"{_BEGINS}(?={_WORKED_OUT})")
_GUARD = re.compile(rf"{_BEGINS}'(?={_WORKED_OUT})")


def guarded(text: str) -> str:
    """Text that no spreadsheet takes for a formula: = + - @ (or a tab, or ') where a cell may begin gets a ' before it.

    `unguarded` takes it off again, exactly.
    """
    return _TO_GUARD.sub("'", text)


def unguarded(text: str) -> str:
    """The text that `guarded` was given."""
    return _GUARD.sub("", text)


def csv_text(header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A whole CSV file as text (RFC 4180): None is empty, floats in full precision, text guarded.

    Raises `ResultsError` for a text that is too long to be read back.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([guarded(name) for name in header])
    writer.writerows([_written(cell) for cell in row] for row in rows)
    return out.getvalue()


def _written(cell: object) -> str:
    if cell is None or (isinstance(cell, float) and np.isnan(cell)):
        return ""
    if isinstance(cell, bool | np.bool_):
        return "true" if cell else "false"
    if isinstance(cell, float | np.floating):
        shown = repr(float(cell))
        return shown[:-2] if shown.endswith(".0") else shown
    text = str(cell) if isinstance(cell, int | np.integer) else guarded(str(cell))
    if len(text) > _LONGEST_TEXT:
        raise refuse("a table", f"a text of {len(text)} signs ({text[:20]} ...)", f"up to {_LONGEST_TEXT} in one cell",
                     "say it in short, and keep the rest beside the study")  # fmt: skip
    return text


def read_tables(path: str | Path) -> tuple[RawTable, ...]:
    """The tables of a CSV file (one) or a workbook (one a sheet that is not empty).

    Raises `ResultsError` if it is missing, a folder, empty, too big, encrypted, carries macros, or is no table.
    """
    return tables_from_bytes(file_bytes(path), Path(path).name)


def file_bytes(path: str | Path) -> bytes:
    """The bytes of a file someone gave, read only where it is a file and not too big.

    Raises `ResultsError` if it is missing, a folder, a device, too big, or may not be read.
    """
    path = Path(path)
    name = path.name
    if path.is_dir():
        raise refuse(name, "a folder", "a CSV or XLSX file", "give the file inside it")
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise refuse(name, "a device or a pipe", "a CSV or XLSX file", "save what comes from it in a file")
        if found.st_size > MAX_BYTES:
            got = f"{found.st_size / 1e6:.0f} MB"
            raise refuse(name, got, f"at most {MAX_BYTES / 1e6:.0f} MB", "send the table alone")
        return path.read_bytes()
    except FileNotFoundError:
        raise refuse(name, "no such file", "a CSV or XLSX file", "check the name and the folder") from None
    except OSError as error:
        raise refuse(name, f"cannot be read ({error.strerror})", "a readable file", "check who may read it") from None


def tables_from_bytes(content: bytes, name: str) -> tuple[RawTable, ...]:
    """As `read_tables`, from the bytes of a file called `name`."""
    if _is_workbook(content, name):
        return tables_of_grids(_workbook_grids(content, name))
    return (_csv_table(content, name),)


def grids_from_bytes(content: bytes, name: str) -> tuple[Grid, ...]:
    """The sheets of a workbook, or the one of a CSV file, before anything is taken for a header.

    Raises `ResultsError` as `read_tables` does.
    """
    if _is_workbook(content, name):
        return _workbook_grids(content, name)
    return (_csv_grid(content, name),)


def _workbook_grids(content: bytes, name: str) -> tuple[Grid, ...]:
    return grids_of_open_document(content, name) if is_open_document(content) else grids_of_workbook(content, name)


def _is_workbook(content: bytes, name: str) -> bool:
    suffix = Path(name).suffix.lower()
    if not content.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise refuse(name, "an empty file", "a table with a header row", "fill it in, or send the right file")
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        raise refuse(
            name, "an encrypted workbook or one of the old XLS kind", "CSV or XLSX without a password",
            "save it as XLSX, without a password",
        )  # fmt: skip
    if content.startswith(b"PK"):
        return True
    if suffix in (".xlsx", ".xlsm"):
        raise refuse(name, "a file that is not a workbook", "CSV or XLSX", "save it again as XLSX")
    start = content.removeprefix(b"\xef\xbb\xbf").lstrip()[:16].lower()
    for sign, what in _NO_TABLES.items():
        if start.startswith(sign):
            raise refuse(name, what, "CSV or XLSX", "open it where it was made, and save it as XLSX or CSV")
    return False


def _csv_grid(content: bytes, name: str) -> Grid:
    """The rows of a CSV file that are not empty, all as wide as the widest."""
    text, findings = _decoded(content, name)
    lines = text.splitlines()
    delimiter = ""
    if lines and lines[0].lower().startswith("sep=") and len(lines[0].strip()) <= 5:
        delimiter, text = lines[0][4:5], text.split("\n", 1)[-1]
    try:
        delimiter = delimiter or _delimiter(text)
        rows = list(_limited(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True), name))
    except csv.Error as error:
        raise refuse(name, f"a file that does not read as a table ({error})", "CSV as in RFC 4180",
                     "save it again as CSV, with quotes closed") from None  # fmt: skip
    if not rows:
        raise refuse(name, "an empty file", "a table with a header row", "fill it in, or send the right file")
    width = max(len(cells) for _, cells in rows)
    body = tuple(tuple((cells + [""] * width)[:width]) for _, cells in rows)
    return Grid(name, "", body, tuple(number for number, _ in rows), (), findings, delimiter != ",")


def _csv_table(content: bytes, name: str) -> RawTable:
    grid = _csv_grid(content, name)
    header = tuple(unguarded(tidy(str(cell))) for cell in grid.rows[0])
    if problems := rows_too_wide(grid, 0):
        raise ResultsError(problems)
    if len(grid.rows) == 1:
        raise refuse(name, "a header without rows", "one row a trial", "fill it in, or send the right file")
    return checked(replace(grid.under(0), header=header))


def _limited(reader: Iterator[list[str]], name: str) -> Iterator[tuple[int, list[str]]]:
    """Rows that are not empty, with their line numbers, up to the limits."""
    kept = 0
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        kept += 1
        if kept > MAX_ROWS + 1 or len(cells) > MAX_COLUMNS:
            raise too_big(name)
        yield reader.line_num, cells  # type: ignore[attr-defined]


def _decoded(content: bytes, name: str) -> tuple[str, tuple[Problem, ...]]:
    boms = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
    encoding = next((boms[bom] for bom in boms if content.startswith(bom)), "")
    if not encoding:
        zeros = content[:2000].count(0) / max(1, len(content[:2000]))
        encoding = "utf-8" if zeros < 0.2 else "utf-16-le" if content[1:2] == b"\x00" else "utf-16-be"
    findings: tuple[Problem, ...] = ()
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError:
            raise refuse(name, "a file that is not text", "CSV in UTF-8, or XLSX", "save it as CSV in UTF-8") from None
        findings = (
            Problem("table-encoding", "inform", name, "text that is not UTF-8", "CSV in UTF-8",
                    "read as Windows-1252; check names with accents"),
        )  # fmt: skip
    if "\x00" in text:
        raise refuse(name, "a file that is not text", "CSV in UTF-8, or XLSX", "save it as CSV in UTF-8")
    return text, findings


def _delimiter(text: str) -> str:
    """The delimiter under which the first rows have as many cells as the header, and most of them.

    The header is the first row that it parts: a title of one cell may stand above.
    """
    head = "\n".join(text.splitlines()[:60])
    best, score = ",", (0, 0.0)
    for candidate in _DELIMITERS:
        try:
            counts = [len(row) for row in csv.reader(io.StringIO(head), delimiter=candidate) if row]
        except csv.Error:
            continue
        width = next((count for count in counts if count > 1), 0)
        if not width:
            continue
        agree = counts.count(width) / len(counts)
        if (int(agree > 0.5), width * agree) > score:
            best, score = candidate, (int(agree > 0.5), width * agree)
    return best
