"""Sentences about a plan: what will be made, why these trials, what they will show, cost and days."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from reports.facts import Facts, PlanFacts
from reports.numbers import counted, figure, listed, money, percent, with_unit


def plan_said(facts: Facts, plan: PlanFacts) -> dict[str, str]:
    """The sentences of a plan: what, why, corners, seen, cost."""
    return {
        "what": _what(plan),
        "why": _why(plan),
        "corners": f"Make {listed(plan.corners)} before the others: if one of them cannot be made, the limits are "
        "wrong, and it is found out on the first day."
        if plan.corners
        else "",
        "seen": _seen(facts, plan.quality),
        "cost": _cost(facts, plan.quality),
    }


def _what(plan: PlanFacts) -> str:
    again = sum(1 for t in plan.trials if t.get("replicate_of"))
    recipes = len(plan.trials) - again
    said = f"{counted(len(plan.trials), 'batch', 'batches')} of {counted(recipes, 'recipe')}"
    return f"{said}; {again} of them made a second time, to see how batches differ." if again else f"{said}."


def _why(plan: PlanFacts) -> str:
    quality = plan.quality
    df = quality.get("df")
    terms = counted(len(plan.terms) + len(plan.maybe), "term")
    said = [f"These recipes are spread so that {terms} of a model can be told apart"]
    if isinstance(df, Mapping):
        spare = [f"{df[k]} batches more to check its shape" for k in ("lack_of_fit",) if _positive(df.get(k))]
        spare += [f"{df[k]} to see how batches of one recipe differ" for k in ("pure_error",) if _positive(df.get(k))]
        said[0] += f", with {listed(spare)}" if spare else ""
    d, i = quality.get("d_efficiency"), quality.get("i_efficiency")
    if _positive(d) and _positive(i):
        said.append(
            f"Against the best plan of any size they reach {percent(d)} for the terms and {percent(i)} for predictions"
        )
    said.append("The order of making is drawn by lot, so that a slow drift at the bench does not look like an effect")
    return ". ".join(said) + "."


def _positive(value: Any) -> bool:
    return isinstance(value, int | float) and value > 0


def _seen(facts: Facts, quality: Mapping[str, Any]) -> str:
    said = []
    seen = quality.get("can_see")
    for name, entry in seen.items() if isinstance(seen, Mapping) else ():
        difference = entry.get("difference") if isinstance(entry, Mapping) else None
        if not isinstance(difference, float):
            continue
        unit = next((s.unit for s in facts.specs if s.name == name), "")
        size = percent(difference) if entry.get("relative") else with_unit(figure(difference, digits=2), unit)
        said.append(
            f"{size} in {name}"
            if unit != name or entry.get("relative")
            else f"{figure(difference, digits=2)} in {name}"
        )
    if not said:
        return "How small a difference will show is not known: give each response its expected sd between batches."
    return (
        f"From one end of an ingredient's reach to the other, differences of {listed(said)} will most likely "
        "show; smaller ones may not."
    )


def _cost(facts: Facts, quality: Mapping[str, Any]) -> str:
    cost, days = quality.get("cost"), quality.get("days")
    said = f"About {money(float(cost), facts.currency)}" if isinstance(cost, int | float) else "Cost is not known"
    return f"{said}, {counted(int(days), 'day')} at the bench." if isinstance(days, int | float) else f"{said}."


def fds_words(curve: list[tuple[float, float]]) -> str:
    """The sentence under the curve of the fraction of design space."""
    half = min(curve, key=lambda p: abs(p[0] - 0.5))[1]
    most = min(curve, key=lambda p: abs(p[0] - 0.9))[1]
    return (
        f"In half of the region a mean will be known to {figure(half, digits=2)} of the spread between batches or "
        f"better, in nine tenths of it to {figure(most, digits=2)}."
    )
