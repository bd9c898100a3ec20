"""The averaged posterior expanded near many places at once, with bounded remainders.

A component's mean is a quadratic plus a sum of Matérn functions of the distances r to the batches. With a = √5 r / l,
M'/r = -5/(3 l²) (1 + a) e^-a; along any line the second derivative is between that and 5/(3 l²) (a² - a - 1) e^-a,
and the third is at most 5√5/(3 l³) times `_third`. Its variance is convex in what the mean is made of: `expansion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.predictors import PosteriorPredictor, coordinates
from optimise.proof.expansion import Curve, Expansion, bent, filled

Array = npt.NDArray[np.float64]

_ROOT5 = float(np.sqrt(5.0))


@dataclass(frozen=True, slots=True, eq=False)
class Bells:
    """The Matérn functions of one length near n places: values and M'/r (n, m), the factor of the bend's second part,
    and bounds (n, m) of what lies beyond the bend.
    """

    value: Array
    pull: Array
    twist: Array
    third: Array


def bells(distance: Array, radius: Array, length: float) -> Bells:
    """For distances (n, m) from places to batches, where the box around each place has `radius` (n,)."""
    a = _ROOT5 * distance / length
    fall = np.exp(-a)
    near = np.maximum(a - (_ROOT5 * (1 + 1e-12) / length) * radius[:, None], 0.0)
    scale = 5 / (3 * length**2)
    third = radius[:, None] ** 3 / 6 * (scale * _ROOT5 / length) * _third(near)
    return Bells((1 + a + a * a / 3) * fall, -scale * (1 + a) * fall, scale * (5 / length**2) * fall, third)


_TURN, _LATE = (5 - np.sqrt(13)) / 2, (5 + np.sqrt(13)) / 2


def _third(a: Array) -> Array:
    """The greatest from a on of a e^-a max |3x - a x³| over |x| <= 1.

    Within, at x² = 1/a, that is 2 √a e^-a; at the ends a |3 - a| e^-a, which turns at (5 ± √13) / 2.
    """
    least = np.maximum(a, _TURN)
    fall = np.exp(-least)
    late = np.where(a <= _LATE, _LATE * (_LATE - 3) * np.exp(-_LATE), 0.0)
    inner = np.where(least >= 1, 2 * np.sqrt(least) * fall, 0.0)
    ends = least * np.abs(3 - least) * fall
    return np.asarray(np.maximum(np.maximum(ends, inner), late), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class SmoothExpander:
    """A posterior over the free coordinates u of a space at one combination: z = origin + turn u.

    `dots` (n,) + `lines` (n, d) u are the inner products with the batches; `linear`, `square`, `cloud` (c,) the
    variances tL², tQ², tD²; `flat` (c, d) and `bow` (c, d, d) slope and bend of the mean's polynomial at u = 0;
    `slope_sd` (c, d) and `bend_sd` (c, d, d) posterior sds of those of the polynomial itself; `gram` is turn'turn,
    `peak` (c,) the bend of the cloud's covariance at its place, `crossed` (n, d + d d) the lines and their products.
    """

    predictor: PosteriorPredictor
    origin: Array
    turn: Array
    dots: Array
    lines: Array
    linear: Array
    square: Array
    cloud: Array
    flat: Array
    bow: Array
    slope_sd: Array
    bend_sd: Array
    gram: Array
    peak: Array
    crossed: Array
    lengths: tuple[tuple[float, npt.NDArray[np.intp]], ...]

    @classmethod
    def of(cls, predictor: PosteriorPredictor, space: Space, combo: Mapping[str, str]) -> SmoothExpander:
        """The posterior over the free coordinates of `space` at one combination of category levels."""
        d, post = space.dimension, predictor.posterior
        X = space.region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
        z = coordinates(predictor.region, X, space.chosen(combo, d + 1))
        origin, turn = z[0], (z[1:] - z[0]).T
        dots, lines = post.z @ origin, post.z @ turn
        linear, square, cloud = (post.points[:, j] ** 2 for j in range(3))
        steep = linear[:, None] + 2 * square[:, None] * dots
        flat = (post.alpha * steep) @ lines
        bow = 2 * square[:, None, None] * np.einsum("ci,ij,ik->cjk", post.alpha, lines, lines)
        known = [(float(length), np.flatnonzero((post.points[:, 3] == length) & (cloud > 0)))
                 for length in np.unique(post.points[:, 3])]  # fmt: skip
        gram, along = turn.T @ turn, turn.T @ origin
        diagonal = np.diag(gram)
        prior_slope = linear[:, None] * diagonal + square[:, None] * 2 * (origin @ origin * diagonal + along**2)
        prior_bend = 2 * square[:, None, None] * (np.outer(diagonal, diagonal) + gram**2)
        by_slope = steep[:, :, None] * lines
        by_bend = (2 * square[:, None, None, None] * (lines[:, :, None] * lines[:, None, :])).reshape(
            len(square), len(lines), d * d
        )
        lengths = [(length, which) for length, which in known if len(which)]
        peak = 5 / 3 * cloud / post.points[:, 3] ** 2
        crossed = np.column_stack([lines, (lines[:, :, None] * lines[:, None, :]).reshape(-1, d * d)])
        return cls(
            predictor, origin, turn, dots, lines, linear, square, cloud, flat, bow,
            _left(prior_slope, post.P, by_slope),
            _left(prior_bend.reshape(len(square), d * d), post.P, by_bend).reshape(len(square), d, d),
            gram, peak, crossed, tuple(lengths),
        )  # fmt: skip

    @property
    def cost(self) -> float:
        """The work of one place."""
        c, n = self.predictor.posterior.alpha.shape
        return float(1.1 * c * n * (n + 10 * self.turn.shape[1]))

    @property
    def mean_cost(self) -> float:
        """The work of one place for the centre alone."""
        return float(5000 + 20 * len(self.dots) * (self.turn.shape[1] + 2) ** 2)

    def at(self, a: Array, w: Array) -> Expansion:
        """The expansion around a (n, d) over |t| <= w (n, d)."""
        near = _Near.of(self, a, w)
        post = self.predictor.posterior
        m, m_slope, m_bend, m_third = near.mean(post.alpha)
        v, v_slope, v_bend, v_third = near.variance()
        size = post.size
        m_second = size * (bent(m_bend, w) + m_third)
        m_slope *= size
        m_bend *= size
        v_second = bent(v_bend, w) + v_third
        v_dip = v_second - filled(v_bend, w)
        peak = near.radius[:, None] ** 2 * self.peak
        return Expansion(
            weights=post.weights, df=float(post.df), sd=np.sqrt(post.s2) * size, batch=1 + post.between**2,
            m=post.centre + size * (post.intercept + m), m_slope=m_slope, m_bend=m_bend,
            m_second=m_second, m_third=size * m_third,
            v=v, v_slope=v_slope, v_bend=v_bend, v_second=v_second, v_third=v_third, v_under=v_dip, v_dip=v_dip,
            v_over=v_second + peak + near.apart(),
        )  # fmt: skip

    def mean(self, a: Array, w: Array) -> Curve:
        """The centre averaged over the components, near a: the components' sums added up before they are bounded."""
        post, size = self.predictor.posterior, self.predictor.posterior.size
        near = _Near.of(self, a, w)
        flat, bow = post.weights @ self.flat, np.einsum("c,cde->de", post.weights, self.bow)
        level = float(post.weights @ (post.intercept + (post.alpha * self.still).sum(axis=1)))
        turn = a @ bow
        value = level + a @ flat + 0.5 * (turn * a).sum(axis=1)
        slope, bend = flat + turn, np.broadcast_to(bow, (len(a), *bow.shape)).copy()
        third = np.zeros(len(a))
        d = a.shape[1]
        for (_, which), bell, turned in zip(self.lengths, near.bells, near.turned, strict=True):
            weights = (post.weights[which] * self.cloud[which]) @ post.alpha[which]
            value += bell.value @ weights
            found = np.einsum("nmj,m->nj", turned, weights)
            slope += found[:, :d]
            bend += found[:, d:].reshape(len(a), d, d)
            third += bell.third @ np.abs(weights)
        second = bent(bend[:, None], w)[:, 0] + third
        return Curve(post.centre + size * value, size * slope, size * bend, size * second, size * third)

    @property
    def still(self) -> Array:
        """The polynomial kernels at u = 0, (c, n)."""
        found: Array = self.linear[:, None] * self.dots + self.square[:, None] * self.dots**2
        return found


