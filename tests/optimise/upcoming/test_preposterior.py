"""The expected gain of batches not made yet: against simulation, closed cases, and every choice of few candidates."""

from itertools import combinations_with_replacement

import joblib
import numpy as np
import pytest
from scipy import stats

from optimise.upcoming.augmentation import augment, by_variance
from optimise.upcoming.learning import LITTLE, enough
from optimise.upcoming.preposterior import Preposterior, View


def everywhere(targets):
    return lambda picked: np.ones(targets, dtype=bool)


def preposterior(seed=1, targets=12, candidates=6, df=np.inf, responses=2, parts=1):
    """Made-up responses: covariances of means by a smooth kernel over places on a line; the best target first."""
    rng = np.random.default_rng(seed)
    at = np.concatenate([rng.uniform(0, 1, targets), np.linspace(0, 1, candidates)])
    views = []
    for _ in range(responses):
        size = np.array([2.0, 0.5])[:parts, None, None]
        C = size * np.exp(-((at[:, None] - at[None]) ** 2) / 0.18) + 1e-9 * np.eye(len(at))
        centre = rng.normal(0, 1, (parts, len(at)))
        weights = np.array([0.6, 0.4])[:parts] / np.array([0.6, 0.4])[:parts].sum()
        scale = np.array([0.7, 1.1])[:parts]
        views.append(View(weights, np.full(parts, df), centre, scale, C, -0.4, 1.1))
    one = Preposterior(tuple(views), targets, everywhere(targets))
    order = np.concatenate([np.argsort(-one.now()), np.arange(targets, len(at))])
    return Preposterior(tuple(view.at(order) for view in views), targets, everywhere(targets))


def test_against_plain_simulation():
    """Readings drawn from the law of now, means and variances moved by conditioning: many draws, numpy and scipy."""
    one = preposterior(seed=4)
    picked, t, rng = [1, 4], one.targets, np.random.default_rng(0)
    rows = [t + i for i in picked]
    then, known = np.ones((2, 40_000, t))
    for view in one.views:
        C, sd, centre = view.covariance[0], view.scale[0], view.centre[0, :t]
        K = C[np.ix_(rows, rows)] + np.eye(2)
        read = rng.multivariate_normal(np.zeros(2), K, 40_000) * sd
        moved = centre + read @ np.linalg.solve(K, C[rows][:, :t])
        left = C[:t, :t] - C[:t][:, rows] @ np.linalg.solve(K, C[rows][:, :t])
        wide = sd * np.sqrt(1 + np.diag(left))
        then *= stats.norm.cdf(view.high, moved, wide) - stats.norm.cdf(view.low, moved, wide)
        means = rng.multivariate_normal(centre, sd**2 * C[:t, :t], 40_000)
        known *= stats.norm.cdf(view.high, means, sd) - stats.norm.cdf(view.low, means, sd)
    for chances, found in ((then, one.prospect(picked, 0.6)), (known, one.ceiling(0.6))):
        best = chances.max(axis=1)
        expected = best.mean() - one.now()[0]
        assert found.gain == pytest.approx(expected, abs=4 * best.std() / 16)
        assert found.reached == pytest.approx((best >= 0.6).mean(), abs=4 * 0.5 / 16)


@pytest.mark.parametrize("df", [np.inf, 14.0])
def test_what_is_read_moves_no_chance_in_the_mean(df):
    """Averaged over what may be read, Bayes' rule gives back what was known: for mixtures of t laws too."""
    one = preposterior(seed=5, df=df, parts=2)
    then = np.vstack([one.after([0, 3, 3], search=search) for search in (False, True)])
    assert then.mean(axis=0) == pytest.approx(one.now(), abs=0.03)
    assert then.std(axis=0).max() > 0.05


