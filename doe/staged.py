"""The search for a plan: from many random starts, coarse moves first, fine ones for the best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.exchange import RIDGE, Criterion, Move, Runs, Space, first_best, stacked, sweep
from doe.moves import along_lines, to_candidates

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ROUNDS = 8
_CHAINS, _MUCH = 8, 20_000


@dataclass(frozen=True, slots=True)
class Pool:
    """Candidates for a run, X (m, k) and C (m, c)."""

    X: Array
    C: Indices


def starting(pools: Sequence[Pool], held: Runs | None, starts: int, seed: int) -> Runs:
    """Random plans drawn from each run's pool; held runs stand first, the same in every start."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 11]))
    X, C = [], []
    for pool in pools:
        pick = rng.integers(len(pool.X), size=starts)
        X.append(pool.X[pick])
        C.append(pool.C[pick])
    drawn = Runs(np.stack(X, axis=1), np.stack(C, axis=1)) if X else None
    if held is None or not held.X.shape[1]:
        if drawn is None:
            raise ValueError("a plan needs at least one run")
        return drawn
    HX = np.repeat(held.X, starts, axis=0)
    HC = np.repeat(held.C, starts, axis=0)
    if drawn is None:
        return Runs(HX[:1], HC[:1])
    return Runs(np.concatenate([HX, drawn.X], axis=1), np.concatenate([HC, drawn.C], axis=1))


def greedy(space: Space, criterion: Criterion, pools: Sequence[Pool], held: Runs | None) -> Runs:
    """One plan taken run by run, each time the candidate that is least known so far; held runs stand first."""
    p = len(criterion.prior)
    known = stacked(space, held)[0] if held is not None and held.X.shape[1] else np.zeros((0, p))
    A = known.T @ known + criterion.prior
    V = np.asarray(np.linalg.inv(A + 1e-4 * np.eye(p)), dtype=np.float64)
    rows = {id(pool): space.model(pool.X, pool.C) for pool in pools}
    X, C = [], []
    for pool in pools:
        H = rows[id(pool)]
        least = np.einsum("ij,ij->i", H @ V, H)
        pick = int(first_best(least))
        Vh = V @ H[pick]
        V = V - np.outer(Vh, Vh) / (1 + least[pick])
        X.append(pool.X[pick])
        C.append(pool.C[pick])
    made = Runs(np.array(X)[None], np.array(C)[None])
    if held is None:
        return made
    return Runs(np.concatenate([held.X, made.X], axis=1), np.concatenate([held.C, made.C], axis=1))


def joined(*plans: Runs) -> Runs:
    """All of these plans, one after another."""
    return Runs(np.concatenate([runs.X for runs in plans]), np.concatenate([runs.C for runs in plans]))


