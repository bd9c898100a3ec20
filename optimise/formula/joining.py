"""Which runs uphill are on the way to a top that is known: the straight way there only goes up, and within limits.

Along the way a number is taken as the polynomial of degree five that has its value, slope and bend at both ends
(Hermite's interpolation). Where the way has no dip, both ends stand on one hill (Ursem 1999, Congress on Evolutionary
Computation, 1633-1640, asks the same with values on the way; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_MARKS = 12  # parts of a way, at the ends of which it is looked at
_LONG = 0.45  # times the square root of the dimension: longer ways are not told well enough by their ends
_DEEP = 0.01
_DIP = 0.02  # of the whole rise: what it may go down on the way
_BEYOND = 1e-3  # what limits may be missed by on it, beside what they are missed by at its start


def on_one_hill(
    U: Array, here: tuple[Array, Array, Array], tops: Array, there: tuple[Array, Array, Array],
    height: Callable[[Array], Array], aims: int,
) -> Flags:  # fmt: skip
    """Whether ways from places U (n, d) to tops (k, d) go up and keep within limits, (n, k).

    `here` and `there` give the numbers at them: values (n, m), slopes (n, m, d) and second derivatives (n, m, d, d),
    the first so many of them `aims`, which `height` (m,) -> () makes one of, the rest limits that ask for 0 or more.
    """
    (n, d), (k, m) = U.shape, there[0].shape
    way = tops - U[:, None]
    known = np.empty((6, n, k, m))
    known[0], known[3] = here[0][:, None], there[0]
    twice = (way[..., :, None] * way[..., None, :]).reshape(n, k, d * d)
    known[1] = way @ here[1].transpose(0, 2, 1)
    known[2] = twice @ here[2].reshape(n, m, d * d).transpose(0, 2, 1)
    known[4] = (way.transpose(1, 0, 2) @ there[1].transpose(0, 2, 1)).transpose(1, 0, 2)
    known[5] = (twice.transpose(1, 0, 2) @ there[2].reshape(k, m, d * d).transpose(0, 2, 1)).transpose(1, 0, 2)
    between = (_hermite() @ known.reshape(6, -1)).reshape(-1, m)
    up = height(between).reshape(-1, n, k)
    dip = (np.maximum.accumulate(up, axis=0) - up).max(axis=0)
    good: Flags = (dip <= np.minimum(_DIP * (up[-1] - up[0]), _DEEP)) & ((way * way).sum(axis=2) <= _LONG**2 * d)
    if m > aims:
        room = between[:, aims:].reshape(-1, n, k, m - aims)
        good &= (room >= np.minimum(room[0], 0.0) - _BEYOND).all(axis=(0, 3))
    return good


@lru_cache(maxsize=1)
def _hermite() -> Array:
    """Values at the marks of a way, its ends too, from values, slopes and bends at its ends, (marks + 1, 6)."""
    s = np.linspace(0.0, 1.0, _MARKS + 1)
    powers = s[:, None] ** np.arange(6)
    rows = np.array(
        [[1, 0, 0, 0, 0, 0], [0, 1, 0, 0, 0, 0], [0, 0, 2, 0, 0, 0], [1, 1, 1, 1, 1, 1], [0, 1, 2, 3, 4, 5],
         [0, 0, 2, 6, 12, 20]], dtype=float
    )  # fmt: skip
    basis: Array = powers @ np.linalg.inv(rows)
    return basis
