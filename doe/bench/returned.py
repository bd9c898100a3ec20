"""The bench workbook as it came back: whether it belongs to the plan, and its weights as levels."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from doe.bench import bench
from doe.bench.drafts import text_of
from doe.bench.planned import Planned, planned_trials
from doe.definition.categories import material_of
from doe.definition.cells import Mark, Refusal, decimal_mark, read_number
from doe.definition.materials import labels
from doe.problems import Problem, ResultsError, listed
from doe.recipes.composition import Weighed, as_made
from doe.recipes.deviations import Deviation, deviation_findings, off_plan, off_target
from doe.tables.rawtable import RawTable, calculated, is_blank, with_columns

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

Grams = dict[str, float]


def bench_tables(
    study: Study, tables: Sequence[RawTable], design: Design | Sequence[Design] | None
) -> tuple[list[RawTable], list[RawTable], list[Problem]]:
    """Tables as they are, and those made from the weighing and making sheets of bench workbooks: weights become levels.

    Sheets are known by their headings, so a renamed sheet is still read. Problems: a workbook of another plan, a cell
    that cannot be read, weights that contradict each other.
    """
    out: list[RawTable] = []
    own: list[RawTable] = []
    problems: list[Problem] = []
    planned = planned_trials(design)
    weighs = [table for table in tables if bench.INGREDIENT in table.header and bench.ACTUAL in table.header]
    makes = [table for table in tables if bench.is_make_sheet(table.header)]
    for table in (*weighs, *makes):
        if bench.TRIAL not in table.header:
            do = "put the column back; trials are found by it"
            problems.append(Problem("no-trial", "stop", table.where(), "no column trial", "the columns as issued", do))
    if problems:
        return [], [], problems
    for table in tables:
        if table.header[:1] == (bench.HOW_MARK,):
            continue
        if table.header[:1] == (bench.PLAN_MARK,):
            problems += _wrong_plan(table, design)
        elif table in makes:
            own.append(_as_table(table))
        elif table not in weighs:
            out.append(table)
    weights = _batch_weights(makes, problems)
    for table in weighs:
        made = _levels_table(study, table, weights, planned, problems)
        if made is not None:
            own.append(made)
    _say_without_plan(tables, own)
    return out, own, problems


def _say_without_plan(tables: Sequence[RawTable], own: list[RawTable]) -> None:
    """A sheet of a bench workbook from which the sheet that says its plan was taken: read by its ids, and said."""
    known = {table.source for table in tables if table.header[:1] == (bench.PLAN_MARK,)}
    for place, table in enumerate(own):
        if table.sheet and table.source not in known:
            got, do = (
                f"no sheet {bench.PLAN_SHEET}",
                "read by its trial ids; make sure that it was issued for this plan",
            )
            finding = Problem("plan-unknown", "warn", table.source, got, "the workbook whole", do)
            own[place] = replace(table, findings=(finding, *table.findings))
            known |= {table.source}


def _wrong_plan(table: RawTable, design: Design | Sequence[Design] | None) -> list[Problem]:
    """Whether a workbook was issued for one of these plans; if not, what changed."""
    facts = {text_of(row[0]): text_of(row[1]) for row in table.rows if len(row) > 1}
    designs = [] if design is None else list(design) if isinstance(design, Sequence) else [design]
    if any(one.digest == facts.get("digest") for one in designs):
        return []
    same_round = next((one for one in designs if str(one.round) == facts.get("round")), None)
    if same_round is None:
        what = f"issued for round {facts.get('round', '?')} of {facts.get('study', '?')}, which is not planned here"
    else:
        names = {
            "tried": "ingredients, factors, limits or the plan's wishes",
            "measured": "units, methods or responses",
        }
        changed = [words for part, words in names.items() if facts.get(part) != same_round.study_digests.get(part)]
        what = f"issued for another plan of round {same_round.round}: " + (
            "changed since: " + "; ".join(changed) if changed else "the trials themselves were planned anew"
        )
    return [
        Problem(
            "other-plan",
            "stop",
            table.where(),
            what,
            "the workbook that went out with this plan",
            "record it into the study it was issued for, or send its table with the levels as made",
        )
    ]


def _as_table(table: RawTable) -> RawTable:
    """The making sheet without what the workbook only said again."""
    columns = [
        (heading, place)
        for place, heading in enumerate(table.header)
        if heading not in bench.SAID_AGAIN and not heading.startswith(bench.SET)
    ]
    return with_columns(table, columns)


def _batch_weights(makes: Sequence[RawTable], problems: list[Problem]) -> dict[tuple[str, str], dict[str, float]]:
    """Weights after heating and make-up, by (trial, batch)."""
    out: dict[tuple[str, str], dict[str, float]] = {}
    for table in makes:
        places = {h: table.header.index(h) for h in (bench.AFTER_HEAT, bench.MADE_UP) if h in table.header}
        mark = decimal_mark(row[place] for row in table.rows for place in places.values())
        for row, cells in enumerate(table.rows):
            for heading, place in places.items():
                grams = _grams(table, row, place, mark, problems)
                if grams is not None:
                    out.setdefault(_batch(table, cells), {})[heading] = grams
    return out


def _grams(
    table: RawTable, row: int, place: int, mark: Mark, problems: list[Problem], helped: list[str] | None = None
) -> float | None:
    """Grams in a cell; None where there are none. `helped` takes what was read with help, such as a decimal comma."""
    raw = table.rows[row][place]
    if is_blank(raw):
        return None
    read = read_number(raw, "g", mark)
    if isinstance(read, Refusal):
        problems.append(Problem("bad-number", "stop", table.where(row, place), read.got, read.allowed, read.do))
        return None
    if read.value is None:
        return None
    if read.bound != "none" or read.value < 0:
        problems.append(
            Problem(
                "bad-number",
                "stop",
                table.where(row, place),
                text_of(raw),
                "grams, 0 or more",
                "write what the balance showed",
            )
        )
        return None
    if read.said and helped is not None:
        helped.append(f"{read.said} ({table.where(row, place).rpartition('cell ')[2].partition(',')[0]})")
    return read.value


def _batch(table: RawTable, cells: Sequence[object]) -> tuple[str, str]:
    batch = text_of(cells[table.header.index(bench.BATCH)]) if bench.BATCH in table.header else ""
    trial = text_of(cells[table.header.index(bench.TRIAL)])
    return trial, batch.removeprefix(f"{trial}-") or "1"


def _levels_table(
    study: Study,
    table: RawTable,
    weights: Mapping[tuple[str, str], Mapping[str, float]],
    planned: Mapping[str, Planned],
    problems: list[Problem],
) -> RawTable | None:
    """The weigh sheet as a table of levels as supplied, a row for each batch of which anything was weighed."""
    mark = decimal_mark(row[table.header.index(bench.ACTUAL)] for row in table.rows)
    grams: dict[tuple[str, str], Grams] = {}
    lots: dict[tuple[str, str], dict[str, str]] = {}
    first: dict[tuple[str, str], int | str] = {}
    names = labels(study)
    swapped: dict[tuple[str, str], dict[str, str]] = {}
    helped: list[str] = []
    for row, cells in enumerate(table.rows):
        key = _batch(table, cells)
        name = text_of(cells[table.header.index(bench.INGREDIENT)])
        actual = _grams(table, row, table.header.index(bench.ACTUAL), mark, problems, helped)
        lot = text_of(cells[table.header.index(bench.LOT)]) if bench.LOT in table.header else ""
        if actual is None and not lot:
            continue
        first.setdefault(key, table.numbers[row])
        if name not in names:
            do = "leave the column ingredient as it was printed"
            where, allowed = table.where(row), "an ingredient of this study"
            problems.append(Problem("unknown-ingredient", "stop", where, repr(name), allowed, do))
            continue
        name, chosen = names[name]
        plan = planned.get(key[0])
        if chosen and plan is not None and chosen != plan.levels.get(material_of(name)):
            swapped.setdefault(key, {})[name] = chosen
        if actual is not None:
            if name in grams.setdefault(key, {}):
                got, do = f"{name} of {key[0]} weighed twice", "add them up on one line"
                problems.append(Problem("contradiction", "stop", table.where(row), got, "one line an ingredient", do))
            grams[key][name] = actual
        if lot:
            lots.setdefault(key, {})[name] = lot
    findings = [*table.findings, *calculated(table, [table.header.index(bench.ACTUAL)]), *_not_read(table)]
    if helped:
        got = f"{len(helped)} weight{'s' if len(helped) != 1 else ''} read with help: " + listed(helped)
        findings.append(Problem("read-with-help", "inform", table.where(), got, "", ""))
    choices = [item.name for item in study.ingredients if item.choice]
    rows = []
    sheet = _Weighing(study, table, planned, problems, findings)
    for key in first:
        mine, theirs = grams.get(key, {}), weights.get(key, {})
        levels = sheet.levels(key, mine, theirs)
        rows.append(
            (
                *key,
                *(levels.get(i.name) for i in study.ingredients),
                *(lots.get(key, {}).get(i.name) for i in study.ingredients),
                *(swapped.get(key, {}).get(name) for name in choices),
                math.fsum(grams[key].values()) if grams.get(key) else None,
            )
        )
    findings += deviation_findings(study, table.where(), sheet.off_target, sheet.off_plan)
    if not rows:
        return None
    names_of_lots = (f"lot: {i.name}" for i in study.ingredients)
    made_with = (material_of(name) for name in choices)
    header = ("trial", "batch", *(i.name for i in study.ingredients), *names_of_lots, *made_with, "weighed_g")
    return RawTable(table.source, table.sheet, header, tuple(rows), tuple(first.values()), (), tuple(findings))


def _not_read(table: RawTable) -> list[Problem]:
    """Columns that someone added to the weighing sheet: nothing is read from them, and that is said."""
    known = {field.heading for field in bench.WEIGH_FIELDS}
    added = [heading for heading in table.header if heading not in known]
    if not added:
        return []
    return [Problem("column-not-read", "warn", table.where(), "a column " + ", ".join(added), "the columns as issued",
                    "not read; write remarks into note of sheet Make")]  # fmt: skip


@dataclass(slots=True)
class _Weighing:
    """The weighing sheet while it is read: what is wrong and odd in it, and batches that were made off their plan."""

    study: Study
    table: RawTable
    planned: Mapping[str, Planned]
    problems: list[Problem]
    findings: list[Problem]
    off_target: list[Deviation] = field(default_factory=list)
    off_plan: list[Deviation] = field(default_factory=list)

    def levels(self, key: tuple[str, str], grams: Grams, weights: Mapping[str, float]) -> dict[str, float]:
        """Levels of one batch (trial, batch) from its weights; a line left blank is taken at its target, and said."""
        study, plan = self.study, self.planned.get(key[0])
        if not grams or plan is None:
            return {}
        where = f"{self.table.where()}, trial {key[0]}"
        target = {i.name: float(plan.levels[i.name]) / study.total * study.batch_g for i in study.ingredients}
        blank = [name for name, wanted in target.items() if name not in grams and wanted > 0]
        if blank:
            self.findings.append(
                Problem(
                    "not-weighed",
                    "warn",
                    where,
                    "no weight of " + ", ".join(blank),
                    "a weight on every line",
                    "taken at the target; fill them in if they were weighed",
                )
            )
        made = target | grams
        self.off_target += off_target(study, key[0], plan.levels, grams)
        # pH is adjusted once the batch is cool: after the weights that tell how much water was lost and made up.
        late = {i.name for i in study.ingredients if i.role == "adjuster"} if weights else set()
        weighed = Weighed(
            {name: amount for name, amount in made.items() if name not in late},
            weights.get(bench.AFTER_HEAT),
            weights.get(bench.MADE_UP),
            {name: made[name] for name in late},
        )
        if study.make.loss > 0 and not weights:
            self.findings.append(
                Problem(
                    "no-final-weight",
                    "warn",
                    where,
                    "no weight after heating or make-up",
                    f"water is lost ({study.make.loss:.0%} expected)",
                    "taken as nothing lost; fill in the weights",
                )
            )
        try:
            whole = as_made(study, weighed, apart=False)
            self.off_plan += off_plan(study, key[0], math.fsum(made.values()), whole.total_g)
            return whole.levels(study.total)
        except ResultsError as error:
            self.problems += [Problem(p.code, p.level, where, p.got, p.allowed, p.do) for p in error.problems]
            return {}
