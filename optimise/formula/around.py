"""What lies around a chosen formula: what limits the chance, others nearly as good, the chance against the cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimise.formula.brief import Brief
from optimise.formula.climb import Limit
from optimise.formula.measures import Measure, Price, TowardsAim, Wanting, of
from optimise.formula.peaks import Peak, Quest
from optimise.formula.wholesteps import weighable

Array = npt.NDArray[np.float64]

NEARLY = 0.8
APART = 0.35
_FRONT = 5
BANDS = 6
_NEAR = 1e-3
SAME = 0.99
KEPT = 0.9
_SAVINGS = 7
_PENNY = 1e-9


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
    apart = APART * np.sqrt(max(quest.space.dimension, 1))
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
    return [weighable(quest, peak, limits) for peak in climbed]


def front(quest: Quest, best: Peak, peaks: list[Peak], measure: Measure) -> list[Peak]:
    """The best for each of a few ceilings on a measure, from its least up to what it is at the best; the least first.

    Those that measure more than another without scoring better are left out.
    """
    most = of(measure, best)
    least = min(measure.least(combo) for combo in quest.space.combos)
    found = [(most, best)]
    if most - least <= 1e-9 * max(abs(most), 1.0):
        return [best]
    starts, whole = [*peaks[:2], *_one_each(quest, best, peaks)], _in_whole_steps(quest, best)
    for ceiling in np.linspace(most, least, _FRONT + 1)[1:]:
        tried = [_below(quest, p, measure, float(ceiling)) for p in dict.fromkeys((found[-1][1], *starts))]
        tried.append(_drawn_in(quest, found[-1][1], measure, float(ceiling)))
        under = [p for p in tried if p is not None]
        if not under:
            continue
        peak = max(under, key=lambda p: round(p.score, 9))
        peak = weighable(quest, peak, (measure.limit(peak.combo, float(ceiling)),))
        # Where no recipe of whole steps lies under the ceiling, there is none to make.
        if _in_whole_steps(quest, peak) or not whole:
            found.append((of(measure, peak), peak))
    found.sort(key=lambda pair: (round(pair[0], 12), -pair[1].score))
    kept: list[tuple[float, Peak]] = []
    for pair in found:
        if not kept or pair[1].score > kept[-1][1].score + 1e-6:
            kept.append(pair)
    return [peak for _, peak in kept]


def across(quest: Quest, best: Peak, peaks: list[Peak], steps: Sequence[tuple[Measure, float]]) -> list[Peak]:
    """The best within each of a few ranges of a response, each a measure and its ceiling; `best` stands for its own.

    A range that no recipe reaches is left out.
    """
    own = min(range(len(steps)), key=lambda k: of(steps[k][0], best))
    found: dict[int, Peak] = {own: best}
    # From the best outwards, each step from the one before: what is good lies on from what is good.
    for k in sorted(range(len(steps)), key=lambda k: abs(k - own)):
        if k == own:
            continue
        measure, ceiling = steps[k]
        beside = found.get(k - 1 if k > own else k + 1, best)
        starts = dict.fromkeys((beside, best, *peaks[:2], *_one_each(quest, best, peaks)))
        tried = [_below(quest, start, measure, ceiling) for start in starts]
        tried += [_drawn_in(quest, start, measure, ceiling) for start in dict.fromkeys((beside, best))]
        under = [peak for peak in tried if peak is not None]
        if under:
            peak = max(under, key=lambda p: round(p.score, 9))
            found[k] = weighable(quest, peak, (measure.limit(peak.combo, ceiling),))
    return [found[k] for k in sorted(found)]


def _in_whole_steps(quest: Quest, peak: Peak) -> bool:
    """Whether every level that has a weighable step, but that of the fill, is a whole number of them."""
    space = quest.space.at(peak.combo)
    x, region = space.region.decoded(peak.u[None])[0], space.region
    off = [x[region.names.index(name)] / step for name, step in space.steps.items() if name != region.fill]
    return all(abs(count - round(count)) <= 1e-6 for count in off)


def _drawn_in(quest: Quest, peak: Peak, measure: Measure, ceiling: float) -> Peak | None:
    """The best under a ceiling, climbed from a peak that lies above it."""
    climbed = quest.climb(quest.hill(peak.combo, (measure.limit(peak.combo, ceiling),)), peak.u)
    return climbed if of(measure, climbed) <= ceiling * (1 + _NEAR) else None


def between(best: Peak, peaks: list[Peak], one: Wanting, other: Wanting) -> list[Peak]:
    """The best of one aim for each of a few ceilings on another, among formulas with 0.9 of the best measure."""
    quest = TowardsAim.after(one, best.score + np.log(KEPT))
    ends = [quest.climb(quest.hill(p.combo), p.u) for p in peaks if p.score >= quest.share]
    ends = [weighable(quest, p) for p in (*ends, replace(best, score=float(quest.score(best.u[None], best.combo)[0])))]
    top = max(ends, key=lambda p: round(p.score, 9))
    return [peak for peak in front(quest, top, ends, other) if quest.keeps(peak)]


def cheapest(quest: Quest, best: Peak, peaks: list[Peak], price: Price) -> Peak | None:
    """The cheapest recipe found with at least 0.99 of the best measure, where it saves half a per cent or more.

    At each combination of categories ceilings on the cost are halved towards the lowest under which that much is still
    found.
    """
    least, dear = best.score + np.log(SAME), of(price, best)
    found = None
    for start in (best, *_one_each(quest, best, peaks)):
        one = _cheapest_at(quest, start, price, least, dear)
        if one is not None:
            found, dear = one, of(price, one)
    if found is None or of(price, found) > of(price, best) - 0.005 * abs(of(price, best)):
        return None
    return found


def _cheapest_at(quest: Quest, start: Peak, price: Price, least: float, dear: float) -> Peak | None:
    """The cheapest at the combination of `start` that scores `least` and costs less than `dear`."""
    cheap, found = price.least(start.combo), None
    if cheap >= dear - _PENNY * abs(dear):
        return None
    for _ in range(_SAVINGS):
        ceiling = 0.5 * (dear + cheap)
        tried = [_below(quest, one, price, ceiling) for one in dict.fromkeys((start, *([found] if found else [])))]
        under = [p for p in tried if p is not None and p.score >= least]
        peak = None
        if under:
            peak = weighable(quest, max(under, key=lambda p: round(p.score, 9)), (price.limit(start.combo, ceiling),))
        if peak is not None and peak.score >= least:
            found, dear = peak, ceiling
        else:
            cheap = ceiling
    return found


def _one_each(quest: Quest, best: Peak, peaks: list[Peak]) -> list[Peak]:
    """The best peak of each combination of categories but that of the best, or the best place of its pool."""
    out = []
    for combo in quest.space.combos:
        if dict(combo) == dict(best.combo):
            continue
        own = [p for p in peaks if dict(p.combo) == dict(combo)]
        if not own:
            pool = quest.pool(combo)
            scores = quest.score(pool, combo)
            first = int(np.argmax(np.round(scores, 9)))
            own = [Peak(pool[first], combo, float(scores[first]))]
        out.append(max(own, key=lambda p: round(p.score, 9)))
    return out


def _below(quest: Quest, peak: Peak, measure: Measure, ceiling: float) -> Peak | None:
    """The best under a ceiling, climbed from the best of the pool's places and the peak that lie under it."""
    pool = np.vstack([peak.u[None], quest.pool(peak.combo)])
    under = pool[measure.values(pool, peak.combo) <= ceiling + 1e-12]
    if not len(under):
        return None
    start = under[int(np.argmax(np.round(quest.score(under, peak.combo), 9)))]
    return quest.climb(quest.hill(peak.combo, (measure.limit(peak.combo, ceiling),)), start)
