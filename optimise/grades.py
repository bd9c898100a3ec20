"""Scores in grades: a cumulative link model where every batch has one grade, else the mean score, which says so.

What lies behind a grade is taken as a score on the logistic scale, cut at thresholds. A new batch reaches a grade when
its score lies beyond the threshold; its scatter is taken as t with 8 degrees of freedom over 0.634 (Albert & Chib 1993,
J. Am. Stat. Assoc. 88, 669-679), so that chance and its uncertainty have the same form as elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from doe.cells import grade_values
from doe.codings import Coding
from doe.parts import Response
from doe.problems import Problem, Unavailable
from doe.study import Study
from doe.terms import Terms
from optimise.aims import window
from optimise.batchdata import BatchData
from optimise.findings import say
from optimise.fitted import FittedModel, anova_frame, number_column
from optimise.leastsq import Array, independent
from optimise.ordinal import OrdinalFit, ordinal_fit
from optimise.passes import NOISE_DF, NOISE_SD
from optimise.predictors import LeastSquaresPredictor
from optimise.scales import Scale

_HELD = 1 / 2.5**2  # a score changes by 2.5 logits for one sd of a column: weak (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """The fit on the columns that say something, a map (p, 1 + r) from first cut and slopes to all columns, values."""

    fit: OrdinalFit
    to_terms: Array
    values: Array
    cut: int


def fit_grades(
    study: Study, response: Response, planned: Terms, coding: str, data: BatchData
) -> FittedModel | Unavailable:
    """A graded response on first-order terms, or why it is better taken as a number."""
    place = sorted(set(grade_values(response.grades).values()))
    if not np.isin(data.y, place).all():
        return Unavailable("batches were graded more than once, and a mean of grades is not a grade", "grade them once")
    values, grade = np.unique(data.y, return_inverse=True)
    if len(values) < 2:
        return Unavailable("every batch got the same grade", "make a trial that might differ")
    first = planned.only(planned.first_order)
    region = study.region
    base = first.fitting_coding(region)
    whole = first.rows(data.X, data.chosen, base)
    kept, _ = independent(whole)
    terms = first.only(j in set(kept.tolist()) for j in range(len(first)))
    rows = whole[:, kept]
    if len(data.y) < rows.shape[1] + len(values) - 1:
        return Unavailable("too few batches for thresholds and slopes", "make more batches")
    scores = _scored(rows, grade, values, response)
    if scores is None:
        return Unavailable("the columns of the model hold no constant", "use a model with an intercept or a blend")
    return _model(study, response, terms, base, coding, data, rows, scores)


def _scored(rows: Array, grade: npt.NDArray[np.intp], values: Array, response: Response) -> _Scores | None:
    """The fit, with thresholds measured from the one that the aim rests on."""
    constant = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
    if np.abs(rows @ constant - 1).max() > 1e-9:
        return None
    # One column of those that make up the constant gives way to the thresholds.
    out = int(np.abs(constant).argmax())
    others = [j for j in range(rows.shape[1]) if j != out]
    try:
        fit = ordinal_fit(rows[:, others], grade, len(values))
    except ValueError:
        fit = ordinal_fit(rows[:, others], grade, len(values), prior=_HELD)
    cut = _cut(response, values)
    to_terms = np.zeros((rows.shape[1], 1 + len(others)))
    to_terms[:, 0] = -constant
    to_terms[others, 1 + np.arange(len(others))] = 1.0
    return _Scores(fit, to_terms, values, cut)


def _cut(response: Response, values: Array) -> int:
    """Number of the threshold between grades that the aim rests on; the middle one where it rests on none."""
    low, high = window(response)
    if low is not None:
        return int(np.clip(np.searchsorted(values, low) - 1, 0, len(values) - 2))
    if high is not None:
        return int(np.clip(np.searchsorted(values, high, side="right") - 1, 0, len(values) - 2))
    return (len(values) - 1) // 2


def _model(
    study: Study, response: Response, terms: Terms, base: Coding, coding: str, data: BatchData, rows: Array,
    scores: _Scores,
) -> FittedModel:  # fmt: skip
    fit, g = scores.fit, len(scores.fit.thresholds)
    place = np.concatenate([[scores.cut], g + np.arange(len(fit.estimate))])
    inner = fit.covariance[np.ix_(place, place)]
    beta = scores.to_terms @ np.append(fit.thresholds[scores.cut], fit.estimate)
    covariance = scores.to_terms @ inner @ scores.to_terms.T
    asked = terms.coding(study.region, coding, study.total if study.varied else None)
    shown = terms.rows(data.X, data.chosen, asked)
    turn = np.linalg.lstsq(shown, rows, rcond=None)[0]
    same = np.abs(shown @ turn - rows).max() < 1e-8 and independent(shown)[1].size == 0
    if not same:
        turn, asked = np.eye(len(terms)), base
    scale = _scale(fit.thresholds - fit.thresholds[scores.cut], scores.values)
    none = Unavailable("a graded response has no scatter of its own", "read the chance instead")
    predictor = LeastSquaresPredictor(terms, base, beta, covariance / NOISE_SD**2, NOISE_SD, NOISE_DF)
    return FittedModel(
        response=response.name, unit=response.unit, scale=scale, form=terms.form, coding=asked.name, n=data.y.size,
        scale_why="grades: thresholds on a logistic score, measured from the one the aim rests on",
        excluded=data.excluded, terms=_table(terms, turn @ beta, turn @ covariance @ turn.T),
        covariance=_frozen(turn @ covariance @ turn.T), residual_sd=none, df_residual=data.y.size - len(place) - g + 1,
        variance={"batch": none}, anova=anova_frame(()), r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=fit.log_likelihood, lack_of_fit=none, stationary=none, way=none,
        trials=_trials(data, scale.back(rows @ beta)), findings=(*data.findings, *_said(response, fit, data.y, scores)),
        selection={"how": "first-order terms, none chosen", "criterion": "likelihood", "near": [], "chosen_share": {}},
        core=None, predictor=predictor, window=_window(response, scores), study=study, kind="grade",
    )  # fmt: skip


def _said(response: Response, fit: OrdinalFit, y: Array, scores: _Scores) -> list[Problem]:
    counts = ", ".join(f"{value:g}: {int((y == value).sum())}" for value in scores.values)
    got = (
        f"grades of {y.size} batches ({counts}) by a cumulative logistic model of first-order terms: their order"
        " counts, not their distances; a predicted grade between two is a score between their thresholds"
    )
    do = "a measured value says far more per batch, where there is one"
    out = [say("grades", "inform", response.name, got, do)]
    if fit.held:
        got = "the trials part some grades without overlap, so how steeply they change is held by a weak prior"
        out.append(say("grades-parted", "warn", response.name, got, "make trials near the edge between those grades"))
    return out


def _scale(cuts: Array, values: Array) -> Scale:
    """Scores to grades: each threshold half way between the grades it parts."""
    middle = (values[1:] + values[:-1]) / 2
    return Scale("grades", cuts=tuple(map(float, cuts)), marks=tuple(map(float, (values[0], *middle, values[-1]))))


def _window(response: Response, scores: _Scores) -> tuple[float | None, float | None]:
    """The thresholds that bound the grades that pass; None where every grade seen meets the limit."""
    low, high = window(response)
    cuts = scores.fit.thresholds - scores.fit.thresholds[scores.cut]
    below = None if low is None else int(np.searchsorted(scores.values, low))
    above = None if high is None else int(np.searchsorted(scores.values, high, side="right"))
    bottom = None if below is None or below == 0 else float(np.append(cuts, np.inf)[below - 1])
    top = None if above is None or above == len(scores.values) else float(np.append(-np.inf, cuts)[above])
    return bottom, top


def _frozen(array: Array) -> Array:
    array.setflags(write=False)
    return array


def _table(terms: Terms, beta: Array, covariance: Array) -> pd.DataFrame:
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    z = np.divide(beta, se, out=np.zeros_like(beta), where=se > 0)
    none = Unavailable("tested by the normal law", "nothing to do")
    return pd.DataFrame(
        {
            "term": list(terms.labels),
            "powers": [dict(t.powers_dict) for t in terms.terms],
            "estimate": beta,
            "se": se,
            "t": z,
            "df": number_column([none] * len(terms)),
            "p": 2 * stats.norm.sf(np.abs(z)),
        }
    )


def _trials(data: BatchData, fitted: Array) -> pd.DataFrame:
    n = data.y.size
    none = Unavailable("a grade has no residual of its own", "compare observed and fitted")
    order = [None] * n if data.order is None else [int(v) for v in data.order]
    columns = {"trial": list(data.trials), "batch": list(data.batches), "order": order, "observed": data.y}
    columns |= {"bound": list(data.bound), "fitted": fitted, "residual": data.y - fitted}
    frame = pd.DataFrame(columns)
    for name in ("leverage", "studentised", "deleted", "cook"):
        frame[name] = number_column([none] * n)
    return frame