def test_the_weights_move_by_the_density_of_what_was_read():
    """Two components that are sure of different means, one batch read: by Bayes' rule on normal densities (scipy)."""
    nothing = np.full((2, 2, 2), 1e-12)
    two = View(np.array([0.3, 0.7]), np.full(2, np.inf), np.array([[0.0, 0.0], [3.0, 3.0]]), np.ones(2), nothing,
               -np.inf, 1.5)  # fmt: skip
    share = np.array([0.1, 0.5, 0.9])
    for start, mean in ((0.1, 0.0), (0.9, 3.0)):
        read = mean + stats.norm.ppf(share)
        draws = np.column_stack([np.full(3, start), np.full(3, 0.5), share])
        each = np.array([0.3, 0.7])[:, None] * stats.norm.pdf(read, np.array([[0.0], [3.0]]), 1)
        weights = each / each.sum(axis=0)
        expected = weights[0] * stats.norm.cdf(1.5) + weights[1] * stats.norm.cdf(-1.5)
        assert two.then(1, [1], draws)[:, 0] == pytest.approx(expected, abs=1e-6)


def test_no_information_gains_nothing():
    one = preposterior()
    assert one.gain([]) == 0.0
    view = one.views[0]
    apart = View(view.weights, view.df, view.centre, view.scale, np.diag(np.full(18, 2.0))[None], -0.4, 1.1)
    other = Preposterior((apart,), 12, everywhere(12))
    assert other.gain([0, 1, 2]) == pytest.approx(0, abs=1e-12)


def test_a_formula_that_may_not_be_made_gains_nothing():
    one = preposterior(seed=3)
    shut = Preposterior(one.views, one.targets, lambda picked: np.zeros(one.targets, dtype=bool))
    assert one.gain([0, 2]) > 0
    assert shut.gain([0, 2]) == 0.0


@pytest.mark.parametrize("df", [np.inf, 14.0])
def test_the_search_finds_what_trying_everything_finds(df):
    one = preposterior(seed=2, df=df)
    everything = {c: one.gain(c) for c in combinations_with_replacement(range(6), 3)}
    found = augment(one, [0, 0, 0], 0.9, 3, enough)
    assert everything[tuple(sorted(found.picked))] >= 0.97 * max(everything.values())
    with joblib.parallel_config(n_jobs=2):
        assert augment(one, [0, 0, 0], 0.9, 3, enough).picked == found.picked


def test_gains_rise_to_that_of_the_whole_set_and_end_where_they_level_off():
    one = preposterior(seed=3)
    start = by_variance(one, np.ones(2), 6)
    whole = augment(one, start, 0.5, 4, enough)
    gains = [step.gain for step in whole.steps]
    assert (len(whole.picked), len(gains)) == (4, 6)
    assert gains == sorted(gains)
    assert gains[3] >= one.gain(whole.picked) - 1e-12
    assert gains[-1] <= one.ceiling().gain + 0.02
    few = augment(one, start, 0.5, None, lambda gains: 2)
    assert len(few.picked) == 2


def test_how_many_batches_are_worth_making():
    """Until further ones bring less than one does in the mean, or a quarter of a point: straight from the promise."""
    assert enough([0.10, 0.15, 0.151, 0.1515]) == 2
    assert enough([0.077, 0.108, 0.12, 0.128, 0.141, 0.151, 0.154, 0.159, 0.16, 0.164, 0.168, 0.17]) == 2
    assert enough([0.006, 0.009, 0.010, 0.0101, 0.0102]) == 2
    assert enough([0.05, 0.10, 0.15]) == 3
    assert enough([0.5 * LITTLE, 0.9 * LITTLE]) == 0
    # A first batch that brings nothing by itself may be needed for what the next ones bring.
    assert enough([0.0, 0.0, 0.06]) == 3


def test_means_that_rounding_leaves_without_a_proper_covariance_still_have_a_ceiling():
    """Means that all move together, less what rounding takes: in the mean over draws, the chance as it is now.

    A batch about a mean that is itself normal is normal with both variances: P(|x| < 1) by scipy.
    """
    t, rounding = 40, 3e-9
    C = 0.25 * np.ones((t, t)) - rounding * np.eye(t)
    assert np.linalg.eigvalsh(C).min() < -1e-9 * C.max()
    view = View(np.ones(1), np.array([np.inf]), np.zeros((1, t)), np.ones(1), C[None], -1.0, 1.0)
    draws = stats.qmc.Sobol(2 + t, seed=np.random.default_rng(3)).random(2**12)
    expected = 2 * stats.norm.cdf(1 / np.sqrt(1.25)) - 1
    assert view.known(t, draws).mean(axis=0) == pytest.approx(np.full(t, expected), abs=2e-3)
