"""The joint chance at a glance: each must's averaged posterior taken as one t law of the same mean and spread.

A must's law is a mixture over some forty components, each of which multiplies a matrix of its own. Their mean is one
sum over the kernel's parts, and the mixture's variance (the average of theirs and what their means differ by) one
quadratic form of the same parts, so that a place costs a fortieth. A search goes up this, and then the last steps up
the chance itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import block_diag

from optimise.formula.onepass import LEAST, OnePass, by_levels, chunks
from optimise.models.predictors import Chosen, PosteriorPredictor, coordinates
from optimise.statistics.matern import matern_with_slope
from optimise.statistics.student import between, density

Array = npt.NDArray[np.float64]

_TINY = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Laws:
    """One t law each of r musts that were read on the same batches.

    With the parts f (p,) of the kernel (the coordinates z, their products two by two, and for each length the Matern
    bells about the n batches) and q the squared length of z, the mean of a law is level + mean'f and its squared scale
    fixed + own q + ownest q² + f'lean + f'(bend f): (r,), (p, r), (r,), (r,), (r,), (p, r), (p, r p).
    """

    predictor: PosteriorPredictor
    lengths: Array
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
    def of(cls, one: OnePass) -> Laws:
        """The laws of the musts that `one` predicts together."""
        n, c = one.P.shape[1], len(one.weights)
        turn = _by_products(one.predictor.posterior.z)
        coefficients = np.zeros((c, 2 + len(one.lengths)))
        coefficients[:, 0], coefficients[:, 1] = one.linear, one.quadratic
        coefficients[np.arange(c), 2 + one.which] = one.smooth
        parts, last = coefficients.shape[1], np.append(one.first[1:], c)

        def turned(rows: Array) -> Array:
            return np.hstack([rows[:, : 2 * n] @ turn, rows[:, 2 * n :]])

        rows: list[tuple[Any, ...]] = []
        for part in (slice(a, b) for a, b in zip(one.first, last, strict=True)):
            weights, by, size = one.weights[part], coefficients[part], float(one.size[part][0])
            spread, at = weights * one.squared[part], size * one.intercept[part]
            apart = turned(size * (by[:, :, None] * one.alpha[part][:, None, :]).reshape(-1, parts * n))
            mean, level = weights @ apart, float(weights @ at)
            pairs = (spread[:, None, None] * by[:, :, None] * by[:, None, :]).reshape(-1, parts * parts)
            bend = (pairs.T @ one.P[part].reshape(-1, n * n)).reshape(parts, parts, n, n).transpose(0, 2, 1, 3)
            whole = apart.T @ (weights[:, None] * apart) - np.outer(mean, mean)
            whole -= turned(turned(bend.reshape(parts * n, parts * n)).T)
            lean = turned(((spread[:, None] * by).T @ one.lean[part]).reshape(1, -1))[0]
            fixed = spread @ (one.smooth[part] + one.floor[part]) + weights @ one.residual[part]
            rows.append((one.df[part][0], one.low[part][0], one.high[part][0], one.centre[part][0] + level, mean,
                         fixed + weights @ at**2 - level**2, spread @ one.linear[part], spread @ one.quadratic[part],
                         2 * ((weights * at) @ apart - level * mean - lean), whole))  # fmt: skip
        df, low, high, levels, means, fixed, own, ownest, leans, bends = (np.array(v) for v in zip(*rows, strict=True))
        return cls(one.predictor, one.lengths, df, low, high, levels, means.T.copy(), fixed, own, ownest,
                   leans.T.copy(), np.concatenate(list(bends), axis=1))  # fmt: skip

    def law(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Mean and scale of each must's law at levels X (m, k), each (m, r)."""
        *_, mean, scale = self._law(coordinates(self.predictor.region, X, chosen))
        return mean, scale

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Sum of the log chances at levels X (m, k), (m,)."""
        z = coordinates(self.predictor.region, X, chosen)
        chances = [self._chance(*self._law(rows)[-2:])[-1] for rows in self._chunks(z)]
        return np.concatenate([np.log(chance).sum(axis=1) for chance in chances])

    def score_and_slope(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The same, and its slope by the levels, (m, k)."""
        return by_levels(self.predictor, self._steep, self._chunks(coordinates(self.predictor.region, X, chosen)))

    def _chunks(self, z: Array) -> list[Array]:
        return chunks(z, self.bend.shape[1])

    def _law(self, z: Array) -> tuple[Any, ...]:
        """Squared length, slopes of the bells (a length each), parts times `bend` at z (m, d); mean, scale (m, r)."""
        known = self.predictor.posterior.z
        q = (z * z).sum(axis=1)
        one, other = _pairs(z.shape[1])
        distance = np.sqrt(np.maximum(q[:, None] - 2 * (z @ known.T) + (known * known).sum(axis=1), 0.0))
        bells, slopes = zip(*(matern_with_slope(distance, float(length)) for length in self.lengths), strict=True)
        f = np.hstack([z, z[:, one] * z[:, other], *bells])
        pushed = (f @ self.bend).reshape(len(z), len(self.df), -1)
        mean = self.level + f @ self.mean
        square = self.fixed + q[:, None] * self.own + (q * q)[:, None] * self.ownest + f @ self.lean
        square += (pushed * f[:, None, :]).sum(axis=2)
        return q, slopes, pushed, mean, np.sqrt(np.maximum(square, _TINY))

    def _chance(self, mean: Array, scale: Array) -> tuple[Array, Array, Array]:
        """The windows' ends on the standard law, and the chances between them, each (m, r)."""
        a, b = (self.low - mean) / scale, (self.high - mean) / scale
        return a, b, np.maximum(between(self.df, a, b), LEAST)

    def _steep(self, z: Array) -> tuple[Array, Array]:
        """Sum of the log chances at coordinates z (m, d), (m,), and its slope by them, (m, d)."""
        known = self.predictor.posterior.z
        q, slopes, pushed, mean, scale = self._law(z)
        a, b, chance = self._chance(mean, scale)
        at_a, at_b = density(self.df, np.stack([a, b]))
        share = 1 / (scale * chance)
        by_mean = share * (at_a - at_b)
        tilt = np.where(np.isfinite(a), a, 0.0) * at_a - np.where(np.isfinite(b), b, 0.0) * at_b
        by_square = share * tilt / (2 * scale)
        by = by_mean @ self.mean.T + by_square @ self.lean.T + 2 * (by_square[:, :, None] * pushed).sum(axis=1)
        d, n = z.shape[1], len(known)
        one, other = _pairs(d)
        square = np.zeros((len(z), d, d))
        square[:, one, other] = by[:, d : d + len(one)]
        bends = sum(by[:, d + len(one) + i * n :][:, :n] * bell for i, bell in enumerate(slopes))
        slope = by[:, :d] + ((square + square.transpose(0, 2, 1)) @ z[:, :, None])[:, :, 0] - bends @ known
        slope += (bends.sum(axis=1) + by_square @ (2 * self.own) + 4 * q * (by_square @ self.ownest))[:, None] * z
        return np.log(chance).sum(axis=1), slope


@lru_cache(maxsize=16)
def _pairs(d: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The numbers of the products of d coordinates two by two: the one, the other."""
    return np.triu_indices(d)


def _by_products(known: Array) -> Array:
    """From sums over products with n known places (n, d), and their squares, to sums over the first parts, (2 n, p)."""
    one, other = _pairs(known.shape[1])
    return block_diag(known, np.where(one == other, 1.0, 2.0) * known[:, one] * known[:, other])
