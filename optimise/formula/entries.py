"""What the models say of formulas that a search found: the recipe, each response, chance, desirability and cost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import Unavailable
from optimise.formula.optimum import PLANNED, Number
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.space import Space
from optimise.models.aims import desirability, overall, wanted
from optimise.models.models import Models
from optimise.models.points import points_at
from optimise.models.predictors import Chosen, split_levels

Array = npt.NDArray[np.float64]


def entries(multistart: Multistart, models: Models, peaks: Sequence[Peak]) -> list[dict[str, Any]]:
    """One entry a peak: `blend`, `factors`, `desirability`, and the rest of the point as `predict` gives it.

    Where desirability is the objective, centres and intervals are those of the least squares it was taken from.
    """
    if not peaks:
        return []
    study = multistart.brief.study
    frame = pd.concat([recipe(multistart.space.at(peak.combo), peak) for peak in peaks], ignore_index=True)
    out = []
    for row, point in enumerate(points_at(models, frame)):
        levels = frame.iloc[row]
        blend = {i.name: float(levels[i.name]) for i in study.ingredients}
        factors = {f.name: str(levels[f.name]) if f.is_category else float(levels[f.name]) for f in study.factors}
        whole = _desirabilities(multistart, models, frame.iloc[[row]], point["responses"])
        out.append({**point, "blend": blend, "factors": factors, "desirability": whole})
    return out


def recipe(space: Space, peak: Peak) -> pd.DataFrame:
    """The recipe of a peak in its space, one row without the dust of coding.

    Whole steps stand as they are written, the rest to 12 digits; the fill takes the residue.
    """
    study, region = space.study, space.region
    frame = space.frame(region.decoded(peak.u[None]), peak.combo)
    out = frame.copy()
    for name in region.names:
        if name == region.fill:
            continue
        values = out[name].to_numpy(dtype=float)
        step = space.steps.get(name)
        near = None if step is None else np.round(values / step) * step
        whole = near is not None and bool(np.all(np.abs(near - values) <= 1e-6 * max(1.0, abs(step or 1.0))))
        out[name] = np.round(near if whole and near is not None else values, 12)
    tidied = study.complete(out)
    if region.fill is not None:
        tidied[region.fill] = np.round(tidied[region.fill].to_numpy(dtype=float), 10)
    return tidied if bool(region.contains(tidied[list(region.names)].to_numpy(dtype=float)).all()) else frame


def _desirabilities(
    multistart: Multistart, models: Models, one: pd.DataFrame, responses: dict[str, dict[str, Any]]
) -> Number:
    """Add each response's desirability to its entry and return the geometric mean, on the objective's centres."""
    values: dict[str, Array] = {}
    study = multistart.brief.study
    read = {p.response.name: p for p in multistart.brief.properties}
    counted = tuple(r for r in wanted(study) if r.name in read)
    X, chosen = split_levels(one, study.region)
    for response in counted:
        values[response.name] = desirability(response, read[response.name].values(X, chosen))[0]
        if response.name in responses:
            responses[response.name]["desirability"] = float(values[response.name][0])
    if multistart.objective == "desirability":
        _planned_centres(models, X, chosen, responses)
    for name, entry in responses.items():
        if "desirability" not in entry:
            entry["desirability"] = Unavailable(f"{name} has no aim", "give it an aim and limits")
    if not counted:
        return Unavailable("no response with an aim is predicted", "give responses an aim and limits")
    return float(overall(values, counted)[0])


def _planned_centres(models: Models, X: Array, chosen: Chosen, responses: dict[str, dict[str, Any]]) -> None:
    """Centres and intervals of the least-squares fit that the desirability was taken from, in place of the others."""
    for name in models:
        predictor, scale = models.predictor(name, planned=True), models.planned(name).scale
        if name not in responses or isinstance(predictor, Unavailable):
            continue
        law, entry = predictor.at(X, chosen), responses[name]
        entry["predicted"] = float(scale.back(law.median())[0])
        entry["centre_from"] = PLANNED
        if law.residual[0] == 0:
            continue
        for key, ends in (("confidence", law.mean_interval()), ("prediction", law.batch_interval()),
                          ("tolerance", law.tolerance())):  # fmt: skip
            entry[key] = scale.back(ends[0]).tolist()
