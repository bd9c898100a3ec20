"""Influence where errors are shared: brute-force refits by statsmodels, and least squares where nothing is shared."""

import numpy as np
import pytest
import statsmodels.api as sm

from optimise.models.scales import box_cox
from optimise.statistics.leastsq import solve
from optimise.statistics.whitened import Whitened, sharing


def case(seed=3):
    rng = np.random.default_rng(seed)
    plots, n = np.repeat(np.arange(6), 4), 24
    X = np.column_stack([np.ones(n), np.repeat(rng.normal(size=6), 4), rng.normal(size=(n, 2))])
    y = X @ [10.0, 1.0, 2.0, -1.0] + np.repeat(rng.normal(0, 1.5, 6), 4) + rng.normal(0, 0.5, n)
    return X, y, plots, sharing(plots, 4.0)


def test_without_shared_errors_it_is_least_squares():
    X, y, _, _ = case()
    seen, plain = Whitened.of(X, y, np.eye(24)), solve(X, y)
    wanted = plain.influence()
    assert seen.each.leverage == pytest.approx(plain.leverage)
    assert seen.each.deletion_residual == pytest.approx(plain.deletion_residual)
    for name in ("studentised", "deleted", "cook"):
        assert getattr(seen.influence, name) == pytest.approx(getattr(wanted, name))


@pytest.mark.parametrize("i", [0, 5, 13, 23])
def test_influence_is_that_of_a_refit_without_the_batch(i):
    X, y, _, V = case()
    seen, rest = Whitened.of(X, y, V), np.delete(np.arange(24), i)
    full, less = sm.GLS(y, X, V).fit(), sm.GLS(y[rest], X[rest], V[np.ix_(rest, rest)]).fit()
    assert seen.alone.estimate == pytest.approx(full.params)
    assert seen.without(i).estimate == pytest.approx(less.params)
    moved = full.params - less.params
    cook = moved @ np.linalg.inv(full.normalized_cov_params) @ moved / (4 * full.scale)
    assert seen.influence.cook[i] == pytest.approx(cook)
    # A column for the batch alone: its coefficient is the batch less what the others, its plot's too, lead to expect.
    shifted = sm.GLS(y, np.column_stack([X, np.eye(24)[i]]), V).fit()
    assert seen.each.deletion_residual[i] == pytest.approx(shifted.params[-1])
    assert seen.influence.deleted[i] == pytest.approx(shifted.tvalues[-1])
    known = V[i, rest] @ np.linalg.solve(V[np.ix_(rest, rest)], y[rest] - X[rest] @ less.params)
    assert seen.each.deletion_residual[i] == pytest.approx(y[i] - X[i] @ less.params - known)


def test_the_power_is_the_likeliest_of_values_whose_plots_share_an_error():
    """-n/2 log RSS by statsmodels' GLS over a grid of powers (Box & Cox 1964, with u = y over the geometric mean)."""
    X, y, _, V = case()
    y = np.exp(y / 8)
    found = box_cox(X, y, turn=Whitened.of(X, y, V).turn)
    u = y / np.exp(np.log(y).mean())
    grid = np.linspace(-1, 1, 401)
    like = [-12 * np.log(sm.GLS((u**p - 1) / p if p else np.log(u), X, V).fit().ssr) for p in grid]
    assert found.power == pytest.approx(grid[int(np.argmax(like))], abs=0.006)
    assert found.at_best == pytest.approx(max(like), abs=1e-3)
