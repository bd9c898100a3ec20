"""Whether a recipe lies between recipes that were made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import nnls

from optimise.models.predictors import Chosen
from optimise.statistics.leastsq import Array

# Of how far the recipes made are apart in each column: so much a recipe made as planned may lie beside its plan, for
# weighing alone (common practice, no source).
_NEAR = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Hull:
    """The convex hull of recipes as made: levels `X` (n, k) and `chosen` category levels (n,) each."""

    X: Array
    chosen: Chosen

    def holds(self, X: Array, chosen: Chosen) -> npt.NDArray[np.bool_]:
        """Whether each recipe X (m, k), as a bench weighs, is a mean of recipes made with the same categories, (m,)."""
        made, asked = self._scaled(self.X), self._scaled(X)
        out = np.zeros(len(X), dtype=bool)
        for i, point in enumerate(asked):
            same = np.ones(len(made), dtype=bool)
            for name, levels in chosen.items():
                same &= self.chosen[name] == levels[i]
            out[i] = bool(same.any()) and _between(made[same], point)
        return out

    @property
    def scale(self) -> tuple[Array, Array]:
        """Middle and spread of each column (k,), by which recipes are set side by side."""
        spread = np.ptp(self.X, axis=0)
        return self.X.mean(axis=0), np.where(spread > 0, spread, 1.0)

    def _scaled(self, X: Array) -> Array:
        middle, spread = self.scale
        return np.asarray((X - middle) / spread, dtype=float)


def _between(made: Array, point: Array) -> bool:
    """Whether non-negative weights that add up to 1 make the point: a non-negative least-squares problem."""
    if (point < made.min(axis=0) - _NEAR).any() or (point > made.max(axis=0) + _NEAR).any():
        return False
    system = np.vstack([made.T, np.ones(len(made))])
    _, left = nnls(system, np.append(point, 1.0))
    return bool(left <= _NEAR)
