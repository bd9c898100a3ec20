"""What a search goes up: the joint chance of all musts, or the published desirability, with slopes by the levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from optimise.formula.bends import Bent, Plane, Sloped, Slopes, added, by_differences
from optimise.formula.exact import Exact
from optimise.formula.momentmatching import Laws, LawsOnPlane
from optimise.formula.stacked import LEAST, Stacked, Wanted, alike
from optimise.models.predictors import PosteriorPredictor, Predictor
from optimise.models.scales import Scale

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

_LEAST_SD = 1e-12  # in place of the sd of a batch that has none
SOFT = 0.01  # the share below which its log goes on straight (see `soft_log`)


@dataclass(frozen=True, slots=True, eq=False)
class Aimed:
    """A fitted response in a search: what predicts it, its scale, and its window on the model's scale."""

    response: Response
    predictor: Predictor
    scale: Scale
    low: float | None
    high: float | None

    def each(self, X: Array, chosen: Chosen) -> Array:
        """The chance that one new batch lies in the window, (n,)."""
        return self.predictor.at(X, chosen).chance(self.low, self.high)

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Log of that chance, (n,)."""
        return np.log(np.maximum(self.each(X, chosen), LEAST))

    def score_and_slope(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """Log of that chance, (n,), and its slope by the levels, (n, k)."""
        mixture, by_location, by_variance = self.predictor.at_with_slopes(X, chosen)
        chance = np.maximum(mixture.chance(self.low, self.high), LEAST)
        at_location, at_scale = mixture.chance_slopes(self.low, self.high)
        # The batch scale s has ds = d(mean_scale²) / 2s.
        at_variance = at_scale / (2 * np.maximum(mixture.batch_scale, 1e-150))
        slope = (at_location[:, :, None] * by_location + at_variance[:, :, None] * by_variance).sum(axis=1)
        return np.log(chance), slope / chance[:, None]

    def sloped(self, plane: Plane) -> Sloped:
        """Log of that chance (n, 1) at free coordinates of a plane, with slopes by them (n, 1, d)."""

        def sloped(U: Array) -> Slopes:
            score, slope = self.score_and_slope(plane.levels(U), plane.chosen(len(U)))
            return score[:, None], (slope @ plane.basis)[:, None]

        return sloped

    def batch_sd(self, X: Array, chosen: Chosen) -> float:
        """What misses of it count in: the sd of one batch at levels X (1, k), on the model's scale; never 0."""
        law = self.predictor.at(X, chosen)
        return max(float(law.batch_scale[0] @ law.weights), _LEAST_SD)


@dataclass(frozen=True, slots=True, eq=False)
class MatchedChance:
    """Nearly the sum over the musts of the log chance that one new batch passes, for a fraction of the work."""

    together: tuple[Laws, ...]
    alone: tuple[Aimed, ...]
    _kept: dict[Any, MatchedOnPlane] = field(default_factory=dict, repr=False)

    def on(self, plane: Plane) -> MatchedOnPlane:
        """The same at free coordinates of a plane; kept for others that are the same plane."""
        key = plane.origin.tobytes(), plane.basis.tobytes(), tuple(plane.combo.items())
        if key not in self._kept:
            self._kept[key] = MatchedOnPlane(plane, tuple(one.on(plane) for one in self.together), self.alone)
        return self._kept[key]


@dataclass(frozen=True, slots=True, eq=False)
class MatchedOnPlane:
    """Nearly the sum of log chances (see `MatchedChance`) at free coordinates of a plane."""

    plane: Plane
    together: tuple[LawsOnPlane, ...]
    alone: tuple[Aimed, ...]

    def score(self, U: Array) -> Array:
        """The sum at places U (n, d), (n,)."""
        total, levels, chosen = np.zeros(len(U)), self.plane.levels(U), self.plane.chosen(len(U))
        for one in self.together:
            total += one.score(U)
        for other in self.alone:
            total += other.score(levels, chosen)
        return total

    @property
    def bent(self) -> Bent:
        """The sum (n, 1) with slopes and second derivatives."""
        parts: list[Bent] = [one.bent for one in self.together]
        return added([*parts, *(by_differences(one.sloped(self.plane)) for one in self.alone)])


