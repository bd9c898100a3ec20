"""What readings beyond the method's range may have been: completions drawn from the averaged posterior.

Each draw is one way the unread values may have come out, given all that was read and the bounds on the others; what
predicts is then averaged over the draws. By Gibbs sampling (Tanner & Wong 1987, J. Am. Statist. Assoc. 82, 528-540): a
grid point and a variance given all values, then each unread value, within its bounds, given all others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from optimise.statistics.hyperprior import grid_of
from optimise.statistics.marginal import ALONE, Groups, log_weights, projections, standardised

Array = npt.NDArray[np.float64]

# Completions kept; turns before the first and from one to the next; sweeps over the unread values in each
_DRAWS, _BURN, _BETWEEN, _SWEEPS = 8, 12, 3, 4


def completions(
    z: Array, low: Array, high: Array, start: Array, groups: Groups = ALONE, axes: Array | None = None
) -> Array:
    """Completions (8, n) of values known to lie between `low` and `high` (n,) at coordinates z (n, d).

    `start` (n,) holds the values where the ends are equal and a first guess, within the bounds, elsewhere; `groups`
    and `axes` as in `Posterior.fit`, whose errors it raises. Same arguments, same draws.
    """
    ready, grid = standardised(z, start, groups, axes=axes), grid_of(groups)
    data, centre, size = ready.data, ready.centre, ready.size
    y, low, high = ready.y[0].copy(), (low - centre) / size, (high - centre) / size
    rng = np.random.default_rng(np.random.SeedSequence([len(y), 71]))
    open_now = np.flatnonzero(low != high)
    out = np.empty((_DRAWS, len(y)))
    for turn in range(_BURN + _DRAWS * _BETWEEN):
        logs = log_weights(grid, data, y)
        mass = np.cumsum(np.exp(logs - logs.max()))
        pick = min(int(np.searchsorted(mass, rng.random() * mass[-1])), len(grid) - 1)
        P = projections(grid[pick : pick + 1, 1:], data)[0][0]
        s2 = float(y @ P @ y) / rng.chisquare(data.df)
        for _ in range(_SWEEPS):
            for i in open_now:
                sd = np.sqrt(s2 / P[i, i])
                given_others = y[i] - float(P[i] @ y) / P[i, i]
                y[i] = _within(given_others, sd, low[i], high[i], rng.random())
        if turn >= _BURN and (turn - _BURN) % _BETWEEN == _BETWEEN - 1:
            out[(turn - _BURN) // _BETWEEN] = y
    return centre + size * out


def _within(centre: float, sd: float, low: float, high: float, share: float) -> float:
    """The value that a normal law kept between two ends stays below with chance `share`."""
    a, b = (low - centre) / sd, (high - centre) / sd
    if a > 0:
        # In the upper tail the law of the negative keeps its digits.
        return -_within(-centre, sd, -high, -low, 1 - share)
    below, above = special.ndtr(a), special.ndtr(b)
    z = special.ndtri(below + share * (above - below))
    if not np.isfinite(z) or above - below < 1e-250:
        # The whole window lies so far out that the law sits on its near end.
        return high if b < 0 else low
    return float(min(max(centre + sd * z, low), high))
