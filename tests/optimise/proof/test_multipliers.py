"""Shares and prices that bring a sum of lines over boxes low: no worse than none, near what a linear program finds."""

import numpy as np
import pytest
from scipy import optimize

from optimise.proof.multipliers import best_multipliers


def highest(slope, turn, cost, x, w):
    """The highest sum of lines over a box, at one of its corners."""
    left = slope + (x[:, :, None] * turn).sum(axis=1)
    return (cost * x).sum(axis=1) + (np.abs(left) * w).sum(axis=1)


def exact(slope, turn, cost, most, w):
    """The least of it by a linear program: x and what each |left| is at most."""
    d = turn.shape[1]
    pull = (turn * w).T
    rows = np.block([[pull, -np.eye(d)], [-pull, -np.eye(d)]])
    bounds = [(0, end if np.isfinite(end) else None) for end in most] + [(0, None)] * d
    return optimize.linprog(
        np.concatenate([cost, np.ones(d)]), rows, np.concatenate([-slope * w, slope * w]), bounds=bounds
    ).fun


@pytest.mark.parametrize("seed", range(4))
def test_shares_and_prices_are_within_their_ends_and_near_the_least_there_is(seed):
    rng = np.random.default_rng(seed)
    n, k, d = 30, 6, 4
    slope, turn, w = rng.normal(size=(n, d)), rng.normal(size=(n, k, d)), rng.uniform(0.1, 1, (n, d))
    cost, most = rng.uniform(0, 0.3, (n, k)), [1.0] * 4 + [np.inf] * 2
    x = best_multipliers(slope, turn, cost, most, w)
    assert (x >= 0).all()
    assert (x <= most).all()
    none, found = highest(slope, turn, cost, 0 * x, w), highest(slope, turn, cost, x, w)
    least = np.array([exact(slope[i], turn[i], cost[i], most, w[i]) for i in range(n)])
    assert (found >= least - 1e-9).all()
    assert (found <= none + 1e-12).all()
    gained = none > least + 1e-6
    assert gained.sum() > n / 2
    assert np.median((found - least)[gained] / (none - least)[gained]) < 0.2


def test_at_a_kink_the_mixture_is_flat():
    # min(x, -x) on |x| <= 1: either side alone says 1 somewhere, half of each says 0 everywhere.
    x = best_multipliers(np.ones((1, 1)), np.full((1, 1, 1), -2.0), np.zeros((1, 1)), [1.0], np.ones((1, 1)))
    assert x == pytest.approx(0.5, abs=1e-3)


def test_a_limit_is_worth_what_it_takes_off():
    # x + y on |x|, |y| <= 1 under x + y <= 0.5: at a price of 1 that is 0.5 all over.
    x = best_multipliers(np.ones((1, 2)), np.full((1, 1, 2), -1.0), np.full((1, 1), 0.5), [np.inf], np.ones((1, 2)))
    assert x == pytest.approx(1.0, abs=1e-2)
