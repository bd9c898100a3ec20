"""The averaged posterior expanded near many places at once, with bounded remainders.

A component's mean is a quadratic plus a sum of bells M (`kernels`) of the distances r to the batches, or of curves, the
mean of such bells along some axes. With a = √5 r, M'/r = -5/3 (1 + a) e^-a; along any line the second derivative is
between that and 5/3 (a² - a - 1) e^-a, which it is along an axis, and the third is at most 5√5/3 times `_third`, or
`_third_along` an axis. Its variance is convex in what the mean is made of: `expansion`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.predictors import PosteriorPredictor, coordinates
from optimise.proof.expansion import Curve, Expansion, bent, filled
from optimise.proof.steepest import Steepest
from optimise.statistics.kernels import ROOT, along, bell

Array = npt.NDArray[np.float64]

_BEND, _BEYOND = 5 / 3, 5 / 3 * ROOT
_WIDER = 1 + 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Bells, or curves, of m batches near n places: values (n, m), slopes, bends and cubic parts side by side.

    These are `turned` (n, m, d + d d + q): of curves, how far the cubic part along each axis goes over the box; of
    bells there is none. `third` (n, m) bounds what lies beyond the bend, `fourth` (n, m) what lies beyond the cubic
    part; `fall` (n,) is by how much they fall over the box from their top at most, `dip` (n,) bounds that by the bend
    at the top.
    """

    value: Array
    turned: Array
    third: Array
    fourth: Array
    fall: Array
    dip: Array
    dimension: int

    def sums(self, weights: Array) -> tuple[Array, Array, Array]:
        """Slopes (n, c, d), bends (n, c, d, d) of sums over the batches with weights (c, m), or (n, c, m), and bounds
        (n, c) of what lies beyond.
        """
        d = self.dimension
        found, size = weights @ self.turned, np.abs(weights)
        beyond = (size @ self.third[:, :, None])[:, :, 0]
        if found.shape[2] > d + d * d:
            cubic = np.abs(found[:, :, d + d * d :]).sum(axis=2)
            beyond = np.minimum(beyond, cubic + (size @ self.fourth[:, :, None])[:, :, 0])
        return found[:, :, :d], found[:, :, d : d + d * d].reshape(*beyond.shape, d, d), beyond


def bells(z: Array, known: Array, turn: Array, w: Array) -> Cloud:
    """Of the batches `known` (m, D) near places z (n, D), with z = ... + turn t and |t| <= w (n, d)."""
    (n, d), m = w.shape, len(known)
    apart = z[:, None, :] - known
    a = ROOT * np.sqrt((apart * apart).sum(axis=2))
    down = np.exp(-a)
    pull, twist = -_BEND * (1 + a) * down, 5 * _BEND * down
    offset = (z @ turn)[:, None, :] - known @ turn
    bend = pull[:, :, None, None] * (turn.T @ turn)
    bend += twist[:, :, None, None] * (offset[:, :, :, None] * offset[:, :, None, :])
    turned = np.concatenate([pull[:, :, None] * offset, bend.reshape(n, m, d * d)], axis=2)
    radius = np.linalg.norm(w @ np.abs(turn).T, axis=1)
    third = radius[:, None] ** 3 / 6 * _BEYOND * _third(np.maximum(a - ROOT * _WIDER * radius[:, None], 0.0))
    return Cloud((1 + a + a * a / 3) * down, turned, third, third, 1 - bell(radius), _BEND / 2 * radius**2, d)


def curves(z: Array, known: Array, axes: Array, turn: Array, w: Array) -> Cloud:
    """The same of curves along `axes` (q, D)."""
    (n, d), (q, m), ways = w.shape, (len(axes), len(known)), axes @ turn
    offset = along(z, known, axes)
    a = ROOT * np.abs(offset)
    down = np.exp(-a) / q
    slope = (-_BEND * (1 + a) * down * offset).reshape(q, n * m)
    bend = (_BEND * (a * a - a - 1) * down).reshape(q, n * m)
    pairs = (ways[:, :, None] * ways[:, None, :]).reshape(q, d * d)
    radius = np.abs(ways) @ w.T
    near = np.maximum(a - ROOT * _WIDER * radius[:, :, None], 0.0)
    cube = radius[:, :, None] ** 3 / 6 * _BEYOND
    third = (cube * _third_along(near)).mean(axis=0)
    fourth = (cube * radius[:, :, None] / 4 * ROOT * _fourth_along(near)).mean(axis=0)
    cubic = (cube * a * (3 - a) * down * np.sign(offset)).reshape(q, n * m)
    turned = np.concatenate([slope.T @ ways, bend.T @ pairs, cubic.T], axis=1).reshape(n, m, d + d * d + q)
    value = ((1 + a + a * a / 3) * down).sum(axis=0)
    return Cloud(value, turned, third, fourth, 1 - bell(radius).mean(axis=0), _BEND / 2 * (radius**2).mean(axis=0), d)


