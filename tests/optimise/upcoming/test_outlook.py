"""The expected gain of batches not made yet: against simulation, closed cases, and every choice of few candidates."""

from itertools import combinations_with_replacement

import joblib
import numpy as np
import pytest
from scipy import stats

from optimise.upcoming.outlook import Outlook, View, best_of


def outlook(seed=1, targets=12, candidates=6, df=np.inf, responses=2):
    """Made-up responses: a covariance of means by a smooth kernel over places on a line."""
    rng = np.random.default_rng(seed)
    at = np.concatenate([rng.uniform(0, 1, targets), np.linspace(0, 1, candidates)])
    views = []
    for _ in range(responses):
        C = 2.0 * np.exp(-((at[:, None] - at[None]) ** 2) / 0.18) + 1e-9 * np.eye(len(at))
        views.append(View(rng.normal(0, 1, targets), 0.7, df, -0.4, 1.1, C))
    return Outlook(tuple(views), targets)


def test_against_plain_simulation():
    """Readings drawn from the law of now, means and variances moved by conditioning: many draws, numpy and scipy."""
    one = outlook(seed=4)
    picked, t, rng = [1, 4], one.targets, np.random.default_rng(0)
    rows = [t + i for i in picked]
    now, then = np.ones(t), np.ones((40_000, t))
    for view in one.views:
        C = view.covariance
        K = C[np.ix_(rows, rows)] + np.eye(2)
        read = rng.multivariate_normal(np.zeros(2), K, 40_000) * view.sd
        moved = view.centre + read @ np.linalg.solve(K, C[rows][:, :t])
        left = C[:t, :t] - C[:t][:, rows] @ np.linalg.solve(K, C[rows][:, :t])
        wide = lambda v, sd=view.sd: sd * np.sqrt(1 + np.diag(v))  # noqa: E731
        then *= stats.norm.cdf(view.high, moved, wide(left)) - stats.norm.cdf(view.low, moved, wide(left))
        law = stats.norm(view.centre, wide(C[:t, :t]))
        now *= law.cdf(view.high) - law.cdf(view.low)
    best = then.max(axis=1)
    expected = best.mean() - now.max()
    assert one.gain(picked) == pytest.approx(expected, abs=4 * best.std() / 200 + 0.004)
    assert one.gain(picked, exact=False) == pytest.approx(expected, abs=4 * best.std() / 16)


def test_no_information_gains_nothing():
    one = outlook()
    assert one.gain([]) == 0.0
    apart = View(one.views[0].centre, 0.7, np.inf, -0.4, 1.1, np.diag(np.full(18, 2.0)))
    assert Outlook((apart,), 12).gain([0, 1, 2]) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("df", [np.inf, 14.0])
def test_the_search_finds_what_trying_everything_finds(df):
    one = outlook(seed=2, df=df)
    everything = {c: one.gain(c) for c in combinations_with_replacement(range(6), 3)}
    found = best_of(one, [0, 0, 0])
    assert everything[tuple(found)] >= 0.97 * max(everything.values())
    with joblib.parallel_config(n_jobs=2):
        assert best_of(one, [0, 0, 0]) == found


def test_the_course_rises_to_the_whole_gain():
    one = outlook(seed=3)
    order, course = one.course([0, 2, 5, 5])
    assert sorted(order) == [0, 2, 5, 5]
    assert course == sorted(course)
    assert course[-1] >= one.gain(order) - 1e-12
