"""The bench workbook: what the bench weighs, makes and reads, to type into. Its reader is `doe.bench.returned`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe.bench import bench
from doe.definition.materials import labels
from doe.definition.parts import Response
from doe.definition.process import phase_order
from doe.definition.readingcells import takes_none_seen
from doe.recipes.weighing import weigh_lines
from reports.papers.guide import guide_sheet, plan_sheet
from reports.papers.spreadsheet import (
    ROW_POINTS,
    Look,
    add_check,
    at_least,
    between,
    book_bytes,
    choice,
    choice_from,
    formula,
    new_book,
    prompt,
    start_sheet,
    whole,
)

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

_SPARE_MAKINGS = 6
_PAGE_ROWS = 24  # rows of a landscape A4 page under its heading; a page fitted to its width holds as many or more


def write_bench_book(path: str | Path, study: Study, design: Design) -> None:
    """Write the workbook of a round to `path`. The same plan gives the same bytes."""
    Path(path).write_bytes(bench_book(study, design))


def bench_book(study: Study, design: Design) -> bytes:
    """The bytes of the workbook: how to use it, weighing, making, readings, and which plan it belongs to."""
    book = new_book(f"Bench workbook, round {design.round}")
    look = Look()
    trials = [str(trial) for trial in design.runs.sort_values("order", kind="stable").index]
    lists = guide_sheet(book.create_sheet(bench.HOW_SHEET), study, design, look)
    makers = _Makers(study, design, trials, look, lists, f"Round {design.round}, plan {design.digest[:12]}")
    if study.ingredients:
        makers.weigh_sheet(book.create_sheet(bench.WEIGH_SHEET))
    makers.make_sheet(book.create_sheet(bench.MAKE_SHEET))
    makers.read_sheet(book.create_sheet(bench.READ_SHEET))
    plan_sheet(book.create_sheet(bench.PLAN_SHEET), study, design, look)
    return book_bytes(book)


def levels_of(design: Design, trial: str) -> Mapping[str, float | str]:
    """The whole recipe of one trial, by name."""
    row = design.table.loc[[trial]].to_dict("records")[0]
    return {str(name): value for name, value in row.items()}


def make_up_g(study: Study) -> float:
    """The weight [g] a batch is made up to with water before pH: the batch less the adjusters expected after it."""
    late = sum(item.level or 0.0 for item in study.ingredients if item.role == "adjuster")
    return study.batch_g * (1.0 - late / study.total)


class _Places:
    """Which column each heading stands in, as number and letter, and areas under it."""

    def __init__(self, fields: Sequence[bench.Field]) -> None:
        from openpyxl.utils import get_column_letter

        self.number = {field.heading: place for place, field in enumerate(fields, start=1)}
        self.letter = {heading: get_column_letter(place) for heading, place in self.number.items()}

    def area(self, heading: str, first: int, last: int) -> str:
        """The cells under a heading, such as H2:H40."""
        return f"{self.letter[heading]}{first}:{self.letter[heading]}{last}"

    def span(self, sheet: str, heading: str, last: int) -> str:
        """The same, fixed and on its sheet, for formulas that stand elsewhere."""
        return f"'{sheet}'!${self.letter[heading]}$2:${self.letter[heading]}${last}"


class _Makers:
    """Makes the sheets that are written in."""

    def __init__(
        self, study: Study, design: Design, trials: Sequence[str], look: Look, lists: Mapping[str, str], foot: str
    ) -> None:
        self.study, self.design, self.trials, self.look = study, design, trials, look
        self.lists, self.foot = lists, foot
        self.weigh, self.weigh_end = _Places(bench.WEIGH_FIELDS), 1 + (len(trials) + 2) * len(study.ingredients)
        self.read_fields = bench.reading_fields(study)
        self.read = _Places(self.read_fields)
        self.rows = bench.reading_rows(study)
        self.read_planned = 1 + len(trials) * len(self.rows)
        self.read_end = self.read_planned + bench.spare_rows(len(trials))

    def weigh_sheet(self, sheet: Any) -> None:
        """A line an ingredient and trial: target, tolerance, what was weighed, whether it is within, the lot."""
        from openpyxl.worksheet.pagebreak import Break

        start_sheet(sheet, bench.WEIGH_FIELDS, self.look, frozen="E2", foot=self.foot)
        row = page = 1  # a batch is not torn apart in print: `page` is the row before the first of a page
        for trial in self.trials:
            first, lines = row + 1, _by_phase(self.study, levels_of(self.design, trial))
            if row + len(lines) > page + _PAGE_ROWS and row > page:
                sheet.row_breaks.append(Break(id=row))
                page = row
            for line in lines:
                row += 1
                form = "0" + ("." + "0" * line.decimals if line.decimals else "")
                finer = "0." + "0" * (line.decimals + 1)
                self._weigh_row(sheet, row, first, form)
                for heading, value, shown in (
                    (bench.TRIAL, trial, "General"), ("phase", line.ingredient.phase, "General"),
                    (bench.INGREDIENT, line.label, "General"), (bench.TARGET, line.target_g, form),
                    ("from g", line.low_g, finer), ("to g", line.high_g, finer),
                ):  # fmt: skip
                    quiet = row > first and heading == bench.TRIAL
                    cell = sheet.cell(row, self.weigh.number[heading])
                    self.look.fixed(cell, value, first=row == first, form=shown, quiet=quiet)
        planned = row
        for spare in range(row + 1, self.weigh_end + 1):
            self._weigh_row(sheet, spare, row + 1, "General")
            self._spare_weigh_row(sheet, spare, planned)
        self._weigh_checks(sheet, planned)

    def _weigh_row(self, sheet: Any, row: int, first: int, form: str) -> None:
        at = {heading: sheet.cell(row, place) for heading, place in self.weigh.number.items()}
        col = self.weigh.letter
        starts = row == first
        sheet.row_dimensions[row].height = ROW_POINTS
        self.look.writable(at[bench.BATCH], 1, first=starts)
        self.look.writable(at[bench.ACTUAL], first=starts, form=form, figures=True)
        self.look.writable(at[bench.LOT], first=starts, form="@")
        self.look.fixed(at[bench.MARK], "", first=starts)
        self.look.fixed(at[bench.SO_FAR], None, first=starts, form=form)
        actual, target = f"{col[bench.ACTUAL]}{row}", f"{col[bench.TARGET]}{row}"
        low, high = f"{col['from g']}{row}", f"{col['to g']}{row}"
        by = f'"off "&IF({actual}>{target},"+","")&ROUND(100*({actual}/{target}-1),1)&" %"'
        formula(at[bench.MARK], f'=IF({actual}="","",IF(NOT(ISNUMBER({actual})),"no number",IF(NOT(ISNUMBER({target})),'
                f'"no target",IF(AND(ROUND({actual},6)>=ROUND({low},6),ROUND({actual},6)<=ROUND({high},6)),"within",'
                f'IF({target}=0,"off",{by})))))')  # fmt: skip
        top = f"{col[bench.ACTUAL]}${first}"
        formula(at[bench.SO_FAR], f'=IF({actual}="","",SUM({top}:{actual}))')

    def _spare_weigh_row(self, sheet: Any, row: int, planned: int) -> None:
        """A row for another making: the target is that of the trial's first making."""
        col, first = self.weigh.letter, row == planned + 1
        for heading in (bench.TRIAL, bench.BATCH, bench.INGREDIENT):
            self.look.writable(sheet.cell(row, self.weigh.number[heading]), first=first)
        self.look.fixed(sheet.cell(row, self.weigh.number["phase"]), None, first=first)
        spans = {h: f"${col[h]}${planned + 1}:{col[h]}{row}" for h in (bench.ACTUAL, bench.TRIAL, bench.BATCH)}
        ours = f"{spans[bench.TRIAL]},{col[bench.TRIAL]}{row},{spans[bench.BATCH]},{col[bench.BATCH]}{row}"
        so_far = sheet.cell(row, self.weigh.number[bench.SO_FAR])
        formula(so_far, f'=IF({col[bench.ACTUAL]}{row}="","",SUMIFS({spans[bench.ACTUAL]},{ours}))')
        for heading in (bench.TARGET, "from g", "to g"):
            cell = sheet.cell(row, self.weigh.number[heading])
            self.look.fixed(cell, None, first=first, form="0.00")
            grams, trials, names = (
                f"${col[one]}$2:${col[one]}${planned}" for one in (heading, bench.TRIAL, bench.INGREDIENT)
            )
            trial, name = f"{col[bench.TRIAL]}{row}", f"{col[bench.INGREDIENT]}{row}"
            # Not SUMIFS: it would take a name such as "=Gum" or "Oil*" for a condition.
            found = f"SUMPRODUCT(({trials}={trial})*({names}={name})*{grams})"
            formula(cell, f'=IF(OR({trial}="",{name}=""),"",{found})')

    def _weigh_checks(self, sheet: Any, planned: int) -> None:
        hints = {field.heading: field.hint for field in bench.WEIGH_FIELDS}
        last = self.weigh_end
        at_least(sheet, self.weigh.area(bench.ACTUAL, 2, last), "Grams", hints[bench.ACTUAL])
        prompt(sheet, self.weigh.area(bench.LOT, 2, last), "Lot", hints[bench.LOT])
        whole(sheet, self.weigh.area(bench.BATCH, 2, last), hints[bench.BATCH])
        spare = planned + 1
        choice(sheet, self.weigh.area(bench.TRIAL, spare, last), self.trials, "Trial", "Trial that was made again")
        several = {item.name for item in self.study.ingredients if item.choice}
        names = [name for name in labels(self.study) if name not in several]
        choice(sheet, self.weigh.area(bench.INGREDIENT, spare, last), names, "Ingredient", "As it is printed above")
        mark = f"${self.weigh.letter[bench.MARK]}2"
        _stands_out(sheet, self.weigh.area(bench.MARK, 2, last), f'LEFT({mark},3)="off"', self.look)

    def _trial_choice(self, sheet: Any, area: str, hint: str) -> None:
        """One of the trials, as they stand on the making sheet; a list of its own would hold about 60 of them."""
        choice_from(sheet, area, f"'{bench.MAKE_SHEET}'!$A$2:$A${1 + len(self.trials)}", "Trial", hint, strict=True)

    def make_sheet(self, sheet: Any) -> None:
        """A row a batch: settings, weights, pH, time, whether it counts, and how far its papers are."""
        fields = bench.make_fields(self.study, extremes=bool(self.design.make_first))
        places = _Places(fields)
        start_sheet(sheet, fields, self.look, frozen="C2", foot=self.foot)
        last = 1 + len(self.trials) + _SPARE_MAKINGS
        for row in range(2, last + 1):
            sheet.row_dimensions[row].height = ROW_POINTS
            trial = self.trials[row - 2] if row - 2 < len(self.trials) else None
            values = self._making(trial) if trial else {}
            for field in fields:
                cell = sheet.cell(row, places.number[field.heading])
                form = "@" if field.write == "text" else "General"
                first = row == len(self.trials) + 2
                if field.write or (trial is None and field.heading == bench.TRIAL):
                    figures = field.write == "number"
                    self.look.writable(cell, values.get(field.heading), form=form, first=first, figures=figures)
                else:
                    self.look.fixed(cell, values.get(field.heading), first=first)
            self._live(sheet, row, places)
        self._make_checks(sheet, fields, places, last)

    def _making(self, trial: str) -> dict[str, object]:
        """What stands beside a trial on the making sheet before anything is written."""
        run = self.design.runs.loc[[trial]].to_dict("records")[0]
        values: dict[str, object] = {
            bench.TRIAL: trial,
            bench.ORDER: int(run["order"]),
            bench.BATCH: 1,
            "block": _text(run.get("block")),
            bench.EXTREME: "make first" if trial in self.design.make_first else None,
            bench.MAKE_UP: make_up_g(self.study),
        }
        for name, level in levels_of(self.design, trial).items():
            factor = next((f for f in self.study.factors if f.name == name), None)
            if factor is not None:
                values[bench.SET + bench.factor_heading(factor)] = level if factor.is_category else float(level)
        return values

    def _live(self, sheet: Any, row: int, places: _Places) -> None:
        """The formulas of a making: its sums, and how much of it is weighed and read."""
        key = f"{places.letter[bench.TRIAL]}{row}", f"{places.letter[bench.BATCH]}{row}"
        cells = {heading: sheet.cell(row, place) for heading, place in places.number.items()}
        read = {h: self.read.span(bench.READ_SHEET, h, self.read_end) for h in self.read.letter}
        ours = f"{read[bench.TRIAL]},{key[0]},{read[bench.BATCH]},{key[1]}"
        count = f'COUNTIFS({ours},{read[bench.READING]},1,{read[bench.VALUE]},"<>")'
        self._shown(cells[bench.READ], key[0], f'{count}&" of {len(self.rows)}"')
        if not self.study.ingredients:
            return
        weigh = {h: self.weigh.span(bench.WEIGH_SHEET, h, self.weigh_end) for h in self.weigh.letter}
        ours = f"{weigh[bench.TRIAL]},{key[0]},{weigh[bench.BATCH]},{key[1]}"
        total = f"SUMIFS({weigh[bench.ACTUAL]},{ours})"
        self._shown(cells[bench.WEIGHED], key[0], f'IF({total}=0,"",{total})')
        lines = f'COUNTIFS({ours},{weigh[bench.ACTUAL]},"<>")&" of {len(self.study.ingredients)}"'
        self._shown(cells[bench.LINES], key[0], lines)
        self._shown(cells[bench.OFF], key[0], f'COUNTIFS({ours},{weigh[bench.MARK]},"off*")')
        after, weighed = f"{places.letter[bench.AFTER_HEAT]}{row}", f"{places.letter[bench.WEIGHED]}{row}"
        lost = f'IF(AND(ISNUMBER({after}),ISNUMBER({weighed})),ROUND(100*(1-{after}/{weighed}),1),"")'
        self._shown(cells[bench.LOST], key[0], lost)

    def _shown(self, cell: Any, trial: str, text: str) -> None:
        formula(cell, f'=IF({trial}="","",{text})')
        cell.alignment = self.look.right

    def _make_checks(self, sheet: Any, fields: Sequence[bench.Field], places: _Places, last: int) -> None:
        for field in fields:
            area = places.area(field.heading, 2, last)
            if field.heading in (bench.AFTER_HEAT, bench.MADE_UP):
                at_least(sheet, area, "Grams", field.hint)
            elif field.heading in (bench.PH_BEFORE, bench.PH_AFTER):
                between(sheet, area, "pH", field.hint, 0, 14)
            elif field.heading == bench.OPERATOR:
                choice_from(sheet, area, self.lists[bench.OPERATOR], "Initials", field.hint)
            elif field.choices:
                choice(sheet, area, field.choices, field.heading, field.hint)
            elif field.write == "whole":
                whole(sheet, area, field.hint)
            elif field.write:
                prompt(sheet, area, field.heading, field.hint)
        spare = len(self.trials) + 2
        self._trial_choice(sheet, places.area(bench.TRIAL, spare, last), "Trial that was made again")
        if bench.OFF in places.letter:
            _stands_out(sheet, places.area(bench.OFF, 2, last), f"N(${places.letter[bench.OFF]}2)>0", self.look)

    def read_sheet(self, sheet: Any) -> None:
        """A row a reading, response by response, then free rows for second readings and new makings."""
        start_sheet(sheet, self.read_fields, self.look, frozen="C2", foot=self.foot)
        row = 1
        for response, rate in self.rows:
            for number, trial in enumerate(self.trials):
                row += 1
                self._read_row(sheet, row, response, trial, number == 0, rate)
        for spare in range(row + 1, self.read_end + 1):
            self._read_row(sheet, spare, None, None, spare == row + 1)
        sheet.auto_filter.ref = f"A1:{self.read.letter[self.read_fields[-1].heading]}{self.read_end}"
        self._read_checks(sheet)

    def _read_row(
        self, sheet: Any, row: int, response: Response | None, trial: str | None, first: bool, rate: float | None = None
    ) -> None:
        sheet.row_dimensions[row].height = ROW_POINTS
        given: dict[str, object] = {}
        if response is not None:
            given = {bench.TRIAL: trial, bench.RESPONSE: response.name, bench.BATCH: 1, bench.READING: 1,
                     bench.UNIT: response.unit, bench.METHOD: response.method or None,
                     bench.SPEED: None if rate is None else f"{rate:g}"}  # fmt: skip
        for field in self.read_fields:
            cell, value = sheet.cell(row, self.read.number[field.heading]), given.get(field.heading)
            named = field.heading in (bench.TRIAL, bench.RESPONSE)
            if field.write or (named and response is None):
                form = "@" if field.write == "text" else "General"
                self.look.writable(cell, value, first=first, form=form, figures=field.write == "number")
                if field.heading == bench.METHOD:
                    cell.alignment = self.look.shrunk
            else:
                quiet = not first and field.heading == bench.RESPONSE
                self.look.fixed(cell, value, first=first, quiet=quiet)

    def _read_checks(self, sheet: Any) -> None:
        spare, row = self.read_planned + 1, 2
        for response, _ in self.rows:
            last = row + len(self.trials) - 1
            letter = self.read.letter[bench.VALUE]
            _reading(sheet, self.read.area(bench.VALUE, row, last), f"{letter}{row}", response)
            row = last + 1
        prompt(sheet, self.read.area(bench.VALUE, spare, self.read_end), "Value", "As in the rows above")
        for field in self.read_fields:
            area = self.read.area(field.heading, 2, self.read_end)
            if field.heading in (bench.OPERATOR, bench.METHOD):
                choice_from(sheet, area, self.lists[field.heading], field.heading.capitalize(), field.hint)
            elif field.choices:
                choice(sheet, area, field.choices, field.heading.capitalize(), field.hint, strict=False)
            elif field.write == "whole":
                whole(sheet, area, field.hint)
            elif field.hint and field.heading not in (bench.VALUE, bench.TRIAL, bench.RESPONSE):
                prompt(sheet, area, field.heading.capitalize(), field.hint)
        self._trial_choice(sheet, self.read.area(bench.TRIAL, spare, self.read_end), "Trial id, as planned")
        names = [response.name for response in self.study.measured_responses]
        choice(sheet, self.read.area(bench.RESPONSE, spare, self.read_end), names, "Response", "What was read")


