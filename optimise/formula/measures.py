"""An aim as one number over the searched region, less being better: a cost, or how far a response is from its aim."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import optimize

from optimise.formula.ascent import Ends
from optimise.formula.bends import by_differences
from optimise.formula.climb import Limit, Subproblem, climb_down, climb_smallest_miss
from optimise.formula.exact import Exact
from optimise.formula.goals import Chosen, Property
from optimise.formula.peaks import Multistart, Peak
from optimise.models.aims import sides

Array = npt.NDArray[np.float64]

_FAR = 1e6  # taken off where too little of the whole search is kept: below every other score
_ROOM = 0.02  # of the way to the least, that the last rung stays short of it
_SLACK = 1e-6  # of a log score: what a run may be short of the share by


class Measure(Protocol):
    """One aim in numbers of which less is better, at each combo of category levels."""

    def values(self, U: Array, combo: Mapping[str, str]) -> Array:
        """The number at free coordinates U (n, d), (n,)."""

    def limit(self, combo: Mapping[str, str], ceiling: float) -> Limit:
        """That the number is at most `ceiling`, as a limit of a run uphill."""

    def least(self, combo: Mapping[str, str]) -> float:
        """The lowest number at a combo, or the lowest that was found."""

    def rungs(self, most: float, least: float, count: int) -> Array:
        """Numbers from `most` down to `least`, or to just short of it, (count,)."""


def at_peak(measure: Measure, peak: Peak) -> float:
    """The number at a peak."""
    return float(measure.values(peak.u[None], peak.combo)[0])


@dataclass(frozen=True, slots=True)
class Price:
    """Cost as a linear sum of the free coordinates, at each combo."""

    multistart: Multistart
    cost: Exact

    def _sum(self, combo: Mapping[str, str]) -> tuple[Array, float]:
        space = self.multistart.space.at(combo)
        cost = self.cost.at(combo)
        return cost.top @ space.basis, float(cost.top @ space.origin + cost.constant)

    def values(self, U: Array, combo: Mapping[str, str]) -> Array:
        """The cost at free coordinates U (n, d), (n,)."""
        slope, at_zero = self._sum(combo)
        out: Array = U @ slope + at_zero
        return out

    def limit(self, combo: Mapping[str, str], ceiling: float) -> Limit:
        """A ceiling on the cost."""
        slope, at_zero = self._sum(combo)
        size, most = max(float(np.abs(slope).sum()), 1e-300), ceiling - at_zero

        def limit(U: Array) -> tuple[Array, Array]:
            return (most - U @ slope)[:, None] / size, np.broadcast_to(-slope / size, (len(U), 1, len(slope)))

        return limit

    def least(self, combo: Mapping[str, str]) -> float:
        """The lowest cost at a combo, by linear programming."""
        space, (slope, at_zero) = self.multistart.space.at(combo), self._sum(combo)
        if space.dimension == 0:
            return at_zero
        found = optimize.linprog(slope, A_ub=space.G, b_ub=space.h, bounds=[(-1.0, 1.0)] * space.dimension)
        return at_zero + float(found.fun) if found.fun is not None else at_zero

    def rungs(self, most: float, least: float, count: int) -> Array:
        """Even steps of money."""
        return np.linspace(most, least, count)


@dataclass(frozen=True, slots=True)
class Wanting:
    """How far a response is from what is wanted, by its predicted centre on the model's scale, or its exact value.

    Wanted high or low: the centre itself, turned so that less is better. Wanted at a target, or within limits: the
    square of its distance from the target, or else from the middle of them.
    """

    multistart: Multistart
    of: Property

    def at(self, X: Array, chosen: Chosen) -> Array:
        """The number at levels X (n, k), (n,)."""
        predictor = self.of.predictor
        centre = self.of.values(X, chosen) if predictor is None else predictor.at(X, chosen).mean()
        return self._turned(centre)[0]

    def values(self, U: Array, combo: Mapping[str, str]) -> Array:
        """The number at free coordinates U (n, d), (n,)."""
        space = self.multistart.space.at(combo)
        return self.at(space.region.decoded(U), space.chosen(combo, len(U)))

    def with_slope(self, U: Array, combo: Mapping[str, str]) -> tuple[Array, Array]:
        """The number at places U (n, d), (n, 1), and its slope (n, 1, d)."""
        space = self.multistart.space.at(combo)
        X, chosen = space.origin + U @ space.basis.T, space.chosen(combo, len(U))
        if self.of.predictor is None:
            value, slope = self.of.with_slopes(X, chosen)
        else:
            mixture, by_location, _ = self.of.predictor.at_with_slopes(X, chosen)
            value, slope = mixture.mean(), mixture.weights @ by_location
        turned, by_centre = self._turned(value)
        return turned[:, None], (by_centre[:, None] * (slope @ space.basis))[:, None]

    def limit(self, combo: Mapping[str, str], ceiling: float) -> Limit:
        """That it is no farther than `ceiling` from what is wanted."""
        size = max(float(np.ptp(self.values(self.multistart.pool(combo), combo))), 1e-300)

        def limit(U: Array) -> tuple[Array, Array]:
            value, slope = self.with_slope(U, combo)
            return (ceiling - value) / size, -slope / size

        return limit

    def least(self, combo: Mapping[str, str]) -> float:
        """The lowest number found at a combo: downhill from the best of the pool."""
        pool = self.multistart.pool(combo)
        start = pool[int(np.argmin(np.round(self.values(pool, combo), 9)))]
        subproblem = self.multistart.subproblem(combo)
        return float(
            climb_smallest_miss(subproblem, by_differences(lambda U: self.with_slope(U, combo)), start[None])[1][0]
        )

    def rungs(self, most: float, least: float, count: int) -> Array:
        """Even steps of the centre, or of its distance from what is wanted.

        The last leaves a run some room: the least itself is one place, towards which nothing has a slope.
        """
        straight = self.of.response.aim in ("above", "below")
        first, last = (most, least) if straight else np.sqrt(np.maximum([most, least], 0.0)).tolist()
        steps = np.linspace(first, last + _ROOM * (first - last), count)
        return steps if straight else steps**2

    def _turned(self, centre: Array) -> tuple[Array, Array]:
        """The number at centres (n,), and its slope by them (n,)."""
        response, scale = self.of.response, self.of.scale
        if response.aim in ("above", "below"):
            sign = -1.0 if response.aim == "above" else 1.0
            return sign * centre, np.full(len(centre), sign)
        low, target, high = sides(response)
        aims = np.array([end for end in ((low, high) if target is None else (target,)) if end is not None])
        off = centre - float((aims if self.of.predictor is None else scale.forward(aims)).mean())
        return off**2, 2 * off


@dataclass(frozen=True, slots=True, eq=False)
class Near(Wanting):
    """How far a response is from one `value` of its own, on the model's scale: the square of the distance."""

    value: float

    def _turned(self, centre: Array) -> tuple[Array, Array]:
        off = centre - self.value
        return off**2, 2 * off


