"""A fit with readings that are only bounds: they take part by their likelihood, and no limit is put in their place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doe.problems import Problem, Unavailable
from optimise.models.batchdata import BatchData, Sharing
from optimise.models.fitted import Core, Estimate, FittedModel
from optimise.models.frames import anova_frame, number_column
from optimise.models.grouped import left_out, shared_error_finding
from optimise.statistics.censored import CensoredFit, censored_fit, log_share
from optimise.statistics.censored_shared import SharedCensoredFit, censored_shared
from optimise.statistics.leastsq import Array, independent, two_sided
from optimise.statistics.mixed import Contrast

_NO_SQUARES = Unavailable(
    "some readings are only bounds, so there are no sums of squares",
    "read them with a method that reaches, or judge by the likelihood",
)


@dataclass(frozen=True, slots=True, eq=False)
class Likely:
    """What the likelihood of values and bounds says: all values, those unread at what is expected of them, the fit for
    use, and the joint fit where batches share an error.
    """

    values: Array
    used: Estimate
    joint: SharedCensoredFit | None = None


def by_likelihood(
    columns: Array, low: Array, high: Array, shared: Sharing | None, where: str, averaged: bool
) -> tuple[Likely, list[Problem]] | None:
    """The fit of independent `columns` (n, r) to values between `low` and `high` (n,), and what to say of what batches
    share; None without a fit. `averaged`: the posterior predicts, which allows for what is shared in any case.
    """
    if shared is not None:
        try:
            joint = censored_shared(columns, low, high, shared.names)
        except ValueError as error:
            alone = likely(columns, low, high)
            if alone is None:
                return None
            return Likely(alone[0], estimate(alone[1], len(low))), [left_out(shared, where, averaged, str(error))]
        between, within = joint.variance
        used = Estimate(joint.estimate, joint.covariance, float(np.sqrt(between + within)), joint.df_of_a_batch,
                        float(np.sqrt(between)))  # fmt: skip
        return Likely(joint.expected, used, joint), [shared_error_finding(shared, joint.variance, joint.at_zero, where)]
    alone = likely(columns, low, high)
    return None if alone is None else (Likely(alone[0], estimate(alone[1], len(low))), [])


def likely(columns: Array, low: Array, high: Array) -> tuple[Array, CensoredFit] | None:
    """Values (n,), those between unequal ends at what the fit expects of them there, and the fit; None without one."""
    kept, _ = independent(columns)
    try:
        fit = censored_fit(columns[:, kept], low, high)
    except ValueError:
        return None
    return expected(columns[:, kept] @ fit.estimate, fit.sd, low, high), fit


def expected(centre: Array, sd: float, low: Array, high: Array) -> Array:
    """The mean (n,) of each normal law (`centre` (n,), `sd`) truncated to its ends (n,); the end if both agree."""
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


def with_bounds(
    model: FittedModel, core: Core, data: BatchData, low: Array, high: Array, joint: SharedCensoredFit | None
) -> FittedModel:
    """`model` with the numbers that bounds change: table, covariance, sd, likelihood; none by sums of squares.

    The values lie between `low` and `high` (n,); `joint` is the fit where batches share an error.
    """
    if core.other is None or (low == high).all():
        return model
    p = len(core.terms)
    coding = core.coding
    if model.coding != coding.name:
        study = model.study
        coding = core.terms.coding(study.region, model.coding, study.total if study.varied else None)
    blocks = data.blocks[:, : core.fit.rank - p]
    rows = np.column_stack([core.terms.rows(data.X, data.chosen, coding), blocks])
    if joint is None:
        fit = censored_fit(rows, low, high)
        used, value = estimate(fit, len(low)), fit.log_likelihood
        tests = [Contrast(b, e, used.df, b / e, float(two_sided(b / e, used.df)))
                 for b, e in zip(used.beta, np.sqrt(np.diag(used.covariance)), strict=True)]  # fmt: skip
        beta, covariance, variance = used.beta, used.covariance, {"batch": used.sd**2}
    else:
        # The same fit in the coding shown: each coefficient is a combination of those that were fitted.
        own = np.column_stack([core.terms.rows(data.X, data.chosen, core.coding), blocks])
        turn = np.linalg.lstsq(rows, own, rcond=None)[0]
        tests, beta, value = [joint.contrast(row) for row in turn], turn @ joint.estimate, joint.log_likelihood
        covariance = turn @ joint.covariance @ turn.T
        kind = "block" if data.shared is None else data.shared.kind
        variance = {kind: float(joint.variance[0]), "batch": float(joint.variance[1])}
    covariance = covariance[:p, :p].copy()
    covariance.setflags(write=False)
    open_now = low != high
    return replace(
        model,
        terms=_table(model.terms, tests[:p]),
        covariance=covariance,
        residual_sd=float(np.sqrt(variance["batch"])),
        df_residual=int(core.other.df) if joint is None else joint.exact - len(beta),
        variance={**model.variance, **variance},
        anova=anova_frame(()),
        r2=_NO_SQUARES,
        r2_adjusted=_NO_SQUARES,
        r2_predicted=_NO_SQUARES,
        press=_NO_SQUARES,
        log_likelihood=value,
        lack_of_fit=_NO_SQUARES,
        box_cox=Unavailable("some readings are only bounds, whose power is not known", "judge by the values read"),
        trials=_trials(model, rows @ beta, open_now),
    )


def _table(terms: pd.DataFrame, tests: Sequence[Contrast]) -> pd.DataFrame:
    table = terms.copy()
    for name in ("estimate", "se", "t", "df", "p"):
        lost = list(table[name].iloc[len(tests) :])
        table[name] = number_column([*(getattr(test, name) for test in tests), *lost])
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
