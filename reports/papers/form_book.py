"""The form: a workbook to fill instead of study.toml. Its reader is `doe.form.reading`."""

from __future__ import annotations

from typing import Any

from doe.bench.bench import Field
from doe.form import form
from doe.form.form import Cell, Sheet
from reports.papers.spreadsheet import (
    ROW_POINTS,
    Look,
    at_least,
    book_bytes,
    choice,
    new_book,
    prompt,
    put,
    start_sheet,
    whole,
)

_GUIDE = {
    "What it is": "One study: what may go in, within which limits, what is measured, and what is wanted of it. White "
    "cells with a border are for writing in; grey ones explain.",
    "Study": "Single answers. What is there already may stay.",
    "Ingredients": "One row each. Either low and high (to be varied), or a fixed level, or yes under takes up the rest "
    "(usually water; one ingredient only). Levels in % w/w as supplied; all together make 100.",
    "Process": "Conditions that are varied too, such as minutes of mixing: low and high, or names. May be empty.",
    "Limits": "What may not go together: Wax + Oil <= 9, or Humectant >= 4 * Gum. May be empty.",
    "Responses": "What is measured, by which method, and what is wanted: a target, above, below, within, or "
    "only watch. sd is the scatter between two batches of one recipe, matters the smallest difference worth seeing; "
    "both in the unit, or as 10 %. A flow curve has kind curve, what it is read against and at; each thing taken from "
    "it, such as yield_value, has a row of its own that says taken as what, from which curve.",
    "Steps": "How a batch is made, in order; printed on the batch sheets.",
    "Balances": "What is weighed on: what it reads, how well it repeats, what it carries, in grams.",
    "Then": "blendwright new FOLDER --from this-file.xlsx makes a study of it, or says sheet by sheet and cell by cell "
    "what is missing.",
    "Care": "Whether a product may be sold is for local regulation, a qualified assessor and licensed practice to say.",
}


def form_book() -> bytes:
    """The bytes of the empty form."""
    book = new_book("Study form")
    look = Look()
    _guide_sheet(book.create_sheet(form.GUIDE_SHEET), look)
    _answer_sheet(book.create_sheet(form.STUDY_SHEET), look)
    for sheet in form.SHEETS:
        _part_sheet(book.create_sheet(sheet.title), sheet, look)
    return book_bytes(book)


def _guide_sheet(sheet: Any, look: Look) -> None:
    start_sheet(sheet, (Field(form.FORM_MARK, 24), Field("a workbook to fill instead of study.toml", 80)), look,
                landscape=False)  # fmt: skip
    for row, (label, text) in enumerate(_GUIDE.items(), start=2):
        put(sheet.cell(row, 1), label)
        put(sheet.cell(row, 2), text)
        sheet.cell(row, 1).font, sheet.cell(row, 2).font = look.head, look.font
        sheet.cell(row, 1).alignment = sheet.cell(row, 2).alignment = look.wrap
        sheet.row_dimensions[row].height = 10.0 + 15.0 * (1 + len(text) // 82)


def _answer_sheet(sheet: Any, look: Look) -> None:
    fields = (Field(form.WHAT, 28), Field(form.ANSWER, 34, "text"), Field(form.REMARK, 64))
    start_sheet(sheet, fields, look, landscape=False)
    row = 1
    for part, cells in form.ANSWERS.items():
        row += 1
        put(sheet.cell(row, 1), part)
        sheet.cell(row, 1).font = look.head
        sheet.row_dimensions[row].height = 26
        for cell in cells:
            row += 1
            sheet.row_dimensions[row].height = ROW_POINTS
            look.fixed(sheet.cell(row, 1), cell.heading)
            look.writable(sheet.cell(row, 2), form.GIVEN.get((cell.section, cell.key)), form=_format(cell))
            sheet.cell(row, 2).alignment = look.left
            look.fixed(sheet.cell(row, 3), cell.hint, quiet=True)
            _check(sheet, f"B{row}", cell)


def _part_sheet(sheet: Any, part: Sheet, look: Look) -> None:
    """One sheet: headings, a row that explains them, rows to fill."""
    from openpyxl.utils import get_column_letter

    fields = tuple(Field(cell.heading, cell.width, _write(cell), cell.hint) for cell in part.cells)
    start_sheet(sheet, fields, look, frozen="B3")
    tall = max(1 + int(1.25 * len(cell.hint) // cell.width) for cell in part.cells)
    sheet.row_dimensions[2].height = 15.0 * min(tall, 8)
    first = form.FIRST_ROWS.get(part.section, {})
    for place, cell in enumerate(part.cells, start=1):
        look.fixed(sheet.cell(2, place), cell.hint, quiet=True)
        sheet.cell(2, place).alignment = look.wrap
        letter = get_column_letter(place)
        for row in range(3, 3 + part.rows):
            sheet.row_dimensions[row].height = ROW_POINTS
            value = first.get(cell.key) if row == 3 else None
            look.writable(sheet.cell(row, place), value, form=_format(cell), figures=_write(cell) == "number")
        _check(sheet, f"{letter}3:{letter}{2 + part.rows}", cell)


def _write(cell: Cell) -> Any:
    numeric = {"number", "pair", "open pair", "whole"} & set(cell.spec.types)
    return "number" if numeric and not {"text", "percent"} & set(cell.spec.types) else "text"


def _format(cell: Cell) -> str:
    """Cells that may hold a percentage are text, so that 10 % stays what was typed and does not become 0.1."""
    return "General" if _write(cell) == "number" else "@"


def _check(sheet: Any, area: str, cell: Cell) -> None:
    types, title = set(cell.spec.types), cell.heading
    if cell.choices and len(",".join(cell.choices)) <= 250 and (len(types) == 1 or cell.section == "plan"):
        choice(sheet, area, cell.choices, title, cell.hint, strict=types != {"text", "table"})
    elif types == {"whole"} and (cell.spec.low or 0) >= 1:
        whole(sheet, area, cell.hint)
    elif _write(cell) == "number" and cell.spec.low is not None:
        at_least(sheet, area, title, cell.hint, cell.spec.low)
    else:
        prompt(sheet, area, title, cell.hint)
