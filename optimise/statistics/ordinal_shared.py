"""Grades with something in common: a cumulative link model in which grades of one group share a score of their own.

logit P(grade <= j) = threshold_j - x'b - u - v with u ~ N(0, sd²) for each group, such as a batch graded several times,
and, where groups lie in larger ones, v ~ N(0, outer sd²) for each of these, such as a day or a whole plot (Hedeker &
Gibbons 1994, Biometrics 50, 933-944). The likelihood is integrated over both by Gauss-Hermite nodes; grades of one
batch, or batches of one day, are then not taken for so many batches, and no mean of grades is made.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from optimise.statistics.ordinal import OrdinalFit, logit_share, ordinal_fit

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

_NODES = 60
_NODES_OF_TWO = 24  # each way, where there are groups within groups
_NOTHING = 1e-3  # a shared sd below this is none: the likelihood is flat there
_FAR = 30.0  # beyond this the groups themselves part the grades
_STEP = 1e-4  # of central differences
# Where a prior holds the slopes, the sd of the larger groups is half-t with 3 degrees of freedom: weak (common
# practice, no source), about three times the scatter of a single grade.
_HELD_SD = 3 * float(np.pi / np.sqrt(3))


@dataclass(frozen=True, slots=True, eq=False)
class SharedFit:
    """The fit as if what is shared were not there; `sd` of groups, `outer_sd` of the larger ones, standard errors.

    `covariance` of `fit` allows for both being estimated; an error is 0 where its sd is.
    """

    fit: OrdinalFit
    sd: float
    sd_error: float
    outer_sd: float = 0.0
    outer_sd_error: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """Group (m,) of each grade, larger group of each group, weights (m,); nodes and mass of both."""

    member: Places
    larger: Places
    weights: Array
    inner: tuple[Array, Array]
    outer: tuple[Array, Array]
    drawn: tuple[bool, bool]


def ordinal_shared(
    X: npt.ArrayLike, grade: npt.ArrayLike, grades: int, groups: npt.ArrayLike | None, prior: float = 0.0,
    outer: npt.ArrayLike | None = None, weights: npt.ArrayLike | None = None,
) -> SharedFit:  # fmt: skip
    """Fit grades 0 .. grades - 1 (n,) of `groups` (n,) by the columns of X (n, p), which hold no constant.

    `outer` (n,) names the larger group each belongs to; `groups` None: every grade is a group. `weights` are counts.
    `prior` and the errors raised are those of `ordinal_fit`; ValueError too where groups part the grades.
    """
    rows, y = np.asarray(X, dtype=float), np.asarray(grade, dtype=np.intp)
    plain = ordinal_fit(rows, y, grades, weights=weights, prior=prior)
    levels = _levels(len(y), groups, outer, weights)
    middle, unit = rows.mean(axis=0), rows.std(axis=0)
    Z, g, p = (rows - middle) / unit, grades - 1, rows.shape[1]
    precision = np.concatenate([np.zeros(g), np.full(p, prior) / unit**2, np.zeros(sum(levels.drawn))])
    held = prior > 0 and levels.drawn[1]

    def lost(theta: Array) -> tuple[float, Array]:
        if (np.diff(theta[:g]) <= 0).any():
            return np.inf, np.zeros_like(theta)
        value, slope = _likelihood(Z, y, levels, g, theta)
        value, slope = 0.5 * float(precision @ theta**2) - value, precision * theta - slope
        if held:
            far = 3 + (theta[-1] / _HELD_SD) ** 2
            value += 2 * float(np.log(far / 3))
            slope[-1] += 4 * theta[-1] / _HELD_SD**2 / far
        return value, slope

    start = np.concatenate([plain.thresholds - plain.estimate @ middle, plain.estimate * unit])
    found = optimize.minimize(
        lost, np.append(start, np.ones(sum(levels.drawn))), jac=True, method="BFGS",
        options={"gtol": 1e-6, "maxiter": 400},
    )  # fmt: skip
    theta = np.asarray(found.x, dtype=float)
    sds = np.zeros(2)
    sds[list(levels.drawn)] = np.abs(theta[g + p :])
    nothing = levels.drawn & (sds < _NOTHING)
    if nothing.any():
        if (nothing == levels.drawn).all():
            return SharedFit(plain, 0.0, 0.0)
        return ordinal_shared(rows, y, grades, None if nothing[0] else groups, prior, None if nothing[1] else outer,
                              weights)  # fmt: skip
    if sds.max() > _FAR:
        raise ValueError("the groups part the grades: their sd has no end")
    theta = _settled(lost, theta)
    turn = np.eye(theta.size)
    turn[g : g + p, g : g + p] = np.diag(1 / unit)
    turn[:g, g : g + p] = middle / unit
    covariance = turn @ np.linalg.inv(_hessian(lost, theta)) @ turn.T
    back = turn @ theta
    value = _likelihood(Z, y, levels, g, theta)[0]
    fit = OrdinalFit("logit", back[:g], back[g : g + p], covariance[: g + p, : g + p], value, prior > 0)
    errors = np.zeros(2)
    sds[list(levels.drawn)] = np.abs(theta[g + p :])
    errors[list(levels.drawn)] = np.sqrt(np.maximum(np.diag(covariance)[g + p :], 0.0))
    return SharedFit(fit, float(sds[0]), float(errors[0]), float(sds[1]), float(errors[1]))


def _levels(
    n: int, groups: npt.ArrayLike | None, outer: npt.ArrayLike | None, weights: npt.ArrayLike | None
) -> _Levels:
    if outer is None and groups is None:
        raise ValueError("nothing is shared: use ordinal_fit")
    member = np.arange(n) if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
    first = np.unique(member, return_index=True)[1]
    larger = np.arange(len(first)) if outer is None else np.unique(np.asarray(outer), return_inverse=True)[1][first]
    counts = _NODES_OF_TWO if outer is not None and groups is not None else _NODES
    nodes, mass = np.polynomial.hermite_e.hermegauss(counts)
    some, none = (nodes, mass / mass.sum()), (np.zeros(1), np.ones(1))
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    drawn = (groups is not None, outer is not None)
    return _Levels(member, larger, w, some if drawn[0] else none, some if drawn[1] else none, drawn)


def _settled(lost: Callable[[Array], tuple[float, Array]], theta: Array) -> Array:
    """A few steps of Newton's method, which bring the last digits."""
    for _ in range(4):
        tried = theta - np.linalg.solve(_hessian(lost, theta), lost(theta)[1])
        if not np.isfinite(lost(tried)[0]) or lost(tried)[0] > lost(theta)[0] + 1e-12:
            break
        theta = tried
    return theta


