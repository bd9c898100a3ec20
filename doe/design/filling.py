"""How evenly trials fill a region: how near the nearest two are, and how far a recipe may be from any of them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from doe.region.region import Region

Array = npt.NDArray[np.float64]

_POINTS, _LOTS = 2000, 20  # points that stand for the region; plans drawn by lot to compare with


def filling(region: Region, U: Array, seed: int) -> dict[str, float]:
    """Figures of the distinct recipes among U (n, d), in the region's free coded coordinates; {} for fewer than two.

    A distance is the root mean square, over what is chosen freely, of differences in shares of each reach. `nearest`:
    the smallest between two recipes. `farthest`: the greatest from a point of the region (2000 drawn uniformly) to the
    nearest recipe. `nearest_by_lot`, `farthest_by_lot`: the means of both for as many points drawn by lot, 20 times.
    """
    trials = np.unique(np.round(U, 9), axis=0)
    if len(trials) < 2 or not region.dimension:
        return {}
    ground = region.coded(region.sample(_POINTS, seed=1))
    nearest, farthest = _figures(trials, ground)
    streams = np.random.SeedSequence([seed, 29]).spawn(_LOTS)
    lots = np.array([_figures(region.coded(region.sample(len(trials), seed=s)), ground) for s in streams])
    by_lot = lots.mean(axis=0)
    return {
        "nearest": nearest,
        "farthest": farthest,
        "nearest_by_lot": float(by_lot[0]),
        "farthest_by_lot": float(by_lot[1]),
    }


def _figures(trials: Array, ground: Array) -> tuple[float, float]:
    # Coded coordinates are 2 wide over a reach.
    scale = 2 * np.sqrt(trials.shape[1])
    tree = cKDTree(trials)
    between, away = np.asarray(tree.query(trials, k=2)[0]), np.asarray(tree.query(ground)[0])
    return float(between[:, 1].min() / scale), float(away.max() / scale)
