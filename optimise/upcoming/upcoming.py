"""What to make next: batches that confirm a formula, trials that teach most, or nothing; and when to stop."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.cells import grade_values
from doe.definition.keys import MOST_RUNS
from doe.definition.parts import Response
from doe.design.design import Design, plan
from doe.problems import ModelError, Problem, StudyError, Unavailable, listed
from doe.results.curves import observed
from doe.results.results import Results
from doe.shown import Shown
from doe.study import Study
from doe.threads import one_thread
from doe.trade import trial_findings
from optimise.formula.brief import Brief
from optimise.formula.optimum import Number, Optimum, plain
from optimise.formula.peaks import Peak, Quest
from optimise.formula.space import Space
from optimise.models.batchdata import shares
from optimise.models.fitted import FittedModel
from optimise.models.models import Models, fit
from optimise.models.recipes import recipes
from optimise.search import find
from optimise.statistics.predictive import TMixture
from optimise.upcoming.confirmdays import Kind, made_together, planned_days, recorded_days
from optimise.upcoming.confirming import Confirming, confirming
from optimise.upcoming.due import Due, due, when_to_stop
from optimise.upcoming.jointlimits import joint_limits
from optimise.upcoming.learning import LITTLE
from optimise.upcoming.learning import learn as teach
from optimise.upcoming.onway import trials_on_way

Array = npt.NDArray[np.float64]

_SAME = 0.02
_LEVEL = 0.95


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Upcoming(Shown):
    """The next batches: `purpose` confirm, learn or stop; their `design` (None for stop), what they gain and cost.

    `gain`: chance (expected rise of the best chance), per_batch, variance (share of uncertainty taken away), course
    (the rise by the first of the batches, the first two, ...), worth (the trials that are worth making, those that
    bring most first: the others would add next to nothing), money_per_percent (what a per cent of chance costs).
    `limits` by response: what all confirmation batches must keep at once. `stop` says when to stop, `verdict` what
    confirmation batches that came back say. `way` names the response on whose way the trials stand, if they do.
    `due` is what the study owes without being asked, and `advice` what confirmation batches would tell.
    """

    purpose: str
    design: Design | None
    gain: Mapping[str, Any]
    cost: Number
    stop: str
    limits: Mapping[str, tuple[float, float]]
    verdict: Mapping[str, Any] | Unavailable
    findings: tuple[Problem, ...]
    due: Due
    advice: Confirming | None = None
    way: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """Whole recipes, one row a trial; empty for stop."""
        return pd.DataFrame() if self.design is None else self.design.table

    @property
    def runs(self) -> pd.DataFrame:
        """Order, block, whole_plot and replicate_of of each trial; empty for stop."""
        return pd.DataFrame() if self.design is None else self.design.runs

    def __str__(self) -> str:
        return f"Upcoming: {self.purpose}, {len(self.table)} batches"

    __repr__ = __str__

    def to_dict(self) -> dict[str, Any]:
        """The form promised for `next --json`."""
        return {
            "purpose": self.purpose,
            "why": self.due.why if self.purpose == self.due.purpose else "asked for",
            "formula": self.due.formula,
            "way": self.way or None,
            "round": None if self.design is None else self.design.round,
            "runs": [] if self.design is None else self.design.to_dict()["runs"],
            "gain": plain(self.gain),
            "cost": plain(self.cost),
            "stop": self.stop,
            "limits": {name: list(ends) for name, ends in self.limits.items()},
            "verdict": plain(self.verdict),
            "advice": None if self.advice is None else self.advice.to_dict(),
            "findings": [finding.to_dict() for finding in self.findings],
        }


@one_thread
def next_trials(
    study: Study, models: Models, *, results: Results | None = None, confirm: int | None = None,
    learn: int | None = None, formula: Mapping[str, Any] | pd.DataFrame | None = None, best: Optimum | None = None,
    round: int | None = None, first_trial: int | None = None, way: str | None = None,
    verdict: Mapping[str, Any] | None = None,
) -> Upcoming:  # fmt: skip
    """The next batches of a study: `confirm` that many of a formula, `learn` from that many new trials, or what is due.

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
    recipe = _recipe(study, formula, found)
    said = _verdict(study, results, recipe) if verdict is None else verdict
    clash = () if found is None else found.clash
    step = due(study, models, recipe, results=results, clash=clash, verdict=said)
    stop = when_to_stop(study, results, step)
    numbers = _numbers(results, round, first_trial)
    told = Upcoming("stop", None, {}, 0.0, stop, {}, said, (), step)
    purpose = "confirm" if confirm is not None else "learn" if learn is not None else step.purpose
    count = next(n for n in (confirm, learn, step.batches) if n is not None)
    if purpose == "stop":
        return told
    if way is not None:
        return _on_way(told, study, models, way, count, numbers)
    if purpose == "confirm":
        upcoming = _confirming(told, study, models, recipe, count, numbers)
    else:
        upcoming = _learning(told, study, models, results, recipe, count, numbers)
    return _with_trade(study, upcoming)


