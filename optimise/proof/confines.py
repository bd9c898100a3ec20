"""What a proof may leave out of a box: what breaks a limit of the region, lies beyond the fence, or behind a wall."""

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

# A box drawn in to where a score is high enough touches that again, however it is halved: what walls leave out lasts.
_FIRST = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """slope't + t'bend t / 2 <= `left` for every recipe of a box that is allowed: (n, d), (n, d, d), (n,).

    `dead` (n,): no recipe of the box is; `met` (n,): the one in its middle is.
    """

    slope: Array
    bend: Array
    left: Array
    dead: Flags
    met: Flags

    @classmethod
    def of(cls, curve: Curve, most: float | Array, w: Array, sign: float = 1.0) -> Wall:
        """Sign times a function at most `most`, from its curve; a lower one (sign 1) or an upper one (sign -1)."""
        reach = (np.abs(curve.slope) * w).sum(axis=1) + curve.second
        value = sign * curve.value
        slack = 1e-9 * np.maximum(1.0, np.abs(most))
        return cls(
            sign * curve.slope, sign * curve.bend, most + slack - value + curve.third, value - reach > most + slack,
            np.asarray(value <= most, dtype=bool),
        )  # fmt: skip

    def pull(self, w: Array) -> Array:
        """What each side of the boxes does to it, (n, d)."""
        each: Array = np.abs(self.slope) * w + 0.5 * w * np.einsum("nde,ne->nd", np.abs(self.bend), w)
        return each

    def only(self, rows: npt.NDArray[np.intp]) -> Wall:
        """Over some of the boxes."""
        return Wall(self.slope[rows], self.bend[rows], self.left[rows], self.dead[rows], self.met[rows])


@dataclass(frozen=True, slots=True, eq=False)
class Confines:
    """The limits of one piece of a space: G u <= h, and leverage at most `most` (none where `leverage` is None)."""

    G: Array
    h: Array
    leverage: Leverage | None
    most: float

    @classmethod
    def of(cls, space: Space, combo: Mapping[str, str], fence: Fence | None) -> Confines:
        """The limits at one combination of category levels."""
        # Each row once.
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

    def entered(self, boxes: Boxes) -> tuple[Boxes, Flags]:
        """Boxes drawn in to the limits, and which may hold a recipe that is allowed."""
        return tightened(boxes, self.G, self.h)

    def fenced(self, a: Array, w: Array) -> list[Wall]:
        """The fence around a (n, d) over |t| <= w, if there is one."""
        return [] if self.leverage is None else [Wall.of(self.leverage.at(a, w), self.most, w)]

    def allowed(self, u: Array) -> Flags:
        """Which places (n, d) keep every limit of the region."""
        return np.asarray((u @ self.G.T <= self.h + 1e-12).all(axis=1), dtype=bool)

    def highest(self, slope: Array, bend: Array, a: Array, w: Array) -> tuple[Array, Array]:
        """Upper bounds (n,) of slope't + t'bend t / 2 within the limits of |t| <= w around a, and about where."""
        return highest(slope, bend, w, self.G, self.h - a @ self.G.T)


def kept_in(boxes: Boxes, walls: Sequence[Wall]) -> tuple[Boxes, Flags]:
    """Boxes drawn in to what walls leave of them, side by side, and which are not proven empty, (B,)."""
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


def widest(pull: Array, high: Flags, walls: Sequence[Wall], w: Array) -> npt.NDArray[np.intp]:
    """The side to halve of boxes, (n,): what does most to a score, by `pull` (n, d), and to the walls.

    A score that is `high` (n,) at the middle, above what is enough, will never leave a box out, nor a wall that the
    middle keeps. Each that may is counted by what the sides do to it over what is missing for the box to be left out.
    """
    total: Array = np.where(high[:, None], 0.0, pull / np.maximum(pull.sum(axis=1, keepdims=True), 1e-300))
    for wall in walls:
        own = wall.pull(w)
        short = np.maximum(own.sum(axis=1) + wall.left, 1e-300)
        total += np.where(wall.met[:, None], 0.0, _FIRST * own / short[:, None])
    some = total.max(axis=1, initial=0.0) > 0
    return np.asarray(np.where(some[:, None], total, pull).argmax(axis=1), dtype=np.intp)
