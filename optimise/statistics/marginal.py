"""The marginal likelihood of a response's values under the averaged posterior's prior, and what it projects them by."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.problems import ModelError, Problem
from optimise.statistics.kernels import kernels

Array = npt.NDArray[np.float64]

_CHUNK_NUMBERS = 6_000_000  # of covariances at a time, so that memory stays small


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Which batches go together, in the order of the values: what their errors share.

    `columns` (n, b) are block columns with a flat prior; predictions are made where they are all zero, so sum-to-zero
    columns predict for the average block. `plots` (n,) name the whole plot of each batch, or its block where blocks
    are drawn instead; `few` says that these are too few to tell how far they lie apart. `blocks` (n,) name the block
    of each batch, drawn beside whole plots; their columns are then given too.
    """

    columns: Array | None = None
    plots: npt.ArrayLike | None = None
    few: bool = False
    blocks: npt.ArrayLike | None = None


ALONE = Groups()
"""Every batch by itself."""


@dataclass(frozen=True, slots=True, eq=False)
class Data:
    """What the marginal likelihood of n values rests on.

    The coordinates z (n, D), the axes of curves (a, D), the columns with a flat prior (n, f), the relative variance
    of each value (n,), its plot (n,), the degrees of freedom n - f, and blocks that are drawn beside plots (n,).
    """

    z: Array
    axes: Array
    fixed: Array
    noise: Array
    plots: Array
    df: int
    blocks: Array


@dataclass(frozen=True, slots=True, eq=False)
class Standardised:
    """Values `y` (m, n), standardised by `centre` and `size`, and what they rest on."""

    data: Data
    y: Array
    centre: float
    size: float


def standardised(
    z: Array, y: npt.ArrayLike, groups: Groups, weights: Array | None = None, axes: Array | None = None
) -> Standardised:
    """What `Posterior.fit` works on: its arguments, z (n, d) and y (n,) or (m, n) among them.

    Raises ModelError with fewer than two degrees of freedom, and where all values are equal.
    """
    values = np.atleast_2d(np.asarray(y, dtype=float))
    n = values.shape[1]
    middle = values.mean(axis=0)
    fixed = np.ones((n, 1)) if groups.columns is None else np.column_stack([np.ones(n), groups.columns])
    fixed = fixed[:, _independent(fixed)]
    df = n - fixed.shape[1]
    size = float(np.std(middle, ddof=1)) if n > 1 else 0.0
    if df < 2:
        do = "make more batches, or plan fewer blocks"
        got = f"{n} batches in {fixed.shape[1]} blocks" if fixed.shape[1] > 1 else f"{n} batches"
        raise ModelError([Problem("too-few-batches", "stop", "the model", got, "two more than blocks", do)])
    if size <= 1e-12 * max(1e-300, float(np.abs(values).max())):
        got, do = "all values are the same", "there is nothing to model; look at the method"
        raise ModelError([Problem("all-equal", "stop", "the model", got, "values that differ", do)])
    noise = np.ones(n) if weights is None else np.mean(weights) / np.asarray(weights, dtype=float)
    centre = float(np.mean(middle))
    scaled = (values - centre) / size
    along = np.eye(z.shape[1]) if axes is None else axes
    data = Data(z, along, fixed, noise, group_numbers(groups.plots), df, np.zeros(0))
    return Standardised(data, scaled, centre, size)


def projections(points: Array, data: Data) -> tuple[Array, Array, Array]:
    """P = K⁻¹ - G S G' (c, n, n), G S first column (c, n) and S first element (c,), with G = K⁻¹ X, S = (X'G)⁻¹."""
    inverse = np.linalg.inv(_covariances(points, data))
    inverse = 0.5 * (inverse + inverse.transpose(0, 2, 1))
    G = inverse @ data.fixed
    S = np.linalg.inv(data.fixed.T @ G)
    P: Array = inverse - G @ S @ G.transpose(0, 2, 1)
    lean: Array = (G @ S)[:, :, 0]
    return P, lean, np.array(S[:, 0, 0], dtype=float)


def group_numbers(names: npt.ArrayLike | None) -> Array:
    """The number (n,) of each name's group; empty without names."""
    return np.zeros(0) if names is None else np.unique(np.asarray(names), return_inverse=True)[1].astype(float)


def log_weights(grid: Array, data: Data, y: Array) -> Array:
    """Log posterior weight of each grid row for standardised values y (n,), up to a constant."""
    return np.concatenate([_log_weights(part, data, y) for part in _chunks(grid, len(y))])


def _log_weights(points: Array, data: Data, y: Array) -> Array:
    """Log prior plus log marginal likelihood of each grid row (log prior, point), up to a constant."""
    L = np.linalg.cholesky(_covariances(points[:, 1:], data))
    right = np.broadcast_to(np.column_stack([data.fixed, y]), (len(points), len(y), data.fixed.shape[1] + 1))
    half = np.linalg.solve(L, right)
    A = half[:, :, :-1]
    XtX = A.transpose(0, 2, 1) @ A
    Xty = A.transpose(0, 2, 1) @ half[:, :, -1:]
    fit = (Xty * np.linalg.solve(XtX, Xty)).sum(axis=(1, 2))
    ss = np.maximum((half[:, :, -1] ** 2).sum(axis=1) - fit, 1e-300)
    log_det = 2 * np.log(np.diagonal(L, axis1=1, axis2=2)).sum(axis=1) + np.linalg.slogdet(XtX)[1]
    out: Array = points[:, 0] - log_det / 2 - data.df / 2 * np.log(ss)
    return out


def _covariances(points: Array, data: Data) -> Array:
    """Covariance of y over s2 for each point (tL, tQ, tD, tC, tP, tB), (c, n, n)."""
    K = kernels(data.z, data.z, data.axes).mixed(points[:, :4] ** 2)
    K += np.diag(data.noise)
    if data.plots.size:
        K += points[:, 4, None, None] ** 2 * (data.plots[:, None] == data.plots[None, :])
    if data.blocks.size:
        K += points[:, 5, None, None] ** 2 * (data.blocks[:, None] == data.blocks[None, :])
    return K


def _chunks(grid: Array, n: int) -> Iterator[Array]:
    size = max(1, _CHUNK_NUMBERS // (n * n))
    for start in range(0, len(grid), size):
        yield grid[start : start + size]


def _independent(columns: Array) -> list[int]:
    """Columns that the earlier ones do not make up, the first always."""
    kept: list[int] = []
    for j in range(columns.shape[1]):
        if np.linalg.matrix_rank(columns[:, [*kept, j]]) == len(kept) + 1:
            kept.append(j)
    return kept
