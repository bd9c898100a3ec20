"""The assignment of trials to whole plots and blocks: how many whole plots, and which trial is made in which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from doe.definition.parts import PlanWish
from doe.groups.setups import Made
from doe.groups.wholeplots import Hard, hard_functions
from doe.problems import PlanError, Problem
from doe.search.allocation import sizes
from doe.search.optimal import Wanted
from doe.search.spaces import Layout

_LEFT_OVER = 3  # whole plots to judge effects of hard-to-change factors by (see `plot_count`)
_FREE = -1  # no whole plot or block yet


@dataclass(frozen=True, slots=True, eq=False)
class Assignment:
    """Whole plot and block of each of the trials to be chosen or held, and the recipe each makes (held ones first)."""

    plots: list[int]
    blocks: list[int]
    recipe: list[int]


def enough_plots(wish: PlanWish, plan: Layout, hard: Hard, made: Made, need: Wanted) -> None:
    """Raises PlanError where so few whole plots are asked for that what is hard to change cannot be learnt of.

    Each of its terms, the intercept, and each further block take one. Trials made before may have told them.
    """
    if not hard or len(made.U):
        return
    blocks = max(1, need.blocks)
    count, _ = plot_count(plan, wish, hard, need.runs - len(need.standards[0]), blocks)
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


def plot_count(plan: Layout, wish: PlanWish, hard: Hard, n: int, blocks: int) -> tuple[int, list[Problem]]:
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


def in_plots(
    n: int, blocks: int, count: int, held: Sequence[tuple[float, ...]], repeats: int
) -> tuple[Assignment, int]:  # fmt: skip
    """An assignment of n trials to `count` whole plots or more, even in size, within blocks; and the repeats left over.

    Held recipes of one setting go together. A repeat goes to the whole plot of the recipe it repeats.
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
    return Assignment(plots, block_of, recipe), repeats - sum(ties)


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
