"""A region that is another polytope at another combination of category levels: limits of one material, or none of it.

Every combination is a `Region` of its own; those with the same limits share one, so that its corners are found once.
Around them stands one polytope that holds them all: its coordinates are those of plans and models. Combinations count
alike in every average, as they do where one polytope holds for all.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import reduce
from itertools import product
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from doe.definition.categories import Chosen, short
from doe.problems import Problem, StudyError
from doe.region.limits import LimitRow
from doe.region.region import Combination, Region

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Levels = tuple[str, ...]


def _holds(where: Mapping[str, tuple[str, ...]], chosen: Mapping[str, str]) -> bool:
    return all(chosen[name] in levels for name, levels in where.items())


@dataclass(frozen=True, slots=True)
class Condition:
    """What holds only at some category levels (`where`, all at once): linear limits, and bounds of columns by name."""

    where: Mapping[str, tuple[str, ...]]
    rows: tuple[LimitRow, ...] = ()
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def holds(self, chosen: Mapping[str, str]) -> bool:
        """Whether it holds at a combination of category levels."""
        return _holds(self.where, chosen)

    def is_named_in(self, conflict: str) -> bool:
        """Whether one of its limits or bounds stands in the words of a conflict."""
        labels = [label for *_, label in self.rows]
        ends = ("at least ", "at most ", "fixed at ", "is left out")
        labels += [f"{name} {side}" for name in self.bounds for side in ends]
        return any(label in conflict for label in labels)


@dataclass(frozen=True, slots=True)
class Bar:
    """Combinations that are left out on purpose: those with one of the levels of each category of `where`."""

    where: Mapping[str, tuple[str, ...]]
    words: str

    def holds(self, chosen: Mapping[str, str]) -> bool:
        """Whether a combination of category levels is left out by it."""
        return _holds(self.where, chosen)


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Pieces(Region):
    """The family of polytopes; `which` maps each combination of category levels that is open to one of `polytopes`.

    `empty` says of each combination that no recipe can meet why that is so; it has no place in the region, and neither
    has one that `bars` leave out.
    """

    polytopes: tuple[Region, ...] = ()
    which: Mapping[Levels, int] = field(default_factory=dict)
    empty: tuple[Problem, ...] = ()
    bars: tuple[Bar, ...] = ()

    @property
    def combinations(self) -> tuple[Combination, ...]:
        """The combinations of category levels at which something may be tried."""
        return tuple(MappingProxyType(dict(zip(self.categories, levels, strict=True))) for levels in self.which)

    def at(self, chosen: Mapping[str, Any]) -> Region:
        """The polytope at one combination; where no recipe is possible, the one around all."""
        index = self.which.get(tuple(str(chosen[name]) for name in self.categories))
        return self if index is None else self.polytopes[index]

    @property
    def pieces(self) -> tuple[tuple[Region, tuple[Combination, ...]], ...]:
        """Each polytope with the combinations at which it holds."""
        by: dict[int, list[Combination]] = {}
        for combination, index in zip(self.combinations, self.which.values(), strict=True):
            by.setdefault(index, []).append(combination)
        return tuple((self.polytopes[index], tuple(found)) for index, found in by.items())

    @property
    def has_corners(self) -> bool:
        """Whether the corners of every polytope are few enough to be found."""
        return all(part.has_corners for part in self.polytopes)

    @property
    def redundant(self) -> tuple[str, ...]:
        """Labels of limits that decide nothing at any combination where they hold."""
        labels = dict.fromkeys(label for part in self.polytopes for label in (*part.labels, *part.equal_labels))
        never_needed = [
            {label for label in labels if label not in part.labels + part.equal_labels} | set(part.redundant)
            for part in self.polytopes
        ]
        never = reduce(set.intersection, never_needed)
        return tuple(label for label in labels if label in never)

    @property
    def vertex_count(self) -> int:
        """How many corners there are, over all combinations."""
        return sum(self.polytopes[index].vertex_count for index in self.which.values())

    @property
    def vertex_array(self) -> Array:
        """The corners (v, k) of all combinations, one after the other."""
        return np.concatenate([self.polytopes[index].vertex_array for index in self.which.values()])

    def vertices(self) -> pd.DataFrame:
        """The corners, one a row, with the category levels at which they are corners."""
        tables = [self.at(combination).vertices().assign(**combination) for combination in self.combinations]
        return pd.concat(tables, ignore_index=True)

    @property
    def centroid(self) -> Mapping[str, float]:
        """The mean of the centroids of all combinations."""
        middles = [self.polytopes[index].centroid for index in self.which.values()]
        return MappingProxyType({name: float(np.mean([m[name] for m in middles])) for name in self.names})

    def edges(self) -> list[tuple[int, int]]:
        """Pairs of corners that an edge joins, as rows of `vertex_array`."""
        pairs, start = [], 0
        for index in self.which.values():
            part = self.polytopes[index]
            pairs += [(start + i, start + j) for i, j in part.edges()]
            start += len(part.vertex_array)
        return pairs

    def face_centroids(self, dimension: int) -> Array:
        """The mean of the corners of each face of one dimension, (f, k), of all combinations one after the other."""
        return np.concatenate([self.polytopes[index].face_centroids(dimension) for index in self.which.values()])

    def contains(self, X: npt.ArrayLike, tol: float = 1e-9, chosen: Chosen | None = None) -> Flags:
        """Whether each point (n, k) obeys every limit at its category levels; without these, at any combination."""
        points = np.atleast_2d(np.asarray(X, dtype=np.float64))
        if chosen is None:
            return np.asarray(np.any([part.contains(points, tol) for part in self.polytopes], axis=0), dtype=bool)
        inside = np.zeros(len(points), dtype=bool)
        keys = list(zip(*(map(str, chosen[name]) for name in self.categories), strict=True))
        index = np.array([self.which.get(key, -1) for key in keys])
        for i in np.unique(index[index >= 0]):
            inside[index == i] = self.polytopes[i].contains(points[index == i], tol)
        return inside

    def sample(self, n: int, seed: int | np.random.SeedSequence) -> Array:
        """Points (n, k), the i-th uniform over the (i mod m)-th of the m combinations; same seed, same points."""
        sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
        out = np.empty((n, len(self.names)))
        streams = sequence.spawn(len(self.which))
        for i, (index, stream) in enumerate(zip(self.which.values(), streams, strict=True)):
            count = len(range(i, n, len(self.which)))
            out[i :: len(self.which)] = self.polytopes[index].sample(count, stream)
        return out


def pieces(
    common: Mapping[str, Any],
    conditions: Sequence[Condition],
    categories: Mapping[str, Sequence[str]],
    shut: Mapping[str, Sequence[str]] | None = None,
    bars: Sequence[Bar] = (),
) -> Region:
    """The region under what holds everywhere (`common`: the arguments of `Region.build`) and under conditions.

    One polytope where no condition is given. `shut` keeps a category to some of its levels, `bars` take
    combinations out. Raises StudyError where every combination is empty, with the reasons.
    """
    if not conditions and not shut and not bars:
        return Region.build(**common, categories=categories)
    groups: dict[tuple[int, ...], list[Levels]] = {}
    open_levels = {**categories, **(shut or {})}
    for levels in product(*open_levels.values()):
        chosen = dict(zip(categories, levels, strict=True))
        if any(bar.holds(chosen) for bar in bars):
            continue
        active = tuple(i for i, c in enumerate(conditions) if c.holds(chosen))
        groups.setdefault(active, []).append(levels)
    polytopes: list[Region] = []
    which: dict[Levels, int] = {}
    empty: list[Problem] = []
    for active, combinations in groups.items():
        here = [conditions[i] for i in active]
        try:
            polytopes.append(_one(common, here))
        except StudyError as error:
            told = [_closed(problem, here) for problem in error.problems]
            empty += [problem for problem in told if problem not in empty]
            continue
        which |= dict.fromkeys(combinations, len(polytopes) - 1)
    if not polytopes:
        empty += [_barred(bars)] if bars else []
        raise StudyError(replace(problem, level="stop", code="empty-region") for problem in empty)
    ordered = {levels: which[levels] for levels in product(*categories.values()) if levels in which}
    around = _around(common, conditions, polytopes, categories)
    given = {f.name: getattr(around, f.name) for f in fields(Region) if f.init and f.name != "_kept"}
    return Pieces(
        **given, polytopes=tuple(polytopes), which=MappingProxyType(ordered), empty=tuple(empty), bars=tuple(bars)
    )


def _one(common: Mapping[str, Any], conditions: Sequence[Condition]) -> Region:
    """The polytope under the conditions that hold at a combination."""
    low, high = np.array(common["low"], dtype=float), np.array(common["high"], dtype=float)
    for condition in conditions:
        for name, ends in condition.bounds.items():
            column = common["names"].index(name)
            low[column], high[column] = ends
    rows = [*common["rows"], *(row for condition in conditions for row in condition.rows)]
    return Region.build(**{**common, "low": low, "high": high, "rows": rows})


def _around(
    common: Mapping[str, Any],
    conditions: Sequence[Condition],
    polytopes: Sequence[Region],
    categories: Mapping[str, Sequence[str]],
) -> Region:
    """One polytope around all: limits that hold everywhere, and bounds at what some combination really reaches."""
    names = common["names"]
    low = np.array([min(part.reach[name][0] for part in polytopes) for name in names])
    high = np.array([max(part.reach[name][1] for part in polytopes) for name in names])
    around = Region.build(**{**common, "low": low, "high": high}, categories=categories)
    asked = [
        np.array([_extreme(name, common[key][j], conditions, side) for j, name in enumerate(names)])
        for side, key in enumerate(("low", "high"))
    ]
    for array in asked:
        array.setflags(write=False)
    return replace(around, low=asked[0], high=asked[1])


def _extreme(name: str, everywhere: float, conditions: Sequence[Condition], side: int) -> float:
    """The lowest low or highest high that is asked of a column anywhere."""
    own = [condition.bounds[name][side] for condition in conditions if name in condition.bounds]
    return float((min, max)[side]([*own])) if own else float(everywhere)


def _barred(bars: Sequence[Bar]) -> Problem:
    """That limits on choices leave none of them, or none with a recipe."""
    got = f"no choice is left that has a recipe: {'; '.join(bar.words for bar in bars)}"
    return Problem("empty-region", "stop", "limits", got, "one combination at least", "take one of these limits out")


def _closed(problem: Problem, conditions: Sequence[Condition]) -> Problem:
    """An empty combination in words: the categories whose limits conflict, why, and that it is left out."""
    levels: dict[str, tuple[str, ...]] = {}
    for condition in [c for c in conditions if c.is_named_in(problem.got)] or conditions:
        for name, known in condition.where.items():
            levels[name] = tuple(level for level in levels.get(name, known) if level in known)
    where = " and ".join(f"{short(name)} is {' or '.join(known)}" for name, known in levels.items()) or "all else fails"
    do = f"{problem.do}; until then it is left out of plans and searches"
    if len(levels) == 2 and all(len(known) == 1 for known in levels.values()):
        (first, (one,)), (second, (other,)) = [(short(name), known) for name, known in levels.items()]
        limit = f'rule = "{first} is not {one}", when = "{second} is {other}"'
        do += f"; to leave it out on purpose, write as a limit: {limit}"
    return Problem("empty-combination", "warn", f"limits where {where}", problem.got, problem.allowed, do)
