"""A proven upper bound of a variance function over a polytope, by Bernstein coefficients on simplices.

On a simplex with barycentric coordinates L, a polynomial of degree n is
sum over |a| = n of n!/a! L^a b_a, and lies between the least and the greatest of its coefficients b_a. Splitting a
simplex at the middle of an edge gives the coefficients of both halves as fixed averages of the old ones. (Standard
results on the Bernstein form, for instance Farin 1986, Computer Aided Geometric Design 3, 83-127; from memory.)

A level is proven when every piece has all coefficients below it. Pieces are looked at depth first, so that memory
stays small, many at once, in single precision where its rounding is small against the level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement
from math import comb, factorial, prod
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Reals = npt.NDArray[Any]

_FIRST = 256  # simplices begun with at a time
_BATCH = 1024  # cells worked out at a time
_DEEPEST = 64  # halvings of a cell
_ROUNDING = 1e-4  # of the level: single precision is used where rounding stays below


@dataclass(frozen=True, slots=True)
class Search:
    """What became of an attempt to prove that nothing exceeds a level.

    `closed`: nothing exceeds `upper` (the level, and what rounding may hide). `seen` is the greatest value met, at
    `place` (d,). `work` counts multiplications.
    """

    closed: bool
    upper: float
    seen: float
    place: Array
    work: float


@lru_cache(maxsize=32)
def _exponents(corners: int, degree: int) -> Indices:
    """All exponents a with |a| = degree, shape (count, corners)."""
    rows = []
    for chosen in combinations_with_replacement(range(corners), degree):
        row = [0] * corners
        for i in chosen:
            row[i] += 1
        rows.append(row)
    return np.array(rows, dtype=np.intp).reshape(-1, corners)


def _place(corners: int, degree: int) -> dict[tuple[int, ...], int]:
    return {tuple(int(v) for v in row): i for i, row in enumerate(_exponents(corners, degree))}


def _multinomial(exponent: npt.ArrayLike) -> float:
    powers = [int(v) for v in np.asarray(exponent)]
    return factorial(sum(powers)) / prod(factorial(v) for v in powers)


@lru_cache(maxsize=32)
def _interpolation(corners: int, degree: int) -> Array:
    """Maps values at the lattice points a/degree to Bernstein coefficients."""
    a = _exponents(corners, degree)
    points = a / degree
    basis = np.array([[_multinomial(e) * np.prod(x**e) for e in a] for x in points])
    return np.linalg.inv(basis)


@lru_cache(maxsize=32)
def _products(corners: int, degree: int) -> Array:
    """Maps the products of two sets of coefficients of degree n to coefficients of degree 2n, shape (m * m, m2)."""
    a = _exponents(corners, degree)
    where = _place(corners, 2 * degree)
    out = np.zeros((len(a), len(a), len(where)))
    for i, left in enumerate(a):
        for j, right in enumerate(a):
            total = left + right
            weight = _multinomial(left) * _multinomial(right) / _multinomial(total)
            out[i, j, where[tuple(int(v) for v in total)]] = weight
    return out.reshape(len(a) ** 2, -1)


@lru_cache(maxsize=32)
def _halves(corners: int, degree: int, kind: str) -> Reals:
    """For each edge (i, j): the maps to the half that keeps i and the half that keeps j, shape (edges, 2, m, m).

    Rows of coefficients are multiplied by them from the left.
    """
    a = _exponents(corners, degree)
    where = _place(corners, degree)
    edges = list(_edges(corners))
    maps = np.zeros((len(edges), 2, len(a), len(a)))
    for e, (i, j) in enumerate(edges):
        for side, (keep, moved) in enumerate(((i, j), (j, i))):
            for row, exponent in enumerate(a):
                n = int(exponent[moved])
                for k in range(n + 1):
                    source = exponent.copy()
                    source[moved] -= k
                    source[keep] += k
                    maps[e, side, where[tuple(int(v) for v in source)], row] += comb(n, k) / 2.0**n
    return maps.astype(kind)


@lru_cache(maxsize=32)
def _edges(corners: int) -> tuple[tuple[int, int], ...]:
    return tuple((i, j) for i in range(corners) for j in range(i + 1, corners))


@lru_cache(maxsize=32)
def _bends(corners: int, degree: int) -> Indices:
    """Indices of the second differences along each edge, shape (edges, lower exponents, 3)."""
    lower = _exponents(corners, degree - 2)
    where = _place(corners, degree)
    out = np.empty((len(_edges(corners)), len(lower), 3), dtype=np.intp)
    for e, (i, j) in enumerate(_edges(corners)):
        for row, exponent in enumerate(lower):
            for k, (di, dj) in enumerate(((2, 0), (1, 1), (0, 2))):
                moved = exponent.copy()
                moved[i] += di
                moved[j] += dj
                out[e, row, k] = where[tuple(int(v) for v in moved)]
    return out


def _coefficients(simplices: Array, model: Callable[[Array], Array], q: Array, degree: int) -> Array:
    """Bernstein coefficients of f'Qf on each simplex, shape (s, m); f has the given degree."""
    s, corners, d = simplices.shape
    lattice = _exponents(corners, degree) / degree
    points = np.einsum("mc,scd->smd", lattice, simplices).reshape(-1, d)
    values = model(points).reshape(s, len(lattice), -1)
    shape = np.einsum("ab,sbp->sap", _interpolation(corners, degree), values)
    gram = np.einsum("sap,pq,sbq->sab", shape, q, shape, optimize=True)
    coefficients: Array = gram.reshape(s, -1) @ _products(corners, degree)
    return coefficients


