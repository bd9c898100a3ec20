"""The best approximate plan: weights on points, whole runs forgotten. Efficiencies of exact plans are relative to it.

A plan is judged against the optimum over all weightings (Kiefer & Wolfowitz 1960): its variance function shows how
far it is from it, and a proven bound of that function over the whole region proves it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr
from scipy.optimize import nnls

from doe.search import candidates
from doe.search.exchange import Criterion, Proposals, Space, along
from doe.search.spaces import Layout

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

# How near the optimum is sought, by free dimensions.
_SLACK = (5e-5, 5e-5, 5e-5, 5e-5, 5e-5, 1e-4, 5e-4, 5e-4, 1e-3, 3e-3)
_ROUNDS, _CLIMBS = 25, 25  # of climbing and reweighting in turn; steps of a climb
_MOST_DEGREE = 4
# Climbs begin from twice as many points as the model has terms, but from as many where these are many.
_MANY = 45
_MULTIPLIED = 60  # steps of the multiplicative algorithm, before Newton's
_NEWTON = 30  # steps of Newton's method


@dataclass(frozen=True, slots=True, eq=False)
class Approximate:
    """Points U (m, d), C (m, c) with weights adding up to 1; `value` is log det(M + R) / p for D, trace for L.

    R, `prior`, is what is known beforehand, per run. `seen` is the greatest value of the variance function found,
    `mean` its average over the plan (they are equal at the optimum); `shape` (p, p) is Q of that function f'Qf.
    """

    criterion: Criterion
    prior: Array
    U: Array
    C: Indices
    weights: Array
    value: float
    seen: float
    mean: float
    shape: Array

    @property
    def kind(self) -> Literal["D", "L"]:
        """The kind of its criterion."""
        return self.criterion.kind

    def worth(self, greatest: float) -> float:
        """A bound, 0..1, of this plan's own efficiency when its variance function nowhere exceeds `greatest`."""
        return efficiency_bound(len(self.shape) if self.kind == "D" else self.value, self.mean, greatest)


def efficiency_bound(total: float, mean: float, greatest: float) -> float:
    """Least efficiency of a plan whose variance function averages `mean` over it and is nowhere above `greatest`.

    It is `limit_of` for the plan's own Q; `total` is p for D, the plan's own trace for L, and trace(QA) of any other
    plan at most `total` - `mean` + `greatest`. Without prior this is mean / greatest (Atwood 1969, Ann. Math. Stat. 40;
    from memory).
    """
    return total / (total + max(0.0, greatest - mean))


def limit_of(criterion: Criterion, prior: Array, Q: Array, greatest: float) -> float:
    """What no plan can pass, when f'Qf is nowhere above `greatest`: log det A / p at most, or trace(B / A) at least.

    For A = M + R and any positive definite Q, log det A <= p log(trace(QA) / p) - log det Q, and
    trace(B / A) >= (trace of the root of B^1/2 Q B^1/2)^2 / trace(QA): the tangents of a concave and a convex
    function, scaled at best; trace(QA) is at most `greatest` + trace(QR). `prior` (p, p) is R, and Q is (p, p).
    Infinite (0 for L) where Q is not definite.
    """
    values, vectors = np.linalg.eigh(Q)
    if values[0] <= 0:
        return np.inf if criterion.kind == "D" else 0.0
    p, total = len(Q), greatest + float(np.einsum("ij,ij->", Q, prior))
    if criterion.kind == "D":
        return float(np.log(total / p) - np.log(values).sum() / p)
    half = (vectors * np.sqrt(values)) @ vectors.T
    roots = np.sqrt(np.maximum(np.linalg.eigvalsh(half @ criterion.weight @ half), 0.0))
    return float(roots.sum() ** 2 / total)


def _inverse(F: Array, w: Array, R: Array) -> Array:
    M = F.T @ (w[:, None] * F) + R
    return np.linalg.inv(M + 1e-13 * np.trace(M) * np.eye(len(M)))


def _shape(criterion: Criterion, V: Array) -> Array:
    """Q of the variance function f'Qf: V for D, V W V for L."""
    return V if criterion.kind == "D" else V @ criterion.weight @ V


def _variance(F: Array, Q: Array) -> Array:
    out: Array = np.einsum("ij,ij->i", F @ Q, F)
    return out


def _value(criterion: Criterion, V: Array) -> float:
    if criterion.kind == "D":
        return float(-np.linalg.slogdet(V)[1] / len(V))
    return float(np.einsum("ij,ij->", V, criterion.weight))


def _loss(criterion: Criterion, V: Array) -> float:
    return -_value(criterion, V) * len(V) if criterion.kind == "D" else _value(criterion, V)