def bands(multistart: Multistart, one: Property, count: int) -> list[tuple[Near, float]]:
    """The way from low to high of a response that is wanted within them alone, in `count` bands: middle, ceiling.

    Even steps on the model's scale. None for another aim, where nearer to what is wanted is better.
    """
    low, target, high = sides(one.response)
    if one.response.aim != "within" or target is not None or low is None or high is None or one.response.kind == "pass":
        return []
    ends = np.array([low, high]) if one.predictor is None else one.scale.forward(np.array([low, high]))
    edges = np.linspace(float(ends[0]), float(ends[1]), count + 1)
    half = float(edges[1] - edges[0]) / 2
    return [(Near(multistart, one, float(middle)), half**2) for middle in (edges[1:] + edges[:-1]) / 2]


@dataclass(frozen=True, slots=True, eq=False)
class TowardsAim(Multistart):
    """A search that goes after one response alone, among recipes that keep `share` of the best chance (a log)."""

    aim: Wanting
    whole: Multistart
    share: float

    @classmethod
    def after(cls, aim: Wanting, share: float) -> TowardsAim:
        """The search after an aim, where the whole search scores `share` at least."""
        whole = aim.multistart
        return cls(whole.brief, whole.space, whole.objective, whole.fence, aim, whole, share)

    def score_levels(self, X: Array, combo: Mapping[str, str]) -> Array:
        """The aim turned up, (n,); far below all others where the share is not kept."""
        score = -self.aim.at(X, self.space.chosen(combo, len(X)))
        return np.where(self.whole.score_levels(X, combo) >= self.share - _SLACK, score, score - _FAR)

    def keeps(self, peak: Peak) -> bool:
        """Whether a peak keeps the share of the whole search."""
        return bool(self.whole.score(peak.u[None], peak.combo)[0] >= self.share - _SLACK)

    def uphill(self, subproblem: Subproblem, starts: Array, known: Array | None = None) -> Ends:
        """Where climbs of the aim from `starts` end, with every limit and the share kept; they never end early."""
        step = 1e-6

        def kept(U: Array) -> tuple[Array, Array]:
            # The score has no slope of its own here: forward differences, inside the region or not.
            n, d = U.shape
            around = np.concatenate([U[:, None], U[:, None] + step * np.eye(d)], axis=1)
            scores = self.whole.score(around.reshape(-1, d), subproblem.combo).reshape(n, 1 + d)
            return scores[:, :1] - self.share, (scores[:, None, 1:] - scores[:, :1, None]) / step

        inner = replace(subproblem, limits=(*subproblem.limits, kept))
        return climb_down(inner, lambda U: self.aim.with_slope(U, subproblem.combo), starts)
