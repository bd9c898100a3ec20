"""A plan in whole plots brought to weighable steps: settings alike within a whole plot, like recipes made one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from doe.groups.plotmoves import Rounding, Stage
from doe.groups.splitplot import sweep
from doe.problems import Problem
from doe.search.grids import Grids
from doe.search.grouped import Plans, Task
from doe.search.optimal import efficiency_kept, off_grid

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_SAME = 0.02  # in coded units: settings and recipes that are made one


def on_weighable_steps(task: Task, best: Plans, grid: Grids, old: int) -> tuple[Plans, list[Problem], float | None]:
    """The plan on weighable steps, like recipes made one; polished from step to step where steps are real.

    With it what to tell, and the efficiency kept against the plan before steps (None where no steps are asked for).
    """
    before = float(task.value(best)[0])
    best, done = _snapped(task, best, grid, old)
    if grid.is_coarse and done.all():
        move = grid.proposer(task.hard)
        stage = Stage(shares=9, near=6, passes=20, swaps=True, proposer=move, rounding=_rounding(grid))
        best, done = _snapped(task, sweep(task, best, stage), grid, old)
    told = [] if done.all() else [off_grid(int((~done).sum()))]
    if not grid.is_coarse:
        return best, told, None
    # For D the value is the logarithm of the determinant, of which efficiency is the p-th root.
    by = len(task.criterion.prior) if task.criterion.kind == "D" else 1
    return best, told, efficiency_kept(before / by, float(task.value(best)[0]) / by)


def _rounding(grid: Grids) -> Rounding:
    whole = grid.whole

    def on_step(column: int, u: Array) -> Array:
        x = np.round((whole.middle[column] + u * whole.scale[column]) / whole.steps[column]) * whole.steps[column]
        rounded: Array = (x - whole.middle[column]) / whole.scale[column]
        return rounded

    return on_step


def _snapped(task: Task, best: Plans, grid: Grids, old: int) -> tuple[Plans, npt.NDArray[np.bool_]]:
    """Settings on their steps first, the same for a whole plot; then recipes all but alike made one; then the rest."""
    out = best.take([0])
    X, C = out.X[0], out.C[0]
    taken: list[Array] = []
    for group in task.movable:
        own = _on_step(task, grid, X[group], C[group])
        alike = [setting for setting in taken if np.abs(setting - own).max(initial=0.0) < _SAME]
        for setting in (*alike, own):
            moved = X[group].copy()
            moved[:, task.hard] = setting
            if task.space.inside(moved, C[group]).all():
                X[group] = moved
                break
        taken.append(X[group[0], list(task.hard)].copy())
    _together(task, out, old)
    free = task.free
    snapped, done = grid.snapped(X[free], C[free], list(task.hard))
    X[free] = snapped
    return out, done


def _on_step(task: Task, grid: Grids, U: Array, C: Indices) -> Array:
    """The setting of a whole plot with recipes U (g, k), C (g, c), each column on the nearest step that all allow."""
    at, whole = U[0].copy(), grid.whole
    for column in task.hard:
        step, middle, scale = whole.steps[column], whole.middle[column], whole.scale[column]
        place = (middle + at[column] * scale) / step
        for near in (np.round(place), np.floor(place), np.ceil(place)):
            moved = U.copy()
            moved[:, task.hard] = at[list(task.hard)]
            moved[:, column] = (near * step - middle) / scale
            if task.space.inside(moved, C).all():
                at[column] = moved[0, column]
                break
    setting: Array = at[list(task.hard)]
    return setting


def _together(task: Task, plans: Plans, old: int) -> None:
    """Recipes of one setting that the search put all but in the same place become one; `plans` is changed.

    The first `old` were made before and are left alone.
    """
    X, C = plans.X[0], plans.C[0]
    done = task.fixed.copy()
    for i in range(old, len(X)):
        if done[i] and not task.fixed[i]:
            continue
        near = (np.abs(X - X[i]).max(axis=1, initial=0.0) < _SAME) & (C[i] == C).all(axis=1) & ~done
        near &= (X[:, task.hard] == X[i, task.hard]).all(axis=1)
        if near.any():
            X[near] = X[i] if task.fixed[i] else X[near].mean(axis=0)
        done |= near
