"""The search for recipes that meet musts, or come nearest: the smallest largest miss, piece by piece."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from optimise.formula.bends import by_differences
from optimise.formula.brief import Brief
from optimise.formula.climb import climb_smallest_miss
from optimise.formula.peaks import Multistart
from optimise.formula.space import Space
from optimise.formula.specs import Misses, Spec
from optimise.models.fence import Fence

Array = npt.NDArray[np.float64]
Numbers = Sequence[int]

# In units of misses: what counts as met but for rounding, and as still met while another miss is made smallest.
MET = 1e-6
HELD = 1e-4
# Runs in each piece, fewer of them where there are more than `_MANY` pieces.
_STARTS, _STARTS_OF_MANY = 4, 2
_MANY = 4
_APART = 1e-3  # starts that are as good as the same, in free coordinates


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A recipe: the number of its combination, free coordinates u (d,) in that piece, and its misses of all specs."""

    piece: int
    u: Array
    misses: Array

    def worst(self, of: Numbers) -> float:
        """The largest miss of some specs; below every number for none."""
        return float(self.misses[list(of)].max(initial=-np.inf))


@dataclass(slots=True, eq=False)
class _Pool:
    """Places U (n, d) of one piece to start from, with their misses (n, k): first those it has `begun` with."""

    U: Array
    misses: Array
    begun: int

    def add(self, place: Place) -> None:
        self.U, self.misses = np.vstack([self.U, place.u]), np.vstack([self.misses, place.misses])

    def worst(self, of: Numbers) -> Array:
        out: Array = self.misses[:, list(of)].max(axis=1)
        return out

    def starts(self, worst: Array, most: int) -> Array:
        """The best places (n, d) by `worst` (n,), at most so many, of those found before no more than one."""
        order = np.argsort(worst, kind="stable")
        later = [i for i in order if i >= self.begun][:1]
        out: list[Array] = []
        for i in sorted([*later, *(i for i in order if i < self.begun)], key=lambda i: float(worst[i])):
            if len(out) == most:
                break
            if all(np.abs(self.U[i] - other).max(initial=0.0) > _APART for other in out) or not out:
                out.append(self.U[i])
        return np.array(out).reshape(-1, self.U.shape[1])


