"""Readings that are only bounds, of batches that share an error: one likelihood for both.

The model is y = X b + u + e with u ~ N(0, between) for each group and e ~ N(0, within), each y known to lie between two
ends. What a group shares is integrated out by adaptive Gauss-Hermite nodes, placed about the likeliest u of each group
(Liu & Pierce 1994, Biometrika 81, 624-629), which is exact where a group has no bound. Given both variances the
log-likelihood is concave in b (Prékopa 1973, Acta Sci. Math. 34, 335-343, from memory: an integral of a log-concave
function is log-concave), so that Newton's method finds its maximum. The variances maximise that likelihood less half
the log determinant of the information on b (Cox & Reid 1987, J. R. Statist. Soc. B 49, 1-39); where every value was
read this is restricted likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi, sqrt

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from optimise.statistics.censored import censored_fit, log_share
from optimise.statistics.leastsq import two_sided
from optimise.statistics.mixed import Contrast, MixedFit, at_variances

Array = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]

_NODES = 21  # of the quadrature over what a group shares
_ROOT = 0.5 * log(2 * pi)
_STARTS = (0.15, 0.6, 1.5, 4.0)  # sd between groups over that within
_NOTHING = 1e-3  # a ratio of sds below this is none: the likelihood is flat there
_FAR = 1e3  # a ratio of sds beyond which the likelihood has no maximum
_STEP = 1e-3  # of differences in the variances, relative to them


@dataclass(frozen=True, slots=True, eq=False)
class SharedCensoredFit:
    """A fit of n values, `exact` of them read, by p columns.

    `estimate` (p,); `covariance` (p, p), with what the variances owe to being estimated; `variance` (between, within);
    `log_likelihood` restricted, of orthonormal columns; `at_zero`: whether the groups share nothing. `expected` (n,)
    are the values, those between unequal ends at what the fit expects of them there.
    """

    estimate: Array
    covariance: Array
    variance: Array
    log_likelihood: float
    exact: int
    at_zero: bool
    expected: Array
    _as_if_read: MixedFit

    def contrast(self, weights: npt.ArrayLike) -> Contrast:
        """The t test of one combination `weights` (p,) of coefficients.

        Degrees of freedom are those that Kenward and Roger give as if every value had been read, but no more than the
        values that were read leave (our choice, checked by simulation in tests/benchmarks).
        """
        row = np.asarray(weights, dtype=float)
        estimate, se = float(row @ self.estimate), sqrt(float(row @ self.covariance @ row))
        df = self._limited(self._as_if_read.contrast(row).df)
        t = estimate / se
        return Contrast(estimate, se, df, t, float(two_sided(t, df)))

    @property
    def df_of_a_batch(self) -> float:
        """Degrees of freedom of the variance of a batch in a new group (Satterthwaite 1946, Biom. Bull. 2)."""
        return self._limited(2 * float(self.variance.sum()) ** 2 / float(self._as_if_read.information.sum()))

    def _limited(self, df: float) -> float:
        return min(df, float(self.exact - self.estimate.size))


@dataclass(frozen=True, slots=True, eq=False)
class _Values:
    """Orthonormal columns (n, p), ends (n,) in units of the spread, the group (n,) of each, and 1 where it is
    of a group (g, n).
    """

    Q: Array
    low: Array
    high: Array
    member: Places
    of_group: Array

    @property
    def groups(self) -> int:
        """How many groups there are."""
        return len(self.of_group)


@dataclass(frozen=True, slots=True, eq=False)
class _Top:
    """The maximum over b for two sds: b, log-likelihood, information on b, and the adjusted likelihood."""

    b: Array
    value: float
    information: Array
    adjusted: float


def censored_shared(
    X: npt.ArrayLike, lower: npt.ArrayLike, upper: npt.ArrayLike, groups: npt.ArrayLike
) -> SharedCensoredFit:
    """Fit values between `lower` and `upper` (n,) of `groups` (n,) by the columns of X (n, p).

    Equal ends are a value; -inf below or inf above is a bound on one side. Raises ValueError as `censored_fit` and
    `reml` do: columns that depend on each other, no likelihood with a maximum, groups that cannot be told from batches.
    """
    rows, low, high = (np.asarray(v, dtype=float) for v in (X, lower, upper))
    names = np.asarray(groups)
    apart = censored_fit(rows, low, high)
    if apart.exact <= rows.shape[1] + 1:
        raise ValueError("too few values were read to tell the errors apart")
    unit, centre = apart.sd, rows @ apart.estimate
    Q, R = np.linalg.qr(rows)
    member = np.unique(names, return_inverse=True)[1].astype(np.intp)
    values = _Values(Q, (low - centre) / unit, (high - centre) / unit, member, np.eye(int(member.max()) + 1)[:, member])
    s, ratio = _sds(values)
    top = _top(values, s, ratio)
    within, between = (s * unit) ** 2, (s * ratio * unit) ** 2
    # From b about the first fit in orthonormal columns to the coefficients asked for.
    back = np.linalg.inv(R) * unit
    estimate = apart.estimate + back @ top.b
    expected = centre + unit * _expected(values, top.b, s, ratio)
    as_if = at_variances(rows, expected, [names], np.array([between, within]))
    drift = _drift(values, s, ratio) @ np.diag([1 / unit**2] * 2)
    covariance = np.linalg.inv(top.information) + drift @ as_if.information @ drift.T
    p = rows.shape[1]
    return SharedCensoredFit(
        estimate=estimate,
        covariance=back @ covariance @ back.T,
        variance=np.array([between, within]),
        log_likelihood=top.adjusted + 0.5 * p * log(2 * pi) - (apart.exact - p) * log(unit),
        exact=apart.exact,
        at_zero=ratio == 0,
        expected=expected,
        _as_if_read=as_if,
    )


def _sds(values: _Values) -> tuple[float, float]:
    """Sd within groups and the ratio to it of that between, at the maximum of the adjusted likelihood.

    That likelihood is even in the ratio and smooth, so that it needs no bound at 0.
    """
    near = np.zeros(values.Q.shape[1])

    def lost(theta: Array) -> float:
        if abs(theta[0]) > 12 or abs(theta[1]) > _FAR:
            return np.inf
        return -_top(values, float(np.exp(theta[0])), abs(float(theta[1])), near).adjusted

    starts = [np.array([-0.5 * log(1 + ratio**2), ratio]) for ratio in _STARTS]
    begin = min(starts, key=lost)
    near = _top(values, float(np.exp(begin[0])), float(begin[1]), near).b
    best = np.asarray(optimize.minimize(lost, begin, method="BFGS", options={"gtol": 1e-6}).x, dtype=float)
    ratio = abs(float(best[1]))
    if ratio > 0.9 * _FAR or best[0] < -11:
        raise ValueError("the values leave nothing to judge an error by")
    if ratio >= _NOTHING:
        return float(np.exp(best[0])), ratio
    alone = optimize.minimize_scalar(lambda v: lost(np.array([v, 0.0])), bounds=(-3, 3), method="bounded",
                                     options={"xatol": 1e-9})  # fmt: skip
    return float(np.exp(alone.x)), 0.0


def _drift(values: _Values, s: float, ratio: float) -> Array:
    """How b moves with the variances (between, within), (p, 2), in units of the spread."""
    between, within = (s * ratio) ** 2, s**2
    out = np.empty((values.Q.shape[1], 2))
    for j, size in enumerate((max(between, within), within)):
        moved = []
        for side in (-1, 1):
            changed = [between, within]
            changed[j] = max(changed[j] + side * _STEP * size, 0.0)
            top = _top(values, sqrt(changed[1]), sqrt(changed[0] / changed[1]))
            moved.append((changed[j], top.b))
        out[:, j] = (moved[1][1] - moved[0][1]) / (moved[1][0] - moved[0][0])
    return out


def _top(values: _Values, s: float, ratio: float, start: Array | None = None) -> _Top:
    """The maximum over b for sd `s` within groups and `ratio` times that between, by Newton's method."""
    b = np.zeros(values.Q.shape[1]) if start is None else start
    v = np.zeros(values.groups)
    value, slope, information, v = _likelihood(values, b, s, ratio, v)
    for _ in range(100):
        step = np.linalg.solve(information, slope)
        if float(slope @ step) < 1e-18 * max(1.0, abs(value)):
            break
        for halving in range(40):
            tried = b + step / 2**halving
            new = _likelihood(values, tried, s, ratio, v)
            if new[0] >= value - 1e-12 * max(1.0, abs(value)):
                break
        b = tried
        value, slope, information, v = new
    sign, size = np.linalg.slogdet(information)
    if sign <= 0:
        raise ValueError("the likelihood has no single maximum: too few values, or bounds that leave a slope open")
    return _Top(b, value, information, value - 0.5 * float(size))


