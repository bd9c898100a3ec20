"""What all our workbooks share: the look of cells, sheets that print, checks that explain, text that is never run."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from typing import Any

from doe.bench.bench import Field
from reports import tokens

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time a zip entry can carry: no clock in the file
_CREATED = datetime.datetime(2000, 1, 1)
# What the format holds (ECMA-376 and the limits its programs keep to, from memory): else they offer to repair the file.
MOST_TITLE, MOST_MESSAGE, MOST_LIST = 32, 255, 255
ROW_POINTS = 19.0


def new_book(title: str) -> Any:
    """An empty workbook without sheets."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    book.properties.creator, book.properties.title = "Blendwright", title
    book.properties.created = book.properties.modified = _CREATED
    return book


def book_bytes(book: Any) -> bytes:
    """The workbook as a file: the same cells give the same bytes."""
    out = io.BytesIO()
    book.save(out)
    return _same_bytes(out.getvalue())


def _same_bytes(content: bytes) -> bytes:
    """The archive again, with fixed times and no time of saving."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            part = old.read(name)
            if name == "docProps/core.xml":
                stamp = _CREATED.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
                part = re.sub(rb"(<dcterms:(?:modified|created)[^>]*>)[^<]*", rb"\g<1>" + stamp, part)
            info = zipfile.ZipInfo(name, _EPOCH)
            info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
            new.writestr(info, part)
    return out.getvalue()


class Look:
    """Fonts, fills and borders, made once from the design tokens."""

    def __init__(self) -> None:
        from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side

        ink, faint = tokens.bare(tokens.LIGHT.ink), tokens.bare(tokens.LIGHT.faint)
        thin, strong = Side("thin", color=tokens.bare(tokens.LIGHT.thread)), Side("medium", color=ink)
        self.font = Font(name=tokens.OFFICE_FONT, size=11, color=ink)
        self.head = Font(name=tokens.OFFICE_FONT, size=11, color=ink, bold=True)
        self.title = Font(name=tokens.OFFICE_FONT, size=16, color=ink, bold=True)
        self.quiet = Font(name=tokens.OFFICE_FONT, size=11, color=faint)
        self.grey = PatternFill("solid", fgColor=tokens.bare(tokens.LIGHT.well))
        self.white = PatternFill("solid", fgColor="FFFFFF")
        self.box, self.first, self.under = Border(thin, thin, thin, thin), Border(top=strong), Border(bottom=strong)
        self.first_box = Border(thin, thin, strong, thin)
        self.open, self.shut = Protection(locked=False), Protection(locked=True)
        self.wrap = Alignment("left", "top", wrap_text=True, indent=1)
        self.heading = Alignment("left", "bottom", wrap_text=True, indent=1)
        self.figure_heading = Alignment("right", "bottom", wrap_text=True, indent=1)
        self.shrunk = Alignment("left", "center", shrink_to_fit=True, indent=1)
        self.left = self.middle = Alignment("left", "center", indent=1)
        self.right = Alignment("right", "center", indent=1)

    def fixed(
        self, cell: Any, value: object, *, first: bool = False, form: str = "General", quiet: bool = False
    ) -> None:
        """Put something into a grey cell that is not for writing; `quiet` where it only says again what is above."""
        put(cell, value)
        cell.font, cell.fill = self.quiet if quiet else self.font, self.grey
        cell.protection, cell.number_format = self.shut, form
        cell.alignment = self.middle if isinstance(value, str) else self.right
        if first:
            cell.border = self.first

    def writable(
        self, cell: Any, value: object = None, *, first: bool = False, form: str = "General", figures: bool = False
    ) -> None:
        """Make a white bordered cell to write in; `figures` stand to the right."""
        put(cell, value)
        cell.font, cell.fill, cell.protection, cell.number_format = self.font, self.white, self.open, form
        cell.border = self.first_box if first else self.box
        cell.alignment = self.right if figures or isinstance(value, int | float) else self.middle


def put(cell: Any, value: object) -> None:
    """Put a value into a cell; text is text, also where it begins like a formula."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if not isinstance(value, str):
        cell.value = value
        return
    text = ILLEGAL_CHARACTERS_RE.sub("", value)[:32000]
    cell.value = text
    cell.data_type = "s"
    if text.startswith(("=", "+", "-", "@")):
        cell.quotePrefix = True


def formula(cell: Any, text: str) -> None:
    """Put one of our own formulas into a cell."""
    cell.value = text
    cell.data_type = "f"


