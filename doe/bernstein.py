"""A proven upper bound of a variance function over a polytope, by Bernstein coefficients on simplices.

On a simplex with barycentric coordinates L, a polynomial of degree n is
sum over |a| = n of n!/a! L^a b_a, and lies between the least and the greatest of its coefficients b_a. Splitting a
simplex at the middle of an edge gives the coefficients of both halves as fixed averages of the old ones. (Standard
results on the Bernstein form, for instance Farin 1986, Computer Aided Geometric Design 3, 83-127; from memory.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement
from math import comb, factorial, prod

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, Delaunay

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_BATCH = 256


@dataclass(frozen=True, slots=True)
class Bound:
    """A bracket of the maximum: `seen` is reached somewhere, nothing exceeds `upper`; `cells` were looked at."""

    seen: float
    upper: float
    cells: int


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
def _halves(corners: int, degree: int) -> Array:
    """For each edge (i, j): the maps to the half that keeps i and the half that keeps j, shape (edges, 2, m, m)."""
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
                    maps[e, side, row, where[tuple(int(v) for v in source)]] += comb(n, k) / 2.0**n
    return maps


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


def triangulate(vertices: Array) -> Array:
    """Simplices that fill the hull of `vertices` (v, d) without gaps, shape (s, d+1, d).

    Raises ArithmeticError when the pieces do not add up to the whole volume, so that no proof rests on a gap.
    """
    dimension = vertices.shape[1]
    if dimension == 1:
        return np.array([[[vertices.min()], [vertices.max()]]])
    pieces = vertices[Delaunay(vertices, qhull_options="Qbb Qc Qz Qt Q12").simplices]
    volume = np.abs(np.linalg.det(pieces[:, 1:] - pieces[:, :1])) / factorial(dimension)
    whole = float(ConvexHull(vertices).volume)
    if abs(volume.sum() - whole) > 1e-9 * whole:
        raise ArithmeticError("the simplices do not fill the region")
    kept: Array = pieces[volume > 1e-14 * whole]
    return kept


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


def _split(cells: Array, corners: int, degree: int) -> Array:
    """Both halves of each cell, cut at the middle of the edge along which it bends most."""
    bends = cells[:, _bends(corners, degree)]
    second = np.abs(bends[..., 0] - 2 * bends[..., 1] + bends[..., 2]).max(axis=-1)
    edge = second.argmax(axis=1)
    maps = _halves(corners, degree)
    children = np.empty((2, *cells.shape))
    for e in np.unique(edge):
        here = edge == e
        children[0, here] = cells[here] @ maps[e, 0].T
        children[1, here] = cells[here] @ maps[e, 1].T
    return children.reshape(-1, cells.shape[1])


def upper_bound(
    vertices: Array,
    model: Callable[[Array], Array],
    q: Array,
    *,
    degree: int,
    tolerance: float = 0.003,
    most_cells: int = 40_000,
) -> Bound:
    """Bracket the maximum of f(x)' Q f(x) over the hull of `vertices`.

    `vertices` (v, d) span a full-dimensional polytope; `model` maps points (n, d) to model rows (n, p) whose
    entries are polynomials of at most `degree`; `q` (p, p) is symmetric. Stops when upper <= (1 + tolerance) *
    seen or after `most_cells` cells; the bound holds whenever it stops. Cells are split best first, in batches,
    and ties go by index, so that the answer depends on nothing else.
    """
    simplices = triangulate(vertices)
    corners = simplices.shape[1]
    cells = _coefficients(simplices, model, q, degree)
    full = 2 * degree
    tips = np.array(
        [_place(corners, full)[tuple(full if i == c else 0 for i in range(corners))] for c in range(corners)]
    )
    seen = float(cells[:, tips].max())
    bound = cells.max(axis=1)
    looked = len(cells)
    while len(cells) and bound.max() > seen * (1 + tolerance) and looked < most_cells:
        order = np.argsort(-bound, kind="stable")
        worst, rest = order[:_BATCH], order[_BATCH:]
        children = _split(cells[worst], corners, full)
        looked += len(children)
        seen = max(seen, float(children[:, tips].max()))
        cells = np.concatenate([cells[rest], children])
        bound = np.concatenate([bound[rest], children.max(axis=1)])
        alive = bound > seen * (1 + tolerance)
        cells, bound = cells[alive], bound[alive]
    upper = max(float(bound.max()), seen * (1 + tolerance)) if len(bound) else seen * (1 + tolerance)
    return Bound(seen=seen, upper=upper, cells=looked)


def moments(simplices: Array, model: Callable[[Array], Array], *, degree: int) -> Array:
    """The average of f f' over `simplices` (s, d+1, d), exact for model entries of at most `degree`, (p, p).

    The integral of a polynomial over a simplex is its volume times the mean of its Bernstein coefficients.
    """
    s, corners, d = simplices.shape
    if d == 0:
        row = model(np.zeros((1, 0)))
        return row.T @ row
    lattice = _exponents(corners, degree) / degree
    values = model(np.einsum("mc,scd->smd", lattice, simplices).reshape(-1, d)).reshape(s, len(lattice), -1)
    shape = np.einsum("ab,sbp->sap", _interpolation(corners, degree), values)
    m = len(lattice)
    inner = _products(corners, degree).mean(axis=1).reshape(m, m)
    volume = np.abs(np.linalg.det(simplices[:, 1:] - simplices[:, :1]))
    average: Array = np.einsum("s,sap,ab,sbq->pq", volume / volume.sum(), shape, inner, shape, optimize=True)
    return (average + average.T) / 2
