"""The search for a plan: from many random starts, coarse moves first, fine ones for the best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from doe.search.exchange import RIDGE, Criterion, CurrentRun, Move, Runs, Space, first_best, stacked, sweep
from doe.search.moves import along_lines, to_candidates
from doe.search.polish import polished

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_ROUNDS = 16
_CHAINS, _MUCH = 8, 20_000
_SHORT, _LONG = 15, 100


@dataclass(frozen=True, slots=True)
class Pool:
    """Candidates for a run, X (m, k) and C (m, c)."""

    X: Array
    C: Indices


def starting(pools: Sequence[Pool], held: Runs | None, starts: int, seed: int) -> Runs:
    """Random plans drawn from each run's pool; held runs stand first, the same in every start.

    Raises ValueError where there is neither a pool nor a held run.
    """
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
    half, again and again, with some runs drawn anew, exchanged, and all moved at once (iterated local search;
    Lourenço, Martin & Stützle 2003, from memory); the best of before and after along Cox directions and pairs with
    ever smaller steps, and all runs at once, in turn. Plans are compared after all runs were moved at once: what is
    best on few levels need not be best on all. `roots` is the square root of how often each run is made. `first` are
    plans to polish
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
        runs = joined(chained, stages.polished(runs.take(np.arange(min(len(runs.X), max(4, starts // 4)))), _SHORT))
        runs = stages.kept(runs, max(4, starts // 8))
        runs = stages.kept(stages.fine(runs, 2), 3)
    return stages.kept(stages.fine(runs, 8), 1)


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
            again = self.polished(self.coarse(self.shaken(runs, rng), 1, 1), _SHORT)
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
        """The plans with one to an eighth of their runs drawn anew from their pools."""
        out = runs.take(np.arange(len(runs.X)))
        most = max(1, len(self.pools) // 8)
        for s in range(len(out.X)):
            for i in rng.permutation(len(self.pools))[: rng.integers(1, most + 1)]:
                pick = rng.integers(len(self.pools[i].X))
                out.X[s, self.held + i] = self.pools[i].X[pick]
                out.C[s, self.held + i] = self.pools[i].C[pick]
        return out

    def fine(self, runs: Runs, passes: int) -> Runs:
        """All lines with small steps and all runs at once, in turn, while that gains."""
        move = along_lines(np.linspace(0, 1, 15), cox=True, pairs=True, near=5)
        value = self.values(runs)
        for _ in range(passes):
            runs = self.polished(self.along(runs, move, 1), _LONG)
            now = self.values(runs)
            gained, value = now - value, now
            if not (gained > 1e-6).any():
                break
        return runs

    def polished(self, runs: Runs, steps: int) -> Runs:
        """Repeats put where they gain most, then all runs moved at once."""
        return polished(self.space, self.ridged, self.swapped(runs), self.held, self.roots, steps=steps)

    def swapped(self, runs: Runs) -> Runs:
        """Runs made more often change places with others of the same pool, where that gains. Changes `runs`."""
        pools = np.array([id(pool) for pool in self.pools])
        roots = self.roots[self.held :]
        for i in np.flatnonzero(roots > roots.min()):
            others = np.flatnonzero((roots == roots.min()) & (pools == pools[i])) + self.held
            if not len(others):
                continue
            i += self.held
            F = stacked(self.space, runs)
            G = F * self.roots[:, None]
            V = np.asarray(np.linalg.inv(np.swapaxes(G, 1, 2) @ G + self.ridged.prior), dtype=np.float64)
            more = np.sqrt(self.roots[i] ** 2 - roots.min() ** 2)
            here = CurrentRun.of(self.criterion, V, more * F[:, i], runs.X[:, i], runs.C[:, i])
            gain = here.gains(more * F[:, others])
            best = first_best(gain)
            who = np.flatnonzero(gain[np.arange(len(gain)), best] > 1e-6)
            other = others[best[who]]
            for of in (runs.X, runs.C):
                of[who, i], of[who, other] = of[who, other], of[who, i]
        return runs
