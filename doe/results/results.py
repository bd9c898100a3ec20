"""Results: what was made and measured, batch by batch, joined to the plan and checked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from doe.bench.drafts import USABLE, Intake, Reading, text_of
from doe.bench.headings import Headings, read_headings
from doe.bench.intake import take_table
from doe.bench.levels import Levels, completed, range_findings, swapped_levels
from doe.bench.planned import Planned, planned_trials
from doe.bench.returned import bench_tables
from doe.problems import Problem, ResultsError, listed
from doe.results.ages import check_ages
from doe.results.carrying import carried
from doe.results.joining import joined
from doe.results.lots import by_active_part, lot_factors, lot_findings
from doe.results.resultset import (
    BATCH_COLUMNS,
    BATCH_NOTES,
    READING_COLUMNS,
    Results,
    batches_csv,
    readings_csv,
    typed_batches,
    typed_readings,
    unit_and_kind,
)
from doe.results.stored import stored_results
from doe.tables.rawtable import RawTable, table_from_frame

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.study import Study

__all__ = [
    "Results",
    "batches_csv",
    "folder_results",
    "joined",
    "readings_csv",
    "stored_results",
    "take_in",
]

Table = pd.DataFrame | RawTable
_BESIDE = ("speed", "torque_pct", "age_h", "operator", "session", "flag", "note")


def take_in(
    study: Study,
    frame: Table | Sequence[Table],
    *,
    batches: Table | None = None,
    design: Design | Sequence[Design] | None = None,
    first_trial: int | None = None,
    earlier: Results | None = None,
) -> Results:
    """Results from returned tables: planned ones joined by trial and batch, historical ones with their own levels.

    `frame` is one table or several, wide (a column a response) or long (columns response and value); `batches` may give
    levels as made, lots and states apart. `design` is the plan, or those of all rounds. Historical trials are numbered
    from `first_trial`, by default after the planned ones. `earlier` is what was recorded before: a batch whose levels
    do not come again keeps those as made. Nothing that came in is changed.

    Raises `ResultsError` with every problem in every table.
    """
    planned = planned_trials(design)
    first = first_trial or 1 + max((int(t[1:]) for t in planned if t[1:].isdigit()), default=0)
    intake = Intake(study, planned, first)
    given = [frame] if isinstance(frame, pd.DataFrame | RawTable) else list(frame)
    if batches is not None:
        given.append(batches)
    tables = [table_from_frame(one) if isinstance(one, pd.DataFrame) else one for one in given]
    others, own, faults = bench_tables(study, tables, design)
    intake.problems += faults
    wide: list[str] = []
    for table, headings in _readable(study, [*others, *own], intake):
        take_table(intake, table, headings)
        if not (headings.is_long or table in own or _is_of_states(headings)):
            wide.append(table.where())
    _check_responses(intake, wide)
    readings = _numbered(intake)
    levels = _whole_recipes(intake, earlier)
    history = {batch: made for batch, made in levels.items() if intake.batches[batch].planned is None}
    intake.problems += swapped_levels(study, history)
    _check_reasons(intake)
    check_ages(intake, readings, earlier)
    if not intake.batches and not intake.problems:
        do = "fill it in and record it again"
        intake.stop("nothing-read", _whole(given),
                    "no row with anything filled in", "something of at least one batch", do)  # fmt: skip
    if intake.problems:
        raise ResultsError(intake.problems)
    findings = (*intake.findings, *range_findings(study, levels), *_spread_findings(levels, intake))
    return Results(
        _reading_frame(readings, intake), _batch_frame(study, intake, levels), study.columns, tuple(findings)
    )


def _whole(given: Sequence[RawTable | pd.DataFrame]) -> str:
    """What was given as a whole: a table with its sheet, of a workbook of several sheets its file alone."""
    tables = [one for one in given if isinstance(one, RawTable)]
    if len(tables) == 1:
        return tables[0].where()
    return listed(list(dict.fromkeys(one.source for one in tables))) if tables else "table"


def _readable(study: Study, tables: Sequence[RawTable], intake: Intake) -> list[tuple[RawTable, Headings]]:
    """Tables with their headings. A workbook's sheets without any name of the study are left out, and named."""
    out = []
    for table in tables:
        headings, problems = read_headings(study, table)
        if table.sheet and len(tables) > 1 and not headings.columns:
            intake.findings.append(
                Problem(
                    "sheet-not-read",
                    "warn",
                    table.where(),
                    "no column of this study",
                    "sheets with trials",
                    "not read; name its columns if it should be",
                )
            )
            continue
        intake.problems += problems
        out.append((table, headings))
    return out


