"""The averaged posterior that predicts: a quadratic with structured shrinkage and a small smooth discrepancy.

With z the whitened coordinates of the region (zero mean, covariance I/3) and y standardised,

    y | s2 ~ N(X b, s2 [W + tL^2 ZZ' + tQ^2 (ZZ')^2 + tD^2 M + tC^2 C + tP^2 G + tB^2 B])

where X is the intercept and block columns with a flat prior, W the identity or relative variances, (ZZ')^2 is taken
element by element (the rotation-invariant normal prior on all squares and cross terms), M is a Matern 5/2 kernel of the
distances over all coordinates, C the mean of one along the axis of each ingredient or factor (`kernels`), and G is 1
for batches of one whole plot, or of one block, else 0; B is the same for blocks beside whole plots. What no quadratic
follows is either one surface (tD) or a curve of each ingredient, added up (tC): a threshold, a pH that turns with one
acid. s2 has the prior 1/s2 and is integrated exactly; tL, tQ/tL, tD/tL or tC/tL and, where there are whole plots, tP
over a fixed grid. tB is looked for at the points of that grid that weigh most with an effect for each block. Each grid
point predicts by a t law, a new batch in a whole plot, and a block, of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.problems import ModelError, Problem
from optimise.statistics.kernels import kernels, kernels_with_slopes
from optimise.statistics.predictive import TMixture

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

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
_KEEP_MASS = 0.995
_KEEP_MOST = 40
_KEEP_LEAST = 10
_CHUNK_NUMBERS = 6_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """The posterior of one response, in c kept grid points; y standardised as (y - centre) / size.

    Training coordinates `z` (n, d), `axes` (q, d) of the curves, `fixed` (n, b) intercept and block columns, `noise`
    (n,) relative variances, `y` (m, n) the values, once or as m equally likely completions, `df`, `plots` (n,) the
    number of each batch's whole plot and `blocks` (n,) that of its block where both are drawn (empty without any). Per
    component: `weights` (c,), `points` (c, 6) = tL, tQ, tD, tC, tP, tB, `draw` (c,) the completion it belongs to, `s2`
    (c,), and what predicts: mean `intercept + k(z)' alpha`, relative variance `k(z, z) - k' P k - 2 k' lean + floor`,
    with shapes (c,), (c, n), (c, n, n), (c, n), (c,).
    """

    z: Array
    axes: Array
    fixed: Array
    noise: Array
    y: Array
    plots: Array
    blocks: Array
    df: float
    centre: float
    size: float
    weights: Array
    points: Array
    draw: npt.NDArray[np.intp]
    s2: Array
    intercept: Array
    alpha: Array
    P: Array
    lean: Array
    floor: Array

    @classmethod
    def fit(
        cls,
        z: Array,
        y: Array,
        nuisance: Array | None = None,
        weights: Array | None = None,
        plots: npt.ArrayLike | None = None,
        few: bool = False,
        blocks: npt.ArrayLike | None = None,
        axes: Array | None = None,
    ) -> Posterior:
        """Fit to coordinates z (n, d) and values y (n,) on the model's scale, or to m completions (m, n) of them.

        `nuisance` (n, b) are block columns with a flat prior; predictions are made where they are all zero, so
        sum-to-zero columns predict for the average block. `weights` (n,) are inverse to the variances of the values
        (numbers of readings, say); `plots` (n,) name the whole plot of each batch; `few` says that these are too
        few to tell how far they lie apart. `blocks` (n,) name the block of each batch, drawn beside whole plots; their
        columns are then given as `nuisance` too. `axes` (q, d) are directions of length 1 along which curves are drawn,
        the coordinates themselves where none are given. Raises ModelError when there are too few batches for an error,
        or when all values are the same.
        """
        ready = prepared(z, y, nuisance, weights, plots, few, axes)
        data, y, grid = ready.data, ready.y, ready.grid
        most = max(_KEEP_LEAST, _KEEP_MOST // len(y))
        drawn = _numbers(blocks)
        last = replace(data, fixed=np.ones((len(data.noise), 1)), blocks=drawn, df=len(data.noise) - 1)
        kept = []
        for each in y:
            logs = log_weights(grid, data, each)
            if drawn.size:
                ahead, ratio = _with_blocks(grid[_heaviest(logs, most)])
                where = _heaviest_of_each(ratio, log_weights(ahead, last, each), most)
            else:
                ahead = grid
                where = _heaviest_of_each(grid[:, 5], logs, most) if few else _weighed(logs, most)
            kept.append((where[0], ahead[where[1], 1:]))
        data = last if drawn.size else data
        mass = np.concatenate([each for each, _ in kept]) / len(y)
        draw = np.repeat(np.arange(len(y)), [len(each) for each, _ in kept])
        points = np.concatenate([each for _, each in kept])
        return cls._from(data, y, draw, ready.centre, ready.size, mass, points)

    @classmethod
    def _from(
        cls, data: Data, y: Array, draw: Places, centre: float, size: float, weights: Array, points: Array
    ) -> Posterior:
        P, lean, floor = projections(points, data)
        values = y[draw]
        alpha = (P @ values[:, :, None])[:, :, 0]
        s2 = np.maximum((alpha * values).sum(axis=1) / data.df, 1e-300)
        intercept = (lean * values).sum(axis=1)
        arrays = [
            data.z,
            data.axes,
            data.fixed,
            data.noise,
            y,
            data.plots,
            data.blocks,
            weights,
            points,
            s2,
            intercept,
            alpha,
            P,
            lean,
            floor,
        ]
        copies = [np.array(array, dtype=float) for array in arrays]
        whose = np.array(draw, dtype=np.intp)
        for array in [*copies, whose]:
            array.setflags(write=False)
        z, axes, fixed, noise, y, plots, blocks, weights, points, s2, intercept, alpha, P, lean, floor = copies
        return cls(
            z, axes, fixed, noise, y, plots, blocks, float(data.df), centre, size, weights, points, whose, s2,
            intercept, alpha, P, lean, floor,
        )  # fmt: skip

    def at(self, z: Array) -> TMixture:
        """What the posterior says at coordinates z (m, d)."""
        k = kernels(z, self.z, self.axes).mixed(self.shares)
        location = self.intercept[:, None] + (k @ self.alpha[:, :, None])[:, :, 0]
        variance = self._prior(z) - ((k @ self.P + 2 * self.lean[:, None, :]) * k).sum(axis=2)
        return self._mixture(location, variance)

    def slopes(self, z: Array) -> tuple[Array, Array]:
        """Derivatives by z of each component's location and squared mean scale, each (m, c, d)."""
        return self.at_with_slopes(z)[1:]

    def at_with_slopes(self, z: Array) -> tuple[TMixture, Array, Array]:
        """`at` and `slopes` in one pass, for searches."""
        near, steep = kernels_with_slopes(z, self.z, self.axes)
        k = near.mixed(self.shares)
        linear, quadratic, smooth, curves = self.shares.T[:, :, None, None]
        location = self.intercept[:, None] + (k @ self.alpha[:, :, None])[:, :, 0]
        pushed = k @ self.P
        variance = self._prior(z) - ((pushed + 2 * self.lean[:, None, :]) * k).sum(axis=2)
        straight = linear + 2 * quadratic * near.dots
        alpha, lever = self.alpha[:, None, :], -2 * (pushed + self.lean[:, None, :])
        one = np.ones_like(near.dots)
        by_location = steep.of(alpha * straight, alpha * (smooth * one), alpha * (curves * one))
        by_variance = steep.of(lever * straight, lever * smooth, lever * curves)
        own = (z * z).sum(axis=1)[:, None]
        by_variance += (2 * linear[:, 0, 0] + 4 * quadratic[:, 0, 0] * own)[:, :, None] * z[:, None, :]
        by_variance *= self.s2[:, None] * self.size**2
        return self._mixture(location, variance), by_location * self.size, by_variance

    def covariance(self, z: Array, parts: int = 1) -> Array:
        """Covariance of the means at coordinates z (m, d) in units of the variance of one batch, whole plot and all.

        In the heaviest components, of which there are `parts` at most, (parts, m, m).
        """
        prior = kernels(z, z, self.axes).mixed(self.shares[:parts])
        k = kernels(z, self.z, self.axes).mixed(self.shares[:parts])
        tilt = (k @ self.lean[:parts, :, None])[:, :, 0]
        found: Array = prior - k @ self.P[:parts] @ k.transpose(0, 2, 1) - tilt[:, :, None] - tilt[:, None, :]
        found += self.floor[:parts, None, None]
        return found / (1 + self.between[:parts, None, None] ** 2)

    def _prior(self, z: Array) -> Array:
        """The variance at z (m, d) before any batch, and that of the intercept, (c, m)."""
        linear, quadratic, smooth, curves = self.shares.T[:, :, None]
        own = (z * z).sum(axis=1)
        out: Array = linear * own + quadratic * own**2 + smooth + curves + self.floor[:, None]
        return out

    def _mixture(self, location: Array, variance: Array) -> TMixture:
        s = np.sqrt(self.s2) * self.size
        return TMixture(
            weights=self.weights,
            df=np.full(self.weights.size, self.df),
            location=self.centre + self.size * location.T,
            mean_scale=s * np.sqrt(np.maximum(variance.T, 0.0)),
            residual=s * np.hypot(1.0, self.between),
            shared=s * self.between,
        )

    @property
    def shares(self) -> Array:
        """The variances tL², tQ², tD² and tC², (c, 4)."""
        return np.asarray(self.points[:, :4] ** 2, dtype=float)

    @property
    def between(self) -> Array:
        """Sd of what the batches of one whole plot and block share over that of a batch, (c,)."""
        return np.asarray(np.hypot(self.points[:, 4], self.points[:, 5]), dtype=float)

    def to_dict(self) -> dict[str, Any]:
        """All that a script needs to predict; `from_dict` of it predicts the same.

        With K = diag(noise) + tL² ZZ' + tQ² (ZZ')² + tD² M + tC² C + tP² (same plot) + tB² (same block) and G = K⁻¹
        fixed: P = K⁻¹ - G (fixed' G)⁻¹ G'. With m(r) = (1 + a + a²/3) e^-a and a = √5 r, M is m of the distances
        between rows of z, C the mean over `axes` of m of those along an axis; tL, tQ, tD, tC, tP and tB are linear,
        quadratic, smooth, curves, plot and block. The sd of one new batch about its mean is sqrt(s2 (1 + tP² + tB²))
        size.
        """
        parts = []
        for j, weight in enumerate(self.weights):
            numbers = dict(zip(_POINT, self.points[j].tolist(), strict=True))
            lean, floor = self.lean[j].tolist(), float(self.floor[j])
            alpha, intercept = self.alpha[j].tolist(), float(self.intercept[j])
            numbers |= {"s2": float(self.s2[j]), "intercept": intercept}
            numbers |= {"draw": int(self.draw[j]), "weight": float(weight)}
            parts.append({**numbers, "alpha": alpha, "lean": lean, "floor": floor})
        return {
            "kind": "averaged quadratic with smooth discrepancy",
            "z": self.z.tolist(),
            "axes": self.axes.tolist(),
            "fixed": self.fixed.tolist(),
            "noise": self.noise.tolist(),
            "y": self.y.tolist(),
            "plots": self.plots.astype(int).tolist(),
            "blocks": self.blocks.astype(int).tolist(),
            "df": self.df,
            "centre": self.centre,
            "size": self.size,
            "components": parts,
        }

    @classmethod
    def from_dict(cls, kept: Mapping[str, Any]) -> Posterior:
        """The posterior that `to_dict` was made from."""
        z = np.array(kept["z"], dtype=float).reshape(len(kept["noise"]), -1)
        axes = np.array(kept["axes"], dtype=float).reshape(-1, z.shape[1])
        names = ("fixed", "noise", "y", "plots", "blocks")
        fixed, noise, y, plots, blocks = (np.array(kept[name], dtype=float) for name in names)
        data = Data(z, axes, fixed, noise, plots, int(kept["df"]), blocks)
        parts = kept["components"]
        points = np.array([[part[name] for name in _POINT] for part in parts])
        weights = np.array([part["weight"] for part in parts])
        draw = np.array([part["draw"] for part in parts], dtype=np.intp)
        return cls._from(data, y, draw, float(kept["centre"]), float(kept["size"]), weights, points)


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
class Prepared:
    """Values `y` (m, n), standardised by `centre` and `size`, and what they rest on.

    Each row of the grid is the log prior of a point and its six spreads, (G, 7).
    """

    data: Data
    y: Array
    centre: float
    size: float
    grid: Array


