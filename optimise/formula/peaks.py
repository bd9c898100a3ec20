"""The high points of a goal over a space: a spread of starts, an uphill run from each, exact limits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np
import numpy.typing as npt

from doe.problems import StudyError
from doe.region.region import Region
from optimise.formula.brief import Brief
from optimise.formula.centres import Means
from optimise.formula.climb import Hill, Limit, Stop, climb_chance, climb_desirability, climb_smallest_miss
from optimise.formula.goals import Property, ramps, soft_log
from optimise.formula.space import Space
from optimise.models.fence import Fence

Array = npt.NDArray[np.float64]

_POOL = 128
_MOST_CORNERS = 64
_LEAST_STARTS = 3
_STARTS_A_PEAK = 6
_MOST_STARTS = 48
_APART = 0.1
_POOR = np.log(0.02)
_TIE = 1e-9
_WORTHLESS = 30.0
_STEEP = 1e-6
_LEAST = 1e-300


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """A recipe: free coordinates u (d,) in its space, category levels, and its score (a log: 0 is best)."""

    u: Array
    combo: Mapping[str, str]
    score: float


@dataclass(frozen=True, slots=True, eq=False)
class Quest:
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
        properties = self.brief.properties
        sides, walls = ramps([p.response for p in properties])
        values = [p.values(X, chosen) for p in properties]
        logs, worthless = np.zeros((2, len(properties), len(X))), np.zeros(len(X), dtype=bool)
        for side in sides:
            share = side.share(values[side.response])
            both = side.exponent * np.stack([np.log(np.maximum(share, _LEAST)), soft_log(share)[0]])
            logs[:, side.response] = np.minimum(logs[:, side.response], both)
            worthless |= share <= 0
        for number, sign, limit in walls:
            miss = np.maximum(sign * (limit - values[number]), 0.0) / max(abs(limit), 1e-9)
            logs[:, number] -= np.where(miss > 1e-9, 10.0 * (1.0 + miss), 0.0)
        weights = np.array([p.response.weight for p in properties])
        scores, soft = weights @ logs / max(float(weights.sum()), 1e-300)
        # A recipe of desirability nil comes after every other, and still tells which way is up.
        return np.asarray(np.where(worthless, soft - _WORTHLESS, np.maximum(scores, -_WORTHLESS)), dtype=float)

    def inside(self, U: Array, combo: Mapping[str, str]) -> npt.NDArray[np.bool_]:
        """Whether recipes at U (n, d) keep within the fence, (n,)."""
        if self.fence is None:
            return np.ones(len(U), dtype=bool)
        return self.fence.inside(self.space.at(combo).region.decoded(U), self.space.chosen(combo, len(U)))

    def hill(self, combo: Mapping[str, str], limits: tuple[Limit, ...] = ()) -> Hill:
        """The hill at one combo of category levels, with further limits."""
        return Hill(self.space.at(combo), combo, self.fence, limits)

    def climb(self, hill: Hill, start: Array, known: Sequence[Peak] = ()) -> Peak:
        """The local best reached from `start` (d,), with every limit kept; one of `known` if it leads next to that."""

        def next_to(u: Array) -> Peak | None:
            return next((peak for peak in known if np.linalg.norm(u - peak.u) <= _APART), None)

        end = self.uphill(hill, start, next_to if known else None)
        near = next_to(end)
        if near is None:
            return self.kept_in(hill, end, start)
        here = self.kept_in(hill, end, near.u)
        return near if here.score <= near.score else self.climb(hill, here.u)

    def uphill(self, hill: Hill, start: Array, stop: Stop | None = None) -> Array:
        """Where a climb from `start` (d,) ends, near its limits if not exactly within; where it came to `stop`."""
        if self.objective == "chance":
            return climb_chance(hill, self.brief.goal, start, stop)
        asked = self.brief.properties
        sides, walls = ramps([p.response for p in asked])
        end = climb_desirability(hill, asked, sides, walls, start, stop=stop)
        if -_WORTHLESS < self.score(start[None], hill.combo)[0] > self.score(end[None], hill.combo)[0]:
            # It gave one response up for the others, which in truth leaves nothing.
            end = climb_desirability(hill, asked, sides, walls, start, _STEEP, stop)
        return end

    def kept_in(self, hill: Hill, u: Array, start: Array) -> Peak:
        """The end of a run put exactly within limits; `start` where it cannot be, or where it was better."""
        u = _snapped(hill.space, hill.space.repaired(np.clip(u, -1.0, 1.0)))
        if not self.inside(u[None], hill.combo)[0]:
            u = self.pulled(hill, u, start)
        ends = np.stack([u, start])
        scores = self.score(ends, hill.combo)
        allowed = [bool(_holds(hill, e)) for e in ends]
        best = 0 if allowed[0] and (not allowed[1] or scores[0] >= scores[1] - _TIE) else 1
        return Peak(ends[best], hill.combo, float(scores[best]))

    def pulled(self, hill: Hill, u: Array, start: Array) -> Array:
        """The point nearest to u on the way to `start` that is within the fence."""
        near, far = 0.0, 1.0
        for _ in range(40):
            middle = 0.5 * (near + far)
            good = bool(self.inside((u + middle * (start - u))[None], hill.combo)[0])
            near, far = (near, middle) if good else (middle, far)
        pulled: Array = u + far * (start - u)
        return pulled

    def pool(self, combo: Mapping[str, str]) -> Array:
        """Places to start from, within the fence: corners, trials, centre and a spread over the region, (n, d)."""
        space = self.space.at(combo)
        region, d = space.region, space.dimension
        if d == 0:
            return np.zeros((1, 0))
        corners = _corners(region)
        if len(corners) > _MOST_CORNERS:
            corners = corners[np.linspace(0, len(corners) - 1, _MOST_CORNERS).astype(int)]
        trials = _trials(self.brief, space, combo)
        middle = np.array([[region.centroid[name] for name in region.names]])
        X = np.vstack([middle, trials, corners, region.sample(_POOL, seed=11)])
        U = region.coded(X)
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
        pool, hill = self.pool(combo), self.hill(combo)
        scores = self.score(pool, combo)
        begin = list(islice(_spread(pool, scores), most))
        if scores.max() < _POOR:
            misses = [self.smallest_miss(hill, u)[0] for u in begin[:2]]
            begin, least = [*misses, *begin], least + len(misses)
        found: list[Peak] = []
        for tried, u in enumerate(begin, 1):
            found = _distinct([*found, self.climb(hill, u, found)])
            perfect = max(peak.score for peak in found) >= -_TIE
            if tried >= least and (perfect or len(found) == 1 or tried >= _STARTS_A_PEAK * len(found)):
                break
        return found

    def smallest_miss(self, hill: Hill, start: Array) -> tuple[Array, float]:
        """Where the largest miss of a predicted centre is smallest, in batch sds (chance) or ramps (desirability)."""
        misses = self._chance_misses(hill, start) if self.objective == "chance" else self._ramp_misses(hill)
        if misses is None or hill.space.dimension == 0:
            return start, 0.0
        end, worst = climb_smallest_miss(hill, misses, start)
        return hill.space.repaired(np.clip(end, -1.0, 1.0)), worst

    def _chance_misses(self, hill: Hill, start: Array) -> Limit | None:
        aimed = self.brief.aimed
        if not aimed:
            return None
        chosen, basis, x0 = hill.chosen, hill.space.basis, hill.levels(start)[None]
        sides = [
            (number, sign, limit)
            for number, one in enumerate(aimed)
            for limit, sign in ((one.low, 1.0), (one.high, -1.0))
            if limit is not None
        ]
        if not sides:
            return None
        sizes = np.array([one.batch_sd(x0, chosen) for one in aimed])
        which = [number for number, _, _ in sides]
        rate = np.array([sign for _, sign, _ in sides]) / sizes[which]
        limits, means = np.array([limit for _, _, limit in sides]), Means.of([one.predictor for one in aimed])

        def misses(u: Array) -> tuple[Array, Array]:
            centre, slope = means.with_slopes(hill.levels(u), chosen)
            return rate * (limits - centre[which]), -rate[:, None] * (slope @ basis)[which]

        return misses

    def _ramp_misses(self, hill: Hill) -> Limit | None:
        properties: Sequence[Property] = self.brief.properties
        sides, walls = ramps([p.response for p in properties])
        limits = [(s.response, float(np.sign(s.full - s.start)), s.start, abs(s.full - s.start)) for s in sides]
        limits += [(number, sign, limit, max(abs(limit), 1e-9)) for number, sign, limit in walls]
        if not limits:
            return None
        chosen, basis = hill.chosen, hill.space.basis

        def misses(u: Array) -> tuple[Array, Array]:
            x = hill.levels(u)
            pairs = [p.value_and_slope(x, chosen) for p in properties]
            values = np.array([sign * (at - pairs[r][0]) / size for r, sign, at, size in limits])
            slopes = np.array([-sign * (pairs[r][1] @ basis) / size for r, sign, _, size in limits])
            return values, slopes

        return misses


def _corners(region: Region) -> Array:
    """The vertices (v, k), or none where there are too many to list."""
    try:
        return region.vertex_array
    except StudyError:
        return np.zeros((0, len(region.names)))


def _holds(hill: Hill, u: Array) -> bool:
    return all(bool(np.all(limit(u)[0] >= -1e-7)) for limit in hill.limits)


def _snapped(space: Space, u: Array) -> Array:
    """Coordinates within a hair of -1 or +1 put on it, where that is allowed."""
    near = np.abs(np.abs(u) - 1.0) <= 1e-7
    snapped = np.where(near, np.sign(u), u)
    return snapped if bool(space.region.contains(space.region.decoded(snapped[None]))[0]) else u


def _trials(brief: Brief, space: Space, combo: Mapping[str, str]) -> Array:
    """Recipes as made that lie in the space at this combo, (n, k)."""
    X = brief.trials
    same = np.ones(len(X), dtype=bool)
    for name, level in combo.items():
        same &= brief.tried[name] == level
    X = X[same]
    return X[space.region.contains(X)] if len(X) else X


def _spread(pool: Array, scores: Array) -> Iterator[Array]:
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
        if all(dict(peak.combo) != dict(k.combo) or np.linalg.norm(peak.u - k.u) > _APART for k in kept):
            kept.append(peak)
    return kept
