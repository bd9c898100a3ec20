"""A fit of batches that share whole plots: its tests and errors by restricted likelihood, not as if each stood alone.

Where a hard-to-change factor was set once for several batches, these have an error in common. Its effects are then
judged by the differences between settings, all others by those within (Box, Hunter & Hunter 2005, chapter 9); fitted as
if every batch had been set up afresh they look surer than they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from doe.problems import Problem, Unavailable
from optimise.batchdata import BatchData
from optimise.diagnosis import Line, Number, total_ss
from optimise.findings import say
from optimise.fitted import Core, Estimate, FittedModel, anova_frame, number_column
from optimise.leastsq import Array
from optimise.mixed import MixedFit, reml

NO_LACK = Unavailable(
    "batches share whole plots, so that one pure error does not judge the shape",
    "look at the residuals within and between whole plots",
)


def allowed_for(columns: Array, y: Array, plots: Sequence[str], where: str) -> tuple[MixedFit | None, list[Problem]]:
    """The fit of y (n,) by `columns` with an error for each whole plot, or None with the reason; and what to say."""
    count = len(set(plots))
    try:
        fit = reml(columns, y, [list(plots)])
    except ValueError as error:
        got = (
            f"batches share {count} whole plots, but the results cannot tell their errors apart ({error}): each batch"
            " was fitted as if set up afresh, and effects of the hard-to-change factor look surer than they are"
        )
        return None, [say("whole-plots", "warn", where, got, "make more whole plots")]
    between, within = np.sqrt(fit.variance)
    if fit.at_zero[0]:
        got = (
            f"{count} whole plots differ no more than their batches do (sd {within:.3g}); that their own error is"
            " nothing is not shown by this, and tests still allow for it"
        )
        return fit, [say("whole-plots", "inform", where, got, "make more whole plots to know it better")]
    got = (
        f"batches share {count} whole plots: sd {between:.3g} from one setting-up to the next, {within:.3g} between"
        " batches of one; tests, intervals and the chance allow for both"
    )
    return fit, [say("whole-plots", "inform", where, got, "set the factor up anew more often to judge it better")]


def of_plots(fit: MixedFit) -> Estimate:
    """The fit for use: a new batch stands in a whole plot of its own; df after Satterthwaite (1946, Biom. Bull. 2)."""
    variance = float(fit.variance.sum())
    df = 2 * variance**2 / float(fit.information.sum())
    return Estimate(fit.estimate, fit.covariance, float(np.sqrt(variance)), df)


def plots_left_out(where: str) -> Problem:
    """The finding that whole plots and readings that are bounds stand in one response."""
    got = "some readings are only bounds, so that the fit does not allow for the error batches of a whole plot share"
    do = "read them with a method that reaches; effects of the hard-to-change factor look surer than they are"
    return say("whole-plots", "warn", where, got, do)


def with_plots(
    model: FittedModel,
    fit: MixedFit,
    core: Core,
    data: BatchData,
    y: Array,
    groups: Mapping[str, Sequence[int]],
    columns: Array,
) -> FittedModel:
    """`model` with the numbers that whole plots change: table, covariance, variances, tests, predicted R², trials."""
    plots = list(data.plots or ())
    table, covariance = _table(model, core, data, y)
    press = _press(columns, y, plots)
    predicted: Number = press
    if isinstance(press, float) and isinstance(model.r2, float):
        predicted = 1 - press / total_ss(y, np.ones(y.size))
    shown = model.trials.copy()
    shown["fitted"] = model.scale.back(fit.fitted)
    shown["residual"] = y - fit.fitted
    return replace(
        model,
        terms=table,
        covariance=covariance,
        residual_sd=float(np.sqrt(fit.variance[-1])),
        variance={"batch": float(fit.variance[-1]), "whole_plot": float(fit.variance[0])},
        anova=anova_frame(_lines(model, fit, groups)),
        r2_predicted=predicted,
        press=press,
        log_likelihood=fit.log_likelihood,
        lack_of_fit=NO_LACK,
        trials=shown,
    )


def _table(model: FittedModel, core: Core, data: BatchData, y: Array) -> tuple[pd.DataFrame, Array]:
    """The terms in the coding shown, each with its own degrees of freedom."""
    p = len(core.terms)
    coding = core.coding
    if model.coding != coding.name:
        study = model.study
        coding = core.terms.coding(study.region, model.coding, study.total if study.varied else None)
    rows = core.terms.rows(data.X, data.chosen, coding)
    blocks = data.blocks[:, : core.fit.rank - p]
    fit = reml(np.column_stack([rows, blocks]), y, [list(data.plots or ())])
    each = [fit.contrast(row) for row in np.eye(len(fit.estimate))[:p]]
    table = model.terms.copy()
    for name in ("estimate", "se", "t", "df", "p"):
        lost = list(table[name].iloc[p:])
        table[name] = number_column([*(getattr(c, name) for c in each), *lost])
    covariance = fit.covariance[:p, :p].copy()
    covariance.setflags(write=False)
    return table, covariance


def _lines(model: FittedModel, fit: MixedFit, groups: Mapping[str, Sequence[int]]) -> tuple[Line, ...]:
    """The lines of the table, F and p of each group of terms by Kenward and Roger; sums of squares are partial ones."""
    lines = []
    for row in model.anova.to_dict(orient="records"):
        line = Line(**{str(key): value for key, value in row.items()})
        if line.source in ("lack of fit", "pure error"):
            continue
        if line.source in groups:
            test = fit.test(np.eye(len(fit.estimate))[list(groups[line.source])])
            line = replace(line, f=test.f, p=test.p)
        elif not isinstance(line.f, Unavailable):
            none = Unavailable("judged term by term, by whole plots or within them", "read the lines of the terms")
            line = replace(line, f=none, p=none)
        lines.append(line)
    return tuple(lines)


def _press(columns: Array, y: Array, plots: Sequence[str]) -> Number:
    """Sum of squares of values less their prediction from all other whole plots."""
    names = np.array(plots)
    total = 0.0
    for name in dict.fromkeys(plots):
        out = names == name
        try:
            rest = reml(columns[~out], y[~out], [names[~out]])
        except ValueError:
            return Unavailable(
                "without one of the whole plots a term, or their error, cannot be had",
                "make more whole plots, or fit fewer terms",
            )
        total += float(np.sum((y[out] - columns[out] @ rest.estimate) ** 2))
    return total
