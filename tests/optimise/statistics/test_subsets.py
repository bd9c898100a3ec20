"""Sums of squares of every subset against one least-squares fit each (numpy.linalg.lstsq)."""

import numpy as np
import pytest

from optimise.statistics.subsets import bits, every_subset


def test_every_subset_is_its_own_least_squares_fit():
    rng = np.random.default_rng(4)
    X = rng.normal(size=(15, 7)) + rng.normal(size=(15, 1))
    X /= np.linalg.norm(X, axis=0)
    y = rng.normal(size=15)
    got = every_subset(X.T @ X, X.T @ y, float(y @ y))
    for code, member in enumerate(bits(np.arange(2**7), 7)):
        fitted = X[:, member] @ np.linalg.lstsq(X[:, member], y, rcond=None)[0] if member.any() else 0.0
        assert got[code] == pytest.approx(float(np.sum((y - fitted) ** 2)), rel=1e-10)


def test_dependent_columns_are_infinite_and_only_they():
    rng = np.random.default_rng(5)
    X = rng.normal(size=(9, 4))
    X[:, 3] = X[:, 0] + X[:, 1]
    X /= np.linalg.norm(X, axis=0)
    y = rng.normal(size=9)
    got = every_subset(X.T @ X, X.T @ y, float(y @ y))
    lost = {code for code in range(16) if code & 0b1011 == 0b1011}
    assert {code for code in range(16) if np.isinf(got[code])} == lost


def test_no_columns_and_one():
    assert every_subset(np.zeros((0, 0)), np.zeros(0), 3.0) == pytest.approx([3.0])
    assert every_subset(np.eye(1), np.array([1.5]), 3.0) == pytest.approx([3.0, 0.75])
