"""The bench workbook: what the bench weighs, makes and reads, to type into. Its reader is `doe.returned`."""

from __future__ import annotations

import datetime
import io
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe import bench
from doe.bench import Field
from doe.parts import Response
from doe.weighing import weigh_lines
from reports import tokens

if TYPE_CHECKING:
    from doe.design import Design
    from doe.study import Study

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest time a zip entry can carry: no clock in the file
_CREATED = datetime.datetime(2000, 1, 1)
_HOW = (
    "White cells with a border are for writing in. Grey cells are fixed; sheets are protected without a password.",
    "Weigh: what the balance showed, in grams, and the lot. 'within' or 'off' appears beside it.",
    "Make: weights after heating and make-up, pH, time, initials. set_aside: only if a batch must not count; say why.",
    "Readings: one row a reading. The same jar read again: reading 2 on a free row. The trial made again: batch 2.",
    "Write <2000 or >200000 where the instrument cannot read, none seen if nothing was seen, nothing if not measured.",
    "Decimals: point or comma, but one of them throughout. No number with a separator between thousands.",
    "Half a workbook may be sent in, and sent again when there is more: nothing is lost or counted twice.",
    "Trials are found by their ids, never by their place: do not change the columns trial and ingredient.",
    "Heat, acids, alkalis and preservatives: follow the safety data sheets and your local rules.",
)


def write_bench_book(path: str | Path, study: Study, design: Design) -> None:
    """Write the workbook of a round to `path`. The same plan gives the same bytes."""
    Path(path).write_bytes(bench_book(study, design))


def bench_book(study: Study, design: Design) -> bytes:
    """The bytes of the workbook: how to use it, weighing, making, readings, and which plan it belongs to."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    look = _Look()
    trials = [str(trial) for trial in design.runs.sort_values("order", kind="stable").index]
    _how_sheet(book.create_sheet(bench.HOW_SHEET), study, design, look)
    if study.ingredients:
        _weigh_sheet(book.create_sheet(bench.WEIGH_SHEET), study, design, trials, look)
    _make_sheet(book.create_sheet(bench.MAKE_SHEET), study, design, trials, look)
    _read_sheet(book.create_sheet(bench.READ_SHEET), study, trials, look)
    _plan_sheet(book.create_sheet(bench.PLAN_SHEET), study, design, look)
    book.properties.creator, book.properties.title = "Blendwright", f"Bench workbook, round {design.round}"
    book.properties.created = book.properties.modified = _CREATED
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


class _Look:
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
        self.box = Border(thin, thin, thin, thin)
        self.first = Border(top=strong)
        self.first_box = Border(thin, thin, strong, thin)
        self.open, self.shut = Protection(locked=False), Protection(locked=True)
        self.wrap, self.left = Alignment(wrap_text=True, vertical="top"), Alignment(horizontal="left")
        self.under = Border(bottom=strong)

    def fixed(self, cell: Any, value: object, *, first: bool = False, form: str = "General") -> None:
        """Put something into a grey cell that is not for writing."""
        put(cell, value)
        cell.font, cell.fill, cell.protection, cell.number_format = self.font, self.grey, self.shut, form
        if first:
            cell.border = self.first

    def writable(self, cell: Any, value: object = None, *, first: bool = False, form: str = "General") -> None:
        """Make a white bordered cell to write in."""
        put(cell, value)
        cell.font, cell.fill, cell.protection, cell.number_format = self.font, self.white, self.open, form
        cell.border = self.first_box if first else self.box


def put(cell: Any, value: object) -> None:
    """Put a value into a cell; text is text, also where it begins like a formula."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if not isinstance(value, str):
        cell.value = value
        return
    text = ILLEGAL_CHARACTERS_RE.sub("", value)
    cell.value = text
    cell.data_type = "s"
    if text.startswith(("=", "+", "-", "@")):
        cell.quotePrefix = True


def formula(cell: Any, text: str) -> None:
    """Put one of our own formulas into a cell."""
    cell.value = text
    cell.data_type = "f"


