"""OpenDocument spreadsheets (ODF 1.2, ISO/IEC 26300) as grids: stored values only, nothing is worked out or run."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from doe.definition.cells import Uncalculated
from doe.definition.celltext import tidy
from doe.problems import Problem, ResultsError
from doe.tables.markup import TooBigError, check_markup
from doe.tables.rawtable import (
    MAX_COLUMNS,
    MAX_ROWS,
    Grid,
    check_parts,
    column_letters,
    is_blank,
    refuse,
    seen_only_by_eye,
    seen_sheets,
    too_big,
)

_NAMES = "urn:oasis:names:tc:opendocument:xmlns:"
_TABLE, _OFFICE, _TEXT, _STYLE = (f"{{{_NAMES}{name}:1.0}}" for name in ("table", "office", "text", "style"))
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"
_TIME = re.compile(r"PT(?P<h>\d+)H(?P<m>\d+)M(?P<s>\d+)(?:[.,]\d+)?S")
MIMETYPE = b"application/vnd.oasis.opendocument.spreadsheet"


def is_open_document(content: bytes) -> bool:
    """Whether the bytes are an OpenDocument spreadsheet: its type stands first, not packed, by the standard."""
    return MIMETYPE in content[:120]


def grids_of_open_document(content: bytes, name: str) -> tuple[Grid, ...]:
    """The sheets with anything on them that can be seen. Raises `ResultsError` for what cannot be read."""
    root = _content(content, name)
    hidden_styles, struck_styles = _styles(root)
    shown: list[Grid] = []
    hidden: list[str] = []
    for table in root.iter(_TABLE + "table"):
        sheet = _Sheet(name, table.get(_TABLE + "name", ""), struck_styles)
        grid = sheet.grid(table)
        if grid is not None and table.get(_TABLE + "style-name") in hidden_styles:
            hidden.append(grid.sheet)
        elif grid is not None:
            shown.append(grid)
    return seen_sheets(shown, hidden, name)


def _content(content: bytes, name: str) -> Element:
    broken = refuse(name, "an OpenDocument file that cannot be read", "ODS, XLSX or CSV", "open it and save it again")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            check_parts(archive.infolist(), len(content), name)
            if any(part.startswith(("Basic/", "Scripts/")) for part in archive.namelist()):
                raise refuse(name, "a workbook with macros", "a workbook without macros", "save it without them")
            check_markup(archive, "content.xml")
            text = archive.read("content.xml")
        return ElementTree.fromstring(text)
    except ResultsError:
        raise
    except TooBigError:
        raise too_big(name) from None
    except Exception:  # whatever a broken part makes the reader trip over, it is the file that is wrong
        raise broken from None


def _styles(root: Element) -> tuple[set[str], set[str]]:
    """Names of the styles of hidden sheets, and of struck-out cells."""
    hidden, struck = set(), set()
    for style in root.iter(_STYLE + "style"):
        for part in style:
            if part.get(_TABLE + "display") == "false":
                hidden.add(style.get(_STYLE + "name", ""))
            if part.get(_STYLE + "text-line-through-style", "none") != "none":
                struck.add(style.get(_STYLE + "name", ""))
    return hidden, struck


@dataclass(slots=True)
class _Sheet:
    """One sheet while it is read: filled cells by place, and what only an eye would see."""

    source: str
    title: str
    struck_styles: set[str]
    filled: dict[tuple[int, int], object] = field(default_factory=dict)
    merged: list[str] = field(default_factory=list)
    seen: dict[str, list[str]] = field(default_factory=dict)
    formulas: dict[str, str] = field(default_factory=dict)

    def grid(self, table: Element) -> Grid | None:
        """The filled part of the sheet; None where there is none. Raises `ResultsError` for one that is too big."""
        row = 0
        for element in table.iter(_TABLE + "table-row"):
            repeated = _count(element, _TABLE + "number-rows-repeated")
            cells = list(self._cells(element))
            for below in range(repeated if cells else 0):
                if below > MAX_ROWS:
                    raise too_big(self._where)
                for column, cell, value in cells:
                    self._put(row + below + 1, column, cell, value)
            if cells and element.get(_TABLE + "visibility") in ("collapse", "filter"):
                self.seen.setdefault("hidden-rows", []).append(str(row + 1))
            row += repeated
        if not self.filled:
            return None
        rows = sorted({place for place, _ in self.filled})
        if len(rows) > MAX_ROWS + 1:
            raise too_big(self._where)
        width = max(column for _, column in self.filled)
        body = tuple(tuple(self.filled.get((place, column)) for column in range(1, width + 1)) for place in rows)
        spots = tuple(column_letters(column) for column in range(1, width + 1))
        findings, merged = self._findings(), tuple(self.merged)
        return Grid(self.source, self.title, body, tuple(rows), spots, findings, True, merged, self.formulas)

    @property
    def _where(self) -> str:
        return f"{self.source}, sheet {self.title}"

    def _cells(self, row: Element) -> Iterator[tuple[int, Element, object]]:
        """The filled cells of a row, with their column."""
        column = 0
        for cell in row:
            if cell.tag not in (_TABLE + "table-cell", _TABLE + "covered-table-cell"):
                continue
            repeated = _count(cell, _TABLE + "number-columns-repeated")
            value = _value(cell)
            if not is_blank(value):
                if column + repeated > MAX_COLUMNS:
                    raise too_big(self._where)
                for place in range(column + 1, column + repeated + 1):
                    yield place, cell, value
            column += repeated

    def _put(self, row: int, column: int, cell: Element, value: object) -> None:
        spot = f"{column_letters(column)}{row}"
        self.filled[row, column] = value
        if formula := cell.get(_TABLE + "formula"):
            self.formulas[spot] = formula.removeprefix("of:")
        down = _count(cell, _TABLE + "number-rows-spanned")
        right = _count(cell, _TABLE + "number-columns-spanned")
        if down > 1 or right > 1:
            self.merged.append(f"{spot}:{column_letters(column + right - 1)}{row + down - 1}")
            for below in range(1, min(down, MAX_ROWS)):
                self.filled[row + below, column] = value
        if cell.get(_TABLE + "style-name") in self.struck_styles:
            self.seen.setdefault("struck-out", []).append(spot)
        for note in cell.iter(_OFFICE + "annotation"):
            said = tidy(" ".join(_text(part) for part in note.iter(_TEXT + "p")))
            self.seen.setdefault("comments", []).append(f"{spot} {said[:60]!r}")

    def _findings(self) -> tuple[Problem, ...]:
        return seen_only_by_eye(self._where, self.seen)


def _count(element: Element, name: str) -> int:
    """How often something is repeated or how far it reaches, as its attribute says; 1 where it says no number."""
    said = element.get(name, "1")
    return int(said) if said.isascii() and said.isdigit() and len(said) < 12 else 1


def _value(cell: Element) -> object:
    """What a cell holds, as a workbook's cell would: a number, a day, a text; a percentage as it is seen."""
    kind = cell.get(_OFFICE + "value-type")
    raw = cell.get(_OFFICE + "value")
    if kind is None:
        formula = cell.get(_TABLE + "formula")
        return Uncalculated(formula) if formula else None
    shown = "\n".join(_text(part) for part in cell if part.tag == _TEXT + "p")
    if cell.get(_CALC + "value-type") == "error":
        return shown if shown.startswith("#") else f"#{shown}"
    try:
        if kind in ("float", "currency") and raw is not None:
            return float(raw)
        if kind == "percentage" and raw is not None:
            return f"{round(100.0 * float(raw), 10)!r} %"
        if kind == "boolean":
            return cell.get(_OFFICE + "boolean-value") == "true"
        if kind == "date":
            return datetime.datetime.fromisoformat(cell.get(_OFFICE + "date-value", ""))
        if kind == "time" and (match := _TIME.fullmatch(cell.get(_OFFICE + "time-value", ""))):
            return datetime.timedelta(hours=int(match["h"]), minutes=int(match["m"]), seconds=int(match["s"]))
    except ValueError:
        return shown
    return cell.get(_OFFICE + "string-value", shown)


def _text(element: Element) -> str:
    """The text of a paragraph; runs of spaces and line breaks are elements of their own."""
    out = [element.text or ""]
    for part in element:
        if part.tag == _TEXT + "s":
            out.append(" " * min(_count(part, _TEXT + "c"), 100))
        elif part.tag in (_TEXT + "tab", _TEXT + "line-break"):
            out.append(" ")
        elif part.tag != _OFFICE + "annotation":
            out.append(_text(part))
        out.append(part.tail or "")
    return "".join(out)
