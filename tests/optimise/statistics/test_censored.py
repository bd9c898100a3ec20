"""Likelihood of readings that are only bounds, against independent software. Sources: data/README.md."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from optimise.statistics.censored import censored_fit, log_share
from optimise.statistics.leastsq import solve

REFERENCE = json.loads((Path(__file__).parents[1] / "data" / "structures.json").read_text(encoding="utf-8"))["censored"]


def constructed():
    data = REFERENCE["constructed"]["data"]
    low = np.array([-np.inf if v is None else v for v in data["lower"]])
    high = np.array([np.inf if v is None else v for v in data["upper"]])
    x = [np.array(data[name], dtype=float) for name in ("x1", "x2", "x3")]
    return low, high, x


@pytest.mark.parametrize("name", ["gaussian", "gaussian_interaction", "lognormal"])
def test_left_right_and_interval_censored(name):
    low, high, x = constructed()
    X = np.column_stack([np.ones(20), *x, *([x[0] * x[1]] if "interaction" in name else [])])
    jacobian = 0.0
    if name == "lognormal":
        jacobian = float(np.log(low[low == high]).sum())
        low, high = np.where(low > 0, np.log(np.where(low > 0, low, 1)), -np.inf), np.log(high)
    fit, wanted = censored_fit(X, low, high), REFERENCE["constructed"][name]
    assert fit.estimate == pytest.approx(list(wanted["table"]["Value"].values())[:-1], rel=1e-9)
    assert fit.sd == pytest.approx(wanted["scale"], rel=1e-9)
    assert fit.log_likelihood - jacobian == pytest.approx(wanted["loglik"], abs=1e-9)
    assert fit.covariance == pytest.approx(np.array(wanted["covariance"]), rel=1e-7)


def test_tobin():
    entry = REFERENCE["tobin"]
    y = np.array(entry["data"]["durable"], dtype=float)
    X = np.column_stack([np.ones(20), entry["data"]["age"], entry["data"]["quant"]])
    fit, wanted = censored_fit(X, np.where(y > 0, y, -np.inf), y), entry["gaussian"]
    assert fit.estimate == pytest.approx(list(wanted["table"]["Value"].values())[:-1], rel=1e-8)
    assert fit.sd == pytest.approx(wanted["scale"], rel=1e-8)
    assert fit.log_likelihood == pytest.approx(wanted["loglik"], abs=1e-9)


def test_nothing_censored_is_least_squares():
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(15), rng.normal(size=(15, 2))])
    y = X @ [5, 1, -1] + rng.normal(size=15)
    fit, plain = censored_fit(X, y, y), solve(X, y)
    assert fit.estimate == pytest.approx(plain.estimate, rel=1e-9)
    assert fit.sd == pytest.approx(np.sqrt(plain.rss / 15), rel=1e-9)
    assert fit.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-12)


def test_less_bias_than_putting_the_limit_in_its_place():
    """400 simulated studies of 20 batches, a fifth above what the method reads; true slope 2."""
    slopes, put, left_out = [], [], []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        x = rng.uniform(-1, 1, 20)
        y = 10 + 2 * x + rng.normal(size=20)
        over = y > 11.2
        X = np.column_stack([np.ones(20), x])
        slopes.append(censored_fit(X, np.where(over, 11.2, y), np.where(over, np.inf, y)).estimate[1])
        put.append(np.linalg.lstsq(X, np.minimum(y, 11.2), rcond=None)[0][1])
        left_out.append(np.linalg.lstsq(X[~over], y[~over], rcond=None)[0][1])
    bias, se = abs(np.mean(slopes) - 2), np.std(slopes) / 20
    assert bias < 3 * se
    assert abs(np.mean(put) - 2) > 5 * bias
    assert abs(np.mean(left_out) - 2) > 5 * bias


def test_share_of_an_interval_in_the_far_tail():
    """log(Phi(b) - Phi(a)): scipy's own survival function where it still has digits, its asymptote beyond."""
    a, b = np.array([8.0, -9.0, -1.0, -np.inf]), np.array([9.0, -8.0, 2.0, 0.5])
    got, da, db = log_share(a, b)
    tail = np.log(stats.norm.sf(8.0) - stats.norm.sf(9.0))
    assert got == pytest.approx([tail, tail, np.log(stats.norm.cdf(2) - stats.norm.cdf(-1)), stats.norm.logcdf(0.5)])
    step = 1e-6
    assert db[2] == pytest.approx((log_share(a, b + step)[0][2] - log_share(a, b - step)[0][2]) / (2 * step), rel=1e-6)
    assert da[3] == 0
    assert np.isfinite(log_share(np.array([40.0]), np.array([41.0]))[0]).all()


def test_what_has_no_maximum_is_refused():
    ones = np.ones((4, 1))
    with pytest.raises(ValueError, match=r"maximum|without an error"):
        censored_fit(ones, np.ones(4), np.full(4, np.inf))
    with pytest.raises(ValueError, match="depend"):
        censored_fit(np.ones((4, 2)), np.arange(4.0), np.arange(4.0))
    with pytest.raises(ValueError, match="between a lower and an upper"):
        censored_fit(ones, np.array([2.0, 1, 1, 1]), np.ones(4))
