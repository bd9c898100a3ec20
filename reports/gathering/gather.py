"""Facts, gathered once from study, plan, results, models and formula. Everything that is read renders these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from types import MappingProxyType
from typing import Any

import pandas as pd

from doe import Study
from doe.definition.parts import Response
from doe.definition.stepwords import at_levels
from doe.design.design import Design
from doe.problems import Problem
from doe.recipes.weighing import step_of
from doe.results.curves import observed
from doe.results.results import Results
from doe.trade import study_findings
from doe.trade.legal import coverage
from optimise import Due, Models, Optimum, due
from optimise.upcoming.learning import further
from reports.facts import (
    BatchRow,
    Event,
    Facts,
    FitFacts,
    FitPoint,
    Formula,
    FrontAim,
    FurtherFacts,
    PlanFacts,
    Spec,
    TriedRange,
)
from reports.gathering.blends import blends_of
from reports.gathering.effects import chance_effects, effect_rows
from reports.gathering.formula import amount, formulas, spec_of
from reports.gathering.live import live_of
from reports.gathering.plan import known, plan_facts
from reports.gathering.residuals import questions_of
from reports.gathering.slices import slices
from reports.gathering.trade import measured_findings
from reports.numbers import common_places, counted, exactly, listed, plain
from reports.tables import clean
from reports.wording import grades
from reports.wording import proof as wording_proof
from reports.wording.changes import better_line, kept_lines
from reports.wording.decision import decision, next_step
from reports.wording.formula import limiting
from reports.wording.further import ceiling_line, gain_line, gain_note, gain_rows, passes_line, worth_line
from reports.wording.verdict import confirmed_words, said, standing

_MOST_ALTERNATIVES = 3
_SIGNS = {"below": "<", "above": ">"}  # before a reading that is only a bound


def gather(
    study: Study,
    *,
    design: Design | Sequence[Design] | None = None,
    results: Results | None = None,
    models: Models | None = None,
    best: Optimum | None = None,
    journal: Sequence[Any] = (),
    verdict: Mapping[str, Any] | None = None,
    kept: Sequence[Mapping[str, Any]] = (),
    better: Mapping[str, Any] | None = None,
) -> Facts:
    """All that a report on these may say; what is not given is not known yet. `design` is one round or all of them."""
    designs, plans, judged = _rounds(study, design)
    specs = _specs(study, models)
    formula = _chosen(study, models, best, verdict)
    others = _others(study, models, best)
    usable = 0 if results is None else len(results.usable)
    effects = effect_rows(study, models, best) if models is not None and best is not None else ()
    tried = _tried(study, results, designs, best)
    compared, ceiling = _compared(study, models), _ceiling(study, specs)
    return Facts(
        study=study.name,
        product=study.product or "",
        market=study.market or "",
        currency=study.currency,
        unit=study.unit,
        specs=specs,
        **_decided(study, models, best, formula, verdict, better, usable, judged, plans),
        batches=usable,
        rests_on=_rests_on(usable),
        batch_g=study.batch_g,
        batches_per_day=study.batches_per_day,
        batch_cost=study.batch_cost,
        cost_ceiling=ceiling,
        standing=standing(formula, verdict) if formula is not None else "",
        formula=formula,
        alternatives=others,
        compared=compared,
        references=tuple((r.name, dict(r.measured)) for r in study.references),
        **_front(study, best, formula),
        **_proven(study, best),
        limited_by=tuple(limiting(row) for row in best.to_dict()["limited_by"]) if best is not None else (),
        effects=effects,
        chance_effects=chance_effects(study, models, best) if models is not None and best is not None else None,
        slices=slices(study, models, best, effects) if models is not None and best is not None else (),
        plans=plans,
        tried=tried,
        blends=blends_of(study, tried),
        made=_made(study, results),
        fits=_fits(specs, models),
        findings=_findings(study, results, best, verdict),
        events=tuple(Event(e.when, clean(e.user), clean(e.command), clean(e.why or e.command)) for e in journal),
        categories=tuple(name for name in study.region.categories if name in study.columns),
        region=MappingProxyType({"dimension": study.region.dimension, "reach": dict(study.region.reach)}),
        limits=tuple(
            (f"{limit.rule} when {limit.when}" if limit.when else limit.rule, limit.why) for limit in study.limits
        ),
        open_questions=_open(study, models),
        kept=tuple(kept_lines(kept)),
        better=better_line(better),
        passes=passes_line(verdict),
        digests=MappingProxyType({**study.digests, **({"results": results.digest} if results else {})}),
        version=_version(),
        steps=_making(study, best),
        live=live_of(study, models, formula, others, compared, ceiling),
    )


def _decided(
    study: Study, models: Models | None, best: Optimum | None, formula: Formula | None,
    verdict: Mapping[str, Any] | None, better: Mapping[str, Any] | None, usable: int, judged: Design | None,
    plans: Sequence[PlanFacts],
) -> dict[str, Any]:  # fmt: skip
    """What is due, as the decision and the next step in words."""
    step: Due | None = None
    gain: Mapping[str, Any] = {}
    if models is not None and best is not None:
        step = due(study, models, best.levels, clash=best.clash, verdict=verdict)
        step, gain = further(study, models, best.levels, step)
    planned = 0 if judged is None else len(judged.table)
    shows = next((plan.reading for plan in reversed(plans) if plan.purpose != "confirm"), None)
    decided = decision(formula, step, () if best is None else best.clash, usable, planned, verdict, shows)
    weak = formula.weakest.spec.name if formula and formula.weakest else ""
    following = next_step(decided, step, formula, study.batch_cost, study.batches_per_day, weak, planned, shows)
    if decided.verdict == "plan" and judged is not None:
        following = replace(following, cost=amount(judged.quality.to_dict()["cost"]))
    each = following.cost / following.batches if following.batches and isinstance(following.cost, float) else None
    # Further trials are held against the best formula there is by now, confirmed or not.
    now = None if step is None else step.chance if better is None else better["chance"]
    bring = None if step is None or not gain else _further(study, step, now, gain, each)
    return {"decision": decided, "next_step": following, "further": bring}


def _further(study: Study, step: Due, now: Any, gain: Mapping[str, Any], each: float | None) -> FurtherFacts:
    """What further trials would bring to the best chance `now`, in words and a row a number of them.

    `each` is what one costs in all.
    """
    said = (
        gain_line(gain, now, step.batches, study.currency),
        worth_line(gain, step.batches),
        ceiling_line(gain, now, step.wanted),
    )
    return FurtherFacts(
        says=tuple(line for line in said if line),
        rows=tuple(gain_rows(gain, now, each or study.batch_cost, study.currency)),
        note=gain_note(step.wanted, study.batch_cost, each),
    )


def _specs(study: Study, models: Models | None) -> tuple[Spec, ...]:
    return tuple(
        spec_of(r, models[r.name].scale.name if models and r.name in models else None) for r in study.responses
    )


def _rounds(
    study: Study, design: Design | Sequence[Design] | None
) -> tuple[tuple[Design, ...], tuple[PlanFacts, ...], Design | None]:
    """All rounds, as designs and as facts, and the last one that was planned to learn from."""
    designs = () if design is None else tuple(design) if isinstance(design, Sequence) else (design,)
    plans = tuple(plan_facts(study, one, is_first=one is designs[0]) for one in designs)
    both = zip(reversed(designs), reversed(plans), strict=True)
    return designs, plans, next((one for one, plan in both if plan.purpose != "confirm"), None)


def _version() -> str:
    try:
        return version("blendwright")
    except PackageNotFoundError:
        return "unknown"


def _findings(
    study: Study, results: Results | None, best: Optimum | None, verdict: Mapping[str, Any] | None
) -> tuple[Problem, ...]:
    found = best.findings if best is not None else ()
    # Before there is a formula, all that the study allows is looked at; then the formula, and the batches as made.
    trade = coverage(study) if best is not None else study_findings(study)
    made = (*results.findings, *measured_findings(study, results)) if results is not None else ()
    return (*_not_confirmed(verdict), *study.problems, *trade, *made, *found)


def _not_confirmed(verdict: Mapping[str, Any] | None) -> tuple[Problem, ...]:
    if verdict is None or verdict["confirmed"]:
        return ()
    do = "look at these batches before anything is made; the models now know of them"
    where = f"confirmation of {verdict['formula']}" if "formula" in verdict else "confirmation"
    return (Problem("not-confirmed", "warn", where, said(verdict).rstrip("."), "as predicted, every must met", do),)


def _chosen(
    study: Study, models: Models | None, best: Optimum | None, verdict: Mapping[str, Any] | None
) -> Formula | None:
    if models is None or best is None:
        return None
    (formula,) = formulas(
        study,
        models,
        best.levels,
        [{"desirability": best.to_dict()["desirability"]}],
        tolerances={name: (float(a), float(b)) for name, (a, b) in best.tolerances.items()},
        findings=tuple(best.findings),
    )
    return replace(formula, confirmed=confirmed_words(verdict))


def _others(study: Study, models: Models | None, best: Optimum | None) -> tuple[Formula, ...]:
    if models is None or best is None:
        return ()
    rows = [row for row in best.to_dict()["alternatives"] if "blend" in row][:_MOST_ALTERNATIVES]
    if not rows:
        return ()
    frame = pd.DataFrame(
        [{**row["blend"], **row["factors"]} for row in rows],
        index=[str(row.get("label", f"F{i}")) for i, row in enumerate(rows, 2)],
    )
    return formulas(study, models, frame)


def _compared(study: Study, models: Models | None) -> tuple[Formula, ...]:
    """References whose levels are known, as formulas predicted like any other."""
    needed = {i.name for i in study.varied if i.role != "fill"} | {f.name for f in study.factors}
    known_ones = [r for r in study.references if needed and needed <= set(r.levels)]
    if models is None or not known_ones:
        return ()
    frame = pd.DataFrame([{n: r.levels[n] for n in needed} for r in known_ones], index=[r.name for r in known_ones])
    return formulas(study, models, study.complete(frame))


def _proven(study: Study, best: Optimum | None) -> dict[str, Any]:
    """What is proven of a formula, as numbers and in words."""
    if best is None:
        return {}
    said = _said(*wording_proof.clash(study, best.clash), wording_proof.closest(study, best.closest))
    certificate = best.certificate.to_dict()
    return {
        "certificate": MappingProxyType(certificate),
        "proof": _said(wording_proof.bound(certificate)),
        "clash_said": said,
    }


def _said(*sentences: str) -> tuple[str, ...]:
    return tuple(sentence for sentence in sentences if sentence)


def _making(study: Study, best: Optimum | None) -> tuple[str, ...]:
    """How a batch of the formula is made, step by step."""
    levels = {} if best is None else {str(name): level for name, level in best.levels.iloc[0].items()}
    return tuple(at_levels(step.does, study.factors, levels) for step in study.steps)


def _rests_on(usable: int) -> str:
    if not usable:
        return "Nothing has been measured yet."
    made = counted(usable, "batch", "batches")
    return f"Rests on {made} made at bench scale. Other lots and larger scale are not in it."


def _ceiling(study: Study, specs: Sequence[Spec]) -> Spec | None:
    names = {r.name for r in study.responses if r.source == "cost_per_kg" and r.high is not None}
    return next((spec for spec in specs if spec.name in names), None)


def _front(study: Study, best: Optimum | None, formula: Formula | None) -> dict[str, Any]:
    """The front and its two aims: which of its points is the formula, or where the formula lies beside it."""
    if best is None or formula is None:
        return {}
    up, across = best.front_of
    now = best.levels.iloc[0]
    front = []
    for row in best.to_dict()["front"]:
        x, y = (_on_front(row, name) for name in (across, up))
        levels = {**row["blend"], **row["factors"]}
        same = all(_same_level(value, now[name]) for name, value in levels.items() if name in now)
        front += [(float(x), float(y), same)] if isinstance(x, float) and isinstance(y, float) else []
    own = None if any(same for *_, same in front) else tuple(_of_formula(formula, name) for name in (across, up))
    beside = own if own is not None and all(isinstance(v, float) for v in own) else None
    return {"front": tuple(front), "front_of": (_aim(study, up), _aim(study, across)), "front_beside": beside}


def _same_level(one: Any, other: Any) -> bool:
    if isinstance(one, str) or isinstance(other, str):
        return str(one) == str(other)
    return abs(float(one) - float(other)) <= 1e-6 * max(1.0, abs(float(other)))


def _of_formula(formula: Formula, name: str) -> Any:
    """What the formula has of an aim of the front."""
    own = {"chance": formula.chance, "desirability": formula.desirability, "cost_per_kg": formula.cost_per_kg}
    return own[name] if name in own else next((s.predicted for s in formula.strips if s.spec.name == name), None)


_FRONT_KEYS = {"chance": "chance_all", "desirability": "desirability", "cost_per_kg": "cost_per_kg"}


def _on_front(row: Mapping[str, Any], name: str) -> Any:
    values = row.get("values", {})
    return values[name] if name in values else row[_FRONT_KEYS[name]]


def _aim(study: Study, name: str) -> FrontAim:
    if name == "cost_per_kg":
        return FrontAim("cost", f"{study.currency}/kg")
    if name in _FRONT_KEYS:
        return FrontAim("chance that a new batch passes everything" if name == "chance" else name, share=True)
    return FrontAim(name, study.response(name).unit)


def _tried(
    study: Study, results: Results | None, designs: Sequence[Design], best: Optimum | None
) -> tuple[TriedRange, ...]:
    if results is not None and len(results.usable):
        levels, names = results.levels(), [str(t) for t in results.batches.loc[results.usable, "trial"]]
    elif designs:
        levels = pd.concat([one.table for one in designs])
        names = [str(t) for t in levels.index]
    else:
        return ()
    rounds = {str(trial): one.round for one in designs for trial in one.table.index}
    now = best.levels.iloc[0] if best is not None else None
    units = {f.name: f.unit for f in study.factors}
    return tuple(
        TriedRange(
            name=name,
            unit=units.get(name, study.unit),
            allowed=study.region.reach[name],
            points=tuple((trial, v) for trial, v in _levels_of(levels, name, names)),
            now=None if now is None else float(now[name]),
            rounds=tuple(rounds.get(trial, 0) for trial, _ in _levels_of(levels, name, names)),
            weighed=_weighed(study, results, name),
        )
        for name in study.region.names
    )


def _weighed(study: Study, results: Results | None, name: str) -> float | None:
    """The step of an ingredient's levels on its balance; None where any were given themselves, not in grams."""
    if results is None or name not in {item.name for item in study.ingredients} or not len(results.usable):
        return None
    if results.batches.loc[results.usable, "weighed_g"].isna().any():
        return None
    levels = [float(level) for level in results.levels()[name] if known(level)]
    return max((step_of(study, level) for level in levels), default=None)


