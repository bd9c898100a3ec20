"""Batches made in groups: variance components by restricted likelihood, tests by Kenward and Roger.

The model is y = X b + sum of Z_i u_i + e with u_i ~ N(0, v_i I) for each grouping (whole plots, blocks) and
e ~ N(0, v I). Components are found by restricted maximum likelihood (Patterson & Thompson 1971, Biometrika 58, 545-554)
in the space of error contrasts, none below zero, and brought to convergence by Newton's method: a default stopping rule
of a general optimiser loses digits here. Covariances of coefficients, and degrees of freedom of tests, are those of
Kenward & Roger (1997, Biometrics 53, 983-997).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy import linalg, optimize, stats

from optimise.statistics.leastsq import two_sided

Array = npt.NDArray[np.float64]

_STARTS = (0.0, 0.1, 1.0, 10.0)  # ratios of variances to begin with
_CONVERGED = 1e-13


@dataclass(frozen=True, slots=True)
class Contrast:
    """One combination of coefficients: its estimate, standard error and t test on `df` degrees of freedom."""

    estimate: float
    se: float
    df: float
    t: float
    p: float


@dataclass(frozen=True, slots=True)
class JointTest:
    """Several combinations at once: F on (`ndf`, `ddf`) degrees of freedom, `scale` already in it."""

    f: float
    ndf: int
    ddf: float
    scale: float
    p: float


@dataclass(frozen=True, slots=True, eq=False)
class MixedFit:
    """A fit of n batches by p columns with c groupings.

    `estimate` (p,); `covariance` (p, p) of Kenward and Roger and `plain` (p, p), the covariance as if the components
    were known; `variance` (c + 1,), the groupings in their order and the batch last; `information` (c + 1, c + 1), the
    inverse of the expected information on the components; `log_likelihood` restricted, of orthonormal error contrasts;
    `at_zero` (c,) says which components ended on their bound.
    """

    estimate: Array
    covariance: Array
    plain: Array
    variance: Array
    information: Array
    log_likelihood: float
    at_zero: tuple[bool, ...]
    fitted: Array
    _slopes: Array

    def contrast(self, weights: npt.ArrayLike) -> Contrast:
        """The t test of one combination `weights` (p,) of coefficients."""
        row = np.asarray(weights, dtype=float)
        joint = self.test(row[None])
        estimate = float(row @ self.estimate)
        se = sqrt(float(row @ self.covariance @ row))
        t = estimate / se
        return Contrast(estimate, se, joint.ddf, t, float(two_sided(t, joint.ddf)))

    def test(self, rows: npt.ArrayLike) -> JointTest:
        """The F test of all combinations `rows` (q, p), which must be independent of each other."""
        L = np.atleast_2d(np.asarray(rows, dtype=float))
        q = len(L)
        ddf, scale = self._freedom(L)
        b = L @ self.estimate
        f = scale * float(b @ np.linalg.solve(L @ self.covariance @ L.T, b)) / q
        return JointTest(f, q, ddf, scale, float(stats.f.sf(f, q, ddf)))

    def _freedom(self, L: Array) -> tuple[float, float]:
        """Denominator degrees of freedom and scale of F (Kenward & Roger 1997, section 3 and its appendix)."""
        q = len(L)
        theta = L.T @ np.linalg.solve(L @ self.plain @ L.T, L)
        each = np.array([theta @ self.plain @ slope @ self.plain for slope in self._slopes])
        trace = np.einsum("iaa->i", each)
        a1 = float(np.einsum("ij,i,j->", self.information, trace, trace))
        a2 = float(np.einsum("ij,iab,jba->", self.information, each, each))
        if a2 <= 0:
            return np.inf, 1.0
        if q == 1:
            # What follows comes to this, also where it would divide nothing by nothing (two degrees of freedom).
            return 2 / a2, 1.0
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
        v0, v1, v2 = 1 + c1 * b, 1 - c2 * b, 1 - c3 * b
        v0 = 0.0 if abs(v0) < 1e-10 else v0
        part = 1.0 if abs(v1) < 1e-10 and abs(1 - a2 / q) < 1e-10 else (1 - a2 / q) / v1
        ratio = part**2 * v0 / v2 / q
        ddf = 4 + (q + 2) / (q * ratio - 1)
        return ddf, 1.0 if abs(ddf - 2) < 1e-2 else ddf * (1 - a2 / q) / (ddf - 2)


def reml(X: npt.ArrayLike, y: npt.ArrayLike, groups: Sequence[npt.ArrayLike]) -> MixedFit:
    """Fit y (n,) by the columns of X (n, p) with `groups`, each the group (n,) that every batch belongs to.

    Raises ValueError where columns depend on each other, no degree of freedom is left, or the groupings cannot be
    told from the batch or from each other (every group a single batch, for one).
    """
    rows, values = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    p = rows.shape[1]
    if np.linalg.matrix_rank(rows / np.linalg.norm(rows, axis=0)) < p:
        raise ValueError("the columns depend on each other")
    members = [_membership(labels) for labels in groups]
    rest = linalg.qr(rows)[0][:, p:]
    if not rest.shape[1]:
        raise ValueError("no degree of freedom is left for the error")
    size = float(np.linalg.norm(rest.T @ values)) / sqrt(rest.shape[1]) or 1.0
    u = rest.T @ values / size
    inner = [rest.T @ Z @ Z.T @ rest for Z in members]
    _told_apart(inner)
    ratios, unit = _components(inner, u)
    variance = np.append(ratios, 1.0) * unit * size**2
    like = _log_likelihood(inner, u, variance / size**2) - len(u) * log(size)
    return _at(rows, values, members, variance, like)


def at_variances(X: npt.ArrayLike, y: npt.ArrayLike, groups: Sequence[npt.ArrayLike], variance: Array) -> MixedFit:
    """The fit that `reml` would give if its components came out as `variance` (c + 1,), the batch last."""
    rows, values = np.asarray(X, dtype=float), np.asarray(y, dtype=float)
    members = [_membership(labels) for labels in groups]
    rest = linalg.qr(rows)[0][:, rows.shape[1] :]
    inner = [rest.T @ Z @ Z.T @ rest for Z in members]
    _told_apart(inner)
    return _at(rows, values, members, variance, _log_likelihood(inner, rest.T @ values, variance))


def _at(rows: Array, values: Array, members: Sequence[Array], variance: Array, like: float) -> MixedFit:
    p, size = rows.shape[1], sqrt(float(variance[-1]))
    full, triangle = linalg.qr(rows)
    Q, R = np.asarray(full[:, :p], dtype=float), triangle[:p]
    beta, plain, adjusted, information, slopes = _coefficients(Q, values / size, members, variance / size**2)
    back = np.linalg.inv(R)
    estimate = back @ beta * size
    return MixedFit(
        estimate=estimate,
        covariance=back @ adjusted @ back.T * size**2,
        plain=back @ plain @ back.T * size**2,
        variance=variance,
        information=information * size**4,
        log_likelihood=like,
        at_zero=tuple(bool(v == 0) for v in variance[:-1]),
        fitted=rows @ estimate,
        _slopes=np.array([R.T @ s @ R for s in slopes]) / size**4,
    )


def _membership(labels: npt.ArrayLike) -> Array:
    """Z (n, g): 1 where a batch belongs to a group."""
    number = np.unique(np.asarray(labels), return_inverse=True)[1]
    return np.eye(int(number.max()) + 1)[number]


def _told_apart(inner: Sequence[Array]) -> None:
    parts = [*inner, np.eye(len(inner[0]))] if inner else []
    gram = np.array([[float(np.sum(a * b)) for b in parts] for a in parts])
    length = np.sqrt(np.diag(gram)) if len(parts) else np.ones(0)
    if (length <= 1e-10).any() or (len(parts) and np.linalg.eigvalsh(gram / np.outer(length, length))[0] < 1e-9):
        raise ValueError("the groupings cannot be told from the batches, or from each other")


def _components(inner: Sequence[Array], u: Array) -> tuple[Array, float]:
    """Ratios (c,) of the grouping variances to that of a batch, at the restricted maximum, and the batch variance.

    `inner` are the c matrices (m, m) of the groupings in the space of error contrasts u (m,).
    """
    m, c = len(u), len(inner)
    if not c:
        return np.zeros(0), float(u @ u) / m
    if c == 1:
        values, vectors = np.linalg.eigh(inner[0])
        inner = [np.diag(np.maximum(values, 0.0))]
        u = vectors.T @ u
    best, best_loss = np.zeros(c), np.inf

    def downhill(ratios: Array) -> tuple[float, Array]:
        value, slope, _ = _loss(inner, u, ratios)
        return value, slope

    for start in _STARTS:
        begin: Array = np.full(c, start)
        found = optimize.minimize(downhill, begin, jac=True, method="L-BFGS-B", bounds=optimize.Bounds(0, np.inf))
        if found.fun < best_loss - 1e-9:
            best, best_loss = np.asarray(found.x, dtype=float), float(found.fun)
    ratios = _polished(inner, u, best)
    H = np.eye(m) + sum(r * A for r, A in zip(ratios, inner, strict=True))
    return ratios, float(u @ np.linalg.solve(H, u)) / m


def _loss(inner: Sequence[Array], u: Array, ratios: Array) -> tuple[float, Array, Array]:
    """-2 log restricted likelihood with the batch variance profiled out, less constants; its slope and bend.

    With H = I + sum ratio_i A_i, A_i the `inner` (m, m) and u (m,) the error contrasts: log det H + m log u'H^-1 u.
    """
    m = len(u)
    H = np.eye(m) + sum(r * A for r, A in zip(ratios, inner, strict=True))
    inverse = np.linalg.inv(H)
    w = inverse @ u
    q = float(u @ w)
    parts = [inverse @ A for A in inner]
    pulled = np.array([A @ w for A in inner])
    first = pulled @ w
    second = pulled @ inverse @ pulled.T
    cross = np.array([[float(np.sum(a * b.T)) for b in parts] for a in parts])
    slope = np.array([float(np.trace(part)) for part in parts]) - m * first / q
    bend = -cross + 2 * m * second / q - m * np.outer(first, first) / q**2
    return float(np.linalg.slogdet(H)[1]) + m * log(q), slope, bend


def _polished(inner: Sequence[Array], u: Array, ratios: Array) -> Array:
    """Newton's method to convergence, with components that press on zero held there."""
    ratios = np.where(ratios < 1e-7, 0.0, ratios)
    value, slope, bend = _loss(inner, u, ratios)
    for _ in range(100):
        free = (ratios > 0) | (slope < -1e-9)
        if not free.any():
            break
        inside = bend[np.ix_(free, free)]
        way = -slope[free]
        step = np.linalg.solve(inside, way) if np.linalg.eigvalsh(inside)[0] > 0 else way / np.abs(np.diag(inside))
        moved = False
        for halving in range(40):
            tried = ratios.copy()
            tried[free] = np.maximum(ratios[free] + step / 2**halving, 0.0)
            new = _loss(inner, u, tried)
            if new[0] <= value + 1e-13 * abs(value):
                moved = bool(np.abs(tried - ratios).max() > _CONVERGED * (1 + ratios.max()))
                ratios, (value, slope, bend) = tried, new
                break
        if not moved:
            break
    return ratios


