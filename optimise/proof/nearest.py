"""The recipe of whole weighable steps that comes closest to all musts, from where the closest of all was found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimise.formula.climb import Hill, Stop, climb_smallest_miss
from optimise.formula.peaks import Peak, Quest
from optimise.formula.wholesteps import weighable
from optimise.proof.specs import Misses, specs_of

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TowardsMusts(Quest):
    """A search for the smallest largest miss of all musts: its score is that miss turned down."""

    misses: Misses

    @classmethod
    def of(cls, quest: Quest) -> TowardsMusts | None:
        """The search in the quest's space and fence; None where no must has a limit."""
        specs = specs_of(quest.brief, quest.space)
        return cls(quest.brief, quest.space, "chance", quest.fence, Misses.of(specs)) if specs else None

    def score_levels(self, X: Array, combo: Mapping[str, str]) -> Array:
        """The largest miss at levels X (n, k) turned down, (n,)."""
        worst: Array = -self.misses.many(X, self.space.chosen(combo, len(X))).max(axis=1)
        return worst

    def uphill(self, hill: Hill, start: Array, stop: Stop | None = None) -> Array:
        """Where the largest miss is smallest on the way from `start`; it never stops early."""

        def under(u: Array) -> tuple[Array, Array]:
            misses, slopes = self.misses.with_slopes(hill.levels(u), hill.chosen)
            return misses, slopes @ hill.space.basis

        return climb_smallest_miss(hill, under, start)[0]


def nearest_weighable(quest: Quest, u: Array, combo: Mapping[str, str]) -> tuple[Array, float]:
    """Free coordinates (d,) of the closest recipe of whole steps about `u` (d,), and its largest miss, in batch sds.

    `u` itself where no recipe of whole steps is allowed there.
    """
    towards = TowardsMusts.of(quest)
    if towards is None:
        return u, 0.0
    peak = weighable(towards, Peak(u, combo, float(towards.score(u[None], combo)[0])))
    return peak.u, -peak.score
