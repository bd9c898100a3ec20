"""Exact properties of a recipe: what it costs, and linear sums. Computed, never fitted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.consistency import left_over
from doe.feasible import Rows, extent
from doe.parts import Ingredient, Response
from doe.problems import Unavailable

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]


def price_weights(study: Study) -> dict[str, float] | Unavailable:
    """Currency per kg of product for each unit of level: price / total, as supplied (trade.md K47: sum x p / 100)."""
    missing = [i.name for i in study.ingredients if i.price_per_kg is None and not _costs_nothing(i)]
    if not study.ingredients:
        return Unavailable("the study has no ingredients", "cost is computed from ingredients and their price_per_kg")
    if missing:
        return Unavailable(f"no price for {', '.join(missing)}", "give price_per_kg for each ingredient")
    return {i.name: (i.price_per_kg or 0.0) / study.total for i in study.ingredients}


def _costs_nothing(ingredient: Ingredient) -> bool:
    # Water that takes up the rest is free unless it is given a price. Common practice, no source.
    return ingredient.role == "fill" and ingredient.price_per_kg is None


def exact_weights(study: Study, response: Response) -> dict[str, float] | Unavailable:
    """Weights of an exact response over the level columns: cost_per_kg, or its own linear sum."""
    if isinstance(response.source, Mapping):
        return dict(response.source)
    if response.source == "cost_per_kg":
        return price_weights(study)
    return Unavailable(f"{response.source} is not computed yet", "use cost_per_kg or a linear sum of ingredients")


def exact_values(study: Study, response: Response, levels: pd.DataFrame) -> Array | Unavailable:
    """Values of an exact response for recipes `levels` (n rows, columns study.columns), shape (n,)."""
    weights = exact_weights(study, response)
    if isinstance(weights, Unavailable):
        return weights
    out = np.zeros(len(levels))
    for name, weight in weights.items():
        out += weight * levels[name].to_numpy(dtype=float)
    return out


def cost_per_kg(study: Study, levels: pd.DataFrame) -> Array | Unavailable:
    """Raw-material cost per kg of product [currency/kg] for recipes `levels`, shape (n,)."""
    return exact_values(study, Response("Cost", source="cost_per_kg"), levels)


def cost_range(study: Study) -> tuple[float, float] | Unavailable:
    """Lowest and highest cost per kg over the region, by linear programming."""
    return exact_range(study, Response("Cost", source="cost_per_kg"))


def exact_range(study: Study, response: Response) -> tuple[float, float] | Unavailable:
    """Lowest and highest value of an exact response over the region, by linear programming."""
    weights = exact_weights(study, response)
    if isinstance(weights, Unavailable):
        return weights
    region = study.region
    held = {i.name: i.level or 0.0 for i in study.fixed}
    if study.fill is not None and study.fill.name not in region.names:
        held[study.fill.name] = left_over(study.total, study.ingredients)
    constant = sum(weight * held.get(name, 0.0) for name, weight in weights.items())
    direction = np.array([weights.get(name, 0.0) for name in region.names])
    if not direction.any():
        return constant, constant
    # In units of each column's reach, and with rows of size one, a small level counts as much as a large one.
    size = np.array([max(abs(low), abs(high)) or 1.0 for low, high in region.reach.values()])
    upper, equal = _sizes(region.A * size), _sizes(region.E * size)
    rows = Rows(
        region.A * size / upper[:, None], region.b / upper, region.labels,
        region.E * size / equal[:, None], region.e / equal, region.equal_labels,
    )  # fmt: skip
    way = direction * size
    length = float(np.abs(way).max())
    low, high = -extent(rows, -way / length) * length, extent(rows, way / length) * length
    return constant + low, constant + high


def _sizes(rows: Array) -> Array:
    sizes: Array = np.maximum(np.abs(rows).max(axis=1, initial=0.0), 1e-300)
    return sizes
