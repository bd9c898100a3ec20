"""Logistic regression with Firth's penalty, which stays finite where the trials separate passes from failures.

Firth (1993) Biometrika 80, 27-38; Heinze & Schemper (2002) Stat. Med. 21, 2409-2419.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit

from optimise.statistics.leastsq import Array

_MOST_STEPS = 200  # of Newton's method


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
