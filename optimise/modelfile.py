"""What models.json holds: all that a script needs to repeat a response's predictions."""

from __future__ import annotations

from typing import Any

import numpy as np

from doe.cells import grade_values
from doe.parts import Response
from doe.problems import Unavailable
from doe.region import Region
from optimise.fitted import FittedModel
from optimise.predictors import LeastSquaresPredictor, PosteriorPredictor, modelled


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


def _least_squares_model(predictor: LeastSquaresPredictor) -> dict[str, Any]:
    names = predictor.terms.names
    return {
        "weight": 1.0,
        "terms": [
            {"term": t.label, "powers": t.powers_dict, "difference": t.difference} for t in predictor.terms.terms
        ],
        "coefficients": predictor.beta.tolist(),
        "covariance": (predictor.sd**2 * predictor.unscaled).tolist(),
        "df": predictor.df if np.isfinite(predictor.df) else Unavailable("a stated sd", "treat as normal").to_dict(),
        "residual_sd": predictor.sd,
        "coding": {
            "name": predictor.coding.name,
            "shift": dict(zip(names, map(float, predictor.coding.shift), strict=True)),
            "scale": dict(zip(names, map(float, predictor.coding.scale), strict=True)),
        },
    }
