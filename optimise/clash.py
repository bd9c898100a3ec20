"""Which musts cannot be met together: a smallest set by leaving out one after another. By search, not by proof."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from doe.problems import Unavailable
from optimise.aims import window
from optimise.brief import Brief
from optimise.climb import climb_smallest_miss
from optimise.exact import Exact, exact_form
from optimise.fence import Fence
from optimise.goals import Aimed
from optimise.peaks import Quest
from optimise.space import Space

Array = npt.NDArray[np.float64]

_MET = 1e-6
_STARTS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Spec:
    """One side of a must: `sign` times (limit - value) over `size` is its miss, at most 0 where it is met.

    The value is a fitted centre on the model scale, or an exact quantity of the levels.
    """

    response: str
    side: str
    asked: float
    limit: float
    sign: float
    size: float
    aimed: Aimed | None
    exact: Exact | None

    def miss(self, x: Array, chosen: Mapping[str, npt.NDArray[Any]]) -> tuple[float, Array]:
        """The miss at levels x (k,) and its slope (k,)."""
        if self.aimed is None:
            value, slope = self.limit, np.zeros(len(x))
            if self.exact is not None:
                value, slope = self.exact.at(chosen).value_and_slope(x)
            return self.sign * (self.limit - value) / self.size, -self.sign * slope / self.size
        law, by_location, _ = self.aimed.predictor.at_with_slopes(x[None], chosen)
        value, slope = float(law.mean()[0]), law.weights @ by_location[0]
        return self.sign * (self.limit - value) / self.size, -self.sign * slope / self.size


def find_clash(brief: Brief, space: Space, fence: Fence | None) -> list[dict[str, Any]]:
    """A smallest set of musts that no recipe of the space is predicted to meet together; empty where some recipe does.

    `space` must not itself be narrowed by the exact responses. Each entry: response, side, limit, the nearest value to
    it that the search reached with the others of the set met, and proved (False: a search can miss a recipe).
    """
    specs = _specs(brief, space)
    if not specs or _smallest(brief, space, fence, specs)[0] <= _MET:
        return []
    kept = list(specs)
    for spec in specs:
        rest = [s for s in kept if s is not spec]
        if rest and _smallest(brief, space, fence, rest)[0] > _MET:
            kept = rest
    return [_entry(brief, space, fence, kept, spec) for spec in kept]


def _entry(brief: Brief, space: Space, fence: Fence | None, kept: Sequence[Spec], spec: Spec) -> dict[str, Any]:
    others = [s for s in kept if s is not spec]
    _, x, combo = _smallest(brief, space, fence, [spec], others)
    chosen = space.chosen(combo, 1)
    miss = spec.miss(x, chosen)[0]
    value = spec.limit - spec.sign * miss * spec.size
    scale = spec.aimed.scale if spec.aimed is not None else None
    reached = float(scale.back(np.array([value]))[0]) if scale is not None else float(value)
    return {"response": spec.response, "side": spec.side, "limit": spec.asked, "reached": reached, "proved": False}


def _specs(brief: Brief, space: Space) -> list[Spec]:
    out = []
    first = space.combos[0]
    middle = space.at(first)
    centre = middle.region.decoded(middle.centre[None])
    for one in brief.aimed:
        law = one.predictor.at(centre, space.chosen(first, 1))
        size = max(float(law.batch_scale[0] @ law.weights), 1e-12)
        asked = window(one.response)
        for side, sign, limit, said in (("low", 1.0, one.low, asked[0]), ("high", -1.0, one.high, asked[1])):
            if limit is not None and said is not None:
                out.append(Spec(one.response.name, side, said, limit, sign, size, one, None))
    for response in brief.exact:
        exact = exact_form(brief.study, response)
        if isinstance(exact, Unavailable):
            continue
        size = max(float(np.abs(exact.at(first).value_and_slope(centre[0])[1] @ middle.basis).sum()), 1e-12)
        for side, sign, limit in zip(("low", "high"), (1.0, -1.0), window(response), strict=True):
            if limit is not None:
                out.append(Spec(response.name, side, limit, limit, sign, size, None, exact))
    return out


def _smallest(
    brief: Brief, space: Space, fence: Fence | None, specs: Sequence[Spec], kept: Sequence[Spec] = ()
) -> tuple[float, Array, Mapping[str, str]]:
    """The smallest worst miss of `specs` found, with `kept` met, the levels (k,) and category levels it stands at."""
    quest = Quest(brief, space, "chance", fence)
    best: tuple[float, Array, Mapping[str, str]] | None = None
    for combo in space.combos:
        pool = quest.pool(combo)
        worst = _worst(specs, space, pool, combo)
        if kept:
            held = _worst(kept, space, pool, combo)
            worst = np.where(held <= _MET, worst, worst + 1e3 * (1 + held))
        order = np.argsort(worst, kind="stable")[:_STARTS]
        for i in order:
            miss, u = _run(quest, combo, specs, kept, pool[i])
            if best is None or miss < best[0] - 1e-9:
                place = space.at(combo)
                best = (miss, place.origin + place.basis @ u, combo)
            if not kept and miss <= _MET:
                return best
    return best if best is not None else (0.0, space.origin, space.combos[0])


def _run(
    quest: Quest, combo: Mapping[str, str], specs: Sequence[Spec], kept: Sequence[Spec], start: Array
) -> tuple[float, Array]:
    space, chosen = quest.space.at(combo), quest.space.chosen(combo, 1)

    def misses(of: Sequence[Spec], u: Array) -> tuple[Array, Array]:
        pairs = [spec.miss(space.origin + space.basis @ u, chosen) for spec in of]
        return np.array([m for m, _ in pairs]), np.array([s @ space.basis for _, s in pairs])

    def met(u: Array) -> tuple[Array, Array]:
        miss, slope = misses(kept, u)
        return -miss, -slope

    hill = quest.hill(combo, (met,) if kept else ())
    end, _ = climb_smallest_miss(hill, lambda u: misses(specs, u), start)
    end = space.repaired(np.clip(end, -1.0, 1.0))
    held = float(misses(kept, end)[0].max()) if kept else 0.0
    miss = float(misses(specs, end)[0].max())
    return (miss if held <= 1e-4 else miss + 1e3 * held), end


def _worst(specs: Sequence[Spec], space: Space, U: Array, combo: Mapping[str, str]) -> Array:
    """The largest miss at each of many places, (n,)."""
    X, chosen = space.at(combo).region.decoded(U), space.chosen(combo, len(U))
    values: dict[str, Array] = {}
    worst = np.full(len(U), -np.inf)
    for spec in specs:
        if spec.aimed is None:
            value = np.full(len(X), spec.limit) if spec.exact is None else spec.exact.values(X, chosen)
        else:
            if spec.response not in values:
                values[spec.response] = spec.aimed.predictor.at(X, chosen).mean()
            value = values[spec.response]
        worst = np.maximum(worst, spec.sign * (spec.limit - value) / spec.size)
    return worst
