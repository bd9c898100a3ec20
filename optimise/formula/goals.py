"""What a search goes up: the joint chance of all musts, or the published desirability, with slopes by the levels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.definition.parts import Response
from optimise.formula.exact import Exact
from optimise.formula.onepass import OnePass, Wanted, alike
from optimise.models.aims import sides
from optimise.models.predictors import PosteriorPredictor, Predictor
from optimise.models.scales import Scale

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

_LEAST = 1e-280
_LEAST_SD = 1e-12
SOFT = 0.01


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

    def batch_sd(self, X: Array, chosen: Chosen) -> float:
        """What misses of it count in: the sd of one batch at levels X (1, k), on the model's scale; never 0."""
        law = self.predictor.at(X, chosen)
        return max(float(law.batch_scale[0] @ law.weights), _LEAST_SD)


@dataclass(frozen=True, slots=True, eq=False)
class ChanceGoal:
    """Sum over the musts of the log chance that one new batch passes, taken independently.

    Musts that rest on the same batches are predicted `together`, the rest are `alone`.
    """

    aimed: tuple[Aimed, ...]
    together: tuple[OnePass, ...]
    alone: tuple[Aimed, ...]

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
        return cls(tuple(aimed), tuple(OnePass.of(group) for group in groups), tuple(alone))

    def score(self, X: Array, chosen: Chosen) -> Array:
        """Log of the product of chances at levels X (n, k), (n,)."""
        each = [group.each(X, chosen) for group in self.together]
        each += [one.each(X, chosen)[:, None] for one in self.alone]
        return np.asarray(np.log(np.maximum(np.hstack([np.ones((len(X), 1)), *each]), _LEAST)).sum(axis=1), dtype=float)

    def score_and_slope(self, x: Array, chosen: Chosen) -> tuple[float, Array]:
        """The score at one recipe x (k,) and its slope by the levels (k,)."""
        total, slope = 0.0, np.zeros(len(x))
        for group in self.together:
            chances, slopes = group.chances(x[None], chosen)
            each = np.maximum(chances[0], _LEAST)
            total += float(np.log(each).sum())
            slope += (slopes[0] / each[:, None]).sum(axis=0)
        for one in self.alone:
            mixture, by_location, by_variance = one.predictor.at_with_slopes(x[None], chosen)
            chance = max(float(mixture.chance(one.low, one.high)[0]), _LEAST)
            at_location, at_scale = mixture.chance_slopes(one.low, one.high)
            # The batch scale s has ds = d(mean_scale²) / 2s.
            by_scale = by_variance[0] / (2 * np.maximum(mixture.batch_scale[0], 1e-150))[:, None]
            slope += (at_location[0] @ by_location[0] + at_scale[0] @ by_scale) / chance
            total += float(np.log(chance))
        return total, slope


@dataclass(frozen=True, slots=True)
class Ramp:
    """One side of a desirability: 0 at `start`, 1 from `full` on, to the power `exponent`; a step where they agree."""

    response: int
    start: float
    full: float
    exponent: float

    def share(self, value: Array) -> Array:
        """How far up the ramp, unclipped, (n,)."""
        return (value - self.start) / (self.full - self.start)


def ramps(responses: Sequence[Response]) -> tuple[list[Ramp], list[tuple[int, float, float]]]:
    """The sides of all desirabilities; and the plain limits (response, sign, limit) of those that only pass or fail.

    A plain limit asks sign * value >= sign * limit. See `aims.desirability` for the published functions.
    """
    slopes: list[Ramp] = []
    walls: list[tuple[int, float, float]] = []

    def side(number: int, start: float | None, full: float | None, exponent: float, sign: float) -> None:
        if start is None:
            return
        if full is None or sign * (full - start) <= 0:
            walls.append((number, sign, start))
        else:
            slopes.append(Ramp(number, start, full, exponent))

    for number, r in enumerate(responses):
        low, target, high = sides(r)
        if r.aim == "above":
            side(number, low, target if target is not None else high, r.exponent_low, 1.0)
        elif r.aim == "below":
            side(number, high, target if target is not None else low, r.exponent_high, -1.0)
        elif r.aim in ("target", "within"):
            side(number, low, target, r.exponent_low, 1.0)
            side(number, high, target, r.exponent_high, -1.0)
    return slopes, walls


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

    def value_and_slope(self, x: Array, chosen: Chosen) -> tuple[float, Array]:
        """The value at one recipe and its slope by the levels (k,)."""
        if self.predictor is None:
            return self.exact.at(chosen).value_and_slope(x) if self.exact is not None else (0.0, np.zeros(len(x)))
        mixture, by_location, _ = self.predictor.at_with_slopes(x[None], chosen)
        centre = mixture.mean()
        slope = float(self.scale.back_slope(centre)[0]) * (mixture.weights @ by_location[0])
        return float(self.scale.back(centre)[0]), slope


def soft_log(share: Array, soft: float = SOFT) -> tuple[Array, Array]:
    """Log of a share and its slope, continued straight below `soft`: concave, and uphill also where nothing passes."""
    inner = np.maximum(share, soft)
    value = np.log(inner) + np.minimum(share - soft, 0.0) / soft
    return value, 1 / inner