def _levels_of(levels: pd.DataFrame, name: str, trials: Sequence[str]) -> list[tuple[str, float]]:
    """(trial, level) of one column; a round that did not know it yet has none."""
    if name not in levels:
        return []
    return [(trial, float(v)) for trial, v in zip(trials, levels[name], strict=True) if known(v) is not None]


def _made(study: Study, results: Results | None) -> tuple[BatchRow, ...]:
    """Every batch as made, in the order recorded, with what was read of it."""
    if results is None:
        return ()
    rows = []
    readings, asked = results.counted, {one.name: one for one in study.responses}
    taken = {r.name: observed(study, results, r)[0] for r in study.responses if r.is_derived}
    places = {str(name): common_places(group) for name, group in readings.groupby("response")["value"]}
    for batch, row in results.batches.iterrows():
        own = readings[readings["batch"] == batch]
        said = {}
        for name, group in own.groupby("response"):
            response = asked.get(str(name))
            each = [_reading(r, response, places.get(str(name))) for _, r in group.iterrows()]
            is_curve = response is not None and response.kind == "curve"
            said[str(name)] = _curve(each) if is_curve else "; ".join(each)
        for name, frame in taken.items():
            for _, found in frame[frame.index == batch].iterrows():
                said[name] = _taken(found)
        order = known(row["order"])
        rows.append(
            BatchRow(
                batch=str(batch),
                trial=str(row["trial"]),
                state=str(row["state"]),
                why=str(known(row["why"]) or ""),
                order=None if order is None else float(order),
                day=str(known(row["day"]) or ""),
                levels={name: row[name] for name in study.columns},
                readings=said,
            )
        )
    return tuple(rows)


