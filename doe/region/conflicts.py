"""Which limits conflict: a proven smallest set, and every further set that shares nothing with it.

A set of limits that cannot be met together has a member in common with every correction set: limits whose leaving out
opens the region. So a smallest set that touches all correction sets found so far is no larger than any conflict; when
it is itself a conflict, it is a smallest one, and otherwise it yields a further correction set (implicit hitting
sets: Ignatiev, Previti, Liffiton & Marques-Silva 2015, Smallest MUS extraction with minimal hitting set dualization;
Parker & Ryan 1996, Annals of Math. and AI 17, 107-126; both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from doe.region.feasible import FLAT, Rows, violations

Row = tuple[bool, int]

MOST_CONFLICTS = 4  # that are told
_MOST_ROUNDS = 250  # of correction sets; then the best conflict so far is taken, its size not proven


@dataclass(frozen=True, slots=True)
class Conflict:
    """Limits that cannot be met together: `rows` as (is an equality, index), none of which can be left out.

    `smallest` says whether it is proven that no smaller set conflicts.
    """

    rows: tuple[Row, ...]
    smallest: bool


def conflicts(rows: Rows, law: Iterable[Row] = ()) -> tuple[Conflict, ...]:
    """A smallest conflict, then a smallest one among the limits that are left, and so on, at most `MOST_CONFLICTS`.

    `law` are rows that nobody wrote and nobody can change (the total, no level below 0): they always hold and count as
    no member. Where these alone cannot be met, the one
    conflict has no member.
    """
    search, bare = _Search(rows, frozenset(law)), _Search(rows, frozenset())
    left = [row for row in search.written if row not in search.law]
    found: list[Conflict] = []
    while len(found) < MOST_CONFLICTS and not search.is_open(left):
        found.append(search.smallest(left))
        if not bare.is_open(left):
            # Of two sets as small, the one that conflicts whatever the total is the plainer.
            plain = bare.smallest(left)
            found[-1] = min(found[-1], plain, key=lambda c: (len(c.rows), c is not plain))
        if not found[-1].rows:
            break
        left = [row for row in left if row not in found[-1].rows]
    return tuple(sorted(found, key=lambda c: (len(c.rows), c.rows)))


class _Search:
    """One system of rows, asked again and again about subsets of them."""

    def __init__(self, rows: Rows, law: frozenset[Row]) -> None:
        self.rows, self.law = rows, law
        self.written: list[Row] = [(False, i) for i in range(len(rows.b))] + [(True, i) for i in range(len(rows.e))]
        upper, equal = violations(rows)
        # A miss that is barely one is measured by its own size.
        self.tolerance = min(FLAT, 0.5 * float(upper.sum() + np.abs(equal).sum()))

    def misses(self, hard: Sequence[Row], soft: Sequence[Row] = ()) -> list[float] | None:
        """What each soft row misses, the sum being least, where law and `hard` rows hold; None where they cannot."""
        bound = [*self.law, *hard]
        order = sorted([*bound, *soft])
        upper, equal = [i for e, i in order if not e], [i for e, i in order if e]
        held = set(bound)
        free = np.array([row not in held for row in order], dtype=bool)
        room = np.where(free, np.inf, self.tolerance)
        give, shift = violations(self.rows.take(upper, equal), room[: len(upper)], room[len(upper) :])
        size = dict(zip(order, [*give.tolist(), *np.abs(shift).tolist()], strict=True))
        if np.isnan(give).any() or np.isnan(shift).any():
            return None
        # With soft rows to spare, what the others give way within their tolerance says nothing.
        if not soft and sum(size[row] for row in bound) > self.tolerance:
            return None
        return [size[row] for row in soft]

    def is_open(self, kept: Sequence[Row]) -> bool:
        """Whether law and these rows can be met together."""
        return self.misses(kept) is not None

    def smallest(self, among: Sequence[Row]) -> Conflict:
        """A smallest conflict among rows that do conflict."""
        best = min((self._thinned(order) for order in self._orders(among)), key=len)
        corrections: list[frozenset[Row]] = []
        for _ in range(_MOST_ROUNDS):
            chosen = _touching(among, corrections)
            if len(chosen) >= len(best):
                return Conflict(tuple(best), True)
            if not self.is_open(chosen):
                return Conflict(tuple(chosen), True)
            more = self._corrections(among, chosen)
            if not more:
                break
            corrections += more
        return Conflict(tuple(best), False)

    def _orders(self, among: Sequence[Row]) -> list[list[Row]]:
        """Orders of leaving out: rows over several things first, or last; either may leave the smaller set."""
        wide = sorted(among, key=lambda r: -int(np.count_nonzero(self.rows.E[r[1]] if r[0] else self.rows.A[r[1]])))
        return [wide, wide[::-1]]

    def _thinned(self, order: Sequence[Row]) -> list[Row]:
        """Deletion filter (Chinneck & Dravnieks 1991, ORSA J. Computing 3, 157-168; from memory)."""
        kept = list(order)
        for row in order:
            rest = [r for r in kept if r != row]
            if not self.is_open(rest):
                kept = rest
        return sorted(kept)

    def _corrections(self, among: Sequence[Row], met: Sequence[Row]) -> list[frozenset[Row]]:
        """Correction sets that share nothing with each other nor with `met`, each opening what the last left shut."""
        out: list[frozenset[Row]] = []
        hard = list(met)
        while True:
            soft = [row for row in among if row not in hard]
            size = self.misses(hard, soft)
            if size is None:
                return out
            left = frozenset(row for row, s in zip(soft, size, strict=True) if s > self.tolerance)
            if not left:
                # Rounding hides what is missed: the largest miss stands for it.
                left = frozenset([soft[int(np.argmax(size))]]) if soft else frozenset()
            out.append(left)
            hard += sorted(left)


def _touching(among: Sequence[Row], sets: Sequence[frozenset[Row]]) -> list[Row]:
    """A smallest choice of rows with a member in each set."""
    if not sets:
        return []
    hits = np.array([[row in group for row in among] for group in sets], dtype=np.float64)
    found = milp(
        np.ones(len(among)),
        integrality=np.ones(len(among), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(hits, lb=1.0),
        options={"mip_rel_gap": 0.0},
    )
    taken = np.asarray(found.x, dtype=np.float64) > 0.5
    return [row for row, yes in zip(among, taken, strict=True) if yes]