@dataclass(slots=True)
class _Cells:
    """Pieces on their way: coefficients (c, m), corners (c, d + 1, d), and how often each was split."""

    b: Reals
    corners: Reals
    depth: npt.NDArray[np.int16]

    def take(self, which: Any) -> _Cells:
        return _Cells(self.b[which], self.corners[which], self.depth[which])


def _joined(parts: list[_Cells]) -> _Cells:
    if len(parts) == 1:
        return parts[0]
    return _Cells(*(np.concatenate([getattr(p, name) for p in parts]) for name in ("b", "corners", "depth")))


def _split(cells: _Cells, degree: int) -> _Cells:
    """Both halves of each cell, cut at the middle of the edge along which it bends most."""
    count, corners, d = cells.corners.shape
    bends = _bends(corners, degree)
    across = np.ascontiguousarray(cells.b.T)
    second = across[bends[..., 0].ravel()] + across[bends[..., 2].ravel()] - 2 * across[bends[..., 1].ravel()]
    edge = np.abs(second).reshape(*bends.shape[:2], count).max(axis=1).argmax(axis=0)
    order = np.argsort(edge, kind="stable")
    ends = np.searchsorted(edge[order], np.arange(len(bends) + 1))
    maps = _halves(corners, degree, cells.b.dtype.str)
    b, places = cells.b[order], cells.corners[order]
    children = np.empty((2, *b.shape), dtype=b.dtype)
    halved = np.stack([places, places])
    for e, (i, j) in enumerate(_edges(corners)):
        here = slice(ends[e], ends[e + 1])
        if here.start == here.stop:
            continue
        np.matmul(b[here], maps[e, 0], out=children[0, here])
        np.matmul(b[here], maps[e, 1], out=children[1, here])
        middle = (places[here, i] + places[here, j]) / 2
        halved[0, here, j] = middle
        halved[1, here, i] = middle
    depth = np.tile(cells.depth[order] + np.int16(1), 2)
    return _Cells(children.reshape(2 * count, -1), halved.reshape(2 * count, corners, d), depth)


def _tips(corners: int, degree: int) -> Indices:
    """Where the coefficients stand that are the values at the corners."""
    where = _place(corners, degree)
    return np.array([where[tuple(degree * (i == c) for i in range(corners))] for c in range(corners)], dtype=np.intp)


@dataclass(slots=True)
class _Seen:
    """The greatest value met so far and where; multiplications used up."""

    value: float
    place: Array
    work: float

    def look(self, values: Reals, corners: Reals) -> None:
        if values.max(initial=-np.inf) > self.value:
            self.value = float(values.max())
            self.place = corners.reshape(-1, corners.shape[-1])[values.argmax()].astype(np.float64)


def search(
    simplices: Array, model: Callable[[Array], Array], q: Array, *, degree: int, level: float, most_work: float
) -> Search:
    """Try to prove that f(x)' Q f(x) is at most `level` in all of `simplices` (s, d + 1, d).

    `model` maps points (n, d) to model rows (n, p) whose entries are polynomials of at most `degree`; `q` (p, p) is
    symmetric. Stops at the first value above the level, or when `most_work` multiplications are used up. The answer
    depends on nothing else.

    Rounding: each split averages at most 2 degree + 1 coefficients and no piece is split more than 64 times, so a
    coefficient is off by at most 64 (2 degree + 2) unit roundings of the greatest one. That is added to `upper`.
    """
    full, tips = 2 * degree, _tips(simplices.shape[1], 2 * degree)
    seen = _Seen(-np.inf, simplices[0, 0], 0.0)
    slack, closed = 0.0, True
    for start in range(0, len(simplices), _FIRST):
        corners = simplices[start : start + _FIRST]
        b = _coefficients(corners, model, q, degree)
        seen.look(b[:, tips], corners)
        seen.work += b.size * len(q)
        alive = b.max(axis=1) > level
        rounding = _DEEPEST * (full + 2) * float(np.abs(b[alive]).max(initial=0.0)) / 2
        kind = np.float32 if rounding * np.finfo(np.float32).eps < _ROUNDING * level else np.float64
        slack = max(slack, rounding * float(np.finfo(kind).eps))
        first = _Cells(b[alive].astype(kind), corners[alive].astype(kind), np.zeros(int(alive.sum()), dtype=np.int16))
        closed = _descended(first, full, tips, level, most_work, seen)
        if not closed:
            break
    return Search(closed, level + slack if closed else np.inf, seen.value, seen.place, seen.work)


def _descended(first: _Cells, degree: int, tips: Indices, level: float, most_work: float, seen: _Seen) -> bool:
    """Whether all pieces of `first` could be shown to stay below `level`."""
    stack = [first]
    while stack:
        cells = stack.pop()
        while stack and len(cells.b) < _BATCH:
            cells = _joined([cells, stack.pop()])
        if len(cells.b) > _BATCH:
            stack.append(cells.take(slice(_BATCH, None)))
            cells = cells.take(slice(0, _BATCH))
        if seen.value > level or seen.work > most_work or cells.depth.max(initial=0) >= _DEEPEST:
            return False
        if not len(cells.b):
            continue
        children = _split(cells, degree)
        seen.work += children.b.size * children.b.shape[1]
        seen.look(children.b[:, tips], children.corners)
        children = children.take(children.b.max(axis=1) > level)
        if len(children.b):
            stack.append(children)
    return seen.value <= level
