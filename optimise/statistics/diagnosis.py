"""What a fit says of itself, on plain arrays: sums of squares, lack of fit, drift, spread, outliers.

Every measure is taken about the mean, with or without an intercept among the columns. Pure error comes from groups
of separate batches of one recipe only, after blocks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import stats

from doe.problems import Unavailable
from optimise.statistics.leastsq import ALONE, Array, LeastSquares, contains_constant, solve, two_sided

Number = float | Unavailable

_BALANCED = 1e-9  # of the total sum of squares


@dataclass(frozen=True, slots=True)
class AnovaLine:
    """One line of an analysis of variance. `f` is against the residual, for the lack of fit against pure error.

    `df_error` are the degrees of freedom of what it is set against.
    """

    source: str
    df: int
    ss: Number
    ms: Number
    f: Number
    p: Number
    df_error: Number


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """F of what the model leaves beyond pure error, on `df` (lack of fit, pure error) degrees of freedom."""

    f: float
    df: tuple[int, int]
    p: float
    ss: tuple[float, float]

    def to_dict(self) -> dict[str, object]:
        """The form promised for `--json`."""
        return {"f": self.f, "df": list(self.df), "p": self.p, "ss": list(self.ss)}


@dataclass(frozen=True, slots=True)
class PureError:
    """Sum of squares and degrees of freedom between separate batches of one recipe, after blocks."""

    ss: float
    df: int


_NO_ERROR = Unavailable("nothing is left over to judge by", "make more batches than the model has terms")
_EXACT = Unavailable(
    "the model reproduces every value to the last digit", "check that the values were measured, not computed"
)
_ONE_RECIPE = Unavailable(
    "no recipe was made as two separate batches", "make replicate batches (replicate_batches in [plan])"
)


COPIED = Unavailable(
    "replicate batches agree to the last digit",
    "enter repeat readings of one jar as readings, not as batches; check that results were not copied",
)
"""Why the shape cannot be tested where repeats of one recipe do not differ at all."""


def no_error(fit: LeastSquares) -> Unavailable:
    """Why a fit has no residual sd."""
    return _EXACT if fit.df > 0 else _NO_ERROR


def total_ss(y: Array, weights: Array) -> float:
    """Sum of squares of y (n,) about its weighted mean."""
    centre = float(np.average(y, weights=weights))
    return float(np.sum(weights * (y - centre) ** 2))


def pure_error(y: Array, groups: Sequence[str], blocks: Array) -> PureError:
    """Pure error of y (n,) by recipe `groups` (n,), after the block columns (n, b)."""
    names = sorted(set(groups))
    place = {name: j for j, name in enumerate(names)}
    member = np.zeros((y.size, len(names)))
    member[np.arange(y.size), [place[g] for g in groups]] = 1.0
    fit = solve(np.column_stack([member, blocks]), y)
    return PureError(0.0 if fit.exact else fit.rss, fit.df)


def lack_of_fit(fit: LeastSquares, pure: PureError) -> LackOfFit | Unavailable:
    """The test, or why it cannot be made."""
    df = fit.df - pure.df
    if pure.df == 0:
        return _ONE_RECIPE
    if df <= 0:
        return Unavailable(
            "the model has as many terms as there are distinct recipes, so nothing is left to test",
            "make further recipes, or fit fewer terms",
        )
    if pure.ss <= 0:
        return COPIED
    ss = fit.rss - pure.ss
    if ss < -1e-9 * fit.rss:
        return Unavailable(
            "the replicates were not made alike: what they differ by as made explains more than the recipes do",
            "compare the as-made levels of the replicate batches",
        )
    ss = max(ss, 0.0)
    f = (ss / df) / (pure.ss / pure.df)
    return LackOfFit(f, (df, pure.df), float(stats.f.sf(f, df, pure.df)), (ss, pure.ss))


def analysis_of_variance(
    X: Array,
    y: Array,
    fit: LeastSquares,
    groups: Mapping[str, Sequence[int]],
    pure: PureError,
    block_count: int,
) -> tuple[AnovaLine, ...]:
    """Blocks (about the mean), model (after blocks), each group of columns (partial), residual, its split, total.

    `groups` maps a name to column numbers of X (n, p); the last `block_count` columns of X are the blocks. A group's
    sum of squares is what the fit loses without it. Those of blocks, model and residual add up to the total. Blocks
    are tested only where the terms are balanced over them: else their sum of squares is of their recipes as well.
    """
    total = total_ss(y, fit.weights)
    block_columns = X[:, X.shape[1] - block_count :]
    lines: list[AnovaLine] = []
    block_ss, block_df = 0.0, 0
    if block_count:
        with_blocks = solve(np.column_stack([np.ones(y.size), block_columns]), y, fit.weights)
        block_ss, block_df = total - with_blocks.rss, with_blocks.rank - 1
        without = solve(X[:, : X.shape[1] - block_count], y, fit.weights)
        mixed = Unavailable(
            "the blocks have different recipes, so this is of these as well", "see what each block differs by"
        )
        line = _line("blocks", block_df, block_ss, fit)
        balanced = abs(without.rss - fit.rss - block_ss) <= _BALANCED * total
        lines.append(line if balanced or not fit.has_error else replace(line, f=mixed, p=mixed, df_error=mixed))
    constant = contains_constant(X)
    model_df = fit.rank - block_df - (1 if constant else 0)
    model_ss = total - block_ss - fit.rss
    if constant:
        lines.append(_line("model", model_df, max(model_ss, 0.0), fit))
    else:
        untestable = Unavailable(
            "the model contains no constant, so its gain over the mean has no F", "add an intercept"
        )
        lines.append(AnovaLine("model", fit.rank - block_df, model_ss, untestable, untestable, untestable, untestable))
    if len(groups) > 1:
        lines += [_partial(name, columns, X, y, fit) for name, columns in groups.items()]
    mean_square: Number = fit.sd**2 if fit.has_error else no_error(fit)
    nothing = Unavailable("there is nothing further to set it against", "read the lines above")
    lines.append(AnovaLine("residual", fit.df, fit.rss, mean_square, nothing, nothing, nothing))
    tested = lack_of_fit(fit, pure)
    if isinstance(tested, LackOfFit):
        a, b = tested.df
        lines.append(AnovaLine("lack of fit", a, tested.ss[0], tested.ss[0] / a, tested.f, tested.p, float(b)))
        lines.append(AnovaLine("pure error", b, tested.ss[1], tested.ss[1] / b, nothing, nothing, nothing))
    lines.append(AnovaLine("total", y.size - 1, total, nothing, nothing, nothing, nothing))
    return tuple(lines)


def _line(source: str, df: int, ss: float, fit: LeastSquares) -> AnovaLine:
    if df <= 0:
        none = Unavailable("no degrees of freedom", "nothing to do: the model adds nothing here")
        return AnovaLine(source, df, ss, none, none, none, none)
    if not fit.has_error:
        return AnovaLine(source, df, ss, ss / df, no_error(fit), no_error(fit), no_error(fit))
    f = ss / df / fit.sd**2
    return AnovaLine(source, df, ss, ss / df, f, float(stats.f.sf(f, df, fit.df)), float(fit.df))


def _partial(name: str, columns: Sequence[int], X: Array, y: Array, fit: LeastSquares) -> AnovaLine:
    others = [j for j in range(X.shape[1]) if j not in set(columns)]
    without = solve(X[:, others], y, fit.weights)
    return _line(name, fit.rank - without.rank, max(without.rss - fit.rss, 0.0), fit)


def r_squared(y: Array, fit: LeastSquares) -> tuple[Number, Number, Number, Number]:
    """R2, adjusted and predicted R2 of the fit of y (n,), all about the mean, and PRESS."""
    total = total_ss(y, fit.weights)
    size = float(np.max(np.abs(y), initial=0.0))
    if total <= y.size * (1e-14 * size) ** 2:
        same = Unavailable("every batch gave the same value", "nothing to do: there is no variation to explain")
        if y.size == 1:
            same = Unavailable("one batch has no variation to explain", "make further batches")
        return same, same, same, _press(fit)
    press = _press(fit)
    if fit.rank == 1 and abs(fit.rss / total - 1) < 1e-12:
        alone = Unavailable("the model is the mean alone, so there is nothing to set beside it", "nothing to do")
        return 0.0, 0.0, alone, press
    r2 = 1 - fit.rss / total
    adjusted: Number = no_error(fit) if fit.df == 0 else 1 - (fit.rss / fit.df) / (total / (y.size - 1))
    predicted: Number = press if isinstance(press, Unavailable) else 1 - press / total
    return (1.0 if fit.exact else r2), adjusted, predicted, press


def _press(fit: LeastSquares) -> Number:
    if (1 - fit.leverage <= ALONE).any():
        return Unavailable(
            "at least one batch alone decides a term, so it cannot be predicted from the others",
            "make a further batch near it, or fit fewer terms",
        )
    return fit.press


def outlier_limit(fit: LeastSquares) -> float:
    """The size of the externally studentised residual beyond which a batch is an outlier.

    At 5 %, Bonferroni over n batches: Cook & Weisberg (1982) Residuals and Influence in Regression, section 2.2.2 (from
    memory).
    """
    return float(stats.t.isf(0.05 / (2 * fit.n), fit.df - 1))


def influence_limit(fit: LeastSquares) -> float:
    """Cook's distance beyond which a batch decides much: the median of F on (terms, residual df) (Cook 1977)."""
    return float(stats.f.isf(0.5, fit.rank, fit.df))


