"""Upper bounds of many quadratics over boxes cut by common linear limits: a relaxation that needs no search.

A quadratic g't + t'B t / 2 over |t| <= w is at most a sum of one-dimensional ones, with curvatures D, B <= diag D.
Limits enter with multipliers: any that are not negative give a bound, good ones a close one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_ROWS_TRIED = 3
_HALVINGS = 12


def highest(g: Array, B: Array, w: Array, G: Array | None = None, room: Array | None = None) -> tuple[Array, Array]:
    """Upper bounds (n,) of g't + t'Bt/2 over |t| <= w and G t <= room, and about where (n, d) they are reached.

    g, w (n, d), B (n, d, d), G (m, d), room (n, m).
    """
    n, d = g.shape
    if not d:
        return np.zeros(n), np.zeros((n, 0))
    first, second = _diagonals(B, w)
    value, place = _separable(g, first, w, G, room)
    other, there = _separable(g, second, w, G, room)
    better = other < value
    return np.where(better, other, value), np.where(better[:, None], there, place)


def _diagonals(B: Array, w: Array) -> tuple[Array, Array]:
    """Curvatures D (n, d) with B <= diag D over the box: by sums of rows, and by an eigenvalue."""
    d = w.shape[1]
    diagonal = np.einsum("nii->ni", B)
    wide = np.maximum(w, 1e-12)
    scaled = B * wide[:, :, None] * wide[:, None, :]
    off = scaled - np.einsum("ni,ij->nij", np.einsum("nii->ni", scaled), np.eye(d))
    sums: Array = diagonal + np.abs(off).sum(axis=2) / wide**2
    if d == 1:
        return sums, sums
    top = np.linalg.eigvalsh(off)[:, -1:]
    # Rounding of the eigenvalue is far below this share of its matrix.
    top = top + 1e-12 * np.abs(off).sum(axis=(1, 2))[:, None]
    return sums, diagonal + top / wide**2


def _separable(g: Array, D: Array, w: Array, G: Array | None, room: Array | None) -> tuple[Array, Array]:
    """The bound with curvatures D, the worst few limits taken in one after another."""
    value, t = _peak(g, D, w)
    if G is None or room is None or not len(G):
        return value, t
    slope = g.copy()
    fixed = np.zeros(len(g))
    cuts = np.abs(w) @ np.abs(G).T > room
    for _ in range(_ROWS_TRIED):
        over = np.where(cuts, t @ G.T - room, -np.inf)
        worst = over.argmax(axis=1)
        rows = np.flatnonzero(over[np.arange(len(g)), worst] > 1e-9)
        if not len(rows):
            break
        normal, left = G[worst[rows]], room[rows, worst[rows]]
        price = _price(slope[rows], D[rows], w[rows], normal, left)
        slope[rows] -= price[:, None] * normal
        fixed[rows] += price * left
        found, at = _peak(slope[rows], D[rows], w[rows])
        value[rows] = np.minimum(value[rows], found + fixed[rows])
        t[rows] = at
    return value, t


def _price(g: Array, D: Array, w: Array, normal: Array, left: Array) -> Array:
    """The multiplier (n,) of one limit normal't <= left that brings the bound about lowest."""
    high = np.abs(g).sum(axis=1) + (np.abs(D) * w).sum(axis=1)
    high = 2 * high / np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    low = np.zeros(len(g))
    for _ in range(_HALVINGS * 2):
        middle = 0.5 * (low + high)
        _, t = _peak(g - middle[:, None] * normal, D, w)
        over = np.einsum("nd,nd->n", normal, t) > left
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return np.asarray(high, dtype=float)


def _peak(g: Array, D: Array, w: Array) -> tuple[Array, Array]:
    """The greatest g't + t'diag(D)t/2 over |t| <= w, (n,), and where, (n, d)."""
    end = np.where(g >= 0, w, -w)
    bends = D < 0
    inner = -g / np.where(bends, D, -1.0)
    t = np.where(bends & (np.abs(inner) < w), inner, end)
    value: Array = (g * t + 0.5 * D * t * t).sum(axis=1)
    return value, t
