"""Pass or fail: logistic regression with Firth's penalty, which stays finite where the trials separate the two.

Firth (1993) Biometrika 80, 27-38; Heinze & Schemper (2002) Stat. Med. 21, 2409-2419. A new batch passes when its
linear predictor plus logistic noise is above 0; the noise is taken as a t law, so that chance and its uncertainty have
the same form as elsewhere. Passes of one whole plot, or of one of many days, share a score (`ordinal_shared`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.linalg import block_diag
from scipy.special import expit, log_expit

from doe.definition.parts import Response
from doe.problems import Problem, Unavailable
from doe.study import Study
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fitted import FittedModel, anova_frame, number_column
from optimise.models.scales import Scale
from optimise.models.scores import (
    HELD,
    Apart,
    Kind,
    ScoreColumns,
    ahead,
    columns_of,
    frozen,
    in_coding,
    of_few,
    of_many,
    orders,
    score_table,
    told,
    without_constant,
)
from optimise.statistics.diagnosis import Number
from optimise.statistics.leastsq import Array
from optimise.statistics.ordinal_shared import ordinal_shared

_MOST_STEPS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Firth:
    """Penalised estimate (p,), covariance (p, p) = (X'WX)^-1, chance per row (n,), penalised log-likelihood."""

    estimate: Array
    covariance: Array
    chance: Array
    log_likelihood: float


def firth(X: Array, y: Array) -> Firth:
    """Firth's logistic regression of y (n,), each 0 to 1, on independent columns X (n, p). Newton with step halving."""
    beta = np.zeros(X.shape[1])
    value = _penalised(X, y, beta)
    for _ in range(_MOST_STEPS):
        covariance, score = _score(X, y, beta)
        step = covariance @ score
        longest = float(np.max(np.abs(step), initial=0.0))
        if longest < 1e-12 * (1 + float(np.max(np.abs(beta), initial=0.0))):
            break
        step *= min(1.0, 5.0 / longest)
        for _ in range(30):
            tried = _penalised(X, y, beta + step)
            if tried >= value - 1e-12 * abs(value):
                break
            step = step / 2
        beta, value = beta + step, tried
    covariance, _ = _score(X, y, beta)
    return Firth(beta, covariance, np.asarray(expit(X @ beta), dtype=float), value)


def _weights(X: Array, beta: Array) -> tuple[Array, Array]:
    chance = np.asarray(expit(X @ beta), dtype=float)
    return chance, np.maximum(chance * (1 - chance), 1e-300)


def _score(X: Array, y: Array, beta: Array) -> tuple[Array, Array]:
    chance, w = _weights(X, beta)
    q, r = np.linalg.qr(X * np.sqrt(w)[:, None])
    inverse = np.linalg.inv(r)
    leverage = np.einsum("ij,ij->i", q, q)
    return inverse @ inverse.T, X.T @ (y - chance + leverage * (0.5 - chance))


def _penalised(X: Array, y: Array, beta: Array) -> float:
    eta = X @ beta
    _, w = _weights(X, beta)
    sign, log_det = np.linalg.slogdet(X.T @ (X * w[:, None]))
    likelihood = float(np.sum(y * log_expit(eta) + (1 - y) * log_expit(-eta)))
    return likelihood + 0.5 * float(log_det) if sign > 0 else -np.inf


@dataclass(frozen=True, slots=True, eq=False)
class _Passing:
    """Coefficients (p,) of the terms, their covariance, chance of each batch in its block, log-likelihood.

    `apart` tells by kind how far blocks or whole plots lie apart.
    """

    beta: Array
    covariance: Array
    chance: Array
    log_likelihood: float
    apart: Mapping[Kind, Apart]


def fit_passes(study: Study, response: Response, planned: Terms, coding: str, data: BatchData) -> FittedModel:
    """A pass-or-fail response fitted on first-order terms; estimates on the logit scale, p from the normal law."""
    where = response.name
    found = columns_of(study, planned, data, where)
    terms, rows = found.terms, found.rows
    fit = _passing(found, data)
    turn, shown = in_coding(study, terms, found.base, coding, data, rows)
    covariance = turn @ fit.covariance @ turn.T
    none = Unavailable("a pass-or-fail response has no scatter of its own", "read the chance instead")
    variance: dict[str, Number] = {"batch": none}
    variance |= {kind: apart.variance for kind, apart in fit.apart.items()}
    return FittedModel(
        response=where, unit=response.unit, scale=Scale("logit"), scale_why="logit: pass or fail", form=terms.form,
        coding=shown, n=data.y.size, excluded=data.excluded, terms=score_table(terms, turn @ fit.beta, covariance),
        covariance=frozen(covariance), residual_sd=none, df_residual=data.y.size - len(terms) - found.blocks.shape[1],
        variance=variance, anova=anova_frame(()), r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=fit.log_likelihood, lack_of_fit=none, stationary=none, way=none, trials=_trials(data, fit, none),
        selection={"how": "first-order terms, none chosen", "criterion": "penalised likelihood", "near": [],
                   "chosen_share": {}},
        findings=_said(where, data, found, fit), core=None,
        predictor=ahead(terms, found.base, rows, fit.beta, fit.covariance, list(fit.apart.values())),
        window=_window(response.aim), study=study, kind="pass",
        blocks=dict(fit.apart["block"].effects) if "block" in fit.apart else {},
    )  # fmt: skip


def _passing(found: ScoreColumns, data: BatchData) -> _Passing:
    """The fit, with a score that whole plots or many blocks share where one can be seen."""
    p, columns = len(found.terms), np.column_stack([found.rows, found.blocks])
    apart: dict[Kind, Apart] = {}
    fit: Firth | None = None
    if data.shared is not None:
        apart[data.shared.kind] = Apart(count=len(set(data.shared.names)))
        together = _together(found, data, data.shared.names)
        if together is not None:
            fit, apart[data.shared.kind] = together
    fit = firth(columns, data.y) if fit is None else fit
    if columns.shape[1] > p:
        apart["block"] = of_few(data.block_names, fit.estimate[p:], fit.covariance[p:, p:])
    return _Passing(fit.estimate[:p], fit.covariance[:p, :p], fit.chance, fit.log_likelihood, apart)


def _together(found: ScoreColumns, data: BatchData, names: tuple[str, ...]) -> tuple[Firth, Apart] | None:
    """The fit where passes of one group share a score, held by a weak prior; None where groups show no such score.

    A batch of several readings counts by the share of them that passed.
    """
    turned = without_constant(found.rows)
    if turned is None or np.ptp(data.y) == 0:
        return None
    others, to_terms = turned
    rows = np.column_stack([found.rows[:, others], found.blocks])
    passed = np.repeat([1, 0], len(rows))
    share = np.concatenate([data.y, 1 - data.y])
    seen = share > 0
    try:
        shared = ordinal_shared(
            np.vstack([rows, rows])[seen], passed[seen], 2, None, HELD, np.tile(names, 2)[seen], share[seen]
        )
    except ValueError:
        return None
    if shared.outer_sd == 0:
        return None
    whole = block_diag(to_terms, np.eye(found.blocks.shape[1]))
    estimate = whole @ np.append(shared.fit.thresholds, shared.fit.estimate)
    covariance = whole @ shared.fit.covariance @ whole.T
    chance = np.asarray(expit(np.column_stack([found.rows, found.blocks]) @ estimate), dtype=float)
    apart = of_many(names, shared.outer_sd, shared.outer_sd_error)
    return Firth(estimate, covariance, chance, shared.fit.log_likelihood), apart


def _said(where: str, data: BatchData, found: ScoreColumns, fit: _Passing) -> tuple[Problem, ...]:
    passed = float(np.sum(data.y))
    got = f"{passed:g} of {data.y.size} batches passed; fitted by a penalised logistic model of first-order terms"
    do = "a measured value says far more per batch, where there is one"
    notes = [*data.findings, *found.notes, say("pass-or-fail", "inform", where, got, do)]
    for kind, apart in fit.apart.items():
        notes += told(where, apart, kind)
    if passed in (0.0, float(data.y.size)):
        always = "passed" if passed else "failed"
        notes.append(say("no-contrast", "warn", where, f"every batch {always}, so nothing says what it depends on",
                         "make a trial at the edge where it might not"))  # fmt: skip
    return tuple(notes)


def _window(aim: str) -> tuple[float | None, float | None]:
    """Passing is above 0 on the logit scale, failing below; "below" asks for a fail."""
    return {"watch": (None, None), "below": (None, 0.0)}.get(aim, (0.0, None))


def _trials(data: BatchData, fit: _Passing, none: Unavailable) -> pd.DataFrame:
    n = data.y.size
    w = fit.chance * (1 - fit.chance)
    return pd.DataFrame(
        {
            "trial": list(data.trials),
            "batch": list(data.batches),
            "order": orders(data),
            "observed": data.y,
            "bound": list(data.bound),
            "fitted": fit.chance,
            "residual": data.y - fit.chance,
            "leverage": number_column([none] * n),
            "studentised": (data.y - fit.chance) / np.sqrt(w),
            "deleted": number_column([none] * n),
            "cook": number_column([none] * n),
        }
    )
