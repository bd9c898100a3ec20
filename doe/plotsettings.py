"""What whole plots may be set to, and the recipes their trials may have there."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt

from doe import candidates
from doe.optimal import Recipes
from doe.spaces import Layout
from doe.wholeplots import Hard

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


def candidates_for(plan: Layout, hard: Hard) -> Recipes:
    """Candidates for any trial; what is hard to change is set on them afterwards.

    Where limits differ between combinations of categories, each has its own, whatever is hard to change in them.
    """
    if plan.space.rooms is not None:
        return candidates.everywhere(plan.pieces, plan.region, candidates.short, most=360)
    easy = [range(n) if c not in hard.levels else range(1) for c, n in enumerate(plan.space.levels)]
    each = list(product(*easy))
    combos = np.array(each, dtype=np.intp).reshape(len(each), len(easy))
    return candidates.with_levels(candidates.short(plan.region), combos, most=360)


def _possible(plan: Layout, hard: Hard, setting: Array, levels: Indices | None = None) -> bool:
    """Whether a setting of what is hard to change (at these levels of it, or at any) leaves a recipe."""
    for piece, combos in plan.pieces:
        kept = combos if levels is None else combos[(combos[:, hard.levels] == levels).all(axis=1)]
        U = candidates.short(piece, plan.region).copy()
        U[:, list(hard.columns)] = setting
        if len(kept) and plan.space.inside(U, np.repeat(kept[:1], len(U), axis=0)).any():
            return True
    return False


def settings_of(plan: Layout, hard: Hard) -> tuple[Array, Indices]:
    """Settings of the hard-to-change factors to try: low, middle, high of each, and those of corners and middles."""
    if not hard:
        return np.zeros((0, 0)), np.zeros((0, 0), dtype=np.intp)
    columns = list(hard.columns)
    rows = list(product((-1.0, 0.0, 1.0), repeat=len(columns))) if len(columns) <= 4 else []
    grid = np.array(rows, dtype=float).reshape(len(rows), len(columns))
    grid = grid[[_possible(plan, hard, row) for row in grid]]
    if len(grid) < 3 ** len(columns):
        # Limits cut the box of settings: those that corners of the region have are possible for certain.
        corners = [candidates.short(piece, plan.region)[:, columns] for piece, _ in plan.pieces]
        grid = candidates.unique(np.concatenate([grid, *corners]))[:81]
    named = list(product(*(range(plan.space.levels[c]) for c in hard.levels)))
    levels = np.array(named, dtype=np.intp).reshape(len(named), len(hard.levels))
    settings, at = np.repeat(grid, len(levels), axis=0), np.tile(levels, (len(grid), 1))
    if plan.space.rooms is None or not len(settings):
        return settings, at
    kept = [_possible(plan, hard, row, level) for row, level in zip(settings, at, strict=True)]
    return settings[kept], at[kept]
