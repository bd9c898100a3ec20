"""A plan in whole plots or blocks: who sits where, the search, and the recipes brought to weighable steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.definition.parts import PlanWish
from doe.groups.plotmoves import Rounding, Stage
from doe.groups.plotsettings import candidates_for, settings_of, tidied
from doe.groups.setups import Made, strata_of
from doe.groups.splitplot import FINE, search, sweep
from doe.groups.wholeplots import Hard, hard_functions
from doe.problems import PlanError, Problem
from doe.search.allocation import in_blocks, sizes
from doe.search.exchange import RIDGE, first_best
from doe.search.grids import Grids
from doe.search.grouped import Plans, Task, gains
from doe.search.optimal import Found, Wanted, efficiency_kept, off_grid, search_plan
from doe.search.spaces import Layout
from doe.search.strata import repeats_within

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_LEFT_OVER = 3  # whole plots to judge effects of hard-to-change factors by (see `_how_many`)
_SAME = 0.02  # in coded units: settings and recipes that are made one
_FREE = -1  # no whole plot or block yet


@dataclass(frozen=True, slots=True, eq=False)
class Seats:
    """Whole plot and block of each of the trials to be chosen or held, and the recipe each makes (held ones first)."""

    plots: list[int]
    blocks: list[int]
    recipe: list[int]


def needs_seats(hard: Hard, made: Made, need: Wanted) -> bool:
    """Whether trials that are free to choose are made in groups, or go with some that were made in blocks."""
    free = need.runs - len(need.standards[0]) - len(need.held[0]) - need.repeats
    return free > 0 and (bool(hard) or need.blocks > 1 or max(made.blocks, default=-1) >= 0)


def enough_plots(wish: PlanWish, plan: Layout, hard: Hard, made: Made, need: Wanted) -> None:
    """Raises PlanError where so few whole plots are asked for that what is hard to change cannot be learnt of.

    Each of its terms, the intercept, and each further block take one. Trials made before may have told them.
    """
    if not hard or len(made.U):
        return
    blocks = max(1, need.blocks)
    count, _ = _how_many(plan, wish, hard, need.runs - len(need.standards[0]), blocks)
    own = hard_functions(plan, hard).shape[1]
    least = own + blocks - 1
    if count >= least:
        return
    names = [plan.region.free[j] for j in hard.columns] + [plan.factors[j] for j in hard.levels]
    named = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    where = f" in {blocks} blocks" if blocks > 1 else ""
    terms = "a term" if own == 2 else f"{own - 1} terms"
    got = f"{named} would be set {count} times{where}, too few for {terms} in {'it' if len(names) == 1 else 'them'}: "
    got += "what cannot be told from blocks or from each other is not learnt"
    do = f"give whole_plots = {least + _LEFT_OVER}, so that {_LEFT_OVER} are left over to judge effects by"
    do += f"{', fewer blocks' if blocks > 1 else ''}, or a smaller model"
    raise PlanError([Problem("too-few-whole-plots", "stop", "[plan], whole_plots", got, f"{least} or more", do)])


def seated_plan(
    wish: PlanWish, plan: Layout, hard: Hard, grid: Grids, made: Made, need: Wanted
) -> Found:  # fmt: skip
    """Search a plan in whole plots, blocks, or whole plots within blocks, the terms being judged after blocks."""
    seats, first, told = _seats(wish, plan, grid, made, need, hard)
    task, base, start = _task(wish, plan, made, need, hard, seats, first)
    count = 60 if len(plan.terms) * len(seats.recipe) <= 500 else 24
    best = search(task, base, starts=count, seed=wish.seed, first=start)
    ahead = len(made.U) + len(need.standards[0])
    if hard:
        best, task = _better_repeats(task, best, ahead)
        best = tidied(task, best)
    best, findings, kept = _weighable(task, best, grid, len(made.U))
    rows = np.arange(ahead, len(task.recipe))
    at, recipe = best.seat[0][rows], task.recipe[rows]
    plots, blocks = task.strata.plots[at], task.strata.blocks[at]
    return Found(
        best.X[0][recipe],
        best.C[0][recipe],
        (plots + 1).tolist() if hard else [],
        [*told, *findings],
        (blocks - blocks.min()).tolist(),
        kept=kept,
    )


def _seats(
    wish: PlanWish, plan: Layout, grid: Grids, made: Made, need: Wanted, hard: Hard
) -> tuple[Seats, Found | None, list[Problem]]:  # fmt: skip
    """Where the trials sit, the plan of the two-step way where there are no whole plots, and what to tell.

    The two-step way searches the trials as if there were no blocks and deals them out afterwards.
    """
    n, blocks = need.runs - len(need.standards[0]), max(1, need.blocks)
    if hard:
        count, told = _how_many(plan, wish, hard, n, blocks)
        settings = hard.settings(*need.held)
        seats, short = _in_plots(n, blocks, count, settings, need.repeats)
        used = len(set(seats.plots))
        if used > count:
            got = f"{count}, and the recipes that must be made need {used}"
            told.append(Problem("whole-plots-raised", "inform", "[plan], whole_plots", got, "", "each needs its own"))
        if short:
            got = f"{short} of the repeats have no place: in whole plots of one trial nothing is repeated within one"
            told.append(Problem("repeats-without-room", "warn", "[plan], whole_plots", got, "", "give fewer of them"))
        return seats, None, told
    found = search_plan(wish, plan, grid, made.recipes, need)
    t = len(found.U) - len(found.again)
    recipe = [*range(t), *found.again]
    F = plan.space.model(found.U, found.C)
    where = in_blocks(F, list(range(n)), sizes(n, blocks), wish.seed)
    if repeats_within(np.array(recipe), where) < (wish.pure_error_df or 0):
        where = in_blocks(F, recipe, sizes(n, blocks), wish.seed)
    return Seats(list(range(n)), where.tolist(), recipe), found, []


def _how_many(plan: Layout, wish: PlanWish, hard: Hard, n: int, blocks: int) -> tuple[int, list[Problem]]:
    """How many whole plots, and what to tell about it.

    Without a wish: as many as there are functions of the hard-to-change factors in the model, and three more to judge
    them against (t at 5 % is then 3.18, with two more 4.30, with one 12.7; common practice, no source); not more than
    half the trials; one more for each further block.
    """
    own = hard_functions(plan, hard).shape[1]
    where, told = "[plan], whole_plots", []
    if wish.whole_plots is None:
        count = min(max(own + _LEFT_OVER, 4), max(own, n // 2)) + blocks - 1
    else:
        count = max(wish.whole_plots, blocks)
        if count > wish.whole_plots:
            got = f"{wish.whole_plots} for {blocks} blocks: what is hard to change is set anew in each block"
            told.append(Problem("whole-plots-in-blocks", "inform", where, got, f"{blocks} or more", ""))
    count = min(count, n)
    left = count - own - (blocks - 1)
    if left < 1:
        effects = "" if own < 2 else f", and the model has {own} terms in them alone with the intercept"
        got = f"the hard-to-change factors are set {count} times{effects}: nothing is left to judge these by"
        do = f"give whole_plots = {own + blocks - 1 + _LEFT_OVER} or more to judge effects of these factors"
        told.append(Problem("few-whole-plots", "warn", where, got, f"{own + blocks} or more", do))
    return count, told


def _in_plots(
    n: int, blocks: int, count: int, held: Sequence[tuple[float, ...]], repeats: int
) -> tuple[Seats, int]:  # fmt: skip
    """Seats for n trials in `count` whole plots or more, even in size, within blocks; and the repeats without a place.

    Held recipes of one setting sit together. A repeat sits in the whole plot of the recipe it repeats.
    """
    for trial_count in range(count, n + 1):
        room = [
            (block, size)
            for block, (trials, plots) in enumerate(zip(sizes(n, blocks), sizes(trial_count, blocks), strict=True))
            for size in sizes(trials, plots)
        ]
        members = _held_in(room, held)
        if members is not None:
            break
    else:
        raise AssertionError("whole plots of one trial each hold any recipes")
    ties = [0] * len(room)
    for _ in range(repeats):
        left = [
            size - tied if tied < min(size - len(inside), size - 1) else 0
            for (_, size), tied, inside in zip(room, ties, members, strict=True)
        ]
        if not max(left):
            break
        ties[left.index(max(left))] += 1
    plots, block_of, recipe = [_FREE] * len(held), [_FREE] * len(held), list(range(len(held)))
    tied: list[tuple[int, int, int]] = []
    following = len(held)
    for plot, ((block, size), again, inside) in enumerate(zip(room, ties, members, strict=True)):
        for i in inside:
            plots[i], block_of[i] = plot, block
        own = list(range(following, following + size - len(inside) - again))
        following += len(own)
        for i in own:
            plots.append(plot)
            block_of.append(block)
            recipe.append(i)
        both = own + inside
        tied += [(plot, block, both[k % len(both)]) for k in range(again)]
    for plot, block, root in tied:
        plots.append(plot)
        block_of.append(block)
        recipe.append(root)
    return Seats(plots, block_of, recipe), repeats - sum(ties)


def _held_in(room: list[tuple[int, int]], held: Sequence[tuple[float, ...]]) -> list[list[int]] | None:
    """Held recipes dealt to whole plots, each of one setting, the largest lots first; None where they do not fit."""
    lots: dict[tuple[float, ...], list[int]] = {}
    for i, setting in enumerate(held):
        lots.setdefault(setting, []).append(i)
    members: list[list[int]] = [[] for _ in room]
    for lot in sorted(lots.values(), key=len, reverse=True):
        rest = list(lot)
        while rest:
            empty = [p for p in range(len(room)) if not members[p]]
            if not empty:
                return None
            plot = max(empty, key=lambda p: (room[p][1], -p))
            members[plot], rest = rest[: room[plot][1]], rest[room[plot][1] :]
    return members


def _task(
    wish: PlanWish, plan: Layout, made: Made, need: Wanted, hard: Hard, seats: Seats, first: Found | None
) -> tuple[Task, Plans, Plans | None]:  # fmt: skip
    """What is searched; the fixed recipes with the others at 0; and the plan of the two-step way to start from."""
    ahead = len(made.U) + len(need.standards[0])
    recipe = np.array([*range(ahead), *(ahead + r for r in seats.recipe)], dtype=np.intp)
    t, d, c = int(recipe.max()) + 1, plan.region.dimension, len(plan.factors)
    X, C = np.zeros((1, t, d)), np.zeros((1, t, c), dtype=np.intp)
    known = ahead + len(need.held[0])
    X[0, :known] = np.concatenate([made.U, need.standards[0], need.held[0]])
    C[0, :known] = np.concatenate([made.C, need.standards[1], need.held[1]])
    new = np.arange(ahead, len(recipe))
    plots = np.array(seats.plots)
    groups = [np.unique(recipe[new[plots == p]]) for p in dict.fromkeys(seats.plots)] if hard else []
    parties: list[Indices] = []
    if need.blocks > 1:
        parties = [new[plots == p] for p in dict.fromkeys(seats.plots)]
    pool = candidates_for(plan, hard)
    settings, levels = settings_of(plan, hard)
    standards = len(need.standards[0])
    # A standard is set up on its own.
    own = [-1 - k for k in range(standards)] + seats.plots if hard else [0] * (standards + len(seats.plots))
    block = [k % max(1, need.blocks) for k in range(standards)] + seats.blocks
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
    G, W = task.model(best)[0], task.seats
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


def _weighable(task: Task, best: Plans, grid: Grids, old: int) -> tuple[Plans, list[Problem], float | None]:
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
