"""Exact plans by exchange, many starts at once, on a continuous region with linear limits.

The information of a plan is A = R + sum of f(x) f(x)' over its runs, R being what is known beforehand (potential
terms, trials already made). Replacing one run g by h changes det A by the factor (1 + h'Vh)(1 - g'Vg) + (g'Vh)^2, with
V = inverse of A, and trace(V W) by the matching rank-two formula (Fedorov 1972, Theory of Optimal Experiments; from
memory). Runs are exchanged one at a time: over candidates first, then along directions that keep the blend's total
(Piepel, Cooley & Jones 2005, J. Qual. Technol. 37, use Cox directions; alone these get stuck where lower limits
bind, so swaps of two ingredients stand beside them), finally along all pairs with finer steps.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Model = Callable[[Array, Indices], Array]

RIDGE = 1e-8
_TIE = 1e-10
_GAIN = 1e-8
_EDGE = 1e-12


@dataclass(frozen=True, slots=True)
class Space:
    """Where a plan may put its runs, in free coordinates (equalities eliminated).

    `A` (m, k), `b` (m,): limits A x <= b. `swaps` (q, k): directions that span the region (each ingredient against
    the one that takes up the rest, each process factor). `pairs` (q2, k): the other two-ingredient directions.
    `cox` gives directions (s, q, k) that depend on where one stands, or is None. `levels`: the number of levels of
    each category. `model` maps (X (n, k), C (n, c) level indices) to model rows (n, p).
    """

    A: Array
    b: Array
    swaps: Array
    pairs: Array
    cox: Callable[[Array], Array] | None
    levels: tuple[int, ...]
    model: Model

    def inside(self, X: Array, tolerance: float = 1e-9) -> npt.NDArray[np.bool_]:
        """Whether each point X (..., k) meets every limit, to `tolerance` of the limit's own size."""
        size = np.abs(self.A).max(axis=1, initial=1.0)
        inside: npt.NDArray[np.bool_] = (X @ self.A.T - self.b <= tolerance * np.maximum(size, np.abs(self.b))).all(
            axis=-1
        )
        return inside

    def ranges(self, X: Array, U: Array) -> tuple[Array, Array]:
        """How far one may go from X (..., k) along U (..., k): (least, greatest) step, 0 inside the reach."""
        slack = np.maximum(self.b - X @ self.A.T, 0.0)
        rate = U @ self.A.T
        size = np.maximum(np.abs(rate).max(axis=-1, keepdims=True), 1e-300)
        up, down = rate > _EDGE * size, rate < -_EDGE * size
        step = slack / np.where(up | down, rate, 1.0)
        high = np.where(up, step, np.inf).min(axis=-1)
        low = np.where(down, step, -np.inf).max(axis=-1)
        return np.where(np.isfinite(low), low, 0.0), np.where(np.isfinite(high), high, 0.0)


@dataclass(frozen=True, slots=True)
class Criterion:
    """What a plan is judged by: D: det A, greatest; L: trace(inverse of A times `weight`), least (I and A).

    `prior` (p, p) is R above: 0 where nothing is known.
    """

    kind: Literal["D", "L"]
    weight: Array
    prior: Array

    def value(self, G: Array) -> Array:
        """The criterion of stacked model matrices G (..., n, p): greater is better; -inf where it does not exist."""
        A = np.swapaxes(G, -1, -2) @ G + self.prior
        sign, logdet = np.linalg.slogdet(A)
        poor = (sign <= 0) | ~np.isfinite(logdet)
        if self.kind == "D":
            return np.where(poor, -np.inf, logdet / A.shape[-1])
        safe = np.where(poor[..., None, None], np.eye(A.shape[-1]), A)
        trace = np.einsum("...ij,ij->...", np.linalg.inv(safe), self.weight)
        return np.where(poor | (trace <= 0), -np.inf, -np.log(np.maximum(trace, 1e-300)))


@dataclass(frozen=True, slots=True)
class Runs:
    """Stacked plans: numeric levels X (s, n, k), level indices C (s, n, c)."""

    X: Array
    C: Indices

    def take(self, starts: Indices) -> Runs:
        """Only some of the starts."""
        return Runs(self.X[starts].copy(), self.C[starts].copy())


