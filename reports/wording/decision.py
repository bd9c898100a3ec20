"""The decision and the next step in words: what is due, what it costs, what confirmation batches would tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.design.reading import PlanReading
from doe.problems import Unavailable
from reports.facts import Amount, Decision, Formula, NextStep
from reports.numbers import (
    batches_in_words,
    counted,
    likely,
    percent,
)
from reports.wording import reading
from reports.wording.formula import first_upper, is_wish, passing
from reports.wording.proof import together
from reports.wording.verdict import failed, not_yet, standing

if TYPE_CHECKING:
    from optimise.upcoming.confirming import Confirming
    from optimise.upcoming.due import Due


def decision(
    formula: Formula | None, due: Due | None, clash: Sequence[Mapping[str, Any]], batches: int, planned: int,
    verdict: Mapping[str, Any] | None = None, shows: PlanReading | None = None,
) -> Decision:  # fmt: skip
    """The first line of a report: what is due, in words; `verdict` is what fresh batches of the formula said.

    `clash` are the musts that clash, as the search found them; `shows` is how the plan reads that is to be made.
    """
    if batches == 0:
        return _to_plan(planned, shows)
    if formula is None or due is None:
        return Decision("more", "No decision yet", "No formula has been looked for yet.")
    if due.why == "clash":
        where = "what was tried" if clash and clash[0].get("fenced", True) else "these limits"
        because = f"Within {where} {together([str(one['response']) for one in clash])}, as predicted."
        return Decision("stop", "Do not make any of these formulas yet", because)
    if isinstance(formula.chance, Unavailable):
        return _without_chance(formula, due, formula.chance.reason)
    what = passing(any(is_wish(strip.spec) for strip in formula.strips))
    passes = f"{first_upper(batches_in_words(formula.chance))} would {what}"
    if due.why == "confirmed":
        return Decision("make", f"Make formula {formula.name}", f"{passes}; {formula.confirmed}.")
    if due.why == "flat":
        line = "Do not spend more batches within these limits: let one move, or allow another ingredient"
        because = (
            f"{passes} with {formula.name}; the study asks for {percent(due.wanted)}, and no further trial is worth"
        )
        return Decision("stop", line, f"{because} its cost.")
    if due.why == "spent":
        fresh = "Fresh batches have confirmed it" if formula.confirmed else "No fresh batches have confirmed it"
        because = f"{passes} with {formula.name}; the study asks for {percent(due.wanted)}. {fresh}."
        return Decision("stop", "Decide with what is known: the batches or the money are used up", because)
    if due.purpose == "confirm":
        if verdict is None or not failed(verdict, formula):
            before = "" if verdict is None or verdict["confirmed"] else f" {standing(formula, verdict)}"
            return Decision("confirm", _to_confirm(formula, due), f"{passes}, as predicted.{before}")
        because = f"{standing(formula, verdict)} With them known, {passes[:1].lower()}{passes[1:]}, as predicted."
        return Decision("confirm", not_yet(formula, verdict), because)
    return Decision(
        "more",
        "Spend more batches before deciding",
        f"The best formula so far, {formula.name}, would {what} in {batches_in_words(formula.chance)}; "
        f"the study asks for {percent(due.wanted)}.",
    )


def _to_plan(planned: int, shows: PlanReading | None) -> Decision:
    """What to decide before anything is made: whether the plan will show what matters comes first."""
    if not planned:
        return Decision("plan", "Plan the first trials", "There is no plan yet.")
    these = f"these {counted(planned, 'batch', 'batches')}"
    weak = shows is not None and bool(reading.missed(shows))
    line = f"{first_upper(these)} may not show all that matters" if weak else f"Make {these}"
    told = "" if shows is None else reading.missed_line(shows)
    return Decision("plan", line, f"Nothing has been measured yet. {told}".rstrip())


def _without_chance(formula: Formula, due: Due, reason: str) -> Decision:
    """What to decide where no chance can be given."""
    if due.why == "confirmed":
        return Decision("make", f"Make formula {formula.name}", f"It comes nearest to the wishes; {formula.confirmed}.")
    if due.why == "wishes":
        because = "It comes nearest to the wishes, as predicted. Nothing is a must, so there is no chance to give."
        return Decision("confirm", _to_confirm(formula, due), because)
    if due.why == "spent":
        line = "Decide with what is known: the batches or the money are used up"
        return Decision("stop", line, f"No chance can be given: {reason}.")
    because = "Nothing is wanted of any response yet." if due.why == "no aims" else f"No chance can be given: {reason}."
    return Decision("more", "No decision yet", because)


def _to_confirm(formula: Formula, due: Due) -> str:
    times = "once" if due.batches == 1 else f"{due.batches} times"
    return f"Make formula {formula.name}, {times}, to confirm it"


def next_step(
    made: Decision, due: Due | None, formula: Formula | None, batch_cost: float, per_day: float, weak: str,
    planned: int, shows: PlanReading | None = None,
) -> NextStep:  # fmt: skip
    """What to do next, with its cost and its days at the bench."""
    name = formula.name if formula is not None else ""
    plan = f"Make the {counted(planned, 'batch', 'batches')} in the order given" if planned else "Plan the trials"
    if shows is not None and reading.missed(shows):
        plan = f"Weigh other plans with plan --compare, or {plan[:1].lower()}{plan[1:]}"
    count, line = planned, plan
    if made.verdict != "plan":
        count, line = (0, "Look for a formula") if due is None else (due.batches, _due_words(due, name, weak))
    # A batch costs its labour and, as far as the formula tells, its materials.
    per_kg = formula.cost_per_kg if formula is not None and isinstance(formula.cost_per_kg, float) else 0.0
    each = batch_cost + (per_kg * formula.batch_g / 1000 if formula is not None else 0.0)
    cost: Amount = count * each if batch_cost else Unavailable("no batch_cost is given", "add batch_cost")
    days = count / per_day if per_day else Unavailable("no batches_per_day", "add it")
    return NextStep(line, count, cost, days, "" if due is None else confirm_line(due.advice))


def _due_words(due: Due, name: str, weak: str) -> str:
    if due.purpose == "confirm":
        lots = ", one at least with other lots" if due.batches > 1 else ""
        return f"Make {counted(due.batches, 'fresh batch', 'fresh batches')} of {name}{lots}"
    if due.purpose == "learn":
        about = f" about {weak}" if weak else ""
        return f"Make {counted(due.batches, 'batch', 'batches')} chosen to teach most{about}"
    return {
        "confirmed": f"Write the formula card of {name} and hand it over",
        "flat": 'Agree which limit may move or what else to allow; "How sure", below, says which must costs most',
        "clash": 'Agree which spec or which limit may move; "How sure", below, says by how much',
        "no aims": "Say what is wanted: an aim and limits for each response that counts",
        "spent": f"Decide whether {name} is good enough as it stands, or allow more batches",
    }[due.why]


def confirm_line(advice: Confirming | Mapping[str, Any] | None) -> str:
    """What confirmation batches that all pass would tell; where hardly any would, that they are not worth making."""
    if advice is None:
        return ""
    told = advice if isinstance(advice, Mapping) else advice.to_dict()
    n = int(told["batches"])
    if told["hopeless"]:
        passes = "it passes" if n == 1 else f"all {n} pass"
        return (
            f"Hardly worth making to confirm it: as the models stand, {passes} in {likely(told['all_pass'])} of cases. "
            "Trials to learn from (next --learn) or another limit do more; one batch of it only shows whether the "
            "models are wrong there."
        )
    all_pass = "once it has passed" if n == 1 else f"once all {n} have passed"
    now, left = likely(told["fear"]), likely(told["fear_left"])
    fear = f"{now}, now and {all_pass}" if now == left else f"{now} now, and {left} {all_pass}"
    these = "that batch" if n == 1 else f"all {n}"
    return (
        f"The chance that the formula in truth passes in fewer than {percent(told['poor'])} of batches is {fear}. "
        f"A formula as good as asked for passes {these} with a chance of {likely(told['passes'])}."
    )
