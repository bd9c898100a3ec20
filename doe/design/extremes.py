"""Range-finding: the two or three most extreme recipes of a plan, to be made before the others.

What fails, fails at the edges: too thick to pump, too thin to hold, not to be wetted out. If an extreme recipe cannot
be made, the limits are wrong, and it is better found out on the first day. They are trials like all others and count.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from doe.region.region import Region

Array = npt.NDArray[np.float64]

_MOST, _FEW, _LEAST = 3, 8, 4  # trials to make first; recipes below which it is two, and none
_SAME_SIDE = 0.25  # of their lengths: two recipes whose directions have more in common lie to the same side


def extremes(region: Region, X: Array, allowed: Sequence[int] | None = None) -> tuple[int, ...]:
    """Rows of X (n, columns of the region) to make first: two, or three of eight recipes and more; none of under four.

    Where an ingredient takes up the rest, the first is the recipe with least of it, which holds most of all others;
    else the one farthest from the overall centroid. Each next one is farthest from those chosen and from the centroid,
    each ingredient and factor counted in its own reach, and lies on another side: the angle between any two, seen from
    the centroid, is 75 degrees or more. Repeats do not count. Ties go by index.
    """
    rows = _distinct(X, range(len(X)) if allowed is None else allowed)
    most = 0 if len(rows) < _LEAST else 2 if len(rows) < _FEW else _MOST
    if not most or not region.dimension:
        return ()
    Z = _scaled(region, X)
    away = np.linalg.norm(Z, axis=1)
    chosen = [_first(region, X, rows, away)]
    while len(chosen) < most:
        near = np.min([np.linalg.norm(Z - Z[j], axis=1) for j in chosen], axis=0)
        left = [i for i in rows if all(_elsewhere(Z[i], Z[j]) for j in chosen)]
        if not left:
            break
        worth = [(round(min(float(near[i]), float(away[i])), 9), round(float(near[i]), 9), -i) for i in left]
        chosen.append(-max(worth)[2])
    return tuple(chosen)


def _scaled(region: Region, X: Array) -> Array:
    """Distances from the overall centroid, each column in half its reach."""
    low, high = np.array([region.reach[name] for name in region.names], dtype=float).T
    half = np.where(high > low, (high - low) / 2, 1.0)
    middle = np.array([region.centroid[name] for name in region.names], dtype=float)
    scaled: Array = (X - middle) / half
    return scaled


def _distinct(X: Array, allowed: Sequence[int]) -> list[int]:
    """The first of each recipe."""
    seen: dict[tuple[float, ...], int] = {}
    for i in allowed:
        seen.setdefault(tuple(np.round(X[i], 9) + 0.0), i)
    return sorted(seen.values())


def _first(region: Region, X: Array, rows: Sequence[int], away: Array) -> int:
    if region.fill is not None and region.fill in region.names:
        fill = X[:, region.names.index(region.fill)]
        return min(rows, key=lambda i: (round(float(fill[i]), 9), -round(float(away[i]), 9), i))
    return max(rows, key=lambda i: (round(float(away[i]), 9), -i))


def _elsewhere(a: Array, b: Array) -> bool:
    size = float(np.linalg.norm(a) * np.linalg.norm(b))
    return size > 0 and float(a @ b) <= _SAME_SIDE * size + 1e-9
