"""Why no recipe is possible: a smallest set of limits that conflict, and what would open the region."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

from doe.problems import Problem

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """One limit: weights x <= most, or = most where `equal`; `label` says it in words."""

    weights: Array
    most: float
    label: str
    equal: bool = False


def _slack_needed(rows: Sequence[Row], relaxed: Sequence[int]) -> float | None:
    """The least common relaxation of the rows in `relaxed` that makes all feasible; None when none does."""
    k = len(rows[0].weights)
    loose = {i: 1.0 if i in relaxed else 0.0 for i in range(len(rows))}
    upper, most, equal, target = [], [], [], []
    for i, row in enumerate(rows):
        if row.equal and not loose[i]:
            equal.append(np.append(row.weights, 0.0))
            target.append(row.most)
            continue
        upper.append(np.append(row.weights, -loose[i]))
        most.append(row.most)
        if row.equal:
            upper.append(np.append(-row.weights, -loose[i]))
            most.append(-row.most)
    found = linprog(
        np.append(np.zeros(k), 1.0),
        A_ub=np.array(upper) if upper else None,
        b_ub=np.array(most) if upper else None,
        A_eq=np.array(equal) if equal else None,
        b_eq=np.array(target) if equal else None,
        bounds=[(None, None)] * k + [(0, None)],
    )
    return float(found.x[k]) if found.status == 0 else None


def smallest_conflict(rows: Sequence[Row]) -> list[Row]:
    """A smallest set of rows that cannot all hold, by leaving out one after the other (deletion filter)."""
    kept = list(rows)
    for row in rows:
        rest = [other for other in kept if other is not row]
        if rest and _slack_needed(rest, []) is None:
            kept = rest
    return kept


def explain_empty(names: Sequence[str], rows: Sequence[Row]) -> Problem:
    """The problem to report when no recipe obeys all rows."""
    conflict = smallest_conflict(rows)
    ways = []
    for i, row in enumerate(conflict):
        needed = _slack_needed(conflict, [i])
        if needed is not None and not row.equal:
            # A little more than the bare minimum, so that what opens is more than a point.
            size = float(np.abs(row.weights).max())
            ways.append(f"relax '{row.label}' by more than {needed / size:.6g}")
    labels = list(dict.fromkeys(row.label for row in conflict))
    got = "no recipe obeys all of: " + "; ".join(labels)
    do = " or ".join(dict.fromkeys(ways)) or "change one of them"
    return Problem("empty-region", "stop", "limits", got, "at least one recipe within all limits", do)
