"""What stands behind a response in a proof: a prediction, a linear sum of the levels, or a ratio of two sums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.exact import Exact
from optimise.formula.space import Space
from optimise.models.predictors import LeastSquaresPredictor, PosteriorPredictor, Predictor
from optimise.proof.expansion import Curve, Expander, Source, Vicinity
from optimise.proof.polynomials import LeastSquaresExpander
from optimise.proof.smooth import SmoothExpander

Array = npt.NDArray[np.float64]


def expander(predictor: Predictor, space: Space, combo: Mapping[str, str]) -> Expander | None:
    """What expands a predictor in one piece of a space; None for one that is not known here, or has no scatter."""
    if isinstance(predictor, LeastSquaresPredictor):
        return LeastSquaresExpander.of(predictor, space, combo)
    if isinstance(predictor, PosteriorPredictor):
        return SmoothExpander.of(predictor, space, combo)
    return None


def source(predictor: Predictor | None, exact: Exact | None, space: Space, combo: Mapping[str, str]) -> Source | None:
    """What gives the centre of a response in one piece; None where that is not known here."""
    if predictor is not None:
        return expander(predictor, space, combo)
    sums = None if exact is None else exact.at(combo)
    if sums is None or sums.bend is not None:
        return None
    top = LinearSource.of(sums.top, sums.constant, space)
    return top if sums.under is None else RatioSource(top, LinearSource.of(sums.under, sums.under_constant, space))


def mean_cost(sources: Sequence[Source]) -> float:
    """The work of one place for the centres of sources: batches they share are looked at once."""
    return sum(one.mean_cost for one in sources) + _batches_cost(sources)


def cost(expanders: Sequence[Expander]) -> float:
    """The work of one place for whole expansions, likewise."""
    return sum(one.cost for one in expanders) + _batches_cost(expanders)


def _batches_cost(sources: Sequence[Source]) -> float:
    return sum({one.batches.key: one.batches.cost for one in sources if isinstance(one, SmoothExpander)}.values())


@dataclass(frozen=True, slots=True, eq=False)
class LinearSource:
    """A linear sum of the levels over the free coordinates: value + slope'u."""

    value: float
    slope: Array
    mean_cost: float = 2000.0

    @classmethod
    def of(cls, weights: Array, constant: float, space: Space) -> LinearSource:
        """The sum of the levels with `weights` (k,), and a constant."""
        slope = np.asarray(space.basis.T @ weights, dtype=float)
        return cls(float(space.origin @ weights + constant), slope)

    def mean(self, vicinity: Vicinity) -> Curve:
        """The sum near some places: nothing lies beyond its slope."""
        a, (n, d) = vicinity.a, vicinity.a.shape
        none, slope = np.zeros(n), np.broadcast_to(self.slope, (n, d)).copy()
        return Curve(self.value + a @ self.slope, slope, np.zeros((n, d, d)), none, none.copy())


@dataclass(frozen=True, slots=True, eq=False)
class RatioSource:
    """A ratio of two sums, the one under it above 0.

    With v the ratio at a, it is v + r / (1 + s) where r = (top' - v under')t / under and s = under't / under.
    """

    top: LinearSource
    under: LinearSource
    mean_cost: float = 5000.0

    def mean(self, vicinity: Vicinity) -> Curve:
        """The ratio near some places; unbounded where what is under it may be nothing."""
        a, w = vicinity.a, vicinity.w
        under = self.under.value + a @ self.under.slope
        value = (self.top.value + a @ self.top.slope) / under
        rise = (self.top.slope - value[:, None] * self.under.slope) / under[:, None]
        fall = self.under.slope / under[:, None]
        r, s = ((np.abs(part) * w).sum(axis=1) for part in (rise, fall))
        sound = (s < 1) & (under > 0)
        third = np.where(sound, r * s * s / np.where(sound, 1 - s, 1.0), np.inf)
        cross = rise[:, :, None] * fall[:, None, :]
        return Curve(value, rise, -(cross + cross.transpose(0, 2, 1)), r * s + third, third)
