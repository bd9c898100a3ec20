"""A fit with readings that are only bounds: they take part by their likelihood, and no limit is put in their place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from doe.problems import Unavailable
from optimise.models.batchdata import BatchData
from optimise.models.fitted import Core, Estimate, FittedModel, anova_frame, number_column
from optimise.statistics.censored import CensoredFit, censored_fit, log_share
from optimise.statistics.leastsq import Array, independent, two_sided

_NO_SQUARES = Unavailable(
    "some readings are only bounds, so there are no sums of squares",
    "read them with a method that reaches, or judge by the likelihood",
)


def likely(columns: Array, low: Array, high: Array) -> tuple[Array, CensoredFit] | None:
    """Values (n,), those between unequal ends at what the fit expects of them there, and the fit; None without one."""
    kept, _ = independent(columns)
    try:
        fit = censored_fit(columns[:, kept], low, high)
    except ValueError:
        return None
    return expected(columns[:, kept] @ fit.estimate, fit.sd, low, high), fit


def expected(centre: Array, sd: float, low: Array, high: Array) -> Array:
    """The mean of each normal law (`centre`, `sd`) kept between its ends; the value itself where these are equal."""
    open_now = low != high
    out = np.where(open_now, 0.0, low)
    a, b = (low - centre)[open_now] / sd, (high - centre)[open_now] / sd
    _, by_low, by_high = log_share(a, b)
    out[open_now] = np.clip(centre[open_now] - sd * (by_low + by_high), low[open_now], high[open_now])
    return out


def estimate(fit: CensoredFit, n: int) -> Estimate:
    """The fit for use: its variance with n - r in place of n, and degrees of freedom by the exact values alone.

    Common practice for small samples, no source; with no bound among the values it is least squares.
    """
    r = fit.estimate.size
    factor = n / max(n - r, 1)
    return Estimate(
        fit.estimate, fit.covariance[:r, :r] * factor, fit.sd * float(np.sqrt(factor)), float(max(fit.exact - r, 1))
    )


def with_bounds(model: FittedModel, core: Core, data: BatchData, low: Array, high: Array) -> FittedModel:
    """`model` with the numbers that the bounds change: table, covariance, sd, likelihood; none by sums of squares."""
    if core.other is None or (low == high).all():
        return model
    p = len(core.terms)
    coding = core.coding
    if model.coding != coding.name:
        study = model.study
        coding = core.terms.coding(study.region, model.coding, study.total if study.varied else None)
    rows = np.column_stack([core.terms.rows(data.X, data.chosen, coding), data.blocks[:, : core.fit.rank - p]])
    fit = censored_fit(rows, low, high)
    used = estimate(fit, len(low))
    covariance = used.covariance[:p, :p].copy()
    covariance.setflags(write=False)
    open_now = low != high
    return replace(
        model,
        terms=_table(model.terms, used, p),
        covariance=covariance,
        residual_sd=used.sd,
        df_residual=int(used.df),
        variance={**model.variance, "batch": used.sd**2},
        anova=anova_frame(()),
        r2=_NO_SQUARES,
        r2_adjusted=_NO_SQUARES,
        r2_predicted=_NO_SQUARES,
        press=_NO_SQUARES,
        log_likelihood=fit.log_likelihood,
        lack_of_fit=_NO_SQUARES,
        box_cox=Unavailable("some readings are only bounds, whose power is not known", "judge by the values read"),
        trials=_trials(model, rows @ fit.estimate, open_now),
    )


def _table(terms: pd.DataFrame, used: Estimate, p: int) -> pd.DataFrame:
    table = terms.copy()
    se = np.sqrt(np.diag(used.covariance))[:p]
    t = used.beta[:p] / se
    columns = {"estimate": used.beta[:p], "se": se, "t": t, "p": two_sided(t, used.df)}
    for name, values in columns.items():
        table[name] = number_column([*map(float, values), *table[name].iloc[p:]])
    table["df"] = used.df
    return table


def _trials(model: FittedModel, fitted: Array, open_now: Array) -> pd.DataFrame:
    """The table of batches: a bound has no residual; the influence of the others is that of the completed values."""
    trials = model.trials.copy()
    trials["fitted"] = model.scale.back(fitted)
    none = Unavailable("the reading is only a bound", "read it with a method that reaches")
    for name in ("residual", "studentised", "deleted", "cook"):
        trials[name] = number_column(
            [none if bound else value for value, bound in zip(trials[name], open_now, strict=True)]
        )
    return trials
