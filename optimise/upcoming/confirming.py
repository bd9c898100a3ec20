"""How many batches confirm a formula: what is left to fear of it once that many have met every must."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.problems import Unavailable
from doe.study import Study
from optimise.models.chance import passing_chances, true_chances
from optimise.models.models import Models
from optimise.upcoming.confirmdays import planned_days

Array = npt.NDArray[np.float64]

FEWEST, MOST = 3, 12  # at least three: NIST/SEMATECH e-Handbook 5.4.6; at most a dozen: common practice, no source
_FEAR = 0.05
_SURPRISE = 0.05  # common practice, no source
_PAYS = 0.01


@dataclass(frozen=True, slots=True)
class Confirming:
    """What `batches` that all meet every must would tell of a formula.

    `poor` is the true chance below which it would be well short of what is wanted, `fear` how likely that is now, and
    `fear_left` once all batches passed; `passes` how likely a formula as good as wanted is to pass them all, and
    `all_pass` how likely this one is, as the models stand.
    """

    batches: int
    poor: float
    fear: float
    fear_left: float
    passes: float
    all_pass: float

    @property
    def hopeless(self) -> bool:
        """Whether that all pass would be a surprise: there is next to nothing to confirm."""
        return self.all_pass < _SURPRISE

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        names = ("batches", "poor", "fear", "fear_left", "passes", "all_pass", "hopeless")
        return {name: getattr(self, name) for name in names}


def confirming(
    study: Study, models: Models, recipe: pd.DataFrame, wanted: float, room: int = MOST, batches: int | None = None
) -> Confirming | None:
    """How many confirmation batches a formula (one row) is worth, or what that many `batches` would tell.

    By the true chances that the models leave possible (see `weighed_by_passing`); the batches are made as many a day as
    can be, and those of one day share what days differ by. None where there is no chance, or no room for a batch.
    """
    possible = models.must_laws(recipe)
    if isinstance(possible, Unavailable) or (batches is None and room < 1):
        return None
    laws, windows = possible
    if not laws:
        return None
    chances: Array = true_chances(laws, windows)[0]
    joint = models.joint_chance(recipe)
    one = None if isinstance(joint, Unavailable) else float(joint[0])
    if not any(law.shared.any() for law in laws):
        return weighed_by_passing(chances, wanted, room, batches, one=one)
    a_day = cache(lambda size: passing_chances(laws, windows, size)[0])

    def passing(count: int) -> Array:
        each: Array = np.prod([a_day(size) for size in planned_days(study, count)["block"]], axis=0)
        return each

    return weighed_by_passing(chances, wanted, room, batches, passing, one)


def weighed_by_passing(
    chances: Array, wanted: float, room: int = MOST, batches: int | None = None,
    passing: Callable[[int], Array] | None = None, one: float | None = None,
) -> Confirming:  # fmt: skip
    """What n batches that all pass tell, by true chances (draws,) that are equally likely before.

    One of true chance q passes n batches with q^n, or what `passing` gives (draws,) where batches share an error; so
    passing weighs the draws by that (Bayes). Well short means to miss twice as often as may be. The fewest from three
    on after which that is feared with 5 % at most; where no number up to twelve and `room` brings that, those after
    which others would take away less than a per cent each. One, where even that would be a surprise to pass: there is
    nothing to confirm, and one shows whether the models are wrong. `one` is the chance of one batch as it is told, with
    what responses have in common; the true chances, which leave that out, say how likely the others pass if it does.
    """
    poor = max(1 - 2 * (1 - wanted), wanted / 2)
    good = chances >= wanted
    told_for_true = 1.0 if one is None else one / max(float(chances.mean()), 1e-300)

    def told(n: int) -> Confirming:
        passed = chances**n if passing is None else passing(n)
        left = float(passed[chances < poor].sum() / max(float(passed.sum()), 1e-300))
        kept = float(passed[good].mean()) if good.any() else wanted**n
        return Confirming(
            n, poor, float((chances < poor).mean()), left, kept, min(told_for_true * float(passed.mean()), 1.0)
        )

    if batches is not None:
        return told(batches)
    every = [told(n) for n in range(1, min(MOST, room) + 1)]
    if every[0].hopeless:
        return every[0]
    few = min(FEWEST, len(every)) - 1
    for place, enough in enumerate(every[few:], few):
        # Batches of one day tell less and less, the first of the next day more again.
        ahead = [(enough.fear_left - more.fear_left) / (more.batches - enough.batches) for more in every[place + 1 :]]
        if enough.fear_left <= _FEAR or max(ahead, default=0.0) < _PAYS:
            return enough
    return every[-1]
