"""The predicted centres of many responses at once: what rests on the same rows or batches is worked out once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.bends import Bends, Bent, Plane, Quadratics, by_differences, in_places, on
from optimise.formula.goals import Property
from optimise.formula.stacked import alike, on_plane
from optimise.models.predictors import LeastSquaresPredictor, PosteriorPredictor, Predictor, coordinates
from optimise.statistics.kernels import Around, Kernels, kernels, kernels_with_slopes

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]
Numbers = tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Averages:
    """The centres of r posteriors read on the same n batches, each averaged over its components.

    With the kernels of a place to the batches, a centre is `level` (r,) and the sums of `straight`, `square`, `bells`
    and `curves`, (r, n) each, times dots, dots², bells and curves.
    """

    predictor: PosteriorPredictor
    level: Array
    straight: Array
    square: Array
    bells: Array
    curves: Array

    @classmethod
    def of(cls, predictors: Sequence[PosteriorPredictor]) -> _Averages:
        level, parts = [], []
        for post in (one.posterior for one in predictors):
            level.append(post.centre + post.size * float(post.weights @ post.intercept))
            parts.append(post.size * (post.weights * post.shares.T) @ post.alpha)
        return cls(predictors[0], np.array(level), *np.array(parts).transpose(1, 0, 2))

    def _value(self, near: Kernels) -> Array:
        value: Array = self.level + near.dots @ self.straight.T + near.dots**2 @ self.square.T
        return value + near.bells @ self.bells.T + near.curves @ self.curves.T

    def bent(self, plane: Plane) -> Bent:
        """The centres (n, r) at free coordinates of a plane, with slopes and second derivatives by them."""
        known = self.predictor.posterior
        around = Around.of(known.z, known.axes, *on_plane(self.predictor, plane))
        seen = around.turned
        steady = 2 * seen.T @ (self.square[:, :, None] * seen)

        def bent(U: Array) -> Bends:
            dots, (bells, curves, change) = around.inner(U), around.with_bends(U)
            slope = (self.straight + 2 * self.square * dots[:, None]) @ seen
            slope += change.slopes(self.bells, self.curves)
            value = self._value(Kernels(dots, bells, curves))
            return value, slope, steady + change.bends(self.bells, self.curves)

        return bent

    def at(self, X: Array, chosen: Chosen) -> Array:
        """The centres at levels X (m, k), (m, r)."""
        known = self.predictor.posterior
        return self._value(kernels(coordinates(self.predictor.region, X, chosen), known.z, known.axes))

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The centres at levels X (m, k), (m, r), and their slopes by the levels, (m, r, k)."""
        known, J = self.predictor.posterior, self.predictor.turn
        near, steep = kernels_with_slopes(coordinates(self.predictor.region, X, chosen), known.z, known.axes)
        straight = self.straight[:, None] + 2 * self.square[:, None] * near.dots
        bells, curves = (np.broadcast_to(part[:, None], straight.shape) for part in (self.bells, self.curves))
        return self._value(near), steep.of(straight, bells, curves)[:, :, : len(J)] @ J


