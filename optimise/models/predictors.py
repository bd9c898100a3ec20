"""How a fitted response predicts at given levels, and how that changes with the levels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import present
from doe.region.region import Region
from doe.terms.codings import Coding
from doe.terms.terms import Terms
from optimise.statistics.posterior import Posterior
from optimise.statistics.predictive import TMixture

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]


class Predictor(Protocol):
    """What predicts a response, on its model scale, at levels X (n, k) of the region's names and chosen categories."""

    def at(self, X: Array, chosen: Chosen) -> TMixture:
        """The law of the mean and of one new batch at levels X (n, k)."""
        ...

    def slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Derivatives of location and of squared mean scale by the levels, each (n, c, k)."""
        ...

    def at_with_slopes(self, X: Array, chosen: Chosen) -> tuple[TMixture, Array, Array]:
        """`at` and `slopes` at levels X (n, k) in one pass, for searches."""
        ...

    def covariance(self, X: Array, chosen: Chosen, parts: int) -> Array:
        """Covariance of the means in units of the variance of one batch, in the heaviest components, (parts, n, n)."""
        ...


def split_levels(frame: pd.DataFrame, region: Region) -> tuple[Array, dict[str, npt.NDArray[Any]]]:
    """Numeric levels X (n, k) and chosen category levels of a frame of recipes."""
    X = frame[list(region.names)].to_numpy(dtype=float)
    return X, region.chosen(frame)


@dataclass(frozen=True, slots=True, eq=False)
class LeastSquaresPredictor:
    """Prediction by one least-squares fit: one t law.

    `beta` (p,) and `unscaled` (p, p) = (X'X)^-1 belong to `terms` in `coding`; `sd` on `df` degrees of freedom, of
    which `shared` is what batches made together have in common.
    """

    terms: Terms
    coding: Coding
    beta: Array
    unscaled: Array
    sd: float
    df: float
    shared: float = 0.0

    def at(self, X: Array, chosen: Chosen) -> TMixture:
        """The law of the mean and of one new batch at levels X (n, k)."""
        return self._law(self.terms.rows(X, chosen, self.coding))

    def slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Derivatives of location and squared mean scale by the levels, each (n, 1, k)."""
        return self.at_with_slopes(X, chosen)[1:]

    def at_with_slopes(self, X: Array, chosen: Chosen) -> tuple[TMixture, Array, Array]:
        """`at` and `slopes` at levels X (n, k) in one pass, for searches."""
        rows, gradient = self.terms.with_gradient(X, chosen, self.coding)
        by_location = np.einsum("npk,p->nk", gradient, self.beta)
        by_variance = 2 * self.sd**2 * np.einsum("npk,np->nk", gradient, rows @ self.unscaled)
        return self._law(rows), by_location[:, None, :], by_variance[:, None, :]

    def covariance(self, X: Array, chosen: Chosen, parts: int = 1) -> Array:
        """Covariance of the means at the recipes in units of the variance of one batch, (1, n, n)."""
        rows = self.terms.rows(X, chosen, self.coding)
        return np.asarray(rows @ self.unscaled @ rows.T, dtype=float)[None]

    def same_rows(self, other: LeastSquaresPredictor) -> bool:
        """Whether another fit has the same terms in the same coding, and so the same rows."""
        mine, its = self.coding, other.coding
        alike = self.terms is other.terms or self.terms.terms == other.terms.terms
        return alike and bool((mine.shift == its.shift).all() and (mine.scale == its.scale).all())

    def _law(self, rows: Array) -> TMixture:
        variance = ((rows @ self.unscaled) * rows).sum(axis=1)
        scale = self.sd * np.sqrt(np.maximum(variance, 0.0))
        return TMixture.single(rows @ self.beta, scale, self.sd, self.df, self.shared)


@dataclass(frozen=True, slots=True, eq=False)
class PosteriorPredictor:
    """Prediction by the averaged posterior, through the whitened coordinates of `region`.

    `turn` (d, k) are the slopes of those coordinates by the levels.
    """

    posterior: Posterior
    region: Region
    turn: Array = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "turn", levels_to_z(self.region))

    def at(self, X: Array, chosen: Chosen) -> TMixture:
        """The law of the mean and of one new batch at levels X (n, k)."""
        return self.posterior.at(coordinates(self.region, X, chosen))

    def slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Derivatives of location and squared mean scale by the levels, each (n, c, k)."""
        return self.at_with_slopes(X, chosen)[1:]

    def at_with_slopes(self, X: Array, chosen: Chosen) -> tuple[TMixture, Array, Array]:
        """`at` and `slopes` at levels X (n, k) in one pass, for searches."""
        law, by_location, by_variance = self.posterior.at_with_slopes(coordinates(self.region, X, chosen))
        J, d = self.turn, len(self.turn)
        return law, by_location[:, :, :d] @ J, by_variance[:, :, :d] @ J

    def covariance(self, X: Array, chosen: Chosen, parts: int = 1) -> Array:
        """Covariance of the means in units of the variance of one batch, in the heaviest components, (parts, n, n)."""
        return self.posterior.covariance(coordinates(self.region, X, chosen), parts)


def coordinates(region: Region, X: Array, chosen: Chosen) -> Array:
    """Coordinates (n, D) of the posterior: whitened numbers, then sqrt 2 (indicator - 1/levels) of category levels.

    A material that is absent is at 0 of all levels: it has no material to differ by (see `doe.definition.categories`).
    Raises KeyError for a level that is not known.
    """
    parts = [region.whitened(X)]
    for name, levels in modelled(region).items():
        given = chosen[name]
        strange = sorted({str(v) for v in given} - set(region.categories[name]))
        if strange:
            raise KeyError(f"{name} is {strange[0]}; known are {', '.join(region.categories[name])}")
        indicator = np.column_stack([(given == level).astype(float) for level in levels])
        there = indicator.sum(axis=1, keepdims=True)
        parts.append(np.sqrt(2.0) * (indicator - there / len(levels)))
    return np.column_stack(parts)


def modelled(region: Region) -> dict[str, tuple[str, ...]]:
    """The categories that models know of, with the levels that differ in them."""
    there = {name: present(name, levels) for name, levels in region.categories.items()}
    return {name: levels for name, levels in there.items() if len(levels) > 1}


def levels_to_z(region: Region) -> Array:
    """Slopes of the whitened coordinates by the levels, (d, k), for moves that stay on the region's plane."""
    d = region.dimension
    corners = region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
    z = region.whitened(corners)
    out: Array = (z[1:] - z[0]).T @ np.linalg.pinv((corners[1:] - corners[0]).T)
    out.setflags(write=False)
    return out


def axes_of(region: Region) -> Array:
    """The directions in the posterior's coordinates, of length 1 each, of the ingredients and factors, (q, d).

    Along one, a level goes through its own sds over the region, as coordinates do. Of a blend with a fill, the fill is
    what the others leave. Where nothing but categories differs, the coordinates stand for themselves.
    """
    d = region.dimension
    levels = sum(len(known) for known in modelled(region).values())
    if not d:
        return np.eye(levels)
    corners = region.decoded(np.vstack([np.zeros((1, d)), np.eye(d)]))
    z = region.whitened(corners)
    by_z = np.linalg.solve(z[1:] - z[0], corners[1:] - corners[0]).T
    size, top = np.linalg.norm(by_z, axis=1), np.abs(corners).max(axis=0)
    varied = [j for j, name in enumerate(region.names) if name != region.fill and size[j] > 1e-9 * top[j]]
    return np.column_stack([by_z[varied] / size[varied, None], np.zeros((len(varied), levels))])
