"""Formulas and recipes of earlier days in the names of the present study: `was` follows a rename."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from doe import Study
from doe.definition.parts import Factor, Ingredient


def names_now(study: Study) -> dict[str, str]:
    """Each earlier name of an ingredient, its material, or a factor, and the name that it has now."""
    parts: list[Ingredient | Factor] = [*study.ingredients, *study.factors]
    return {old: part.name for part in parts for old in part.was if old not in study.columns}


def formula_now(row: Mapping[str, Any], study: Study) -> dict[str, Any]:
    """A stored formula with its `blend` and `factors` under the present names."""
    now = names_now(study)
    levels = {key: row[key] for key in ("blend", "factors") if key in row}
    return {**row, **{key: {now.get(n, n): v for n, v in found.items()} for key, found in levels.items()}}


def recipe_now(recipes: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Recipes of an earlier plan under the present names; of an ingredient that is new since, there was 0 in them."""
    now = {old: name for old, name in names_now(study).items() if name not in recipes}
    out = recipes.rename(columns=now)
    for item in study.varied:
        if item.role == "varied" and item.name not in out:
            out[item.name] = 0.0
    return out
