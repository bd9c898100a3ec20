"""What to make next: batches that confirm a formula, trials that teach most, or nothing; and when to stop."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from doe.definition.keys import MOST_RUNS
from doe.design.design import Design, plan
from doe.design.quality import Quality
from doe.plain import plain
from doe.problems import ModelError, Problem, Unavailable, listed
from doe.results.results import Results
from doe.shown import Shown
from doe.study import Study
from doe.threads import one_thread
from doe.trade import trial_findings
from optimise.formula.brief import Brief
from optimise.formula.optimum import Number, Optimum
from optimise.models.models import Models
from optimise.models.recipes import level_of
from optimise.search import find
from optimise.upcoming.confirmdays import made_together, planned_days
from optimise.upcoming.confirming import Confirming, confirming
from optimise.upcoming.due import Due, StopRule, due
from optimise.upcoming.learning import Foretold, foretold, gain_of, lesson_for
from optimise.upcoming.steepestascent import trials_of_steepest_ascent
from optimise.upcoming.verdict import confirmation, confirming_limits, one_recipe

Count = int | Literal["worth"] | None
_MOST_TO_LEARN = 48  # trials chosen at once; what is learnt on the way changes which are worth making; our choice


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Upcoming(Shown):
    """The next batches: `purpose` confirm, learn or stop; their `design` (None for stop), what they gain and cost.

    `gain`: chance (expected rise of the best chance), per_batch, variance (share of uncertainty taken away), course
    (the rise by the first batch, the first two, ..., up to twelve), reached (how likely the chance wanted is reached
    after as many), pays (how many are worth making), worth (the trials that are, those that bring most first: the
    others would add next to nothing), money_per_percent (what a per cent of chance costs), ceiling (chance and reached
    were every must known exactly).
    `limits` by response: what all confirmation batches must keep at once. `rule` is what ends the study, `verdict` what
    confirmation batches that came back say. `way` names the response on whose way the trials stand, if they do.
    `foretold` is what trials to learn from may be expected to do about the chance that is wanted: to be `enough`, to
    raise it a `little`; `none` is worth making; `hopeless`: no number of trials alone is likely to reach it.
    `due` is what the study owes without being asked, and `advice` what confirmation batches would tell.
    """

    purpose: str
    design: Design | None
    gain: Mapping[str, Any]
    cost: Number
    rule: StopRule
    limits: Mapping[str, tuple[float, float]]
    verdict: Mapping[str, Any] | Unavailable
    findings: tuple[Problem, ...]
    due: Due
    advice: Confirming | None = None
    way: str = ""
    foretold: Foretold = ""

    @property
    def table(self) -> pd.DataFrame:
        """Whole recipes, one row a trial; empty for stop."""
        return pd.DataFrame() if self.design is None else self.design.table

    @property
    def runs(self) -> pd.DataFrame:
        """Order, block, whole_plot and replicate_of of each trial; empty for stop."""
        return pd.DataFrame() if self.design is None else self.design.runs

    @property
    def quality(self) -> Quality | None:
        """The quality of these trials as a plan (see `Design.quality`); None for stop."""
        return None if self.design is None else self.design.quality

    def __str__(self) -> str:
        if self.design is None:
            return f"Upcoming: stop ({self.due.why})"
        count = len(self.table)
        return f"Upcoming: {self.purpose}, {count} {'batch' if count == 1 else 'batches'}"

    __repr__ = __str__

    def to_dict(self) -> dict[str, Any]:
        """The form promised for `next --json`, but that `stop` holds facts where the document has a sentence."""
        return {
            "purpose": self.purpose,
            "why": self.due.why if self.purpose == self.due.purpose else "asked for",
            "formula": self.due.formula,
            "chance": plain(self.due.chance),
            "wanted": self.due.wanted,
            "way": self.way or None,
            "round": None if self.design is None else self.design.round,
            "runs": [] if self.design is None else self.design.to_dict()["runs"],
            "gain": plain(self.gain),
            "cost": plain(self.cost),
            "stop": {**self.rule.to_dict(), "foretold": self.foretold},
            "limits": {name: list(ends) for name, ends in self.limits.items()},
            "verdict": plain(self.verdict),
            "advice": None if self.advice is None else self.advice.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
        }


@one_thread
def next_trials(
    study: Study, models: Models, *, results: Results | None = None, confirm: int | None = None,
    learn: Count = None, formula: Mapping[str, Any] | pd.DataFrame | None = None, best: Optimum | None = None,
    round: int | None = None, first_trial: int | None = None, way: str | None = None,
    verdict: Mapping[str, Any] | None = None,
) -> Upcoming:  # fmt: skip
    """The next batches of a study: `confirm` that many of a formula, `learn` from that many new trials, or what is due.

    `learn` "worth" takes as many trials as are worth making, twelve at most and none beyond what `[done]` leaves; where
    none is, the purpose is stop, and `gain` says why.
    `way` names a response: the trials to learn from then stand on its way up or down from the middle of the region.
    `formula` gives levels by name (or a frame of one row); without it the one of `best`, else the best found. With
    neither `confirm` nor `learn`: what is due (see `upcoming.due`). `verdict` is what batches said that were made to
    confirm another formula; without it they are looked for among the results. `round` and `first_trial` number the new
    trials; without them they follow the results.
    Raises ModelError for both or a number below 1, and for a formula that lacks levels; PlanError where the trials
    cannot be planned.
    """
    results = models.results if results is None else results
    _check(study, confirm, learn, way)
    found = best if best is not None else (None if formula is not None else find(study, models))
    if formula is None and found is not None:
        recipe = found.levels
    else:
        recipe = one_recipe(study, {} if formula is None else formula)
    said = confirmation(study, results, recipe) if verdict is None else verdict
    clash = () if found is None else found.clash
    step = due(study, models, recipe, results=results, clash=clash, verdict=said)
    numbers = _numbers(results, round, first_trial)
    none = Unavailable("no trials are asked for", "use learn for trials that gain")
    told = Upcoming(
        purpose="stop", design=None, gain={"chance": none, "per_batch": none}, cost=0.0,
        rule=StopRule.of(study, results, step.why), limits={}, verdict=said, findings=(), due=step,
    )  # fmt: skip
    purpose = "confirm" if confirm is not None else "learn" if learn is not None else step.purpose
    if purpose == "stop":
        return told
    if isinstance(learn, int) and way is not None:
        return _on_way(told, study, models, way, learn, numbers)
    if purpose == "confirm":
        count = step.batches if confirm is None else confirm
        upcoming = _confirming(told, study, models, recipe, count, numbers)
    else:
        upcoming = _learning(told, study, models, results, recipe, learn if isinstance(learn, int) else None, numbers)
    return _with_trade(study, upcoming)


def _with_trade(study: Study, upcoming: Upcoming) -> Upcoming:
    """What comes next with what checks of the trade say of its trials beside."""
    if upcoming.design is None:
        return upcoming
    told = [one for one in trial_findings(study, upcoming.design.table) if one.level != "inform"]
    known = {(one.code, one.where) for one in upcoming.findings}
    return replace(upcoming, findings=(*upcoming.findings, *(p for p in told if (p.code, p.where) not in known)))


def _check(study: Study, confirm: int | None, learn: Count, way: str | None) -> None:
    problems = []
    known = [response.name for response in study.fitted_responses]
    if way is not None and way not in known:
        problems.append(Problem("unknown-response", "stop", "way", way, ", ".join(known), "name one of these"))
    if way is not None and not isinstance(learn, int):
        got = "a way without a number of trials"
        problems.append(Problem("way-without-learn", "stop", "way", got, "--learn N --way NAME", "say how many trials"))
    if confirm is not None and learn is not None:
        problems.append(Problem("confirm-or-learn", "stop", "next", "both asked for", "one of them", "leave one out"))
    for name, count, most in (("confirm", confirm, MOST_RUNS), ("learn", learn, _MOST_TO_LEARN)):
        if isinstance(count, int) and count < 1:
            problems.append(
                Problem("too-few-batches", "stop", name, str(count), "1 or more", "give a number of batches")
            )
        if isinstance(count, int) and count > most:
            allowed = f"up to {most} in one round"
            do = "check the number" if name == "confirm" else "make fewer, and ask again when their results are in"
            problems.append(Problem("too-many-batches", "stop", name, str(count), allowed, do))
    if problems:
        raise ModelError(problems)


def _numbers(results: Results, round_: int | None, first: int | None) -> tuple[int, int]:
    """The number of the new round and of its first trial, going on from the results where not given."""
    batches = results.batches
    rounds = pd.to_numeric(batches["round"], errors="coerce").dropna()
    numbered = [int(m.group(1)) for t in batches["trial"].astype(str) if (m := re.fullmatch(r"T(\d+)", t))]
    following = max(numbered) + 1 if numbered else batches["trial"].nunique() + 1
    after = int(rounds.max()) + 1 if len(rounds) else 2
    return (after if round_ is None else round_), (following if first is None else first)


def _round(
    study: Study, results: Results, numbers: tuple[int, int], count: int, recipes: Sequence[Mapping[str, Any]] = ()
) -> Design:
    """A round of `count` trials in random order: `recipes`, and others that go best with those already made."""
    return plan(
        study, runs=count, round=numbers[0], first_trial=numbers[1], existing=results.made(), design="optimal",
        must_make=tuple(recipes), replicate_batches=0, pure_error_df=0, blocks=0, whole_plots=None, standard=None,
    )  # fmt: skip


def _planned(study: Study, results: Results, frame: pd.DataFrame, numbers: tuple[int, int]) -> Design:
    """A round of exactly the recipes of a frame."""
    return _round(study, results, numbers, len(frame), _rows(study, frame))


def _rows(study: Study, frame: pd.DataFrame) -> list[dict[str, Any]]:
    """What varies of each recipe; a level a last digit beyond its reach stands at its end."""
    names = [i.name for i in study.varied if i.role == "varied"] + [f.name for f in study.factors]
    reach = study.region.reach
    return [
        {name: level_of(row[name] if name not in reach else np.clip(row[name], *_near(row[name], *reach[name])))
         for name in names}
        for _, row in frame.iterrows()
    ]  # fmt: skip


def _near(level: float, low: float, high: float) -> tuple[float, float]:
    """The ends of a reach, but for a level that is beyond them by more than a last digit."""
    slack = 1e-9 * max(high - low, 1e-300)
    return (low if level >= low - slack else level), (high if level <= high + slack else level)


def _confirming(
    told: Upcoming, study: Study, models: Models, recipe: pd.DataFrame, count: int, numbers: tuple[int, int]
) -> Upcoming:
    design = _planned(study, models.results, pd.concat([recipe] * count), numbers)
    days = planned_days(study, count)
    limits, shared = confirming_limits(study, models, recipe, days)
    nothing = Unavailable("confirmation batches are made to check, not to gain", "use learn for trials that gain")
    return replace(
        told, purpose="confirm", design=design, gain={"chance": nothing, "per_batch": nothing},
        cost=design.quality.cost, limits=limits, findings=made_together(days, shared),
        advice=confirming(study, models, recipe, told.due.wanted, batches=count),
    )  # fmt: skip


def _learning(
    told: Upcoming, study: Study, models: Models, results: Results, recipe: pd.DataFrame, count: int | None,
    numbers: tuple[int, int],
) -> Upcoming:  # fmt: skip
    """Trials to learn from: `count` of them, or as many as are worth making."""
    brief = Brief.of(study, models, "chance")
    few = min(told.due.batches, max(int(study.batches_per_day), 1)) if count is None else count
    if not brief.aimed:
        none = Unavailable("no must has a model", "give what a batch has to meet limits, and measure it")
        return _to_learn(told, _round(study, results, numbers, max(few, 1)), {"chance": none, "per_batch": none})
    # Before every must has a model there is no chance that could rise, and nothing to say how many are worth it.
    asked = max(few, 1) if brief.missing else count
    space, lesson = lesson_for(brief, results, recipe, told.due, asked)
    gain = gain_of(study, lesson)
    if not len(lesson.X):
        return replace(told, gain=gain, foretold=foretold(told.due, lesson), due=told.due.flat())
    frames = [space.frame(x[None], c) for x, c in zip(lesson.X, lesson.combos, strict=True)]
    design = _planned(study, results, pd.concat(frames), numbers)
    if brief.missing:
        do = "read it on batches, these at least"
        none = Unavailable(f"{listed(list(brief.missing))} cannot be predicted yet", do)
        return _to_learn(told, design, {"variance": lesson.taken_away, "chance": none, "per_batch": none})
    gain |= {"worth": _named(design, frames[: lesson.pays])}
    return replace(_to_learn(told, design, gain), foretold=foretold(told.due, lesson))


def _named(design: Design, frames: Sequence[pd.DataFrame]) -> list[str]:
    """The trials of a round that these recipes became, in their order; of one recipe twice, one after another."""
    left, out = design.table.copy(), list[str]()
    numbers = [c for c in left.columns if pd.api.types.is_numeric_dtype(left[c])]
    for frame in frames:
        row = frame.iloc[0]
        same = np.all(left.drop(columns=numbers) == row.drop(labels=numbers), axis=1)
        off = np.abs(left[numbers].to_numpy(dtype=float) - row[numbers].to_numpy(dtype=float)).max(axis=1)
        out.append(str(left.index[int(np.argmin(np.where(same, off, np.inf)))]))
        left = left.drop(index=out[-1])
    return out


def _to_learn(told: Upcoming, design: Design, gain: Mapping[str, Any], way: str = "") -> Upcoming:
    return replace(told, purpose="learn", design=design, gain=gain, cost=design.quality.cost, way=way)


def _on_way(told: Upcoming, study: Study, models: Models, way: str, count: int, numbers: tuple[int, int]) -> Upcoming:
    trials, said = trials_of_steepest_ascent(study, models[way], count)
    design = _planned(study, models.results, trials, numbers)
    none = Unavailable("trials on a way follow one response", "use learn without a way for trials that gain most")
    return replace(_to_learn(told, design, {"chance": none, "per_batch": none}, way), findings=said)
