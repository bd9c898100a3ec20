"""Limits that several new batches of one formula must all keep, for a confirmation that can fail."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special

from optimise.statistics.predictive import TMixture
from optimise.statistics.student import sd_factor
from optimise.statistics.tolerance import check_share, increasing_root

Array = npt.NDArray[np.float64]

_TINY = 1e-300


def batch_limits(law: TMixture, batches: int, level: float = 0.95, together: Sequence[int] | None = None) -> Array:
    """Two-sided limits that hold all of `batches` new batches at once with chance `level`, for each recipe, (n, 2).

    The batches share the error of the mean and the uncertainty of the batch sd: for one component these are exact
    simultaneous prediction limits from a multivariate t with equal correlations h/(1 + h) (Hahn 1969, Technometrics
    11, 807-812; from memory). A mixture is centred on its median, each component counted by its weight. Given mean and
    sd the batches are independent, so the chance is the mean of [Phi(b) - Phi(a)]^batches over both.

    `together` gives the numbers of batches made together, which add up to `batches` (none of them unless given): they
    have `law.shared` in common, so that they miss, or hold, together (compound symmetry within each).

    Raises ValueError for a level outside 0 to 1, for no batches, and for numbers that do not add up to `batches`.
    """
    check_share("level", level)
    if batches < 1:
        raise ValueError("limits need one batch at least")
    sizes = [1] * batches if together is None else [size for size in together if size]
    if sum(sizes) != batches or min(sizes) < 0:
        raise ValueError("the batches made together do not add up to all batches")
    if max(sizes) > 1 and law.shared.any():
        return _limits_of_groups(law, sizes, level)
    centre = law.median()
    shift = law.location - centre[:, None]
    u, by_u, z, by_z = _nodes()
    stretch = sd_factor(law.df[:, None], u)
    sigma = np.maximum(law.residual[:, None] * stretch, _TINY)
    # Means at the nodes, (n, c, nodes of sd, nodes of mean): the scale of the mean grows with the sd drawn.
    spread = law.mean_scale[:, :, None] * stretch
    off = shift[:, :, None, None] + spread[:, :, :, None] * z
    weight = law.weights[:, None, None] * by_u[:, None] * by_z

    def excess(half: Array) -> Array:
        wide = half[:, None, None, None]
        inside = special.ndtr((wide - off) / sigma[:, :, None]) - special.ndtr((-wide - off) / sigma[:, :, None])
        return np.asarray((inside**batches * weight).sum(axis=(1, 2, 3)) - level, dtype=float)

    return _about(law, excess)


def _about(law: TMixture, excess: Callable[[Array], Array]) -> Array:
    """The limits about the median at which the excess of the chance over the level, growing with width, is nil."""
    centre = law.median()
    high = (np.abs(law.location - centre[:, None]) + 4 * law.batch_scale).max(axis=1) + _TINY
    short = excess(high) < 0
    for _ in range(60):
        if not short.any():
            break
        high = np.where(short, 2 * high, high)
        short = excess(high) < 0
    half = increasing_root(excess, np.zeros(law.size), high, tol=1e-9)
    return np.column_stack([centre - half, centre + half])


def _limits_of_groups(law: TMixture, sizes: Sequence[int], level: float) -> Array:
    """The same where batches of a group share an error: given mean, sd and what each group shares they are apart.

    Where all are of one group, what they share adds to the error of the mean, and no further integral is needed.
    """
    own = np.sqrt(np.maximum(law.residual**2 - law.shared**2, 0.0))
    one = len(sizes) == 1
    mean = np.hypot(law.mean_scale, law.shared) if one else law.mean_scale
    shared = np.zeros_like(law.shared) if one else law.shared
    counts = [(size, sizes.count(size)) for size in sorted(set(sizes))]
    # The chance given the errors changes over a batch's own sd, and the nodes stand closer than that.
    wide = float(np.max(np.maximum(mean.max(axis=0), shared) / np.maximum(own, 1e-3 * law.residual)))
    z, by_z = _even(max(0.5 / max(wide, 1.0), 0.02 if one else 0.1))
    u, by_u = _tail_nodes(48 if one else 16)
    stretch = sd_factor(law.df[:, None], u)
    sigma = np.maximum(own[:, None] * stretch, _TINY)
    shift = law.location - law.median()[:, None]

    def chance(half: Array, j: int) -> Array:
        """Of component j, (n,): over sd, mean and, for each size of group, what it shares."""
        off = shift[:, j, None, None] + (mean[:, j, None] * stretch[j])[:, :, None] * z
        common = (shared[j] * stretch[j])[:, None] * (np.zeros(1) if one else z)
        at = off[..., None] + common[:, None, :]
        edge = half[:, None, None, None]
        inside = special.ndtr((edge - at) / sigma[j][:, None, None]) - special.ndtr(
            (-edge - at) / sigma[j][:, None, None]
        )
        whole = np.ones(off.shape)
        for size, count in counts:
            whole *= (inside**size @ (np.ones(1) if one else by_z)) ** count
        out: Array = (whole @ by_z) @ by_u
        return out

    def excess(half: Array) -> Array:
        return np.asarray(sum(w * chance(half, j) for j, w in enumerate(law.weights)) - level, dtype=float)

    return _about(law, excess)


def joint_limits(
    laws: Sequence[TMixture], batches: int, level: float = 0.95, together: Sequence[Sequence[int]] | None = None
) -> list[Array]:
    """`batch_limits` for several responses, together at least `level`: the error is shared out evenly (Bonferroni).

    `together` gives for each response the numbers of batches made together.
    """
    share = 1 - (1 - level) / max(len(laws), 1)
    groups = [None] * len(laws) if together is None else together
    return [batch_limits(law, batches, share, sizes) for law, sizes in zip(laws, groups, strict=True)]


@lru_cache(maxsize=1)
def _nodes() -> tuple[Array, Array, Array, Array]:
    """Nodes and weights: upper-tail chance of chi-square (both ends drawn out), and the normal of the mean."""
    z, by_z = np.polynomial.hermite_e.hermegauss(40)
    return *_tail_nodes(48), z, by_z / by_z.sum()


def _tail_nodes(count: int) -> tuple[Array, Array]:
    """Nodes in (0, 1) and weights: u = 3 s² - 2 s³ puts more of them to both tails."""
    x, w = np.polynomial.legendre.leggauss(count)
    s = 0.5 * (x + 1)
    return 3 * s**2 - 2 * s**3, 0.5 * w * 6 * s * (1 - s)


def _even(step: float) -> tuple[Array, Array]:
    """Evenly spaced nodes of the normal law and their weights: for smooth functions as exact as their spacing."""
    z = np.arange(-6.5, 6.5 + step, min(step, 0.5))
    by_z = np.exp(-(z**2) / 2)
    return z, by_z / by_z.sum()