def stacked(space: Space, runs: Runs) -> Array:
    """Model matrices of all starts, shape (s, n, p)."""
    s, n, k = runs.X.shape
    return space.model(runs.X.reshape(s * n, k), runs.C.reshape(s * n, runs.C.shape[2])).reshape(s, n, -1)


@dataclass(frozen=True, slots=True)
class Proposals:
    """Places one run of each start might move to: X (s, m, k), C (s, m, c); `allowed` (s, m) or None for all."""

    X: Array
    C: Indices
    allowed: npt.NDArray[np.bool_] | None = None


Proposer = Callable[[Space, Array, Indices], Proposals]


def first_best(score: Array) -> Indices:
    """Along the last axis: the first index whose score ties with the greatest, so that a last digit decides nothing."""
    top = score.max(axis=-1, keepdims=True)
    where: Indices = (score >= top - _TIE * (1 + np.abs(top))).argmax(axis=-1)
    return where


def gains(criterion: Criterion, V: Array, g: Array, H: Array) -> Array:
    """How much better each replacement H (s, m, p) of g (s, p) is, V (s, p, p) being the inverse information.

    D: log of the ratio of determinants. L: log of the ratio of traces. Not better than -inf where singular.
    """
    VH = H @ V
    Vg = np.einsum("sij,sj->si", V, g)
    v_h = np.einsum("smi,smi->sm", VH, H)
    v_g = np.einsum("si,si->s", Vg, g)[:, None]
    v_hg = np.einsum("smi,si->sm", H, Vg)
    ratio = (1 + v_h) * (1 - v_g) + v_hg**2
    good = ratio > 1e-12
    safe = np.where(good, ratio, 1.0)
    if criterion.kind == "D":
        return np.where(good, np.log(safe), -np.inf)
    WVg = Vg @ criterion.weight
    p_h = np.einsum("smi,smi->sm", VH @ criterion.weight, VH)
    p_g = np.einsum("si,si->s", WVg, Vg)[:, None]
    p_hg = np.einsum("smi,si->sm", VH, WVg)
    now = np.einsum("sij,ij->s", V, criterion.weight)[:, None]
    then = now - ((1 - v_g) * p_h + 2 * v_hg * p_hg - (1 + v_h) * p_g) / safe
    good &= then > 0
    return np.where(good, np.log(np.maximum(now, 1e-300)) - np.log(np.where(good, then, 1.0)), -np.inf)


def _replaced(V: Array, g: Array, h: Array) -> Array:
    """The inverse information after g (s, p) is replaced by h (s, p)."""
    F = np.stack([h, g], axis=-1)
    VF = V @ F
    M = np.swapaxes(F, -1, -2) @ VF + np.array([[1.0, 0.0], [0.0, -1.0]])
    return V - VF @ np.linalg.solve(M, np.swapaxes(VF, -1, -2))


def sweep(
    space: Space,
    criterion: Criterion,
    runs: Runs,
    proposers: Sequence[Proposer | None],
    roots: Array,
    *,
    passes: int,
) -> Runs:
    """Exchange each run in turn, in every start at once, until a pass gains nothing or `passes` are made.

    `proposers` holds one per run; None keeps the run where it is. `roots` (n,) is the square root of how often each
    run is made. The arrays of `runs` are changed in place and returned.
    """
    k = runs.X.shape[2]
    p = criterion.prior.shape[0]
    G = stacked(space, runs) * roots[:, None]
    active = np.arange(len(G))
    for _ in range(passes):
        A = np.swapaxes(G[active], -1, -2) @ G[active] + criterion.prior + RIDGE * np.eye(p)
        V = np.asarray(np.linalg.inv(A), dtype=np.float64)
        gained = np.zeros(len(active))
        for i, proposer in enumerate(proposers):
            if proposer is None:
                continue
            offer = proposer(space, runs.X[active, i], runs.C[active, i])
            m = offer.X.shape[1]
            flat = offer.X.reshape(len(active) * m, k), offer.C.reshape(len(active) * m, offer.C.shape[2])
            H = space.model(*flat).reshape(len(active), m, p)
            H *= roots[i]
            gain = gains(criterion, V, G[active, i], H)
            if offer.allowed is not None:
                gain = np.where(offer.allowed, gain, -np.inf)
            best = first_best(gain)
            take = np.take_along_axis(gain, best[:, None], axis=1)[:, 0] > _GAIN
            if not take.any():
                continue
            who, chosen = np.flatnonzero(take), best[take]
            h = H[who, chosen]
            V[who] = _replaced(V[who], G[active[who], i], h)
            G[active[who], i] = h
            runs.X[active[who], i] = offer.X[who, chosen]
            runs.C[active[who], i] = offer.C[who, chosen]
            gained[who] += gain[who, chosen]
        active = active[gained > 1e-6]
        if not len(active):
            break
    return runs