def _with_trade(study: Study, upcoming: Upcoming) -> Upcoming:
    """What comes next with what checks of the trade say of its trials beside."""
    if upcoming.design is None:
        return upcoming
    told = [one for one in trial_findings(study, upcoming.design.table) if one.level != "inform"]
    known = {(one.code, one.where) for one in upcoming.findings}
    return replace(upcoming, findings=(*upcoming.findings, *(p for p in told if (p.code, p.where) not in known)))


def confirmation(
    study: Study, results: Results, formula: Mapping[str, Any] | pd.DataFrame
) -> Mapping[str, Any] | Unavailable:
    """What the batches made to confirm a formula say: `confirmed`, `says` in words, and by response limits and values.

    `formula` gives levels by name, or is a frame of one row. Unavailable before any such batch came back.
    """
    return _verdict(study, results, _recipe(study, formula, None))


def _check(study: Study, confirm: int | None, learn: int | None, way: str | None) -> None:
    problems = []
    known = [response.name for response in study.fitted_responses]
    if way is not None and way not in known:
        problems.append(Problem("unknown-response", "stop", "way", way, ", ".join(known), "name one of these"))
    if way is not None and learn is None:
        got = "a way without a number of trials"
        problems.append(Problem("way-without-learn", "stop", "way", got, "--learn N --way NAME", "say how many trials"))
    if confirm is not None and learn is not None:
        problems.append(Problem("confirm-or-learn", "stop", "next", "both asked for", "one of them", "leave one out"))
    for name, count in (("confirm", confirm), ("learn", learn)):
        if count is not None and count < 1:
            problems.append(
                Problem("too-few-batches", "stop", name, str(count), "1 or more", "give a number of batches")
            )
        if count is not None and count > MOST_RUNS:
            allowed, do = f"up to {MOST_RUNS} in one round", "check the number"
            problems.append(Problem("too-many-batches", "stop", name, str(count), allowed, do))
    if problems:
        raise ModelError(problems)


def _recipe(study: Study, formula: Mapping[str, Any] | pd.DataFrame | None, found: Optimum | None) -> pd.DataFrame:
    """The formula as one whole recipe."""
    if formula is None and found is not None:
        return found.levels
    frame = formula if isinstance(formula, pd.DataFrame) else pd.DataFrame([dict(formula or {})], index=pd.Index(["F"]))
    return recipes(study, frame.iloc[:1])


def _numbers(results: Results, round_: int | None, first: int | None) -> tuple[int, int]:
    """The number of the new round and of its first trial, going on from the results where not given."""
    batches = results.batches
    rounds = pd.to_numeric(batches["round"], errors="coerce").dropna()
    numbered = [int(m.group(1)) for t in batches["trial"].astype(str) if (m := re.fullmatch(r"T(\d+)", t))]
    following = max(numbered) + 1 if numbered else batches["trial"].nunique() + 1
    after = int(rounds.max()) + 1 if len(rounds) else 2
    return (after if round_ is None else round_), (following if first is None else first)


def _planned(
    study: Study, results: Results, rows: Sequence[Mapping[str, Any]], numbers: tuple[int, int]
) -> Design:  # fmt: skip
    """A round of exactly these recipes, in random order."""
    return plan(
        study, runs=len(rows), round=numbers[0], first_trial=numbers[1], existing=results.made(), design="optimal",
        must_make=tuple(dict(row) for row in rows), replicate_batches=0, pure_error_df=0, blocks=0, whole_plots=None,
        standard=None,
    )  # fmt: skip


def _rows(study: Study, frame: pd.DataFrame) -> list[dict[str, Any]]:
    names = [i.name for i in study.varied if i.role == "varied"] + [f.name for f in study.factors]
    return [{name: _native(row[name]) for name in names} for _, row in frame.iterrows()]


def _native(value: Any) -> Any:
    return value if isinstance(value, str) else float(value)


