"""Sentences that people read, in one place: of batches, units, days and money.

"predicted", "measured" and "confirmed" are three things and never mixed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.design.reading import PlanReading
from doe.problems import Unavailable
from reports.facts import Amount, Decision, Effect, Facts, Formula, NextStep, Spec, State, Strip
from reports.numbers import (
    batches_in_words,
    counted,
    exactly,
    figure,
    likely,
    listed,
    money,
    percent,
    with_unit,
)
from reports.wording import grades, reading
from reports.wording.proof import together
from reports.wording.verdict import failed, not_yet, standing

if TYPE_CHECKING:
    from doe.definition.parts import Response
    from optimise.upcoming.confirming import Confirming
    from optimise.upcoming.due import Due

MEETS, CLOSE = 0.9, 0.5  # chances from which a spec is said to meet, or to come close; our own choice

OUTSIDE = "The formula lies outside what was tried: treat every number about it as a guess."
NO_MIXTURE = " No mixture of recipes made gives it: it lies beside them, near enough for the models to speak of it."

_CAUTIONS = """
These are predictions for laboratory batches. A larger vessel heats, cools, shears and loses water differently.
Heat: hot phases burn, and a hot vessel holds more than it seems. Weigh a batch before and after heating.
Preservation is not decided here. Only a challenge test on the final product in its final pack decides it.
Skin: nothing here says how skin will take this formula. Nobody tries a trial batch on people before a qualified \
safety assessor has agreed to it.
pH agents are corrosive when strong: dilute them, add them slowly, and write down what was added; it is part of the \
composition.
Limits on ingredients and labels differ by country and change several times a year. Local regulation and a qualified \
safety assessor decide, not this report.
"""
CAUTIONS = tuple(_CAUTIONS.strip().splitlines())


def state_of(chance: Amount, spec: Spec) -> State:
    """The word for a spec: meets, close, misses; watched when nothing is asked of it."""
    if spec.aim == "watch" or (spec.kind != "pass" and spec.low is None and spec.high is None):
        return "watched"
    if not isinstance(chance, float):
        return "unknown"
    return "meets" if chance >= MEETS else "close" if chance >= CLOSE else "misses"


def chance_words(strip: Strip) -> str:
    """What stands at the end of a strip: `meets, 49 of 50 batches`."""
    if strip.state == "watched":
        return "watched only"
    if not isinstance(strip.chance, float):
        return f"not known: {strip.chance.reason}"
    if strip.spec.exact:
        return "meets, exactly" if strip.chance > 0.5 else "misses, exactly"
    share = batches_in_words(strip.chance, "batches").removeprefix("about ")
    return f"misses, {share} pass" if strip.state == "misses" else f"{strip.state}, {share}"


def is_wish(spec: Spec | Response) -> bool:
    """Whether something is asked of a response that a batch may do without."""
    return not spec.must and any(v is not None for v in (spec.low, spec.high, spec.target))


def passing(wishes: bool) -> str:
    """What a batch does that passes: with `wishes` beside the musts it may still miss those."""
    return "meet every must" if wishes else "pass everything"


def asked(spec: Spec) -> str:
    """What is wanted of a response: limits, target, must or wish."""
    if spec.aim == "watch" or (spec.kind != "pass" and (spec.low, spec.high, spec.target) == (None, None, None)):
        return "watched"
    return grades.asked_for(spec, spec.unit)


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


def first_upper(text: str) -> str:
    """A sentence with its first letter large; a word such as pH or mPa.s stays as it is."""
    return text if any(c.isupper() for c in text.split(" ", 1)[0]) else text[:1].upper() + text[1:]


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


def per_pack(formula: Formula) -> str:
    """What the raw materials of one pack cost: `, €0.87 a pack of 250 g`; nothing where its content is not given."""
    if formula.pack_g is None or not isinstance(formula.cost_per_kg, float):
        return ""
    pack = formula.cost_per_kg * formula.pack_g / 1000
    return f", {money(pack, formula.currency)} a pack of {with_unit(exactly(formula.pack_g), 'g')}"


def cost_line(formula: Formula, ceiling: Spec | None, others: Sequence[Formula]) -> str:
    """Cost against its ceiling and against the references."""
    if not isinstance(formula.cost_per_kg, float):
        return f"Not available: {formula.cost_per_kg.reason}."
    high = ceiling.high if ceiling is not None else None
    says = f"{money(formula.cost_per_kg, formula.currency, high)} per kg of raw materials{per_pack(formula)}"
    if high is not None:
        room = high - formula.cost_per_kg
        word = "below" if room >= 0 else "above"
        by = money(abs(room), formula.currency, 0.0)
        at = "at" if abs(room) <= 1e-9 * max(1.0, abs(high)) else f"{by} {word}"
        says += f", {at} the ceiling of {money(high, formula.currency)}"
    for other in others:
        if isinstance(other.cost_per_kg, float):
            says += f"; {other.name} costs {money(other.cost_per_kg, formula.currency)}"
            break
    return f"{says}."


def without_chance(formula: Formula, because: str) -> str:
    """Why there is no chance and what to do about it, but for what the first line has said already."""
    if not isinstance(formula.chance, Unavailable):
        return ""
    has_musts = any(strip.spec.must for strip in formula.strips)
    told = not has_musts or formula.chance.reason in because
    why = "" if told else f"The chance is not available: {formula.chance.reason}. "
    return f"{why}{first_upper(formula.chance.do)}."


def weakest_line(formula: Formula) -> str:
    """The spec that most often would fail; nothing where there is no must."""
    weak = formula.weakest
    if not any(strip.spec.must for strip in formula.strips):
        return ""
    if weak is None or not isinstance(weak.chance, float):
        return "No must has a chance yet."
    if weak.chance >= 0.995:
        return "None: every must would be met in more than 99 of 100 batches."
    # Said as passing, like the chance of all: the two are rounded alike and cannot contradict each other.
    passing = batches_in_words(weak.chance, "batches")
    return f"{weak.spec.name}: {passing} would meet it ({asked(weak.spec)}; predicted {predicted(weak)})."


def predicted(strip: Strip) -> str:
    """The predicted value with its unit."""
    if not isinstance(strip.predicted, float):
        return str(strip.predicted)
    return grades.one(strip.spec, strip.predicted, None if strip.spec.exact else strip.sd, strip.spec.unit)


def predicted_plainly(strip: Strip) -> str:
    """`predicted 24 200 mPa.s`, `computed 1.098 EUR/kg`, or that nothing is."""
    if not isinstance(strip.predicted, float):
        return "no prediction"
    return f"{'computed' if strip.spec.exact else 'predicted'} {predicted(strip)}"


def predicted_short(strip: Strip) -> str:
    """What stands under a spec's name: `predicted 24 200 mPa.s`, or that nothing is."""
    if not isinstance(strip.predicted, float):
        return "no prediction"
    said, target = predicted_plainly(strip), strip.spec.target
    if (
        target is None
        or strip.state not in ("close", "misses")
        or strip.spec.kind == "pass"
        or grades.named(strip.spec)
    ):
        return said
    return f"{said}, target {exactly(target)}"