def prepared(
    z: Array,
    y: npt.ArrayLike,
    nuisance: Array | None,
    weights: Array | None,
    plots: npt.ArrayLike | None,
    few: bool,
    axes: Array | None = None,
) -> Prepared:
    """What `Posterior.fit` works on: the same arguments.

    Raises ModelError with fewer than two degrees of freedom, and where all values are equal.
    """
    values = np.atleast_2d(np.asarray(y, dtype=float))
    n = values.shape[1]
    middle = values.mean(axis=0)
    fixed = np.ones((n, 1)) if nuisance is None else np.column_stack([np.ones(n), nuisance])
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
    groups = _numbers(plots)
    grid = np.array(list(_grid())) if plots is None else np.array(list(_with_plots(_grid(), few)))
    along = np.eye(z.shape[1]) if axes is None else axes
    return Prepared(Data(z, along, fixed, noise, groups, df, np.zeros(0)), scaled, centre, size, grid)


def projections(points: Array, data: Data) -> tuple[Array, Array, Array]:
    """P = K⁻¹ - G S G' (c, n, n), G S first column (c, n) and S first element (c,), with G = K⁻¹ X, S = (X'G)⁻¹."""
    inverse = np.linalg.inv(_covariances(points, data))
    inverse = 0.5 * (inverse + inverse.transpose(0, 2, 1))
    G = inverse @ data.fixed
    S = np.linalg.inv(data.fixed.T @ G)
    P: Array = inverse - G @ S @ G.transpose(0, 2, 1)
    lean: Array = (G @ S)[:, :, 0]
    return P, lean, np.array(S[:, 0, 0], dtype=float)


