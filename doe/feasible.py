"""Whether limits can be met together, which of them conflict, and the least change that would open them.

Linear programmes throughout (HiGHS, through scipy). Rows say A y <= b and E y = e; the caller scales y so that its
bounds are of size one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

Array = npt.NDArray[np.float64]

FLAT = 1e-9
_INFEASIBLE = 2
_SHARP = 1e-10


@dataclass(frozen=True, slots=True)
class Rows:
    """Limits as rows: A (m, k) y <= b (m,) and E (n, k) y = e (n,), each with its label in words."""

    A: Array
    b: Array
    labels: tuple[str, ...]
    E: Array
    e: Array
    equal_labels: tuple[str, ...]

    def take(self, upper: Sequence[int], equal: Sequence[int]) -> Rows:
        """Some of the rows."""
        u, q = list(upper), list(equal)
        labels, equal_labels = tuple(self.labels[i] for i in u), tuple(self.equal_labels[i] for i in q)
        return Rows(self.A[u], self.b[u], labels, self.E[q], self.e[q], equal_labels)


def _solve(
    c: Array, A: Array, b: Array, E: Array, e: Array, bounds: list[tuple[float | None, float | None]]
) -> Array | None:
    """The minimiser of c'y, or None when no y obeys the rows. An unbounded programme raises `UnboundedError`."""
    A_eq, b_eq = (E, e) if len(E) else (None, None)
    found = linprog(
        c,
        A_ub=A,
        b_ub=b,
        A_eq=A_eq,
        b_eq=b_eq,
        bounds=bounds,
        method="highs",
        options={"primal_feasibility_tolerance": _SHARP, "dual_feasibility_tolerance": _SHARP},
    )
    if found.status == 0:
        return np.asarray(found.x, dtype=np.float64)
    if found.status == _INFEASIBLE:
        return None
    raise UnboundedError


class UnboundedError(ArithmeticError):
    """Something may grow without end."""


def _free(k: int) -> list[tuple[float | None, float | None]]:
    return [(None, None)] * k


def extent(rows: Rows, direction: Array) -> float:
    """The greatest value of direction'y. Raises UnboundedError when there is none."""
    y = _solve(-direction, rows.A, rows.b, rows.E, rows.e, _free(len(direction)))
    return float(direction @ y) if y is not None else -np.inf


def deepest(rows: Rows) -> tuple[Array, float] | None:
    """A point as far inside all rows as can be, and how far (at most 1); None when no point obeys them all."""
    m, k = rows.A.shape
    reach = np.linalg.norm(rows.A, axis=1)
    A = np.column_stack([rows.A, reach])
    E = np.column_stack([rows.E, np.zeros(len(rows.e))])
    c = np.zeros(k + 1)
    c[-1] = -1.0
    y = _solve(c, A, rows.b, E, rows.e, [*_free(k), (0.0, 1.0)]) if m else None
    return None if y is None else (y[:-1], float(y[-1]))


def always_tight(rows: Rows) -> tuple[npt.NDArray[np.bool_], Array]:
    """Which rows of A no point can be off, and a point that is off all the others.

    The rows must be feasible. Each round asks for as much room as can be in the rows not yet seen to have any; the
    mean of the answers has room in every row that can have it.
    """
    m, k = rows.A.shape
    tight = np.ones(m, dtype=bool)
    seen: list[Array] = []
    while True:
        waiting = np.flatnonzero(tight)
        room = np.zeros((m, waiting.size))
        room[waiting, np.arange(waiting.size)] = 1.0
        A = np.column_stack([rows.A, room])
        E = np.column_stack([rows.E, np.zeros((len(rows.e), waiting.size))])
        c = np.concatenate([np.zeros(k), -np.ones(waiting.size)])
        found = _solve(c, A, rows.b, E, rows.e, [*_free(k), *[(0.0, 1.0)] * waiting.size])
        if found is None:
            break
        seen.append(found[:k])
        roomy = waiting[rows.b[waiting] - rows.A[waiting] @ found[:k] > FLAT]
        if roomy.size == 0:
            break
        tight[roomy] = False
        if not tight.any():
            break
    return tight, np.mean(seen, axis=0)


def _violations(rows: Rows, room: Array) -> tuple[Array, Array]:
    """How much each row must give way so that the sum is least: (m,) for A, each at most `room`, (n,) signed for E."""
    m, k = rows.A.shape
    n = len(rows.e)
    A = np.column_stack([rows.A, -np.eye(m), np.zeros((m, 2 * n))])
    E = np.column_stack([rows.E, np.zeros((n, m)), -np.eye(n), np.eye(n)])
    c = np.concatenate([np.zeros(k), np.ones(m + 2 * n)])
    y = _solve(c, A, rows.b, E, rows.e, [*_free(k), *[(0.0, float(most)) for most in room], *[(0.0, None)] * (2 * n)])
    if y is None:
        return np.zeros(m), np.zeros(n)
    return y[k : k + m], y[k + m : k + m + n] - y[k + m + n :]


def is_open(rows: Rows) -> bool:
    """Whether some point obeys every row."""
    upper, equal = _violations(rows, np.full(len(rows.b), np.inf))
    return bool(upper.sum() + np.abs(equal).sum() <= FLAT)


def _filter(rows: Rows, order: Iterable[tuple[bool, int]]) -> tuple[list[int], list[int]]:
    """Deletion filter: drops each row in turn unless what is left could then be met."""
    upper, equal = list(range(len(rows.b))), list(range(len(rows.e)))
    for is_equal, i in order:
        rest_upper = upper if is_equal else [r for r in upper if r != i]
        rest_equal = [r for r in equal if r != i] if is_equal else equal
        if not is_open(rows.take(rest_upper, rest_equal)):
            upper, equal = rest_upper, rest_equal
    return upper, equal


def conflict(rows: Rows) -> tuple[list[int], list[int]]:
    """The smallest set found of rows that cannot be met together: indices into A and into E.

    No row of it can be left out (deletion filter, Chinneck & Dravnieks 1991, ORSA J. Computing 3, 157-168; from
    memory). Four orders are tried and the shortest set kept; a shorter one elsewhere is not ruled out.
    """
    every = [(False, i) for i in range(len(rows.b))] + [(True, i) for i in range(len(rows.e))]
    # Rows over several things first, or last: either may leave the shorter set.
    wide = sorted(every, key=lambda r: -int(np.count_nonzero(rows.E[r[1]] if r[0] else rows.A[r[1]])))
    found = [_filter(rows, order) for order in (every, every[::-1], wide, wide[::-1])]
    return min(found, key=lambda f: len(f[0]) + len(f[1]))


def least_change(rows: Rows, upper: int | None = None, equal: int | None = None) -> float | None:
    """The least that one row must give way to open all of them (signed for an equality); None when it alone cannot."""
    m, k = rows.A.shape
    n = len(rows.e)
    give, take = np.zeros((m, 2)), np.zeros((n, 2))
    if upper is not None:
        give[upper, 0] = -1.0
    if equal is not None:
        take[equal] = (-1.0, 1.0)
    c = np.concatenate([np.zeros(k), [1.0, 1.0]])
    bounds = [*_free(k), (0.0, None), (0.0, None)]
    y = _solve(c, np.column_stack([rows.A, give]), rows.b, np.column_stack([rows.E, take]), rows.e, bounds)
    return None if y is None else float(y[k] - (y[k + 1] if equal is not None else 0.0))


def changes_together(rows: Rows, room: Array) -> tuple[Array, Array]:
    """Changes to rows, each at most `room` (m,), that open them, least in sum: (m,) for A, (n,) signed for E."""
    return _violations(rows, room)
