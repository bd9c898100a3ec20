"""What grades and passes share: a model of a logistic score, fitted on first-order terms and blocks.

Each of a few blocks (days) has an effect of its own, so that terms are judged within blocks; the score of each of many
blocks, or of whole plots, is drawn from one law. Either way a new batch stands in a block not yet seen, and its chance
allows for that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from doe.problems import Problem, Unavailable, listed
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.findings import blocks_confounded, blocks_left_out, say
from optimise.models.fittask import FitTask
from optimise.models.fitted import FittedModel
from optimise.models.frames import anova_frame, number_column
from optimise.models.predictors import LeastSquaresPredictor
from optimise.models.scales import Scale
from optimise.statistics.diagnosis import Number
from optimise.statistics.leastsq import Array, independent

NOISE_DF = 8.0
NOISE_SD = 1 / 0.634
"""The logistic law is taken as t with 8 degrees of freedom over 0.634 (Albert & Chib 1993, J. Am. Stat. Assoc. 88)."""

SINGLE_SD = float(np.pi / np.sqrt(3))
"""Sd of the logistic law: how a single grade, or a pass, scatters about its batch's score."""

HELD = 1 / 2.5**2
"""A score changes by 2.5 logits for one sd of a column: a weak prior (common practice, no source)."""

Kind = Literal["whole_plot", "block"]
_CALLED: Mapping[Kind, tuple[str, str, str]] = {
    "whole_plot": ("whole-plots", "whole plots", "whole plot"),
    "block": ("blocks", "blocks", "block"),
}


@dataclass(frozen=True, slots=True)
class GroupVariance:
    """The variance of scores between groups (blocks, whole plots), on `df` degrees of freedom, from `count` groups.

    `effects` by name, about their mean, where each group has one of its own; then that mean has an error as well.
    """

    variance: float = 0.0
    df: float = np.inf
    count: int = 0
    effects: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ScoreColumns:
    """The first-order terms that can be estimated, their rows (n, p) in `base`, block columns (n, b), and findings."""

    terms: Terms
    base: Coding
    rows: Array
    blocks: Array
    notes: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ScoreFit:
    """A fitted score: coefficients `beta` (p,) in the base coding and their covariance (p, p), and its log-likelihood.

    `between`: the variance between groups by kind. `batch`: what batches vary by beyond the logistic noise; 0 if that
    cannot be told.
    """

    beta: Array
    covariance: Array
    log_likelihood: float
    between: Mapping[Kind, GroupVariance]
    batch: float = 0.0


def score_columns(task: FitTask) -> ScoreColumns:
    """First-order terms and blocks; blocks are left out where batches are too few, or terms changed with them."""
    planned, data, where = task.planned, task.data, task.where
    first = planned.only(planned.first_order)
    base = first.fitting_coding(task.study.region)
    whole = first.rows(data.X, data.chosen, base)
    kept, _ = independent(whole)
    terms, rows = first.only(j in set(kept.tolist()) for j in range(len(first))), whole[:, kept]
    blocks, notes = data.blocks, _unseen(planned, first, where)
    if blocks.shape[1] and len(rows) - rows.shape[1] - blocks.shape[1] < 1:
        notes.append(blocks_left_out(where, "the chance"))
        blocks = blocks[:, :0]
    if independent(np.column_stack([rows, blocks]))[1].size:
        notes.append(blocks_confounded(where))
        blocks = blocks[:, :0]
    return ScoreColumns(terms, base, rows, blocks, tuple(notes))


def _unseen(planned: Terms, first: Terms, where: str) -> list[Problem]:
    """That what stands in no first-order term of the planned model has none in a score: a factor beside whole shares.

    In a blend without a fill a factor acts only through products with ingredients, which are not of first order.
    """
    own, used = (
        dict.fromkeys(name for term in terms.terms for name, _ in (*term.powers, *term.level))
        for terms in (planned, first)
    )
    lost = [name for name in own if name not in used]
    if not lost:
        return []
    got = f"{listed(lost)} {'stands' if len(lost) == 1 else 'stand'} in none of its terms: what it does is not seen"
    got = got if len(lost) == 1 else got.replace("what it does", "what they do")
    do = "make one ingredient take up the rest (qs = true), so that factors have terms of their own, or measure a value"
    return [say("not-in-the-score", "warn", where, got, do)]


