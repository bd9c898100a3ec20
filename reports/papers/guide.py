"""The first and the last sheet of the bench workbook: how it is used, and which plan it belongs to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doe.bench import bench
from doe.definition.curve_needs import needs_in_words
from doe.definition.parts import Response
from doe.definition.readingcells import takes_none_seen
from reports.numbers import headed, listed
from reports.papers.spreadsheet import Look, put, start_sheet

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

_PEOPLE = 6  # initials that the lists offer
_LABEL, _TEXT, _MORE = 20.0, 62.0, 40.0
_WEIGH = (
    "Type what the balance showed, and the lot. Beside it stands whether it is within tolerance, and the "
    "sum so far, as a balance shows it that is not tared in between."
)
_MAKE = (
    "The grey columns say how far each batch is. state and set aside: only if it failed or must not count, with the "
    "reason."
)
_HOW = {
    "Readings": "One row a reading, response by response; the arrows in the headings show one trial alone. The same "
    "jar read again: a free row at the end, reading 2. The trial made again: batch 2.",
    "What to write": "The number; <2000 or >200000 where the instrument cannot read; {none} "
    "nothing if not measured. Decimals with a point or a comma, but one of them throughout; no sign between thousands.",
    "Sending it in": "Half a workbook may be sent in, and sent again when there is more: nothing is lost or counted "
    "twice. Trials are found by their ids, never by their place.",
}
_CARE = "Heat, acids, alkalis and preservatives: follow the safety data sheets and your local rules."


def _if_nothing(study: Study) -> str:
    """What to write where nothing was seen, as long as a response of this study may be read so."""
    measured = [response for response in study.measured_responses if response.kind == "number"]
    without = [response.name for response in measured if not takes_none_seen(response)]
    if not without:
        return "none seen if nothing was seen;"
    bound = "if nothing was seen, < and the smallest amount that would have been"
    if len(without) == len(measured):
        return f"{bound};"
    return f"none seen if nothing was seen, but of {listed(without)} {bound.partition(', ')[2]};"


def _how(study: Study, design: Design) -> dict[str, str]:
    """What to do on each sheet of this workbook."""
    written = ["Time, initials, settings run otherwise than set."] if study.factors else ["Time, initials."]
    if study.ingredients:
        ph = ", pH" if bench.adjusts_ph(study) else ""
        written = [f"Weights after heating and make-up{ph}, {written[0][0].lower()}{written[0][1:]}"]
    how = {"Weigh": _WEIGH} if study.ingredients else {}
    how |= {"Make": f"{written[0]} {_MAKE}"}
    if design.make_first:
        stop = "If one of them cannot be made, stop and look at the limits."
        how["Make first"] = f"{listed(design.make_first)}: the extreme recipes. {stop}"
    said = {sheet: text.replace("{none}", _if_nothing(study)) for sheet, text in _HOW.items()}
    return how | said | ({"Care": _CARE} if study.ingredients else {})


def guide_sheet(sheet: Any, study: Study, design: Design, look: Look) -> dict[str, str]:
    """The sheet that says how. Returns the areas on it that lists elsewhere offer: operators and methods."""
    fields = (
        bench.Field(bench.HOW_MARK, _LABEL),
        bench.Field(f"Round {design.round}, {len(design.table)} trials", _TEXT),
        bench.Field(f"Plan {design.digest[:12]}", _MORE),
    )
    start_sheet(sheet, fields, look, frozen="A2", landscape=False)
    sheet.page_setup.fitToHeight = 1
    put(sheet.cell(2, 1), study.name or "Study")
    sheet.cell(2, 1).font = look.title
    sheet.row_dimensions[2].height = 30
    sheet.row_dimensions[1].height = 34
    row = 3
    look.writable(sheet.cell(row, 1), "white, with a border")
    look.fixed(sheet.cell(row + 1, 1), "grey")
    for place, text in ((row, "for writing in"), (row + 1, "fixed; the sheets are protected without a password")):
        _say(sheet, place, text, look)
        sheet.cell(place, 2).alignment = look.middle
    row += 3
    for label, text in _how(study, design).items():
        _label(sheet, row, label, look)
        _say(sheet, row, text, look)
        row += 1
    row, people = _people(sheet, row + 1, look)
    methods = _methods(sheet, row + 1, study, look)
    return {bench.OPERATOR: people, bench.METHOD: methods}


def _label(sheet: Any, row: int, text: str, look: Look) -> None:
    put(sheet.cell(row, 1), text)
    sheet.cell(row, 1).font, sheet.cell(row, 1).alignment = look.head, look.wrap


def _say(sheet: Any, row: int, text: str, look: Look, column: int = 2) -> None:
    cell = sheet.cell(row, column)
    put(cell, text)
    cell.font, cell.alignment = look.font, look.wrap
    width = _TEXT if column == 2 else _MORE
    tall = 5.0 + 15.0 * max(1, -(-len(text) * 0.98 // width))
    sheet.row_dimensions[row].height = max(sheet.row_dimensions[row].height or 0.0, tall)


def _people(sheet: Any, row: int, look: Look) -> tuple[int, str]:
    _label(sheet, row, "Who works here", look)
    _say(sheet, row, "Initials, once each; the lists in the other sheets offer them.", look)
    first = row + 1
    for place in range(first, first + _PEOPLE):
        look.writable(sheet.cell(place, 2), form="@")
    return first + _PEOPLE, f"'{bench.HOW_SHEET}'!$B${first}:$B${first + _PEOPLE - 1}"


def _methods(sheet: Any, row: int, study: Study, look: Look) -> str:
    """What is read, by which method, when and how it is written."""
    _label(sheet, row, "What is read", look)
    for column, text in ((2, "method"), (3, "when, and what to write")):
        look.fixed(sheet.cell(row, column), text)
        sheet.cell(row, column).font = look.head
    first = row + 1
    for response in study.measured_responses:
        row += 1
        put(sheet.cell(row, 1), headed(response.name, response.unit))
        sheet.cell(row, 1).font, sheet.cell(row, 1).alignment = look.font, look.wrap
        _say(sheet, row, response.method, look)
        parts = (_when(response), bench.how_to_write(response), needs_in_words(response, study.responses))
        _say(sheet, row, "; ".join(part for part in parts if part), look, 3)
    return f"'{bench.HOW_SHEET}'!$B${first}:$B${max(first, row)}"


def _when(response: Response) -> str:
    hours = response.after_h
    if hours is None:
        return ""
    return f"after {hours / 24:g} days" if hours >= 72 else f"after {hours:g} h"


def plan_sheet(sheet: Any, study: Study, design: Design, look: Look) -> None:
    """Which plan the workbook belongs to: what `record` compares."""
    start_sheet(sheet, (bench.Field(bench.PLAN_MARK, 22), bench.Field("value", 72)), look, landscape=False)
    facts: Mapping[str, object] = {
        "study": study.name,
        "round": design.round,
        "digest": design.digest,
        "tried": design.study_digests.get("tried", ""),
        "measured": design.study_digests.get("measured", ""),
    }
    for row, (name, value) in enumerate(facts.items(), start=2):
        look.fixed(sheet.cell(row, 1), name)
        look.fixed(sheet.cell(row, 2), value)
        sheet.cell(row, 2).alignment = look.left
