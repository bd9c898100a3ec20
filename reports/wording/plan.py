"""Sentences about a plan: what will be made, why these trials, what they will show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from doe.design.quality import made_before
from reports.facts import Facts, PlanFacts
from reports.numbers import counted, figure, listed, percent, with_unit
from reports.wording import reading as wording_reading


def plan_said(facts: Facts, plan: PlanFacts) -> dict[str, str]:
    """The sentences of a plan: what, why, what to make first in short and in full, seen."""
    return {
        "what": _what(plan) + _before(plan),
        "why": _why(plan),
        "first": _first_short(plan),
        "first_why": first_line(plan),
        "seen": _seen(facts, plan.quality),
        "missed": wording_reading.missed_line(plan.reading),
        "known": wording_reading.known_line(plan.reading, wording_reading.units_in(facts)),
        "alone": wording_reading.alone_line(plan),
        "spread": wording_reading.spread_line(plan.reading),
    }


def first_line(plan: PlanFacts) -> str:
    """Which trials to make first, why, and what that does to the order; nothing where there are none."""
    if not plan.extremes:
        return ""
    named = listed([f"{trial} ({why})" for trial, why in plan.extremes])
    said = (
        f"{named}: the extreme recipes. If one of them cannot be made, the limits are wrong, and it is found out on "
        "the first day. They count like all others."
    )
    return f"{said} {LEAD if plan.lead else KEEP}"


def _first_short(plan: PlanFacts) -> str:
    trials = listed([trial for trial, _ in plan.extremes])
    return f"{trials}, the extreme recipes: if one of them cannot be made, the limits are wrong." if trials else ""


LEAD = (
    "They lead the order on purpose, not by lot: a drift in the first hours falls on them, and as they lie on "
    "different sides it leans little on any one ingredient."
)
KEEP = (
    "The order is left as the lot gave it, because days or settings belong together in it: try these on a small scale "
    "beforehand, or begin with their group."
)


def round_line(plan: PlanFacts) -> str:
    """One round in a sentence: its trials, how many recipes, what for."""
    trials = [str(t["trial"]) for t in plan.trials]
    recipes = len(trials) - sum(1 for t in plan.trials if t.get("replicate_of"))
    span = trials[0] if len(trials) == 1 else f"{min(trials, key=_number)} to {max(trials, key=_number)}"
    purpose = {
        "learn": "to learn what drives what",
        "more": "chosen to teach more, given the rounds before",
        "confirm": "to confirm one formula",
    }[plan.purpose]
    return f"{counted(len(trials), 'batch', 'batches')} of {counted(recipes, 'recipe')}, {span}, {purpose}."


def _number(trial: str) -> tuple[int, str]:
    digits = "".join(c for c in trial if c.isdigit())
    return (int(digits) if digits else 0, trial)


def _what(plan: PlanFacts) -> str:
    again = Counter(str(t["replicate_of"]) for t in plan.trials if t.get("replicate_of"))
    recipes = len(plan.trials) - again.total()
    said = f"{counted(len(plan.trials), 'batch', 'batches')} of {counted(recipes, 'recipe')}"
    if not again:
        return f"{said}."
    if set(again.values()) == {1}:
        return f"{said}; {len(again)} of them made a second time, to see how batches differ."
    often = sorted(Counter(1 + more for more in again.values()).items())
    made = listed([f"{many} of them {'made ' if k == 0 else ''}{_times(n)}" for k, (n, many) in enumerate(often)])
    return f"{said}; {made}, to see how batches differ."


def _before(plan: PlanFacts) -> str:
    before = made_before(plan.quality.get("leverage") or {})
    if before < 1:
        return ""
    return f" {counted(before, 'batch', 'batches')} made before {'counts' if before == 1 else 'count'} with them."


def _times(count: int) -> str:
    return {2: "twice", 3: "three times", 4: "four times", 5: "five times"}.get(count, f"{count} times")


def _why(plan: PlanFacts) -> str:
    """Why these trials: what they can tell apart, how near the best plan they come, why their order is drawn."""
    quality = plan.quality
    df = quality.get("df")
    terms = counted(len(plan.terms), "sure term" if plan.maybe else "term")
    said = [f"These recipes are spread so that {terms} of a model can be told apart"]
    if plan.maybe:
        said[0] += f", and of {len(plan.maybe)} more what so few trials can show"
    if isinstance(df, Mapping):
        spare = [
            f"{counted(int(df[k]), 'batch', 'batches')} more to check its shape"
            for k in ("lack_of_fit",)
            if _positive(df.get(k))
        ]
        spare += [f"{df[k]} to see how batches of one recipe differ" for k in ("pure_error",) if _positive(df.get(k))]
        said[0] += f", with {listed(spare)}" if spare else ""
    d, i = quality.get("d_efficiency"), quality.get("i_efficiency")
    if _positive(d) and _positive(i):
        said.append(
            f"Against the best plan of any size they reach {percent(d)} for the terms and {percent(i)} for predictions"
        )
    kept = (quality.get("steps") or {}).get("efficiency_kept")
    if _positive(kept):
        said.append(f"Kept to steps that can be weighed, the plan has {percent(kept, 1)} of that efficiency left")
    by_lot = "The order of making is drawn by lot" + (" after the first ones" if plan.lead else "")
    said.append(f"{by_lot}, so that a slow drift at the bench does not look like an effect")
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
    over = f"From one end of an ingredient's reach to the other, differences of {listed(said)}"
    if facts.batches:
        return f"{over} were likely to show; smaller ones may have stayed unseen."
    return f"{over} will most likely show; smaller ones may not."


def fds_words(curve: list[tuple[float, float]]) -> str:
    """The sentence under the curve of the fraction of design space."""
    half = min(curve, key=lambda p: abs(p[0] - 0.5))[1]
    most = min(curve, key=lambda p: abs(p[0] - 0.9))[1]
    return (
        f"In half of the region a mean will be known to {figure(half, digits=2)} of the spread between batches or "
        f"better, in nine tenths of it to {figure(most, digits=2)}."
    )
