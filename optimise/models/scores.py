"""What grades and passes share: a logistic score, its table in the coding asked for, and what blocks add to it.

Each of a few blocks (days) has an effect of its own, so that terms are judged within blocks; a score of many blocks, or
of whole plots, is drawn. Either way a new batch stands in one not yet seen, and its chance allows for that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from doe.problems import Problem, Unavailable
from doe.study import Study
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fitted import number_column
from optimise.models.predictors import LeastSquaresPredictor
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
class Apart:
    """How far the scores of groups lie apart: `variance` on `df` degrees of freedom, from `count` of them.

    `effects` by name, about their mean, where each has one of its own; then that mean is off as well.
    """

    variance: float = 0.0
    df: float = np.inf
    count: int = 0
    effects: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ScoreColumns:
    """The first-order terms that can be told apart, their rows (n, p), block columns (n, b) kept, and what to say."""

    terms: Terms
    base: Coding
    rows: Array
    blocks: Array
    notes: tuple[Problem, ...]


def columns_of(study: Study, planned: Terms, data: BatchData, where: str) -> ScoreColumns:
    """First-order terms and blocks; where batches are too few, or days and terms changed together, blocks go."""
    first = planned.only(planned.first_order)
    base = first.fitting_coding(study.region)
    whole = first.rows(data.X, data.chosen, base)
    kept, _ = independent(whole)
    terms, rows = first.only(j in set(kept.tolist()) for j in range(len(first))), whole[:, kept]
    blocks, notes = data.blocks, []
    if blocks.shape[1] and len(rows) - rows.shape[1] - blocks.shape[1] < 1:
        got = "too few batches to allow for blocks as well"
        do = "make more batches; differences between blocks are now in the chance"
        notes.append(say("blocks-left-out", "warn", where, got, do))
        blocks = blocks[:, :0]
    if independent(np.column_stack([rows, blocks]))[1].size:
        got = "blocks and terms changed together, so block differences are in the terms"
        notes.append(say("blocks-confounded", "warn", where, got, "make some trials of each block again in another"))
        blocks = blocks[:, :0]
    return ScoreColumns(terms, base, rows, blocks, tuple(notes))


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


def of_few(names: tuple[str, ...], own: Array, covariance: Array) -> Apart:
    """What a few blocks (b) with sum-to-zero effects `own` (b - 1,), known to `covariance`, say of blocks to come.

    By moments: effects about their mean spread by the variance between blocks and by their own errors. Few blocks say
    little, so its degrees of freedom are b - 1 (Satterthwaite 1946, Biometrics Bulletin 2, 110-114).
    """
    b = len(names)
    if own.size != b - 1 or b < 2:
        return Apart()
    to_all = np.vstack([np.eye(b - 1), -np.ones(b - 1)])
    effects = to_all @ own
    square = float(effects @ effects) / (b - 1)
    variance = max(square - float(np.trace(to_all @ covariance @ to_all.T)) / (b - 1), 0.0)
    freedom = (b - 1) * (variance / square) ** 2 if variance > 0 else np.inf
    return Apart(variance, freedom, b, tuple(zip(names, map(float, effects), strict=True)))


def of_many(names: tuple[str, ...], sd: float, error: float) -> Apart:
    """What drawn groups say: their sd and its standard error, the variance's degrees of freedom by both."""
    freedom = sd**2 / (2 * error**2) if sd > 0 and error > 0 else np.inf
    return Apart(sd**2, freedom, len(set(names)))


def ahead(
    terms: Terms, base: Coding, rows: Array, beta: Array, covariance: Array, apart: Sequence[Apart], batch: float = 0.0
) -> LeastSquaresPredictor:
    """What predicts a new batch of a new group: the logistic noise, `batch` variance of its own, that between groups.

    Without groups the noise is t with 8 degrees of freedom. Normal scores of groups add their variance and thin its
    tails, so that variance and fourth moment agree; that it is only estimated thickens them (Satterthwaite, reciprocals
    of degrees of freedom adding). The level that a few groups have in common is off by that of as many draws.
    """
    between = sum(one.variance for one in apart)
    alone = NOISE_SD**2 / (1 - 2 / NOISE_DF) + batch
    total = alone + between
    shape = 4 + (NOISE_DF - 4) * (total / alone) ** 2
    scale = float(np.sqrt(total * (1 - 2 / shape)))
    df = 1 / (1 / shape + sum((one.variance / total) ** 2 / one.df for one in apart))
    for one in apart:
        if one.effects and one.variance > 0:
            level = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
            covariance = covariance + one.variance / one.count * np.outer(level, level)
    shared = scale * float(np.sqrt(between / total))
    return LeastSquaresPredictor(terms, base, beta, covariance / scale**2, scale, df, shared)


def told(where: str, apart: Apart, kind: Kind) -> list[Problem]:
    """What to say of blocks or whole plots; nothing where there are none."""
    if not apart.count:
        return []
    code, many, one = _CALLED[kind]
    if apart.variance > 0:
        sd = float(np.sqrt(apart.variance))
        got = (
            f"batches were made in {apart.count} {many}, whose scores differ by an sd of {sd:.2g} beside"
            f" {SINGLE_SD:.2g} of a single batch; the chance is that of a batch in a new {one}, and allows for both"
        )
    else:
        got = (
            f"batches were made in {apart.count} {many}, which differ no more than their batches do; so few readings"
            " of this kind cannot show that they never do"
        )
    return [say(code, "inform", where, got, f"make more {many} to know it better")]


def in_coding(study: Study, terms: Terms, base: Coding, coding: str, data: BatchData, rows: Array) -> tuple[Array, str]:
    """The map (p, p) of coefficients from `base` to the coding asked for, and its name; that of `base` if it cannot."""
    asked = terms.coding(study.region, coding, study.total if study.varied else None)
    shown = terms.rows(data.X, data.chosen, asked)
    turn = np.asarray(np.linalg.lstsq(shown, rows, rcond=None)[0], dtype=float)
    if np.abs(shown @ turn - rows).max() < 1e-8 and independent(shown)[1].size == 0:
        return turn, asked.name
    return np.eye(len(terms)), base.name


def score_table(terms: Terms, beta: Array, covariance: Array) -> pd.DataFrame:
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


def orders(data: BatchData) -> list[int | None]:
    """The order of making of each batch, where it is known of all."""
    return [None] * data.y.size if data.order is None else [int(v) for v in data.order]


def frozen(array: npt.NDArray[np.float64]) -> Array:
    """The array, not to be written to."""
    array.setflags(write=False)
    return array
