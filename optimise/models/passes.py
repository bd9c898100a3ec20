"""Pass or fail: logistic regression with Firth's penalty, which stays finite where the trials separate the two.

Firth (1993) Biometrika 80, 27-38; Heinze & Schemper (2002) Stat. Med. 21, 2409-2419. A new batch passes when its
linear predictor plus logistic noise is above 0; the noise is taken as t with 8 degrees of freedom over 0.634 (Albert
& Chib 1993, J. Am. Stat. Assoc. 88, 669-679), so that chance and its uncertainty have the same form as elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, log_expit

from doe.definition.parts import Response
from doe.problems import Unavailable
from doe.study import Study
from doe.terms.terms import Terms
from optimise.models.batchdata import BatchData
from optimise.models.findings import say
from optimise.models.fitted import FittedModel, anova_frame, number_column
from optimise.models.predictors import LeastSquaresPredictor
from optimise.models.scales import Scale
from optimise.statistics.leastsq import Array, independent

NOISE_DF = 8.0
NOISE_SD = 1 / 0.634
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


def fit_passes(study: Study, response: Response, planned: Terms, coding: str, data: BatchData) -> FittedModel:
    """A pass-or-fail response fitted on first-order terms; estimates on the logit scale, p from the normal law."""
    region, where = study.region, response.name
    first = planned.only(planned.first_order)
    base = first.fitting_coding(region)
    kept, _ = independent(first.rows(data.X, data.chosen, base))
    terms = first.only(j in set(kept.tolist()) for j in range(len(first)))
    fit = firth(terms.rows(data.X, data.chosen, base), data.y)
    asked = terms.coding(region, coding, study.total if study.varied else None)
    asked_rows = terms.rows(data.X, data.chosen, asked)
    same = independent(asked_rows)[1].size == 0
    shown = firth(asked_rows, data.y) if same else fit
    passed = float(np.sum(data.y))
    notes = [*data.findings]
    got = f"{passed:g} of {data.y.size} batches passed; fitted by a penalised logistic model of first-order terms"
    notes.append(
        say(
            "pass-or-fail",
            "inform",
            where,
            got,
            "a measured value says far more per batch, where there is one",
        )
    )
    if passed in (0.0, float(data.y.size)):
        always = "passed" if passed else "failed"
        notes.append(say("no-contrast", "warn", where, f"every batch {always}, so nothing says what it depends on",
                         "make a trial at the edge where it might not"))  # fmt: skip
    predictor = LeastSquaresPredictor(terms, base, fit.estimate, fit.covariance / NOISE_SD**2, NOISE_SD, NOISE_DF)
    none = Unavailable("a pass-or-fail response has no scatter of its own", "read the chance instead")
    return FittedModel(
        response=where, unit=response.unit, scale=Scale("logit"), scale_why="logit: pass or fail", form=terms.form,
        coding=coding if same else base.name, n=data.y.size, excluded=data.excluded, terms=_table(terms, shown),
        covariance=_frozen(shown.covariance), residual_sd=none, df_residual=data.y.size - len(terms),
        variance={"batch": none}, anova=anova_frame(()), r2=none, r2_adjusted=none, r2_predicted=none, press=none,
        log_likelihood=fit.log_likelihood, lack_of_fit=none, stationary=none, way=none, trials=_trials(data, fit, none),
        selection={"how": "first-order terms, none chosen", "criterion": "penalised likelihood", "near": [],
                   "chosen_share": {}},
        findings=tuple(notes), core=None, predictor=predictor,
        window=_window(response.aim), study=study, kind="pass",
    )  # fmt: skip


def _window(aim: str) -> tuple[float | None, float | None]:
    """Passing is above 0 on the logit scale, failing below; "below" asks for a fail."""
    return {"watch": (None, None), "below": (None, 0.0)}.get(aim, (0.0, None))


def _frozen(array: Array) -> Array:
    array.setflags(write=False)
    return array


def _table(terms: Terms, fit: Firth) -> pd.DataFrame:
    se = np.sqrt(np.diag(fit.covariance))
    z = fit.estimate / se
    none = Unavailable("tested by the normal law", "nothing to do")
    return pd.DataFrame(
        {
            "term": list(terms.labels),
            "powers": [dict(t.powers_dict) for t in terms.terms],
            "estimate": fit.estimate,
            "se": se,
            "t": z,
            "df": number_column([none] * len(terms)),
            "p": 2 * stats.norm.sf(np.abs(z)),
        }
    )


def _trials(data: BatchData, fit: Firth, none: Unavailable) -> pd.DataFrame:
    n = data.y.size
    w = fit.chance * (1 - fit.chance)
    order = [None] * n if data.order is None else [int(v) for v in data.order]
    return pd.DataFrame(
        {
            "trial": list(data.trials),
            "batch": list(data.batches),
            "order": order,
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