def without_constant(rows: Array) -> tuple[list[int], Array] | None:
    """Columns of rows (n, p) beside the constant, and the map (p, 1 + r) from a cut and their slopes to all columns.

    One column of those that make up the constant gives way to the cut. None where no constant is among them.
    """
    constant = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
    if np.abs(rows @ constant - 1).max() > 1e-9:
        return None
    out = int(np.abs(constant).argmax())
    others = [j for j in range(rows.shape[1]) if j != out]
    to_terms = np.zeros((rows.shape[1], 1 + len(others)))
    to_terms[:, 0] = -constant
    to_terms[others, 1 + np.arange(len(others))] = 1.0
    return others, to_terms


def from_effects(names: tuple[str, ...], own: Array, covariance: Array) -> GroupVariance:
    """The variance between b blocks from their estimated sum-to-zero effects `own` (b - 1,) and their covariance.

    By moments: effects about their mean spread by the variance between blocks and by their own errors. Few blocks say
    little, so its degrees of freedom are b - 1 (Satterthwaite 1946, Biometrics Bulletin 2, 110-114).
    """
    b = len(names)
    if own.size != b - 1 or b < 2:
        return GroupVariance()
    to_all = np.vstack([np.eye(b - 1), -np.ones(b - 1)])
    effects = to_all @ own
    square = float(effects @ effects) / (b - 1)
    variance = max(square - float(np.trace(to_all @ covariance @ to_all.T)) / (b - 1), 0.0)
    freedom = (b - 1) * (variance / square) ** 2 if variance > 0 else np.inf
    return GroupVariance(variance, freedom, b, tuple(zip(names, map(float, effects), strict=True)))


def from_sd(names: tuple[str, ...], sd: float, error: float) -> GroupVariance:
    """The variance between groups from an estimated sd and its standard error, which give its degrees of freedom.

    `names` (n,) are the group of each batch.
    """
    freedom = sd**2 / (2 * error**2) if sd > 0 and error > 0 else np.inf
    return GroupVariance(sd**2, freedom, len(set(names)))


def score_predictor(columns: ScoreColumns, fit: ScoreFit) -> LeastSquaresPredictor:
    """What predicts the score of a new batch in a new group: logistic noise, its own variance, that between groups.

    Without groups the noise is t with 8 degrees of freedom. Normal scores of groups add their variance and thin its
    tails, so that variance and fourth moment agree; that it is only estimated thickens them (Satterthwaite, reciprocals
    of degrees of freedom adding). The level that a few groups have in common is off by that of as many draws.
    """
    rows, covariance, between = columns.rows, fit.covariance, list(fit.between.values())
    groups = sum(one.variance for one in between)
    alone = NOISE_SD**2 / (1 - 2 / NOISE_DF) + fit.batch
    total = alone + groups
    shape = 4 + (NOISE_DF - 4) * (total / alone) ** 2
    scale = float(np.sqrt(total * (1 - 2 / shape)))
    df = 1 / (1 / shape + sum((one.variance / total) ** 2 / one.df for one in between))
    for one in between:
        if one.effects and one.variance > 0:
            level = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
            covariance = covariance + one.variance / one.count * np.outer(level, level)
    shared = scale * float(np.sqrt(groups / total))
    return LeastSquaresPredictor(columns.terms, columns.base, fit.beta, covariance / scale**2, scale, df, shared)


def group_findings(where: str, between: GroupVariance, kind: Kind) -> list[Problem]:
    """What to say of the variance between blocks or whole plots; nothing where there are none."""
    if not between.count:
        return []
    code, many, one = _CALLED[kind]
    if between.variance > 0:
        sd = float(np.sqrt(between.variance))
        got = (
            f"batches were made in {between.count} {many}, whose scores differ by an sd of {sd:.2g} beside"
            f" {SINGLE_SD:.2g} of a single batch; the chance is that of a batch in a new {one}, and allows for both"
        )
    else:
        got = (
            f"batches were made in {between.count} {many}, which differ no more than their batches do; so few readings"
            " of this kind cannot show that they never do"
        )
    return [say(code, "inform", where, got, f"make more {many} to know it better")]