def _multiplied(criterion: Criterion, F: Array, R: Array) -> Array:
    """Multiplicative steps from equal weights (Titterington 1976; Yu 2010, Ann. Statist. 38), (m,)."""
    w = np.full(len(F), 1 / len(F))
    for _ in range(_MULTIPLIED):
        d = _variance(F, _shape(criterion, _inverse(F, w, R)))
        w = w * (d if criterion.kind == "D" else np.sqrt(np.maximum(d, 0.0)))
        w /= w.sum()
    return w


def _weighed(criterion: Criterion, F: Array, w: Array, R: Array) -> Array:
    """The best weights on the rows of F: Newton steps, each a non-negative least squares problem."""
    now = _loss(criterion, _inverse(F, w, R))
    for _ in range(_NEWTON):
        target = _newton(criterion, F, w, R)
        step, better, tried = 1.0, np.inf, w
        while step > 1e-4 and better > now:
            tried = w + step * (target - w)
            better = _loss(criterion, _inverse(F, tried, R))
            step /= 2
        if better > now:
            break
        gain, w, now = now - better, tried, better
        if gain < 1e-9 * max(1.0, abs(now)):
            break
    return w


def _newton(criterion: Criterion, F: Array, w: Array, R: Array) -> Array:
    """Where the quadratic model of the loss at weights w is least, among weights >= 0 that add up to 1."""
    V = _inverse(F, w, R)
    G = F @ V @ F.T
    if criterion.kind == "D":
        slope, bend = -np.diag(G), G * G
    else:
        C = F @ _shape(criterion, V) @ F.T
        slope, bend = -np.diag(C), 2 * G * C
    values, vectors = np.linalg.eigh((bend + bend.T) / 2)
    size = float(values[-1])
    root = np.sqrt(np.maximum(values, 1e-10 * size))
    stiff = 1e3 * np.sqrt(size)
    rows = np.vstack([root[:, None] * vectors.T, np.full(len(w), stiff)])
    aim = (vectors.T @ (bend @ w - slope)) / root
    z = nnls(rows, np.append(aim, stiff), maxiter=50 * len(w))[0]
    target: Array = z / z.sum()
    return target


def _climbed(space: Space, Q: Array, U: Array, C: Indices, degree: int) -> tuple[Array, Indices, Array]:
    """Local maxima of f'Qf from the starts U, C: line moves until none gains.

    Along a line it is a polynomial of twice the model's `degree`, known from that many values and one.
    """
    value = _variance(space.model(U, C), Q)
    if not U.shape[1]:
        return U, C, value
    nodes, between = _line(2 * degree)
    move = along(nodes, pairs=True)
    U, C = U.copy(), C.copy()
    active = np.arange(len(U))
    for _ in range(_CLIMBS):
        offer = move(space, U[active], C[active])
        s, m, d = offer.X.shape
        got = _variance(space.model(offer.X.reshape(s * m, d), offer.C.reshape(s * m, C.shape[1])), Q).reshape(s, m)
        got = got if offer.allowed is None else np.where(offer.allowed, got, -np.inf)
        on_lines = (m - sum(space.levels)) // len(nodes) * len(nodes)
        TU, TC = _best_on_lines(offer, got[:, :on_lines], nodes, between)
        if on_lines < m:
            other = on_lines + got[:, on_lines:].argmax(axis=1)
            take = got[np.arange(s), other] > got[:, :on_lines].max(axis=1)
            TU[take], TC[take] = offer.X[take, other[take]], offer.C[take, other[take]]
        gain = _variance(space.model(TU, TC), Q)
        up = gain > value[active] * (1 + 1e-7)
        who = active[up]
        U[who], C[who], value[who] = TU[up], TC[up], gain[up]
        active = who
        if not len(active):
            break
    return U, C, value


@lru_cache(maxsize=8)
def _line(degree: int) -> tuple[Array, Array]:
    """Places on 0..1 that determine a polynomial of this degree, and the map to its values at 65 even places."""
    nodes = (1 - np.cos(np.pi * np.arange(degree + 1) / degree)) / 2
    powers = np.arange(degree + 1)
    even = np.linspace(0, 1, 65)[:, None] ** powers
    return nodes, np.asarray(np.linalg.solve((nodes[:, None] ** powers).T, even.T), dtype=np.float64)


