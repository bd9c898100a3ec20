"""Several responses predicted in one pass, for searches: what they share is worked out once for all of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.bends import Plane, Sloped, Slopes
from optimise.models.predictors import Chosen, PosteriorPredictor, coordinates
from optimise.statistics.kernels import Kernels, kernels, kernels_with_slopes
from optimise.statistics.student import between, density

Array = npt.NDArray[np.float64]
Wanted = tuple[PosteriorPredictor, float | None, float | None]

LEAST = 1e-280  # in place of a chance too small to take the log of
_TINY = 1e-300
_FAR = 1e100  # in place of an end that is not there, in scales of a law
# Numbers at a time in one array: what rows need then stays in the processor's own memory.
_CHUNK = 100_000


@dataclass(frozen=True, slots=True, eq=False)
class Stacked:
    """The averaged posteriors of responses that were read on the same batches, all their components in one row.

    Per component (c in all): `first` (r,) where each response begins, `weights`, `df`, the `shares` (c, 4) of the parts
    of the kernel, what predicts (see `Posterior`; `floor` with the variance of bells and curves in it), the scale of a
    batch, and the window of its response.
    """

    predictor: PosteriorPredictor
    first: npt.NDArray[np.intp]
    weights: Array
    df: Array
    shares: Array
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
    def of(cls, wanted: Sequence[Wanted]) -> Stacked:
        """The predictors of `wanted`, with their windows; `alike` says which can go together."""
        posteriors = [predictor.posterior for predictor, _, _ in wanted]
        counts = [p.weights.size for p in posteriors]
        size = np.repeat([p.size for p in posteriors], counts)
        squared = np.concatenate([p.s2 for p in posteriors]) * size**2

        def joined(name: str) -> Array:
            return np.concatenate([getattr(p, name) for p in posteriors])

        return cls(
            predictor=wanted[0][0],
            first=np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.intp),
            weights=joined("weights"),
            df=np.repeat([p.df for p in posteriors], counts),
            shares=joined("shares"),
            intercept=joined("intercept"),
            alpha=joined("alpha"),
            P=joined("P"),
            lean=joined("lean"),
            floor=joined("floor") + joined("shares")[:, 2:].sum(axis=1),
            centre=np.repeat([p.centre for p in posteriors], counts),
            size=size,
            squared=squared,
            residual=squared * (1 + joined("between") ** 2),
            low=np.repeat([-np.inf if low is None else low for _, low, _ in wanted], counts),
            high=np.repeat([np.inf if high is None else high for _, _, high in wanted], counts),
        )

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Sum of the log chances of all windows at levels X (m, k), (m,)."""
        z = coordinates(self.predictor.region, X, chosen)
        each = [self._inside(*self._ends(*self._laws(rows, self._near(rows))[1:])) for rows in self._chunks(z)]
        return np.concatenate([np.log(np.maximum(one, LEAST)).sum(axis=1) for one in each])

    def score_and_slope(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The same, and its slope by the levels, (m, k)."""
        return by_levels(self.predictor, self._steep, self._chunks(coordinates(self.predictor.region, X, chosen)))

    def sloped(self, plane: Plane) -> Sloped:
        """The same (m, 1) at free coordinates of a plane, with slopes by them (m, 1, d)."""
        start, turn = on_plane(self.predictor, plane)

        def sloped(U: Array) -> Slopes:
            parts = zip(*(self._steep(z) for z in self._chunks(start + U @ turn.T)), strict=True)
            score, slope = (np.concatenate(part) for part in parts)
            return score[:, None], (slope @ turn)[:, None]

        return sloped

    def _chunks(self, z: Array) -> list[Array]:
        return chunks(z, len(self.weights) * self.P.shape[1])

    def _near(self, z: Array) -> Kernels:
        known = self.predictor.posterior
        return kernels(z, known.z, known.axes)

    def _laws(self, z: Array, near: Kernels) -> tuple[Array, Array, Array]:
        """Levers (c, m, n), location and scale of a batch (m, c), from the kernels at z (m, d)."""
        k = near.mixed(self.shares)
        lever = k @ self.P
        lever += self.lean[:, None, :]
        location = self.intercept[:, None] + (k @ self.alpha[:, :, None])[:, :, 0]
        own = (z * z).sum(axis=1)
        spread = self.shares[:, :1] * own + self.shares[:, 1:2] * own**2 + self.floor[:, None]
        spread -= np.einsum("cmn,cmn->cm", lever, k) + (k @ self.lean[:, :, None])[:, :, 0]
        scale = np.sqrt(self.squared[:, None] * np.maximum(spread, 0.0) + self.residual[:, None]).T
        return lever, self.centre + self.size * location.T, np.maximum(scale, _TINY)

    @property
    def counts(self) -> npt.NDArray[np.intp]:
        """How many components each response has, (r,)."""
        return np.diff(self.first, append=len(self.weights))

    def _ends(self, location: Array, scale: Array) -> tuple[Array, Array]:
        return (self.low - location) / scale, (self.high - location) / scale

    def _inside(self, a: Array, b: Array) -> Array:
        return np.clip(np.add.reduceat(between(self.df, a, b) * self.weights, self.first, axis=1), 0.0, 1.0)

    def _steep(self, z: Array) -> tuple[Array, Array]:
        """Sum of the log chances at coordinates z (m, d), (m,), and its slope by them, (m, d)."""
        known = self.predictor.posterior
        near, steep = kernels_with_slopes(z, known.z, known.axes)
        lever, location, scale = self._laws(z, near)
        ends = np.stack([self.low, self.high])[:, None]
        ends = np.clip((ends - location) / scale, -_FAR, _FAR)
        at = density(self.df, ends)
        each = np.maximum(self._inside(*ends), LEAST)
        share = self.weights / (scale * np.repeat(each, self.counts, axis=1))
        by_location = (share * (at[0] - at[1]) * self.size).T
        at *= ends
        by_spread = (share * (at[0] - at[1]) * self.squared / scale).T
        # d location = alpha' dk, d spread = d(own terms) - 2 lever' dk.
        by_kernel = by_location[:, :, None] * self.alpha[:, None, :]
        lever *= by_spread[:, :, None]
        by_kernel -= lever
        linear, quadratic, bells, curves = (self.shares.T @ by_kernel.reshape(len(by_kernel), -1)).reshape(
            4, 1, *near.dots.shape
        )
        slope = steep.of(linear + 2 * quadratic * near.dots, bells, curves)[:, 0]
        own, by_own = (z * z).sum(axis=1), self.shares[:, :2].T @ by_spread
        return np.log(each).sum(axis=1), slope + (by_own[0] + 2 * own * by_own[1])[:, None] * z


def chunks(z: Array, each: int) -> list[Array]:
    """Places z (m, d) in turn, as many at once as `_CHUNK` numbers hold at `each` a place; one at least."""
    rows = max(1, _CHUNK // each)
    return [z[i : i + rows] for i in range(0, max(len(z), 1), rows)]


def by_levels(
    predictor: PosteriorPredictor, steep: Callable[[Array], tuple[Array, Array]], parts: Sequence[Array]
) -> tuple[Array, Array]:
    """Scores (m,) and slopes by the levels (m, k), from what `steep` gives of each part by the coordinates."""
    score, slope = (np.concatenate(part) for part in zip(*(steep(z) for z in parts), strict=True))
    J = predictor.turn
    return score, slope[:, : len(J)] @ J


def on_plane(predictor: PosteriorPredictor, plane: Plane) -> tuple[Array, Array]:
    """Coordinates z = start + turn u of the posterior on a plane: start (D,), turn (D, d)."""
    start = coordinates(predictor.region, plane.origin[None], plane.chosen(1))[0]
    turn = np.zeros((len(start), plane.basis.shape[1]))
    turn[: len(predictor.turn)] = predictor.turn @ plane.basis
    return start, turn


def alike(one: PosteriorPredictor, other: PosteriorPredictor) -> bool:
    """Whether two predictors rest on the same batches of the same region."""
    mine, its = one.posterior, other.posterior
    return one.region is other.region and mine.z.shape == its.z.shape and bool((mine.z == its.z).all())
