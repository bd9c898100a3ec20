"""Least squares on plain arrays: Householder QR of scaled columns, refined once, rank found column by column.

A column that the earlier ones already make up is set aside, named, and never given a number. The refinement step
solves the augmented system for coefficients and residuals together (Bjorck 1967, BIT 7, 257-278) with residuals
formed in extended precision, which keeps nine and more digits on the certified ill-conditioned problems.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy import linalg, stats

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_DEPENDENT = 1e-9  # least distance of a unit column from the span of the earlier ones
ALONE = 1e-6
"""A row with no more than this to spare decides a term by itself: without it the others say next to nothing of that."""
_ROUNDING = 50 * np.finfo(float).eps


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A least-squares fit of n values by r independent columns out of p.

    `kept` (r,) and `dropped` are column numbers. `estimate` (r,), `unscaled` (r, r) = (X'WX)^-1, `fitted` (n,),
    `residual` (n,) = y - fitted, `leverage` (n,), `weights` (n,). `rss` is the weighted residual sum of squares,
    `df` = n - r. `exact` means that the residuals are no larger than rounding: every value is reproduced.
    """

    kept: Indices
    dropped: Indices
    estimate: Array
    unscaled: Array
    fitted: Array
    residual: Array
    leverage: Array
    weights: Array
    rss: float
    df: int
    exact: bool

    @property
    def n(self) -> int:
        """Number of values fitted."""
        return int(self.fitted.size)

    @property
    def rank(self) -> int:
        """Number of independent columns."""
        return int(self.kept.size)

    @property
    def has_error(self) -> bool:
        """Whether a residual sd other than zero can be had: spare degrees of freedom and residuals above rounding."""
        return self.df > 0 and not self.exact

    @property
    def sd(self) -> float:
        """Residual sd on `df` degrees of freedom; 0 for an exact fit, and meaningless where `df` is 0."""
        return sqrt(self.rss / self.df) if self.has_error else 0.0

    @property
    def log_likelihood(self) -> float:
        """Normal log-likelihood at its maximum, -n/2 (log(2 pi rss / n) + 1), plus half the log weights."""
        mean_square = self.rss / self.n
        return -0.5 * self.n * (log(2 * pi) + log(mean_square) + 1) + 0.5 * float(np.sum(np.log(self.weights)))

    @property
    def deletion_residual(self) -> Array:
        """Values less their prediction from all other rows: residual / (1 - leverage), (n,); 0 where leverage is 1."""
        spare = 1 - self.leverage
        return np.divide(self.residual, spare, out=np.zeros_like(spare), where=spare > ALONE)

    @property
    def press(self) -> float:
        """Prediction sum of squares (Allen 1974, Technometrics 16, 125-127). Needs every leverage below 1."""
        return float(np.sum(self.weights * self.deletion_residual**2))

    def influence(self) -> Influence:
        """Studentised residuals and Cook's distance."""
        return _influence(self)

    def standard_error(self) -> Array:
        """Standard errors of the kept coefficients, (r,)."""
        return self.sd * np.sqrt(np.diag(self.unscaled))


@dataclass(frozen=True, slots=True)
class Influence:
    """Per row (n,): internally and externally studentised residual, Cook's distance; `defined` where they exist.

    Cook (1977) Technometrics 19, 15-18; external residuals as in Cook & Weisberg (1982) Residuals and Influence in
    Regression. A row of leverage 1 is fitted whatever it is and has none of them.
    """

    studentised: Array
    deleted: Array
    cook: Array
    defined: npt.NDArray[np.bool_]
    deleted_defined: npt.NDArray[np.bool_]


def solve(X: npt.ArrayLike, y: npt.ArrayLike, weights: npt.ArrayLike | None = None) -> LeastSquares:
    """Fit y (n,) by the columns of X (n, p), with weights (n,) inversely proportional to the variances (1 if absent).

    Columns are tried in order: one that lies in the span of the earlier ones is dropped. Raises ValueError when
    shapes disagree, a number is not finite or a weight is not positive.
    """
    design, values, w = _checked(X, y, weights)
    n = values.size
    root = np.sqrt(w)
    rows = design * root[:, None]
    norms = _power_of_two(_norms(rows))  # scaling by powers of two rounds nothing
    kept, dropped = independent(rows)
    scaled = rows[:, kept] / norms[kept]
    target_unit = float(_power_of_two(np.max(np.abs(values), initial=0.0)))
    target = values * root / target_unit
    q, r = (np.asarray(part, dtype=float) for part in linalg.qr(scaled, mode="economic"))
    beta = linalg.solve_triangular(r, q.T @ target)
    residual = target - scaled @ beta
    for _ in range(3):
        beta, residual = _refined(scaled, target, q, r, beta, residual)
    inverse = linalg.solve_triangular(r, np.eye(kept.size))
    unscaled = (inverse @ inverse.T) / np.outer(norms[kept], norms[kept])
    leverage = np.clip(np.einsum("ij,ij->i", q, q), 0.0, 1.0)
    size = np.abs(scaled) @ np.abs(beta) + np.abs(target)
    exact = bool(np.max(np.abs(residual), initial=0.0) <= _ROUNDING * float(np.max(size, initial=0.0)) * sqrt(n))
    raw = residual * target_unit
    fit = LeastSquares(
        kept=kept,
        dropped=dropped,
        estimate=beta * target_unit / norms[kept],
        unscaled=unscaled,
        fitted=values - raw / root,
        residual=raw / root,
        leverage=leverage,
        weights=w,
        rss=float(raw @ raw),
        df=n - int(kept.size),
        exact=exact,
    )
    for array in (
        fit.kept,
        fit.dropped,
        fit.estimate,
        fit.unscaled,
        fit.fitted,
        fit.residual,
        fit.leverage,
        w,
    ):
        array.setflags(write=False)
    return fit


