"""Boxes of a search for proofs: tightened to the limits of a region, and halved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_ROUNDS = 2  # of tightening: one row may leave more to another
_SLACK = 1e-9  # of a row, for rounding
_FLAT = 1e-12  # a slope that is none


@dataclass(frozen=True, slots=True, eq=False)
class Boxes:
    """B boxes low <= u <= high, each (B, d)."""

    low: Array
    high: Array

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.low)

    @property
    def centre(self) -> Array:
        """Their middles (B, d)."""
        middle: Array = 0.5 * (self.low + self.high)
        return middle

    @property
    def half(self) -> Array:
        """Half their widths (B, d)."""
        half: Array = 0.5 * (self.high - self.low)
        return half

    def only(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Boxes:
        """The boxes with these numbers, or where a flag is set."""
        return Boxes(self.low[rows], self.high[rows])

    def halved(self, side: npt.NDArray[np.intp]) -> Boxes:
        """Both halves of each along its `side` (B,): first all lower ones, then all upper ones."""
        rows, middle = np.arange(self.count), self.centre
        first, last = self.high.copy(), self.low.copy()
        first[rows, side] = last[rows, side] = middle[rows, side]
        return Boxes(np.vstack([self.low, last]), np.vstack([first, self.high]))


def tightened(boxes: Boxes, G: Array, h: Array) -> tuple[Boxes, Flags]:
    """Boxes drawn in to what G u <= h leaves of them, and which are not proven empty, (B,).

    For each row and side: G_j u_j <= h - sum of the least the others can be. What is cut off breaks a row for certain.
    """
    low, high = boxes.low.copy(), boxes.high.copy()
    alive = np.ones(len(low), dtype=bool)
    if not len(h) or not low.shape[1]:
        return boxes, alive
    up, down = np.maximum(G, 0.0), np.minimum(G, 0.0)
    rising = [np.flatnonzero(G[:, j] > _FLAT) for j in range(low.shape[1])]
    falling = [np.flatnonzero(G[:, j] < -_FLAT) for j in range(low.shape[1])]
    for _ in range(_ROUNDS):
        room = h + _SLACK - (low @ up.T + high @ down.T)
        alive &= (room >= 0).all(axis=1)
        room = np.maximum(room, 0.0)
        before_low, before_high = low.copy(), high.copy()
        for j, (rises, falls) in enumerate(zip(rising, falling, strict=True)):
            if len(rises):
                cut = (room[:, rises] / G[rises, j]).min(axis=1)
                high[:, j] = np.minimum(before_high[:, j], before_low[:, j] + cut)
            if len(falls):
                cut = (room[:, falls] / -G[falls, j]).min(axis=1)
                low[:, j] = np.maximum(before_low[:, j], before_high[:, j] - cut)
    return Boxes(np.minimum(low, high), high), alive
