"""Whether limits can be met together, and by how much they miss.

Linear programmes throughout (HiGHS, through scipy). Rows say A y <= b and E y = e; the caller scales y so that its
bounds are of size one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

Array = npt.NDArray[np.float64]

FLAT = 1e-9  # room that is none, in rows of unit length
_INFEASIBLE = 2
_SHARP = 1e-10  # the finest tolerance that HiGHS takes


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
    """The greatest direction'y, `direction` (k,), under the rows; -inf where none can hold. Raises UnboundedError."""
    y = _solve(-direction, rows.A, rows.b, rows.E, rows.e, _free(len(direction)))
    return float(direction @ y) if y is not None else -np.inf


def deepest(rows: Rows) -> tuple[Array, float] | None:
    """A point (k,) as far inside all rows as can be, and how far (at most 1); None when no point obeys them all."""
    m, k = rows.A.shape
    reach = np.linalg.norm(rows.A, axis=1)
    A = np.column_stack([rows.A, reach])
    E = np.column_stack([rows.E, np.zeros(len(rows.e))])
    c = np.zeros(k + 1)
    c[-1] = -1.0
    y = _solve(c, A, rows.b, E, rows.e, [*_free(k), (0.0, 1.0)]) if m else None
    return None if y is None else (y[:-1], float(y[-1]))


def always_tight(rows: Rows) -> tuple[npt.NDArray[np.bool_], Array]:
    """Which rows of A hold as equalities at every point, (m,), and a point (k,) that has room in all the others.

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


def violations(rows: Rows, room: Array | None = None, room_equal: Array | None = None) -> tuple[Array, Array]:
    """How much each row must give way so that the sum is least: (m,) for A, (n,) signed for E; NaN where none will do.

    Rows give way at most `room` (m,) and `room_equal` (n,), which are without end when not given.
    """
    m, k = rows.A.shape
    n = len(rows.e)
    A = np.column_stack([rows.A, -np.eye(m), np.zeros((m, 2 * n))])
    E = np.column_stack([rows.E, np.zeros((n, m)), -np.eye(n), np.eye(n)])
    c = np.concatenate([np.zeros(k), np.ones(m + 2 * n)])
    upper = np.full(m, np.inf) if room is None else room
    equal = np.full(n, np.inf) if room_equal is None else room_equal
    ends = [(0.0, None if np.isinf(most) else float(most)) for most in (*upper, *equal, *equal)]
    y = _solve(c, A, rows.b, E, rows.e, [*_free(k), *ends])
    if y is None:
        return np.full(m, np.nan), np.full(n, np.nan)
    return y[k : k + m], y[k + m : k + m + n] - y[k + m + n :]


def is_open(rows: Rows) -> bool:
    """Whether some point obeys every row, to `FLAT` in all."""
    upper, equal = violations(rows)
    return bool(upper.sum() + np.abs(equal).sum() <= FLAT)


def least_change(rows: Rows, line: Array, end: float, *, both_ways: bool) -> float | None:
    """The least c for which line'y <= end + c, `line` (k,), can hold with all rows; `both_ways`: = end + c, c signed.

    None when the rows alone cannot be met.
    """
    ends = []
    for way in (line, -line) if both_ways else (line,):
        try:
            y = _solve(way, rows.A, rows.b, rows.E, rows.e, _free(len(line)))
        except UnboundedError:
            return 0.0
        if y is None:
            return None
        ends.append(float(line @ y) - end)
    change = min(ends, key=abs)
    return change if both_ways else max(change, 0.0)


def ratio_extent(rows: Rows, top: tuple[Array, float], under: tuple[Array, float]) -> tuple[float, float] | None:
    """The least and the greatest value of top(y) / under(y) where all rows hold; each part is (weights, constant).

    An end may be infinite. None where under(y) can be 0 or below, or nothing can be met. By the linear programme of
    Charnes & Cooper 1962, Naval Research Logistics Quarterly 9, 181-186 (from memory): y = z / t with under(z, t) = 1.
    """
    try:
        lowest = _solve(under[0], rows.A, rows.b, rows.E, rows.e, _free(len(under[0])))
    except UnboundedError:
        return None
    if lowest is None or under[0] @ lowest + under[1] <= FLAT:
        return None
    k = len(top[0])
    A = np.column_stack([rows.A, -rows.b])
    E = np.vstack([np.column_stack([rows.E, -rows.e]), np.append(under[0], under[1])])
    e = np.append(np.zeros(len(rows.e)), 1.0)
    c = np.append(top[0], top[1])
    found = []
    for sign in (1.0, -1.0):
        try:
            z = _solve(sign * c, A, np.zeros(len(rows.b)), E, e, [*_free(k), (0.0, None)])
        except UnboundedError:
            found.append(-sign * np.inf)
            continue
        if z is None:
            return None
        found.append(float(c @ z))
    return found[0], found[1]
