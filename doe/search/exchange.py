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
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from doe.region.room import Rooms, inside, ranges

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Model = Callable[[Array, Indices], Array]

RIDGE = 1e-8  # added to the information, so that a plan that is still singular can be compared
_TIE = 1e-10  # scores that are as good, relative to their size
_GAIN = 1e-8  # a gain that is none


@dataclass(frozen=True, slots=True)
class Space:
    """Where a plan may put its runs, in free coordinates (equalities eliminated).

    `A` (m, k), `b` (m,): limits A x <= b. `swaps` (q, k): directions that span the region (each ingredient against
    the one that takes up the rest, each process factor). `pairs` (q2, k): the other two-ingredient directions.
    `cox` gives directions (s, q, k) that depend on where one stands, or is None. `levels`: the number of levels of
    each category. `model` maps (X (n, k), C (n, c) level indices) to model rows (n, p), polynomials of at most `degree`
    along any of the directions. Where limits differ between combinations of levels, `rooms` holds those of each, and
    A x <= b is around them all.
    """

    A: Array
    b: Array
    swaps: Array
    pairs: Array
    cox: Callable[[Array], Array] | None
    levels: tuple[int, ...]
    model: Model
    degree: int = 2
    rooms: Rooms | None = None

    def inside(self, X: Array, C: Indices, tolerance: float = 1e-9) -> npt.NDArray[np.bool_]:
        """Whether each point X (..., k) at levels C (..., c) meets every limit, to `tolerance` of the limit's size."""
        if self.rooms is None:
            return inside(self.A, self.b, X, tolerance)
        return self.rooms.inside(X, C, tolerance)

    def ranges(self, X: Array, U: Array, C: Indices) -> tuple[Array, Array]:
        """How far one may go from X (s, ..., k) along U (s, ..., k) at levels C (s, c): (least, greatest) step."""
        if self.rooms is None:
            return ranges(self.A, self.b, X, U)
        return self.rooms.ranges(X, U, C)

    def entered(self, X: Array, C: Indices) -> Array:
        """Points X (n, k) brought within the limits at C (n, c), where these are not the same everywhere."""
        return X if self.rooms is None else self.rooms.entered(X, C)


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
        """The plans of some of the starts, by their numbers."""
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
    """The first index along the last axis whose score (..., m) ties with the greatest: no last digit decides, (...)."""
    top = score.max(axis=-1, keepdims=True)
    where: Indices = (score >= top - _TIE * (1 + np.abs(top))).argmax(axis=-1)
    return where


@dataclass(frozen=True, slots=True)
class CurrentRun:
    """One run of every start as it stands, and what the exchange formulas need of it.

    Levels X (s, k), C (s, c); V (s, p, p) the inverse information, with Vg (s, p) and g'Vg (s,) of the run's row g; for
    L also P = V W V, Pg, g'Pg and trace(V W). A new row of the run counts as `root` times itself.
    """

    X: Array
    C: Indices
    root: float
    V: Array
    Vg: Array
    v_g: Array
    P: Array | None = None
    Pg: Array | None = None
    p_g: Array | None = None
    now: Array | None = None

    @classmethod
    def of(cls, criterion: Criterion, V: Array, g: Array, X: Array, C: Indices, root: float = 1.0) -> CurrentRun:
        """The runs with rows g (s, p)."""
        Vg = (V @ g[:, :, None])[..., 0]
        v_g = (Vg * g).sum(axis=1)
        if criterion.kind == "D":
            return cls(X, C, root, V, Vg, v_g)
        P = V @ criterion.weight @ V
        Pg = (P @ g[:, :, None])[..., 0]
        now = np.einsum("sij,ij->s", V, criterion.weight)
        return cls(X, C, root, V, Vg, v_g, P, Pg, (Pg * g).sum(axis=1), now)

    def gain(self, v_h: Array, v_hg: Array, p_h: Array | None = None, p_hg: Array | None = None) -> Array:
        """How much better the plan gets with h for g, from h'Vh, h'Vg, h'Ph, h'Pg, each (s, ...).

        D: log of the ratio of determinants. L: log of the ratio of traces. -inf where the plan becomes singular.
        """
        over = (-1,) + (1,) * (v_h.ndim - 1)
        v_g = self.v_g.reshape(over)
        ratio = (1 + v_h) * (1 - v_g) + v_hg * v_hg
        good = ratio > 1e-12
        safe = np.where(good, ratio, 1.0)
        if p_h is None or p_hg is None or self.now is None or self.p_g is None:
            return np.where(good, np.log(safe), -np.inf)
        now = np.maximum(self.now, 1e-300).reshape(over)
        then = now - ((1 - v_g) * p_h + 2 * v_hg * p_hg - (1 + v_h) * self.p_g.reshape(over)) / safe
        good &= then > 0
        return np.where(good, np.log(now / np.where(good, then, now)), -np.inf)

    def gains(self, H: Array) -> Array:
        """The gain of each replacement H (s, m, p)."""
        forms = []
        for Q, Qg in ((self.V, self.Vg), (self.P, self.Pg)):
            if Q is not None and Qg is not None:
                forms += [np.einsum("smi,smi->sm", H @ Q, H), (H @ Qg[:, :, None])[..., 0]]
        return self.gain(*forms)


@dataclass(frozen=True, slots=True)
class BestMove:
    """The best place found for one run of each start: its gain (s,), where it is X (s, k), C (s, c)."""

    gain: Array
    X: Array
    C: Indices