def _is_of_states(headings: Headings) -> bool:
    """Whether a table only says what became of batches: nothing was read, so no response is missing."""
    says = headings.word("state") is not None or headings.word("set_aside") is not None
    return says and not headings.of("response") and not headings.of("level")


def _check_responses(intake: Intake, wide: list[str]) -> None:
    """Responses without a column in the tables `wide`: blank for planned trials, which an instrument's own table tells
    of one by one; refused where trials come once only, with their own levels, or where nothing was read at all.
    """
    missing = [r.name for r in intake.study.measured_responses if r.kind != "curve" and r.name not in intake.seen]
    if not wide or not missing:
        return
    where, got = listed(list(dict.fromkeys(wide))), "no column " + ", ".join(missing)
    if intake.seen and all(draft.planned is not None for draft in intake.batches.values()):
        do = "they stay blank; record them when they are read"
        intake.find("responses-to-come", "inform", where, got, "a column for each response that was read", do)
        return
    allowed, do = "a column for every response that is fitted", "add the columns; leave blank what was not measured"
    intake.stop("missing-response", where, got, allowed, do)


def _check_reasons(intake: Intake) -> None:
    for draft in intake.batches.values():
        state = str(draft.words.get("state", "made")).casefold()
        draft.words["state"] = state
        if state not in USABLE and not draft.words.get("why"):
            got = f"batch {draft.batch} is {state} without a reason"
            allowed = f"a reason in column {draft.reasons}"
            intake.stop("no-reason", draft.state_at or draft.where, got, allowed, "say why, in words")


def _numbered(intake: Intake) -> list[Reading]:
    """Readings with their numbers, the same one twice taken once; contradictions and unclear rows are problems."""
    kept: dict[tuple[str, str, int, object], Reading] = {}
    groups: dict[tuple[str, str, object], list[Reading]] = {}
    for reading in intake.readings:
        groups.setdefault((reading.batch, reading.response.name, reading.words.get("speed", "")), []).append(reading)
    _stop_unclear(intake, groups.values())
    for (batch, response, speed), group in groups.items():
        taken = {one.number for one in group}
        free = (number for number in range(1, len(group) + len(taken) + 2) if number not in taken)
        for one in group:
            one.number = next(free) if one.number is None else one.number
            key = (batch, response, one.number, speed)
            before = kept.setdefault(key, one)
            if before is not one and before.entry.measured != one.entry.measured:
                values = f"{before.entry.shown} and {one.entry.shown}"
                got = f"{response} of {batch}, reading {one.number}: {values} ({before.where})"
                do = "keep the right one, or number the readings"
                intake.stop("contradiction", one.where, got, "one value a reading", do)
            elif before is not one:
                intake.findings.append(
                    Problem(
                        "same-twice",
                        "inform",
                        one.where,
                        f"{response} of {batch} stands there twice",
                        "each reading once",
                        "taken once",
                    )
                )
    return list(kept.values())


