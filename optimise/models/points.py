"""What is known at recipes, in the form of `predict --json`, and the chances of exact responses."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.definition.readingcells import grade_values
from doe.plain import plain
from doe.problems import Problem, Unavailable
from doe.recipes.costs import cost_per_kg
from doe.split import shared_out, split
from doe.study import Study
from doe.trade import TradeChecks
from optimise.models.broken import broken_findings, standings
from optimise.models.fence import NO_FENCE
from optimise.models.predictors import Chosen, split_levels
from optimise.models.recipes import off_steps, recipes
from optimise.models.simultaneous import shared_level
from optimise.statistics.leastsq import Array

if TYPE_CHECKING:
    from optimise.models.models import Models

Ends = tuple[float | None, float | None]

_PART = 250  # recipes done at a time

NO_LIMITS = Unavailable("no limits are asked of it", "give low or high, and an aim")
_NO_SPREAD = Unavailable("it is computed from the recipe: no interval", "read predicted, which every batch of it has")


def points(models: Models, frame: pd.DataFrame, told: Callable[[int], None] | None = None) -> list[dict[str, Any]]:
    """What is known at each recipe of `frame` as plain data (see `Models.points`)."""
    parts = [frame.iloc[start : start + _PART] for start in range(0, len(frame), _PART)]
    if len(parts) < 2:
        return _plain_points(models, frame)
    if told is None or shared_out():
        return [point for part in split(partial(_plain_points, models), parts) for point in part]
    out: list[dict[str, Any]] = []
    for part in parts:
        out += _plain_points(models, part)
        told(len(out))
    return out


def _plain_points(models: Models, frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [plain(point) for point in points_at(models, frame)]


def points_at(models: Models, frame: pd.DataFrame) -> list[dict[str, Any]]:
    """What is known at each recipe of `frame`: an absent number as `Unavailable`, what is found as `Problem`."""
    study = models.study
    whole = recipes(study, frame)
    X, chosen = split_levels(whole, study.region)
    table = models.predict(frame)
    inside, hull = models.inside(frame), models.in_hull(frame)
    joint, cost, fence = models.joint(frame), cost_per_kg(study, whole), models.fence
    together, in_region = _joint_limits(models, X, chosen), study.region.contains(X, chosen=chosen)
    trade, standing = _trade_findings(study, whole, table), standings(study, whole)
    leverage = [NO_FENCE] * len(X) if fence is None else fence.leverage(X, chosen).tolist()
    told: dict[str, dict[str, list[Any]]] = {}
    for name, quantity in zip(*(table.columns.get_level_values(k) for k in (0, 1)), strict=True):
        told.setdefault(name, {})[quantity] = table[name, quantity].tolist()
    recipe = {name: whole[name].tolist() for name in whole.columns}
    out = []
    for i in range(len(frame)):
        responses = {
            name: _entry({key: cells[i] for key, cells in row.items()}, study.response(name))
            for name, row in told.items()
        }
        for name, ends in together.items():
            responses[name]["together"] = {key: pair[i].tolist() for key, pair in ends.items()}
        levels = {name: cells[i] for name, cells in recipe.items()}
        broken = broken_findings(study, standing[i].broken)
        where = _place_findings(bool(in_region[i]), bool(inside.iloc[i]), bool(hull.iloc[i]), broken)
        out.append(
            {
                "levels": levels,
                "inside": bool(inside.iloc[i]),
                "in_hull": bool(hull.iloc[i]),
                "leverage": leverage[i],
                "at_limits": list(standing[i].touched),
                "cost_per_kg": cost if isinstance(cost, Unavailable) else float(cost[i]),
                "chance_all": joint if isinstance(joint, Unavailable) else float(joint[0][i]),
                "chance_interval": joint if isinstance(joint, Unavailable) else joint[1][i].tolist(),
                "responses": responses,
                "findings": [*trade[i], *where, *off_steps(study, levels)],
            }
        )
    return out


def _joint_limits(models: Models, X: Array, chosen: Chosen) -> dict[str, dict[str, Array]]:
    """Confidence and prediction limits (n, 2) by response that hold for all responses of one recipe at once."""
    laws = {
        name: (model.scale, model.predictor.at(X, chosen))
        for name, model in models.items()
        if not isinstance(model.predictor, Unavailable) and model.kind != "pass"
    }
    level = shared_level(len(laws))
    return {
        name: {
            "confidence": scale.back(law.mean_interval(level)),
            "prediction": scale.back(law.batch_interval(level)),
        }
        for name, (scale, law) in laws.items()
    }


def _entry(row: Mapping[str, Any], response: Response) -> dict[str, Any]:
    """One response of a point: named intervals as pairs; the grade that a predicted score falls in by its name."""
    out = {quantity: row[quantity] for quantity in ("predicted", "chance") if quantity in row}
    for name in ("confidence", "prediction", "tolerance"):
        if f"{name}_low" in row:
            low, high = row[f"{name}_low"], row[f"{name}_high"]
            out[name] = low if isinstance(low, Unavailable) else [low, high]
        elif response.is_exact:
            out[name] = _NO_SPREAD
    if response.kind == "grade" and isinstance(out.get("predicted"), float):
        known = grade_values(response.grades)
        out["grade"] = min(known, key=lambda grade: abs(known[grade] - out["predicted"]))
    return out


def within(values: Array, ends: Ends) -> Array:
    """1 where a value (n,) lies within its limits, to a relative 1e-9, else 0."""
    low, high = ends
    size = 1e-9 * np.maximum(1.0, np.abs(values))
    good = np.ones(len(values), dtype=bool)
    if low is not None:
        good &= values >= low - size
    if high is not None:
        good &= values <= high + size
    return good.astype(float)


def exact_chance(values: npt.NDArray[Any], ends: Ends) -> Any:
    """The chance of an exact response at each of its `values` (n,), 0 or 1; or why there is none."""
    if len(values) and isinstance(values[0], Unavailable):
        return values
    if ends == (None, None):
        return [NO_LIMITS] * len(values)
    return within(np.asarray(values, dtype=float), ends)


def _place_findings(in_region: bool, inside: bool, in_hull: bool, broken: Sequence[Problem]) -> list[Problem]:
    """What there is to say of where a recipe lies; `broken` are the limits it does not keep."""
    out = list(broken)
    if not in_region and not broken:
        out.append(Problem("outside-region", "warn", "levels", "outside the limits of the study", "within the limits",
                           "read the prediction as a guess"))  # fmt: skip
    elif in_region and not inside:
        out.append(Problem("outside-tried", "warn", "levels", "outside what was tried: predicted worse than any trial",
                           "near the trials", "make a trial there before relying on it"))  # fmt: skip
    if not in_hull:
        out.append(
            Problem("outside-hull", "inform", "levels", "not between recipes that were made", "between them", "")
        )
    return out


def _trade_findings(study: Study, whole: pd.DataFrame, table: pd.DataFrame) -> list[tuple[Problem, ...]]:
    """What checks of the trade say of each whole recipe, with what `table` predicts of pH, yield value and the like."""
    checks = TradeChecks(study)
    predicted = {}
    for name in dict.fromkeys(table.columns.get_level_values(0)):
        values = list(table[name, "predicted"])
        if not any(isinstance(value, Unavailable) for value in values):
            predicted[str(name)] = np.array([float(value) for value in values])
    return checks.each(whole, checks.given(predicted, "predicted"))