def _confirming(
    told: Upcoming, study: Study, models: Models, recipe: pd.DataFrame, count: int, numbers: tuple[int, int]
) -> Upcoming:
    design = _planned(study, models.results, _rows(study, recipe) * count, numbers)
    days = planned_days(study, count)
    limits, shared = _limits(study, models, recipe, days)
    nothing = Unavailable("confirmation batches are made to check, not to gain", "use learn for trials that gain")
    return replace(
        told, purpose="confirm", design=design, gain={"chance": nothing, "per_batch": nothing},
        cost=design.quality.cost, limits=limits, findings=made_together(days, shared),
        advice=confirming(study, models, recipe, told.due.wanted, batches=count),
    )  # fmt: skip


def _limits(
    study: Study, models: Models, recipe: pd.DataFrame, days: Mapping[Kind, Sequence[int]]
) -> tuple[dict[str, tuple[float, float]], list[str]]:
    """Joint 95 % limits for all batches and responses of a confirmation, by response, in its unit.

    `days` are the numbers of batches made together, by what they share. And the responses whose batches share an error.
    """
    names = [name for name, model in models.items() if not isinstance(model.predictor, Unavailable)]
    laws = [models.predictive(name, recipe) for name in names]
    together = [days["whole_plot" if "whole_plot" in models[name].variance else "block"] for name in names]
    found = joint_limits(laws, sum(days["block"]), _LEVEL, together)
    out = {
        name: _in_units(study.response(name), models[name], law, ends[0], sum(days["block"]))
        for name, law, ends in zip(names, laws, found, strict=True)
    }
    return out, [name for name, law in zip(names, laws, strict=True) if law.shared.any()]


def _in_units(
    response: Response, model: FittedModel, law: TMixture, ends: Array, count: int
) -> tuple[float, float]:  # fmt: skip
    """Limits on the model scale as values that can be read: for grades, those the ends fall in; for passes 0 and 1.

    That all pass is asked for where even one fail among them would be a surprise, and so that all fail.
    """
    if model.kind == "pass":
        level = 1 - (1 - _LEVEL) / 2
        passing = float(law.chance(0.0, None)[0])
        return float(passing**count >= level), float((1 - passing) ** count < level)
    if model.scale.name == "grades":
        known = grade_values(response.grades)
        names = [model.thresholds["below"].iloc[0], *model.thresholds["above"]]
        low, high = (known[names[int(np.searchsorted(model.scale.cuts, end))]] for end in ends)
        return low, high
    low, high = model.scale.back(ends)
    return float(low), float(high)


def _learning(
    told: Upcoming, study: Study, models: Models, results: Results, recipe: pd.DataFrame, count: int,
    numbers: tuple[int, int],
) -> Upcoming:  # fmt: skip
    brief = Brief.of(study, models, "chance")
    if not brief.aimed:
        none = Unavailable("no must has a model", "give what a batch has to meet limits, and measure it")
        return _to_learn(told, _augmented(study, results, count, numbers), {"chance": none, "per_batch": none})
    try:
        space = Space.build(study, None, brief.exact)
    except StudyError:
        # No recipe keeps the exact limits: learn over the whole region instead.
        space = Space.build(study)
    quest = Quest(brief, space, "chance", None)
    combo = {name: str(levels[0]) for name, levels in study.region.chosen(recipe).items()}
    u = space.at(combo).region.coded(recipe[list(space.region.names)].to_numpy(dtype=float))[0]
    lesson = teach(quest, Peak(np.clip(u, -1.0, 1.0), combo, 0.0), count)
    frames = [space.frame(x[None], c) for x, c in zip(lesson.X, lesson.combos, strict=True)]
    design = _planned(study, results, _rows(study, pd.concat(frames, ignore_index=True)), numbers)
    gain: dict[str, Any] = {"chance": lesson.gain, "per_batch": lesson.gain / count, "variance": lesson.taken_away}
    if brief.missing:
        # Before every must has a model there is no chance that could rise.
        none = Unavailable(
            f"{listed(list(brief.missing))} cannot be predicted yet", "read it on batches, these at least"
        )
        return _to_learn(told, design, gain | {"chance": none, "per_batch": none})
    gain |= {"course": lesson.course, "worth": _named(design, frames[: lesson.worth])}
    if study.batch_cost > 0 and lesson.gain > 0:
        gain["money_per_percent"] = study.batch_cost * count / (100 * lesson.gain)
    return replace(_to_learn(told, design, gain), stop=told.stop + _expected(told.due, lesson.gain, count))


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


def _expected(step: Due, gain: float, count: int) -> str:
    """What the batches may be expected to do about the chance that is wanted."""
    these = "This batch is" if count == 1 else f"These {count} batches are"
    if gain / count < LITTLE:
        return f" {these} expected to raise it by {gain:.2g} only: other limits or other ingredients would do more."
    if isinstance(step.chance, float) and step.chance < step.wanted <= step.chance + gain:
        return f" {these} expected to be enough."
    return ""


