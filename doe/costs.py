"""Exact properties of a recipe: what it costs, and linear sums. Computed, never fitted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.categories import NONE, material_of
from doe.consistency import left_over
from doe.feasible import Rows, extent
from doe.parts import Ingredient, Response
from doe.problems import Unavailable
from doe.region import Region

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]


def price_weights(study: Study, chosen: Mapping[str, Any] | None = None) -> dict[str, float] | Unavailable:
    """Currency per kg of product for each unit of level: price / total, as supplied (trade.md K47: sum x p / 100).

    `chosen` are category levels: with a choice of materials, each has its own price.
    """
    if not study.ingredients:
        return Unavailable("the study has no ingredients", "cost is computed from ingredients and their price_per_kg")
    items = [item.of((chosen or {}).get(material_of(item.name))) for item in study.ingredients]
    absent = {i.name for i in study.ingredients if (chosen or {}).get(material_of(i.name)) == NONE}
    missing = [i.name for i in items if i.price_per_kg is None and not _costs_nothing(i) and i.name not in absent]
    if missing:
        return Unavailable(f"no price for {', '.join(missing)}", "give price_per_kg for each ingredient")
    return {i.name: (i.price_per_kg or 0.0) / study.total for i in items}


def _costs_nothing(ingredient: Ingredient) -> bool:
    # Water that takes up the rest is free unless it is given a price. Common practice, no source.
    return ingredient.role == "fill" and ingredient.price_per_kg is None


def exact_weights(
    study: Study, response: Response, chosen: Mapping[str, Any] | None = None
) -> dict[str, float] | Unavailable:
    """Weights of an exact response over the level columns: cost_per_kg, or its own linear sum.

    `chosen` are the category levels they belong to: materials differ in price.
    """
    if isinstance(response.source, Mapping):
        return dict(response.source)
    if response.source == "cost_per_kg":
        return price_weights(study, chosen)
    return Unavailable(f"{response.source} is not computed yet", "use cost_per_kg or a linear sum of ingredients")


def exact_values(study: Study, response: Response, levels: pd.DataFrame) -> Array | Unavailable:
    """Values of an exact response for recipes `levels` (n rows, columns study.columns), shape (n,)."""
    out = np.zeros(len(levels))
    for chosen, rows in _by_material(study, levels):
        weights = exact_weights(study, response, chosen)
        if isinstance(weights, Unavailable):
            return weights
        for name, weight in weights.items():
            out[rows] += weight * levels[name].to_numpy(dtype=float)[rows]
    return out


def _by_material(study: Study, levels: pd.DataFrame) -> list[tuple[dict[str, Any], npt.NDArray[np.bool_]]]:
    """The combinations of materials in a table, each with the rows (n,) that have it."""
    names = [f.name for f in study.category_factors if f.of is not None]
    rows = list(zip(*(levels[name] for name in names), strict=True)) if names else [()] * len(levels)
    found = []
    for one in dict.fromkeys(rows) or [()]:
        found.append((dict(zip(names, one, strict=True)), np.array([row == one for row in rows], dtype=bool)))
    return found


def cost_per_kg(study: Study, levels: pd.DataFrame) -> Array | Unavailable:
    """Raw-material cost per kg of product [currency/kg] for recipes `levels`, shape (n,)."""
    return exact_values(study, Response("Cost", source="cost_per_kg"), levels)


def cost_range(study: Study) -> tuple[float, float] | Unavailable:
    """Lowest and highest cost per kg over the region, by linear programming."""
    return exact_range(study, Response("Cost", source="cost_per_kg"))


def exact_range(study: Study, response: Response) -> tuple[float, float] | Unavailable:
    """Lowest and highest value of an exact response over the region, by linear programming at each combination."""
    ends = []
    held = {i.name: i.level or 0.0 for i in study.fixed}
    if study.fill is not None and study.fill.name not in study.region.names:
        held[study.fill.name] = left_over(study.total, study.ingredients)
    for piece, combinations in study.region.pieces:
        # Other categories do not touch an exact response: one look for each way in which materials weigh in it.
        seen: list[dict[str, float]] = []
        for chosen in combinations:
            weights = exact_weights(study, response, chosen)
            if isinstance(weights, Unavailable):
                return weights
            if weights not in seen:
                seen.append(weights)
                ends.append(_range_over(piece, weights, held))
    return min(low for low, _ in ends), max(high for _, high in ends)


def _range_over(region: Region, weights: Mapping[str, float], held: Mapping[str, float]) -> tuple[float, float]:
    """Lowest and highest weighted sum of levels over one polytope; what is `held` counts as well."""
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
