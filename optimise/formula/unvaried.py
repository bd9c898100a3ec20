"""Directions along which no trial varied: what the models say along them is a guess, so a search does not go there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.problems import Problem, listed
from doe.study import Study
from optimise.formula.space import Row
from optimise.models.fence import Fence
from optimise.models.predictors import split_levels

if TYPE_CHECKING:
    from optimise.models.models import Models

Array = npt.NDArray[np.float64]

_NIL = 1e-6  # spread, as a share of the region, that is none; our choice


@dataclass(frozen=True, slots=True, eq=False)
class Unvaried:
    """What no trial varied: `names` of the ingredients and factors, and `got`, how they stood.

    `rows` are the limits for `Space.build` that hold recipes to the levels as tried.
    """

    rows: tuple[Row, ...] = ()
    names: tuple[str, ...] = ()
    got: str = ""

    def finding(self, held: bool) -> Problem:
        """What to say of it: whether the search was held to the levels as tried."""
        got = self.got or "the trials do not carry even a model of first order"
        if held:
            done, do = "the search was held to that", f"make trials that change {listed(self.names)}"
            do += " each by itself" if len(self.names) > 1 else ""
        else:
            done, do = "the search was not held to what was tried", "make more batches"
        return Problem("no-fence", "warn", "optimise", got, done, do)


def unvaried_by_trials(models: Models, fence: Fence | None) -> Unvaried:
    """What none of the batches that were read varied; nothing where the trials carry a fence, which is narrower."""
    if fence is not None:
        return Unvaried()
    return unvaried(models.study, split_levels(models.tried, models.study.region)[0])


def unvaried(study: Study, X: Array) -> Unvaried:
    """What trials at levels X (n, k) never varied: ingredients or factors at one level, or several that moved as one.

    The directions are those free coordinates of the region along which the trials do not spread at all.
    """
    region = study.region
    if not len(X) or not region.dimension:
        return Unvaried()
    U = region.coded(X)
    middle = U.mean(axis=0)
    _, size, ways = np.linalg.svd(U - middle, full_matrices=True)
    spread = np.concatenate([size, np.zeros(len(ways) - len(size))]) / np.sqrt(len(U))
    none = ways[spread <= _NIL]
    if not len(none):
        return Unvaried()
    weights = _weights(study, none)
    at, reach = X.mean(axis=0), np.array([max(np.ptp(region.reach[name]), 1e-300) for name in region.names])
    rows = []
    for row in weights:
        total = float(row @ at)
        over = {name: float(w) for name, w in zip(region.names, row, strict=True) if abs(w) > 1e-12}
        rows.append((over, total, total, "levels as tried"))
    part = np.abs(weights * reach).max(axis=0) > _NIL
    still = np.ptp(X, axis=0) <= _NIL * reach
    stood = [name for name, flag in zip(region.names, part & still, strict=True) if flag]
    tied = [name for name, flag in zip(region.names, part & ~still, strict=True) if flag]
    if len(stood) >= len(none):
        tied = []
    said = [f"{listed(stood)} stood at one level in every trial"] if stood else []
    said += [f"{listed(tied)} changed together in every trial"] if tied else []
    return Unvaried(tuple(rows), (*stood, *tied), "; ".join(said))


def _weights(study: Study, none: Array) -> Array:
    """Sums of levels (m, k) that were the same in every trial, the fill left out of them, largest weight 1."""
    region = study.region
    corners = region.decoded(np.vstack([np.zeros((1, region.dimension)), np.eye(region.dimension)]))
    out: Array = none @ np.linalg.pinv((corners[1:] - corners[0]).T)
    blend = [region.names.index(name) for name in region.blend]
    if blend:
        # A blend adds up, so the same may be taken from every weight: there the fill's is nil, else the middle one.
        fill = None if region.fill is None else region.names.index(region.fill)
        out[:, blend] -= out[:, [fill]] if fill is not None else np.median(out[:, blend], axis=1, keepdims=True)
    scaled: Array = out / np.abs(out).max(axis=1, keepdims=True)
    return scaled