def _curve(each: Sequence[str]) -> str:
    """The readings of a curve in short: from the first to the last, in one line."""
    return each[0] if len(each) == 1 else f"{each[0]}\u00a0to\u00a0{each[-1]}"


def _taken(row: pd.Series) -> str:
    """What was taken from a batch's curve, to three digits."""
    return f"{_SIGNS.get(str(row['bound']), '')}{row['value']:.3g}"


def _reading(row: pd.Series, response: Response | None, places: int | None) -> str:
    value = known(row["value"])
    if value is None:
        return str(known(row["flag"]) or "not measured")
    text = str(value)
    if isinstance(value, int | float):
        text = exactly(value) if places is None else plain(value, places)
    if response is not None and isinstance(value, int | float) and (response.kind == "pass" or grades.named(response)):
        text = grades.as_read(response, float(value), float(value))
    return f"{_SIGNS.get(str(row['bound']), '')}{text}"


def _fits(specs: Sequence[Spec], models: Models | None) -> tuple[FitFacts, ...]:
    if models is None:
        return ()
    by_name = {spec.name: spec for spec in specs}
    places = _places(models.results)
    out = []
    for name in models:
        entry = models.entry(name)
        points = []
        for row in entry["trials"]:
            seen, fitted, off = (row[k] for k in ("observed", "fitted", "deleted"))
            if not (isinstance(seen, int | float) and isinstance(fitted, int | float)):
                continue
            left = float(off) if isinstance(off, int | float) else None
            end = row.get("to")
            points.append(
                FitPoint(
                    str(row["trial"]), places.get(str(row["batch"]), 0.0), float(seen), float(fitted), left,
                    str(row["bound"]), float(end) if isinstance(end, int | float) else None,
                )
            )  # fmt: skip
        asked = questions_of(models.study, models, entry)
        out.append(FitFacts(by_name[name], MappingProxyType(entry), tuple(points), _fit_reading(entry), asked))
    return tuple(out)


