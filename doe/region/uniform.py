"""Uniform points in a polytope, and cubature of its uniform law."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement
from math import factorial

import numpy as np
import numpy.typing as npt

from doe.region.polytope import Corners, fan

Array = npt.NDArray[np.float64]

SAMPLE = 2**15  # random points that stand for the uniform law where there is no cubature
MOST_SIMPLICES = 40_000  # of a cubature
_SEED = 20_011
_TRIAL = 2048  # points of the box that are tried for rejection
_WORTHWHILE = 0.02  # the share of them in the region from which rejection pays; else hit-and-run
_CHAINS = 2048  # hit-and-run chains side by side
_PIECE = 65_536  # points at a time, to spare memory


def draw(G: Array, h: Array, inside: Array, n: int, rng: np.random.Generator) -> Array:
    """Uniform points (n, d) of {u : G u <= h} within -1..+1; `inside` (d,) is a point off every row.

    From the box, when at least 2 % of it is inside; else by hit-and-run (Smith 1984, Operations Research 32, 1296-1308;
    from memory) in many chains at once, along directions shaped by a first, shorter run.
    """
    d = G.shape[1]
    if d == 0:
        return np.zeros((n, 0))
    trial = rng.uniform(-1.0, 1.0, size=(_TRIAL, d))
    good = trial[(trial @ G.T <= h).all(axis=1)]
    if len(good) >= _WORTHWHILE * _TRIAL:
        return _from_box(G, h, n, good, rng)
    return _walk(G, h, inside, n, rng)


def _from_box(G: Array, h: Array, n: int, good: Array, rng: np.random.Generator) -> Array:
    found = [good]
    have, share = len(good), len(good) / _TRIAL
    while have < n:
        size = min(int((n - have) / share * 1.2) + 64, 200_000)
        trial = rng.uniform(-1.0, 1.0, size=(size, G.shape[1]))
        found.append(trial[(trial @ G.T <= h).all(axis=1)])
        have += len(found[-1])
    return np.concatenate(found)[:n]


def _walk(G: Array, h: Array, inside: Array, n: int, rng: np.random.Generator) -> Array:
    d = G.shape[1]
    chains = min(n, _CHAINS)
    points = np.tile(inside, (max(chains, 256), 1))
    shape: Array = np.eye(d)
    # The first run finds the shape of the region, the second forgets where the first began.
    for steps in (8 * d + 20, 8 * d + 20):
        points = _steps(G, h, points, shape, steps, rng)
        shape = np.linalg.cholesky(np.cov(points.T) + 1e-12 * np.eye(d)).astype(np.float64)
    found = [points[:chains]]
    while len(found) * chains < n:
        points = _steps(G, h, points, shape, 2 * d + 5, rng)
        found.append(points[:chains])
    return np.concatenate(found)[:n]


def _steps(G: Array, h: Array, points: Array, shape: Array, steps: int, rng: np.random.Generator) -> Array:
    for _ in range(steps):
        ways = rng.standard_normal(points.shape) @ shape.T
        rate, room = ways @ G.T, np.maximum(h - points @ G.T, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = room / rate
        most = np.where(rate > 1e-300, step, np.inf).min(axis=1)
        least = np.where(rate < -1e-300, step, -np.inf).max(axis=1)
        points = points + (least + (most - least) * rng.random(len(points)))[:, None] * ways
    return points


@dataclass(frozen=True, slots=True)
class Cubature:
    """Points (n, c) and weights (n,), summing to one, that stand for the uniform law over some coordinates `columns`.

    Exact for polynomials of the degree asked for when `exact`; else a fixed random sample of `SAMPLE` points.
    """

    columns: tuple[int, ...]
    points: Array
    weights: Array
    exact: bool

    @classmethod
    def over(
        cls, found: Corners | None, G: Array, h: Array, inside: Array, columns: tuple[int, ...], degree: int
    ) -> Cubature:
        """The cubature over the polytope {u : G u <= h} with these corners, exact to `degree` where it can be.

        Exact by a cubature of simplices (below) on the fan of the region from one corner, as long as its corners are
        known and it has no more than `MOST_SIMPLICES` simplices.
        """
        d = G.shape[1]
        if d == 0:
            return cls(columns, np.zeros((1, 0)), np.ones(1), True)
        simplices = None if found is None else fan(found, MOST_SIMPLICES)
        if found is None or simplices is None:
            points = draw(G, h, inside, SAMPLE, np.random.default_rng(_SEED))
            return cls(columns, points, np.full(len(points), 1.0 / len(points)), False)
        places, weights = _rule(d, degree)
        cells = found.points[simplices]
        volume = np.abs(np.linalg.det(cells[:, 1:] - cells[:, :1]))
        points = np.einsum("pc,scd->spd", places, cells).reshape(-1, d)
        spread = (volume[:, None] / volume.sum() * weights).ravel()
        return cls(columns, points, spread, True)

    def chunks(self) -> Iterator[tuple[Array, Array]]:
        """Points (n, c) and weights (n,) in pieces, to spare memory."""
        for start in range(0, len(self.points), _PIECE):
            yield self.points[start : start + _PIECE], self.weights[start : start + _PIECE]


@lru_cache(maxsize=64)
def _rule(d: int, degree: int) -> tuple[Array, Array]:
    """Barycentric points (p, d + 1) and weights (p,), summing to one, exact on a simplex to at least `degree`.

    Grundmann & Moeller 1978, SIAM J. Numer. Anal. 15, 282-290 (from memory): for degree 2 s + 1 and m = 2 s + 1 + d,
    weights (-1)^i 2^(-2s) (m - 2i)^(2s+1) / (i! (m - i)!) at the points (2 b + 1) / (m - 2i) with |b| = s - i.
    """
    s = max(0, degree // 2)
    places, weights = [], []
    for i in range(s + 1):
        base = 2 * s + 1 + d - 2 * i
        weight = (-1) ** i * 2.0 ** (-2 * s) * base ** (2 * s + 1) / (factorial(i) * factorial(2 * s + 1 + d - i))
        for chosen in combinations_with_replacement(range(d + 1), s - i):
            counts = np.bincount(np.array(chosen, dtype=np.intp), minlength=d + 1)
            places.append((2.0 * counts + 1.0) / base)
            weights.append(weight * factorial(d))
    return np.array(places), np.array(weights)
