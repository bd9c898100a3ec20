"""Residual sums of squares of every subset of columns at once.

Columns are taken one after the other; each halves the problem into the subsets without it and those with it, in which
all later columns, and the target, are cleared of it (the sweep of Beaton 1964; branching over subsets as in Furnival
1971, Technometrics 13, 403-408). Subsets share the work of their common beginnings, so that all 2^f of them together
cost a few operations each.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

_DEPENDENT = 1e-10  # squared distance of a unit column from the others


def every_subset(gram: Array, cross: Array, total: float) -> Array:
    """Residual sums of squares (2^f,) from cross-products of f unit columns; bit j of the place says that j is in.

    `gram` (f, f), `cross` (f,) with the target, whose own square is `total`. Infinite where columns depend on each
    other.
    """
    f = len(cross)
    G, c, rest = gram[None].copy(), cross[None].copy(), np.array([float(total)])
    for _ in range(f):
        pivot = G[:, 0, 0]
        # A subset that is lost stays so: its sum is infinite, and its pivots are harmless ones.
        sound = pivot > _DEPENDENT
        inverse = 1.0 / np.where(sound, pivot, 1.0)
        slope = G[:, 0, 1:] * inverse[:, None]
        cleared = G[:, 1:, 1:] - slope[:, :, None] * G[:, 0, None, 1:]
        gain = np.where(sound, c[:, 0] ** 2 * inverse, -np.inf)
        rest = np.concatenate([rest, rest - gain])
        c = np.concatenate([c[:, 1:], c[:, 1:] - slope * c[:, :1]])
        G = np.concatenate([G[:, 1:, 1:], cleared])
    out: Array = np.maximum(rest, total * 1e-14)
    return out


def bits(codes: npt.NDArray[np.int64], f: int) -> npt.NDArray[np.bool_]:
    """The columns that each code (m,) holds, (m, f)."""
    return ((codes[:, None] >> np.arange(f)) & 1).astype(bool)