_TURN, _LATE = (5 - np.sqrt(13)) / 2, (5 + np.sqrt(13)) / 2


def _third(a: Array) -> Array:
    """The greatest from a on of a e^-a max |3x - a x³| over |x| <= 1: at the ends, or at x² = 1/a, 2 √a e^-a.

    The latter falls from a = 1 on, and is less than that at the ends before.
    """
    inner = np.where(a >= 1, 2 * np.sqrt(a) * np.exp(-a), 0.0)
    return np.asarray(np.maximum(_third_along(a), inner), dtype=float)


def _third_along(a: Array) -> Array:
    """The greatest from a on of a |3 - a| e^-a, which turns at (5 ± √13) / 2."""
    least = np.maximum(a, _TURN)
    late = np.where(a <= _LATE, _LATE * (_LATE - 3) * np.exp(-_LATE), 0.0)
    return np.asarray(np.maximum(least * np.abs(3 - least) * np.exp(-least), late), dtype=float)


_LOW, _HIGH = (7 - np.sqrt(17)) / 2, (7 + np.sqrt(17)) / 2


def _fourth_along(a: Array) -> Array:
    """The greatest from a on of |3 - 5a + a²| e^-a, which turns at (7 ± √17) / 2."""
    here, low, high = (np.abs(3 - 5 * x + x * x) * np.exp(-x) for x in (a, _LOW, _HIGH))
    later = np.where(a <= _LOW, low, np.where(a <= _HIGH, high, 0.0))
    return np.asarray(np.maximum(here, later), dtype=float)