def _likelihood(values: _Values, b: Array, s: float, ratio: float, v: Array) -> tuple[float, Array, Array, Array]:
    """Log-likelihood, slope and information (p, p) in b, and the likeliest share v (g,) of each group in its own sd."""
    eta, t = values.Q @ b, s * ratio
    nodes, weights = _nodes() if ratio > 0 else (np.zeros(1), np.ones(1))
    spread = np.zeros(values.groups)
    if ratio > 0:
        v, spread = _likeliest(values, eta, s, t, v)
    place = v[:, None] + spread[:, None] * nodes  # (g, K)
    share, first, second = _each(values.low, values.high, eta[:, None] + t * place[values.member], s)
    total = values.of_group @ share
    if ratio > 0:
        total += -0.5 * place**2 + 0.5 * nodes**2 + np.log(weights * spread[:, None])
    each = special.logsumexp(total, axis=1)
    mass = np.exp(total - each[:, None])
    of_value = mass[values.member]
    slope = values.Q.T @ (of_value * first).sum(axis=1)
    bend = values.Q.T @ ((of_value * second).sum(axis=1)[:, None] * values.Q)
    n, p = values.Q.shape
    pull = (values.of_group @ (first[:, :, None] * values.Q[:, None, :]).reshape(n, -1)).reshape(*place.shape, p)
    mean = np.einsum("gk,gkp->gp", mass, pull)
    flat = pull.reshape(-1, p)
    bend += flat.T @ (mass.reshape(-1, 1) * flat) - mean.T @ mean
    return float(each.sum()), slope, -bend, v


