"""What helps when limits leave no recipe: which of them conflict, and the least change of each that leaves one.

Changes are rounded away from the conflict to digits that one would write, and what is proposed is tried: every number
in these words has been put into the limits, and a linear programme has found a recipe.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.definition.rules import Rule, written
from doe.problems import Problem, StudyError
from doe.region.conflicts import Conflict, Row, conflicts
from doe.region.feasible import FLAT, Rows, is_open, least_change, ratio_extent, violations
from doe.region.limits import LEFT_OUT, Written, number
from doe.region.rewriting import Ratio, free_of_dust, ratio_of, renumbered, rule_of

Array = npt.NDArray[np.float64]

_LEAST = "each the least that opens the region; go further to have room"
_OVERSHOOT = 1.02  # of a change: how far it may be rounded up
_MOST_DIGITS = 12  # of a number that is proposed


def nothing_left(rows: Written, scaled: Rows, shift: Array, scale: Array) -> StudyError:
    """The error for an empty region: a smallest set of conflicting limits, every other conflict beside it, what helps.

    `scaled` are the rows in coordinates (x - shift) / scale, both (k,).
    """
    found = conflicts(scaled, rows.law)
    problems = []
    for conflict in found:
        others = {row for other in found if other is not conflict for row in other.rows}
        # Without its own lower bound an ingredient is still not below 0.
        lows = [i for equal, i in others if not equal and np.isfinite(rows.room[i])]
        b = scaled.b.copy()
        b[lows] += rows.room[lows] / _lengths(rows.A[lows] * scale)
        left_out = frozenset(others - {(False, i) for i in lows})
        system = _System(rows, replace(scaled, b=b), shift, scale, left_out)
        ways = [way for row in conflict.rows if (way := system.way(row)) is not None]
        one = "change one of these" if len(found) > 1 else "change one"
        do = f"{one}: " + "; or ".join(text for _, text in sorted(ways, key=lambda way: round(way[0], 9)))
        do = f"{do} ({_LEAST})" if ways else system.together()
        allowed = "limits that at least one recipe can meet"
        problems.append(Problem("empty-region", "stop", "limits", _conflicting(system, conflict), allowed, do))
    return StudyError(problems)


def _conflicting(system: _System, conflict: Conflict) -> str:
    labels = list(dict.fromkeys(system.label(row) for row in conflict.rows))
    law = system.law_needed(conflict.rows)
    if not labels:
        return f"no recipe is possible: {_joined(law)}"
    given = f", as {_joined(law)}" if law else ""
    if len(labels) == 1:
        return f"no recipe obeys {labels[0]}{given}"
    proof = "no smaller set of limits conflicts" if conflict.smallest else "none of them can be left out"
    return f"no recipe obeys all of: {'; '.join(labels)}{given} ({proof})"


def _joined(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


@dataclass(frozen=True, slots=True)
class _System:
    """All rows but those in `others`, natural and scaled: what one change has to open."""

    rows: Written
    scaled: Rows
    shift: Array
    scale: Array
    others: frozenset[Row]

    def label(self, row: Row) -> str:
        return self.rows.equal_labels[row[1]] if row[0] else self.rows.labels[row[1]]

    def law_needed(self, members: Sequence[Row]) -> list[str]:
        """Which of the rows that always hold belong to the conflict."""
        law = list(self.rows.law)
        words = []
        for row in [r for r in law[::-1] if r[0]]:
            rest = [r for r in law if r != row]
            if is_open(self._only([*members, *rest])):
                words.append(self.label(row))
            else:
                law = rest
        if is_open(self._only([*members, *(r for r in law if r[0])])):
            words.append("nothing can be below 0")
        return words

    def _only(self, members: Sequence[Row]) -> Rows:
        return self.scaled.take([i for e, i in members if not e], [i for e, i in members if e])

    def _without(self, skipped: frozenset[Row]) -> Rows:
        return self.scaled.take(
            [i for i in range(len(self.scaled.b)) if (False, i) not in skipped],
            [i for i in range(len(self.scaled.e)) if (True, i) not in skipped],
        )

    def _opens(self, row: Row, weights: Array, value: float) -> bool:
        """Whether there is a recipe when the row reads weights x <= value (or = value)."""
        rest = self._without(self.others | {row})
        length = float(np.linalg.norm(weights * self.scale)) or 1.0
        line, end = weights[None] * self.scale / length, np.array([(value - weights @ self.shift) / length])
        if row[0]:
            return is_open(replace(rest, E=np.concatenate([rest.E, line]), e=np.concatenate([rest.e, end])))
        return is_open(replace(rest, A=np.concatenate([rest.A, line]), b=np.concatenate([rest.b, end])))

    def way(self, row: Row) -> tuple[float, str] | None:
        """The least change of this row that opens the rest, with its size in scaled units; None when none does."""
        equal, i = row
        rest = self._without(self.others | {row})
        line, end = (self.scaled.E[i], self.scaled.e[i]) if equal else (self.scaled.A[i], self.scaled.b[i])
        change = least_change(rest, line, float(end), both_ways=equal)
        if change is None:
            return None
        ratio = self._ratio(row)
        text = (self._ratio_way(row, ratio) or self._gone_way(row) if ratio else None) or self._plain_way(row, change)
        return None if text is None else (abs(change), text)

    def _plain_way(self, row: Row, change: float) -> str | None:
        equal, i = row
        weights, end = (self.rows.E[i], self.rows.e[i]) if equal else (self.rows.A[i], self.rows.b[i])
        natural = change * (float(np.linalg.norm(weights * self.scale)) or 1.0)
        sign = -1.0 if not equal and self.rows.negated[i] else 1.0
        alone = np.count_nonzero(weights) == 1
        least = 0.0 if alone and (equal or sign < 0) and not np.isinf(self._room(row)) else -math.inf
        was, needed = sign * float(end), sign * float(end + natural)
        if needed < least - FLAT * max(1.0, abs(was)):
            return None
        value = _rounded(was, max(needed, least), lambda v: v >= least and self._opens(row, weights, sign * v))
        return None if value is None else self._said(row, was, value)

    def _room(self, row: Row) -> float:
        if not row[0]:
            return float(self.rows.room[row[1]])
        return float(self.rows.e[row[1]]) if self.rows.e[row[1]] >= 0 else math.inf

    def _said(self, row: Row, was: float, value: float) -> str:
        equal, i = row
        label, new = self.label(row), number(value)
        if equal and np.count_nonzero(self.rows.E[i]) == 1 and " fixed at " in label:
            return f"set {label.rsplit(' fixed at ', 1)[0]} to {new}"
        if not equal and i not in self.rows.limits:
            return f"let {label.rsplit(' at ', 1)[0]} go {'down' if self.rows.negated[i] else 'up'} to {new}"
        text = self._rewritten(row, value, was)
        return f'change "{label}" to "{text}"' if text else f'relax "{label}" by {number(abs(value - was))}'

    def _sign(self, row: Row) -> str:
        return "=" if row[0] else ">=" if self.rows.negated[row[1]] else "<="

    def _rule(self, row: Row) -> Rule | None:
        """The rule of a limit as it was written, where it can be read in the names of what varies."""
        return rule_of(self.label(row), self.rows.names, self._sign(row))

    def _rewritten(self, row: Row, value: float, was: float) -> str | None:
        rule = self._rule(row)
        if rule is None:
            return renumbered(self.label(row), value - was)
        if rule.divisor is not None:
            return None
        low, high = rule.low, rule.high
        if row[0]:
            low = high = free_of_dust(float(low or 0.0) + value - was)
        elif self.rows.negated[row[1]]:
            low = free_of_dust(float(low or 0.0) + value - was)
        else:
            high = free_of_dust(float(high or 0.0) + value - was)
        return written(rule.weights, low, high)

    def _ratio(self, row: Row) -> Ratio | None:
        equal, i = row
        rule = self._rule(row)
        if rule is None or (self.rows.e[i] if equal else self.rows.b[i]) != 0:
            return None
        return ratio_of(rule, self.rows.names, self.rows.E[i] if equal else self.rows.A[i], self._sign(row))

    def _ratio_way(self, row: Row, ratio: Ratio) -> str | None:
        """The nearest value of the ratio that opens the rest, in words; None when the ratio has no end of its own."""
        rest = self._without(self.others | {row})
        ends = ratio_extent(rest, *(self._affine(w) for w in (ratio.top, ratio.under)))
        if ends is None:
            return None
        needed = min(ends, key=lambda v: abs(v - ratio.value))
        equal = row[0]
        sign = -1.0 if not equal and self.rows.A[row[1]] @ ratio.top < 0 else 1.0

        def opens(value: float) -> bool:
            # What is left by rounding is no ratio that anyone could write.
            return value > FLAT * abs(ratio.value) and self._opens(row, sign * (ratio.top - value * ratio.under), 0.0)

        value = _rounded(ratio.value, needed, opens)
        return None if value is None else f'change "{self.label(row)}" to "{ratio.text(number(value))}"'

    def _gone_way(self, row: Row) -> str | None:
        """What to do with a ratio to something that is left out of every recipe, such as an ingredient withdrawn."""
        rule = self._rule(row)
        out = [label.removesuffix(LEFT_OUT) for label in self.rows.equal_labels if label.endswith(LEFT_OUT)]
        gone = [name for name in out if rule is not None and name in rule.weights]
        return f'drop "{self.label(row)}", or write it without {_joined(gone)}' if gone else None

    def _affine(self, weights: Array) -> tuple[Array, float]:
        return weights * self.scale, float(weights @ self.shift)

    def together(self) -> str:
        """Changes of several limits that open the region when no single one does."""
        rows = self.rows
        room = rows.room / _lengths(rows.A * self.scale)
        fixed = np.full(len(rows.e), np.inf)
        if rows.total is not None:
            fixed[rows.total] = 0.0
        give, shift = violations(self.scaled, room, fixed)
        if np.isnan(give).any():
            give, shift = violations(self.scaled, room)
        parts = []
        for i in np.flatnonzero(give > FLAT).tolist():
            natural = give[i] * _lengths(rows.A * self.scale)[i]
            parts.append(self._moved((False, i), natural))
        for i in np.flatnonzero(np.abs(shift) > FLAT).tolist():
            parts.append(self._moved((True, i), shift[i] * _lengths(rows.E * self.scale)[i]))
        return "change together: " + " and ".join(parts)

    def _moved(self, row: Row, change: float) -> str:
        equal, i = row
        sign = -1.0 if not equal and self.rows.negated[i] else 1.0
        was = sign * float(self.rows.e[i] if equal else self.rows.b[i])
        needed = was + sign * change
        value = _rounded(was, needed, lambda v: True)
        if equal and i == self.rows.total:
            return f"let all that varies add up to {number(needed)}"
        return self._said(row, was, needed if equal or value is None else value)


def _lengths(rows: Array) -> Array:
    length = np.linalg.norm(rows, axis=1)
    return np.where(length > 0, length, 1.0)


def _rounded(was: float, needed: float, good: Callable[[float], bool]) -> float | None:
    """The value of fewest digits at or just beyond `needed`, seen from `was`, that is `good`; None when none is.

    Just beyond: the change is at most a fiftieth larger than it need be.
    """
    change = needed - was
    if change == 0 or not math.isfinite(change):
        return None
    up = change > 0
    first = -math.ceil(math.log10(max(abs(needed), abs(change))))
    for digits in range(first, first + _MOST_DIGITS):
        near = round(needed, digits)
        if abs(near - needed) > 1e-8 * max(abs(needed), abs(change)):
            scaled = needed * 10.0**digits
            near = round((math.ceil(scaled) if up else math.floor(scaled)) / 10.0**digits, digits)
        near += 0.0
        if abs(near - was) <= _OVERSHOOT * abs(change) and (near > was) == up and good(near):
            return near
    return needed if good(needed) else None
