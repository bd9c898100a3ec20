"""The t law as proofs need it: quick values, and its exact range over intervals."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from optimise.statistics.student import density as student_density
from optimise.statistics.student import quick_cdf

Array = npt.NDArray[np.float64]

_FAR = 16.0  # to where the touching places are tabled; beyond, the tangent is taken from far off
_STEPS, _SHARES = 16, 8  # of the table: rows to a unit of z, and shares of shrinking


def cdf(df: float, x: Array) -> Array:
    """The distribution function of t with `df` degrees of freedom, 1 or more, at x of any shape, within 1e-13."""
    return quick_cdf(df, x)


def density(df: float, x: Array) -> Array:
    """The density of t with `df` degrees of freedom at x of any shape."""
    return student_density(np.array([df], dtype=float), np.clip(x, -1e100, 1e100))


def density_slope(df: float, x: Array) -> Array:
    """The derivative of the density by x, of the shape of x."""
    pull = (df + 1) * x / (df + x * x) if np.isfinite(df) else x
    return np.asarray(-pull * density(df, x), dtype=float)


def density_slope_range(df: float, low: Array, high: Array) -> tuple[Array, Array]:
    """Least and greatest slope of the density over intervals, (n,): it turns at -c and c only, c² = df / (df + 2)."""
    turn = np.sqrt(df / (df + 2)) if np.isfinite(df) else 1.0
    a, b = density_slope(df, low), density_slope(df, high)
    steepest = float(density_slope(df, np.array([-turn]))[0])
    least = np.where((low <= turn) & (high >= turn), -steepest, np.minimum(a, b))
    return least, np.where((low <= -turn) & (high >= -turn), steepest, np.maximum(a, b))


def line_above(df: float, low: Array, high: Array, at: Array, shrink: Array) -> tuple[Array, Array]:
    """Value and rise at `at` of a line that is nowhere below a function from `low` to `high`, all of one shape.

    The function is the distribution function at z where z >= 0, and at `shrink` z, a share in 0..1 of it, where z < 0.
    The line is the tangent at `at` where that is so; else the tangent that meets the function at the lower end, or,
    where the function is bent up all the way, the line between the ends.
    """
    touch = at.copy()
    below = np.flatnonzero((low < 0).ravel())
    some = low.ravel()[below], shrink.ravel()[below]
    touch.ravel()[below] = np.maximum(at.ravel()[below], _touching(df, *some))
    touch = np.maximum(touch, 0.0)
    value, rise = cdf(df, touch), density(df, touch)
    value += rise * (at - touch)
    up = np.flatnonzero((high <= 0).ravel())
    if len(up):
        a, b, place, share = (part.ravel()[up] for part in (low, high, at, shrink))
        last = cdf(df, share * b)
        slope = np.maximum(last - cdf(df, share * a), 0.0) / np.maximum(b - a, 1e-9)
        value.ravel()[up], rise.ravel()[up] = last - slope * (b - place), slope
    return value, rise


@lru_cache(maxsize=64)
def _touches(df: float) -> Array:
    """Where the tangent through the point (-i / 16, T(-(j / 8) i / 16)) touches, rather too far; rows i, columns j."""
    low = -np.arange(int(_FAR * _STEPS) + 1)[:, None] / _STEPS
    below = cdf(df, low * np.arange(_SHARES + 1) / _SHARES)
    near, far = np.zeros_like(below), np.full_like(below, 1e3)
    for _ in range(50):
        middle = 0.5 * (near + far)
        over = cdf(df, middle) - below - density(df, middle) * (middle - low) > 1e-10
        near, far = np.where(over, near, middle), np.where(over, middle, far)
    far.setflags(write=False)
    return far


def _touching(df: float, low: Array, shrink: Array) -> Array:
    """Where the tangent touches that is not below `line_above`'s function from `low` < 0 on; far off where unknown."""
    step = np.ceil(np.minimum(-low, _FAR) * _STEPS).astype(np.intp)
    share = np.floor(np.clip(shrink, 0.0, 1.0) * _SHARES).astype(np.intp)
    return np.where(low < -_FAR, 1e6, _touches(df)[step, share])