def _stop_unclear(intake: Intake, groups: Iterable[list[Reading]]) -> None:
    """Trials that stand on several rows which nothing tells apart, each said once with the responses it is about."""
    unclear: dict[str, list[list[Reading]]] = {}
    for group in groups:
        bare = [one for one in group if one.number is None]
        if len(bare) > 1 and not all(one.named for one in bare):
            unclear.setdefault(bare[0].batch, []).append(bare)
    for batch, found in unclear.items():
        names = listed(list(dict.fromkeys(bare[0].response.name for bare in found)))
        got = f"{batch.rpartition('-')[0]} stands on {len(found[0])} rows with nothing to tell them apart ({names})"
        do = "number new makings in column batch, or readings of one jar in column reading; or take the row out"
        intake.stop("unclear-rows", found[0][1].where, got, "one row a trial, or columns that tell them apart", do)


def _whole_recipes(intake: Intake, earlier: Results | None) -> dict[str, Levels]:
    """The whole recipe of each batch as made: from what came, the plan, and what is on record of it."""
    out: dict[str, Levels] = {}
    study = intake.study
    names = {item.name for item in study.ingredients}
    lots: dict[str, dict[str, str]] = {}
    factors: dict[str, dict[str, float]] = {}
    for batch, draft in intake.batches.items():
        recipe = draft.planned.levels if draft.planned else None
        before = _made_before(study, batch, earlier) if recipe is not None else {}
        if recipe is not None:
            recipe = {**recipe, **{name: level for name, level in before.items() if name not in names}}
        made = completed(study, draft.levels, recipe, draft.unit, draft.where, intake.problems, intake.findings)
        if made is None:
            continue
        known = _lots_before(batch, earlier)
        lots[batch] = {**known, **draft.lots}
        counted = lots[batch]
        if before and not names & set(draft.levels):
            made |= {name: level for name, level in before.items() if name in names}
            counted = {name: lot for name, lot in draft.lots.items() if name not in known}  # the others count already
        factors[batch] = lot_factors(study, made, counted)
        out[batch] = by_active_part(study, made, factors[batch]) if factors[batch] else made
    intake.findings += lot_findings(study, lots, factors)
    intake.problems[:] = _told_once(intake.problems)
    return out


def _told_once(problems: Sequence[Problem]) -> list[Problem]:
    """Batches that lack the same levels, as where a table has no column for them, in one line where the first stood."""
    lacking: dict[str, list[str]] = {}
    for problem in problems:
        if problem.code == "missing-level":
            lacking.setdefault(problem.got, []).append(problem.where)
    out: list[Problem] = []
    for problem in problems:
        if problem.code != "missing-level":
            out.append(problem)
        elif problem.where == lacking[problem.got][0]:
            table = problem.where.rpartition(", ")[0] + ", "
            rest = [where.removeprefix(table) for where in lacking[problem.got][1:]]
            out.append(replace(problem, where=listed([problem.where, *rest])))
    return out


def _lots_before(batch: str, earlier: Results | None) -> dict[str, str]:
    """The lots a batch has on record, by ingredient."""
    if earlier is None or batch not in earlier.batches.index:
        return {}
    row = earlier.batches.loc[batch]
    return {str(name).removeprefix("lot: "): lot for name, lot in row.items()
            if str(name).startswith("lot: ") and isinstance(lot, str)}  # fmt: skip


def _made_before(study: Study, batch: str, earlier: Results | None) -> Levels:
    """The levels a batch has on record, of what the study still has; none where it was not recorded."""
    if earlier is None or batch not in earlier.batches.index:
        return {}
    names = [name for name in study.columns if name in earlier.columns]
    row = earlier.batches.loc[[batch], names].to_dict("records")[0]
    return {str(name): level for name, level in row.items() if isinstance(level, str) or level == level}


