"""Sentences about a formula and its specs: chance, prediction, cost, what limits it, where it lies.

"predicted", "measured" and "confirmed" are three things and never mixed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from doe.problems import Unavailable
from reports.facts import Amount, Facts, Formula, Spec, State, Strip
from reports.numbers import (
    batches_in_words,
    counted,
    exactly,
    likely,
    listed,
    money,
    with_unit,
)
from reports.wording import grades

if TYPE_CHECKING:
    from doe.definition.parts import Response

MEETS, CLOSE = 0.9, 0.5  # chances from which a spec is said to meet, or to come close; our own choice

OUTSIDE = "The formula lies outside what was tried: treat every number about it as a guess."
NO_MIXTURE = " No mixture of recipes made gives it: it lies beside them, near enough for the models to speak of it."


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


def first_upper(text: str) -> str:
    """A sentence with its first letter large; a word such as pH or mPa.s stays as it is."""
    return text if any(c.isupper() for c in text.split(" ", 1)[0]) else text[:1].upper() + text[1:]


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
        by = _by_least_squares(facts)
        return f"Each ring is the best {up.name} that was found for its {across.name}{kept}.{by}"
    return f"{_front_costs(facts, points)} Cost is exact, from prices and levels."


def _by_least_squares(facts: Facts) -> str:
    """Which responses of a front have another centre than is predicted elsewhere, as desirability is searched by."""
    fitted = [spec.name for spec in facts.specs if not spec.exact]
    named = [aim.name for aim in facts.front_of if aim.name in fitted]
    if facts.certificate.get("objective") != "desirability" or not named:
        return ""
    return f" {listed(named)} by the least squares of the planned models, as desirability is."


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
