"""The gum's power law, read off the trials: how much steeper than in proportion thickness rises with gum in the water.

A law of this kind holds over a range; what is read here is its mean slope over what was tried, all else linear.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import stdtrit

from doe.definition.kinds import is_gum
from doe.definition.parts import Response
from doe.definition.units import unit_factor
from doe.problems import Problem, Unavailable, rounded
from doe.trade.composition import Stock, counts_mass
from doe.trade.rulebook import RULES
from optimise.models.batchdata import gather
from optimise.models.fitted import FittedModel
from optimise.statistics.diagnosis import Number
from optimise.statistics.leastsq import LeastSquares, solve
from optimise.statistics.selection import aicc

if TYPE_CHECKING:
    from doe.results.results import Results
    from doe.study import Study

Array = npt.NDArray[np.float64]

_SPARE = 3  # batches beyond the terms; our choice
_APART = 1.2  # highest gum over lowest; our choice
_LEVEL = 0.95  # of the interval of the exponent
_NEAR = 2.0  # AICc within which forms are near-equal (Burnham & Anderson 2002, section 2.6)


@dataclass(frozen=True, slots=True, eq=False)
class PowerLaw:
    """The law fitted to one response: ln value = constant + `exponent` ln(gum / water) + the rest of first order.

    `low`, `high` are 95 % confidence limits of the exponent; `sd` that of a batch in ln value, on `df`. `beside` is by
    how much its AICc lies above that of the terms that are read, on the same values; below it where negative.
    """

    gum: str
    exponent: float
    low: float
    high: float
    n: int
    terms: tuple[str, ...]
    sd: float
    df: int
    beside: Number

    @property
    def says(self) -> str:
        """The law beside the terms that are read, in one sentence."""
        law = (
            f"power law in {self.gum}, all else of first order ({len(self.terms)} terms):"
            f" exponent {rounded(self.exponent, 2)}"
        )
        law += f", 95 % confidence {rounded(self.low, 2)} to {rounded(self.high, 2)}"
        law += f", sd of a batch {rounded(100 * self.sd, 2)} % of the value"
        if isinstance(self.beside, Unavailable):
            return f"{law}; not set beside the terms above ({self.beside.reason})"
        near = abs(self.beside) < _NEAR
        side = "above" if self.beside > 0 else "below"
        told = "as good as" if near else "better than" if self.beside < 0 else "worse than"
        return f"{law}; by AICc {told} the terms above ({abs(self.beside):.1f} {side} theirs)"

    def to_dict(self) -> dict[str, Any]:
        """The form of `power_law` in `fit --json`."""
        beside = self.beside.to_dict() if isinstance(self.beside, Unavailable) else self.beside
        return {
            "gum": self.gum, "exponent": self.exponent, "confidence": [self.low, self.high], "n": self.n,
            "terms": list(self.terms), "sd": self.sd, "df": self.df, "delta_aicc": beside, "says": self.says,
        }  # fmt: skip


def power_law(study: Study, results: Results, model: FittedModel) -> PowerLaw | Unavailable:
    """The gum's power law as another form of one response's fit, for reading; or why there is none."""
    gum = _only_gum(study)
    response = study.response(model.response)
    if gum is None or response.kind != "number" or not _is_thickness(response):
        return Unavailable("it is offered for viscosities and yield values where one gum is varied", "nothing to do")
    data = gather(study, results, response, exact_only=True)
    levels = results.levels(list(data.batches))
    law = _fitted(study, gum, levels, data.y, data.blocks)
    if law is None:
        return Unavailable(f"too few batches, or too little change of {gum}, to tell it", "make more batches")
    fit, use, terms = law
    beside: Number
    if not use.all() or tuple(model.trials["batch"]) != data.batches:
        beside = Unavailable("they rest on other batches", "read the exponent alone")
    elif model.core is None or model.core.other is not None or not (fit.has_error and model.core.fit.has_error):
        beside = Unavailable("they are not plain least squares with an error of their own", "read the exponent alone")
    elif model.scale.name not in ("log", "linear"):
        beside = Unavailable(f"they are on the {model.scale.name} scale", "read the exponent alone")
    else:
        theirs = float(aicc(model.core.fit.rss, model.n, model.core.fit.rank))
        # A density of ln value is one of the value by d ln y / dy = 1 / y.
        turned = 2 * float(np.log(data.y).sum()) if model.scale.name == "linear" else 0.0
        beside = float(aicc(fit.rss, model.n, fit.rank)) + turned - theirs
        if not np.isfinite(beside):
            beside = Unavailable("too few batches for its AICc", "make more batches")
    return PowerLaw(gum, *_slope(fit), fit.n, terms, fit.sd, fit.df, beside)


def gum_findings(study: Study, results: Results) -> tuple[Problem, ...]:
    """K28: the exponent of each viscosity and yield value in the gum, where one gum is varied; none where too little is
    known.
    """
    gum = _only_gum(study)
    found = []
    for response in study.fitted_responses if gum is not None else ():
        if response.kind == "number" and _is_thickness(response):
            data = gather(study, results, response, exact_only=True)
            told = exponent(study, str(gum), results.levels(list(data.batches)), data.y, data.blocks)
            if told is not None:
                found.append(_said(response, str(gum), *told))
    return tuple(found)


def _only_gum(study: Study) -> str | None:
    gums = [i for i in study.ingredients if i.role == "varied" and is_gum(i) and not i.choice and not i.withdrawn]
    return gums[0].name if len(gums) == 1 and counts_mass(study.unit) else None


def _is_thickness(response: Response) -> bool:
    return unit_factor(response.unit, "Pa.s") is not None or unit_factor(response.unit, "Pa") is not None


def exponent(
    study: Study, gum: str, levels: pd.DataFrame, value: Array, blocks: Array | None = None
) -> tuple[float, float, float, int] | None:
    """The slope of ln value (n,) by ln of gum over water, its 95 % confidence limits, and n; None where too little is.

    Least squares with every other varied ingredient and factor as a linear term, the fill left out, and block columns
    `blocks` (n, b). `levels` (n rows) are recipes as made.
    """
    law = _fitted(study, gum, levels, value, np.zeros((len(value), 0)) if blocks is None else blocks)
    return None if law is None else (*_slope(law[0]), law[0].n)


def _slope(fit: LeastSquares) -> tuple[float, float, float]:
    slope, error = float(fit.estimate[1]), float(fit.sd * np.sqrt(fit.unscaled[1, 1]))
    reach = float(stdtrit(fit.df, 0.5 + _LEVEL / 2)) * error
    return slope, slope - reach, slope + reach


def _fitted(
    study: Study, gum: str, levels: pd.DataFrame, value: Array, blocks: Array
) -> tuple[LeastSquares, npt.NDArray[np.bool_], tuple[str, ...]] | None:
    """The fit (its second column the law), which batches it rests on, and its terms; None where too little is known."""
    stock = Stock.of(study)
    percent = levels[list(stock.names)].to_numpy(dtype=float)
    water, own = percent @ stock.water, levels[gum].to_numpy(dtype=float) if len(levels) else np.zeros(0)
    use = (own > 0) & (water > 0) & (value > 0)
    if use.sum() < 2 or own[use].max() < _APART * own[use].min():
        return None
    others = [i.name for i in study.varied if i.role == "varied" and i.name != gum and not i.choice]
    others += [f.name for f in study.numeric_factors]
    dummies = _dummies(study, levels[use])
    columns = [np.ones(int(use.sum())), np.log(own[use] / water[use])]
    columns += [levels[name].to_numpy(dtype=float)[use] for name in others]
    F = np.column_stack([*columns, *dummies.values(), blocks[use]])
    F[:, 2:] -= F[:, 2:].mean(axis=0)
    fit = solve(F, np.log(value[use]))
    if fit.df < _SPARE or fit.dropped.size:
        return None
    return fit, use, ("1", f"ln({gum} / water)", *others, *dummies)


def _dummies(study: Study, levels: pd.DataFrame) -> dict[str, Array]:
    """A column by name for each level but the first of every category that was tried at more than one."""
    out = {}
    for factor in study.category_factors:
        for level in list(dict.fromkeys(levels[factor.name]))[1:]:
            out[f"[{factor.name}: {level}]"] = (levels[factor.name] == level).to_numpy(dtype=float)
    return out


def _said(response: Response, gum: str, slope: float, low: float, high: float, count: int) -> Problem:
    rule = RULES["K28"]
    span = f"95 % confidence {rounded(low, 2)} to {rounded(high, 2)}"
    got = f"rises with the power {rounded(slope, 2)} of {gum} in the water ({span}, {count} batches)"
    got += f": twice the gum is {rounded(2**slope, 2)} times as much"
    do = "where it is far off, look whether the gum was wetted out, or shielded by salt"
    numbers: Mapping[str, float] = {"exponent": slope, "low": low, "high": high}
    return Problem("K28", "inform", response.name, got, "2 to 4 is usual where gum chains entangle", do, rule.source,
                   tuple(numbers.items()))  # fmt: skip
