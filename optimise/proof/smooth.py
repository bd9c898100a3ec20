"""The averaged posterior expanded near many places at once, with bounded remainders.

A component's mean is a quadratic plus a sum of Matérn functions of the distances r to the batches. With a = √5 r / l,
M'/r = -5/(3 l²) (1 + a) e^-a; along any line the second derivative is between that and 5/(3 l²) (a² - a - 1) e^-a,
and the third is at most 5√5/(3 l³) times `_third`. Its variance is convex in what the mean is made of: `expansion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.predictors import PosteriorPredictor, coordinates
from optimise.proof.expansion import Curve, Expansion

Array = npt.NDArray[np.float64]

_ROOT5 = float(np.sqrt(5.0))


@dataclass(frozen=True, slots=True, eq=False)
class Bells:
    """The Matérn functions of one length near n places: values and M'/r (n, m), the factor of the bend's second part,
    and bounds (n, m) of what lies beyond the slope and the bend.
    """

    value: Array
    pull: Array
    twist: Array
    second: Array
    third: Array

    def only(self, rows: npt.NDArray[Any]) -> Bells:
        """Near some of the places."""
        return Bells(self.value[rows], self.pull[rows], self.twist[rows], self.second[rows], self.third[rows])


def bells(distance: Array, radius: Array, length: float) -> Bells:
    """For distances (n, m) from places to batches, where the box around each place has `radius` (n,)."""
    a = _ROOT5 * distance / length
    fall = np.exp(-a)
    near = np.maximum(a - (_ROOT5 * (1 + 1e-12) / length) * radius[:, None], 0.0)
    scale = 5 / (3 * length**2)
    second = 0.5 * radius[:, None] ** 2 * scale * _second(near)
    third = radius[:, None] ** 3 / 6 * (scale * _ROOT5 / length) * _third(near)
    return Bells(
        (1 + a + a * a / 3) * fall, -scale * (1 + a) * fall, scale * (5 / length**2) * fall, second, third
    )  # fmt: skip


def _second(a: Array) -> Array:
    """The greatest of |(1 + a) e^-a| and |(a² - a - 1) e^-a| from a on; the latter turns at 3."""
    fall = np.exp(-a)
    late = np.where(a <= 3, 5 * np.exp(-3.0), (a * a - a - 1) * fall)
    return np.asarray(np.maximum((1 + a) * fall, late), dtype=float)


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
    `slope_sd` (c, d) and `bend_sd` (c, d, d) posterior sds of those of the polynomial itself.
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
        return cls(
            predictor, origin, turn, dots, lines, linear, square, cloud, flat, bow,
            _left(prior_slope, post.P, by_slope),
            _left(prior_bend.reshape(len(square), d * d), post.P, by_bend).reshape(len(square), d, d),
            tuple((length, which) for length, which in known if len(which)),
        )  # fmt: skip

    @property
    def cost(self) -> float:
        """The work of one place."""
        c, n = self.predictor.posterior.alpha.shape
        return float(1.7 * c * n * (n + 10 * self.turn.shape[1]))

    @property
    def mean_cost(self) -> float:
        """The work of one place for the centre alone."""
        return float(5000 + 20 * len(self.dots) * (self.turn.shape[1] + 2) ** 2)

    def at(self, a: Array, w: Array) -> Expansion:
        """The expansion around a (n, d) over |t| <= w (n, d)."""
        near = _Near.of(self, a, w)
        post = self.predictor.posterior
        m, m_slope, m_second, m_third = near.mean(post.alpha)
        v, v_slope, v_second, v_third, beta = near.variance()
        size = post.size
        return Expansion(
            weights=post.weights, df=float(post.df), sd=np.sqrt(post.s2) * size, batch=1 + post.points[:, 4] ** 2,
            m=post.centre + size * (post.intercept + m), m_slope=size * m_slope,
            m_second=size * m_second, m_third=size * m_third,
            v=v, v_slope=v_slope, v_second=v_second, v_third=v_third, v_under=v_second,
            v_over=v_second + near.apart(), bends=_Bends(near, beta),
        )  # fmt: skip

    def mean(self, a: Array, w: Array) -> Curve:
        """The centre averaged over the components, near a: the components' sums added up before they are bounded."""
        post, size = self.predictor.posterior, self.predictor.posterior.size
        near = _Near.of(self, a, w)
        flat, bow = post.weights @ self.flat, np.einsum("c,cde->de", post.weights, self.bow)
        level = float(post.weights @ (post.intercept + (post.alpha * self.still).sum(axis=1)))
        bent = a @ bow
        value = level + a @ flat + 0.5 * (bent * a).sum(axis=1)
        slope, bend = flat + bent, np.broadcast_to(bow, (len(a), *bow.shape)).copy()
        second = 0.5 * np.einsum("nd,de,ne->n", w, np.abs(bow), w)
        third = np.zeros(len(a))
        for (_, which), bell in zip(self.lengths, near.bells, strict=True):
            weights = (post.weights[which] * self.cloud[which]) @ post.alpha[which]
            value += bell.value @ weights
            slope += np.einsum("nm,nmd->nd", bell.pull * weights, near.apart_u)
            bend += near.bent(bell, np.broadcast_to(weights, bell.pull.shape))
            second += bell.second @ np.abs(weights)
            third += bell.third @ np.abs(weights)
        return Curve(post.centre + size * value, size * slope, size * bend, size * (second + third), size * third)

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
class _Bends:
    """The bends of all components near n places, `beta` (c, n, m) the weights of the batches in each variance."""

    near: _Near
    beta: Array

    def mean(self, weights: Array) -> Array:
        """Those of the means, weighted by (n, c)."""
        whole = self.near.of_
        post = whole.predictor.posterior
        straight = np.einsum("nc,cde->nde", weights, whole.bow)
        return np.asarray(post.size * (straight + self.near.cloud_bend(weights, post.alpha)), dtype=float)

    def variance(self, weights: Array) -> Array:
        """Those of the lower curves of the variances, weighted by (n, c)."""
        return self.near.variance_bend(weights, self.beta)

    def only(self, rows: npt.NDArray[Any]) -> _Bends:
        """At some of the places."""
        return _Bends(self.near.only(rows), self.beta[:, rows])