def limiting(row: Mapping[str, Any]) -> str:
    """One must with what the chance would gain without it: `Settled 16 points`."""
    gain = row.get("costs")
    if not isinstance(gain, float):
        return str(row["response"])
    return f"{row['response']} {_points(gain)}"


def _points(share: float) -> str:
    """What a chance gains, in whole points."""
    whole = round(100 * share)
    return counted(whole, "point") if whole else "under 1 point"


def front_words(facts: Facts) -> str:
    """The sentence under the front: what the last of the chance costs, or what each point is."""
    up, across = facts.front_of
    points = sorted(facts.front)
    if len(points) < 2:
        return ""
    if across.name != "cost" or up.name == "desirability":
        kept = "" if up.share else ", among formulas that keep nine tenths of what is to be had of all that is asked"
        return f"Each ring is the best {up.name} that was found for its {across.name}{kept}."
    return f"{_front_costs(facts, points)} Cost is exact, from prices and levels."


def _front_costs(facts: Facts, points: Sequence[tuple[float, float, bool]]) -> str:
    """What the best chance costs over the cheapest that is nearly as good."""
    best_cost, best = max(points, key=lambda p: (p[1], -p[0]))[:2]
    near = next((p for p in points if p[1] >= best - min(0.05, 0.1 * best)), None)
    if near is not None and near[0] < best_cost - 0.005 and best - near[1] < 0.005:
        return (
            f"A chance of {likely(near[1])} is to be had at {money(near[0], facts.currency)}; dearer formulas, up to "
            f"{money(best_cost, facts.currency)}, gain less than one point."
        )
    if near is not None and near[0] < best_cost - 0.005:
        apart = round(best_cost, 2) - round(near[0], 2)  # of the two prices as they are printed beside it
        return (
            f"The last {_points(best - near[1])} of chance cost {money(apart, facts.currency)} per kg: "
            f"{likely(near[1])} is to be had at {money(near[0], facts.currency)}, {likely(best)} at "
            f"{money(best_cost, facts.currency)}."
        )
    most = f"{likely(best)} is the most, at {money(best_cost, facts.currency)}"
    return f"Each ring is the best chance for its cost; {most}."


