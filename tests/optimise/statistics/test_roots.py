"""Roots found in few steps, against closed forms and an independent root finder."""

import numpy as np
import pytest
from scipy import optimize, stats

from optimise.statistics.predictive import TMixture
from optimise.statistics.roots import newton_root, rising_chance


def test_newton_meets_the_quantile_of_a_normal():
    shares = np.array([0.001, 0.3, 0.5, 0.975, 0.99999])

    def off(x, rows):
        return stats.norm.cdf(x) - shares[rows], stats.norm.pdf(x)

    found = newton_root(off, np.full(5, -9.0), np.full(5, 9.0), np.zeros(5))
    assert found == pytest.approx(stats.norm.ppf(shares), rel=1e-12, abs=1e-12)


def test_a_rising_chance_meets_the_quantile_of_a_half_normal():
    sizes = np.array([0.01, 1.0, 300.0])
    found = rising_chance(lambda x, rows: 2 * stats.norm.cdf(x / sizes[rows]) - 1, np.ones(3), 0.95)
    assert found == pytest.approx(sizes * stats.norm.ppf(0.975), rel=1e-9)


@pytest.mark.parametrize("share", [0.0125, 0.5, 0.9])
def test_quantiles_of_a_mixture_agree_with_brents_method(share):
    rng = np.random.default_rng(3)
    law = TMixture(np.array([0.5, 0.3, 0.2]), np.array([3.0, 8.0, 8.0]), rng.normal(size=(20, 3)) * 5,
                   rng.uniform(0.1, 3, (20, 3)), np.array([0.2, 1.0, 0.05]))  # fmt: skip
    found = law.quantile(share)
    for i in range(20):
        one = law.at([i])
        root = optimize.brentq(lambda x, one=one: float(one.cdf(x)[0]) - share, -200, 200, xtol=1e-13)
        assert found[i] == pytest.approx(root, abs=1e-10)
