"""The joint chance by matched moments: each must's averaged posterior taken as one t law of its mean and spread.

A must's law is a mixture over some forty components, each of which multiplies a matrix of its own. Their mean is one
sum over the kernel's parts, and the mixture's variance (the average of theirs and what their means differ by) one
quadratic form of the same parts, so that a place costs a fortieth. A search goes up this, and then the last steps up
the chance itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Self

import numpy as np
import numpy.typing as npt

from optimise.formula.bends import Bends, Plane
from optimise.formula.stacked import LEAST, Stacked, chunks, on_plane
from optimise.models.predictors import PosteriorPredictor
from optimise.statistics.kernels import Around
from optimise.statistics.student import between, cdf, density_and_slope

Array = npt.NDArray[np.float64]

_TINY = 1e-300
_NONE, _FAR = 1e200, 1e100  # in place of an end that is not there: as it is, and in scales of a law


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """One t law each of r musts that were read on the same n batches.

    With the parts k (4 n,) of the kernel (inner products with the batches, their squares, bells and curves about them)
    and q the squared length of a place's coordinates, the mean of a law is level + mean k and its squared scale
    fixed + own q + ownest q² + lean k + k'(bend k): (r,), (r, 4 n), (r,), (r,), (r,), (r, 4 n), (r, 4 n, 4 n).
    """

    predictor: PosteriorPredictor
    df: Array
    low: Array
    high: Array
    level: Array
    mean: Array
    fixed: Array
    own: Array
    ownest: Array
    lean: Array
    bend: Array

    @classmethod
    def of(cls, one: Stacked) -> Laws:
        """The laws of the musts that `one` predicts together."""
        n, g, first = one.P.shape[1], one.shares.shape[1], one.first

        def summed(each: Array) -> Array:
            total: Array = np.add.reduceat(each, first, axis=0)
            return total

        spread, at = one.weights * one.squared, one.size * one.intercept
        shares = one.size[:, None] * one.shares
        apart = (shares[:, :, None] * one.alpha[:, None, :]).reshape(-1, g * n)
        weighed = one.weights[:, None] * apart
        level, mean = summed(one.weights * at), summed(weighed)
        fixed = summed(spread * one.floor + one.weights * (one.residual + at**2)) - level**2
        lean = summed(((spread[:, None] * one.shares)[:, :, None] * one.lean[:, None, :]).reshape(-1, g * n))
        lean = 2 * (summed(at[:, None] * weighed) - level[:, None] * mean - lean)
        # What P is weighed by is the same for two of its parts in either order.
        upper = np.triu_indices(g)
        order = np.zeros((g, g), dtype=np.intp)
        order[upper] = order.T[upper] = np.arange(len(upper[0]))
        pairs = spread[:, None] * one.shares[:, upper[0]] * one.shares[:, upper[1]]
        bend = np.empty((len(first), g * n, g * n))
        for whole, a, b in zip(bend, first, [*first[1:], len(pairs)], strict=True):
            part = slice(a, b)
            np.matmul(weighed[part].T, apart[part], out=whole)
            known = (pairs[part].T @ one.P[part].reshape(-1, n * n)).reshape(-1, n, n)
            whole.reshape(g, n, g, n)[:] -= known[order].transpose(0, 2, 1, 3)
        bend -= mean[:, :, None] * mean[:, None, :]
        own, ownest = summed(spread[:, None] * one.shares[:, :2]).T
        return cls(one.predictor, one.df[first], one.low[first], one.high[first], one.centre[first] + level, mean,
                   fixed, own, ownest, lean, bend)  # fmt: skip

    def on(self, plane: Plane) -> LawsOnPlane:
        """The same at free coordinates of a plane."""
        known = self.predictor.posterior
        start, way = on_plane(self.predictor, plane)
        around = Around.of(known.z, known.axes, start, way)
        n = 2 * len(known.z)
        # Inner products and their squares are polynomials of the free coordinates, and so is the squared length.
        turn = np.concatenate([_linear(around.dots, around.turned), _squared(around.dots, around.turned)])
        length = _squared(start, way).sum(axis=0)
        k = len(length)
        mean, lean = (np.concatenate([part[:, :n] @ turn, part[:, n:]], axis=1) for part in (self.mean, self.lean))
        mean[:, 0] += self.level
        lean[:, 0] += self.fixed
        lean[:, :k] += self.own[:, None] * length
        bend = np.empty((len(mean), lean.shape[1], lean.shape[1]))
        half = self.bend[:, :, :n] @ (2 * turn)
        bend[:, :k, :k] = turn.T @ half[:, :n] + 2 * self.ownest[:, None, None] * (length[:, None] * length)
        bend[:, k:, :k] = half[:, n:]
        bend[:, :k, k:] = half[:, n:].transpose(0, 2, 1)
        np.multiply(self.bend[:, n:, n:], 2, out=bend[:, k:, k:])
        bend[:, 0] += lean
        bend[:, :, 0] += lean
        ends = np.stack([np.maximum(self.low, -_NONE), np.minimum(self.high, _NONE)])[:, None]
        return LawsOnPlane(around, _Products.of(way.shape[1]), self.df, ends, mean, bend)


@dataclass(frozen=True, slots=True, eq=False)
class LawsOnPlane:
    """Laws at free coordinates u (d,) of a plane, by parts f (p,): 1, u, its products two by two, bells and curves.

    The mean of a law is mean f and its squared scale f'(bend f) / 2, (r, p) and (r, p, p); `ends` (2, 1, r) are those
    of the windows.
    """

    around: Around
    products: _Products
    df: Array
    ends: Array
    mean: Array
    bend: Array

    def law(self, U: Array) -> tuple[Array, Array]:
        """Mean and squared scale of each must's law at places U (m, d), each (m, r)."""
        f = self._joined(U, *self.around.kernels(U))
        return self._law(f, f @ self.bend)

    def score(self, U: Array) -> Array:
        """Sum of the log chances at places U (m, d), (m,)."""
        each = []
        for part in self._chunks(U):
            mean, square = self.law(part)
            low, high = (self.ends - mean) / np.sqrt(square)
            each.append(between(self.df, low, high))
        score: Array = np.log(np.maximum(np.concatenate(each), LEAST)).sum(axis=1)
        return score

    def bent(self, U: Array) -> Bends:
        """The same (m, 1), with slopes and second derivatives by u."""
        parts = [self._bent(part) for part in self._chunks(U)]
        if len(parts) == 1:
            return parts[0]
        value, slope, bend = (np.concatenate(part) for part in zip(*parts, strict=True))
        return value, slope, bend

    def _chunks(self, U: Array) -> list[Array]:
        return chunks(U, self.bend.shape[0] * self.bend.shape[1])

    def _joined(self, U: Array, bells: Array, curves: Array) -> Array:
        """The parts f (m, p) at places U (m, d)."""
        (m, d), n, (one, other) = U.shape, bells.shape[1], _pairs(U.shape[1])
        f = np.empty((m, self.mean.shape[1]))
        f[:, 0], f[:, 1 : 1 + d], f[:, -2 * n : -n], f[:, -n:] = 1.0, U, bells, curves
        np.multiply(U[:, one], U[:, other], out=f[:, 1 + d : -2 * n])
        return f

    def _law(self, f: Array, pushed: Array) -> tuple[Array, Array]:
        """Mean and squared scale (m, r) where the parts are f (m, p), and f times `bend` (r, m, p)."""
        square = np.einsum("rmp,mp->mr", pushed, f)
        return f @ self.mean.T, np.maximum(square / 2, _TINY)

    def _bent(self, U: Array) -> Bends:
        (m, d), (r, p) = U.shape, self.mean.shape
        bells, curves, change = self.around.with_bends(U)
        f, n, k = self._joined(U, bells, curves), bells.shape[1], p - 2 * bells.shape[1]
        moves = np.empty((m, p, d))
        moves[:, :k] = self.products.moves(U)
        np.multiply(change.rise[..., None], change.away, out=moves[:, k : k + n])
        np.matmul(change.push, change.ways, out=moves[:, k + n :])
        # What each squared scale (r), then each mean (r) changes by with the parts.
        drive = np.empty((2 * r, m, p))
        np.matmul(f, self.bend, out=drive[:r])
        drive[r:] = self.mean[:, None]
        total, by, twice = log_between_bent(self.df, self.ends, *self._law(f, drive[:r]))
        pushed = drive.transpose(1, 0, 2)
        by_parts = by[:, None] @ pushed
        turned = pushed @ moves
        bend = turned.transpose(0, 2, 1) @ twice(turned)
        weights = (by[:, :r] @ self.bend.reshape(r, -1)).reshape(m, p, p)
        bend += moves.transpose(0, 2, 1) @ (weights @ moves)
        # What the parts bend by themselves: products, bells and curves.
        own = by_parts[:, 0]
        of_bells = own[:, k : k + n]
        bend += (own[:, 1 + d : k] @ self.products.bends).reshape(m, d, d)
        bend += change.bends(of_bells[:, None], own[:, None, k + n :])[:, 0]
        return total[:, None], by_parts @ moves, bend[:, None]


