"""The chance that one new batch meets every must at once, and how that chance itself might move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

from optimise.statistics.predictive import TMixture
from optimise.statistics.student import quick_cdf

Array = npt.NDArray[np.float64]
Window = tuple[float | None, float | None]

_NODES = 512  # of the Sobol set
_SHIFTS = 8  # of it; what their means differ by gives the error bar
_DRAWS = 2048  # of the parameters
SOBOL_BITS = 30  # so that a page holds the nodes exactly
_EDGE = 1e-15  # kept between a chance and 0 or 1, whose normal deviates are infinite
_ROWS = 32  # recipes done at a time, to spare memory


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """Joint chance (n,), its numerical error bar (n,), and the chance of each response alone (n, r)."""

    joint: Array
    error: Array
    each: Array


@lru_cache(maxsize=8)
def _nodes(dimension: int) -> Array:
    """Fixed points in the unit cube: `_SHIFTS` random shifts of one Sobol set, (shifts, nodes, dimension)."""
    base, shifts = copula_nodes(dimension)
    points: Array = (base + shifts[:, None, :]) % 1.0
    points.setflags(write=False)
    return points


def copula_nodes(dimension: int) -> tuple[Array, Array]:
    """The Sobol set (nodes, dimension), whole multiples of 2^-30, and its shifts (shifts, dimension)."""
    base = qmc.Sobol(max(dimension, 1), scramble=True, bits=SOBOL_BITS, seed=np.random.default_rng(20)).random(_NODES)
    return np.asarray(base, dtype=float), np.random.default_rng(21).random((_SHIFTS, max(dimension, 1)))


def joint_chance(mixtures: Sequence[TMixture], windows: Sequence[Window], correlation: Array | None = None) -> Chance:
    """Chance that all responses lie in their windows (on the model's scale) for each of n recipes.

    Each response alone is exact. Responses are joined by a normal copula with `correlation` (r, r), the residual
    correlation between batches; None or the identity gives the product, exact too. The copula is integrated by
    sequential conditioning (Genz 1992, J. Comput. Graph. Stat. 1, 141-149) on fixed nodes, so that the chance is a
    smooth function of the recipe; `error` is the standard error over random shifts of the nodes.
    """
    ends = [open_ends(window) for window in windows]
    each = np.column_stack([m.chance(low, high) for m, (low, high) in zip(mixtures, ends, strict=True)])
    product = each.prod(axis=1)
    if correlation is None or len(mixtures) < 2 or np.allclose(correlation, np.eye(len(mixtures)), atol=1e-12):
        return Chance(product, np.zeros(len(each)), each)
    lower, upper = np.empty((2, *each.shape))
    for r, (mixture, (low, high)) in enumerate(zip(mixtures, ends, strict=True)):
        lower[:, r] = -np.inf if np.isneginf(low) else ndtri(np.clip(mixture.cdf(low), _EDGE, 1 - _EDGE))
        upper[:, r] = np.inf if np.isposinf(high) else ndtri(np.clip(mixture.cdf(high), _EDGE, 1 - _EDGE))
    root = np.asarray(np.linalg.cholesky(correlation), dtype=float)
    estimates = np.stack([_box(lower, upper, root, nodes) for nodes in _nodes(len(mixtures) - 1)])
    error = estimates.std(axis=0, ddof=1) / np.sqrt(_SHIFTS)
    return Chance(np.asarray(estimates.mean(axis=0)), np.asarray(error), each)


def open_ends(window: Window) -> tuple[float, float]:
    """The window with infinity for a side that is not limited."""
    low, high = window
    return (-np.inf if low is None else low), (np.inf if high is None else high)


def _box(lower: Array, upper: Array, root: Array, nodes: Array) -> Array:
    """Normal probability of boxes lower..upper (n, r) with Cholesky factor `root`, by nodes (q, r - 1)."""
    out = np.empty(len(lower))
    for start in range(0, len(lower), _ROWS):
        rows = slice(start, start + _ROWS)
        out[rows] = _boxes(lower[rows], upper[rows], root, nodes)
    return out


def _boxes(lower: Array, upper: Array, root: Array, nodes: Array) -> Array:
    """The same for few enough boxes to be at hand all at once."""
    n, r = lower.shape
    normal: list[Array] = []
    chance = np.ones((n, len(nodes)))
    for i in range(r):
        # The first does not depend on the nodes.
        shift = np.zeros((n, 1)) if not i else sum(root[i, j] * z for j, z in enumerate(normal))
        a, b = (_below(ends[:, i, None], shift, root[i, i]) for ends in (lower, upper))
        width = np.maximum(b - a, 0.0)
        chance *= width
        if i < r - 1:
            at = nodes[:, i] * width
            at += a
            normal.append(ndtri(np.clip(at, _EDGE, 1 - _EDGE, out=at)))
    return np.asarray(chance.mean(axis=1), dtype=float)


def _below(end: Array, shift: Array, scale: float) -> Array:
    """The normal chance below ends (n, 1), of which a whole column may be open, at shifts (n, q)."""
    if np.isinf(end).all():
        return (end > 0).astype(float)
    return quick_cdf(np.inf, (end - shift) / scale)


def chance_interval(
    mixtures: Sequence[TMixture], windows: Sequence[Window], level: float = 0.90, chance: Array | None = None
) -> Array:
    """How the chance might move with the parameters: its `level` interval for each of n recipes, (n, 2).

    The interval is that of the `true_chances`, with as much left out on either side. Where `chance` (n,) is given, that
    of one new batch, it is made wide enough to hold it, and so holds the chance in truth in at least `level` of all
    cases. For the chance of a new batch is the mean of those it may have in truth: where these are next to 0 but for a
    few that are large (far from what passes), or next to 1 but for a few, the mean lies beyond all but those few.
    """
    tail = (1 - level) / 2
    ends = np.quantile(true_chances(mixtures, windows), [tail, 1 - tail], axis=1).T
    if chance is not None:
        ends = np.column_stack([np.minimum(ends[:, 0], chance), np.maximum(ends[:, 1], chance)])
    return np.asarray(ends, dtype=float)


def true_chances(mixtures: Sequence[TMixture], windows: Sequence[Window]) -> Array:
    """Chances that each of n recipes may have in truth, (n, draws).

    For each response a component, a residual variance (scaled inverse chi-square) and a mean are drawn, the same
    random numbers for every recipe; each draw gives a chance as a product of normal windows.
    """
    draws = parameter_draws(len(mixtures))
    chances = np.ones((mixtures[0].size, _DRAWS))
    for r, (mixture, window) in enumerate(zip(mixtures, windows, strict=True)):
        low, high = open_ends(window)
        picked, spread, deviate = mixture.parameters(draws[:, r, 0], draws[:, r, 1], draws[:, r, 2])
        sigma = np.maximum(mixture.residual[picked] * spread, _EDGE * _EDGE)
        for start in range(0, mixture.size, _ROWS):
            rows = slice(start, start + _ROWS)
            centre = mixture.location[rows, picked] + mixture.mean_scale[rows, picked] * (spread * deviate)
            inside = np.ones_like(centre) if np.isposinf(high) else quick_cdf(np.inf, (high - centre) / sigma)
            if not np.isneginf(low):
                inside -= quick_cdf(np.inf, (low - centre) / sigma)
            chances[rows] *= np.maximum(inside, 0.0, out=inside)
    return chances


def passing_chances(mixtures: Sequence[TMixture], windows: Sequence[Window], size: int) -> Array:
    """Chances in truth, (n, draws), that `size` batches of each of n recipes made together, as on one day, all pass.

    Of the `true_chances` these are the powers where batches made together share no error. Where they do (`shared` of
    the mixture), they are independent given what they share, which is integrated over even nodes of the normal law.
    """
    draws = parameter_draws(len(mixtures))
    chances = np.ones((len(mixtures[0].location), _DRAWS))
    for r, (mixture, window) in enumerate(zip(mixtures, windows, strict=True)):
        low, high = open_ends(window)
        centre, own, common = _parted(mixture, draws[:, r])
        nodes, by = _day_nodes() if mixture.shared.any() else (np.zeros(1), np.ones(1))
        each = np.zeros_like(chances)
        for z, weight in zip(nodes, by, strict=True):
            at = centre + common * z
            inside = np.maximum(ndtr((high - at) / own) - ndtr((low - at) / own), 0.0)
            each += weight * inside**size
        chances *= each
    return chances


def chances_on_days(mixtures: Sequence[TMixture], windows: Sequence[Window], days: int) -> Array:
    """Chances in truth, (draws, days), that a batch of the first recipe passes when made on each of several days.

    Of the `true_chances` where batches made together share no error; else with what each day shares drawn as well.
    """
    draws = parameter_draws(len(mixtures))
    normal = np.random.default_rng(31).normal(size=(_DRAWS, len(mixtures), days))
    chances = np.ones((_DRAWS, days))
    for r, (mixture, window) in enumerate(zip(mixtures, windows, strict=True)):
        low, high = open_ends(window)
        centre, own, common = _parted(mixture, draws[:, r])
        at = centre[0][:, None] + common[:, None] * normal[:, r]
        chances *= np.maximum(ndtr((high - at) / own[:, None]) - ndtr((low - at) / own[:, None]), 0.0)
    return chances


def _parted(mixture: TMixture, uniform: Array) -> tuple[Array, Array, Array]:
    """Drawn means (n, draws), and sds of a batch by itself and of what batches made together share, (draws,)."""
    picked, spread, _ = mixture.parameters(*uniform[:, :3].T)
    centre, _ = mixture.draws(*uniform[:, :3].T)
    own = np.sqrt(np.maximum(mixture.residual**2 - mixture.shared**2, 0.0))[picked] * spread
    return centre, np.maximum(own, _EDGE * _EDGE), mixture.shared[picked] * spread


@lru_cache(maxsize=1)
def _day_nodes() -> tuple[Array, Array]:
    """Evenly spaced nodes of the normal law and their weights: as exact as their spacing for functions smooth on it."""
    z = np.linspace(-6.0, 6.0, 121)
    weights = np.exp(-(z**2) / 2)
    return z, weights / weights.sum()


@lru_cache(maxsize=8)
def parameter_draws(responses: int) -> Array:
    """Uniform draws (draws, responses, 3) for component, variance and mean."""
    sobol = qmc.Sobol(3 * responses, scramble=True, seed=np.random.default_rng(30))
    points = np.clip(sobol.random(_DRAWS), 1e-12, 1 - 1e-12).reshape(_DRAWS, responses, 3)
    points.setflags(write=False)
    return np.asarray(points, dtype=float)
