"""Redundant limits, which decide nothing, and limits that leave no room: which they are, and what decides instead."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.definition.rules import written
from doe.problems import Problem
from doe.region.conflicts import conflicts
from doe.region.feasible import Rows, extent, ratio_extent
from doe.region.limits import LEFT_OUT, number, scaled_rows
from doe.region.pieces import Pieces
from doe.region.region import Region
from doe.region.rewriting import ratio_of, renumbered, rule_of

Array = npt.NDArray[np.float64]

_CLOSE = 1e-9
_ROOM = 1e-5  # by which a limit is tightened, to see what pins it
_SEEN = 'the others already see to "{}"'


@dataclass(frozen=True, slots=True)
class RedundantLimit:
    """A limit that never decides anything: its `label`, whether it is a `bound` of one level, and why, in words."""

    label: str
    is_bound: bool
    says: str


def redundant_limits(region: Region) -> tuple[RedundantLimit, ...]:
    """The limits and bounds of a region that never decide anything, each with what does in its place.

    A lower bound of 0 that nobody wrote (that of the ingredient that takes up the rest) is not named. Where limits
    differ between combinations of categories, a limit is named that decides nothing wherever it holds; one that leaves
    a combination without a recipe decides that.
    """
    polytopes = [piece for piece, _ in region.pieces]
    if isinstance(region, Pieces):
        each = [{one.label: one for one in redundant_limits(piece)} for piece in polytopes]
        found = {label: one for known in reversed(each) for label, one in known.items()}
        both = list(zip(polytopes, each, strict=True))
        return tuple(
            one
            for label, one in found.items()
            if all(label in known or label not in p.labels for p, known in both)
            and not any(label in problem.got for problem in region.empty)
        )
    rows = _scaled(region)
    out = []
    for i in region.redundant_rows:
        label = region.labels[i]
        if i in region.limit_rows:
            says = _of_limit(region, rows, i)
            out.append(RedundantLimit(label, False, f"on one side {says}" if _other_side_decides(region, i) else says))
            continue
        j = int(np.flatnonzero(region.A[i])[0])
        name, low = region.names[j], region.A[i, j] < 0
        if name == region.fill and low and region.b[i] == 0:
            continue
        end = region.reach[name][0 if low else 1]
        out.append(RedundantLimit(label, True, f"{name} goes {'down' if low else 'up'} only to {end:.4g}"))
    return tuple(out)


def _other_side_decides(region: Region, i: int) -> bool:
    """Whether row i is one side of a limit whose other side is needed."""
    same = [r for r in region.limit_rows if region.labels[r] == region.labels[i] and r not in region.redundant_rows]
    return any(float(region.A[r] @ region.A[i]) < 0 for r in same)


def _size(region: Region) -> Array:
    size = np.maximum(np.abs(region.frame.reach_low), np.abs(region.frame.reach_high))
    return np.where(size > 0, size, 1.0)


def _scaled(region: Region) -> Rows:
    """The rows for levels of about size one, each of unit length."""
    written_rows = Rows(region.A, region.b, region.labels, region.E, region.e, region.equal_labels)
    return scaled_rows(written_rows, np.zeros(len(region.names)), _size(region))


def _of_limit(region: Region, rows: Rows, i: int) -> str:
    """What the other limits make of the sum or ratio of limit i: a stronger limit, where it can be written."""
    rest = rows.take([r for r in range(len(rows.b)) if r != i], range(len(rows.e)))
    spare = float(rows.b[i] - extent(rest, rows.A[i]))
    if spare <= _CLOSE:
        return "the other limits already say so"
    size = _size(region)
    label, line = region.labels[i], region.A[i]
    j = int(np.flatnonzero(line)[0])
    for sign in ("<=", ">="):
        rule = rule_of(label, region.names, sign)
        used = {region.names[c] for c in np.flatnonzero(line)}
        # A row that was written "at least" stands turned round.
        if rule is None or set(rule.weights) != used or (rule.weights[region.names[j]] * line[j] > 0) != (sign == "<="):
            continue
        ratio = ratio_of(rule, region.names, line, sign) if region.b[i] == 0 else None
        if ratio is not None:
            ends = ratio_extent(rest, (ratio.top * size, 0.0), (ratio.under * size, 0.0))
            upper = bool(ratio.top @ line > 0)
            if ends is not None and np.isfinite(ends[1] if upper else ends[0]):
                return _SEEN.format(ratio.text(number(_beyond(ends[1] if upper else ends[0], upper))))
        elif rule.divisor is None:
            end = float(region.b[i]) - spare * float(np.linalg.norm(line * size))
            value = _beyond(end if sign == "<=" else -end, sign == "<=")
            return _SEEN.format(written(rule.weights, *((None, value) if sign == "<=" else (value, None))))
    other = renumbered(label, -spare * float(np.linalg.norm(line * size)) * (1.0 if _is_upper(label) else -1.0))
    return _SEEN.format(other) if other else "the other limits keep every recipe off it"


def _is_upper(label: str) -> bool:
    return "<" in label or "≤" in label


def _beyond(value: float, upper: bool) -> float:
    """A number of four digits that is no nearer than `value`, so that the limit written with it holds."""
    if value == 0 or not np.isfinite(value):
        return value
    places = 4 - int(np.ceil(np.log10(abs(value))))
    near = round(value, places)
    if abs(near - value) > 1e-9 * abs(value):
        near = round(float((np.ceil if upper else np.floor)(value * 10.0**places)) / 10.0**places, places)
    return near + 0.0


def without_room(region: Region) -> tuple[Problem, ...]:
    """Limits that together leave no room though none of them is an equality: which, and where they hold the levels."""
    polytopes = [piece for piece, _ in region.pieces]
    if polytopes[0] is not region:
        return tuple(dict.fromkeys(problem for piece in polytopes for problem in without_room(piece)))
    rows = _scaled(region)
    found: dict[tuple[str, ...], Problem] = {}
    for i in region.frame.tight_rows.tolist():
        # Asked to keep a little away from the limit, what cannot be met is what pins it.
        b = rows.b.copy()
        b[i] -= _ROOM
        law = [(True, r) for r, label in enumerate(region.equal_labels) if _is_given(label)]
        law += [(False, r) for r in range(len(b)) if _is_natural(region, r)]
        told = conflicts(replace(rows, b=b), law)
        members = dict.fromkeys(rows.equal_labels[r] if e else rows.labels[r] for c in told[:1] for e, r in c.rows)
        key = tuple(sorted(members))
        if not key or key in found:
            continue
        free = [n for n, low, high in zip(region.names, region.low, region.high, strict=True) if low < high]
        ends = {n: region.reach[n] for n in free}
        held = [n for n, (low, high) in ends.items() if high - low <= _CLOSE * max(abs(high), 1e-300)]
        where = f": {', '.join(f'{n} stays at {number(region.reach[n][0])}' for n in held)}" if held else ""
        none = "leave no room between them" if len(members) > 1 else "leaves no room"
        got = f"{'; '.join(members)} {none}{where}"
        do = "nothing, if it is meant so; else widen one of them"
        found[key] = Problem("flat-region", "warn", "limits", got, "", do)
    return tuple(found.values())


def _is_given(label: str) -> bool:
    """Whether an equality is the total, or an ingredient that is left out."""
    return label.startswith("all that varies") or label.endswith(LEFT_OUT)


def _is_natural(region: Region, i: int) -> bool:
    """Whether row i says that an ingredient is not below 0."""
    used = np.flatnonzero(region.A[i])
    return used.size == 1 and region.b[i] == 0 and region.A[i, used[0]] < 0 and region.names[used[0]] in region.blend
