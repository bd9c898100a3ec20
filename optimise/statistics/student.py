"""The t law: its distribution function (for many values quickly), density, quantiles, and the law of an estimated sd.

Quick values come from polynomials on short cells, through exact values at Chebyshev points. For degree n on a cell of
width h they are off by at most (h/4)^(n+1) 2 / (n+1)! times the (n+1)th derivative: below 1e-13 from one degree of
freedom on, and below 1e-14 from two on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]

_FAR = 16.0
_SMALL = -6.0  # below, a chance is too small to keep its digits
_CELLS = 32  # a unit
_DEGREE = 5  # of the polynomials of the table
_MANY = 128  # values from which the table is quicker


def cdf(df: Array, x: Array) -> Array:
    """The chance that t stays below x (..., c) with `df` (c,) degrees of freedom (infinite: normal), of x's shape.

    To a relative 1e-10, however small.
    """
    known = _laws(df.tobytes(), df.shape)
    if known.single and x.size >= _MANY:
        found = quick_cdf(known.single, x)
        small = x < _SMALL
        if small.any():
            found[small] = special.stdtr(known.single, x[small])
        return found
    if known.finite.all():
        return np.asarray(special.stdtr(df, x), dtype=float)
    return np.where(np.isfinite(df), special.stdtr(np.where(np.isfinite(df), df, 1.0), x), special.ndtr(x))


def density(df: Array, x: Array) -> Array:
    """The density of t at x (..., c), of x's shape."""
    known = _laws(df.tobytes(), df.shape)
    with np.errstate(over="ignore"):
        square = x * x
        found = np.exp(known.constant - known.power * np.log1p(square / known.nu))
    if known.finite.all():
        return np.asarray(found, dtype=float)
    return np.where(known.finite, found, np.exp(-0.5 * square) / np.sqrt(2 * np.pi))


def density_and_slope(df: Array, x: Array) -> tuple[Array, Array]:
    """The density of t at finite x (..., c), and its derivative by x, each of x's shape."""
    known = _laws(df.tobytes(), df.shape)
    with np.errstate(over="ignore"):
        square = x * x
    found = np.exp(known.constant - known.power * np.log1p(square / known.nu))
    fall = x / (known.nu + square)
    fall *= -2 * known.power
    if not known.finite.all():
        found = np.where(known.finite, found, np.exp(-0.5 * square) / np.sqrt(2 * np.pi))
        fall = np.where(known.finite, fall, -x)
    fall *= found
    return found, fall


@dataclass(frozen=True, slots=True, eq=False)
class _Laws:
    """What does not change about laws of many degrees of freedom: `single` where they are one finite number from 1 on.

    The density is exp(constant - power log(1 + x²/nu)), where `finite`.
    """

    single: float
    finite: npt.NDArray[np.bool_]
    nu: Array
    constant: Array
    power: Array


@lru_cache(maxsize=64)
def _laws(df: bytes, shape: tuple[int, ...]) -> _Laws:
    given = np.frombuffer(df).reshape(shape)
    finite = np.isfinite(given)
    nu = np.where(finite, given, 1.0)
    constant = special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2) - 0.5 * np.log(nu * np.pi)
    single = float(given.flat[0]) if given.size and 1 <= given.min() == given.max() < np.inf else 0.0
    return _Laws(single, finite, nu, constant, (nu + 1) / 2)


def between(df: Array, a: Array, b: Array) -> Array:
    """P(a < t < b) for a, b (..., c) and `df` (c,), taken in the tail where it loses no digits."""
    flip = a > 0
    found = cdf(df, np.stack([np.where(flip, -a, b), np.where(flip, -b, a)]))
    return np.asarray(found[0] - found[1], dtype=float)


def quantile(df: Array, share: float) -> Array:
    """What t stays below with chance `share`, (c,)."""
    finite = np.isfinite(df)
    student = special.stdtrit(np.where(finite, df, 1.0), share)
    return np.asarray(np.where(finite, student, special.ndtri(share)), dtype=float)


def sd_factor(df: Array, tail: float | Array) -> Array:
    """The sd in truth over its estimate where chi-square stands at the share `tail` from above: sqrt(df / chi-square).

    1 for infinite degrees of freedom, as the sd is then known. Of the shape that `df` and `tail` broadcast to.
    """
    finite = np.isfinite(df)
    some = np.where(finite, df, 1.0)
    factor: Array = np.where(finite, np.sqrt(some / special.chdtri(some, tail)), 1.0)
    return factor


def quick_cdf(df: float, x: Array) -> Array:
    """`cdf` at x of any shape with one number of degrees of freedom, 1 or more, to an absolute 1e-13."""
    flat = x.ravel()
    at = np.clip(flat, -_FAR, _FAR)
    at += _FAR
    at *= _CELLS
    with np.errstate(invalid="ignore"):
        cell = at.astype(np.int32)  # what is no number stays none
    at -= cell
    rows = _cells(df)
    out = np.take(rows[0], cell, mode="clip")
    for row in rows[1:]:
        out *= at
        out += np.take(row, cell, mode="clip")
    far = np.flatnonzero(np.abs(flat) > _FAR)
    if len(far):
        out[far] = _exact(df, flat[far])
    found: Array = out.reshape(x.shape)
    return found


def _exact(df: float, x: Array) -> Array:
    return np.asarray(special.stdtr(df, x) if np.isfinite(df) else special.ndtr(x), dtype=float)


@lru_cache(maxsize=64)
def _cells(df: float) -> tuple[Array, ...]:
    """Coefficients of the cells by powers of the share of a cell that is gone, the highest first, each (cells + 1,)."""
    share = 0.5 - 0.5 * np.cos(np.pi * (np.arange(_DEGREE + 1) + 0.5) / (_DEGREE + 1))
    start = np.arange(int(2 * _FAR * _CELLS) + 1) / _CELLS - _FAR
    known = _exact(df, start[:, None] + share / _CELLS)
    # Of the differences from the first, so that solving loses no digits of small values.
    first = known[:, :1]
    powers = np.linalg.solve(np.vander(share, _DEGREE + 1), (known - first).T)
    powers[-1] += first[:, 0]
    rows = tuple(np.ascontiguousarray(row) for row in powers)
    for row in rows:
        row.setflags(write=False)
    return rows
