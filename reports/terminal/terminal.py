"""What commands say to a person at a terminal: quiet, aligned, readable without colour; what next, last."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.problems import Problem, Unavailable
from doe.recipes.costs import cost_range
from doe.results.curves import observed
from doe.trade import trade_refusals
from reports.gathering.plan import plan_facts
from reports.numbers import (
    NOTHING,
    counted,
    listed,
    money,
    spans,
)
from reports.tables import aligned, clean, wrapped
from reports.terminal import plan as terminal_plan
from reports.terminal import region as terminal_region
from reports.wording import grades as wording_grades
from reports.wording import proof as wording_proof
from reports.wording.changes import better_line
from reports.wording.findings import LEVEL_WORDS, TAKEN, ranked, told_before
from reports.wording.levels import shown_level
from reports.wording.prompt import typed

if TYPE_CHECKING:
    from doe.design.design import Design
    from doe.results.results import Results
    from doe.study import Study

_SHOWN = 12


def findings(problems: Sequence[Problem]) -> str:
    """Findings, the gravest first, one to a paragraph; nothing when there are none."""
    told = ranked(problems)
    lines = [wrapped(f"{TAKEN if p.accepted else LEVEL_WORDS[p.level]}  {p}", indent="      ") for p in told[:_SHOWN]]
    if len(told) > _SHOWN:
        lines.append(f"and {len(told) - _SHOWN} more; --json lists all")
    return "\n".join(lines)


def new_findings(study: Study, problems: Sequence[Problem]) -> str:
    """Findings with the notes that `check` tells already in one line."""
    new, before = told_before(study, problems)
    return "\n".join(part for part in (findings(new), wrapped(before)) if part)


def paged(*parts: str) -> str:
    """Parts with an empty line between them."""
    return "\n\n".join(part for part in parts if part)


def next_line(text: str) -> str:
    """What to do next, the last that a command says; commands in it stay whole, to be pasted."""
    return f"Next: {wrapped(text, indent='      ')}"


def check(
    study: Study,
    folder: str = "FOLDER",
    refused: Sequence[Problem] = (),
    trade: Sequence[Problem] = (),
    told: Sequence[Problem] = (),
    todo: str = "",
) -> str:
    """The reach of each ingredient, what a kilogram costs, everything noticed, and why no such plan can be made.

    `trade` is what checks of the trade say, `told` what the plan would tell before any trial is sought,
    `todo` the command that comes next in the study if there is nothing to mend.
    """
    factors = sum(f.of is None for f in study.factors)
    size = [f"{counted(len(study.varied), 'ingredient')} to blend"] if study.ingredients else []
    size += [counted(factors, "factor")] if factors or not size else []
    head = wrapped(f"{study.name}: {', '.join(size)}", columns=80)
    region = (terminal_region.extent(study), terminal_region.never_deciding(study), _cost_line(study))
    return paged(
        head,
        terminal_region.reach_table(study),
        *(wrapped(text, columns=80, indent="  ") for text in region if text),
        findings((*study.problems, *refused, *told, *trade)),
        next_line(_to_mend(study, folder, refused, trade) or todo or typed("plan", folder)),
    )


def _cost_line(study: Study) -> str:
    """What the raw materials of a kilogram cost; nothing where nothing is blended."""
    if not study.ingredients:
        return ""
    cost = cost_range(study)
    if isinstance(cost, Unavailable):
        return f"Cost: not available ({cost.reason})"
    return f"Raw materials cost {money(cost[0], study.currency)} to {money(cost[1], study.currency)} per kg."


def _to_mend(study: Study, folder: str, refused: Sequence[Problem], trade: Sequence[Problem]) -> str:
    if refused:
        return f"mend what says STOP, then {typed('check', folder)}"
    if trade_refusals(study, trade):
        return f"mend what says STOP, or take it on purpose with [[accept]], then {typed('check', folder)}"
    return ""


_GROUPS = {"block": "block", "whole_plot": "set-up"}


def plan(study: Study, design: Design, name: str = "FOLDER") -> str:
    """The trials in the order to be made, and how good the plan is."""
    columns = [c for c in study.columns if c in moving(study)]
    rows = []
    grouped = [name for name in _GROUPS if design.runs[name].notna().any()]
    for trial, run in design.runs.sort_values("order").iterrows():
        recipe = design.table.loc[str(trial)]
        again = run.get("replicate_of")
        cells = [shown_level(study, column, recipe[column]) for column in columns]
        where = [clean(str(run[name])) for name in grouped]
        rows.append([str(run["order"]), str(trial), *where, *cells, _remark(design, str(trial), again)])
    head = ("order", "trial", *(_GROUPS[name] for name in grouped), *columns, "")
    table = aligned(rows, head, right=(0, *range(2 + len(grouped), len(head) - 1)), most=16)
    quality = design.quality.to_dict()
    ahead = ("what to fetch, " if study.ingredients else "") + "what is due when, jar labels"
    place, book = f"{name}/plan/round-{design.round}", f"{name}/bench/round-{design.round}.xlsx"
    says = [
        f"{counted(len(rows), 'batch', 'batches')}{_before(design)} for {counted(quality['terms'], 'model term')}.",
        wrapped(terminal_plan.against(quality)),
        *terminal_plan.between_blocks(quality),
        *terminal_plan.on_steps(quality),
        f"{_days(quality.get('days'))}; cost {money(number_of(quality.get('cost')), study.currency)}.",
    ]
    return paged(
        wrapped(f"{study.name}, round {design.round}{_units(study, columns)}"),
        table,
        "\n".join(says),
        terminal_plan.reading(study, plan_facts(study, design)),
        findings(design.findings),
        next_line(f"print {place}/store-room.html ({ahead}) and {place}/sheets.html, "
            f"make the batches in this order, type results into {book}, then {typed('record', name, book)}"),
    )  # fmt: skip


def _before(design: Design) -> str:
    before = design.quality.made_before
    return f" and {before} made before" if before else ""


def _units(study: Study, columns: Sequence[str]) -> str:
    """What the levels are in: that of the blend first, then each factor that has a unit."""
    blended = {item.name for item in study.ingredients} & set(columns)
    told = [f"levels in {study.unit}"] if blended and study.unit else []
    told += [f"{f.name} in {f.unit}" for f in study.factors if f.unit and f.name in columns]
    return f"; {', '.join(told)}" if told else ""


def _remark(design: Design, trial: str, again: Any) -> str:
    if isinstance(again, str):
        return f"again {again}"
    return "extreme" if trial in design.make_first else ""


def moving(study: Study) -> set[str]:
    """Names of what is varied."""
    return {i.name for i in study.varied} | {f.name for f in study.factors}


def number_of(value: Any) -> float | None:
    """A number of a document; None where there is none."""
    return float(value) if isinstance(value, int | float) else None


def _days(value: Any) -> str:
    return counted(int(value), "bench day") if number_of(value) is not None else f"bench days: {NOTHING}"


def record(study: Study, results: Results, todo: str, *, missing: Sequence[Mapping[str, Any]] = ()) -> str:
    """What was taken in, what is missing, what was noticed; `todo` is the command that comes next."""
    batches = results.batches
    states = ", ".join(f"{count} {state}" for state, count in batches["state"].value_counts().items())
    rows = []
    for response in study.fitted_responses:
        seen, _ = observed(study, results, response)
        bounds = int((seen["bound"] != "none").sum())
        numbers = seen.loc[seen["bound"] == "none", "value"]
        span = wording_grades.read_from_to(response, numbers.tolist(), bounds)
        rows.append([response.name, len(seen), span, response.unit])
    return paged(
        f"{counted(len(batches), 'batch', 'batches')} of {counted(batches['trial'].nunique(), 'trial')}: {states}. "
        f"{counted(len(results.counted), 'reading')}.",
        aligned(rows, ("response", "batches", "read", "unit"), right=(1,)),
        _missing(missing),
        new_findings(study, results.findings),
        next_line(todo),
    )


_NOT_MADE = {
    "aside": "of these set aside",
    "gone": "of these no longer count",
    "out": "failed or not makeable",
    "withdrawn": "withdrawn",
}


def status(document: Mapping[str, Any]) -> str:
    """Where the study stands, from its own document."""
    rows = [
        [f"round {row['round']}", row.get("purpose", ""), f"{row['made']} of {row['trials']} made",
         ", ".join(f"{row[key]} {word}" for key, word in _NOT_MADE.items() if row.get(key))]
        for row in document["rounds"]
    ]  # fmt: skip
    told = [f"{counted(document['batches'], 'batch', 'batches')} on record."]
    told += [_analysed(document.get("analyses") or {})] if document["batches"] else []
    if document.get("formulas"):
        held = document.get("held") or {}
        names = [f"{name} (the best {held[name]})" if name in held else str(name) for name in document["formulas"]]
        told.append(f"Formulas kept: {listed(names)}.")
    if document.get("formula"):
        told.append(f"{document['formula']['name']} is {document['formula']['says']}")
        told += [better_line(document.get("better"))] if document.get("better") else _not_looked(document)
    if document.get("clash"):
        told.append(f"{wording_proof.together(document['clash'])}, as predicted; optimise says by how much.")
    # What `check` says of keys that wait for their part of the program is no news here.
    problems = [Problem.from_dict(entry) for entry in document["problems"] if entry["code"] != "not-used-yet"]
    rounds = aligned(rows) if rows else "No round is planned yet."
    lacking = "\n".join(
        part for part in (_missing(document.get("missing") or []), _due(document.get("due") or [])) if part
    )
    return paged(
        clean(document["study"]), rounds, "\n".join(map(wrapped, told)), lacking, findings(problems),
        next_line(document["next"]),
    )  # fmt: skip


def _analysed(states: Mapping[str, str]) -> str:
    """Whether what was fitted and found is of today's results and definition."""
    models, optimum = states.get("models", "none"), states.get("optimum", "none")
    if models == "none":
        return "Nothing is fitted yet."
    if "stale" in (models, optimum):
        what = {"none": "models are", "fresh": "models are", "stale": "models and formula are"}[optimum]
        what = "formula is" if models == "fresh" else what
        return f"The {what} out of date: results or study.toml have moved on since."
    return "Models are up to date; no formula has been looked for yet." if optimum == "none" else (
        "Models and formula are up to date."
    )  # fmt: skip


