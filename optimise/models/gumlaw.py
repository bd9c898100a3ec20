"""The gum's power law, read off the trials: how much steeper than in proportion thickness rises with gum in the water.

A law of this kind holds over a range; what is read here is its mean slope over what was tried, all else linear.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import stdtrit

from doe.definition.cells import unit_factor
from doe.definition.kinds import is_gum
from doe.definition.parts import Response
from doe.problems import Problem
from doe.results.curves import observed
from doe.trade.composition import Stock, counts_mass
from doe.trade.rulebook import RULES

if TYPE_CHECKING:
    from doe.results.results import Results
    from doe.study import Study

Array = npt.NDArray[np.float64]

_SPARE = 3  # batches beyond the terms; our choice
_APART = 1.2  # highest gum over lowest; our choice
_LEVEL = 0.95


def gum_findings(study: Study, results: Results) -> tuple[Problem, ...]:
    """K28: the exponent of each viscosity and yield value in the gum, where one gum is varied; none where too little is
    known.
    """
    gums = [i for i in study.ingredients if i.role == "varied" and is_gum(i) and not i.choice and not i.withdrawn]
    if len(gums) != 1 or not counts_mass(study.unit):
        return ()
    found = []
    for response in study.fitted_responses:
        if response.kind == "number" and _is_thickness(response):
            seen, _ = observed(study, results, response)
            exact = seen[(seen["bound"] == "none") & (seen["value"] > 0)] if len(seen) else seen
            told = exponent(study, gums[0].name, results.levels().reindex(exact.index), exact["value"].to_numpy(float))
            if told is not None:
                found.append(_said(response, gums[0].name, *told))
    return tuple(found)


def _is_thickness(response: Response) -> bool:
    return unit_factor(response.unit, "Pa.s") is not None or unit_factor(response.unit, "Pa") is not None


def exponent(study: Study, gum: str, levels: pd.DataFrame, value: Array) -> tuple[float, float, float, int] | None:
    """The slope of ln value (n,) by ln of gum over water, its 95 % confidence limits, and n; None where too little is.

    Least squares with every other varied ingredient and factor as a linear term, the fill left out. `levels` (n rows)
    are recipes as made.
    """
    stock = Stock.of(study)
    percent = levels[list(stock.names)].to_numpy(dtype=float)
    water, own = percent @ stock.water, levels[gum].to_numpy(dtype=float) if len(levels) else np.zeros(0)
    use = (own > 0) & (water > 0) & (value > 0)
    if use.sum() < 2 or own[use].max() < _APART * own[use].min():
        return None
    others = [i.name for i in study.varied if i.role == "varied" and i.name != gum and not i.choice]
    others += [f.name for f in study.numeric_factors]
    columns = [np.ones(int(use.sum())), np.log(own[use] / water[use])]
    columns += [levels[name].to_numpy(dtype=float)[use] for name in others]
    columns += _dummies(study, levels[use])
    F = np.column_stack(columns)
    F[:, 2:] -= F[:, 2:].mean(axis=0)
    df = len(F) - F.shape[1]
    if df < _SPARE or np.linalg.matrix_rank(F) < F.shape[1]:
        return None
    y = np.log(value[use])
    beta, *_ = np.linalg.lstsq(F, y, rcond=None)
    left = y - F @ beta
    error = float(np.sqrt(left @ left / df * np.linalg.inv(F.T @ F)[1, 1]))
    reach = float(stdtrit(df, 0.5 + _LEVEL / 2)) * error
    return float(beta[1]), float(beta[1]) - reach, float(beta[1]) + reach, len(F)


def _dummies(study: Study, levels: pd.DataFrame) -> list[Array]:
    """A column for each level but the first of every category that was tried at more than one."""
    out = []
    for factor in study.category_factors:
        tried = list(dict.fromkeys(levels[factor.name]))
        out += [(levels[factor.name] == level).to_numpy(dtype=float) for level in tried[1:]]
    return out


def _said(response: Response, gum: str, slope: float, low: float, high: float, count: int) -> Problem:
    rule = RULES["K28"]
    got = f"rises with the power {slope:.2g} of {gum} in the water (95 % confidence {low:.2g} to {high:.2g}, {count} "
    got += f"batches): twice the gum is {2**slope:.2g} times as much"
    do = "where it is far off, look whether the gum was wetted out, or shielded by salt"
    numbers: Mapping[str, float] = {"exponent": slope, "low": low, "high": high}
    return Problem("K28", "inform", response.name, got, "2 to 4 is usual where gum chains entangle", do, rule.source,
                   tuple(numbers.items()))  # fmt: skip
