"""Choosing terms: against brute force by a reference library, exact recovery, heredity, determinism."""

from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm

from optimise.statistics.leastsq import solve
from optimise.statistics.selection import aicc, choose, residual_ss


def quadratic_problem(seed, n=20, d=3):
    """Columns 1, x, x², x_i x_j of d factors, which are sure, and the parents of each."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(-1, 1, size=(n, d))
    columns, parents = [np.ones(n), *x.T], [frozenset()] * (d + 1)
    for i in range(d):
        for j in range(i, d):
            columns.append(x[:, i] * x[:, j])
            parents.append(frozenset({1 + i, 1 + j}))
    return rng, np.column_stack(columns), parents


def test_all_subsets_agree_with_a_loop_of_the_reference_library():
    rng, X, parents = quadratic_problem(1)
    y = X @ np.array([1, 2, 0, -1, 0, 1.5, 0, 0, 0, 0]) + rng.normal(scale=0.5, size=20)
    sure = [True] * 4 + [False] * 6
    best, scores = None, []
    for flags in product([False, True], repeat=6):
        columns = [*range(4), *(4 + j for j, on in enumerate(flags) if on)]
        fit = sm.OLS(y, X[:, columns]).fit()
        k = len(columns) + 1
        score = 20 * np.log(fit.ssr / 20) + 2 * k + 2 * k * (k + 1) / (20 - k - 1)
        scores.append(score)
        if best is None or score < best[0] - 1e-9:
            best = (score, tuple(columns))
    found = choose(X, y, sure, parents)
    assert found.chosen == best[1]
    assert found.looked_at == 64
    scores = np.sort(scores)
    gaps = scores[scores <= scores[0] + 2] - scores[0]
    assert np.array([score for score, _ in found.near]) - found.near[0][0] == pytest.approx(gaps, abs=1e-8)


def test_sums_of_squares_of_subsets_agree_with_single_fits():
    rng = np.random.default_rng(2)
    X = rng.normal(size=(15, 5))
    X /= np.linalg.norm(X, axis=0)
    y = rng.normal(size=15)
    sets = np.array(list(product([False, True], repeat=5)))
    got = residual_ss(X.T @ X, X.T @ y, float(y @ y), sets)
    wanted = [solve(X[:, s], y).rss if s.any() else float(y @ y) for s in sets]
    assert got == pytest.approx(wanted, rel=1e-10)


def test_a_dependent_set_is_never_chosen():
    rng = np.random.default_rng(3)
    x = rng.normal(size=(12, 2))
    X = np.column_stack([np.ones(12), x, x[:, 0] + x[:, 1]])
    y = x[:, 0] + x[:, 1] + 0.1 * rng.normal(size=12)
    found = choose(X, y, [True, False, False, False], [frozenset()] * 4)
    assert found.chosen == (0, 3)


def test_a_product_comes_only_with_its_factors():
    rng, X, parents = quadratic_problem(5)
    y = 3 * X[:, 5] + 0.05 * rng.normal(size=20)  # a bare product, its factors at nil
    found = choose(X, y, [True] + [False] * 9, parents)
    assert 5 in found.chosen
    assert parents[5] <= set(found.chosen)
    for _, columns in found.near:
        assert all(parents[j] <= set(columns) for j in columns)


@pytest.mark.parametrize("d", [4, 6])
def test_true_terms_of_a_sharp_signal_are_found(d):
    """At d = 6 there are 21 potential terms, beyond exhaustion: the beam has to find them."""
    rng, X, parents = quadratic_problem(11, n=44, d=d)
    truth = [d + 2, d + 4]
    y = X[:, 1] + sum(2 * X[:, j] for j in truth) + 0.1 * rng.normal(size=44)
    found = choose(X, y, [True] * (d + 1) + [False] * (X.shape[1] - d - 1), parents, draws=20)
    assert set(truth) <= set(found.chosen)
    assert found.share[truth] == pytest.approx(1.0)
    assert ("beam" in found.how) == (d == 6)


def test_the_beam_reaches_the_best_of_all_subsets():
    """17 potential terms: all 131072 subsets by the vectorised sums of squares against the beam."""
    rng = np.random.default_rng(8)
    X = np.column_stack([np.ones(30), rng.normal(size=(30, 17))])
    y = X @ np.concatenate([[1.0], rng.normal(size=17) * (rng.random(17) < 0.4)]) + rng.normal(size=30)
    found = choose(X, y, [True] + [False] * 17, [frozenset()] * 18, draws=0)
    centred = X[:, 1:] - X[:, 1:].mean(axis=0)
    centred /= np.linalg.norm(centred, axis=0)
    yc = y - y.mean()
    sets = ((np.arange(2**17)[:, None] >> np.arange(17)) & 1).astype(bool)
    score = aicc(residual_ss(centred.T @ centred, centred.T @ yc, float(yc @ yc), sets), 30, sets.sum(axis=1) + 1)
    best = sets[int(np.argmin(score))]
    assert found.chosen == (0, *(np.flatnonzero(best) + 1))


def test_the_same_comes_out_twice_and_pure_noise_is_rarely_kept():
    rng, X, parents = quadratic_problem(21)
    y = rng.normal(size=20)
    sure = [True] * 4 + [False] * 6
    first, second = choose(X, y, sure, parents), choose(X, y, sure, parents)
    assert first.chosen == second.chosen
    assert np.array_equal(first.share, second.share)
    kept = [len(choose(X, rng.normal(size=20), sure, parents, draws=0).chosen) - 4 for _ in range(60)]
    # A bare AIC keeps each of the six needless terms with chance P(chi² > 2) = 0.157, 0.94 terms a study.
    assert np.mean(kept) < 0.94


@pytest.mark.parametrize("size", [1e-12, 1.0, 1e12])
def test_the_choice_does_not_depend_on_the_unit(size):
    rng, X, parents = quadratic_problem(4)
    y = X[:, 1] + 2 * X[:, 4] + 0.2 * rng.normal(size=20)
    sure = [True] * 4 + [False] * 6
    assert choose(X, size * y, sure, parents).chosen == choose(X, y, sure, parents).chosen


def test_few_batches_leave_the_sure_terms_and_say_so():
    _, X, parents = quadratic_problem(6, n=6)
    found = choose(X, np.arange(6.0), [True] * 4 + [False] * 6, parents)
    assert found.chosen == (0, 1, 2, 3)
    assert "too few batches" in found.how


@pytest.mark.parametrize("y", [np.zeros(20), np.full(20, 3.0)])
def test_equal_values_keep_nothing_more(y):
    _, X, parents = quadratic_problem(7)
    assert choose(X, y, [True] * 4 + [False] * 6, parents).chosen == (0, 1, 2, 3)
