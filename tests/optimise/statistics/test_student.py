"""Quick values of the t law against closed forms, a library and the complementary error function."""

from math import erfc

import numpy as np
import pytest
from scipy import stats

from optimise.statistics.student import between, cdf, density, quantile, quick_cdf, sd_factor

X = np.concatenate([np.linspace(-17, 17, 5001), np.random.default_rng(0).normal(0, 3, 5000), [-16.0, 0.0, 16.0]])


def test_one_two_and_four_degrees_of_freedom_by_their_closed_forms():
    """Integrals of the density by hand: 1/2 + atan(x)/pi, 1/2 + x/(2 sqrt(2 + x²)), and so on."""
    assert quick_cdf(1.0, X) == pytest.approx(0.5 + np.arctan(X) / np.pi, abs=1e-13)
    assert quick_cdf(2.0, X) == pytest.approx(0.5 + X / (2 * np.sqrt(2 + X * X)), abs=2e-14)
    # With sine = x / sqrt(4 + x²): 1/2 + (3 sine - sine³) / 4.
    sine = X / np.sqrt(4 + X * X)
    assert quick_cdf(4.0, X) == pytest.approx(0.5 + (3 * sine - sine**3) / 4, abs=2e-14)


def test_the_normal_law_by_the_complementary_error_function():
    assert quick_cdf(np.inf, X) == pytest.approx([erfc(-x / np.sqrt(2)) / 2 for x in X], abs=1e-14)


@pytest.mark.parametrize("df", [1.0, 2.5, 3.0, 7.0, 26.0, 400.0])
def test_many_values_are_those_of_the_library_with_the_digits_of_small_chances(df):
    found, known = cdf(np.full(1, df), X[:, None])[:, 0], stats.t.cdf(X, df)
    assert found == pytest.approx(known, rel=1e-10, abs=0)
    assert found == pytest.approx(known, abs=2e-13)


def test_what_is_infinite_or_no_number_stays_so():
    odd = np.array([-np.inf, np.inf, np.nan, -1e300, 1e300])
    found = quick_cdf(5.0, odd)
    assert found[[0, 1, 3, 4]].tolist() == [0.0, 1.0, 0.0, 1.0]
    assert np.isnan(found[2])


def test_laws_of_several_degrees_of_freedom_are_taken_one_by_one():
    df, wide = np.array([3.0, 8.0, np.inf]), np.tile(X[:, None], (1, 3))
    known = np.column_stack([stats.t.cdf(X, 3.0), stats.t.cdf(X, 8.0), stats.norm.cdf(X)])
    assert cdf(df, wide) == pytest.approx(known, abs=1e-13)


def test_the_density_is_that_of_the_library():
    df, wide = np.array([1.0, 8.0, np.inf]), np.tile(X[:, None], (1, 3))
    known = np.column_stack([stats.t.pdf(X, 1.0), stats.t.pdf(X, 8.0), stats.norm.pdf(X)])
    assert density(df, wide) == pytest.approx(known, rel=1e-10, abs=1e-300)
    assert density(df[:2], np.array([[-np.inf, np.inf], [1e200, -1e200]])).max() < 1e-300


@pytest.mark.parametrize("df", [1.0, 4.5, 30.0, np.inf])
def test_quantiles_windows_and_the_law_of_an_sd_as_a_library_has_them(df):
    """scipy.stats; an sd in truth over its estimate is the root of df over chi-square (any text, from memory)."""
    one, law = np.array([df]), stats.t(df) if np.isfinite(df) else stats.norm()
    at = np.array([-30.0, -2.0, 0.0, 0.7, 9.0])
    assert between(one, at[:-1], at[1:]) == pytest.approx(np.diff(law.cdf(at)), abs=1e-14)
    assert between(one, np.array([9.0]), np.array([np.inf])) == pytest.approx(law.sf(9.0), rel=1e-10)
    assert quantile(one, 0.975) == pytest.approx(law.ppf(0.975), rel=1e-10)
    wanted = np.sqrt(df / stats.chi2.isf([0.1, 0.9], df)) if np.isfinite(df) else [1.0, 1.0]
    assert sd_factor(one, np.array([0.1, 0.9])) == pytest.approx(wanted, rel=1e-10)
