"""What a model says about given recipes: a mixture of t laws for the mean and for one new batch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, chndtrix, gamma, ndtri, stdtr, stdtrit

Array = npt.NDArray[np.float64]
About = Literal["mean", "batch"]


@dataclass(frozen=True, slots=True, eq=False)
class TMixture:
    """For n recipes, a mixture of c t laws on the model's scale.

    Component k has `weights[k]`, `df[k]` degrees of freedom, centre `location[i, k]`, `mean_scale[i, k]` for the mean
    and `residual[k]` for the spread of one batch about its mean; one batch has the scale
    sqrt(mean_scale^2 + residual^2).
    """

    weights: Array
    df: Array
    location: Array
    mean_scale: Array
    residual: Array

    @property
    def batch_scale(self) -> Array:
        """Scale of the law of one new batch, (n, c)."""
        scale: Array = np.sqrt(self.mean_scale**2 + self.residual**2)
        return scale

    def _scale(self, about: About) -> Array:
        return self.mean_scale if about == "mean" else self.batch_scale

    def cdf(self, value: npt.ArrayLike, about: About = "batch") -> Array:
        """Probability of at most `value` (scalar or (n,)), (n,)."""
        at = np.broadcast_to(np.asarray(value, dtype=float), (len(self.location),))[:, None]
        z = _ratio(at - self.location, self._scale(about))
        out: Array = stdtr(self.df, z) @ self.weights
        return out

    def quantile(self, p: float, about: About = "batch") -> Array:
        """The p-quantile, (n,): closed form for one component, bisection to the last digit for more."""
        scale = self._scale(about)
        each = self.location + scale * stdtrit(self.df, p)
        if len(self.weights) == 1:
            return np.asarray(each[:, 0], dtype=float)
        low, high = each.min(axis=1), each.max(axis=1)
        for _ in range(60):
            middle = (low + high) / 2
            below = self.cdf(middle, about) < p
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return (low + high) / 2

    def median(self) -> Array:
        """The median of one new batch, (n,)."""
        return self.quantile(0.5)

    def mean_interval(self, level: float = 0.95) -> Array:
        """Confidence interval for the mean (the median on a back-transformed scale), (n, 2)."""
        return self._interval(level, "mean")

    def batch_interval(self, level: float = 0.95) -> Array:
        """Prediction interval for one new batch, (n, 2)."""
        return self._interval(level, "batch")

    def _interval(self, level: float, about: About) -> Array:
        tail = (1 - level) / 2
        return np.column_stack([self.quantile(tail, about), self.quantile(1 - tail, about)])

    def tolerance(self, level: float = 0.95, share: float = 0.95) -> Array:
        """Two-sided tolerance interval that holds `share` of all batches with confidence `level`, (n, 2).

        Exact for one component. A mixture is first replaced by the one t law with its mean, its mean residual
        variance and degrees of freedom, and the spread of its centres added to the variance of the mean.
        """
        centre = self.location @ self.weights
        residual = np.sqrt(self.residual**2 @ self.weights)
        spread = (self.location - centre[:, None]) ** 2
        variance = (self.mean_scale**2 + spread) @ self.weights
        df = float(self.df @ self.weights)
        if residual == 0:
            return np.column_stack([centre, centre])
        half = residual * np.array([tolerance_factor(df, float(h), level, share) for h in variance / residual**2])
        return np.column_stack([centre - half, centre + half])

    def chance(self, low: float | None, high: float | None) -> Array:
        """Chance that one new batch lies within low..high (None: no limit on that side), (n,)."""
        scale = self.batch_scale
        lower = np.full_like(self.location, -np.inf) if low is None else _ratio(low - self.location, scale)
        upper = np.full_like(self.location, np.inf) if high is None else _ratio(high - self.location, scale)
        out: Array = np.clip(_between(lower, upper, self.df) @ self.weights, 0.0, 1.0)
        return out

    def chance_slopes(self, low: float | None, high: float | None) -> tuple[Array, Array]:
        """Derivatives of `chance` by each component's location and batch scale, each (n, c)."""
        scale = self.batch_scale
        by_location, by_scale = np.zeros_like(self.location), np.zeros_like(self.location)
        for limit, sign in ((low, -1.0), (high, 1.0)):
            if limit is None:
                continue
            z = (limit - self.location) / scale
            density = t_density(z, self.df) * self.weights / scale
            by_location -= sign * density
            by_scale -= sign * density * z
        return by_location, by_scale


def _ratio(difference: Array, scale: Array) -> Array:
    """The difference over the scale; a scale of zero sends it to plus or minus infinity, or to zero at no difference."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = difference / scale
    out: Array = np.where(np.isnan(z), 0.0, z)
    return out


def _between(lower: Array, upper: Array, df: Array) -> Array:
    """T(upper) - T(lower), taken in the nearer tail so that small chances keep their digits."""
    flip = lower > 0
    a = np.where(flip, -upper, lower)
    b = np.where(flip, -lower, upper)
    out: Array = stdtr(df, b) - stdtr(df, a)
    return out


def t_density(z: Array, df: Array) -> Array:
    """Density of Student's t with `df` degrees of freedom."""
    norm = gamma((df + 1) / 2) / (np.sqrt(df * np.pi) * gamma(df / 2)) if np.all(df < 300) else _large_norm(df)
    out: Array = norm * (1 + z * z / df) ** (-(df + 1) / 2)
    return out


def _large_norm(df: Array) -> Array:
    from_gamma = gamma((np.minimum(df, 299.0) + 1) / 2) / gamma(np.minimum(df, 299.0) / 2)
    # Ratio of gammas for large df: sqrt(df/2) (1 - 1/(4 df) + 1/(32 df^2)), Abramowitz & Stegun 6.1.47, from memory.
    series = np.sqrt(df / 2) * (1 - 1 / (4 * df) + 1 / (32 * df**2))
    ratio: Array = np.where(df < 299, from_gamma, series)
    return ratio / np.sqrt(df * np.pi)


_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(80)


def tolerance_factor(df: float, h: float, level: float = 0.95, share: float = 0.95) -> float:
    """Exact two-sided tolerance factor k: estimate +- k s holds `share` of a normal law with confidence `level`.

    The estimate has variance h sigma^2, s has `df` degrees of freedom. k solves
    E_z[P(chi2_df >= df r(z)^2 / k^2)] = level with z ~ N(0, h) and Phi(z + r) - Phi(z - r) = share
    (Odeh & Owen 1980, Tables for normal tolerance limits; from memory). r(z)^2 is the `share` quantile of the
    noncentral chi-square law with 1 degree of freedom and noncentrality z^2.
    """
    # Nodes cover eight sd of z; beyond lies less than 1e-14 of its law.
    x = 8.0 * _NODES
    density = np.exp(-(x**2) / 2) * _NODE_WEIGHTS
    density /= density.sum()
    r2 = chndtrix(share, 1.0, np.maximum(h, 1e-300) * x**2)

    def confidence(k: float) -> float:
        return float(density @ chdtrc(df, df * r2 / k**2))

    low, high = float(ndtri((1 + share) / 2)) * 0.5, 10.0
    while confidence(high) < level:
        high *= 2
        if high > 1e12:
            return float("inf")
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if confidence(middle) < level else (low, middle)
    return (low + high) / 2
