"""What each value says in a fit whose errors are shared: influence, residuals and deletion under a known correlation.

With V the covariance of the errors over that of a batch and P = V^-1 - V^-1 X (X'V^-1 X)^-1 X'V^-1, the value of batch
i less what all others lead to expect of it, those it shares an error with included, is (P y)_i / P_ii with variance
1 / P_ii (Christensen, Pearson & Johnson 1992, Technometrics 34, 38-45). With V = I all is that of least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from optimise.statistics.leastsq import ALONE, Array, Influence, LeastSquares, solve


@dataclass(frozen=True, slots=True, eq=False)
class Whitened:
    """A generalised least-squares fit of y (n,) by X (n, p), its errors correlated as V (n, n).

    `turn` (n, n) is V^-1/2; `columns` and `values` are X and y turned, so that errors are alike and apart. `alone` is
    the fit of these, with `fitted` that of X itself. `each` has residuals less the predicted shared error, leverage
    1 - P_ii / (V^-1)_ii and deletion residuals; `influence` goes with it.
    """

    V: Array
    X: Array
    y: Array
    turn: Array
    columns: Array
    values: Array
    alone: LeastSquares
    each: LeastSquares
    influence: Influence

    @classmethod
    def of(cls, X: Array, y: Array, V: Array) -> Whitened:
        """The fit of y (n,) by X (n, p) where errors have the covariance V (n, n), up to a factor.

        Raises ValueError (LinAlgError among them) where V is not positive definite.
        """
        roots, ways = np.linalg.eigh(V)
        if roots[0] <= 0:
            raise ValueError("V is not positive definite")
        turn = np.asarray((ways / np.sqrt(roots)) @ ways.T, dtype=float)
        columns, values = turn @ X, turn @ y
        plain = solve(columns, values)
        alone = replace(plain, fitted=X[:, plain.kept] @ plain.estimate)
        inverse = np.linalg.inv(V)
        G = inverse @ X[:, plain.kept]
        taken = G @ plain.unscaled @ G.T
        left = np.maximum(np.diag(inverse) - np.diag(taken), 0.0)
        leverage = np.clip(1 - left / np.diag(inverse), 0.0, 1.0)
        conditional = inverse @ (y - alone.fitted)
        each = replace(alone, residual=conditional / np.diag(inverse), leverage=leverage)
        return cls(V, X, y, turn, columns, values, alone, each, _influence(alone, conditional, left, taken, leverage))

    def without(self, i: int) -> LeastSquares:
        """The fit without value i, the correlation of the others held; `fitted` is that of the others."""
        rest = np.delete(np.arange(self.y.size), i)
        return Whitened.of(self.X[rest], self.y[rest], self.V[np.ix_(rest, rest)]).alone


def _influence(fit: LeastSquares, residual: Array, left: Array, taken: Array, leverage: Array) -> Influence:
    """From (P y), P_ii, the diagonal matrix taken by the coefficients, and leverage; Cook's distance by the same."""
    zero = np.zeros(fit.n)
    defined: npt.NDArray[np.bool_] = (leverage < 1 - ALONE) & fit.has_error
    if not fit.has_error:
        return Influence(zero, zero, zero, defined, defined)
    internal = np.divide(residual, fit.sd * np.sqrt(np.where(defined, left, 1.0)), out=zero.copy(), where=defined)
    spare = fit.df - internal**2
    deleted = defined & (fit.df > 1) & (spare > 1e-9 * fit.df)
    factor = np.sqrt(np.divide(fit.df - 1, spare, out=zero.copy(), where=deleted))
    moved = np.divide(residual, np.where(defined, left, 1.0), out=zero.copy(), where=defined)
    cook = moved**2 * np.diag(taken) / (fit.rank * fit.sd**2)
    return Influence(internal, internal * factor, cook, defined, deleted)


def sharing(names: npt.ArrayLike, ratio: float) -> Array:
    """V (n, n) of values that share an error, of `ratio` times the variance of a batch, with those of one name (n,)."""
    each = np.asarray(names)
    out: Array = np.eye(each.size) + ratio * (each[:, None] == each[None, :])
    return out
