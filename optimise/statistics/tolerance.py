"""Factors of tolerance intervals: how wide an interval must be to hold a share of all batches, with confidence."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import interpolate, special

from optimise.statistics.student import quick_cdf, sd_factor

Array = npt.NDArray[np.float64]

_TINY = 1e-300
_STEPS = 200
_FIRST, _LAST = 1e-3, 3.0
_TAIL = 1e-14
# From so many degrees of freedom on the law of the residual sd is near enough to normal for even nodes.
_NORMAL, _EVEN = 10, 24


def tolerance_factor(h: npt.ArrayLike, df: float, level: float = 0.95, share: float = 0.95) -> Array:
    """Exact two-sided tolerance factor k: estimate ± k s holds `share` of batches with confidence `level`, shape of h.

    The estimate has variance h sigma² and s² has `df` degrees of freedom, independent. k solves
    2 ∫ phi(z) P(chi²_df > df r(sqrt(h) z)²/k²) dz = level over z > 0, with Phi(d + r) - Phi(d - r) = share.
    Source: the exact theory of Wald & Wolfowitz (1946) Ann. Math. Statist. 17, 208-215, in the integral form of
    Odeh (1978) Commun. Statist. B7, 183-201 (both from memory); h in place of 1/n for a fitted point.
    """
    check_share("level", level)
    check_share("share", share)
    spread = np.asarray(h, dtype=float)
    flat = spread.ravel()
    nodes, mass = _half_normal_nodes()
    radius = _radius(np.sqrt(flat)[:, None] * nodes, share)

    def excess(k: Array) -> Array:
        ratio = np.minimum(radius / np.maximum(k, _TINY)[:, None], 1e100)
        above = special.chdtrc(df, df * ratio**2) if np.isfinite(df) else (ratio < 1).astype(float)
        return np.asarray(above @ mass - level, dtype=float)

    high = radius.max(axis=1) * sd_factor(np.array(df), level)
    return increasing_root(excess, np.zeros_like(flat), high).reshape(spread.shape)


def posterior_confidence(ratio: Array, shift: Array, spread: Array, df: Array, share: float) -> Array:
    """Posterior chance that centre ± `ratio` holds `share`, (n, c), for c components of df (c,).

    In units of each component's residual scale: `ratio` the half width, `shift` how far the centre is off that of the
    component's mean, `spread` the scale of the mean, each (n, c). With w = s/sigma, w² ~ chi²_df/df, the mean lies
    within sigma R(ratio w) of the centre, where R inverts r above. R rises like a square root from its threshold;
    w = threshold + t² makes the integrand smooth and even in t, so that even nodes do where it falls off at both ends.
    """
    held = np.empty_like(ratio)
    finite = np.isfinite(df)
    if not finite.all():
        reach = _reach(ratio[:, ~finite], share)
        held[:, ~finite] = _within(reach, shift[:, ~finite], spread[:, ~finite])
    if finite.any():
        held[:, finite] = _averaged(ratio[:, finite], shift[:, finite], spread[:, finite], df[finite], share)
    return held


def _averaged(ratio: Array, shift: Array, spread: Array, df: Array, share: float) -> Array:
    threshold = -special.ndtri((1 - share) / 2) / np.maximum(ratio, _TINY)
    bottom, top = (np.sqrt(special.chdtri(df, tail) / df) for tail in (1 - _TAIL, _TAIL))
    nodes, mass = _even_nodes() if df.min() >= _NORMAL else _unit_nodes()
    first = np.sqrt(np.maximum(bottom - threshold, 0.0))
    length = np.sqrt(np.maximum(top - threshold, 0.0)) - first
    t = length[:, :, None] * nodes
    t += first[:, :, None]
    w = t * t
    w += np.minimum(threshold, top)[:, :, None]
    held = _within(_reach(ratio[:, :, None] * w, share), shift[:, :, None] * w, spread[:, :, None])
    log_density = np.log(2.0) + 0.5 * df * np.log(df / 2) - special.gammaln(df / 2)
    power = (df - 1)[:, None] * np.log(np.maximum(w, _TINY))
    w *= w
    w *= 0.5 * df[:, None]
    power -= w
    power += log_density[:, None]
    held *= np.exp(power, out=power)
    held *= t
    return np.asarray((held @ mass) * (2 * length), dtype=float)


def _within(reach: Array, shift: Array, spread: Array) -> Array:
    """Chance that a normal mean of this spread, off by `shift`, lies within `reach` of the centre."""
    upper, lower = reach - shift, -reach - shift
    upper /= spread
    lower /= spread
    held: Array = quick_cdf(np.inf, upper)
    held -= quick_cdf(np.inf, lower)
    return held


@lru_cache(maxsize=1)
def _half_normal_nodes() -> tuple[Array, Array]:
    nodes, mass = np.polynomial.legendre.leggauss(64)
    z = 4.5 * (nodes + 1)
    return z, 4.5 * mass * 2 * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)


@lru_cache(maxsize=1)
def _unit_nodes() -> tuple[Array, Array]:
    nodes, mass = np.polynomial.legendre.leggauss(40)
    return 0.5 * (nodes + 1), 0.5 * mass


@lru_cache(maxsize=1)
def _even_nodes() -> tuple[Array, Array]:
    return (np.arange(_EVEN) + 0.5) / _EVEN, np.full(_EVEN, 1 / _EVEN)


def _content(distance: Array, half: Array) -> Array:
    """Share of a standard normal within `half` of a centre that is `distance` away."""
    return np.asarray(special.ndtr(half - distance) - special.ndtr(-half - distance), dtype=float)


def _radius(distance: Array, share: float) -> Array:
    """Radius r with Phi(distance + r) - Phi(distance - r) = share, for distance >= 0."""
    flat = distance.ravel()
    one_sided, two_sided = -special.ndtri(1 - share), -special.ndtri((1 - share) / 2)
    low, high = flat + one_sided, flat + two_sided
    return increasing_root(lambda r: _content(flat, r) - share, low, high).reshape(distance.shape)


@lru_cache(maxsize=8)
def _reach_table(share: float) -> tuple[tuple[Array, ...], float, float, float]:
    """Pieces of a spline of R(q)/sqrt(q - q0) against sqrt(q - q0), first knot, distance of knots, and q0.

    R inverts `_radius`; exact at the knots, which stand evenly. The pieces are cubics in the distance from their knot,
    highest power first.
    """
    start = -special.ndtri((1 - share) / 2)
    root = np.linspace(_FIRST, _LAST, 600)
    q = start + root**2
    distance = increasing_root(lambda d: share - _content(d, q), np.zeros_like(q), q)
    pieces = np.asarray(interpolate.CubicSpline(root, distance / root).c, dtype=float)
    return tuple(np.ascontiguousarray(row) for row in pieces), _FIRST, (_LAST - _FIRST) / 599, float(start)


def _reach(q: Array, share: float) -> Array:
    """Largest distance of the mean at which ± q still holds `share`; 0 where none does."""
    (a, b, c, d), first, step, start = _reach_table(share)
    root = np.sqrt(np.maximum(q - start, 0.0))
    at = np.clip(root, first, _LAST)
    at -= first
    piece = np.minimum(at / step, len(a) - 1).astype(np.int32)
    at -= piece * step
    near = np.take(a, piece)
    for row in (b, c, d):
        near *= at
        near += np.take(row, piece)
    near *= root
    if root.max(initial=0.0) < _LAST:
        return near
    return np.asarray(np.where(root < _LAST, near, q + special.ndtri(1 - share)), dtype=float)


def check_share(name: str, value: float) -> None:
    """Raise ValueError unless `value` lies strictly between 0 and 1."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must lie between 0 and 1, not {value}")


