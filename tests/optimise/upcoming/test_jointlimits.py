"""Limits for several new batches: exact for one, a reference integrator for more, simulation for a mixture."""

import numpy as np
import pytest
from scipy import stats

from optimise.statistics.predictive import TMixture
from optimise.upcoming.jointlimits import batch_limits, joint_limits


@pytest.mark.parametrize("df", [3.0, 9.0, 40.0, np.inf])
def test_one_batch_has_the_prediction_interval(df):
    law = TMixture.single([2.0, 5.0], [0.3, 0.9], 1.1, df)
    assert batch_limits(law, 1) == pytest.approx(law.batch_interval(), rel=2e-4)


@pytest.mark.parametrize(("h", "df", "batches"), [(0.2, 8, 3), (0.8, 5, 4), (0.05, 20, 6)])
def test_several_batches_against_the_multivariate_t(h, df, batches):
    low, high = batch_limits(TMixture.single([0.0], [np.sqrt(h)], 1.0, df), batches)[0]
    shape = np.full((batches, batches), h) + np.eye(batches)
    law = stats.multivariate_t(shape=shape, df=df, seed=1)
    held = law.cdf(np.full(batches, high), lower_limit=np.full(batches, low), random_state=1, maxpts=200_000)
    assert held == pytest.approx(0.95, abs=6e-4)


def test_a_mixture_by_simulation():
    law = TMixture(
        np.array([0.6, 0.4]), np.array([6.0, 6.0]), np.array([[0.0, 1.5]]), np.array([[0.4, 0.2]]), np.array([1.0, 0.6])
    )
    low, high = batch_limits(law, 3, 0.9)[0]
    rng = np.random.default_rng(8)
    means, sds = law.draws(*rng.uniform(size=(3, 60_000)))
    made = means[0][:, None] + sds[0][:, None] * rng.normal(size=(60_000, 3))
    held = np.all((low < made) & (made < high), axis=1).mean()
    assert held == pytest.approx(0.9, abs=0.005)


def test_several_responses_share_the_error():
    law = TMixture.single([0.0], [0.3], 1.0, 9)
    alone, shared = batch_limits(law, 2), joint_limits([law, law], 2)[0]
    assert shared == pytest.approx(batch_limits(law, 2, 0.975))
    assert shared[0, 1] > alone[0, 1]


@pytest.mark.parametrize(("df", "mean", "groups"), [(7.0, 0.3, [3]), (4.0, 0.05, [4]), (np.inf, 0.4, [3])])
def test_batches_of_one_day_are_correlated_as_compound_symmetry(df, mean, groups):
    """One day's batches: a multivariate t (or normal) whose correlation is that of the mean and the day together."""
    law, n = TMixture.single([0.0], [mean], 1.0, df, 0.8), sum(groups)
    low, high = batch_limits(law, n, together=groups)[0]
    shape = np.full((n, n), mean**2 + 0.64) + 0.36 * np.eye(n)
    joint = stats.multivariate_t(shape=shape, df=min(df, 1e8), seed=1)
    held = joint.cdf(np.full(n, high), lower_limit=np.full(n, low), random_state=1, maxpts=200_000)
    assert held == pytest.approx(0.95, abs=6e-4)
    assert high < batch_limits(law, n)[0, 1]


def test_batches_of_two_days_by_simulation():
    law = TMixture(
        np.array([0.6, 0.4]), np.array([6.0, 6.0]), np.array([[0.0, 1.5]]), np.array([[0.4, 0.2]]),
        np.array([1.0, 0.6]), np.array([0.7, 0.5]),
    )  # fmt: skip
    low, high = batch_limits(law, 5, 0.9, together=[3, 2])[0]
    rng = np.random.default_rng(8)
    picked, spread, deviate = law.parameters(*rng.uniform(size=(3, 60_000)))
    day, own = law.shared[picked] * spread, np.sqrt(law.residual**2 - law.shared**2)[picked] * spread
    mean = law.location[0, picked] + law.mean_scale[0, picked] * spread * deviate
    days = day[:, None] * rng.normal(size=(60_000, 2))
    made = mean[:, None] + days[:, [0, 0, 0, 1, 1]] + own[:, None] * rng.normal(size=(60_000, 5))
    held = np.all((low < made) & (made < high), axis=1).mean()
    assert held == pytest.approx(0.9, abs=0.005)
    apart = batch_limits(law, 5, 0.9)[0]
    assert apart[0] < low
    assert high < apart[1]


def test_nothing_shared_or_every_batch_alone_is_as_before():
    law = TMixture.single([1.0], [0.3], 1.0, 6.0, 0.8)
    plain = TMixture.single([1.0], [0.3], 1.0, 6.0)
    assert batch_limits(law, 3, together=[1, 1, 1]) == pytest.approx(batch_limits(plain, 3))
    assert batch_limits(plain, 3, together=[3]) == pytest.approx(batch_limits(plain, 3))
    with pytest.raises(ValueError, match="add up"):
        batch_limits(law, 3, together=[2])