@dataclass(frozen=True, slots=True, eq=False)
class SmoothExpander:
    """A posterior over the free coordinates u of a space at one combination: z = origin + turn u.

    `dots` (n,) + `lines` (n, d) u are the inner products with the batches; `linear`, `square` (c,) the variances tL²
    and tQ², `clouds` (2, c) tD² and tC², `which` components have them; `flat` (c, d) and `bow` (c, d, d) slope and bend
    of the mean's polynomial at u = 0; `slope_sd` (c, d) and `bend_sd` (c, d, d) posterior sds of those of the
    polynomial itself; `peak` (c, d, d) is how the clouds' covariance bends at its top, `crossed` (n, d + d d) the lines
    and their products.
    """

    predictor: PosteriorPredictor
    origin: Array
    turn: Array
    dots: Array
    lines: Array
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
    _kept: dict[str, Steepest] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, predictor: PosteriorPredictor, space: Space, combo: Mapping[str, str]) -> SmoothExpander:
        """The posterior over the free coordinates of `space` at one combination of category levels."""
        d, post = space.dimension, predictor.posterior
        X = space.region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
        z = coordinates(predictor.region, X, space.chosen(combo, d + 1))
        origin, turn = z[0], (z[1:] - z[0]).T
        dots, lines = post.z @ origin, post.z @ turn
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
            predictor, origin, turn, dots, lines, linear, square, np.array(clouds), flat, bow,
            _left(prior_slope, post.P, by_slope),
            _left(prior_bend.reshape(len(square), d * d), post.P, by_bend).reshape(len(square), d, d),
            _BEND * np.einsum("kc,kde->cde", clouds, tops), crossed, tuple(np.flatnonzero(one) for one in clouds),
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
        return Expansion(
            weights=post.weights, df=float(post.df), sd=np.sqrt(post.s2) * size, batch=1 + post.between**2,
            m=post.centre + size * (post.intercept + m), m_slope=m_slope, m_bend=m_bend,
            m_second=m_second, m_third=size * m_third,
            v=v, v_slope=v_slope, v_bend=v_bend, v_second=v_second, v_third=v_third, v_under=v_dip, v_dip=v_dip,
            v_over=v_second + near.dips() + near.apart(),
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
        no_more = (np.full(len(a), np.inf), self._curved(a, w))
        for share, cloud, most in zip(self.clouds, near.clouds, no_more, strict=True):
            weights = (post.weights * share) @ post.alpha
            value += cloud.value @ weights
            steep, curved, beyond = cloud.sums(weights[None])
            slope += steep[:, 0]
            bend += curved[:, 0]
            third += np.minimum(beyond[:, 0], most)
        second = bent(bend[:, None], w)[:, 0] + third
        return Curve(post.centre + size * value, size * slope, size * bend, size * second, size * third)

    def _curved(self, a: Array, w: Array) -> Array:
        """Bound (n,) of what the curves of the averaged centre have beyond their bend near a (n, d)."""
        axes = self.predictor.posterior.axes
        middle, ways = axes @ self.origin, axes @ self.turn
        if "steepest" not in self._kept:
            post, half = self.predictor.posterior, np.abs(ways).sum(axis=1)
            weights = (post.weights * self.clouds[1]) @ post.alpha
            self._kept["steepest"] = Steepest.of(weights, axes @ post.z.T, middle - half, middle + half)
        return self._kept["steepest"].beyond(middle[:, None] + ways @ a.T, np.abs(ways) @ w.T)

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
    """What is common to all components near n places: inner products (n, m) with the batches, bells and curves."""

    of_: SmoothExpander
    a: Array
    w: Array
    zu: Array
    own: Array
    dots: Array
    clouds: tuple[Cloud, Cloud]

    @classmethod
    def of(cls, whole: SmoothExpander, a: Array, w: Array) -> _Near:
        z, post = whole.origin + a @ whole.turn.T, whole.predictor.posterior
        clouds = bells(z, post.z, whole.turn, w), curves(z, post.z, post.axes, whole.turn, w)
        return cls(whole, a, w, z @ whole.turn, (z * z).sum(axis=1), whole.dots + a @ whole.lines.T, clouds)

    def mean(self, alpha: Array) -> tuple[Array, Array, Array, Array]:
        """Value (n, c) without the intercept, slope (n, c, d), bend (n, c, d, d), and bound (n, c) beyond."""
        one, n = self.of_, len(self.a)
        level = (alpha * one.still).sum(axis=1)
        bent = np.einsum("nd,cde->nce", self.a, one.bow)
        value = level + self.a @ one.flat.T + 0.5 * np.einsum("nce,ne->nc", bent, self.a)
        slope = one.flat + bent
        bend = np.broadcast_to(one.bow, (n, *one.bow.shape)).copy()
        third = np.zeros_like(value)
        for share, which, cloud in zip(one.clouds, one.which, self.clouds, strict=True):
            weights = share[which, None] * alpha[which]
            value[:, which] += cloud.value @ weights.T
            steep, curved, beyond = cloud.sums(weights)
            slope[:, which] += steep
            bend[:, which] += curved
            third[:, which] += beyond
        return value, slope, bend, third

    def variance(self) -> tuple[Array, Array, Array, Array]:
        """Value (n, c), slope (n, c, d), bend (n, c, d, d) of the lower curve, and bound (n, c) beyond."""
        one, post, (n, d) = self.of_, self.of_.predictor.posterior, self.a.shape
        kernel = one.linear[:, None, None] * self.dots + one.square[:, None, None] * self.dots**2
        for share, which, cloud in zip(one.clouds, one.which, self.clouds, strict=True):
            kernel[which] += share[which, None, None] * cloud.value
        pushed = kernel @ post.P
        pushed += post.lean[:, None, :]
        value = one.linear[:, None] * self.own + one.square[:, None] * self.own**2
        value += (one.clouds.sum(axis=0) + post.floor)[:, None]
        value -= np.einsum("cnm,cnm->cn", pushed + post.lean[:, None, :], kernel)
        # Of k(u)'beta, with beta held: slope, bend, and what lies beyond.
        still = pushed @ one.crossed
        beta = pushed.transpose(1, 0, 2)
        slope = one.linear[:, None] * still[:, :, :d].transpose(1, 0, 2)
        slope += 2 * one.square[:, None] * (beta @ (self.dots[:, :, None] * one.lines))
        bend = (2 * one.square[:, None] * still[:, :, d:].transpose(1, 0, 2)).reshape(n, len(one.square), d, d)
        third = np.zeros((n, len(one.square)))
        for share, which, cloud in zip(one.clouds, one.which, self.clouds, strict=True):
            few = share[which, None] * beta[:, which]
            steep, curved, beyond = cloud.sums(few)
            slope[:, which] += steep
            bend[:, which] += curved
            third[:, which] += beyond
        tilt = (one.linear[:, None] + 2 * one.square[:, None] * self.own).T
        slope = tilt[:, :, None] * self.zu[:, None, :] - slope
        twice = 2 * self.zu[:, None, :, None] * self.zu[:, None, None, :]
        lower = one.square[:, None, None] * twice
        lower -= bend
        lower -= one.peak
        lower *= 2
        slope *= 2
        return np.maximum(value, 0.0).T, slope, lower, 2 * third

    def dips(self) -> Array:
        """How far the bend of the clouds' covariances at their tops can pull the lower curve down, (n, c)."""
        return 2 * np.column_stack([cloud.dip for cloud in self.clouds]) @ self.of_.clouds

    def apart(self) -> Array:
        """Bound (n, c) of the posterior variance of f(u) - f(a) over the box: what a variance has over its tangent."""
        one, w = self.of_, self.w
        reach = np.abs(self.a)[:, :, None] * w[:, None, :] + 0.5 * w[:, :, None] * w[:, None, :]
        sd = w @ one.slope_sd.T + np.einsum("nde,cde->nc", reach, one.bend_sd)
        for share, cloud in zip(one.clouds, self.clouds, strict=True):
            sd += np.sqrt(2 * np.outer(np.maximum(cloud.fall, 0.0), share))
        return np.asarray(sd**2, dtype=float)