def over_candidates(X: Array, C: Indices) -> Proposer:
    """Moves to any of the candidates X (m, k), C (m, c)."""

    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        s = len(at)
        return Proposals(
            np.broadcast_to(X, (s, *X.shape)),
            np.broadcast_to(C, (s, *C.shape)),
        )

    return propose


def along(
    shares: Array, *, cox: bool = False, pairs: bool = False, near: int = 0, frozen: Sequence[int] = ()
) -> Proposer:
    """Moves along directions: to `shares` (0..1) of the feasible stretch, and `near` halving steps to either side.

    `frozen` columns do not move. Categories are tried at every level, one at a time, where the run stands.
    """

    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        fixed = np.concatenate([space.swaps, space.pairs]) if pairs else space.swaps
        if len(frozen):
            fixed = fixed[np.flatnonzero(np.abs(fixed[:, list(frozen)]).max(axis=1) == 0)]
        U = np.broadcast_to(fixed, (len(at), *fixed.shape))
        if cox and space.cox is not None:
            U = np.concatenate([U, _free_of(space.cox(at), frozen)], axis=1)
        low, high = space.ranges(at[:, None, :], U)
        t = low[..., None] + (high - low)[..., None] * shares
        if near:
            halves = 0.5 ** np.arange(2, 2 + near)
            width = (high - low)[..., None] * np.concatenate([halves, -halves])
            t = np.concatenate([t, np.clip(width, low[..., None], high[..., None])], axis=-1)
        X = (at[:, None, None, :] + t[..., None] * U[:, :, None, :]).reshape(len(at), -1, at.shape[1])
        C = np.broadcast_to(level[:, None, :], (len(at), X.shape[1], level.shape[1]))
        return _with_levels(space, at, level, X, C)

    return propose


def _free_of(U: Array, frozen: Sequence[int]) -> Array:
    """Directions (s, q, k) with those that would move a frozen column set to nothing."""
    if not len(frozen):
        return U
    reach = np.abs(U[..., list(frozen)]).max(axis=-1, keepdims=True)
    return np.where(reach > 1e-12, 0.0, U)


def _with_levels(space: Space, at: Array, level: Indices, X: Array, C: Indices) -> Proposals:
    """Adds, where the run stands, every other level of every category."""
    extra = []
    for c, count in enumerate(space.levels):
        for value in range(count):
            moved = level.copy()
            moved[:, c] = value
            extra.append(moved)
    if not extra:
        return Proposals(X, C)
    more = np.stack(extra, axis=1)
    here = np.broadcast_to(at[:, None, :], (len(at), more.shape[1], at.shape[1]))
    return Proposals(np.concatenate([X, here], axis=1), np.concatenate([C, more], axis=1))


@dataclass(frozen=True, slots=True)
class Pool:
    """Candidates for a run, X (m, k) and C (m, c), and the numeric columns it may not move (whole-plot settings)."""

    X: Array
    C: Indices
    frozen: tuple[int, ...] = ()
    free_levels: bool = True


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


def _frozen_levels(proposer: Proposer) -> Proposer:
    """The same moves without changing any category (whole-plot settings)."""

    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        return proposer(replace(space, levels=()), at, level)

    return propose


