"""The trade-off of a formula: the best under each of a few ceilings on its cost or on another aim; the cheapest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from doe.definition.parts import Response
from doe.problems import ModelError, Problem
from optimise.formula.brief import Brief
from optimise.formula.exact import Exact, exact_form
from optimise.formula.measures import Measure, Price, TowardsAim, Wanting, at_peak, bands
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.wholesteps import in_whole_steps, weighable

_CEILINGS = 5  # points of a front below its best
_BANDS = 6  # of a response that is wanted within limits alone
_NEAR = 1e-3  # by how much of the way from the best to the least a run may end above its ceiling
_SAME = 0.99  # the share of the best measure that counts as the same, for the cheapest
_KEPT = 0.9  # the share of the objective that formulas keep, of which two aims are set against each other
_SAVINGS = 7  # halvings of the cost range in the search for the cheapest
_PENNY = 1e-9  # a saving, as a share of the cost, that is none


def check_against(brief: Brief, against: Sequence[str]) -> None:
    """Raises ModelError with all that is wrong with the aims a front is asked for."""
    known = [p.response.name for p in brief.properties]
    allowed = ", ".join(known) or "a response with an aim and a model"
    do = "name a response of which something is wanted"
    problems = [Problem("unknown-aim", "stop", "against", name, allowed, do) for name in against if name not in known]
    if len(against) > 2 or len(set(against)) < len(against):
        got, allowed = ", ".join(against), "one or two different responses"
        problems.append(Problem("unknown-aim", "stop", "against", got, allowed, "leave some out"))
    if problems:
        raise ModelError(problems)


def front(multistart: Multistart, best: Peak, peaks: list[Peak], against: Sequence[str]) -> list[Peak]:
    """The best for each of a few ceilings on the cost, or on one aim, or of one aim on another; the least first.

    Along the limits of an aim that is a window and no more; else to where it comes nearest to what is wanted. Empty
    where there is no cost.
    """
    if len(against) == 2:
        one, other = (_wanting(multistart, name) for name in against)
        return _between(best, peaks, one, other)
    if against:
        aim = _wanting(multistart, against[0])
        steps = bands(multistart, aim.of, _BANDS)
        return _across(multistart, best, peaks, steps) if steps else _under(multistart, best, peaks, aim)
    price = _price(multistart)
    return [] if price is None else _under(multistart, best, peaks, price)


def cheapest(multistart: Multistart, best: Peak, peaks: list[Peak]) -> Peak | None:
    """The cheapest recipe found with at least 0.99 of the best measure, where it saves half a per cent or more.

    At each combination of categories ceilings on the cost are halved towards the lowest under which that much is still
    found.
    """
    price = _price(multistart)
    if price is None:
        return None
    least, dear = best.score + np.log(_SAME), at_peak(price, best)
    found, whole = None, in_whole_steps(multistart, best)
    for start in (best, *_one_each(multistart, best, peaks)):
        one = _cheapest_at(multistart, start, price, least, dear, whole)
        if one is not None:
            found, dear = one, at_peak(price, one)
    if found is None or at_peak(price, found) > at_peak(price, best) - 0.005 * abs(at_peak(price, best)):
        return None
    return found


def _price(multistart: Multistart) -> Price | None:
    """The cost of a recipe, where every material has its price."""
    study = multistart.brief.study
    form = exact_form(study, Response("Cost", source="cost_per_kg")) if study.ingredients else None
    return Price(multistart, form) if isinstance(form, Exact) else None


def _wanting(multistart: Multistart, name: str) -> Wanting:
    """How far a response is from what is wanted of it."""
    return Wanting(multistart, next(p for p in multistart.brief.properties if p.response.name == name))


def _under(
    multistart: Multistart, best: Peak, peaks: list[Peak], measure: Measure, along: Sequence[Peak] = ()
) -> list[Peak]:
    """The best for each of a few ceilings on a measure, from its least up to what it is at the best; the least first.

    Those that measure more than another without scoring better are left out. `along` are places to start from too,
    the dearest of each combination of categories that lies under the ceiling.
    """
    most = at_peak(measure, best)
    least = min(measure.least(combo) for combo in multistart.space.combos)
    found = [(most, best)]
    if most - least <= 1e-9 * max(abs(most), 1.0):
        return [best]
    starts, whole = [*peaks[:2], *_one_each(multistart, best, peaks)], in_whole_steps(multistart, best)
    slack = _NEAR * (most - least)
    for ceiling in measure.rungs(most, least, _CEILINGS + 1)[1:]:
        beside = _dearest_under(along, measure, float(ceiling))
        tried = [
            _below(multistart, p, measure, float(ceiling)) for p in dict.fromkeys((found[-1][1], *starts, *beside))
        ]
        tried.append(_drawn_in(multistart, found[-1][1], measure, float(ceiling), slack))
        under = [p for p in tried if p is not None]
        if not under:
            continue
        peak = max(under, key=lambda p: round(p.score, 9))
        peak = weighable(multistart, peak, (measure.limit(peak.combo, float(ceiling)),))
        # Where no recipe of whole steps lies under the ceiling, there is none to make.
        if in_whole_steps(multistart, peak) or not whole:
            found.append((at_peak(measure, peak), peak))
    found.sort(key=lambda pair: (round(pair[0], 12), -pair[1].score))
    kept: list[tuple[float, Peak]] = []
    for pair in found:
        if not kept or pair[1].score > kept[-1][1].score + 1e-6:
            kept.append(pair)
    return [peak for _, peak in kept]


def _across(
    multistart: Multistart, best: Peak, peaks: list[Peak], steps: Sequence[tuple[Measure, float]]
) -> list[Peak]:
    """The best within each of a few ranges of a response, each a measure and its ceiling; `best` stands for its own.

    A range that no recipe reaches is left out.
    """
    own = min(range(len(steps)), key=lambda k: at_peak(steps[k][0], best))
    found: dict[int, Peak] = {own: best}
    whole = in_whole_steps(multistart, best)
    # From the best outwards, each step from the one before: what is good lies on from what is good.
    for k in sorted(range(len(steps)), key=lambda k: abs(k - own)):
        if k == own:
            continue
        measure, ceiling = steps[k]
        beside = found.get(k - 1 if k > own else k + 1, best)
        starts = dict.fromkeys((beside, best, *peaks[:2], *_one_each(multistart, best, peaks)))
        tried = [_below(multistart, start, measure, ceiling) for start in starts]
        tried += [
            _drawn_in(multistart, start, measure, ceiling, _NEAR * ceiling) for start in dict.fromkeys((beside, best))
        ]
        under = [peak for peak in tried if peak is not None]
        if under:
            peak = max(under, key=lambda p: round(p.score, 9))
            peak = weighable(multistart, peak, (measure.limit(peak.combo, ceiling),))
            if in_whole_steps(multistart, peak) or not whole:
                found[k] = peak
    return [found[k] for k in sorted(found)]


def _between(best: Peak, peaks: list[Peak], one: Wanting, other: Wanting) -> list[Peak]:
    """The best of one aim for each of a few ceilings on another, among formulas with 0.9 of the best measure."""
    multistart = TowardsAim.after(one, best.score + np.log(_KEPT))
    ends = [multistart.climb(multistart.subproblem(p.combo), p.u) for p in peaks if p.score >= multistart.share]
    ends = [
        weighable(multistart, p)
        for p in (*ends, replace(best, score=float(multistart.score(best.u[None], best.combo)[0])))
    ]
    top = max(ends, key=lambda p: round(p.score, 9))
    # Few places keep the share under a ceiling: those that keep most of the measure there are where to start.
    along = _keeping(multistart, [best, *_one_each(one.multistart, best, peaks)], other)
    return [peak for peak in _under(multistart, top, ends, other, along) if multistart.keeps(peak)]


def _keeping(multistart: TowardsAim, peaks: Sequence[Peak], measure: Measure) -> list[Peak]:
    """The best of the whole search from each peak down along a measure, as far as they keep the share."""
    out = []
    for peak in peaks:
        here: Peak | None = peak
        most, least = at_peak(measure, peak), measure.least(peak.combo)
        for ceiling in measure.rungs(most, least, _CEILINGS + 1):
            here = here and _drawn_in(multistart.whole, here, measure, float(ceiling), _NEAR * (most - least))
            if here is None or not multistart.keeps(here):
                break
            out.append(here)
    return out


def _dearest_under(peaks: Sequence[Peak], measure: Measure, ceiling: float) -> list[Peak]:
    """Of peaks under a ceiling, that which measures most at each combination of categories."""
    under: dict[tuple[tuple[str, str], ...], tuple[float, Peak]] = {}
    for peak in peaks:
        value, combo = at_peak(measure, peak), tuple(sorted(peak.combo.items()))
        if value <= ceiling and (combo not in under or value > under[combo][0]):
            under[combo] = (value, peak)
    return [peak for _, peak in under.values()]


def _cheapest_at(
    multistart: Multistart, start: Peak, price: Price, least: float, dear: float, whole: bool
) -> Peak | None:
    """The cheapest at the combination of `start` that scores `least` under `dear`; in whole steps if `whole`."""
    cheap, found = price.least(start.combo), None
    if cheap >= dear - _PENNY * abs(dear):
        return None
    for _ in range(_SAVINGS):
        ceiling = 0.5 * (dear + cheap)
        tried = [_below(multistart, one, price, ceiling) for one in dict.fromkeys((start, *([found] if found else [])))]
        under = [p for p in tried if p is not None and p.score >= least]
        peak = None
        if under:
            peak = weighable(
                multistart, max(under, key=lambda p: round(p.score, 9)), (price.limit(start.combo, ceiling),)
            )
        if peak is not None and peak.score >= least and (in_whole_steps(multistart, peak) or not whole):
            found, dear = peak, ceiling
        else:
            cheap = ceiling
    return found


def _one_each(multistart: Multistart, best: Peak, peaks: list[Peak]) -> list[Peak]:
    """The best peak of each combination of categories but that of the best, or the best place of its pool."""
    out = []
    for combo in multistart.space.combos:
        if dict(combo) == dict(best.combo):
            continue
        own = [p for p in peaks if dict(p.combo) == dict(combo)]
        if not own:
            pool = multistart.pool(combo)
            scores = multistart.score(pool, combo)
            first = int(np.argmax(np.round(scores, 9)))
            own = [Peak(pool[first], combo, float(scores[first]))]
        out.append(max(own, key=lambda p: round(p.score, 9)))
    return out


def _below(multistart: Multistart, peak: Peak, measure: Measure, ceiling: float) -> Peak | None:
    """The best under a ceiling, climbed from the best of the pool's places and the peak that lie under it."""
    pool = np.vstack([peak.u[None], multistart.pool(peak.combo)])
    under = pool[measure.values(pool, peak.combo) <= ceiling + 1e-12]
    if not len(under):
        return None
    start = under[int(np.argmax(np.round(multistart.score(under, peak.combo), 9)))]
    return multistart.climb(multistart.subproblem(peak.combo, (measure.limit(peak.combo, ceiling),)), start)


def _drawn_in(multistart: Multistart, peak: Peak, measure: Measure, ceiling: float, slack: float) -> Peak | None:
    """The best under a ceiling, climbed from a peak that lies above it; None where it ends above by more than slack."""
    climbed = multistart.climb(multistart.subproblem(peak.combo, (measure.limit(peak.combo, ceiling),)), peak.u)
    return climbed if at_peak(measure, climbed) <= ceiling + slack else None