def _start(sheet: Any, fields: Sequence[Field], look: _Look, *, landscape: bool = True, frozen: str = "A2") -> None:
    """Heading row, widths, frozen panes, print set-up and protection."""
    from openpyxl.utils import get_column_letter

    for place, field in enumerate(fields, start=1):
        cell = sheet.cell(1, place)
        look.fixed(cell, field.heading)
        cell.font, cell.border, cell.alignment = look.head, look.under, look.wrap
        sheet.column_dimensions[get_column_letter(place)].width = field.width
    sheet.freeze_panes = frozen
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape" if landscape else "portrait"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False
    sheet.sheet_view.showGridLines = False


def _how_sheet(sheet: Any, study: Study, design: Design, look: _Look) -> None:
    _start(sheet, (Field(bench.HOW_MARK, 110),), look, landscape=False)
    lines = [
        f"{study.name or 'Study'}: round {design.round}, {len(design.table)} trials",
        f"Plan {design.digest[:12]}",
        "",
        *_HOW,
    ]
    for row, text in enumerate(lines, start=2):
        cell = sheet.cell(row, 1)
        put(cell, text)
        cell.font, cell.alignment = look.title if row == 2 else look.font, look.wrap
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _weigh_sheet(sheet: Any, study: Study, design: Design, trials: Sequence[str], look: _Look) -> None:
    _start(sheet, bench.WEIGH_FIELDS, look, frozen="E2")
    row = 1
    for trial in trials:
        lines = sorted(
            weigh_lines(study, levels_of(design, trial)), key=lambda line: _phase_place(study, line.ingredient.phase)
        )
        for number, line in enumerate(lines):
            row += 1
            form = "0" + ("." + "0" * line.decimals if line.decimals else "")
            fixed = (trial, None, line.ingredient.phase, line.ingredient.name, line.target_g, line.low_g, line.high_g)
            finer = "0." + "0" * (line.decimals + 1)
            forms = ("General",) * 4 + (form, finer, finer)
            for place, (value, shown) in enumerate(zip(fixed, forms, strict=True), start=1):
                look.fixed(sheet.cell(row, place), value, first=number == 0, form=shown)
            look.writable(sheet.cell(row, 2), 1, first=number == 0)
            look.writable(sheet.cell(row, 8), first=number == 0, form=form)
            look.writable(sheet.cell(row, 9), first=number == 0, form="@")
            mark = sheet.cell(row, 10)
            look.fixed(mark, None, first=number == 0)
            formula(mark, f'=IF(H{row}="","",IF(ISNUMBER(H{row}),IF(AND(ROUND(H{row},6)>=ROUND(F{row},6),'
                          f'ROUND(H{row},6)<=ROUND(G{row},6)),"within","off"),"no number"))')  # fmt: skip
    last = row + 2 * len(study.ingredients)
    for spare in range(row + 1, last + 1):
        for place in range(1, len(bench.WEIGH_FIELDS) + 1):
            cell = sheet.cell(spare, place)
            if place in (1, 2, 4, 8, 9):
                look.writable(cell, first=spare == row + 1)
            else:
                look.fixed(cell, None, first=spare == row + 1)
    _grams(sheet, f"H2:H{last}", bench.WEIGH_FIELDS[7].hint)
    _prompt(sheet, f"I2:I{last}", "lot", bench.WEIGH_FIELDS[8].hint)
    _whole(sheet, f"B2:B{last}", bench.WEIGH_FIELDS[1].hint)


def levels_of(design: Design, trial: str) -> Mapping[str, float | str]:
    """The whole recipe of one trial, by name."""
    row = design.table.loc[[trial]].to_dict("records")[0]
    return {str(name): value for name, value in row.items()}


def _phase_place(study: Study, phase: str) -> int:
    """Phases in the order in which they first stand in the study."""
    order = list(dict.fromkeys(item.phase for item in study.ingredients))
    return order.index(phase)


def make_up_g(study: Study) -> float:
    """The weight [g] a batch is made up to with water before pH: the batch less the adjusters expected after it."""
    late = sum(item.level or 0.0 for item in study.ingredients if item.role == "adjuster")
    return study.batch_g * (1.0 - late / study.total)


