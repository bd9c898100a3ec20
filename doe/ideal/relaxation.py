"""A proven bound of the best approximate plan that needs no search of the region: sums of squares.

What a plan knows of the region is the vector of its moments. Moments of weightings on the region {u : G u <= h} keep
every g_i g_j (g = h - G u) positive in the mean against every square, so that the matrices of such means are
positive semidefinite. The best value over all vectors that obey this, real moments or not, bounds every plan; and the
multipliers of the conditions say why: they write c - f'Qf as a sum of products g_i g_j and squares, which nowhere in
the region is negative (De Castro, Gamboa, Henrion, Hess & Lasserre 2019, Annals of Statistics 47; from memory). The
problem is convex and solved by a barrier method (Boyd & Vandenberghe 2004, Convex Optimization, chapter 11).

A vector of moments is carried as signed weights on a fixed set of points that determine polynomials of the degree.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve, qr

from doe.ideal.approximate import limit_of
from doe.search.exchange import Criterion

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_NEAR = 1e-3
_SHARE_OF_PAIRS = 0.4
_MOST_MOMENTS = 1400
_WORK = 1.5e9
_SHRINK, _CENTRED = 0.12, 0.7
_MOST_STEPS = 80


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """A part of the region {v : G v <= h} within -1..+1, on which the model has total degree `degree` (at least 1).

    `rows` maps points (n, k) to model rows (images, n, p): a run is spread evenly over its mirror images. `points`
    (s, k) with weights (s,) fill the part; `support`, weighted alike, is that of a good plan.
    """

    G: Array
    h: Array
    degree: int
    rows: Callable[[Array], Array]
    points: Array
    weights: Array
    support: Array
    shares: Array


@lru_cache(maxsize=32)
def _exponents(d: int, degree: int) -> Indices:
    """All exponents of total degree at most `degree`, (n, d)."""
    rows = []
    for k in range(degree + 1):
        for chosen in combinations_with_replacement(range(d), k):
            rows.append(np.bincount(np.array(chosen, dtype=np.intp), minlength=d))
    return np.array(rows, dtype=np.intp).reshape(len(rows), d)


def _monomials(U: Array, degree: int) -> Array:
    exponents = _exponents(U.shape[1], degree)
    out = np.ones((len(U), len(exponents)))
    for j in range(U.shape[1]):
        out *= (U[:, j][:, None] ** np.arange(degree + 1))[:, exponents[:, j]]
    return out


def _levelled(part: Part, degree: int, points: Array) -> Array:
    """Polynomials of at most `degree` at the points, in a basis that is orthonormal over the part."""
    root = np.sqrt(part.weights)[:, None] * _monomials(part.points, degree)
    rows: Array = np.linalg.solve(np.linalg.qr(root).R.T, _monomials(points, degree).T).T
    return rows


class _Blocks:
    """The conditions on the weights of one part, and their barrier."""

    def __init__(self, part: Part, pairs: Indices, whole: bool) -> None:
        grid = _monomials(part.points, 2 * part.degree)
        self.size = grid.shape[1]
        chosen = qr(grid[-3 * self.size :].T, mode="r", pivoting=True)[1][: self.size] - min(3 * self.size, len(grid))
        points = part.points[chosen]
        self.inverse = np.linalg.inv(grid[chosen])
        self.F = part.rows(points)
        g = part.h - points @ part.G.T
        self.factors = (g[:, pairs[:, 0]] * g[:, pairs[:, 1]]).T
        self.factors /= np.abs(self.factors).mean(axis=1, keepdims=True)
        self.low = _levelled(part, part.degree - 1, points)
        # Where the information of the model does not hold every moment, that of all polynomials has to be positive too.
        self.full = _levelled(part, part.degree, points)[:, : None if whole else 0]
        self.start = self.inverse.T @ (grid.T @ part.weights)
        self.order = len(pairs) * self.low.shape[1] + self.full.shape[1]

    def matrices(self, w: Array) -> tuple[Array, Array]:
        """The matrices that have to be positive, (b, l, l) and (t, t)."""
        weighted = (self.factors * w)[:, :, None] * self.low
        return self.low.T @ weighted, (self.full * w[:, None]).T @ self.full

    def barrier(self, w: Array) -> float:
        """Minus the log determinants; infinite outside."""
        try:
            return sum(
                -2 * float(np.log(np.diagonal(np.linalg.cholesky(L), axis1=-2, axis2=-1)).sum())
                for L in self.matrices(w)
            )
        except np.linalg.LinAlgError:
            return np.inf

    def slopes(self, w: Array) -> tuple[Array, Array]:
        """Gradient (n,) and Hessian (n, n) of the barrier."""
        many, one = self.matrices(w)
        gradient, hessian = np.zeros(self.size), np.zeros((self.size, self.size))
        if self.full.shape[1]:
            R = np.linalg.solve(np.linalg.cholesky(one), self.full.T).T
            G = R @ R.T
            gradient -= np.diag(G)
            hessian += G * G
        root = np.linalg.inv(np.linalg.cholesky(many))
        R = self.low @ root.transpose(0, 2, 1)
        i, j = np.triu_indices(self.low.shape[1])
        scale = np.where(i == j, 1.0, np.sqrt(2.0))
        gradient -= (np.einsum("bnl,bnl->bn", R, R) * self.factors).sum(axis=0)
        for start in range(0, len(R), 64):
            here = R[start : start + 64]
            Z = here[:, :, i] * here[:, :, j] * scale * self.factors[start : start + 64, :, None]
            Z = Z.transpose(1, 0, 2).reshape(self.size, -1)
            hessian += Z @ Z.T
        return gradient, hessian

    def multipliers(self, w: Array, step: Array) -> tuple[Array, bool]:
        """The sum of squares (n,) that the multipliers make after a Newton step, and whether they are positive."""
        total, good = np.zeros(self.size), True
        for L, change, rows, factors in zip(
            self.matrices(w), self.matrices(step), (self.low, self.full), (self.factors, None), strict=True
        ):
            if not L.size:
                continue
            V = np.linalg.inv(L)
            S = V - V @ change @ V
            S = (S + np.swapaxes(S, -1, -2)) / 2
            good &= bool(np.linalg.eigvalsh(S).min() > 0)
            if factors is None:
                total += np.einsum("ni,ij,nj->n", rows, S, rows)
            else:
                total += (np.einsum("bnl,nl->bn", rows @ S, rows) * factors).sum(axis=0)
        return total, good

    def excess(self, values: Array) -> float:
        """A bound of a polynomial over -1..+1 from its values (n,) at the points."""
        return float(np.abs(self.inverse @ values).sum())


@dataclass(slots=True)
class _Goal:
    """What is to be least: minus log det N for D, the trace of N^-1 B for L times `scale`; N = M + R.

    M is the sum over points of weight times the mean of f f' over the images, F (images, n, p).
    """

    criterion: Criterion
    prior: Array
    F: Array
    scale: float = 1.0

    def moment(self, w: Array) -> Array:
        """M, (p, p)."""
        total: Array = np.mean([f.T @ (w[:, None] * f) for f in self.F], axis=0)
        return total

    def value(self, w: Array) -> float:
        N = self.moment(w) + self.prior
        try:
            root = np.linalg.cholesky(N)
        except np.linalg.LinAlgError:
            return np.inf
        if self.criterion.kind == "D":
            return -2 * float(np.log(np.diag(root)).sum())
        return self.scale * float(np.trace(np.linalg.solve(N, self.criterion.weight)))

    def slopes(self, w: Array) -> tuple[Array, Array]:
        """Gradient (n,) and Hessian (n, n); where images are truly such, one of each pair need be looked at."""
        V = np.linalg.inv(self.moment(w) + self.prior)
        Q = np.asarray(V if self.criterion.kind == "D" else self.scale * V @ self.criterion.weight @ V)
        gradient = -self.variance(Q)
        hessian = np.zeros((len(w), len(w)))
        for f in self.F:
            G = (self.F[0] @ V) @ f.T
            hessian += G * G if self.criterion.kind == "D" else 2 * G * ((self.F[0] @ Q) @ f.T)
        hessian /= len(self.F)
        return gradient, (hessian + hessian.T) / 2

    def variance(self, Q: Array) -> Array:
        """The mean of f'Qf over the images, (n,)."""
        out: Array = np.mean([np.einsum("np,np->n", f @ Q, f) for f in self.F], axis=0)
        return out

    def shape(self, w: Array, step: Array) -> Array:
        """Q of the variance function after a Newton step, (p, p)."""
        V = np.linalg.inv(self.moment(w) + self.prior)
        change = self.moment(step)
        if self.criterion.kind == "D":
            Q = V - V @ change @ V
        else:
            Q = V @ self.criterion.weight @ V * self.scale
            Q = Q - V @ change @ Q - Q @ change @ V
        return (Q + Q.T) / 2


