"""Multipliers that make an upper bound over a box about as low as it goes, for many boxes at once.

Any mixture of two lines that both lie above a function lies above it too, and so does a line less any multiple of a
limit that is kept (its price: a Lagrange multiplier). Shares and prices are therefore free to choose. Chosen one after
the other they get stuck where several balance each other, as at a top where targets, limits and the fence meet.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_SWEEPS = 6  # of reweighting
_FINER = 0.3  # by which what is added to the weights' divisors falls each time


def best_multipliers(
    slope: Array, turn: Array, cost: Array, most: Sequence[float], w: Array, bowed: Array | None = None
) -> Array:
    """The x (n, k), each from 0 to its `most`, of about the least max over |t| <= w of x'cost + (slope + x'turn)'t.

    `slope` (n, d), `turn` (n, k, d), `cost` (n, k), w (n, d); with a curvature `bowed` (n, d) along each coordinate
    where it is below 0. The maximum is a sum of absolute values, made small by iteratively reweighted least squares;
    of all sweeps the best is kept. The bound holds for any x, and is close for a good one.
    """
    n, k, _ = turn.shape
    left, pull = slope * w, turn * w[:, None, :]
    scale = np.abs(pull).sum(axis=1).max(axis=1, initial=1e-300, keepdims=True)
    flat = np.zeros_like(w) if bowed is None else np.maximum(-bowed, 0.0) * w * w
    x, best, least = np.zeros((n, k)), np.zeros((n, k)), _risen(left, flat)
    for _ in range(_SWEEPS):
        scale = scale * _FINER
        weight = 1 / (np.maximum(np.abs(left), flat) + scale)
        for i in range(k):
            own = pull[:, i] * weight
            steep = (own * pull[:, i]).sum(axis=1)
            step = -(cost[:, i] + (own * left).sum(axis=1)) / np.where(steep > 0, steep, np.inf)
            moved = np.clip(x[:, i] + step, 0.0, most[i])
            left += (moved - x[:, i])[:, None] * pull[:, i]
            x[:, i] = moved
        total = (cost * x).sum(axis=1) + _risen(left, flat)
        better = total < least
        best, least = np.where(better[:, None], x, best), np.where(better, total, least)
    return best


def _risen(left: Array, flat: Array) -> Array:
    """Sum over the coordinates of the greatest left t - flat t² / 2 for |t| <= 1, (n,)."""
    size = np.abs(left)
    inner = 0.5 * left * left / np.where(flat > 0, flat, 1.0)
    return np.asarray(np.where(size < flat, inner, size - 0.5 * flat).sum(axis=1), dtype=float)