def make_fields(study: Study) -> tuple[Field, ...]:
    """The columns of the making sheet: those of `doe.bench`, and each factor as set and as it was run."""
    at = next(place for place, field in enumerate(bench.MAKE_FIELDS) if field.heading == "weighed in g")
    factors = []
    for factor in study.factors:
        heading = f"{factor.name} [{factor.unit}]" if factor.unit else factor.name
        width = max(12.0, len(heading) + 2.0)
        factors.append(Field(bench.SET + heading, width + 5))
        hint = "Only if it was run otherwise than set"
        factors.append(Field(heading, width, "text" if factor.is_category else "number", hint))
    fields = bench.MAKE_FIELDS[:at] + tuple(factors) + bench.MAKE_FIELDS[at:]
    if not study.ingredients:
        weights = ("weighed in g", "make up to g", bench.AFTER_HEAT, bench.MADE_UP)
        fields = tuple(field for field in fields if field.heading not in weights)
    return fields


def _make_sheet(sheet: Any, study: Study, design: Design, trials: Sequence[str], look: _Look) -> None:
    from openpyxl.utils import get_column_letter

    fields = make_fields(study)
    _start(sheet, fields, look, frozen="C2")
    places = {field.heading: place for place, field in enumerate(fields, start=1)}
    for row, trial in enumerate(trials, start=2):
        run = design.runs.loc[[trial]].to_dict("records")[0]
        values: dict[str, object] = {bench.TRIAL: trial, bench.ORDER: int(run["order"]), bench.BATCH: 1,
                                     "block": _text(run.get("block")), "make up to g": make_up_g(study)}  # fmt: skip
        for name, level in levels_of(design, trial).items():
            factor = next((f for f in study.factors if f.name == name), None)
            if factor is not None:
                heading = bench.SET + (f"{name} [{factor.unit}]" if factor.unit else name)
                values[heading] = level if factor.is_category else float(level)
        for field in fields:
            cell = sheet.cell(row, places[field.heading])
            form = "@" if field.write == "text" and field.heading != bench.BATCH else "General"
            (look.writable if field.write else look.fixed)(cell, values.get(field.heading), form=form)
        if study.ingredients:
            end = 1 + len(trials) * len(study.ingredients) + 2 * len(study.ingredients)
            span = {column: f"'{bench.WEIGH_SHEET}'!${column}$2:${column}${end}" for column in "ABH"}
            formula(sheet.cell(row, places["weighed in g"]),
                    f"=SUMIFS({span['H']},{span['A']},A{row},{span['B']},B{row})")  # fmt: skip
    last = len(trials) + 1
    for field in fields:
        area = f"{get_column_letter(places[field.heading])}2:{get_column_letter(places[field.heading])}{last}"
        if field.heading in (bench.AFTER_HEAT, bench.MADE_UP):
            _grams(sheet, area, field.hint)
        elif field.heading in (bench.PH_BEFORE, bench.PH_AFTER):
            _between(sheet, area, 0, 14, field.hint)
        elif field.heading == bench.BATCH:
            _whole(sheet, area, field.hint)
        elif field.write:
            _prompt(sheet, area, field.heading, field.hint)


def _text(value: object) -> str | None:
    return None if value is None or value != value else str(value)


def _read_sheet(sheet: Any, study: Study, trials: Sequence[str], look: _Look) -> None:
    from openpyxl.utils import get_column_letter

    fields = bench.reading_fields(study)
    _start(sheet, fields, look, frozen="D2")
    last = len(trials) + 1 + bench.SPARE_ROWS
    for row in range(2, last + 1):
        planned = row <= len(trials) + 1
        start = (trials[row - 2], 1, 1) if planned else (None, None, None)
        for place in range(1, len(fields) + 1):
            value = start[place - 1] if place <= 3 else None
            cell = sheet.cell(row, place)
            if place == 1 and planned:
                look.fixed(cell, value)
            else:
                look.writable(cell, value, first=row == len(trials) + 2)
    listed = '"' + ",".join(trials) + '"'
    for place, field in enumerate(fields, start=1):
        column = get_column_letter(place)
        area = f"{column}2:{column}{last}"
        response = next((r for r in study.fitted_responses if bench.reading_heading(r) == field.heading), None)
        if response is not None:
            _reading(sheet, area, column, response, field.hint)
        elif field.heading in (bench.BATCH, bench.READING):
            _whole(sheet, area, field.hint)
        elif field.heading == bench.TRIAL and len(listed) <= 255:
            _choice(sheet, area, listed, "Trial", field.hint)
        else:
            _prompt(sheet, area, field.heading, field.hint)


