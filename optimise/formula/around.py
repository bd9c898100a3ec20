"""What lies around a chosen formula: what limits the chance, others nearly as good, the chance against the cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize

from optimise.formula.brief import Brief
from optimise.formula.climb import Limit
from optimise.formula.exact import Exact
from optimise.formula.peaks import Peak, Quest

Array = npt.NDArray[np.float64]

NEARLY = 0.8
_APART = 0.35
_FRONT = 5
SAME = 0.99
_SAVINGS = 7


def limited_by(brief: Brief, x: Array, combo: Mapping[str, str]) -> list[dict[str, Any]]:
    """The fitted musts in order of what they cost: the chance of all were this one always met, less that as it is."""
    chosen = {name: np.array([level], dtype=object) for name, level in combo.items()}
    each = np.array([float(one.each(x[None], chosen)[0]) for one in brief.aimed])
    out = []
    for i, one in enumerate(brief.aimed):
        without = float(np.delete(each, i).prod())
        out.append({"response": one.response.name, "chance": float(each[i]), "costs": without * (1 - float(each[i]))})
    return sorted(out, key=lambda entry: (-round(entry["costs"], 12), entry["response"]))


def alternatives(quest: Quest, best: Peak, peaks: list[Peak], count: int = 3) -> list[Peak]:
    """Formulas that keep well apart from the best and from each other and score at least 0.8 of it, best first.

    Apart: another combination of category levels, or 0.35 sqrt(d) away in coded units (the whole reach is 2).
    """
    apart = _APART * np.sqrt(max(quest.space.dimension, 1))
    least = best.score + np.log(NEARLY)
    picked = [best]
    for _ in range(count):
        found: list[Peak] = []
        for combo in quest.space.combos:
            near = [p.u for p in picked if dict(p.combo) == dict(combo)]
            found += _apart_from(quest, combo, near, apart, peaks)
        found = [p for p in found if p.score >= least]
        if not found:
            break
        picked.append(max(found, key=lambda p: round(p.score, 9)))
    return sorted(picked[1:], key=lambda p: -round(p.score, 9))


def _apart_from(
    quest: Quest, combo: Mapping[str, str], near: list[Array], apart: float, peaks: list[Peak]
) -> list[Peak]:
    """The best peak and the best place of the pool that keep away from `near`, each climbed with that distance kept."""

    def far(u: Array) -> tuple[Array, Array]:
        gaps = np.array([u - other for other in near])
        return (gaps**2).sum(axis=1) - apart**2, 2 * gaps

    limits: tuple[Limit, ...] = (far,) if near else ()
    pool = np.vstack([quest.pool(combo), *[p.u[None] for p in peaks if dict(p.combo) == dict(combo)]])
    clear = np.array([all(np.linalg.norm(u - other) >= apart for other in near) for u in pool])
    if not clear.any():
        return []
    pool = pool[clear]
    order = np.argsort(-np.round(quest.score(pool, combo), 9), kind="stable")[:1]
    hill = quest.hill(combo, limits)
    climbed = [quest.climb(hill, pool[i]) for i in order]
    return [quest.weighable(peak, limits) for peak in climbed]


def front(quest: Quest, best: Peak, peaks: list[Peak], cost: Exact) -> list[tuple[float, Peak]]:
    """The chance against cost: ceilings from the cheapest recipe up to the best formula's cost, the best below each.

    Points that cost more than another without scoring better are left out.
    """
    price = _Price(quest, cost)
    most = price.of(best)
    least = min(price.cheapest(combo) for combo in _different(quest))
    found = [(most, best)]
    if most - least <= 1e-9 * max(abs(most), 1.0):
        return found
    starts = peaks[:2]
    if quest.space.parts:
        starts = [next((p for p in peaks if dict(p.combo) == dict(combo)), best) for combo in _different(quest)]
    for ceiling in np.linspace(most, least, _FRONT + 1)[1:]:
        tried = [_below(quest, p, price, float(ceiling)) for p in (found[-1][1], *starts)]
        under = [p for p in tried if p is not None]
        if not under:
            continue
        peak = max(under, key=lambda p: round(p.score, 9))
        peak = quest.weighable(peak, (price.limit(peak.combo, float(ceiling)),))
        found.append((price.of(peak), peak))
    found.sort(key=lambda pair: (round(pair[0], 12), -pair[1].score))
    kept: list[tuple[float, Peak]] = []
    for pair in found:
        if not kept or pair[1].score > kept[-1][1].score + 1e-6:
            kept.append(pair)
    return kept


def cheapest(quest: Quest, best: Peak, cost: Exact) -> Peak | None:
    """The cheapest recipe found with at least 0.99 of the best measure, where it saves half a per cent or more.

    Ceilings on the cost are halved towards the lowest under which that much is still found.
    """
    price, least = _Price(quest, cost), best.score + np.log(SAME)
    dear, cheap = price.of(best), min(price.cheapest(combo) for combo in _different(quest))
    found = None
    for _ in range(_SAVINGS):
        ceiling = 0.5 * (dear + cheap)
        tried = [_below(quest, one, price, ceiling) for one in dict.fromkeys((best, *([found] if found else [])))]
        under = [p for p in tried if p is not None and p.score >= least]
        if not under:
            cheap = ceiling
            continue
        peak = quest.weighable(max(under, key=lambda p: round(p.score, 9)), (price.limit(best.combo, ceiling),))
        if peak.score >= least:
            found, dear = peak, ceiling
        else:
            cheap = ceiling
    if found is None or price.of(found) > price.of(best) - 0.005 * abs(price.of(best)):
        return None
    return found


def _different(quest: Quest) -> list[Mapping[str, str]]:
    """One combo of each part of the space: the combos between which limits or prices differ."""
    if not quest.space.parts:
        return [quest.space.combos[0]]
    return list({id(part): part.combos[0] for part in quest.space.parts.values()}.values())


@dataclass(frozen=True, slots=True)
class _Price:
    """Cost as a linear sum of the free coordinates, at each combo."""

    quest: Quest
    cost: Exact

    def _sum(self, combo: Mapping[str, str]) -> tuple[Array, float]:
        space = self.quest.space.at(combo)
        cost = self.cost.at(combo)
        return cost.top @ space.basis, float(cost.top @ space.origin + cost.constant)

    def of(self, peak: Peak) -> float:
        slope, at_zero = self._sum(peak.combo)
        return float(slope @ peak.u + at_zero)

    def values(self, U: Array, combo: Mapping[str, str]) -> Array:
        slope, at_zero = self._sum(combo)
        out: Array = U @ slope + at_zero
        return out

    def limit(self, combo: Mapping[str, str], ceiling: float) -> Limit:
        slope, at_zero = self._sum(combo)
        size, most = max(float(np.abs(slope).sum()), 1e-300), ceiling - at_zero

        def limit(u: Array) -> tuple[Array, Array]:
            return np.array([(most - slope @ u) / size]), -slope[None] / size

        return limit

    def cheapest(self, combo: Mapping[str, str]) -> float:
        """Lowest cost at a combo, by linear programming."""
        space, (slope, at_zero) = self.quest.space.at(combo), self._sum(combo)
        if space.dimension == 0:
            return at_zero
        found = optimize.linprog(slope, A_ub=space.G, b_ub=space.h, bounds=[(-1.0, 1.0)] * space.dimension)
        return at_zero + float(found.fun) if found.fun is not None else at_zero


def _below(quest: Quest, peak: Peak, price: _Price, ceiling: float) -> Peak | None:
    """The best under a cost ceiling, climbed from the best of the pool's places and the peak that are cheap enough."""
    pool = np.vstack([peak.u[None], quest.pool(peak.combo)])
    cheap = pool[price.values(pool, peak.combo) <= ceiling + 1e-12]
    if not len(cheap):
        return None
    start = cheap[int(np.argmax(np.round(quest.score(cheap, peak.combo), 9)))]
    return quest.climb(quest.hill(peak.combo, (price.limit(peak.combo, ceiling),)), start)
