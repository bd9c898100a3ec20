"""Whole plots and blocks: weights, degrees of freedom and variances against closed forms and reference libraries."""

from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.search.strata import Contrasts, Strata, freedom, repeats_within

labels = st.lists(st.tuples(st.integers(0, 4), st.integers(0, 2)), min_size=6, max_size=14)


def split_factorial(plots_each=2):
    """A 2^2 in whole plots of two: w stays within a whole plot, s moves; each setting of w `plots_each` times."""
    w, s = np.repeat([-1.0, 1.0] * plots_each, 2), np.tile([-1.0, 1.0], 2 * plots_each)
    F = np.column_stack([np.ones(4 * plots_each), w, s, w * s])
    return F, Strata.of(np.repeat(np.arange(2 * plots_each), 2), np.zeros(len(F)), 1.5)


@settings(max_examples=30, deadline=None)
@given(groups=labels, ratio=st.floats(0.1, 5))
def test_precision_is_the_inverse_of_the_variance(groups, ratio):
    strata = Strata.of([p for p, _ in groups], [0] * len(groups), ratio)
    Z = (strata.plots[:, None] == np.arange(strata.n_plots)).astype(float)
    assert np.allclose(strata.precision @ (np.eye(len(groups)) + ratio * Z @ Z.T), np.eye(len(groups)), atol=1e-10)


@settings(max_examples=30, deadline=None)
@given(groups=labels, ratio=st.floats(0.1, 5), seed=st.integers(0, 99))
def test_information_is_that_of_generalised_least_squares_after_blocks(groups, ratio, seed):
    # statsmodels' GLS of the model with a column for each further block: slopes and their covariance do not depend on
    # how the blocks are coded.
    rng = np.random.default_rng(seed)
    block = [b for _, b in groups]
    strata = Strata.of([10 * b + p for p, b in groups], block, ratio)
    F = np.column_stack([np.ones(len(groups)), rng.normal(size=(len(groups), 2))])
    dummies = (np.array(block)[:, None] == np.array(sorted(set(block)))[1:]).astype(float)
    X = np.column_stack([F, dummies])
    if np.linalg.matrix_rank(X) < X.shape[1] or len(X) <= X.shape[1]:
        return
    fitted = sm.GLS(rng.normal(size=len(X)), X, sigma=np.linalg.inv(strata.precision)).fit()
    ours = np.linalg.inv(F.T @ strata.weight() @ F)
    theirs = np.asarray(fitted.normalized_cov_params)
    assert np.allclose(ours[1:, 1:], theirs[1:3, 1:3], rtol=1e-6, atol=1e-9)


def test_variances_of_a_balanced_split_plot():
    # Whole plots of m = 2: var of a whole-plot effect's coefficient is s2 (1 + m ratio) / n, of the others s2 / n.
    F, strata = split_factorial()
    V = np.linalg.inv(F.T @ strata.weight() @ F)
    assert np.allclose(V, np.diag([(1 + 2 * 1.5) / 8] * 2 + [1 / 8] * 2))


def test_an_orthogonally_blocked_plan_loses_nothing():
    # 2^3 in two blocks by ABC.
    X = np.array(list(product((-1.0, 1.0), repeat=3)))
    strata = Strata.of(range(8), (X.prod(axis=1) > 0).astype(int), 0.0)
    F = np.column_stack([np.ones(8), X, X[:, 0] * X[:, 1], X[:, 0] * X[:, 2], X[:, 1] * X[:, 2]])
    assert np.allclose(F.T @ strata.weight() @ F, 8 * np.eye(7))
    confounded = np.column_stack([F, X.prod(axis=1)])
    assert np.linalg.matrix_rank(confounded.T @ strata.weight() @ confounded, tol=1e-9) == 7


def test_corrosion_split_plot_degrees_of_freedom():
    # Box, Hunter & Hunter (2005), table 9.1: three furnace temperatures, each set up twice, four coatings in each heat.
    # Whole-plot error 3, batch error 9 degrees of freedom.
    heat, coat = np.repeat(np.arange(6), 4), np.tile(np.arange(4), 6)
    temperature = heat % 3
    cell = temperature * 4 + coat
    F = (cell[:, None] == np.arange(12)).astype(float)
    strata = Strata.of(heat, [0] * 24, 1.0)
    df = freedom(F, strata, np.arange(24), 12)
    assert df == {"model": 12, "lack_of_fit": 9, "pure_error": 0, "whole_plot_error": 3}
    # Replicated cells stand in different heats, which differ; what is left of them once heats are told apart is pure.
    assert freedom(F, strata, cell, 12)["pure_error"] == 9
    judge = Contrasts(F, strata)
    c = np.repeat([1.0, -1.0, 0.0], 4) / 4
    assert judge.judge(c) == pytest.approx((2 * (1 + 4) / 8, 3))
    coating = np.tile([1.0, -1.0, 0.0, 0.0], 3) / 3
    assert judge.judge(coating) == pytest.approx((2 / 6, 9))


def test_degrees_of_freedom_behind_an_effect_are_those_of_its_stratum():
    F, strata = split_factorial(plots_each=3)
    judge = Contrasts(F, strata)
    assert judge.judge(np.array([0.0, 2, 0, 0])) == pytest.approx((4 * 4 / 12, 4))
    assert judge.judge(np.array([0.0, 0, 2, 0])) == pytest.approx((4 / 12, 4))
    # As many whole plots as there are terms in w: nothing measures what whole plots differ by.
    few = Contrasts(*split_factorial(plots_each=1))
    assert few.judge(np.array([0.0, 2, 0, 0]))[1] == 0


def test_independent_trials_have_the_residual_degrees_of_freedom():
    rng = np.random.default_rng(1)
    F = rng.normal(size=(11, 4))
    c = rng.normal(size=4)
    variance, df = Contrasts(F, Strata.none(11)).judge(c)
    assert df == pytest.approx(7)
    assert variance == pytest.approx(c @ np.linalg.inv(F.T @ F) @ c)


@settings(max_examples=40, deadline=None)
@given(pairs=st.lists(st.tuples(st.integers(0, 4), st.integers(0, 3)), min_size=1, max_size=15))
def test_pure_error_is_what_recipes_and_groups_leave(pairs):
    recipe, group = (np.array(side) for side in zip(*pairs, strict=True))
    both = np.column_stack([recipe[:, None] == np.arange(5), group[:, None] == np.arange(4)]).astype(float)
    assert repeats_within(recipe, group) == len(pairs) - np.linalg.matrix_rank(both)


@settings(max_examples=30, deadline=None)
@given(groups=labels, ratio=st.sampled_from([0.0, 1.0]), seed=st.integers(0, 99))
def test_degrees_of_freedom_add_up(groups, ratio, seed):
    rng = np.random.default_rng(seed)
    strata = Strata.of([10 * b + p for p, b in groups], [b for _, b in groups], ratio)
    recipe = rng.integers(0, 6, size=len(groups))
    F = rng.normal(size=(6, 3))[recipe]
    F[:, 0] = 1.0
    df = freedom(F, strata, recipe, int(np.linalg.matrix_rank(F)))
    assert sum(df.values()) == len(groups)
    assert min(df.values()) >= 0
