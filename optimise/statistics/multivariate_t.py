"""The multivariate t law: the chance of a box, and the factor by which intervals hold for all of several at once."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import special, stats
from scipy.stats import qmc

Array = npt.NDArray[np.float64]

_NODES, _SHIFTS = 1024, 8  # of the Sobol set, and shifts of it
_EDGE = 1e-15  # kept between a chance and 0 or 1, whose normal deviates are infinite


def joint_factor(correlation: Array, df: float, level: float = 0.95) -> float:
    """The c with P(all |T_i| <= c) = `level`, for T (p,) multivariate t with this correlation (p, p) and `df`.

    It lies between the factor of one alone and that of Bonferroni; found to about three digits.
    """
    p = len(correlation)
    low, high = (two_sided_factor(df, (1 - level) / k) for k in (1, p))
    if p == 1:
        return low
    # Columns that nearly repeat each other leave a root that is nearly nothing: a trifle keeps it above.
    root = np.asarray(np.linalg.cholesky(correlation + 1e-10 * np.eye(p)), dtype=float)
    at_low, at_high = (box_chance(c, root, df) - level for c in (low, high))
    for _ in range(60):
        if high - low < 1e-6 * high:
            break
        # Regula falsi, with halving so that it cannot get stuck at one end.
        c = high - at_high * (high - low) / (at_high - at_low) if at_high > at_low else 0.5 * (low + high)
        c = min(max(c, low + 0.01 * (high - low)), high - 0.01 * (high - low))
        off = box_chance(c, root, df) - level
        if off < 0:
            low, at_low = c, off
        else:
            high, at_high = c, off
    return 0.5 * (low + high)


def box_chance(half: float | Array, root: Array, df: float, low: Array | None = None) -> float:
    """P(low_i <= T_i <= half_i, all i) for T = root z / s, `root` (p, p), z normal, s² chi-square over df.

    The ends are numbers or (p,); `low` is -half where not given. By sequential conditioning on fixed nodes (Genz &
    Bretz 1999, J. Statist. Comput. Simul. 63, 361-378).
    """
    p = len(root)
    upper = np.broadcast_to(np.asarray(half, dtype=float), (p,))
    lower = -upper if low is None else np.asarray(low, dtype=float)
    u = _points(p)
    s = np.sqrt(special.chdtri(df, 1 - u[:, -1]) / df) if np.isfinite(df) else np.ones(len(u))
    z = np.empty((len(u), p))
    chance = np.ones(len(u))
    for i in range(p):
        shift = z[:, :i] @ root[i, :i]
        a, b = (special.ndtr((end[i] * s - shift) / root[i, i]) for end in (lower, upper))
        width = np.maximum(b - a, 0.0)
        chance *= width
        if i < p - 1:
            z[:, i] = special.ndtri(np.clip(a + u[:, i] * width, _EDGE, 1 - _EDGE))
    return float(chance.mean())


def two_sided_factor(df: float, error: float) -> float:
    """The c with P(|t| > c) = `error` for Student's t with `df` degrees of freedom (infinite: the normal law)."""
    return float(stats.t.isf(error / 2, df)) if np.isfinite(df) else float(stats.norm.isf(error / 2))


@lru_cache(maxsize=32)
def _points(p: int) -> Array:
    """Fixed points (q, p) in the unit cube: shifts of one Sobol set; the last column is for the sd."""
    base = qmc.Sobol(p, scramble=True, seed=np.random.default_rng(40)).random(_NODES)
    shifts = np.random.default_rng(41).random((_SHIFTS, 1, p))
    points: Array = np.clip(((base + shifts) % 1.0).reshape(-1, p), _EDGE, 1 - 1e-12)
    points.setflags(write=False)
    return points