def effect_reading(spec: Spec, effects: Sequence[Effect]) -> str:
    """Under a row of effects: which direction moves it most and by how much, and which hardly do."""
    name = spec.name
    if not effects:
        return f"Nothing was found to move {name}."
    strong = effects[0]
    first, last = strong.points[0][1], strong.points[-1][1]
    errors = [grades.width(p[2], p[3]) for p in strong.points]
    if strong.levels:
        ends = [max(range(len(strong.levels)), key=lambda i: way * strong.points[i][1]) for way in (-1, 1)]
        least, most = (grades.one(spec, strong.points[i][1], errors[i], spec.unit) for i in ends)
        says = (
            f"{name} moves most with {_moved(strong)}: {least} at {strong.levels[ends[0]]},"
            f" {most} at {strong.levels[ends[1]]}."
        )
    else:
        over = grades.from_to(spec, first, last, (errors[0], errors[-1]))
        says = f"{name} moves most with {strong.direction}: from {over} over what is allowed here."
    slight = _apart([one for one in effects if one.slight])
    if slight:
        moves = "moves" if len(slight) == 1 else "move"
        measured = spec.kind in ("number", "curve")
        less = f"{moves} it less than one batch differs from the next" if measured else f"hardly {moves} it"
        says += f" {first_upper(listed(slight))} {less}."
    return says


def _moved(one: Effect) -> str:
    """What is moved along a direction; a material is no level of its ingredient."""
    return f"the choice of {one.direction}" if one.levels else one.direction.partition(" up")[0]


def _apart(effects: Sequence[Effect]) -> list[str]:
    """What is moved along directions, a level told from the choice of a material of the same name."""
    chosen = {one.direction for one in effects if one.levels}
    names = [_moved(one) for one in effects]
    return [f"the level of {name}" if name in chosen else name for name in names]


def chance_reading(effects: Sequence[Effect], wanted: float) -> str:
    """Under the chance along each direction: how far each may go before less than is wanted is left."""
    kept, stay = [], []
    for one in effects:
        inside = _kept(one, 100 * wanted)
        if inside is None:
            continue
        whole = one.points[-1][0] - one.points[0][0]
        low, high = (figure(end, 0.02 * whole) for end in inside)
        if inside[1] - inside[0] >= whole:
            continue
        if inside[1] - inside[0] < 0.02 * whole:
            stay.append(with_unit(f"{_moved(one)}, at {figure(one.now)}", one.unit))
        else:
            kept.append(with_unit(f"{_moved(one)} {low} to {high}", one.unit))
    if not any(p[1] >= 100 * wanted for one in effects for p in one.points):
        return f"Along no line from the formula does the chance reach the {percent(wanted)} asked for."
    if not kept and not stay:
        return f"Along every line the chance stays above the {percent(wanted)} asked for."
    says = f"The chance is {percent(wanted)} or more for {listed(kept)}, one moved at a time." if kept else ""
    return f"{says} It leaves hardly any room for {listed(stay)}.".strip() if stay else says


def _kept(one: Effect, wanted: float) -> tuple[float, float] | None:
    """From where to where along a line at least `wanted` is left, straight between its points; None for nowhere."""
    inside = [i for i, p in enumerate(one.points) if p[1] >= wanted]
    if not inside:
        return None
    ends = []
    for here, beyond in ((inside[0], inside[0] - 1), (inside[-1], inside[-1] + 1)):
        x, y = one.points[here][:2]
        if 0 <= beyond < len(one.points):
            x1, y1 = one.points[beyond][:2]
            x += (x1 - x) * (y - wanted) / (y - y1)
        ends.append(x)
    return ends[0], ends[1]


def outside_line(formula: Formula) -> str:
    """That a formula lies outside what was tried, or is allowed no more; "" where neither is so."""
    if formula.broken:
        return f"The study does not allow this formula as it stands: {listed(list(formula.broken))}."
    return OUTSIDE if formula.inside is False else ""


def trust_lines(formula: Formula | None, done: str) -> tuple[str, ...]:
    """What a prediction rests on and does not."""
    out = [done]
    if formula is not None and formula.inside is False:
        out.append(OUTSIDE)
    elif formula is not None and formula.in_hull is False:
        out.append(f"The formula lies within what was tried.{NO_MIXTURE}")
    return tuple(out)