def start_sheet(
    sheet: Any, fields: Sequence[Field], look: Look, *, landscape: bool = True, frozen: str = "A2", foot: str = ""
) -> None:
    """Heading row, widths, frozen panes, print set-up and protection. `foot` is printed at the foot of each page."""
    from openpyxl.utils import get_column_letter

    tall = 1
    for place, field in enumerate(fields, start=1):
        cell = sheet.cell(1, place)
        look.fixed(cell, field.heading)
        figures = field.figures or field.write in ("number", "whole")
        cell.font, cell.border = look.head, look.under
        cell.alignment = look.figure_heading if figures else look.heading
        sheet.column_dimensions[get_column_letter(place)].width = field.width
        tall = max(tall, _lines(field.heading, field.width))
    sheet.row_dimensions[1].height = 4.0 + 15.0 * tall
    sheet.freeze_panes = frozen
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape" if landscape else "portrait"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top, margins.bottom, margins.footer = 0.5, 0.8, 0.35
    sheet.oddFooter.left.text = foot.replace("&", "&&")
    sheet.oddFooter.right.text = "&A, page &P of &N"
    protection = sheet.protection
    protection.sheet = True
    protection.formatColumns = protection.formatRows = protection.autoFilter = protection.sort = False
    sheet.sheet_view.showGridLines = False


def _lines(text: str, width: float) -> int:
    """About how many lines a heading takes in a column of this width, words kept whole where they fit."""
    lines, used = 1, 0.0
    for word in text.split():
        need = len(word) * 1.15
        if used and used + 1 + need > width - 0.5:
            lines, used = lines + 1, need
        else:
            used += need + (1 if used else 0)
    return lines


def add_check(sheet: Any, area: str, title: str, hint: str, error: str = "", style: str = "stop", **rule: Any) -> None:
    """A check of what is typed into an area, with a hint beside the cell and a message where it is broken."""
    from openpyxl.worksheet.datavalidation import DataValidation

    check = DataValidation(allow_blank=True, errorStyle=style, promptTitle=title[:MOST_TITLE],
                           prompt=hint[:MOST_MESSAGE], errorTitle=title[:MOST_TITLE], error=error[:MOST_MESSAGE],
                           **rule)  # fmt: skip
    check.showInputMessage, check.showErrorMessage = bool(hint), bool(error)
    check.add(area)
    sheet.add_data_validation(check)


def at_least(sheet: Any, area: str, title: str, hint: str, low: float = 0.0) -> None:
    """A number of `low` or more."""
    add_check(sheet, area, title, hint, f"A number of {low:g} or more.", type="decimal",
              operator="greaterThanOrEqual", formula1=f"{low:g}")  # fmt: skip


def between(sheet: Any, area: str, title: str, hint: str, low: float, high: float) -> None:
    """A number from `low` to `high`."""
    add_check(sheet, area, title, hint, f"A number from {low:g} to {high:g}.", type="decimal", operator="between",
              formula1=f"{low:g}", formula2=f"{high:g}")  # fmt: skip


def whole(sheet: Any, area: str, hint: str) -> None:
    """A whole number from 1."""
    add_check(sheet, area, "Number", hint, "A whole number from 1.", type="whole", operator="greaterThanOrEqual",
              formula1="1")  # fmt: skip


def prompt(sheet: Any, area: str, title: str, hint: str) -> None:
    """Only a hint."""
    add_check(sheet, area, title, hint)


def choice(sheet: Any, area: str, words: Iterable[str], title: str, hint: str, *, strict: bool = True) -> None:
    """One of some words, from a list; only a hint where they do not fit into one. Unless `strict`, others may come."""
    words = list(words)
    listed = '"' + ",".join(word.replace('"', '""') for word in words) + '"'
    if not words or len(listed) > MOST_LIST or any("," in word or word != word.strip() for word in words):
        prompt(sheet, area, title, hint)
        return
    error = "One of the list." if strict else "This is not in the list. Keep it all the same?"
    add_check(sheet, area, title, hint, error, "stop" if strict else "warning", type="list", formula1=listed)


def choice_from(sheet: Any, area: str, source: str, title: str, hint: str, *, strict: bool = False) -> None:
    """One of what stands in the cells of `source`; unless `strict`, others may come."""
    add_check(sheet, area, title, hint, "One of the list." if strict else "", type="list", formula1=source)
