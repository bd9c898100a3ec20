"""The best approximate plan: weights on points, whole runs forgotten. The yardstick of every exact plan.

A plan is judged against the optimum over all weightings (Kiefer & Wolfowitz 1960): its variance function shows how
far it is from it, and a proven bound of that function over the whole region proves it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr
from scipy.optimize import nnls

from doe import candidates
from doe.exchange import Criterion, Space, along
from doe.spaces import Layout

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

# How near the optimum is sought, by free dimensions.
_SLACK = (5e-5, 5e-5, 5e-5, 5e-5, 1e-4, 4e-4, 1e-3)
_MOST_PROVEN = 6
_MANY_TERMS = 30


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

    For A = M + R of any plan and positive semidefinite Q, log det A <= p log(trace(QA) / p) - log det Q, and
    trace(B / A) >= (trace of the root of B^1/2 Q B^1/2)^2 / trace(QA). With Q of the plan in hand both say:
    efficiency >= `total` / trace(QA), `total` being p for D and the plan's own trace for L; and trace(QA) is at most
    `total` - `mean` + `greatest`. Without prior this is mean / greatest (Atwood 1969, Ann. Math. Stat. 40; from
    memory).
    """
    return total / (total + max(0.0, greatest - mean))


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


def _multiplied(criterion: Criterion, F: Array, R: Array, steps: int) -> Array:
    """Multiplicative steps from equal weights (Titterington 1976; Yu 2010, Ann. Statist. 38), (m,)."""
    w = np.full(len(F), 1 / len(F))
    for _ in range(steps):
        d = _variance(F, _shape(criterion, _inverse(F, w, R)))
        w = w * (d if criterion.kind == "D" else np.sqrt(d))
        w /= w.sum()
    return w


def _weighed(criterion: Criterion, F: Array, w: Array, R: Array, steps: int = 30) -> Array:
    """The best weights on the rows of F: Newton steps, each a non-negative least squares problem."""
    now = _loss(criterion, _inverse(F, w, R))
    for _ in range(steps):
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


def _climbed(space: Space, Q: Array, U: Array, C: Indices) -> tuple[Array, Indices, Array]:
    """Local maxima of f'Qf from the starts U, C: line moves until none gains."""
    value = _variance(space.model(U, C), Q)
    if not U.shape[1]:
        return U, C, value
    small = U.shape[1] <= _MOST_PROVEN and len(Q) <= _MANY_TERMS
    move = along(np.linspace(0, 1, 11 if small else 5), pairs=small, near=8 if small else 4)
    U, C = U.copy(), C.copy()
    active = np.arange(len(U))
    for _ in range(40 if small else 12):
        offer = move(space, U[active], C[active])
        s, m, d = offer.X.shape
        got = _variance(space.model(offer.X.reshape(s * m, d), offer.C.reshape(s * m, C.shape[1])), Q).reshape(s, m)
        got = got if offer.allowed is None else np.where(offer.allowed, got, -np.inf)
        best = got.argmax(axis=1)
        gain = got[np.arange(s), best]
        up = gain > value[active] * (1 + 1e-7)
        who = active[up]
        U[who], C[who], value[who] = offer.X[up, best[up]], offer.C[up, best[up]], gain[up]
        active = who
        if not len(active):
            break
    return U, C, value


def optimum(plan: Layout, criterion: Criterion, runs: int) -> Approximate:
    """The best weights over the region, to 0.005 % of its own bound (0.1 % beyond five free dimensions) as far as a
    local search can see.

    The prior of `criterion` counts once against `runs` runs.
    """
    space, R = plan.space, criterion.prior / runs
    U, C = candidates.everywhere(plan.pieces, plan.region, candidates.rich)
    F = space.model(U, C)
    w = _multiplied(criterion, F, R, 60)
    p = F.shape[1]
    # The heaviest points alone may not span the model; as many more rows as it has terms make sure of it.
    heavy = np.lexsort((np.arange(len(w)), -np.round(w, 12)))[: 4 * p]
    spanning = qr((F * np.sqrt(w)[:, None]).T, mode="r", pivoting=True)[1][:p]
    keep = np.union1d(heavy, spanning)
    SU, SC = U[keep], C[keep]
    w = w[keep] / w[keep].sum()
    seen, slack = np.inf, _SLACK[min(U.shape[1], len(_SLACK) - 1)]
    # For large models, or beyond the reach of a proof, a rougher optimum is enough, and a fine one would take minutes.
    small = U.shape[1] <= _MOST_PROVEN and p <= _MANY_TERMS
    left = 25 if small else 10
    while left:
        left -= 1
        SF = space.model(SU, SC)
        w = _weighed(criterion, SF, w, R, 30 if small else 6)
        Q = _shape(criterion, _inverse(SF, w, R))
        here = _variance(SF, Q)
        mean = float(w @ here)
        alive = w > 1e-7
        SU, SC, w = SU[alive], SC[alive], w[alive] / w[alive].sum()
        everywhere = _variance(F, Q)
        tops = np.lexsort((np.arange(len(U)), -np.round(everywhere, 9)))[: 2 * p]
        heavy = np.lexsort((np.arange(len(w)), -np.round(w, 12)))[: 2 * p if small else 40]
        tops = tops if small else tops[:40]
        TU, TC, found = _climbed(space, Q, np.concatenate([U[tops], SU[heavy]]), np.concatenate([C[tops], SC[heavy]]))
        seen = float(found.max())
        if seen <= mean * (1 + slack) or not left:
            break
        SU, SC, w = _joined(SU, SC, w, TU, TC, found, mean * (1 + slack / 4), 2 * p)
    return _judged(criterion, R, space, SU, SC, w, seen)


def judged(plan: Layout, like: Approximate, U: Array, C: Indices, weights: Array) -> Approximate:
    """Another plan by the criterion of `like`."""
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
