"""What whole plots may be set to, and the recipes their trials may have there."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from doe.groups.splitplot import FINE, sweep
from doe.groups.wholeplots import Hard
from doe.search import candidates
from doe.search.grouped import Plans, Task
from doe.search.optimal import Recipes
from doe.search.spaces import Layout

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

# The share of efficiency that plain settings may cost, how far they are looked for, and which they are
_COST, _NEAR, _PLAIN = 0.005, (0.1, 0.3), (-1.0, 0.0, 1.0)
_POLISH = replace(FINE, plots=False, swaps=False)


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
    """Settings of the hard-to-change factors to try: numeric ones (s, h), coded, and level indices of others (s, hl).

    Low, middle and high of each; where limits cut these, those of the region's corners and edge middles too.
    """
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


def tidied(task: Task, plans: Plans) -> Plans:
    """The plan with settings that differ for next to nothing made alike, or put to low, middle or high.

    A chemist sets up 60, 70 and 80, not 68.9 and 71.2. The recipes are polished at the new setting; all together may
    cost half a percent of the plan's efficiency.
    """
    out = plans.take([0])
    # For D the value is the logarithm of the determinant, of which efficiency is the p-th root.
    by = len(task.criterion.prior) if task.criterion.kind == "D" else 1
    least = float(task.value(out)[0]) + by * np.log(1 - _COST)
    for most in _NEAR:
        for column in task.hard:
            for group in task.movable:
                out = _tidier(task, out, group, column, most, least)
    return out


def _tidier(task: Task, plans: Plans, group: Indices, column: int, most: float, least: float) -> Plans:
    """One whole plot at the nearest tidy setting of one column, not farther than `most`, if the value allows."""
    X = plans.X[0]
    now = float(X[group[0], column])
    others = [float(X[other[0], column]) for other in task.groups if other is not group]
    near = [u for u in {*_PLAIN, *others} if abs(u - now) < most]
    for setting in sorted(near, key=lambda u: (u not in _PLAIN, abs(u - now), u)):
        if setting == now:
            break
        moved = plans.take([0])
        moved.X[0, group, column] = setting
        if task.space.inside(moved.X[0, group], moved.C[0, group]).all():
            moved = sweep(task, moved, _POLISH)
            if task.value(moved)[0] >= least:
                return moved
    return plans