def _numbers(names: npt.ArrayLike | None) -> Array:
    """The number (n,) of each name's group; empty without names."""
    return np.zeros(0) if names is None else np.unique(np.asarray(names), return_inverse=True)[1].astype(float)


def _heaviest(logs: Array, most: int) -> Places:
    """The places that hold most of the mass, at most so many, the heaviest first."""
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    order = np.argsort(-mass, kind="stable")
    enough = int(np.searchsorted(np.cumsum(mass[order]), _KEEP_MASS)) + 1
    return order[: min(enough, most)]


def _weighed(logs: Array, most: int) -> tuple[Array, Places]:
    """Their weights, made to add up to 1, and the heaviest places."""
    kept = _heaviest(logs, most)
    mass = np.exp(logs[kept] - logs.max())
    return mass / mass.sum(), kept


def _heaviest_of_each(ratios: Array, logs: Array, most: int) -> tuple[Array, Places]:
    """The same, each sd between groups, of `ratios`, keeping its own share: the widest are many light points, and
    decide tails.
    """
    mass = np.exp(logs - logs.max())
    mass /= mass.sum()
    weights, places = [], []
    for ratio in np.unique(ratios):
        mine = np.flatnonzero(ratios == ratio)
        share = float(mass[mine].sum())
        if share < 1 - _KEEP_MASS:
            continue
        each, where = _weighed(logs[mine], max(1, round(share * most)))
        weights.append(share * each)
        places.append(mine[where])
    kept = np.concatenate(weights)
    order = np.argsort(-kept, kind="stable")
    return kept[order] / kept.sum(), np.concatenate(places)[order]