@dataclass(frozen=True, slots=True, eq=False)
class Means:
    """The centres of r responses on their model scales: least-squares fits of the same rows and posteriors of the same
    batches go together, the rest are `alone`. `fits` hold one fit of each kind of row, and coefficients (r, p).
    """

    count: int
    fits: tuple[tuple[LeastSquaresPredictor, Numbers, Array], ...]
    clouds: tuple[tuple[_Averages, Numbers], ...]
    alone: tuple[tuple[Predictor, int], ...]

    @classmethod
    def of(cls, predictors: Sequence[Predictor]) -> Means:
        """The centres of these predictors, in their order."""
        fits: list[tuple[LeastSquaresPredictor, list[int], list[Array]]] = []
        clouds: list[tuple[list[PosteriorPredictor], list[int]]] = []
        alone = []
        for number, one in enumerate(predictors):
            if isinstance(one, LeastSquaresPredictor):
                fit = next((fit for fit in fits if fit[0].same_rows(one)), None)
                if fit is None:
                    fits.append(fit := (one, [], []))
                fit[1].append(number)
                fit[2].append(one.beta)
            elif isinstance(one, PosteriorPredictor):
                cloud = next((cloud for cloud in clouds if alike(cloud[0][0], one)), None)
                if cloud is None:
                    clouds.append(cloud := ([], []))
                cloud[0].append(one)
                cloud[1].append(number)
            else:
                alone.append((one, number))
        return cls(
            len(predictors),
            tuple((kind, tuple(numbers), np.array(betas)) for kind, numbers, betas in fits),
            tuple((_Averages.of(many), tuple(numbers)) for many, numbers in clouds),
            tuple(alone),
        )

    def at(self, X: Array, chosen: Chosen) -> Array:
        """The centres at levels X (m, k), (m, r)."""
        out = np.zeros((len(X), self.count))
        for kind, numbers, betas in self.fits:
            out[:, numbers] = kind.terms.rows(X, chosen, kind.coding) @ betas.T
        for cloud, numbers in self.clouds:
            out[:, numbers] = cloud.at(X, chosen)
        for one, number in self.alone:
            out[:, number] = one.at(X, chosen).mean()
        return out

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The centres at levels X (m, k), (m, r), and their slopes by the levels, (m, r, k)."""
        values, slopes = np.zeros((len(X), self.count)), np.zeros((len(X), self.count, X.shape[1]))
        for kind, numbers, betas in self.fits:
            rows, gradient = kind.terms.with_gradient(X, chosen, kind.coding)
            which = list(numbers)
            values[:, which], slopes[:, which] = rows @ betas.T, betas @ gradient
        for cloud, numbers in self.clouds:
            which = list(numbers)
            values[:, which], slopes[:, which] = cloud.with_slopes(X, chosen)
        for one, number in self.alone:
            law, by_location, _ = one.at_with_slopes(X, chosen)
            values[:, number], slopes[:, number] = law.mean(), law.weights @ by_location
        return values, slopes

    def bent(self, plane: Plane) -> Bent:
        """The centres (n, r) at free coordinates of a plane, with slopes and second derivatives by them."""
        parts = [(numbers, cloud.bent(plane)) for cloud, numbers in self.clouds]
        for kind, numbers, betas in self.fits:
            if kind.terms.degree <= 2:
                parts.append((numbers, Quadratics.of(kind.terms, kind.coding, plane, betas)))
            else:
                other = Means(len(numbers), ((kind, tuple(range(len(numbers))), betas),), (), ())
                parts.append((numbers, by_differences(on(plane, other.with_slopes))))
        for one, number in self.alone:
            other = Means(1, (), (), ((one, 0),))
            parts.append(((number,), by_differences(on(plane, other.with_slopes))))
        return in_places(parts)


@dataclass(frozen=True, slots=True, eq=False)
class Centres:
    """The values of several properties in their own units: fitted centres, and exact quantities."""

    properties: tuple[Property, ...]
    fitted: tuple[int, ...]
    means: Means

    @classmethod
    def of(cls, properties: Sequence[Property]) -> Centres:
        """The centres of these properties."""
        pairs = [(i, one.predictor) for i, one in enumerate(properties) if one.predictor is not None]
        return cls(tuple(properties), tuple(i for i, _ in pairs), Means.of([predictor for _, predictor in pairs]))

    def at(self, X: Array, chosen: Chosen) -> Array:
        """Values (m, r) at levels X (m, k)."""
        values = np.zeros((len(X), len(self.properties)))
        centres = self.means.at(X, chosen)
        for j, i in enumerate(self.fitted):
            values[:, i] = self.properties[i].scale.back(centres[:, j])
        for i, one in enumerate(self.properties):
            if one.predictor is None:
                values[:, i] = one.values(X, chosen)
        return values

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Values (m, r) at levels X (m, k) and their slopes by the levels, (m, r, k)."""
        values, slopes = np.zeros((len(X), len(self.properties))), np.zeros((len(X), len(self.properties), X.shape[1]))
        centres, steep = self.means.with_slopes(X, chosen)
        for j, i in enumerate(self.fitted):
            scale, centre = self.properties[i].scale, centres[:, j]
            values[:, i], slopes[:, i] = scale.back(centre), scale.back_slope(centre)[:, None] * steep[:, j]
        for i, one in enumerate(self.properties):
            if one.predictor is None:
                values[:, i], slopes[:, i] = one.with_slopes(X, chosen)
        return values, slopes

    def bent(self, plane: Plane) -> Bent:
        """Values (n, r) at free coordinates of a plane, with slopes and second derivatives by them."""
        means, scales = self.means.bent(plane), [self.properties[i].scale for i in self.fitted]

        def fitted(U: Array) -> Bends:
            centre, slope, bend = means(U)
            every = list(zip(scales, centre.T, strict=True))
            rise = np.stack([scale.back_slope(v) for scale, v in every], axis=1)[:, :, None]
            curl = np.stack([scale.back_bend(v) for scale, v in every], axis=1)[:, :, None, None]
            bend = rise[..., None] * bend + curl * slope[..., None] * slope[:, :, None]
            return np.stack([scale.back(v) for scale, v in every], axis=1), rise * slope, bend

        plain = all(scale.name == "linear" for scale in scales)
        parts: list[tuple[Numbers, Bent]] = [(self.fitted, means if plain else fitted)] if scales else []
        for i, one in enumerate(self.properties):
            if one.predictor is None:
                other = Centres((one,), (), Means.of([]))
                parts.append(((i,), by_differences(on(plane, other.with_slopes))))
        return in_places(parts)
