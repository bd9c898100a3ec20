"""Runs uphill from several places at once: what goes up, in free coordinates, inside every limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.ascent import MOST_ROUNDS, Company, Ends, Stop, ascend
from optimise.formula.bends import (
    Bends,
    Bent,
    Plane,
    Quadratics,
    Sloped,
    by_differences,
    on,
    one_after_another,
    unbent,
)
from optimise.formula.centres import Centres
from optimise.formula.goals import SOFT, ChanceGoal, soft_log
from optimise.formula.rounds import Ascent
from optimise.formula.space import Space
from optimise.models.aims import Ramp
from optimise.models.fence import Fence
from optimise.models.predictors import Chosen

Array = npt.NDArray[np.float64]
Limit = Sloped
Wall = tuple[int, float, float]

APART = 0.1  # tops nearer to each other than this count as one
_COMPLETE = 3  # as many recipes of complete desirability are enough
_FENCE_ROOM = 1e-7  # of the leverage allowed: runs keep this far within the fence
_LEVEL = 0.02  # of a log: what the chance by matched moments may tell wrong about which of two places is higher
# As far as the chance by matched moments is gone up, and the chance itself.
_NEARLY = Stop(least=3e-4, met=1e-3, unseen=True)
_WHOLLY = Stop(least=1e-6, met=_FENCE_ROOM / 2, unseen=True)


@dataclass(frozen=True, slots=True, eq=False)
class Subproblem:
    """Where runs may go: a space at one combo of category levels, its `plane`, the fence, and further limits g(u) >= 0.

    Each further limit gives its values (n, m) and slopes (n, m, d) at places (n, d). `frozen` coordinates keep their
    start.
    """

    space: Space
    plane: Plane
    fence: Bent | None
    limits: tuple[Limit, ...] = ()
    frozen: npt.NDArray[np.bool_] | None = None

    @property
    def combo(self) -> Mapping[str, str]:
        """The category levels."""
        return self.plane.combo

    def chosen(self, n: int) -> dict[str, npt.NDArray[Any]]:
        """The category levels for n recipes."""
        return self.plane.chosen(n)

    def levels(self, U: Array) -> Array:
        """Levels (n, k) at free coordinates U (n, d)."""
        return self.plane.levels(U)

    def ascent(
        self, aims: Bent, group: Sequence[int], weights: Array, capped: bool = False, sloped: Sloped | None = None
    ) -> Ascent:
        """What goes up on this subproblem (see `Ascent`); `aims` may give limits of their own behind them."""
        numbers, space = np.array(group, dtype=np.intp), self.space
        fence = [] if self.fence is None else [self.fence]
        rises = one_after_another([aims, *(by_differences(limit) for limit in self.limits), *fence])
        most = None if sloped is None else one_after_another([*(unbent(one) for one in (sloped, *self.limits)), *fence])
        return Ascent(rises, numbers, weights, capped, space.G, space.h, self.frozen, most)


def within_fence(fence: Fence, plane: Plane) -> Bent:
    """That a fence is kept, as a limit (n, 1) at free coordinates of a plane: the share of it that is left."""
    rate = 1 / fence.limit

    def by_levels(X: Array, chosen: Chosen) -> tuple[Array, Array]:
        leverage, slopes = fence.with_slopes(X, chosen)
        return (1 - _FENCE_ROOM - rate * leverage)[:, None], -rate * slopes[:, None]

    if fence.terms.degree > 2:
        return by_differences(on(plane, by_levels))
    p = len(fence.unscaled)
    rows = Quadratics.of(fence.terms, fence.coding, plane, np.eye(p))
    turned = rows.bend.reshape(p, -1)

    def bent(U: Array) -> Bends:
        f, slopes, _ = rows(U)
        pushed = rate * (f @ fence.unscaled)
        slope = -2 * pushed[:, None] @ slopes
        bend = -2 * (slopes.transpose(0, 2, 1) @ (rate * fence.unscaled @ slopes))
        bend -= 2 * (pushed @ turned).reshape(bend.shape)
        return (1 - _FENCE_ROOM - (pushed * f).sum(axis=1))[:, None], slope, bend[:, None]

    return bent


def climb_chance(subproblem: Subproblem, goal: ChanceGoal, starts: Array, known: Array | None = None) -> Ends:
    """Local bests of the joint chance, from `starts` (n, d); a run ends next to places `known` (k, d).

    Each run first goes up the chance by matched moments; those that come to tops of their own go on from there up the
    chance, which is taken to bend as that does until its slopes tell.
    """
    plane, one, alone = subproblem.plane, np.ones(1), [0]
    near = goal.matched.on(plane).bent
    ends = ascend(subproblem.ascent(near, alone, one), starts, _NEARLY, Company(APART, known, _LEVEL))
    rows = np.flatnonzero(ends.own)
    whole = subproblem.ascent(near, alone, one, sloped=goal.sloped(plane))
    last = ascend(whole, ends.U[rows], _WHOLLY, Company(APART), ends.bends[rows])
    ends.U[rows], ends.own[rows], ends.seen[rows], ends.height[rows] = last.U, last.own, last.seen, last.height
    return ends


def climb_desirability(
    subproblem: Subproblem, centres: Centres, sides: Sequence[Ramp], walls: Sequence[Wall], starts: Array,
    known: Array | None = None, soft: float = SOFT,
) -> Ends:  # fmt: skip
    """Local bests of the weighted geometric mean of desirabilities, from `starts` (n, d).

    What goes up is the weighted sum of the least log of each response's sides, or 0 where all are met. Shares under
    `soft` count as if their log went on straight: a run may end where one is nothing in truth. Plain limits `walls`
    stand as limits. A run ends next to places `known` (k, d).
    """
    weights = np.array([p.response.weight for p in centres.properties])
    weights = weights / max(float(weights.sum()), 1e-300)
    which = [side.response for side in sides]
    numbers = sorted(set(which))
    begin, powers = (np.array([getattr(side, name) for side in sides]) for name in ("start", "exponent"))
    spans = np.array([side.full - side.start for side in sides])
    number, limit = [wall[0] for wall in walls], np.array([wall[2] for wall in walls])
    rate = np.array([wall[1] for wall in walls]) / np.maximum(np.abs(limit), 1e-9)
    values = centres.bent(subproblem.plane)

    def tops(U: Array) -> Bends:
        y, dy, curl = values(U)
        logs, slopes, bends = soft_log((y[:, which] - begin) / spans, soft)
        rise, bend, way = (powers / spans * slopes)[:, :, None], powers / spans**2 * bends, dy[:, which]
        curled = rise[..., None] * curl[:, which] + bend[:, :, None, None] * way[..., None] * way[:, :, None]
        if not walls:
            return powers * logs, rise * way, curled
        kept, slope, turned = rate * (y[:, number] - limit), rate[:, None] * dy[:, number], curl[:, number]
        return (
            np.hstack([powers * logs, kept]),
            np.hstack([rise * way, slope]),
            np.hstack([curled, rate[:, None, None] * turned]),
        )

    group = [numbers.index(number) for number in which]
    return ascend(
        subproblem.ascent(tops, group, weights[numbers], capped=True),
        starts,
        Stop(enough=0.0, suffice=_COMPLETE),
        Company(APART, known, 1e-7),
    )


def climb_down(subproblem: Subproblem, measure: Sloped, starts: Array) -> Ends:
    """Where the largest of a few numbers is smallest (see `climb_smallest_miss`), each start with an end of its own."""
    ends, worst = climb_smallest_miss(subproblem, by_differences(measure), starts)
    return Ends(ends, np.ones(len(ends), dtype=bool), starts, -worst, np.zeros((len(ends), 0)))


def climb_smallest_miss(
    subproblem: Subproblem, misses: Bent, starts: Array, enough: float = -np.inf, most: int = MOST_ROUNDS
) -> tuple[Array, Array]:
    """Where the largest of `misses` is smallest from `starts` (n, d), and that largest miss, (n, d) and (n,).

    A run ends where a place within every limit misses by no more than `enough`, or after the `most` rounds.
    """

    def met(U: Array) -> Bends:
        miss, slope, bend = misses(U)
        return -miss, -slope, -bend

    before = misses(starts)[0]
    ends = ascend(subproblem.ascent(met, [0] * before.shape[1], np.ones(1)), starts, Stop(enough=-enough, most=most)).U
    worst, best = before.max(axis=1), misses(ends)[0].max(axis=1)
    better = best < worst
    return np.where(better[:, None], ends, starts), np.where(better, best, worst)