def _plan_sheet(sheet: Any, study: Study, design: Design, look: _Look) -> None:
    _start(sheet, (Field(bench.PLAN_MARK, 22), Field("value", 72)), look, landscape=False)
    facts = (
        ("study", study.name),
        ("round", design.round),
        ("digest", design.digest),
        ("tried", design.study_digests.get("tried", "")),
        ("measured", design.study_digests.get("measured", "")),
    )
    for row, (name, value) in enumerate(facts, start=2):
        look.fixed(sheet.cell(row, 1), name)
        look.fixed(sheet.cell(row, 2), value)
        sheet.cell(row, 2).alignment = look.left


def _add(sheet: Any, area: str, title: str, hint: str, error: str, style: str, **rule: Any) -> None:
    from openpyxl.worksheet.datavalidation import DataValidation

    # Excel holds 32 characters of a title and 255 of a message.
    check = DataValidation(allow_blank=True, errorStyle=style, promptTitle=title[:32], prompt=hint[:255],
                           errorTitle=title[:32], error=error[:255], **rule)  # fmt: skip
    check.showInputMessage, check.showErrorMessage = True, bool(error)
    check.add(area)
    sheet.add_data_validation(check)


def _grams(sheet: Any, area: str, hint: str) -> None:
    _add(sheet, area, "Grams", hint, "Grams, as a number of 0 or more.", "stop",
         type="decimal", operator="greaterThanOrEqual", formula1="0")  # fmt: skip


def _between(sheet: Any, area: str, low: float, high: float, hint: str) -> None:
    _add(sheet, area, "pH", hint, f"A number from {low:g} to {high:g}.", "stop",
         type="decimal", operator="between", formula1=f"{low:g}", formula2=f"{high:g}")  # fmt: skip


def _whole(sheet: Any, area: str, hint: str) -> None:
    _add(sheet, area, "Number", hint, "A whole number from 1.", "stop",
         type="whole", operator="greaterThanOrEqual", formula1="1")  # fmt: skip


def _prompt(sheet: Any, area: str, title: str, hint: str) -> None:
    _add(sheet, area, title, hint, "", "information")


def _choice(sheet: Any, area: str, listed: str, title: str, hint: str) -> None:
    _add(sheet, area, title, hint, "One of the list.", "stop", type="list", formula1=listed)


def _reading(sheet: Any, area: str, column: str, response: Response, hint: str) -> None:
    """A response's cells: grades and pass or fail from a list, numbers or a bound otherwise."""
    words = response.grades if response.kind == "grade" else ("pass", "fail") if response.kind == "pass" else ()
    listed = '"' + ",".join(word.replace('"', '""') for word in words) + '"'
    if words and len(listed) <= 255 and not any("," in word for word in words):
        _choice(sheet, area, listed, response.name, hint)
        return
    if words:
        _prompt(sheet, area, response.name, hint)
        return
    low, high = response.reads
    ends = [
        f"{column}2{sign}{end:g}" for sign, end in ((">=", low), ("<=", high)) if end is not None and math.isfinite(end)
    ]
    number = f"AND(ISNUMBER({column}2),{','.join(ends)})" if ends else f"ISNUMBER({column}2)"
    bound = (
        f'OR(LEFT({column}2,1)="<",LEFT({column}2,1)=">",LOWER({column}2)="none seen",LOWER({column}2)="not measured")'
    )
    _add(
        sheet,
        area,
        response.name,
        hint,
        f"{hint}. Keep it all the same?",
        "warning",
        type="custom",
        formula1=f"OR({number},{bound})",
    )
