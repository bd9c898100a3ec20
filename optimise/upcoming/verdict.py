"""The verdict of confirmation batches: what they have to keep at once, and what they say once they are back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Factor, Ingredient, Response
from doe.definition.readingcells import grade_values
from doe.problems import ModelError, Unavailable
from doe.recipes.costs import exact_values
from doe.results.curves import observed
from doe.results.results import Results
from doe.study import Study
from optimise.models.batchdata import shares
from optimise.models.broken import standings
from optimise.models.chance import chances_on_days
from optimise.models.fitted import FittedModel
from optimise.models.models import Models, fit
from optimise.models.points import within
from optimise.models.recipes import recipes
from optimise.statistics.predictive import TMixture
from optimise.upcoming.confirmdays import Kind, recorded_days
from optimise.upcoming.confirming import FEWEST
from optimise.upcoming.jointlimits import joint_limits

Array = npt.NDArray[np.float64]

_SAME = 0.02
_LEVEL = 0.95


def confirmation(
    study: Study, results: Results, formula: Mapping[str, Any] | pd.DataFrame, *, then: Study | None = None
) -> Mapping[str, Any] | Unavailable:
    """What the batches made to confirm a formula say: `confirmed` and, by response, limits and values.

    `formula` gives levels by name, or is a frame of one row. `then` is the study as it was when they were planned, if
    it has moved on. Unavailable before any such batch came back.

    A batch belongs to the confirmation when it comes from the last round after the first trials that was made of the
    formula (of it alone, or of three batches of it at least), and each varied level as made lies within 2 % of its
    reach of the formula's. They are held against a fit that has not seen them. Confirmed: every reading within the
    joint 95 % limits, every must within its own (those that are computed too), and the formula one that the limits of
    the study still allow. What stands against it: `off`, the responses not as predicted, `missed`, the musts outside
    their limits, `breaks`, the limits of the study. Where `then` is given, `confirmed_then` says whether they did
    confirm it by what was asked when they were planned. `left_out` are batches made to confirm it too, but farther from
    it than the share `near` of a reach.
    `passes`: how many of those whose every must was read `passed`, the chance by the models that have not seen them,
    and how likely so many or fewer (`so_few`), and so many or more (`so_many`), then were (see `passing`).
    """
    recipe = one_recipe(study, formula)
    mine = _confirmations(study, results, recipe)
    none = Unavailable("no confirmation batch of this formula has come back", "make some: next with confirm")
    if not mine:
        return none
    rest = results.without(sorted(set(results.batches.loc[mine, "trial"].astype(str))))
    try:
        before = fit(study, rest)
    except ModelError as error:
        return Unavailable(str(error), "make more trials first")
    days = recorded_days(study, results, mine)
    limits, _ = confirming_limits(study, before, recipe, days)
    told: dict[str, Any] = {}
    met: dict[str, dict[str, bool]] = {}
    for name, (low, high) in limits.items():
        values = _values(study, results, study.response(name), mine)
        model = before[name]
        window = [None if end is None else float(model.scale.back(np.array([end]))[0]) for end in model.window]
        met[name] = {batch: _within(value, window) for batch, value in values.items()}
        told[name] = {
            "limits": [low, high],
            "values": list(values.values()),
            "as_predicted": all(low <= v <= high for v in values.values()),
            "in_spec": all(met[name].values()),
        }
    asked = {r.name for r in study.responses if r.is_must}
    off = [name for name, one in told.items() if not one["as_predicted"]]
    computed = _missed(study, before, recipe)
    missed = [*(name for name, one in told.items() if name in asked and not one["in_spec"]), *computed]
    breaks = list(standings(study, recipe)[0].broken)
    passes = _passes(before, recipe, [met[name] for name in met if name in asked], mine, days, computed)
    known = (
        {} if then is None else {"confirmed_then": not off and _met_then(then, told, _in_names_of(then, study, recipe))}
    )
    return {"batches": mine, "responses": told, "confirmed": not (off or missed or breaks), **known, "off": off,
            "missed": missed, "breaks": breaks, "left_out": _left_out(results, mine), "near": _SAME,
            "passes": passes}  # fmt: skip


def _in_names_of(then: Study, study: Study, recipe: pd.DataFrame) -> pd.DataFrame:
    """A recipe of the study under the names that things had in the study of `then`."""
    parts: list[Ingredient | Factor] = [*study.ingredients, *study.factors]
    new = [part for part in parts if part.name not in then.columns]
    return recipe.rename(columns={part.name: old for part in new for old in part.was if old in then.columns})


def _met_then(then: Study, told: Mapping[str, Any], formula: pd.DataFrame) -> bool:
    """Whether all that was read met every must of the study of `then`, and the formula kept its limits.

    What was not read, or cannot be computed, said nothing then either; a pass or fail has no limits that could move.
    """
    recipe = one_recipe(then, formula)
    for response in then.responses:
        read = told.get(response.name, {})
        if not response.is_must or (not response.is_exact and not read):
            continue
        values = exact_values(then, response, recipe) if response.is_exact else read["values"]
        if response.kind == "pass" and not read["in_spec"]:
            return False
        if not isinstance(values, Unavailable) and not within(np.asarray(values, dtype=float), response.window).all():
            return False
    return not standings(then, recipe)[0].broken


def one_recipe(study: Study, formula: Mapping[str, Any] | pd.DataFrame) -> pd.DataFrame:
    """A formula, as levels by name or a frame, as one whole recipe."""
    frame = formula if isinstance(formula, pd.DataFrame) else pd.DataFrame([dict(formula)], index=pd.Index(["F"]))
    return recipes(study, frame.iloc[:1])


def _values(study: Study, results: Results, response: Response, batches: Sequence[str]) -> dict[str, float]:
    """What was read on those of the batches that were read."""
    seen, _ = observed(study, results, response)
    values = {str(batch): float(value) for batch, value in seen["value"].items()}
    return {batch: values[batch] for batch in batches if batch in values}


def _within(value: float, window: Sequence[float | None]) -> bool:
    low, high = window
    return (low is None or value >= low) and (high is None or value <= high)


def _passes(
    before: Models, recipe: pd.DataFrame, met: Sequence[Mapping[str, bool]], batches: Sequence[str],
    days: Mapping[Kind, Sequence[int]], computed: Sequence[str],
) -> Mapping[str, Any] | Unavailable:  # fmt: skip
    """How many batches passed every must that is fitted, against the chance that the models gave it before.

    `met` says by must and batch whether it was met; `computed` are musts that no batch of the formula can meet.
    """
    if computed:
        return Unavailable(f"no batch of it can meet {', '.join(computed)}, which is computed", "take another formula")
    whole = [batch for batch in batches if all(batch in one for one in met)]
    possible, joint = before.must_laws(recipe), before.joint(recipe)
    if isinstance(joint, Unavailable):
        return joint
    if isinstance(possible, Unavailable) or not met or not whole:
        return Unavailable("no batch has every must read", "read what is missing and record it")
    laws, windows = possible
    # Where some are not read whole it is not known of which day: they are then taken as made on days of their own.
    sizes = list(days["block"]) if len(whole) == len(batches) else [1] * len(whole)
    passed = sum(all(one[batch] for one in met) for batch in whole)
    chances = chances_on_days(laws, windows, len(sizes))
    return {"passed": passed, "of": len(whole), "chance": float(joint[0][0]),
            "so_few": passing(chances, sizes, passed), "so_many": 1 - passing(chances, sizes, passed - 1)}  # fmt: skip


def passing(chances: Array, sizes: Sequence[int], passed: int) -> float:
    """How likely it is that no more than `passed` batches pass, of `sizes` made on each day.

    `chances` (draws, days) are the true chances that the models left possible on each day, equally likely: given them
    the batches are independent, and the number that passes is a sum of binomial ones.
    """
    count = np.zeros((len(chances), sum(sizes) + 1))
    count[:, 0] = 1.0
    for day, size in enumerate(sizes):
        q = chances[:, day, None]
        for _ in range(size):
            count = (1 - q) * count + q * np.column_stack([np.zeros(len(count)), count[:, :-1]])
    return float(np.clip(count[:, : max(passed + 1, 0)].sum(axis=1).mean(), 0.0, 1.0))


def confirming_limits(
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


def _missed(study: Study, models: Models, recipe: pd.DataFrame) -> list[str]:
    """The musts that are computed and that a recipe does not meet."""
    exact = models.exact(recipe)
    asked = [r for r in study.exact_responses if r.is_must and isinstance(exact[r.name].iloc[0], float)]
    return [r.name for r in asked if not within(exact[r.name].to_numpy(dtype=float), (r.low, r.high))[0]]


def _left_out(results: Results, mine: Sequence[str]) -> list[str]:
    """Batches of the recipes and the round of `mine` that are not among them: made too far from the formula."""
    batches = results.batches
    own = batches.loc[list(mine)]
    same = batches["replicate_group"].isin(own["replicate_group"]) & batches["round"].isin(own["round"])
    return [str(batch) for batch in results.levels().index if same[batch] and batch not in mine]


def _confirmations(study: Study, results: Results, recipe: pd.DataFrame) -> list[str]:
    """Usable batches of the last round after the first that was made of the formula, to confirm it.

    It is of that recipe alone, or has at least as many batches of it as confirm: a single one among trials to learn
    from may be what led to the formula.
    """
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
    groups = results.batches.loc[levels.index, "replicate_group"].to_numpy()
    for number in set(made[good]):
        own = made == number
        if len(set(groups[own])) > 1 and int((good & own).sum()) < FEWEST:
            good &= ~own
    # Those of rounds before are known to the fit: what counts is whether the formula holds now.
    good &= made == max(made[good], default=0)
    return [str(batch) for batch, mine in zip(levels.index, good, strict=True) if mine]
