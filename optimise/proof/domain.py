"""Where recipes are allowed in a piece of the region, and how boxes are reduced to it (domain reduction).

A recipe is allowed where it keeps the linear limits of the region and its leverage that of the fence. Limits that are
not linear are taken as `Wall`: a quadratic that holds for every allowed recipe of a box.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.space import Space
from optimise.models.fence import Fence
from optimise.proof.boxes import Boxes, Flags, tightened
from optimise.proof.expansion import Curve
from optimise.proof.polynomials import Leverage, Polynomials
from optimise.proof.quadratics import highest

Array = npt.NDArray[np.float64]

# How much more a side counts for the walls it helps to keep or break than for the score. A box reduced by the score has
# to be reduced again after each halving, while what a wall shuts out stays out.
_WALLS_FIRST = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """An upper limit on a smooth function, over n boxes with middles a: what it says of t = u - a in each of them.

    Every allowed recipe of a box keeps slope't + t'bend t / 2 <= `left`: (n, d), (n, d, d), (n,). `dead` (n,): for
    certain no recipe of the box keeps the limit; `met` (n,): the one in the middle keeps it.
    """

    slope: Array
    bend: Array
    left: Array
    dead: Flags
    met: Flags

    @classmethod
    def of(cls, curve: Curve, most: float | Array, w: Array, sign: float = 1.0) -> Wall:
        """The limit `sign` times the function <= `most`, a number or (n,), of a function given by its `curve`.

        `w` (n, d) are half the widths of the boxes. The curve's remainders must hold for the side that is limited.
        """
        reach = (np.abs(curve.slope) * w).sum(axis=1) + curve.second
        value = sign * curve.value
        slack = 1e-9 * np.maximum(1.0, np.abs(most))
        return cls(
            sign * curve.slope, sign * curve.bend, most + slack - value + curve.third, value - reach > most + slack,
            np.asarray(value <= most, dtype=bool),
        )  # fmt: skip

    def pull(self, w: Array) -> Array:
        """How much the limited function may change along each side of the boxes, (n, d)."""
        each: Array = np.abs(self.slope) * w + 0.5 * w * np.einsum("nde,ne->nd", np.abs(self.bend), w)
        return each

    def only(self, rows: npt.NDArray[np.intp]) -> Wall:
        """Over some of the boxes."""
        return Wall(self.slope[rows], self.bend[rows], self.left[rows], self.dead[rows], self.met[rows])


@dataclass(frozen=True, slots=True, eq=False)
class Domain:
    """The allowed recipes of one piece: G u <= h, and leverage at most `most` (no fence where `leverage` is None)."""

    G: Array
    h: Array
    leverage: Leverage | None
    most: float

    @classmethod
    def of(cls, space: Space, combo: Mapping[str, str], fence: Fence | None) -> Domain:
        """The domain at one combination of category levels; rows that stand twice are taken once."""
        _, first = np.unique(np.round(np.column_stack([space.G, space.h]), 12), axis=0, return_index=True)
        G, h = space.G[np.sort(first)], space.h[np.sort(first)]
        if fence is None:
            return cls(G, h, None, np.inf)
        rows = Polynomials.of(fence.terms, fence.coding, space, combo)
        return cls(G, h, Leverage.of(rows, fence.unscaled), fence.limit)

    def whole(self) -> Boxes:
        """One box that holds the piece."""
        d = self.G.shape[1]
        return Boxes(np.full((1, d), -1.0), np.full((1, d), 1.0))

    def tightened(self, boxes: Boxes) -> tuple[Boxes, Flags]:
        """Boxes tightened to the linear limits, and which of them may hold an allowed recipe, (B,)."""
        return tightened(boxes, self.G, self.h)

    def reduced(self, boxes: Boxes, known: Array) -> tuple[Boxes, Array, list[Wall]]:
        """Boxes tightened to the linear limits, without those proven empty or beyond the fence.

        And what was `known` (B,) of each that is left, and the fence over them as a wall (none where there is none).
        """
        boxes, alive = self.tightened(boxes)
        boxes, known = boxes.only(alive), known[alive]
        a, w = boxes.centre, boxes.half
        walls = [] if self.leverage is None else [Wall.of(self.leverage.at(a, w), self.most, w)]
        near = np.flatnonzero(~any_dead(walls, boxes.count))
        return boxes.only(near), known[near], [wall.only(near) for wall in walls]

    def allowed(self, u: Array) -> Flags:
        """Which places u (n, d) keep every linear limit, (n,)."""
        return np.asarray((u @ self.G.T <= self.h + 1e-12).all(axis=1), dtype=bool)

    def highest(self, slope: Array, bend: Array, a: Array, w: Array) -> tuple[Array, Array]:
        """Upper bounds (n,) of slope't + t'bend t / 2 within the limits of |t| <= w around a, and about where."""
        return highest(slope, bend, w, self.G, self.h - a @ self.G.T)


def tightened_by(boxes: Boxes, walls: Sequence[Wall]) -> tuple[Boxes, Flags]:
    """Boxes tightened to what walls leave of them, one coordinate at a time; and which are not proven empty, (B,)."""
    w = boxes.half
    low, high, alive = -w, w.copy(), np.ones(boxes.count, dtype=bool)
    for wall in walls:
        steep = np.abs(wall.slope)
        sunk = 0.5 * np.einsum("nd,nde,ne->n", w, np.abs(wall.bend), w)
        sunk -= 0.5 * (np.maximum(np.einsum("ndd->nd", wall.bend), 0.0) * w * w).sum(axis=1)
        room = wall.left + sunk + (steep * w).sum(axis=1)
        alive &= ~(room < 0)
        far = np.maximum(room, 0.0)[:, None] / np.maximum(steep, 1e-300) - w
        high = np.where(wall.slope > 0, np.fmin(high, far), high)
        low = np.where(wall.slope < 0, np.fmax(low, -far), low)
    alive &= (low <= high + 1e-9 * w).all(axis=1)
    centre = boxes.centre
    low, high = np.maximum(boxes.low, centre + low), np.minimum(boxes.high, centre + high)
    return Boxes(np.minimum(low, high), np.maximum(low, high)), alive


def any_dead(walls: Sequence[Wall], n: int) -> Flags:
    """Of n boxes those that are shut out for certain by some wall, (n,)."""
    out = np.zeros(n, dtype=bool)
    for wall in walls:
        out |= wall.dead
    return out


def all_met(walls: Sequence[Wall], n: int) -> Flags:
    """Of n boxes those whose middle keeps every wall, (n,)."""
    out = np.ones(n, dtype=bool)
    for wall in walls:
        out &= wall.met
    return out


def widest(pull: Array, high: Flags, walls: Sequence[Wall], w: Array) -> npt.NDArray[np.intp]:
    """The side to halve of boxes, (n,): what does most to a score, by `pull` (n, d), and to the walls.

    A score that is `high` (n,) at the middle, above what is enough, will never leave a box out, nor a wall that the
    middle keeps. Each that may is counted by what the sides do to it over what is missing for the box to be left out.
    """
    total: Array = np.where(high[:, None], 0.0, pull / np.maximum(pull.sum(axis=1, keepdims=True), 1e-300))
    for wall in walls:
        own = wall.pull(w)
        short = np.maximum(own.sum(axis=1) + wall.left, 1e-300)
        total += np.where(wall.met[:, None], 0.0, _WALLS_FIRST * own / short[:, None])
    some = total.max(axis=1, initial=0.0) > 0
    return np.asarray(np.where(some[:, None], total, pull).argmax(axis=1), dtype=np.intp)