@dataclass(frozen=True, slots=True)
class Trend:
    """Change of a result per step of something left out of the model, with its two-sided p."""

    slope: float
    p: float


def added(X: Array, y: Array, fit: LeastSquares, column: npt.ArrayLike, turn: Array | None = None) -> Trend | None:
    """What one more column (n,) would add to the fit of y (n,) by X (n, p); None where it cannot be told.

    Where X and y were turned, so that shared errors are apart, `turn` (n, n) does the same to the column.
    """
    extra = np.asarray(column, dtype=float)
    if fit.df < 3 or fit.exact or not np.isfinite(extra).all() or np.ptp(extra) == 0:
        return None
    centred = extra - extra.mean()
    wide = solve(np.column_stack([X, centred if turn is None else turn @ centred]), y, fit.weights)
    if X.shape[1] not in wide.kept or not wide.has_error:
        return None
    slope, se = float(wide.estimate[-1]), float(wide.standard_error()[-1])
    return Trend(slope, float(two_sided(slope / se, wide.df)))


def spread_with_level(fit: LeastSquares) -> Trend | None:
    """Score test that the error grows with the fitted value (Cook & Weisberg 1983, Biometrika 70, 1-10)."""
    if fit.df < 5 or fit.exact or np.ptp(fit.fitted) <= 1e-9 * (float(np.max(np.abs(fit.fitted))) or 1.0):
        return None
    u = fit.residual**2 / (fit.rss / fit.n)
    line = solve(np.column_stack([np.ones(fit.n), fit.fitted - fit.fitted.mean()]), u)
    score = total_ss(u, np.ones(fit.n)) - line.rss
    return Trend(float(line.estimate[-1]), float(stats.chi2.sf(max(score, 0.0) / 2, 1)))
