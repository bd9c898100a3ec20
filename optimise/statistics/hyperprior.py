"""The prior of the spreads that the averaged posterior is averaged over, as a grid of points, and which points count.

A point (tL, tQ, tD, tC, tP, tB) holds, over the sd of a batch, how far linear terms, squares and products, the smooth
discrepancy as one surface or as curves, and groups of batches spread (see `optimise.statistics.posterior`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import product

import numpy as np
import numpy.typing as npt

from optimise.statistics.marginal import Groups

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

POINT = ("linear", "quadratic", "smooth", "curves", "plot", "block")
"""The spreads of a point by name, as in models.json."""

_LINEAR = (0.3, 0.6, 1.2, 2.4, 4.8, 9.6)
_QUADRATIC_RATIO = (0.05, 0.12, 0.25, 0.5, 1.0, 2.0)
# How far a surface is from any quadratic is hardly known beforehand: half-Cauchy of scale 1, the usual weak prior for a
# scale (Gelman 2006, Bayesian Anal. 1, 515-534; Polson & Scott 2012, Bayesian Anal. 7, 887-902; from memory). With a
# lighter tail (half-t of 3 degrees of freedom and scale 0.3) 90 % intervals of the chance hold 87 % of true ones.
_SMOOTH_RATIO = (1 / 9, 1 / 3, 1.0, 3.0)
_NO_SMOOTH = 0.2
_PLOT_RATIO = (0.35, 0.7, 1.4, 2.8, 5.6, 11.2)
# A few groups hardly say how far they lie apart, so that the tail of the prior weighs: half-Cauchy of scale 5. Where
# the sd between 3 groups of 6 is 5 times that of a batch, 90 % intervals for a batch of a new group hold 89 % (by
# simulation; as those of t on 2 degrees of freedom do); with half-t of 3 degrees of freedom and scale 3 they hold 82 %.
_FEW_RATIO = (*_PLOT_RATIO, 22.4, 44.8, 89.6)
_NO_PLOT = 0.2
_KEEP_MASS = 0.995  # of the posterior mass, by the points that are kept

_Point = tuple[float, float, float, float, float, float, float]


def grid_of(groups: Groups) -> Array:
    """All points, their log prior first, (g, 7): 324, and each with several spreads of plots where there are any."""
    return np.array(list(_alone() if groups.plots is None else _in_groups(_alone(), groups.few)))


def _alone() -> Iterator[_Point]:
    quadratic = _half_t(_QUADRATIC_RATIO, 0.5)
    smooth = _half_t(_SMOOTH_RATIO, 1.0, 1.0)
    for t, (ratio, p) in product(_LINEAR, zip(_QUADRATIC_RATIO, quadratic, strict=True)):
        yield float(np.log(p * _NO_SMOOTH)), t, t * ratio, 0.0, 0.0, 0.0, 0.0
        for extra, q in zip(_SMOOTH_RATIO, smooth, strict=True):
            log_prior = float(np.log(p * (1 - _NO_SMOOTH) * q / 2))
            yield log_prior, t, t * ratio, t * extra, 0.0, 0.0, 0.0
            yield log_prior, t, t * ratio, 0.0, t * extra, 0.0, 0.0


def _in_groups(grid: Iterable[_Point], few: bool) -> Iterator[_Point]:
    """The same with the sd between whole plots over that of a batch: none, or some by a half-t law on a log grid."""
    ratios = _FEW_RATIO if few else _PLOT_RATIO
    prior = _half_t(ratios, 5.0, 1.0) if few else _half_t(ratios, 1.0)
    for log_prior, *rest, _, _ in grid:
        linear, quadratic, smooth, curves = rest
        yield log_prior + float(np.log(_NO_PLOT)), linear, quadratic, smooth, curves, 0.0, 0.0
        for ratio, p in zip(ratios, prior, strict=True):
            yield log_prior + float(np.log(p * (1 - _NO_PLOT))), linear, quadratic, smooth, curves, ratio, 0.0


def with_blocks(grid: Array) -> tuple[Array, Array]:
    """Each point of a grid (g, 7) with the sd between a few blocks over that within one: none, or some; and the ratio.

    That within is of batches and whole plots together: counted against batches alone, the prior would hold days too
    close where whole plots lie far apart (90 % intervals for a new day then held 87 % in 150 studies, so 90 %).
    """
    ratios = np.array([0.0, *_FEW_RATIO])
    prior = np.log([_NO_PLOT, *((1 - _NO_PLOT) * _half_t(_FEW_RATIO, 5.0, 1.0))])
    out, each = np.repeat(grid, len(ratios), axis=0), np.tile(ratios, len(grid))
    out[:, 0] += np.tile(prior, len(grid))
    out[:, 6] = each * np.hypot(1.0, out[:, 5])
    return out, each


def _half_t(ratios: tuple[float, ...], scale: float, df: float = 3.0) -> Array:
    """Half-t law on a log grid, made to add up to one."""
    r = np.array(ratios)
    density = r * (1 + (r / scale) ** 2 / df) ** (-(df + 1) / 2)
    out: Array = density / density.sum()
    return out


def heaviest(logs: Array, most: int) -> Places:
    """Rows of a grid that hold most of the posterior mass, `most` of them at most, the heaviest first.

    `logs` (g,) are log posterior weights up to a constant.
    """
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    order = np.argsort(-mass, kind="stable")
    enough = int(np.searchsorted(np.cumsum(mass[order]), _KEEP_MASS)) + 1
    return order[: min(enough, most)]


def weighed(logs: Array, most: int) -> tuple[Array, Places]:
    """The weights of the `heaviest` rows (m,), made to add up to 1, and these rows."""
    kept = heaviest(logs, most)
    mass = np.exp(logs[kept] - logs.max())
    return mass / mass.sum(), kept


def heaviest_of_each(ratios: Array, logs: Array, most: int) -> tuple[Array, Places]:
    """`weighed`, each spread between groups, of `ratios` (g,), keeping its own share of the mass.

    The widest spreads are many light points, and decide tails.
    """
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    weights, places = [], []
    for ratio in np.unique(ratios):
        mine = np.flatnonzero(ratios == ratio)
        share = float(mass[mine].sum())
        if share < 1 - _KEEP_MASS:
            continue
        each, where = weighed(logs[mine], max(1, round(share * most)))
        weights.append(share * each)
        places.append(mine[where])
    kept = np.concatenate(weights)
    order = np.argsort(-kept, kind="stable")
    return kept[order] / kept.sum(), np.concatenate(places)[order]
