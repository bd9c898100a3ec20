"""Bounds, the total and linear limits as labelled rows, and what to say when they leave nothing."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.feasible import FLAT, Rows, changes_together, conflict, least_change
from doe.problems import Problem, StudyError

Array = npt.NDArray[np.float64]
LimitRow = tuple[Mapping[str, float], float | None, float | None, str]


@dataclass(frozen=True, slots=True)
class Written(Rows):
    """Rows in natural units; `limits` says which rows of A come from a limit and not from a bound.

    `room` (m,) is how far each row may give way at all: no ingredient can be let below 0.
    """

    limits: tuple[int, ...]
    room: Array


def rows_of(
    names: tuple[str, ...],
    blend: tuple[str, ...],
    blend_total: float | None,
    low: Array,
    high: Array,
    limits: Sequence[LimitRow],
) -> Written:
    """All rows of a region. A blend variable without a lower bound cannot be below 0; nothing else is assumed.

    Raises StudyError, with everything found: a bound that is not a number or low above high, a name that is no column.
    """
    _check(names, blend, low, high, limits)
    upper: list[tuple[Array, float, str]] = []
    equal: list[tuple[Array, float, str]] = []
    for j, name in enumerate(names):
        unit = np.zeros(len(names))
        unit[j] = 1.0
        least = 0.0 if name in blend and np.isneginf(low[j]) else float(low[j])
        if least == high[j]:
            equal.append((unit, least, f"{name} fixed at {_number(least)}"))
            continue
        if np.isfinite(least):
            upper.append((-unit, -least, f"{name} at least {_number(least)}"))
        if np.isfinite(high[j]):
            upper.append((unit, float(high[j]), f"{name} at most {_number(float(high[j]))}"))
    if blend and blend_total is not None:
        total = np.array([1.0 if name in blend else 0.0 for name in names])
        equal.append((total, float(blend_total), f"all add up to {_number(blend_total)}"))
    first = len(upper)
    for weights, least_sum, most_sum, label in limits:
        row = np.array([float(weights.get(name, 0.0)) for name in names])
        if least_sum is not None and least_sum == most_sum:
            equal.append((row, float(least_sum), label))
            continue
        if most_sum is not None:
            upper.append((row, float(most_sum), label))
        if least_sum is not None:
            upper.append((-row, -float(least_sum), label))
    k = len(names)
    return Written(
        np.array([r[0] for r in upper], dtype=float).reshape(len(upper), k),
        np.array([r[1] for r in upper]),
        tuple(r[2] for r in upper),
        np.array([r[0] for r in equal], dtype=float).reshape(len(equal), k),
        np.array([r[1] for r in equal]),
        tuple(r[2] for r in equal),
        tuple(range(first, len(upper))),
        np.array([_room(names, blend, row, most) for row, most, _ in upper]),
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
            got, do = f"low {_number(least)}, high {_number(most)}", "put the smaller number in low"
            problems.append(Problem("bad-bounds", "stop", name, got, "low not above high", do))
    for weights, least_sum, most_sum, label in limits:
        unknown = sorted(set(weights) - set(names))
        if unknown:
            got = f"{', '.join(unknown)} is not varied"
            problems.append(Problem("unknown-name", "stop", label, got, "names of varied things", "correct the name"))
        if least_sum is not None and most_sum is not None and least_sum > most_sum:
            got, do = f"between {_number(least_sum)} and {_number(most_sum)}", "put the smaller number first"
            problems.append(Problem("bad-bounds", "stop", label, got, "the lower side not above the upper", do))
    for name in sorted(set(blend) - set(names)):
        problems.append(Problem("unknown-name", "stop", name, "not a column", "a column of the region", "add it"))
    if problems:
        raise StudyError(problems)


def scaled_rows(written: Rows, shift: Array, scale: Array) -> tuple[Rows, Array, Array]:
    """The rows for y = (x - shift) / scale, each of unit length; and the lengths divided by (m,), (n,)."""
    A, b = written.A * scale, written.b - written.A @ shift
    E, e = written.E * scale, written.e - written.E @ shift
    long_a, long_e = np.linalg.norm(A, axis=1), np.linalg.norm(E, axis=1)
    long_a[long_a == 0] = 1.0
    long_e[long_e == 0] = 1.0
    rows = Rows(A / long_a[:, None], b / long_a, written.labels, E / long_e[:, None], e / long_e, written.equal_labels)
    return rows, long_a, long_e


def nothing_left(written: Written, scaled: Rows, long_a: Array, long_e: Array) -> StudyError:
    """The error for an empty region: a smallest set of conflicting limits, and what would open it."""
    upper, equal = conflict(scaled)
    labels = [written.labels[i] for i in upper] + [written.equal_labels[i] for i in equal]
    ways = []
    for i in upper:
        change = least_change(scaled, upper=i)
        if change is not None and change * long_a[i] <= written.room[i] + FLAT * long_a[i]:
            ways.append((change, _moved(written, i, change * long_a[i])))
    for i in equal:
        change = least_change(scaled, equal=i)
        sinks = written.e[i] >= 0 > written.e[i] + (change or 0.0) * long_e[i]
        if change is not None and not (sinks and np.count_nonzero(written.E[i]) == 1):
            ways.append((abs(change), _set(written, i, change * long_e[i])))
    if ways:
        do = "change one: " + "; or ".join(text for _, text in sorted(ways, key=lambda way: way[0]))
    else:
        give, shift = changes_together(scaled, written.room / long_a)
        parts = [_moved(written, int(i), give[i] * long_a[i]) for i in np.flatnonzero(give > FLAT)]
        parts += [_set(written, int(i), shift[i] * long_e[i]) for i in np.flatnonzero(np.abs(shift) > FLAT)]
        do = "change together: " + " and ".join(parts)
    got = f"no recipe obeys all of: {'; '.join(dict.fromkeys(labels))}"
    return StudyError([Problem("empty-region", "stop", "limits", got, "limits that at least one recipe can meet", do)])


def _moved(written: Written, i: int, change: float) -> str:
    """What it takes to let row i of A give way by `change`, in its own unit."""
    least = np.count_nonzero(written.A[i]) > 0 and written.A[i][np.flatnonzero(written.A[i])].max() < 0
    # A row that was written "at least" stands negated in A.
    value = -(written.b[i] + change) if least else written.b[i] + change
    shown = _number(_outward(value, down=bool(least)))
    label = written.labels[i]
    if i not in written.limits:
        name = label.rsplit(" at ", 1)[0]
        return f"let {name} go {'down' if least else 'up'} to {shown}"
    return f'relax "{label}" by {_number(_outward(change, down=False))}'


def _set(written: Written, i: int, change: float) -> str:
    value = written.e[i] + change
    label = written.equal_labels[i]
    if np.count_nonzero(written.E[i]) == 1:
        return f"set {label.rsplit(' fixed at ', 1)[0]} to {_number(value)}"
    if label.startswith("all add up to"):
        return f"let all add up to {_number(value)}"
    return f'move "{label}" by {_number(change)}'


def _outward(value: float, down: bool) -> float:
    """The value at six significant digits, never on the wrong side of what is needed."""
    if value == 0 or not math.isfinite(value):
        return value
    digits = 6 - math.ceil(math.log10(abs(value)))
    near = round(value, digits)
    if abs(near - value) <= 1e-8 * max(1.0, abs(value)):
        return near
    step = 10.0**-digits
    return round(math.floor(value / step) * step if down else math.ceil(value / step) * step, max(digits, 0))


def _number(value: float) -> str:
    return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"
