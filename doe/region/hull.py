"""The affine hull of a region: which columns are free, how the others follow, and coordinates -1..+1 in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.problems import Problem, StudyError
from doe.region.feasible import FLAT, Rows, UnboundedError, always_tight, deepest, extent
from doe.region.limits import Written, scaled_rows
from doe.region.polytope import cross
from doe.region.remedies import nothing_left

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_NICE = 10  # digits of the number that stands for a level


@dataclass(frozen=True, slots=True)
class Frame:
    """A region in its own coordinates u (d): x = origin + map u, with G u <= h.

    `free` are the columns (indices) that are chosen freely, u_j = (x_j - middle_j) / half_j runs -1..+1 over its reach;
    the `bound` columns follow: x = constant + weights x_free. `parts` are groups of coordinates that no row couples:
    the region is the product of its parts. `tight_rows` are rows of A that no point of the region is off.
    """

    free: tuple[int, ...]
    bound: tuple[int, ...]
    constant: Array
    weights: Array
    middle: Array
    half: Array
    origin: Array
    map: Array
    reach_low: Array
    reach_high: Array
    inside: Array
    G: Array
    h: Array
    parts: tuple[tuple[int, ...], ...]
    tight_rows: Indices

    def part_rows(self) -> list[tuple[Array, Array]]:
        """For each part, the rows G (m, d), h (m,) that concern its own coordinates."""
        out = []
        for part in self.parts:
            own = (self.G[:, list(part)] != 0).any(axis=1)
            out.append((self.G[np.ix_(own, list(part))], self.h[own]))
        return out

    def assemble(self, parts: Sequence[Array]) -> Array:
        """All combinations of points of the parts, as points u (n, d)."""
        together = cross(parts)
        out = np.empty_like(together)
        out[:, [j for part in self.parts for j in part]] = together
        return out

    def snapped(self, x: Array) -> Array:
        """The points (n, k) without the dust of rounding: 0.3 and not 0.30000000000000004, sums kept."""
        out = x.copy()
        free, bound = list(self.free), list(self.bound)
        size = np.maximum(np.abs(self.reach_low), np.abs(self.reach_high))
        out[:, free] = _nice(out[:, free], 1e-12 * size[free], size[free])
        if bound:
            out[:, bound] = self.constant + out[:, free] @ self.weights.T
            terms = np.abs(self.constant) + size[free] @ np.abs(self.weights).T
            out[:, bound] = _nice(out[:, bound], 4e-15 * terms, np.maximum(size[bound], 1e-3 * terms))
        return out


def _nice(x: Array, near: Array, size: Array) -> Array:
    """Values (n, c), each replaced by a number of ten digits where that lies within `near` (c,)."""
    step = 10.0 ** (np.ceil(np.log10(np.where(size > 0, size, 1.0))) - _NICE)
    # Dividing by the whole number 1/step gives the double that the decimal numeral stands for.
    rounded = np.where(step < 1, np.round(x / step) / np.round(1 / np.minimum(step, 1)), np.round(x / step) * step)
    return np.where(np.abs(rounded - x) <= near, rounded, x) + 0.0


def frame_of(names: tuple[str, ...], blend: tuple[str, ...], fill: str | None, written: Written) -> Frame:
    """The frame of the region that the rows leave. Raises StudyError when it is empty or without end."""
    k = len(names)
    low, high, terms = _box(written, k)
    shift, scale = _scaling(names, low, high, terms)
    rows = scaled_rows(written, shift, scale)
    wide = [i for i in range(len(written.b)) if np.count_nonzero(written.A[i]) != 1]
    wide_equal = [i for i in range(len(written.e)) if np.count_nonzero(written.E[i]) != 1]
    constant = [i for i in wide if not written.A[i].any() and rows.b[i] < -FLAT]
    constant_equal = [i for i in wide_equal if not written.E[i].any() and abs(rows.e[i]) > FLAT]
    if (low > high + FLAT * scale).any() or constant or constant_equal:
        raise nothing_left(written, rows, shift, scale)
    if not wide and len(wide_equal) <= 1:
        found = _by_sum(written, wide_equal, low, high, scale)
        if found is None:
            raise nothing_left(written, rows, shift, scale)
        point, tight = found
    else:
        deep = deepest(rows)
        if deep is None:
            raise nothing_left(written, rows, shift, scale)
        tight, y = (np.zeros(len(rows.b), dtype=bool), deep[0]) if deep[1] > FLAT else always_tight(rows)
        point = shift + scale * y
        low, high = _reach(rows, wide, wide_equal, written, low, high, shift, scale)
    equal = np.column_stack([written.E, written.e])
    pinned = np.column_stack([written.A, written.b])[tight]
    order = _eliminated_first(names, blend, fill)
    free, bound, constants, weights = _eliminate(np.concatenate([equal, pinned]), order, scale)
    sums = np.maximum(terms, scale)[bound]
    constants = _nice(constants, 8e-15 * sums, np.maximum(np.abs(constants), 1e-3 * sums))
    still = ~weights.any(axis=1)
    low, high = low.copy(), high.copy()
    low[np.array(bound, dtype=np.intp)[still]] = high[np.array(bound, dtype=np.intp)[still]] = constants[still]
    return _framed(written, free, bound, constants, weights, point, low, high, np.flatnonzero(tight))


def _box(written: Written, k: int) -> tuple[Array, Array, Array]:
    """Bounds of each column: those written, sharpened once by every other row (exact when there is only a total).

    The third array (k,) is the size of the sums that a bound was worked out from, which says how exact it can be.
    """
    low, high = np.full(k, -np.inf), np.full(k, np.inf)
    rows = [(a, b) for a, b in zip(written.A, written.b, strict=True)]
    for a, b in zip(written.E, written.e, strict=True):
        rows += [(a, b), (-a, -b)]
    for a, b in rows:
        if np.count_nonzero(a) == 1:
            j = int(np.flatnonzero(a)[0])
            if a[j] > 0:
                high[j] = min(high[j], b / a[j])
            else:
                low[j] = max(low[j], b / a[j])
    sharp_low, sharp_high, terms = low.copy(), high.copy(), np.zeros(k)
    for a, b in rows:
        used = np.flatnonzero(a)
        if used.size < 2:
            continue
        least = np.where(a[used] > 0, a[used] * low[used], a[used] * high[used])
        for place, j in enumerate(used.tolist()):
            others = np.delete(least, place)
            rest = b - others.sum()
            if not np.isfinite(rest):
                continue
            terms[j] = max(terms[j], np.abs([b, *others]).max() / abs(a[j]))
            if a[j] > 0:
                sharp_high[j] = min(sharp_high[j], rest / a[j])
            else:
                sharp_low[j] = max(sharp_low[j], rest / a[j])
    return sharp_low, sharp_high, terms


def _scaling(names: tuple[str, ...], low: Array, high: Array, terms: Array) -> tuple[Array, Array]:
    open_ended = [name for name, a, b in zip(names, low, high, strict=True) if not np.isfinite(b - a)]
    if open_ended:
        raise StudyError([_without_end(name) for name in open_ended])
    shift, scale = (low + high) / 2, np.abs(high - low) / 2
    size = np.maximum(np.abs(low), np.abs(high))
    flat = scale <= np.maximum(1e-12 * size, 4e-15 * terms)
    # A level of nothing but rounding has no size of its own: it is measured by the sums it came from.
    size = np.where(size > 1e-12 * terms, size, terms)
    scale[flat] = np.where(size[flat] > 0, size[flat], 1.0)
    return shift, scale


def _without_end(name: str) -> Problem:
    return Problem(
        "no-bounds", "stop", name, "no limit on one side", "a lowest and a highest level", "give low and high"
    )


def _by_sum(
    written: Written, equal: list[int], low: Array, high: Array, scale: Array
) -> tuple[Array, npt.NDArray[np.bool_]] | None:
    """A point and the rows always tight when there is at most one equality over several columns and no other limit."""
    middle = (low + high) / 2
    at = np.array([int(np.flatnonzero(row)[0]) for row in written.A], dtype=np.intp)
    # A column with all but no room of its own is on both its bounds everywhere.
    thin = (high - low <= FLAT * scale)[at]
    signs = written.A[np.arange(len(at)), at]
    near = np.abs(signs * middle[at] - written.b) <= FLAT * np.abs(signs) * scale[at]
    tight = thin & near
    if not equal:
        return middle, tight
    a, e = written.E[equal[0]], written.e[equal[0]]
    start, end = np.where(a < 0, high, low), np.where(a < 0, low, high)
    room = a @ (end - start)
    size = np.abs(a) @ scale
    if e < a @ start - FLAT * size or e > a @ end + FLAT * size:
        return None
    if room <= FLAT * size:
        # Everything is pinned: a bound written on a pinned column is one no point is off.
        return middle, near
    share = min(max((e - a @ start) / room, 0.0), 1.0)
    point = np.where(a != 0, start + share * (end - start), middle)
    return point, tight


def _reach(
    rows: Rows,
    wide: list[int],
    wide_equal: list[int],
    written: Written,
    low: Array,
    high: Array,
    shift: Array,
    scale: Array,
) -> tuple[Array, Array]:
    """The true reach of each column, by linear programming where a row couples it to others."""
    coupled = written.A[wide].any(axis=0) | written.E[wide_equal].any(axis=0)
    low, high = low.copy(), high.copy()
    way = np.zeros(len(low))
    for j in np.flatnonzero(coupled):
        way[j] = 1.0
        try:
            most, least = extent(rows, way), -extent(rows, -way)
        except UnboundedError:
            raise StudyError([_without_end(f"column {j + 1}")]) from None
        way[j] = 0.0
        # Written bounds are kept to the last digit where the programme only just misses them.
        high[j] = high[j] if most > (high[j] - shift[j]) / scale[j] - FLAT else shift[j] + scale[j] * most
        low[j] = low[j] if least < (low[j] - shift[j]) / scale[j] + FLAT else shift[j] + scale[j] * least
    size = np.maximum(np.maximum(np.abs(low), np.abs(high)), scale)
    return _nice(low[None], 1e-12 * scale, size)[0], _nice(high[None], 1e-12 * scale, size)[0]


def _eliminated_first(names: tuple[str, ...], blend: tuple[str, ...], fill: str | None) -> list[int]:
    """Columns in the order in which they are left to follow: the fill, blend variables from the last, then factors."""
    place = {name: j for j, name in enumerate(names)}
    mixed = sorted((place[name] for name in blend), reverse=True)
    others = sorted((j for j in range(len(names)) if j not in set(mixed)), reverse=True)
    first = [place[fill]] if fill in place else []
    return first + [j for j in mixed if j not in first] + others


def _eliminate(system: Array, order: list[int], scale: Array) -> tuple[list[int], list[int], Array, Array]:
    """Solves equalities [E | e] (n, k + 1) for the earliest columns of `order` that they can be solved for."""
    work = system.copy()
    k = len(scale)
    pivots: list[tuple[int, int]] = []
    waiting = list(range(len(work)))
    for j in order:
        if not waiting:
            break
        length = np.linalg.norm(work[waiting][:, :k] * scale, axis=1)
        share = np.abs(work[waiting, j]) * scale[j] / np.where(length > 0, length, 1.0)
        # A row that rounding has all but emptied says nothing more.
        share[length <= 1e-10 * np.linalg.norm(system[waiting][:, :k] * scale, axis=1)] = 0.0
        best = int(np.argmax(share))
        if share[best] <= FLAT:
            continue
        row = waiting.pop(best)
        work[row] /= work[row, j]
        for other in range(len(work)):
            if other != row and work[other, j] != 0.0:
                work[other] -= work[other, j] * work[row]
                work[other, j] = 0.0
        pivots.append((j, row))
    pivots.sort()
    bound = [j for j, _ in pivots]
    free = [j for j in range(k) if j not in bound]
    solved = work[[row for _, row in pivots]]
    weights = -solved[:, free] + 0.0
    # What elimination leaves of a zero would couple columns that have nothing to do with each other.
    weights[np.abs(weights) * scale[free] <= 1e-13 * scale[bound][:, None]] = 0.0
    return free, bound, solved[:, k], weights


def _framed(
    written: Written,
    free: list[int],
    bound: list[int],
    constant: Array,
    weights: Array,
    point: Array,
    low: Array,
    high: Array,
    tight: Indices,
) -> Frame:
    """The frame with its `free` columns, the `bound` ones being constant + weights @ free levels.

    `point` (k,) lies inside; rows `tight` hold as equalities and are left out of G.
    """
    k, d = len(low), len(free)
    middle, half = (low[free] + high[free]) / 2, (high[free] - low[free]) / 2
    origin, spread = np.zeros(k), np.zeros((k, d))
    origin[free] = middle
    spread[free, np.arange(d)] = half
    origin[bound] = constant + weights @ middle
    spread[bound] = weights * half
    loose = np.setdiff1d(np.arange(len(written.b)), tight)
    G, h = written.A[loose] @ spread, written.b[loose] - written.A[loose] @ origin
    G, h = _needed(G, h, np.abs(written.A[loose]) @ np.maximum(np.abs(low), np.abs(high)))
    parts = _parts(G, d)
    inside = (point[free] - middle) / half
    arrays = (constant, weights, middle, half, origin, spread, low.copy(), high.copy(), inside, G, h)
    for array in arrays:
        array.setflags(write=False)
    return Frame(tuple(free), tuple(bound), *arrays, parts, tight)


def _needed(G: Array, h: Array, size: Array) -> tuple[Array, Array]:
    """Rows of unit length, without those that are empty, out of reach everywhere, or said before."""
    length = np.linalg.norm(G, axis=1)
    real = length > 1e-11 * np.maximum(size, 1e-300)
    G, h = G[real] / length[real, None], h[real] / length[real]
    G[np.abs(G) < 1e-13] = 0.0
    near = np.abs(G).sum(axis=1) >= h - 1e-9
    G, h = G[near], h[near]
    if len(G):
        _, first = np.unique(np.round(np.column_stack([G, h]), 9) + 0.0, axis=0, return_index=True)
        keep = np.sort(first)
        G, h = G[keep], h[keep]
    return G, h


def _parts(G: Array, d: int) -> tuple[tuple[int, ...], ...]:
    """Groups of coordinates that rows couple, in the order of their first."""
    group = list(range(d))
    for row in G:
        used = np.flatnonzero(row)
        for j in used[1:]:
            old, new = group[j], group[used[0]]
            group = [new if g == old else g for g in group]
    return tuple(tuple(j for j in range(d) if group[j] == g) for g in dict.fromkeys(group))