@dataclass(frozen=True, slots=True, eq=False)
class ChanceGoal:
    """Sum over the musts of the log chance that one new batch passes, taken independently.

    Musts that rest on the same batches are predicted `together`, the rest are `alone`.
    """

    aimed: tuple[Aimed, ...]
    together: tuple[Stacked, ...]
    alone: tuple[Aimed, ...]
    _kept: dict[str, MatchedChance] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, aimed: Sequence[Aimed]) -> ChanceGoal:
        """The goal of these musts."""
        groups: list[list[Wanted]] = []
        alone = []
        for one in aimed:
            if not isinstance(one.predictor, PosteriorPredictor):
                alone.append(one)
                continue
            same = next((group for group in groups if alike(group[0][0], one.predictor)), None)
            if same is None:
                groups.append(same := [])
            same.append((one.predictor, one.low, one.high))
        return cls(tuple(aimed), tuple(Stacked.of(group) for group in groups), tuple(alone))

    @property
    def parts(self) -> tuple[Stacked | Aimed, ...]:
        """All that adds up."""
        return *self.together, *self.alone

    @property
    def matched(self) -> MatchedChance:
        """Nearly the same goal, for a fraction of the work."""
        if "matched" not in self._kept:
            self._kept["matched"] = MatchedChance(tuple(Laws.of(one) for one in self.together), self.alone)
        return self._kept["matched"]

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Log of the product of chances at levels X (n, k), (n,)."""
        total = np.zeros(len(X))
        for one in self.parts:
            total += one.score(X, chosen)
        return total

    def score_and_slope(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The score at levels X (n, k), (n,), and its slope by the levels, (n, k)."""
        total, slope = np.zeros(len(X)), np.zeros(X.shape)
        for one in self.parts:
            score, by_levels = one.score_and_slope(X, chosen)
            total += score
            slope += by_levels
        return total, slope

    def sloped(self, plane: Plane) -> Sloped:
        """The score (n, 1) at free coordinates of a plane, with slopes by them (n, 1, d)."""
        return added([one.sloped(plane) for one in self.parts])


@dataclass(frozen=True, slots=True, eq=False)
class Property:
    """What desirability reads of a response: a fitted centre in its own unit, or an exact quantity of the levels."""

    response: Response
    predictor: Predictor | None
    scale: Scale
    exact: Exact | None

    def values(self, X: Array, chosen: Chosen) -> Array:
        """Predicted centre (or exact value) in the response's unit at levels X (n, k), (n,)."""
        if self.predictor is None:
            return self.exact.values(X, chosen) if self.exact is not None else np.zeros(len(X))
        return self.scale.back(self.predictor.at(X, chosen).mean())

    def with_slopes(self, X: Array, chosen: Chosen) -> tuple[Array, Array]:
        """The value at levels X (n, k), (n,), and its slopes by the levels, (n, k)."""
        if self.predictor is None:
            return (
                self.exact.at(chosen).with_slopes(X)
                if self.exact is not None
                else (np.zeros(len(X)), np.zeros(X.shape))
            )
        mixture, by_location, _ = self.predictor.at_with_slopes(X, chosen)
        centre = mixture.mean()
        return self.scale.back(centre), self.scale.back_slope(centre)[:, None] * (mixture.weights @ by_location)


def soft_log(share: Array, soft: float = SOFT) -> tuple[Array, Array, Array]:
    """Log of a share, its slope and bend, straight on below `soft`: concave, and uphill also where nothing passes."""
    inner = np.maximum(share, soft)
    value, slope = np.log(inner) + np.minimum(share - soft, 0.0) / soft, 1 / inner
    return value, slope, np.where(share > soft, -slope * slope, 0.0)
