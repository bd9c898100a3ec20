"""Quadratics that lie above a score over many boxes, and the bounds they give together.

A quadratic taken at one place of a box is close there and loose elsewhere. The next is taken where the bound is reached
so far; any mixture of the two is above the score too, and often closer than either (as in a bundle method).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.proof.domain import Domain, Wall
from optimise.proof.multipliers import best_multipliers

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

SLACK = 1e-9  # added to a bound, for rounding
_HOPE = 0.5  # above the plain bound: a bound from cuts that is worse than that is not worth more cuts
_SWEEPS = 2  # over the coordinates, uphill


@dataclass(frozen=True, slots=True, eq=False)
class Quadratic:
    """Over n boxes: level + slope't + t'bend t / 2, (n,), (n, d), (n, d, d). An infinite level says nothing."""

    level: Array
    slope: Array
    bend: Array

    @classmethod
    def none(cls, n: int, d: int) -> Quadratic:
        """Quadratics that say nothing."""
        return cls(np.full(n, np.inf), np.zeros((n, d)), np.zeros((n, d, d)))

    def only(self, rows: Rows) -> Quadratic:
        """Over some of the boxes."""
        return Quadratic(self.level[rows], self.slope[rows], self.bend[rows])

    def put(self, rows: Rows, some: Quadratic) -> None:
        """Take these in for some of the boxes."""
        self.level[rows], self.slope[rows], self.bend[rows] = some.level, some.slope, some.bend

    def moved(self, by: Array) -> Quadratic:
        """The same about places that lie `by` (n, d) from those they are about now."""
        turned = np.einsum("nde,ne->nd", self.bend, by)
        level = self.level + (self.slope * by).sum(axis=1) + 0.5 * (turned * by).sum(axis=1)
        return Quadratic(level, self.slope + turned, self.bend)

    def off(self, wall: Wall, price: Array) -> Quadratic:
        """With a wall taken off at a price (n,) each, none below 0: above the same wherever the wall is kept."""
        return Quadratic(
            self.level + price * wall.left, self.slope - price[:, None] * wall.slope,
            self.bend - price[:, None, None] * wall.bend,
        )  # fmt: skip

    def reached(self, w: Array) -> Array:
        """Values (n,) that are met somewhere in |t| <= w (n, d), about the greatest."""
        t = self.peak(w, np.where(self.slope >= 0, w, -w))
        turned = np.einsum("nde,ne->nd", self.bend, t)
        return np.asarray(self.level + ((self.slope + 0.5 * turned) * t).sum(axis=1), dtype=float)

    def peak(self, w: Array, start: Array) -> Array:
        """Uphill in |t| <= w (n, d) from `start` (n, d), one coordinate after another, (n, d)."""
        t = start.copy()
        own = np.einsum("ndd->nd", self.bend)
        for _ in range(_SWEEPS):
            for j in range(t.shape[1]):
                pull = self.slope[:, j] + (self.bend[:, j] * t).sum(axis=1) - own[:, j] * t[:, j]
                t[:, j] = _best(pull, own[:, j], w[:, j])
        return t

    def or_else(self, which: npt.NDArray[np.bool_], other: Quadratic) -> Quadratic:
        """Itself over the boxes `which` (n,), over others the `other`."""
        return Quadratic(
            np.where(which, self.level, other.level), np.where(which[:, None], self.slope, other.slope),
            np.where(which[:, None, None], self.bend, other.bend),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Quadratics above each of r functions whose sum is the score, over n boxes: `level` (n, r), `slope` (n, r, d),
    `bend` (n, r, d, d). And their sum with walls taken off at prices, `whole`.
    """

    level: Array
    slope: Array
    bend: Array
    whole: Quadratic

    @classmethod
    def of(cls, level: Array, slope: Array, bend: Array) -> Cut:
        """The cut of these quadratics, no wall taken off."""
        return cls(level, slope, bend, Quadratic(level.sum(axis=1), slope.sum(axis=1), bend.sum(axis=1)))

    def only(self, rows: Rows) -> Cut:
        """Over some of the boxes."""
        return Cut(self.level[rows], self.slope[rows], self.bend[rows], self.whole.only(rows))

    def put(self, rows: Rows, some: Cut) -> None:
        """Take these in for some of the boxes."""
        self.level[rows], self.slope[rows], self.bend[rows] = some.level, some.slope, some.bend
        self.whole.put(rows, some.whole)

    def or_else(self, which: npt.NDArray[np.bool_], other: Cut) -> Cut:
        """Itself over the boxes `which` (n,), over others the `other`."""
        return Cut(
            np.where(which[:, None], self.level, other.level), np.where(which[:, None, None], self.slope, other.slope),
            np.where(which[:, None, None, None], self.bend, other.bend), self.whole.or_else(which, other.whole),
        )  # fmt: skip

    def mixed(self, other: Cut, walls: Sequence[Wall], w: Array) -> Cut:
        """Of each of the functions the mixture of both cuts, and of walls the prices, that together bound tightest.

        Any mixture lies above, also with a wall taken off at any price: at a kink or a wall neither one nor the other
        alone says that there is nothing better.
        """
        level, slope, bend = other.level - self.level, other.slope - self.slope, other.bend - self.bend
        r = level.shape[1]
        x = best_multipliers(
            self.slope.sum(axis=1), np.concatenate([slope, *(-wall.slope[:, None] for wall in walls)], axis=1),
            np.column_stack([level, *(wall.left for wall in walls)]), [1.0] * r + [np.inf] * len(walls), w,
            np.einsum("nrdd->nd", self.bend),
        )  # fmt: skip
        share = x[:, :r]
        found = Cut.of(
            self.level + share * level, self.slope + share[:, :, None] * slope,
            self.bend + share[:, :, None, None] * bend,
        )  # fmt: skip
        whole = found.whole
        for wall, price in zip(walls, x.T[r:], strict=True):
            whole = whole.off(wall, price)
        return Cut(found.level, found.slope, found.bend, whole)