def _left(prior: Array, P: Array, by: Array) -> Array:
    """Posterior sds (c, k) of linear functions with prior variances (c, k), covariances (c, n, k) with y."""
    pushed = P @ by
    return np.asarray(np.sqrt(np.maximum(prior * (1 + 1e-9) - (pushed * by).sum(axis=1), 0.0)), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class _Near:
    """What is common to all components near n places: inner products (n, m) with the batches, and of each length the
    bells with their slopes and bends (n, m, d + d d), side by side.
    """

    of_: SmoothExpander
    a: Array
    w: Array
    zu: Array
    own: Array
    dots: Array
    radius: Array
    bells: tuple[Bells, ...]
    turned: tuple[Array, ...]

    @classmethod
    def of(cls, whole: SmoothExpander, a: Array, w: Array) -> _Near:
        z = whole.origin + a @ whole.turn.T
        apart = z[:, None, :] - whole.predictor.posterior.z
        distance = np.sqrt((apart * apart).sum(axis=2))
        radius = np.linalg.norm(w @ np.abs(whole.turn).T, axis=1)
        found = tuple(bells(distance, radius, length) for length, _ in whole.lengths)
        zu = z @ whole.turn
        apart_u = zu[:, None, :] - whole.lines
        pairs = apart_u[:, :, :, None] * apart_u[:, :, None, :]
        turned = tuple(_turned(bell, apart_u, pairs, whole.gram) for bell in found)
        own = (z * z).sum(axis=1)
        return cls(whole, a, w, zu, own, whole.dots + a @ whole.lines.T, radius, found, turned)

    def mean(self, alpha: Array) -> tuple[Array, Array, Array, Array]:
        """Value (n, c) without the intercept, slope (n, c, d), bend (n, c, d, d), and bound (n, c) beyond."""
        one, (n, d) = self.of_, self.a.shape
        level = (alpha * one.still).sum(axis=1)
        bent = np.einsum("nd,cde->nce", self.a, one.bow)
        value = level + self.a @ one.flat.T + 0.5 * np.einsum("nce,ne->nc", bent, self.a)
        slope = one.flat + bent
        bend = np.broadcast_to(one.bow, (n, *one.bow.shape)).copy()
        third = np.zeros_like(value)
        for (_, which), bell, turned in zip(one.lengths, self.bells, self.turned, strict=True):
            weights = one.cloud[which, None] * alpha[which]
            value[:, which] += bell.value @ weights.T
            found = weights @ turned
            slope[:, which] += found[:, :, :d]
            bend[:, which] += found[:, :, d:].reshape(n, found.shape[1], d, d)
            third[:, which] += bell.third @ np.abs(weights).T
        return value, slope, bend, third

    def variance(self) -> tuple[Array, Array, Array, Array]:
        """Value (n, c), slope (n, c, d), bend (n, c, d, d) of the lower curve, and bound (n, c) beyond."""
        one, post, (n, d) = self.of_, self.of_.predictor.posterior, self.a.shape
        kernel = one.linear[:, None, None] * self.dots + one.square[:, None, None] * self.dots**2
        for (_, which), bell in zip(one.lengths, self.bells, strict=True):
            kernel[which] += one.cloud[which, None, None] * bell.value
        pushed = kernel @ post.P
        pushed += post.lean[:, None, :]
        value = one.linear[:, None] * self.own + one.square[:, None] * self.own**2 + (one.cloud + post.floor)[:, None]
        value -= np.einsum("cnm,cnm->cn", pushed + post.lean[:, None, :], kernel)
        # Of k(u)'beta, with beta held: slope, bend, and what lies beyond.
        still = pushed @ one.crossed
        beta = pushed.transpose(1, 0, 2)
        slope = one.linear[:, None] * still[:, :, :d].transpose(1, 0, 2)
        slope += 2 * one.square[:, None] * (beta @ (self.dots[:, :, None] * one.lines))
        bend = 2 * one.square[:, None] * still[:, :, d:].transpose(1, 0, 2)
        third = np.zeros((n, len(one.cloud)))
        for (_, which), bell, turned in zip(one.lengths, self.bells, self.turned, strict=True):
            few = one.cloud[which, None] * beta[:, which]
            found = few @ turned
            slope[:, which] += found[:, :, :d]
            bend[:, which] += found[:, :, d:]
            third[:, which] += (np.abs(few) @ bell.third[:, :, None])[:, :, 0]
        tilt = (one.linear[:, None] + 2 * one.square[:, None] * self.own).T
        slope = tilt[:, :, None] * self.zu[:, None, :] - slope
        twice = 2 * self.zu[:, None, :, None] * self.zu[:, None, None, :]
        lower = one.square[:, None, None] * twice
        lower -= bend.reshape(lower.shape)
        lower -= one.peak[:, None, None] * one.gram
        lower *= 2
        slope *= 2
        return np.maximum(value, 0.0).T, slope, lower, 2 * third

    def apart(self) -> Array:
        """Bound (n, c) of the posterior variance of f(u) - f(a) over the box: what a variance has over its tangent."""
        one, w = self.of_, self.w
        reach = np.abs(self.a)[:, :, None] * w[:, None, :] + 0.5 * w[:, :, None] * w[:, None, :]
        sd = w @ one.slope_sd.T + np.einsum("nde,cde->nc", reach, one.bend_sd)
        for length, which in one.lengths:
            a = _ROOT5 * self.radius / length
            bell = (1 + a + a * a / 3) * np.exp(-a)
            sd[:, which] += np.sqrt(one.cloud[which] * 2 * np.maximum(1 - bell, 0.0)[:, None])
        return np.asarray(sd**2, dtype=float)


def _turned(bell: Bells, apart: Array, pairs: Array, gram: Array) -> Array:
    """Slopes and bends of bells, (n, m, d + d d), from offsets (n, m, d) and their products."""
    n, m, d = apart.shape
    bend = bell.pull[:, :, None, None] * gram + bell.twist[:, :, None, None] * pairs
    return np.concatenate([bell.pull[:, :, None] * apart, bend.reshape(n, m, d * d)], axis=2)
