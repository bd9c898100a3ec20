"""The averaged posterior expanded near many places at once, with bounded remainders.

A component's mean is a quadratic plus a sum of bells of the distances to the batches, or of curves along some axes
(`clouds`). Its variance is convex in what the mean is made of: `expansion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.predictors import PosteriorPredictor
from optimise.proof.batches import Batches, Near
from optimise.proof.clouds import BEND
from optimise.proof.expansion import Curve, Expansion, Vicinity, bent, filled
from optimise.proof.steepest import Steepest

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SmoothExpander:
    """A posterior over the free coordinates u of a space at one combination, which rests on `batches`.

    `linear`, `square` (c,) are the variances tL² and tQ², `clouds` (2, c) tD² and tC², `which` components have them;
    `flat` (c, d) and `bow` (c, d, d) slope and bend of the mean's polynomial at u = 0; `slope_sd` (c, d) and `bend_sd`
    (c, d, d) posterior sds of those of the polynomial itself; `peak` (c, d, d) is how the clouds' covariance bends at
    its top, `crossed` (m, d + d d) the lines of the batches and their products.
    """

    predictor: PosteriorPredictor
    batches: Batches
    linear: Array
    square: Array
    clouds: Array
    flat: Array
    bow: Array
    slope_sd: Array
    bend_sd: Array
    peak: Array
    crossed: Array
    which: tuple[npt.NDArray[np.intp], ...]
    _kept: dict[str, _Centre] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, predictor: PosteriorPredictor, space: Space, combo: Mapping[str, str]) -> SmoothExpander:
        """The posterior over the free coordinates of `space` at one combination of category levels."""
        d, post, batches = space.dimension, predictor.posterior, Batches.of(predictor, space, combo)
        origin, turn, dots, lines = batches.origin, batches.turn, batches.dots, batches.lines
        linear, square, *clouds = post.points[:, :4].T ** 2
        steep = linear[:, None] + 2 * square[:, None] * dots
        flat = (post.alpha * steep) @ lines
        bow = 2 * square[:, None, None] * np.einsum("ci,ij,ik->cjk", post.alpha, lines, lines)
        gram, along_turn, ways = turn.T @ turn, turn.T @ origin, post.axes @ turn
        diagonal = np.diag(gram)
        prior_slope = linear[:, None] * diagonal + square[:, None] * 2 * (origin @ origin * diagonal + along_turn**2)
        prior_bend = 2 * square[:, None, None] * (np.outer(diagonal, diagonal) + gram**2)
        by_slope = steep[:, :, None] * lines
        by_bend = (2 * square[:, None, None, None] * (lines[:, :, None] * lines[:, None, :])).reshape(
            len(square), len(lines), d * d
        )
        tops = np.stack([gram, ways.T @ ways / len(ways)])
        crossed = np.column_stack([lines, (lines[:, :, None] * lines[:, None, :]).reshape(-1, d * d)])
        return cls(
            predictor, batches, linear, square, np.array(clouds), flat, bow,
            _left(prior_slope, post.P, by_slope),
            _left(prior_bend.reshape(len(square), d * d), post.P, by_bend).reshape(len(square), d, d),
            BEND * np.einsum("kc,kde->cde", clouds, tops), crossed, tuple(np.flatnonzero(one) for one in clouds),
        )  # fmt: skip

    @property
    def cost(self) -> float:
        """The work of one place, beside that of looking at the batches."""
        c, m = self.predictor.posterior.alpha.shape
        return float(0.8 * c * m * (m + 10 * self.batches.turn.shape[1]))

    @property
    def mean_cost(self) -> float:
        """The work of one place for the centre alone, likewise."""
        return 3000.0 + 4 * self.crossed.size

    def at(self, vicinity: Vicinity) -> Expansion:
        """The expansion near some places."""
        near, w = self.batches.near(vicinity), vicinity.w
        post = self.predictor.posterior
        m, m_slope, m_bend, m_third = self._mean(near)
        v, v_slope, v_bend, v_third = self._variance(near)
        size = post.size
        m_second = size * (bent(m_bend, w) + m_third)
        m_slope *= size
        m_bend *= size
        v_second = bent(v_bend, w) + v_third
        v_dip = v_second - filled(v_bend, w)
        return Expansion(
            weights=post.weights, df=float(post.df), sd=np.sqrt(post.s2) * size, batch=1 + post.between**2,
            m=post.centre + size * (post.intercept + m), m_slope=m_slope, m_bend=m_bend,
            m_second=m_second, m_third=size * m_third,
            v=v, v_slope=v_slope, v_bend=v_bend, v_second=v_second, v_third=v_third, v_under=v_dip, v_dip=v_dip,
            v_over=v_second + self._dips(near) + self._apart(near),
        )  # fmt: skip

    def mean(self, vicinity: Vicinity) -> Curve:
        """The centre averaged over the components: the components' sums added up before they are bounded."""
        near, a, w, post = self.batches.near(vicinity), vicinity.a, vicinity.w, self.predictor.posterior
        if "centre" not in self._kept:
            self._kept["centre"] = _Centre.of(self)
        one, size = self._kept["centre"], post.size
        turn = a @ one.bow
        value = one.level + a @ one.flat + 0.5 * (turn * a).sum(axis=1)
        slope, bend = one.flat + turn, np.broadcast_to(one.bow, (len(a), *one.bow.shape)).copy()
        third = np.zeros(len(a))
        no_more = np.full(len(a), np.inf), one.curved(self.batches, a, w)
        for weights, cloud, most in zip(one.weights, near.clouds, no_more, strict=True):
            value += cloud.value @ weights
            steep, curved, beyond = cloud.sums(weights[None])
            slope += steep[:, 0]
            bend += curved[:, 0]
            third += np.minimum(beyond[:, 0], most)
        second = bent(bend[:, None], w)[:, 0] + third
        return Curve(post.centre + size * value, size * slope, size * bend, size * second, size * third)

    @property
    def still(self) -> Array:
        """The polynomial kernels at u = 0, (c, n)."""
        dots = self.batches.dots
        found: Array = self.linear[:, None] * dots + self.square[:, None] * dots**2
        return found

    def _mean(self, near: Near) -> tuple[Array, Array, Array, Array]:
        """Value (n, c) without the intercept, slope (n, c, d), bend (n, c, d, d), and bound (n, c) beyond."""
        post, a, n = self.predictor.posterior, near.a, len(near.a)
        level = (post.alpha * self.still).sum(axis=1)
        bent = np.einsum("nd,cde->nce", a, self.bow)
        value = level + a @ self.flat.T + 0.5 * np.einsum("nce,ne->nc", bent, a)
        slope = self.flat + bent
        bend = np.broadcast_to(self.bow, (n, *self.bow.shape)).copy()
        third = np.zeros_like(value)
        for share, which, cloud in zip(self.clouds, self.which, near.clouds, strict=True):
            weights = share[which, None] * post.alpha[which]
            value[:, which] += cloud.value @ weights.T
            steep, curved, beyond = cloud.sums(weights)
            slope[:, which] += steep
            bend[:, which] += curved
            third[:, which] += beyond
        return value, slope, bend, third

    def _variance(self, near: Near) -> tuple[Array, Array, Array, Array]:
        """Value (n, c), slope (n, c, d), bend (n, c, d, d) of the lower curve, and bound (n, c) beyond."""
        post, (n, d) = self.predictor.posterior, near.a.shape
        kernel = self.linear[:, None, None] * near.dots + self.square[:, None, None] * near.dots**2
        for share, which, cloud in zip(self.clouds, self.which, near.clouds, strict=True):
            kernel[which] += share[which, None, None] * cloud.value
        pushed = kernel @ post.P
        pushed += post.lean[:, None, :]
        value = self.linear[:, None] * near.own + self.square[:, None] * near.own**2
        value += (self.clouds.sum(axis=0) + post.floor)[:, None]
        value -= np.einsum("cnm,cnm->cn", pushed + post.lean[:, None, :], kernel)
        # Of k(u)'beta, with beta held: slope, bend, and what lies beyond.
        still = pushed @ self.crossed
        beta = pushed.transpose(1, 0, 2)
        slope = self.linear[:, None] * still[:, :, :d].transpose(1, 0, 2)
        slope += 2 * self.square[:, None] * (beta @ (near.dots[:, :, None] * self.batches.lines))
        bend = (2 * self.square[:, None] * still[:, :, d:].transpose(1, 0, 2)).reshape(n, len(self.square), d, d)
        third = np.zeros((n, len(self.square)))
        for share, which, cloud in zip(self.clouds, self.which, near.clouds, strict=True):
            few = share[which, None] * beta[:, which]
            steep, curved, beyond = cloud.sums(few)
            slope[:, which] += steep
            bend[:, which] += curved
            third[:, which] += beyond
        tilt = (self.linear[:, None] + 2 * self.square[:, None] * near.own).T
        slope = tilt[:, :, None] * near.zu[:, None, :] - slope
        twice = 2 * near.zu[:, None, :, None] * near.zu[:, None, None, :]
        lower = self.square[:, None, None] * twice
        lower -= bend
        lower -= self.peak
        lower *= 2
        slope *= 2
        return np.maximum(value, 0.0).T, slope, lower, 2 * third

    def _dips(self, near: Near) -> Array:
        """How far the bend of the clouds' covariances at their tops can pull the lower curve down, (n, c)."""
        return 2 * np.column_stack([cloud.dip for cloud in near.clouds]) @ self.clouds

    def _apart(self, near: Near) -> Array:
        """Bound (n, c) of the posterior variance of f(u) - f(a) over the box: what a variance has over its tangent."""
        w = near.w
        reach = np.abs(near.a)[:, :, None] * w[:, None, :] + 0.5 * w[:, :, None] * w[:, None, :]
        sd = w @ self.slope_sd.T + np.einsum("nde,cde->nc", reach, self.bend_sd)
        for share, cloud in zip(self.clouds, near.clouds, strict=True):
            sd += np.sqrt(2 * np.outer(np.maximum(cloud.fall, 0.0), share))
        return np.asarray(sd**2, dtype=float)


