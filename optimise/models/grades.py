"""Scores in grades: a cumulative link model of every grade given, those of one batch sharing a score of their own.

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

from doe.definition.cells import grade_values
from doe.definition.parts import Response
from doe.problems import Problem, Unavailable
from doe.results.results import Results
from doe.results.resultset import UNUSED_FLAGS
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.aims import window
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fitted import FittedModel, anova_frame, number_column
from optimise.models.passes import NOISE_DF, NOISE_SD
from optimise.models.predictors import LeastSquaresPredictor
from optimise.models.scales import Scale
from optimise.statistics.leastsq import Array, independent
from optimise.statistics.ordinal import OrdinalFit, ordinal_fit
from optimise.statistics.ordinal_shared import ordinal_shared

SINGLE_SD = float(np.pi / np.sqrt(3))
"""Sd of the logistic law: how a single grade scatters about its batch's score."""

_HELD = 1 / 2.5**2  # a score changes by 2.5 logits for one sd of a column: weak (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """The fit on the columns that say something, a map (p, 1 + r) from first cut and slopes to all columns, values.

    `sd` is what grades of one batch share beyond the terms: 0 where each batch was graded once.
    """

    fit: OrdinalFit
    to_terms: Array
    values: Array
    cut: int
    sd: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Grades:
    """Every grade given, (m,), and the place (m,) of its batch in the data."""

    values: Array
    batch: npt.NDArray[np.intp]

    @property
    def several(self) -> bool:
        """Whether some batch was graded more than once."""
        return len(np.unique(self.batch)) < len(self.batch)


def fit_grades(
    study: Study, response: Response, planned: Terms, coding: str, data: BatchData, results: Results
) -> FittedModel | Unavailable:
    """A graded response on first-order terms, or why it is better taken as a number."""
    given = _given(results, response, data)
    place = sorted(set(grade_values(response.grades).values()))
    if not np.isin(given.values, place).all():
        return Unavailable("some readings are no grades", "read one of the grades")
    values, grade = np.unique(given.values, return_inverse=True)
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
    scores = _scored(rows[given.batch], grade, values, response, given)
    if scores is None:
        return Unavailable("the columns of the model hold no constant", "use a model with an intercept or a blend")
    return _model(study, response, terms, base, coding, data, rows, scores, given)


def _given(results: Results, response: Response, data: BatchData) -> _Grades:
    """The grades of the batches that are fitted, as they were read; bounds and flagged ones are none."""
    rows = results.counted
    rows = rows[(rows["response"] == response.name) & rows["value"].notna() & ~rows["flag"].isin(UNUSED_FLAGS)]
    rows = rows[rows["batch"].isin(data.batches) & (rows["bound"].fillna("none") == "none")]
    place = {batch: i for i, batch in enumerate(data.batches)}
    batch = np.array([place[str(name)] for name in rows["batch"]], dtype=np.intp)
    return _Grades(rows["value"].to_numpy(dtype=float), batch)


def _scored(
    rows: Array, grade: npt.NDArray[np.intp], values: Array, response: Response, given: _Grades
) -> _Scores | None:
    """The fit, with thresholds measured from the one that the aim rests on."""
    constant = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
    if np.abs(rows @ constant - 1).max() > 1e-9:
        return None
    # One column of those that make up the constant gives way to the thresholds.
    out = int(np.abs(constant).argmax())
    others = [j for j in range(rows.shape[1]) if j != out]
    try:
        fit, sd = _likeliest(rows[:, others], grade, len(values), given, 0.0)
    except ValueError:
        fit, sd = _likeliest(rows[:, others], grade, len(values), given, _HELD)
    cut = _cut(response, values)
    to_terms = np.zeros((rows.shape[1], 1 + len(others)))
    to_terms[:, 0] = -constant
    to_terms[others, 1 + np.arange(len(others))] = 1.0
    return _Scores(fit, to_terms, values, cut, sd)


def _likeliest(
    rows: Array, grade: npt.NDArray[np.intp], grades: int, given: _Grades, prior: float
) -> tuple[OrdinalFit, float]:
    if not given.several:
        return ordinal_fit(rows, grade, grades, prior=prior), 0.0
    found = ordinal_shared(rows, grade, grades, given.batch, prior)
    return found.fit, found.sd


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
    scores: _Scores, given: _Grades,
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
    # What a batch has of its own adds to the scatter of a grade: variances add, that of the t law being 8/6 scale².
    noise = float(np.hypot(NOISE_SD, scores.sd * np.sqrt(1 - 2 / NOISE_DF)))
    predictor = LeastSquaresPredictor(terms, base, beta, covariance / noise**2, noise, NOISE_DF)
    return FittedModel(
        response=response.name, unit=response.unit, scale=scale, form=terms.form, coding=asked.name, n=data.y.size,
        scale_why="grades: thresholds on a logistic score, measured from the one the aim rests on",
        excluded=data.excluded, terms=_table(terms, turn @ beta, turn @ covariance @ turn.T),
        covariance=_frozen(turn @ covariance @ turn.T), residual_sd=none, df_residual=data.y.size - len(place) - g + 1,
        variance={"batch": scores.sd**2 if given.several else none}, anova=anova_frame(()), r2=none,
        r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=fit.log_likelihood, lack_of_fit=none, stationary=none, way=none,
        trials=_trials(data, scale.back(rows @ beta)), findings=_said(response, data, given, scores),
        selection={"how": "first-order terms, none chosen", "criterion": "likelihood", "near": [], "chosen_share": {}},
        core=None, predictor=predictor, window=_window(response, scores), study=study, kind="grade",
    )  # fmt: skip


def _said(response: Response, data: BatchData, given: _Grades, scores: _Scores) -> tuple[Problem, ...]:
    # No mean is made of several grades, whatever the readings of other responses are taken for.
    before = [finding for finding in data.findings if finding.code != "readings-averaged"]
    counts = ", ".join(f"{value:g}: {int((given.values == value).sum())}" for value in scores.values)
    batches = len(np.unique(given.batch))
    how_often = f"{given.values.size} grades of {batches} batches" if given.several else f"grades of {batches} batches"
    got = (
        f"{how_often} ({counts}) by a cumulative logistic model of first-order terms: their order counts, not their"
        " distances; a predicted grade between two is a score between their thresholds"
    )
    do = "a measured value says far more per batch, where there is one"
    out = [say("grades", "inform", response.name, got, do)]
    if given.several:
        out.append(_shared_words(response, scores.sd))
    if scores.fit.held:
        got = "the trials part some grades without overlap, so how steeply they change is held by a weak prior"
        out.append(say("grades-parted", "warn", response.name, got, "make trials near the edge between those grades"))
    return (*before, *out)


def _shared_words(response: Response, sd: float) -> Problem:
    """What grades of one batch have in common, and what the chance is of."""
    if sd > 0:
        got = (
            f"grades of one batch have a score of its own in common (sd {sd:.2g} beside {SINGLE_SD:.2g} of a single"
            " grade), so they do not count for as many batches; the chance is that of one grade given to a new batch"
        )
    else:
        got = (
            "grades of one batch agree no better than those of different batches of one recipe; each was taken by"
            " itself, and the chance is that of one grade given to a new batch"
        )
    do = "make separate batches to see how batches differ"
    return say("grades-of-one-batch", "inform", response.name, got, do)


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
