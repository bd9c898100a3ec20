"""The small form of the calibration benchmark: a few simulated studies, whose full form is in tests/benchmarks."""

import calibration
import joblib
import numpy as np
import pandas as pd
import pytest
from scipy import stats


def test_a_few_simulated_studies_the_same_from_two_processes():
    """What is said of six formulas is as often true, on average, as said: within four standard errors and 4 points."""
    outcomes = calibration.run(range(6), "blind", seed=1)
    gap = outcomes["said"] - outcomes["true"]
    assert abs(gap.mean()) <= 0.04 + 4 * gap.std(ddof=1) / np.sqrt(len(gap))
    assert (outcomes["true"] <= outcomes["possible"] + 1e-12).all()
    with joblib.parallel_config(n_jobs=2):
        pd.testing.assert_frame_equal(calibration.run(range(2), "blind", seed=1), outcomes[:2])


def test_the_true_chance_is_that_of_batches_made():
    """Against the share of 200 000 simulated batches, and against the normal law of scipy where nothing is shared."""
    rng = np.random.default_rng(3)
    places = rng.uniform(-1, 1, (500, 3))
    truth = calibration.truth_of("mixed", 3, 4, places, rng)
    low, high = calibration.blind(4, rng)
    u = places[:1]
    batches = truth.batches(np.repeat(u, 200_000, axis=0), rng)
    share = ((batches >= low) & (batches <= high)).all(axis=1).mean()
    assert truth.chance(u, low, high)[0] == pytest.approx(share, abs=4 * np.sqrt(0.25 / 200_000))
    apart = calibration.Truth(truth.kinds, truth.parts, truth.sd, np.zeros(4))
    law = stats.norm(truth.means(u)[0], truth.sd)
    assert apart.chance(u, low, high)[0] == pytest.approx(np.prod(law.cdf(high) - law.cdf(low)), rel=1e-9)


def test_the_table_counts_what_falls_in_each_bin():
    said = np.repeat([0.5, 0.7, 0.8, 0.9, 0.95], 40)
    true = np.clip(said - 0.02, 0, 1)
    table = calibration.table(pd.DataFrame({"said": said, "true": true}))
    assert list(table["studies"]) == [40] * 5
    assert table["error"].to_numpy() == pytest.approx(2)
