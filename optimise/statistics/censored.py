"""Readings that are only bounds: the likelihood of a linear model with normal errors, each value known to lie between.

A reading beyond what the method can read says that the value lies above (or below) it, and no more. Putting the limit
in its place bends every slope towards nothing; leaving it out bends them too. In the coefficients over sd, and 1 over
sd, the log-likelihood is concave (Olsen 1978, Econometrica 46, 1211-1215, for bounds on one side; Burridge 1981, J. R.
Statist. Soc. B 43, 41-45, for intervals), so that Newton's method finds the one maximum.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]

_MOST_STEPS = 200  # of Newton's method
_ROOT = 0.5 * log(2 * pi)


@dataclass(frozen=True, slots=True, eq=False)
class CensoredFit:
    """Maximum likelihood: `estimate` (p,), `sd`, `covariance` (p + 1, p + 1) of the coefficients and log sd (inverse
    of the observed information), `log_likelihood`, and how many values were `exact`.
    """

    estimate: Array
    sd: float
    covariance: Array
    log_likelihood: float
    exact: int


def censored_fit(X: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike) -> CensoredFit:
    """Fit values between `lower` and `upper` (n,) by the columns of X (n, p).

    Equal ends are a value; -inf below or inf above is a bound on one side. Raises ValueError when the columns depend
    on each other, an interval is upside down or endless, or the likelihood has no maximum: fewer values than needed,
    or bounds that some combination of columns meets without an error.
    """
    rows, low, high = (np.asarray(v, dtype=float) for v in (X, lower, upper))
    if (low > high).any() or (np.isinf(low) & np.isinf(high)).any():
        raise ValueError("every value must lie between a lower and an upper end, one of them finite")
    size = np.linalg.norm(rows, axis=0)
    if (size == 0).any() or np.linalg.matrix_rank(rows / np.where(size > 0, size, 1.0)) < rows.shape[1]:
        raise ValueError("the columns depend on each other")
    known = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)]])
    middle, unit = float(known.mean()), float(known.std()) or 1.0
    # In units of the spread, from its middle where the columns hold a constant; the answer does not depend on it.
    shift = np.linalg.lstsq(rows, np.ones(len(rows)), rcond=None)[0]
    if np.abs(rows @ shift - 1).max() > 1e-9:
        shift, middle = np.zeros(rows.shape[1]), 0.0
    Q, R = np.linalg.qr(rows)
    Q *= np.sqrt(len(rows))
    R /= np.sqrt(len(rows))
    gamma, h, hessian, value = _newton(Q, (low - middle) / unit, (high - middle) / unit)
    p = len(gamma)
    sd = 1 / h
    # b = gamma / h and log sd = -log h.
    turn = np.zeros((p + 1, p + 1))
    turn[:p, :p] = np.eye(p) / h
    turn[:p, p] = -gamma / h**2
    turn[p, p] = -1 / h
    covariance = turn @ np.linalg.inv(-hessian) @ turn.T
    back = np.zeros((p + 1, p + 1))
    back[:p, :p] = np.linalg.inv(R) * unit
    back[p, p] = 1.0
    exact = int((low == high).sum())
    return CensoredFit(
        estimate=back[:p, :p] @ (gamma / h) + middle * shift,
        sd=sd * unit,
        covariance=back @ covariance @ back.T,
        log_likelihood=value - exact * log(unit),
        exact=exact,
    )


def _newton(Q: Array, low: Array, high: Array) -> tuple[Array, float, Array, float]:
    """The maximum over (gamma, h): gamma (p,), h, the Hessian there and the log-likelihood."""
    p = Q.shape[1]
    guess = np.where(np.isfinite(low) & np.isfinite(high), (low + high) / 2, np.where(np.isfinite(low), low, high))
    b = np.linalg.lstsq(Q, guess, rcond=None)[0]
    h = 1 / max(float(np.sqrt(np.mean((guess - Q @ b) ** 2))), 0.05)
    theta = np.append(b * h, h)
    value, slope, hessian = _likelihood(Q, low, high, theta)
    for _ in range(_MOST_STEPS):
        try:
            step = np.linalg.solve(-hessian, slope)
        except np.linalg.LinAlgError:
            raise ValueError("the likelihood has no single maximum") from None
        if float(slope @ step) < 1e-18 * max(1.0, abs(value)):
            break
        for halving in range(60):
            tried = theta + step / 2**halving
            if tried[p] > 0:
                new = _likelihood(Q, low, high, tried)
                if new[0] >= value - 1e-14 * abs(value):
                    theta, (value, slope, hessian) = tried, new
                    break
        else:
            break
        if theta[p] > 1e7 or np.abs(theta).max() > 1e9:
            raise ValueError("the bounds can be met without an error: no sd can be had")
    if np.linalg.eigvalsh(-hessian)[0] <= 1e-9 * np.abs(np.diag(hessian)).max():
        raise ValueError("the likelihood has no single maximum: too few values, or bounds that leave a slope open")
    return theta[:p], float(theta[p]), hessian, value


def _likelihood(Q: Array, low: Array, high: Array, theta: Array) -> tuple[float, Array, Array]:
    """Log-likelihood, slope and Hessian in (gamma, h)."""
    p = Q.shape[1]
    h = float(theta[p])
    eta = Q @ theta[:p]
    value, slope, hessian = 0.0, np.zeros(p + 1), np.zeros((p + 1, p + 1))
    exact = low == high
    if exact.any():
        y, rows = low[exact], Q[exact]
        z = h * y - eta[exact]
        ways = np.column_stack([-rows, y])
        value += float(len(y) * (np.log(h) - _ROOT) - 0.5 * z @ z)
        slope -= ways.T @ z
        slope[p] += len(y) / h
        hessian -= ways.T @ ways
        hessian[p, p] -= len(y) / h**2
    if not exact.all():
        rest = ~exact
        more = _between(Q[rest], low[rest], high[rest], eta[rest], h)
        value, slope, hessian = value + more[0], slope + more[1], hessian + more[2]
    return value, slope, hessian


def _between(rows: Array, low: Array, high: Array, eta: Array, h: float) -> tuple[float, Array, Array]:
    """The same of values known to lie between: log of the normal law's share of each interval."""
    with np.errstate(invalid="ignore"):
        a, b = h * low - eta, h * high - eta
    share, da, db = log_share(a, b)
    fa, fb = np.where(np.isfinite(low), low, 0.0), np.where(np.isfinite(high), high, 0.0)
    a, b = np.where(np.isfinite(a), a, 0.0), np.where(np.isfinite(b), b, 0.0)
    left, right = np.column_stack([-rows, fa]), np.column_stack([-rows, fb])
    slope = left.T @ da + right.T @ db
    # d2/da2 = -a da - da^2, d2/db2 = -b db - db^2, d2/da db = -da db
    cross = left.T @ ((da * db)[:, None] * right)
    hessian = left.T @ ((-a * da - da**2)[:, None] * left) + right.T @ ((-b * db - db**2)[:, None] * right)
    return float(share.sum()), slope, hessian - cross - cross.T


def log_share(a: Array, b: Array) -> tuple[Array, Array, Array]:
    """log(Phi(b) - Phi(a)) for a < b, each (n,), and its slopes in a and b; far tails keep their digits."""
    flip = a > 0
    lo, hi = np.where(flip, -b, a), np.where(flip, -a, b)
    top = special.log_ndtr(hi)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.where(np.isneginf(lo), -np.inf, special.log_ndtr(lo) - top)
        share = top + np.log(-np.expm1(gap))
        da = np.where(np.isfinite(a), -np.exp(-0.5 * a**2 - _ROOT - share), 0.0)
        db = np.where(np.isfinite(b), np.exp(-0.5 * b**2 - _ROOT - share), 0.0)
    return share, da, db