def independent(X: Array, least: float = _DEPENDENT) -> tuple[Indices, Indices]:
    """Column numbers of X (n, p) that are independent of the earlier ones, and those that are not.

    `least`: how far from the span of the earlier ones a column of length 1 has to reach.
    """
    norms = _norms(X)
    kept: list[int] = []
    basis = np.empty((X.shape[0], 0))
    for j in range(X.shape[1]):
        if norms[j] == 0 or basis.shape[1] == X.shape[0]:
            continue
        column = X[:, j] / norms[j]
        for _ in range(2):  # twice is enough: Gram-Schmidt with reorthogonalisation
            column = column - basis @ (basis.T @ column)
        distance = float(np.linalg.norm(column))
        if distance > least:
            kept.append(j)
            basis = np.column_stack([basis, column / distance])
    others = [j for j in range(X.shape[1]) if j not in set(kept)]
    return np.array(kept, dtype=np.intp), np.array(others, dtype=np.intp)


def contains_constant(X: Array) -> bool:
    """Whether some combination of the columns of X (n, p) is the same in every row."""
    return spans(X, np.ones(X.shape[0]))


def spans(X: Array, column: Array) -> bool:
    """Whether `column` (n,) is a combination of the columns of X (n, p)."""
    return bool(X.shape[1] in independent(np.column_stack([X, column]))[1])


def _power_of_two(size: npt.ArrayLike) -> Array:
    """The power of two nearest below each size; 1 for a size of 0."""
    exponent = np.frexp(np.asarray(size, dtype=float))[1]
    return np.asarray(np.ldexp(1.0, np.where(np.asarray(size) > 0, exponent - 1, 0)), dtype=float)


def _norms(X: Array) -> Array:
    """Column lengths, without overflow or underflow."""
    largest = np.max(np.abs(X), axis=0, initial=0.0)
    safe = np.where(largest > 0, largest, 1.0)
    return np.asarray(largest * np.sqrt(np.sum((X / safe) ** 2, axis=0)), dtype=float)


def _checked(X: npt.ArrayLike, y: npt.ArrayLike, weights: npt.ArrayLike | None) -> tuple[Array, Array, Array]:
    design = np.array(X, dtype=float)
    values = np.array(y, dtype=float)
    w = np.ones(values.shape) if weights is None else np.array(weights, dtype=float)
    if design.ndim != 2 or values.ndim != 1 or design.shape[0] != values.size or w.shape != values.shape:
        raise ValueError(f"X {design.shape}, y {values.shape} and weights {w.shape} do not belong together")
    if values.size == 0:
        raise ValueError("there is no row to fit")
    if not (np.isfinite(design).all() and np.isfinite(values).all() and np.isfinite(w).all()):
        raise ValueError("every number must be finite")
    if (w <= 0).any():
        raise ValueError("every weight must be positive")
    return design, values, w


def _refined(X: Array, y: Array, q: Array, r: Array, beta: Array, residual: Array) -> tuple[Array, Array]:
    """One step of refinement of residual + X beta = y, X' residual = 0."""
    wide = X.astype(np.longdouble)
    f = np.asarray(y - residual.astype(np.longdouble) - wide @ beta.astype(np.longdouble), dtype=float)
    g = np.asarray(-(wide.T @ residual.astype(np.longdouble)), dtype=float)
    h = linalg.solve_triangular(r, g, trans="T")
    d = q.T @ f
    step = linalg.solve_triangular(r, d - h)
    change = f - q @ d + q @ h
    return beta + step, residual + change


def _influence(fit: LeastSquares) -> Influence:
    n, zero = fit.n, np.zeros(fit.n)
    spare = 1 - fit.leverage
    defined = (spare > ALONE) & fit.has_error
    if not defined.any():
        no = np.zeros(n, dtype=bool)
        return Influence(zero, zero, zero, no, no)
    weighted = fit.residual * np.sqrt(fit.weights)
    internal = np.divide(weighted, fit.sd * np.sqrt(spare), out=zero.copy(), where=defined)
    left = fit.df - internal**2
    deleted_defined = defined & (fit.df > 1) & (left > 1e-9 * fit.df)
    factor = np.sqrt(np.divide(fit.df - 1, left, out=zero.copy(), where=deleted_defined))
    cook = np.divide(internal**2 * fit.leverage, fit.rank * spare, out=zero.copy(), where=defined)
    return Influence(internal, internal * factor, cook, defined, deleted_defined)


def two_sided(t: npt.ArrayLike, df: float) -> Array:
    """Two-sided p-values of Student's t with `df` degrees of freedom, of the shape of t, from the survival function."""
    return np.asarray(2 * stats.t.sf(np.abs(np.asarray(t, dtype=float)), df), dtype=float)
