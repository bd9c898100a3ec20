"""When to stop, in a sentence or two: what ends a study, how far it is, and what further batches can still do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.numbers import THIN, exactly, likely, money
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
        budget, spent = (money(amount, rule.currency, whole=True) for amount in (rule.budget, rule.spent))
        told += [f"or when {budget} is spent ({spent} so far, on batches)"]
    now = f"the chance is now {likely(due.chance)}" if isinstance(due.chance, float) else "there is no chance yet"
    return f"{', '.join(told)}; {now}."


def _foretold(upcoming: Upcoming) -> str:
    """What the batches may be expected to do about the chance that is wanted, and what no batches can."""
    if not upcoming.foretold:
        return ""
    count, gains = len(upcoming.table), (0.0, *upcoming.gain["course"])
    these = "This batch is" if count == 1 else f"These {count} batches are"
    pays, at_most = int(upcoming.gain["pays"]), _at_most(upcoming)
    # Of what is confirmed, or clashes, it is said already what to do.
    decided = upcoming.rule.why in ("confirmed", "clash")
    hopeless = "" if decided else f" Other limits or other ingredients would do more: {at_most}."
    few = isinstance(upcoming.due.chance, float) and upcoming.due.wanted <= upcoming.due.chance + gains[pays]
    enough = f"The {pays} of them that bring most" if few and 1 < pays < count else these.rpartition(" ")[0]
    most = f"{len(gains) - 1} further trials"
    return {
        "none": f"Even {most} are expected to raise it by {points(gains[-1])} only.{hopeless}",
        "little": f"{these} expected to raise it by {points(gains[count])} only.{hopeless}",
        "enough": f"{enough} {'is' if count == 1 else 'are'} expected to be enough.",
        "hopeless": f"Trials alone will hardly reach it: {at_most}. Other limits or ingredients would do more.",
    }[upcoming.foretold]


def _at_most(upcoming: Upcoming) -> str:
    """What would be had were every must known exactly."""
    due, ceiling = upcoming.due, upcoming.gain["ceiling"]
    whole = "were every must known exactly, the best formula"
    if isinstance(due.chance, float):
        whole += f" would pass with {likely(min(due.chance + ceiling['chance'], 1.0))} in the mean, and"
    return f"{whole} reach {_asked(due.wanted)} in {cases(ceiling['reached'])}"


def _asked(share: float) -> str:
    """A chance that was asked for, as it was written: `80 %`, `92.5 %`."""
    return f"{exactly(100 * share)}{THIN}%"