def _places(results: Results) -> dict[str, float]:
    """Each batch's place in the order of making: round by round, then the order within it, else as recorded."""
    batches = results.batches
    keys = [
        (_number(row["round"]), _number(row["order"]), i, str(batch))
        for i, (batch, row) in enumerate(batches.iterrows())
    ]
    return {batch: float(place) for place, (_, _, _, batch) in enumerate(sorted(keys), 1)}


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) and value == value else 0.0


def _fit_reading(entry: Mapping[str, Any]) -> str:
    lack = entry["lack_of_fit"]
    if "unavailable" in lack:
        said = f"Whether the shape is right cannot be tested: {lack['unavailable']}."
    elif lack["p"] < 0.05:
        said = "The shape may be wrong: batches lie farther from it than repeats of one recipe lie from each other."
    else:
        said = "Repeats of one recipe give no sign that the shape is wrong."
    # The same batches that the fit itself names, by the same limits.
    for code, words in (("outlier", "Out of the ordinary"), ("influential", "Deciding much by themselves")):
        named = [str(f["got"]).split(" ", 1)[0] for f in entry["findings"] if f["code"] == code]
        said += f" {words}: {listed(named)}; look at the sheet." if named else ""
    return said


def _open(study: Study, models: Models | None) -> tuple[str, ...]:
    out = []
    if models is not None:
        out.append("One laboratory, bench scale: what other lots, operators and a larger vessel do is not known.")
    if study.product is None or study.market is None:
        out.append("Product type or market is not given, so no legal limit can be looked at.")
    out.append("Stability, challenge test and the safety assessment stand outside this report.")
    return tuple(out)
