"""Several responses predicted in one pass, for searches: what they share is worked out once for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.models.predictors import Chosen, PosteriorPredictor, coordinates
from optimise.statistics.posterior import matern, matern_slope
from optimise.statistics.predictive import between, density

Array = npt.NDArray[np.float64]
Wanted = tuple[PosteriorPredictor, float | None, float | None]

_TINY = 1e-300
# Rows at a time: what they need then stays in the processor's own memory.
_CHUNK = 8


@dataclass(frozen=True, slots=True, eq=False)
class OnePass:
    """The averaged posteriors of responses that were read on the same batches, all their components in one row.

    Per component (c in all): `first` (r,) where each response begins, `weights`, `df`, `lengths`, the squared sizes of
    the kernel's parts, what predicts (see `Posterior`), the scale of a batch, and the window of its response.
    """

    predictor: PosteriorPredictor
    first: npt.NDArray[np.intp]
    weights: Array
    df: Array
    lengths: Array
    which: npt.NDArray[np.intp]
    linear: Array
    quadratic: Array
    smooth: Array
    intercept: Array
    alpha: Array
    P: Array
    lean: Array
    floor: Array
    centre: Array
    size: Array
    squared: Array
    residual: Array
    low: Array
    high: Array

    @classmethod
    def of(cls, wanted: Sequence[Wanted]) -> OnePass:
        """The predictors of `wanted`, with their windows; `alike` says which can go together."""
        posteriors = [predictor.posterior for predictor, _, _ in wanted]
        counts = [p.weights.size for p in posteriors]
        points = np.concatenate([p.points for p in posteriors])
        lengths, which = np.unique(points[:, 3], return_inverse=True)
        size = np.repeat([p.size for p in posteriors], counts)
        squared = np.concatenate([p.s2 for p in posteriors]) * size**2

        def joined(name: str) -> Array:
            return np.concatenate([getattr(p, name) for p in posteriors])

        return cls(
            predictor=wanted[0][0],
            first=np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
            weights=joined("weights"),
            df=np.repeat([p.df for p in posteriors], counts),
            lengths=lengths,
            which=which.astype(np.intp),
            linear=points[:, 0] ** 2,
            quadratic=points[:, 1] ** 2,
            smooth=points[:, 2] ** 2,
            intercept=joined("intercept"),
            alpha=joined("alpha"),
            P=joined("P"),
            lean=joined("lean"),
            floor=joined("floor"),
            centre=np.repeat([p.centre for p in posteriors], counts),
            size=size,
            squared=squared,
            residual=squared * (1 + joined("between") ** 2),
            low=np.repeat([-np.inf if low is None else low for _, low, _ in wanted], counts),
            high=np.repeat([np.inf if high is None else high for _, _, high in wanted], counts),
        )

    def each(self, X: Array, chosen: Chosen) -> Array:
        """Each response's chance of its window at levels X (m, k), (m, r)."""
        z = coordinates(self.predictor.region, X, chosen)
        parts = [self._inside(*self._ends(*self._laws(z[i : i + _CHUNK])[-2:])) for i in range(0, len(z), _CHUNK)]
        return np.concatenate(parts) if parts else np.zeros((0, len(self.first)))

    def _laws(self, z: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        """Inner products, distances to the batches, squared lengths, levers; location and scale of a batch (m, c)."""
        known = self.predictor.posterior.z
        apart = z[:, None, :] - known[None, :, :]
        dots, distance, own = z @ known.T, np.sqrt((apart * apart).sum(axis=2)), (z * z).sum(axis=1)
        linear, quadratic, smooth = (part[:, None, None] for part in (self.linear, self.quadratic, self.smooth))
        k = linear * dots + quadratic * dots**2
        k += smooth * np.stack([matern(distance, float(length)) for length in self.lengths])[self.which]
        lever = k @ self.P + self.lean[:, None, :]
        location = self.intercept[:, None] + (k @ self.alpha[:, :, None])[:, :, 0]
        spread = self.linear[:, None] * own + self.quadratic[:, None] * own**2 + self.smooth[:, None]
        spread += self.floor[:, None] - ((lever + self.lean[:, None, :]) * k).sum(axis=2)
        scale = np.sqrt(self.squared[:, None] * np.maximum(spread, 0.0) + self.residual[:, None]).T
        return dots, distance, own, lever, self.centre + self.size * location.T, np.maximum(scale, _TINY)

    def _ends(self, location: Array, scale: Array) -> tuple[Array, Array]:
        return (self.low - location) / scale, (self.high - location) / scale

    def _inside(self, a: Array, b: Array) -> Array:
        return np.clip(np.add.reduceat(between(self.df, a, b) * self.weights, self.first, axis=1), 0.0, 1.0)

    def chances(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Each response's chance of its window at levels X (m, k), (m, r), and its slopes by the levels, (m, r, k)."""
        known = self.predictor.posterior.z
        z = coordinates(self.predictor.region, X, chosen)
        m, n, d = len(z), len(known), known.shape[1]
        dots, distance, own, lever, location, scale = self._laws(z)
        linear, quadratic, smooth = (part[:, None, None] for part in (self.linear, self.quadratic, self.smooth))
        bends = np.stack([matern_slope(distance, float(length)) for length in self.lengths])[self.which]
        a, b = self._ends(location, scale)
        at_a, at_b = density(self.df, a), density(self.df, b)
        share = self.weights / scale
        by_location = (share * (at_a - at_b) * self.size).T
        tilt = np.where(np.isfinite(a), a, 0.0) * at_a - np.where(np.isfinite(b), b, 0.0) * at_b
        by_spread = (share * tilt * self.squared / (2 * scale)).T
        # d location = alpha' dk, d spread = d(own terms) - 2 lever' dk; dk_i = pull_i z_i + bend_i (z - z_i).
        by_kernel = by_location[:, :, None] * self.alpha[:, None, :] - 2 * by_spread[:, :, None] * lever
        bend = by_kernel * (smooth * bends)
        pulled = by_kernel * (linear + 2 * quadratic * dots) - bend
        straight = bend.sum(axis=2) + by_spread * (2 * self.linear[:, None] + 4 * self.quadratic[:, None] * own)
        slopes = np.add.reduceat(pulled, self.first, axis=0).reshape(-1, n) @ known
        slopes = slopes.reshape(-1, m, d) + np.add.reduceat(straight, self.first, axis=0)[:, :, None] * z
        J = self.predictor.turn
        return self._inside(a, b), (slopes[:, :, : len(J)] @ J).transpose(1, 0, 2)


def alike(one: PosteriorPredictor, other: PosteriorPredictor) -> bool:
    """Whether two predictors rest on the same batches of the same region."""
    mine, its = one.posterior, other.posterior
    return one.region is other.region and mine.z.shape == its.z.shape and bool((mine.z == its.z).all())
