"""The region as it must have been for recipes made beyond its limits: bounds and limits moved since then give way."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.region.limits import TOTAL, LimitRow
from doe.region.region import Region

Array = npt.NDArray[np.float64]

# A recipe lies beyond a limit when it does so by more than a bench may be off: a tenth of how far the recipes are
# apart there, and a twentieth of the level itself (common practice, no source).
_OF_RANGE, _OF_LEVEL = 0.1, 0.05


def widened(region: Region, X: Array) -> Region:
    """The region itself, or one polytope around it that holds recipes X (n, k) made before its limits moved.

    What is known of a recipe rests on the batches made, not on what may be made from now on: coordinates of models
    must reach over both. A bound moves out to the furthest recipe, a limit that recipes break goes; what they are
    beyond by no more than a bench is off stays. The same recipes give the same object.
    """
    if not len(X):
        return region
    low, high = _ends(region, X)
    limits, gone = _limits(region, X)
    if not gone and (low == region.low).all() and (high == region.high).all():
        return region
    key = f"widened {low.tolist()} {high.tolist()} {[label for *_, label in limits]}"
    return region.remember(
        key,
        lambda: Region.build(
            region.names, region.blend, region.blend_total, region.fill, low, high, limits, region.categories
        ),
    )


def _ends(region: Region, X: Array) -> tuple[Array, Array]:
    least, most = X.min(axis=0), X.max(axis=0)
    slack = np.maximum(_OF_RANGE * (most - least), _OF_LEVEL * np.maximum(np.abs(region.low), np.abs(region.high)))
    slack = np.where(np.isfinite(slack), slack, 0.0)
    low = np.where(least < region.low - slack, least, region.low)
    return low, np.where(most > region.high + slack, most, region.high)


def _limits(region: Region, X: Array) -> tuple[list[LimitRow], bool]:
    """The limits that every recipe obeys, as far as a bench can tell, and whether others are gone."""
    sides = [(region.A[i], -np.inf, float(region.b[i]), region.labels[i]) for i in region.limit_rows]
    for row, side, label in zip(region.E, region.e, region.equal_labels, strict=True):
        used = np.flatnonzero(row)
        still = used.size == 1 and region.low[used[0]] == region.high[used[0]]
        if not still and not label.startswith(TOTAL):
            sides.append((row, float(side), float(side), label))
    kept: list[LimitRow] = []
    for row, low, high, label in sides:
        value = X @ row
        slack = max(_OF_RANGE * float(np.ptp(value)), _OF_LEVEL * float((np.abs(X) @ np.abs(row)).mean()))
        if low - slack <= value.min() and value.max() <= high + slack:
            weights = {region.names[j]: float(row[j]) for j in np.flatnonzero(row)}
            kept.append((weights, low if np.isfinite(low) else None, high, label))
    return kept, len(kept) < len(sides)
