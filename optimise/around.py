"""What lies around a chosen formula: how far each level may go alone, what limits the chance, others nearly as good."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import optimize

from doe.problems import Unavailable
from optimise.brief import Brief, linear_sum
from optimise.climb import Limit
from optimise.fence import Fence
from optimise.peaks import Peak, Quest

Array = npt.NDArray[np.float64]

KEEP = 0.9
NEARLY = 0.8
_ALONG = 25
_HALVINGS = 30
_APART = 0.35
_FRONT = 5


def directions(brief: Brief, x: Array) -> dict[str, Array]:
    """How each level moves alone from levels x (k,), per unit of its own: name -> direction (k,).

    An ingredient takes from or gives to the fill; without a fill all others of the blend change in proportion (the
    direction of Cox 1971, Biometrika 58, 155-159). The fill itself has no direction of its own.
    """
    region = brief.study.region
    out = {}
    blend = [region.names.index(name) for name in region.blend]
    for j, name in enumerate(region.names):
        if name == region.fill:
            continue
        way = np.zeros(len(x))
        way[j] = 1.0
        if j in blend and region.fill is not None:
            way[region.names.index(region.fill)] = -1.0
        elif j in blend:
            others = [i for i in blend if i != j]
            rest = float(x[others].sum())
            if rest <= 0:
                continue
            way[others] = -x[others] / rest
        out[name] = way
    return out


def tolerances(quest: Quest, fence: Fence | None, x: Array, combo: Mapping[str, str]) -> dict[str, tuple[float, float]]:
    """Lowest and highest level of each, alone, for which the score's measure stays at least 0.9 of that at x (k,).

    The measure is the product of the chances (or the desirability). Within the region, its exact limits and the fence;
    the level moves along `directions`, from x to the first place where the measure falls short.
    """
    brief = quest.brief
    exact = [(r, linear_sum(brief.study, r)) for r in brief.exact]

    def good(X: Array) -> npt.NDArray[np.bool_]:
        fine = quest.score_levels(X, combo) >= floor
        for response, linear in exact:
            if isinstance(linear, Unavailable):
                continue
            value = X @ linear[0] + linear[1]
            size = 1e-9 * max(1.0, float(np.abs(value).max(initial=0.0)))
            fine &= value >= (-np.inf if response.low is None else response.low - size)
            fine &= value <= (np.inf if response.high is None else response.high + size)
        if fence is not None:
            fine &= fence.inside(X, quest.space.chosen(combo, len(X)))
        return np.asarray(fine, dtype=bool)

    floor = float(quest.score_levels(x[None], combo)[0]) + np.log(KEEP) - 1e-12
    names = brief.study.region.names
    out = {}
    for name, way in directions(brief, x).items():
        down, up = brief.study.region.line_range(x[None], way[None])
        at = float(x[names.index(name)])
        ends = [at + _reach(good, x, way, float(end[0])) for end in (down, up)]
        out[name] = (min(ends), max(ends))
    return out


def _reach(good: Any, x: Array, way: Array, end: float) -> float:
    """How far along a way, towards `end`, it stays good: a scan, then halving."""
    if end == 0 or not np.isfinite(end):
        return 0.0
    steps = np.linspace(0.0, end, _ALONG)[1:]
    fine = good(x + steps[:, None] * way)
    if fine.all():
        return end
    first = int(np.argmin(fine))
    near, far = (float(steps[first - 1]) if first else 0.0), float(steps[first])
    for _ in range(_HALVINGS):
        middle = 0.5 * (near + far)
        near, far = (middle, far) if good((x + middle * way)[None])[0] else (near, middle)
    return near


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


def front(quest: Quest, best: Peak, peaks: list[Peak], cost: tuple[Array, float]) -> list[tuple[float, Peak]]:
    """The chance against cost: ceilings from the cheapest recipe up to the best formula's cost, the best below each.

    `cost` is (weights (k,), constant). Points that cost more than another without scoring better are left out.
    """
    weights, constant = cost
    slope = weights @ quest.space.basis
    at_zero = float(weights @ quest.space.origin + constant)
    most = float(slope @ best.u + at_zero)
    least = _cheapest(quest, slope, at_zero)
    found = [(most, best)]
    if most - least <= 1e-9 * max(abs(most), 1.0):
        return found
    for ceiling in np.linspace(most, least, _FRONT + 1)[1:]:
        limit = _ceiling(slope, float(ceiling) - at_zero)
        tried = [_below(quest, p, slope, float(ceiling) - at_zero, limit) for p in (found[-1][1], *peaks[:2])]
        under = [p for p in tried if p is not None]
        if not under:
            continue
        peak = quest.weighable(max(under, key=lambda p: round(p.score, 9)), (limit,))
        found.append((float(slope @ peak.u + at_zero), peak))
    found.sort(key=lambda pair: (round(pair[0], 12), -pair[1].score))
    kept: list[tuple[float, Peak]] = []
    for pair in found:
        if not kept or pair[1].score > kept[-1][1].score + 1e-6:
            kept.append(pair)
    return kept


def _ceiling(slope: Array, most: float) -> Limit:
    size = max(float(np.abs(slope).sum()), 1e-300)

    def limit(u: Array) -> tuple[Array, Array]:
        return np.array([(most - slope @ u) / size]), -slope[None] / size

    return limit


def _cheapest(quest: Quest, slope: Array, at_zero: float) -> float:
    """Lowest cost over the space, by linear programming."""
    d = quest.space.dimension
    if d == 0:
        return at_zero
    found = optimize.linprog(slope, A_ub=quest.space.G, b_ub=quest.space.h, bounds=[(-1.0, 1.0)] * d)
    return at_zero + float(found.fun) if found.fun is not None else at_zero


def _below(quest: Quest, peak: Peak, slope: Array, most: float, limit: Limit) -> Peak | None:
    """The best under a cost ceiling, climbed from the best of the pool's places and the peak that are cheap enough."""
    pool = np.vstack([peak.u[None], quest.pool(peak.combo)])
    cheap = pool[pool @ slope <= most + 1e-12]
    if not len(cheap):
        return None
    start = cheap[int(np.argmax(np.round(quest.score(cheap, peak.combo), 9)))]
    return quest.climb(quest.hill(peak.combo, (limit,)), start)