def increasing_root(excess: Callable[[Array], Array], low: Array, high: Array, tol: float = 4e-15) -> Array:
    """Roots (n,) of n increasing functions, each bracketed by low and high (n,): false position, halving when slow.

    `tol` is the width of the last bracket relative to the size of its first ends.
    """
    a, b = np.array(low, dtype=float), np.array(high, dtype=float)
    at_a, at_b = excess(a), excess(b)
    a, b = np.where(at_b < 0, b, a), np.where(at_a > 0, a, b)
    x = b.copy()
    width = np.maximum(np.abs(a) + np.abs(b), 1e-12)
    for step in range(_STEPS):
        gap = b - a
        if np.all(gap <= tol * width):
            break
        slope = at_b - at_a
        secant = b - at_b * gap / np.where(slope > 0, slope, 1.0)
        middle = 0.5 * (a + b)
        x = np.where((step % 3 == 2) | ~(slope > 0) | (secant <= a) | (secant >= b), middle, secant)
        value = excess(x)
        up = value >= 0
        # Illinois: halve the value kept at the end that stays, so that both ends close in.
        at_a = np.where(up, 0.5 * at_a, value)
        at_b = np.where(up, value, 0.5 * at_b)
        a, b = np.where(up, a, x), np.where(up, x, b)
        exact = value == 0
        a, b = np.where(exact, x, a), np.where(exact, x, b)
    return np.asarray(0.5 * (a + b), dtype=float)
