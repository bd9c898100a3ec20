"""What commands say to a person at a terminal: quiet, aligned, readable without colour; what next, last."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.problems import Problem, Unavailable
from doe.recipes.costs import cost_range
from doe.results.curves import observed
from doe.trade import trade_refusals
from doe.trade.rulebook import RULES
from optimise.models.broken import BROKEN
from reports.gathering.plan import plan_facts
from reports.numbers import (
    NOTHING,
    batches_in_words,
    chance_between,
    counted,
    exactly,
    figure,
    level,
    likely,
    listed,
    money,
    percent,
    spans,
)
from reports.tables import aligned, clean, wrapped
from reports.terminal import plan as terminal_plan
from reports.terminal import region as terminal_region
from reports.wording import grades as wording_grades
from reports.wording import proof as wording_proof
from reports.wording.changes import better_line
from reports.wording.findings import ranked, told_before
from reports.wording.levels import shown_level
from reports.wording.prompt import typed
from reports.wording.wording import NO_MIXTURE

if TYPE_CHECKING:
    import pandas as pd

    from doe.definition.parts import Response
    from doe.design.design import Design
    from doe.results.results import Results
    from doe.study import Study
    from optimise.formula.optimum import Optimum
    from optimise.models.models import Models

_WORDS = {"stop": "STOP", "warn": "look", "inform": "note"}
_TAKEN = "taken"  # what stops, and was taken on purpose
_SHOWN = 12


def findings(problems: Sequence[Problem]) -> str:
    """Findings, the gravest first, one to a paragraph; nothing when there are none."""
    told = ranked(problems)
    lines = [wrapped(f"{_TAKEN if p.accepted else _WORDS[p.level]}  {p}", indent="      ") for p in told[:_SHOWN]]
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


def _do(text: str) -> str:
    return f"Next: {clean(text)}"


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
    cost = cost_range(study)
    money_line = (
        f"Cost: not available ({cost.reason})"
        if isinstance(cost, Unavailable)
        else f"Raw materials cost {money(cost[0], study.currency)} to {money(cost[1], study.currency)} per kg."
    )
    factors = sum(f.of is None for f in study.factors)
    size = f"{counted(len(study.varied), 'ingredient')} to blend, {counted(factors, 'factor')}"
    head = wrapped(f"{study.name}: {size}", columns=80)
    region = (terminal_region.extent(study), terminal_region.never_deciding(study), money_line)
    return paged(
        head,
        terminal_region.reach_table(study),
        *(wrapped(text, columns=80, indent="  ") for text in region if text),
        findings((*study.problems, *refused, *told, *trade)),
        _do(_to_mend(study, folder, refused, trade) or todo or typed("plan", folder)),
    )


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
        _do(f"print {place}/store-room.html ({ahead}) and {place}/sheets.html, "
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
        _do(todo),
    )


def predict(
    models: Models, frame: pd.DataFrame, folder: str = "FOLDER", moved: Sequence[str] = (),
    points: Sequence[Mapping[str, Any]] | None = None,
) -> str:  # fmt: skip
    """What the models say of given recipes, one of `points` each: centre, interval for one new batch, chance."""
    study = models.study
    parts = []
    for label, point in zip(frame.index, models.points(frame) if points is None else points, strict=True):
        rows = []
        for name, entry in point["responses"].items():
            response = study.response(name)
            rows.append([name, *_predicted(response, entry), _chance(response, entry),
                         wording_grades.asked_for(response), response.unit])  # fmt: skip
        where = "" if point["inside"] else " Outside what was tried: read it as a guess."
        where += NO_MIXTURE if point["inside"] and point["in_hull"] is False else ""
        on = _touched(point["at_limits"])
        head = f"{clean(label)}: {_all_pass(study, point['chance_all'], point['responses'])}{where}"
        table = aligned(
            rows,
            ("response", "predicted", "one new batch (95 % prediction)", "chance", "asked for", "unit"),
            right=(1, 3),
        )
        cost = number_of(point["cost_per_kg"])
        told = [Problem.from_dict(row) for row in point["findings"] if row["code"] in {*RULES, "off-step", BROKEN}]
        paid = f"Cost {money(cost, study.currency, _ceiling(study))} per kg." if cost is not None else ""
        parts.append(paged(head, table, paid, on, findings(told)))
    what = wrapped(wording_grades.legend(study.fitted_responses))
    return paged(*parts, what, "\n".join(moved), _do(typed("optimise", folder)))


_NONE = "no batch would pass everything"


def _touched(limits: Sequence[str]) -> str:
    """On which bounds and limits a formula stands."""
    return wrapped(f"It stands on: {listed([clean(one) for one in limits])}.") if limits else ""


def _ceiling(study: Study) -> float | None:
    """What a kilogram may cost at most; None where nothing is asked of it."""
    return next((r.high for r in study.responses if r.source == "cost_per_kg"), None)


def _chance(response: Response, entry: Mapping[str, Any]) -> str:
    """The chance of one response; sure only of what is computed."""
    chance = number_of(entry.get("chance"))
    return percent(chance) if response.is_exact else likely(chance)


def _all_pass(study: Study, chance: Any, responses: Mapping[str, Mapping[str, Any]]) -> str:
    """How many batches pass everything; none where what is computed from the recipe alone misses a must."""
    exact = [
        r.name for r in study.exact_responses if r.is_must and number_of(responses.get(r.name, {}).get("chance")) == 0
    ]
    if exact:
        return f"{_NONE}: what the recipe alone decides misses its limit, {listed([clean(name) for name in exact])}."
    if number_of(chance) is None:
        reason = chance.get("unavailable") if isinstance(chance, Mapping) else getattr(chance, "reason", "")
        return f"no chance of passing everything can be given ({reason})."
    return f"{batches_in_words(float(chance))} would pass everything ({likely(float(chance))})."


def _predicted(response: Response, entry: Mapping[str, Any]) -> tuple[str, str]:
    ends, centre = entry.get("prediction"), number_of(entry.get("predicted"))
    if isinstance(ends, list | tuple):
        return wording_grades.one(response, centre, (ends[1] - ends[0]) / 4), wording_grades.span(response, *ends)
    return wording_grades.one(response, centre), ""


def optimise(study: Study, best: Optimum, todo: str, told: Sequence[str] = (), under: str = "") -> str:
    """The formula to make, the chance, what a batch will read, what else would do; `under` what it is only the best."""
    lines = []
    for item in study.ingredients:
        ends = best.tolerances.get(item.name)
        keep = f"{figure(ends[0])} to {figure(ends[1])}" if ends else ""
        lines.append([item.name, level(best.blend[item.name], item.step, study.total), keep])
    for factor in study.factors:
        value = best.factors[factor.name]
        ends = best.tolerances.get(factor.name)
        keep = f"{figure(ends[0])} to {figure(ends[1])}" if ends else ""
        lines.append([f"{factor.name} [{factor.unit}]" if factor.unit else factor.name,
                      value if isinstance(value, str) else exactly(value), keep])  # fmt: skip
    rows = []
    for response, entry in best.responses.items():
        spec = study.response(response)
        rows.append([response, *_predicted(spec, entry), _chance(spec, entry),
                     wording_grades.asked_for(spec), spec.unit])  # fmt: skip
    interval = best.chance_interval
    span = "" if isinstance(interval, Unavailable) else f" 90 % interval of the chance: {chance_between(*interval)}."
    cost, only = best.cost_per_kg, f", the best {under}" if under else ""
    said = _all_pass(study, best.chance, best.responses)
    return paged(
        f"Formula {best.label} of {clean(study.name)}{only}: {said}{'' if said.startswith(_NONE) else span}",
        _levels(study, best, lines),
        aligned(
            rows,
            ("response", "predicted", "one new batch (95 % prediction)", "chance", "asked for", "unit"),
            right=(1, 3),
        ),
        wrapped(wording_grades.legend([study.response(name) for name in best.responses])),
        _trust(study, best, cost),
        _touched(best.at_limits),
        _front(study, best),
        "\n".join(told),
        new_findings(study, best.findings),
        _do(todo),
    )


def _front(study: Study, best: Optimum) -> str:
    """The front that was asked for, a line a formula; that of the chance against the cost is left to the report."""
    up, across = best.front_of
    if across == "cost_per_kg" or not best.front:
        return ""
    names = [name for name in study.columns if name in moving(study)]
    rows = []
    for point in best.to_dict()["front"]:
        levels, values = {**point["blend"], **point["factors"]}, point["values"]
        seen = [
            wording_grades.one(study.response(name), number_of(values[name]), _width(best, name))
            for name in (across, up)
            if name in values
        ]
        share = [] if up in values else [_gone_by(best, point)]
        rows.append([*seen, *share, *(shown_level(study, name, levels[name]) for name in names)])
    kept = f" that keep 0.9 of the {best.objective}" if up in values else ""
    head = (clean(across), clean(up), *names)
    if len(rows) == 1:
        return wrapped(
            f"The formula with the best {clean(up)} has the best {clean(across)} too: nothing is to be traded."
        )
    said = f"Formulas{kept} with the best {clean(up)} for each {clean(across)}:"
    return f"{wrapped(said)}\n{aligned(rows, head, right=range(len(head)), most=16)}"


def _width(best: Optimum, name: str) -> float | None:
    """What a response is rounded by, in every table of one answer alike: a quarter of the interval of the best."""
    ends = best.responses.get(name, {}).get("prediction")
    return (ends[1] - ends[0]) / 4 if isinstance(ends, list | tuple) else None


def _levels(study: Study, best: Optimum, lines: Sequence[Sequence[str]]) -> str:
    """Levels, and how far they may go where anything is known of that."""
    head = ["ingredient", f"level [{study.unit}]", f"all at once within: 0.9 of the {best.objective}"]
    width = 3 if any(line[2] for line in lines) else 2
    return aligned([line[:width] for line in lines], head[:width], right=(1,))


def _trust(study: Study, best: Optimum, cost: Any) -> str:
    says = ["Predicted, not confirmed."]
    if isinstance(cost, float):
        says.append(f"Cost {money(cost, study.currency, _ceiling(study))} per kg.")
    if not isinstance(best.desirability, Unavailable):
        says.append(f"Desirability {figure(best.desirability)} (0: something asked for is missed; 1: all as wanted).")
    if not best.inside:
        says.append("Outside what was tried.")
    says.append(wording_proof.bound(best.certificate.to_dict()))
    says += [wording_proof.clash(study, best.clash), wording_proof.closest(study, best.closest)]
    if best.alternatives:
        others = [f"{entry['label']} {_gone_by(best, entry)}".rstrip() for entry in best.alternatives]
        says.append(f"Others nearly as good: {', '.join(others)}.")
    if best.cheapest is not None:
        levels = {**best.cheapest["blend"], **best.cheapest["factors"]}
        names = [name for name in study.columns if name in moving(study)]
        moved = [f"{clean(name)} {shown_level(study, name, levels[name])}" for name in names]
        paid = money(number_of(best.cheapest["cost_per_kg"]) or 0.0, study.currency, _ceiling(study))
        reached = _gone_by(best, best.cheapest) or "of what can be predicted"
        same = f"Practically the same {best.objective}{' ' if reached.startswith('of') else ', '}{reached}"
        says.append(f"{same}, for {paid} per kg: {', '.join(moved)}.")
    return wrapped(" ".join(said for said in says if said))


def _gone_by(best: Optimum, entry: Mapping[str, Any]) -> str:
    """What the search went by, of one formula: its chance or its desirability; "" where it has none."""
    value = number_of(entry.get("chance_all" if best.objective == "chance" else "desirability"))
    return "" if value is None else likely(value) if best.objective == "chance" else figure(value)


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
    told += [f"{key}: {state}." for key, state in (document.get("analyses") or {}).items()]
    if document.get("formulas"):
        held = document.get("held") or {}
        names = [f"{name} (the best {held[name]})" if name in held else str(name) for name in document["formulas"]]
        told.append(f"Formulas kept: {listed(names)}.")
    if document.get("formula"):
        told.append(f"{document['formula']['name']}: {document['formula']['says']}")
        told += [better_line(document.get("better"))] if document.get("better") else _not_looked(document)
    # What `check` says of keys that wait for their part of the program is no news here.
    problems = [Problem.from_dict(entry) for entry in document["problems"] if entry["code"] != "not-used-yet"]
    rounds = aligned(rows) if rows else "No round is planned yet."
    lacking = "\n".join(
        part for part in (_missing(document.get("missing") or []), _due(document.get("due") or [])) if part
    )
    return paged(
        clean(document["study"]), rounds, " ".join(map(clean, told)), lacking, findings(problems), _do(document["next"])
    )


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
