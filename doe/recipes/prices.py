"""Prices as weights over levels: what a unit of each ingredient costs in a kilogram of product."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from doe.definition.categories import NONE, material_of
from doe.definition.parts import Ingredient
from doe.problems import Unavailable

if TYPE_CHECKING:
    from doe.study import Study


def price_weights(study: Study, chosen: Mapping[str, Any] | None) -> dict[str, float] | Unavailable:
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
