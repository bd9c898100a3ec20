"""The t law as proofs need it: quick values, and its exact range over intervals."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Array = npt.NDArray[np.float64]

_FAR, _PARTS = 16.0, 256


@lru_cache(maxsize=64)
def _table(df: float) -> tuple[Array, Array]:
    """The distribution function and its slope times the grid's step, at steps of 1/`_PARTS` from -`_FAR`."""
    grid = np.arange(int(2 * _FAR * _PARTS) + 2) / _PARTS - _FAR
    values = np.asarray(special.stdtr(df, grid) if np.isfinite(df) else special.ndtr(grid), dtype=float)
    slopes = density(df, grid) / _PARTS
    for kept in (values, slopes):
        kept.setflags(write=False)
    return values, slopes


def cdf(df: float, x: Array) -> Array:
    """The distribution function, within 1e-11: cubic pieces between tabled values and slopes.

    The error of a cubic Hermite piece of width h is at most h⁴/384 times the fourth derivative, here below 1e-11.
    """
    values, slopes = _table(df)
    at = (np.clip(x, -_FAR, _FAR) + _FAR) * _PARTS
    left = at.astype(np.intp)
    s = at - left
    y0, y1, k0, k1 = values[left], values[left + 1], slopes[left], slopes[left + 1]
    rise = y1 - y0
    found: Array = y0 + s * (k0 + s * (3 * rise - 2 * k0 - k1 + s * (k0 + k1 - 2 * rise)))
    far = np.abs(x) > _FAR
    if far.any():
        beyond = x[far]
        found[far] = special.stdtr(df, beyond) if np.isfinite(df) else special.ndtr(beyond)
    return found


def density(df: float, x: Array) -> Array:
    """The density."""
    bounded = np.clip(x, -1e100, 1e100)
    if not np.isfinite(df):
        return np.asarray(np.exp(-0.5 * np.minimum(bounded**2, 1400.0)) / np.sqrt(2 * np.pi), dtype=float)
    constant = special.gammaln((df + 1) / 2) - special.gammaln(df / 2) - 0.5 * np.log(df * np.pi)
    return np.asarray(np.exp(constant - (df + 1) / 2 * np.log1p(bounded**2 / df)), dtype=float)


def density_slope(df: float, x: Array) -> Array:
    """The derivative of the density."""
    pull = (df + 1) * x / (df + x * x) if np.isfinite(df) else x
    return np.asarray(-pull * density(df, x), dtype=float)


def density_range(df: float, low: Array, high: Array) -> tuple[Array, Array]:
    """Least and greatest density over intervals: it falls from 0 to both sides."""
    a, b = density(df, low), density(df, high)
    top = float(density(df, np.zeros(1))[0])
    return np.minimum(a, b), np.where((low <= 0) & (high >= 0), top, np.maximum(a, b))


def density_slope_range(df: float, low: Array, high: Array) -> tuple[Array, Array]:
    """Least and greatest slope of the density over intervals: it turns only at -c and c, c² = df / (df + 2)."""
    turn = np.sqrt(df / (df + 2)) if np.isfinite(df) else 1.0
    a, b = density_slope(df, low), density_slope(df, high)
    steepest = float(density_slope(df, np.array([-turn]))[0])
    least = np.where((low <= turn) & (high >= turn), -steepest, np.minimum(a, b))
    return least, np.where((low <= -turn) & (high >= -turn), steepest, np.maximum(a, b))


def log_bend(df: float, x: Array) -> Array:
    """The second derivative of the log of the distribution function."""
    ratio = density(df, x) / np.maximum(_exact(df, x), 1e-300)
    pull = (df + 1) * x / (df + x * x) if np.isfinite(df) else x
    return np.asarray(-ratio * (pull + ratio), dtype=float)


def log_bend_most(df: float, low: Array, high: Array) -> Array:
    """Its greatest value over intervals: it rises to one place far out, falls to another, and rises to nothing.

    For the normal law it only rises.
    """
    found = np.maximum(log_bend(df, low), log_bend(df, high))
    if not np.isfinite(df):
        return found
    place, value = _highest_bend(df)
    return np.where((low <= place) & (high >= place), np.maximum(found, value), found)


@lru_cache(maxsize=64)
def _highest_bend(df: float) -> tuple[float, float]:
    """Where the log of the distribution function bends up most, and how much."""
    grid = -np.geomspace(1e-2, 1e4, 2000)
    at = int(log_bend(df, grid).argmax())
    span = grid[min(at + 1, 1999)], grid[max(at - 1, 0)]
    found = optimize.minimize_scalar(lambda x: -float(log_bend(df, np.array([x]))[0]), bounds=span, method="bounded")
    return float(found.x), float(-found.fun) * (1 + 1e-6)


def _exact(df: float, x: Array) -> Array:
    return np.asarray(special.stdtr(df, x) if np.isfinite(df) else special.ndtr(x), dtype=float)
