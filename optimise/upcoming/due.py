"""The one next step of a study, and why: confirm the formula, learn from further trials, or stop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
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
from optimise.upcoming.preposterior import MOST_FURTHER

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
        """The same where no further trial has turned out to be worth making; what was to stop stops for its reason."""
        return self if self.purpose == "stop" else replace(self, purpose="stop", why="flat", batches=0)

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


@dataclass(frozen=True, slots=True)
class StopRule:
    """What `[done]` sets beside the chance, each None where it sets none; and how much of it `made` batches have used.

    `budget` and what was `spent` on batches are in `currency`. `why` is that of what is due as the study stands, before
    trials are looked for.
    """

    max_batches: int | None
    made: int
    budget: float | None
    spent: float
    currency: str
    why: Why

    @classmethod
    def of(cls, study: Study, results: Results, why: Why) -> StopRule:
        """The rule of a study with these results."""
        made = len(results.batches)
        return cls(study.done.max_batches, made, study.done.budget, made * study.batch_cost, study.currency, why)

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


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
