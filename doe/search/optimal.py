"""An optimal plan for a study: what must be in it, what is left to search, and the search."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.materials import with_none
from doe.definition.parts import PlanWish
from doe.problems import PlanError, Problem
from doe.search import candidates
from doe.search.allocation import moved_repeats
from doe.search.exchange import Criterion, Move, Runs, offered, sweep
from doe.search.grids import Grids
from doe.search.spaces import Layout
from doe.search.staged import Pool, search

if TYPE_CHECKING:
    from doe.study import Study

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Recipes = tuple[Array, Indices]

# Degrees of freedom that a plan has for each unless told otherwise; common practice, no source
_LACK_OF_FIT, _PURE_ERROR = 5, 4
_SAME = 0.02  # in coded units: recipes that are made one
_WORK = 5400.0  # starts times terms times the root of the runs
_TURNS = 4  # of choosing repeats and searching again


@dataclass(frozen=True, slots=True, eq=False)
class Wanted:
    """What a plan must hold: recipes to make, standards, how many repeats, blocks."""

    runs: int
    held: Recipes
    standards: Recipes
    repeats: int
    repeats_asked: int
    blocks: int
    block_names: tuple[str | int, ...]


@dataclass(slots=True, eq=False)
class Found:
    """A plan found: recipes U (n, d), C (n, c), and what to tell.

    `plots`, `blocks`: the whole plot (from 1) and block (from 0) of each recipe, empty where there are none. `again`:
    which recipes the last rows repeat, where there are no whole plots. `kept`: the efficiency by its own criterion
    against the plan as it was before it was put on weighable steps; None where there are none.
    """

    U: Array
    C: Indices
    plots: list[int] = field(default_factory=list)
    findings: list[Problem] = field(default_factory=list)
    blocks: list[int] = field(default_factory=list)
    again: list[int] = field(default_factory=list)
    kept: float | None = None


def recipes_in(study: Study, plan: Layout, frame: pd.DataFrame | None) -> Recipes:
    """Recipes of a table (columns study.columns) in coded form. Raises PlanError naming what cannot be read."""
    region = plan.region
    if frame is None or not len(frame):
        return np.zeros((0, region.dimension)), np.zeros((0, len(plan.factors)), dtype=np.intp)
    needed = [n for n in region.names if n != region.fill] + [f.name for f in study.category_factors]
    missing = [n for n in needed if n not in frame.columns]
    if missing:
        got = f"no column for {', '.join(missing)}"
        raise PlanError([Problem("missing-level", "stop", "trials already made", got, "a level of each", "add it")])
    whole = frame if region.fill is None or region.fill in frame else study.complete(frame)
    X = whole[list(region.names)].to_numpy(dtype=float)
    try:
        C = plan.indices(region.chosen(frame), len(frame))
    except KeyError as error:
        got = f"level {error.args[0]} is not known"
        raise PlanError(
            [Problem("unknown-level", "stop", "trials already made", got, "a level of the study", "")]
        ) from None
    return region.coded(X), C


def wanted(study: Study, wish: PlanWish, plan: Layout, existing: Recipes) -> Wanted:
    """Read the wish; raises PlanError with every reason why it cannot be met."""
    problems: list[Problem] = []
    held = _given(study, plan, wish.must_make, "[plan], must_make", problems)
    names = wish.blocks if isinstance(wish.blocks, tuple) else tuple(range(1, wish.blocks + 1))
    blocks = wish.n_blocks
    standard = _given(study, plan, (wish.standard,) if wish.standard else (), "[plan], standard", problems)
    times = 3 * max(1, blocks) if wish.standard else 0
    watch = (np.repeat(standard[0], times, axis=0), np.repeat(standard[1], times, axis=0))
    sure = plan.terms.n_sure
    runs = wish.runs if wish.runs is not None else sure + _LACK_OF_FIT + _PURE_ERROR + times
    asked = max(wish.replicate_batches or 0, wish.pure_error_df or 0)
    told = wish.replicate_batches is not None or wish.pure_error_df is not None
    count = asked if told else _default_repeats(runs - times, len(held[0]), len(existing[0]), plan)
    again = _made_again(held, standard, existing)
    asked, count = max(0, asked - again), max(0, count - again)
    if wish.design == "optimal":
        problems += _room(plan, runs, times, held, _Repeats(count, again, told), existing)
        if plan.confounded:
            problems.append(confounded(plan.terms.labels, plan.confounded))
    elif wish.runs is not None and wish.runs <= times:
        problems.append(_too_few(runs, times + 1, "the standard recipe already takes them"))
    if blocks and runs < 2 * blocks:
        got = f"{runs} runs in {blocks} blocks"
        problems.append(Problem("blocks", "stop", "[plan], blocks", got, "two trials a block", "give fewer blocks"))
    if problems:
        raise PlanError(problems)
    return Wanted(runs, held, watch, count, asked, blocks, names)


def _default_repeats(runs: int, held: int, made: int, plan: Layout) -> int:
    """Where none are asked for: the first five trials beyond the terms go to lack of fit, the next four to repeats.

    Where terms are only potential: a quarter of what is beyond the sure ones, at most four. Of the trials that are free
    to choose at most half repeat another, a quarter where some are made already. Common practice, no source.
    """
    most = max(0, (runs - held) // (4 if made else 2))
    if all(plan.terms.sure):
        return min(_PURE_ERROR, most, max(0, runs + made - len(plan.terms) - _LACK_OF_FIT))
    return min(_PURE_ERROR, most, max(0, (runs + made - plan.terms.n_sure) // 4))


def _made_again(held: Recipes, standard: Recipes, existing: Recipes) -> int:
    """How many recipes that must be made repeat one of them, the standard or one made before: repeats like others."""

    def distinct(*parts: Recipes) -> int:
        rows = np.concatenate([np.column_stack([np.round(U, 7) + 0.0, C]) for U, C in parts])
        return len(np.unique(rows, axis=0))

    return len(held[0]) - (distinct(standard, existing, held) - distinct(standard, existing))


@dataclass(frozen=True, slots=True)
class _Repeats:
    """Repeats that are left to choose, those among recipes that must be made, and whether a number was asked for."""

    count: int
    again: int
    told: bool


def _room(plan: Layout, runs: int, times: int, held: Recipes, repeats: _Repeats, existing: Recipes) -> list[Problem]:
    """Where the runs do not hold the sure terms, repeats, `times` standards and recipes asked for."""
    problems: list[Problem] = []
    count, again, told = repeats.count, repeats.again, repeats.told
    sure = plan.terms.n_sure
    known = len(existing[0])
    if known and len(held[0]) == runs:
        # A later round of recipes given one by one: nothing is left to choose, so no model asks for more.
        return problems
    distinct = runs - max(times - 1, 0) - again - (count if told else 0) + known
    if runs + known < sure:
        problems.append(_too_few(runs, sure - known, f"the model has {sure} sure terms", f", {plan.terms.why_sure}"))
    elif distinct < sure or (told and 0 < runs - times <= count and not len(held[0])):
        got = f"{runs} runs, of which {runs + known - distinct} repeat another, for {sure} sure terms"
        allowed = f"{sure} distinct recipes, {plan.terms.why_sure}"
        do = "ask for fewer repeats or more runs, or make some terms maybe"
        problems.append(Problem("too-many-repeats", "stop", "[plan], replicate_batches", got, allowed, do))
    if len(held[0]) + times + (count if told else 0) > runs:
        got = f"{len(held[0])} recipes to make, {times} standards and {count} repeats in {runs} runs"
        allowed = "no more of them than runs in all"
        problems.append(Problem("too-few-runs", "stop", "[plan], runs", got, allowed, "give more runs"))
    return problems


def _too_few(runs: int, needed: int, why: str, each: str = "") -> Problem:
    return Problem(
        "too-few-runs",
        "stop",
        "[plan], runs",
        f"runs = {runs}, and {why}",
        f"at least {needed} runs{each}",
        'give more runs, choose a smaller model, or say which terms are only maybe (maybe = "quadratic")',
    )


def confounded(labels: Sequence[str], gone: Sequence[str]) -> Problem:
    """The refusal of terms `gone`, of those with these labels, that were asked for one by one."""
    got = f"{', '.join(gone)} cannot be told from other terms anywhere in this region"
    kept = [label for label in labels if label not in gone and label != "1"]
    do = "leave them out: terms = [" + ", ".join(f'"{label}"' for label in kept) + "]"
    return Problem("confounded", "stop", "[plan], model or terms", got, "terms that differ", do)


def _given(study: Study, plan: Layout, rows: Any, where: str, problems: list[Problem]) -> Recipes:
    """Recipes given by name and level; what is wrong with them goes to `problems`."""
    good = []
    named = [f.name for f in study.category_factors]
    for row in (with_none(study.ingredients, given) for given in rows):
        needed = [n for n in plan.region.names if n != plan.region.fill] + named
        missing = [n for n in needed if n not in row]
        if missing:
            got = f"no level for {', '.join(missing)}"
            problems.append(Problem("missing-level", "stop", where, got, "a level of each", "add it"))
            continue
        frame = pd.DataFrame([dict(row)])
        X = study.complete(frame)[list(plan.region.names)].to_numpy(dtype=float)
        strange = [n for n in named if row[n] not in plan.region.categories[n]]
        if strange:
            got = f"{strange[0]} = {row[strange[0]]}"
            allowed = ", ".join(plan.region.categories[strange[0]])
            problems.append(Problem("unknown-level", "stop", where, got, allowed, "choose one of these"))
        elif not plan.region.contains(X, 1e-7, plan.region.chosen(frame))[0]:
            got = ", ".join(f"{n} {row[n]:g}" for n in needed if n not in named) + " breaks a limit or the total"
            problems.append(Problem("outside", "stop", where, got, "a recipe within all limits", "mend it or a limit"))
        else:
            good.append(frame)
    if not good:
        return recipes_in(study, plan, None)
    return recipes_in(study, plan, study.complete(pd.concat(good, ignore_index=True)))


def off_grid(count: int) -> Problem:
    """The finding that some recipes could not be put on weighable steps."""
    got = f"{count} of the trials have no weighable recipe near them that obeys every limit"
    return Problem("off-step", "warn", "[[ingredient]], step", got, "", "make a step finer or a limit wider")


def search_plan(wish: PlanWish, plan: Layout, grid: Grids, existing: Recipes, need: Wanted) -> Found:
    """Search independent trials, those that are made again from the start on: as recipes that count twice.

    Then repeats move from recipe to recipe while that gains, and the plan is polished anew. With weighable steps every
    polish ends from step to step.
    """
    fixed = (np.concatenate([existing[0], need.standards[0]]), np.concatenate([existing[1], need.standards[1]]))
    G = plan.space.model(*fixed)
    criterion = plan.criterion(wish.criterion, G.T @ G)
    h = len(need.held[0])
    free = need.runs - len(need.standards[0]) - h - need.repeats
    pool = Pool(*candidates.everywhere(plan.pieces, plan.region, candidates.short, most=360))
    pools = [pool] * free
    held = Runs(need.held[0][None], need.held[1][None])
    starts = int(np.clip(_WORK / np.sqrt(need.runs) / len(plan.terms), 16, 240))
    times = np.ones(h + free)
    # Where no trial is free to choose, those that must be made are made again.
    np.add.at(times, [h + k % free if free else k % h for k in range(need.repeats)], 1.0)
    runs = search(plan.space, criterion, pools, held=held, starts=starts, seed=wish.seed, roots=np.sqrt(times))
    found = Found(_together(runs.X[0], runs.C[0], h), runs.C[0])
    _on_steps(plan, criterion, pools, grid, found, h, np.sqrt(times))
    for _ in range(_TURNS):
        moved = moved_repeats(criterion, plan.space.model(found.U, found.C), times)
        if (moved == times).all():
            break
        first, roots = Runs(found.U[None].copy(), found.C[None].copy()), np.sqrt(moved)
        if pools:
            first = search(plan.space, criterion, pools, held=held, first=first, roots=roots)
        tried = Found(first.X[0], first.C[0])
        _on_steps(plan, criterion, pools, grid, tried, h, roots)
        if _worth(plan, criterion, tried, moved) <= _worth(plan, criterion, found, times) + 1e-6:
            break
        found, times = tried, moved
    found.again = [i for i, count in enumerate(times) for _ in range(int(count) - 1)]
    found.U = np.concatenate([found.U, found.U[found.again]])
    found.C = np.concatenate([found.C, found.C[found.again]])
    return found


def _worth(plan: Layout, criterion: Criterion, found: Found, times: Array) -> float:
    return float(criterion.value(plan.space.model(found.U, found.C) * np.sqrt(times)[:, None]))


def _together(U: Array, C: Indices, held: int) -> Array:
    """Recipes that the search put all but in the same place become one recipe, made more than once."""
    out, done = U.copy(), np.zeros(len(U), dtype=bool)
    for i in range(len(U)):
        if done[i]:
            continue
        near = (np.abs(U - U[i]).max(axis=1, initial=0.0) < _SAME) & (C[i] == C).all(axis=1) & ~done
        near[:held] &= np.arange(held) == i
        done |= near
        out[near] = U[i] if i < held else U[near].mean(axis=0)
    return out


def _on_steps(
    plan: Layout,
    criterion: Criterion,
    pools: list[Pool],
    grid: Grids,
    found: Found,
    h: int,
    roots: Array,
) -> None:
    """Put the free recipes of `found` on weighable steps, and polish from step to step where steps are real."""
    worth = criterion.value(plan.space.model(found.U, found.C) * roots[:, None])
    U, done = grid.snapped(found.U[h:], found.C[h:])
    found.findings = [] if done.all() else [off_grid(int((~done).sum()))]
    found.U = np.concatenate([found.U[:h], U])
    if grid.is_coarse and done.all() and pools:
        moves: list[Move | None] = [None] * h
        moves += [offered(grid.proposer())] * len(pools)
        runs = sweep(plan.space, criterion, Runs(found.U[None].copy(), found.C[None].copy()), moves, roots, passes=20)
        found.C = runs.C[0]
        merged = _together(runs.X[0], runs.C[0], h)
        # A middle of two recipes may lie between steps, and coding leaves dust of 1e-17.
        found.U = np.concatenate([merged[:h], grid.snapped(merged[h:], found.C[h:])[0]])
    if grid.is_coarse:
        after = criterion.value(plan.space.model(found.U, found.C) * roots[:, None])
        found.kept = efficiency_kept(float(worth), float(after))


def efficiency_kept(before: float, after: float) -> float:
    """The share of its efficiency that a plan keeps on steps, of its criterion's logarithms before and after."""
    return float(np.exp(min(after - before, 0.0))) if np.isfinite(before) else 0.0