@dataclass(frozen=True, slots=True, eq=False)
class _Products:
    """How 1, d coordinates and their products two by two, (k,) in all, move with the coordinates.

    Slopes are still + u'steep, (k d,) and (d, k d), and the second derivatives of products `bends` (k - 1 - d, d d).
    """

    still: Array
    steep: Array
    bends: Array

    @classmethod
    @lru_cache(maxsize=16)
    def of(cls, d: int) -> Self:
        """For so many coordinates."""
        one, other = _pairs(d)
        k, each = 1 + d + len(one), np.arange(len(one))
        still, steep, bends = np.zeros((k, d)), np.zeros((d, k, d)), np.zeros((len(one), d, d))
        still[1 : 1 + d] = np.eye(d)
        for a, b in ((one, other), (other, one)):
            np.add.at(steep, (a, 1 + d + each, b), 1.0)
            np.add.at(bends, (each, a, b), 1.0)
        return cls(still.ravel(), steep.reshape(d, k * d), bends.reshape(len(one), d * d))

    def moves(self, U: Array) -> Array:
        """Slopes (m, k, d) at places U (m, d)."""
        slopes: Array = (self.still + U @ self.steep).reshape(len(U), -1, U.shape[1])
        return slopes


def log_between_bent(
    df: Array, ends: Array, mean: Array, square: Array
) -> tuple[Array, Array, Callable[[Array], Array]]:
    """Sum (m,) of the logs of the chances of t laws between ends (2, 1, r), of mean and squared scale v (m, r).

    And its derivatives (m, 2 r) by each v, then each mean, and what multiplies numbers (m, 2 r, c) by the second ones.
    Worked out by hand from dx/d mean = -1/s and dx/dv = -x / 2v of each end x on the standard law.
    """
    r, scale = mean.shape[1], np.sqrt(square)
    x = (ends - mean) / scale
    np.minimum(np.maximum(x, -_FAR, out=x), _FAR, out=x)
    # Taken in the tail where it loses no digits.
    below = cdf(df, np.where(x[0] > 0, -x[::-1], x))
    chance = np.maximum(below[1] - below[0], LEAST)
    at, steep = density_and_slope(df, x)
    fall = x * steep
    each = np.empty((5, *x.shape))
    each[0], each[2] = at, steep
    np.multiply(x, at, out=each[1])
    np.add(at, fall, out=each[3])
    np.multiply(x, 3 * at + fall, out=each[4])
    across = (each[:, 0] - each[:, 1]) / chance
    by = np.empty((len(mean), 2 * r))
    by_square, by_mean = by[:, :r], by[:, r:]
    np.divide(across[0], scale, out=by_mean)
    np.divide(across[1], 2 * square, out=by_square)
    twice = -across[2] / square - by_mean * by_mean
    mixed = -across[3] / (2 * square * scale) - by_mean * by_square
    squared = -across[4] / (4 * square * square) - by_square * by_square

    def second(numbers: Array) -> Array:
        of_square, of_mean = numbers[:, :r], numbers[:, r:]
        out = np.empty_like(numbers)
        np.add(squared[..., None] * of_square, mixed[..., None] * of_mean, out=out[:, :r])
        np.add(mixed[..., None] * of_square, twice[..., None] * of_mean, out=out[:, r:])
        return out

    return np.log(chance).sum(axis=1), by, second


def _linear(at_zero: Array, slope: Array) -> Array:
    """Sums at_zero (n,) + slope (n, d) u by 1, u and the products of u two by two, (n, k)."""
    none = np.zeros((len(slope), len(_pairs(slope.shape[1])[0])))
    return np.concatenate([at_zero[:, None], slope, none], axis=1)


def _squared(at_zero: Array, slope: Array) -> Array:
    """The squares of such sums, (n, k)."""
    one, other = _pairs(slope.shape[1])
    twice = np.where(one == other, 1.0, 2.0) * slope[:, one] * slope[:, other]
    return np.concatenate([(at_zero * at_zero)[:, None], 2 * at_zero[:, None] * slope, twice], axis=1)


@lru_cache(maxsize=16)
def _pairs(d: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The numbers of the products of d coordinates two by two: the one, the other."""
    return np.triu_indices(d)
