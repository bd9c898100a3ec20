"""The chance of passing as a field for proofs: its log bounded over many boxes of one piece of the region at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.goals import Aimed
from optimise.formula.space import Space
from optimise.models.fence import Fence
from optimise.proof.boxes import Boxes
from optimise.proof.branching import BOX, Bounds
from optimise.proof.chancebound import ChanceBound
from optimise.proof.cuts import Cut, Quadratic, Rows, tightest
from optimise.proof.domain import Domain, Wall, all_met, widest
from optimise.proof.expansion import Expander, Vicinity
from optimise.proof.sources import cost, expander

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ChanceField:
    """Sum over the musts of the log chance that one new batch passes, in one piece of a space, inside the fence."""

    domain: Domain
    aimed: tuple[Aimed, ...]
    expanders: tuple[Expander, ...]

    @property
    def cost(self) -> float:
        """The work of one box."""
        return BOX + cost(self.expanders)

    @classmethod
    def of(
        cls, space: Space, combo: Mapping[str, str], fence: Fence | None, aimed: Sequence[Aimed]
    ) -> ChanceField | None:
        """The field at one combination of category levels; None where some prediction cannot be expanded."""
        asked = [one for one in aimed if one.low is not None or one.high is not None]
        place, found = space.at(combo), []
        for one in asked:
            made = expander(one.predictor, place, combo)
            if made is None:
                return None
            found.append(made)
        return cls(Domain.of(place, combo, fence), tuple(asked), tuple(found))

    def over(self, boxes: Boxes, known: Array, enough: float) -> Bounds:
        """Bounds of log chance over boxes; no closer where that is not above `enough`."""
        boxes, known, walls = self.domain.reduced(boxes, known)
        a, w = boxes.centre, boxes.half
        ends = [(aim.low, aim.high) for aim in self.aimed]
        vicinity = Vicinity(a, w)
        bounds = [ChanceBound.of(one.at(vicinity), end, w) for one, end in zip(self.expanders, ends, strict=True)]
        top, middle, pull = np.zeros(len(a)), np.zeros(len(a)), np.zeros_like(a)
        for one in bounds:
            top += one.top
            middle += one.middle
            each, gap = one.pull(), np.maximum(one.top - one.middle, 0.0)
            pull += (gap / np.maximum(each.sum(axis=1), 1e-300))[:, None] * each
        upper = np.fmin(known, top)
        rows, kept = np.flatnonzero(upper > enough), Quadratic.none(*a.shape)
        if len(rows):
            some = [one.only(rows) for one in bounds]
            cut = [wall.only(rows) for wall in walls]
            first = [_taken(some, np.zeros((len(rows), a.shape[1])), cut)]

            def again(which: Rows, place: Array) -> Cut:
                return _taken([one.only(which) for one in some], place, [wall.only(which) for wall in cut])

            close, best = tightest(self.domain, a[rows], w[rows], cut, first, again, enough, top[rows])
            upper[rows] = np.fmin(upper[rows], close)
            kept.put(rows, best)
        high = middle > enough
        middle = np.where(self.domain.allowed(a) & all_met(walls, len(a)), middle, -np.inf)
        return Bounds(boxes, upper, middle, widest(pull, high, walls, w), kept)


def _taken(bounds: Sequence[ChanceBound], place: Array, walls: Sequence[Wall]) -> Cut:
    """The cut of all responses, taken at a place (n, d): of each its own mixed with its plain top."""
    cuts = [one.cut(place) for one in bounds]
    plain = [~(cut.level < np.inf) for cut in cuts]
    tops = np.stack([one.top for one in bounds], axis=1)
    level = np.stack(
        [np.where(bare, one.top, cut.level) for bare, one, cut in zip(plain, bounds, cuts, strict=True)], axis=1
    )
    slope, bend = (np.stack([getattr(cut, name) for cut in cuts], axis=1) for name in ("slope", "bend"))
    found = Cut.of(level, slope, bend)
    return found.mixed(Cut.of(tops, np.zeros_like(slope), np.zeros_like(bend)), walls, bounds[0].w)