def search(
    space: Space,
    criterion: Criterion,
    pools: Sequence[Pool],
    *,
    held: Runs | None = None,
    starts: int = 80,
    seed: int = 1,
    roots: Array | None = None,
    first: Runs | None = None,
) -> Runs:
    """The best plan found by the staged exchange: X (1, n, k), C (1, n, c); held runs first, then one per pool.

    One start takes the runs one by one, the others draw them.
    Stages: five levels against the fill from every start, half of them after exchange with candidates; the better
    half, again and again, with some runs drawn anew and exchanged (iterated local search; Lourenço, Martin & Stützle
    2003, from memory); the best of before and after along Cox directions as well, with 15 levels; the best few along
    all pairs with ever smaller steps. What is best on few levels need not be best on all: so plans that never were
    drawn anew go on as well. `roots` is the square root of how often each run is made. `first` are plans to polish
    only, instead of random starts.
    """
    if not pools:
        return first if first is not None else starting(pools, held, 1, seed)
    runs = first
    if runs is None:
        runs = greedy(space, criterion, pools, held)
        runs = joined(runs, starting(pools, held, starts - 1, seed)) if starts > 1 else runs
    stages = _Stages(space, criterion, pools, 0 if held is None else held.X.shape[1], roots, runs.X.shape[1])
    if first is None:
        half = (len(runs.X) + 1) // 2
        some = stages.coarse(runs.take(np.arange(half)), 2, 3)
        if half < len(runs.X):
            some = joined(some, stages.lines(runs.take(np.arange(half, len(runs.X))), 6))
        runs = stages.kept(some, max(4, starts // 2))
        least = _CHAINS if len(pools) * len(criterion.prior) ** 2 < _MUCH else 1
        many = runs.take(np.arange(max(least, len(runs.X))) % len(runs.X))
        chained = stages.kept(stages.chained(many, seed), 12)
        runs = joined(chained, runs.take(np.arange(min(len(runs.X), max(12, starts // 4)))))
        runs = stages.kept(stages.middle(runs), max(8, starts // 8))
        runs = stages.kept(stages.fine(runs, 4), 3)
    return stages.kept(stages.fine(runs, 30), 1)


class _Stages:
    """The stages of one search, from coarse to fine."""

    def __init__(
        self,
        space: Space,
        criterion: Criterion,
        pools: Sequence[Pool],
        held: int,
        roots: Array | None,
        n: int,
    ) -> None:
        self.space, self.criterion, self.pools, self.held = space, criterion, pools, held
        self.roots = np.ones(n) if roots is None else roots
        self.ridged = replace(criterion, prior=criterion.prior + RIDGE * np.eye(len(criterion.prior)))
        self.points = {id(pool): to_candidates(space, pool.X, pool.C) for pool in pools}

    def swept(self, runs: Runs, move: Move | None, passes: int) -> Runs:
        """Passes of one move, or over each run's candidates."""
        free = [move or self.points[id(pool)] for pool in self.pools]
        return sweep(self.space, self.criterion, runs, [*[None] * self.held, *free], self.roots, passes=passes)

    def along(self, runs: Runs, move: Move, passes: int) -> Runs:
        """Passes along lines, where there are any."""
        return self.swept(runs, move, passes) if len(self.space.swaps) else runs

    def values(self, runs: Runs) -> Array:
        return self.ridged.value(stacked(self.space, runs) * self.roots[:, None])

    def kept(self, runs: Runs, count: int) -> Runs:
        """The best `count` plans that differ in value, best first; ties go by index."""
        _, first = np.unique(-np.round(self.values(runs), 6), return_index=True)
        return runs.take(first[:count])

    def coarse(self, runs: Runs, points: int, lines: int) -> Runs:
        """Passes over candidates, then along lines; over candidates alone where there are no lines."""
        return self.lines(self.swept(runs, None, points if len(self.space.swaps) else points + lines), lines)

    def lines(self, runs: Runs, passes: int) -> Runs:
        """Passes along lines against the fill, with five levels."""
        return self.along(runs, along_lines(np.linspace(0, 1, 5)), passes)

    def chained(self, runs: Runs, seed: int) -> Runs:
        """Each plan over and over with some runs drawn anew; every fourth time the better half replaces the other.

        Changes `runs`.
        """
        rng = np.random.default_rng(np.random.SeedSequence([seed, 12]))
        value = self.values(runs)
        # A single plan of a large model is only asked for where time matters more than the last per cent.
        for k in range(_ROUNDS if len(runs.X) > 1 else _ROUNDS // 2):
            again = self.coarse(self.shaken(runs, rng), 1, 2)
            tried = self.values(again)
            better = tried > value + 1e-9
            runs.X[better], runs.C[better] = again.X[better], again.C[better]
            value = np.where(better, tried, value)
            if k % 4 == 3:
                order = np.lexsort((np.arange(len(value)), -np.round(value, 9)))
                half = len(order) // 2
                kept = np.concatenate([order[: len(order) - half], order[:half]])
                runs, value = runs.take(kept), value[kept]
        return runs

    def shaken(self, runs: Runs, rng: np.random.Generator) -> Runs:
        """The plans with one to a quarter of their runs drawn anew from their pools."""
        out = runs.take(np.arange(len(runs.X)))
        most = max(1, len(self.pools) // 4)
        for s in range(len(out.X)):
            for i in rng.permutation(len(self.pools))[: rng.integers(1, most + 1)]:
                pick = rng.integers(len(self.pools[i].X))
                out.X[s, self.held + i] = self.pools[i].X[pick]
                out.C[s, self.held + i] = self.pools[i].C[pick]
        return out

    def middle(self, runs: Runs) -> Runs:
        return self.along(runs, along_lines(np.linspace(0, 1, 15), cox=True), 12)

    def fine(self, runs: Runs, passes: int) -> Runs:
        """All lines with small steps, pass by pass; after each, on along what the pass changed while that gains."""
        move = along_lines(np.linspace(0, 1, 15), cox=True, pairs=True, near=5)
        value = self.values(runs)
        for _ in range(passes):
            before = runs.X.copy()
            runs = self.along(runs, move, 1)
            now = self.onward(runs, before)
            gained, value = now - value, now
            if not (gained > 1e-7).any():
                break
        return runs

    def onward(self, runs: Runs, before: Array) -> Array:
        """Moves whole plans further the way they went from `before` (Hooke & Jeeves 1961; memory); their values."""
        way = runs.X - before
        s, n, k = way.shape
        flat = runs.X.reshape(s * n, k), way.reshape(s * n, k), runs.C.reshape(s * n, -1)
        most = self.space.ranges(*flat)[1].reshape(s, n)
        value = self.values(runs)
        start, best = runs.X.copy(), runs.X
        for step in (1.0, 4.0, 16.0):
            X = start + np.minimum(step, most)[..., None] * way
            tried = self.values(Runs(X, runs.C))
            better = tried > value + 1e-12
            best[better], value = X[better], np.where(better, tried, value)
        return value
