"""Exact responses (cost, linear sums) as a search needs them: weights over what varies, by the materials chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.costs import exact_weights
from doe.parts import Response
from doe.problems import Unavailable
from doe.study import Study

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]
Sum = tuple[Array, float]


@dataclass(frozen=True, slots=True, eq=False)
class Exact:
    """An exact response as weights (k,) over `study.region.names` and a constant, for each choice of `materials`.

    `materials` are the categories that matter, `sums` holds one sum for each combination of their levels.
    """

    materials: tuple[str, ...]
    sums: Mapping[tuple[str, ...], Sum]

    def at(self, chosen: Mapping[str, Any]) -> Sum:
        """Weights and constant at one combination of category levels: plain ones, or arrays that all say the same."""
        key = tuple(str(np.atleast_1d(np.asarray(chosen[name], dtype=object))[0]) for name in self.materials)
        return self.sums[key]

    def values(self, X: Array, chosen: Chosen) -> Array:
        """The value of recipes X (n, k), (n,)."""
        if not self.materials:
            weights, constant = self.sums[()]
            return np.asarray(X @ weights + constant, dtype=float)
        keys = list(zip(*(map(str, chosen[name]) for name in self.materials), strict=True))
        pairs = [self.sums[key] for key in keys]
        return np.array([x @ weights + constant for x, (weights, constant) in zip(X, pairs, strict=True)], dtype=float)


def linear_sum(study: Study, response: Response) -> Exact | Unavailable:
    """An exact response as a linear sum of the levels, in its own unit."""
    names = study.region.names
    categories = {f.name: f.levels for f in study.category_factors if f.of is not None}
    # The levels of all that does not vary are those of any whole recipe.
    middle = study.complete(_any_recipe(study)).iloc[0]
    sums: dict[tuple[str, ...], Sum] = {}
    for levels in product(*categories.values()):
        weights = exact_weights(study, response, dict(zip(categories, levels, strict=True)))
        if isinstance(weights, Unavailable):
            return weights
        constant = sum(weight * float(middle[name]) for name, weight in weights.items() if name not in names)
        sums[levels] = np.array([weights.get(name, 0.0) for name in names]), float(constant)
    first = next(iter(sums.values()))
    if all(np.array_equal(weights, first[0]) and constant == first[1] for weights, constant in sums.values()):
        return Exact((), {(): first})
    return Exact(tuple(categories), sums)


def _any_recipe(study: Study) -> pd.DataFrame:
    centre = dict(study.region.centroid)
    return pd.DataFrame([{**centre, **{name: levels[0] for name, levels in study.region.categories.items()}}])
