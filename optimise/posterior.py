"""The averaged posterior that predicts: a quadratic with structured shrinkage and a small smooth discrepancy.

With z the whitened coordinates of the region (zero mean, covariance I/3) and y standardised,

    y | s2 ~ N(X b, s2 [I + tL^2 ZZ' + tQ^2 (ZZ')^2 + tD^2 M])

where X is the intercept and block columns with a flat prior, (ZZ')^2 is taken element by element (the
rotation-invariant normal prior on all squares and cross terms), and M is the Matern 5/2 kernel with length ell.
s2 has the prior 1/s2 and is integrated exactly; tL, tQ/tL, tD/tL and ell over a fixed grid. Each grid point
predicts by a t law.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

from doe.problems import ModelError, Problem
from optimise.predictive import TMixture

Array = npt.NDArray[np.float64]

_LINEAR = (0.3, 0.6, 1.2, 2.4, 4.8, 9.6)
_QUADRATIC_RATIO = (0.05, 0.12, 0.25, 0.5, 1.0, 2.0)
_SMOOTH_RATIO = (0.12, 0.25, 0.5, 1.0)
_LENGTHS = (1.0, 2.0)
_NO_SMOOTH = 0.2
_KEEP_MASS = 0.995
_KEEP_MOST = 40
_CHUNK_NUMBERS = 6_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Component:
    """One kept grid point: its weight, t's, and what predicts from the training z.

    Mean: `intercept + k(z)' alpha`; variance over s2: `k(z, z) - k' P k - 2 c' k + c0`, all in standardised y.
    """

    weight: float
    linear: float
    quadratic: float
    smooth: float
    length: float
    s2: float
    intercept: float
    alpha: Array
    P: Array
    c: Array
    c0: float


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """The posterior of one response: training z (n, d), degrees of freedom, centre and size of y, components."""

    z: Array
    df: float
    centre: float
    size: float
    components: tuple[Component, ...]

    @classmethod
    def fit(cls, z: Array, y: Array, nuisance: Array | None = None) -> Posterior:
        """Fit to coordinates z (n, d) and values y (n,) on the model's scale; `nuisance` (n, b) block columns.

        Raises ModelError when there are too few batches for an error, or when all values are the same.
        """
        n = len(y)
        X = np.ones((n, 1)) if nuisance is None else np.column_stack([np.ones(n), nuisance])
        df = n - int(np.linalg.matrix_rank(X))
        size = float(np.std(y, ddof=1)) if n > 1 else 0.0
        if df < 2:
            raise ModelError(
                [Problem("too-few-batches", "stop", "the model", f"{n} batches", "three or more", "make more")]
            )
        if size <= 1e-12 * max(1e-300, float(np.abs(y).max())):
            got, do = "all values are the same", "there is nothing to model; look at the method"
            raise ModelError([Problem("all-equal", "stop", "the model", got, "values that differ", do)])
        centre = float(np.mean(y))
        scaled = (y - centre) / size
        grid = list(_grid())
        logs = np.concatenate([_log_weights(part, z, scaled, X, df) for part in _chunks(grid, n)])
        mass = np.exp(logs - logs.max())
        mass /= mass.sum()
        order = np.argsort(-mass, kind="stable")
        enough = int(np.searchsorted(np.cumsum(mass[order]), _KEEP_MASS)) + 1
        kept = order[: min(enough, _KEEP_MOST)]
        total = mass[kept].sum()
        parts = tuple(_component(grid[i], float(mass[i] / total), z, scaled, X, df) for i in kept)
        return cls(z=z, df=float(df), centre=centre, size=size, components=parts)

    @property
    def weights(self) -> Array:
        """Weights of the components, (c,)."""
        return np.array([part.weight for part in self.components])

    def at(self, z: Array) -> TMixture:
        """What the posterior says at coordinates z (m, d)."""
        location, variance = np.empty((2, len(z), len(self.components)))
        dots, distance = z @ self.z.T, _distance(z, self.z)
        own = (z * z).sum(axis=1)
        for j, part in enumerate(self.components):
            k = _kernel(part, dots, distance)
            location[:, j] = part.intercept + k @ part.alpha
            prior = part.linear**2 * own + part.quadratic**2 * own**2 + part.smooth**2
            variance[:, j] = prior - np.einsum("mi,ij,mj->m", k, part.P, k, optimize=True) - 2 * k @ part.c + part.c0
        s = np.sqrt([part.s2 for part in self.components]) * self.size
        return TMixture(
            weights=self.weights,
            df=np.full(len(self.components), self.df),
            location=self.centre + self.size * location,
            mean_scale=s * np.sqrt(np.maximum(variance, 0.0)),
            residual=s,
        )

    def slopes(self, z: Array) -> tuple[Array, Array]:
        """Derivatives by z of each component's location and squared mean scale, each (m, c, d)."""
        m, d = z.shape
        by_location, by_variance = np.empty((2, m, len(self.components), d))
        dots, distance = z @ self.z.T, _distance(z, self.z)
        own = (z * z).sum(axis=1)
        for j, part in enumerate(self.components):
            k = _kernel(part, dots, distance)
            pull = part.linear**2 + 2 * part.quadratic**2 * dots
            bend = _matern_slope(distance, part.length) * part.smooth**2
            # dk_i/dz = pull_i z_i + bend_i (z - z_i)
            by_location[:, j] = (part.alpha * (pull - bend)) @ self.z + (bend @ part.alpha)[:, None] * z
            lever = -2 * (k @ part.P + part.c)
            prior = 2 * part.linear**2 + 4 * part.quadratic**2 * own
            by_variance[:, j] = prior[:, None] * z + (lever * (pull - bend)) @ self.z
            by_variance[:, j] += (lever * bend).sum(axis=1)[:, None] * z
        s2 = np.array([part.s2 for part in self.components])[None, :, None] * self.size**2
        return by_location * self.size, by_variance * s2

    def to_dict(self) -> dict[str, Any]:
        """All that a script needs to predict: training z, and per component the numbers of `Component`."""
        return {
            "kind": "averaged quadratic with smooth discrepancy",
            "z": self.z.tolist(),
            "df": self.df,
            "centre": self.centre,
            "size": self.size,
            "components": [
                {
                    "weight": part.weight,
                    "linear": part.linear,
                    "quadratic": part.quadratic,
                    "smooth": part.smooth,
                    "length": part.length,
                    "s2": part.s2,
                    "intercept": part.intercept,
                    "alpha": part.alpha.tolist(),
                    "P": part.P.tolist(),
                    "c": part.c.tolist(),
                    "c0": part.c0,
                }
                for part in self.components
            ],
        }


