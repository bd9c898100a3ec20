"""The joint chance by matched moments: each must's averaged posterior taken as one t law of its mean and spread.

A must's law is a mixture over some forty components, each of which multiplies a matrix of its own. Their mean is one
sum over the kernel's parts, and the mixture's variance (the average of theirs and what their means differ by) one
quadratic form of the same parts, so that a place costs a fortieth. A search goes up this, and then the last steps up
the chance itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from optimise.formula.bends import Bends, Bent, Plane
from optimise.formula.stacked import LEAST, Stacked, chunks, on_plane
from optimise.models.predictors import Chosen, PosteriorPredictor, coordinates
from optimise.statistics.kernels import along, bell, kernels_with_bends
from optimise.statistics.student import between, density, density_slope

Array = npt.NDArray[np.float64]

_TINY = 1e-300
_FAR = 1e100  # in place of an end that is not there


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """One t law each of r musts that were read on the same batches.

    With the parts f (p,) of the kernel (the coordinates z, their products two by two, bells and curves about the n
    batches) and q the squared length of z, the mean of a law is level + mean'f and its squared scale
    fixed + own q + ownest q² + f'lean + f'(bend f): (r,), (p, r), (r,), (r,), (r,), (p, r), (r, p, p).
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
        turn = _by_products(one.predictor.posterior.z)

        def summed(each: Array) -> Array:
            total: Array = np.add.reduceat(each, first, axis=0)
            return total

        def turned(rows: Array) -> Array:
            there: Array = np.concatenate([rows[..., : 2 * n] @ turn, rows[..., 2 * n :]], axis=-1)
            return there

        spread, at = one.weights * one.squared, one.size * one.intercept
        shares = one.size[:, None] * one.shares
        apart = (shares[:, :, None] * one.alpha[:, None, :]).reshape(-1, g * n)
        weighed = one.weights[:, None] * apart
        level, mean = summed(one.weights * at), summed(weighed)
        fixed = summed(spread * one.floor + one.weights * (one.residual + at**2)) - level**2
        lean = summed(((spread[:, None] * one.shares)[:, :, None] * one.lean[:, None, :]).reshape(-1, g * n))
        lean = 2 * (summed(at[:, None] * weighed) - level[:, None] * mean - lean)
        pairs = (spread[:, None, None] * one.shares[:, :, None] * one.shares[:, None, :]).reshape(-1, g * g)
        bend = []
        for part in (slice(a, b) for a, b in zip(first, [*first[1:], len(pairs)], strict=True)):
            known = (pairs[part].T @ one.P[part].reshape(-1, n * n)).reshape(g, g, n, n).transpose(0, 2, 1, 3)
            bend.append(weighed[part].T @ apart[part] - known.reshape(g * n, g * n))
        whole = turned(turned(np.array(bend) - mean[:, :, None] * mean[:, None, :]).transpose(0, 2, 1))
        own, ownest = summed(spread[:, None] * one.shares[:, :2]).T
        return cls(one.predictor, one.df[first], one.low[first], one.high[first], one.centre[first] + level,
                   turned(mean).T.copy(), fixed, own, ownest, turned(lean).T.copy(), whole)  # fmt: skip

    def law(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Mean and scale of each must's law at levels X (m, k), each (m, r)."""
        mean, scale, _ = self._law(*self._parts(coordinates(self.predictor.region, X, chosen)))
        return mean, scale

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Sum of the log chances at levels X (m, k), (m,)."""
        each = []
        for z in self._chunks(coordinates(self.predictor.region, X, chosen)):
            mean, scale, _ = self._law(*self._parts(z))
            each.append(between(self.df, (self.low - mean) / scale, (self.high - mean) / scale))
        score: Array = np.log(np.maximum(np.concatenate(each), LEAST)).sum(axis=1)
        return score

    def bent(self, plane: Plane) -> Bent:
        """The same (m, 1) at free coordinates of a plane, with slopes and second derivatives by them."""
        start, way = on_plane(self.predictor, plane)
        turn = _Turn.of(way)

        def bent(U: Array) -> Bends:
            parts = zip(*(self._bent(z, turn) for z in self._chunks(start + U @ way.T)), strict=True)
            value, slope, bend = (np.concatenate(part) for part in parts)
            return value[:, None], slope[:, None], bend[:, None]

        return bent

    def _chunks(self, z: Array) -> list[Array]:
        return chunks(z, self.bend.shape[0] * self.bend.shape[1])

    def _parts(self, z: Array) -> tuple[Array, Array]:
        """The parts f (m, p) at coordinates z (m, D), and the squared lengths of these, (m,)."""
        known = self.predictor.posterior
        q = (z * z).sum(axis=1)
        distance = np.sqrt(np.maximum(q[:, None] - 2 * (z @ known.z.T) + (known.z * known.z).sum(axis=1), 0.0))
        curves = bell(np.abs(along(z, known.z, known.axes))).mean(axis=0)
        return _joined(z, bell(distance), curves), q

    def _law(self, f: Array, q: Array) -> tuple[Array, Array, Array]:
        """Mean and scale (m, r) where the parts are f (m, p) and squared lengths q; f times `bend`, (r, m, p)."""
        pushed: Array = f @ self.bend
        square = self.fixed + q[:, None] * self.own + (q * q)[:, None] * self.ownest + f @ self.lean
        square += (pushed * f).sum(axis=2).T
        return self.level + f @ self.mean, np.sqrt(np.maximum(square, _TINY)), pushed

    def _bent(self, z: Array, turn: _Turn) -> Bends:
        """Sum of the log chances (m,) at coordinates z (m, D), and its derivatives by u."""
        (m, D), known = z.shape, self.predictor.posterior
        d, n, first = turn.way.shape[1], len(known.z), D + len(_pairs(D)[0])
        q, ahead = (z * z).sum(axis=1), z @ turn.way
        near, change = kernels_with_bends(z, known.z, known.axes, turn.way)
        f = _joined(z, near.bells, near.curves)
        moves = np.empty((m, f.shape[1], d))
        moves[:, :D], moves[:, D:first] = turn.way, (z @ turn.moves).reshape(m, -1, d)
        moves[:, first : first + n], moves[:, first + n :] = change.moves()
        mean, scale, pushed = self._law(f, q)
        total, by, (twice, mixed, square) = log_between_bent(self.df, self.low, self.high, mean, scale)
        drive = 2 * pushed.transpose(1, 0, 2) + self.lean.T
        of_mean = self.mean.T @ moves
        of_square = drive @ moves + (2 * self.own + 4 * q[:, None] * self.ownest)[:, :, None] * ahead[:, None]
        slope = (by[0][:, None] @ of_mean + by[1][:, None] @ of_square)[:, 0]
        by_parts = by[0] @ self.mean.T + (by[1][:, None] @ drive)[:, 0]
        weights = (by[1] @ self.bend.reshape(len(self.bend), -1)).reshape(m, f.shape[1], -1)
        bend = 2 * moves.transpose(0, 2, 1) @ (weights @ moves)
        bend += of_mean.transpose(0, 2, 1) @ (twice[..., None] * of_mean + mixed[..., None] * of_square)
        bend += of_square.transpose(0, 2, 1) @ (mixed[..., None] * of_mean + square[..., None] * of_square)
        # What the parts bend by themselves: products, bells and curves, and the squared length.
        by_clouds, ownest = by_parts[:, None, first:], by[1] @ self.ownest
        straight = 2 * (by[1] @ self.own) + 4 * q * ownest
        bend += (by_parts[:, D:first] @ turn.bends + straight[:, None] * turn.flat).reshape(m, d, d)
        bend += 8 * ownest[:, None, None] * ahead[..., None] * ahead[:, None]
        bend += change.bends(by_clouds[..., :n], by_clouds[..., n:])[:, 0]
        return total, slope, bend


@dataclass(frozen=True, slots=True, eq=False)
class _Turn:
    """How coordinates z (D,) and their k products two by two move with free ones u (d,): dz = way du.

    `moves` (D, k d) times z are the slopes of the products and `bends` (k, d d) their second derivatives; `flat` (d d,)
    is half that of the squared length.
    """

    way: Array
    moves: Array
    bends: Array
    flat: Array

    @classmethod
    def of(cls, way: Array) -> _Turn:
        """For dz = way du."""
        D, d = way.shape
        one, other = _pairs(D)
        moves, each = np.zeros((D, len(one), d)), np.arange(len(one))
        np.add.at(moves, (one, each), way[other])
        np.add.at(moves, (other, each), way[one])
        bends = (moves.transpose(1, 2, 0) @ way).reshape(len(one), d * d)
        return cls(way, moves.reshape(D, -1), bends, (way.T @ way).ravel())


def log_between_bent(
    df: Array, low: Array, high: Array, mean: Array, scale: Array
) -> tuple[Array, tuple[Array, Array], tuple[Array, Array, Array]]:
    """Sum (m,) of the logs of the chances of t laws between low and high (r,), of mean and scale (m, r).

    And each log's derivatives (m, r) by mean and squared scale v; by the mean twice, by both, and by v twice. Worked
    out by hand from dx/d mean = -1/s and dx/dv = -x / 2v of each end x on the standard law.
    """
    x = np.stack([low - mean, high - mean]) / scale
    x = np.clip(x, -_FAR, _FAR)
    chance = np.maximum(between(df, x[0], x[1]), LEAST)
    at = density(df, x)
    steep = density_slope(df, x, at)
    fall = x * steep

    def across(part: Array) -> Array:
        difference: Array = part[0] - part[1]
        return difference

    by_mean = across(at) / (scale * chance)
    square = scale * scale
    by_square = across(x * at) / (2 * square * chance)
    twice = -across(steep) / (square * chance)
    mixed = -across(at + fall) / (2 * square * scale * chance)
    squared = -across(x * (3 * at + fall)) / (4 * square * square * chance)
    logs = np.log(chance).sum(axis=1)
    return logs, (by_mean, by_square), (twice - by_mean**2, mixed - by_mean * by_square, squared - by_square**2)


def _joined(z: Array, bells: Array, curves: Array) -> Array:
    """The parts f (m, p) of the kernels at z (m, D)."""
    one, other = _pairs(z.shape[1])
    return np.concatenate([z, z[:, one] * z[:, other], bells, curves], axis=1)


@lru_cache(maxsize=16)
def _pairs(d: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The numbers of the products of d coordinates two by two: the one, the other."""
    return np.triu_indices(d)


def _by_products(known: Array) -> Array:
    """From sums over products with n known places (n, d), and their squares, to sums over the first parts, (2 n, p)."""
    one, other = _pairs(known.shape[1])
    return block_diag(known, np.where(one == other, 1.0, 2.0) * known[:, one] * known[:, other])
