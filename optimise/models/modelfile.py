"""What models.json holds: all that a script needs to repeat a response's predictions."""

from __future__ import annotations

from typing import Any

import numpy as np

from doe.definition.categories import contrast_table, present, short
from doe.definition.parts import Response
from doe.definition.readingcells import grade_values
from doe.problems import Unavailable
from doe.region.region import Region
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.fence import Fence
from optimise.models.fitted import FittedModel
from optimise.models.predictors import LeastSquaresPredictor, PosteriorPredictor, modelled


def stored(model: FittedModel, response: Response) -> dict[str, Any]:
    """One response of models.json: least-squares models with weights, or the posterior they stand for."""
    out: dict[str, Any] = {
        "scale": {
            "name": model.scale.name,
            "whole": model.scale.whole,
            "cuts": list(model.scale.cuts),
            "marks": list(model.scale.marks),
        },
        "window": list(model.window),
        "thresholds": grade_values(response.grades) if response.kind == "grade" else None,
    }
    predictor = model.predictor
    if isinstance(predictor, Unavailable):
        return {**out, "models": predictor.to_dict()}
    if isinstance(predictor, LeastSquaresPredictor):
        return {**out, "models": [_least_squares_model(predictor)]}
    if isinstance(predictor, PosteriorPredictor):
        coordinates = _coordinates(predictor.region)
        return {**out, "posterior": predictor.posterior.to_dict(), "coordinates": coordinates}
    return out


def _coordinates(region: Region) -> dict[str, Any]:
    """How levels become the posterior's coordinates: constant + levels of `columns` times `slopes`, then categories."""
    d = region.dimension
    corners = region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
    free = [region.names.index(name) for name in region.free]
    z = region.whitened(corners) if d else np.zeros((1, 0))
    slopes = np.linalg.solve((corners[1:] - corners[0])[:, free], z[1:] - z[0]) if d else np.zeros((0, 0))
    return {
        "columns": list(region.free),
        "constant": (z[0] - corners[0, free] @ slopes).tolist(),
        "slopes": slopes.tolist(),
        "categories": {name: list(levels) for name, levels in modelled(region).items()},
        "category_rule": "sqrt 2 (1 at its level, else 0, less 1 / number of levels), one column a level; 0 at none",
    }


def stored_fence(fence: Fence | None) -> dict[str, Any] | None:
    """The fence of what was tried: a recipe is inside where f' `unscaled` f of its terms is at most `limit`."""
    if fence is None:
        return None
    rows = {"unscaled": fence.unscaled.tolist(), "limit": fence.limit, "reduced": fence.reduced}
    return {**_stored_terms(fence.terms, fence.coding), **rows}


def _least_squares_model(predictor: LeastSquaresPredictor) -> dict[str, Any]:
    return {
        "weight": 1.0,
        **_stored_terms(predictor.terms, predictor.coding),
        "coefficients": predictor.beta.tolist(),
        "covariance": (predictor.sd**2 * predictor.unscaled).tolist(),
        "df": predictor.df if np.isfinite(predictor.df) else Unavailable("a stated sd", "treat as normal").to_dict(),
        "residual_sd": predictor.sd,
    }


def _stored_terms(terms: Terms, coding: Coding) -> dict[str, Any]:
    """Terms as products of levels in a coding, and what each contrast in them is at each level of its category."""
    contrasts = {}
    for category, levels in terms.categories.items():
        columns = contrast_table(category, levels).T.tolist()
        for level, column in zip(present(category, levels), columns, strict=True):
            at = dict(zip(levels, column, strict=True))
            contrasts[f"[{short(category)}: {level}]"] = {"category": category, "at": at}
    return {
        "terms": [{"term": t.label, "powers": t.powers_dict, "difference": t.difference} for t in terms.terms],
        "contrasts": contrasts,
        "coding": {
            "name": coding.name,
            "shift": dict(zip(terms.names, map(float, coding.shift), strict=True)),
            "scale": dict(zip(terms.names, map(float, coding.scale), strict=True)),
        },
    }