def _log_likelihood(inner: Sequence[Array], u: Array, variance: Array) -> float:
    m = len(u)
    V = variance[-1] * np.eye(m) + sum(v * A for v, A in zip(variance[:-1], inner, strict=True))
    return float(-0.5 * (m * log(2 * pi) + np.linalg.slogdet(V)[1] + u @ np.linalg.solve(V, u)))


def _coefficients(
    Q: Array, y: Array, members: Sequence[Array], variance: Array
) -> tuple[Array, Array, Array, Array, list[Array]]:
    """Coefficients of the columns Q, their plain and adjusted covariances, the inverse information on the components,
    and the slopes of Q'V^-1 Q in them.

    V is the sum of variance_i G_i. The adjusted covariance allows for the components being estimated: Kenward & Roger
    (1997), Biometrics 53, 983-997; their P_i are `slopes`, their Q_ij `bends`, their W is `information`.
    """
    n = len(y)
    parts = [Z @ Z.T for Z in members] + [np.eye(n)]
    V = np.asarray(sum(v * G for v, G in zip(variance, parts, strict=True)), dtype=float)
    inverse = np.linalg.inv(V)
    weighted = inverse @ Q
    plain = np.asarray(np.linalg.inv(Q.T @ weighted), dtype=float)
    beta = plain @ (weighted.T @ y)
    slopes = [-weighted.T @ G @ weighted for G in parts]
    bends = [[weighted.T @ G @ inverse @ K @ weighted for K in parts] for G in parts]
    spread = [inverse @ G for G in parts]
    c = len(parts)
    expected = np.empty((c, c))
    for i in range(c):
        for j in range(c):
            own = float(np.sum(spread[i] * spread[j].T))
            twice = float(np.sum(plain * bends[i][j].T))
            both = float(np.sum((plain @ slopes[i]) * (plain @ slopes[j]).T))
            expected[i, j] = 0.5 * (own - 2 * twice + both)
    information = np.asarray(np.linalg.inv(expected), dtype=float)
    extra = np.zeros_like(plain)
    for i in range(c):
        for j in range(c):
            extra += information[i, j] * (bends[i][j] - slopes[i] @ plain @ slopes[j])
    adjusted = plain + 2 * plain @ extra @ plain
    return beta, plain, (adjusted + adjusted.T) / 2, information, slopes
