"""Predictions of one response as mixtures of t distributions: three named intervals and the chance of a window.

Everything here is on the response's model scale. Given component k, the mean at a point is t with centre
`location`, scale `mean_scale`; one new batch is t with the same centre and scale sqrt(mean_scale² + residual²);
both with `df` degrees of freedom. One component is the ordinary least-squares prediction.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from optimise.statistics.roots import newton_root, rising_chance
from optimise.statistics.student import between, cdf, density, quantile, sd_factor
from optimise.statistics.tolerance import check_share, posterior_confidence, tolerance_factor

Array = npt.NDArray[np.float64]
About = Literal["mean", "batch"]

_TINY = 1e-300
_CHUNK = 64
_ROOT_2PI = np.sqrt(2 * np.pi)


@dataclass(frozen=True, slots=True, eq=False)
class TMixture:
    """A mixture of c components at n points, on the model scale of a response.

    `weights` (c,) add up to 1; `df` (c,) > 0 (infinite: normal); `location` (n, c); `mean_scale` (n, c) is the
    scale of the mean; `residual` (c,) the scale of one batch about its mean, of which `shared` (c,) is what batches
    made together (on one day, in one whole plot) have in common: 0 unless given. Raises ValueError for shapes that do
    not fit, weights that do not add up to 1, or a scale that is negative or not finite.
    """

    weights: Array
    df: Array
    location: Array
    mean_scale: Array
    residual: Array
    shared: Array = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if not np.size(self.shared):
            object.__setattr__(self, "shared", np.zeros(np.size(self.weights)))
        for name in ("weights", "df", "location", "mean_scale", "residual", "shared"):
            values = np.array(getattr(self, name), dtype=float)
            values.setflags(write=False)
            object.__setattr__(self, name, values)
        c = self.weights.size
        if self.location.ndim != 2 or self.location.shape[1] != c or self.mean_scale.shape != self.location.shape:
            raise ValueError("location and mean_scale must both be (points, components)")
        if not self.df.shape == self.residual.shape == self.shared.shape == (c,):
            raise ValueError("weights, df, residual and shared must have one value a component")
        if np.any(self.weights < 0) or abs(self.weights.sum() - 1) > 1e-9 or not np.all(self.df > 0):
            raise ValueError("weights must add up to 1 and degrees of freedom be above 0")
        if not (np.all(np.isfinite(self.location)) and np.all(self.mean_scale >= 0) and np.all(self.residual >= 0)):
            raise ValueError("centres must be finite and scales not negative")

    @classmethod
    def single(
        cls, location: npt.ArrayLike, mean_scale: npt.ArrayLike, residual: float, df: float, shared: float = 0.0
    ) -> TMixture:
        """One t component: least squares at n points, `location` and `mean_scale` (n,)."""
        centre = np.atleast_1d(np.asarray(location, dtype=float))[:, None]
        scale = np.broadcast_to(np.atleast_1d(np.asarray(mean_scale, dtype=float))[:, None], centre.shape)
        return cls(np.ones(1), np.array([df]), centre, scale, np.array([residual]), np.array([shared]))

    @property
    def size(self) -> int:
        """Number of points n."""
        return int(self.location.shape[0])

    @property
    def batch_scale(self) -> Array:
        """Scale of one new batch, sqrt(mean_scale² + residual²), (n, c)."""
        scale: Array = np.hypot(self.mean_scale, self.residual)
        return scale

    def at(self, rows: Any) -> TMixture:
        """The same mixture at some of its points (a slice or an index array)."""
        return TMixture(self.weights, self.df, self.location[rows], self.mean_scale[rows], self.residual, self.shared)

    def mean(self) -> Array:
        """The centres averaged over the components, (n,)."""
        average: Array = self.location @ self.weights
        return average

    def median(self) -> Array:
        """The median of one new batch, (n,)."""
        return self.quantile(0.5)

    def mean_interval(self, level: float = 0.95) -> Array:
        """Confidence: two-sided interval for the mean of all batches at each point, (n, 2)."""
        return self._interval(level, "mean")

    def batch_interval(self, level: float = 0.95) -> Array:
        """Prediction: two-sided interval for one new batch at each point, (n, 2)."""
        return self._interval(level, "batch")

    def tolerance(self, level: float = 0.95, share: float = 0.95) -> Array:
        """Tolerance: interval holding at least `share` of all batches with confidence `level`, two-sided, (n, 2).

        One component: centre ± k times the residual sd with the exact factor (`tolerance_factor`). A mixture: centred
        on the mean's median, as wide as needed for the posterior chance of holding `share` to be `level`, each
        component counted by its weight; with equal components this is the exact factor again.
        """
        if self.weights.size == 1:
            half = self.residual[0] * tolerance_factor(self._relative()[:, 0] ** 2, self.df[0], level, share)
            centre = self.location[:, 0]
        else:
            centre = self.quantile(0.5, "mean")
            half = self._half_width(centre, level, share)
        return np.column_stack([centre - half, centre + half])

    def cdf(self, value: npt.ArrayLike, about: About = "batch") -> Array:
        """Chance that one new batch (or the mean) is at most `value` (a number or (n,)), (n,)."""
        at = np.broadcast_to(np.asarray(value, dtype=float), (self.size,))[:, None]
        chance: Array = cdf(self.df, _standard(at, self.location, self._scale(about))) @ self.weights
        return chance

    def quantile(self, share: float, about: About = "batch") -> Array:
        """The value that one new batch (or the mean) stays below with chance `share`, (n,)."""
        check_share("share", share)
        scale = self._scale(about)
        ends = self.location + scale * quantile(self.df, share)
        if self.weights.size == 1:
            return ends[:, 0].copy()

        goal = float(special.ndtri(share))

        def off(at: Array, rows: npt.NDArray[np.intp]) -> tuple[Array, Array]:
            """On normal scores, where the chance goes nearly straight."""
            wide = scale[rows]
            standard = _standard(at[:, None], self.location[rows], wide)
            score = special.ndtri((cdf(self.df, standard) * self.weights).sum(axis=1))
            steep = ((density(self.df, standard) / np.maximum(wide, _TINY)) * self.weights).sum(axis=1)
            with np.errstate(over="ignore", invalid="ignore"):
                return score - goal, steep * _ROOT_2PI * np.exp(0.5 * score * score)

        return newton_root(off, ends.min(axis=1), ends.max(axis=1), (ends * self.weights).sum(axis=1))

    def chance(self, low: float | None = None, high: float | None = None) -> Array:
        """The chance that one new batch falls within `low` to `high` (None: open), (n,). Accurate in both tails."""
        inside: Array = between(self.df, *self._limits(low, high)) @ self.weights
        return np.clip(inside, 0.0, 1.0)

    def chance_slopes(self, low: float | None = None, high: float | None = None) -> tuple[Array, Array]:
        """Derivatives of `chance` with respect to each `location` and each `batch_scale`, (n, c).

        With T the standard t density and s the batch scale: d/dm = [T(a) - T(b)] / s and d/ds = [a T(a) - b T(b)] / s
        at the standardised limits a and b.
        """
        a, b = self._limits(low, high)
        at_a, at_b = density(self.df, a), density(self.df, b)
        share = self.weights / np.maximum(self.batch_scale, _TINY)
        return share * (at_a - at_b), share * (_times(a, at_a) - _times(b, at_b))

    def draws(self, component: Array, chi: Array, normal: Array) -> tuple[Array, Array]:
        """Means (n, S) and batch sds (n, S) of S parameter draws from common uniform numbers in (0, 1), each (S,).

        `component` picks by weight, `chi` gives the variance (scaled inverse chi-square), `normal` the mean.
        """
        picked, spread, deviate = self.parameters(component, chi, normal)
        means = self.location[:, picked] + self.mean_scale[:, picked] * (spread * deviate)
        return means, np.broadcast_to(self.residual[picked] * spread, means.shape)

    def batch_sd(self, share: float) -> float:
        """The value that the sd of a batch, less what batches made together share, stays below with chance `share`.

        Given a component with the scale s of one batch on df degrees of freedom, df s² / sd² is chi-square. Raises
        ValueError for a share that is none.
        """
        check_share("share", share)
        own = np.sqrt(np.maximum(self.residual**2 - self.shared**2, 0.0))
        ends = own * sd_factor(self.df, share)
        if np.ptp(ends) <= 1e-12 * ends.max():
            return float(ends[0])

        def below(at: Array, _: npt.NDArray[np.intp]) -> Array:
            return np.array([special.chdtrc(self.df, self.df * (own / x) ** 2) @ self.weights for x in at])

        return float(rising_chance(below, np.array([self.weights @ ends]), share)[0])

    def parameters(self, component: Array, chi: Array, normal: Array) -> tuple[npt.NDArray[np.intp], Array, Array]:
        """What `draws` draws at any point: the component, the factor of its scales, the normal deviate; each (S,)."""
        picked = np.minimum(np.searchsorted(np.cumsum(self.weights), component), self.weights.size - 1)
        return picked, sd_factor(self.df[picked], 1 - chi), np.asarray(special.ndtri(normal), dtype=float)

    def _relative(self) -> Array:
        ratio: Array = self.mean_scale / np.maximum(self.residual, _TINY)
        return np.minimum(ratio, 1e6)

    def _scale(self, about: About) -> Array:
        return self.mean_scale if about == "mean" else self.batch_scale

    def _limits(self, low: float | None, high: float | None) -> tuple[Array, Array]:
        scale = self.batch_scale
        a = _standard(-np.inf if low is None else low, self.location, scale)
        return a, _standard(np.inf if high is None else high, self.location, scale)

    def _interval(self, level: float, about: About) -> Array:
        check_share("level", level)
        tail = (1 - level) / 2
        return np.column_stack([self.quantile(tail, about), self.quantile(1 - tail, about)])

    def _half_width(self, centre: Array, level: float, share: float) -> Array:
        residual = np.maximum(self.residual, _TINY)
        shift = np.abs(self.location - centre[:, None]) / residual
        relative = np.maximum(self._relative(), 1e-6)

        def confidence(chunk: npt.NDArray[np.intp], half: Array, which: npt.NDArray[np.intp]) -> Array:
            rows = chunk[which]
            held = posterior_confidence(half[:, None] / residual, shift[rows], relative[rows], self.df, share)
            return np.asarray(held @ self.weights, dtype=float)

        # Where the centre has no bias: Howe (1969, J. Amer. Statist. Assoc. 64, 610-620, from memory).
        near = special.ndtri((1 + share) / 2) * sd_factor(self.df, level)
        half = np.empty(self.size)
        for start in range(0, self.size, _CHUNK):
            rows = np.arange(start, min(start + _CHUNK, self.size))
            guess = ((near * np.hypot(1.0, relative[rows]) + shift[rows]) * residual) @ self.weights
            half[rows] = rising_chance(partial(confidence, rows), guess, level)
        return half


def _standard(at: float | Array, location: Array, scale: Array) -> Array:
    with np.errstate(over="ignore"):
        standard: Array = (at - location) / np.maximum(scale, _TINY)
    return standard


def _times(a: Array, at: Array) -> Array:
    """Product of a and a density, with infinity times 0 taken as 0."""
    return np.where(np.isfinite(a), a, 0.0) * at
