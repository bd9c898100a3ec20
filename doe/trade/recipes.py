"""The recipes of a study at which checks of the trade are asked before there is a plan: the most extreme ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize

from doe.definition.categories import ingredient_of
from doe.region.region import Combination, Region
from doe.trade.composition import Stock, solids
from doe.trade.legal import allergens, counted_share, laws_for

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]

_MOST_CORNERS = 2000


def extreme_recipes(study: Study) -> pd.DataFrame:
    """Recipes that between them reach the most and least of all that is counted, columns `study.columns`.

    All corners of the region at each choice of materials: sums and ratios of sums are largest and smallest there. Where
    the corners are too many, those at which each ingredient, and each sum that a law counts, is most and least.
    """
    frames = []
    for piece, combinations in study.region.pieces:
        seen = set()
        for combo in combinations:
            choice = tuple((name, level) for name, level in combo.items() if ingredient_of(name) is not None)
            if choice in seen:
                continue
            seen.add(choice)
            X = _corners(study, piece, combo)
            frames.append(study.complete(pd.DataFrame(X, columns=list(piece.names)).assign(**combo)))
    return pd.concat(frames, ignore_index=True)


def _corners(study: Study, region: Region, combo: Combination) -> Array:
    if not region.names:
        return np.zeros((1, 0))
    if region.has_corners and region.vertex_count <= _MOST_CORNERS:
        return region.vertex_array
    stock = Stock.of(study, combo)
    ways = [counted_share(stock, law) for law in laws_for(study)]
    ways += [solids(stock), *allergens(stock).values(), *np.eye(len(stock.items))]
    places = [region.names.index(name) if name in region.names else None for name in stock.names]
    found = [region.interior]
    for way in ways:
        direction = np.zeros(len(region.names))
        for place, weight in zip(places, way, strict=True):
            if place is not None:
                direction[place] = weight
        if direction.any():
            found += [x for sign in (1.0, -1.0) if (x := _farthest(region, sign * direction)) is not None]
    return np.unique(np.round(np.array(found), 10), axis=0)


def _farthest(region: Region, direction: Array) -> Array | None:
    """A recipe (k,) of the region that is farthest along a direction, by linear programming."""
    ends = list(region.reach.values())
    equal = (region.E, region.e) if len(region.e) else (None, None)
    found = optimize.linprog(
        -direction, A_ub=region.A, b_ub=region.b, A_eq=equal[0], b_eq=equal[1], bounds=ends, method="highs"
    )
    return None if found.x is None else np.asarray(found.x, dtype=float)