def _not_looked(document: Mapping[str, Any]) -> list[str]:
    """That nobody has looked yet for a better formula than the confirmed one with its batches known."""
    if not document["formula"]["confirmed"] or (document.get("analyses") or {}).get("optimum") != "stale":
        return []
    return ["Whether another is better now that its batches are known, next and optimise tell."]


def _due(entries: Sequence[Mapping[str, Any]]) -> str:
    """When readings of batches that are made fall due, the first first."""
    groups: dict[tuple[str, str], list[str]] = {}
    for entry in entries:
        groups.setdefault((entry["due"], entry["response"]), []).append(str(entry["batch"]))
    ranked = sorted(groups)
    lines = [wrapped(f"Due {_day(due)}: {clean(name)} of {listed(groups[due, name])}.")
             for due, name in ranked[:_SHOWN]]  # fmt: skip
    if len(ranked) > _SHOWN:
        lines.append(f"and {len(ranked) - _SHOWN} more; --json lists all")
    return "\n".join(lines)


def _day(due: str) -> str:
    """A moment as it is read, with its weekday where few are at the bench."""
    weekday = datetime.date.fromisoformat(due[:10]).weekday()
    return due.replace("T", " ") + {5: ", a Saturday", 6: ", a Sunday"}.get(weekday, "")


def _missing(entries: Sequence[Mapping[str, Any]]) -> str:
    """What trials still wait for, those with the same gaps in one sentence."""
    groups: dict[str, list[str]] = {}
    for entry in entries:
        what = (
            f"{listed([clean(n) for n in entry['responses']])} still to read of" if entry["made"] else "Still to make:"
        )
        groups.setdefault(what, []).append(str(entry["batch"] if entry["made"] else entry["trial"]))
    return "\n".join(wrapped(f"{what} {spans(names)}.") for what, names in groups.items())
