"""Corners, edges and faces of a bounded, full-dimensional polytope {u : G u <= h}. Pure geometry on arrays.

Corners are found by the double description method (Motzkin, Raiffa, Thompson & Thrall 1953, in Contributions to the
Theory of Games II, 51-73): start from a box, cut it by one half-space after another, and keep the graph of edges.
A cut only makes corners on edges that cross it. Two corners of the new facet are joined when no third one lies on
every row they share (Fukuda & Prodon 1996, Double description method revisited; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

TOLERANCE = 1e-9  # in coordinates -1..+1
_CHUNK = 1024  # corners compared at a time, to spare memory
_BOX = 12  # dimensions up to which the search begins with a box, which has 2^d corners
_MOST_POINTS = 40_000  # corners in hand on the way
_MOST_ON_FACE = 8_000  # corners on one new face


class TooManyError(ArithmeticError):
    """More corners than can be found in a moment; `seen` so many had been met."""

    def __init__(self, seen: int) -> None:
        super().__init__(f"more than {seen} corners")
        self.seen = seen


@dataclass(frozen=True, slots=True)
class Corners:
    """Corners of a polytope: `points` (v, d), which rows each lies on `tight` (v, m), and `edges` (e, 2)."""

    points: Array
    tight: Flags
    edges: Indices


@dataclass(slots=True)
class _Cutting:
    """The polytope while it is being cut."""

    points: Array
    tight: Flags
    edges: Indices


def corners(G: Array, h: Array) -> Corners:
    """All corners of {u : G u <= h}, which must be full-dimensional and lie within -1..+1 in every coordinate.

    G (m, d) has rows of unit length, h (m,). Coordinates outside -1..+1 must be cut off by the rows. Corners come in
    lexicographic order, edges in order of their ends. Raises TooManyError where there are too many to find.
    """
    d = G.shape[1]
    if d == 0:
        return Corners(np.zeros((1, 0)), np.zeros((1, len(h)), dtype=bool), np.zeros((0, 2), dtype=np.intp))
    state, done = _start(G, h) if d <= _BOX else _simplex(G, h)
    waiting = [i for i in range(len(h)) if i not in done]
    while waiting:
        over = state.points @ G[waiting].T - h[waiting]
        cut_off = (over > TOLERANCE).sum(axis=0)
        # The row that cuts most goes first: it keeps the corners few while the work is done.
        best = int(np.argmax(cut_off))
        if cut_off[best] == 0:
            break
        row = waiting.pop(best)
        _cut(state, over[:, best], row)
        if len(state.points) > _MOST_POINTS:
            raise TooManyError(len(state.points))
    return _tidy(state, G, h)


def _start(G: Array, h: Array) -> tuple[_Cutting, set[int]]:
    """The box to cut: faces at -1 and +1 where a row says so, well outside where none does."""
    m, d = G.shape
    done: set[int] = set()
    faces = np.zeros((d, 2), dtype=np.intp)
    places = np.zeros((d, 2))
    extra = m
    for j in range(d):
        for side, sign in enumerate((-1.0, 1.0)):
            row = _bound_row(G, h, j, sign)
            if row is None:
                faces[j, side], places[j, side] = extra, 2.0 * sign
                extra += 1
            else:
                faces[j, side], places[j, side] = row, sign * h[row]
                done.add(row)
    signs = np.array(list(product((0, 1), repeat=d)), dtype=np.intp)
    columns = np.arange(d)
    tight = np.zeros((len(signs), extra), dtype=bool)
    for j in range(d):
        tight[np.arange(len(signs)), faces[j, signs[:, j]]] = True
    order = np.arange(len(signs))
    pairs = [(order[signs[:, j] == 0], order[signs[:, j] == 0] + 2 ** (d - 1 - j)) for j in range(d)]
    edges = np.concatenate([np.column_stack(p) for p in pairs]).astype(np.intp)
    return _Cutting(places[columns, signs], tight, edges), done


def _simplex(G: Array, h: Array) -> tuple[_Cutting, set[int]]:
    """A simplex to cut, for many dimensions, where a box has too many corners: the lower faces, and one across.

    The one across lies outside everything, so that all its corners are cut off.
    """
    m, d = G.shape
    lower = [_bound_row(G, h, j, -1.0) for j in range(d)]
    places = np.array([-2.0 if row is None else -h[row] for row in lower])
    across = m + d
    far = d + 1.0 - places.sum()
    points = np.vstack([places, places + far * np.eye(d)])
    tight = np.zeros((d + 1, m + d + 1), dtype=bool)
    for j, row in enumerate(lower):
        tight[:, m + j if row is None else row] = np.arange(d + 1) != j + 1
    tight[1:, across] = True
    edges = np.column_stack(np.triu_indices(d + 1, k=1)).astype(np.intp)
    return _Cutting(points, tight, edges), {row for row in lower if row is not None}


def _bound_row(G: Array, h: Array, j: int, sign: float) -> int | None:
    """The first row that says sign * u_j <= 1, if there is one."""
    hit = np.flatnonzero((np.abs(G[:, j] - sign) <= 1e-12) & (np.abs(h - 1.0) <= 1e-7))
    return int(hit[0]) if hit.size else None


def _cut(state: _Cutting, over: Array, row: int) -> None:
    """Keeps the part of the polytope where `over` (v,) is not positive."""
    d = state.points.shape[1]
    out = over > TOLERANCE
    on = np.abs(over) <= TOLERANCE
    inside = ~out & ~on
    a, b = state.edges[:, 0], state.edges[:, 1]
    crossing = (inside[a] & out[b]) | (out[a] & inside[b])
    first, second = a[crossing], b[crossing]
    share = (over[first] / (over[first] - over[second]))[:, None]
    new_points = state.points[first] * (1.0 - share) + state.points[second] * share
    new_tight = state.tight[first] & state.tight[second]
    new_tight[:, row] = True
    state.tight[on, row] = True
    kept = np.flatnonzero(~out)
    place = np.full(len(out), -1, dtype=np.intp)
    place[kept] = np.arange(kept.size)
    stays = ~out[a] & ~out[b] & ~(on[a] & on[b])
    n_new = len(new_points)
    # A crossing edge lives on between its inner end and its new corner.
    inner = np.where(inside[first], first, second)
    shortened = np.column_stack([place[inner], kept.size + np.arange(n_new)])
    facet = np.concatenate([place[np.flatnonzero(on)], kept.size + np.arange(n_new)])
    if len(facet) > _MOST_ON_FACE:
        raise TooManyError(len(kept) + n_new)
    state.points = np.concatenate([state.points[kept], new_points])
    state.tight = np.concatenate([state.tight[kept], new_tight])
    within = facet[corner_pairs(state.tight[facet], d)]
    state.edges = np.concatenate([place[state.edges[stays]], shortened, within]).astype(np.intp)


def corner_pairs(tight: Flags, d: int) -> Indices:
    """Pairs of corners (e, 2) that an edge joins, from the rows each lies on; `tight` (v, m), dimension d."""
    weight = tight.astype(np.float32)
    rows = weight.sum(axis=1)
    found = []
    for start in range(0, len(tight), _CHUNK):
        shared = weight[start : start + _CHUNK] @ weight[start:].T
        i, j = np.nonzero(shared >= d - 1)
        forward = j > i
        i, j = i[forward] + start, j[forward] + start
        doubtful = (rows[i] > d) | (rows[j] > d)
        sure = ~doubtful
        if doubtful.any():
            sure[doubtful] = _alone(weight, tight[i[doubtful]] & tight[j[doubtful]])
        found.append(np.column_stack([i[sure], j[sure]]))
    return np.concatenate(found).astype(np.intp) if found else np.zeros((0, 2), dtype=np.intp)


def _alone(weight: npt.NDArray[np.float32], shared: Flags) -> Flags:
    """For each set of shared rows (c, m): whether exactly two corners lie on all of them."""
    out = np.zeros(len(shared), dtype=bool)
    for start in range(0, len(shared), _CHUNK):
        part = shared[start : start + _CHUNK].astype(np.float32)
        out[start : start + _CHUNK] = (part @ weight.T >= part.sum(axis=1)[:, None] - 0.5).sum(axis=1) == 2
    return out


def _tidy(state: _Cutting, G: Array, h: Array) -> Corners:
    """Solves each corner again from its rows, merges equal ones, and puts all in order."""
    tight = np.abs(state.points @ G.T - h) <= 10 * TOLERANCE
    points = solved(state.points, tight, G, h)
    rounded = np.round(points, 9) + 0.0
    order = np.lexsort(rounded.T[::-1])
    step = np.abs(np.diff(rounded[order], axis=0)).max(axis=1) > 5e-9
    group = np.concatenate([[0], np.cumsum(step)]).astype(np.intp)
    place = np.empty(len(points), dtype=np.intp)
    place[order] = group
    first = order[np.concatenate([[True], step])]
    ends = np.sort(place[state.edges], axis=1)
    edges = np.unique(ends[ends[:, 0] != ends[:, 1]], axis=0)
    return Corners(points[first], tight[first], edges.astype(np.intp))


def solved(points: Array, tight: Flags, G: Array, h: Array) -> Array:
    """The points (v, d) solved anew from the rows they lie on, `tight` (v, m), so that rounding leaves no trace."""
    d = points.shape[1]
    out = points.copy()
    counts = tight.sum(axis=1)
    simple = np.flatnonzero(counts == d)
    if simple.size:
        rows = np.nonzero(tight[simple])[1].reshape(-1, d)
        out[simple] = np.linalg.solve(G[rows], h[rows][..., None])[..., 0]
    for i in np.flatnonzero(counts > d):
        out[i] = np.linalg.lstsq(G[tight[i]], h[tight[i]], rcond=None)[0]
    return out


def faces(found: Corners, dimension: int) -> list[tuple[int, ...]]:
    """The faces of one dimension, each as the indices of its corners, in order.

    Faces are the intersections of facets; those of a face F are its largest proper intersections with facets.
    """
    v, d = found.points.shape
    if dimension == 0:
        return [(i,) for i in range(v)]
    if dimension == 1:
        return [(int(i), int(j)) for i, j in found.edges]
    level = {(1 << v) - 1}
    facets = _largest({_mask(column) for column in found.tight.T if column.any() and not column.all()})
    for _ in range(d - dimension):
        level = {part for face in level for part in _largest({face & f for f in facets if 0 != face & f != face})}
    return sorted(_members(face) for face in level)


def _mask(column: Flags) -> int:
    return sum(1 << int(i) for i in np.flatnonzero(column))


def _members(mask: int) -> tuple[int, ...]:
    return tuple(i for i in range(mask.bit_length()) if mask >> i & 1)


def _largest(masks: set[int]) -> list[int]:
    """Those sets that lie in no other one."""
    kept: list[int] = []
    for mask in sorted(masks, key=lambda m: (-m.bit_count(), m)):
        if all(mask & other != mask for other in kept):
            kept.append(mask)
    return kept


def centroids(found: Corners, dimension: int) -> Array:
    """Means of the corners of each face of one dimension, (f, d)."""
    if dimension > found.points.shape[1] or dimension < 0:
        return np.zeros((0, found.points.shape[1]))
    return np.array([found.points[list(face)].mean(axis=0) for face in faces(found, dimension)])


def cross(parts: Sequence[Array]) -> Array:
    """All combinations of the rows of arrays (n_i, d_i) side by side, (product n_i, sum d_i); the last goes fastest."""
    total = np.zeros((1, 0))
    for part in parts:
        total = np.column_stack([np.repeat(total, len(part), axis=0), np.tile(part, (len(total), 1))])
    return total


def fan(found: Corners, most: int) -> Indices | None:
    """Simplices (s, d + 1) of corners that fill the polytope; None when there would be more than `most`.

    Pulling: each face is the cone from its first corner over those of its own facets that miss it. Every face is cut
    up the same way wherever it is met, so the pieces fit.
    """
    v, d = found.points.shape
    if v > 2000 or d > 9:
        return None
    facets = _largest({_mask(column) for column in found.tight.T if column.any() and not column.all()})
    below: dict[int, list[int]] = {}
    counts: dict[int, int] = {}

    def count(face: int, dimension: int) -> int:
        if dimension == 0:
            return 1
        if face not in counts:
            first = face & -face
            parts = _largest({face & f for f in facets if 0 != face & f != face})
            below[face] = [part for part in parts if not part & first]
            counts[face] = sum(count(part, dimension - 1) for part in below[face])
        return counts[face]

    if count((1 << v) - 1, d) > most:
        return None
    cut: dict[int, Indices] = {}

    def cells(face: int) -> Indices:
        first = (face & -face).bit_length() - 1
        if face not in below:
            return np.array([[first]], dtype=np.intp)
        if face not in cut:
            rest = np.concatenate([cells(part) for part in below[face]])
            cut[face] = np.column_stack([np.full(len(rest), first, dtype=np.intp), rest])
        return cut[face]

    return cells((1 << v) - 1)
