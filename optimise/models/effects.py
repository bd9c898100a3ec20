"""Effects as "this up, what down?": what a response does from the lowest to the highest level along one direction.

In a blend nothing rises by itself. An ingredient goes up against the one that takes up the rest, or, where none does,
against all others in proportion to what the recipe holds of them (Cox 1971, Biometrika 58, 155-159, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from doe.problems import Unavailable
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.fitted import FittedModel
from optimise.models.predictors import LeastSquaresPredictor
from optimise.statistics.leastsq import Array

Direction = tuple[str, str, Array]  # column, in words, rates over the region's columns


_NO_ERROR = Unavailable("nothing is left to judge the error by", "make more batches")


@dataclass(frozen=True, slots=True)
class DirectedEffect:
    """One direction through the middle of the region: `column` from `low` to `high`, all it pulls along in `says`.

    `predicted` at the lowest, middle and highest level in the response's unit, by the terms that are read; `change`
    from lowest to highest on the model scale with its 95 % confidence `limits`, at these levels of categories.
    """

    column: str
    says: str
    low: float
    high: float
    predicted: tuple[float, ...]
    change: float
    limits: tuple[float, float] | Unavailable
    at_levels: tuple[tuple[str, str], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The form in `effects` of `fit --json`."""
        ends = self.limits
        return {
            "column": self.column,
            "says": self.says,
            "from": self.low,
            "to": self.high,
            "predicted": list(self.predicted),
            "change": self.change,
            "limits": ends.to_dict() if isinstance(ends, Unavailable) else list(ends),
            "at_levels": dict(self.at_levels),
        }


def direction_of(study: Study, name: str, at: Mapping[str, Any] | pd.Series) -> Direction:
    """Moving one column from recipe `at`: against the fill, else all others in proportion."""
    region = study.region
    rates = np.zeros(len(region.names))
    rates[region.names.index(name)] = 1.0
    if name not in region.blend:
        return name, f"{name} up", rates
    if region.fill is not None and name != region.fill:
        rates[region.names.index(region.fill)] = -1.0
        return name, f"{name} up, {region.fill} down", rates
    others = [n for n in region.blend if n != name]
    rest = sum(float(at[n]) for n in others)
    for other in others:
        share = float(at[other]) / rest if rest > 0 else 1 / len(others)
        rates[region.names.index(other)] = -share
    down = f"{others[0]} down" if len(others) == 1 else "the rest down"
    return name, f"{name} up, {down}", rates


def directions(study: Study, at: Mapping[str, Any] | pd.Series) -> list[Direction]:
    """All directions worth showing from a recipe: each column but the fill; of two that add up, only the first."""
    region = study.region
    names = [n for n in region.names if n != region.fill]
    if region.fill is None and len(region.blend) == 2:
        names.remove(region.blend[1])
    return [direction_of(study, name, at) for name in names]


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """The terms that are read: coefficients, their covariance over the squared error, sd and df of that."""

    terms: Terms
    coding: Coding
    beta: Array
    unscaled: Array
    error: tuple[float, float] | None


def _read(model: FittedModel) -> _Read | None:
    core, own = model.core, model.predictor
    if core is not None:
        return _Read(core.terms, core.coding, core.beta, core.unscaled, core.error)
    if isinstance(own, LeastSquaresPredictor):
        # A score: its coefficients are taken as normal.
        return _Read(own.terms, own.coding, own.beta, own.unscaled, (own.sd, np.inf))
    return None


def directed_effects(study: Study, model: FittedModel) -> tuple[DirectedEffect, ...] | Unavailable:
    """The effects of a fit along every direction through the middle of the region, the largest first.

    Of categories the first levels are taken.
    """
    read, region = _read(model), study.region.at(study.region.combinations[0])
    if read is None:
        return Unavailable("there is no fit", "make more batches")
    combination = study.region.combinations[0]
    by_level = any(term.level for term in read.terms.terms)
    named = tuple((name, str(level)) for name, level in combination.items()) if by_level else ()
    middle = np.array([region.centroid[name] for name in region.names])
    out = []
    for column, says, rates in directions(study, dict(zip(region.names, middle, strict=True))):
        down, up = (float(np.ravel(end)[0]) for end in region.line_range(middle[None], rates[None]))
        if not np.isfinite([down, up]).all() or up - down <= 1e-9:
            continue
        X = middle + np.array([[down], [0.0], [up]]) * rates
        chosen = {name: np.full(3, level, dtype=object) for name, level in combination.items()}
        rows = read.terms.rows(X, chosen, read.coding)
        mean, apart = rows @ read.beta, rows[2] - rows[0]
        limits: tuple[float, float] | Unavailable = _NO_ERROR
        change = float(apart @ read.beta)
        if read.error is not None:
            sd, df = read.error
            reach = float(stats.t.isf(0.025, df)) * sd * float(np.sqrt(apart @ read.unscaled @ apart))
            limits = (change - reach, change + reach)
        place = region.names.index(column)
        shown = model.scale.back(mean)
        low, high, predicted = float(X[0, place]), float(X[2, place]), tuple(map(float, shown))
        out.append(DirectedEffect(column, says, low, high, predicted, change, limits, named))
    return tuple(sorted(out, key=lambda one: -float(np.ptp(model.scale.forward(one.predicted)))))