def _best(slope: Array, bend: Array, w: Array) -> Array:
    """Where slope t + bend t² / 2 is greatest over |t| <= w, each (n,)."""
    bends = bend < 0
    inner = -slope / np.where(bends, bend, -1.0)
    return np.where(bends & (np.abs(inner) < w), inner, np.where(slope >= 0, w, -w))


Again = Callable[[Rows, Array], Cut]


def tightest(
    domain: Domain, a: Array, w: Array, walls: Sequence[Wall], first: Sequence[Cut], again: Again,
    enough: float, plain: Array, rounds: int = 1,
) -> tuple[Array, Quadratic]:  # fmt: skip
    """Upper bounds (n,) of a score over what is allowed of |t| <= w around a, from cuts above it; and the best.

    `again` gives the cuts taken at places (m, d) of some boxes. No more work is done where the bound is no higher
    than `enough`, or far above the `plain` bound (n,).
    """
    best, place, cut = np.full(len(a), np.inf), np.zeros_like(a), first[0]
    for one in first:
        found, there = domain.highest(one.whole.slope, one.whole.bend, a, w)
        better = one.whole.level + found < best
        best, place = np.where(better, one.whole.level + found, best), np.where(better[:, None], there, place)
        cut = one.or_else(better, cut)
    for _ in range(rounds):
        rows = np.flatnonzero((best > enough) & (best < plain + _HOPE))
        if not len(rows):
            break
        old = cut.only(rows)
        new = again(rows, old.whole.peak(w[rows], place[rows]))
        for one in (new, new.mixed(old, [wall.only(rows) for wall in walls], w[rows])):
            found, there = domain.highest(one.whole.slope, one.whole.bend, a[rows], w[rows])
            better = one.whole.level + found < best[rows]
            best[rows] = np.where(better, one.whole.level + found, best[rows])
            place[rows] = np.where(better[:, None], there, place[rows])
            old = one.or_else(better, old)
        cut.put(rows, old)
    return best + SLACK, cut.whole