def _left(prior: Array, P: Array, by: Array) -> Array:
    """Posterior sds (c, k) of linear functions with prior variances (c, k), covariances (c, n, k) with y."""
    pushed = P @ by
    return np.asarray(np.sqrt(np.maximum(prior * (1 + 1e-9) - (pushed * by).sum(axis=1), 0.0)), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Centre:
    """The centre averaged over the components: its polynomial's level, slope (d,) and bend (d, d) at u = 0, `weights`
    (2, m) of bells and curves, and how steep the curves get.
    """

    level: float
    flat: Array
    bow: Array
    weights: Array
    steepest: Steepest

    @classmethod
    def of(cls, one: SmoothExpander) -> _Centre:
        post, axes, batches = one.predictor.posterior, one.batches.axes, one.batches
        level = float(post.weights @ (post.intercept + (post.alpha * one.still).sum(axis=1)))
        weights = (post.weights * one.clouds) @ post.alpha
        middle, reach = axes @ batches.origin, np.abs(axes @ batches.turn).sum(axis=1)
        steepest = Steepest.of(weights[1], axes @ batches.known.T, middle - reach, middle + reach)
        bow = np.einsum("c,cde->de", post.weights, one.bow)
        return cls(level, post.weights @ one.flat, bow, weights, steepest)

    def curved(self, batches: Batches, a: Array, w: Array) -> Array:
        """Bound (n,) of what the curves have beyond their bend near a (n, d)."""
        ways = batches.axes @ batches.turn
        return self.steepest.beyond((batches.axes @ batches.origin)[:, None] + ways @ a.T, np.abs(ways) @ w.T)
