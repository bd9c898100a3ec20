"""When to stop, in a sentence or two: what ends a study, how far it is, and what further batches can still do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.wording.further import cases, points

if TYPE_CHECKING:
    from optimise.upcoming.upcoming import Upcoming

_TIME = {
    "reached": "That is enough, as predicted: fresh batches of the formula are to confirm it.",
    "spent": "The batches or the money are used up.",
    "confirmed": "The formula is confirmed: it is time to stop.",
    "clash": "Some musts cannot be met together, as predicted: agree which of them or which limit may move.",
    "no aims": "Nothing is wanted of any response yet: give aims and limits.",
}


def when_to_stop(upcoming: Upcoming) -> str:
    """When to stop, whether it is time, and what the next batches may be expected to do about it."""
    return " ".join(part for part in (_rule(upcoming), _TIME.get(upcoming.rule.why), _foretold(upcoming)) if part)


def _rule(upcoming: Upcoming) -> str:
    due, rule = upcoming.due, upcoming.rule
    if rule.why == "wishes" or (rule.why == "confirmed" and not isinstance(due.chance, float)):
        return (
            "Only wishes are given and no musts, so there is no chance to stop by: stop when the formula is confirmed."
        )
    told = [f"Stop when a new batch of the formula passes everything with a chance of {_asked(due.wanted)}"]
    told += [f"or after {rule.max_batches} batches ({rule.made} made)"] if rule.max_batches is not None else []
    if rule.budget is not None:
        told += [f"or when {rule.budget:g} {rule.currency} are spent ({rule.spent:g} spent on batches)"]
    now = f"the chance is now {_now(due.chance)}" if isinstance(due.chance, float) else "there is no chance yet"
    return f"{', '.join(told)}; {now}."


def _foretold(upcoming: Upcoming) -> str:
    """What the batches may be expected to do about the chance that is wanted, and what no batches can."""
    if not upcoming.foretold:
        return ""
    count, gains = len(upcoming.table), (0.0, *upcoming.gain["course"])
    these = "This batch is" if count == 1 else f"These {count} batches are"
    at_most = _at_most(upcoming)
    hopeless = f"Other limits or other ingredients would do more: {at_most}."
    most = f"{len(gains) - 1} further trials"
    return {
        "none": f"Even {most} are expected to raise it by {points(gains[-1])} only. {hopeless}",
        "little": f"{these} expected to raise it by {points(gains[count])} only. {hopeless}",
        "enough": f"{these} expected to be enough.",
        "hopeless": f"Trials alone will hardly reach it: {at_most}. Other limits or ingredients would do more.",
    }[upcoming.foretold]


def _at_most(upcoming: Upcoming) -> str:
    """What would be had were every must known exactly."""
    due, ceiling = upcoming.due, upcoming.gain["ceiling"]
    whole = "were every must known exactly, the best formula"
    if isinstance(due.chance, float):
        whole += f" would pass with {_now(min(due.chance + ceiling['chance'], 1.0))} in the mean, and"
    return f"{whole} reach {_asked(due.wanted)} in {cases(ceiling['reached'])}"


def _now(chance: float) -> str:
    """A chance near certainty is never shown as certain."""
    if chance > 0.99 or chance < 0.01:
        return "over 99 %" if chance > 0.5 else "under 1 %"
    return _asked(round(chance, 2))


def _asked(share: float) -> str:
    """A chance that was asked for or is rounded: `80 %`."""
    return f"{100 * share:.3g} %"
