"""Recipes that can be weighed: levels on their steps, the ingredient that takes up the rest keeping the residue."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from math import ceil, log10
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from doe.region.lattice import nearest, on_steps
from doe.region.region import Region
from doe.search.exchange import Proposals, Proposer, Space

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ON_GRID = 1e-7  # of a step
_EXACT = 1e-12  # of a limit
_LONGEST = 1000  # steps after which a column that follows has to be on its own step again
_MOST_EXCHANGES = 16  # exchanges of two ingredients that keep such columns on their steps


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Steps of the free columns of a region, (d,), in the study's units.

    `asked` (d,) says which are real weighable steps; the others are decimals, fine enough not to matter. `kept` are
    all the real ones by name, those of columns that follow from the others as well. Recipes stay `within` a polytope:
    the region itself, or one of its pieces in the coordinates of the whole (see `doe.search.grids`).
    """

    region: Region
    steps: Array
    asked: npt.NDArray[np.bool_]
    kept: Mapping[str, float]
    within: Region

    @property
    def is_coarse(self) -> bool:
        """Whether any column has a weighable step of its own."""
        return bool(self.kept)

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


def grid(region: Region, steps: Mapping[str, float | None], within: Region | None = None) -> Grid:
    """The grid of a region: a column's own step, or decimals about 1/2000 of its reach where it has none."""
    given = [steps.get(name) for name in region.free]
    fine = []
    for name, step in zip(region.free, given, strict=True):
        low, high = region.reach[name]
        fine.append(step if step else 10.0 ** -min(9, ceil(-log10((high - low) / 2000))))
    asked = np.array([bool(s) for s in given], dtype=bool)
    piece = region if within is None else within
    return Grid(region, np.array(fine, dtype=float), asked, MappingProxyType(on_steps(piece, steps)), piece)