def _by_phase(study: Study, levels: Mapping[str, float | str]) -> list[Any]:
    """The lines of a batch, phases in the order of making."""
    order = phase_order(study.steps, study.ingredients)
    return sorted(weigh_lines(study, levels), key=lambda line: order.index(line.ingredient.phase))


def _text(value: object) -> str | None:
    return None if value is None or value != value else str(value)


def _stands_out(sheet: Any, area: str, when: str, look: Look) -> None:
    """Bold ink where something is off: seen in print too."""
    from openpyxl.formatting.rule import FormulaRule
    from openpyxl.styles import Border, Side

    edge = Side("thin", color=look.head.color)  # all that a conditional format may have
    sheet.conditional_formatting.add(area, FormulaRule([when], font=look.head, border=Border(left=edge)))


def _reading(sheet: Any, area: str, cell: str, response: Response) -> None:
    """A response's cells: grades and pass or fail from a list, numbers or a bound otherwise. `cell` is the first."""
    hint = bench.how_to_write(response)
    words = response.grades if response.kind == "grade" else ("pass", "fail") if response.kind == "pass" else ()
    if words:
        choice(sheet, area, words, response.name, hint)
        return
    low, high = response.reads
    ends = [
        f"{cell}{sign}{end:g}" for sign, end in ((">=", low), ("<=", high)) if end is not None and math.isfinite(end)
    ]
    number = f"AND(ISNUMBER({cell}),{','.join(ends)})" if ends else f"ISNUMBER({cell})"
    none = f'LOWER({cell})="none seen",' if takes_none_seen(response) else ""
    bound = f'OR(LEFT({cell},1)="<",LEFT({cell},1)=">",{none}LOWER({cell})="not measured")'
    add_check(sheet, area, response.name, hint, f"{hint}. Keep it all the same?", "warning", type="custom",
              formula1=f"OR({number},{bound})")  # fmt: skip
