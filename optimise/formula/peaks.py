"""The high points of a goal over a space: a spread of starts, an uphill run from each, exact limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice

import numpy as np
import numpy.typing as npt

from doe.problems import StudyError
from doe.region.region import Region
from optimise.formula.ascent import Ends
from optimise.formula.bends import Bent, Plane
from optimise.formula.brief import Brief
from optimise.formula.climb import (
    APART,
    Limit,
    Subproblem,
    Wall,
    climb_chance,
    climb_desirability,
    climb_smallest_miss,
    within_fence,
)
from optimise.formula.goals import soft_log
from optimise.formula.space import Space
from optimise.formula.specs import Misses, fitted_specs, short_of
from optimise.models.aims import Ramp, ramps
from optimise.models.fence import Fence

Array = npt.NDArray[np.float64]

_POOL = 128  # places of the region to choose starts from, beside corners and trials
_BOX = 1024  # places spread over the cube around the region, of which those within it are taken
_MIXED = 4  # corners that a place is a mixture of, where the cube leaves too few
_MOST_CORNERS = 64  # taken into the pool, evenly from all
_LEAST_STARTS = 3  # for each combo of categories
_STARTS_A_PEAK = 6  # for each top found, before no more are thought likely
_MOST_STARTS = 48  # shared out among the combos
_POOR = np.log(0.02)  # where no place of a pool scores more, starts where the largest miss is least are added
_ROUGHLY, _CLEAR = 15, -0.05  # rounds of a search for places that miss nothing, and the largest miss to be content with
_TIE = 1e-9  # scores that differ by less are equal
_HAIR = 5e-10  # half of what the fence allows: written out, a recipe at its edge may move by a last digit
_SAME = 1e-7  # of a log: a run that ends next to a known top, and higher by more, is gone up again for itself
_WORTHLESS = 30.0  # how far below the rest, in logs, a recipe of desirability nil is ranked
_STEEP = 1e-6  # the share below which its log goes on straight, where 0.01 led to a recipe that is worth nothing
_PARTS, _CUTS = 32, 8  # a way back to the fence is cut into parts, and the part that holds its edge again
_LEAST = 1e-300  # in place of a share too small to take the log of


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """A recipe: free coordinates u (d,) in its space, category levels, and its score (a log: 0 is best)."""

    u: Array
    combo: Mapping[str, str]
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class Multistart:
    """One search: a brief over a space, up the joint chance or the desirability, inside the fence or without one."""

    brief: Brief
    space: Space
    objective: str
    fence: Fence | None

    def score(self, U: Array, combo: Mapping[str, str]) -> Array:
        """Score of recipes at free coordinates U (n, d), (n,): a log, never above 0."""
        return self.score_levels(self.space.at(combo).region.decoded(U), combo)

    def score_levels(self, X: Array, combo: Mapping[str, str]) -> Array:
        """Score of recipes at levels X (n, k), (n,)."""
        chosen = self.space.chosen(combo, len(X))
        if self.objective == "chance":
            return self.brief.goal.score(X, chosen)
        sides, walls = self._aims()
        values = self.brief.centres.at(X, chosen).T
        logs, worthless = np.zeros((2, *values.shape)), np.zeros(len(X), dtype=bool)
        for side in sides:
            share = side.share(values[side.response])
            both = side.exponent * np.stack([np.log(np.maximum(share, _LEAST)), soft_log(share)[0]])
            logs[:, side.response] = np.minimum(logs[:, side.response], both)
            worthless |= share <= 0
        for number, sign, limit in walls:
            miss = np.maximum(sign * (limit - values[number]), 0.0) / max(abs(limit), 1e-9)
            logs[:, number] -= np.where(miss > 1e-9, 10.0 * (1.0 + miss), 0.0)
        weights = np.array([p.response.weight for p in self.brief.properties])
        scores, soft = weights @ logs / max(float(weights.sum()), 1e-300)
        # A recipe of desirability nil comes after every other, and still tells which way is up.
        return np.asarray(np.where(worthless, soft - _WORTHLESS, np.maximum(scores, -_WORTHLESS)), dtype=float)

    def score_by_moments(self, U: Array, combo: Mapping[str, str]) -> Array:
        """Nearly the score at U (n, d), (n,), where that is cheaper: good enough to tell where to start."""
        if self.objective != "chance":
            return self.score(U, combo)
        return self.brief.goal.matched.on(self._plane(combo)).score(U)

    def _aims(self) -> tuple[list[Ramp], list[Wall]]:
        return ramps([p.response for p in self.brief.properties])

    def inside(self, U: Array, combo: Mapping[str, str]) -> npt.NDArray[np.bool_]:
        """Whether recipes at U (n, d) keep within the fence, (n,)."""
        if self.fence is None:
            return np.ones(len(U), dtype=bool)
        return self.fence.inside(self.space.at(combo).region.decoded(U), self.space.chosen(combo, len(U)), _HAIR)

    def subproblem(self, combo: Mapping[str, str], limits: tuple[Limit, ...] = ()) -> Subproblem:
        """The subproblem at one combo of category levels, with further limits."""
        space, plane = self.space.at(combo), self._plane(combo)
        return Subproblem(space, plane, None if self.fence is None else within_fence(self.fence, plane), limits)

    def _plane(self, combo: Mapping[str, str]) -> Plane:
        space = self.space.at(combo)
        return Plane(space.origin, space.basis, combo)

    def climb(self, subproblem: Subproblem, start: Array) -> Peak:
        """The local best reached from `start` (d,), with every limit kept."""
        return self.climbs(subproblem, start[None])[0]

    def climbs(self, subproblem: Subproblem, starts: Array, known: Sequence[Peak] = ()) -> list[Peak]:
        """The local bests reached from `starts` (n, d), as `climb`; runs that joined others of them have none."""
        ends = self.uphill(subproblem, starts, np.array([peak.u for peak in known]) if known else None)
        rows = np.flatnonzero(ends.own)
        near = [next((p for p in known if np.linalg.norm(u - p.u) <= APART), None) for u in ends.U[rows]]
        # Where a run was worked out last, unless that is beyond limits.
        before = np.where(np.isfinite(ends.height)[:, None], ends.seen, starts)[rows]
        out = []
        for here, there in zip(self.kept_in(subproblem, ends.U[rows], before), near, strict=True):
            if there is None:
                out.append(here)
            else:
                out.append(there if here.score <= there.score + _SAME else self.climb(subproblem, here.u))
        return out

    def uphill(self, subproblem: Subproblem, starts: Array, known: Array | None = None) -> Ends:
        """Where runs from `starts` (n, d) end, near their limits if not exactly within; or next to `known` (k, d)."""
        if self.objective == "chance":
            return climb_chance(subproblem, self.brief.goal, starts, known)
        centres, aims = self.brief.centres, self._aims()
        ends = climb_desirability(subproblem, centres, *aims, starts, known)
        before, after = self.score(np.vstack([starts, ends.U]), subproblem.combo).reshape(2, -1)
        back = (before > -_WORTHLESS) & (before > after)
        again = np.flatnonzero(ends.own & (back | ((after > -_WORTHLESS) & (ends.height > after + _TIE))))
        if len(again):
            # It gave one response up for the others, which in truth leaves nothing or less.
            begin = np.where(back[:, None], starts, ends.U)[again]
            last = climb_desirability(subproblem, centres, *aims, begin, known, _STEEP)
            ends.U[again], ends.own[again] = last.U, last.own
        # A run may end where a desirability is nil in truth: its start is what is left then.
        return replace(ends, seen=starts)

    def kept_in(self, subproblem: Subproblem, ends: Array, starts: Array) -> list[Peak]:
        """Ends of runs (n, d) put exactly within limits; `starts` where they cannot be, or where those were better."""
        if not len(ends):
            return []
        U = self.pulled(subproblem, _snapped(subproblem, subproblem.space.repaired(np.clip(ends, -1.0, 1.0))), starts)
        both = np.vstack([U, starts])
        scores, allowed = self.score(both, subproblem.combo).reshape(2, -1), _held(subproblem, both).reshape(2, -1)
        first = allowed[0] & (~allowed[1] | (scores[0] >= scores[1] - _TIE))
        kept, score = np.where(first[:, None], U, starts), np.where(first, *scores)
        return [Peak(u, subproblem.combo, float(s)) for u, s in zip(kept, score, strict=True)]

    def pulled(self, subproblem: Subproblem, U: Array, starts: Array) -> Array:
        """The points (n, d) nearest to U on the way to `starts` that are within the fence."""
        out = U.copy()
        for i in np.flatnonzero(~self.inside(U, subproblem.combo)):
            way, near, far = starts[i] - U[i], 0.0, 1.0
            for _ in range(_CUTS):
                shares = np.linspace(near, far, _PARTS + 1)[1:-1]
                good = np.append(self.inside(U[i] + shares[:, None] * way, subproblem.combo), True)
                first = int(np.argmax(good))
                near, far = near + first * (far - near) / _PARTS, shares[first] if first < len(shares) else far
            # A hair more, for the last digits of what is worked out for one place or many.
            out[i] = U[i] + min(far + 1e-11, 1.0) * way
        return out

    def pool(self, combo: Mapping[str, str]) -> Array:
        """Places to start from, within the fence: corners, trials, centre and a spread over the region, (n, d)."""
        space = self.space.at(combo)
        region, d = space.region, space.dimension
        if d == 0:
            return np.zeros((1, 0))
        around = region.remember("places to start from", lambda: _around(space))
        U = np.vstack([space.centre, region.coded(_trials(self.brief, space, combo)), around])
        good = self.inside(U, combo)
        return U[good] if good.any() else U[np.argsort(self._leverage(U, combo), kind="stable")[:8]]

    def _leverage(self, U: Array, combo: Mapping[str, str]) -> Array:
        if self.fence is None:
            return np.zeros(len(U))
        return self.fence.leverage(self.space.at(combo).region.decoded(U), self.space.chosen(combo, len(U)))

    def peaks(self, starts: int) -> list[Peak]:
        """Distinct local bests, best first, from `starts` places at least, shared out among the combos of categories.

        Where a combo has several, more places are tried until there were six for each: how many starts led to one and
        the same top says how likely another is still unseen (Boender and Rinnooy Kan 1987, Math. Programming 37,
        59-80, from memory).
        """
        each = max(_LEAST_STARTS, -(-starts // len(self.space.combos)))
        most = max(each, _MOST_STARTS // len(self.space.combos))
        found = [peak for combo in self.space.combos for peak in self._peaks_at(combo, each, most)]
        return _distinct(found)

    def _peaks_at(self, combo: Mapping[str, str], least: int, most: int) -> list[Peak]:
        pool, subproblem = self.pool(combo), self.subproblem(combo)
        scores = self.score_by_moments(pool, combo)
        places = islice(spread_out(pool, scores), most)
        begin = np.array(list(islice(places, least)))
        if scores.max() < _POOR:
            begin = np.vstack([self._nearest(subproblem, begin[:2]), begin])
        found: list[Peak] = []
        tried = 0
        while len(begin):
            found = _distinct([*found, *self.climbs(subproblem, begin, found)])
            tried += len(begin)
            perfect = max(peak.score for peak in found) >= -_TIE
            more = 0 if perfect or len(found) == 1 else _STARTS_A_PEAK * len(found) - tried
            begin = np.array(list(islice(places, max(more, 0))))
        return found

    def _nearest(self, subproblem: Subproblem, starts: Array) -> Array:
        """Where the largest miss of a predicted centre is small, in batch sds (chance) or ramps (desirability)."""
        misses = (
            self._chance_misses(subproblem, starts[0]) if self.objective == "chance" else self._ramp_misses(subproblem)
        )
        if misses is None or subproblem.space.dimension == 0:
            return starts
        ends, _ = climb_smallest_miss(subproblem, misses, starts, _CLEAR, _ROUGHLY)
        return self.pulled(subproblem, subproblem.space.repaired(np.clip(ends, -1.0, 1.0)), starts)

    def _chance_misses(self, subproblem: Subproblem, start: Array) -> Bent | None:
        specs = fitted_specs(self.brief, subproblem.levels(start[None]), subproblem.chosen(1))
        return Misses.of(specs).fitted_bent(subproblem.plane) if specs else None

    def _ramp_misses(self, subproblem: Subproblem) -> Bent | None:
        sides, walls = self._aims()
        limits = [(s.response, float(np.sign(s.full - s.start)), s.start, abs(s.full - s.start)) for s in sides]
        limits += [(number, sign, limit, max(abs(limit), 1e-9)) for number, sign, limit in walls]
        if not limits:
            return None
        which = [number for number, *_ in limits]
        at, rate = np.array([at for _, _, at, _ in limits]), np.array([sign / size for _, sign, _, size in limits])
        return short_of(self.brief.centres.bent(subproblem.plane), which, rate, at)


def _corners(region: Region) -> Array:
    """The vertices (v, k), or none where there are too many to list."""
    try:
        return region.vertex_array
    except StudyError:
        return np.zeros((0, len(region.names)))


def _around(space: Space) -> Array:
    """Corners of a space (some, where there are many) and a spread over it, (n, d)."""
    d = space.dimension
    corners = space.region.coded(_corners(space.region))
    box = _box(d)
    within = box[(box @ space.G.T <= space.h).all(axis=1)][:_POOL]
    lacking = _POOL - len(within)
    if not lacking:
        more = within[:0]
    elif len(corners):
        # Where little of the box is within: mixtures of a few corners each.
        rng = np.random.default_rng(11)
        chosen, weights = rng.integers(len(corners), size=(lacking, _MIXED)), rng.dirichlet(np.ones(_MIXED), lacking)
        more = (weights[:, None] @ corners[chosen])[:, 0]
    else:
        more = space.region.coded(space.region.sample(lacking, seed=11))
    if len(corners) > _MOST_CORNERS:
        corners = corners[np.linspace(0, len(corners) - 1, _MOST_CORNERS).astype(int)]
    return np.vstack([corners, within, more])


@lru_cache(maxsize=16)
def _box(d: int) -> Array:
    """Places spread evenly over the box -1..+1, (n, d): the fractions of multiples of powers of 1/g, g^(d+1) = g + 1.

    The additive recurrence by a generalised golden ratio (from memory), which leaves gaps smaller than chance does.
    """
    g = 2.0
    for _ in range(64):
        g = (1 + g) ** (1 / (d + 1))
    spread: Array = 2 * ((0.5 + np.outer(np.arange(1, _BOX + 1), g ** -np.arange(1.0, d + 1))) % 1.0) - 1
    return spread


def _held(subproblem: Subproblem, U: Array, hair: float = 1e-7) -> npt.NDArray[np.bool_]:
    """Whether places U (n, d) keep the further limits, but for a hair, (n,)."""
    out = np.ones(len(U), dtype=bool)
    for limit in subproblem.limits:
        out &= (limit(U)[0] >= -hair).all(axis=1)
    return out


def _snapped(subproblem: Subproblem, U: Array) -> Array:
    """Coordinates (n, d) within a hair of -1 or +1 put on it, where that is allowed."""
    near = np.abs(np.abs(U) - 1.0) <= 1e-7
    if not near.any():
        return U
    snapped, region = np.where(near, np.sign(U), U), subproblem.space.region
    allowed = region.contains(region.decoded(snapped)) & _held(subproblem, snapped, 1e-10)
    return np.where(allowed[:, None], snapped, U)


def _trials(brief: Brief, space: Space, combo: Mapping[str, str]) -> Array:
    """Recipes as made that lie in the space at this combo, (n, k)."""
    X = brief.trials
    same = np.ones(len(X), dtype=bool)
    for name, level in combo.items():
        same &= brief.tried[name] == level
    X = X[same]
    return X[space.region.contains(X)] if len(X) else X


def spread_out(pool: Array, scores: Array) -> Iterator[Array]:
    """Places from the best down that keep apart; whenever none is left the distance is halved."""
    U = pool[np.argsort(-scores, kind="stable")]
    apart, nearest = 0.35 * np.sqrt(max(U.shape[1], 1)), np.full(len(U), np.inf)
    while apart > 1e-3:
        far = nearest >= apart
        if far.any():
            u = U[int(np.argmax(far))]
            nearest = np.minimum(nearest, np.linalg.norm(U - u, axis=1))
            yield u
        else:
            apart /= 2


def _distinct(peaks: Sequence[Peak]) -> list[Peak]:
    """The peaks best first, without those that stand next to a better one."""
    kept: list[Peak] = []
    for peak in sorted(peaks, key=lambda p: -p.score):
        if all(dict(peak.combo) != dict(k.combo) or np.linalg.norm(peak.u - k.u) > APART for k in kept):
            kept.append(peak)
    return kept
