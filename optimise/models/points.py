"""One recipe's predictions in the form of `predict --json`, and the chances of exact responses."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.cells import grade_values
from doe.definition.parts import Response
from doe.problems import Problem, Unavailable
from doe.study import Study
from doe.trade import TradeChecks
from optimise.statistics.leastsq import Array

Ends = tuple[float | None, float | None]


def entry(row: Mapping[str, Any], response: Response) -> dict[str, Any]:
    """One response of a point: named intervals as pairs; the grade that a predicted score falls in by its name."""
    out: dict[str, Any] = {}
    for quantity in ("predicted", "chance"):
        if quantity in row:
            out[quantity] = plain(row[quantity])
    for name in ("confidence", "prediction", "tolerance"):
        if f"{name}_low" in row:
            low, high = plain(row[f"{name}_low"]), plain(row[f"{name}_high"])
            out[name] = low if isinstance(low, dict) else [low, high]
    if response.kind == "grade" and isinstance(out.get("predicted"), float):
        known = grade_values(response.grades)
        out["grade"] = min(known, key=lambda grade: abs(known[grade] - out["predicted"]))
    return out


def plain(value: Any) -> Any:
    """A cell as JSON knows it."""
    if isinstance(value, Unavailable):
        return value.to_dict()
    return value.item() if isinstance(value, np.generic) else value


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
    """The chance of an exact response, 0 or 1 each; or why there is none."""
    if len(values) and isinstance(values[0], Unavailable):
        return values
    if ends == (None, None):
        return [Unavailable("no limits are asked of it", "give low or high, and an aim")] * len(values)
    return within(np.asarray(values, dtype=float), ends)


def point_findings(
    in_region: bool, inside: bool, in_hull: bool, broken: Sequence[Problem] = ()
) -> list[dict[str, Any]]:  # fmt: skip
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
    return [problem.to_dict() for problem in out]


def trade_findings(study: Study, whole: pd.DataFrame, table: pd.DataFrame) -> list[list[dict[str, Any]]]:
    """What checks of the trade say of each whole recipe, with what `table` predicts of pH, yield value and the like."""
    checks = TradeChecks(study)
    predicted = {}
    for name in dict.fromkeys(table.columns.get_level_values(0)):
        values = list(table[name, "predicted"])
        if not any(isinstance(value, Unavailable) for value in values):
            predicted[str(name)] = np.array([float(value) for value in values])
    found = checks.each(whole, checks.given(predicted, "predicted"))
    return [[problem.to_dict() for problem in row] for row in found]