def _likeliest(values: _Values, eta: Array, s: float, t: float, v: Array) -> tuple[Array, Array]:
    """The likeliest share v (g,) of each group in its own sd, and the sd (g,) of its law there."""

    def at(v: Array) -> tuple[Array, Array, Array]:
        share, first, second = _each(values.low, values.high, (eta + t * v[values.member])[:, None], s)
        sums = [(values.of_group @ part)[:, 0] for part in (share, first, second)]
        return sums[0] - 0.5 * v**2, t * sums[1] - v, t**2 * sums[2] - 1

    value, slope, bend = at(v)
    for _ in range(100):
        step = -slope / bend
        if np.abs(step).max() < 1e-10:
            break
        for _ in range(40):
            new = at(v + step)
            worse = new[0] < value - 1e-12 * np.maximum(1.0, np.abs(value))
            if not worse.any():
                break
            step = np.where(worse, step / 2, step)
        v = v + step
        value, slope, bend = new
    return v, 1 / np.sqrt(-bend)


def _each(low: Array, high: Array, centre: Array, s: float) -> tuple[Array, Array, Array]:
    """Log-likelihood of each value (n, K), and its first and second derivatives in the centre."""
    read = low == high
    share, first, second = (np.empty(centre.shape) for _ in range(3))
    z = (low[read, None] - centre[read]) / s
    share[read], first[read], second[read] = -0.5 * z**2 - _ROOT - log(s), z / s, -1 / s**2
    rest = ~read
    if rest.any():
        a, b = ((end[rest, None] - centre[rest]) / s for end in (low, high))
        share[rest], da, db = log_share(a, b)
        a, b = np.where(np.isfinite(a), a, 0.0), np.where(np.isfinite(b), b, 0.0)
        first[rest] = -(da + db) / s
        second[rest] = (-a * da - b * db - (da + db) ** 2) / s**2
    return share, first, second


def _expected(values: _Values, b: Array, s: float, ratio: float) -> Array:
    """The values, those between unequal ends at their mean there, given all that was read of their group."""
    eta, t = values.Q @ b, s * ratio
    v, _ = _likeliest(values, eta, s, t, np.zeros(values.groups)) if ratio > 0 else (np.zeros(values.groups), None)
    centre = eta + t * v[values.member]
    out, rest = values.low.copy(), values.low != values.high
    _, da, db = log_share((values.low - centre)[rest] / s, (values.high - centre)[rest] / s)
    out[rest] = np.clip(centre[rest] - s * (da + db), values.low[rest], values.high[rest])
    return out


def _nodes() -> tuple[Array, Array]:
    """Gauss-Hermite nodes and weights of the normal law."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    return nodes, weights / sqrt(2 * pi)