def _hessian(lost: Callable[[Array], tuple[float, Array]], theta: Array) -> Array:
    """Second derivatives by central differences of the slope."""
    out = np.empty((theta.size, theta.size))
    for j, step in enumerate(_STEP * np.eye(theta.size)):
        out[j] = (lost(theta + step)[1] - lost(theta - step)[1]) / (2 * _STEP)
    return (out + out.T) / 2


def _likelihood(Z: Array, y: Places, levels: _Levels, g: int, theta: Array) -> tuple[float, Array]:
    """Log-likelihood and slope in (thresholds, coefficients, the sds that are drawn)."""
    (nodes, mass), (wide_nodes, wide_mass) = levels.inner, levels.outer
    p = Z.shape[1]
    sds = np.zeros(2)
    sds[list(levels.drawn)] = theta[g + p :]
    shift = (Z @ theta[g : g + p])[:, None, None] + sds[1] * wide_nodes[:, None] + sds[0] * nodes
    cuts = np.concatenate([[-np.inf], theta[:g], [np.inf]])
    a, b = cuts[y][:, None, None] - shift, cuts[y + 1][:, None, None] - shift
    share, da, db, _, _ = (part.reshape(shift.shape) for part in logit_share(a.ravel(), b.ravel()))
    w = levels.weights[:, None, None]
    # Grades of a group add up, are averaged over its score; groups of a larger one add up, are averaged over its own.
    whole = np.zeros((levels.larger.size, *shift.shape[1:]))
    np.add.at(whole, levels.member, w * share)
    group = special.logsumexp(whole, b=mass, axis=2)
    wide = np.zeros((int(levels.larger.max()) + 1, wide_nodes.size))
    np.add.at(wide, levels.larger, group)
    each = special.logsumexp(wide, b=wide_mass, axis=1)
    over = (wide_mass * np.exp(wide - each[:, None]))[levels.larger]
    weight = w * (over[:, :, None] * mass * np.exp(whole - group[:, :, None]))[levels.member]
    left, right = (weight * da).sum(axis=(1, 2)), (weight * db).sum(axis=(1, 2))
    slope = np.zeros(theta.size)
    inner, outer = y > 0, y < g
    np.add.at(slope, y[inner] - 1, left[inner])
    np.add.at(slope, y[outer], right[outer])
    slope[g : g + p] = -Z.T @ (left + right)
    both = weight * (da + db)
    slope[g + p :] = np.array([-float((both * nodes).sum()), -float((both * wide_nodes[:, None]).sum())])[
        list(levels.drawn)
    ]
    return float(each.sum()), slope