Move = Callable[[Space, CurrentRun], BestMove]


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
    moves: Sequence[Move | None],
    roots: Array,
    *,
    passes: int,
) -> Runs:
    """Exchange each run in turn, in every start at once, until a pass gains nothing or `passes` are made.

    `moves` holds one per run; None keeps the run where it is. `roots` (n,) is the square root of how often each
    run is made. The arrays of `runs` are changed in place and returned.
    """
    p = criterion.prior.shape[0]
    G = stacked(space, runs) * roots[:, None]
    active = np.arange(len(G))
    for _ in range(passes):
        A = np.swapaxes(G[active], -1, -2) @ G[active] + criterion.prior + RIDGE * np.eye(p)
        V = np.asarray(np.linalg.inv(A), dtype=np.float64)
        gained = np.zeros(len(active))
        for i, move in enumerate(moves):
            if move is None:
                continue
            at = runs.X[active, i], runs.C[active, i]
            step = move(space, CurrentRun.of(criterion, V, G[active, i], *at, float(roots[i])))
            take = np.flatnonzero(step.gain > _GAIN)
            if not len(take):
                continue
            who = active[take]
            h = roots[i] * space.model(step.X[take], step.C[take])
            V[take] = _replaced(V[take], G[who, i], h)
            G[who, i], runs.X[who, i], runs.C[who, i] = h, step.X[take], step.C[take]
            gained[take] += step.gain[take]
        active = active[gained > 1e-6]
        if not len(active):
            break
    return runs


def picked(gain: Array, X: Array, C: Indices) -> BestMove:
    """The best of the places X (s, m, k), C (s, m, c) by their gain (s, m)."""
    best, s = first_best(gain), np.arange(len(gain))
    return BestMove(gain[s, best], X[s, best], C[s, best])


def offered(proposer: Proposer) -> Move:
    """The move to the best of what a proposer offers."""

    def move(space: Space, run: CurrentRun) -> BestMove:
        offer = proposer(space, run.X, run.C)
        s, m, k = offer.X.shape
        H = space.model(offer.X.reshape(s * m, k), offer.C.reshape(s * m, offer.C.shape[2])).reshape(s, m, -1)
        gain = run.gains(run.root * H)
        if offer.allowed is not None:
            gain = np.where(offer.allowed, gain, -np.inf)
        return picked(gain, offer.X, offer.C)

    return move


def along(
    shares: Array, *, cox: bool = False, pairs: bool = False, near: int = 0, frozen: Sequence[int] = ()
) -> Proposer:
    """Moves along directions: to `shares` (s,), 0..1, of the feasible stretch, and `near` halving steps to either side.

    `frozen` columns do not move. Categories are tried at every level, one at a time, where the run stands.
    """

    def propose(space: Space, at: Array, level: Indices) -> Proposals:
        U = directions(space, at, cox=cox, pairs=pairs, frozen=frozen)
        low, high = space.ranges(at[:, None, :], U, level)
        t = low[..., None] + (high - low)[..., None] * shares
        if near:
            halves = 0.5 ** np.arange(2, 2 + near)
            width = (high - low)[..., None] * np.concatenate([halves, -halves])
            t = np.concatenate([t, np.clip(width, low[..., None], high[..., None])], axis=-1)
        X = (at[:, None, None, :] + t[..., None] * U[:, :, None, :]).reshape(len(at), -1, at.shape[1])
        C = np.broadcast_to(level[:, None, :], (len(at), X.shape[1], level.shape[1]))
        return with_levels(space, at, level, X, C, frozen)

    return propose


def directions(space: Space, at: Array, *, cox: bool, pairs: bool, frozen: Sequence[int] = ()) -> Array:
    """The ways (s, q, k) that runs at `at` (s, k) may go; those that would move a frozen column go nowhere."""
    fixed = np.concatenate([space.swaps, space.pairs]) if pairs else space.swaps
    if len(frozen):
        fixed = fixed[np.flatnonzero(np.abs(fixed[:, list(frozen)]).max(axis=1) == 0)]
    U = np.broadcast_to(fixed, (len(at), *fixed.shape))
    if not cox or space.cox is None:
        return U
    more = space.cox(at)
    if len(frozen):
        more = np.where(np.abs(more[..., list(frozen)]).max(axis=-1, keepdims=True) > 1e-12, 0.0, more)
    return np.concatenate([U, more], axis=1)


def with_levels(
    space: Space, at: Array, level: Indices, X: Array, C: Indices, frozen: Sequence[int] = ()
) -> Proposals:  # fmt: skip
    """Proposals X (s, m, k), C (s, m, c) and every other level of a category for runs `at` (s, k), `level` (s, c)."""
    offer = other_levels(space, at, level, frozen)
    if offer is None:
        return Proposals(X, C)
    allowed = None
    if offer.allowed is not None:
        allowed = np.concatenate([np.ones(X.shape[:2], dtype=bool), offer.allowed], axis=1)
    return Proposals(np.concatenate([X, offer.X], axis=1), np.concatenate([C, offer.C], axis=1), allowed)


def other_levels(space: Space, at: Array, level: Indices, frozen: Sequence[int]) -> Proposals | None:
    """Every level of every category, one category at a time, for runs at X (s, k), C (s, c); None without categories.

    Where limits differ between levels, the recipe is brought within those of the other level; it may not move there if
    that takes one of the `frozen` columns along.
    """
    moved = []
    for c, count in enumerate(space.levels):
        for value in range(count):
            other = level.copy()
            other[:, c] = value
            moved.append(other)
    if not moved:
        return None
    C = np.stack(moved, axis=1)
    X = np.broadcast_to(at[:, None, :], (*C.shape[:2], at.shape[1]))
    if space.rooms is None:
        return Proposals(X, C)
    flat = C.reshape(-1, C.shape[2])
    X = space.entered(X.reshape(-1, at.shape[1]), flat).reshape(X.shape)
    stays = (np.abs(X - at[:, None, :])[..., list(frozen)] < _TIE).all(axis=-1)
    return Proposals(X, C, space.inside(X, C) & stays)