@dataclass(frozen=True, slots=True, eq=False)
class ScoreSummary:
    """What only grades, or only passes, can say of their fit.

    `batch` is the variance between batches to report, `df` what the fit leaves of its batches; `no_scatter` says why
    there is no residual sd. `window`: the ends of the score that pass; `trials` as of `score_trials`; `thresholds` as
    of `FittedModel`.
    """

    kind: str
    scale: Scale
    scale_why: str
    criterion: str
    batch: Number
    df: int
    no_scatter: Unavailable
    window: tuple[float | None, float | None]
    trials: pd.DataFrame
    findings: tuple[Problem, ...]
    thresholds: pd.DataFrame = field(default_factory=pd.DataFrame)


def score_model(task: FitTask, columns: ScoreColumns, fit: ScoreFit, summary: ScoreSummary) -> FittedModel:
    """The `FittedModel` of a fitted score in the coding of the task; numbers that only least squares has are absent.

    Estimates are tested by the normal law.
    """
    study, response, data, none = task.study, task.response, task.data, summary.no_scatter
    terms = columns.terms
    turn, shown = _to_coding(task, columns)
    covariance = turn @ fit.covariance @ turn.T
    covariance.setflags(write=False)
    variance: dict[str, Number] = {"batch": summary.batch}
    variance |= {group: between.variance for group, between in fit.between.items()}
    return FittedModel(
        response=response.name, unit=response.unit, scale=summary.scale, scale_why=summary.scale_why,
        form=terms.form, coding=shown,
        n=data.y.size, excluded=data.excluded, terms=_score_table(terms, turn @ fit.beta, covariance),
        covariance=covariance, residual_sd=none, df_residual=summary.df, variance=variance, anova=anova_frame(()),
        r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=fit.log_likelihood, lack_of_fit=none, stationary=none, way=none,
        trials=summary.trials, findings=summary.findings, core=None,
        selection={"how": "first-order terms, none chosen", "criterion": summary.criterion, "near": [],
                   "chosen_share": {}},
        predictor=score_predictor(columns, fit),
        window=summary.window, study=study, kind=summary.kind,
        blocks=dict(fit.between["block"].effects) if "block" in fit.between else {},
        thresholds=summary.thresholds,
    )  # fmt: skip


def score_trials(
    data: BatchData, fitted: Array, missing: Unavailable, studentised: Array | None = None
) -> pd.DataFrame:
    """One row a batch, as `FittedModel.trials`: what was observed and fitted (n,); `missing` says why the rest is not.

    `studentised` (n,) are Pearson residuals, where there are any.
    """
    n = data.y.size
    none = number_column([missing] * n)
    return pd.DataFrame(
        {
            "trial": list(data.trials),
            "batch": list(data.batches),
            "order": [None] * n if data.order is None else [int(v) for v in data.order],
            "observed": data.y,
            "bound": list(data.bound),
            "fitted": fitted,
            "residual": data.y - fitted,
            "leverage": none,
            "studentised": none if studentised is None else studentised,
            "deleted": none,
            "cook": none,
        }
    )


def _to_coding(task: FitTask, columns: ScoreColumns) -> tuple[Array, str]:
    """The map (p, p) of coefficients to the coding asked for, and its name; to the base coding if it cannot be had."""
    terms, rows = columns.terms, columns.rows
    study, data = task.study, task.data
    asked = terms.coding(study.region, task.coding, study.total if study.varied else None)
    shown = terms.rows(data.X, data.chosen, asked)
    turn = np.asarray(np.linalg.lstsq(shown, rows, rcond=None)[0], dtype=float)
    if np.abs(shown @ turn - rows).max() < 1e-8 and independent(shown)[1].size == 0:
        return turn, asked.name
    return np.eye(len(terms)), columns.base.name


def _score_table(terms: Terms, beta: Array, covariance: Array) -> pd.DataFrame:
    """Coefficients on the score, tested by the normal law."""
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    z = np.divide(beta, se, out=np.zeros_like(beta), where=se > 0)
    none = Unavailable("tested by the normal law", "nothing to do")
    columns: dict[str, Any] = {
        "term": list(terms.labels),
        "powers": [dict(t.powers_dict) for t in terms.terms],
        "estimate": beta,
        "se": se,
        "t": z,
        "df": number_column([none] * len(terms)),
        "p": 2 * stats.norm.sf(np.abs(z)),
    }
    return pd.DataFrame(columns)
