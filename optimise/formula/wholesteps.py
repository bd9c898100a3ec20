"""The best recipe of whole weighable steps next to a high point: roundings, then steps and pairs of them uphill.

Where a level has few steps (minutes, say), one of them moves it so far that the others have to follow: such levels are
put on whole steps first, and the others climbed again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from optimise.formula.climb import Limit, Subproblem
from optimise.formula.peaks import Multistart, Peak
from optimise.formula.space import Space

Array = npt.NDArray[np.float64]

_MOST_ROUNDINGS = 4096  # of a place at once; beyond, the farthest roundings of the level with most are left out
_MOST_BOXES = 20  # boxes of steps that are gone through one after another, each about the best of the last
_MOST_IN_BOX = 10_000  # recipes of whole steps in such a box
_TIE = 1e-9  # scores that are as good
_ON_WAY = (0.05, 0.1, 0.2, 0.4, 0.7, 1.0)  # shares of the way to the centre, where no rounding of the peak is allowed
_ELSEWHERE = 8  # places of the pool that are tried then
_COARSE = 0.15  # of the way from the middle of a level's range to its end: what one step of a level with few goes
_MOST_COARSE = 3  # such levels that are put on whole steps first
_WORTH = 1e-3  # of a score: what is left to be had where they are
_MOST_AGAIN = 3  # recipes that come of it whose surroundings are searched


def weighable(multistart: Multistart, peak: Peak, limits: tuple[Limit, ...] = ()) -> Peak:
    """The best recipe of whole weighable steps next to a peak; the fill takes the rest up.

    All roundings up and down of the stepped levels are tried, where limits allow none of them those further in, then
    single steps and pairs of them as long as they go up, and for a desirability all steps of a box; levels without a
    step are climbed again. The peak itself when no recipe of whole steps is found.
    """
    space = multistart.space.at(peak.combo)
    stepped = _stepped(space)
    if not space.steps or not space.region.free:
        return peak
    if not multistart.inside(peak.u[None], peak.combo)[0]:
        # Nothing lies within what was tried: the recipe can still be weighed, but is not led further away.
        anywhere = replace(multistart, fence=None)
        return _best_rounding(anywhere, anywhere.subproblem(peak.combo, limits), peak, stepped) or peak
    subproblem = multistart.subproblem(peak.combo, limits)
    best = _uphill_from(multistart, subproblem, peak, stepped)
    return peak if best is None else _all_about(multistart, subproblem, best, stepped)


def _uphill_from(multistart: Multistart, subproblem: Subproblem, peak: Peak, stepped: list[int]) -> Peak | None:
    """A rounding of a peak, and from there steps and pairs of them uphill; None where there is none."""
    best = (
        _best_rounding(multistart, subproblem, peak, stepped)
        or _made_up_for(multistart, subproblem, peak, stepped)
        or _further_in(multistart, subproblem, peak, stepped)
    )
    return None if best is None else _stepped_uphill(multistart, subproblem, best, stepped)


def _all_about(multistart: Multistart, subproblem: Subproblem, best: Peak, stepped: list[int]) -> Peak:
    """The best of all steps of a box for a desirability, with levels that have no step climbed again."""
    if multistart.objective == "desirability":
        best = _along_ridges(multistart, subproblem, best, stepped)
    return _rest_climbed(multistart, subproblem, best.u, stepped) or best


def coarse_first(multistart: Multistart, peaks: Sequence[Peak], top: float) -> list[Peak]:
    """Recipes of whole steps next to peaks that score more than the best known of them does, `top`.

    The levels with the fewest steps are put on the steps on either side and the others climbed again. Of what comes of
    these by roundings and steps uphill, the best few are gone on from as in `weighable`.
    """
    promising = [peak for peak in peaks if peak.score > top + _WORTH]
    found = []
    for combo in multistart.space.combos:
        mine = [peak for peak in promising if dict(peak.combo) == dict(combo)]
        space = multistart.space.at(combo)
        coarse = _few_steps(space) if mine else []
        starts = [u for peak in mine for u in _on_coarse_steps(multistart, peak, coarse)] if coarse else []
        if starts:
            frozen = np.isin(np.arange(space.dimension), coarse)
            begin = np.array(starts)[np.sort(np.unique(np.round(starts, 9), axis=0, return_index=True)[1])]
            found += multistart.climbs(replace(multistart.subproblem(combo), frozen=frozen), begin)
    near = []
    for peak in (one for one in found if one.score > top + _WORTH):
        subproblem, stepped = multistart.subproblem(peak.combo), _stepped(multistart.space.at(peak.combo))
        best = _uphill_from(multistart, subproblem, peak, stepped)
        near += [] if best is None else [(best, subproblem, stepped)]
    near.sort(key=lambda one: -round(one[0].score, 9))
    return [_all_about(multistart, subproblem, best, stepped) for best, subproblem, stepped in near[:_MOST_AGAIN]]


def _stepped(space: Space) -> list[int]:
    """Free coordinates of the levels that have a weighable step."""
    return [j for j, name in enumerate(space.region.free) if name in space.steps]


def _few_steps(space: Space) -> list[int]:
    """Free coordinates of the levels with the fewest steps, coarsest first."""
    stepped = _stepped(space)
    sizes = np.abs(_step_sizes(space, stepped))
    return [stepped[i] for i in np.argsort(-sizes, kind="stable")[:_MOST_COARSE] if sizes[i] >= _COARSE]


def _on_coarse_steps(multistart: Multistart, peak: Peak, coarse: list[int]) -> list[Array]:
    """Places to climb from (d,), a peak with `coarse` levels on whole steps; where limits forbid it the next allowed.

    That is the nearest on the way to the centre, or of those the search for peaks may start from.
    """
    space, region = multistart.space.at(peak.combo), multistart.space.at(peak.combo).region
    x, out = region.decoded(peak.u[None])[0], []
    on_way = peak.u + np.array([0.0, *_ON_WAY])[:, None] * (space.centre - peak.u)
    places = np.vstack([on_way, multistart.pool(peak.combo)])
    for marks in product(*(_marks(space, region.free[j], x, 1) for j in coarse)):
        U = places.copy()
        U[:, coarse] = marks
        good = np.flatnonzero(region.contains(region.decoded(U)) & multistart.inside(U, peak.combo))
        if len(good):
            away = np.round(np.linalg.norm(U[good] - peak.u, axis=1), 9)
            out.append(U[good[int(np.argmin(away))]])
    return out


def _rest_climbed(multistart: Multistart, subproblem: Subproblem, u: Array, stepped: list[int]) -> Peak | None:
    """The best from u (d,) by levels that have no step alone; None where every level has one."""
    frozen = np.isin(np.arange(subproblem.space.dimension), stepped)
    return None if frozen.all() else multistart.climb(replace(subproblem, frozen=frozen), u)


def in_whole_steps(multistart: Multistart, peak: Peak) -> bool:
    """Whether every level of a peak that has a weighable step, but that of the fill, is a whole number of them."""
    space = multistart.space.at(peak.combo)
    x, region = space.region.decoded(peak.u[None])[0], space.region
    off = [x[region.names.index(name)] / step for name, step in space.steps.items() if name != region.fill]
    return all(abs(count - round(count)) <= 1e-6 for count in off)


def _best_rounding(multistart: Multistart, subproblem: Subproblem, peak: Peak, stepped: list[int]) -> Peak | None:
    region = subproblem.space.region
    x = region.decoded(peak.u[None])[0]
    for reach in (1, 2, 3):
        choices = [_marks(subproblem.space, region.free[j], x, reach) for j in stepped]
        while np.prod([len(c) for c in choices]) > _MOST_ROUNDINGS:
            longest = max(range(len(choices)), key=lambda i: len(choices[i]))
            choices[longest] = choices[longest][:-1]
        U = np.repeat(peak.u[None], int(np.prod([len(c) for c in choices])), axis=0)
        U[:, stepped] = np.array(list(product(*choices))).reshape(len(U), len(stepped))
        best = _best_of(multistart, subproblem, U)
        if best is not None:
            return best
    return None


def _made_up_for(multistart: Multistart, subproblem: Subproblem, peak: Peak, stepped: list[int]) -> Peak | None:
    """A rounding that breaks further limits (a ceiling on the cost) by itself, where levels without a step keep them.

    None where they cannot.
    """
    loose = _best_rounding(multistart, replace(subproblem, limits=()), peak, stepped) if subproblem.limits else None
    mended = None if loose is None else _rest_climbed(multistart, subproblem, loose.u, stepped)
    return None if mended is None else _best_of(multistart, subproblem, mended.u[None])


def _further_in(multistart: Multistart, subproblem: Subproblem, peak: Peak, stepped: list[int]) -> Peak | None:
    """The first rounding that is allowed on the way to the middle, else of good places elsewhere; None without any."""
    pool = multistart.pool(subproblem.combo)
    good = pool[np.argsort(-np.round(multistart.score(pool, subproblem.combo), 9), kind="stable")[:_ELSEWHERE]]
    on_way = [peak.u + share * (subproblem.space.centre - peak.u) for share in _ON_WAY]
    tried = (_best_rounding(multistart, subproblem, replace(peak, u=u), stepped) for u in (*on_way, *good))
    return next((one for one in tried if one is not None), None)


def _best_of(multistart: Multistart, subproblem: Subproblem, U: Array) -> Peak | None:
    X = subproblem.space.region.decoded(U)
    good = subproblem.space.region.contains(X) & multistart.inside(U, subproblem.combo) & _on_steps(subproblem.space, X)
    for limit in subproblem.limits:
        good &= (limit(U)[0] >= -1e-9).all(axis=1)
    if not good.any():
        return None
    U = U[good]
    scores = multistart.score(U, subproblem.combo)
    first = int(np.flatnonzero(scores >= scores.max() - _TIE)[0])
    return Peak(U[first], subproblem.combo, float(scores[first]))


def _stepped_uphill(multistart: Multistart, subproblem: Subproblem, best: Peak, stepped: list[int]) -> Peak:
    sizes = _step_sizes(subproblem.space, stepped)
    moves = []
    for i, j in enumerate(stepped):
        one = np.zeros(subproblem.space.dimension)
        one[j] = sizes[i]
        moves += [one, -one]
    pairs = [a + b for n, a in enumerate(moves) for b in moves[n + 1 :] if np.any(a + b)]
    everything = np.array(moves + pairs).reshape(-1, subproblem.space.dimension)
    for _ in range(100):
        better = _best_of(multistart, subproblem, best.u + everything)
        if better is None or better.score <= best.score + _TIE:
            break
        best = better
    return best


def _along_ridges(multistart: Multistart, subproblem: Subproblem, best: Peak, stepped: list[int]) -> Peak:
    """The best of all whole steps of a box about a recipe, as long as that goes up.

    A desirability has a sharp ridge where a target is met: what one level gives away many steps of another make up.
    """
    for _ in range(_MOST_BOXES):
        U = _box(subproblem.space, best.u, stepped)
        better = _best_of(multistart, subproblem, U[multistart.score(U, subproblem.combo) > best.score + _TIE])
        if better is None:
            break
        best = better
    return best


def _step_sizes(space: Space, stepped: list[int]) -> list[float]:
    """One whole step of each stepped level in free coordinates."""
    free = [space.region.free[j] for j in stepped]
    return [
        float(space.steps[name] / space.basis[space.region.names.index(name), j])
        for name, j in zip(free, stepped, strict=True)
    ]


def _box(space: Space, u: Array, stepped: list[int]) -> Array:
    """Recipes (n, d) of whole steps about u (d,), as far out as 10 000 reach; u alone where one step is more."""
    if not stepped:
        return u[None]
    sizes = _step_sizes(space, stepped)
    # Free coordinates go from -1 to 1: no level can move further than that.
    down = [int((1 + u[j]) / abs(size) + 1e-6) for j, size in zip(stepped, sizes, strict=True)]
    up = [int((1 - u[j]) / abs(size) + 1e-6) for j, size in zip(stepped, sizes, strict=True)]
    reach, furthest = 1, max(*down, *up)

    def steps(reach: int) -> list[range]:
        return [range(-min(reach, low), min(reach, high) + 1) for low, high in zip(down, up, strict=True)]

    while reach < furthest and np.prod([float(len(s)) for s in steps(reach + 1)]) <= _MOST_IN_BOX:
        reach += 1
    if np.prod([float(len(s)) for s in steps(reach)]) > _MOST_IN_BOX:
        return u[None]
    moves = np.array(list(product(*steps(reach))), dtype=float).reshape(-1, len(stepped))
    U = np.repeat(u[None], len(moves), axis=0)
    U[:, stepped] += moves * np.abs(sizes)
    return U


def _marks(space: Space, name: str, x: Array, reach: int) -> list[float]:
    """Coded values of the whole steps nearest to a level, nearest first."""
    column, j = space.region.names.index(name), space.region.free.index(name)
    step = space.steps[name]
    at = x[column] / step
    marks = sorted({int(np.floor(at + 1e-9)) + k for k in range(1 - reach, reach + 1)}, key=lambda m: abs(m - at))
    return [float((m * step - space.origin[column]) / space.basis[column, j]) for m in marks]


def _on_steps(space: Space, X: Array) -> npt.NDArray[np.bool_]:
    """Whether levels that follow from the others also come out in whole steps, (n,)."""
    region = space.region
    good = np.ones(len(X), dtype=bool)
    for name, step in space.steps.items():
        if name not in region.free and name != region.fill:
            at = X[:, region.names.index(name)] / step
            good &= np.abs(at - np.round(at)) <= 1e-6
    return good
