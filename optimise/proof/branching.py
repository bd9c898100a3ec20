"""Best-first branch and bound: a proven upper bound of what any recipe can score, cell by cell.

A field bounds its score over many boxes at once. Boxes that cannot beat what is known by more than the target are done
with; of the others the most promising are halved, until none is left or the work that was allowed is done. Work counts
boxes, never time, so that the same study gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from optimise.proof.boxes import Boxes
from optimise.proof.cuts import SLACK, Quadratic
from optimise.proof.domain import Domain
from optimise.proof.quadratics import narrowed

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_BATCH = 1.2e8  # the work of boxes taken at once: with more, what they need does not stay near the processor
_LEAST_AT_ONCE, _MOST_AT_ONCE = 64, 512
_SMALLEST = 1e-7  # half the width of a box that is not halved any more
BOX = 10_000.0  # the work of a box beside that of the predictions in it
_HALVING = 20_000.0  # the work of halving a box
_HARDLY = 1e-6  # above what is enough: halving alone is likely to show the rest


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """Of n boxes those kept, drawn in to the limits, with the upper bounds of the score and the side to halve.

    `middle` is the score at the middle, where that is allowed, else -infinity; `cut` the best quadratic about it that
    lies above the score over what is allowed of the box. No score of what was left out of boxes exceeds `rest`.
    """

    boxes: Boxes
    upper: Array
    middle: Array
    side: npt.NDArray[np.intp]
    cut: Quadratic
    rest: float = -np.inf


class Field(Protocol):
    """A score over one piece of a space that can be bounded."""

    @property
    def cost(self) -> float:
        """The work of one box."""
        ...

    @property
    def domain(self) -> Domain:
        """What is allowed in the piece."""
        ...

    def over(self, boxes: Boxes, known: Array, enough: float) -> Bounds:
        """The bounds of boxes, none above what is `known` (n,); those proven empty are left out.

        A bound at or below `enough` need not be made closer, and where the score is no more than that may be left out.
        """
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Proof:
    """No score exceeds `upper`; `closed` when nothing was left to look at.

    `best` is the best score seen at the middle of a box, `where` its field, `place` the middle; `boxes` were looked at.
    """

    upper: float
    closed: bool
    best: float
    where: int
    place: Array
    boxes: int


@dataclass(slots=True, eq=False)
class _Open:
    """The boxes not done with, over all fields."""

    low: Array
    high: Array
    upper: Array
    side: npt.NDArray[np.intp]
    of: npt.NDArray[np.intp]
    cut: Quadratic
    done: float = -np.inf
    stuck: bool = False
    best: float = -np.inf
    where: int = 0
    place: Array = field(default_factory=lambda: np.zeros(0))

    def add(self, found: Bounds, which: int, enough: float) -> None:
        self.done = max(self.done, found.rest)
        if not len(found.upper):
            return
        top = int(found.middle.argmax())
        if found.middle[top] > self.best:
            self.best, self.where, self.place = float(found.middle[top]), which, found.boxes.centre[top]
        keep = found.upper > enough
        # A box too small to halve stays as it is, and the proof with it.
        small = keep & (found.boxes.half.max(axis=1, initial=0.0) < _SMALLEST)
        self.stuck |= bool(small.any())
        keep &= ~small
        self.done = max(self.done, float(np.max(found.upper[~keep], initial=-np.inf)))
        d = self.low.shape[1]
        low, high = (np.pad(b[keep], ((0, 0), (0, d - b.shape[1]))) for b in (found.boxes.low, found.boxes.high))
        self.low, self.high = np.vstack([self.low, low]), np.vstack([self.high, high])
        self.upper = np.concatenate([self.upper, found.upper[keep]])
        self.side = np.concatenate([self.side, found.side[keep]])
        self.of = np.concatenate([self.of, np.full(int(keep.sum()), which)])
        more, wide = found.cut.only(np.flatnonzero(keep)), ((0, 0), (0, d - found.boxes.low.shape[1]))
        self.cut = Quadratic(
            np.concatenate([self.cut.level, more.level]),
            np.vstack([self.cut.slope, np.pad(more.slope, wide)]),
            np.concatenate([self.cut.bend, np.pad(more.bend, (*wide, wide[1]))]),
        )

    def halves(
        self, order: npt.NDArray[np.intp], d: int, domain: Domain, enough: float
    ) -> tuple[Boxes, Array, Quadratic]:
        """Both halves of some boxes, each drawn in to where the box's quadratic lets the score be above `enough`.

        And what that knows of them, (2 n,): no more is to be done with those for which it is `enough`; and that
        quadratic about their middles.
        """
        boxes = Boxes(self.low[order, :d], self.high[order, :d])
        cut = Quadratic(self.cut.level[order], self.cut.slope[order, :d], self.cut.bend[order, :d, :d])
        centre = boxes.centre
        boxes, _ = _drawn_in(boxes, cut, domain, enough)
        # What is left out lies no higher than that.
        self.done = max(self.done, enough)
        halved = boxes.halved(self.side[order])
        both = np.concatenate([np.arange(len(order))] * 2)
        part = cut.only(both).moved(halved.centre - centre[both])
        drawn, known = _drawn_in(halved, part, domain, enough)
        return drawn, np.fmin(known, self.upper[order][both]), part.moved(drawn.centre - halved.centre)

    def drop(self, keep: Flags) -> None:
        self.low, self.high, self.upper = self.low[keep], self.high[keep], self.upper[keep]
        self.side, self.of = self.side[keep], self.of[keep]
        self.cut = self.cut.only(np.flatnonzero(keep))


def _drawn_in(boxes: Boxes, cut: Quadratic, domain: Domain, enough: float) -> tuple[Boxes, Array]:
    """Boxes without what a quadratic above the score, about their middles, shows to be no more than `enough`.

    And its bound (n,). What is left is empty, of no width, where that is all.
    """
    a, w = boxes.centre, boxes.half
    found, low, high = narrowed(cut.slope, cut.bend, w, enough - cut.level - SLACK, domain.G, domain.h - a @ domain.G.T)
    return Boxes(np.maximum(boxes.low, a + low), np.minimum(boxes.high, a + high)), cut.level + found + SLACK


def _as_known(boxes: Boxes, known: Array, cut: Quadratic) -> Bounds:
    """Boxes with the bound and the quadratic of the box they are part of, to be halved where that is bent most."""
    w = boxes.half
    pull = (np.abs(cut.bend) * w[:, :, None] * w[:, None, :]).sum(axis=2)
    return Bounds(boxes, known, np.full(len(known), -np.inf), pull.argmax(axis=1), cut)


def prove(fields: Sequence[Field], enough: float, work: float, stop: float = np.inf) -> Proof:
    """The proof that no score exceeds `enough`, or as near to it as `work` allows.

    Given up where a score above `stop` is met.

    Boxes are taken best first, many at a time, from the field of the most promising one.
    """
    # Places where a model overflows give no bound, and lose none.
    with np.errstate(all="ignore"):
        return _prove(fields, enough, work, stop)


def _prove(fields: Sequence[Field], enough: float, work: float, stop: float) -> Proof:
    """As `prove`: `opened` holds the boxes that are left, `count` those looked at, `left` the work still allowed."""
    starts = [one.domain.whole() for one in fields]
    most = max((boxes.low.shape[1] for boxes in starts), default=0)
    none, first = np.zeros((0, most)), np.zeros(0, dtype=np.intp)
    opened = _Open(none, none, np.zeros(0), first, first, Quadratic.none(0, most))
    count, left = 0, work
    for which, (one, whole) in enumerate(zip(fields, starts, strict=True)):
        found = one.over(whole, np.full(whole.count, np.inf), enough)
        count, left = count + whole.count, left - one.cost * whole.count
        opened.add(found, which, enough)
    while len(opened.upper) and left > 0 and opened.best <= stop:
        which = int(opened.of[opened.upper.argmax()])
        one, d = fields[which], starts[which].low.shape[1]
        mine = np.flatnonzero(opened.of == which)
        most = min(max(int(_BATCH / one.cost), _LEAST_AT_ONCE), _MOST_AT_ONCE)
        room = max(1, min(most, int(left / (2 * one.cost))))
        order = mine[np.argsort(-opened.upper[mine], kind="stable")[:room]]
        halves, known, cut = opened.halves(order, d, one.domain, enough)
        keep = np.ones(len(opened.upper), dtype=bool)
        keep[order] = False
        opened.drop(keep)
        count, left = count + halves.count, left - _HALVING * halves.count
        alive = known > enough
        # Where the quadratic itself may end below what is enough, halving alone shows it, for a tenth of the work.
        reached = cut.reached(halves.half) > enough - _HARDLY
        fresh, later = np.flatnonzero(alive & reached), np.flatnonzero(alive & ~reached)
        if len(fresh):
            opened.add(one.over(halves.only(fresh), known[fresh], enough), which, enough)
            left -= one.cost * len(fresh)
        if len(later):
            opened.add(_as_known(halves.only(later), known[later], cut.only(later)), which, enough)
    upper = max(opened.done, float(np.max(opened.upper, initial=-np.inf)), opened.best)
    closed = not len(opened.upper) and not opened.stuck and bool(upper <= enough)
    return Proof(upper, closed, opened.best, opened.where, opened.place, count)