def limit(criterion: Criterion, prior: Array, parts: Sequence[Part]) -> tuple[float, Array]:
    """What no approximate plan on the parts can pass, and the (p, p) Q that proves it.

    The first is log det (M + R) / p at most for D, trace((M + R)^-1 B) at least for L, R being `prior` per run. It is
    infinite (0 for L) where the method failed or would take too long. The proof is that f'Qf, averaged over the
    images, is bounded; whoever uses it has to see that Q has their symmetry. Rounding: the identity that proves the
    bound is evaluated at all points that determine it, and what is left of it is added to the bound; the rounding of
    the squares themselves, of relative size 1e-12, is not.
    """
    failed = (np.inf if criterion.kind == "D" else 0.0, np.zeros_like(prior))
    chosen = [_pairs(part, _room(part, len(parts))) for part in parts]
    if any(not len(pairs) for pairs in chosen):
        return failed
    blocks = [
        _Blocks(part, pairs, bool(prior.any()) or _is_short(part, len(prior)))
        for part, pairs in zip(parts, chosen, strict=True)
    ]
    goal = _Goal(criterion, prior, np.concatenate([b.F for b in blocks], axis=1))
    w = np.concatenate([b.start for b in blocks])
    if criterion.kind == "L":
        goal.scale = len(prior) / goal.value(w)
    cuts = np.cumsum([b.size for b in blocks])[:-1]
    order = sum(b.order for b in blocks)
    best = failed
    mu, last = 1.0, _NEAR * len(prior) / order
    for _ in range(_MOST_STEPS):
        try:
            step, decrement, c = _newton(goal, blocks, cuts, w, mu)
            if decrement < _CENTRED:
                best = _better(goal, blocks, cuts, w, step, mu, c, best)
        except np.linalg.LinAlgError:
            # At the end of what double precision can tell apart; what was proven before stands.
            break
        share = _stride(goal, blocks, cuts, w, step, mu, decrement)
        if share == 0 or (decrement < _CENTRED and mu <= last):
            break
        w = w + share * step
        if decrement < _CENTRED:
            mu = max(mu * _SHRINK, last)
    return best