@dataclass(frozen=True, slots=True, eq=False)
class MissSearch:
    """A search of a space, within the fence, for recipes that meet specs or come near; places it finds are kept."""

    multistart: Multistart
    misses: Misses
    pools: tuple[_Pool, ...]

    @classmethod
    def of(cls, brief: Brief, space: Space, fence: Fence | None, specs: Sequence[Spec]) -> MissSearch:
        """The search for these specs. Where no place to start from lies within the fence there are no pools."""
        multistart, misses, pools = Multistart(brief, space, "chance", fence), Misses.of(specs), []
        for combo in space.combos:
            U = multistart.pool(combo)
            U = U[multistart.inside(U, combo)]
            X = space.at(combo).region.decoded(U)
            pools.append(_Pool(U, misses.many(X, space.chosen(combo, len(U))), len(U)))
        return cls(multistart, misses, tuple(pools) if any(len(pool.U) for pool in pools) else ())

    def combo(self, place: Place) -> Mapping[str, str]:
        """The category levels of a place."""
        return self.multistart.space.combos[place.piece]

    def levels(self, place: Place) -> Array:
        """The levels (k,) of a place."""
        part = self.multistart.space.at(self.combo(place))
        out: Array = part.origin + part.basis @ place.u
        return out

    def nearest(self, of: Numbers, kept: Numbers = ()) -> list[Place]:
        """The best place of each piece, best first: where the largest miss of `of` is smallest, with `kept` met.

        One place alone where it meets all and nothing is to be kept; none where `kept` is met nowhere.
        """
        tops = [self._ranked(pool, of, kept) for pool in self.pools]
        order = sorted((i for i, top in enumerate(tops) if len(top)), key=lambda i: float(tops[i].min()))
        out: list[Place] = []
        for i in order:
            at = int(tops[i].argmin())
            if not kept and tops[i][at] <= MET:
                return [Place(i, self.pools[i].U[at], self.pools[i].misses[at])]
        for i in order:
            place = self._in_piece(i, tops[i], of, kept)
            if place is not None:
                out.append(place)
                if not kept and place.worst(of) <= MET:
                    return [place]
        return sorted(out, key=lambda place: place.worst(of))

    def _ranked(self, pool: _Pool, of: Numbers, kept: Numbers) -> Array:
        """What the places of a pool are to be tried by, (n,), the least first."""
        worst = pool.worst(of) if len(pool.U) else np.zeros(0)
        if not kept or not len(worst):
            return worst
        held = pool.worst(kept)
        return np.where(held <= MET, worst, worst + 1e3 * (1 + np.maximum(held, 0.0)))

    def _in_piece(self, piece: int, ranked: Array, of: Numbers, kept: Numbers) -> Place | None:
        pool, best = self.pools[piece], None
        most = _STARTS if len(self.pools) <= _MANY else _STARTS_OF_MANY
        for place in self._ends(piece, pool.starts(ranked, most), of, kept):
            pool.add(place)
            if best is None or place.worst(of) < best.worst(of) - 1e-9:
                best = place
            if not kept and best.worst(of) <= MET:
                break
        return best

    def _ends(self, piece: int, starts: Array, of: Numbers, kept: Numbers) -> list[Place]:
        """The ends of runs from `starts` (n, d), in their order, without those that do not meet `kept`."""
        multistart, combo = self.multistart, self.multistart.space.combos[piece]
        space = multistart.space.at(combo)
        first, second = list(of), list(kept)

        def every(U: Array) -> tuple[Array, Array]:
            X = space.origin + U @ space.basis.T
            value, slope = self.misses.with_slopes(X, space.chosen(combo, len(U)))
            return value, slope @ space.basis

        def sought(U: Array) -> tuple[Array, Array]:
            value, slope = every(U)
            return value[:, first], slope[:, first]

        def met(U: Array) -> tuple[Array, Array]:
            value, slope = every(U)
            return -value[:, second], -slope[:, second]

        subproblem = multistart.subproblem(combo, (met,) if kept else ())
        ends, _ = climb_smallest_miss(subproblem, by_differences(sought), starts, -np.inf if kept else 0.0)
        ends = multistart.pulled(subproblem, space.repaired(np.clip(ends, -1.0, 1.0)), starts)
        misses, before = every(ends)[0], every(starts)[0]
        held = misses[:, second].max(axis=1, initial=-np.inf) <= HELD
        U, misses = np.where(held[:, None], ends, starts), np.where(held[:, None], misses, before)
        places = [Place(piece, u, miss) for u, miss in zip(U, misses, strict=True)]
        return [place for place in places if place.worst(second) <= HELD]

    def multipliers(self, place: Place, of: Numbers) -> Array:
        """Lagrange multipliers (len(of),) of the misses `of` at a place where the largest of them is smallest.

        They add up to 1, and with them the slopes of the misses balance those of the limits that are reached there; a
        miss with the multiplier 0 could be left out. By non-negative least squares.
        """
        space, which = self.multistart.space.at(self.combo(place)), list(of)
        chosen = self.multistart.space.chosen(self.combo(place), 1)
        x, fence = self.levels(place), self.multistart.fence
        value, slope = (part[0][which] for part in self.misses.with_slopes(x[None], chosen))
        slope = slope @ space.basis
        rows = space.G[space.h - space.G @ place.u <= MET]
        if fence is not None:
            leverage, steep = fence.with_slopes(x[None], chosen)
            if leverage[0] >= fence.limit * (1 - 1e-4):
                rows = np.vstack([rows, steep @ space.basis])
        scale = max(float(np.abs(slope).max(initial=0.0)), 1e-12)
        lengths = np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-12)
        # Misses below the largest have no weight there; the last line has the weights add up to 1.
        heavy = 1e3 * np.minimum(value.max() - value, 1.0)
        system = np.vstack([
            np.column_stack([slope.T / scale, (rows / lengths).T]),
            np.append(heavy, np.zeros(len(rows))),
            np.append(np.full(len(value), 10.0), np.zeros(len(rows))),
        ])  # fmt: skip
        found, _ = nnls(system, np.append(np.zeros(len(place.u) + 1), 10.0))
        weights = found[: len(value)]
        total = float(weights.sum())
        out: Array = weights / total if total > 0 else np.full(len(value), 1 / len(value))
        return out
