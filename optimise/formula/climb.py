"""Runs uphill from several places at once: what goes up, in free coordinates, inside every limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.ascent import Ascent, Ends, Rises, Slopes, ascend
from optimise.formula.centres import Centres
from optimise.formula.goals import SOFT, ChanceGoal, Ramp, soft_log
from optimise.formula.space import Space
from optimise.models.fence import Fence

Array = npt.NDArray[np.float64]
Limit = Rises
Wall = tuple[int, float, float]

APART = 0.1  # tops nearer to each other than this count as one
_FENCE_ROOM = 1e-7
_NEAR = 1e-4  # of a log: as far as the chance at a glance is gone up


@dataclass(frozen=True, slots=True, eq=False)
class Hill:
    """Where runs may go: a space at one combo of category levels, the fence, and further limits g(u) >= 0.

    Each further limit gives its values (n, m) and slopes (n, m, d) at places (n, d). `frozen` coordinates keep their
    start.
    """

    space: Space
    combo: Mapping[str, str]
    fence: Fence | None
    limits: tuple[Limit, ...] = ()
    frozen: npt.NDArray[np.bool_] | None = None

    def chosen(self, n: int) -> dict[str, npt.NDArray[Any]]:
        """The category levels for n recipes."""
        return self.space.chosen(self.combo, n)

    def levels(self, U: Array) -> Array:
        """Levels (n, k) at free coordinates U (n, d)."""
        X: Array = self.space.origin + U @ self.space.basis.T
        return X

    def bent_limits(self) -> Limit | None:
        """The fence and the further limits as one; None where there are none."""
        every = (*([] if self.fence is None else [self._fence]), *self.limits)
        if len(every) < 2:
            return every[0] if every else None

        def all_of_them(U: Array) -> Slopes:
            values, slopes = zip(*(limit(U) for limit in every), strict=True)
            return np.concatenate(values, axis=1), np.concatenate(slopes, axis=1)

        return all_of_them

    def _fence(self, U: Array) -> Slopes:
        fence = self.fence
        if fence is None:
            return np.zeros((len(U), 0)), np.zeros((len(U), 0, U.shape[1]))
        leverage, slopes = fence.with_slopes(self.levels(U), self.chosen(len(U)))
        return (1 - _FENCE_ROOM - leverage / fence.limit)[:, None], -(slopes @ self.space.basis)[:, None] / fence.limit

    def ascent(
        self, aims: Rises, group: Sequence[int], weights: Array, capped: bool = False, bent: Rises | None = None
    ) -> Ascent:
        """What goes up on this hill (see `Ascent`)."""
        numbers = np.array(group, dtype=np.intp)
        limits, space = self.bent_limits(), self.space
        return Ascent(aims, numbers, weights, capped, bent or aims, limits, space.G, space.h, self.frozen)


def climb_chance(hill: Hill, goal: ChanceGoal, starts: Array, known: Array | None = None) -> Ends:
    """Local bests of the joint chance, from `starts` (n, d); a run ends next to places `known` (k, d).

    Each run first goes up the chance at a glance; those that come to tops of their own go on from there up the chance.
    """

    def up(one: ChanceGoal) -> Rises:
        def aims(U: Array) -> Slopes:
            score, slope = one.score_and_slope(hill.levels(U), hill.chosen(len(U)))
            return score[:, None], (slope @ hill.space.basis)[:, None]

        return aims

    near, whole = up(goal.glance), up(goal)
    one, alone = np.ones(1), [0]
    ends = ascend(hill.ascent(near, alone, one), starts, known, APART, least=_NEAR)
    rows = np.flatnonzero(ends.own)
    last = ascend(hill.ascent(whole, alone, one, bent=near), ends.U[rows], known, APART)
    ends.U[rows], ends.own[rows], ends.height[rows] = last.U, last.own, last.height
    return ends


def climb_desirability(
    hill: Hill, centres: Centres, sides: Sequence[Ramp], walls: Sequence[Wall], starts: Array,
    known: Array | None = None, soft: float = SOFT,
) -> Ends:  # fmt: skip
    """Local bests of the weighted geometric mean of desirabilities, from `starts` (n, d).

    What goes up is the weighted sum of the least log of each response's sides, or 0 where all are met. Shares under
    `soft` count as if their log went on straight: a run may end where one is nothing in truth. Plain limits `walls`
    stand as limits. A run ends next to places `known` (k, d).
    """
    basis = hill.space.basis
    weights = np.array([p.response.weight for p in centres.properties])
    weights = weights / max(float(weights.sum()), 1e-300)
    which = [side.response for side in sides]
    numbers = sorted(set(which))
    begin, powers = (np.array([getattr(side, name) for side in sides]) for name in ("start", "exponent"))
    spans = np.array([side.full - side.start for side in sides])

    def tops(U: Array) -> Slopes:
        y, dy = centres.with_slopes(hill.levels(U), hill.chosen(len(U)))
        logs, slopes = soft_log((y[:, which] - begin) / spans, soft)
        return powers * logs, (powers * slopes / spans)[:, :, None] * (dy @ basis)[:, which]

    def within(U: Array) -> Slopes:
        y, dy = centres.with_slopes(hill.levels(U), hill.chosen(len(U)))
        number, limit = [wall[0] for wall in walls], np.array([wall[2] for wall in walls])
        rate = np.array([wall[1] for wall in walls]) / np.maximum(np.abs(limit), 1e-9)
        return rate * (y[:, number] - limit), rate[:, None] * (dy @ basis)[:, number]

    if walls:
        hill = Hill(hill.space, hill.combo, hill.fence, (*hill.limits, within), hill.frozen)
    group = [numbers.index(number) for number in which]
    return ascend(hill.ascent(tops, group, weights[numbers], capped=True), starts, known, APART)


def climb_down(hill: Hill, measure: Limit, starts: Array) -> Ends:
    """Where the largest of a few numbers is smallest (see `climb_smallest_miss`), each start with an end of its own."""
    ends, worst = climb_smallest_miss(hill, measure, starts)
    return Ends(ends, np.ones(len(ends), dtype=bool), -worst)


def climb_smallest_miss(hill: Hill, misses: Limit, starts: Array, enough: float = -np.inf) -> tuple[Array, Array]:
    """Where the largest of `misses` is smallest from `starts` (n, d), and that largest miss, (n, d) and (n,).

    A run ends where a place within every limit misses by no more than `enough`.
    """

    def met(U: Array) -> Slopes:
        miss, slope = misses(U)
        return -miss, -slope

    worst = misses(starts)[0].max(axis=1)
    count = misses(starts[:1])[0].shape[1]
    ends = ascend(hill.ascent(met, [0] * count, np.ones(1)), starts, enough=-enough).U
    best = misses(ends)[0].max(axis=1)
    better = best < worst
    return np.where(better[:, None], ends, starts), np.where(better, best, worst)
