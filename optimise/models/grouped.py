"""A fit of batches that share a whole plot or one of many blocks: not as if each stood alone.

Where a hard-to-change factor was set once for several batches, or several were made on one day, these have an error in
common. What was changed between them only is then judged by the differences between settings or days, all else by those
within (Box, Hunter & Hunter 2005, chapter 9); fitted as if every batch stood alone it looks surer than it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from doe.problems import Problem, Unavailable, rounded
from optimise.models.batchdata import BatchData, Sharing
from optimise.models.findings import say
from optimise.models.fitted import Core, Estimate, FittedModel
from optimise.models.frames import anova_frame, number_column, term_groups
from optimise.statistics.diagnosis import AnovaLine, Number, total_ss
from optimise.statistics.leastsq import Array, independent
from optimise.statistics.mixed import MixedFit, reml
from optimise.statistics.whitened import Whitened

NO_LACK = Unavailable(
    "batches share whole plots or days, so that one pure error does not judge the shape",
    "look at the residuals within and between them",
)
_CALLED = {"whole_plot": ("whole-plots", "whole plots", "one setting-up"), "block": ("blocks", "blocks", "one block")}


def allowed_for(columns: Array, y: Array, shared: Sharing, where: str) -> tuple[MixedFit | None, list[Problem]]:
    """The fit of y (n,) by `columns` with an error for each group, or None with the reason; and what to say."""
    code, many, _ = _CALLED[shared.kind]
    count = len(set(shared.names))
    try:
        fit = reml(columns, y, [shared.names])
    except ValueError as error:
        got = (
            f"batches share {count} {many}, but the results cannot tell their errors apart ({error}): each batch was"
            f" fitted as if it stood alone, and what was changed between {many} only looks surer than it is"
        )
        return None, [say(code, "warn", where, got, f"make more {many}")]
    return fit, [shared_error_finding(shared, fit.variance, fit.at_zero[0], where)]


def shared_error_finding(shared: Sharing, variance: Array, at_zero: bool, where: str) -> Problem:
    """What to say of errors that are shared: `variance` (2,) between groups, and between batches of one group."""
    code, many, one = _CALLED[shared.kind]
    count = len(set(shared.names))
    between, within = np.sqrt(variance)
    if at_zero:
        got = (
            f"{count} {many} differ no more than their batches do (sd {rounded(within)}); that their own error is"
            " nothing is not shown by this, and tests still allow for it"
        )
    else:
        got = (
            f"batches share {count} {many}: sd {rounded(between)} from {one} to the next, {rounded(within)} between"
            " batches of one; tests, intervals, the chance and what is said of single batches (held against all others,"
            " those of their own too) allow for both"
        )
    return say(code, "inform", where, got, f"make more {many} to know it better")


def as_if_alone(modest: Array, rows: Array, y: Array, shared: Sharing) -> tuple[Array, Array]:
    """`rows` (n, p) and y (n,) with the mean of each group drawn in, so that errors are alike and apart, for choosing.

    By the ratio of variances that the columns `modest` leave (generalised least squares); as they came where that
    cannot be had.
    """
    kept, _ = independent(modest)
    try:
        between, within = reml(modest[:, kept], y, [shared.names]).variance
    except ValueError:
        return rows, y
    both = np.column_stack([rows, y])
    names = np.array(shared.names)
    for name in dict.fromkeys(shared.names):
        mine = names == name
        drawn = 1 - 1 / np.sqrt(1 + mine.sum() * between / within)
        both[mine] -= drawn * both[mine].mean(axis=0)
    return both[:, :-1], both[:, -1]


def in_use(fit: MixedFit) -> Estimate:
    """The fit for use: a new batch stands in a group of its own; df after Satterthwaite (1946, Biom. Bull. 2)."""
    variance = float(fit.variance.sum())
    df = 2 * variance**2 / float(fit.information.sum())
    shared = float(np.sqrt(fit.variance[:-1].sum()))
    return Estimate(fit.estimate, fit.covariance, float(np.sqrt(variance)), df, shared)


def left_out(shared: Sharing, where: str, averaged: bool, why: str) -> Problem:
    """The finding that what batches share could not be allowed for beside readings that are bounds, and `why`.

    `averaged`: the posterior predicts, which allows for both; least squares does not.
    """
    code, many, one = _CALLED[shared.kind]
    what = "coefficients and their errors do" if averaged else "the fit and its predictions do"
    got = f"some readings are only bounds, and {why}, so that {what} not allow for the error batches of {one} share"
    got += "; predictions and the chance do" if averaged else ""
    do = f"read them with a method that reaches; what was changed between {many} only looks surer than it is"
    return say(code, "warn", where, got, do)


def with_groups(model: FittedModel, fit: MixedFit, core: Core, data: BatchData, seen: Whitened) -> FittedModel:
    """`model` with the numbers that shared errors change: table, covariance, variances, tests and R².

    `fit` is that of the same columns and values as `seen` (what single values show under the shared errors), with an
    error for each group.
    """
    shared, y = data.shared, seen.y
    if shared is None:
        return model
    table, covariance = _table(model, core, data, shared, y)
    press, total = _press(seen.X, y, shared.names), total_ss(y, np.ones(y.size))
    r2, adjusted, predicted = model.r2, model.r2_adjusted, press
    if isinstance(r2, float):
        # What the terms explain about the mean, what is shared counted as unexplained.
        left = float(np.sum((y - seen.each.fitted) ** 2)) / total
        r2, adjusted = 1 - left, 1 - left * (y.size - 1) / max(seen.each.df, 1)
        predicted = 1 - press / total if isinstance(press, float) else press
    return replace(
        model,
        terms=table,
        covariance=covariance,
        residual_sd=float(np.sqrt(fit.variance[-1])),
        variance={**model.variance, shared.kind: float(fit.variance[0]), "batch": float(fit.variance[-1])},
        anova=anova_frame(_lines(fit, term_groups(core.terms))),
        r2=r2,
        r2_adjusted=adjusted,
        r2_predicted=predicted,
        press=press,
        log_likelihood=fit.log_likelihood,
        lack_of_fit=NO_LACK,
    )


def _table(model: FittedModel, core: Core, data: BatchData, shared: Sharing, y: Array) -> tuple[pd.DataFrame, Array]:
    """The terms in the coding shown, each with its own degrees of freedom."""
    p = len(core.terms)
    coding = core.coding
    if model.coding != coding.name:
        study = model.study
        coding = core.terms.coding(study.region, model.coding, study.total if study.varied else None)
    rows = core.terms.rows(data.X, data.chosen, coding)
    blocks = data.blocks[:, : core.fit.rank - p]
    fit = reml(np.column_stack([rows, blocks]), y, [shared.names])
    each = [fit.contrast(row) for row in np.eye(len(fit.estimate))[:p]]
    table = model.terms.copy()
    for name in ("estimate", "se", "t", "df", "p"):
        lost = list(table[name].iloc[p:])
        table[name] = number_column([*(getattr(c, name) for c in each), *lost])
    covariance = fit.covariance[:p, :p].copy()
    covariance.setflags(write=False)
    return table, covariance


def _lines(fit: MixedFit, groups: Mapping[str, Sequence[int]]) -> tuple[AnovaLine, ...]:
    """A line for each kind of term, its F and p by Kenward and Roger.

    Sums of squares, and the lines that would only have one, are left out: what is shared divides no sum among terms.
    """
    none = Unavailable("what batches share leaves no sum of squares to a kind of term by itself", "read its F and p")
    lines = []
    for source, columns in groups.items():
        test = fit.test(np.eye(len(fit.estimate))[list(columns)])
        lines.append(AnovaLine(source, len(columns), none, none, test.f, test.p, _finite(test.ddf)))
    return tuple(lines)


def _finite(ddf: float) -> Number:
    """Degrees of freedom of the error; these terms may be judged by variances taken as known."""
    return ddf if np.isfinite(ddf) else Unavailable("the error is taken as known", "read p by the normal law")


def _press(columns: Array, y: Array, groups: Sequence[str]) -> Number:
    """Sum of squares of values less their prediction from all other groups."""
    names = np.array(groups)
    total = 0.0
    for name in dict.fromkeys(groups):
        out = names == name
        try:
            rest = reml(columns[~out], y[~out], [names[~out]])
        except ValueError:
            return Unavailable(
                "without one of the groups a term, or their error, cannot be had",
                "make more of them, or fit fewer terms",
            )
        total += float(np.sum((y[out] - columns[out] @ rest.estimate) ** 2))
    return total