@dataclass(frozen=True, slots=True, eq=False)
class _Near:
    """What is common to all components near n places: inner products (n, m), offsets of z and u, the bells."""

    of_: SmoothExpander
    a: Array
    w: Array
    z: Array
    dots: Array
    apart_u: Array
    radius: Array
    bells: tuple[Bells, ...]

    @classmethod
    def of(cls, whole: SmoothExpander, a: Array, w: Array) -> _Near:
        z = whole.origin + a @ whole.turn.T
        apart = z[:, None, :] - whole.predictor.posterior.z
        distance = np.sqrt((apart * apart).sum(axis=2))
        radius = np.linalg.norm(w @ np.abs(whole.turn).T, axis=1)
        found = tuple(bells(distance, radius, length) for length, _ in whole.lengths)
        return cls(whole, a, w, z, whole.dots + a @ whole.lines.T, apart @ whole.turn, radius, found)

    def only(self, rows: npt.NDArray[Any]) -> _Near:
        """Near some of the places."""
        cut = {name: getattr(self, name)[rows] for name in ("a", "w", "z", "dots", "apart_u", "radius")}
        return replace(self, **cut, bells=tuple(bell.only(rows) for bell in self.bells))

    def mean(self, alpha: Array) -> tuple[Array, Array, Array, Array]:
        """Value (n, c) without the intercept, slope (n, c, d), and bounds (n, c) beyond slope and bend."""
        one, (n, d) = self.of_, self.a.shape
        level = (alpha * one.still).sum(axis=1)
        bent = np.einsum("nd,cde->nce", self.a, one.bow)
        value = level + self.a @ one.flat.T + 0.5 * np.einsum("nce,ne->nc", bent, self.a)
        slope = one.flat + bent
        second = 0.5 * np.einsum("nde,cde->nc", self.w[:, :, None] * self.w[:, None, :], np.abs(one.bow))
        third = np.zeros_like(value)
        for (_, which), bell in zip(one.lengths, self.bells, strict=True):
            weights = one.cloud[which, None] * alpha[which]
            value[:, which] += bell.value @ weights.T
            pulled = (bell.pull[:, :, None] * self.apart_u).transpose(1, 0, 2).reshape(len(one.dots), n * d)
            slope[:, which] += (weights @ pulled).reshape(len(which), n, d).transpose(1, 0, 2)
            second[:, which] += bell.second @ np.abs(weights).T
            third[:, which] += bell.third @ np.abs(weights).T
        return value, slope, second + third, third

    def bent(self, bell: Bells, weights: Array) -> Array:
        """The bend of a sum of bells with weights (n, m), (n, d, d)."""
        gram = self.of_.turn.T @ self.of_.turn
        straight = (weights * bell.pull).sum(axis=1)[:, None, None] * gram
        twisted = (weights * bell.twist)[:, :, None] * self.apart_u
        return np.asarray(straight + twisted.transpose(0, 2, 1) @ self.apart_u, dtype=float)

    def cloud_bend(self, weights: Array, alpha: Array) -> Array:
        """The bend of the bells of all means weighted by (n, c)."""
        total = np.zeros((*self.a.shape, self.a.shape[1]))
        for (_, which), bell in zip(self.of_.lengths, self.bells, strict=True):
            shared = (weights[:, which] * self.of_.cloud[which]) @ alpha[which]
            total += self.bent(bell, shared)
        return total

    def variance(self) -> tuple[Array, Array, Array, Array, Array]:
        """Value (n, c), slope (n, c, d), bounds (n, c) beyond slope and bend; weights (c, n, m) of the batches."""
        one, post, n = self.of_, self.of_.predictor.posterior, len(self.a)
        kernel = one.linear[:, None, None] * self.dots + one.square[:, None, None] * self.dots**2
        for (_, which), bell in zip(one.lengths, self.bells, strict=True):
            kernel[which] += one.cloud[which, None, None] * bell.value
        pushed = kernel @ post.P
        lean = post.lean[:, None, :]
        own = (self.z * self.z).sum(axis=1)
        value = one.linear[:, None] * own + one.square[:, None] * own**2 + (one.cloud + post.floor)[:, None]
        value -= ((pushed + 2 * lean) * kernel).sum(axis=2)
        beta = pushed + lean
        size = np.abs(beta)
        zu = self.z @ one.turn
        slope = (one.linear[:, None] + 2 * one.square[:, None] * own)[:, :, None] * zu
        slope -= one.linear[:, None, None] * (beta @ one.lines)
        slope -= 2 * one.square[:, None, None] * ((beta * self.dots) @ one.lines)
        second = one.square[:, None] * ((np.abs(zu) * self.w).sum(axis=1) ** 2
                                        + (size * (self.w @ np.abs(one.lines).T) ** 2).sum(axis=2))  # fmt: skip
        third = np.zeros((len(one.linear), n))
        for (length, which), bell in zip(one.lengths, self.bells, strict=True):
            cloud = one.cloud[which, None]
            pulled = bell.pull[:, :, None] * self.apart_u
            slope[which] -= cloud[:, :, None] * np.matmul(beta[which].transpose(1, 0, 2), pulled).transpose(1, 0, 2)
            second[which] += cloud * (5 / (6 * length**2) * self.radius**2 + (size[which] * bell.second).sum(axis=2))
            third[which] += cloud * (size[which] * bell.third).sum(axis=2)
        second += third
        return (
            np.maximum(value, 0.0).T, 2 * slope.transpose(1, 0, 2), 2 * second.T, 2 * third.T, beta
        )  # fmt: skip

    def variance_bend(self, weights: Array, beta: Array) -> Array:
        """The bends of the lower curves of all variances weighted by (n, c)."""
        one = self.of_
        zu = self.z @ one.turn
        squares = (weights * one.square).T
        total = 2 * squares.sum(axis=0)[:, None, None] * (zu[:, :, None] * zu[:, None, :])
        shared = (squares[:, :, None] * beta).sum(axis=0)
        total -= 2 * np.einsum("nm,md,me->nde", shared, one.lines, one.lines, optimize=True)
        gram = one.turn.T @ one.turn
        for (length, which), bell in zip(one.lengths, self.bells, strict=True):
            clouds = (weights[:, which] * one.cloud[which]).T
            total -= 5 / (3 * length**2) * clouds.sum(axis=0)[:, None, None] * gram
            total -= self.bent(bell, (clouds[:, :, None] * beta[which]).sum(axis=0))
        return np.asarray(2 * total, dtype=float)

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