_POINT = ("linear", "quadratic", "smooth", "curves", "plot", "block")
_Point = tuple[float, float, float, float, float, float, float]


def _grid() -> Iterator[_Point]:
    """Grid points (log prior, tL, tQ, tD, tC, tP, tB), 324 of them, without whole plots."""
    quadratic = _half_t(_QUADRATIC_RATIO, 0.5)
    smooth = _half_t(_SMOOTH_RATIO, 1.0, 1.0)
    for t, (ratio, p) in product(_LINEAR, zip(_QUADRATIC_RATIO, quadratic, strict=True)):
        yield float(np.log(p * _NO_SMOOTH)), t, t * ratio, 0.0, 0.0, 0.0, 0.0
        for extra, q in zip(_SMOOTH_RATIO, smooth, strict=True):
            log_prior = float(np.log(p * (1 - _NO_SMOOTH) * q / 2))
            yield log_prior, t, t * ratio, t * extra, 0.0, 0.0, 0.0
            yield log_prior, t, t * ratio, 0.0, t * extra, 0.0, 0.0


def _with_plots(grid: Iterable[_Point], few: bool) -> Iterator[_Point]:
    """The same with the sd between whole plots over that of a batch: none, or some by a half-t law on a log grid."""
    ratios = _FEW_RATIO if few else _PLOT_RATIO
    prior = _half_t(ratios, 5.0, 1.0) if few else _half_t(ratios, 1.0)
    for log_prior, *rest, _, _ in grid:
        linear, quadratic, smooth, curves = rest
        yield log_prior + float(np.log(_NO_PLOT)), linear, quadratic, smooth, curves, 0.0, 0.0
        for ratio, p in zip(ratios, prior, strict=True):
            yield log_prior + float(np.log(p * (1 - _NO_PLOT))), linear, quadratic, smooth, curves, ratio, 0.0


def _with_blocks(grid: Array) -> tuple[Array, Array]:
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


def _covariances(points: Array, data: Data) -> Array:
    """Covariance of y over s2 for each point (tL, tQ, tD, tC, tP, tB), (c, n, n)."""
    K = kernels(data.z, data.z, data.axes).mixed(points[:, :4] ** 2)
    K += np.diag(data.noise)
    if data.plots.size:
        K += points[:, 4, None, None] ** 2 * (data.plots[:, None] == data.plots[None, :])
    if data.blocks.size:
        K += points[:, 5, None, None] ** 2 * (data.blocks[:, None] == data.blocks[None, :])
    return K


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