def _is_short(part: Part, p: int) -> bool:
    """Whether the information leaves some moments out: fewer terms than polynomials of the degree, or mirror images."""
    return p < len(_exponents(part.G.shape[1], part.degree)) or len(part.rows(part.support[:1])) > 1


def _room(part: Part, parts: int) -> int:
    """How many products of limits there is time for; 0 when there is none."""
    n = len(_exponents(part.G.shape[1], 2 * part.degree))
    low = len(_exponents(part.G.shape[1], part.degree - 1))
    if n * parts > _MOST_MOMENTS:
        return 0
    m = len(part.G)
    enough = max(3 * m, int(_SHARE_OF_PAIRS * m * (m - 1) / 2))
    return min(enough, int(_WORK / (parts * n**2 * low * (low + 1) / 2)))


def _pairs(part: Part, most: int) -> Indices:
    """The products of two limits that are used, (b, 2): those of opposite limits, and those that vanish on a good plan.

    Multipliers can only be large where a product is nearly zero wherever the plan has weight.
    """
    m = len(part.G)
    i, j = np.triu_indices(m, 1)
    opposite = np.abs(part.G[i] + part.G[j]).max(axis=1) < 1e-9
    away = (part.h - part.support @ part.G.T > 1e-6).astype(float)
    open_both = (away.T @ (part.shares[:, None] * away))[i, j]
    order = np.lexsort((np.arange(len(i)), np.round(open_both, 6), ~opposite))[:most]
    return np.column_stack([i, j])[np.sort(order)]


def _newton(goal: _Goal, blocks: list[_Blocks], cuts: Indices, w: Array, mu: float) -> tuple[Array, float, float]:
    """The Newton step among weights that add up to 1, its decrement, and the constant c of the identity."""
    gradient, hessian = goal.slopes(w)
    start = 0
    for block, own in zip(blocks, np.split(w, cuts), strict=True):
        g, H = block.slopes(own)
        here = slice(start, start + block.size)
        gradient[here] += mu * g
        hessian[here, here] += mu * H
        start += block.size
    scale = np.asarray(1 / np.sqrt(np.diag(hessian)))
    factor = cho_factor(hessian * np.outer(scale, scale) + 1e-15 * len(w) * np.eye(len(w)))
    a = scale * cho_solve(factor, scale * gradient)
    b = scale * cho_solve(factor, scale)
    c = -float(a.sum() / b.sum())
    step = -(a + c * b)
    return step, max(0.0, -float(gradient @ step) / mu) ** 0.5, c


def _better(
    goal: _Goal,
    blocks: list[_Blocks],
    cuts: Indices,
    w: Array,
    step: Array,
    mu: float,
    c: float,
    best: tuple[float, Array],
) -> tuple[float, Array]:
    """The better of `best` and the bound proven by the multipliers after the Newton step."""
    Q = goal.shape(w, step)
    variance = np.split(goal.variance(Q), cuts)
    slack = 0.0
    for block, own, change, d in zip(blocks, np.split(w, cuts), np.split(step, cuts), variance, strict=True):
        squares, good = block.multipliers(own, change)
        if not good:
            return best
        slack = max(slack, block.excess(c - d - mu * squares))
    found = limit_of(goal.criterion, goal.prior, Q, c + slack)
    improved = found < best[0] if goal.criterion.kind == "D" else found > best[0]
    return (found, Q) if improved else best


def _stride(
    goal: _Goal, blocks: list[_Blocks], cuts: Indices, w: Array, step: Array, mu: float, decrement: float
) -> float:
    """How much of the step to take, so that the sum of goal and barrier falls."""

    def total(x: Array) -> float:
        value = goal.value(x)
        if not np.isfinite(value):
            return np.inf
        return value + mu * sum(block.barrier(own) for block, own in zip(blocks, np.split(x, cuts), strict=True))

    now, share = total(w), 1.0
    while share > 1e-6:
        if total(w + share * step) <= now - 0.1 * share * mu * decrement**2 + 1e-12 * abs(now):
            return share
        share /= 2
    return 0.0
