"""Exact properties of a recipe: what it costs, and every named quantity or sum. Computed, never fitted."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.consistency import left_over
from doe.definition.parts import Response
from doe.problems import Unavailable
from doe.region.feasible import Rows, extent
from doe.region.region import Region
from doe.trade.quantities import form_of
from doe.trade.recipes import extreme_recipes

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]


def exact_values(study: Study, response: Response, levels: pd.DataFrame) -> Array | Unavailable:
    """Values of an exact response for recipes `levels` (n rows, columns study.columns), shape (n,).

    NaN where a ratio has nothing under it.
    """
    out = np.zeros(len(levels))
    for chosen, rows in _by_material(study, levels):
        form = form_of(study, response, chosen)
        if isinstance(form, Unavailable):
            return form
        columns = {str(name): levels[name].to_numpy()[rows] for name in levels}
        out[rows] = form.values(columns)
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
    """Lowest and highest value of an exact response over the region.

    Of a sum by linear programming at each combination; of a ratio at the most extreme recipes, which between them hold
    its ends (where the corners are too many to list, nearly).
    """
    ends = []
    held = {i.name: i.level or 0.0 for i in study.fixed}
    if study.fill is not None and study.fill.name not in study.region.names:
        held[study.fill.name] = left_over(study.total, study.ingredients)
    for piece, combinations in study.region.pieces:
        # Other categories do not touch an exact response: one look for each way in which materials weigh in it.
        seen: list[dict[str, float]] = []
        for chosen in combinations:
            form = form_of(study, response, chosen)
            if isinstance(form, Unavailable):
                return form
            if not form.is_sum:
                return _range_of_ratio(study, response)
            if dict(form.top) not in seen:
                seen.append(dict(form.top))
                ends.append(_range_over(piece, form.top, held))
    return min(low for low, _ in ends), max(high for _, high in ends)


def _range_of_ratio(study: Study, response: Response) -> tuple[float, float] | Unavailable:
    values = exact_values(study, response, extreme_recipes(study))
    if isinstance(values, Unavailable):
        return values
    if np.isnan(values).all():
        return Unavailable("there is nothing it is a share of in any recipe", "check the levels")
    return float(np.nanmin(values)), float(np.nanmax(values))


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