def _on_way(told: Upcoming, study: Study, models: Models, way: str, count: int, numbers: tuple[int, int]) -> Upcoming:
    trials, said = trials_on_way(study, models[way], count)
    design = _planned(study, models.results, _rows(study, trials), numbers)
    none = Unavailable("trials on a way follow one response", "use learn without a way for trials that gain most")
    return replace(_to_learn(told, design, {"chance": none, "per_batch": none}, way), findings=said)


def _augmented(study: Study, results: Results, count: int, numbers: tuple[int, int]) -> Design:
    """Trials that go best with those already made, where there is no must to steer by."""
    return plan(
        study, runs=count, round=numbers[0], first_trial=numbers[1], existing=results.made(), design="optimal",
        must_make=(), replicate_batches=0, pure_error_df=0, blocks=0, whole_plots=None, standard=None,
    )  # fmt: skip


def _verdict(study: Study, results: Results, recipe: pd.DataFrame) -> Mapping[str, Any] | Unavailable:
    """What batches of the formula from a later round say, held against a fit that has not seen them.

    A batch belongs to the confirmation when it comes from the last round after the first trials in which the formula
    was made, and each varied level as made lies within 2 % of its reach of the formula's. Confirmed: every reading
    within the joint 95 % limits, and every must within its own.
    """
    mine = _confirmations(study, results, recipe)
    none = Unavailable("no confirmation batch of this formula has come back", "make some: next with confirm")
    if not mine:
        return none
    batches = results.batches
    rest = results.without(sorted(set(batches.loc[mine, "trial"].astype(str))))
    try:
        before = fit(study, rest)
    except ModelError as error:
        return Unavailable(str(error), "make more trials first")
    limits, _ = _limits(study, before, recipe, recorded_days(study, results, mine))
    told: dict[str, Any] = {}
    for name, (low, high) in limits.items():
        seen, _ = observed(study, results, study.response(name))
        values = [float(v) for v in seen.loc[[b for b in mine if b in seen.index], "value"]]
        model = before[name]
        window = [None if end is None else float(model.scale.back(np.array([end]))[0]) for end in model.window]
        told[name] = {
            "limits": [low, high],
            "values": values,
            "as_predicted": all(low <= v <= high for v in values),
            "in_spec": all(
                (window[0] is None or v >= window[0]) and (window[1] is None or v <= window[1]) for v in values
            ),
        }
    asked = {r.name for r in study.responses if r.is_must}
    good = all(t["as_predicted"] for t in told.values()) and all(t["in_spec"] for n, t in told.items() if n in asked)
    return {"batches": mine, "responses": told, "confirmed": good, "says": _said(told, asked, len(mine), good)}


def _said(told: Mapping[str, Mapping[str, Any]], asked: set[str], count: int, good: bool) -> str:
    batches = "the confirmation batch" if count == 1 else f"all {count} confirmation batches"
    if good:
        return f"Confirmed: {batches} came out as predicted and met every must."
    off = [name for name, entry in told.items() if not entry["as_predicted"]]
    missed = [name for name, entry in told.items() if name in asked and not entry["in_spec"]]
    parts = [f"not as predicted: {', '.join(off)}"] if off else []
    parts += [f"outside its limits: {', '.join(missed)}"] if missed else []
    return f"Not confirmed: {'; '.join(parts)}."


def _confirmations(study: Study, results: Results, recipe: pd.DataFrame) -> list[str]:
    """Usable batches of the last round after the first in which the formula was made."""
    region = study.region
    levels = results.levels()
    if not len(levels):
        return []
    X = shares(region, levels)
    x = shares(region, recipe)[0]
    reach = np.array([max(high - low, 1e-12) for low, high in (region.reach[name] for name in region.names)])
    near = (np.abs(X - x) <= _SAME * reach).all(axis=1)
    wanted = region.chosen(recipe)
    for name, made in region.chosen(levels).items():
        near &= made == wanted[name][0]
    rounds = pd.to_numeric(results.batches["round"], errors="coerce").fillna(0)
    made = rounds.loc[levels.index].to_numpy()
    # The first trials are those of the first round that still counts.
    good = near & (made > made.min())
    # Those of rounds before are known to the fit: what counts is whether the formula holds now.
    good &= made == max(made[good], default=0)
    return [str(batch) for batch, mine in zip(levels.index, good, strict=True) if mine]
