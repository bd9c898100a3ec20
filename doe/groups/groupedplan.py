"""A plan in whole plots or blocks: the assignment of its trials, the search for their recipes, other repeats tried."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from doe.definition.parts import PlanWish
from doe.groups.assignment import Assignment, in_plots, plot_count
from doe.groups.plotsettings import candidates_for, settings_of, tidied
from doe.groups.plotsteps import on_weighable_steps
from doe.groups.setups import Made, strata_of
from doe.groups.splitplot import FINE, search, sweep
from doe.groups.wholeplots import Hard
from doe.problems import Problem
from doe.search.allocation import in_blocks, sizes
from doe.search.exchange import RIDGE, first_best
from doe.search.grids import Grids
from doe.search.grouped import Plans, Task, gains
from doe.search.optimal import Found, Wanted, search_plan
from doe.search.spaces import Layout
from doe.search.strata import repeats_within

Indices = npt.NDArray[np.intp]


def needs_groups(hard: Hard, made: Made, need: Wanted) -> bool:
    """Whether trials that are free to choose are made in groups, or go with some that were made in blocks."""
    free = need.runs - len(need.standards[0]) - len(need.held[0]) - need.repeats
    return free > 0 and (bool(hard) or need.blocks > 1 or max(made.blocks, default=-1) >= 0)


def grouped_plan(
    wish: PlanWish, plan: Layout, hard: Hard, grid: Grids, made: Made, need: Wanted
) -> Found:  # fmt: skip
    """Search a plan in whole plots, blocks, or whole plots within blocks, the terms being judged after blocks."""
    assigned, first, told = _assigned(wish, plan, grid, made, need, hard)
    task, base, start = _task(wish, plan, made, need, hard, assigned, first)
    count = 60 if len(plan.terms) * len(assigned.recipe) <= 500 else 24
    best = search(task, base, starts=count, seed=wish.seed, first=start)
    ahead = len(made.U) + len(need.standards[0])
    if hard:
        best, task = _better_repeats(task, best, ahead)
        best = tidied(task, best)
    best, findings, kept = on_weighable_steps(task, best, grid, len(made.U))
    rows = np.arange(ahead, len(task.recipe))
    at, recipe = best.position[0][rows], task.recipe[rows]
    plots, blocks = task.strata.plots[at], task.strata.blocks[at]
    return Found(
        best.X[0][recipe],
        best.C[0][recipe],
        (plots + 1).tolist() if hard else [],
        [*told, *findings],
        (blocks - blocks.min()).tolist(),
        kept=kept,
    )


def _assigned(
    wish: PlanWish, plan: Layout, grid: Grids, made: Made, need: Wanted, hard: Hard
) -> tuple[Assignment, Found | None, list[Problem]]:  # fmt: skip
    """The whole plot and block of each trial, the two-step plan where there are no whole plots, and what to tell.

    A two-step plan is searched as if there were no blocks; its trials are assigned to them afterwards.
    """
    n, blocks = need.runs - len(need.standards[0]), max(1, need.blocks)
    if hard:
        count, told = plot_count(plan, wish, hard, n, blocks)
        settings = hard.settings(*need.held)
        assigned, short = in_plots(n, blocks, count, settings, need.repeats)
        used = len(set(assigned.plots))
        if used > count:
            got = f"{count}, and the recipes that must be made need {used}"
            told.append(Problem("whole-plots-raised", "inform", "[plan], whole_plots", got, "", "each needs its own"))
        if short:
            got = f"{short} of the repeats have no place: in whole plots of one trial nothing is repeated within one"
            told.append(Problem("repeats-without-room", "warn", "[plan], whole_plots", got, "", "give fewer of them"))
        return assigned, None, told
    found = search_plan(wish, plan, grid, made.recipes, need)
    t = len(found.U) - len(found.again)
    recipe = [*range(t), *found.again]
    F = plan.space.model(found.U, found.C)
    where = in_blocks(F, list(range(n)), sizes(n, blocks), wish.seed)
    if repeats_within(np.array(recipe), where) < (wish.pure_error_df or 0):
        where = in_blocks(F, recipe, sizes(n, blocks), wish.seed)
    return Assignment(list(range(n)), where.tolist(), recipe), found, []


def _task(
    wish: PlanWish, plan: Layout, made: Made, need: Wanted, hard: Hard, assigned: Assignment, first: Found | None
) -> tuple[Task, Plans, Plans | None]:  # fmt: skip
    """What is searched; the fixed recipes with the others at 0; and the two-step plan to start from."""
    ahead = len(made.U) + len(need.standards[0])
    recipe = np.array([*range(ahead), *(ahead + r for r in assigned.recipe)], dtype=np.intp)
    t, d, c = int(recipe.max()) + 1, plan.region.dimension, len(plan.factors)
    X, C = np.zeros((1, t, d)), np.zeros((1, t, c), dtype=np.intp)
    known = ahead + len(need.held[0])
    X[0, :known] = np.concatenate([made.U, need.standards[0], need.held[0]])
    C[0, :known] = np.concatenate([made.C, need.standards[1], need.held[1]])
    new = np.arange(ahead, len(recipe))
    plots = np.array(assigned.plots)
    groups = [np.unique(recipe[new[plots == p]]) for p in dict.fromkeys(assigned.plots)] if hard else []
    parties: list[Indices] = []
    if need.blocks > 1:
        parties = [new[plots == p] for p in dict.fromkeys(assigned.plots)]
    pool = candidates_for(plan, hard)
    settings, levels = settings_of(plan, hard)
    standards = len(need.standards[0])
    # A standard is set up on its own.
    own = [-1 - k for k in range(standards)] + assigned.plots if hard else [0] * (standards + len(assigned.plots))
    block = [k % max(1, need.blocks) for k in range(standards)] + assigned.blocks
    strata = strata_of(made, own, block, wish.whole_plot_ratio)
    task = Task(
        space=plan.space,
        criterion=plan.criterion(wish.criterion),
        strata=strata,
        recipe=recipe,
        fixed=np.arange(t) < known,
        groups=tuple(groups) if hard else tuple(np.array([r]) for r in range(known, t)),
        hard=hard.columns,
        hard_levels=hard.levels,
        settings=settings,
        setting_levels=levels,
        U=pool[0],
        C=pool[1],
        parties=tuple(parties),
        floor=0 if hard else wish.pure_error_df or 0,
    )
    base = Plans(X, C, np.arange(len(recipe))[None])
    if first is None:
        return task, base, None
    start = base.take([0])
    start.X[0, ahead:], start.C[0, ahead:] = first.U[: t - ahead], first.C[: t - ahead]
    return task, base, start


def _better_repeats(task: Task, best: Plans, ahead: int) -> tuple[Plans, Task]:
    """Try other trials to repeat: a repeat becomes a recipe of its own, and another trial of some whole plot a repeat.

    What the exchange costs is worked out for all pairs, the cheapest is taken and the plan polished; kept where that
    is better.
    """
    value = float(task.value(best)[0])
    for _ in range(2):
        better = False
        counts = np.bincount(task.recipe)
        for e in np.flatnonzero(counts[task.recipe] > 1)[::-1]:
            if e < ahead or np.flatnonzero(task.recipe == task.recipe[e])[0] == e:
                continue
            moved = _other_repeat(task, best, int(e), ahead)
            if moved is None:
                continue
            other, start = moved
            tried = sweep(other, start, FINE)
            worth = float(other.value(tried)[0])
            if worth > value + 1e-6:
                task, best, value, better = other, tried, worth, True
                counts = np.bincount(task.recipe)
        if not better:
            break
    return best, task


def _other_repeat(task: Task, best: Plans, e: int, ahead: int) -> tuple[Task, Plans] | None:
    """The task and plan in which trial e is no repeat any more, and the trial that loses least becomes one."""
    G, W = task.model(best)[0], task.position_weights
    F = G[task.recipe]
    plot = task.strata.plots
    counts = np.bincount(task.recipe)
    single = [
        i for i in range(ahead, len(task.recipe)) if counts[task.recipe[i]] == 1 and not task.fixed[task.recipe[i]]
    ]
    pairs = [(i, int(r)) for i in single for r in np.unique(task.recipe[plot == plot[i]]) if r != task.recipe[i]]
    if not pairs:
        return None
    A = F.T @ W @ F + task.criterion.prior + RIDGE * np.eye(F.shape[1])
    who, to = np.array([i for i, _ in pairs]), np.array([r for _, r in pairs])
    gain = gains(task.criterion, np.linalg.inv(A)[None], (G[to] - F[who])[None], (W[who] @ F)[None], W[who, who][None])
    i, r = pairs[int(first_best(gain)[0])]
    recipe = task.recipe.copy()
    gone = int(recipe[i])
    recipe[i], recipe[e] = r, gone
    start = best.take([0])
    start.X[0, gone], start.C[0, gone] = best.X[0, task.recipe[e]], best.C[0, task.recipe[e]]
    new = np.arange(ahead, len(recipe))
    groups = tuple(np.unique(recipe[new[plot[new] == p]]) for p in dict.fromkeys(plot[new].tolist()))
    return replace(task, recipe=recipe, groups=groups), start