def _best_on_lines(offer: Proposals, got: Array, nodes: Array, between: Array) -> tuple[Array, Indices]:
    """For each start the best place on any of its lines, (s, d) and levels (s, c)."""
    s, k = len(got), len(nodes)
    values = got.reshape(s, -1, k) @ between
    best = values.reshape(s, -1).argmax(axis=1)
    line, place = np.divmod(best, values.shape[2])
    own = values[np.arange(s), line]
    inner = np.clip(place, 1, values.shape[2] - 2)
    low, middle, high = (own[np.arange(s), inner + i] for i in (-1, 0, 1))
    bend = low - 2 * middle + high
    # The top of the parabola through three neighbours.
    shift = np.where((place == inner) & (bend < 0), (low - high) / (2 * np.where(bend < 0, bend, -1.0)), 0.0)
    share = (place + np.clip(shift, -1, 1))[:, None] / (values.shape[2] - 1)
    start, end = (offer.X[np.arange(s), line * k + i] for i in (0, k - 1))
    return start + share * (end - start), offer.C[np.arange(s), line * k].copy()


def optimum(plan: Layout, criterion: Criterion, runs: int) -> Approximate:
    """The best weights over the region, to 0.005 % of its own bound (0.3 % at nine free dimensions and more) as far as
    a local search can see.

    The prior of `criterion` counts once against `runs` runs.
    """
    space, R = plan.space, criterion.prior / runs
    U, C = candidates.everywhere(plan.pieces, plan.region, candidates.rich)
    F = space.model(U, C)
    w = _multiplied(criterion, F, R)
    p = F.shape[1]
    # The heaviest points alone may not span the model; as many more rows as it has terms make sure of it.
    heavy = np.lexsort((np.arange(len(w)), -np.round(w, 12)))[: 4 * p]
    spanning = qr((F * np.sqrt(w)[:, None]).T, mode="r", pivoting=True)[1][:p]
    keep = np.union1d(heavy, spanning)
    SU, SC = U[keep], C[keep]
    w = w[keep] / w[keep].sum()
    seen, slack = np.inf, _SLACK[min(U.shape[1], len(_SLACK) - 1)]
    degree = min(max(1, plan.terms.degree), _MOST_DEGREE)
    starts = 2 * p if p < _MANY else p
    for left in reversed(range(min(_ROUNDS, max(8, 1000 // p)))):
        SF = space.model(SU, SC)
        w = _weighed(criterion, SF, w, R)
        Q = _shape(criterion, _inverse(SF, w, R))
        here = _variance(SF, Q)
        mean = float(w @ here)
        alive = w > 1e-7
        SU, SC, w = SU[alive], SC[alive], w[alive] / w[alive].sum()
        everywhere = _variance(F, Q)
        tops = np.lexsort((np.arange(len(U)), -np.round(everywhere, 9)))[:starts]
        heavy = np.lexsort((np.arange(len(w)), -np.round(w, 12)))[:starts]
        TU, TC, found = _climbed(
            space, Q, np.concatenate([U[tops], SU[heavy]]), np.concatenate([C[tops], SC[heavy]]), degree
        )
        seen = float(found.max())
        if seen <= mean * (1 + slack) or not left:
            break
        SU, SC, w = _joined(SU, SC, w, TU, TC, found, mean * (1 + slack / 4), 2 * p)
    return _judged(criterion, R, space, SU, SC, w, seen)


def judged(plan: Layout, like: Approximate, U: Array, C: Indices, weights: Array) -> Approximate:
    """The plan of points U (m, d), C (m, c) with `weights` (m,), judged by the criterion of `like`."""
    return _judged(like.criterion, like.prior, plan.space, U, C, weights, like.seen)


def _judged(criterion: Criterion, R: Array, space: Space, U: Array, C: Indices, w: Array, seen: float) -> Approximate:
    F = space.model(U, C)
    V = _inverse(F, w, R)
    Q = _shape(criterion, V)
    here = _variance(F, Q)
    return Approximate(criterion, R, U, C, w, _value(criterion, V), max(seen, float(here.max())), float(w @ here), Q)


def _joined(
    U: Array, C: Indices, w: Array, TU: Array, TC: Indices, value: Array, least: float, most: int
) -> tuple[Array, Indices, Array]:
    """The support with up to `most` of the new maxima that stand apart from it and each other."""
    order = np.lexsort((np.arange(len(value)), -np.round(value, 9)))
    more_U: list[Array] = []
    more_C: list[Indices] = []
    for i in order:
        if value[i] <= least or len(more_U) >= most:
            break
        near = np.abs(U - TU[i]).max(axis=1) + 9.0 * (TC[i] != C).any(axis=1) < 1e-4
        close = any(np.abs(u - TU[i]).max() < 0.02 and (c == TC[i]).all() for u, c in zip(more_U, more_C, strict=True))
        if not near.any() and not close:
            more_U.append(TU[i])
            more_C.append(TC[i])
    if not more_U:
        return U, C, w
    share = 0.02 / len(more_U)
    weights = np.concatenate([w * (1 - share * len(more_U)), np.full(len(more_U), share)])
    return np.concatenate([U, more_U]), np.concatenate([C, more_C]), weights
