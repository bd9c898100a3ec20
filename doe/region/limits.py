"""Bounds, the total and linear limits as labelled rows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.problems import Problem, StudyError
from doe.region.feasible import Rows

Array = npt.NDArray[np.float64]
LEFT_OUT = " is left out"
TOTAL = "all that varies adds up to"
LimitRow = tuple[Mapping[str, float], float | None, float | None, str]


@dataclass(frozen=True, slots=True)
class Written(Rows):
    """Rows in natural units; `limits` says which rows of A come from a limit and not from a bound.

    `negated` (m,) are rows that were written "at least". `room` (m,) is how far each row may give way at all: no
    ingredient can be let below 0. `total` is the row of E that is the blend's total.
    """

    names: tuple[str, ...]
    limits: tuple[int, ...]
    negated: tuple[bool, ...]
    room: Array
    total: int | None

    @property
    def law(self) -> tuple[tuple[bool, int], ...]:
        """Rows not to be changed, as (is an equality, index): no ingredient below 0, the total, what is left out."""
        below = tuple((False, int(i)) for i in np.flatnonzero(self.room == 0.0))
        out = tuple((True, i) for i, label in enumerate(self.equal_labels) if label.endswith(LEFT_OUT))
        return (*below, *out) if self.total is None else (*below, *out, (True, self.total))


def rows_of(
    names: tuple[str, ...],
    blend: tuple[str, ...],
    blend_total: float | None,
    low: Array,
    high: Array,
    limits: Sequence[LimitRow],
) -> Written:
    """All rows of a region with columns `names` (k), bounds `low` and `high` (k,), and linear `limits`.

    A blend variable without a lower bound cannot be below 0; nothing else is assumed.

    Raises StudyError, with everything found: a bound that is not a number or low above high, a name that is no column.
    """
    _check(names, blend, low, high, limits)
    upper: list[tuple[Array, float, str]] = []
    equal: list[tuple[Array, float, str]] = []
    at: int | None = None
    for j, name in enumerate(names):
        unit = np.zeros(len(names))
        unit[j] = 1.0
        least = 0.0 if name in blend and np.isneginf(low[j]) else float(low[j])
        if least == high[j]:
            out = name in blend and least == 0
            equal.append((unit, least, f"{name}{LEFT_OUT}" if out else f"{name} fixed at {number(least)}"))
            continue
        if np.isfinite(least):
            upper.append((-unit, -least, f"{name} at least {number(least)}"))
        if np.isfinite(high[j]):
            upper.append((unit, float(high[j]), f"{name} at most {number(float(high[j]))}"))
    if blend and blend_total is not None:
        total = np.array([1.0 if name in blend else 0.0 for name in names])
        at = len(equal)
        equal.append((total, float(blend_total), f"{TOTAL} {number(blend_total)}"))
    first, turned = len(upper), list[bool]()
    for weights, least_sum, most_sum, label in limits:
        row = np.array([float(weights.get(name, 0.0)) for name in names])
        if least_sum is not None and least_sum == most_sum:
            equal.append((row, float(least_sum), label))
            continue
        if most_sum is not None:
            upper.append((row, float(most_sum), label))
            turned.append(False)
        if least_sum is not None:
            upper.append((-row, -float(least_sum), label))
            turned.append(True)
    k = len(names)
    return Written(
        np.array([r[0] for r in upper], dtype=float).reshape(len(upper), k),
        np.array([r[1] for r in upper]),
        tuple(r[2] for r in upper),
        np.array([r[0] for r in equal], dtype=float).reshape(len(equal), k),
        np.array([r[1] for r in equal]),
        tuple(r[2] for r in equal),
        names,
        tuple(range(first, len(upper))),
        tuple(row.max(initial=0.0) <= 0 for row, _, _ in upper[:first]) + tuple(turned),
        np.array([_room(names, blend, row, most) for row, most, _ in upper]),
        at,
    )


def _room(names: tuple[str, ...], blend: tuple[str, ...], row: Array, most: float) -> float:
    used = np.flatnonzero(row)
    if used.size == 1 and row[used[0]] < 0 and names[int(used[0])] in blend:
        return max(-most, 0.0)
    return math.inf


def _check(names: tuple[str, ...], blend: tuple[str, ...], low: Array, high: Array, limits: Sequence[LimitRow]) -> None:
    problems = []
    if low.shape != (len(names),) or high.shape != (len(names),):
        got, allowed = f"{low.size} lower and {high.size} upper bounds", f"one each for {len(names)} columns"
        raise StudyError([Problem("bad-bounds", "stop", "region", got, allowed, "give both for every column")])
    for name, least, most in zip(names, low.tolist(), high.tolist(), strict=True):
        if math.isnan(least) or math.isnan(most) or least > most:
            got, do = f"low {number(least)}, high {number(most)}", "put the smaller number in low"
            problems.append(Problem("bad-bounds", "stop", name, got, "low not above high", do))
    for weights, least_sum, most_sum, label in limits:
        unknown = sorted(set(weights) - set(names))
        if unknown:
            got = f"{', '.join(unknown)} is not varied"
            problems.append(Problem("unknown-name", "stop", label, got, "names of varied things", "correct the name"))
        if least_sum is not None and most_sum is not None and least_sum > most_sum:
            got, do = f"between {number(least_sum)} and {number(most_sum)}", "put the smaller number first"
            problems.append(Problem("bad-bounds", "stop", label, got, "the lower side not above the upper", do))
    for name in sorted(set(blend) - set(names)):
        problems.append(Problem("unknown-name", "stop", name, "not a column", "a column of the region", "add it"))
    if problems:
        raise StudyError(problems)


def scaled_rows(written: Rows, shift: Array, scale: Array) -> Rows:
    """The rows for y = (x - shift) / scale, both (k,), each scaled to unit length."""
    A, b = written.A * scale, written.b - written.A @ shift
    E, e = written.E * scale, written.e - written.E @ shift
    long_a, long_e = np.linalg.norm(A, axis=1), np.linalg.norm(E, axis=1)
    long_a[long_a == 0] = 1.0
    long_e[long_e == 0] = 1.0
    return Rows(A / long_a[:, None], b / long_a, written.labels, E / long_e[:, None], e / long_e, written.equal_labels)


def number(value: float) -> str:
    """A level as it stands in words."""
    return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"
