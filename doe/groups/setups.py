"""Which trials are made together: those made before, those of one setting, and the strata they make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.groups.wholeplots import Hard
from doe.search.allocation import sizes
from doe.search.optimal import Found, Recipes
from doe.search.strata import Strata

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """Trials already made: recipes U, C, and the whole plot and block of each as numbers.

    A trial of no known whole plot is one of its own; a block that is not known is -1. `last_plot` is the highest number
    that a whole plot was given.
    """

    U: Array
    C: Indices
    plots: tuple[int, ...]
    blocks: tuple[int, ...]
    last_plot: int

    @property
    def recipes(self) -> Recipes:
        """The recipes alone."""
        return self.U, self.C


def made_before(recipes: Recipes, frame: pd.DataFrame | None) -> Made:
    """Trials already made, with what columns `round`, `whole_plot` and `block` of their table say, where it has them.

    A whole plot or block belongs to its round: the same name in another round is another one.
    """
    n = len(recipes[0])
    if frame is None or not n:
        return Made(*recipes, tuple(range(n)), (-1,) * n, 0)
    rounds = [group_label(value) for value in frame["round"]] if "round" in frame else [None] * n

    def named(column: str) -> list[tuple[str | None, str] | None]:
        found = [group_label(value) for value in frame[column]] if column in frame else [None] * n
        return [None if name is None else (r, name) for r, name in zip(rounds, found, strict=True)]

    plots, blocks = named("whole_plot"), named("block")
    plot = {name: n + i for i, name in enumerate(dict.fromkeys(p for p in plots if p))}
    block = {name: i for i, name in enumerate(dict.fromkeys(b for b in blocks if b))}
    numbers = [int(p[1]) for p in plots if p and p[1].isdigit()]
    return Made(
        *recipes,
        tuple(i if p is None else plot[p] for i, p in enumerate(plots)),
        tuple(-1 if b is None else block[b] for b in blocks),
        max(numbers, default=0),
    )


def strata_of(made: Made, plots: Sequence[int], blocks: Sequence[int], ratio: float) -> Strata:
    """The strata of trials made and new ones, whose whole plots and blocks have numbers from 0.

    `plots` are all alike where there are none. Trials made before are in no block or whole plot of new ones; those of
    which no block is known are one block, and where no block is known or wanted there is none.
    """
    old, new = len(made.U), len(plots)
    many = len(set(blocks)) > 1 or max(made.blocks, default=-1) >= 0
    top = max(blocks, default=0) + 2
    block = [*(top + b if many else 0 for b in made.blocks), *(blocks if many else [0] * new)]
    if len(set(plots)) < 2 and len(set(made.plots)) == old:
        return Strata.of(list(range(old + new)), block, 0.0)
    past = [max(plots, default=0) + 1 + p for p in made.plots]
    own = list(plots) if len(set(plots)) > 1 else [-1 - i for i in range(new)]
    return Strata.of([*past, *own], block, ratio)


def by_setting(hard: Hard, found: Found, blocks: Sequence[int], count: int | None) -> list[int]:
    """Whole plots (from 1) of recipes that were given: those of one setting in a block, shared out up to `count`.

    None where nothing is hard to change, or all trials are of one recipe: these are made to see batches differ.
    """
    settings = hard.settings(found.U, found.C)
    alike = np.abs(found.U - found.U[:1]).max(initial=0.0) < 1e-9 and (found.C[:1] == found.C).all()
    if not hard or alike:
        return []
    lots: dict[tuple[Any, ...], list[int]] = {}
    for i, key in enumerate(zip(blocks, settings, strict=True)):
        lots.setdefault(key, []).append(i)
    parts = [1] * len(lots)
    sizes_now = [len(lot) for lot in lots.values()]
    while sum(parts) < min(count or 0, len(settings)):
        each = [size / part if part < size else 0.0 for size, part in zip(sizes_now, parts, strict=True)]
        parts[each.index(max(each))] += 1
    plots, following = [0] * len(settings), 1
    for lot, part in zip(lots.values(), parts, strict=True):
        for size in sizes(len(lot), part):
            for i in lot[:size]:
                plots[i] = following
            lot, following = lot[size:], following + 1
    return plots


def group_label(value: object) -> str | None:
    """A name for a block or whole plot as text, whole numbers without a point; None where there is none."""
    if is_absent(value):
        return None
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def is_absent(value: object) -> bool:
    """Whether a cell of a plan's table holds nothing."""
    return value is None or value is pd.NA or (isinstance(value, float) and pd.isna(value)) or value == ""