def _spread_findings(levels: Mapping[str, Levels], intake: Intake) -> list[Problem]:
    """Recipes that stand more than once in a table without batch numbers: taken as batches, and said."""
    groups: dict[tuple[object, ...], list[str]] = {}
    for batch, made in levels.items():
        if intake.batches[batch].planned is None and batch.endswith("-1"):
            groups.setdefault(_recipe(made), []).append(intake.batches[batch].source_id)
    again = [group for group in groups.values() if len(group) > 1]
    if not again:
        return []
    text = "; ".join(" and ".join(group[:6]) for group in again[:4]) + (" ..." if len(again) > 4 else "")
    return [
        Problem(
            "same-recipe",
            "inform",
            "table",
            f"the same recipe in {text}",
            "separate batches of one recipe",
            "if these were readings of one jar, give them one trial and number column reading",
        )
    ]


def _recipe(levels: Mapping[str, float | str]) -> tuple[object, ...]:
    return tuple(value if isinstance(value, str) else round(value, 9) for value in levels.values())


def _reading_frame(readings: list[Reading], intake: Intake) -> pd.DataFrame:
    rows = []
    for reading in readings:
        unit, kind = unit_and_kind(reading.response)
        entry, words = reading.entry, reading.words
        rows.append(
            {
                "trial": intake.batches[reading.batch].trial,
                "batch": reading.batch,
                "reading": reading.number,
                "response": reading.response.name,
                "value": entry.value,
                "bound": entry.bound,
                "value_to": entry.value_to,
                "unit": unit,
                "kind": kind,
                "method": words.get("method") or reading.response.method,
                "read_at": "" if reading.read_at is None else str(reading.read_at),
                **{name: text_of(words.get(name)) for name in _BESIDE},
            }
        )
    frame = pd.DataFrame(rows, columns=list(READING_COLUMNS))
    return typed_readings(frame)


def _batch_frame(study: Study, intake: Intake, levels: Mapping[str, Levels]) -> pd.DataFrame:
    """The table of batches: a row each with its words, whole recipe, lots, and the first trial of its recipe."""
    groups: dict[tuple[object, ...], str] = {}
    rows = []
    for batch, draft in intake.batches.items():
        plan = draft.planned
        if plan is not None:
            group = _first_of(plan, intake.planned)
        else:
            group = groups.setdefault(_recipe(levels[batch]), draft.trial)
        words = draft.words
        rows.append(
            {
                "trial": draft.trial,
                "round": plan.round if plan else 0,
                "state": words["state"],
                "why": words.get("why"),
                "day": words.get("day"),
                "order": words.get("order", plan.order if plan else None),
                "block": words.get("block", plan.block if plan else None),
                "whole_plot": words.get("whole_plot", plan.whole_plot if plan else None),
                **{name: words.get(name) for name in BATCH_NOTES},
                "source_id": draft.source_id or None,
                "replicate_group": group,
                **levels[batch],
                **{f"lot: {name}": lot for name, lot in draft.lots.items()},
            }
        )
    lots = [f"lot: {i.name}" for i in study.ingredients if any(i.name in d.lots for d in intake.batches.values())]
    frame = pd.DataFrame(rows, columns=[*BATCH_COLUMNS, *study.columns, *lots])
    frame.index = pd.Index(list(intake.batches), name="batch", dtype=object)
    return typed_batches(frame)


def _first_of(plan: Planned, planned: Mapping[str, Planned]) -> str:
    seen = {plan.trial}
    while plan.replicate_of in planned and plan.replicate_of not in seen:
        plan = planned[plan.replicate_of]
        seen.add(plan.trial)
    return plan.replicate_of or plan.trial


def folder_results(study: Study) -> Results:
    """The results recorded in the study's own folder, as far as the present definition can express them.

    Raises `ResultsError` when the study was not read from a folder, nothing was recorded, or the files were damaged.
    """
    folder = study.folder
    if folder is None or not (folder / "results" / "readings.csv").is_file():
        raise ResultsError(
            [
                Problem(
                    "no-results",
                    "stop",
                    "results",
                    "nothing was recorded",
                    "results of trials",
                    "blendwright record FOLDER FILE, or give a table",
                )
            ]
        )
    return carried(study, stored_results(folder))
