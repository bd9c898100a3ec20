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

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.statistics.hyperprior import POINT, grid_of, heaviest, heaviest_of_each, weighed, with_blocks
from optimise.statistics.kernels import kernels, kernels_with_slopes
from optimise.statistics.marginal import (
    ALONE,
    Data,
    Groups,
    Standardised,
    group_numbers,
    log_weights,
    projections,
    standardised,
)
from optimise.statistics.predictive import TMixture

Array = npt.NDArray[np.float64]

_KEEP_MOST = 40  # points of the grid, shared among completions
_KEEP_LEAST = 10


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
        cls, z: Array, y: Array, groups: Groups = ALONE, weights: Array | None = None, axes: Array | None = None
    ) -> Posterior:
        """Fit to coordinates z (n, d) and values y (n,) on the model's scale, or to m completions (m, n) of them.

        `groups` say what errors the batches share. `weights` (n,) are inverse to the variances of the values (numbers
        of readings, say). `axes` (q, d) are directions of length 1 along which curves are drawn, the coordinates
        themselves where none are given. Raises ModelError when there are too few batches for an error, or when all
        values are the same.
        """
        ready, grid = standardised(z, y, groups, weights, axes), grid_of(groups)
        data, most = ready.data, max(_KEEP_LEAST, _KEEP_MOST // len(ready.y))
        blocks = group_numbers(groups.blocks)
        drawn = replace(data, fixed=np.ones((len(data.noise), 1)), blocks=blocks, df=len(data.noise) - 1)
        kept = []
        for each in ready.y:
            logs = log_weights(grid, data, each)
            if blocks.size:
                ahead, ratio = with_blocks(grid[heaviest(logs, most)])
                where = heaviest_of_each(ratio, log_weights(ahead, drawn, each), most)
            else:
                ahead = grid
                where = heaviest_of_each(grid[:, 5], logs, most) if groups.few else weighed(logs, most)
            kept.append((where[0], ahead[where[1], 1:]))
        mass = np.concatenate([each for each, _ in kept]) / len(ready.y)
        draw = np.repeat(np.arange(len(ready.y)), [len(each) for each, _ in kept])
        points = np.concatenate([each for _, each in kept])
        return cls._from(replace(ready, data=drawn) if blocks.size else ready, mass, points, draw)

    @classmethod
    def _from(cls, values: Standardised, weights: Array, points: Array, draw: npt.NDArray[np.intp]) -> Posterior:
        """What predicts, of components with `weights` (c,) at `points` (c, 6), each of the completion `draw` (c,)."""
        data, y = values.data, values.y[draw]
        P, lean, floor = projections(points, data)
        alpha = (P @ y[:, :, None])[:, :, 0]
        arrays = {
            "z": data.z,
            "axes": data.axes,
            "fixed": data.fixed,
            "noise": data.noise,
            "y": values.y,
            "plots": data.plots,
            "blocks": data.blocks,
            "weights": weights,
            "points": points,
            "s2": np.maximum((alpha * y).sum(axis=1) / data.df, 1e-300),
            "intercept": (lean * y).sum(axis=1),
            "alpha": alpha,
            "P": P,
            "lean": lean,
            "floor": floor,
        }
        own = {name: np.array(array, dtype=float) for name, array in arrays.items()}
        whose = np.array(draw, dtype=np.intp)
        for array in (*own.values(), whose):
            array.setflags(write=False)
        return cls(df=float(data.df), centre=values.centre, size=values.size, draw=whose, **own)

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
        """`at` and `slopes` at coordinates z (m, d) in one pass, for searches."""
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
            numbers = dict(zip(POINT, self.points[j].tolist(), strict=True))
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
        values = Standardised(data, y, float(kept["centre"]), float(kept["size"]))
        parts = kept["components"]
        points = np.array([[part[name] for name in POINT] for part in parts])
        weights = np.array([part["weight"] for part in parts])
        draw = np.array([part["draw"] for part in parts], dtype=np.intp)
        return cls._from(values, weights, points, draw)
