"""Scores in grades: a cumulative link model of every grade given, those of one batch sharing a score of their own.

What lies behind a grade is taken as a score on the logistic scale, cut at thresholds. A new batch reaches a grade when
its score lies beyond the threshold; its scatter is taken as a t law, so that chance and its uncertainty have the same
form as elsewhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.parts import Response
from doe.definition.readingcells import grade_values
from doe.problems import Problem, Unavailable
from doe.results.results import Results
from doe.results.resultset import UNUSED_FLAGS
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fittask import FitTask
from optimise.models.fitted import FittedModel
from optimise.models.scales import Scale
from optimise.models.scores import (
    HELD,
    SINGLE_SD,
    GroupVariance,
    Kind,
    ScoreColumns,
    ScoreFit,
    ScoreSummary,
    from_effects,
    from_sd,
    group_findings,
    score_columns,
    score_model,
    score_trials,
    without_constant,
)
from optimise.statistics.leastsq import Array
from optimise.statistics.ordinal import OrdinalFit, ordinal_fit
from optimise.statistics.ordinal_shared import SharedFit, ordinal_shared


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """The cumulative link fit on the columns but the constant, blocks last, and what turns it into one of all terms.

    `values` are the grades seen; `cut` is the number of the threshold that the aim rests on, and `to_terms` (p, 1 + r)
    maps that threshold and the r slopes to the coefficients of the p terms. `sd`: how far scores of batches vary beyond
    the terms, 0 where each batch was graded once. `between`: the variance between blocks or whole plots.
    """

    fit: OrdinalFit
    to_terms: Array
    values: Array
    cut: int
    sd: float
    between: Mapping[Kind, GroupVariance]


@dataclass(frozen=True, slots=True, eq=False)
class _Grades:
    """Every grade given, (m,), and the place (m,) of its batch in the data."""

    values: Array
    batch: npt.NDArray[np.intp]

    @property
    def several(self) -> bool:
        """Whether some batch was graded more than once."""
        return len(np.unique(self.batch)) < len(self.batch)


def fit_grades(task: FitTask, results: Results) -> FittedModel | Unavailable:
    """A graded response on first-order terms, or why it is better taken as a number."""
    response, data = task.response, task.data
    given = _given(results, response, data)
    place = sorted(set(grade_values(response.grades).values()))
    if not np.isin(given.values, place).all():
        return Unavailable("some readings are no grades", "read one of the grades")
    values, grade = np.unique(given.values, return_inverse=True)
    if len(values) < 2:
        return Unavailable("every batch got the same grade", "make a trial that might differ")
    columns = score_columns(task)
    if len(data.y) < columns.rows.shape[1] + columns.blocks.shape[1] + len(values) - 1:
        return Unavailable("too few batches for thresholds and slopes", "make more batches")
    scores = _scored(columns, grade, values, response, given, data)
    if scores is None:
        return Unavailable("the columns of the model hold no constant", "use a model with an intercept or a blend")
    return _model(task, columns, scores, given)


def _given(results: Results, response: Response, data: BatchData) -> _Grades:
    """The grades of the batches that are fitted, as they were read; bounds and flagged ones are none."""
    rows = results.counted
    rows = rows[(rows["response"] == response.name) & rows["value"].notna() & ~rows["flag"].isin(UNUSED_FLAGS)]
    rows = rows[rows["batch"].isin(data.batches) & (rows["bound"].fillna("none") == "none")]
    place = {batch: i for i, batch in enumerate(data.batches)}
    batch = np.array([place[str(name)] for name in rows["batch"]], dtype=np.intp)
    return _Grades(rows["value"].to_numpy(dtype=float), batch)


def _scored(
    columns: ScoreColumns,
    grade: npt.NDArray[np.intp],
    values: Array,
    response: Response,
    given: _Grades,
    data: BatchData,
) -> _Scores | None:
    """The fit, with thresholds measured from the one that the aim rests on."""
    mapped = without_constant(columns.rows)
    if mapped is None:
        return None
    others, to_terms = mapped
    rows = np.column_stack([columns.rows[:, others], columns.blocks])[given.batch]
    larger = None if data.shared is None else np.array(data.shared.names)[given.batch]
    try:
        fit = _likeliest(rows, grade, len(values), given, larger, 0.0)
    except ValueError:
        fit = _likeliest(rows, grade, len(values), given, larger, HELD)
    between: dict[Kind, GroupVariance] = {}
    if data.shared is not None:
        between[data.shared.kind] = from_sd(data.shared.names, fit.outer_sd, fit.outer_sd_error)
    if columns.blocks.shape[1]:
        b = columns.blocks.shape[1]
        between["block"] = from_effects(data.block_names, fit.fit.estimate[-b:], fit.fit.covariance[-b:, -b:])
    return _Scores(fit.fit, to_terms, values, _cut(response, values), fit.sd, between)


def _likeliest(
    rows: Array, grade: npt.NDArray[np.intp], grades: int, given: _Grades, larger: npt.NDArray[Any] | None, prior: float
) -> SharedFit:
    if not given.several and larger is None:
        return SharedFit(ordinal_fit(rows, grade, grades, prior=prior), 0.0, 0.0)
    return ordinal_shared(rows, grade, grades, given.batch if given.several else None, prior, larger)


def _cut(response: Response, values: Array) -> int:
    """Number of the threshold between grades that the aim rests on; the middle one where it rests on none."""
    low, high = response.window
    if low is not None:
        return int(np.clip(np.searchsorted(values, low) - 1, 0, len(values) - 2))
    if high is not None:
        return int(np.clip(np.searchsorted(values, high, side="right") - 1, 0, len(values) - 2))
    return (len(values) - 1) // 2


def _model(task: FitTask, columns: ScoreColumns, scores: _Scores, given: _Grades) -> FittedModel:
    response, data = task.response, task.data
    fit, g = scores.fit, len(scores.fit.thresholds)
    slopes = len(fit.estimate) - columns.blocks.shape[1]
    place = np.concatenate([[scores.cut], g + np.arange(slopes)])
    inner = fit.covariance[np.ix_(place, place)]
    beta = scores.to_terms @ np.append(fit.thresholds[scores.cut], fit.estimate[:slopes])
    covariance = scores.to_terms @ inner @ scores.to_terms.T
    scale = _scale(fit.thresholds - fit.thresholds[scores.cut], scores.values)
    none = Unavailable("a graded response has no scatter of its own", "read the chance instead")
    fitted = scale.back(columns.rows @ beta + columns.blocks @ fit.estimate[slopes:])
    summary = ScoreSummary(
        kind="grade", scale=scale, scale_why="grades: a logistic score, cut at thresholds", criterion="likelihood",
        batch=scores.sd**2 if given.several else none, df=data.y.size - len(fit.estimate) - g, no_scatter=none,
        window=_window(response, scores), findings=_findings(response, data, given, scores, columns.notes),
        trials=score_trials(
            data, fitted, Unavailable("a grade has no residual of its own", "compare observed and fitted")
        ),
        thresholds=_thresholds(response, scores),
    )  # fmt: skip
    score = ScoreFit(beta, covariance, fit.log_likelihood, scores.between, scores.sd**2)
    return score_model(task, columns, score, summary)


def _thresholds(response: Response, scores: _Scores) -> pd.DataFrame:
    """Where grades part on the score, measured from the threshold the aim rests on, with standard errors."""
    fit, cut = scores.fit, scores.cut
    g = len(fit.thresholds)
    from_cut = np.eye(g)
    from_cut[:, cut] -= 1
    covariance = from_cut @ fit.covariance[:g, :g] @ from_cut.T
    called = {value: name for name, value in grade_values(response.grades).items()}
    names = [called[float(value)] for value in scores.values]
    columns = {
        "below": names[:-1],
        "above": names[1:],
        "estimate": from_cut @ fit.thresholds,
        "se": np.sqrt(np.maximum(np.diag(covariance), 0.0)),
        "of_the_aim": [j == cut for j in range(g)],
    }
    return pd.DataFrame(columns)


def _findings(
    response: Response, data: BatchData, given: _Grades, scores: _Scores, notes: tuple[Problem, ...]
) -> tuple[Problem, ...]:
    # No mean is made of several grades, whatever the readings of other responses are taken for.
    before = [finding for finding in data.findings if finding.code != "readings-averaged"]
    called = {value: name for name, value in grade_values(response.grades).items()}
    counts = ", ".join(f"{called[float(value)]}: {int((given.values == value).sum())}" for value in scores.values)
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
    for kind, between in scores.between.items():
        out += group_findings(response.name, between, kind)
    if scores.fit.held:
        got = "the trials part some grades without overlap, so how steeply they change is held by a weak prior"
        out.append(say("grades-parted", "warn", response.name, got, "make trials near the edge between those grades"))
    return (*before, *notes, *out)


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
    low, high = response.window
    cuts = scores.fit.thresholds - scores.fit.thresholds[scores.cut]
    below = None if low is None else int(np.searchsorted(scores.values, low))
    above = None if high is None else int(np.searchsorted(scores.values, high, side="right"))
    bottom = None if below is None or below == 0 else float(np.append(cuts, np.inf)[below - 1])
    top = None if above is None or above == len(scores.values) else float(np.append(-np.inf, cuts)[above])
    return bottom, top
