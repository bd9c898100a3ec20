"""Where a desirability is complete: many recipes may be equally desirable, and of those the likeliest is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from optimise.formula.climb import Limit, Subproblem
from optimise.formula.peaks import Multistart, Peak, spread_out
from optimise.formula.wholesteps import weighable
from optimise.models.aims import ramps

Array = npt.NDArray[np.float64]

_COMPLETE = -1e-9  # the log of a desirability that counts as 1
_MARGIN = 1e-6  # of a ramp, so that what rounds away leaves it complete
_STARTS = 6  # for each combo of categories


def likeliest(multistart: Multistart, peaks: Sequence[Peak]) -> list[Peak]:
    """The tops of the chance among recipes of complete desirability, in whole weighable steps; empty where none is.

    Runs go up the chance from a few places where all is as wanted, at each combo of category levels: the likeliest by
    matched moments that keep apart, of `peaks` and of the places a search starts from.
    """
    full = [peak for peak in peaks if peak.score >= _COMPLETE]
    if multistart.objective != "desirability" or not full or not multistart.brief.aimed:
        return []
    likely, out = replace(multistart, objective="chance"), []
    for combo in multistart.space.combos:
        found = [peak.u for peak in full if dict(peak.combo) == dict(combo)]
        if not found or not found[0].size:
            continue
        pool = multistart.pool(combo)
        places = np.vstack([found, pool[multistart.score(pool, combo) >= _COMPLETE]])
        starts = np.array(list(islice(spread_out(places, likely.score_by_moments(places, combo)), _STARTS)))
        complete = _complete(multistart, multistart.subproblem(combo))
        for top in likely.climbs(multistart.subproblem(combo, (complete,)), starts):
            u = weighable(likely, top, (complete,)).u
            out.append(Peak(u, combo, float(multistart.score(u[None], combo)[0])))
    return [peak for peak in out if peak.score >= _COMPLETE]


def _complete(multistart: Multistart, subproblem: Subproblem) -> Limit:
    """That every response is as wanted: past the top of each ramp, at a target, within each plain limit."""
    sides, walls = ramps([p.response for p in multistart.brief.properties])
    which = [*(side.response for side in sides), *(number for number, _, _ in walls)]
    # What is wanted at a target has a ramp on each side, and nothing is past both.
    tops = [(side.response, side.full) for side in sides]
    margin = np.array([*(_MARGIN if tops.count(top) == 1 else 0.0 for top in tops), *(_MARGIN for _ in walls)])
    ends = np.array([*(side.full for side in sides), *(limit for _, _, limit in walls)])
    rate = np.array(
        [
            *(1 / (side.full - side.start) for side in sides),
            *(sign / max(abs(limit), 1e-9) for _, sign, limit in walls),
        ]
    )

    def complete(U: Array) -> tuple[Array, Array]:
        y, dy = multistart.brief.centres.with_slopes(subproblem.levels(U), subproblem.chosen(len(U)))
        slope = rate[:, None] * (dy @ subproblem.space.basis)[:, which]
        return rate * (y[:, which] - ends) - margin, slope

    return complete
