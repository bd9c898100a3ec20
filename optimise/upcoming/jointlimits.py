"""Limits that several new batches of one formula must all keep, for a confirmation that can fail."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from optimise.statistics.predictive import TMixture
from optimise.statistics.tolerance import check_share, increasing_root

Array = npt.NDArray[np.float64]

_TINY = 1e-300


def batch_limits(law: TMixture, batches: int, level: float = 0.95) -> Array:
    """Two-sided limits that hold all of `batches` new batches at once with chance `level`, for each recipe, (n, 2).

    The batches share the error of the mean and the uncertainty of the batch sd: for one component these are exact
    simultaneous prediction limits from a multivariate t with equal correlations h/(1 + h) (Hahn 1969, Technometrics
    11, 807-812; from memory). A mixture is centred on its median, each component counted by its weight. Given mean and
    sd the batches are independent, so the chance is the mean of [Phi(b) - Phi(a)]^batches over both.
    """
    check_share("level", level)
    if batches < 1:
        raise ValueError("limits need one batch at least")
    centre = law.median()
    shift = law.location - centre[:, None]
    u, by_u, z, by_z = _nodes()
    finite = np.isfinite(law.df)
    stretch = np.ones((law.df.size, u.size))
    stretch[finite] = np.sqrt(law.df[finite, None] / special.chdtri(law.df[finite, None], u))
    sigma = np.maximum(law.residual[:, None] * stretch, _TINY)
    # Means at the nodes, (n, c, nodes of sd, nodes of mean): the scale of the mean grows with the sd drawn.
    spread = law.mean_scale[:, :, None] * stretch
    off = shift[:, :, None, None] + spread[:, :, :, None] * z
    weight = law.weights[:, None, None] * by_u[:, None] * by_z

    def excess(half: Array) -> Array:
        wide = half[:, None, None, None]
        inside = special.ndtr((wide - off) / sigma[:, :, None]) - special.ndtr((-wide - off) / sigma[:, :, None])
        return np.asarray((inside**batches * weight).sum(axis=(1, 2, 3)) - level, dtype=float)

    high = (np.abs(shift) + 4 * law.batch_scale).max(axis=1) + _TINY
    short = excess(high) < 0
    for _ in range(60):
        if not short.any():
            break
        high = np.where(short, 2 * high, high)
        short = excess(high) < 0
    half = increasing_root(excess, np.zeros(law.size), high, tol=1e-9)
    return np.column_stack([centre - half, centre + half])


def joint_limits(laws: Sequence[TMixture], batches: int, level: float = 0.95) -> list[Array]:
    """`batch_limits` for several responses, together at least `level`: the error is shared out evenly (Bonferroni)."""
    share = 1 - (1 - level) / max(len(laws), 1)
    return [batch_limits(law, batches, share) for law in laws]


@lru_cache(maxsize=1)
def _nodes() -> tuple[Array, Array, Array, Array]:
    """Nodes and weights: upper-tail chance of chi-square (both ends drawn out), and the normal of the mean."""
    x, w = np.polynomial.legendre.leggauss(48)
    s = 0.5 * (x + 1)
    # u = 3 s² - 2 s³ puts more nodes to both tails.
    u, by_u = 3 * s**2 - 2 * s**3, 0.5 * w * 6 * s * (1 - s)
    z, by_z = np.polynomial.hermite_e.hermegauss(40)
    return u, by_u, z, by_z / by_z.sum()
