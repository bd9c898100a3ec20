"""Scores in grades: a cumulative link model, which knows that grades have an order and nothing of their distances.

P(grade <= j) = F(threshold_j - x'b) with F the logistic or the normal law (McCullagh 1980, J. R. Statist. Soc. B 42,
109-142); its log-likelihood is concave (Pratt 1981, J. Am. Statist. Assoc. 76, 103-106), so that Newton's method finds
the one maximum. Separated data, where it has none, are held by a weak normal prior on the coefficients, which is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from optimise.statistics.censored import log_share

Array = npt.NDArray[np.float64]
Link = Literal["logit", "probit"]

_MOST_STEPS = 200  # of Newton's method


@dataclass(frozen=True, slots=True, eq=False)
class OrdinalFit:
    """`thresholds` (g - 1,), `estimate` (p,), `covariance` (g - 1 + p,) squared, thresholds first (inverse observed
    information), `log_likelihood` without any prior, and whether the prior was `held`.
    """

    link: Link
    thresholds: Array
    estimate: Array
    covariance: Array
    log_likelihood: float
    held: bool

    def chances(self, X: npt.ArrayLike) -> Array:
        """The chance of each grade at rows X (n, p): (n, g)."""
        eta = np.asarray(X, dtype=float) @ self.estimate
        cut = self.thresholds[None, :] - eta[:, None]
        below = special.expit(cut) if self.link == "logit" else special.ndtr(cut)
        return np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)


def ordinal_fit(
    X: npt.ArrayLike, grade: npt.ArrayLike, grades: int, link: Link = "logit", weights: npt.ArrayLike | None = None,
    prior: float = 0.0,
) -> OrdinalFit:  # fmt: skip
    """Fit grades 0 .. grades - 1 (n,) by the columns of X (n, p), which hold no constant; `weights` are counts.

    `prior` is the precision of a normal prior about 0 on each coefficient. Raises ValueError where a grade never
    occurs, columns depend on each other or on a constant, or the likelihood has no maximum (then give a prior).
    """
    rows, y = np.asarray(X, dtype=float), np.asarray(grade, dtype=np.intp)
    w = np.ones(len(y)) if weights is None else np.asarray(weights, dtype=float)
    counts = np.bincount(y, weights=w, minlength=grades)
    if (counts <= 0).any():
        raise ValueError("a grade never occurs: join it to the next one")
    whole = np.column_stack([np.ones(len(rows)), rows])
    size = np.linalg.norm(whole, axis=0)
    if (size == 0).any() or np.linalg.matrix_rank(whole / np.where(size > 0, size, 1.0)) < whole.shape[1]:
        raise ValueError("the columns depend on each other or on a constant")
    share = np.cumsum(counts)[:-1] / counts.sum()
    start = special.logit(share) if link == "logit" else stats.norm.ppf(share)
    p, g = rows.shape[1], grades - 1
    middle, unit = rows.mean(axis=0), rows.std(axis=0)
    Z = (rows - middle) / unit
    theta = np.concatenate([start, np.zeros(p)])
    precision = np.concatenate([np.zeros(g), np.full(p, prior) / unit**2])
    theta, value, hessian = _newton(Z, y, w, g, link, theta, precision)
    # Back from centred and scaled columns: b = c / unit, threshold = t + middle'b.
    turn = np.eye(g + p)
    turn[g:, g:] = np.diag(1 / unit)
    turn[:g, g:] = middle / unit
    back = turn @ theta
    return OrdinalFit(
        link=link,
        thresholds=back[:g],
        estimate=back[g:],
        covariance=turn @ np.linalg.inv(-hessian) @ turn.T,
        log_likelihood=value,
        held=prior > 0,
    )


def _newton(
    Z: Array, y: npt.NDArray[np.intp], w: Array, g: int, link: Link, theta: Array, precision: Array
) -> tuple[Array, float, Array]:
    """The maximum of the penalised log-likelihood; the log-likelihood itself and the penalised Hessian there."""

    def at(point: Array) -> tuple[float, float, Array, Array]:
        value, slope, hessian = _likelihood(Z, y, w, g, link, point)
        penalty = 0.5 * float(precision @ point**2)
        return value - penalty, value, slope - precision * point, hessian - np.diag(precision)

    aim, value, slope, hessian = at(theta)
    for _ in range(_MOST_STEPS):
        if np.abs(theta).max() > 40 * (1 if link == "probit" else 2):
            raise ValueError("some combination of columns parts the grades: the likelihood has no maximum")
        step = np.linalg.solve(-hessian, slope)
        if float(slope @ step) < 1e-20 * max(1.0, abs(aim)):
            break
        for halving in range(60):
            tried = theta + step / 2**halving
            if (np.diff(tried[:g]) > 0).all():
                new = at(tried)
                if new[0] >= aim - 1e-14 * abs(aim):
                    theta, (aim, value, slope, hessian) = tried, new
                    break
        else:
            break
    values = np.linalg.eigvalsh(-hessian)
    # Where the grades are parted all information fades together, so it is held against the number of values.
    if values[0] <= 1e-7 * w.sum():
        raise ValueError("some combination of columns parts the grades: the likelihood has no maximum")
    return theta, value, hessian


def _likelihood(
    Z: Array, y: npt.NDArray[np.intp], w: Array, g: int, link: Link, theta: Array
) -> tuple[float, Array, Array]:
    """Log-likelihood, slope and Hessian in (thresholds, coefficients)."""
    n, p = Z.shape
    eta = Z @ theta[g:]
    cuts = np.concatenate([[-np.inf], theta[:g], [np.inf]])
    a, b = cuts[y] - eta, cuts[y + 1] - eta
    share, da, db, aa, bb = logit_share(a, b) if link == "logit" else _probit_share(a, b)
    left, right = np.zeros((n, g + p)), np.zeros((n, g + p))
    inner = y > 0
    left[np.flatnonzero(inner), y[inner] - 1] = 1.0
    outer = y < g
    right[np.flatnonzero(outer), y[outer]] = 1.0
    left[:, g:] = right[:, g:] = -Z
    slope = left.T @ (w * da) + right.T @ (w * db)
    cross = left.T @ ((w * da * db)[:, None] * right)
    hessian = left.T @ ((w * (aa - da**2))[:, None] * left) + right.T @ ((w * (bb - db**2))[:, None] * right)
    return float(w @ share), slope, hessian - cross - cross.T


def _probit_share(a: Array, b: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Log share of (a, b), its slopes, and the parts of its second derivatives that are not their products."""
    share, da, db = log_share(a, b)
    return share, da, db, np.where(np.isfinite(a), -a, 0.0) * da, np.where(np.isfinite(b), -b, 0.0) * db


def logit_share(a: Array, b: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Log share of the logistic law within (a, b), its slopes, and their own parts of its second derivatives."""
    flip = a > 0
    lo, hi = np.where(flip, -b, a), np.where(flip, -a, b)
    top = special.log_expit(hi)
    with np.errstate(invalid="ignore"):
        gap = np.where(np.isneginf(lo), -np.inf, special.log_expit(lo) - top)
    with np.errstate(divide="ignore"):
        share = top + np.log(-np.expm1(gap))

    def density(x: Array) -> Array:
        with np.errstate(invalid="ignore"):
            return np.where(np.isfinite(x), np.exp(special.log_expit(x) + special.log_expit(-x) - share), 0.0)

    da, db = -density(a), density(b)
    return share, da, db, (1 - 2 * special.expit(a)) * da, (1 - 2 * special.expit(b)) * db
