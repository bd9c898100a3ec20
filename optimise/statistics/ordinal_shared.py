"""Several grades of one batch: a cumulative link model in which grades of one group share a score of their own.

logit P(grade <= j) = threshold_j - x'b - u with u ~ N(0, sd²) for each group (Hedeker & Gibbons 1994, Biometrics 50,
933-944). The likelihood is integrated over u by Gauss-Hermite nodes; grades of one batch are then not taken for so many
batches, and no mean of grades is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from optimise.statistics.ordinal import OrdinalFit, logit_share, ordinal_fit

Array = npt.NDArray[np.float64]

_NODES = 60
_NOTHING = 1e-3  # a shared sd below this is none: the likelihood is flat there
_STEP = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class SharedFit:
    """The fit as if `sd`, what grades of one group share, were not there, and that `sd` with its standard error.

    `covariance` of `fit` allows for `sd` being estimated; `sd_error` is 0 where `sd` is.
    """

    fit: OrdinalFit
    sd: float
    sd_error: float


def ordinal_shared(
    X: npt.ArrayLike, grade: npt.ArrayLike, grades: int, groups: npt.ArrayLike, prior: float = 0.0
) -> SharedFit:
    """Fit grades 0 .. grades - 1 (n,) of `groups` (n,) by the columns of X (n, p), which hold no constant.

    `prior` and the errors raised are those of `ordinal_fit`.
    """
    rows, y = np.asarray(X, dtype=float), np.asarray(grade, dtype=np.intp)
    plain = ordinal_fit(rows, y, grades, prior=prior)
    member = np.unique(np.asarray(groups), return_inverse=True)[1]
    g, p = grades - 1, rows.shape[1]
    middle, unit = rows.mean(axis=0), rows.std(axis=0)
    Z = (rows - middle) / unit
    precision = np.concatenate([np.zeros(g), np.full(p, prior) / unit**2, [0.0]])

    def lost(theta: Array) -> tuple[float, Array]:
        if (np.diff(theta[:g]) <= 0).any():
            return np.inf, np.zeros_like(theta)
        value, slope = _likelihood(Z, y, member, g, theta)
        return 0.5 * float(precision @ theta**2) - value, precision * theta - slope

    start = np.concatenate([plain.thresholds - plain.estimate @ middle, plain.estimate * unit, [1.0]])
    found = optimize.minimize(lost, start, jac=True, method="BFGS", options={"gtol": 1e-6, "maxiter": 400})
    theta = np.asarray(found.x, dtype=float)
    if abs(theta[-1]) < _NOTHING:
        return SharedFit(plain, 0.0, 0.0)
    for _ in range(4):
        hessian = _hessian(lost, theta)
        step = np.linalg.solve(hessian, lost(theta)[1])
        tried = theta - step
        if not np.isfinite(lost(tried)[0]) or lost(tried)[0] > lost(theta)[0] + 1e-12:
            break
        theta = tried
    turn = np.eye(g + p + 1)
    turn[g : g + p, g : g + p] = np.diag(1 / unit)
    turn[:g, g : g + p] = middle / unit
    covariance = turn @ np.linalg.inv(_hessian(lost, theta)) @ turn.T
    back = turn @ theta
    value = _likelihood(Z, y, member, g, theta)[0]
    fit = OrdinalFit("logit", back[:g], back[g : g + p], covariance[: g + p, : g + p], value, prior > 0)
    return SharedFit(fit, float(abs(theta[-1])), float(np.sqrt(max(covariance[-1, -1], 0.0))))


def _hessian(lost: Callable[[Array], tuple[float, Array]], theta: Array) -> Array:
    """Second derivatives by central differences of the slope."""
    out = np.empty((theta.size, theta.size))
    for j, step in enumerate(_STEP * np.eye(theta.size)):
        out[j] = (lost(theta + step)[1] - lost(theta - step)[1]) / (2 * _STEP)
    return (out + out.T) / 2


def _likelihood(
    Z: Array, y: npt.NDArray[np.intp], member: npt.NDArray[np.intp], g: int, theta: Array
) -> tuple[float, Array]:
    """Log-likelihood and slope in (thresholds, coefficients, sd)."""
    nodes, mass = np.polynomial.hermite_e.hermegauss(_NODES)
    mass = mass / mass.sum()
    p = Z.shape[1]
    shift = (Z @ theta[g : g + p])[:, None] + theta[-1] * nodes
    cuts = np.concatenate([[-np.inf], theta[:g], [np.inf]])
    a, b = cuts[y][:, None] - shift, cuts[y + 1][:, None] - shift
    share, da, db, _, _ = (part.reshape(shift.shape) for part in logit_share(a.ravel(), b.ravel()))
    groups = int(member.max()) + 1
    whole = np.zeros((groups, _NODES))
    np.add.at(whole, member, share)
    each = special.logsumexp(whole, b=mass, axis=1)
    weight = (mass * np.exp(whole - each[:, None]))[member]
    left, right = (weight * da).sum(axis=1), (weight * db).sum(axis=1)
    slope = np.zeros(g + p + 1)
    inner, outer = y > 0, y < g
    np.add.at(slope, y[inner] - 1, left[inner])
    np.add.at(slope, y[outer], right[outer])
    slope[g : g + p] = -Z.T @ (left + right)
    slope[-1] = -float((weight * (da + db) * nodes).sum())
    return float(each.sum()), slope
