"""Facts, gathered once from study, plan, results, models and formula. Everything that is read renders these."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from types import MappingProxyType
from typing import Any

import pandas as pd

from doe import Study
from doe.definition.stepwords import at_levels
from doe.design.design import Design
from doe.problems import Problem
from doe.results.results import Results
from doe.trade import study_findings
from doe.trade.legal import coverage
from optimise import Due, Models, Optimum, due
from optimise.upcoming.learning import further
from reports.facts import (
    Event,
    Facts,
    Formula,
    FurtherFacts,
    PlanFacts,
    Spec,
)
from reports.gathering.blends import blends_of
from reports.gathering.effects import chance_effects, effect_rows
from reports.gathering.fits import fit_facts
from reports.gathering.formula import amount, formulas, spec_of
from reports.gathering.front import front_facts
from reports.gathering.live import live_of
from reports.gathering.made import batch_rows, tried_levels
from reports.gathering.plan import plan_facts
from reports.gathering.slices import slices
from reports.gathering.trade import measured_findings
from reports.numbers import counted
from reports.tables import clean
from reports.wording import proof as wording_proof
from reports.wording.changes import better_line, kept_lines
from reports.wording.decision import decision, next_step
from reports.wording.formula import limiting
from reports.wording.further import ceiling_line, gain_line, gain_note, gain_rows, passes_line, worth_line
from reports.wording.verdict import confirmed_words, said, standing

_MOST_ALTERNATIVES = 3


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
    tried = tried_levels(study, results, designs, best)
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
        **front_facts(study, best, formula),
        **_proven(study, best, formula),
        limited_by=tuple(limiting(row) for row in best.to_dict()["limited_by"]) if best is not None else (),
        effects=effects,
        chance_effects=chance_effects(study, models, best) if models is not None and best is not None else None,
        slices=slices(study, models, best, effects) if models is not None and best is not None else (),
        plans=plans,
        tried=tried,
        blends=blends_of(study, tried),
        made=batch_rows(study, results),
        fits=fit_facts(specs, models),
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


def _proven(study: Study, best: Optimum | None, formula: Formula | None) -> dict[str, Any]:
    """What is proven of a formula, as numbers and in words."""
    if best is None:
        return {}
    said = _said(*wording_proof.clash(study, best.clash), wording_proof.closest(study, best.closest))
    certificate = best.certificate.to_dict()
    return {
        "certificate": MappingProxyType(certificate),
        "proof": _said(wording_proof.centres(best.responses, formula), wording_proof.bound(certificate)),
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


def _open(study: Study, models: Models | None) -> tuple[str, ...]:
    out = []
    if models is not None:
        out.append("One laboratory, bench scale: what other lots, operators and a larger vessel do is not known.")
    if study.product is None or study.market is None:
        out.append("Product type or market is not given, so no legal limit can be looked at.")
    out.append("Stability, challenge test and the safety assessment stand outside this report.")
    return tuple(out)
