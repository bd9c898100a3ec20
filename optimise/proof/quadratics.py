"""Upper bounds of many quadratics over boxes cut by common linear limits: a relaxation that needs no search.

A quadratic g't + t'B t / 2 over |t| <= w is at most a sum of one-dimensional ones, with curvatures D, B <= diag D.
Limits enter with multipliers: any that are not negative give a bound, good ones a close one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_ROWS_TRIED = 3  # limits taken in, the worst first
_STEPS = 6  # of the search for the price of one


def highest(g: Array, B: Array, w: Array, G: Array | None = None, room: Array | None = None) -> tuple[Array, Array]:
    """Upper bounds (n,) of g't + t'Bt/2 over |t| <= w and G t <= room, and about where (n, d) they are reached.

    g, w (n, d), B (n, d, d), G (m, d), room (n, m).
    """
    n, d = g.shape
    if not d:
        return np.zeros(n), np.zeros((n, 0))
    first, second = _diagonals(B, w)
    better = _peak(g, second, w)[0] < _peak(g, first, w)[0]
    return _separable(g, np.where(better[:, None], second, first), w, G, room)[:2]


def narrowed(
    g: Array, B: Array, w: Array, need: Array, G: Array | None = None, room: Array | None = None
) -> tuple[Array, Array, Array]:
    """Bounds as `highest`, no higher, and low and high (n, d) of all t where g't + t'Bt/2 is `need` (n,) or more.

    A sum of one-dimensional parts is that high only where each part is within what the sum has to spare of its best.
    """
    n, d = g.shape
    best, low, high = np.full(n, np.inf), -w, w.copy()
    if not d:
        return np.zeros(n), low, high
    for D in _diagonals(B, w):
        value, _, slope, fixed = _separable(g, D, w, G, room)
        best = np.minimum(best, value)
        end = np.maximum(slope * w, -slope * w) + 0.5 * D * w * w
        inner = np.where((D < 0) & (np.abs(slope) < -D * w), -0.5 * slope * slope / np.where(D < 0, D, -1.0), end)
        spare = np.maximum(inner.sum(axis=1) + fixed - need, 0.0)
        least, most = _above(slope, D, w, inner - spare[:, None])
        low, high = np.maximum(low, least), np.minimum(high, most)
    return best, np.minimum(low, high), high


def _above(g: Array, D: Array, w: Array, floor: Array) -> tuple[Array, Array]:
    """Low and high of all |t| <= w with g t + D t²/2 >= floor, a little wider; floor is no more than the greatest."""
    bent = np.abs(D) * w > 1e-9 * np.abs(g)
    root = np.sqrt(np.maximum(g * g + 2 * D * floor, 0.0))
    curve = np.where(bent, D, 1.0)
    one, two = (-g + root) / curve, (-g - root) / curve
    line = floor / np.where(g == 0, 1.0, g)
    down, up = bent & (D < 0), bent & (D > 0)
    low = np.where(down, one, np.where(up & (-g * w + 0.5 * D * w * w < floor), one, -w))
    low = np.where(~bent & (g > 0), line, low)
    high = np.where(down, two, np.where(up & (g * w + 0.5 * D * w * w < floor), two, w))
    high = np.where(~bent & (g < 0), line, high)
    slack = 1e-9 * w
    return np.clip(low - slack, -w, w), np.clip(high + slack, -w, w)


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


def _separable(g: Array, D: Array, w: Array, G: Array | None, room: Array | None) -> tuple[Array, Array, Array, Array]:
    """The bound with curvatures D, the worst few limits taken in one after another, and about where it is reached.

    And the slopes (n, d) and what is added (n,) once the limits are taken in: with these it is above everywhere.
    """
    value, t = _peak(g, D, w)
    slope = g.copy()
    fixed = np.zeros(len(g))
    if G is None or room is None or not len(G):
        return value, t, slope, fixed
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
    return value, t, slope, fixed


def _price(g: Array, D: Array, w: Array, normal: Array, left: Array) -> Array:
    """The multiplier (n,) of one limit normal't <= left that brings the bound about lowest.

    The bound is convex in it, and its slope (how far the limit is kept where the bound is reached) often straight:
    secants and halvings in turn, and the best of all that were met.
    """
    high = np.abs(g).sum(axis=1) + (np.abs(D) * w).sum(axis=1)
    high = 2 * high / np.maximum(np.linalg.norm(normal, axis=1), 1e-12)
    low = np.zeros(len(g))

    def at(price: Array) -> tuple[Array, Array]:
        value, t = _peak(g - price[:, None] * normal, D, w)
        return value + price * left, np.einsum("nd,nd->n", normal, t) - left

    best, found = high, at(high)
    least, at_high = found
    at_low = at(low)[1]
    for step in range(_STEPS):
        middle = 0.5 * (low + high)
        if step % 2 == 0:
            fall = at_low - at_high
            secant = low + (high - low) * at_low / np.where(fall > 0, fall, 1.0)
            middle = np.where((fall > 0) & (secant > low) & (secant < high), secant, middle)
        value, over = at(middle)
        best, least = np.where(value < least, middle, best), np.minimum(value, least)
        up = over > 0
        low, at_low = np.where(up, middle, low), np.where(up, over, at_low)
        high, at_high = np.where(up, high, middle), np.where(up, at_high, over)
    return np.asarray(best, dtype=float)


def _peak(g: Array, D: Array, w: Array) -> tuple[Array, Array]:
    """The greatest g't + t'diag(D)t/2 over |t| <= w, (n,), and where, (n, d)."""
    end = np.where(g >= 0, w, -w)
    bends = D < 0
    inner = -g / np.where(bends, D, -1.0)
    t = np.where(bends & (np.abs(inner) < w), inner, end)
    value: Array = (g * t + 0.5 * D * t * t).sum(axis=1)
    return value, t
