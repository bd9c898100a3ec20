"""Recipes that can be weighed: levels on their steps, the ingredient that takes up the rest keeping the residue."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations, product
from math import ceil, log10

import numpy as np
import numpy.typing as npt

from doe.exchange import Proposals, Proposer, Space
from doe.region import Region

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ON_GRID = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Steps of the free columns of a region, (d,), in the study's units.

    `asked` (d,) says which are real weighable steps; the others are decimals, fine enough not to matter.
    """

    region: Region
    steps: Array
    asked: npt.NDArray[np.bool_]

    @property
    def is_coarse(self) -> bool:
        """Whether any column has a weighable step of its own."""
        return bool(self.asked.any())

    @property
    def columns(self) -> list[int]:
        """Which of the region's columns are free."""
        return [self.region.names.index(name) for name in self.region.free]

    @property
    def scale(self) -> Array:
        """Study's units per coded unit of each free column, (d,)."""
        return np.diag(self.region.decoded(np.eye(len(self.columns)))[:, self.columns]) - self.middle

    @property
    def middle(self) -> Array:
        """Level of each free column at coded 0, (d,)."""
        middle: Array = self.region.decoded(np.zeros((1, len(self.columns))))[0, self.columns]
        return middle


def grid(region: Region, steps: Mapping[str, float | None]) -> Grid:
    """The grid of a region: a column's own step, or decimals about 1/2000 of its reach where it has none."""
    given = [steps.get(name) for name in region.free]
    fine = []
    for name, step in zip(region.free, given, strict=True):
        low, high = region.reach[name]
        fine.append(step if step else 10.0 ** -min(9, ceil(-log10((high - low) / 2000))))
    return Grid(region, np.array(fine, dtype=float), np.array([bool(s) for s in given], dtype=bool))


def snapped(at: Grid, U: Array) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Coded recipes U (n, d) moved to the nearest place on the grid that obeys every limit; and which could be.

    A column without a step of its own falls back to where it stood when no place on the grid is inside.
    """
    out, done = U.copy(), np.ones(len(U), dtype=bool)
    for i, u in enumerate(U):
        found = _nearest(at, u, at.steps, (0, 1))
        if found is None:
            found = _nearest(at, u, at.steps, (-1, 0, 1, 2))
        if found is None and not at.is_coarse:
            found = _nearest(at, u, at.steps / 1000, (0, 1))
        if found is None:
            done[i] = not at.is_coarse
        else:
            out[i] = found
    return out, done


def _nearest(at: Grid, u: Array, steps: Array, around: tuple[int, ...]) -> Array | None:
    x = at.middle + u * at.scale
    place = x / steps
    close = np.round(place)
    first = _inside(at, (close * steps)[None])
    if len(first):
        nearest: Array = first[0]
        return nearest
    lists = [
        (c,) if abs(p - c) < _ON_GRID else tuple(np.floor(p) + k for k in around)
        for p, c in zip(place, close, strict=True)
    ]
    if np.prod([float(len(q)) for q in lists]) > 70_000:
        lists = [(np.floor(p), np.ceil(p)) for p in place]
    tried = np.array(list(product(*lists))) * steps
    distance = (((tried - x) / at.scale) ** 2).sum(axis=1)
    order = np.lexsort((np.arange(len(tried)), np.round(distance, 12)))
    inside = _inside(at, tried[order])
    if not len(inside):
        return None
    best: Array = inside[0]
    return best


def _inside(at: Grid, X: Array) -> Array:
    """Those of the levels X (n, d) of the free columns that obey every limit, coded."""
    U = (X - at.middle) / at.scale
    kept: Array = U[at.region.contains(at.region.decoded(U))]
    return kept


def on_grid(at: Grid, frozen: tuple[int, ...] = (), free_levels: bool = True) -> Proposer:
    """Moves from grid place to grid place: along each free column, and one up with another down."""
    d = len(at.steps)
    moving = [j for j in range(d) if j not in frozen]
    blend = [j for j in moving if at.region.free[j] in at.region.blend]
    pairs = []
    for i, j in combinations(blend, 2):
        for a, b in ((1, -1), (-1, 1), (2, -1), (-1, 2), (-2, 1), (1, -2)):
            row = np.zeros(d)
            row[i], row[j] = a * at.steps[i] / at.scale[i], b * at.steps[j] / at.scale[j]
            pairs.append(row)
    shift = np.array(pairs).reshape(len(pairs), d)

    def propose(space: Space, here: Array, level: Indices) -> Proposals:
        s = len(here)
        low, high = space.ranges(here[:, None, :], np.broadcast_to(np.eye(d), (s, d, d)))
        tried = [here[:, None, :] + shift]
        for j in moving:
            x = at.middle[j] + here[:, j] * at.scale[j]
            least = np.ceil((x + low[:, j] * at.scale[j]) / at.steps[j] - _ON_GRID)
            most = np.floor((x + high[:, j] * at.scale[j]) / at.steps[j] + _ON_GRID)
            now = np.round(x / at.steps[j])
            share = np.linspace(0, 1, 9)
            to = np.round(least[:, None] + (most - least)[:, None] * share)
            to = np.concatenate([to, now[:, None] + np.array([-2, -1, 1, 2])], axis=1)
            moved = np.repeat(here[:, None, :], to.shape[1], axis=1)
            moved[:, :, j] = (to * at.steps[j] - at.middle[j]) / at.scale[j]
            tried.append(moved)
        U = np.concatenate(tried, axis=1)
        C = np.repeat(level[:, None, :], U.shape[1], axis=1)
        for c, count in enumerate(space.levels if free_levels else ()):
            for value in range(count):
                other = level[:, None, :].copy()
                other[:, 0, c] = value
                U = np.concatenate([U, here[:, None, :]], axis=1)
                C = np.concatenate([C, other], axis=1)
        return Proposals(U, C, space.inside(U))

    return propose


def levels(at: Grid, U: Array) -> Array:
    """Levels (n, k) in the study's units, free of the dust of coding; the blend adds up to its total."""
    X = at.region.decoded(U)
    return np.round(X, 10) + 0.0
