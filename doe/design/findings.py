"""Findings about a plan that was found: what never moves, set-ups, blocks, repeats, terms that are not sure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from doe.definition.categories import short
from doe.design.groundwork import still, untold
from doe.design.quality import Quality
from doe.design.textbook import CENTRED
from doe.design.trials import Trials, recipe_numbers
from doe.problems import Problem
from doe.region.limits import number

if TYPE_CHECKING:
    from doe.design.groundwork import Groundwork

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ORTHOGONAL = 0.99  # the share of information kept from which blocks take nothing worth telling
_MOST = 6  # names in a sentence
_WATCHED = 0.3  # of the trials: the most that watching the bench is to take before it is said; our choice
_MOVES = 1e-6  # in coded units


def plan_findings(
    ground: Groundwork, trials: Trials, quality: Quality, *, chosen: bool, in_plots: bool
) -> tuple[Problem, ...]:  # fmt: skip
    """What there is to say of the trials of a plan, those already made among them.

    `chosen` is False where every recipe was given; `in_plots`: whether they are made in whole plots.
    """
    return (
        *_fixed(ground),
        *(_unmoved(ground, trials) if chosen else ()),
        *(_set_ups(quality) if in_plots else ()),
        *_blocks(quality),
        *_standards(ground, len(trials.U)),
        *(untold(ground.layout, trials.U, trials.C) if chosen else ()),
        *_spare(ground, trials, quality),
    )


def _fixed(ground: Groundwork) -> list[Problem]:
    study, reach = ground.study, ground.study.region.reach
    out = []
    for name in (n for n in still(study) if n in reach):
        chosen = any(f.of == name and f.name not in still(study) for f in study.category_factors)
        got = f"stays at {number(reach[name][0])}, so the plan has no terms in {'its level' if chosen else 'it'}"
        out.append(Problem("does-not-move", "inform", name, got, "", "widen its limits to learn about it"))
    return out


def _unmoved(ground: Groundwork, trials: Trials) -> list[Problem]:
    """What could move and never does over the trials, or never within a block."""
    region, layout = ground.study.region, ground.layout
    blocks = trials.strata.blocks
    fixed = still(ground.study)
    X = layout.region.decoded(trials.U)
    columns = {name: X[:, j] / _width(region.reach[name]) for j, name in enumerate(layout.region.names)}
    columns |= {short(name): trials.C[:, j].astype(float) for j, name in enumerate(layout.factors)}
    open_now = {short(n): {c[n] for c in region.combinations} for n in region.categories}
    used = _named(ground)
    never, apart = [], []
    for name, values in columns.items():
        if name in fixed or name not in used or len(open_now.get(name, (0, 1))) < 2 or len(values) < 2:
            continue
        if np.ptp(values) < _MOVES:
            never.append(name)
        elif trials.strata.n_blocks > 1 and not _within(values, blocks):
            apart.append(name)
    out = []
    if never:
        got = f"{_are(never, 'never moves', 'never move')} over these trials, so nothing will be learnt of {_it(never)}"
        do = _more(ground)
        out.append(Problem("never-moves", "warn", "[plan]", got, "levels that differ between trials", do))
    if apart:
        got = f"{_are(apart, 'moves', 'move')} only between blocks, and {_its(apart)} cannot be told from theirs"
        do = "give more whole_plots or fewer blocks, so that it is set anew within a block"
        out.append(Problem("moves-between-blocks", "warn", "[plan], blocks", got, "", do))
    return out


def _named(ground: Groundwork) -> set[str]:
    """Columns that the plan has terms in: of others it is told already that these are left out."""
    found: set[str] = set()
    for term in ground.terms.terms:
        found |= (
            {name for name, _ in term.powers} | {short(name) for name, _ in term.level} | set(term.difference or ())
        )
    return found


def _width(ends: tuple[float, float]) -> float:
    return ends[1] - ends[0] if ends[1] > ends[0] else 1.0


def _within(values: Array, blocks: Indices) -> bool:
    return any(np.ptp(values[blocks == b]) > _MOVES for b in np.unique(blocks))


def _are(names: list[str], one: str, many: str) -> str:
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    return f"{listed} {one if len(names) == 1 else many}"


def _it(names: list[str]) -> str:
    return "it" if len(names) == 1 else "them"


def _its(names: list[str]) -> str:
    return "its effect" if len(names) == 1 else "their effects"


def _more(ground: Groundwork) -> str:
    if ground.hard:
        return "give more whole_plots, fewer blocks, or more runs"
    return "give more runs, finer steps or wider limits, or leave it at one level"


def _set_ups(quality: Quality) -> list[Problem]:
    setup = quality.whole_plots
    got = (
        f"what is hard to change is set up {setup['resets']} times, for {_span(setup['sizes'])} each time;"
        " each counts as set anew, even where the level stays. Set-ups are taken to differ by a variance of"
        f" {setup['ratio']:g} times that of batches within one"
    )
    do = "give whole_plot_ratio if you know it better, whole_plots for more or fewer set-ups"
    return [Problem("whole-plots", "inform", "[plan], whole_plots", got, "", do)]


def _span(sizes: list[int]) -> str:
    if max(sizes) == 1:
        return "one trial"
    return f"{sizes[0]} trials" if min(sizes) == max(sizes) else f"{min(sizes)} to {max(sizes)} trials"


def _blocks(quality: Quality) -> list[Problem]:
    kept = quality.blocks.get("kept", 1.0)
    if kept >= _ORTHOGONAL:
        return []
    got = f"differences between blocks take {1 - kept:.0%} of what the trials tell, most of {_worst(quality)}"
    do = "fewer or larger blocks tell more"
    return [Problem("blocks-not-orthogonal", "inform", "[plan], blocks", got, "", do)]


def _worst(quality: Quality) -> str:
    """The terms that lose most to blocks, as many as lose alike."""
    worst = quality.blocks["worst"]
    names = [worst["term"], *worst.get("alike", ())]
    return _are(names, "", "").strip() if len(names) <= _MOST else f"{', '.join(names[:_MOST])} and others alike"


def _standards(ground: Groundwork, trials: int) -> list[Problem]:
    """How many of the trials are the standard recipe, where they are more than what a plan spares on repeats."""
    wanted = ground.wanted
    watch = len(wanted.standards[0])
    if watch <= trials * _WATCHED:
        return []
    each = f"three a block, {wanted.blocks} blocks" if wanted.blocks > 1 else "first, in the middle and last"
    got = f"{watch} of {trials} trials are the standard recipe ({each})"
    do = f"give runs = {trials + watch} or more to try as much beside it, fewer blocks, or no standard"
    return [Problem("standard", "inform", "[plan], standard", got, f"up to {_WATCHED:.0%} of the trials", do)]


def _spare(ground: Groundwork, trials: Trials, quality: Quality) -> list[Problem]:
    """Where nothing is repeated, or only across blocks or whole plots, so that they come between."""
    if quality.df["pure_error"] > 0:
        return []
    within = ""
    if len(set(recipe_numbers(trials.U, trials.C).tolist())) < len(trials.U):
        within = " within a block" if trials.strata.n_blocks > 1 else " within a set-up"
    got = f"no trial is repeated{within}, so lack of fit cannot be tested"
    do = "give replicate_batches = 3 or more runs"
    if ground.wish.design in CENTRED and ground.layout.region.free and not ground.layout.factors:
        blocks = trials.strata.n_blocks
        do = f"give centre_points = {2 * blocks} or more" + (", so that each block has two" if blocks > 1 else "")
    return [Problem("no-repeats", "inform", "[plan]", got, "", do)]
