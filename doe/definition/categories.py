"""Categories: which of their levels enter a model as contrasts, and how the material in an ingredient's place is named.

An ingredient with `choice` or `or_none` has a category of its own beside its level: which material stands there. Its
levels are the materials (`present` where there is no choice), and `none` where it may be absent. What is absent has no
material: at `none` every contrast is 0, and the model speaks through the level, which is 0 there. An ingredient that is
only present or absent has no contrasts at all: 0 is an amount, and the model goes on through it. What such a model
cannot see is a jump at the first trace: something that any amount does and none does not. Who expects one makes the
ingredient a fixed one at two named settings of a factor, or leaves 0 out and compares with a reference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Chosen = Mapping[str, npt.NDArray[Any]]

MATERIAL = "material: "
NONE = "none"
PRESENT = "present"


def material_of(ingredient: str) -> str:
    """The name of the category that says which material stands in an ingredient's place; a column of tables."""
    return MATERIAL + ingredient


def ingredient_of(category: str) -> str | None:
    """The ingredient whose material a category chooses; None for any other category."""
    return category[len(MATERIAL) :] if category.startswith(MATERIAL) else None


def short(category: str) -> str:
    """The category as terms spell it: `[Gum: Xanthan A]` for a material, `[Gum wetting: dry]` for a condition."""
    return ingredient_of(category) or category


def present(category: str, levels: Sequence[str]) -> tuple[str, ...]:
    """The levels that differ from each other in a model: all but the absence of a material."""
    if ingredient_of(category) is None:
        return tuple(levels)
    return tuple(level for level in levels if level != NONE)


def contrasts(category: str, levels: Sequence[str]) -> tuple[str, ...]:
    """The levels that have a contrast: all present ones but the last."""
    return present(category, levels)[:-1]


def contrast_table(category: str, levels: Sequence[str]) -> Array:
    """Contrast of each present level (columns) at each level (rows), (m, p).

    1 at its own level, -1 at the last present one, else 0: over the levels they sum to zero. All are 0 for `none`.
    """
    there = present(category, levels)
    table = np.array([[float(level == column) for column in there] for level in levels]).reshape(len(levels), -1)
    if there:
        table[[level == there[-1] for level in levels]] = np.append(-np.ones(len(there) - 1), 0.0)
    return table
