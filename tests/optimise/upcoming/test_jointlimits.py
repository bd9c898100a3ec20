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
