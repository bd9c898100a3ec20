"""Quadratics that lie above a score over many boxes, and the bounds they give together.

A quadratic taken at one place of a box is close there and loose elsewhere. The next is taken where the bound is reached
so far; half of each is above the score too, and often closer than either (as in a bundle method).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.proof.confines import Confines, Wall

Array = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

SLACK = 1e-9
_HOPE = 0.5
_SWEEPS = 2


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
        """Itself where `which`, elsewhere the other."""
        return Quadratic(
            np.where(which, self.level, other.level), np.where(which[:, None], self.slope, other.slope),
            np.where(which[:, None, None], self.bend, other.bend),
        )  # fmt: skip

    def halfway(self, other: Quadratic) -> Quadratic:
        """Half of this and half of the other."""
        return Quadratic(
            0.5 * (self.level + other.level), 0.5 * (self.slope + other.slope), 0.5 * (self.bend + other.bend)
        )


def _best(slope: Array, bend: Array, w: Array) -> Array:
    """Where slope t + bend t² / 2 is greatest over |t| <= w, each (n,)."""
    bends = bend < 0
    inner = -slope / np.where(bends, bend, -1.0)
    return np.where(bends & (np.abs(inner) < w), inner, np.where(slope >= 0, w, -w))


Again = Callable[[Rows, Array], Quadratic]


def closest(
    confines: Confines, a: Array, w: Array, walls: Sequence[Wall], first: Sequence[Quadratic], again: Again,
    enough: float, plain: Array, rounds: int = 1,
) -> tuple[Array, Quadratic]:  # fmt: skip
    """Upper bounds (n,) of a score over what is allowed of |t| <= w around a, from quadratics above it; and the best.

    `again` gives the quadratics taken at places (m, d) of some boxes. No more work is done where the bound is no higher
    than `enough`, or far above the `plain` bound (n,).
    """
    best, place, cut = np.full(len(a), np.inf), np.zeros_like(a), first[0]
    for one in first:
        found, there = confines.highest(one.slope, one.bend, a, w, walls)
        better = one.level + found < best
        best, place = np.where(better, one.level + found, best), np.where(better[:, None], there, place)
        cut = one.or_else(better, cut)
    for _ in range(rounds):
        rows = np.flatnonzero((best > enough) & (best < plain + _HOPE))
        if not len(rows):
            break
        some, old = [wall.only(rows) for wall in walls], cut.only(rows)
        new = again(rows, old.peak(w[rows], place[rows]))
        for one in (new, new.halfway(old)):
            found, there = confines.highest(one.slope, one.bend, a[rows], w[rows], some)
            better = one.level + found < best[rows]
            best[rows] = np.where(better, one.level + found, best[rows])
            place[rows] = np.where(better[:, None], there, place[rows])
            old = one.or_else(better, old)
        cut.put(rows, old)
    return best + SLACK, cut