def search(
    space: Space,
    criterion: Criterion,
    pools: Sequence[Pool],
    *,
    held: Runs | None = None,
    starts: int = 100,
    seed: int = 1,
    roots: Array | None = None,
    first: Runs | None = None,
) -> Runs:
    """The best plan found by the staged exchange: X (1, n, k), C (1, n, c); held runs first, then one per pool.

    Stages: candidates and five levels against the fill from every start; the best fifth along Cox directions as
    well, with 15 levels; the best six along all pairs with ever smaller steps. Then a quarter of the runs of the best
    are drawn anew, many times over, and the stages repeated (iterated local search; Lourenço, Martin & Stützle 2003,
    from memory). `first` are plans to polish only, instead of random starts.
    """
    runs = first if first is not None else starting(pools, held, starts, seed)
    if not pools:
        return runs
    stages = _Stages(space, criterion, pools, 0 if held is None else held.X.shape[1], roots, runs.X.shape[1])
    if first is not None:
        return stages.kept(stages.fine(runs), 1)
    runs = stages.kept(stages.coarse(runs, points=True), max(6, starts // 5))
    runs = stages.kept(stages.fine(stages.kept(stages.middle(runs), 6)), 3)
    again = _shaken(runs, pools, stages.held, max(12, starts // 2), seed)
    again = stages.kept(stages.coarse(again, points=False), max(6, starts // 10))
    again = stages.kept(stages.middle(again), 3)
    both = Runs(np.concatenate([runs.X, again.X]), np.concatenate([runs.C, again.C]))
    return stages.kept(stages.fine(both), 1)


def _shaken(runs: Runs, pools: Sequence[Pool], held: int, count: int, seed: int) -> Runs:
    """Copies of the plans, in turn, each with a quarter of its runs drawn anew from their pools."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 12]))
    out = runs.take(np.arange(count) % len(runs.X))
    some = max(1, len(pools) // 4)
    for s in range(count):
        for i in rng.permutation(len(pools))[:some]:
            pick = rng.integers(len(pools[i].X))
            out.X[s, held + i] = pools[i].X[pick]
            out.C[s, held + i] = pools[i].C[pick]
    return out


def _candidates_of(pool: Pool) -> Proposer:
    return over_candidates(pool.X, pool.C)


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
        self.wide = space.swaps.shape[1] > 5 or len(criterion.prior) > 24

    def swept(self, runs: Runs, make: Callable[[Pool], Proposer], passes: int) -> Runs:
        if not self.space.swaps.shape[1]:
            # Nothing but categories: there is nowhere to move along.
            make = _candidates_of
        moves: list[Proposer | None] = [None] * self.held
        moves += [make(pool) if pool.free_levels else _frozen_levels(make(pool)) for pool in self.pools]
        return sweep(self.space, self.criterion, runs, moves, self.roots, passes=passes)

    def kept(self, runs: Runs, count: int) -> Runs:
        """The best `count` plans that differ in value, best first; ties go by index."""
        value = np.round(self.ridged.value(stacked(self.space, runs) * self.roots[:, None]), 6)
        _, first = np.unique(-value, return_index=True)
        return runs.take(first[:count])

    def coarse(self, runs: Runs, *, points: bool) -> Runs:
        if points:
            runs = self.swept(runs, _candidates_of, 2)
        five = np.linspace(0, 1, 5)
        return self.swept(runs, lambda pool: along(five, frozen=pool.frozen), 6)

    def middle(self, runs: Runs) -> Runs:
        shares = np.linspace(0, 1, 9 if self.wide else 15)
        return self.swept(runs, lambda pool: along(shares, cox=True, frozen=pool.frozen), 6 if self.wide else 12)

    def fine(self, runs: Runs) -> Runs:
        shares, near = np.linspace(0, 1, 7 if self.wide else 31), 6 if self.wide else 14
        return self.swept(
            runs,
            lambda pool: along(shares, cox=True, pairs=True, near=near, frozen=pool.frozen),
            12 if self.wide else 40,
        )
