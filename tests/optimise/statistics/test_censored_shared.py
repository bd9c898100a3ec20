"""Bounds in batches that share an error: restricted likelihood where all was read, an independent integration else.

Source of the corrosion data: data/README.md.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, stats

from optimise.statistics.censored import censored_fit
from optimise.statistics.censored_shared import _likelihood, _top, _Values, censored_shared
from optimise.statistics.mixed import reml

DATA = Path(__file__).parents[1] / "data"


def study(seed=4, plots=6, each=3, top=10.6, between=0.8):
    """Constructed: a factor of whole plots that does nothing, one within them of slope 1, values above `top` unread."""
    rng = np.random.default_rng(seed)
    names = np.repeat(np.arange(plots), each)
    X = np.column_stack([np.ones(plots * each), np.repeat(np.tile([-1.0, 1], plots // 2), each),
                         np.tile(np.linspace(-1, 1, each), plots)])  # fmt: skip
    y = 10 + X[:, 2] + rng.normal(0, between, plots)[names] + rng.normal(0, 0.5, plots * each)
    over = y > top
    return X, y, np.where(over, top, y), np.where(over, np.inf, y), names


def value(b, within, between, X, low, high, names):
    """Log-likelihood by adaptive quadrature over what each group shares: nothing of the code under test."""
    total = 0.0
    for name in np.unique(names):
        mine = names == name

        def inner(u, mine=mine):
            centre = X[mine] @ b + u
            read = low[mine] == high[mine]
            each = np.where(read, stats.norm.pdf(low[mine], centre, within), stats.norm.sf(low[mine], centre, within))
            return float(np.prod(each)) * stats.norm.pdf(u, 0, between)

        total += np.log(integrate.quad(inner, -7 * between, 7 * between, epsabs=0, epsrel=1e-9, limit=200)[0])
    return total


def test_where_all_was_read_it_is_restricted_likelihood():
    frame = pd.read_csv(DATA / "bhh_corrosion_splitplot.csv")
    y, names = frame["resistance"].to_numpy(dtype=float), frame["heat_run"].to_numpy()
    X = np.column_stack([np.ones(len(y)), *((frame["temperature"] == t).astype(float) for t in (370, 380))])
    ours, exact = censored_shared(X, y, y, names), reml(X, y, [names])
    assert ours.variance == pytest.approx(exact.variance, rel=1e-5)
    assert ours.estimate == pytest.approx(exact.estimate, rel=1e-9)
    assert ours.log_likelihood == pytest.approx(exact.log_likelihood, abs=1e-8)
    for row in np.eye(3):
        mine, theirs = ours.contrast(row), exact.contrast(row)
        assert (mine.se, mine.df) == pytest.approx((theirs.se, theirs.df), rel=1e-4)


def test_likelihood_maximum_and_information_are_those_of_an_independent_integration():
    X, _, low, high, names = study()
    assert 3 < np.isinf(high).sum() < 9
    fit = censored_shared(X, low, high, names)
    between, within = np.sqrt(fit.variance)
    Q, R = np.linalg.qr(X)
    values = _Values(Q, low, high, names, np.eye(6)[:, names])
    ours = _likelihood(values, R @ fit.estimate, within, between / within, np.zeros(6))
    rest = (within, between, X, low, high, names)
    assert ours[0] == pytest.approx(value(fit.estimate, *rest), abs=1e-8)
    # The estimate is the top of it, and the information its bend there.
    h = 1e-3
    step = h * np.linalg.inv(R)
    at = lambda *ways: value(fit.estimate + sum(ways, np.zeros(3)), *rest)  # noqa: E731
    middle = at()
    for j in range(3):
        a, b = at(step[:, j]), at(-step[:, j])
        assert (a - b) / (2 * h) == pytest.approx(0, abs=1e-4)
        assert (2 * middle - a - b) / h**2 == pytest.approx(ours[2][j, j], rel=1e-3)
    # Both sds are at the maximum of the likelihood less half the log determinant of that information.
    found = optimize.minimize(lambda v: -_top(values, np.exp(v[0]), np.exp(v[1])).adjusted,
                              np.log([0.9 * within, 1.2 * between / within]), method="Nelder-Mead",
                              options={"xatol": 1e-5, "fatol": 1e-10})  # fmt: skip
    assert np.exp(found.x) == pytest.approx([within, between / within], rel=1e-3)


def test_what_batches_share_is_allowed_for_and_slopes_bend_less_than_with_the_limit_in_their_place():
    """Ten constructed studies: the error of the whole-plot factor is that of plots; the slope of 1 keeps its size."""
    ours, replaced, wider, df = [], [], [], []
    for seed in range(10):
        X, y, low, high, names = study(seed, plots=8)
        fit, apart = censored_shared(X, low, high, names), censored_fit(X, low, high)
        ours.append(fit.estimate[2] - 1)
        replaced.append(np.linalg.lstsq(X, np.minimum(y, 10.6), rcond=None)[0][2] - 1)
        wider.append(fit.contrast([0, 1, 0]).se / np.sqrt(apart.covariance[1, 1]))
        df.append(fit.contrast([0, 1, 0]).df)
    assert abs(np.mean(ours)) < 0.5 * abs(np.mean(replaced))
    assert np.mean(wider) > 1.2
    assert np.mean(df) == pytest.approx(6, abs=1.5)  # eight plots less two coefficients that are theirs


def test_what_cannot_be_had_is_refused():
    X, _, low, high, _ = study()
    with pytest.raises(ValueError, match="groupings"):
        censored_shared(X, low, high, np.arange(len(low)))
    with pytest.raises(ValueError, match="depend"):
        censored_shared(np.column_stack([X, X[:, 0]]), low, high, np.repeat(np.arange(6), 3))