_Point = tuple[float, float, float, float, float]


def _grid() -> Iterator[_Point]:
    """Grid points (log prior, tL, tQ, tD, ell), 324 of them."""
    quadratic = _half_t(_QUADRATIC_RATIO, 0.5)
    smooth = _half_t(_SMOOTH_RATIO, 0.3)
    for t, (ratio, p) in product(_LINEAR, zip(_QUADRATIC_RATIO, quadratic, strict=True)):
        yield float(np.log(p * _NO_SMOOTH)), t, t * ratio, 0.0, 1.0
        for (extra, q), length in product(zip(_SMOOTH_RATIO, smooth, strict=True), _LENGTHS):
            yield float(np.log(p * (1 - _NO_SMOOTH) * q / len(_LENGTHS))), t, t * ratio, t * extra, length


def _half_t(ratios: tuple[float, ...], scale: float) -> Array:
    """Half-t law with 3 degrees of freedom on a log grid, made to add up to one."""
    r = np.array(ratios)
    density = r * (1 + (r / scale) ** 2 / 3) ** -2
    out: Array = density / density.sum()
    return out


def _chunks(grid: list[_Point], n: int) -> Iterator[list[_Point]]:
    size = max(1, _CHUNK_NUMBERS // (n * n))
    for start in range(0, len(grid), size):
        yield grid[start : start + size]


def _distance(a: Array, b: Array) -> Array:
    square = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1) - 2 * a @ b.T
    out: Array = np.sqrt(np.maximum(square, 0.0))
    return out


def _matern(r: Array, length: float) -> Array:
    """Matern kernel of order 5/2 (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, eq. 4.17)."""
    a = np.sqrt(5.0) * r / length
    out: Array = (1 + a + a * a / 3) * np.exp(-a)
    return out


def _matern_slope(r: Array, length: float) -> Array:
    """(dM/dr) / r, finite at r = 0."""
    a = np.sqrt(5.0) * r / length
    out: Array = -(5.0 / (3 * length**2)) * (1 + a) * np.exp(-a)
    return out


def _kernel(part: Component, dots: Array, distance: Array) -> Array:
    k = part.linear**2 * dots + part.quadratic**2 * dots**2
    if part.smooth:
        k = k + part.smooth**2 * _matern(distance, part.length)
    return k


def _covariance(point: _Point, dots: Array, distance: Array) -> Array:
    _, linear, quadratic, smooth, length = point
    K = np.eye(len(dots)) + linear**2 * dots + quadratic**2 * dots**2
    if smooth:
        K = K + smooth**2 * _matern(distance, length)
    return K


def _log_weights(points: list[_Point], z: Array, y: Array, X: Array, df: int) -> Array:
    """Log prior plus log marginal likelihood of each grid point, up to a constant, (len(points),)."""
    dots, distance = z @ z.T, _distance(z, z)
    K = np.stack([_covariance(p, dots, distance) for p in points])
    L = np.linalg.cholesky(K)
    right = np.broadcast_to(np.column_stack([X, y]), (len(points), len(y), X.shape[1] + 1))
    half = np.linalg.solve(L, right)
    A = half[:, :, :-1]
    XtX = np.einsum("gnb,gnc->gbc", A, A)
    Xty = np.einsum("gnb,gn->gb", A, half[:, :, -1])
    fit = np.einsum("gb,gb->g", Xty, np.linalg.solve(XtX, Xty[..., None])[..., 0])
    ss = np.maximum((half[:, :, -1] ** 2).sum(axis=1) - fit, 1e-300)
    log_det = 2 * np.log(np.diagonal(L, axis1=1, axis2=2)).sum(axis=1) + np.linalg.slogdet(XtX)[1]
    prior = np.array([p[0] for p in points])
    out: Array = prior - log_det / 2 - df / 2 * np.log(ss)
    return out


def _component(point: _Point, weight: float, z: Array, y: Array, X: Array, df: int) -> Component:
    K = _covariance(point, z @ z.T, _distance(z, z))
    L = np.linalg.cholesky(K)
    half = solve_triangular(L, np.eye(len(y)), lower=True)
    inverse = half.T @ half
    G = inverse @ X
    S = np.linalg.inv(X.T @ G)
    P = inverse - G @ S @ G.T
    lead = np.zeros(X.shape[1])
    lead[0] = 1.0
    alpha = P @ y
    arrays = [alpha, P, G @ S @ lead]
    for array in arrays:
        array.setflags(write=False)
    return Component(
        weight=weight,
        linear=point[1],
        quadratic=point[2],
        smooth=point[3],
        length=point[4],
        s2=max(float(y @ alpha) / df, 1e-300),
        intercept=float(lead @ S @ (G.T @ y)),
        alpha=arrays[0],
        P=arrays[1],
        c=arrays[2],
        c0=float(lead @ S @ lead),
    )