def snapped(at: Grid, U: Array, held: Sequence[int] = ()) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Coded recipes U (n, d) moved to the nearest place on the grid that obeys every limit; and which could be.

    A column without a step of its own falls back to where it stood when no place on the grid is inside. Where none of
    the places around is inside, the nearest of all is sought, the columns `held` staying as they are.
    """
    out, done = U.copy(), np.ones(len(U), dtype=bool)
    for i, u in enumerate(U):
        found = _nearest(at, u, at.steps, (0, 1))
        if found is None:
            found = _nearest(at, u, at.steps, (-1, 0, 1, 2))
        if found is None and not at.is_coarse:
            found = _nearest(at, u, at.steps / 1000, (0, 1))
        if found is None and at.is_coarse:
            levels_now = at.region.decoded(u[None])[0]
            far = nearest(at.within, at.kept, levels_now, [at.region.free[j] for j in held])
            found = None if far is None else _on_decimals(at, at.region.coded(far)[0])
        if found is None:
            done[i] = not at.is_coarse
        else:
            out[i] = found
    return out, done


def _on_decimals(at: Grid, u: Array) -> Array:
    """A recipe on its steps with the other columns on decimals as well, where some near place allows it."""
    near = _nearest(at, u, at.steps, (0, 1))
    return u if near is None else near


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
    kept: Array = U[on_it(at, U)]
    return kept


def on_it(at: Grid, U: Array) -> npt.NDArray[np.bool_]:
    """Which coded recipes U (n, d) obey every limit and have on their steps what follows from the others, (n,)."""
    X = at.region.decoded(U)
    good = at.within.contains(X, _EXACT)
    for name, step in at.kept.items():
        if name not in at.region.free:
            places = X[..., at.region.names.index(name)] / step
            good &= np.abs(places - np.round(places)) < _ON_GRID
    return good


def on_grid(at: Grid, frozen: tuple[int, ...], free_levels: bool = True) -> Proposer:
    """Moves from grid place to grid place: along each free column, and one up with another down.

    Where a column that follows from the others has a step of its own, moves are as long as it takes to keep it on it.
    """
    d = len(at.steps)
    moving = [j for j in range(d) if j not in frozen]
    tied = _tied(at)
    strides = [_stride(tied[:, j]) for j in range(d)]
    shift = _exchanges(at, [j for j in moving if at.region.free[j] in at.region.blend], tied)

    def propose(space: Space, here: Array, level: Indices) -> Proposals:
        """Places along each column (nine over its reach, four beside it), pairs exchanged by a step, other levels."""
        s = len(here)
        low, high = space.ranges(here[:, None, :], np.broadcast_to(np.eye(d), (s, d, d)), level)
        tried = [here[:, None, :] + shift]
        for j in moving:
            x = at.middle[j] + here[:, j] * at.scale[j]
            now = np.round(x / at.steps[j])
            least = np.ceil((low[:, j] * at.scale[j] / at.steps[j] - _ON_GRID) / strides[j])
            most = np.floor((high[:, j] * at.scale[j] / at.steps[j] + _ON_GRID) / strides[j])
            by = np.round(least[:, None] + (most - least)[:, None] * np.linspace(0, 1, 9))
            by = np.concatenate([by, np.broadcast_to([-2.0, -1.0, 1.0, 2.0], (s, 4))], axis=1) * strides[j]
            moved = np.repeat(here[:, None, :], by.shape[1], axis=1)
            moved[:, :, j] = ((now[:, None] + by) * at.steps[j] - at.middle[j]) / at.scale[j]
            tried.append(moved)
        U = np.concatenate(tried, axis=1)
        C = np.repeat(level[:, None, :], U.shape[1], axis=1)
        for c, count in enumerate(space.levels if free_levels else ()):
            for value in range(count):
                other = level[:, None, :].copy()
                other[:, 0, c] = value
                U = np.concatenate([U, here[:, None, :]], axis=1)
                C = np.concatenate([C, other], axis=1)
        allowed = space.inside(U, C)
        if len(tied):
            allowed &= on_it(at, U.reshape(-1, d)).reshape(allowed.shape)
        return Proposals(U, C, allowed)

    return propose


def _tied(at: Grid) -> Array:
    """How many of its own steps each column that follows moves for one step of each free column, (t, d)."""
    names = [name for name in at.kept if name not in at.region.free]
    moved = at.region.decoded(np.diag(at.steps / at.scale)) - at.region.decoded(np.zeros((1, len(at.steps))))
    rows = [moved[:, at.region.names.index(name)] / at.kept[name] for name in names]
    return np.array(rows).reshape(len(names), len(at.steps))


def _stride(turns: Array) -> int:
    """The fewest steps of a column that move all that follow by whole steps of their own; 1 where no few do."""
    for m in range(1, _LONGEST + 1):
        if (np.abs(m * turns - np.round(m * turns)) < _ON_GRID * m).all():
            return m
    return 1


def _exchanges(at: Grid, blend: list[int], tied: Array) -> Array:
    """Moves of one ingredient up and another down by few steps, in coded units (m, d)."""
    d = len(at.steps)
    few = np.array([(1, -1), (-1, 1), (2, -1), (-1, 2), (-2, 1), (1, -2)])
    many = np.array(sorted(product(range(-10, 11), repeat=2), key=lambda p: (abs(p[0]) + abs(p[1]), p)))
    many = many[(many != 0).all(axis=1)]
    rows = []
    for i, j in combinations(blend, 2):
        turns = many @ tied[:, [i, j]].T
        keeps = (np.abs(turns - np.round(turns)) < 10 * _ON_GRID).all(axis=1)
        for a, b in np.concatenate([few, many[keeps][:_MOST_EXCHANGES]]) if len(tied) else few:
            row = np.zeros(d)
            row[i], row[j] = a * at.steps[i] / at.scale[i], b * at.steps[j] / at.scale[j]
            rows.append(row)
    return np.array(rows).reshape(len(rows), d)


def levels(at: Grid, U: Array) -> Array:
    """Levels (n, k) in the study's units, free of the dust of coding; the blend adds up to its total."""
    X = at.region.decoded(U)
    return np.round(X, 10) + 0.0
