"""What lies around a chosen formula: the musts that limit its chance, and others nearly as good."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import islice
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.brief import Brief
from optimise.formula.climb import Limit
from optimise.formula.peaks import Multistart, Peak, spread_out
from optimise.formula.wholesteps import in_whole_steps, weighable

Array = npt.NDArray[np.float64]

_MOST, _NEARLY = 3, 0.8  # how many, and the share of the best measure that each has at least
APART = 0.35  # in coded units, whose whole reach is 2, times the root of the dimension
_STARTS = 4  # runs for each alternative and combination of categories


def limited_by(brief: Brief, x: Array, combo: Mapping[str, str]) -> list[dict[str, Any]]:
    """The fitted musts at levels x (k,), those that cost most chance first: `response`, its own `chance`, and `costs`.

    What a must `costs` is the chance of all musts were this one always met, less that as it is.
    """
    chosen = {name: np.array([level], dtype=object) for name, level in combo.items()}
    each = np.array([float(one.each(x[None], chosen)[0]) for one in brief.aimed])
    out = []
    for i, one in enumerate(brief.aimed):
        without = float(np.delete(each, i).prod())
        out.append({"response": one.response.name, "chance": float(each[i]), "costs": without * (1 - float(each[i]))})
    return sorted(out, key=lambda entry: (-round(entry["costs"], 12), entry["response"]))


def alternatives(multistart: Multistart, best: Peak, peaks: list[Peak]) -> list[Peak]:
    """Up to three formulas well apart from the best and from each other that score at least 0.8 of it, best first.

    Apart: another combination of category levels, or 0.35 sqrt(d) away in coded units (the whole reach is 2). Where
    the best is of whole weighable steps, so are the others.
    """
    whole = in_whole_steps(multistart, best)
    apart = APART * np.sqrt(max(multistart.space.dimension, 1))
    least = best.score + np.log(_NEARLY)
    picked = [best]
    for _ in range(_MOST):
        found: list[Peak] = []
        for combo in multistart.space.combos:
            near = [p.u for p in picked if dict(p.combo) == dict(combo)]
            found += _apart_from(multistart, combo, near, apart, peaks)
        found = [p for p in found if p.score >= least and (in_whole_steps(multistart, p) or not whole)]
        if not found:
            break
        picked.append(max(found, key=lambda p: round(p.score, 9)))
    return sorted(picked[1:], key=lambda p: -round(p.score, 9))


def _apart_from(
    multistart: Multistart, combo: Mapping[str, str], near: list[Array], apart: float, peaks: list[Peak]
) -> list[Peak]:
    """The best that keeps away from `near`: from a few peaks and places of the pool that do, climbed with that kept."""

    def far(U: Array) -> tuple[Array, Array]:
        gaps = U[:, None] - np.array(near)
        return (gaps**2).sum(axis=2) - apart**2, 2 * gaps

    limits: tuple[Limit, ...] = (far,) if near else ()
    pool = np.vstack([multistart.pool(combo), *[p.u[None] for p in peaks if dict(p.combo) == dict(combo)]])
    clear = np.array([all(np.linalg.norm(u - other) >= apart for other in near) for u in pool])
    if not clear.any():
        return []
    pool = pool[clear]
    starts = np.array(list(islice(spread_out(pool, np.round(multistart.score(pool, combo), 9)), _STARTS)))
    climbed = multistart.climbs(multistart.subproblem(combo, limits), starts)
    return [weighable(multistart, max(climbed, key=lambda p: round(p.score, 9)), limits)]
