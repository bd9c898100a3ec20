"""The one next step of a study, and why: confirm the formula, learn from further trials, or stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import pandas as pd

from doe.plain import plain
from doe.problems import Unavailable
from doe.results.results import Results
from doe.study import Study
from optimise.formula.optimum import Number
from optimise.models.aims import musts, wanted
from optimise.models.models import Models
from optimise.upcoming.confirming import FEWEST, MOST, Confirming, confirming
from optimise.upcoming.outlook import MOST_FURTHER

WANTED_CHANCE = 0.9  # where the study sets none; common practice, no source

Purpose = Literal["confirm", "learn", "stop"]
Why = Literal["confirmed", "spent", "clash", "no aims", "reached", "wishes", "short", "unknown", "flat"]


@dataclass(frozen=True, slots=True)
class Due:
    """What comes next: `batches` of a `purpose`, because of `why`; the chance as it is and as it is `wanted`.

    confirmed: the formula is; spent: `[done]` leaves no batch; clash: musts cannot be met together, as predicted; no
    aims: nothing is wanted; reached: the chance is; wishes: there are no musts, so there is no chance; short: the
    chance is; unknown: a must has no model yet; flat: the chance is short, and no further trial is worth making (which
    only the search for trials tells). `advice` says what confirmation batches would tell, where they are due.
    """

    purpose: Purpose
    why: Why
    batches: int
    chance: Number
    wanted: float
    formula: str
    advice: Confirming | None = None

    def flat(self) -> Due:
        """The same where no further trial has turned out to be worth making."""
        return replace(self, purpose="stop", why="flat", batches=0)

    def to_dict(self) -> dict[str, Any]:
        """The form of `due` in `optimise --json` and `next --json`."""
        return {
            "purpose": self.purpose,
            "why": self.why,
            "batches": self.batches,
            "formula": self.formula,
            "chance": plain(self.chance),
            "wanted": self.wanted,
            "advice": None if self.advice is None else self.advice.to_dict(),
        }


def due(
    study: Study, models: Models, recipe: pd.DataFrame, *, results: Results | None = None,
    clash: Sequence[object] = (), verdict: Mapping[str, Any] | Unavailable | None = None,
) -> Due:  # fmt: skip
    """What is due with a formula, `recipe` (one row under its name), as the study stands.

    `clash`: musts found not to be met together. `verdict` is what confirmation batches of this very formula said (see
    `upcoming.confirmation`). Confirmation is due where the chance wanted is reached, and where there are only wishes;
    as many batches as `confirming` advises and `[done]` leaves. Else trials to learn from: a day's batches while a must
    has no model, later all that `[done]` leaves of those looked at; how many of them pay the search for them tells.
    """
    joint = models.joint(recipe)
    chance: Number = joint if isinstance(joint, Unavailable) else float(joint[0][0])
    goal, left = wanted_chance(study), room(study, models.results if results is None else results)
    held = isinstance(verdict, Mapping) and bool(verdict["confirmed"])
    reached = isinstance(chance, float) and chance >= goal
    only_wishes = not any(r.is_must for r in wanted(study)) and not musts(study)

    def step(purpose: Purpose, why: Why, batches: int = 0, advice: Confirming | None = None) -> Due:
        return Due(purpose, why, batches, chance, goal, str(recipe.index[0]), advice)

    if not wanted(study) and isinstance(chance, Unavailable):
        return step("stop", "no aims")
    if held and (reached or only_wishes):
        return step("stop", "confirmed")
    if clash and not held:
        return step("stop", "clash")
    if left < 1:
        return step("stop", "spent")
    if reached:
        advice = confirming(study, models, recipe, goal, left)
        return step("confirm", "reached", min(FEWEST, left) if advice is None else advice.batches, advice)
    if only_wishes:
        return step("confirm", "wishes", min(FEWEST, left))
    if isinstance(chance, Unavailable):
        return step("learn", "unknown", min(max(1, int(study.batches_per_day)), left))
    return step("learn", "short", min(MOST_FURTHER, left))


def wanted_chance(study: Study) -> float:
    """The chance with which a new batch is to meet every must: of `[done]`, or what is assumed."""
    return study.done.chance if study.done.chance is not None else WANTED_CHANCE


def batches_to_confirm(study: Study, models: Models, recipe: pd.DataFrame) -> int:
    """How many confirmation batches of a formula are worth making, whether or not any are due; at least one."""
    left = room(study, models.results) or MOST
    advice = confirming(study, models, recipe, wanted_chance(study), left)
    return min(FEWEST, left) if advice is None else advice.batches


def room(study: Study, results: Results) -> int:
    """How many further batches `[done]` allows."""
    made, left = len(results.batches), 10_000
    if study.done.max_batches is not None:
        left = min(left, study.done.max_batches - made)
    if study.done.budget is not None and study.batch_cost > 0:
        left = min(left, int((study.done.budget - made * study.batch_cost) / study.batch_cost + 1e-9))
    return max(left, 0)


def when_to_stop(study: Study, results: Results, step: Due) -> str:
    """When to stop in words, and whether it is time."""
    made, spent = len(results.batches), len(results.batches) * study.batch_cost
    told = [f"Stop when a new batch of the formula passes everything with a chance of {percent(step.wanted)}"]
    told += [f"or after {study.done.max_batches} batches ({made} made)"] if study.done.max_batches is not None else []
    if study.done.budget is not None:
        told += [f"or when {study.done.budget:g} {study.currency} are spent ({spent:g} spent on batches)"]
    stop = ", ".join(told)
    stop += (
        f"; the chance is now {in_words(step.chance)}."
        if isinstance(step.chance, float)
        else "; there is no chance yet."
    )
    if step.why == "wishes" or (step.why == "confirmed" and not isinstance(step.chance, float)):
        stop = (
            "Only wishes are given and no musts, so there is no chance to stop by: stop when the formula is confirmed."
        )
    return stop + _TIME.get(step.why, "")


_TIME = {
    "reached": " That is enough, as predicted: fresh batches of the formula are to confirm it.",
    "spent": " The batches or the money are used up.",
    "confirmed": " The formula is confirmed: it is time to stop.",
    "clash": " Some musts cannot be met together, as predicted: agree which of them or which limit may move.",
    "no aims": " Nothing is wanted of any response yet: give aims and limits.",
}


def in_words(chance: float) -> str:
    """A chance near certainty is never shown as certain."""
    if chance > 0.99 or chance < 0.01:
        return "over 99 %" if chance > 0.5 else "under 1 %"
    return percent(round(chance, 2))


def percent(share: float) -> str:
    """A chance that was asked for or is rounded: `80 %`."""
    return f"{100 * share:.3g} %"
