"""How much of what lies between all lows and highs the limits leave: the share of the box that is region."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.problems import Unavailable
from doe.region.polytope import Corners, fan
from doe.region.region import Region

Array = npt.NDArray[np.float64]

_MOST_SIMPLICES = 20_000  # of the region cut up, for an exact volume
_MOST_CORNERS = 400  # of a region that is cut up
_DRAWN = 2**16  # random points otherwise
_FEWEST = 100  # of them in the region, for a share to be told


def share_of_box(region: Region) -> float | Unavailable:
    """The share of the box between the low and high of each free column that obeys every limit, 0..1.

    Exact where the region can be cut into few simplices; else the share of points drawn evenly in the box of what can
    be reached, to about a tenth of itself. Where limits differ between combinations of categories, the mean of the
    shares of all, each in its own box.
    """
    pieces = region.pieces
    if pieces[0][0] is not region:
        shares = [(1.0 if not p.dimension else share_of_box(p), len(combos)) for p, combos in pieces]
        missing = next((share for share, _ in shares if isinstance(share, Unavailable)), None)
        total = sum(share * count for share, count in shares if not isinstance(share, Unavailable))
        return missing if missing is not None else total / sum(count for _, count in shares)
    d = region.dimension
    if d == 0:
        return Unavailable("there is only one recipe", "widen a limit")
    if not region.has_corners:
        return Unavailable("too many corners to be found", "read the reach of each ingredient")
    if len(region.frame.tight_rows):
        return Unavailable("the limits leave no room in some direction", "widen one of those that leave no room")
    share = 1.0
    for name, (low, high) in ((n, region.reach[n]) for n in region.free):
        j = region.names.index(name)
        width = float(region.high[j] - max(region.low[j], 0.0 if name in region.blend else -np.inf))
        share *= min((high - low) / width, 1.0) if np.isfinite(width) and width > 0 else 1.0
    for found, (G, h) in zip(region.parts, region.frame.part_rows(), strict=True):
        inside = _inside(found, G, h)
        if inside is None:
            return Unavailable("too small a share to be told by drawing points", "read the reach of each ingredient")
        share *= inside
    return share


def _inside(found: Corners, G: Array, h: Array) -> float | None:
    """The share of the box -1..+1 that obeys the rows of one part."""
    v, d = found.points.shape
    if len(G) == 2 * d and np.allclose(np.abs(G).sum(axis=1), 1.0):
        return 1.0
    simplices = fan(found, _MOST_SIMPLICES) if v <= _MOST_CORNERS else None
    if simplices is not None:
        cells = found.points[simplices]
        factorial = float(np.prod(np.arange(1.0, d + 1)))
        return float(np.abs(np.linalg.det(cells[:, 1:] - cells[:, :1])).sum() / factorial / 2.0**d)
    trial = np.random.default_rng(np.random.SeedSequence([31, d])).uniform(-1.0, 1.0, size=(_DRAWN, d))
    hits = int((trial @ G.T <= h).all(axis=1).sum())
    return hits / _DRAWN if hits >= _FEWEST else None
